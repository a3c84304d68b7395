"""Whether another order is better than one that was cut, without cutting it whole.

A step of the weave moves a few units: before and behind them both orders are the same. Whatever the known order costs
up to there and from there on is known from its cut, so that only the ways through the stretch between have to be
reckoned, and mostly not even these: what is known is too much already. The answer is exact.
"""

from __future__ import annotations

from functools import cached_property
from itertools import accumulate
from typing import TYPE_CHECKING

from calplan.partition import Steps, trimmed, units_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from calplan.capacity import Run
    from calplan.partition import Cut, Layer

SHORT = 3
"""A detour is short up to this part of all units, a third; beyond it, cutting the order whole costs no more."""


class Detour:
    """An order of the units of a cut that differs from the cut's own in units ``first`` to ``last`` alone.

    Both have the units of each task in the task's own order, so that an order is the tasks of its units.
    """

    def __init__(self, cut: Cut, order: Sequence[Run]) -> None:
        self.cut, self.order, self.units = cut, order, units_of(order)
        units = self.units
        differing = [place for place, (one, other) in enumerate(zip(cut.units, units, strict=True)) if one != other]
        self.first, self.last = (differing[0], differing[-1] + 1) if differing else (0, 0)

    def __len__(self) -> int:
        return self.last - self.first

    @property
    def short(self) -> bool:
        """Whether it is short enough to be worth its own reckoning."""
        return len(self) * SHORT <= len(self.units)

    def leads_below(self, goal: int) -> bool:
        """Whether the order can be cut at a packed cost below the goal, which is not above that of the known cut.

        Such a cut has a night inside the detour: without one its days hold what days of the known order hold.
        """
        if not len(self):
            return False
        cut, first, last, huge = self.cut, self.first, self.last, self.cut.tariff.huge
        start, end = self.start, min(self.end, len(self.units))
        behind = [part(layer, last, end, huge) for layer in cut.endings]
        least = [*list(accumulate(map(min, reversed(behind)), min))[::-1], huge]
        inside: Layer = (last, [])
        for day, (low, high) in enumerate(cut.tariff.ranges(self.order)):
            place, costs = inside
            if costs:
                nearest, furthest = max(last, low), min(end, high)
                out = self.way_out.forward(day, (place - first, costs), nearest - first, furthest - first)
                rest = part((nearest, out), last, end, huge)
                if any(cost + left < goal for cost, left in zip(rest, behind[day + 1], strict=True)):
                    return True
            elif low >= last or high <= first:
                continue
            known = part(cut.layers[day], start, first, huge) + part(inside, first + 1, last - 1, huge)
            place, costs = trimmed((start, known), goal - 1 - least[day + 2])
            low, high = max(low, place, first + 1), min(high, last - 1)
            inside = (last, [])
            if costs and low <= high:
                found = self.way_in.forward(day, (place - start, costs), low - start, high - start)
                inside = trimmed((low, found), goal - 1 - least[day + 2])
        return False

    @property
    def start(self) -> int:
        """The least number of units from which a day can lead onto the detour."""
        return max(0, self.first + 1 - self.cut.tariff.most)

    @property
    def end(self) -> int:
        """The greatest number of units to which a day can lead from the detour."""
        return self.last - 1 + self.cut.tariff.most

    @cached_property
    def way_in(self) -> Steps:
        """Steps that end on the detour, reckoned from ``start``."""
        return Steps(self.cut.tariff, self.units[self.start : self.last], self.units[: self.start])

    @cached_property
    def way_out(self) -> Steps:
        """Steps that begin on the detour, reckoned from ``first``."""
        return Steps(self.cut.tariff, self.units[self.first : self.end], self.units[: self.first])


def part(layer: Layer, first: int, last: int, huge: int) -> list[int]:
    """The costs of ``first`` to ``last`` units; huge where the layer does not speak of them."""
    low, costs = layer
    start, end = max(first, low), min(last + 1, low + len(costs))
    if start >= end:
        return [huge] * (last + 1 - first)
    return [*[huge] * (start - first), *costs[start - low : end - low], *[huge] * (last + 1 - end)]
