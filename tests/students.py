"""Simulated students: what mending is worth to one who loses days, and to one who does not.

    python -m tests.students --seed 0 --runs 5

lets each of them work through a plan, day by day with the clock in the hand of the test: once mended every morning
after yesterday's check-ins, and once as it was published. In the first pass of a piece they flag problems, as a
must or as less, by a rule of the simulation that the seed decides; a second pass of the kind sees them again, each for
as many minutes as the rates give it. The measure is the share of all musts that were seen on two different days before
their exam, and beside it the share that was seen at all. A must that is never reached counts as not seen, for both
plans alike. A simulation shows what the scheduling does with lost work; of learning it shows nothing.
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

from msgspec.structs import replace

from calplan.checkins import MUST, SETTLED, CheckIn, Entry, Flag, Found, Outcome
from calplan.contents import by_kind, part_items
from calplan.errors import NoPlan
from calplan.model import UNIT, Block, Kind, Part, Plan, Rates, Request, Role, Task
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

LEVELS = (1, 2)
"""How many times as many problems are flagged as a plan assumes before it knows (``Rates.flags``)."""

MORNING, EVENING = time(6), time(23)
"""When a plan is mended, and when the day's check-ins are written, on the student's wall clock."""


class When(NamedTuple):
    """A day of the plan by its number from 0, of so many, and which run it is: they decide which days are lost."""

    day: int
    days: int
    run: int


class Student(NamedTuple):
    """Whether the blocks of a day are sat through; whether it is said; how many times the usual minutes work takes."""

    name: str
    works: Callable[[When], bool]
    says: bool = True
    slowness: float = 1.0


def week_off(when: When) -> bool:
    """Whether the day is in the week of a stop; over five runs the stop goes from the second day to the last week."""
    first = 1 + when.run % 5 * max(0, when.days - 9) // 4
    return first <= when.day < first + 7


STUDENTS = (
    Student("keeps to the plan", lambda when: True),
    Student("loses every fifth day", lambda when: (when.day + when.run) % 5 != 4),
    Student("stops for a week", lambda when: not week_off(when)),
    Student("takes twice the minutes", lambda when: True, slowness=2.0),
    Student("never checks in, and works", lambda when: True, says=False),
)


class Problem(NamedTuple):
    """A problem that will be flagged: its place in the piece (from 0), its name, and how much it matters."""

    exam: str
    kind: Kind
    material: str
    place: int
    name: str
    importance: int


def problems_of(plan: Plan, rates: Rates, level: int, seed: str) -> list[Problem]:
    """All problems that will be flagged, in order of the plan's first passes.

    Of the missed problems of quizzes and tests so many percent are, ``level`` times what the rates assume; a piece of
    homework has up to two, as many in the mean as fit the minutes that the rates give to the flags of a piece.
    """
    quarter = level * rates.flags / 100
    found: list[Problem] = []
    for task in plan.tasks:
        if task.role is not Role.COVER or task.kind not in FLAGGED:
            continue
        for item in task.items:
            chance = Random(f"{seed}/{task.exam}/{item.material}")
            homework = task.kind is Kind.HOMEWORK
            for place in range(2 if homework else item.missed):
                share = quarter * rates.homework_piece / rates.flag / 2 if homework else quarter
                if chance.random() < share:
                    importance = MUST if chance.random() < rates.flags_must / 100 else MUST + 1
                    name = f"p{len(found) + 1}"
                    found.append(Problem(task.exam, task.kind, item.material, place, name, importance))
    return found


class Life(NamedTuple):
    """What a student meets: the problems, the day on which each was flagged, and those seen again on a later day."""

    rates: Rates
    problems: Sequence[Problem]
    flagged: dict[Problem, date]
    again: dict[Problem, date]


class Outlook(NamedTuple):
    """Shares of all musts: seen on two days, and seen at all, before their exam; and how often mending was refused."""

    twice: float
    once: float
    refused: int


def lived(request: Request, days: int, student: Student, run: int, *, seed: int, level: int, mended: bool) -> Outlook:
    """A student's days from ``days`` before the first exam to the last one."""
    calendars = {one.file: (FIXTURES / one.file).read_bytes() for one in request.calendars}
    zone = ZoneInfo(request.zone)
    exams = {exam.key: exam.start.date() for exam in request.exams}
    begin = min(exams.values()) - timedelta(days=days)
    length = (max(exams.values()) - begin).days
    plan = make_plan(request, calendars, as_of=datetime.combine(begin, MORNING, zone))
    life = Life(request.rates, problems_of(plan, request.rates, level, f"{seed}/{run}"), {}, {})
    log: list[Entry] = []
    refused = 0
    for number in range(length):
        today = begin + timedelta(days=number)
        if mended and number:
            try:
                plan = mend(plan, request, request, calendars, log, as_of=datetime.combine(today, MORNING, zone))
            except NoPlan:  # then the student goes on with the plan that there is
                refused += 1
        here = student.works(When(number, length, run))
        for block in [one for one in plan.blocks if one.day == today and one.parts]:
            done = reached(plan, block, student) if here else 0
            found = worked(plan, block, done, life, today)
            if student.says:
                log.append(word(block, done, here, found, datetime.combine(today, EVENING, zone)))
    musts = [one for one in life.problems if one.importance == MUST]
    never = date.max
    once = sum(life.flagged.get(one, never) < exams[one.exam] for one in musts)
    twice = sum(life.again.get(one, never) < exams[one.exam] for one in musts)
    return Outlook(twice / len(musts), once / len(musts), refused)


def pace_of(plan: Plan, task: Task) -> float:
    """How many times the usual minutes the plan gives a task by now."""
    mine = next((one for one in plan.learned if one.exam == task.exam), None)
    return mine.pace.get(task.kind, 100) / 100 if mine and task.kind else 1.0


def reached(plan: Plan, block: Block, student: Student) -> int:
    """The units of a block that are done when its time is up, whole ones."""
    tasks = {task.id: task for task in plan.tasks}
    left, done = float(sum(part.units for part in block.parts)), 0
    for part in block.parts:
        cost = max(1.0, student.slowness / pace_of(plan, tasks[part.task]))
        here = min(part.units, int(left / cost + 1e-9))
        left -= here * cost
        done += here
        if here < part.units:
            break
    return done


def worked(plan: Plan, block: Block, units: int, life: Life, today: date) -> tuple[Found, ...]:
    """Does the first units of a block, and gives what is found: flags that are set, and flags that are settled."""
    tasks = {task.id: task for task in plan.tasks}
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
            seen = [one for one in seen_in(task, done, life, today, pace_of(plan, task)) if one not in life.again]
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


def seen_in(task: Task, done: Part, life: Life, today: date, pace: float) -> list[Problem]:
    """The flags that a part of a second pass comes to.

    Its list is what its notes name, or all flags of the kind where they name nothing, musts first. Each takes the
    minutes that the rates give it, one after the other from the task's beginning, so that time which was lost, or which
    the plan does not have, does not come to what would have lain in it. What begins in the part is seen.
    """
    mine = [p for p, day in life.flagged.items() if (p.exam, p.kind) == (task.exam, task.kind) and day < today]
    named = set(re.findall(r"\bp[0-9]+\b", " ".join(task.notes)))
    listed = sorted((one for one in mine if not named or one.name in named), key=lambda one: one.importance)
    each = {Kind.QUIZ: life.rates.quiz_missed, Kind.TEST: life.rates.test_missed}.get(task.kind, life.rates.flag)
    along = each * pace / UNIT
    return [one for n, one in enumerate(listed) if done.first <= n * along < done.first + done.units]


def word(block: Block, done: int, here: bool, found: tuple[Found, ...], at: datetime) -> CheckIn:
    """What the student says of a block in the evening, with its whole time as the minutes that it took."""
    planned = sum(part.units for part in block.parts)
    outcome = Outcome.MISSED if not here else Outcome.DONE if done == planned else Outcome.PARTLY
    minutes = planned * UNIT if done else None
    said = CheckIn(id=block.uid, at=at, block=block.uid, outcome=outcome, minutes=minutes, found=found)
    return replace(said, reached=done * UNIT)


class Row(NamedTuple):
    """A request, how many times the flags that the plan assumes, a student, and the means over the runs."""

    request: str
    level: int
    student: str
    mended: Outlook
    published: Outlook


def table(
    names: Sequence[str] = REQUESTS, *, seed: int = 0, runs: int = 5, levels: Sequence[int] = LEVELS
) -> list[Row]:
    """All students on these requests; the runs differ in which days are lost and in what is flagged."""
    days: Mapping[str, int] = {"chemistry-30.toml": 30, "travelling-team.toml": 28, "chemistry-10.toml": 10}
    rows = []
    for name in names:
        request = read((FIXTURES / name).read_bytes(), name=name)
        for level in levels:
            for student in STUDENTS:
                both = [
                    [
                        lived(request, days[name], student, run, seed=seed, level=level, mended=way)
                        for run in range(runs)
                    ]
                    for way in (True, False)
                ]
                rows.append(Row(name, level, student.name, *map(mean, both)))
    return rows


def mean(lives: Sequence[Outlook]) -> Outlook:
    """The mean shares of some runs, and all refusals."""
    twice, once = sum(one.twice for one in lives), sum(one.once for one in lives)
    return Outlook(twice / len(lives), once / len(lives), sum(one.refused for one in lives))


def main() -> None:
    """Prints the table."""
    asked = argparse.ArgumentParser(description="What mending is worth to simulated students.")
    asked.add_argument("--seed", type=int, default=0)
    asked.add_argument("--runs", type=int, default=5)
    options = asked.parse_args()
    write = sys.stdout.write
    write(
        "| request | flags | student | twice: mended | twice: never mended "
        "| once: mended | once: never mended | refused |\n"
    )
    write("|---|---|---|---|---|---|---|---|\n")
    for row in table(seed=options.seed, runs=options.runs):
        shares = (row.mended.twice, row.published.twice, row.mended.once, row.published.once)
        cells = " | ".join(f"{share:.0%}" for share in shares)
        write(f"| {row.request} | {row.level} × | {row.student} | {cells} | {row.mended.refused} |\n")


if __name__ == "__main__":
    main()
