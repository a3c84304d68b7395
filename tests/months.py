"""Random months with a plan: a clock moves on, things are said and happen, and after each the plan is judged.

    python -m tests.months 200

lives through so many months and prints how many passed; ``tests/test_months.py`` lives through a few in every run. What
is judged comes from outside: the checker, which shares no code with what makes plans, and RFC 5545 as icalendar reads
it. A refusal (no day is left, a request that cannot be, a block that cannot go there) is an answer too.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple
from zoneinfo import ZoneInfo

import icalendar
from hypothesis import HealthCheck, Phase, note, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    initialize,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)
from msgspec.structs import replace

from calplan import ical
from calplan.checkins import CheckIn, Flag, Found, Outcome, Undone, marks
from calplan.errors import InvalidRequest, NoPlan
from calplan.model import (
    Answers,
    Appointment,
    BusyInterval,
    Day,
    DayOff,
    Exam,
    Keep,
    Kind,
    Material,
    Role,
    ShortDay,
    StudyHours,
    Weekday,
    plan_from_json,
    to_json,
)
from calplan.model import Request as Asked
from calplan.planner import make_plan
from calplan.repairs import CannotMove, CannotUndo, hold, later, later_starts, undo
from calplan.replan import Way, mend
from calplan.request import read
from calplan.rules import check
from tests.strategies import requests

if TYPE_CHECKING:
    from collections.abc import Sequence

    from calplan.checkins import Log
    from calplan.model import Block, PastBlock, Plan

FIXTURES = Path(__file__).parents[1] / "fixtures"
WRITTEN = ("chemistry-30.toml", "chemistry-10.toml", "weekends-only.toml", "ten-minutes.toml", "textbook-only.toml")
"""Fixtures without busy calendars."""
BEGIN = datetime(2027, 3, 1, 7, 30, tzinfo=UTC)
LIGHT = (Role.ENCORE, Role.PAPER, Role.TAPER, Role.EVE)
"""What belongs to its day, and is no work that comes back."""


class Seen(NamedTuple):
    """What a subscriber has seen of an event."""

    sequence: int
    stamp: datetime
    start: date
    end: date


# ---------------------------------------------------------------------------------------------- usual requests


@st.composite
def usual(draw: st.DrawFn) -> tuple[Asked, datetime]:
    """What people ask: one to three exams in two to five weeks, some of everything, and evenings."""
    exams = tuple(
        Exam(
            key=f"exam-{n}",
            subject=("Chemistry", "History", "French")[n],
            start=datetime(2027, 3, 1, 9) + timedelta(days=draw(st.integers(9, 34))),
            minutes=90,
            timed_paper=draw(st.booleans()),
            materials=tuple(stock(n, draw(st.integers(2, 9)))),
        )
        for n in range(draw(st.integers(1, 3)))
    )
    week = (StudyHours(days=tuple(Weekday), start=time(16), end=time(draw(st.integers(18, 21)))),)
    return Asked(zone=draw(st.sampled_from(("America/New_York", "Europe/London"))), exams=exams, week=week), BEGIN


@st.composite
def written(draw: st.DrawFn) -> tuple[Asked, datetime]:
    """A request of the fixtures, some weeks before its first exam."""
    name = draw(st.sampled_from(WRITTEN))
    request = read((FIXTURES / name).read_bytes(), name=name)
    first = min(exam.start for exam in request.exams).date() - timedelta(days=draw(st.integers(4, 30)))
    return request, datetime.combine(first, time(8), UTC)


def stock(exam: int, size: int) -> list[Material]:
    """Some material of every kind."""
    answers = (Answers.ANSWERS, Answers.WORKED)
    return [
        *(Material(key=f"h{exam}-{n}", kind=Kind.HOMEWORK, title=f"Homework {n}") for n in range(size)),
        *(Material(key=f"q{exam}-{n}", kind=Kind.QUIZ, title=f"Quiz {n}", size=8, missed=n) for n in range(size // 2)),
        Material(key=f"n{exam}", kind=Kind.NOTES, title="Class notes", size=2 * size),
        Material(key=f"t{exam}", kind=Kind.TEST, title="Unit test", size=16, missed=5, answers=answers[size % 2]),
        Material(key=f"p{exam}", kind=Kind.PRACTICE, title="Problem sheet", size=6 * size),
    ]


# ---------------------------------------------------------------------------------------------------- a month


class Months(RuleBasedStateMachine):
    """One plan, from the day it was made on."""

    request: Asked
    plan: Plan

    # ------------------------------------------------------------------------------------------- how it begins

    @initialize(data=st.data())
    def begins(self, data: st.DataObject) -> None:
        """A plan is made."""
        self.request, self.now = data.draw(st.one_of(usual(), written(), requests()))
        try:
            self.plan = make_plan(self.request, {}, as_of=self.now)
        except NoPlan:
            self.request, self.now = data.draw(usual())
            self.plan = make_plan(self.request, {}, as_of=self.now)
        self.log: Log = ()
        self.number = 0
        self.before: list[tuple[Asked, Plan]] = []
        self.seen: dict[str, Seen] = {}
        self.over: dict[str, tuple[object, ...]] = {}
        self.words: dict[str, tuple[str, str]] = {}
        self.judged: object = None

    # ---------------------------------------------------------------------------------------- time, and words

    @rule(hours=st.integers(1, 60))
    def time_passes(self, hours: int) -> None:
        self.now += timedelta(hours=hours)

    @rule(
        which=st.integers(0, 99),
        outcome=st.sampled_from(Outcome),
        reached=st.integers(0, 60),
        minutes=st.none() | st.integers(0, 120),
        pages=st.none() | st.integers(0, 5),
        found=st.lists(st.tuples(st.integers(0, 40), st.none() | st.integers(0, 9), st.integers(0, 3)), max_size=2),
    )
    def said(
        self,
        which: int,
        outcome: Outcome,
        reached: int,
        minutes: int | None,
        pages: int | None,
        found: list[tuple[int, int | None, int]],
    ) -> None:
        """A word on a block: one that is over, or now and then the next one."""
        begun = [b for b in (*self.plan.past, *self.plan.blocks) if self.started(b)]
        coming = [b for b in self.plan.blocks if not self.started(b)][:1]
        blocks = [*begun[-6:], *coming]
        if not blocks:
            return
        block = blocks[which % len(blocks)]
        materials = [(exam.key, one.key) for exam in self.request.exams for one in exam.materials]
        things = tuple(
            Found(
                exam=materials[place % len(materials)][0],
                material=materials[place % len(materials)][1],
                wrong=wrong,
                flags=tuple(Flag(problem=str(n), importance=(n + which) % 3 + 1) for n in range(flags)),
            )
            for place, wrong, flags in found
            if materials
        )
        self.says(
            CheckIn(
                id=self.name(),
                at=self.now,
                block=block.uid,
                outcome=outcome,
                reached=reached if outcome is Outcome.PARTLY else 0,
                minutes=minutes,
                found=things,
                sheet_pages=pages,
            )
        )

    @rule(share=st.integers(2, 4))
    def all_was_missed_lately(self, share: int) -> None:
        """A bad stretch: some of the last blocks were missed."""
        over = [block for block in (*self.plan.past, *self.plan.blocks) if self.started(block)]
        for block in over[-6::share]:
            self.says(CheckIn(id=self.name(), at=self.now, block=block.uid, outcome=Outcome.MISSED))

    @precondition(lambda self: self.log)
    @rule(which=st.integers(0, 99))
    def takes_back(self, which: int) -> None:
        self.says(Undone(id=self.name(), at=self.now, entry=self.log[which % len(self.log)].id))

    # ------------------------------------------------------------------------------------------- small repairs

    @rule(which=st.integers(0, 99), slot=st.integers(0, 99))
    def puts_later(self, which: int, slot: int) -> None:
        """A block of today goes to another hour, if one is left."""
        for block in self.plan.blocks:
            starts = later_starts(self.plan, self.request, block.uid, as_of=self.now)
            if starts:
                try:
                    new = later(self.plan, self.request, block.uid, starts[slot % len(starts)], as_of=self.now)
                except CannotMove:
                    return
                self.stays_apart_from({block.uid}, new)
                self.plan = new
                self.before.clear()
                return

    @precondition(lambda self: any(block.parts for block in self.plan.blocks))
    @rule(which=st.integers(0, 99), held=st.booleans())
    def holds(self, which: int, held: bool) -> None:
        blocks = [block for block in self.plan.blocks if block.parts and not self.started(block)][:9]
        if blocks:
            new = hold(self.plan, blocks[which % len(blocks)].uid, held)
            self.stays_apart_from(set(), new)
            self.plan = new

    @precondition(lambda self: self.before)
    @rule()
    def undoes(self) -> None:
        """The last repair is put back: tasks, days and times are those before it."""
        request, plan = self.before.pop()
        try:
            back = undo(self.plan, plan, as_of=self.now)
        except CannotUndo:
            begun = [b for one in (plan, self.plan) for b in one.blocks if self.plan.as_of < self.start(b) <= self.now]
            assert begun, "undo was refused although no block has begun since"
            self.before.clear()
            return
        assert (back.tasks, back.days) == (plan.tasks, plan.days)
        assert [(b.uid, b.start, b.fold, b.minutes, b.parts) for b in back.blocks] == [
            (b.uid, b.start, b.fold, b.minutes, b.parts) for b in plan.blocks
        ]
        self.request, self.plan = request, back

    # ------------------------------------------------------------------------------------------------- news

    @rule(way=st.sampled_from(Way))
    def is_mended(self, way: Way) -> None:
        """Nothing is new but what was said."""
        self.mends(self.request, way, same=True)

    @rule(ahead=st.integers(0, 12), minutes=st.integers(0, 60), way=st.sampled_from(Way))
    def only_minutes(self, ahead: int, minutes: int, way: Way) -> None:
        day = ShortDay(day=self.today + timedelta(days=ahead), minutes=minutes)
        kept = tuple(one for one in self.request.short_days if one.day != day.day)
        self.mends(replace(self.request, short_days=(*kept, day)), way)

    @rule(ahead=st.integers(0, 12), days=st.integers(1, 4), way=st.sampled_from(Way))
    def days_are_lost(self, ahead: int, days: int, way: Way) -> None:
        first = self.today + timedelta(days=ahead)
        lost = DayOff(first=first, last=first + timedelta(days=days - 1))
        self.mends(replace(self.request, days_off=(*self.request.days_off, lost)), way)

    @rule(ahead=st.integers(0, 12), hour=st.integers(7, 21), minutes=st.integers(10, 400), way=st.sampled_from(Way))
    def an_hour_is_taken(self, ahead: int, hour: int, minutes: int, way: Way) -> None:
        start = datetime.combine(self.today + timedelta(days=ahead), time(hour))
        busy = BusyInterval(start=start, end=start + timedelta(minutes=minutes))
        self.mends(replace(self.request, busy=(*self.request.busy, busy)), way)

    @precondition(lambda self: not self.request.appointments)
    @rule(ahead=st.integers(1, 12), hour=st.integers(16, 19))
    def help_is_found(self, ahead: int, hour: int) -> None:
        start = datetime.combine(self.today + timedelta(days=ahead), time(hour))
        self.mends(replace(self.request, appointments=(Appointment(title="Tutoring", start=start, minutes=45),)))

    @rule(which=st.integers(0, 2), days=st.integers(-6, 9), way=st.sampled_from(Way))
    def an_exam_moves(self, which: int, days: int, way: Way) -> None:
        self.edits(which, lambda exam: replace(exam, start=exam.start + timedelta(days=days), latest=None), way)

    @rule(which=st.integers(0, 2), kind=st.sampled_from(Kind), size=st.integers(1, 20), wait=st.integers(0, 9))
    def material_comes(self, which: int, kind: Kind, size: int, wait: int) -> None:
        key = self.name()
        day = self.today + timedelta(days=wait) if wait > 4 else None
        new = Material(key=key, kind=kind, title=f"New {key}", size=size, missed=size // 3, in_hand=day)
        self.edits(which, lambda exam: replace(exam, materials=(*exam.materials, new)))

    @rule(which=st.integers(0, 2), place=st.integers(0, 30))
    def material_goes(self, which: int, place: int) -> None:
        def without(exam: Exam) -> Exam:
            at = place % max(1, len(exam.materials))
            return replace(exam, materials=exam.materials[:at] + exam.materials[at + 1 :])

        self.edits(which, without)

    @rule(
        which=st.integers(0, 2),
        place=st.integers(0, 30),
        size=st.integers(1, 30),
        minutes=st.none() | st.integers(0, 90),
    )
    def material_is_another(self, which: int, place: int, size: int, minutes: int | None) -> None:
        """Its size turns out to be another, or its minutes."""

        def changed(exam: Exam) -> Exam:
            at = place % max(1, len(exam.materials))
            return replace(
                exam,
                materials=tuple(
                    replace(one, size=size, missed=min(one.missed or 0, size), minutes=minutes) if n == at else one
                    for n, one in enumerate(exam.materials)
                ),
            )

        self.edits(which, changed)

    @rule(usual=st.integers(15, 45), more=st.integers(0, 60), longest=st.integers(25, 60), rest=st.integers(0, 20))
    def effort_changes(self, usual: int, more: int, longest: int, rest: int) -> None:
        effort = replace(self.request.effort, usual=usual, limit=usual + more, longest=longest, shortest=15, rest=rest)
        self.mends(replace(self.request, effort=effort))

    @rule(keep=st.sampled_from(Keep))
    def keeps(self, keep: Keep) -> None:
        self.mends(replace(self.request, keep=keep))

    @rule(grace=st.none() | st.integers(0, 5))
    def grace_changes(self, grace: int | None) -> None:
        self.mends(replace(self.request, mending=replace(self.request.mending, grace=grace)), same=True)

    @precondition(lambda self: len(self.request.exams) < 3)
    @rule(days=st.integers(4, 25), size=st.integers(1, 6))
    def an_exam_comes(self, days: int, size: int) -> None:
        self.number += 1
        start = datetime.combine(self.today + timedelta(days=days), time(9))
        new = Exam(
            key=f"new-{self.number}",
            subject=f"Subject {self.number}",
            start=start,
            minutes=60,
            materials=tuple(stock(90 + self.number, size)),
        )
        self.mends(replace(self.request, exams=(*self.request.exams, new)))

    @precondition(lambda self: len(self.request.exams) > 1)
    @rule(which=st.integers(0, 2))
    def an_exam_goes(self, which: int) -> None:
        at = which % len(self.request.exams)
        self.mends(replace(self.request, exams=self.request.exams[:at] + self.request.exams[at + 1 :]))

    # ---------------------------------------------------------------------------------------------- how it is done

    @property
    def today(self) -> date:
        return self.now.astimezone(ZoneInfo(self.plan.zone)).date()

    def name(self) -> str:
        self.number += 1
        return f"word-{self.number}"

    def says(self, entry: CheckIn | Undone) -> None:
        self.log = (*self.log, entry)

    def start(self, block: Block | PastBlock) -> datetime:
        return block.start.replace(tzinfo=ZoneInfo(self.plan.zone), fold=block.fold).astimezone(UTC)

    def started(self, block: Block | PastBlock) -> bool:
        return self.start(block) <= self.now

    def edits(self, which: int, change: object, way: Way = Way.FEWEST) -> None:
        """News about one exam."""
        at = which % len(self.request.exams)
        exams = tuple(change(one) if n == at else one for n, one in enumerate(self.request.exams))  # type: ignore[operator]
        self.mends(replace(self.request, exams=exams), way)

    def mends(self, request: Asked, way: Way = Way.FEWEST, *, same: bool = False) -> None:
        """The plan for a changed request; where none can be, all stays as it is. Then what holds of every mending."""
        old = self.plan
        try:
            new = mend(old, self.request, request, {}, self.log, as_of=self.now, way=way)
        except (NoPlan, InvalidRequest) as refusal:
            note(f"refused: {refusal}")
            return
        if new is not old:
            self.before.append((self.request, old))
            del self.before[:-3]
        again = mend(new, request, request, {}, self.log, as_of=self.now, way=way)
        assert again == new, "the same news twice changes more"
        same_work = self.request.exams == request.exams
        if same_work and not any(isinstance(e, CheckIn) and (e.found or e.minutes or e.sheet_pages) for e in self.log):
            self.conserves(old, new)
        if way is Way.STAY and same_work:
            self.kept_days(old, new)
        self.request, self.plan = request, new

    def stays_apart_from(self, uids: set[str], new: Plan) -> None:
        """A small repair changes these blocks and no other."""
        assert {b.uid: replace(b, held=False) for b in self.plan.blocks if b.uid not in uids} == {
            b.uid: replace(b, held=False) for b in new.blocks if b.uid not in uids
        }
        assert (new.tasks, new.days, new.past) == (self.plan.tasks, self.plan.days, self.plan.past)

    def conserves(self, old: Plan, new: Plan) -> None:
        """Done, planned and left out make what was asked, unit by unit, of every exam that still has days."""
        alive = {exam.key for exam in new.exams if exam.usable_days > 1} & {task.exam for task in new.tasks}
        asked = {
            (task.id, unit)
            for task in old.tasks
            if task.exam in alive and task.role not in LIGHT and "/only-" not in task.id
            for unit in range(len(task.ranks))
        }
        over = {
            (one.task, unit)
            for block in new.past
            for one in block.worked
            for unit in range(one.first, one.first + one.units - one.back)
        }
        planned = Counter(
            (part.task, unit)
            for block in new.blocks
            for part in block.parts
            for unit in range(part.first, part.first + part.units)
        )
        left = {(task.id, unit) for task in new.tasks for unit in task.lost}
        assert max(planned.values(), default=0) <= 1
        assert not over & set(planned) & asked
        assert not over & left & asked
        assert not set(planned) & left
        assert asked <= over | set(planned) | left, sorted(asked - over - set(planned) - left)

    def kept_days(self, old: Plan, new: Plan) -> None:
        """Where everything else stays: a day of which nothing was taken has no less of any task than it had."""
        tasks = {task.id: task for task in new.tasks}
        ranks = {task.id: task.ranks for task in old.tasks if task.role not in LIGHT}
        before, after = amounts(old), amounts(new)
        whole = {limits(day) for day in old.days} & {limits(day) for day in new.days}
        papers = {task.ideal for task in new.tasks if task.role is Role.PAPER}  # at hours of their own
        days = {limit[0] for limit in whole} - papers
        light = {exam.key: exam.taper_days for exam in new.exams}
        less = {
            (name, day): (units, after[name, day])
            for (name, day), units in before.items()
            if name in tasks and tasks[name].ranks == ranks.get(name)
            if day in days and day not in light[tasks[name].exam] and tasks[name].first <= day <= tasks[name].last
            if after[name, day] < units
        }
        assert not less, less

    # ----------------------------------------------------------------------------------------- what always holds

    @invariant()
    def holds_true(self) -> None:
        """Judges the plan, if it or the clock is new."""
        state = (id(self.plan), self.log)
        if state == self.judged or not hasattr(self, "plan"):
            return
        self.judged = state
        assert check(self.request, self.plan) == ()
        assert plan_from_json(to_json(self.plan)) == self.plan
        self.subscriber_reads()
        self.past_stands()

    def subscriber_reads(self) -> None:
        """UIDs are unique, SEQUENCE and DTSTAMP never fall, and whatever moves counts one SEQUENCE up."""
        data = ical.to_ics(self.plan, self.request, marks=marks(self.log))
        events = icalendar.Calendar.from_ical(data).walk("VEVENT")
        uids = [str(event["UID"]) for event in events]
        assert len(uids) == len(set(uids))
        for event in events:
            uid = str(event["UID"])
            now = Seen(int(event["SEQUENCE"]), event.DTSTAMP, event.start, event.end)
            was = self.seen.get(uid)
            if was is not None:
                assert now.sequence >= was.sequence, (uid, was, now)
                assert now.stamp >= was.stamp, (uid, was, now)
                moved = (was.start, was.end) != (now.start, now.end)
                assert not moved or now.sequence > was.sequence, (uid, was, now)
            self.seen[uid] = now

    def past_stands(self) -> None:
        """What is over is in every later plan, where and as it was."""
        mine: Sequence[Block | PastBlock] = (*self.plan.past, *self.plan.blocks)
        told = {block.uid: (block.start, block.fold, block.minutes, block.sequence) for block in mine}
        for uid, known in self.over.items():
            assert told.get(uid) == known, (uid, known, told.get(uid))
        self.over |= {block.uid: told[block.uid] for block in mine if self.started(block)}
        for block in self.plan.past:
            said = block.headline, block.text
            assert self.words.setdefault(block.uid, said) == said


def amounts(plan: Plan) -> Counter[tuple[str, date]]:
    """How many units of each task lie on which day."""
    found: Counter[tuple[str, date]] = Counter()
    for day in plan.days:
        for part in day.parts:
            found[part.task, day.day] += part.units
    return found


def limits(day: Day) -> tuple[object, ...]:
    """A day, with all that decides what it can hold."""
    return day.day, day.room, day.fixed, day.spent, day.gaps


# --------------------------------------------------------------------------------------------------- by command


def lived(months: int, steps: int = 30, *, derandomize: bool = False, shrink: bool = True) -> None:
    """Lives through so many months of so many steps each; raises what went wrong, with the steps to it."""
    phases = [Phase.explicit, Phase.generate, *([Phase.shrink] if shrink else [])]
    run_state_machine_as_test(
        Months,
        settings=settings(
            max_examples=months,
            stateful_step_count=steps,
            derandomize=derandomize,
            database=None,
            deadline=None,
            phases=phases,
            suppress_health_check=list(HealthCheck),
        ),
    )


def main() -> int:
    """Lives through the months that are asked for."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("months", type=int, nargs="?", default=200)
    parser.add_argument("--steps", type=int, default=30)
    parser.add_argument("--as-found", action="store_true", help="do not shorten a month in which something went wrong")
    asked = parser.parse_args()
    lived(asked.months, asked.steps, shrink=not asked.as_found)
    print(f"{asked.months} months of up to {asked.steps} steps: all passed")
    return 0


if __name__ == "__main__":
    sys.exit(main())
