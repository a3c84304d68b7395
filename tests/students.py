"""Simulated students: what mending is worth to one who loses days, and to one who does not.

    python -m tests.students --seed 0 --runs 5

lets each of them work through a plan, day by day with the clock in the hand of the test: once mended every morning
after yesterday's check-ins, and once as it was published. In the first pass of a piece they flag the problems that
they missed, as a must or as less, by a rule of the simulation that the seed decides; a second pass of the kind sees
them again. The measure is the share of all musts that were seen on two different days before their exam, and beside it
the share that was seen at all. A must that is never reached counts as not seen, for both plans alike. A simulation
shows what the scheduling does with lost work; of learning it shows nothing.
"""

from __future__ import annotations

import argparse
import re
import sys
from datetime import date, datetime, time, timedelta
from pathlib import Path
from random import Random
from typing import TYPE_CHECKING, NamedTuple
from zoneinfo import ZoneInfo

from calplan.checkins import MUST, SETTLED, CheckIn, Entry, Flag, Found, Outcome
from calplan.contents import by_kind, part_items
from calplan.errors import NoPlan
from calplan.model import UNIT, Block, Kind, Part, Plan, Request, Role, Task
from calplan.planner import make_plan
from calplan.replan import mend
from calplan.request import read

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

FIXTURES = Path(__file__).parents[1] / "fixtures"

REQUESTS = ("chemistry-30.toml", "travelling-team.toml", "chemistry-10.toml")
"""A month with room, a month with two exams, and ten days that are full to the limit."""

FLAGGED = (Kind.HOMEWORK, Kind.QUIZ, Kind.TEST)
"""The kinds whose flags have a second pass in every plan; practice has one only where something was flagged."""

MUSTS = 2 / 3
"""The share of missed problems that turn out to be a must; the others are flagged 2."""

MORNING, EVENING = time(6), time(23)
"""When a plan is mended, and when the day's check-ins are written, on the student's wall clock."""


class When(NamedTuple):
    """A day of the plan by its number from 0, of so many, and which run it is: they decide which days are lost."""

    day: int
    days: int
    run: int


class Student(NamedTuple):
    """What share of a day's work is done (0 to 1); whether it is said; how many times its planned minutes it takes."""

    name: str
    does: Callable[[When], float]
    says: bool = True
    slowness: float = 1.0


def week_off(when: When) -> bool:
    """Whether the day is in the week of a stop; over five runs the stop goes from the second day to the last week."""
    first = 1 + when.run % 5 * max(0, when.days - 9) // 4
    return first <= when.day < first + 7


STUDENTS = (
    Student("keeps to the plan", lambda when: 1.0),
    Student("loses every fifth day", lambda when: 0.0 if (when.day + when.run) % 5 == 4 else 1.0),
    Student("stops for a week", lambda when: 0.0 if week_off(when) else 1.0),
    Student("takes twice the minutes", lambda when: 0.5, slowness=2.0),
    Student("never checks in, and works", lambda when: 1.0, says=False),
)


class Problem(NamedTuple):
    """A problem that a student will miss: its place in the piece (from 0), its name, and how much it matters."""

    exam: str
    kind: Kind
    material: str
    place: int
    name: str
    importance: int


def problems_of(plan: Plan, seed: str) -> list[Problem]:
    """All problems that will be missed, in order of the plan's first passes.

    A quiz or a test has as many as the request says or the rates assume; a piece of homework has none, one or two.
    """
    found: list[Problem] = []
    for task in plan.tasks:
        if task.role is not Role.COVER or task.kind not in FLAGGED:
            continue
        for item in task.items:
            chance = Random(f"{seed}/{task.exam}/{item.material}")
            count = chance.randint(0, 2) if task.kind is Kind.HOMEWORK else item.missed
            for place in range(count):
                importance = MUST if chance.random() < MUSTS else MUST + 1
                name = f"p{len(found) + 1}"
                found.append(Problem(task.exam, task.kind, item.material, place, name, importance))
    return found


class Life(NamedTuple):
    """What a student meets: the problems, the day on which each was flagged, and those seen again on a later day."""

    problems: Sequence[Problem]
    flagged: dict[Problem, date]
    again: dict[Problem, date]


class Outlook(NamedTuple):
    """Shares of all musts: seen on two days, and seen at all, before their exam; and how often mending was refused."""

    twice: float
    once: float
    refused: int


def lived(request: Request, days: int, student: Student, run: int, *, seed: int, mended: bool) -> Outlook:
    """A student's days from ``days`` before the first exam to the last one."""
    calendars = {one.file: (FIXTURES / one.file).read_bytes() for one in request.calendars}
    zone = ZoneInfo(request.zone)
    exams = {exam.key: exam.start.date() for exam in request.exams}
    begin = min(exams.values()) - timedelta(days=days)
    length = (max(exams.values()) - begin).days
    plan = make_plan(request, calendars, as_of=datetime.combine(begin, MORNING, zone))
    life = Life(problems_of(plan, f"{seed}/{run}"), {}, {})
    log: list[Entry] = []
    refused = 0
    for number in range(length):
        today = begin + timedelta(days=number)
        if mended and number:
            try:
                plan = mend(plan, request, request, calendars, log, as_of=datetime.combine(today, MORNING, zone))
            except NoPlan:  # then the student goes on with the plan that there is
                refused += 1
        share = student.does(When(number, length, run))
        for block in [one for one in plan.blocks if one.day == today and one.parts]:
            found = worked(plan, block, share, life, today)
            if student.says:
                log.append(word(block, student, share, found, datetime.combine(today, EVENING, zone)))
    musts = [one for one in life.problems if one.importance == MUST]
    never = date.max
    once = sum(life.flagged.get(one, never) < exams[one.exam] for one in musts)
    twice = sum(life.again.get(one, never) < exams[one.exam] for one in musts)
    return Outlook(twice / len(musts), once / len(musts), refused)


def worked(plan: Plan, block: Block, share: float, life: Life, today: date) -> tuple[Found, ...]:
    """Does a share of a block's work, in its order, and gives what is found: flags that are set, and that are settled."""
    tasks = {task.id: task for task in plan.tasks}
    units = int(sum(part.units for part in block.parts) * share)
    met: list[tuple[Problem, int]] = []
    for part in block.parts:
        done = Part(task=part.task, first=part.first, units=min(part.units, units))
        units -= done.units
        task = tasks[part.task]
        if not done.units or task.kind not in FLAGGED:
            continue
        if task.role is Role.COVER and by_kind(task):
            fresh = [one for one in missed_in(task, done, life.problems) if one not in life.flagged]
            life.flagged.update(dict.fromkeys(fresh, today))
            met += [(one, one.importance) for one in fresh]
        elif task.role is Role.CONSOLIDATE and not by_kind(task):
            seen = [one for one in seen_in(task, done, life, today) if one not in life.again]
            life.again.update(dict.fromkeys(seen, today))
            met += [(one, SETTLED) for one in seen]
    by_piece: dict[tuple[str, str], list[Flag]] = {}
    for one, importance in met:
        by_piece.setdefault((one.exam, one.material), []).append(Flag(problem=one.name, importance=importance))
    return tuple(Found(exam=e, material=m, flags=tuple(flags)) for (e, m), flags in sorted(by_piece.items()))


def missed_in(task: Task, done: Part, problems: Sequence[Problem]) -> list[Problem]:
    """The missed problems that a part of a first pass comes to: all of a piece of homework, of others one by one."""
    found = []
    for share in part_items(task, done):
        mine = [one for one in problems if (one.exam, one.material) == (task.exam, share.item.material)]
        if not share.extra:
            reach = range(share.first, share.first + share.number)
            found += [one for one in mine if one.kind is Kind.HOMEWORK or one.place in reach]
    return found


def seen_in(task: Task, done: Part, life: Life, today: date) -> list[Problem]:
    """The flags that a part of a second pass comes to.

    Its list is what its notes name, or all flags of the kind where they name nothing, musts first; it is laid evenly
    along the units that are kept, and time that was lost on the way does not come to what lay in it.
    """
    mine = [p for p, day in life.flagged.items() if (p.exam, p.kind) == (task.exam, task.kind) and day < today]
    named = set(re.findall(r"\bp[0-9]+\b", " ".join(task.notes)))
    listed = sorted((one for one in mine if not named or one.name in named), key=lambda one: one.importance)
    along = max(1, task.kept) / max(1, len(listed))
    return [one for n, one in enumerate(listed) if done.first <= (n + 0.5) * along < done.first + done.units]


def word(block: Block, student: Student, share: float, found: tuple[Found, ...], at: datetime) -> CheckIn:
    """What the student says of a block in the evening."""
    outcome = Outcome.DONE if share == 1 else Outcome.PARTLY if share else Outcome.MISSED
    reached = int(sum(part.units for part in block.parts) * share) * UNIT
    minutes = round(reached * student.slowness) or None
    return CheckIn(id=block.uid, at=at, block=block.uid, outcome=outcome, reached=reached, minutes=minutes, found=found)


class Row(NamedTuple):
    """A request, a student, and the means over the runs."""

    request: str
    student: str
    mended: Outlook
    published: Outlook


def table(names: Sequence[str] = REQUESTS, *, seed: int = 0, runs: int = 5) -> list[Row]:
    """All students on these requests; the runs differ in which days are lost and in what is missed."""
    days: Mapping[str, int] = {"chemistry-30.toml": 30, "travelling-team.toml": 28, "chemistry-10.toml": 10}
    rows = []
    for name in names:
        request = read((FIXTURES / name).read_bytes(), name=name)
        for student in STUDENTS:
            means = []
            for way in (True, False):
                lives = [lived(request, days[name], student, run, seed=seed, mended=way) for run in range(runs)]
                twice, once = (sum(column) / runs for column in ([x.twice for x in lives], [x.once for x in lives]))
                means.append(Outlook(twice, once, sum(x.refused for x in lives)))
            rows.append(Row(name, student.name, *means))
    return rows


def main() -> None:
    """Prints the table."""
    asked = argparse.ArgumentParser(description="What mending is worth to simulated students.")
    asked.add_argument("--seed", type=int, default=0)
    asked.add_argument("--runs", type=int, default=5)
    options = asked.parse_args()
    write = sys.stdout.write
    write("| request | student | twice: mended | twice: never mended | once: mended | once: never mended | refused |\n")
    write("|---|---|---|---|---|---|---|\n")
    for row in table(seed=options.seed, runs=options.runs):
        shares = (row.mended.twice, row.published.twice, row.mended.once, row.published.once)
        cells = " | ".join(f"{share:.0%}" for share in shares)
        write(f"| {row.request} | {row.student} | {cells} | {row.mended.refused} |\n")


if __name__ == "__main__":
    main()
