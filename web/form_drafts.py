"""The form on its way to a request: fields become a mapping that remembers where each part of it comes from.

Fields are flat: ``zone``, ``exam-2-subject``, ``hours-1-start``, ``effort-usual``; rows count from 1 and may have gaps.
A row in which nothing is typed is no row. What the form has no field for stands as TOML in ``more``.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import date, time
from typing import Any

from calplan.documents import parse
from calplan.errors import InvalidRequest, Problem
from calplan.model import KINDS, SCHEMA, Weekday
from calplan.request import CATCH_UP, EFFORT, EXAM, LABELS, MENDING
from calplan.tables import Path, Problems, Wrong, the_day, the_time
from web import form_dates
from web.form_cells import MOST_CHARACTERS, NO, Line, clock, lines, value
from web.form_pieces import read_pieces

DAYS = tuple(day.name.lower() for day in Weekday)
TOP = ("zone", "title", "start", "keep")
EXAM_KEYS = tuple(
    key for key in EXAM.keys if key not in ("start", "labels", "material", "leave_out", "late", "fixed_day")
)
BY_DAY = {"late": ("late", "in_hand", "late material"), "fixed_day": ("fixed_days", "day", "fixed days")}
"""Lists of an exam that give days to its pieces: the field of each, the day's key, and what its lines are called."""
COUNT_KEYS = ("count", "missed", "answers", "to_come", "by")
"""The cells of a kind's row in the material table."""

PASSIVE = {
    "exam": {"key", "scope", *(f"{kind}-answers" for kind in KINDS)},
    "hours": set[str](),
    "appointment": {"exam"},
    "calendar": {"all_day", "which", "only", "file"},
}
"""The lists of rows, each with the fields that alone do not make a row, since they hold something anyway."""


class Draft:
    """A mapping in the making, which remembers the field that each part of it comes from.

    ``where`` leads from a path of the mapping to a field, ``spots`` to the line of a typed list. ``own`` are the
    problems that the core cannot see, since what they are about is not in the mapping.
    """

    def __init__(self, fields: Mapping[str, str]) -> None:
        self.fields = fields
        self.mapping: dict[str, Any] = {"schema": SCHEMA}
        self.where: dict[Path, str] = {}
        self.spots: dict[Path, str] = {}
        self.own: list[Problem] = []
        for name, text in fields.items():
            if len(text) > MOST_CHARACTERS:
                sentence = f"this has {len(text)} characters."
                self.wrong(name, name, sentence, f"A field holds at most {MOST_CHARACTERS}.")

    def text(self, field: str) -> str:
        """What is typed in a field, without the spaces around it; nothing for far too much."""
        text = self.fields.get(field, "")
        return text.strip() if len(text) <= MOST_CHARACTERS else ""

    def ticked(self, field: str) -> bool:
        return self.text(field).lower() not in ("", *NO)

    def wrong(self, place: str, field: str, sentence: str, remedy: str = "") -> None:
        self.own.append(Problem(place, sentence, remedy, ("form", field)))

    def table(self, path: Path, prefix: str, keys: Iterable[str]) -> dict[str, Any]:
        """The table whose keys are typed in the fields of their names, under a prefix."""
        made = {}
        for key in keys:
            self.where[*path, key] = prefix + key
            text = self.text(prefix + key)
            read = value(key, clock(text) if key in CLOCKS else text)
            if read is not None:
                made[key] = read
        return made

    def moment(self, table: dict[str, Any], path: Path, prefix: str, rather: str) -> None:
        """The start in two fields, day and hour; ``rather`` is the one that a sound start's problems belong to."""
        day, hour = self.text(f"{prefix}day"), clock(self.text(f"{prefix}hour"))
        if day or hour:
            table["start"] = f"{day}T{hour}" if hour else day
        sound = _reads(the_day, day), _reads(the_time, hour)
        self.where[*path, "start"] = prefix + ("day" if not sound[0] else "hour" if not sound[1] else rather)

    def rows(self, name: str) -> list[int]:
        """The numbers of the rows in which something is typed, in order."""
        row = re.compile(rf"{name}-([1-9][0-9]{{0,3}})-(.+)")
        found = {
            int(match[1])
            for field, text in self.fields.items()
            if text.strip() and (match := row.fullmatch(field)) and match[2] not in PASSIVE[name]
        }
        return sorted(found)

    def listed(self, path: Path, field: str, called: str, read: Sequence[Line]) -> list[dict[str, Any]]:
        """The tables of a typed list, behind those that have fields; lines that nobody can read become problems."""
        before = sum(1 for other in self.where if other[:-1] == path and isinstance(other[-1], int))
        made: list[dict[str, Any]] = []
        for line in read:
            if line.table is None:
                self.wrong(f"{called}, line {line.number}", field, line.sentence, line.remedy)
            else:
                here = (*path, before + len(made))
                self.where[here], self.spots[here] = field, f"{called}, line {line.number}"
                made.append(line.table)
        return made


CLOCKS = {"start", "end", "bedtime", "waking", "habit"}
"""Keys of clock times in tables whose fields have their names."""


def _reads(reader: Callable[[object], object], text: str) -> bool:
    try:
        reader(text)
    except Wrong:
        return False
    return True


def numbers(fields: Mapping[str, str], name: str) -> list[int]:
    """The numbers of a list's rows, in order."""
    found = (re.match(rf"{name}-([1-9][0-9]{{0,3}})-", field) for field in fields)
    return sorted({int(match[1]) for match in found if match})


def draft_of(fields: Mapping[str, str]) -> Draft:
    """The mapping that a form stands for; never raises."""
    draft = Draft({name: text for name, text in fields.items() if isinstance(text, str)})
    draft.mapping |= draft.table((), "", TOP)
    made = {
        "exam": exams(draft),
        "study_hours": hours(draft),
        "appointment": appointments(draft),
        "effort": draft.table(("effort",), "effort-", EFFORT.keys),
        "calendar": calendars(draft),
        "busy": draft.listed(("busy",), "busy", "busy times", form_dates.read_busy(draft.text("busy"))),
        "day_off": draft.listed(("day_off",), "days_off", "days off", form_dates.read_days_off(draft.text("days_off"))),
        "short_days": draft.listed(
            ("short_days",), "short_days", "days with little time", form_dates.read_short_days(draft.text("short_days"))
        ),
        "holidays": _holidays(draft),
        "catch_up": draft.table(("catch_up",), "catch_up-", CATCH_UP.keys),
        "mending": draft.table(("mending",), "mending-", MENDING.keys),
    }
    draft.mapping |= {key: table for key, table in made.items() if table}
    for key, field in WHOLE.items():
        draft.where.setdefault((key,), field)
    _more(draft)
    _never_nothing(draft)
    return draft


WHOLE = {
    "study_hours": "hours-1-days",
    "appointment": "appointment-1-title",
    "effort": "effort-usual",
    "calendar": "calendar-new-file",
    "busy": "busy",
    "day_off": "days_off",
    "short_days": "short_days",
    "holidays": "holidays-country",
    "catch_up": "catch_up-day",
    "mending": "mending-grace",
}
"""The field to which a problem of a whole section leads."""


def exams(draft: Draft) -> list[dict[str, Any]]:
    return [_exam(draft, ("exam", place), f"exam-{number}-") for place, number in enumerate(draft.rows("exam"))]


def _exam(draft: Draft, path: Path, prefix: str) -> dict[str, Any]:
    draft.where[path] = draft.where[*path, "key"] = f"{prefix}subject"
    exam = draft.table(path, prefix, [key for key in EXAM_KEYS if key != "key"])
    if draft.text(f"{prefix}key"):
        exam["key"] = draft.text(f"{prefix}key")
    draft.moment(exam, path, prefix, "day")
    labels = draft.table((*path, "labels"), f"{prefix}labels-", LABELS.keys)
    draft.where[*path, "labels"] = f"{prefix}labels-homework"
    materials = _counts(draft, (*path, "material"), prefix, _called(path, exam))
    draft.where[*path, "material"] = f"{prefix}homework-count" if materials else f"{prefix}pieces"
    called = f"{_called(path, exam)}, pieces"
    pieces = read_pieces(draft.text(f"{prefix}pieces"), labels)
    materials += draft.listed((*path, "material"), f"{prefix}pieces", called, pieces)
    draft.where[*path, "leave_out"] = f"{prefix}leave_out"
    by_day = {}
    for key, (field, day, words) in BY_DAY.items():
        draft.where[*path, key] = prefix + field
        typed = form_dates.read_named(draft.text(prefix + field), day)
        by_day[key] = draft.listed((*path, key), prefix + field, f"{_called(path, exam)}, {words}", typed)
    lists = {
        "labels": labels,
        "material": materials,
        "leave_out": [line for _, line in lines(draft.text(f"{prefix}leave_out"))],
        **by_day,
    }
    return exam | {key: found for key, found in lists.items() if found}


def _called(path: Path, exam: Mapping[str, Any]) -> str:
    """What the core calls the exam."""
    subject = " ".join(str(exam.get("subject", "")).split())[:40]
    return f"exam {int(path[1]) + 1}{f' ({subject})' if subject else ''}"


def _counts(draft: Draft, path: Path, prefix: str, called: str) -> list[dict[str, Any]]:
    """The material by count: a row for each kind of which something is said."""
    made: list[dict[str, Any]] = []
    for kind in KINDS:
        here = (*path, len(made))
        row = draft.table(here, f"{prefix}{kind}-", COUNT_KEYS)
        told = row.keys() - {"answers"}
        if not told or told == {"missed"}:
            if told:
                field = f"{prefix}{kind}-count"
                draft.wrong(f"{called}, {kind}", field, "it is not said how many there are.", "Write a number.")
            for key in COUNT_KEYS:
                del draft.where[*here, key]
        else:
            draft.where[here], draft.spots[here] = f"{prefix}{kind}-count", f"{called}, {kind}"
            made.append({"kind": kind.value, **row})
    return made


def hours(draft: Draft) -> list[dict[str, Any]]:
    made = []
    for place, number in enumerate(draft.rows("hours")):
        path, prefix = ("study_hours", place), f"hours-{number}-"
        draft.where[path] = draft.where[*path, "days"] = f"{prefix}days"
        days = [day for day in DAYS if draft.ticked(prefix + day)]
        times = draft.table(path, prefix, ("start", "end", "first", "last"))
        made.append(({"days": days} if days else {}) | times)
    return made


def appointments(draft: Draft) -> list[dict[str, Any]]:
    made = []
    for place, number in enumerate(draft.rows("appointment")):
        path, prefix = ("appointment", place), f"appointment-{number}-"
        draft.where[path] = f"{prefix}title"
        table = draft.table(path, prefix, ("title", "minutes", "exam"))
        draft.moment(table, path, prefix, "hour")
        made.append(table)
    return made


def calendars(draft: Draft) -> list[dict[str, Any]]:
    made = []
    for place, number in enumerate(draft.rows("calendar")):
        path, prefix = ("calendar", place), f"calendar-{number}-"
        draft.where[path] = draft.where[*path, "file"] = f"{prefix}file"
        draft.where[*path, "only"] = f"{prefix}which"
        table = draft.table(path, prefix, ("all_day",))
        name = draft.text(f"{prefix}name")
        only = chosen(draft.fields, number) if draft.text(f"{prefix}which") == "only" else []
        if draft.text(f"{prefix}which") == "only" and not only:
            draft.wrong(
                f"calendar {place + 1}",
                f"{prefix}which",
                "it is not said which events are to be read.",
                "Choose some below, or take the whole calendar.",
            )
        made.append(({"file": name} if name else {}) | table | ({"only": only} if only else {}))
    return made


def chosen(fields: Mapping[str, str], number: int) -> list[str]:
    """The titles of the events to read from a calendar: those typed, and those ticked in the list of what is in it."""
    prefix = f"calendar-{number}-pick-"
    picks = sorted(field for field in fields if re.fullmatch(rf"{prefix}[0-9]{{1,4}}", field))
    picks.sort(key=lambda field: int(field.removeprefix(prefix)))
    typed = [line for _, line in lines(fields.get(f"calendar-{number}-only", "")[:MOST_CHARACTERS])]
    ticked = [" ".join(fields[field][:MOST_CHARACTERS].split()) for field in picks]
    return list(dict.fromkeys(title for title in typed + ticked if title))


def _holidays(draft: Draft) -> dict[str, Any]:
    path: Path = ("holidays",)
    table = draft.table(path, "holidays-", ("country", "subdivision", "use"))
    draft.where["holidays", "own"] = "holidays-own"
    typed = form_dates.read_holidays(draft.text("holidays-own"))
    own = draft.listed(("holidays", "own"), "holidays-own", "own holidays", typed)
    return table | ({"own": own} if own else {})


def _more(draft: Draft) -> None:
    """What stands in ``more`` joins what the fields say; it may not say anything a second time."""
    text = draft.text("more")
    if not text:
        return
    problems = Problems()
    try:
        extra = parse(text.encode(errors="surrogatepass"), "more settings", "toml", problems)
    except InvalidRequest as invalid:
        draft.own += [Problem(one.place, one.sentence, one.remedy, ("form", "more")) for one in invalid.problems]
        return
    try:
        _join(draft, draft.mapping, _as_text(extra), ())
    except RecursionError:
        draft.wrong("more settings", "more", "tables or lists are nested far too deep.", "Compare it with the example.")


def _join(draft: Draft, mapping: dict[str, Any], extra: Mapping[str, Any], path: Path) -> None:
    for key, new in extra.items():
        old, here = mapping.get(key), (*path, key)
        if old is None or here == ("schema",):
            mapping[key] = new
            for known in [known for known in draft.where if known[: len(here)] == here]:
                del draft.where[known]
            draft.where[here] = "more"
        elif isinstance(old, dict) and isinstance(new, dict):
            _join(draft, old, new, here)
        elif isinstance(old, list) and isinstance(new, list):
            draft.where |= {(*here, len(old) + place): "more" for place in range(len(new))}
            mapping[key] = [*old, *new]
        else:
            sentence = f"{'.'.join(map(str, here))} is said in the fields above too."
            draft.wrong("more settings", "more", sentence, "Say it in one place.")


def _as_text(found: Any) -> Any:
    """The same with dates and times as text, so that the whole mapping can be kept as JSON."""
    match found:
        case Mapping():
            return {key: _as_text(inner) for key, inner in found.items()}
        case list():
            return [_as_text(inner) for inner in found]
        case date() | time():
            return found.isoformat()
    return found


def _never_nothing(draft: Draft) -> None:
    """An empty form lacks what is in its first exam and its first hours, and each exam has a key of its own."""
    if "exam" not in draft.mapping:
        draft.mapping["exam"] = [_exam(draft, ("exam", 0), "exam-1-")]
    if "study_hours" not in draft.mapping:
        draft.where["study_hours", 0] = draft.where["study_hours", 0, "days"] = "hours-1-days"
        draft.mapping["study_hours"] = [draft.table(("study_hours", 0), "hours-1-", ("start", "end"))]
    written = draft.mapping["exam"]
    if isinstance(written, list):
        taken = {exam.get("key") for exam in written if isinstance(exam, dict) and isinstance(exam.get("key"), str)}
        for place, exam in enumerate(written, 1):
            if isinstance(exam, dict) and exam.get("key") is None:
                exam["key"] = free_key(taken, place)
                taken.add(exam["key"])


def free_key(taken: Iterable[object], place: int) -> str:
    """A key that no other exam has: the one by its place if that is free."""
    known = set(taken)
    names = (f"exam-{number}" for number in (place, *range(1, len(known) + 2)))
    return next(name for name in names if name not in known)
