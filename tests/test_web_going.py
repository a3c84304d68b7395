"""The page that says how it goes: minutes by week, flags, what to ask, and after a bad week the lightest plan.

What is drawn is counted anew from the plan's blocks; the strokes of a hatched bar are held against its edges.
"""

from __future__ import annotations

import re
from collections import Counter
from datetime import UTC, date, datetime, timedelta
from html import unescape
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calplan.checkins import CheckIn, Flag, Found, Outcome
from calplan.model import plan_from_json
from calplan.progress import Week
from tests import served
from web import plans, store
from web.picture_strips import Box
from web.picture_weeks import BAR, LEFT, RIGHT, WIDTH, hatch, weeks_picture
from web.powers import Power

if TYPE_CHECKING:
    from flask import Flask
    from flask.testing import FlaskClient

HERE = ZoneInfo("America/Chicago")


def said(client: FlaskClient, address: str) -> str:
    return " ".join(unescape(re.sub(r"<[^>]*>", " ", client.get(address).text)).split())


def test_what_was_done_and_missed_is_told_by_week_with_flags_and_what_to_ask(
    app: Flask, client: FlaskClient, clock: served.Clock
) -> None:
    kept = served.keep(app)
    plan = plan_from_json(kept.plan)
    clock.forward(days=6)
    check_in = served.token(app, Power.CHECK_IN, kept.id)
    page = client.get(f"/block/{check_in}/{plan.blocks[1].uid}").text
    flags = re.search(r'name="(flags[^"]*)"', page)
    assert flags
    client.post(f"/block/{check_in}/{plan.blocks[0].uid}", data={"act": "missed"})
    client.post(f"/block/{check_in}/{plan.blocks[1].uid}", data={"act": "done", flags[1]: "7 1 x3"})
    going = f"/plan/{served.token(app, Power.MANAGE, kept.id)}/going"
    words = said(client, going)
    missed, done = (sum(part.units for part in block.parts) * 5 for block in plan.blocks[:2])
    assert f"{done} minutes done, {missed} missed" in client.get(going).text
    assert "1 open, 0 settled" in words
    assert "7 (must, 3 failed tries)" in words
    assert "three tries went wrong" in words
    assert "Not yet touched" in words


def test_after_a_bad_week_the_lightest_plan_is_offered_and_nobody_is_scolded(
    app: Flask, client: FlaskClient, clock: served.Clock
) -> None:
    kept = served.keep(app)
    clock.forward(days=8)
    check_in = served.token(app, Power.CHECK_IN, kept.id)
    for block in plan_from_json(kept.plan).blocks[:7]:
        client.post(f"/block/{check_in}/{block.uid}", data={"act": "missed"})
    going = f"/plan/{served.token(app, Power.MANAGE, kept.id)}/going"
    words = said(client, going)
    assert "Look at the lightest plan" in words
    link = re.search(r'href="([^"]+)">Look at the lightest plan', client.get(going).text)
    assert link
    assert client.get(unescape(link[1])).status_code == 200
    assert not re.search(r"should have|lazy|fail(ed)? to|your fault", words)


# ------------------------------------------------------------------------------------------------- the drawing


def cells(html: str) -> list[list[str]]:
    """The rows of the page's table."""
    body = re.search(r"<caption>Minutes by week</caption>.*?<tbody>(.*?)</tbody>", html, re.DOTALL)
    assert body
    rows = re.findall(r"<tr>(.*?)</tr>", body[1], re.DOTALL)
    return [re.findall(r"<t[hd][^>]*>([^<]*)</t[hd]>", row) for row in rows]


def test_table_and_bars_hold_the_minutes_of_the_plans_blocks(
    app: Flask, client: FlaskClient, clock: served.Clock
) -> None:
    """Done, missed, without a word and to come, by weeks from Monday (ISO 8601), counted anew."""
    kept = served.keep(app)
    plan = plan_from_json(kept.plan)
    clock.forward(days=9)
    check_in = served.token(app, Power.CHECK_IN, kept.id)
    acts = {plan.blocks[0].uid: "missed", plan.blocks[1].uid: "done", plan.blocks[-1].uid: "done"}
    for uid, act in acts.items():
        assert client.post(f"/block/{check_in}/{uid}", data={"act": act}).status_code == 303
    counted: dict[str, Counter[str]] = {}
    for block in plan.blocks:
        monday = block.day - timedelta(days=block.day.isocalendar().weekday - 1)
        ends = block.start.replace(tzinfo=HERE) + timedelta(minutes=block.minutes)
        what = acts.get(block.uid) or ("silent" if ends <= clock() else "coming")
        minutes = sum(part.units for part in block.parts) * 5
        week = counted.setdefault(f"{monday:%a} {monday.day} {monday:%b}", Counter())
        week[what] += minutes
        week["planned"] += minutes
    html = client.get(f"/plan/{served.token(app, Power.MANAGE, kept.id)}/going").text
    rows = cells(html)
    columns = ("planned", "done", "missed", "silent", "coming")
    assert {row[0]: tuple(map(int, row[1:])) for row in rows} == {
        monday: tuple(week[column] for column in columns) for monday, week in counted.items()
    }
    figure = re.search(r'<svg class="drawing".*?</svg>', html, re.DOTALL)
    assert figure
    drawn = Counter(re.findall(r'<rect class="week-(\w+)"', figure[0]))
    assert drawn == Counter(what for week in counted.values() for what in week if what != "planned" and week[what])
    assert {*re.findall(r">([^<>]+)</text>", figure[0])} >= {*counted}


MINUTES = st.integers(0, 200).map(lambda units: 5 * units)


@given(st.lists(st.tuples(MINUTES, MINUTES, MINUTES, MINUTES), min_size=1, max_size=30))
def test_bars_are_as_long_as_their_minutes_on_one_scale(weeks: list[tuple[int, int, int, int]]) -> None:
    """End to end from the left, within a row of their own, and off by less than one unit at every end."""
    first = date(2027, 1, 4)
    given_weeks = [
        Week(monday=first + timedelta(weeks=n), planned=sum(week), done=week[0], missed=week[1], silent=week[2])
        for n, week in enumerate(weeks)
    ]
    picture = weeks_picture(given_weeks, today=first)
    assert picture
    span, most = WIDTH - LEFT - RIGHT, max(max(map(sum, weeks)), 1)
    boxes = {(box.y * len(weeks) // picture.height, box.look): box for box in picture.boxes}
    assert len(boxes) == len(picture.boxes)
    for n, week in enumerate(weeks):
        before = 0
        for minutes, look in zip(week, ("week-done", "week-missed", "week-silent", "week-coming"), strict=True):
            box = boxes.get((n, look))
            if box is None:
                assert minutes * span / most < 1
            else:
                assert abs(box.x - LEFT - before * span / most) < 1
                assert abs(box.x + box.width - LEFT - (before + minutes) * span / most) < 1
                assert box.x + box.width <= WIDTH - RIGHT
                assert box.y >= 0
                assert box.y + box.height <= picture.height
            before += minutes
    assert [row.now for row in picture.rows] == [True] + [False] * (len(weeks) - 1)


@given(st.integers(0, 200), st.integers(0, 200), st.integers(1, 300))
def test_the_strokes_of_a_hatched_bar_stay_within_it(x: int, y: int, width: int) -> None:
    """Each rises at 45 degrees from the bar's lower or left edge to its upper or right one; there is one at least."""
    strokes = re.findall(r"M(\d+) (\d+)L(\d+) (\d+)", hatch(Box(x, y, width, BAR, "week-missed")))
    assert strokes
    for x1, y1, x2, y2 in (map(int, stroke) for stroke in strokes):
        assert x <= x1 <= x2 <= x + width
        assert y <= y2 <= y1 <= y + BAR
        assert x2 - x1 == y1 - y2
        assert x1 == x or y1 == y + BAR
        assert x2 == x + width or y2 == y


def test_without_weeks_there_is_no_picture() -> None:
    assert weeks_picture((), today=date(2027, 1, 4)) is None


# ---------------------------------------------------------------------------------------------- flags and asking


def test_flags_are_told_by_exam_and_settled_ones_counted(app: Flask, client: FlaskClient, clock: served.Clock) -> None:
    """A flag of each of two exams; one of them goes well on a later day."""
    kept = served.keep(app, exam=two_exams())
    plan = plan_from_json(kept.plan)
    clock.forward(days=6)
    check_in = served.token(app, Power.CHECK_IN, kept.id)
    tasks = {task.id: task.exam for task in plan.tasks}
    first = {}
    for block in plan.blocks:
        for part in block.parts:
            first.setdefault(tasks[part.task], block.uid)
    for exam, uid in first.items():
        fields = re.findall(r'name="(flags-[^"]+)"', client.get(f"/block/{check_in}/{uid}").text)
        assert fields, exam
        assert client.post(f"/block/{check_in}/{uid}", data={"act": "done", fields[0]: "7 1"}).status_code == 303
    going = f"/plan/{served.token(app, Power.MANAGE, kept.id)}/going"
    text = said(client, going)
    assert "2 open, 0 settled" in text
    assert "Chemistry: 1 open, 0 settled" in text
    assert "Biology: 1 open, 0 settled" in text
    clock.forward(days=1)
    uid = first["chem"]
    client.post(f"/block/{check_in}/{uid}", data={"act": "done", "flags-chem.homework-1": "7 3"})
    words = said(client, going)
    assert "1 open, 1 settled" in words
    assert "Chemistry: 0 open, 1 settled" in words


def two_exams() -> list[dict[str, object]]:
    """The chemistry exam of the fixture, and a second one just like it."""
    [exam] = served.mapping_of()["exam"]
    return [exam, exam | {"key": "bio", "subject": "Biology"}]


@pytest.mark.parametrize(
    ("now", "told"),
    [
        (datetime(2027, 1, 18, 12, 0, tzinfo=UTC), True),
        (datetime(2027, 1, 20, 16, 29, tzinfo=HERE), True),
        (datetime(2027, 1, 20, 16, 30, tzinfo=HERE), False),
        (datetime(2027, 1, 21, 2, 0, tzinfo=UTC), False),  # still the twentieth there
    ],
)
def test_the_ask_list_is_for_the_next_appointment_that_has_not_begun(
    app: Flask, client: FlaskClient, clock: served.Clock, now: datetime, told: bool
) -> None:
    appointment = [{"title": "Tutoring", "start": "2027-01-20T16:30", "minutes": 45, "exam": "chem"}]
    kept = served.keep(app, appointment=appointment)
    plan = plan_from_json(kept.plan)
    clock.now = datetime(2027, 1, 8, 12, 0, tzinfo=UTC)
    check_in = served.token(app, Power.CHECK_IN, kept.id)
    client.post(f"/block/{check_in}/{plan.blocks[0].uid}", data={"act": "done", "flags-chem.homework-1": "7 1 x3"})
    clock.now = now.astimezone(UTC)
    words = said(client, f"/plan/{served.token(app, Power.MANAGE, kept.id)}/going")
    assert "three tries went wrong" in words
    assert ("For your next appointment: Tutoring, Wed 20 Jan, 16:30." in words) == told
    assert ("For your next appointment" in words) == told


# ---------------------------------------------------------------------------------------------- the ask list


def sections(html: str) -> dict[str, str]:
    """The words of each section of a page, by its heading."""
    found = re.findall(r"<section.*?<h2[^>]*>(.*?)</h2>(.*?)</section>", html, re.DOTALL)
    return {unescape(name): " ".join(unescape(re.sub(r"<[^>]*>", " ", text)).split()) for name, text in found}


def unanswered_quiz(exam: dict[str, object], title: str) -> dict[str, object]:
    """The exam with a quiz more, whose answers are missing."""
    quiz = {"kind": "quiz", "title": title, "size": 8, "answers": "none"}
    return exam | {"material": [*exam["material"], quiz]}  # type: ignore[misc]


def flagged(app: Flask, client: FlaskClient, plan_id: str, uid: str, text: str) -> None:
    """Says that a block was done, with flags on its first material."""
    check_in = served.token(app, Power.CHECK_IN, plan_id)
    answer = client.post(f"/block/{check_in}/{uid}", data={"act": "done", "flags-chem.homework-1": text})
    assert answer.status_code == 303


def test_the_ask_list_has_missing_answers_and_what_failed_three_times_by_exam(
    app: Flask, client: FlaskClient, clock: served.Clock
) -> None:
    """Two tries are too few, what was settled needs nobody, and each exam goes to its own next appointment."""
    chem, bio = two_exams()
    appointments = [
        {"title": "Old hour", "start": "2027-01-06T16:30", "minutes": 45, "exam": "chem"},
        {"title": "Office hours", "start": "2027-01-21T16:30", "minutes": 30, "exam": "chem"},
        {"title": "Tutoring", "start": "2027-01-20T16:30", "minutes": 45, "exam": "chem"},
    ]
    kept = served.keep(app, exam=[chem, unanswered_quiz(bio, "Quiz <7>")], appointment=appointments)
    plan = plan_from_json(kept.plan)
    own = f"/plan/{served.token(app, Power.MANAGE, kept.id)}"
    assert {*sections(client.get(f"{own}/ask").text)} == {"Biology"}
    clock.forward(days=6)
    exams = {task.id: task.exam for task in plan.tasks}
    uid = next(b.uid for b in plan.blocks if {exams[part.task] for part in b.parts} == {"chem"} and b.parts)
    flagged(app, client, kept.id, uid, "7 1 x3, 9 2 x2, 11 2 x4, 12 1 x3")
    clock.forward(days=1)
    flagged(app, client, kept.id, uid, "12 3")
    page = client.get(f"{own}/ask")
    told = sections(page.text)
    assert {*told} == {"Chemistry", "Biology"}
    assert "Take this to: Tutoring, Wed 20 Jan, 16:30 (America/Chicago time)." in told["Chemistry"]
    assert "No appointment is planned." in told["Biology"]
    assert "Quiz <7>: The answers It cannot be checked: its answers are missing." in told["Biology"]
    assert "Problem 7 Went wrong 3 times, last on Mon 11 Jan; a must." in told["Chemistry"]
    assert "Problem 11 Went wrong 4 times, last on Mon 11 Jan; a should." in told["Chemistry"]
    assert not re.search(r"Problem (9|12)\b", page.text)
    questions = page.text.count('class="tick question"')
    assert questions == page.text.count('class="answer"') == page.text.count('class="box"') == 3
    assert page.headers["Referrer-Policy"] == client.get(own).headers["Referrer-Policy"]


def test_an_appointment_for_no_exam_in_particular_is_for_each(app: Flask, client: FlaskClient) -> None:
    chem, bio = two_exams()
    appointment = [{"title": "Study hall", "start": "2027-01-20T16:30", "minutes": 45}]
    exams = [unanswered_quiz(one, "Quiz 7") for one in (chem, bio)]
    kept = served.keep(app, exam=exams, appointment=appointment)
    told = sections(client.get(f"/plan/{served.token(app, Power.MANAGE, kept.id)}/ask").text)
    assert ["Take this to: Study hall, Wed 20 Jan" in words for words in told.values()] == [True, True]


def test_an_ask_list_without_anything_says_so_and_both_pages_lead_to_it(app: Flask, client: FlaskClient) -> None:
    kept = served.keep(app)
    own = f"/plan/{served.token(app, Power.MANAGE, kept.id)}"
    page = client.get(f"{own}/ask")
    assert page.status_code == 200
    assert "There is nothing to ask just now." in said(client, f"{own}/ask")
    assert sections(page.text) == {}
    for way in ("going", "paper"):
        assert f'href="{own}/ask"' in client.get(f"{own}/{way}").text


def test_whoever_may_only_look_is_not_led_to_the_ask_list(app: Flask, client: FlaskClient) -> None:
    kept = served.keep(app)
    with store.writing(served.service_of(app).engine) as connection:
        store.set_view(connection, kept.id, True)
    view = served.token(app, Power.VIEW, kept.id)
    for page in (f"/view/{view}", f"/view/{view}/paper"):
        answer = client.get(page)
        assert answer.status_code == 200
        assert "/ask" not in answer.text
    assert client.get(f"/plan/{view}/ask").status_code == 404
    assert client.get(f"/view/{view}/ask").status_code == 404


def test_what_was_settled_leaves_the_list_though_the_plan_was_mended_in_between(
    app: Flask, client: FlaskClient, clock: served.Clock
) -> None:
    """A mended plan carries the ask list of its moment; the pages tell what holds now, and each problem once."""
    kept = served.keep(app)
    plan = plan_from_json(kept.plan)
    material = next(item.material for task in plan.tasks for item in task.items if item.material)
    clock.forward(days=6)

    def say(*flags: Flag) -> None:
        found = (Found(exam="chem", material=material, flags=flags),)
        at = clock()
        word = CheckIn(id=at.isoformat(), at=at, block=plan.blocks[1].uid, outcome=Outcome.DONE, found=found)
        with store.writing(served.service_of(app).engine) as connection:
            plans.say(served.service_of(app), connection, kept.id, [word])

    own = f"/plan/{served.token(app, Power.MANAGE, kept.id)}"
    say(Flag(problem="7", importance=1, tries=3), Flag(problem="8", importance=1, tries=3))
    lost = {"version": "1", "first": "2027-01-14"}
    assert client.post(f"{own}/difference", data=lost).status_code == 303
    clock.forward(days=1)
    say(Flag(problem="7", importance=3), Flag(problem="8", importance=1, tries=1))
    for page in ("going", "ask"):
        words = said(client, f"{own}/{page}")
        assert len(re.findall(r"[Pp]roblem 8\b", words)) == 1
        assert not re.search(r"[Pp]roblem 7\b", words)
