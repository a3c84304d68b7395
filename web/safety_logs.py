"""Logs without secrets: whatever is as long as a token and looks like one is struck out before it is written.

Whoever holds an address may do what it says, so an address in a log would hand the plan to every reader of the log. The
filter works on messages, their arguments, tracebacks and stacks, and does not need to know any token.
"""

from __future__ import annotations

import logging
import re
from time import perf_counter
from traceback import format_exception
from typing import TYPE_CHECKING, Any

from web.powers import TOKEN_LENGTH

if TYPE_CHECKING:
    from collections.abc import Iterable

    from _typeshed.wsgi import StartResponse, WSGIApplication, WSGIEnvironment

TOKENS = re.compile(rf"[A-Za-z0-9_-]{{{TOKEN_LENGTH},}}")
STRUCK_OUT = "…"

ACCESS = logging.getLogger("web.access")
"""One line a request, at level INFO: method, path without tokens, status, milliseconds. It does not say who asked."""


def struck(text: str) -> str:
    """The text without what could be a token or a key, in one piece or in a longer one."""
    return TOKENS.sub(STRUCK_OUT, text)


class TokenFilter(logging.Filter):
    """Strikes tokens out of a record, in place, before any handler sees it."""

    def filter(self, record: logging.LogRecord) -> bool:
        try:
            message = record.getMessage()
        except (TypeError, ValueError, KeyError):  # arguments that do not fit: logging would print them as they are
            message = f"{record.msg} {record.args}"
        record.msg, record.args = struck(message), None
        if record.exc_info:
            record.exc_text = "".join(format_exception(*record.exc_info)).rstrip("\n")
            record.exc_info = None
        if record.exc_text:
            record.exc_text = struck(record.exc_text)
        if record.stack_info:
            record.stack_info = struck(record.stack_info)
        return True


FILTER = TokenFilter()
LOGGERS = ("web", "web.access", "waitress", "waitress.queue", "sqlalchemy", "sqlalchemy.pool", "alembic", "py.warnings")


def install(*more: logging.Logger) -> None:
    """Puts the filter before all loggers that speak of requests, and before every handler that there is now."""
    root = logging.getLogger()
    loggers = [logging.getLogger(name) for name in LOGGERS] + [root, *more]
    handlers = [handler for logger in loggers for handler in logger.handlers]
    if logging.lastResort is not None:
        handlers.append(logging.lastResort)
    for place in (*loggers, *handlers):
        place.addFilter(FILTER)  # adding it twice is adding it once
    # The server would write a line for every request that waits for a thread, and wait the longer for it.
    logging.getLogger("waitress.queue").setLevel(logging.ERROR)


def accessed(app: WSGIApplication, environ: WSGIEnvironment, start_response: StartResponse) -> Iterable[bytes]:
    """Serves a request and writes its line; where no one reads such lines, it serves and does nothing else."""
    if not ACCESS.isEnabledFor(logging.INFO):
        return app(environ, start_response)
    began = perf_counter()

    def started(status: str, headers: list[tuple[str, str]], *error: Any) -> Any:
        method, path = environ.get("REQUEST_METHOD", ""), environ.get("PATH_INFO", "")
        taken = (perf_counter() - began) * 1e3
        ACCESS.info("%s %s %s %.1f ms", plain(method), plain(path), status[:3], taken)
        return start_response(status, headers, *error)

    return app(environ, started)


def plain(text: str) -> str:
    """A client's text on one line of a log, without tokens and control characters, and not too long."""
    return struck(text[:500]).encode("unicode_escape").decode()
