"""How it goes: minutes done, missed and without a word by week, flags, what is untouched, and what would mend it.

No word is not missed: a block that is over and of which nothing was said is counted apart, and never as behind. Minutes
are minutes of work; appointments have none. Nothing here scolds. Thresholds are ours (common practice, no source).
"""

from __future__ import annotations

from collections import defaultdict
from datetime import timedelta
from enum import StrEnum
from typing import TYPE_CHECKING, NamedTuple
from zoneinfo import ZoneInfo

from calplan.checkins import last_words
from calplan.learned import blocks_of
from calplan.model import UNIT, Role, Value
from calplan.spans import instant, wall
from calplan.wording import label, one_line

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence
    from datetime import date, datetime

    from calplan.checkins import CheckIn, Log
    from calplan.learned import FlagState, Known, Studied, Work
    from calplan.model import Exam, Kind, Plan, Request

LITTLE = 2
"""Up to so many usual days' minutes are a little behind; more are behind."""
BAD_WEEK = 7
"""How many days, today the last of them, are looked at to see whether a week went badly."""
BAD_SHARE = 50
"""The percentage of their minutes that was missed in a bad one."""


class State(StrEnum):
    """How it goes, in words that can stand on a page."""

    ON_COURSE = "on course"
    A_LITTLE_BEHIND = "a little behind"
    BEHIND = "behind"
    NOTHING_SAID = "nothing said yet"


class Week(Value, frozen=True, kw_only=True):
    """Minutes of work in the week of a Monday.

    ``planned`` counts all of its blocks, also those still to come and those whose work is planned again elsewhere. What
    is over is ``done``, ``missed`` (also the rest of a block done in part) or without a word (``silent``).
    """

    monday: date
    planned: int = 0
    done: int = 0
    missed: int = 0
    silent: int = 0


class Progress(Value, frozen=True, kw_only=True):
    """How a plan goes at a moment.

    ``behind`` are minutes of work that were missed and are not planned again. ``silent`` are blocks that are over and
    of which nothing was said. ``untouched`` names materials, by exam, of exams that are yet to come. After a bad week
    ``lightest`` is true: then the lightest plan that still covers what matters most is worth an offer.
    """

    state: State
    sentence: str
    weeks: tuple[Week, ...] = ()
    behind: int = 0
    silent: int = 0
    lightest: bool = False
    open: tuple[FlagState, ...] = ()
    closed: tuple[FlagState, ...] = ()
    untouched: Mapping[str, tuple[str, ...]] = {}


class Told(NamedTuple):
    """A block with its last word, and whether it is over; a block with a word on it is."""

    block: Studied
    word: CheckIn | None
    over: bool

    @property
    def done(self) -> int:
        """Minutes that were done."""
        return sum(self.block.done(self.word))

    @property
    def missed(self) -> int:
        """Minutes that were said not to be done."""
        return self.block.work_minutes - self.done if self.word else 0

    @property
    def silent(self) -> int:
        """Minutes that are over and of which nothing was said."""
        return self.block.work_minutes if self.over and not self.word else 0


def progress(plan: Plan, request: Request, log: Log, known: Known, *, now: datetime) -> Progress:
    """How ``plan`` goes at the instant ``now``, from the entries of its ``log`` in whatever order.

    ``known`` is what :func:`calplan.learned.known` reads from the same log.
    """
    words = last_words(log)
    told = [
        Told(block, word, word is not None or block.begin + timedelta(minutes=block.minutes) <= now)
        for block in blocks_of(plan).values()
        for word in [words.get(block.uid)]
    ]
    today = wall(now, ZoneInfo(plan.zone)).date()
    exams = exams_ahead(plan, request, now)
    behind = behind_of(told, exams)
    silent = sum(1 for one in told if one.silent)
    lightest = bad_week(told, today)
    state = state_of(told, sum(behind.values()), request.effort.usual)
    return Progress(
        state=state,
        sentence=sentence_of(
            state,
            behind,
            exams,
            days_left(plan, behind, today),
            silent=silent,
            over=any(one.over for one in told),
            lightest=lightest,
        ),
        weeks=weeks_of(told),
        behind=sum(behind.values()),
        silent=silent,
        lightest=lightest,
        open=known.open_flags(),
        closed=known.closed_flags(),
        untouched=untouched_of(told, exams.values()),
    )


def exams_ahead(plan: Plan, request: Request, now: datetime) -> dict[str, Exam]:
    """The exams of the request, by key, that have not begun."""
    begins = {exam.key: instant(exam.start, ZoneInfo(exam.zone)) for exam in plan.exams}
    return {exam.key: exam for exam in request.exams if exam.key in begins and begins[exam.key] > now}


# ------------------------------------------------------------------------------------------------------ figures


def weeks_of(told: Iterable[Told]) -> tuple[Week, ...]:
    """The weeks that have blocks with work, by their Mondays (ISO 8601), in order; weeks between them too."""
    sums: defaultdict[date, list[int]] = defaultdict(lambda: [0, 0, 0, 0])
    for one in told:
        if minutes := one.block.work_minutes:
            monday = one.block.day - timedelta(days=one.block.day.weekday())
            for place, more in enumerate((minutes, one.done, one.missed, one.silent)):
                sums[monday][place] += more
    if not sums:
        return ()
    first, last = min(sums), max(sums)
    mondays = [first + timedelta(weeks=number) for number in range((last - first).days // 7 + 1)]
    rows = [(monday, sums[monday]) for monday in mondays]
    return tuple(Week(monday=day, planned=p, done=d, missed=m, silent=s) for day, (p, d, m, s) in rows)


Behind = dict[tuple[str, "Kind | None"], int]
"""Minutes that are behind, by exam and kind (``None``: work of no kind)."""

TIED = (Role.TAPER, Role.EVE, Role.ENCORE)
"""Work that belongs to its day, or counts in no goal: once over, there is nothing in it to be made up."""


def behind_of(told: Iterable[Told], exams: Mapping[str, Exam]) -> Behind:
    """What was missed and is not planned again, for ``exams`` that are yet to come."""
    behind: Behind = {}
    for one in told:
        if not one.word or one.block.again:
            continue
        for work, done in zip(one.block.works, one.block.done(one.word), strict=True):
            minutes = work.minutes - done - work.back * UNIT
            if minutes > 0 and work.exam in exams and work.role not in TIED:
                behind[work.exam, work.kind] = behind.get((work.exam, work.kind), 0) + minutes
    return behind


def days_left(plan: Plan, behind: Behind, today: date) -> int:
    """The days after today, before the last of the exams that something is behind for, that have room for work."""
    zone = ZoneInfo(plan.zone)
    keys = {exam for exam, _ in behind}
    exams = [wall(instant(one.start, ZoneInfo(one.zone)), zone).date() for one in plan.exams if one.key in keys]
    return sum(1 for day in plan.days if exams and day.room and today < day.day < max(exams))


def bad_week(told: Iterable[Told], today: date) -> bool:
    """Whether at least half of the minutes that were over in the last seven days were missed."""
    week = [one for one in told if one.over and 0 <= (today - one.block.day).days < BAD_WEEK]
    missed, minutes = sum(one.missed for one in week), sum(one.block.work_minutes for one in week)
    return minutes > 0 and 100 * missed >= BAD_SHARE * minutes


def untouched_of(told: Sequence[Told], exams: Iterable[Exam]) -> dict[str, tuple[str, ...]]:
    """The keys of materials that nothing was done of, by exam, in class order; exams without any are left out.

    A material is touched where some of it was done, and where all of its work is over but not all of it was said to be
    missed: of the rest there is no word, and no word is not missed.
    """
    done, over, ahead = set[tuple[str, str]](), set[tuple[str, str]](), set[tuple[str, str]]()
    for one in told:
        for work, minutes in zip(one.block.works, one.block.done(one.word), strict=True):
            done |= materials_of(work, minutes)
            if not one.over:
                ahead |= materials_of(work, work.minutes)
            elif not one.word:
                over |= materials_of(work, work.minutes)
    touched = done | (over - ahead)
    untouched = {exam.key: tuple(m.key for m in exam.materials if (exam.key, m.key) not in touched) for exam in exams}
    return {exam: keys for exam, keys in untouched.items() if keys}


def materials_of(work: Work, minutes: int) -> set[tuple[str, str]]:
    """The materials, each with its exam, in the first minutes of some work."""
    return {(work.exam, key) for key, count in work.by_material(-(-minutes // UNIT)).items() if count}


# ------------------------------------------------------------------------------------------------------ in words


def state_of(told: Iterable[Told], behind: int, usual: int) -> State:
    """On course while nothing is behind; a little behind up to two ``usual`` days' minutes; behind beyond that."""
    if not any(one.word and one.block.works for one in told):
        return State.NOTHING_SAID
    if not behind:
        return State.ON_COURSE
    return State.A_LITTLE_BEHIND if behind <= LITTLE * usual else State.BEHIND


def sentence_of(
    state: State,
    behind: Behind,
    exams: Mapping[str, Exam],
    days: int,
    *,
    silent: int,
    over: bool,
    lightest: bool,
) -> str:
    """Kind words: what is behind, if anything, and what would mend it in the ``days`` that are left."""
    if state is State.NOTHING_SAID:
        if over:
            return "Nothing was said of the blocks so far: tick what you did, and this page can tell how it goes."
        return "No block is over yet: all of it lies ahead."
    if state is State.ON_COURSE:
        said = "On course: nothing waits to be made up"
    else:
        said = f"{state.capitalize()}: {_listed(list(_amounts(behind, exams)))}; {_mended(sum(behind.values()), days)}"
    if lightest:
        said += ". After a week like this, the lightest plan that still covers what matters most is a good choice too"
    if silent:
        blocks = "one block" if silent == 1 else f"{silent} blocks"
        said += f". Of {blocks} nothing was said: tick what you did"
    return f"{said}."


def _amounts(behind: Behind, exams: Mapping[str, Exam]) -> Iterator[str]:
    """What is behind, the most first: "30 minutes of quizzes", with the subject where there are several exams."""
    order = list(exams)
    for (key, kind), minutes in sorted(behind.items(), key=lambda one: (-one[1], order.index(one[0][0]))):
        what = label(exams[key], kind) if kind else "other work"
        subject = f" ({one_line(exams[key].subject)})" if len(exams) > 1 else ""
        yield f"{minutes} minute{'' if minutes == 1 else 's'} of {what}{subject}"


def _mended(minutes: int, days: int) -> str:
    if not days:
        return "no day is left for that, so let it go, and keep to what is planned"
    more = -(-minutes // (days * UNIT)) * UNIT
    if days == 1:
        return f"planned again on the one day that is left, that is about {more} minutes more"
    return f"planned again over the {days} days that are left, that is about {more} minutes more a day"


def _listed(words: Sequence[str]) -> str:
    return " and ".join(filter(None, (", ".join(words[:-1]), *words[-1:])))
