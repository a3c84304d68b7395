"""The form "Make a plan" and the mapping that :func:`calplan.request.from_mapping` reads, each made from the other.

The core alone judges values. Here is found out which field each of its problems belongs to, and what only a form can
get wrong (lines of a typed list that nobody can read) is added to them. :mod:`web.form_drafts` turns fields into a
mapping, :mod:`web.form_filled` a mapping into fields; :mod:`web.form_pieces` and :mod:`web.form_dates` read what is
typed line by line.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from typing import Any, NamedTuple

from calplan.errors import InvalidRequest, Problem
from calplan.model import KINDS, Request
from calplan.request import from_mapping
from calplan.tables import Path
from web.form_drafts import Draft, chosen, draft_of
from web.form_filled import to_fields

__all__ = ["Read", "chosen", "problems_by_field", "read_form", "to_fields", "to_mapping"]


class Read(NamedTuple):
    """A form as it was read.

    ``request`` is ``None`` where anything is wrong. ``by_field`` leads from the name of a field to its problems (""
    is the form as a whole); ``problems`` holds all of them in the order of the page. ``rest`` is what could be read of
    a wrong request nevertheless, as :class:`~calplan.errors.InvalidRequest` has it.
    """

    request: Request | None
    mapping: dict[str, Any]
    problems: tuple[Problem, ...]
    by_field: dict[str, list[Problem]]
    rest: Mapping[str, Any]


def read_form(fields: Mapping[str, str]) -> Read:
    """The request in a form, with every problem at its field."""
    draft = draft_of(fields)
    problems, rest, request = list(draft.own), dict[str, Any](), None
    try:
        request = from_mapping(draft.mapping)
    except InvalidRequest as invalid:
        problems += invalid.problems
        rest = dict(invalid.rest)
    led = _led(problems, draft)
    return Read(
        None if problems else request,
        draft.mapping,
        tuple(problem for _, problem in led),
        _by_field(led),
        rest,
    )


def to_mapping(fields: Mapping[str, str]) -> dict[str, Any]:
    """What the form says, as plain values for :func:`calplan.request.from_mapping`; never raises."""
    return draft_of(fields).mapping


def problems_by_field(problems: Iterable[Problem], fields: Mapping[str, str]) -> dict[str, list[Problem]]:
    """The problems by the names of the fields that they belong to, worded for the form; "" is the form as a whole."""
    return _by_field(_led(problems, draft_of(fields)))


def _by_field(led: Iterable[tuple[str, Problem]]) -> dict[str, list[Problem]]:
    made: dict[str, list[Problem]] = {}
    for field, problem in led:
        made.setdefault(field, []).append(problem)
    return made


def _led(problems: Iterable[Problem], draft: Draft) -> list[tuple[str, Problem]]:
    """Each problem with its field, worded for a form, in the order of the page."""
    led = []
    for problem in problems:
        field = _field(problem, draft)
        led.append((field, _worded(problem, field, draft)))
    return sorted(led, key=lambda one: _order(one[0]))


PLACES: dict[str, Path] = {
    "holidays.country": ("holidays", "country"),
    "holidays.subdivision": ("holidays", "subdivision"),
    "start": ("start",),
}
"""Where problems belong that carry no path: those that are found only when a plan is made."""


def _field(problem: Problem, draft: Draft) -> str:
    path = problem.path or PLACES.get(problem.place, ())
    if not path:
        names = {
            text.strip(): field for field, text in draft.fields.items() if re.match(r"calendar-[0-9]+-name", field)
        }
        found = names.get(problem.place) or names.get(problem.place.removeprefix("calendar "))
        return f"{found.removesuffix('name')}file" if found else ""
    if path[0] == "form":
        return str(path[1])
    ways = (path[:length] for length in range(len(path), 0, -1))
    field = next((draft.where[way] for way in ways if way in draft.where), "")
    if field.endswith("-day") and problem.sentence.startswith("the clocks in"):
        return field.removesuffix("day") + "hour"
    return field


def _worded(problem: Problem, field: str, draft: Draft) -> Problem:
    """The problem in the words of a form: a list's line as its place, and nothing about keys and quotation marks."""
    if field in ("", "more"):
        return problem
    place, sentence, remedy = problem.place, problem.sentence, problem.remedy
    path = problem.path
    spot = next((way for way in (path[:length] for length in range(len(path), 0, -1)) if way in draft.spots), None)
    if spot:
        place = ", ".join([draft.spots[spot], *map(str, path[len(spot) :])])
    place = place.replace("_", " ") if path else place
    if field.endswith(("-day", "-hour")) and path[-1:] == ("start",):
        sentence, remedy = _worded_start(sentence, remedy, field, draft)
    remedy = re.sub(r"^Add it, for example: (.*?)\.?$", r"For example: \1.", remedy)
    remedy = re.sub(r"\b[a-z_]+ = \"?([^\",]+?)\"?(?=\.?$|,)", r"\1", remedy)
    remedy = re.sub(r", (no|without) quotes|( in quotes)(?=:)", "", remedy)
    remedy = re.sub(r"([0-9]{4}-[0-9]{2}-[0-9]{2})T([0-9]{2}:[0-9]{2})", r"\1 \2", remedy)
    return Problem(place, sentence, remedy, path)


def _worded_start(sentence: str, remedy: str, field: str, draft: Draft) -> tuple[str, str]:
    """What is wrong with a start of which day or hour alone is missing."""
    prefix = re.sub(r"(day|hour)$", "", field)
    if draft.text(f"{prefix}day") and not draft.text(f"{prefix}hour"):
        return "the hour is missing.", "For example: 09:00."
    if draft.text(f"{prefix}hour") and not draft.text(f"{prefix}day"):
        return "the day is missing.", "For example: 2027-02-04."
    if sentence == "this is missing.":
        return "day and hour are missing.", "For example: 2027-02-04, 09:00."
    return sentence, remedy


SECTIONS = (
    "",
    "zone",
    "exam",
    "material",
    "hours",
    "effort",
    "catch_up",
    "appointment",
    "calendar",
    "busy",
    "days_off",
    "short_days",
    "holidays",
    "title",
    "start",
    "keep",
    "mending",
    "more",
)
"""The order of the page."""
OF_MATERIAL = re.compile(rf"exam-[0-9]+-(({'|'.join(KINDS)})-|pieces)")


def _order(field: str) -> tuple[int, int]:
    found = re.match(r"([a-z_]+)(?:-([0-9]+))?", field)
    section, number = (found[1], int(found[2] or 0)) if found else ("", 0)
    if OF_MATERIAL.match(field):
        section = "material"
    return (SECTIONS.index(section) if section in SECTIONS else len(SECTIONS)), number
