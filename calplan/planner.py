"""From a request to a plan: the steps, wired.

    request, calendars → busy times → days → cycle (tasks) → schedule (days) → placement (clock times) → rules

:func:`make_plan` is the main job. :func:`trade_off` asks the same machine what starting on another day would cost.
No step asks for the time, for chance or for this computer's zone: all of that comes in as arguments.
"""

from __future__ import annotations

from bisect import bisect_left
from datetime import UTC, date, datetime, timedelta
from functools import partial
from hashlib import sha256
from itertools import pairwise
from typing import TYPE_CHECKING, NamedTuple, TypeAlias
from zoneinfo import ZoneInfo

from msgspec.structs import replace

from calplan import rules
from calplan.busy import CalendarFile, ReadCalendars, Reading, read_calendars
from calplan.capacity import keep_for, loss
from calplan.cycle import Stages, estimate
from calplan.days import Days, exam_day, exam_span, resolve, set_aside, short_date, what_takes
from calplan.encores import with_encores
from calplan.errors import BadCalendar, BrokenPlan, InvalidRequest, NoPlan, Problem
from calplan.model import (
    UNIT,
    Block,
    BusyCalendar,
    BusySpan,
    Day,
    Exam,
    Figures,
    Holidays,
    Keep,
    Notice,
    Part,
    Plan,
    PlannedExam,
    Rank,
    Request,
    Role,
    Shortfall,
    Skipped,
    Task,
    Value,
    to_json,
)
from calplan.papers import Paper, timed_papers
from calplan.placement import place
from calplan.publicdays import check_place, versions
from calplan.remarks import remarks
from calplan.request import MOST_DAYS
from calplan.schedule import Solution, solve
from calplan.workload import Prepared, Workload, fits_all, limit_for, tightest, with_taper_opened, workload

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterable, Mapping, Sequence

    from calplan.partition import Piece

LOOK_BACK = 60
"""How many days before the present one are tried for a start that would have done."""

NOT_HANDED_OVER = "The file was not handed over with the request."

WAY_TO_THE_EXAM = (
    "Two minutes: write down what the exam covers, and when and where it starts.",
    "Five minutes: look over the summary sheet, or the headings and boxed formulas of the newest chapter.",
    "Two minutes: look at one problem that you once had wrong and now know.",
    "One minute: pack what the exam allows, and stop.",
)
"""What still makes sense when no day is left (common practice, no source)."""


def make_plan(
    request: Request,
    calendars: Mapping[str, bytes],
    *,
    as_of: datetime,
    seed: str | None = None,
    published: Iterable[Block] = (),
    reading: ReadCalendars = read_calendars,
) -> Plan:
    """The plan for a request from the moment ``as_of`` on.

    ``calendars`` holds the bytes of the busy calendars by the names under which the request lists them. Ids derive
    from ``seed`` (default: the request's hash), so that equal arguments give an equal plan. Each day's work starts as
    near as can be to where the ``published`` blocks start it. ``reading`` reads the calendars, for whoever plans for
    many with the same ones. Raises InvalidRequest with every problem of the request's place and files; NoPlan when no
    exam has a usable day; BrokenPlan when the finished plan breaks a rule, which is a bug.
    """
    as_of = whole_second(as_of)
    digest = sha256(to_json(request, indent=0)).hexdigest()
    ground = survey(request, calendars, as_of=as_of, reading=reading)
    work, opened = with_taper_opened(ground.work)
    solution = solve(work.board, work.jobs, essentials=request.keep is Keep.ESSENTIALS, opened=opened)
    put = partial(place, request, seed=seed or digest, as_of=as_of, published=tuple(published))
    plan = assemble(ground, work, laid(work, solution), digest=digest, seed=seed or digest, put=put)
    faults = rules.check(request, plan)
    if faults:
        raise BrokenPlan(faults)
    return plan


def whole_second(moment: datetime) -> datetime:
    """The moment in UTC without a fraction, as a plain ``datetime`` whatever subclass it came as."""
    return datetime.fromtimestamp(int(moment.timestamp()), UTC)


# --------------------------------------------------------------------------------- what there is to work with


class Ground(NamedTuple):
    """A request with everything about it resolved: busy times, days, timed papers, and the work for the days."""

    request: Request
    busy: tuple[BusySpan, ...]
    skipped: tuple[Skipped, ...]
    days: Days
    work: Workload
    papers: tuple[Paper, ...]
    notices: tuple[Notice, ...]


def survey(
    request: Request,
    calendars: Mapping[str, bytes],
    *,
    as_of: datetime,
    known: tuple[BusySpan, ...] | None = None,
    reading: ReadCalendars = read_calendars,
) -> Ground:
    """Reads the busy calendars (unless their busy times are ``known``), resolves the days and sets the tasks.

    Raises as :func:`make_plan`.
    """
    busy, skipped = (known, ()) if known is not None else read_busy(request, calendars, as_of=as_of, reading=reading)
    days = resolve(request, busy, as_of=as_of)
    work = workload(request, days.days)
    without = [exam for exam in request.exams if all(exam.key != one.exam.key for one in work.exams)]
    if len(without) == len(request.exams):
        raise no_plan(request, busy, days)
    notices = [
        Notice(
            code="no-usable-day",
            sentence=f"{exam.subject} has no usable day before it, so nothing is planned for it. "
            + " ".join(what_takes(request, busy, days, exam.key)[:2]),
        )
        for exam in without
    ]
    notices += overlapping(request)
    papers, left_out = timed_papers(request, busy, work.exams, as_of=as_of, number=len(work.tasks))
    if papers:
        work = around_papers(work, papers)
    return Ground(request, busy, skipped, days, work, papers, (*notices, *left_out))


def overlapping(request: Request) -> list[Notice]:
    """A word on exams that are sat at the same time: a slip, or something to settle with the school."""
    spans = sorted(((exam_span(request, exam), exam.subject) for exam in request.exams), key=lambda one: one[0])
    return [
        Notice(
            code="exams-overlap",
            sentence=f"{one} and {other} overlap. If that is right, ask the school which one is moved.",
        )
        for (span, one), (next_span, other) in pairwise(spans)
        if span.overlaps(next_span)
    ]


def read_busy(
    request: Request, calendars: Mapping[str, bytes], *, as_of: datetime, reading: ReadCalendars = read_calendars
) -> tuple[tuple[BusySpan, ...], tuple[Skipped, ...]]:
    """The busy times of all calendar files, and what was skipped in them.

    They are read from a look-back before ``as_of`` on, so that earlier starts can be weighed. Raises InvalidRequest
    with all problems of the files and of the public holidays' place.
    """
    first, last = first_day(request, as_of), max(exam_day(request, exam) for exam in request.exams)
    if (last - first).days > MOST_DAYS:
        sentence = f"From {first} to the last exam on {last} there are more than {MOST_DAYS} days."
        far = Problem("start", sentence, "Start later, or leave the far exam out for now.")
        raise InvalidRequest([far, *problems_beyond(request.calendars, request.holidays, calendars)])
    readings = reading(
        [
            CalendarFile(data=calendars[one.file], name=one.file, all_day=one.all_day, only=one.only)
            for one in request.calendars
            if one.file in calendars
        ],
        zone=request.zone,
        first=first - timedelta(days=LOOK_BACK),
        last=last,
    )
    read = [one for one in readings if isinstance(one, Reading)]
    if len(read) < len(request.calendars) or check_place(request.holidays.country, request.holidays.subdivision):
        raise InvalidRequest(problems_beyond(request.calendars, request.holidays, calendars))
    return (
        tuple(sorted((one for found in read for one in found.busy), key=lambda one: one.span)),
        tuple(one for found in read for one in found.skipped),
    )


def problems_beyond(
    calendars: Sequence[BusyCalendar], holidays: Holidays | None, files: Mapping[str, bytes]
) -> list[Problem]:
    """What is wrong beyond a request's own document: calendars that are missing or unreadable, an unknown place."""
    place_problem = check_place(holidays.country, holidays.subdivision) if holidays else None
    problems = [] if place_problem is None else [place_problem]
    problems += [
        Problem(f"calendar {one.file}", NOT_HANDED_OVER, "Check its name and place.")
        for one in calendars
        if one.file not in files
    ]
    there = [CalendarFile(data=files[one.file], name=one.file) for one in calendars if one.file in files]
    readings = read_calendars(there, zone="UTC", first=date(2000, 1, 1), last=date(2000, 1, 1))
    return [*problems, *(reading.problem for reading in readings if isinstance(reading, BadCalendar))]


def first_day(request: Request, as_of: datetime) -> date:
    """The first day that the plan may use."""
    today = as_of.astimezone(ZoneInfo(request.zone)).date()
    return max(today, request.start) if request.start else today


def no_plan(request: Request, busy: tuple[BusySpan, ...], days: Days) -> NoPlan:
    """The refusal when no exam has a usable day: what takes the days, and what can still be done."""
    last = max(request.exams, key=lambda exam: exam_span(request, exam).start)
    if exam_span(request, last).start <= days.as_of:
        over = exam_span(request, last).end <= days.as_of
        return NoPlan(
            f"The exam in {last.subject} {'is over' if over else 'has begun'}.",
            [f"Its start: {short_date(last.start.date())}, {last.start:%H:%M} ({last.zone or request.zone} time)."],
            ["Change the exam's start in the request if it lies ahead." if over else "Put this away: it is time."],
        )
    return NoPlan(
        f"No day before the exam in {last.subject} can hold any work.",
        what_takes(request, busy, days, last.key),
        WAY_TO_THE_EXAM,
    )


def around_papers(work: Workload, papers: Sequence[Paper]) -> Workload:
    """The workload with the timed papers' days kept free of other work where that loses nothing, else around them."""
    board, taken = work.board, {paper.day for paper in papers}
    beside = work.days
    for paper in papers:
        beside = tuple(
            set_aside(day, paper.span, work.request.effort) if day.day == paper.day else day for day in beside
        )
    around = replace(board, room=tuple(day.room for day in beside))
    alone = replace(board, room=tuple(0 if day.day in taken else day.room for day in beside))
    filled = tuple(day.day in taken or full for day, full in zip(beside, board.filled, strict=True))
    essentials = work.request.keep is Keep.ESSENTIALS
    losses = [loss(work.jobs, keep_for(one, work.jobs, essentials=essentials, late=False)) for one in (alone, around)]
    better = alone if losses[0] <= losses[1] else around
    return work._replace(days=beside, board=replace(better, filled=filled))


# ------------------------------------------------------------------------------------------- the plan itself


class Laid(NamedTuple):
    """Work on days: all tasks with what is kept of them, and the parts of each usable day.

    ``bound`` and ``maximum`` are units; ``opened`` and ``bent`` name exams by their place; ``seen`` tells when tasks
    that are over were last worked on. ``before`` is the daily maximum of a plan that was mended, in minutes.
    """

    tasks: tuple[Task, ...]
    days: tuple[tuple[Part, ...], ...]
    bound: int
    maximum: int
    opened: frozenset[int]
    bent: frozenset[int]
    encores: tuple[Task, ...] = ()
    seen: Mapping[str, date] = {}
    before: int | None = None


def laid(work: Workload, solution: Solution) -> Laid:
    """A solution of the scheduler in the plan's terms."""
    tasks = tuple(replace(task, kept=kept) for task, kept in zip(work.tasks, solution.kept, strict=True))
    tasks = late_windows(tasks, work, opened=solution.opened)
    return Laid(
        tasks=tasks,
        days=tuple(
            tuple(
                Part(task=tasks[job].id, first=first, units=units) for job, first, units in sheet_first(tasks, pieces)
            )
            for pieces in solution.days
        ),
        bound=solution.bound,
        maximum=solution.maximum,
        opened=opened_exams(work) if solution.opened else frozenset(),
        bent=solution.bent,
    )


def opened_exams(work: Workload) -> frozenset[int]:
    """The exams whose taper days may take essentials."""
    return frozenset(job.exam for job in work.jobs if job.late >= 0)


Put: TypeAlias = "Callable[[tuple[Day, ...], Mapping[str, Task]], tuple[Block, ...]]"
"""Gives the work of days its clock times."""


def assemble(ground: Ground, work: Workload, made: Laid, *, digest: str, seed: str, put: Put) -> Plan:
    """The plan in which work lies so: days with their work, blocks at clock times, figures and remarks."""
    request, as_of = ground.request, ground.days.as_of
    loaded = [replace(day, parts=parts) for day, parts in zip(work.days, made.days, strict=True)]
    papers: dict[date, tuple[Part, ...]] = {}
    for paper in ground.papers:
        part = Part(task=paper.task.id, first=0, units=paper.task.kept)
        papers[paper.day] = (*papers.get(paper.day, ()), part)
    loaded = [replace(day, parts=(*day.parts, *papers[day.day])) if day.day in papers else day for day in loaded]
    most = min(work.board.usual, made.maximum)
    used, encores = with_encores(loaded, made.tasks, work.exams, most=most, kept=made.encores, seen=made.seen)
    tasks = (*made.tasks, *(paper.task for paper in ground.papers), *encores)
    days = every_day(ground, used, papers)
    blocks = put(days, {task.id: task for task in tasks})
    days = tuple(restored(day, original) for day, original in zip(days, ground.days.days, strict=True))
    tz_version, holidays_version = versions()
    figures = figures_of(ground.work, made)
    return Plan(
        request_hash=digest,
        seed=seed,
        as_of=as_of,
        zone=request.zone,
        title=request.title or " and ".join(exam.subject for exam in request.exams),
        exams=tuple(
            replace(planned_exam(request, one, work.exams, made.opened), revised=as_of) for one in request.exams
        ),
        days=days,
        tasks=tasks,
        blocks=blocks,
        figures=figures,
        tz_version=tz_version,
        holidays_version=holidays_version,
        busy=tuple(one for one in ground.busy if one.span.end > as_of - timedelta(minutes=request.effort.margin)),
        holidays=ground.days.holidays,
        skipped=ground.skipped,
        asks=tuple(ask for one in work.exams for ask in one.cycle.asks),
        notices=(
            *ground.notices,
            *ground.days.notices,
            *remarks(work.exams, made.tasks, used, opened=made.opened, bent=made.bent, today=ground.days.days[0].day),
        ),
        shortfall=shortfall_of(ground, made, figures),
    )


def sheet_first(tasks: Sequence[Task], pieces: Sequence[Piece]) -> list[Piece]:
    """A day's pieces in the order of work: on an exam's only day its sheet comes before everything else."""
    return sorted(pieces, key=lambda piece: (tasks[piece.job].role, tasks[piece.job].round) != (Role.EVE, 0))


def late_windows(tasks: tuple[Task, ...], work: Workload, *, opened: bool) -> tuple[Task, ...]:
    """The tasks with the taper days that were opened for them added to their windows."""
    if not opened:
        return tasks
    return tuple(
        replace(task, last=work.days[job.late].day) if job.late > job.due else task
        for task, job in zip(tasks, work.jobs, strict=True)
    )


def every_day(ground: Ground, used: Sequence[Day], papers: Mapping[date, tuple[Part, ...]]) -> tuple[Day, ...]:
    """All days of the plan: the usable ones with their work, the others with at most a timed paper."""
    loaded = {day.day: day for day in used}
    return tuple(
        loaded[day.day] if day.day in loaded else replace(day, parts=papers[day.day]) if day.day in papers else day
        for day in ground.days.days
    )


def restored(day: Day, original: Day) -> Day:
    """A day with its work, and with its hours as they are without a timed paper."""
    return replace(original, parts=day.parts)


def planned_exam(request: Request, exam: Exam, exams: Sequence[Prepared], opened: Collection[int]) -> PlannedExam:
    """What the plan says of an exam: its stages as dates."""
    place, one = next(((i, one) for i, one in enumerate(exams) if one.exam.key == exam.key), (-1, None))
    days, stages = (one.days, one.cycle.stages) if one else ((), Stages(0, 0, 0))
    second = stages.cover + stages.consolidate
    return PlannedExam(
        key=exam.key,
        subject=exam.subject,
        start=exam.start,
        zone=exam.zone or request.zone,
        minutes=exam.minutes,
        usable_days=len(days),
        place=exam.place,
        cover_ends=days[stages.cover - 1] if stages.cover else None,
        consolidate_ends=days[second - 1] if stages.consolidate else None,
        taper_days=days[second:],
        opened=place in opened,
        latest=exam.latest,
    )


# --------------------------------------------------------------------------------------- figures and ways out


def figures_of(work: Workload, made: Laid) -> Figures:
    """The plan's minutes a day and in all."""
    return Figures(
        everything=limit_for(work, Rank.EXTRA),
        essentials=limit_for(work, Rank.FLAG_SHOULD),
        bound=made.bound * UNIT,
        maximum=made.maximum * UNIT,
        asked=sum(len(task.ranks) for task in made.tasks) * UNIT,
        kept=sum(task.kept for task in made.tasks) * UNIT,
        before=made.before,
    )


def shortfall_of(ground: Ground, made: Laid, figures: Figures) -> Shortfall | None:
    """The proof that not everything fits, and the ways out; ``None`` where nothing is lost that was to be kept.

    A plan that was mended has begun, so that no other start is looked for.
    """
    lost: dict[Rank, int] = {}
    for task in made.tasks:
        for unit in task.lost:
            lost[task.ranks[unit]] = lost.get(task.ranks[unit], 0) + UNIT
    if not lost or (ground.request.keep is Keep.ESSENTIALS and set(lost) == {Rank.EXTRA}):
        return None
    days = ground.work.days
    first, last, needed, free = tightest(ground.work) or (days[0].day, days[-1].day, figures.asked, figures.kept)
    return Shortfall(
        first=first,
        last=last,
        needed=needed,
        free=free,
        lost=dict(sorted(lost.items())),
        start=start_that_would_do(ground) if made.before is None else None,
        limit_all=figures.everything,
        limit_essential=figures.essentials,
    )


def start_that_would_do(ground: Ground) -> date | None:
    """The latest first day, within the look-back, from which everything would have fitted under the same limit."""
    request = ground.request
    first = first_day(request, ground.days.as_of)
    earlier = ground.days.as_of - timedelta(days=LOOK_BACK)
    days = resolve(replace(request, start=first - timedelta(days=LOOK_BACK)), ground.busy, as_of=earlier).days
    for back in range(1, LOOK_BACK + 1):
        start = first - timedelta(days=back)
        usable = [day for day in days if day.room and day.day >= start]
        if sum(day.room for day in usable) < least_units(request, usable):
            continue
        work = workload(request, usable)
        if len(work.exams) == len(request.exams) and fits_all(work):
            return start
    return None


def least_units(request: Request, usable: Sequence[Day]) -> int:
    """A number of units that the work over so many days cannot fall below: it saves most of the trials of a start.

    However material is dealt out, its first pass has its minutes; only a single day leaves most of it out.
    """
    dates = [day.day for day in usable]
    return sum(
        int(sum(estimate(exam, request.rates, one)[0] for one in exam.materials if one.in_hand is None)) // UNIT
        for exam in request.exams
        if bisect_left(dates, exam_day(request, exam)) > 1
    )


class Step(Value, frozen=True, kw_only=True):
    """A point of the trade-off curve: minutes a day that would do, for one first day.

    ``days`` counts the usable days from ``start`` to the last exam. ``None`` means that no limit would do.
    """

    start: date
    days: int
    everything: int | None
    essentials: int | None


def trade_off(
    request: Request, calendars: Mapping[str, bytes], *, as_of: datetime, known: tuple[BusySpan, ...] | None = None
) -> tuple[Step, ...]:
    """What putting it off costs: for every usable day as the first, the least limit of a day that would do.

    Who starts earlier can always do what would do from a later day on, so no figure is higher than one below it. The
    curve ends with two days left for the first exam, since a single day asks for other, much less work. ``known`` are
    the busy times of the calendars where these were read before. Raises as :func:`make_plan`.
    """
    ground = survey(request, calendars, as_of=whole_second(as_of), known=known)
    least = min(2, *(len(one.days) for one in ground.work.exams))
    steps = []
    for skipped, day in enumerate(ground.work.days):
        work = workload(request, ground.work.days[skipped:])
        if len(work.exams) < len(ground.work.exams) or min(len(one.days) for one in work.exams) < least:
            break
        steps.append(
            Step(
                start=day.day,
                days=len(work.days),
                everything=limit_for(work, Rank.EXTRA),
                essentials=limit_for(work, Rank.FLAG_SHOULD),
            )
        )
    return tuple(never_rising(steps))


def never_rising(steps: Sequence[Step]) -> list[Step]:
    """The steps with each figure at most that of any later start."""
    result: list[Step] = []
    for step in reversed(steps):
        after = result[-1] if result else step
        everything = min((m for m in (step.everything, after.everything) if m is not None), default=None)
        essentials = min((m for m in (step.essentials, after.essentials) if m is not None), default=None)
        result.append(replace(step, everything=everything, essentials=essentials))
    return result[::-1]
