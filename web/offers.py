"""What can still be done about a plan and its blocks: put back the last change, put a block later, keep it in place."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple
from zoneinfo import ZoneInfo

from calplan.model import Plan, plan_from_json
from calplan.repairs import CannotUndo, later_starts, undo
from calplan.request import from_mapping
from calplan.spans import wall
from web import plans, store

if TYPE_CHECKING:
    from datetime import datetime

    from sqlalchemy import Connection

    from calplan.model import Block, PastBlock
    from web.plans import Opened


def last_change(connection: Connection, old: Opened) -> store.Revision | None:
    """The version that the last change of the request or of the plan replaced; reminders and links are no change."""
    before = store.latest_revision(connection, old.kept.id)
    while before is not None and (before.document, before.plan) == (old.kept.document, old.kept.plan):
        before = store.revision_before(connection, old.kept.id, before.version)
    return before


def undone(connection: Connection, old: Opened, now: datetime) -> tuple[store.Revision, Plan] | None:
    """The version before, and the plan that undoing gives; ``None`` where there is nothing to undo any more.

    Busy calendars are kept once, as they are now: where those of the earlier version were others, or had other bytes,
    that version cannot be planned any further, and so it is not put back.
    """
    before = last_change(connection, old)
    if before is None or not same_calendars(connection, old.kept.id, before):
        return None
    try:
        earlier = plan_from_json(before.plan)
        return before, undo(old.plan, earlier, as_of=now)
    except (CannotUndo, ValueError):
        return None


def same_calendars(connection: Connection, plan_id: str, before: store.Revision) -> bool:
    """Whether the busy calendars that are kept are those of an earlier version: the same names, none read after it."""
    asked = {one.file for one in from_mapping(plans.read_mapping(before.document)).calendars}
    kept = store.calendars_read(connection, plan_id)
    return asked == set(kept) and all(read_at <= before.saved for read_at in kept.values())


class Offers(NamedTuple):
    """What can be done about a block: starts later today, and whether it is kept in place (``None``: it cannot be)."""

    starts: tuple[datetime, ...] = ()
    held: bool | None = None


def offers(old: Opened, uid: str, now: datetime) -> Offers:
    """What the page of a block offers. One that something was said of, or that is over, stays as it is."""
    block = next((one for one in old.plan.blocks if one.uid == uid), None)
    if block is None or block.fixed or any(getattr(entry, "block", None) == uid for entry in old.log):
        return Offers()
    ahead = block.start >= wall(now, ZoneInfo(old.plan.zone)).replace(tzinfo=None)
    return Offers(later_starts(old.plan, old.request, uid, as_of=now), block.held if ahead else None)


class Moved(NamedTuple):
    """A block that has moved: when it began before, and when it begins now, on the wall clock of the plan's zone."""

    was: datetime
    now: datetime


def moved_since(connection: Connection, old: Opened, uid: str) -> Moved | None:
    """From when to when a block moved the last time; ``None`` where it did not, or where nobody knows any more.

    The versions before are gone through from the latest on: others may have come since that left the block alone.
    """
    mine = block_of(old.plan, uid)
    if mine is None or mine.sequence == 0:
        return None
    version = old.kept.version
    while (before := store.revision_before(connection, old.kept.id, version)) is not None:
        was = block_of(plan_from_json(before.plan), uid)
        if was is not None and (was.start, was.fold) != (mine.start, mine.fold):
            return Moved(was.start, mine.start)
        version = before.version
    return None


def block_of(plan: Plan, uid: str) -> Block | PastBlock | None:
    """A plan's block, one that had begun before it was mended among them."""
    every: list[Block | PastBlock] = [*plan.past, *plan.blocks]
    return next((one for one in every if one.uid == uid), None)
