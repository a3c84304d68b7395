"""A real browser against a real server: Debian's Chromium, driven by playwright, and the service under waitress.

``serving`` runs the whole service in this process, on a free port of 127.0.0.1, with its own folder, a clock that the
test holds, and chance that is the same each time. ``launched`` starts Chromium once; ``visit`` opens a window in it in
which everything that must not happen is written down: errors in the console, what the pages' own policy refused, and
requests to any other host. ``addresses`` lists every page of the service that can be looked at, from its own map of
addresses, so that a new page is covered by itself.
"""

from __future__ import annotations

import socket
from contextlib import contextmanager
from pathlib import Path
from shutil import which
from threading import Thread
from typing import TYPE_CHECKING, Any, NamedTuple
from urllib.error import HTTPError
from urllib.parse import urlsplit
from urllib.request import Request, urlopen

from playwright.sync_api import sync_playwright
from waitress import wasyncore
from waitress.server import create_server

from tests.served import NOW, Clock, application, keep_cohort
from web import demo, store, store_cohorts
from web.powers import Power

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping
    from datetime import datetime

    from flask import Flask
    from playwright.sync_api import Browser, BrowserContext, ConsoleMessage, Page

    from web.service import Service

CHROMIUM = which("chromium")
QUIET = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--lang=en-US",  # dates are typed month first
)
AXE = Path(__file__).parent / "judges" / "node_modules" / "axe-core" / "axe.min.js"
PATIENCE = 10_000
"""Milliseconds after which whatever a test waits for is taken to never come."""

PHONE, DESKTOP = (390, 844), (1280, 900)


# -------------------------------------------------------------------------------------------------- the service


class Served(NamedTuple):
    """The service while it runs."""

    address: str
    app: Flask
    clock: Clock

    @property
    def service(self) -> Service:
        parts: Service = self.app.extensions["calplan"]
        return parts


@contextmanager
def serving(data: Path, *, now: datetime = NOW, **settings: Any) -> Iterator[Served]:
    """The service on a free port of this machine, for as long as the block runs; ``settings`` as in web/config.py."""
    listening = socket.create_server(("127.0.0.1", 0), backlog=128)
    clock = Clock(now)
    app = application(data, clock, port=listening.getsockname()[1], **settings)
    server: Any = create_server(app, sockets=[listening], threads=4, ident=None)
    # Each pass of the loop lasts until something happens, so it is short, and an end is seen soon.
    thread = Thread(target=lambda: wasyncore.loop(timeout=0.1, map=server._map), name="service")
    thread.start()
    try:
        yield Served(app.extensions["calplan"].settings.address, app, clock)
    finally:
        # Sockets are closed by the thread that waits on them.
        server.trigger.pull_trigger(lambda: wasyncore.close_all(server._map))
        thread.join(20)
        server.task_dispatcher.shutdown()
        app.extensions["calplan"].engine.dispose()
        assert not thread.is_alive()


class Answer(NamedTuple):
    """What a plain client gets."""

    status: int
    headers: Mapping[str, str]
    body: bytes


def get(address: str, **headers: str) -> Answer:
    """What a client that is no browser gets at an address of this machine."""
    assert urlsplit(address).hostname == "127.0.0.1"
    try:
        with urlopen(Request(address, headers=headers), timeout=PATIENCE / 1000) as answer:
            return Answer(answer.status, dict(answer.headers), answer.read())
    except HTTPError as refusal:
        with refusal:
            return Answer(refusal.code, dict(refusal.headers), refusal.read())


# -------------------------------------------------------------------------------------- every page that there is


POWERS = {
    "plan": Power.MANAGE,
    "view": Power.VIEW,
    "block": Power.CHECK_IN,
    "feed": Power.FEED,
    "cohort": Power.COHORT,
}
"""The power whose token stands in an address, by the address's first word."""


def addresses(served: Served) -> dict[str, str]:
    """Every address that GET can ask for, by the name of its endpoint, with the links of the demonstration's plan."""
    tokens = demo_tokens(served)
    block = demo_block(served)
    tokens["cohort"], member = demo_cohort(served, tokens["plan"])
    found = {}
    for rule in served.app.url_map.iter_rules():
        if "GET" not in (rule.methods or ()) or rule.endpoint == "static":
            continue
        values = {"token": tokens.get(rule.rule.split("/")[1], ""), "uid": block, "member": member, "name": "t"}
        _, path = rule.build({name: values[name] for name in rule.arguments}) or ("", "")
        assert path, f"nobody said how {rule.rule} is filled"
        found[rule.endpoint] = served.address + path
    return found


def pages(served: Served) -> dict[str, str]:
    """Those of the addresses that answer with a page."""
    return {name: url for name, url in addresses(served).items() if "text/html" in get(url).headers["Content-Type"]}


def demo_tokens(served: Served) -> dict[str, str]:
    """The tokens of the demonstration's plan, by the first word of the addresses that they stand in."""
    shown = demo.show(served.service)
    tokens = {
        word: urlsplit(address).path.split("/")[2].removesuffix(".ics")
        for word, address in (("plan", shown.plan), ("view", shown.view), ("feed", shown.feed))
    }
    links = [line for line in unfolded(shown.calendar) if line.startswith("URL") and "/block/" in line]
    return tokens | {"block": links[0].split("/block/")[1].split("/")[0]}


def demo_cohort(served: Served, plan: str) -> tuple[str, str]:
    """The token of a cohort whose only member has the demonstration's plan, and that member's key."""
    bearer = served.service.keys.read(Power.MANAGE, plan)
    assert bearer is not None
    with store.reading(served.service.engine) as connection:
        kept, known = store.find(connection, bearer.id), store_cohorts.every(connection, bearer.id)
        key = next((one.key for one in known), "")
    assert kept is not None
    return served.service.keys.token(Power.COHORT, bearer.id, 1), key or keep_cohort(served.app, kept).key


def demo_block(served: Served) -> str:
    """The UID of a block that the demonstration's calendar links to."""
    calendar = demo.show(served.service).calendar
    return next(line.split("/")[-1] for line in unfolded(calendar) if line.startswith("URL") and "/block/" in line)


def unfolded(calendar: bytes) -> list[str]:
    """The content lines of a calendar (RFC 5545 §3.1)."""
    return calendar.replace(b"\r\n ", b"").decode().split("\r\n")


# -------------------------------------------------------------------------------------------------- the browser


def chromium_present() -> bool:
    """Whether Chromium is here."""
    return CHROMIUM is not None


def axe_present() -> bool:
    """Whether axe-core is here (``npm install`` in tests/judges brings it)."""
    return AXE.is_file()


@contextmanager
def launched() -> Iterator[Browser]:
    """Chromium, started once."""
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=list(QUIET), timeout=60_000)
        try:
            yield browser
        finally:
            browser.close()


class Window(NamedTuple):
    """A window, and what went wrong in it so far, in the browser's words."""

    page: Page
    wrong: list[str]


@contextmanager
def visit(
    browser: Browser,
    size: tuple[int, int] = PHONE,
    *,
    scripts: bool = True,
    dark: bool = False,
    scale: float = 1,
) -> Iterator[Window]:
    """A fresh window, as of a visitor who was never here; nothing may have gone wrong in it when it closes."""
    context = browser.new_context(
        viewport={"width": size[0], "height": size[1]},
        device_scale_factor=scale,
        color_scheme="dark" if dark else "light",
        java_script_enabled=scripts,
        locale="en-GB",
        timezone_id="America/Chicago",
        reduced_motion="reduce",
    )
    context.set_default_timeout(PATIENCE)
    window = Window(context.new_page(), watched(context))
    try:
        yield window
    finally:
        context.close()
    if window.wrong:
        raise AssertionError("in the window:\n" + "\n".join(window.wrong))


def watched(context: BrowserContext) -> list[str]:
    """The list into which everything goes that must not happen in a window."""
    wrong: list[str] = []

    def said(message: ConsoleMessage) -> None:
        # That a page itself is refused (404, 410, 422) is an answer like any other, and tests look at it.
        refused = message.text.startswith("Failed to load resource") and message.location["url"] in visited
        if message.type in ("error", "warning") and not refused:
            wrong.append(f"{message.type} at {message.location['url']}: {message.text}")

    def asked(request: Any) -> None:
        if request.is_navigation_request():
            visited.add(request.url)
        if urlsplit(request.url).scheme not in ("data", "blob") and urlsplit(request.url).hostname != "127.0.0.1":
            wrong.append(f"asked another host: {request.url}")

    visited: set[str] = set()
    context.on("console", said)
    context.on("weberror", lambda error: wrong.append(f"uncaught: {error.error}"))
    context.on("request", asked)
    return wrong


# ------------------------------------------------------------------------------------------ what a window shows


def serious_problems(page: Page) -> list[str]:
    """What axe-core finds on a page that is serious or critical, by light and by dark: the rule, and the first place.

    Dark differs from light in its colours alone, so only what is about colours is asked again.
    """
    page.evaluate(AXE.read_text(encoding="utf-8"))
    found = [("light", one) for one in page.evaluate(JUDGE, {"resultTypes": ["violations"]})]
    page.emulate_media(color_scheme="dark")
    found += [("dark", one) for one in page.evaluate(JUDGE, {"resultTypes": ["violations"], "runOnly": COLOURS})]
    page.emulate_media(color_scheme="light")
    return [
        f"{scheme}: {one['id']} ({one['impact']}): {one['help']} — {one['nodes'][0]['html'][:200]} "
        f"{one['nodes'][0].get('failureSummary', '')[:300]}"
        for scheme, one in found
        if one["impact"] in ("serious", "critical")
    ]


COLOURS = ["color-contrast", "link-in-text-block"]
JUDGE = "async (options) => (await axe.run(document, options)).violations"


def overflow(page: Page) -> int:
    """How many pixels a page is wider than its window: nobody should have to scroll sideways."""
    wide: int = page.evaluate("() => document.documentElement.scrollWidth - document.documentElement.clientWidth")
    return wide


FOCUS = """() => {
  const here = document.activeElement;
  if (!here || here === document.body) return null;
  const marked = (element) => {
    const style = getComputedStyle(element);
    return (style.outlineStyle !== 'none' && parseFloat(style.outlineWidth) > 0) || style.boxShadow !== 'none';
  };
  const drawn = (shape) => {
    const style = getComputedStyle(shape);
    return style.stroke !== 'none' && parseFloat(style.strokeWidth) >= 2;
  };
  const style = getComputedStyle(here);
  const box = here.getBoundingClientRect();
  // A box that is drawn by its label may itself be transparent: then the label has to show the focus.
  const hidden = style.opacity === '0' || box.width * box.height < 16;
  const shown = hidden ? [here.closest('label'), here.nextElementSibling].filter(Boolean) : [here];
  return {
    tag: here.tagName.toLowerCase(), name: here.getAttribute('name') || '', type: here.getAttribute('type') || '',
    value: here.getAttribute('value') || '', text: (here.textContent || '').trim().slice(0, 60),
    href: here.getAttribute('href') || '',
    seen: shown.some(marked) || (here instanceof SVGElement && [...here.querySelectorAll('*')].some(drawn)),
  };
}"""


class Focus(NamedTuple):
    """What has the keyboard's focus; ``seen`` where an outline or a shadow shows it."""

    tag: str
    name: str
    type: str
    value: str
    text: str
    href: str
    seen: bool


def focus(page: Page) -> Focus | None:
    """What has the focus now, or ``None`` where nothing has."""
    found = page.evaluate(FOCUS)
    return Focus(**found) if found else None


def tab_to(page: Page, wanted: Callable[[Focus], bool], *, limit: int = 200) -> Focus:
    """Presses Tab until what is wanted has the focus; the focus must be to be seen at every stop on the way."""
    before = focus(page)
    for _ in range(limit):
        page.keyboard.press("Tab")
        here = focus(page)
        if here is None:  # past the last stop: the browser's own frame
            continue
        # A field for dates has stops inside, which are the browser's own, and it shows them by itself.
        inside = before is not None and here.type in ("date", "time") and here[:3] == before[:3]
        assert here.seen or inside, f"nothing shows that {here} has the focus"
        if wanted(here):
            return here
        before = here
    raise AssertionError(f"{limit} times Tab, and what is wanted never had the focus")
