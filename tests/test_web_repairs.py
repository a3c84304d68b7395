"""Repairs on the service: the difference comes first, is applied, and is taken back; a block is put later, or kept.

Calendars are read by icalendar; SEQUENCE counts changes of time (RFC 5545 §3.8.7.4).
"""

from __future__ import annotations

import re
from html import unescape
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import icalendar
import pytest

from calplan.model import Plan, plan_from_json
from calplan.planner import make_plan
from calplan.request import from_mapping
from tests import served
from web import plans, store
from web.powers import Power

if TYPE_CHECKING:
    from flask import Flask
    from flask.testing import FlaskClient
    from werkzeug.test import TestResponse

    from web.store import Kept


@pytest.fixture
def kept(app: Flask) -> Kept:
    return served.keep(app)


def own(app: Flask, kept: Kept) -> str:
    return f"/plan/{served.token(app, Power.MANAGE, kept.id)}"


def words(answer: TestResponse) -> str:
    return " ".join(unescape(re.sub(r"<[^>]*>", " ", answer.text)).split())


def events(app: Flask, client: FlaskClient, kept: Kept) -> dict[str, icalendar.Event]:
    calendar = icalendar.Calendar.from_ical(client.get(served.feed_path(app, kept.id)).data)
    return {str(event["UID"]): event for event in calendar.walk("VEVENT")}


def applied(client: FlaskClient, plan: str, version: int, **asked: str) -> TestResponse:
    return client.post(f"{plan}/difference", data={"version": str(version), **asked})


TIMETABLE = (served.FIXTURES / "calendars" / "chemistry-student.ics").read_bytes()
LOST = {"first": "2027-01-12", "last": "2027-01-14"}


# ------------------------------------------------------------------------------------------------ the difference


def test_looking_changes_nothing_and_applying_does(
    app: Flask, client: FlaskClient, kept: Kept, clock: served.Clock
) -> None:
    clock.forward(days=3)
    before = client.get(served.feed_path(app, kept.id)).data
    page = client.get(f"{own(app, kept)}/difference", query_string=LOST)
    assert page.status_code == 200
    assert "Nothing is changed yet" in words(page)
    assert re.search(r"\d+ blocks? (moves?|goe?s?)|\d+ (goes|go|are new|is new)", words(page))
    assert client.get(served.feed_path(app, kept.id)).data == before
    answer = applied(client, own(app, kept), kept.version, **LOST)
    assert answer.status_code == 303
    days = {str(event["DTSTART"].dt)[:10] for event in events(app, client, kept).values()}
    assert not {"2027-01-12", "2027-01-13", "2027-01-14"} & days
    assert "The plan is mended" in words(client.get(answer.location))


def test_one_tap_loses_today(app: Flask, client: FlaskClient, kept: Kept, clock: served.Clock) -> None:
    clock.forward(days=2)
    link = re.search(r'href="([^"]+)">I lose today', client.get(own(app, kept)).text)
    assert link
    page = client.get(unescape(link[1]))
    assert page.status_code == 200
    assert "What would change" in words(page)
    assert 'name="first" value="2027-01-07"' in page.text
    assert 'name="ill"' not in page.text
    ill = re.search(r'href="([^"]+)">I am ill today', client.get(own(app, kept)).text)
    assert ill
    assert 'name="ill" value="1"' in client.get(unescape(ill[1])).text


def test_missed_work_is_planned_again_when_it_is_asked_for(
    app: Flask, client: FlaskClient, kept: Kept, clock: served.Clock
) -> None:
    block = plan_from_json(kept.plan).blocks[0]
    clock.forward(days=2)
    client.post(f"/block/{served.token(app, Power.CHECK_IN, kept.id)}/{block.uid}", data={"act": "missed"})
    link = re.search(r'href="([^"]+)">Plan that work again', client.get(own(app, kept)).text)
    assert link
    assert "Nothing is changed yet" in words(client.get(unescape(link[1])))
    assert served.now_kept(app, kept).version == kept.version
    assert applied(client, own(app, kept), kept.version, again="1").status_code == 303
    past = next(one for one in served.plan_now(app, kept).past if one.uid == block.uid)
    assert past.missed
    assert "Plan that work again" not in client.get(own(app, kept)).text


def test_after_an_illness_the_first_days_come_back_at_half(
    app: Flask, client: FlaskClient, kept: Kept, clock: served.Clock
) -> None:
    clock.forward(days=3)
    limit = plan_limit(app, kept)
    assert applied(client, own(app, kept), kept.version, ill="1", **LOST).status_code == 303
    plan = served.plan_now(app, kept)
    after = [day for day in plan.days if day.day.isoformat() > "2027-01-14" and day.free][:2]
    assert [day.short for day in after] == [limit // 2] * 2
    assert all(sum(part.units for part in day.parts) * 5 <= limit // 2 for day in after)


def plan_limit(app: Flask, kept: Kept) -> int:
    return plans.opened(served.now_kept(app, kept)).request.effort.limit


@pytest.mark.parametrize(
    "asked", [{"minutes": "10"}, {"limit": "90"}, {"essentials": "1"}, {"stay": "1", **LOST}, {"leave": "x"}]
)
def test_each_way_is_shown_and_can_be_applied_or_is_told_in_a_sentence(
    app: Flask, client: FlaskClient, kept: Kept, clock: served.Clock, asked: dict[str, str]
) -> None:
    clock.forward(days=3)
    if "leave" in asked:
        choice = re.search(r'<option value="([^"]+)">', client.get(f"{own(app, kept)}/difference").text)
        assert choice
        asked = {"leave": unescape(choice[1])}
    page = client.get(f"{own(app, kept)}/difference", query_string=asked)
    assert page.status_code == 200
    for name, text in asked.items():
        assert f'name="{name}" value="{text}"' in unescape(page.text)
    assert applied(client, own(app, kept), kept.version, **asked).status_code == 303


@pytest.mark.parametrize(
    "asked", [{"first": "tomorrow"}, {"first": "2027-02-31"}, {"minutes": "many"}, {"limit": "-5"}, {"leave": "no one"}]
)
def test_what_cannot_be_is_told_in_a_sentence_and_not_applied(
    app: Flask, client: FlaskClient, kept: Kept, asked: dict[str, str]
) -> None:
    page = client.get(f"{own(app, kept)}/difference", query_string=asked)
    assert page.status_code == 200
    assert 'role="alert"' in page.text
    assert "Apply this" not in page.text
    assert applied(client, own(app, kept), kept.version, **asked).status_code == 422


def test_days_that_leave_none_are_refused_with_what_can_be_done(app: Flask, client: FlaskClient, kept: Kept) -> None:
    page = client.get(f"{own(app, kept)}/difference?first=2027-01-01&last=2027-12-31")
    assert page.status_code == 200
    assert "No day before the exam" in words(page)


def test_a_day_off_without_work_says_that_no_block_moves_and_is_noted(
    app: Flask, client: FlaskClient, kept: Kept
) -> None:
    """No empty difference: no strip, no list; it can be applied, so that the plan knows the day from then on."""
    asked = {"first": "2027-03-01"}
    before = times(plan_from_json(kept.plan))
    page = client.get(f"{own(app, kept)}/difference", query_string=asked)
    assert "No block has to move." in words(page)
    assert "Apply this" in page.text
    assert "<svg" not in page.text.partition("<main")[2]
    assert "Block by block" not in page.text
    assert "Nothing is changed yet" not in page.text
    answer = applied(client, own(app, kept), kept.version, **asked)
    assert "That is noted. No block had to move." in words(client.get(answer.location))
    assert times(served.plan_now(app, kept)) == before
    assert "2027-03-01" in str(served.now_kept(app, kept).document)
    assert_nothing_to_apply(app, client, kept, asked)


@pytest.mark.parametrize("asked", [{"again": "1"}, {}])
def test_news_that_ask_for_nothing_say_so_and_leave_the_plan_alone(
    app: Flask, client: FlaskClient, kept: Kept, asked: dict[str, str]
) -> None:
    assert_nothing_to_apply(app, client, kept, asked)


def assert_nothing_to_apply(app: Flask, client: FlaskClient, kept: Kept, asked: dict[str, str]) -> None:
    """The page says so; sent all the same, it changes nothing, and says that too."""
    before = served.now_kept(app, kept)
    page = client.get(f"{own(app, kept)}/difference", query_string=asked)
    assert page.status_code == 200
    assert "There is nothing to apply." in words(page)
    assert "Apply this" not in page.text
    assert "<svg" not in page.text.partition("<main")[2]
    answer = applied(client, own(app, kept), before.version, **asked)
    assert answer.status_code == 303
    assert "nothing had to change, and nothing did" in words(client.get(answer.location))
    assert served.now_kept(app, kept) == before


def test_two_devices_do_not_overwrite_each_other(
    app: Flask, client: FlaskClient, kept: Kept, clock: served.Clock
) -> None:
    clock.forward(days=3)
    assert applied(client, own(app, kept), kept.version, **LOST).status_code == 303
    second = applied(client, own(app, kept), kept.version, first="2027-01-20")
    assert second.status_code == 409
    assert "changed on another device" in words(second)
    assert served.now_kept(app, kept).version == kept.version + 1


# ------------------------------------------------------------------------------------------------ undo


def test_undo_gives_back_tasks_days_and_times_and_sequences_go_on(
    app: Flask, client: FlaskClient, kept: Kept, clock: served.Clock
) -> None:
    clock.forward(days=3)
    first = events(app, client, kept)
    assert applied(client, own(app, kept), kept.version, **LOST).status_code == 303
    second = events(app, client, kept)
    version = served.now_kept(app, kept).version
    clock.forward(minutes=2)
    assert "Take the last change back" in client.get(own(app, kept)).text
    answer = client.post(f"{own(app, kept)}/undo", data={"version": str(version)})
    assert answer.location.endswith("done=undone")
    before, after = plan_from_json(kept.plan), served.plan_now(app, kept)
    assert (after.tasks, after.days) == (before.tasks, before.days)
    assert [(b.uid, b.start, b.minutes, b.parts) for b in after.blocks] == [
        (b.uid, b.start, b.minutes, b.parts) for b in before.blocks
    ]
    assert served.now_kept(app, kept).document == kept.document
    third = events(app, client, kept)
    assert {uid: event.start for uid, event in third.items()} == {uid: event.start for uid, event in first.items()}
    for uid, event in third.items():
        if uid in second:
            moved = (second[uid].start, second[uid].end) != (event.start, event.end)
            assert int(event["SEQUENCE"]) == int(second[uid]["SEQUENCE"]) + moved
    assert "Take the last change back" not in client.get(own(app, kept)).text


def test_undo_is_no_longer_offered_once_a_block_has_begun(
    app: Flask, client: FlaskClient, kept: Kept, clock: served.Clock
) -> None:
    clock.forward(days=3)
    assert applied(client, own(app, kept), kept.version, **LOST).status_code == 303
    version = served.now_kept(app, kept).version
    clock.forward(days=2)
    assert "Take the last change back" not in client.get(own(app, kept)).text
    answer = client.post(f"{own(app, kept)}/undo", data={"version": str(version)})
    assert answer.location.endswith("done=not-undone")
    assert served.now_kept(app, kept).version == version


@pytest.mark.parametrize("act", [{"act": "alarms", "alarm": "on", "minutes": "15"}, {"act": "replace"}])
def test_reminders_and_links_are_no_change_that_could_be_taken_back(
    app: Flask, client: FlaskClient, kept: Kept, act: dict[str, str]
) -> None:
    client.post(f"{own(app, kept)}/calendar", data=act)
    assert served.now_kept(app, kept).version == kept.version + 1
    assert "Take the last change back" not in client.get(own(app, kept)).text


@pytest.mark.parametrize("act", [{"act": "alarms", "alarm": "on", "minutes": "15"}, {"act": "replace"}])
def test_undo_reaches_behind_reminders_and_links_and_leaves_them(
    app: Flask, client: FlaskClient, kept: Kept, clock: served.Clock, act: dict[str, str]
) -> None:
    clock.forward(days=3)
    assert applied(client, own(app, kept), kept.version, **LOST).status_code == 303
    client.post(f"{own(app, kept)}/calendar", data=act)
    between = served.now_kept(app, kept)
    clock.forward(minutes=2)
    answer = client.post(f"{own(app, kept)}/undo", data={"version": str(between.version)})
    assert answer.location.endswith("done=undone")
    after = served.now_kept(app, kept)
    assert after.document == kept.document
    assert times(plan_from_json(after.plan)) == times(plan_from_json(kept.plan))
    assert (after.alarm, after.check_in_generation) == (between.alarm, between.check_in_generation)
    assert "Take the last change back" not in client.get(own(app, kept)).text


def times(plan: Plan) -> list[tuple[object, ...]]:
    return [(block.uid, block.start, block.minutes, block.parts) for block in plan.blocks]


def test_changes_are_taken_back_one_after_the_other(
    app: Flask, client: FlaskClient, kept: Kept, clock: served.Clock
) -> None:
    clock.forward(days=3)
    stages = [kept]
    for asked in (LOST, {"first": "2027-01-20"}):
        assert applied(client, own(app, kept), stages[-1].version, **asked).status_code == 303
        stages.append(served.now_kept(app, kept))
    for earlier in (stages[1], stages[0]):
        clock.forward(minutes=2)
        client.post(f"{own(app, kept)}/undo", data={"version": str(served.now_kept(app, kept).version)})
        assert served.now_kept(app, kept).document == earlier.document
        assert times(served.plan_now(app, kept)) == times(plan_from_json(earlier.plan))


def with_timetable(app: Flask, clock: served.Clock) -> Kept:
    """A plan beside a busy calendar."""
    mapping, service = served.mapping_of(calendar=[{"file": "timetable.ics"}]), served.service_of(app)
    wanted = from_mapping(mapping)
    plan = make_plan(wanted, {"timetable.ics": TIMETABLE}, as_of=clock(), seed="calendar")
    with store.writing(service.engine) as connection:
        return plans.keep(service, connection, mapping, wanted, plan, {"timetable.ics": TIMETABLE})


@pytest.mark.parametrize("newer", [None, "T160000"])
def test_a_version_whose_calendar_is_gone_or_another_is_not_put_back(
    app: Flask, client: FlaskClient, clock: served.Clock, newer: str | None
) -> None:
    """Else the plan would ask for a file that is not there, and nothing could be mended any more."""
    kept, service = with_timetable(app, clock), served.service_of(app)
    clock.forward(minutes=5)
    changed = plans.opened(kept).mapping if newer else served.mapping_of()
    data = {"timetable.ics": TIMETABLE.replace(b"T100000", newer.encode())} if newer else {}
    after = plans.redraft(service, plans.opened(kept), from_mapping(changed), data)
    uploads = {name: store.Upload(name, one, clock()) for name, one in data.items()}
    with store.writing(service.engine) as connection:
        assert plans.change(service, connection, plans.opened(kept), changed, from_mapping(changed), after, uploads)
    clock.forward(minutes=5)
    assert "Take the last change back" not in client.get(own(app, kept)).text
    answer = client.post(f"{own(app, kept)}/undo", data={"version": str(served.now_kept(app, kept).version)})
    assert "cannot be taken back now" in words(client.get(answer.location))
    assert "Apply this" in client.get(f"{own(app, kept)}/difference", query_string=LOST).text


def test_a_calendar_that_stays_does_not_hinder_undo(app: Flask, client: FlaskClient, clock: served.Clock) -> None:
    kept = with_timetable(app, clock)
    plan = plans.opened(kept).plan
    clock.forward(days=3)
    assert applied(client, own(app, kept), kept.version, **LOST).status_code == 303
    clock.forward(minutes=2)
    answer = client.post(f"{own(app, kept)}/undo", data={"version": str(served.now_kept(app, kept).version)})
    assert answer.location.endswith("done=undone")
    assert times(served.plan_now(app, kept)) == times(plan)
    assert "Apply this" in client.get(f"{own(app, kept)}/difference", query_string=LOST).text


# ------------------------------------------------------------------------------------------------ one block


def test_a_block_is_put_later_today_and_its_event_follows(
    app: Flask, client: FlaskClient, kept: Kept, clock: served.Clock
) -> None:
    block = plan_from_json(kept.plan).blocks[1]
    begins = block.start.replace(tzinfo=ZoneInfo(plan_from_json(kept.plan).zone))
    clock.forward(seconds=(begins - clock()).total_seconds() - 3600)
    link = f"/block/{served.token(app, Power.CHECK_IN, kept.id)}/{block.uid}"
    page = client.get(link)
    starts = re.findall(r'<option value="([^"]+)">', page.text)
    assert starts
    before = events(app, client, kept)
    answer = client.post(f"{link}/place", data={"act": "later", "start": starts[-1]})
    assert "The block is later today" in words(client.get(answer.location))
    after = events(app, client, kept)
    changed = {uid for uid in before if before[uid].to_ical() != after[uid].to_ical()}
    assert changed == {block.uid}
    assert int(after[block.uid]["SEQUENCE"]) == 1
    assert after[block.uid].start > before[block.uid].start
    assert "This block has moved since" in words(client.get(link))
    refused = client.post(f"{link}/place", data={"act": "later", "start": "2027-01-01T03:00:00"})
    assert "stays where it is" in words(client.get(refused.location))


def test_a_block_is_kept_where_it_is_and_let_go_again(app: Flask, client: FlaskClient, kept: Kept) -> None:
    block = plan_from_json(kept.plan).blocks[3]
    link = f"/block/{served.token(app, Power.CHECK_IN, kept.id)}/{block.uid}"
    assert "Keep it where it is" in words(client.get(link))
    before = client.get(served.feed_path(app, kept.id)).data
    client.post(f"{link}/place", data={"act": "keep"})
    assert "Let it move again" in words(client.get(link))
    assert [b.uid for b in served.plan_now(app, kept).blocks if b.held] == [block.uid]
    client.post(f"{link}/place", data={"act": "let-go"})
    assert not any(b.held for b in served.plan_now(app, kept).blocks)
    assert client.get(served.feed_path(app, kept.id)).data == before


def test_of_a_block_that_something_was_said_of_nothing_is_offered(app: Flask, client: FlaskClient, kept: Kept) -> None:
    block = plan_from_json(kept.plan).blocks[0]
    link = f"/block/{served.token(app, Power.CHECK_IN, kept.id)}/{block.uid}"
    client.post(link, data={"act": "done"})
    assert "Keep it where it is" not in words(client.get(link))
    answer = client.post(f"{link}/place", data={"act": "keep"})
    assert "stays where it is" in words(client.get(answer.location))
    assert served.now_kept(app, kept).version == kept.version


def test_a_block_that_is_none_cannot_be_put_anywhere(app: Flask, client: FlaskClient, kept: Kept) -> None:
    link = f"/block/{served.token(app, Power.CHECK_IN, kept.id)}/none"
    assert client.post(f"{link}/place", data={"act": "keep"}).status_code == 404
