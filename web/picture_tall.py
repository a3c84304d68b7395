"""The tall drawing of the load strip, for phones: days go downward, squares to the right."""

from __future__ import annotations

from typing import TYPE_CHECKING

from calplan.sentences import short_day
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
    Tracks,
    cut,
    days_title,
    fullest,
    hairlines,
    in_rows,
    outline,
    stacks,
    tracks,
)
from web.picture_words import day_words

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence
    from datetime import date

TALL_WIDTH = 358
"""What a window of 390 pixels has for its content."""
LABEL = 98
ROW_LINKED, ROW_PLAIN = 44, 28
LINE, HEAD, WEEK_STEP = 18, 24, 8
TALL_WEEKS = 5


def tall(known: Loads, link: Callable[[date], str] | None) -> tuple[Drawing, ...]:
    """The stretches of the tall drawing, of five weeks each."""
    rows = in_rows(known, TALL_WEEKS)
    return tuple(TallRow(known, [day for week in row for day in week], link).drawing() for row in rows)


class TallRow:
    """A stretch of days, drawn downward."""

    def __init__(self, known: Loads, days: Sequence[DayLoad], link: Callable[[date], str] | None) -> None:
        self.known, self.days, self.link = known, days, link
        self.tracks = tracks(known, few=1, narrow=7)
        self.left = left_of(self.tracks)
        self.origin = self.left + LABEL
        self.least = ROW_LINKED if link else ROW_PLAIN
        self.plans = 2 if known.compared else 1
        self.grain = tall_scale(known, linked=link is not None)
        self.y: dict[date, int] = {}
        y = HEAD
        for day in days:
            y += WEEK_STEP if day.day.weekday() == 0 and day is not days[0] else 0
            self.y[day.day] = y
            y += self.row_height(day)
        self.height = y + 4

    def squares_height(self, day: DayLoad) -> int:
        """The height of a day's squares: one line of them for each plan."""
        there = day.runs or day.before or day.minutes
        return self.plans * self.grain.abreast * self.grain.pitch if there else 0

    def row_height(self, day: DayLoad) -> int:
        """The height of a day's row: squares, then a line for each exam and mark."""
        return max(self.least, self.squares_height(day) + LINE * len(self.said(day)) + 10)

    def said(self, day: DayLoad) -> list[str]:
        """The words below a day's squares."""
        exams = [f"{clock(mark.start, self.known.clocks)} {mark.subject}" for mark in day.exams]
        room = (TALL_WIDTH - self.origin - 20) // 8
        return [cut(words, room) for words in (*exams, *(mark.short for mark in day.marks))]

    def drawing(self) -> Drawing:
        """The stretch as a drawing."""
        return Drawing(
            title=days_title(self.days),
            width=TALL_WIDTH,
            height=self.height,
            under=(*self.bands(), *(self.box(day, "ground today") for day in self.days if day.today)),
            lines=tuple(self.lines()),
            columns=tuple(self.column(day) for day in self.days),
            texts=(*self.hairline_words(), *self.band_words()),
            now=any(day.today for day in self.days),
            small=self.grain.pitch < ROOMY,
        )

    def column(self, day: DayLoad) -> Column:
        """A day: its link takes the whole row."""
        return Column(
            day=day.day,
            href=self.link(day.day) if self.link else "",
            words=day_words(day, self.known),
            box=self.box(day, "target"),
            grounds=(self.dark(day),) if day.exams else (),
            stacks=self.stacks(day),
            shapes=tuple(self.exam_shapes(day)),
            texts=tuple(self.column_words(day)),
            today=day.today,
        )

    def box(self, day: DayLoad, look: str) -> Box:
        """All of a day's place, from its date to the right end."""
        return Box(self.left, self.y[day.day], TALL_WIDTH - self.left, self.row_height(day), look)

    def dark(self, day: DayLoad) -> Box:
        """The ground of an exam's row."""
        box = self.box(day, "ground exam")
        return box._replace(y=box.y + 1, height=box.height - 2)

    def top(self, day: DayLoad) -> int:
        """Where a day's squares and words begin, which stand in the middle of its row."""
        inner = self.squares_height(day) + LINE * len(self.said(day))
        return self.y[day.day] + (self.row_height(day) - inner) // 2

    def stacks(self, day: DayLoad) -> tuple[Stack, ...]:
        """A day's squares; where two plans are compared, the old ones above the new ones."""
        top = self.top(day)
        if not self.known.compared:
            return stacks(day.runs, self.spots(day.runs, top), self.grain)
        old, new = self.spots(day.before, top), self.spots(day.runs, top + self.grain.abreast * self.grain.pitch)
        return (*stacks(day.before, old, self.grain, old=True), *stacks(day.runs, new, self.grain))

    def spots(self, runs: Iterable[Run], top: int) -> list[Square]:
        """Where squares stand that go from the dates to the right."""
        grain = self.grain
        gap = (grain.pitch - grain.side) // 2
        return [
            Square(
                self.origin + i // grain.abreast * grain.pitch + gap,
                top + i % grain.abreast * grain.pitch + gap,
                grain.side,
            )
            for i in range(sum(run.units for run in runs))
        ]

    def exam_shapes(self, day: DayLoad) -> Iterator[Shape]:
        """The outlines of a day's exams, at the right of their names, where there are several exams."""
        top = self.top(day) + self.squares_height(day)
        for number, mark in enumerate(day.exams if len(self.known.subjects) > 1 else ()):
            yield Shape(outline(mark.exam, Square(TALL_WIDTH - 18, top + LINE * number + 3, 12)), "exam-shape")

    def column_words(self, day: DayLoad) -> Iterator[Text]:
        """The date, the minutes after the squares, and below them exams and marks."""
        on = "onexam" if day.exams else ""
        top, high = self.top(day), self.squares_height(day)
        label = self.label_at(day)
        yield Text(self.left + 6, label, short_day(day.day), on or "number")
        if day.minutes:
            own = high // self.plans
            x = self.origin + self.grain.along(day.units) + 6
            yield Text(x, top + high - own + (own + 10) // 2, str(day.minutes), on or "minutes")
        for i, words in enumerate(self.said(day)):
            yield Text(self.origin + (6 if on else 1), top + high + LINE * i + 14, words, on or "soft")
        if day.today:
            beside = bool(day.runs or day.before)
            y = label + (LINE if beside and self.row_height(day) >= ROW_LINKED else 0)
            yield (
                Text(self.left + 6, y, "today", on or "now")
                if y > label
                else Text(TALL_WIDTH - 6, label, "today", on or "now", "end")
            )

    def label_at(self, day: DayLoad) -> int:
        """Where the foot of a row's date stands: in its middle, or higher where "today" has its place below it."""
        middle = self.y[day.day] + (self.row_height(day) + 10) // 2
        below = day.today and (day.runs or day.before) and self.row_height(day) >= ROW_LINKED
        return middle - LINE // 2 if below else middle

    def lines(self) -> Iterator[Line]:
        """The two hairlines, and one above each week."""
        for minutes, look in hairlines(self.known):
            x = self.origin + self.grain.at(minutes)
            if x < TALL_WIDTH:
                yield Line(x, HEAD - 2, x, self.height - 4, look)
        for day in self.days:
            if day.day.weekday() == 0 or day is self.days[0]:
                y = self.y[day.day] - (4 if day is not self.days[0] else 1)
                yield Line(self.left, y, TALL_WIDTH, y, "week")

    def hairline_words(self) -> Iterator[Text]:
        """What the hairlines stand for, on top."""
        end = 0
        for minutes, look in sorted(hairlines(self.known)):
            x = self.origin + self.grain.at(minutes)
            words = f"{'usual' if look == 'usual' else 'limit'} {minutes}"
            wide_words = 8 * len(words)
            if x >= TALL_WIDTH:
                yield Text(TALL_WIDTH, HEAD - 8, f"{words} →", look, "end")
            else:
                middle = min(max(x, end + wide_words // 2 + 8), TALL_WIDTH - wide_words // 2)
                end = middle + wide_words // 2
                yield Text(middle, HEAD - 8, words, look, "middle")

    def bands(self) -> Iterator[Box]:
        """The stages of each exam, one track beside another."""
        for stretch, low, high in self.stretches():
            yield Box(self.tracks.at[stretch.exam], low, self.tracks.thick, high - low, f"band {stretch.stage}")

    def band_words(self) -> Iterator[Text]:
        """The names of the stages, along their bands, where there is room for them."""
        for stretch, low, high in self.stretches():
            words = str(stretch.stage)
            if self.tracks.thick >= 16 and len(words) * 8 + 12 <= high - low:
                x = self.tracks.at[stretch.exam] + self.tracks.thick - 4
                yield Text(x, high - 6, words, f"on-{stretch.stage}", turned=True)

    def stretches(self) -> Iterator[tuple[Stretch, int, int]]:
        """The stretches of stages as far as they lie in this drawing, with their upper and lower ends."""
        first, last = self.days[0].day, self.days[-1].day
        heights = {day.day: self.row_height(day) for day in self.days}
        for stretch in self.known.stretches:
            low, high = max(stretch.first, first), min(stretch.last, last)
            if low <= high and stretch.exam in self.tracks.at:
                yield stretch, self.y[low] + 1, self.y[high] + heights[high] - 1


def left_of(bands: Tracks) -> int:
    """Where the dates begin: beside the bands of the stages."""
    return bands.size + (4 if bands.size else 0)


def tall_scale(known: Loads, *, linked: bool) -> Grain:
    """How large the squares of the tall drawing are; rows that are links are higher."""
    origin = left_of(tracks(known, few=1, narrow=7)) + LABEL
    height = (ROW_LINKED if linked else ROW_PLAIN) - 4
    return tall_grain(fullest(known), TALL_WIDTH - origin - 34, height // (2 if known.compared else 1))


def tall_grain(most: int, length: int, height: int) -> Grain:
    """The coarsest grain with which the fullest day of the plan fits into a row of such a length and height."""
    for pitch in range(18, 2, -1):
        for abreast in range(1, height // pitch + 1):
            if -(-most // abreast) * pitch <= length:
                return Grain(abreast, pitch)
    return Grain(height // 2, 2)
