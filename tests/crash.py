"""Kills processes while they write, and counts what was lost: ``python -m tests.crash --kills 1000``.

Writers make, change and delete plans, and check in on them, in a loop. Through a pipe they say what they are about to
do and, once it is done, that it is. At random moments all of them are killed (SIGKILL, which no process can catch);
then every write that was acknowledged must be there, the one that was under way wholly or not at all, and every plan
whole: plan, feed, busy calendars, earlier versions and log of one make. One more process reads feeds all the while and
looks whether each is whole.

Two faulty writers are built in as controls: one that acknowledges too early (``--fault early``), one that writes plan
and feed apart (``--fault apart``). With ``--edits`` several processes change one plan at once instead, and every change
must count. With ``--check-ins`` several processes check in on one plan at once, and one more changes it all the while:
every entry must be in the log, and the feed at the end must have all of them beside the last version.
"""

from __future__ import annotations

import argparse
import json
import os
import random
import select
import signal
import sys
import tempfile
import time
import traceback
from contextlib import ExitStack
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from sqlalchemy import make_url, text

from tests import postgres
from web import store
from web.powers import Power
from web.store import Kept, Rendered

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from sqlalchemy import Connection, Engine

NOW = datetime(2027, 3, 1, tzinfo=UTC)
PLAN_BYTES, BODY_BYTES = 60_000, 40_000
PLANS_A_WRITER = 4
MOST_WRITES = 120
"""Acknowledged writes after which, at the latest, the writers of one round are killed."""
WRITER_NAME = "calplan-writer"


# ------------------------------------------------------------------------------------------- plans that can be checked


def filled(mark: str, size: int) -> str:
    """Text of a size that says everywhere to which plan and version it belongs."""
    return (f"{mark}\n" * (size // (len(mark) + 1) + 1))[:size]


def made(plan_id: str, version: int, said: int = 0) -> tuple[Kept, Rendered, dict[str, bytes]]:
    """The plan of an id at a version, its feed after so many check-ins; the whole of it follows from the three."""
    mark = f"{plan_id} {version}"
    plan = filled(mark, PLAN_BYTES).encode()
    kept = Kept(plan_id, version, "seed", mark, plan, NOW, NOW, date(2027, 4, 1), None, False, 1, 1, 1)
    calendars = {f"{mark}.ics": filled(mark, 9_000).encode()}
    mark = f"{mark} and {said}"
    return kept, Rendered(mark, NOW, filled(mark, BODY_BYTES).encode()), calendars


def entry(plan_id: str, number: int) -> tuple[str, datetime, str]:
    """The check-in of a number (from 1) on the plan of an id: its own id, its instant, its body."""
    mark = f"{plan_id}-{number}"
    return mark, NOW + timedelta(seconds=number), json.dumps({"id": mark, "text": filled(mark, 300)})


def faults(connection: Connection, plan_id: str) -> Iterator[str]:
    """What is not whole about a plan that is there."""
    kept, feed = store.find(connection, plan_id), store.feed_body(connection, plan_id)
    if kept is None or feed is None:
        yield f"{plan_id}: a plan without a feed, or the other way round"
        return
    log = store.entries(connection, plan_id)
    wanted, rendered, calendars = made(plan_id, kept.version, len(log))
    if log != tuple(entry(plan_id, number)[2] for number in range(1, len(log) + 1)):
        yield f"{plan_id}: the log of {len(log)} entries is another one"
    if (kept.document, kept.plan) != (wanted.document, wanted.plan):
        yield f"{plan_id}: version {kept.version} holds the plan of another one"
    if (feed[0].etag, feed[1]) != (rendered.etag, rendered.body):
        yield f"{plan_id}: the feed beside version {kept.version} with {len(log)} entries is {feed[0].etag}"
    found = {name: upload.data for name, upload in store.calendars(connection, plan_id).items()}
    if found != calendars:
        yield f"{plan_id}: the calendars beside version {kept.version} are {sorted(found)}"
    for version in range(max(0, kept.version - store.REVISIONS_KEPT - 1), kept.version + 1):
        earlier = store.revision(connection, plan_id, version)
        due = max(1, kept.version - store.REVISIONS_KEPT) <= version < kept.version
        if (earlier is not None) != due or (earlier and earlier.plan != made(plan_id, version)[0].plan):
            yield f"{plan_id}: of version {kept.version} the earlier version {version} is wrong"


# ------------------------------------------------------------------------------------------------------------- writes


class Write(NamedTuple):
    """One write: what is done to which plan or upload; ``number`` is its version, generation or entries before."""

    what: str
    id: str
    number: int = 0


class State(NamedTuple):
    """What must be there: each plan's version, generation of the feed link and number of entries, and the uploads."""

    plans: dict[str, tuple[int, int, int]]
    uploads: set[str]

    def after(self, write: Write) -> State:
        """The state once a write is done."""
        plans, uploads = dict(self.plans), set(self.uploads)
        version, generation, said = plans.get(write.id, (0, 0, 0))
        if write.what == "create":
            plans[write.id] = (1, store.FIRST_GENERATION, 0)
        elif write.what == "save":
            plans[write.id] = (version + 1, generation, said)
        elif write.what == "replace":
            plans[write.id] = (version, generation + 1, said)
        elif write.what == "check-in":
            plans[write.id] = (version, generation, said + 1)
        elif write.what == "delete":
            del plans[write.id]
        else:
            uploads.add(write.id)
        return State(plans, uploads)


def next_write(state: State, chance: random.Random, fresh: str) -> Write:
    """Some write that the state allows."""
    if not state.plans or (len(state.plans) < PLANS_A_WRITER and chance.random() < 0.3):
        return Write("create", fresh)
    plan_id = chance.choice(sorted(state.plans))
    what = chance.choices(["save", "check-in", "replace", "delete", "upload"], [8, 8, 3, 1, 2])[0]
    version, generation, said = state.plans[plan_id]
    if what == "upload":
        return Write(what, fresh)
    return Write(what, plan_id, {"replace": generation, "check-in": said}.get(what, version))


def do(engine: Engine, write: Write) -> None:
    """Does a write as the service does it: in one transaction."""
    with store.writing(engine) as connection:
        if write.what == "create":
            kept, rendered, calendars = made(write.id, 1)
            store.create(connection, kept, rendered, calendars, read_at=NOW)
        elif write.what == "save":
            assert store.lock(connection, write.id)
            kept, rendered, calendars = made(write.id, write.number + 1, len(store.entries(connection, write.id)))
            assert store.save(connection, kept, rendered, expected=write.number, calendars=calendars, read_at=NOW)
        elif write.what == "check-in":
            assert store.add_entry(connection, write.id, *entry(write.id, write.number + 1))
            now = store.find(connection, write.id)
            assert now is not None
            store.set_feed(connection, write.id, made(write.id, now.version, write.number + 1)[1])
        elif write.what == "replace":
            assert store.replace_link(connection, write.id, Power.FEED) == write.number + 1
        elif write.what == "delete":
            assert store.delete(connection, write.id)
        else:
            store.put_upload(connection, write.id, "a.ics", filled(write.id, 9_000).encode(), now=NOW)


def do_apart(engine: Engine, write: Write) -> None:
    """The control that leaves half plans: a change of plan and feed in two transactions."""
    if write.what != "save":
        return do(engine, write)
    with store.writing(engine) as connection:
        said = len(store.entries(connection, write.id))
        kept, rendered, calendars = made(write.id, write.number + 1, said)
        old = made(write.id, write.number, said)[1]
        store.save(connection, kept, old, expected=write.number, calendars=calendars, read_at=NOW)
    with store.writing(engine) as connection:
        state = {"etag": rendered.etag, "modified": rendered.modified}
        connection.execute(store.feeds.update().where(store.feeds.c.plan_id == write.id), state)
        connection.execute(store.bodies.update().where(store.bodies.c.plan_id == write.id), {"body": rendered.body})
    return None


# ---------------------------------------------------------------------------------------------------------- processes


def child(work: Callable[[int], None]) -> tuple[int, int]:
    """Runs work in a process of its own; gives its id, and the end of a pipe that it says things into."""
    reader, writer = os.pipe()
    pid = os.fork()
    if pid:
        os.close(writer)
        return pid, reader
    status = 1
    try:
        os.close(reader)
        work(writer)
        status = 0
    except BaseException:
        traceback.print_exc()
    finally:
        sys.stderr.flush()
        os._exit(status)


def say(pipe: int, words: list[object]) -> None:
    """One line into the pipe; whoever dies afterwards has said it."""
    os.write(pipe, json.dumps(words).encode() + b"\n")


def keep_writing(url: str, state: State, seed: str, fault: str, pipe: int) -> None:
    """What a writer does until it is killed."""
    engine = store.open_engine(url)
    chance = random.Random(seed)
    for number in range(100_000):
        write = next_write(state, chance, f"{seed}-{number}")
        say(pipe, ["begins", *write])
        if fault == "early":
            say(pipe, ["done"])
        (do_apart if fault == "apart" else do)(engine, write)
        if fault != "early":
            say(pipe, ["done"])
        state = state.after(write)


def keep_reading(url: str, pipe: int) -> None:
    """Reads feeds, and says of each whether it is whole, until nobody listens any more."""
    engine = store.open_engine(url)
    signal.signal(signal.SIGPIPE, signal.SIG_IGN)
    while True:
        with store.reading(engine) as connection:
            ids = list(store.all_ids(connection))
        served, broken = 0, []
        for plan_id in ids:
            with store.reading(engine) as connection:
                feed = store.feed_body(connection, plan_id)
            if feed is not None:
                served += 1
                if feed[1] != filled(feed[0].etag, BODY_BYTES).encode():
                    broken.append(plan_id)
        try:
            say(pipe, [served, broken])
        except BrokenPipeError:
            return
        time.sleep(0.02)


# ------------------------------------------------------------------------------------------------------------- rounds


class Report(NamedTuple):
    """What a run found. ``lost`` are acknowledged writes that are not there, ``half`` are plans that are not whole."""

    kills: int
    acknowledged: int
    under_way: int
    under_way_kept: int
    feeds_read: int
    lost: list[str]
    half: list[str]
    other: list[str]

    @property
    def sound(self) -> bool:
        """Whether nothing was lost."""
        return not (self.lost or self.half or self.other)


def run(url: str, *, kills: int, seed: int, writers: int = 2, fault: str = "") -> Report:
    """Kills writers until so many are dead; stops early once something was lost."""
    engine = store.open_engine(url)
    store.migrate(engine)
    engine.dispose()  # nothing of a database's connection may be open while a process is doubled
    chance = random.Random(seed)
    reader = child(lambda pipe: keep_reading(url, pipe))
    states = [State({}, set()) for _ in range(writers)]
    report = Report(0, 0, 0, 0, 0, [], [], [])
    while report.kills < kills and report.sound:
        states, report = one_round(engine, url, states, report, chance, f"{seed}-{report.kills}", fault)
    served = drain(reader[1])
    os.kill(reader[0], signal.SIGKILL)
    os.waitpid(reader[0], 0)
    broken = [plan_id for _, names in served for plan_id in names]
    return report._replace(feeds_read=sum(count for count, _ in served), half=report.half + broken)


def one_round(
    engine: Engine, url: str, states: list[State], report: Report, chance: random.Random, seed: str, fault: str
) -> tuple[list[State], Report]:
    """Starts writers, kills them, and compares what is there with what was said."""
    address = make_url(url)
    if address.get_backend_name() == "postgresql":
        address = address.update_query_dict({"application_name": WRITER_NAME})
    named = address.render_as_string(hide_password=False)
    started = [
        child(lambda pipe, state=state, number=number: keep_writing(named, state, f"{seed}-{number}", fault, pipe))  # type: ignore[misc]
        for number, state in enumerate(states)
    ]
    wanted = chance.randint(1, MOST_WRITES)
    lines: dict[int, list[list[Any]]] = {pipe: [] for _, pipe in started}
    while done_in(lines) < wanted:
        more = {pipe: heard(pipe) for pipe in select.select(list(lines), [], [], 60)[0]}
        if not any(more.values()):
            break  # the writers ended by themselves, which is told below
        for pipe, said in more.items():
            lines[pipe] += said
    time.sleep(chance.uniform(0, 0.012))  # some moment of a write
    for pid, _ in started:
        os.kill(pid, signal.SIGKILL)
    ends = [os.waitpid(pid, 0)[1] for pid, _ in started]
    for _, pipe in started:
        lines[pipe] += drain(pipe)
    wait_for_the_dead(engine)
    report = report._replace(kills=report.kills + len(started))
    if any(os.waitstatus_to_exitcode(end) != -signal.SIGKILL for end in ends):
        report.other.append(f"a writer ended by itself: {ends}")
    before = list(zip(states, lines.values(), strict=True))
    found = present(engine, report)
    compared = [compare(state, said, found, report) for state, said in before]
    kept = [one for _, one in compared if one is not None]
    engine.dispose()
    return [state for state, _ in compared], report._replace(
        acknowledged=report.acknowledged + done_in(lines),
        under_way=report.under_way + len(kept),
        under_way_kept=report.under_way_kept + sum(kept),
    )


def done_in(lines: dict[int, list[list[Any]]]) -> int:
    """How many writes were acknowledged."""
    return sum(line == ["done"] for said in lines.values() for line in said)


def heard(pipe: int) -> list[list[Any]]:
    """What was said since; a line is short enough to come whole (POSIX: writes up to PIPE_BUF are atomic)."""
    said = os.read(pipe, 1 << 16)
    while said and not said.endswith(b"\n"):
        said += os.read(pipe, 1 << 16)
    return [json.loads(line) for line in said.splitlines()]


def drain(pipe: int) -> list[list[Any]]:
    """The rest of what a process said; what it said before it died is still in the pipe."""
    os.set_blocking(pipe, False)
    said = b""
    try:
        while more := os.read(pipe, 1 << 16):
            said += more
    except BlockingIOError:
        pass
    os.close(pipe)
    return [json.loads(line) for line in said.splitlines(keepends=True) if line.endswith(b"\n")]


def wait_for_the_dead(engine: Engine) -> None:
    """PostgreSQL finishes what a dead client had sent: only then is the state final."""
    if engine.dialect.name != "postgresql":
        return
    question = text("SELECT count(*) FROM pg_stat_activity WHERE application_name = :name")
    for _ in range(2_000):
        with store.reading(engine) as connection:
            if not connection.execute(question, {"name": WRITER_NAME}).scalar():
                return
        time.sleep(0.005)
    raise TimeoutError("connections of dead writers stay")


def present(engine: Engine, report: Report) -> State:
    """What is there, once it was looked whether it is whole."""
    plans = {}
    with store.reading(engine) as connection:
        for plan_id in list(store.all_ids(connection)):
            report.half.extend(faults(connection, plan_id))
            kept, feed = store.find(connection, plan_id), store.feed_state(connection, plan_id)
            if kept is not None and feed is not None:
                plans[plan_id] = (kept.version, feed.generation, len(store.entries(connection, plan_id)))
        uploads = {row[0] for row in connection.execute(store.uploads.select().with_only_columns(store.uploads.c.id))}
        for table in (store.feeds, store.bodies, store.calendars_, store.revisions, store.entries_):
            owners = {row[0] for row in connection.execute(table.select().with_only_columns(table.c.plan_id))}
            report.half.extend(f"{table.name} of {plan_id}, which is gone" for plan_id in owners - set(plans))
        if engine.dialect.name == "sqlite":
            checks = connection.exec_driver_sql("PRAGMA integrity_check").fetchall()
            orphans = connection.exec_driver_sql("PRAGMA foreign_key_check").fetchall()
            if [tuple(row) for row in checks] != [("ok",)] or orphans:
                report.other.append(f"the database is damaged: {checks[:3]} {orphans[:3]}")
    return State(plans, uploads)


def compare(state: State, said: list[list[Any]], found: State, report: Report) -> tuple[State, bool | None]:
    """The state of one writer's plans now, and whether its write under way was kept (``None``: there was none)."""
    under_way: Write | None = None
    touched = set(state.plans) | state.uploads
    for line in said:
        if line[0] == "begins":
            under_way = Write(*line[1:])
            touched.add(under_way.id)
        elif under_way is not None:
            state, under_way = state.after(under_way), None
    here = State(
        {plan_id: found.plans[plan_id] for plan_id in touched if plan_id in found.plans}, touched & found.uploads
    )
    if here == state:
        return state, None if under_way is None else False
    if under_way is not None and here == state.after(under_way):
        return here, True
    report.lost.append(f"acknowledged: {state}; under way: {under_way}; found: {here}")
    return here, None


# -------------------------------------------------------------------------------------------------------------- edits


def edit(url: str, plan_id: str, edits: int, pipe: int) -> None:
    """Adds one to the number in a plan's document, so many times; says how often someone was faster."""
    engine, retries = store.open_engine(url), 0
    for _ in range(edits):
        while not add_one(engine, plan_id):
            retries += 1
    say(pipe, [retries])


def add_one(engine: Engine, plan_id: str) -> bool:
    """Reads a plan, adds one to the number in its document, and saves it if it has not changed meanwhile."""
    with store.reading(engine) as connection:
        kept = store.find(connection, plan_id)
    assert kept is not None
    new = kept._replace(document=str(int(kept.document) + 1))
    with store.writing(engine) as connection:
        return store.save(connection, new, Rendered(new.document, NOW, b""), expected=kept.version)


def run_edits(url: str, *, processes: int, edits: int) -> dict[str, int]:
    """Several processes edit one plan at once; tells how many edits were acknowledged, and how many count."""
    engine = store.open_engine(url)
    store.migrate(engine)
    with store.writing(engine) as connection:
        kept = made("edited", 1)[0]._replace(document="0")
        store.create(connection, kept, Rendered("0", NOW, b""), {}, read_at=NOW)
    engine.dispose()
    started = [child(lambda pipe: edit(url, "edited", edits, pipe)) for _ in range(processes)]
    ends = [os.waitpid(pid, 0)[1] for pid, _ in started]
    retries = sum(line[0] for _, pipe in started for line in drain(pipe))
    with store.reading(engine) as connection:
        now = store.find(connection, "edited")
    engine.dispose()
    assert now is not None
    acknowledged = edits * ends.count(0)
    return {"acknowledged": acknowledged, "counted": int(now.document), "version": now.version, "retries": retries}


# ---------------------------------------------------------------------------------------------------------- check-ins


def render(connection: Connection, plan_id: str) -> Rendered:
    """A feed that says which version it is of and which entries it knows: what it was rendered from is in its body."""
    now = store.find(connection, plan_id)
    assert now is not None
    body = json.dumps([now.version, store.entries(connection, plan_id)])
    return Rendered(f"{len(body)}", NOW, body.encode())


def check_in(engine: Engine, plan_id: str, said: str) -> None:
    """Adds an entry and renders the feed, as the service does; sends the same once more where the database was busy."""
    while True:
        try:
            with store.writing(engine) as connection:
                assert store.add_entry(connection, plan_id, said, NOW, said)
                return store.set_feed(connection, plan_id, render(connection, plan_id))
        except store.Unavailable:
            continue


def change_one(engine: Engine, plan_id: str) -> bool:
    """Changes the plan if it has not changed since it was read, and renders the feed of the log as it is by then."""
    with store.reading(engine) as connection:
        kept = store.find(connection, plan_id)
    assert kept is not None
    with store.writing(engine) as connection:
        assert store.lock(connection, plan_id)
        old = render(connection, plan_id)
        if not store.save(connection, kept, old, expected=kept.version):
            return False
        store.set_feed(connection, plan_id, render(connection, plan_id))
    return True


def keep_changing(url: str, plan_id: str, stop: int, pipe: int) -> None:
    """Changes a plan until there is something to read from ``stop``; says how often it did."""
    engine, changes = store.open_engine(url), 0
    while not changes or not select.select([stop], [], [], 0)[0]:
        changes += change_one(engine, plan_id)
        time.sleep(0.005)
    say(pipe, [changes])


def check_in_often(url: str, plan_id: str, name: str, check_ins: int) -> None:
    """What one device does."""
    engine = store.open_engine(url)
    for number in range(check_ins):
        check_in(engine, plan_id, f"{name}-{number}")


def run_check_ins(url: str, *, processes: int, check_ins: int) -> dict[str, int]:
    """Several processes check in on one plan at once and one changes it; tells what is in the log and in the feed."""
    engine = store.open_engine(url)
    store.migrate(engine)
    with store.writing(engine) as connection:
        store.create(connection, made("plan", 1)[0], Rendered("0", NOW, b"[1, []]"), {}, read_at=NOW)
    engine.dispose()
    stop, stopping = os.pipe()
    changing = child(lambda pipe: keep_changing(url, "plan", stop, pipe))
    started = [
        child(lambda pipe, name=str(number): check_in_often(url, "plan", name, check_ins))  # type: ignore[misc]
        for number in range(processes)
    ]
    ends = [os.waitpid(pid, 0)[1] for pid, _ in started]
    os.write(stopping, b".")
    changed = os.waitpid(changing[0], 0)[1] == 0
    changes = sum(line[0] for line in drain(changing[1])) if changed else -1
    wanted = {f"{name}-{number}" for name in range(processes) for number in range(check_ins)}
    with store.reading(engine) as connection:
        now, feed = store.find(connection, "plan"), store.feed_body(connection, "plan")
        log = store.entries(connection, "plan")
    engine.dispose()
    assert now is not None
    assert feed is not None
    version, known = json.loads(feed[1])
    return {
        "acknowledged": check_ins * ends.count(0),
        "counted": len(log),
        "lost": len(wanted - set(log)),
        "lost_in_feed": len(wanted - set(known)),
        "changes": changes,
        "version": now.version,
        "version_in_feed": version,
    }


# ---------------------------------------------------------------------------------------------------------- command


def main() -> None:
    """Runs what was asked for, prints a report as JSON, and ends with 1 where something was lost."""
    parser = argparse.ArgumentParser(prog="python -m tests.crash", description=__doc__.split("\n", 1)[0])
    parser.add_argument("--kills", type=int, default=20)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--fault", choices=["", "early", "apart"], default="")
    parser.add_argument("--edits", type=int, default=0, help="edits of each process, instead of kills")
    parser.add_argument("--check-ins", type=int, default=0, help="check-ins of each process, instead of kills")
    parser.add_argument("--processes", type=int, default=4)
    parser.add_argument("--postgresql", action="store_true", help="on a private PostgreSQL instead of SQLite")
    parser.add_argument("--url", default="", help="on this database, which must be empty")
    asked = parser.parse_args()
    with ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        url = asked.url or f"sqlite:///{folder / 'calplan.sqlite'}"
        if asked.postgresql:
            url = stack.enter_context(postgres.fresh(stack.enter_context(postgres.server(folder))))
        if asked.edits:
            counted = run_edits(url, processes=asked.processes, edits=asked.edits)
            sound = counted["acknowledged"] == counted["counted"] == asked.edits * asked.processes
            shown: dict[str, object] = dict(counted)
        elif asked.check_ins:
            counted = run_check_ins(url, processes=asked.processes, check_ins=asked.check_ins)
            sound = (
                counted["acknowledged"] == counted["counted"] == asked.check_ins * asked.processes
                and counted["lost"] == counted["lost_in_feed"] == 0
                and counted["version"] == counted["version_in_feed"] == counted["changes"] + 1
            )
            shown = dict(counted)
        else:
            report = run(url, kills=asked.kills, seed=asked.seed, fault=asked.fault)
            sound, shown = report.sound, report._asdict()
    sys.stdout.write(json.dumps(shown, indent=1) + "\n")
    sys.exit(0 if sound else 1)


if __name__ == "__main__":
    main()
