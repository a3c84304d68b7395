"""How written tables are read: shapes, readers of single values, and problems that gather.

A :class:`Shape` says which keys a table has and how each is read; a :class:`Table` reads all of them at once, keeps the
values that were right and notes a problem for every one that was not, with its place and with what to do. A reader is
a function that turns one written value into one of the model, or raises :class:`Wrong`. Nothing here knows
what a request is.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from datetime import date, datetime, time
from difflib import get_close_matches
from enum import StrEnum
from functools import cache
from importlib.resources import files
from typing import Any, NamedTuple, TypeVar
from unicodedata import category

import msgspec

from calplan.errors import InvalidRequest, Problem
from calplan.model import SCHEMA, Weekday

Built = TypeVar("Built")
Path = tuple[str | int, ...]
"""A place in a request: keys, and positions in lists that count from 0."""

MOST_PROBLEMS = 100
"""Problems beyond these are counted, not listed."""
MOST_ENTRIES = 1_000
"""Entries of any list that has no limit of its own."""
FIRST_YEAR, LAST_YEAR = 2000, 2199


# ---------------------------------------------------------------------------------- how a table is read


class Wrong(Exception):
    """What a reader raises about the one value that it was given."""

    def __init__(self, sentence: str, remedy: str = "") -> None:
        self.sentence, self.remedy = sentence, remedy


Reader = Callable[[object], Any]
"""Turns a written value into one of the model, or raises :class:`Wrong`."""


class Shape(msgspec.Struct, frozen=True):
    """The keys of a table with their readers, and those that must be there, each with an example."""

    keys: dict[str, Reader]
    needs: dict[str, str] = {}


class Problems:
    """Gathers what is wrong, in reading order."""

    def __init__(self) -> None:
        self.found: list[Problem] = []
        self.more = 0

    @property
    def full(self) -> bool:
        """Whether further problems are only counted."""
        return len(self.found) >= MOST_PROBLEMS

    @property
    def count(self) -> int:
        """How many problems there are by now."""
        return len(self.found) + self.more

    def add(self, place: str, sentence: str, remedy: str = "", path: Path = ()) -> None:
        if self.full:
            self.more += 1
        else:
            self.found.append(Problem(place, sentence, remedy, path))

    def raise_all(self, rest: Mapping[str, Any] | None = None) -> None:
        """Raises :class:`InvalidRequest` if there is any problem; ``rest`` is what could be read nevertheless."""
        if self.more:
            more = Problem("request", f"there are {self.more} further problems.", "Mend those above first.")
            raise InvalidRequest([*self.found, more], rest)
        if self.found:
            raise InvalidRequest(self.found, rest)


class Table:
    """One table of the request: reads every key of its shape at once and keeps the ``values`` that were right."""

    def __init__(self, raw: object, place: str, shape: Shape, problems: Problems, path: Path = ()) -> None:
        self.place, self.path, self.problems, self.values = place, path, problems, dict[str, Any]()
        self.raw: Mapping[Any, Any] = raw if isinstance(raw, Mapping) else {}
        self.complete = False
        if self.raw is not raw:
            sentence = f"{show(raw)} is not a table of keys and values."
            problems.add(place or "request", sentence, "Write key = value.", path)
            return
        for key in self.raw:
            if key not in shape.keys:
                self._unknown(key, shape)
        for key, reader in shape.keys.items():
            value = self.raw.get(key)
            if value is not None:
                try:
                    self.values[key] = reader(value)
                except Wrong as wrong:
                    self.wrong(key, wrong.sentence, wrong.remedy)
            elif key in shape.needs:
                self.wrong(key, "this is missing.", f"Add it, for example: {shape.needs[key]}")
        self.complete = all(key in self.values for key in shape.needs)

    def wrong(self, key: str, sentence: str, remedy: str = "") -> None:
        """Notes a problem of one key, or of the table itself where ``key`` is empty."""
        place = ", ".join(filter(None, (self.place, key))) or "request"
        self.problems.add(place, sentence, remedy, (*self.path, key) if key else self.path)

    def _unknown(self, key: object, shape: Shape) -> None:
        written = key[:40].lower() if isinstance(key, str) else ""
        near = get_close_matches(written, shape.keys, 1) if not self.problems.full else []
        if OTHER_WORDS.get(written) in shape.keys:
            near = [OTHER_WORDS[written]]
        remedy = f"Did you mean {near[0]}?" if near else f"The keys here are {', '.join(shape.keys)}."
        path = (*self.path, key) if isinstance(key, str) else self.path
        self.problems.add(self.place or "request", f"there is no key {show(key)}.", remedy, path)

    def get(self, key: str, default: Any = None) -> Any:
        return self.values.get(key, default)

    def has(self, *keys: str) -> bool:
        """Whether all of these were given and right."""
        return all(key in self.values for key in keys)

    def lacks(self, key: str) -> bool:
        """Whether it was not given at all; a value that was given and wrong is lacking no more."""
        return self.raw.get(key) is None

    def only(self, *keys: str) -> dict[str, Any]:
        """Those of these keys that were given and right; the model knows the defaults of the others."""
        return {key: self.values[key] for key in keys if key in self.values}

    def table(self, key: str, shape: Shape) -> Table:
        """The table under ``key``, empty if it was not given."""
        place = ", ".join(filter(None, (self.place, key)))
        return Table(self.values.get(key, {}), place, shape, self.problems, (*self.path, key))

    def tables(self, key: str, shape: Shape, name: str = "") -> Iterator[Table]:
        """The tables of the list under ``key``; the value of their key ``name`` stands in their places."""
        for number, raw in enumerate(self.values.get(key, ()), 1):
            place = ", ".join(filter(None, (self.place, f"{key} {number}")))
            called = raw.get(name) if isinstance(raw, Mapping) and name else None
            if isinstance(called, str) and called.strip():
                place += f" ({_clean(called, strict=False)[:40]})"
            yield Table(raw, place, shape, self.problems, (*self.path, key, number - 1))

    def build(self, key: str, shape: Shape, function: Callable[[Table], Built | None]) -> tuple[Built, ...]:
        """What ``function`` makes of the tables of a list."""
        return tuple(made for table in self.tables(key, shape) if (made := function(table)) is not None)


OTHER_WORDS = {
    "from": "first",
    "to": "last",
    "until": "last",
    "since": "in_hand",
    "date": "day",
    "when": "start",
    "length": "minutes",
    "duration": "minutes",
    "timezone": "zone",
    "tz": "zone",
    "name": "title",
    "short_day": "short_days",
    "hours": "study_hours",
    "week": "study_hours",
    "exams": "exam",
    "materials": "material",
    "break": "rest",
    "state": "subdivision",
    "wrong": "missed",
    "problems": "size",
    "number": "count",
}
"""Words that people write for a key, where spelling alone does not lead to it."""


# ---------------------------------------------------------------------------------- readers of single values


def show(value: object) -> str:
    """A written value, short enough for a sentence."""
    match value:
        case None:
            return "nothing"
        case bool():
            return "true" if value else "false"
        case str():
            text = _clean(value, strict=False)
            return f"“{text[:40]}…”" if len(text) > 40 else f"“{text}”"
        case int():
            return str(value) if abs(value) < 10**15 else "a number far too large"
        case float():
            return str(value)
        case date() | time():
            return value.isoformat()
        case Mapping():
            return "a table"
        case list() | tuple():
            return "a list"
    return "a value of another sort"


BIDI = frozenset("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")
"""Marks that turn the direction of the text after them, beyond the end of a title."""


def _clean(value: str, *, strict: bool = True) -> str:
    """The text on one line and without characters that cannot be seen but could do harm."""
    text = " ".join(value.split())
    if text.isprintable():
        return text
    if strict and any(category(char) == "Cs" for char in text):
        raise Wrong("this holds half of a character (a lone surrogate).", "Type the text again.")
    seen = "".join(char for char in text if category(char) not in ("Cc", "Cs") and char not in BIDI)
    return " ".join(seen.split())  # what has vanished may have stood between two spaces


def text(longest: int, *, blank: bool = True) -> Reader:
    """Text on one line: line breaks become spaces, control characters vanish."""

    def reader(value: object) -> str:
        if not isinstance(value, str):
            raise Wrong(f"{show(value)} is not text.", "Put the text in double quotes.")
        clean = _clean(value)
        if not clean and not blank:
            raise Wrong("this is empty.", "Write a word or two, or leave the key out.")
        if len(clean) > longest:
            raise Wrong(f"this has {len(clean)} characters.", f"Shorten it to {longest}.")
        return clean

    return reader


def short_key(value: object) -> str:
    if isinstance(value, str) and re.fullmatch(r"\w[\w.-]{0,39}", value):
        return value
    raise Wrong(f"{show(value)} cannot be a key.", "Use up to 40 letters, digits, dots, hyphens or underscores.")


def file_name(value: object) -> str:
    name: str = text(255, blank=False)(value)
    if "://" in name:
        raise Wrong(f"{show(name)} is an address, not a file.", "Download the calendar and give the name of the file.")
    if name != str(value).strip():
        raise Wrong(f"{show(name)} holds control characters or several spaces in a row.", "Rename the file.")
    return name


def whole(lowest: int, highest: int) -> Reader:
    def reader(value: object) -> int:
        if isinstance(value, float) and value.is_integer():
            value = int(value)
        if isinstance(value, bool) or not isinstance(value, int):
            raise Wrong(
                f"{show(value)} is not a whole number.", f"Write a number from {lowest} to {highest}, no quotes."
            )
        if not lowest <= value <= highest:
            raise Wrong(f"{show(value)} is out of bounds.", f"Write a number from {lowest} to {highest}.")
        return value

    return reader


def number(lowest: float, highest: float) -> Reader:
    def reader(value: object) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise Wrong(
                f"{show(value)} is not a number.", f"Write a number from {lowest} to {highest}, without quotes."
            )
        if not lowest <= value <= highest:
            raise Wrong(f"{show(value)} is out of bounds.", f"Write a number from {lowest} to {highest}.")
        return float(value)

    return reader


def flag(value: object) -> bool:
    if isinstance(value, bool):
        return value
    raise Wrong(f"{show(value)} is neither true nor false.", "Write true or false, without quotes.")


def word(words: type[StrEnum]) -> Reader:
    """One of the words of an enumeration."""
    known = {member.value: member for member in words}

    def reader(value: object) -> StrEnum:
        found = known.get(value.strip().lower()) if isinstance(value, str) else None
        if found is None:
            raise Wrong(f"{show(value)} is none of {', '.join(known)}.", _nearest(value, known))
        return found

    return reader


def _nearest(value: object, known: Mapping[str, object]) -> str:
    near = get_close_matches(value[:40].lower(), known, 1) if isinstance(value, str) else []
    return f'Write "{(near or list(known))[0]}"' + (", for example." if not near else ".")


def the_day(value: object) -> date:
    if isinstance(value, datetime):
        raise Wrong(f"{show(value)} is a date with a clock time.", f"Write the date alone: {value.date()}.")
    if isinstance(value, str) and re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", value.strip()):
        value = _valid(date.fromisoformat, value.strip())
    if not isinstance(value, date):
        raise Wrong(f"{show(value)} is not a date.", "Write year, month and day: 2027-02-04.")
    if not FIRST_YEAR <= value.year <= LAST_YEAR:
        raise Wrong(f"the year {value.year} is out of bounds.", f"Write a year from {FIRST_YEAR} to {LAST_YEAR}.")
    return value


def the_moment(value: object) -> datetime:
    """A date with a clock time and without an offset: the offset is the business of the zone."""
    if isinstance(value, str) and re.fullmatch(
        r"[0-9]{4}-[0-9]{2}-[0-9]{2}[Tt ][0-9]{2}:[0-9]{2}(:[0-9]{2}(\.[0-9]+)?)?(Z|z|[+-][0-9]{2}:[0-9]{2})?",
        value.strip(),
    ):
        value = _valid(datetime.fromisoformat, value.strip().upper())
    if not isinstance(value, datetime):
        raise Wrong(f"{show(value)} is not a date with a clock time.", "Write it as 2027-02-04T09:00.")
    if value.tzinfo is not None:
        bare = value.replace(tzinfo=None).isoformat(timespec="minutes")
        raise Wrong(
            f"{show(value)} carries an offset from UTC.",
            f"Write the clock time of the place alone, such as {bare}, and name the place's zone under zone.",
        )
    the_day(value.date())
    return value.replace(second=_whole_minutes(value), fold=0)


def the_time(value: object) -> time:
    if isinstance(value, str) and re.fullmatch(r"[0-9]{2}:[0-9]{2}(:[0-9]{2})?", value.strip()):
        if value.strip().startswith("24:00"):
            raise Wrong(f"{show(value)} is not a clock time.", 'Write midnight as "00:00".')
        value = _valid(time.fromisoformat, value.strip())
    if not isinstance(value, time) or value.tzinfo is not None:
        raise Wrong(f"{show(value)} is not a clock time.", 'Write hours and minutes in quotes: "16:30".')
    return value.replace(second=_whole_minutes(value), fold=0)


def _whole_minutes(value: time | datetime) -> int:
    if value.second or value.microsecond:
        raise Wrong(f"{show(value)} has seconds.", "Write whole minutes.")
    return 0


def _valid(parse: Callable[[str], Built], value: str) -> Built:
    try:
        return parse(value)
    except ValueError:
        raise Wrong(f"{show(value)} does not exist.", "Look at the calendar or the clock again.") from None


DAY_WORDS: dict[str, tuple[Weekday, ...]] = {
    **{day.name.lower(): (day,) for day in Weekday},
    "weekdays": tuple(Weekday)[:5],
    "weekend": tuple(Weekday)[5:],
    "daily": tuple(Weekday),
}


def weekdays(value: object) -> tuple[Weekday, ...]:
    """Days of the week, from one word or a list of words."""
    words = value if isinstance(value, list | tuple) else [value]
    if not 0 < len(words) <= MOST_ENTRIES:
        raise Wrong("this names no day, or far too many.", 'Write days like ["mon", "thu"] or "weekdays".')
    days: set[Weekday] = set()
    for name in words:
        found = DAY_WORDS.get(name.strip().lower()) if isinstance(name, str) else None
        if found is None:
            raise Wrong(f"{show(name)} is none of {', '.join(DAY_WORDS)}.", _nearest(name, DAY_WORDS))
        days.update(found)
    return tuple(sorted(days))


def weekday(value: object) -> Weekday:
    days = weekdays(value)
    if len(days) != 1:
        raise Wrong("this is more than one day.", 'Write one day, such as "sat".')
    return days[0]


COUNT = whole(0, 1_000)


class Score(NamedTuple):
    """What was missed, and out of how many where that is said too."""

    missed: int
    size: int | None = None


def score(value: object) -> Score:
    """A count of missed problems, or a result such as "14/20": 14 right of 20, so 6 missed."""
    if not isinstance(value, str):
        return Score(COUNT(value))
    result = re.fullmatch(r"\s*([0-9]{1,4})\s*/\s*([0-9]{1,4})\s*", value)
    if not result:
        raise Wrong(
            f"{show(value)} is no result.", 'Write the problems missed as a number, or "14/20" for 14 right of 20.'
        )
    right, size = int(result[1]), int(result[2])
    if right > size or not 1 <= size <= 1_000:
        raise Wrong(f"{show(value)} says {right} right of {size}.", "Write the right ones first, then all of them.")
    return Score(size - right, size)


@cache
def _zones() -> dict[str, str]:
    """The zones of the tz database by their names in small letters; the same list on every machine."""
    names = (files("tzdata") / "zones").read_text(encoding="ascii").split()
    return {name.lower(): name for name in names if name != "Factory"}


def zone_name(value: object) -> str:
    if not isinstance(value, str):
        raise Wrong(f"{show(value)} is not text.", 'Write the name of a zone: "America/Chicago".')
    zones = _zones()
    wanted = value.strip()[:60].lower().replace(" ", "_")
    if zones.get(wanted) == value:
        return value
    cities: dict[str, str] = {}
    for small, name in zones.items():
        cities.setdefault(small.rpartition("/")[2], name)
    city = wanted.rpartition("/")[2]
    near = zones.get(wanted) or cities.get(city)
    found = [near] if near else [zones[name] for name in get_close_matches(wanted, zones, 3)]
    found = found or [cities[name] for name in get_close_matches(city, cities, 3)]
    remedy = f"Did you mean {' or '.join(found)}?" if found else "Names look like America/Chicago or Europe/London."
    raise Wrong(f"{show(value)} is not a zone of the tz database.", remedy)


def country(value: object) -> str:
    if isinstance(value, str) and re.fullmatch(r"[A-Za-z]{2}", value.strip()):
        return value.strip().upper()
    raise Wrong(f"{show(value)} is not a country code.", 'Write the two letters of ISO 3166-1, such as "US" or "GB".')


def subdivision(value: object) -> str:
    if isinstance(value, str) and re.fullmatch(r"([A-Za-z]{2}-)?[A-Za-z0-9]{1,3}", value.strip()):
        return value.strip().upper()
    raise Wrong(f"{show(value)} is not a subdivision code.", 'Write the code of ISO 3166-2, such as "US-IL" or "IL".')


def single(value: object) -> object:
    """A table of its own, which a function further down reads."""
    if isinstance(value, Mapping):
        return value
    if isinstance(value, list):
        raise Wrong("this is a list of tables.", "There is only one: write its name in single brackets.")
    raise Wrong(f"{show(value)} is not a table.", "Write its name in brackets and its keys below.")


def listed(most: int, what: str = "tables", reader: Reader = lambda value: value) -> Reader:
    """A list of up to ``most`` values."""

    def read_list(value: object) -> tuple[Any, ...]:
        if isinstance(value, Mapping):
            raise Wrong("this is one table, and a list is wanted.", "Write its name in double brackets: [[...]].")
        if not isinstance(value, list | tuple):
            raise Wrong(f"{show(value)} is not a list of {what}.", "Write a list in brackets: [...].")
        if len(value) > most:
            raise Wrong(f"this list has {len(value)} {what}.", f"Keep to {most}.")
        return tuple(reader(entry) for entry in value)

    return read_list


def schema_number(value: object) -> int:
    if value == SCHEMA and value is not True:
        return SCHEMA
    raise Wrong(f"schema {show(value)} is not one that this version reads.", f"Write schema = {SCHEMA}.")
