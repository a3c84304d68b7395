"""The database for the views: one connection a request, given back at its end.

:func:`reading` and :func:`writing` give the request's connection, inside a transaction. What a view wrote is kept when
it returns, before anything is sent; if it raises, nothing is kept. A view that goes on with slow work calls
:func:`commit` first, so that nobody waits for it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from flask import current_app, g

from web import store

if TYPE_CHECKING:
    from flask import Flask
    from sqlalchemy import Connection, Engine

_ENGINE = "calplan-engine"


def init_app(app: Flask, engine: Engine) -> None:
    """Lets the views of an application use the database of an engine."""
    app.extensions[_ENGINE] = engine
    app.teardown_appcontext(_close)
    dispatch = app.dispatch_request

    def dispatch_and_commit(*arguments: Any) -> Any:
        """Commits inside the dispatch, where a failure still becomes an error page (after_request is too late)."""
        answer = dispatch(*arguments)
        commit()
        return answer

    app.dispatch_request = dispatch_and_commit  # type: ignore[method-assign]


def reading() -> Connection:
    """The request's connection: it sees one state of the database, or what this request has written so far.

    Raises :class:`web.store.Unavailable`, as does each use of it.
    """
    connection = _connection()
    if not connection.in_transaction():
        store.begin(connection, writing=False)
    return connection


def writing() -> Connection:
    """The request's connection, in a transaction that writes; other writers wait until it ends.

    Raises :class:`web.store.Unavailable`, as does each use of it.
    """
    connection = _connection()
    if "writes" not in g:
        connection.rollback()  # what was read may be old by now: the transaction that writes reads again
        store.begin(connection, writing=True)
        g.writes = True
    return connection


def commit() -> None:
    """Ends the request's transaction now: what it wrote is kept. Raises :class:`web.store.Unavailable`."""
    connection: Connection | None = g.get("connection")
    if connection is None:
        return
    if g.pop("writes", False) and connection.closed:
        raise RuntimeError("the connection of writing() was closed before it could commit; do not use it in “with”")
    if not connection.closed:
        store.commit(connection)


def _connection() -> Connection:
    connection: Connection | None = g.get("connection")
    if connection is None or connection.closed:
        connection = g.connection = store.connect(current_app.extensions[_ENGINE])
    return connection


def _close(error: BaseException | None) -> None:
    connection: Connection | None = g.pop("connection", None)
    if connection is not None:
        connection.close()
