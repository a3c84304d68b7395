"""Calendar files made wrong on purpose, each with what must come of it.

``fixtures/calendars/hostile`` holds small files that are each named for their one defect. None may lead to a trace or
to waiting without end. A file that is no calendar gives one sentence that says what it is instead; in every other
file a sound event, the anchor, must survive, together with what the table says of the broken one. Larger ones are made
here. Then the limits on the child, each shown to fire; files cut off at every byte; and mutations.

What the right answer to a defect is: RFC 5545 where it says so (§3.2.9 unknown FBTYPE, §3.2.13 RANGE, §3.3.10 rules,
§3.8.2.2 an end before its start), else our choice: rather a busy time too many than one too few where the file is
plain about when, and left out and told where it is not.
"""

from __future__ import annotations

import random
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from dateutil.rrule import rrulestr
from hypothesis import given
from hypothesis import strategies as st

from calplan import busy, expansion, guard
from calplan.errors import BadCalendar

if TYPE_CHECKING:
    from collections.abc import Sequence

HOSTILE = Path(__file__).parent.parent / "fixtures" / "calendars" / "hostile"
ZONE = "America/Chicago"
FIRST, LAST = date(2026, 11, 1), date(2026, 11, 30)
ANCHOR = "20 16:00-17:00 Anchor"

NOT_CALENDARS = {
    "address-book": "This is an address book (vCard)",
    "begin-in-the-middle-of-a-line": "This is not a calendar file: no line of it says BEGIN:VCALENDAR",
    "empty": "This file is empty",
    "formatted-text": "This is a formatted text document",
    "gzip": "This is a compressed file (gzip)",
    "jpeg": "This is a picture",
    "json": "This is a JSON document",
    "office-document": "This is an office document",
    "only-blank-lines": "This file is empty",
    "only-byte-order-mark": "This file is empty",
    "pdf": "This is a PDF document",
    "plain-text": "This is not a calendar file: no line of it says BEGIN:VCALENDAR",
    "png": "This is a picture",
    "table": "This seems to be a table (CSV)",
    "utf-16-big-endian": "This is text in UTF-16",
    "utf-16-with-mark": "This is text in UTF-16",
    "utf-16-without-mark": "This is text in UTF-16",
    "web-page-after-comment": "This is a web page",
    "web-page": "This is a web page",
    "xml": "This is an XML document",
    "zip-archive": "This is a ZIP archive",
}
"""Each file that is something else, with the beginning of its sentence."""

BROKEN: dict[str, tuple[list[str], list[tuple[int, str]]]] = {
    "31-february-as-date": ([], [(4, "Its date “20260231T160000Z” does not exist")]),
    "31-february": ([], [(4, "Its rule never matches a day, like the 31st of February")]),
    "31-in-short-months": ([], [(4, "Its rule never matches a day, like the 31st of February")]),
    "alarm-without-end": (["10 16:00-17:00 Alarmed"], []),
    "all-day-end-before-start": ([], [(4, "It ends before it starts")]),
    "all-day": (
        [],
        [(4, "It is an all-day event, and those are not counted as busy here; say so if it takes the day.")],
    ),
    "another-calendar-scale": ([], [(4, "Its rule counts in another calendar than the Gregorian")]),
    "bare-cr": (["10 16:00-17:00 Plain"], []),
    "bare-lf": (["10 16:00-17:00 Plain"], []),
    "begin-folded-away": ([], [(9, "An event ends here (END:VEVENT) that never began")]),
    "blank-lines": (["10 16:00-17:00 Airy"], []),
    "broken-replacement": (
        ["10 16:00-17:00 Series", "11 16:00-17:00 Series", "12 16:00-17:00 Series"],
        [(12, "It ends before it starts")],
    ),
    "byte-order-mark": ([], []),
    "calendar-of-another-scale": ([], [(5, "Its calendar is not the Gregorian one (CALSCALE)")]),
    "calendar-without-end": (
        [],
        [(10, "The file ends in the middle, so events may be missing; download or export it again.")],
    ),
    "cancelled-repeat": (["10 16:00-17:00 Series", "12 16:00-17:00 Series"], []),
    "cancelled": ([], []),
    "control-characters-in-title": (["10 16:00-17:00 Bell and nul [31m"], []),
    "count-and-until": (
        ["10 16:00-17:00 Broken", "11 16:00-17:00 Broken"],
        [(4, "Its rule has both COUNT and UNTIL; it ends with the first of the two.")],
    ),
    "count-negative": ([], [(4, "Its rule has a part “COUNT=-1” that is out of range")]),
    "count-zero": ([], [(4, "Its rule has a part “COUNT=0” that is out of range")]),
    "cut-in-an-event": (
        [],
        [
            (11, "It has no end (END:VEVENT)"),
            (15, "The file ends in the middle, so events may be missing; download or export it again."),
        ],
    ),
    "date-for-hours": (["10 06:00-12:00 Broken"], [(4, "It starts on a date but lasts for hours; midnight is meant.")]),
    "date-to-time": (
        ["10 06:00-12:00 Broken"],
        [(4, "Of its start and end one is a date and one a time; midnight is meant.")],
    ),
    "day-366-in-march": ([], [(4, "Its rule never matches a day, like the 31st of February")]),
    "deep-nesting": ([], []),
    "description-with-real-line-ends": (["10 16:00-17:00 Wrapped"], []),
    "duration-in-months": ([], [(4, "Its duration “P1M” is not one")]),
    "duration-is-none": ([], [(4, "Its duration “PT” is not one")]),
    "duration-past-9999": ([], [(4, "It ends after the year 9999")]),
    "easter-rule": ([], [(4, "Its rule has a part “BYEASTER=0” that is out of range")]),
    "end-and-duration": (["10 16:00-17:00 Broken"], [(4, "It has both DTEND and DURATION; DTEND is used.")]),
    "end-before-start": ([], [(4, "It ends before it starts")]),
    "end-in-9999": ([], [(4, "It ends in the year 9999, outside 1900 to 2200")]),
    "end-is-start": ([], [(4, "It has no length")]),
    "end-without-begin": ([], [(4, "An event ends here (END:VEVENT) that never began")]),
    "endless-duration": ([], [(4, "It ends after the year 9999")]),
    "event-inside-event": (
        ["10 16:00-17:00 Inner"],
        [(4, "It has no end (END:VEVENT)"), (16, "An event ends here (END:VEVENT) that never began")],
    ),
    "event-outside-calendar": ([], [(12, "It stands outside a calendar (VCALENDAR)")]),
    "event-without-end": ([], [(4, "It has no end (END:VEVENT)")]),
    "every-second-by-list": ([], [(4, "Its rule repeats 3,600 times a day, more than 288")]),
    "exception-is-no-date": (
        ["10 16:00-17:00 Broken", "12 16:00-17:00 Broken"],
        [(4, "An exception (EXDATE) “tomorrow” is not a date; it is ignored.")],
    ),
    "extra-date-is-none": (
        ["10 16:00-17:00 Broken", "12 16:00-17:00 Broken"],
        [(4, "Its extra date (RDATE) “soon” is not one, so that is not counted as busy.")],
    ),
    "extra-period-ends-before-start": (
        ["10 16:00-17:00 Broken"],
        [(4, "Its extra date (RDATE) “20261112T160000Z/20261112T150000Z” is not one, so that is not counted as busy.")],
    ),
    "floating": (["10 16:00-17:00 Zoned"], [(4, "Its times name no time zone; they are taken in America/Chicago.")]),
    "fold-inside-a-character": (
        ["10 16:00-17:00 CafÃ© visit"],
        [(8, "From here on the file is not UTF-8; letters in titles may be wrong.")],
    ),
    "free-busy-broken-periods": (
        ["10 16:00-17:00"],
        [
            (4, "Its period “20261110/20261111” is not one; it is not counted as busy."),
            (4, "Its period “20261110T100000Z” is not one; it is not counted as busy."),
            (4, "Its period “20261110T120000Z/PT0S” is not one; it is not counted as busy."),
            (4, "Its period “20261110T140000Z/20261110T130000Z” is not one; it is not counted as busy."),
            (4, "Its period “soon/later” is not one; it is not counted as busy."),
        ],
    ),
    "free-busy-types": (["10 12:00-13:00", "10 14:00-15:00", "10 16:00-17:00", "10 18:00-18:30"], []),
    "free-busy-without-end": ([], [(4, "It has no end (END:VFREEBUSY)")]),
    "hour-25": ([], [(4, "Its date “20261110T250000Z” does not exist")]),
    "hourly-since-1900": ([], [(4, "Working out its repeats takes more than 2 seconds of processor time")]),
    "interval-huge": ([], [(4, "Its rule has a part “INTERVAL=99999999” that is out of range")]),
    "interval-negative": ([], [(4, "Its rule has a part “INTERVAL=-1” that is out of range")]),
    "interval-zero": ([], [(4, "Its rule has a part “INTERVAL=0” that is out of range")]),
    "latin-1": (["10 16:00-17:00 Café"], [(9, "From here on the file is not UTF-8; letters in titles may be wrong.")]),
    "leap-second": (["10 16:00-16:59 Broken"], []),
    "long-title": (["10 16:00-17:00 A very long title A"], []),
    "lower-case-names": (["10 16:00-17:00 Lower"], []),
    "method-cancel": ([], []),
    "minutely": ([], [(4, "Its rule repeats every few minutes")]),
    "month-13": ([], [(4, "Its rule has a part “BYMONTH=13” that is out of range")]),
    "negative-duration": ([], [(4, "It ends before it starts")]),
    "never-by-its-interval": (["10 16:00-17:00 Broken"], []),
    "no-end": ([], [(4, "It has no length")]),
    "no-event": ([], [(0, "The file holds no event.")]),
    "no-frequency": ([], [(4, "Its rule does not say how often it repeats (FREQ)")]),
    "no-start": ([], [(4, "It has no start (DTSTART)")]),
    "no-title": (["10 16:00-17:00"], []),
    "no-uid": (["10 16:00-17:00 Nameless"], []),
    "old-exception-rule": (
        ["10 16:00-17:00 Broken", "11 16:00-17:00 Broken"],
        [(4, "Its rule of exceptions (EXRULE) is no longer a standard; it is ignored.")],
    ),
    "older-version": (
        ["12 16:00-17:00 Broken"],
        [(4, "It is an older version of the event on line 12, which is read instead.")],
    ),
    "one-rule-of-two-is-bad": ([], [(4, "Its rule repeats every few seconds")]),
    "only-to-dos": ([], [(0, "The file holds no event.")]),
    "own-zone-after-the-event": (["10 15:00-16:00 Zoned"], []),
    "own-zone-broken": (
        ["10 16:00-17:00 Zoned"],
        [(12, "Its time zone “Campus” is not known; its times are taken in America/Chicago.")],
    ),
    "own-zone-empty": (
        ["10 16:00-17:00 Zoned"],
        [(7, "Its time zone “Campus” is not known; its times are taken in America/Chicago.")],
    ),
    "own-zone-minutely": (
        ["10 16:00-17:00 Zoned"],
        [(13, "Its time zone “Campus” is not known; its times are taken in America/Chicago.")],
    ),
    "own-zone-with-known-place": (["10 10:00-11:00 Zoned"], []),
    "own-zone-without-start": (
        ["10 16:00-17:00 Zoned"],
        [(11, "Its time zone “Campus” is not known; its times are taken in America/Chicago.")],
    ),
    "own-zone": (["10 15:00-16:00 Zoned"], []),
    "part-twice": ([], [(4, "Its rule has a part “COUNT=3” that means nothing")]),
    "quoted-zone": (["10 10:00-11:00 Zoned"], []),
    "repeats-though-longer-than-a-year": ([], [(4, "It repeats although it lasts longer than a year")]),
    "replaced-by-date": (["10 16:00-17:00 Series", "11 20:00-21:00 Moved", "12 16:00-17:00 Series"], []),
    "replacement-id-is-no-date": (
        ["10 16:00-17:00 Series", "11 16:00-17:00 Series", "12 16:00-17:00 Series"],
        [(12, "Its date “second” is not one")],
    ),
    "replaces-nothing": (
        ["10 16:00-17:00 Series", "11 16:00-17:00 Series", "12 16:00-17:00 Series", "18 20:00-21:00 Extra"],
        [],
    ),
    "replaces-without-series": (["11 20:00-21:00 Orphan"], []),
    "rule-is-empty": ([], [(4, "Its rule does not say how often it repeats (FREQ)")]),
    "rule-is-text": ([], [(4, "Its rule has a part “EVERYDAY” that means nothing")]),
    "same-event-twice": (["10 16:00-17:00 Double"], []),
    "secondly": ([], [(4, "Its rule repeats every few seconds")]),
    "sixtieth-monday": ([], [(4, "Its rule has a part “BYDAY=60MO” that is out of range")]),
    "spaces-around-names": (["10 16:00-17:00 Spaced"], []),
    "start-is-no-date": ([], [(4, "Its date “next Tuesday” is not one")]),
    "start-with-dashes": ([], [(4, "Its DTSTART on line 7 cannot be read")]),
    "start-with-nonsense-parameter": ([], [(4, "Its DTSTART on line 7 cannot be read")]),
    "start-without-colon": ([], [(4, "It has no start (DTSTART)")]),
    "text-before-calendar": ([], []),
    "this-and-future": (["10 16:00-17:00 Series", "11 18:00-18:30 Later", "12 18:00-18:30 Later"], []),
    "time-to-date": (
        ["11 00:00-06:00 Broken"],
        [(4, "Of its start and end one is a date and one a time; midnight is meant.")],
    ),
    "transparent": ([], []),
    "two-calendars": ([], []),
    "two-events-one-uid": (
        ["10 16:00-17:00 First", "11 16:00-17:00 Second"],
        [(11, "It has the same UID as the event on line 4; they are read as two events.")],
    ),
    "two-starts": (["10 16:00-17:00 Broken"], [(4, "It has more than one DTSTART; the first is used.")]),
    "unknown-frequency": ([], [(4, "Its rule does not say how often it repeats (FREQ)")]),
    "unknown-zone-of-the-calendar": (
        ["10 16:00-17:00 Zoned"],
        [(5, "Its times name no time zone; they are taken in America/Chicago.")],
    ),
    "unknown-zone": (
        ["10 16:00-17:00 Zoned"],
        [(4, "Its time zone “Atlantis/Capital” is not known; its times are taken in America/Chicago.")],
    ),
    "until-before-start": ([], [(4, "Its rule ends before its start")]),
    "until-date-only": (["10 16:00-17:00 Broken", "11 16:00-17:00 Broken"], []),
    "until-does-not-exist": ([], [(4, "Its rule has a part “UNTIL=20261131T000000Z” that is out of range")]),
    "until-in-9999": (["10 16:00-17:00 Broken", "17 16:00-17:00 Broken"], []),
    "until-is-no-date": ([], [(4, "Its rule has a part “UNTIL=CHRISTMAS” that is out of range")]),
    "vendor-zone": (["10 10:00-11:00 Zoned"], []),
    "week-1-in-june": ([], [(4, "Its rule never matches a day, like the 31st of February")]),
    "weekday-unknown": ([], [(4, "Its rule has a part “BYDAY=MO,XX” that is out of range")]),
    "windows-zone": (["10 01:00-02:00 Zoned"], []),
    "year-1601": ([], [(4, "It starts in the year 1601, outside 1900 to 2200")]),
    "year-9999-repeating": ([], [(4, "It starts in the year 9999, outside 1900 to 2200")]),
    "zone-is-a-folder": (
        ["10 16:00-17:00 Zoned"],
        [(4, "Its time zone “America” is not known; its times are taken in America/Chicago.")],
    ),
    "zone-is-a-path": (
        ["10 16:00-17:00 Zoned"],
        [(4, "Its time zone “../../../../etc/passwd” is not known; its times are taken in America/Chicago.")],
    ),
    "zone-of-the-calendar": (["10 10:00-11:00 Zoned"], []),
    "zone-of-the-machine": (
        ["10 16:00-17:00 Zoned"],
        [(4, "Its time zone “localtime” is not known; its times are taken in America/Chicago.")],
    ),
    "zone-with-colon": (["10 01:00-02:00 Zoned"], []),
    "zones-with-one-name-in-two-calendars": (["10 01:00-02:00 West", "10 15:00-16:00 East"], []),
}
"""Each broken calendar: the busy times that survive beside the anchor (day and time in UTC, November 2026), and what
is told, with its line; an event that is left out has “, so it is not counted as busy.” after that."""

WITHOUT_ANCHOR = {"no-event", "only-to-dos"}
SLOW = {"hourly-since-1900"}
"""Files that only a limit on the child ends."""


def read(files: Sequence[busy.CalendarFile]) -> tuple[busy.Reading | BadCalendar, ...]:
    return busy.read_calendars(files, zone=ZONE, first=FIRST, last=LAST)


def calendar(*lines: str) -> bytes:
    head = ("BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//test//EN")
    return "\r\n".join([*head, *lines, *ANCHOR_LINES, "END:VCALENDAR", ""]).encode()


ANCHOR_LINES = (
    "BEGIN:VEVENT",
    "UID:anchor",
    "DTSTART:20261120T160000Z",
    "DTEND:20261120T170000Z",
    "SUMMARY:Anchor",
    "END:VEVENT",
)


def event(*lines: str, uid: str = "broken", title: str = "Broken") -> tuple[str, ...]:
    return ("BEGIN:VEVENT", f"UID:{uid}", *lines, f"SUMMARY:{title}", "END:VEVENT")


def one(*lines: str) -> busy.Reading:
    return busy.read_calendar(calendar(*lines), name="x.ics", zone=ZONE, first=FIRST, last=LAST)


def shown(reading: busy.Reading) -> list[str]:
    return [f"{b.span.start:%d %H:%M}-{b.span.end:%H:%M} {b.title[:20]}".strip() for b in reading.busy]


def told(reading: busy.Reading) -> list[tuple[int, str]]:
    return [(s.line, s.reason.removesuffix(", so it is not counted as busy.")) for s in reading.skipped]


@pytest.fixture(scope="module", params=["in the child", "in this process"])
def outcomes(request: pytest.FixtureRequest) -> dict[str, busy.Reading | BadCalendar]:
    """Every hostile file read in one go, by the child process and by the same code in this one."""
    paths = sorted(HOSTILE.glob("*.ics"))
    with pytest.MonkeyPatch.context() as patch:
        if request.param == "in this process":
            paths = [path for path in paths if path.stem not in SLOW]
            patch.setattr(busy, "ask", lambda jobs: [list(expansion.work(job)) for job in jobs])
        found = read([busy.CalendarFile(data=path.read_bytes(), name=path.name) for path in paths])
    return {path.stem: outcome for path, outcome in zip(paths, found, strict=True)}


def test_every_hostile_file_is_in_the_table() -> None:
    assert {path.stem for path in HOSTILE.glob("*.ics")} == NOT_CALENDARS.keys() | BROKEN.keys()
    assert len(NOT_CALENDARS.keys() | BROKEN.keys()) >= 60


@pytest.mark.parametrize("name", sorted(NOT_CALENDARS))
def test_a_file_that_is_no_calendar_is_named_for_what_it_is(
    outcomes: dict[str, busy.Reading | BadCalendar], name: str
) -> None:
    outcome = outcomes[name]
    assert isinstance(outcome, BadCalendar)
    assert outcome.problem.place == f"{name}.ics"
    assert outcome.problem.sentence.startswith(NOT_CALENDARS[name])
    assert "Export" in outcome.problem.sentence or outcome.problem.sentence.count(".") >= 2, "it says what to do"


@pytest.mark.parametrize("name", sorted(BROKEN))
def test_a_broken_calendar_costs_its_broken_part_only(
    outcomes: dict[str, busy.Reading | BadCalendar], name: str
) -> None:
    if name not in outcomes:
        assert name in SLOW  # the other parameter reads it
        return
    outcome = outcomes[name]
    survivors, notes = BROKEN[name]
    assert isinstance(outcome, busy.Reading)
    assert shown(outcome) == [*survivors, *([] if name in WITHOUT_ANCHOR else [ANCHOR])]
    assert told(outcome) == notes
    assert all(skipped.source == f"{name}.ics" for skipped in outcome.skipped)


# ------------------------------------------------------------------------------------------ too much of something


def test_more_bytes_than_are_read() -> None:
    data = calendar(*event("DTSTART:20261110T160000Z", f"DESCRIPTION:{'x' * guard.MAX_BYTES}"))
    with pytest.raises(BadCalendar, match=r"^x.ics: This file has 5\.0 MB, more than the 5 MB that are read\."):
        busy.read_calendar(data, name="x.ics", zone=ZONE, first=FIRST, last=LAST)


def test_more_lines_than_are_read() -> None:
    with pytest.raises(BadCalendar, match="more than 250,000 lines"):
        one(*["X-A:b"] * guard.MAX_LINES)


def test_more_events_than_are_read() -> None:
    with pytest.raises(BadCalendar, match="more than 20,000 events"):
        one(*["BEGIN:VEVENT", "END:VEVENT"] * (guard.MAX_EVENTS + 1))


def test_a_very_long_line_that_says_when_is_left_out_and_any_other_is_passed_over() -> None:
    start = ("DTSTART:20261110T160000Z", "DTEND:20261110T170000Z")
    dates = ",".join(["20261112T160000Z"] * 10_000)
    reading = one(*event(*start, f"RDATE:{dates}"), *event(*start, f"X-NOTE:{'x' * 4_000_000}", uid="2", title="Fine"))
    assert shown(reading) == ["10 16:00-17:00 Fine", ANCHOR]
    assert told(reading) == [(4, "Its RDATE is 170,005 characters long")]


@pytest.mark.parametrize("name", ["RDATE", "EXDATE"])
def test_more_than_5000_dates_of_one_event(name: str) -> None:
    dates = [f"{name}:{','.join(['20261112T160000Z'] * 1000)}"] * 5
    start = ("DTSTART:20261110T160000Z", "DTEND:20261110T170000Z", "RRULE:FREQ=DAILY;COUNT=2")
    assert told(one(*event(*start, *dates))) == []
    reading = one(*event(*start, *dates, f"{name}:20261113T160000Z"))
    assert shown(reading) == [ANCHOR]
    assert told(reading) == [(4, f"It has 5,001 {name} values, more than 5,000")]


def test_more_periods_than_one_vfreebusy_may_hold() -> None:
    periods = [f"FREEBUSY:{','.join(['20261110T160000Z/PT1H'] * 1000)}"] * 21
    assert told(one("BEGIN:VFREEBUSY", *periods, "END:VFREEBUSY")) == [
        (4, "It has 21,000 FREEBUSY values, more than 20,000")
    ]


@pytest.mark.parametrize("place", ["in the child", "in this process"])
def test_a_rule_that_repeats_too_often_in_the_days_asked_for(monkeypatch: pytest.MonkeyPatch, place: str) -> None:
    """Twenty-four times a day are no problem in a month, and too many in two years."""
    if place == "in this process":
        monkeypatch.setattr(busy, "ask", lambda jobs: [list(expansion.work(job)) for job in jobs])
    rule = event("DTSTART:20261101T060000Z", "DURATION:PT5M", "RRULE:FREQ=HOURLY")
    assert len(one(*rule).busy) == 30 * 24 + 1
    long = busy.read_calendar(calendar(*rule), name="x", zone=ZONE, first=FIRST, last=date(2028, 11, 1))
    assert told(long) == [(4, "It repeats more than 10,000 times in these days")]


def test_more_busy_times_than_one_file_may_give(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(busy, "ask", lambda jobs: [list(expansion.work(job)) for job in jobs])
    monkeypatch.setattr(expansion, "MAX_SPANS", 25)
    daily = ("DTSTART:20261101T060000Z", "DURATION:PT5M", "RRULE:FREQ=DAILY;COUNT=15")
    reading = one(*event(*daily, uid="1", title="One"), *event(*daily, uid="2", title="Two"))
    assert {b.title for b in reading.busy} == {"One"}
    assert told(reading)[0][0] == 11
    assert told(reading)[0][1].startswith("The file holds more than 25 busy times in these days")
    assert told(reading)[0][1].endswith("(The same holds for 1 more.)")


def test_notes_beyond_a_hundred_are_counted() -> None:
    lines = [line for n in range(150) for line in event("DTSTART:never", uid=str(n))]
    reading = one(*lines)
    assert len(reading.skipped) == busy.MAX_TOLD + 1
    assert told(reading)[-1] == (4 + 100 * 5, "There are 50 more such notes from here on.")


def test_hundreds_of_thousands_of_lines_without_meaning_are_passed_over() -> None:
    """What made icalendar alone take a quarter of a minute: lines that it parses and nobody needs."""
    assert shown(one(*["X-A:b"] * 100_000, *["BEGIN:X-B"] * 60_000, *["END:X-C"] * 60_000)) == [ANCHOR]


# ------------------------------------------------------------------------------------------------ the limits

HOURLY_SINCE_1900 = event("DTSTART:19000101T000000Z", "DURATION:PT1H", "RRULE:FREQ=HOURLY")
DAILY = event("DTSTART:20261110T160000Z", "DTEND:20261110T170000Z", "RRULE:FREQ=DAILY;COUNT=2", uid="2", title="Daily")
SURVIVORS = ["10 16:00-17:00 Daily", "11 16:00-17:00 Daily", ANCHOR]


def test_the_limit_on_processor_time_ends_the_child_and_the_rest_is_read() -> None:
    reading = one(*HOURLY_SINCE_1900, *DAILY)
    assert shown(reading) == SURVIVORS
    assert told(reading) == [(4, "Working out its repeats takes more than 2 seconds of processor time")]


def test_the_limit_on_the_clock_ends_the_child_and_the_rest_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(busy, "CPU_SECONDS", 60)
    monkeypatch.setattr(busy, "WALL_SECONDS", 1)
    reading = one(*HOURLY_SINCE_1900, *DAILY)
    assert shown(reading) == []
    assert told(reading)[1] == (4, "Working out its repeats takes more than 1 seconds")
    assert told(reading)[2][0] == 11
    assert told(reading)[2][1].startswith("Its file takes too long to work out and this event was not reached")
    assert told(reading)[2][1].endswith("(The same holds for 1 more.)")


def test_the_limit_on_memory_is_told_and_the_rest_is_read(monkeypatch: pytest.MonkeyPatch) -> None:
    """Sixteen megabytes are enough for the library and two days, not for a million hours."""
    monkeypatch.setattr(busy, "CPU_SECONDS", 30)
    monkeypatch.setattr(busy, "MEMORY_BYTES", 16 * 2**20)
    reading = one(*HOURLY_SINCE_1900, *DAILY)
    assert shown(reading) == SURVIVORS
    assert told(reading) in (
        [(4, "Working out its repeats takes more memory than is allowed")],  # Python could say so itself
        [(4, "Working out its repeats takes more memory than 16 MB")],  # it could not
    )


def test_after_a_few_children_the_rest_is_told() -> None:
    """Each event that a limit ends takes a child with it; what would take a fifth is not started."""
    monsters = [
        line
        for n in range(busy.MAX_RESTARTS + 2)
        for line in event("DTSTART:19000101T000000Z", "DURATION:PT1H", "RRULE:FREQ=HOURLY", uid=str(n))
    ]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(busy, "CPU_SECONDS", 1)
        patch.setattr(busy, "WALL_SECONDS", 120)
        reading = one(*monsters)
    assert shown(reading) == []
    limits = [note for note in told(reading) if "processor time" in note[1]]
    assert len(limits) == busy.MAX_RESTARTS + 1
    assert "was not reached" in told(reading)[-1][1]


def test_many_events_that_take_too_long_together_are_left_out_without_ending_the_child() -> None:
    """Between two events the child sees by itself that the time is up."""
    job = {
        "start": 0,
        "end": 86_400,
        "all_day": False,
        "zone": "UTC",
        "calendars": [],
        "groups": [[{"line": 7, "title": "T"}]],
    }
    (answer,) = expansion.work(job, ends=-1.0)
    assert answer == {"spans": [], "notes": [(7, "T", f"{expansion.LATE}, so it is not counted as busy.", "late")]}


def test_a_file_that_ends_the_child_does_not_cost_the_other_files() -> None:
    bad, good = calendar(*HOURLY_SINCE_1900), calendar(*DAILY)
    files = [busy.CalendarFile(data=data, name=name) for name, data in (("a", good), ("b", bad), ("c", good))]
    first, second, third = read(files)
    assert isinstance(first, busy.Reading)
    assert isinstance(second, busy.Reading)
    assert isinstance(third, busy.Reading)
    assert shown(first) == shown(third) == SURVIVORS
    assert shown(second) == [ANCHOR]


def test_a_child_that_cannot_start_is_our_fault_and_not_the_calendars(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(expansion, "__file__", str(HOSTILE / "no-such-program.py"))
    with pytest.raises(RuntimeError, match="could not start"):
        one()


def test_a_fault_of_the_library_costs_one_event(monkeypatch: pytest.MonkeyPatch) -> None:
    """What nobody foresaw: any exception inside the library leaves the file standing."""
    monkeypatch.setattr(busy, "ask", lambda jobs: [list(expansion.work(job)) for job in jobs])

    def fails(*_: object) -> None:
        raise ZeroDivisionError

    monkeypatch.setattr(expansion, "component_for_library", fails)
    reading = one(*DAILY)
    assert shown(reading) == [ANCHOR]
    assert told(reading) == [(4, "Its dates cannot be worked out")]


def test_a_lack_of_memory_costs_one_event(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(busy, "ask", lambda jobs: [list(expansion.work(job)) for job in jobs])

    def fails(*_: object) -> None:
        raise MemoryError

    monkeypatch.setattr(expansion, "component_for_library", fails)
    assert told(one(*DAILY)) == [(4, "Working out its repeats takes more memory than is allowed")]


# ------------------------------------------------------------------------------------------ cut off, and mutated

OWN_ZONE = (
    "BEGIN:VTIMEZONE",
    "TZID:Campus",
    "BEGIN:STANDARD",
    "DTSTART:19701101T020000",
    "RRULE:FREQ=YEARLY;BYMONTH=11;BYDAY=1SU",
    "TZOFFSETFROM:-0400",
    "TZOFFSETTO:-0500",
    "END:STANDARD",
    "END:VTIMEZONE",
)
SEEDS = {
    "repeats": calendar(
        *event(
            "DTSTART;TZID=America/Chicago:20261103T090000",
            "DTEND;TZID=America/Chicago:20261103T101500",
            "RRULE:FREQ=WEEKLY;BYDAY=TU,TH;COUNT=6",
            "EXDATE;TZID=America/Chicago:20261110T090000",
        )
    ),
    "own zone and free-busy": calendar(
        *OWN_ZONE,
        *event("DTSTART;TZID=Campus:20261110T100000", "DURATION:P1DT1H", title="Café"),
        "BEGIN:VFREEBUSY",
        "FREEBUSY:20261112T160000Z/PT1H,20261113T160000Z/PT1H",
        "END:VFREEBUSY",
    ),
    "replaced": calendar(
        *event("DTSTART:20261110T160000Z", "DTEND:20261110T170000Z", "RRULE:FREQ=DAILY;COUNT=3"),
        *event(
            "RECURRENCE-ID;RANGE=THISANDFUTURE:20261111T160000Z", "DTSTART:20261111T180000Z", "DTEND:20261111T190000Z"
        ),
    ),
}


@pytest.mark.parametrize("seed", SEEDS)
def test_a_file_cut_off_at_any_byte_gives_no_time_that_the_whole_does_not_and_says_so(seed: str) -> None:
    """Only the series whose replacement is cut off shows its first event's times instead."""
    whole = SEEDS[seed]
    (full,) = read([busy.CalendarFile(data=whole, name="whole")])
    assert isinstance(full, busy.Reading)
    known = {*shown(full), "11 16:00-17:00 Broken", "12 16:00-17:00 Broken"} if seed == "replaced" else {*shown(full)}
    cuts = read([busy.CalendarFile(data=whole[:end], name=str(end)) for end in range(len(whole))])
    assert len(cuts) == len(whole)
    for end, cut in enumerate(cuts):
        if isinstance(cut, busy.Reading):
            assert set(shown(cut)) <= known
            if end < whole.index(b"END:VCALENDAR") + len(b"END:VCALENDAR"):
                assert any("ends in the middle" in skipped.reason for skipped in cut.skipped), f"cut at byte {end}"
        else:
            assert end < 16, "from the end of its first line on it is a calendar"


PIECES = (
    b"\r\n",
    b";",
    b":",
    b"=",
    b",",
    b'"',
    b"\\",
    b"\0",
    b"\xff",
    b"0",
    b"9",
    b"-",
    b"Z",
    b"T",
    b"BEGIN:VEVENT\r\n",
)


def mutant(source: random.Random, data: bytes) -> bytes:
    """The data with a few pieces taken out, doubled, changed or put in."""
    for _ in range(source.randint(1, 6)):
        start = source.randrange(len(data))
        end = min(len(data), start + source.choice((0, 1, 2, 8, 40)))
        piece = source.choice((b"", data[start:end] * 2, source.choice(PIECES), bytes([source.randrange(256)])))
        data = data[:start] + piece + data[end:]
    return data


@pytest.mark.parametrize("seed", SEEDS)
def test_a_mutated_file_is_read_or_refused_with_a_sentence(seed: str) -> None:
    """Three hundred mutants of each seed, the same ones each time, in one child."""
    source = random.Random(seed)
    mutants = [mutant(source, SEEDS[seed]) for _ in range(300)]
    outcomes = read([busy.CalendarFile(data=data, name="mutant") for data in mutants])
    assert len(outcomes) == len(mutants)
    for outcome in outcomes:
        if isinstance(outcome, BadCalendar):
            assert outcome.problem.sentence.startswith("This ")
            continue
        starts = [each.span for each in outcome.busy]
        assert starts == sorted(starts, key=lambda span: span.start)
        assert all(span.start < span.end for span in starts)
        assert all(skipped.reason.endswith((".", ")")) for skipped in outcome.skipped)


@given(st.binary(max_size=400) | st.text(max_size=400).map(str.encode))
def test_the_first_look_takes_any_bytes(data: bytes) -> None:
    """With and without the line that makes a file a calendar, nothing but its own error leaves the first look."""
    for file in (data, b"BEGIN:VCALENDAR\n" + data, b"BEGIN:VCALENDAR\nBEGIN:VEVENT\n" + data + b"\nEND:VEVENT\n"):
        try:
            text, _ = guard.text_of(file)
        except guard.NotACalendar:
            continue
        for series in guard.groups(guard.look(text)):
            assert series


RULE_PARTS = (
    "FREQ=DAILY FREQ=YEARLY FREQ=MONTHLY FREQ=WEEKLY FREQ=HOURLY FREQ=SECONDLY INTERVAL=2 INTERVAL=0 COUNT=3 "
    "UNTIL=20270101 BYMONTH=2,3 BYMONTHDAY=30,31 BYMONTHDAY=-30 BYYEARDAY=366 BYYEARDAY=-1 BYWEEKNO=1,53 BYDAY=MO "
    "BYDAY=-1FR BYHOUR=9 BYMINUTE=0,30 BYSECOND=61 BYSETPOS=-1 WKST=SU X=Y"
)


@given(st.lists(st.sampled_from(RULE_PARTS.split()), max_size=5).map(";".join) | st.text(max_size=40))
def test_a_rule_that_passes_the_guard_is_one_for_dateutil_too(text: str) -> None:
    """The guard accepts nothing that the library behind it would then stumble over."""
    try:
        rule = guard.read_rule(text)
    except guard.Refused:
        return
    parts = {name: value for name, value in rule.items() if not (name == "UNTIL" and "COUNT" in rule)}
    assert rrulestr(";".join(f"{name}={value}" for name, value in parts.items())) is not None


@pytest.mark.parametrize(
    ("rule", "never"),
    [
        ("FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=30", True),
        ("FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=29", False),
        ("FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=-29", False),
        ("FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=-30", True),
        ("FREQ=MONTHLY;BYMONTH=4,6,9,11;BYMONTHDAY=31", True),
        ("FREQ=MONTHLY;BYMONTH=4,5;BYMONTHDAY=31", False),
        ("FREQ=YEARLY;BYMONTH=12;BYYEARDAY=366", False),
        ("FREQ=YEARLY;BYMONTH=1;BYYEARDAY=366", True),
        ("FREQ=YEARLY;BYMONTHDAY=15;BYYEARDAY=1", True),
        ("FREQ=YEARLY;BYMONTH=12;BYWEEKNO=53", False),
        ("FREQ=YEARLY;BYMONTH=1;BYWEEKNO=53", False),
        ("FREQ=YEARLY;BYMONTH=12;BYWEEKNO=1", False),
        ("FREQ=YEARLY;BYMONTH=7;BYWEEKNO=1", True),
        ("FREQ=YEARLY;BYMONTH=12;BYWEEKNO=-1", False),
        ("FREQ=YEARLY;BYMONTH=3;BYWEEKNO=-1", True),
    ],
)
def test_rules_that_never_match_are_known_by_the_calendar(rule: str, never: bool) -> None:
    """Facts of the Gregorian and ISO 8601 calendars (week 1 may begin in December, week 53 end in January)."""
    if never:
        with pytest.raises(guard.Refused, match="never matches a day"):
            guard.read_rule(rule)
    else:
        assert guard.read_rule(rule)
