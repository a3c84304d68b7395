"""Two hands at one request: laws of merging three versions, and what each kind of change comes to.

The laws are those of any three-way merge (Khanna, Kunal & Pierce 2007, "A formal investigation of diff3", from memory):
where one side has changed nothing the other is taken whole, equal changes are taken once, and changes of different
things are both taken.
"""

from __future__ import annotations

import copy
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calplan.merging import merged
from calplan.request import from_mapping


def asked(**changes: Any) -> dict[str, Any]:
    """A request as a school asks for it."""
    exam = {"key": "chem", "subject": "Chemistry", "start": "2027-02-04T09:00", "minutes": 120}
    hours = [{"days": "weekdays", "start": "16:00", "end": "19:00"}]
    return {"schema": 1, "zone": "UTC", "exam": [exam], "study_hours": hours, **copy.deepcopy(changes)}


def with_exam(mapping: dict[str, Any], **changes: Any) -> dict[str, Any]:
    """The request with changes of its first exam."""
    return {**mapping, "exam": [{**mapping["exam"][0], **changes}, *mapping["exam"][1:]]}


CHANGES: dict[str, dict[str, Any]] = {
    "day off": {"day_off": [{"day": "2027-01-14"}]},
    "other day off": {"day_off": [{"day": "2027-01-20", "title": "Closed"}]},
    "short day": {"short_days": [{"day": "2027-01-15", "minutes": 20}]},
    "busy": {"busy": [{"start": "2027-01-14T16:00", "end": "2027-01-14T17:00"}]},
    "hours": {"study_hours": [{"days": "daily", "start": "10:00", "end": "12:00"}]},
    "limit": {"effort": {"limit": 90}},
    "usual": {"effort": {"usual": 45}},
    "calendar": {"calendar": [{"file": "mine.ics"}]},
    "essentials": {"keep": "essentials"},
    "holidays": {"holidays": {"country": "US"}},
}
EXAMS: dict[str, dict[str, Any]] = {
    "moved": {"start": "2027-02-08T09:00"},
    "other material": {"material": [{"kind": "quiz", "count": 3}]},
    "left out": {"leave_out": ["chem.quiz-1"]},
    "granted": {"extra_time": 25},
    "fixed": {"fixed_day": [{"day": "2027-01-14", "material": ["quiz-1"]}]},
}


@st.composite
def versions(draw: st.DrawFn) -> dict[str, Any]:
    """A request with some changes."""
    made = asked()
    for name in draw(st.sets(st.sampled_from(sorted(CHANGES)), max_size=3)):
        for key, value in CHANGES[name].items():
            known = made.get(key)
            if isinstance(known, dict):
                made[key] = {**known, **value}
            elif isinstance(known, list) and key != "study_hours":
                made[key] = [*known, *value]
            else:
                made[key] = value
    for name in draw(st.sets(st.sampled_from(sorted(EXAMS)), max_size=2)):
        made = with_exam(made, **EXAMS[name])
    return made


@given(base=versions(), other=versions())
def test_where_one_side_changed_nothing_the_other_is_taken_whole(base: Any, other: Any) -> None:
    assert from_mapping(merged(base, base, other).mapping) == from_mapping(other)
    assert from_mapping(merged(base, other, base).mapping) == from_mapping(other)
    assert merged(base, base, other).kept == merged(base, other, base).kept == ()


@given(base=versions(), other=versions())
def test_equal_changes_are_taken_once(base: Any, other: Any) -> None:
    both = merged(base, other, copy.deepcopy(other))
    assert from_mapping(both.mapping) == from_mapping(other)
    assert both.kept == ()


@given(
    names=st.lists(st.sampled_from(sorted({*CHANGES} - {"other day off"})), min_size=2, max_size=2, unique=True),
    exams=st.lists(st.sampled_from(sorted(EXAMS)), min_size=2, max_size=2, unique=True),
)
def test_changes_of_different_things_are_both_taken(names: list[str], exams: list[str]) -> None:
    """In any order, and nothing is said to stand against anything."""
    one, other = (with_exam(asked(**CHANGES[name]), **EXAMS[exam]) for name, exam in zip(names, exams, strict=True))
    both, turned = merged(asked(), one, other), merged(asked(), other, one)
    assert from_mapping(both.mapping) == from_mapping(turned.mapping)
    assert both.kept == ()
    for name in names:
        for key, value in CHANGES[name].items():
            found = both.mapping[key]
            if isinstance(value, dict):
                assert value.items() <= found.items()
            elif isinstance(value, list):
                assert all(entry in found for entry in value)
            else:
                assert found == value
    for exam in exams:
        assert EXAMS[exam].items() <= both.mapping["exam"][0].items()


def test_a_lost_day_and_a_moved_exam_go_together() -> None:
    """The student lost a day; then the school closes on another one and moves the exam."""
    mine = asked(**CHANGES["day off"])
    theirs = with_exam(asked(**CHANGES["other day off"]), **EXAMS["moved"])
    both = merged(asked(), mine, theirs)
    assert [one["day"] for one in both.mapping["day_off"]] == ["2027-01-20", "2027-01-14"]
    assert both.mapping["exam"][0]["start"] == "2027-02-08T09:00"
    assert both.kept == ()


def test_what_the_student_took_out_stays_out_and_what_the_school_takes_out_goes() -> None:
    base = asked(day_off=[{"day": "2027-01-14"}, {"day": "2027-01-15"}, {"day": "2027-01-16"}])
    mine = asked(day_off=[{"day": "2027-01-15"}, {"day": "2027-01-16"}])
    theirs = asked(day_off=[{"day": "2027-01-14"}, {"day": "2027-01-16"}])
    assert merged(base, mine, theirs).mapping["day_off"] == [{"day": "2027-01-16"}]


@pytest.mark.parametrize(
    ("base", "mine", "theirs", "kept"),
    [
        (asked(), asked(keep="essentials"), asked(keep="everything", title="T"), ()),
        (
            asked(),
            asked(study_hours=[{"days": "sat", "start": "10:00", "end": "12:00"}]),
            asked(study_hours=[{"days": "sun", "start": "10:00", "end": "12:00"}]),
            ("study hours",),
        ),
        (asked(), asked(effort={"limit": 90}), asked(effort={"limit": 75, "usual": 45}), ("effort, limit",)),
        (
            asked(),
            with_exam(asked(), start="2027-02-05T09:00"),
            with_exam(asked(), start="2027-02-08T09:00"),
            ("Chemistry: start",),
        ),
    ],
)
def test_where_both_changed_the_same_the_student_s_word_stands_and_is_named(
    base: Any, mine: Any, theirs: Any, kept: tuple[str, ...]
) -> None:
    both = merged(base, mine, theirs)
    assert both.kept == kept
    if kept == ("effort, limit",):
        assert both.mapping["effort"] == {"limit": 90, "usual": 45}
    elif kept == ("study hours",):
        assert both.mapping["study_hours"] == mine["study_hours"]
    elif kept:
        assert both.mapping["exam"] == mine["exam"]


def test_another_spelling_of_the_same_is_no_change() -> None:
    """A form writes the days of the week one by one."""
    week = ["mon", "tue", "wed", "thu", "fri"]
    mine = asked(study_hours=[{"days": week, "start": "16:00", "end": "19:00"}])
    theirs = asked(study_hours=[{"days": "weekdays", "start": "15:00", "end": "19:00"}])
    both = merged(asked(), mine, theirs)
    assert both.mapping["study_hours"] == theirs["study_hours"]
    assert both.kept == ()


def test_of_a_short_day_that_both_speak_of_the_student_s_minutes_count() -> None:
    base = asked(short_days=[{"day": "2027-01-14", "minutes": 30}])
    mine = asked(short_days=[{"day": "2027-01-14", "minutes": 15}])
    theirs = asked(short_days=[{"day": "2027-01-14", "minutes": 45}, {"day": "2027-01-15", "minutes": 20}])
    assert sorted(one["minutes"] for one in merged(base, mine, theirs).mapping["short_days"]) == [15, 20]


def test_exams_come_and_go_with_the_school_and_those_of_the_student_s_own_stay() -> None:
    civics = {"key": "civics", "subject": "Civics", "start": "2027-02-09T09:00", "minutes": 60}
    latin = {"key": "latin", "subject": "Latin", "start": "2027-02-10T09:00", "minutes": 60}
    base = asked()
    mine = {**base, "exam": [*base["exam"], latin]}
    theirs = {**base, "exam": [*base["exam"], civics]}
    assert [one["key"] for one in merged(base, mine, theirs).mapping["exam"]] == ["chem", "civics", "latin"]
    only = {**base, "exam": [civics]}
    assert [one["key"] for one in merged(base, mine, only).mapping["exam"]] == ["civics", "latin"]
    without = merged(mine, base, {**mine, "exam": [*mine["exam"], civics]})
    assert [one["key"] for one in without.mapping["exam"]] == ["chem", "civics"]
    assert without.kept == ("Latin, which was taken out",)
