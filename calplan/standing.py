"""Clock times of a mended plan: the days on which nothing changes keep their blocks, the others are laid out anew.

A day stands if its blocks hold exactly its work, have the lengths that the request asks for, lie in its gaps and keep
their breaks. Of a day that does not, only blocks that are held in place may stay.
"""

from __future__ import annotations

from datetime import timedelta
from itertools import pairwise
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from msgspec.structs import replace

from calplan.days import bounds
from calplan.errors import BrokenPlan
from calplan.model import UNIT, Role, block_units
from calplan.placement import place
from calplan.spans import Span, instant

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence
    from datetime import date, datetime

    from calplan.model import Block, Day, Part, PastBlock, Request, Task
    from calplan.planner import Ground


def put_again(
    ground: Ground, ahead: Sequence[Block], seed: str, days: tuple[Day, ...], tasks: Mapping[str, Task]
) -> tuple[Block, ...]:
    """The blocks of all days; a day on which nothing changes keeps its blocks to the minute."""
    request, as_of = ground.request, ground.days.as_of
    zone = ZoneInfo(request.zone)
    by_day: dict[date, list[Block]] = {}
    for block in ahead:
        if block.parts:
            by_day.setdefault(block.day, []).append(block)
    standing = {}
    for day in days:
        mine = by_day.get(day.day, [])
        right = [b for b in mine if right_length(b, request, tasks) and fits(b, day, tasks, zone)]
        if mine and right == mine and same_work(mine, day) and apart(mine, request, zone):
            standing[day.day] = mine
            continue
        held = [block for block in right if block.held and in_day(block, day)]
        if held and apart(held, request, zone) and leaves_room(request, day, tasks, held, as_of):
            standing[day.day] = held
    begin = [one for one in request.appointments if instant(one.start, zone) > as_of]
    coming = replace(request, appointments=tuple(begin))
    return place(coming, days, tasks, seed=seed, as_of=as_of, published=ahead, standing=standing)


def same_work(blocks: Sequence[Block], day: Day) -> bool:
    """Whether these blocks hold exactly the work of the day."""
    return units_of(part for block in blocks for part in block.parts) == units_of(day.parts)


def apart(blocks: Sequence[Block], request: Request, zone: ZoneInfo) -> bool:
    """Whether there is a break between any two of these blocks."""
    rest = timedelta(minutes=bounds(request.effort).rest)
    spans = sorted(span_of(block, zone) for block in blocks)
    return all(one.end + rest <= other.start for one, other in pairwise(spans))


def leaves_room(request: Request, day: Day, tasks: Mapping[str, Task], held: Sequence[Block], as_of: datetime) -> bool:
    """Whether the other work of a day finds a place beside blocks that are held, and everything keeps its order."""
    alone = replace(request, appointments=())
    try:
        blocks = place(alone, (day,), tasks, seed="", as_of=as_of, standing={day.day: held})
    except BrokenPlan:
        return False
    parts = [part for block in blocks for part in block.parts]
    ordered = all(
        one.first < other.first
        for one, other in pairwise(sorted(parts, key=lambda part: part.task))  # sorting keeps the order of time
        if one.task == other.task and not tasks[one.task].astray
    )
    done = [tasks[part.task] for part in parts]
    return ordered and not any(too_soon(one, later) for n, one in enumerate(done) for later in done[n + 1 :])


def too_soon(one: Task, later: Task) -> bool:
    """Whether a task that comes before another should come after it: a second pass, or the sheet's last form."""
    if one.exam != later.exam:
        return False
    if one.role is Role.TIDY:
        return later.role is Role.CONSOLIDATE
    return one.role is Role.CONSOLIDATE and later.role is Role.COVER and one.kind is later.kind


def in_day(block: Block, day: Day) -> bool:
    """Whether all work of a block is work of the day."""
    return units_of(block.parts) <= units_of(day.parts)


def right_length(block: Block, request: Request, tasks: Mapping[str, Task]) -> bool:
    """Whether a block has the length that its work gives it under the request's bounds."""
    if any(tasks[part.task].role is Role.PAPER for part in block.parts if part.task in tasks):
        return True
    limits, units = bounds(request.effort), block_units(block)
    return block.minutes == max(units * UNIT, limits.least) and units <= limits.units


def units_of(parts: Iterable[Part]) -> set[tuple[str, int]]:
    """The units of some parts."""
    return {(part.task, unit) for part in parts for unit in range(part.first, part.first + part.units)}


def fits(block: Block, day: Day, tasks: Mapping[str, Task], zone: ZoneInfo) -> bool:
    """Whether a block's hour is still free; a timed paper's was looked at before."""
    return inside(block, day, zone) or any(tasks[p.task].role is Role.PAPER for p in block.parts if p.task in tasks)


def inside(block: Block, day: Day, zone: ZoneInfo) -> bool:
    """Whether a block lies in the day's gaps."""
    span = span_of(block, zone)
    return any(gap.start <= span.start and span.end <= gap.end for gap in day.gaps)


def span_of(block: Block | PastBlock, zone: ZoneInfo) -> Span:
    """A block's instants."""
    start = instant(block.start.replace(fold=block.fold), zone)
    return Span(start, start + timedelta(minutes=block.minutes))
