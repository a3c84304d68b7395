"""Class plans: the same topics on the same days for all students of a section; only clock times differ.

The class's plan is made once, from what all have in common: the section, shared study hours, the school's timetable. A
student's plan is that plan mended for the student's own week (:func:`calplan.replan.mend`): what has room on its day
stays there, and what has none goes to the nearest day, which is told.
"""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Any, NamedTuple

from msgspec.structs import replace

from calplan import rules
from calplan.busy import read_calendars
from calplan.carrying import ASIDE
from calplan.courses import request_of
from calplan.errors import BrokenPlan
from calplan.identities import Side, in_place_of
from calplan.laying import Topic, topic_of
from calplan.model import Role, identity
from calplan.planner import make_plan
from calplan.replan import mend
from calplan.request import from_mapping
from calplan.sentences import listed, short_day
from calplan.settling import begun
from calplan.tables import weekdays

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping
    from datetime import date, datetime

    from calplan.busy import ReadCalendars
    from calplan.checkins import Entry
    from calplan.courses import Courses, Section
    from calplan.model import Block, Plan, Request

NO_TOPIC = ASIDE | {Role.TAPER, Role.EVE}
"""What is no topic of the class's days: it goes by each student's own last days."""


class ClassPlan(NamedTuple):
    """The plan of a section, and the request that all its students have in common."""

    request: Request
    plan: Plan


def class_request(courses: Courses, course: str, section: Section) -> dict[str, Any]:
    """What all students of a section have in common, as a request is written."""
    mapping = request_of(courses, {course: section})
    if section.days:
        mapping["study_hours"] = list(on_days(mapping["study_hours"], section.days))
    return mapping


def class_plan(
    mapping: dict[str, Any],
    files: Mapping[str, bytes],
    *,
    as_of: datetime,
    seed: str,
    before: ClassPlan | None = None,
    reading: ReadCalendars = read_calendars,
) -> Plan:
    """The plan of a section; one from ``before`` is mended. Raises as :func:`calplan.planner.make_plan`."""
    request = from_mapping(mapping)
    if before is None:
        return make_plan(request, files, as_of=as_of, seed=seed, reading=reading)
    return mend(before.plan, before.request, request, files, as_of=max(as_of, before.plan.as_of), reading=reading)


def on_days(stretches: list[dict[str, object]], days: tuple[str, ...]) -> Iterator[dict[str, object]]:
    """Study hours of these days of the week alone."""
    wanted = set(weekdays(list(days)))
    for one in stretches:
        mine = [day for day in weekdays(one["days"]) if day in wanted]
        if mine:
            yield {**one, "days": [day.name.lower() for day in mine]}


def with_class(
    whole: ClassPlan,
    request: Request,
    files: Mapping[str, bytes],
    *,
    as_of: datetime,
    seed: str,
    before: Side | None = None,
    log: Iterable[Entry] = (),
    reading: ReadCalendars = read_calendars,
) -> Plan:
    """A student's plan with the class: dealt from the class's, or mended towards it where the one ``before`` has begun.

    ``log`` is what was said of its blocks; its events go on where they can. Raises as
    :func:`calplan.planner.make_plan`.
    """
    log = tuple(log)
    if before is not None and (log or has_begun(before.plan, as_of)):
        return mend(before.plan, before.request, request, files, log, as_of=as_of, lead=whole.plan, reading=reading)
    dealt = mend(whole.plan, whole.request, request, files, as_of=as_of, lead=whole.plan, reading=reading)
    plan = own(dealt, seed, as_of)
    if before is not None:
        plan = in_place_of(before, Side(plan, request), as_of)
    if faults := rules.check(request, plan):
        raise BrokenPlan(faults)
    return plan


def has_begun(plan: Plan, as_of: datetime) -> bool:
    """Whether something of a plan is over, has begun, or is held where it is."""
    return bool(plan.past) or any(block.held or begun(block, plan.zone, as_of) for block in plan.blocks)


def own(plan: Plan, seed: str, as_of: datetime) -> Plan:
    """A plan as a student's first one: its events have identities of the student's own, and count from 0."""

    def mine(block: Block) -> Block:
        return replace(block, uid=identity(seed, "with-class", block.uid), sequence=0, revised=as_of)

    exams = tuple(replace(exam, revised=None, sequence=0) for exam in plan.exams)
    blocks = tuple(sorted(map(mine, plan.blocks), key=lambda one: (one.start, one.fold, one.uid)))
    return replace(plan, seed=seed, blocks=blocks, exams=exams, retired={}, as_of=as_of)


def elsewhere(whole: ClassPlan, plan: Plan) -> str:
    """What a student does on another day than the class, in one sentence; empty where there is nothing to tell."""
    theirs, mine = days_of(whole.plan), days_of(plan)
    lost = {topic_of(task) for task in plan.tasks if task.lost}
    moved: dict[date, set[date]] = {}
    for task, days in theirs.items():
        gone, come = days - mine.get(task, Counter()), mine.get(task, Counter()) - days
        for day in gone:
            if come or task in lost:  # else the student has less of it than the others
                moved.setdefault(day, set()).update(nearest(day, come))
    told = [
        f"its work of {short_day(day)} is on {listed([short_day(one) for one in sorted(others)])}"
        if others
        else f"its work of {short_day(day)} finds no room"
        for day, others in sorted(moved.items())
    ]
    return f"Not with the class: {'; '.join(told)}." if told else ""


def nearest(day: date, days: Counter[date]) -> set[date]:
    """The nearest of some days, if there is any."""
    return {min(days, key=lambda one: (abs(one - day), one))} if days else set()


def days_of(plan: Plan) -> dict[Topic, Counter[date]]:
    """How many units of each topic lie on which day."""
    topics = {task.id: topic_of(task) for task in plan.tasks if task.role not in NO_TOPIC}
    found: dict[Topic, Counter[date]] = {}
    for day in plan.days:
        for part in day.parts:
            if part.task in topics:
                found.setdefault(topics[part.task], Counter())[day.day] += part.units
    return found
