"""The linter finds one planted defect for each of its rules, and nothing in what the standard itself prints."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.linter import lint

SOUND = "\r\n".join(
    [
        "BEGIN:VCALENDAR",
        "VERSION:2.0",
        "PRODID:-//example//test//EN",
        "NAME:A plan",
        "COLOR:teal",
        "REFRESH-INTERVAL;VALUE=DURATION:PT1H",
        "SOURCE;VALUE=URI:https://example.org/feed.ics",
        "BEGIN:VEVENT",
        "UID:2f1c0a7e-0000-8000-8000-000000000001",
        "DTSTAMP:20260301T120000Z",
        "LAST-MODIFIED:20260301T120000Z",
        "DTSTART:20260309T210000Z",
        "DTEND:20260309T213000Z",
        "SEQUENCE:0",
        "SUMMARY:Chemistry: homework\\, 3 pieces",
        "DESCRIPTION:Take: Homework 1\\; Homework 2\\nA backslash \\\\ and a long li",
        " ne that is folded",
        "CATEGORIES:Study,Chemistry",
        "TRANSP:OPAQUE",
        "BEGIN:VALARM",
        "ACTION:DISPLAY",
        "DESCRIPTION:Chemistry",
        "TRIGGER:-PT10M",
        "END:VALARM",
        "END:VEVENT",
        "BEGIN:VEVENT",
        "UID:2f1c0a7e-0000-8000-8000-000000000002",
        "DTSTAMP:20260301T120000Z",
        "DTSTART;VALUE=DATE:20260320",
        "DTEND;VALUE=DATE:20260321",
        "SUMMARY:Exam",
        "TRANSP:TRANSPARENT",
        "END:VEVENT",
        "END:VCALENDAR",
        "",
    ]
).encode()

DEFECTS = [
    ("crlf", "RFC 5545 §3.1", b"SEQUENCE:0\r\n", b"SEQUENCE:0\n"),
    ("crlf", "RFC 5545 §3.1", b"COLOR:teal\r\n", b"COLOR:teal\r"),
    ("crlf", "RFC 5545 §3.1", b"END:VCALENDAR\r\n", b"END:VCALENDAR"),
    ("length", "RFC 5545 §3.1", b"NAME:A plan", b"NAME:" + b"x" * 71),
    ("utf-8", "RFC 5545 §3.1", b"A plan", b"A pl\xc3\r\n \xa4n"),
    ("utf-8", "RFC 5545 §3.1.4", b"A plan", b"A pl\xe4n"),
    ("control", "RFC 5545 §3.1", b"A plan", b"A\x08plan"),
    ("control", "RFC 5545 §3.1", b"A plan", b"A\x7fplan"),
    ("control", "house", b"A plan", "A\x85plan".encode()),
    ("syntax", "RFC 5545 §3.1", b"NAME:A plan", b"NAME A plan"),
    ("syntax", "RFC 5545 §3.1", b"SEQUENCE:0\r\n", b"SEQUENCE:0\r\nEvil title\r\n"),
    ("nesting", "RFC 5545 §3.6", b"END:VALARM\r\n", b""),
    ("nesting", "RFC 5545 §3.6", b"END:VCALENDAR\r\n", b""),
    ("nesting", "RFC 5545 §3.6", b"END:VCALENDAR\r\n", b"END:VCALENDAR\r\nEND:VEVENT\r\n"),
    ("nesting", "RFC 5545 §3.4", b"END:VCALENDAR\r\n", b"END:VCALENDAR\r\nSUMMARY:x\r\n"),
    ("nesting", "RFC 5545 §3.6.1", b"VALARM", b"VTODO"),
    ("required", "RFC 5545 §3.6", b"PRODID:-//example//test//EN\r\n", b""),
    ("required", "RFC 5545 §3.7.4", b"VERSION:2.0", b"VERSION:1.0"),
    ("required", "RFC 5545 §3.6.1", b"UID:2f1c0a7e-0000-8000-8000-000000000001\r\n", b""),
    ("required", "RFC 5545 §3.6.1", b"DTSTART:20260309T210000Z\r\n", b""),
    ("required", "RFC 5545 §3.6.1", b"DTSTAMP:20260301T120000Z\r\nDTSTART;", b"DTSTART;"),
    ("required", "RFC 5545 §3.6.6", b"DESCRIPTION:Chemistry\r\n", b""),
    ("required", "RFC 5545 §3.6.6", b"TRIGGER:-PT10M\r\n", b""),
    ("once", "RFC 5545 §3.6.1", b"SUMMARY:Exam", b"SUMMARY:Exam\r\nSUMMARY:Exam"),
    ("once", "RFC 5545 §3.6.6", b"ACTION:DISPLAY", b"ACTION:DISPLAY\r\nACTION:DISPLAY"),
    ("method", "house", b"VERSION:2.0", b"VERSION:2.0\r\nMETHOD:PUBLISH"),
    ("uid", "RFC 5545 §3.8.4.7", b"000000000002", b"000000000001"),
    ("utc", "RFC 5545 §3.8.7.2", b"DTSTAMP:20260301T120000Z", b"DTSTAMP:20260301T120000"),
    ("utc", "RFC 5545 §3.8.7.3", b"LAST-MODIFIED:20260301T120000Z", b"LAST-MODIFIED:20260301T120000"),
    ("utc", "house", b"DTSTART:20260309T210000Z", b"DTSTART:20260309T210000"),
    ("utc", "house; RFC 5545 §3.2.19", b"DTSTART:20260309T210000Z", b"DTSTART;TZID=Europe/London:20260309T210000"),
    ("dtend", "RFC 5545 §3.8.2.2", b"DTEND:20260309T213000Z", b"DTEND:20260309T210000Z"),
    ("dtend", "RFC 5545 §3.8.2.2", b"DTEND;VALUE=DATE:20260321", b"DTEND;VALUE=DATE:20260320"),
    ("dtend", "RFC 5545 §3.8.2.2", b"DTEND;VALUE=DATE:20260321", b"DTEND:20260321T000000Z"),
    ("dtend", "RFC 5545 §3.6.1", b"SEQUENCE:0", b"DURATION:PT1H\r\nSEQUENCE:0"),
    ("alarm", "house", b"ACTION:DISPLAY", b"ACTION:AUDIO"),
    ("alarm", "house", b"TRIGGER:-PT10M", b"TRIGGER;VALUE=DATE-TIME:20260309T200000Z"),
    ("alarm", "RFC 5545 §3.6.6", b"TRIGGER:-PT10M", b"TRIGGER:-PT10M\r\nREPEAT:2"),
    ("escape", "RFC 5545 §3.3.11", b"homework\\, 3", b"homework, 3"),
    ("escape", "RFC 5545 §3.3.11", b"1\\; Homework", b"1; Homework"),
    ("escape", "RFC 5545 §3.3.11", b"backslash \\\\ and", b"backslash \\ and"),
    ("escape", "RFC 5545 §3.3.11", b"A plan", b"A plan\\"),
    ("category", "house", b"Study,Chemistry", b"Study\\,Chemistry"),
    ("value", "RFC 7986 §5.7", b"REFRESH-INTERVAL;VALUE=DURATION", b"REFRESH-INTERVAL"),
    ("value", "RFC 7986 §5.8", b"SOURCE;VALUE=URI", b"SOURCE"),
    ("value", "RFC 5545 §3.8.2.4", b"DTSTART;VALUE=DATE:20260320", b"DTSTART:20260320"),
    ("value", "RFC 5545 §3.8.2.4", b"DTSTART:20260309T210000Z", b"DTSTART;VALUE=DATE:20260309T210000Z"),
    ("color", "RFC 7986 §5.9", b"COLOR:teal", b"COLOR:#008080"),
    ("duration", "RFC 5545 §3.3.6", b"DURATION:PT1H", b"DURATION:1H"),
    ("transp", "RFC 5545 §3.8.2.7", b"TRANSP:OPAQUE", b"TRANSP:BUSY"),
    ("sequence", "RFC 5545 §3.8.7.4", b"SEQUENCE:0", b"SEQUENCE:-1"),
    ("time", "RFC 5545 §3.3.4", b"VALUE=DATE:20260320", b"VALUE=DATE:20260230"),
    ("time", "RFC 5545 §3.3.5", b"DTSTART:20260309T210000Z", b"DTSTART:20260309T250000Z"),
]


def test_a_sound_file_gives_no_finding():
    assert lint(SOUND) == []


@pytest.mark.parametrize(("rule", "source", "sound", "broken"), DEFECTS)
def test_a_planted_defect_is_found(rule, source, sound, broken):
    """One defect for each rule; the section that forbids it stands in the table."""
    assert sound in SOUND
    assert rule in {finding.rule for finding in lint(SOUND.replace(sound, broken, 1))}, source


def test_every_rule_has_a_planted_defect():
    source = (Path(__file__).parent / "linter.py").read_text()
    assert set(re.findall(r'Finding\(\s*"([a-z0-9-]+)"', source)) == {rule for rule, *_ in DEFECTS}


def test_a_calendar_without_components_is_refused():
    """RFC 5545 §3.4: an iCalendar object includes at least one component."""
    empty = b"BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//example//test//EN\r\nEND:VCALENDAR\r\n"
    assert [finding.rule for finding in lint(empty)] == ["required"]


def test_what_is_no_calendar_is_refused():
    assert lint(b"<!doctype html>\r\n")


def test_the_all_day_event_of_the_standard_is_sound():
    """RFC 5545 §3.6.1 prints this event, whose last day is 8 July: the end is not included."""
    event = (
        b"BEGIN:VEVENT\r\nUID:20070423T123432Z-541111@example.com\r\nDTSTAMP:20070423T123432Z\r\n"
        b"DTSTART;VALUE=DATE:20070628\r\nDTEND;VALUE=DATE:20070709\r\n"
        b"SUMMARY:Festival International de Jazz de Montreal\r\nTRANSP:TRANSPARENT\r\nEND:VEVENT\r\n"
    )
    head = b"BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//example//test//EN\r\n"
    assert lint(head + event + b"END:VCALENDAR\r\n") == []


def test_the_line_of_a_finding_counts_folded_lines():
    broken = SOUND.replace(b"TRANSP:OPAQUE", b"TRANSP:BUSY")
    assert [finding.line for finding in lint(broken)] == [SOUND.split(b"\r\n").index(b"TRANSP:OPAQUE") + 1]
