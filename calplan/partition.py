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
    """The best cut of the units, in exactly this order, at day boundaries; ``None`` if they do not fit so."""
    bands = band(order, canvas.rooms)
    if bands is None:
        return None
    cut = Cut(canvas, order)
    layers = cut.layers(bands)
    score = layers[-1][1][0]
    return Layout(slices(order, cut.counts(layers)), cut.scale.unpack(score), score)


def cells_at_most(canvas: Canvas, order: Sequence[Run]) -> int:
    """What :func:`cells` can be at the most for any order of these units; much quicker."""
    units, rooms = sum(run.units for run in order), canvas.rooms
    return 1 + (units + 1) * ((max(rooms, default=0) + 1) * len(set(canvas.present)) + sum(rooms) + len(rooms))


def cells(canvas: Canvas, order: Sequence[Run]) -> int:
    """How much work a cut of this order is: the numbers that it has to look at, in tables of what a day may hold
    (one for each set of exams that pinned work brings to a day) and in the layers of the days."""
    units, most = sum(run.units for run in order), max(canvas.rooms, default=0) + 1
    widths = (high - low + 1 for low, high in band(order, canvas.rooms) or ())
    layers = sum(width * (room + 1) for width, room in zip(widths, canvas.rooms, strict=False))
    return 1 + units * most * len(set(canvas.present)) + layers


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


class Cut:
    """Exact dynamic programming over (day, units placed so far) for one order.

    A layer holds, after each day, the packed cost of the best way to have placed k units, for every k between the
    least and the most that can be placed by then. What already costs more than some whole plan is dropped at both
    ends: no cost is negative, so it cannot become the best.
    """

    def __init__(self, canvas: Canvas, order: Sequence[Run]) -> None:
        self.canvas = canvas
        units = [run.job for run in order for _ in range(run.units)]
        self.ideals = [canvas.jobs[job].ideal for job in units]
        most = max(map(sum, zip(canvas.rooms, canvas.load, strict=True)), default=0)
        self.scale = Scale(len(units), len(canvas.rooms), most)
        self.texture = Texture(canvas, units, self.scale)
        self.day_costs = [self.costs_of(day) for day in range(len(canvas.rooms))]
        self.huge = 1 << (self.scale.clash + 40)

    def layers(self, bands: Sequence[tuple[int, int]]) -> list[tuple[int, list[int]]]:
        """All layers, each with the least number of units that it speaks of; the first one is before the first day."""
        layers = [(0, [0])]
        most = self.near_ideal(bands)
        for day, (low, high) in enumerate(bands):
            start, costs = layers[-1]
            high = min(high, start + len(costs) - 1 + self.canvas.rooms[day])
            low = max(low, start)
            costs = self.step(day, layers[-1], low, high)
            first = next(i for i, cost in enumerate(costs) if cost <= most)
            last = next(i for i in range(len(costs), 0, -1) if costs[i - 1] <= most)
            layers.append((low + first, costs[first:last]))
        return layers

    def near_ideal(self, bands: Sequence[tuple[int, int]]) -> int:
        """The packed cost of a plan made in one go: a day takes what follows as long as its ideal day has come."""
        score = place = 0
        for day, (low, high) in enumerate(bands):
            end, most = place, min(high, place + self.canvas.rooms[day])
            while end < most and (end < low or self.ideals[end] <= day):
                end += 1
            drift = sum(abs(day - ideal) for ideal in self.ideals[place:end]) << self.scale.drift
            joins = self.texture.table(self.canvas.present[day])[end - place][place]
            score += joins + drift + self.day_costs[day][end - place]
            place = end
        return score

    def step(self, day: int, before: tuple[int, list[int]], low: int, high: int) -> list[int]:
        """The best costs after ``day`` for ``low`` to ``high`` units placed, given those before it."""
        start, costs = before
        shift = self.scale.drift
        drift = [0, *accumulate([abs(day - ideal) << shift for ideal in self.ideals[start:high]])]
        base = list(map(sub, costs, drift))
        table = self.texture.table(self.canvas.present[day])
        best = [self.huge] * (high - low + 1)
        for count, extra in enumerate(self.day_costs[day]):
            first, last = max(start, low - count), min(start + len(base), high - count + 1)
            if first < last:
                at = slice(first + count - low, last + count - low)
                best[at] = [
                    known if known < (new := cost + join + extra) else new
                    for known, cost, join in zip(
                        best[at], base[first - start : last - start], table[count][first:last], strict=True
                    )
                ]
        return list(map(add, best, drift[low - start :]))

    def costs_of(self, day: int) -> list[int]:
        """Packed costs of a day that depend on its load alone, for 0 units to as many as it holds."""
        canvas, scale = self.canvas, self.scale
        load = canvas.load[day]
        always = max(0, len(canvas.present[day]) - 2) << scale.joins
        most = canvas.usual if day in canvas.eves else load + canvas.rooms[day]
        costs = [
            always + all_units * all_units + ((all_units > most) << scale.joins)
            for all_units in range(load, load + canvas.rooms[day] + 1)
        ]
        if not canvas.occupied[day]:
            costs[0] += 1 << scale.empty
        return costs

    def counts(self, layers: Sequence[tuple[int, list[int]]]) -> list[int]:
        """How many units each day holds in the best cut; of equal ones, that with the fullest early days."""
        counts = []
        place = layers[-1][0]
        for day in reversed(range(len(layers) - 1)):
            start, costs = layers[day]
            goal = layers[day + 1][1][place - layers[day + 1][0]]
            table = self.texture.table(self.canvas.present[day])
            drift = 0
            for count, extra in enumerate(self.day_costs[day]):
                k = place - count
                if 0 <= k - start < len(costs) and costs[k - start] + table[count][k] + drift + extra == goal:
                    break
                drift += abs(day - self.ideals[k - 1]) << self.scale.drift
            counts.append(count)
            place = k
        return counts[::-1]


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
