"""Calendar values → busy instants, in a child process that may run out of time or memory without harm.

:mod:`calplan.busy` takes a calendar file apart and hands its events over as plain text values; this file reads the
values, refuses what would never end, lets recurring-ical-events work out the repeats, and answers with instants. It
is started as a program by its path, speaks JSON over pipes and imports nothing of calplan, so that a child
costs little more than the start of Python and of the calendar library.

Two choices shape it. Every event is read on its own, so that a broken one costs itself only. And the
library sees wall-clock times without a zone, all in the zone of their series: it compares identities of repeats in UTC
and in local time at once and can mistake the one for the other, and it need not know about zones to count days.
Instants are made from its answer here, as RFC 5545 §3.3.5 and §3.8.5.3 have it.
"""

from __future__ import annotations

import json
import math
import re
import sys
import warnings
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from functools import cache
from io import StringIO
from time import process_time
from typing import IO, TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

if TYPE_CHECKING:
    from collections.abc import Iterator

YEARS = range(1900, 2201)
"""The years in which an event may lie."""

MAX_REPEATS = 10_000
"""The most repeats of one event within the days asked for."""

MAX_SPANS = 50_000
"""The most busy times of one file within the days asked for."""

MAX_OBSERVANCES = 500
"""The most STANDARD and DAYLIGHT parts of one time zone that a file defines."""

LATE = "Its file takes too long to work out and this event was not reached"
"""What is said of the events that the limit on the time left no time for."""

ONE_DAY = timedelta(days=1)
NOT_A_PLACE = {"localtime", "posixrules", "Factory"}
"""Names in the tz database that mean the machine's own zone, or none."""

Note = tuple[int, str, str, str]
"""Line, event's title, sentence, and a key: notes that share a key are told once, with their number."""

Found = tuple[int, int, str]
"""A busy time: its start and end as UNIX time, and its title."""

Component = dict[str, Any]
"""An event as the guard hands it over (:func:`calplan.guard.for_child`)."""

Properties = dict[str, list[tuple[dict[str, str], str]]]
"""Parameters and value of each property, by name."""


class Unreadable(ValueError):
    """Something about an event that cannot be taken over; the message is the beginning of a sentence."""


# ---------------------------------------------------------------------------------------------- the program


def serve(source: IO[bytes], target: IO[bytes]) -> None:  # pragma: no cover (runs in the child, judged by its effect)
    """Reads one JSON question from ``source``; writes a first line when it is ready, and one for each group, in order.

    The parent thus knows which group was in hand when a limit ended the child.
    """
    question = json.loads(source.read())
    sys.path[:] = question["path"]
    import recurring_ical_events  # noqa: F401  (what it takes is not the calendar's fault)

    limit_memory(question["memory"])
    target.write(b"ready\n")
    target.flush()
    for job in question["jobs"]:
        ends = limit_cpu(question["cpu"])
        for answer in work(job, ends):
            target.write(json.dumps(answer).encode() + b"\n")
            target.flush()


def limit_memory(extra: int) -> None:  # pragma: no cover
    """Lets this process have ``extra`` bytes of address space more than it has now; no core file, no written file.

    Only Linux keeps to all of these limits; elsewhere the parent's limit on the time is the only one.
    """
    if sys.platform == "linux":
        import resource

        with open("/proc/self/statm", encoding="ascii") as statm:
            now = int(statm.read().split()[0]) * resource.getpagesize()
        resource.setrlimit(resource.RLIMIT_AS, (now + extra, now + extra))
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
        resource.setrlimit(resource.RLIMIT_FSIZE, (0, 0))


def limit_cpu(seconds: int) -> float:  # pragma: no cover
    """Ends this process when it has used so many seconds more; returns the process time at which that is."""
    ends = process_time() + seconds
    if sys.platform == "linux":
        import resource

        hard = resource.getrlimit(resource.RLIMIT_CPU)[1]
        resource.setrlimit(resource.RLIMIT_CPU, (round(ends), hard))
    return ends


def work(job: dict[str, Any], ends: float = math.inf) -> Iterator[dict[str, Any]]:
    """One answer for each group of a job: ``spans`` (start and end as UNIX time, title) and ``notes``.

    Where a job has used up its processor time between two groups, all that is left of it is left out.
    """
    zones = Zones(job)
    total = 0
    for group in job["groups"]:
        if process_time() > ends:
            yield {"spans": [], "notes": [note(group[0], LATE, "late")]}
            continue
        spans, notes = answer_group(group, zones, job)
        total += len(spans)
        if total > MAX_SPANS:
            sentence = f"The file holds more than {MAX_SPANS:,} busy times in these days"
            spans, notes = [], [note(group[0], sentence, "many")]
        yield {"spans": spans, "notes": notes}


def answer_group(group: list[Component], zones: Zones, job: dict[str, Any]) -> tuple[list[Found], list[Note]]:
    """The spans and notes of one group, whatever is wrong with it."""
    try:
        if group[0]["kind"] == "VFREEBUSY":
            return free_busy(group[0], zones, job)
        return expand(group, zones, job)
    except Unreadable as why:
        return [], [note(group[0], str(why))]
    except MemoryError:
        return [], [note(group[0], "Working out its repeats takes more memory than is allowed")]
    except Exception:
        # Whatever else the library stumbles over: this event is lost, the file is not.
        return [], [note(group[0], "Its dates cannot be worked out")]


def note(component: Component, why: str, key: str = "") -> Note:
    """A note on an event that is not counted."""
    return component["line"], component["title"], f"{why}, so it is not counted as busy.", key


# ------------------------------------------------------------------------------------------------ one group


@dataclass(slots=True)
class Event:
    """One VEVENT whose values have been read.

    ``start`` is a date or an aware datetime. ``doubts`` matter only where the event takes time in the days asked for;
    ``losses`` are times of it that cannot be taken over.
    """

    component: Component
    start: date
    zone: tzinfo
    length: timedelta
    nominal: bool = False
    rules: list[dict[str, str]] = field(default_factory=list)
    extra: list[tuple[date, timedelta | None]] = field(default_factory=list)
    excluded: list[date] = field(default_factory=list)
    replaces: date | None = None
    onwards: bool = False
    doubts: list[Note] = field(default_factory=list)
    losses: list[Note] = field(default_factory=list)

    @property
    def repeats(self) -> bool:
        return bool(self.rules or self.extra)

    @property
    def timed(self) -> bool:
        return isinstance(self.start, datetime)


def expand(group: list[Component], zones: Zones, job: dict[str, Any]) -> tuple[list[Found], list[Note]]:
    """The busy spans of the events of one series: a first event, and those that replace some of its repeats."""
    notes: list[Note] = []
    events = []
    for component in group:
        try:
            event = read_event(component, zones, job)
        except Unreadable as why:
            notes.append(note(component, str(why)))
        else:
            if event is not None:
                events.append(event)
    spans: list[Found] = []
    whole_days = 0
    for event, start, end in occurrences(events, zones, job):
        if not event.component["busy"] or end <= job["start"] or start >= job["end"]:
            continue
        if not event.timed and not job["all_day"]:
            whole_days += 1
            continue
        spans.append((start, end, event.component["title"]))
    if whole_days:
        notes.append(all_day_note(events[0]))
    notes.extend(loss for event in events for loss in event.losses)
    if spans:
        notes.extend(doubt for event in events for doubt in dict.fromkeys(event.doubts))
    return spans, notes


def all_day_note(event: Event) -> Note:
    sentence = "It is an all-day event, and those are not counted as busy here; say so if it takes the day."
    return event.component["line"], event.component["title"], sentence, "all-day"


def occurrences(events: list[Event], zones: Zones, job: dict[str, Any]) -> list[tuple[Event, int, int]]:
    """Each occurrence near the days asked for: its event, start and end (UNIX time)."""
    if len(events) == 1 and not events[0].repeats:
        event, zone = events[0], events[0].zone
        return [(event, *instants(event, wall(event.start, zone), wall(event.start, zone) + event.length, zone, zones))]
    if not events:
        return []
    first = next((event for event in events if event.replaces is None), None)
    zone = (first or events[0]).zone
    return [
        (events[index], *instants(events[index], start, end, zone, zones))
        for index, start, end in repeats(events, first, zone, job)
    ]


def repeats(
    events: list[Event], first: Event | None, zone: tzinfo, job: dict[str, Any]
) -> Iterator[tuple[int, date, date]]:
    """What recurring-ical-events finds in the window and two days around it, in wall-clock time of ``zone``."""
    import icalendar
    import recurring_ical_events

    calendar = icalendar.Calendar()
    for index, event in enumerate(events):
        calendar.add_component(component_for_library(event, index, first, zone))
    low = datetime.fromtimestamp(job["start"], zone).replace(tzinfo=None) - 2 * ONE_DAY
    high = datetime.fromtimestamp(job["end"], zone).replace(tzinfo=None) + 2 * ONE_DAY
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # about rules that the guard has let through knowingly
        found = recurring_ical_events.CalendarQuery(calendar, components=[bare_events()]).between(low, high)
    if len(found) > MAX_REPEATS:
        raise Unreadable(f"It repeats more than {MAX_REPEATS:,} times in these days")
    for occurrence in found:
        yield occurrence["INDEX"], occurrence["START"], occurrence["END"]


@cache
def bare_events() -> Any:
    """The library's way to read events, but its answers are index, start and end instead of whole components."""
    from recurring_ical_events import EventAdapter
    from recurring_ical_events.selection.name import ComponentsWithName

    class Bare(EventAdapter):  # type: ignore[misc]
        def as_component(self, start: date, stop: date, keep_recurrence_attributes: bool) -> dict[str, Any]:
            return {"INDEX": self._component["X-INDEX"], "START": start, "END": stop}

    return ComponentsWithName("VEVENT", Bare)


def component_for_library(event: Event, index: int, first: Event | None, zone: tzinfo) -> Any:
    """The event as icalendar has it, stripped of all but its times, which are wall-clock times of ``zone``."""
    import icalendar
    from icalendar.prop import vDDDLists, vDDDTypes, vRecur

    made = icalendar.Event()
    made["UID"], made["X-INDEX"], made["SEQUENCE"] = "series", index, event.component["sequence"]
    start = wall(event.start, zone)
    made["DTSTART"], made["DTEND"] = vDDDTypes(start), vDDDTypes(start + event.length)
    if event.replaces is not None:
        made["RECURRENCE-ID"] = vDDDTypes(same_type(event.replaces, first or event, zone))
        if event.onwards:
            made["RECURRENCE-ID"].params["RANGE"] = "THISANDFUTURE"
        return made
    if event.rules:
        made["RRULE"] = [vRecur.from_ical(rule_text(rule, event, zone)) for rule in event.rules]
    if event.extra:
        made["RDATE"] = vDDDLists([period(same_type(day, event, zone), length) for day, length in event.extra])
    if event.excluded:
        # A date excludes every repeat of its day, in a timed series too.
        days = [same_type(day, event, zone) if isinstance(day, datetime) else day for day in event.excluded]
        made["EXDATE"] = vDDDLists(days)
    return made


def period(start: date, length: timedelta | None) -> Any:
    return start if length is None else (start, length)


def wall(moment: date, zone: tzinfo) -> date:
    """A date as it is; an instant as the wall-clock time of a zone."""
    if not isinstance(moment, datetime):
        return moment
    return (moment if moment.tzinfo is zone else moment.astimezone(zone)).replace(tzinfo=None)


def same_type(moment: date, series: Event, zone: tzinfo) -> date:
    """A date or time in the type of its series.

    A date in a timed series means the repeat of that day; a time in an all-day series means its date as written.
    """
    if not series.timed:
        return moment.date() if isinstance(moment, datetime) else moment
    if isinstance(moment, datetime):
        return wall(moment, zone)
    start = wall(series.start, series.zone)
    assert isinstance(start, datetime)
    return wall(datetime.combine(moment, start.time(), series.zone), zone)


def instants(event: Event, start: date, end: date, zone: tzinfo, zones: Zones) -> tuple[int, int]:
    """Start and end of an occurrence as UNIX time.

    The end of an event with DTEND, or with a DURATION in hours, lies an exact time after its start; a DURATION
    in days or weeks is nominal (RFC 5545 §3.8.5.3). A whole day is one of the student's own zone.
    """
    if not isinstance(start, datetime) or not isinstance(end, datetime):
        return unix(datetime.combine(start, time.min), zones.home), unix(datetime.combine(end, time.min), zones.home)
    begins = unix(start, zone)
    if event.nominal:
        return begins, unix(end, zone)
    return begins, begins + int((end - start).total_seconds())


def unix(moment: datetime, zone: tzinfo) -> int:
    """The UNIX time of a wall-clock time.

    One that the clock jumps over is read with the offset before the jump; of one that comes twice, the first
    is meant (RFC 5545 §3.3.5; also what ``fold`` 0 means).
    """
    return int(moment.replace(tzinfo=zone).timestamp())


# ------------------------------------------------------------------------------------------------ one event


def read_event(component: Component, zones: Zones, job: dict[str, Any]) -> Event | None:
    """An event with its values read; ``None`` for a single one that lies outside the days asked for.

    Raises :class:`Unreadable` where it cannot be taken as busy time.
    """
    properties: Properties = {}
    for name, params, value in component["properties"]:
        properties.setdefault(name, []).append((params, value))
    if "DTSTART" not in properties:
        raise Unreadable("It has no start (DTSTART)")
    doubts: list[Note] = []
    start, zone = zones.moment(*properties["DTSTART"][0], component, doubts)
    check_year(start, "starts")
    repeated = "RRULE" in properties or "RDATE" in properties or "RECURRENCE-ID" in properties
    if not repeated and unix_of(start, zones) >= job["end"]:
        return None
    length, nominal, start = read_length(properties, start, zone, zones, component, doubts)
    if not repeated and unix_of(start, zones) + length.total_seconds() + 2 * 86_400 < job["start"]:
        return None
    check_length(start, length, repeated)
    event = Event(component, start, zone, length, nominal, doubts=doubts)
    if "RECURRENCE-ID" in properties:
        params, value = properties["RECURRENCE-ID"][0]
        event.replaces = zones.moment(params, value, component, doubts)[0]
        event.onwards = params.get("RANGE", "").upper() == "THISANDFUTURE"
    else:
        read_repeats(event, properties, zones)
    for name in ("DTSTART", "DTEND", "DURATION"):
        if len(properties.get(name, ())) > 1:
            doubts.append(doubt(component, f"It has more than one {name}; the first is used."))
    return event


def doubt(component: Component, sentence: str, key: str = "") -> Note:
    return component["line"], component["title"], sentence, key


def unix_of(moment: date, zones: Zones) -> int:
    if isinstance(moment, datetime):
        return int(moment.timestamp())
    return unix(datetime.combine(moment, time.min), zones.home)


def check_year(moment: date, verb: str) -> None:
    if moment.year not in YEARS:
        raise Unreadable(f"It {verb} in the year {moment.year}, outside {YEARS[0]} to {YEARS[-1]}")


def read_length(
    properties: Properties,
    start: date,
    zone: tzinfo,
    zones: Zones,
    component: Component,
    doubts: list[Note],
) -> tuple[timedelta, bool, date]:
    """How long the event lasts, whether its days are nominal, and its start (which may have to become a time)."""
    timed = isinstance(start, datetime)
    if "DTEND" in properties:
        if "DURATION" in properties:
            doubts.append(doubt(component, "It has both DTEND and DURATION; DTEND is used."))
        end = zones.moment(*properties["DTEND"][0], component, doubts)[0]
        if isinstance(end, datetime) != timed:
            doubts.append(doubt(component, "Of its start and end one is a date and one a time; midnight is meant."))
            start, end = at_midnight(start, zone), at_midnight(end, zone)
        if isinstance(start, datetime) and isinstance(end, datetime):
            return end.astimezone(UTC) - start.astimezone(UTC), False, start
        return end - start, False, start
    if "DURATION" in properties:
        length, days = read_duration(properties["DURATION"][0][1])
        if not timed and length % ONE_DAY:
            doubts.append(doubt(component, "It starts on a date but lasts for hours; midnight is meant."))
            start = at_midnight(start, zone)
        return length, days, start
    return (timedelta() if timed else ONE_DAY), False, start


def at_midnight(moment: date, zone: tzinfo) -> date:
    return moment if isinstance(moment, datetime) else datetime.combine(moment, time.min, zone)


def check_length(start: date, length: timedelta, repeated: bool) -> None:
    if length < timedelta():
        raise Unreadable("It ends before it starts")
    if not length:
        raise Unreadable("It has no length")
    if repeated and length > 366 * ONE_DAY:
        raise Unreadable("It repeats although it lasts longer than a year")
    try:
        check_year(start + length, "ends")
    except OverflowError:
        raise Unreadable("It ends after the year 9999") from None


DURATION = re.compile(
    r"([+-]?)P(?:(\d{1,5})W)?(?:(\d{1,7})D)?(?:T(?:(\d{1,7})H)?(?:(\d{1,9})M)?(?:(\d{1,9})S)?)?",
    re.IGNORECASE | re.ASCII,
)


def read_duration(text: str) -> tuple[timedelta, bool]:
    """The length that a DURATION value names (RFC 5545 §3.3.6), and whether it counts days."""
    match = DURATION.fullmatch(text.strip())
    if match is None or not any(match.groups()[1:]):
        raise Unreadable(f"Its duration {short(text)} is not one")
    weeks, days, hours, minutes, seconds = (int(part or 0) for part in match.groups()[1:])
    length = timedelta(weeks=weeks, days=days, hours=hours, minutes=minutes, seconds=seconds)
    return (-length if match[1] == "-" else length), bool(weeks or days)


def read_repeats(event: Event, properties: Properties, zones: Zones) -> None:
    """Adds the rules, extra dates and exceptions of an event to it."""
    component = event.component
    event.rules = component["rules"]
    for params, value in properties.get("RDATE", ()):
        for text in filter(None, map(str.strip, value.split(","))):
            try:
                extra, length = zones.period(params, text, component, event.doubts)
                check_year(extra, "has a date")
                if length is not None and length <= timedelta():
                    raise Unreadable("It ends before it starts")
            except Unreadable:
                sentence = f"Its extra date (RDATE) {short(text)} is not one, so that is not counted as busy."
                event.losses.append(doubt(component, sentence))
            else:
                event.extra.append((extra, length))
    for params, value in properties.get("EXDATE", ()):
        for text in filter(None, map(str.strip, value.split(","))):
            try:
                event.excluded.append(zones.moment(params, text, component, event.doubts)[0])
            except Unreadable:
                event.doubts.append(
                    doubt(component, f"An exception (EXDATE) {short(text)} is not a date; it is ignored.")
                )
    if "EXRULE" in properties:
        event.doubts.append(doubt(component, "Its rule of exceptions (EXRULE) is no longer a standard; it is ignored."))
    if any({"COUNT", "UNTIL"} <= rule.keys() for rule in event.rules):
        event.doubts.append(doubt(component, "Its rule has both COUNT and UNTIL; it ends with the first of the two."))
    if any(until_passed(rule, event) for rule in event.rules):
        raise Unreadable("Its rule ends before its start")


def until_passed(rule: dict[str, str], event: Event) -> bool:
    return rule.get("UNTIL", "9")[:8] < (event.start - ONE_DAY).strftime("%Y%m%d")


def rule_text(rule: dict[str, str], event: Event, zone: tzinfo) -> str:
    """The rule with its UNTIL in the type of the event's start, as a wall-clock time of ``zone``."""
    parts = {name: value for name, value in rule.items() if name != "UNTIL"}
    until = rule.get("UNTIL")
    if until is not None and int(until[:4]) in YEARS:
        parts["UNTIL"] = until_text(until, event.timed, zone)
    return ";".join(f"{name}={value}" for name, value in parts.items())


def until_text(until: str, timed: bool, zone: tzinfo) -> str:
    """UNTIL for a wall-clock start: a date alone lasts to the end of that day; an all-day rule needs the date only."""
    if not timed:
        return until[:8]
    if "T" not in until:
        return f"{until}T235959"
    moment = parse_time(until.removesuffix("Z"))
    if until.endswith("Z"):
        moment = moment.replace(tzinfo=UTC).astimezone(zone).replace(tzinfo=None)
    return moment.strftime("%Y%m%dT%H%M%S")


# ------------------------------------------------------------------------------------------------ times and zones


TIME = re.compile(r"(\d{8})(?:T(\d{6})(Z?))?", re.IGNORECASE | re.ASCII)


def parse_time(text: str) -> datetime:
    """A DATE or DATE-TIME value (RFC 5545 §3.3.4, §3.3.5) without its zone; a leap second is the one before it."""
    match = TIME.fullmatch(text)
    if match is None:
        raise Unreadable(f"Its date {short(text)} is not one")
    digits = match[1] + (match[2] or "000000")
    if digits.endswith("60"):
        digits = f"{digits[:-2]}59"
    try:
        return datetime.strptime(digits, "%Y%m%d%H%M%S")  # noqa: DTZ007
    except ValueError:
        raise Unreadable(f"Its date {short(text)} does not exist") from None


def short(text: str) -> str:
    """A value for a sentence: at most 40 characters, in quotes."""
    return f"“{text if len(text) <= 40 else text[:39] + '…'}”"


class Zones:
    """What the time-zone names of one file mean, and the reading of its times."""

    def __init__(self, job: dict[str, Any]) -> None:
        self.name: str = job["zone"]
        self.home: tzinfo = ZoneInfo(job["zone"])
        self._calendars: list[dict[str, Any]] = job["calendars"]
        self._known: dict[tuple[int, str], tzinfo | None] = {}

    def moment(
        self, params: dict[str, str], text: str, component: Component, doubts: list[Note]
    ) -> tuple[date, tzinfo]:
        """A date (with the student's zone) or an aware time (with its own).

        A time without a zone, or with one that nobody knows, is taken in the calendar's zone (X-WR-TIMEZONE),
        else in the student's, and leaves a doubt.
        """
        text = text.strip()
        there = parse_time(text)
        if "T" not in text.upper():
            return there.date(), self.home
        if text[-1] in "Zz":
            return there.replace(tzinfo=UTC), UTC
        zone = self._zone_of(component["calendar"], params.get("TZID", ""), component, doubts)
        return there.replace(tzinfo=zone), zone

    def period(
        self, params: dict[str, str], text: str, component: Component, doubts: list[Note]
    ) -> tuple[date, timedelta | None]:
        """A start, and the length where the value is a PERIOD (RFC 5545 §3.3.9)."""
        first, slash, second = text.partition("/")
        start = self.moment(params, first, component, doubts)[0]
        if not slash:
            return start, None
        if second.lstrip("+-")[:1].upper() == "P":
            return start, read_duration(second)[0]
        end = self.moment(params, second, component, doubts)[0]
        if not isinstance(start, datetime) or not isinstance(end, datetime):
            raise Unreadable(f"Its period {short(text)} is not one")
        return start, end.astimezone(UTC) - start.astimezone(UTC)

    def _zone_of(self, calendar: int, name: str, component: Component, doubts: list[Note]) -> tzinfo:
        if name:
            zone = self._look_up(calendar, name)
            if zone is not None:
                return zone
            sentence = f"Its time zone {short(name)} is not known; its times are taken in {self.name}."
            doubts.append(doubt(component, sentence, f"zone {name}"))
            return self.home
        own = self._look_up(calendar, self._calendars[calendar]["zone"])
        if own is not None:
            return own
        sentence = f"Its times name no time zone; they are taken in {self.name}."
        doubts.append(doubt(component, sentence, "floating"))
        return self.home

    def _look_up(self, calendar: int, name: str) -> tzinfo | None:
        key = (calendar, name)
        if key not in self._known:
            self._known[key] = self._find(calendar, name)
        return self._known[key]

    def _find(self, calendar: int, name: str) -> tzinfo | None:
        """By the tz database, by Windows' names, by the file's own definition, by the name's last parts."""
        from icalendar.timezone.windows_to_olson import WINDOWS_TO_OLSON

        plain = name.strip().strip("/")
        zone = in_database(plain) or in_database(WINDOWS_TO_OLSON.get(plain, ""))
        if zone is not None:
            return zone
        definitions = [self._calendars[calendar], *self._calendars]
        defined = next((each["zones"][name] for each in definitions if name in each["zones"]), None)
        if defined is not None:
            return in_database(defined["location"].strip()) or defined_zone(defined["observances"])
        parts = plain.split("/")
        return next(filter(None, (in_database("/".join(parts[n:])) for n in range(1, min(len(parts), 6)))), None)


def in_database(name: str) -> tzinfo | None:
    """The zone of the tz database with that name."""
    if not re.fullmatch(r"[A-Za-z][A-Za-z0-9_+/-]{1,60}", name, re.ASCII) or name in NOT_A_PLACE:
        return None
    try:
        return ZoneInfo(name)
    except (ValueError, OSError, KeyError):  # no such file, a folder, something else than a zone
        return None


def defined_zone(observances: list[dict[str, Any]]) -> tzinfo | None:
    """The zone that a VTIMEZONE defines (RFC 5545 §3.6.5); ``None`` where it makes no sense."""
    from dateutil.tz import tzical

    if not 1 <= len(observances) <= MAX_OBSERVANCES:
        return None
    lines = ["BEGIN:VTIMEZONE", "TZID:own"]
    try:
        for observance in observances:
            lines += observance_lines(observance)
        zone = tzical(StringIO("\n".join([*lines, "END:VTIMEZONE"]))).get()
        datetime(2000, 1, 1, tzinfo=zone).utcoffset()
    except (ValueError, KeyError, TypeError, AttributeError, OverflowError):
        return None
    return zone


OFFSET = re.compile(r"[+-](0\d|1[0-4])[0-5]\d([0-5]\d)?", re.ASCII)


def observance_lines(observance: dict[str, Any]) -> list[str]:
    """A STANDARD or DAYLIGHT part as dateutil reads it; raises ValueError where it is not sound."""
    lines = [f"BEGIN:{observance['kind']}", f"DTSTART:{parse_time(observance['DTSTART']):%Y%m%dT%H%M%S}"]
    for name in ("TZOFFSETFROM", "TZOFFSETTO"):
        if not OFFSET.fullmatch(observance[name]):
            raise Unreadable(name)
        lines.append(f"{name}:{observance[name]}")
    if "RRULE" in observance:
        lines.append("RRULE:" + ";".join(f"{name}={value}" for name, value in observance["RRULE"].items()))
    for value in observance.get("RDATE", ()):
        lines += [f"RDATE:{parse_time(text):%Y%m%dT%H%M%S}" for text in value.split(",")]
    return [*lines, f"END:{observance['kind']}"]


# ------------------------------------------------------------------------------------------------ free and busy


def free_busy(component: Component, zones: Zones, job: dict[str, Any]) -> tuple[list[Found], list[Note]]:
    """The busy periods of a VFREEBUSY; every FBTYPE but FREE is busy, unknown ones too (RFC 5545 §3.2.9)."""
    spans: list[Found] = []
    notes: list[Note] = []
    texts = [
        (params, text)
        for _, params, value in component["properties"]
        if params.get("FBTYPE", "").upper() != "FREE"
        for text in filter(None, map(str.strip, value.split(",")))
    ]
    for params, text in texts:
        try:
            start, length = zones.period(params, text, component, notes)
        except Unreadable:
            length, start = None, date.min
        if length is None or length <= timedelta() or start.year not in YEARS:
            notes.append(doubt(component, f"Its period {short(text)} is not one; it is not counted as busy."))
            continue
        begins = unix_of(start, zones)
        ends = begins + int(length.total_seconds())
        if begins < job["end"] and ends > job["start"]:
            spans.append((begins, ends, component["title"]))
    return spans, notes


if __name__ == "__main__":  # pragma: no cover
    serve(sys.stdin.buffer, sys.stdout.buffer)
