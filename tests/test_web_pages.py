"""What the pages show: rules over the plans of all fixtures, random ones and ones made by hand, and over the HTML."""

from __future__ import annotations

import re
from collections import Counter
from datetime import UTC, date, datetime, time, timedelta
from functools import cache
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import msgspec
import pytest
from flask import Flask, render_template
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from jinja2 import ChoiceLoader, DictLoader, FileSystemLoader
from msgspec.structs import replace

from calplan.acts import Ease
from calplan.errors import NoPlan, Problem
from calplan.model import DayOff, Kind, Plan, Request, Role, ShortDay
from calplan.outcomes import Outcome, Status
from calplan.planner import make_plan
from calplan.replan import mend
from calplan.roster import Row
from calplan.sentences import CAUTIONS
from calplan.spans import instant
from calplan.wording import Wording
from tests import plans
from tests.strategies import requests
from tests.test_fixtures import REQUESTS, planned
from web import checking, clocks, cohort_pages, pages
from web.cohort import Begun, ClassShown, Going
from web.cohort_acts import Choice, Group
from web.cohort_paper import HandOut
from web.cohorts import Again
from web.offers import Moved, Offers
from web.page_values import BlockShown, Near
from web.runner import Trial
from web.store_cohorts import Cohort, Member

WEB = Path(pages.__file__).parent
TOKEN = "t" * 44
DEMO = WEB / "demo.toml"

# ------------------------------------------------------------------------------------------------ plans to show


@cache
def fixture(name: str) -> tuple[Request, Plan]:
    path = next(path for path in [*REQUESTS, DEMO] if path.name == name)
    return planned(path)


@pytest.fixture(params=[path.name for path in [*REQUESTS, DEMO]])
def shown(request: pytest.FixtureRequest) -> tuple[Request, Plan]:
    return fixture(request.param)


@st.composite
def made(draw: st.DrawFn) -> tuple[Request, Plan, datetime]:
    """A random plan, and a moment from its first day to past its last exam."""
    request, as_of = draw(requests())
    try:
        plan = make_plan(request, {}, as_of=as_of)
    except NoPlan:
        assume(False)
    return request, plan, as_of + timedelta(minutes=draw(st.integers(0, 60 * 24 * 60)))


def mend_later(plan: Plan, request: Request, now: datetime) -> Plan:
    """The plan mended at a moment, for news that ask for nothing: a day off after all exams."""
    far = DayOff(first=date(2029, 1, 1), last=date(2029, 1, 1))
    return mend(plan, request, replace(request, days_off=(*request.days_off, far)), {}, as_of=now)


def moments(plan: Plan) -> list[datetime]:
    """Telling moments of a plan: its start, around its middle block, and after everything."""
    block = plan.blocks[len(plan.blocks) // 2]
    begins = instant(block.start.replace(fold=block.fold), ZoneInfo(plan.zone))
    return [plan.as_of, begins - timedelta(hours=1), begins + timedelta(minutes=1), plan.as_of + timedelta(days=900)]


# ------------------------------------------------------------------------------------------- the rules of a page


def assert_sound(request: Request, plan: Plan, now: datetime) -> None:
    """What holds for every plan at every moment."""
    page = pages.plan_page(plan, request, now=now)
    days = [*page.past, *page.days]
    blocks = [block for day in days for block in day.blocks]
    assert sorted(block.uid for block in blocks) == sorted(block.uid for block in (*plan.blocks, *plan.past))
    assert [day.day for day in days] == sorted({day.day for day in days})
    assert all(day.day < page.today for day in page.past)
    assert all(day.day >= page.today for day in page.days)
    assert {one.day for one in plan.days} <= {day.day for day in days}
    assert sum(len(day.exams) for day in days) == len(plan.exams)
    assert_first_glance(page.near, page.blocks, blocks, now)
    words, by_uid = Wording(plan, request), {block.uid: block for block in plan.blocks}
    for block in blocks:
        assert block.ends - block.begins == timedelta(minutes=block.minutes)
        zone = ZoneInfo(plan.zone)
        assert block.begins.astimezone(zone).replace(tzinfo=None) == block.start
        assert block.ends.astimezone(zone).replace(tzinfo=None) == block.end
        assert sum(part.squares for part in block.parts) * 5 <= max(block.minutes, 5)
        if block.uid in by_uid:
            assert_words(block, words.headline(by_uid[block.uid]), words.describe(by_uid[block.uid]))


def assert_first_glance(near: Near, first: tuple[BlockShown, ...], blocks: list[BlockShown], now: datetime) -> None:
    """The page begins with the first block that is not over, with those of its day, and with nothing else."""
    ahead = sorted((block for block in blocks if block.ends > now), key=lambda block: block.begins)
    if near is Near.OVER or not ahead:
        assert first == ()
        return
    assert first == tuple(block for block in ahead if block.day == ahead[0].day)
    assert (near is Near.NOW) == (first[0].begins <= now)


def assert_words(block: BlockShown, headline: str, text: str) -> None:
    """The page says what the calendar's event says, and leaves nothing of it out but the line that says when."""
    assert block.headline == headline
    said = [f"{part.subject}: {part.headline} ({part.minutes} minutes)" for part in block.parts]
    said += [one.line for part in block.parts for one in part.said]
    said += [f"Why today: {part.why}" for part in block.parts]
    said += [*block.beside, *block.when_said]
    event = [line for line in text.split("\n") if line and not line.startswith("When: ")]
    assert Counter(said) == Counter(event)


def test_the_page_of_every_fixture_is_sound(shown: tuple[Request, Plan]) -> None:
    for now in moments(shown[1]):
        assert_sound(*shown, now)


@given(made())
@settings(max_examples=25)
def test_the_page_of_any_plan_is_sound(made: tuple[Request, Plan, datetime]) -> None:
    assert_sound(*made)


@given(made())
@settings(max_examples=15)
def test_the_page_of_any_plan_made_again_is_sound_and_keeps_what_has_begun(
    made: tuple[Request, Plan, datetime],
) -> None:
    request, plan, now = made
    try:
        again = mend_later(plan, request, now)
    except NoPlan:
        assume(False)
    assert_sound(request, again, now)


def test_the_states_of_the_first_glance() -> None:
    """Now, today, tomorrow, some other day, nothing left before the exam, all over; by a plan made by hand."""
    request, plan = plans.chemistry()  # blocks at 17:00 from 3 March on, New York; the exam on 20 March at nine
    near = {
        datetime(2026, 3, 2, 12): Near.TOMORROW,
        datetime(2026, 2, 28, 12): Near.NEXT,
        datetime(2026, 3, 3, 12): Near.TODAY,
        datetime(2026, 3, 3, 17, 0): Near.NOW,
        datetime(2026, 3, 3, 23): Near.TOMORROW,
        datetime(2026, 3, 19, 20): Near.DONE,
        datetime(2026, 3, 20, 10, 29): Near.DONE,
        datetime(2026, 3, 20, 10, 30): Near.OVER,
    }
    for moment, expected in near.items():
        now = instant(moment, ZoneInfo(plans.ZONE))
        assert pages.plan_page(plan, request, now=now).near is expected, moment


def test_today_says_when_its_blocks_are_behind() -> None:
    request, plan = plans.chemistry()
    page = pages.plan_page(plan, request, now=instant(datetime(2026, 3, 3, 23), ZoneInfo(plans.ZONE)))
    assert page.done_today == 1
    assert page.day == date(2026, 3, 4)


@pytest.mark.parametrize(
    ("start", "fold", "shows"),
    [
        # The clocks go on an hour at 02:00 on the second Sunday of March, back at 02:00 on the first of November
        # (15 U.S.C. 260a).
        (datetime(2026, 3, 8, 1, 30), 0, ("01:30", "03:30", False)),
        (datetime(2026, 11, 1, 0, 30), 0, ("00:30", "01:30", False)),
        (datetime(2026, 11, 1, 1, 30), 0, ("01:30", "01:30", False)),
        (datetime(2026, 11, 1, 1, 30), 1, ("01:30", "02:30", True)),
    ],
)
def test_hours_across_a_change_of_the_clocks(start: datetime, fold: int, shows: tuple[str, str, bool]) -> None:
    request, plan = plans.at(start, "America/New_York", fold=fold)
    (block,) = pages.blocks_shown(plan, request)
    assert (clocks.clock(block.start), clocks.clock(block.end), block.again) == shows
    assert ("The clocks change in between" in " ".join(block.when_said)) == (fold == 0 and shows[0] != "00:30")


def test_sentences_about_bedtime_follow_the_readers_clock() -> None:
    request, plan = plans.at(datetime(2026, 3, 4, 20, 45), "America/New_York", minutes=45)
    for style, expected in (("24", "Bed at 22:30"), ("12", "Bed at 10:30\N{NO-BREAK SPACE}pm")):
        (block,) = pages.blocks_shown(plan, request, clocks=style)
        assert expected in " ".join(block.when_said)


def test_a_material_is_listed_with_the_days_of_the_blocks_that_name_it() -> None:
    request, plan = fixture("chemistry-30.toml")
    words = Wording(plan, request)
    naming = {
        piece.title: {block.day for block in plan.blocks if re.search(rf"{piece.title}\b", words.describe(block))}
        for piece in request.exams[0].materials
    }
    page = pages.plan_page(plan, request, now=plan.as_of)
    shown = [piece for exam in page.stock for kind in exam.kinds for piece in kind.materials]
    assert len(shown) == page.stock[0].pieces == len(request.exams[0].materials)
    for piece in shown:
        assert piece.days
        assert set(piece.days) <= naming[piece.title]


def test_a_kinds_second_pass_is_told_with_its_minutes_and_the_flags_expected() -> None:
    """Before any check-in a quarter of a kind's problems is taken as flagged (common practice, no source)."""
    request, plan = fixture("demo.toml")  # five quizzes with two missed problems each, four tests with four
    page = pages.plan_page(plan, request, now=plan.as_of)
    tasks = {task.id: task for task in plan.tasks}
    minutes: Counter[str] = Counter()
    for block in plan.blocks:
        for part in block.parts:
            if tasks[part.task].role is Role.CONSOLIDATE and tasks[part.task].kind is not Kind.PRACTICE:
                minutes[tasks[part.task].kind or ""] += 5 * part.units
    kinds = {kind.kind: kind for kind in page.stock[0].kinds}
    assert {name: kind.again_minutes for name, kind in kinds.items() if kind.again} == minutes
    assert (kinds["quiz"].flags, kinds["test"].flags) == (3, 4)  # a quarter of 10 and of 16, rounded up
    assert kinds["homework"].flags == kinds["notes"].flags == 0  # sizes unknown; class periods are no problems
    assert kinds["practice"].again == ()  # its last share of problems comes instead


def test_a_material_that_an_earlier_plan_took_up_keeps_those_days() -> None:
    request, plan = fixture("demo.toml")
    now = datetime(2027, 1, 12, 21, 40, tzinfo=UTC)
    again = mend_later(plan, request, now)
    page = pages.plan_page(again, request, now=now)
    days = {piece.title: piece.days for kind in page.stock[0].kinds for piece in kind.materials}
    before = pages.plan_page(plan, request, now=now)
    for kind in before.stock[0].kinds:
        for piece in kind.materials:
            over = {day for day in piece.days if day < date(2027, 1, 12)}
            assert over <= set(days[piece.title])


def test_a_day_with_little_time_says_so() -> None:
    """Of several short days on one date the fewest minutes count."""
    request, plan = fixture("chemistry-30.toml")
    short = tuple(ShortDay(day=date(2027, 1, day), minutes=minutes) for day, minutes in ((25, 45), (25, 20), (26, 0)))
    told = [
        list(pages.day_remarks(date(2027, 1, day), plan, replace(request, short_days=short))) for day in (24, 25, 26)
    ]
    assert told == [[], ["Little time: 20 minutes at most"], ["No time on this day"]]


def test_an_exam_that_may_come_later_says_so_until_it_is_over() -> None:
    request, plan = fixture("full-example.toml")
    chemistry, civics = pages.plan_page(plan, request, now=plan.as_of).exams
    assert chemistry.later == ""
    assert civics.later == "It may also be on any day up to Tuesday 9 February 2027; the plan counts on the first."
    told = [
        civics.later in Read(every_page(request, plan, now)["plan"]).text(0)
        for now in (plan.as_of, plan.as_of + timedelta(days=900))
    ]
    assert told == [True, False]


def test_where_few_days_are_left_no_proof_is_shown() -> None:
    request, plan = fixture("chemistry-3.toml")
    page = pages.plan_page(plan, request, now=plan.as_of)
    assert page.shortfall == ()
    assert "when it is done, stop and sleep" in " ".join(page.figures)


# ------------------------------------------------------------------------------------------------ a single block


def test_a_block_page_has_the_block_and_its_neighbours(shown: tuple[Request, Plan]) -> None:
    request, plan = shown
    for number, block in enumerate(plan.blocks):
        page = pages.block_page(plan, request, block.uid, plan.as_of)
        assert page is not None
        assert page.block.uid == block.uid
        assert (page.previous and page.previous.uid) == (plan.blocks[number - 1].uid if number else None)
        assert (page.following and page.following.uid) == (
            plan.blocks[number + 1].uid if number + 1 < len(plan.blocks) else None
        )
    assert pages.block_page(plan, request, "no-such-block", plan.as_of) is None


def test_a_block_that_had_begun_before_a_change_keeps_its_page_and_its_words() -> None:
    request, plan = fixture("demo.toml")
    now = datetime(2027, 1, 12, 22, 10, tzinfo=UTC)  # ten minutes into that day's block
    again = mend_later(plan, request, now)
    for past in again.past:
        page = pages.block_page(again, request, past.uid, now)
        assert page is not None
        assert page.block.headline == past.headline
        assert not any(line.startswith("When: ") for line in page.block.lines)
        assert set(page.block.lines) <= set(past.text.split("\n"))
        assert not any(line.startswith(page.block.headline) for line in page.block.lines)  # it is the title already
    assert page.near == "Now"


def test_a_block_page_says_where_the_block_lies_in_time() -> None:
    request, plan = plans.chemistry()
    block = plan.blocks[0]
    zone = ZoneInfo(plans.ZONE)
    told = {
        datetime(2026, 3, 1, 12): "In 2 days",
        datetime(2026, 3, 2, 12): "Tomorrow",
        datetime(2026, 3, 3, 12): "Today",
        datetime(2026, 3, 3, 17, 5): "Now",
        datetime(2026, 3, 3, 17, 15): "This block is over",
    }
    for moment, near in told.items():
        page = pages.block_page(plan, request, block.uid, instant(moment, zone))
        assert page is not None
        assert page.near == near


# ------------------------------------------------------------------------------------------------------- paper


def test_paper_holds_every_day_once_by_weeks_from_monday(shown: tuple[Request, Plan]) -> None:
    request, plan = shown
    weeks = pages.paper_pages(plan, request)
    assert [week.number for week in weeks] == list(range(1, len(weeks) + 1))
    assert {week.of for week in weeks} == {len(weeks)}
    for week in weeks:
        assert week.first.weekday() == 0  # ISO 8601: a week begins on Monday
        assert all(week.first <= day.day <= week.last for day in week.days)
    days = [day for week in weeks for day in week.days]
    assert [day.day for day in days] == sorted({day.day for day in days})
    assert sum(week.minutes for week in weeks) == sum(block.minutes for block in plan.blocks)
    assert [block.uid for day in days for block in day.blocks] == [block.uid for block in plan.blocks]


# ------------------------------------------------------------------------------------------------- clock and day


@pytest.mark.parametrize(
    ("header", "style"),
    [
        ("", "24"),
        ("en-GB,en;q=0.9", "24"),
        ("de", "24"),
        ("en", "24"),  # a language alone says nothing of a region
        ("en-US,en;q=0.9", "12"),
        ("en-CA", "12"),
        ("fr-CA,en-CA;q=0.8", "24"),
        ("en-AU", "12"),
        ("en-PH", "12"),
        ("hi", "12"),
        ("hi-IN", "12"),
        ("da, en-gb;q=0.8, en;q=0.7", "24"),  # the example of RFC 9110 §12.5.4
        ("en-US;q=0.3, de;q=0.9", "24"),
        ("en-US;q=0, de;q=0.1", "24"),  # RFC 9110 §12.4.2: a weight of 0 means not acceptable
        ("*, en-US;q=0.1", "12"),
        ("en-GB-u-hc-h12", "12"),  # BCP 47 extension U, key hc
        ("en-US-u-hc-h23", "24"),
        ("zh-Hant-TW", "24"),
        ("en-Latn-US", "12"),
        ("en-US;q=abc", "24"),
        (";;;,,,=", "24"),
        ("\x00" * 50, "24"),
    ],
)
def test_the_clock_of_a_language(header: str, style: str) -> None:
    assert clocks.clock_style(header) == style


@given(st.text())
def test_any_header_has_a_clock(header: str) -> None:
    assert clocks.clock_style(header) in ("12", "24")


def test_both_clocks_tell_every_minute_of_a_day() -> None:
    """Read back by the standard library's own formats."""
    for minute in range(24 * 60):
        moment = time(minute // 60, minute % 60)
        assert datetime.strptime(clocks.clock(moment), "%H:%M").time() == moment  # noqa: DTZ007
        said = clocks.clock(moment, "12").replace("\N{NO-BREAK SPACE}", " ")
        assert datetime.strptime(said, "%I:%M %p").time() == moment  # noqa: DTZ007
    assert clocks.clock(time(0, 5), "12") == "12:05\N{NO-BREAK SPACE}am"
    assert clocks.clock(time(12, 0), "12") == "12:00\N{NO-BREAK SPACE}pm"


# ------------------------------------------------------------------------------------------------------- HTML


ROUTES = {
    "start": "/",
    "make": "/make",
    "plan": "/plan/<token>",
    "calendar": "/plan/<token>/calendar",
    "change": "/plan/<token>/change",
    "paper": "/plan/<token>/paper",
    "download": "/plan/<token>/plan.ics",
    "take_along": "/plan/<token>/take-along",
    "delete": "/plan/<token>/delete",
    "view": "/view/<token>",
    "view_paper": "/view/<token>/paper",
    "block": "/block/<token>/<uid>",
    "help": "/help",
    "privacy": "/privacy",
    "said": "/plan/<token>/said",
    "going.shown": "/plan/<token>/going",
    "going.ask": "/plan/<token>/ask",
    "repairs.shown": "/plan/<token>/difference",
    "repairs.undo_last": "/plan/<token>/undo",
    "repairs.place": "/block/<token>/<uid>/place",
    "cohort.make": "/cohort",
    "cohort.empty_courses": "/cohort/courses.toml",
    "cohort.empty_roster": "/cohort/roster.csv",
    "cohort.shown": "/cohort/<token>",
    "cohort.rows": "/cohort/<token>/rows",
    "cohort.row": "/cohort/<token>/row/<member>",
    "cohort.going": "/cohort/<token>/going",
    "cohort.everything": "/cohort/<token>/everything.zip",
    "cohort.again": "/cohort/<token>/again",
    "cohort.vanished": "/cohort/<token>/vanished",
    "cohort.link": "/cohort/<token>/link",
    "cohort.delete": "/cohort/<token>/delete",
    "cohort_acts.act": "/cohort/<token>/act",
    "cohort_acts.courses": "/cohort/<token>/courses.json",
    "cohort_acts.dates": "/cohort/<token>/dates",
    "cohort_acts.trial": "/cohort/<token>/trial/<name>",
    "cohort_paper.hand_outs": "/cohort/<token>/hand-outs",
}
PICTURES = dict.fromkeys(("_strip.html", "_month.html", "_curve.html"), "<figure>a picture</figure>")


@cache
def app() -> Flask:
    """An application with the real templates, without what draws pictures and without views."""
    made = Flask("pages", template_folder=str(WEB / "templates"), static_folder=str(WEB / "static"))
    made.jinja_loader = ChoiceLoader([DictLoader(PICTURES), FileSystemLoader(WEB / "templates")])
    made.jinja_env.filters.update(pages.FILTERS)
    for name, rule in ROUTES.items():
        endpoint = name if "." in name else f"student.{name}"
        made.add_url_rule(rule, endpoint=endpoint, view_func=lambda **values: "")
    return made


NOTHING_SAID: dict[str, Any] = {
    "done": "",
    "to_plan_again": 0,
    "to_fit": False,
    "open_blocks": (),
    "form": "0123456789abcdef",
    "standing": checking.Standing(None, 0),
    "in_words": checking.in_words,
    "pieces": (),
    "work": 30,
    "offers": Offers(),
    "moved": None,
    "extra": None,
    "can_undo": False,
    "in_cohort": False,
    "version": 1,
    "fields": {},
    "wrong": {},
}
"""What templates get of a plan of whose blocks nothing was said."""


def render(template: str, **values: Any) -> str:
    with app().test_request_context("/"):
        return render_template(template, **(NOTHING_SAID | values))


class Read(HTMLParser):
    """A page as its elements, each with its attributes, and the text of each."""

    VOID = frozenset(
        ["area", "base", "br", "col", "embed", "hr", "img", "input", "link", "meta", "source", "track", "wbr"]
    )
    """Elements without an end tag (HTML standard, §13.1.2)."""

    def __init__(self, html: str) -> None:
        super().__init__(convert_charrefs=True)
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.texts: list[list[str]] = []
        self.open: list[int] = []
        self.parents: list[tuple[int, ...]] = []
        self.feed(html)
        self.close()
        assert not self.open, "elements that are never closed"

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        assert len({name for name, _ in attrs}) == len(attrs), f"an attribute twice: {tag} {attrs}"
        self.elements.append((tag, dict(attrs)))
        self.texts.append([])
        self.parents.append(tuple(self.open))
        if tag not in self.VOID:
            self.open.append(len(self.elements) - 1)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))
        self.texts.append([])
        self.parents.append(tuple(self.open))

    def handle_endtag(self, tag: str) -> None:
        assert self.elements[self.open[-1]][0] == tag, f"</{tag}> closes {self.elements[self.open[-1]]}"
        self.open.pop()

    def handle_data(self, data: str) -> None:
        for at in self.open:
            self.texts[at].append(data)

    def text(self, at: int) -> str:
        return " ".join("".join(self.texts[at]).split())

    def all(self, *tags: str) -> list[int]:
        return [at for at, (tag, _) in enumerate(self.elements) if tag in tags]


def every_page(request: Request, plan: Plan, now: datetime) -> dict[str, str]:
    """The HTML of all pages of a plan, and of those that belong to none."""
    page = pages.plan_page(plan, request, now=now)
    block = pages.block_page(plan, request, plan.blocks[0].uid, now)
    more = {"token": TOKEN, "clocks": "24", "curve": True}
    feed = f"https://plans.example.org/feed/{TOKEN}.ics"
    link = {"https": feed, "fetched": now, "alarm": 10, "view": f"https://plans.example.org/view/{TOKEN}"}
    bare = {**link, "fetched": None, "alarm": None, "view": ""}
    calendar = {**more, "qr": "data:image/svg+xml,x", "problems": [], "done": ""}
    return {
        "start": render("start.html"),
        "help": render("help.html", keep_days=60),
        "privacy": render("privacy.html", keep_days=60),
        "plan": render("plan.html", page=page, address=f"https://plans.example.org/plan/{TOKEN}", **more),
        "plan-mended": render(
            "plan.html",
            page=page,
            address=f"https://plans.example.org/plan/{TOKEN}",
            **{**more, "done": "The plan is mended.", "can_undo": True, "to_plan_again": 2, "in_cohort": True},
        ),
        "view": render("view.html", page=page, **more),
        "block": render("block.html", page=block, **more),
        "block-offered": render(
            "block.html",
            page=block,
            **{
                **more,
                "offers": Offers((plan.blocks[0].start,), held=False),
                "moved": Moved(plan.blocks[0].start, plan.blocks[0].start),
            },
        ),
        "calendar": render("calendar.html", page=pages.calendar_page(plan, **link), **calendar),
        "calendar-bare": render("calendar.html", page=pages.calendar_page(plan, **bare), **calendar),
        "calendar-told": render(
            "calendar.html",
            page=pages.calendar_page(plan, **bare),
            **{**calendar, "problems": ["“x” is no number of minutes."], "done": "Saved."},
        ),
        "paper": render("paper.html", weeks=pages.paper_pages(plan, request), plan=plan, **more),
        "delete": render("delete.html", page=pages.delete_page(plan, keep_days=60), **more),
        "error": render("error.html", code=404, sentence="There is no such page.", remedy="Look at the address again."),
        "gone": render("gone.html"),
        **cohort_pages_of(request, plan, now),
    }


def cohort_pages_of(request: Request, plan: Plan, now: datetime) -> dict[str, str]:
    """The HTML of a cohort's pages whose students all have this plan; what it says is in every text of a row."""
    text = plan.title
    row = Row(number=2, cells={"reference": "S-1", "course": text, "section": text})
    outcome = Outcome(
        row=2, reference="S-1", status=Status.CANNOT_FIT, courses=(text,), sections=(text,), teachers=(text,),
        sentences=(text, text), ways=(text,), blocks=9, minutes=45, usual=30, work=200,
        load={block.start.date().isoformat(): block.minutes for block in plan.blocks},
    )  # fmt: skip
    kept = Cohort("id", 1, text, "seed", b"", text, now, now, now, plan.exams[0].start.date())
    cells = msgspec.json.encode(row).decode()

    def member(number: int, status: str, outcome: Outcome | None, key: str) -> Member:
        said = msgspec.json.encode(outcome).decode() if outcome else ""
        return Member(key, number, cells, status, said, "{}" if outcome else "", "plan" if outcome else None)

    waiting = member(3, "", None, "s-2")
    all_members = [member(0, "planned", outcome, "s-0"), member(2, "cannot fit", outcome, "s-1"), waiting]
    about = {"token": TOKEN, "cohort": kept, "clocks": "24", "keep_days": 60, "gone": cohort_pages.GONE}
    one, two = cohort_pages.shown(all_members[1]), cohort_pages.shown(waiting)
    days = pages.plan_page(plan, request, now=now).days
    begun = [Begun(block, "nothing said yet") for day in days[:3] for block in day.blocks]
    look = {
        "address": f"https://plans.example.org/cohort/{TOKEN}",
        "doubts": [text],
        "left": "",
        "classes": [],
        **about,
    }
    classes = [ClassShown(text, "A", TOKEN, f"https://plans.example.org/feed/{TOKEN}.ics")] * 2
    trial = Trial("id", b"{}", now, said=text)
    trial.total, trial.done = 9, True
    compared = Trial("id", b"", now, exam=(text, "A"))
    compared.eases, compared.done = (Ease(plan.exams[0].start, 9, 1, 2, 33.4),) * 2, True
    tried = {"trial": trial, "name": "t", "told": (text,), "own": [text], "best": None, "older": False, **about}
    acting = {"sections": [Choice(text, text)], "groups": [Group(text, (Choice(text, text),))], **about}
    acting |= {"form": {}, "starts": ["2027-02-08T09:00"], "most": 6}
    wrong = [Problem("roster", f"{text} is wrong.", "Mend it.")]
    form = {"title": text, "most": 5000, "token": TOKEN, "asks_key": False}
    bare = {
        "one": two, "own": False, "plan": "", "sentence": "", "replaced": False, "act": text,
        "begun": (), "check_in": TOKEN, **about,
    }  # fmt: skip
    changed = [*all_members, member(4, "planned", outcome, "s-3")._replace(own=None)]
    asked = cohort_pages.Asked(text=text, status="cannot fit", page=2)
    found = cohort_pages.table(all_members, cohort_pages.Asked())
    list_of_two = [Going(one, text), Going(two, text)]
    sheet = pages.paper_pages(plan, request)
    day, exam = next((one.day, one.exams[0]) for week in sheet for one in week.days if one.exams)
    hand_out = HandOut(
        reference="S-1", title=text, address="https://plans.example.org/plan/x", qr="data:image/svg+xml,x",
        weeks=sheet, exams=((day, exam),), zone=plan.zone, unsaid=frozenset({plan.blocks[0].uid}),
    )  # fmt: skip
    paper = {"sections": [text], "asked": asked, "weeks": "all", "member": "", "number": 120, "pages": 2, **about}
    again = Again((text,), ("S-1",), (text,), (text,), tuple(f"S-{number}" for number in range(60)))
    return {
        "cohort-make": render("cohort_make.html", problems=[], waiting={}, cohort=None, **{**form, "asks_key": True}),
        "cohort-make-wrong": render(
            "cohort_make.html", problems=wrong * 2, waiting={"roster": ("id", text)}, cohort=None, **form
        ),
        "cohort-hand-in-again": render("cohort_make.html", problems=wrong, waiting={}, cohort=kept, **form),
        "cohort": render("cohort.html", found=cohort_pages.overview(all_members), **look),
        "cohort-classes": render(
            "cohort.html", found=cohort_pages.overview(all_members), **{**look, "classes": classes}
        ),
        "cohort-changed": render("cohort.html", found=cohort_pages.overview(changed, {"s-1", "s-3"}), **look),
        "cohort-rows-changed": render(
            "cohort_rows.html",
            asked=cohort_pages.Asked(changed=True),
            found=cohort_pages.table(changed, cohort_pages.Asked(changed=True), {"s-1", "s-3"}),
            sorts=cohort_pages.SORTS,
            **about,
        ),
        "cohort-row-changed": render(
            "cohort_row.html", **{**bare, "one": cohort_pages.shown(changed[-1], {"s-3"}), "own": True, "plan": TOKEN}
        ),
        "cohort-act": render("cohort_act.html", problems=wrong, **acting),
        "cohort-trial": render("cohort_trial.html", **tried),
        "cohort-trial-older": render("cohort_trial.html", **{**tried, "older": True}),
        "cohort-trial-under-way": render("cohort_trial.html", **{**tried, "trial": Trial("id", b"{}", now)}),
        "cohort-trial-dates": render("cohort_trial.html", **{**tried, "trial": compared, "best": compared.eases[0]}),
        "cohort-trial-dates-equal": render("cohort_trial.html", **{**tried, "trial": compared}),
        "cohort-trial-forgotten": render("cohort_trial.html", **{**tried, "trial": None}),
        "cohort-waiting": render("cohort.html", found=cohort_pages.overview([waiting]), **{**look, "done": text}),
        "cohort-rows": render(
            "cohort_rows.html", asked=asked, found=found._replace(pages=3), sorts=cohort_pages.SORTS, **about
        ),
        "cohort-rows-gone": render(
            "cohort_rows.html", asked=cohort_pages.GONE, found=found, sorts=cohort_pages.SORTS, **about
        ),
        "cohort-rows-none": render(
            "cohort_rows.html",
            asked=cohort_pages.Asked(),
            found=cohort_pages.table([], cohort_pages.Asked()),
            sorts=cohort_pages.SORTS,
            **about,
        ),
        "cohort-row": render(
            "cohort_row.html",
            **{**bare, "one": one, "own": True, "plan": TOKEN, "sentence": text, "replaced": True, "begun": begun},
        ),
        "cohort-row-waiting": render("cohort_row.html", **bare),
        "cohort-row-gone": render(
            "cohort_row.html", **{**bare, "one": cohort_pages.shown(all_members[0])._replace(ways=(), reference="")}
        ),
        "cohort-going": render(
            "cohort_going.html", behind=list_of_two, silent=list_of_two, looked=200, page=2, pages=3, **about
        ),
        "cohort-going-nobody": render("cohort_going.html", behind=[], silent=[], looked=2, page=1, pages=1, **about),
        "cohort-paper": render("cohort_paper.html", hand_outs=[hand_out, hand_out], **paper),
        "cohort-paper-one": render(
            "cohort_paper.html",
            hand_outs=[hand_out._replace(weeks=())],
            **{**paper, "member": "s-1", "number": 1, "pages": 1, "weeks": "none"},
        ),
        "cohort-again": render("cohort_again.html", done=again, own_rows=False, **about),
        "cohort-again-own-rows": render("cohort_again.html", done=again._replace(added=()), own_rows=True, **about),
        "cohort-delete": render("cohort_delete.html", number=3, **about),
    }


def assert_well_made(name: str, html: str) -> None:
    """What every page keeps to, whatever it shows."""
    read = Read(html)
    ids = [attrs["id"] for _, attrs in read.elements if "id" in attrs]
    assert len(ids) == len(set(ids)), name
    levels = [int(tag[1]) for tag, _ in read.elements if re.fullmatch(r"h[1-6]", tag)]
    assert levels[0] == 1, name
    assert levels.count(1) == 1, name
    assert all(after <= before + 1 for before, after in pairwise(levels)), (name, levels)
    assert all(read.text(at) for at in read.all("h1", "h2", "h3", "h4", "a", "button", "title", "summary")), name
    assert not read.all("style"), name
    for at, (tag, attrs) in enumerate(read.elements):
        assert "style" not in attrs, (name, tag)
        assert not any(attribute.startswith("on") for attribute in attrs), (name, tag)
        if tag == "script":
            assert attrs["src"], name
            assert not read.text(at), name
            assert "defer" in attrs, name
        if tag == "img":
            assert attrs.get("alt"), name
        if tag in ("input", "select", "textarea") and attrs.get("type") != "hidden":
            inside = any(read.elements[parent][0] == "label" for parent in read.parents[at])
            labels = [one for t, one in read.elements if t == "label" and one.get("for") == attrs.get("id")]
            assert inside or labels, (name, attrs)
        if tag == "button":
            assert attrs.get("type") == "button" or any(read.elements[p][0] == "form" for p in read.parents[at]), name
        for reference in (*(attrs.get("aria-labelledby") or "").split(), attrs.get("data-copies")):
            assert not reference or reference in ids, (name, reference)
        if (attrs.get("href") or "").startswith("#"):
            assert (attrs["href"] or "")[1:] in ids, (name, attrs["href"])
        if tag == "table":
            heads = [o for i, (t, o) in enumerate(read.elements) if t == "th" and at in read.parents[i]]
            assert heads, name
            assert all(head.get("scope") for head in heads), name


def test_every_page_of_every_fixture_is_well_made(shown: tuple[Request, Plan]) -> None:
    """Unique ids, headings in order, labels, no inline script or style, no dead reference on the page."""
    request, plan = shown
    for now in moments(plan):
        for name, html in every_page(request, plan, now).items():
            assert_well_made(name, html)


@given(made())
@settings(max_examples=10)
def test_every_page_of_any_plan_is_well_made(made: tuple[Request, Plan, datetime]) -> None:
    request, plan, now = made
    for name, html in every_page(request, plan, now).items():
        assert_well_made(name, html)


HOSTILE = "<script>alert('x')</script>\"'><img src=x onerror=alert(1)> {{ 7*7 }} &amp; \N{RIGHT-TO-LEFT OVERRIDE}"


def test_what_a_person_typed_is_shown_as_text_and_never_as_markup() -> None:
    request, plan = plans.saying(HOSTILE)
    for name, html in every_page(request, plan, plan.as_of).items():
        assert_well_made(name, html)
        assert "<script>" not in html, name
        assert "<img src=x" not in html, name
        assert "{{ 7*7 }}" in html or "7*7" not in html, name
    conflict = render("conflict.html", conflict=[HOSTILE])
    assert "<script>" not in conflict
    assert "alert(&#39;x&#39;)" in conflict


def test_pages_of_a_plan_are_not_for_search_engines_and_those_of_none_are() -> None:
    request, plan = fixture("demo.toml")
    made = every_page(request, plan, plan.as_of)
    hidden = {name for name, html in made.items() if '<meta name="robots" content="noindex, nofollow">' in html}
    assert set(made) - hidden == {"start", "help", "privacy", "cohort-make", "cohort-make-wrong"}


def links(html: str) -> set[str]:
    return {attrs.get(a) or "" for _, attrs in Read(html).elements for a in ("href", "action", "src", "value")}


def test_the_read_only_page_leads_to_nothing_that_changes_a_plan() -> None:
    request, plan = fixture("demo.toml")
    made = every_page(request, plan, plan.as_of)
    assert not [link for link in links(made["view"]) if "/plan" in link]
    assert not Read(made["view"]).all("form", "button", "input")
    assert f"/view/{TOKEN}/paper" in links(made["view"])


def test_a_block_page_shows_what_the_event_shows_and_no_more() -> None:
    """No exam's place, hour or other material, no link with another power: who has the link has one event's words."""
    request, plan = fixture("demo.toml")
    words = Wording(plan, request)
    exam = plan.exams[0]
    for block in plan.blocks:
        page = pages.block_page(plan, request, block.uid, plan.as_of)
        html = render("block.html", page=page, token=TOKEN, clocks="24")
        read = Read(html)
        assert exam.place not in html
        assert plan.title not in html
        assert "/plan" not in " ".join(links(html))
        assert "/view" not in " ".join(links(html))
        event = f"{words.headline(block)}\n{words.describe(block)}"
        article = read.all("article")[0]
        for at in read.all("dd", "h2"):
            if article in read.parents[at]:
                assert read.text(at) in event
        titles = {piece.title for piece in request.exams[0].materials}
        body = read.text(article)
        for title in titles:
            assert (re.search(rf"{title}\b", body) is None) or (re.search(rf"{title}\b", event) is not None)


def test_the_plan_page_says_once_to_keep_its_address() -> None:
    request, plan = fixture("demo.toml")
    html = every_page(request, plan, plan.as_of)["plan"]
    assert html.count("Keep this address") == 1
    read = Read(html)
    field = next(attrs for _, attrs in read.elements if attrs.get("id") == "address")
    assert field["value"] == f"https://plans.example.org/plan/{TOKEN}"
    assert "readonly" in field
    copies = [attrs for _, attrs in read.elements if attrs.get("data-copies") == "address"]
    assert len(copies) == 1
    assert "hidden" in copies[0], "without a script there is no button that does nothing"


def test_the_plan_page_leads_to_everything_that_one_can_do_with_it() -> None:
    request, plan = fixture("demo.toml")
    found = links(every_page(request, plan, plan.as_of)["plan"])
    for way in ("calendar", "change", "paper", "take-along", "delete"):
        assert f"/plan/{TOKEN}/{way}" in found


def test_the_calendar_page_has_both_addresses_and_a_form_for_each_act() -> None:
    request, plan = fixture("demo.toml")
    made = every_page(request, plan, plan.as_of)
    found = links(made["calendar"])
    assert f"webcal://plans.example.org/feed/{TOKEN}.ics" in found
    assert f"https://plans.example.org/feed/{TOKEN}.ics" in found
    assert f"/plan/{TOKEN}/plan.ics" in found

    def acts(name: str) -> set[str]:
        return {a.get("value") or "" for _, a in Read(made[name]).elements if a.get("name") == "act"}

    assert acts("calendar") == {"alarms", "replace", "replace-manage", "replace-view", "unshare"}
    assert acts("calendar-bare") == {"alarms", "replace", "replace-manage", "share"}
    assert "There is a read-only link to your plan" in made["calendar"]
    assert "No calendar has fetched it yet" in made["calendar-bare"]
    assert all(a.get("method") == "post" for t, a in Read(made["calendar"]).elements if t == "form")


@pytest.mark.parametrize(("name", "checked", "minutes"), [("calendar", "on", "10"), ("calendar-bare", "off", "10")])
def test_the_calendar_page_shows_the_reminder_that_is_set(name: str, checked: str, minutes: str) -> None:
    request, plan = fixture("demo.toml")
    elements = Read(every_page(request, plan, plan.as_of)[name]).elements
    assert [a.get("value") for _, a in elements if a.get("name") == "alarm" and "checked" in a] == [checked]
    assert [a.get("value") for _, a in elements if a.get("name") == "minutes"] == [minutes]


def test_webcal_replaces_the_scheme_and_nothing_else() -> None:
    _, plan = fixture("demo.toml")
    for scheme in ("http", "https"):
        page = pages.calendar_page(plan, https=f"{scheme}://h:8080/feed/x.ics", fetched=None, alarm=None, view="")
        assert page.webcal == "webcal://h:8080/feed/x.ics"


def test_a_plan_goes_by_itself_so_many_days_after_its_last_exam() -> None:
    _, plan = plans.two_exams()  # the later one on 25 March at 13:30 in London: 09:30 in New York
    page = pages.delete_page(plan, keep_days=60)
    assert (page.last, page.goes) == (date(2026, 3, 25), date(2026, 5, 24))
    assert "Sunday 24 May 2026" in render("delete.html", page=page, token=TOKEN)


def test_every_page_carries_the_cautions() -> None:
    request, plan = fixture("demo.toml")
    for name, html in every_page(request, plan, plan.as_of).items():
        read = Read(html)
        foot = read.text(read.all("footer")[0])
        assert all(caution in foot for caution in CAUTIONS), name


def test_paper_has_a_box_for_every_block_and_lines_for_flags() -> None:
    request, plan = fixture("demo.toml")
    html = every_page(request, plan, plan.as_of)["paper"]
    classes = Counter(name for _, a in Read(html).elements for name in (a.get("class") or "").split())
    assert classes["box"] == len(plan.blocks)
    assert classes["week"] == len(pages.paper_pages(plan, request))
    assert classes["blank"] == 4 * classes["week"]


def test_the_reader_of_a_twelve_hour_language_sees_no_other_clock() -> None:
    request, plan = fixture("demo.toml")
    now = plan.as_of
    page = pages.plan_page(plan, request, now=now, clocks="12")
    html = render("plan.html", page=page, address="", token=TOKEN, clocks="12")
    read = Read(html)
    text = read.text(read.all("main")[0])
    assert re.search(r"4:00 pm", text)
    assert not re.search(r"\b(1[3-9]|2[0-3]):[0-5]\d", text)


def test_a_squares_stack_holds_one_square_for_five_minutes() -> None:
    request, plan = fixture("demo.toml")
    block = next(block for block in plan.blocks if block.parts)
    page = pages.block_page(plan, request, block.uid, plan.as_of)
    html = render("block.html", page=page, token=TOKEN, clocks="24")
    squares = [a for _, a in Read(html).elements if "square" in (a.get("class") or "").split()]
    assert len(squares) == sum(part.units for part in block.parts)


# -------------------------------------------------------------------------------------------------------- look


LOOK = (WEB / "static" / "look.css").read_text(encoding="utf-8")


def variables(block: str) -> dict[str, str]:
    return dict(re.findall(r"--([a-z0-9-]+):\s*(#[0-9a-f]{6});", block))


def schemes() -> dict[str, dict[str, str]]:
    """The colours of the light, the dark and the printed page."""
    roots = re.findall(r":root \{(.*?)\}", LOOK, re.S)
    light, dark, printed = map(variables, roots)
    return {"light": light, "dark": {**light, **dark}, "print": {**light, **printed}}


def contrast(one: str, other: str) -> float:
    """The contrast ratio of two colours (WCAG 2.2, relative luminance and contrast ratio)."""
    low, high = sorted(map(luminance, (one, other)))
    return (high + 0.05) / (low + 0.05)


def luminance(colour: str) -> float:
    channels = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def test_the_formula_gives_known_ratios() -> None:
    """Black on white is 21 : 1 (WCAG 2.2); #767676 is the lightest grey with 4.5 : 1 on white (from memory)."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#767676", "#ffffff") >= 4.5 > contrast("#777777", "#ffffff")


@pytest.mark.parametrize("scheme", ["light", "dark", "print"])
def test_text_has_enough_contrast(scheme: str) -> None:
    """WCAG 2.2, 1.4.3: at least 4.5 : 1."""
    colours = schemes()[scheme]
    for ground in ("paper", "raised"):
        for ink in ("ink", "soft", "accent", "warn", "good"):
            assert contrast(colours[ink], colours[ground]) >= 4.5, (ink, ground)
    assert contrast(colours["on-accent"], colours["accent"]) >= 4.5
    for kind in Kind:
        assert contrast(colours["on-kind"], colours[kind]) >= 4.5, kind


@pytest.mark.parametrize("scheme", ["light", "dark", "print"])
def test_controls_and_squares_stand_out(scheme: str) -> None:
    """WCAG 2.2, 1.4.11: at least 3 : 1 for edges of controls and for squares, by their ground or by their edge."""
    colours = schemes()[scheme]
    for ground in ("paper", "raised"):
        assert contrast(colours["edge"], colours[ground]) >= 3
        for kind in Kind:
            shapes = (colours[kind], colours["kind-edge"])
            assert max(contrast(shape, colours[ground]) for shape in shapes) >= 3, kind


def test_kinds_have_the_published_colours() -> None:
    """Okabe & Ito 2008, Color Universal Design: sky blue, orange, bluish green, vermillion, reddish purple."""
    published = {"homework": "#56b4e9", "quiz": "#e69f00", "notes": "#009e73", "test": "#d55e00", "practice": "#cc79a7"}
    for scheme in ("light", "dark"):
        assert {kind: schemes()[scheme][kind] for kind in published} == published


def test_there_are_three_sizes_of_type_and_no_motion() -> None:
    sizes = set(re.findall(r"font-size:\s*([^;]+);", LOOK)) - {"9.5pt"}  # the printed page's own ground size
    assert sizes == {"var(--size-1)", "var(--size-2)", "var(--size-3)"}
    assert not re.search(r"\b(animation|transition|@keyframes)\b", LOOK)
    assert re.findall(r"--size-\d:\s*([0-9.]+rem)", LOOK) == ["1rem", "1.25rem", "1.6rem"]


def test_focus_is_never_hidden() -> None:
    """The one element without an outline is the target of the skip link, which is no control."""
    without = re.findall(r"([^{}]+)\{[^{}]*outline:\s*(?:none|0)", LOOK)
    assert [selector.strip().split("\n")[-1] for selector in without] == ["main"]


@pytest.mark.parametrize("subject", ["כימיה אורגנית", "كيمياء"])
def test_numbers_after_a_right_to_left_title_stay_outside_its_run(subject: str) -> None:
    """U+2068 and U+2069 isolate (UAX #9); what follows a title of another script is not written before it."""
    assert pages.apart(subject) == f"\N{FIRST STRONG ISOLATE}{subject}\N{POP DIRECTIONAL ISOLATE}"
    assert pages.apart("Chemistry 3") == "Chemistry 3"
    loose = [
        (name, found)
        for name in ("_page_days", "_page_stock", "going", "paper")
        for found in re.findall(
            r"\{\{ exam\.subject \}\}(?:</strong>)?[:,]", (WEB / "templates" / f"{name}.html").read_text()
        )
    ]
    assert loose == []
