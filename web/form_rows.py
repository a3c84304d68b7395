"""The rows of the form: how it begins, how rows come and go without scripts, and how files fill it.

All functions take fields and give new ones; nothing that was typed is lost. Files are named by the fields that
were sent (``exam-2-file``), so they are taken in before :func:`tidy` numbers rows anew.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import NamedTuple

from calplan.documents import parse
from calplan.errors import InvalidRequest, Problem
from calplan.request import MOST_CALENDARS, MOST_EXAMS, MOST_STRETCHES
from calplan.tables import Problems
from web import form_pieces
from web.form_drafts import DAYS, chosen, free_key, numbers
from web.form_filled import to_fields

MOST_APPOINTMENTS = 100
"""Rows of appointments; more of them can be said in an uploaded request."""
MOST_ROWS = {
    "exam": MOST_EXAMS,
    "hours": MOST_STRETCHES,
    "appointment": MOST_APPOINTMENTS,
    "calendar": MOST_CALENDARS,
}
LEAST_ROWS = {"exam": 1, "hours": 1, "appointment": 0, "calendar": 0}
STARTS = {"exam": "key", "hours": "start", "appointment": "title", "calendar": "name"}
"""The field by which a new row exists."""


class Acted(NamedTuple):
    """The fields after a button that changes rows, and the id of the element to look at."""

    fields: dict[str, str]
    anchor: str


def fresh() -> dict[str, str]:
    """An empty form with study hours that suit many: weekday evenings, and the middle of the weekend's days."""
    week = dict.fromkeys((f"hours-1-{day}" for day in DAYS[:5]), "yes")
    weekend = dict.fromkeys((f"hours-2-{day}" for day in DAYS[5:]), "yes")
    times = {"hours-1-start": "16:00", "hours-1-end": "21:00", "hours-2-start": "10:00", "hours-2-end": "17:00"}
    return tidy({"exam-1-scope": "term"} | week | weekend | times)


def counts(fields: Mapping[str, str]) -> dict[str, int]:
    """How many rows each list of a tidy form shows."""
    return {name: max(least, len(numbers(fields, name))) for name, least in LEAST_ROWS.items()}


def tidy(fields: Mapping[str, str]) -> dict[str, str]:
    """The same form with rows numbered through, a key for each exam, and ticked events among the chosen ones."""
    made = dict(fields)
    for number in numbers(made, "calendar"):
        only = chosen(made, number)
        made = {name: text for name, text in made.items() if not name.startswith(f"calendar-{number}-pick-")}
        if only:
            made[f"calendar-{number}-only"] = "\n".join(only)
    for name in MOST_ROWS:
        made = _numbered(made, name)
    taken = {made.get(f"exam-{number}-key", "").strip() for number in numbers(made, "exam")}
    for number in range(1, counts(made)["exam"] + 1):
        if not made.get(f"exam-{number}-key", "").strip():
            made[f"exam-{number}-key"] = free_key(taken, number)
            taken.add(made[f"exam-{number}-key"])
    return made


def _numbered(fields: Mapping[str, str], name: str) -> dict[str, str]:
    """The fields with one list's rows numbered from 1 without gaps."""
    new = {old: place for place, old in enumerate(numbers(fields, name), 1)}
    row = re.compile(rf"{name}-([1-9][0-9]{{0,3}})-(.*)", re.DOTALL)

    def renamed(field: str) -> str:
        found = row.fullmatch(field)
        return f"{name}-{new[int(found[1])]}-{found[2]}" if found else field

    return {renamed(field): text for field, text in fields.items()}


def act(fields: Mapping[str, str], action: str) -> Acted:
    """What a button of a list does to a tidy form: ``more-exam`` adds a row, ``less-exam-2`` takes one out.

    Any other action changes nothing.
    """
    found = re.fullmatch(rf"(more|less)-({'|'.join(MOST_ROWS)})(?:-([1-9][0-9]{{0,3}}))?", action)
    if not found:
        return Acted(dict(fields), "")
    way, name, number = found[1], found[2], int(found[3] or 0)
    if way == "less":
        kept = {field: text for field, text in fields.items() if not field.startswith(f"{name}-{number}-")}
        return Acted(tidy(kept), f"{name}-rows")
    rows = counts(fields)[name]
    if rows >= MOST_ROWS[name]:
        return Acted(dict(fields), f"{name}-{rows}")
    # The rows that are shown without a field of their own begin to exist, so that the new one comes behind them.
    begun = {f"{name}-{place}-{STARTS[name]}": "" for place in range(1, rows + 2)}
    return Acted(tidy(begun | dict(fields)), f"{name}-{rows + 1}")


# ----------------------------------------------------------------------------------------------------- files


def load(data: bytes, name: str) -> dict[str, str]:
    """The form filled with an uploaded request (TOML or JSON).

    Raises InvalidRequest where the file is no such document; what is wrong inside it, reading the form tells.
    """
    problems = Problems()
    mapping = parse(data, name, None, problems)
    if not isinstance(mapping, Mapping):
        problems.add(name, "this is no table of keys and values.", "Compare it with the example.")
    problems.raise_all()
    try:
        return tidy(to_fields(mapping if isinstance(mapping, Mapping) else {}))
    except RecursionError:
        problem = Problem(name, "tables or lists are nested far too deep.", "Compare it with the example.")
        raise InvalidRequest([problem]) from None


def add_pieces(fields: Mapping[str, str], number: int, data: bytes, name: str) -> dict[str, str]:
    """The form with the pieces of a CSV file below those typed for an exam. Raises stock.UnreadableList."""
    field = f"exam-{number}-pieces"
    typed = fields.get(field, "").rstrip()
    return {**fields, field: "\n".join(filter(None, (typed, form_pieces.read_csv(data, name))))}


def set_calendar(fields: Mapping[str, str], number: int | None, filename: str, token: str) -> dict[str, str]:
    """The form with an uploaded calendar, in the place of an earlier one or as one more.

    No two calendars of a form have the same name: a second "school.ics" becomes "school-2.ics".
    """
    rows = numbers(fields, "calendar")
    place = number if number is not None else max(rows, default=0) + 1
    taken = {fields.get(f"calendar-{row}-name", "") for row in rows if row != place}
    kept = {f"calendar-{place}-name": _free_name(filename, taken), f"calendar-{place}-upload": token}
    return {**fields, **kept}


def _free_name(filename: str, taken: set[str]) -> str:
    """A file's own name, without the folders before it and without what no name of a file may hold."""
    base = re.split(r"[/\\]", filename)[-1]
    clean = " ".join("".join(char if char.isprintable() else " " for char in base).split())[-80:] or "calendar.ics"
    stem, dot, ending = clean.rpartition(".")
    names = (f"{stem or ending}-{count}{dot if stem else ''}{ending if stem else ''}" for count in range(2, 10_000))
    return clean if clean not in taken else next(name for name in names if name not in taken)
