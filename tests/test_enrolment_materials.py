"""What is wrong with one cell of a row's materials, or of what was granted, is told for that cell and no other."""

from __future__ import annotations

from pathlib import Path

import pytest

from calplan.courses import read_courses
from calplan.enrolment import asked_by
from calplan.errors import InvalidRequest
from calplan.roster import Row

COURSES = read_courses((Path(__file__).parent.parent / "fixtures" / "cohort" / "courses.toml").read_bytes())


@pytest.mark.parametrize(
    ("column", "cell"),
    [("missed gas-laws", "50/20"), ("missed quiz-2", "lots"), ("extra_time", "9000"), ("pace", "7")],
)
def test_one_wrong_cell_is_one_problem(column: str, cell: str) -> None:
    """Other columns of materials that are right stay out of it."""
    cells = {"reference": "S-1", "course": "chemistry", "section": "A", "missed quiz-1": "1", "count notes": "20"}
    with pytest.raises(InvalidRequest) as caught:
        asked_by(Row(number=2, cells={**cells, column: cell}), COURSES)
    assert [one.place for one in caught.value.problems] == [f"row 2, column {column}"]


def test_a_material_that_no_exam_has_is_told() -> None:
    """Also where the row's own count took it away: the third homework of two."""
    cells = {"reference": "S-1", "course": "chemistry", "section": "A", "count homework": "2"}
    asked = asked_by(Row(number=2, cells={**cells, "missed quiz-1": "1"}), COURSES)
    assert sum(one["kind"] == "homework" for one in asked.mapping["exam"][0]["material"]) == 2
    with pytest.raises(InvalidRequest, match="column missed homework-3: no exam of this row has such a material"):
        asked_by(Row(number=2, cells={**cells, "missed homework-3": "1"}), COURSES)


@pytest.mark.parametrize(
    ("columns", "homework"),
    [({"missed quiz-2": "1"}, 9), ({"count homework": "5"}, 5), ({"count homework": "12", "missed quiz-2": "1"}, 11)],
)
def test_what_a_course_leaves_out_stays_out_whatever_a_row_says_of_its_materials(
    columns: dict[str, str], homework: int
) -> None:
    """Of ten pieces of homework the tenth is left out; it is late too, which then asks for nothing."""
    text = (Path(__file__).parent.parent / "fixtures" / "cohort" / "courses.toml").read_text()
    late = '[[course.late]]\nin_hand = 2027-01-20\nmaterial = ["homework-10", "quiz-4"]\n\n[[course.section]]'
    text = text.replace("timed_paper = true\n", 'timed_paper = true\nleave_out = ["chemistry.homework-10"]\n', 1)
    courses = read_courses(text.replace("[[course.section]]", late, 1).encode())
    cells = {"reference": "S-1", "course": "chemistry", "section": "A", **columns}
    materials = asked_by(Row(number=2, cells=cells), courses).request.exams[0].materials
    keys = [one.key for one in materials if one.kind == "homework"]
    assert "chemistry.homework-10" not in keys
    assert len(keys) == homework
    assert [str(one.in_hand) for one in materials if one.key == "chemistry.quiz-4"] == ["2027-01-20"]
