"""The pictures of a plan: the load strip, the months, and what starting later would cost. Knows no Flask.

The **load strip** shows one square for every five minutes of work, by day. The **months** show the same days as a
calendar does. The **curve** shows minutes needed against the day on which one starts. Each comes as plain values, with
all geometry in whole numbers, and each with the same in words, so that nobody has to see a picture to know what it
says; the templates `_strip.html`, `_month.html` and `_curve.html` draw them.

No picture says anything by colour alone: kinds have letters or strokes, exams have outlines, stages have names.
"""

from __future__ import annotations

from datetime import timedelta
from itertools import groupby
from typing import TYPE_CHECKING, NamedTuple

from calplan.sentences import MONTHS, short_day
from web.clocks import clock
from web.picture_curves import Curve, curve
from web.picture_squares import LETTERS, STATE_WORDS, DayLoad, Loads, Mark, Sign, State, compared, loads
from web.picture_strips import LETTER_FROM, SHAPES, Drawing, Square, mark_path, outline, stroke
from web.picture_tall import tall, tall_scale
from web.picture_wide import wide, wide_scale
from web.picture_words import change_words, changes_summary, day_words, exam_words, states_said, summary, what

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping
    from datetime import date

    from calplan.model import Plan, Request, Stage

__all__ = ["Curve", "Month", "State", "Strip", "curve", "difference_strip", "months", "strip"]


# ------------------------------------------------------------------------------------------------ the load strip


class KeyEntry(NamedTuple):
    """A line of the key: a small drawing of 20 pixels, as a path with its class, a letter or strokes, and the words."""

    path: str
    look: str
    letter: str
    strokes: str
    words: str


class DayRow(NamedTuple):
    """A day of the table in words."""

    day: date
    words: str
    minutes: int
    what: str
    beside: str
    today: bool


class Strip(NamedTuple):
    """The load strip: both drawings, their key, and the same in words.

    ``name`` keeps the ids of two strips on a page apart. ``linked`` tells that days are links.
    """

    name: str
    summary: str
    wide: tuple[Drawing, ...]
    tall: tuple[Drawing, ...]
    key: tuple[KeyEntry, ...]
    rows: tuple[DayRow, ...]
    linked: bool


def strip(
    plan: Plan,
    request: Request,
    *,
    today: date | None,
    link: Callable[[date], str] | None,
    clocks: str = "24",
    states: Mapping[str, State] | None = None,
    name: str = "strip",
) -> Strip:
    """The load strip of a plan.

    ``today`` is marked (``None``: no day is, and nothing is past). ``link`` gives the address behind a day (``None``:
    days are no links). ``clocks`` is "12" or "24". ``states`` tells by UID what became of blocks; those before
    ``today`` of which it says nothing are without a word. ``name`` goes into ids: two strips on a page need two.
    """
    known = loads(plan, request, today=today, clocks=clocks, states=states)
    return made_of(known, summary(known), link, name)


def difference_strip(
    old: Plan,
    old_request: Request,
    new: Plan,
    new_request: Request,
    *,
    today: date | None,
    link: Callable[[date], str] | None,
    clocks: str = "24",
    name: str = "difference",
) -> Strip:
    """Two plans in one strip: each day's old squares as outlines, and beside them its new ones, filled."""
    known = compared(
        loads(old, old_request, today=today, clocks=clocks), loads(new, new_request, today=today, clocks=clocks)
    )
    return made_of(known, f"{changes_summary(known)} {summary(known)}", link, name)


def made_of(known: Loads, said: str, link: Callable[[date], str] | None, name: str) -> Strip:
    """A strip of days that are known."""
    return Strip(
        name=name,
        summary=said,
        wide=wide(known, link),
        tall=tall(known, link),
        key=tuple(key(known, linked=link is not None)),
        rows=tuple(
            DayRow(
                day=day.day,
                words=short_day(day.day),
                minutes=day.minutes,
                what=what(day, known),
                beside=beside(day, known),
                today=day.today,
            )
            for day in known.days
        ),
        linked=link is not None,
    )


def beside(day: DayLoad, known: Loads) -> str:
    """What the table says of a day beside its work: exams, stages, what became of it, what changes, and marks."""
    said = [f"exam: {exam_words(mark, known.clocks)}" for mark in day.exams]
    said += [", ".join(day.stages), states_said(day), change_words(day, known), *(mark.words for mark in day.marks)]
    said += ["today"] if day.today else []
    return "; ".join(filter(None, said))


KEY_SQUARE = Square(1, 1, 18)


def key(known: Loads, *, linked: bool) -> Iterator[KeyEntry]:
    """What the signs mean that occur: kinds, exams where there are several, states, and marks."""
    runs = [run for day in known.days for run in (*day.runs, *day.before)]
    wide, tall = (
        pitch >= LETTER_FROM for pitch in (wide_scale(known)[0].pitch, tall_scale(known, linked=linked).pitch)
    )
    for sign in (sign for sign in Sign if any(run.sign is sign for run in runs)):
        strokes = "" if wide and tall else stroke(sign, KEY_SQUARE)
        letter = LETTERS[sign] if wide and tall else ""
        words = f"{LETTERS[sign]}: {known.words[sign]}" if wide != tall else known.words[sign]
        yield KeyEntry(outline(None, KEY_SQUARE), f"sq {sign} planned", letter, strokes, words)
    if len(known.subjects) > 1:
        for number, subject in enumerate(known.subjects):
            yield KeyEntry(outline(number, KEY_SQUARE), f"sq plain planned {broken(number)}".strip(), "", "", subject)
    if known.compared:
        yield from state_keys({State.GONE: "before", State.KEPT: "now, as before", State.CAME: "now, and new"})
    elif found := {run.state for run in runs} - {State.PLANNED}:
        yield from state_keys({state: STATE_WORDS[state] for state in State if state in found | {State.PLANNED}})
    marks = {mark.code: mark for day in known.days for mark in day.marks}
    for code, words in MARK_WORDS.items():
        if code in marks:
            yield KeyEntry(mark_path(code, 10, 10), f"day-mark {code}", "", "", words)


def state_keys(words: Mapping[State, str]) -> Iterator[KeyEntry]:
    """What the looks of squares mean."""
    for state, said in words.items():
        yield KeyEntry(outline(None, KEY_SQUARE), f"sq plain {state}", "", "", said)


def broken(exam: int) -> str:
    """The class of an outline that is used for the second time."""
    return "broken" if exam >= SHAPES else ""


MARK_WORDS = {
    "holiday": "public holiday, kept free",
    "holiday-light": "public holiday, half a day's work",
    "holiday-ordinary": "public holiday, a day like any other",
    "off": "day off",
    "no-gap": "no gap",
    "moved": "exam that was here before",
}


# ------------------------------------------------------------------------------------------------ months


class Cell(NamedTuple):
    """A day of a month: each of its kinds once with its letter, its exams' hours; ``words`` say all of it."""

    day: date
    href: str
    minutes: int
    signs: tuple[tuple[Sign, str], ...]
    stages: tuple[Stage, ...]
    exams: tuple[str, ...]
    marks: tuple[Mark, ...]
    words: str
    today: bool


class Note(NamedTuple):
    """What a cell has only a word for, in full: an exam, a public holiday, a day off that has a name."""

    day: date
    words: str


class Month(NamedTuple):
    """A month by weeks from Monday to Sunday; ``None`` stands for days of other months and outside the plan.

    ``numbers`` of such days stand beside the cells (0: not of this month).
    """

    caption: str
    weeks: tuple[tuple[tuple[int, Cell | None], ...], ...]
    notes: tuple[Note, ...]


def months(
    plan: Plan, request: Request, *, today: date | None, link: Callable[[date], str] | None, clocks: str = "24"
) -> tuple[Month, ...]:
    """The months of a plan; arguments as for :func:`strip`. Weeks without a day of the plan are left out."""
    known = loads(plan, request, today=today, clocks=clocks)
    cells = {day.day: cell(day, known, link) for day in known.days}
    by_month = groupby(known.days, key=lambda day: (day.day.year, day.day.month))
    return tuple(
        Month(
            caption=f"{MONTHS[month - 1]} {year}",
            weeks=tuple(weeks_of([day.day for day in days], cells)),
            notes=tuple(note for day in days for note in notes(day, known)),
        )
        for (year, month), days in ((when, list(held)) for when, held in by_month)
    )


def notes(day: DayLoad, known: Loads) -> Iterator[Note]:
    """What is written below a month about a day."""
    for exam in day.exams:
        yield Note(day.day, f"exam, {exam_words(exam, known.clocks)}")
    for mark in day.marks:
        if mark.words != mark.short:
            yield Note(day.day, mark.words)


def cell(day: DayLoad, known: Loads, link: Callable[[date], str] | None) -> Cell:
    """A day's cell."""
    signs = dict.fromkeys(run.sign for run in day.runs)
    return Cell(
        day=day.day,
        href=link(day.day) if link else "",
        minutes=day.minutes,
        signs=tuple((sign, LETTERS[sign]) for sign in signs),
        stages=day.stages,
        exams=tuple(clock(mark.start, known.clocks) for mark in day.exams),
        marks=day.marks,
        words=day_words(day, known),
        today=day.today,
    )


def weeks_of(days: list[date], cells: Mapping[date, Cell]) -> Iterator[tuple[tuple[int, Cell | None], ...]]:
    """The weeks of a month that hold some of these days."""
    monday, month = days[0] - timedelta(days=days[0].weekday()), days[0].month
    while monday <= days[-1]:
        week = [monday + timedelta(days=i) for i in range(7)]
        yield tuple((day.day, cells.get(day)) if day.month == month else (0, None) for day in week)
        monday += timedelta(days=7)
