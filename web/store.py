"""What the service keeps: the tables, and one function for each thing that is asked of them. Knows no web.

A function takes a connection inside a transaction, which :func:`reading` and :func:`writing` give. The same code runs
on SQLite and PostgreSQL, and gives the same values on both. Three rules keep a plan whole:

- a plan, its feed, its busy calendars and its earlier version change in one transaction;
- a change of a plan is one compare-and-set on its version, so the later of two changes is refused rather than lost;
- the log of check-ins only grows, so two that come at once are both kept; whoever renders a feed from it holds the
  plan's lock from reading the log until the feed is written, so the feed says what the log says.

The database holds no token: a link is made from a plan's id, the link's generation and a key that lies elsewhere.
"""

from __future__ import annotations

import os
import re
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from alembic import command
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import (
    Boolean,
    Column,
    Date,
    ForeignKey,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Table,
    Text,
    TypeDecorator,
    bindparam,
    create_engine,
    event,
    exc,
    func,
    insert,
    make_url,
    or_,
    select,
    update,
)
from sqlalchemy import delete as delete_from

from web.powers import Power

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from datetime import date

    from sqlalchemy import Connection, Dialect, Engine
    from sqlalchemy.engine import ExceptionContext

FIRST_GENERATION = 1
"""The generation of a new plan's feed link."""
REVISIONS_KEPT = 20
"""Earlier versions of a plan that are kept."""
NAME_LENGTH = 255
"""Characters that the name of a calendar or an upload may have."""
MOST_ENTRIES = 5_000
"""Entries that the log of one plan may have."""
ID_LENGTH = 64
"""Characters that the id of an entry may have."""
BUSY_SECONDS, STATEMENT_SECONDS = 5, 15
"""How long a write waits for another one, and how long one statement may take (PostgreSQL)."""


class Unavailable(Exception):
    """The database cannot be reached, is busy for too long, or has no room left; nothing of the transaction was kept.

    The message is for people. The database's own words are the ``__cause__``.
    """

    retry_after = 5
    """Seconds after which trying again makes sense."""

    def __init__(self) -> None:
        super().__init__("The service cannot reach its database just now. Please try again in a few seconds.")


class LogFull(ValueError):
    """The log of a plan has as many entries as it can hold; nothing was added. The message is for people."""

    def __init__(self) -> None:
        super().__init__(
            f"The log of this plan holds {MOST_ENTRIES:,} entries, which is the most, so this one was not added."
            " Make a new plan from today on, and check in there."
        )


# ---------------------------------------------------------------------------------------------------- the tables


class Moment(TypeDecorator[datetime]):
    """An instant, kept as text of fixed width in UTC: both engines give back the same aware value, and text sorts."""

    impl = String(27)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> str | None:
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError("an instant needs a zone")
        return value.astimezone(UTC).replace(tzinfo=None).isoformat(timespec="microseconds") + "Z"

    def process_result_value(self, value: str | None, dialect: Dialect) -> datetime | None:
        return None if value is None else datetime.fromisoformat(value)


metadata = MetaData(
    naming_convention={
        "pk": "pk_%(table_name)s",
        "fk": "fk_%(table_name)s_%(referred_table_name)s",
        "ix": "ix_%(table_name)s_%(column_0_name)s",
    }
)

plans = Table(
    "plans",
    metadata,
    Column("id", String(64), primary_key=True),
    Column("version", Integer, nullable=False),
    Column("seed", Text, nullable=False),
    Column("document", Text, nullable=False),  # the request as it was asked for, JSON
    Column("plan", LargeBinary, nullable=False),  # JSON
    Column("created", Moment, nullable=False),
    Column("changed", Moment, nullable=False),
    Column("ends", Date, nullable=False, index=True),  # the day of the last exam
    Column("alarm", Integer),  # minutes before a block
    Column("view_on", Boolean, nullable=False),
    Column("view_generation", Integer, nullable=False),
    Column("check_in_generation", Integer, nullable=False),
    Column("manage_generation", Integer, nullable=False),
)


def _plan_id(primary_key: bool = True) -> Column[str]:
    return Column("plan_id", ForeignKey(plans.c.id, ondelete="CASCADE"), primary_key=primary_key)


feeds = Table(
    "feeds",
    metadata,
    _plan_id(),
    Column("generation", Integer, nullable=False),
    Column("etag", String(128), nullable=False),
    Column("modified", Moment, nullable=False),
    Column("fetched", Moment),
    sqlite_with_rowid=False,  # one tree to look in instead of two
)
bodies = Table(
    "bodies",  # apart from feeds, which are looked at all the time and stay small so
    metadata,
    _plan_id(),
    Column("body", LargeBinary, nullable=False),
)
calendars_ = Table(
    "calendars",
    metadata,
    _plan_id(),
    Column("name", String(NAME_LENGTH), primary_key=True),
    Column("data", LargeBinary, nullable=False),
    Column("read_at", Moment, nullable=False),
)
revisions = Table(
    "revisions",
    metadata,
    _plan_id(),
    Column("version", Integer, primary_key=True),
    Column("saved", Moment, nullable=False),
    Column("document", Text, nullable=False),
    Column("plan", LargeBinary, nullable=False),
)
entries_ = Table(
    "entries",  # the log of check-ins: rows are added, never changed
    metadata,
    _plan_id(),
    Column("id", String(ID_LENGTH), primary_key=True),
    Column("at", Moment, nullable=False),
    Column("body", Text, nullable=False),  # JSON
)
uploads = Table(
    "uploads",
    metadata,
    Column("id", String(64), primary_key=True),
    Column("name", String(NAME_LENGTH), nullable=False),
    Column("data", LargeBinary, nullable=False),
    Column("saved", Moment, nullable=False, index=True),
)


class Kept(NamedTuple):
    """A plan as it is kept: the request as it was asked for (``document``) and the plan that answered, both JSON.

    ``ends`` is the day of the last exam; ``alarm`` the minutes before a block at which the calendar rings. Each link
    has a generation; ``view_on`` says whether the link for looking exists.
    """

    id: str
    version: int
    seed: str
    document: str
    plan: bytes
    created: datetime
    changed: datetime
    ends: date
    alarm: int | None
    view_on: bool
    view_generation: int
    check_in_generation: int
    manage_generation: int


class Rendered(NamedTuple):
    """A feed as it is kept: bytes with placeholders for the links, the ETag of what is sent, and the last change."""

    etag: str
    modified: datetime
    body: bytes


class FeedState(NamedTuple):
    """What a feed's answer needs besides its bytes."""

    generation: int
    etag: str
    modified: datetime


class Revision(NamedTuple):
    """An earlier version of a plan; ``saved`` is when that version was made."""

    version: int
    saved: datetime
    document: str
    plan: bytes


class Upload(NamedTuple):
    """A file that someone handed in: a busy calendar of a plan, or one that waits for its plan to be kept."""

    name: str
    data: bytes
    saved: datetime


# ---------------------------------------------------------------------------------------------- making and finding

_FIND = select(*(plans.c[name] for name in Kept._fields)).where(plans.c.id == bindparam("plan_id"))
_CALENDARS = (
    select(calendars_.c.name, calendars_.c.data, calendars_.c.read_at)
    .where(calendars_.c.plan_id == bindparam("plan_id"))
    .order_by(calendars_.c.name)
)

_CALENDARS_READ = select(calendars_.c.name, calendars_.c.read_at).where(calendars_.c.plan_id == bindparam("plan_id"))


def create(
    connection: Connection,
    kept: Kept,
    rendered: Rendered,
    calendars: Mapping[str, bytes | Upload],
    *,
    read_at: datetime,
) -> None:
    """Keeps a new plan with its feed and its busy calendars, all read at one instant."""
    connection.execute(insert(plans), kept._asdict())
    state = {"generation": FIRST_GENERATION, "etag": rendered.etag, "modified": rendered.modified}
    connection.execute(insert(feeds), {"plan_id": kept.id} | state)
    connection.execute(insert(bodies), {"plan_id": kept.id, "body": rendered.body})
    _add_calendars(connection, kept.id, calendars, read_at)


def find(connection: Connection, plan_id: str) -> Kept | None:
    """The plan with this id."""
    row = connection.execute(_FIND, {"plan_id": plan_id}).first()
    return None if row is None else Kept._make(row)


def calendars(connection: Connection, plan_id: str) -> dict[str, Upload]:
    """A plan's busy calendars by their names; ``saved`` is when each was read."""
    return {row[0]: Upload._make(row) for row in connection.execute(_CALENDARS, {"plan_id": plan_id})}


def calendars_read(connection: Connection, plan_id: str) -> dict[str, datetime]:
    """When each of a plan's busy calendars was read, by its name."""
    return {row[0]: row[1] for row in connection.execute(_CALENDARS_READ, {"plan_id": plan_id})}


def all_ids(connection: Connection) -> Iterator[str]:
    """The ids of all plans, a thousand at a time."""
    yield from connection.execute(select(plans.c.id).order_by(plans.c.id).execution_options(yield_per=1000)).scalars()


def ended(connection: Connection, *, before: date) -> list[str]:
    """The ids of plans whose last exam lies before a date."""
    return list(connection.execute(select(plans.c.id).where(plans.c.ends < before).order_by(plans.c.id)).scalars())


def alive(connection: Connection) -> bool:
    """Whether the database answers and has its tables."""
    try:
        connection.execute(select(plans.c.version).limit(1)).first()
    except (Unavailable, exc.DBAPIError):
        return False
    return True


def _add_calendars(
    connection: Connection, plan_id: str, calendars: Mapping[str, bytes | Upload], read_at: datetime
) -> None:
    rows = [
        {"plan_id": plan_id, "name": _name(name), "data": data.data, "read_at": data.saved}
        if isinstance(data, Upload)
        else {"plan_id": plan_id, "name": _name(name), "data": data, "read_at": read_at}
        for name, data in calendars.items()
    ]
    if rows:
        connection.execute(insert(calendars_), rows)


def _name(name: str) -> str:
    """The name itself. Raises ValueError for one that not every database can hold."""
    if len(name) > NAME_LENGTH or not _storable(name):
        raise ValueError(f"a file's name has at most {NAME_LENGTH} characters, and no NUL or half character")
    return name


def _storable(text: str) -> bool:
    """Whether every database can hold a text: it has no NUL and no half character."""
    return "\0" not in text and not re.search("[\ud800-\udfff]", text)


# ------------------------------------------------------------------------------------------------------- changing

# PostgreSQL locks the row by the condition that the compare-and-set has; SQLite's writes come one by one anyway.
_UNCHANGED = (
    (plans.c.id == bindparam("at"))
    & (plans.c.version == bindparam("expected"))
    & (plans.c.check_in_generation <= bindparam("check_in"))
)
_KEEP_OLD = insert(revisions).from_select(
    ["plan_id", "version", "saved", "document", "plan"],
    select(plans.c.id, plans.c.version, plans.c.changed, plans.c.document, plans.c.plan)
    .where(_UNCHANGED)
    .with_for_update(),
)
_COMPARE_AND_SET = (
    update(plans).where(_UNCHANGED).values(version=plans.c.version + 1, check_in_generation=bindparam("check_in"))
)
_WRITTEN = ("seed", "document", "plan", "changed", "ends", "alarm")
_FORGET_OLD = delete_from(revisions).where(
    revisions.c.plan_id == bindparam("at"), revisions.c.version <= bindparam("expected") - REVISIONS_KEPT
)
_FEED = update(feeds).where(feeds.c.plan_id == bindparam("at"))
_BODY = update(bodies).where(bodies.c.plan_id == bindparam("at"))
_REVISIONS = select(*(revisions.c[name] for name in Revision._fields)).where(
    revisions.c.plan_id == bindparam("plan_id")
)
_REVISION = _REVISIONS.where(revisions.c.version == bindparam("at"))
_REVISION_BEFORE = _REVISIONS.where(revisions.c.version < bindparam("at")).order_by(revisions.c.version.desc()).limit(1)


def save(
    connection: Connection,
    kept: Kept,
    rendered: Rendered,
    *,
    expected: int,
    calendars: Mapping[str, bytes | Upload] | None = None,
    read_at: datetime | None = None,
) -> bool:
    """Changes a plan that still has the ``expected`` version; false, and nothing written, where someone was faster.

    The plan becomes version ``expected + 1``, its former state a revision, and the feed is replaced with it.
    ``calendars`` are all busy calendars from now on: bytes were read at ``read_at``, an Upload keeps its own instant;
    ``None`` leaves them. The links for looking and managing are not written (:func:`replace_link` and :func:`set_view`
    own them), and those for checking in are never put back to an earlier generation.
    """
    if calendars and read_at is None:
        raise ValueError("calendars need the instant at which they were read")
    where = {"at": kept.id, "expected": expected, "check_in": kept.check_in_generation}
    connection.execute(_KEEP_OLD, where)
    changes = {name: getattr(kept, name) for name in _WRITTEN}
    if connection.execute(_COMPARE_AND_SET, where | changes).rowcount != 1:
        return False
    connection.execute(_FORGET_OLD, {"at": kept.id, "expected": expected})
    connection.execute(_FEED, {"at": kept.id, "etag": rendered.etag, "modified": rendered.modified})
    connection.execute(_BODY, {"at": kept.id, "body": rendered.body})
    if calendars is not None:
        connection.execute(delete_from(calendars_).where(calendars_.c.plan_id == kept.id))
        _add_calendars(connection, kept.id, calendars, read_at or kept.changed)
    return True


def revision(connection: Connection, plan_id: str, version: int) -> Revision | None:
    """An earlier version of a plan, if it is still kept."""
    row = connection.execute(_REVISION, {"plan_id": plan_id, "at": version}).first()
    return None if row is None else Revision._make(row)


def revision_before(connection: Connection, plan_id: str, version: int) -> Revision | None:
    """The latest of the earlier versions of a plan that are still kept and older than ``version``."""
    row = connection.execute(_REVISION_BEFORE, {"plan_id": plan_id, "at": version}).first()
    return None if row is None else Revision._make(row)


def latest_revision(connection: Connection, plan_id: str) -> Revision | None:
    """The version of a plan before the present one, or the latest before that which is still kept."""
    present = select(plans.c.version).where(plans.c.id == plan_id)
    version: int | None = connection.execute(present).scalar()
    return None if version is None else revision_before(connection, plan_id, version)


def drop_revision(connection: Connection, plan_id: str, version: int) -> bool:
    """Forgets an earlier version of a plan, say one that was undone; false where it was not kept (any more)."""
    which = revisions.c.plan_id == plan_id, revisions.c.version == version
    return connection.execute(delete_from(revisions).where(*which)).rowcount == 1


def delete(connection: Connection, plan_id: str) -> bool:
    """Deletes a plan and everything that belongs to it; false where there was none."""
    return connection.execute(delete_from(plans).where(plans.c.id == plan_id)).rowcount == 1


def delete_ended(connection: Connection, plan_id: str, *, before: date) -> bool:
    """Deletes a plan if its last exam still lies before a date: it may have been moved since :func:`ended` said so."""
    return connection.execute(delete_from(plans).where(plans.c.id == plan_id, plans.c.ends < before)).rowcount == 1


# ------------------------------------------------------------------------------------------- the log of check-ins

_LOCK = select(plans.c.id).where(plans.c.id == bindparam("plan_id")).with_for_update()
_IS_THERE = select(entries_.c.id).where(
    entries_.c.plan_id == bindparam("plan_id"), entries_.c.id == bindparam("entry_id")
)
_COUNT = select(func.count()).select_from(entries_).where(entries_.c.plan_id == bindparam("plan_id"))
_LOG = select(entries_.c.at, entries_.c.id, entries_.c.body).where(entries_.c.plan_id == bindparam("plan_id"))


def lock(connection: Connection, plan_id: str) -> bool:
    """Has others wait who want this plan's lock, or change the plan, until the transaction ends; false: no such plan.

    For a connection of :func:`writing`. PostgreSQL locks the plan's row; in SQLite all transactions that write come one
    by one. What is read after this, and only that, is still so when the transaction is kept.
    """
    return connection.execute(_LOCK, {"plan_id": plan_id}).first() is not None


def add_entry(connection: Connection, plan_id: str, entry_id: str, at: datetime, body: str) -> bool:
    """Adds an entry to a plan's log, and takes the plan's lock; false, and nothing added, where there is no plan.

    An entry whose id the log has already is not added again and changes nothing: the same form sent twice is one entry.
    ``at`` is the entry's instant, ``body`` the whole entry as JSON. Raises LogFull, and ValueError for an id that is
    empty or too long, or text that not every database can hold.
    """
    if not (0 < len(entry_id) <= ID_LENGTH and _storable(entry_id) and _storable(body)):
        raise ValueError(f"an entry's id has 1 to {ID_LENGTH} characters, and it has no NUL or half character")
    if not lock(connection, plan_id):
        return False
    if connection.execute(_IS_THERE, {"plan_id": plan_id, "entry_id": entry_id}).first() is None:
        if connection.execute(_COUNT, {"plan_id": plan_id}).scalar_one() >= MOST_ENTRIES:
            raise LogFull
        connection.execute(insert(entries_), {"plan_id": plan_id, "id": entry_id, "at": at, "body": body})
    return True


def entries(connection: Connection, plan_id: str) -> tuple[str, ...]:
    """The bodies of a plan's log in order of their instants, and of their ids where those are equal."""
    rows = connection.execute(_LOG, {"plan_id": plan_id})
    # Sorted here: databases differ in how they order text.
    return tuple(body for _, _, body in sorted((row.at, row.id, row.body) for row in rows))


# --------------------------------------------------------------------------------------------------------- links


def _next(table: Table, key: Column[str], generation: Column[int]) -> Any:
    return update(table).where(key == bindparam("at")).values({generation: generation + 1}).returning(generation)


_REPLACE = {
    Power.FEED: _next(feeds, feeds.c.plan_id, feeds.c.generation),
    Power.VIEW: _next(plans, plans.c.id, plans.c.view_generation),
    Power.CHECK_IN: _next(plans, plans.c.id, plans.c.check_in_generation),
    Power.MANAGE: _next(plans, plans.c.id, plans.c.manage_generation),
}


def replace_link(connection: Connection, plan_id: str, power: Power) -> int | None:
    """Gives one of a plan's links its next generation, so that the old link stops; ``None`` where there is no plan."""
    generation: int | None = connection.execute(_REPLACE[power], {"at": plan_id}).scalar()
    return generation


def set_view(connection: Connection, plan_id: str, on: bool) -> bool:
    """Opens or closes the link for looking at a plan; false where there is no plan."""
    return connection.execute(update(plans).where(plans.c.id == plan_id).values(view_on=on)).rowcount == 1


# ---------------------------------------------------------------------------------------------------------- feeds

# Built once: building a statement for each request costs several times what running it does.
_FEED_STATE = select(feeds.c.generation, feeds.c.etag, feeds.c.modified).where(feeds.c.plan_id == bindparam("plan_id"))
_FEED_BODY = _FEED_STATE.add_columns(bodies.c.body).join(bodies, bodies.c.plan_id == feeds.c.plan_id)
_MARK = (
    update(feeds)
    .where(feeds.c.plan_id == bindparam("at"), or_(feeds.c.fetched.is_(None), feeds.c.fetched < bindparam("when")))
    .values(fetched=bindparam("when"))
)


def feed_state(connection: Connection, plan_id: str) -> FeedState | None:
    """What is needed to say that a feed has not changed; one indexed read, without the feed's bytes."""
    row = connection.execute(_FEED_STATE, {"plan_id": plan_id}).first()
    return None if row is None else FeedState._make(row)


def feed_body(connection: Connection, plan_id: str) -> tuple[FeedState, bytes] | None:
    """A feed with its bytes; one indexed read."""
    row = connection.execute(_FEED_BODY, {"plan_id": plan_id}).first()
    return None if row is None else (FeedState._make(row[:3]), row[3])


def set_feed(connection: Connection, plan_id: str, rendered: Rendered) -> None:
    """Replaces a plan's feed, whose version stays: the same plan with what was said of its blocks.

    The feed is rendered from a plan and a log that were read under the plan's :func:`lock`. Where there is no plan,
    nothing is done.
    """
    connection.execute(_FEED, {"at": plan_id, "etag": rendered.etag, "modified": rendered.modified})
    connection.execute(_BODY, {"at": plan_id, "body": rendered.body})


def mark_fetched(connection: Connection, fetched: Mapping[str, datetime]) -> None:
    """Notes when feeds were last fetched, by plan id. A note never goes back in time; unknown ids are passed over."""
    if fetched:  # in order of ids, so that two batches at once cannot wait for each other
        connection.execute(_MARK, [{"at": plan_id, "when": fetched[plan_id]} for plan_id in sorted(fetched)])


def last_fetched(connection: Connection, plan_id: str) -> datetime | None:
    """When a feed was last fetched, as far as it was noted."""
    return connection.execute(select(feeds.c.fetched).where(feeds.c.plan_id == plan_id)).scalar()


# -------------------------------------------------------------------------------------------------------- uploads


def put_upload(connection: Connection, upload_id: str, name: str, data: bytes, *, now: datetime) -> None:
    """Keeps a file until its plan is kept. The id is new; the name's characters as in :func:`create`."""
    connection.execute(insert(uploads), {"id": upload_id, "name": _name(name), "data": data, "saved": now})


def get_upload(connection: Connection, upload_id: str) -> Upload | None:
    """A file that was put here; the id may be anything that a form sent."""
    if not re.fullmatch(r"[A-Za-z0-9_=-]{1,64}", upload_id):
        return None
    columns = uploads.c.name, uploads.c.data, uploads.c.saved
    row = connection.execute(select(*columns).where(uploads.c.id == upload_id)).first()
    return None if row is None else Upload._make(row)


def drop_uploads(connection: Connection, *, before: datetime) -> int:
    """Deletes the files put here before an instant; says how many."""
    return connection.execute(delete_from(uploads).where(uploads.c.saved < before)).rowcount


# --------------------------------------------------------------------------------------- engines and transactions


def open_engine(url: str, *, connections: int = 16) -> Engine:
    """An engine for a SQLAlchemy address of SQLite or PostgreSQL, with at most so many connections at a time.

    Nothing is opened yet. What is written is on the disk once it is acknowledged; deleted content is overwritten
    (SQLite). A transaction of :func:`reading` cannot write. Raises ValueError for another kind of database.
    """
    address = make_url(url)
    kind = address.get_backend_name()
    if kind == "sqlite" and address.database and address.database != ":memory:":
        address, options = address.set(drivername="sqlite+pysqlite"), {"timeout": BUSY_SECONDS}
    elif kind == "postgresql":
        address, options = address.set(drivername="postgresql+psycopg"), {"connect_timeout": BUSY_SECONDS}
    else:
        raise ValueError(
            "The database is an SQLite file (sqlite:///FILE) or PostgreSQL (postgresql+psycopg://USER@HOST/NAME)."
        )
    engine = create_engine(
        address,
        connect_args=options,
        pool_size=connections,
        max_overflow=0,
        pool_timeout=BUSY_SECONDS,
        pool_pre_ping=kind == "postgresql",
        hide_parameters=True,  # no plan in an error's text
    )
    event.listen(engine, "connect", _set_up_sqlite if kind == "sqlite" else _set_up_postgresql)
    event.listen(engine, "begin", _begin_sqlite if kind == "sqlite" else _begin_postgresql)
    event.listen(engine, "handle_error", _translate)
    return engine


@contextmanager
def reading(engine: Engine) -> Iterator[Connection]:
    """A connection that sees one state of the database, and cannot change it. Raises Unavailable."""
    with connect(engine) as connection:
        begin(connection, writing=False)
        yield connection


@contextmanager
def writing(engine: Engine) -> Iterator[Connection]:
    """A connection whose changes are kept at the end, or none of them if something is raised. Raises Unavailable."""
    with connect(engine) as connection:
        begin(connection, writing=True)
        yield connection
        commit(connection)


def connect(engine: Engine) -> Connection:
    """A connection without a transaction. Raises Unavailable."""
    try:
        return engine.connect()
    except exc.TimeoutError as error:  # all connections are taken
        raise Unavailable from error


def begin(connection: Connection, *, writing: bool) -> None:
    """Begins a transaction that only reads, or one that writes."""
    if writing is not connection.get_execution_options().get("writing", False):
        connection.execution_options(writing=writing)
    connection.begin()


def commit(connection: Connection) -> None:
    """Ends a transaction; what it wrote is kept. Raises Unavailable."""
    try:
        connection.commit()
    except BaseException:
        connection.invalidate()  # it may still be in its transaction, and SQLAlchemy would not end that
        raise


def _set_up_sqlite(raw: Any, record: object) -> None:
    raw.isolation_level = None  # transactions begin where we say so
    for pragma in (
        f"busy_timeout={BUSY_SECONDS * 1000}",
        "journal_mode=WAL",
        "synchronous=FULL",
        "foreign_keys=ON",
        "secure_delete=ON",
        "query_only=ON",
    ):
        raw.execute(f"PRAGMA {pragma}")


def _begin_sqlite(connection: Connection) -> None:
    # A deferred transaction that reads and then writes fails at once where another one wrote in between.
    writing = connection.get_execution_options().get("writing", False)
    if writing is not connection.info.get("writing", False):
        connection.exec_driver_sql(f"PRAGMA query_only={'OFF' if writing else 'ON'}")
        connection.info["writing"] = writing
    if writing:
        connection.exec_driver_sql("BEGIN IMMEDIATE")
    else:  # touches no file, so it cannot fail; the short way keeps a feed's answer cheap
        raw: Any = connection.connection.dbapi_connection
        raw.execute("BEGIN")


def _set_up_postgresql(raw: Any, record: object) -> None:
    raw.autocommit = True
    raw.execute(
        "SELECT set_config('statement_timeout', %s, false), set_config('lock_timeout', %s, false),"
        " set_config('default_transaction_isolation', 'repeatable read', false),"
        " set_config('default_transaction_read_only', 'on', false)",
        (f"{STATEMENT_SECONDS}s", f"{BUSY_SECONDS}s"),
    )
    raw.autocommit = False


def _begin_postgresql(connection: Connection) -> None:
    if connection.get_execution_options().get("writing"):
        connection.exec_driver_sql("SET TRANSACTION ISOLATION LEVEL READ COMMITTED READ WRITE")


def _translate(context: ExceptionContext) -> Unavailable | None:
    """Every failure of the database becomes Unavailable; what is a mistake of the program stays what it is."""
    ours = (exc.IntegrityError, exc.DataError, exc.ProgrammingError, exc.NotSupportedError)
    error = context.sqlalchemy_exception
    if context.is_pre_ping:  # a dead pooled connection: the pool opens another one
        return None
    return Unavailable() if isinstance(error, exc.DBAPIError) and not isinstance(error, ours) else None


# ------------------------------------------------------------------------------------------------------ migrations

_MIGRATING = 0x63616C706C616E  # our number among PostgreSQL's advisory locks


class NewerDatabase(ValueError):
    """The database was made by a later version of the service than this one."""

    def __init__(self) -> None:
        super().__init__(
            "The database was made by a later version of this service. Install that version, or restore a backup."
        )


def migrate(engine: Engine, revision: str = "head") -> None:
    """Brings an empty or older database to a schema (the present one), all at once or not at all.

    Several processes may do so at once. An SQLite file is made where there is none, readable by its owner only. Raises
    NewerDatabase, Unavailable.
    """
    if engine.dialect.name == "sqlite":
        _make_file(Path(engine.url.database or ""))
    with writing(engine) as connection:
        if engine.dialect.name == "postgresql":
            connection.exec_driver_sql("SELECT set_config('statement_timeout', '0', true)")
            connection.exec_driver_sql("SELECT set_config('lock_timeout', '0', true)")
            connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({_MIGRATING})")
        config = alembic_config()
        config.attributes["connection"] = connection
        known = {script.revision for script in ScriptDirectory.from_config(config).walk_revisions()}
        if not known.issuperset(MigrationContext.configure(connection).get_current_heads()):
            raise NewerDatabase
        change = command.downgrade if revision == "base" else command.upgrade
        change(config, revision)


def alembic_config() -> Config:
    """Alembic's settings; the migrations lie beside this file."""
    config = Config()
    config.set_main_option("script_location", str(Path(__file__).with_name("migrations")).replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    return config


def _make_file(path: Path) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    with suppress(FileExistsError):
        os.close(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600))
