"""Foreign judges: parsers that nobody here wrote read the same calendar file and must see the same events.

Three come from PyPI (icalendar, ``ical``, which is strict, and vobject), one from npm (ical.js, run by Node) and one
from Debian (libical, by way of the system's Python). ``judge`` gives what each of those that are present reads, in one
neutral shape; ``assert_agree`` compares them. The last two are extras: see ``extra`` in tests/conftest.py.
"""

from __future__ import annotations

import json
import subprocess
from datetime import UTC, date, datetime, timedelta
from functools import cache
from pathlib import Path
from shutil import which
from typing import Any, NamedTuple

import icalendar
import vobject
from ical.calendar_stream import IcsCalendarStream

HERE = Path(__file__).parent / "judges"
SYSTEM_PYTHON = "/usr/bin/python3"


class Alarm(NamedTuple):
    """Its action, how long after the start it rings (negative: before), and its text."""

    action: str
    after: timedelta
    description: str


class Seen(NamedTuple):
    """An event as a parser sees it; start and end are moments in UTC, or dates for a whole day."""

    uid: str
    start: datetime | date
    end: datetime | date
    summary: str
    description: str
    alarms: tuple[Alarm, ...]


def judge(data: bytes) -> dict[str, list[Seen]]:
    """What each parser that is present on this machine reads in a calendar file, ordered by start and UID."""
    readers = {"icalendar": with_icalendar, "ical": with_ical, "vobject": with_vobject}
    if node_present():
        readers["ical.js"] = with_icaljs
    if libical_present():
        readers["libical"] = with_libical
    return {name: sorted(read(data), key=lambda e: (str(e.start), e.uid)) for name, read in readers.items()}


def assert_agree(data: bytes) -> list[Seen]:
    """That all judges read the same, and libical finds no restriction broken; gives what they read."""
    verdicts = judge(data)
    seen = verdicts["icalendar"]
    for name, events in verdicts.items():
        assert events == seen, f"{name} reads this calendar otherwise than icalendar"
    if "libical" in verdicts:
        assert restrictions(data) == []
    return seen


# ------------------------------------------------------------------------------------------------------------ from PyPI


def with_icalendar(data: bytes) -> list[Seen]:
    return [
        Seen(
            uid=str(event["UID"]),
            start=_utc(event["DTSTART"].dt),
            end=_utc(event["DTEND"].dt),
            summary=str(event["SUMMARY"]),
            description=str(event["DESCRIPTION"]),
            alarms=tuple(Alarm(str(a["ACTION"]), a["TRIGGER"].dt, str(a["DESCRIPTION"])) for a in event.walk("VALARM")),
        )
        for event in icalendar.Calendar.from_ical(data).walk("VEVENT")
    ]


def with_ical(data: bytes) -> list[Seen]:
    return [
        Seen(
            uid=event.uid,
            start=_utc(event.dtstart),
            end=_utc(event.dtend),
            summary=event.summary or "",
            description=event.description or "",
            alarms=tuple(Alarm(str(a.action), a.trigger, a.description or "") for a in event.alarm),
        )
        for event in IcsCalendarStream.calendar_from_ics(data.decode()).events
    ]


def with_vobject(data: bytes) -> list[Seen]:
    return [
        Seen(
            uid=event.uid.value,
            start=_utc(event.dtstart.value),
            end=_utc(event.dtend.value),
            summary=event.summary.value,
            description=event.description.value,
            alarms=tuple(
                Alarm(a.action.value, a.trigger.value, a.description.value) for a in event.contents.get("valarm", [])
            ),
        )
        for event in vobject.readOne(data.decode()).contents.get("vevent", [])
    ]


def _utc(moment: datetime | date) -> datetime | date:
    return moment.astimezone(UTC) if isinstance(moment, datetime) else moment


# ------------------------------------------------------------------------------------------- from npm and from Debian


@cache
def node_present() -> bool:
    """Whether Node and ical.js are here (``npm install`` in tests/judges brings the latter)."""
    return which("node") is not None and (HERE / "node_modules" / "ical.js").is_dir()


@cache
def libical_present() -> bool:
    """Whether the system's Python can load libical (Debian: python3-gi and gir1.2-ical-3.0)."""
    script = "import gi; gi.require_version('ICalGLib', '3.0'); from gi.repository import ICalGLib"
    try:
        return subprocess.run([SYSTEM_PYTHON, "-c", script], capture_output=True, timeout=60).returncode == 0
    except OSError:
        return False


def with_icaljs(data: bytes) -> list[Seen]:
    return _seen(_run(["node", str(HERE / "read_ics.mjs")], data))


def with_libical(data: bytes) -> list[Seen]:
    return _seen(_run([SYSTEM_PYTHON, str(HERE / "read_libical.py")], data))


def restrictions(data: bytes) -> list[str]:
    """What libical's check of iTIP's rules (RFC 5546 §3.2.1) finds wrong, in a copy that is made a publication."""
    copy = data.replace(b"\r\nBEGIN:VEVENT\r\n", b"\r\nBEGIN:VEVENT\r\nORGANIZER:mailto:plan@example.org\r\n")
    copy = copy.replace(b"BEGIN:VCALENDAR\r\n", b"BEGIN:VCALENDAR\r\nMETHOD:PUBLISH\r\n", 1)
    return _run([SYSTEM_PYTHON, str(HERE / "read_libical.py"), "restrictions"], copy)


def _run(command: list[str], data: bytes) -> Any:
    done = subprocess.run(command, input=data, capture_output=True, timeout=60, cwd=HERE)
    if done.returncode:
        raise AssertionError(f"{Path(command[-1]).name} cannot read this calendar: {done.stderr.decode()[-2000:]}")
    return json.loads(done.stdout)


def _seen(events: list[dict[str, Any]]) -> list[Seen]:
    return [
        Seen(
            uid=event["uid"],
            start=_moment(event["start"]),
            end=_moment(event["end"]),
            summary=event["summary"],
            description=event["description"],
            alarms=tuple(
                Alarm(a["action"], timedelta(seconds=a["seconds"]), a["description"]) for a in event["alarms"]
            ),
        )
        for event in events
    ]


def _moment(value: str | int) -> datetime | date:
    return date.fromisoformat(value) if isinstance(value, str) else datetime.fromtimestamp(value, UTC)
