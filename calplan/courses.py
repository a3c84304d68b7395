"""The courses of a cohort: what many students have in common, as one document of TOML or JSON.

A courses document is a request with holes. Its outer tables (zone, study hours, effort, holidays, busy calendars, days
off) hold for every student of whom the roster says nothing else; each ``[[course]]`` is an exam without its hour; each
``[[course.section]]`` of it says when that exam is for some of the students. What :mod:`calplan.request` knows of these
tables is not said twice: every section is tried as a request, and what is wrong with it is told with its place.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import date, time
from hashlib import sha256
from typing import Any, NamedTuple

from calplan.documents import parse
from calplan.errors import InvalidRequest, Problem
from calplan.model import SCHEMA, Weekday
from calplan.request import APPOINTMENT, EXAM, REQUEST, from_mapping
from calplan.tables import Problems, Shape, Table, Wrong, flag, listed, short_key, text, the_day, weekdays

MOST_COURSES = 200
MOST_SECTIONS = 500

COURSES = Shape(
    {
        **{key: reader for key, reader in REQUEST.keys.items() if key not in ("exam", "appointment", "title")},
        "course": listed(MOST_COURSES),
    },
    needs={"schema": f"schema = {SCHEMA}", "course": "[[course]] with key, subject and minutes."},
)
COURSE = Shape(
    {
        **{key: reader for key, reader in EXAM.keys.items() if key not in ("start", "latest")},
        "section": listed(MOST_SECTIONS),
        "appointment": listed(MOST_SECTIONS),
    },
    needs={
        "key": 'key = "chemistry"',
        "subject": EXAM.needs["subject"],
        "section": "[[course.section]] with key and start.",
    },
)
SECTION = Shape(
    {
        "key": short_key,
        "teacher": text(80, blank=False),
        "together": flag,
        "together_on": weekdays,
        **{
            key: EXAM.keys[key]
            for key in ("start", "latest", "minutes", "zone", "place", "timed_paper", "late", "fixed_day")
        },
    },
    needs={"key": 'key = "A"', "start": EXAM.needs["start"]},
)
MEETING = Shape({**APPOINTMENT.keys, "section": short_key}, needs=APPOINTMENT.needs)

STAND_INS: Mapping[str, Any] = {
    "zone": "UTC",
    "study_hours": [{"days": "daily", "start": "00:00", "end": "00:00"}],
}
"""What a section is tried with where the document leaves it to the roster."""


class Section(NamedTuple):
    """Some students of a course: who teaches them, their exam as written, and their appointments as written.

    Those who are ``together`` do the same on the same days, on ``days`` of the week (empty: on all).
    """

    key: str
    teacher: str
    exam: dict[str, Any]
    appointments: tuple[dict[str, Any], ...]
    together: bool = False
    days: tuple[str, ...] = ()


class Course(NamedTuple):
    """A course with its sections by key, in the order of the document."""

    key: str
    subject: str
    sections: dict[str, Section]


class Courses(NamedTuple):
    """What all students have in common, as written, and the courses by key. ``digest`` tells documents apart."""

    base: dict[str, Any]
    courses: dict[str, Course]
    digest: str


def read_courses(document: bytes, *, name: str = "courses") -> Courses:
    """The courses in a document of UTF-8 text. Raises :class:`InvalidRequest` with every problem of it."""
    problems = Problems()
    table = Table(plain(parse(document, name, None, problems)), "", COURSES, problems)
    courses: dict[str, Course] = {}
    for one in table.tables("course", COURSE, "subject"):
        course = _course(one)
        if course is not None and course.key in courses:
            one.wrong(
                "key", f"“{course.key}” is the key of an earlier course too.", "Give each course a key of its own."
            )
        elif course is not None:
            courses[course.key] = course
    if table.has("course") and not table.values["course"]:
        table.wrong("course", "this list is empty.", f"Add {COURSES.needs['course']}")
    base = {key: value for key, value in table.raw.items() if key in REQUEST.keys}
    made = Courses(base, courses, sha256(document).hexdigest())
    known = {(problem.path[-1:], problem.sentence) for problem in problems.found}
    for problem in _tried(made):
        if (problem.path[-1:], problem.sentence) not in known:
            problems.add(problem.place, problem.sentence, problem.remedy, problem.path)
    problems.raise_all()
    return made


def plain(value: object) -> object:
    """What was written, with dates and times as text, so that it can be kept as JSON."""
    match value:
        case dict():
            return {key: plain(one) for key, one in value.items()}
        case list():
            return [plain(one) for one in value]
        case date() | time():
            return value.isoformat()
    return value


def _course(table: Table) -> Course | None:
    """A course with its sections, where enough of it is right."""
    meetings = [(one.get("section"), dict(one.raw)) for one in table.tables("appointment", MEETING, "title")]
    common = {key: value for key, value in table.raw.items() if key in EXAM.keys}
    sections: dict[str, Section] = {}
    if table.has("section") and not table.values["section"]:
        table.wrong("section", "this list is empty.", f"Add {COURSE.needs['section']}")
    for one in table.tables("section", SECTION, "key"):
        if not one.complete or not table.has("key"):
            continue
        key = one.values["key"]
        if key in sections:
            one.wrong("key", f"“{key}” is the key of an earlier section too.", "Give each section a key of its own.")
            continue
        if "minutes" not in common and one.lacks("minutes"):
            one.wrong("minutes", "this is missing.", "Add it here or to the course, for example: minutes = 120")
            continue
        exam = common | {name: value for name, value in one.raw.items() if name in EXAM.keys and name != "key"}
        mine = tuple(
            {name: value for name, value in meeting.items() if name != "section"} | {"exam": table.values["key"]}
            for section, meeting in meetings
            if section in (None, key)
        )
        _check_days(one, exam)
        days = tuple(day.name.lower() for day in one.get("together_on", ()))
        together = one.get("together", bool(days))
        sections[key] = Section(key, one.get("teacher", ""), exam, mine, together, days)
    for section, _ in meetings:
        if section is not None and section not in sections:
            table.wrong("appointment", f"there is no section “{section}”.", "Correct it, or leave section out for all.")
    return Course(table.values["key"], table.values["subject"], sections) if table.complete else None


def _check_days(section: Table, exam: Mapping[str, Any]) -> None:
    """What is fixed for a section's days lies on days of the week on which it does things together."""
    together = section.get("together_on", ())
    for entry in exam.get("fixed_day") or () if together else ():
        try:
            day = the_day(entry.get("day") if isinstance(entry, Mapping) else None)
        except Wrong:
            continue  # told when the section is tried as a request
        if day.weekday() not in together:
            names = ", ".join(one.name.lower() for one in together)
            sentence = f"something is fixed for {day}, a {Weekday(day.weekday()).name.lower()}; the days are {names}."
            section.wrong("together_on", sentence, "Add that day of the week, or fix it for another date.")


def _tried(courses: Courses) -> Iterable[Problem]:
    """Tries every section as a request of its own: what is wrong with them, each thing once."""
    found: dict[tuple[str, str], Problem] = {}
    for course in courses.courses.values():
        for section in course.sections.values():
            for key in ("zone", "study_hours"):
                if section.together and key not in courses.base:
                    place = f"course {course.key}, section {section.key}, together"
                    found[place, key] = Problem(
                        place, f"the courses do not say the {key} of all.", f"Add {key} on top."
                    )
            mapping = {**STAND_INS, **request_of(courses, {course.key: section})}
            try:
                from_mapping(mapping)
            except InvalidRequest as wrong:
                for problem in wrong.problems:
                    own = problem.path[:1] in (("exam",), ("appointment",))
                    place = f"course {course.key}, section {section.key}, {problem.place}" if own else problem.place
                    known = found.setdefault((problem.place, problem.sentence), problem)
                    if known is problem:
                        told = Problem(place, problem.sentence, problem.remedy, problem.path)
                        found[problem.place, problem.sentence] = told
    return found.values()


def request_of(courses: Courses, sections: Mapping[str, Section]) -> dict[str, Any]:
    """The request, as it would be written, of a student who sits the exams of these sections, by course."""
    exams = [section.exam for section in sections.values()]
    meetings = [dict(one) for section in sections.values() for one in section.appointments]
    return {**courses.base, "exam": exams, **({"appointment": meetings} if meetings else {})}
