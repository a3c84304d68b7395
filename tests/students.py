"""Simulated students: what mending is worth to one who loses days, and to one who does not.

    python -m tests.students

lets each of them work through a plan, day by day with the clock in the hand of the test: once mended every morning
after yesterday's check-ins, and once as it was published. While a material has its first pass they flag a problem of it
as a must, or not, by a rule that is fixed; the second pass of its kind sees the flags again. The measure is the share
of all such problems that were seen on two days before the exam. A simulation shows what the scheduling does with lost
work; of learning it shows nothing.
"""

from __future__ import annotations

import sys
from datetime import UTC, date, datetime, timedelta
from hashlib import sha256
from math import ceil
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple
from zoneinfo import ZoneInfo

from calplan.checkins import CheckIn, Entry, Flag, Found, Outcome
from calplan.contents import by_kind, part_items
from calplan.errors import NoPlan
from calplan.model import UNIT, Block, Kind, Part, Plan, Request, Role, Task
from calplan.planner import make_plan
from calplan.replan import mend
from calplan.request import read

if TYPE_CHECKING:
    from collections.abc import Callable

FIXTURES = Path(__file__).parents[1] / "fixtures"
PHASES = 5
"""So many ways to lose days are averaged."""

FLAGGED = (Kind.HOMEWORK, Kind.QUIZ, Kind.TEST)
"""The kinds whose flags have a second pass of their own; practice problems go on instead."""


class Student(NamedTuple):
    """How much of a day's work is done (0 to 1), by the number of the day and a phase from 0 to 4 that says which days
    are lost; whether it is said; and how many times the planned minutes it takes."""

    name: str
    does: Callable[[int, int], float]
    says: bool = True
    slowness: float = 1.0


STUDENTS = (
    Student("keeps to the plan", lambda day, phase: 1.0),
    Student("loses every fifth day", lambda day, phase: 0.0 if (day + phase) % 5 == 4 else 1.0),
    Student("stops for a week", lambda day, phase: 0.0 if 2 + 4 * phase <= day < 9 + 4 * phase else 1.0),
    Student("takes twice the minutes", lambda day, phase: 0.5, slowness=2.0),
    Student("never checks in", lambda day, phase: 1.0, says=False),
)


def flags_one(material: str) -> bool:
    """Whether a problem of a material turns out to be a must: about two of three, the same ones each time."""
    return sha256(material.encode()).digest()[0] % 3 < 2


class Life(NamedTuple):
    """What a student met: by material the day of its flag, and those that were seen again on a later day."""

    flagged: dict[str, date]
    again: set[str]


def lived(request: Request, made: datetime, student: Student, phase: int, *, mended: bool) -> float:
    """The share of all musts that were seen on two days before the exam."""
    plan, log, life = make_plan(request, {}, as_of=made), list[Entry](), Life({}, set())
    zone = ZoneInfo(request.zone)
    last = max(exam.start.date() for exam in request.exams)
    now = made
    for day in range((last - made.date()).days):
        now = made + timedelta(days=day)
        if mended and day:
            try:
                plan = mend(plan, request, request, {}, log, as_of=now)
            except NoPlan:
                break
        today = now.astimezone(zone).date()
        for block in [one for one in plan.blocks if one.day == today and one.parts]:
            found = worked(plan, block, student.does(day, phase), today, life)
            if student.says:
                log.append(word(block, student, student.does(day, phase), found, now + timedelta(hours=14)))
    every = [one.key for exam in request.exams for one in exam.materials if one.kind in FLAGGED and flags_one(one.key)]
    return len(life.again & set(every)) / len(every)


def worked(plan: Plan, block: Block, share: float, today: date, life: Life) -> tuple[Found, ...]:
    """Does a share of a block's work, and gives the flags that are set on the way."""
    tasks = {task.id: task for task in plan.tasks}
    units = int(sum(part.units for part in block.parts) * share)
    found: dict[str, str] = {}
    for part in block.parts:
        done = Part(task=part.task, first=part.first, units=min(part.units, units))
        units -= done.units
        task = tasks[part.task]
        if not done.units:
            continue
        if task.role is Role.COVER and by_kind(task) and task.kind in FLAGGED:
            for one in part_items(task, done):
                if flags_one(one.item.material) and one.item.material not in life.flagged:
                    life.flagged[one.item.material] = today
                    found[one.item.material] = task.exam
        elif task.role is Role.CONSOLIDATE and not by_kind(task):
            see_again(plan, task, done, today, life)
    return tuple(
        Found(exam=exam, material=key, flags=(Flag(problem="1", importance=1),)) for key, exam in sorted(found.items())
    )


def see_again(plan: Plan, task: Task, done: Part, today: date, life: Life) -> None:
    """Sees as many flags of the kind again as the part reaches to, the first ones first."""
    kinds = {item.material: one.kind for one in plan.tasks if by_kind(one) for item in one.items}
    mine = sorted(key for key, day in life.flagged.items() if kinds.get(key) is task.kind and day < today)
    reach = ceil(len(mine) * (done.first + done.units) / max(1, task.kept))
    life.again.update(mine[:reach])


def word(block: Block, student: Student, share: float, found: tuple[Found, ...], at: datetime) -> CheckIn:
    """What the student says of a block in the evening."""
    outcome = Outcome.DONE if share == 1 else Outcome.PARTLY if share else Outcome.MISSED
    reached = int(sum(part.units for part in block.parts) * share) * UNIT
    minutes = round(reached * student.slowness) or None
    return CheckIn(id=block.uid, at=at, block=block.uid, outcome=outcome, reached=reached, minutes=minutes, found=found)


def table(names: tuple[str, ...] = ("chemistry-30.toml", "chemistry-10.toml")) -> list[tuple[str, str, float, float]]:
    """Request, student, and the share of musts seen twice: mended, and never mended."""
    rows = []
    for name in names:
        request = read((FIXTURES / name).read_bytes(), name=name)
        first = min(exam.start for exam in request.exams).date()
        days = 30 if "30" in name else 10
        made = datetime.combine(first - timedelta(days=days), datetime.min.time(), UTC) + timedelta(hours=13)
        for student in STUDENTS:
            mended, published = (
                sum(lived(request, made, student, phase, mended=way) for phase in range(PHASES)) / PHASES
                for way in (True, False)
            )
            rows.append((name, student.name, mended, published))
    return rows


if __name__ == "__main__":
    for request, student, mended, published in table():
        sys.stdout.write(f"| {request} | {student} | {mended:.0%} | {published:.0%} |\n")
