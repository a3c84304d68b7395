"""Several devices of one student at the same moment, on SQLite and on PostgreSQL: nothing is lost, nobody is overruled.

Each device is a thread with a client of its own. Devices meet at a barrier after all of them have read the plan and
before any of them writes, so that the order of their writing is the database's. Calendars are read by icalendar.
"""

from __future__ import annotations

import re
import threading
from concurrent.futures import ThreadPoolExecutor
from html import unescape
from itertools import count
from typing import TYPE_CHECKING

import icalendar
import pytest

from calplan.checkins import CheckIn, Outcome, entry_from_json, last_words
from calplan.model import plan_from_json
from tests import postgres, served
from web import repairs, store
from web.powers import Power

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from flask import Flask
    from werkzeug.test import TestResponse

    from calplan.checkins import Log
    from calplan.model import Plan
    from web.repairs import Looked
    from web.store import Kept

PATIENCE = 60
"""Seconds after which a device that never comes is given up."""


@pytest.fixture(params=postgres.ENGINES)
def app(request: pytest.FixtureRequest, tmp_path: Path, clock: served.Clock) -> Iterator[Flask]:
    with postgres.database(request.param, request) as url:
        made = served.application(tmp_path, clock, database_url=url)
        store.migrate(served.service_of(made).engine)
        yield made
        served.service_of(made).engine.dispose()


@pytest.fixture
def kept(app: Flask) -> Kept:
    return served.keep(app)


@pytest.fixture
def meeting(monkeypatch: pytest.MonkeyPatch) -> Callable[..., threading.Barrier]:
    """A barrier for so many devices, at which those that are repairing wait once they know what they would change."""

    def set_up(devices: int, *, repairing: int) -> threading.Barrier:
        met = threading.Barrier(devices)
        look, turns = repairs.look, count(1)

        def look_and_meet(*known: object) -> Looked:
            found = look(*known)  # type: ignore[arg-type]
            if next(turns) <= repairing:  # a look after that is the loser's
                met.wait(PATIENCE)
            return found

        monkeypatch.setattr(repairs, "look", look_and_meet)
        return met

    return set_up


def at_once(*devices: Callable[[], TestResponse]) -> list[TestResponse]:
    """What each device is answered; each has a thread of its own."""
    with ThreadPoolExecutor(len(devices)) as pool:
        return [each.result(PATIENCE) for each in [pool.submit(device) for device in devices]]


def apply(app: Flask, kept: Kept, version: int, **asked: str) -> TestResponse:
    own = f"/plan/{served.token(app, Power.MANAGE, kept.id)}/difference"
    return app.test_client().post(own, data={"version": str(version), **asked})


def say(app: Flask, kept: Kept, uid: str, **said: str) -> TestResponse:
    return app.test_client().post(f"/block/{served.token(app, Power.CHECK_IN, kept.id)}/{uid}", data=said)


def log(app: Flask, kept: Kept) -> Log:
    with store.reading(served.service_of(app).engine) as connection:
        return tuple(entry_from_json(body) for body in store.entries(connection, kept.id))


def summaries(app: Flask, kept: Kept) -> dict[str, str]:
    feed = app.test_client().get(served.feed_path(app, kept.id)).data
    return {str(e["UID"]): str(e["SUMMARY"]) for e in icalendar.Calendar.from_ical(feed).walk("VEVENT")}


def busy_days(plan: Plan) -> set[str]:
    return {block.day.isoformat() for block in plan.blocks}


def words(answer: TestResponse) -> str:
    return " ".join(unescape(re.sub(r"<[^>]*>", " ", answer.text)).split())


def test_of_two_repairs_at_once_one_is_applied_and_the_other_sees_what_it_would_change_now(
    app: Flask, kept: Kept, clock: served.Clock, meeting: Callable[..., threading.Barrier]
) -> None:
    clock.forward(days=3)
    lost = ("2027-01-14", "2027-01-20")
    assert busy_days(served.plan_now(app, kept)) >= {*lost}
    meeting(2, repairing=2)
    answers = at_once(*(lambda day=day: apply(app, kept, kept.version, first=day) for day in lost))
    assert sorted(answer.status_code for answer in answers) == [303, 409]
    won, other = (lost[[a.status_code for a in answers].index(code)] for code in (303, 409))
    assert served.now_kept(app, kept).version == kept.version + 1
    assert busy_days(served.plan_now(app, kept)) & {*lost} == {other}
    page = answers[[a.status_code for a in answers].index(409)]
    assert "changed on another device just now. Nothing was applied" in words(page)
    assert f'name="first" value="{other}"' in page.text
    version = re.search(r'name="version" value="(\d+)"', page.text)
    assert version
    assert int(version[1]) == kept.version + 1
    assert apply(app, kept, int(version[1]), first=other).status_code == 303
    assert not busy_days(served.plan_now(app, kept)) & {won, other}


def test_the_same_repair_from_two_devices_is_one_change_and_the_second_has_nothing_left_to_apply(
    app: Flask, kept: Kept, clock: served.Clock, meeting: Callable[..., threading.Barrier]
) -> None:
    clock.forward(days=3)
    meeting(2, repairing=2)
    answers = at_once(*[lambda: apply(app, kept, kept.version, first="2027-01-14")] * 2)
    assert sorted(answer.status_code for answer in answers) == [303, 409]
    assert served.now_kept(app, kept).version == kept.version + 1
    page = next(answer for answer in answers if answer.status_code == 409)
    assert "There is nothing to apply" in words(page)
    assert "Apply this" not in page.text


@pytest.mark.parametrize("acts", [("done", "done"), ("done", "missed"), ("missed", "missed")])
def test_check_ins_and_a_repair_at_once_all_count(
    app: Flask,
    kept: Kept,
    clock: served.Clock,
    meeting: Callable[..., threading.Barrier],
    acts: tuple[str, str],
) -> None:
    """Words on two blocks, and a lost day: both words are in the log and in the calendar, and the day is free."""
    clock.forward(days=3)
    uids = [block.uid for block in plan_from_json(kept.plan).blocks[:2]]
    met = meeting(3, repairing=1)

    def check_in(uid: str, act: str) -> TestResponse:
        met.wait(PATIENCE)
        return say(app, kept, uid, act=act, form=f"form of {uid[:8]}")

    answers = at_once(
        lambda: apply(app, kept, kept.version, first="2027-01-14"),
        *(lambda uid=uid, act=act: check_in(uid, act) for uid, act in zip(uids, acts, strict=True)),
    )
    assert [answer.status_code for answer in answers] == [303, 303, 303]
    assert served.now_kept(app, kept).version == kept.version + 1
    assert "2027-01-14" not in busy_days(served.plan_now(app, kept))
    said = last_words(log(app, kept))
    assert {uid: word.outcome.value for uid, word in said.items()} == dict(zip(uids, acts, strict=True))
    shown = summaries(app, kept)
    for uid, act in zip(uids, acts, strict=True):
        assert shown[uid].startswith("Done: ") == (act == "done")


def test_two_words_on_one_block_at_once_both_stay_in_the_log_and_page_and_calendar_agree(
    app: Flask, kept: Kept, clock: served.Clock
) -> None:
    clock.forward(days=1)
    uid = plan_from_json(kept.plan).blocks[0].uid
    met = threading.Barrier(2)

    def check_in(act: str) -> TestResponse:
        met.wait(PATIENCE)
        return say(app, kept, uid, act=act, form=f"the form that says {act}")

    answers = at_once(lambda: check_in("done"), lambda: check_in("missed"))
    assert [answer.status_code for answer in answers] == [303, 303]
    entries = log(app, kept)
    outcomes = {entry.outcome for entry in entries if isinstance(entry, CheckIn)}
    assert (len(entries), outcomes) == (2, {Outcome.DONE, Outcome.MISSED})
    stands = last_words(entries)[uid].outcome
    assert summaries(app, kept)[uid].startswith("Done: ") == (stands is Outcome.DONE)
    page = app.test_client().get(f"/block/{served.token(app, Power.CHECK_IN, kept.id)}/{uid}")
    assert f"You said: {stands.value}" in words(page)
