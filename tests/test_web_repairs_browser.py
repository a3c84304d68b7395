"""Repairs in a real browser, on a phone: a check-in from the event's link, a block later today, lost days, undo."""

from __future__ import annotations

import re
from datetime import timedelta
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import pytest
from playwright.sync_api import expect

from calplan.model import plan_from_json
from calplan.spans import wall
from tests import browser as chromium
from tests.browser import DESKTOP, PHONE, Served, addresses, demo_tokens, overflow, visit
from tests.conftest import extra
from web import demo, store
from web.powers import Power

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from playwright.sync_api import Browser


@pytest.fixture
def served(tmp_path: Path) -> Iterator[Served]:
    """The demonstration's plan, two hours before its second block begins."""
    with chromium.serving(tmp_path, now=demo.NOW) as one:
        demo.show(one.service)
        yield one


@pytest.mark.parametrize("size", [PHONE, DESKTOP])
@pytest.mark.parametrize("scripts", [True, False])
def test_lost_days_are_looked_at_applied_and_taken_back(
    browser: Browser, served: Served, size: tuple[int, int], scripts: bool
) -> None:
    plan = addresses(served)["student.plan"]
    with visit(browser, size, scripts=scripts) as (page, _):
        page.goto(plan)
        page.locator("#lost-first").fill((served.clock() + timedelta(days=2)).date().isoformat())
        page.locator("#lost-last").fill((served.clock() + timedelta(days=3)).date().isoformat())
        page.get_by_role("button", name="I lose these days").click()
        expect(page.get_by_role("heading", name="What would change")).to_be_visible()
        expect(page.get_by_text(re.compile("no work falls out"))).to_be_visible()
        assert overflow(page) == 0
        page.get_by_role("button", name="Keep every other day as it is").click()
        expect(page.get_by_role("heading", name="What would change")).to_be_visible()
        page.get_by_role("button", name="Apply this").click()
        expect(page.locator("p.note[role=status]")).to_contain_text("The plan is mended")
        page.get_by_role("button", name="Take the last change back").click()
        expect(page.locator("p.note[role=status]")).to_contain_text("as it was")
        assert overflow(page) == 0


@pytest.mark.parametrize("size", [PHONE, DESKTOP])
@pytest.mark.parametrize("days", [(0, 0), (0, 6), (1, 14), None])
def test_axe_finds_nothing_serious_on_a_difference_that_says_something(
    browser: Browser, served: Served, size: tuple[int, int], days: tuple[int, int] | None
) -> None:
    """A day, an illness, days that make work fall out, and a day that cannot be read: light and dark."""
    extra("axe-core", chromium.axe_present(), "npm install in tests/judges brings it")
    plan = addresses(served)["student.plan"]
    first, last = ((served.clock() + timedelta(days=one)).date().isoformat() for one in days or (0, 0))
    asked = f"first={first}&last={last}&ill=1" if days else "first=tomorrow"
    with visit(browser, size) as (page, wrong):
        page.goto(f"{plan}/difference?{asked}")
        assert chromium.serious_problems(page) == []
        assert overflow(page) == 0
        assert wrong == []


def test_a_block_is_put_later_kept_and_checked_in_on_a_phone(browser: Browser, served: Served) -> None:
    token = demo_tokens(served)["block"]
    bearer = served.service.keys.read(Power.CHECK_IN, token)
    assert bearer is not None
    with store.reading(served.service.engine) as connection:
        kept = store.find(connection, bearer.id)
    assert kept is not None
    today = wall(served.clock(), ZoneInfo("America/Chicago"))
    coming = [b for b in plan_from_json(kept.plan).blocks if b.start > today.replace(tzinfo=None) and not b.fixed]
    with visit(browser, PHONE) as (page, _):
        page.goto(f"{served.address}/block/{token}/{coming[0].uid}")
        page.get_by_role("button", name="Keep it where it is").click()
        expect(page.get_by_role("button", name="Let it move again")).to_be_visible()
        later = page.get_by_role("button", name="Put it there")
        if later.count():
            later.click()
            expect(page.locator("p.note[role=status]")).to_contain_text("later today")
            expect(page.get_by_text("This block has moved since")).to_be_visible()
        page.get_by_role("button", name="Done", exact=True).click()
        expect(page.locator("p.note[role=status]")).to_contain_text("noted")
        assert overflow(page) == 0


def test_how_it_goes_fits_a_phone(browser: Browser, served: Served) -> None:
    with visit(browser, PHONE) as (page, _):
        page.goto(addresses(served)["going.shown"])
        expect(page.get_by_role("heading", name="How am I doing?")).to_be_visible()
        page.get_by_text("The same in numbers").click()
        assert overflow(page) == 0
