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
from msgspec.structs import replace

from calplan.batches import run_rows
from calplan.checkins import CheckIn, to_line
from calplan.checkins import Outcome as Said
from calplan.cohort import Before, Made, Run, class_plans
from calplan.courses import read_courses
from calplan.errors import InvalidRequest
from calplan.folders import Folder
from calplan.identities import Side
from calplan.model import DayOff, Request, plan_from_json, to_json
from calplan.outcomes import Status
from calplan.planner import make_plan
from calplan.replan import mend
from calplan.request import from_mapping, read
from calplan.roster import distinct, read_roster
from calplan.rules import check
from calplan.together import ClassPlan, with_class

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


def topics(plan: Any, subject: str = "chemistry") -> dict[str, set[str]]:
    """The days of each topic of an exam; what fills days, and a whole paper, is none."""
    roles = {task["id"]: (task["exam"], task["role"]) for task in plan["tasks"]}
    found: dict[str, set[str]] = {}
    for day in plan["days"]:
        for part in day.get("parts", ()):
            exam, role = roles[part["task"]]
            if exam == subject and role not in ("encore", "paper"):
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
    assert [one for one in outcome.sentences if one.startswith("Not with the class: its work of Wed 13 Jan is on ")]


def test_who_has_no_room_on_such_days_is_listed_with_each_of_them() -> None:
    made, whole = outcomes()
    days = {day for days in topics(whole).values() for day in days}
    weekdays = {day for day in days if date.fromisoformat(day).weekday() < 5}
    (told,) = [one for one in made["weekends"].outcome.sentences if one.startswith("Not with the class")]
    assert told.count("its work of ") >= len(weekdays) // 2
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


# -------------------------------------------------------------------------------- what the teacher fixes for a day

FIXED = TOGETHER.replace(
    "together = true",
    """together = true
fixed_day = [
    { day = 2027-01-12, material = ["quiz-1", "homework-2"] },
    { day = 2027-01-19, material = ["quiz-3"] },
    { day = 2027-01-21, material = ["quiz-4"] },
]""",
)
FIXED_ROSTER = """\
reference,course,section,study_hours,days_off,count quiz
like-all,chemistry,A,,,
own-hours,chemistry,A,weekdays 18:00-20:00; weekend 11:00-13:00,,
no-tuesdays,chemistry,A,"mon, wed, thu, fri, sat, sun 16:00-20:00",,
few-quizzes,chemistry,A,,,2
other-section,chemistry,B,,,
"""


def days_of_material(plan: Any, material: str) -> set[str]:
    """The days of a material's first pass."""
    mine = {
        task["id"]
        for task in plan["tasks"]
        if task["role"] == "cover" and any(item["material"] == material for item in task["items"])
    }
    return {day["day"] for day in plan["days"] for part in day.get("parts", ()) if part["task"] in mine}


@cache
def fixed() -> tuple[dict[str, Made], Any]:
    """What became of a roster whose class does some things on days of the teacher's choosing."""
    run = Run(FIXED.encode(), NOW, "seed")
    run = run._replace(classes=class_plans(run, Folder(COHORT)))
    rows = distinct(read_roster(io.BytesIO(FIXED_ROSTER.encode())))
    made = run_rows(rows, run, Folder(COHORT), lambda: ThreadPoolExecutor(1), workers=1)
    return {one.outcome.reference: one for one in made}, json.loads(run.classes[0].plan)


ON = {"quiz-1": "2027-01-12", "homework-2": "2027-01-12", "quiz-3": "2027-01-19", "quiz-4": "2027-01-21"}


@pytest.mark.parametrize("reference", ["", "like-all", "own-hours"])
def test_what_the_teacher_fixed_is_done_by_all_on_that_day(reference: str) -> None:
    made, whole = fixed()
    plan = json.loads(made[reference].plan) if reference else whole
    for name, day in ON.items():
        assert days_of_material(plan, f"chemistry.{name}") == {day}, name


def test_who_has_no_gap_on_a_fixed_day_gets_the_nearest_and_is_listed() -> None:
    """The 12th and the 19th are Tuesdays: the days beside them are nearest, but for the 18th, a public holiday."""
    made, _ = fixed()
    plan = json.loads(made["no-tuesdays"].plan)
    assert days_of_material(plan, "chemistry.quiz-1") <= {"2027-01-11", "2027-01-13"}
    assert days_of_material(plan, "chemistry.quiz-3") == {"2027-01-20"}
    assert days_of_material(plan, "chemistry.quiz-4") == {"2027-01-21"}
    (told,) = [one for one in made["no-tuesdays"].outcome.sentences if one.startswith("Not with the class")]
    assert "Tue 12 Jan" in told
    assert "Tue 19 Jan" in told


def test_who_has_fewer_pieces_than_the_course_does_those_that_there_are_on_their_days() -> None:
    made, _ = fixed()
    plan = json.loads(made["few-quizzes"].plan)
    assert made["few-quizzes"].outcome.status is not Status.WRONG
    assert days_of_material(plan, "chemistry.quiz-1") == {"2027-01-12"}
    assert days_of_material(plan, "chemistry.quiz-4") == set()


def test_a_section_may_have_other_days_than_the_next_one() -> None:
    made, _ = fixed()
    plan = json.loads(made["other-section"].plan)
    assert not any(task.get("fixed") for task in plan["tasks"])


@pytest.mark.parametrize(
    ("written", "said"),
    [
        ('{ day = 2027-01-12, material = ["quiz-9"] }', "no material of this exam has the key or the topic “quiz-9”"),
        ('{ day = 2027-02-06, material = ["quiz-1"] }', "not before the exam's day"),
        (
            '{ day = 2027-01-13, material = ["quiz-1"] }',
            "something is fixed for 2027-01-13, a wed; the days are tue, sat",
        ),
    ],
)
def test_a_fixed_day_that_cannot_be_is_told_with_its_section(written: str, said: str) -> None:
    document = TOGETHER.replace("together = true", f'together_on = ["tue", "sat"]\nfixed_day = [{written}]')
    with pytest.raises(InvalidRequest) as wrong:
        read_courses(document.encode())
    (problem,) = wrong.value.problems
    assert "section" in problem.place
    assert said in problem.sentence


# ----------------------------------------------------------------------------------- when the class's plan changes


def planned_again(
    made: dict[str, Made], document: str, as_of: datetime, roster: str, logs: dict[str, tuple[str, ...]] | None = None
) -> tuple[dict[str, Made], Any]:
    """The roster planned again with other courses, on top of what was made of it."""
    first = Run(TOGETHER.encode(), NOW, "seed")
    known = {(one.course, one.section): one for one in class_plans(first, Folder(COHORT))}
    run = Run(document.encode(), as_of, "seed")
    run = run._replace(classes=class_plans(run, Folder(COHORT), known))
    rows = distinct(read_roster(io.BytesIO(roster.encode())))

    def before(row: Any) -> Before | None:
        one = made.get(row.reference)
        log = (logs or {}).get(row.reference, ())
        return Before(one.outcome, one.request, one.plan, log) if one else None

    again = run_rows(rows, run, Folder(COHORT), lambda: ThreadPoolExecutor(1), workers=1, before=before)
    return {one.outcome.reference: one for one in again}, json.loads(run.classes[0].plan)


CLOSED = TOGETHER.replace("[effort]", '[[day_off]]\nday = 2027-01-20\ntitle = "Closed"\n\n[effort]')


@pytest.mark.parametrize("as_of", [datetime(2027, 1, 5, 13, tzinfo=UTC), datetime(2027, 1, 14, 12, tzinfo=UTC)])
@pytest.mark.parametrize("reference", ["like-all", "own-hours", "longer-week", "granted"])
def test_after_an_act_students_follow_the_class_s_new_days(reference: str, as_of: datetime) -> None:
    """A closed day moves the class's work; whoever has room has it on the class's new days, begun or not."""
    made, _ = outcomes()
    again, whole = planned_again(made, CLOSED, as_of, ROSTER)
    plan = json.loads(again[reference].plan)
    today = as_of.date().isoformat()
    mine = {task: {day for day in days if day > today} for task, days in topics(plan).items()}
    theirs = {task: {day for day in days if day > today} for task, days in topics(whole).items()}
    assert {task: days for task, days in mine.items() if days} == {task: days for task, days in theirs.items() if days}
    assert check(from_mapping(json.loads(again[reference].request)), plan_from_json(again[reference].plan)) == ()


def test_events_whose_work_and_time_stay_are_not_touched_by_an_act() -> None:
    """SEQUENCE and DTSTAMP count changes alone (RFC 5545 §3.8.7.4, §3.8.7.2): compared as icalendar reads them."""
    made, _ = outcomes()
    again, _ = planned_again(made, CLOSED, datetime(2027, 1, 5, 13, tzinfo=UTC), ROSTER)

    def events(one: Made) -> dict[str, Any]:
        return {str(event["UID"]): event for event in icalendar.Calendar.from_ical(one.ics).walk("VEVENT")}

    old, new = events(made["like-all"]), events(again["like-all"])
    stay = [uid for uid in old if uid in new and old[uid].to_ical() == new[uid].to_ical()]
    moved = [uid for uid in old if uid in new and (old[uid].start, old[uid].end) != (new[uid].start, new[uid].end)]
    assert len(stay) > len(old) / 2
    assert moved
    assert all(new[uid]["SEQUENCE"] > old[uid]["SEQUENCE"] for uid in moved)


def test_who_said_something_keeps_it_and_follows_the_class() -> None:
    """The first block is said to be missed: its work comes back, and what the class does lies with the class."""
    made, _ = outcomes()
    plan = json.loads(made["like-all"].plan)
    first = plan["blocks"][0]
    said = CheckIn(id="1", at=datetime(2027, 1, 12, 12, tzinfo=UTC), block=first["uid"], outcome=Said.MISSED)
    as_of = datetime(2027, 1, 14, 12, tzinfo=UTC)
    again, whole = planned_again(made, CLOSED, as_of, ROSTER, {"like-all": (to_line(said).decode(),)})
    new = json.loads(again["like-all"].plan)
    assert [block["uid"] for block in new["past"] if block["missed"]] == [first["uid"]]
    back = {part["task"] for part in first["parts"]}
    theirs, mine = topics(whole), topics(new)
    assert back & {part["task"] for block in new["blocks"] for part in block["parts"]}
    apart = [
        task
        for task, days in theirs.items()
        if task not in back and {day for day in days if day > "2027-01-14"} - mine.get(task, set())
    ]
    assert len(apart) <= len(theirs) / 5


@pytest.mark.parametrize("day", [19, 20, 24, 25, 26, 27])
def test_who_has_begun_follows_a_class_whose_order_had_to_give_way(day: int) -> None:
    """The school closes two days late in January; who has lost a day too, and has begun, gets a sound plan."""
    fixtures = COHORT.parent
    common = read((fixtures / "chemistry-30.toml").read_bytes(), name="chemistry-30.toml")
    files = {one.file: (fixtures / one.file).read_bytes() for one in common.calendars}
    begin, now = datetime(2027, 1, 17, tzinfo=UTC), datetime(2027, 1, 20, 9, tzinfo=UTC)
    closed, lost = (date(2027, 1, 28), date(2027, 1, 29)), (date(2027, 1, day),)
    whole = ClassPlan(common, make_plan(common, files, as_of=begin))
    mine = with_class(whole, without(common, *lost), files, as_of=begin, seed="s")
    later = without(common, *closed)
    again = ClassPlan(later, mend(whole.plan, whole.request, later, files, as_of=now))
    asked = without(common, *lost, *closed)
    plan = with_class(again, asked, files, as_of=now, seed="s", before=Side(mine, without(common, *lost)))
    assert check(asked, plan) == ()
    theirs, own = (topics(json.loads(to_json(one)), "chem") for one in (again.plan, plan))
    together = [
        task for task, days in theirs.items() if min(days) > f"2027-01-{max(day, 20)}" and own.get(task) == days
    ]
    assert len(together) > 5


def without(request: Request, *days: date) -> Request:
    """The request with some more days off."""
    return replace(request, days_off=(*request.days_off, *(DayOff(first=one, last=one) for one in days)))


def test_a_section_that_begins_to_plan_together_takes_its_students_along() -> None:
    """Plans that were made one by one are dealt from the class's, as long as none has begun."""
    alone = Run((COHORT / "courses.toml").read_bytes(), NOW, "seed")
    rows = distinct(read_roster(io.BytesIO(ROSTER.encode())))
    made = {
        one.outcome.reference: one
        for one in run_rows(rows, alone, Folder(COHORT), lambda: ThreadPoolExecutor(1), workers=1)
    }
    again, whole = planned_again(made, TOGETHER, datetime(2027, 1, 5, 13, tzinfo=UTC), ROSTER)
    for name in ("like-all", "own-hours", "longer-week"):
        assert topics(json.loads(again[name].plan)) == topics(whole)
    before = {block["uid"] for block in json.loads(made["own-hours"].plan)["blocks"]}
    after = {block["uid"] for block in json.loads(again["own-hours"].plan)["blocks"]}
    assert len(before & after) > len(before) / 2


def test_another_plan_of_the_class_concerns_a_row_whose_own_request_is_the_same() -> None:
    """Longer common hours change the class's days, and nothing that a row with hours of its own asks for."""
    made, _ = outcomes()
    other = TOGETHER.replace('days = "weekdays"\nstart = "16:00"', 'days = ["mon", "wed"]\nstart = "16:00"')
    again, whole = planned_again(made, other, datetime(2027, 1, 5, 13, tzinfo=UTC), ROSTER)
    assert again["own-hours"].request == made["own-hours"].request
    assert not again["own-hours"].outcome.same
    mine = topics(json.loads(again["own-hours"].plan))
    light = {task["id"] for task in json.loads(again["own-hours"].plan)["tasks"] if task["role"] in ("taper", "eve")}
    assert {task: days for task, days in mine.items() if task not in light} == {
        task: days for task, days in topics(whole).items() if task not in light
    }
    nothing, _ = planned_again(made, TOGETHER, datetime(2027, 1, 5, 13, tzinfo=UTC), ROSTER)
    assert all(one.outcome.same for one in nothing.values() if one.outcome.status is not Status.WRONG)


def test_a_class_without_common_hours_is_told_at_once() -> None:
    document = TOGETHER[: TOGETHER.index("[[study_hours]]")] + TOGETHER[TOGETHER.index("[effort]") :]
    with pytest.raises(InvalidRequest, match="study_hours of all"):
        read_courses(document.encode())
