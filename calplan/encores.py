"""Days that would stay empty: material comes again.

A short pile leaves stops without material, and even a full one can leave a day without work. Nothing new is asked
then: pieces whose first pass is over come again, the one seen longest ago first. Encores count in no goal and in no
sum, lie only on days that hold nothing else, and are the first to go when a plan is mended.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from msgspec.structs import replace

from calplan.model import Part, Rank, Role, Task

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence
    from datetime import date

    from calplan.model import Day
    from calplan.workload import Prepared


def with_encores(
    days: Sequence[Day],
    tasks: Sequence[Task],
    exams: Sequence[Prepared],
    *,
    most: int,
    kept: Iterable[Task] = (),
    seen: Mapping[str, date] = {},
) -> tuple[tuple[Day, ...], tuple[Task, ...]]:
    """The usable days with encores in those that hold nothing, and the encores themselves.

    No encore is longer than ``most`` units, its material's first pass, or the day's room. ``kept`` encores of a plan
    that is mended stay on their day if nothing else lies there; ``seen`` tells when tasks that are over were worked on.
    """
    by_id = {task.id: task for task in tasks}
    left = {task.id: len(task.ahead) for task in tasks}
    before = {task.ideal: task for task in kept}
    named = [id_ for id_ in (*seen, *(task.id for task in before.values())) if "/encore-" in id_]
    number = 1 + max((int(id_.rpartition("-")[2]) for id_ in named), default=-1)
    seen = {id_: day for id_, day in seen.items() if id_ in by_id}
    filled, encores = [], list[Task]()
    for day in days:
        if not day.parts and not day.fixed and not day.spent:
            done = [by_id[id_] for id_ in seen if left[id_] == 0 and by_id[id_].role is Role.COVER]
            encore = before.get(day.day)
            again = encore and next((task for task in done if task.items == encore.items), None)
            if again is None or encore is None or encore.kept > day.room:
                again, encore = comes_again(day, done, seen, exams), None
            if again is not None and encore is None:
                encore = encore_of(again, day, min(again.kept, most, day.room), number)
                number += 1
            if again is not None and encore is not None:
                encores.append(encore)
                seen[again.id] = day.day
                day = replace(day, parts=(Part(task=encore.id, first=0, units=encore.kept),))
        for part in day.parts:
            if part.task in left:
                left[part.task] -= part.units
                seen[part.task] = day.day
        filled.append(day)
    return tuple(filled), tuple(encores)


def comes_again(day: Day, done: Iterable[Task], seen: dict[str, date], exams: Iterable[Prepared]) -> Task | None:
    """The stop that comes again on a day: of the kind whose turn it was, else whatever was seen longest ago."""
    turns = {}
    for one in exams:
        stages = one.cycle.stages
        if day.day in one.days[: stages.cover + stages.consolidate]:
            turns[one.exam.key] = dict(one.cycle.encores).get(day.day)
    return min(
        (task for task in done if task.exam in turns),
        key=lambda task: (task.kind is not turns[task.exam], seen[task.id], task.id),
        default=None,
    )


def encore_of(again: Task, day: Day, units: int, number: int) -> Task:
    """The encore of a stop on a day, the plan's ``number``-th from 0."""
    return replace(
        again,
        id=f"{again.exam}/encore-{number}",
        role=Role.ENCORE,
        number=again.number,
        ranks=(Rank.EXTRA,) * units,
        kept=units,
        ideal=day.day,
        first=day.day,
        last=day.day,
        notes=(),
        behind=(),
        astray=False,
        fixed=None,
    )
