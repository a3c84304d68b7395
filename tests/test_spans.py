"""Half-open spans: their edges, the laws of their algebra, and wall-clock time where the clock jumps or repeats."""

from __future__ import annotations

from bisect import bisect_left
from datetime import UTC, date, datetime, timedelta
from functools import cache
from itertools import accumulate, pairwise
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calplan.spans import Span, day_span, instant, intersect, merge, subtract, wall, widen

NOON = datetime(2026, 3, 2, 12, tzinfo=UTC)
MINUTE = timedelta(minutes=1)


def span(start: int, end: int) -> Span:
    """The span between two minutes after noon."""
    return Span(NOON + start * MINUTE, NOON + end * MINUTE)


def minutes(spans: tuple[Span, ...]) -> set[int]:
    """The minutes after noon that the spans hold: the brute-force view of them."""
    return {at for one in spans for at in range((one.start - NOON) // MINUTE, (one.end - NOON) // MINUTE)}


# ------------------------------------------------------------------------------------------------- edges

# Against the span from 10 to 20: a span holds its start and not its end (as RFC 5545 §3.6.1 has it of DTEND).
EDGES = [
    (0, 5, False),
    (0, 10, False),  # touches the start
    (0, 11, True),
    (10, 11, True),
    (12, 18, True),
    (10, 20, True),
    (0, 30, True),
    (19, 20, True),
    (19, 25, True),
    (20, 25, False),  # touches the end
    (25, 30, False),
]


@pytest.mark.parametrize(("start", "end", "shared"), EDGES)
def test_two_spans_overlap_if_they_share_an_instant(start: int, end: int, shared: bool) -> None:
    assert span(start, end).overlaps(span(10, 20)) is shared
    assert span(10, 20).overlaps(span(start, end)) is shared
    assert bool(intersect([span(start, end)], [span(10, 20)])) is shared
    assert (subtract([span(10, 20)], [span(start, end)]) != (span(10, 20),)) is shared


def test_minutes_are_whole_and_rounded_down() -> None:
    assert span(10, 20).minutes == 10
    assert Span(NOON, NOON + timedelta(seconds=119)).minutes == 1


def test_spans_that_touch_become_one_and_empty_ones_vanish() -> None:
    assert merge([span(20, 30), span(10, 20), span(40, 40), span(50, 45)]) == (span(10, 30),)


def test_a_margin_widens_on_both_sides_and_joins_what_it_reaches() -> None:
    assert widen([span(10, 20), span(40, 50)], 10) == (span(0, 60),)
    assert widen([span(10, 20), span(41, 50)], 10) == (span(0, 30), span(31, 60))


# -------------------------------------------------------------------------------------------------- laws

some_spans = st.lists(
    st.tuples(st.integers(0, 120), st.integers(0, 40)).map(lambda pair: span(pair[0], pair[0] + pair[1])), max_size=9
)


def canonical(spans: tuple[Span, ...]) -> bool:
    """In order, none empty, and a free instant between any two."""
    return all(one.start < one.end for one in spans) and all(one.end < other.start for one, other in pairwise(spans))


@given(some_spans)
def test_merge_keeps_the_minutes_in_as_few_spans_as_can_be(spans: list[Span]) -> None:
    assert minutes(merge(spans)) == minutes(tuple(spans))
    assert canonical(merge(spans))
    assert merge(merge(spans)) == merge(spans)


@given(some_spans, some_spans)
def test_subtract_leaves_the_minutes_of_the_first_that_are_not_in_the_second(a: list[Span], b: list[Span]) -> None:
    assert minutes(subtract(a, b)) == minutes(tuple(a)) - minutes(tuple(b))
    assert canonical(subtract(a, b))


@given(some_spans, some_spans)
def test_intersect_keeps_the_minutes_of_both(a: list[Span], b: list[Span]) -> None:
    assert minutes(intersect(a, b)) == minutes(tuple(a)) & minutes(tuple(b))
    assert canonical(intersect(a, b))
    assert intersect(a, b) == intersect(b, a)


@given(some_spans, some_spans)
def test_what_is_left_and_what_is_shared_make_the_whole(a: list[Span], b: list[Span]) -> None:
    assert merge([*subtract(a, b), *intersect(a, b)]) == merge(a)


@given(some_spans, st.integers(0, 15))
def test_a_margin_takes_every_minute_within_reach(spans: list[Span], margin: int) -> None:
    reached = {at + by for at in minutes(tuple(spans)) for by in range(-margin, margin + 1)}
    full = [one for one in spans if one.start < one.end]
    assert minutes(widen(full, margin)) == reached


# ---------------------------------------------------------------------------------------- wall-clock time

# Source of all transitions: the tz database.
CHANGES = {
    "New York springs forward": ("America/New_York", datetime(2026, 3, 8)),
    "New York falls back": ("America/New_York", datetime(2026, 11, 1)),
    "London springs forward": ("Europe/London", datetime(2026, 3, 29)),
    "London falls back": ("Europe/London", datetime(2026, 10, 25)),
    "Lord Howe falls back by half an hour": ("Australia/Lord_Howe", datetime(2026, 4, 5)),
    "Lord Howe springs forward by half an hour": ("Australia/Lord_Howe", datetime(2026, 10, 4)),
    "Apia skips a day": ("Pacific/Apia", datetime(2011, 12, 30)),
}


@pytest.mark.parametrize(
    ("zone", "clock", "utc"),
    [
        ("America/New_York", datetime(2026, 3, 8, 1, 59), datetime(2026, 3, 8, 6, 59)),
        ("America/New_York", datetime(2026, 3, 8, 2, 0), datetime(2026, 3, 8, 7, 0)),  # is 03:00
        ("America/New_York", datetime(2026, 3, 8, 2, 30), datetime(2026, 3, 8, 7, 0)),  # does not exist
        ("America/New_York", datetime(2026, 3, 8, 2, 30, fold=1), datetime(2026, 3, 8, 7, 0)),
        ("America/New_York", datetime(2026, 3, 8, 3, 0), datetime(2026, 3, 8, 7, 0)),
        ("America/New_York", datetime(2026, 11, 1, 1, 30), datetime(2026, 11, 1, 5, 30)),  # comes twice
        ("America/New_York", datetime(2026, 11, 1, 1, 30, fold=1), datetime(2026, 11, 1, 6, 30)),
        ("America/New_York", datetime(2026, 11, 1, 2, 0), datetime(2026, 11, 1, 7, 0)),
        ("Europe/London", datetime(2026, 3, 29, 1, 30), datetime(2026, 3, 29, 1, 0)),
        ("Europe/London", datetime(2026, 10, 25, 1, 30), datetime(2026, 10, 25, 0, 30)),
        ("Australia/Lord_Howe", datetime(2026, 4, 5, 1, 45), datetime(2026, 4, 4, 14, 45)),
        ("Australia/Lord_Howe", datetime(2026, 4, 5, 1, 45, fold=1), datetime(2026, 4, 4, 15, 15)),
        ("Australia/Lord_Howe", datetime(2026, 10, 4, 2, 15), datetime(2026, 10, 3, 15, 30)),
        ("Pacific/Apia", datetime(2011, 12, 30, 12, 0), datetime(2011, 12, 30, 10, 0)),  # a day that never was
    ],
)
def test_the_instant_of_a_wall_clock_time_is_the_first_or_the_next_that_exists(
    zone: str, clock: datetime, utc: datetime
) -> None:
    assert instant(clock, ZoneInfo(zone)) == utc.replace(tzinfo=UTC)


@cache
def clock_readings(zone: str, around: datetime) -> tuple[datetime, list[datetime], list[datetime]]:
    """What the clock of a zone shows at every minute of four days, and the highest reading up to each."""
    first = around.replace(tzinfo=UTC) - timedelta(days=2)
    shown = [(first + at * MINUTE).astimezone(ZoneInfo(zone)).replace(tzinfo=None) for at in range(5 * 1440)]
    return first, shown, list(accumulate(shown, max))


@given(st.sampled_from(sorted(CHANGES)), st.integers(-300, 1500))
def test_the_instant_is_the_first_minute_at_which_the_clock_has_come_so_far(change: str, after: int) -> None:
    """Watching the clock minute by minute finds the same instant."""
    zone, day = CHANGES[change]
    clock = day + after * MINUTE
    first, shown, highest = clock_readings(zone, day)
    assert instant(clock, ZoneInfo(zone)) == first + bisect_left(highest, clock) * MINUTE
    if clock in shown:
        last = max(at for at, reading in enumerate(shown) if reading == clock)
        assert instant(clock.replace(fold=1), ZoneInfo(zone)) == first + last * MINUTE


@given(st.sampled_from(sorted(CHANGES)), st.integers(-2000, 2000))
def test_every_instant_comes_back_from_its_wall_clock_time(change: str, after: int) -> None:
    zone, day = CHANGES[change]
    moment = day.replace(tzinfo=UTC) + after * MINUTE
    assert instant(wall(moment, ZoneInfo(zone)), ZoneInfo(zone)) == moment


@pytest.mark.parametrize(
    ("zone", "day", "hours"),
    [
        ("America/New_York", date(2026, 3, 7), 24),
        ("America/New_York", date(2026, 3, 8), 23),
        ("America/New_York", date(2026, 11, 1), 25),
        ("Europe/London", date(2026, 3, 29), 23),
        ("Europe/London", date(2026, 10, 25), 25),
        ("Australia/Lord_Howe", date(2026, 4, 5), 24.5),
        ("Australia/Lord_Howe", date(2026, 10, 4), 23.5),
        ("Pacific/Apia", date(2011, 12, 30), 0),
        ("Pacific/Apia", date(2011, 12, 31), 24),
    ],
)
def test_a_local_day_has_the_hours_that_its_clock_gives_it(zone: str, day: date, hours: float) -> None:
    whole = day_span(day, ZoneInfo(zone))
    assert whole.end - whole.start == timedelta(hours=hours)
