"""How am I doing: weeks in minutes, flags, what is untouched, what to ask, and one plain sentence.

Nothing here scolds. After a bad week the page offers the lightest plan that still covers what matters most.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from flask import Blueprint, render_template

from calplan.learned import known
from calplan.progress import progress
from calplan.sentences import short_day
from calplan.wording import one_line
from web.powers import Power
from web.student import clocks, holder, service

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from calplan.learned import FlagState
    from calplan.model import Kind, Request
    from calplan.progress import Week

blueprint = Blueprint("going", __name__)

WIDTH = 240
"""Units of width of the longest bar."""


class Bar(NamedTuple):
    """A stretch of a week's bar: what it stands for, where it begins, and how long it is."""

    what: str
    x: int
    width: int


class WeekShown(NamedTuple):
    """A week with its bar and its minutes; ``coming`` are those that are not over."""

    name: str
    bars: tuple[Bar, ...]
    planned: int
    done: int
    missed: int
    silent: int
    coming: int


class FlagShown(NamedTuple):
    """A flagged problem, in words."""

    material: str
    problem: str
    importance: str
    tries: int


IMPORTANCE = {1: "must", 2: "should"}


@blueprint.get("/plan/<token>/going")
def shown(token: str) -> str:
    """The page, for whoever may change the plan."""
    old = holder(Power.MANAGE, token)
    now = service().clock()
    told = known(old.request, old.plan, old.log)
    found = progress(old.plan, old.request, old.log, told, now=now)
    titles = {(exam.key, one.key): one.title for exam in old.request.exams for one in exam.materials}
    subjects = {exam.key: one_line(exam.subject) for exam in old.request.exams}
    ahead = [one for one in old.plan.blocks if one.fixed and one.day >= now.date()]
    return render_template(
        "going.html",
        token=token,
        progress=found,
        weeks=weeks_shown(found.weeks),
        width=WIDTH,
        open=[flag_shown(flag, titles) for flag in found.open],
        closed=len(found.closed),
        untouched=[(subjects[key], [titles[key, one] for one in keys]) for key, keys in found.untouched.items()],
        asks=[ask.sentence for ask in dict.fromkeys((*old.plan.asks, *told.asks))],
        appointment=ahead[0] if ahead else None,
        pace=pace_shown(old.request, told.pace),
        clocks=clocks(),
    )


def weeks_shown(weeks: Sequence[Week]) -> tuple[WeekShown, ...]:
    """The weeks with their bars, the longest one as wide as can be."""
    most = max((week.planned for week in weeks), default=1) or 1
    found = []
    for week in weeks:
        coming = max(0, week.planned - week.done - week.missed - week.silent)
        bars, at = [], 0
        for what, minutes in (
            ("done", week.done),
            ("missed", week.missed),
            ("silent", week.silent),
            ("coming", coming),
        ):
            width = round(minutes * WIDTH / most)
            if width:
                bars.append(Bar(what, at, width))
                at += width
        name = f"Week of {short_day(week.monday)}"
        found.append(WeekShown(name, tuple(bars), week.planned, week.done, week.missed, week.silent, coming))
    return tuple(found)


def flag_shown(flag: FlagState, titles: dict[tuple[str, str], str]) -> FlagShown:
    """A flag with its material's title."""
    title = one_line(titles[flag.exam, flag.material])
    return FlagShown(title, one_line(flag.problem), IMPORTANCE[flag.importance], flag.tries)


def pace_shown(request: Request, pace: Mapping[tuple[str, Kind], int]) -> tuple[str, ...]:
    """What recorded minutes told, kind by kind; nothing where they were as planned."""
    subjects = {exam.key: one_line(exam.subject) for exam in request.exams}
    said = []
    for (exam, kind), percent in sorted(pace.items()):
        if percent != 100 and exam in subjects:
            said.append(f"{subjects[exam]}, {kind}: {percent} % of the minutes that were planned.")
    return tuple(said)
