"""The cut: an order of units, and the days that it is laid on.

Given the order, :func:`partition` finds by exact dynamic programming the cut at day boundaries that has, in this order
of importance, the fewest days with first and second pass of one kind, the fewest empty days, the fewest cuts and
joins, the least drift from the ideal days, and the most even days.

A cost is a vector of these five; it is packed into one integer, so that adding and comparing stay exact and cheap.
"""

from __future__ import annotations

from collections import Counter
from itertools import accumulate
from operator import add, gt, sub
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from calplan.capacity import Board, Job, Run


class Piece(NamedTuple):
    """Units ``first`` to ``first + units`` of a job, on one day."""

    job: int
    first: int
    units: int


class Canvas:
    """What stays the same for every candidate order: rooms left by pinned work, fixed loads, exams already there."""

    def __init__(
        self, board: Board, jobs: Sequence[Job], kept: Sequence[int], rooms: Sequence[int], pinned: Iterable[Run]
    ) -> None:
        self.jobs = jobs
        self.kept = kept
        self.usual = board.usual
        self.eves = board.eves
        left, load = list(rooms), list(board.load)
        present: list[set[int]] = [set() for _ in rooms]
        for run in pinned:
            left[run.release] -= run.units
            load[run.release] += run.units
            present[run.release].add(jobs[run.job].exam)
        self.rooms = tuple(left)
        self.load = tuple(load)
        self.present = tuple(map(frozenset, present))
        self.occupied = tuple(
            filled or bool(load) or not room for filled, load, room in zip(board.filled, load, board.room, strict=True)
        )


class Layout(NamedTuple):
    """A partition: its days, its cost vector, and the same vector as one comparable number."""

    days: list[list[Piece]]
    cost: tuple[int, int, int, int, int]
    score: int


class Scale:
    """Packs the cost vector into one integer, the first goal in the highest bits; sums and minima stay exact."""

    def __init__(self, units: int, days: int, most: int) -> None:
        squares = (days * (most * most)).bit_length() + 1
        drift = (units * days).bit_length() + 1
        joins = (8 * units + 8 * days + 64).bit_length() + 1
        self.drift = squares
        self.joins = squares + drift
        self.empty = self.joins + joins
        self.clash = self.empty + days.bit_length() + 1

    def unpack(self, score: int) -> tuple[int, int, int, int, int]:
        """(clashes, empty days, cuts and joins, drift, sum of squares)."""
        fields = (self.clash, self.empty, self.joins, self.drift, 0)
        values = []
        for shift in fields:
            values.append(score >> shift)
            score -= values[-1] << shift
        clash, empty, joins, drift, squares = values
        return clash, empty, joins, drift, squares


def partition(canvas: Canvas, order: Sequence[Run]) -> Layout | None:
    """The best cut of the units, in exactly this order, at day boundaries; ``None`` if they do not fit so.

    Exact dynamic programming over (day, units placed so far). Only counts between the earliest and the latest feasible
    one are visited. ``best[k]`` holds the packed cost of the best way to have placed ``k`` units after a day.
    """
    bands = band(order, canvas.rooms)
    if bands is None:
        return None
    units = [run.job for run in order for _ in range(run.units)]
    ideals = [canvas.jobs[job].ideal for job in units]
    scale = Scale(len(units), len(canvas.rooms), max(map(sum, zip(canvas.rooms, canvas.load, strict=True)), default=0))
    texture = Texture(canvas, units, scale)
    layers = [(0, [0])]
    for day, (low, high) in enumerate(bands):
        layers.append((low, step(canvas, texture, scale, day, ideals, layers[-1], low, high)))
    score = layers[-1][1][0]
    cuts = trace(canvas, texture, scale, ideals, layers)
    return Layout(slices(order, cuts), scale.unpack(score), score)


def band(order: Sequence[Run], room: Sequence[int]) -> list[tuple[int, int]] | None:
    """For each day, the least and the most units that can be placed by its end; ``None`` if the order does not fit."""
    days, total = len(room), sum(run.units for run in order)
    most, least = [total] * days, [0] * days
    place = released = 0
    for run in order:
        most[released : run.release] = [place] * (min(run.release, days) - released)
        released = max(released, run.release)
        place += run.units
        if run.due < days:
            least[run.due] = place
    high = 0
    for day in range(days):
        high = most[day] = min(most[day], high + room[day])
    low = total
    for day in reversed(range(days)):
        least[day] = max(least[day], low)
        low = least[day] - room[day]
    least = list(accumulate(least, max))
    if low > 0 or high < total or any(map(gt, least, most)):
        return None
    return list(zip(least, most, strict=True))


def step(
    canvas: Canvas,
    texture: Texture,
    scale: Scale,
    day: int,
    ideals: Sequence[int],
    before: tuple[int, list[int]],
    low: int,
    high: int,
) -> list[int]:
    """The best costs after ``day`` for ``low`` to ``high`` units placed, given those before it."""
    start, costs = before
    drift = drifts(day, ideals, scale, start, high)
    base = list(map(sub, costs, drift))
    table = texture.table(canvas.present[day])
    huge = 1 << (scale.clash + 40)
    best = [huge] * (high - low + 1)
    for count in range(canvas.rooms[day] + 1):
        first, last = max(start, low - count), min(start + len(base) - 1, high - count)
        if first > last:
            continue
        extra = day_cost(canvas, scale, day, count)
        at = first + count - low
        old = best[at : at + last - first + 1]
        here = base[first - start : last - start + 1]
        joins = table[count][first : last + 1]
        best[at : at + last - first + 1] = [
            known if known < (new := cost + join + extra) else new
            for known, cost, join in zip(old, here, joins, strict=True)
        ]
    return [cost + drift[low - start + i] for i, cost in enumerate(best)]


def drifts(day: int, ideals: Sequence[int], scale: Scale, start: int, high: int) -> list[int]:
    """Packed drift of units ``start`` to k on ``day``, for k from ``start`` to ``high``."""
    shift = scale.drift
    return list(accumulate((abs(day - ideal) << shift for ideal in ideals[start:high]), initial=0))


def day_cost(canvas: Canvas, scale: Scale, day: int, count: int) -> int:
    """Packed cost of a day that depends on its load alone."""
    load = canvas.load[day] + count
    empty = count == 0 and not canvas.occupied[day]
    joins = max(0, len(canvas.present[day]) - 2) + (day in canvas.eves and load > canvas.usual)
    return (empty << scale.empty) + (joins << scale.joins) + load * load


class Texture:
    """Packed cuts, joins and clashes of any stretch of the order on one day.

    A stretch pays one for each task continued from an earlier day, for each part under ten minutes of a longer task,
    for each kind beyond an exam's first and for each exam beyond the second; and a clash for each kind whose first
    and second pass it both holds. Stretches grow unit by unit: what the last unit adds depends only on how far
    back its likes stand, so that it is the same for all stretches of a length, whatever they start with.
    """

    def __init__(self, canvas: Canvas, units: Sequence[int], scale: Scale) -> None:
        self.jobs, self.units = canvas.jobs, units
        self.join = 1 << scale.joins
        self.most = max(canvas.rooms, default=0)
        self.exams = {canvas.jobs[job].exam for job in units}
        self.base = grown(terms(canvas.jobs, units, self.join, 1 << scale.clash), len(units), self.most)
        self.tables: dict[frozenset[int], list[list[int]]] = {}

    def table(self, present: frozenset[int]) -> list[list[int]]:
        """``table[count][k]``: the packed cost of units k to k + count on a day that already holds ``present``."""
        if present not in self.tables:
            self.tables[present] = self.with_exams(present)
        return self.tables[present]

    def with_exams(self, present: frozenset[int]) -> list[list[int]]:
        """The base table with what exams beyond the second cost, beyond what those already there cost."""
        new = self.exams - present
        if len(new) + len(present) <= 2:
            return self.base
        last: dict[int, int] = {}
        firsts = []
        for place, job in enumerate(self.units):
            exam = self.jobs[job].exam
            if exam in new:
                firsts.append(Term(place, 1, place - last.get(exam, -1), 1))
            last[exam] = place
        counts = grown(firsts, len(self.units), self.most)
        spare = max(0, 2 - len(present))
        price = [self.join * max(0, count - spare) for count in range(len(new) + 1)]
        return [
            [cost + price[count] for cost, count in zip(costs, numbers, strict=True)]
            for costs, numbers in zip(self.base, counts, strict=True)
        ]


class Term(NamedTuple):
    """What a unit adds to every stretch that ends with it and has ``shortest`` to ``longest`` units."""

    unit: int
    shortest: int
    longest: int
    cost: int


def terms(jobs: Sequence[Job], units: Sequence[int], join: int, clash: int) -> list[Term]:
    """What every unit of an order adds, by where the last unit stands (-1: nowhere) that is like it."""
    sizes = Counter(units)
    last: dict[object, int] = {}
    found = []
    for place, task in enumerate(units):
        job, long = jobs[task], sizes[task] > 1
        kind, kinds, before = (job.exam, job.kind), ("kinds", job.exam), last.get(task, -1)
        this_pass, other_pass = (kind, job.second), (kind, not job.second)
        first = join * ((before >= 0) + long)
        found.append(Term(place, 1, place - before, first))
        if long and before >= 0:  # a second unit mends the part under ten minutes
            found.append(Term(place, place - before + 1, place - last.get(("before", task), -1), -join))
        if job.kind >= 0:
            found.append(Term(place, place - last.get(kinds, -1) + 1, place - last.get(kind, -1), join))
            found.append(Term(place, place - last.get(other_pass, -1) + 1, place - last.get(this_pass, -1), clash))
            last[kind] = last[kinds] = last[this_pass] = place
        last["before", task], last[task] = before, place
    return found


def grown(terms: Iterable[Term], units: int, most: int) -> list[list[int]]:
    """``grown[count][k]``: the sum of all terms over the stretch of ``count`` units from the k-th on."""
    changes: list[list[tuple[int, int]]] = [[] for _ in range(most + 2)]
    for unit, shortest, longest, cost in terms:
        if shortest <= min(longest, most):
            changes[shortest].append((unit, cost))
            changes[min(longest, most) + 1].append((unit, -cost))
    adds = [0] * units
    rows = [[0] * (units + 1)]
    for count in range(1, most + 1):
        for unit, cost in changes[count]:
            adds[unit] += cost
        rows.append(list(map(add, rows[-1], adds[count - 1 :])))
    return rows


def trace(
    canvas: Canvas,
    texture: Texture,
    scale: Scale,
    ideals: Sequence[int],
    layers: Sequence[tuple[int, list[int]]],
) -> list[int]:
    """How many units each day holds in the best partition; of equal ones, that with the fullest early days."""
    counts = []
    place = layers[-1][0]
    for day in range(len(layers) - 2, -1, -1):
        start, costs = layers[day]
        goal = layers[day + 1][1][place - layers[day + 1][0]]
        table = texture.table(canvas.present[day])
        for count in range(min(canvas.rooms[day], place - start) + 1):
            k = place - count
            if k - start >= len(costs):
                continue
            drift = sum(abs(day - ideal) for ideal in ideals[k:place]) << scale.drift
            if costs[k - start] + table[count][k] + drift + day_cost(canvas, scale, day, count) == goal:
                counts.append(count)
                place = k
                break
    return counts[::-1]


def slices(order: Sequence[Run], counts: Sequence[int]) -> list[list[Piece]]:
    """The pieces of each day; neighbouring units of one job are one piece."""
    queue = [(run.job, run.first, run.units) for run in order][::-1]
    days = []
    for count in counts:
        pieces: list[Piece] = []
        while count:
            job, first, size = queue.pop()
            taken = min(size, count)
            if taken < size:
                queue.append((job, first + taken, size - taken))
            count -= taken
            pieces.append(Piece(job, first, taken))
        days.append(joined(pieces))
    return days


def joined(pieces: Iterable[Piece]) -> list[Piece]:
    """The pieces in their order, with neighbouring units of one job made one."""
    result: list[Piece] = []
    for piece in pieces:
        if result and result[-1].job == piece.job and result[-1].first + result[-1].units == piece.first:
            result[-1] = result[-1]._replace(units=result[-1].units + piece.units)
        else:
            result.append(piece)
    return result
