"""One act for many, on the pages: found out first, applied only by the button; a class's shared calendar."""

from __future__ import annotations

import json
import re
from concurrent.futures import ThreadPoolExecutor
from io import BytesIO
from typing import TYPE_CHECKING, Any

import icalendar
import pytest
from click.testing import CliRunner

from calplan.cli import commands
from calplan.folders import Folder
from calplan.model import Role, plan_from_json
from tests import served
from web import create_app, store, store_cohorts
from web.config import Settings
from web.powers import Power

if TYPE_CHECKING:
    from pathlib import Path

    from flask import Flask
    from flask.testing import FlaskClient
    from werkzeug.test import TestResponse

COHORT = served.FIXTURES / "cohort"
OURS = {"Sec-Fetch-Site": "same-origin"}
COURSES = (COHORT / "courses.toml").read_bytes()


@pytest.fixture
def app(tmp_path: Path, clock: served.Clock) -> Any:
    made = create_app(
        Settings(data=tmp_path / "data"), clock=clock, entropy=served.Chance(), executor=lambda: ThreadPoolExecutor(1)
    )
    yield made
    made.extensions["calplan.runner"].close()
    served.service_of(made).engine.dispose()


def archive() -> BytesIO:
    """The timetable as a ZIP archive."""
    import zipfile

    file = BytesIO()
    with zipfile.ZipFile(file, "w") as made:
        made.writestr("timetable.ics", (COHORT / "timetable.ics").read_bytes())
    file.seek(0)
    return file


def handed_in(app: Flask, client: FlaskClient, courses: bytes = COURSES) -> str:
    """The path of a new cohort, all of whose rows are planned."""
    form = {
        "title": "Spring",
        "courses": (BytesIO(courses), "courses.toml"),
        "roster": (BytesIO((COHORT / "roster.csv").read_bytes()), "roster.csv"),
        "calendars": (archive(), "calendars.zip"),
    }
    answer = client.post("/cohort", data=form, headers=OURS)
    assert answer.status_code == 303, answer.text
    app.extensions["calplan.runner"].wait()
    return answer.headers["Location"].partition("#")[0]


def found_out(app: Flask, client: FlaskClient, path: str, **form: Any) -> tuple[str, str]:
    """The address of a trial, and its page once everything is known."""
    answer = client.post(path, data=form, headers=OURS)
    assert answer.status_code == 303, answer.text
    app.extensions["calplan.runner"].wait()
    return answer.headers["Location"], client.get(answer.headers["Location"]).text


def feeds(app: Flask) -> dict[str, tuple[str, bytes]]:
    """ETag and bytes of every feed, by plan."""
    with store.reading(served.service_of(app).engine) as connection:
        return {
            plan_id: (found[0].etag, found[1])
            for plan_id in store.all_ids(connection)
            if (found := store.feed_body(connection, plan_id)) is not None
        }


def test_nothing_changes_before_the_button_and_then_only_whom_it_concerns(
    app: Flask, client: FlaskClient, clock: served.Clock
) -> None:
    path = handed_in(app, client)
    clock.forward(days=1)
    before = feeds(app)
    trial, page = found_out(app, client, f"{path}/act", act="moved", section="chemistry A", start="2027-02-08T09:00")
    assert "2 students have other plans" in page
    assert feeds(app) == before
    answer = client.post(trial, headers=OURS)
    assert answer.status_code == 303
    app.extensions["calplan.runner"].wait()
    after = feeds(app)
    assert sum(after[plan_id] != before[plan_id] for plan_id in before) == 2
    assert client.post(trial, headers=OURS).status_code == 422, "it was applied already"
    moved = [plan_id for plan_id in before if after[plan_id] != before[plan_id]]
    for plan_id in moved:
        events = icalendar.Calendar.from_ical(after[plan_id][1]).walk("VEVENT")
        exams = [event for event in events if "Exam" in str(event["SUMMARY"]) and "Chemistry" in str(event["SUMMARY"])]
        assert [str(event.start)[:10] for event in exams] == ["2027-02-08"]


def test_an_act_finds_everybody_in_the_present_place_after_another_roster(
    app: Flask, client: FlaskClient, clock: served.Clock
) -> None:
    """Rows change places when a student is written on top: each one's own plan is tried, not a neighbour's."""
    path = handed_in(app, client)
    lines = (COHORT / "roster.csv").read_bytes().splitlines(keepends=True)
    new = lines[1].replace(b"S-1001", b"S-0999")
    form = {"roster": (BytesIO(b"".join([lines[0], new, *lines[1:]])), "roster.csv")}
    assert client.post(f"{path}/again", data=form, headers=OURS).status_code == 200
    app.extensions["calplan.runner"].wait()

    def places() -> dict[str, int]:
        with store.reading(served.service_of(app).engine) as connection:
            (cohort_id,) = connection.execute(store_cohorts.cohorts.select()).scalars()
            return {one.key: one.number for one in store_cohorts.every(connection, cohort_id)}

    before = places()
    assert sorted(before.values()) == [2, 3, 4, 5, 6, 7]
    clock.forward(minutes=1)
    _, same = found_out(app, client, f"{path}/act", act="moved", section="chemistry A", start="2027-02-04T09:00")
    assert "Nobody&#39;s plan changes." in same
    trial, page = found_out(app, client, f"{path}/act", act="moved", section="chemistry A", start="2027-02-08T09:00")
    assert "3 students have other plans" in page
    assert client.post(trial, headers=OURS).status_code == 303
    app.extensions["calplan.runner"].wait()
    assert places() == before


def test_what_a_student_changed_stays_and_is_listed(app: Flask, client: FlaskClient, clock: served.Clock) -> None:
    path = handed_in(app, client)
    with store.reading(served.service_of(app).engine) as connection:
        (cohort_id,) = set(connection.execute(store_cohorts.cohorts.select()).scalars())
        member = store_cohorts.member(connection, cohort_id, "s-1001")
    assert member is not None
    assert member.plan_id is not None
    plan = f"/plan/{served.token(app, Power.MANAGE, member.plan_id)}"
    lost = client.get(f"{plan}/difference?first=2027-01-14").text
    version = re.search(r'name="version" value="([0-9]+)"', lost)
    assert version is not None
    assert (
        client.post(f"{plan}/difference", data={"first": "2027-01-14", "version": version[1]}, headers=OURS).status_code
        == 303
    )
    clock.forward(days=1)
    trial, page = found_out(app, client, f"{path}/act", act="moved", section="chemistry A", start="2027-02-08T09:00")
    assert "2 students have other plans" in page
    assert "Changed on their own pages: S-1001." in page
    assert client.post(trial, headers=OURS).status_code == 303
    app.extensions["calplan.runner"].wait()
    events = icalendar.Calendar.from_ical(feeds(app)[member.plan_id][1]).walk("VEVENT")
    days = {str(event.start)[:10] for event in events}
    assert "2027-01-14" not in days, "the lost day stays lost"
    assert "2027-02-08" in days, "and the exam has moved"
    assert "2027-02-04" not in {str(event.start)[:10] for event in events if "Exam" in str(event["SUMMARY"])}


def test_a_student_of_a_class_follows_its_new_days_after_an_act(
    app: Flask, client: FlaskClient, clock: served.Clock
) -> None:
    courses = COURSES.replace(b'start = "2027-02-04T09:00"', b'start = "2027-02-04T09:00"\ntogether = true')
    path = handed_in(app, client, courses)
    clock.forward(days=3)
    trial, page = found_out(app, client, f"{path}/act", act="closed", first="2027-01-20", last="2027-01-20")
    assert "other plans" in page
    assert client.post(trial, headers=OURS).status_code == 303
    app.extensions["calplan.runner"].wait()
    with store.reading(served.service_of(app).engine) as connection:
        (cohort_id,) = set(connection.execute(store_cohorts.cohorts.select()).scalars())
        member = store_cohorts.member(connection, cohort_id, "s-1001")
        (class_id,) = store_cohorts.classes(connection, cohort_id).values()
        kept = {name: store.find(connection, str(name)) for name in (class_id, member and member.plan_id)}
    days = []
    for one in kept.values():
        assert one is not None
        plan = plan_from_json(one.plan)
        cover = {task.id for task in plan.tasks if task.role in (Role.COVER, Role.CONSOLIDATE)}
        after = [day for day in plan.days if str(day.day) > "2027-01-09"]
        days.append({(part.task, day.day) for day in after for part in day.parts if part.task in cover})
    assert days[0]
    assert days[0] <= days[1], "the student missed more than the class"
    assert not any(str(day) == "2027-01-20" for _, day in days[0])


def test_an_act_on_a_cohort_that_has_changed_meanwhile_is_not_applied(
    app: Flask, client: FlaskClient, clock: served.Clock
) -> None:
    path = handed_in(app, client)
    first, _ = found_out(app, client, f"{path}/act", act="closed", first="2027-01-13")
    clock.forward(minutes=5)
    second, _ = found_out(app, client, f"{path}/act", act="closed", first="2027-01-14")
    clock.forward(minutes=5)
    assert client.post(second, headers=OURS).status_code == 303
    app.extensions["calplan.runner"].wait()
    answer = client.post(first, headers=OURS)
    assert answer.status_code == 422
    assert "has changed since this was looked at" in answer.text


def test_dates_are_compared_and_the_present_one_stands_first(app: Flask, client: FlaskClient) -> None:
    path = handed_in(app, client)
    before = feeds(app)
    _, page = found_out(
        app, client, f"{path}/dates", section="chemistry B", start=["2027-01-12T09:00", "2027-02-12T09:00"]
    )
    dates = re.findall(r"<li><strong>(.*?)</strong>: ([0-9]+) of ([0-9]+) cannot fit", page)
    assert dates[0][0] == "Friday 5 February 2027, 13:00 (as it is now)"
    assert len(dates) == 3
    assert page.count("This eases most.") == 1
    assert feeds(app) == before


@pytest.mark.parametrize(
    ("form", "said"),
    [
        (
            {"act": "closed", "first": "2027-01-13", "last": "2027-01-14", "title": "Snow"},
            "The school is closed on Wednesday 13 January 2027 to Thursday 14 January 2027 (Snow).",
        ),
        ({"act": "closed", "first": "2027-01-13"}, "The school is closed on Wednesday 13 January 2027."),
        (
            {"act": "moved", "section": "chemistry A", "start": "2027-02-08T09:00"},
            "The exam of Chemistry, A, is on Monday 8 February 2027, 09:00.",
        ),
        (
            {"act": "late", "piece": "chemistry gas-laws", "day": "2027-01-20"},
            "Chemistry: Unit test on gas laws is in hand from Wednesday 20 January 2027 on.",
        ),
        (
            {"act": "late", "piece": "chemistry gas-laws", "section": "chemistry B", "day": "2027-01-20"},
            "Chemistry: Unit test on gas laws is in hand in section B from Wednesday 20 January 2027 on.",
        ),
    ],
)
def test_what_is_tried_is_said_beside_what_it_would_change(
    app: Flask, client: FlaskClient, form: dict[str, str], said: str
) -> None:
    path = handed_in(app, client)
    _, page = found_out(app, client, f"{path}/act", **form)
    assert f">{said}<" in page


def test_material_is_chosen_by_its_title_and_nobody_has_to_know_keys(app: Flask, client: FlaskClient) -> None:
    page = client.get(f"{handed_in(app, client)}/act").text
    (choice,) = re.findall(r'<select id="piece".*?</select>', page, re.S)
    assert re.findall(r'<optgroup label="([^"]*)"', choice) == ["Chemistry", "Civics"]
    shown = dict(re.findall(r'<option value="([^"]*)">([^<]*)<', choice))
    assert shown["chemistry gas-laws"] == "Chemistry: Unit test on gas laws"
    assert shown["chemistry homework-10"] == "Chemistry: Homework 10"
    assert len(shown) == 10 + 4 + 1 + 1 + 1 + 6 + 1  # of notes and practice there is one each


def test_dates_that_were_typed_come_back_each_in_its_place(app: Flask, client: FlaskClient) -> None:
    starts = ["2027-02-08T09:00", "2027-02-09T09:00", ""]
    page = client.post(f"{handed_in(app, client)}/dates", data={"section": "x y", "start": starts}, headers=OURS).text
    assert re.findall(r'name="start" type="datetime-local" value="([^"]*)"', page) == ["", *starts]


@pytest.mark.parametrize(
    ("path", "form", "said"),
    [
        ("act", {"act": "closed", "first": "13.1.2027"}, "is not a date"),
        ("act", {"act": "moved", "section": "physics A", "start": "2027-02-08T09:00"}, "there is no course “physics”"),
        ("act", {"act": "moved", "section": "chemistry A", "start": "2027-03-14T02:30"}, "2027-03-14T02:30:00 out"),
        ("act", {"act": "late", "piece": "civics quiz-1", "day": "2027-01-20"}, "no material “quiz-1”"),
        (
            "act",
            {"act": "late", "piece": "civics homework-1", "section": "chemistry A", "day": "2027-01-20"},
            "belongs to another course",
        ),
        ("act", {"act": "late", "piece": "civics homework-1"}, "In hand from: this is empty. Choose a day."),
        ("act", {"act": "closed", "first": ""}, "First day: this is empty. Choose a day."),
        ("act", {"act": "moved", "section": "chemistry A"}, "It starts: this is empty."),
        ("act", {}, "nothing was chosen"),
        ("dates", {"section": "chemistry A"}, "no other date was given"),
        ("dates", {"section": "chemistry Z", "start": "2027-02-08T09:00"}, "there is no section “Z”"),
    ],
)
def test_what_makes_no_sense_is_told_and_what_was_typed_stays(
    app: Flask, client: FlaskClient, path: str, form: dict[str, str], said: str
) -> None:
    cohort = handed_in(app, client)
    answer: TestResponse = client.post(f"{cohort}/{path}", data=form, headers=OURS)
    assert answer.status_code == 422
    assert said in answer.text
    if form.get("first"):
        assert form["first"] in answer.text


def test_a_class_has_a_calendar_that_all_can_share_and_nobody_can_check_in_with(
    app: Flask, client: FlaskClient
) -> None:
    courses = COURSES.replace(b'start = "2027-02-04T09:00"', b'start = "2027-02-04T09:00"\ntogether = true')
    page = client.get(handed_in(app, client, courses)).text
    address = re.search(r'value="[^"]*(/feed/[^"]+\.ics)"', page)
    assert address is not None
    data = client.get(address[1]).data
    events = icalendar.Calendar.from_ical(data).walk("VEVENT")
    assert len(events) > 10
    assert b"/block/" not in data.replace(b"\r\n ", b"")
    assert Folder(COHORT).get("timetable.ics") is not None


TOGETHER = COURSES.replace(b'start = "2027-02-04T09:00"', b'start = "2027-02-04T09:00"\ntogether = true')
NO_HOURS = TOGETHER.replace(b'start = "2027-02-04T09:00"', b'start = "2027-01-02T09:00"')
"""The section's exam is over on the day of these tests."""


def test_a_class_that_cannot_have_a_plan_costs_its_own_rows_and_is_told(
    app: Flask, client: FlaskClient, tmp_path: Path
) -> None:
    """The same outcomes on the page and by the command; the run ends, and goes on where the courses are right again."""
    path = handed_in(app, client, NO_HOURS)
    told = " ".join(re.sub("<[^>]*>", " ", client.get(path).text).split())
    assert "rows are done" in told
    assert "Sections without a class plan" in told
    assert "Course chemistry, section A: there is no plan for the class" in told
    with store.reading(served.service_of(app).engine) as connection:
        assert store_cohorts.number_waiting(connection) == 0
        cohort_id = served.service_of(app).keys.read(Power.COHORT, path.split("/")[2])
        assert cohort_id is not None
        mine = list(store_cohorts.every(connection, cohort_id.id))
    statuses = {one.key: one.status for one in mine}
    assert {"wrong"} < set(statuses.values())  # and others, who are in no class

    (tmp_path / "courses.toml").write_bytes(NO_HOURS)
    for name in ("roster.csv", "timetable.ics"):
        (tmp_path / name).write_bytes((COHORT / name).read_bytes())
    files = [str(tmp_path / name) for name in ("roster.csv", "courses.toml")]
    as_of = served.service_of(app).clock().isoformat()
    done = CliRunner().invoke(commands, ["cohort", "plan", *files, "--out", str(tmp_path / "out"), "--as-of", as_of])
    assert done.exit_code == 0, done.output
    lines = [json.loads(one) for one in (tmp_path / "out" / "outcomes.jsonl").read_text().splitlines()]
    assert {one["reference"].casefold(): one["status"] for one in lines} == statuses
    assert {one["reference"].casefold(): tuple(one["sentences"]) for one in lines if one["status"] == "wrong"} == {
        one.key: tuple(json.loads(one.outcome)["sentences"]) for one in mine if one.status == "wrong"
    }

    form = {
        "courses": (BytesIO(TOGETHER), "courses.toml"),
        "roster": (BytesIO((COHORT / "roster.csv").read_bytes()), "r.csv"),
    }
    assert client.post(f"{path}/again", data=form, headers=OURS).status_code == 200
    app.extensions["calplan.runner"].wait()
    assert "Sections without a class plan" not in client.get(path).text
    assert "Class plans" in client.get(path).text
