"""Dated lists as one types them, a line each: busy times, days off, days with little time, own holidays, fixed days.

    2027-01-22 18:00-20:00 Concert        2027-01-23 Birthday                     2027-01-25 20
    2027-01-22 22:00-02:00                2027-01-30..2027-01-31 Trip             2027-01-26 20 minutes
    2027-01-12 quiz-3; Gas laws

Reading and writing stand side by side; what is written reads back as what it was.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from datetime import date, timedelta
from typing import Any

from calplan.tables import show
from web.form_cells import Line, clock, figure, lines

DAY = r"[0-9]{4}-[0-9]{1,2}-[0-9]{1,2}"
HOUR = r"(?:[0-9]{1,2}:[0-9]{2}(?:\s*[ap]\.?m\.?)?|[0-9]{1,2}\s*[ap]\.?m\.?)"
TO = r"\s*(?:-|–|—|\.\.|\bto\b|\buntil\b)\s*"
BUSY = re.compile(rf"({DAY})[T ,;]\s*({HOUR}){TO}(?:({DAY})[T ]\s*)?({HOUR})(?:[\s,;]\s*(.*))?", re.IGNORECASE)
DAYS = re.compile(rf"({DAY})(?:{TO}({DAY}))?(?:[\s,;]\s*(.*))?", re.IGNORECASE)

NAMED = re.compile(rf"({DAY})[\s,;:]+(\S.*)")

SHORT = re.compile(rf"({DAY})[\s,;:]+([0-9]{{1,15}})\s*(?:m|min|mins|minutes?)?\.?", re.IGNORECASE)

BUSY_EXAMPLE = "2027-01-22 18:00-20:00 Concert"
DAYS_EXAMPLE = "2027-01-23 Birthday, or 2027-01-30..2027-01-31 Trip"
SHORT_EXAMPLE = "2027-01-25 20 minutes"
HOLIDAY_EXAMPLE = "2027-01-29 Founders’ day"
NAMED_EXAMPLE = "2027-01-12 quiz-3; Gas laws"


def read_busy(text: str) -> list[Line]:
    """Busy times; an end that is earlier than the start is on the next day."""
    return [_line(number, line, BUSY, _busy, BUSY_EXAMPLE) for number, line in lines(text)]


def read_days_off(text: str) -> list[Line]:
    """Days off: a single day, or a first and a last one."""
    return [_line(number, line, DAYS, _days, DAYS_EXAMPLE) for number, line in lines(text)]


def read_short_days(text: str) -> list[Line]:
    """Days with little time: each a day and its minutes."""
    return [_line(number, line, SHORT, _short, SHORT_EXAMPLE) for number, line in lines(text)]


def read_holidays(text: str) -> list[Line]:
    """Own holidays: each a day and a title."""
    return [_line(number, line, DAYS, _holiday, HOLIDAY_EXAMPLE) for number, line in lines(text)]


def read_named(text: str, key: str) -> list[Line]:
    """Days, each under ``key``, with the pieces and topics that they are for, with semicolons between."""
    return [
        _line(number, line, NAMED, lambda day, names: {key: _padded(day), "material": _names(names)}, NAMED_EXAMPLE)
        for number, line in lines(text)
    ]


def _line(
    number: int, line: str, shape: re.Pattern[str], made: Callable[..., dict[str, Any] | None], example: str
) -> Line:
    found = shape.fullmatch(line)
    table = made(*found.groups()) if found else None
    if table is None:
        return Line(number, None, f"{show(line)} cannot be read.", f"Write it like this: {example}.")
    return Line(number, table)


def _busy(day: str, start: str, last: str | None, end: str, title: str | None) -> dict[str, str]:
    begin, finish = clock(start), clock(end)
    until = _padded(last) if last else _next(_padded(day)) if finish < begin else _padded(day)
    return _titled({"start": f"{_padded(day)}T{begin}", "end": f"{until}T{finish}"}, title)


def _days(first: str, last: str | None, title: str | None) -> dict[str, str]:
    days = {"first": _padded(first), "last": _padded(last)} if last else {"day": _padded(first)}
    return _titled(days, title)


def _short(day: str, minutes: str) -> dict[str, Any]:
    return {"day": _padded(day), "minutes": figure(minutes)}


def _holiday(day: str, last: str | None, title: str | None) -> dict[str, str] | None:
    return None if last else _titled({"day": _padded(day)}, title)


def _names(text: str) -> list[str]:
    return [name for one in text.split(";") if (name := one.strip())]


def _titled(table: dict[str, str], title: str | None) -> dict[str, str]:
    return table | ({"title": title} if title else {})


def _padded(day: str) -> str:
    """A date with two digits of month and day."""
    return "-".join(part.zfill(2) for part in day.split("-"))


def _next(day: str) -> str:
    """The day after; a day that does not exist stays, and the core says so."""
    try:
        return (date.fromisoformat(day) + timedelta(days=1)).isoformat()
    except (ValueError, OverflowError):
        return day


def write_busy(table: Mapping[str, Any]) -> str:
    """A busy time as a line."""
    (day, _, start), (last, _, end) = (str(table.get(key, "")).partition("T") for key in ("start", "end"))
    until = end if day == last and start <= end else f"{last} {end}"
    return _spaced(f"{day} {start}-{until}", table)


def write_days_off(table: Mapping[str, Any]) -> str:
    """Days off as a line; a title that looks like an end stands behind an end."""
    first, last = (table.get(key, table.get("day", "")) for key in ("first", "last"))
    single = first == last and not re.match(TO, str(table.get("title", "")), re.IGNORECASE)
    return _spaced(str(first) if single else f"{first}..{last}", table)


def write_short_day(table: Mapping[str, Any]) -> str:
    """A day with little time as a line."""
    return f"{table.get('day', '')} {table.get('minutes', '')} minutes"


def write_holiday(table: Mapping[str, Any]) -> str:
    """An own holiday as a line."""
    return _spaced(str(table.get("day", "")), table)


def write_named(table: Mapping[str, Any], key: str) -> str:
    """A day with what it is for as a line."""
    return f"{table.get(key, '')} {'; '.join(map(str, table.get('material', ())))}"


def _spaced(start: str, table: Mapping[str, Any]) -> str:
    return f"{start} {table['title']}" if table.get("title") else start
