"""Pictures of every page, for people to look at: ``python -m tests.screens FOLDER``.

Each page of the demonstration, the form with mistakes and with a preview, and two refusals, on a phone and on a
desktop, light and dark, whole; and what goes to paper, as A4 and Letter files and as the printer would see it.
"""

from __future__ import annotations

import sys
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

from tests.browser import DESKTOP, PHONE, Served, launched, pages, serving, visit
from tests.served import mapping_of
from web import demo
from web.forms import to_fields

if TYPE_CHECKING:
    from collections.abc import Callable

    from playwright.sync_api import Browser, Page

A4_WIDE = 794
"""Pixels across a sheet, at 96 an inch."""


def main(folder: Path) -> None:
    """Writes all pictures into a folder, which is made where there is none."""
    folder.mkdir(parents=True, exist_ok=True)
    with TemporaryDirectory() as data, serving(Path(data), now=demo.NOW) as served, launched() as browser:
        for size in (PHONE, DESKTOP):
            for dark in (False, True):
                on_screen(browser, served, folder, size, dark=dark)
        on_paper(browser, served, folder)
    print(f"{len(list(folder.iterdir()))} files are in {folder}.")


def on_screen(browser: Browser, served: Served, folder: Path, size: tuple[int, int], *, dark: bool) -> None:
    """Every page in one kind of window."""
    kind = f"{size[0]}-{'dark' if dark else 'light'}"
    with visit(browser, size, dark=dark) as (page, _):
        for name, address in shown(served).items():
            page.goto(address)
            whole(page, folder / f"{name}-{kind}.png", size)
        for name, fill in FILLED.items():
            page.goto(f"{served.address}/make")
            fill(page)
            whole(page, folder / f"make-{name}-{kind}.png", size)


def whole(page: Page, path: Path, size: tuple[int, int]) -> None:
    """The whole page, in a window that is tall enough for it, so that what sticks to an edge covers nothing."""
    tall: int = page.evaluate("() => document.documentElement.scrollHeight")
    page.set_viewport_size({"width": size[0], "height": max(size[1], tall)})
    page.screenshot(path=path)
    page.set_viewport_size({"width": size[0], "height": size[1]})


def shown(served: Served) -> dict[str, str]:
    """The pages that are looked at, by a name for the file."""
    found = {name.rpartition(".")[2]: address for name, address in pages(served).items()}
    found["unknown"] = f"{served.address}/nothing"
    return found


def with_mistakes(page: Page) -> None:
    """Nothing but nonsense in two fields."""
    page.fill("[name=exam-1-subject]", "Chemistry")
    page.fill("[name=exam-1-minutes]", "two hours")
    page.fill("[name=exam-1-practice-count]", "many")
    page.get_by_role("button", name="Keep this plan").click()
    page.wait_for_selector("#problems")


def with_preview(page: Page) -> None:
    """The worked example, looked at before it is kept."""
    fields = to_fields(mapping_of("chemistry-30"))
    for name in ("exam-1-subject", "exam-1-day", "exam-1-hour", "exam-1-minutes"):
        page.fill(f"[name={name}]", fields[name])
    page.get_by_role("button", name="Look at the plan first").last.click()
    page.wait_for_selector("#preview .figures")


FILLED: dict[str, Callable[[Page], None]] = {"mistakes": with_mistakes, "preview": with_preview}


def on_paper(browser: Browser, served: Served, folder: Path) -> None:
    """The pages that are printed: two files for printers, and a picture."""
    with visit(browser, (A4_WIDE, 1123)) as (page, _):
        for name in ("paper", "plan", "ask"):
            page.goto(shown(served)[name])
            for paper in ("A4", "Letter"):
                page.pdf(path=folder / f"{name}-{paper}.pdf", format=paper)
            page.emulate_media(media="print")
            page.screenshot(path=folder / f"{name}-print.png", full_page=True)
            page.emulate_media(media="null")


if __name__ == "__main__":
    if len(sys.argv) != 2:
        sys.exit("Say into which folder: python -m tests.screens FOLDER")
    main(Path(sys.argv[1]))
