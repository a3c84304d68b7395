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
from itertools import pairwise
from typing import TYPE_CHECKING, NamedTuple
from zoneinfo import ZoneInfo

from msgspec.structs import replace

from calplan import rules
from calplan.carrying import ASIDE, Old, carried
from calplan.days import bounds, done_by_day, possible, resolve, unbooked
from calplan.errors import BrokenPlan, CalplanError
from calplan.identities import Side, exam_days, renamed
from calplan.learned import known
from calplan.mending import Before, NoOrder, mend_days
from calplan.model import UNIT, Block, Keep, Notice, Part, Plan, Role, Task, block_units, to_json
from calplan.papers import Paper, timed_papers
from calplan.placement import place
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
from calplan.spans import Span, instant, wall
from calplan.workload import Workload, board_of, job_of, with_taper_opened

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence
    from datetime import date

    from calplan.carrying import Carried
    from calplan.checkins import Entry
    from calplan.days import Days
    from calplan.model import BusySpan, Day, PastBlock, PlannedExam, Request
    from calplan.workload import Prepared


class Way(StrEnum):
    """How much may change: what gives the best plan with the fewest moves, or nothing of what stands."""

    FEWEST = "fewest"
    STAY = "stay"


class CannotUndo(CalplanError):
    """A plan that was mended cannot be put back; the sentence says why."""


class CannotMove(CalplanError):
    """A block cannot be put there; the sentence says why."""


def mend(
    old: Plan,
    old_request: Request,
    request: Request,
    calendars: Mapping[str, bytes],
    log: Iterable[Entry] = (),
    *,
    as_of: datetime,
    way: Way = Way.FEWEST,
) -> Plan:
    """The plan for ``request`` from the moment ``as_of`` on, in place of ``old``, which ``old_request`` gave.

    ``log`` is all that was said of the plan's blocks. Goals, in this order: least loss, the daily maximum, the fewest
    tasks moved, the least shift (:mod:`calplan.mending`). Where nothing is new, the answer is ``old`` itself. Raises as
    :func:`calplan.planner.make_plan`.
    """
    as_of, log = whole_second(as_of), tuple(log)
    past = settled(old, old_request, log, as_of=as_of, grace=request.mending.grace)
    over = {"", *(block.uid for block in past)}  # a word on a block that is not over tells nothing yet
    told = known(request, old, tuple(one for one in log if getattr(one, "block", "") in over))
    same = request == old_request and nothing_new(old, past, told.learned()) and not done_early(old, past, as_of)
    if same and not log:
        return old
    ground, work, carry = survey_again(Old(old, old_request, past, told), request, calendars, as_of=as_of)
    ahead = ahead_of(old, past)
    if same and as_it_was(old, carry):
        return old
    made = lay(ground, work, carry, old, ahead, way)
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
    old: Old, request: Request, calendars: Mapping[str, bytes], *, as_of: datetime
) -> tuple[Ground, Workload, tuple[Carried, ...]]:
    """The days from now on, and the work that is open on them."""
    busy, skipped = read_busy(request, calendars, as_of=as_of)
    days = with_now(request, busy, old.past, ahead_of(old.plan, old.past), as_of=as_of)
    usable = tuple(day for day in days.days if day.room)
    carry = carried(old, request, [day.day for day in usable], as_of=as_of)
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
    jobs = [replace(job, due=due_of(task, dates)) for job, task in zip(jobs, tasks, strict=True)]
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
    """The days from now on; a block that begins in the next minutes keeps its room."""
    spent = done_by_day(past)
    days = resolve(request, busy, as_of=as_of, spent=spent)
    zone = ZoneInfo(request.zone)
    today = wall(as_of, zone).date()
    soon = [block for block in ahead if block.parts and block.day == today]
    if not soon or not days.days or days.days[0].day != today:
        return days
    if all(inside(block, days.days[0], zone) for block in soon):
        return days
    earlier = resolve(request, busy, as_of=as_of, spent=spent, soonest=0)
    return replace(earlier, notices=days.notices)


def inside(block: Block, day: Day, zone: ZoneInfo) -> bool:
    """Whether a block lies in the day's gaps."""
    span = span_of(block, zone)
    return any(gap.start <= span.start and span.end <= gap.end for gap in day.gaps)


def span_of(block: Block, zone: ZoneInfo) -> Span:
    """A block's instants."""
    start = instant(block.start.replace(fold=block.fold), zone)
    return Span(start, start + timedelta(minutes=block.minutes))


def papers_again(
    request: Request, busy: tuple[BusySpan, ...], old: Old, exams: Sequence[object], *, as_of: datetime, number: int
) -> tuple[tuple[Paper, ...], tuple[Notice, ...]]:
    """The timed papers: those that stand and whose hour is still free, and others where they are needed."""
    zone = ZoneInfo(request.zone)
    stand: dict[str, Paper] = {}
    tasks = {task.id: task for task in old.plan.tasks if task.role is Role.PAPER}
    for block in ahead_of(old.plan, old.past):
        for part in (part for part in block.parts if part.task in tasks):
            span = span_of(block, zone)
            free = unbooked(request, busy, block.day, as_of=as_of)
            if any(gap.start <= span.start and span.end <= gap.end for gap in free):
                stand[tasks[part.task].exam] = Paper(tasks[part.task], block.day, span)
    had = {w.exam for block in old.past for w in block.worked if w.role is Role.PAPER and not w.back}
    kept, asked = [], []
    before = {one.key: one for one in old.request.exams}
    for one in exams:
        exam = one.exam  # type: ignore[attr-defined]
        if not exam.timed_paper or exam.key in had:
            continue
        known_paper = stand.get(exam.key)
        same = exam.key in before and (exam.start, exam.minutes, exam.extra_time) == (
            before[exam.key].start,
            before[exam.key].minutes,
            before[exam.key].extra_time,
        )
        if known_paper is not None and same and may_stand(request, one, known_paper):  # type: ignore[arg-type]
            kept.append(known_paper)
        else:
            asked.append(one)
    standing = [paper.span for paper in kept]
    found, notices = timed_papers(request, busy, asked, as_of=as_of, number=number, beside=standing)  # type: ignore[arg-type]
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


def lay(ground: Ground, work: Workload, carry: Sequence[Carried], old: Plan, ahead: Sequence[Block], way: Way) -> Laid:
    """Which units lie on which day now."""
    where = where_of(ahead, work.tasks)
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
            published=old.figures.maximum // UNIT,
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
        before=old.figures.maximum,
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
    """When the tasks that are over were last worked on."""
    first = ground.days.days[0].day
    seen = {}
    for day in sorted(old.days, key=lambda day: day.day):
        for part in day.parts if day.day < first else ():
            seen[part.task] = day.day
    for block in old.past:
        for one in block.worked:
            seen[one.task] = max(block.day, seen.get(one.task, block.day))
    return seen


# ------------------------------------------------------------------------------------------------ clock times


def put_again(
    ground: Ground, ahead: Sequence[Block], seed: str, days: tuple[Day, ...], tasks: Mapping[str, Task]
) -> tuple[Block, ...]:
    """The blocks of all days; a day on which nothing changes keeps its blocks to the minute."""
    request, as_of = ground.request, ground.days.as_of
    zone = ZoneInfo(request.zone)
    by_day: dict[date, list[Block]] = {}
    for block in ahead:
        if block.parts:
            by_day.setdefault(block.day, []).append(block)
    standing = {}
    for day in days:
        mine = by_day.get(day.day, [])
        right = [b for b in mine if right_length(b, request, tasks) and fits(b, day, tasks, zone)]
        if mine and right == mine and same_work(mine, day) and apart(mine, request, zone):
            standing[day.day] = mine
            continue
        held = [block for block in right if block.held and in_day(block, day)]
        if held and apart(held, request, zone) and leaves_room(request, day, tasks, held, as_of):
            standing[day.day] = held
    begin = [one for one in request.appointments if instant(one.start, zone) > as_of]
    coming = replace(request, appointments=tuple(begin))
    return place(coming, days, tasks, seed=seed, as_of=as_of, published=ahead, standing=standing)


def same_work(blocks: Sequence[Block], day: Day) -> bool:
    """Whether these blocks hold exactly the work of the day."""
    return units_of(part for block in blocks for part in block.parts) == units_of(day.parts)


def apart(blocks: Sequence[Block], request: Request, zone: ZoneInfo) -> bool:
    """Whether there is a break between any two of these blocks."""
    rest = timedelta(minutes=bounds(request.effort).rest)
    spans = sorted(span_of(block, zone) for block in blocks)
    return all(one.end + rest <= other.start for one, other in pairwise(spans))


def leaves_room(request: Request, day: Day, tasks: Mapping[str, Task], held: Sequence[Block], as_of: datetime) -> bool:
    """Whether the other work of a day finds a place beside blocks that are held, and everything keeps its order."""
    alone = replace(request, appointments=())
    try:
        blocks = place(alone, (day,), tasks, seed="", as_of=as_of, standing={day.day: held})
    except BrokenPlan:
        return False
    parts = [part for block in blocks for part in block.parts]
    ordered = all(
        one.first < other.first
        for one, other in pairwise(sorted(parts, key=lambda part: part.task))  # sorting keeps the order of time
        if one.task == other.task and not tasks[one.task].astray
    )
    done = [tasks[part.task] for part in parts]
    return ordered and not any(too_soon(one, later) for n, one in enumerate(done) for later in done[n + 1 :])


def too_soon(one: Task, later: Task) -> bool:
    """Whether a task that comes before another should come after it: a second pass, or the sheet's last form."""
    if one.exam != later.exam:
        return False
    if one.role is Role.TIDY:
        return later.role is Role.CONSOLIDATE
    return one.role is Role.CONSOLIDATE and later.role is Role.COVER and one.kind is later.kind


def in_day(block: Block, day: Day) -> bool:
    """Whether all work of a block is work of the day."""
    return units_of(block.parts) <= units_of(day.parts)


def right_length(block: Block, request: Request, tasks: Mapping[str, Task]) -> bool:
    """Whether a block has the length that its work gives it under the request's bounds."""
    if any(tasks[part.task].role is Role.PAPER for part in block.parts if part.task in tasks):
        return True
    limits, units = bounds(request.effort), block_units(block)
    return block.minutes == max(units * UNIT, limits.least) and units <= limits.units


def units_of(parts: Iterable[Part]) -> set[tuple[str, int]]:
    """The units of some parts."""
    return {(part.task, unit) for part in parts for unit in range(part.first, part.first + part.units)}


def fits(block: Block, day: Day, tasks: Mapping[str, Task], zone: ZoneInfo) -> bool:
    """Whether a block's hour is still free; a timed paper's was looked at before."""
    return inside(block, day, zone) or any(tasks[p.task].role is Role.PAPER for p in block.parts if p.task in tasks)


# ------------------------------------------------------------------------------------------- small repairs, undo


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
    """The wall-clock starts, a quarter of an hour apart, at which a block could still be done later on its day."""
    block = next((one for one in plan.blocks if one.uid == uid), None)
    zone = ZoneInfo(plan.zone)
    day = next((one for one in plan.days if block is not None and one.day == block.day), None)
    if block is None or day is None or block.fixed or wall(as_of, zone).date() != block.day:
        return ()
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
    return tuple(starts)


def later(plan: Plan, request: Request, uid: str, start: datetime, *, as_of: datetime) -> Plan:
    """The plan with a block later on the same day, and kept there; nothing else changes.

    ``start`` is one of :func:`later_starts`, else :class:`CannotMove` is raised.
    """
    as_of = whole_second(as_of)
    if start not in later_starts(plan, request, uid, as_of=as_of):
        raise CannotMove("The block cannot begin then: something else lies there, or the hour is over.")
    blocks = [
        replace(
            block,
            start=start.replace(fold=0),
            fold=start.fold,
            sequence=block.sequence + 1,
            revised=as_of,
            held=True,
        )
        if block.uid == uid
        else block
        for block in plan.blocks
    ]
    ordered = sorted(blocks, key=lambda one: (span_of(one, ZoneInfo(plan.zone)).start, one.uid))
    moved = replace(plan, blocks=tuple(ordered), restored=as_of)
    if rules.check(request, moved):
        raise CannotMove("Other work of that day has to come after this block, so it cannot go there.")
    return moved
