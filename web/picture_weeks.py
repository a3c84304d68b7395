"""How it went by week, as a picture: a row for every week, its minutes end to end, on one scale for all of them.

What was done is a full bar, what was missed a hatched one, what nobody said anything of has a broken edge, and what is
yet to come is empty, so that no colour is needed to tell them apart. The same stands in a table beside it. All geometry
is in whole numbers.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from calplan.sentences import short_day
from web.picture_strips import Box, Text

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from datetime import date

    from calplan.progress import Week

WIDTH = 360
LEFT, RIGHT = 100, 40
"""Room for the Monday before the bars, and for the minutes after them."""
ROW, BAR = 28, 16
HATCH = 5
"""How far apart the strokes of a hatched bar are."""

WORDS = {"done": "done", "missed": "missed", "silent": "without a word", "coming": "to come"}
"""What the four looks of a bar mean, in the order in which they stand in a row."""


class WeekRow(NamedTuple):
    """A week's minutes; ``coming`` are those that are not over."""

    monday: date
    planned: int
    done: int
    missed: int
    silent: int
    coming: int
    now: bool


class Weeks(NamedTuple):
    """The picture: an SVG's geometry, one sentence, and the same as a table. ``hatches`` is the data of one path."""

    summary: str
    width: int
    height: int
    boxes: tuple[Box, ...]
    hatches: str
    texts: tuple[Text, ...]
    rows: tuple[WeekRow, ...]


def weeks_picture(weeks: Sequence[Week], *, today: date) -> Weeks | None:
    """The picture of the weeks that :func:`calplan.progress.progress` gives; ``None`` where there are none."""
    if not weeks:
        return None
    rows = tuple(row_of(week, today) for week in weeks)
    most = max(max(sum(minutes_of(row)) for row in rows), 1)
    boxes: list[Box] = []
    for number, row in enumerate(rows):
        boxes += bars(row, number * ROW + (ROW - BAR) // 2, most)
    return Weeks(
        summary=summary(rows),
        width=WIDTH,
        height=len(rows) * ROW,
        boxes=tuple(boxes),
        hatches="".join(hatch(box) for box in boxes if box.look == "week-missed"),
        texts=tuple(text for number, row in enumerate(rows) for text in texts(row, number * ROW + ROW // 2 + 5)),
        rows=rows,
    )


def row_of(week: Week, today: date) -> WeekRow:
    """A week with the minutes that are yet to come; it is the present one where ``today`` lies in it."""
    coming = max(0, week.planned - week.done - week.missed - week.silent)
    now = 0 <= (today - week.monday).days < 7
    return WeekRow(week.monday, week.planned, week.done, week.missed, week.silent, coming, now)


def minutes_of(row: WeekRow) -> tuple[int, int, int, int]:
    """The minutes of the four bars of a row, in the order of :data:`WORDS`."""
    return row.done, row.missed, row.silent, row.coming


def bars(row: WeekRow, y: int, most: int) -> Iterator[Box]:
    """The bars of a row, end to end; ``most`` minutes take the whole width. One too short to be seen is left out."""
    minutes, span = 0, WIDTH - LEFT - RIGHT
    for look, more in zip(WORDS, minutes_of(row), strict=True):
        begin, minutes = LEFT + minutes * span // most, minutes + more
        end = LEFT + minutes * span // most
        if end > begin:
            yield Box(begin, y, end - begin, BAR, f"week-{look}")


def hatch(box: Box) -> str:
    """Strokes at 45 degrees across a box, cut off at its edges, as the data of an SVG path."""
    strokes = []
    for foot in range(HATCH - box.height, box.width, HATCH):
        low, high = max(foot, 0), min(foot + box.height, box.width)
        bottom = box.y + box.height
        strokes.append(f"M{box.x + low} {bottom - (low - foot)}L{box.x + high} {bottom - (high - foot)}")
    return "".join(strokes)


def texts(row: WeekRow, y: int) -> Iterator[Text]:
    """The Monday before a row, and its minutes after it."""
    yield Text(0, y, short_day(row.monday), "now" if row.now else "")
    yield Text(WIDTH, y, str(row.planned), "number", "end")


def summary(rows: Sequence[WeekRow]) -> str:
    """What the picture shows, in one sentence."""
    done, missed, silent, coming = (sum(column) for column in zip(*map(minutes_of, rows), strict=True))
    weeks = "one week" if len(rows) == 1 else f"{len(rows)} weeks"
    told = [f"{done} minutes done", f"{missed} missed", f"{silent} without a word", f"{coming} to come"]
    return f"{weeks.capitalize()}, each from its Monday, with the minutes planned at the end: {', '.join(told)} in all."
