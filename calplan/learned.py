"""What the check-ins tell: flags that are open or settled, how long work takes, how practice goes, what to ask.

A pure reading of the log against the plan and the request: nothing is kept anywhere, so that taking back an entry
takes back all that was concluded from it. Only materials that the request has are told of. Dates are local dates of the
plan's zone. Where no source is named, figures are common practice with no source.
"""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from typing import TYPE_CHECKING, NamedTuple
from zoneinfo import ZoneInfo

from calplan.checkins import SETTLED, Outcome, last_words, standing
from calplan.contents import part_items, under_way
from calplan.model import UNIT, Ask, Kind, Learned, Part, PastBlock, Role, Value
from calplan.spans import instant, wall
from calplan.wording import one_line

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence
    from datetime import date, datetime

    from calplan.checkins import CheckIn, Found, Log
    from calplan.model import Block, Material, Plan, Request, Task, Worked

TRIES = 3
"""Failed tries after which a problem goes on the ask list."""
RECORDED = 10
"""The latest recorded blocks of an exam and kind that its pace rests on."""
PRIOR = 3
"""How many blocks that took just as long as planned are added to the recorded ones."""
PACE = 50, 200
"""The bounds of a pace, in percent of the planned minutes."""
GOES_WELL, GOES_POORLY = 10, 40
"""Practice goes well with at most so many percent wrong, and poorly with at least so many."""
STEP = 25
"""Percent of the usual number of problems that one practice block takes off or adds."""
PRACTICE = 50, 150
"""The bounds of a practice stop, in percent of the usual number of problems."""


class FlagState(NamedTuple):
    """A problem that was flagged, as it stands now.

    ``importance`` is the last one of 1 and 2. ``since`` is the last date on which it was said to be wrong, ``closed``
    the one on which it was settled after that (``None``: open). ``tries`` are the failed tries in all. ``seen`` counts
    the different dates on which something was said of it. One that is ``asked`` is open after its third failed try, and
    stands on the ask list.
    """

    exam: str
    material: str
    problem: str
    kind: Kind
    importance: int
    since: date
    tries: int = 0
    closed: date | None = None
    seen: int = 1

    @property
    def asked(self) -> bool:
        """Whether it is on the ask list; what was settled needs nobody's help."""
        return self.closed is None and self.tries >= TRIES


class Known(Value, frozen=True, kw_only=True):
    """All that the check-ins tell; of what is not in a dictionary nothing was said.

    ``flags`` and ``asks`` are in order of exam, material and problem. ``wrong`` is the last count of problems that are
    still wrong, by exam and material. ``pace`` is the percentage of the planned minutes that a kind takes, by exam and
    kind; ``practice`` the percentage of the usual number of problems, by exam; ``sheet_pages`` the last pages of the
    summary sheet, by exam.
    """

    flags: tuple[FlagState, ...] = ()
    wrong: Mapping[tuple[str, str], int] = {}
    pace: Mapping[tuple[str, Kind], int] = {}
    practice: Mapping[str, int] = {}
    sheet_pages: Mapping[str, int] = {}
    asks: tuple[Ask, ...] = ()

    def open_flags(
        self, exam: str | None = None, kind: Kind | None = None, material: str | None = None
    ) -> tuple[FlagState, ...]:
        """The flags that are open: all, or those of an exam, a kind, a material."""
        return tuple(flag for flag in self.flags if flag.closed is None and _of(flag, exam, kind, material))

    def closed_flags(
        self, exam: str | None = None, kind: Kind | None = None, material: str | None = None
    ) -> tuple[FlagState, ...]:
        """The flags that are settled: all, or those of an exam, a kind, a material."""
        return tuple(flag for flag in self.flags if flag.closed is not None and _of(flag, exam, kind, material))

    def pace_of(self, exam: str, kind: Kind) -> int:
        """The percentage of the planned minutes that a kind takes; 100 where nothing was recorded."""
        return self.pace.get((exam, kind), 100)

    def practice_of(self, exam: str) -> int:
        """The percentage of the usual number of problems that a practice stop sets; 100 where nothing was said."""
        return self.practice.get(exam, 100)

    def learned(self) -> tuple[Learned, ...]:
        """Pace and practice as a plan carries them; exams of which all is as usual are left out."""
        exams = sorted({exam for exam, _ in self.pace} | set(self.practice))
        every = (
            Learned(
                exam=exam,
                pace={kind: self.pace[exam, kind] for kind in Kind if self.pace_of(exam, kind) != 100},
                practice=self.practice_of(exam),
            )
            for exam in exams
        )
        return tuple(one for one in every if one.pace or one.practice != 100)


def _of(flag: FlagState, exam: str | None, kind: Kind | None, material: str | None) -> bool:
    return exam in (None, flag.exam) and kind in (None, flag.kind) and material in (None, flag.material)


def known(request: Request, plan: Plan, log: Log) -> Known:
    """What the entries of a ``log``, in whatever order, tell of a plan and the request that it answers."""
    words = standing(log)
    materials = {(exam.key, one.key): one for exam in request.exams for one in exam.materials}
    studied = blocks_of(plan)
    flags = flags_of(words, materials, ZoneInfo(plan.zone))
    return Known(
        flags=flags,
        wrong=wrong_of(words, materials),
        pace=pace_of(last_words(log), studied),
        practice=practice_of(words, materials, studied),
        sheet_pages=sheet_of(words, request, studied),
        asks=tuple(ask(flag, materials[flag.exam, flag.material]) for flag in flags if flag.asked),
    )


# ------------------------------------------------------------------------------------------- the work of a block


class Work(NamedTuple):
    """Some units of one task in a block: ``units`` from ``first``, the last ``back`` of which are planned again.

    ``task`` is ``None`` where it has left the plan; then ``pieces`` is what is known of its contents.
    """

    exam: str
    role: Role
    kind: Kind | None
    task: Task | None
    first: int
    units: int
    back: int = 0
    pieces: Mapping[str, int] = {}

    @property
    def minutes(self) -> int:
        """Its planned minutes."""
        return self.units * UNIT

    def by_material(self, units: int) -> Counter[str]:
        """The pieces in the first so many of its units, by material.

        A stretch inside one large piece counts as 1 of it.
        """
        units = min(units, self.units)
        if units <= 0:
            return Counter()
        if self.task is None:
            return Counter({key: _half_up(count * units, self.units) for key, count in self.pieces.items()})
        part = Part(task=self.task.id, first=self.first, units=units)
        found: Counter[str] = Counter()
        for share in part_items(self.task, part):
            found[share.item.material] += share.number
        if not found and self.task.items:
            found[under_way(self.task, part).item.material] = 1
        return found


class Studied(NamedTuple):
    """A block, over or not, as its check-ins see it. ``begin`` is an instant; ``again``: all of it is planned again.

    An appointment has no work.
    """

    uid: str
    day: date
    begin: datetime
    minutes: int
    works: tuple[Work, ...]
    again: bool

    @property
    def work_minutes(self) -> int:
        """Its minutes of work: what lies in it for its length alone is not counted."""
        return sum(work.minutes for work in self.works)

    def done(self, word: CheckIn | None) -> tuple[int, ...]:
        """The minutes of each of its works that were done by a word on it; works are done in their order."""
        left = done_minutes(self, word)
        done = []
        for work in self.works:
            done.append(min(left, work.minutes))
            left -= done[-1]
        return tuple(done)


def done_minutes(block: Studied, word: CheckIn | None) -> int:
    """The minutes of work that were done: all, what was reached, or none."""
    if word is None or word.outcome is Outcome.MISSED:
        return 0
    whole = block.work_minutes
    return whole if word.outcome is Outcome.DONE else min(max(word.reached, 0), whole)


def blocks_of(plan: Plan) -> dict[str, Studied]:
    """All blocks of a plan by UID: those that are its past, then those that are not."""
    zone = ZoneInfo(plan.zone)
    tasks = {task.id: task for task in plan.tasks}
    blocks: dict[str, Studied] = {}
    every: tuple[PastBlock | Block, ...] = (*plan.past, *plan.blocks)
    for block in every:
        begin = instant(block.start.replace(fold=block.fold), zone)
        if isinstance(block, PastBlock):
            works = tuple(_past(tasks.get(one.task), one) for one in block.worked)
        else:
            works = tuple(_planned(tasks[part.task], part) for part in block.parts)
        again = isinstance(block, PastBlock) and block.missed
        blocks.setdefault(block.uid, Studied(block.uid, block.day, begin, block.minutes, works, again))
    return blocks


def _planned(task: Task, part: Part) -> Work:
    return Work(task.exam, task.role, task.kind, task, part.first, part.units)


def _past(task: Task | None, one: Worked) -> Work:
    """Work that is over; a task that has since become another one does not tell what it was."""
    same = (
        task is not None
        and (task.exam, task.role, task.kind) == (one.exam, one.role, one.kind)
        and one.first + one.units <= len(task.ranks)
    )
    return Work(one.exam, one.role, one.kind, task if same else None, one.first, one.units, one.back, one.pieces)


# ------------------------------------------------------------------------------------------------------ flags


def flags_of(
    words: Iterable[CheckIn], materials: Mapping[tuple[str, str], Material], zone: ZoneInfo
) -> tuple[FlagState, ...]:
    """The problems that were ever flagged 1 or 2, as they stand after all ``words`` (in order).

    A word of 1 or 2 opens a flag, or keeps it open, and adds its failed tries; what was wrong before it came right does
    not count as failed. A 3 closes it on a later date only: one success on the day on which a problem went wrong says
    little of the next week (Rawson & Dunlosky 2011, J Exp Psychol Gen 140(3):283-302: relearning on later days). A 3 on
    a problem that was never flagged is nothing. Problems are told apart by their names, upper or lower case alike.
    """
    flags: dict[tuple[str, str, str], FlagState] = {}
    dates: defaultdict[tuple[str, str, str], set[date]] = defaultdict(set)
    for word, found, material in _found(words, materials):
        day = wall(word.at, zone).date()
        for flag in found.flags:
            name = " ".join(flag.problem.split())
            key = (found.exam, found.material, name.casefold())
            before = flags.get(key)
            if not name or (before is None and flag.importance == SETTLED):
                continue
            dates[key].add(day)
            if before is None:
                before = FlagState(found.exam, found.material, name, material.kind, flag.importance, day)
            if flag.importance != SETTLED:
                tries = before.tries + flag.tries
                before = before._replace(importance=flag.importance, since=day, tries=tries, closed=None)
            elif before.closed is None and day > before.since:
                before = before._replace(closed=day)
            flags[key] = before
    places = {key: place for place, key in enumerate(materials)}
    ordered = sorted(flags, key=lambda key: (places[key[:2]], _natural(key[2])))
    return tuple(flags[key]._replace(seen=len(dates[key])) for key in ordered)


def _natural(name: str) -> tuple[tuple[int, str], ...]:
    """A key that sorts 2 before 10, and 12a before 12b."""
    digits = re.findall(r"([0-9]+)|([^0-9]+)", name)
    return tuple((int(number), "") if number else (-1, text) for number, text in digits)


def wrong_of(words: Iterable[CheckIn], materials: Mapping[tuple[str, str], Material]) -> dict[tuple[str, str], int]:
    """The last count of problems that are still wrong, by exam and material."""
    return {
        (found.exam, found.material): found.wrong for _, found, _ in _found(words, materials) if found.wrong is not None
    }


def _found(
    words: Iterable[CheckIn], materials: Mapping[tuple[str, str], Material]
) -> Iterator[tuple[CheckIn, Found, Material]]:
    """All that was found in materials that there are."""
    for word in words:
        for found in word.found:
            if material := materials.get((found.exam, found.material)):
                yield word, found, material


def ask(flag: FlagState, material: Material) -> Ask:
    """The line of the ask list for a problem that stays wrong."""
    tries = _NUMBERS[flag.tries] if flag.tries < len(_NUMBERS) else str(flag.tries)
    sentence = f"Ask about problem {one_line(flag.problem)} of {one_line(material.title)}: {tries} tries went wrong."
    return Ask(exam=flag.exam, material=flag.material, sentence=sentence)


_NUMBERS = (
    "zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven", "twelve",
)  # fmt: skip


# ---------------------------------------------------------------------------------------- how long, and how many


class Record(NamedTuple):
    """Minutes that a block was planned to take and minutes that it took."""

    planned: int
    took: int


def pace_of(words: Mapping[str, CheckIn], studied: Mapping[str, Studied]) -> dict[tuple[str, Kind], int]:
    """The pace of each exam and kind, from the last word on each block (in order) that tells its minutes.

    Only blocks whose work is of one exam and one kind can tell. Of one done in part, the minutes that were reached were
    planned. Encores tell nothing, since what goes well in them may be left at once.
    """
    records: defaultdict[tuple[str, Kind], list[Record]] = defaultdict(list)
    for word in sorted(words.values(), key=lambda word: (word.at, word.id)):
        block = studied.get(word.block)
        if block is None or not word.minutes:
            continue
        planned = done_minutes(block, word)
        of = {(work.exam, work.kind, work.role is Role.ENCORE) for work in block.works}
        if planned and len(of) == 1:
            ((exam, kind, encore),) = of
            if kind is not None and not encore:
                records[exam, kind].append(Record(planned, word.minutes))
    return {key: pace(mine[-RECORDED:]) for key, mine in sorted(records.items())}


def pace(records: Sequence[Record]) -> int:
    """(prior × 3 + recorded minutes) / (prior × 3 + planned minutes) of at least one record, in whole percent, bounded.

    The prior is what a block of these was planned to take in the mean: so the student is believed as if three blocks
    more had taken just as long as planned, whatever the length of blocks. One block that took twice its time gives 125,
    ten of them 177.
    """
    planned, took = sum(one.planned for one in records), sum(one.took for one in records)
    # with prior = planned / n, both sides times n
    above, below = PRIOR * planned + len(records) * took, (PRIOR + len(records)) * planned
    return min(max(_half_up(100 * above, below), PACE[0]), PACE[1])


def practice_of(
    words: Iterable[CheckIn],
    materials: Mapping[tuple[str, str], Material],
    studied: Mapping[str, Studied],
) -> dict[str, int]:
    """How many problems a practice stop sets, by exam, in percent of the usual number.

    "Fewer when it goes well, more when it does not": each block in which at most a tenth of the problems were wrong
    takes a quarter of the usual number off, each with two fifths or more adds a quarter, within half and one and a half
    times the usual number (common practice, no source; the figures are ours). Of several words on the problems of a
    block the last one counts. Practice of unknown size, and problems that are known already, tell nothing.
    """
    wrong: dict[tuple[str, str, str], int] = {}
    outcomes: dict[str, CheckIn] = {}
    for word in words:
        outcomes[word.block] = word
        for _, found, material in _found([word], materials):
            if found.wrong is not None and material.kind is Kind.PRACTICE and material.size:
                said = (word.block, found.exam, found.material)
                wrong.pop(said, None)
                wrong[said] = found.wrong
    practice: dict[str, int] = {}
    for (uid, exam, key), number in wrong.items():
        worked = problems_of(studied.get(uid), outcomes[uid], exam, key)
        if worked:
            percent = practice.get(exam, 100)
            percent -= STEP * (100 * number <= GOES_WELL * worked)
            percent += STEP * (100 * number >= GOES_POORLY * worked)
            practice[exam] = min(max(percent, PRACTICE[0]), PRACTICE[1])
    return dict(sorted(practice.items()))


def problems_of(block: Studied | None, word: CheckIn, exam: str, material: str) -> int:
    """The problems of a practice material that were worked in a block: those of its first units that were reached."""
    if block is None:
        return 0
    return sum(
        work.by_material(-(-done // UNIT))[material]
        for work, done in zip(block.works, block.done(word), strict=True)
        if work.exam == exam and work.kind is Kind.PRACTICE and work.role in (Role.COVER, Role.CONSOLIDATE)
    )


def sheet_of(words: Iterable[CheckIn], request: Request, studied: Mapping[str, Studied]) -> dict[str, int]:
    """The pages of the summary sheet, as last said, by exam: those that the block works for, or the only one."""
    only = {request.exams[0].key} if len(request.exams) == 1 else set()
    keys = {exam.key for exam in request.exams}
    pages: dict[str, int] = {}
    for word in words:
        if word.sheet_pages is not None:
            block = studied.get(word.block)
            exams = {work.exam for work in block.works} if block else set()
            pages.update(dict.fromkeys(sorted((exams & keys) or only), word.sheet_pages))
    return dict(sorted(pages.items()))


def _half_up(above: int, below: int) -> int:
    """A quotient of whole numbers, rounded, halves up."""
    return (2 * above + below) // (2 * below)
