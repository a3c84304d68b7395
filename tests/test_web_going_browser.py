"""A block's page and "How am I doing?" in a real browser: check-ins and small repairs on a phone, by light and by dark.

Chromium and axe-core are the judges, as in tests/test_web_browser.py; here the pages are in the states that only come
while a plan is under way. All of it works without JavaScript.
"""

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
from tests.browser import DESKTOP, PHONE, Served, addresses, demo_tokens, overflow, serious_problems, visit
from tests.conftest import extra
from web import demo, store
from web.powers import Power

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from playwright.sync_api import Browser, Page

    from calplan.model import Block, Plan

SIZES = pytest.mark.parametrize("size", [PHONE, DESKTOP], ids=["phone", "desktop"])
NARROW = (320, 640)
"""The least width without scrolling sideways (WCAG 2.2, 1.4.10)."""
TARGET = 24
"""The least side of what is pressed (WCAG 2.2, 2.5.8)."""


@pytest.fixture
def served(tmp_path: Path) -> Iterator[Served]:
    """The demonstration's plan, shortly before a block of its second week."""
    with chromium.serving(tmp_path, now=demo.NOW) as one:
        demo.show(one.service)
        yield one


def plan_of(served: Served) -> Plan:
    bearer = served.service.keys.read(Power.CHECK_IN, demo_tokens(served)["block"])
    assert bearer is not None
    with store.reading(served.service.engine) as connection:
        kept = store.find(connection, bearer.id)
    assert kept is not None
    return plan_from_json(kept.plan)


def address(served: Served, block: Block) -> str:
    return f"{served.address}/block/{demo_tokens(served)['block']}/{block.uid}"


def halves(served: Served) -> tuple[list[Block], list[Block]]:
    """The blocks with work that have begun, and those that lie ahead."""
    plan = plan_of(served)
    now = wall(served.clock(), ZoneInfo(plan.zone)).replace(tzinfo=None)
    work = [block for block in plan.blocks if not block.fixed]
    return [b for b in work if b.start < now], [b for b in work if b.start >= now]


def sound(page: Page) -> None:
    """Nothing to scroll sideways for, nothing too small to press, and nothing that axe-core calls serious."""
    assert overflow(page) == 0
    for button in page.locator("main button:visible:not(.unseen), main select:visible").all():
        box = button.bounding_box()
        assert box
        assert min(box["width"], box["height"]) >= TARGET
    if chromium.axe_present():
        assert serious_problems(page) == []


def test_axe_is_here() -> None:
    """Without it the windows below are judged by Chromium alone, and this says so."""
    extra("axe-core", chromium.axe_present(), "npm install in tests/judges brings it")


def say(page: Page, name: str) -> None:
    page.get_by_role("button", name=name, exact=True).click()
    expect(page.locator("p.note[role=status]")).to_contain_text("noted")


@pytest.mark.parametrize("scripts", [True, False], ids=["with scripts", "without scripts"])
@SIZES
def test_a_block_goes_later_by_one_tap_and_says_so_and_is_kept(
    browser: Browser, served: Served, size: tuple[int, int], scripts: bool
) -> None:
    block = halves(served)[1][0]
    with visit(browser, size, scripts=scripts) as (page, _):
        page.goto(address(served, block))
        later = page.get_by_role("group", name="Later today, at").get_by_role("button")
        assert 1 <= later.count() <= 3
        hour = later.first.inner_text()
        sound(page) if scripts else None
        later.first.click()
        expect(page.locator("p.note[role=status]")).to_contain_text("later today")
        expect(page.locator("h1")).to_contain_text(hour)
        expect(page.get_by_text(re.compile(f"has moved since: .* the same day, at {hour}"))).to_be_visible()
        page.get_by_role("button", name="Let it move again").click()
        expect(page.get_by_role("button", name="Keep it where it is")).to_be_visible()
        sound(page) if scripts else None


@SIZES
def test_done_ahead_of_its_day_and_early_and_the_extra_is_one_tap_away(
    browser: Browser, served: Served, size: tuple[int, int]
) -> None:
    ahead = halves(served)[1]
    with visit(browser, size) as (page, _):
        page.goto(address(served, ahead[1]))
        expect(page.get_by_role("heading", name="Done already?")).to_be_visible()
        expect(page.get_by_role("button", name="Missed", exact=True)).to_have_count(0)
        page.get_by_text("Partly, or say more").click()
        page.fill("[name=minutes]", "5")
        say(page, "Done")
        expect(page.get_by_text("You finished early: you may stop.")).to_be_visible()
        sound(page)
        page.locator("p", has_text="You finished early").get_by_role("link").click()
        page.wait_for_url(re.compile(re.escape(ahead[0].uid)))


@SIZES
def test_how_it_goes_after_hard_days(browser: Browser, served: Served, size: tuple[int, int]) -> None:
    """Done, missed, flagged and left without a word: the drawing shows all four, its table too, and paper has both."""
    begun, ahead = halves(served)
    assert len(begun) >= 4
    with visit(browser, size) as (page, _):
        page.goto(address(served, begun[0]))
        page.get_by_text("Partly, or say more").click()
        page.locator("[name^=flags-]").first.fill("7 1 x3, 9 2")
        say(page, "Done")
        for block in begun[2:]:
            page.goto(address(served, block))
            say(page, "Missed")
        page.goto(address(served, ahead[0]))
        say(page, "Done")
        page.goto(addresses(served)["going.shown"])
        figure = page.locator("figure.weeks")
        for look in ("done", "missed", "silent", "coming"):
            assert figure.locator(f"svg.drawing .week-{look}").count() >= 1, look
        expect(page.get_by_text(re.compile("For your next appointment: Tutoring"))).to_be_visible()
        sound(page)
        page.get_by_text("The same in numbers").click()
        assert figure.locator("tbody tr").count() == figure.locator("svg.drawing text.number").count()
        sound(page)
        page.set_viewport_size({"width": NARROW[0], "height": NARROW[1]})
        assert overflow(page) == 0
        page.get_by_role("link", name="Look at the lightest plan").click()
        expect(page.get_by_role("heading", name="What would change")).to_be_visible()


@SIZES
def test_the_ask_list_is_one_tap_from_how_it_goes_and_goes_to_paper(
    browser: Browser, served: Served, size: tuple[int, int], tmp_path: Path
) -> None:
    """Empty it says so; then each problem has a box and a line of its own, on screen and on paper."""
    with visit(browser, size) as (page, _):
        page.goto(addresses(served)["student.paper"])
        page.get_by_role("link", name="The ask list").click()
        empty = page.locator(".question").count()
        if not empty:
            expect(page.get_by_text("There is nothing to ask just now.")).to_be_visible()
        sound(page)
        page.goto(address(served, halves(served)[0][0]))
        page.get_by_text("Partly, or say more").click()
        page.locator("[name^=flags-]").first.fill("7 1 x3, 9 2 x4, 12 1 x2")
        say(page, "Done")
        page.goto(addresses(served)["going.shown"])
        page.get_by_role("link", name="The ask list").click()
        expect(page.get_by_role("heading", level=1)).to_have_text("What to ask")
        expect(page.locator(".question")).to_have_count(empty + 2)
        expect(page.get_by_text(re.compile("Take this to: Tutoring"))).to_be_visible()
        sound(page)
        page.set_viewport_size({"width": NARROW[0], "height": NARROW[1]})
        assert overflow(page) == 0
        page.set_viewport_size({"width": size[0], "height": size[1]})
        page.emulate_media(media="print")
        for question in page.locator(".question").all():
            box, line = (question.locator(part).bounding_box() for part in (".box", ".answer"))
            assert box
            assert line
            assert min(box["width"], box["height"]) >= 11  # 3 mm at 96 dots an inch
            assert line["height"] >= 38  # 10 mm to write in
        inks = page.locator("main.page, .question *").evaluate_all(
            "all => all.flatMap(one => [getComputedStyle(one).color, getComputedStyle(one).borderBottomColor])"
        )
        for ink in inks:
            red, green, blue = re.findall(r"[0-9.]+", ink)[:3]
            assert red == green == blue, ink
        for paper in ("A4", "Letter"):
            page.pdf(path=tmp_path / f"{paper}.pdf", format=paper)
            assert (tmp_path / f"{paper}.pdf").read_bytes().count(b"/MediaBox") == 1


@SIZES
@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_the_looks_of_the_bars_differ_from_each_other_and_from_the_page(
    browser: Browser, served: Served, size: tuple[int, int], dark: bool
) -> None:
    """By more than their colour: full, hatched, with a broken edge, empty."""
    with visit(browser, size, dark=dark) as (page, _):
        page.goto(addresses(served)["going.shown"])
        looks = page.locator(".strip-key svg").evaluate_all(
            """all => all.map(svg => {
                const style = getComputedStyle(svg.querySelector('rect'));
                return [style.stroke !== 'none', style.strokeDasharray !== 'none', svg.querySelectorAll('path').length];
            })"""
        )
        assert len(looks) == 4
        assert len({tuple(look) for look in looks}) == 4


def test_a_block_that_left_the_plan_says_so_on_a_phone(browser: Browser, served: Served) -> None:
    before = {block.uid: block for block in halves(served)[1]}
    with visit(browser, PHONE) as (page, _):
        page.goto(addresses(served)["student.plan"])
        page.locator("#lost-first").fill((served.clock() + timedelta(days=1)).date().isoformat())
        page.locator("#lost-last").fill((served.clock() + timedelta(days=9)).date().isoformat())
        page.get_by_role("button", name="I lose these days").click()
        page.get_by_role("button", name="Apply this").click()
        expect(page.locator("p.note[role=status]")).to_contain_text("The plan is mended")
        gone = before.keys() - {block.uid for block in plan_of(served).blocks}
        assert gone
        page.goto(address(served, before[min(gone)]))
        expect(page.get_by_role("heading", name="This block left the plan")).to_be_visible()
        sound(page)
