"""Two hands at one request: a school asks for something else while the student has changed the plan's request too.

What was asked before stands between the two. What only one of them changed is taken from that one; where both changed
the same thing, the student's word stands, and is named. Lists of days, times and calendars are merged entry by entry,
exams by their keys and field by field. A value counts as changed where it is read as something else, not where it is
only written otherwise. This is the merge of three versions that version control knows (common practice, no source).
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any, NamedTuple

from calplan.request import from_mapping

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from calplan.model import Exam, Request

FIELDS = {
    "appointment": "appointments",
    "calendar": "calendars",
    "day_off": "days_off",
    "study_hours": "week",
}
"""Keys of a written request whose fields in the model have other names."""
AS_WRITTEN = ("material", "leave_out", "late", "fixed_day")
"""Keys of an exam that are read together, so that each of them is compared as it is written."""
BY_ENTRY = ("appointment", "busy", "calendar", "day_off", "leave_out", "late", "fixed_day")
"""Lists in which each entry stands for itself."""
BY_DAY = ("short_days",)
"""Lists of which there is one entry a day."""

Written = dict[str, Any]


class Merged(NamedTuple):
    """A request that has what both asked for, and where the student's word stands against the school's new one."""

    mapping: Written
    kept: tuple[str, ...]


def merged(base: Written, mine: Written, theirs: Written) -> Merged:
    """The student's request ``mine`` with what the school asks for in ``theirs`` and did not ask for in ``base``.

    Whether the whole can be read is found out when it is. Raises InvalidRequest where one of the three cannot.
    """
    read = from_mapping(base), from_mapping(mine), from_mapping(theirs)
    made: Written = {}
    kept: list[str] = []
    for key in dict.fromkeys((*theirs, *mine)):
        if key == "exam":
            made[key] = list(exams(base, mine, theirs, read, kept))
            continue
        before, *both = (value_of(one, key) for one in read)
        same = both[0] == before, both[1] == before
        value = one_of(key, base.get(key), mine.get(key), theirs.get(key), same=same, kept=kept)
        if value is not None:
            made[key] = value
    return Merged(made, tuple(kept))


def exams(base: Written, mine: Written, theirs: Written, read: Sequence[Request], kept: list[str]) -> Iterator[Written]:
    """The exams that the school asks for, with what the student changed of them, and those that the student added."""
    bases, own, asked = (by_key(one) for one in (base, mine, theirs))
    known = [{exam.key: exam for exam in one.exams} for one in read]
    for key, exam in asked.items():
        if key in bases and key in own:
            yield exam_of(bases[key], own[key], exam, [one[key] for one in known], kept)
        elif key not in bases or key in own:
            yield own.get(key, exam)
        else:
            kept.append(f"{exam.get('subject', key)}, which was taken out")
    yield from (exam for key, exam in own.items() if key not in asked and key not in bases)


def by_key(mapping: Written) -> dict[str, Written]:
    """The exams of a request by the keys that they have, written or by their places."""
    return {exam.get("key") or f"exam-{place}": exam for place, exam in enumerate(mapping["exam"], 1)}


def exam_of(base: Written, mine: Written, theirs: Written, read: Sequence[Exam], kept: list[str]) -> Written:
    """An exam that all three have."""
    made: Written = {}
    said: list[str] = []
    for key in dict.fromkeys((*theirs, *mine)):
        values = [base.get(key), mine.get(key), theirs.get(key)]
        if key not in AS_WRITTEN:
            values = [getattr(one, key) for one in read]
        same = values[1] == values[0], values[2] == values[0]
        value = one_of(key, base.get(key), mine.get(key), theirs.get(key), same=same, kept=said)
        if value is not None:
            made[key] = value
    kept += [f"{theirs.get('subject', 'an exam')}: {one}" for one in said]
    return made


def value_of(request: Request, key: str) -> object:
    """What is read of a key of a request."""
    return getattr(request, FIELDS.get(key, key))


def one_of(key: str, base: Any, mine: Any, theirs: Any, *, same: tuple[bool, bool], kept: list[str]) -> Any:
    """The value of a key; ``same`` tells of the student and of the school whether it says what it did before.

    Of none there is ``None``.
    """
    if same[0] or mine in (base, theirs):
        return theirs
    if same[1] or theirs == base:
        return mine
    if key in BY_ENTRY:
        return by_entry(base or [], mine or [], theirs or [])
    if key in BY_DAY:
        return by_day(base or [], mine or [], theirs or [])
    tables = (base or {}, mine or {}, theirs or {})
    if all(isinstance(one, dict) for one in tables):
        return table_of(key, *tables, kept=kept)
    kept.append(key.replace("_", " "))
    return mine


def table_of(name: str, base: Written, mine: Written, theirs: Written, *, kept: list[str]) -> Written | None:
    """A table of single values, each by itself."""
    made = {}
    for key in dict.fromkeys((*theirs, *mine)):
        said: list[str] = []
        value = one_of(key, base.get(key), mine.get(key), theirs.get(key), same=(False, False), kept=said)
        kept += [f"{name}, {one}" for one in said]
        if value is not None:
            made[key] = value
    return made or None


def by_entry(base: Iterable[Any], mine: Iterable[Any], theirs: Iterable[Any]) -> list[Any]:
    """The school's entries without those that the student took out, and then those that the student added."""
    known, own, asked = ({told(one): one for one in entries} for entries in (base, mine, theirs))
    stay = [one for name, one in asked.items() if name in own or name not in known]
    return [*stay, *(one for name, one in own.items() if name not in known and name not in asked)]


def by_day(base: Iterable[Written], mine: Iterable[Written], theirs: Iterable[Written]) -> list[Written]:
    """As :func:`by_entry`; of a day that both speak of, the student's word."""
    entries = by_entry(base, mine, theirs)
    last = {told(one.get("day")): one for one in (*theirs, *mine) if one in entries}
    return list(last.values())


def told(entry: object) -> str:
    """What tells an entry from others."""
    return json.dumps(entry, sort_keys=True, default=str)


def with_own(base: bytes, mine: bytes, theirs: Mapping[str, Any]) -> Merged:
    """As :func:`merged`, for requests that are kept as JSON."""
    return merged(json.loads(base), json.loads(mine), dict(theirs))
