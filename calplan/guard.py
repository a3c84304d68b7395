"""A first look at a calendar file: what it is, and what in it may be worked out at all.

A calendar file comes from anywhere and may be broken, cut off, something else, or made to do harm. So nothing that
knows calendars touches it before this module has: it looks at the raw text only, once, in time that grows with the
length of the file and not faster; takes the few properties that say when something is (RFC 5545 §3.8.2, §3.8.4, §3.8.5)
and passes over the rest; refuses rules that would never end; and hands every event over on its own, with its line.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from functools import cache
from itertools import combinations
from typing import Any

MAX_BYTES = 5_000_000
"""The largest file that is read."""

MAX_LINES = 250_000
"""The most lines of a file."""

MAX_EVENTS = 20_000
"""The most events of a file, and the most busy periods of one VFREEBUSY."""

MAX_LINE = 120_000
"""The longest line that may say when something is, in characters, when its folds are undone."""

MAX_DATES = 5_000
"""The most RDATE values, and the most EXDATE values, of one event."""

MAX_INTERVAL = 10_000
"""The largest INTERVAL of a rule."""

MAX_PER_DAY = 288
"""The most times a day at which a rule may repeat: every five minutes."""

MAX_DEPTH = 20
"""The most components inside each other; what lies deeper is passed over."""

MAX_TITLE = 200
"""A longer title is cut."""

TIMES = {"DTSTART", "DTEND", "DURATION", "RRULE", "RDATE", "EXDATE", "EXRULE", "RECURRENCE-ID", "FREEBUSY"}
"""The properties that say when something is."""

MARKS = {"UID", "SUMMARY", "STATUS", "TRANSP", "SEQUENCE"}
"""The properties that say what it is."""

ZONE = {"TZID", "TZOFFSETFROM", "TZOFFSETTO", "X-LIC-LOCATION", "X-WR-TIMEZONE", "METHOD", "CALSCALE"}
"""The properties that say what a time zone or a calendar is."""


class NotACalendar(ValueError):
    """The file is something else; the message is a sentence that says what, and what to do."""


class Refused(ValueError):
    """An event that cannot be taken over; the message is the beginning of a sentence."""


# ------------------------------------------------------------------------------------------ what the file is


KINDS_OF_FILE: tuple[tuple[tuple[bytes, ...], str, str], ...] = (
    ((b"PK\x03\x04", b"PK\x05\x06"), "a ZIP archive", "Unpack it and hand over the .ics file inside."),
    ((b"\x1f\x8b",), "a compressed file (gzip)", "Unpack it and hand over the .ics file inside."),
    ((b"%PDF",), "a PDF document", "Export the calendar as an .ics file instead of printing it."),
    ((b"\x89PNG", b"\xff\xd8\xff", b"GIF8"), "a picture", "Export the calendar itself as an .ics file."),
    ((b"\xd0\xcf\x11\xe0",), "an office document", "Export the calendar as an .ics file."),
    ((b"SQLite format 3",), "a database", "Export the calendar as an .ics file."),
    ((b"\xff\xfe", b"\xfe\xff"), "text in UTF-16", "Save it again with the encoding UTF-8."),
    ((b"{\\rtf",), "a formatted text document", "Export the calendar as an .ics file."),
)
"""The first bytes of files that are no calendars (from memory: the signatures that these formats are known by)."""


def text_of(data: bytes) -> tuple[str, int]:
    """The file's text, and the line of its first byte that is not UTF-8 (0: none).

    Raises :class:`NotACalendar` where the file is something else or too large.
    """
    if len(data) > MAX_BYTES:
        raise NotACalendar(
            f"This file has {len(data) / 1e6:.1f} MB, more than the {MAX_BYTES / 1e6:.0f} MB that are read. "
            "Export a shorter stretch of time, or fewer calendars at once."
        )
    for starts, what, remedy in KINDS_OF_FILE:
        if data.startswith(starts):
            raise NotACalendar(f"This is {what}, not a calendar file. {remedy}")
    if data[:400].count(0) > 100:
        raise NotACalendar("This is text in UTF-16, or no text at all. Save it again with the encoding UTF-8.")
    text, broken = decoded(data)
    if not text.strip("\0 \t\r\n"):
        raise NotACalendar("This file is empty. Export or download the calendar again.")
    if not re.search(r"^[ \t]*BEGIN[ \t]*:[ \t]*VCALENDAR", text, re.IGNORECASE | re.MULTILINE):
        raise NotACalendar(what_text_is(text))
    return text, broken


def decoded(data: bytes) -> tuple[str, int]:
    try:
        return unix_lines(data.decode("utf-8-sig")), 0
    except UnicodeDecodeError as error:
        before = unix_lines(data[: error.start].decode("utf-8", "replace"))
        return unix_lines(data.decode("cp1252", "replace").removeprefix("ï»¿")), before.count("\n") + 1


def unix_lines(text: str) -> str:
    return text.replace("\r\n", "\n").replace("\r", "\n")


def what_text_is(text: str) -> str:
    """A sentence that says what a text without BEGIN:VCALENDAR seems to be."""
    start = text[:2000].lstrip().upper()
    if start.startswith(("<!DOCTYPE HTML", "<HTML")) or "<HTML" in start:
        return (
            "This is a web page, not a calendar file. Download the calendar itself: "
            "look for “export”, “subscribe” or “iCal” and save the .ics file."
        )
    if start.startswith("<"):
        return "This is an XML document, not a calendar file. Export the calendar as an .ics file."
    if start.startswith(("{", "[")):
        return "This is a JSON document, not a calendar file. Export the calendar as an .ics file."
    if "BEGIN:VCARD" in start:
        return "This is an address book (vCard), not a calendar file. Export the calendar instead of the contacts."
    if start.count(",") > 4 or start.count(";") > 4 or start.count("\t") > 4:
        return "This seems to be a table (CSV), not a calendar file. Export the calendar as an .ics file."
    return "This is not a calendar file: no line of it says BEGIN:VCALENDAR. Export the calendar as an .ics file."


# ---------------------------------------------------------------------------------------- lines and components


@dataclass(slots=True)
class Component:
    """A component as it is being read: an event, a VFREEBUSY, a time zone or one of its observances.

    ``properties`` say when it is (name, parameters, value), ``marks`` what it is.
    """

    kind: str
    line: int
    calendar: int
    properties: list[tuple[str, dict[str, str], str]] = field(default_factory=list)
    marks: dict[str, str] = field(default_factory=dict)
    inside: list[Component] = field(default_factory=list)
    broken: str = ""

    @property
    def title(self) -> str:
        return self.marks.get("SUMMARY", "")

    @property
    def uid(self) -> str:
        return self.marks.get("UID", "").strip() or f"line {self.line}"

    @property
    def sequence(self) -> int:
        digits = self.marks.get("SEQUENCE", "0").strip()
        return int(digits) if digits.isascii() and digits.isdigit() and len(digits) < 10 else 0

    def has(self, *names: str) -> bool:
        return any(name in names for name, _, _ in self.properties)


@dataclass(slots=True)
class Look:
    """What the first look found: calendars and parts in reading order, and notes of (line, title, sentence)."""

    calendars: list[dict[str, Any]] = field(default_factory=list)
    parts: list[Component] = field(default_factory=list)
    notes: list[tuple[int, str, str]] = field(default_factory=list)


def look(text: str) -> Look:
    """Takes the text apart: one pass over its lines.

    Raises :class:`NotACalendar` where there is more of it than is read.
    """
    if text.count("\n") > MAX_LINES:
        raise NotACalendar(f"This file has more than {MAX_LINES:,} lines. Export a shorter stretch of time.")
    scan = Scan()
    for number, line in whole_lines(text):
        scan.take(number, line)
        if len(scan.found.parts) > MAX_EVENTS:
            raise NotACalendar(f"This file holds more than {MAX_EVENTS:,} events. Export a shorter stretch of time.")
    scan.finish(text.rstrip("\n").count("\n") + 1)
    return scan.found


def whole_lines(text: str) -> list[tuple[int, str]]:
    """The lines with their folds undone (RFC 5545 §3.1), each with the number at which it begins."""
    lines: list[tuple[int, list[str]]] = []
    for number, line in enumerate(text.split("\n"), 1):
        if line[:1] in (" ", "\t") and lines:
            lines[-1][1].append(line[1:])
        elif line:
            lines.append((number, [line]))
    return [(number, "".join(pieces)) for number, pieces in lines]


LINE = re.compile(r"[ \t]*([A-Za-z][A-Za-z0-9-]{0,40})[ \t]*(?=[;:])")
PARAMETER = re.compile(r'[ \t]*;[ \t]*([A-Za-z0-9-]{1,40})[ \t]*=[ \t]*("[^"]*"|[^";:]*)')
PARAMETER_OF_TIME = re.compile(r'[ \t]*;[ \t]*([A-Za-z0-9-]{1,40})[ \t]*=[ \t]*("[^"]*"|[^";]*)')
"""The value of a time holds no colon, so its last one ends the parameters: some exports forget the quotes around
a time zone that is called “(UTC-06:00) Central Time”."""


class Scan:
    """The state of the pass over the lines: which components are open."""

    def __init__(self) -> None:
        self.found = Look()
        self.open: list[Component] = []

    def take(self, number: int, line: str) -> None:
        match = LINE.match(line)
        if match is None:
            return
        name = match[1].upper()
        if name in ("BEGIN", "END"):
            kind = line[match.end() + 1 : match.end() + 60].strip().upper()
            (self._begin if name == "BEGIN" else self._end)(number, kind)
        elif self.open and name in TIMES | MARKS | ZONE:
            self._property(number, name, line, match.end())

    def finish(self, last: int) -> None:
        """Notes that the file was cut off where something is still open at its end."""
        if self.open:
            self._close(0)
            sentence = "The file ends in the middle, so events may be missing; download or export it again."
            self.found.notes.append((last, "", sentence))

    def _begin(self, number: int, kind: str) -> None:
        if kind == "VCALENDAR":
            self._close(0)
            self.found.calendars.append({"zone": "", "zones": {}, "method": "", "scale": ""})
        elif kind in ("VEVENT", "VFREEBUSY", "VTIMEZONE"):
            self._close(1)
        if len(self.open) < MAX_DEPTH:
            self.open.append(Component(kind, number, len(self.found.calendars) - 1))

    def _end(self, number: int, kind: str) -> None:
        places = [place for place, part in enumerate(self.open) if part.kind == kind]
        if not places:
            if kind in ("VEVENT", "VFREEBUSY"):
                sentence = f"An event ends here (END:{kind}) that never began, so it is not counted as busy."
                self.found.notes.append((number, "", sentence))
            return
        self._close(places[-1] + 1)
        part = self.open.pop()
        if kind in ("VEVENT", "VFREEBUSY"):
            self._keep(part)
        elif kind in ("STANDARD", "DAYLIGHT") and self.open:
            self.open[-1].inside.append(part)
        elif kind == "VTIMEZONE" and part.calendar >= 0:
            self.found.calendars[part.calendar]["zones"].setdefault(part.marks.get("TZID", ""), zone(part))

    def _keep(self, part: Component) -> None:
        if part.calendar < 0 or not self.open or self.open[0].kind != "VCALENDAR":
            self._note(part, "It stands outside a calendar (VCALENDAR)")
        elif self.found.calendars[part.calendar]["scale"] not in ("", "GREGORIAN"):
            self._note(part, "Its calendar is not the Gregorian one (CALSCALE)")
        else:
            self.found.parts.append(part)

    def _close(self, depth: int) -> None:
        """Ends what is open below a depth; an event that is ended thus has no END of its own."""
        while len(self.open) > depth:
            part = self.open.pop()
            if part.kind in ("VEVENT", "VFREEBUSY"):
                self._note(part, f"It has no end (END:{part.kind})")

    def _note(self, part: Component, why: str) -> None:
        self.found.notes.append((part.line, part.title, f"{why}, so it is not counted as busy."))

    def _property(self, number: int, name: str, line: str, at: int) -> None:
        part = self.open[-1]
        if name in TIMES and len(line) > MAX_LINE:
            part.broken = part.broken or f"Its {name} is {len(line):,} characters long"
            return
        params, value = parameters(line, at, name in TIMES)
        if value is None:
            part.broken = part.broken or (f"Its {name} on line {number} cannot be read" if name in TIMES else "")
        elif name in TIMES:
            part.properties.append((name, params, value.strip()))
        elif name == "SUMMARY":
            part.marks.setdefault(name, clean(value[: 4 * MAX_TITLE]))
        else:
            part.marks.setdefault(name, value.strip()[:1000])
        if part.kind == "VCALENDAR":
            self.found.calendars[part.calendar] |= {
                "zone": part.marks.get("X-WR-TIMEZONE", ""),
                "method": part.marks.get("METHOD", "").upper(),
                "scale": part.marks.get("CALSCALE", "").upper(),
            }


def parameters(line: str, at: int, time: bool) -> tuple[dict[str, str], str | None]:
    """The parameters of a line from a place on, and its value (``None``: it cannot be read)."""
    params: dict[str, str] = {}
    end = line.rfind(":") if time else len(line)
    while match := (PARAMETER_OF_TIME if time else PARAMETER).match(line, at, max(end, at)):
        params[match[1].upper()] = match[2].strip('" \t')
        at = match.end()
    colon = end if time else line.find(":", at)
    if colon < 0 or line[at:colon].strip():
        return params, None
    return params, line[colon + 1 :]


def clean(text: str) -> str:
    """A TEXT value as people read it: escapes undone (RFC 5545 §3.3.11), one line, no control characters."""
    plain = re.sub(r"\\(.)", lambda found: " " if found[1] in "nN" else found[1], text)
    printable = "".join(letter if letter.isprintable() else " " for letter in plain)
    return " ".join(printable.split())[:MAX_TITLE].strip()


def zone(part: Component) -> dict[str, Any]:
    """A VTIMEZONE as plain values; one that makes no sense has no observances."""
    try:
        observances = [observance(inside) for inside in part.inside]
    except Refused:
        observances = []
    return {"location": part.marks.get("X-LIC-LOCATION", ""), "observances": observances}


def observance(part: Component) -> dict[str, Any]:
    values: dict[str, Any] = {"kind": part.kind, "RDATE": []}
    for name in ("TZOFFSETFROM", "TZOFFSETTO"):
        values[name] = part.marks.get(name, "")
    for name, _, value in part.properties:
        if name == "RDATE":
            values["RDATE"].append(value)
        elif name == "RRULE":
            values["RRULE"] = read_rule(value)
            if values["RRULE"]["FREQ"] != "YEARLY":
                raise Refused("Its zone does not change by the year")
        elif name == "DTSTART":
            values["DTSTART"] = value
    if "DTSTART" not in values or part.broken or sum(text.count(",") + 1 for text in values["RDATE"]) > MAX_DATES:
        raise Refused("Its zone cannot be read")
    return values


# ------------------------------------------------------------------------------------------------ series


def groups(found: Look) -> list[list[Component]]:
    """The parts that belong together: a first event and those that replace some of its repeats.

    Two events under one UID that have nothing to do with each other become two groups; of two versions of one
    event the later stays. Both are noted; what is there twice, letter by letter, is not.
    """
    series: dict[tuple[str, str], list[Component]] = {}
    for part in found.parts:
        series.setdefault((part.kind, part.uid if part.kind == "VEVENT" else f"line {part.line}"), []).append(part)
    made: list[list[Component]] = []
    for parts in series.values():
        made.extend(split(without_doubles(parts), found))
    return made


def without_doubles(parts: list[Component]) -> list[Component]:
    return list({repr((part.properties, part.marks, part.broken)): part for part in reversed(parts)}.values())[::-1]


def split(parts: list[Component], found: Look) -> list[list[Component]]:
    firsts = [part for part in parts if not part.has("RECURRENCE-ID")]
    replacing = [part for part in parts if part.has("RECURRENCE-ID")]
    if len(firsts) < 2:
        return [firsts + replacing]
    newest = max(firsts, key=lambda part: part.sequence)
    if len({part.title for part in firsts}) == 1 and len({part.sequence for part in firsts}) == len(firsts):
        for part in firsts:
            if part is not newest:
                sentence = f"It is an older version of the event on line {newest.line}, which is read instead."
                found.notes.append((part.line, part.title, sentence))
        return [[newest, *replacing]]
    for part in firsts[1:]:
        sentence = f"It has the same UID as the event on line {firsts[0].line}; they are read as two events."
        found.notes.append((part.line, part.title, sentence))
    owner = next((part for part in firsts if part.has("RRULE", "RDATE")), firsts[0])
    return [[part, *replacing] if part is owner else [part] for part in firsts]


# ------------------------------------------------------------------------------------------------ one event


def for_child(part: Component, calendar: dict[str, Any], only: tuple[str, ...], title: str) -> dict[str, Any]:
    """A component as the child takes it. ``title`` stands in where it has none of its own.

    Raises :class:`Refused` where it holds too much, or a rule that is not worked out.
    """
    if part.broken:
        raise Refused(part.broken)
    for name in ("RDATE", "EXDATE", "FREEBUSY"):
        most = MAX_EVENTS if name == "FREEBUSY" else MAX_DATES
        count = sum(value.count(",") + 1 for other, _, value in part.properties if other == name)
        if count > most:
            raise Refused(f"It has {count:,} {name} values, more than {most:,}")
    own = part.title or title
    cancelled = part.marks.get("STATUS", "").upper() == "CANCELLED" or calendar["method"] == "CANCEL"
    free = cancelled or part.marks.get("TRANSP", "").upper() == "TRANSPARENT"
    return {
        "kind": part.kind,
        "line": part.line,
        "title": own,
        "calendar": part.calendar,
        "sequence": part.sequence,
        "busy": not free and (not only or own in only),
        "rules": [read_rule(value) for name, _, value in part.properties if name == "RRULE"],
        "properties": [each for each in part.properties if (each[0] == "FREEBUSY") == (part.kind == "VFREEBUSY")],
    }


# ------------------------------------------------------------------------------------------------ rules


FREQUENCIES = ("HOURLY", "DAILY", "WEEKLY", "MONTHLY", "YEARLY")
WEEKDAYS = ("MO", "TU", "WE", "TH", "FR", "SA", "SU")
NUMBERS = {
    "BYSECOND": (0, 60),
    "BYMINUTE": (0, 59),
    "BYHOUR": (0, 23),
    "BYMONTHDAY": (1, 31),
    "BYYEARDAY": (1, 366),
    "BYWEEKNO": (1, 53),
    "BYMONTH": (1, 12),
    "BYSETPOS": (1, 366),
}
"""The parts of a rule that are lists of numbers, with their least and largest absolute values (RFC 5545 §3.3.10)."""
SIGNED = ("BYMONTHDAY", "BYYEARDAY", "BYWEEKNO", "BYSETPOS")
ORDINAL_DAY = re.compile(r"([+-]?\d{1,2})?(MO|TU|WE|TH|FR|SA|SU)", re.ASCII)


def read_rule(text: str) -> dict[str, str]:
    """The parts of an RRULE value (RFC 5545 §3.3.10).

    Raises :class:`Refused` for one that is wrong, repeats too often, or never matches a day.
    """
    rule: dict[str, str] = {}
    for part in filter(None, text.upper().replace(" ", "").split(";")):
        name, equals, value = part.partition("=")
        if not equals or not value or name in rule:
            raise Refused(f"Its rule has a part {short(part)} that means nothing")
        rule[name] = value
    if rule.pop("RSCALE", "GREGORIAN") != "GREGORIAN" or rule.pop("SKIP", "OMIT") != "OMIT":
        raise Refused("Its rule counts in another calendar than the Gregorian")
    frequency = rule.get("FREQ", "")
    if frequency in ("SECONDLY", "MINUTELY"):
        raise Refused(f"Its rule repeats every few {'seconds' if frequency == 'SECONDLY' else 'minutes'}")
    if frequency not in FREQUENCIES:
        raise Refused("Its rule does not say how often it repeats (FREQ)")
    for name, value in rule.items():
        check_part(name, value)
    check_times_a_day(rule)
    if not matches_some_day(rule):
        raise Refused("Its rule never matches a day, like the 31st of February")
    return rule


def check_part(name: str, value: str) -> None:
    """Raises :class:`Refused` unless the part of a rule is a known one with values in range."""
    wrong = Refused(f"Its rule has a part {short(f'{name}={value}')} that is out of range")
    if name in ("INTERVAL", "COUNT"):
        largest = MAX_INTERVAL if name == "INTERVAL" else 10**9
        if not re.fullmatch(r"\d{1,9}", value, re.ASCII) or not 1 <= int(value) <= largest:
            raise wrong
    elif name == "UNTIL":
        if not is_time(value):
            raise wrong
    elif name == "BYDAY":
        days = [ORDINAL_DAY.fullmatch(day) for day in value.split(",")]
        if not all(day and (day[1] is None or 1 <= abs(int(day[1])) <= 53) for day in days):
            raise wrong
    elif name in NUMBERS:
        low, high = NUMBERS[name]
        pattern = r"[+-]?\d{1,3}" if name in SIGNED else r"\d{1,3}"
        numbers = value.split(",")
        if len(numbers) > 2 * high + 2 or not all(re.fullmatch(pattern, number, re.ASCII) for number in numbers):
            raise wrong
        if not all(low <= abs(int(number)) <= high for number in numbers):
            raise wrong
    elif name != "FREQ" and not (name == "WKST" and value in WEEKDAYS):
        raise wrong


def is_time(text: str) -> bool:
    """Whether the text is a DATE or DATE-TIME value that exists."""
    if not re.fullmatch(r"\d{8}(T\d{6}Z?)?", text, re.ASCII):
        return False
    try:
        datetime.strptime(f"{text[:8]}{text[9:15] or '000000'}", "%Y%m%d%H%M%S")  # noqa: DTZ007
    except ValueError:
        return False
    return True


def check_times_a_day(rule: dict[str, str]) -> None:
    times = 24 if rule["FREQ"] == "HOURLY" and "BYHOUR" not in rule else 1
    for name in ("BYHOUR", "BYMINUTE", "BYSECOND"):
        times *= len(set(rule[name].split(","))) if name in rule else 1
    if times > MAX_PER_DAY:
        raise Refused(f"Its rule repeats {times:,} times a day, more than {MAX_PER_DAY}")


def short(text: str) -> str:
    """A value for a sentence: at most 40 characters, in quotes."""
    return f"“{text if len(text) <= 40 else text[:39] + '…'}”"


def matches_some_day(rule: dict[str, str]) -> bool:
    """Whether the parts of the rule that name days go together: any two of them share a day in some year."""
    named = [(name, set(map(int, rule[name].split(",")))) for name in DAY_PARTS if name in rule]
    return all(
        any((one, other) in shared_days(first, second) for one in ones for other in others)
        for (first, ones), (second, others) in combinations(named, 2)
    )


def month_of(day: date) -> set[int]:
    return {day.month}


def month_day_of(day: date) -> set[int]:
    next_month = (day.replace(day=28) + timedelta(days=4)).replace(day=1)
    return {day.day, day.toordinal() - next_month.toordinal()}


def year_day_of(day: date) -> set[int]:
    return {day.timetuple().tm_yday, day.toordinal() - date(day.year + 1, 1, 1).toordinal()}


def week_of(day: date) -> set[int]:
    """Its ISO week and the ones beside it, for the week may start on another day than Monday (WKST)."""
    year, week, _ = day.isocalendar()
    last = date(year, 12, 28).isocalendar().week
    near = {week - 1, week, week + 1} if 1 < week < last else {week, 1, 2, 52, 53}
    return near | {number - last - 1 for number in near}


DAY_PARTS = {"BYMONTH": month_of, "BYMONTHDAY": month_day_of, "BYYEARDAY": year_day_of, "BYWEEKNO": week_of}


@cache
def shared_days(first: str, second: str) -> set[tuple[int, int]]:
    """The pairs of values of two parts that some day meets, in years of every kind (leap or not, any first weekday)."""
    kinds = {(date(year, 1, 1).weekday(), date(year, 12, 31).weekday()): year for year in range(2000, 2028)}
    days = (date(year, 1, 1) + timedelta(days=n) for year in kinds.values() for n in range(366))
    return {(one, other) for day in days for one in DAY_PARTS[first](day) for other in DAY_PARTS[second](day)}
