"""The values that the pages are drawn from; :mod:`web.pages` makes them, the templates read them.

Times are wall-clock times of the plan's zone unless said otherwise, texts are ready to be shown (the template engine
escapes them).
"""

from __future__ import annotations

from datetime import date, datetime
from enum import StrEnum
from typing import NamedTuple

from calplan.wording import Said


class PartShown(NamedTuple):
    """A part of a block: what it is, its squares (one for five minutes), what to take and how, and why today.

    ``sign`` is the look of its squares, as in the pictures, ``letter`` what stands in them.
    """

    subject: str
    headline: str
    minutes: int
    sign: str
    letter: str
    squares: int
    said: tuple[Said, ...]
    why: str


class BlockShown(NamedTuple):
    """A block with everything that is needed to start; ``lines`` are the words of one that an earlier plan had."""

    uid: str
    day: date
    start: datetime
    end: datetime
    again: bool
    minutes: int
    headline: str
    parts: tuple[PartShown, ...]
    beside: tuple[str, ...]
    when_said: tuple[str, ...]
    lines: tuple[str, ...]
    begins: datetime
    ends: datetime
    """``begins`` and ``ends`` are instants in UTC."""


class ExamShown(NamedTuple):
    """An exam: its start where it is held and in the plan's zone, and the stages before it.

    ``later`` says up to which day it may be instead, where that is not settled.
    """

    subject: str
    start: datetime
    zone: str
    here: datetime
    minutes: int
    place: str
    days: str
    stages: tuple[tuple[str, str], ...]
    over: bool
    later: str


class DayShown(NamedTuple):
    """A day of the list; ``remarks`` tell of public holidays, days off and the like."""

    day: date
    anchor: str
    minutes: int
    blocks: tuple[BlockShown, ...]
    exams: tuple[ExamShown, ...]
    remarks: tuple[str, ...]
    today: bool


class MaterialShown(NamedTuple):
    """A piece of material: ``result`` in words, and the days of its first pass."""

    title: str
    result: str
    remarks: str
    days: tuple[date, ...]


class KindShown(NamedTuple):
    """The materials of one kind of an exam, and the days of its second pass.

    ``flags`` estimates the problems that will be flagged (0: that cannot be said), ``again_minutes`` is their time.
    """

    kind: str
    letter: str
    label: str
    materials: tuple[MaterialShown, ...]
    again: tuple[date, ...]
    again_minutes: int
    flags: int


class StockShown(NamedTuple):
    """An exam's materials by kind."""

    subject: str
    pieces: int
    kinds: tuple[KindShown, ...]


class Near(StrEnum):
    """When the blocks at the top of the page are; or that there are none, or that the last exam is over."""

    NOW = "Now"
    TODAY = "Today"
    TOMORROW = "Tomorrow"
    NEXT = "Next"
    DONE = "Done"
    OVER = "Over"


class PlanPage(NamedTuple):
    """All that the plan's page tells in words."""

    title: str
    zone: str
    near: Near
    day: date | None
    blocks: tuple[BlockShown, ...]
    done_today: int
    today: date
    past: tuple[DayShown, ...]
    days: tuple[DayShown, ...]
    exams: tuple[ExamShown, ...]
    stock: tuple[StockShown, ...]
    asks: tuple[str, ...]
    notices: tuple[str, ...]
    shortfall: tuple[str, ...]
    skipped: tuple[str, ...]
    figures: tuple[str, ...]
    cautions: tuple[str, ...]


class BlockPage(NamedTuple):
    """One block, with its neighbours in the plan; ``near`` says where it lies in time."""

    block: BlockShown
    zone: str
    near: str
    begun: bool
    previous: BlockShown | None
    following: BlockShown | None


class Week(NamedTuple):
    """A week on paper, Monday to Sunday; only days from the first to the last of the plan."""

    number: int
    of: int
    first: date
    last: date
    days: tuple[DayShown, ...]
    minutes: int


class CalendarPage(NamedTuple):
    """The page of the calendar link: both spellings of the address, when it was last fetched, the choices made."""

    title: str
    zone: str
    https: str
    webcal: str
    fetched: datetime | None
    alarm: int | None
    view: str


class DeletePage(NamedTuple):
    """What the page says that deletes a plan: the last exam's day, and the day on which it goes by itself."""

    title: str
    last: date
    goes: date
