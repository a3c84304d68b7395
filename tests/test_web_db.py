"""A view writes all or nothing, before its answer is sent; each request has one connection and gives it back."""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import TYPE_CHECKING

import pytest
from flask import Flask, abort, g
from sqlalchemy import event, text

from tests import postgres
from web import db, store
from web.store import Kept, Rendered, Unavailable

if TYPE_CHECKING:
    from collections.abc import Iterator

    from flask.testing import FlaskClient
    from sqlalchemy import Connection, Engine

NOW = datetime(2027, 3, 1, tzinfo=UTC)


@pytest.fixture(params=postgres.ENGINES)
def engine(request: pytest.FixtureRequest) -> Iterator[Engine]:
    with postgres.database(request.param, request) as url:
        engine = store.open_engine(url, connections=1)
        store.migrate(engine)
        yield engine
        engine.dispose()


def put(connection: Connection, plan_id: str) -> None:
    kept = Kept(plan_id, 1, "seed", "{}", b"{}", NOW, NOW, date(2027, 4, 1), None, False, 1, 1, 1)
    store.create(connection, kept, Rendered("etag", NOW, b"body"), {}, read_at=NOW)


def ids(engine: Engine) -> list[str]:
    with store.reading(engine) as connection:
        return list(store.all_ids(connection))


@pytest.fixture
def client(engine: Engine) -> FlaskClient:
    """A small application; its engine has one connection, so one that is not given back stops the next request."""
    app = Flask(__name__)
    app.testing = True
    db.init_app(app, engine)

    @app.errorhandler(Unavailable)
    def unavailable(error: Unavailable) -> tuple[str, int]:
        return str(error), 503

    @app.get("/nothing")
    def nothing() -> str:
        return str("connection" in g)

    @app.get("/read")
    def read() -> str:
        assert db.reading() is db.reading()
        return ",".join(store.all_ids(db.reading()))

    @app.post("/write/<plan_id>")
    def write(plan_id: str) -> str:
        assert store.find(db.reading(), plan_id) is None
        put(db.writing(), plan_id)
        assert db.writing() is db.reading()
        return ",".join(store.all_ids(db.reading()))

    @app.post("/two/<status>")
    def two(status: str) -> tuple[str, int]:
        put(db.writing(), "two-a")
        put(db.writing(), "two-b")
        return "", int(status)

    @app.post("/gone/<plan_id>")
    def gone(plan_id: str) -> str:
        put(db.writing(), plan_id)
        abort(410)

    @app.post("/broken/<plan_id>")
    def broken(plan_id: str) -> str:
        put(db.writing(), plan_id)
        raise KeyError(plan_id)

    @app.post("/early/<plan_id>")
    def early(plan_id: str) -> str:
        put(db.writing(), plan_id)
        db.commit()
        raise KeyError(plan_id)

    @app.post("/with/<plan_id>")
    def with_(plan_id: str) -> str:
        with db.writing() as connection:
            put(connection, plan_id)
        return ""

    @app.get("/stale")
    def stale() -> str:
        store.delete(db.reading(), "x")
        return ""

    return app.test_client()


def test_a_request_without_the_database_takes_no_connection(client: FlaskClient, engine: Engine) -> None:
    with store.reading(engine):
        assert client.get("/nothing").text == "False"


def test_what_a_view_wrote_is_there_when_its_answer_is(client: FlaskClient, engine: Engine) -> None:
    assert client.post("/write/a").text == "a"
    assert ids(engine) == ["a"]
    assert client.get("/read").text == "a"


@pytest.mark.parametrize("status", [200, 303, 422])
def test_two_uses_of_writing_are_one_transaction_whatever_the_answer(
    client: FlaskClient, engine: Engine, status: int
) -> None:
    assert client.post(f"/two/{status}").status_code == status
    assert ids(engine) == ["two-a", "two-b"]


def test_a_view_that_raises_has_written_nothing(client: FlaskClient, engine: Engine) -> None:
    assert client.post("/gone/x").status_code == 410
    with pytest.raises(KeyError):
        client.post("/broken/y")
    assert ids(engine) == []
    assert client.post("/write/z").text == "z"


def test_what_was_committed_before_slow_work_stays(client: FlaskClient, engine: Engine) -> None:
    with pytest.raises(KeyError):
        client.post("/early/x")
    assert ids(engine) == ["x"]


def test_a_view_that_only_reads_cannot_write(client: FlaskClient, engine: Engine) -> None:
    client.post("/write/x")
    assert client.get("/stale").status_code == 503
    assert ids(engine) == ["x"]


def test_a_connection_that_was_closed_before_it_could_commit_is_found_out(client: FlaskClient, engine: Engine) -> None:
    """SQLAlchemy's connections close at the end of a “with”, and forget what was written."""
    with pytest.raises(RuntimeError, match="with"):
        client.post("/with/x")
    assert ids(engine) == []


def test_a_failure_at_the_commit_becomes_an_error_page_and_nothing_is_kept(client: FlaskClient, engine: Engine) -> None:
    def fail(connection: Connection) -> None:
        raise Unavailable

    event.listen(engine, "commit", fail)
    answer = client.post("/write/x")
    event.remove(engine, "commit", fail)
    assert (answer.status_code, "try again" in answer.text) == (503, True)
    assert ids(engine) == []
    assert client.post("/write/x").status_code == 200


def test_a_hundred_requests_of_every_kind_leave_no_connection_behind(client: FlaskClient, engine: Engine) -> None:
    for number in range(25):
        client.post(f"/write/{number}")
        client.get("/read")
        client.post(f"/gone/x{number}")
        client.get("/stale")
    assert len(ids(engine)) == 25
    with store.writing(engine) as connection:
        assert connection.execute(text("SELECT 1")).scalar() == 1


def test_a_database_that_cannot_be_reached_is_an_error_page() -> None:
    engine = store.open_engine("postgresql://nobody@127.0.0.1:1/none")
    app = Flask(__name__)
    db.init_app(app, engine)
    app.register_error_handler(Unavailable, lambda error: (str(error), 503))
    app.add_url_rule("/", view_func=lambda: str(store.alive(db.reading())))
    assert app.test_client().get("/").status_code == 503
    engine.dispose()
