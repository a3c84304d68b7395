"""A plan as lines of text: a table for each month, the next blocks, what does not fit, and what else to know.

Nothing here prints. A line is a sequence of :class:`Run`, each a piece of text and the name of its look; whoever prints
turns looks into colours, or leaves them. Nothing is told by colour alone, and all that is drawn is ASCII.
"""

from __future__ import annotations

from datetime import date, datetime, timedelta
from textwrap import wrap
from typing import TYPE_CHECKING, NamedTuple
from unicodedata import combining, east_asian_width
from zoneinfo import ZoneInfo

from calplan.model import STAGE_OF, Block, Plan, Request, Role
from calplan.sentences import (
    CAUTIONS,
    MONTHS,
    WEEKDAYS,
    ask_sentences,
    clean,
    cost_sentences,
    exam_sentence,
    few_days,
    first_days,
    holiday_sentence,
    long_day,
    minutes_or_not,
    notice_sentences,
    runs_of,
    shortfall_sentences,
    skipped_sentences,
)
from calplan.spans import instant, wall
from calplan.wording import Wording

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from calplan.planner import Step

WIDTH = 80
"""Columns where nothing says otherwise."""
NARROWEST, WIDEST = 30, 120


class Run(NamedTuple):
    """A piece of a line and the name of its look (nothing: plain)."""

    text: str
    look: str = ""


Line = tuple[Run, ...]


def plan_lines(plan: Plan, request: Request, *, as_of: datetime, width: int = WIDTH) -> Iterator[Line]:
    """All that a reader wants to see of a plan at the instant ``as_of``, in lines of at most ``width`` columns.

    Below 30 columns lines are 30 wide; a word that is longer than a line is not broken.
    """
    width = max(NARROWEST, min(width, WIDEST))
    today = wall(as_of, ZoneInfo(plan.zone)).date()
    yield (Run(plan.title, "title"),)
    for exam in plan.exams:
        yield from paragraph(exam_sentence(exam, plan.zone), width)
    yield ()
    yield from table(plan, today=today, width=width)
    yield from cost(plan, width)
    yield from next_blocks(plan, request, as_of=as_of, width=width)
    yield from section("To ask a teacher or a tutor", ask_sentences(plan), width)
    yield from section("Worth knowing", notice_sentences(plan), width, look="warning")
    yield from section("Not taken over from the calendars", skipped_sentences(plan.skipped), width)
    yield from section("Please remember", CAUTIONS, width)


def trade_off_lines(steps: Sequence[Step], *, width: int = WIDTH) -> Iterator[Line]:
    """The trade-off curve as a table with bars: one row for first days that cost the same."""
    width = max(NARROWEST, min(width, WIDEST))
    yield (Run("What each first day costs, in minutes a day", "title"),)
    yield ()
    rows = [(run[0], run[-1]) for run in runs_of(steps)]
    columns = [("first day", *(first_days(low, high) for low, high in rows))]
    columns += [("days left", *(f"{low.days}" if low is high else f"{low.days}-{high.days}" for low, high in rows))]
    columns += [("all", *(minutes_or_not(low.everything) for low, _ in rows))]
    columns += [("essentials", *(minutes_or_not(low.essentials) for low, _ in rows))]
    widths = [max(map(columns_of, column)) for column in columns]
    room = width - sum(widths) - 2 * len(widths)
    most = max((step.everything or step.essentials or 0 for step in steps), default=0)
    for i, cells in enumerate(zip(*columns, strict=True)):
        padded = [
            cells[0].ljust(widths[0]),
            *(cell.rjust(size) for cell, size in zip(cells[1:], widths[1:], strict=True)),
        ]
        bar = bar_of(rows[i - 1][0], most=most, room=room) if i and room >= 10 else ()
        yield stripped((Run("  ".join(padded) + "  ", "" if i else "heading"), *bar))
    yield ()
    for sentence in trade_off_legend(steps, drawn=room >= 10):
        yield from paragraph(sentence, width)


# ------------------------------------------------------------------------------------------------ the month table


class Cell(NamedTuple):
    """A day of the table: its mark (">" for today), its first line, and the words below it."""

    mark: Run
    first: Line
    words: tuple[Run, ...]


def table(plan: Plan, *, today: date, width: int) -> Iterator[Line]:
    """A table for each month of the plan, weeks as rows; below about seventy columns a list of days instead."""
    if not plan.days:
        return
    cells = day_cells(plan, today=today, room=word_room(width))
    first, last = min(cells), max(cells)
    month = first.replace(day=1)
    while month <= last:
        following = (month + timedelta(days=31)).replace(day=1)
        yield (Run(f"{MONTHS[month.month - 1]} {month.year}", "heading"),)
        if width < TABLE_FROM:
            yield from day_list(cells, max(first, month), min(last, following - timedelta(days=1)))
        else:
            yield from weeks(cells, month, following, width=cell_width(width))
        yield ()
        month = following
    yield from paragraph(legend(cells.values()), width)
    for holiday in plan.holidays:
        if first <= holiday.day <= last:
            yield from paragraph(holiday_sentence(holiday), width)


TABLE_FROM = 70
"""The fewest columns in which seven cells of legible words fit."""


def cell_width(width: int) -> int:
    """Columns of a cell, with the one for its mark."""
    return min(15, width // 7)


def word_room(width: int) -> int:
    """Columns for a word in a cell; in a list words are not short of room."""
    return cell_width(width) - 2 if width >= TABLE_FROM else NARROWEST


def day_cells(plan: Plan, *, today: date, room: int) -> dict[date, Cell]:
    """What the table shows of each day of the plan and of each exam's day."""
    minutes: dict[date, int] = {day.day: 0 for day in plan.days}
    words: dict[date, set[tuple[str, str]]] = {day.day: set() for day in plan.days}
    roles = {task.id: task.role for task in plan.tasks}
    for block in plan.blocks:
        minutes[block.day] = minutes.get(block.day, 0) + block.minutes
        words.setdefault(block.day, set()).update(block_words(block, roles))
    for holiday in plan.holidays:
        if holiday.day in words:
            words[holiday.day].add(("holiday", "holiday"))
    exams = exam_days(plan, room)
    return {
        day: Cell(
            mark=Run(">", "today") if day == today else Run(" "),
            first=first_line(day, minutes.get(day, 0), exam=day in exams),
            words=(
                *exams.get(day, ()),
                *beside(day in exams, minutes.get(day, 0)),
                *in_order(words.get(day, set()), room),
            ),
        )
        for day in words.keys() | exams.keys()
    }


def in_order(words: set[tuple[str, str]], room: int) -> Iterator[Run]:
    """The words of a day in the order of the legend, short where there is no room."""
    for word in MEANINGS:
        for _, look in sorted(one for one in words if one[0] == word):
            yield Run(SHORT.get(word, word) if len(word) > room else word, look)


def first_line(day: date, minutes: int, *, exam: bool) -> Line:
    """The number of a day, and what it holds."""
    held = Run("EXAM", "exam") if exam else in_minutes(minutes) if minutes else Run("-", "faint")
    return Run(f"{day.day:>2} "), held


def beside(exam: bool, minutes: int) -> tuple[Run, ...]:
    """The minutes that an exam's day holds for other exams."""
    return (in_minutes(minutes),) if exam and minutes else ()


def in_minutes(minutes: int) -> Run:
    """A day's minutes, short enough for the smallest cell."""
    return Run(f"{minutes} min" if minutes < 1000 else f"{minutes} m", "minutes")


def block_words(block: Block, roles: dict[str, Role]) -> Iterator[tuple[str, str]]:
    """The words for what a block holds, each with its look."""
    if not block.parts and block.title:
        yield "fixed", "fixed"
    for part in block.parts:
        role = roles[part.task]
        if role in (Role.PAPER, Role.ENCORE):
            yield {Role.PAPER: "paper", Role.ENCORE: "again"}[role], STAGE_OF[role]
        else:
            yield STAGE_OF[role], STAGE_OF[role]


def exam_days(plan: Plan, room: int) -> dict[date, list[Run]]:
    """The days of the exams in the plan's zone, each with the hours and subjects of its exams."""
    days: dict[date, list[Run]] = {}
    for exam in sorted(plan.exams, key=lambda exam: exam.start):
        here = wall(instant(exam.start, ZoneInfo(exam.zone)), ZoneInfo(plan.zone))
        words = days.setdefault(here.date(), [])
        words += [Run(f"{here:%H:%M}", "exam"), Run(cut(clean(exam.subject), room), "exam")]
    return days


def weeks(cells: dict[date, Cell], month: date, following: date, *, width: int) -> Iterator[Line]:
    """The weeks of a month that hold a day of the plan, from Monday to Sunday."""
    yield stripped(tuple(Run(f" {name[:3]}".ljust(width), "faint") for name in WEEKDAYS))
    monday = month - timedelta(days=month.weekday())
    while monday < following:
        days = [monday + timedelta(days=i) for i in range(7)]
        row = [cells.get(day) if month <= day < following else None for day in days]
        if any(row):
            faint = [f" {day.day:>2}" if month <= day < following else "" for day in days]
            yield from week(row, faint, width=width)
        monday += timedelta(days=7)


def week(row: Sequence[Cell | None], numbers: Sequence[str], *, width: int) -> Iterator[Line]:
    """The lines of a week; a day without a cell shows its number alone."""
    first = [
        padded((cell.mark, *cell.first), width) if cell else padded((Run(number, "faint"),), width)
        for cell, number in zip(row, numbers, strict=True)
    ]
    yield stripped(tuple(run for line in first for run in line))
    for i in range(max(len(cell.words) for cell in row if cell)):
        line = [padded((Run("  "), cell.words[i]) if cell and i < len(cell.words) else (), width) for cell in row]
        yield stripped(tuple(run for piece in line for run in piece))


def day_list(cells: dict[date, Cell], first: date, last: date) -> Iterator[Line]:
    """The days of a month one below the other, for narrow terminals."""
    for day in (first + timedelta(days=i) for i in range((last - first).days + 1)):
        if cell := cells.get(day):
            words = [run for word in cell.words for run in (Run(" "), word)]
            yield (cell.mark, Run(f"{WEEKDAYS[day.weekday()][:3]} "), *cell.first, *words)


def legend(cells: Iterable[Cell]) -> str:
    """What the words of the table mean, those that it uses."""
    used = {run.text for cell in cells for run in cell.words}
    said = [f"{word}: {meaning}" for word, meaning in MEANINGS.items() if {word, SHORT.get(word, word)} & used]
    return f"Minutes are those of all blocks of a day. {'; '.join(said)}{'.' if said else ''}".rstrip()


def cost(plan: Plan, width: int) -> Iterator[Line]:
    """What the plan costs and what does not fit; where little time is left, a kind word takes the place of proofs."""
    for sentence in cost_sentences(plan):
        yield from paragraph(sentence, width)
    if plan.shortfall and not few_days(plan):
        yield from section("What does not fit", shortfall_sentences(plan, plan.shortfall), width, look="warning")


def trade_off_legend(steps: Sequence[Step], *, drawn: bool) -> Iterator[str]:
    """How to read the trade-off table."""
    bars = " Bars: = essentials, - the rest of everything." if drawn else ""
    none = any(step.everything is None or step.essentials is None for step in steps)
    never = f" None{' (>)' if drawn else ''}: no number of minutes a day would do." if none else ""
    yield (
        "Days left: usable days from that day to the last exam. All, essentials: minutes a day under which "
        f"everything fits, or the essentials.{bars}{never}"
    )


# --------------------------------------------------------------------------------------------- the next blocks


def next_blocks(plan: Plan, request: Request, *, as_of: datetime, width: int) -> Iterator[Line]:
    """The blocks of today that are not over, else those of the next day that has any, with their instructions."""
    zone = ZoneInfo(plan.zone)
    ends = {
        block.uid: instant(block.start.replace(fold=block.fold), zone) + timedelta(minutes=block.minutes)
        for block in plan.blocks
    }
    ahead = [block for block in plan.blocks if ends[block.uid] > as_of]
    if not ahead:
        yield from section("Next", ["No block lies ahead."], width)
        return
    day = min(block.day for block in ahead)
    near = "Today" if day == wall(as_of, zone).date() else "Next"
    yield ()
    yield (Run(f"{near}: {long_day(day)}", "heading"),)
    words = Wording(plan, request)
    for block in sorted((block for block in ahead if block.day == day), key=lambda block: ends[block.uid]):
        yield ()
        yield (Run(f"  {block.start:%H:%M}, {block.minutes} minutes", "minutes"),)
        for line in (*own_title(block), *words.describe(block).split("\n")):
            yield from paragraph(line, width, indent="  ") if line else [()]


def own_title(block: Block) -> tuple[str, ...]:
    """The title of an appointment; other blocks begin with their subject."""
    return (block.title,) if block.title and not block.parts else ()


# ----------------------------------------------------------------------------------------------------- text


def section(title: str, sentences: Iterable[str], width: int, *, look: str = "") -> Iterator[Line]:
    """A heading with one item for each sentence; nothing at all where there are none."""
    said = list(sentences)
    if said:
        yield ()
        yield (Run(title, look or "heading"),)
    for sentence in said:
        yield from paragraph(sentence, width, indent="  ", first="- ")


def paragraph(text: str, width: int, *, indent: str = "", first: str = "") -> Iterator[Line]:
    """A text in lines of a width."""
    yield from (
        (Run(line),)
        for line in wrap(
            clean(text),
            width,
            initial_indent=first or indent,
            subsequent_indent=indent,
            break_long_words=False,
            break_on_hyphens=False,
        )
    )


def padded(line: Line, width: int) -> Line:
    """A line of runs, filled up with spaces."""
    return (*line, Run(" " * max(0, width - sum(columns_of(run.text) for run in line))))


def stripped(line: Line) -> Line:
    """A line without white space at its end."""
    runs = list(line)
    while runs and not runs[-1].text.strip():
        runs.pop()
    return (*runs[:-1], runs[-1]._replace(text=runs[-1].text.rstrip())) if runs else ()


def columns_of(text: str) -> int:
    """The columns of a terminal that a text takes: two for wide characters (Unicode Annex 11), none for accents."""
    return sum(0 if combining(one) else 2 if east_asian_width(one) in "WF" else 1 for one in text)


def cut(text: str, room: int) -> str:
    """The text, or as much of it as fits, with a full stop where it is cut."""
    if columns_of(text) <= room:
        return text
    while columns_of(text) > room - 1:
        text = text[:-1]
    return f"{text.rstrip()}."


def bar_of(step: Step, *, most: int, room: int) -> Line:
    """A bar of the minutes for the essentials and, behind them, for everything; ">" where no number would do."""
    scale = (room - 1) / most if most else 0
    inner = round((step.essentials or 0) * scale) if step.essentials is not None else room - 1
    outer = round((step.everything or 0) * scale) if step.everything is not None else room - 1
    beyond = ">" if step.everything is None else ""
    return Run("=" * inner, "cover"), Run("-" * max(0, outer - inner) + beyond, "consolidate")


SHORT = {"consolidate": "consol."}
"""Words that a small cell has no room for."""
MEANINGS = {
    "cover": "first pass",
    "consolidate": "second pass, over what was flagged",
    "taper": "light last stretch",
    "again": "material that comes once more",
    "paper": "timed paper",
    "fixed": "an appointment",
    "holiday": "see below",
}
