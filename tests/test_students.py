"""Mending is worth something: of the musts as many are seen twice as without it, and more where days were lost."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from calplan.planner import make_plan
from calplan.replan import mend, worth_fitting
from calplan.request import read
from tests.students import (
    EVENING,
    FIXTURES,
    MORNING,
    STUDENTS,
    Life,
    When,
    problems_of,
    reached,
    table,
    word,
    worked,
)

if TYPE_CHECKING:
    from calplan.checkins import Entry


def test_mending_is_never_worse_and_better_where_days_are_lost() -> None:
    rows = {row.student: row for row in table(("chemistry-30.toml",), runs=2, levels=(1,))}
    assert all(row.mended.twice >= row.published.twice for row in rows.values()), rows
    assert all(row.mended.refused == 0 for row in rows.values()), rows
    for student in ("loses every fifth day", "stops for a week"):
        assert rows[student].mended.twice > rows[student].published.twice, rows
    assert rows["keeps to the plan"].mended.twice == 1.0


def test_what_is_worth_fitting_changes_the_plan_and_is_then_fitted() -> None:
    """The offer is made by a short cut; mending, which is not, must agree with it on each morning of these lives."""
    request = read((FIXTURES / "chemistry-10.toml").read_bytes(), name="chemistry-10.toml")
    calendars = {one.file: (FIXTURES / one.file).read_bytes() for one in request.calendars}
    zone, offers = ZoneInfo(request.zone), 0
    begin = request.exams[0].start.date() - timedelta(days=10)
    for student in STUDENTS[:4]:
        log: list[Entry] = []
        plan = make_plan(request, calendars, as_of=datetime.combine(begin, MORNING, zone))
        life = Life(request.rates, problems_of(plan, request.rates, 2, "seed"), {}, {})
        for number in range(10):
            today = begin + timedelta(days=number)
            now = datetime.combine(today, MORNING, zone)
            offered = worth_fitting(plan, request, log, as_of=now)
            new = mend(plan, request, request, calendars, log, as_of=now)
            assert not offered or new != plan
            assert not worth_fitting(new, request, log, as_of=now)
            offers, plan = offers + offered, new
            for block in [one for one in plan.blocks if one.day == today and one.parts]:
                here = student.works(When(number, 10, 0))
                done = reached(plan, block, student) if here else 0
                found = worked(plan, block, done, life, today)
                log.append(word(block, done, here, found, datetime.combine(today, EVENING, zone)))
    assert offers > 5


def test_where_days_are_full_a_flagged_must_does_not_give_way_to_every_first_pass() -> None:
    """In ten full days both measures count: what is seen at all, as without mending or better, and seen again."""
    [row] = [one for one in table(("chemistry-10.toml",), runs=5, levels=(1,)) if one.student.startswith("loses")]
    assert row.mended.once > row.published.once
    assert row.mended.twice > 0.4
