"""Makes the README's two pictures anew, from the demonstration: ``python -m tests.pictures``.

They go to fixtures/pictures: the plan’s page as a phone shows it, and the load strip as a desktop does. Where
the pages have not changed, neither have the pictures, except for the fonts of the machine.
"""

from __future__ import annotations

from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

from tests.browser import DESKTOP, PHONE, launched, serving, visit
from web import demo

if TYPE_CHECKING:
    from playwright.sync_api import Browser

FOLDER = Path(__file__).parent.parent / "fixtures" / "pictures"
MOST_BYTES = 150_000
"""A picture that everybody downloads with the project stays small."""


def main() -> None:
    """Writes both, and fails where one is too large."""
    FOLDER.mkdir(parents=True, exist_ok=True)
    with TemporaryDirectory() as data, serving(Path(data), now=demo.NOW) as served, launched() as browser:
        address = demo.show(served.service).plan
        for path in (plan_on_a_phone(browser, address), strip_on_a_desktop(browser, address)):
            size = path.stat().st_size
            print(f"{path.relative_to(Path.cwd())}: {size:,} bytes")
            if size > MOST_BYTES:
                raise SystemExit(f"{path.name} has more than {MOST_BYTES:,} bytes.")


def plan_on_a_phone(browser: Browser, address: str) -> Path:
    """The first glance at the plan's page."""
    path = FOLDER / "plan-on-a-phone.png"
    with visit(browser, PHONE) as (page, _):
        page.goto(address)
        page.screenshot(path=path)
    return path


def strip_on_a_desktop(browser: Browser, address: str) -> Path:
    """The load strip, five minutes a square."""
    path = FOLDER / "load-strip.png"
    with visit(browser, DESKTOP) as (page, _):
        page.goto(address)
        page.locator("section[aria-labelledby=load]").screenshot(path=path)
    return path


if __name__ == "__main__":
    main()
