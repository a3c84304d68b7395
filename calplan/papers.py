"""Timed papers: on request, one undivided block at the exam's own hour and of its own length.

A timed paper rehearses the hour as well as the work, so its time is given and only its day is free: late in
consolidate or early in taper, never the eve (common practice, no source). It stands outside the longest block, the
limit and the daily maximum; where its hour is taken on every such day it is left out, and the plan says so.
"""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING, NamedTuple

from calplan.days import paper_span, possible, short_date, unbooked
from calplan.model import UNIT, Notice, Rank, Role, Task
from calplan.spans import Span, widen

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from datetime import date, datetime

    from calplan.model import BusySpan, Request
    from calplan.workload import Prepared


class Paper(NamedTuple):
    """A timed paper with its day and its instants."""

    task: Task
    day: date
    span: Span


def timed_papers(
    request: Request,
    busy: tuple[BusySpan, ...],
    exams: Sequence[Prepared],
    *,
    as_of: datetime,
    number: int,
    beside: Sequence[Span] = (),
) -> tuple[tuple[Paper, ...], tuple[Notice, ...]]:
    """The timed papers that were asked for and find their hour free, and a notice for each that does not.

    ``number`` is the first free place in the order of tasks; ``beside`` are timed papers that stand already.
    """
    papers: list[Paper] = []
    notices = []
    for one in exams:
        if not one.exam.timed_paper:
            continue
        taken = [*beside, *(paper.span for paper in papers)]
        found = next((p for day in days_for(one) if (p := paper_on(request, busy, one, day, as_of, taken))), None)
        if found is None:
            late = one.cycle.stages.consolidate
            why = "its hour is taken on every day late enough" if late else "too few days are left for one"
            sentence = f"{one.exam.subject}: the timed paper is left out, because {why}."
            notices.append(Notice(code="paper-left-out", sentence=sentence))
        else:
            day, span = found
            notices.append(Notice(code="paper-hour", sentence=told(one, day)))
            papers.append(Paper(paper_task(one, day, span, number + len(papers)), day, span))
    return tuple(papers), tuple(notices)


def told(one: Prepared, day: date) -> str:
    """Where the paper lies, in a sentence: it may be outside study hours, and above a day's limit."""
    return (
        f"{one.exam.subject}: the timed paper is on {short_date(day)}, at the exam's own hour and of its own length, "
        "whatever study hours and limit say. Move it if something else is fixed then."
    )


def days_for(one: Prepared) -> Iterator[date]:
    """The days on which a timed paper may lie, the best first: the last of consolidate, then early in taper.

    Days without study hours count as well, since the paper's hour is not the student's choice.
    """
    stages = one.cycle.stages
    if not stages.consolidate:
        return
    first = one.days[stages.cover]
    last = one.days[stages.cover + stages.consolidate - 1]
    eve = one.days[-1]
    early = [first + timedelta(days=i) for i in range((last - first).days + 1)][::-1]
    after = [last + timedelta(days=i) for i in range(1, (eve - last).days)]
    middle = (len(after) + 1) // 2
    yield from early[:1]
    yield from after[:middle]
    yield from early[1:]


def paper_on(
    request: Request, busy: tuple[BusySpan, ...], one: Prepared, day: date, as_of: datetime, taken: Sequence[Span]
) -> tuple[date, Span] | None:
    """The day and the paper's instants on it, if nothing else takes any of them and the day is not too short."""
    span = paper_span(request, one.exam, day)
    fixed = sum(each.minutes for each in request.appointments if each.start.date() == day)
    most = possible(request, day)
    if most is not None and fixed + span.minutes > most:
        return None
    if any(span.overlaps(other) for other in widen(taken, request.effort.rest)):
        return None
    free = unbooked(request, busy, day, as_of=as_of)
    return (day, span) if any(gap.start <= span.start and span.end <= gap.end for gap in free) else None


def paper_task(one: Prepared, day: date, span: Span, number: int) -> Task:
    """The paper as a task; its rank says that nothing competes with it."""
    units = -(-span.minutes // UNIT)
    return Task(
        id=f"{one.exam.key}/paper",
        exam=one.exam.key,
        role=Role.PAPER,
        kind=None,
        number=number,
        round=1,
        ranks=(Rank.GATHER,) * units,
        kept=units,
        ideal=day,
        first=day,
        last=day,
    )
