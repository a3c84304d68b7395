"""Reads a calendar file on standard input with libical and writes its events as JSON: see tests/judges.py.

Runs under the system's Python, to which Debian's gir1.2-ical-3.0 belongs. With the argument ``restrictions`` it writes
what libical's check of the rules of iTIP (RFC 5546) has to say instead.
"""

import json
import sys

import gi

gi.require_version("ICalGLib", "3.0")
from gi.repository import ICalGLib as Lib  # noqa: E402


def children(component, kind):
    """The components of a kind right inside another."""
    child = component.get_first_component(kind)
    while child:
        yield child
        child = component.get_next_component(kind)


def moment(time):
    """A date as text, a moment as seconds since 1970."""
    if time.is_date():
        return time.as_ical_string()
    return time.as_timet_with_zone(time.get_timezone())


def alarm(component):
    """Action, seconds to the start, and text."""
    trigger = component.get_first_property(Lib.PropertyKind.TRIGGER_PROPERTY).get_trigger()
    return {
        "action": component.get_first_property(Lib.PropertyKind.ACTION_PROPERTY).get_value_as_string(),
        "seconds": trigger.get_duration().as_int(),
        "description": component.get_description(),
    }


def event(component):
    """What the judges compare of an event."""
    return {
        "uid": component.get_uid(),
        "start": moment(component.get_dtstart()),
        "end": moment(component.get_dtend()),
        "summary": component.get_summary(),
        "description": component.get_description(),
        "alarms": [alarm(a) for a in children(component, Lib.ComponentKind.VALARM_COMPONENT)],
    }


def complaints(component):
    """The errors that libical notes inside a component and all that it holds."""
    found = []
    prop = component.get_first_property(Lib.PropertyKind.XLICERROR_PROPERTY)
    while prop:
        found.append(prop.get_value_as_string())
        prop = component.get_next_property(Lib.PropertyKind.XLICERROR_PROPERTY)
    for child in children(component, Lib.ComponentKind.ANY_COMPONENT):
        found += complaints(child)
    return found


calendar = Lib.Component.new_from_string(sys.stdin.buffer.read().decode())
if "restrictions" in sys.argv:
    sound = Lib.restriction_check(calendar)
    answer = complaints(calendar) + ([] if sound else ["the restriction check failed"])
else:
    answer = [event(e) for e in children(calendar, Lib.ComponentKind.VEVENT_COMPONENT)]
json.dump(answer, sys.stdout)
