"""What a student's calendar says, read from invented but lifelike files, and what the student may choose of it."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calplan import busy, expansion
from calplan.errors import BadCalendar
from calplan.model import Skipped
from calplan.spans import Span, day_span

CALENDARS = Path(__file__).parent.parent / "fixtures" / "calendars"
CHICAGO, LONDON = "America/Chicago", "Europe/London"
AUTUMN = {"zone": CHICAGO, "first": date(2026, 11, 1), "last": date(2026, 12, 31)}
WINTER = {"zone": CHICAGO, "first": date(2027, 1, 1), "last": date(2027, 2, 28)}
SUMMER = {"zone": LONDON, "first": date(2027, 5, 1), "last": date(2027, 6, 13)}


def here(jobs: list[dict[str, object]]) -> list[list[dict[str, object]]]:
    """The child's work, done in this process."""
    return [list(expansion.work(job)) for job in jobs]


def fixture(name: str, *, all_day: bool = False, only: tuple[str, ...] = (), **window: object) -> busy.Reading:
    data = (CALENDARS / f"{name}.ics").read_bytes()
    return busy.read_calendar(data, name=f"{name}.ics", all_day=all_day, only=only, **window)  # type: ignore[arg-type]


def calendar(*lines: str) -> bytes:
    return "\r\n".join(["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//test//EN", *lines, "END:VCALENDAR", ""]).encode()


def event(*lines: str, uid: str = "1", title: str = "Event") -> tuple[str, ...]:
    return ("BEGIN:VEVENT", f"UID:{uid}", *lines, f"SUMMARY:{title}", "END:VEVENT")


def read(*lines: str, all_day: bool = False, only: tuple[str, ...] = (), **window: object) -> busy.Reading:
    window = window or {"zone": CHICAGO, "first": date(2026, 11, 1), "last": date(2026, 11, 30)}
    return busy.read_calendar(calendar(*lines), name="x.ics", all_day=all_day, only=only, **window)  # type: ignore[arg-type]


def local(reading: busy.Reading, zone: str = CHICAGO, title: str | None = None) -> list[str]:
    """The busy times as people there would say them."""
    place = ZoneInfo(zone)
    return [
        f"{b.span.start.astimezone(place):%a %d %b %H:%M}-{b.span.end.astimezone(place):%H:%M} {b.title}".strip()
        for b in reading.busy
        if title is None or b.title == title
    ]


def utc(reading: busy.Reading) -> list[str]:
    return [f"{b.span.start:%m-%d %H:%M}-{b.span.end:%m-%d %H:%M} {b.title}" for b in reading.busy]


@pytest.fixture(params=["in the child", "in this process"])
def anywhere(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> None:
    """The test runs twice: as it is, and with the child's work done here."""
    if request.param == "in this process":
        monkeypatch.setattr(busy, "ask", here)


# --------------------------------------------------------------------------------------------- lifelike files


@pytest.mark.usefixtures("anywhere")
class TestTheChemistryStudent:
    """A college timetable: lessons with exceptions, one moved, one cancelled, holidays as all-day events."""

    def test_lessons_repeat_but_for_their_exceptions(self) -> None:
        reading = fixture("chemistry-student", **AUTUMN)
        lectures = local(reading, title="General Chemistry, lecture")
        assert lectures[:3] == [
            "Mon 02 Nov 10:00-10:50 General Chemistry, lecture",
            "Wed 04 Nov 10:00-10:50 General Chemistry, lecture",
            "Fri 06 Nov 10:00-10:50 General Chemistry, lecture",
        ]
        # Six weeks of three from 2 November to 11 December, less Wednesday and Friday of Thanksgiving week.
        assert len(lectures) == 6 * 3 - 2
        assert not any(day in lecture for lecture in lectures for day in ("25 Nov", "27 Nov"))
        assert lectures[-1].startswith("Fri 11 Dec")

    def test_a_moved_lesson_takes_its_new_time_and_not_its_old_one(self) -> None:
        reading = fixture("chemistry-student", **AUTUMN)
        assert local(reading, title="General Chemistry, laboratory") == [
            f"Tue {day} 13:00-15:50 General Chemistry, laboratory" for day in ("03 Nov", "10 Nov", "01 Dec", "08 Dec")
        ]
        assert local(reading, title="General Chemistry, laboratory (moved)") == [
            "Wed 18 Nov 14:00-16:50 General Chemistry, laboratory (moved)"
        ]

    def test_a_cancelled_lesson_takes_no_time(self) -> None:
        seminars = local(fixture("chemistry-student", **AUTUMN), title="Writing seminar")
        assert [seminar[4:10] for seminar in seminars] == ["04 Nov", "11 Nov", "18 Nov", "02 Dec"]

    def test_all_day_events_are_busy_only_if_the_student_says_so(self) -> None:
        without, with_them = (fixture("chemistry-student", all_day=all_day, **AUTUMN) for all_day in (False, True))
        (family,) = [b for b in with_them.busy if b not in without.busy]
        assert family.title == "Family visit"
        assert family.span == Span(
            day_span(date(2026, 11, 28), ZoneInfo(CHICAGO)).start, day_span(date(2026, 11, 29), ZoneInfo(CHICAGO)).end
        )
        assert with_them.skipped == ()
        assert [(s.name, s.line) for s in without.skipped] == [("Family visit", 92)]
        assert "all-day" in without.skipped[0].reason

    def test_the_week_of_the_examination(self) -> None:
        """Thursday 4 February 2027; Calculus that day is an exception, the reminder about books takes no time."""
        reading = fixture("chemistry-student", zone=CHICAGO, first=date(2027, 2, 1), last=date(2027, 2, 7))
        assert local(reading) == [
            "Mon 01 Feb 10:00-10:50 General Chemistry, lecture",
            "Tue 02 Feb 09:00-10:15 Calculus III",
            "Wed 03 Feb 10:00-10:50 General Chemistry, lecture",
            "Thu 04 Feb 09:00-11:00 General Chemistry, final examination",
            "Fri 05 Feb 10:00-10:50 General Chemistry, lecture",
        ]

    def test_a_length_may_stand_for_the_end(self) -> None:
        """21:30 UTC is 15:30 in Chicago in January."""
        assert local(fixture("chemistry-student", **WINTER), title="Dentist") == ["Thu 21 Jan 15:30-16:15 Dentist"]

    def test_its_titles_are_there_to_choose_from(self) -> None:
        assert fixture("chemistry-student", **AUTUMN).titles == (
            "General Chemistry, lecture",
            "General Chemistry, laboratory",
            "General Chemistry, laboratory (moved)",
            "Calculus II",
            "Writing seminar",
            "Thanksgiving recess",
            "Family visit",
            "Winter break",
            "Adviser",
            "Calculus III",
            "Dentist",
            "General Chemistry, final examination",
            "Library books are due",
        )


@pytest.mark.usefixtures("anywhere")
class TestThePartTimeJob:
    """Another export: times without a zone, which the calendar names once (X-WR-TIMEZONE); extra dates; VFREEBUSY."""

    def test_times_without_a_zone_are_those_of_the_calendar(self) -> None:
        reading = fixture("part-time-job", **AUTUMN)
        assert reading.skipped == ()
        shifts = local(reading, title="Bookshop, Saturday shift")
        assert shifts[0] == "Sat 07 Nov 10:00-15:00 Bookshop, Saturday shift"
        assert [shift[4:10] for shift in shifts] == ["07 Nov", "14 Nov", "21 Nov", "05 Dec", "12 Dec", "19 Dec"]

    def test_extra_dates_count_and_may_have_their_own_length(self) -> None:
        both = {"zone": CHICAGO, "first": date(2026, 11, 1), "last": date(2027, 2, 28)}
        assert local(fixture("part-time-job", **both), title="Bookshop, late shift") == [
            "Wed 18 Nov 17:00-20:30 Bookshop, late shift",
            "Wed 02 Dec 17:00-20:30 Bookshop, late shift",
            "Wed 16 Dec 17:00-20:30 Bookshop, late shift",
            "Wed 20 Jan 18:00-20:00 Bookshop, late shift",
        ]

    def test_a_longer_evening_replaces_one_of_the_club(self) -> None:
        club = [line for line in local(fixture("part-time-job", **AUTUMN)) if "club" in line]
        assert club == [
            "Thu 05 Nov 18:30-20:00 Robotics club",
            "Thu 19 Nov 18:30-20:00 Robotics club",
            "Thu 03 Dec 18:00-21:00 Robotics club, open evening",
            "Thu 17 Dec 18:30-20:00 Robotics club",
            "Thu 31 Dec 18:30-20:00 Robotics club",
        ]

    def test_published_busy_periods_count_and_free_ones_do_not(self) -> None:
        """Midnight UTC is six in the evening of the day before."""
        assert local(fixture("part-time-job", **WINTER), title="") == [
            "Tue 09 Feb 18:00-20:00",
            "Tue 16 Feb 18:00-20:00",
        ]


@pytest.mark.usefixtures("anywhere")
def test_the_finals_student() -> None:
    """Summer 2027 in London: lessons end in May, and five exams lie from 7 to 11 June."""
    reading = fixture("finals-student", **SUMMER)
    assert [line for line in local(reading, LONDON) if "Exam" in line] == [
        "Mon 07 Jun 09:00-11:00 Exam: mathematics",
        "Tue 08 Jun 09:00-10:45 Exam: biology",
        "Wed 09 Jun 13:30-15:30 Exam: chemistry",
        "Thu 10 Jun 09:00-11:00 Exam: physics",
        "Fri 11 Jun 13:30-15:45 Exam: English literature",
    ]
    assert not [line for line in local(reading, LONDON) if "03 May" in line], "the bank holiday is an exception"
    assert [line[4:10] for line in local(reading, LONDON, "Revision class, physics")] == [
        "20 May", "21 May", "24 May", "25 May", "26 May", "27 May",
    ]  # fmt: skip
    assert [(s.name, s.line) for s in reading.skipped] == [("Half-term", 57)]


@pytest.mark.usefixtures("anywhere")
def test_the_travelling_team() -> None:
    """Each event in the zone where it is: IANA names, a Windows name, a zone of the file's own, a flight between two.

    Offsets, by hand: Denver -7, Boston -5, Chicago -6, London 0, Tokyo +9, Lord Howe +11 (its summer).
    """
    reading = fixture("travelling-team", zone=CHICAGO, first=date(2026, 11, 1), last=date(2027, 2, 28))
    assert [line for line in utc(reading) if "Training" not in line] == [
        "11-14 16:30-11-15 00:00 Match in Denver",
        "11-21 15:00-11-21 21:00 Match in Boston",
        "12-04 23:30-12-05 07:45 Flight to London",
        "12-05 10:00-12-05 18:30 Tournament, London",
        "12-06 10:00-12-06 18:30 Tournament, London",
        "12-07 11:30-12-07 20:30 Flight home",
        "12-10 22:00-12-10 22:30 Video call with the coach",
        "01-16 00:00-01-16 08:00 Camp in Tokyo",
        "01-17 00:00-01-17 08:00 Camp in Tokyo",
        "01-18 00:00-01-18 08:00 Camp in Tokyo",
    ]
    assert reading.skipped == ()


@pytest.mark.usefixtures("anywhere")
def test_the_broken_export() -> None:
    """Nine events, seven of them with something wrong; what can be read is, and the rest is told with its line."""
    reading = fixture("broken-export", **AUTUMN)
    assert local(reading) == [
        "Mon 09 Nov 18:30-20:00 Choir",
        "Tue 10 Nov 18:30-20:00 Orchestra",
        "Sat 14 Nov 10:00-12:00 Somewhere else",
        "Sun 15 Nov 10:00-12:00 Whose clock?",
        "Mon 16 Nov 09:00-12:00 Study fair",
        *[f"Mon {day} 18:30-20:00 Choir" for day in ("16 Nov", "23 Nov", "30 Nov", "07 Dec", "14 Dec")],
    ]
    assert [(s.line, s.name) for s in reading.skipped] == [
        (12, "Orchestra"),
        (19, "Without a start"),
        (25, "Backwards"),
        (32, "Every minute"),
        (40, "Somewhere else"),
        (47, "Whose clock?"),
        (54, "Never"),
        (69, "Cut off in the m"),
        (71, ""),
    ]


@pytest.mark.parametrize("path", sorted(CALENDARS.glob("*.ics")), ids=lambda path: path.stem)
def test_the_lifelike_files_have_the_form_of_calendar_files(path: Path) -> None:
    """RFC 5545 §3.1: lines end in CRLF and hold at most 75 octets."""
    data = path.read_bytes()
    assert data.count(b"\n") == data.count(b"\r\n")
    assert max(map(len, data.split(b"\r\n"))) <= 75


# ------------------------------------------------------------------------------------------ choosing by title


@pytest.mark.usefixtures("anywhere")
class TestChoosingTitles:
    def test_only_the_events_with_the_titles_chosen(self) -> None:
        reading = fixture("part-time-job", only=("Robotics club", "Stocktaking"), **WINTER)
        assert {b.title for b in reading.busy} == {"Robotics club", "Stocktaking"}
        assert reading.skipped == ()
        assert len(reading.titles) == 5, "all titles stay on offer"

    def test_a_repeat_replaced_under_another_title_is_neither_then_nor_later(self) -> None:
        reading = fixture("part-time-job", only=("Robotics club",), **AUTUMN)
        assert [line[4:10] for line in local(reading)] == ["05 Nov", "19 Nov", "17 Dec", "31 Dec"]

    def test_a_title_that_matches_nothing_is_told_with_what_is_near(self) -> None:
        reading = fixture("part-time-job", only=("Robotic Club", "Stocktaking"), **WINTER)
        assert reading.skipped == (
            Skipped(
                source="part-time-job.ics",
                line=0,
                name="Robotic Club",
                reason="No event of the file has this title. Near to it: Robotics club.",
            ),
        )

    def test_a_title_that_is_like_nothing(self) -> None:
        reading = fixture("part-time-job", only=("Zither",), **WINTER)
        assert [s.reason for s in reading.skipped] == [
            "No event of the file has this title.",
            "None of its events takes time on the days that were asked for.",
        ]

    def test_a_title_is_compared_as_people_read_it(self) -> None:
        lines = event("DTSTART:20261110T160000Z", "DURATION:PT1H", title="Maths\\, higher\\nset 2")
        assert read(*lines).titles == ("Maths, higher set 2",)
        assert len(read(*lines, only=(" Maths,  higher set 2 ",)).busy) == 1

    def test_a_replacement_without_a_title_has_that_of_its_series(self) -> None:
        series = event("DTSTART:20261110T160000Z", "DURATION:PT1H", "RRULE:FREQ=DAILY;COUNT=2", title="Physics")
        moved = ("BEGIN:VEVENT", "UID:1", "RECURRENCE-ID:20261111T160000Z", "DTSTART:20261111T180000Z", "DURATION:PT1H")
        assert utc(read(*series, *moved, "END:VEVENT", only=("Physics",))) == [
            "11-10 16:00-11-10 17:00 Physics",
            "11-11 18:00-11-11 19:00 Physics",
        ]


# -------------------------------------------------------------------------------------------- days and clocks


@pytest.mark.usefixtures("anywhere")
class TestDaysAndClocks:
    def test_busy_times_are_cut_to_the_days_asked_for(self) -> None:
        """A night shift into the first day and out of the last; Chicago's midnight is 06:00 UTC."""
        night = event("DTSTART;TZID=America/Chicago:20261108T220000", "DURATION:PT8H", "RRULE:FREQ=DAILY;COUNT=4")
        reading = read(*night, zone=CHICAGO, first=date(2026, 11, 10), last=date(2026, 11, 10))
        assert utc(reading) == ["11-10 06:00-11-10 12:00 Event", "11-11 04:00-11-11 06:00 Event"]

    def test_an_event_that_only_touches_the_days_is_not_there(self) -> None:
        before = event("DTSTART:20261110T050000Z", "DTEND:20261110T060000Z")
        after = event("DTSTART:20261111T060000Z", "DTEND:20261111T070000Z", uid="2")
        assert read(*before, *after, zone=CHICAGO, first=date(2026, 11, 10), last=date(2026, 11, 10)).busy == ()

    def test_a_lesson_keeps_its_hour_when_the_clock_changes(self) -> None:
        """New York leaves daylight time on 1 November 2026: 09:00 is 13:00 UTC before and 14:00 after."""
        lesson = event("DTSTART;TZID=America/New_York:20261030T090000", "DURATION:PT1H", "RRULE:FREQ=DAILY;COUNT=4")
        reading = read(*lesson, zone=CHICAGO, first=date(2026, 10, 29), last=date(2026, 11, 3))
        assert [f"{b.span.start:%d %H:%M}" for b in reading.busy] == ["30 13:00", "31 13:00", "01 14:00", "02 14:00"]

    def test_an_end_is_an_exact_time_away_and_a_day_is_nominal(self) -> None:
        """RFC 5545 §3.8.5.3: DTEND and hours give the same exact length, DURATION:P1D the same wall-clock time.

        The night to 1 November 2026 has an hour more in New York: from 22:00 (02:00 UTC) eight hours last until 05:00.
        """
        start = "DTSTART;TZID=America/New_York:20261030T220000"
        exact = event(start, "DTEND;TZID=America/New_York:20261031T060000", "RRULE:FREQ=DAILY;COUNT=2", title="Exact")
        nominal = event(start, "DURATION:P1D", "RRULE:FREQ=DAILY;COUNT=2", uid="2", title="Nominal")
        reading = read(*exact, *nominal, zone="UTC", first=date(2026, 10, 29), last=date(2026, 11, 3))
        assert utc(reading) == [
            "10-31 02:00-10-31 10:00 Exact",
            "10-31 02:00-11-01 02:00 Nominal",
            "11-01 02:00-11-01 10:00 Exact",
            "11-01 02:00-11-02 03:00 Nominal",
        ]

    def test_a_time_that_the_clock_jumps_over_is_read_with_the_offset_before(self) -> None:
        """RFC 5545 §3.3.5; New York, 8 March 2026, 02:30 does not exist and means 03:30 EDT, 07:30 UTC."""
        jump = event("DTSTART;TZID=America/New_York:20260308T023000", "DURATION:PT1H")
        reading = read(*jump, zone="UTC", first=date(2026, 3, 8), last=date(2026, 3, 8))
        assert utc(reading) == ["03-08 07:30-03-08 08:30 Event"]

    def test_of_a_time_that_comes_twice_the_first_is_meant(self) -> None:
        """RFC 5545 §3.3.5; New York, 1 November 2026, 01:30 is first EDT, 05:30 UTC."""
        twice = event("DTSTART;TZID=America/New_York:20261101T013000", "DURATION:PT1H")
        reading = read(*twice, zone="UTC", first=date(2026, 11, 1), last=date(2026, 11, 1))
        assert utc(reading) == ["11-01 05:30-11-01 06:30 Event"]

    def test_a_whole_day_is_one_of_the_students_own_and_has_25_hours_in_autumn(self) -> None:
        reading = read(*event("DTSTART;VALUE=DATE:20261101"), all_day=True)
        assert [b.span for b in reading.busy] == [day_span(date(2026, 11, 1), ZoneInfo(CHICAGO))]
        assert reading.busy[0].span.minutes == 25 * 60

    def test_whole_days_repeat_with_exceptions_and_an_end(self) -> None:
        """A time in EXDATE or UNTIL of an all-day series means its date as it is written."""
        lines = event(
            "DTSTART;VALUE=DATE:20261102",
            "RRULE:FREQ=DAILY;UNTIL=20261105T235959Z",
            "EXDATE:20261103T000000Z",
            "RDATE;VALUE=DATE:20261120",
        )
        assert [line[4:10] for line in local(read(*lines, all_day=True))] == ["02 Nov", "04 Nov", "05 Nov", "20 Nov"]
        assert len(read(*lines).skipped) == 2, "one for the all-day event, one for the file that gives no time"

    def test_one_day_of_an_all_day_series_may_become_an_hour_and_the_other_way_round(self) -> None:
        days = event("DTSTART;VALUE=DATE:20261102", "RRULE:FREQ=DAILY;COUNT=3", title="Days")
        hour = event("RECURRENCE-ID;VALUE=DATE:20261103", "DTSTART:20261103T160000Z", "DURATION:PT1H", title="Hour")
        hours = event("DTSTART:20261110T160000Z", "DURATION:PT1H", "RRULE:FREQ=DAILY;COUNT=2", uid="2", title="Hours")
        day = event("RECURRENCE-ID:20261111T160000Z", "DTSTART;VALUE=DATE:20261111", uid="2", title="Day")
        assert [line[4:] for line in local(read(*days, *hour, *hours, *day))] == [
            "03 Nov 10:00-11:00 Hour",
            "10 Nov 10:00-11:00 Hours",
        ]
        assert [line[4:] for line in local(read(*days, *hour, *hours, *day, all_day=True))] == [
            "02 Nov 00:00-00:00 Days",
            "03 Nov 10:00-11:00 Hour",
            "04 Nov 00:00-00:00 Days",
            "10 Nov 10:00-11:00 Hours",
            "11 Nov 00:00-00:00 Day",
        ]

    def test_an_exception_in_utc_takes_out_its_own_repeat_only(self) -> None:
        """The library compares identities in UTC and in local time at once; 15:00 UTC is not 15:00 in Chicago."""
        lines = event(
            "DTSTART;TZID=America/Chicago:20261110T090000",
            "DURATION:PT1H",
            "RRULE:FREQ=DAILY;COUNT=4;BYHOUR=9,15",
            "EXDATE:20261110T150000Z",
        )
        assert [line[4:16] for line in local(read(*lines))] == ["10 Nov 15:00", "11 Nov 09:00", "11 Nov 15:00"]

    def test_until_in_utc_local_time_or_as_a_date_means_the_same_last_lesson(self) -> None:
        """UTC is the standard's form (§3.3.10); the others are seen in exports and are read in the series' own zone."""
        for until in ("20261112T150000Z", "20261112T090000", "20261112"):
            lines = event(
                "DTSTART;TZID=America/Chicago:20261110T090000", "DURATION:PT1H", f"RRULE:FREQ=DAILY;UNTIL={until}"
            )
            assert [line[4:10] for line in local(read(*lines))] == ["10 Nov", "11 Nov", "12 Nov"]

    def test_a_series_replaced_from_a_day_on_moves_by_the_same_difference(self) -> None:
        """RFC 5545 §3.2.13, RANGE=THISANDFUTURE: later repeats are moved and resized like the one named."""
        lines = (
            *event(
                "DTSTART;TZID=America/Chicago:20261103T090000",
                "DURATION:PT1H",
                "RRULE:FREQ=WEEKLY;COUNT=4",
                title="Old",
            ),
            *event(
                "RECURRENCE-ID;RANGE=THISANDFUTURE;TZID=America/Chicago:20261117T090000",
                "DTSTART;TZID=America/Chicago:20261118T100000",
                "DURATION:PT30M",
                title="New",
            ),
        )
        assert local(read(*lines)) == [
            "Tue 03 Nov 09:00-10:00 Old",
            "Tue 10 Nov 09:00-10:00 Old",
            "Wed 18 Nov 10:00-10:30 New",
            "Wed 25 Nov 10:00-10:30 New",
        ]

    def test_of_two_replacements_of_one_repeat_the_later_version_counts(self) -> None:
        series = event("DTSTART:20261110T160000Z", "DURATION:PT1H", "RRULE:FREQ=DAILY;COUNT=1")
        versions = [
            event("RECURRENCE-ID:20261110T160000Z", f"SEQUENCE:{n}", f"DTSTART:20261110T{n}00000Z", "DURATION:PT1H")
            for n in (2, 1)
        ]
        assert utc(read(*series, *versions[0], *versions[1])) == ["11-10 20:00-11-10 21:00 Event"]


LOCAL_HOURS = st.integers(min_value=6, max_value=20)


@settings(max_examples=60)
@given(
    start=st.dates(min_value=date(2026, 9, 1), max_value=date(2027, 2, 28)),
    hour=LOCAL_HOURS,
    minutes=st.integers(min_value=5, max_value=180),
    others=st.sets(st.integers(min_value=0, max_value=6)),
    interval=st.integers(min_value=1, max_value=3),
    weeks=st.integers(min_value=1, max_value=20),
    missed=st.sets(st.integers(min_value=0, max_value=30)),
)
def test_weekly_lessons_are_those_of_a_walk_through_the_calendar(
    start: date, hour: int, minutes: int, others: set[int], interval: int, weeks: int, missed: set[int]
) -> None:
    """The oracle walks day by day: right weekday, right week counted from Monday, not missed, until the last day."""
    days = others | {start.weekday()}
    until = start + timedelta(weeks=weeks)
    monday = start - timedelta(days=start.weekday())
    dates = [
        day
        for day in (start + timedelta(days=n) for n in range((until - start).days + 1))
        if day.weekday() in days and (day - monday).days // 7 % interval == 0
    ]
    names = ",".join(("MO", "TU", "WE", "TH", "FR", "SA", "SU")[day] for day in sorted(days))
    lines = event(
        f"DTSTART;TZID={LONDON}:{start:%Y%m%d}T{hour:02}0000",
        f"DURATION:PT{minutes}M",
        f"RRULE:FREQ=WEEKLY;INTERVAL={interval};BYDAY={names};UNTIL={until:%Y%m%d}",
        *[f"EXDATE;TZID={LONDON}:{day:%Y%m%d}T{hour:02}0000" for n, day in enumerate(dates) if n in missed],
    )
    first, last = date(2026, 10, 15), date(2027, 4, 15)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(busy, "ask", here)
        reading = read(*lines, zone=LONDON, first=first, last=last)
    starts = [
        datetime.combine(day, time(hour), ZoneInfo(LONDON)).astimezone(UTC)
        for n, day in enumerate(dates)
        if n not in missed and first <= day <= last
    ]
    assert [b.span.start for b in reading.busy] == starts
    assert all(b.span.minutes == minutes for b in reading.busy)


# ---------------------------------------------------------------------------------------------- several files


def test_several_files_are_read_in_their_order_and_a_bad_one_costs_itself_only() -> None:
    good = calendar(*event("DTSTART:20261110T160000Z", "DURATION:PT1H"))
    files = [busy.CalendarFile(data=data, name=name) for name, data in (("a", good), ("b", b"PK\x03\x04"), ("c", good))]
    first, second, third = busy.read_calendars(files, zone=CHICAGO, first=date(2026, 11, 1), last=date(2026, 11, 30))
    assert isinstance(first, busy.Reading)
    assert isinstance(third, busy.Reading)
    assert [b.source for b in first.busy + third.busy] == ["a", "c"]
    assert isinstance(second, BadCalendar)
    assert second.problem.place == "b"


def test_one_bad_file_is_an_error() -> None:
    with pytest.raises(BadCalendar, match=r"^mine.ics: This file is empty\."):
        busy.read_calendar(b"", name="mine.ics", zone=CHICAGO, first=date(2026, 11, 1), last=date(2026, 11, 1))


def test_each_file_has_its_own_choices() -> None:
    data = calendar(
        *event("DTSTART;VALUE=DATE:20261110", title="A"), *event("DTSTART;VALUE=DATE:20261111", uid="2", title="B")
    )
    files = [
        busy.CalendarFile(data=data, name="1", all_day=True),
        busy.CalendarFile(data=data, name="2", all_day=True, only=("B",)),
        busy.CalendarFile(data=data, name="3"),
    ]
    readings = busy.read_calendars(files, zone=CHICAGO, first=date(2026, 11, 1), last=date(2026, 11, 30))
    assert [[b.title for b in r.busy] for r in readings if isinstance(r, busy.Reading)] == [["A", "B"], ["B"], []]


def no_child(*_: object, **__: object) -> None:
    raise AssertionError("a child was started")


def test_no_child_is_started_where_there_is_nothing_to_work_out(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("subprocess.Popen", no_child)
    assert busy.read_calendars([], zone=CHICAGO, first=date(2026, 11, 1), last=date(2026, 11, 1)) == ()
    free = event("DTSTART:20261110T160000Z", "DURATION:PT1H", "TRANSP:TRANSPARENT")
    assert [s.reason for s in read(*free).skipped] == ["None of its events takes time on the days that were asked for."]


@pytest.mark.parametrize("place", ["Pacific/Apia", "America/St_Johns", "UTC"])
def test_the_zone_of_the_machine_changes_nothing(monkeypatch: pytest.MonkeyPatch, place: str) -> None:
    """The same file gives the same reading, to the byte, wherever it is read."""
    expected = fixture("travelling-team", **AUTUMN)
    monkeypatch.setenv("TZ", place)
    assert fixture("travelling-team", **AUTUMN) == expected


def test_the_child_takes_nothing_from_the_folder_that_the_user_is_in(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Neither a module that lies there by chance nor PYTHONPATH can change what a calendar says."""
    for name in ("json", "icalendar", "recurring_ical_events"):
        (tmp_path / f"{name}.py").write_text("raise SystemExit(3)")
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))
    monkeypatch.syspath_prepend("")
    assert len(read(*event("DTSTART:20261110T160000Z", "DURATION:PT1H")).busy) == 1


def test_what_a_limit_leaves_unread_is_told_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the time is up before the first child, nothing is started and everything is told, as one note."""
    monkeypatch.setattr("subprocess.Popen", no_child)
    monkeypatch.setattr(busy, "WALL_SECONDS", -1)
    two = (
        *event("DTSTART:20261110T160000Z", "DURATION:PT1H"),
        *event("DTSTART:20261111T160000Z", "DURATION:PT1H", uid="2"),
    )
    (_, late) = read(*two).skipped
    assert late.line == 4
    assert late.reason == f"{expansion.LATE}, so it is not counted as busy. (The same holds for 1 more.)"


OBSERVANCE = "BEGIN:STANDARD", "DTSTART:19700101T000000", "TZOFFSETFROM:+0000"


@pytest.mark.usefixtures("anywhere")
@pytest.mark.parametrize(
    ("lines", "offset"),
    [
        ((*OBSERVANCE, "TZOFFSETTO:+0545", "END:STANDARD"), timedelta(hours=5, minutes=45)),
        (
            (*OBSERVANCE, "TZOFFSETTO:+0545", "RDATE:20260101T000000,20270101T000000", "END:STANDARD"),
            timedelta(hours=5, minutes=45),
        ),
        ((*OBSERVANCE, "TZOFFSETTO:+1500", "END:STANDARD"), None),
        ((*OBSERVANCE, "TZOFFSETTO:+0545", "RDATE:soon", "END:STANDARD"), None),
        ((*OBSERVANCE, "END:STANDARD"), None),
        ((*OBSERVANCE, "TZOFFSETTO:+0545", "RRULE:FREQ=MONTHLY", "END:STANDARD"), None),
        ((*OBSERVANCE, "TZOFFSETTO:+0545", "EXDATE:20260101T000000", "END:STANDARD"), timedelta(hours=5, minutes=45)),
        (("BEGIN:STANDARD", "DTSTART:never", "TZOFFSETFROM:+0000", "TZOFFSETTO:+0545", "END:STANDARD"), None),
        ((*OBSERVANCE, "TZOFFSETTO:+0545", "END:STANDARD") * 600, None),
    ],
    ids=[
        "one offset",
        "extra dates",
        "too far",
        "date is none",
        "no offset",
        "by the month",
        "exceptions are passed over",
        "start is no date",
        "too many parts",
    ],
)
def test_a_zone_of_the_files_own_is_taken_if_it_makes_sense(lines: tuple[str, ...], offset: timedelta | None) -> None:
    zone = ("BEGIN:VTIMEZONE", "TZID:Own", *lines, "END:VTIMEZONE")
    reading = read(*zone, *event("DTSTART;TZID=Own:20261110T120000", "DURATION:PT1H"))
    noon = datetime(2026, 11, 10, 12, tzinfo=UTC)
    assert [b.span.start for b in reading.busy] == [noon - (timedelta(hours=-6) if offset is None else offset)]
    assert len(reading.skipped) == (offset is None)
