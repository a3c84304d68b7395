"""The log of check-ins as it is kept: it only grows, nobody's word is lost, and the feed says what the log says."""

from __future__ import annotations

import random
import threading
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import pytest
from alembic import command
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import exc, inspect, select, update

from calplan.checkins import CheckIn, Outcome, Undone, entry_from_json, in_order, to_line
from tests import postgres
from tests.crash import NOW, change_one, check_in, entry, made, render
from web import store
from web.powers import load_key
from web.store import Rendered, reading, writing
from web.upkeep import backup, restore, tidy

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from sqlalchemy import Engine


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


def put(engine: Engine, plan_id: str = "plan", document: str = "") -> None:
    kept, rendered, calendars = made(plan_id, 1)
    with writing(engine) as connection:
        store.create(connection, kept._replace(document=document), rendered, calendars, read_at=NOW)


def add(engine: Engine, entry_id: str, body: str, plan_id: str = "plan", at: datetime = NOW) -> bool:
    with writing(engine) as connection:
        return store.add_entry(connection, plan_id, entry_id, at, body)


def log(engine: Engine, plan_id: str = "plan") -> tuple[str, ...]:
    with reading(engine) as connection:
        return store.entries(connection, plan_id)


def rows(engine: Engine) -> dict[str, list[tuple[object, ...]]]:
    with reading(engine) as connection:
        return {
            table.name: sorted((tuple(row) for row in connection.execute(select(table))), key=repr)
            for table in store.metadata.sorted_tables
        }


def at_once(*works: Callable[[], object]) -> None:
    """Runs each work in a thread of its own, all at once; what one of them raises is raised."""
    raised: list[BaseException] = []

    def run(work: Callable[[], object]) -> None:
        try:
            work()
        except BaseException as error:
            raised.append(error)

    threads = [threading.Thread(target=run, args=(work,)) for work in works]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    if raised:
        raise raised[0]


# --------------------------------------------------------------------------------------------------- what is kept


def test_entries_come_back_in_order_of_their_instants_and_then_of_their_ids(engine: Engine) -> None:
    """Whatever order they came in, and as the log itself orders them: ids as code points, not as a language sorts."""
    put(engine)
    put(engine, "other")
    said = [
        CheckIn(
            id=name, at=NOW + timedelta(microseconds=late), block="b", outcome=Outcome.DONE, instead="the dentist’s"
        )
        for late in (0, 1)
        for name in (f"a{late}", f"B{late}", f"é{late}", f"_{late}", f"Z-{late}")
    ] + [Undone(id="last", at=NOW + timedelta(days=1), entry="a0")]
    mixed = random.Random(5).sample(said, len(said))
    for one in mixed:
        assert add(engine, one.id, to_line(one).decode(), at=one.at)
    assert tuple(entry_from_json(body) for body in log(engine)) == in_order(mixed) == in_order(said)
    assert log(engine, "other") == log(engine, "nobody") == ()


@given(body=st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0")))
@settings(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_any_body_comes_back(engine: Engine, body: str) -> None:
    put(engine)
    assert add(engine, "x" * store.ID_LENGTH, body)
    assert log(engine) == (body,)
    with writing(engine) as connection:
        assert store.delete(connection, "plan")


@pytest.mark.parametrize(
    ("entry_id", "body"), [("", "{}"), ("x" * 65, "{}"), ("a\0", "{}"), ("\udc00", "{}"), ("a", "\0"), ("a", "\ud800")]
)
def test_what_only_one_of_the_databases_could_hold_is_refused_by_both(engine: Engine, entry_id: str, body: str) -> None:
    put(engine)
    with pytest.raises(ValueError, match="an entry's id has 1 to 64 characters"):
        add(engine, entry_id, body)
    assert log(engine) == ()


def test_an_instant_without_a_zone_is_refused(engine: Engine) -> None:
    put(engine)
    with pytest.raises(exc.StatementError, match="needs a zone"):
        add(engine, "a", "{}", at=datetime(2027, 3, 1))
    assert log(engine) == ()


def test_where_there_is_no_plan_nothing_is_added(engine: Engine) -> None:
    put(engine)
    before = rows(engine)
    assert add(engine, "a", "{}", "nobody") is False
    with writing(engine) as connection:
        assert store.lock(connection, "plan") is True
        assert store.lock(connection, "nobody") is False
        store.set_feed(connection, "nobody", Rendered("e", NOW, b"x"))
    assert rows(engine) == before


def test_the_same_form_sent_twice_is_one_entry_and_the_second_changes_nothing(engine: Engine) -> None:
    """The second comes later, so its instant and with that its body may differ: the first stays."""
    put(engine)
    put(engine, "other")
    assert add(engine, "form-1", "first") is True
    before = rows(engine)
    assert add(engine, "form-1", "second", at=NOW + timedelta(seconds=2)) is True
    assert rows(engine) == before
    assert add(engine, "form-1", "of another plan", "other") is True
    assert (log(engine), log(engine, "other")) == (("first",), ("of another plan",))


def test_a_log_that_is_full_says_so_and_still_takes_again_what_it_has(
    engine: Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    put(engine)
    put(engine, "other")
    assert store.MOST_ENTRIES == 5_000
    monkeypatch.setattr(store, "MOST_ENTRIES", 3)
    for number in range(3):
        assert add(engine, f"{number}", f"{number}")
    with pytest.raises(store.LogFull, match=r"holds 3 entries.*not added.*new plan"):
        add(engine, "3", "3")
    assert add(engine, "2", "again")
    assert add(engine, "3", "of another plan", "other")
    assert log(engine) == ("0", "1", "2")


def test_of_two_at_once_the_last_place_in_a_log_goes_to_one(engine: Engine, monkeypatch: pytest.MonkeyPatch) -> None:
    put(engine)
    monkeypatch.setattr(store, "MOST_ENTRIES", 10)
    refused: list[str] = []

    def device(name: str) -> None:
        for number in range(6):
            try:
                add(engine, f"{name}{number}", "{}")
            except store.LogFull:
                refused.append(name)

    at_once(lambda: device("a"), lambda: device("b"))
    assert (len(log(engine)), len(refused)) == (10, 2)


def test_a_feed_is_replaced_without_a_new_version_and_its_link_and_last_fetch_stay(engine: Engine) -> None:
    put(engine)
    later = NOW + timedelta(hours=1)
    with writing(engine) as connection:
        store.mark_fetched(connection, {"plan": NOW})
    before = rows(engine)
    with writing(engine) as connection:
        store.set_feed(connection, "plan", Rendered("new", later, b"new bytes"))
    after = rows(engine)
    with reading(engine) as connection:
        state = store.FeedState(store.FIRST_GENERATION, "new", later)
        assert store.feed_body(connection, "plan") == (state, b"new bytes")
        assert store.last_fetched(connection, "plan") == NOW
    assert {name for name in before if before[name] != after[name]} == {"feeds", "bodies"}


# -------------------------------------------------------------------------------------------------------- at once


def check_in_by_rewriting(engine: Engine, said: str, met: threading.Barrier) -> None:
    """A control: the log as one text, which is read, made longer and written back."""
    with reading(engine) as connection:
        kept = store.find(connection, "plan")
    assert kept is not None
    met.wait(30)
    with writing(engine) as connection:
        longer = kept.document + said
        connection.execute(update(store.plans).where(store.plans.c.id == "plan").values(document=longer))


def check_in_by_adding(engine: Engine, said: str, met: threading.Barrier) -> None:
    log(engine)
    met.wait(30)
    add(engine, said, said)


@pytest.mark.parametrize(("way", "left"), [(check_in_by_rewriting, 1), (check_in_by_adding, 4)])
def test_of_four_devices_that_read_before_any_of_them_writes_none_is_lost_and_by_rewriting_three_are(
    engine: Engine, way: Callable[[Engine, str, threading.Barrier], None], left: int
) -> None:
    put(engine)
    met = threading.Barrier(4)
    at_once(*(lambda said=said: way(engine, said, met) for said in "abcd"))
    with reading(engine) as connection:
        kept = store.find(connection, "plan")
        assert kept is not None
        words = "".join(store.entries(connection, "plan")) + kept.document
    assert len(words) == left
    assert set(words) <= set("abcd")


def test_the_same_form_sent_by_four_at_once_is_one_entry(engine: Engine) -> None:
    put(engine)
    met = threading.Barrier(4)

    def send(body: str) -> None:
        met.wait(30)
        for number in range(20):
            assert add(engine, f"form-{number}", f"{number} {body}")

    at_once(*(lambda body=body: send(body) for body in "abcd"))
    assert sorted(int(body.split()[0]) for body in log(engine)) == list(range(20))


def render_before_the_lock(engine: Engine, said: str, met: threading.Barrier) -> None:
    """A control: the entry is added, but the feed is rendered from what was read before."""
    with reading(engine) as connection:
        known = store.entries(connection, "plan")
    met.wait(30)
    with writing(engine) as connection:
        assert store.add_entry(connection, "plan", said, NOW, said)
        store.set_feed(connection, "plan", Rendered("e", NOW, "".join([*known, said]).encode()))


def render_under_the_lock(engine: Engine, said: str, met: threading.Barrier) -> None:
    met.wait(30)
    with writing(engine) as connection:
        assert store.add_entry(connection, "plan", said, NOW, said)
        store.set_feed(connection, "plan", Rendered("e", NOW, "".join(store.entries(connection, "plan")).encode()))


@pytest.mark.parametrize(("way", "known"), [(render_before_the_lock, 1), (render_under_the_lock, 4)])
def test_of_check_ins_at_once_each_feed_is_rendered_after_the_one_before_it(
    engine: Engine, way: Callable[[Engine, str, threading.Barrier], None], known: int
) -> None:
    """The feed at the end knows all entries; rendered before the lock it knows one, though the log has them all."""
    put(engine)
    met = threading.Barrier(4)
    at_once(*(lambda said=said: way(engine, said, met) for said in "abcd"))
    with reading(engine) as connection:
        feed = store.feed_body(connection, "plan")
    assert feed is not None
    assert len(feed[1]) == known
    assert log(engine) == ("a", "b", "c", "d")


def test_a_lock_has_others_wait_for_the_same_plan_while_readers_go_on(
    url: str, engine: Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    put(engine)
    put(engine, "other")
    monkeypatch.setattr(store, "BUSY_SECONDS", 1)
    impatient = store.open_engine(url)
    with writing(engine) as connection:
        assert store.lock(connection, "plan")
        with pytest.raises(store.Unavailable), writing(impatient) as waiting:
            store.lock(waiting, "plan")
        assert log(impatient) == ()
        if engine.dialect.name == "postgresql":
            assert add(impatient, "a", "of another plan", "other")
    assert add(impatient, "a", "a")
    impatient.dispose()


# --------------------------------------------------------------------------------- while a plan's change is under way


def test_a_check_in_between_a_changes_reading_and_its_compare_and_set_is_kept_and_so_is_the_change(
    engine: Engine,
) -> None:
    put(engine)
    with reading(engine) as connection:
        kept = store.find(connection, "plan")
    assert kept is not None
    check_in(engine, "plan", "said meanwhile")
    with writing(engine) as connection:
        assert store.lock(connection, "plan")
        changed = kept._replace(document="changed")
        assert store.save(connection, changed, made("plan", 2)[1], expected=kept.version)
        store.set_feed(connection, "plan", render(connection, "plan"))
    with reading(engine) as connection:
        now = store.find(connection, "plan")
        feed = store.feed_body(connection, "plan")
    assert now is not None
    assert feed is not None
    assert (now.version, now.document) == (2, "changed")
    assert log(engine) == ("said meanwhile",)
    assert feed[1] == b'[2, ["said meanwhile"]]'


def test_a_change_that_was_overtaken_by_another_change_takes_no_entry_with_it(engine: Engine) -> None:
    put(engine)
    with reading(engine) as connection:
        kept = store.find(connection, "plan")
    assert kept is not None
    assert change_one(engine, "plan")
    check_in(engine, "plan", "said")
    before = rows(engine)
    with writing(engine) as connection:
        assert store.lock(connection, "plan")
        assert not store.save(connection, kept, made("plan", 2)[1], expected=kept.version)
    assert rows(engine) == before


def test_check_ins_and_changes_at_once_leave_a_feed_of_the_last_version_with_every_entry(engine: Engine) -> None:
    put(engine)

    def device(name: str) -> None:
        for number in range(15):
            check_in(engine, "plan", f"{name}{number}")

    def change() -> None:
        for _ in range(15):
            while not change_one(engine, "plan"):
                pass

    at_once(lambda: device("a"), lambda: device("b"), change, change)
    with reading(engine) as connection:
        now, feed = store.find(connection, "plan"), store.feed_body(connection, "plan")
        assert feed is not None
        assert feed[1] == render(connection, "plan").body
    assert now is not None
    assert now.version == 31
    assert set(log(engine)) == {f"{name}{number}" for name in "ab" for number in range(15)}


# ----------------------------------------------------------------------------------------------------------- upkeep


def test_the_log_goes_with_its_plan_and_another_plans_log_stays(engine: Engine) -> None:
    put(engine)
    put(engine, "other")
    for plan_id in ("plan", "other"):
        add(engine, "a", f"said of {plan_id}", plan_id)
    with writing(engine) as connection:
        assert store.delete(connection, "plan")
    assert "said of plan" not in repr(rows(engine))
    assert log(engine, "other") == ("said of other",)
    tidy(engine, now=datetime(2028, 1, 1, tzinfo=UTC), keep_days=60)
    assert rows(engine)["entries"] == []


def test_a_backup_carries_the_log(engine: Engine, tmp_path: Path, request: pytest.FixtureRequest) -> None:
    put(engine)
    for number in range(1, 8):
        assert add(engine, *entry("plan", number)[::2], at=entry("plan", number)[1])
    load_key(tmp_path / "key", lambda count: b"k" * count)
    folder = backup(engine, tmp_path / "backups", key_file=tmp_path / "key", now=NOW)
    with postgres.database(engine.dialect.name, request) as url:
        if engine.dialect.name == "sqlite":
            url = f"sqlite:///{tmp_path / 'restored.sqlite'}"
        restored = store.open_engine(url)
        restore(restored, folder, key_file=tmp_path / "key")
        store.migrate(restored)
        assert rows(restored) == rows(engine)
        assert log(restored) == tuple(entry("plan", number)[2] for number in range(1, 8))
        assert add(restored, "goes on", "{}")
        restored.dispose()


def test_a_database_from_before_the_log_gets_an_empty_one_and_back_again_keeps_its_plans(url: str) -> None:
    engine = store.open_engine(url)
    store.migrate(engine, "0001")
    put(engine)
    store.migrate(engine)
    before = rows(engine)
    assert before["entries"] == []
    assert add(engine, "a", "{}")
    config = store.alembic_config()
    with writing(engine) as connection:
        config.attributes["connection"] = connection
        command.downgrade(config, "0001")
    with reading(engine) as connection:
        assert "entries" not in inspect(connection).get_table_names()
    store.migrate(engine)
    assert rows(engine) == before
    engine.dispose()
