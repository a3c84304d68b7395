"""News of a plan that is under way, as edits of its request: days are lost, time is short, an exam moves.

Every function takes a request as people write it (the mapping that :func:`calplan.request.from_mapping` reads) and
gives a new one; what the news is not about stays as it was written. The same news twice is the same as once. News that
only take something away commute; where one word replaces another (the minutes of a day, the start of an exam), the last
one counts. Whether the whole is still sound is found out when it is read: nothing is judged here but what cannot be
written down at all.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime
from typing import TYPE_CHECKING, Any, NamedTuple

from calplan.errors import InvalidRequest, Problem
from calplan.model import Effort, Keep
from calplan.request import DAY_OFF, EFFORT, FIXED_DAY, MOST_DAYS, SHORT_DAYS
from calplan.tables import Shape, Wrong, show

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

Written = Mapping[str, Any]
"""A request, or a table of one, as people write it."""


# ---------------------------------------------------------------------------------------- days and their time


class _Stretch(NamedTuple):
    """Days off in numbers: those of the first and of the last day, and what they are called."""

    first: int
    last: int
    title: str


def lose_days(mapping: Written, first: date, last: date, title: str = "") -> dict[str, Any]:
    """The request with the days from ``first`` to ``last`` off.

    Days off of the same title that they overlap or touch become one entry with them, unless that would be longer than
    an entry can be. Raises InvalidRequest where the last day lies before the first.
    """
    if last < first:
        raise _refusal("day_off, last", f"{last} lies before first, {first}.", "Put the two in order.")
    entries = _entries(mapping, "day_off")
    lost = _Stretch(first.toordinal(), last.toordinal(), " ".join(title.split()))
    known = {at: one for at, entry in enumerate(entries) if (one := _stretch(entry)) and one.title == lost.title}
    if any(one.first <= lost.first and lost.last <= one.last for one in known.values()):
        return dict(mapping)
    whole, joined = _joined(lost, known)
    kept = [entry for at, entry in enumerate(entries) if at not in joined]
    kept.insert(min(joined, default=len(entries)), _day_off(whole))
    return {**mapping, "day_off": kept}


def _stretch(entry: object) -> _Stretch | None:
    """A written entry of days off; ``None`` for one that cannot be read."""
    read = _readable(DAY_OFF, entry)
    days: list[date] = [read[key] for key in (("day", "day") if "day" in read else ("first", "last")) if key in read]
    if len(days) < 2 or days[1] < days[0]:
        return None
    return _Stretch(days[0].toordinal(), days[1].toordinal(), read.get("title", ""))


def _joined(lost: _Stretch, known: Mapping[int, _Stretch]) -> tuple[_Stretch, set[int]]:
    """The stretch made one with all that it reaches, directly or by others, and the places of these."""
    whole, joined = lost, set[int]()
    while True:
        near = {
            at
            for at, one in known.items()
            if at not in joined and one.first <= whole.last + 1 and whole.first <= one.last + 1
        }
        if not near:
            break
        joined |= near
        reached = [whole, *(known[at] for at in near)]
        whole = _Stretch(min(one.first for one in reached), max(one.last for one in reached), lost.title)
    return (whole, joined) if whole.last - whole.first <= MOST_DAYS else (lost, set())


def _day_off(stretch: _Stretch) -> dict[str, str]:
    first, last = (date.fromordinal(number).isoformat() for number in (stretch.first, stretch.last))
    days = {"day": first} if first == last else {"first": first, "last": last}
    return days | ({"title": stretch.title} if stretch.title else {})


def only_minutes(mapping: Written, day: date, minutes: int) -> dict[str, Any]:
    """The request with so many minutes on a day, whatever was said of its minutes before."""
    return _with_short_day(mapping, day, minutes, [at for at, _ in _said_of(mapping, day)])


def slow_return(mapping: Written, days: Sequence[date], minutes: int) -> dict[str, Any]:
    """The request with at most so many minutes on each of the days, as after an illness; a shorter day stays short."""
    for day in days:
        said = _said_of(mapping, day)
        if all(known > minutes for _, known in said):
            mapping = _with_short_day(mapping, day, minutes, [at for at, _ in said])
    return dict(mapping)


def _said_of(mapping: Written, day: date) -> list[tuple[int, int]]:
    """Where the short days speak of a day, and the minutes that they give it."""
    read = ((at, _readable(SHORT_DAYS, entry)) for at, entry in enumerate(_entries(mapping, "short_days")))
    return [(at, one["minutes"]) for at, one in read if one.get("day") == day and "minutes" in one]


def _with_short_day(mapping: Written, day: date, minutes: int, instead: Sequence[int]) -> dict[str, Any]:
    """The request with a short day in place of the entries at some places, or behind all others."""
    entries = _entries(mapping, "short_days")
    kept = [entry for at, entry in enumerate(entries) if at not in instead]
    kept.insert(min(instead, default=len(entries)), {"day": day.isoformat(), "minutes": minutes})
    return {**mapping, "short_days": kept}


# ------------------------------------------------------------------------------------------- how much is kept


def keep_essentials(mapping: Written) -> dict[str, Any]:
    """The request that keeps days short: beyond a third above usual minutes only what is essential."""
    return {**mapping, "keep": Keep.ESSENTIALS.value}


def raise_limit(mapping: Written, minutes: int) -> dict[str, Any]:
    """The request with a limit of at least so many minutes a day; usual minutes stay what they are.

    Where they are not written, they follow a low limit (:mod:`calplan.request`): so they are written down then.
    """
    written = mapping.get("effort") or {}
    read = _readable(EFFORT, written)
    usual = read.get("usual", min(read.get("limit", Effort().usual), Effort().usual))
    limit = read.get("limit", max(usual, Effort().limit))
    if not isinstance(written, Mapping) or minutes <= limit:
        return dict(mapping)
    pinned = {"usual": usual} if "usual" not in read and usual < Effort().usual else {}
    return {**mapping, "effort": {**written, **pinned, "limit": minutes}}


def leave_out(mapping: Written, exam: str, material: str) -> dict[str, Any]:
    """The request without a material of an exam, both by their keys; every other material keeps its key.

    Raises InvalidRequest where no exam has the key. Whether the exam has the material is found out in reading.
    """

    def without(table: Written) -> dict[str, Any]:
        out = _entries(table, "leave_out")
        return dict(table) if material in out else {**table, "leave_out": [*out, material]}

    return _with_exam(mapping, exam, without)


def come_late(mapping: Written, exam: str, material: str, in_hand: date) -> dict[str, Any]:
    """The request in which a material of an exam, both by their keys, is in hand from a day on only.

    Raises InvalidRequest where no exam has the key. Whether the exam has the material is found out in reading.
    """
    return _with_exam(mapping, exam, lambda table: with_late(table, exam, material, in_hand))


def with_late(table: Written, exam: str, material: str, in_hand: date) -> dict[str, Any]:
    """A written exam in which a material comes on a day, whatever was said of it before."""
    short = material.removeprefix(f"{exam}.")
    entries = []
    for entry in _entries(table, "late"):
        named = entry.get("material", ()) if isinstance(entry, Mapping) else ()
        others = [one for one in named if one not in (short, f"{exam}.{short}")]
        entries += [{**entry, "material": others} if len(others) < len(named) else entry] if others or not named else []
    return {**table, "late": [*entries, {"in_hand": in_hand.isoformat(), "material": [short]}]}


def move_exam(mapping: Written, exam: str, start: datetime, latest: date | None = None) -> dict[str, Any]:
    """The request with an exam, by its key, at another wall-clock time of its zone.

    ``latest`` is the last day on which it may be, where no more is known than a stretch of days. What was fixed for
    days that do not lie before it any more is fixed no longer. Raises InvalidRequest where no exam has the key.
    """
    return _with_exam(mapping, exam, lambda table: moved(table, start, latest))


def moved(table: Written, start: datetime, latest: date | None = None) -> dict[str, Any]:
    """A written exam at another time, as :func:`move_exam` has it."""
    kept = {key: value for key, value in table.items() if key not in ("latest", "fixed_day")}
    made = {**kept, "start": start.isoformat(timespec="minutes")}
    if latest is not None:
        made["latest"] = latest.isoformat()
    if table.get("fixed_day"):
        made["fixed_day"] = [one for one in _entries(table, "fixed_day") if _before(one, start.date())]
    return made


def _before(fixed: object, day: date) -> bool:
    """Whether a written fixed day lies before a day; what cannot be read is told when the request is read."""
    read = _readable(FIXED_DAY, fixed)
    return "day" not in read or read["day"] < day


# ----------------------------------------------------------------------------------------- written tables


def _entries(table: Written, key: str) -> list[Any]:
    """The entries of a written list, none where it is not there. Raises InvalidRequest where it is no list."""
    written = table.get(key)
    if written is None:
        return []
    if not isinstance(written, list | tuple):
        raise _refusal(key, f"{show(written)} is not a list, so nothing can be added.", "Write a list in brackets.")
    return list(written)


def _readable(shape: Shape, entry: object) -> dict[str, Any]:
    """The values of a written table that can be read; those that cannot are told when the request is read."""
    read: dict[str, Any] = {}
    for key, value in entry.items() if isinstance(entry, Mapping) else ():
        if key in shape.keys and value is not None:
            try:
                read[key] = shape.keys[key](value)
            except Wrong:
                continue
    return read


def _with_exam(mapping: Written, key: str, change: Callable[[Written], dict[str, Any]]) -> dict[str, Any]:
    """The request with the one exam changed that has the key, written or by its place among the exams."""
    exams = _entries(mapping, "exam")
    keys = [
        (one.get("key") or f"exam-{ordinal}") if isinstance(one, Mapping) else None
        for ordinal, one in enumerate(exams, 1)
    ]
    if key not in keys:
        known = ", ".join(str(one) for one in keys if one)
        raise _refusal("exam", f"no exam has the key {show(key)}.", f"The keys are {known}." if known else "Add one.")
    at = keys.index(key)
    return {**mapping, "exam": [*exams[:at], change(exams[at]), *exams[at + 1 :]]}


def _refusal(place: str, sentence: str, remedy: str) -> InvalidRequest:
    return InvalidRequest([Problem(place, sentence, remedy)])
