"""The pictures: squares that are the plan's units, geometry that holds, colours that can be read, and words beside.

What is drawn is compared with the plan's own blocks, counted here anew; contrast with the formula of WCAG 2.2; the
months with Python's ``calendar``; the markup with an XML parser; and what can only be seen with a real browser.
"""

from __future__ import annotations

import calendar
import os
import re
import subprocess
import sys
from collections import Counter, defaultdict
from contextlib import contextmanager
from datetime import UTC, date, datetime, time, timedelta
from functools import cache
from itertools import combinations, pairwise
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple
from xml.etree import ElementTree

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from jinja2 import Environment, PackageLoader, StrictUndefined
from msgspec.structs import replace

from calplan.errors import NoPlan
from calplan.model import Block, DayOff, Kind, PastBlock, Plan, Rank, Request, Role, Stage, Worked
from calplan.planner import Step, make_plan, trade_off
from calplan.request import read
from calplan.sentences import short_day
from tests import plans, strategies
from web.picture_curves import curve
from web.picture_squares import State
from web.picture_strips import Box, Drawing, Square
from web.pictures import Month, Strip, difference_strip, months, strip

if TYPE_CHECKING:
    from collections.abc import Iterator

    from playwright.sync_api import Browser, Page

ROOT = Path(__file__).parent.parent
FIXTURES = ROOT / "fixtures"
NAMES = ("chemistry-30", "finals-week", "full-week", "ten-minutes", "weekends-only", "travelling-team")
LETTER = {Kind.HOMEWORK: "H", Kind.QUIZ: "Q", Kind.NOTES: "N", Kind.TEST: "T", Kind.PRACTICE: "P"}
OWN = {Role.GATHER: "G", Role.TIDY: "S", Role.EVE: "S", Role.TAPER: "M", Role.PAPER: "E"}


@cache
def planned(name: str) -> tuple[Request, Plan]:
    """A fixture's plan, made at midnight of its first day."""
    request = read((FIXTURES / f"{name}.toml").read_bytes(), name=name)
    calendars = {one.file: (FIXTURES / one.file).read_bytes() for one in request.calendars}
    first = request.start or min(exam.start for exam in request.exams).date() - timedelta(days=30)
    return request, make_plan(request, calendars, as_of=datetime.combine(first, time(12), UTC))


def drawn(fixture: str, /, **more: object) -> Strip:
    """A fixture's strip, with links."""
    request, plan = planned(fixture)
    wanted: dict[str, object] = {"today": plan.days[0].day, "link": lambda day: f"#day-{day}", **more}
    return strip(plan, request, **wanted)  # type: ignore[arg-type]


@st.composite
def random_plans(draw: st.DrawFn) -> tuple[Request, Plan]:
    """A random request and its plan."""
    request, as_of = draw(strategies.requests())
    try:
        return request, make_plan(request, {}, as_of=as_of)
    except NoPlan:
        assume(False)
        raise


def letters_by_day(plan: Plan) -> dict[date, str]:
    """The letters of each day, from the plan's blocks in order of time: one for a unit of work, or for five minutes
    of an appointment."""
    tasks = {task.id: task for task in plan.tasks}
    days: dict[date, str] = defaultdict(str)
    for block in sorted(plan.blocks, key=lambda one: (one.start, one.uid)):
        for part in block.parts:
            task = tasks[part.task]
            days[block.day] += (LETTER[task.kind] if task.kind else OWN[task.role]) * part.units
        if not block.parts:
            days[block.day] += "A" * -(-block.minutes // 5)
    return dict(days)


def signs_by_day(drawings: tuple[Drawing, ...]) -> dict[date, str]:
    """The same from a drawing, by the signs of its squares."""
    first = {"gather": "G", "sheet": "S", "mixed": "M", "paper": "E", "appointment": "A"}
    return {
        column.day: "".join(
            first.get(stack.sign, stack.sign[0].upper()) * len(stack.squares) for stack in column.stacks
        )
        for drawing in drawings
        for column in drawing.columns
        if column.stacks
    }


# ------------------------------------------------------------------------------------------------ squares are units


@settings(max_examples=60)
@given(random_plans(), st.booleans())
def test_each_unit_of_the_plan_is_a_square_of_its_day_in_the_order_of_work(
    made: tuple[Request, Plan], linked: bool
) -> None:
    """Both drawings, whatever the plan: as many squares as units, of the parts' kinds, in the blocks' order."""
    request, plan = made
    picture = strip(plan, request, today=plan.days[0].day, link=(lambda day: f"#{day}") if linked else None)
    wanted = letters_by_day(plan)
    assert signs_by_day(picture.wide) == wanted
    assert signs_by_day(picture.tall) == wanted
    sound_geometry(picture, linked)


@pytest.mark.parametrize("name", NAMES)
def test_each_unit_of_a_fixture_is_a_square(name: str) -> None:
    """The same of the fixtures, and letters in the squares spell the kinds."""
    _, plan = planned(name)
    picture = drawn(name)
    wanted = letters_by_day(plan)
    assert signs_by_day(picture.wide) == signs_by_day(picture.tall) == wanted
    for drawing in (*picture.wide, *picture.tall):
        for column in drawing.columns:
            letters = "".join(stack.letters for stack in column.stacks)
            assert letters == wanted.get(column.day, "") or not letters
    sound_geometry(picture, linked=True)


@pytest.mark.parametrize("name", NAMES)
def test_every_day_to_the_last_exam_has_one_column(name: str) -> None:
    """From the plan's first day to its last exam no day is left out, and none is there twice."""
    _, plan = planned(name)
    picture = drawn(name)
    last = max(plan.days[-1].day, *(exam.start.date() for exam in plan.exams))
    wanted = [plan.days[0].day + timedelta(days=i) for i in range((last - plan.days[0].day).days + 1)]
    for drawings in (picture.wide, picture.tall):
        assert [column.day for drawing in drawings for column in drawing.columns] == wanted
    assert [row.day for row in picture.rows] == wanted


def test_minutes_that_a_block_has_beyond_its_work_are_no_squares() -> None:
    """A block of fifteen minutes with ten minutes of work has two squares, and its words tell of the other five."""
    only = plans.task(Role.COVER, Kind.HOMEWORK, (Rank.ESSENTIAL,) * 2, plans.homework(1))
    request, plan = plans.plan_of((plans.exam(),), (only,), (plans.block(date(2026, 3, 4), 17, 15, plans.whole(only)),))
    picture = strip(plan, request, today=None, link=None)
    assert signs_by_day(picture.wide) == {date(2026, 3, 4): "HH"}
    row = next(row for row in picture.rows if row.minutes)
    assert (row.minutes, row.what) == (15, "homework 10; what is left, for the summary sheet 5")


def test_an_appointment_has_squares_of_its_own() -> None:
    """Forty-five minutes of tutoring are nine squares that no kind has."""
    request, plan = plans.chemistry()
    picture = strip(plan, request, today=None, link=None)
    assert signs_by_day(picture.wide)[date(2026, 3, 19)] == "A" * 9
    assert "appointment 45" in next(row for row in picture.rows if row.day == date(2026, 3, 19)).what


# ------------------------------------------------------------------------------------------------ geometry


def overlap(one: Box | Square, other: Box | Square) -> bool:
    """Whether two rectangles share an area."""
    ones, others = edges(one), edges(other)
    return ones[0] < others[2] and others[0] < ones[2] and ones[1] < others[3] and others[1] < ones[3]


def edges(box: Box | Square) -> tuple[int, int, int, int]:
    """Left, upper, right and lower edge."""
    if isinstance(box, Square):
        return box.x, box.y, box.x + box.side, box.y + box.side
    return box.x, box.y, box.x + box.width, box.y + box.height


def sound_geometry(picture: Strip, linked: bool) -> None:
    """All rules of where things stand: whole numbers, nothing over anything else, nothing outside."""
    for drawing in (*picture.wide, *picture.tall):
        frame = Box(0, 0, drawing.width, drawing.height, "")
        boxes = [column.box for column in drawing.columns]
        for left, right in pairwise(boxes):
            assert not overlap(left, right)
        for column in drawing.columns:
            squares = [square for stack in column.stacks for square in stack.squares]
            assert all(inside(square, column.box) for square in squares)
            assert len({(square.x, square.y) for square in squares}) == len(squares)
            assert not any(overlap(one, other) for one, other in combinations(squares[:40], 2))
            assert inside(column.box, frame)
            assert all(isinstance(value, int) for square in squares for value in square)
        assert all(inside(box, frame) for box in drawing.under)
        for text in drawing.texts:
            assert 0 <= text.x <= drawing.width
            assert 0 <= text.y <= drawing.height
        for line in drawing.lines:
            assert 0 <= min(line.x1, line.x2) <= max(line.x1, line.x2) <= drawing.width
            assert 0 <= min(line.y1, line.y2) <= max(line.y1, line.y2) <= drawing.height
    for drawing in picture.wide:
        assert all(column.box.width >= 24 for column in drawing.columns)  # WCAG 2.2, 2.5.8
        axis = {line.y1 for line in drawing.lines if line.look == "axis"}
        assert len(axis) == 1
        feet = {max(square.y + square.side for square in squares) for squares in squares_by_day(drawing)}
        assert all(0 <= min(axis) - foot <= 2 for foot in feet)  # every column stands on the axis
    for drawing in picture.tall:
        assert len({min(square.x for square in squares) for squares in squares_by_day(drawing)}) <= 1
        assert drawing.width == 358
        assert all(column.box.height >= (44 if linked else 24) for column in drawing.columns)


def squares_by_day(drawing: Drawing) -> list[list[Square]]:
    """The squares of each day that has any."""
    days = [[square for stack in column.stacks for square in stack.squares] for column in drawing.columns]
    return [squares for squares in days if squares]


def inside(box: Box | Square, frame: Box) -> bool:
    """Whether a rectangle lies in another."""
    a, b = edges(box), edges(frame)
    return b[0] <= a[0] and b[1] <= a[1] and a[2] <= b[2] and a[3] <= b[3]


@pytest.mark.parametrize("units", [1, 13, 24, 25, 60, 120, 192, 288])
def test_a_day_of_any_length_keeps_the_picture_low(units: int) -> None:
    """Squares shrink, and stand abreast, before a picture grows beyond a screen, up to a day of 24 hours."""
    full = plans.task(Role.COVER, Kind.TEST, (Rank.ESSENTIAL,) * units, (plans.paper(1, 2, 9),))
    request, plan = plans.plan_of(
        (plans.exam(),), (full,), (plans.block(date(2026, 3, 4), 0, units * 5, plans.whole(full)),)
    )
    for linked in (True, False):
        picture = strip(plan, request, today=None, link=(lambda day: f"#{day}") if linked else None)
        sound_geometry(picture, linked)
        assert picture.wide[0].height <= 520
        assert max(column.box.height for column in picture.tall[0].columns) <= 56
        assert signs_by_day(picture.wide) == signs_by_day(picture.tall) == {date(2026, 3, 4): "T" * units}


def test_a_square_without_room_for_a_letter_has_the_stroke_of_its_kind() -> None:
    """No square is told by its colour alone: a letter, or a stroke that differs from kind to kind."""
    strokes = {}
    for kind in Kind:
        one = plans.task(Role.COVER, kind, (Rank.ESSENTIAL,) * 40)
        request, plan = plans.plan_of(
            (plans.exam(),), (one,), (plans.block(date(2026, 3, 4), 9, 200, plans.whole(one)),)
        )
        stack = strip(plan, request, today=None, link=None).wide[0].columns[0].stacks[0]
        assert not stack.letters
        strokes[kind] = stack.strokes
    assert all(strokes.values())
    assert len(set(strokes.values())) == len(Kind)


def test_a_plan_of_four_hundred_days_is_drawn_in_rows() -> None:
    """A row has at most five weeks and three days, is no wider than a desk's page by much, and starts on a Monday."""
    request, plan = planned("chemistry-30")
    long = replace(plan, exams=(replace(plan.exams[0], start=plan.exams[0].start + timedelta(days=370)),))
    picture = strip(long, request, today=None, link=lambda day: f"#{day}")
    columns = [len(drawing.columns) for drawing in picture.wide]
    assert sum(columns) == 401
    assert max(columns) <= 38
    assert all(drawing.width <= 1240 for drawing in picture.wide)
    assert all(drawing.columns[0].day.weekday() == 0 for drawing in picture.wide[1:])
    assert len(rendered("_strip.html", strip=picture)) < 1_500_000


def test_the_last_days_are_not_torn_off_their_plan() -> None:
    """Five weeks and a Monday are one row."""
    assert [len(drawing.columns) for drawing in drawn("ten-minutes").wide] == [36]


def test_hairlines_stand_where_so_many_minutes_end() -> None:
    """Thirty usual minutes are the height of six squares, a limit of sixty that of twelve."""
    drawing = drawn("chemistry-30").wide[0]
    axis = next(line.y1 for line in drawing.lines if line.look == "axis")
    heights = {line.look: axis - line.y1 for line in drawing.lines}
    column = next(column for column in drawing.columns if sum(len(stack.squares) for stack in column.stacks) == 6)
    top = min(square.y for stack in column.stacks for square in stack.squares)
    assert abs(axis - top - heights["usual"]) <= 1
    assert heights["limit"] == 2 * heights["usual"]


def test_a_limit_far_above_the_squares_is_told_and_not_drawn() -> None:
    """A limit of sixteen hours does not press the squares flat."""
    request, plan = planned("chemistry-30")
    wide = replace(request, effort=replace(request.effort, limit=960))
    drawing = strip(plan, wide, today=None, link=None).wide[0]
    assert all(line.look != "limit" for line in drawing.lines)
    assert "limit 960 ↑" in [text.words for text in drawing.texts]


# ------------------------------------------------------------------------------------------------ what else is drawn


def test_stages_are_named_under_the_days_that_they_last() -> None:
    """The bands of an exam follow one another from the first day to the eve, each named."""
    _, plan = planned("chemistry-30")
    drawing = drawn("chemistry-30").wide[0]
    bands = [box for box in drawing.under if box.look.startswith("band")]
    assert [box.look for box in bands] == ["band cover", "band consolidate", "band taper"]
    assert [text.words for text in drawing.texts if text.look.startswith("on-")] == ["cover", "consolidate", "taper"]
    x = {column.day: column.box.x for column in drawing.columns}
    assert bands[1].x == x[plan.exams[0].cover_ends + timedelta(days=1)] + 1  # type: ignore[operator]
    assert bands[2].x + bands[2].width == x[date(2027, 2, 3)] + 27


def test_exams_are_dark_columns_with_hour_and_outline() -> None:
    """Each of five exams has its day, its hour and an outline of its own, which its squares have too."""
    picture = drawn("finals-week")
    dark = {
        column.day: column
        for drawing in picture.wide
        for column in drawing.columns
        if any(box.look == "ground exam" for box in column.grounds)
    }
    _, plan = planned("finals-week")
    assert sorted(dark) == [exam.start.date() for exam in plan.exams]
    for exam in plan.exams:
        words = [text.words for text in dark[exam.start.date()].texts]
        assert any(word.startswith(f"{exam.start:%H:%M}") for word in words)
    shapes = [shape.path.partition(" ")[2].lstrip("0123456789") for column in dark.values() for shape in column.shapes]
    assert len(set(shapes)) == 5
    assert {entry.words for entry in picture.key} >= {exam.subject for exam in plan.exams}


def test_an_exam_in_another_zone_stands_on_its_day_and_hour_in_the_plan_s_zone() -> None:
    """Half past one in London is half past nine in New York."""
    request, plan = plans.two_exams()
    row = next(row for row in strip(plan, request, today=None, link=None).rows if row.day == date(2026, 3, 25))
    assert row.beside == "exam: History at 09:30"
    shown = strip(plan, request, today=None, link=None, clocks="12").rows[-1]
    assert shown.beside == "exam: History at 9:30\N{NO-BREAK SPACE}am"


def test_holidays_days_off_and_days_without_a_gap_are_marked() -> None:
    """Each has its own sign, a line in the key, and words in the table."""
    request, plan = planned("full-week")
    off = replace(request, days_off=(DayOff(first=date(2027, 1, 20), last=date(2027, 1, 21), title="Trip"),))
    picture = strip(plan, off, today=None, link=None)
    looks = {
        column.day: [shape.look for shape in column.shapes]
        for drawing in picture.wide
        for column in drawing.columns
        if column.shapes
    }
    assert looks == {
        date(2027, 1, 17): ["day-mark no-gap"],
        date(2027, 1, 18): ["day-mark holiday-light"],
        date(2027, 1, 20): ["day-mark off"],
        date(2027, 1, 21): ["day-mark off"],
    }
    beside = {row.day: row.beside for row in picture.rows}
    assert beside[date(2027, 1, 17)] == "no gap"
    assert "public holiday: Martin Luther King Jr. Day, half a day's work" in beside[date(2027, 1, 18)]
    assert "day off: Trip" in beside[date(2027, 1, 20)]
    assert {"no gap", "day off", "public holiday, half a day's work"} <= {entry.words for entry in picture.key}


def test_what_became_of_blocks_is_shown_as_far_as_it_is_known() -> None:
    """Done and missed as told, without a word before today, planned from today on."""
    request, plan = planned("chemistry-30")
    uids = [block.uid for block in plan.blocks]
    today = plan.days[3].day
    picture = strip(plan, request, today=today, link=None, states={uids[0]: State.DONE, uids[1]: State.MISSED})
    states = [stack.state for column in picture.wide[0].columns[:5] for stack in column.stacks]
    assert states == [State.DONE, State.MISSED, State.NO_WORD, State.PLANNED, State.PLANNED]
    assert [row.beside for row in picture.rows[:4]] == [
        "cover; done",
        "cover; missed",
        "cover; before today",
        "cover; today",
    ]
    assert [column.today for column in picture.wide[0].columns[:5]] == [False, False, False, True, False]
    assert not any(column.today for column in strip(plan, request, today=None, link=None).wide[0].columns)


def test_blocks_of_an_earlier_plan_stay_in_the_picture() -> None:
    """What had begun before the plan was made again keeps its squares, and an appointment among it too."""
    request, plan = planned("chemistry-30")
    past = tuple(
        PastBlock(
            uid=f"past-{i}", day=date(2027, 1, 3 + i), start=datetime(2027, 1, 3 + i, 16), minutes=30,
            revised=plan.as_of, headline="", text="", worked=worked, fixed=not worked,
        )
        for i, worked in enumerate(
            [(), (Worked(exam=plan.exams[0].key, role=Role.COVER, kind=Kind.QUIZ, units=6),)]
        )
    )  # fmt: skip
    picture = strip(replace(plan, past=past), request, today=date(2027, 1, 5), link=None)
    assert list(signs_by_day(picture.wide).values())[:2] == ["A" * 6, "Q" * 6]
    assert picture.wide[0].columns[0].stacks[0].state is State.NO_WORD


# ------------------------------------------------------------------------------------------------ two plans


def test_a_difference_shows_the_old_squares_beside_the_new_ones() -> None:
    """Old ones are outlines, new ones filled; kept and new together are the new plan, kept and gone the old one."""
    request, plan = planned("chemistry-30")
    lower = replace(request, effort=replace(request.effort, limit=45))
    new = make_plan(lower, {}, as_of=plan.as_of + timedelta(days=1))
    picture = difference_strip(plan, request, new, lower, today=new.days[0].day, link=lambda day: f"#{day}")
    for drawings in (picture.wide, picture.tall):
        old_units, new_units = Counter[date](), Counter[date]()
        for column in (column for drawing in drawings for column in drawing.columns):
            for stack in column.stacks:
                (old_units if stack.state is State.GONE else new_units)[column.day] += len(stack.squares)
        assert old_units == {day: len(letters) for day, letters in letters_by_day(plan).items()}
        assert new_units == {day: len(letters) for day, letters in letters_by_day(new).items()}
    sound_geometry(picture, linked=True)


def test_a_plan_that_stays_the_same_changes_no_day() -> None:
    """Every square is kept, and the sentence says so."""
    request, plan = planned("chemistry-30")
    picture = difference_strip(plan, request, plan, request, today=None, link=None)
    assert {stack.state for one in picture.wide for column in one.columns for stack in column.stacks} == {
        State.GONE,
        State.KEPT,
    }
    assert picture.summary.startswith("No day's work changes.")
    assert not any("new:" in row.beside or "no longer" in row.beside for row in picture.rows)


def test_an_exam_that_moved_is_told_on_the_day_that_it_left() -> None:
    """Where it was stands a mark, and in words whose it was."""
    request, plan = planned("chemistry-30")
    later = replace(request, exams=(replace(request.exams[0], start=request.exams[0].start + timedelta(days=2)),))
    new = make_plan(later, {}, as_of=plan.as_of)
    picture = difference_strip(plan, request, new, later, today=None, link=None)
    row = next(row for row in picture.rows if row.day == date(2027, 2, 4))
    assert "Chemistry no longer here" in row.beside
    assert "exam: Chemistry at 09:00" in next(row for row in picture.rows if row.day == date(2027, 2, 6)).beside


@settings(max_examples=25)
@given(random_plans(), random_plans())
def test_any_two_plans_can_be_compared(one: tuple[Request, Plan], other: tuple[Request, Plan]) -> None:
    """Whatever the two, geometry stays sound and no square is lost."""
    picture = difference_strip(one[1], one[0], other[1], other[0], today=None, link=lambda day: f"#{day}")
    sound_geometry(picture, linked=True)
    count = sum(len(stack.squares) for drawing in picture.wide for column in drawing.columns for stack in column.stacks)
    assert count == sum(len(letters) for _, plan in (one, other) for letters in letters_by_day(plan).values())


# ------------------------------------------------------------------------------------------------ words


def test_the_summary_says_what_the_readme_s_table_shows() -> None:
    """README: thirty days with 15 to 40 minutes, 40 of them first on Wednesday 6 January, the exam on 4 February."""
    assert drawn("chemistry-30").summary == (
        "30 days, 15 to 40 minutes a day, fullest Wednesday 6 January. Chemistry on Thursday 4 February, 09:00."
    )
    assert drawn("ten-minutes").summary.startswith("35 days, 10 minutes each. Spanish on Monday 12 April, ")


@settings(max_examples=30)
@given(random_plans())
def test_the_words_have_the_minutes_of_all_blocks(made: tuple[Request, Plan]) -> None:
    """The table's minutes are those of a day's blocks; what it lists adds up to them, appointments rounded up."""
    request, plan = made
    minutes: Counter[date] = Counter()
    for block in plan.blocks:
        minutes[block.day] += block.minutes
    picture = strip(plan, request, today=None, link=None)
    assert {row.day: row.minutes for row in picture.rows if row.minutes} == dict(minutes)
    for row in picture.rows:
        listed = sum(int(number) for number in re.findall(r" (\d+)(?=[,;]|$)", row.what))
        fixed = [block for block in blocks_on(plan, row.day) if not block.parts or is_paper(plan, block)]
        assert abs(listed - row.minutes) <= 4 * len(fixed)


def blocks_on(plan: Plan, day: date) -> list[Block]:
    """The blocks of a day."""
    return [block for block in plan.blocks if block.day == day]


def is_paper(plan: Plan, block: Block) -> bool:
    """Whether a block is a timed paper."""
    roles = {task.id: task.role for task in plan.tasks}
    return any(roles[part.task] is Role.PAPER for part in block.parts)


# ------------------------------------------------------------------------------------------------ markup


def environment() -> Environment:
    """The template engine as the service sets it, and strict about what is not there."""
    made = Environment(loader=PackageLoader("web"), autoescape=True, undefined=StrictUndefined)
    made.filters["short_day"] = short_day
    return made


def rendered(name: str, **values: object) -> str:
    """A template as text."""
    return environment().get_template(name).render(**values)


def all_pictures(name: str) -> str:
    """All pictures of a fixture, one after the other, with two strips among them."""
    request, plan = planned(name)
    today = plan.days[4].day
    calendars = {one.file: (FIXTURES / one.file).read_bytes() for one in request.calendars}
    steps = trade_off(request, calendars, as_of=plan.as_of)
    return "".join(
        (
            rendered("_strip.html", strip=drawn(name, today=today)),
            rendered("_strip.html", strip=drawn(name, today=None, link=None, name="other")),
            rendered("_month.html", months=months(plan, request, today=today, link=lambda day: f"#day-{day}")),
            rendered("_curve.html", curve=curve(steps, request)),
        )
    )


@pytest.mark.parametrize("name", ["chemistry-30", "finals-week", "weekends-only"])
def test_the_markup_is_sound_and_holds_neither_style_nor_script(name: str) -> None:
    """Each SVG is XML; nothing in it needs more of a policy than the page has; ids are unique, references lead on."""
    text = all_pictures(name)
    drawings = re.findall(r"<svg.*?</svg>", text, re.DOTALL)
    assert len(drawings) > 8
    for drawing in drawings:
        ElementTree.fromstring(drawing)
    assert not re.search(r"\sstyle=|<style|<script|\son[a-z]+=|javascript:|url\(", text)
    ids = re.findall(r'\sid="([^"]+)"', text)
    assert len(ids) == len(set(ids))
    for reference in re.findall(r'aria-(?:labelledby|describedby)="([^"]+)"', text):
        assert set(reference.split()) <= set(ids)


def test_a_picture_with_links_is_a_group_and_one_without_is_an_image() -> None:
    """What is inside an image is not read out, so links may not be in one (WAI-ARIA 1.2, children presentational)."""
    with_links = rendered("_strip.html", strip=drawn("chemistry-30"))
    without = rendered("_strip.html", strip=drawn("chemistry-30", link=None))
    assert 'role="group"' in with_links
    assert 'role="img"' not in with_links
    assert with_links.count('href="#day-2027-01-12"') == 2
    assert 'role="img"' in without
    assert "<a " not in without


def test_what_a_user_wrote_is_escaped() -> None:
    """Markup in a subject, a label, or a title of a day off stays text."""
    request, plan = plans.saying('<script>alert("1")</script>&')
    evil = replace(request, days_off=(DayOff(first=date(2026, 3, 5), last=date(2026, 3, 5), title="<b>"),))
    text = rendered("_strip.html", strip=strip(plan, evil, today=None, link=None)) + rendered(
        "_month.html", months=months(plan, evil, today=None, link=None)
    )
    assert "<script" not in text
    assert "<b>" not in text
    assert "&lt;script&gt;" in text
    for drawing in re.findall(r"<svg.*?</svg>", text, re.DOTALL):
        ElementTree.fromstring(drawing)


HASHED = """
import sys
from hashlib import sha256
from tests.test_web_pictures import all_pictures
sys.stdout.write(sha256(all_pictures(sys.argv[1]).encode()).hexdigest())
"""


def test_the_same_plan_gives_the_same_bytes_everywhere() -> None:
    """Neither the order of sets, nor the machine's zone, nor another process changes a byte."""
    found = set()
    for seed, zone in (("0", "UTC"), ("7", "Pacific/Apia"), ("11", "America/St_Johns")):
        ran = subprocess.run(
            [sys.executable, "-c", HASHED, "finals-week"],
            cwd=ROOT,
            env={**os.environ, "PYTHONHASHSEED": seed, "TZ": zone},
            capture_output=True,
            text=True,
            check=True,
        )
        found.add(ran.stdout)
    assert len(found) == 1
    assert re.fullmatch("[0-9a-f]{64}", found.pop())


# ------------------------------------------------------------------------------------------------ months and curve


@pytest.mark.parametrize("name", ["chemistry-30", "weekends-only", "finals-week"])
def test_months_are_weeks_from_monday_to_sunday(name: str) -> None:
    """Each week is one that Python's ``calendar`` has for the month, and each day of the plan is there once."""
    request, plan = planned(name)
    made = months(plan, request, today=plan.days[0].day, link=None)
    days = []
    for month in made:
        cells = [cell for week in month.weeks for _, cell in week if cell]
        first = cells[0].day
        assert month.caption == f"{calendar.month_name[first.month]} {first.year}"
        weeks = calendar.Calendar(firstweekday=0).monthdayscalendar(first.year, first.month)
        assert all([number for number, _ in week] in weeks for week in month.weeks)
        assert all(cell.day.day == number for week in month.weeks for number, cell in week if cell)
        days += [cell.day for cell in cells]
    assert days == [row.day for row in drawn(name).rows]


def test_a_cell_has_minutes_letters_stage_and_what_else_there_is() -> None:
    """Friday 29 January: forty minutes of practice and sheet in the consolidate stage; 4 February: the exam's hour."""
    request, plan = planned("chemistry-30")
    made = months(plan, request, today=date(2027, 1, 5), link=lambda day: f"#{day}")
    cells = {cell.day: cell for month in made for week in month.weeks for _, cell in week if cell}
    friday = cells[date(2027, 1, 29)]
    assert (friday.minutes, [letter for _, letter in friday.signs]) == (40, ["P", "S"])
    assert friday.stages == (Stage.CONSOLIDATE,)
    assert cells[date(2027, 2, 4)].exams == ("09:00",)
    assert [note.words for month in made for note in month.notes] == [
        "public holiday: Martin Luther King Jr. Day, a day like any other",
        "exam, Chemistry at 09:00",
    ]
    assert [cell.day for cell in cells.values() if cell.today] == [date(2027, 1, 5)]
    text = rendered("_month.html", months=made)
    assert text.count("<caption>") == 2
    assert text.count('scope="col"') == 14


def corners(path: str) -> list[tuple[int, int]]:
    """The points that a path of M, H and V passes."""
    points, x, y = [], 0, 0
    for letter, numbers in re.findall(r"([MHV])([\d ]+)", path):
        values = [int(number) for number in numbers.split()]
        x = values[0] if letter in "MH" else x
        y = values[-1] if letter in "MV" else y
        points.append((x, y))
    return points


def test_the_curve_rises_and_says_what_the_readme_s_table_says() -> None:
    """README: 30 and 25 minutes from 5 January; 35 and 25 from the 6th to the 10th; at last none would do."""
    request, plan = planned("chemistry-30")
    made = curve(trade_off(request, {}, as_of=plan.as_of), request)
    assert made.rows[0] == ("Tue 5 Jan", "30", "30", "25")
    assert made.rows[1] == ("Wed 6 Jan to Sun 10 Jan", "29–25", "35", "25")
    assert made.rows[-1] == ("Tue 2 Feb", "2", "no limit would do", "no limit would do")
    assert "From Fri 22 Jan on, everything would not fit into 60 minutes a day." in made.summary
    for path in (made.everything, made.essentials):
        points = corners(path)
        assert all(x <= next_x and y >= next_y for (x, y), (next_x, next_y) in pairwise(points))
        assert all(0 <= x <= made.width and 0 <= y <= made.height for x, y in points)
    limit = next(line.y1 for line in made.lines if line.look == "limit")
    usual = next(line.y1 for line in made.lines if line.look == "usual")
    assert corners(made.everything)[0][1] == usual  # thirty minutes are the usual ones
    assert limit < usual


@given(
    st.lists(
        st.tuples(st.integers(1, 5), st.none() | st.integers(1, 300), st.none() | st.integers(1, 300)),
        min_size=1,
        max_size=60,
    )
)
def test_any_steps_make_a_curve_within_its_frame(drawn_steps: list[tuple[int, int | None, int | None]]) -> None:
    """One step or sixty, with or without figures."""
    day, steps = date(2027, 3, 1), []
    for later, everything, essentials in drawn_steps:
        day += timedelta(days=later)
        steps.append(
            Step(
                start=day,
                days=1,
                everything=None if everything is None else everything * 5,
                essentials=None if essentials is None else essentials * 5,
            )
        )
    request, _ = plans.chemistry()
    made = curve(steps, request)
    for x, y in corners(made.everything) + corners(made.essentials):
        assert 0 <= x <= made.width
        assert 0 <= y <= made.height
    assert all(0 <= line.y1 <= made.height for line in made.lines)
    ElementTree.fromstring(re.findall(r"<svg.*?</svg>", rendered("_curve.html", curve=made), re.DOTALL)[0])


# ------------------------------------------------------------------------------------------------ colours


class Scheme(NamedTuple):
    """The variables that hold in light, in dark or on paper."""

    name: str
    values: dict[str, str]

    def colour(self, name: str) -> str:
        """A variable's colour, however many variables it goes through."""
        value = self.values[name]
        inner = re.fullmatch(r"var\(--([\w-]+)\)", value)
        return self.colour(inner[1]) if inner else value


def css(name: str) -> str:
    """A style sheet without its comments."""
    return re.sub(r"/\*.*?\*/", "", (ROOT / "web" / "static" / name).read_text(encoding="utf-8"), flags=re.DOTALL)


@cache
def schemes() -> tuple[Scheme, ...]:
    """The three of them, as the two style sheets together make them."""
    found: dict[str, dict[str, str]] = {"light": {}, "dark": {}, "print": {}}
    for sheet in (css("look.css"), css("pictures.css")):
        for before, body in re.findall(r"((?:@media[^{]*\{\s*)?):root\s*\{(.*?)\}", sheet, re.DOTALL):
            into = "print" if "print" in before else "dark" if "dark" in before else "light"
            found[into].update(re.findall(r"--([\w-]+):\s*([^;]+);", body))
    light = found["light"]
    return (
        Scheme("light", light),
        Scheme("dark", light | found["dark"]),
        Scheme("print", light | found["print"]),
    )


def luminance(colour: str) -> float:
    """Relative luminance (WCAG 2.2, "relative luminance": sRGB, IEC 61966-2-1, threshold 0.04045)."""
    assert re.fullmatch("#[0-9a-fA-F]{6}", colour), colour
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """The contrast ratio (WCAG 2.2, "contrast ratio")."""
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def test_the_contrast_formula_gives_the_values_that_are_known() -> None:
    """Black on white 21 : 1; #767676 on white just above 4.5 : 1, #777777 just below (widely published)."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#767676", "#ffffff") >= 4.5 > contrast("#777777", "#ffffff")


KINDS = ("homework", "quiz", "notes", "test", "practice")
ON_WHAT = [
    *(("ink", f"tint-{kind}") for kind in (*KINDS, "plain")),
    *(("ink", f"band-{stage}") for stage in ("cover", "consolidate", "taper")),
    *((words, ground) for words in ("ink", "soft", "accent", "warn") for ground in ("paper", "now")),
    ("on-night", "night"),
]
"""Words and letters, and what they stand on."""


@pytest.mark.parametrize("scheme", schemes(), ids=lambda scheme: scheme.name)
def test_words_and_letters_keep_their_contrast(scheme: Scheme) -> None:
    """4.5 : 1 or more for every pair of words and ground (WCAG 2.2, 1.4.3), in light, in dark and on paper."""
    for words, ground in ON_WHAT:
        assert contrast(scheme.colour(words), scheme.colour(ground)) >= 4.5, (words, ground)
    if scheme.name != "print":  # on paper what is done is black, with white letters
        for full in (*KINDS, "full-plain"):
            assert contrast(scheme.colour("on-kind"), scheme.colour(full)) >= 4.5, full


@pytest.mark.parametrize("scheme", schemes(), ids=lambda scheme: scheme.name)
def test_squares_stand_out_from_the_paper(scheme: Scheme) -> None:
    """3 : 1 or more for edges against the paper (WCAG 2.2, 1.4.11); what is done by its edge or by its colour."""
    paper, edge = scheme.colour("paper"), scheme.colour("kind-edge")
    for kind in (*KINDS, "plain"):
        assert contrast(scheme.colour(f"rim-{kind}"), paper) >= 3, kind
        full = scheme.colour("full-plain" if kind == "plain" else kind)
        assert max(contrast(edge, paper), contrast(full, paper)) >= 3, kind
    for line in ("edge", "accent", "warn", "night"):
        assert contrast(scheme.colour(line), paper) >= 3, line


def rule(selector: str) -> str:
    """What the style sheet says of a selector, alone or among others, outside of any condition."""
    plain = re.sub(r"@(?:media|container)[^{]*\{(?:[^{}]*\{[^{}]*\})*\s*\}", "", css("pictures.css"))
    bodies = [
        body
        for selectors, body in re.findall(r"([^{}]+)\{([^{}]*)\}", plain)
        if selector in [one.strip() for one in selectors.split(",")]
    ]
    return "".join(bodies)


def test_the_pairs_above_are_those_of_the_style_sheet() -> None:
    """The colours that are judged are the ones that are used: else the judgement would be of nothing."""
    assert "fill: var(--tint)" in rule(".sq")
    assert "stroke: var(--rim)" in rule(".sq")
    assert "fill: var(--full)" in rule(".sq.done")
    assert "fill: var(--paper)" in rule(".sq.missed")
    assert "fill: var(--ink)" in rule(".drawing .letter")
    assert "fill: var(--on-kind)" in rule(".drawing .letter.done")
    assert "fill: var(--on-night)" in rule(".drawing .onexam")
    assert "fill: var(--night)" in rule(".ground.exam")
    assert "fill: var(--now)" in rule(".ground.today")
    for kind in KINDS:
        said = rule(f".{kind}")
        assert f"--tint: var(--tint-{kind})" in said
        assert f"--full: var(--{kind})" in said


def test_all_colours_are_variables_that_have_a_dark_and_a_paper_twin() -> None:
    """Each of this sheet's own colours is set for light, for dark and for print."""
    sheet = css("pictures.css")
    blocks = re.findall(r":root\s*\{(.*?)\}", sheet, re.DOTALL)
    light, dark, paper = (set(re.findall(r"--([\w-]+):", block)) for block in blocks)
    assert light == dark == paper


# ------------------------------------------------------------------------------------------------ seen by a browser


@pytest.fixture(scope="module")
def page(browser: Browser) -> Iterator[Page]:
    """A window of Chromium."""
    window = browser.new_page(reduced_motion="reduce")
    yield window
    window.close()


@contextmanager
def shown(page: Page, body: str, width: int) -> Iterator[Page]:
    """Pictures on a page of this width, with the style sheets and the script."""
    page.set_viewport_size({"width": width, "height": 900})
    page.set_content(f'<!doctype html><html lang="en"><title>Pictures</title><main class="page">{body}</main></html>')
    for sheet in ("look.css", "pictures.css"):
        page.add_style_tag(content=css(sheet))
    page.add_script_tag(path=ROOT / "web" / "static" / "strip.js")
    yield page


SIZES = "days => days.map(day => { const box = day.getBoundingClientRect(); return [box.width, box.height]; })"


@pytest.mark.parametrize(("width", "seen", "hidden"), [(390, "tall", "wide"), (1280, "wide", "tall")])
def test_one_drawing_is_seen_and_the_other_is_out_of_the_way(page: Page, width: int, seen: str, hidden: str) -> None:
    """The hidden one has no box, so that screen readers and the keyboard do not meet it; nothing is too wide."""
    with shown(page, all_pictures("finals-week"), width):
        assert page.locator(f".strip-{seen}").first.is_visible()
        assert page.locator(f".strip-{hidden}").first.evaluate("one => getComputedStyle(one).display") == "none"
        sizes = page.locator(f".strip-{seen} a.strip-day .target").evaluate_all(SIZES)
        assert len(sizes) == 33
        if seen == "tall":
            assert all(across >= 44 and high >= 44 for across, high in sizes)
        else:
            assert all(across >= 24 and high >= 44 for across, high in sizes)
        wide = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
        assert wide <= 0


def test_on_paper_the_wide_drawing_is_printed(page: Page) -> None:
    """However narrow the sheet."""
    with shown(page, all_pictures("chemistry-30"), 700):
        page.emulate_media(media="print")
        try:
            assert page.locator(".strip-wide").first.is_visible()
            assert not page.locator(".strip-tall").first.is_visible()
        finally:
            page.emulate_media(media="screen")


@pytest.mark.parametrize(
    ("width", "keys"),
    [
        (1280, {"ArrowRight": 6, "ArrowDown": 13, "ArrowUp": 6, "ArrowLeft": 5, "End": 30, "Home": 0}),
        (390, {"ArrowDown": 6, "ArrowRight": 13, "ArrowLeft": 6, "ArrowUp": 5, "End": 30, "Home": 0}),
    ],
)
def test_arrows_go_from_day_to_day_and_tab_stops_once(page: Page, width: int, keys: dict[str, int]) -> None:
    """One stop for Tab, which is today; a day or a week with an arrow, the ends with Home and End."""
    _, plan = planned("chemistry-30")
    body = rendered("_strip.html", strip=drawn("chemistry-30", today=plan.days[5].day))
    days = [plan.days[0].day + timedelta(days=i) for i in range(31)]
    with shown(page, body, width):
        assert page.locator('a.strip-day[tabindex="0"]').count() == 1
        page.keyboard.press("Tab")
        here = "() => document.activeElement.getAttribute('href')"
        assert page.evaluate(here) == f"#day-{days[5]}"
        for key, at in keys.items():
            page.keyboard.press(key)
            assert page.evaluate(here) == f"#day-{days[at]}", key
            assert page.locator('a.strip-day[tabindex="0"]').count() == 1
        page.keyboard.press("Tab")
        assert not page.evaluate("() => document.activeElement.matches('a.strip-day')")


def test_a_letter_stays_within_its_square(page: Page) -> None:
    """Measured by the browser: the letters of a stack are no wider than its squares, and lie on them."""
    for width in (390, 1280):
        with shown(page, rendered("_strip.html", strip=drawn("finals-week")), width):
            measured = page.evaluate(
                """() => [...document.querySelectorAll('.drawing text.letter')]
                .filter(one => one.getClientRects().length)
                .map(one => {
                  const a = one.getBBox(), b = one.previousElementSibling.getBBox();
                  return a.x >= b.x - 1 && a.x + a.width <= b.x + b.width + 1;
                })"""
            )
            assert len(measured) > 100
            assert all(measured)


def whole_months(made: tuple[Month, ...]) -> int:
    """How many cells have a day."""
    return sum(cell is not None for month in made for week in month.weeks for _, cell in week)


def test_months_fit_a_phone(page: Page) -> None:
    """Seven columns at 390 pixels without a sideways scroll; each day is a target of at least 44 pixels."""
    request, plan = planned("finals-week")
    made = months(plan, request, today=None, link=lambda day: f"#day-{day}")
    with shown(page, rendered("_month.html", months=made), 390):
        sizes = page.locator(".month td a").evaluate_all(SIZES)
        assert len(sizes) == whole_months(made)
        assert all(across >= 44 and high >= 44 for across, high in sizes)
        assert page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth") <= 0
