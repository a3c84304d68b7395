"""The ask list on a page of its own: what to take to a teacher or a tutor, and where to write the answer.

It has the problems that went wrong three times and are open, and the materials whose answers are missing, exam by exam
in the order of the request, each with the next appointment at which to ask. Knows no Flask.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple
from zoneinfo import ZoneInfo

from calplan.cycle import unanswered
from calplan.sentences import short_day
from calplan.spans import instant
from calplan.wording import one_line

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import datetime

    from calplan.learned import FlagState, Known
    from calplan.model import Appointment, Exam, Request


class Question(NamedTuple):
    """A line of the list: the material, what to ask about it, and what was tried."""

    material: str
    about: str
    tried: str


class Asking(NamedTuple):
    """What to ask for an exam, and the next appointment for it, which has not begun (``None``: there is none)."""

    subject: str
    questions: tuple[Question, ...]
    appointment: Appointment | None


def ask_list(request: Request, told: Known, *, zone: str, now: datetime) -> tuple[Asking, ...]:
    """The list by exam; exams of which nothing is to be asked are left out. ``zone`` is the plan's."""
    every = (
        Asking(one_line(exam.subject), tuple(questions(exam, told)), appointment_for(request, exam, zone, now))
        for exam in request.exams
    )
    return tuple(one for one in every if one.questions)


def questions(exam: Exam, told: Known) -> Iterator[Question]:
    """Material by material: missing answers first, since with them a problem may come right alone."""
    for material in exam.materials:
        title = one_line(material.title)
        if unanswered(material):
            yield Question(title, "The answers", "It cannot be checked: its answers are missing.")
        for flag in told.open_flags(exam.key, material=material.key):
            if flag.asked:
                yield Question(title, f"Problem {one_line(flag.problem)}", tried(flag))


def tried(flag: FlagState) -> str:
    """What was tried on a problem, and how much it matters."""
    matters = "a must" if flag.importance == 1 else "a should"
    return f"Went wrong {flag.tries} times, last on {short_day(flag.since)}; {matters}."


def appointment_for(request: Request, exam: Exam, zone: str, now: datetime) -> Appointment | None:
    """The first appointment for an exam, or for no exam in particular, that has not begun."""
    ahead = [
        (instant(one.start, ZoneInfo(zone)), one.title, one)
        for one in request.appointments
        if one.exam in (None, exam.key)
    ]
    return min((one for one in ahead if one[0] > now), key=lambda one: one[:2], default=(None, None, None))[2]
