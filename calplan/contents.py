"""Which problems, class periods or whole materials lie in a part of a task.

A task is cut at units, which are minutes; a student works on problems. This is where the one becomes the other.
"""

from __future__ import annotations

from math import ceil
from typing import TYPE_CHECKING, NamedTuple

from calplan.model import UNIT, Item, Kind, Part, Role, Task

if TYPE_CHECKING:
    from collections.abc import Iterator

_TINY = 1e-9  # what is added up in floating point may be off by so much


class Share(NamedTuple):
    """Some of an item's work: ``number`` pieces from ``first`` (from 0) of the ``of`` pieces that its layer has.

    The two layers are the essentials, which are worked first, and the extras.
    """

    item: Item
    extra: bool
    first: int
    number: int
    of: int


def part_items(task: Task, part: Part) -> tuple[Share, ...]:
    """The pieces of work (problems, class periods, or whole materials) that a part of a task holds, in working order.

    A task's pieces are laid along its units in item order, the essentials of all items along the first units and the
    extras along the rest. A part holds the pieces whose midpoint falls in it: so no piece is divided, every piece lies
    in exactly one of the parts that a task is cut into, and giving up extras later never changes what came before. A
    part that lies wholly inside one large piece may hold none.
    """
    last = part.first + part.units
    shares: list[Share] = []
    if not task.items:
        return ()
    for start, end, item, extra, pieces in _laid(task):
        width = (end - start) / pieces
        begin = _before(part.first - start, width, pieces)
        number = _before(last - start, width, pieces) - begin
        if number:
            shares.append(Share(item, extra, begin, number, pieces))
    return tuple(shares)


def _laid(task: Task) -> Iterator[tuple[float, float, Item, bool, int]]:
    """Each item's essentials and extras on the line of the task's units: from, to, item, extra or not, pieces.

    Rounding up to whole units leaves some slack, over which the work is stretched; work that is meant to be longer than
    its task (all that one last day allows) is not squeezed, but ends where the task does.
    """
    essentials, extras = [], []
    for item in task.items:
        essential = min(item.essential, item.minutes)
        main, more = _pieces(task, item)
        if main and (essential or not item.minutes):
            essentials.append((item, False, essential or 1.0, main))
        if more and item.minutes - essential > _TINY:
            extras.append((item, True, item.minutes - essential, more))
    units = len(task.ranks)
    longer = sum(item.minutes for item in task.items) > units * UNIT + _TINY
    cut = task.ranks.count(task.ranks[0]) if essentials and not longer else units
    layers = [(essentials + extras, 0, units)] if cut == units else [(essentials, 0, cut), (extras, cut, units)]
    for layer, low, high in layers:
        at = float(low)
        scale = 1 / UNIT if longer else (high - low) / (sum(minutes for _, _, minutes, _ in layer) or 1)
        for item, extra, minutes, pieces in layer:
            yield at, at + minutes * scale, item, extra, pieces
            at += minutes * scale


def _pieces(task: Task, item: Item) -> tuple[int, int]:
    """How many pieces the essentials and the extras of an item fall into.

    Practice problems and flags are dealt to the two by their minutes; class periods are gone through in both (first
    what must be known, then the examples); a quiz or a test has its missed problems first, then its right ones.
    """
    count = item.count
    if task.role is Role.CONSOLIDATE or (task.kind is Kind.PRACTICE and by_kind(task)):
        if not count or not item.minutes:
            return max(1, count), 1
        main = max(1, int(count * item.essential / item.minutes + 0.5)) if item.essential else 0
        return main, count - main
    if not by_kind(task) or task.kind is Kind.HOMEWORK:
        return 1, 1
    if task.kind is Kind.NOTES:
        return max(1, count), max(1, count)
    right = count - item.missed
    return max(1, item.missed), right if task.kind is Kind.TEST and right > 0 else 1


def by_kind(task: Task) -> bool:
    """Whether a task works on its items in the way of their kind; the second pass does so with the rest of practice."""
    if task.role is Role.CONSOLIDATE:
        return task.kind is Kind.PRACTICE and bool(task.items)
    return task.kind is not None and task.role in (Role.COVER, Role.ENCORE)


def under_way(task: Task, part: Part) -> Share:
    """The piece that a part without any midpoint lies in; beyond the last one, where only slack is, that one still.

    The task has items.
    """
    middle = part.first + part.units / 2
    start, end, item, extra, pieces = [laid for laid in _laid(task) if laid[0] <= middle][-1]
    number = int((middle - start) / (end - start) * pieces)
    return Share(item, extra, min(number, pieces - 1), 1, pieces)


def _before(distance: float, width: float, pieces: int) -> int:
    """How many pieces of a width have their midpoint before a distance from where they start."""
    return min(max(ceil(distance / width - 0.5 - _TINY), 0), pieces)
