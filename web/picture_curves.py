"""What starting later would cost, as a picture: minutes a day that would do, against the first day.

Two lines of steps, one for everything and one for the essentials, over two hairlines for the usual minutes and the
limit. Where no number of minutes would do, a line leaves the picture at its top.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from calplan.sentences import first_days, runs_of, short_day
from web.picture_strips import Line, Text

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from datetime import date

    from calplan.model import Request
    from calplan.planner import Step

WIDTH, HEIGHT = 360, 260
LEFT, RIGHT, ABOVE, BELOW = 62, 12, 28, 34


class CurveRow(NamedTuple):
    """First days that cost the same: from and to, usable days left, and minutes a day in words."""

    days: str
    left: str
    everything: str
    essentials: str


class Curve(NamedTuple):
    """The trade-off curve: an SVG's geometry, one sentence, and the same as a table."""

    name: str
    summary: str
    width: int
    height: int
    everything: str
    essentials: str
    beyond: tuple[str, ...]
    lines: tuple[Line, ...]
    texts: tuple[Text, ...]
    rows: tuple[CurveRow, ...]


def curve(steps: Sequence[Step], request: Request, *, name: str = "curve") -> Curve:
    """The curve of the steps that :func:`calplan.planner.trade_off` gives; there must be one at least.

    ``name`` goes into ids.
    """
    usual, limit = request.effort.usual, request.effort.limit
    frame = Frame(steps, most_minutes(steps, usual, limit))
    everything = [step.everything for step in steps]
    essentials = [step.essentials for step in steps]
    return Curve(
        name=name,
        summary=summary(steps, limit),
        width=WIDTH,
        height=HEIGHT,
        everything=frame.path(everything),
        essentials=frame.path(essentials),
        beyond=tuple(frame.arrows(everything, essentials)),
        lines=tuple(frame.lines(usual, limit)),
        texts=tuple(frame.texts(usual, limit)),
        rows=tuple(row(run) for run in runs_of(steps)),
    )


def most_minutes(steps: Sequence[Step], usual: int, limit: int) -> int:
    """The minutes at the top: all figures, as long as they leave the hairlines apart from the floor."""
    figures = [figure for step in steps for figure in (step.everything, step.essentials) if figure is not None]
    first = steps[0].everything or steps[0].essentials or 0
    return max(min(max(figures, default=0), max(4 * limit, 2 * first)), limit + 5, usual + 5, 30)


class Frame:
    """Where days and minutes lie in the picture."""

    def __init__(self, steps: Sequence[Step], most: int) -> None:
        self.steps, self.most = steps, most
        self.first = steps[0].start
        self.span = (steps[-1].start - self.first).days + 1

    def x(self, day: date) -> int:
        """The left end of a day."""
        return LEFT + (day - self.first).days * (WIDTH - LEFT - RIGHT) // self.span

    def y(self, minutes: int) -> int:
        """The height of a number of minutes."""
        return HEIGHT - BELOW - minutes * (HEIGHT - BELOW - ABOVE) // self.most

    def path(self, figures: Sequence[int | None]) -> str:
        """Steps from day to day; they end at the top where no number would do, or none that the picture has."""
        said, inside = [], False
        ends = [*(self.x(step.start) for step in self.steps[1:]), WIDTH - RIGHT]
        for step, figure, end in zip(self.steps, figures, ends, strict=True):
            there = figure is not None and figure <= self.most
            y = self.y(figure) if figure is not None and there else ABOVE
            if inside:
                said.append(f"V{y}")
            elif there:
                said.append(f"M{self.x(step.start)} {y}")
            if there:
                said.append(f"H{end}")
            inside = there
        return "".join(said)

    def arrows(self, *lines: Sequence[int | None]) -> Iterator[str]:
        """An arrow where a line leaves the picture."""
        for figures in lines:
            out = [step for step, one in zip(self.steps, figures, strict=True) if one is None or one > self.most]
            if out:
                x = self.x(out[0].start)
                yield f"M{x - 5} {ABOVE}l5 -9l5 9z"

    def lines(self, usual: int, limit: int) -> Iterator[Line]:
        """Floor and hairlines."""
        yield Line(LEFT, self.y(0), WIDTH - RIGHT, self.y(0), "axis")
        for minutes, look in ((usual, "usual"), (limit, "limit")):
            if look == "limit" or usual != limit:
                yield Line(LEFT, self.y(minutes), WIDTH - RIGHT, self.y(minutes), look)
        for day in self.ticks():
            yield Line(self.x(day), self.y(0), self.x(day), self.y(0) + 5, "axis")

    def ticks(self) -> list[date]:
        """The first and the last day, and between them the first days of weeks, as far as their dates have room."""
        kept, last = [self.first], self.steps[-1].start
        for day in (step.start for step in self.steps if step.start.weekday() == 0):
            if self.x(day) - self.x(kept[-1]) >= 90 and self.x(last) - self.x(day) >= 100:
                kept.append(day)
        return [*kept, last] if self.x(last) - self.x(kept[-1]) >= 90 else kept

    def texts(self, usual: int, limit: int) -> Iterator[Text]:
        """Minutes at the left, dates below, and what the hairlines are."""
        floor = self.y(0)
        yield Text(LEFT, ABOVE - 14, "minutes a day", "soft")
        yield Text(LEFT - 6, floor + 4, "0", "soft", "end")
        limit_y = self.y(limit)
        if limit_y - ABOVE > 16:
            yield Text(LEFT - 6, ABOVE + 4, str(self.most), "soft", "end")
        yield Text(LEFT - 6, limit_y + 4, f"limit {limit}", "limit", "end")
        if usual != limit:
            usual_y = max(self.y(usual), limit_y + 14)
            yield Text(LEFT - 6, min(usual_y, floor - 13) + 4, f"usual {usual}", "usual", "end")
        for day in self.ticks():
            anchor = "start" if day == self.first else "end" if day == self.steps[-1].start else "middle"
            yield Text(self.x(day) + (8 if anchor == "end" else 0), floor + 20, short_day(day), "soft", anchor)


def row(run: Sequence[Step]) -> CurveRow:
    """A row of the table."""
    low, high = run[0], run[-1]
    left = str(low.days) if low is high else f"{low.days}–{high.days}"
    return CurveRow(first_days(low, high), left, figure(low.everything), figure(low.essentials))


def figure(minutes: int | None) -> str:
    """Minutes of a day, or that none would do."""
    return "no limit would do" if minutes is None else str(minutes)


def summary(steps: Sequence[Step], limit: int) -> str:
    """The curve in words: what the first day costs, and from when on the limit is too low."""
    first = steps[0]
    start = f"Starting on {short_day(first.start)}, everything takes {amount(first.everything)}"
    return " ".join(
        [
            f"{start}, the essentials {amount(first.essentials)}.",
            passing(steps, limit, "everything", lambda step: step.everything),
            passing(steps, limit, "the essentials", lambda step: step.essentials),
        ]
    ).strip()


def amount(minutes: int | None) -> str:
    """Minutes a day, in a sentence."""
    return "more than any limit allows" if minutes is None else f"{minutes} minutes a day"


def passing(steps: Sequence[Step], limit: int, words: str, figure_of: Callable[[Step], int | None]) -> str:
    """From which first day on a figure is above the limit; nothing where it is from the beginning, or never."""
    over = [figure is None or figure > limit for figure in map(figure_of, steps)]
    if True not in over or over[0]:
        return ""
    return f"From {short_day(steps[over.index(True)].start)} on, {words} would not fit into {limit} minutes a day."
