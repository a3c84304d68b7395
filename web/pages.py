"""What the pages show: a plan, its request and the present instant become values for the templates. Knows no Flask.

First comes what to do now; then every day, the exams, the materials, and what else there is to know. What a block asks
for is told in the words of :mod:`calplan.wording`, what the plan says as a whole in those of :mod:`calplan.sentences`,
so that page, calendar and command line agree. Times in the values are wall-clock times of the plan's zone; the
functions of :data:`FILTERS` write them the way the reader's language does.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable
from datetime import date, datetime, timedelta
from functools import partial
from itertools import groupby
from typing import TYPE_CHECKING
from unicodedata import bidirectional
from zoneinfo import ZoneInfo

from calplan import sentences
from calplan.checkins import last_words
from calplan.model import Block, PastBlock, Plan, PlannedExam, Request
from calplan.sentences import clean, short_day
from calplan.spans import instant, wall
from calplan.wording import WHY_TODAY, Asked, Wording, may_be_later, one_line
from web.clocks import clock, clock_style, day_and_time
from web.page_materials import stock_shown
from web.page_values import (
    BlockPage,
    BlockShown,
    CalendarPage,
    DayShown,
    DeletePage,
    ExamShown,
    Near,
    PartShown,
    PlanPage,
    Week,
)
from web.picture_squares import LETTERS, sign_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from calplan.checkins import Log


__all__ = [
    "FILTERS",
    "block_page",
    "calendar_page",
    "clock_style",
    "delete_page",
    "local_day",
    "next_work",
    "open_blocks",
    "paper_pages",
    "plan_page",
]


def apart(text: str) -> str:
    """A title as it stands before numbers and commas: one with right-to-left letters is isolated from them.

    Else the bidirectional algorithm takes them into its run, and "40" stands before what it counts (Unicode Standard
    Annex #9, §2.4 and §6.3: isolates for text of unknown direction).
    """
    return f"\u2068{text}\u2069" if any(bidirectional(letter) in ("R", "AL") for letter in text) else text


FILTERS: dict[str, Callable[..., str]] = {
    "clock": clock,
    "day": sentences.long_day,
    "short_day": sentences.short_day,
    "day_and_time": day_and_time,
    "apart": apart,
}
"""What templates write dates, times and titles with."""


# ------------------------------------------------------------------------------------------------ the pages


def plan_page(plan: Plan, request: Request, *, now: datetime, clocks: str = "24") -> PlanPage:
    """The plan's page at the instant ``now``; ``clocks`` is "12" or "24"."""
    today = local_day(now, plan.zone)
    blocks = blocks_shown(plan, request, clocks=clocks)
    near, first = what_is_near(plan, blocks, now)
    days = days_shown(plan, request, blocks, now=now)
    return PlanPage(
        title=clean(plan.title),
        zone=plan.zone,
        near=near,
        day=first[0].day if first else None,
        blocks=first,
        done_today=sum(block.start.date() == today and block.ends <= now for block in blocks),
        today=today,
        past=tuple(day for day in days if day.day < today),
        days=tuple(day for day in days if day.day >= today),
        exams=tuple(exam_shown(exam, plan, now) for exam in sorted(plan.exams, key=lambda exam: exam.start)),
        stock=tuple(stock_shown(exam, plan, request.rates) for exam in request.exams if exam.materials),
        asks=tuple(sentences.ask_sentences(plan)),
        notices=tuple(sentences.notice_sentences(plan)),
        shortfall=shortfall(plan),
        skipped=tuple(sentences.skipped_sentences(plan.skipped)),
        figures=tuple(sentences.cost_sentences(plan)),
        cautions=sentences.CAUTIONS,
    )


def open_blocks(page: PlanPage, log: Log, now: datetime) -> tuple[BlockShown, ...]:
    """The blocks with work that are over and of which nothing was said, the latest first."""
    words = last_words(log)
    shown = [block for day in (*page.past, *page.days) for block in day.blocks]
    over = [block for block in shown if block.ends <= now and (block.parts or block.lines) and block.uid not in words]
    return tuple(sorted(over, key=lambda block: block.begins, reverse=True))


def block_page(plan: Plan, request: Request, uid: str, now: datetime, *, clocks: str = "24") -> BlockPage | None:
    """The page that a block's event opens; ``None`` where the plan has no such block."""
    blocks = blocks_shown(plan, request, clocks=clocks)
    at = next((number for number, block in enumerate(blocks) if block.uid == uid), None)
    if at is None:
        return None
    block = blocks[at]
    over, begun = block.ends <= now, block.begins <= now
    away = (block.start.date() - local_day(now, plan.zone)).days
    ahead = {0: "Today", 1: "Tomorrow"}.get(away, f"In {away} days")
    return BlockPage(
        block=block,
        zone=plan.zone,
        near="This block is over" if over else "Now" if begun else ahead,
        begun=begun,
        previous=blocks[at - 1] if at else None,
        following=blocks[at + 1] if at + 1 < len(blocks) else None,
    )


def next_work(plan: Plan, request: Request, uid: str, log: Log, now: datetime) -> BlockShown | None:
    """The first block with work that lies ahead and of which nothing was said, other than ``uid``."""
    words = last_words(log)
    ahead = (block for block in blocks_shown(plan, request) if block.begins > now and block.parts)
    return next((block for block in ahead if block.uid not in words and block.uid != uid), None)


def paper_pages(plan: Plan, request: Request) -> tuple[Week, ...]:
    """The plan by weeks, for paper: nothing on it depends on when it is printed."""
    days = days_shown(plan, request, blocks_shown(plan, request), now=plan.as_of)
    weeks = [(monday, tuple(held)) for monday, held in groupby(days, key=lambda day: monday_of(day.day))]
    return tuple(
        Week(
            number=number,
            of=len(weeks),
            first=monday,
            last=monday + timedelta(days=6),
            days=held,
            minutes=sum(day.minutes for day in held),
        )
        for number, (monday, held) in enumerate(weeks, 1)
    )


def calendar_page(plan: Plan, *, https: str, fetched: datetime | None, alarm: int | None, view: str) -> CalendarPage:
    """The page of the calendar link.

    ``https`` is the feed's address, ``fetched`` an instant in UTC, ``alarm`` minutes before a block; ``view`` is the
    read-only address, empty where there is none.
    """
    return CalendarPage(
        title=clean(plan.title),
        zone=plan.zone,
        https=https,
        webcal=f"webcal:{https.partition(':')[2]}",
        fetched=wall(fetched, ZoneInfo(plan.zone)) if fetched else None,
        alarm=alarm,
        view=view,
    )


def delete_page(plan: Plan, *, keep_days: int) -> DeletePage:
    """The page that deletes a plan; ``keep_days`` after its last exam a plan goes by itself."""
    last = max(here(exam, plan.zone) for exam in plan.exams).date()
    return DeletePage(clean(plan.title), last, last + timedelta(days=keep_days))


# ------------------------------------------------------------------------------------------------ blocks


def blocks_shown(plan: Plan, request: Request, *, clocks: str = "24") -> tuple[BlockShown, ...]:
    """All blocks in order of time, those that an earlier state of the plan had among them."""
    words = Wording(plan, request, partial(clock, style=clocks))
    zone = ZoneInfo(plan.zone)
    shown = [past_block(block, zone) for block in plan.past]
    shown += [coming_block(block, words, zone) for block in plan.blocks]
    return tuple(sorted(shown, key=lambda block: (block.begins, block.uid)))


def coming_block(block: Block, words: Wording, zone: ZoneInfo) -> BlockShown:
    """A block of the plan as it is now."""
    begins = instant(block.start.replace(fold=block.fold), zone)
    hours = words.hours(block)
    return BlockShown(
        uid=block.uid,
        day=block.day,
        start=hours.start,
        end=hours.end,
        again=hours.again,
        minutes=block.minutes,
        headline=words.headline(block),
        parts=tuple(part_shown(asked) for asked in words.asked(block)),
        beside=words.beside(block),
        when_said=hours.sentences,
        lines=(),
        begins=begins,
        ends=begins + timedelta(minutes=block.minutes),
    )


def part_shown(asked: Asked) -> PartShown:
    """A part of a block."""
    sign = sign_of(asked.task.role, asked.task.kind)
    why = [said.text for said in asked.said if said.about == WHY_TODAY]
    return PartShown(
        subject=asked.subject,
        headline=asked.headline,
        minutes=asked.minutes,
        sign=sign,
        letter=LETTERS[sign],
        squares=asked.part.units,
        said=tuple(said for said in asked.said if said.about != WHY_TODAY),
        why=" ".join(why),
    )


def past_block(block: PastBlock, zone: ZoneInfo) -> BlockShown:
    """A block that had begun before the plan was made again, in the words that it had, its headline once."""
    begins = instant(block.start.replace(fold=block.fold), zone)
    ends = begins + timedelta(minutes=block.minutes)
    start = wall(begins, zone)
    return BlockShown(
        uid=block.uid,
        day=block.day,
        start=start,
        end=wall(ends, zone),
        again=bool(start.fold),
        minutes=block.minutes,
        headline=block.headline,
        parts=(),
        beside=(),
        when_said=(),
        lines=tuple(
            line
            for line in block.text.split("\n")
            if line and not line.startswith("When: ") and line != f"{block.headline} ({block.minutes} minutes)"
        ),
        begins=begins,
        ends=ends,
    )


def what_is_near(plan: Plan, blocks: Sequence[BlockShown], now: datetime) -> tuple[Near, tuple[BlockShown, ...]]:
    """The blocks that the page begins with: those of the first day that has any that are not over."""
    ahead = [block for block in blocks if block.ends > now]
    if all(exam_end(exam) <= now for exam in plan.exams):
        return Near.OVER, ()
    if not ahead:
        return Near.DONE, ()
    first = tuple(block for block in ahead if block.day == ahead[0].day)
    if first[0].begins <= now:
        return Near.NOW, first
    away = (first[0].start.date() - local_day(now, plan.zone)).days
    return {0: Near.TODAY, 1: Near.TOMORROW}.get(away, Near.NEXT), first


# ------------------------------------------------------------------------------------------- days and exams


def days_shown(plan: Plan, request: Request, blocks: Iterable[BlockShown], *, now: datetime) -> tuple[DayShown, ...]:
    """Every day of the plan, of its past and of its exams, in order."""
    held: dict[date, list[BlockShown]] = defaultdict(list)
    for block in blocks:
        held[block.day].append(block)
    exams: dict[date, list[ExamShown]] = defaultdict(list)
    for exam in sorted(plan.exams, key=lambda exam: exam.start):
        exams[here(exam, plan.zone).date()].append(exam_shown(exam, plan, now))
    today = local_day(now, plan.zone)
    return tuple(
        DayShown(
            day=day,
            anchor=anchor(day),
            minutes=sum(block.minutes for block in held[day]),
            blocks=tuple(held[day]),
            exams=tuple(exams[day]),
            remarks=tuple(day_remarks(day, plan, request)),
            today=day == today,
        )
        for day in sorted({one.day for one in plan.days} | held.keys() | exams.keys())
    )


def day_remarks(day: date, plan: Plan, request: Request) -> Iterator[str]:
    """Public holidays, days off, and days with little time."""
    for holiday in plan.holidays:
        if holiday.day == day:
            yield f"{clean(holiday.title)}: {sentences.HOLIDAY_WORDS[holiday.use]}"
    for off in request.days_off:
        if off.first <= day <= off.last:
            yield f"Day off: {clean(off.title)}" if off.title else "Day off"
    short = min((one.minutes for one in request.short_days if one.day == day), default=None)
    if short is not None:
        yield f"Little time: {short} minutes at most" if short else "No time on this day"


def exam_shown(exam: PlannedExam, plan: Plan, now: datetime) -> ExamShown:
    """An exam with its stages, each with its days in words."""
    stages = [
        (words, f"until {short_day(end)}")
        for words, end in (("First pass", exam.cover_ends), ("Second pass", exam.consolidate_ends))
        if end
    ]
    if exam.taper_days:
        stages.append(("Light last stretch", f"from {short_day(exam.taper_days[0])}"))
    return ExamShown(
        subject=one_line(exam.subject),
        start=exam.start,
        zone=exam.zone,
        here=here(exam, plan.zone),
        minutes=exam.minutes,
        place=one_line(exam.place),
        days=sentences.usable_days(exam),
        stages=tuple(stages),
        over=exam_end(exam) <= now,
        later=may_be_later(exam),
    )


def here(exam: PlannedExam, zone: str) -> datetime:
    """An exam's start on the wall clock of the plan's zone."""
    return wall(instant(exam.start, ZoneInfo(exam.zone)), ZoneInfo(zone))


def exam_end(exam: PlannedExam) -> datetime:
    """The instant at which an exam ends, by its regular length."""
    return instant(exam.start, ZoneInfo(exam.zone)) + timedelta(minutes=exam.minutes)


def local_day(now: datetime, zone: str) -> date:
    """The date in a zone at an instant."""
    return wall(now, ZoneInfo(zone)).date()


def monday_of(day: date) -> date:
    """The Monday of a day's week."""
    return day - timedelta(days=day.weekday())


def anchor(day: date) -> str:
    """The id of a day's entry in the list."""
    return f"day-{day.isoformat()}"


# ------------------------------------------------------------------------------------------------ sentences


def shortfall(plan: Plan) -> tuple[str, ...]:
    """What does not fit and the ways out; where few days are left, the kind word has said enough."""
    if plan.shortfall is None or sentences.few_days(plan):
        return ()
    return tuple(sentences.shortfall_sentences(plan, plan.shortfall))
