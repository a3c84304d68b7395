"""Class plans: the same topics on the same days for all of a section, each at the student's own hours.

The days are read from the plans' JSON and compared with the class's; that a plan is sound is the checker's to say.
"""

from __future__ import annotations

import io
import json
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, date, datetime
from functools import cache
from pathlib import Path
from typing import Any

import icalendar
import pytest

from calplan.batches import run_rows
from calplan.cohort import Made, Run, class_plans
from calplan.courses import read_courses
from calplan.errors import InvalidRequest
from calplan.folders import Folder
from calplan.model import plan_from_json
from calplan.outcomes import Status
from calplan.request import from_mapping
from calplan.roster import distinct, read_roster
from calplan.rules import check

COHORT = Path(__file__).parents[1] / "fixtures" / "cohort"
NOW = datetime(2027, 1, 5, 12, tzinfo=UTC)
TOGETHER = (
    (COHORT / "courses.toml")
    .read_text()
    .replace('start = "2027-02-04T09:00"', 'start = "2027-02-04T09:00"\ntogether = true')
)

ROSTER = """\
reference,course,section,study_hours,usual,limit,days_off,calendar,extra_time,count practice
like-all,chemistry,A,,,,,,,
own-hours,chemistry,A,weekdays 18:00-20:00; weekend 11:00-13:00,,,,,,
longer-week,chemistry,A,daily 08:00-21:00,,,,,,
no-timetable,chemistry,A,,,,,none,,
day-lost,chemistry,A,,,,2027-01-13,,,
two-courses,chemistry; civics,A; 1,,,90,,,,
weekends,chemistry,A,weekend 09:00-15:00,,120,,,,
granted,chemistry,A,,,,,,25,
other-section,chemistry,B,,,,,,,
less,chemistry,A,,,,,,,20
"""


@cache
def outcomes() -> tuple[dict[str, Made], Any]:
    """What became of the roster, by reference, and the class's plan as plain JSON."""
    run = Run(TOGETHER.encode(), NOW, "seed")
    files = Folder(COHORT)
    run = run._replace(classes=class_plans(run, files))
    rows = distinct(read_roster(io.BytesIO(ROSTER.encode())))
    made = run_rows(rows, run, files, lambda: ThreadPoolExecutor(1), workers=1)
    (whole,) = run.classes
    return {one.outcome.reference: one for one in made}, json.loads(whole.plan)


def topics(plan: Any) -> dict[str, set[str]]:
    """The days of each topic of chemistry; what fills days, and a whole paper, is none."""
    roles = {task["id"]: (task["exam"], task["role"]) for task in plan["tasks"]}
    found: dict[str, set[str]] = {}
    for day in plan["days"]:
        for part in day.get("parts", ()):
            exam, role = roles[part["task"]]
            if exam == "chemistry" and role not in ("encore", "paper"):
                found.setdefault(part["task"], set()).add(day["day"])
    return found


@pytest.mark.parametrize("reference", ["like-all", "own-hours", "longer-week", "no-timetable", "granted"])
def test_whose_week_has_room_does_the_same_on_the_same_days(reference: str) -> None:
    made, whole = outcomes()
    assert topics(json.loads(made[reference].plan)) == topics(whole)
    assert not [one for one in made[reference].outcome.sentences if one.startswith("Not with the class")]


def test_only_clock_times_differ() -> None:
    made, _ = outcomes()
    starts = {
        name: {
            str(event.start.time())
            for event in icalendar.Calendar.from_ical(made[name].ics).walk("VEVENT")
            if isinstance(event.start, datetime)
        }
        for name in ("like-all", "own-hours")
    }
    assert starts["like-all"] != starts["own-hours"]


def test_a_lost_day_s_work_goes_to_a_day_beside_it_and_is_told() -> None:
    made, whole = outcomes()
    theirs, mine = topics(whole), topics(json.loads(made["day-lost"].plan))
    moved = {task for task in theirs if theirs[task] != mine.get(task)}
    assert moved
    assert moved <= {task for task, days in theirs.items() if "2027-01-13" in days}
    for task in moved:
        come = mine[task] - theirs[task]
        assert come, task
        assert all(abs(date.fromisoformat(day) - date(2027, 1, 13)).days <= 3 for day in come), come
    outcome = made["day-lost"].outcome
    assert outcome.status is Status.WARNINGS
    assert [one for one in outcome.sentences if one.startswith("Not with the class, what it does on Wed 13 Jan (on ")]


def test_who_has_no_room_on_such_days_is_listed_with_each_of_them() -> None:
    made, whole = outcomes()
    days = {day for days in topics(whole).values() for day in days}
    weekdays = {day for day in days if date.fromisoformat(day).weekday() < 5}
    (told,) = [one for one in made["weekends"].outcome.sentences if one.startswith("Not with the class")]
    assert told.count(" (") >= len(weekdays) // 2
    mine = topics(json.loads(made["weekends"].plan))
    assert {date.fromisoformat(day).weekday() for days in mine.values() for day in days} <= {5, 6}


def test_who_has_less_of_a_topic_than_the_others_is_not_said_to_have_no_room() -> None:
    made, _ = outcomes()
    assert "finds no room" not in " ".join(made["less"].outcome.sentences)
    assert made["less"].outcome.status is not Status.CANNOT_FIT


def test_a_second_course_is_fitted_around_the_class_s_days() -> None:
    made, whole = outcomes()
    mine = topics(json.loads(made["two-courses"].plan))
    same = [task for task, days in topics(whole).items() if mine.get(task) == days]
    assert len(same) >= 0.8 * len(topics(whole))


def test_every_plan_is_sound_and_has_events_of_its_own() -> None:
    made, whole = outcomes()
    seen = {block["uid"] for block in whole["blocks"]}
    for one in made.values():
        request = from_mapping(json.loads(one.request))
        assert check(request, plan_from_json(one.plan)) == ()
        events = icalendar.Calendar.from_ical(one.ics).walk("VEVENT")
        uids = {str(event["UID"]) for event in events if isinstance(event.start, datetime)}
        assert not uids & seen
        assert {int(event["SEQUENCE"]) for event in events} == {0}
        seen |= uids


def test_days_of_the_week_can_be_set_for_the_class() -> None:
    document = TOGETHER.replace("together = true", 'together_on = ["tue", "sat"]').encode()
    run = Run(document, NOW, "seed")
    (whole,) = class_plans(run, Folder(COHORT))
    days = {day for days in topics(json.loads(whole.plan)).values() for day in days}
    assert {date.fromisoformat(day).weekday() for day in days} == {1, 5}


def test_a_class_without_common_hours_is_told_at_once() -> None:
    document = TOGETHER[: TOGETHER.index("[[study_hours]]")] + TOGETHER[TOGETHER.index("[effort]") :]
    with pytest.raises(InvalidRequest, match="study_hours of all"):
        read_courses(document.encode())
