"""The fewest things that meet every need together: branch and bound over rows of whole numbers.

:mod:`calplan.mending` asks which tasks have to move so that no stretch of days is overfull. Nothing here knows of tasks
or days: a row is what one thing gives to each need, its gains.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

STEPS = 4_000
"""How many steps the search may take before it is content with what it has."""


def least_cover(
    needs: Sequence[int], rows: Mapping[int, Sequence[int]], prefer: Callable[[int], tuple[int, ...]]
) -> tuple[set[int], bool] | None:
    """The fewest rows whose gains together meet every need, and whether that is proved; ``None`` if all do not.

    Branch and bound: the need that asks for the most rows is met by its largest one, or without it; whatever is no
    better in any need than a row that was left out is left out too. ``prefer`` orders equal rows.
    """
    return Cover(needs, rows, prefer).best() if needs else (set(), True)


class Cover:
    """The search of :func:`least_cover`."""

    def __init__(
        self, needs: Sequence[int], rows: Mapping[int, Sequence[int]], prefer: Callable[[int], tuple[int, ...]]
    ) -> None:
        order = sorted(rows, key=prefer)
        self.rows = {row: tuple(rows[row]) for row in order}
        self.needs = self.essential(list(needs))
        self.steps = STEPS
        self.found: set[int] | None = None

    def essential(self, needs: list[int]) -> list[int]:
        """The needs without those that are met whenever another one is."""
        columns = list(zip(*self.rows.values(), strict=True)) if self.rows else [()] * len(needs)
        kept: list[int] = []
        for at in sorted(range(len(needs)), key=lambda i: (sum(map(bool, columns[i])), -needs[i])):
            implied = any(
                needs[one] >= needs[at] and all(a <= b for a, b in zip(columns[one], columns[at], strict=True))
                for one in kept
            )
            if not implied:
                kept.append(at)
        self.rows = {row: tuple(gains[at] for at in kept) for row, gains in self.rows.items()}
        return [needs[at] for at in kept]

    def best(self) -> tuple[set[int], bool] | None:
        """The fewest rows, and whether no fewer will do; ``None`` where all rows together are not enough."""
        greedy = self.greedy()
        if greedy is None:
            return None
        self.found = greedy
        self.search(list(self.needs), list(self.rows), set())
        return self.found, self.steps > 0

    def greedy(self) -> set[int] | None:
        """A cover to begin with: what helps most first."""
        left, chosen = list(self.needs), set[int]()
        while any(need > 0 for need in left):
            helps = {
                row: sum(min(gain, need) for gain, need in zip(gains, left, strict=True) if need > 0)
                for row, gains in self.rows.items()
                if row not in chosen
            }
            row = max(helps, key=lambda one: helps[one], default=None)
            if row is None or helps[row] <= 0:
                return None
            chosen.add(row)
            left = [need - gain for need, gain in zip(left, self.rows[row], strict=True)]
        return chosen

    def search(self, left: list[int], rows: list[int], chosen: set[int]) -> None:
        """Tries to meet what is left with some of these rows."""
        self.steps -= 1
        if self.steps <= 0:
            return
        open_needs = [at for at, need in enumerate(left) if need > 0]
        if not open_needs:
            if self.found is None or len(chosen) < len(self.found):
                self.found = set(chosen)
            return
        wanted = self.wanted(left, rows, open_needs)
        if wanted is None or (self.found is not None and len(chosen) + wanted[0] >= len(self.found)):
            return
        at = wanted[1]
        row = max(rows, key=lambda one: self.rows[one][at])
        gains = self.rows[row]
        others = [one for one in rows if one != row]
        self.search([need - gain for need, gain in zip(left, gains, strict=True)], others, chosen | {row})
        better = [one for one in others if any(self.rows[one][n] > gains[n] for n in open_needs)]
        self.search(left, better, chosen)

    def wanted(self, left: Sequence[int], rows: Sequence[int], open_needs: Sequence[int]) -> tuple[int, int] | None:
        """How many more rows it takes at least, and the need that asks for the most; ``None`` where it cannot be."""
        asked = []
        for at in open_needs:
            gains = sorted((self.rows[row][at] for row in rows if self.rows[row][at] > 0), reverse=True)
            total = count = 0
            for gain in gains:
                if total >= left[at]:
                    break
                total += gain
                count += 1
            if total < left[at]:
                return None
            asked.append((count, at))
        asked.sort(reverse=True)
        least, taken = 0, set[int]()
        for count, at in asked:
            mine = {row for row in rows if self.rows[row][at] > 0}
            if taken.isdisjoint(mine):
                least += count
                taken |= mine
        return least, asked[0][1]
