"""Who is whose heir: a plan that is mended moves calendar events instead of losing one and gaining another.

A new block takes over the UID of the old one ahead that it shares the most work with, one to one; between equals the
earlier one decides. Its SEQUENCE counts up where its start or length changes (RFC 5545 §3.8.7.4), and it is revised
where that or its words change.
"""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, NamedTuple

from msgspec.structs import replace

from calplan.contents import part_items
from calplan.model import UNIT, Block, Kind, Part, Plan, PlannedExam, Request, Role, Task, identity
from calplan.wording import Wording

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Iterator, Sequence
    from datetime import datetime


class Side(NamedTuple):
    """A plan with the request that it was made from."""

    plan: Plan
    request: Request


def renamed(old: Side, new: Side, ahead: Sequence[Block], as_of: datetime) -> tuple[Block, ...]:
    """The new plan's blocks under the identities of the old ones ahead that they share the most minutes with.

    A block that bears the UID of one ahead keeps it.
    """
    heirs = heirs_of(old.plan, new.plan, ahead)
    before, after = Wording(*old), Wording(*new)
    taken = {block.uid for block in heirs.values()}
    used = {*old.plan.retired, *(block.uid for block in old.plan.past), *(block.uid for block in old.plan.blocks)}
    blocks = []
    for number, block in enumerate(new.plan.blocks):
        if known := heirs.get(number):
            same_words = before.headline(known) == after.headline(block) and (
                before.describe(known) == after.describe(block)
            )
            blocks.append(heir(known, block, same_words=same_words, as_of=as_of))
        else:
            fresh = block.fixed and block.uid not in taken  # an appointment's own name stays with it
            name = unused(used, old.plan.seed, "block", as_of.isoformat(), block.day.isoformat(), str(number))
            used.add(name)
            sequence = old.plan.retired.get(block.uid, -1) + 1 if fresh else 0
            blocks.append(replace(block, uid=block.uid if fresh else name, sequence=sequence))
    return tuple(blocks)


def in_place_of(old: Side, new: Side, as_of: datetime) -> Plan:
    """A plan that was made by itself in the place of one of which nothing has begun: its events go on."""
    blocks = renamed(old, new, old.plan.blocks, as_of)
    names = {block.uid for block in blocks}
    left = {**old.plan.retired, **{block.uid: block.sequence for block in old.plan.blocks}}
    gone = {uid: sequence for uid, sequence in left.items() if uid not in names}
    exams = tuple(exam_days(old.plan, new.plan.exams))
    ordered = tuple(sorted(blocks, key=lambda one: (one.start, one.fold, one.uid)))
    return replace(new.plan, seed=old.plan.seed, blocks=ordered, exams=exams, retired=gone)


def unused(used: Collection[str], *parts: str) -> str:
    """A UID made of these parts that nothing has or had: a plan may be mended twice in one second."""
    name, turn = identity(*parts), 0
    while name in used:
        turn += 1
        name = identity(*parts, str(turn))
    return name


def heir(known: Block, block: Block, *, same_words: bool, as_of: datetime) -> Block:
    """The new block under the old one's identity."""
    moved = (known.start, known.fold, known.minutes) != (block.start, block.fold, block.minutes)
    return replace(
        block,
        uid=known.uid,
        sequence=known.sequence + moved,
        revised=known.revised if same_words and not moved else as_of,
        held=block.held or (known.held and not moved),
    )


def heirs_of(old: Plan, new: Plan, ahead: Sequence[Block]) -> dict[int, Block]:
    """The old block that each new one, by its number, takes over from: most shared minutes, then earlier."""
    named = {block.uid: block for block in ahead}
    heirs = {n: named[b.uid] for n, b in enumerate(new.blocks) if b.uid in named and bears(b, named[b.uid])}
    taken = {block.uid for block in heirs.values()}
    tasks = {task.id: task for task in old.tasks}, {task.id: task for task in new.tasks}
    olds = {b.uid: (b, work_in(tasks[0], b)) for b in ahead if b.parts and b.uid not in taken}
    holders: dict[Piece, list[str]] = {}
    for uid, (_, work) in olds.items():
        for piece in work:
            holders.setdefault(piece, []).append(uid)
    offers = []
    for number, block in enumerate(new.blocks):
        if number in heirs:
            continue
        work = work_in(tasks[1], block)
        for uid in {uid for piece in work for uid in holders.get(piece, ())}:
            shared = (olds[uid][1] & work).total()
            offers.append((-shared, olds[uid][0].start, block.start, number, uid))
    for _, _, _, number, uid in sorted(offers):
        if number not in heirs and uid not in taken:
            heirs[number] = olds[uid][0]
            taken.add(uid)
    return heirs


def bears(block: Block, known: Block) -> bool:
    """Whether a new block has its UID from an old one that it is: one that stands, or an appointment.

    New work of a day may be given the UID that the day's work had once, before it was moved; that says nothing.
    """
    return block.fixed or (block.start, block.fold, block.minutes, block.parts) == (
        known.start,
        known.fold,
        known.minutes,
        known.parts,
    )


Piece = tuple[str, Role, Kind | None, str, int]
"""A problem, a class period, a whole piece, or a task without pieces: exam, role, kind, material, number."""


def work_in(tasks: dict[str, Task], block: Block) -> Counter[Piece]:
    """A block's seconds of work, by what is worked on."""
    work: Counter[Piece] = Counter()
    for part in block.parts:
        for piece, seconds in pieces_of(tasks[part.task], part):
            work[piece] += seconds
    return work


def pieces_of(task: Task, part: Part) -> Iterable[tuple[Piece, int]]:
    """The pieces of a part with their seconds; what has no pieces is one of its own, by its round."""
    shares = part_items(task, part)
    seconds = part.units * UNIT * 60
    number = sum(share.number for share in shares)
    if not number:
        turn = 0 if task.role in (Role.EVE, Role.TIDY) else task.round
        return [((task.exam, task.role, task.kind, "", turn), seconds)]
    return [
        ((task.exam, task.role, task.kind, share.item.material, share.item.first + share.first + n), seconds // number)
        for share in shares
        for n in range(share.number)
    ]


# ------------------------------------------------------------------------------------------------- exams' days


def exam_days(old: Plan, exams: Iterable[PlannedExam]) -> Iterator[PlannedExam]:
    """The new plan's exams; an event whose day is another counts one SEQUENCE up, one that says the same stays."""
    before = {exam.key: exam for exam in old.exams}
    for exam in exams:
        known = before.get(exam.key)
        if known is None:
            yield exam
            continue
        same = told_of(known) == told_of(exam)
        moved = known.start.date() != exam.start.date()
        revised = known.revised or old.as_of
        yield replace(exam, sequence=known.sequence + moved, revised=revised if same else exam.revised)


def told_of(exam: PlannedExam) -> tuple[object, ...]:
    """All that an exam's event says."""
    return exam.subject, exam.start, exam.zone, exam.place, exam.latest
