"""A plan that is made again: the exam has moved, material has come back, the week has changed.

What has begun stays as it was, word for word. What was gone through is not dealt out a second time. The rest is planned
anew from this moment on, near the hours that subscribers know, and each new block takes over the identity of the old
one with which it shares the most work, so that calendars move an event instead of losing one and gaining another.
"""

from __future__ import annotations

from collections import Counter
from datetime import timedelta
from typing import TYPE_CHECKING, NamedTuple
from zoneinfo import ZoneInfo

from msgspec.structs import replace

from calplan.contents import part_items
from calplan.errors import BrokenPlan, Fault
from calplan.model import (
    UNIT,
    Block,
    Exam,
    Kind,
    Material,
    Part,
    PastBlock,
    Plan,
    PlannedExam,
    Request,
    Role,
    Task,
    Worked,
    identity,
)
from calplan.planner import make_plan, whole_second
from calplan.spans import instant, wall
from calplan.wording import Wording

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
    from datetime import datetime


def make_again(
    old: Plan,
    old_request: Request,
    request: Request,
    calendars: Mapping[str, bytes],
    *,
    as_of: datetime,
    missed: Collection[str] = (),
) -> Plan:
    """The plan for a changed ``request`` from the moment ``as_of`` on, in place of ``old``, which ``old_request`` gave.

    Blocks of the old plan that had begun are its :attr:`~calplan.model.Plan.past`. A block whose start or length
    changes counts one SEQUENCE up; one whose words change is revised at ``as_of``; one that stays keeps both.
    The work of past blocks that were ``missed``, by UID, is planned again.
    Where work of today has begun, the new plan starts tomorrow. Raises as :func:`calplan.planner.make_plan`.
    """
    as_of = whole_second(as_of)
    past = past_of(old, old_request, as_of, missed)
    ahead = [block for block in old.blocks if not begun(block, old, as_of)]
    effective = with_past(request, past, as_of)
    made = make_plan(effective, calendars, as_of=as_of, seed=old.seed, published=ahead)
    blocks = renamed(Side(old, old_request), Side(made, effective), ahead, as_of)
    names = {block.uid for block in blocks}
    retired = {**old.retired, **{block.uid: block.sequence for block in ahead if block.uid not in names}}
    plan = replace(
        made,
        exams=tuple(exam_days(old, made)),
        blocks=blocks,
        past=past,
        retired={uid: sequence for uid, sequence in retired.items() if uid not in names},
    )
    if len(names | {block.uid for block in past}) < len(blocks) + len(past):
        raise BrokenPlan([Fault("uid-twice", "past", "A block that is over and one that is not have the same UID.")])
    return plan


# ---------------------------------------------------------------------------------------------- what is over


def begun(block: Block, plan: Plan, as_of: datetime) -> bool:
    """Whether a block has started by then."""
    return instant(block.start.replace(fold=block.fold), ZoneInfo(plan.zone)) <= as_of


def past_of(plan: Plan, request: Request, as_of: datetime, missed: Collection[str] = ()) -> tuple[PastBlock, ...]:
    """All blocks of a plan that have begun, with their words and work as they are; earlier ones first."""
    words = Wording(plan, request)
    tasks = {task.id: task for task in plan.tasks}
    over = [past_block(block, words, tasks, request) for block in plan.blocks if begun(block, plan, as_of)]
    return tuple(replace(block, missed=block.uid in missed) for block in (*plan.past, *over))


def past_block(block: Block, words: Wording, tasks: Mapping[str, Task], request: Request) -> PastBlock:
    """A block that has begun."""
    subjects = {exam.key: exam.subject for exam in request.exams}
    worked = tuple(work_of(tasks[part.task], part) for part in block.parts)
    return PastBlock(
        uid=block.uid,
        day=block.day,
        start=block.start,
        minutes=block.minutes,
        revised=block.revised,
        headline=words.headline(block),
        text=words.describe(block),
        exams=tuple(dict.fromkeys(subjects[one.exam] for one in worked)),
        worked=worked,
        fold=block.fold,
        sequence=block.sequence,
        fixed=block.fixed,
    )


def work_of(task: Task, part: Part) -> Worked:
    """The work in a part: of notes and papers the essential layer counts, of practice every problem."""
    pieces: Counter[str] = Counter()
    for share in part_items(task, part):
        if task.kind in (Kind.NOTES, Kind.PRACTICE):
            if task.kind is Kind.PRACTICE or not share.extra or not share.item.essential:
                pieces[share.item.material] += share.number
        else:
            pieces[share.item.material] = 1
    return Worked(exam=task.exam, role=task.role, kind=task.kind, units=part.units, pieces=dict(sorted(pieces.items())))


def with_past(request: Request, past: Sequence[PastBlock], as_of: datetime) -> Request:
    """The request as it stands after what is over: what was gone through, had or begun is marked.

    A plan with a past is made from this, and is judged against it.
    """
    if not past:
        return request
    worked = [one for block in past if not block.missed for one in block.worked]
    exams = tuple(exam_after(exam, [one for one in worked if one.exam == exam.key]) for exam in request.exams)
    today = wall(as_of, ZoneInfo(request.zone)).date()
    start = request.start
    if any(block.day == today and block.worked and not block.missed for block in past):
        start = max(start or today, today + timedelta(days=1))
    zone = ZoneInfo(request.zone)
    ahead = tuple(one for one in request.appointments if instant(one.start, zone) > as_of)
    return replace(request, exams=exams, start=start, appointments=ahead)


def exam_after(exam: Exam, worked: Sequence[Worked]) -> Exam:
    """An exam with what was gone through, as far as its materials still bear the same keys."""
    first = (Role.COVER, Role.CONSOLIDATE)  # practice goes on into the second pass
    done: Counter[str] = Counter()
    for one in worked:
        if one.role is Role.COVER or (one.role in first and one.kind is Kind.PRACTICE):
            done.update(one.pieces)
    again = {one.kind for one in worked if one.role is Role.CONSOLIDATE and one.kind}
    return replace(
        exam,
        materials=tuple(covered(material, done[material.key]) for material in exam.materials),
        seen_again=tuple(kind for kind in Kind if kind in again),
        gathered=any(one.role is Role.GATHER for one in worked),
    )


def covered(material: Material, pieces: int) -> Material:
    """A material of which so many pieces were gone through."""
    whole = material.size or 1 if material.kind in (Kind.NOTES, Kind.PRACTICE) else 1
    return replace(material, covered=min(pieces, whole)) if pieces else material


# ------------------------------------------------------------------------------------------- who is whose heir


class Side(NamedTuple):
    """A plan with the request that it was made from."""

    plan: Plan
    request: Request


def renamed(old: Side, new: Side, ahead: Sequence[Block], as_of: datetime) -> tuple[Block, ...]:
    """The new plan's blocks under the identities of the old ones ahead that they share the most minutes with."""
    heirs = heirs_of(old.plan, new.plan, ahead)
    before, after = Wording(*old), Wording(*new)
    taken = {block.uid for block in heirs.values()}
    blocks = []
    for number, block in enumerate(new.plan.blocks):
        if known := heirs.get(number):
            same_words = before.headline(known) == after.headline(block) and (
                before.describe(known) == after.describe(block)
            )
            blocks.append(heir(known, block, same_words=same_words, as_of=as_of))
        else:
            fresh = block.fixed and block.uid not in taken  # an appointment's own name stays with it
            name = identity(old.plan.seed, "block", as_of.isoformat(), block.day.isoformat(), str(number))
            sequence = old.plan.retired.get(block.uid, -1) + 1 if fresh else 0
            blocks.append(replace(block, uid=block.uid if fresh else name, sequence=sequence))
    return tuple(blocks)


def heir(known: Block, block: Block, *, same_words: bool, as_of: datetime) -> Block:
    """The new block under the old one's identity."""
    moved = (known.start, known.fold, known.minutes) != (block.start, block.fold, block.minutes)
    return replace(
        block,
        uid=known.uid,
        sequence=known.sequence + moved,
        revised=known.revised if same_words and not moved else as_of,
    )


def exam_days(old: Plan, new: Plan) -> Iterator[PlannedExam]:
    """The new plan's exams; an event whose day is another counts one SEQUENCE up, one that says the same stays."""
    before = {exam.key: exam for exam in old.exams}
    for exam in new.exams:
        known = before.get(exam.key)
        if known is None:
            yield exam
            continue
        same = told_of(known) == told_of(exam)
        moved = known.start.date() != exam.start.date()
        yield replace(exam, sequence=known.sequence + moved, revised=known.revised if same else exam.revised)


def told_of(exam: PlannedExam) -> tuple[object, ...]:
    """All that an exam's event says."""
    return exam.subject, exam.start, exam.zone, exam.place


def heirs_of(old: Plan, new: Plan, ahead: Sequence[Block]) -> dict[int, Block]:
    """The old block that each new one, by its number, takes over from: most shared minutes, then earlier."""
    fixed = {block.uid: block for block in ahead if block.fixed}
    heirs = {n: fixed[block.uid] for n, block in enumerate(new.blocks) if block.fixed and block.uid in fixed}
    olds = {block.uid: (block, work_in(old, block)) for block in ahead if block.parts}
    holders: dict[Piece, list[str]] = {}
    for uid, (_, work) in olds.items():
        for piece in work:
            holders.setdefault(piece, []).append(uid)
    offers = []
    for number, block in enumerate(new.blocks):
        work = work_in(new, block)
        for uid in {uid for piece in work for uid in holders.get(piece, ())}:
            shared = (olds[uid][1] & work).total()
            offers.append((-shared, olds[uid][0].start, block.start, number, uid))
    taken: set[str] = set()
    for _, _, _, number, uid in sorted(offers):
        if number not in heirs and uid not in taken:
            heirs[number] = olds[uid][0]
            taken.add(uid)
    return heirs


Piece = tuple[str, Role, Kind | None, str, int]
"""A problem, a class period, a whole piece, or a task without pieces: exam, role, kind, material, number."""


def work_in(plan: Plan, block: Block) -> Counter[Piece]:
    """A block's seconds of work, by what is worked on."""
    tasks = {part.task: task for part in block.parts for task in plan.tasks if task.id == part.task}
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
