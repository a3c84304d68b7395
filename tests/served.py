"""The service as tests meet it: with a clock and chance that they hold, a real plan, and a real server if need be."""

from __future__ import annotations

import tomllib
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from hashlib import sha256
from pathlib import Path
from threading import Event, Thread
from typing import TYPE_CHECKING, Any

import msgspec
import waitress
from waitress import wasyncore

from calplan.model import Plan, plan_from_json
from calplan.outcomes import Outcome, Status
from calplan.planner import make_plan
from calplan.request import from_mapping
from calplan.roster import Row, file_key
from web import create_app, plans, store, store_cohorts
from web.config import Settings
from web.powers import Power
from web.store_cohorts import Cohort, Member

if TYPE_CHECKING:
    from collections.abc import Iterator

    from flask import Flask

    from web.service import Service
    from web.store import Kept

FIXTURES = Path(__file__).parent.parent / "fixtures"
NOW = datetime(2027, 1, 5, 12, 0, tzinfo=UTC)


class Clock:
    """A clock that stands until it is moved."""

    def __init__(self, now: datetime = NOW) -> None:
        self.now = now

    def __call__(self) -> datetime:
        return self.now

    def forward(self, **amount: float) -> None:
        """Moves it, as far as a timedelta of these arguments."""
        self.now += timedelta(**amount)


class Chance:
    """Bytes that look like chance and are the same in each run."""

    def __init__(self) -> None:
        self.calls = 0

    def __call__(self, size: int) -> bytes:
        self.calls += 1
        return sha256(f"chance {self.calls}".encode()).digest()[:size]


def application(folder: Path, clock: Clock | None = None, **settings: Any) -> Flask:
    """The service with its data in a folder."""
    chosen = Settings(**{"data": folder / "data", **settings})
    # Cohorts are planned in a thread of this process, which starts at once.
    app = create_app(chosen, clock=clock or Clock(), entropy=Chance(), executor=lambda: ThreadPoolExecutor(1))
    app.testing = False  # faults become error pages, as for everybody
    return app


def service_of(app: Flask) -> Service:
    """The parts of an application."""
    service: Service = app.extensions["calplan"]
    return service


def mapping_of(name: str = "chemistry-30", **changes: Any) -> dict[str, Any]:
    """A request of fixtures/ as a form would hand it over."""
    read: dict[str, Any] = msgspec.to_builtins(tomllib.loads((FIXTURES / f"{name}.toml").read_text()))
    return read | changes


def keep(app: Flask, name: str = "chemistry-30", **changes: Any) -> Kept:
    """A new plan for a request of fixtures/, kept as the service keeps it."""
    service, mapping = service_of(app), mapping_of(name, **changes)
    request = from_mapping(mapping)
    plan = make_plan(request, {}, as_of=service.clock(), seed=name)
    with store.writing(service.engine) as connection:
        return plans.keep(service, connection, mapping, request, plan, {})


def now_kept(app: Flask, kept: Kept) -> Kept:
    """A plan as it is kept now."""
    with store.reading(service_of(app).engine) as connection:
        found = store.find(connection, kept.id)
    assert found is not None
    return found


def plan_now(app: Flask, kept: Kept) -> Plan:
    """A plan as it is now."""
    return plan_from_json(now_kept(app, kept).plan)


def keep_cohort(app: Flask, kept: Kept) -> Member:
    """A cohort with the id of a plan, and that plan as its only member's."""
    service, key = service_of(app), file_key(f"s-{kept.id}")
    row = Row(number=2, cells={"reference": key, "course": "chemistry", "section": "A"})
    outcome = Outcome(row=2, reference=key, status=Status.PLANNED, blocks=30, load={})
    written, said = msgspec.json.encode(row).decode(), msgspec.json.encode(outcome).decode()
    member = Member(key, 2, written, Status.PLANNED.value, said, kept.document, kept.id)
    now, courses = service.clock(), (FIXTURES / "cohort" / "courses.toml").read_bytes()
    cohort = Cohort(kept.id, 1, f"Cohort of {key}", "seed", courses, "", now, now, now, kept.ends)
    with store.writing(service.engine) as connection:
        store_cohorts.create(connection, cohort, [], [member])
    return member


def change_alarm(app: Flask, plan_id: str, minutes: int | None) -> None:
    """A change of the plan that its calendar shows."""
    with store.writing(service_of(app).engine) as connection:
        kept = store.find(connection, plan_id)
        assert kept is not None
        assert plans.set_alarm(service_of(app), connection, plans.opened(kept), minutes)


def replace_feed(app: Flask, plan_id: str) -> None:
    """A new link to the plan's feed; the old one stops."""
    with store.writing(service_of(app).engine) as connection:
        assert store.replace_link(connection, plan_id, Power.FEED)


def delete(app: Flask, plan_id: str) -> None:
    """The plan's end."""
    with store.writing(service_of(app).engine) as connection:
        assert store.delete(connection, plan_id)


def token(app: Flask, power: Power, plan_id: str, generation: int = 1) -> str:
    """What an address carries."""
    return service_of(app).keys.token(power, plan_id, generation)


def feed_path(app: Flask, plan_id: str, generation: int = 1) -> str:
    """The address of a plan's feed, below the service's own."""
    return f"/feed/{token(app, Power.FEED, plan_id, generation)}.ics"


@contextmanager
def live(app: Any, **options: Any) -> Iterator[int]:
    """The application behind a real server on this machine; gives its port."""
    sockets: dict[int, Any] = {}
    settings = {"threads": 4, "ident": None, "channel_timeout": 20, **options}
    server = waitress.create_server(app, host="127.0.0.1", port=0, map=sockets, **settings)
    ending = Event()

    def run() -> None:
        while not ending.is_set():
            wasyncore.loop(timeout=0.05, map=sockets, count=1)

    thread = Thread(target=run, daemon=True)
    thread.start()
    try:
        yield int(server.effective_port)
    finally:
        ending.set()
        thread.join()
        server.task_dispatcher.shutdown()
        wasyncore.close_all(sockets)
