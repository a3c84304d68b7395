"""What a fetch of the calendar feed costs, as ratios measured side by side in one run.

    python -m tests.bench.feed [--quick]

* CPU of a 304, a 200 and a miss in process, against a Flask view that answers 304 from memory (goals: 1.5, 1.3);
* requests a second of the feed's 200 and 304 against a bare Flask route that sends the same bytes and headers, under
  the same server, with wrk from Debian as load generator, turn by turn (goal: at least 0.65);
* the same with 100,000 plans against 100 (goal: at most 10 % slower);
* the slowest hundredth of fetches while another process changes plans, and with 200 connections that stall (goal: at
  most twice), with a server of default settings as the control that has to fail.

Times are printed for orientation only; nothing here passes or fails. Everything stays on this machine, and the whole
run takes less than eight minutes (``--quick``: one).
"""

from __future__ import annotations

import io
import logging
import re
import socket
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from datetime import UTC, date, datetime
from pathlib import Path
from shutil import which
from statistics import median
from time import monotonic, process_time, sleep
from typing import Any, NamedTuple

import waitress
from flask import Flask, Response
from sqlalchemy import insert

from tests import served
from web import store
from web.__main__ import CONNECTIONS, STALLED_SECONDS
from web.config import Settings
from web.powers import new_id

NOW = datetime(2027, 1, 5, 12, tzinfo=UTC)
MANY, FEW = 100_000, 100
STALLED = 200
FILLED = "0" * 32
"""The entity tag of every feed that is there to fill the database."""
OTHERS, CHANGES_A_SECOND = 5, 20
"""Plans that are changed while another one is fetched."""


class Size(NamedTuple):
    """How long everything is measured."""

    rounds: int
    seconds: int
    calls: int


FULL, QUICK = Size(rounds=12, seconds=2, calls=2_000), Size(rounds=2, seconds=1, calls=1_000)


def main() -> None:
    """Prints every table."""
    size = QUICK if "--quick" in sys.argv else FULL
    began = monotonic()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        app = served.application(folder / "few", served.Clock(NOW))
        path = served.feed_path(app, served.keep(app).id)
        for _ in range(OTHERS):
            served.keep(app, "chemistry-10")
        bare = bare_app(app, path)
        print_cpu(app, bare, path, size)
        if which("wrk") is None:
            print("\nwrk is absent (Debian: wrk): nothing is measured under load.")
            return
        print_throughput(folder / "few", app, path, size)
        print_crowd(folder, app, size)
        print_writing(folder / "few", path, size)
        print_stalled(folder / "few", path, size)
    print(f"\nThe whole run took {monotonic() - began:.0f} s.")


# -------------------------------------------------------------------------------------------------- what is compared


def bare_app(app: Flask, path: str) -> Flask:
    """Flask alone: a route with the same bytes and headers, and one with the same 304, both out of memory."""
    same = app.test_client().get(path)
    kept = [(name, value) for name, value in same.headers if name not in ("Content-Length", "Content-Type")]
    body, tag = same.get_data(), same.headers["ETag"]
    bare = Flask("bare")

    @bare.get("/feed/<token>.ics")
    def feed(token: str) -> Response:
        return Response(body, 200, kept, content_type="text/calendar; charset=utf-8")

    @bare.get("/same/<token>.ics")
    def same_as_yours(token: str) -> Response:
        return Response(None, 304, kept)

    bare.config["TAG"] = tag
    return bare


# --------------------------------------------------------------------------------------------------- CPU, in process


def print_cpu(app: Flask, bare: Flask, path: str, size: Size) -> None:
    """Processor time of one request, through the whole application and without a server."""
    tag = {"HTTP_IF_NONE_MATCH": bare.config["TAG"]}
    miss = f"/feed/{'A' * 44}.ics"
    work: dict[str, Callable[[], float]] = {
        "an in-memory 304": lambda: cpu(bare, [path.replace("/feed", "/same")], size.calls),
        "304": lambda: cpu(app, [path], size.calls, tag),
        "200, in memory": lambda: cpu(app, [path], size.calls),
        "unknown token": lambda: cpu(app, [miss], size.calls),
    }
    times: dict[str, list[float]] = {name: [] for name in work}
    for _ in range(size.rounds + 1):
        for name, measure in work.items():
            times[name].append(measure())
    base = min(times["an in-memory 304"])
    print("CPU of one request, in process")
    for name, goal in (("304", "≤ 1.5"), ("200, in memory", ""), ("unknown token", "≤ 1.3")):
        print_row(name, min(times[name]) / base, goal, f"{min(times[name]) * 1e6:.0f} µs against {base * 1e6:.0f} µs")


def cpu(app: Flask, paths: Sequence[str], calls: int, fields: Mapping[str, str] | None = None) -> float:
    """Seconds of processor time of one request of these in turn; askers differ, so that no limit on misses is met."""
    began = process_time()
    for number in range(calls):
        environ = {**ENVIRON, "PATH_INFO": paths[number % len(paths)], "wsgi.input": io.BytesIO(), **(fields or {})}
        environ["REMOTE_ADDR"] = f"127.0.{number % 200}.1"
        answer = app(environ, _started)
        for _ in answer:
            pass
        if hasattr(answer, "close"):
            answer.close()
    return (process_time() - began) / calls


ENVIRON: dict[str, Any] = {
    "REQUEST_METHOD": "GET",
    "SCRIPT_NAME": "",
    "QUERY_STRING": "",
    "SERVER_NAME": "127.0.0.1",
    "SERVER_PORT": "80",
    "SERVER_PROTOCOL": "HTTP/1.1",
    "HTTP_HOST": "127.0.0.1",
    "wsgi.version": (1, 0),
    "wsgi.url_scheme": "http",
    "wsgi.errors": sys.stderr,
    "wsgi.multithread": True,
    "wsgi.multiprocess": False,
    "wsgi.run_once": False,
}


def _started(status: str, fields: list[tuple[str, str]], *error: Any) -> Callable[[bytes], object]:
    return lambda data: None


# -------------------------------------------------------------------------------------------------------- under load


class Load(NamedTuple):
    """What wrk saw: requests a second, the milliseconds in which 99 of 100 were answered, and what went wrong."""

    rate: float
    p99_ms: float
    wrong: str


def wrk(address: str, seconds: int, *words: str, connections: int = 16) -> Load:
    """One run of the load generator."""
    command = ["wrk", "-t1", f"-c{connections}", f"-d{seconds}s", "--timeout", "2s", "--latency", *words, address]
    said = subprocess.run(command, capture_output=True, text=True, timeout=seconds + 30, check=True).stdout
    rate = re.search(r"Requests/sec:\s+([0-9.]+)", said)
    slowest = re.search(r"99%\s+([0-9.]+)(us|ms|s)", said)
    wrong = re.search(r"(Non-2xx or 3xx responses.*|Socket errors.*)", said)
    scale = {"us": 1e-3, "ms": 1.0, "s": 1e3}
    p99 = float(slowest[1]) * scale[slowest[2]] if slowest else float("nan")
    return Load(float(rate[1]) if rate else 0.0, p99, wrong[1].strip() if wrong else "")


@contextmanager
def process(*words: str) -> Iterator[int]:
    """This module in a process of its own, which serves or writes; gives the port that it says."""
    with subprocess.Popen(
        [sys.executable, "-m", "tests.bench.feed", *words], stdout=subprocess.PIPE, stdin=subprocess.PIPE, text=True
    ) as running:
        try:
            assert running.stdout is not None
            yield int(running.stdout.readline())
        finally:
            running.terminate()


def print_throughput(folder: Path, app: Flask, path: str, size: Size) -> None:
    """The feed beside a bare Flask route, turn by turn."""
    tag = app.test_client().get(path).headers["ETag"]
    print(f"\nrequests a second under waitress, {size.rounds} rounds of {size.seconds} s, turn by turn")
    with process("serve", str(folder)) as ours, process("bare", str(folder), path) as bare:
        for name, address, words in (
            ("200", path, ()),
            ("304", path.replace("/feed", "/same"), ("-H", f"If-None-Match: {tag}")),
        ):
            mine = f"http://127.0.0.1:{ours}{path}"
            theirs = f"http://127.0.0.1:{bare}{address}"
            pairs = [(wrk(mine, size.seconds, *words), wrk(theirs, size.seconds, *words)) for _ in range(size.rounds)]
            ratio = median(one.rate / other.rate for one, other in pairs)
            rates = median(one.rate for one, _ in pairs), median(other.rate for _, other in pairs)
            wrong = "; ".join({load.wrong for pair in pairs for load in pair} - {""})
            print_row(name, ratio, "≥ 0.65", f"{rates[0]:.0f} against {rates[1]:.0f} a second {wrong}")


def print_crowd(folder: Path, app: Flask, size: Size) -> None:
    """The 304 of feeds picked from 100,000 plans, against feeds picked from 100."""
    lists, times = {}, {}
    for count in (FEW, MANY):
        place = folder / f"crowd-{count}"
        crowd = served.application(place, served.Clock(NOW))
        ids = fill(crowd, count)
        picked = ids[:: max(1, len(ids) // 1_000)][:1_000]
        paths = [served.feed_path(crowd, one) for one in picked]
        lists[count] = script(place / "feeds.lua", paths)
        mine = {"HTTP_IF_NONE_MATCH": f'"{FILLED}"'}
        times[count] = min(cpu(crowd, paths, size.calls, mine) for _ in range(size.rounds + 1))
        served.service_of(crowd).engine.dispose()
    few, many = folder / f"crowd-{FEW}", folder / f"crowd-{MANY}"
    with process("serve", str(few)) as a, process("serve", str(many)) as b:
        pairs = [
            (
                wrk(f"http://127.0.0.1:{b}", size.seconds, "-s", str(lists[MANY])),
                wrk(f"http://127.0.0.1:{a}", size.seconds, "-s", str(lists[FEW])),
            )
            for _ in range(size.rounds)
        ]
    ratio = median(one.rate / other.rate for one, other in pairs)
    wrong = "; ".join({load.wrong for pair in pairs for load in pair} - {""})
    print(f"\n{MANY:,} plans against {FEW}")
    rates = f"{median(m.rate for m, _ in pairs):.0f} against {median(f.rate for _, f in pairs):.0f} a second {wrong}"
    print_row("304, feeds in turn: requests", ratio, "≥ 0.90", rates)
    seconds = f"{times[MANY] * 1e6:.0f} µs against {times[FEW] * 1e6:.0f} µs"
    print_row("304, feeds in turn: CPU", times[MANY] / times[FEW], "", seconds)


def fill(app: Flask, count: int) -> list[str]:
    """So many plans with feeds of a few kilobytes; their ids."""
    body = b"BEGIN:VCALENDAR\r\n" + b"X-FILL:0\r\n" * 450 + b"END:VCALENDAR\r\n"
    entropy = served.Chance()
    ids = sorted(new_id(entropy) for _ in range(count))
    plan = {"version": 1, "seed": "s", "document": "{}" + " " * 500, "plan": b"x" * 500, "created": NOW, "changed": NOW}
    plan |= {"ends": date(2027, 2, 1), "alarm": None, "view_on": False}
    plan |= {"view_generation": 1, "check_in_generation": 1, "manage_generation": 1}
    feed = {"generation": 1, "etag": FILLED, "modified": NOW}
    with store.writing(served.service_of(app).engine) as connection:
        for start in range(0, count, 10_000):
            some = ids[start : start + 10_000]
            connection.execute(insert(store.plans), [{"id": one, **plan} for one in some])
            connection.execute(insert(store.feeds), [{"plan_id": one, **feed} for one in some])
            connection.execute(insert(store.bodies), [{"plan_id": one, "body": body} for one in some])
    return ids


def script(path: Path, addresses: Iterable[str]) -> Path:
    """A script for wrk that asks for these in turn, as one who has them already."""
    listed = ",\n".join(f'"{address}"' for address in addresses)
    path.write_text(
        f'local feeds = {{\n{listed}\n}}\nlocal at = 0\nwrk.headers["If-None-Match"] = "\\"{FILLED}\\""\n'
        "request = function()\n  at = at % #feeds + 1\n  return wrk.format(nil, feeds[at])\nend\n"
    )
    return path


def print_writing(folder: Path, path: str, size: Size) -> None:
    """The slowest hundredth while another process changes plans."""
    print(f"\np99 of a 200 while another process changes {CHANGES_A_SECOND} plans a second, against a quiet database")
    quiet, busy = [], []
    with process("serve", str(folder)) as port:
        address = f"http://127.0.0.1:{port}{path}"
        for _ in range(size.rounds):
            quiet.append(wrk(address, size.seconds, connections=4))
            with process("write", str(folder)):
                busy.append(wrk(address, size.seconds, connections=4))
    print_p99("while plans are written", busy, quiet, "")


def print_stalled(folder: Path, path: str, size: Size) -> None:
    """The slowest hundredth while 200 clients have begun a request and say nothing more."""
    print(f"\np99 of a 200 with {STALLED} stalled connections, against none")
    calm, stalled = [], []
    with process("serve", str(folder)) as port:
        address = f"http://127.0.0.1:{port}{path}"
        for _ in range(size.rounds):
            calm.append(wrk(address, size.seconds, connections=4))
            with stalling(port):
                stalled.append(wrk(address, size.seconds, connections=4))
    print_p99(f"{STALLED} stalled connections", stalled, calm, "≤ 2")
    with process("untuned", str(folder)) as port, stalling(port):
        control = wrk(f"http://127.0.0.1:{port}{path}", 2, connections=4)
    print(f"  control, the server's default settings: {control.rate:.0f} requests a second {control.wrong}")


@contextmanager
def stalling(port: int) -> Iterator[None]:
    """Clients that have begun a request and stop in the middle of it."""
    with ExitStack() as stack:
        for _ in range(STALLED):
            wire = stack.enter_context(socket.create_connection(("127.0.0.1", port), timeout=5))
            wire.sendall(b"GET /feed/")
        sleep(0.3)
        yield


def print_p99(name: str, loads: list[Load], others: list[Load], goal: str) -> None:
    ratio = median(one.p99_ms / other.p99_ms for one, other in zip(loads, others, strict=True))
    times = median(one.p99_ms for one in loads), median(one.p99_ms for one in others)
    wrong = "; ".join({load.wrong for load in (*loads, *others)} - {""})
    print_row(name, ratio, goal, f"{times[0]:.1f} ms against {times[1]:.1f} ms {wrong}")


def print_row(name: str, ratio: float, goal: str, more: str) -> None:
    print(f"  {name:<32} {ratio:>6.2f} {'(goal ' + goal + ')' if goal else '':<14} {more}".rstrip())


# ------------------------------------------------------------------------------------------- the other processes


def serve(app: Flask, **options: Any) -> None:
    """The application under waitress, with the service's own settings unless others are given."""
    listening = socket.create_server(("127.0.0.1", 0), backlog=1024)
    logging.getLogger("waitress.queue").setLevel(logging.ERROR)
    tuned = {"connection_limit": CONNECTIONS, "channel_timeout": STALLED_SECONDS}
    print(listening.getsockname()[1], flush=True)
    waitress.serve(app, sockets=[listening], threads=Settings().threads, ident=None, _quiet=True, **(options or tuned))


def change(folder: Path) -> None:
    """Changes plans at a steady pace, for as long as the process lives and no more than a minute."""
    app = served.application(folder, served.Clock(NOW))
    with store.reading(served.service_of(app).engine) as connection:
        kept = [store.find(connection, plan_id) for plan_id in store.all_ids(connection)]
    others = [plan.id for plan in kept if plan and plan.seed == "chemistry-10"]
    print(0, flush=True)
    began = monotonic()
    for turn in range(60 * CHANGES_A_SECOND):
        sleep(max(0.0, began + turn / CHANGES_A_SECOND - monotonic()))
        served.change_alarm(app, others[turn % OTHERS], turn % 30)


if __name__ == "__main__":
    match sys.argv[1:]:
        case ["serve", folder]:
            serve(served.application(Path(folder), served.Clock(NOW)))
        case ["untuned", folder]:
            serve(served.application(Path(folder), served.Clock(NOW)), connection_limit=100)
        case ["bare", folder, path]:
            serve(bare_app(served.application(Path(folder), served.Clock(NOW)), path))
        case ["write", folder]:
            change(Path(folder))
        case _:
            main()
