"""What the service keeps of cohorts: tables of their own beside those of :mod:`web.store`. Knows no web.

A cohort is what it was made from (courses, common files) and its members: a row of the roster each, with what became of
it. A member whose ``status`` is empty waits to be planned; writing its outcome is one compare-and-set on that, so that
two that plan at once write each outcome once.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from sqlalchemy import (
    Column,
    Date,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    String,
    Table,
    Text,
    func,
    insert,
    select,
    update,
)
from sqlalchemy import delete as delete_from

from web.store import NAME_LENGTH, Moment, metadata, plans

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence
    from datetime import date, datetime

    from sqlalchemy import Connection

WAITING = ""
"""The status of a member that is to be planned."""

cohorts = Table(
    "cohorts",
    metadata,
    Column("id", String(64), primary_key=True),
    Column("generation", Integer, nullable=False),
    Column("title", Text, nullable=False),
    Column("seed", Text, nullable=False),
    Column("courses", LargeBinary, nullable=False),  # as written
    Column("doubts", Text, nullable=False),  # about the common calendars, a line each
    Column("as_of", Moment, nullable=False),
    Column("created", Moment, nullable=False),
    Column("changed", Moment, nullable=False),
    Column("ends", Date, nullable=False, index=True),  # the day of the last exam
    Column("separator", String(1), nullable=False, server_default=","),  # between the cells of the roster
)
files_ = Table(
    "cohort_files",
    metadata,
    Column("cohort_id", ForeignKey(cohorts.c.id, ondelete="CASCADE"), primary_key=True),
    Column("name", String(NAME_LENGTH), primary_key=True),
    Column("data", LargeBinary, nullable=False),
)
members_ = Table(
    "members",
    metadata,
    Column("cohort_id", ForeignKey(cohorts.c.id, ondelete="CASCADE"), primary_key=True),
    Column(
        "key", String(80), primary_key=True
    ),  # the reference as it is compared, or the row's number where it has none
    Column("number", Integer, nullable=False),  # the row, as a spreadsheet shows it; 0: no longer in the roster
    Column("cells", Text, nullable=False),  # the row as written, JSON
    Column("status", String(32), nullable=False),
    Column("outcome", Text, nullable=False),  # JSON
    Column("document", Text, nullable=False),  # the request that the row asked for, JSON
    Column("plan_id", ForeignKey(plans.c.id, ondelete="SET NULL"), index=True),
    Column("own", Text),  # the outcome of the plan as it was changed on its own page; empty: as planned; NULL: unknown
    Index("ix_members_open", "cohort_id", "status", "number"),
)


classes_ = Table(
    "classes",  # the plans of sections that plan together
    metadata,
    Column("cohort_id", ForeignKey(cohorts.c.id, ondelete="CASCADE"), primary_key=True),
    Column("course", String(40), primary_key=True),
    Column("section", String(40), primary_key=True),
    Column("plan_id", ForeignKey(plans.c.id, ondelete="CASCADE"), nullable=False, index=True),
)


class Cohort(NamedTuple):
    """A cohort as it is kept."""

    id: str
    generation: int
    title: str
    seed: str
    courses: bytes
    doubts: str
    as_of: datetime
    created: datetime
    changed: datetime
    ends: date
    separator: str = ","


class Member(NamedTuple):
    """A row of a cohort's roster, and what became of it."""

    key: str
    number: int
    cells: str
    status: str
    outcome: str
    document: str
    plan_id: str | None
    own: str | None = ""
    """The outcome of the plan as it was changed since on its own page, JSON; empty where it was not.

    ``None`` where that is not known: whoever was there before this was kept.
    """


_COHORT = tuple(cohorts.c[name] for name in Cohort._fields)
_MEMBER = tuple(members_.c[name] for name in Member._fields)


def create(
    connection: Connection, cohort: Cohort, files: Iterable[tuple[str, bytes]], members: Iterable[Member]
) -> None:
    """Keeps a new cohort with its files and members."""
    connection.execute(insert(cohorts), cohort._asdict())
    put_files(connection, cohort.id, files)
    add(connection, cohort.id, members)


def put_files(connection: Connection, cohort_id: str, files: Iterable[tuple[str, bytes]]) -> None:
    """Keeps files, in the place of those of the same names."""
    for name, data in files:
        connection.execute(delete_from(files_).where(files_.c.cohort_id == cohort_id, files_.c.name == name))
        connection.execute(insert(files_), {"cohort_id": cohort_id, "name": name, "data": data})


def add(connection: Connection, cohort_id: str, members: Iterable[Member]) -> None:
    """Adds members, a thousand at a time."""
    lot: list[dict[str, object]] = []
    for member in members:
        lot.append({"cohort_id": cohort_id, **member._asdict()})
        if len(lot) == 1000:
            connection.execute(insert(members_), lot)
            lot = []
    if lot:
        connection.execute(insert(members_), lot)


def find(connection: Connection, cohort_id: str) -> Cohort | None:
    """The cohort with this id."""
    row = connection.execute(select(*_COHORT).where(cohorts.c.id == cohort_id)).first()
    return None if row is None else Cohort._make(row)


def change(connection: Connection, cohort: Cohort) -> None:
    """Writes what a cohort is made from anew."""
    values = cohort._asdict()
    del values["id"], values["generation"], values["created"]
    connection.execute(update(cohorts).where(cohorts.c.id == cohort.id).values(**values))


def replace_link(connection: Connection, cohort_id: str) -> int | None:
    """Gives a cohort's link its next generation; ``None`` where there is no cohort."""
    change = update(cohorts).where(cohorts.c.id == cohort_id).values(generation=cohorts.c.generation + 1)
    generation: int | None = connection.execute(change.returning(cohorts.c.generation)).scalar()
    return generation


def file(connection: Connection, cohort_id: str, name: str) -> bytes | None:
    """A file of a cohort."""
    where = files_.c.cohort_id == cohort_id, files_.c.name == name
    data: bytes | None = connection.execute(select(files_.c.data).where(*where)).scalar()
    return data


def every(connection: Connection, cohort_id: str, lot: int = 500) -> Iterator[Member]:
    """A cohort's members in the order of the roster, so many in memory at a time; first those no longer in it."""
    wanted = select(*_MEMBER).where(members_.c.cohort_id == cohort_id).order_by(members_.c.number, members_.c.key)
    for row in connection.execute(wanted.execution_options(yield_per=lot)):
        yield Member._make(row)


def lock(connection: Connection, cohort_id: str) -> bool:
    """Has others wait who want to write outcomes of this cohort, until the transaction ends; false: no such cohort.

    For a connection of :func:`web.store.writing`; as :func:`web.store.lock`.
    """
    wanted = select(cohorts.c.id).where(cohorts.c.id == cohort_id).with_for_update()
    return connection.execute(wanted).first() is not None


def waiting(connection: Connection, cohort_id: str, most: int, after: int = 0) -> Sequence[Member]:
    """The next members that wait to be planned. Who is no longer in the roster waits for nothing."""
    wanted = select(*_MEMBER).where(
        members_.c.cohort_id == cohort_id, members_.c.status == WAITING, members_.c.number > after
    )
    return [Member._make(row) for row in connection.execute(wanted.order_by(members_.c.number).limit(most))]


def with_waiting(connection: Connection) -> list[str]:
    """The ids of all cohorts that have members to be planned."""
    wanted = select(members_.c.cohort_id).where(members_.c.status == WAITING, members_.c.number > 0).distinct()
    return sorted(connection.execute(wanted).scalars())


def number_waiting(connection: Connection) -> int:
    """How many members of all cohorts are to be planned."""
    wanted = select(func.count()).where(members_.c.status == WAITING, members_.c.number > 0)
    return connection.execute(wanted).scalar() or 0


def counts(connection: Connection, cohort_id: str) -> dict[str, int]:
    """How many members have which status, those that are no longer in the roster apart."""
    wanted = (
        select(members_.c.status, func.count())
        .where(members_.c.cohort_id == cohort_id, members_.c.number > 0)
        .group_by(members_.c.status)
    )
    return {row[0]: row[1] for row in connection.execute(wanted)}


def member(connection: Connection, cohort_id: str, key: str) -> Member | None:
    """A member by its key."""
    where = members_.c.cohort_id == cohort_id, members_.c.key == key
    row = connection.execute(select(*_MEMBER).where(*where)).first()
    return None if row is None else Member._make(row)


def done(
    connection: Connection, cohort_id: str, key: str, *, status: str, outcome: str, document: str, plan_id: str | None
) -> bool:
    """Writes what became of a member that waits; false, and nothing written, where somebody was faster."""
    where = members_.c.cohort_id == cohort_id, members_.c.key == key, members_.c.status == WAITING
    values = {"status": status, "outcome": outcome, "document": document, "plan_id": plan_id, "own": ""}
    return connection.execute(update(members_).where(*where).values(**values)).rowcount == 1


def wait_again(connection: Connection, cohort_id: str, key: str, *, number: int, cells: str) -> None:
    """Has a member planned again, as another row of the roster says."""
    where = members_.c.cohort_id == cohort_id, members_.c.key == key
    connection.execute(update(members_).where(*where).values(number=number, cells=cells, status=WAITING))


def renumber(connection: Connection, cohort_id: str, key: str, number: int) -> None:
    """Gives a member another place in the roster; 0: it is in it no longer."""
    where = members_.c.cohort_id == cohort_id, members_.c.key == key
    connection.execute(update(members_).where(*where).values(number=number))


def remove(connection: Connection, cohort_id: str, key: str) -> None:
    """Removes a member and its plan."""
    found = member(connection, cohort_id, key)
    connection.execute(delete_from(members_).where(members_.c.cohort_id == cohort_id, members_.c.key == key))
    if found is not None and found.plan_id is not None:
        connection.execute(delete_from(plans).where(plans.c.id == found.plan_id))


def classes(connection: Connection, cohort_id: str) -> dict[tuple[str, str], str]:
    """The ids of a cohort's class plans by course and section, in order."""
    columns = classes_.c.course, classes_.c.section, classes_.c.plan_id
    wanted = select(*columns).where(classes_.c.cohort_id == cohort_id)
    return {(course, section): plan_id for course, section, plan_id in sorted(map(tuple, connection.execute(wanted)))}


def add_class(connection: Connection, cohort_id: str, course: str, section: str, plan_id: str) -> None:
    """Notes the plan of a section that plans together."""
    row = {"cohort_id": cohort_id, "course": course, "section": section, "plan_id": plan_id}
    connection.execute(insert(classes_), row)


def delete(connection: Connection, cohort_id: str) -> bool:
    """Deletes a cohort with the plans of all its members; false where there was none."""
    mine = select(members_.c.plan_id).where(members_.c.cohort_id == cohort_id, members_.c.plan_id.is_not(None))
    connection.execute(delete_from(plans).where(plans.c.id.in_(mine)))
    theirs = select(classes_.c.plan_id).where(classes_.c.cohort_id == cohort_id)
    connection.execute(delete_from(plans).where(plans.c.id.in_(theirs)))
    return connection.execute(delete_from(cohorts).where(cohorts.c.id == cohort_id)).rowcount == 1


def ended(connection: Connection, *, before: date) -> list[str]:
    """The ids of cohorts whose last exam lies before a date."""
    return list(
        connection.execute(select(cohorts.c.id).where(cohorts.c.ends < before).order_by(cohorts.c.id)).scalars()
    )


def delete_ended(connection: Connection, cohort_id: str, *, before: date) -> bool:
    """Deletes a cohort if its last exam still lies before a date. Plans that students moved beyond it stay theirs."""
    where = cohorts.c.id == cohort_id, cohorts.c.ends < before
    return connection.execute(delete_from(cohorts).where(*where)).rowcount == 1


def member_of_plan(connection: Connection, plan_id: str) -> tuple[str, Member] | None:
    """The cohort's id and the member that a plan belongs to, if it does."""
    row = connection.execute(select(members_.c.cohort_id, *_MEMBER).where(members_.c.plan_id == plan_id)).first()
    return None if row is None else (row[0], Member._make(row[1:]))


def set_own(connection: Connection, plan_id: str, outcome: str) -> None:
    """Writes what became of the member whose plan was changed on its own page."""
    connection.execute(update(members_).where(members_.c.plan_id == plan_id).values(own=outcome))


def changed(connection: Connection, cohort_id: str) -> frozenset[str]:
    """The keys of members whose plan is not the one that their row asked for; no plan is read for that."""
    wanted = select(members_.c.key).join(plans, plans.c.id == members_.c.plan_id)
    where = members_.c.cohort_id == cohort_id, members_.c.document != "", plans.c.document != members_.c.document
    return frozenset(connection.execute(wanted.where(*where)).scalars())


def cohort_of(connection: Connection, plan_id: str) -> str | None:
    """The cohort that a plan belongs to, if it does."""
    wanted = select(members_.c.cohort_id).where(members_.c.plan_id == plan_id)
    found: str | None = connection.execute(wanted).scalar()
    return found
