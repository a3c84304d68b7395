"""A day's work as blocks at clock times.

The scheduler says how much of which task lies on which day; here it gets its hours. For each day, in this order: as few
blocks as the gaps allow; the first one as near as can be to where the published plan has it, else to the habitual hour;
the earliest of two that are equally near. Further blocks follow as early as the break between them allows.

That any amount of work up to the day's capacity finds a place rests on one fact: in a gap that holds some number of
units, every smaller one fits into the fewest blocks that can hold it, evenly divided, because the shortest block is a
whole number of units (or no block holds more work than the shortest one can).

Inside this module a time is a number of whole minutes since 1970 in UTC. That keeps the arithmetic exact and short;
wall-clock time comes in through the habitual hour and goes out with the finished blocks.
"""

from __future__ import annotations

from datetime import date, datetime, time, timedelta
from itertools import accumulate
from types import MappingProxyType
from typing import TYPE_CHECKING, NamedTuple
from zoneinfo import ZoneInfo

import msgspec

from calplan.days import Bounds, bounds, held, paper_span, set_aside
from calplan.errors import BrokenPlan, Fault
from calplan.model import UNIT, Block, Day, Part, Request, Role, Task, identity
from calplan.spans import Span, instant

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

GRID = 5
"""Blocks start at a multiple of so many minutes, where the gap allows it."""


def place(
    request: Request,
    days: tuple[Day, ...],
    tasks: Mapping[str, Task],
    *,
    seed: str,
    as_of: datetime,
    published: Iterable[Block] = (),
    standing: Mapping[date, Sequence[Block]] = MappingProxyType({}),
) -> tuple[Block, ...]:
    """The blocks of all days in order of time, appointments within the days' range among them.

    A timed paper stands at its exam's hour, undivided; other work of its day keeps a break from it. Blocks that are
    ``standing`` hold some of their day's work already, and stay as they are. Raises BrokenPlan where a day was given
    more units than its gaps can hold.
    """
    zone = ZoneInfo(request.zone)
    loaded = [day for day in days if day.parts]
    works = [_Work.of(request, _beside(request, day, standing.get(day.day, ())), tasks, zone) for day in loaded]
    faults = [
        Fault("placement.room", work.day.isoformat(), f"{work.units} units do not fit into the day's gaps.")
        for work in works
        if work.units and not work.openings
    ]
    if faults:
        raise BrokenPlan(faults)
    whole = [_Work.of(request, day, tasks, zone) for day in loaded] if standing else works
    habits = _habits(request, whole, zone)
    kept = _published_starts(published, tasks, zone)
    timed = _appointments(request, days, zone, seed, as_of)
    for block in (block for blocks in standing.values() for block in blocks):
        timed.append((_minutes(instant(block.start.replace(fold=block.fold), zone)), block))
    for work in works:
        target = kept.get(work.day, _minutes(instant(datetime.combine(work.day, habits[work.day]), zone)))
        placed = sorted((*work.papers, *_place_day(work, target)), key=lambda one: one[0])
        for ordinal, (start, minutes, parts) in enumerate(placed, 1 + len(standing.get(work.day, ()))):
            uid = identity(seed, "block", work.day.isoformat(), str(ordinal))
            timed.append((start, _block(uid, start, minutes, parts, zone, as_of)))
    return tuple(block for _, block in sorted(timed, key=lambda one: (one[0], one[1].uid)))


def _beside(request: Request, day: Day, standing: Sequence[Block]) -> Day:
    """The day without the work and the time of blocks that stand already."""
    if not standing:
        return day
    held = {(p.task, unit) for block in standing for p in block.parts for unit in range(p.first, p.first + p.units)}
    parts: list[Part] = []
    for part in day.parts:
        for unit in range(part.first, part.first + part.units):
            if (part.task, unit) in held:
                continue
            if parts and parts[-1].task == part.task and parts[-1].first + parts[-1].units == unit:
                parts[-1] = msgspec.structs.replace(parts[-1], units=parts[-1].units + 1)
            else:
                parts.append(Part(task=part.task, first=unit, units=1))
    for block in standing:
        start = instant(block.start.replace(fold=block.fold), ZoneInfo(request.zone))
        day = set_aside(day, Span(start, start + timedelta(minutes=block.minutes)), request.effort)
    return msgspec.structs.replace(day, parts=tuple(parts))


# ------------------------------------------------------------------------------------------ one day's work


class _Gap(NamedTuple):
    """A gap in minutes; ``again`` bounds the part of it in which the clock shows an hour for the second time."""

    start: int
    end: int
    again: tuple[int, int] | None = None


class _Opening(NamedTuple):
    """Where the first of the fewest blocks can start: in the gap of number ``gap``, from ``first`` to ``last``."""

    gap: int
    first: int
    last: int


Placed = tuple[int, int, tuple[Part, ...]]
"""A block before it has a name: its start, its minutes, its work."""


class _Work(NamedTuple):
    """What one day has to place, and where it can.

    ``table[i][n]`` is the most units that at most ``n`` blocks hold in the gaps from the ``i``-th on; ``blocks`` is the
    least number that holds them all.
    """

    day: date
    parts: tuple[Part, ...]
    papers: tuple[Placed, ...]
    units: int
    gaps: tuple[_Gap, ...]
    limits: Bounds
    blocks: int
    table: list[list[int]]
    openings: list[_Opening]

    @staticmethod
    def of(request: Request, day: Day, tasks: Mapping[str, Task], zone: ZoneInfo) -> _Work:
        """The work of a day: timed papers first, at their own hour; the rest goes where they leave room."""
        papers: list[Placed] = []
        parts = [part for part in day.parts if part.units]
        for part in [part for part in parts if tasks[part.task].role is Role.PAPER]:
            exam = next(exam for exam in request.exams if exam.key == tasks[part.task].exam)
            start = paper_span(request, exam, day.day).start
            minutes = part.units * UNIT
            papers.append((_minutes(start), minutes, (part,)))
            day = set_aside(day, Span(start, start + timedelta(minutes=minutes)), request.effort)
            parts.remove(part)
        units = sum(part.units for part in parts)
        limits = bounds(request.effort)
        gaps = tuple(_gap(span, zone) for span in day.gaps)
        blocks, table = _fewest(units, gaps, limits)
        openings = _openings(units, blocks, gaps, table, limits) if blocks else []
        return _Work(day.day, tuple(parts), tuple(papers), units, gaps, limits, blocks, table, openings)


def _gap(span: Span, zone: ZoneInfo) -> _Gap:
    start, end = _minutes(span.start), _minutes(span.end)
    here, there = _wall(start, zone), _wall(end, zone)
    if not here.fold and here.utcoffset() == there.utcoffset():
        return _Gap(start, end)
    twice = [minute for minute in range(start, end) if _wall(minute, zone).fold]
    return _Gap(start, end, (twice[0], twice[-1] + 1) if twice else None)


def _fewest(units: int, gaps: Sequence[_Gap], limits: Bounds) -> tuple[int, list[list[int]]]:
    """The least number of blocks that holds so many units (0: none does), with the table that shows it."""
    if not units or not gaps or not limits.units:
        return 0, []
    size = -(-units // limits.units) + 1
    most = sum((gap.end - gap.start + limits.rest) // (limits.shortest + limits.rest) for gap in gaps)
    while True:
        table = _table(gaps, size, limits)
        if table[0][size] >= units:
            return next(n for n in range(size + 1) if table[0][n] >= units), table
        if size >= most:
            return 0, table
        size *= 2


def _table(gaps: Sequence[_Gap], size: int, limits: Bounds) -> list[list[int]]:
    table = [[0] * (size + 1)]
    for gap in reversed(gaps):
        here = [held(gap.end - gap.start, n, limits) if n else 0 for n in range(size + 1)]
        after = table[0]
        table.insert(0, [max(here[k] + after[n - k] for k in range(n + 1)) for n in range(size + 1)])
    return table


def _openings(
    units: int, blocks: int, gaps: Sequence[_Gap], table: Sequence[Sequence[int]], limits: Bounds
) -> list[_Opening]:
    """Every stretch in which the first block can start so that all units still fit into so many blocks."""
    openings = []
    for index, gap in enumerate(gaps):
        needs = []
        for here in range(1, blocks + 1):
            least = units - table[index + 1][blocks - here]
            if least <= here * limits.units:
                needs.append(max(least * UNIT, here * limits.shortest) + (here - 1) * limits.rest)
        if needs and gap.end - min(needs) >= gap.start:
            openings.append(_Opening(index, gap.start, gap.end - min(needs)))
    return openings


def _place_day(work: _Work, target: int) -> list[Placed]:
    """The day's blocks, the first one as near to ``target`` as can be."""
    if not work.units:
        return []
    near = ((_nearest(work.gaps[opening.gap], opening, target), opening.gap) for opening in work.openings)
    start, index = min(near, key=lambda one: (abs(one[0] - target), one[0]))
    gaps = (work.gaps[index]._replace(start=start), *work.gaps[index + 1 :])
    lengths, starts = _divided(work, index, gaps)
    minutes = [_length(units, work.limits) for units in lengths]
    return list(zip(starts, minutes, _dealt(work.parts, lengths), strict=True))


def _nearest(gap: _Gap, opening: _Opening, target: int) -> int:
    """The best start in an opening: on the grid and outside a repeated hour where there is such a one."""
    on_grid = range(-(-opening.first // GRID) * GRID, opening.last + 1, GRID)
    if not on_grid:
        return opening.first
    once = [at for at in on_grid if not _again(gap, at)] if gap.again else on_grid
    choice = once or on_grid
    if isinstance(choice, range):
        at = min(max((target - choice.start + GRID // 2) // GRID, 0), len(choice) - 1)
        return choice[at]
    return min(choice, key=lambda at: (abs(at - target), at))


def _again(gap: _Gap, minute: int) -> bool:
    return gap.again is not None and gap.again[0] <= minute < gap.again[1]


# --------------------------------------------------------------------------------- division and clock times


def _divided(work: _Work, index: int, gaps: Sequence[_Gap]) -> tuple[list[int], list[int]]:
    """The units of each block and their starts: cut where tasks end if that fits, else as even as can be."""
    if work.blocks > 1:
        lengths = _at_task_ends(work.parts, work.blocks, work.limits)
        starts = _clock(lengths, gaps, work.limits) if lengths else None
        if starts:
            return lengths, starts
    lengths = _even(work, index, gaps)
    starts = _clock(lengths, gaps, work.limits)
    assert starts, "the openings promise room"
    return lengths, starts


def _at_task_ends(parts: Sequence[Part], blocks: int, limits: Bounds) -> list[int]:
    """The most even division in which every block ends with a task and keeps its bounds; empty: there is none."""
    ends = [0, *accumulate(part.units for part in parts)]
    best: dict[int, tuple[int, list[int]]] = {0: (0, [])}  # by how many parts are dealt out: cost, units of the blocks
    for _ in range(blocks):
        longer: dict[int, tuple[int, list[int]]] = {}
        for done, (cost, lengths) in best.items():
            for end in range(done + 1, len(ends)):
                units = ends[end] - ends[done]
                if limits.least <= units * UNIT and units <= limits.units:
                    found = cost + units * units, [*lengths, units]
                    longer[end] = min(longer.get(end, found), found)
        best = longer
    return best.get(len(parts), (0, []))[1]


def _even(work: _Work, index: int, gaps: Sequence[_Gap]) -> list[int]:
    """The units of each block as even as the gaps allow, with as many blocks in the early gaps as can be."""
    groups, placed, left = [], 0, work.blocks
    for at, gap in enumerate(gaps):
        counts = range(left, 0 if at == 0 else -1, -1)
        room = {n: held(gap.end - gap.start, n, work.limits) if n else 0 for n in counts}
        after = work.table[index + at + 1]
        count = next(n for n in counts if placed + room[n] + after[left - n] >= work.units and (room[n] or not n))
        groups += [[count, room[count]]] if count else []
        placed, left = placed + room[count], left - count
    lengths = [0] * work.blocks
    group_of = [group for group in groups for _ in range(group[0])]
    for _ in range(work.units):
        open_ = [n for n in range(work.blocks) if group_of[n][1]]
        least = min(open_, key=lengths.__getitem__)
        lengths[least] += 1
        group_of[least][1] -= 1
    return lengths


def _length(units: int, limits: Bounds) -> int:
    """Minutes of a block with so many units of work."""
    return max(units * UNIT, limits.least)


def _clock(lengths: Sequence[int], gaps: Sequence[_Gap], limits: Bounds) -> list[int] | None:
    """Starts for blocks of so many units, the first where the first gap starts; ``None`` where they do not fit.

    Each block starts as early as it can, but goes on to the next start on the grid, and past a repeated hour, where
    all that follow still fit.
    """
    minutes = [_length(units, limits) for units in lengths]
    first = gaps[0].start
    if first + minutes[0] > gaps[0].end or not _fits(minutes, gaps, first, limits.rest):
        return None
    starts = [first]
    for n in range(1, len(minutes)):
        free = starts[-1] + minutes[n - 1] + limits.rest
        gap = next(gap for gap in gaps if max(gap.start, free) + minutes[n] <= gap.end)
        starts.append(
            next(at for at in _wishes(gap, max(gap.start, free)) if _fits_at(at, n, minutes, gap, gaps, limits))
        )
    return starts


def _wishes(gap: _Gap, earliest: int) -> Iterable[int]:
    """Starts from the most wished for to the least: past a repeated hour and on the grid, on the grid, at once."""
    on_grid = -(-earliest // GRID) * GRID
    if gap.again and _again(gap, on_grid):
        yield -(-gap.again[1] // GRID) * GRID
    yield on_grid
    yield earliest


def _fits_at(at: int, n: int, minutes: Sequence[int], gap: _Gap, gaps: Sequence[_Gap], limits: Bounds) -> bool:
    """Whether block ``n`` can start there, in this gap, and leaves room for those after it."""
    end = at + minutes[n]
    return end <= gap.end and _fits(minutes[n + 1 :], gaps, end + limits.rest, limits.rest)


def _fits(minutes: Sequence[int], gaps: Sequence[_Gap], free: int, rest: int) -> bool:
    """Whether blocks of these lengths, in this order, fit into the gaps from the minute ``free`` on."""
    gap = 0
    for length in minutes:
        while gap < len(gaps) and max(gaps[gap].start, free) + length > gaps[gap].end:
            gap += 1
        if gap == len(gaps):
            return False
        free = max(gaps[gap].start, free) + length + rest
    return True


def _dealt(parts: Sequence[Part], lengths: Sequence[int]) -> list[tuple[Part, ...]]:
    """The parts of each block: tasks in their order, one that does not end with its block goes on in the next."""
    blocks = []
    left = [(part.task, part.first, part.units) for part in parts]
    for units in lengths:
        block = []
        while units:
            task, first, count = left.pop(0)
            taken = min(units, count)
            block.append(Part(task=task, first=first, units=taken))
            units -= taken
            if taken < count:
                left.insert(0, (task, first + taken, count - taken))
        blocks.append(tuple(block))
    return blocks


# ------------------------------------------------------------------------------------------ hours and blocks


def _habits(request: Request, works: Sequence[_Work], zone: ZoneInfo) -> dict[date, time]:
    """The hour that blocks start near, day by day: the given one; else the one that is free on most days.

    Where the latter is not free, it is the one that is free on most of the same days of the week.
    """
    given = request.effort.habit
    if given is not None:
        return dict.fromkeys((work.day for work in works), given)
    usual = _usual_hour(works, zone)
    weekly = {
        day: _usual_hour([work for work in works if work.day.weekday() == day], zone)
        for day in {work.day.weekday() for work in works}
    }
    return {work.day: usual if _free_at(work, usual, zone) else weekly[work.day.weekday()] for work in works}


def _free_at(work: _Work, hour: time, zone: ZoneInfo) -> bool:
    """Whether the day's first block can start at an hour."""
    at = _minutes(instant(datetime.combine(work.day, hour), zone))
    return any(opening.first <= at <= opening.last for opening in work.openings)


def _usual_hour(works: Sequence[_Work], zone: ZoneInfo) -> time:
    """The wall-clock start that is free on most of the days that carry work; the earliest of several."""
    changes = [0] * (24 * 60 // GRID + 1)
    for work in works:
        for opening in work.openings:
            first, last = _wall(opening.first, zone), _wall(opening.last, zone)
            low, high = -(-_of_day(first) // GRID), _of_day(last) // GRID
            if low <= high:
                changes[low] += 1
                changes[high + 1] -= 1
    counts = list(accumulate(changes[:-1]))
    slot = counts.index(max(counts)) * GRID
    return time(slot // 60, slot % 60)


def _of_day(wall: datetime) -> int:
    return wall.hour * 60 + wall.minute


def _published_starts(published: Iterable[Block], tasks: Mapping[str, Task], zone: ZoneInfo) -> dict[date, int]:
    """Where the published plan starts each day's work; appointments and timed papers have hours of their own."""
    starts: dict[date, int] = {}
    for block in published:
        if not block.parts or any(part.task in tasks and tasks[part.task].role is Role.PAPER for part in block.parts):
            continue
        start = _minutes(instant(block.start.replace(fold=block.fold), zone))
        starts[block.day] = min(start, starts.get(block.day, start))
    return starts


def _appointments(
    request: Request, days: Sequence[Day], zone: ZoneInfo, seed: str, as_of: datetime
) -> list[tuple[int, Block]]:
    """The start in minutes and the block for each appointment that starts on one of the days."""
    dates = {day.day for day in days}
    blocks = []
    named: dict[tuple[str, str], int] = {}
    for one in request.appointments:
        if one.start.date() in dates:
            name = one.start.isoformat(), one.title
            named[name] = named.get(name, 0) + 1
            uid = identity(seed, "appointment", *name, str(named[name]))
            start = _minutes(instant(one.start, zone))
            block = _block(uid, start, one.minutes, (), zone, as_of)
            blocks.append((start, msgspec.structs.replace(block, title=one.title, fixed=True)))
    return blocks


def _block(uid: str, start: int, minutes: int, parts: tuple[Part, ...], zone: ZoneInfo, as_of: datetime) -> Block:
    wall = _wall(start, zone)
    return Block(
        uid=uid,
        day=wall.date(),
        start=wall.replace(tzinfo=None, fold=0),
        minutes=minutes,
        revised=as_of,
        parts=parts,
        fold=wall.fold,
    )


def _minutes(moment: datetime) -> int:
    return int(moment.timestamp()) // 60


def _wall(minutes: int, zone: ZoneInfo) -> datetime:
    return datetime.fromtimestamp(minutes * 60, zone)
