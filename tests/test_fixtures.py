"""Every request in fixtures/, from its bytes to a calendar that five foreign parsers read alike.

Three judgements on each: the linter finds nothing on the byte level (RFC 5545, RFC 7986), all parsers that are present
see the same UIDs, instants and texts, and what they see obeys the rules of a sound plan.
"""

from __future__ import annotations

from datetime import UTC, datetime, time, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from calplan import rules
from calplan.ical import to_ics
from calplan.model import Plan, Request, plan_from_json, to_json
from calplan.planner import make_plan
from calplan.request import read
from tests.conftest import extra
from tests.judges import assert_agree, libical_present, node_present
from tests.linter import lint

FIXTURES = Path(__file__).parent.parent / "fixtures"
REQUESTS = sorted([*FIXTURES.glob("*.toml"), *FIXTURES.glob("*.json")])


def planned(path: Path) -> tuple[Request, Plan]:
    """The plan of a fixture, from the first moment of its first day on (without one: thirty days before its exam)."""
    request = read(path.read_bytes(), name=path.name)
    calendars = {one.file: (FIXTURES / one.file).read_bytes() for one in request.calendars}
    first = request.start or min(exam.start for exam in request.exams).date() - timedelta(days=30)
    as_of = datetime.combine(first, time.min, ZoneInfo(request.zone)).astimezone(UTC)
    return request, make_plan(request, calendars, as_of=as_of)


@pytest.fixture(scope="module", params=REQUESTS, ids=lambda path: path.name)
def made(request: pytest.FixtureRequest) -> tuple[Request, Plan, bytes]:
    asked, plan = planned(request.param)
    return asked, plan, to_ics(plan, asked)


def test_there_are_at_least_eight_invented_requests() -> None:
    assert len(REQUESTS) >= 8


def test_the_plan_is_sound_and_its_document_comes_back(made: tuple[Request, Plan, bytes]) -> None:
    request, plan, _ = made
    assert rules.check(request, plan) == ()
    assert plan_from_json(to_json(plan)) == plan
    assert plan.blocks


def test_the_calendar_has_no_fault_on_the_byte_level(made: tuple[Request, Plan, bytes]) -> None:
    assert lint(made[2]) == []


def test_foreign_parsers_read_the_same_plan_from_the_calendar(made: tuple[Request, Plan, bytes]) -> None:
    request, plan, data = made
    seen = assert_agree(data)
    timed = [(one.uid, one.start, one.end) for one in seen if isinstance(one.start, datetime)]
    assert len(timed) == len(plan.blocks)
    assert rules.check_times(plan, request, timed) == ()
    assert len(seen) - len(timed) == len(plan.exams)


def test_node_judges_too() -> None:
    """ical.js is among the judges of the test above."""
    extra("node", node_present(), "Node, or ical.js in tests/judges, is not installed")
    assert node_present()


def test_libical_judges_too() -> None:
    """libical is among the judges of the test above."""
    extra("libical", libical_present(), "the system's Python does not find libical (gir1.2-ical-3.0, python3-gi)")
    assert libical_present()
