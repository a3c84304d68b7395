"""Small repairs by hand: the last change put back, a block kept in its place, a block later on its day."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from msgspec.structs import replace

from calplan import rules
from calplan.days import bounds
from calplan.errors import CalplanError
from calplan.planner import whole_second
from calplan.spans import Span, instant, wall
from calplan.standing import span_of

if TYPE_CHECKING:
    from calplan.model import Block, Plan, Request


class CannotUndo(CalplanError):
    """A plan that was mended cannot be put back; the sentence says why."""


class CannotMove(CalplanError):
    """A block cannot be put there; the sentence says why."""


def undo(now: Plan, before: Plan, *, as_of: datetime) -> Plan:
    """The plan ``before`` in the place of ``now``, which it was mended into: its tasks, days and times as they were.

    What a calendar has seen goes on counting: blocks whose time changes back count one SEQUENCE up. Raises
    :class:`CannotUndo` where a block has begun in the meantime, since what is over does not change.
    """
    as_of = whole_second(as_of)
    over = {block.uid for block in now.past} | {block.uid for block in before.past}
    mended = now.as_of != before.as_of  # else a block was put later, and time went on before that
    since = now.as_of if mended else max(now.as_of, now.restored or now.as_of)
    for plan in (now, before):
        for block in plan.blocks:
            start = instant(block.start.replace(fold=block.fold), ZoneInfo(plan.zone))
            if since < start <= as_of and block.uid not in over:
                raise CannotUndo(
                    "A block has begun since then, and what is over stays as it was. Change the plan instead."
                )
    newer = {block.uid: block for block in now.blocks}
    blocks = []
    for block in before.blocks:
        mine = newer.get(block.uid)
        if mine is None:
            sequence = now.retired.get(block.uid, block.sequence - 1) + 1
            back = block.uid in now.retired
            blocks.append(replace(block, sequence=sequence, revised=as_of) if back else block)
            continue
        moved = (mine.start, mine.fold, mine.minutes) != (block.start, block.fold, block.minutes)
        same = not moved and mine.parts == block.parts and mine.revised == block.revised
        revised = block.revised if same else as_of
        blocks.append(replace(block, sequence=mine.sequence + moved, revised=revised))
    names = {block.uid for block in blocks}
    gone = {block.uid: block.sequence for block in now.blocks if block.uid not in names}
    events = {exam.key: exam for exam in now.exams}
    exams = []
    for exam in before.exams:
        seen = events.get(exam.key, exam)
        moved = seen.start.date() != exam.start.date()
        changed = moved or (seen.subject, seen.start, seen.zone, seen.place, seen.latest) != (
            exam.subject,
            exam.start,
            exam.zone,
            exam.place,
            exam.latest,
        )
        exams.append(replace(exam, sequence=seen.sequence + moved, revised=as_of if changed else seen.revised))
    left = {uid: sequence for uid, sequence in {**now.retired, **gone}.items() if uid not in names}
    return replace(before, blocks=tuple(blocks), exams=tuple(exams), retired=left, restored=as_of)


def hold(plan: Plan, uid: str, held: bool) -> Plan:
    """The plan with a block kept where it is, or let go again; nothing else changes. ``KeyError`` for another UID."""
    if all(block.uid != uid for block in plan.blocks):
        raise KeyError(uid)
    return replace(plan, blocks=tuple(replace(b, held=held) if b.uid == uid else b for b in plan.blocks))


def later_starts(plan: Plan, request: Request, uid: str, *, as_of: datetime) -> tuple[datetime, ...]:
    """The wall-clock starts, a quarter of an hour apart, at which a block can still be done later on its day.

    Other work of the day may have to come after the block; starts that would break such an order are not among them.
    """
    as_of = whole_second(as_of)
    starts = free_starts(plan, request, uid, as_of)
    return tuple(start for start in starts if not rules.check(request, put_later(plan, uid, start, as_of)))


def free_starts(plan: Plan, request: Request, uid: str, as_of: datetime) -> list[datetime]:
    """The starts after the block's own and after now at which nothing else lies."""
    block = next((one for one in plan.blocks if one.uid == uid), None)
    zone = ZoneInfo(plan.zone)
    day = next((one for one in plan.days if block is not None and one.day == block.day), None)
    if block is None or day is None or block.fixed or wall(as_of, zone).date() != block.day:
        return []
    rest = timedelta(minutes=bounds(request.effort).rest)
    others = [span_of(one, zone) for one in plan.blocks if one.uid != uid and abs((one.day - block.day).days) <= 1]
    first = max(span_of(block, zone).start, as_of) + timedelta(minutes=1)
    starts = []
    for gap in day.gaps:
        at = gap.start + (-(gap.start - datetime.min.replace(tzinfo=gap.start.tzinfo))) % timedelta(minutes=15)
        while at + timedelta(minutes=block.minutes) <= gap.end:
            span = Span(at, at + timedelta(minutes=block.minutes))
            clear = all(span.end + rest <= other.start or other.end + rest <= span.start for other in others)
            if at >= first and clear:
                starts.append(wall(at, zone).replace(tzinfo=None, fold=wall(at, zone).fold))
            at += timedelta(minutes=15)
    return starts


def put_later(plan: Plan, uid: str, start: datetime, as_of: datetime) -> Plan:
    """The plan with a block at another start, kept there, in the order of time."""
    zone = ZoneInfo(plan.zone)

    def at_start(block: Block) -> Block:
        start_of = {"start": start.replace(fold=0), "fold": start.fold}
        return replace(block, **start_of, sequence=block.sequence + 1, revised=as_of, held=True)

    blocks = [at_start(block) if block.uid == uid else block for block in plan.blocks]
    ordered = sorted(blocks, key=lambda one: (span_of(one, zone).start, one.uid))
    return replace(plan, blocks=tuple(ordered), restored=as_of)


def later(plan: Plan, request: Request, uid: str, start: datetime, *, as_of: datetime) -> Plan:
    """The plan with a block later on the same day, and kept there; nothing else changes.

    ``start`` is one of :func:`later_starts`, else :class:`CannotMove` is raised.
    """
    as_of = whole_second(as_of)
    if start not in free_starts(plan, request, uid, as_of):
        raise CannotMove("The block cannot begin then: something else lies there, or the hour is over.")
    moved = put_later(plan, uid, start, as_of)
    if rules.check(request, moved):
        raise CannotMove("Other work of that day has to come after this block, so it cannot go there.")
    return moved
