"""Work to days: what is kept, how high a day may go, and which day holds what.

One sentence carries the whole model: *the rotation is an order, the calendar is a partition of it*. An exam's tasks
stand in one sequence; scheduling cuts that sequence at day boundaries. Compressing a month into a week, stretching a
week into a month and weaving several exams together are the same cut with other numbers.

The goals, in this order, never mixed into one weighted sum:

1. **Least loss** (:func:`keep`): lost units by rank, compared lexicographically. Units with windows of days and days
   with capacities form a transversal matroid, so that taking units greedily in the order of their worth is exact
   (Cormen, Leiserson, Rivest & Stein, *Introduction to Algorithms*, the section on task scheduling as a matroid).
2. **Daily maximum** (:func:`ceiling`): a third above usual minutes, or five minutes above the least cap that holds the
   kept work at all (:func:`bound`), whichever is more; never above the limit.
3. **Fewest days** that hold first and second pass of one kind, then **fewest empty days**, then **fewest cuts and
   joins**; 4. **least drift** from the ideal days; 5. **most even days** (least sum of squares).

Goals 3 to 5 are met by exact dynamic programming over (units placed, day) on a given order of the units
(:func:`partition`). Within an exam the order is law; only how several exams are woven together is free, and
:func:`orders` proposes the candidates.

Everything here is in whole numbers: days are indices into the usable days, amounts are units.
"""

from __future__ import annotations

from heapq import heappop, heappush
from itertools import accumulate, groupby
from operator import itemgetter
from typing import TYPE_CHECKING

import msgspec

from calplan.capacity import Board, Job, Run, bound, ceiling, kept_runs, rooms_under, settle
from calplan.partition import Canvas, Layout, Piece, band, partition

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence


class Solution(msgspec.Struct, frozen=True, kw_only=True):
    """Where everything lies. ``kept`` counts the units of each job that are in; ``days`` has the pieces day by day.

    ``cost`` is (clashes, empty days, cuts and joins, drift, sum of squares). ``opened`` tells that taper days hold
    essentials; ``bent`` names the exams whose order had to give way to in-hand dates.
    """

    kept: tuple[int, ...]
    bound: int
    maximum: int
    days: tuple[tuple[Piece, ...], ...]
    cost: tuple[int, int, int, int, int]
    opened: bool = False
    bent: frozenset[int] = frozenset()


def solve(board: Board, jobs: Sequence[Job], *, essentials: bool = False, opened: Board | None = None) -> Solution:
    """The best plan for the goals above.

    With ``essentials``, extras are kept only as far as a third above usual minutes reaches. ``opened`` is the board
    to use instead if essential work would be lost: taper days before the eve then take essentials up to their ``late``
    day.
    """
    kept, late = settle(board, jobs, essentials=essentials, opened=opened)
    if late and opened is not None:
        board = opened
    runs = kept_runs(jobs, kept, late=late)
    floor = bound(runs, board)
    cap = ceiling(board, floor)
    rooms = rooms_under(board, cap)
    pinned = [run for run in runs if jobs[run.job].pinned]
    free = [run for run in runs if not jobs[run.job].pinned]
    canvas = Canvas(board, jobs, kept, rooms, pinned)
    layouts = [partition(canvas, order) for order in orders(free, jobs, canvas.rooms)]
    layout = min((layout for layout in layouts if layout is not None), key=lambda layout: layout.score)
    days = [list(pieces) for pieces in layout.days]
    for run in pinned:
        days[run.release].append(Piece(run.job, run.first, run.units))
    return Solution(
        kept=kept,
        bound=floor,
        maximum=cap,
        days=tuple(map(tuple, days)),
        cost=layout.cost,
        opened=late,
        bent=bent_exams(layout, jobs),
    )


# ---------------------------------------------------------------------- how several exams are woven


def orders(runs: Sequence[Run], jobs: Sequence[Job], room: Sequence[int]) -> list[list[Run]]:
    """Candidate orders of all units; at least one of them fits.

    (a) by ideal day, then exam date; (b) earliest due date, with units released no sooner than some days before their
    ideal day, for the fewest such days at which everything fits; (c) the same, with tasks kept whole. Releases and
    dues are first made monotone along each exam, after which earliest due date respects the order and finds a plan if
    there is one. Should none exist under the ceiling, (d) is earliest due date with the true windows: it always fits.
    """
    lawful = monotone(runs, jobs)
    found = [sorted(lawful, key=lambda run: (jobs[run.job].ideal, jobs[run.job].exam, run.job, run.first))]
    if len({jobs[run.job].exam for run in runs}) > 1 or fixed_dates(lawful):
        found += woven(lawful, jobs, room)
    unique = [order for i, order in enumerate(found) if order not in found[:i]]
    if any(feasible(order, room) for order in unique):
        return unique
    placed = earliest_due(runs, jobs, room, lead=len(room))
    assert placed is not None, "kept units fit their windows"
    return [by_day(placed, jobs)]


def monotone(runs: Sequence[Run], jobs: Sequence[Job]) -> list[Run]:
    """The runs with releases that never fall and dues that never fall along an exam.

    An exam in which a window closes by that cannot keep its order; its runs keep their windows.
    """
    result = []
    for _, group in groupby(sorted(runs, key=lambda r: (jobs[r.job].exam, r.job, r.first)), lambda r: jobs[r.job].exam):
        mine = list(group)
        releases = list(accumulate((run.release for run in mine), max))
        dues = list(accumulate((run.due for run in reversed(mine)), min))[::-1]
        if all(release <= due for release, due in zip(releases, dues, strict=True)):
            mine = [run._replace(release=r, due=d) for run, r, d in zip(mine, releases, dues, strict=True)]
        result += mine
    return result


def fixed_dates(runs: Sequence[Run]) -> bool:
    """Whether some unit cannot lie on every day of its exam."""
    return len({(run.release, run.due) for run in runs}) > 1


def woven(runs: Sequence[Run], jobs: Sequence[Job], room: Sequence[int]) -> list[list[Run]]:
    """The orders (b) and (c) of :func:`orders`; empty if the order within the exams cannot be kept at all."""
    low, high = 0, len(room)
    if earliest_due(runs, jobs, room, lead=high) is None:
        return []
    while low < high:
        middle = (low + high) // 2
        if earliest_due(runs, jobs, room, lead=middle) is None:
            low = middle + 1
        else:
            high = middle
    placed = earliest_due(runs, jobs, room, lead=low)
    assert placed is not None
    first_day: dict[int, int] = {}
    for day, run in placed:
        first_day.setdefault(run.job, day)
    whole = sorted(runs, key=lambda run: (first_day[run.job], jobs[run.job].exam, run.job, run.first))
    return [by_day(placed, jobs), whole]


def earliest_due(
    runs: Sequence[Run], jobs: Sequence[Job], room: Sequence[int], *, lead: int
) -> list[tuple[int, Run]] | None:
    """Earliest due date with preemption, day by day; ``None`` when a unit would be late.

    No unit lies more than ``lead`` days before its ideal day. With unit pieces this finds a plan whenever there is one
    (Horn 1974, Naval Research Logistics Quarterly 21(1), for the method).
    """
    waiting = sorted(
        ((max(run.release, jobs[run.job].ideal - lead), run.due, run.job, run.first, run) for run in runs), reverse=True
    )
    ready: list[tuple[int, int, int, Run]] = []
    placed = []
    for day, space in enumerate(room):
        while waiting and waiting[-1][0] <= day:
            _, due, job, first, run = waiting.pop()
            heappush(ready, (due, job, first, run))
        while space and ready:
            due, job, first, run = heappop(ready)
            count = min(space, run.units)
            placed.append((day, run._replace(units=count)))
            space -= count
            if count < run.units:
                rest = run._replace(first=first + count, units=run.units - count)
                heappush(ready, (due, job, first + count, rest))
        if ready and ready[0][0] <= day:
            return None
    return None if waiting or ready else placed


def by_day(placed: Iterable[tuple[int, Run]], jobs: Sequence[Job]) -> list[Run]:
    """The units in the order of their days; inside a day exam by exam, in each exam's order."""
    return [run for _, run in sorted(placed, key=lambda p: (p[0], jobs[p[1].job].exam, p[1].job, p[1].first))]


def feasible(order: Sequence[Run], room: Sequence[int]) -> bool:
    """Whether the units fit when they are laid out in exactly this order."""
    return band(order, room) is not None


def bent_exams(layout: Layout, jobs: Sequence[Job]) -> frozenset[int]:
    """The exams whose jobs do not lie in their order, day by day."""
    latest: dict[int, int] = {}
    bent = set()
    for pieces in layout.days:
        today: dict[int, int] = {}
        for piece in sorted(pieces, key=itemgetter(0)):
            exam = jobs[piece.job].exam
            if piece.job < latest.get(exam, -1):
                bent.add(exam)
            today[exam] = max(today.get(exam, -1), piece.job)
        for exam, job in today.items():
            latest[exam] = max(latest.get(exam, -1), job)
    return frozenset(bent)
