"""What became of a row of a roster: planned, planned with warnings, cannot fit, or wrong; and why."""

from __future__ import annotations

from collections import Counter
from enum import StrEnum
from typing import TYPE_CHECKING

from msgspec.structs import replace

from calplan.model import Plan, Rank, Role, Value
from calplan.sentences import shortfall_sentences, ways_out

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable

    from calplan.errors import Problem


class Status(StrEnum):
    """What became of a row."""

    PLANNED = "planned"
    WARNINGS = "planned with warnings"
    CANNOT_FIT = "cannot fit"
    WRONG = "wrong"


WARNING_CODES = frozenset(
    {
        "catch-up-not-held",
        "exams-overlap",
        "few-days",
        "holidays-incomplete",
        "maximum-raised",
        "no-usable-day",
        "order-bent",
        "paper-left-out",
        "short-night",
        "taper-opened",
    }
)
"""Notices that somebody should look at; the others only explain."""


class Changed(Value, frozen=True, kw_only=True):
    """What planning a row again changed.

    ``before`` is what had become of it, ``blocks`` move, come or go, ``lost`` minutes of work fall out; ``fullest`` are
    the minutes of the fullest day before and after.
    """

    before: Status
    blocks: int
    lost: int
    fullest: tuple[int, int]


class Outcome(Value, frozen=True, kw_only=True):
    """What became of one row.

    ``row`` is its number as a spreadsheet shows it. ``sentences`` say what is wrong, what does not fit, or what to look
    at; ``ways`` what would help. ``digest`` stands for everything that decided the plan: equal digests, equal plans.
    ``load`` are the minutes of blocks on each day, as the calendar has them, ``work`` all of them; ``minutes`` are
    those of the fullest day, timed papers aside, and ``usual`` those that are usual for the student.
    """

    row: int
    reference: str
    status: Status
    courses: tuple[str, ...] = ()
    sections: tuple[str, ...] = ()
    teachers: tuple[str, ...] = ()
    sentences: tuple[str, ...] = ()
    ways: tuple[str, ...] = ()
    digest: str = ""
    blocks: int = 0
    minutes: int = 0
    usual: int = 0
    work: int = 0
    load: dict[str, int]
    changed: Changed | None = None
    same: bool = False
    """Whether nothing was planned, because nothing that decides the plan has changed since an earlier run."""


def judged(known: Outcome, plan: Plan, usual: int, common: Collection[str]) -> Outcome:
    """The outcome of a row with a plan. Doubts about ``common`` calendars are told once for all rows, not here."""
    short = plan.shortfall
    missing = short is not None and set(short.lost) != {Rank.TAPER}
    notices = tuple(notice.sentence for notice in plan.notices if notice.code in WARNING_CODES)
    skipped = tuple(f"{one.source}: {one.reason}" for one in plan.skipped if one.source not in common)
    ways = tuple(ways_out(plan, short)) if short is not None else ()
    proof = shortfall_sentences(plan, short) if short is not None else ()
    sentences = (*(one for one in proof if one not in ways), *notices, *skipped)
    papers = {task.id for task in plan.tasks if task.role is Role.PAPER}
    load: Counter[str] = Counter()
    beside: Counter[str] = Counter()  # timed papers have a length of their own
    for block in plan.blocks:
        if not block.fixed:
            load[block.day.isoformat()] += block.minutes
            beside[block.day.isoformat()] += block.minutes * all(part.task not in papers for part in block.parts)
    status = Status.CANNOT_FIT if missing else Status.WARNINGS if sentences else Status.PLANNED
    return replace(
        known,
        status=status,
        sentences=sentences,
        ways=ways,
        blocks=sum(not block.fixed for block in plan.blocks),
        minutes=max(beside.values(), default=0),
        usual=usual,
        work=sum(load.values()),
        load=dict(sorted(load.items())),
    )


def with_problems(known: Outcome, problems: Iterable[Problem]) -> Outcome:
    """The outcome of a row that is wrong."""
    return replace(known, status=Status.WRONG, sentences=tuple(map(str, problems)))
