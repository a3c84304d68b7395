"""A second opinion on calendar files, byte by byte: it knows the standards and nothing of any calendar library.

Parsers forgive much (of files with one defect each, a good part passes all of those that judge here), so whatever they
cannot be trusted to refuse is looked for in the bytes. Sections are those of RFC 5545 unless RFC 7986 is named; "house"
marks a rule of this project that is narrower than the standard.
"""

from __future__ import annotations

import re
from collections import Counter
from datetime import date, datetime
from typing import NamedTuple


class Finding(NamedTuple):
    """A broken rule, the number of the line it is on (from 1), and what is wrong there."""

    rule: str
    line: int
    what: str


class Property(NamedTuple):
    name: str
    params: dict[str, str]
    value: str
    line: int


class Component(NamedTuple):
    name: str
    line: int
    properties: list[Property]
    children: list[Component]

    def all(self, name: str) -> list[Property]:
        return [p for p in self.properties if p.name == name]


def lint(data: bytes) -> list[Finding]:
    """Everything that is wrong with a calendar file; nothing for a sound one."""
    found = list(octets(data))
    properties = list(content_lines(data, found))
    calendars = components(properties, found)
    if [c.name for c in calendars] != ["VCALENDAR"]:
        found.append(Finding("nesting", 1, "a file holds one VCALENDAR (house; §3.4 allows several)"))
    for calendar in calendars:
        events = [child for child in calendar.children if child.name == "VEVENT"]
        found += calendar_rules(calendar) + uids(events)
        for event in events:
            found += event_rules(event)
            for alarm in event.children:
                found += alarm_rules(alarm)
    for prop in properties:
        found += value_rules(prop)
    return sorted(found, key=lambda finding: finding.line)


# ------------------------------------------------------------------------------------------------------------- bytes


def octets(data: bytes):
    """§3.1: lines end in CRLF and hold at most 75 octets; §3.1: no control character but the tab."""
    for number, line in enumerate(data.split(b"\r\n"), 1):
        if re.search(rb"[\r\n]", line):
            yield Finding("crlf", number, "a bare CR or LF (§3.1)")
        if len(line) > 75:
            yield Finding("length", number, f"{len(line)} octets, 75 are allowed (§3.1)")
        if re.search(rb"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f]", line):
            yield Finding("control", number, "a control character (§3.1, CONTROL)")
        try:
            text = line.decode()
        except UnicodeDecodeError:
            yield Finding("utf-8", number, "bytes that are no UTF-8, or a character cut by folding (§3.1, §3.1.4)")
        else:
            if re.search("[\x80-\x9f]", text):
                yield Finding("control", number, "a control character of the upper range (house)")
    if not data.endswith(b"\r\n"):
        yield Finding("crlf", data.count(b"\n") + 1, "the last line does not end in CRLF (§3.1)")


def content_lines(data: bytes, found: list[Finding]):
    """§3.1: unfolded lines as name, parameters, value."""
    logical: list[tuple[int, bytes]] = []
    for number, line in enumerate(re.split(rb"\r?\n", data), 1):
        if line[:1] in (b" ", b"\t") and logical:
            logical[-1] = (logical[-1][0], logical[-1][1] + line[1:])
        elif line:
            logical.append((number, line))
    for number, raw in logical:
        text = raw.decode(errors="replace")
        match = re.fullmatch(
            r'([A-Za-z0-9-]+)((?:;[A-Za-z0-9-]+=(?:"[^"]*"|[^";:,]*)(?:,(?:"[^"]*"|[^";:,]*))*)*):(.*)', text
        )
        if not match:
            found.append(Finding("syntax", number, f"no content line: {text[:40]!r} (§3.1)"))
            continue
        params = dict(re.findall(r';([A-Za-z0-9-]+)=((?:"[^"]*"|[^";:])*)', match[2]))
        yield Property(match[1].upper(), {k.upper(): v.upper() for k, v in params.items()}, match[3], number)


def components(properties: list[Property], found: list[Finding]) -> list[Component]:
    """§3.6: BEGIN and END pair off."""
    root = Component("", 0, [], [])
    stack = [root]
    for prop in properties:
        if prop.name == "BEGIN":
            stack.append(Component(prop.value.upper(), prop.line, [], []))
            stack[-2].children.append(stack[-1])
        elif prop.name == "END":
            if len(stack) == 1 or stack.pop().name != prop.value.upper():
                found.append(Finding("nesting", prop.line, f"END:{prop.value} ends nothing that is open (§3.6)"))
                stack = stack or [root]
        else:
            stack[-1].properties.append(prop)
    found += [Finding("nesting", open_.line, f"{open_.name} is never ended (§3.6)") for open_ in stack[1:]]
    found += [Finding("nesting", p.line, f"{p.name} stands outside any component (§3.4)") for p in root.properties]
    return root.children


# -------------------------------------------------------------------------------------------------------- components

ONCE_IN_CALENDAR = {
    "PRODID",
    "VERSION",
    "CALSCALE",
    "METHOD",
    "UID",
    "LAST-MODIFIED",
    "URL",
    "REFRESH-INTERVAL",
    "SOURCE",
    "COLOR",
}
ONCE_IN_EVENT = {
    "DTSTAMP", "UID", "DTSTART", "CLASS", "CREATED", "DESCRIPTION", "GEO", "LAST-MODIFIED", "LOCATION", "ORGANIZER",
    "PRIORITY", "SEQUENCE", "STATUS", "SUMMARY", "TRANSP", "URL", "RECURRENCE-ID", "DTEND", "DURATION", "COLOR",
}  # fmt: skip


def counts(component: Component, required: set[str], once: set[str], section: str) -> list[Finding]:
    seen = Counter(prop.name for prop in component.properties)
    missing = [
        Finding("required", component.line, f"{component.name} has no {n} ({section})") for n in required - set(seen)
    ]
    twice = [Finding("once", component.line, f"{n} stands {seen[n]} times ({section})") for n in once if seen[n] > 1]
    return missing + twice


def calendar_rules(calendar: Component) -> list[Finding]:
    found = counts(calendar, {"PRODID", "VERSION"}, ONCE_IN_CALENDAR, "§3.6; RFC 7986 §4")
    found += [
        Finding("required", p.line, "VERSION is 2.0 (§3.7.4)") for p in calendar.all("VERSION") if p.value != "2.0"
    ]
    found += [Finding("method", p.line, "a feed has no METHOD (house)") for p in calendar.all("METHOD")]
    if not calendar.children:
        found.append(Finding("required", calendar.line, "a VCALENDAR holds at least one component (§3.4, §3.6)"))
    return found


def uids(events: list[Component]) -> list[Finding]:
    """§3.8.4.7: globally unique, but for the instances of one series, which RECURRENCE-ID tells apart."""
    seen = Counter((p.value, *(r.value for r in e.all("RECURRENCE-ID"))) for e in events for p in e.all("UID"))
    return [
        Finding("uid", events[0].line, f"{uid[0]} is the UID of {n} events (§3.8.4.7)")
        for uid, n in seen.items()
        if n > 1
    ]


def event_rules(event: Component) -> list[Finding]:
    found = counts(event, {"UID", "DTSTAMP", "DTSTART"}, ONCE_IN_EVENT, "§3.6.1")
    for prop in (p for name in ("DTSTAMP", "LAST-MODIFIED", "CREATED") for p in event.all(name)):
        if not prop.value.endswith("Z"):
            found.append(Finding("utc", prop.line, f"{prop.name} is in UTC (§3.8.7.1 to §3.8.7.3)"))
    for start in event.all("DTSTART"):
        for end in event.all("DTEND"):
            if len(start.value) != len(end.value):
                found.append(Finding("dtend", end.line, "DTEND and DTSTART are of one type (§3.8.2.2)"))
            elif end.value <= start.value:
                found.append(Finding("dtend", end.line, "DTEND is later than DTSTART (§3.8.2.2)"))
    if event.all("DTEND") and event.all("DURATION"):
        found.append(Finding("dtend", event.line, "DTEND and DURATION exclude each other (§3.6.1)"))
    return found


def alarm_rules(alarm: Component) -> list[Finding]:
    """§3.6.6; and of all alarms only what every reader understands (house): DISPLAY, relative to the start."""
    if alarm.name != "VALARM":
        return [Finding("nesting", alarm.line, f"{alarm.name} inside a VEVENT (§3.6.1)")]
    found = counts(
        alarm,
        {"ACTION", "TRIGGER", "DESCRIPTION"},
        {"ACTION", "TRIGGER", "DESCRIPTION", "DURATION", "REPEAT"},
        "§3.6.6",
    )
    found += [Finding("alarm", p.line, "only DISPLAY (house)") for p in alarm.all("ACTION") if p.value != "DISPLAY"]
    found += [
        Finding("alarm", p.line, "TRIGGER is relative (house)")
        for p in alarm.all("TRIGGER")
        if not DURATION.fullmatch(p.value)
    ]
    if bool(alarm.all("DURATION")) != bool(alarm.all("REPEAT")):
        found.append(Finding("alarm", alarm.line, "DURATION and REPEAT stand together (§3.6.6)"))
    return found


# ------------------------------------------------------------------------------------------------------------ values

DURATION = re.compile(r"[+-]?P(?:\d+W|\d+D(?:T(?=\d)(?:\d+H)?(?:\d+M)?(?:\d+S)?)?|T(?=\d)(?:\d+H)?(?:\d+M)?(?:\d+S)?)")
TEXTS = {
    "SUMMARY",
    "DESCRIPTION",
    "LOCATION",
    "COMMENT",
    "CATEGORIES",
    "NAME",
    "X-WR-CALNAME",
    "UID",
    "PRODID",
    "COLOR",
}
TIMES = {"DTSTART", "DTEND", "DTSTAMP", "LAST-MODIFIED", "CREATED"}
DURATIONS = {"REFRESH-INTERVAL", "X-PUBLISHED-TTL", "DURATION"}
NEEDS_VALUE = {"REFRESH-INTERVAL": ("DURATION", "§5.7"), "SOURCE": ("URI", "§5.8")}


def value_rules(prop: Property) -> list[Finding]:
    """What a single value must look like."""
    found = []
    if prop.name in TEXTS and re.search(r"\\(?![\\;,nN])", re.sub(r"\\\\", "", prop.value)):
        found.append(Finding("escape", prop.line, "a backslash escapes only \\ ; , n N (§3.3.11)"))
    bare = re.sub(r"\\.", "", prop.value)
    if prop.name in TEXTS and (";" in bare or ("," in bare and prop.name != "CATEGORIES")):
        found.append(Finding("escape", prop.line, "a bare semicolon or comma in a text (§3.3.11)"))
    if prop.name == "CATEGORIES" and "\\," in prop.value:
        found.append(Finding("category", prop.line, "no comma inside a category (house)"))
    if prop.name in NEEDS_VALUE and prop.params.get("VALUE") != NEEDS_VALUE[prop.name][0]:
        kind, section = NEEDS_VALUE[prop.name]
        found.append(Finding("value", prop.line, f"{prop.name} needs VALUE={kind} (RFC 7986 {section})"))
    if prop.name == "COLOR" and not re.fullmatch("[A-Za-z]+", prop.value):
        found.append(Finding("color", prop.line, "COLOR is a CSS name (RFC 7986 §5.9)"))
    if prop.name in DURATIONS and not DURATION.fullmatch(prop.value):
        found.append(Finding("duration", prop.line, f"{prop.value} is no duration (§3.3.6)"))
    if prop.name == "TRANSP" and prop.value not in ("OPAQUE", "TRANSPARENT"):
        found.append(Finding("transp", prop.line, "TRANSP is OPAQUE or TRANSPARENT (§3.8.2.7)"))
    if prop.name == "SEQUENCE" and not re.fullmatch(r"\d+", prop.value):
        found.append(Finding("sequence", prop.line, "SEQUENCE is a number from 0 (§3.8.7.4)"))
    return found + (time_rules(prop) if prop.name in TIMES else [])


def time_rules(prop: Property) -> list[Finding]:
    """§3.3.4, §3.3.5: a real date or moment, and VALUE=DATE on the former; moments in UTC (house: nothing floats)."""
    dated = bool(re.fullmatch(r"\d{8}", prop.value))
    if dated != (prop.params.get("VALUE") == "DATE"):
        return [Finding("value", prop.line, "VALUE=DATE stands with a date, and only there (§3.8.2.4)")]
    try:
        date.fromisoformat(prop.value) if dated else datetime.fromisoformat(prop.value[:15])
    except ValueError:
        return [Finding("time", prop.line, f"{prop.value} is no date and no moment (§3.3.4, §3.3.5)")]
    if not dated and (len(prop.value) != 16 or prop.value[15] != "Z" or "TZID" in prop.params):
        return [Finding("utc", prop.line, "a moment is written in UTC, without TZID (house; §3.2.19)")]
    return []
