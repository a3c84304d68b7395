"""Half-open spans of time and their algebra.

A span holds its start and not its end. Both are instants in UTC, so that a clock change can neither
stretch nor shrink anything: wall-clock times become instants once, in :func:`instant`, and turn back into
wall-clock times only to be shown.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from functools import lru_cache
from typing import TYPE_CHECKING

import msgspec

if TYPE_CHECKING:
    from collections.abc import Iterable
    from zoneinfo import ZoneInfo


class Span(msgspec.Struct, frozen=True, order=True):
    """The instants from ``start`` up to, and not including, ``end``; both in UTC."""

    start: datetime
    end: datetime

    @property
    def minutes(self) -> int:
        """Whole minutes between start and end, rounded down."""
        return int((self.end - self.start).total_seconds() // 60)

    def overlaps(self, other: Span) -> bool:
        """Whether the two share an instant; spans that only touch do not."""
        return self.start < other.end and other.start < self.end


def instant(wall: datetime, zone: ZoneInfo) -> datetime:
    """The UTC instant of a wall-clock time in a zone.

    A time that does not exist that day (the clock jumps over it) moves to the next one that does; a time
    that comes twice means the first, unless ``wall.fold`` is 1 (PEP 495).
    """
    return _instant(wall if wall.tzinfo is None else wall.replace(tzinfo=None), wall.fold, zone)


@lru_cache(maxsize=1 << 14)
def _instant(wall: datetime, fold: int, zone: ZoneInfo) -> datetime:
    """As :func:`instant`; ``fold`` stands apart because times that differ in nothing else are equal."""
    there = wall.replace(tzinfo=zone, fold=fold)
    utc = there.astimezone(UTC)
    if utc.astimezone(zone).replace(tzinfo=None) == wall.replace(tzinfo=None):
        return utc
    # Inside a jump: fold 0 reads the time with the offset before the jump, fold 1 with the one after it,
    # and the jump itself lies where the two readings' local clocks meet.
    before = there.replace(fold=0).utcoffset()
    after = there.replace(fold=1).utcoffset()
    assert before is not None
    assert after is not None
    low, high = there.replace(fold=1).astimezone(UTC), there.replace(fold=0).astimezone(UTC)
    while high - low > timedelta(milliseconds=1):
        middle = low + (high - low) / 2
        if middle.astimezone(zone).utcoffset() == before:
            low = middle
        else:
            high = middle
    return (high + timedelta(milliseconds=500)).replace(microsecond=0)


def wall(moment: datetime, zone: ZoneInfo) -> datetime:
    """The wall-clock time of an instant in a zone, without a zone but with its ``fold``."""
    return moment.astimezone(zone).replace(tzinfo=None)


def day_span(day: date, zone: ZoneInfo) -> Span:
    """The whole local day: 23, 24 or 25 hours where the clock changes."""
    return Span(
        instant(datetime.combine(day, time.min), zone),
        instant(datetime.combine(day + timedelta(days=1), time.min), zone),
    )


def merge(spans: Iterable[Span]) -> tuple[Span, ...]:
    """The same instants as few spans in order; spans that touch become one, empty ones vanish."""
    merged: list[Span] = []
    for span in sorted(spans):
        if span.start >= span.end:
            continue
        if merged and span.start <= merged[-1].end:
            if span.end > merged[-1].end:
                merged[-1] = Span(merged[-1].start, span.end)
        else:
            merged.append(span)
    return tuple(merged)


def subtract(spans: Iterable[Span], holes: Iterable[Span]) -> tuple[Span, ...]:
    """What is left of ``spans`` when every instant of ``holes`` is taken out."""
    left: list[Span] = []
    cuts = merge(holes)
    first = 0
    for span in merge(spans):
        start = span.start
        while first < len(cuts) and cuts[first].end <= start:
            first += 1
        at = first
        while at < len(cuts) and cuts[at].start < span.end:
            if cuts[at].start > start:
                left.append(Span(start, cuts[at].start))
            start = max(start, cuts[at].end)
            at += 1
        if start < span.end:
            left.append(Span(start, span.end))
    return tuple(left)


def intersect(spans: Iterable[Span], others: Iterable[Span]) -> tuple[Span, ...]:
    """The instants that lie in both."""
    ours, theirs = merge(spans), merge(others)
    shared: list[Span] = []
    i = j = 0
    while i < len(ours) and j < len(theirs):
        start, end = max(ours[i].start, theirs[j].start), min(ours[i].end, theirs[j].end)
        if start < end:
            shared.append(Span(start, end))
        if ours[i].end <= theirs[j].end:
            i += 1
        else:
            j += 1
    return tuple(shared)


def widen(spans: Iterable[Span], minutes: int) -> tuple[Span, ...]:
    """Every span with a margin of so many minutes on either side."""
    margin = timedelta(minutes=minutes)
    return merge(Span(span.start - margin, span.end + margin) for span in spans)
