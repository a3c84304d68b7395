"""Random requests, small enough to plan in milliseconds and odd enough to find what nobody thought of."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from typing import Any

from hypothesis import strategies as st

from calplan.model import (
    Answers,
    Appointment,
    BusyInterval,
    CatchUp,
    DayOff,
    Effort,
    Exam,
    FixedDay,
    Holidays,
    HolidayUse,
    Keep,
    Kind,
    Material,
    OwnHoliday,
    Request,
    ShortDay,
    StudyHours,
    Weekday,
)

ZONES = ("UTC", "America/New_York", "America/Phoenix", "Europe/London", "Australia/Lord_Howe", "Pacific/Apia")
FIRST = date(2027, 3, 1)
HORIZON = 45


@st.composite
def requests(draw: st.DrawFn) -> tuple[Request, datetime]:
    """A request, and the moment from which it is planned."""
    exams = tuple(draw(exam(i)) for i in range(draw(st.integers(1, 3))))
    holidays = draw(st.lists(dates(), max_size=3, unique=True))
    request = Request(
        zone=draw(st.sampled_from(ZONES)),
        exams=exams,
        week=tuple(draw(st.lists(study_hours(), min_size=1, max_size=3))),
        appointments=tuple(
            Appointment(title="Tutoring", start=start, minutes=minutes, exam=exams[0].key)
            for start, minutes in apart(draw(st.lists(st.tuples(moments(), st.integers(10, 90)), max_size=2)))
        ),
        effort=draw(efforts()),
        keep=draw(st.sampled_from(Keep)),
        busy=tuple(
            BusyInterval(start=start, end=start + timedelta(minutes=minutes))
            for start, minutes in draw(st.lists(st.tuples(moments(), st.integers(5, 2000)), max_size=8))
        ),
        days_off=tuple(DayOff(first=day, last=day) for day in draw(st.lists(dates(), max_size=3))),
        short_days=tuple(
            ShortDay(day=day, minutes=minutes)
            for day, minutes in draw(st.lists(st.tuples(dates(), st.integers(0, 150)), max_size=4))
        ),
        holidays=Holidays(
            use=draw(st.sampled_from(HolidayUse)), own=tuple(OwnHoliday(day=day, title="Fair") for day in holidays)
        ),
        catch_up=draw(st.none() | st.just(CatchUp(day=Weekday.SUN, start=time(15), end=time(17)))),
    )
    return request, datetime(2027, 3, 1, draw(st.integers(0, 23)), draw(st.integers(0, 59)), tzinfo=UTC)


@st.composite
def exam(draw: st.DrawFn, place: int) -> Exam:
    key = f"exam-{place}"
    start = datetime.combine(draw(dates()), time(draw(st.integers(7, 18))))
    materials = tuple(draw(material(f"{key}-{i}")) for i in range(draw(st.integers(0, 9))))
    return Exam(
        key=key,
        subject=f"Subject {place}",
        start=start,
        latest=draw(st.none() | st.integers(0, 31).map(lambda more: start.date() + timedelta(days=more))),
        zone=draw(st.none() | st.sampled_from(ZONES)),
        minutes=draw(st.integers(20, 200)),
        weight=draw(st.integers(1, 3)),
        sureness=draw(st.integers(1, 5)),
        extra_time=draw(st.sampled_from((0, 25, 50))),
        pace=draw(st.sampled_from((80, 100, 150))),
        timed_paper=draw(st.booleans()),
        materials=materials,
        answers_by=draw(st.none() | dates()),
        fixed_days=draw(fixed_days([one.key for one in materials], start.date())),
    )


@st.composite
def fixed_days(draw: st.DrawFn, keys: list[str], last: date) -> tuple[FixedDay, ...]:
    """Some materials on some days before an exam; mostly none."""
    chosen = draw(st.just([]) | st.lists(st.sampled_from(keys), unique=True)) if keys else []
    before = st.integers(1, max(1, (last - FIRST).days)).map(lambda days: last - timedelta(days=days))
    days = {key: draw(before) for key in chosen}
    return tuple(
        FixedDay(day=day, materials=tuple(key for key in keys if days.get(key) == day))
        for day in sorted({*days.values()})
    )


@st.composite
def material(draw: st.DrawFn, key: str) -> Material:
    size = draw(st.none() | st.integers(1, 30))
    return Material(
        key=key,
        kind=draw(st.sampled_from(Kind)),
        title=f"Piece {key}",
        size=size,
        missed=draw(st.none() | st.integers(0, size or 8)),
        multiple_choice=draw(st.booleans()),
        answers=draw(st.sampled_from(Answers)),
        in_hand=draw(st.none() | dates()),
        minutes=draw(st.none() | st.integers(0, 120)),
    )


@st.composite
def study_hours(draw: st.DrawFn) -> StudyHours:
    return StudyHours(
        days=tuple(draw(st.sets(st.sampled_from(Weekday), min_size=1))),
        start=draw(clock_times()),
        end=draw(clock_times()),
        first=draw(st.none() | st.none() | dates()),
        last=draw(st.none() | st.none() | dates()),
    )


@st.composite
def efforts(draw: st.DrawFn) -> Effort:
    limit = draw(st.integers(10, 150))
    longest = draw(st.integers(10, 90))
    return Effort(
        limit=limit,
        usual=draw(st.integers(5, limit)),
        longest=longest,
        shortest=draw(st.integers(5, longest)),
        rest=draw(st.integers(0, 20)),
        margin=draw(st.integers(0, 20)),
        bedtime=draw(st.sampled_from((time(21), time(22, 30), time(0, 30)))),
        habit=draw(st.none() | clock_times()),
    )


def dates() -> st.SearchStrategy[date]:
    return st.integers(0, HORIZON).map(lambda days: FIRST + timedelta(days=days))


def clock_times() -> st.SearchStrategy[time]:
    return st.integers(0, 24 * 12 - 1).map(lambda fives: time(fives // 12, fives % 12 * 5))


def moments() -> st.SearchStrategy[datetime]:
    return st.builds(datetime.combine, dates(), clock_times())


def apart(drawn: list[tuple[datetime, int]]) -> list[Any]:
    """Appointments that do not overlap one another, nor come within an hour."""
    kept: list[tuple[datetime, int]] = []
    for start, minutes in sorted(drawn):
        if not kept or start >= kept[-1][0] + timedelta(minutes=kept[-1][1] + 60):
            kept.append((start, minutes))
    return kept
