"""The cut: an order of units, and the days that it is laid on.

Given the order, :func:`partition` finds by exact dynamic programming the cut at day boundaries that has, in this order
of importance, the fewest days with first and second pass of one kind, the fewest empty days, the fewest cuts and
joins, the least drift from the ideal days, and the most even days.

A cost is a vector of these five; it is packed into one integer, so that adding and comparing stay exact and cheap.
"""

from __future__ import annotations

from collections import Counter
from functools import cached_property
from itertools import accumulate
from operator import add, sub
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

    def below(self, score: int) -> int:
        """The least score that has as many clashes, empty days, cuts and joins: what is below it has fewer."""
        return score >> self.joins << self.joins


def partition(canvas: Canvas, order: Sequence[Run]) -> Layout | None:
    """The best cut of the units, in exactly this order, at day boundaries; ``None`` if they do not fit so."""
    cut = Tariff(canvas, order).cut(order)
    return None if cut is None else cut.layout


def cells_at_most(canvas: Canvas, order: Sequence[Run]) -> int:
    """What :func:`cells` can be at the most for any order of these units; much quicker."""
    units, rooms = sum(run.units for run in order), canvas.rooms
    return 1 + (units + 1) * ((max(rooms, default=0) + 1) * len(set(canvas.present)) + sum(rooms) + len(rooms))


def cells(canvas: Canvas, order: Sequence[Run]) -> int:
    """How much work a cut of this order is: how many numbers it has to look at.

    They stand in tables of what a day may hold (one for each set of exams that pinned work brings to a day) and in the
    layers of the days.
    """
    units, most = sum(run.units for run in order), max(canvas.rooms, default=0) + 1
    widths = (high - low + 1 for low, high in band(order, canvas.rooms) or ())
    layers = sum(width * (room + 1) for width, room in zip(widths, canvas.rooms, strict=False))
    return 1 + units * most * len(set(canvas.present)) + layers


def band(order: Sequence[Run], room: Sequence[int]) -> list[tuple[int, int]] | None:
    """For each day, the least and the most units that can be placed by its end; ``None`` if the order does not fit."""
    found = with_room(*windows(order, len(room)), room)
    if sum(run.units for run in order) > sum(room) or any(low > high for low, high in found):
        return None
    return found


def windows(order: Iterable[Run], days: int) -> tuple[list[int], list[int]]:
    """For each day, the units up to the last that is due by its end, and those before the first that opens later.

    On the last day all are due.
    """
    due, opened = [0] * days, list[int]()
    place = 0
    for run in order:
        opened += [place] * (min(run.release, days) - len(opened))
        place += run.units
        if run.due < days:
            due[run.due] = place
    due[-1:] = [place] * min(days, 1)
    return list(accumulate(due, max)), opened + [place] * (days - len(opened))


def with_room(due: Sequence[int], opened: Sequence[int], room: Sequence[int]) -> list[tuple[int, int]]:
    """The least and the most units that can be placed by the end of each day, as no day holds more than its room."""
    least, most = list(due), list(opened)
    high = 0
    for day, space in enumerate(room):
        high = most[day] = min(most[day], high + space)
    for day in reversed(range(len(room) - 1)):
        least[day] = max(least[day], least[day + 1] - room[day + 1])
    return list(zip(least, most, strict=True))


Layer = tuple[int, list[int]]
"""Packed costs for so many units and more: of having placed them by some day, or of placing what is left after it."""


class Tariff:
    """What is the same for all orders of the same units on a canvas: the scale, and what a day costs by its load."""

    def __init__(self, canvas: Canvas, order: Sequence[Run]) -> None:
        self.canvas = canvas
        self.sizes = Counter[int]()
        for run in order:
            self.sizes[run.job] += run.units
        fullest = max(map(sum, zip(canvas.rooms, canvas.load, strict=True)), default=0)
        self.scale = Scale(self.sizes.total(), len(canvas.rooms), fullest)
        self.likes = {task: likes(canvas.jobs[task]) for task in self.sizes}
        self.most = max(canvas.rooms, default=0)
        self.huge = 1 << (self.scale.clash + 40)
        self.day_costs = [self.costs_of(day) for day in range(len(canvas.rooms))]
        days = len(canvas.rooms)
        due = windows(sorted(order, key=lambda run: run.due), days)[0]
        opened = windows(sorted(order, key=lambda run: run.release), days)[1]
        self.bounds = with_room(due, opened, canvas.rooms)

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

    def ranges(self, order: Iterable[Run]) -> list[tuple[int, int]]:
        """For each day, the least and the most units that may have been placed by its end in this order.

        A little wider than :func:`band`: of the room on other days, only what counts in any order is looked at. So two
        orders have the same ranges as far as they begin alike, and as far as they end alike.
        """
        due, opened = windows(order, len(self.bounds))
        return [
            (max(low, least), min(high, most))
            for low, high, (least, most) in zip(due, opened, self.bounds, strict=True)
        ]

    def cut(self, order: Sequence[Run], most: int | None = None) -> Cut | None:
        """The best cut of the units in this order; ``None`` if they do not fit so, or none costs ``most`` or less."""
        bands = band(order, self.canvas.rooms)
        if bands is None:
            return None
        cut = Cut(self, order, bands, self.huge if most is None else most)
        return cut if cut.layers else None


def likes(job: Job) -> tuple[str, str, str, str]:
    """What likeness is told by: the exam, its kind, the pass over it, the other pass; without a kind, nothing."""
    if job.kind < 0:
        return "", "", "", ""
    exam, kind = f"{job.exam}", f"{job.exam} {job.kind}"
    return exam, kind, f"{kind} {job.second}", f"{kind} {not job.second}"


class Steps:
    """Units in their order, and what the best ways to lay them cost, from one day to the next.

    They may be a stretch of a longer order: ``seen`` are the tasks that have units before it.
    """

    def __init__(self, tariff: Tariff, units: Sequence[int], seen: Iterable[int] = ()) -> None:
        self.tariff = tariff
        self.present = tariff.canvas.present
        self.ideals = [tariff.canvas.jobs[job].ideal for job in units]
        self.texture = Texture(tariff, units, seen)

    def forward(self, day: int, before: Layer, low: int, high: int) -> list[int]:
        """The best costs after ``day`` for ``low`` to ``high`` units placed, given those before it."""
        start, costs = before
        drift = self.drift(day, start, high)
        base = list(map(sub, costs, drift))
        table = self.texture.table(self.present[day])
        best = [self.tariff.huge] * (high - low + 1)
        for count, extra in enumerate(self.tariff.day_costs[day]):
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

    def backward(self, day: int, after: Layer, low: int, high: int) -> list[int]:
        """The best costs of what is left before ``day``, ``low`` to ``high`` units being placed, given those after."""
        start, costs = after
        drift = self.drift(day, low, start + len(costs) - 1)
        base = list(map(add, costs, drift[start - low :]))
        table = self.texture.table(self.present[day])
        best = [self.tariff.huge] * (high - low + 1)
        for count, extra in enumerate(self.tariff.day_costs[day]):
            first, last = max(low, start - count), min(high + 1, start + len(base) - count)
            if first < last:
                at = slice(first - low, last - low)
                best[at] = [
                    known if known < (new := cost + join + extra) else new
                    for known, cost, join in zip(
                        best[at],
                        base[first + count - start : last + count - start],
                        table[count][first:last],
                        strict=True,
                    )
                ]
        return list(map(sub, best, drift))

    def drift(self, day: int, first: int, last: int) -> list[int]:
        """The packed drift on this day of no unit, of the ``first``, of it and the next, and so on to the ``last``."""
        shift = self.tariff.scale.drift
        return [0, *accumulate([abs(day - ideal) << shift for ideal in self.ideals[first:last]])]


class Cut:
    """Exact dynamic programming over (day, units placed so far) for one order.

    A layer holds, after each day, the packed cost of the best way to have placed k units, for every k between the
    least and the most that can be placed by then. What already costs more than some whole plan is dropped at both
    ends: no cost is negative, so it cannot become the best.
    """

    def __init__(self, tariff: Tariff, order: Sequence[Run], bands: Sequence[tuple[int, int]], most: int) -> None:
        self.tariff, self.order = tariff, order
        self.ranges = tariff.ranges(order)
        self.units = units_of(order)
        self.steps = Steps(tariff, self.units)
        self.layers = self.beginnings(min(most, self.near_ideal(bands)))
        self.score = self.layers[-1][1][0] if self.layers else self.tariff.huge

    @property
    def cost(self) -> tuple[int, int, int, int, int]:
        """(clashes, empty days, cuts and joins, drift, sum of squares)."""
        return self.tariff.scale.unpack(self.score)

    @cached_property
    def layout(self) -> Layout:
        """The best cut itself."""
        return Layout(slices(self.order, self.counts()), self.cost, self.score)

    def beginnings(self, most: int) -> list[Layer]:
        """All layers, each with the least number of units that it speaks of; the first one is before the first day.

        What costs more than ``most`` is left out; there are none at all if everything does.
        """
        layers = [(0, [0])]
        for day, (low, high) in enumerate(self.ranges):
            start, costs = layers[-1]
            high = min(high, start + len(costs) - 1 + self.tariff.canvas.rooms[day])
            low = max(low, start)
            layers.append(trimmed((low, self.steps.forward(day, layers[-1], low, high)), most))
            if not layers[-1][1]:
                return []
        return layers

    @cached_property
    def endings(self) -> list[Layer]:
        """For as many days as are over, and every k that can be placed by then, the packed cost of all that is left.

        What is left out costs more than the whole best cut.
        """
        layers = [(len(self.units), [0])]
        for day in reversed(range(len(self.ranges))):
            low, high = self.ranges[day - 1] if day else (0, 0)
            start, costs = layers[-1]
            high = min(high, start + len(costs) - 1)
            low = max(low, start - self.tariff.canvas.rooms[day])
            layers.append(trimmed((low, self.steps.backward(day, layers[-1], low, high)), self.score))
        return layers[::-1]

    def near_ideal(self, bands: Iterable[tuple[int, int]]) -> int:
        """The packed cost of a plan made in one go: a day takes what follows as long as its ideal day has come."""
        ideals, present = self.steps.ideals, self.tariff.canvas.present
        score = place = 0
        for day, (low, high) in enumerate(bands):
            end, most = place, min(high, place + self.tariff.canvas.rooms[day])
            while end < most and (end < low or ideals[end] <= day):
                end += 1
            joins = self.steps.texture.table(present[day])[end - place][place]
            score += joins + self.steps.drift(day, place, end)[-1] + self.tariff.day_costs[day][end - place]
            place = end
        return score

    def counts(self) -> list[int]:
        """How many units each day holds in the best cut; of equal ones, that with the fullest early days."""
        counts = []
        place = self.layers[-1][0]
        for day in reversed(range(len(self.layers) - 1)):
            start, costs = self.layers[day]
            goal = self.layers[day + 1][1][place - self.layers[day + 1][0]]
            table = self.steps.texture.table(self.tariff.canvas.present[day])
            drift = 0
            for count, extra in enumerate(self.tariff.day_costs[day]):
                k = place - count
                if 0 <= k - start < len(costs) and costs[k - start] + table[count][k] + drift + extra == goal:
                    break
                drift += abs(day - self.steps.ideals[k - 1]) << self.tariff.scale.drift
            counts.append(count)
            place = k
        return counts[::-1]


def units_of(order: Iterable[Run]) -> list[int]:
    """The tasks of the units, one by one."""
    return [run.job for run in order for _ in range(run.units)]


def trimmed(layer: Layer, most: int) -> Layer:
    """The layer without what costs more than ``most`` at either end; empty if all of it does."""
    low, costs = layer
    first = next((i for i, cost in enumerate(costs) if cost <= most), len(costs))
    last = next((i for i in range(len(costs), first, -1) if costs[i - 1] <= most), first)
    return low + first, costs[first:last]


class Texture:
    """Packed cuts, joins and clashes of any stretch of the order on one day.

    A stretch pays one for each task continued from an earlier day, for each part under ten minutes of a longer task,
    for each kind beyond an exam's first and for each exam beyond the second; and a clash for each kind whose first
    and second pass it both holds. Stretches grow unit by unit: what the last unit adds depends only on how far
    back its likes stand, so that it is the same for all stretches of a length, whatever they start with.
    """

    def __init__(self, tariff: Tariff, units: Sequence[int], seen: Iterable[int]) -> None:
        self.most, self.join = tariff.most, 1 << tariff.scale.joins
        self.exams = [tariff.canvas.jobs[job].exam for job in units]
        self.terms = terms(tariff, units, seen)
        self.base = grown(self.terms, len(units), self.most)
        self.tables: dict[frozenset[int], list[list[int]]] = {}

    def table(self, present: frozenset[int]) -> list[list[int]]:
        """``table[count][k]``: the packed cost of units k to k + count on a day that already holds ``present``."""
        if present not in self.tables:
            further = self.further(present)
            self.tables[present] = grown(self.terms + further, len(self.exams), self.most) if further else self.base
        return self.tables[present]

    def further(self, present: frozenset[int]) -> list[Term]:
        """What units add as the first of an exam beyond the second of their day; exams already there are its first."""
        last = dict.fromkeys(set(self.exams) - present, -1)
        spare = max(0, 2 - len(present))
        found: list[Term] = []
        if len(last) <= spare:
            return found
        for place, exam in enumerate(self.exams):
            if exam in last:
                others = sorted((last[other] for other in last if other != exam), reverse=True)
                shortest = place - others[spare - 1] + 1 if spare else 1
                if shortest <= place - last[exam]:
                    found.append((place, shortest, place - last[exam], self.join))
                last[exam] = place
        return found


Term = tuple[int, int, int, int]
"""A unit, and what it adds to every stretch that ends with it: from so many units, to so many units, the cost."""


def terms(tariff: Tariff, units: Sequence[int], seen: Iterable[int]) -> list[Term]:
    """What every unit of an order adds, by where the last unit stands (-1: nowhere) that is like it."""
    join, clash = 1 << tariff.scale.joins, 1 << tariff.scale.clash
    begun = set(seen)
    last: dict[object, int] = {}
    earlier: dict[int, int] = {}
    found: list[Term] = []
    for place, task in enumerate(units):
        exam, kind, this_pass, other_pass = tariff.likes[task]
        long, before = tariff.sizes[task] > 1, last.get(task, -1)
        found.append((place, 1, place - before, join * ((task in begun) + long)))
        begun.add(task)
        if long and before >= 0:  # a second unit mends the part under ten minutes
            found.append((place, place - before + 1, place - earlier.get(task, -1), -join))
        if kind:
            same, other = last.get(kind, -1), last.get(exam, -1)
            if same < other:
                found.append((place, place - other + 1, place - same, join))
            same, other = last.get(this_pass, -1), last.get(other_pass, -1)
            if same < other:
                found.append((place, place - other + 1, place - same, clash))
            last[exam] = last[kind] = last[this_pass] = place
        earlier[task], last[task] = before, place
    return found


def grown(terms: Iterable[Term], units: int, most: int) -> list[list[int]]:
    """``grown[count][k]``: the sum of all terms over the stretch of ``count`` units from the k-th on."""
    changes: list[list[tuple[int, int]]] = [[] for _ in range(most + 2)]
    for unit, shortest, longest, cost in terms:
        if shortest <= most:
            changes[shortest].append((unit, cost))
            if longest < most:
                changes[longest + 1].append((unit, -cost))
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
