"""Days, gaps and capacity: hand-worked days, clock changes, and a minute-by-minute oracle that watches the clock."""

from __future__ import annotations

from bisect import bisect_left
from datetime import UTC, date, datetime, time, timedelta
from itertools import accumulate
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calplan.days import (
    Days,
    bounds,
    capacity,
    done_by_day,
    exam_day,
    exam_span,
    paper_span,
    resolve,
    room,
    set_aside,
    unbooked,
    what_takes,
)
from calplan.errors import InvalidRequest
from calplan.model import (
    AgeBand,
    Appointment,
    BusyInterval,
    BusySpan,
    CatchUp,
    Day,
    DayOff,
    Effort,
    Exam,
    Holidays,
    HolidayUse,
    OwnHoliday,
    PastBlock,
    Request,
    Role,
    ShortDay,
    StudyHours,
    Weekday,
    Worked,
)
from calplan.spans import Span

EVERY_DAY = tuple(Weekday)
CALM = Effort(bedtime=time(23, 30), waking=time(6), margin=0, rest=0, shortest=15, longest=45)
"""Nothing but the night (from 22:30) takes anything."""


def exam(start: datetime, *, key: str = "chem", minutes: int = 120, **more: Any) -> Exam:
    return Exam(key=key, subject=key.title(), start=start, minutes=minutes, **more)


def hours(start: str, end: str, *days: Weekday, **more: Any) -> StudyHours:
    return StudyHours(days=days or EVERY_DAY, start=time.fromisoformat(start), end=time.fromisoformat(end), **more)


def ask(*exams: Exam, week: tuple[StudyHours, ...], zone: str = "UTC", effort: Effort = CALM, **more: Any) -> Request:
    return Request(zone=zone, exams=exams, week=week, effort=effort, **more)


def early(day: date) -> datetime:
    """A moment long before any study hours of the day, in every zone west of Greenwich and near it."""
    return datetime.combine(day, time(6, 30), UTC)


def clock(request: Request, days: Days | tuple[Span, ...], day: date | None = None) -> list[str]:
    """Gaps (of one day) as the student's clock shows them; converted here, by the standard library alone."""
    spans = days if isinstance(days, tuple) else [gap for one in days.days if one.day == day for gap in one.gaps]
    zone = ZoneInfo(request.zone)
    return [f"{span.start.astimezone(zone):%H:%M}-{span.end.astimezone(zone):%H:%M}" for span in spans]


def busy(start: datetime, minutes: int, title: str = "Lesson") -> BusySpan:
    return BusySpan(span=Span(start, start + timedelta(minutes=minutes)), title=title, source="week.ics")


# ------------------------------------------------------------------------------------------------ horizon


def test_days_run_from_today_to_the_day_before_the_last_exam() -> None:
    request = ask(
        exam(datetime(2026, 5, 8, 9)), exam(datetime(2026, 5, 12, 9), key="art"), week=(hours("16:00", "20:00"),)
    )
    days = resolve(request, (), as_of=datetime(2026, 5, 4, 8, tzinfo=UTC))
    assert [one.day.day for one in days.days] == [4, 5, 6, 7, 8, 9, 10, 11]


def test_a_later_start_moves_the_first_day_and_an_earlier_one_does_not() -> None:
    for start, first in ((date(2026, 5, 6), 6), (date(2026, 5, 1), 4)):
        request = ask(exam(datetime(2026, 5, 8, 9)), week=(hours("16:00", "20:00"),), start=start)
        assert resolve(request, (), as_of=datetime(2026, 5, 4, 8, tzinfo=UTC)).days[0].day.day == first


def test_today_is_the_local_date() -> None:
    """Midnight in UTC is still the evening before in New York."""
    request = ask(exam(datetime(2026, 5, 8, 9)), week=(hours("16:00", "23:00"),), zone="America/New_York")
    days = resolve(request, (), as_of=datetime(2026, 5, 5, 0, 30, tzinfo=UTC))
    assert days.days[0].day == date(2026, 5, 4)
    assert clock(request, days, date(2026, 5, 4)) == ["20:45-22:30"]


@pytest.mark.parametrize("start", [datetime(2026, 5, 4, 9), datetime(2026, 5, 1, 9)])
def test_an_exam_today_or_over_leaves_no_days(start: datetime) -> None:
    request = ask(exam(start), week=(hours("16:00", "20:00"),))
    assert resolve(request, (), as_of=datetime(2026, 5, 4, 8, tzinfo=UTC)).days == ()


def test_an_exams_date_is_its_date_in_the_plans_zone() -> None:
    """Nine in the morning in Tokyo is the evening before in New York (tz database: +9 against −4 in May)."""
    request = ask(
        exam(datetime(2026, 5, 8, 9), zone="Asia/Tokyo"), week=(hours("16:00", "20:00"),), zone="America/New_York"
    )
    assert exam_day(request, request.exams[0]) == date(2026, 5, 7)
    assert resolve(request, (), as_of=early(date(2026, 5, 4))).days[-1].day == date(2026, 5, 6)


# --------------------------------------------------------------------------------------------------- gaps


def one_day(effort: Effort = CALM, *, taken: tuple[BusySpan, ...] = (), as_of: str = "05:00", **more: Any) -> list[str]:
    """The gaps of Tuesday 5 May 2026 with study hours from 16 to 20."""
    request = ask(exam(datetime(2026, 5, 8, 9)), week=(hours("16:00", "20:00"),), effort=effort, **more)
    moment = datetime.combine(date(2026, 5, 5), time.fromisoformat(as_of), UTC)
    return clock(request, resolve(request, taken, as_of=moment), date(2026, 5, 5))


def test_busy_times_take_their_margin_too() -> None:
    effort = Effort(margin=10, rest=0, bedtime=time(23, 30))
    assert one_day(effort, taken=(busy(datetime(2026, 5, 5, 17, tzinfo=UTC), 30),)) == ["16:00-16:50", "17:40-20:00"]
    interval = BusyInterval(start=datetime(2026, 5, 5, 15), end=datetime(2026, 5, 5, 16, 5))
    assert one_day(effort, busy=(interval,)) == ["16:15-20:00"]


def test_a_margin_reaches_over_midnight_into_the_first_day() -> None:
    effort = Effort(margin=10, rest=0, bedtime=time(3), waking=time(11))
    request = ask(exam(datetime(2026, 5, 8, 9)), week=(hours("00:00", "01:00"),), effort=effort, start=date(2026, 5, 5))
    lesson = busy(datetime(2026, 5, 4, 23, tzinfo=UTC), 58)
    days = resolve(request, (lesson,), as_of=early(date(2026, 5, 4)))
    assert clock(request, days, date(2026, 5, 5)) == ["00:08-01:00"]


def test_a_busy_interval_that_ends_before_it_starts_takes_nothing() -> None:
    interval = BusyInterval(start=datetime(2026, 5, 5, 18), end=datetime(2026, 5, 5, 17))
    assert one_day(Effort(margin=10, bedtime=time(23, 30)), busy=(interval,)) == ["16:00-20:00"]


def test_an_appointment_takes_a_break_on_either_side_and_counts_as_load() -> None:
    request = ask(
        exam(datetime(2026, 5, 8, 9)),
        week=(hours("16:00", "20:00"),),
        effort=Effort(rest=15, bedtime=time(23, 30)),
        appointments=(
            Appointment(title="Tutoring", start=datetime(2026, 5, 5, 17), minutes=22),
            Appointment(title="Group work", start=datetime(2026, 5, 5, 9), minutes=20),
            Appointment(title="After the exam", start=datetime(2026, 5, 9, 9), minutes=20),
        ),
    )
    days = resolve(request, (), as_of=early(date(2026, 5, 5)))
    assert clock(request, days, date(2026, 5, 5)) == ["16:00-16:45", "17:37-20:00"]
    assert days.days[0].fixed == 5 + 4  # 22 minutes are five units, rounded up
    assert days.days[0].room == 60 // 5 - 9
    assert [one.title for one in days.appointments] == ["Tutoring", "Group work"]


def test_days_off_take_whole_days_their_last_one_included() -> None:
    request = ask(
        exam(datetime(2026, 5, 8, 9)),
        week=(hours("16:00", "20:00"),),
        days_off=(DayOff(first=date(2026, 5, 1), last=date(2026, 5, 5)), DayOff(first=date(2026, 5, 7), last=date.max)),
    )
    days = resolve(request, (), as_of=early(date(2026, 5, 4)))
    assert [one.room > 0 for one in days.days] == [False, False, True, False]


@pytest.mark.parametrize(
    ("use", "gaps", "room_of_day"),
    [(HolidayUse.FREE, [], 0), (HolidayUse.LIGHT, ["16:00-20:00"], 6), (HolidayUse.ORDINARY, ["16:00-20:00"], 12)],
)
def test_a_public_holiday_is_free_or_light_or_ordinary(use: HolidayUse, gaps: list[str], room_of_day: int) -> None:
    """25 May 2026 is a federal holiday in the US (calendar of the federal courts)."""
    request = ask(
        exam(datetime(2026, 6, 20, 9)), week=(hours("16:00", "20:00"),), holidays=Holidays(country="US", use=use)
    )
    days = resolve(request, (), as_of=early(date(2026, 5, 20)))
    [day] = [one for one in days.days if one.day == date(2026, 5, 25)]
    assert clock(request, days, date(2026, 5, 25)) == gaps
    assert day.room == room_of_day
    assert day.halved is (use is HolidayUse.LIGHT)
    assert [(one.day.isoformat(), one.title) for one in days.holidays] == [
        ("2026-05-25", "Memorial Day"), ("2026-06-19", "Juneteenth National Independence Day")
    ]  # fmt: skip


def test_study_hours_have_weekdays_and_dates() -> None:
    week = (
        hours("16:00", "17:00", Weekday.MON, Weekday.WED),
        hours("18:00", "19:00", first=date(2026, 5, 5), last=date(2026, 5, 6)),
    )
    request = ask(exam(datetime(2026, 5, 8, 9)), week=week)
    days = resolve(request, (), as_of=early(date(2026, 5, 4)))
    assert [clock(request, days, date(2026, 5, day)) for day in (4, 5, 6, 7)] == [
        ["16:00-17:00"],
        ["18:00-19:00"],
        ["16:00-17:00", "18:00-19:00"],
        [],
    ]


def test_study_hours_past_midnight_belong_to_two_dates_with_a_break_between_them() -> None:
    """A night owl: bedtime at 3, so that the evening ends at 2; Sunday's stretch still gives Monday its first hours."""
    effort = Effort(bedtime=time(3), waking=time(11), rest=10, margin=0)
    request = ask(
        exam(datetime(2026, 5, 8, 15)), week=(hours("22:00", "04:00"),), effort=effort, start=date(2026, 5, 4)
    )
    days = resolve(request, (), as_of=datetime(2026, 5, 1, tzinfo=UTC))
    assert clock(request, days, date(2026, 5, 4)) == ["00:00-02:00", "22:00-00:00"]
    assert clock(request, days, date(2026, 5, 5)) == ["00:10-02:00", "22:00-00:00"]


def test_a_stretch_of_the_last_valid_date_runs_on_past_midnight() -> None:
    effort = Effort(bedtime=time(3), waking=time(11), rest=0)
    week = (hours("22:00", "01:00", last=date(2026, 5, 4)),)
    request = ask(exam(datetime(2026, 5, 8, 15)), week=week, effort=effort)
    days = resolve(request, (), as_of=datetime(2026, 5, 4, 12, tzinfo=UTC))
    assert clock(request, days, date(2026, 5, 4)) == ["22:00-00:00"]
    assert clock(request, days, date(2026, 5, 5)) == ["00:00-01:00"]
    assert clock(request, days, date(2026, 5, 6)) == []


@pytest.mark.parametrize(
    ("bedtime", "waking", "gaps"),
    [
        ("22:30", "07:00", ["07:00-21:30"]),
        ("00:30", "08:00", ["08:00-23:30"]),  # bed after midnight
        ("01:30", "09:00", ["00:00-00:30", "09:00-00:00"]),  # the hour before it after midnight too
        ("08:00", "16:00", ["00:00-07:00", "16:00-00:00"]),  # a night worker
    ],
)
def test_the_night_and_the_hour_before_it_are_quiet(bedtime: str, waking: str, gaps: list[str]) -> None:
    """No screens in the last hour before bed: American Academy of Pediatrics, October 2016."""
    effort = Effort(bedtime=time.fromisoformat(bedtime), waking=time.fromisoformat(waking), rest=0)
    request = ask(exam(datetime(2026, 5, 8, 9)), week=(hours("00:00", "00:00"),), effort=effort)
    days = resolve(request, (), as_of=datetime(2026, 5, 3, 12, tzinfo=UTC))
    assert clock(request, days, date(2026, 5, 5)) == gaps


@pytest.mark.parametrize(
    ("as_of", "first"),
    [("15:40", "16:00"), ("15:45", "16:00"), ("15:46", "16:05"), ("16:30", "16:45"), ("17:01:01", "17:20")],
)
def test_today_begins_a_quarter_of_an_hour_from_now_on_whole_five_minutes(as_of: str, first: str) -> None:
    assert one_day(as_of=as_of) == [f"{first}-20:00"]


def test_a_day_that_is_nearly_over_has_no_gap() -> None:
    assert one_day(as_of="19:35") == []


def test_gaps_have_whole_minutes() -> None:
    start = datetime(2026, 5, 5, 17, 0, 30, tzinfo=UTC)
    assert one_day(taken=(busy(start, 60),)) == ["16:00-17:00", "18:01-20:00"]


def test_gaps_nearer_than_a_break_are_drawn_apart_and_the_earlier_one_stays() -> None:
    effort = Effort(margin=0, rest=10, bedtime=time(23, 30))
    assert one_day(effort, taken=(busy(datetime(2026, 5, 5, 17, tzinfo=UTC), 4),)) == ["16:00-17:00", "17:10-20:00"]
    assert one_day(effort, taken=(busy(datetime(2026, 5, 5, 17, tzinfo=UTC), 10),)) == ["16:00-17:00", "17:10-20:00"]


def test_a_gap_too_short_for_a_block_is_none_and_costs_the_next_one_nothing() -> None:
    effort = Effort(margin=0, rest=10, shortest=15, bedtime=time(23, 30))
    taken = (busy(datetime(2026, 5, 5, 16, 14, tzinfo=UTC), 1),)
    assert one_day(effort, taken=taken) == ["16:15-20:00"]
    two = (*taken, busy(datetime(2026, 5, 5, 17, 0, tzinfo=UTC), 1), busy(datetime(2026, 5, 5, 17, 20, tzinfo=UTC), 1))
    assert one_day(effort, taken=two) == ["16:15-17:00", "17:21-20:00"]  # 17:10 to 17:20 would be too short


# ----------------------------------------------------------------------------------------- exams' own days


def test_an_exams_own_day_opens_two_hours_after_its_end_at_half_capacity_for_the_others() -> None:
    """Finals week; the length includes granted extra time (25 % is the usual UK figure: JCQ adjustments 2025/26)."""
    request = ask(
        exam(datetime(2026, 5, 6, 9), minutes=120, extra_time=25),
        exam(datetime(2026, 5, 8, 9), key="art"),
        week=(hours("07:00", "20:00"),),
    )
    days = resolve(request, (), as_of=datetime(2026, 5, 4, 6, 0, tzinfo=UTC))
    assert clock(request, days, date(2026, 5, 6)) == ["13:30-20:00"]  # 09:00 + 2 h 30 min + 2 h
    assert [(one.halved, one.room) for one in days.days] == [(False, 12), (False, 12), (True, 6), (False, 12)]


def test_an_exam_that_runs_past_midnight_closes_the_next_morning() -> None:
    effort = Effort(bedtime=time(5), waking=time(13), rest=0)
    request = ask(
        exam(datetime(2026, 5, 6, 9), zone="Asia/Tokyo", minutes=61),  # 00:00 to 01:01 UTC on 6 May
        exam(datetime(2026, 5, 5, 22), key="bio", minutes=180),
        exam(datetime(2026, 5, 8, 9), key="art"),
        week=(hours("00:00", "00:00"),),
        effort=effort,
    )
    days = resolve(request, (), as_of=datetime(2026, 5, 4, tzinfo=UTC))
    assert clock(request, days, date(2026, 5, 5)) == []
    assert clock(request, days, date(2026, 5, 6)) == ["03:01-04:00", "13:00-00:00"]
    assert [one.halved for one in days.days] == [False, True, True, False]


def test_odd_lengths_are_rounded_up() -> None:
    request = ask(exam(datetime(2026, 5, 6, 9), minutes=50, extra_time=25), week=())
    assert exam_span(request, request.exams[0]).minutes == 63  # 62.5
    assert paper_span(request, request.exams[0], date(2026, 5, 2)) == Span(
        datetime(2026, 5, 2, 9, tzinfo=UTC), datetime(2026, 5, 2, 10, 5, tzinfo=UTC)
    )


# ------------------------------------------------------------------------------------------- clock changes

# Transitions: tz database.


@pytest.mark.parametrize(
    ("zone", "day", "minutes"),
    [
        ("America/New_York", date(2026, 3, 8), 23 * 60),
        ("America/New_York", date(2026, 3, 9), 24 * 60),
        ("America/New_York", date(2026, 11, 1), 25 * 60),
        ("Europe/London", date(2026, 3, 29), 23 * 60),
        ("Europe/London", date(2026, 10, 25), 25 * 60),
        ("Australia/Lord_Howe", date(2026, 4, 5), 24 * 60 + 30),
        ("Australia/Lord_Howe", date(2026, 10, 4), 23 * 60 + 30),
    ],
)
def test_a_day_of_a_clock_change_is_as_long_as_it_is(zone: str, day: date, minutes: int) -> None:
    request = ask(exam(datetime.combine(day + timedelta(3), time(9))), week=(), zone=zone)
    before = datetime.combine(day - timedelta(5), time(), UTC)
    night = 7 * 60 + 30  # from 22:30 to 6:00
    lost = minutes - 24 * 60
    free = sum(span.minutes for span in unbooked(request, (), day, as_of=before))
    assert free == minutes - night - lost  # the change falls into the night
    effort = Effort(bedtime=time(12), waking=time(20), rest=0, margin=0)
    awake = ask(*request.exams, week=(hours("00:00", "00:00"),), zone=zone, effort=effort)
    free = sum(span.minutes for span in unbooked(awake, (), day, as_of=before))
    assert free == minutes - 9 * 60  # the change falls into the hours awake
    [there] = [one for one in resolve(awake, (), as_of=before).days if one.day == day]
    assert sum(gap.minutes for gap in there.gaps) == free


def test_study_hours_keep_their_wall_clock_time_across_a_change() -> None:
    """New York is five hours behind UTC before 8 March 2026 and four hours after."""
    request = ask(exam(datetime(2026, 3, 12, 9)), week=(hours("16:00", "18:00"),), zone="America/New_York")
    days = resolve(request, (), as_of=early(date(2026, 3, 6)))
    starts = [one.gaps[0].start.hour for one in days.days]
    assert starts == [21, 21, 20, 20, 20, 20]
    assert {gap.minutes for one in days.days for gap in one.gaps} == {120}


def test_hours_that_the_clock_jumps_over_shrink_and_repeated_ones_count_once_at_their_start() -> None:
    owl = Effort(bedtime=time(12), waking=time(20), rest=0, margin=0)
    spring = ask(exam(datetime(2026, 3, 12, 9)), week=(hours("01:30", "03:30"),), zone="America/New_York", effort=owl)
    days = resolve(spring, (), as_of=early(date(2026, 3, 6)))
    assert [gap.minutes for one in days.days for gap in one.gaps if one.day == date(2026, 3, 8)] == [60]
    autumn = ask(exam(datetime(2026, 11, 5, 9)), week=(hours("01:30", "03:30"),), zone="America/New_York", effort=owl)
    days = resolve(autumn, (), as_of=early(date(2026, 10, 29)))
    assert [gap.minutes for one in days.days for gap in one.gaps if one.day == date(2026, 11, 1)] == [180]


def test_the_hour_before_bed_is_an_hour_when_the_clock_goes_back() -> None:
    """Bedtime at 2 on 1 November 2026: the last study hour ends at the first 1 o'clock, by clock and by watch."""
    effort = Effort(bedtime=time(2), waking=time(10), rest=0)
    request = ask(
        exam(datetime(2026, 11, 5, 9)), week=(hours("00:00", "04:00"),), zone="America/New_York", effort=effort
    )
    days = resolve(request, (), as_of=early(date(2026, 10, 29)))
    [gap] = next(one.gaps for one in days.days if one.day == date(2026, 11, 1))
    assert (gap.start, gap.end) == (datetime(2026, 11, 1, 4, tzinfo=UTC), datetime(2026, 11, 1, 5, tzinfo=UTC))


def test_the_day_that_apia_skipped_holds_nothing_and_its_neighbours_everything() -> None:
    """30 December 2011 did not happen in Apia (tz database)."""
    request = ask(exam(datetime(2012, 1, 2, 9)), week=(hours("16:00", "20:00"),), zone="Pacific/Apia")
    days = resolve(request, (), as_of=datetime(2011, 12, 29, 12, tzinfo=UTC))
    assert [(one.day.day, sum(gap.minutes for gap in one.gaps)) for one in days.days] == [
        (29, 240), (30, 0), (31, 240), (1, 240)
    ]  # fmt: skip
    assert clock(request, days, date(2011, 12, 31)) == ["16:00-20:00"]


def test_a_stretch_past_a_midnight_that_was_skipped_goes_to_the_days_that_were_there() -> None:
    """The bedtime of the skipped day moves to the next minute that exists, and its hour ends the evening before."""
    effort = Effort(bedtime=time(5), waking=time(13), rest=0)
    request = ask(exam(datetime(2012, 1, 2, 9)), week=(hours("22:00", "02:00"),), zone="Pacific/Apia", effort=effort)
    days = resolve(request, (), as_of=datetime(2011, 12, 28, 12, tzinfo=UTC))
    assert [clock(request, days, one.day) for one in days.days[1:4]] == [
        ["00:00-02:00", "22:00-23:00"],
        [],
        ["00:00-02:00", "22:00-00:00"],
    ]


# ------------------------------------------------------------------------------------------------ capacity


@pytest.mark.parametrize(
    ("minutes", "units"),
    [
        (14, 0),  # shorter than the shortest block
        (15, 3),
        (19, 3),
        (45, 9),  # one block of the longest
        (50, 9),  # still one: two would have to be 15 + 10 + 15 minutes and hold 8 units
        (56, 9),  # two blocks hold 46 minutes, which is 9 units too
        (60, 10),  # two blocks and a break: 50 minutes
        (100, 18),
        (150, 26),  # three blocks and two breaks: 130 minutes
    ],
)
def test_capacity_is_the_best_that_blocks_and_breaks_make_of_a_gap(minutes: int, units: int) -> None:
    """Worked by hand for blocks of 15 to 45 minutes and breaks of 10."""
    assert capacity(minutes, bounds(Effort())) == units


@pytest.mark.parametrize(
    ("effort", "minutes", "units"),
    [
        (Effort(limit=10), 10, 2),  # the shortest block is 10 minutes there, not 15
        (Effort(shortest=17), 19, 0),  # a block of 17 minutes needs four units
        (Effort(shortest=17), 20, 4),
        (Effort(shortest=43, longest=44), 43, 8),  # no whole number of units between them
        (Effort(shortest=5, longest=4), 60, 0),  # no unit fits into a block
        (Effort(limit=0), 60, 10),
        (Effort(shortest=90, longest=120, limit=60), 59, 0),  # the limit makes the shortest block 60 minutes
        (Effort(shortest=90, longest=120, limit=90), 89, 0),
    ],
)
def test_capacity_with_other_bounds(effort: Effort, minutes: int, units: int) -> None:
    assert capacity(minutes, bounds(effort)) == units


@given(st.integers(0, 130), st.integers(1, 40), st.integers(0, 40), st.integers(0, 25))
def test_capacity_equals_the_best_of_all_ways_to_lay_blocks(minutes: int, shortest: int, more: int, rest: int) -> None:
    """Dynamic programming over the minute at which a block ends, with every length; no count of blocks anywhere."""
    effort = Effort(shortest=shortest, longest=shortest + more, rest=rest, limit=600)
    whole = -(-shortest // 5) * 5
    least = whole if whole <= effort.longest else shortest
    best = [0] * (minutes + 1)
    for at in range(1, minutes + 1):
        last = [n // 5 + best[max(0, at - n - rest)] for n in range(least, min(effort.longest, at) + 1)]
        best[at] = max([best[at - 1], *last])
    assert capacity(minutes, bounds(effort)) == best[minutes]


def test_room_is_what_limit_appointments_and_halving_leave() -> None:
    day = Day(day=date(2026, 5, 5), free=20, fixed=3)
    assert [room(day, limit) for limit in (10, 15, 60, 64, 200)] == [0, 0, 9, 9, 20]
    half = Day(day=date(2026, 5, 5), free=20, fixed=3, halved=True)
    assert [room(half, limit) for limit in (10, 60, 200)] == [0, 4, 10]


def test_the_minutes_of_a_short_day_hold_whatever_the_limit_and_are_not_halved() -> None:
    day = Day(day=date(2026, 5, 5), free=20, fixed=3, short=44)
    assert [room(day, limit) for limit in (10, 15, 35, 44, 60, 200)] == [0, 0, 4, 5, 5, 5]
    half = Day(day=date(2026, 5, 5), free=20, fixed=3, short=44, halved=True)
    assert [room(half, limit) for limit in (10, 60, 200)] == [0, 4, 5]
    assert room(Day(day=date(2026, 5, 5), free=20, short=0), 60) == 0


def test_a_short_day_takes_the_fewest_of_its_minutes_and_its_gaps_stay() -> None:
    """Tutoring of 22 minutes is five units; the shortest block has 15 minutes."""

    def found(*minutes: int, tutoring: bool = False, limit: int = 60) -> tuple[int, int]:
        lesson = Appointment(title="Tutoring", start=datetime(2026, 5, 5, 9), minutes=22)
        request = ask(
            exam(datetime(2026, 5, 8, 9)),
            week=(hours("16:00", "20:00"),),
            effort=Effort(limit=limit, bedtime=time(23, 30)),
            short_days=tuple(ShortDay(day=date(2026, 5, 5), minutes=each) for each in minutes),
            appointments=(lesson,) if tutoring else (),
        )
        days = resolve(request, (), as_of=early(date(2026, 5, 4))).days
        assert [one.room for one in days if one.day != date(2026, 5, 5)] == [limit // 5] * 3
        return days[1].free, days[1].room

    assert found() == (40, 12)
    assert found(30) == found(90, 30) == found(30, 34) == (40, 6)
    assert found(90) == (40, 12)
    assert found(0) == found(14) == (40, 0)
    assert found(15) == (40, 3)
    assert found(14, limit=10) == (40, 2)  # the limit makes the shortest block as short
    assert found(45, tutoring=True) == (40, 4)
    assert found(39, tutoring=True) == (40, 0)


def test_work_that_is_done_takes_from_the_room_of_its_day_and_not_from_its_free_time() -> None:
    """A limit of 60 minutes is twelve units; the whole of a halved day is half of that, done or not."""
    day = Day(day=date(2026, 5, 5), free=20, fixed=3, spent=4)
    assert [room(day, limit) for limit in (35, 40, 60, 200)] == [0, 1, 5, 20]
    half = Day(day=date(2026, 5, 5), free=20, spent=4, halved=True)
    assert [room(half, limit) for limit in (40, 60, 200)] == [0, 2, 10]
    assert room(Day(day=date(2026, 5, 5), free=20, fixed=2, spent=4, short=40), 60) == 2


def test_days_know_what_is_done_on_them() -> None:
    request = ask(
        exam(datetime(2026, 5, 8, 9)),
        week=(hours("16:00", "20:00"),),
        effort=Effort(bedtime=time(23, 30)),
        short_days=(ShortDay(day=date(2026, 5, 5), minutes=30),),
    )
    spent = {date(2026, 5, 4): 5, date(2026, 5, 5): 3, date(2026, 4, 1): 99}
    now = datetime(2026, 5, 4, 8, tzinfo=UTC)
    before, after = (resolve(request, (), as_of=now, **more).days for more in ({}, {"spent": spent}))  # type: ignore[arg-type]
    assert [one.spent for one in after] == [5, 3, 0, 0]
    assert [one.room for one in after] == [7, 3, 12, 12]
    assert [one.room for one in before] == [12, 6, 12, 12]
    assert [(one.gaps, one.free) for one in before] == [(one.gaps, one.free) for one in after]
    few = resolve(request, (), as_of=now, spent={date(2026, 5, 5): 4}).days[1]
    assert few.room == 0  # of thirty minutes ten are left, and the shortest block has fifteen


def test_what_is_done_by_day_is_what_was_worked_and_does_not_come_back() -> None:
    def over(day: int, *worked: Worked, missed: bool = False) -> PastBlock:
        start = datetime(2026, 5, day, 16)
        return PastBlock(
            uid=str(day), day=start.date(), start=start, minutes=60, revised=start.replace(tzinfo=UTC),
            headline="", text="", worked=worked, missed=missed, fixed=not worked,
        )  # fmt: skip

    def work(units: int, back: int = 0, role: Role = Role.COVER) -> Worked:
        return Worked(exam="chem", role=role, kind=None, units=units, back=back)

    past = (over(4, work(4), work(3, 2)), over(4, work(2)), over(5), over(6, work(5, 5), work(24, role=Role.PAPER)))
    assert {day.day: units for day, units in done_by_day(past).items() if units} == {4: 7}
    assert done_by_day((over(7, work(4), missed=True),)) == {}


def test_a_timed_paper_takes_its_minutes_from_a_short_day_too() -> None:
    request = ask(
        exam(datetime(2026, 5, 8, 17)),
        week=(hours("16:00", "20:00"),),
        effort=Effort(bedtime=time(23)),
        short_days=(ShortDay(day=date(2026, 5, 5), minutes=150), ShortDay(day=date(2026, 5, 6), minutes=130)),
    )
    first, second = resolve(request, (), as_of=early(date(2026, 5, 5))).days[:2]
    assert (first.room, second.room) == (12, 12)
    paper = [set_aside(day, paper_span(request, request.exams[0], day.day), request.effort) for day in (first, second)]
    assert [day.room for day in paper] == [6, 0]  # 30 minutes are left, and 10


def test_a_timed_paper_takes_its_place_and_a_break_out_of_a_day() -> None:
    request = ask(exam(datetime(2026, 5, 8, 17)), week=(hours("16:00", "20:00"),), effort=Effort(bedtime=time(23)))
    day = resolve(request, (), as_of=early(date(2026, 5, 5))).days[0]
    less = set_aside(day, paper_span(request, request.exams[0], day.day), request.effort)
    assert clock(request, less.gaps) == ["16:00-16:50", "19:10-20:00"]
    assert (less.free, less.room) == (18, 12)
    none = set_aside(
        day, Span(datetime(2026, 5, 5, 16, 5, tzinfo=UTC), datetime(2026, 5, 5, 19, 45, tzinfo=UTC)), request.effort
    )
    assert (none.gaps, none.free, none.room) == ((), 0, 0)


# ------------------------------------------------------------------------------------------------- catch-up

SUNDAY_EVENING = CatchUp(day=Weekday.SUN, start=time(16), end=time(20))


def test_a_catch_up_stretch_is_held_back_while_fourteen_days_stay_usable() -> None:
    request = ask(exam(datetime(2026, 5, 20, 9)), week=(hours("16:00", "20:00"),), catch_up=SUNDAY_EVENING)
    days = resolve(request, (), as_of=early(date(2026, 5, 4)))  # 16 days with two Sundays
    assert [one.day.day for one in days.days if not one.gaps] == [10, 17]
    (held,) = days.notices
    assert held.code == "catch-up-held"
    assert "Sun 16:00–20:00" in held.sentence


def test_with_fewer_days_it_is_not_held_back_and_that_is_said() -> None:
    request = ask(exam(datetime(2026, 5, 19, 9)), week=(hours("16:00", "20:00"),), catch_up=SUNDAY_EVENING)
    days = resolve(request, (), as_of=early(date(2026, 5, 4)))
    assert all(one.gaps for one in days.days)
    [notice] = days.notices
    assert notice.code == "catch-up-not-held"
    assert "(13 here)" in notice.sentence


# -------------------------------------------------------------------------------------------------- notices


@pytest.mark.parametrize(
    ("age", "bedtime", "waking", "short"),
    [
        # Paruthi et al. 2016, J Clin Sleep Med 12(6):785–786: 9 to 12 h at 6 to 12 years, 8 to 10 h at 13 to 18.
        (AgeBand.CHILD, "22:00", "07:00", False),
        (AgeBand.CHILD, "22:01", "07:00", True),
        (AgeBand.TEEN, "23:00", "07:00", False),
        (AgeBand.TEEN, "00:30", "08:00", True),
        # Watson et al. 2015: 7 h or more for adults (from memory).
        (AgeBand.ADULT, "00:00", "07:00", False),
        (AgeBand.ADULT, "00:01", "07:00", True),
        (None, "04:00", "07:00", False),
    ],
)
def test_a_night_shorter_than_recommended_is_said_and_changes_nothing(
    age: AgeBand | None, bedtime: str, waking: str, short: bool
) -> None:
    times = {"bedtime": time.fromisoformat(bedtime), "waking": time.fromisoformat(waking)}
    with_age, without = (
        resolve(
            ask(exam(datetime(2026, 5, 8, 9)), week=(hours("08:00", "23:00"),), effort=Effort(age=band, **times)),
            (),
            as_of=early(date(2026, 5, 4)),
        )
        for band in (age, None)
    )
    assert [notice.code for notice in with_age.notices] == (["short-night"] if short else [])
    assert with_age.days == without.days


def test_with_few_usable_days_a_holiday_kept_free_is_worth_a_question() -> None:
    """6 April 2026 is Easter Monday in England, 3 April Good Friday (the government's data file)."""
    request = ask(
        exam(datetime(2026, 4, 9, 9)),
        exam(datetime(2026, 4, 30, 9), key="art"),
        week=(hours("16:00", "20:00"),),
        holidays=Holidays(country="GB", subdivision="ENG"),
    )
    days = resolve(request, (), as_of=early(date(2026, 4, 1)))
    [notice] = days.notices  # art has more than seven days
    assert notice.code == "holiday-kept-free"
    assert notice.sentence == (
        "Chem has 6 usable days, and Good Friday (Fri 3 Apr) and Easter Monday (Mon 6 Apr) are kept free. "
        "Would you rather use them?"
    )


def test_a_holiday_that_would_give_nothing_anyway_is_not_asked_about() -> None:
    request = ask(
        exam(datetime(2026, 4, 9, 9)),
        week=(hours("16:00", "20:00"),),
        holidays=Holidays(own=(OwnHoliday(day=date(2026, 4, 6), title="Founders’ day"),)),
        days_off=(DayOff(first=date(2026, 4, 6), last=date(2026, 4, 6)),),
    )
    assert resolve(request, (), as_of=early(date(2026, 4, 1))).notices == ()


def test_years_past_the_data_are_said_and_a_wrong_place_is_refused() -> None:
    late = ask(exam(datetime(2101, 4, 9, 9)), week=(hours("16:00", "20:00"),), holidays=Holidays(country="US"))
    days = resolve(late, (), as_of=early(date(2101, 1, 4)))
    assert [notice.code for notice in days.notices] == ["holidays-incomplete"]
    wrong = ask(exam(datetime(2026, 4, 9, 9)), week=(), holidays=Holidays(country="GB"))
    with pytest.raises(InvalidRequest, match="SCT"):
        resolve(wrong, (), as_of=early(date(2026, 4, 1)))


# ------------------------------------------------------------------------------------------------- unbooked


def test_unbooked_looks_beyond_study_hours_but_not_into_anything_that_is_taken() -> None:
    request = ask(
        exam(datetime(2026, 5, 8, 9)),
        week=(hours("16:00", "20:00"),),
        effort=Effort(margin=10, rest=5, bedtime=time(23), waking=time(7)),
        appointments=(Appointment(title="Tutoring", start=datetime(2026, 5, 5, 14), minutes=30),),
        days_off=(DayOff(first=date(2026, 5, 6), last=date(2026, 5, 6)),),
        holidays=Holidays(own=(OwnHoliday(day=date(2026, 5, 7), title="Founders’ day"),)),
    )
    lesson = (busy(datetime(2026, 5, 5, 10, tzinfo=UTC), 60),)
    now = datetime(2026, 5, 5, 8, tzinfo=UTC)
    free = [clock(request, unbooked(request, lesson, date(2026, 5, day), as_of=now)) for day in (4, 5, 6, 7, 8)]
    assert free == [[], ["08:15-09:50", "11:10-13:55", "14:35-22:00"], [], [], ["13:00-22:00"]]


# ----------------------------------------------------------------------------------------------- what takes


def taken_by(request: Request, *lessons: BusySpan, as_of: datetime = datetime(2026, 5, 4, 8, tzinfo=UTC)) -> list[str]:
    days = resolve(request, lessons, as_of=as_of)
    return list(what_takes(request, lessons, days, "chem"))


def test_every_cause_is_named_with_its_dates_the_widest_first() -> None:
    request = ask(
        exam(datetime(2026, 5, 13, 9)),
        exam(datetime(2026, 5, 11, 9), key="art"),
        week=(hours("10:00", "12:00", *EVERY_DAY[:6]), hours("21:30", "22:00", Weekday.TUE)),
        effort=Effort(bedtime=time(22, 30)),
        days_off=(
            DayOff(first=date(2026, 5, 6), last=date(2026, 5, 7), title="Trip"),
            DayOff(first=date(2026, 5, 12), last=date(2026, 5, 12)),
        ),
        holidays=Holidays(own=(OwnHoliday(day=date(2026, 5, 9), title="Founders’ day"),)),
        busy=(BusyInterval(start=datetime(2026, 5, 5, 9), end=datetime(2026, 5, 5, 13), title="Choir"),),
        appointments=(Appointment(title="Tutoring", start=datetime(2026, 5, 8, 10), minutes=120),),
    )  # fmt: skip
    assert taken_by(request, as_of=datetime(2026, 5, 4, 11, 40, tzinfo=UTC)) == [
        "Day off (Trip): Wed 6 May to Thu 7 May.",
        "Past, or too soon from now: Mon 4 May.",
        "Busy (Choir): Tue 5 May.",
        "Night, or the hour before bedtime (effort.bedtime, effort.waking): Tue 5 May.",
        "Appointment (Tutoring): Fri 8 May.",
        "Public holiday kept free (Founders’ day): Sat 9 May.",
        "No study hours on that day: Sun 10 May.",
        "And 2 more reasons of the same sort.",
    ]


def test_busy_times_are_grouped_by_title() -> None:
    request = ask(exam(datetime(2026, 5, 16, 9)), week=(hours("10:00", "12:00"),))
    lessons = [busy(datetime(2026, 5, day, 9, tzinfo=UTC), 200, "School") for day in range(4, 16, 2)]
    lessons += [busy(datetime(2026, 5, day, 9, tzinfo=UTC), 200, "") for day in range(5, 16, 2)]
    assert taken_by(request, *lessons) == [
        "Busy (School): Mon 4 May, Wed 6 May, Fri 8 May, Sun 10 May and 2 more days.",
        "Busy: Tue 5 May, Thu 7 May, Sat 9 May, Mon 11 May and 2 more days.",
    ]


def test_limits_and_exams_are_causes_too() -> None:
    tiny = ask(exam(datetime(2026, 5, 6, 9)), week=(hours("16:00", "20:00"),), effort=Effort(limit=4))
    assert taken_by(tiny) == ["The daily limit of 4 minutes is less than a unit of 5: Mon 4 May to Tue 5 May."]
    light = Holidays(use=HolidayUse.LIGHT, own=(OwnHoliday(day=date(2026, 5, 4), title="Founders’ day"),))
    half = ask(exam(datetime(2026, 5, 5, 9)), week=(hours("16:00", "20:00"),), effort=Effort(limit=5), holidays=light)
    assert taken_by(half) == ["Half of the daily limit of 5 minutes is less than a unit of 5: Mon 4 May."]
    tutor = (Appointment(title="Tutoring", start=datetime(2026, 5, 4, 12), minutes=60),)
    full = ask(exam(datetime(2026, 5, 5, 9)), week=(hours("16:00", "20:00"),), appointments=tutor)
    assert taken_by(full) == ["Appointments fill the daily limit of 60 minutes: Mon 4 May."]
    short = ask(exam(datetime(2026, 5, 5, 9)), week=(hours("16:00", "16:10"),))
    assert taken_by(short) == ["Study hours shorter than the shortest block of 15 minutes: Mon 4 May."]
    few = tuple(ShortDay(day=date(2026, 5, day), minutes=minutes) for day, minutes in ((4, 10), (5, 0)))
    ill = ask(exam(datetime(2026, 5, 6, 9)), week=(hours("16:00", "20:00"),), short_days=few)
    assert taken_by(ill) == [
        "Only 10 minutes possible, appointments included: Mon 4 May.",
        "No time on that day: Tue 5 May.",
    ]
    other = ask(
        exam(datetime(2026, 5, 5, 9)), exam(datetime(2026, 5, 4, 15), key="art"), week=(hours("16:00", "18:00"),)
    )
    assert taken_by(other) == ["Day of an exam, until two hours after it: Mon 4 May."]


def test_an_exam_without_any_day_before_it_says_so() -> None:
    request = ask(
        exam(datetime(2026, 5, 4, 17)),
        exam(datetime(2026, 5, 9, 9), key="art"),
        week=(hours("8:00".zfill(5), "09:00"),),
    )
    assert taken_by(request) == ["No day lies between now and the exam on Mon 4 May."]


# ---------------------------------------------------------------------------- oracle: watching the clock


class Watch:
    """What a zone's clock shows at every minute of a fortnight, and the minute at which it has come so far.

    Nothing here is shared with the code under test but the zone data: a wall-clock time is the first minute whose
    highest reading so far reaches it.
    """

    def __init__(self, zone: str, first: date) -> None:
        self.begin = datetime.combine(first - timedelta(3), time(), UTC)
        self.shown = [
            (self.begin + timedelta(minutes=at)).astimezone(ZoneInfo(zone)).replace(tzinfo=None)
            for at in range(14 * 1440)
        ]
        self.highest = list(accumulate(self.shown, max))

    def at(self, wall: datetime) -> int:
        return bisect_left(self.highest, wall)

    def minute(self, moment: datetime) -> int:
        return int((moment - self.begin).total_seconds() // 60)


SEASONS = [
    ("UTC", date(2026, 5, 4)),
    ("America/New_York", date(2026, 3, 6)),
    ("America/New_York", date(2026, 10, 30)),
    ("Australia/Lord_Howe", date(2026, 4, 3)),
    ("Australia/Lord_Howe", date(2026, 10, 2)),
    ("Pacific/Apia", date(2011, 12, 28)),
]
WATCHES = {season: Watch(*season) for season in SEASONS}
quarter = st.integers(0, 95).map(lambda at: time(at // 4, at % 4 * 15))
odd_time = st.integers(0, 1439).map(lambda at: time(at // 60, at % 60))


@st.composite
def crowded(draw: st.DrawFn) -> tuple[tuple[str, date], Request, tuple[BusySpan, ...], datetime]:
    """A request with a little of everything, over a few days around a clock change."""
    season = draw(st.sampled_from(SEASONS))
    zone, first = season
    noon = datetime.combine(first, time(12))
    minute = st.integers(-600, 7000).map(lambda at: noon + timedelta(minutes=at))
    length = st.integers(1, 300)
    week = draw(
        st.lists(
            st.builds(
                StudyHours,
                days=st.lists(st.sampled_from(EVERY_DAY), min_size=1, max_size=7, unique=True).map(tuple),
                start=quarter,
                end=quarter,
                first=st.none() | st.integers(-2, 4).map(lambda by: first + timedelta(by)),
                last=st.none() | st.integers(0, 6).map(lambda by: first + timedelta(by)),
            ),
            min_size=1,
            max_size=3,
        )
    )
    effort = Effort(
        shortest=draw(st.integers(5, 40)),
        longest=draw(st.integers(40, 90)),
        rest=draw(st.integers(0, 25)),
        margin=draw(st.integers(0, 20)),
        bedtime=draw(odd_time),
        waking=draw(odd_time),
    )
    taken, fixed, off = (draw(st.lists(minute, max_size=size)) for size in (3, 2, 1))
    request = ask(
        exam(noon + timedelta(days=draw(st.integers(2, 5)))),
        exam(draw(minute), key="art", minutes=draw(length), extra_time=draw(st.sampled_from([0, 25, 50]))),
        week=tuple(week),
        zone=zone,
        effort=effort,
        busy=tuple(BusyInterval(start=at, end=at + timedelta(minutes=draw(length))) for at in taken),
        appointments=tuple(Appointment(title="T", start=at, minutes=draw(length)) for at in fixed),
        days_off=tuple(DayOff(first=at.date(), last=at.date()) for at in off),
        holidays=Holidays(
            own=tuple(
                OwnHoliday(day=first + timedelta(by), title="H")
                for by in draw(st.lists(st.integers(-1, 6), max_size=1))
            )
        ),
    )
    lessons = tuple(busy(at.replace(tzinfo=UTC), draw(length)) for at in draw(st.lists(minute, max_size=5)))
    return season, request, lessons, draw(minute).replace(tzinfo=UTC)


def watched(
    watch: Watch, request: Request, lessons: tuple[BusySpan, ...], as_of: datetime
) -> tuple[list[bool], list[bool]]:
    """For every minute: whether it is a study minute, and whether anything takes it."""
    effort = request.effort
    study, taken = [False] * len(watch.shown), [False] * len(watch.shown)

    def mark(marks: list[bool], start: int, end: int) -> None:
        for at in range(max(start, 0), min(end, len(marks))):
            marks[at] = True

    day = datetime.combine(watch.shown[0].date(), time())
    while day < watch.shown[-1]:
        for one in request.week:
            in_dates = (one.first or date.min) <= day.date() <= (one.last or date.max)
            if in_dates and day.weekday() in one.days:
                start, end = datetime.combine(day, one.start), datetime.combine(day, one.end)
                mark(study, watch.at(start), watch.at(end if end > start else end + timedelta(1)))
        bed, up = datetime.combine(day, effort.bedtime), datetime.combine(day, effort.waking)
        hour_before = min(watch.at(bed) - 60, watch.at(bed - timedelta(hours=1)))
        mark(taken, hour_before, watch.at(up if up > bed else up + timedelta(1)))
        free_days = [one.day for one in request.holidays.own] + [one.first for one in request.days_off]
        if day.date() in free_days:
            mark(taken, watch.at(day), watch.at(day + timedelta(1)))
        day += timedelta(1)
    for lesson in lessons:
        mark(taken, watch.minute(lesson.span.start) - effort.margin, watch.minute(lesson.span.end) + effort.margin)
    for each in request.busy:
        if watch.at(each.start) < watch.at(each.end):
            mark(taken, watch.at(each.start) - effort.margin, watch.at(each.end) + effort.margin)
    for tutoring in request.appointments:
        start_at = watch.at(tutoring.start)
        mark(taken, start_at - effort.rest, start_at + tutoring.minutes + effort.rest)
    for paper in request.exams:
        start_at = watch.at(paper.start)
        midnight = watch.at(datetime.combine(watch.shown[start_at].date(), time()))
        mark(taken, midnight, start_at + -(-paper.minutes * (100 + paper.extra_time) // 100) + 120)
    mark(taken, 0, -(-(watch.minute(as_of) + 15) // 5) * 5)
    return study, taken


@given(crowded())
@settings(max_examples=150)
def test_gaps_are_the_free_study_minutes_and_never_busy_quiet_or_past_ones(
    case: tuple[tuple[str, date], Request, tuple[BusySpan, ...], datetime],
) -> None:
    """Minute by minute; then too short ones go and the rest are drawn apart, as the docstrings say."""
    season, request, lessons, as_of = case
    watch = WATCHES[season]
    days = resolve(request, lessons, as_of=as_of)
    study, taken = watched(watch, request, lessons, as_of)
    effort = request.effort
    shortest = -(-min(effort.shortest, effort.limit) // 5) * 5
    expected: dict[date, list[tuple[int, int]]] = {one.day: [] for one in days.days}
    began, earliest = None, 0
    for at, shown in enumerate(watch.shown):
        free = study[at] and not taken[at] and shown.date() in expected
        if began is not None and (not free or shown.date() != watch.shown[at - 1].date()):
            start = max(began, earliest)
            if at - start >= shortest:
                expected[watch.shown[began].date()].append((start, at))
                earliest = at + effort.rest
            began = None
        if free and began is None:
            began = at
    found = {one.day: [(watch.minute(gap.start), watch.minute(gap.end)) for gap in one.gaps] for one in days.days}
    assert found == expected
    for day in expected:
        open_ = {
            at
            for span in unbooked(request, lessons, day, as_of=as_of)
            for at in range(watch.minute(span.start), watch.minute(span.end))
        }
        assert open_ == {at for at, shown in enumerate(watch.shown) if shown.date() == day and not taken[at]}


@given(crowded())
@settings(max_examples=60)
def test_the_same_input_gives_the_same_days(
    case: tuple[tuple[str, date], Request, tuple[BusySpan, ...], datetime],
) -> None:
    _, request, lessons, as_of = case
    assert resolve(request, lessons, as_of=as_of) == resolve(request, tuple(reversed(lessons)), as_of=as_of)
