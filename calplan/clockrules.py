"""The rules of time: blocks as records, blocks and events on the clock, and what days say of their free time.

A block that lies in one free stretch of the checker's own sweep keeps every constraint on its time at once. For any
other each constraint is asked by itself, so that the fault names what is in the way. No function here stops at the
first fault, and each yields nothing for a sound plan.
"""

from __future__ import annotations

import re
from bisect import bisect_right
from collections import Counter
from datetime import UTC, date, datetime, timedelta
from itertools import chain
from operator import itemgetter
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from calplan.errors import Fault
from calplan.facts import (
    MINUTE,
    YEARS,
    Clocked,
    ExamFacts,
    Facts,
    as_utc,
    place_of,
    steady_offset,
    under_way,
    what_it_is,
)
from calplan.model import UNIT, Block, Role

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from calplan.facts import Stretch


# ---------------------------------------------------------------------------------------- blocks on the clock


def clock_faults(facts: Facts, clocked: Iterable[Clocked]) -> Iterator[Fault]:
    """Intervals of study against one another and against every constraint on their time.

    Appointments are the student's own choice: they may lie anywhere, and only other blocks keep clear of them. A timed
    paper need not lie in study hours, nor leave the part of them free that is held back.
    """
    ordered = sorted(clocked)
    yield from spacing_faults(facts, ordered)
    held_back = facts.catch_up if facts.catch_up and plenty(facts) else []
    running = under_way(facts)
    for one in ordered:
        if one.what == "appointment":
            continue
        if not inside_one(facts.at_best, one.start, one.end):
            yield from time_faults(facts, one)
        if one.what == "work" and any(meets(one, start, end) for start, end in running):
            yield Fault("overlap", one.place, "It starts before the block that was under way has ended.")
        for start, end in held_back:
            if one.what == "work" and meets(one, start, end):
                yield Fault("in-catch-up", one.place, f"The time from {start} to {end} is held back.")


def spacing_faults(facts: Facts, ordered: Iterable[Clocked]) -> Iterator[Fault]:
    """Overlaps, and breaks that are too short; between two appointments no break is asked for."""
    last: Clocked | None = None
    last_work: Clocked | None = None
    for one in ordered:
        before = last_work if one.what == "appointment" else last
        if last is not None and one.start < last.end:
            yield Fault("overlap", one.place, f"It starts before {last.place} has ended.")
        elif before is not None and one.start < before.end + facts.rest:
            yield Fault("no-break", one.place, f"It starts less than {facts.rest} after {before.place}.")
        if last is None or one.end > last.end:
            last = one
        if one.what != "appointment" and (last_work is None or one.end > last_work.end):
            last_work = one


def plenty(facts: Facts) -> bool:
    """Whether fourteen days have room for sure without the catch-up stretch, which then is held back."""
    return sum(sure_room(facts, day) > 0 for day in facts.free) >= 14


def sure_room(facts: Facts, day: date) -> int:
    """The units of work that a day has room for at least."""
    share, under = 1 + (day in facts.halved), facts.request.effort.limit // UNIT - facts.fixed_on(day).most
    return min(facts.free[day].least // share, under // share - facts.spent[day], short_room(facts, day)[0])


def short_room(facts: Facts, day: date) -> tuple[int, int]:
    """The units, at least and at most, that the minutes of a short day leave; without end on any other day.

    There are none where what is left of the minutes is too little for the shortest block.
    """
    if day not in facts.short:
        return ENDLESS, ENDLESS
    minutes, fixed = facts.short[day] - UNIT * facts.spent.get(day, 0), facts.fixed_on(day)
    least, most = minutes - UNIT * fixed.most, minutes - fixed.minutes
    return (least // UNIT if least >= facts.shortest else 0), (most // UNIT if most >= facts.shortest else 0)


ENDLESS = 24 * 60
"""More units than any day has."""


def time_faults(facts: Facts, one: Clocked) -> Iterator[Fault]:
    """An interval against every constraint on its time, one by one."""
    if one.what == "work" and not inside_hours(facts, one):
        yield Fault("outside-study-hours", one.place, "It leaves the study hours.")
    if one.start < facts.as_of:
        yield Fault("before-as-of", one.place, f"The plan was made at {facts.as_of}.")
    if any(meets(one, start, end) for start, end in facts.quiet):
        yield Fault("in-quiet-hours", one.place, "It meets the hours from before bedtime to waking.")
    for code, named, words in (
        ("in-busy-time", facts.busy, "with its margin"),
        ("on-day-off", facts.off, "which takes the time"),
        ("on-holiday", facts.free_days, "which takes the time"),
        ("on-exam-day", facts.closed, "which takes the time"),
    ):
        for start, end, title in named:
            if meets(one, start, end):
                yield Fault(code, one.place, f"It meets {title!r}, {words} from {start} to {end}.")


def inside_hours(facts: Facts, one: Clocked) -> bool:
    """Whether stretches of study hours, which may touch, lead from the interval's start to its end."""
    reached = one.start
    while reached < one.end:
        onward = max((end for start, end in facts.hours if start <= reached), default=reached)
        if onward <= reached:
            return False
        reached = onward
    return True


def meets(one: Clocked, start: datetime, end: datetime) -> bool:
    """Whether an interval shares an instant with a stretch."""
    return one.start < end and start < one.end


def inside_one(stretches: list[Stretch], start: datetime, end: datetime) -> bool:
    """Whether one of some stretches, which come in order and apart, holds all from a start to a later end."""
    i = bisect_right(stretches, start, key=itemgetter(0)) - 1
    return i >= 0 and start < end <= stretches[i][1]


# -------------------------------------------------------------------------------------------- blocks as records


def block_faults(facts: Facts) -> Iterator[Fault]:
    """What a block says of itself: day, fold, length, sequence, last change."""
    for block in facts.plan.blocks:
        for code, sentence in chain(start_faults(facts, block), record_faults(facts, block)):
            yield Fault(code, place_of(block), sentence)


def start_faults(facts: Facts, block: Block) -> Iterator[tuple[str, str]]:
    """The start's date, and whether the clock shows it, once or twice: codes and sentences."""
    if block.day != block.start.date() or block.day not in facts.days:
        yield "wrong-day", f"It is filed under {block.day}."
    if block.start.year not in YEARS:
        return
    times = times_shown(block.start, facts.zone)
    if not times:
        yield "no-such-time", "The clock jumps over it."
    if block.fold not in range(times or 1):
        yield "wrong-fold", f"Fold {block.fold} of a time that comes {'twice' if times == 2 else 'once'}."


def times_shown(moment: datetime, zone: ZoneInfo) -> int:
    """How often a zone's clock shows a wall-clock time: once, but for what a change skips or repeats."""
    if steady_offset(moment.date(), zone) is not None:
        return 1
    first, second = (moment.replace(tzinfo=zone, fold=fold) for fold in (0, 1))
    if first.astimezone(UTC).astimezone(zone).replace(fold=0) != first:
        return 0
    return 1 if first.utcoffset() == second.utcoffset() else 2


def record_faults(facts: Facts, block: Block) -> Iterator[tuple[str, str]]:
    """Sequence and last change, and the length of a block of work: codes and sentences."""
    revised = as_utc(block.revised)
    latest = max(facts.as_of, as_utc(facts.plan.restored or facts.as_of) or facts.as_of)
    if block.sequence < 0 or (revised is not None and revised > latest):
        yield "wrong-revision", f"Sequence {block.sequence}, last changed {block.revised}."
    if what_it_is(block, facts.papers) != "work":
        return
    shortest, longest = facts.shortest, facts.request.effort.longest
    needed = UNIT * sum(part.units for part in block.parts)
    if block.minutes < shortest:
        yield "too-short", f"It has {block.minutes} minutes; the shortest block has {shortest}."
    if block.minutes > longest:
        yield "too-long", f"It has {block.minutes} minutes; the longest block has {longest}."
    if block.minutes < needed:
        yield "overfull-block", f"Its work takes {needed} minutes, and it has {block.minutes}."
    if block.minutes > max(needed, -(-shortest // UNIT) * UNIT):
        yield "needless-padding", f"Its work takes {needed} minutes, and it has {block.minutes}."


UUID8 = re.compile(r"[0-9a-f]{8}-[0-9a-f]{4}-8[0-9a-f]{3}-[89ab][0-9a-f]{3}-[0-9a-f]{12}")


def uid_faults(facts: Facts) -> Iterator[Fault]:
    """UIDs of the right form, each once, none of a block that has left."""
    for uid, times in Counter(block.uid for block in facts.plan.blocks).items():
        if not UUID8.fullmatch(uid):
            yield Fault("uid-form", f"block {uid}", "This is no UUID of version 8.")
        if times > 1 or uid in facts.plan.retired:
            yield Fault("uid-twice", f"block {uid}", "Another block has or had it.")


# ------------------------------------------------------------------------------------- the free time of days


def room_faults(facts: Facts) -> Iterator[Fault]:
    """Free units, appointments, work done and room of each day against an estimate from below and one from above.

    The two differ only by what is the planner's to choose: how much later than its moment today begins, the margin
    around appointments, starts on odd minutes, the catch-up stretch, how halving rounds, and to which date the small
    hours of a night's stretch belong.
    """
    limit = facts.request.effort.limit // UNIT
    for day, free in facts.free.items():
        said, fixed = facts.days[day], facts.fixed_on(day)
        least, spent = sure_room(facts, day), facts.spent[day]
        most = min(free.most, limit - fixed.least - spent, short_room(facts, day)[1])
        if day in facts.halved:
            least, most = min(least, limit // 2 - fixed.most - spent), min(most, limit // 2 - spent)
        for name, figure, bottom, top in (
            ("free units", said.free, free.least, free.most),
            ("fixed units", said.fixed, fixed.least, fixed.most),
            ("units done", said.spent, spent, spent),
            ("room", said.room, max(0, least), max(0, most)),
        ):
            if not bottom <= figure <= top:
                yield Fault("wrong-room", f"day {day}", f"{figure} {name} are said; it is {bottom} to {top}.")


def gap_faults(facts: Facts) -> Iterator[Fault]:
    """Gaps of a day that reach into what is not free of it, though every doubt is decided in their favour."""
    for day, free in facts.free.items():
        for gap in facts.days[day].gaps:
            start, end = as_utc(gap.start), as_utc(gap.end)
            if start is not None and end is not None and not inside_one(free.stretches, start, end):
                yield Fault("wrong-gaps", f"day {day}", f"Not all from {start} to {end} is free for study that day.")


def short_day_faults(facts: Facts) -> Iterator[Fault]:
    """Work of short days, encores, timed papers, appointments and what is done included, against their minutes.

    Where no work lies ahead, the appointments are the student's own choice, and what is done is done.
    """
    for day, minutes in facts.short.items():
        units = sum(facts.loads.get(day, (0, 0))) + units_of_papers(facts, day)
        load = UNIT * (units + facts.spent.get(day, 0)) + facts.fixed_on(day).minutes
        if units and load > minutes:
            yield Fault("over-short-day", f"day {day}", f"It holds {load} minutes, and {minutes} are possible.")


def units_of_papers(facts: Facts, day: date) -> int:
    """The units of timed papers on a day, by its own parts or by its blocks, whichever is more."""
    return max(
        sum(one.part.units for name in facts.papers for one in placed[name] if one.day == day)
        for placed in (facts.in_days, facts.in_blocks)
    )


# ------------------------------------------------------------------------------- appointments and timed papers


def appointment_faults(facts: Facts) -> Iterator[Fault]:
    """Appointments and blocks without work, one to one. One that had begun when the plan was made may be left out."""
    asked: Counter[tuple[datetime, int, str]] = Counter()
    needed: Counter[tuple[datetime, int, str]] = Counter()
    for each, (start, _) in zip(facts.request.appointments, facts.appointments, strict=True):
        asked[start, each.minutes, each.title] += 1
        needed[start, each.minutes, each.title] += start > facts.as_of and local_date(facts, start) in facts.days
    found = Counter(
        (one.start, block.minutes, block.title)
        for block, one in zip(facts.plan.blocks, facts.clocked, strict=True)
        if one is not None and one.what == "appointment"
    )
    for start, minutes, title in needed - found:
        yield Fault("appointment-missing", f"appointment {title!r}", f"{minutes} minutes at {start} have no block.")
    for start, minutes, title in found - asked:
        yield Fault("appointment-unknown", f"block at {start}", f"{title!r}, {minutes} minutes, is no appointment.")


def paper_faults(facts: Facts) -> Iterator[Fault]:
    """The timed paper: whole, alone in its block, at its hour, of its length, on request, never on the eve."""
    for key, exam in facts.exams.items():
        papers = exam.of(Role.PAPER)
        if len(papers) > exam.exam.timed_paper:
            yield Fault("paper-unasked", f"exam {key}", f"It has {len(papers)} timed papers.")
        for task in papers:
            if exam.taper_days and exam.taper_days[-1] in facts.days_of[task.id]:
                yield Fault("paper-unasked", f"task {task.id}", "A timed paper does not belong on the eve.")
            for block, one in zip(facts.plan.blocks, facts.clocked, strict=True):
                if any(part.task == task.id for part in block.parts):
                    if len(block.parts) > 1 or block.parts[0].units != task.kept:
                        yield Fault("paper-divided", place_of(block), "It holds less or more than the timed paper.")
                    if one is not None and not paper_timed(facts, exam, one):
                        sentence = f"It should have the hour and length of {exam.exam.subject!r}."
                        yield Fault("paper-time", place_of(block), sentence)


def paper_timed(facts: Facts, exam: ExamFacts, one: Clocked) -> bool:
    """The exam's hour on its own clock or on the student's, and its length, rounded up by less than a unit."""
    own_zone = ZoneInfo(exam.exam.zone or facts.request.zone)
    at_its_hour = any(
        one.start.astimezone(zone).time() == exam.start.astimezone(zone).time() for zone in (own_zone, facts.zone)
    )
    return at_its_hour and timedelta() <= (one.end - one.start) - (exam.end - exam.start) < UNIT * MINUTE


# --------------------------------------------------------------------------------- what a foreign parser read back


def match_events(facts: Facts, events: Iterable[tuple[str, datetime, datetime]]) -> Iterator[Fault]:
    """Events and blocks, one to one and instant by instant."""
    events = list(events)
    times = Counter(uid for uid, _, _ in events)
    blocks = by_uid(facts)
    for uid in blocks.keys() - times.keys():
        yield Fault("event-missing", f"block {uid}", "The calendar does not have it.")
    for uid in times.keys() - blocks.keys():
        yield Fault("event-unknown", f"event {uid}", "The plan has no block of this UID.")
    for uid, start, end in events:
        place, block = f"event {uid}", blocks.get(uid)
        if times[uid] > 1 and uid in blocks:
            yield Fault("event-twice", place, f"The calendar has it {times[uid]} times.")
        if start.utcoffset() is None or end.utcoffset() is None:
            yield Fault("event-floating", place, f"{start} to {end} has no zone.")
        elif block is not None and (start, end) != (block.start, block.end):
            yield Fault("event-moved", place, f"{start} to {end} instead of {block.start} to {block.end}.")


def clocked_events(facts: Facts, events: Iterable[tuple[str, datetime, datetime]]) -> Iterator[Clocked]:
    """Events that have instants, as intervals to be judged like the blocks whose UID they have."""
    blocks = by_uid(facts)
    for uid, start, end in events:
        if start.utcoffset() is None or end.utcoffset() is None or start.year not in YEARS or end.year not in YEARS:
            continue
        block = blocks.get(uid)
        what = block.what if block is not None else "work"
        yield Clocked(start.astimezone(UTC), end.astimezone(UTC), f"event {uid}", local_date(facts, start), what)


def by_uid(facts: Facts) -> dict[str, Clocked | None]:
    """The blocks' intervals by UID."""
    return {block.uid: one for block, one in zip(facts.plan.blocks, facts.clocked, strict=True)}


def local_date(facts: Facts, moment: datetime) -> date:
    """The date of an instant on the plan's clock."""
    return moment.astimezone(facts.zone).date()
