"""The wide drawing of the load strip: days from left to right in rows of up to five weeks, squares stacked upward."""

from __future__ import annotations

from itertools import groupby
from typing import TYPE_CHECKING, NamedTuple

from calplan.model import UNIT
from calplan.sentences import MONTHS, WEEKDAYS
from web.clocks import clock
from web.picture_squares import DayLoad, Loads, Run, Stretch
from web.picture_strips import (
    ROOMY,
    Box,
    Column,
    Drawing,
    Grain,
    Line,
    Shape,
    Square,
    Stack,
    Text,
    cut,
    days_title,
    fullest,
    hairlines,
    in_rows,
    mark_path,
    outline,
    stacks,
    tracks,
)
from web.picture_words import day_words

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence
    from datetime import date

LEFT, RIGHT, ABOVE = 88, 12, 38
WEEK_GAP = 14


class Layout(NamedTuple):
    """How wide a day is, how many weeks a row has, and the grains for so many units of the fullest day at most."""

    day: int
    weeks: int
    grains: tuple[tuple[Grain, int], ...]


FEW = 10**6
ALONE = Layout(
    28,
    5,
    (
        *((Grain(1, 20), 14), (Grain(1, 16), 20), (Grain(1, 14), 24)),
        *((Grain(2, 13), 50), (Grain(3, 9), 120), (Grain(4, 7), 208), (Grain(5, 5), 360), (Grain(9, 3), FEW)),
    ),
)
"""One plan: no day of 24 hours is higher than about 370 pixels."""
BESIDE = Layout(34, 4, ((Grain(1, 16), 24), (Grain(2, 8), 90), (Grain(3, 5), 216), (Grain(5, 3), FEW)))
"""Two plans: the squares of a day stand in two stacks."""
LEAST_PLOT = 120
"""The least height of the squares' part: an exam's hour and subject have to fit into it."""
SHAPE_STEP = 16


def layout(known: Loads) -> Layout:
    """The layout for one plan or for two."""
    return BESIDE if known.compared else ALONE


def wide(known: Loads, link: Callable[[date], str] | None) -> tuple[Drawing, ...]:
    """The rows of the wide drawing."""
    grain, plot = wide_scale(known)
    rows = in_rows(known, layout(known).weeks)
    width = max(row_left(known, len(row) - 1, row[-1][-1]) for row in rows) + layout(known).day + RIGHT
    return tuple(WideRow(known, row, width, grain, plot, link).drawing() for row in rows)


def row_left(known: Loads, week: int, day: DayLoad) -> int:
    """The left end of a day; ``week`` is its week's number in the row, from 0."""
    return LEFT + week * (7 * layout(known).day + WEEK_GAP) + day.day.weekday() * layout(known).day


def wide_scale(known: Loads) -> tuple[Grain, int]:
    """The grain of the wide drawing and the height of its part for squares."""
    most = max(fullest(known), -(-known.usual // UNIT))
    within = max(most, -(-known.limit // UNIT)) if known.limit <= 2 * UNIT * most else most
    grain = next(grain for grain, up_to in layout(known).grains if within <= up_to)
    return grain, max(LEAST_PLOT, grain.along(within) + 2)


class WideRow:
    """A row of weeks, drawn from left to right."""

    def __init__(
        self,
        known: Loads,
        weeks: Sequence[Sequence[DayLoad]],
        width: int,
        grain: Grain,
        plot: int,
        link: Callable[[date], str] | None,
    ) -> None:
        self.known, self.grain, self.link = known, grain, link
        self.days = [day for week in weeks for day in week]
        self.base = ABOVE + plot
        self.day = layout(known).day
        self.x = {day.day: row_left(known, number, day) for number, week in enumerate(weeks) for day in week}
        self.width = width
        self.marked = any(day.marks for day in known.days)
        self.under = self.base + (58 if self.marked else 42)
        self.tracks = tracks(known, few=6, narrow=9)
        self.height = self.under + 24 + self.tracks.size

    def drawing(self) -> Drawing:
        """The row as a drawing."""
        return Drawing(
            title=days_title(self.days),
            width=self.width,
            height=self.height,
            under=(*self.bands(), *(self.box(day, "ground today") for day in self.days if day.today)),
            lines=tuple(self.lines()),
            columns=tuple(self.column(day) for day in self.days),
            texts=(*self.hairline_words(), *self.band_words(), *self.months()),
            now=any(day.today for day in self.days),
            small=self.grain.pitch < ROOMY,
        )

    def column(self, day: DayLoad) -> Column:
        """A day: its link takes the whole height, down to its number."""
        x = self.x[day.day]
        dark = Box(x + 1, ABOVE - 18, self.day - 2, self.base - ABOVE + 18, "ground exam")
        return Column(
            day=day.day,
            href=self.link(day.day) if self.link else "",
            words=day_words(day, self.known),
            box=self.box(day, "target"),
            grounds=(dark,) if day.exams else (),
            stacks=self.stacks(day),
            shapes=(*mark_shapes(day, x + self.day // 2, self.base + 49), *self.exam_shapes(day)),
            texts=tuple(self.column_words(day)),
            today=day.today,
        )

    def box(self, day: DayLoad, look: str) -> Box:
        """All of a day's place, from above its squares to below its number."""
        return Box(self.x[day.day], ABOVE - 20, self.day, self.base - ABOVE + 62, look)

    def stacks(self, day: DayLoad) -> tuple[Stack, ...]:
        """A day's squares; where two plans are compared, the old ones at the left of the new ones."""
        x, room = self.x[day.day], self.day
        if not self.known.compared:
            return stacks(day.runs, self.spots(day.runs, x, room), self.grain)
        old, new = self.spots(day.before, x, room // 2), self.spots(day.runs, x + room // 2, room // 2)
        return (*stacks(day.before, old, self.grain, old=True), *stacks(day.runs, new, self.grain))

    def spots(self, runs: Iterable[Run], x: int, room: int) -> list[Square]:
        """Where squares stand that fill a room from the axis upward."""
        grain = self.grain
        gap = (grain.pitch - grain.side) // 2
        left = x + (room - grain.abreast * grain.pitch) // 2 + gap
        return [
            Square(
                left + i % grain.abreast * grain.pitch,
                self.base - (i // grain.abreast + 1) * grain.pitch + gap,
                grain.side,
            )
            for i in range(sum(run.units for run in runs))
        ]

    def exam_shapes(self, day: DayLoad) -> Iterator[Shape]:
        """The outlines of a day's exams, at the top of its dark column, where there are several exams."""
        for number, mark in enumerate(day.exams if len(self.known.subjects) > 1 else ()):
            square = Square(self.x[day.day] + self.day // 2 - 6, ABOVE - 14 + SHAPE_STEP * number, 12)
            yield Shape(outline(mark.exam, square), "exam-shape")

    def column_words(self, day: DayLoad) -> Iterator[Text]:
        """Weekday and number below, minutes above the squares, an exam's hour and subject above those."""
        x, on = self.x[day.day], "onexam" if day.exams else ""
        middle = x + self.day // 2
        top = self.base - self.grain.along(max(day.units, sum(run.units for run in day.before)))
        yield Text(middle, self.base + 17, WEEKDAYS[day.day.weekday()][:2], "soft", "middle")
        yield Text(middle, self.base + 35, str(day.day.day), "number", "middle")
        if day.today:
            yield Text(max(24, min(middle, self.width - 24)), ABOVE - 24, "today", "now", "middle")
        if day.minutes:
            yield Text(middle, top - 6, str(day.minutes), on or "minutes", "middle")
        if day.exams:
            above = SHAPE_STEP * len(day.exams) if len(self.known.subjects) > 1 else 0
            foot = top - (24 if day.minutes else 8)
            yield from exam_upward(day, self.known.clocks, middle + 5, foot, ABOVE - 14 + above)

    def runs_of_days(self) -> Iterator[tuple[int, int]]:
        """Left and right end of each week's days."""
        for _, held in groupby(self.days, key=lambda day: day.day.isocalendar()[:2]):
            week = [self.x[day.day] for day in held]
            yield week[0], week[-1] + self.day

    def lines(self) -> Iterator[Line]:
        """The axis and the two hairlines, interrupted between weeks."""
        for left, right in self.runs_of_days():
            yield Line(left, self.base, right, self.base, "axis")
            for minutes, look in hairlines(self.known):
                y = self.base - self.grain.at(minutes)
                if y >= ABOVE:
                    yield Line(left, y, right, y, look)

    def hairline_words(self) -> Iterator[Text]:
        """What the hairlines stand for, at the left; a limit far above the squares is only told."""
        start = min(self.x.values()) - 8
        floor = self.height
        for minutes, look in sorted(hairlines(self.known)):
            y = self.base - self.grain.at(minutes)
            words = f"{'usual' if look == 'usual' else 'limit'} {minutes}"
            if y < ABOVE:
                yield Text(start, ABOVE - 8, f"{words} ↑", look, "end")
            else:
                floor = min(y + 5, floor - 16)
                yield Text(start, floor, words, look, "end")

    def bands(self) -> Iterator[Box]:
        """The stages of each exam, one track below another."""
        for stretch, left, right in self.stretches():
            y = self.under + 22 + self.tracks.at[stretch.exam]
            yield Box(left, y, right - left, self.tracks.thick, f"band {stretch.stage}")

    def band_words(self) -> Iterator[Text]:
        """The names of the stages where there is room for them; the subjects where there are several."""
        named: set[int] = set()
        for stretch, left, right in self.stretches():
            y = self.under + 22 + self.tracks.at[stretch.exam] + self.tracks.thick - 4
            if self.tracks.thick >= 16:
                subject = self.known.subjects[stretch.exam] if len(self.known.subjects) > 1 else ""
                full = f"{subject}: {stretch.stage}" if subject and stretch.exam not in named else str(stretch.stage)
                words = next((one for one in (full, str(stretch.stage)) if len(one) * 8 + 8 <= right - left), "")
                named |= {stretch.exam} if words == full else set()
                if words:
                    yield Text(left + 6, y, words, f"on-{stretch.stage}")

    def stretches(self) -> Iterator[tuple[Stretch, int, int]]:
        """The stretches of stages as far as they lie in this row, with their left and right ends."""
        first, last = self.days[0].day, self.days[-1].day
        for stretch in self.known.stretches:
            low, high = max(stretch.first, first), min(stretch.last, last)
            if low <= high and stretch.exam in self.tracks.at:
                yield stretch, self.x[low] + 1, self.x[high] + self.day - 1

    def months(self) -> Iterator[Text]:
        """The month at the row's start and where one begins."""
        starts = [day.day for day in self.days if day.day.day == 1]
        first = self.days[0].day
        if not any((one - first).days < 4 for one in starts):
            yield Text(self.x[first], self.under + 12, f"{MONTHS[first.month - 1]} {first.year}", "month")
        for one in starts:
            yield Text(self.x[one], self.under + 12, MONTHS[one.month - 1], "month")


def exam_upward(day: DayLoad, style: str, x: int, foot: int, top: int) -> Iterator[Text]:
    """An exam's hour and subject, up its dark column; only hours where several share it or there is little room."""
    room = (foot - top) // 10
    hours = [clock(mark.start, style) for mark in day.exams]
    full = " · ".join(f"{hour} {mark.subject}" for hour, mark in zip(hours, day.exams, strict=True))
    words = next((one for one in (full, cut(full, room), " · ".join(hours)) if len(one) <= room), "")
    if words:
        yield Text(x, foot, words, "onexam", turned=True)


def mark_shapes(day: DayLoad, x: int, y: int) -> Iterator[Shape]:
    """The signs of a day's marks side by side around a point."""
    left = x - 7 * (len(day.marks) - 1)
    for number, mark in enumerate(day.marks):
        yield Shape(mark_path(mark.code, left + 14 * number, y), f"day-mark {mark.code}")
