"""What a plan that was mended changes: which blocks move, grow, shrink, go or come, and which work falls out.

It is shown before anything is applied. Blocks ahead are told apart by their UID, as calendars do.
"""

from __future__ import annotations

from collections import Counter
from enum import StrEnum
from typing import TYPE_CHECKING, NamedTuple

from calplan.model import UNIT, Role
from calplan.sentences import short_day
from calplan.wording import Wording

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator
    from datetime import date, datetime, time

    from calplan.model import Block, Plan, Request


class What(StrEnum):
    """What happens to a block; one that moves may get longer or shorter too."""

    MOVED = "moves"
    LONGER = "gets longer"
    SHORTER = "gets shorter"
    REWRITTEN = "other work"
    OUT = "falls out"
    NEW = "new"


class Change(NamedTuple):
    """A block that changes: as it was, and as it is to be (``None``: it was not, or will not be there)."""

    what: What
    before: Block | None
    after: Block | None
    headline: str

    @property
    def when(self) -> tuple[datetime, str]:
        """What it is sorted by: its first start, and its UID."""
        block = self.before or self.after
        assert block is not None
        return block.start, block.uid


class Difference(NamedTuple):
    """All that changes. ``minutes`` are those of each day before and after, of days on which they differ.

    ``lost`` are minutes of work that fall out, and ``regained`` those that come back in.
    """

    changes: tuple[Change, ...]
    minutes: tuple[tuple[date, int, int], ...]
    lost: int
    regained: int
    fullest: tuple[int, int]

    def count(self, what: What) -> int:
        """How many blocks change so."""
        return sum(change.what is what for change in self.changes)


def difference(old: Plan, old_request: Request, new: Plan, new_request: Request) -> Difference:
    """What changes where ``new`` takes the place of ``old``; blocks that are over are no difference."""
    over = {block.uid for block in new.past}
    before = {block.uid: block for block in old.blocks if block.uid not in over}
    after = {block.uid: block for block in new.blocks}
    words = Wording(old, old_request), Wording(new, new_request)
    changes = []
    for uid in before.keys() | after.keys():
        one, other = before.get(uid), after.get(uid)
        what = happened(one, other)
        if what is None:
            continue
        headline = words[1].headline(other) if other else words[0].headline(one) if one else ""
        changes.append(Change(what, one, other, headline))
    loads = loads_of(before.values()), loads_of(after.values())
    lost = lost_minutes(old), lost_minutes(new)
    return Difference(
        changes=tuple(sorted(changes, key=lambda change: change.when)),
        minutes=tuple(
            (day, loads[0][day], loads[1][day])
            for day in sorted({*loads[0], *loads[1]})
            if loads[0][day] != loads[1][day]
        ),
        lost=max(0, lost[1] - lost[0]),
        regained=max(0, lost[0] - lost[1]),
        fullest=(max(loads[0].values(), default=0), max(loads[1].values(), default=0)),
    )


def happened(before: Block | None, after: Block | None) -> What | None:
    """What becomes of a block; ``None`` where it stays as it is."""
    if before is None or after is None:
        return What.NEW if before is None else What.OUT
    if (before.start, before.fold) != (after.start, after.fold):
        return What.MOVED
    if before.minutes != after.minutes:
        return What.LONGER if after.minutes > before.minutes else What.SHORTER
    return What.REWRITTEN if before.parts != after.parts else None


def loads_of(blocks: Iterable[Block]) -> Counter[date]:
    """The minutes of each day."""
    minutes: Counter[date] = Counter()
    for block in blocks:
        minutes[block.day] += block.minutes
    return minutes


def lost_minutes(plan: Plan) -> int:
    """The minutes of work that a plan leaves out."""
    return UNIT * sum(len(task.lost) for task in plan.tasks if task.role is not Role.ENCORE)


# ------------------------------------------------------------------------------------------------ in words


def summary(found: Difference) -> str:
    """All of it in one sentence."""
    if not found.changes and not found.lost and not found.regained:
        return "Nothing changes."
    counts = (
        (found.count(What.MOVED), "moves", "move"),
        (found.count(What.LONGER), "gets longer", "get longer"),
        (found.count(What.SHORTER), "gets shorter", "get shorter"),
        (found.count(What.REWRITTEN), "has other work", "have other work"),
        (found.count(What.OUT), "goes", "go"),
        (found.count(What.NEW), "is new", "are new"),
    )
    said = [f"{count} {one if count == 1 else many}" for count, one, many in counts if count]
    if said:
        number, what = said[0].split(" ", 1)
        said[0] = f"{number} block{'' if number == '1' else 's'} {what}"
    work = f"{found.lost} minutes of work fall out" if found.lost else "no work falls out"
    if found.regained:
        work = f"{found.regained} minutes of work come back in"
    low, high = found.fullest
    full = (
        f"the fullest day goes from {low} to {high} minutes"
        if low != high
        else f"the fullest day stays at {high} minutes"
    )
    return f"{', '.join(said) or 'No block changes'}; {work}; {full}."


def lines(found: Difference, clock: Callable[[datetime | time], str]) -> Iterator[str]:
    """A line for each block that changes, in order of time."""
    for change in found.changes:
        was = moment(change.before, clock) if change.before else ""
        will = moment(change.after, clock) if change.after else ""
        if change.what is What.MOVED:
            yield f"{was} → {will}: {change.headline}{length(change)}"
        elif change.what in (What.LONGER, What.SHORTER):
            yield f"{will}: {change.headline}{length(change)}"
        elif change.what is What.OUT:
            yield f"{was}: {change.headline} (goes)"
        elif change.what is What.NEW:
            yield f"{will}: {change.headline} (new)"
        else:
            yield f"{will}: {change.headline} (other work at the same time)"


def moment(block: Block, clock: Callable[[datetime | time], str]) -> str:
    """When a block begins."""
    return f"{short_day(block.day)}, {clock(block.start)}"


def length(change: Change) -> str:
    """The new length, where it is another one."""
    if change.before is None or change.after is None or change.before.minutes == change.after.minutes:
        return ""
    return f" ({change.before.minutes} → {change.after.minutes} minutes)"
