"""What an operator does now and then: back up, restore, tidy.

Backing up and tidying run while the service serves; a restore goes into an empty place. A backup is a folder with the
database and the key: without the key every link that was given out is dead, and the key with the database opens every
plan, so the folder is for its owner's eyes only.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
import subprocess
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from sqlalchemy import inspect

from web import store, store_cohorts

if TYPE_CHECKING:
    from sqlalchemy import Engine

SQLITE_FILE, POSTGRESQL_FILE, KEY_FILE = "calplan.sqlite", "calplan.dump", "key"
"""The files of a backup: one of the first two, and the third."""
UPLOAD_DAYS = 1
"""Days after which a file that was handed in, but whose plan was never kept, is deleted."""


class NotDone(Exception):
    """A backup or restore that was not made; the message says why and what to do. Nothing was overwritten."""


# --------------------------------------------------------------------------------------------------------- backup


def backup(engine: Engine, folder: Path, *, key_file: Path, now: datetime) -> Path:
    """Writes the database, as it is at one instant, and the key into a new folder within ``folder``; returns that.

    The service goes on meanwhile. The new folder appears under its name only when it is whole and on the disk. Raises
    NotDone.
    """
    if not key_file.is_file():
        raise NotDone(f"There is no key file at {key_file}. Without it a backup is of no use: say where it is.")
    done = folder / f"calplan-{now.astimezone(UTC):%Y%m%dT%H%M%SZ}"
    part = done.with_name(done.name + ".part")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        part.mkdir(mode=0o700)
    except OSError as error:
        raise NotDone(f"The backup cannot be written to {folder}: {error.strerror}. Choose another folder.") from error
    try:
        if engine.dialect.name == "sqlite":
            _copy_sqlite(_database_file(engine), part / SQLITE_FILE)
        else:
            _dump_postgresql(engine, part / POSTGRESQL_FILE)
        _place(key_file, part / KEY_FILE)
        _flush(part)
        if done.exists():
            raise NotDone(f"{done} exists already; nothing was overwritten.")
        part.rename(done)
    except (OSError, sqlite3.Error) as error:
        raise NotDone(f"The backup could not be written: {error}. Nothing was kept of it.") from error
    finally:
        shutil.rmtree(part, ignore_errors=True)
    _flush(folder)
    return done


def _copy_sqlite(source: Path, target: Path) -> None:
    """A copy of the database at one instant. It has no trace of what was deleted, and needs no file beside it."""
    with closing(_open_sqlite(source, "rw")) as database:
        database.execute("VACUUM INTO ?", (str(target),))
    _check_sqlite(target)
    target.chmod(0o600)
    _flush(target)


def _check_sqlite(file: Path) -> None:
    """Raises NotDone where a database file is damaged."""
    try:
        with closing(_open_sqlite(file, "ro")) as database:
            found = database.execute("PRAGMA integrity_check").fetchall()
            orphans = database.execute("PRAGMA foreign_key_check").fetchall()
    except sqlite3.DatabaseError as error:
        raise NotDone(f"{file} is no whole database ({error}). Use another backup.") from error
    if found != [("ok",)] or orphans:
        raise NotDone(f"{file} is damaged. Use another backup.")


def _dump_postgresql(engine: Engine, target: Path) -> None:
    _run(engine, "pg_dump", "--format=custom", "--no-owner", "--no-privileges", f"--file={target}")
    target.chmod(0o600)
    _flush(target)


# -------------------------------------------------------------------------------------------------------- restore


def restore(engine: Engine, backup: Path, *, key_file: Path) -> None:
    """Puts a backup into an empty place: no database where the engine points, and no other key at ``key_file``.

    Nothing is ever overwritten. A restore that was cut off can be begun again. Raises NotDone.
    """
    kind = SQLITE_FILE if engine.dialect.name == "sqlite" else POSTGRESQL_FILE
    for name in (kind, KEY_FILE):
        if not (backup / name).is_file():
            raise NotDone(f"{backup} has no file “{name}”, so it is no backup of this kind of database.")
    if key_file.exists() and key_file.read_bytes() != (backup / KEY_FILE).read_bytes():
        raise NotDone(f"{key_file} holds another key than the backup. Move it away first, if it is of no more use.")
    _refuse_to_overwrite(engine)
    if kind == SQLITE_FILE:
        _check_sqlite(backup / kind)
    try:
        if not key_file.exists():
            key_file.parent.mkdir(parents=True, exist_ok=True)
            _place(backup / KEY_FILE, key_file)
        if kind == SQLITE_FILE:
            _database_file(engine).parent.mkdir(parents=True, exist_ok=True)
            _place(backup / kind, _database_file(engine))
        else:
            restoring = "--single-transaction", "--exit-on-error", "--no-owner", "--no-privileges"
            _run(engine, "pg_restore", *restoring, str(backup / kind))
    except OSError as error:
        raise NotDone(f"The backup could not be restored: {error}.") from error


def _refuse_to_overwrite(engine: Engine) -> None:
    if engine.dialect.name == "sqlite":
        file = _database_file(engine)
        for beside in ("", "-wal", "-journal"):
            if (there := file.with_name(file.name + beside)).exists():
                raise NotDone(
                    f"{there} exists already. Stop the service and move it away, or restore to another place."
                )
        return
    with store.reading(engine) as connection:
        tables = {"alembic_version", *store.metadata.tables} & set(inspect(connection).get_table_names())
    if tables:
        raise NotDone("The database has tables of the service already. Make an empty database, and restore into that.")


# ----------------------------------------------------------------------------------------------------------- tidy


class Tidied(NamedTuple):
    """How many of each were deleted, and whether the disk has forgotten them (else: at the next tidying)."""

    plans: int
    uploads: int
    forgotten: bool
    cohorts: int = 0


def tidy(engine: Engine, *, now: datetime, keep_days: int) -> Tidied:
    """Deletes plans and cohorts whose last exam's day ended ``keep_days`` whole days ago, and uploads older than a day.

    A day counts as over when it is over everywhere, at 12 hours behind UTC. Each plan goes in a transaction of its own,
    so that nobody waits. Raises :class:`web.store.Unavailable`; what was deleted until then stays so.
    """
    before = (now.astimezone(UTC) - timedelta(hours=12)).date() - timedelta(days=keep_days)
    plans, cohorts = 0, 0
    with store.reading(engine) as connection:
        ended, over = store.ended(connection, before=before), store_cohorts.ended(connection, before=before)
    for plan_id in ended:
        with store.writing(engine) as connection:
            plans += store.delete_ended(connection, plan_id, before=before)
    for cohort_id in over:
        with store.writing(engine) as connection:
            cohorts += store_cohorts.delete_ended(connection, cohort_id, before=before)
    with store.writing(engine) as connection:
        uploads = store.drop_uploads(connection, before=now - timedelta(days=UPLOAD_DAYS))
    return Tidied(plans, uploads, _forget(engine), cohorts)


def _forget(engine: Engine) -> bool:
    """Takes what was overwritten out of the files too: SQLite's write-ahead log, and PostgreSQL's dead rows."""
    if engine.dialect.name == "sqlite":
        with closing(_open_sqlite(_database_file(engine), "rw")) as database:
            busy: int = database.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()[0]
        return not busy
    with store.connect(engine) as connection:
        connection.execution_options(isolation_level="AUTOCOMMIT")
        connection.exec_driver_sql("SET statement_timeout = 0")
        for table in store.metadata.sorted_tables:
            connection.exec_driver_sql(f"VACUUM {table.name}")
        connection.invalidate()  # its settings were changed
    return True


# ---------------------------------------------------------------------------------------------------------- tools


def _database_file(engine: Engine) -> Path:
    return Path(engine.url.database or "")


def _open_sqlite(file: Path, mode: str) -> sqlite3.Connection:
    """A connection to a database file that exists, outside any transaction."""
    address = f"{file.absolute().as_uri()}?mode={mode}"
    return sqlite3.connect(address, uri=True, isolation_level=None, timeout=store.BUSY_SECONDS)


def _run(engine: Engine, program: str, *arguments: str) -> None:
    """Runs a tool of PostgreSQL on the engine's database; the password is passed where no process list shows it."""
    from psycopg.conninfo import make_conninfo  # an extra, which SQLite does without

    found = shutil.which(program)
    if found is None:
        raise NotDone(
            f"{program} was not found. Install PostgreSQL's client programs, of the server's version or later."
        )
    given = engine.dialect.create_connect_args(engine.url)[1]
    settings = {name: str(value) for name, value in given.items() if isinstance(value, str | int)}
    password = settings.pop("password", None)
    database = make_conninfo(**settings)
    environment = os.environ | ({} if password is None else {"PGPASSWORD": password})
    done = subprocess.run(
        [found, *arguments[:-1], f"--dbname={database}", arguments[-1]], env=environment, capture_output=True, text=True
    )
    if done.returncode:
        raise NotDone(f"{program} failed: {done.stderr.strip()}")


def _place(source: Path, target: Path) -> None:
    """Copies a file for its owner only. It appears under its name whole, and never replaces another."""
    beside = target.with_name(target.name + ".part")
    beside.unlink(missing_ok=True)
    try:
        with open(os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as out, source.open("rb") as file:
            shutil.copyfileobj(file, out)
            out.flush()
            os.fsync(out.fileno())
        os.link(beside, target)
    finally:
        beside.unlink(missing_ok=True)
    _flush(target.parent)


def _flush(path: Path) -> None:
    """Has the system write a file, or a folder's entries, to the disk."""
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
