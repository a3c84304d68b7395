"""Sentences that tell what a plan says as a whole: its exams, what it costs, what does not fit, what else to know.

The command line and the pages say the same in the same words. What a single block asks for is told by
:mod:`calplan.wording`.
"""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING
from unicodedata import category
from zoneinfo import ZoneInfo

from calplan.model import UNIT, HolidayDay, HolidayUse, Plan, PlannedExam, Rank, Role, Shortfall, Skipped, Stage
from calplan.remarks import FEW
from calplan.spans import instant, wall
from calplan.wording import may_be_later

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from calplan.model import Task
    from calplan.planner import Step

MOST_LISTED = 20
"""Lines of a list that is only told in part; the plan file holds all of it."""

CAUTIONS = (
    "Sleep comes before study: when it is time for bed, stop.",
    "A plan is an estimate, not a promise of marks.",
    "Worry that stays belongs with a counsellor or a doctor, not in a plan.",
    "School rules and the exam arrangements that you have been granted come first.",
)


# ------------------------------------------------------------------------------------------------- exams and days


def exam_sentence(exam: PlannedExam, zone: str) -> str:
    """When and where an exam is, also in the plan's zone where that differs, and the stages before it."""
    here = wall(instant(exam.start, ZoneInfo(exam.zone)), ZoneInfo(zone))
    at_home = "" if exam.zone == zone else f"; {short_day(here.date())}, {here:%H:%M} in {zone}"
    when = f"{long_day(exam.start.date())}, {exam.start:%H:%M} ({exam.zone} time{at_home}), {exam.minutes} minutes"
    place = f", {exam.place}" if exam.place else ""
    ends = [
        f"{stage} until {short_day(end)}"
        for stage, end in ((Stage.COVER, exam.cover_ends), (Stage.CONSOLIDATE, exam.consolidate_ends))
        if end
    ]
    taper = [f"taper from {short_day(exam.taper_days[0])}"] if exam.taper_days else []
    stages = f": {', '.join(ends + taper)}" if ends + taper else ""
    later = f" {may_be_later(exam)}" if may_be_later(exam) else ""
    return f"{exam.subject}: {when}{place}.{later} {usable_days(exam)}{stages}."


def usable_days(exam: PlannedExam) -> str:
    """How many days an exam has."""
    return "1 usable day" if exam.usable_days == 1 else f"{exam.usable_days} usable days"


def holiday_sentence(holiday: HolidayDay) -> str:
    """A public holiday and what it does to its day."""
    return f"{short_day(holiday.day)}: {clean(holiday.title)}, {HOLIDAY_WORDS[holiday.use]}."


# --------------------------------------------------------------------------------------- what it costs, what is lost


KIND_WORD = "few-days"
"""The code of the notice that is shown in place of figures."""


def few_days(plan: Plan) -> bool:
    """Whether so little time is left that a kind word takes the place of figures and proofs."""
    return max(exam.usable_days for exam in plan.exams) <= FEW


def cost_sentences(plan: Plan) -> Iterator[str]:
    """What the plan costs; where little time is left, a kind word."""
    if few_days(plan):
        yield from (notice.sentence for notice in plan.notices if notice.code == KIND_WORD)
    else:
        yield figures_sentence(plan)


def figures_sentence(plan: Plan) -> str:
    """The limits of a day that would do, the minutes that are planned, and those of the fullest day."""
    figures = plan.figures
    everything, essentials = figures.everything, figures.essentials
    halves = " (half of it on light holidays and exam days)" if any(day.halved for day in plan.days) else ""
    divided = "if tasks could be divided at will"
    limit = f"A limit of {everything} minutes a day{halves} would hold everything"
    if everything is None and essentials is None:
        cost = "No limit of a day would hold everything, or even the essentials."
    elif everything is None:
        lower = f"one of {essentials} minutes{halves} would hold the essentials"
        cost = f"No limit of a day would hold everything; {lower}, {divided}."
    elif everything == essentials:
        cost = f"{limit}, and no lower one the essentials, {divided}."
    else:
        cost = f"{limit}, and one of {essentials} the essentials, {divided}."
    planned = (
        f"All {figures.asked} minutes of work are planned"
        if figures.kept == figures.asked
        else f"{figures.kept} of {figures.asked} minutes of work are planned"
    )
    return f"{cost} {planned}{counted_apart(plan)}. {fullest_day(plan)}"


def counted_apart(plan: Plan) -> str:
    """What the minutes of work leave out, of that which the plan has."""
    roles = {task.role for task in plan.tasks}
    apart = [
        words
        for words, there in (
            ("appointments", any(block.title and not block.parts for block in plan.blocks)),
            ("timed papers", Role.PAPER in roles),
            ("days that look at something again", Role.ENCORE in roles),
        )
        if there
    ]
    return f" ({listed(apart)} counted apart)" if apart else ""


def fullest_day(plan: Plan) -> str:
    """The most that a day of the plan holds; a timed paper stands outside every limit, and is left aside."""
    roles = {task.id: task.role for task in plan.tasks}
    minutes: dict[date, int] = {}
    fixed: dict[date, int] = {}
    work: dict[date, int] = {}
    for block in plan.blocks:
        mine = [part for part in block.parts if roles[part.task] is not Role.PAPER]
        if mine or not block.parts:
            minutes[block.day] = minutes.get(block.day, 0) + block.minutes
        if not block.parts:
            fixed[block.day] = fixed.get(block.day, 0) + block.minutes
        units = sum(part.units for part in mine if roles[part.task] is not Role.ENCORE)
        work[block.day] = work.get(block.day, 0) + units * UNIT
    most = max(minutes.values(), default=0)
    fullest = [day for day in minutes if minutes[day] == most]
    beside = ["timed papers aside"] if Role.PAPER in roles.values() else []
    beside += ["appointments included"] if any(day in fixed for day in fullest) else []
    aside = f" ({', '.join(beside)})" if beside else ""
    said = f"{most} minutes{aside}"
    # Only where its own work goes beyond what the tightest stretch asks for does a day owe its length to whole tasks.
    above = any(work[day] > max(0, plan.figures.bound - fixed.get(day, 0)) for day in fullest)
    if above and most <= plan.figures.maximum:
        return f"The plan lets the fullest day go to {said}, so that tasks stay whole."
    return f"The fullest day has {said}."


def shortfall_sentences(plan: Plan, short: Shortfall) -> Iterator[str]:
    """The proof that not everything fits, what is given up, and the ways out."""
    if set(short.lost) == {Rank.TAPER}:
        yield taper_sentence(plan, short)
        return
    when = (
        f"On {short_day(short.first)}"
        if short.first == short.last
        else f"From {short_day(short.first)} to {short_day(short.last)}"
    )
    yield f"{when} there are {short.needed} minutes of work that must lie there, and {short.free} minutes to hold them."
    second = {task.ranks[unit] for task in plan.tasks if sized_by_flags(task) for unit in task.lost}
    words = RANK_WORDS | ({Rank.ESSENTIAL: FLAGS_TOO} if Rank.ESSENTIAL in second else {})
    lost = [f"{minutes} minutes of {words[rank]}" for rank, minutes in sorted(short.lost.items(), reverse=True)]
    yield f"Given up: {', '.join(lost)}."
    yield from ways_out(plan, short)
    if short.start is None:
        yield "No start within the two months before would have been early enough."
    else:
        yield f"A start on {short_day(short.start)} would have been early enough for everything."


def sized_by_flags(task: Task) -> bool:
    """Whether a task is a second pass over flags, and not over the last share of practice."""
    return task.role is Role.CONSOLIDATE and not task.items


def taper_sentence(plan: Plan, short: Shortfall) -> str:
    """The few minutes that the last stretch lacks: its days are fixed, so that no earlier start would help."""
    missing: dict[date, int] = {}
    for task in plan.tasks:
        lacks = sum(UNIT for rank in task.ranks[task.kept :] if rank is Rank.TAPER)
        if lacks:
            missing[task.ideal] = missing.get(task.ideal, 0) + lacks
    days = [f"{minutes} minutes on {short_day(day)}" for day, minutes in sorted(missing.items())]
    enough = short.limit_all is not None and short.limit_all > present_limit(plan)
    out = f"; a limit of {short.limit_all} minutes a day holds everything" if enough else ""
    return f"The light last stretch is short of {listed(days)}{out}."


def ways_out(plan: Plan, short: Shortfall) -> Iterator[str]:
    """Limits of a day that would do, those that are above the present one and would change something."""
    everything, essentials = short.limit_all, short.limit_essential
    if everything is None and essentials is None:
        yield "No limit of a day helps, because the free hours end before the work does: more study hours might."
        return
    if everything is not None:
        yield f"A way out: a limit of {everything} minutes a day holds everything."
    else:
        yield "No limit of a day holds everything, because the free hours end before the work does."
    lacks = any(rank is not Rank.EXTRA for rank in short.lost)
    if lacks and essentials is not None and essentials != everything and essentials > present_limit(plan):
        yield f"A way out: a limit of {essentials} minutes a day holds the essentials."


def present_limit(plan: Plan) -> int:
    """The limit of a day under which the plan was made, or as much of it as its days have a use for, in minutes."""
    used = (UNIT * (day.room + day.fixed) for day in plan.days if day.room)
    return max(plan.figures.maximum, *used, 0)


# ---------------------------------------------------------------------------------------------- what else to know


def notice_sentences(plan: Plan) -> Iterator[str]:
    """What the reader should know, apart from what :func:`cost_sentences` has said."""
    few = few_days(plan)
    return (notice.sentence for notice in plan.notices if not (few and notice.code == KIND_WORD))


def ask_sentences(plan: Plan) -> Iterator[str]:
    """The ask list, with the subject where there are several."""
    subjects = {exam.key: f"{exam.subject}: " if len(plan.exams) > 1 else "" for exam in plan.exams}
    return (f"{subjects.get(ask.exam, '')}{ask.sentence}" for ask in plan.asks)


def skipped_sentences(skipped: Sequence[Skipped]) -> Iterator[str]:
    """What was not taken over from busy calendars, by file and line."""
    for one in skipped[:MOST_LISTED]:
        where = f"{one.source}, line {one.line}" if one.line else one.source
        yield f"{where}{f' ({one.name})' if one.name else ''}: {one.reason}"
    if len(skipped) > MOST_LISTED:
        yield f"And {len(skipped) - MOST_LISTED} more, which the plan file lists."


# ------------------------------------------------------------------------------------------------ the trade-off


def first_days(low: Step, high: Step) -> str:
    """The first days of a row."""
    return short_day(low.start) if low is high else f"{short_day(low.start)} to {short_day(high.start)}"


def runs_of(steps: Sequence[Step]) -> list[list[Step]]:
    """The steps in runs of equal minutes."""
    runs: list[list[Step]] = []
    for step in steps:
        if runs and (runs[-1][-1].everything, runs[-1][-1].essentials) == (step.everything, step.essentials):
            runs[-1].append(step)
        else:
            runs.append([step])
    return runs


def minutes_or_not(minutes: int | None) -> str:
    """Minutes of a day, or that none would do."""
    return "none" if minutes is None else str(minutes)


# -------------------------------------------------------------------------------------------------- small words


def clean(text: str) -> str:
    """The text on one line, without what could steer a terminal: control, format and surrogate characters."""
    return "".join(" " if one in "\t\n\r" else one for one in text if one in "\t\n\r" or category(one) not in _STEERING)


def listed(words: Sequence[str]) -> str:
    """Words as a list in a sentence: "a, b and c"."""
    return " and ".join(filter(None, (", ".join(words[:-1]), *words[-1:])))


def long_day(day: date) -> str:
    """A date in full."""
    return f"{WEEKDAYS[day.weekday()]} {day.day} {MONTHS[day.month - 1]} {day.year}"


def short_day(day: date) -> str:
    """A date in few letters, for sentences that stand near its month."""
    return f"{WEEKDAYS[day.weekday()][:3]} {day.day} {MONTHS[day.month - 1][:3]}"


_STEERING = frozenset({"Cc", "Cf", "Cs", "Zl", "Zp"})
WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
MONTHS = (
    "January", "February", "March", "April", "May", "June",
    "July", "August", "September", "October", "November", "December",
)  # fmt: skip
HOLIDAY_WORDS = {
    HolidayUse.FREE: "kept free",
    HolidayUse.LIGHT: "half a day's work",
    HolidayUse.ORDINARY: "a day like any other",
}
FLAGS_TOO = "essentials, problems that you flagged 1 among them"
"""What is given up where problems that were flagged are among it."""
RANK_WORDS = {
    Rank.GATHER: "gathering material",
    Rank.TAPER: "the light last stretch",
    Rank.ESSENTIAL: "essentials of the first pass",
    Rank.FLAG_MUST: "problems flagged 1",
    Rank.FLAG_SHOULD: "problems flagged 2",
    Rank.EXTRA: "extras",
}
