"""Which minutes of which days are free for study, and how much work each day can hold.

Every local date from today to the day before the last exam becomes one :class:`~calplan.model.Day`. Its gaps are the
study hours, less everything that takes them: busy times with their margin, days off, public holidays kept free, the
surroundings of appointments and exams, the night with the hour before it, and what is past. All of it is computed on
instants, so that a clock change costs or gives exactly the hour that it does in life. How much of its free time a day
may hold is another matter: the limit, the minutes of a short day, appointments and what is done already settle it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from datetime import UTC, date, datetime, time, timedelta
from functools import lru_cache
from itertools import pairwise
from types import MappingProxyType
from typing import TYPE_CHECKING, NamedTuple
from zoneinfo import ZoneInfo

import msgspec

from calplan.model import (
    UNIT,
    AgeBand,
    BusySpan,
    Day,
    Effort,
    Exam,
    HolidayDay,
    HolidayUse,
    Notice,
    PastBlock,
    Request,
    Role,
    Value,
)
from calplan.publicdays import holiday_days
from calplan.spans import Span, instant, intersect, merge, subtract, widen

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

SOONEST = 15
"""Minutes between the moment of planning and the first minute that a block may take."""

START_GRID = 5
"""The first usable moment of today is rounded up to so many minutes."""

AFTER_EXAM = 120
"""Minutes of rest after an exam, its granted extra time included, before work for another one."""

BEFORE_BED = 60
"""Minutes before bedtime that stay free (American Academy of Pediatrics, October 2016: no screens, ages 5–18)."""

CATCH_UP_FROM = 14
"""Usable days from which on a weekly stretch can be held back."""

FEW_DAYS = 7
"""At so few usable days a public holiday that is kept free is worth a question."""

NIGHT = {
    AgeBand.CHILD: (9, "9 to 12 hours are recommended at 6 to 12 years (Paruthi et al. 2016)"),
    AgeBand.TEEN: (8, "8 to 10 hours are recommended at 13 to 18 years (Paruthi et al. 2016)"),
    AgeBand.ADULT: (7, "7 hours or more are recommended for adults (Watson et al. 2015)"),
}
"""The least hours of sleep by age band, and the sentence that says so."""

REASONS = 8
"""The most sentences in which :func:`what_takes` answers."""


NOTHING_SPENT: Mapping[date, int] = MappingProxyType({})
"""The units of work done by date, where none is."""


class Days(Value, frozen=True):
    """The days of a plan before any work lies on them, and what was found on the way.

    ``holidays`` and ``appointments`` are those of the days' range; ``as_of`` is the moment for which all this holds.
    """

    days: tuple[Day, ...]
    holidays: tuple[HolidayDay, ...]
    appointments: tuple[BusySpan, ...]
    notices: tuple[Notice, ...]
    as_of: datetime


def resolve(
    request: Request,
    busy: tuple[BusySpan, ...],
    *,
    as_of: datetime,
    spent: Mapping[date, int] = NOTHING_SPENT,
    soonest: int = SOONEST,
) -> Days:
    """Every local date from today (or ``request.start``, if later) to the day before the last exam, with its gaps.

    ``busy`` holds the busy times read from calendars; those in the request itself are added here. ``spent`` are the
    units of work already done on a date (:func:`done_by_day`): its free time stays, and its room under the limit is
    less by them. ``soonest`` minutes from ``as_of`` on nothing begins. A day
    without any room is in the answer too. Raises InvalidRequest where the place of the public holidays is wrong.
    """
    frame = _frame(request, *_horizon(request, as_of))
    holidays, notices = holiday_days(request, frame.first, frame.last)
    taken = _taken(request, busy, frame, as_of, holidays, soonest)
    study, gaps, held_back = _hold_back(request, frame, taken, holidays, spent)
    days = _days(request, frame, gaps, holidays, spent)
    return Days(
        days=days,
        holidays=holidays,
        appointments=tuple(a for a in _appointments(request) if a.span.overlaps(frame.span)),
        notices=(
            *_short_night(request.effort),
            *held_back,
            *notices,
            *_kept_free(request, frame, study, taken, days, holidays),
        ),
        as_of=as_of,
    )


def done_by_day(past: Iterable[PastBlock]) -> dict[date, int]:
    """The units of work done on each date, by the blocks that are over, without what is planned again.

    Timed papers do not count, since no limit holds for them.
    """
    done: Counter[date] = Counter()
    for block in past:
        for worked in block.worked if not block.missed else ():
            if worked.role is not Role.PAPER:
                done[block.day] += worked.units - worked.back
    return dict(done)


def unbooked(request: Request, busy: tuple[BusySpan, ...], day: date, *, as_of: datetime) -> tuple[Span, ...]:
    """The day's instants that nothing takes, whether or not they are study hours (for a timed paper)."""
    frame = _frame(request, day, day)
    holidays, _ = holiday_days(request, day, day)
    return subtract([frame.span], _all(_taken(request, busy, frame, as_of, holidays)))


# ---------------------------------------------------------------------------------------------- capacity


class Bounds(NamedTuple):
    """What holds for every block: the least minutes set aside for it, the most units in it, the minutes between two.

    ``least`` is the shortest block as the student has it; ``shortest`` is the same in whole units.
    """

    shortest: int
    units: int
    rest: int
    least: int


@lru_cache(maxsize=1024)
def bounds(effort: Effort) -> Bounds:
    """The bounds of a block under ``effort``.

    The shortest block is no longer than the limit of a day, and a whole number of units wherever the longest block
    allows it: only then can any number of units below a gap's capacity be divided over its blocks.
    """
    shortest = min(effort.shortest, effort.limit, effort.longest)
    whole = max(1, -(-shortest // UNIT)) * UNIT
    return Bounds(whole if whole <= effort.longest else shortest, effort.longest // UNIT, effort.rest, shortest)


def held(minutes: int, blocks: int, limits: Bounds) -> int:
    """The most units that exactly so many blocks hold in a gap of so many minutes; 0 where they do not fit."""
    working = minutes - (blocks - 1) * limits.rest
    if blocks * limits.shortest > working:
        return 0
    return min(blocks * limits.units, working // UNIT)


@lru_cache(maxsize=8192)
def capacity(minutes: int, limits: Bounds) -> int:
    """The most units that any number of blocks holds in a gap of so many minutes."""
    if not limits.units:
        return 0
    most = (minutes + limits.rest) // (limits.shortest + limits.rest)
    return max((held(minutes, blocks, limits) for blocks in range(1, most + 1)), default=0)


def room(day: Day, limit: int) -> int:
    """The units of work that a day may still hold under a limit in minutes; a half-used day holds half, rounded down.

    The minutes of a short day hold whatever the limit is; they are not halved.
    """
    share = 2 if day.halved else 1
    units = min(day.free // share, max(0, limit // UNIT - day.fixed) // share - day.spent)
    if day.short is not None:
        units = min(units, day.short // UNIT - day.fixed - day.spent)
    return max(0, units)


def possible(request: Request, day: date) -> int | None:
    """The minutes that are possible on a day of its own shortness, the fewest of several; ``None`` on any other day."""
    return min((one.minutes for one in request.short_days if one.day == day), default=None)


def short_minutes(minutes: int | None, taken: int, effort: Effort) -> int | None:
    """What a short day has to give: its minutes, or none where those that are not taken are too few for a block."""
    return 0 if minutes is not None and minutes - taken < bounds(effort).least else minutes


def set_aside(day: Day, span: Span, effort: Effort) -> Day:
    """The day with ``span`` taken by something else (a timed paper), a break on either side of it.

    The minutes of a short day pay for it too.
    """
    limits = bounds(effort)
    left = subtract(day.gaps, widen([span], effort.rest))
    gaps = tuple(gap for gap in left if gap.minutes >= limits.shortest)
    short = None if day.short is None else max(0, day.short - span.minutes)
    changed = msgspec.structs.replace(
        day,
        gaps=gaps,
        free=sum(capacity(gap.minutes, limits) for gap in gaps),
        short=short_minutes(short, UNIT * (day.fixed + day.spent), effort),
    )
    return msgspec.structs.replace(changed, room=room(changed, effort.limit))


# ------------------------------------------------------------------------------------------------- exams


def exam_span(request: Request, exam: Exam) -> Span:
    """The exam's instants, granted extra time included."""
    start = instant(exam.start, ZoneInfo(exam.zone or request.zone))
    return Span(start, start + timedelta(minutes=_whole_length(exam)))


def exam_day(request: Request, exam: Exam) -> date:
    """The exam's date in the plan's zone."""
    return exam_span(request, exam).start.astimezone(ZoneInfo(request.zone)).date()


def paper_span(request: Request, exam: Exam, day: date) -> Span:
    """Where a timed paper for ``exam`` lies on ``day``: at the exam's hour in the plan's zone, in whole units."""
    zone = ZoneInfo(request.zone)
    start = instant(datetime.combine(day, exam_span(request, exam).start.astimezone(zone).time()), zone)
    return Span(start, start + timedelta(minutes=-(-_whole_length(exam) // UNIT) * UNIT))


def busy_intervals(request: Request) -> tuple[BusySpan, ...]:
    """The request's own single busy intervals as instants."""
    zone = ZoneInfo(request.zone)
    spans = ((Span(instant(one.start, zone), instant(one.end, zone)), one.title) for one in request.busy)
    return tuple(BusySpan(span=span, title=title, source="busy") for span, title in spans if span.start < span.end)


def _whole_length(exam: Exam) -> int:
    return -(-exam.minutes * (100 + exam.extra_time) // 100)


def _appointments(request: Request) -> tuple[BusySpan, ...]:
    zone = ZoneInfo(request.zone)
    starts = [instant(one.start, zone) for one in request.appointments]
    return tuple(
        BusySpan(span=Span(start, start + timedelta(minutes=one.minutes)), title=one.title, source="appointments")
        for start, one in zip(starts, request.appointments, strict=True)
    )


# ------------------------------------------------------------------------------------------ range of days


class _Frame(NamedTuple):
    """A range of local dates and the instants at which they begin, one more than there are dates."""

    zone: ZoneInfo
    first: date
    midnights: tuple[datetime, ...]

    @property
    def last(self) -> date:
        return self.first + timedelta(days=len(self.midnights) - 2)

    @property
    def span(self) -> Span:
        return Span(self.midnights[0], self.midnights[-1])

    def dates(self, before: int = 0, after: int = 0) -> list[date]:
        return [self.first + timedelta(days=i) for i in range(-before, len(self.midnights) - 1 + after)]

    def whole(self, first: date, last: date) -> Span | None:
        """The whole days from ``first`` to ``last`` as far as they lie in the range."""
        low = max(0, (first - self.first).days)
        high = min(len(self.midnights) - 1, (last - self.first).days + 1)
        return Span(self.midnights[low], self.midnights[high]) if low < high else None


def _horizon(request: Request, as_of: datetime) -> tuple[date, date]:
    today = as_of.astimezone(ZoneInfo(request.zone)).date()
    first = max(request.start or today, today)
    last = max((exam_day(request, exam) for exam in request.exams), default=first) - timedelta(days=1)
    return first, max(last, first - timedelta(days=1))


def _frame(request: Request, first: date, last: date) -> _Frame:
    zone = ZoneInfo(request.zone)
    days = range((last - first).days + 2)
    return _Frame(
        zone, first, tuple(instant(datetime.combine(first + timedelta(days=i), time.min), zone) for i in days)
    )


# ------------------------------------------------------------------------------------ what takes the time


def _taken(
    request: Request,
    busy: Iterable[BusySpan],
    frame: _Frame,
    as_of: datetime,
    holidays: Iterable[HolidayDay],
    soonest: int = SOONEST,
) -> dict[str, tuple[Span, ...]]:
    """The spans that cannot be used, by what takes them."""
    effort = request.effort
    off = (frame.whole(one.first, one.last) for one in request.days_off)
    kept = (frame.whole(one.day, one.day) for one in holidays if one.use is HolidayUse.FREE)
    return {
        "past": (Span(datetime.min.replace(tzinfo=UTC), _soonest(as_of, soonest)),),
        "days off": merge(span for span in off if span),
        "holidays": merge(span for span in kept if span),
        "exams": _around_exams(request, frame),
        "busy": widen(_near((*busy, *busy_intervals(request)), frame, effort.margin), effort.margin),
        "appointments": widen(_near(_appointments(request), frame, effort.rest), effort.rest),
        "nights": _nights(effort, frame),
    }


def _all(taken: dict[str, tuple[Span, ...]], but: str = "") -> list[Span]:
    return [span for name, spans in taken.items() if name != but for span in spans]


def _near(busy: Iterable[BusySpan], frame: _Frame, margin: int) -> list[Span]:
    reach = timedelta(minutes=margin)
    start, end = frame.midnights[0] - reach, frame.midnights[-1] + reach
    return [one.span for one in busy if one.span.start < end and one.span.end > start]


def _soonest(as_of: datetime, minutes: int) -> datetime:
    """The first minute that a block may take today."""
    moment = as_of.astimezone(UTC) + timedelta(minutes=minutes)
    return moment + (datetime.min.replace(tzinfo=UTC) - moment) % timedelta(minutes=START_GRID)


def _around_exams(request: Request, frame: _Frame) -> tuple[Span, ...]:
    """From the midnight before each exam until the rest after it is over."""
    around = []
    for exam in request.exams:
        span = exam_span(request, exam)
        midnight = instant(datetime.combine(exam_day(request, exam), time.min), frame.zone)
        around.append(Span(midnight, span.end + timedelta(minutes=AFTER_EXAM)))
    return merge(around)


def _nights(effort: Effort, frame: _Frame) -> tuple[Span, ...]:
    """From an hour before bedtime, on the clock and in truth, until waking, for every night that touches the range."""
    evening = timedelta(minutes=BEFORE_BED)
    over = timedelta(days=0 if effort.waking > effort.bedtime else 1)
    nights = []
    for day in frame.dates(before=1, after=1):
        bed = datetime.combine(day, effort.bedtime)
        start = min(instant(bed, frame.zone) - evening, instant(bed - evening, frame.zone))
        nights.append(Span(start, instant(datetime.combine(day + over, effort.waking), frame.zone)))
    return merge(nights)


# -------------------------------------------------------------------------------------------------- gaps


def _hold_back(
    request: Request,
    frame: _Frame,
    taken: dict[str, tuple[Span, ...]],
    holidays: Sequence[HolidayDay],
    spent: Mapping[date, int],
) -> tuple[tuple[Span, ...], list[list[Span]], tuple[Notice, ...]]:
    """Study hours and gaps, without the weekly catch-up stretch where enough days stay usable without it."""
    study, cuts = _study(request, frame), _all(taken)
    if request.catch_up is None:
        return study, _gaps(request.effort, frame, subtract(study, cuts)), ()
    one = request.catch_up
    dates = [day for day in frame.dates(before=1) if day.weekday() == one.day]
    less = subtract(study, [_stretch(day, one.start, one.end, frame.zone) for day in dates])
    gaps = _gaps(request.effort, frame, subtract(less, cuts))
    usable = sum(day.room > 0 for day in _days(request, frame, gaps, holidays, spent))
    if usable >= CATCH_UP_FROM:
        when = f"{_WEEKDAYS[one.day]} {one.start:%H:%M}–{one.end:%H:%M}"
        held = f"Every {when} is held back for catching up; nothing is planned there."
        return less, gaps, (Notice(code="catch-up-held", sentence=held),)
    sentence = (
        f"The weekly catch-up time is not held back: with fewer than {CATCH_UP_FROM} usable days ({usable} here) every "
        "stretch is needed."
    )
    whole = _gaps(request.effort, frame, subtract(study, cuts))
    return study, whole, (Notice(code="catch-up-not-held", sentence=sentence),)


def _study(request: Request, frame: _Frame) -> tuple[Span, ...]:
    """The study hours that touch the range: a stretch belongs to the date on which it starts."""
    return merge(
        _stretch(day, hours.start, hours.end, frame.zone)
        for day in frame.dates(before=1)
        for hours in request.week
        if day.weekday() in hours.days
        and (hours.first is None or hours.first <= day)
        and (hours.last is None or day <= hours.last)
    )


def _stretch(day: date, start: time, end: time, zone: ZoneInfo) -> Span:
    """A stretch of wall-clock time from a date on; one that ends at or before its start passes midnight."""
    over = timedelta(days=0 if end > start else 1)
    return Span(instant(datetime.combine(day, start), zone), instant(datetime.combine(day + over, end), zone))


def _gaps(effort: Effort, frame: _Frame, free: Iterable[Span]) -> list[list[Span]]:
    """The gaps of each day: whole minutes, long enough for a block, and a break between any two of them.

    Where two lie nearer than a break, the later one gives way.
    """
    gaps: list[list[Span]] = [[] for _ in frame.midnights[1:]]
    shortest, rest = timedelta(minutes=bounds(effort).shortest), timedelta(minutes=effort.rest)
    earliest = frame.midnights[0]
    for index, start, end in _by_day(frame, free):
        start = max(_minute_up(start), earliest)
        end = end.replace(second=0, microsecond=0)
        if end - start >= shortest:
            gaps[index].append(Span(start, end))
            earliest = end + rest
    return gaps


def _by_day(frame: _Frame, free: Iterable[Span]) -> Iterable[tuple[int, datetime, datetime]]:
    """Each free span, cut at midnights, with the index of its day; in order."""
    index = 0
    for span in free:
        while index < len(frame.midnights) - 1 and frame.midnights[index + 1] <= span.start:
            index += 1
        at = index
        while at < len(frame.midnights) - 1 and frame.midnights[at] < span.end:
            yield at, max(span.start, frame.midnights[at]), min(span.end, frame.midnights[at + 1])
            at += 1


def _minute_up(moment: datetime) -> datetime:
    whole = moment.replace(second=0, microsecond=0)
    return whole if whole == moment else whole + timedelta(minutes=1)


def _days(
    request: Request,
    frame: _Frame,
    gaps: Sequence[Sequence[Span]],
    holidays: Iterable[HolidayDay],
    spent: Mapping[date, int],
) -> tuple[Day, ...]:
    limits = bounds(request.effort)
    fixed: dict[date, int] = {}
    for one in request.appointments:
        fixed[one.start.date()] = fixed.get(one.start.date(), 0) + -(-one.minutes // UNIT)
    half = {one.day for one in holidays if one.use is HolidayUse.LIGHT}
    half.update(exam_day(request, exam) for exam in request.exams)
    short: dict[date, int] = {}
    for asked in request.short_days:
        short[asked.day] = min(asked.minutes, short.get(asked.day, asked.minutes))
    days = []
    for at, theirs in zip(frame.dates(), gaps, strict=True):
        lessons, done = fixed.get(at, 0), spent.get(at, 0)
        day = Day(
            day=at,
            gaps=tuple(theirs),
            free=sum(capacity(gap.minutes, limits) for gap in theirs),
            fixed=lessons,
            halved=at in half,
            short=short_minutes(short.get(at), UNIT * (lessons + done), request.effort),
            spent=done,
        )
        days.append(msgspec.structs.replace(day, room=room(day, request.effort.limit)))
    return tuple(days)


# ----------------------------------------------------------------------------------------------- notices


def _short_night(effort: Effort) -> tuple[Notice, ...]:
    if effort.age is None:
        return ()
    hours, advice = NIGHT[effort.age]
    bed, wake = (at.hour * 60 + at.minute for at in (effort.bedtime, effort.waking))
    night = (wake - bed) % (24 * 60) or 24 * 60
    if night >= hours * 60:
        return ()
    sentence = (
        f"Between bedtime at {effort.bedtime:%H:%M} and waking at {effort.waking:%H:%M} lie {night // 60} h "
        f"{night % 60:02} min; {advice}. Sleep comes before study."
    )
    return (Notice(code="short-night", sentence=sentence),)


def _kept_free(
    request: Request,
    frame: _Frame,
    study: tuple[Span, ...],
    taken: dict[str, tuple[Span, ...]],
    days: Sequence[Day],
    holidays: Iterable[HolidayDay],
) -> list[Notice]:
    """Asks whether a holiday that is kept free should be used where an exam has few usable days."""
    kept = [one for one in holidays if one.use is HolidayUse.FREE]
    short = [(exam, exam_day(request, exam)) for exam in request.exams] if kept else []
    short = [(exam, until) for exam, until in short if _usable(days, until) <= FEW_DAYS]
    if not short:
        return []
    otherwise = _gaps(request.effort, frame, subtract(study, _all(taken, but="holidays")))
    worth = [one for one in kept if otherwise[(one.day - frame.first).days]]
    notices = []
    for exam, until in short:
        names = [f"{one.title} ({short_date(one.day)})" for one in worth if one.day < until]
        if names:
            usable = _usable(days, until)
            sentence = (
                f"{exam.subject} has {usable} usable {_plural('day', usable)}, and {' and '.join(names)} "
                f"{_plural('is', len(names))} kept free. Would you rather use {_plural('it', len(names))}?"
            )
            notices.append(Notice(code="holiday-kept-free", sentence=sentence))
    return notices


def _usable(days: Iterable[Day], until: date) -> int:
    return sum(day.room > 0 for day in days if day.day < until)


def what_takes(request: Request, busy: tuple[BusySpan, ...], days: Days, exam_key: str) -> tuple[str, ...]:
    """For an exam without a usable day: what takes its days, in at most eight sentences, the widest first."""
    exam = next(exam for exam in request.exams if exam.key == exam_key)
    until = exam_day(request, exam)
    empty = [day for day in days.days if day.day < until and not day.room]
    if not empty:
        return (f"No day lies between now and the exam on {short_date(until)}.",)
    frame = _frame(request, empty[0].day, empty[-1].day)
    causes: dict[str, list[date]] = {}
    known = _Causes(request, frame, (*busy, *busy_intervals(request)), days)
    for day in empty:
        for cause in known.of(day):
            causes.setdefault(cause, []).append(day.day)
    ranked = sorted(causes.items(), key=lambda one: (-len(one[1]), one[1][0], one[0]))
    lines = [f"{cause}: {_dates(dates)}." for cause, dates in ranked]
    if len(lines) > REASONS:
        lines[REASONS - 1 :] = [f"And {len(lines) - REASONS + 1} more reasons of the same sort."]
    return tuple(lines)


class _Causes:
    """Names what takes a day; made once for a range of days."""

    def __init__(self, request: Request, frame: _Frame, busy: Iterable[BusySpan], days: Days) -> None:
        self.request, self.frame, self.effort = request, frame, request.effort
        self.study = _study(request, frame)
        self.taken = _taken(request, busy, frame, days.as_of, days.holidays)
        self.kept = {one.day: one.title for one in days.holidays if one.use is HolidayUse.FREE}
        self.titled = [
            *(("Busy", one, self.effort.margin) for one in busy),
            *(("Appointment", one, self.effort.rest) for one in _appointments(request)),
        ]

    def of(self, day: Day) -> list[str]:
        """The causes for one day without room."""
        off = [one.title for one in self.request.days_off if one.first <= day.day <= one.last]
        if off:
            return [f"Day off ({off[0]})" if off[0] else "Day off"]
        if day.day in self.kept:
            return [f"Public holiday kept free ({self.kept[day.day]})"]
        if day.free:
            return [self._limited(day)]
        whole = self.frame.whole(day.day, day.day)
        study = intersect(self.study, [whole] if whole else [])
        if not study:
            return ["No study hours on that day"]
        return self._within(study) or [f"Study hours shorter than the shortest block of {self.effort.shortest} minutes"]

    def _limited(self, day: Day) -> str:
        most = possible(self.request, day.day)
        if most is not None and room(msgspec.structs.replace(day, short=None), self.effort.limit):
            return f"Only {most} minutes possible, appointments included" if most else "No time on that day"
        if room(msgspec.structs.replace(day, spent=0), self.effort.limit):
            return f"Work already done fills the daily limit of {self.effort.limit} minutes"
        if day.fixed and day.fixed >= self.effort.limit // UNIT:
            return f"Appointments fill the daily limit of {self.effort.limit} minutes"
        if day.halved:
            return f"Half of the daily limit of {self.effort.limit} minutes is less than a unit of {UNIT}"
        return f"The daily limit of {self.effort.limit} minutes is less than a unit of {UNIT}"

    def _within(self, study: Sequence[Span]) -> list[str]:
        """What overlaps a day's study hours."""
        words = {
            "past": "Past, or too soon from now",
            "exams": "Day of an exam, until two hours after it",
            "nights": "Night, or the hour before bedtime (effort.bedtime, effort.waking)",
        }
        found = [sentence for name, sentence in words.items() if intersect(study, self.taken[name])]
        for word, one, margin in self.titled:
            if intersect(study, widen([one.span], margin)):
                found.append(f"{word} ({one.title})" if one.title else word)
        return list(dict.fromkeys(found))


def _dates(dates: Sequence[date]) -> str:
    """Dates for people, neighbours drawn together; a long list ends with a number."""
    runs: list[list[date]] = [[dates[0]]]
    for before, day in pairwise(dates):
        if (day - before).days == 1:
            runs[-1].append(day)
        else:
            runs.append([day])
    said = [
        short_date(run[0]) if len(run) == 1 else f"{short_date(run[0])} to {short_date(run[-1])}" for run in runs[:4]
    ]
    more = sum(len(run) for run in runs[4:])
    return ", ".join(said) + (f" and {more} more {_plural('day', more)}" if more else "")


_WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")


def short_date(day: date) -> str:
    """A date for people, whatever the machine's language."""
    weekday = _WEEKDAYS[day.weekday()]
    month = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")[day.month - 1]
    return f"{weekday} {day.day} {month}"


def _plural(word: str, count: int) -> str:
    return word if count == 1 else {"is": "are", "it": "them"}.get(word, f"{word}s")
