"""Single values as people type them in a form, and as a request has them; and how a typed list names its lines.

A form knows nothing but text, a request knows numbers, dates and words. What cannot be turned is handed on as it was
typed: the core then says what is wrong with it.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import date, datetime, time
from enum import IntEnum
from typing import Any, NamedTuple

from calplan.tables import Score, Shape, Wrong

MOST_CHARACTERS = 100_000
"""The longest value of any field."""

NUMBERS = {
    *("minutes", "weight", "sureness", "extra_time", "pace", "sheet_pages", "size", "missed", "count", "to_come"),
    *("usual", "limit", "shortest", "longest", "rest", "margin", "grace", "slow_days"),
}
"""Keys whose values are numbers; ``missed`` may be a result ("14/20") too, which stays text."""
FLAGS = {"timed_paper", "multiple_choice", "all_day"}
"""Keys whose values are true or false; false is what nothing typed means."""
YES = {"yes", "on", "true", "1", "x", "y"}
NO = {"no", "off", "false", "0", "n"}


class Line(NamedTuple):
    """One line of a typed list: its number from 1, and the table that it stands for, or why it cannot be read."""

    number: int
    table: dict[str, Any] | None
    sentence: str = ""
    remedy: str = ""


def lines(text: str) -> list[tuple[int, str]]:
    """The lines that hold anything, with their numbers from 1."""
    split = re.split(r"\r\n|\r|\n", text)
    return [(number, line.strip()) for number, line in enumerate(split, 1) if line.strip()]


def value(key: str, text: str) -> Any:
    """What a request has under ``key`` where somebody typed ``text``; ``None`` for nothing."""
    text = text.strip()
    if not text:
        return None
    if key in NUMBERS:
        return figure(text)
    if key in FLAGS:
        small = text.lower()
        return True if small in YES else False if small in NO else text
    return text


def figure(text: str) -> int | float | str:
    """A number, with a decimal comma or point; anything else stays text."""
    if re.fullmatch(r"[+-]?[0-9]{1,15}", text):
        return int(text)
    if re.fullmatch(r"[+-]?[0-9]{1,15}[.,][0-9]{1,15}", text):
        return float(text.replace(",", "."))
    return text


def clock(text: str) -> str:
    """A clock time with two digits of hours; "6pm" and "6:30 p.m." are 18:00 and 18:30."""
    text = text.strip()
    half = re.fullmatch(r"(1[0-2]|0?[1-9])(?::([0-5][0-9]))?\s*([ap])\.?m\.?", text, re.IGNORECASE)
    if half:
        return f"{int(half[1]) % 12 + 12 * (half[3] in 'pP'):02d}:{half[2] or '00'}"
    return f"0{text}" if re.fullmatch(r"[0-9]:[0-9]{2}", text) else text


def typed(read: object) -> str | None:
    """A value that the core has read, as it is typed in a field; ``None`` where a field cannot hold it."""
    match read:
        case bool():
            return "yes" if read else ""
        case datetime():
            return read.isoformat(timespec="minutes")
        case time():
            return read.isoformat(timespec="minutes")
        case date():
            return read.isoformat()
        case Score():
            return str(read.missed) if read.size is None else f"{read.size - read.missed}/{read.size}"
        case IntEnum():
            return read.name.lower()
        case str():
            return str(read)
        case int() | float():
            return str(read)
    return None


def plain(shape: Shape, table: Mapping[Any, Any], *, nested: tuple[str, ...] = ()) -> dict[str, Any] | None:
    """A table in one spelling: each value as it is typed, what says no more than nothing left out.

    ``None`` where fields cannot hold the table: a key that its shape does not know, or a value that is no single one.
    Values that the core refuses stay as they are, so that the one who typed them finds them again. The keys in
    ``nested`` are left out.
    """
    made: dict[str, Any] = {}
    for key, raw in table.items():
        if raw is None or key in nested:
            continue
        if key not in shape.keys:
            return None
        text = _one_spelling(shape, key, raw)
        if text is None:
            return None
        if text not in ("", ()):
            made[key] = text
    return made


def _one_spelling(shape: Shape, key: str, raw: object) -> str | tuple[str, ...] | None:
    try:
        read = shape.keys[key](raw)
    except Wrong:
        return _as_it_is(raw)
    if isinstance(read, tuple) and not isinstance(read, Score):
        texts = tuple(typed(one) for one in read)
        return None if None in texts else tuple(text for text in texts if text is not None)
    return typed(read)


def _as_it_is(raw: object) -> str | None:
    """A value that the core refuses, as one would have typed it."""
    match raw:
        case bool():
            return None
        case str():
            return raw if raw == raw.strip() and not re.search(r"[\r\n]", raw) else None
        case date() | time():
            return raw.isoformat()
        case int() | float():
            return str(raw) if abs(raw) < 10**15 else None
    return None
