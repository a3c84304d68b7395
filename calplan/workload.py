"""The whole of the work and the days to lay it on, in the scheduler's terms, and back.

Every exam's usable days are the first so many of the plan's usable days, so one line of days carries all exams. This
module turns tasks into jobs and days into a board, and asks the questions that need nothing else: which limit of
a day would do, and what proves that the work does not fit.
"""

from __future__ import annotations

from bisect import bisect_left
from collections import Counter
from typing import TYPE_CHECKING, NamedTuple

from msgspec.structs import replace

from calplan.capacity import Board, Job, all_runs, demands, essential_units, fits, keep_for, least_limit, overload
from calplan.cycle import Cycle, cycle
from calplan.days import exam_day, room
from calplan.model import KINDS, UNIT, WORTH, Day, Exam, Keep, Rank, Request, Role, Stage, Task

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence
    from datetime import date

MOST_UNITS = 24 * 60 // UNIT
"""No limit of a day can be higher."""


class Prepared(NamedTuple):
    """An exam with its date in the plan's zone, its usable days, and its tasks over them."""

    exam: Exam
    day: date
    days: tuple[date, ...]
    cycle: Cycle


class Workload(NamedTuple):
    """What is to be scheduled. ``jobs`` stand in the order of ``tasks``; ``days`` are the usable ones only."""

    request: Request
    days: tuple[Day, ...]
    exams: tuple[Prepared, ...]
    tasks: tuple[Task, ...]
    jobs: tuple[Job, ...]
    board: Board


def workload(request: Request, days: Sequence[Day]) -> Workload:
    """The work of every exam that has a usable day among ``days``, in order of the exams' dates."""
    usable = tuple(day for day in days if day.room)
    today = days[0].day if days else None
    exams = share_taper(prepare(request, usable, today), max(1, request.effort.usual // UNIT))
    tasks = tuple(task for one in exams for task in one.cycle.tasks)
    dates = [day.day for day in usable]
    jobs = tuple(job_of(task, dates, one, place) for place, one in enumerate(exams) for task in one.cycle.tasks)
    encores = {day for one in exams for day, _ in one.cycle.encores}
    return Workload(request, usable, exams, tasks, jobs, board_of(request, usable, exams, encores))


def prepare(request: Request, usable: Sequence[Day], today: date | None) -> tuple[Prepared, ...]:
    """Each exam's days and tasks; exams without a usable day are left out."""
    dates = [day.day for day in usable]
    prepared = []
    for exam in sorted(request.exams, key=lambda exam: (exam_day(request, exam), exam.start)):
        day = exam_day(request, exam)
        mine = tuple(dates[: bisect_left(dates, day)])
        if mine:
            made = cycle(exam, request.rates, mine, usual=request.effort.usual, today=today)
            prepared.append(Prepared(exam, day, mine, made))
    return tuple(prepared)


def share_taper(exams: tuple[Prepared, ...], usual: int) -> tuple[Prepared, ...]:
    """Where several exams have their light days at once, these share the usual minutes; the eve's own task stays whole.

    Five exams in a week would otherwise ask for five taper tasks a day.
    """
    at_once = Counter(task.ideal for one in exams for task in one.cycle.tasks if task.stage is Stage.TAPER)
    if all(count == 1 for count in at_once.values()):
        return exams
    return tuple(
        one._replace(
            cycle=one.cycle._replace(
                tasks=tuple(
                    shortened(task, max(1, usual // at_once[task.ideal])) if task.role is Role.TAPER else task
                    for task in one.cycle.tasks
                )
            )
        )
        for one in exams
    )


def shortened(task: Task, most: int) -> Task:
    """The task with at most so many units."""
    ranks = task.ranks[:most]
    return replace(task, ranks=ranks, kept=len(ranks))


def job_of(task: Task, dates: Sequence[date], one: Prepared, place: int) -> Job:
    """A task in the scheduler's terms."""
    pinned = task.role in (Role.TAPER, Role.EVE)
    release, due = bisect_left(dates, task.first), bisect_left(dates, task.last)
    return Job(
        exam=place,
        kind=KINDS.index(task.kind) if task.kind else -1,
        second=task.role is Role.CONSOLIDATE,
        ranks=task.ranks,
        release=release,
        due=due,
        ideal=bisect_left(dates, task.ideal),
        pinned=pinned,
        worth=worth_of(task, one, place, pinned=pinned),
        nearer=around(task.fixed, dates[release : due + 1], release) if task.fixed else (),
    )


def around(day: date, dates: Sequence[date], start: int) -> tuple[tuple[int, int], ...]:
    """Windows of ``dates`` around a day, from the nearest alone to all of them; places count from ``start``."""
    far = [abs((one - day).days) for one in dates]
    return tuple(
        (start + min(inside), start + max(inside))
        for most in sorted(set(far))
        if (inside := [place for place, days in enumerate(far) if days <= most])
    )


def worth_of(task: Task, one: Prepared, place: int, *, pinned: bool) -> tuple[int, ...]:
    """Who gives way inside a rank: the lighter or surer exam, the less worthy kind, the later exam, the later stop.

    Of taper days the eve's task stays longest.
    """
    exam = (-one.exam.weight, one.exam.sureness)
    if pinned:
        return (task.role is not Role.EVE, *exam, place, -task.number)
    return (*exam, WORTH.index(task.kind) if task.kind else -1, place, task.number)


def board_of(request: Request, usable: Sequence[Day], exams: Sequence[Prepared], encores: Collection[date]) -> Board:
    """The usable days under the request's limit."""
    return Board(
        room=tuple(day.room for day in usable),
        load=tuple(day.fixed for day in usable),
        filled=tuple(day.day in encores or day.spent > 0 for day in usable),
        eves=frozenset(len(one.days) - 1 for one in exams),
        usual=max(1, request.effort.usual // UNIT),
        limit=request.effort.limit // UNIT,
    )


def with_taper_opened(work: Workload) -> tuple[Workload, Board | None]:
    """The workload with late days for the exams that would lose essentials, and the board that goes with them.

    Their taper days before the eve then hold usual minutes in all. The board is ``None`` where it is not needed.
    """
    kept = keep_for(work.board, work.jobs, essentials=work.request.keep is Keep.ESSENTIALS, late=False)
    short = {
        job.exam for job, count in zip(work.jobs, kept, strict=True) if not job.pinned and count < essential_units(job)
    }
    opened = {place: len(work.exams[place].days) - 2 for place in short if work.exams[place].cycle.stages.taper > 1}
    if not opened:
        return work, None
    jobs = tuple(
        replace(job, late=opened[job.exam]) if job.exam in opened and not job.pinned else job for job in work.jobs
    )
    rooms = list(work.board.room)
    for place, last in opened.items():
        for day in range(last + 2 - work.exams[place].cycle.stages.taper, last + 1):
            rooms[day] = min(rooms[day], max(0, work.board.usual - work.board.load[day]))
    return work._replace(jobs=jobs), replace(work.board, room=tuple(rooms))


# ----------------------------------------------------------------------------------- which limit would do


def limit_for(work: Workload, most: Rank) -> int | None:
    """The least limit of a day, in minutes, under which all work of rank ``most`` or better fits; ``None``: none."""
    units = least_limit(all_runs(work.jobs, most=most), lambda limit: rooms_at(work, limit), MOST_UNITS)
    return None if units is None else units * UNIT


def rooms_at(work: Workload, limit: int) -> list[int]:
    """The room of every usable day under another limit, in units."""
    return [room(day, limit * UNIT) for day in work.days]


def tightest(work: Workload) -> tuple[date, date, int, int] | None:
    """The proof that not everything fits: a stretch's first and last day, minutes that must lie there, minutes free."""
    found = overload(demands(all_runs(work.jobs)), work.board.room)
    if found is None:
        return None
    worst, free = found
    last = min(worst.last, len(work.days) - 1)
    return work.days[min(worst.first, last)].day, work.days[last].day, worst.units * UNIT, free * UNIT


def fits_all(work: Workload) -> bool:
    """Whether everything fits under the request's limit."""
    return fits(demands(all_runs(work.jobs)), work.board.room)
