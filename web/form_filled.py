"""A request on its way into the form: a mapping becomes fields, and TOML for what has no field."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import Any, NamedTuple

from calplan.model import KINDS, SCHEMA
from calplan.request import (
    APPOINTMENT,
    BUSY,
    CALENDAR,
    CATCH_UP,
    DAY_OFF,
    EFFORT,
    EXAM,
    HOLIDAYS,
    LABELS,
    MATERIAL,
    MENDING,
    OWN_HOLIDAY,
    REQUEST,
    SHORT_DAYS,
    STUDY_HOURS,
    TABLES,
)
from calplan.tables import Shape
from web import form_dates
from web.form_cells import Line, plain
from web.form_drafts import BY_DAY, COUNT_KEYS, EXAM_KEYS, TOP, Draft, appointments, calendars, exams, hours
from web.form_pieces import write_piece
from web.form_toml import write_toml


def to_fields(mapping: Mapping[str, Any]) -> dict[str, str]:
    """The form filled with a request's mapping; what has no field goes into ``more`` as TOML.

    A list goes into its rows as a whole or not at all, so that its order holds. Whether a section reads back as
    what it was is tried out here, not hoped for.
    """
    rest = {key: found for key, found in mapping.items() if found is not None}
    fields: dict[str, str] = {}
    if rest.get("schema") == SCHEMA and rest["schema"] is not True:
        del rest["schema"]
    _take(rest, fields, REQUEST, TOP, "")
    for key, section in LISTS.items():
        made = section.written(rest[key]) if isinstance(rest.get(key), list | tuple) else None
        if made is not None:
            fields |= made
            del rest[key]
    for key, shape in (("effort", EFFORT), ("holidays", HOLIDAYS), ("catch_up", CATCH_UP), ("mending", MENDING)):
        if isinstance(rest.get(key), Mapping):
            rest[key] = inner = {name: found for name, found in rest[key].items() if found is not None}
            if key == "holidays":
                _take_own(inner, fields)
            _take(inner, fields, shape, [name for name in shape.keys if name != "own"], f"{key}-")
            if not inner and (mapping[key] or key != "catch_up"):
                del rest[key]
    more = write_toml(rest)
    return {name: text for name, text in (fields | {"more": more}).items() if text}


def _take(rest: dict[str, Any], fields: dict[str, str], shape: Shape, keys: Iterable[str], prefix: str) -> None:
    """Moves single values into fields, as far as fields can hold them."""
    for key in keys:
        made = plain(shape, {key: rest.get(key)})
        if made is not None and isinstance(made.get(key, ""), str):
            fields[prefix + key] = made.get(key, "")
            rest.pop(key, None)


def _take_own(holidays: dict[str, Any], fields: dict[str, str]) -> None:
    own = holidays.get("own")
    tables = _all_plain(OWN_HOLIDAY, own) if isinstance(own, list | tuple) else None
    if tables is not None:
        text = "\n".join(map(form_dates.write_holiday, tables))
        if [line.table for line in form_dates.read_holidays(text)] == tables:
            fields["holidays-own"] = text
            del holidays["own"]


def _all_plain(shape: Shape, found: object) -> list[dict[str, Any]] | None:
    """All tables of a list in one spelling, or ``None`` where one of them has none."""
    entries = found if isinstance(found, list | tuple) else ()
    made = [plain(shape, entry) if isinstance(entry, Mapping) else None for entry in entries]
    return None if None in made else [one for one in made if one is not None]


class Section(NamedTuple):
    """A list of the request: how it is spelled, written into fields and read from them."""

    spelled: Callable[[Any], list[dict[str, Any]] | None]
    write: Callable[[list[dict[str, Any]]], dict[str, str]]
    read: Callable[[Draft], list[dict[str, Any]]]

    def written(self, found: Any) -> dict[str, str] | None:
        """The fields, or ``None`` where they would not read back as the same list."""
        tables = self.spelled(found)
        if tables is None:
            return None
        fields = self.write(tables)
        return fields if self.spelled(self.read(Draft(fields))) == tables else None


def _spell_exams(found: Any) -> list[dict[str, Any]] | None:
    made = []
    for exam in found:
        own = plain(EXAM, exam, nested=("labels", "material", *BY_DAY)) if isinstance(exam, Mapping) else None
        labels = (exam.get("labels") or {}) if own is not None else {}
        named = plain(LABELS, labels) if isinstance(labels, Mapping) else None
        materials = exam.get("material") if own is not None else None
        pieces = _all_plain(MATERIAL, materials) if isinstance(materials, list | tuple | None) else None
        by_day = {key: _spell_by_day(key, exam.get(key)) if own is not None else None for key in BY_DAY}
        if own is None or named is None or pieces is None or None in by_day.values() or materials in ([], ()):
            return None
        lists = {"labels": named, "material": pieces, **by_day}
        made.append(own | {key: found for key, found in lists.items() if found})
    return made


def _spell_by_day(key: str, found: Any) -> list[dict[str, Any]] | None:
    return _all_plain(TABLES[f"exam.{key}"], found) if isinstance(found, list | tuple | None) else None


def _write_exams(tables: list[dict[str, Any]]) -> dict[str, str]:
    fields: dict[str, str] = {}
    for number, exam in enumerate(tables, 1):
        prefix = f"exam-{number}-"
        fields |= {prefix + key: text for key, text in exam.items() if key in EXAM_KEYS}
        fields |= _write_moment(exam, prefix)
        fields |= {f"{prefix}labels-{kind}": label for kind, label in exam.get("labels", {}).items()}
        fields |= _write_materials(exam.get("material", []), prefix)
        fields |= {f"{prefix}leave_out": "\n".join(exam.get("leave_out", ()))}
        for key, (field, day, _) in BY_DAY.items():
            fields[prefix + field] = "\n".join(form_dates.write_named(one, day) for one in exam.get(key, ()))
    return fields


def _write_moment(table: Mapping[str, Any], prefix: str) -> dict[str, str]:
    day, _, hour = table.get("start", "").partition("T")
    return {f"{prefix}day": day, f"{prefix}hour": hour}


def _write_materials(materials: list[dict[str, Any]], prefix: str) -> dict[str, str]:
    """The rows of the table as long as they come in the order of turn and each kind once, lines from there on."""
    kinds: list[str] = [kind.value for kind in KINDS]
    fields: dict[str, str] = {}
    place, turn = 0, -1
    for place, piece in enumerate([*materials, {}]):  # noqa: B007
        kind, cells = piece.get("kind"), {key: text for key, text in piece.items() if key != "kind"}
        simple = cells.keys() <= set(COUNT_KEYS) and cells.keys() & {"count", "to_come"}
        if not simple or kind not in kinds or kinds.index(kind) <= turn:
            break
        turn = kinds.index(kind)
        fields |= {f"{prefix}{kind}-{key}": text for key, text in cells.items()}
    return fields | {f"{prefix}pieces": "\n".join(map(write_piece, materials[place:]))}


def _write_hours(stretches: list[dict[str, Any]]) -> dict[str, str]:
    fields: dict[str, str] = {}
    for number, stretch in enumerate(stretches, 1):
        prefix = f"hours-{number}-"
        days = stretch.get("days", ())
        fields |= {prefix + day: "yes" for day in days if not isinstance(days, str)}
        fields |= {prefix + key: text for key, text in stretch.items() if key != "days"}
    return fields


def _write_appointments(tables: list[dict[str, Any]]) -> dict[str, str]:
    fields: dict[str, str] = {}
    for number, table in enumerate(tables, 1):
        prefix = f"appointment-{number}-"
        fields |= {prefix + key: text for key, text in table.items() if key != "start"}
        fields |= _write_moment(table, prefix)
    return fields


def _write_calendars(tables: list[dict[str, Any]]) -> dict[str, str]:
    fields: dict[str, str] = {}
    for number, table in enumerate(tables, 1):
        prefix, only = f"calendar-{number}-", table.get("only", ())
        fields |= {f"{prefix}name": table.get("file", ""), f"{prefix}all_day": table.get("all_day", "")}
        if only and not isinstance(only, str):
            fields |= {f"{prefix}which": "only", f"{prefix}only": "\n".join(only)}
    return fields


def _spell_days_off(found: Any) -> list[dict[str, Any]] | None:
    """Days off, single ones as a first and a last day."""
    tables = _all_plain(DAY_OFF, found)
    for table in tables or ():
        if "day" in table and not table.keys() & {"first", "last"}:
            table["first"] = table["last"] = table.pop("day")
    return tables


def _lines_of(
    field: str, write: Callable[[Mapping[str, Any]], str]
) -> Callable[[list[dict[str, Any]]], dict[str, str]]:
    return lambda tables: {field: "\n".join(map(write, tables))}


def _tables(read: Callable[[str], list[Line]], field: str) -> Callable[[Draft], list[dict[str, Any]]]:
    return lambda draft: [line.table or {} for line in read(draft.text(field))]


LISTS = {
    "exam": Section(_spell_exams, _write_exams, exams),
    "study_hours": Section(lambda found: _all_plain(STUDY_HOURS, found), _write_hours, hours),
    "appointment": Section(lambda found: _all_plain(APPOINTMENT, found), _write_appointments, appointments),
    "calendar": Section(lambda found: _all_plain(CALENDAR, found), _write_calendars, calendars),
    "busy": Section(
        lambda found: _all_plain(BUSY, found),
        _lines_of("busy", form_dates.write_busy),
        _tables(form_dates.read_busy, "busy"),
    ),
    "day_off": Section(
        _spell_days_off,
        _lines_of("days_off", form_dates.write_days_off),
        _tables(form_dates.read_days_off, "days_off"),
    ),
    "short_days": Section(
        lambda found: _all_plain(SHORT_DAYS, found),
        _lines_of("short_days", form_dates.write_short_day),
        _tables(form_dates.read_short_days, "short_days"),
    ),
}
"""The lists of the request that have rows or lines in the form."""
