"""A plan is mended: a day was lost, the exam has moved, material has come back, the week has changed.

    log → past → tasks that live on → days (fewest changes) → clock times → identities → rules

What is over stays as it was, word for word. The rest keeps its tasks, and as many of them as can be keep their days;
a day on which nothing changes keeps its blocks to the minute. How the days are found is :mod:`calplan.mending`'s; what
the tasks are, :mod:`calplan.carrying`'s; who keeps which calendar event, :mod:`calplan.identities`'.
"""

from __future__ import annotations

from collections import Counter
from datetime import datetime, timedelta
from enum import StrEnum
from functools import partial
from hashlib import sha256
from typing import TYPE_CHECKING, NamedTuple
from zoneinfo import ZoneInfo

from msgspec.structs import replace

from calplan import rules
from calplan.busy import ReadCalendars, read_calendars
from calplan.carrying import ASIDE, Old, carried
from calplan.days import SOONEST, done_by_day, possible, resolve, unbooked
from calplan.errors import BrokenPlan
from calplan.identities import Side, exam_days, renamed
from calplan.learned import known
from calplan.mending import Before, NoOrder, mend_days
from calplan.model import UNIT, Block, Keep, Notice, Part, Plan, Role, Task, to_json
from calplan.papers import Paper, timed_papers
from calplan.planner import (
    Ground,
    Laid,
    around_papers,
    assemble,
    late_windows,
    no_plan,
    opened_exams,
    overlapping,
    read_busy,
    whole_second,
)
from calplan.schedule import solve
from calplan.settling import begun, settled, stretches
from calplan.spans import wall, widen
from calplan.standing import inside, put_again, span_of
from calplan.workload import Workload, board_of, job_of, with_taper_opened

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence
    from datetime import date

    from calplan.carrying import Carried
    from calplan.checkins import Entry
    from calplan.days import Days
    from calplan.model import BusySpan, PastBlock, PlannedExam, Request
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
    past = settled(old, old_request, log, as_of=as_of, grace=request.mending.grace)
    over = {"", *(block.uid for block in past)}  # a word on a block that is not over tells nothing yet
    told = known(request, old, tuple(one for one in log if getattr(one, "block", "") in over))
    same = request == old_request and nothing_new(old, past, told.learned()) and not done_early(old, past, as_of)
    ahead = ahead_of(old, past)
    if same and not log and lead is None and not (request.calendars and ahead):
        return old
    ground, work, carry = survey_again(Old(old, old_request, past, told), request, calendars, reading, as_of=as_of)
    same = same and busy_from(old.busy, as_of) == busy_from(ground.busy, as_of)
    if same and lead is None and (not log or as_it_was(old, carry)):
        return old
    where = where_of(ahead, work.tasks)
    most = old.figures.maximum
    if lead is not None:
        work, where = led(work, where, lead)
        most = max(most, lead.figures.maximum)
    made = lay(ground, work, carry, old, where, way, most)
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
    known = {task.id: told_in(task) for task in old.tasks if task.exam in exams and task.role not in ASIDE}
    now = {task.id: told_in(task) for one in carry for task in one.prepared.cycle.tasks}
    over = {task.id for one in carry for task in one.prepared.cycle.tasks if not task.ahead and not task.lost}
    asks = tuple(ask for one in carry for ask in one.prepared.cycle.asks)
    return (
        {name: work for name, work in known.items() if name not in over and name in now}
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
    past = settled(plan, request, log, as_of=as_of, grace=request.mending.grace)
    over = {"", *(block.uid for block in past)}
    told = known(request, plan, tuple(one for one in log if getattr(one, "block", "") in over))
    today = wall(as_of, ZoneInfo(plan.zone)).date()
    usable = [day.day for day in plan.days if day.room and day.day >= today]
    return not as_it_was(plan, carried(Old(plan, request, past, told), request, usable, today=today, as_of=as_of))


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
    dates = [day.day for day in usable]
    tasks, jobs = [], []
    for where, one in enumerate(exams):
        for task in one.cycle.tasks:
            open_ = (*task.ahead, *task.lost)
            if open_ and any(task.first <= day <= task.last for day in dates):
                tasks.append(task)
                jobs.append(job_of(replace(task, ranks=tuple(task.ranks[u] for u in sorted(open_))), dates, one, where))
    jobs = [
        replace(job, due=due_of(task, dates), nearer=job.nearer if task.fixed and task.fixed >= today else ())
        for job, task in zip(jobs, tasks, strict=True)
    ]
    work = Workload(request, usable, exams, tuple(tasks), tuple(jobs), board_of(request, usable, exams, ()))
    papers, notices = papers_again(request, busy, old, exams, as_of=as_of, number=len(tasks))
    work = around_papers(work, papers) if papers else work
    without = [exam for exam in request.exams if all(exam.key != one.exam.key for one in exams)]
    said = [
        Notice(code="no-usable-day", sentence=f"{exam.subject} has no usable day left before it.") for exam in without
    ]
    return Ground(request, busy, skipped, days, work, papers, (*said, *overlapping(request), *notices)), work, carry


def due_of(task: Task, dates: Sequence[date]) -> int:
    """The last usable day on which a task may lie."""
    return max((n for n, day in enumerate(dates) if day <= task.last), default=0)


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


# ------------------------------------------------------------------------------------------ which day, what


class Where(NamedTuple):
    """Where the units of tasks lie in the published plan: by task and day, and which of them must stay."""

    units: dict[str, dict[date, list[int]]]
    held: dict[str, dict[date, int]]


def where_of(ahead: Sequence[Block], tasks: Iterable[Task]) -> Where:
    """The open units of tasks by the days of their blocks ahead."""
    open_ = {task.id: {*task.ahead, *task.lost} for task in tasks}
    units: dict[str, dict[date, list[int]]] = {}
    held: dict[str, dict[date, int]] = {}
    for block in ahead:
        for part in (part for part in block.parts if part.task in open_):
            mine = [unit for unit in range(part.first, part.first + part.units) if unit in open_[part.task]]
            if mine:
                of_day = units.setdefault(part.task, {})
                of_day[block.day] = sorted([*of_day.get(block.day, ()), *mine])
                if block.held:
                    kept = held.setdefault(part.task, {})
                    kept[block.day] = kept.get(block.day, 0) + len(mine)
    return Where(units, held)


def led(work: Workload, where: Where, lead: Plan) -> tuple[Workload, Where]:
    """Where tasks lie that a class has too: on the class's days, but for those of which the student holds something.

    What the class itself does not do on the day that it is fixed for is drawn there no more.
    """
    of_class = {task.id: topic_of(task) for task in lead.tasks if task.role not in ASIDE}
    days: dict[Topic, dict[date, set[int]]] = {}
    for day in lead.days:
        for part in (part for part in day.parts if part.task in of_class):
            mine = days.setdefault(of_class[part.task], {}).setdefault(day.day, set())
            mine.update(range(part.first, part.first + part.units))
    units, jobs = dict(where.units), list(work.jobs)
    for place, task in enumerate(work.tasks):
        theirs = days.get(topic_of(task))
        if theirs is None or task.id in where.held:
            continue
        open_ = {*task.ahead, *task.lost}
        units[task.id] = {day: sorted(some & open_) for day, some in theirs.items() if some & open_}
        if set(theirs) != {task.fixed}:
            jobs[place] = replace(jobs[place], nearer=())
    return work._replace(jobs=tuple(jobs)), where._replace(units=units)


Topic = tuple[object, ...]


def topic_of(task: Task) -> Topic:
    """What tells whether two plans' tasks are the same work, whatever their ids."""
    items = tuple((item.material, item.first, item.count) for item in task.items) if task.role is Role.COVER else ()
    return task.exam, task.role, task.kind, items or task.round


def lay(ground: Ground, work: Workload, carry: Sequence[Carried], old: Plan, where: Where, way: Way, most: int) -> Laid:
    """Which units lie on which day now; ``most`` is the published daily maximum, in minutes."""
    dates = [day.day for day in work.days]
    numbers = {day: n for n, day in enumerate(dates)}
    before = before_of(work, where, numbers, way)
    work, opened = with_taper_opened(work)
    essentials = work.request.keep is Keep.ESSENTIALS
    try:
        found = mend_days(
            work.board,
            work.jobs,
            before,
            dates=[day.toordinal() for day in dates],
            published=most // UNIT,
            essentials=essentials,
            opened=opened,
            stay=way is Way.STAY,
        )
        counts, kept, is_open, bound, cap = found.days, found.kept, found.opened, found.bound, found.maximum
        bent: frozenset[int] = frozenset()
    except NoOrder:
        anew = solve(work.board, work.jobs, essentials=essentials, opened=opened)
        counts, kept, is_open, bound, cap = anew.days, anew.kept, anew.opened, anew.bound, anew.maximum
        bent = anew.bent
    by_job: list[dict[date, int]] = [{} for _ in work.jobs]
    for day, pieces in zip(dates, counts, strict=True):
        for piece in pieces:
            by_job[piece.job][day] = by_job[piece.job].get(day, 0) + piece.units
    parts: dict[date, list[tuple[int, Part]]] = {day: [] for day in dates}
    tasks = []
    for job, task in enumerate(work.tasks):
        dealt = dealt_out(task, kept[job], by_job[job], where.units.get(task.id, {}))
        published = where.units.get(task.id, {})
        astray = task.astray or any(set(units) - set(published.get(day, ())) for day, units in dealt.items())
        fixed = task.role in (Role.TAPER, Role.EVE)
        over = sum(count for _, count in task.behind)
        tasks.append(replace(task, kept=over + kept[job], astray=astray and not fixed))
        for day, units in dealt.items():
            parts[day] += [(job, Part(task=task.id, first=first, units=n)) for first, n in stretches(units)]
    if is_open:
        tasks = list(late_windows(tuple(tasks), work, opened=True))
    open_tasks = {task.id: task for task in tasks}
    whole = []
    for one in carry:
        for task in one.prepared.cycle.tasks:
            over = sum(count for _, count in task.behind)
            whole.append(open_tasks.get(task.id) or replace(task, kept=over))
    return Laid(
        tasks=tuple(whole),
        days=tuple(
            tuple(part for _, part in sorted(parts[day], key=partial(order_in_day, open_tasks))) for day in dates
        ),
        bound=bound,
        maximum=cap,
        opened=opened_exams(work) if is_open else frozenset(),
        bent=bent | still_bent(old, work),
        encores=tuple(task for task in old.tasks if task.role is Role.ENCORE and task.ideal in numbers),
        seen=seen_before(old, ground),
        before=most,
    )


def order_in_day(tasks: Mapping[str, Task], one: tuple[int, Part]) -> tuple[object, ...]:
    """The order of work in a day: on an exam's only day its sheet first, else as the tasks stand."""
    job, part = one
    task = tasks[part.task]
    return (task.role, task.round) != (Role.EVE, 0), job, part.first


def before_of(work: Workload, where: Where, numbers: Mapping[date, int], way: Way) -> list[Before]:
    """Where each job was, in the scheduler's terms."""
    first_passes: dict[tuple[str, object], list[int]] = {}
    second_passes: dict[str, list[int]] = {}
    for job, task in enumerate(work.tasks):
        if task.role is Role.COVER:
            first_passes.setdefault((task.exam, task.kind), []).append(job)
        elif task.role is Role.CONSOLIDATE:
            second_passes.setdefault(task.exam, []).append(job)
    before = []
    for task in work.tasks:
        published = where.units.get(task.id, {})
        lies = {numbers[day]: len(units) for day, units in published.items() if day in numbers}
        inside = {
            numbers[day]: len(units)
            for day, units in published.items()
            if day in numbers and task.first <= day <= task.last
        }
        held = {numbers[day]: n for day, n in where.held.get(task.id, {}).items() if numbers.get(day) in inside}
        gone = [day for day in published if day not in numbers]
        home = (gone[0] if gone else task.ideal).toordinal()
        after: tuple[int, ...] = ()
        if task.role is Role.CONSOLIDATE:
            after = tuple(first_passes.get((task.exam, task.kind), ()))
        elif task.role is Role.TIDY:
            after = tuple(second_passes.get(task.exam, ()))
        before.append(Before(lies=lies, held=inside if way is Way.STAY else held, home=home, after=after))
    full = overfull(before, work.board.room)
    return [one._replace(held={day: n for day, n in one.held.items() if day not in full}) for one in before]


def overfull(before: Sequence[Before], room: Sequence[int]) -> set[int]:
    """The days that have no room any more for all that is held on them; there, nothing is."""
    held = Counter[int]()
    for one in before:
        held.update(one.held)
    return {day for day, units in held.items() if units > room[day]}


def dealt_out(
    task: Task, kept: int, counts: Mapping[date, int], published: Mapping[date, Sequence[int]]
) -> dict[date, list[int]]:
    """Which units of a task lie on which day: a day keeps those that it had, and the others follow in order."""
    units = sorted((*task.ahead, *task.lost))[:kept]
    in_plan = set(units)
    dealt = {}
    for day, count in sorted(counts.items()):
        dealt[day] = [unit for unit in published.get(day, ()) if unit in in_plan][:count]
    taken = {unit for mine in dealt.values() for unit in mine}
    left = [unit for unit in units if unit not in taken]
    for day, count in sorted(counts.items()):
        more = count - len(dealt[day])
        dealt[day] = sorted([*dealt[day], *left[:more]])
        left = left[more:]
    return {day: mine for day, mine in dealt.items() if mine}


def still_bent(old: Plan, work: Workload) -> frozenset[int]:
    """The exams whose order had to give way in the published plan already."""
    said = [notice.sentence for notice in old.notices if notice.code == "order-bent"]
    return frozenset(n for n, one in enumerate(work.exams) if any(s.startswith(one.exam.subject) for s in said))


def seen_before(old: Plan, ground: Ground) -> dict[str, date]:
    """When the tasks that are over were last worked on; today's encore, which may have begun, is as good as over."""
    first = ground.days.days[0].day
    seen = {task.id: task.ideal for task in old.tasks if task.role is Role.ENCORE and task.ideal <= first}
    for day in sorted(old.days, key=lambda day: day.day):
        for part in day.parts if day.day < first else ():
            seen[part.task] = day.day
    for block in old.past:
        for one in block.worked:
            seen[one.task] = max(block.day, seen.get(one.task, block.day))
    return seen
