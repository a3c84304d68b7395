"""A row and the courses become a request: what each column does, and every problem of a row by its column.

Expected requests are written out by hand and read by ``calplan.request``, which has tests of its own.
"""

from __future__ import annotations

from datetime import date, datetime, time

import pytest

from calplan.courses import read_courses
from calplan.enrolment import Asked, asked_by
from calplan.errors import InvalidRequest
from calplan.model import Kind, Request
from calplan.request import read
from calplan.roster import Row

COURSES = read_courses(b"""
schema = 1
zone = "America/Chicago"

[[study_hours]]
days = "weekdays"
start = "16:00"
end = "20:00"

[effort]
usual = 30
limit = 60

[[calendar]]
file = "timetable.ics"

[[day_off]]
day = 2027-01-18

[[course]]
key = "chem"
subject = "Chemistry"
minutes = 120
place = "Hall B"
pace = 90

[[course.material]]
kind = "quiz"
count = 3
size = 10

[[course.material]]
kind = "practice"
count = 40

[[course.material]]
kind = "test"
key = "gas-laws"
title = "Gas laws"
size = 20

[[course.section]]
key = "A"
start = "2027-02-04T09:00"

[[course.section]]
key = "B"
start = "2027-02-05T13:00"
minutes = 60
place = "Hall C"
zone = "America/Denver"

[[course.appointment]]
section = "B"
title = "Questions"
start = "2027-02-02T16:15"
minutes = 30

[[course]]
key = "civics"
subject = "Civics"
minutes = 60

[[course.material]]
kind = "homework"
count = 2

[[course.section]]
key = "only"
start = "2027-02-08T10:30"
""")


def asked(**cells: str) -> Asked:
    """What a row of the reference S-1 asks for."""
    return asked_by(Row(number=5, cells={"reference": "S-1", **cells}), COURSES)


def request(**cells: str) -> Request:
    return asked(**{"course": "chem", "section": "A", **cells}).request


def problems(row: dict[str, str]) -> list[str]:
    with pytest.raises(InvalidRequest) as caught:
        asked_by(Row(number=5, cells=row), COURSES)
    return [str(problem) for problem in caught.value.problems]


def places(row: dict[str, str]) -> list[str]:
    """The columns that are named, in their order."""
    return [said.split(": ")[0].removeprefix("row 5, column ") for said in problems(row)]


GOOD = {"reference": "S-1", "course": "chem", "section": "A"}


# --------------------------------------------------------------------------------------------------- precedence


def test_a_row_that_says_nothing_gets_what_is_common():
    assert request() == read(b"""
schema = 1
zone = "America/Chicago"
study_hours = [{days = "weekdays", start = "16:00", end = "20:00"}]
effort = {usual = 30, limit = 60}
calendar = [{file = "timetable.ics"}]
day_off = [{day = 2027-01-18}]
[[exam]]
key = "chem"
subject = "Chemistry"
start = "2027-02-04T09:00"
minutes = 120
place = "Hall B"
pace = 90
material = [
  {kind = "quiz", count = 3, size = 10},
  {kind = "practice", count = 40},
  {kind = "test", key = "gas-laws", title = "Gas laws", size = 20},
]
""")


@pytest.mark.parametrize(
    ("cells", "pairs"),
    [
        ({"limit": "20"}, (20, 20, 15, 45)),
        ({"limit": "40"}, (30, 40, 15, 45)),
        ({"usual": "90"}, (90, 90, 15, 45)),
        ({"usual": "40"}, (40, 60, 15, 45)),
        ({"longest": "10"}, (30, 60, 10, 10)),
        ({"shortest": "50"}, (30, 60, 50, 50)),
    ],
)
def test_where_a_row_says_one_of_a_pair_the_courses_other_gives_way(cells, pairs):
    """As the README says of requests: where only one of the two is given, the other gives way."""
    effort = request(**cells).effort
    assert (effort.usual, effort.limit, effort.shortest, effort.longest) == pairs


def test_a_pair_that_the_row_itself_has_in_disorder_is_wrong():
    assert places({**GOOD, "usual": "60", "limit": "30"}) == ["usual"]


def test_a_section_wins_over_its_course_and_a_row_over_both():
    (of_course,) = request().exams
    (of_section,) = request(section="B").exams
    (of_row,) = request(section="B", pace="150", extra_time="25").exams
    assert (of_course.minutes, of_course.place, of_course.zone) == (120, "Hall B", None)
    assert (of_section.minutes, of_section.place, of_section.zone) == (60, "Hall C", "America/Denver")
    assert (of_course.pace, of_section.pace, of_row.pace) == (90, 90, 150)
    assert (of_section.extra_time, of_row.extra_time) == (0, 25)
    assert of_section.start == datetime(2027, 2, 5, 13)


def test_appointments_are_those_of_the_section():
    assert [one.title for one in request(section="B").appointments] == ["Questions"]
    assert request().appointments == ()


def test_several_courses_have_their_sections_in_their_order():
    exams = asked(course="civics; chem", section="only; B").request.exams
    assert [(exam.key, exam.start.day) for exam in exams] == [("civics", 8), ("chem", 5)]
    assert [exam.key for exam in asked(course="civics;chem", section=";A").request.exams] == ["civics", "chem"]


def test_the_only_section_need_not_be_named():
    assert asked(course="civics").sections["civics"].key == "only"


def test_a_row_wins_over_what_is_common():
    made = request(
        zone="Europe/Rome",
        study_hours="mon-wed 7:05-09:00; sat, sun 10:00-12:00",
        usual="45",
        limit="90.0",
        bedtime="9:30",
        days_off="2027-01-23; 2027-01-30..2027-01-31",
        calendar="none",
        holidays="US-IL",
        keep="Essentials",
    )
    assert made.zone == "Europe/Rome"
    assert [(sorted(map(int, one.days)), one.start, one.end) for one in made.week] == [
        ([0, 1, 2], time(7, 5), time(9)),
        ([5, 6], time(10), time(12)),
    ]
    assert (made.effort.usual, made.effort.limit, made.effort.bedtime) == (45, 90, time(9, 30))
    assert made.calendars == ()
    assert (made.holidays.country, made.holidays.subdivision) == ("US", "IL")
    assert made.keep == "essentials"
    spans = [(one.first, one.last) for one in made.days_off]
    assert spans == [(date(2027, 1, d), date(2027, 1, e)) for d, e in ((18, 18), (23, 23), (30, 31))]


def test_a_row_may_name_calendars_of_its_own():
    assert [one.file for one in request(calendar="s-1.ics; clubs/choir.ics").calendars] == [
        "s-1.ics",
        "clubs/choir.ics",
    ]


@pytest.mark.parametrize(("written", "read_as"), [("25", 25), ("25.0", 25), ("25,00", 25), ("25 %", 25), ("100%", 100)])
def test_whole_numbers_as_spreadsheets_write_them(written, read_as):
    assert request(extra_time=written).exams[0].extra_time == read_as


@pytest.mark.parametrize("written", ["1,000", "1.000", "25.5", "-3", "1e3", "twenty", "0x10", "٣", "1/2", "1 000"])
def test_numbers_that_may_mean_something_else_are_refused(written):
    """A dot or comma with three digits after it is a thousand in one country and a fraction in another."""
    assert places({**GOOD, "usual": written}) == ["usual"]


# ----------------------------------------------------------------------------------------------- missed, counts


def missed(made: Request) -> dict[str, tuple[int | None, int | None]]:
    return {one.key: (one.missed, one.size) for exam in made.exams for one in exam.materials if one.missed is not None}


def test_missed_problems_go_to_the_material_that_the_column_names():
    made = asked_by(
        Row(number=5, cells={**GOOD, "missed quiz-2": "3", "missed gas-laws": "14/20", "missed chem.quiz-1": "0"}),
        COURSES,
    ).request
    assert missed(made) == {"chem.quiz-1": (0, 10), "chem.quiz-2": (3, 10), "gas-laws": (6, 20)}
    assert [one.key for one in made.exams[0].materials] == [one.key for one in request().exams[0].materials]


def kinds(made: Request) -> dict[Kind, int]:
    found: dict[Kind, int] = {}
    for one in made.exams[0].materials:
        found[one.kind] = found.get(one.kind, 0) + (one.size or 1 if one.kind in (Kind.PRACTICE, Kind.NOTES) else 1)
    return found


def test_counts_replace_those_of_the_course_and_leave_other_kinds():
    made = asked_by(Row(number=5, cells={**GOOD, "count practice": "80", "count homework": "4"}), COURSES).request
    assert kinds(made) == {Kind.QUIZ: 3, Kind.TEST: 1, Kind.PRACTICE: 80, Kind.HOMEWORK: 4}


@pytest.mark.parametrize("order", [1, -1])
def test_a_column_that_names_the_course_wins_whichever_stands_first(order):
    both = [("count practice", "10"), ("count chem.practice", "70")][::order]
    assert kinds(asked_by(Row(number=5, cells={**GOOD, **dict(both)}), COURSES).request)[Kind.PRACTICE] == 70
    marks = [("missed quiz-1", "1"), ("missed chem.quiz-1", "5")][::order]
    assert missed(asked_by(Row(number=5, cells={**GOOD, **dict(marks)}), COURSES).request) == {"chem.quiz-1": (5, 10)}


def test_counts_and_missed_work_together():
    made = asked_by(Row(number=5, cells={**GOOD, "count quiz": "5", "missed quiz-5": "2"}), COURSES).request
    assert kinds(made)[Kind.QUIZ] == 5
    assert missed(made)["chem.quiz-5"][0] == 2


# ------------------------------------------------------------------------------------------- what is wrong, where


@pytest.mark.parametrize(
    ("cells", "columns"),
    [
        ({}, ["reference", "course"]),
        ({"reference": "S-1"}, ["course"]),
        ({"course": "chem", "section": "A"}, ["reference"]),
        ({**GOOD, "reference": "../S-1"}, ["reference"]),
        ({**GOOD, "reference": "CON"}, ["reference"]),
        ({**GOOD, "course": "physics"}, ["course"]),
        ({**GOOD, "section": "Z"}, ["section"]),
        ({"reference": "S-1", "course": "chem"}, ["section"]),
        ({**GOOD, "course": "chem; chem", "section": "A; B"}, ["course"]),
        ({**GOOD, "section": "A; B"}, ["section"]),
        ({**GOOD, "zone": "Central Time"}, ["zone"]),
        ({**GOOD, "study_hours": "afternoons"}, ["study_hours"]),
        ({**GOOD, "study_hours": "mon 25:00-26:00"}, ["study_hours"]),
        ({**GOOD, "study_hours": "someday 16:00-17:00"}, ["study_hours"]),
        ({**GOOD, "bedtime": "half past ten"}, ["bedtime"]),
        ({**GOOD, "limit": "100000"}, ["limit"]),
        ({**GOOD, "days_off": "1/23/2027"}, ["days_off"]),
        ({**GOOD, "days_off": "2027-02-30"}, ["days_off"]),
        ({**GOOD, "days_off": "2027-01-31..2027-01-30"}, ["days_off"]),
        ({**GOOD, "keep": "all"}, ["keep"]),
        ({**GOOD, "calendar": "../x.ics"}, ["calendar"]),
        ({**GOOD, "calendar": "/etc/x.ics"}, ["calendar"]),
        ({**GOOD, "calendar": "C:\\x.ics"}, ["calendar"]),
        ({**GOOD, "missed quiz-1": "11"}, ["missed quiz-1"]),
        ({**GOOD, "missed quiz-1": "14-Jan"}, ["missed quiz-1"]),
        ({**GOOD, "missed quiz-1": "1/14/2027"}, ["missed quiz-1"]),
        ({**GOOD, "missed gas-laws": "14/19"}, ["missed gas-laws"]),
        ({**GOOD, "missed gas-laws": "21/20"}, ["missed gas-laws"]),
        ({**GOOD, "missed quiz-9": "1"}, ["missed quiz-9"]),
        ({**GOOD, "missed civics.homework-1": "1"}, ["missed civics.homework-1"]),
        ({**GOOD, "count practice": "many"}, ["count practice"]),
        ({**GOOD, "count practice": "5000"}, ["count practice"]),
        ({**GOOD, "count practice": "5000", "missed quiz-1": "1"}, ["count practice"]),
        ({**GOOD, "count civics.homework": "3"}, ["count civics.homework"]),
        ({**GOOD, "missed quiz-1": "11", "missed quiz-2": "1"}, ["missed quiz-1"]),
        ({**GOOD, "extra_time": "300"}, ["extra_time"]),
        ({**GOOD, "pace": "x"}, ["pace"]),
        ({**GOOD, "pace": "25%"}, ["pace"]),  # a quarter more, to whoever writes it; taken at its word a quarter
        ({**GOOD, "pace": "49"}, ["pace"]),
    ],
)
def test_what_is_wrong_is_told_by_its_column_and_nothing_else_is(cells, columns):
    assert list(dict.fromkeys(places(cells))) == columns  # a cell may have several problems


def test_every_problem_of_a_row_is_told_at_once():
    row = {
        "course": "physics",
        "zone": "Nowhere",
        "usual": "x",
        "days_off": "23 Jan",
        "keep": "some",
        "extra_time": "-",
    }
    assert set(places(row)) == {"reference", "course", "zone", "usual", "days_off", "keep", "extra_time"}
    assert set(places({**GOOD, "zone": "Nowhere", "missed quiz-1": "11", "missed gas-laws": "x", "limit": "0"})) == {
        "zone", "missed quiz-1", "missed gas-laws", "limit",
    }  # fmt: skip


@pytest.mark.parametrize("cell", ["317", "317.5", "3 1 7", "317x"])
@pytest.mark.parametrize("column", ["extra_time", "pace"])
def test_what_was_granted_is_not_said_again(column, cell):
    (said,) = problems({**GOOD, column: {"317": "4317"}.get(cell, cell)})
    assert said.startswith(f"row 5, column {column}: ")
    assert "317" not in said
    assert "3 1 7" not in said


def test_problems_that_the_reader_found_come_first_and_stay():
    from calplan.errors import Problem

    row = Row(number=5, cells={"reference": "S-1", "course": "physics"}, problems=(Problem("row 5", "odd."),))
    with pytest.raises(InvalidRequest) as caught:
        asked_by(row, COURSES)
    assert [str(one).split(": ")[0] for one in caught.value.problems] == ["row 5", "row 5, column course"]


def test_a_request_is_written_as_the_reader_of_requests_takes_it():
    """So that a student can go on with it by hand: written as JSON and read again, it is the same request."""
    import json

    found = asked_by(
        Row(number=5, cells={**GOOD, "missed quiz-2": "3", "missed gas-laws": "14/20", "count practice": "8"}), COURSES
    )
    assert read(json.dumps(found.mapping).encode()) == found.request
