"""The calendar feed: what a phone asks for, again and again, for years.

    GET or HEAD /feed/<token>.ics     the calendar; 304 where the asker has it; 404 unknown; 410 replaced or deleted
    GET /health                       whether the database answers

A feed is answered in front of Flask (:class:`Feeds` is a WSGI application of its own), so that it costs one indexed
read, and nothing that the pages need slows it. Two rules stand above all others: a fetch never answers 200 with
anything but a whole calendar, because calendar programs then delete what they know; and while the database is away,
the last good bytes go on being served.
"""

from __future__ import annotations

import logging
from datetime import timedelta
from functools import lru_cache
from typing import TYPE_CHECKING, NamedTuple

from flask import Blueprint, Response, current_app
from werkzeug.http import http_date, parse_date, parse_etags
from werkzeug.wsgi import ClosingIterator

from web import safety_headers, store
from web.feed_bytes import is_whole, with_tokens
from web.feed_glance import glance
from web.feed_memory import Bodies, Fetches, Whole
from web.powers import Power

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import datetime

    from _typeshed.wsgi import StartResponse, WSGIEnvironment
    from flask import Flask
    from flask.blueprints import BlueprintSetupState
    from sqlalchemy import Connection
    from werkzeug.datastructures import ETags

    from web.powers import Bearer
    from web.safety_limits import Buckets
    from web.service import Service

PREFIX, SUFFIX = "/feed/", ".ics"
CALENDAR = "text/calendar; charset=utf-8"
TEXT = "text/plain; charset=utf-8"
RETRY_SECONDS = 60
"""When to ask again after a fault."""
COMPLAINTS_APART = timedelta(minutes=1)

LOG = logging.getLogger("web.feed")

blueprint = Blueprint("feed", __name__)
# The address is named here so that links to it can be built; it is answered before Flask looks at it.
blueprint.add_url_rule(f"{PREFIX}<token>{SUFFIX}", "feed", methods=["GET"], build_only=True)


class Answer(NamedTuple):
    """A status line without its version, headers, and the bytes that GET sends."""

    status: str
    headers: list[tuple[str, str]]
    body: bytes = b""


class BrokenFeed(Exception):
    """Stored bytes are not a whole calendar."""


class Feeds:
    """Answers at every feed's address, as a WSGI application."""

    def __init__(self, service: Service, misses: Buckets) -> None:
        self.service = service
        self.misses = misses
        self.bodies = Bodies()
        self.fetches = Fetches(service.clock())
        self.state = glance(service.engine)
        self.always = safety_headers.for_feed(service.settings)
        self.complained: datetime | None = None

    def __call__(self, environ: WSGIEnvironment, start_response: StartResponse) -> Iterable[bytes]:
        answer = self.answer(environ)
        start_response(answer.status, answer.headers)
        body = (answer.body,) if answer.body and environ["REQUEST_METHOD"] != "HEAD" else ()
        if self.fetches.due(self.service.clock()):
            return ClosingIterator(body, self.write_fetches)  # once the answer is out of the house
        return body

    def answer(self, environ: WSGIEnvironment) -> Answer:
        """The answer to a request: first what may be asked, then by whom, then what there is."""
        if environ["REQUEST_METHOD"] not in ("GET", "HEAD"):
            return self.plain("405 METHOD NOT ALLOWED", "A calendar can be read here, and nothing else.", ALLOW)
        path = environ["PATH_INFO"]
        token = path[len(PREFIX) : -len(SUFFIX)] if path.endswith(SUFFIX) else ""
        bearer = self.service.keys.read(Power.FEED, token)
        if bearer is None:
            return self.miss(environ.get("REMOTE_ADDR") or "")
        try:
            return self.found(bearer, environ)
        except Exception:  # whatever it is, a calendar program must not be told something wrong
            self.complain("A feed could not be read; the last good bytes are sent, where there are any.")
            return self.last_good(bearer, environ)

    def found(self, bearer: Bearer, environ: WSGIEnvironment) -> Answer:
        """The answer to a token that was made here."""
        state = self.state(bearer.id)
        if state is None or state.generation != bearer.generation:
            return self.gone(bearer)
        self.fetches.note(bearer.id, self.service.clock())
        early = self.without_body(environ, state.etag, state.modified)
        if early is not None:
            return early
        whole: Whole | None = self.bodies.get(bearer.id)
        if whole is None or (whole.etag, whole.generation) != (state.etag, state.generation):
            whole = self.read(bearer)
        return self.calendar(whole) if whole else self.gone(bearer)

    def read(self, bearer: Bearer) -> Whole | None:
        """A feed's bytes with the tokens in them, which are kept for the next fetch; ``None`` where it has just ended.

        Raises BrokenFeed.
        """
        with store.reading(self.service.engine) as connection:
            found, kept = store.feed_body(connection, bearer.id), store.find(connection, bearer.id)
        if found is None or kept is None or found[0].generation != bearer.generation:
            return None
        state, body = found
        token = self.service.keys.token
        tokens = {
            Power.FEED: token(Power.FEED, bearer.id, state.generation),
            Power.CHECK_IN: token(Power.CHECK_IN, bearer.id, kept.check_in_generation),
        }
        whole = Whole(state.etag, state.modified, state.generation, with_tokens(body, tokens))
        if not is_whole(whole.body):
            raise BrokenFeed
        self.bodies.put(bearer.id, whole)
        return whole

    def gone(self, bearer: Bearer) -> Answer:
        """410, and from now on not even a fault shows the bytes."""
        self.bodies.forget(bearer.id)
        return self.plain("410 GONE", GONE)

    def last_good(self, bearer: Bearer, environ: WSGIEnvironment) -> Answer:
        """What can be said while the database is away or a feed is broken."""
        whole = self.bodies.get(bearer.id)
        if whole is None or whole.generation != bearer.generation:
            return self.plain("503 SERVICE UNAVAILABLE", AWAY, RETRY)
        self.fetches.note(bearer.id, self.service.clock())
        return self.without_body(environ, whole.etag, whole.modified) or self.calendar(whole)

    def calendar(self, whole: Whole) -> Answer:
        """200, with the calendar."""
        fields = [*validators(whole.etag, whole.modified), ("Content-Type", CALENDAR)]
        return Answer("200 OK", [*fields, ("Content-Length", str(len(whole.body))), *self.always], whole.body)

    def without_body(self, environ: WSGIEnvironment, etag: str, modified: datetime) -> Answer | None:
        """304 or 412 where the request's conditions ask for it, in the order of RFC 9110 §13.2.2."""
        if not still(environ, etag, modified):
            return self.plain("412 PRECONDITION FAILED", "The calendar has changed.")
        if unchanged(environ, etag, modified):
            return Answer("304 NOT MODIFIED", [*validators(etag, modified), *self.always])
        return None

    def miss(self, address: str) -> Answer:
        """404; or 429 to an address that asks for a great many feeds that never were."""
        wait = self.misses.take(address)
        if wait:
            return self.plain("429 TOO MANY REQUESTS", UNKNOWN, [("Retry-After", str(wait))])
        return self.plain("404 NOT FOUND", UNKNOWN)

    def plain(self, status: str, sentence: str, more: Iterable[tuple[str, str]] = ()) -> Answer:
        """An answer in words."""
        body = f"{sentence}\n".encode()
        fields = [("Content-Type", TEXT), ("Content-Length", str(len(body))), ("Cache-Control", "no-store")]
        return Answer(status, [*fields, *more, *self.always], body)

    def write_fetches(self) -> None:
        """Writes down which feeds were fetched since the last time; a failure keeps them for the next."""
        batch = self.fetches.take(self.service.clock())
        if not batch:
            return
        try:
            with store.writing(self.service.engine) as connection:
                store.mark_fetched(connection, batch)
        except Exception:  # a note about a fetch is no reason to fail one
            self.complain("The times of the last fetches could not be written; they are kept for a minute more.")
            self.fetches.put_back(batch)

    def complain(self, sentence: str) -> None:
        """Writes an exception into the log, once a minute at most: while a database is away, every fetch meets it."""
        now = self.service.clock()
        if self.complained is None or abs(now - self.complained) >= COMPLAINTS_APART:
            self.complained = now
            LOG.exception(sentence)


ALLOW = [("Allow", "GET, HEAD")]
RETRY = [("Retry-After", str(RETRY_SECONDS))]
UNKNOWN = "There is no calendar at this address."
GONE = "This calendar link was replaced, or its plan was deleted. Take the new link from the plan’s page."
AWAY = "The calendar cannot be read just now. Nothing is lost; please ask again in a minute."


# ------------------------------------------------------------------------------------------------ conditional requests


@lru_cache(maxsize=4_096)
def dated(modified: datetime) -> str:
    """An instant as HTTP writes it."""
    return http_date(modified)


def validators(etag: str, modified: datetime) -> list[tuple[str, str]]:
    """What a 200 and a 304 both say: which bytes these are, since when, and that they are to be asked for again."""
    return [("ETag", f'"{etag}"'), ("Last-Modified", dated(modified)), ("Cache-Control", "private, no-cache")]


def unchanged(environ: WSGIEnvironment, etag: str, modified: datetime) -> bool:
    """Whether the asker has these bytes: If-None-Match, or, only where that is absent, If-Modified-Since.

    Tags are compared weakly (RFC 9110 §13.1.2), dates as dates, to the second (§13.1.3); a date that is none counts as
    absent.
    """
    tags = environ.get("HTTP_IF_NONE_MATCH")
    if tags is not None:
        return tags == f'"{etag}"' or bool(parsed(tags).contains_weak(etag))
    since = moment(environ.get("HTTP_IF_MODIFIED_SINCE"))
    return since is not None and modified.replace(microsecond=0) <= since


def still(environ: WSGIEnvironment, etag: str, modified: datetime) -> bool:
    """Whether If-Match (RFC 9110 §13.1.1), or without it If-Unmodified-Since (§13.1.4), lets the request pass."""
    tags = environ.get("HTTP_IF_MATCH")
    if tags is not None:
        return etag in parsed(tags)
    since = moment(environ.get("HTTP_IF_UNMODIFIED_SINCE"))
    return since is None or modified.replace(microsecond=0) <= since


def parsed(tags: str) -> ETags:
    """A list of entity tags; what is none is passed over."""
    return parse_etags(tags.strip())


def moment(text: str | None) -> datetime | None:
    """An HTTP date; ``None`` for anything else."""
    try:
        return parse_date(text)
    except (ArithmeticError, LookupError):  # what the library lets through of years and fields that do not exist
        return None


# ------------------------------------------------------------------------------------------------- beside the feed


@blueprint.record_once
def open_door(state: BlueprintSetupState) -> None:
    """Lets an application with :func:`web.safety.init_app` answer feeds."""
    app = state.app
    feeds = Feeds(app.extensions["calplan"], app.extensions["calplan.limits"].buckets["misses"])
    app.extensions["calplan.feeds"] = feeds
    app.extensions["calplan.doors"][PREFIX] = feeds


def feeds() -> Feeds:
    """The feeds of the application that serves this request."""
    found: Feeds = current_app.extensions["calplan.feeds"]
    return found


def last_fetched(connection: Connection, plan_id: str) -> datetime | None:
    """When a plan's feed was last fetched, also where that is not written down yet."""
    return feeds().fetches.last(plan_id) or store.last_fetched(connection, plan_id)


def close(app: Flask) -> None:
    """Writes down the fetches of the last minute; for the end of the server."""
    served: Feeds = app.extensions["calplan.feeds"]
    served.write_fetches()


def forget(plan_id: str) -> None:
    """Drops a plan's last good bytes: its link was replaced, or it is deleted, and not even a fault may show them."""
    feeds().bodies.forget(plan_id)


@blueprint.get("/health")
def health() -> Response:
    """“fine”, or 503; nothing else is said."""
    try:
        with store.reading(current_app.extensions["calplan"].engine) as connection:
            fine = store.alive(connection)
    except store.Unavailable:
        fine = False
    answer = Response("fine\n" if fine else "not now\n", status=200 if fine else 503, content_type=TEXT)
    answer.headers["Cache-Control"] = "no-store"
    if not fine:
        answer.headers["Retry-After"] = str(RETRY_SECONDS)
    return answer
