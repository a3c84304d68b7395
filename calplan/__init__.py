"""calplan turns exams, class material and a half-full week into a dated study plan in the student's calendar.

    request = calplan.read(document, name="request.toml")
    plan = calplan.make_plan(request, calendars, as_of=moment)
    data = calplan.to_ics(plan, request)

Everything public is named here; each name is imported when it is first used, so that a program pays only for what it
needs.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

_HOME = {
    "BadCalendar": "errors",
    "BrokenPlan": "errors",
    "CalplanError": "errors",
    "Fault": "errors",
    "InvalidRequest": "errors",
    "NoPlan": "errors",
    "Plan": "model",
    "Problem": "errors",
    "Request": "model",
    "Step": "planner",
    "check": "rules",
    "from_mapping": "request",
    "make_plan": "planner",
    "plan_from_json": "model",
    "read": "request",
    "to_ics": "ical",
    "to_json": "model",
    "trade_off": "planner",
}

__all__ = sorted(_HOME)


def __getattr__(name: str) -> Any:
    """The public name, from the module that it lives in (PEP 562)."""
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOME[name]}"), name)
