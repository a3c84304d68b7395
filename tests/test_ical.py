"""The calendar file: sound by the byte, the same to every parser, and true to the plan."""

from __future__ import annotations

import re
from collections import Counter
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import icalendar
import msgspec
import pytest
import recurring_ical_events
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from calplan.ical import MOST_BYTES, MOST_EVENTS, Links, clean, feed, to_ics
from calplan.model import Kind, Part, Role, identity
from calplan.wording import Wording
from tests import judges, plans
from tests.conftest import extra
from tests.linter import lint

LINKS = Links(source="https://example.org/f/k3y.ics", check_in="https://example.org/b/{uid}")

HOSTILE = (
    "two\r\nlines",
    "SUMMARY:x\r\nBEGIN:VEVENT\r\nUID:evil\r\nEND:VEVENT",
    "BEGIN:VEVENT",
    "END:VCALENDAR\n",
    "semi;colon, comma: \"quotes\" and 'more'",
    "C:\\Notes\\new, then \\; and \\\\",
    "ends in a backslash \\",
    "\\N \\n \\, \\;",
    "percent %0D%0A and ^n ^' ^^",
    "nul \x00 bell \x07 escape \x1b delete \x7f",
    "next line \x85 and separators \u2028 and \u2029 and \x0b and \x0c",
    "cr\rcr",
    "tab\tin between",
    "  blanks at both ends  ",
    "emoji 😀👩‍🔬🏳️‍🌈 and accents é ü 한글",
    "עברית, ועוד; עברית",
    "\u202eright to left override\u202c",
    "lone surrogate \ud83d here",
    "x" * 5_000,
    "é" * 5_000,
    "\\" * 5_000,
    ",;" * 2_500,
    "",
)


@pytest.fixture(params=["chemistry", "two exams", "clock change"])
def plan_and_request(request):
    """Three plans: every role; two exams in two zones; a night in which the clock goes forward."""
    made = {
        "chemistry": plans.chemistry,
        "two exams": plans.two_exams,
        "clock change": lambda: plans.at(datetime(2026, 3, 8, 1, 30), "America/New_York"),
    }[request.param]()
    return made[1], made[0]


# ------------------------------------------------------------------------------------------------ sound, and agreed on


@pytest.mark.parametrize("alarms", [None, 0, 10, 1440])
def test_every_file_is_sound_by_the_byte(plan_and_request, alarms):
    plan, request = plan_and_request
    assert lint(to_ics(plan, request, links=LINKS, alarms=alarms)) == []


@pytest.mark.parametrize("alarms", [None, 10])
def test_all_parsers_read_what_the_plan_says(plan_and_request, alarms):
    """UIDs, moments, texts and alarms, as each parser reads them, against the plan and its words."""
    plan, request = plan_and_request
    words = Wording(plan, request)
    seen = {event.uid: event for event in judges.assert_agree(to_ics(plan, request, alarms=alarms))}
    assert len(seen) == len(plan.blocks) + len(plan.exams)
    for block in plan.blocks:
        event = seen[block.uid]
        start = block.start.replace(tzinfo=ZoneInfo(plan.zone), fold=block.fold).astimezone(UTC)
        assert (event.start, event.end) == (start, start + timedelta(minutes=block.minutes))
        assert (event.summary, event.description) == (words.headline(block), words.describe(block))
        ring = timedelta(minutes=-alarms) if alarms else None
        assert event.alarms == (() if ring is None else (judges.Alarm("DISPLAY", ring, event.summary),))


def test_the_two_judges_from_outside_python_are_there():
    """Without Node or libical the comparison is the poorer for it, and says so."""
    extra("node", judges.node_present(), "ical.js: run npm install in tests/judges")
    extra("libical", judges.libical_present(), "Debian's python3-gi and gir1.2-ical-3.0")
    request, plan = plans.two_exams()
    assert set(judges.judge(to_ics(plan, request))) == {"icalendar", "ical", "vobject", "ical.js", "libical"}


def test_the_restriction_check_does_complain():
    """RFC 5546 §3.2.1 asks for a SUMMARY in what is published: libical's check misses it when it is taken away."""
    extra("libical", judges.libical_present(), "Debian's python3-gi and gir1.2-ical-3.0")
    request, plan = plans.two_exams()
    assert judges.restrictions(re.sub(rb"SUMMARY:.*\r\n", b"", to_ics(plan, request)))


def test_judges_that_differ_are_noticed(monkeypatch):
    request, plan = plans.two_exams()
    monkeypatch.setattr(judges, "with_vobject", lambda data: [])
    with pytest.raises(AssertionError, match="vobject reads this calendar otherwise"):
        judges.assert_agree(to_ics(plan, request))


# ------------------------------------------------------------------------------------------------------- hostile texts


@pytest.mark.parametrize("text", HOSTILE)
def test_no_text_breaks_the_file(text):
    """RFC 5545 §3.1 and §3.3.11: whatever stands in a field, no line, component or property comes of it."""
    request, plan = plans.saying(text)
    data = to_ics(plan, request, links=LINKS, alarms=5)
    assert lint(data) == []
    names = Counter(line.split(b":")[0].split(b";")[0] for line in data.split(b"\r\n") if line[:1] not in b" ")
    assert names[b"BEGIN"] == names[b"END"] == 1 + 4 + 3
    assert names[b"UID"] == 1 + 4
    assert names[b"SUMMARY"] == 4


@pytest.mark.parametrize("text", [text for text in HOSTILE if len(text) < 1_000])
def test_all_parsers_read_hostile_texts_alike(text):
    request, plan = plans.saying(text)
    words = Wording(plan, request)
    seen = {event.uid: event for event in judges.assert_agree(to_ics(plan, request, alarms=5))}
    for block in plan.blocks:
        assert seen[block.uid].description == clean(words.describe(block))


@settings(max_examples=60)
@given(st.text(st.characters(exclude_categories=()), max_size=300))
def test_any_text_at_all_is_read_back_alike(text):
    """Any sequence of code points, surrogates and control characters among them; three parsers, in this process."""
    request, plan = plans.saying(text)
    data = to_ics(plan, request, alarms=5)
    assert lint(data) == []
    first = judges.with_icalendar(data)
    assert first == judges.with_ical(data) == judges.with_vobject(data)
    assert sum(event.uid in {block.uid for block in plan.blocks} for event in first) == len(plan.blocks)


@settings(max_examples=100)
@given(st.text(alphabet="\\nN;,:\"' \r\n\tab^%é😀", max_size=60))
def test_escapes_are_exact(text):
    """RFC 5545 §3.3.11: what is written is read back letter for letter, a backslash before an N too."""
    event = {"hw1": f"<{text}>"}
    request, plan = plans.saying(event["hw1"])
    appointment = plan.blocks[-1]
    seen = judges.with_icalendar(to_ics(plan, request))
    assert [e.summary for e in seen if e.uid == appointment.uid] == [" ".join(f"<{text}>".split())]


def test_clean_keeps_what_can_be_kept():
    assert clean("one\r\ntwo\rthree\u2028four\n\nfive") == "one\ntwo\nthree\nfour\n\nfive"
    assert clean(" a\tb\x00\x1b\x7f\x9f\ud800c ") == "a bc"
    assert clean("plain") == "plain"


def test_a_link_cannot_start_a_line_either():
    request, plan = plans.two_exams()
    links = Links(source="https://example.org/a b\r\nMETHOD:CANCEL", check_in="https://example.org/\n{uid}")
    data = to_ics(plan, request, links=links)
    assert lint(data) == []
    assert b"SOURCE;VALUE=URI:https://example.org/abMETHOD:CANCEL\r\n" in data


# ----------------------------------------------------------------------------------------------------- what is written


def lines_of(data: bytes) -> list[bytes]:
    """Unfolded content lines."""
    return data.replace(b"\r\n ", b"").split(b"\r\n")


def test_the_calendar_says_how_often_to_look_again():
    """RFC 7986 §5.7 and §5.8 require VALUE on both; parsers that ignore them know the X- property."""
    request, plan = plans.two_exams()
    lines = lines_of(to_ics(plan, request, links=LINKS))
    assert b"REFRESH-INTERVAL;VALUE=DURATION:PT1H" in lines
    assert b"X-PUBLISHED-TTL:PT1H" in lines
    assert b"SOURCE;VALUE=URI:https://example.org/f/k3y.ics" in lines
    assert b"NAME:Spring at Hollin Reach" in lines
    assert b"X-WR-CALNAME:Spring at Hollin Reach" in lines


def test_nothing_floats_and_nothing_needs_a_zone_table(plan_and_request):
    plan, request = plan_and_request
    data = to_ics(plan, request, links=LINKS, alarms=10)
    for word in (b"VTIMEZONE", b"TZID", b"METHOD", b"STATUS", b"RRULE"):
        assert word not in data


def test_without_links_no_address_is_written():
    request, plan = plans.two_exams()
    names = {re.split(rb"[:;]", line)[0] for line in lines_of(to_ics(plan, request))}
    assert not names & {b"URL", b"SOURCE"}


def test_each_block_links_to_its_own_page():
    request, plan = plans.chemistry()
    lines = lines_of(to_ics(plan, request, links=LINKS))
    assert {line for line in lines if line.startswith(b"URL:")} == {
        f"URL:https://example.org/b/{block.uid}".encode() for block in plan.blocks
    }


def test_a_block_carries_its_own_revision():
    """Without METHOD, DTSTAMP is the time of the last revision (RFC 5545 §3.8.7.2); it is never the present."""
    request, plan = plans.chemistry()
    moved = datetime(2026, 3, 2, 7, 30, tzinfo=UTC)
    block = msgspec.structs.replace(plan.blocks[0], sequence=4, revised=moved)
    plan = msgspec.structs.replace(plan, blocks=(block, *plan.blocks[1:]))
    event = icalendar.Calendar.from_ical(to_ics(plan, request)).with_uid(block.uid)[0]
    assert (event["DTSTAMP"].dt, event["LAST-MODIFIED"].dt, event["SEQUENCE"]) == (moved, moved, 4)
    assert event["TRANSP"] == "OPAQUE"


def test_categories_hold_no_comma():
    """Many readers split categories at commas, escaped ones too (common practice, no source)."""
    request, plan = plans.saying("Maths, pure; \\applied")
    data = to_ics(plan, request)
    categories = [line for line in lines_of(data) if line.startswith(b"CATEGORIES")]
    assert set(categories) == {
        b"CATEGORIES:Study,Maths pure applied",
        b"CATEGORIES:Study",
        b"CATEGORIES:Exam,Maths pure applied",
    }


def test_colours_are_names_of_css():
    """RFC 7986 §5.9. With one exam the calendar's colour does; with several each exam has its own."""
    one = to_ics(*plans.chemistry()[::-1])
    two = to_ics(*plans.two_exams()[::-1])
    assert [line for line in lines_of(one) if line.startswith(b"COLOR")] == [b"COLOR:teal"]
    assert {line for line in lines_of(two) if line.startswith(b"COLOR")} == {b"COLOR:teal", b"COLOR:darkorange"}


def test_the_same_plan_gives_the_same_bytes(plan_and_request):
    plan, request = plan_and_request
    again = msgspec.json.decode(msgspec.json.encode(plan), type=type(plan))
    assert to_ics(plan, request, links=LINKS, alarms=5) == to_ics(again, request, links=LINKS, alarms=5)


def test_appointments_are_events_with_their_own_title():
    request, plan = plans.chemistry()
    events = {event.uid: event for event in judges.with_icalendar(to_ics(plan, request))}
    assert events[plan.blocks[-1].uid].summary == "Tutoring with Ms Okafor"


# ------------------------------------------------------------------------------------------------------ the exam's day


def test_an_exam_day_is_one_whole_day():
    """RFC 5545 §3.6.1: an all-day event 28 June to 8 July 2007 has DTEND 20070709, so the end is not included."""
    request, plan = plans.chemistry()
    data = to_ics(plan, request)
    marker = identity(plan.seed, "exam", "chem")
    lines = lines_of(data)
    at = lines.index(f"UID:{marker}".encode())
    assert b"DTSTART;VALUE=DATE:20260320" in lines[at - 6 : at + 6]
    assert b"DTEND;VALUE=DATE:20260321" in lines[at - 6 : at + 6]
    query = recurring_ical_events.of(icalendar.Calendar.from_ical(data))
    on = {day: any(e["UID"] == marker for e in query.at(date(2026, 3, day))) for day in (19, 20, 21)}
    assert on == {19: False, 20: True, 21: False}


def test_an_exam_day_tells_hour_and_place_and_takes_no_time():
    request, plan = plans.two_exams()
    calendar = icalendar.Calendar.from_ical(to_ics(plan, request))
    chemistry, history = (calendar.with_uid(identity(plan.seed, "exam", key))[0] for key in ("chem", "hist"))
    assert chemistry["DESCRIPTION"].startswith("Starts at 09:00 (America/New_York time)\nPlace: Room 12\n")
    assert chemistry["LOCATION"] == "Room 12"
    assert history["DESCRIPTION"].startswith("Starts at 13:30 (Europe/London time)\nNothing is planned")
    assert "LOCATION" not in history
    assert chemistry["TRANSP"] == history["TRANSP"] == "TRANSPARENT"


@pytest.mark.parametrize(
    ("latest", "told"),
    [
        (None, ""),
        (date(2026, 3, 20), ""),
        (date(2026, 3, 27), "It may also be on any day up to Friday 27 March 2026; the plan counts on the first.\n"),
    ],
)
def test_an_exam_day_tells_where_a_later_one_is_possible(latest, told):
    """20 March 2026 is a Friday, so the 27th is one (Gregorian calendar)."""
    request, plan = plans.chemistry()
    (exam,) = plan.exams
    plan = replace(plan, exams=(replace(exam, latest=latest),))
    for seen in (judges.with_icalendar, judges.with_vobject):
        (marker,) = [one for one in seen(to_ics(plan, request)) if one.uid == identity(plan.seed, "exam", "chem")]
        assert marker.description.split("Room 12\n")[1] == f"{told}Nothing is planned for this exam on its own day."


def test_an_exam_day_has_a_stamp_of_its_own_which_its_blocks_do_not_touch():
    """What an exam's event says hangs on the exam alone, so that nothing new changes nothing."""
    request, plan = plans.two_exams()
    moved = datetime(2026, 3, 2, 7, 30, tzinfo=UTC)
    later = moved + timedelta(days=3)
    blocks = tuple(msgspec.structs.replace(block, revised=later) for block in plan.blocks)
    exams = tuple(msgspec.structs.replace(exam, revised=moved, sequence=2) for exam in plan.exams)
    later = msgspec.structs.replace(plan, exams=exams, blocks=blocks, as_of=later)
    event = icalendar.Calendar.from_ical(to_ics(later, request)).with_uid(identity(plan.seed, "exam", "chem"))[0]
    assert event["DTSTAMP"].dt == event["LAST-MODIFIED"].dt == moved
    assert event["SEQUENCE"] == 2


# --------------------------------------------------------------------------------------------------------- the clocks

CLOCKS = [
    # zone, wall-clock start, fold, the UTC moment: tz database, checked against its published offsets
    ("America/New_York", datetime(2026, 3, 8, 1, 30), 0, datetime(2026, 3, 8, 6, 30)),
    ("America/New_York", datetime(2026, 3, 8, 2, 30), 0, datetime(2026, 3, 8, 7, 0)),  # does not exist: 03:00 does
    ("America/New_York", datetime(2026, 3, 8, 3, 30), 0, datetime(2026, 3, 8, 7, 30)),
    ("America/New_York", datetime(2026, 11, 1, 1, 30), 0, datetime(2026, 11, 1, 5, 30)),  # comes twice: the first
    ("America/New_York", datetime(2026, 11, 1, 1, 30), 1, datetime(2026, 11, 1, 6, 30)),  # and the second
    ("Europe/London", datetime(2026, 3, 29, 0, 30), 0, datetime(2026, 3, 29, 0, 30)),
    ("Europe/London", datetime(2026, 10, 25, 1, 30), 0, datetime(2026, 10, 25, 0, 30)),
    ("Europe/London", datetime(2026, 10, 25, 1, 30), 1, datetime(2026, 10, 25, 1, 30)),
    ("Australia/Lord_Howe", datetime(2026, 4, 5, 1, 45), 0, datetime(2026, 4, 4, 14, 45)),  # half an hour back
    ("Australia/Lord_Howe", datetime(2026, 4, 5, 1, 45), 1, datetime(2026, 4, 4, 15, 15)),
    ("Australia/Lord_Howe", datetime(2026, 10, 4, 2, 15), 0, datetime(2026, 10, 3, 15, 30)),  # does not exist
    ("Pacific/Apia", datetime(2026, 5, 1, 0, 15), 0, datetime(2026, 4, 30, 11, 15)),
    ("Asia/Kathmandu", datetime(2026, 5, 1, 17, 0), 0, datetime(2026, 5, 1, 11, 15)),
]


@pytest.mark.parametrize(("zone", "start", "fold", "moment"), CLOCKS)
def test_a_block_starts_at_the_moment_its_wall_clock_means(zone, start, fold, moment):
    """New York 8 March and 1 November, London 29 March and 25 October, Lord Howe 5 April and 4 October 2026."""
    request, plan = plans.at(start, zone, fold=fold)
    event = next(e for e in judges.assert_agree(to_ics(plan, request)) if e.uid == plan.blocks[0].uid)
    assert event.start == moment.replace(tzinfo=UTC)
    assert event.end - event.start == timedelta(minutes=60)


# ------------------------------------------------------------------------------------------------------------- alarms


def test_there_are_no_alarms_unless_asked_for(plan_and_request):
    plan, request = plan_and_request
    assert b"VALARM" not in to_ics(plan, request)


def test_alarms_ring_for_blocks_and_not_for_exam_days():
    request, plan = plans.chemistry()
    data = to_ics(plan, request, alarms=10)
    assert data.count(b"BEGIN:VALARM") == data.count(b"\r\nTRIGGER:-PT10M\r\n") == len(plan.blocks)


def test_an_alarm_after_the_start_is_refused():
    request, plan = plans.two_exams()
    with pytest.raises(ValueError, match="give 0 or more"):
        to_ics(plan, request, alarms=-5)


# ------------------------------------------------------------------------------------------------------------- limits


def many(number: int, first: date, title: str = "Homework"):
    """A plan with so many blocks, four a day."""
    item = plans.homework(1)[0]
    items = tuple(msgspec.structs.replace(item, title=f"{title} {n}", material=f"m{n}") for n in range(12))
    task = plans.task(Role.COVER, Kind.HOMEWORK, (plans.E,) * 12 + (plans.X,) * 6, items)
    part = Part(task=task.id, first=0, units=18)
    blocks = [plans.block(first + timedelta(days=n // 4), 9 + 3 * (n % 4), 90, part, number=n) for n in range(number)]
    exam = plans.exam(start=datetime.combine(first, datetime.min.time()) + timedelta(days=number, hours=9))
    return plans.plan_of((exam,), (task,), tuple(blocks))


def test_blocks_older_than_ninety_days_are_left_out_and_said():
    request, plan = many(40, plans.AS_OF.date() - timedelta(days=95))
    made = feed(plan, request)
    assert made.left_out == tuple(block.uid for block in plan.blocks[:20])
    assert made.sentence.startswith("20 blocks lie too far back")
    read = icalendar.Calendar.from_ical(made.data)
    assert {str(e["UID"]) for e in read.walk("VEVENT")} == {b.uid for b in plan.blocks[20:]} | {
        identity(plan.seed, "exam", "chem")
    }
    assert read["DESCRIPTION"].endswith(made.sentence)


def test_the_caller_can_say_where_the_past_begins():
    request, plan = plans.chemistry()
    made = feed(plan, request, since=date(2026, 3, 4))
    assert made.left_out == (plan.blocks[0].uid,)
    assert made.sentence.startswith("1 block lies")
    assert feed(plan, request).sentence == ""


def test_exam_days_always_stay():
    """A calendar object holds at least one component (RFC 5545 §3.4, §3.6), however long ago the exam was."""
    request, plan = plans.chemistry()
    made = feed(plan, request, since=date(2027, 3, 21))
    assert lint(made.data) == []
    assert [event.summary for event in judges.with_icalendar(made.data)] == ["Exam: Chemistry"]


def test_at_most_a_thousand_events_the_oldest_past_ones_go_first():
    """A hosted calendar drops silently what is beyond about 1,000 events (common practice, no source)."""
    request, plan = many(1_100, plans.AS_OF.date() - timedelta(days=50))
    made = feed(plan, request)
    assert made.data.count(b"BEGIN:VEVENT") == MOST_EVENTS
    assert made.left_out == tuple(block.uid for block in plan.blocks[:101])


def test_what_lies_furthest_ahead_goes_when_all_is_ahead():
    request, plan = many(1_100, plans.AS_OF.date() + timedelta(days=1))
    assert feed(plan, request).left_out == tuple(block.uid for block in plan.blocks[-101:])


def test_at_most_a_megabyte():
    request, plan = many(900, plans.AS_OF.date() + timedelta(days=1), "é" * 400)
    made = feed(plan, request)
    assert 0.8 * MOST_BYTES < len(made.data) <= MOST_BYTES
    assert made.left_out == tuple(block.uid for block in plan.blocks[-len(made.left_out) :])
    assert lint(made.data) == []
