"""One row of a roster and its courses become a plan; many do the same with the same courses.

What comes of a row does not depend on what runs it: the moment and the seed are arguments, and its ids derive from the
seed and its reference. How rows go through executors is :mod:`calplan.batches`'; what is said of one,
:mod:`calplan.outcomes`'.
"""

from __future__ import annotations

import json
from functools import lru_cache
from hashlib import sha256
from typing import TYPE_CHECKING, NamedTuple

from msgspec.structs import replace

from calplan import ical
from calplan.busy import CalendarFile, read_calendars
from calplan.checkins import entry_from_json, in_order, marks
from calplan.courses import Courses, read_courses
from calplan.differences import difference
from calplan.documents import compact
from calplan.enrolment import Asked, asked_by, by_column
from calplan.errors import BadCalendar, InvalidRequest, NoPlan, Problem
from calplan.folders import Files, common_calendars
from calplan.identities import Side
from calplan.merging import with_own
from calplan.model import Plan, plan_from_json, to_json
from calplan.outcomes import Changed, Outcome, Status, judged, with_problems
from calplan.planner import make_plan
from calplan.replan import mend
from calplan.request import from_mapping
from calplan.roster import Row, file_key
from calplan.sentences import listed
from calplan.together import ClassPlan, class_plan, class_request, elsewhere, with_class

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date, datetime

    from calplan.busy import Reading
    from calplan.checkins import Log
    from calplan.model import Request


NO_CLASS_PLAN = "there is no plan for the class:"
"""How it begins that a section has no plan; what makes it impossible follows."""


class Made(NamedTuple):
    """A row's outcome and, where there is a plan, its request as written, the plan and its calendar."""

    outcome: Outcome
    request: bytes = b""
    plan: bytes = b""
    ics: bytes = b""
    asked: bytes = b""
    """What the row asks for, as written; the request has in addition what the student changed."""


class Before(NamedTuple):
    """What an earlier run made of a reference: the outcome, the request as written, and the plan, if there was one."""

    outcome: Outcome
    request: bytes = b""
    plan: bytes = b""
    log: tuple[str, ...] = ()
    """What was said of its blocks, an entry of JSON each."""
    asked: bytes = b""
    """What its row asked for then, as written; empty where the request is just that, unchanged by the student."""
    files: tuple[tuple[str, bytes], ...] = ()
    """Calendars that the student added, by their names."""


class ClassDocument(NamedTuple):
    """The plan of a section that plans together: its request as written, and the plan as JSON; or why there is none."""

    course: str
    section: str
    request: bytes
    plan: bytes
    problem: Problem | None = None


class Run(NamedTuple):
    """What decides a run's outcomes beside its rows and files: the courses as written, the moment, and the seed.

    ``links`` go into the calendars; ``classes`` are the plans of sections that plan together (:func:`class_plans`).
    """

    courses: bytes
    as_of: datetime
    seed: str
    links: ical.Links | None = None
    classes: tuple[ClassDocument, ...] = ()


# ------------------------------------------------------------------------------------------------------ one row


def plan_row(row: Row, run: Run, files: Mapping[str, bytes], before: Before | None = None) -> Made:
    """What becomes of one row. With a plan from ``before`` it is mended, with the fewest changes.

    What the student changed in it stays: where that does not go with what is asked for now, the plan is left alone.
    """
    try:
        asked = asked_by(row, courses_of(run.courses))
    except InvalidRequest as wrong:
        return Made(with_problems(blank(row), wrong.problems))
    names = {one.file for one in asked.request.calendars}
    mine = {name: files[name] for name in sorted(names) if name in files}
    document = class_document(asked, run)
    known = about(row, asked, mine, document)
    if before is not None and before.outcome.digest == known.digest:
        return Made(replace(before.outcome, row=row.number, changed=None, same=True))
    row_asks = compact(asked.mapping)
    kept: tuple[str, ...] = ()
    if before is not None and before.asked:
        try:
            both = with_own(before.asked, before.request, asked.mapping)
            asked, kept = asked._replace(mapping=both.mapping, request=from_mapping(both.mapping)), both.kept
        except InvalidRequest as wrong:
            return Made(left_alone(row, before.outcome, wrong.problems[0]))
        mine = {**dict(before.files), **mine}
    written = compact(asked.mapping)
    try:
        whole = class_of(document) if document else None
        plan = planned(asked, run, mine, f"{run.seed}/{file_key(row.reference)}", before, whole)
    except InvalidRequest as wrong:
        return Made(with_problems(known, [by_column(row, one, asked.mapping) for one in wrong.problems]))
    except NoPlan as none:
        sentences, usual = (none.sentence, *none.reasons), asked.request.effort.usual
        unfit = replace(known, status=Status.CANNOT_FIT, sentences=sentences, ways=none.advice, usual=usual)
        return Made(unfit, request=written)
    outcome = judged(known, plan, asked.request.effort.usual, common_calendars(courses_of(run.courses)))
    if whole is not None and (apart := elsewhere(whole, plan)):
        outcome = with_warning(outcome, apart)
    if kept:
        outcome = replace(outcome, sentences=(f"{KEPT} {listed(kept)}.", *outcome.sentences))
    if before is not None and before.plan:
        outcome = replace(outcome, changed=what_changed(before, plan, asked.request, outcome.minutes))
    ics = ical.to_ics(plan, asked.request, links=run.links, marks=marks(said(before)))
    return Made(outcome, written, to_json(plan, indent=0), ics, row_asks)


def as_it_is_now(
    known: Outcome, request: Request, plan: Plan, courses: Courses, whole: ClassPlan | None = None, *, own: bool
) -> Outcome:
    """The outcome of a row whose plan was changed after it was ``known``: its figures and sentences are those of now.

    What was said of the student's own changes stays while there are any (``own``). A row that was wrong says nothing
    of the plan that it had before, and stays wrong.
    """
    if known.status is Status.WRONG:
        return known
    outcome = replace(judged(known, plan, request.effort.usual, common_calendars(courses)), changed=None)
    said_of = [one for one in known.sentences if own and one.startswith((KEPT, LEFT_ALONE))]
    apart = elsewhere(whole, plan) if whole is not None else ""
    if outcome.status is Status.PLANNED and (apart or any(one.startswith(LEFT_ALONE) for one in said_of)):
        outcome = replace(outcome, status=Status.WARNINGS)
    return replace(outcome, sentences=(*said_of, *filter(None, [apart]), *outcome.sentences))


KEPT = "Asked for otherwise now, and kept as the student has it:"
LEFT_ALONE = "What the student changed does not go with what is asked for now, so the plan stays as it is:"


def left_alone(row: Row, outcome: Outcome, problem: Problem) -> Outcome:
    """The outcome of a plan that stays, since what its student changed and what is asked for now do not go together."""
    told = tuple(one for one in outcome.sentences if not one.startswith(LEFT_ALONE))
    return with_warning(replace(outcome, row=row.number, sentences=told, changed=None), f"{LEFT_ALONE} {problem}")


def with_warning(outcome: Outcome, sentence: str) -> Outcome:
    """An outcome with a sentence before all others that somebody should look at."""
    status = Status.WARNINGS if outcome.status is Status.PLANNED else outcome.status
    return replace(outcome, status=status, sentences=(sentence, *outcome.sentences))


def planned(
    asked: Asked, run: Run, files: Mapping[str, bytes], seed: str, before: Before | None, whole: ClassPlan | None = None
) -> Plan:
    """The plan of a row: made, or mended where there was one before."""
    request, reading, as_of, old = asked.request, read_before, run.as_of, None
    if before is not None and before.plan:
        old = Side(plan_from_json(before.plan), from_mapping(json.loads(before.request)))
        as_of = max(as_of, old.plan.as_of)
    if whole is not None:
        log = said(before)
        return with_class(whole, request, files, as_of=as_of, seed=seed, before=old, log=log, reading=reading)
    if old is None:
        return make_plan(request, files, as_of=as_of, seed=seed, reading=reading)
    return mend(old.plan, old.request, request, files, said(before), as_of=as_of, reading=reading)


def class_document(asked: Asked, run: Run) -> ClassDocument | None:
    """The plan that the row's class has in common: that of its first course whose section plans together."""
    classes = {(one.course, one.section): one for one in run.classes}
    for course, section in asked.sections.items():
        if section.together and (course, section.key) in classes:
            return classes[course, section.key]
    return None


def class_of(document: ClassDocument) -> ClassPlan:
    """The plan in a document. Raises :class:`InvalidRequest` where the class has none."""
    if document.problem is not None:
        raise InvalidRequest([document.problem])
    return read_class(document.request, document.plan)


@lru_cache(maxsize=64)
def read_class(request: bytes, plan: bytes) -> ClassPlan:
    """A class's plan as it was written."""
    return ClassPlan(from_mapping(json.loads(request)), plan_from_json(plan))


def class_plans(
    run: Run, files: Files, earlier: Mapping[tuple[str, str], ClassDocument] | None = None
) -> tuple[ClassDocument, ...]:
    """The plans of all sections that plan together; those of an ``earlier`` run are mended.

    Where one cannot be made, why stands in its place, and costs the rows of its section alone.
    """
    courses, made = courses_of(run.courses), []
    common = {name: data for name in common_calendars(courses) if (data := files.get(name)) is not None}
    for course in courses.courses.values():
        for section in course.sections.values():
            if not section.together:
                continue
            known = (earlier or {}).get((course.key, section.key))
            before = read_class(known.request, known.plan) if known else None
            mapping = class_request(courses, course.key, section)
            seed = f"{run.seed}/class/{course.key}/{section.key}"
            try:
                plan = class_plan(mapping, common, as_of=run.as_of, seed=seed, before=before, reading=read_before)
            except (InvalidRequest, NoPlan) as error:
                place = f"course {course.key}, section {section.key}"
                problem = Problem(place, f"{NO_CLASS_PLAN} {error}", "Leave together out.")
                made.append(ClassDocument(course.key, section.key, b"", b"", problem))
                continue
            made.append(ClassDocument(course.key, section.key, compact(mapping), to_json(plan, indent=0)))
    return tuple(made)


def all_made(classes: tuple[ClassDocument, ...]) -> tuple[ClassDocument, ...]:
    """Some class plans. Raises :class:`InvalidRequest` where one could not be made."""
    problems = [one.problem for one in classes if one.problem is not None]
    if problems:
        raise InvalidRequest(problems)
    return classes


def said(before: Before | None) -> Log:
    """What was said of an earlier plan's blocks."""
    return in_order(map(entry_from_json, before.log)) if before is not None else ()


def what_changed(before: Before, plan: Plan, request: Request, minutes: int) -> Changed:
    """What a plan changes that takes the place of an earlier one."""
    old, old_request = plan_from_json(before.plan), from_mapping(json.loads(before.request))
    found = difference(old, old_request, plan, request)
    fullest = before.outcome.minutes, minutes
    return Changed(before=before.outcome.status, blocks=len(found.changes), lost=found.lost, fullest=fullest)


def blank(row: Row) -> Outcome:
    """The outcome of a row of which nothing is known yet."""
    digest = digest_of(row.cells, {})
    return Outcome(row=row.number, reference=row.reference, status=Status.WRONG, digest=digest, load={})


def about(row: Row, asked: Asked, files: Mapping[str, bytes], whole: ClassDocument | None) -> Outcome:
    """The outcome with what the row is about. Another plan of its class is something new for it too."""
    return replace(
        blank(row),
        courses=tuple(asked.sections),
        sections=tuple(section.key for section in asked.sections.values()),
        teachers=tuple(section.teacher for section in asked.sections.values()),
        digest=digest_of(asked.mapping, files, whole.plan if whole else b""),
    )


def digest_of(asked: object, files: Mapping[str, bytes], whole: bytes = b"") -> str:
    """A digest of what a row asks for, of the files that it names, and of its class's plan, if it has one."""
    digest = sha256(json.dumps(asked, ensure_ascii=False, sort_keys=True).encode() + whole)
    for name, data in sorted(files.items()):
        digest.update(b"\0" + name.encode() + b"\0" + sha256(data).digest())
    return digest.hexdigest()[:32]


@lru_cache(maxsize=4)
def courses_of(document: bytes) -> Courses:
    """The courses of a run, read once by each worker."""
    return read_courses(document)


def read_before(
    files: Sequence[CalendarFile], *, zone: str, first: date, last: date
) -> tuple[Reading | BadCalendar, ...]:
    """The busy times of some files; those of a school's timetable are worked out once for many rows."""
    return _read(tuple(files), zone, first, last) if files else ()


@lru_cache(maxsize=32)
def _read(files: tuple[CalendarFile, ...], zone: str, first: date, last: date) -> tuple[Reading | BadCalendar, ...]:
    return read_calendars(files, zone=zone, first=first, last=last)
