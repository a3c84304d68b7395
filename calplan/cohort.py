"""Many requests, one outcome each: rows are planned in batches on any executor, and come back in their order.

    rows → batches → executor → what came of each row

An executor is one of :mod:`concurrent.futures` (processes of this machine; a cluster that offers the same interface).
It keeps no state for us. A batch that stops its worker is tried again by itself, then row by row, so that a row that
does it costs itself alone. What comes back does not depend on what ran it: the moment and the seed are arguments, and
each row's ids derive from the seed and its reference.
"""

from __future__ import annotations

import json
import os
from collections import Counter, deque
from concurrent.futures import BrokenExecutor, CancelledError
from datetime import date
from enum import StrEnum
from functools import lru_cache
from hashlib import blake2b, sha256
from multiprocessing import parent_process
from threading import Thread
from time import perf_counter
from typing import TYPE_CHECKING, Any, NamedTuple, Protocol

from msgspec.structs import replace

from calplan import ical
from calplan.busy import CalendarFile, read_calendars
from calplan.checkins import entry_from_json, in_order, marks
from calplan.courses import Courses, read_courses
from calplan.differences import difference
from calplan.enrolment import Asked, asked_by, by_column, calendars, parts
from calplan.errors import BadCalendar, InvalidRequest, NoPlan, Problem
from calplan.model import Plan, Rank, Role, Value, plan_from_json, to_json
from calplan.planner import make_plan
from calplan.replan import mend
from calplan.request import from_mapping
from calplan.roster import Row, file_key
from calplan.sentences import shortfall_sentences, skipped_sentences, ways_out
from calplan.tables import Wrong
from calplan.together import ClassPlan, class_plan, class_request, elsewhere, with_class

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
    from concurrent.futures import Executor, Future
    from datetime import datetime

    from calplan.busy import Reading
    from calplan.checkins import Log
    from calplan.model import Request

ROWS_AT_FIRST, MOST_ROWS = 4, 200
"""Rows of a batch: at first, and at most."""
SECONDS_OF_A_BATCH = 0.3
"""The work of a batch that is aimed at: long against the cost of handing it over, short against a whole run."""
BATCHES_A_WORKER = 3
"""Batches that wait or are worked on, for each worker: so much is in memory, however long the roster is."""


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


class Made(NamedTuple):
    """A row's outcome and, where there is a plan, its request as written, the plan and its calendar."""

    outcome: Outcome
    request: bytes = b""
    plan: bytes = b""
    ics: bytes = b""
    same: bool = False
    """Whether nothing that decides the plan has changed since an earlier run, whose plan and calendar stay."""


class Files(Protocol):
    """Where calendars come from, by the names that the roster and the courses have for them."""

    def get(self, name: str) -> bytes | None:
        """The bytes of a file; ``None`` where there is none of this name."""


class Before(NamedTuple):
    """What an earlier run made of a reference: the outcome, the request as written, and the plan, if there was one."""

    outcome: Outcome
    request: bytes = b""
    plan: bytes = b""
    log: tuple[str, ...] = ()
    """What was said of its blocks, an entry of JSON each."""


class ClassDocument(NamedTuple):
    """The plan of a section that plans together: its request as written, and the plan as JSON."""

    course: str
    section: str
    request: bytes
    plan: bytes


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
    """What becomes of one row. With a plan from ``before`` it is mended, with the fewest changes."""
    blank = Outcome(
        row=row.number, reference=row.reference, status=Status.WRONG, digest=digest_of(row.cells, {}), load={}
    )
    try:
        asked = asked_by(row, courses_of(run.courses))
    except InvalidRequest as wrong:
        return Made(with_problems(blank, wrong.problems))
    names = {one.file for one in asked.request.calendars}
    mine = {name: files[name] for name in sorted(names) if name in files}
    known = about(blank, asked, mine)
    if before is not None and before.outcome.digest == known.digest:
        return Made(replace(before.outcome, row=row.number, changed=None, same=True), same=True)
    written = as_json(asked.mapping)
    try:
        whole = class_of(asked, run)
        plan = planned(asked, run, mine, f"{run.seed}/{file_key(row.reference)}", before, whole)
    except InvalidRequest as wrong:
        return Made(with_problems(known, [by_column(row, one, asked.mapping) for one in wrong.problems]))
    except NoPlan as none:
        found = {"sentences": (none.sentence, *none.reasons), "ways": none.advice, "usual": asked.request.effort.usual}
        return Made(Outcome(**{**fields(known), "status": Status.CANNOT_FIT, **found}), request=written)
    outcome = judged(known, plan, asked.request.effort.usual, common_calendars(courses_of(run.courses)))
    if whole is not None and (apart := elsewhere(whole, plan)):
        status = Status.WARNINGS if outcome.status is Status.PLANNED else outcome.status
        outcome = replace(outcome, status=status, sentences=(apart, *outcome.sentences))
    if before is not None and before.plan:
        outcome = replace(outcome, changed=what_changed(before, plan, asked.request, outcome.minutes))
    ics = ical.to_ics(plan, asked.request, links=run.links, marks=marks(said(before)))
    return Made(outcome, written, to_json(plan, indent=0), ics)


def planned(
    asked: Asked, run: Run, files: Mapping[str, bytes], seed: str, before: Before | None, whole: ClassPlan | None = None
) -> Plan:
    """The plan of a row: made, or mended where there was one before."""
    if before is None or not before.plan:
        if whole is not None:
            return with_class(whole, asked.request, files, as_of=run.as_of, seed=seed, reading=read_before)
        return make_plan(asked.request, files, as_of=run.as_of, seed=seed, reading=read_before)
    old, old_request = plan_from_json(before.plan), from_mapping(json.loads(before.request))
    as_of = max(run.as_of, old.as_of)
    return mend(old, old_request, asked.request, files, said(before), as_of=as_of, reading=read_before)


def class_of(asked: Asked, run: Run) -> ClassPlan | None:
    """The plan that the row's class has in common: that of its first course whose section plans together."""
    classes = {(one.course, one.section): one for one in run.classes}
    for course, section in asked.sections.items():
        if section.together and (course, section.key) in classes:
            found = classes[course, section.key]
            return read_class(found.request, found.plan)
    return None


@lru_cache(maxsize=64)
def read_class(request: bytes, plan: bytes) -> ClassPlan:
    """A class's plan as it was written."""
    return ClassPlan(from_mapping(json.loads(request)), plan_from_json(plan))


def class_plans(
    run: Run, files: Files, earlier: Mapping[tuple[str, str], ClassDocument] | None = None
) -> tuple[ClassDocument, ...]:
    """The plans of all sections that plan together; those of an ``earlier`` run are mended.

    Raises :class:`InvalidRequest` where one cannot be made.
    """
    courses, made, problems = courses_of(run.courses), [], []
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
                problems.append(Problem(place, f"there is no plan for the class: {error}", "Leave together out."))
                continue
            made.append(ClassDocument(course.key, section.key, as_json(mapping), to_json(plan, indent=0)))
    if problems:
        raise InvalidRequest(problems)
    return tuple(made)


def as_json(value: object) -> bytes:
    """A value as compact JSON."""
    return json.dumps(value, ensure_ascii=False, separators=(",", ":")).encode()


def said(before: Before | None) -> Log:
    """What was said of an earlier plan's blocks."""
    return in_order(map(entry_from_json, before.log)) if before is not None else ()


def what_changed(before: Before, plan: Plan, request: Request, minutes: int) -> Changed:
    """What a plan changes that takes the place of an earlier one."""
    old, old_request = plan_from_json(before.plan), from_mapping(json.loads(before.request))
    found = difference(old, old_request, plan, request)
    fullest = before.outcome.minutes, minutes
    return Changed(before=before.outcome.status, blocks=len(found.changes), lost=found.lost, fullest=fullest)


def about(blank: Outcome, asked: Asked, files: Mapping[str, bytes]) -> Outcome:
    """The outcome with what the row is about."""
    found = {
        "courses": tuple(asked.sections),
        "sections": tuple(section.key for section in asked.sections.values()),
        "teachers": tuple(section.teacher for section in asked.sections.values()),
        "digest": digest_of(asked.mapping, files),
    }
    return Outcome(**{**fields(blank), **found})


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
    found = {
        "status": status,
        "sentences": sentences,
        "ways": ways,
        "blocks": sum(not block.fixed for block in plan.blocks),
        "minutes": max(beside.values(), default=0),
        "usual": usual,
        "work": sum(load.values()),
        "load": dict(sorted(load.items())),
    }
    return Outcome(**{**fields(known), **found})


def with_problems(known: Outcome, problems: Iterable[Problem]) -> Outcome:
    """The outcome of a row that is wrong."""
    return Outcome(**{**fields(known), "sentences": tuple(map(str, problems))})


def fields(outcome: Outcome) -> dict[str, Any]:
    """An outcome's values by name."""
    return {name: getattr(outcome, name) for name in outcome.__struct_fields__}


def digest_of(asked: object, files: Mapping[str, bytes]) -> str:
    """A digest of what a row asks for and of the files that it names."""
    digest = sha256(json.dumps(asked, ensure_ascii=False, sort_keys=True).encode())
    for name, data in sorted(files.items()):
        digest.update(b"\0" + name.encode() + b"\0" + sha256(data).digest())
    return digest.hexdigest()[:32]


@lru_cache(maxsize=4)
def courses_of(document: bytes) -> Courses:
    """The courses of a run, read once by each worker."""
    return read_courses(document)


def common_calendars(courses: Courses) -> tuple[str, ...]:
    """The names of the calendars that hold for all rows without their own, such as the school's timetable."""
    return tuple(str(one["file"]) for one in courses.base.get("calendar", ()))


def doubts(courses: Courses, files: Files, as_of: datetime) -> tuple[str, ...]:
    """What is doubtful about the common calendars. Raises :class:`InvalidRequest` where one cannot be had or read."""
    found: list[str] = []
    problems: list[Problem] = []
    for one in courses.base.get("calendar", ()):
        data = files.get(one["file"])
        if data is None:
            problems.append(Problem(f"calendar {one['file']}", "there is no such file.", "Put it with the others."))
            continue
        file = CalendarFile(
            data=data, name=one["file"], all_day=bool(one.get("all_day")), only=tuple(one.get("only", ()))
        )
        days = [
            section.exam["start"][:10] for course in courses.courses.values() for section in course.sections.values()
        ]
        last = max(as_of.date(), max(map(date.fromisoformat, days)))
        (read,) = read_calendars((file,), zone=courses.base.get("zone", "UTC"), first=as_of.date(), last=last)
        if isinstance(read, BadCalendar):
            problems.append(read.problem)
        else:
            found += skipped_sentences(read.skipped)
    if problems:
        raise InvalidRequest(problems)
    return tuple(found)


def read_before(
    files: Sequence[CalendarFile], *, zone: str, first: date, last: date
) -> tuple[Reading | BadCalendar, ...]:
    """The busy times of some files; those of a school's timetable are worked out once for many rows."""
    return _read(tuple(files), zone, first, last) if files else ()


@lru_cache(maxsize=32)
def _read(files: tuple[CalendarFile, ...], zone: str, first: date, last: date) -> tuple[Reading | BadCalendar, ...]:
    return read_calendars(files, zone=zone, first=first, last=last)


# ----------------------------------------------------------------------------------------------------- a batch


class Batch(NamedTuple):
    """Rows with all that is needed to plan them, for a worker that knows nothing."""

    run: Run
    rows: tuple[Row, ...]
    files: dict[str, bytes]
    before: dict[int, Before]


class Answer(NamedTuple):
    """What became of a batch, and how long the worker took."""

    made: tuple[Made, ...]
    seconds: float


def plan_batch(batch: Batch) -> Answer:
    """What becomes of the rows of a batch; runs in a worker. What fails by our own fault costs its row alone."""
    begin = perf_counter()
    made: list[Made] = []
    for row in batch.rows:
        try:
            made.append(plan_row(row, batch.run, batch.files, batch.before.get(row.number)))
        except Exception as error:
            made.append(failed(row, f"Planning this row failed by a fault of calplan ({type(error).__name__})."))
    return Answer(tuple(made), perf_counter() - begin)


def end_with_parent() -> None:
    """Begins a process of ours: it ends when the one that started it does, even if that one was killed."""
    parent = parent_process()

    def wait() -> None:
        if parent is not None:
            parent.join()
            os._exit(1)

    Thread(target=wait, daemon=True).start()


def failed(row: Row, sentence: str = "Planning this row ended the process that did it, twice.") -> Made:
    """What is said of a row that ended its worker again and again, or failed by a fault of ours."""
    problem = Problem(f"row {row.number}", sentence, "Please report it, with the row.")
    digest = digest_of(row.cells, {})
    blank = Outcome(row=row.number, reference=row.reference, status=Status.WRONG, digest=digest, load={})
    return Made(with_problems(blank, [problem]))


# ------------------------------------------------------------------------------------------------------ a run


def distinct(rows: Iterable[Row]) -> Iterator[Row]:
    """The rows, of which each but the first with a reference is wrong. Eight bytes are kept of each reference."""
    seen: dict[int, int] = {}
    for row in rows:
        if row.reference:
            key = int.from_bytes(blake2b(file_key(row.reference).encode(), digest_size=8).digest(), "big")
            first = seen.setdefault(key, row.number)
            if first != row.number:
                sentence = f"row {first} has this reference already."
                problem = Problem(f"row {row.number}, column reference", sentence, "Give each student one row.")
                yield Row(number=row.number, cells=row.cells, problems=(*row.problems, problem))
                continue
        yield row


def run_rows(
    rows: Iterable[Row],
    run: Run,
    files: Files,
    executor: Callable[[], Executor],
    *,
    workers: int,
    before: Callable[[Row], Before | None] = lambda row: None,
) -> Iterator[Made]:
    """What becomes of each row, in their order.

    ``executor`` makes one, and another where the first breaks; ``workers`` says how many rows to keep it busy with.
    Rows are taken as they are needed, so the roster may be longer than memory.
    """
    with Line(executor, workers) as line:
        source = iter(rows)
        while True:
            while line.has_room and (taken := take(source, line.rows_a_batch)):
                line.add(batch_of(taken, run, files, before))
            if line.empty:
                return
            yield from line.next()


def take(source: Iterator[Row], most: int) -> tuple[Row, ...]:
    """The next rows, so many at most."""
    return tuple(row for _, row in zip(range(most), source, strict=False))


def batch_of(rows: Sequence[Row], run: Run, files: Files, before: Callable[[Row], Before | None]) -> Batch:
    """The rows with the files that they name and with their earlier plans."""
    names = names_of(rows, courses_of(run.courses))
    found = {name: data for name in sorted(names) if (data := files.get(name)) is not None}
    earlier = {row.number: known for row in rows if not row.problems and (known := before(row)) is not None}
    return Batch(run._replace(classes=classes_for(rows, run)), tuple(rows), found, earlier)


def classes_for(rows: Sequence[Row], run: Run) -> tuple[ClassDocument, ...]:
    """The class plans that concern some rows."""
    courses = {key for row in rows for key in parts(row.cells.get("course", ""))}
    return tuple(one for one in run.classes if one.course in courses)


def names_of(rows: Iterable[Row], courses: Courses) -> set[str]:
    """The names of the calendars that rows and courses speak of."""
    names = set(common_calendars(courses))
    for row in rows:
        if "calendar" in row.cells:
            try:
                names |= {one["file"] for one in calendars(row.cells["calendar"])}
            except Wrong:
                continue  # told with the row
    return names


class Line:
    """Batches on their way through an executor, in order."""

    def __init__(self, executor: Callable[[], Executor], workers: int) -> None:
        self.make, self.workers = executor, workers
        self.executor: Executor | None = None
        self.waiting: deque[tuple[Batch, Future[Answer]]] = deque()
        self.rows_a_batch = ROWS_AT_FIRST

    def __enter__(self) -> Line:
        self.executor = self.make()
        return self

    def __exit__(self, *error: object) -> None:
        if self.executor is not None:
            self.executor.shutdown(wait=True, cancel_futures=True)

    @property
    def empty(self) -> bool:
        """Whether nothing is on its way."""
        return not self.waiting

    @property
    def has_room(self) -> bool:
        """Whether more should be on its way."""
        return len(self.waiting) < BATCHES_A_WORKER * self.workers

    def add(self, batch: Batch) -> None:
        """Sends a batch on its way."""
        self.waiting.append((batch, self.submit(batch)))

    def submit(self, batch: Batch) -> Future[Answer]:
        if self.executor is None:
            self.executor = self.make()
        try:
            return self.executor.submit(plan_batch, batch)
        except BrokenExecutor:
            self.renew()
            return self.executor.submit(plan_batch, batch)

    def renew(self) -> None:
        """Another executor in the place of one that is broken."""
        if self.executor is not None:
            self.executor.shutdown(wait=False, cancel_futures=True)
        self.executor = self.make()

    def next(self) -> tuple[Made, ...]:
        """What became of the batch that was sent first."""
        batch, future = self.waiting.popleft()
        try:
            answer = future.result()
        except Exception as error:
            if not ended(error):
                raise
            return self.again(batch)
        self.learn(answer, len(batch.rows))
        return answer.made

    def learn(self, answer: Answer, rows: int) -> None:
        """Sets the rows of the next batches by how long this one took."""
        wanted = round(rows * SECONDS_OF_A_BATCH / max(answer.seconds, 0.001))
        self.rows_a_batch = max(1, min(MOST_ROWS, wanted, 2 * self.rows_a_batch))

    def again(self, batch: Batch) -> tuple[Made, ...]:
        """Tries a batch whose worker ended by itself, then row by row; those behind it are sent again after it."""
        self.renew()
        behind, self.waiting = [one for one, _ in self.waiting], deque()
        made: list[Made] = []
        answer = self.alone(batch)
        if answer is not None:
            made += answer.made
        else:
            for row in batch.rows:
                single = self.alone(batch._replace(rows=(row,)))
                made += single.made if single is not None else (failed(row),)
        for one in behind:
            self.add(one)
        return tuple(made)

    def alone(self, batch: Batch) -> Answer | None:
        """What becomes of a batch with nothing beside it; ``None`` where its worker ends."""
        try:
            return self.submit(batch).result()
        except Exception as error:
            if not ended(error):
                raise
            self.renew()
            return None


def ended(error: Exception) -> bool:
    """Whether an error says that a worker ended, in the words of concurrent.futures or of dask.distributed."""
    lost = ("KilledWorker", "CommClosedError")
    return isinstance(error, BrokenExecutor | CancelledError) or type(error).__name__ in lost
