"""A plan is mended: a day was lost, the exam has moved, material has come back, the week has changed.

    log → past → tasks that live on → days (fewest changes) → clock times → identities → rules

What is over stays as it was, word for word. The rest keeps its tasks, and as many of them as can be keep their days;
a day on which nothing changes keeps its blocks to the minute. What the tasks are is :mod:`calplan.carrying`'s; how
their days are found, :mod:`calplan.laying`'s; who keeps which calendar event, :mod:`calplan.identities`'.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from enum import StrEnum
from functools import partial
from hashlib import sha256
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from msgspec.structs import replace

from calplan import rules
from calplan.busy import ReadCalendars, read_calendars
from calplan.carrying import ASIDE, Old, carried
from calplan.days import SOONEST, done_by_day, possible, resolve, unbooked
from calplan.errors import BrokenPlan
from calplan.identities import Side, exam_days, renamed
from calplan.laying import lay, led, where_of
from calplan.learned import known
from calplan.model import UNIT, Block, Notice, Plan, Role, Task, to_json
from calplan.papers import Paper, timed_papers
from calplan.planner import (
    Ground,
    Laid,
    around_papers,
    assemble,
    no_plan,
    overlapping,
    read_busy,
    whole_second,
)
from calplan.settling import begun, settled
from calplan.spans import wall, widen
from calplan.standing import inside, put_again, span_of
from calplan.workload import Workload, board_of, job_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence
    from datetime import date

    from calplan.capacity import Job
    from calplan.carrying import Carried
    from calplan.checkins import Entry, Log
    from calplan.days import Days
    from calplan.model import BusySpan, Day, PastBlock, PlannedExam, Request
    from calplan.spans import Span
    from calplan.workload import Prepared


class Way(StrEnum):
    """How much may change: what gives the best plan with the fewest moves, or nothing of what stands."""

    FEWEST = "fewest"
    STAY = "stay"


def mend(
    old: Plan,
    old_request: Request,
    request: Request,
    calendars: Mapping[str, bytes],
    log: Iterable[Entry] = (),
    *,
    as_of: datetime,
    way: Way = Way.FEWEST,
    lead: Plan | None = None,
    reading: ReadCalendars = read_calendars,
) -> Plan:
    """The plan for ``request`` from the moment ``as_of`` on, in place of ``old``, which ``old_request`` gave.

    ``log`` is all that was said of the plan's blocks. Goals, in this order: least loss, fixed days, the daily maximum,
    the fewest tasks moved, the least shift (:mod:`calplan.mending`). With a ``lead``, the plan of the student's class,
    a task that the class has too is one that moves where it does not lie on the class's days. Where nothing is new, the
    answer is ``old`` itself. Raises as :func:`calplan.planner.make_plan`.
    """
    as_of, log = whole_second(as_of), tuple(log)
    before = with_past(old, old_request, request, log, as_of=as_of)
    past, told = before.past, before.known
    same = request == old_request and nothing_new(old, past, told.learned()) and not done_early(old, past, as_of)
    ahead = ahead_of(old, past)
    if same and not log and lead is None and not (request.calendars and ahead):
        return old
    ground, work, carry = survey_again(before, request, calendars, reading, as_of=as_of)
    same = same and busy_from(old.busy, as_of) == busy_from(ground.busy, as_of)
    if same and lead is None and (not log or as_it_was(old, carry)):
        return old
    where = where_of(ahead, work.tasks)
    most = old.figures.maximum
    if lead is not None:
        work, where = led(work, where, lead)
        most = max(most, lead.figures.maximum)
    made = lay(ground, work, carry, old, where, most=most, stay=way is Way.STAY)
    ground = ground._replace(notices=(*ground.notices, *on_maximum(work, made)))
    digest = sha256(to_json(request, indent=0)).hexdigest()
    put = partial(put_again, ground, ahead, old.seed)
    plan = assemble(ground, work, made, digest=digest, seed=old.seed, put=put)
    exams = exam_days(old, [staged(exam, carry) for exam in plan.exams])
    plan = replace(plan, past=past, learned=told.learned(), exams=tuple(exams))
    plan = replace(plan, blocks=renamed(Side(old, old_request), Side(plan, request), ahead, as_of))
    if same and plan.blocks == ahead:
        return old
    plan = replace(plan, retired=retired(old, plan, ahead))
    faults = rules.check(request, plan)
    if faults:
        raise BrokenPlan(faults)
    return plan


def with_past(plan: Plan, asked: Request, request: Request, log: Log, *, as_of: datetime) -> Old:
    """A plan, which ``asked`` gave, with what is over of it and what its blocks told, as ``request`` has it judged."""
    past = settled(plan, asked, log, as_of=as_of, grace=request.mending.grace)
    over = {"", *(block.uid for block in past)}  # a word on a block that is not over tells nothing yet
    return Old(plan, asked, past, known(request, plan, tuple(one for one in log if getattr(one, "block", "") in over)))


def on_maximum(work: Workload, made: Laid) -> Iterator[Notice]:
    """A word where a day is fuller than the published plan and the least possible maximum ask for."""
    if made.maximum * UNIT > max(made.before or 0, work.board.usual * 4 // 3 * UNIT, (made.bound + 1) * UNIT):
        sentence = f"The fullest day goes to {made.maximum * UNIT} minutes, so that each second pass follows its first."
        yield Notice(code="maximum-raised", sentence=sentence)


def staged(exam: PlannedExam, carry: Sequence[Carried]) -> PlannedExam:
    """What the plan says of an exam that lives on: its stages keep their dates."""
    mine = next((one for one in carry if one.prepared.exam.key == exam.key and one.ends is not None), None)
    if mine is None or mine.ends is None:
        return exam
    return replace(exam, cover_ends=mine.ends[0], consolidate_ends=mine.ends[1], behind_days=mine.behind_days)


def busy_from(busy: Iterable[BusySpan], as_of: datetime) -> list[Span]:
    """The busy times that begin from a moment on, in order: the calendars may be others than before."""
    return sorted(one.span for one in busy if one.span.start >= as_of)


def nothing_new(old: Plan, past: Sequence[PastBlock], learned: object) -> bool:
    """Whether the check-ins ask for nothing that the plan does not have already."""
    before = {block.uid: block for block in old.past}
    return learned == old.learned and all(
        [one.back for one in block.worked] == [one.back for one in before[block.uid].worked]
        if block.uid in before
        else not any(one.back for one in block.worked)
        for block in past
    )


def as_it_was(old: Plan, carry: Sequence[Carried]) -> bool:
    """Whether the work that is open is what the published plan has already: nothing that was said changes it."""
    exams = {one.prepared.exam.key for one in carry}
    had = {task.id: told_in(task) for task in old.tasks if task.exam in exams and task.role not in ASIDE}
    now = {task.id: told_in(task) for one in carry for task in one.prepared.cycle.tasks}
    over = {task.id for one in carry for task in one.prepared.cycle.tasks if not task.open}
    asks = tuple(ask for one in carry for ask in one.prepared.cycle.asks)
    return (
        {name: work for name, work in had.items() if name not in over and name in now}
        == {name: work for name, work in now.items() if name not in over}
    ) and asks == tuple(ask for ask in old.asks if ask.exam in exams)


def worth_fitting(plan: Plan, request: Request, log: Iterable[Entry], *, as_of: datetime) -> bool:
    """Whether what was said since the plan was made asks for other work ahead than it has.

    That is so for flags that size a second pass, a pace, a sheet that is too long; not for work that was missed, which
    :func:`calplan.settling.settled` tells. Nothing is scheduled for the answer, and no calendar is read; :func:`mend`
    says what it would come to.
    """
    log = tuple(log)
    if all(entry.at < plan.as_of for entry in log):
        return False
    before = with_past(plan, request, request, log, as_of=as_of)
    today = wall(as_of, ZoneInfo(plan.zone)).date()
    usable = [day.day for day in plan.days if day.room and day.day >= today]
    return not as_it_was(plan, carried(before, request, usable, today=today, as_of=as_of))


def told_in(task: Task) -> tuple[object, ...]:
    """The work of a task, whatever of it is over."""
    return task.ranks, task.items, task.notes, task.substitute


def done_early(old: Plan, past: Sequence[PastBlock], as_of: datetime) -> bool:
    """Whether a block was done before its time since the plan was made, so that its place is free."""
    over = {block.uid for block in past}
    return any(block.uid in over and not begun(block, old.zone, as_of) for block in old.blocks)


def ahead_of(old: Plan, past: Sequence[PastBlock]) -> tuple[Block, ...]:
    """The blocks of a plan that are not over."""
    over = {block.uid for block in past}
    return tuple(block for block in old.blocks if block.uid not in over)


def retired(old: Plan, new: Plan, ahead: Sequence[Block]) -> dict[str, int]:
    """The UIDs that the new plan does not use, with their last SEQUENCE."""
    names = {block.uid for block in new.blocks}
    left = {**old.retired, **{block.uid: block.sequence for block in ahead if block.uid not in names}}
    return {uid: sequence for uid, sequence in left.items() if uid not in names}


# --------------------------------------------------------------------------------- what there is to work with


def survey_again(
    old: Old, request: Request, calendars: Mapping[str, bytes], reading: ReadCalendars, *, as_of: datetime
) -> tuple[Ground, Workload, tuple[Carried, ...]]:
    """The days from now on, and the work that is open on them."""
    busy, skipped = read_busy(request, calendars, as_of=as_of, reading=reading)
    days = with_now(request, busy, old.past, ahead_of(old.plan, old.past), as_of=as_of)
    usable = tuple(day for day in days.days if day.room)
    if not usable:
        raise no_plan(request, busy, days)
    today = days.days[0].day
    carry = carried(old, request, [day.day for day in usable], today=today, as_of=as_of)
    if not carry:
        raise no_plan(request, busy, days)
    exams = tuple(one.prepared for one in carry)
    work = open_work(request, usable, exams, today)
    papers, notices = papers_again(request, busy, old, exams, as_of=as_of, number=len(work.tasks))
    work = around_papers(work, papers) if papers else work
    without = [exam for exam in request.exams if all(exam.key != one.exam.key for one in exams)]
    said = [
        Notice(code="no-usable-day", sentence=f"{exam.subject} has no usable day left before it.") for exam in without
    ]
    return Ground(request, busy, skipped, days, work, papers, (*said, *overlapping(request), *notices)), work, carry


def open_work(request: Request, usable: tuple[Day, ...], exams: tuple[Prepared, ...], today: date) -> Workload:
    """What is open of the exams' tasks, as far as it may lie on one of these days."""
    dates = [day.day for day in usable]
    tasks, jobs = [], []
    for place, one in enumerate(exams):
        for task in one.cycle.tasks:
            if task.open and any(task.first <= day <= task.last for day in dates):
                tasks.append(task)
                jobs.append(open_job(task, dates, one, place, today))
    return Workload(request, usable, exams, tuple(tasks), tuple(jobs), board_of(request, usable, exams, ()))


def open_job(task: Task, dates: Sequence[date], one: Prepared, place: int, today: date) -> Job:
    """What is open of a task in the scheduler's terms; a day that is over asks for nothing any more."""
    job = job_of(replace(task, ranks=tuple(task.ranks[unit] for unit in task.open)), dates, one, place)
    due = max((n for n, day in enumerate(dates) if day <= task.last), default=0)
    return replace(job, due=due, nearer=job.nearer if task.fixed and task.fixed >= today else ())


def with_now(
    request: Request, busy: tuple[BusySpan, ...], past: Sequence[PastBlock], ahead: Sequence[Block], *, as_of: datetime
) -> Days:
    """The days from now on; a block that begins in the next minutes keeps its room, and one under way its time."""
    spent = done_by_day(past)
    zone = ZoneInfo(request.zone)
    free = free_again(past, zone, request.effort.rest, as_of=as_of)
    days = resolve(request, busy, as_of=as_of, spent=spent, soonest=max(SOONEST, free))
    today = wall(as_of, zone).date()
    soon = [block for block in ahead if block.parts and block.day == today]
    if not soon or not days.days or days.days[0].day != today:
        return days
    if all(inside(block, days.days[0], zone) for block in soon):
        return days
    earlier = resolve(request, busy, as_of=as_of, spent=spent, soonest=free)
    return replace(earlier, notices=days.notices)


def free_again(past: Sequence[PastBlock], zone: ZoneInfo, rest: int, *, as_of: datetime) -> int:
    """In how many minutes the block that is under way, and the rest after it, are over; 0 where there is none.

    One that was said to be missed takes no time.
    """
    ends = [span.end + timedelta(minutes=rest) for span in under_way(past, zone, as_of=as_of)]
    return max((-((as_of - end) // timedelta(minutes=1)) for end in ends), default=0)


def under_way(past: Sequence[PastBlock], zone: ZoneInfo, *, as_of: datetime) -> list[Span]:
    """The time of the block that is under way, if one is and was not said to be missed."""
    spans = (span_of(block, zone) for block in past if not block.missed)
    return [span for span in spans if span.start <= as_of < span.end]


def papers_again(
    request: Request, busy: tuple[BusySpan, ...], old: Old, exams: Sequence[Prepared], *, as_of: datetime, number: int
) -> tuple[tuple[Paper, ...], tuple[Notice, ...]]:
    """The timed papers: those that stand and whose hour is still free, and others where they are needed."""
    zone = ZoneInfo(request.zone)
    running = under_way(old.past, zone, as_of=as_of)
    stand: dict[str, Paper] = {}
    tasks = {task.id: task for task in old.plan.tasks if task.role is Role.PAPER}
    for block in ahead_of(old.plan, old.past):
        for part in (part for part in block.parts if part.task in tasks):
            span = span_of(block, zone)
            free = unbooked(request, busy, block.day, as_of=as_of)
            fits = any(gap.start <= span.start and span.end <= gap.end for gap in free)
            if fits and not any(span.overlaps(one) for one in widen(running, request.effort.rest)):
                stand[tasks[part.task].exam] = Paper(tasks[part.task], block.day, span)
    had = {w.exam for block in old.past for w in block.worked if w.role is Role.PAPER and not w.back}
    kept, asked = [], []
    before = {one.key: one for one in old.request.exams}
    for one in exams:
        exam = one.exam
        if not exam.timed_paper or exam.key in had:
            continue
        known_paper = stand.get(exam.key)
        same = exam.key in before and (exam.start, exam.minutes, exam.extra_time) == (
            before[exam.key].start,
            before[exam.key].minutes,
            before[exam.key].extra_time,
        )
        if known_paper is not None and same and may_stand(request, one, known_paper):
            kept.append(known_paper)
        else:
            asked.append(one)
    standing = [*running, *(paper.span for paper in kept)]
    found, notices = timed_papers(request, busy, asked, as_of=as_of, number=number, beside=standing)
    said = tuple(
        notice
        for notice in old.plan.notices
        if notice.code == "paper-hour"
        and any(one.task.exam == exam.key and exam.subject in notice.sentence for one in kept for exam in request.exams)
    )
    return (*kept, *found), (*said, *notices)


def may_stand(request: Request, one: Prepared, paper: Paper) -> bool:
    """Whether a timed paper's day is still one for it: not the eve, nor too short."""
    fixed = sum(each.minutes for each in request.appointments if each.start.date() == paper.day)
    most = possible(request, paper.day)
    return paper.day < one.days[-1] and (most is None or fixed + paper.span.minutes <= most)
