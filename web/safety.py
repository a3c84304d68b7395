"""What stands between the world and the views: who is let in, how often, and what an answer may say.

    a request → Gate: access log, a Host there must be, feeds answered at once
              → Flask: known host? own form? → view → headers
              ↘ anything that goes wrong → one page in plain words, never a trace

Limits, headers and logs have modules of their own; this one puts them in place.
"""

from __future__ import annotations

from typing import TYPE_CHECKING
from urllib.parse import urlsplit

from flask import Request, abort, request
from werkzeug.exceptions import BadRequest
from werkzeug.middleware.proxy_fix import ProxyFix

from web import safety_headers, safety_logs, safety_pages
from web.safety_limits import Limits, limited, planning

if TYPE_CHECKING:
    from collections.abc import Iterable

    from _typeshed.wsgi import StartResponse, WSGIApplication, WSGIEnvironment
    from flask import Flask

    from web.config import Settings
    from web.service import Service

__all__ = ["Gate", "init_app", "known_hosts", "limited", "own", "planning"]

FORM_BYTES, FORM_PARTS = 2_000_000, 5_000
"""The text of a form without its files, and its fields. Flask's own defaults are meant for any application, and hold
for forms with files alone: of any other, millions of fields would be read."""
UNSAFE = frozenset({"POST", "PUT", "PATCH", "DELETE"})


def init_app(app: Flask) -> None:
    """Puts everything of this module in place; ``app.extensions["calplan"]`` holds the service by then."""
    service: Service = app.extensions["calplan"]
    settings = service.settings
    app.config.update(
        MAX_CONTENT_LENGTH=settings.body_bytes,
        MAX_FORM_MEMORY_SIZE=min(FORM_BYTES, settings.body_bytes),
        MAX_FORM_PARTS=FORM_PARTS,
        SEND_FILE_MAX_AGE_DEFAULT=3_600,
    )
    app.url_map.merge_slashes = False  # an address is right or it is not; nothing is redirected
    app.extensions["calplan.limits"] = Limits(settings, service.clock)
    safety_logs.install(app.logger)
    gate = Gate(app.wsgi_app)
    app.extensions["calplan.doors"] = gate.doors
    app.wsgi_app = behind(settings.proxies, gate)  # type: ignore[method-assign, assignment]
    let_in(app, settings)
    safety_headers.init_app(app, settings)
    safety_pages.init_app(app)


def behind(proxies: int, gate: Gate) -> WSGIApplication:
    """Believes so many proxies what they say of the asker; none, where there is none."""
    if not proxies:
        return gate
    return ProxyFix(gate, x_for=proxies, x_proto=proxies, x_host=proxies, x_port=proxies, x_prefix=proxies)


class Gate:
    """The first to see a request. ``doors`` are applications that answer everything below a path in Flask's place."""

    def __init__(self, pages: WSGIApplication) -> None:
        self.pages = pages
        self.doors: dict[str, WSGIApplication] = {}

    def __call__(self, environ: WSGIEnvironment, start_response: StartResponse) -> Iterable[bytes]:
        if "HTTP_HOST" not in environ and environ.get("SERVER_PROTOCOL") == "HTTP/1.1":
            return safety_logs.accessed(BadRequest(NO_HOST), environ, start_response)
        path = environ.get("PATH_INFO", "")
        for prefix, door in self.doors.items():
            if path.startswith(prefix):
                return safety_logs.accessed(door, environ, start_response)
        return safety_logs.accessed(self.pages, environ, start_response)


NO_HOST = "An HTTP/1.1 request names its host."
"""RFC 9112 §3.2."""


# ------------------------------------------------------------------------------------------------------ who is let in


def let_in(app: Flask, settings: Settings) -> None:
    """Refuses requests for another host, and forms that another site sent."""
    hosts, address = known_hosts(settings), origin(settings.public_url)

    @app.before_request
    def check() -> None:
        if (host_name(request.host) or request.host) not in hosts and not below(request.host, settings.trusted_hosts):
            abort(400)
        if request.method in UNSAFE and not own(request, address):
            abort(403)
        if request.mimetype == "application/x-www-form-urlencoded":
            request.max_content_length = min(FORM_BYTES, settings.body_bytes)
            if request.get_data().count(b"&") >= FORM_PARTS:
                abort(413)


def known_hosts(settings: Settings) -> frozenset[str]:
    """The host names under which the service may be asked.

    A page of another site could otherwise be served from a name that leads here (DNS rebinding). Where nothing is set,
    only this machine's own names are known, since only this machine can reach the service then.
    """
    named = [urlsplit(settings.public_url).hostname or "", *settings.trusted_hosts]
    names = {one.lower() for one in ("localhost", "127.0.0.1", "::1", settings.host, *named)}
    return frozenset(names - {"", "0.0.0.0", "::"})


def host_name(host: str) -> str:
    """The name or address in a Host header, without port and brackets; empty where it has none."""
    try:
        return urlsplit(f"//{host}").hostname or ""
    except ValueError:
        return ""


def below(host: str, trusted: Iterable[str]) -> bool:
    """Whether a host lies below a trusted name that begins with a dot."""
    return any(one.startswith(".") and host_name(host).endswith(one.lower()) for one in trusted)


def own(asked: Request, public: str) -> bool:
    """Whether a request that changes something comes from a page of this service, or from no page at all.

    Fetch Metadata says so (W3C, Fetch Metadata Request Headers): ``same-origin`` is our own form, ``none`` the person
    at the browser (no site can cause it); ``same-site`` is a neighbour under the same domain, and no friend. Browsers
    send it only over TLS and to this machine. Where it is absent, they still say Origin with every POST (Fetch
    Standard), and that must be ours; ``null`` hides another site, or a file, or a sandbox. Where neither is there no
    browser asks, and a program cannot be tricked into carrying someone else's power: there are no cookies.
    """
    site, source = asked.headers.get("Sec-Fetch-Site"), asked.headers.get("Origin")
    if site is not None:
        return site in ("same-origin", "none")
    if source is not None:
        return origin(source) in {origin(f"{asked.scheme}://{asked.host}"), public} - {""}
    return True


def origin(address: str) -> str:
    """Scheme, host and port of an address, as one text to compare; empty where it is none."""
    try:
        parts = urlsplit(address)
        port = parts.port or {"http": 80, "https": 443}.get(parts.scheme)
    except ValueError:
        return ""
    return f"{parts.scheme}://{parts.hostname}:{port}" if parts.hostname and port else ""
