"""What of a plan is over, and what of it was done: the past, settled by what the student says.

A block that has begun stays as it was, with its words and its UID. Its work counts as done where the student said so,
and where nobody said anything: no word is not missed. What was missed, or was not reached, comes back and is planned
again. A block that was done before its time is over too.
"""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from msgspec.structs import replace

from calplan.checkins import Outcome, last_words
from calplan.contents import part_items
from calplan.model import UNIT, Block, Kind, Part, PastBlock, Plan, Request, Role, Task, Worked
from calplan.spans import instant, wall
from calplan.wording import Wording

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Mapping, Sequence
    from datetime import date, datetime

    from calplan.checkins import CheckIn, Entry

OF_ITS_DAY = frozenset({Role.ENCORE, Role.TAPER, Role.EVE})
"""What belongs to its day, and is over with it whatever became of it."""


def begun(block: Block | PastBlock, zone: str, as_of: datetime) -> bool:
    """Whether a block has started by then."""
    return instant(block.start.replace(fold=block.fold), ZoneInfo(zone)) <= as_of


def settled(
    plan: Plan, request: Request, log: Iterable[Entry], *, as_of: datetime, grace: int | None
) -> tuple[PastBlock, ...]:
    """All blocks of a plan that are over, in order, with what comes back of their work.

    ``request`` is the one that the plan was made from. Blocks without a word come back after ``grace`` days
    (``None``: never).
    """
    said = last_words(log)
    words = Wording(plan, request)
    tasks = {task.id: task for task in plan.tasks}
    over = [past_block(block, words, tasks, request) for block in plan.blocks if is_over(block, plan, said, as_of)]
    today = wall(as_of, ZoneInfo(plan.zone)).date()
    every = sorted((*plan.past, *over), key=lambda block: (block.start, block.fold, block.uid))
    return tuple(judged(block, said.get(block.uid), tasks, today=today, grace=grace) for block in every)


def is_over(block: Block, plan: Plan, said: Mapping[str, CheckIn], as_of: datetime) -> bool:
    """Whether a block has begun, or was said to be done before its time."""
    word = said.get(block.uid)
    return begun(block, plan.zone, as_of) or (word is not None and word.outcome is Outcome.DONE and not block.fixed)


def past_block(block: Block, words: Wording, tasks: Mapping[str, Task], request: Request) -> PastBlock:
    """A block that is over, with its words and work as they are."""
    subjects = {exam.key: exam.subject for exam in request.exams}
    worked = tuple(work_of(tasks[part.task], part) for part in block.parts)
    return PastBlock(
        uid=block.uid,
        day=block.day,
        start=block.start,
        minutes=block.minutes,
        revised=block.revised,
        headline=words.headline(block),
        text=words.describe(block),
        exams=tuple(dict.fromkeys(subjects[one.exam] for one in worked)),
        worked=worked,
        fold=block.fold,
        sequence=block.sequence,
        fixed=block.fixed,
    )


def work_of(task: Task, part: Part, back: int = 0) -> Worked:
    """The work in a part, the last ``back`` units of it not done.

    Of notes and papers the essential layer counts, of practice every problem.
    """
    pieces: Counter[str] = Counter()
    done = replace(part, units=part.units - back)
    for share in part_items(task, done) if done.units else ():
        if task.kind in (Kind.NOTES, Kind.PRACTICE):
            if task.kind is Kind.PRACTICE or not share.extra or not share.item.essential:
                pieces[share.item.material] += share.number
        else:
            pieces[share.item.material] = 1
    return Worked(
        exam=task.exam,
        role=task.role,
        kind=task.kind,
        units=part.units,
        pieces=dict(sorted(pieces.items())),
        task=task.id,
        first=part.first,
        back=back,
    )


def judged(
    block: PastBlock, word: CheckIn | None, tasks: Mapping[str, Task], *, today: date, grace: int | None
) -> PastBlock:
    """The block with what comes back of its work, by the last word on it."""
    planned = sum(one.units for one in block.worked)
    if word is None:
        late = grace is not None and (today - block.day).days > grace
        done = 0 if late else planned
    else:
        reached = {Outcome.DONE: planned, Outcome.MISSED: 0, Outcome.PARTLY: word.reached // UNIT}
        done = reached[word.outcome]
    worked = []
    for one in block.worked:
        back = 0 if one.role in OF_ITS_DAY else one.units - min(one.units, done)
        done = max(0, done - one.units)
        if back != one.back:
            task = tasks.get(one.task)
            part = Part(task=one.task, first=one.first, units=one.units)
            one = work_of(task, part, back) if task is not None else replace(one, back=back)
        worked.append(one)
    missed = word is not None and word.outcome is Outcome.MISSED
    return replace(block, worked=tuple(worked), missed=missed)


def behind_of(past: Sequence[PastBlock]) -> dict[str, tuple[tuple[int, int], ...]]:
    """By task, the stretches of its units that are over: (first, units), in order, none touching another."""
    units: dict[str, set[int]] = {}
    for block in past:
        for one in block.worked:
            units.setdefault(one.task, set()).update(range(one.first, one.first + one.units - one.back))
    return {task: stretches(over) for task, over in units.items() if over}


def stretches(units: Collection[int]) -> tuple[tuple[int, int], ...]:
    """Numbers as stretches of neighbours: (first, how many)."""
    found: list[tuple[int, int]] = []
    for unit in sorted(units):
        if found and sum(found[-1]) == unit:
            found[-1] = (found[-1][0], found[-1][1] + 1)
        else:
            found.append((unit, 1))
    return tuple(found)
