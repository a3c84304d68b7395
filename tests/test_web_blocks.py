"""The page of a block: later today, from when to when it moved, done ahead of its day, an early end, one that left.

Calendars are read by icalendar, and what the pages say is held against them: SEQUENCE counts changes of time (RFC 5545
§3.8.7.4), and instants are compared, not words.
"""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from html import unescape
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import icalendar
import pytest

from calplan.model import Plan, plan_from_json
from tests import served
from web.powers import TOKEN_LENGTH, Power

if TYPE_CHECKING:
    from flask import Flask
    from flask.testing import FlaskClient
    from werkzeug.test import TestResponse

    from calplan.model import Block
    from web.store import Kept


HERE = ZoneInfo("America/Chicago")
"""The zone of the plans here."""

LOST = {"first": "2027-01-08", "last": "2027-01-20"}
"""Lost days after which some blocks stand elsewhere, and some are no longer there."""


def link(app: Flask, kept: Kept, uid: str) -> str:
    return f"/block/{served.token(app, Power.CHECK_IN, kept.id)}/{uid}"


def words(answer: TestResponse) -> str:
    return " ".join(unescape(re.sub(r"<[^>]*>", " ", answer.text)).split())


def events(app: Flask, client: FlaskClient, kept: Kept) -> dict[str, icalendar.Event]:
    calendar = icalendar.Calendar.from_ical(client.get(served.feed_path(app, kept.id)).data)
    every = {str(event["UID"]): event for event in calendar.walk("VEVENT")}
    return {uid: event for uid, event in every.items() if isinstance(event.start, datetime)}


def here(event: icalendar.Event) -> datetime:
    """When an event begins on the student's wall clock; the feed has instants of UTC."""
    return event.start.astimezone(HERE)


def go_to(clock: served.Clock, plan: Plan, block: Block, minutes: int) -> None:
    """Moves the clock to so many minutes after a block's start, before it where they are negative."""
    begins = block.start.replace(tzinfo=ZoneInfo(plan.zone), fold=block.fold)
    clock.now = begins.astimezone(UTC) + timedelta(minutes=minutes)


def offered(page: TestResponse) -> list[str]:
    """The starts on buttons, and after them those in the list."""
    buttons = re.findall(r'<button[^>]* name="start" value="([^"]+)"', page.text)
    assert len(buttons) <= 3
    return [*buttons, *re.findall(r'<option value="([^"]+)">', page.text)]


# ------------------------------------------------------------------------------------------------- later today


@pytest.mark.parametrize("minutes", [-60, 10], ids=["ahead", "begun without a word"])
def test_a_block_goes_later_by_one_button_and_no_other_event_changes(
    app: Flask, client: FlaskClient, clock: served.Clock, minutes: int
) -> None:
    kept = served.keep(app)
    plan = plan_from_json(kept.plan)
    block = plan.blocks[1]
    go_to(clock, plan, block, minutes)
    address = link(app, kept, block.uid)
    starts = offered(client.get(address))
    assert len(starts) > 3
    assert starts == sorted(set(starts))
    before = events(app, client, kept)
    answer = client.post(f"{address}/place", data={"act": "later", "start": starts[0]})
    assert answer.status_code == 303
    assert "The block is later today" in words(client.get(answer.location))
    after = events(app, client, kept)
    assert {uid for uid in before if before[uid].to_ical() != after[uid].to_ical()} == {block.uid}
    moved = after[block.uid]
    assert here(moved).replace(tzinfo=None) == datetime.fromisoformat(starts[0])
    assert moved.start > max(before[block.uid].start, clock())
    assert moved.end - moved.start == before[block.uid].end - before[block.uid].start
    assert int(moved["SEQUENCE"]) == int(before[block.uid].get("SEQUENCE", 0)) + 1


def test_whatever_start_is_offered_is_taken(app: Flask, client: FlaskClient, clock: served.Clock) -> None:
    """Where other work of the day has to come after a block, a gap behind that work is free and yet no place for it."""
    kept = served.keep(app, "chemistry-10")
    plan = plan_from_json(kept.plan)
    days = sorted({block.day for block in plan.blocks if not block.fixed})
    tried = 0
    for day in days:
        first, *others = [block for block in plan.blocks if block.day == day]
        if not others:
            continue
        go_to(clock, plan, first, -30)
        address = link(app, kept, first.uid)
        starts = offered(client.get(address))
        if not starts:
            continue
        answer = client.post(f"{address}/place", data={"act": "later", "start": starts[-1]})
        assert "The block is later today" in words(client.get(answer.location)), (day, starts[-1])
        event = events(app, client, kept)[first.uid]
        assert here(event).replace(tzinfo=None) == datetime.fromisoformat(starts[-1])
        tried += 1
    assert tried >= 2, "the fixture has days with several blocks"


def test_the_same_button_on_two_devices_moves_a_block_once(
    app: Flask, client: FlaskClient, clock: served.Clock
) -> None:
    kept = served.keep(app)
    plan = plan_from_json(kept.plan)
    block = plan.blocks[1]
    go_to(clock, plan, block, -60)
    address = link(app, kept, block.uid)
    start = offered(client.get(address))[1]
    for told in ("The block is later today", "stays where it is"):
        answer = client.post(f"{address}/place", data={"act": "later", "start": start})
        assert told in words(client.get(answer.location))
    assert served.now_kept(app, kept).version == kept.version + 1
    assert int(events(app, client, kept)[block.uid]["SEQUENCE"]) == 1


def test_nothing_is_offered_for_another_day(app: Flask, client: FlaskClient, clock: served.Clock) -> None:
    kept = served.keep(app)
    plan = plan_from_json(kept.plan)
    go_to(clock, plan, plan.blocks[1], -60)
    page = client.get(link(app, kept, plan.blocks[5].uid))
    assert offered(page) == []
    assert "Later today" not in words(page)
    assert "Keep it where it is" in words(page)


def test_a_few_minutes_only_is_told_and_no_other_link_is_given_away(
    app: Flask, client: FlaskClient, clock: served.Clock
) -> None:
    kept = served.keep(app)
    plan = plan_from_json(kept.plan)
    go_to(clock, plan, plan.blocks[1], -60)
    page = client.get(link(app, kept, plan.blocks[1].uid))
    assert "Only a few minutes today" in words(page)
    assert_no_secrets(app, kept, page.text)


def assert_no_secrets(app: Flask, kept: Kept, html: str) -> None:
    """No token but that for checking in, and no address of another power."""
    mine = served.token(app, Power.CHECK_IN, kept.id)
    found = set(re.findall(rf"/([A-Za-z0-9_-]{{{TOKEN_LENGTH}}})(?=[/\"'?#.])", html))
    assert found <= {mine}
    for power in (Power.MANAGE, Power.VIEW, Power.FEED):
        assert served.token(app, power, kept.id) not in html


def mended_after_two_days(
    app: Flask, client: FlaskClient, clock: served.Clock
) -> tuple[Kept, dict[str, icalendar.Event]]:
    """A plan that was mended for lost days, and its events before that."""
    kept = served.keep(app)
    clock.forward(days=2)
    before = events(app, client, kept)
    manage = f"/plan/{served.token(app, Power.MANAGE, kept.id)}"
    assert client.post(f"{manage}/difference", data=LOST | {"version": str(kept.version)}).status_code == 303
    return kept, before


# ----------------------------------------------------------------------------------------------- it has moved since


def test_the_page_says_from_when_to_when_a_block_moved_also_after_other_changes(
    app: Flask, client: FlaskClient, clock: served.Clock
) -> None:
    kept, before = mended_after_two_days(app, client, clock)
    after = events(app, client, kept)
    both = sorted(before.keys() & after.keys(), key=lambda uid: after[uid].start)
    moved = [uid for uid in both if before[uid].start != after[uid].start]
    stayed = [uid for uid in both if before[uid].start == after[uid].start]
    assert moved
    assert stayed

    def check() -> None:
        for uid in moved:
            was, now = here(before[uid]), here(after[uid])
            page = words(client.get(link(app, kept, uid)))
            said = re.search(r"This block has moved since: (.*?, at \d\d:\d\d)\.", page)
            assert said
            old, _, new = said[1].partition("Now it begins")
            assert f"{was:%A} {was.day} {was:%B %Y}, {was:%H:%M}" in old
            assert f"{now:%H:%M}" in new
            assert (f"{now:%A} {now.day} {now:%B %Y}" in new) == (now.date() != was.date())
        for uid in stayed:
            assert "has moved since" not in words(client.get(link(app, kept, uid)))

    check()
    ahead = stayed[-1]
    assert after[ahead].start > clock()
    assert client.post(f"{link(app, kept, ahead)}/place", data={"act": "keep"}).status_code == 303
    served.change_alarm(app, kept.id, 10)
    assert served.now_kept(app, kept).version > kept.version + 1
    check()


# -------------------------------------------------------------------------------------------------- it left the plan


def test_a_block_that_left_the_plan_says_so_and_leads_nowhere_secret(
    app: Flask, client: FlaskClient, clock: served.Clock
) -> None:
    kept, before = mended_after_two_days(app, client, clock)
    gone = sorted(before.keys() - events(app, client, kept).keys())
    assert gone
    address = link(app, kept, gone[0])
    for answer in (
        client.get(address),
        client.post(address, data={"act": "done"}),
        client.post(f"{address}/place", data={"act": "keep"}),
    ):
        assert answer.status_code == 410
        assert "This block left the plan" in words(answer)
        assert "deleted" not in words(answer)
        assert_no_secrets(app, kept, answer.text)
        assert served.token(app, Power.CHECK_IN, kept.id) not in answer.text
    assert client.get(link(app, kept, "never-there")).status_code == 404


# ------------------------------------------------------------------------------------------- ahead, and early


def test_a_block_ahead_can_be_done_already_and_not_missed(app: Flask, client: FlaskClient, clock: served.Clock) -> None:
    kept = served.keep(app)
    plan = plan_from_json(kept.plan)
    go_to(clock, plan, plan.blocks[1], 0)
    tomorrow = plan.blocks[2]
    assert tomorrow.day > plan.blocks[1].day
    address = link(app, kept, tomorrow.uid)
    page = client.get(address)
    assert "Done already?" in words(page)
    assert 'value="done"' in page.text
    assert 'value="missed"' not in page.text
    assert client.post(address, data={"act": "missed"}).status_code == 422
    assert client.post(address, data={"act": "done"}).status_code == 303
    assert str(events(app, client, kept)[tomorrow.uid]["SUMMARY"]).startswith("Done: ")
    begun = client.get(link(app, kept, plan.blocks[1].uid))
    assert "How did it go?" in words(begun)
    assert 'value="missed"' in begun.text


@pytest.mark.parametrize(("minutes", "early"), [(-5, True), (0, False), (5, False), (None, False)])
def test_who_finished_early_may_stop_or_take_the_next_open_block(
    app: Flask, client: FlaskClient, clock: served.Clock, minutes: int | None, early: bool
) -> None:
    """The extra is the first event after now of which nothing was said; the one between is done already."""
    kept = served.keep(app)
    plan = plan_from_json(kept.plan)
    first, between = plan.blocks[:2]
    go_to(clock, plan, first, first.minutes)
    client.post(link(app, kept, between.uid), data={"act": "done"})
    work = sum(part.units for part in first.parts) * 5
    took = {} if minutes is None else {"minutes": str(work + minutes)}
    client.post(link(app, kept, first.uid), data={"act": "done", **took})
    page = client.get(link(app, kept, first.uid))
    assert ("You finished early: you may stop." in words(page)) == early
    every = sorted(events(app, client, kept).items(), key=lambda pair: pair[1].start)
    ahead = [uid for uid, event in every if event.start > clock() and not str(event["SUMMARY"]).startswith("Done: ")]
    extra = re.search(r'an extra, if you would like to: <a href="([^"]+)">', page.text)
    assert bool(extra) == early
    if extra:
        assert extra[1] == link(app, kept, ahead[0])
        assert client.get(extra[1]).status_code == 200


def test_after_the_last_block_there_is_no_extra(app: Flask, client: FlaskClient, clock: served.Clock) -> None:
    kept = served.keep(app)
    plan = plan_from_json(kept.plan)
    last = plan.blocks[-1]
    go_to(clock, plan, last, last.minutes)
    client.post(link(app, kept, last.uid), data={"act": "done", "minutes": "5"})
    said = words(client.get(link(app, kept, last.uid)))
    assert "You finished early: you may stop." in said
    assert "extra" not in said
