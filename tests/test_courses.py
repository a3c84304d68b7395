"""Courses: what many students share is read with every problem at once, each with its place."""

from __future__ import annotations

import json
import tomllib

import pytest

from calplan.courses import plain, read_courses, request_of
from calplan.errors import InvalidRequest
from calplan.request import from_mapping

FINE = """
schema = 1
zone = "America/Chicago"
[[study_hours]]
days = "weekdays"
start = "16:00"
end = "20:00"
[[day_off]]
day = 2027-01-18
[[course]]
key = "chem"
subject = "Chemistry"
minutes = 120
[[course.material]]
kind = "quiz"
count = 3
[[course.section]]
key = "A"
teacher = "Room 12"
start = "2027-02-04T09:00"
[[course.section]]
key = "B"
start = "2027-02-05T13:00"
minutes = 60
[[course.appointment]]
section = "B"
title = "Questions"
start = "2027-02-02T16:15"
minutes = 30
[[course.appointment]]
title = "For all"
start = "2027-02-01T16:15"
minutes = 20
"""


def problems(document: str) -> list[str]:
    with pytest.raises(InvalidRequest) as caught:
        read_courses(document.encode())
    return [str(one) for one in caught.value.problems]


def without(*lines: str) -> str:
    """The document without the first line that is one of these."""
    kept = FINE.split("\n")
    for line in lines:
        kept.remove(line)
    return "\n".join(kept)


def test_courses_have_their_sections_in_their_order():
    read = read_courses(FINE.encode())
    course = read.courses["chem"]
    assert [(one.key, one.teacher) for one in course.sections.values()] == [("A", "Room 12"), ("B", "")]
    assert course.sections["A"].exam == {
        "key": "chem",
        "subject": "Chemistry",
        "minutes": 120,
        "material": [{"kind": "quiz", "count": 3}],
        "start": "2027-02-04T09:00",
    }
    assert course.sections["B"].exam["minutes"] == 60
    titles = {key: [one["title"] for one in section.appointments] for key, section in course.sections.items()}
    assert titles == {"A": ["For all"], "B": ["Questions", "For all"]}


def test_toml_and_json_say_the_same():
    table = plain(tomllib.loads(FINE))
    read, other = read_courses(FINE.encode()), read_courses(json.dumps(table).encode(), name="courses.json")
    assert (read.base, read.courses) == (other.base, other.courses)
    assert read.digest != other.digest


def test_a_section_is_a_request():
    read = read_courses(FINE.encode())
    made = from_mapping(request_of(read, {"chem": read.courses["chem"].sections["B"]}))
    assert [(exam.key, exam.minutes) for exam in made.exams] == [("chem", 60)]
    assert [one.exam for one in made.appointments] == ["chem", "chem"]


def test_zone_and_hours_may_be_left_to_the_roster():
    hours = ("[[study_hours]]", 'days = "weekdays"', 'start = "16:00"', 'end = "20:00"')
    assert read_courses(without('zone = "America/Chicago"', *hours).encode()).courses


@pytest.mark.parametrize(
    ("document", "said"),
    [
        ("", "courses: this is empty."),
        ("schema = 1", "course: this is missing."),
        ("schema = 1\ncourse = []", "course: this list is empty."),
        (without("schema = 1"), "schema: this is missing."),
        (without('key = "chem"'), "key: this is missing."),
        (without('subject = "Chemistry"'), "subject: this is missing."),
        (without('key = "A"'), "key: this is missing."),
        (without('start = "2027-02-04T09:00"'), "start: this is missing."),
        (without("minutes = 120"), "minutes: this is missing."),
        (FINE.replace('key = "B"', 'key = "A"'), "“A” is the key of an earlier section too."),
        (FINE.replace('section = "B"', 'section = "C"'), "there is no section “C”."),
        (FINE.replace('zone = "America/Chicago"', 'zone = "Chicago"'), "zone: "),
        (FINE.replace("count = 3", "count = 3\nsize = 5\nmissed = 9"), "9 missed of 5 is too many."),
        (FINE.replace("2027-02-05T13:00", "2027-02-30T13:00"), "start: "),
        (FINE.replace('teacher = "Room 12"', 'teecher = "Room 12"'), "teecher"),
        (FINE + '[[course]]\nkey = "chem"\nsubject = "x"\nminutes = 9\nsection = [{key = "A", start = "2027-02-04"}]',
         "“chem” is the key of an earlier course too."),
        (FINE + "[[exam]]\n", "exam"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_told_with_its_place(document, said):
    assert any(said in one for one in problems(document)), problems(document)


def test_all_problems_are_told_at_once_and_each_once():
    broken = FINE.replace("count = 3", "count = -3").replace('days = "weekdays"', 'days = "workdays"')
    broken = broken.replace("minutes = 30", 'minutes = "x"').replace("2027-02-04T09:00", "soon")
    found = problems(broken)
    assert len(found) == len(set(found))
    for word in ("-3", "workdays", "“x”", "soon"):
        assert sum(word in one for one in found) == 1, word


def test_a_problem_of_one_section_names_it():
    found = problems(
        FINE.replace('start = "2027-02-05T13:00"\nminutes = 60', 'start = "2027-02-05T13:00"\nlatest = 2027-02-01')
    )
    assert any("section B" in one and "latest" in one for one in found), found


def test_a_row_of_numbers_or_a_picture_is_no_document():
    assert "ZIP" in problems("PK\x03\x04")[0]
    with pytest.raises(InvalidRequest):
        read_courses(b"\x89PNG\r\n\x1a\n")
    with pytest.raises(InvalidRequest):
        read_courses(b"[1, 2, 3]")
