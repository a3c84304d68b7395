"""The counsellor's pages in a real browser, on a phone and on a desk: hand in, wait, look, hand out on paper.

Chromium and axe-core are the judges, as in tests/test_web_browser.py.
"""

from __future__ import annotations

import re
import zipfile
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

import pytest
from playwright.sync_api import expect

from tests import browser as chromium
from tests.browser import DESKTOP, PHONE, Served, overflow, serious_problems, visit
from tests.conftest import extra
from tests.served import FIXTURES
from web import cohorts
from web.powers import Power

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from playwright.sync_api import Browser, Page

SIZES = pytest.mark.parametrize("size", [PHONE, DESKTOP], ids=["phone", "desktop"])
COHORT = FIXTURES / "cohort"
NARROW = (320, 640)
"""The least width without scrolling sideways (WCAG 2.2, 1.4.10)."""
WRONG = "X-1,physics,,,,,,,,,,,,,,\r\n"


@pytest.fixture
def served(tmp_path: Path) -> Iterator[Served]:
    with chromium.serving(tmp_path, cohort_key="sesame") as one:
        yield one
        one.app.extensions["calplan.runner"].close()


@pytest.fixture
def files(tmp_path: Path) -> dict[str, Path]:
    """What is handed in, a row that is wrong among it."""
    roster, calendars = tmp_path / "roster.csv", tmp_path / "calendars.zip"
    roster.write_bytes((COHORT / "roster.csv").read_bytes() + WRONG.encode())
    with zipfile.ZipFile(calendars, "w") as archive:
        archive.write(COHORT / "timetable.ics", "timetable.ics")
    return {"courses": COHORT / "courses.toml", "roster": roster, "calendars": calendars}


def sound(page: Page) -> None:
    """Nothing to scroll sideways for, at the least width too, and nothing that axe-core calls serious."""
    assert overflow(page) == 0
    if chromium.axe_present():
        assert serious_problems(page) == []
    size = page.viewport_size
    assert size
    page.set_viewport_size({"width": NARROW[0], "height": NARROW[1]})
    assert overflow(page) == 0
    page.set_viewport_size(size)


def test_axe_is_here() -> None:
    """Without it the windows below are judged by Chromium alone, and this says so."""
    extra("axe-core", chromium.axe_present(), "npm install in tests/judges brings it")


def hand_in(page: Page, served: Served, files: dict[str, Path]) -> None:
    page.goto(f"{served.address}/cohort")
    page.get_by_label("What you call this cohort").fill("Chemistry, spring")
    for name, label in (("courses", "Courses"), ("roster", "Roster"), ("calendars", re.compile("Busy calendars"))):
        page.get_by_label(label, exact=isinstance(label, str)).set_input_files(files[name])
    page.get_by_label("The operator's key").fill("sesame")
    page.get_by_role("button", name="Make the plans").click()


def planned(page: Page, served: Served, files: dict[str, Path]) -> str:
    """A cohort that is planned; its address."""
    hand_in(page, served, files)
    page.wait_for_url(re.compile("/cohort/.{20,}"))
    served.app.extensions["calplan.runner"].wait()
    return page.url.split("#")[0]


@SIZES
def test_a_form_with_mistakes_keeps_its_files_and_then_goes(
    browser: Browser, served: Served, files: dict[str, Path], size: tuple[int, int]
) -> None:
    with visit(browser, size) as (page, _):
        page.goto(f"{served.address}/cohort")
        sound(page)
        page.get_by_label("Roster", exact=True).set_input_files(files["roster"])
        page.get_by_label("What you call this cohort").fill("Chemistry, spring")
        page.get_by_role("button", name="Make the plans").click()
        expect(page.get_by_role("alert")).to_contain_text("Choose your courses.toml")
        expect(page.get_by_role("alert")).to_contain_text("key")
        expect(page.get_by_text("roster.csv is here already")).to_be_visible()
        assert page.get_by_label("What you call this cohort").input_value() == "Chemistry, spring"
        sound(page)
        page.get_by_label("Courses", exact=True).set_input_files(files["courses"])
        page.get_by_label(re.compile("Busy calendars")).set_input_files(files["calendars"])
        page.get_by_label("The operator's key").fill("sesame")
        page.get_by_role("button", name="Make the plans").click()
        page.wait_for_url(re.compile("/cohort/.{20,}"))
        expect(page.get_by_role("heading", level=1)).to_have_text("Chemistry, spring")


@SIZES
def test_the_page_looks_again_by_itself_until_all_rows_are_done(
    browser: Browser, served: Served, files: dict[str, Path], size: tuple[int, int]
) -> None:
    runner = served.app.extensions["calplan.runner"]
    runner.ending.set()
    with visit(browser, size) as (page, _):
        hand_in(page, served, files)
        expect(page.get_by_role("status").first).to_contain_text("0 of 6 rows are planned")
        expect(page.get_by_role("progressbar", name="Rows planned")).to_be_visible()
        sound(page)
        bearer = served.service.keys.read(Power.COHORT, urlsplit(page.url).path.split("/")[2])
        assert bearer
        assert cohorts.plan_waiting(served.service, bearer.id, lambda: ThreadPoolExecutor(1), workers=1) == 6
        expect(page.get_by_text("All 6 rows are done.")).to_be_visible()
        assert page.get_by_role("progressbar").count() == 0
        sound(page)


@SIZES
def test_from_the_first_glance_to_one_student(
    browser: Browser, served: Served, files: dict[str, Path], size: tuple[int, int]
) -> None:
    with visit(browser, size) as (page, _):
        cohort = planned(page, served, files)
        page.goto(cohort)
        page.get_by_role("link", name="All rows").click()
        expect(page.locator("tbody tr")).to_have_count(6)
        sound(page)
        page.get_by_label("Reference, section or teacher").fill("s-1001")
        page.get_by_role("button", name="Show").click()
        expect(page.locator("tbody tr")).to_have_count(1)
        page.get_by_role("link", name="S-1001").click()
        expect(page.get_by_role("heading", level=1)).to_have_text("S-1001")
        sound(page)
        page.get_by_role("button", name="Replace the link").click()
        expect(page.get_by_role("status")).to_contain_text("The old ones have ended")
        page.get_by_role("link", name="Open the plan").click()
        expect(page.get_by_text(re.compile("Whoever made it can open it, and sees what you say"))).to_be_visible()
        sound(page)
        for path in ("/going", "/again", "/delete", "/rows?status=cannot+fit", "/rows?status=wrong", "/row/x-1"):
            page.goto(cohort + path)
            sound(page)


@SIZES
def test_the_load_of_all_seven_days_is_seen_without_scrolling(
    browser: Browser, served: Served, files: dict[str, Path], size: tuple[int, int]
) -> None:
    """At the usual and at the least width, each day's figure lies below its name, and inside the window."""
    with visit(browser, size) as (page, _):
        page.goto(planned(page, served, files))
        loads = page.get_by_role("table", name="Hours of study of all together")
        for width in {size[0], NARROW[0] if size == PHONE else size[0]}:
            page.set_viewport_size({"width": width, "height": size[1]})
            expect(loads.get_by_role("row")).to_have_count(6)
            names = [one.bounding_box() for one in loads.get_by_role("columnheader").all()][1:]
            assert len(names) == 7
            for row in loads.get_by_role("row").all()[1:]:
                for name, cell in zip(
                    names, [one.bounding_box() for one in row.get_by_role("cell").all()], strict=True
                ):
                    assert name
                    assert cell
                    assert abs(name["x"] - cell["x"]) < 1
                    assert 0 <= cell["x"] < cell["x"] + cell["width"] <= width
            inside = "all => all.every(one => one.scrollWidth <= one.clientWidth)"
            assert page.locator(".scroll, .loads :is(td, th[scope=row])").evaluate_all(inside)
        sound(page)


@SIZES
def test_without_scripts_everything_can_be_done(
    browser: Browser, served: Served, files: dict[str, Path], size: tuple[int, int]
) -> None:
    with visit(browser, size, scripts=False) as (page, _):
        cohort = planned(page, served, files)
        page.goto(cohort)
        expect(page.get_by_text("All 6 rows are done.")).to_be_visible()
        page.get_by_role("link", name="Hand in again: roster, courses or calendars").click()
        page.get_by_label("Roster", exact=True).set_input_files(files["roster"])
        page.get_by_role("button", name="Plan what changed").click()
        expect(page.get_by_role("heading", level=1)).to_have_text("The roster is taken in")
        page.goto(f"{cohort}/delete")
        page.get_by_role("button", name="Delete all of it for good").click()
        expect(page.get_by_role("heading", level=1)).to_contain_text("dated plan")
        page.goto(cohort)
        expect(page.get_by_role("heading", level=1)).to_contain_text("ended")


@SIZES
def test_each_hand_out_is_a_sheet_of_paper(
    browser: Browser, served: Served, files: dict[str, Path], size: tuple[int, int], tmp_path: Path
) -> None:
    """As many pages as students with no weeks or the first one, on A4 and Letter, in black and white."""
    with visit(browser, size) as (page, _):
        cohort = planned(page, served, files)
        page.goto(f"{cohort}/hand-outs")
        expect(page.locator(".hand-out")).to_have_count(5)
        assert page.eval_on_selector("img.qr", "code => code.complete && code.naturalWidth") > 100
        sound(page)
        for weeks in ("none", "first", "all"):
            page.goto(f"{cohort}/hand-outs?weeks={weeks}")
            for paper in ("A4", "Letter"):
                page.pdf(path=tmp_path / f"{paper}.pdf", format=paper, prefer_css_page_size=False)
                sheets = (tmp_path / f"{paper}.pdf").read_bytes().count(b"/MediaBox")
                assert sheets == 5 if weeks != "all" else sheets > 5, (weeks, paper, sheets)
        page.emulate_media(media="print")
        assert not page.get_by_role("button", name="Show").is_visible()
        inks = page.locator(".hand-out *").evaluate_all("all => all.map(one => getComputedStyle(one).color)")
        for ink in set(inks):
            red, green, blue = re.findall(r"[0-9.]+", ink)[:3]
            assert red == green == blue, ink
        for code in page.locator("img.qr").all():
            box = code.bounding_box()
            assert box
            assert box["width"] >= 76  # 2 cm at 96 dots an inch
