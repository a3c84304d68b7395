"""How am I doing: weeks in minutes, flags, what is untouched, what to ask, and one plain sentence.

Nothing here scolds. After a bad week the page offers the lightest plan that still covers what matters most.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple
from zoneinfo import ZoneInfo

from flask import Blueprint, render_template
from msgspec.structs import replace

from calplan import sentences
from calplan.cycle import asks
from calplan.learned import known
from calplan.progress import progress
from calplan.spans import instant
from calplan.wording import label, one_line
from web import asking, pages
from web.picture_weeks import WORDS, weeks_picture
from web.powers import Power
from web.student import clocks, holder, service

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from datetime import datetime

    from calplan.learned import FlagState, Known
    from calplan.model import Block, Kind, Plan, Request

blueprint = Blueprint("going", __name__)


class FlagShown(NamedTuple):
    """A flagged problem, in words."""

    material: str
    problem: str
    importance: str
    tries: int


class FlagsShown(NamedTuple):
    """The flags of an exam: those that are open, and how many are settled."""

    subject: str
    open: tuple[FlagShown, ...]
    closed: int


IMPORTANCE = {1: "must", 2: "should"}


@blueprint.get("/plan/<token>/going")
def shown(token: str) -> str:
    """The page, for whoever may change the plan."""
    old = holder(Power.MANAGE, token)
    now = service().clock()
    told = known(old.request, old.plan, old.log)
    found = progress(old.plan, old.request, old.log, told, now=now)
    titles = titles_of(old.request)
    subjects = {exam.key: one_line(exam.subject) for exam in old.request.exams}
    return render_template(
        "going.html",
        token=token,
        progress=found,
        weeks=weeks_picture(found.weeks, today=pages.local_day(now, old.plan.zone)),
        looks=WORDS,
        flags=tuple(flags_shown(old.request, told)),
        open=len(found.open),
        closed=len(found.closed),
        untouched=[(subjects[key], [titles[key, one] for one in keys]) for key, keys in found.untouched.items()],
        asks=asks_shown(old.plan, old.request, told),
        appointment=next_appointment(old.plan, now),
        pace=tuple(pace_shown(old.request, told.pace)),
        clocks=clocks(),
    )


@blueprint.get("/plan/<token>/ask")
def ask(token: str) -> str:
    """The ask list by itself, to print and take along, for whoever may change the plan."""
    old = holder(Power.MANAGE, token)
    told = known(old.request, old.plan, old.log)
    exams = asking.ask_list(old.request, told, zone=old.plan.zone, now=service().clock())
    return render_template("ask.html", token=token, exams=exams, zone=old.plan.zone, clocks=clocks())


def titles_of(request: Request) -> dict[tuple[str, str], str]:
    """The titles of all materials, by the keys of exam and material."""
    return {(exam.key, one.key): one_line(one.title) for exam in request.exams for one in exam.materials}


def flags_shown(request: Request, told: Known) -> Iterator[FlagsShown]:
    """The flags by exam, in the order of the request; exams without any are left out."""
    titles = titles_of(request)
    for exam in request.exams:
        open, closed = told.open_flags(exam.key), told.closed_flags(exam.key)
        if open or closed:
            yield FlagsShown(one_line(exam.subject), tuple(flag_shown(flag, titles) for flag in open), len(closed))


def flag_shown(flag: FlagState, titles: Mapping[tuple[str, str], str]) -> FlagShown:
    """A flag with its material's title."""
    title = titles[flag.exam, flag.material]
    return FlagShown(title, one_line(flag.problem), IMPORTANCE[flag.importance], flag.tries)


def asks_shown(plan: Plan, request: Request, told: Known) -> tuple[str, ...]:
    """What to ask a teacher or a tutor as things stand now: answers that are missing, and what goes wrong."""
    missing = (one for exam in request.exams for one in asks(exam))
    return tuple(sentences.ask_sentences(replace(plan, asks=(*missing, *told.asks))))


def next_appointment(plan: Plan, now: datetime) -> Block | None:
    """The first appointment that has not begun, if there is one: a good moment to ask."""
    zone = ZoneInfo(plan.zone)
    ahead = [(instant(one.start.replace(fold=one.fold), zone), one) for one in plan.blocks if one.fixed]
    return min((pair for pair in ahead if pair[0] > now), key=lambda pair: pair[0], default=(None, None))[1]


def pace_shown(request: Request, pace: Mapping[tuple[str, Kind], int]) -> Iterator[str]:
    """What recorded minutes told, kind by kind; nothing where they were as planned."""
    exams = {exam.key: exam for exam in request.exams}
    for (key, kind), percent in sorted(pace.items()):
        if percent != 100 and key in exams:
            what = label(exams[key], kind)
            yield f"{one_line(exams[key].subject)}, {what}: {percent} % of the minutes that were planned."
