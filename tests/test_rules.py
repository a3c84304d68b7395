"""The checker of plans: silent on sound plans, exact on broken ones, and never at a loss.

The sound plan below is made by hand, day by day, on paper: 18 days with two exams, an appointment, a day off, a holiday
kept free, busy times that touch study hours with their margin, a timed paper, an encore, a task over two blocks. Every
rule is then broken once, in the smallest way that breaks no other, and must be found with exactly its code. The table
of breaches must hold every code that the checker knows.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from hashlib import sha256
from itertools import count
from typing import TYPE_CHECKING, Any
from uuid import UUID
from zoneinfo import ZoneInfo

import msgspec
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from msgspec.structs import replace

from calplan import rules
from calplan.clockrules import clock_faults
from calplan.facts import Clocked, at, exam_facts, gather, packed
from calplan.model import (
    Answers,
    Appointment,
    Ask,
    Block,
    BusyInterval,
    BusySpan,
    CatchUp,
    Day,
    DayOff,
    Exam,
    Figures,
    FixedDay,
    HolidayDay,
    HolidayUse,
    Item,
    Keep,
    Kind,
    Material,
    Notice,
    Part,
    PastBlock,
    Plan,
    PlannedExam,
    Rank,
    Rates,
    Request,
    Role,
    ShortDay,
    Shortfall,
    StudyHours,
    Task,
    Weekday,
    Worked,
    identity,
    plain,
    to_json,
)
from calplan.rules import RULES, check, check_times
from calplan.spans import Span, instant

if TYPE_CHECKING:
    from collections.abc import Callable


# ----------------------------------------------------------------------------------- a sound plan, made by hand

WEEK = tuple(Weekday)
LAST = 17
"""The plan's days are numbered 0 to 17; the chemistry final is on day 18, the history test on day 9."""

ESSENTIALS = (Rank.ESSENTIAL,) * 3 + (Rank.EXTRA,)
FLAGS = (Rank.FLAG_MUST, Rank.FLAG_SHOULD)

CHEMISTRY = [
    # id, role, kind, round, ranks, material
    ("gather", Role.GATHER, None, 0, (Rank.GATHER,) * 2, None),
    ("homework-1", Role.COVER, Kind.HOMEWORK, 1, ESSENTIALS, "h1"),
    ("quiz-1", Role.COVER, Kind.QUIZ, 1, ESSENTIALS, "q1"),
    ("notes-1", Role.COVER, Kind.NOTES, 1, ESSENTIALS, "n1"),
    ("homework-2", Role.COVER, Kind.HOMEWORK, 2, ESSENTIALS, "h2"),
    ("quiz-2", Role.COVER, Kind.QUIZ, 2, ESSENTIALS, "q2"),
    ("notes-2", Role.COVER, Kind.NOTES, 2, ESSENTIALS, "n2"),
    ("homework-3", Role.COVER, Kind.HOMEWORK, 3, ESSENTIALS, "h3"),
    ("quiz-3", Role.COVER, Kind.QUIZ, 3, ESSENTIALS, "q3"),
    ("notes-3", Role.COVER, Kind.NOTES, 3, ESSENTIALS, "n3"),
    ("flags-homework", Role.CONSOLIDATE, Kind.HOMEWORK, 1, FLAGS, None),
    ("flags-quiz", Role.CONSOLIDATE, Kind.QUIZ, 1, FLAGS, None),
    ("flags-notes", Role.CONSOLIDATE, Kind.NOTES, 1, FLAGS, None),
    ("paper", Role.PAPER, None, 0, (Rank.EXTRA,) * 30, None),
    ("tidy", Role.TIDY, None, 0, (Rank.FLAG_MUST,) * 2, None),
    ("taper-1", Role.TAPER, None, 0, (Rank.TAPER,) * 4, None),
    ("taper-2", Role.TAPER, None, 0, (Rank.TAPER,) * 4, None),
    ("eve", Role.EVE, None, 0, (Rank.TAPER,) * 3, None),
    ("again", Role.ENCORE, Kind.HOMEWORK, 1, (Rank.EXTRA,) * 4, "h1"),
]
HISTORY = [
    ("old-quiz", Role.COVER, Kind.QUIZ, 1, (Rank.ESSENTIAL,) * 2, "x1"),
    ("late-quiz", Role.COVER, Kind.QUIZ, 2, (Rank.ESSENTIAL,) * 2, "x2"),
    ("flags-history", Role.CONSOLIDATE, Kind.QUIZ, 1, FLAGS, None),
    ("tidy-history", Role.TIDY, None, 0, (Rank.FLAG_MUST,), None),
    ("eve-history", Role.EVE, None, 0, (Rank.TAPER,) * 3, None),
]

WORK: list[tuple[int, int, str]] = [
    # day, minutes after the student's hour, what: task, first unit, units
    (0, 0, "gather 0 2, homework-1 0 4"),
    (1, 0, "quiz-1 0 4"),
    (2, 0, "old-quiz 0 2"),
    (3, 0, "notes-1 0 4"),
    (4, 0, "homework-2 0 4, late-quiz 0 2"),
    (5, 0, "quiz-2 0 4"),
    (7, 0, "notes-2 0 3"),
    (7, 25, "notes-2 3 1, flags-history 0 2, tidy-history 0 1"),
    (8, 0, "homework-3 0 4, eve-history 0 3"),
    (9, 0, "again 0 4"),
    (10, 0, "quiz-3 0 4"),
    (10, 30, "notes-3 0 4"),
    (11, 0, "flags-homework 0 2, flags-quiz 0 2, flags-notes 0 2"),
    (12, -7 * 60, "paper 0 30"),
    (14, 0, "tidy 0 2"),
    (15, 0, "taper-1 0 4"),
    (16, 0, "taper-2 0 4"),
    (17, 0, "eve 0 3"),
]
PINNED = {"taper-1": 15, "taper-2": 16, "eve": 17, "eve-history": 8, "again": 9}
OFF, HOLIDAY = 6, 13


class Scene:
    """A zone, a first day and the student's hour, and the sound request and plan that they give."""

    def __init__(self, zone: str = "America/New_York", first: date = date(2026, 5, 4), hour: int = 16) -> None:
        self.zone, self.first, self.hour = zone, first, hour
        self.request = self._request()
        self.plan = self._plan()

    def date(self, day: int) -> date:
        return self.first + timedelta(days=day)

    def wall(self, day: int, minutes: int = 0) -> datetime:
        """Wall-clock time of a day, in minutes after the student's hour."""
        return datetime.combine(self.date(day), time(self.hour)) + timedelta(minutes=minutes)

    def utc(self, day: int, minutes: int = 0) -> datetime:
        return instant(self.wall(day, minutes), ZoneInfo(self.zone))

    def _request(self) -> Request:
        material = [Material(key=f"{k.value[0]}{n}", kind=k, title=f"{k} {n}") for k in KINDS for n in (1, 2, 3)]
        old = Material(key="x1", kind=Kind.QUIZ, title="Quiz of March", answers=Answers.NONE)
        late = Material(key="x2", kind=Kind.QUIZ, title="Quiz of May", in_hand=self.date(3))
        start = datetime.combine(self.date(18), time(9)), datetime.combine(self.date(9), time(9))
        return Request(
            zone=self.zone,
            exams=(
                Exam(
                    key="chemistry",
                    subject="Chemistry final",
                    start=start[0],
                    minutes=120,
                    extra_time=25,
                    timed_paper=True,
                    materials=tuple(material),
                ),
                Exam(key="history", subject="History test", start=start[1], minutes=60, materials=(old, late)),
            ),
            week=(
                StudyHours(days=WEEK, start=time(self.hour), end=time(self.hour + 1)),
                StudyHours(days=WEEK, start=time(self.hour + 1), end=time(self.hour + 2)),
            ),
            appointments=(Appointment(title="Tutoring", start=self.wall(2, 60), minutes=30),),
            busy=(BusyInterval(start=self.wall(4, 130), end=self.wall(4, 180), title="Dinner"),),
            days_off=(DayOff(first=self.date(OFF), last=self.date(OFF), title="Wedding"),),
        )

    def _plan(self) -> Plan:
        tasks = [*self._tasks("chemistry", CHEMISTRY, 14), *self._tasks("history", HISTORY, 7)]
        made = self.utc(0, -600)
        blocks = [self._block(day, minutes, work, made) for day, minutes, work in WORK]
        blocks.append(
            Block(uid=uid("x"), day=self.date(2), start=self.wall(2, 60), minutes=30, revised=made, title="Tutoring")
        )
        return Plan(
            request_hash=hash_of(self.request),
            seed="seed",
            as_of=made,
            zone=self.zone,
            title="Finals",
            exams=(
                self._exam(0, usable=16, cover=10, consolidate=14, taper=(15, 16, 17)),
                self._exam(1, usable=8, cover=5, consolidate=7, taper=(8,)),
            ),
            days=tuple(self._day(day) for day in range(LAST + 1)),
            tasks=tuple(tasks),
            blocks=tuple(sorted(blocks, key=lambda block: block.start)),
            figures=Figures(everything=25, essentials=25, bound=25, maximum=40, asked=5 * 67, kept=5 * 67),
            busy=(BusySpan(span=Span(self.utc(3, -60), self.utc(3, -10)), title="Band"),),
            holidays=(HolidayDay(day=self.date(HOLIDAY), title="Founders' Day", use=HolidayUse.FREE),),
        )

    def _tasks(self, exam: str, rows: list[tuple[Any, ...]], last: int) -> list[Task]:
        tasks = []
        for number, (name, role, kind, turn, ranks, material) in enumerate(rows):
            day = PINNED.get(name)
            tasks.append(
                Task(
                    id=name,
                    exam=exam,
                    role=role,
                    kind=kind,
                    number=number,
                    round=turn,
                    ranks=ranks,
                    kept=len(ranks),
                    ideal=self.date(day or 0),
                    first=self.date(day or 0),
                    last=self.date(last if day is None else day),
                    items=(Item(material=material, title=material),) if material else (),
                    substitute="the chapter review" if material == "x1" else "",
                )
            )
        return tasks

    def _block(self, day: int, minutes: int, work: str, made: datetime) -> Block:
        parts = parse(work)
        hour = 9 * 60 - self.hour * 60 if "paper" in work else minutes
        return Block(
            uid=uid(f"{day} {minutes}"),
            day=self.date(day),
            start=self.wall(day, hour),
            minutes=max(15, 5 * sum(part.units for part in parts)),
            revised=made,
            parts=parts,
        )

    def _day(self, day: int) -> Day:
        """Free units by hand: 120 minutes hold three blocks and two breaks, 100 minutes of work, so 20 units.

        Day 2 has gaps of 50 and 20 minutes around the appointment's breaks: 9 + 4 units; the limit of 60 leaves it 6.
        On day 9, the history test's own, half of 12 units.
        """
        free = {OFF: 0, HOLIDAY: 0, 2: 13}.get(day, 20)
        room = {OFF: 0, HOLIDAY: 0, 2: 6, 9: 6}.get(day, 12)
        parts: list[Part] = []
        for part in (part for d, _, work in WORK if d == day for part in parse(work)):
            if parts and parts[-1].task == part.task:
                part = Part(task=part.task, first=parts[-1].first, units=parts.pop().units + part.units)
            parts.append(part)
        return Day(day=self.date(day), free=free, fixed=6 * (day == 2), room=room, halved=day == 9, parts=tuple(parts))

    def _exam(self, place: int, *, usable: int, cover: int, consolidate: int, taper: tuple[int, ...]) -> PlannedExam:
        exam = self.request.exams[place]
        return PlannedExam(
            key=exam.key,
            subject=exam.subject,
            start=exam.start,
            zone=self.zone,
            minutes=exam.minutes,
            usable_days=usable,
            cover_ends=self.date(cover),
            consolidate_ends=self.date(consolidate),
            taper_days=tuple(map(self.date, taper)),
        )


KINDS = (Kind.HOMEWORK, Kind.QUIZ, Kind.NOTES)


def parse(work: str) -> tuple[Part, ...]:
    """Parts written as "task first units, ..."."""
    rows = (part.split() for part in work.split(", "))
    return tuple(Part(task=task, first=int(first), units=int(units)) for task, first, units in rows)


def uid(name: str) -> str:
    return identity("seed", name)


def hash_of(request: Request) -> str:
    return sha256(to_json(request, indent=0)).hexdigest()


class Draft:
    """A plan under change: every method changes one thing, and the request's hash is kept right."""

    def __init__(self, scene: Scene) -> None:
        self.scene, self.request, self.plan = scene, scene.request, scene.plan

    def asks(self, **changes: Any) -> Draft:
        """Changes the request."""
        self.request = replace(self.request, **changes)
        return self.says(request_hash=hash_of(self.request))

    def effort(self, **changes: Any) -> Draft:
        return self.asks(effort=replace(self.request.effort, **changes))

    def exam(self, place: int, **changes: Any) -> Draft:
        exams = list(self.request.exams)
        exams[place] = replace(exams[place], **changes)
        return self.asks(exams=tuple(exams))

    def says(self, **changes: Any) -> Draft:
        """Changes the plan."""
        self.plan = replace(self.plan, **changes)
        return self

    def planned(self, place: int, **changes: Any) -> Draft:
        exams = list(self.plan.exams)
        exams[place] = replace(exams[place], **changes)
        return self.says(exams=tuple(exams))

    def figures(self, **changes: Any) -> Draft:
        return self.says(figures=replace(self.plan.figures, **changes))

    def task(self, name: str, **changes: Any) -> Draft:
        return self.says(tasks=tuple(replace(task, **changes) if task.id == name else task for task in self.plan.tasks))

    def day(self, number: int, **changes: Any) -> Draft:
        days = list(self.plan.days)
        days[number] = replace(days[number], **changes)
        return self.says(days=tuple(days))

    def block(self, name: str, **changes: Any) -> Draft:
        blocks = self.plan.blocks
        assert any(block.uid == uid(name) for block in blocks)
        return self.says(blocks=tuple(replace(b, **changes) if b.uid == uid(name) else b for b in blocks))

    def start(self, name: str, day: int, minutes: int) -> Draft:
        """Another start for a block, on its own day or, contrary to its record, on another."""
        return self.block(name, start=self.scene.wall(day, minutes))

    def redo(self, day: int, *blocks: tuple[int, str]) -> Draft:
        """A day's work and its blocks made again, each block from its minutes after the hour and its work."""
        kept = [b for b in self.plan.blocks if b.day != self.scene.date(day) or not b.parts]
        new = [self.scene._block(day, minutes, work, self.plan.as_of) for minutes, work in blocks]
        parts = tuple(part for _, work in blocks for part in parse(work))
        return self.says(blocks=(*kept, *new)).day(day, parts=parts)

    def codes(self) -> set[str]:
        return {fault.code for fault in check(self.request, self.plan)}


SCENE = Scene()


def test_the_plan_made_by_hand_breaks_no_rule() -> None:
    assert check(SCENE.request, SCENE.plan) == ()


@pytest.mark.parametrize(
    ("zone", "first"),
    [
        ("Europe/London", date(2026, 10, 20)),
        ("America/New_York", date(2026, 2, 27)),
        ("Asia/Kolkata", date(2027, 1, 1)),
    ],
)
def test_the_plan_is_sound_in_other_zones_and_across_clock_changes(zone: str, first: date) -> None:
    """London's clock goes back on 25 October 2026, New York's goes forward on 8 March 2026 (tz database)."""
    scene = Scene(zone, first)
    assert check(scene.request, scene.plan) == ()


# ------------------------------------------------------------------------- each rule broken once, and nothing else


def material_of(exam: int) -> tuple[Material, ...]:
    return SCENE.request.exams[exam].materials


def late_exam(draft: Draft) -> Draft:
    """The history test an hour into the afternoon: its rest then ends at five past four."""
    start = datetime.combine(SCENE.date(9), time(13, 5))
    return draft.exam(1, start=start).planned(1, start=start).day(9, free=19)


def noon_jump(_: Draft) -> Draft:
    """Khartoum's clock jumped from noon to one o'clock on 15 January 2000 (tz database).

    Study hours from 12 to 14 then have 60 minutes: two blocks of 25, 10 units, and 5 as the half of a halved day.
    """
    draft = Draft(Scene("Africa/Khartoum", date(2000, 1, 6), 12)).day(9, free=10, room=5).start("9 0", 9, 60)
    assert draft.codes() == set()
    return draft.start("9 0", 9, 0)


def bent(draft: Draft) -> Draft:
    return draft.says(notices=(Notice(code="order-bent", sentence="Chemistry final: the order had to give way."),))


def swapped(draft: Draft) -> Draft:
    return draft.redo(4, (0, "quiz-2 0 4, late-quiz 0 2")).redo(5, (0, "homework-2 0 4"))


def with_tidy(draft: Draft, day: int, *blocks: tuple[int, str]) -> Draft:
    """Chemistry's sheet is tidied on another day."""
    return draft.task("tidy", last=SCENE.date(LAST)).redo(14).redo(day, *blocks)


def with_encore(draft: Draft, day: int, work: str = "again 0 4") -> Draft:
    """The encore lies on another day."""
    return draft.task("again", first=SCENE.date(day), last=SCENE.date(day)).redo(9).redo(day, (0, work))


def catch_up(draft: Draft) -> Draft:
    """Thursdays from ten to five on are held back; fourteen days keep room without it."""
    return draft.asks(catch_up=CatchUp(day=Weekday.THU, start=time(16, 50), end=time(18)))


def worked_before(draft: Draft, task: str) -> PastBlock:
    """A block of the day before the plan's first, with a unit of a task that does not know of it."""
    day = draft.plan.days[0].day - timedelta(days=1)
    one = Worked(exam="chem", role=Role.COVER, kind=Kind.HOMEWORK, units=1, task=task)
    start = datetime.combine(day, time(16))
    return PastBlock(
        uid=uid("before"),
        day=day,
        start=start,
        minutes=15,
        revised=draft.plan.as_of,
        headline="",
        text="",
        worked=(one,),
    )


BREACHES: dict[str, Callable[[Draft], Draft]] = {
    "malformed": lambda d: d.says(as_of=d.plan.as_of.replace(tzinfo=None)),
    "wrong-schema": lambda d: d.says(schema=2),
    "wrong-request-hash": lambda d: d.says(request_hash="0" * 64),
    "wrong-zone": lambda d: d.says(zone="Europe/Paris"),
    "exams-differ": lambda d: d.says(exams=d.plan.exams[:1]),
    "days-incomplete": lambda d: d.says(days=(*d.plan.days[:OFF], *d.plan.days[OFF + 1 :])),
    "task-twice": lambda d: d.says(tasks=(*d.plan.tasks, d.plan.tasks[3])),
    "unknown-exam": lambda d: d.says(asks=(Ask(exam="physics", material="", sentence="?"),)),
    "unknown-task": lambda d: d.block("2 0", parts=parse("old-quiz 0 2, nothing 0 1")),
    "unknown-material": lambda d: d.says(asks=(Ask(exam="history", material="h1", sentence="?"),)),
    "material-left-out": lambda d: d.exam(
        0, materials=(*material_of(0), Material(key="h9", kind=Kind.HOMEWORK, title="Homework 9"))
    ),
    "kept-beyond-ranks": lambda d: d.task("again", ranks=(Rank.EXTRA,) * 3),
    "part-out-of-range": lambda d: d.task("again", kept=3),
    "behind-unfounded": lambda d: d.says(past=(worked_before(d, "homework-1"),)),
    "unit-missing": lambda d: d.redo(9, (0, "again 0 3")),
    "unit-twice": lambda d: d.redo(9, (0, "again 0 4, again 3 1")),
    "units-out-of-order": lambda d: d.redo(9, (0, "again 2 2, again 0 2")),
    "days-blocks-differ": lambda d: d.day(4, parts=parse("homework-2 0 3, late-quiz 0 2")).day(
        5, parts=parse("homework-2 3 1, quiz-2 0 4")
    ),
    "work-not-conserved": lambda d: d.figures(asked=5 * 68),
    "wrong-shortfall": lambda d: d.says(
        shortfall=Shortfall(first=SCENE.date(0), last=SCENE.date(3), needed=50, free=45, lost={Rank.EXTRA: 5})
    ),
    "outside-window": lambda d: d.task("homework-1", first=SCENE.date(1)),
    "not-in-hand": lambda d: d.exam(
        1, materials=(material_of(1)[0], replace(material_of(1)[1], in_hand=SCENE.date(5)))
    ),
    "before-answers": lambda d: d.task("old-quiz", substitute=""),
    "after-exam": lambda d: (
        d.task("tidy-history", last=SCENE.date(14))
        .redo(7, (0, "notes-2 0 4, flags-history 0 2"))
        .redo(11, (0, "flags-homework 0 2, flags-quiz 0 2, flags-notes 0 2, tidy-history 0 1"))
    ),
    "order-broken": swapped,
    "second-pass-first": lambda d: (
        bent(d).redo(5, (0, "quiz-2 0 4, flags-notes 0 2")).redo(11, (0, "flags-homework 0 2, flags-quiz 0 2"))
    ),
    "tidy-not-last": lambda d: d.redo(7, (0, "notes-2 0 4, tidy-history 0 1, flags-history 0 2")),
    "in-taper": lambda d: with_tidy(d, 15, (0, "taper-1 0 4, tidy 0 2")),
    "eve-not-light": lambda d: with_tidy(d, 17, (0, "eve 0 3, tidy 0 2")),
    "taper-task": lambda d: d.task("taper-1", first=SCENE.date(14)),
    "wrong-turn": lambda d: d.task("homework-2", round=3),
    "too-many-rounds": lambda d: d.task("notes-3", round=4),
    "wrong-usable-days": lambda d: d.planned(0, usable_days=17),
    "wrong-stages": lambda d: d.planned(0, cover_ends=SCENE.date(9)),
    "wrong-room": lambda d: d.day(5, room=11),
    "wrong-gaps": lambda d: d.day(5, gaps=(Span(SCENE.utc(5, -5), SCENE.utc(5, 120)),)),
    "wrong-halved": lambda d: d.day(5, halved=True),
    "over-limit": lambda d: (
        d.asks(appointments=(replace(d.request.appointments[0], minutes=55),))
        .block("x", minutes=55)
        .day(2, free=9, fixed=11, room=1)
    ),
    "over-short-day": lambda d: d.asks(short_days=(ShortDay(day=SCENE.date(5), minutes=18),)).day(5, room=3),
    "over-maximum": lambda d: d.figures(maximum=35),
    "maximum-too-high": lambda d: d.figures(maximum=45),
    "wrong-bound": lambda d: d.figures(bound=45),
    "halved-day-overfull": lambda d: d.task("again", ranks=(Rank.EXTRA,) * 7, kept=7).redo(9, (0, "again 0 7")),
    "encore-beside-work": lambda d: with_encore(d, 5, "quiz-2 0 4, again 0 4"),
    "encore-before-first-pass": lambda d: d.task("again", items=(Item(material="q3", title="Quiz 3"),)),
    "overlap": lambda d: d.start("10 30", 10, 15),
    "no-break": lambda d: d.start("10 30", 10, 25),
    "too-short": lambda d: d.block("2 0", minutes=10),
    "too-long": lambda d: d.effort(longest=35).day(2, free=12).redo(10, (0, "quiz-3 0 4, notes-3 0 4")),
    "fixed-day": lambda d: d.exam(0, fixed_days=(FixedDay(day=SCENE.date(6), materials=("q2",)),)),
    "overfull-block": lambda d: d.block("5 0", minutes=15),
    "needless-padding": lambda d: d.block("5 0", minutes=25),
    "outside-study-hours": lambda d: d.start("5 0", 5, -5),
    "in-busy-time": lambda d: (
        d.asks(busy=(*d.request.busy, BusyInterval(start=SCENE.wall(5, 100), end=SCENE.wall(5, 150))))
        .day(5, free=16)
        .start("5 0", 5, 75)
    ),
    "in-quiet-hours": lambda d: d.effort(waking=time(10)),
    "in-catch-up": lambda d: catch_up(d).start("3 0", 3, 35),
    "on-day-off": lambda d: with_encore(d, OFF),
    "on-holiday": lambda d: with_encore(d, HOLIDAY),
    "on-exam-day": late_exam,
    "before-as-of": lambda d: d.says(as_of=SCENE.utc(0, 5)).day(0, free=19),
    "wrong-day": lambda d: d.start("14 0", 15, 40),
    "no-such-time": noon_jump,
    "wrong-fold": lambda d: d.block("5 0", fold=1),
    "appointment-missing": lambda d: d.says(blocks=tuple(b for b in d.plan.blocks if b.parts)).day(2, fixed=0, room=12),
    "appointment-unknown": lambda d: d.says(
        blocks=(
            *d.plan.blocks,
            Block(
                uid=uid("y"), day=SCENE.date(OFF), start=SCENE.wall(OFF), minutes=30, revised=d.plan.as_of, title="Fair"
            ),
        )
    ).day(OFF, fixed=6),
    "paper-divided": lambda d: with_tidy(d, 12, (-7 * 60, "paper 0 30, tidy 0 2")).block("12 -420", minutes=150),
    "paper-time": lambda d: d.start("12 -420", 12, -7 * 60 + 30),
    "paper-unasked": lambda d: d.exam(0, timed_paper=False),
    "uid-form": lambda d: d.block("5 0", uid="quiz-2@college.example"),
    "uid-twice": lambda d: d.block("5 0", uid=uid("4 0")),
    "wrong-revision": lambda d: d.block("5 0", sequence=-1),
}

Event = tuple[str, datetime, datetime]


def events() -> list[Event]:
    """What a faithful parser reads back: worked out here from the table above, New York being at -4 hours in May."""
    back = []
    for block in SCENE.plan.blocks:
        start = (block.start + timedelta(hours=4)).replace(tzinfo=UTC)
        back.append((block.uid, start, start + timedelta(minutes=block.minutes)))
    return back


def later(event: Event, minutes: int) -> Event:
    return event[0], event[1] + timedelta(minutes=minutes), event[2] + timedelta(minutes=minutes)


EVENT_BREACHES: dict[str, Callable[[list[Event]], list[Event]]] = {
    "event-missing": lambda events: events[1:],
    "event-unknown": lambda events: [*events, later(("new", *events[1][1:]), 60)],
    "event-twice": lambda events: [*events, events[1]],
    "event-moved": lambda events: [later(events[0], 10), *events[1:]],
    "event-floating": lambda events: [
        (events[0][0], events[0][1].replace(tzinfo=None), events[0][2].replace(tzinfo=None)),
        *events[1:],
    ],
}


@pytest.mark.parametrize("code", BREACHES)
def test_a_rule_broken_once_is_found_with_exactly_its_code(code: str) -> None:
    draft = BREACHES[code](Draft(SCENE))
    faults = check(draft.request, draft.plan)
    assert {fault.code for fault in faults} == {code}, "\n".join(map(str, faults))


def test_events_that_came_back_as_they_were_written_break_no_rule() -> None:
    assert check_times(SCENE.plan, SCENE.request, events()) == ()


@pytest.mark.parametrize("code", EVENT_BREACHES)
def test_what_a_parser_read_back_wrongly_is_found(code: str) -> None:
    found = {fault.code for fault in check_times(SCENE.plan, SCENE.request, EVENT_BREACHES[code](events()))}
    assert found == ({code, "overlap"} if code == "event-twice" else {code})


def test_every_rule_has_a_planted_breach() -> None:
    assert set(BREACHES) | set(EVENT_BREACHES) == set(RULES)
    assert not set(BREACHES) & set(EVENT_BREACHES)


def test_codes_are_short_words_and_rules_are_sentences() -> None:
    for code, sentence in RULES.items():
        assert code == code.lower()
        assert code.replace("-", "").isalpha()
        assert sentence.endswith(".")
        assert sentence.count(". ") == 0


# ------------------------------------------------------------------------------------ finer points of single rules


def codes(change: Callable[[Draft], Draft]) -> set[str]:
    return change(Draft(SCENE)).codes()


@pytest.mark.parametrize(
    "change",
    [
        lambda d: d.says(busy=(BusySpan(span=Span(SCENE.utc(3), SCENE.utc(3).replace(year=2500))),)),
        lambda d: d.says(busy=(BusySpan(span=Span(datetime(2026, 5, 7), datetime(2026, 5, 8))),)),
        lambda d: d.says(holidays=(*d.plan.holidays, HolidayDay(day=date(1, 1, 1), title="", use=HolidayUse.FREE))),
        lambda d: d.day(5, gaps=(Span(SCENE.utc(5), SCENE.utc(5).replace(year=2500)),)),
        lambda d: d.day(5, gaps=(Span(datetime(2026, 5, 9, 20), SCENE.utc(5, 60)),)),
        lambda d: d.says(as_of=datetime(9999, 12, 31, tzinfo=UTC)),
        lambda d: d.day(3, day=date(9999, 12, 31)),
        lambda d: d.block("5 0", start=datetime(9999, 12, 31, 23)),
        lambda d: d.block("5 0", start=SCENE.wall(5).replace(tzinfo=UTC)),
        lambda d: d.block("5 0", minutes=0),
        lambda d: d.block("5 0", minutes=10**9),
        lambda d: d.block("5 0", revised=SCENE.plan.as_of.replace(tzinfo=None)),
    ],
    ids=[
        "busy-year",
        "busy-without-zone",
        "holiday-year",
        "gap-year",
        "gap-without-zone",
        "as-of-year",
        "day-year",
        "block-year",
        "block-with-zone",
        "no-minutes",
        "too-many-minutes",
        "revised-without-zone",
    ],
)
def test_what_cannot_be_judged_is_named_malformed(change: Callable[[Draft], Draft]) -> None:
    assert "malformed" in codes(change)


@pytest.mark.parametrize(
    ("code", "change"),
    [
        ("exams-differ", lambda d: d.planned(0, subject="Physics final")),
        ("exams-differ", lambda d: d.planned(0, latest=SCENE.date(20))),
        ("exams-differ", lambda d: d.exam(0, latest=SCENE.date(20))),
        ("exams-differ", lambda d: d.says(exams=(*d.plan.exams, d.plan.exams[0]))),
        ("unknown-exam", lambda d: d.task("again", exam="physics")),
        ("days-incomplete", lambda d: d.says(days=d.plan.days[1:])),
        ("days-incomplete", lambda d: d.says(days=d.plan.days[::-1])),
        ("days-incomplete", lambda d: d.says(days=())),
        ("days-incomplete", lambda d: d.asks(start=SCENE.date(1))),
        ("unit-missing", lambda d: d.redo(9, (0, "again 1 3"))),
        ("wrong-halved", lambda d: d.day(9, halved=False)),
        ("wrong-bound", lambda d: d.figures(bound=15)),
        ("eve-not-light", lambda d: with_encore(d, 17, "eve 0 3, again 0 4")),
        ("taper-task", lambda d: d.says(tasks=tuple(t for t in d.plan.tasks if t.id != "taper-1"))),
        ("taper-task", lambda d: d.task("eve", role=Role.TAPER)),
        ("paper-unasked", lambda d: d.redo(12).redo(17, (-7 * 60, "paper 0 30"), (0, "eve 0 3"))),
        ("paper-divided", lambda d: d.redo(12, (-7 * 60, "paper 0 29"))),
        ("paper-time", lambda d: d.block("12 -420", minutes=145)),
        ("paper-time", lambda d: d.block("12 -420", minutes=155)),
        (
            "encore-beside-work",
            lambda d: with_encore(d, 12, "again 0 4").redo(12, (-420, "paper 0 30"), (0, "again 0 4")),
        ),
        ("uid-twice", lambda d: d.says(retired={uid("5 0"): 3})),
        ("wrong-revision", lambda d: d.block("5 0", revised=SCENE.plan.as_of + timedelta(seconds=1))),
        ("in-quiet-hours", lambda d: d.effort(bedtime=time(17))),
        ("before-as-of", lambda d: d.says(as_of=SCENE.utc(0, 1))),
        ("no-break", lambda d: d.start("2 0", 2, 36)),
    ],
    ids=count(),
)
def test_a_rule_has_more_ways_to_be_broken(code: str, change: Callable[[Draft], Draft]) -> None:
    assert code in codes(change)


def lossy(draft: Draft) -> Draft:
    """The last unit of the last notes, an extra, is given up."""
    draft.task("notes-3", kept=3).redo(10, (0, "quiz-3 0 4"), (30, "notes-3 0 3"))
    return draft.figures(kept=5 * 66)


def proof(draft: Draft, minutes: int) -> Draft:
    return draft.says(
        shortfall=Shortfall(
            first=SCENE.date(0), last=SCENE.date(3), needed=50, free=45, lost={Rank.EXTRA: minutes, Rank.TAPER: 0}
        )
    )


def test_lost_work_needs_a_proof_unless_extras_were_given_up_by_choice() -> None:
    assert codes(lossy) == {"wrong-shortfall"}
    assert codes(lambda d: proof(lossy(d), 5)) == set()
    assert codes(lambda d: proof(lossy(d), 10)) == {"wrong-shortfall"}
    assert codes(lambda d: lossy(d).asks(keep=Keep.ESSENTIALS)) == set()
    first_only = (Rank.ESSENTIAL,) * 4
    assert codes(lambda d: lossy(d).task("notes-3", ranks=first_only).asks(keep=Keep.ESSENTIALS)) == {"wrong-shortfall"}


def test_the_order_may_bend_for_material_that_comes_late_or_where_the_plan_says_so() -> None:
    assert codes(lambda d: swapped(d).task("homework-2", first=SCENE.date(5))) == set()
    assert codes(lambda d: bent(swapped(d))) == set()
    other = Notice(code="order-bent", sentence="History test: the order had to give way.")
    assert codes(lambda d: swapped(d).says(notices=(other,))) == {"order-broken"}


def test_opened_taper_days_take_essentials_and_nothing_else() -> None:
    moved = BREACHES["in-taper"]
    assert codes(lambda d: moved(d).planned(0, opened=True)) == set()
    assert codes(lambda d: moved(d).planned(0, opened=True).task("tidy", ranks=(Rank.ESSENTIAL, Rank.EXTRA))) == {
        "in-taper"
    }
    assert codes(lambda d: BREACHES["eve-not-light"](d).planned(0, opened=True)) == {"eve-not-light"}


def test_work_without_answers_waits_for_its_fallback_day_only() -> None:
    bare = BREACHES["before-answers"]
    assert codes(lambda d: bare(d).exam(1, answers_by=SCENE.date(1))) == set()
    assert codes(lambda d: bare(d).exam(1, answers_by=SCENE.date(2))) == {"before-answers"}


def test_a_light_holiday_halves_its_day() -> None:
    light = HolidayDay(day=SCENE.date(5), title="Carnival", use=HolidayUse.LIGHT)

    def halve(draft: Draft) -> Draft:
        return draft.says(holidays=(*draft.plan.holidays, light)).day(5, halved=True, room=6)

    assert codes(halve) == set()
    assert codes(lambda d: halve(d).day(5, halved=False)) == {"wrong-halved"}
    assert codes(lambda d: halve(d).day(5, room=7)) == {"wrong-room"}


def short(day: int, *minutes: int) -> Callable[[Draft], Draft]:
    """The plan with one of its days short."""
    return lambda d: d.asks(short_days=tuple(ShortDay(day=SCENE.date(day), minutes=each) for each in minutes))


def test_a_short_day_has_the_room_of_its_fewest_minutes_and_never_more_than_the_limit() -> None:
    """Day 5 holds 20 minutes of work, under a limit of 60; day 10 holds 40 in two blocks."""
    assert codes(lambda d: short(5, 200)(d)) == set()
    assert codes(lambda d: short(5, 20)(d).day(5, room=4)) == set()
    assert codes(lambda d: short(5, 24, 90)(d).day(5, room=4)) == set()
    assert codes(lambda d: short(5, 90, 20)(d).day(5, room=5)) == {"wrong-room"}
    assert codes(lambda d: short(5, 20)(d)) == {"wrong-room"}
    assert codes(lambda d: short(5, 90, 19)(d).day(5, room=3)) == {"over-short-day"}
    assert codes(lambda d: short(10, 39)(d).day(10, room=7)) == {"over-short-day"}
    assert codes(lambda d: short(10, 40)(d).day(10, room=8)) == set()


def done(draft: Draft, units: int, *, back: int = 0, day: int = 0, **more: Any) -> Draft:
    """Work that is over on a day, hours before the student's."""
    start = draft.scene.wall(day, -700)
    worked = Worked(exam="chemistry", role=more.pop("role", Role.COVER), kind=Kind.QUIZ, units=units, back=back)
    past = PastBlock(
        uid=uid("past"), day=start.date(), start=start, minutes=5 * units, revised=draft.plan.as_of,
        headline="Quiz", text="Quiz", worked=(worked,), **more,
    )  # fmt: skip
    return draft.says(past=(past,))


def test_what_is_done_today_takes_from_the_room_and_counts_under_the_limit() -> None:
    """Day 0 holds 30 minutes of work under a limit of 60."""
    assert codes(lambda d: done(d, 6).day(0, spent=6, room=6)) == set()
    assert codes(lambda d: done(d, 6)) == {"wrong-room"}
    assert codes(lambda d: done(d, 6).day(0, spent=6)) == {"wrong-room"}
    assert codes(lambda d: done(d, 9, back=3).day(0, spent=6, room=6)) == set()
    assert codes(lambda d: done(d, 7).day(0, spent=7, room=5)) == {"over-limit"}
    assert codes(lambda d: done(d, 20, day=-1)) == set()
    assert codes(lambda d: done(d, 7, missed=True)) == set()
    assert codes(lambda d: done(d, 30, role=Role.PAPER)) == set()
    assert codes(lambda d: short(0, 59)(done(d, 6)).day(0, spent=6, room=5)) == {"over-short-day"}
    assert codes(lambda d: short(0, 60)(done(d, 6)).day(0, spent=6, room=6)) == set()


def test_an_appointment_that_is_over_today_counts_as_long_as_it_is_asked_for() -> None:
    lesson = Appointment(title="Lesson", start=SCENE.wall(0, -700), minutes=10)

    def over(draft: Draft) -> Draft:
        (past,) = done(draft, 2, fixed=True).plan.past
        return draft.says(past=(replace(past, worked=()),))

    asked = (*SCENE.request.appointments, lesson)
    assert codes(lambda d: over(d).asks(appointments=asked).day(0, fixed=2, room=10)) == set()
    assert codes(lambda d: over(d).asks(appointments=asked)) == {"wrong-room"}
    assert codes(over) == set()


def test_a_short_day_on_which_no_block_fits_has_no_room() -> None:
    """The shortest block has 15 minutes. A day without room is not usable: what counts such days has one less."""
    fewer = {"wrong-usable-days", "wrong-stages", "too-many-rounds"}
    assert codes(lambda d: short(5, 14)(d).day(5, room=0)) == {"over-short-day", *fewer}
    assert codes(lambda d: short(5, 14)(d).day(5, room=2)) == {"over-short-day", "wrong-room"}
    assert codes(lambda d: short(OFF, 0)(d)) == set()


def test_appointments_and_timed_papers_count_on_a_short_day() -> None:
    """Day 2 has 30 minutes of tutoring and 10 of work; the paper of day 12 has 150 minutes and no work beside it."""
    assert codes(lambda d: short(2, 45)(d).day(2, room=3)) == set()
    assert codes(lambda d: short(2, 39)(d).redo(2).redo(3, (0, "notes-1 0 4, old-quiz 0 2")).day(2, room=0)) == {
        "wrong-usable-days",
        "too-many-rounds",
    }
    assert "over-short-day" in codes(lambda d: short(2, 39)(d).day(2, room=0))
    assert codes(lambda d: short(12, 149)(d)) == {"over-short-day"}
    assert codes(lambda d: short(12, 150)(d)) == set()


def test_a_taper_task_may_be_missing_only_where_its_minutes_were_set_to_nothing() -> None:
    def without(draft: Draft) -> Draft:
        draft.says(tasks=tuple(task for task in draft.plan.tasks if task.role is not Role.TAPER))
        return draft.redo(15).redo(16).figures(asked=5 * 59, kept=5 * 59)

    assert codes(without) == {"taper-task"}
    assert codes(lambda d: without(d).asks(rates=Rates(taper=0))) == set()


def test_kinds_take_turns_by_worth_where_one_round_is_all_there_is() -> None:
    """Usual order and order of worth: common practice, no source."""
    turns = {
        (Kind.HOMEWORK, Kind.QUIZ, Kind.TEST): (True, True, False),
        (Kind.TEST, Kind.QUIZ, Kind.HOMEWORK): (False, True, True),
        (Kind.QUIZ, Kind.TEST, Kind.HOMEWORK): (False, False, False),
    }
    for kinds, sound in turns.items():
        for cover, expected in zip((10, 9, 3), sound, strict=True):
            facts = gather(*with_turns(kinds, cover))
            assert ("wrong-turn" not in {fault.code for fault in rules.turn_faults(facts)}) is expected


def with_turns(kinds: tuple[Kind, ...], cover: int) -> tuple[Request, Plan]:
    """The chemistry exam with one round of these kinds and so many days of its first pass."""
    days = {10: 16, 9: 13, 3: 4}[cover] + 2
    draft = Draft(SCENE).exam(0, start=datetime.combine(SCENE.date(days), time(9)), materials=())
    tasks = [
        replace(draft.plan.tasks[1], id=str(n), number=n, kind=kind, items=(), round=1) for n, kind in enumerate(kinds)
    ]
    whole = tuple(replace(day, room=0 if day.day in (SCENE.date(OFF), SCENE.date(1)) else 1) for day in SCENE.plan.days)
    draft.says(tasks=tuple(tasks), days=whole)
    usable = sum(day.room for day in whole[:days])
    assert usable - 2 * max(1, (usable + 3) // 6) == cover
    return draft.request, draft.plan


def test_an_instant_is_the_same_in_whatever_zone_it_is_written() -> None:
    made = SCENE.plan.as_of.astimezone(ZoneInfo("Asia/Kolkata"))
    assert codes(lambda d: d.says(as_of=made).block("5 0", revised=made)) == set()


def test_material_comes_again_only_after_the_first_pass_of_the_same_problems_on_earlier_days() -> None:
    """The encore lies on day 9; problems 1 to 6 have their first pass on day 0, 7 to 12 on day 10."""

    def halves(draft: Draft, first: int, many: int) -> Draft:
        def item(first: int, many: int) -> tuple[Item, ...]:
            return (Item(material="h1", title="Homework 1", first=first, count=many),)

        draft.task("homework-1", items=item(1, 6)).task("notes-3", items=(*item(7, 6), Item(material="n3", title="")))
        return draft.task("again", items=item(first, many))

    for first, many, sound in ((1, 6, True), (1, 7, False), (7, 6, False), (13, 2, False), (1, 0, False)):
        found = codes(lambda d, first=first, many=many: halves(d, first, many))
        assert found == (set() if sound else {"encore-before-first-pass"})
    assert "encore-before-first-pass" in codes(lambda d: with_encore(d, 0, "gather 0 2, homework-1 0 4, again 0 4"))
    assert "encore-before-first-pass" in codes(
        lambda d: with_encore(d, 1, "quiz-1 0 4, homework-1 2 2, again 0 4").redo(0, (0, "gather 0 2, homework-1 0 2"))
    )
    assert "encore-before-first-pass" not in codes(lambda d: with_encore(d, 1, "quiz-1 0 4, again 0 4"))
    assert "encore-before-first-pass" in codes(lambda d: d.task("homework-1", kept=0).redo(0, (0, "gather 0 2")))
    assert "encore-before-first-pass" not in codes(lambda d: d.task("again", kept=0).redo(9))
    nameless = (Item(material="", title="the chapter review"),)
    assert codes(lambda d: d.task("again", items=nameless)) == set()


def with_gaps(draft: Draft) -> Draft:
    """The gaps of each day by hand: the two hours of study, but for what takes them and the appointment's breaks."""
    whole = ((0, 120),)
    for day in range(LAST + 1):
        gaps = {OFF: (), HOLIDAY: (), 2: ((0, 50), (100, 120))}.get(day, whole)
        draft.day(day, gaps=tuple(Span(draft.scene.utc(day, a), draft.scene.utc(day, b)) for a, b in gaps))
    return draft


def test_gaps_inside_study_hours_and_clear_of_all_that_takes_them_are_right() -> None:
    assert codes(with_gaps) == set()
    for zone, first in (("Europe/London", date(2026, 10, 20)), ("America/New_York", date(2026, 2, 27))):
        assert with_gaps(Draft(Scene(zone, first))).codes() == set()


@pytest.mark.parametrize(
    ("day", "start", "end", "change"),
    [
        (5, 0, 121, lambda d: d),
        (5, 30, 30, lambda d: d),
        (5, 60, 30, lambda d: d),
        (5, 24 * 60, 24 * 60 + 30, lambda d: d),
        (4, 0, 120, lambda d: d.effort(margin=11)),
        (3, 0, 120, lambda d: d.effort(margin=11)),
        (2, 0, 51, lambda d: d),
        (OFF, 0, 30, lambda d: d),
        (HOLIDAY, 0, 30, lambda d: d),
        (5, 0, 120, lambda d: d.effort(bedtime=time(18, 59))),
        (5, 0, 120, lambda d: d.effort(waking=time(16, 1))),
        (9, 0, 120, late_exam),
        (12, -5, 120, lambda d: d),
        (0, 0, 120, lambda d: d.says(as_of=SCENE.utc(0, 1))),
    ],
    ids=[
        "hours",
        "empty",
        "backwards",
        "other-day",
        "busy",
        "busy-of-a-calendar",
        "appointment",
        "day-off",
        "holiday",
        "bedtime",
        "waking",
        "exam",
        "day-of-a-timed-paper",
        "past",
    ],
)
def test_a_gap_that_reaches_into_what_is_taken_is_found(
    day: int, start: int, end: int, change: Callable[[Draft], Draft]
) -> None:
    def wrong(draft: Draft) -> Draft:
        return change(draft).day(day, gaps=(Span(SCENE.utc(day, start), SCENE.utc(day, end)),))

    assert "wrong-gaps" in codes(wrong)


def test_gaps_may_leave_the_catch_up_stretch_free_or_not() -> None:
    """Whether it is held back depends on how many days are usable, which is judged where blocks lie in it."""
    assert codes(lambda d: with_gaps(catch_up(d))) == set()
    assert codes(lambda d: with_gaps(catch_up(d)).day(3, gaps=(Span(SCENE.utc(3), SCENE.utc(3, 50)),))) == set()


def test_the_catch_up_stretch_is_held_back_from_fourteen_days_on() -> None:
    assert codes(catch_up) == set()
    busy = tuple(BusyInterval(start=SCENE.wall(day, -60), end=SCENE.wall(day, 180)) for day in (14, 15, 16))
    assert "in-catch-up" in codes(BREACHES["in-catch-up"])
    assert "in-catch-up" not in codes(lambda d: BREACHES["in-catch-up"](d).asks(busy=(*d.request.busy, *busy)))


def test_two_appointments_need_no_break_but_other_blocks_keep_one_from_both() -> None:
    def two(draft: Draft) -> Draft:
        """The half hour of tutoring as two quarters that touch."""
        halves = [(SCENE.wall(2, 60), "Tutoring"), (SCENE.wall(2, 75), "Office hours")]
        draft.asks(appointments=tuple(Appointment(title=t, start=start, minutes=15) for start, t in halves))
        one = next(block for block in draft.plan.blocks if not block.parts)
        blocks = [replace(one, uid=uid(title), start=start, minutes=15, title=title) for start, title in halves]
        return draft.says(blocks=(*(b for b in draft.plan.blocks if b.parts), *blocks))

    assert codes(two) == set()
    assert codes(lambda d: two(d).start("2 0", 2, 36)) == {"no-break"}
    assert codes(lambda d: two(d).start("2 0", 2, 99)) == {"no-break"}
    assert codes(lambda d: two(d).start("2 0", 2, 100)) == set()
    assert codes(lambda d: two(d).start("2 0", 2, 70)) == {"overlap"}


def test_an_appointment_that_had_begun_may_be_left_out() -> None:
    made = {"as_of": SCENE.utc(2, 61)}
    left_out = BREACHES["appointment-missing"]
    assert "appointment-missing" in codes(left_out)
    assert "appointment-missing" not in codes(lambda d: left_out(d).says(**made))
    assert "appointment-unknown" not in codes(lambda d: d.says(**made))


def test_study_hours_may_pass_midnight() -> None:
    """From ten in the evening to half past one; a block over midnight lies inside, one that ends later does not."""

    def owl(draft: Draft) -> Draft:
        night = StudyHours(days=(Weekday.SAT,), start=time(22), end=time(1, 30))
        return draft.effort(bedtime=time(3), waking=time(9)).asks(week=(*draft.request.week, night), days_off=())

    for minutes, inside in ((7 * 60 + 50, True), (9 * 60 + 10, True), (9 * 60 + 11, False), (5 * 60 + 59, False)):
        found = codes(lambda d, minutes=minutes: owl(d).start("5 0", 5, minutes))
        assert ("outside-study-hours" not in found) is inside
        assert ("in-quiet-hours" in found) is (minutes > 9 * 60 + 40)


def test_quiet_hours_begin_an_hour_before_bedtime_and_end_with_waking() -> None:
    """No screens in the last hour before bed (American Academy of Pediatrics, October 2016)."""
    for bedtime, quiet in ((time(17, 50), False), (time(17, 49), True), (time(1), False)):
        assert ("in-quiet-hours" in codes(lambda d, b=bedtime: d.effort(bedtime=b))) is quiet
    assert "in-quiet-hours" not in codes(lambda d: d.effort(waking=time(9)))
    assert "in-quiet-hours" in codes(lambda d: d.effort(waking=time(9, 1)))


def test_an_exam_takes_its_day_until_two_hours_after_its_end_in_whatever_zone_it_has() -> None:
    """Chicago's clock stands an hour behind New York's: noon there plus an hour plus two hours is four in New York."""
    start = datetime.combine(SCENE.date(9), time(12))
    there = {"start": start, "zone": "America/Chicago"}
    assert codes(lambda d: d.exam(1, **there).planned(1, **there)) == set()
    there["start"] = start + timedelta(minutes=1)
    assert "on-exam-day" in codes(lambda d: d.exam(1, **there).planned(1, **there))


@pytest.mark.parametrize(("minutes", "sound"), [(124, False), (125, True), (129, True), (130, False)])
def test_a_timed_paper_has_the_papers_length_with_granted_extra_time(minutes: int, sound: bool) -> None:
    """A quarter more of 100 minutes (25 % as in JCQ adjustments 2025/26), rounded up to a unit at most."""

    def shorter(draft: Draft) -> Draft:
        return draft.exam(0, minutes=100).planned(0, minutes=100).block("12 -420", minutes=minutes)

    assert ("paper-time" not in codes(shorter)) is sound


@pytest.mark.parametrize(
    ("day", "clock", "fold", "code"),
    [
        (date(2026, 3, 8), time(2, 30), 0, "no-such-time"),
        (date(2026, 3, 8), time(3, 0), 0, None),
        (date(2026, 11, 1), time(1, 30), 0, None),
        (date(2026, 11, 1), time(1, 30), 1, None),
        (date(2026, 11, 1), time(1, 30), 2, "wrong-fold"),
        (date(2026, 11, 1), time(2, 30), 1, "wrong-fold"),
        (date(2026, 3, 8), time(2, 30), 1, "wrong-fold"),
    ],
)
def test_starts_exist_on_the_clock(day: date, clock: time, fold: int, code: str | None) -> None:
    """New York 2026: 8 March 02:30 does not exist, 1 November 01:30 comes twice (tz database)."""
    scene = Scene(first=day - timedelta(days=5))
    draft = Draft(scene).block("5 0", start=datetime.combine(day, clock), fold=fold)
    found = draft.codes() & {"no-such-time", "wrong-fold", "wrong-day", "malformed"}
    assert code in found if code else not found


def test_the_second_reading_of_an_hour_is_an_hour_later() -> None:
    """1 November 2026 01:30 in New York is 05:30 UTC at first and 06:30 UTC the second time (tz database)."""
    scene = Scene(first=date(2026, 10, 27))
    for fold, hour in ((0, 5), (1, 6)):
        draft = Draft(scene).block("5 0", start=datetime(2026, 11, 1, 1, 30), fold=fold)
        start = datetime(2026, 11, 1, hour, 30, tzinfo=UTC)
        back = [(uid("5 0"), start, start + timedelta(minutes=20))]
        assert "event-moved" not in {fault.code for fault in check_times(draft.plan, draft.request, back)}


@pytest.mark.parametrize(
    ("text", "sound"),
    [
        ("5c146b14-3c52-8afd-938a-375d0df1fbf6", True),
        ("2489e9ad-2ee2-8e00-8ec9-32d5f69181c0", True),
        ("919108f7-52d1-4320-9bac-f847db4148a8", False),
        ("017f22e2-79b0-7cc3-98c4-dc0c0c07398f", False),
        ("5c146b14-3c52-8afd-038a-375d0df1fbf6", False),
        ("{5c146b14-3c52-8afd-938a-375d0df1fbf6}", False),
    ],
)
def test_uids_are_uuids_of_version_8(text: str, sound: bool) -> None:
    """The examples of RFC 9562, appendices A and B (from memory), judged by Python's own UUID as well."""
    standard = UUID(text).version == 8 and str(UUID(text)) == text
    assert standard is sound
    assert (codes(lambda d: d.block("5 0", uid=text)) == set()) is sound


def test_events_of_absurd_years_are_named_and_left_aside() -> None:
    far = datetime(9999, 12, 31, 23, 59, tzinfo=UTC)
    found = check_times(SCENE.plan, SCENE.request, [*events(), ("new", far, far)])
    assert {fault.code for fault in found} == {"event-unknown"}


def test_events_are_held_against_the_clock_like_blocks() -> None:
    start = SCENE.utc(5, 115)
    back = [event for event in events() if event[0] != uid("5 0")] + [
        (uid("5 0"), start, start + timedelta(minutes=20))
    ]
    assert {fault.code for fault in check_times(SCENE.plan, SCENE.request, back)} == {
        "event-moved",
        "outside-study-hours",
    }


# ------------------------------------------------------------------------------------ the checker's own arithmetic


@pytest.mark.parametrize(
    ("usable", "stages"),
    [
        (0, (0, 0, 0)),
        (1, (1, 0, 0)),
        (2, (1, 0, 1)),
        (3, (2, 0, 1)),
        (4, (2, 1, 1)),
        (9, (5, 2, 2)),
        (10, (6, 2, 2)),
        (16, (10, 3, 3)),
        (20, (14, 3, 3)),
        (30, (20, 5, 5)),
        (45, (30, 8, 7)),
        (120, (103, 10, 7)),
    ],
)
def test_stages_are_sixths_rounded_half_up_within_their_bounds(usable: int, stages: tuple[int, int, int]) -> None:
    """Thirty days give twenty, five and five (common practice, no source); the others follow by hand from the rule."""
    days = {SCENE.date(-n): Day(day=SCENE.date(-n), room=1) for n in range(usable)}
    exam = exam_facts(SCENE.request.exams[0], SCENE.request, SCENE.plan, days, ZoneInfo(SCENE.zone))
    assert (exam.cover, exam.consolidate, len(exam.taper_days)) == stages


@given(st.integers(0, 240), st.integers(1, 6), st.integers(1, 12), st.integers(0, 30))
def test_units_that_a_stretch_holds_agree_with_trying_every_division(
    minutes: int, shortest: int, longest: int, rest: int
) -> None:
    """Every number of blocks, each of every length, by plain dynamic programming over the minutes used."""
    longest = max(shortest, longest)
    best = {0: 0}
    seen = 0
    while best:
        grown: dict[int, int] = {}
        for used, units in best.items():
            for more in range(shortest, longest + 1):
                after = used + 5 * more + (rest if used else 0)
                if after <= minutes:
                    grown[after] = max(grown.get(after, 0), units + more)
        best = grown
        seen = max([seen, *best.values()])
    assert packed(minutes, 5 * shortest, longest, rest) == seen


@pytest.mark.parametrize(
    ("zone", "day"),
    [
        ("America/New_York", date(2026, 3, 8)),
        ("America/New_York", date(2026, 11, 1)),
        ("Europe/London", date(2026, 3, 29)),
        ("Australia/Lord_Howe", date(2026, 4, 5)),
        ("Australia/Lord_Howe", date(2026, 10, 4)),
        ("America/Havana", date(2026, 11, 1)),
        ("Asia/Beirut", date(2026, 3, 29)),
    ],
)
def test_quick_instants_agree_with_the_tz_database_around_clock_changes(zone: str, day: date) -> None:
    """The days of change are those of the tz database; Havana and Beirut change at midnight."""
    place = ZoneInfo(zone)
    for quarter in range(-96, 192):
        wall = datetime.combine(day, time()) + timedelta(minutes=15 * quarter)
        assert at(wall, place) == instant(wall, place)


MINUTES_A_DAY = 24 * 60


@given(
    start=st.integers(-60, 19 * MINUTES_A_DAY),
    length=st.integers(1, 150),
    busy=st.integers(0, 18 * MINUTES_A_DAY),
    busy_length=st.integers(1, 200),
    margin=st.integers(0, 40),
    bedtime=st.sampled_from([time(19), time(21, 17), time(23, 59), time(0), time(0, 30), time(2)]),
    waking=st.sampled_from([time(5), time(7, 45), time(16, 5)]),
)
def test_constraints_on_a_block_agree_with_asking_each_of_its_minutes(
    start: int, length: int, busy: int, busy_length: int, margin: int, bedtime: time, waking: time
) -> None:
    """A slow judge that knows nothing of spans and zones: minutes since the first midnight, each asked for itself.

    New York has one offset throughout the plan's days in May 2026, so minutes of the clock are minutes of time there.
    """
    midnight = datetime.combine(SCENE.date(0), time())
    interval = BusyInterval(
        start=midnight + timedelta(minutes=busy), end=midnight + timedelta(minutes=busy + busy_length)
    )
    draft = Draft(SCENE).effort(margin=margin, bedtime=bedtime, waking=waking)
    draft.asks(busy=(*draft.request.busy, interval))
    facts = gather(draft.request, draft.plan)
    begins = instant(midnight, ZoneInfo(SCENE.zone)) + timedelta(minutes=start)
    one = Clocked(begins, begins + timedelta(minutes=length), "block", SCENE.date(start // MINUTES_A_DAY), "work")
    taken = [(busy, busy + busy_length), (3 * MINUTES_A_DAY + 15 * 60, 3 * MINUTES_A_DAY + 15 * 60 + 50)]
    taken.append((4 * MINUTES_A_DAY + 18 * 60 + 10, 4 * MINUTES_A_DAY + 19 * 60))
    expected = {"before-as-of"} if start < 6 * 60 else set()
    for minute in range(start, start + length):
        expected |= faults_of_a_minute(minute, [(a - margin, b + margin) for a, b in taken], bedtime, waking)
    assert {fault.code for fault in clock_faults(facts, [one])} == expected


@given(
    day=st.integers(0, LAST),
    start=st.integers(0, MINUTES_A_DAY - 1),
    length=st.integers(1, 150),
    margin=st.integers(0, 40),
    bedtime=st.sampled_from([time(19), time(17, 17), time(23, 59), time(0, 30), time(2)]),
    waking=st.sampled_from([time(5), time(7, 45), time(16, 5)]),
)
@example(day=5, start=16 * 60, length=120, margin=10, bedtime=time(23), waking=time(7))
@example(day=4, start=16 * 60, length=120, margin=11, bedtime=time(23), waking=time(7))
def test_gaps_agree_with_asking_each_of_their_minutes(
    day: int, start: int, length: int, margin: int, bedtime: time, waking: time
) -> None:
    """The slow judge of the test above, which counts minutes; tutoring on day 2 takes its ten minutes of break too."""
    first = day * MINUTES_A_DAY + start
    last = min(first + length, (day + 1) * MINUTES_A_DAY)
    band, dinner = 3 * MINUTES_A_DAY + 15 * 60, 4 * MINUTES_A_DAY + 18 * 60 + 10
    tutoring = 2 * MINUTES_A_DAY + 16 * 60 + 50
    taken = [(band - margin, band + 50 + margin), (dinner - margin, dinner + 50 + margin), (tutoring, tutoring + 50)]
    wrong = first < 6 * 60 or any(faults_of_a_minute(minute, taken, bedtime, waking) for minute in range(first, last))
    draft = Draft(SCENE).effort(margin=margin, bedtime=bedtime, waking=waking)
    begins = instant(datetime.combine(SCENE.date(0), time()), ZoneInfo(SCENE.zone))
    gap = Span(begins + timedelta(minutes=first), begins + timedelta(minutes=last))
    assert ("wrong-gaps" in draft.day(day, gaps=(gap,)).codes()) is wrong


def faults_of_a_minute(minute: int, taken: list[tuple[int, int]], bedtime: time, waking: time) -> set[str]:
    """What speaks against studying in a minute of the plan above, counted from its first midnight."""
    day, clock = divmod(minute, MINUTES_A_DAY)
    evening = bedtime.hour * 60 + bedtime.minute - 60
    night = (waking.hour * 60 + waking.minute - evening) % MINUTES_A_DAY
    against = {
        "outside-study-hours": not 16 * 60 <= clock < 18 * 60,
        "in-busy-time": any(start <= minute < end for start, end in taken),
        "in-quiet-hours": (clock - evening) % MINUTES_A_DAY < night,
        "on-day-off": day == OFF,
        "on-holiday": day == HOLIDAY,
        "on-exam-day": (day == 9 and clock < 12 * 60) or (day == 18 and clock < 13 * 60 + 30),
    }
    return {code for code, true in against.items() if true}


# ------------------------------------------------------------------------------------------ whatever the plan says

NUMBERS = (-1, 0, 1, 2, 7, 60, 10**6, 10**15)
DATES = ("0001-01-01", "1899-12-31", "2026-05-09", "2026-05-21", "2200-12-31", "9999-12-31")
CLOCKS = ("T00:00:00", "T02:30:00", "T16:10:00Z", "T23:59:59.999999", "T12:00:00+14:00", "T00:30:00-12:00")


def leaves(tree: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """The path to every value in a document, lists and objects included."""
    children = tree.items() if isinstance(tree, dict) else enumerate(tree) if isinstance(tree, list) else ()
    return [path, *(each for key, child in children for each in leaves(child, (*path, key)))]


def other(value: Any, draw: st.DataObject) -> Any:
    """Another value of the same sort, likely to hurt."""
    if isinstance(value, list):
        cut = draw.draw(st.integers(0, len(value)))
        return draw.draw(st.sampled_from([[], value[:cut], value[cut:], value + value[:cut], value[::-1]]))
    if isinstance(value, bool) or value is None:
        return draw.draw(st.sampled_from([True, False, None]))
    if isinstance(value, (int, float)):
        return draw.draw(st.sampled_from(NUMBERS))
    if isinstance(value, str) and value[:4].isdigit():
        day = draw.draw(st.sampled_from(DATES))
        return day + (draw.draw(st.sampled_from(CLOCKS)) if "T" in value else "")
    words = ["", "chemistry", "tidy", "paper", "cover", "encore", "taper", "free", "light", "nowhere"]
    return draw.draw(st.sampled_from(words)) if isinstance(value, str) else value


DOCUMENT = plain(with_gaps(Draft(SCENE)).plan)
PATHS = leaves(DOCUMENT)[1:]


@given(st.data())
def test_no_plan_that_can_be_read_makes_the_checker_fail(data: st.DataObject) -> None:
    """Up to four places of the sound plan's document are changed at random; whatever can still be read is judged."""
    tree = msgspec.json.decode(msgspec.json.encode(DOCUMENT))
    for path in data.draw(st.lists(st.sampled_from(PATHS), min_size=1, max_size=4)):
        spot: Any = tree
        try:
            for key in path[:-1]:
                spot = spot[key]
            spot[path[-1]] = other(spot[path[-1]], data)
        except (KeyError, IndexError, TypeError):
            continue  # an earlier change has taken this place away
    try:
        plan = msgspec.convert(tree, Plan)
    except msgspec.ValidationError:
        return
    faults = check(SCENE.request, plan)
    assert list(faults) == sorted(set(faults))
    assert {fault.code for fault in faults} <= set(RULES)
    assert check(SCENE.request, plan) == faults
    if not faults:
        assert units_in_blocks(plan) == sorted((task.id, unit) for task in plan.tasks for unit in range(task.kept))
    times = check_times(plan, SCENE.request, events())
    assert {fault.code for fault in times} <= set(RULES)


def units_in_blocks(plan: Plan) -> list[tuple[str, int]]:
    """Every unit of work in the blocks: what the reader of a calendar gets to do."""
    parts = (part for block in plan.blocks for part in block.parts)
    return sorted((part.task, unit) for part in parts for unit in range(part.first, part.first + part.units))
