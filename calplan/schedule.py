"""Work to days: what is kept, how high a day may go, and which day holds what.

One sentence carries the whole model: *the rotation is an order, the calendar is a partition of it*. An exam's tasks
stand in one sequence; scheduling cuts that sequence at day boundaries. Compressing a month into a week, stretching a
week into a month and weaving several exams together are the same cut with other numbers.

The goals, in this order, never mixed into one weighted sum:

1. **Least loss** (:func:`~calplan.capacity.settle`): lost units by rank, compared lexicographically. Units with windows
   of days and days with capacities form a transversal matroid, so that taking units greedily in the order of their
   worth is exact (Cormen, Leiserson, Rivest & Stein, *Introduction to Algorithms*, the section on task scheduling as a
   matroid).
2. **Fixed days** (:func:`~calplan.capacity.near_fixed_days`): what a teacher fixed for a day lies on it, else as near
   to it as what is kept allows, the earlier days first.
3. **Daily maximum** (:func:`~calplan.capacity.ceiling`): a third above usual minutes, or five minutes above the least
   cap that holds the kept work at all (:func:`~calplan.capacity.bound`), whichever is more; never above the limit.
4. **Fewest days** that hold first and second pass of one kind, then **fewest empty days**, then **fewest cuts and
   joins**; 5. **least drift** from the ideal days; 6. **most even days** (least sum of squares).

Goals 4 to 6 are met by exact dynamic programming over (units placed, day) on a given order of the units
(:func:`~calplan.partition.partition`). Within an exam the order is law; only how several exams are woven together is
free, and :func:`~calplan.weaving.weave` looks for it.

Everything here is in whole numbers: days are indices into the usable days, amounts are units.
"""

from __future__ import annotations

from operator import itemgetter
from typing import TYPE_CHECKING

import msgspec

from calplan.capacity import Board, Job, bound, ceiling, kept_runs, near_fixed_days, rooms_under, settle
from calplan.partition import Canvas, Layout, Piece
from calplan.weaving import weave

if TYPE_CHECKING:
    from collections.abc import Sequence


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
    jobs = near_fixed_days(jobs, kept, board.room, late=late)
    runs = kept_runs(jobs, kept, late=late)
    floor = bound(runs, board)
    cap = ceiling(board, floor)
    rooms = rooms_under(board, cap)
    pinned = [run for run in runs if jobs[run.job].pinned]
    free = [run for run in runs if not jobs[run.job].pinned]
    canvas = Canvas(board, jobs, kept, rooms, pinned)
    layout = weave(canvas, free)
    days = [sorted(pieces, key=lambda piece: not jobs[piece.job].nearer) for pieces in layout.days]  # fixed ones first
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


def bent_exams(layout: Layout, jobs: Sequence[Job]) -> frozenset[int]:
    """The exams whose jobs do not lie in their order, day by day; those that are fixed for a day have none to keep."""
    latest: dict[int, int] = {}
    bent = set()
    for pieces in layout.days:
        today: dict[int, int] = {}
        for piece in sorted((one for one in pieces if not jobs[one.job].nearer), key=itemgetter(0)):
            exam = jobs[piece.job].exam
            if piece.job < latest.get(exam, -1):
                bent.add(exam)
            today[exam] = max(today.get(exam, -1), piece.job)
        for exam, job in today.items():
            latest[exam] = max(latest.get(exam, -1), job)
    return frozenset(bent)
