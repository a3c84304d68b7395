"""Public holidays by country and subdivision, for people who must not be led astray by a silent gap in the data.

This is the only module that uses the ``holidays`` package, and it imports it when it first needs it. What the package
does silently is said aloud here: a country whose parts differ asks for its part, and years past the data get a notice.
"""

from __future__ import annotations

import re
import warnings
from datetime import date
from difflib import get_close_matches
from functools import cache
from importlib import import_module
from importlib.metadata import version
from pathlib import Path
from zoneinfo import TZPATH

from calplan.errors import InvalidRequest, Problem
from calplan.model import HolidayDay, HolidayUse, Notice, Request

NEEDS_SUBDIVISION = frozenset({"AU", "BA", "GB"})
"""Countries whose list without a subdivision lacks days that all of their parts have, or all but one (measured)."""


def holiday_days(request: Request, first: date, last: date) -> tuple[tuple[HolidayDay, ...], tuple[Notice, ...]]:
    """The public holidays from ``first`` to ``last`` in order, the student's own among them (they overrule by date).

    Raises InvalidRequest where the package does not know the place. A nominal weekend date may stand beside its
    substitute: both are free where the package says so.
    """
    asked = request.holidays
    titles: dict[date, str] = {}
    notices: list[Notice] = []
    if asked.country is not None or asked.subdivision is not None:
        problem = check_place(asked.country, asked.subdivision)
        if problem:
            raise InvalidRequest([problem])
        for year in range(first.year, last.year + 1) if first <= last else ():
            found, doubt = _year(asked.country or "", asked.subdivision, year)
            titles.update(found)
            if doubt and asked.use is not HolidayUse.ORDINARY:
                notices.append(Notice(code="holidays-incomplete", sentence=doubt))
    titles.update((one.day, one.title) for one in asked.own)
    days = (HolidayDay(day=day, title=titles[day], use=asked.use) for day in sorted(titles) if first <= day <= last)
    return tuple(days), tuple(notices)


@cache
def check_place(country: str | None, subdivision: str | None) -> Problem | None:
    """What is wrong with a country (ISO 3166-1, two letters) and subdivision (ISO 3166-2); ``None``: nothing."""
    if country is None:
        return _no_country(subdivision) if subdivision is not None else None
    known = _countries()
    if country not in known.values():
        near = ", ".join(f"{code} ({_name(code)})" for code in _closest(country, known))
        remedy = f"Did you mean {near}?" if near else "Give the two letters of ISO 3166-1, such as US, GB or JP."
        return Problem("holidays.country", f'No public holidays are known for a country "{country}".', remedy)
    parts = _subdivisions(country)
    if subdivision in parts or (subdivision is None and country not in NEEDS_SUBDIVISION):
        return None
    if subdivision is None:
        sentence = f"The public holidays of {_name(country)} differ between its parts, and no part is given."
        return Problem("holidays.subdivision", sentence, f"Give one of {_listed(parts)}.")
    sentence = f'{_name(country)} has no part "{subdivision}" in the holiday data.'
    if not parts:
        return Problem("holidays.subdivision", sentence, "Leave the subdivision out: the country has none there.")
    spellings = {code: code for code in parts} | {f"{country}-{code}": code for code in parts}
    near_parts = _closest(subdivision, spellings | {name: code for code, name in parts.items() if name})
    remedy = f"Did you mean {_listed({code: parts[code] for code in near_parts})}?" if near_parts else ""
    return Problem("holidays.subdivision", sentence, remedy or f"Give one of {_listed(parts)}.")


def _no_country(subdivision: str) -> Problem:
    return Problem(
        "holidays.subdivision",
        f'"{subdivision}" is a part of a country, but no country is given.',
        "Give the country too, as the two letters of ISO 3166-1.",
    )


@cache
def _year(country: str, subdivision: str | None, year: int) -> tuple[dict[date, str], str]:
    """The holidays of a year, and a sentence where they cannot be relied on.

    The language is always given: without one the package takes that of the machine's environment, and the same request
    would give other titles elsewhere. Past its data the package answers with nothing, or with a bare warning.
    """
    import holidays

    languages = holidays.list_localized_countries(include_aliases=False).get(country, [])
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        found = holidays.country_holidays(
            country, subdiv=subdivision, years=year, language="en_US" if "en_US" in languages else None
        )
    days = {day: title for day, title in sorted(found.items()) if day.year == year}
    if caught or not days or not found.start_year <= year <= found.end_year:
        place = f"{_name(country)} ({subdivision})" if subdivision else _name(country)
        return days, (
            f"The public holidays of {place} in {year} are not, or not all, known yet: add those that matter by date."
        )
    return days, ""


def countries() -> tuple[tuple[str, str], ...]:
    """The countries whose public holidays are known, each with its two letters, in the order of their names."""
    return tuple(sorted(((code, _name(code)) for code in set(_countries().values())), key=lambda one: one[1]))


@cache
def _countries() -> dict[str, str]:
    """Every spelling that people may mean a country by (code, longer code, name), and its two letters."""
    import holidays
    from holidays.registry import COUNTRIES

    codes = set(holidays.list_supported_countries(include_aliases=False))
    spellings: dict[str, str] = {}
    for entry in COUNTRIES.values():
        code = next(word for word in entry if word in codes)
        spellings.update((word, code) for word in (_spaced(entry[0]), *entry[1:]))
    return spellings


@cache
def _name(country: str) -> str:
    return next(spelling for spelling, code in _countries().items() if code == country)


def _spaced(name: str) -> str:
    return re.sub(r"(?<=[a-z])(?=[A-Z])", " ", name)


@cache
def _subdivisions(country: str) -> dict[str, str]:
    """The codes of a country's subdivisions with their names ("" where the code is all there is)."""
    import holidays

    entity = holidays.country_holidays(country)
    names = {code: name for name, code in entity.subdivisions_aliases.items()}
    return {code: names.get(code, "") for code in entity.subdivisions}


def _closest(word: str, spellings: dict[str, str]) -> list[str]:
    """At most three codes whose spellings are nearest to ``word``."""
    folded = {spelling.casefold(): code for spelling, code in spellings.items()}
    near = get_close_matches(word.casefold(), folded, n=3)
    if near and near[0] == word.casefold():
        del near[1:]
    return list(dict.fromkeys(folded[spelling] for spelling in near))


def _listed(parts: dict[str, str]) -> str:
    return ", ".join(f"{code} ({name})" if name else code for code, name in parts.items())


@cache
def versions() -> tuple[str, str]:
    """The version of the time zone data in use, and that of the ``holidays`` package."""
    for folder in TZPATH:
        table = Path(folder, "tzdata.zi")
        if table.is_file():
            with table.open(encoding="utf-8") as lines:
                return lines.readline().removeprefix("# version").strip(), version("holidays")
    return str(import_module("tzdata").IANA_VERSION), version("holidays")
