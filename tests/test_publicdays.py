"""Public holidays against published lists, and the known edges of the package that holds them."""

from __future__ import annotations

from datetime import date, timedelta
from typing import TYPE_CHECKING

import holidays
import pytest
import tzdata

from calplan import publicdays
from calplan.errors import InvalidRequest
from calplan.model import Holidays, HolidayUse, OwnHoliday, Request
from calplan.publicdays import NEEDS_SUBDIVISION, check_place, holiday_days, versions

if TYPE_CHECKING:
    from pathlib import Path


def found(year: int, country: str, subdivision: str | None = None) -> set[date]:
    """The public holidays that a plan for the whole year would meet."""
    request = Request(zone="UTC", exams=(), week=(), holidays=Holidays(country=country, subdivision=subdivision))
    there, notices = holiday_days(request, date(year, 1, 1), date(year, 12, 31))
    assert notices == ()
    assert [one.day for one in there] == sorted({one.day for one in there})
    return {one.day for one in there}


def dates(year: int, *days: tuple[int, int]) -> set[date]:
    """Dates of a year from pairs of day and month."""
    return {date(year, month, day) for day, month in days}


# ------------------------------------------------------------------------------------------ published lists

PUBLISHED = {
    # The calendar of the federal courts.
    ("US", None, 2026): dates(
        2026, (1, 1), (19, 1), (16, 2), (25, 5), (19, 6), (3, 7), (7, 9), (12, 10), (11, 11), (26, 11), (25, 12)
    ),
    # 5 U.S.C. 6103: the eleven, a Saturday's holiday on the Friday before, a Sunday's on the Monday after;
    # 31 December 2027 stands for New Year 2028.
    ("US", None, 2027): dates(
        2027, (1, 1), (18, 1), (15, 2), (31, 5), (18, 6), (5, 7), (6, 9), (11, 10), (11, 11), (25, 11), (24, 12),
        (31, 12),
    ),
    # The government's data file of bank holidays, division England and Wales.
    ("GB", "ENG", 2026): dates(2026, (1, 1), (3, 4), (6, 4), (4, 5), (25, 5), (31, 8), (25, 12), (28, 12)),
    ("GB", "WLS", 2026): dates(2026, (1, 1), (3, 4), (6, 4), (4, 5), (25, 5), (31, 8), (25, 12), (28, 12)),
    ("GB", "ENG", 2027): dates(2027, (1, 1), (26, 3), (29, 3), (3, 5), (31, 5), (30, 8), (27, 12), (28, 12)),
}  # fmt: skip


@pytest.mark.parametrize("place", sorted(PUBLISHED, key=str))
def test_every_published_holiday_is_found_and_nothing_else_but_nominal_weekend_dates(
    place: tuple[str, str | None, int],
) -> None:
    """The package keeps a weekend date beside its substitute; no working day may be taken for a holiday."""
    country, subdivision, year = place
    there = found(year, country, subdivision)
    assert PUBLISHED[place] <= there
    assert all(day.weekday() >= 5 for day in there - PUBLISHED[place])


def test_scotland_has_its_own_day_on_15_june_2026() -> None:
    """Source: the government's data file of bank holidays, division Scotland."""
    assert date(2026, 6, 15) in found(2026, "GB", "SCT")
    assert date(2026, 6, 15) not in found(2026, "GB", "ENG")


def test_japan_has_eighteen_days_in_2026() -> None:
    """Source: the list of the Cabinet Office; 22 September lies between two holidays and so becomes one."""
    there = found(2026, "JP")
    assert len(there) == 18
    assert date(2026, 9, 22) in there


def meeus_easter(year: int) -> date:
    """Easter Sunday by Meeus, Astronomical Algorithms, chapter 8 (from memory)."""
    a, b, c = year % 19, year // 100, year % 100
    d, e, g = b // 4, b % 4, (8 * b + 13) // 25
    h = (19 * a + b - d - g + 15) % 30
    i, k = c // 4, c % 4
    m = (a + 11 * h) // 319
    r = (2 * e + 2 * i - k - h + m + 32) % 7
    month = (h - m + r + 90) // 25
    return date(year, month, (h - m + r + month + 19) % 32)


@pytest.mark.parametrize("easter", [date(2026, 4, 5), date(2027, 3, 28), date(2028, 4, 16)])
def test_easter_monday_follows_easter_sunday(easter: date) -> None:
    """Source: the governments' Easter Mondays; Meeus's algorithm."""
    assert meeus_easter(easter.year) == easter
    assert {easter - timedelta(days=2), easter + timedelta(days=1)} <= found(easter.year, "GB", "ENG")


# ------------------------------------------------------------------------------------ edges of the package


def test_great_britain_without_a_subdivision_is_refused_with_the_subdivisions() -> None:
    """Without one the package leaves out Easter Monday and the August holiday, and says nothing."""
    request = Request(zone="Europe/London", exams=(), week=(), holidays=Holidays(country="GB"))
    with pytest.raises(InvalidRequest) as refused:
        holiday_days(request, date(2026, 1, 1), date(2026, 12, 31))
    [problem] = refused.value.problems
    assert problem.place == "holidays.subdivision"
    assert problem.remedy == "Give one of ENG (England), NIR (Northern Ireland), SCT (Scotland), WLS (Wales)."
    assert date(2026, 4, 6) not in holidays.country_holidays("GB", years=2026)


def test_where_all_parts_share_a_day_that_the_country_lacks_a_subdivision_is_needed() -> None:
    """Measured on the package as installed, for five years; Great Britain's edge is the one above."""
    lacking = set()
    for country, parts in holidays.list_supported_countries(include_aliases=False).items():
        for year in range(2026, 2031) if parts else ():
            whole = set(holidays.country_holidays(country, years=year, language="en_US"))
            shared = set.intersection(*(set(holidays.country_holidays(country, part, years=year)) for part in parts))
            if shared - whole:
                lacking.add(country)
    assert lacking | {"GB"} == NEEDS_SUBDIVISION


@pytest.mark.parametrize(
    ("country", "subdivision", "place", "words"),
    [
        ("UK", None, "country", "Did you mean GB (United Kingdom)?"),
        ("USA", None, "country", "Did you mean US (United States)?"),
        ("us", None, "country", "Did you mean US (United States)?"),
        ("Germny", None, "country", "DE (Germany)"),
        ("??", None, "country", "two letters of ISO 3166-1"),
        ("GB", "England", "subdivision", "Did you mean ENG (England)?"),
        ("US", "US-CA", "subdivision", "Did you mean CA (California)?"),
        ("US", "??", "subdivision", "Give one of AK (Alaska)"),
        ("LK", "X", "subdivision", "Leave the subdivision out"),
        ("AU", None, "subdivision", "NSW (New South Wales)"),
        (None, "CA", "subdivision", "Give the country too"),
    ],
)
def test_an_unknown_place_is_refused_with_a_way_out(
    country: str | None, subdivision: str | None, place: str, words: str
) -> None:
    problem = check_place(country, subdivision)
    assert problem is not None
    assert problem.place == f"holidays.{place}"
    assert words in problem.remedy
    request = Request(zone="UTC", exams=(), week=(), holidays=Holidays(country=country, subdivision=subdivision))
    with pytest.raises(InvalidRequest):
        holiday_days(request, date(2026, 1, 1), date(2026, 12, 31))


@pytest.mark.parametrize(("country", "subdivision"), [(None, None), ("US", None), ("US", "CA"), ("GB", "NIR")])
def test_a_known_place_is_accepted(country: str | None, subdivision: str | None) -> None:
    assert check_place(country, subdivision) is None


@pytest.mark.parametrize(
    ("country", "year"),
    [
        ("US", holidays.US.end_year + 1),  # the package answers with nothing
        ("IN", 2036),  # the package answers with a warning
        ("BV", 2026),  # an island without people or holidays: nothing is no reason to be sure
    ],
)
def test_a_year_past_the_data_is_said(country: str, year: int) -> None:
    request = Request(zone="UTC", exams=(), week=(), holidays=Holidays(country=country))
    _, notices = holiday_days(request, date(year, 1, 1), date(year, 12, 31))
    [notice] = notices
    assert notice.code == "holidays-incomplete"
    assert str(year) in notice.sentence
    ordinary = Request(zone="UTC", exams=(), week=(), holidays=Holidays(country=country, use=HolidayUse.ORDINARY))
    assert holiday_days(ordinary, date(year, 1, 1), date(year, 12, 31))[1] == ()


def test_titles_do_not_follow_the_language_of_the_machine(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("LANGUAGE", "ja")
    publicdays._year.cache_clear()
    request = Request(zone="Asia/Tokyo", exams=(), week=(), holidays=Holidays(country="JP"))
    [first, *_], _ = holiday_days(request, date(2026, 1, 1), date(2026, 12, 31))
    assert first.title == "New Year's Day"
    assert holidays.country_holidays("JP", years=2026)[date(2026, 1, 1)] == "元日"


# -------------------------------------------------------------------------------------------- own dates


def test_own_dates_are_added_and_overrule_by_date() -> None:
    own = (OwnHoliday(day=date(2026, 7, 3), title="Picnic"), OwnHoliday(day=date(2026, 7, 6), title="School closed"))
    request = Request(zone="UTC", exams=(), week=(), holidays=Holidays(country="US", use=HolidayUse.LIGHT, own=own))
    there, _ = holiday_days(request, date(2026, 7, 1), date(2026, 7, 31))
    assert [(one.day.day, one.title) for one in there] == [
        (3, "Picnic"),
        (4, "Independence Day"),
        (6, "School closed"),
    ]
    assert {one.use for one in there} == {HolidayUse.LIGHT}


def test_own_dates_need_no_country_and_the_range_may_be_empty_or_span_years() -> None:
    own = (OwnHoliday(day=date(2026, 12, 31), title="Last"), OwnHoliday(day=date(2027, 1, 1), title="First"))
    alone = Request(zone="UTC", exams=(), week=(), holidays=Holidays(own=own))
    assert [one.title for one in holiday_days(alone, date(2026, 12, 1), date(2027, 2, 1))[0]] == ["Last", "First"]
    both = Request(zone="UTC", exams=(), week=(), holidays=Holidays(country="US"))
    there, _ = holiday_days(both, date(2027, 12, 20), date(2028, 1, 20))
    assert {one.day for one in there} == {
        date(2027, 12, 24), date(2027, 12, 25), date(2027, 12, 31), date(2028, 1, 1), date(2028, 1, 17)
    }  # fmt: skip  # 5 U.S.C. 6103
    assert holiday_days(both, date(2027, 5, 2), date(2027, 5, 1)) == ((), ())


# ---------------------------------------------------------------------------------------------- versions


def test_versions_name_the_data_in_use(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    (tmp_path / "tzdata.zi").write_text("# version 2026c\n# redo posix_only\n", encoding="utf-8")
    monkeypatch.setattr(publicdays, "TZPATH", (str(tmp_path / "none"), str(tmp_path)))
    assert versions.__wrapped__() == ("2026c", holidays.__version__)
    monkeypatch.setattr(publicdays, "TZPATH", ())
    assert versions.__wrapped__() == (tzdata.IANA_VERSION, holidays.__version__)
