"""The page that says how it goes: minutes by week, flags, what to ask, and after a bad week the lightest plan."""

from __future__ import annotations

import re
from html import unescape
from typing import TYPE_CHECKING

from calplan.model import plan_from_json
from tests import served
from web.powers import Power

if TYPE_CHECKING:
    from flask import Flask
    from flask.testing import FlaskClient


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
