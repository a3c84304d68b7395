"""Whether another order is better than one that was cut, without cutting it whole.

A step of the weave moves a few units: before and behind them both orders are the same. Whatever the known order costs
up to there and from there on is known from its cut, so that only the ways through the stretch between have to be
reckoned, and mostly not even these: what is known is too much already. The answer is exact.
"""

from __future__ import annotations

from itertools import accumulate
from typing import TYPE_CHECKING

from calplan.partition import Steps, trimmed

if TYPE_CHECKING:
    from collections.abc import Sequence

    from calplan.partition import Cut, Layer

SHORT = 3
"""A detour is short up to this part of all units, a third; beyond it, cutting the order whole costs no more."""


class Detour:
    """An order of the units of a cut that differs from the cut's own in units ``first`` to ``last`` alone.

    Both have the units of each task in the task's own order, so that an order is the tasks of its units.
    """

    def __init__(self, cut: Cut, units: Sequence[int]) -> None:
        self.cut, self.units = cut, units
        differing = [place for place, (one, other) in enumerate(zip(cut.units, units, strict=True)) if one != other]
        self.first, self.last = (differing[0], differing[-1] + 1) if differing else (0, 0)

    def __len__(self) -> int:
        return self.last - self.first

    @property
    def short(self) -> bool:
        """Whether it is short and on its way no window opens or closes, so that the days have the same limits."""
        due, opened = self.cut.limits
        return (
            len(self) * SHORT <= len(self.units)
            and not any(self.first < place <= self.last for place in due)
            and not any(self.first <= place < self.last for place in opened)
        )

    def leads_below(self, goal: int) -> bool:
        """Whether a short detour can be cut at a cost below the goal, which is not above that of the known cut."""
        cut, first, last = self.cut, self.first, self.last
        tariff = cut.tariff
        start, end = max(0, first - tariff.most), min(len(self.units), last + tariff.most)
        left = [part(layer, last, end, tariff.huge) for layer in cut.endings]
        least = list(accumulate(map(min, reversed(left)), min))[::-1]
        steps = None
        inside: Layer = (first + 1, [])
        for day, (low, high) in enumerate(cut.bands):
            known = part(cut.layers[day], start, first, tariff.huge)
            between = part(inside, first + 1, last - 1, tariff.huge)
            place, costs = trimmed((start, known + between), goal - 1 - least[day + 1])
            low, high = max(low, place, first + 1), min(high, end, place + len(costs) - 1 + tariff.canvas.rooms[day])
            inside = (low, [])
            if not costs or low > high:
                continue
            steps = steps or Steps(tariff, self.units[start:end], self.units[:start])
            inside = (low, steps.forward(day, (place - start, costs), low - start, high - start))
            behind = part(inside, last, end, tariff.huge)
            if any(cost + rest < goal for cost, rest in zip(behind, left[day + 1], strict=True)):
                return True
        return False


def part(layer: Layer, first: int, last: int, huge: int) -> list[int]:
    """The costs of ``first`` to ``last`` units; huge where the layer does not speak of them."""
    low, costs = layer
    start, end = max(first, low), min(last + 1, low + len(costs))
    if start >= end:
        return [huge] * (last + 1 - first)
    return [*[huge] * (start - first), *costs[start - low : end - low], *[huge] * (last + 1 - end)]
