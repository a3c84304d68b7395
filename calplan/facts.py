"""What a plan is judged on: request and plan turned into instants, days and sums, in the checker's own way.

A plan is made by one set of modules and judged by another, which shares no code with them: it takes the request, the
plan's tasks, parts and blocks, and what the plan was resolved on (busy times, public holidays, the moment it was made),
and works everything else out again here. Where the planner subtracts spans from spans and packs blocks into gaps, the
checker sweeps over all boundaries and counts how many units a day can hold at least and at most.

Nothing here judges. What cannot be reckoned with (a date in the year 9999, say) is left aside.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from datetime import UTC, date, datetime, time, timedelta
from functools import cached_property, lru_cache
from typing import TYPE_CHECKING, Literal, TypeAlias
from zoneinfo import ZoneInfo

import msgspec

from calplan.model import (
    UNIT,
    Block,
    Day,
    Exam,
    HolidayUse,
    Material,
    Part,
    Plan,
    PlannedExam,
    Request,
    Role,
    Task,
)
from calplan.spans import instant

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence

YEARS = range(1900, 2201)
"""The years whose dates are reckoned with."""

LONG_AGO = datetime(YEARS[0] - 1, 1, 1, tzinfo=UTC)
DAY = timedelta(days=1)
HOUR = timedelta(hours=1)
MINUTE = timedelta(minutes=1)
AFTER_EXAM = 2 * HOUR
A_LITTLE_LATER = HOUR
"""Today counts only from a little later than the plan's moment; how much is the planner's to choose, within this."""

UNCOUNTED = frozenset({Role.ENCORE, Role.PAPER})
"""What is no work that was asked for."""

What: TypeAlias = Literal["work", "appointment", "paper"]
Stretch: TypeAlias = tuple[datetime, datetime]
Named: TypeAlias = tuple[datetime, datetime, str]


class Facts(msgspec.Struct, frozen=True, kw_only=True, dict=True):
    """All that the rules look at. Stretches are pairs of instants; those of ``busy`` have their margin already.

    ``clocked`` runs parallel to the plan's blocks, with ``None`` for those that are malformed. ``in_days`` and
    ``in_blocks`` hold each task's parts as the days and as the blocks have them; ``papers`` are the timed papers' ids.
    ``short`` has the minutes of the short days, ``spent`` the units of work that is done, both by date.
    """

    request: Request
    plan: Plan
    zone: ZoneInfo
    as_of: datetime
    days: dict[date, Day]
    tasks: dict[str, Task]
    papers: frozenset[str]
    exams: dict[str, ExamFacts]
    in_days: dict[str, list[Placed]]
    in_blocks: dict[str, list[Placed]]
    clocked: list[Clocked | None]
    fixed: dict[date, Fixed]
    appointments: list[Stretch]
    hours: list[Stretch]
    quiet: list[Stretch]
    catch_up: list[Stretch]
    busy: list[Named]
    off: list[Named]
    free_days: list[Named]
    closed: list[Named]
    halved: set[date]
    short: dict[date, int]
    spent: dict[date, int]

    @cached_property
    def shortest(self) -> int:
        """The least minutes of a block of work."""
        return min(self.request.effort.shortest, self.request.effort.limit)

    @cached_property
    def rest(self) -> timedelta:
        """The break between blocks."""
        return self.request.effort.rest * MINUTE

    @cached_property
    def counted(self) -> list[Task]:
        """The tasks that count as work asked for: all but encores and timed papers."""
        return [task for task in self.tasks.values() if task.role not in UNCOUNTED]

    @cached_property
    def encores(self) -> list[Task]:
        """The tasks in which material comes again."""
        return [task for task in self.tasks.values() if task.role is Role.ENCORE]

    @cached_property
    def days_of(self) -> dict[str, list[date]]:
        """The days on which each task lies, by the days or by the blocks, in order."""
        return {name: sorted({one.day for one in self.placed(name)}) for name in self.tasks}

    @cached_property
    def loads(self) -> dict[date, tuple[int, int]]:
        """The units of work and of encores that each day holds."""
        return units_of_days(self)

    @cached_property
    def at_best(self) -> list[Stretch]:
        """The stretches that are free where every doubt is decided in the planner's favour, in order."""
        return left_free(self.hours, certain(self))

    @cached_property
    def free(self) -> dict[date, FreeTime]:
        """What is free of each day, and the units that it can hold."""
        return free_time(self)

    def placed(self, task: str) -> list[Placed]:
        """Where a task's parts lie, by the days and by the blocks."""
        return self.in_days[task] + self.in_blocks[task]

    def fixed_on(self, day: date) -> Fixed:
        """What the day's appointments take."""
        return self.fixed.get(day, NOTHING_FIXED)


class Clocked(msgspec.Struct, frozen=True, order=True):
    """An interval of study to be held against the clock: a block, or an event that came back."""

    start: datetime
    end: datetime
    place: str
    day: date
    what: What


class Placed(msgspec.Struct, frozen=True):
    """A part with its day and, if it comes from a block, the block's instant and its place in the block."""

    day: date
    part: Part
    task: Task
    when: tuple[datetime, int] | None = None


class Fixed(msgspec.Struct, frozen=True):
    """The minutes of a day's appointments, and their units: rounded down together and up one by one."""

    minutes: int
    least: int
    most: int


NOTHING_FIXED = Fixed(0, 0, 0)


class FreeTime(msgspec.Struct, frozen=True):
    """A day's stretches that are free at best, and the units that its blocks can hold, limit or no limit."""

    stretches: list[Stretch]
    least: int
    most: int


class ExamFacts(msgspec.Struct, frozen=True, kw_only=True):
    """An exam with its instants, its local date in the plan's zone, its usable days and the stages they give."""

    exam: Exam
    planned: PlannedExam | None
    start: datetime
    end: datetime
    day: date
    usable: tuple[date, ...]
    cover: int
    consolidate: int
    materials: dict[str, Material]
    tasks: list[Task]
    by_role: dict[Role, list[Task]]

    @property
    def mended(self) -> bool:
        """Whether the exam lives on from a published plan, so that its stages keep their dates."""
        return self.planned is not None and self.planned.behind_days is not None

    def of(self, role: Role) -> Sequence[Task]:
        """The exam's tasks of one role, in order."""
        return self.by_role.get(role, ())

    @property
    def cover_ends(self) -> date | None:
        """The last day of the cover stage."""
        return self.usable[self.cover - 1] if self.cover else None

    @property
    def consolidate_ends(self) -> date | None:
        """The last day of the consolidate stage."""
        return self.usable[self.cover + self.consolidate - 1] if self.consolidate else None

    @property
    def taper_days(self) -> tuple[date, ...]:
        """The days of the taper stage, the eve last; none where there is but one usable day."""
        return self.usable[self.cover + self.consolidate :]


def gather(request: Request, plan: Plan) -> Facts:
    """Everything that the rules need; what cannot be reckoned with is left aside."""
    zone = ZoneInfo(request.zone)
    days = {day.day: day for day in plan.days if day.day.year in YEARS}
    tasks = {task.id: task for task in plan.tasks}
    papers = frozenset(name for name, task in tasks.items() if task.role is Role.PAPER)
    clocked = [clocked_block(block, papers, zone) for block in plan.blocks]
    in_days, in_blocks = parts_by_task(plan, tasks, clocked)
    exams = {exam.key: exam_facts(exam, request, plan, days, zone) for exam in request.exams}
    of_blocks = (one.day for one in clocked if one is not None)
    dates = with_neighbours({*days, *of_blocks, *(exam.day for exam in exams.values())})
    holidays = [each for each in plan.holidays if each.day.year in YEARS]
    return Facts(
        request=request,
        plan=plan,
        zone=zone,
        as_of=as_utc(plan.as_of) or datetime(1900, 1, 1, tzinfo=UTC),
        days=days,
        tasks=tasks,
        papers=papers,
        exams=exams,
        in_days=in_days,
        in_blocks=in_blocks,
        clocked=clocked,
        fixed=appointments_by_day(plan, request),
        appointments=list(appointments(request, zone)),
        hours=study_hours(request, dates, zone),
        quiet=quiet_hours(request, dates, zone),
        catch_up=catch_up_stretches(request, dates, zone),
        busy=list(busy_times(request, plan, zone)),
        off=[(midnight(each.first, zone), midnight(each.last + DAY, zone), each.title) for each in request.days_off],
        free_days=[
            (midnight(each.day, zone), midnight(each.day + DAY, zone), each.title)
            for each in holidays
            if each.use is HolidayUse.FREE
        ],
        closed=[(midnight(each.day, zone), each.end + AFTER_EXAM, each.exam.subject) for each in exams.values()],
        halved={each.day for each in holidays if each.use is HolidayUse.LIGHT} | {each.day for each in exams.values()},
        short=minutes_of_short_days(request),
        spent=units_done(plan, days),
    )


def with_neighbours(days: Collection[date]) -> list[date]:
    """The dates and those next to them, in order: what is named after one date may reach into the next."""
    return sorted({*days, *(day - DAY for day in days), *(day + DAY for day in days)})


# ------------------------------------------------------------------------------------------- blocks and parts


def clocked_block(block: Block, papers: Collection[str], zone: ZoneInfo) -> Clocked | None:
    """The block as an interval of instants; ``None`` where its year or its length cannot be."""
    if block.start.year not in YEARS or not 0 < block.minutes <= 24 * 60:
        return None
    day = block.start.date()
    start = at_clock(day, block.start.time(), zone, fold=int(block.fold == 1))
    return Clocked(start, start + block.minutes * MINUTE, place_of(block), day, what_it_is(block, papers))


def place_of(block: Block) -> str:
    """How a block is named: by its start, as people would."""
    return f"block {block.start.isoformat(' ', 'minutes')}"


def what_it_is(block: Block, papers: Collection[str]) -> What:
    """Work, an appointment (which has no parts) or a timed paper."""
    if not block.parts:
        return "appointment"
    return "paper" if papers and any(part.task in papers for part in block.parts) else "work"


def parts_by_task(
    plan: Plan, tasks: Mapping[str, Task], clocked: Sequence[Clocked | None]
) -> tuple[dict[str, list[Placed]], dict[str, list[Placed]]]:
    """The parts of every task, as the days have them and as the blocks have them."""
    in_days: dict[str, list[Placed]] = {task: [] for task in tasks}
    in_blocks: dict[str, list[Placed]] = {task: [] for task in tasks}
    for day in plan.days:
        for part in day.parts:
            if part.task in tasks and part.units > 0:
                in_days[part.task].append(Placed(day.day, part, tasks[part.task]))
    for block, one in zip(plan.blocks, clocked, strict=True):
        for place, part in enumerate(block.parts):
            if part.task in tasks and part.units > 0:
                when = (one.start, place) if one is not None else None
                in_blocks[part.task].append(Placed(block.day, part, tasks[part.task], when))
    return in_days, in_blocks


def units_of_days(facts: Facts) -> dict[date, tuple[int, int]]:
    """The units of work and of encores that a day holds, by its own parts or by its blocks, whichever is more."""
    by_day, by_block = tally(facts, facts.in_days), tally(facts, facts.in_blocks)
    loads: dict[date, tuple[int, int]] = {}
    for day in sorted(by_day.keys() | by_block.keys()):
        (work, encores), (other_work, other_encores) = by_day.get(day, NOTHING), by_block.get(day, NOTHING)
        loads[day] = max(work, other_work), max(encores, other_encores)
    return loads


NOTHING = [0, 0]


def tally(facts: Facts, placed: Mapping[str, Sequence[Placed]]) -> dict[date, list[int]]:
    """The units of work and of encores on each day, timed papers apart."""
    units: dict[date, list[int]] = {}
    for which, tasks in enumerate((facts.counted, facts.encores)):
        for task in tasks:
            for one in placed[task.id]:
                units.setdefault(one.day, [0, 0])[which] += one.part.units
    return units


def units_done(plan: Plan, days: Iterable[date]) -> dict[date, int]:
    """The units that are over on each of these days and not planned again, timed papers apart: they have no limit."""
    done = dict.fromkeys(days, 0)
    for block in plan.past:
        if block.day in done and not block.missed:
            done[block.day] += sum(one.units - one.back for one in block.worked if one.role is not Role.PAPER)
    return done


def appointments_by_day(plan: Plan, request: Request) -> dict[date, Fixed]:
    """What appointments take, on each day that has one: those of the plan, and those that are over and still asked."""
    asked = {(each.start, each.minutes) for each in request.appointments}
    over = [(block.day, block.minutes) for block in plan.past if block.fixed and (block.start, block.minutes) in asked]
    minutes: dict[date, list[int]] = {}
    for day, length in (*over, *((block.day, block.minutes) for block in plan.blocks if not block.parts)):
        minutes.setdefault(day, []).append(length)
    return {
        day: Fixed(sum(each), sum(each) // UNIT, sum(-(-one // UNIT) for one in each)) for day, each in minutes.items()
    }


def minutes_of_short_days(request: Request) -> dict[date, int]:
    """The minutes of each short day; where a date has several, the fewest, which come last here."""
    ordered = sorted(request.short_days, key=lambda each: each.minutes, reverse=True)
    return {each.day: each.minutes for each in ordered}


# ------------------------------------------------------------------------------------------------------ exams


def exam_facts(exam: Exam, request: Request, plan: Plan, days: Mapping[date, Day], zone: ZoneInfo) -> ExamFacts:
    """The exam's instants, and the stages that its usable days give: a sixth each, rounded half up, within bounds."""
    start = instant(exam.start, ZoneInfo(exam.zone or request.zone))
    own = start.astimezone(zone).date()
    usable = tuple(sorted(day for day in days if day < own and days[day].room > 0))
    sixth = (len(usable) + 3) // 6
    taper = min(7, max(1, sixth)) if len(usable) >= 2 else 0
    consolidate = min(10, sixth) if len(usable) >= 4 else 0
    cover = len(usable) - taper - consolidate
    planned = next((each for each in plan.exams if each.key == exam.key), None)
    if planned is not None and planned.behind_days is not None:
        cover = bisect_right(usable, planned.cover_ends) if planned.cover_ends else 0
        passes = bisect_right(usable, planned.consolidate_ends) if planned.consolidate_ends else cover
        consolidate = max(0, passes - cover)
    tasks = sorted((task for task in plan.tasks if task.exam == exam.key), key=lambda task: task.number)
    by_role: dict[Role, list[Task]] = {}
    for task in tasks:
        by_role.setdefault(task.role, []).append(task)
    return ExamFacts(
        exam=exam,
        planned=planned,
        start=start,
        end=start + timedelta(minutes=exam.minutes * (100 + exam.extra_time) / 100),
        day=own,
        usable=usable,
        cover=cover,
        consolidate=consolidate,
        materials={material.key: material for material in exam.materials},
        tasks=tasks,
        by_role=by_role,
    )


# ------------------------------------------------------------------------------------------- hours as instants


def study_hours(request: Request, dates: Iterable[date], zone: ZoneInfo) -> list[Stretch]:
    """The stretches of study hours that start on these dates."""
    return [
        stretch(day, each.start, each.end, zone)
        for day in dates
        for each in request.week
        if day.weekday() in each.days and (each.first or day) <= day <= (each.last or day)
    ]


def quiet_hours(request: Request, dates: Iterable[date], zone: ZoneInfo) -> list[Stretch]:
    """From an hour before each date's bedtime (which may lie after midnight) to the next waking."""
    nights = (stretch(day, request.effort.bedtime, request.effort.waking, zone) for day in dates)
    return [(bed - HOUR, wake) for bed, wake in nights]


def catch_up_stretches(request: Request, dates: Iterable[date], zone: ZoneInfo) -> list[Stretch]:
    """The weekly stretch held back, on each date that has it."""
    weekly = request.catch_up
    if weekly is None:
        return []
    return [stretch(day, weekly.start, weekly.end, zone) for day in dates if day.weekday() == weekly.day]


def appointments(request: Request, zone: ZoneInfo) -> Iterator[Stretch]:
    """The appointments, without any margin."""
    for each in request.appointments:
        start = at(each.start, zone)
        yield start, start + timedelta(minutes=each.minutes)


def busy_times(request: Request, plan: Plan, zone: ZoneInfo) -> Iterator[Named]:
    """The busy times of calendars and request, with the margin on both sides."""
    margin = timedelta(minutes=request.effort.margin)
    for each in plan.busy:
        start, end = as_utc(each.span.start), as_utc(each.span.end)
        if start is not None and end is not None:
            yield start - margin, end + margin, each.title
    for own in request.busy:
        yield at(own.start, zone) - margin, at(own.end, zone) + margin, own.title


def as_utc(moment: datetime) -> datetime | None:
    """The instant in UTC; ``None`` for one of an absurd year. One without a zone is read as UTC."""
    if moment.year not in YEARS:
        return None
    if moment.tzinfo is UTC:
        return moment
    return moment.replace(tzinfo=UTC) if moment.utcoffset() is None else moment.astimezone(UTC)


def stretch(day: date, start: time, end: time, zone: ZoneInfo) -> Stretch:
    """A stretch of a day's clock as instants; one that ends at or before its start passes midnight."""
    last = day if end > start else day + DAY
    return at_clock(day, start, zone), at_clock(last, end, zone)


@lru_cache(maxsize=8192)
def midnight(day: date, zone: ZoneInfo) -> datetime:
    """The instant at which a local date begins."""
    return at_clock(day, time.min, zone)


def at(wall: datetime, zone: ZoneInfo) -> datetime:
    """The instant of a wall-clock time, as :func:`calplan.spans.instant` has it."""
    return at_clock(wall.date(), wall.time(), zone, fold=wall.fold)


def at_clock(day: date, clock: time, zone: ZoneInfo, *, fold: int = 0) -> datetime:
    """The instant at which a day's clock shows a time: quick on days of one offset."""
    offset = steady_offset(day, zone)
    if offset is None:
        return instant(datetime.combine(day, clock).replace(fold=fold), zone)
    return datetime.combine(day, clock, UTC) - offset


@lru_cache(maxsize=8192)
def steady_offset(day: date, zone: ZoneInfo) -> timedelta | None:
    """The offset from UTC that holds all day long; ``None`` on a day on which the clock changes."""
    begins = datetime.combine(day, time.min, zone).utcoffset()
    return begins if begins == datetime.combine(day + DAY, time.min, zone).utcoffset() else None


# -------------------------------------------------------------------------------------------------- free time


def free_time(facts: Facts) -> dict[date, FreeTime]:
    """What is free of each day, at best, and how many units its blocks can hold, at least and at most.

    The small hours of a night's stretch may belong to either date: they count towards the most of both.
    """
    days = sorted(facts.days)
    dawns = [midnight(day, facts.zone) for day in days]
    dusks = [midnight(day + DAY, facts.zone) for day in days]
    beyond = max(0, facts.request.effort.longest) * MINUTE
    at_best: list[list[Stretch]] = [[] for _ in days]
    for start, end in facts.at_best:
        for i in range(max(0, bisect_right(dawns, start) - 1), bisect_left(dawns, end)):
            at_best[i].append((max(start, dawns[i]), min(end, dusks[i] + beyond)))
    for_sure: list[list[Stretch]] = [[] for _ in days]
    for start, end in left_free(facts.at_best, doubtful(facts)):
        i = bisect_right(dawns, start) - 1
        if i >= 0:
            for_sure[i].append((start, min(end, dusks[i])))
    return {
        day: FreeTime(best, least_held(facts, sure), most_held(facts, best))
        for day, sure, best in zip(days, for_sure, at_best, strict=True)
    }


def left_free(hours: Iterable[Stretch], taken: Iterable[Stretch]) -> list[Stretch]:
    """The stretches that lie in some hours and that nothing takes, in order, from one sweep over all boundaries."""
    steps: list[tuple[datetime, bool, bool]] = []
    for of_hours, stretches in ((True, hours), (False, taken)):
        for start, end in stretches:
            if start < end:
                steps += ((start, False, of_hours), (end, True, of_hours))
    free: list[Stretch] = []
    in_hours = in_taken = 0
    since: datetime | None = None
    for moment, closes, of_hours in sorted(steps):  # at any moment, what opens comes before what closes
        if of_hours:
            in_hours += -1 if closes else 1
        else:
            in_taken += -1 if closes else 1
        if in_hours and not in_taken:
            since = since or moment
        elif since is not None:
            if since < moment:
                free.append((since, moment))
            since = None
    return free


def certain(facts: Facts) -> Iterator[Stretch]:
    """What takes study hours away for sure."""
    for named in (facts.busy, facts.off, facts.free_days, facts.closed):
        yield from ((start, end) for start, end, _ in named)
    yield from facts.quiet
    yield from margins(facts.appointments, facts.request.effort.rest)
    yield LONG_AGO, facts.as_of


def doubtful(facts: Facts) -> Iterator[Stretch]:
    """What may take study hours away or not, as the planner chooses."""
    nearest = max(facts.request.effort.rest, facts.request.effort.margin)
    papers = [(one.start, one.end) for one in facts.clocked if one is not None and one.what == "paper"]
    yield from facts.catch_up
    yield from margins([*facts.appointments, *papers], nearest)
    yield facts.as_of, facts.as_of + A_LITTLE_LATER
    yield from margins(under_way(facts), facts.request.effort.rest)


def under_way(facts: Facts) -> list[Stretch]:
    """The blocks that had begun and not ended when the plan was made, without those that were said to be missed."""
    found = []
    for block in facts.plan.past:
        start = at_clock(block.day, block.start.time(), facts.zone, fold=int(block.fold == 1))
        end = start + timedelta(minutes=block.minutes)
        if not block.missed and start <= facts.as_of < end:
            found.append((start, end))
    return found


def margins(stretches: Iterable[Stretch], minutes: int) -> Iterator[Stretch]:
    """Stretches with so many minutes on either side."""
    margin = timedelta(minutes=minutes)
    return ((start - margin, end + margin) for start, end in stretches)


def least_held(facts: Facts, stretches: Iterable[Stretch]) -> int:
    """The units that blocks can hold at least: on starts and in lengths of whole units, a break between stretches."""
    effort, shortest = facts.request.effort, -(-facts.shortest // UNIT) * UNIT
    total, earliest = 0, LONG_AGO
    for start, end in stretches:
        start = max(start, earliest)
        if start.second or start.minute % UNIT:
            start += (UNIT if start.second else -start.minute % UNIT) * MINUTE
        earliest = end + facts.rest
        total += packed((end - start) // MINUTE, shortest, effort.longest // UNIT, effort.rest)
    return total


def most_held(facts: Facts, stretches: Iterable[Stretch]) -> int:
    """The units that blocks can hold at most: no break is asked for from one stretch to the next."""
    effort = facts.request.effort
    longest = effort.longest // UNIT
    return sum(packed((end - start) // MINUTE, facts.shortest, longest, effort.rest) for start, end in stretches)


@lru_cache(maxsize=8192)
def packed(minutes: int, shortest: int, longest: int, rest: int) -> int:
    """The most units in a stretch: as many blocks as do best, each of at most ``longest`` units, and their breaks."""
    best, blocks = 0, 1
    while blocks * shortest + (blocks - 1) * rest <= minutes:
        units = min(blocks * longest, (minutes - (blocks - 1) * rest) // UNIT)
        if units <= best:
            break
        best, blocks = units, blocks + 1
    return best
