"""What the drawings of the load strip are made of: squares, their outlines and strokes, lines, bands and words.

All geometry is in whole numbers. How large a square is, and how many stand abreast, is its :class:`Grain`, chosen once
for a whole picture, so that heights can be compared and the hairlines mean the same everywhere. Where squares are too
small for a letter, a stroke of the kind's own takes its place. The two drawings are laid out in
:mod:`web.picture_wide` and :mod:`web.picture_tall`; templates turn the values into inline SVG and need neither
arithmetic nor inline style.
"""

from __future__ import annotations

from itertools import accumulate, groupby
from typing import TYPE_CHECKING, NamedTuple

from calplan.model import UNIT
from calplan.sentences import short_day
from web.picture_squares import LETTERS, DayLoad, Loads, Run, Sign, State

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from datetime import date

LETTER_FROM = 14
"""The least pitch of squares that has room for a letter."""
ROOMY = 18
"""The least pitch that has room for a letter of full size."""


class Text(NamedTuple):
    """Words at a point; ``look`` is a class, ``anchor`` start, middle or end; ``turned`` ones run upward."""

    x: int
    y: int
    words: str
    look: str
    anchor: str = "start"
    turned: bool = False


class Line(NamedTuple):
    """A straight line."""

    x1: int
    y1: int
    x2: int
    y2: int
    look: str


class Box(NamedTuple):
    """A rectangle."""

    x: int
    y: int
    width: int
    height: int
    look: str


class Shape(NamedTuple):
    """An outline, as the data of an SVG path."""

    path: str
    look: str


class Square(NamedTuple):
    """Five minutes: its left upper corner and its side."""

    x: int
    y: int
    side: int


class Stack(NamedTuple):
    """Squares that are alike, as one path; with a letter in each, or a stroke across each."""

    sign: Sign
    exam: int | None
    state: State
    squares: tuple[Square, ...]
    path: str
    strokes: str
    letters: str
    xs: str
    ys: str


class Column(NamedTuple):
    """A day: the box that is its link's target, its squares, and what is written at it."""

    day: date
    href: str
    words: str
    box: Box
    grounds: tuple[Box, ...]
    stacks: tuple[Stack, ...]
    shapes: tuple[Shape, ...]
    texts: tuple[Text, ...]
    today: bool


class Drawing(NamedTuple):
    """One SVG: a row of weeks, or, where it is tall, a stretch of days. ``now`` tells that today is in it.

    It is drawn in this order: what lies under everything, lines, days, texts.
    """

    title: str
    width: int
    height: int
    under: tuple[Box, ...]
    lines: tuple[Line, ...]
    columns: tuple[Column, ...]
    texts: tuple[Text, ...]
    now: bool
    small: bool
    """Whether letters have to be small to fit into their squares."""


class Grain(NamedTuple):
    """How squares are set: so many abreast, each with so many pixels from one to the next."""

    abreast: int
    pitch: int

    @property
    def side(self) -> int:
        """The side of a square; what is left of the pitch is the gap between two."""
        return self.pitch - (2 if self.pitch > 8 else 1)

    def along(self, units: int) -> int:
        """The pixels that so many units reach."""
        return -(-units // self.abreast) * self.pitch

    def at(self, minutes: int) -> int:
        """Where a hairline for so many minutes lies."""
        return minutes * self.pitch // (UNIT * self.abreast)


# ------------------------------------------------------------------------------------------------ parts of both

SHORT_WEEK = 3


def in_rows(known: Loads, most: int) -> list[list[list[DayLoad]]]:
    """The days by weeks, from Monday to Sunday, in rows of about as many weeks each, and ``most`` of them at most.

    A last week of up to three days goes with the row before it, so that an exam is not torn off its plan.
    """
    weeks = [list(held) for _, held in groupby(known.days, key=lambda day: day.day.isocalendar()[:2])]
    short = 1 if len(weeks) > 1 and len(weeks[-1]) <= SHORT_WEEK else 0
    count = -(-(len(weeks) - short) // most)
    each, over = divmod(len(weeks) - short, count)
    sizes = [each + (number < over) for number in range(count)]
    sizes[-1] += short
    ends = list(accumulate(sizes))
    return [weeks[end - size : end] for size, end in zip(sizes, ends, strict=True)]


def fullest(known: Loads) -> int:
    """The most units of any day, in either plan."""
    return max(max(day.units, sum(run.units for run in day.before)) for day in known.days)


class Tracks(NamedTuple):
    """Where the bands of the exams lie beside one another: the offset of each, how thick they are, and all of them."""

    at: dict[int, int]
    thick: int
    size: int


def tracks(known: Loads, few: int, narrow: int) -> Tracks:
    """Tracks for the exams that have stages: with room for words where they are ``few``, else of a ``narrow`` pitch."""
    exams = sorted({stretch.exam for stretch in known.stretches})
    pitch = 20 if len(exams) <= few else narrow
    return Tracks({exam: i * pitch for i, exam in enumerate(exams)}, pitch - 2, len(exams) * pitch)


def hairlines(known: Loads) -> tuple[tuple[int, str], ...]:
    """The minutes of the two hairlines; one where both are the same."""
    if known.usual == known.limit:
        return ((known.limit, "limit"),)
    return ((known.usual, "usual"), (known.limit, "limit"))


def stacks(runs: Iterable[Run], spots: Sequence[Square], grain: Grain, *, old: bool = False) -> tuple[Stack, ...]:
    """A day's runs laid onto its spots; all those of an ``old`` plan are drawn as ones that are gone."""
    made, at = [], 0
    lettered = grain.pitch >= LETTER_FROM
    for run in runs:
        mine = tuple(spots[at : at + run.units])
        at += run.units
        drop = (grain.side - 8) // 2
        made.append(
            Stack(
                sign=run.sign,
                exam=run.exam,
                state=State.GONE if old else run.state,
                squares=mine,
                path="".join(outline(run.exam, square) for square in mine),
                strokes="" if lettered else "".join(stroke(run.sign, square) for square in mine),
                letters=LETTERS[run.sign] * len(mine) if lettered else "",
                xs=" ".join(str(square.x + square.side // 2) for square in mine) if lettered else "",
                ys=" ".join(str(square.y + square.side - drop) for square in mine) if lettered else "",
            )
        )
    return tuple(made)


SHAPES = 6
"""How many outlines there are; an exam after these takes the first again, with a broken line."""


def outline(exam: int | None, square: Square) -> str:
    """A square in the outline of its exam: plain, round, or with corners cut off."""
    x, y, s = square
    c = max(1, s // 4)
    r = s - 2 * c
    match 0 if exam is None else exam % SHAPES:
        case 0:
            return f"M{x} {y}h{s}v{s}h-{s}z"
        case 1:
            return (
                f"M{x + c} {y}h{r}a{c} {c} 0 0 1 {c} {c}v{r}a{c} {c} 0 0 1 -{c} {c}h-{r}"
                f"a{c} {c} 0 0 1 -{c} -{c}v-{r}a{c} {c} 0 0 1 {c} -{c}z"
            )
        case 2:
            return f"M{x + c} {y}h{r}l{c} {c}v{r}l-{c} {c}h-{r}l-{c} -{c}v-{r}z"
        case 3:
            return f"M{x} {y}h{s - c}l{c} {c}v{s - c}h-{s}z"
        case 4:
            return f"M{x + c} {y}h{s - c}v{s - c}l-{c} {c}h-{s - c}v-{s - c}z"
        case _:
            return f"M{x + c} {y}h{r}l{c} {c}v{s - c}h-{s}v-{s - c}z"


def stroke(sign: Sign, square: Square) -> str:
    """The stroke that stands for a letter in a small square."""
    x, y, s = square
    e = s // 4
    w, m = s - 2 * e, s // 2
    match sign:
        case Sign.HOMEWORK:
            return f"M{x + e} {y + m}h{w}"
        case Sign.QUIZ:
            return f"M{x + e} {y + s - e}l{w} -{w}"
        case Sign.NOTES:
            return f"M{x + m} {y + e}v{w}"
        case Sign.TEST:
            return f"M{x + e} {y + m}h{w}M{x + m} {y + e}v{w}"
        case Sign.PRACTICE:
            return f"M{x + e} {y + s - e}l{w} -{w}M{x + e} {y + e}l{w} {w}"
        case Sign.APPOINTMENT:
            return f"M{x + e} {y + e}h{w}v{w}h-{w}z"
    return f"M{x + m} {y + m}h1"


def mark_path(code: str, x: int, y: int) -> str:
    """A mark's sign: a full, a half or an empty lozenge for holidays, a ring for a day off, a bar for no gap."""
    match code:
        case "holiday" | "holiday-ordinary":
            return f"M{x} {y - 6}l6 6l-6 6l-6 -6z"
        case "holiday-light":
            return f"M{x} {y - 6}l6 6l-6 6l-6 -6zM{x} {y - 5}v10l-5 -5z"
        case "off":
            return f"M{x - 5} {y}a5 5 0 1 1 10 0a5 5 0 1 1 -10 0z"
        case "moved":
            return f"M{x - 4} {y - 4}l8 8M{x - 4} {y + 4}l8 -8"
    return f"M{x - 5} {y}h10"


def days_title(days: Sequence[DayLoad]) -> str:
    """The days of a drawing, from the first to the last."""
    first, last = short_day(days[0].day), short_day(days[-1].day)
    return first if first == last else f"{first} to {last}"


def cut(words: str, room: int) -> str:
    """The words, or as many of their letters as fit, with an ellipsis."""
    return words if len(words) <= room else f"{words[: max(0, room - 1)].rstrip()}…"
