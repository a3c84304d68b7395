"""A plan through a random month, step by step, with the checker after every step.

    python -m tests.months 200

drives so many plans through check-ins, repairs, lost days, new busy times, moved exams, material that comes and goes,
and undo. A few months run with every test run (test_months.py).
"""

from __future__ import annotations

import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import icalendar
from hypothesis import HealthCheck, Phase, settings
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
from calplan.checkins import CheckIn, Entry, Flag, Found, Outcome, Undone, marks, standing
from calplan.errors import NoPlan
from calplan.model import Block, BusyInterval, DayOff, Kind, Material, Plan, Request, ShortDay
from calplan.planner import make_plan
from calplan.replan import CannotMove, CannotUndo, Way, hold, later, later_starts, mend, undo
from calplan.request import read
from calplan.rules import check

FIXTURES = Path(__file__).parents[1] / "fixtures"
REQUESTS = [
    read((FIXTURES / name).read_bytes(), name=name)
    for name in ("chemistry-30.toml", "chemistry-10.toml", "weekends-only.toml", "ten-minutes.toml")
]


class Month(RuleBasedStateMachine):
    """One plan, its request, its log, and a clock in the hand of the test."""

    request: Request
    plan: Plan
    now: datetime
    log: list[Entry]
    earlier: list[tuple[Plan, Request]]
    seen: dict[str, tuple[int, datetime]]
    over: dict[str, bytes]

    @initialize(which=st.sampled_from(REQUESTS), days=st.integers(4, 30))
    def begin(self, which: Request, days: int) -> None:
        first = min(exam.start for exam in which.exams)
        made = datetime.combine(first.date() - timedelta(days=days), datetime.min.time(), UTC) + timedelta(hours=8)
        self.request, self.log, self.earlier, self.seen, self.over = which, [], [], {}, {}
        self.now = made
        self.plan = make_plan(which, {}, as_of=made)

    @rule(hours=st.sampled_from([1, 6, 24, 48]))
    def time_goes_on(self, hours: int) -> None:
        self.now += timedelta(hours=hours)

    @rule(
        place=st.integers(0, 40), outcome=st.sampled_from(Outcome), reached=st.integers(0, 40), flag=st.integers(0, 3)
    )
    def say(self, place: int, outcome: Outcome, reached: int, flag: int) -> None:
        blocks = [*self.plan.past, *self.plan.blocks]
        block = blocks[place % len(blocks)]
        if block.fixed or (outcome is Outcome.MISSED and self.ahead(block.start, block.fold)):
            return
        found = ()
        if isinstance(block, Block) and flag and block.parts:
            task = next(task for task in self.plan.tasks if task.id == block.parts[0].task)
            keys = {one.key for exam in self.request.exams for one in exam.materials}
            items = [item for item in task.items if item.material in keys]
            if items:
                flags = (Flag(problem="7", importance=flag),)
                found = (Found(exam=task.exam, material=items[0].material, flags=flags),)
        self.log.append(
            CheckIn(
                id=str(len(self.log)),
                at=self.now,
                block=block.uid,
                outcome=outcome,
                reached=reached,
                found=found,
                minutes=reached or None,
                sheet_pages=flag or None,
            )
        )

    @rule()
    def take_back(self) -> None:
        if words := standing(self.log):
            self.log.append(Undone(id=f"u{len(self.log)}", at=self.now, entry=words[-1].id))

    @rule(first=st.integers(0, 12), days=st.integers(1, 4), way=st.sampled_from(Way))
    def lose_days(self, first: int, days: int, way: Way) -> None:
        day = self.now.date() + timedelta(days=first)
        off = DayOff(first=day, last=day + timedelta(days=days - 1))
        self.news(replace(self.request, days_off=(*self.request.days_off, off)), way)

    @rule(day=st.integers(0, 6), minutes=st.sampled_from([0, 10, 20, 30]))
    def only_minutes(self, day: int, minutes: int) -> None:
        short = ShortDay(day=self.now.date() + timedelta(days=day), minutes=minutes)
        self.news(replace(self.request, short_days=(*self.request.short_days, short)))

    @rule(day=st.integers(0, 6), hours=st.integers(1, 8))
    def busy(self, day: int, hours: int) -> None:
        start = datetime.combine(self.now.date() + timedelta(days=day), datetime.min.time()) + timedelta(hours=15)
        taken = BusyInterval(start=start, end=start + timedelta(hours=hours))
        self.news(replace(self.request, busy=(*self.request.busy, taken)))

    @rule(days=st.sampled_from([-5, -2, -1, 1, 3, 7]))
    def exam_moves(self, days: int) -> None:
        first, *others = self.request.exams
        moved = replace(first, start=first.start + timedelta(days=days))
        self.news(replace(self.request, exams=(moved, *others)))

    @rule(kind=st.sampled_from(Kind), size=st.sampled_from([None, 6, 20]), name=st.integers(0, 99))
    def material_comes(self, kind: Kind, size: int | None, name: int) -> None:
        first, *others = self.request.exams
        if all(one.key != f"late-{name}" for one in first.materials):
            late = Material(key=f"late-{name}", kind=kind, title=f"Late {name}", size=size)
            self.news(replace(self.request, exams=(replace(first, materials=(*first.materials, late)), *others)))

    @rule(place=st.integers(0, 40))
    def material_goes(self, place: int) -> None:
        first, *others = self.request.exams
        if len(first.materials) > 1:
            left = [one for n, one in enumerate(first.materials) if n != place % len(first.materials)]
            self.news(replace(self.request, exams=(replace(first, materials=tuple(left)), *others)))

    @rule(limit=st.sampled_from([30, 45, 60, 90]))
    def effort_changes(self, limit: int) -> None:
        self.news(replace(self.request, effort=replace(self.request.effort, limit=limit)))

    @rule()
    def plan_again(self) -> None:
        self.news(self.request)

    @rule(place=st.integers(0, 40), held=st.booleans())
    def keep_in_place(self, place: int, held: bool) -> None:
        ahead = [b for b in self.plan.blocks if self.ahead(b.start, b.fold) and not b.fixed]
        if ahead:
            self.plan = hold(self.plan, ahead[place % len(ahead)].uid, held)

    @rule(place=st.integers(0, 9))
    def later_today(self, place: int) -> None:
        for block in self.plan.blocks:
            if any(getattr(entry, "block", "") == block.uid for entry in self.log):
                continue
            starts = later_starts(self.plan, self.request, block.uid, as_of=self.now)
            if starts:
                try:
                    self.plan = later(self.plan, self.request, block.uid, starts[place % len(starts)], as_of=self.now)
                    self.over.pop(block.uid, None)
                except CannotMove:
                    pass
                return

    @precondition(lambda self: self.earlier)
    @rule()
    def undo(self) -> None:
        before, request = self.earlier.pop()
        try:
            back = undo(self.plan, before, as_of=self.now)
        except CannotUndo:
            return
        assert (back.tasks, back.days) == (before.tasks, before.days)
        assert [(b.uid, b.start, b.parts) for b in back.blocks] == [(b.uid, b.start, b.parts) for b in before.blocks]
        self.plan, self.request = back, request
        self.over = {}

    def ahead(self, start: datetime, fold: int) -> bool:
        return start.replace(tzinfo=ZoneInfo(self.plan.zone), fold=fold) > self.now

    def news(self, request: Request, way: Way = Way.FEWEST) -> None:
        """Mends the plan, looks at all laws, and keeps what was for an undo."""
        if min(exam.start for exam in request.exams) - timedelta(days=1) <= self.now.replace(tzinfo=None):
            return
        try:
            new = mend(self.plan, self.request, request, {}, self.log, as_of=self.now, way=way)
        except NoPlan:
            return
        if new is self.plan:
            self.request = request
            return
        assert check(request, new) == (), check(request, new)
        assert mend(new, request, request, {}, self.log, as_of=self.now, way=way) == new
        self.earlier.append((self.plan, self.request))
        self.plan, self.request = new, request

    @invariant()
    def calendars_hold(self) -> None:
        """SEQUENCE and DTSTAMP of a UID never fall, UIDs are unique, and what is over keeps its words."""
        if not hasattr(self, "plan"):
            return
        uids = [block.uid for block in (*self.plan.past, *self.plan.blocks)]
        assert len(uids) == len(set(uids))
        calendar = icalendar.Calendar.from_ical(ical.to_ics(self.plan, self.request, marks=marks(self.log)))
        for event in calendar.walk("VEVENT"):
            uid = str(event["UID"])
            known = self.seen.get(uid, (0, datetime(1970, 1, 1, tzinfo=UTC)))
            assert int(event["SEQUENCE"]) >= known[0], uid
            assert known[1] <= event.DTSTAMP, uid
            self.seen[uid] = int(event["SEQUENCE"]), event.DTSTAMP
        for block in self.plan.past:
            text = block.headline.encode() + block.text.encode()
            assert self.over.setdefault(block.uid, text) == text


def drive(months: int, steps: int = 30, *, same: bool = False) -> None:
    """Drives so many months, each of at most so many steps; the ``same`` ones each time, and not made shorter."""
    run_state_machine_as_test(
        Month,
        settings=settings(
            max_examples=months,
            stateful_step_count=steps,
            derandomize=same,
            database=None,
            phases=(Phase.generate,) if same else tuple(Phase),
            deadline=None,
            suppress_health_check=list(HealthCheck),
        ),
    )


if __name__ == "__main__":
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    drive(count)
    print(f"{count} months, every step sound")
