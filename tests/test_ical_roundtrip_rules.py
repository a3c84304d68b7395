"""The calendar file of a sound plan, read back by parsers that this project did not write, still breaks no rule.

The readers are icalendar, vobject and ical. Each gives UID, start and end of the timed events; the checker then holds
them against the plan's blocks and against every constraint on the student's time.
"""

from __future__ import annotations

from datetime import date, datetime
from typing import TYPE_CHECKING

import icalendar
import pytest
import vobject
from ical.calendar_stream import IcsCalendarStream

from calplan.ical import to_ics
from calplan.rules import check, check_times
from tests.test_rules import Draft, Scene

if TYPE_CHECKING:
    from collections.abc import Callable

Event = tuple[str, datetime, datetime]


def by_icalendar(data: bytes) -> list[Event]:
    read = icalendar.Calendar.from_ical(data)
    return [(str(e["UID"]), e.start, e.end) for e in read.walk("VEVENT") if isinstance(e.start, datetime)]


def by_vobject(data: bytes) -> list[Event]:
    read = vobject.readOne(data.decode())
    events = [(e.uid.value, e.dtstart.value, e.dtend.value) for e in read.vevent_list]
    return [event for event in events if isinstance(event[1], datetime)]


def by_ical(data: bytes) -> list[Event]:
    read = IcsCalendarStream.calendar_from_ics(data.decode())
    return [(e.uid or "", e.dtstart, e.dtend) for e in read.events if isinstance(e.dtstart, datetime)]


SCENES = {
    "spring-and-no-change": ("America/New_York", date(2026, 5, 4)),
    "clock-goes-back": ("Europe/London", date(2026, 10, 20)),
    "clock-goes-forward": ("America/New_York", date(2026, 2, 27)),
    "half-hour-zone": ("Asia/Kolkata", date(2026, 12, 24)),
    "half-hour-change": ("Australia/Lord_Howe", date(2026, 9, 28)),
}


@pytest.mark.parametrize("read", [by_icalendar, by_vobject, by_ical])
@pytest.mark.parametrize("name", SCENES)
def test_a_written_plan_comes_back_with_the_same_instants(name: str, read: Callable[[bytes], list[Event]]) -> None:
    """Clock changes of 2026 as in the tz database: London 25 October, New York 8 March, Lord Howe 4 October."""
    scene = Scene(*SCENES[name])
    assert check(scene.request, scene.plan) == ()
    assert check_times(scene.plan, scene.request, read(to_ics(scene.plan, scene.request))) == ()


@pytest.mark.parametrize("read", [by_icalendar, by_vobject, by_ical])
def test_a_file_that_says_another_hour_is_found_out(read: Callable[[bytes], list[Event]]) -> None:
    scene = Scene()
    moved = Draft(scene).start("5 0", 5, 30)
    found = check_times(scene.plan, scene.request, read(to_ics(moved.plan, scene.request)))
    assert {fault.code for fault in found} == {"event-moved"}
