"""Nothing that was acknowledged is lost and no plan is left half, whatever is killed, fails or fills up."""

from __future__ import annotations

import json
import resource
import subprocess
import sys
import threading
from typing import TYPE_CHECKING, Any

import pytest
from sqlalchemy import event, select, update

from tests import postgres
from tests.crash import NOW, add_one, entry, faults, made
from web import store
from web.powers import Power
from web.store import Rendered, Unavailable, reading, writing

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from sqlalchemy import Connection, Engine


@pytest.fixture(params=postgres.ENGINES)
def url(request: pytest.FixtureRequest) -> Iterator[str]:
    with postgres.database(request.param, request) as address:
        yield address


@pytest.fixture
def engine(url: str) -> Iterator[Engine]:
    engine = store.open_engine(url)
    store.migrate(engine)
    yield engine
    engine.dispose()


def add(engine: Engine, plan_id: str) -> None:
    kept, rendered, calendars = made(plan_id, 1)
    with writing(engine) as connection:
        store.create(connection, kept, rendered, calendars, read_at=NOW)


def state(engine: Engine) -> dict[str, list[tuple[object, ...]]]:
    with reading(engine) as connection:
        return {
            table.name: sorted((tuple(row) for row in connection.execute(select(table))), key=repr)
            for table in store.metadata.sorted_tables
        }


# -------------------------------------------------------------------------------------------------------------- killed


def crash(url: str, *options: str) -> tuple[int, dict[str, Any]]:
    """Runs the driver in a process of its own: it doubles itself, which a process with threads should not do."""
    command = [sys.executable, "-W", "error", "-m", "tests.crash", f"--url={url}", *options]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.stdout, done.stderr
    return done.returncode, json.loads(done.stdout)


def test_processes_killed_while_they_write_lose_nothing_and_leave_no_half_plan(url: str) -> None:
    status, report = crash(url, "--kills=12", "--seed=7")
    assert (status, report["lost"], report["half"], report["other"]) == (0, [], [], [])
    assert report["kills"] == 12
    assert report["acknowledged"] > 50
    assert report["under_way"] > 0, "no process was in the middle of a write"
    assert report["feeds_read"] > 0


def test_the_driver_finds_a_writer_that_acknowledges_too_early(tmp_path: Path) -> None:
    """A control: the same driver must see a loss where there is one."""
    status, report = crash(f"sqlite:///{tmp_path / 'x.sqlite'}", "--kills=200", "--fault=early")
    assert status == 1
    assert report["lost"]


def test_the_driver_finds_a_plan_whose_feed_was_not_written_with_it(tmp_path: Path) -> None:
    """A control: the same driver must see a half plan where there is one."""
    status, report = crash(f"sqlite:///{tmp_path / 'x.sqlite'}", "--kills=400", "--fault=apart")
    assert status == 1
    assert report["half"]


# ----------------------------------------------------------------------------------------------------- edited at once


def test_four_processes_that_edit_one_plan_a_hundred_times_each_lose_no_edit(url: str) -> None:
    status, counted = crash(url, "--edits=100", "--processes=4")
    assert status == 0
    assert (counted["acknowledged"], counted["counted"], counted["version"]) == (400, 400, 401)
    assert counted["retries"] > 0, "the processes never met"


def test_four_processes_that_check_in_a_hundred_times_each_lose_no_entry_while_the_plan_changes(url: str) -> None:
    """Every entry is in the log and in the feed, and every change of the plan counts: neither undoes the other."""
    status, counted = crash(url, "--check-ins=100", "--processes=4")
    assert (counted["acknowledged"], counted["counted"]) == (400, 400)
    assert (counted["lost"], counted["lost_in_feed"]) == (0, 0)
    assert counted["version"] == counted["version_in_feed"] == counted["changes"] + 1 > 1
    assert status == 0


def add_one_naively(engine: Engine, plan_id: str, met: threading.Barrier) -> None:
    """A control: what was read is written back, whatever happened in between."""
    with reading(engine) as connection:
        kept = store.find(connection, plan_id)
    assert kept is not None
    met.wait(30)
    with writing(engine) as connection:
        document = str(int(kept.document) + 1)
        connection.execute(update(store.plans).where(store.plans.c.id == plan_id).values(document=document))


def add_one_safely(engine: Engine, plan_id: str, met: threading.Barrier) -> None:
    with reading(engine) as connection:
        kept = store.find(connection, plan_id)
    assert kept is not None
    met.wait(30)
    new = kept._replace(document=str(int(kept.document) + 1))
    with writing(engine) as connection:
        saved = store.save(connection, new, Rendered("e", NOW, b""), expected=kept.version)
    while not saved:
        saved = add_one(engine, plan_id)


@pytest.mark.parametrize(("way", "left"), [(add_one_naively, "1"), (add_one_safely, "4")])
def test_of_four_that_read_before_any_of_them_writes_none_is_lost_and_naively_three_are(
    engine: Engine, way: Callable[[Engine, str, threading.Barrier], None], left: str
) -> None:
    kept, rendered, _ = made("plan", 1)
    with writing(engine) as connection:
        store.create(connection, kept._replace(document="0"), rendered, {}, read_at=NOW)
    met = threading.Barrier(4)
    threads = [threading.Thread(target=way, args=(engine, "plan", met)) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    with reading(engine) as connection:
        now = store.find(connection, "plan")
    assert now is not None
    assert now.document == left


# ---------------------------------------------------------------------------------------------- a fault at every step


class Fault(Exception):
    """What fails at the n-th statement."""


def create(connection: Connection) -> None:
    kept, rendered, calendars = made("new", 1)
    store.create(connection, kept, rendered, calendars, read_at=NOW)


def save(connection: Connection) -> None:
    kept, rendered, calendars = made("plan", 2)
    assert store.save(connection, kept, rendered, expected=1, calendars=calendars, read_at=NOW)


def check_in(connection: Connection) -> None:
    assert store.add_entry(connection, "plan", *entry("plan", 1))
    store.set_feed(connection, "plan", made("plan", 1, 1)[1])


def delete(connection: Connection) -> None:
    assert store.delete(connection, "plan")


def replace(connection: Connection) -> None:
    for power in (Power.FEED, Power.VIEW, Power.MANAGE):
        assert store.replace_link(connection, "plan", power) == 2


def tidy(connection: Connection) -> None:
    assert store.delete_ended(connection, "other", before=made("other", 1)[0].ends.replace(year=2028))
    assert store.drop_uploads(connection, before=NOW.replace(year=2028)) == 1


def failing(engine: Engine, moment: str, at: int) -> Callable[[], int]:
    """Fails the engine's ``at``-th statement (before or after it is run) or commit; returns the way to end that."""
    seen = 0

    def count(*_: object) -> None:
        nonlocal seen
        seen += 1
        if seen == at:
            raise Fault

    event.listen(engine, moment, count)

    def stop() -> int:
        event.remove(engine, moment, count)
        return seen

    return stop


@pytest.mark.parametrize("moment", ["before_cursor_execute", "after_cursor_execute", "commit"])
@pytest.mark.parametrize("change", [create, save, check_in, delete, replace, tidy])
def test_a_fault_at_any_step_of_a_change_leaves_the_old_state(
    engine: Engine, change: Callable[[Connection], None], moment: str
) -> None:
    """Old state or new, never a third; and the same connection goes on."""
    add(engine, "plan")
    add(engine, "other")
    with writing(engine) as connection:
        store.put_upload(connection, "upload", "a.ics", b"x" * 9_000, now=NOW)
    before = state(engine)
    at = 0
    while True:
        at += 1
        stop = failing(engine, moment, at)
        try:
            with writing(engine) as connection:
                change(connection)
        except Fault:
            stop()
            assert state(engine) == before, f"after a fault at step {at}"
        else:
            assert stop() < at
            break
    assert at > 1, "no fault was made"
    assert state(engine) != before
    with reading(engine) as connection:
        assert [fault for plan_id in store.all_ids(connection) for fault in list(faults(connection, plan_id))] == []


# ------------------------------------------------------------------------------------------------------ no more room


@pytest.fixture
def small(tmp_path: Path) -> Iterator[tuple[Engine, list[int]]]:
    """An SQLite engine whose database may have so many pages (the list's last number) at its next use."""
    engine, most = store.open_engine(f"sqlite:///{tmp_path / 'x.sqlite'}"), [1_000_000]
    store.migrate(engine)

    def limit(raw: Any, *_: object) -> None:
        raw.execute(f"PRAGMA max_page_count={most[-1]}")

    event.listen(engine, "checkout", limit)
    yield engine, most
    engine.dispose()


def test_with_the_disk_full_feeds_go_on_writes_say_so_and_all_recovers_without_a_restart(
    small: tuple[Engine, list[int]],
) -> None:
    """SQLite's documentation of PRAGMA max_page_count: what exceeds it fails as on a full disk."""
    engine, most = small
    add(engine, "plan")
    before = state(engine)
    most.append(1)  # SQLite takes it as “no more than there are now”
    for change in (create, save):
        with pytest.raises(Unavailable, match="try again") as error, writing(engine) as connection:
            change(connection)
        assert "full" in str(error.value.__cause__)
    assert state(engine) == before
    with reading(engine) as connection:
        feed = store.feed_body(connection, "plan")
        assert feed is not None
        assert feed[1] == made("plan", 1)[1].body
        assert store.alive(connection)
    with writing(engine) as connection:  # deleting makes room, and works
        delete(connection)
    most.append(1_000_000)
    add(engine, "plan")
    for change in (create, save):
        with writing(engine) as connection:
            change(connection)
    with reading(engine) as connection:
        assert [list(faults(connection, plan_id)) for plan_id in ("plan", "new")] == [[], []]


@pytest.mark.parametrize("change", [create, save, check_in, delete])
def test_a_file_that_can_grow_no_further_at_any_page_leaves_the_old_state(
    tmp_path: Path, change: Callable[[Connection], None]
) -> None:
    """The operating system refuses to write past a size (RLIMIT_FSIZE in POSIX setrlimit), page after page."""
    engine = store.open_engine(f"sqlite:///{tmp_path / 'x.sqlite'}")
    store.migrate(engine)
    add(engine, "plan")
    idle = engine.connect()  # while one is open, the write-ahead log grows and is not begun anew
    assert store.alive(idle)
    idle.rollback()
    before = state(engine)
    refused = 0
    _, hard = limits = resource.getrlimit(resource.RLIMIT_FSIZE)
    size = (tmp_path / "x.sqlite-wal").stat().st_size
    while True:
        resource.setrlimit(resource.RLIMIT_FSIZE, (size, hard))
        try:
            with writing(engine) as connection:
                change(connection)
        except Unavailable:
            refused += 1
            size += 3_000  # less than a page with its header
        else:
            break
        finally:
            resource.setrlimit(resource.RLIMIT_FSIZE, limits)
        assert state(engine) == before
    assert refused > 3
    idle.close()
    assert state(engine) != before
    with reading(engine) as connection:
        assert connection.exec_driver_sql("PRAGMA integrity_check").scalar() == "ok"
        assert [fault for plan_id in store.all_ids(connection) for fault in list(faults(connection, plan_id))] == []
    engine.dispose()
