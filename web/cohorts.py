"""What happens to a cohort: a roster is taken in, its rows are planned, and each outcome is kept. Knows no Flask.

Taking in stores every row at once, those that are wrong too; planning goes through the rows that wait, and can be cut
at any time: what is kept is kept, and what waits goes on waiting. Each row's plan is a plan like any other, with
addresses of its own.
"""

from __future__ import annotations

import io
from datetime import date
from typing import IO, TYPE_CHECKING, Any, NamedTuple

import msgspec

from calplan.acts import Ease, eased, sitting
from calplan.batches import run_rows
from calplan.cohort import Before, ClassDocument, Made, Run, all_made, class_plans, courses_of
from calplan.courses import Courses, read_courses
from calplan.errors import InvalidRequest, Problem
from calplan.folders import Archive, doubts, names_of
from calplan.model import plan_from_json
from calplan.outcomes import Outcome, Status
from calplan.request import from_mapping
from calplan.roster import Row, distinct, file_key, read_roster, separator_of, wrong_reference
from web import plans, store, store_cohorts
from web.powers import new_id
from web.store_cohorts import Cohort, Member

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator
    from concurrent.futures import Executor
    from datetime import datetime

    from sqlalchemy import Connection, Engine

    from calplan.folders import Files
    from calplan.model import Plan, Request
    from web.service import Service

MOST_CALENDARS_BYTES = 100_000_000
"""Bytes that all calendars of a cohort may have together."""
LOT = 10
"""Outcomes that are written at once."""


class Papers(NamedTuple):
    """What a cohort is made from: courses and roster with their files' names, and the calendars as a ZIP archive.

    Without a roster, the rows that the cohort has are meant.
    """

    courses: bytes
    courses_name: str
    roster: bytes | None
    roster_name: str
    calendars: IO[bytes] | None = None


class Taken(NamedTuple):
    """What was handed in, read: the courses, the rows as members, and the calendars that they name."""

    courses: Courses
    document: bytes
    members: tuple[Member, ...]
    files: dict[str, bytes]
    doubts: tuple[str, ...]
    ends: date
    separator: str = ","
    own_rows: bool = False
    """Whether the members are those that the cohort had, since no roster was handed in."""


# ------------------------------------------------------------------------------------------------------- taking in


def take_in(papers: Papers, *, most: int, now: datetime, known: Kept | Files | None = None) -> Taken:
    """Reads what was handed in. Raises :class:`InvalidRequest` with all that makes it unusable as a whole.

    What is wrong with a single row is no such thing: it is told with the row. ``known`` has calendars from before, and
    where it is the cohort's, its rows stand in the place of a roster that was not handed in.
    """
    problems: list[Problem] = []
    courses = rows = None
    try:
        courses = read_courses(papers.courses, name=papers.courses_name)
    except InvalidRequest as wrong:
        problems += [in_file(papers.courses_name, one) for one in wrong.problems]
    separator = ","
    try:
        if papers.roster is None and isinstance(known, Kept):
            rows, separator = known.rows(), known.separator()
        else:
            rows, separator = rows_of(papers, most), separator_of(io.BytesIO(papers.roster or b""))
    except InvalidRequest as wrong:
        problems += wrong.problems
    files: dict[str, bytes] = {}
    told: tuple[str, ...] = ()
    if courses is not None and rows is not None:
        try:
            found = Either(Archive(papers.calendars) if papers.calendars else None, known)
            files = calendars_of(rows, courses, found)
            told = doubts(courses, found, now)
        except InvalidRequest as wrong:
            problems += wrong.problems
    if problems or courses is None or rows is None:
        raise InvalidRequest(problems)
    members, own = tuple(map(member_of, rows)), papers.roster is None
    return Taken(courses, papers.courses, members, files, told, last_day(courses), separator, own)


def rows_of(papers: Papers, most: int) -> tuple[Row, ...]:
    """The rows of a roster that was handed in. Raises :class:`InvalidRequest` where there are none, or too many."""
    rows = tuple(row for row, _ in zip(distinct(roster_of(papers)), range(most + 1), strict=False))
    problems = []
    if len(rows) > most:
        sentence = f"the roster has more than {most:,} rows."
        problems.append(Problem(papers.roster_name, sentence, "Upload it in parts, or ask the operator."))
    if not rows:
        problems.append(Problem(papers.roster_name, "the roster has no rows.", "Add a row for each student."))
    if problems:
        raise InvalidRequest(problems)
    return rows


def in_file(name: str, problem: Problem) -> Problem:
    """The problem with the file's name before its place: two files are handed in at once."""
    if problem.place.startswith(name):
        return problem
    return Problem(f"{name}, {problem.place}", problem.sentence, problem.remedy)


def roster_of(papers: Papers) -> Iterator[Row]:
    """The rows that were handed in."""
    return read_roster(io.BytesIO(papers.roster or b""), name=papers.roster_name)


class Either:
    """Calendars from an archive, else from before."""

    def __init__(self, archive: Files | None, known: Files | None) -> None:
        self.sources = [one for one in (archive, known) if one is not None]

    def get(self, name: str) -> bytes | None:
        """The bytes of a file, from the first that has it."""
        return next((data for one in self.sources if (data := one.get(name)) is not None), None)


def calendars_of(rows: Iterable[Row], courses: Courses, found: Files) -> dict[str, bytes]:
    """The calendars that the rows and the courses name, as far as they are there."""
    files: dict[str, bytes] = {}
    size = 0
    for name in sorted(names_of(rows, courses)):
        data = found.get(name)
        if data is None:
            continue
        size += len(data)
        if size > MOST_CALENDARS_BYTES or len(name) > store.NAME_LENGTH:
            sentence = (
                f"the calendars have more than {MOST_CALENDARS_BYTES:,} bytes together, or names that are too long."
            )
            raise InvalidRequest([Problem("calendars", sentence, "Leave out what nobody needs.")])
        files[name] = data
    return files


def member_of(row: Row) -> Member:
    """A row as a member that waits."""
    return Member(key_of(row), row.number, msgspec.json.encode(row).decode(), store_cohorts.WAITING, "", "", None)


def key_of(row: Row) -> str:
    """What tells a member from the others: its reference, or its row where that is none, or stands twice."""
    bad = not row.reference or row.problems or wrong_reference(row.reference)
    return f"#{row.number}" if bad else file_key(row.reference)


def last_day(courses: Courses) -> date:
    """The day of the last exam of all sections, on the wall clock of its place."""
    written = [
        section.exam.get("latest") or section.exam["start"][:10]
        for course in courses.courses.values()
        for section in course.sections.values()
    ]
    return max(date.fromisoformat(one) for one in written)


def keep(service: Service, connection: Connection, title: str, taken: Taken) -> Cohort:
    """Stores a new cohort; all its rows wait."""
    now = service.clock()
    cohort = Cohort(
        id=new_id(service.entropy),
        generation=store.FIRST_GENERATION,
        title=title,
        seed=service.entropy(16).hex(),
        courses=taken.document,
        doubts="\n".join(taken.doubts),
        as_of=now,
        created=now,
        changed=now,
        ends=taken.ends,
        separator=taken.separator,
    )
    store_cohorts.create(connection, cohort, taken.files.items(), taken.members)
    return cohort


# ------------------------------------------------------------------------------------------------- uploaded again


class Again(NamedTuple):
    """What a roster that is uploaded again changes, by references.

    ``own`` are students who changed their plan themselves: what they changed stays. ``deleted`` are those who deleted
    theirs, and ``vanished`` are no longer in the roster.
    """

    changed: tuple[str, ...]
    added: tuple[str, ...]
    own: tuple[str, ...]
    deleted: tuple[str, ...]
    vanished: tuple[str, ...]


def again(service: Service, connection: Connection, cohort: Cohort, taken: Taken) -> Again:
    """Puts another roster, or other courses, in the place of a cohort's. What changed waits to be planned again.

    A row is planned again where it, or its course, is written otherwise; whoever's plan would come out the same keeps
    it to the byte (:func:`calplan.cohort.plan_row` compares what the two ask for). Where no roster was handed in, the
    rows are those that the cohort has by now.
    """
    now = service.clock()
    store_cohorts.lock(connection, cohort.id)
    old = {one.key: one for one in store_cohorts.every(connection, cohort.id)}
    if taken.own_rows:
        members = tuple(member_of(row_of(one)) for one in old.values() if one.number)
        taken = taken._replace(members=members, separator=cohort.separator)
    theirs = store_cohorts.changed(connection, cohort.id)
    same_courses = cohort.courses == taken.document and not new_files(connection, cohort.id, taken.files)
    changed, added, own, deleted = [], [], [], []
    for one in taken.members:
        known = old.get(one.key)
        if known is None:
            added.append(one)
        elif deleted_by_student(connection, known):
            store_cohorts.renumber(connection, cohort.id, one.key, one.number)
            deleted.append(one.key)
        elif same_courses and same_row(known.cells, one.cells):
            store_cohorts.renumber(connection, cohort.id, one.key, one.number)
        else:
            store_cohorts.wait_again(connection, cohort.id, one.key, number=one.number, cells=one.cells)
            changed.append(one.key)
            if one.key in theirs:
                own.append(one.key)
    there = {one.key for one in taken.members}
    vanished = []
    for key in old:
        if key in there:
            continue
        if old[key].plan_id is not None:
            vanished.append(key)
        if old[key].plan_id is None:
            store_cohorts.remove(connection, cohort.id, key)
        else:
            store_cohorts.renumber(connection, cohort.id, key, 0)
    store_cohorts.add(connection, cohort.id, added)
    store_cohorts.put_files(connection, cohort.id, taken.files.items())
    store_cohorts.change(
        connection,
        cohort._replace(
            courses=taken.document,
            doubts="\n".join(taken.doubts),
            as_of=now,
            changed=now,
            ends=taken.ends,
            separator=taken.separator,
        ),
    )
    names = {one.key: reference_of(one) for one in (*old.values(), *taken.members)}
    return Again(
        tuple(names[key] for key in changed),
        tuple(names[one.key] for one in added),
        tuple(names[key] for key in own),
        tuple(names[key] for key in deleted),
        tuple(names[key] for key in vanished),
    )


def vanished(connection: Connection, cohort_id: str) -> tuple[Member, ...]:
    """The members that are no longer in the roster."""
    return tuple(one for one in store_cohorts.every(connection, cohort_id) if not one.number)


def reference_of(member: Member) -> str:
    """A member's reference as written, or its row."""
    row = msgspec.json.decode(member.cells, type=Row)
    return row.reference or f"row {row.number}"


def new_files(connection: Connection, cohort_id: str, files: dict[str, bytes]) -> bool:
    """Whether a calendar is another than before."""
    return any(store_cohorts.file(connection, cohort_id, name) != data for name, data in files.items())


def same_row(one: str, other: str) -> bool:
    """Whether two rows say the same, wherever they stand."""
    first, second = (msgspec.json.decode(text, type=Row) for text in (one, other))
    return (first.cells, bool(first.problems)) == (second.cells, bool(second.problems))


def deleted_by_student(connection: Connection, member: Member) -> bool:
    """Whether a member had a plan that is there no longer: its student has deleted it."""
    had = bool(member.document and member.outcome) and outcome_of(member).blocks > 0
    return had and (member.plan_id is None or store.find(connection, member.plan_id) is None)


# -------------------------------------------------------------------------------------------------------- planning


def outcome_of(member: Member) -> Outcome:
    """What became of a member, with its plan as it is now; where it waits for the first time, nothing yet."""
    if member.outcome:
        return msgspec.json.decode(member.own or member.outcome, type=Outcome)
    row = msgspec.json.decode(member.cells, type=Row)
    return Outcome(row=row.number, reference=row.reference, status=Status.WRONG, load={})


class Kept:
    """A cohort's files, as :class:`calplan.folders.Files`, and its rows."""

    def __init__(self, engine: Engine, cohort_id: str) -> None:
        self.engine, self.cohort_id = engine, cohort_id

    def get(self, name: str) -> bytes | None:
        """The bytes of a file of the cohort."""
        with store.reading(self.engine) as connection:
            return store_cohorts.file(connection, self.cohort_id, name)

    def rows(self) -> tuple[Row, ...]:
        """The rows that are in the roster."""
        with store.reading(self.engine) as connection:
            return tuple(row_of(one) for one in store_cohorts.every(connection, self.cohort_id) if one.number)

    def separator(self) -> str:
        """What stands between the cells of the roster."""
        with store.reading(self.engine) as connection:
            cohort = store_cohorts.find(connection, self.cohort_id)
            return cohort.separator if cohort else ","


def plan_waiting(
    service: Service,
    cohort_id: str,
    executor: Callable[[], Executor],
    *,
    workers: int,
    stopped: Callable[[], bool] = lambda: False,
    told: Callable[[int], None] = lambda number: None,
) -> int:
    """Plans the members of a cohort that wait, until none does or it is ``stopped``; gives how many were planned.

    Ends early, and gives what was done until then, where another roster is handed in meanwhile: what that one has
    waiting is for the next call. ``told`` is given the number of outcomes whenever some are written.
    """
    with store.reading(service.engine) as connection:
        cohort = store_cohorts.find(connection, cohort_id)
    if cohort is None:
        return 0
    run = Run(cohort.courses, cohort.as_of, cohort.seed, plans.placeholder_links(service))
    run = run._replace(classes=with_classes(service, cohort, run))
    asked: dict[int, Member] = {}
    rows = waiting_rows(service, cohort, asked, stopped)
    seen: dict[int, str] = {}

    def before(row: Row) -> Before | None:
        found = before_of(service, cohort_id, asked[row.number].key)
        seen[row.number] = found.request.decode() if found else ""
        return found

    number = 0
    lot: list[Made] = []

    def keep_lot() -> None:
        nonlocal number
        write(service, cohort, lot, asked, seen)
        number += len(lot)
        told(len(lot))
        lot.clear()

    for made in run_rows(rows, run, Kept(service.engine, cohort_id), executor, workers=workers, before=before):
        lot.append(made)
        if len(lot) == LOT:
            keep_lot()
    if lot:
        keep_lot()
    return number


def with_classes(service: Service, cohort: Cohort, run: Run) -> tuple[ClassDocument, ...]:
    """The plans of sections that plan together, made or mended, and kept as plans with calendars of their own."""
    with store.reading(service.engine) as connection:
        earlier = class_documents(connection, cohort.id)
    made = class_plans(run, Kept(service.engine, cohort.id), earlier)
    with store.writing(service.engine) as connection:
        known = store_cohorts.classes(connection, cohort.id)
        for one in made:
            if (
                one.problem is not None
                or earlier.get((one.course, one.section)) == one
                or store_cohorts.find(connection, cohort.id) is None
            ):
                continue
            found = answered(connection, cohort.id, one.request, one.plan)
            plan_id = known.get((one.course, one.section))
            if plan_id is None:
                new = plans.keep(service, connection, *found, for_all=True)
                store_cohorts.add_class(connection, cohort.id, one.course, one.section, new.id)
            elif (kept := store.find(connection, plan_id)) is not None:
                change_plan(service, connection, kept, found)
    return made


def same_run(one: Cohort, other: Cohort | None) -> bool:
    """Whether nothing that decides plans has changed in a cohort."""
    return other is not None and (one.courses, one.as_of) == (other.courses, other.as_of)


def waiting_rows(
    service: Service, cohort: Cohort, asked: dict[int, Member], stopped: Callable[[], bool]
) -> Iterator[Row]:
    """The rows that wait, a few hundred in memory at a time; ``asked`` learns whose they are.

    There are no more of them once another roster is handed in.
    """
    after = 0
    while not stopped():
        with store.reading(service.engine) as connection:
            if not same_run(cohort, store_cohorts.find(connection, cohort.id)):
                return
            found = store_cohorts.waiting(connection, cohort.id, 200, after)
        for member in found:
            if stopped():
                return
            after = member.number
            asked[after] = member
            yield row_of(member)
        if not found:
            return


def row_of(member: Member) -> Row:
    """A member's row as it was read, in its present place."""
    return msgspec.structs.replace(msgspec.json.decode(member.cells, type=Row), number=member.number)


def before_of(service: Service, cohort_id: str, key: str) -> Before | None:
    """What a member had before it was to be planned again."""
    with store.reading(service.engine) as connection:
        member = store_cohorts.member(connection, cohort_id, key)
        if member is None or not member.outcome:
            return None
        kept = store.find(connection, member.plan_id) if member.plan_id else None
        if kept is None:
            return Before(outcome_of(member))
        entries = store.entries(connection, kept.id)
        if kept.document == member.document:
            return Before(outcome_of(member), kept.document.encode(), kept.plan, entries)
        own = tuple((one.name, one.data) for one in store.calendars(connection, kept.id).values())
        document, asked = kept.document.encode(), member.document.encode()
        return Before(outcome_of(member), document, kept.plan, entries, asked, own)


def write(service: Service, cohort: Cohort, lot: list[Made], asked: dict[int, Member], seen: dict[int, str]) -> None:
    """Keeps outcomes, all of them or none: none where another roster was handed in since they were asked for.

    ``seen`` has the requests of the plans that were there when they were.
    """
    with store.writing(service.engine) as connection:
        if not store_cohorts.lock(connection, cohort.id) or not same_run(
            cohort, store_cohorts.find(connection, cohort.id)
        ):
            return
        for made in lot:
            number = made.outcome.row
            write_one(service, connection, cohort.id, asked.pop(number), made, seen.pop(number, ""))


def write_one(service: Service, connection: Connection, cohort_id: str, asked: Member, made: Made, seen: str) -> None:
    """Keeps what became of a member, and its plan. One whose student changed the plan meanwhile goes on waiting."""
    key = asked.key
    member = store_cohorts.member(connection, cohort_id, key)
    if member is None or member.status != store_cohorts.WAITING or member.cells != asked.cells:
        return
    document, plan_id = member.document, member.plan_id
    if made.plan:
        document = made.asked.decode()
        found = answered(connection, cohort_id, made.request, made.plan)
        if plan_id is None:
            plan_id = plans.keep(service, connection, *found, body=made.ics).id
        elif (kept := store.find(connection, plan_id)) is not None:
            if kept.document != seen:
                return
            own = {name: one.data for name, one in store.calendars(connection, plan_id).items()}
            named = {one.file for one in found.request.calendars}
            own = {name: data for name, data in own.items() if name in named}
            change_plan(service, connection, kept, found._replace(calendars={**own, **found.calendars}))
    outcome = msgspec.json.encode(made.outcome).decode()
    store_cohorts.done(
        connection, cohort_id, key, status=str(made.outcome.status), outcome=outcome, document=document, plan_id=plan_id
    )


class Answered(NamedTuple):
    """A request as written and as read, its plan, and the calendars that it names, for :mod:`web.plans`."""

    mapping: dict[str, Any]
    request: Request
    plan: Plan
    calendars: dict[str, bytes]


def answered(connection: Connection, cohort_id: str, request: bytes, plan: bytes) -> Answered:
    """What was planned for a cohort, read, with the calendars as far as they are there."""
    mapping = msgspec.json.decode(request)
    asked = from_mapping(mapping)
    named = {one.file: store_cohorts.file(connection, cohort_id, one.file) for one in asked.calendars}
    return Answered(
        mapping, asked, plan_from_json(plan), {name: data for name, data in named.items() if data is not None}
    )


def change_plan(service: Service, connection: Connection, kept: store.Kept, found: Answered) -> None:
    """Puts a plan in the place of one that is kept."""
    fresh = {name: store.Upload(name, data, service.clock()) for name, data in found.calendars.items()}
    old = plans.with_log(connection, plans.opened(kept))
    plans.put(service, connection, old, found.mapping, found.request, found.plan, fresh)


# ---------------------------------------------------------------------------------------- what a change would do


def tried(
    service: Service,
    cohort_id: str,
    document: bytes,
    now: datetime,
    executor: Callable[[], Executor],
    workers: int,
    stopped: Callable[[], bool],
) -> Iterator[tuple[int, Outcome]]:
    """What becomes of a cohort's rows with other courses, and how many rows there are; nothing is kept.

    Students who deleted their plan are not among them.
    """
    with store.reading(service.engine) as connection:
        cohort = store_cohorts.find(connection, cohort_id)
        every = [one for one in store_cohorts.every(connection, cohort_id) if one.number]
        mine = [one for one in every if not deleted_by_student(connection, one)]
        earlier = class_documents(connection, cohort_id)
    if cohort is None:
        return
    files = Kept(service.engine, cohort_id)
    run = Run(document, now, cohort.seed)
    run = run._replace(classes=class_plans(run, files, earlier))
    keys = {one.number: one.key for one in mine}
    before = lambda row: before_of(service, cohort_id, keys[row.number])  # noqa: E731 - a name for one argument
    rows = (row_of(one) for one in mine if not stopped())
    for made in run_rows(rows, run, files, executor, workers=workers, before=before):
        yield len(mine), made.outcome


def compared(
    service: Service,
    cohort_id: str,
    document: bytes,
    start: datetime,
    exam: tuple[str, str],
    now: datetime,
    executor: Callable[[], Executor],
    workers: int,
) -> Ease:
    """What a start of a section's exam means for those who sit it, planned from now on; nothing is kept."""
    with store.reading(service.engine) as connection:
        members = [one for one in store_cohorts.every(connection, cohort_id) if one.number]
    files = Kept(service.engine, cohort_id)
    run = Run(document, now, "dates")
    run = run._replace(classes=all_made(class_plans(run, files)))
    rows = (row for row in map(row_of, members) if sitting(row, courses_of(document), *exam))
    made = run_rows(rows, run, files, executor, workers=workers)
    return eased(start, (one.outcome for one in made))


def class_documents(connection: Connection, cohort_id: str) -> dict[tuple[str, str], ClassDocument]:
    """A cohort's class plans as they are kept."""
    found = {}
    for key, plan_id in store_cohorts.classes(connection, cohort_id).items():
        if (kept := store.find(connection, plan_id)) is not None:
            found[key] = ClassDocument(*key, kept.document.encode(), kept.plan)
    return found


def with_courses(connection: Connection, cohort: Cohort, document: bytes) -> Taken:
    """A cohort's own rows with other courses, as if they were handed in again. Raises :class:`InvalidRequest`."""
    courses = read_courses(document)
    rows = [row_of(one) for one in store_cohorts.every(connection, cohort.id) if one.number]
    members, doubtful = tuple(map(member_of, rows)), tuple(cohort.doubts.splitlines())
    return Taken(courses, document, members, {}, doubtful, last_day(courses), cohort.separator, own_rows=True)
