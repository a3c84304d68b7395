"""The form and the request are made from each other without loss, and each mistake is led to its field."""

from __future__ import annotations

import json
import re
import tomllib
from collections import Counter
from datetime import UTC, date, datetime, time
from html.parser import HTMLParser
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import msgspec
import pytest
from flask import Flask
from hypothesis import assume, example, given
from hypothesis import strategies as st
from jinja2 import ChoiceLoader, DictLoader, FileSystemLoader, StrictUndefined

from calplan.errors import InvalidRequest, Problem
from calplan.model import KINDS, Kind, Request
from calplan.request import TABLES, from_mapping
from tests.strategies import requests
from web import form_dates, form_pieces, form_rows, forms
from web.form_cells import MOST_CHARACTERS
from web.form_drafts import DAYS
from web.form_toml import write_toml

ROOT = Path(__file__).parent.parent
FIXTURES = sorted((ROOT / "fixtures").glob("*.toml"))
FULL = tomllib.loads((ROOT / "fixtures" / "full-example.toml").read_text(encoding="utf-8"))


def filled(**changes: str) -> dict[str, str]:
    """A form that is right, with some fields changed; in their names a double underscore stands for a hyphen."""
    sound = {
        "zone": "America/Chicago",
        "start": "2027-01-05",
        "exam-1-subject": "Chemistry",
        "exam-1-day": "2027-02-04",
        "exam-1-hour": "09:00",
        "exam-1-minutes": "120",
    }
    return form_rows.fresh() | sound | {name.replace("__", "-"): text for name, text in changes.items()}


# ----------------------------------------------------------------------------------------- half a minute


def test_an_exam_with_counts_and_the_hours_that_are_there_make_a_request():
    read = forms.read_form(filled(exam__1__quiz__count="4", exam__1__quiz__missed="14/20", exam__1__notes__count="26"))
    assert read.request is not None
    (exam,) = read.request.exams
    assert Counter(material.kind for material in exam.materials) == {Kind.QUIZ: 4, Kind.NOTES: 1}
    assert {material.missed for material in exam.materials} == {6, None}
    assert [len(stretch.days) for stretch in read.request.week] == [5, 2]


def test_where_nothing_is_counted_the_usual_counts_for_the_scope_are_assumed():
    request = forms.read_form(filled(exam__1__scope="year")).request
    assert request is not None
    assert request.exams[0].assumed
    assert request.exams[0].scope == "year"


def test_an_empty_form_lacks_what_stands_in_its_first_exam_and_hours():
    """Each beside its own field, not a word of tables and keys."""
    read = forms.read_form({})
    assert list(read.by_field) == [
        "zone",
        "exam-1-subject",
        "exam-1-day",
        "exam-1-minutes",
        "hours-1-days",
        "hours-1-start",
        "hours-1-end",
    ]
    assert read.request is None
    assert not any(re.search(r"[\[\]=_]", str(problem)) for problem in read.problems)


def test_rows_in_which_nothing_is_typed_are_no_rows():
    blank = {"exam-2-key": "exam-2", "exam-2-scope": "unit", "exam-2-quiz-answers": "none", "appointment-1-exam": "x"}
    assert forms.to_mapping(filled() | blank) == forms.to_mapping(filled())


# --------------------------------------------------------------------------------------------- the law


def same(mapping: dict[str, Any]) -> None:
    """The form filled with a mapping says the same request, and what it says can be kept as JSON."""
    again = forms.to_mapping(forms.to_fields(mapping))
    assert from_mapping(again) == from_mapping(mapping)
    assert from_mapping(json.loads(json.dumps(again))) == from_mapping(mapping)
    tidy = form_rows.tidy(forms.to_fields(mapping))
    assert from_mapping(forms.to_mapping(tidy)) == from_mapping(mapping)


@pytest.mark.parametrize("path", FIXTURES, ids=lambda path: path.stem)
def test_every_fixture_goes_through_the_form_unchanged(path):
    same(tomllib.loads(path.read_text(encoding="utf-8")))


def test_of_the_full_example_only_the_rates_have_no_field():
    fields = forms.to_fields(FULL)
    assert tomllib.loads(fields["more"]) == {"rates": FULL["rates"]}
    assert fields["exam-1-pieces"].splitlines()[1].startswith("test; Unit test on gas laws; 6; 2027-01-11; ")
    assert forms.read_form(fields).problems == ()


def written(request: Request) -> dict[str, Any]:
    """A request of the model as a mapping that could have been written for it."""
    plain = msgspec.to_builtins(request)
    for exam in plain["exams"]:
        exam["material"] = [
            {key: found for key, found in piece.items() if found is not None and key in TABLES["exam.material"].keys}
            for piece in exam.pop("materials")
        ] or None
        for name in [name for name in exam if name not in TABLES["exam"].keys]:
            del exam[name]
    names = {"exams": "exam", "week": "study_hours", "appointments": "appointment", "calendars": "calendar"}
    names |= {"days_off": "day_off"}
    mapping = {names.get(key, key): found for key, found in plain.items()}
    weekday = dict(enumerate(DAYS))
    for stretch in mapping["study_hours"]:
        stretch["days"] = [weekday[day] for day in stretch["days"]]
    if mapping["catch_up"]:
        mapping["catch_up"]["day"] = weekday[mapping["catch_up"]["day"]]
    return mapping


def mended(mapping: dict[str, Any]) -> dict[str, Any]:
    """The mapping without the optional values that contradict others in it; what is past mending is no example."""
    for _ in range(4):
        try:
            from_mapping(mapping)
            return mapping
        except InvalidRequest as invalid:
            for problem in invalid.problems:
                inner: Any = mapping
                for step in problem.path[:-1]:
                    inner = inner[step]
                if isinstance(inner, dict) and problem.path:
                    inner.pop(problem.path[-1], None)
    assume(False)
    return mapping


@given(requests())
def test_random_requests_go_through_the_form_unchanged(drawn):
    same(mended(written(drawn[0])))


WORDS = st.text(min_size=1, max_size=14) | st.sampled_from(
    [
        'a; "b"',
        "size=3",
        "- 2027-01-30",
        "to 2027-01-30 x",
        ".. 2027-02-01",
        "quiz",
        "kind",
        "=x",
        "a,b",
        "a\tb",
        "# c",
        '"',
    ]
)
DATES = st.dates(date(2027, 1, 6), date(2027, 1, 31))
HOURS = st.times().map(lambda at: at.replace(second=0, microsecond=0))


def said(found: date | time | datetime) -> st.SearchStrategy[Any]:
    """A date or time as a value of TOML, or as text."""
    return st.sampled_from((found, found.isoformat() if type(found) is date else found.isoformat(timespec="minutes")))


def some(needed: dict[str, Any], optional: dict[str, Any]) -> st.SearchStrategy[dict[str, Any]]:
    return st.fixed_dictionaries(needed, optional={key: st.none() | value for key, value in optional.items()})


PIECES = some(
    {"kind": st.sampled_from([*KINDS, "Quiz ", "TEST"]).map(str)},
    {
        "title": WORDS,
        "topic": WORDS,
        "size": st.integers(1, 40),
        "missed": st.integers(0, 9) | st.sampled_from(("14/20", " 3/ 4")),
        "multiple_choice": st.booleans(),
        "answers": st.sampled_from(("none", "answers", "worked")),
        "in_hand": DATES.flatmap(said),
        "minutes": st.integers(1, 90),
        "count": st.integers(0, 9),
        "to_come": st.integers(0, 4),
        "by": DATES.flatmap(said),
    },
)
MAPPINGS = some(
    {
        "schema": st.just(1),
        "zone": st.sampled_from(("America/Chicago", "Pacific/Apia", "UTC")),
        "exam": st.lists(
            some(
                {
                    "subject": WORDS,
                    "start": st.builds(datetime.combine, st.dates(date(2027, 2, 1), date(2027, 2, 9)), HOURS).flatmap(
                        said
                    ),
                    "minutes": st.integers(1, 200) | st.just(90.0),
                },
                {
                    "place": WORDS,
                    "zone": st.just("Europe/London"),
                    "scope": st.sampled_from(("unit", "Year")),
                    "weight": st.integers(1, 9),
                    "sureness": st.integers(1, 5),
                    "extra_time": st.integers(0, 50),
                    "pace": st.integers(25, 400),
                    "sheet_pages": st.integers(0, 3),
                    "timed_paper": st.booleans(),
                    "answers_by": DATES.flatmap(said),
                    "latest": st.dates(date(2027, 2, 9), date(2027, 3, 4)).flatmap(said),
                    "labels": st.dictionaries(st.sampled_from([kind.value for kind in KINDS]), WORDS, max_size=3),
                    "material": st.lists(PIECES, min_size=1, max_size=6),
                    "leave_out": st.lists(st.sampled_from(("exam-1.quiz-1", "exam-2.notes-1")), max_size=2),
                    "late": st.lists(
                        some({"in_hand": DATES.flatmap(said), "material": st.lists(WORDS, min_size=1, max_size=3)}, {}),
                        max_size=2,
                    ),
                    "fixed_day": st.lists(
                        some({"day": DATES.flatmap(said), "material": st.lists(WORDS, min_size=1, max_size=3)}, {}),
                        max_size=2,
                    ),
                },
            ),
            min_size=1,
            max_size=3,
        ),
        "study_hours": st.lists(
            some(
                {
                    "days": st.sampled_from(("weekdays", "Weekend", "daily", ["sat", "mon"], "thu")),
                    "start": HOURS.flatmap(said),
                    "end": HOURS.flatmap(said),
                },
                {"first": DATES.flatmap(said)},
            ),
            min_size=1,
            max_size=3,
        ),
    },
    {
        "title": WORDS,
        "start": st.just("2027-01-05"),
        "keep": st.sampled_from(("everything", "essentials")),
        "effort": some({}, {"usual": st.integers(5, 60), "limit": st.integers(60, 90), "habit": HOURS.flatmap(said)}),
        "calendar": st.lists(
            some(
                {"file": st.sampled_from(("a.ics", "b/c d.ics"))}, {"all_day": st.booleans(), "only": st.lists(WORDS)}
            ),
            max_size=2,
        ),
        "busy": st.lists(
            st.builds(
                lambda one, two, title: {"start": min(one, two), "end": max(one, two), "title": title},
                st.datetimes(datetime(2027, 1, 6), datetime(2027, 1, 9)).map(
                    lambda at: at.replace(second=0, microsecond=0)
                ),
                st.datetimes(datetime(2027, 1, 6), datetime(2027, 1, 9)).map(
                    lambda at: at.replace(second=0, microsecond=0)
                ),
                st.none() | WORDS,
            ),
            max_size=3,
        ),
        "day_off": st.lists(
            some({"day": DATES.flatmap(said)}, {"title": WORDS})
            | some({"first": st.just("2027-01-07"), "last": DATES.flatmap(said)}, {"title": WORDS}),
            max_size=3,
        ),
        "short_days": st.lists(
            some({"day": DATES.flatmap(said), "minutes": st.integers(0, 960) | st.just(20.0)}, {}), max_size=3
        ),
        "holidays": some(
            {},
            {
                "country": st.sampled_from(("US", "gb")),
                "use": st.sampled_from(("free", "light")),
                "own": st.lists(some({"day": DATES.flatmap(said), "title": WORDS}, {}), max_size=2),
            },
        ),
        "catch_up": st.just({"day": "sat", "start": "10:00", "end": "11:00"}),
        "mending": some({}, {"grace": st.integers(0, 60), "slow_days": st.integers(0, 14)}),
        "rates": some({}, {"quiz": st.floats(0.5, 9), "missed": st.integers(0, 100)}),
    },
)


@given(MAPPINGS)
@example({**FULL, "title": "0 \x08 0"})
def test_random_mappings_with_odd_words_go_through_the_form_unchanged(mapping):
    same(mended(mapping))


NESTS = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.text(max_size=9)
    | st.dates()
    | st.times()
    | st.datetimes(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=12,
)
PLACES = [(key,) for key in FULL] + [
    *(("exam", 0, key) for key in FULL["exam"][0]),
    *(("exam", 0, "material", place, key) for place, piece in enumerate(FULL["exam"][0]["material"]) for key in piece),
    *(
        (section, 0, key)
        for section in ("busy", "day_off", "short_days", "study_hours", "appointment", "calendar")
        for key in FULL[section][0]
    ),
    *(("holidays", key) for key in FULL["holidays"]),
]


@given(st.sampled_from(PLACES), NESTS)
def test_a_wrong_request_fills_the_form_and_stays_wrong_or_is_mended(place, value):
    """An uploaded request with a mistake never breaks the form, and the form never breaks the core."""
    mapping = json.loads(json.dumps(FULL, default=str))
    inner = mapping
    for step in place[:-1]:
        inner = inner[step]
    inner[place[-1]] = value
    fields = forms.to_fields(mapping)
    assert all(isinstance(name, str) and isinstance(text, str) for name, text in fields.items())
    assert forms.read_form(fields)


NAMES = st.sampled_from(
    [
        *forms.to_fields(FULL),
        "calendar-1-pick-3",
        "calendar-2-which",
        "exam-9999-day",
        "exam-0-day",
        "hours-2-mon",
        "days_off",
        "exam-2-pieces",
        "more",
    ]
)
TYPED = st.text(max_size=30) | st.sampled_from(
    [
        "quiz; x; 14/20",
        "[[exam]]\nsubject = 1",
        "zone = [1]",
        "exam = 3",
        "a.b = 2027-01-01",
        "only",
        "1",
        "99999999999999999",
    ]
)


@given(st.dictionaries(NAMES | st.text(max_size=8), TYPED | st.text(st.characters(), max_size=5), max_size=12))
@example({"more": "\ud800", "exam-1-pieces": "\ud800", "busy": "\x00"})
@example({"more": "[" * 900 + "]" * 900})
@example({"more": "x = " + "[" * 900 + "]" * 900})
@example({"more": "holidays = 3", "holidays-own": "2027-01-01 x"})
def test_whatever_is_typed_is_a_request_or_problems(fields):
    read = forms.read_form(fields)
    assert (read.request is None) == bool(read.problems)
    assert sum(map(len, read.by_field.values())) == len(read.problems)
    assert forms.to_mapping(form_rows.tidy(fields)) == forms.to_mapping(form_rows.tidy(form_rows.tidy(fields)))


# ------------------------------------------------------------------------------- each mistake at its field

MISTAKES: list[tuple[dict[str, str], str, str]] = [
    ({"zone": "Chicago"}, "zone", "America/Chicago"),
    ({"title": "x" * 121}, "title", "Shorten it to 120"),
    ({"start": "2027-02-30"}, "start", "does not exist"),
    ({"keep": "all"}, "keep", "none of everything"),
    ({"exam-1-subject": ""}, "exam-1-subject", "missing"),
    ({"exam-1-day": ""}, "exam-1-day", "the day is missing"),
    ({"exam-1-hour": ""}, "exam-1-hour", "the hour is missing"),
    ({"exam-1-day": "", "exam-1-hour": ""}, "exam-1-day", "day and hour"),
    ({"exam-1-day": "4 February"}, "exam-1-day", "not a date"),
    ({"exam-1-hour": "25:00"}, "exam-1-hour", "does not exist"),
    ({"exam-1-day": "2027-03-14", "exam-1-hour": "02:30"}, "exam-1-hour", "leave"),
    ({"exam-1-day": "2027-01-05"}, "exam-1-day", "no day is left"),
    ({"exam-1-minutes": "two hours"}, "exam-1-minutes", "not a whole number"),
    ({"exam-1-minutes": "0"}, "exam-1-minutes", "out of bounds"),
    ({"exam-1-place": "x" * 121}, "exam-1-place", "121 characters"),
    ({"exam-1-scope": "week"}, "exam-1-scope", "none of unit"),
    ({"exam-1-weight": "101"}, "exam-1-weight", "out of bounds"),
    ({"exam-1-sureness": "6"}, "exam-1-sureness", "out of bounds"),
    ({"exam-1-zone": "Mars"}, "exam-1-zone", "not a zone"),
    ({"exam-1-extra_time": "25%"}, "exam-1-extra_time", "not a whole number"),
    ({"exam-1-minutes": "1440", "exam-1-extra_time": "50"}, "exam-1-extra_time", "longer than a day"),
    ({"exam-1-pace": "20"}, "exam-1-pace", "out of bounds"),
    ({"exam-1-sheet_pages": "1.5"}, "exam-1-sheet_pages", "not a whole number"),
    ({"exam-1-timed_paper": "maybe"}, "exam-1-timed_paper", "neither true nor false"),
    ({"exam-1-answers_by": "2027-02-04"}, "exam-1-answers_by", "not before"),
    ({"exam-1-latest": "2027-02-03"}, "exam-1-latest", "lies before the first day"),
    ({"exam-1-latest": "2027-03-08"}, "exam-1-latest", "more than 31 days"),
    ({"exam-1-labels-quiz": "x" * 41}, "exam-1-labels-quiz", "41 characters"),
    ({"exam-1-labels-quiz": "Lab", "exam-1-labels-test": "lab"}, "exam-1-labels-homework", "label of 2 kinds"),
    ({"exam-2-subject": "Civics", "exam-2-day": "2027-02-05", "exam-2-hour": "13:00"}, "exam-2-minutes", "missing"),
    ({"exam-1-key": "c d"}, "exam-1-subject", "cannot be a key"),
    ({"exam-1-homework-count": "many"}, "exam-1-homework-count", "not a whole number"),
    ({"exam-1-quiz-count": "0"}, "exam-1-homework-count", "no material at all"),
    ({"exam-1-quiz-missed": "3"}, "exam-1-quiz-count", "how many"),
    ({"exam-1-quiz-count": "3", "exam-1-quiz-missed": "20/14"}, "exam-1-quiz-missed", "right of 14"),
    ({"exam-1-practice-count": "9", "exam-1-practice-missed": "12"}, "exam-1-practice-missed", "too many"),
    ({"exam-1-notes-count": "9", "exam-1-notes-missed": "2"}, "exam-1-notes-missed", "no problems"),
    ({"exam-1-test-to_come": "2"}, "exam-1-test-by", "when the rest comes"),
    ({"exam-1-test-by": "2027-01-20"}, "exam-1-test-to_come", "how many come"),
    ({"exam-1-test-count": "2", "exam-1-test-answers": "some"}, "exam-1-test-answers", "none of none"),
    ({"exam-1-pieces": "essay; On gases"}, "exam-1-pieces", "none of homework"),
    ({"exam-1-pieces": "quiz; Q; 3; 11.1.2027"}, "exam-1-pieces", "not a date"),
    ({"exam-1-pieces": "quiz; Q; 3; ; ; ; 9; 9; what"}, "exam-1-pieces", "column of its own"),
    ({"exam-1-pieces": "quiz; Q; count=2; count=3"}, "exam-1-pieces", "twice"),
    (
        {"hours-1-mon": "", **dict.fromkeys(("hours-1-tue", "hours-1-wed", "hours-1-thu", "hours-1-fri"), "")},
        "hours-1-days",
        "missing",
    ),
    ({"hours-1-start": "noon"}, "hours-1-start", "not a clock time"),
    ({"hours-2-end": ""}, "hours-2-end", "missing"),
    ({"hours-1-end": "16:00"}, "hours-1-end", "the same time"),
    ({"hours-1-first": "2027-01-20", "hours-1-last": "2027-01-10"}, "hours-1-last", "lies before"),
    ({"effort-usual": "90", "effort-limit": "60"}, "effort-usual", "more than the limit"),
    ({"effort-limit": "2"}, "effort-limit", "out of bounds"),
    ({"effort-shortest": "50", "effort-longest": "20"}, "effort-shortest", "more than the longest"),
    ({"effort-bedtime": "24:00"}, "effort-bedtime", "not a clock time"),
    ({"effort-waking": "22:30"}, "effort-waking", "no night"),
    ({"effort-age": "12"}, "effort-age", "none of"),
    ({"catch_up-day": "sat", "catch_up-start": "11:00", "catch_up-end": "10:00"}, "catch_up-end", "not after"),
    (
        {"catch_up-day": "sat", "catch_up-start": "07:00", "catch_up-end": "08:00"},
        "catch_up-day",
        "outside the study hours",
    ),
    ({"catch_up-start": "07:00", "catch_up-end": "08:00"}, "catch_up-day", "missing"),
    (
        {"appointment-1-day": "2027-01-20", "appointment-1-hour": "16:00", "appointment-1-minutes": "45"},
        "appointment-1-title",
        "missing",
    ),
    (
        {"appointment-1-title": "T", "appointment-1-day": "2027-01-20", "appointment-1-minutes": "45"},
        "appointment-1-hour",
        "hour is missing",
    ),
    (
        {
            "appointment-1-title": "T",
            "appointment-1-day": "2027-02-04",
            "appointment-1-hour": "09:30",
            "appointment-1-minutes": "45",
        },
        "appointment-1-hour",
        "time of the exam",
    ),
    (
        {
            "appointment-1-title": "T",
            "appointment-1-day": "2027-01-20",
            "appointment-1-hour": "09:30",
            "appointment-1-minutes": "45",
            "appointment-1-exam": "bio",
        },
        "appointment-1-exam",
        "no exam has the key",
    ),
    ({"calendar-1-name": "http://x.example/a.ics"}, "calendar-1-file", "an address"),
    ({"calendar-1-name": "a.ics", "calendar-1-which": "only"}, "calendar-1-which", "not said which events"),
    ({"calendar-1-name": "a.ics", "calendar-1-all_day": "perhaps"}, "calendar-1-all_day", "neither true nor false"),
    ({"busy": "2027-01-22 18:00-20:00 Concert\ntomorrow evening"}, "busy", "cannot be read"),
    ({"busy": "2027-13-22 18:00-20:00"}, "busy", "does not exist"),
    ({"busy": "2027-01-22 18:00-18:00"}, "busy", "not after the start"),
    ({"days_off": "next Monday"}, "days_off", "cannot be read"),
    ({"exam-1-leave_out": "exam-1.quiz-9"}, "exam-1-leave_out", "no material of this exam has the key"),
    ({"mending-grace": "61"}, "mending-grace", "out of bounds"),
    ({"mending-slow_days": "some"}, "mending-slow_days", "not a whole number"),
    ({"short_days": "2027-01-25"}, "short_days", "Write it like this: 2027-01-25 20 minutes."),
    ({"short_days": "2027-01-25 little"}, "short_days", "cannot be read"),
    ({"short_days": "2027-01-25 5\n2027-01-26 2000"}, "short_days", "out of bounds"),
    ({"days_off": "2027-01-31..2027-01-30"}, "days_off", "lies before"),
    ({"holidays-country": "USA"}, "holidays-country", "not a country code"),
    ({"holidays-subdivision": "IL"}, "holidays-country", "needs its country"),
    ({"holidays-country": "US", "holidays-subdivision": "GB-ENG"}, "holidays-subdivision", "not in US"),
    ({"holidays-use": "off"}, "holidays-use", "none of free"),
    ({"holidays-own": "2027-01-29"}, "holidays-own", "missing"),
    ({"holidays-own": "2027-01-29 A\n2027-01-29 B"}, "holidays-own", "2 times"),
    ({"more": "rates = ["}, "more", "not TOML"),
    ({"more": "[rates]\nquiz = 0"}, "more", "out of bounds"),
    ({"more": "[effort]\nspeed = 3"}, "more", "no key"),
    ({"more": "colour = 3"}, "more", "no key"),
    ({"more": 'zone = "UTC"'}, "more", "above too"),
    ({"more": '[[busy]]\nstart = "x"'}, "more", "not a date"),
    ({"busy": "x" * (MOST_CHARACTERS + 1)}, "busy", "100001 characters"),
    ({"exam-1-day": "2029-02-04"}, "", "more than 400 days"),
]


@pytest.mark.parametrize(("typed", "field", "words"), MISTAKES, ids=lambda part: str(part)[:50])
def test_each_mistake_is_led_to_its_field(typed, field, words):
    read = forms.read_form(filled() | typed)
    assert read.request is None
    assert field in read.by_field
    assert any(words in problem.sentence + problem.remedy for problem in read.by_field[field])


@pytest.mark.parametrize(("typed", "field", "words"), MISTAKES, ids=lambda part: str(part)[:50])
def test_no_mistake_is_blamed_on_another_field(typed, field, words):
    """One slip, one problem; only where several things are missing are there more, each at what is missing."""
    read = forms.read_form(filled() | typed)
    others = {name: found for name, found in read.by_field.items() if name != field}
    assert all("missing" in problem.sentence for found in others.values() for problem in found), others


def test_all_mistakes_come_at_once_in_the_order_of_the_page():
    typed = filled(
        zone="x", exam__1__minutes="x", exam__1__quiz__missed="3", busy="x", more="x", exam__1__pieces="x;\nquiz;;x"
    )
    fields = list(forms.read_form(typed).by_field)
    assert fields == ["zone", "exam-1-minutes", "exam-1-quiz-count", "exam-1-pieces", "busy", "more"]


def test_problems_of_typed_lines_name_their_line():
    typed = filled(
        exam__1__pieces="quiz; A; 3\n\nquiz; B; 20/14", busy="2027-01-22 18:00-20:00\nx", exam__1__test__count="2"
    )
    places = [problem.place for problem in forms.read_form(typed).problems]
    assert places == ["exam 1 (Chemistry), pieces, line 3, missed", "busy times, line 2"]


def test_words_about_quotation_marks_and_keys_are_left_out_of_a_form():
    read = forms.read_form(filled(exam__1__minutes="x", hours__1__start="noon", exam__1__test__to_come="2"))
    assert [problem.remedy for problem in read.problems] == [
        "Write a number from 1 to 1440.",
        "Add the date: 2027-02-03.",
        'Write hours and minutes: "16:30".',
    ]


@pytest.mark.parametrize(
    ("place", "field"),
    [
        ("holidays.country", "holidays-country"),
        ("holidays.subdivision", "holidays-subdivision"),
        ("start", "start"),
        ("calendar school.ics", "calendar-1-file"),
        ("school.ics", "calendar-1-file"),
        ("calendar other.ics", ""),
    ],
)
def test_problems_that_are_found_only_when_a_plan_is_made_have_fields_too(place, field):
    found = forms.problems_by_field([Problem(place, "this is wrong.")], {"calendar-1-name": "school.ics"})
    assert list(found) == [field]


# ------------------------------------------------------------------------------------------ typed lists


def table_of(text: str, **labels: str) -> list[dict[str, Any] | None]:
    return [line.table for line in form_pieces.read_pieces(text, labels)]


QUIZ = {"kind": "quiz", "title": "Quiz 3: kinetics", "missed": "14/20", "in_hand": "2027-01-11"}


@pytest.mark.parametrize(
    "text",
    [
        "quiz; Quiz 3: kinetics; 14/20; 2027-01-11",
        "quiz, Quiz 3: kinetics, 14/20, 2027-01-11",
        "Quiz\tQuiz 3: kinetics\t14/20\t2027-01-11",
        "Date\tKind\tTitle\tScore\n2027-01-11\tquizzes\tQuiz 3: kinetics\t14/20",
        "title,kind,in hand from,result\r\n\r\nQuiz 3: kinetics,quiz,2027-01-11,14/20\r\n",
        "quiz; title=Quiz 3: kinetics; in_hand=2027-01-11; missed=14/20",
    ],
)
def test_pieces_are_read_from_semicolons_commas_and_spreadsheets(text):
    assert table_of(text) == [QUIZ]


def test_cells_in_quotation_marks_keep_their_separators():
    """RFC 4180, section 2, points 6 and 7."""
    assert table_of('quiz; "a; ""b"""; 3') == [{"kind": "quiz", "title": 'a; "b"', "missed": 3}]


@given(WORDS.map(lambda text: " ".join(text.split())).filter(str.isprintable).filter(bool))
def test_a_title_with_separators_names_or_quotation_marks_stays_in_its_line(title):
    assert table_of(form_pieces.write_piece({"kind": "test", "title": title, "topic": title})) == [
        {"kind": "test", "title": title, "topic": title}
    ]


def test_the_exams_own_labels_are_kinds_too_but_never_instead_of_them():
    assert table_of("Problem set; A", homework="Problem set") == [{"kind": "homework", "title": "A"}]
    assert table_of("quiz; A", homework="Quiz") == [{"kind": "quiz", "title": "A"}]


def test_a_csv_file_becomes_lines_below_those_typed():
    data = b'\xef\xbb\xbfName,Kind,Score,Count\r\n"Gases, all",test,6,\r\n,homework,,4\r\n'
    fields = form_rows.add_pieces({"exam-1-pieces": "quiz; A"}, 1, data, "stock.csv")
    assert fields["exam-1-pieces"].splitlines() == ["quiz; A", "test; Gases, all; 6", "homework; count=4"]


@pytest.mark.parametrize(
    ("data", "words"),
    [(b"PK\x03\x04", "ZIP"), (b"", "no pieces"), (b"\xff\xfe", "UTF-8"), (b"q" * 200_000, "bytes"), (b"a\0b", "text")],
)
def test_what_is_no_list_is_refused_with_a_sentence(data, words):
    with pytest.raises(form_pieces.UnreadableList) as caught:
        form_pieces.read_csv(data, "stock.csv")
    assert words in str(caught.value)
    assert caught.value.problem.place == "stock.csv"


@given(st.binary(max_size=200) | st.text(max_size=200).map(lambda text: text.encode(errors="ignore")))
def test_any_csv_becomes_lines_or_is_refused(data):
    try:
        text = form_pieces.read_csv(data, "x.csv")
    except form_pieces.UnreadableList:
        return
    assert form_pieces.read_pieces(text, {})


@pytest.mark.parametrize(
    ("line", "start", "end"),
    [
        ("2027-01-22 18:00-20:00 Concert", "2027-01-22T18:00", "2027-01-22T20:00"),
        ("2027-1-2 9:00 – 10:30", "2027-01-02T09:00", "2027-01-02T10:30"),
        ("2027-01-22 22:00 to 02:00", "2027-01-22T22:00", "2027-01-23T02:00"),
        ("2027-01-16T12:00-2027-01-17T15:00", "2027-01-16T12:00", "2027-01-17T15:00"),
    ],
)
def test_busy_lines_end_on_the_day_or_past_midnight(line, start, end):
    (read,) = form_dates.read_busy(line)
    assert read.table is not None
    assert (read.table["start"], read.table["end"]) == (start, end)


@given(st.dictionaries(st.text(max_size=6), NESTS, max_size=4))
def test_what_is_written_as_toml_is_read_by_the_standard_librarys_parser(table):
    """Dates and times become text and nothing is left out, as in JSON; half characters are replaced."""

    def shown(found: Any) -> Any:
        match found:
            case dict():
                return {key: shown(inner) for key, inner in found.items() if inner is not None}
            case list():
                return [shown(inner) for inner in found if inner is not None]
            case date() | time():
                return found.isoformat()
            case float():
                return repr(found)
        return found

    assert shown(tomllib.loads(write_toml(table))) == shown(table)


@pytest.mark.parametrize(
    ("section", "entries", "words"),
    [
        ("study_hours", [{"days": "weekday", "start": "16:00", "end": "17:00"}], "“weekday” is none of"),
        ("day_off", [{"title": "Trip"}], "which days"),
        ("busy", [{"start": "2027-01-22", "end": "2027-01-22T18:00"}], "not a date with a clock time"),
        ("exam", [FULL["exam"][0] | {"material": []}], "no material at all"),
    ],
)
def test_a_list_that_rows_and_lines_cannot_say_stays_in_more_as_it_was(section, entries, words):
    """What was wrong with it is still wrong with it, and is told where it stands."""
    fields = forms.to_fields({**FULL, section: entries, "appointment": None})
    assert section in tomllib.loads(fields["more"])
    found = forms.read_form(fields).by_field["more"]
    assert any(words in problem.sentence for problem in found)


def test_text_with_many_dots_is_written_so_that_the_reader_of_requests_takes_it():
    same({**FULL, "exam": FULL["exam"][1:], "appointment": None, "title": "." * 60, "rates": {"quiz": 1}})
    assert write_toml({"x": "." * 60}).count(".") == 0


# --------------------------------------------------------------------------------------------- the rows


def test_a_row_can_be_added_and_taken_out_and_nothing_typed_is_lost():
    fields = filled(exam__1__subject="Chemistry")
    more = form_rows.act(fields, "more-exam")
    assert (form_rows.counts(more.fields)["exam"], more.anchor) == (2, "exam-2")
    assert fields.items() <= more.fields.items()
    less = form_rows.act(more.fields | {"exam-2-subject": "Civics"}, "less-exam-1")
    assert less.fields["exam-1-subject"] == "Civics"
    assert less.fields["exam-1-key"] == "exam-2"
    assert form_rows.act(less.fields, "more-exam").fields["exam-2-key"] != "exam-2"


@given(st.dictionaries(NAMES, st.text(max_size=3), max_size=9), st.sampled_from(("exam", "hours", "appointment")))
def test_adding_a_row_adds_one_and_changes_no_request(fields, name):
    tidy = form_rows.tidy(fields)
    more = form_rows.act(tidy, f"more-{name}").fields
    assert form_rows.counts(more)[name] == form_rows.counts(tidy)[name] + 1
    assert forms.to_mapping(more) == forms.to_mapping(tidy)


@pytest.mark.parametrize("action", ["keep", "", "more-zone", "less-exam", "more-exam\n", "less-hours-99"])
def test_other_actions_leave_the_form_alone(action):
    assert form_rows.act(filled(), action).fields == filled()


def test_no_more_exams_than_a_request_may_have():
    fields = filled()
    for _ in range(30):
        fields = form_rows.act(fields, "more-exam").fields
    assert form_rows.counts(fields)["exam"] == 20


def test_calendars_of_one_name_are_told_apart():
    fields = form_rows.set_calendar({}, None, "C:\\x\\school.ics", "one")
    fields = form_rows.set_calendar(fields, None, "school.ics", "two")
    assert [fields["calendar-1-name"], fields["calendar-2-name"]] == ["school.ics", "school-2.ics"]
    assert form_rows.set_calendar(fields, 2, "school.ics", "three")["calendar-2-name"] == "school-2.ics"


def test_ticked_events_are_the_chosen_ones_and_stay_chosen():
    fields = {
        "calendar-1-name": "a.ics",
        "calendar-1-which": "only",
        "calendar-1-pick-10": "Lab",
        "calendar-1-pick-9": "Gym",
    }
    tidy = form_rows.tidy(fields)
    assert tidy["calendar-1-only"] == "Gym\nLab"
    for form in (fields, tidy):
        assert forms.to_mapping(form)["calendar"] == [{"file": "a.ics", "only": ["Gym", "Lab"]}]


def test_an_uploaded_request_fills_the_form():
    loaded = form_rows.load((ROOT / "fixtures" / "full-example.json").read_bytes(), "mine.json")
    assert forms.read_form(loaded).request == from_mapping(FULL)


@pytest.mark.parametrize(
    "data", [b"[1]", b"{", b"", b"\xff", b'{"a":' * 3000, b'{"a": 1, "a": 2}', b"x = [" + b"[" * 400]
)
def test_an_upload_that_is_no_request_is_refused_with_its_problems(data):
    with pytest.raises(InvalidRequest) as caught:
        form_rows.load(data, "mine.json" if data.startswith((b"{", b"[")) else "mine.toml")
    assert caught.value.problems


# --------------------------------------------------------------------------------------------- the page

BASE = "<!doctype html><title>{% block title %}{% endblock %}</title><main>{% block main %}{% endblock %}</main>"
PREVIEW = SimpleNamespace(
    sentence="27 days.",
    days=27,
    maximum=35,
    everything=30,
    essentials=None,
    notices=["Short nights."],
    asks=["Ask for answers."],
    shortfall=["Tuesday is full: 70 minutes of work, 45 free."],
    no_plan=None,
    strip=None,
    difference=["Two blocks move."],
)
READING = SimpleNamespace(
    name="calendars/chemistry-student.ics",
    busy_count=45,
    titles=[("Lab", 5), ("<b>", 1)],
    skipped=[SimpleNamespace(source="x", line=3, name="Gym", reason="it repeats every second.")],
    read_at=datetime(2027, 1, 5, tzinfo=UTC),
)


@pytest.fixture(scope="module")
def app() -> Flask:
    app = Flask("test")
    folder = FileSystemLoader(ROOT / "web" / "templates")
    app.jinja_loader = ChoiceLoader([DictLoader({"base.html": BASE}), folder])
    app.jinja_env.undefined = StrictUndefined
    return app


def page(app: Flask, fields: dict[str, str], *, read: bool = True, template: str = "make.html", **more: Any) -> str:
    found = forms.read_form(fields) if read else None
    values: dict[str, Any] = {
        "fields": fields,
        "by_field": found.by_field if found else {},
        "problems": found.problems if found else (),
        "readings": (),
        "counts": form_rows.counts(fields),
        "preview": None,
        "changing": None,
        "zones": ["America/Chicago", "Europe/London"],
        "countries": [("GB", "United Kingdom"), ("US", "United States")],
        "action": "/make",
        "preview_url": "/make/preview",
    }
    with app.app_context():
        return app.jinja_env.get_template(template).render(values | more)


class Parsed(HTMLParser):
    """The elements of a page, with their attributes, and what browsers would send of its form."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str]]] = []
        self.sent: dict[str, str] = {}
        self._template, self._select, self._area = 0, "", ""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        values = {name: value or "" for name, value in attrs}
        self.found.append((tag, values))
        self._template += tag == "template"
        name = values.get("name", "")
        if self._template:
            return
        if tag == "select":
            self._select = name
        if tag == "option" and self._select and ("selected" in values or self._select not in self.sent):
            self.sent[self._select] = values["value"]
        if tag == "textarea":
            self._area = name
            self.sent[name] = ""
        held = "checked" in values or values.get("type") not in ("file", "checkbox", "radio")
        if tag == "input" and held:
            self.sent[name] = values.get("value", "")

    def handle_endtag(self, tag: str) -> None:
        self._template -= tag == "template"
        self._select = "" if tag == "select" else self._select
        self._area = "" if tag == "textarea" else self._area

    def handle_data(self, data: str) -> None:
        if self._area:
            # HTML, 13.2.6.4.7: a line break at the very start of a textarea is dropped.
            self.sent[self._area] += data.removeprefix("\n") if not self.sent[self._area] else data

    def ids(self) -> list[str]:
        return [values["id"] for _, values in self.found if "id" in values]


WRONG = filled(zone="x", exam__1__quiz__missed="3", busy="x", exam__1__pieces="x", exam__1__labels__quiz="y" * 99)
STATES: dict[str, tuple[dict[str, str], dict[str, Any]]] = {
    "fresh": (form_rows.fresh(), {"read": False}),
    "empty": ({}, {"read": False}),
    "wrong": (WRONG, {}),
    "full": (form_rows.tidy(forms.to_fields(FULL)), {"preview": PREVIEW, "readings": [READING]}),
    "full, with nothing read": (form_rows.tidy(forms.to_fields(FULL)), {}),
    "change": (filled(), {"preview": PREVIEW, "changing": SimpleNamespace(token="t", version=3)}),
}


@pytest.mark.parametrize("state", STATES)
def test_the_page_is_sound_html(app, state):
    """Ids are unique, every field has a label, what describes a field is there, and nothing is inline."""
    fields, more = STATES[state]
    text = page(app, fields, **more)
    parsed = Parsed(text)
    ids = Counter(parsed.ids())
    assert max(ids.values()) == 1, [name for name, times in ids.items() if times > 1]
    labels = {values["for"] for tag, values in parsed.found if tag == "label"}
    for tag, values in parsed.found:
        if tag in ("select", "textarea") or (tag == "input" and values["type"] != "hidden"):
            assert values["id"] in labels, values
        assert {*values.get("aria-describedby", "").split(), *values.get("aria-labelledby", "").split()} <= ids.keys()
        assert "style" not in values
        assert not any(name.startswith("on") for name in values)
        assert tag not in ("script", "style")
        if tag in ("input", "select", "textarea", "button"):
            assert values["name"]
    links = {values["href"] for tag, values in parsed.found if tag == "a"}
    assert {link.removeprefix("#") for link in links} <= ids.keys()


@pytest.mark.parametrize("state", STATES)
def test_what_the_page_shows_is_what_was_typed(app, state):
    """Sent back untouched, the form says the same request."""
    fields, more = STATES[state]
    sent = form_rows.tidy(Parsed(page(app, fields, **more)).sent)
    assert forms.read_form(sent).request == forms.read_form(fields).request
    assert forms.read_form(sent).problems == forms.read_form(fields).problems


@pytest.mark.parametrize(("typed", "field", "words"), MISTAKES, ids=lambda part: str(part)[:50])
def test_a_mistake_stands_beside_its_field_and_in_the_list_that_links_to_it(app, typed, field, words):
    fields = form_rows.tidy(filled() | typed)
    text = page(app, fields)
    parsed = Parsed(text)
    named = set(forms.read_form(fields).by_field) - {""}
    assert named <= set(parsed.ids())
    assert {f"{name}-problem" for name in named} <= set(parsed.ids())
    assert {f"#{name}" for name in named} <= {values["href"] for tag, values in parsed.found if tag == "a"}
    described = {place for _, values in parsed.found for place in values.get("aria-describedby", "").split()}
    assert {f"{name}-problem" for name in named} <= described


def test_what_was_typed_is_never_taken_for_html(app):
    mean = "</textarea><script>1</script>\"'<b>"
    names = [name for name in forms.to_fields(FULL) if not name.endswith("upload")]
    text = page(app, form_rows.tidy(dict.fromkeys(names, mean)), readings=[READING])
    assert "<script>" not in text
    assert "<b>" not in text


@pytest.mark.parametrize(
    "preview",
    [None, PREVIEW, SimpleNamespace(no_plan=SimpleNamespace(sentence="No day is left.", reasons=["Full."], advice=[]))],
)
def test_the_fragment_has_one_line_for_the_foot(app, preview):
    problems = () if preview else forms.read_form({}).problems
    text = page(app, {}, template="_preview.html", preview=preview, problems=problems, read=False)
    assert text.count("data-running") == 1


def test_arrangements_are_said_to_stay_out_of_the_calendar_and_no_name_is_asked_for(app):
    text = page(app, form_rows.fresh(), read=False)
    assert "not written into the calendar" in text
    assert "No name is needed" in text
    assert not re.search(r"autocomplete=\"(name|bday|email)", text)


@pytest.mark.parametrize(
    ("typed", "start", "end"),
    [
        ("2026-12-04 6pm to 9pm Shift", "2026-12-04T18:00", "2026-12-04T21:00"),
        ("2026-12-04 6:30 p.m. - 12am Shift", "2026-12-04T18:30", "2026-12-05T00:00"),
        ("2026-12-04 12 pm-1:15PM Shift", "2026-12-04T12:00", "2026-12-04T13:15"),
        ("2026-12-04 09:00-10:00 Shift", "2026-12-04T09:00", "2026-12-04T10:00"),
    ],
)
def test_busy_times_may_be_typed_with_the_halves_of_the_day(typed, start, end):
    """Noon is 12 pm and midnight 12 am, as 12-hour clocks have it (common practice, no source)."""
    assert forms.to_mapping({"busy": typed})["busy"] == [{"start": start, "end": end, "title": "Shift"}]


@pytest.mark.parametrize("typed", ["2026-12-04 13pm-2pm", "2026-12-04 0am-2am", "2026-12-04 6:61pm-9pm"])
def test_half_days_that_no_clock_shows_are_refused(typed):
    assert forms.read_form({"busy": typed}).by_field["busy"]
