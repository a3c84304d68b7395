"""What a plan has to say for itself: what was combined, shortened or left out, and why, one sentence each.

Nothing is dropped silently: every unit that a task lost, every kind that shares a day, every stage that had to give
way shows up here once, in the exam's own words.
"""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

from calplan.cycle import nothing_of
from calplan.days import short_date
from calplan.model import UNIT, Notice, Rank, Role, Task
from calplan.wording import label

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence
    from datetime import date

    from calplan.model import Day, Exam, Kind
    from calplan.workload import Prepared

FEW = 3
"""With so few usable days, or fewer, a kind word takes the place of proofs."""


def remarks(
    exams: Sequence[Prepared],
    tasks: Sequence[Task],
    days: Sequence[Day],
    *,
    opened: Iterable[int],
    bent: Iterable[int],
    today: date,
) -> tuple[Notice, ...]:
    """The remarks of a plan that begins ``today``, exam by exam. ``opened`` and ``bent`` name exams by their place."""
    opened, bent = set(opened), set(bent)
    by_exam = [
        notice
        for place, one in enumerate(exams)
        for notice in (
            *on_days(one),
            *on_stock(one.exam),
            *on_order(one, opened=place in opened, bent=place in bent),
            *on_fixed_days(one, tasks, days, today),
            *on_losses(one, [task for task in tasks if task.exam == one.exam.key]),
        )
    ]
    return (*by_exam, *on_sharing(exams, tasks, days))


def on_days(one: Prepared) -> Iterator[Notice]:
    """A kind word where little time is left."""
    count = len(one.days)
    if count > FEW:
        return
    left = "One day" if count == 1 else f"{number(count).capitalize()} days"
    if count < (one.day - one.days[0]).days:  # others lie between, on which there is no room
        left += " can be used"
    else:
        left += " is left" if count == 1 else " are left"
    yield Notice(
        code="few-days",
        sentence=f"{one.exam.subject}: {left}, which is enough to do the most useful things and not enough to do "
        "everything. What stands here comes first for a reason; when it is done, stop and sleep.",
    )


def on_stock(exam: Exam) -> Iterator[Notice]:
    """Assumed amounts, and kinds of which there is nothing."""
    if exam.assumed:
        yield Notice(
            code="assumed",
            sentence=f"{exam.subject}: the amounts of material are the usual ones for a {exam.scope} exam. "
            "Count your own and plan again.",
        )
    if missing := nothing_of(exam):
        yield Notice(code="substitutes", sentence=f"{exam.subject}: you have {missing}.")


def on_order(one: Prepared, *, opened: bool, bent: bool) -> Iterator[Notice]:
    """Stages and rotation that had to give way."""
    if opened:
        yield Notice(
            code="taper-opened",
            sentence=f"{one.exam.subject}: the last days are less light than they should be, because essential work "
            "does not fit before them. The eve stays light.",
        )
    if bent:
        yield Notice(
            code="order-bent",
            sentence=f"{one.exam.subject}: the kinds do not take turns in their usual order everywhere, because some "
            f"material comes too late for its turn{' or is fixed for a day' if one.exam.fixed_days else ''}.",
        )


def on_fixed_days(one: Prepared, tasks: Iterable[Task], days: Sequence[Day], today: date) -> Iterator[Notice]:
    """What finds no room on the day that it is fixed for, and where it lies instead."""
    fixed = {task.id: task.fixed for task in tasks if task.exam == one.exam.key and task.fixed and task.fixed >= today}
    elsewhere: dict[date, set[date]] = {}
    for day in days:
        for asked in (fixed[part.task] for part in day.parts if part.task in fixed):
            if asked != day.day:
                elsewhere.setdefault(asked, set()).add(day.day)
    for asked, others in sorted(elsewhere.items()):
        found = " and ".join(map(short_date, sorted(others)))
        yield Notice(
            code="off-fixed-day",
            sentence=f"{one.exam.subject}: not all that is fixed for {short_date(asked)} finds room there; the nearest "
            f"room for it is on {found}.",
        )


def on_sharing(exams: Sequence[Prepared], tasks: Sequence[Task], days: Sequence[Day]) -> Iterator[Notice]:
    """Days on which several kinds of an exam lie, and tasks that go over several days: one sentence for all exams."""
    said = []
    for one in exams:
        shared, divided = sharing({task.id: task for task in tasks if task.exam == one.exam.key}, days)
        counts = [
            f"{plural(shared, 'day', 'days')} with more than one kind" if shared else "",
            f"{plural(divided, 'task', 'tasks')} carried over into another day" if divided else "",
        ]
        if any(counts):
            said.append(f"{one.exam.subject} has {' and '.join(filter(None, counts))}")
    if said:
        yield Notice(code="combined", sentence=f"To make it fit, stops were combined: {'; '.join(said)}.")


def sharing(mine: Mapping[str, Task], days: Sequence[Day]) -> tuple[int, int]:
    """How many days hold several kinds of an exam, and how many of its tasks go on into another day."""
    shared = 0
    seen: set[str] = set()
    divided: set[str] = set()
    for day in days:
        here = [mine[part.task] for part in day.parts if part.task in mine]
        shared += len({task.kind for task in here if task.kind}) > 1
        ids = {task.id for task in here}
        divided |= ids & seen
        seen |= ids
    return shared, len(divided)


def on_losses(one: Prepared, tasks: Sequence[Task]) -> Iterator[Notice]:
    """What was shortened and what fell out whole, kind by kind."""
    short = [task for task in tasks if 0 < task.kept < len(task.ranks)]
    if short:
        minutes = sum(len(task.ranks) - task.kept for task in short) * UNIT
        only_extras = all(rank == Rank.EXTRA for task in short for rank in task.ranks[task.kept :])
        what = "only extras" if only_extras else "extras first, then the least of the essentials"
        yield Notice(
            code="shortened",
            sentence=f"{one.exam.subject}: {plural(len(short), 'task is', 'tasks are')} shortened by {minutes} minutes "
            f"in all ({what}): {listed(one.exam, short)}.",
        )
    gone = [task for task in tasks if not task.kept and task.ranks]
    if gone:
        yield Notice(
            code="left-out",
            sentence=f"{one.exam.subject}: {plural(len(gone), 'task is', 'tasks are')} left out whole: "
            f"{listed(one.exam, gone)}.",
        )


def listed(exam: Exam, tasks: Sequence[Task]) -> str:
    """Tasks by role and kind, with numbers, in the exam's own words: "2 for quizzes, 1 second pass over essays".

    A task may take several quizzes, so that "2 quizzes" would say something else.
    """
    counts = Counter((task.role, task.kind) for task in tasks)
    return ", ".join(f"{count} {called(exam, role, kind, count)}" for (role, kind), count in counts.items())


def called(exam: Exam, role: Role, kind: Kind | None, count: int) -> str:
    """What so many tasks of a role and a kind are called after their number."""
    if kind is None:
        return WORDS[role] if count == 1 else f"{WORDS[role]}s"
    if role is Role.CONSOLIDATE:
        return f"second {'pass' if count == 1 else 'passes'} over {label(exam, kind)}"
    return f"for {label(exam, kind)}"


WORDS = {
    Role.GATHER: "gathering task",
    Role.TIDY: "sheet task",
    Role.TAPER: "taper task",
    Role.EVE: "last-day task",
}
"""What a task is called that belongs to no kind."""


def plural(count: int, one: str, many: str) -> str:
    """A count with its word."""
    return f"{count} {one if count == 1 else many}"


def number(count: int) -> str:
    """A small number in words."""
    return {1: "one", 2: "two", 3: "three"}[count]
