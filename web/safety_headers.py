"""Which headers an answer carries: one list for each class of answers, and the class follows from the address.

No endpoint is named here except Flask's own ``static``: an address that holds a token is secret, any other is open, and
every error is treated as a secret. So a new page is safe before anyone thinks of it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from flask import request

if TYPE_CHECKING:
    from flask import Flask, Response

    from web.config import Settings

CONTENT_SECURITY_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "form-action 'self'; frame-ancestors 'none'; base-uri 'none'; font-src 'self'; manifest-src 'self'"
)
"""Content Security Policy Level 3: nothing from elsewhere, nothing inline, in no one's frame."""

ALWAYS = [("X-Content-Type-Options", "nosniff")]

PAGE = [
    *ALWAYS,
    ("Content-Security-Policy", CONTENT_SECURITY_POLICY),
    # No other site ever learns an address from here. "no-referrer" would do that too, but under it a browser sends
    # "Origin: null" with our own forms (Fetch Standard, "append a request `Origin` header"), and on a network without
    # TLS, where there is no Sec-Fetch-Site, they could not be told from another site's.
    ("Referrer-Policy", "same-origin"),
    ("Permissions-Policy", "camera=(), geolocation=(), microphone=(), payment=(), usb=(), browsing-topics=()"),
    ("Cross-Origin-Opener-Policy", "same-origin"),
    ("Cross-Origin-Resource-Policy", "same-origin"),
]

# A form that was filled must still be filled when one comes back to it: no-store would forbid the browser to keep it.
OPEN = [*PAGE, ("Cache-Control", "private, no-cache")]
SECRET = [*PAGE, ("Cache-Control", "no-store"), ("X-Robots-Tag", "noindex")]
STATIC = [*ALWAYS, ("Cross-Origin-Resource-Policy", "same-origin"), ("Cache-Control", "public, max-age=3600")]
FEED = [*ALWAYS, ("Referrer-Policy", "same-origin"), ("X-Robots-Tag", "noindex")]
"""A calendar's own; its validators and Cache-Control come with it."""

YEAR_SECONDS = 31_536_000


def transport(settings: Settings) -> list[tuple[str, str]]:
    """Strict-Transport-Security (RFC 6797), where the service is reached over TLS and nowhere else (§7.2)."""
    if not settings.public_url.startswith("https:"):
        return []
    return [("Strict-Transport-Security", f"max-age={YEAR_SECONDS}")]


def for_feed(settings: Settings) -> list[tuple[str, str]]:
    """What every answer at a feed's address carries."""
    return [*FEED, *transport(settings)]


def init_app(app: Flask, settings: Settings) -> None:
    """Gives every answer of the application its headers; one that a view has set itself stays."""
    more = transport(settings)

    @app.after_request
    def dress(response: Response) -> Response:
        for name, value in kind(response.status_code) + more:
            response.headers.setdefault(name, value)
        return response


def kind(status: int) -> list[tuple[str, str]]:
    """The headers of the present request's answer."""
    if status >= 400 or request.url_rule is None or "token" in request.url_rule.arguments:
        return SECRET
    return STATIC if request.endpoint == "static" else OPEN
