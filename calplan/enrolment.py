"""A row of a roster and the courses become a request: what is common, then what the row says otherwise.

The request is a mapping as :mod:`calplan.request` reads it, so that a student can go on with it by hand. What is found
wrong with the request is told by the row's column.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from functools import lru_cache
from typing import TYPE_CHECKING, Any, NamedTuple, cast

from calplan.courses import STAND_INS, Courses, Section, request_of
from calplan.errors import InvalidRequest, Problem
from calplan.model import UNIT, Kind, Request
from calplan.request import from_mapping, meant
from calplan.roster import NEEDED, Row, wrong_reference
from calplan.tables import DAY_WORDS, Wrong, show

if TYPE_CHECKING:
    from calplan.model import Material


class Asked(NamedTuple):
    """What a row asks for: the request as written and as read, and the sections by course."""

    mapping: dict[str, Any]
    request: Request
    sections: dict[str, Section]


def asked_by(row: Row, courses: Courses) -> Asked:
    """What a row asks for. Raises :class:`InvalidRequest` with every problem of the row, by column."""
    problems = list(row.problems)
    cells = row.cells
    for column in NEEDED:
        if not cells.get(column) and not row.problems:
            problems.append(at(row, column, "this is missing.", "Every row needs it."))
    if row.reference and (wrong := wrong_reference(row.reference)):
        problems.append(at(row, "reference", *wrong))
    sections = sections_of(row, courses, problems)
    edits: dict[str, Any] = {}
    for column, read in READERS.items():
        if column in cells:
            try:
                edits[column] = read(cells[column])
            except Wrong as wrong_cell:
                problems.append(at(row, column, wrong_cell.sentence, wrong_cell.remedy))
    mapping = with_edits(request_of(courses, sections or any_section(courses)), edits)
    if sections:
        counted = [with_counts(row, exam, problems) for exam in mapping["exam"]]
        problems += unmarked(row, counted)
        mapping["exam"] = [with_missed(row, exam, problems) for exam in counted]
    request = None
    try:
        request = from_mapping(mapping)
    except InvalidRequest as wrong_request:
        told = {problem.place for problem in problems}
        found = [by_column(row, problem, mapping) for problem in wrong_request.problems]
        problems += [one for one in found if one.place not in told and (sections or ", column " in one.place)]
    if problems or request is None or not sections:
        raise InvalidRequest(tuple(dict.fromkeys(problems)))
    return Asked(mapping, request, sections)


def at(row: Row, column: str, sentence: str, remedy: str = "") -> Problem:
    """A problem of one cell. What was granted is not said again, as it is nobody's business who reads of the row."""
    if column in GRANTED:
        sentence, remedy = "this is not a percentage that can be granted.", GRANTED[column]
    return Problem(f"row {row.number}, column {column}", sentence, remedy)


def any_section(courses: Courses) -> dict[str, Section]:
    """A section to try a row's other cells with, where it names none that there is."""
    course = next(iter(courses.courses.values()))
    return {course.key: next(iter(course.sections.values()))}


# --------------------------------------------------------------------------------------------- courses, sections


def sections_of(row: Row, courses: Courses, problems: list[Problem]) -> dict[str, Section]:
    """The sections that a row names, by course; fewer where some are wrong."""
    found: dict[str, Section] = {}
    keys, named = parts(row.cells.get("course", "")), parts(row.cells.get("section", ""), keep_empty=True)
    if len(named) > len(keys):
        problems.append(at(row, "section", f"there are {len(named)} sections and {len(keys)} courses.", SAME_ORDER))
    for place, key in enumerate(keys):
        course = courses.courses.get(key)
        if course is None:
            known = ", ".join(list(courses.courses)[:10])
            problems.append(at(row, "course", f"there is no course {show(key)}.", f"The courses are {known}."))
            continue
        name = named[place] if place < len(named) else ""
        if not name and len(course.sections) == 1:
            name = next(iter(course.sections))
        section = course.sections.get(name)
        listed = ", ".join(list(course.sections)[:10])
        if key in found:
            problems.append(at(row, "course", f"{show(key)} stands twice.", "Keep one of them."))
        elif section is None:
            sentence = f"there is no section {show(name)} of {key}." if name else f"the section of {key} is missing."
            problems.append(at(row, "section", sentence, f"The sections are {listed}."))
        else:
            found[key] = section
    return found


SAME_ORDER = "Write them in the order of the courses, with semicolons between them."


def parts(cell: str, *, keep_empty: bool = False) -> list[str]:
    """The entries of a cell with semicolons."""
    entries = [one.strip() for one in cell.split(";")]
    return [one for one in entries if one or (keep_empty and cell.strip())]


# ---------------------------------------------------------------------------------------------------- the cells


def whole_number(cell: str) -> int:
    """A whole number as spreadsheets write it: 25, 25.0, 25%. With three digits after it, a dot may mean thousands."""
    found = re.fullmatch(r"([0-9]{1,9})(?:[.,]0{1,2})?\s*%?", cell)
    if not found:
        raise Wrong(f"{show(cell)} is not a whole number.", "Write digits alone, such as 25.")
    return int(found[1])


def pace(cell: str) -> int:
    """Minutes that work takes, in percent. Who writes 25 means a quarter more, and would get a quarter of the plan."""
    percent = whole_number(cell)
    if percent < LEAST_PACE:
        raise Wrong(f"{show(cell)} is less than half of the usual minutes.", GRANTED["pace"])
    return percent


CLOCK = r"[0-9]{1,2}:[0-9]{2}"


def clock(cell: str) -> str:
    """A time of day with two digits for its hour."""
    if not re.fullmatch(CLOCK, cell):
        raise Wrong(f"{show(cell)} is not a clock time.", "Write hours and minutes: 22:30.")
    return cell.rjust(5, "0")


def study_hours(cell: str) -> list[dict[str, Any]]:
    """Days with a stretch of hours, semicolons between them: ``weekdays 16:00-19:00; sat, sun 10:00-12:00``."""
    stretches = []
    for entry in parts(cell):
        found = re.fullmatch(rf"(.+?)\s+({CLOCK})\s*[-–]\s*({CLOCK})", entry)
        if not found:
            raise Wrong(f"{show(entry)} is not a day with hours.", "Write: weekdays 16:00-19:00; sat 10:00-12:00.")
        stretches.append({"days": days(found[1]), "start": clock(found[2]), "end": clock(found[3])})
    return stretches


def days(words: str) -> list[str]:
    """Days of the week as written: a word, words with commas, or from one day to another."""
    found: list[str] = []
    names = list(DAY_WORDS)[:7]
    for one in filter(None, re.split(r"[,+/ ]+", words.lower())):
        first, dash, last = one.partition("-")
        ends = first[:3], last[:3]
        if dash and all(end in names for end in ends):
            low, high = names.index(ends[0]), names.index(ends[1])
            found += [names[(low + n) % 7] for n in range((high - low) % 7 + 1)]
        elif one in DAY_WORDS:
            found.append(one)
        else:
            raise Wrong(f"{show(one)} is none of {', '.join(DAY_WORDS)}.", "Write: weekdays 16:00-19:00.")
    return found


def days_off(cell: str) -> list[dict[str, str]]:
    """Dates, and stretches of dates with two dots between first and last."""
    entries = []
    for entry in parts(cell):
        first, dots, last = (one.strip() for one in entry.partition(".."))
        if not all(re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", one) for one in ((first, last) if dots else (first,))):
            raise Wrong(f"{show(entry)} is not a date.", "Write: 2027-01-23; 2027-01-30..2027-01-31.")
        entries.append({"first": first, "last": last} if dots else {"day": first})
    return entries


def holidays(cell: str) -> dict[str, str]:
    """A country, or a country and a subdivision; nothing where there are to be none."""
    if cell.lower() == "none":
        return {}
    country, dash, subdivision = cell.partition("-")
    return {"country": country.strip(), **({"subdivision": subdivision.strip()} if dash else {})}


def calendars(cell: str) -> list[dict[str, str]]:
    """Names of files; none where there are to be none."""
    if cell.lower() == "none":
        return []
    names = parts(cell)
    for name in names:
        if not sound_name(name):
            raise Wrong(f"{show(name)} is not the name of a file beside the roster.", "Write the name alone: s-17.ics.")
    return [{"file": name} for name in names]


def sound_name(name: str) -> bool:
    """Whether a name leads to no other folder than the one that was handed over."""
    steps = name.split("/")
    return not (name.startswith("/") or "\\" in name or ":" in name or any(one in ("", ".", "..") for one in steps))


READERS: dict[str, Callable[[str], Any]] = {
    "zone": str,
    "study_hours": study_hours,
    **dict.fromkeys(("usual", "limit", "shortest", "longest", "rest", "extra_time"), whole_number),
    "pace": pace,
    "bedtime": clock,
    "waking": clock,
    "holidays": holidays,
    "calendar": calendars,
    "days_off": days_off,
    "keep": str.lower,
}

EFFORT = ("usual", "limit", "shortest", "longest", "rest", "bedtime", "waking")
GRANTED = {
    "extra_time": "Write digits alone, such as 25.",
    "pace": "Write digits alone: 100 as usual, 125 for a quarter more minutes.",
}
"""What is granted, and how it is written."""
LEAST_PACE = 50
"""Percent of the usual minutes: less is taken for what comes on top of them, and written wrongly."""


def with_edits(mapping: dict[str, Any], edits: Mapping[str, Any]) -> dict[str, Any]:
    """A request with what a row says otherwise. Days off are added to those of all."""
    made = {
        **mapping,
        **{key: edits[key] for key in ("zone", "study_hours", "holidays", "calendar", "keep") if key in edits},
    }
    effort = {key: edits[key] for key in EFFORT if key in edits}
    if effort:
        made["effort"] = giving_way(mapping.get("effort", {}), effort)
    if "days_off" in edits:
        made["day_off"] = [*mapping.get("day_off", ()), *edits["days_off"]]
    granted = {key: edits[key] for key in GRANTED if key in edits}
    made["exam"] = [{**exam, **granted} for exam in mapping["exam"]]
    return made


def giving_way(common: Mapping[str, Any], own: Mapping[str, Any]) -> dict[str, Any]:
    """The courses' effort with a row's own. What only the courses say of a pair gives way, as in a request."""
    made = {**common, **own}
    for less, more in (("usual", "limit"), ("shortest", "longest")):
        if (less in own) != (more in own) and less in made and more in made and UNIT <= made[more] < made[less]:
            made[more if less in own else less] = own[less if less in own else more]
    return made


# ---------------------------------------------------------------------------------------------------- materials


def marks_of(row: Row, mark: str, exam: str) -> dict[str, tuple[str, str]]:
    """What a row says under ``missed`` or ``count`` of one exam: column and cell, by what it is about.

    A column that names the exam wins over one that does not, whichever stands first.
    """
    found = {}
    prefix = f"{mark} {exam}."
    for column, cell in sorted(row.cells.items(), key=lambda one: one[0].startswith(prefix)):
        name, _, about = column.partition(" ")
        if name == mark:
            found[about.removeprefix(f"{exam}.")] = (column, cell)
    return found


def with_counts(row: Row, exam: dict[str, Any], problems: list[Problem]) -> dict[str, Any]:
    """An exam with the row's own counts in the place of the materials of their kinds."""
    counts = {}
    for kind, (column, cell) in marks_of(row, "count", exam["key"]).items():
        if kind in tuple(Kind):
            try:
                counts[Kind(kind)] = whole_number(cell)
            except Wrong as wrong:
                problems.append(at(row, column, wrong.sentence, wrong.remedy))
    if not counts:
        return exam
    tables = [one for one in exam.get("material") or () if one.get("kind") not in counts]
    made = {**exam, "material": [*tables, *({"kind": str(kind), "count": count} for kind, count in counts.items())]}
    return still_named(exam, made) if any(exam.get(name) for name in (*BY_DATE, "leave_out")) else made


BY_DATE = ("late", "fixed_day")
"""Lists of an exam that give dates to its materials, by their names; "leave_out" names materials too."""


def still_named(exam: Mapping[str, Any], own: dict[str, Any]) -> dict[str, Any]:
    """An exam with materials of the row's own, in which lists that name materials name only what the row has too."""
    known, there = (
        materials_of(bare({key: value for key, value in one.items() if key not in (*BY_DATE, "leave_out")}))
        for one in (exam, own)
    )
    keys = {one.key for one in there}
    made = dict(own)
    for name in BY_DATE:
        entries = []
        for entry in exam.get(name) or ():
            mine = [key for one in entry.get("material", ()) for key in meant(one, exam["key"], known) if key in keys]
            entries += [{**entry, "material": mine}] if mine else []
        made[name] = entries
    if own.get("leave_out"):
        made["leave_out"] = [key for key in own["leave_out"] if key in keys]
    return made


def with_missed(row: Row, exam: dict[str, Any], problems: list[Problem]) -> dict[str, Any]:
    """An exam with its materials one by one, and with what was missed of them, where the row says anything of that."""
    missed = marks_of(row, "missed", exam["key"])
    if not missed:
        return exam
    tables = []
    for material in materials_of(bare(exam)):
        table = written(material)
        names = (material.key, material.key.removeprefix(f"{exam['key']}."))
        column, cell = next((missed[name] for name in names if name in missed), ("", ""))
        if column:
            try:
                table["missed"] = cell if "/" in cell else whole_number(cell)
            except Wrong as wrong:
                problems.append(at(row, column, wrong.sentence, 'Write the problems missed, or "14/20".'))
        tables.append(table)
    if not tables:
        return exam
    made = {**exam, "material": tables}
    return still_named(exam, made) if exam.get("leave_out") else made  # what is left out has no table any more


def unmarked(row: Row, exams: Sequence[dict[str, Any]]) -> list[Problem]:
    """What a row says of materials that none of its exams has, as they stand before anything of it was missed."""
    columns = [column for column in row.cells if column.startswith(("missed ", "count "))]
    known = frozenset[str]().union(*(names_in(bare(exam)) for exam in exams)) if columns else frozenset()
    unreadable = any(not names_in(bare(exam)) for exam in exams)
    problems = []
    for column in columns:
        mark, _, about = column.partition(" ")
        if mark == "missed" and about not in known and not unreadable:
            problems.append(at(row, column, "no exam of this row has such a material.", "Leave the cell empty."))
        exam = about.rpartition(".")[0]
        if mark == "count" and exam and exam not in {one["key"] for one in exams}:
            problems.append(at(row, column, f"this row has no course {show(exam)}.", "Leave the cell empty."))
    return problems


@lru_cache(maxsize=512)
def names_in(exam: tuple[str, Any]) -> frozenset[str]:
    """The keys of an exam's materials, with and without its own key before them."""
    prefix = f"{thawed(exam)['key']}."
    keys = {one.key for one in materials_of(exam)}
    return frozenset(keys | {key.removeprefix(prefix) for key in keys} | {f"{prefix}{key}" for key in keys})


Frozen = tuple[tuple[str, Any], ...]


def frozen(value: Any) -> Any:
    """A written value that can be a key: tables and lists as tuples."""
    if isinstance(value, Mapping):
        return "table", tuple((key, frozen(one)) for key, one in value.items())
    if isinstance(value, list | tuple):
        return "list", tuple(frozen(one) for one in value)
    return "value", value


def thawed(value: tuple[str, Any]) -> Any:
    """What :func:`frozen` was given."""
    kind, inner = value
    if kind == "table":
        return {key: thawed(one) for key, one in inner}
    return [thawed(one) for one in inner] if kind == "list" else inner


def bare(exam: Mapping[str, Any]) -> tuple[str, Any]:
    """What decides an exam's materials, as a key: what was granted does not, and may be wrong by itself."""
    return cast("tuple[str, Any]", frozen({key: value for key, value in exam.items() if key not in GRANTED}))


@lru_cache(maxsize=512)
def materials_of(exam: tuple[str, Any]) -> tuple[Material, ...]:
    """The materials of an exam, one by one; none where it cannot be read, which is told elsewhere."""
    try:
        return from_mapping({"schema": 1, **STAND_INS, "exam": [{**thawed(exam), "zone": "UTC"}]}).exams[0].materials
    except InvalidRequest:
        return ()


def written(material: Material) -> dict[str, Any]:
    """A material as a table of a request; what is as usual is left out."""
    values = {name: getattr(material, name) for name in material.__struct_fields__}
    usual = dict(
        zip(material.__struct_fields__[-len(material.__struct_defaults__) :], material.__struct_defaults__, strict=True)
    )
    return {
        name: str(value) if name in ("kind", "answers", "in_hand") else value
        for name, value in values.items()
        if name not in usual or value != usual[name]
    }


# ------------------------------------------------------------------------------------------ what is wrong, where


def by_column(row: Row, problem: Problem, mapping: Mapping[str, Any]) -> Problem:
    """A problem of the request, or of a file that it names, at the row's column where it has one."""
    files = [one["file"] for one in mapping.get("calendar", ())] if "calendar" in row.cells else []
    place = problem.place.removeprefix("calendar ")
    if any(place == file or place.startswith(f"{file},") for file in files):
        return Problem(f"row {row.number}, column calendar, {place}", problem.sentence, problem.remedy)
    column = column_for(problem.path or tuple(problem.place.split(".")), row, mapping)
    if column:
        return at(row, column, problem.sentence, problem.remedy)
    return Problem(f"row {row.number}, {problem.place}", problem.sentence, problem.remedy)


def column_for(path: Sequence[str | int], row: Row, mapping: Mapping[str, Any]) -> str:
    """The column that wrote a place of the request; empty where the courses did, or nobody."""
    names = [str(one) for one in path]
    if not names:
        return ""
    if names[0] == "exam" and "material" in names and len(path) > 1:
        exam = mapping["exam"][int(names[1])]
        return material_column(row, exam, names)
    column = {"day_off": "days_off", "effort": names[-1], "exam": names[-1]}.get(names[0], names[0])
    if column in row.cells:
        return column
    missing = {"zone": "zone", "study_hours": "study_hours"}
    return missing.get(column, "")


def material_column(row: Row, exam: Mapping[str, Any], names: Sequence[str]) -> str:
    """The column that wrote a material, or what was missed of it."""
    place = names.index("material") + 1
    tables = exam.get("material") or ()
    if place >= len(names) or not names[place].isdigit() or int(names[place]) >= len(tables):
        return next((column for column in row.cells if column.startswith("count ")), "")
    table = tables[int(names[place])]
    short = str(table.get("key", "")).removeprefix(f"{exam['key']}.")
    candidates = (
        f"missed {exam['key']}.{short}",
        f"missed {short}",
        f"count {exam['key']}.{table.get('kind')}",
        f"count {table.get('kind')}",
    )
    return next((column for column in candidates if column in row.cells), "")
