"""The service in a real browser: a student's whole way, by mouse and by keyboard, and every page under foreign judges.

The judges are Chromium, which refuses what the pages' own policy forbids and says so, and axe-core, which knows the Web
Content Accessibility Guidelines. A window that shows an error, breaks the policy or asks another host fails its test
(``visit`` in tests/browser.py).
"""

from __future__ import annotations

import json
import re
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import icalendar
import pytest
from playwright.sync_api import expect

from tests import browser as chromium
from tests.browser import DESKTOP, PHONE, Focus, Served, focus, get, overflow, serious_problems, tab_to, visit
from tests.conftest import extra
from tests.served import keep as keep_example
from tests.served import token
from web import demo, store
from web.powers import Power

if TYPE_CHECKING:
    from collections.abc import Iterator

    from playwright.sync_api import Browser, Page

HERE = ZoneInfo("America/Chicago")
CALENDAR = Path(__file__).parent.parent / "fixtures" / "calendars" / "chemistry-student.ics"


@pytest.fixture
def served(tmp_path: Path) -> Iterator[Served]:
    """A service in which nobody has made a plan yet."""
    with chromium.serving(tmp_path) as one:
        yield one


@pytest.fixture(scope="session")
def shown(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """A service with the demonstration's plan, to look at only."""
    with chromium.serving(tmp_path_factory.mktemp("demonstration"), now=demo.NOW) as one:
        demo.show(one.service)
        yield one


# ----------------------------------------------------------------------------------------------- the whole way


@pytest.mark.parametrize("scripts", [True, False], ids=["with scripts", "without scripts"])
@pytest.mark.parametrize("size", [PHONE, DESKTOP], ids=["phone", "desktop"])
def test_a_student_goes_the_whole_way(
    browser: Browser, served: Served, tmp_path: Path, size: tuple[int, int], scripts: bool
) -> None:
    """From the first page to the deleted plan, on a phone and on a desktop, with JavaScript and without it."""
    with visit(browser, size, scripts=scripts) as (page, _):
        page.goto(served.address)
        page.get_by_role("main").get_by_role("link", name="Make a plan").first.click()
        fill_with_mistakes(page, scripts=scripts)
        mistakes_come_back(page)
        mend_and_look(page, served)
        manage = keep(page)
        first_glance(page, manage, scripts=scripts)
        links = put_into_the_calendar(page, browser, manage)
        links["feed"] = change_the_exam(page, links["feed"], manage)
        print_it(page, links["feed"], manage)
        take_it_along(page, tmp_path, manage)
        delete_it(page, manage, links)


def fill_with_mistakes(page: Page, *, scripts: bool) -> None:
    """One exam by counts, study hours, a calendar, a shift, and a country's holidays; three things are wrong."""
    for name, text in EXAM.items():
        page.fill(f"[name={name}]", text)
    page.fill("[name=exam-1-minutes]", "two hours")
    page.fill("[name=hours-1-start]", "16:30")
    page.fill("[name=hours-1-end]", "20:30")
    page.locator("label[for=hours-2-sun]").click()  # Sundays are for rest
    unfold(page, "Your calendar, as a file")
    page.set_input_files("[name=calendar-new-file]", CALENDAR)
    unfold(page, "Shifts and other busy times")
    page.fill("[name=busy]", "2027-01-22 17:00-20:00 Shift at the bakery\n32 January, all evening")
    unfold(page, "Public holidays")
    page.select_option("[name=holidays-country]", "US")
    page.fill("[name=holidays-subdivision]", "Illinoise")
    if scripts:  # a script knows the zone
        expect(page.locator("[name=zone]")).to_have_value("America/Chicago")
    else:
        page.fill("[name=zone]", "America/Chicago")


EXAM = {
    "exam-1-subject": "Chemistry",
    "exam-1-day": "2027-02-04",
    "exam-1-hour": "09:00",
    "exam-1-homework-count": "14",
    "exam-1-quiz-count": "6",
    "exam-1-quiz-missed": "2",
    "exam-1-notes-count": "20",
    "exam-1-test-count": "3",
    "exam-1-test-missed": "14/20",
    "exam-1-practice-count": "60",
}
WRONG = ("exam-1-minutes", "busy", "holidays-subdivision")


def unfold(page: Page, title: str) -> None:
    """Opens a part of the form that is folded."""
    part = page.locator("details", has=page.locator("> summary", has_text=title)).last
    if part.get_attribute("open") is None:
        part.locator("> summary").click()


def typed(page: Page) -> dict[str, str]:
    """What stands in the form, by field; hidden fields and files are not typed."""
    found: dict[str, str] = page.eval_on_selector_all(
        "form.make :is(input:not([type=hidden]):not([type=file]), select, textarea)",
        """fields => Object.fromEntries(fields
            .filter(field => field.type !== 'checkbox' && field.type !== 'radio' || field.checked)
            .map(field => [field.name, field.value]))""",
    )
    return {name: text for name, text in found.items() if text}


def mistakes_come_back(page: Page) -> None:
    """Every mistake comes back at once, beside its field and in a list that leads there, and nothing typed is lost."""
    before = typed(page)
    page.get_by_role("button", name="Keep this plan").click()
    page.wait_for_selector("#problems")
    for name in WRONG:
        field = page.locator(f"[name={name}]")
        expect(field).to_be_visible()
        expect(field).to_have_attribute("aria-invalid", "true")
        beside = f"{name}-problem"
        assert beside in (field.get_attribute("aria-describedby") or "").split()
        expect(page.locator(f"#{beside}")).to_be_visible()
        expect(page.locator(f"#problems a[href='#{name}']")).to_be_visible()
    after = typed(page)
    assert {name: after.get(name) for name in before} == before
    assert page.locator("[name=calendar-1-upload]").input_value()
    expect(page.locator("#calendar-1")).to_contain_text("chemistry-student")
    expect(page.locator("#calendar-1")).to_contain_text("busy times read")


def mend_and_look(page: Page, served: Served) -> None:
    """Once all is mended, a look shows what the plan comes to, and nothing is kept by looking."""
    page.fill("[name=exam-1-minutes]", "120")
    page.fill("[name=busy]", "2027-01-22 17:00-20:00 Shift at the bakery")
    page.fill("[name=holidays-subdivision]", "IL")
    page.get_by_role("button", name="Look at the plan first").last.click()
    page.wait_for_selector("#problems", state="detached")
    look = page.locator("#preview")
    expect(look.locator(".figures")).to_contain_text("Days")
    expect(look.locator(".figures")).to_contain_text("Essentials")
    with store.reading(served.service.engine) as connection:
        assert list(store.all_ids(connection)) == []


def keep(page: Page) -> str:
    """Keeping leads to the plan's own address."""
    page.get_by_role("button", name="Keep this plan").click()
    page.wait_for_url(re.compile("/plan/[A-Za-z0-9_-]{44}#keep-this-address$"))
    return page.url.partition("#")[0]


def first_glance(page: Page, manage: str, *, scripts: bool) -> None:
    """The plan's page begins with the block that is next, says its own address, and shows the load strip."""
    expect(page.locator("#address")).to_have_value(manage)
    begins = min(event["DTSTART"].dt for event in blocks_of(f"{manage}/plan.ics")).astimezone(HERE)
    expect(page.locator(".near h2").first).to_contain_text(f"{begins:%H:%M}")
    expect(page.locator(".near")).to_contain_text(f"{begins:%A} {begins.day} {begins:%B %Y}")
    expect(page.locator("[data-strip] svg.drawing:visible")).to_have_count(1)
    copies = page.locator("button[data-copies=address]")
    expect(copies).to_be_visible() if scripts else expect(copies).to_be_hidden()


def put_into_the_calendar(page: Page, browser: Browser, manage: str) -> dict[str, str]:
    """Two links and a QR code, reminders, a new link in place of the old one, and a link that only shows."""
    page.goto(manage)
    page.get_by_role("link", name="Put it into your calendar").click()
    old = page.locator("#feed").input_value()
    expect(page.get_by_role("link", name="Open in the calendar")).to_have_attribute(
        "href", re.sub("^http:", "webcal:", old)
    )
    assert page.eval_on_selector("img.qr", "code => code.complete && code.naturalWidth") > 100
    before = events(old)
    assert len(before) > 20
    for moment in (block["DTSTART"].dt.astimezone(HERE) for block in blocks_of(old)):
        assert moment.weekday() == 5 or (moment.weekday() < 5 and (16, 30) <= (moment.hour, moment.minute) < (20, 30))

    page.get_by_label("A reminder before each block").check()
    page.fill("#alarm-minutes", "15")
    page.get_by_role("button", name="Save the reminder").click()
    expect(page.get_by_role("status").first).to_contain_text("reminder")
    assert all([one["TRIGGER"].dt for one in b.walk("VALARM")] == [timedelta(minutes=-15)] for b in blocks_of(old))

    page.get_by_role("button", name="Replace the link").click()
    expect(page.locator("#feed")).not_to_have_value(old)
    new = page.locator("#feed").input_value()
    assert get(old).status == 410
    assert events(new).keys() == before.keys()

    page.get_by_role("button", name="Make a read-only link").click()
    view = page.locator("#view").input_value()
    only_looked_at(browser, view, manage)
    block = next(str(event["URL"]) for event in events(new).values() if "URL" in event)
    assert get(block).status == 200
    return {"feed": new, "old feed": old, "view": view, "block": block}


def only_looked_at(browser: Browser, view: str, manage: str) -> None:
    """The read-only link shows the plan, has nothing to press, and does not tell the plan's own address."""
    with visit(browser) as (page, _):
        page.goto(view)
        expect(page.get_by_role("main")).to_contain_text("Chemistry")
        expect(page.locator("form")).to_have_count(0)
        assert manage.rpartition("/")[2] not in page.content()


def events(feed: str) -> dict[str, Any]:
    """The events of a feed by their UID, as a library reads them that nobody here wrote."""
    answer = get(feed)
    assert answer.status == 200
    return {str(event["UID"]): event for event in icalendar.Calendar.from_ical(answer.body).walk("VEVENT")}


def blocks_of(calendar: str) -> list[Any]:
    """Those events that have hours; the exam's own day has none."""
    return [event for event in events(calendar).values() if isinstance(event["DTSTART"].dt, datetime)]


def change_the_exam(page: Page, feed: str, manage: str) -> str:
    """The exam moves by a week: the plan is made again, and what a calendar knows already keeps its identity."""
    before = events(feed)
    page.goto(manage)
    page.get_by_role("link", name="Change the plan").click()
    assert {name: page.locator(f"[name={name}]").input_value() for name in EXAM} == EXAM
    page.fill("[name=exam-1-day]", "2027-02-11")
    page.get_by_role("button", name="Look at the changes first").last.click()
    expect(page.locator("#preview")).to_contain_text("What changes")
    page.get_by_role("button", name="Keep the changed plan").click()
    page.wait_for_url(re.compile("/plan/[A-Za-z0-9_-]{44}([?#].*)?$"))
    after = events(feed)
    exams = [uid for uid, event in before.items() if not isinstance(event["DTSTART"].dt, datetime)]
    assert len(exams) == 1
    assert after[exams[0]]["DTSTART"].dt == date(2027, 2, 11)

    assert len(before.keys() & after.keys()) > len(before) * 3 / 4
    return feed


def print_it(page: Page, feed: str, manage: str) -> None:
    """On paper each block has a box to tick, and each week takes a page, on A4 and on Letter."""
    page.goto(manage)
    page.get_by_role("link", name="Print it, a week a page").click()
    page.emulate_media(media="print")
    boxes = page.locator(".tick .box")
    expect(boxes).to_have_count(len(blocks_of(feed)))
    sides = boxes.evaluate_all(
        "all => all.map(box => [box.offsetWidth, box.offsetHeight, parseFloat(getComputedStyle(box).borderTopWidth)])"
    )
    assert all(wide >= 11 and tall >= 11 and edge >= 1 for wide, tall, edge in sides)  # 3 mm at 96 dots an inch
    weeks = page.locator("section.week").count()
    assert weeks >= 5
    for paper, width, height in (("A4", 595, 842), ("Letter", 612, 792)):  # in points: ISO 216; ANSI Y14.1, from memory
        printed = page.pdf(format=paper)
        media = [[float(side) for side in box.split()] for box in re.findall(rb"/MediaBox \[([0-9. ]+)\]", printed)]
        assert len(media) == weeks, paper
        assert all(box == pytest.approx([0, 0, width, height], abs=1.5) for box in media)
    page.emulate_media(media="null")


def take_it_along(page: Page, folder: Path, manage: str) -> None:
    """The plan can be taken along as a file."""
    page.goto(manage)
    with page.expect_download() as coming:
        page.get_by_role("link", name="Take it along as a file").click()
    coming.value.save_as(folder / "plan.json")
    taken = json.loads((folder / "plan.json").read_text(encoding="utf-8"))
    assert taken["request"]["exam"][0]["subject"] == "Chemistry"
    assert taken["plan"]["blocks"]


def delete_it(page: Page, manage: str, links: dict[str, str]) -> None:
    """Everything goes at once: whatever led to the plan says that it is gone."""
    page.goto(manage)
    page.get_by_role("link", name="delete the plan").click()
    page.get_by_role("button", name="Delete it for good").click()
    page.wait_for_url(re.compile(r"^http://127\.0\.0\.1:[0-9]+/(\?.*)?$"))
    ways = [manage, *links.values(), *(f"{manage}/{page}" for page in ("calendar", "change", "paper", "plan.ics"))]
    assert {way: get(way).status for way in ways} == dict.fromkeys(ways, 410)
    page.goto(manage)
    expect(page.get_by_role("heading", level=1)).to_be_visible()


# --------------------------------------------------------------------------------------------- by keyboard only


def test_the_keyboard_is_enough_and_always_shows_where_it_is(browser: Browser, served: Served) -> None:
    """A plan made, put into the calendar and deleted without a mouse; at each stop something shows the focus."""
    with visit(browser, DESKTOP) as (page, _):
        page.goto(served.address)
        tab_to(page, lambda here: here.text.startswith("Make a plan"))
        press(page, "Enter")
        fields = {
            "exam-1-subject": "Chemistry",
            "exam-1-day": "02042027",
            "exam-1-hour": "0900AM",
            "exam-1-minutes": "120",
            "exam-1-practice-count": "60",
        }
        for name, text in fields.items():
            tab_to(page, named(name))
            page.keyboard.type(text)
        tab_to(page, named("hours-1-start"))
        page.keyboard.type("0500PM")
        tab_to(page, named("hours-2-sun"))
        page.keyboard.press("Space")
        tab_to(page, lambda here: here.name == "act" and here.value == "keep")
        press(page, "Enter")
        page.wait_for_url(re.compile("/plan/[A-Za-z0-9_-]{44}#"))
        manage = page.url.partition("#")[0]
        begins = [block["DTSTART"].dt.astimezone(HERE) for block in blocks_of(f"{manage}/plan.ics")]
        assert begins
        assert all(moment.weekday() < 6 and (moment.weekday() == 5 or moment.hour >= 17) for moment in begins)

        page.goto(manage)
        tab_to(page, lambda here: here.href.endswith("/calendar"))
        press(page, "Enter")
        tab_to(page, named("alarm"))
        page.keyboard.press("ArrowDown")
        tab_to(page, lambda here: here.name == "act" and here.value == "alarms")
        feed = page.locator("#feed").input_value()
        press(page, "Enter")
        assert b"BEGIN:VALARM" in get(feed).body

        page.goto(manage)
        tab_to(page, lambda here: here.href.endswith("/delete"))
        press(page, "Enter")
        tab_to(page, lambda here: here.name == "act" and here.value == "delete")
        press(page, "Enter")
        assert get(manage).status == 410


def named(name: str) -> Any:
    """Whether the field of a name has the focus."""
    return lambda here: here.name == name


def press(page: Page, key: str) -> None:
    """Presses a key that leads to another page, and waits for that."""
    with page.expect_navigation():
        page.keyboard.press(key)


def test_the_first_stop_skips_to_the_content(browser: Browser, shown: Served) -> None:
    """WCAG 2.2, 2.4.1: what each page repeats can be passed over."""
    with visit(browser, DESKTOP) as (page, _):
        page.goto(demo.show(shown.service).plan)
        here = tab_to(page, lambda here: True, limit=1)
        assert here.href == "#main"
        page.keyboard.press("Enter")
        assert isinstance(main := focus(page), Focus)
        assert main.tag == "main"


# ------------------------------------------------------------------------------------- every page that there is


@pytest.mark.parametrize("size", [PHONE, DESKTOP], ids=["phone", "desktop"])
def test_axe_finds_nothing_serious_on_any_page(browser: Browser, shown: Served, size: tuple[int, int]) -> None:
    """Every page that GET can ask for, with all that can be folded unfolded, and the pages that refuse."""
    extra("axe-core", chromium.axe_present(), "npm install in tests/judges brings it")
    found = {}
    with visit(browser, size) as (page, _):
        for name, address in looked_at(shown).items():
            page.goto(address)
            unfold_all(page)
            found[name] = serious_problems(page)
        page.goto(f"{shown.address}/make")
        page.get_by_role("button", name="Keep this plan").click()
        page.wait_for_selector("#problems")
        unfold_all(page)
        found["mistakes"] = serious_problems(page)
    assert {name: problems for name, problems in found.items() if problems} == {}


def test_axe_would_say_so(browser: Browser, shown: Served) -> None:
    """A picture without words, and pale words in the dark, are found: the judge is awake."""
    extra("axe-core", chromium.axe_present(), "npm install in tests/judges brings it")
    with visit(browser) as (page, _):
        page.goto(f"{shown.address}/help")
        page.evaluate("() => document.querySelector('main').append(document.createElement('img'))")
        page.evaluate("() => { document.querySelector('main h1').style.color = '#333'; }")
        found = [problem.split(" (")[0] for problem in serious_problems(page)]
        assert found == ["light: image-alt", "dark: color-contrast"]


def looked_at(shown: Served) -> dict[str, str]:
    """Every page, and some addresses at which there is none."""
    gone = demo.show(shown.service).plan[:-1] + "-"
    return chromium.pages(shown) | {"no page": f"{shown.address}/nothing", "no plan": gone}


def unfold_all(page: Page) -> None:
    """Opens every part that is folded, so that it is judged too."""
    page.evaluate("() => document.querySelectorAll('details').forEach(part => { part.open = true; })")


@pytest.mark.parametrize(
    ("size", "scale"),
    [((320, 640), 1), (PHONE, 1), (DESKTOP, 1), ((DESKTOP[0] // 2, DESKTOP[1] // 2), 2)],
    ids=["320 px", "390 px", "1280 px", "1280 px at 200 %"],
)
def test_nobody_has_to_scroll_sideways(browser: Browser, shown: Served, size: tuple[int, int], scale: float) -> None:
    """WCAG 2.2, 1.4.10 and 1.4.4: down to 320 pixels, and at twice the size, pages fit the window's width."""
    too_wide = {}
    with visit(browser, size, scale=scale) as (page, _):
        for name, address in looked_at(shown).items():
            page.goto(address)
            unfold_all(page)
            too_wide[name] = overflow(page)
    assert {name: pixels for name, pixels in too_wide.items() if pixels > 0} == {}


def test_buttons_and_fields_are_large_enough_to_touch(browser: Browser, shown: Served) -> None:
    """On a phone nothing that is pressed or typed into is less than 44 pixels tall (WCAG 2.2, 2.5.5)."""
    small = {}
    with visit(browser, PHONE) as (page, _):
        for name, address in looked_at(shown).items():
            page.goto(address)
            unfold_all(page)
            small[name] = page.evaluate(SMALL)
    assert {name: found for name, found in small.items() if found} == {}


SMALL = """() => [...document.querySelectorAll('button, .button, input, select, textarea, summary')]
  .filter(one => one.type !== 'hidden' && one.checkVisibility() && !one.classList.contains('unseen'))
  .map(one => [one.closest('label.choice, label.day') || one, one])
  .filter(([box]) => box.getBoundingClientRect().height < 43.5)
  .map(([box, one]) => `${one.tagName} ${one.name || one.textContent.trim().slice(0, 30)} ` +
    Math.round(box.getBoundingClientRect().height))"""


def test_the_running_line_follows_the_form(browser: Browser, served: Served) -> None:
    """With scripts, days and minutes show while one types; a new row needs no way to the server."""
    with visit(browser) as (page, _):
        page.goto(f"{served.address}/make")
        line = page.locator("#running")
        expect(line).to_contain_text("once the plan has been looked at")
        page.fill("[name=exam-1-subject]", "Chemistry")
        page.fill("[name=exam-1-day]", "2027-02-04")
        page.fill("[name=exam-1-hour]", "09:00")
        page.fill("[name=exam-1-minutes]", "120")
        expect(line).to_contain_text(re.compile("[0-9]+ .*minutes"))
        page.get_by_role("button", name="More study hours").click()
        expect(page.locator("[name=hours-3-start]")).to_be_visible()


def test_two_tabs_do_not_overwrite_each_other(browser: Browser, served: Served) -> None:
    """The later of two tabs is shown what changed meanwhile, and its form is still filled."""
    kept = keep_example(served.app)
    manage = f"{served.address}/plan/{token(served.app, Power.MANAGE, kept.id)}"
    with visit(browser) as (page, _):
        page.goto(f"{manage}/change")
        other = page.context.new_page()
        other.goto(f"{manage}/change")
        other.fill("[name=exam-1-day]", "2027-02-11")
        other.get_by_role("button", name="Keep the changed plan").click()
        other.wait_for_url(re.compile("/plan/[A-Za-z0-9_-]{44}([?#].*)?$"))
        page.fill("[name=exam-1-practice-count]", "55")
        page.get_by_role("button", name="Keep the changed plan").click()
        expect(page.locator("#conflict")).to_be_visible()
        expect(page.locator("[name=exam-1-practice-count]")).to_have_value("55")


# ---------------------------------------------------------------------------------------------- how a block went


@pytest.mark.parametrize("scripts", [True, False], ids=["with scripts", "without scripts"])
def test_a_tap_on_an_events_link_and_a_tap_on_a_button_say_how_a_block_went(
    browser: Browser, served: Served, scripts: bool
) -> None:
    """On a phone: done, taken back, then partly with flags; the calendar follows, and the plan asks about the rest."""
    kept = keep_example(served.app)
    served.clock.forward(days=3)
    feed = f"{served.address}/feed/{token(served.app, Power.FEED, kept.id)}.ics"
    first = sorted(blocks_of(feed), key=lambda event: event.start)[0]
    with visit(browser, PHONE, scripts=scripts) as (page, _):
        page.goto(str(first["URL"]))
        assert not overflow(page)
        for name in ("Done", "Missed"):
            box = page.get_by_role("button", name=name, exact=True).bounding_box()
            assert box
            assert box["height"] >= 44
        page.get_by_role("button", name="Done", exact=True).click()
        expect(page.get_by_text("You said: done.")).to_be_visible()
        assert "Done: " in summaries(feed)[first["UID"]]
        page.get_by_role("button", name="Take that back").click()
        assert "Done: " not in summaries(feed)[first["UID"]]
        page.get_by_text("Partly, or say more").click()
        page.fill("[name=reached]", "15")
        page.locator("[name^=flags-]").first.fill("7 1, 9 2")
        page.get_by_role("button", name="Partly done").click()
        expect(page.get_by_text("You said: partly done, 15 minutes of it")).to_be_visible()
        page.goto(f"{served.address}/plan/{token(served.app, Power.MANAGE, kept.id)}")
        asked = page.get_by_role("checkbox", name=re.compile("Chemistry"))
        assert asked.count() == 2
        asked.first.check()
        page.get_by_role("button", name="These are done").click()
        assert page.get_by_role("checkbox", name=re.compile("Chemistry")).count() == 1
        page.get_by_role("link", name="I lose today").click()
        expect(page.get_by_role("heading", name="What would change")).to_be_visible()


def summaries(feed: str) -> dict[str, str]:
    """What a feed calls its events, by UID."""
    return {event["UID"]: str(event["SUMMARY"]) for event in blocks_of(feed)}
