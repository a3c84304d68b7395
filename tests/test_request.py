"""What people write becomes a request, or a list of everything that is wrong with it."""

from __future__ import annotations

import io
import json
import re
import tomllib
import zipfile
from collections import Counter
from datetime import date, datetime, time
from itertools import pairwise
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo, available_timezones

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calplan import documents, tables
from calplan import request as module
from calplan.errors import InvalidRequest, Problem
from calplan.model import (
    KINDS,
    Answers,
    DayOff,
    Effort,
    Exam,
    Holidays,
    HolidayUse,
    Keep,
    Kind,
    Mending,
    Rates,
    Request,
    Scope,
    ShortDay,
    Weekday,
    request_from_json,
    to_json,
)
from calplan.request import TABLES, from_mapping, read

ROOT = Path(__file__).parent.parent
FIXTURES = ROOT / "fixtures"
REQUESTS = sorted(FIXTURES.glob("*.toml"))
ABSENT: Any = object()


def base() -> dict[str, Any]:
    """A small sound request, as a mapping of plain values."""
    return {
        "schema": 1,
        "zone": "America/Chicago",
        "start": "2027-01-05",
        "exam": [
            {
                "key": "chem",
                "subject": "Chemistry",
                "start": "2027-02-04T09:00",
                "minutes": 120,
                "material": [{"kind": "homework", "count": 3}, {"kind": "quiz", "size": 10, "missed": 2}],
            },
            {"subject": "Physics", "start": "2027-02-05T13:00", "minutes": 90, "material": [{"kind": "test"}]},
        ],
        "study_hours": [{"days": "daily", "start": "16:00", "end": "20:00"}],
    }


def changed(path: str, value: Any, mapping: Any = None) -> dict[str, Any]:
    """The small request with one value replaced, added or (ABSENT) taken out; numbers in the path count from 0."""
    whole = base() if mapping is None else mapping
    *way, last = [int(step) if step.isdigit() else step for step in path.split(".")]
    inner = whole
    for step in way:
        inner = inner[step] if isinstance(step, int) else inner.setdefault(step, {})
    if value is ABSENT:
        del inner[last]
    elif isinstance(inner, list):
        inner[last : last + 1] = [value]
    else:
        inner[last] = value
    return whole


def problems_of(mapping: Any) -> tuple[Problem, ...]:
    with pytest.raises(InvalidRequest) as caught:
        from_mapping(mapping)
    return caught.value.problems


def exam_with(*materials: dict[str, Any], **exam: Any) -> Exam:
    """The first exam of the small request with these materials."""
    return from_mapping(changed("exam.0", base()["exam"][0] | {"material": list(materials)} | exam)).exams[0]


# ----------------------------------------------------------------------------------------- what is wrong

MATERIAL = "exam.0.material.0"
WRONG = [
    # the request itself
    ("schema", ABSENT, "schema", "missing"),
    ("schema", 2, "schema", "schema 2 is not one that this version reads"),
    ("schema", True, "schema", "schema true"),
    ("zone", ABSENT, "zone", 'zone = "America/Chicago"'),
    ("zone", "Chicago", "zone", "Did you mean America/Chicago?"),
    ("zone", "america/chicago", "zone", "Did you mean America/Chicago?"),
    ("zone", "America/New York", "zone", "Did you mean America/New_York?"),
    ("zone", "Europe/Lodnon", "zone", "Europe/London"),
    ("zone", "Lndon", "zone", "Europe/London"),
    ("zone", "localtime", "zone", "not a zone of the tz database"),
    ("zone", "Factory", "zone", "not a zone of the tz database"),
    ("zone", "../../etc/passwd", "zone", "not a zone of the tz database"),
    ("zone", "qqqqqqqqqqqq", "zone", "Names look like America/Chicago"),
    ("zone", 6, "zone", "6 is not text"),
    ("title", "x" * 121, "title", "Shorten it to 120"),
    ("title", 7, "title", "7 is not text"),
    ("title", "half \ud83d", "title", "lone surrogate"),
    ("start", "5 January", "start", "Write year, month and day"),
    ("start", "2027-02-30", "start", "does not exist"),
    ("start", "2027-01-05T08:00", "start", "is not a date"),
    ("start", datetime(2027, 1, 5, 8), "start", "Write the date alone: 2027-01-05"),
    ("start", "1827-01-05", "start", "the year 1827 is out of bounds"),
    ("start", "20270105", "start", "is not a date"),
    ("keep", "essential", "keep", 'Write "essentials".'),
    ("keep", 1, "keep", "none of everything, essentials"),
    ("exams", [], "request", "Did you mean exam?"),
    ("timezone", "UTC", "request", "Did you mean zone?"),
    ("colour", "red", "request", "The keys here are schema, title"),
    # exams
    ("exam", ABSENT, "exam", "[[exam]] with subject"),
    ("exam", [], "exam", "this list is empty"),
    ("exam", {"subject": "Chemistry"}, "exam", "double brackets"),
    ("exam", "Chemistry", "exam", "not a list of tables"),
    ("exam.0", "Chemistry", "exam 1", "not a table"),
    ("exam", base()["exam"][:1] * 21, "exam", "21 tables"),
    ("exam.1.subject", ABSENT, "exam 2, subject", "missing"),
    ("exam.1.subject", " \t", "exam 2, subject", "empty"),
    ("exam.1.subject", 3, "exam 2, subject", "3 is not text"),
    ("exam.1.start", ABSENT, "exam 2 (Physics), start", 'start = "2027-02-04T09:00"'),
    ("exam.1.start", "2027-02-05", "exam 2 (Physics), start", "not a date with a clock time"),
    ("exam.1.start", date(2027, 2, 5), "exam 2 (Physics), start", "not a date with a clock time"),
    ("exam.1.start", "2027-02-05T24:00", "exam 2 (Physics), start", "does not exist"),
    ("exam.1.start", "2027-02-05T09:00:30", "exam 2 (Physics), start", "whole minutes"),
    # TOML 1.0.0, "Offset Date-Time", and RFC 3339 §5.6: both forms of an offset
    ("exam.1.start", "2027-02-05T09:00:00-06:00", "exam 2 (Physics), start", "such as 2027-02-05T09:00, and name"),
    ("exam.1.start", "2027-02-05T15:00Z", "exam 2 (Physics), start", "carries an offset"),
    ("exam.1.start", "2027-01-05T23:00", "exam 2 (Physics), start", "no day is left"),
    ("exam.1.start", "2026-02-05T23:00", "exam 2 (Physics), start", "no day is left"),
    ("exam.1.start", "2029-02-05T23:00", "exam", "more than 400 days"),
    # tz database: in New York 02:30 on 8 March 2026 does not exist (2027: 14 March)
    ("exam.1", {"subject": "P", "start": "2027-03-14T02:30", "minutes": 9, "zone": "America/New_York"},
     "exam 2 (P), start", "the clocks in America/New_York leave 2027-03-14T02:30:00 out"),
    ("exam.1.latest", "2027-02-04", "exam 2 (Physics), latest", "lies before the first day, 2027-02-05"),
    ("exam.1.latest", "2027-03-09", "exam 2 (Physics), latest", "Write a day up to 2027-03-08"),
    ("exam.1.latest", "2027-02-08T13:00", "exam 2 (Physics), latest", "is not a date"),
    ("exam.1.minutes", 0, "exam 2 (Physics), minutes", "from 1 to 1440"),
    ("exam.1.minutes", 1441, "exam 2 (Physics), minutes", "from 1 to 1440"),
    ("exam.1.minutes", 90.5, "exam 2 (Physics), minutes", "90.5 is not a whole number"),
    ("exam.1.minutes", "90", "exam 2 (Physics), minutes", "“90” is not a whole number"),
    ("exam.1.minutes", True, "exam 2 (Physics), minutes", "true is not a whole number"),
    ("exam.1.minutes", 10**5000, "exam 2 (Physics), minutes", "a number far too large"),
    ("exam.1.minutes", float("nan"), "exam 2 (Physics), minutes", "nan is not a whole number"),
    ("exam.1.minutes", float("inf"), "exam 2 (Physics), minutes", "inf is not a whole number"),
    ("exam.1.length", 90, "exam 2 (Physics)", "Did you mean minutes?"),
    ("exam.1.zone", "Europe/Londno", "exam 2 (Physics), zone", "Europe/London"),
    ("exam.1.scope", "semester", "exam 2 (Physics), scope", "none of unit, term, year"),
    ("exam.1.weight", 0, "exam 2 (Physics), weight", "from 1 to 100"),
    ("exam.1.sureness", 6, "exam 2 (Physics), sureness", "from 1 to 5"),
    ("exam.1.extra_time", "25%", "exam 2 (Physics), extra_time", "“25%” is not a whole number"),
    ("exam.1.extra_time", 201, "exam 2 (Physics), extra_time", "from 0 to 200"),
    ("exam.1", {"subject": "P", "start": "2027-02-05T13:00", "minutes": 800, "extra_time": 100},
     "exam 2 (P), extra_time", "longer than a day"),
    ("exam.1.pace", 10, "exam 2 (Physics), pace", "from 25 to 400"),
    ("exam.1.sheet_pages", -1, "exam 2 (Physics), sheet_pages", "from 0 to 20"),
    ("exam.1.timed_paper", "true", "exam 2 (Physics), timed_paper", "without quotes"),
    ("exam.1.timed_paper", 1, "exam 2 (Physics), timed_paper", "1 is neither true nor false"),
    ("exam.1.answers_by", "2027-02-05", "exam 2 (Physics), answers_by", "Write a date before 2027-02-05"),
    ("exam.1.late", [{"material": ["test-1"]}], "exam 2 (Physics), late 1, in_hand", "in_hand = 2027-01-20"),
    ("exam.1.late", [{"in_hand": "2027-02-05", "material": ["test-1"]}], "exam 2 (Physics), late 1, in_hand",
     "Write a date before 2027-02-05"),
    ("exam.1.late", [{"in_hand": "2027-01-12", "material": ["Optics"]}], "exam 2 (Physics), late 1, material",
     "no material of this exam has the key or the topic “Optics”"),
    ("exam.1.fixed_day", [{"material": ["test-1"]}], "exam 2 (Physics), fixed_day 1, day", "day = 2027-01-12"),
    ("exam.1.fixed_day", [{"day": "2027-01-12"}], "exam 2 (Physics), fixed_day 1, material", "missing"),
    ("exam.1.fixed_day", [{"day": "2027-02-05", "material": ["test-1"]}], "exam 2 (Physics), fixed_day 1, day",
     "Write a date before 2027-02-05"),
    ("exam.1.fixed_day", [{"day": "2027-01-12", "material": ["quiz-77"]}], "exam 2 (Physics), fixed_day 1, material",
     "no material of this exam has the key or the topic “quiz-77”"),
    ("exam.1.fixed_day", [{"day": f"2027-01-{day}", "material": ["test-1"]} for day in (12, 14)],
     "exam 2 (Physics), fixed_day 2, material", "“test-1” stands here for 2027-01-12 already"),
    ("exam.1.labels", "Essays", "exam 2 (Physics), labels", "not a table"),
    ("exam.1.labels", [{}], "exam 2 (Physics), labels", "single brackets"),
    ("exam.1.labels.tests", "Essays", "exam 2 (Physics), labels", "Did you mean test?"),
    ("exam.1.labels.test", "", "exam 2 (Physics), labels, test", "empty"),
    ("exam.1.labels", {"test": "Essay", "quiz": "essay"}, "exam 2 (Physics), labels", "label of 2 kinds"),
    ("exam.1.key", "chem", "exam 2 (Physics), key", "an earlier exam"),
    ("exam.1.key", "two words", "exam 2 (Physics), key", "cannot be a key"),
    ("exam.1.key", "x" * 41, "exam 2 (Physics), key", "up to 40"),
    ("exam.1.key", "", "exam 2 (Physics), key", "cannot be a key"),
    ("exam.0.leave_out", "quiz", "exam 1 (Chemistry), leave_out", "not a list of keys"),
    ("exam.0.leave_out", ["chem.quiz-1", ""], "exam 1 (Chemistry), leave_out", "empty"),
    ("exam.0.leave_out", ["chem.quiz-2"], "exam 1 (Chemistry), leave_out", "no material of this exam has the key"),
    ("exam.1.leave_out", ["exam-2.test-1"], "exam 2 (Physics), leave_out", "no material at all"),
    # materials
    ("exam.0.material", [], "exam 1 (Chemistry), material", "no material at all"),
    ("exam.0.material", [{"kind": "quiz", "count": 0}], "exam 1 (Chemistry), material", "no material at all"),
    ("exam.0.material", 14, "exam 1 (Chemistry), material", "14 is not a list"),
    (MATERIAL, "homework", "exam 1 (Chemistry), material 1", "not a table"),
    (f"{MATERIAL}.kind", ABSENT, "exam 1 (Chemistry), material 1, kind", "missing"),
    (f"{MATERIAL}.kind", "quizzes", "exam 1 (Chemistry), material 1, kind", 'Write "quiz".'),
    (f"{MATERIAL}.count", -1, "exam 1 (Chemistry), material 1, count", "from 0 to 1000"),
    (f"{MATERIAL}.size", 0, "exam 1 (Chemistry), material 1, size", "from 1 to 1000"),
    (f"{MATERIAL}.name", "A", "exam 1 (Chemistry), material 1", "Did you mean title?"),
    ("exam.0.material.1.missed", 11, "exam 1 (Chemistry), material 2, missed", "11 missed of 10"),
    ("exam.0.material.1.missed", "12/20", "exam 1 (Chemistry), material 2, missed", "of 20, but size or count says 10"),
    ("exam.0.material.1.missed", "12/10", "exam 1 (Chemistry), material 2, missed", "12 right of 10"),
    ("exam.0.material.1.missed", "0/0", "exam 1 (Chemistry), material 2, missed", "0 right of 0"),
    ("exam.0.material.1.missed", "7.5/10", "exam 1 (Chemistry), material 2, missed", "is no result"),
    ("exam.0.material.1.missed", -1, "exam 1 (Chemistry), material 2, missed", "from 0 to 1000"),
    ("exam.0.material.1.answers", "solution", "exam 1 (Chemistry), material 2, answers", "none of none, answers"),
    ("exam.0.material.1.multiple_choice", "no", "exam 1 (Chemistry), material 2, multiple_choice", "true or false"),
    ("exam.0.material.1.in_hand", "2027-02-04", "exam 1 (Chemistry), material 2, in_hand", "not before the exam's day"),
    ("exam.0.material.1.in_hand", "soon", "exam 1 (Chemistry), material 2, in_hand", "“soon” is not a date"),
    ("exam.0.material.1.minutes", 0, "exam 1 (Chemistry), material 2, minutes", "from 1 to 6000"),
    (MATERIAL, {"kind": "notes", "missed": 2}, "exam 1 (Chemistry), material 1, missed", "notes have no problems"),
    (MATERIAL, {"kind": "notes", "count": 9, "size": 9}, "exam 1 (Chemistry), material 1, size", "Leave size out"),
    (MATERIAL, {"kind": "practice", "count": 9, "missed": 10}, "exam 1 (Chemistry), material 1, missed", "10 missed"),
    (MATERIAL, {"kind": "practice", "count": 9, "missed": "8/8"}, "exam 1 (Chemistry), material 1, missed", "says 9"),
    (MATERIAL, {"kind": "practice", "count": 9, "to_come": 9, "by": "2027-01-20", "minutes": 60},
     "exam 1 (Chemistry), material 1, minutes", "two materials"),
    (MATERIAL, {"kind": "quiz", "to_come": 2}, "exam 1 (Chemistry), material 1, by", "when the rest comes"),
    (MATERIAL, {"kind": "quiz", "by": "2027-01-20"}, "exam 1 (Chemistry), material 1, to_come", "how many come"),
    (MATERIAL, {"kind": "quiz", "to_come": 2, "by": "2027-02-09"}, "exam 1 (Chemistry), material 1, by", "not before"),
    ("exam.1.material", [{"kind": "test", "key": "chem.quiz-1"}], "exam 2 (Physics), material 1, key", "earlier"),
    ("exam.1.material", [{"kind": "test", "key": "a/b"}], "exam 2 (Physics), material 1, key", "cannot be a key"),
    ("exam.1.material", [{"kind": "quiz", "count": 1000}] * 6, "exam 2 (Physics), material", "more than 5000"),
    # study hours, appointments
    ("study_hours", ABSENT, "study_hours", "[[study_hours]] with days"),
    ("study_hours", [], "study_hours", "this list is empty"),
    ("study_hours", base()["study_hours"] * 121, "study_hours", "121 tables"),
    ("study_hours.0.days", "monday", "study_hours 1, days", 'Write "mon".'),
    ("study_hours.0.days", [], "study_hours 1, days", "names no day"),
    ("study_hours.0.days", ["mon", 3], "study_hours 1, days", "3 is none of mon"),
    ("study_hours.0.start", "4 pm", "study_hours 1, start", 'in quotes: "16:30"'),
    ("study_hours.0.start", "25:00", "study_hours 1, start", "does not exist"),
    ("study_hours.0.start", "16:00:01", "study_hours 1, start", "whole minutes"),
    ("study_hours.0.end", "24:00", "study_hours 1, end", 'Write midnight as "00:00"'),
    ("study_hours.0.end", 20, "study_hours 1, end", "20 is not a clock time"),
    ("study_hours.0.end", "16:00", "study_hours 1, end", "the same time"),
    ("study_hours.0.until", "2027-01-20", "study_hours 1", "Did you mean last?"),
    ("study_hours.0", {"days": "mon", "start": "16:00", "end": "17:00", "first": "2027-01-20", "last": "2027-01-19"},
     "study_hours 1, last", "lies before first"),
    ("appointment", [{"title": "Tutoring", "start": "2027-01-20T16:00", "minutes": 4}],
     "appointment 1 (Tutoring), minutes", "from 5 to 960"),
    ("appointment", [{"title": "Tutoring", "start": "2027-01-20T16:00", "minutes": 45, "exam": "bio"}],
     "appointment 1 (Tutoring), exam", "The keys are chem, exam-2"),
    ("appointment", [{"title": "Tutoring", "start": "2027-02-04T10:00", "minutes": 45}],
     "appointment 1 (Tutoring), start", "the time of the exam “chem”"),
    ("appointment", [{"title": "A", "start": "2027-01-20T16:00", "minutes": 45},
                     {"title": "B", "start": "2027-01-20T16:30", "minutes": 45}],
     "appointment 2 (B), start", "overlaps the appointment “A”"),
    # effort
    ("effort", {"usual": 90, "limit": 60}, "effort, usual", "more than the limit"),
    ("effort", {"shortest": 60, "longest": 45}, "effort, shortest", "more than the longest"),
    ("effort", {"limit": 961}, "effort, limit", "from 5 to 960"),
    ("effort", {"rest": -5}, "effort, rest", "from 0 to 240"),
    ("effort", {"bedtime": "07:00"}, "effort, waking", "no night"),
    ("effort", {"age": "14"}, "effort, age", "none of 6-12, 13-18, adult"),
    ("effort", [{"usual": 30}], "effort", "single brackets"),
    ("effort", 30, "effort", "30 is not a table"),
    ("effort.break", 10, "effort", "Did you mean rest?"),
    # what takes the time
    ("calendar", [{"file": ""}], "calendar 1, file", "empty"),
    ("calendar", [{"file": "https://example.org/a.ics"}], "calendar 1, file", "an address, not a file"),
    ("calendar", [{"file": "a\x07.ics"}], "calendar 1, file", "control characters"),
    ("calendar", [{"file": "a.ics", "only": "Lab"}], "calendar 1, only", "not a list of titles"),
    ("calendar", [{"file": "a.ics", "only": ["Lab", 3]}], "calendar 1, only", "3 is not text"),
    ("calendar", [{"file": "a.ics"}] * 21, "calendar", "Keep to 20"),
    ("busy", [{"start": "2027-01-22T18:00", "end": "2027-01-22T18:00"}], "busy 1, end", "not after the start"),
    ("busy", [{"start": "2027-01-22T18:00", "end": "2029-01-22T18:00"}], "busy 1, end", "longer than 400 days"),
    ("day_off", [{"title": "Trip"}], "day_off 1", "which days these are"),
    ("day_off", [{"day": "2027-01-22", "last": "2027-01-23"}], "day_off 1", "either day, or first and last"),
    ("day_off", [{"first": "2027-01-22"}], "day_off 1", "which days these are"),
    ("day_off", [{"first": "2027-01-22", "last": "2027-01-21"}], "day_off 1, last", "lies before first"),
    ("day_off", [{"first": "2027-01-22", "last": "2029-01-21"}], "day_off 1, last", "more than 400 days"),
    ("short_days", [{"minutes": 20}], "short_days 1, day", "Add it, for example: day = 2027-01-25"),
    ("short_days", [{"day": "2027-01-25"}], "short_days 1, minutes", "Add it, for example: minutes = 20"),
    ("short_days", [{"day": "2027-01-25", "minutes": -1}], "short_days 1, minutes", "from 0 to 960"),
    ("short_days", [{"day": "2027-01-25", "minutes": "20"}], "short_days 1, minutes", "not a whole number"),
    ("short_days", [{"day": "soon", "minutes": 20}], "short_days 1, day", "not a date"),
    ("short_days", [{"day": "2027-01-25", "minutes": 5, "title": "x"}], "short_days 1", "The keys here are day, min"),
    ("short_days", {"day": "2027-01-25", "minutes": 5}, "short_days", "double brackets"),
    ("short_day", [{"day": "2027-01-25", "minutes": 5}], "request", "Did you mean short_days?"),
    ("holidays", {"country": "USA"}, "holidays, country", "two letters of ISO 3166-1"),
    ("holidays", {"subdivision": "IL"}, "holidays, country", "a subdivision needs its country"),
    ("holidays", {"country": "US", "subdivision": "Illinois"}, "holidays, subdivision", "ISO 3166-2"),
    ("holidays", {"country": "CA", "subdivision": "US-IL"}, "holidays, subdivision", "“US-IL” is not in CA"),
    ("holidays", {"use": "off"}, "holidays, use", "none of free, light, ordinary"),
    ("holidays", {"own": [{"day": "2027-01-29"}]}, "holidays, own 1, title", "missing"),
    ("holidays", {"own": [{"day": "2027-01-29", "title": name} for name in "ab"]}, "holidays, own", "2 times"),
    ("catch_up", {"day": "sat", "start": "15:00", "end": "16:00"}, "catch_up", "outside the study hours"),
    ("catch_up", {"day": "sat", "start": "17:00", "end": "16:00"}, "catch_up, end", "not after the start"),
    ("catch_up", {"day": "weekend", "start": "17:00", "end": "18:00"}, "catch_up, day", "more than one day"),
    ("catch_up", {"day": "sat", "start": "17:00"}, "catch_up, end", "missing"),
    ("rates", {"quiz": "8"}, "rates, quiz", "“8” is not a number"),
    ("rates", {"quiz": True}, "rates, quiz", "true is not a number"),
    ("rates", {"quiz": float("nan")}, "rates, quiz", "nan is out of bounds"),
    ("rates", {"quiz": 1e300}, "rates, quiz", "from 0.5 to 240"),
    ("rates", {"flags": 101}, "rates, flags", "from 0 to 100"),
    ("rates", {"tests": 15}, "rates", "Did you mean test?"),
    ("rates", {"flag": -1}, "rates, flag", "from 0 to 120"),
    ("mending", {"grace": 61}, "mending, grace", "from 0 to 60"),
    ("mending", {"grace": "never"}, "mending, grace", "“never” is not a whole number"),
    ("mending", {"slow_days": 15}, "mending, slow_days", "from 0 to 14"),
    ("mending", [{"grace": 3}], "mending", "single brackets"),
    ("mending", {"days": 3}, "mending", "Did you mean slow_days?"),
]  # fmt: skip


@pytest.mark.parametrize(("path", "value", "place", "phrase"), WRONG, ids=[f"{n}-{w[0]}" for n, w in enumerate(WRONG)])
def test_a_wrong_value_is_the_one_problem_and_says_where_what_and_what_to_do(path, value, place, phrase):
    (problem,) = problems_of(changed(path, value))
    assert problem.place == place
    assert phrase in f"{problem.sentence} {problem.remedy}"
    assert problem.remedy.rstrip()[-1] in '.?]"0123456789'
    assert len(str(problem)) < 400


def test_the_small_request_is_sound_so_that_each_wrong_one_is_wrong_for_one_reason():
    assert len(from_mapping(base()).exams) == 2


def test_all_problems_come_at_once_and_in_reading_order():
    mapping = changed("zone", "Chicago")
    changed("exam.0.minutes", 0, mapping)
    changed("exam.0.material.1.missed", 99, mapping)
    changed("exam.1.start", "tomorrow", mapping)
    changed("study_hours.0.end", "late", mapping)
    changed("effort", {"usual": 0}, mapping)
    places = [problem.place for problem in problems_of(mapping)]
    assert places == [
        "zone",
        "exam 1 (Chemistry), minutes",
        "exam 1 (Chemistry), material 2, missed",
        "exam 2 (Physics), start",
        "study_hours 1, end",
        "effort, usual",
    ]


def test_endless_problems_are_counted_beyond_a_hundred():
    problems = problems_of(base() | {f"key {n}": n for n in range(5000)})
    assert len(problems) == 101
    assert "4900 further problems" in problems[-1].sentence


def test_what_is_not_a_mapping_at_all_is_refused():
    for value in (None, [], "schema", 3, date(2027, 1, 5)):
        (problem,) = problems_of(value)
        assert problem.place == "request"


def test_values_of_no_known_sort_and_keys_of_no_text_are_refused():
    assert "another sort" in problems_of(changed("title", object()))[0].sentence
    assert "no key 3" in problems_of(base() | {3: 4})[0].sentence


def test_a_problem_shows_no_more_than_the_beginning_of_a_long_value_and_no_control_characters():
    (problem,) = problems_of(changed("keep", "\x1b[2J\ud800" + "y" * 5000))
    assert "…" in problem.sentence
    assert problem.sentence.isprintable()


def test_an_exam_whose_key_is_taken_brings_one_problem_and_not_one_for_each_material():
    mapping = changed("exam.1", base()["exam"][0] | {"start": "2027-02-06T09:00"})
    assert [problem.place for problem in problems_of(mapping)] == ["exam 2 (Chemistry), key"]


def test_a_key_that_many_pieces_share_with_earlier_ones_is_said_once():
    many = {"kind": "quiz", "key": "q", "count": 9}
    (problem,) = problems_of(changed("exam.0.material", [many, many]))
    assert problem.place == "exam 1 (Chemistry), material 2, key"


def test_each_appointment_that_overlaps_a_long_earlier_one_is_named():
    starts = (("A", "16:00", 120), ("B", "16:30", 10), ("C", "17:00", 10), ("D", "18:00", 10))
    appointments = [{"title": name, "start": f"2027-01-20T{at}", "minutes": n} for name, at, n in starts]
    problems = problems_of(base() | {"appointment": appointments})
    assert [problem.place for problem in problems] == ["appointment 2 (B), start", "appointment 3 (C), start"]


def test_a_wrong_value_has_no_second_problem_in_its_wake():
    wakes = [
        {"day_off": [{"day": "soon"}]},
        {"day_off": [{"first": "soon", "last": "2027-01-20"}]},
        {"holidays": {"country": "USA", "subdivision": "IL"}},
        {"catch_up": {"day": "sat", "start": "x", "end": "18:00"}},
        {"exam": [base()["exam"][1] | {"material": [{"kind": "quizzes"}], "leave_out": ["exam-1.quiz-1"]}]},
    ]
    for wake in wakes:
        assert len(problems_of(base() | wake)) == 1, wake
    assert len(problems_of(changed("exam.0.material.0", {"kind": "quiz", "to_come": 2, "by": "soon"}))) == 1
    assert len(problems_of(changed("exam.0.material.0", {"kind": "quiz", "to_come": -2, "by": "2027-01-20"}))) == 1
    stretch = base() | {"catch_up": {"day": "sat", "start": "01:00", "end": "02:00"}}
    assert len(problems_of(changed("study_hours.0.start", "x", stretch))) == 1


# ------------------------------------------------------------------------------------------- documents

SMALL = b'schema = 1\nzone = "UTC"\n[[exam]]\nsubject = "A"\nstart = "2027-02-04T09:00"\nminutes = 60\n'
SMALL += b'[[study_hours]]\ndays = "daily"\nstart = "16:30"\nend = "18:00"\n'


def zipped(member: str) -> bytes:
    """A ZIP archive of one file, as the standard library writes it."""
    data = io.BytesIO()
    with zipfile.ZipFile(data, "w") as archive:
        archive.writestr(member, "text")
    return data.getvalue()


DOCUMENTS = [
    (b"", "request", "empty"),
    (b"\xef\xbb\xbf \n", "request", "empty"),
    (b"schema = 1\nzone = \xff", "request", "byte 19, in line 2, is not UTF-8"),
    (SMALL.decode().encode("utf-16"), "request", "UTF-16"),
    (SMALL + b"#" * 1_000_000, "request", "at most 1000000"),
    (SMALL.decode().encode("utf-16-le"), "request", "UTF-16"),
    (SMALL.decode().encode("utf-16-be"), "request", "UTF-16"),
    (b'schema = 1\nzone = "a\0b"\n', "request", "this is not a text file. Write the request in a text editor"),
    (b'{"schema": 1, "title": "\0"}', "request", "this is not a text file."),
    (zipped("word/document.xml"), "request", "not a text file, but a ZIP archive"),
    (zipped("x" * 200) * 10_000, "request", "not a text file, but a ZIP archive"),
    (b"%PDF-1.7\n1 0 obj\n", "request", "not a text file, but a PDF document"),
    (b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR", "request", "not a text file, but a PNG picture"),
    (b"\xff\xd8\xff\xe0\0\x10JFIF", "request", "not a text file, but a JPEG picture"),
    (b"{\\rtf1\\ansi schema = 1}", "request", "not a text file, but a rich-text document"),
    (b"BEGIN:VCALENDAR\r\nEND:VCALENDAR\r\n", "request", "a calendar, not a request"),
    (b"<!DOCTYPE html><p>hello", "request, line 1, column 1", "not TOML"),
    (b"schema = 1\nstart = 16:30\n", "request, line 2, column 11", 'in quotes: "16:30"'),
    (b"schema = 1\nstart = 2027-02-04T09:00\n", "request, line 2, column 19", 'in quotes: "16:30"'),
    (b"schema = 1\nstart = 2027-02-30\n", "request, line 2, column 9", "no such date"),
    (b"schema = 1\nstart = 2027-13-02\n", "request, line 2, column 13", "no such date or time as 2027-13-02"),
    (b"start = 2027-01-32 # a day\n", "request, line 1, column 13", "no such date or time as 2027-01-32"),
    (b"start = 2027-02-30T09:00\n", "request, line 1, column 9", "no such date or time as 2027-02-30"),
    (b"start = 2027-01-05T25:00:00\n", "request, line 1, column 19", "no such date or time as 25:00:00"),
    (b"start = 24:00:00\n", "request, line 1, column 11", "no such date or time as 24:00:00"),
    (b'a = ["a\\"b", 2027-02-30, "c"]\n', "request, line 1, column 14", "there is no such date or time."),
    (b"start = 2027-1-05\n", "request, line 1, column 13", "two digits each"),
    (b"start = 2027-01-5\n", "request, line 1, column 13", "two digits each"),
    (b'title = "2027-13-02" 24:00:00x # 2027-13-02\n', "request, line 1, column 22", "24:00:00"),
    (b"start = 2027-01-05 10:00:00 x # 2027-13-02\n", "request, line 1, column 29", "Compare the line"),
    (b"schema = 1\nzone = UTC\n", "request, line 2, column 8", "Put text in double quotes"),
    (b"timed = True\n", "request, line 1, column 9", "small letters"),
    (b"schema = 1\nschema = 2\n", "request, line 2, column 11", "stands twice"),
    (b"[exam]\n[[exam]]\n", "request, line 2, column 7", "stands twice"),
    (b"schema = 1\nzone = [", "request, line 2, column 9", "not TOML"),
    (b"schema = 1\n???\n", "request, line 2, column 1", "Compare the line"),
    (b"a = " + b"[" * 100_000, "request", "nested far too deep"),
    (b"a = " + b"9" * 5_000, "request", "thousands of digits"),
    (b"schema = 1\n" + b"a." * 30_000 + b"a = 1\n", "request, line 2", "over 40 dots"),
    (b'{"schema": 1,\n "zone": }', "request, line 2, column 10", "not JSON: expecting value"),
    (b'{"schema": 1', "request, line 1, column 13", "not JSON"),
    (b'{"a": ' * 100_000, "request", "nested far too deep"),
    (b'{"a": ' + b"9" * 5_000 + b"}", "request", "thousands of digits"),
]


@pytest.mark.parametrize(
    ("document", "place", "phrase"), DOCUMENTS, ids=[d[2] + str(n) for n, d in enumerate(DOCUMENTS)]
)
def test_a_document_that_cannot_be_parsed_says_line_column_and_what_to_do(document, place, phrase):
    with pytest.raises(InvalidRequest) as caught:
        read(document)
    (problem,) = caught.value.problems
    assert problem.place == place
    assert phrase in f"{problem.sentence} {problem.remedy}"
    assert problem.sentence[-1] == problem.remedy[-1] == "."


def test_the_name_of_the_document_is_the_place_of_its_syntax_errors():
    with pytest.raises(InvalidRequest, match=r"^mine\.toml, line 1, column 4: this is not TOML"):
        read(b"a =", name="mine.toml")


def test_the_format_is_taken_from_the_argument_then_the_name_then_the_content():
    as_json = json.dumps(tomllib.loads(SMALL.decode())).encode()
    expected = read(SMALL)
    assert read(as_json) == read(as_json, name="x.json") == read(as_json, name="x.txt") == expected
    assert read(SMALL, name="x.TOML") == read(SMALL, name="x.json", format="toml") == expected
    for document, name, format in ((SMALL, "x.json", None), (as_json, "x.toml", None), (SMALL, "x.toml", "json")):
        with pytest.raises(InvalidRequest, match="this is not"):
            read(document, name=name, format=format)


def test_a_byte_order_mark_and_windows_line_ends_change_nothing():
    assert read(b"\xef\xbb\xbf" + SMALL.replace(b"\n", b"\r\n")) == read(SMALL)


def test_a_line_of_comment_may_be_full_of_dots():
    assert read(b"#" + b"." * 500 + b"\n" + SMALL) == read(SMALL)


def test_a_key_that_stands_twice_in_json_is_a_problem_beside_the_others():
    """RFC 8259 §4: names within an object should be unique; what readers do otherwise is unpredictable."""
    with pytest.raises(InvalidRequest) as caught:
        read(b'{"schema": 1, "zone": "UTC", "zone": "Nowhere", "exam": [{}], "study_hours": [{}]}', name="a.json")
    problems = caught.value.problems
    assert problems[0].place == "a.json"
    assert "“zone” stands 2 times" in problems[0].sentence
    assert len(problems) > 4


def test_nan_and_infinity_in_json_are_refused_at_their_place():
    """RFC 8259 §6 does not permit them; the standard library reads them."""
    for value in (b"NaN", b"Infinity", b"-Infinity", b"1e999"):
        document = json.dumps(changed("rates", {"quiz": 0})).encode().replace(b'"quiz": 0}', b'"quiz": ' + value + b"}")
        with pytest.raises(InvalidRequest, match="rates, quiz"):
            read(document)


def test_toml_times_and_dates_and_their_strings_mean_the_same():
    """TOML 1.0.0, "Local Date-Time", "Local Date" and "Local Time": with a T or a space between date and time."""
    written = SMALL.replace(b'"16:30"', b"16:30:00").replace(b'"18:00"', b"18:00:00.000")
    assert read(written.replace(b'"2027-02-04T09:00"', b"2027-02-04 09:00:00")) == read(SMALL)
    assert read(SMALL.replace(b"T09:00", b" 09:00:00")) == read(SMALL)


# ---------------------------------------------------------------------------------------- what is right


def test_dates_and_times_may_be_values_or_strings():
    typed = changed("start", date(2027, 1, 5))
    changed("exam.0.start", datetime(2027, 2, 4, 9), typed)
    changed("study_hours.0.start", time(16), typed)
    assert from_mapping(typed) == from_mapping(base())


def test_null_means_that_a_key_is_not_given():
    assert from_mapping(base() | {"title": None, "effort": None, "busy": None}) == from_mapping(base())


def test_a_whole_number_may_be_written_with_a_decimal_point():
    assert from_mapping(changed("exam.0.minutes", 120.0)) == from_mapping(base())


def test_what_is_not_given_has_the_defaults_of_the_model():
    request = read(SMALL)
    assert request == Request(zone="UTC", exams=request.exams, week=request.week)
    (exam,) = request.exams
    start = datetime(2027, 2, 4, 9)
    assert exam == Exam(key="exam-1", subject="A", start=start, minutes=60, materials=exam.materials, assumed=True)


def test_text_loses_line_breaks_control_characters_and_marks_that_turn_its_direction():
    request = from_mapping(base() | {"title": "  A\r\nBEGIN:VEVENT\t\x00b\u202e\u2066 "})
    assert request.title == "A BEGIN:VEVENT b"


def test_text_keeps_every_script_and_joined_emoji():
    title = "化学 ✕ Органика — नमस्ते \N{MAN}\N{ZERO WIDTH JOINER}\N{PERSONAL COMPUTER}"
    assert from_mapping(base() | {"title": title}).title == title


@pytest.mark.parametrize(
    ("words", "days"),
    [
        ("mon", (0,)),
        (["sun", "MON", " sun "], (0, 6)),
        ("weekdays", (0, 1, 2, 3, 4)),
        ("weekend", (5, 6)),
        ("daily", (0, 1, 2, 3, 4, 5, 6)),
        (["weekend", "fri"], (4, 5, 6)),
    ],
)
def test_days_of_the_week_are_words_or_lists_of_words(words, days):
    assert from_mapping(changed("study_hours.0.days", words)).week[0].days == tuple(Weekday(day) for day in days)


def test_the_day_words_name_the_days_that_the_standard_library_does():
    for day in Weekday:  # 4 January 2027 is the Monday of 2027-W01 (ISO 8601)
        assert date.fromisocalendar(2027, 1, day + 1).strftime("%a").lower() == day.name.lower()


def test_study_hours_may_pass_midnight_and_last_from_midnight_to_midnight():
    week = [{"days": "fri", "start": "22:00", "end": "01:00"}, {"days": "sat", "start": "00:00", "end": "00:00"}]
    assert [hours.end for hours in from_mapping(base() | {"study_hours": week}).week] == [time(1), time(0)]


def test_where_one_of_two_bounds_is_given_the_default_of_the_other_gives_way():
    def effort(**values: Any) -> Effort:
        return from_mapping(base() | {"effort": values}).effort

    assert effort() == Effort()
    assert (effort(limit=20).usual, effort(limit=20).limit) == (20, 20)
    assert (effort(usual=90).usual, effort(usual=90).limit) == (90, 90)
    assert (effort(usual=45).usual, effort(usual=45).limit) == (45, 60)
    assert (effort(longest=10).shortest, effort(shortest=50).longest) == (10, 50)


def test_a_subdivision_may_carry_its_country():
    """ISO 3166-2 writes US-IL; the part after the hyphen is the subdivision's own code."""
    for written in ("US-IL", "us-il", "IL"):
        holidays = from_mapping(base() | {"holidays": {"country": "us", "subdivision": written}}).holidays
        assert holidays == Holidays(country="US", subdivision="IL")


def test_a_day_off_is_one_day_or_a_stretch():
    days = [{"day": "2027-01-20"}, {"first": "2027-01-22", "last": "2027-01-24", "title": "Trip"}]
    one, some = from_mapping(base() | {"day_off": days}).days_off
    assert one == DayOff(first=date(2027, 1, 20), last=date(2027, 1, 20))
    assert some == DayOff(first=date(2027, 1, 22), last=date(2027, 1, 24), title="Trip")


def test_the_latest_day_of_an_exam_is_its_first_or_up_to_31_days_later():
    """February 2027 has 28 days: the 31st day after 5 February is 8 March."""
    for latest in ("2027-02-05", date(2027, 2, 9), "2027-03-08"):
        assert str(from_mapping(changed("exam.1.latest", latest)).exams[1].latest) == str(latest)
    assert from_mapping(base()).exams[1].latest is None


def test_mending_has_its_usual_values_where_nothing_is_said():
    assert from_mapping(base()).mending == from_mapping(base() | {"mending": {}}).mending == Mending()
    asked = from_mapping(base() | {"mending": {"grace": 0, "slow_days": 0}}).mending
    assert asked == Mending(grace=0, slow_days=0)


def test_a_short_day_is_a_date_and_its_minutes():
    written = [{"day": "2027-01-20", "minutes": 0}, {"day": date(2027, 1, 20), "minutes": 960}]
    days = from_mapping(base() | {"short_days": written}).short_days
    assert days == tuple(ShortDay(day=date(2027, 1, 20), minutes=minutes) for minutes in (0, 960))


def test_the_exams_day_is_judged_in_the_zone_of_the_plan():
    """09:00 on 6 January in Auckland (UTC+13) is 14:00 on 5 January in Chicago (UTC-6): the plan's first day."""
    exam = {"subject": "A", "start": "2027-01-06T09:00", "minutes": 60}
    assert from_mapping(changed("exam.1", exam))
    (problem,) = problems_of(changed("exam.1", exam | {"zone": "Pacific/Auckland"}))
    assert "the exam is on 2027-01-05" in problem.sentence


def test_every_zone_of_the_tz_database_is_known_and_can_be_loaded():
    names = set(tables._zones().values())
    for name in names:
        ZoneInfo(name)
    assert names <= available_timezones()
    assert {"Europe/London", "Pacific/Apia", "America/St_Johns", "UTC"} <= names


def test_appointments_may_touch_each_other():
    appointments = [{"title": "A", "start": f"2027-01-20T{at}", "minutes": 45} for at in ("16:45", "16:00")]
    assert len(from_mapping(base() | {"appointment": appointments}).appointments) == 2


def in_the_week(days: set[int], start: int, end: int) -> set[int]:
    """The minutes of a week that a stretch covers, one by one."""
    length = end - start if end > start else end - start + 1440
    return {(day * 1440 + start + minute) % (7 * 1440) for day in days for minute in range(length)}


@given(
    st.sets(st.integers(0, 6), min_size=1, max_size=2),
    st.integers(0, 1439),
    st.integers(0, 1439),
    st.integers(0, 6),
    st.integers(0, 1438),
    st.integers(1, 120),
)
def test_a_catch_up_stretch_is_accepted_just_where_it_shares_a_minute_with_the_study_hours(
    days, start, end, day, held, length
):
    end = (end + 1) % 1440 if end == start else end
    until = min(held + length, 1439)

    def clock(minute: int) -> str:
        return f"{minute // 60:02}:{minute % 60:02}"

    names = [name.name.lower() for name in Weekday]
    mapping = base() | {
        "study_hours": [{"days": [names[d] for d in days], "start": clock(start), "end": clock(end)}],
        "catch_up": {"day": names[day], "start": clock(held), "end": clock(until)},
    }
    if in_the_week(days, start, end) & in_the_week({day}, held, until):
        assert from_mapping(mapping).catch_up is not None
    else:
        assert "outside the study hours" in problems_of(mapping)[0].sentence


# --------------------------------------------------------------------------------------------- materials


def test_what_is_left_out_leaves_the_names_of_the_others_as_they_are():
    """By count, by piece and by the usual counts: a plan of a moment ago still knows every other piece."""
    for materials in ([{"kind": "homework", "count": 3}, {"kind": "quiz", "key": "q", "count": 2}], None):
        whole = exam_with(material=materials)
        out = [whole.materials[1].key, whole.materials[-1].key, whole.materials[1].key]
        less = exam_with(material=materials, leave_out=out)
        assert less.materials == tuple(one for one in whole.materials if one.key not in out)
        assert len(less.materials) == len(whole.materials) - 2
        assert less.assumed is whole.assumed


def test_fourteen_right_of_twenty_is_six_missed():
    assert [(m.missed, m.size) for m in exam_with({"kind": "test", "missed": "14/20"}).materials] == [(6, 20)]
    assert exam_with({"kind": "test", "missed": " 14 / 20 "}) == exam_with({"kind": "test", "missed": 6, "size": 20})


@given(st.integers(1, 1000), st.data())
def test_of_a_result_right_and_missed_make_up_the_size(size, data):
    right = data.draw(st.integers(0, size))
    (material,) = exam_with({"kind": "quiz", "missed": f"{right}/{size}"}).materials
    assert material.missed + right == material.size == size


def test_homework_quizzes_and_tests_by_count_become_numbered_pieces():
    made = exam_with({"kind": "homework", "count": 3, "answers": "worked"}, {"kind": "homework"}).materials
    assert [(m.key, m.title) for m in made] == [(f"chem.homework-{n}", f"Homework {n}") for n in (1, 2, 3, 4)]
    assert [m.answers for m in made] == [Answers.WORKED] * 3 + [Answers.ANSWERS]


def test_own_keys_and_titles_are_numbered_where_they_stand_for_many():
    made = exam_with({"kind": "quiz", "key": "pop", "title": "Pop quiz", "count": 2}, {"kind": "quiz", "key": "last"})
    assert [(m.key, m.title) for m in made.materials] == [
        ("pop-1", "Pop quiz 1"),
        ("pop-2", "Pop quiz 2"),
        ("last", "Quiz 3"),
    ]


def test_own_labels_name_the_pieces():
    made = exam_with({"kind": "test", "count": 2}, {"kind": "notes", "count": 9}, labels={"test": "Essay"})
    assert [m.title for m in made.materials] == ["Essay 1", "Essay 2", "Notes"]
    assert made.labels == {Kind.TEST: "Essay"}


def test_what_is_missed_by_count_is_missed_in_each_piece():
    made = exam_with({"kind": "quiz", "count": 3, "missed": "8/10"}).materials
    assert [(m.missed, m.size) for m in made] == [(2, 10)] * 3


def test_notes_and_practice_by_count_are_one_material_of_that_size():
    made = exam_with({"kind": "notes", "count": 26}, {"kind": "practice", "count": 90, "missed": 5}).materials
    assert [(m.title, m.size, m.missed) for m in made] == [("Notes", 26, None), ("Practice", 90, 5)]


def test_what_is_to_come_is_in_hand_from_its_day_and_has_not_been_missed():
    third = date(2027, 2, 3)
    made = exam_with({"kind": "homework", "count": 12, "missed": 2, "to_come": 6, "by": "2027-02-03"}).materials
    assert [m.in_hand for m in made] == [None] * 12 + [third] * 6
    assert [m.missed for m in made] == [2] * 12 + [None] * 6
    made = exam_with({"kind": "notes", "title": "Lectures", "count": 28, "to_come": 6, "by": third}).materials
    assert [(m.title, m.size, m.in_hand) for m in made] == [("Lectures 1", 28, None), ("Lectures 2", 6, third)]
    assert [m.size for m in exam_with({"kind": "notes", "to_come": 6, "by": third}).materials] == [6]


def test_a_count_of_none_adds_nothing():
    assert [m.kind for m in exam_with({"kind": "quiz", "count": 0}, {"kind": "test"}).materials] == [Kind.TEST]


@given(
    st.lists(st.tuples(st.sampled_from(KINDS), st.integers(0, 9), st.integers(0, 9)), min_size=1, max_size=8).filter(
        lambda rows: any(count + more for _, count, more in rows)
    )
)
def test_counts_are_kept_and_keys_are_unique(rows):
    """Pieces are counted in pieces, notes in class periods, practice in problems; nothing appears or gets lost."""
    written = [{"kind": kind, "count": n, "to_come": more, "by": "2027-01-20"} for kind, n, more in rows]
    made = exam_with(*written).materials
    asked = Counter[Kind]()
    for kind, count, more in rows:
        asked[kind] += count + more
    got = Counter[Kind]()
    for material in made:
        got[material.kind] += material.size if material.kind in (Kind.NOTES, Kind.PRACTICE) else 1
    assert +got == +asked
    assert len({material.key for material in made}) == len(made)


@pytest.mark.parametrize("scope", Scope)
def test_an_exam_without_material_assumes_the_usual_counts_for_its_scope(scope):
    mapping = changed("exam.0.material", ABSENT)
    exam = from_mapping(changed("exam.0.scope", scope.value, mapping)).exams[0]
    pieces = Counter(m.kind for m in exam.materials)
    sizes = {m.kind: m.size for m in exam.materials if m.size}
    usual = module.USUAL_COUNTS[scope]
    assert exam.assumed
    assert {kind: sizes.get(kind, pieces[kind]) for kind in KINDS} == usual
    assert all(m.missed is None for m in exam.materials)


def test_a_term_exam_draws_on_two_to_four_tests_and_a_year_on_two_terms():
    """Common practice, no source."""
    usual = module.USUAL_COUNTS
    assert 2 <= usual[Scope.TERM][Kind.TEST] <= 4
    assert all(usual[Scope.YEAR][kind] == 2 * usual[Scope.TERM][kind] for kind in KINDS)
    assert all(usual[Scope.UNIT][kind] < usual[Scope.TERM][kind] for kind in KINDS)


def test_a_thousand_materials_too_many_are_refused_before_they_are_made(monkeypatch):
    made = Counter[str]()
    build = module._named
    monkeypatch.setattr(module, "_named", lambda pieces, *rest: made.update(n=len(pieces)) or build(pieces, *rest))
    problems_of(changed("exam.0.material", [{"kind": "quiz", "count": 1000}] * 4000))
    assert made["n"] <= module.MOST_MATERIALS


# ----------------------------------------------------------------------------------------------- laws

SCALARS = (
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.text(max_size=12)
    | st.sampled_from(["mon", "14/20", "2027-02-04", "2027-02-04T09:00", "16:30", "UTC", "quiz", "US", "chem"])
    | st.dates()
    | st.times()
    | st.datetimes()
)
KEYS = st.text(max_size=5) | st.sampled_from(sorted({key for shape in TABLES.values() for key in shape.keys}))
PLAIN = st.recursive(
    SCALARS, lambda inner: st.lists(inner, max_size=4) | st.dictionaries(KEYS, inner, max_size=6), max_leaves=30
)


def outcome(mapping: Any) -> Request | tuple[Problem, ...]:
    try:
        return from_mapping(mapping)
    except InvalidRequest as invalid:
        return invalid.problems


@given(st.dictionaries(KEYS, PLAIN, max_size=8))
def test_any_mapping_is_a_request_or_invalid_and_the_same_each_time(mapping):
    result = outcome(mapping)
    assert result
    assert result == outcome(mapping)


def places_in(value: Any, way: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """Every place in a nest of lists and dictionaries."""
    inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    return [way, *(place for step, entry in inner for place in places_in(entry, (*way, step)))] if way or inner else []


FULL = json.loads((FIXTURES / "full-example.json").read_bytes())
PLACES = [place for place in places_in(FULL) if place]


@given(st.lists(st.tuples(st.sampled_from(PLACES), PLAIN), min_size=1, max_size=3))
def test_a_full_request_with_wild_values_in_it_is_a_request_or_invalid(changes):
    mapping = json.loads(json.dumps(FULL))
    for place, value in changes:
        inner = mapping
        try:
            for step in place[:-1]:
                inner = inner[step]
            inner[place[-1]] = value
        except (TypeError, LookupError):
            continue  # an earlier change has taken the place away
    result = outcome(mapping)
    if isinstance(result, Request):
        assert request_from_json(to_json(result)) == result
    else:
        assert all(problem.place and problem.sentence for problem in result)


@given(st.binary(max_size=300), st.sampled_from(["toml", "json", None]))
def test_any_bytes_are_a_request_or_invalid(document, format):
    with pytest.raises(InvalidRequest):
        read(document, format=format)


@given(st.integers(0, len(SMALL)), st.integers(0, 3), st.binary(max_size=6))
def test_a_request_with_bytes_put_in_or_taken_out_is_a_request_or_invalid(at, gone, put):
    document = SMALL[:at] + put + SMALL[at + gone :]
    try:
        result = read(document, format="toml")
    except InvalidRequest as invalid:
        result = invalid.problems
    assert result


# ---------------------------------------------------------------------------------------- the fixtures


@pytest.mark.parametrize("path", REQUESTS, ids=lambda path: path.stem)
def test_every_fixture_is_sound_and_the_same_as_json_and_after_a_round_trip(path):
    document = path.read_bytes()
    request = read(document, name=path.name)
    as_json = json.dumps(tomllib.loads(document.decode()), default=lambda value: value.isoformat()).encode()
    assert read(as_json, name="request.json") == request == read(document)
    assert request_from_json(to_json(request)) == request
    assert to_json(read(document)) == to_json(request)


def test_the_full_example_is_the_same_in_both_formats_and_uses_every_key():
    full = tomllib.loads((FIXTURES / "full-example.toml").read_text("utf-8"))
    assert read((FIXTURES / "full-example.json").read_bytes()) == from_mapping(full)
    for name, shape in TABLES.items():
        tables = [full]
        for step in name.split(".") if name != "request" else []:
            tables = [entry for table in tables for entry in each(table.get(step, []))]
        assert {key for table in tables for key in table} == set(shape.keys), name


def each(value: Any) -> list[dict[str, Any]]:
    return value if isinstance(value, list) else [value]


def test_every_fixture_and_calendar_has_a_line_on_its_origin():
    listed = set(re.findall(r"^\| (\S+\.(?:toml|json|ics)) \|", (FIXTURES / "README.md").read_text("utf-8"), re.M))
    for path in REQUESTS:
        assert path.name in listed
        assert {calendar.file for calendar in read(path.read_bytes()).calendars} <= listed
    assert {path.name for path in FIXTURES.glob("*.json")} <= listed


def counts(exam: Exam) -> dict[Kind, int]:
    """Pieces of each kind; class periods of notes and problems of practice."""
    total = Counter[Kind]()
    for material in exam.materials:
        total[material.kind] += material.size or 1 if material.kind in (Kind.NOTES, Kind.PRACTICE) else 1
    return dict(total)


@pytest.mark.parametrize("days", [30, 10, 3])
def test_the_chemistry_final_has_so_many_days_and_the_standing_counts(days):
    request = read((FIXTURES / f"chemistry-{days}.toml").read_bytes())
    (exam,) = request.exams
    assert (exam.start, f"{exam.start:%A}") == (datetime(2027, 2, 4, 9), "Thursday")
    assert (exam.start.date() - request.start).days == days
    assert counts(exam) == {Kind.HOMEWORK: 14, Kind.QUIZ: 5, Kind.NOTES: 26, Kind.TEST: 4, Kind.PRACTICE: 90}
    assert {(m.kind, m.missed, m.size) for m in exam.materials if m.missed} == {
        (Kind.QUIZ, 2, None),
        (Kind.TEST, 4, None),
    }
    assert {day for hours in request.week for day in hours.days} == set(Weekday)
    assert request.holidays == Holidays(country="US", subdivision="IL", use=HolidayUse.ORDINARY)
    assert (request.effort.usual, request.effort.limit, request.keep) == (30, 60, Keep.EVERYTHING)


def test_finals_week_holds_five_exams_from_monday_to_friday():
    request = read((FIXTURES / "finals-week.toml").read_bytes())
    assert [f"{exam.start:%a %d %b %Y}" for exam in request.exams] == [
        "Mon 07 Jun 2027",
        "Tue 08 Jun 2027",
        "Wed 09 Jun 2027",
        "Thu 10 Jun 2027",
        "Fri 11 Jun 2027",
    ]


# ------------------------------------------------------------------------------------- the documentation


@pytest.fixture(scope="module")
def section() -> str:
    """The part of README.md that documents the request."""
    found = re.search(r"^## The request\n(.*?)(?=^## |\Z)", (ROOT / "README.md").read_text("utf-8"), re.M | re.S)
    assert found, "README.md has no section “The request”"
    return found[1]


def rows(section: str, table: str) -> dict[str, list[str]]:
    """The rows of a documented table by key: meaning, values, default."""
    part = re.search(rf"^### `{re.escape(table)}`\n(.*?)(?=^### |\Z)", section, re.M | re.S)
    assert part, f"no heading for {table}"
    cells = [
        [cell.strip() for cell in line.strip("| ").split("|")] for line in part[1].splitlines() if line[:3] == "| `"
    ]
    return {key.strip("`"): rest for key, *rest in cells}


@pytest.mark.parametrize("table", TABLES)
def test_the_documented_keys_are_those_that_are_read(section, table):
    documented = rows(section, table)
    assert list(documented) == list(TABLES[table].keys)
    needed = {key for key, (_, _, default) in documented.items() if default == "needed"}
    assert needed == set(TABLES[table].needs)


@pytest.mark.parametrize("table", TABLES)
def test_the_documented_bounds_are_those_that_hold(section, table):
    """Both ends of "5 to 960" are read, and what lies just beyond them is not."""
    for key, (_, values, _) in rows(section, table).items():
        bounds = re.match(r"([\d.]+) to ([\d.]+)(?![\d.]| tables)", values)
        reader = TABLES[table].keys[key]
        if bounds:
            low, high = float(bounds[1]), float(bounds[2])
            reader(low)
            reader(high)
            for beyond in (low - 0.01 if low % 1 else low - 1, high + 1):
                with pytest.raises(tables.Wrong):
                    reader(beyond)
        longest = re.match(r"text, up to (\d+) characters", values)
        if longest:
            reader("x" * int(longest[1]))
            with pytest.raises(tables.Wrong):
                reader("x" * (int(longest[1]) + 1))


def test_the_documented_defaults_are_those_of_the_model(section):
    exam = Exam(key="x", subject="x", start=datetime(2027, 2, 4), minutes=1)
    for table, value in (("effort", Effort()), ("rates", Rates()), ("mending", Mending()), ("exam", exam)):
        for key, (_, _, default) in rows(section, table).items():
            if default == "needed" or key in ("key", "material", "leave_out", "late", "fixed_day"):
                continue
            real = getattr(value, key)
            if re.fullmatch(r"[\d.]+", default):
                assert float(default) == real, key
            elif default.startswith('`"'):
                assert default.strip('`"') == (real.isoformat("minutes") if isinstance(real, time) else real), key
            else:
                assert not real, key


def test_the_documented_usual_counts_are_those_that_are_assumed(section):
    for scope in Scope:
        row = re.search(rf"^\| {scope} \|(.*)\|$", section, re.M)
        assert row
        assert [int(cell) for cell in row[1].split("|")] == [module.USUAL_COUNTS[scope][kind] for kind in KINDS]


def test_the_documented_examples_are_read_and_the_long_one_is_the_fixture(section):
    short, long = re.findall(r"^```toml\n(.*?)^```", section, re.M | re.S)
    assert read(short.encode()).exams
    assert long == (FIXTURES / "full-example.toml").read_text("utf-8")


def test_the_documented_problems_are_what_is_really_said(section):
    mapping = changed("exam.0.material.1", {"kind": "quiz", "missed": 9, "size": 8})
    said = problems_of(changed("study_hours.0.days", "weekday", mapping))
    shown = re.search(r"^```text\n(.*?)^```", section, re.M | re.S)
    assert shown
    assert shown[1].splitlines() == [str(problem) for problem in said]


def test_the_documented_limits_are_the_named_ones(section):
    numbers = [f"{n:,}" for n in (documents.MOST_BYTES, module.MOST_MATERIALS, tables.MOST_ENTRIES)]
    numbers += [str(n) for n in (module.MOST_EXAMS, module.MOST_STRETCHES, module.MOST_CALENDARS)]
    numbers += [str(n) for n in (module.MOST_DAYS, documents.MOST_DOTS)]
    (limits,) = re.findall(r"^- A document has at most .*?(?=\n\n)", section, re.M | re.S)
    for number in numbers:
        assert re.search(rf"(?<![\d,]){number}(?![\d,])", limits), number


def test_problems_are_sorted_by_where_the_reader_meets_them():
    """Exams come before study hours, these before effort, and so on: the order of the documented tables."""
    mapping = {"schema": 1, "zone": "UTC"} | {
        key: "wrong" for key in TABLES["request"].keys if key not in ("schema", "zone", "title")
    }
    places = [problem.place for problem in problems_of(mapping)]
    order = list(TABLES["request"].keys)
    assert all(order.index(one) < order.index(next_one) for one, next_one in pairwise(places))
