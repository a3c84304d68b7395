"""Every rule of a sound plan, judged from the outside.

The checker shares no code with what makes a plan: :mod:`calplan.facts` works out again what a plan is judged on,
:mod:`calplan.clockrules` judges its times, and this module everything else. All broken rules are named at once, each
with a code of :data:`RULES`. No plan that can be read makes the checker fail: what cannot be judged at all (a date in
the year 9999, say) is named as ``malformed`` and left aside.
"""

from __future__ import annotations

from bisect import bisect_left, insort
from collections import Counter
from datetime import UTC, date, datetime
from hashlib import sha256
from itertools import chain, pairwise
from typing import TYPE_CHECKING, TypeAlias

from calplan.clockrules import (
    appointment_faults,
    block_faults,
    clock_faults,
    clocked_events,
    gap_faults,
    match_events,
    paper_faults,
    room_faults,
    short_day_faults,
    uid_faults,
)
from calplan.errors import Fault
from calplan.facts import DAY, UNCOUNTED, YEARS, ExamFacts, Facts, Placed, gather, place_of
from calplan.model import (
    KINDS,
    SCHEMA,
    UNIT,
    WORTH,
    Answers,
    BusySpan,
    Day,
    Exam,
    Item,
    Keep,
    Kind,
    Part,
    Plan,
    PlannedExam,
    Rank,
    Role,
    Task,
    to_json,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence

    from calplan.model import Block, Request

RULES: dict[str, str] = {
    # the plan as a whole
    "malformed": "Every date lies in the years 1900 to 2200, wall-clock times have no zone and instants have one.",
    "wrong-schema": "Request and plan are documents of this version's schema.",
    "wrong-request-hash": "The plan carries the SHA-256 of the request that it was made from.",
    "wrong-zone": "Plan and request have the same zone.",
    "exams-differ": "The plan tells of the request's exams, each once, in order, with their own times.",
    "days-incomplete": "The days run without a hole from the first that may be used to the day before the last exam.",
    # tasks and parts
    "task-twice": "Every task has an id of its own.",
    "unknown-exam": "Tasks and the ask list speak only of exams of the request.",
    "unknown-task": "Every part belongs to a task of the plan.",
    "unknown-material": "Tasks and the ask list name only materials of their exam.",
    "material-left-out": "Every material that is in hand in time has its turn, kept or not.",
    "kept-beyond-ranks": "A task keeps no more units than it has, and no fewer than none.",
    "part-out-of-range": "A part holds at least one unit and only units that its task keeps and that are not over.",
    "behind-unfounded": "What is said to be over of a task is the work of blocks that are over, and all of it.",
    "unit-missing": "Every kept unit lies in a day and in a block.",
    "unit-twice": "No unit lies in two places.",
    "units-out-of-order": "A task's units are worked in their order.",
    "days-blocks-differ": "The blocks of a day hold exactly the work that the day is said to hold.",
    "work-not-conserved": "Minutes asked and kept are those of the tasks, encores and timed papers apart.",
    "wrong-shortfall": "The minutes said to be lost are those that the tasks do not keep, rank by rank.",
    # when a task may lie
    "outside-window": "A part lies between its task's first and last day.",
    "not-in-hand": "No material is worked on before the day from which it is in hand.",
    "before-answers": "A first pass without answers waits for its fallback day or has a substitute.",
    "after-exam": "No work for an exam lies on its own date or later.",
    "fixed-day": "What is fixed for a day ahead lies on it, or the plan says where it lies instead.",
    # the order within an exam
    "order-broken": "Within an exam the rotation order is kept, but for late material and for work moved by mending.",
    "second-pass-first": "The second pass of a kind comes after the last of its first pass.",
    "tidy-not-last": "Tidying the summary sheet comes last of the second pass.",
    "encore-before-first-pass": "Material comes again only after the day on which its first pass is over.",
    "in-taper": "Taper days hold no first or second pass, but for essentials where the plan had to open them.",
    "eve-not-light": "The eve holds nothing for its exam but the eve's own task.",
    "taper-task": "Each taper day has one taper task, fixed to it; the eve has the eve's.",
    "wrong-turn": "Within a round the kinds take turns in their order.",
    "too-many-rounds": "The rounds are no more than the days of the first pass give.",
    # stages and capacities
    "wrong-usable-days": "An exam's usable days are the days before its date that have room.",
    "wrong-stages": "The stages end where a sixth of the usable days each, within their bounds, puts them.",
    "wrong-room": "A day's free units, appointments and room are what its hours and the limit give.",
    "wrong-gaps": "A day's gaps lie where its hours are free, whatever else is the planner's to choose.",
    "wrong-halved": "Days are halved by a light holiday or an exam, and by nothing else.",
    # loads
    "over-limit": "No day holds more work, appointments included, than the limit.",
    "over-short-day": "A short day holds no more work, appointments included, than the minutes that it has.",
    "over-maximum": "No day holds more work, appointments included, than the daily maximum.",
    "maximum-too-high": "The daily maximum is no higher than its definition allows.",
    "wrong-bound": "The bound is at most what the plan itself needs, and enough to hold the kept work.",
    "halved-day-overfull": "A halved day holds at most half the limit.",
    "encore-beside-work": "Encores lie only on days without other work.",
    # blocks on the clock
    "overlap": "No two blocks overlap.",
    "no-break": "There is a break between any two blocks, and between a block and an appointment.",
    "too-short": "A block is no shorter than the shortest block, or the limit where that is lower.",
    "too-long": "A block is no longer than the longest block.",
    "overfull-block": "A block is long enough for its work.",
    "needless-padding": "A block is longer than its work only to reach the shortest block.",
    "outside-study-hours": "Blocks lie inside study hours.",
    "in-busy-time": "Blocks keep clear of busy times with their margin.",
    "in-quiet-hours": "No block lies between an hour before bedtime and waking.",
    "in-catch-up": "The weekly catch-up stretch stays free where fourteen days have room without it.",
    "on-day-off": "No block lies in a day off.",
    "on-holiday": "No block lies in a public holiday that is kept free.",
    "on-exam-day": "An exam's own date holds no block until two hours after its end.",
    "before-as-of": "No block starts before the moment at which the plan was made.",
    "wrong-day": "A block belongs to the local date of its start, and that is a day of the plan.",
    "no-such-time": "Every start exists on the clock of its day.",
    "wrong-fold": "Fold is 0, or 1 for the second reading of a time that comes twice.",
    "appointment-missing": "Every appointment on the plan's days has its block.",
    "appointment-unknown": "A block without work is one of the request's appointments.",
    "paper-divided": "A timed paper is one block with nothing else in it.",
    "paper-time": "A timed paper takes the exam's own hour and its length with granted extra time.",
    "paper-unasked": "A timed paper is set only on request, once an exam, and never on the eve.",
    "uid-form": "A block's UID is a UUID of version 8 (RFC 9562 §5.8).",
    "uid-twice": "Every block has a UID of its own, and none that a block which left had.",
    "wrong-revision": "A block's sequence is not negative and its last change not later than the plan.",
    # what a foreign parser reads back
    "event-missing": "Every block is an event of the calendar.",
    "event-unknown": "Every event of the calendar is a block.",
    "event-twice": "No block is two events.",
    "event-moved": "An event starts and ends when its block does.",
    "event-floating": "Events have instants, not floating times.",
}
"""Every code, with the rule that is broken where it appears."""


def check(request: Request, plan: Plan) -> tuple[Fault, ...]:
    """Every rule that the plan breaks, in order of code and place; empty for a sound plan."""
    facts = gather(request, plan)
    blocks = [one for one in facts.clocked if one is not None]
    faults = chain(*(rule(facts) for rule in WHOLE_PLAN), clock_faults(facts, blocks))
    return tuple(sorted(set(faults)))


def check_times(plan: Plan, request: Request, events: Iterable[tuple[str, datetime, datetime]]) -> tuple[Fault, ...]:
    """Every rule that calendar events break, each given as UID, start and end as some parser read them back.

    ``events`` are the timed ones only, without the markers of the exams' days.
    """
    facts = gather(request, plan)
    seen = list(events)
    faults = chain(match_events(facts, seen), clock_faults(facts, clocked_events(facts, seen)))
    return tuple(sorted(set(faults)))


# ------------------------------------------------------------------------------------------ the plan as a whole


def malformed_faults(facts: Facts) -> Iterator[Fault]:
    """Dates and instants that nothing can be reckoned with, and blocks that cannot be."""
    for day in (each.day for each in facts.plan.days if each.day.year not in YEARS):
        yield absurd_year(f"day {day}", day)
    for day in (each.day for each in facts.plan.holidays if each.day.year not in YEARS):
        yield absurd_year(f"holiday {day}", day)
    for moment, holder in instants(facts.plan):
        if moment.year not in YEARS:
            yield absurd_year(name_of(holder), moment)
        elif moment.tzinfo is not UTC and moment.utcoffset() is None:
            yield Fault("malformed", name_of(holder), f"{moment} has no zone; instants are in UTC.")
    for block in facts.plan.blocks:
        if block.start.year not in YEARS:
            yield absurd_year(place_of(block), block.start)
        if not 0 < block.minutes <= 24 * 60:
            yield Fault("malformed", place_of(block), f"A block of {block.minutes} minutes cannot be.")
        if block.start.tzinfo is not None:
            yield Fault("malformed", place_of(block), "The start has a zone; it is wall-clock time.")


def instants(plan: Plan) -> Iterator[tuple[datetime, Plan | Day | Block | BusySpan]]:
    """Every instant of the plan, with what holds it."""
    yield plan.as_of, plan
    for each in plan.busy:
        yield each.span.start, each
        yield each.span.end, each
    for day in plan.days:
        for gap in day.gaps:
            yield gap.start, day
            yield gap.end, day
    for block in plan.blocks:
        yield block.revised, block


def name_of(holder: Plan | Day | Block | BusySpan) -> str:
    """How faults name what holds an instant or a part."""
    if isinstance(holder, Day):
        return f"day {holder.day}"
    if isinstance(holder, BusySpan):
        return f"busy time {holder.title!r}"
    return "as_of" if isinstance(holder, Plan) else place_of(holder)


def absurd_year(place: str, day: date) -> Fault:
    """The fault of a date that cannot be reckoned with."""
    return Fault("malformed", place, f"The year {day.year} is outside {YEARS[0]} to {YEARS[-1]}.")


def document_faults(facts: Facts) -> Iterator[Fault]:
    """Schema, hash, zone, and the exams' own data."""
    request, plan = facts.request, facts.plan
    if not plan.schema == request.schema == SCHEMA:
        sentence = f"Plan {plan.schema}, request {request.schema}; this version knows {SCHEMA}."
        yield Fault("wrong-schema", "plan", sentence)
    if plan.request_hash != sha256(to_json(request, indent=0)).hexdigest():
        yield Fault("wrong-request-hash", "plan", "The plan was made from another request.")
    if plan.zone != request.zone:
        yield Fault("wrong-zone", "plan", f"The plan is in {plan.zone}, the request in {request.zone}.")
    keys = [each.key for each in plan.exams]
    asked = [each.key for each in request.exams]
    if keys not in (asked, sorted(asked, key=lambda key: (facts.exams[key].start, asked.index(key)))):
        yield Fault("exams-differ", "exams", f"The plan has {keys}, the request {asked}.")
    for exam in facts.exams.values():
        if exam.planned is not None and not same_exam(exam.exam, exam.planned, request.zone):
            sentence = "Subject, start, latest day, zone or length are not the request's."
            yield Fault("exams-differ", f"exam {exam.exam.key}", sentence)


def same_exam(exam: Exam, planned: PlannedExam, zone: str) -> bool:
    """Whether the plan has the exam as the request has it; its length may include the granted extra time."""
    lengths = {
        exam.minutes,
        exam.minutes * (100 + exam.extra_time) // 100,
        -(-exam.minutes * (100 + exam.extra_time) // 100),
    }
    ours = (exam.subject, exam.start, exam.latest, exam.zone or zone)
    return ours == (planned.subject, planned.start, planned.latest, planned.zone) and planned.minutes in lengths


def calendar_faults(facts: Facts) -> Iterator[Fault]:
    """Every date from the first that may be used to the day before the last exam, once and in order."""
    days = [day.day for day in facts.plan.days]
    made = facts.as_of.astimezone(facts.zone).date()
    first = max(made, facts.request.start or made)
    last = max(exam.day for exam in facts.exams.values()) - DAY
    if days[:1] != [first] or days[-1:] != [last]:
        yield Fault("days-incomplete", "days", f"The days should run from {first} to {last}.")
    for one, next_one in pairwise(days):
        if (next_one - one).days != 1:
            yield Fault("days-incomplete", f"day {next_one}", f"It stands after {one}.")


def halved_faults(facts: Facts) -> Iterator[Fault]:
    """The mark of a halved day, where it makes a difference."""
    for day in facts.days.values():
        if day.halved != (day.day in facts.halved) and (day.halved or day.room):
            known = "is halved without a reason" if day.halved else "should be halved"
            yield Fault("wrong-halved", f"day {day.day}", f"The day {known}.")


# --------------------------------------------------------------------------------------------- tasks and parts


def task_faults(facts: Facts) -> Iterator[Fault]:
    """Each task on its own, and the ask list."""
    for name, times in Counter(task.id for task in facts.plan.tasks).items():
        if times > 1:
            yield Fault("task-twice", f"task {name}", f"{times} tasks have this id.")
    for task in facts.plan.tasks:
        place = f"task {task.id}"
        if not 0 <= task.kept <= len(task.ranks):
            yield Fault("kept-beyond-ranks", place, f"It keeps {task.kept} of {len(task.ranks)} units.")
        yield from material_faults(facts, place, task.exam, (item.material for item in task.items))
    for ask in facts.plan.asks:
        yield from material_faults(facts, "ask list", ask.exam, [ask.material])


def material_faults(facts: Facts, place: str, key: str, materials: Iterable[str]) -> Iterator[Fault]:
    """Names of exams and materials that the request does not have; an empty name means no material."""
    if key not in facts.exams:
        yield Fault("unknown-exam", place, f"The request has no exam {key!r}.")
        return
    for material in materials:
        if material and material not in facts.exams[key].materials:
            yield Fault("unknown-material", place, f"Exam {key!r} has no material {material!r}.")


def stock_faults(facts: Facts) -> Iterator[Fault]:
    """Materials that nothing takes up, though they are in hand before the second pass ends (practice goes on there)."""
    for key, exam in facts.exams.items():
        ends = exam.consolidate_ends or exam.cover_ends
        passes = chain(exam.of(Role.COVER), exam.of(Role.CONSOLIDATE))
        taken = {item.material for task in passes for item in task.items}
        taken |= {
            key for block in facts.plan.past for one in block.worked if one.exam == exam.exam.key for key in one.pieces
        }
        for material in exam.exam.materials:
            if material.key not in taken and len(exam.usable) > 1 and ends and (material.in_hand or ends) <= ends:
                yield Fault("material-left-out", f"exam {key}", f"Nothing takes up {material.key!r}.")


def part_faults(facts: Facts) -> Iterator[Fault]:
    """Parts that belong to no task or hold what their task does not."""
    holders: Iterable[Day | Block] = (*facts.plan.days, *facts.plan.blocks)
    for holder in holders:
        for part in holder.parts:
            task = facts.tasks.get(part.task)
            if task is None:
                yield Fault("unknown-task", name_of(holder), f"The plan has no task {part.task!r}.")
            elif part.units < 1 or part.first < 0 or part.first + part.units > reach(task):
                units = f"Units {part.first} to {part.first + part.units} of task {part.task}"
                yield Fault("part-out-of-range", name_of(holder), f"{units}, which keeps {task.kept}.")


def reach(task: Task) -> int:
    """The place after the last unit of a task that is to be done."""
    return task.ahead[-1] + 1 if task.behind and task.ahead else 0 if task.behind else max(0, task.kept)


def behind_faults(facts: Facts) -> Iterator[Fault]:
    """What is over of each task, counted again from the blocks that are over."""
    over: dict[str, set[int]] = {}
    for block in facts.plan.past:
        for one in block.worked:
            over.setdefault(one.task, set()).update(range(one.first, one.first + one.units - one.back))
    for task in facts.tasks.values():
        said = [unit for first, units in task.behind for unit in range(first, first + units)]
        known = {unit for unit in over.get(task.id, ()) if unit < len(task.ranks)}
        if task.role not in UNCOUNTED and (len(said) != len(set(said)) or set(said) != known):
            sentence = f"{len(said)} units are said to be over; blocks that are over hold {len(known)}."
            yield Fault("behind-unfounded", f"task {task.id}", sentence)


def placing_faults(facts: Facts) -> Iterator[Fault]:
    """Every kept unit once in the days and once in the blocks, in order, and both agree."""
    for name, task in facts.tasks.items():
        if task.behind and not task.ahead and not facts.in_days[name] and not facts.in_blocks[name]:
            continue
        whole = [(0, task.kept)] if not task.behind else []
        both = facts.in_days[name], facts.in_blocks[name]
        if all([(one.part.first, one.part.units) for one in placed] == whole for placed in both):
            if both[0][0].day != both[1][0].day:
                yield Fault("days-blocks-differ", f"task {name}", f"It lies on {both[0][0].day} or {both[1][0].day}.")
            continue
        in_days = sorted(facts.in_days[name], key=lambda one: (one.day, one.part.first))
        in_blocks = sorted(facts.in_blocks[name], key=lambda one: (one.when or AFTER_ALL, one.day, one.part.first))
        for where, placed in (("days", in_days), ("blocks", in_blocks)):
            yield from once_faults(task, where, [one.part for one in placed])
        if units_by_day(in_days) != units_by_day(in_blocks):
            yield Fault("days-blocks-differ", f"task {name}", "The days hold other units of it than their blocks do.")


def once_faults(task: Task, where: str, parts: Sequence[Part]) -> Iterator[Fault]:
    """Holes, doubles and disorder among a task's parts, which come in the order of time."""
    place = f"task {task.id}"
    due = set(task.ahead) if task.behind else set(range(max(0, task.kept)))
    held = Counter(unit for part in parts for unit in range(part.first, part.first + part.units))
    missing = sorted(due - held.keys())
    twice = sorted(unit for unit, times in held.items() if times > 1)
    if missing:
        yield Fault("unit-missing", place, f"{len(missing)} units, from {missing[0]} on, are not in the {where}.")
    if twice:
        yield Fault("unit-twice", place, f"{len(twice)} units, from {twice[0]} on, are in the {where} more than once.")
    if any(unit not in due for unit in held if unit < len(task.ranks)) and task.behind:
        yield Fault("part-out-of-range", place, f"Units that are over, or left out, are in the {where}.")
    if not task.astray and any(one.first > other.first for one, other in pairwise(parts)):
        yield Fault("units-out-of-order", place, f"In the {where}, later units come before earlier ones.")


def units_by_day(placed: Sequence[Placed]) -> list[tuple[date, int, int]]:
    """A task's units as few ranges a day: parts that follow one another on one day are one."""
    ranges: list[tuple[date, int, int]] = []
    for day, first, units in sorted((one.day, one.part.first, one.part.units) for one in placed):
        if ranges and ranges[-1][0] == day and ranges[-1][2] == first:
            ranges[-1] = (day, ranges[-1][1], first + units)
        else:
            ranges.append((day, first, first + units))
    return ranges


def conservation_faults(facts: Facts) -> Iterator[Fault]:
    """Planned and left out make what was asked for."""
    asked = UNIT * sum(len(task.ranks) for task in facts.counted)
    kept = UNIT * sum(task.kept for task in facts.counted)
    figures = facts.plan.figures
    if (figures.asked, figures.kept) != (asked, kept):
        said = f"{figures.asked} asked and {figures.kept} kept"
        yield Fault("work-not-conserved", "figures", f"{said} are said, {asked} and {kept} are in the tasks.")
    lost = Counter(task.ranks[unit] for task in facts.counted for unit in task.lost)
    minutes = {rank: UNIT * lost[rank] for rank in Rank if lost[rank]}
    if facts.plan.shortfall is not None:
        said_lost = {rank: amount for rank, amount in facts.plan.shortfall.lost.items() if amount}
        if said_lost != minutes:
            sentence = f"{in_words(said_lost)} are said, {in_words(minutes)} are lost."
            yield Fault("wrong-shortfall", "shortfall", sentence)
    elif minutes and not (facts.request.keep is Keep.ESSENTIALS and set(minutes) == {Rank.EXTRA}):
        yield Fault("wrong-shortfall", "shortfall", f"{in_words(minutes)} are lost without a word.")


def in_words(minutes: Mapping[Rank, int]) -> str:
    """Minutes by rank, for a sentence."""
    return ", ".join(f"{amount} minutes of rank {rank:d}" for rank, amount in sorted(minutes.items())) or "no minutes"


# ------------------------------------------------------------------------------------- when a task may lie


def window_faults(facts: Facts) -> Iterator[Fault]:
    """Parts outside the days that their task or the exam allows."""
    for exam in facts.exams.values():
        for task in exam.tasks:
            for day in facts.days_of[task.id]:
                if not task.first <= day <= task.last:
                    sentence = f"It may lie from {task.first} to {task.last}."
                    yield Fault("outside-window", f"task {task.id} on {day}", sentence)
                if day >= exam.day:
                    yield Fault("after-exam", f"task {task.id} on {day}", f"The exam is on {exam.day}.")


CHECKED = frozenset({Kind.QUIZ, Kind.TEST, Kind.PRACTICE})
"""The kinds whose work is checked against answers; homework is looked over and notes are read."""


def waiting_faults(facts: Facts) -> Iterator[Fault]:
    """Work on material before it is in hand, and first passes that answers are missing for."""
    for exam in facts.exams.values():
        waiting = {key: each for key, each in exam.materials.items() if each.in_hand or each.answers is Answers.NONE}
        for task in exam.tasks if waiting else ():
            used = [waiting[item.material] for item in task.items if item.material in waiting]
            in_hand = max((each.in_hand for each in used if each.in_hand), default=None)
            unanswered = any(each.answers is Answers.NONE and each.kind in CHECKED for each in used)
            alone = unanswered and task.role in (Role.COVER, Role.ENCORE) and not task.substitute
            until = exam.exam.answers_by
            for day in facts.days_of[task.id]:
                place = f"task {task.id} on {day}"
                if in_hand and day < in_hand and task.role is not Role.GATHER:
                    yield Fault("not-in-hand", place, f"Its material is in hand from {in_hand} on.")
                if alone and not (until and day > until):
                    yield Fault("before-answers", place, "Its material has no answers, and nothing stands in for them.")


def fixed_day_faults(facts: Facts) -> Iterator[Fault]:
    """First passes of material that is fixed for a day ahead: own stops, on that day or where the plan says they are.

    Material of which something is over stays where it is, what takes no time is nowhere, and one usable day leaves no
    choice.
    """
    today = min(facts.days, default=None)
    for exam in facts.exams.values():
        ahead = {
            material: each.day
            for each in exam.exam.fixed_days
            for material in each.materials
            if today and each.day >= today
        }
        begun = {
            material
            for block in facts.plan.past
            for one in block.worked
            if one.exam == exam.exam.key
            for material in one.pieces
        }
        for task in exam.of(Role.COVER) if len(exam.usable) > 1 else ():
            mine = {item.material for item in task.items}
            if task.behind or not task.ranks or mine & begun:
                continue
            asked = {ahead.get(material) for material in mine}
            if asked != {task.fixed if task.fixed and today and task.fixed >= today else None}:
                yield Fault("fixed-day", f"task {task.id}", "Its materials are not all fixed for the day that it says.")
            for day in facts.days_of[task.id]:
                if task.fixed in ahead.values() and day != task.fixed and not told_elsewhere(facts, exam.exam, day):
                    yield Fault("fixed-day", f"task {task.id} on {day}", f"It is fixed for {task.fixed}.")


def told_elsewhere(facts: Facts, exam: Exam, day: date) -> bool:
    """Whether the plan says that something of an exam lies on a day instead of the one it is fixed for."""
    said = [one.sentence for one in facts.plan.notices if one.code == "off-fixed-day"]
    name = f"{day.day} {MONTHS[day.month - 1]}"
    return any(name in sentence and exam.subject in sentence for sentence in said)


MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


# ------------------------------------------------------------------------------------ the order within an exam


ROTATION = frozenset({Role.GATHER, Role.COVER, Role.CONSOLIDATE, Role.TIDY})
"""What has its place in the rotation order."""


def order_faults(facts: Facts) -> Iterator[Fault]:
    """Tasks of the first and second pass that overtake one another, day by day.

    A task that may not start before some day has been overtaken rightly by what lies before that day. Work that is
    fixed for its day, or was moved when the plan was mended, may lie out of its order.
    """
    for exam in facts.exams.values():
        if order_bent(facts, exam.exam):
            continue
        later: list[date] = []
        rotating = [task for task in exam.tasks if task.role in ROTATION and not task.astray and task.fixed is None]
        for task in reversed(rotating):
            days = facts.days_of[task.id]
            i = bisect_left(later, task.first)
            if days and i < len(later) and later[i] < days[-1]:
                sentence = f"It lies on {days[-1]}, after work of {later[i]} that has its turn later."
                yield Fault("order-broken", f"task {task.id}", sentence)
            for day in days:
                insort(later, day)


def order_bent(facts: Facts, exam: Exam) -> bool:
    """Whether the plan says that this exam's order had to give way; a notice names the exam where there are several."""
    return any(
        notice.code == "order-bent"
        and (len(facts.exams) == 1 or exam.subject in notice.sentence or exam.key in notice.sentence)
        for notice in facts.plan.notices
    )


def second_pass_faults(facts: Facts) -> Iterator[Fault]:
    """The second pass of a kind after its first, and the sheet's last form after all of it; to the block."""
    for exam in facts.exams.values():
        covered: dict[Kind | None, Moment] = {}
        for task in exam.of(Role.COVER):
            covered[task.kind] = max([covered.get(task.kind, BEFORE_ALL), *moments(facts, task)])
        consolidated = BEFORE_ALL
        for task in exam.of(Role.CONSOLIDATE):
            times = moments(facts, task)
            consolidated = max([consolidated, *times])
            if times and min(times) < covered.get(task.kind, BEFORE_ALL):
                yield Fault("second-pass-first", f"task {task.id}", "Some of the kind's first pass comes after it.")
        for task in exam.of(Role.TIDY):
            if min(moments(facts, task), default=consolidated) < consolidated:
                yield Fault("tidy-not-last", f"task {task.id}", "Some of the second pass comes after it.")


Moment: TypeAlias = tuple[datetime, int]
BEFORE_ALL: Moment = (datetime.min.replace(tzinfo=UTC), 0)
AFTER_ALL: Moment = (datetime.max.replace(tzinfo=UTC), 0)


def moments(facts: Facts, task: Task) -> list[Moment]:
    """When a task is worked on, to the place in the block."""
    return [one.when for one in facts.in_blocks[task.id] if one.when]


def encore_faults(facts: Facts) -> Iterator[Fault]:
    """Encores whose problems have not been gone through once on earlier days."""
    for exam in facts.exams.values():
        passes = first_passes(facts, exam) if exam.of(Role.ENCORE) else {}
        for task in exam.of(Role.ENCORE):
            days = facts.days_of[task.id]
            for again in (item for item in task.items if item.material and days):
                over = [last for item, last in passes.get(again.material, ()) if meet(item, again)]
                if max(over, default=days[0]) >= days[0]:
                    sentence = f"The first pass of {again.title!r} is not over before {days[0]}."
                    yield Fault("encore-before-first-pass", f"task {task.id}", sentence)


def first_passes(facts: Facts, exam: ExamFacts) -> dict[str, list[tuple[Item, date]]]:
    """By material, the items that have their first pass in the plan, each with the day on which it is over."""
    passes: dict[str, list[tuple[Item, date]]] = {}
    for task in exam.of(Role.COVER):
        days = facts.days_of[task.id] or ([date.min] if task.behind else [])
        for item in task.items if days else ():
            passes.setdefault(item.material, []).append((item, days[-1]))
    return passes


def meet(one: Item, other: Item) -> bool:
    """Whether two items of one material share a problem; count 0 is the piece as a whole."""
    either_whole = not one.count or not other.count
    return either_whole or (one.first < other.first + other.count and other.first < one.first + one.count)


OF_TAPER = frozenset({Role.TAPER, Role.EVE, Role.PAPER})
"""What may lie on taper days."""


def taper_faults(facts: Facts) -> Iterator[Fault]:
    """What lies on the taper days, and on the eve, which is the last of them."""
    for exam in facts.exams.values():
        taper = exam.taper_days
        if not taper:
            continue
        opened = exam.planned is not None and exam.planned.opened
        for task in exam.tasks:
            if task.role in OF_TAPER or facts.days_of[task.id][-1:] < [taper[0]]:
                continue
            for one in facts.placed(task.id):
                place = f"task {task.id} on {one.day}"
                if one.day == taper[-1]:
                    yield Fault("eve-not-light", place, "The eve is for the sheet and an early night.")
                elif one.day in taper and not (opened and essential(one)):
                    yield Fault("in-taper", place, "That day belongs to the taper stage.")
        yield from taper_task_faults(facts, exam, taper)


def essential(one: Placed) -> bool:
    """Whether a part holds nothing but essentials, or gathering, which goes before them all."""
    ranks = one.task.ranks[max(0, one.part.first) : max(0, one.part.first + one.part.units)]
    return all(rank is not Rank.TAPER and rank <= Rank.FLAG_SHOULD for rank in ranks)


def taper_task_faults(facts: Facts, exam: ExamFacts, taper: Sequence[date]) -> Iterator[Fault]:
    """One task a taper day, and the eve's on the eve; none is missing unless its minutes were set to nothing."""
    due = dict.fromkeys(taper, Role.TAPER) | {taper[-1]: Role.EVE}
    rates = {Role.TAPER: facts.request.rates.taper, Role.EVE: facts.request.rates.eve}
    for task in sorted((*exam.of(Role.TAPER), *exam.of(Role.EVE)), key=lambda task: task.number):
        days = {task.first, task.last, *facts.days_of[task.id]}
        if task.behind and not task.ahead:
            due.pop(task.ideal, None)
        elif task.round == 0 and exam.mended:
            due.clear()
        elif len(days) > 1 or due.pop(task.first, None) is not task.role:
            yield Fault("taper-task", f"task {task.id}", "It is not the one task of one day of the taper stage.")
    for day, role in due.items():
        if rates[role]:
            yield Fault("taper-task", f"exam {exam.exam.key} on {day}", f"The day has no {role} task.")


def turn_faults(facts: Facts) -> Iterator[Fault]:
    """The kinds in their order within each round, and no more rounds than there may be.

    Four to nine days of the first pass make two rounds, for which either order will do; with fewer days there is one,
    in the order of worth. A stop whose material or answers come late changes places; such kinds are left out. What is
    left of a plan that was mended keeps the order that it had, which material decided that may have gone since.
    """
    for key, exam in facts.exams.items():
        cover = [task for task in exam.of(Role.COVER) if task.round or not exam.mended]
        if len(exam.usable) < 2 or not cover:
            continue
        kinds = len({task.kind for task in cover})
        rounds = len({task.round for task in cover})
        most = (2 * exam.cover + kinds) // (2 * kinds) if exam.cover >= 10 else 2 if exam.cover >= 4 else 1
        if rounds > max(1, most) and not exam.mended:
            yield Fault("too-many-rounds", f"exam {key}", f"{rounds} rounds, where {exam.cover} days give {most}.")
        late = {each.kind for each in exam.exam.materials if each.in_hand or each.answers is Answers.NONE}
        steady = [task for task in cover if task.kind not in late and task.fixed is None]
        orders = (KINDS,) if exam.cover >= 10 else (WORTH,) if exam.cover < 4 else (KINDS, WORTH)
        if not exam.mended and not any(in_turn(steady, order) for order in orders):
            yield Fault("wrong-turn", f"exam {key}", "The kinds of a round do not take turns in their order.")


def in_turn(tasks: Sequence[Task], order: Sequence[Kind]) -> bool:
    """Whether rounds follow one another and each goes through the kinds in this order."""
    turns = [(task.round, order.index(task.kind) if task.kind is not None else -1) for task in tasks]
    return all(one <= other for one, other in pairwise(turns))


# ------------------------------------------------------------------------------------------- stages and loads


def stage_faults(facts: Facts) -> Iterator[Fault]:
    """Usable days and stage ends, counted again."""
    for key, exam in facts.exams.items():
        said = exam.planned
        if said is None:
            continue
        if said.usable_days != len(exam.usable):
            sentence = f"{said.usable_days} are said, {len(exam.usable)} days before it have room."
            yield Fault("wrong-usable-days", f"exam {key}", sentence)
        if exam.mended:
            yield from kept_stage_faults(key, exam, said)
            continue
        ends = (exam.cover_ends, exam.consolidate_ends, exam.taper_days)
        told = (said.cover_ends, said.consolidate_ends, said.taper_days)
        if told != ends and not (len(exam.usable) == 1 and told == (None, None, ())):
            yield Fault("wrong-stages", f"exam {key}", f"Cover and consolidate should end on {ends[0]} and {ends[1]}.")


def kept_stage_faults(key: str, exam: ExamFacts, said: PlannedExam) -> Iterator[Fault]:
    """The stages of an exam whose plan was mended: they keep their dates, and the light end is never lost."""
    ends = said.cover_ends, said.consolidate_ends
    if None not in ends and ends != tuple(sorted(one for one in ends if one)):
        yield Fault("wrong-stages", f"exam {key}", f"Cover ends on {ends[0]}, after consolidate on {ends[1]}.")
    if said.taper_days != exam.taper_days or (len(exam.usable) > 1 and not said.taper_days):
        sentence = f"The days after the second pass are {len(exam.taper_days)}; {len(said.taper_days)} are said."
        yield Fault("wrong-stages", f"exam {key}", sentence)


def load_faults(facts: Facts) -> Iterator[Fault]:
    """Each day's minutes against limit, daily maximum and halving, and encores in their place."""
    limit, maximum = facts.request.effort.limit, facts.plan.figures.maximum
    for day, (work, encores) in facts.loads.items():
        load, spent = UNIT * (work + encores) + facts.fixed_on(day).minutes, facts.spent.get(day, 0)
        place = f"day {day}"
        if work + encores and load + UNIT * spent > limit:
            done = f", {UNIT * spent} of them done" if spent else ""
            yield Fault("over-limit", place, f"It holds {load + UNIT * spent} minutes{done}; the limit is {limit}.")
        elif work + encores and load > maximum:
            yield Fault("over-maximum", place, f"It holds {load} minutes; the daily maximum is {maximum}.")
        if day in facts.halved and work + encores and work + encores + spent > limit // 2 // UNIT:
            sentence = f"It holds {UNIT * (work + encores)} minutes of work; half the limit is {limit // 2}."
            yield Fault("halved-day-overfull", place, sentence)
        if encores and (work or any(day in facts.days_of[paper] for paper in facts.papers)):
            yield Fault("encore-beside-work", place, "Materials come again on a day that has other work.")


def figure_faults(facts: Facts) -> Iterator[Fault]:
    """Bound and daily maximum against their definitions.

    The bound is the least daily maximum that holds the kept work; so the plan's own fullest day is no less, and days
    cut off at it must together hold all the kept work.
    """
    effort, figures = facts.request.effort, facts.plan.figures
    usual = effort.usual * 4 // (3 * UNIT) * UNIT
    allowed = min(effort.limit, max(usual, figures.bound + UNIT, figures.before or 0))
    raised = any(notice.code == "maximum-raised" for notice in facts.plan.notices)
    if figures.maximum > (effort.limit if raised and figures.before is not None else allowed):
        yield Fault("maximum-too-high", "figures", f"It is {figures.maximum}; {allowed} is allowed.")
    kept = sum(max(0, task.kept) - sum(units for _, units in task.behind) for task in facts.counted)
    if kept <= 0:
        return
    full = [UNIT * (work + facts.fixed_on(day).most) for day, (work, _) in facts.loads.items() if work]
    most = min(figures.maximum, max(full, default=figures.maximum))
    if figures.bound > most:
        yield Fault("wrong-bound", "figures", f"It is {figures.bound}, but {most} minutes a day do.")
    bound = figures.bound // UNIT
    room = sum(max(0, min(free.most, bound - facts.fixed_on(day).least)) for day, free in facts.free.items())
    if room < kept:
        sentence = f"Days of {figures.bound} minutes hold {room * UNIT} in all; {kept * UNIT} are kept."
        yield Fault("wrong-bound", "figures", sentence)


WHOLE_PLAN: tuple[Callable[[Facts], Iterator[Fault]], ...] = (
    malformed_faults,
    document_faults,
    calendar_faults,
    halved_faults,
    task_faults,
    stock_faults,
    part_faults,
    behind_faults,
    placing_faults,
    conservation_faults,
    window_faults,
    waiting_faults,
    fixed_day_faults,
    order_faults,
    second_pass_faults,
    encore_faults,
    taper_faults,
    turn_faults,
    stage_faults,
    room_faults,
    gap_faults,
    load_faults,
    short_day_faults,
    figure_faults,
    block_faults,
    uid_faults,
    appointment_faults,
    paper_faults,
)
"""The rules that look at the plan and not at the clock."""
