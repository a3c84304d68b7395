"""The values that everything else takes and returns: what a student asks for, and the plan that answers.

All of them are frozen. All are JSON documents too (:func:`to_json`, :func:`request_from_json`,
:func:`plan_from_json`); unknown keys are refused there, and the same value always gives the same bytes.

Three conventions hold everywhere:

* Work is counted in **units** of five minutes, the grain of the scheduler; clock lengths are in minutes.
* A wall-clock time is a ``datetime`` without a zone, read in the plan's zone (an exam's in its own); an instant is a
  ``datetime`` in UTC. Local date and wall time are the truth, instants are derived from them.
* The words are those of the trade and each has one meaning; DEVELOPERS.md holds the glossary.
"""

from __future__ import annotations

from datetime import date, datetime, time, timedelta
from enum import IntEnum, StrEnum
from hashlib import sha256
from typing import Any
from uuid import UUID

import msgspec
from msgspec.structs import replace

from calplan.spans import Span

SCHEMA = 1
"""The version of both documents, the request and the plan."""

UNIT = 5
"""Minutes in a unit."""


class Value(msgspec.Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """A frozen value with named fields; unknown keys in its JSON are refused.

    Its heirs say ``frozen`` and ``kw_only`` again, since neither is handed down to type checkers.
    """


# ------------------------------------------------------------------------------------------------ words


class Kind(StrEnum):
    """The five kinds of material, in the order in which they take turns."""

    HOMEWORK = "homework"
    QUIZ = "quiz"
    NOTES = "notes"
    TEST = "test"
    PRACTICE = "practice"


KINDS: tuple[Kind, ...] = tuple(Kind)
"""The order of turn (common practice, no source)."""

WORTH: tuple[Kind, ...] = (Kind.TEST, Kind.QUIZ, Kind.NOTES, Kind.PRACTICE, Kind.HOMEWORK)
"""The kinds from the most to the least worthy of scarce time (common practice, no source)."""


class Stage(StrEnum):
    """The three stretches of an exam's days."""

    COVER = "cover"
    CONSOLIDATE = "consolidate"
    TAPER = "taper"


class Role(StrEnum):
    """What a task is there for."""

    GATHER = "gather"  # collect missing material, ask for missing answers; the very first task
    COVER = "cover"  # first pass over the materials of one kind
    CONSOLIDATE = "consolidate"  # second pass over the flags of one kind
    TIDY = "tidy"  # bring the summary sheet into its last form; ends the consolidate stage
    TAPER = "taper"  # a few known problems across the kinds, and the sheet
    EVE = "eve"  # the sheet, and what the student chooses
    PAPER = "paper"  # the timed paper, at the exam's own hour
    ENCORE = "encore"  # materials that come again in a day that would be empty; counts in no goal


class Rank(IntEnum):
    """What a unit is worth when not everything fits: the lowest number is given up last."""

    GATHER = 1
    TAPER = 2
    ESSENTIAL = 3
    FLAG_MUST = 4
    FLAG_SHOULD = 5
    EXTRA = 6


class Answers(StrEnum):
    """What a material offers to check one's work against."""

    NONE = "none"
    ANSWERS = "answers"
    WORKED = "worked"


class Scope(StrEnum):
    """What an exam draws on."""

    UNIT = "unit"
    TERM = "term"
    YEAR = "year"


class HolidayUse(StrEnum):
    """What a public holiday does to a day: no study, half the study, or nothing."""

    FREE = "free"
    LIGHT = "light"
    ORDINARY = "ordinary"


class Keep(StrEnum):
    """How much work to keep: all that the limit allows, or extras only up to a third above usual minutes."""

    EVERYTHING = "everything"
    ESSENTIALS = "essentials"


class AgeBand(StrEnum):
    """The ages for which sleep is recommended by the hour; it only warns, it changes nothing."""

    CHILD = "6-12"
    TEEN = "13-18"
    ADULT = "adult"


class Weekday(IntEnum):
    """Days of the week as ``date.weekday()`` counts them."""

    MON = 0
    TUE = 1
    WED = 2
    THU = 3
    FRI = 4
    SAT = 5
    SUN = 6


# ---------------------------------------------------------------------------------------------- request


class Material(Value, frozen=True, kw_only=True):
    """One piece of an exam's material.

    ``size`` counts its problems (for notes: class periods); ``None`` is unknown. ``missed`` counts the
    problems that were wrong when it came back. ``in_hand`` is the first day on which the student has it
    (``None``: has it now). ``minutes`` replaces the estimate for the whole first pass.
    """

    key: str
    kind: Kind
    title: str
    size: int | None = None
    missed: int | None = None
    topic: str = ""
    multiple_choice: bool = False
    answers: Answers = Answers.ANSWERS
    in_hand: date | None = None
    minutes: int | None = None


class FixedDay(Value, frozen=True, kw_only=True):
    """A date on which some materials, by their keys, have their first pass: a teacher fixes what a class does when."""

    day: date
    materials: tuple[str, ...]


class Exam(Value, frozen=True, kw_only=True):
    """A dated assessment and what prepares for it.

    ``start`` is wall-clock time in ``zone`` (``None``: the request's). ``minutes`` is the paper's regular length;
    ``extra_time`` is granted on top, in percent. ``pace`` is the percentage of the usual minutes that work takes
    this student (150: half as much again). ``weight`` is relative to the other exams. ``sureness`` runs from 1
    (not at all) to 5 (quite). ``answers_by`` is the day after which work whose answers are still missing goes on the
    ask list. Where all that is known is that it is some day from ``start`` to ``latest``, the first day counts until
    more is known.
    """

    key: str
    subject: str
    start: datetime
    minutes: int
    zone: str | None = None
    place: str = ""
    scope: Scope = Scope.TERM
    weight: int = 1
    sureness: int = 3
    extra_time: int = 0
    pace: int = 100
    sheet_pages: int = 0
    timed_paper: bool = False
    labels: dict[Kind, str] = {}
    materials: tuple[Material, ...] = ()
    assumed: bool = False
    """True when the materials are the usual counts for the scope, not the student's own stock."""
    answers_by: date | None = None
    latest: date | None = None
    fixed_days: tuple[FixedDay, ...] = ()

    @property
    def fixed(self) -> dict[str, date]:
        """The day that each material is fixed for, by its key; those that are not are left out."""
        return {key: one.day for one in self.fixed_days for key in one.materials}


class StudyHours(Value, frozen=True, kw_only=True):
    """A weekly stretch in which the student is willing to study; one that ends at or before its start passes
    midnight."""

    days: tuple[Weekday, ...]
    start: time
    end: time
    first: date | None = None
    last: date | None = None


class Appointment(Value, frozen=True, kw_only=True):
    """A study interval that is already fixed (tutoring, office hours): it counts as study minutes of its day."""

    title: str
    start: datetime
    minutes: int
    exam: str | None = None


class Effort(Value, frozen=True, kw_only=True):
    """How much, in minutes, and when not.

    ``usual`` and ``limit`` are minutes of a day; ``shortest`` and ``longest`` of a block; ``rest`` lies between any
    two blocks; ``margin`` on either side of a busy time. No block runs into the hour before ``bedtime``.
    ``habit`` is the hour at which blocks start when it is free (``None``: the one that is free on most days).
    """

    usual: int = 30
    limit: int = 60
    shortest: int = 15
    longest: int = 45
    rest: int = 10
    margin: int = 10
    bedtime: time = time(22, 30)
    waking: time = time(7, 0)
    age: AgeBand | None = None
    habit: time | None = None


class BusyCalendar(Value, frozen=True, kw_only=True):
    """A calendar file of busy times, by the name under which its bytes are handed over."""

    file: str
    all_day: bool = False
    """Whether its all-day events take the whole day."""
    only: tuple[str, ...] = ()
    """Titles of the events to read; empty: all of them."""


class BusyInterval(Value, frozen=True, kw_only=True):
    """A single interval that is taken, in wall-clock time of the request's zone."""

    start: datetime
    end: datetime
    title: str = ""


class DayOff(Value, frozen=True, kw_only=True):
    """Whole days without study, ``last`` included."""

    first: date
    last: date
    title: str = ""


class ShortDay(Value, frozen=True, kw_only=True):
    """A day on which only so many minutes are possible, appointments included, whatever the limit of other days."""

    day: date
    minutes: int


class OwnHoliday(Value, frozen=True, kw_only=True):
    """A public (or school) holiday that the student adds or overrules by hand."""

    day: date
    title: str


class Holidays(Value, frozen=True, kw_only=True):
    """Public holidays by ISO 3166-1 country and ISO 3166-2 subdivision, own dates, and what they do to a day."""

    country: str | None = None
    subdivision: str | None = None
    use: HolidayUse = HolidayUse.FREE
    own: tuple[OwnHoliday, ...] = ()


class CatchUp(Value, frozen=True, kw_only=True):
    """A weekly stretch of the study hours that is held back for what slips, from fourteen usable days on."""

    day: Weekday
    start: time
    end: time


class Rates(Value, frozen=True, kw_only=True):
    """Minutes and shares that the estimates rest on (common practice, no source, unless DEVELOPERS.md names one).

    Minutes are for one piece, one missed problem, one class period or one problem, as the name says. Shares are
    percentages.
    """

    homework_piece: float = 7.0
    quiz: float = 8.0
    quiz_missed: float = 5.0
    notes_period: float = 4.5
    test: float = 15.0
    test_missed: float = 5.0
    test_right: float = 1.5
    practice_problem: float = 1.5
    multiple_choice: int = 67
    """Minutes of a multiple-choice paper as a percentage of those of a written one."""
    homework_essential: int = 75
    notes_essential: int = 75
    practice_essential: int = 67
    """How much of a first pass is essential where no missed problem says so."""
    missed: int = 25
    """Problems taken as missed where the student has not counted them."""
    quiz_size: int = 8
    test_size: int = 16
    """Problems in a paper whose size is not known but whose missed problems are not either."""
    flags: int = 25
    """The share of a kind's first pass that comes back in the second, before any check-in."""
    flags_must: int = 50
    """How much of that share is taken as flag 1; the rest is flag 2."""
    flag: float = 4.0
    """Minutes for a flagged problem in the second pass, where the kind has no rate for a missed one."""
    gather: int = 10
    tidy: int = 10
    taper: int = 20
    eve: int = 15
    """Whole minutes of the tasks of these names."""


class Mending(Value, frozen=True, kw_only=True):
    """How a plan is mended.

    ``grace`` is the number of days after which the work of a block without a word is planned again the next time that
    the plan is mended (``None``: never; no word is not missed). ``slow_days`` is the number of usable days that come
    back at half the limit after an illness.
    """

    grace: int | None = None
    slow_days: int = 2


class Request(Value, frozen=True, kw_only=True):
    """All that a plan is made from, apart from the bytes of the busy calendars and the moment at which it is made.

    ``start`` is the first day that may be used (``None``: the day of ``as_of``).
    """

    zone: str
    exams: tuple[Exam, ...]
    week: tuple[StudyHours, ...]
    schema: int = SCHEMA
    title: str = ""
    start: date | None = None
    appointments: tuple[Appointment, ...] = ()
    effort: Effort = Effort()
    keep: Keep = Keep.EVERYTHING
    calendars: tuple[BusyCalendar, ...] = ()
    busy: tuple[BusyInterval, ...] = ()
    days_off: tuple[DayOff, ...] = ()
    short_days: tuple[ShortDay, ...] = ()
    holidays: Holidays = Holidays()
    catch_up: CatchUp | None = None
    rates: Rates = Rates()
    mending: Mending = Mending()


# ------------------------------------------------------------------------------------------------- plan


class BusySpan(Value, frozen=True, kw_only=True):
    """A resolved busy time: its instants, its title, and the file (or part of the request) that it comes from."""

    span: Span
    title: str = ""
    source: str = ""


class Skipped(Value, frozen=True, kw_only=True):
    """Something in a busy calendar that was not taken over, or only with a doubt: name, line and reason.

    ``line`` counts from 1 in the file as it was given (0: the file as a whole).
    """

    source: str
    line: int
    name: str
    reason: str


class HolidayDay(Value, frozen=True, kw_only=True):
    """A resolved public holiday."""

    day: date
    title: str
    use: HolidayUse


class Item(Value, frozen=True, kw_only=True):
    """One material inside a task, or a part of it.

    ``first`` and ``count`` are its problems (or class periods), counted from 1; count 0 means the piece as a whole.
    ``minutes`` is the estimate, ``essential`` how much of it is essential, both before rounding.
    """

    material: str
    title: str
    first: int = 1
    count: int = 0
    missed: int = 0
    minutes: float = 0.0
    essential: float = 0.0


class Task(Value, frozen=True, kw_only=True):
    """What one stop sets. ``ranks`` holds one rank for each of its units, in the order in which they are worked.

    ``kept`` of them are in the plan or over: those :attr:`behind`, and of the others always the first ones. ``ideal``
    is the day that the rotation gives it; ``first`` and ``last`` bound the days on which it may lie. ``number`` is its
    place in the exam's order, from 0. One that went ``astray`` was put on another day when the plan was mended, and may
    lie out of its order.
    """

    id: str
    exam: str
    role: Role
    kind: Kind | None
    number: int
    round: int
    ranks: tuple[Rank, ...]
    kept: int
    ideal: date
    first: date
    last: date
    items: tuple[Item, ...] = ()
    substitute: str = ""
    """What stands in for material of which there is none, or which has no answers."""
    notes: tuple[str, ...] = ()
    """What was shortened or left out of it, and what it is made of, in sentences."""
    behind: tuple[tuple[int, int], ...] = ()
    """The units that are over: stretches of (first, units), in order."""
    astray: bool = False
    fixed: date | None = None
    """The day that its materials are fixed for; where that has no room, it lies as near to it as can be."""

    @property
    def over(self) -> int:
        """How many of its units are over."""
        return sum(units for _, units in self.behind)

    @property
    def open(self) -> tuple[int, ...]:
        """The units that are not over, kept or not, in order."""
        over = {unit for first, units in self.behind for unit in range(first, first + units)}
        return tuple(unit for unit in range(len(self.ranks)) if unit not in over)

    @property
    def ahead(self) -> tuple[int, ...]:
        """The units that are kept and not over, in order."""
        return self.open[: self.kept - self.over]

    @property
    def lost(self) -> tuple[int, ...]:
        """The units that are not kept, in order."""
        return self.open[max(0, self.kept - self.over) :]

    @property
    def stage(self) -> Stage:
        """The stage that the task belongs to."""
        return STAGE_OF[self.role]


STAGE_OF = {
    Role.GATHER: Stage.COVER,
    Role.COVER: Stage.COVER,
    Role.ENCORE: Stage.COVER,
    Role.CONSOLIDATE: Stage.CONSOLIDATE,
    Role.TIDY: Stage.CONSOLIDATE,
    Role.PAPER: Stage.CONSOLIDATE,
    Role.TAPER: Stage.TAPER,
    Role.EVE: Stage.TAPER,
}


class Part(Value, frozen=True, kw_only=True):
    """Units ``first`` to ``first + units`` of a task, on one day (or, inside a block, in that block)."""

    task: str
    first: int
    units: int


class Day(Value, frozen=True, kw_only=True):
    """A local date of the plan.

    ``gaps`` are the free spans with all margins taken off. ``free`` counts the whole units that blocks can hold in
    them, whatever the limit; ``fixed`` the units of appointments; ``spent`` those of work that is done already;
    ``room`` the units of work that the day may still hold under the limit (a half-used day: half of that) and, of a
    short day, within its ``short`` minutes (0: they are too few for a block). ``parts`` is the work that it does hold.
    """

    day: date
    gaps: tuple[Span, ...] = ()
    free: int = 0
    fixed: int = 0
    room: int = 0
    halved: bool = False
    short: int | None = None
    spent: int = 0
    parts: tuple[Part, ...] = ()


class Block(Value, frozen=True, kw_only=True):
    """One contiguous study interval: one event of the calendar.

    ``start`` is wall-clock time with ``fold`` as PEP 495 has it; ``minutes`` may exceed the parts' units where the
    shortest block asks for it (the rest is for the sheet, and is no load). An appointment has no parts and carries
    its title.
    """

    uid: str
    day: date
    start: datetime
    minutes: int
    revised: datetime
    parts: tuple[Part, ...] = ()
    title: str = ""
    fold: int = 0
    sequence: int = 0
    fixed: bool = False
    held: bool = False
    """Whether the student keeps it where it is."""


class Worked(Value, frozen=True, kw_only=True):
    """Work that lies in the past: units ``first`` to ``first + units`` of a ``task``.

    The last ``back`` of them were not done and are planned again. ``pieces`` counts what was gone through, by material:
    problems of practice, class periods of notes, else 1 for a piece. Exam, role and kind are the task's, which may have
    left the plan since.
    """

    exam: str
    role: Role
    kind: Kind | None
    units: int
    pieces: dict[str, int] = {}
    task: str = ""
    first: int = 0
    back: int = 0


class PastBlock(Value, frozen=True, kw_only=True):
    """A block that had begun when the plan was made again, with its words as they were: nothing about it changes now.

    ``headline`` and ``text`` are what its event says, without the link; ``exams`` are the subjects it worked for. All
    work of one that was ``missed`` is planned again.
    """

    uid: str
    day: date
    start: datetime
    minutes: int
    revised: datetime
    headline: str
    text: str
    exams: tuple[str, ...] = ()
    worked: tuple[Worked, ...] = ()
    fold: int = 0
    sequence: int = 0
    fixed: bool = False
    missed: bool = False


class PlannedExam(Value, frozen=True, kw_only=True):
    """What the plan says of one exam: usable days, the last date of each stage, and its minutes a day.

    ``cover_ends`` and ``consolidate_ends`` are ``None`` where there is no such stage.
    ``opened`` tells that taper days before the eve had to take essentials.
    """

    key: str
    subject: str
    start: datetime
    zone: str
    minutes: int
    usable_days: int
    place: str = ""
    cover_ends: date | None = None
    consolidate_ends: date | None = None
    taper_days: tuple[date, ...] = ()
    opened: bool = False
    revised: datetime | None = None
    """When what its event says last changed (``None``: when the plan was made)."""
    sequence: int = 0
    behind_days: int | None = None
    """How many usable days were over when the plan was mended (``None``: it was not); its stages keep their dates."""
    latest: date | None = None


class Ask(Value, frozen=True, kw_only=True):
    """One line of the ask list: what to ask a teacher or tutor about."""

    exam: str
    material: str
    sentence: str


class Notice(Value, frozen=True, kw_only=True):
    """Something that the reader of the plan should know; ``code`` is stable, the sentence is for people."""

    code: str
    sentence: str


class Figures(Value, frozen=True, kw_only=True):
    """What the plan costs, in minutes a day.

    ``everything`` and ``essentials`` are the least limits under which all work, or all essential work, fits
    (``None``: under none); ``bound`` is the least daily maximum at which the kept work fits at all and ``maximum``
    the one that was allowed; ``asked`` and ``kept`` are minutes of work in all, encores apart.
    """

    everything: int | None
    essentials: int | None
    bound: int
    maximum: int
    asked: int
    kept: int
    before: int | None = None
    """The daily maximum of the published plan that was mended."""


class Learned(Value, frozen=True, kw_only=True):
    """What the check-ins have changed about an exam's work.

    ``pace`` is the percentage of the estimated minutes that a kind takes; ``practice`` the percentage of the usual
    number of problems that a practice stop sets.
    """

    exam: str
    pace: dict[Kind, int] = {}
    practice: int = 100


class Shortfall(Value, frozen=True, kw_only=True):
    """The proof that the work does not fit, and the ways out.

    Between ``first`` and ``last`` there are ``needed`` minutes of work that must lie there and ``free`` to hold them.
    ``lost`` are minutes given up, by rank; ``start`` is the latest first day that would have done (``None``: none
    within the look-back); ``limit_all`` and ``limit_essential`` are limits of a day that would do.
    """

    first: date
    last: date
    needed: int
    free: int
    lost: dict[Rank, int]
    start: date | None = None
    limit_all: int | None = None
    limit_essential: int | None = None


class Plan(Value, frozen=True, kw_only=True):
    """A dated plan, with all that is needed to judge, show, print and mend it."""

    request_hash: str
    seed: str
    as_of: datetime
    zone: str
    title: str
    exams: tuple[PlannedExam, ...]
    days: tuple[Day, ...]
    tasks: tuple[Task, ...]
    blocks: tuple[Block, ...]
    figures: Figures
    schema: int = SCHEMA
    tz_version: str = ""
    holidays_version: str = ""
    busy: tuple[BusySpan, ...] = ()
    holidays: tuple[HolidayDay, ...] = ()
    skipped: tuple[Skipped, ...] = ()
    asks: tuple[Ask, ...] = ()
    notices: tuple[Notice, ...] = ()
    shortfall: Shortfall | None = None
    retired: dict[str, int] = {}
    """UIDs of blocks that left the plan, each with its last SEQUENCE."""
    past: tuple[PastBlock, ...] = ()
    """Blocks that had begun before ``as_of``, or were done before their time, in order; ``days`` no longer has them."""
    learned: tuple[Learned, ...] = ()
    restored: datetime | None = None
    """When blocks were last put back, or put later by hand, which revises them and nothing else."""


# ---------------------------------------------------------------------------------------------- documents


def to_json(value: Request | Plan, *, indent: int = 2) -> bytes:
    """The JSON document of a request or a plan; equal values give equal bytes. ``indent`` 0 is compact."""
    encoded = msgspec.json.encode(in_order(value))
    return msgspec.json.format(encoded, indent=indent) + b"\n" if indent else encoded


def in_order(value: Request | Plan) -> Request | Plan:
    """The same value with its dictionaries in order of their keys, whatever order they were made in."""
    if isinstance(value, Request):
        exams = (replace(exam, labels=dict(sorted(exam.labels.items()))) for exam in value.exams)
        return replace(value, exams=tuple(exams))
    short = value.shortfall and replace(value.shortfall, lost=dict(sorted(value.shortfall.lost.items())))
    learned = tuple(replace(one, pace=dict(sorted(one.pace.items()))) for one in value.learned)
    return replace(value, retired=dict(sorted(value.retired.items())), shortfall=short, learned=learned)


def plan_from_json(document: bytes) -> Plan:
    """The plan that :func:`to_json` wrote.

    Raises ``msgspec.ValidationError`` (a ``ValueError``) where the document is not one.
    """
    plan = msgspec.json.decode(document, type=Plan)
    if plan.schema != SCHEMA:
        raise msgspec.ValidationError(f"plan of schema {plan.schema}; this version reads schema {SCHEMA}")
    return plan


def request_from_json(document: bytes) -> Request:
    """The resolved request that :func:`to_json` wrote; what people write is read by :mod:`calplan.request`."""
    return msgspec.json.decode(document, type=Request)


def plain(value: Value) -> Any:
    """The value as dictionaries, lists and strings, as its JSON has it."""
    return msgspec.to_builtins(value, str_keys=True)


def identity(seed: str, *parts: str) -> str:
    """A UUID of version 8 (RFC 9562 §5.8) made from a seed and whatever names the thing: never from chance or time."""
    digest = bytearray(sha256("\x1f".join((seed, *parts)).encode()).digest()[:16])
    digest[6] = digest[6] & 0x0F | 0x80
    digest[8] = digest[8] & 0x3F | 0x80
    return str(UUID(bytes=bytes(digest)))


def block_units(block: Block) -> int:
    """The units of work in a block."""
    return sum(part.units for part in block.parts)


def block_end(block: Block) -> datetime:
    """The block's nominal end on the wall clock (clock changes inside a block are left to instants)."""
    return block.start + timedelta(minutes=block.minutes)
