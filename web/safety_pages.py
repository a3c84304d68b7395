"""What is said when something goes wrong: what happened, and what to do, in plain words and on a page like the others.

Nothing of what was asked, and nothing of what failed, is repeated there: an address may be a secret, and a trace helps
nobody who reads it in a browser. Traces go to the log.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from flask import Response, current_app, render_template, request
from werkzeug.exceptions import HTTPException, TooManyRequests

from web.safety_limits import limits
from web.store import Unavailable

if TYPE_CHECKING:
    from flask import Flask


class Words(NamedTuple):
    """What happened, and what to do about it."""

    sentence: str
    remedy: str


WORDS = {
    400: Words(
        "This request cannot be read",
        "Something in it is not as a browser sends it, or it names a host that this service does not know. Open "
        "the page again from the start. Whoever runs the service can name its host in CALPLAN_PUBLIC_URL or "
        "CALPLAN_TRUSTED_HOSTS.",
    ),
    403: Words(
        "This did not come from a page of this service",
        "A form was sent from another site, or the browser hid from where. Nothing was changed. Open the page here "
        "again, by its own address, and send the form from there.",
    ),
    404: Words(
        "There is no page at this address",
        "Addresses are long, and one missing character makes another one. Copy the whole address again from where "
        "you kept it, or make a new plan.",
    ),
    405: Words(
        "This page cannot be asked for in this way",
        "It can be opened, or a form on it can be sent; this was neither. Open the address in a browser.",
    ),
    409: Words(
        "Someone was faster",
        "The plan was changed in another window while this page was open. Nothing was overwritten. Open the plan "
        "again, look at what is new, and make your change there.",
    ),
    410: Words(
        "This link has ended",
        "It was replaced, or the plan was deleted, by its owner or by itself some time after its last exam. Ask "
        "whoever gave you the link for the new one.",
    ),
    413: Words(
        "This is too large",
        "The form and its files together are larger than the service takes. Go back, where what you typed should "
        "still be, and send a smaller file: a calendar of the coming weeks is enough.",
    ),
    415: Words(
        "This kind of content cannot be read",
        "The form came in a format that no page here sends. Send it again from the page.",
    ),
    429: Words(
        "This is more than one address may ask for in an hour",
        "Perhaps many people share your network, such as a school’s. Nothing that was kept is lost. Wait a little, "
        "then go back and send it again.",
    ),
    500: Words(
        "Something went wrong here",
        "The fault is the service’s, not yours. What was kept before is still there; this last step was not done. "
        "Go back and try again. If it happens again, tell whoever runs the service at what time it did.",
    ),
    503: Words(
        "The service is busy just now",
        "It could not do this at once, and nothing was changed. Wait a few seconds, then go back and send it again.",
    ),
}
OTHER = Words("This request cannot be answered", "Go back to the start, and try again from there.")

TEMPLATES = {410: "gone.html"}
"""Pages that say more than these words; all others are ``error.html``."""


def init_app(app: Flask) -> None:
    """Every HTTP error and every other exception of a view ends in one of these pages."""
    app.register_error_handler(HTTPException, answered)
    app.register_error_handler(Unavailable, away)
    app.register_error_handler(Exception, failed)


def answered(error: HTTPException) -> Response:
    """The page of an HTTP error, with the headers that belong to it (Allow, Retry-After, Location).

    Pages that are not there are counted, and an address that asks for a great many of them is told to wait instead.
    """
    if error.code == 404:
        wait = limits().buckets["misses"].take(request.remote_addr or "")
        error = TooManyRequests(retry_after=wait) if wait else error
    code = error.code or 500
    answer = page(code, WORDS.get(code, OTHER if code < 500 else WORDS[500]))
    for name, value in error.get_headers():
        if name.lower() not in ("content-type", "content-length"):
            answer.headers[name] = value
    return answer


def away(error: Unavailable) -> Response:
    """The page while the database is away."""
    current_app.logger.warning("The database is not available: %s", error.__cause__ or error)
    answer = page(503, Words(str(error), "Nothing was changed, and what was kept is still there."))
    answer.headers["Retry-After"] = str(error.retry_after)
    return answer


def failed(error: Exception) -> Response:
    """The page of a fault of ours; the trace goes to the log."""
    current_app.logger.error("A page failed.", exc_info=error)
    return page(500, WORDS[500])


def page(code: int, words: Words) -> Response:
    """The page of a status; plain text where even that page fails."""
    values = {"code": code, "title": words.sentence, **words._asdict()}
    try:
        body, kind = render_template(TEMPLATES.get(code, "error.html"), **values), "text/html; charset=utf-8"
    except Exception:  # the page that says so must not fail in its turn
        current_app.logger.exception("The error page failed, too.")
        body, kind = f"{words.sentence}\n\n{words.remedy}\n", "text/plain; charset=utf-8"
    return Response(body, status=code, content_type=kind)
