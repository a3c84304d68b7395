"""What a student says of a block, from the event's link on: it is kept, shown, marked in the calendar, and taken back.

Calendars are read by icalendar. SEQUENCE counts revisions that matter to others' agendas, such as of the time (RFC 5545
§3.8.7.4); DTSTAMP without a METHOD is the last revision (§3.8.7.2).
"""

from __future__ import annotations

import re
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, timedelta
from html import unescape
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import icalendar
import pytest

from calplan.checkins import CheckIn, Flag, Outcome, last_words, standing
from calplan.learned import known
from calplan.model import Kind, Plan, Role, plan_from_json
from tests import served
from web import forms, plans, store
from web.powers import Power

if TYPE_CHECKING:
    from flask import Flask
    from flask.testing import FlaskClient
    from werkzeug.test import TestResponse

    from calplan.checkins import Log
    from web.store import Kept


@pytest.fixture
def kept(app: Flask) -> Kept:
    return served.keep(app)


def plan_of(kept: Kept) -> Plan:
    return plan_from_json(kept.plan)


def address(app: Flask, kept: Kept, uid: str) -> str:
    return f"/block/{served.token(app, Power.CHECK_IN, kept.id)}/{uid}"


def log(app: Flask, kept: Kept) -> Log:
    with store.reading(served.service_of(app).engine) as connection:
        return plans.log_of(connection, kept.id)


def events(app: Flask, client: FlaskClient, kept: Kept) -> dict[str, icalendar.Event]:
    calendar = icalendar.Calendar.from_ical(client.get(served.feed_path(app, kept.id)).data)
    return {str(event["UID"]): event for event in calendar.walk("VEVENT")}


def words(answer: TestResponse) -> str:
    return " ".join(unescape(re.sub(r"<[^>]*>", " ", answer.text)).split())


def hidden(answer: TestResponse) -> str:
    found = re.search(r'name="form" value="([0-9a-f]+)"', answer.text)
    assert found
    return found[1]


def test_a_tap_on_the_link_and_a_tap_on_the_button_and_it_is_said(
    app: Flask, client: FlaskClient, kept: Kept, clock: served.Clock
) -> None:
    clock.forward(days=1)
    block = plan_of(kept).blocks[0]
    before = events(app, client, kept)
    page = client.get(address(app, kept, block.uid))
    assert page.status_code == 200
    assert log(app, kept) == ()  # looking says nothing
    answer = client.post(address(app, kept, block.uid), data={"act": "done", "form": hidden(page)})
    assert answer.status_code == 303
    assert "You said: done." in words(client.get(answer.location))
    assert last_words(log(app, kept))[block.uid].outcome is Outcome.DONE
    after = events(app, client, kept)
    assert str(after[block.uid]["SUMMARY"]) == f"Done: {before[block.uid]['SUMMARY']}"
    assert after[block.uid]["SEQUENCE"] == before[block.uid]["SEQUENCE"]
    assert after[block.uid]["DTSTAMP"].dt == clock.now
    others = before.keys() - {block.uid}
    assert {uid: before[uid].to_ical() for uid in others} == {uid: after[uid].to_ical() for uid in others}


def test_a_button_pressed_twice_is_one_word_and_another_choice_is_another(
    app: Flask, client: FlaskClient, kept: Kept, clock: served.Clock
) -> None:
    clock.forward(days=1)
    uid = plan_of(kept).blocks[0].uid
    form = hidden(client.get(address(app, kept, uid)))
    for act in ("done", "done", "missed"):
        clock.forward(seconds=5)
        assert client.post(address(app, kept, uid), data={"act": act, "form": form}).status_code == 303
    assert [entry.outcome for entry in standing(log(app, kept))] == [Outcome.DONE, Outcome.MISSED]
    page = words(client.get(address(app, kept, uid)))
    assert "You said: missed." in page
    assert "something else was said of this block" in page


def test_what_was_said_can_be_taken_back_and_the_calendar_follows_without_going_back_in_time(
    app: Flask, client: FlaskClient, kept: Kept, clock: served.Clock
) -> None:
    clock.forward(days=1)
    uid = plan_of(kept).blocks[0].uid
    summary = events(app, client, kept)[uid]["SUMMARY"]
    client.post(address(app, kept, uid), data={"act": "done", "form": "1"})
    said = events(app, client, kept)[uid]["DTSTAMP"].dt
    clock.forward(minutes=3)
    for _ in range(2):
        answer = client.post(address(app, kept, uid), data={"act": "take-back"})
        assert answer.status_code == 303
    assert last_words(log(app, kept)) == {}
    after = events(app, client, kept)[uid]
    assert after["SUMMARY"] == summary
    assert after["DTSTAMP"].dt == said + timedelta(minutes=3)


def test_a_missed_block_looks_as_it_did_to_the_byte(
    app: Flask, client: FlaskClient, kept: Kept, clock: served.Clock
) -> None:
    clock.forward(days=1)
    before = client.get(served.feed_path(app, kept.id))
    answer = client.post(address(app, kept, plan_of(kept).blocks[0].uid), data={"act": "missed"})
    assert answer.status_code == 303
    after = client.get(served.feed_path(app, kept.id))
    assert (after.data, after.headers["ETag"]) == (before.data, before.headers["ETag"])


def test_partly_with_minutes_flags_and_sheet_is_kept_as_it_was_said(
    app: Flask, client: FlaskClient, kept: Kept, clock: served.Clock
) -> None:
    clock.forward(days=2)
    plan = plan_of(kept)
    quizzes = next(block for block in plan.blocks if "quiz" in block.parts[0].task or block.day == plan.days[1].day)
    page = client.get(address(app, kept, quizzes.uid))
    assert 'name="flags-chem.quiz-1"' in page.text
    fields = {
        "act": "partly",
        "form": hidden(page),
        "reached": "10",
        "minutes": "25",
        "wrong-chem.quiz-1": "2",
        "flags-chem.quiz-1": "7 1, 9b 2 x2, 12 3",
        "sheet_pages": "1",
        "instead": "  helped   at home ",
    }
    assert client.post(address(app, kept, quizzes.uid), data=fields).status_code == 303
    (word,) = standing(log(app, kept))
    assert isinstance(word, CheckIn)
    assert (word.outcome, word.reached, word.minutes, word.sheet_pages) == (Outcome.PARTLY, 10, 25, 1)
    assert word.instead == "helped at home"
    assert word.found[0].wrong == 2
    assert word.found[0].flags == (
        Flag(problem="7", importance=1, tries=1),
        Flag(problem="9b", importance=2, tries=2),
        Flag(problem="12", importance=3, tries=0),
    )
    assert events(app, client, kept)[quizzes.uid]["SUMMARY"].startswith("Partly done: ")


@pytest.mark.parametrize(
    ("fields", "sentence"),
    [
        ({"act": "won"}, "Press one of the buttons"),
        ({"act": "partly"}, "Say how many of its"),
        ({"act": "partly", "reached": "9999"}, "a whole number from 1 to"),
        ({"act": "done", "minutes": "-3"}, "a whole number from 0 to 600"),
        ({"act": "done", "sheet_pages": "many"}, "a whole number from 0 to 20"),
        ({"act": "done", "flags-chem.homework-1": "seven one"}, "cannot be read. Write a problem and 1, 2 or 3"),
        ({"act": "done", "instead": "x" * 201}, "At most 200 characters"),
    ],
)
def test_what_is_wrong_stands_beside_its_field_and_nothing_typed_is_lost(
    app: Flask, client: FlaskClient, kept: Kept, clock: served.Clock, fields: dict[str, str], sentence: str
) -> None:
    clock.forward(days=1)
    uid = plan_of(kept).blocks[0].uid
    answer = client.post(address(app, kept, uid), data={"instead": "swam", **fields})
    assert answer.status_code == 422
    assert sentence in words(answer)
    for text in fields.values():
        assert text in ("won", "partly", "done") or f'value="{text}"' in answer.text
    assert log(app, kept) == ()


def test_everything_wrong_is_told_at_once(app: Flask, client: FlaskClient, kept: Kept, clock: served.Clock) -> None:
    clock.forward(days=1)
    fields = {"act": "partly", "reached": "x", "minutes": "y", "sheet_pages": "z", "flags-chem.homework-1": "q"}
    answer = client.post(address(app, kept, plan_of(kept).blocks[0].uid), data=fields)
    assert answer.text.count('class="problem"') == 4


def test_what_lies_ahead_can_be_done_already_but_not_missed(app: Flask, client: FlaskClient, kept: Kept) -> None:
    uid = plan_of(kept).blocks[-1].uid
    assert client.post(address(app, kept, uid), data={"act": "missed"}).status_code == 422
    assert client.post(address(app, kept, uid), data={"act": "done"}).status_code == 303


def test_blocks_without_a_word_are_asked_about_together_and_what_is_not_ticked_stays_so(
    app: Flask, client: FlaskClient, kept: Kept, clock: served.Clock
) -> None:
    plan = plan_of(kept)
    clock.forward(days=5)
    own = f"/plan/{served.token(app, Power.MANAGE, kept.id)}"
    page = client.get(own)
    asked = re.findall(r'name="block" value="([^"]+)"', page.text)
    assert len(asked) == 5
    assert set(asked) == {block.uid for block in plan.blocks[:5]}
    answer = client.post(f"{own}/said", data={"block": [asked[0], asked[2], "no-such-block"], "form": hidden(page)})
    assert answer.status_code == 303
    assert set(last_words(log(app, kept))) == {asked[0], asked[2]}
    left = re.findall(r'name="block" value="([^"]+)"', client.get(own).text)
    assert left == [asked[1], asked[3], asked[4]]
    with store.reading(served.service_of(app).engine) as connection:
        now = store.find(connection, kept.id)
    assert now is not None
    assert (now.version, now.plan) == (kept.version, kept.plan)  # nothing is planned anew unasked


def test_two_devices_at_once_lose_nothing(app: Flask, kept: Kept, clock: served.Clock) -> None:
    clock.forward(days=10)
    uids = [block.uid for block in plan_of(kept).blocks[:8]]
    with ThreadPoolExecutor(4) as pool:
        codes = list(
            pool.map(
                lambda uid: app.test_client().post(address(app, kept, uid), data={"act": "done"}).status_code, uids
            )
        )
    assert codes == [303] * 8
    assert set(last_words(log(app, kept))) == set(uids)
    marked = [e for e in events(app, app.test_client(), kept).values() if str(e["SUMMARY"]).startswith("Done: ")]
    assert len(marked) == 8


def test_a_change_of_the_plan_keeps_what_was_said_of_it_in_the_calendar(
    app: Flask, client: FlaskClient, kept: Kept, clock: served.Clock
) -> None:
    clock.forward(days=1)
    uid = plan_of(kept).blocks[0].uid
    client.post(address(app, kept, uid), data={"act": "done"})
    served.change_alarm(app, kept.id, 10)
    assert str(events(app, client, kept)[uid]["SUMMARY"]).startswith("Done: ")
    own = f"/plan/{served.token(app, Power.MANAGE, kept.id)}"
    assert b"SUMMARY:Done: " in client.get(f"{own}/plan.ics").data


def test_the_strip_shows_what_was_done_and_what_was_missed(
    app: Flask, client: FlaskClient, kept: Kept, clock: served.Clock
) -> None:
    clock.forward(days=3)
    first, second, *_ = plan_of(kept).blocks
    client.post(address(app, kept, first.uid), data={"act": "done"})
    client.post(address(app, kept, second.uid), data={"act": "missed"})
    page = words(client.get(f"/plan/{served.token(app, Power.MANAGE, kept.id)}"))
    assert re.search(r"\bdone\b", page)
    assert re.search(r"\bmissed\b", page)


def test_after_a_missed_block_the_plan_offers_to_plan_its_work_again_and_does_so_when_told(
    app: Flask, client: FlaskClient, kept: Kept, clock: served.Clock
) -> None:
    clock.forward(days=3)
    missed = plan_of(kept).blocks[1]
    own = f"/plan/{served.token(app, Power.MANAGE, kept.id)}"
    assert "Plan that work again" not in words(client.get(own))
    client.post(address(app, kept, missed.uid), data={"act": "missed"})
    assert "Plan that work again" in words(client.get(own))
    fields = forms.to_fields(served.mapping_of()) | {"version": str(kept.version)}
    answer = client.post(f"{own}/change", data=fields | {"act": "keep"}, content_type="multipart/form-data")
    assert answer.status_code == 303, words(answer)
    assert answer.location.endswith("done=changed")
    with store.reading(served.service_of(app).engine) as connection:
        now = store.find(connection, kept.id)
    assert now is not None
    assert [block.uid for block in plan_of(now).past if block.missed] == [missed.uid]
    assert "Plan that work again" not in words(client.get(own))


def test_the_enter_key_says_nothing_of_the_block(
    app: Flask, client: FlaskClient, kept: Kept, clock: served.Clock
) -> None:
    """A form that is sent without a button is sent with its first one (HTML standard, §4.10.21.2)."""
    clock.forward(days=1)
    uid = plan_of(kept).blocks[0].uid
    form = client.get(address(app, kept, uid)).text.partition('class="stack check-in"')[2]
    first = re.search(r"<button[^>]*>", form)
    assert first
    assert 'value=""' in first[0]
    answer = client.post(address(app, kept, uid), data={"act": "", "minutes": "20"})
    assert answer.status_code == 422
    assert "Press one of the buttons" in words(answer)
    assert 'value="20"' in answer.text
    assert log(app, kept) == ()


def to_flag(answer: TestResponse) -> list[str]:
    """The materials that a block's page has a field for flags for."""
    return re.findall(r'name="flags-([^"]+)"', answer.text)


def plan_again(app: Flask, client: FlaskClient, kept: Kept) -> None:
    """The change form sent as it is, which plans missed work again and fits what lies ahead to what was said."""
    now = served.now_kept(app, kept)
    fields = forms.to_fields(served.mapping_of()) | {"version": str(now.version), "act": "keep"}
    own = f"/plan/{served.token(app, Power.MANAGE, kept.id)}"
    answer = client.post(f"{own}/change", data=fields, content_type="multipart/form-data")
    assert answer.status_code == 303, words(answer)


def taken(text: str) -> set[str]:
    """The pieces that the words of a block say to take."""
    return set(re.findall(r"(?:Homework|Quiz|Test) \d+", text.partition("Take:")[2].partition("How:")[0]))


def test_a_block_that_mending_left_behind_can_still_be_flagged_and_its_flags_size_the_second_pass(
    app: Flask, client: FlaskClient, kept: Kept, clock: served.Clock
) -> None:
    """Planned again in the morning, and only then asked how yesterday went: its page asks as it did before."""
    clock.forward(days=2)
    uids = [block.uid for block in plan_of(kept).blocks[:2]]
    before = [to_flag(client.get(address(app, kept, uid))) for uid in uids]
    client.post(address(app, kept, uids[1]), data={"act": "missed"})
    plan_again(app, client, kept)
    plan = served.plan_now(app, kept)
    assert {one.uid for one in plan.past} == set(uids)
    titles = {
        one.title: one.key for exam in plans.opened(served.now_kept(app, kept)).request.exams for one in exam.materials
    }
    for block in plan.past:
        assert {titles[one] for one in taken(block.text)} <= set(to_flag(client.get(address(app, kept, block.uid))))
    assert [to_flag(client.get(address(app, kept, uid))) for uid in uids] == before

    many = ", ".join(f"{number} 1" for number in range(1, 21))
    answer = client.post(address(app, kept, uids[0]), data={"act": "done", f"flags-{before[0][0]}": many})
    assert answer.status_code == 303
    plan_again(app, client, kept)
    seconds = [task for task in served.plan_now(app, kept).tasks if task.role is Role.CONSOLIDATE]
    [second] = [task for task in seconds if task.kind is Kind.HOMEWORK]
    assert "1 (must), 2 (must), 3 (must)" in " ".join(second.notes)
    assert len(second.ranks) * 5 >= 20 * 4  # twenty flags of four minutes each


def test_what_was_flagged_can_be_settled_on_the_page_of_its_second_pass(
    app: Flask, client: FlaskClient, kept: Kept, clock: served.Clock
) -> None:
    """A second pass over a kind asks about what was flagged in it, and once it is settled still does."""
    clock.forward(days=1)
    first = plan_of(kept).blocks[0].uid
    client.post(address(app, kept, first), data={"act": "done", "flags-chem.homework-2": "3 1, 5 2"})
    plan_again(app, client, kept)
    plan = served.plan_now(app, kept)
    names = {task.id for task in plan.tasks if task.role is Role.CONSOLIDATE and task.kind is Kind.HOMEWORK}
    block = next(one for one in plan.blocks if names & {part.task for part in one.parts})
    clock.now = block.start.replace(tzinfo=ZoneInfo(plan.zone)).astimezone(UTC)
    for _ in range(2):
        assert "chem.homework-2" in to_flag(client.get(address(app, kept, block.uid)))
        assert "chem.homework-3" not in to_flag(client.get(address(app, kept, block.uid)))
        said = {"act": "done", "flags-chem.homework-2": "3 3, 5 3"}
        assert client.post(address(app, kept, block.uid), data=said).status_code == 303
    request = plans.opened(served.now_kept(app, kept)).request
    assert not known(request, plan, log(app, kept)).open_flags()


def test_where_nothing_was_flagged_a_second_pass_asks_about_all_of_its_kind(
    app: Flask, client: FlaskClient, kept: Kept
) -> None:
    plan = plan_of(kept)
    names = {task.id for task in plan.tasks if task.role is Role.CONSOLIDATE and task.kind is Kind.QUIZ}
    block = next(one for one in plan.blocks if names & {part.task for part in one.parts})
    quizzes = {one.key for exam in plans.opened(kept).request.exams for one in exam.materials if one.kind is Kind.QUIZ}
    assert quizzes <= set(to_flag(client.get(address(app, kept, block.uid))))


def test_flags_alone_are_offered_to_be_fitted_in_until_they_are(
    app: Flask, client: FlaskClient, kept: Kept, clock: served.Clock
) -> None:
    """One who misses nothing has second passes of the right size too; what changes no work is no reason to ask."""
    own = f"/plan/{served.token(app, Power.MANAGE, kept.id)}"
    clock.forward(days=1)
    uid = plan_of(kept).blocks[0].uid
    assert client.post(address(app, kept, uid), data={"act": "done"}).status_code == 303
    assert "Fit the plan to it" not in words(client.get(own))
    many = ", ".join(f"{number} 1" for number in range(1, 13))
    clock.forward(minutes=1)
    client.post(address(app, kept, uid), data={"act": "done", "flags-chem.homework-1": many})
    assert "kept for the second pass" in words(client.get(address(app, kept, uid)))
    assert "Fit the plan to it" in words(client.get(own))
    looked = client.get(f"{own}/difference?again=1")
    assert "Apply this" in words(looked)
    clock.forward(minutes=1)
    answer = client.post(f"{own}/difference", data={"again": "1", "version": str(served.now_kept(app, kept).version)})
    assert answer.status_code == 303
    assert "Fit the plan to it" not in words(client.get(own))
    tasks = served.plan_now(app, kept).tasks
    [second] = [one for one in tasks if one.role is Role.CONSOLIDATE and one.kind is Kind.HOMEWORK]
    assert "Homework 1: 1 (must), 2 (must)" in " ".join(second.notes)
