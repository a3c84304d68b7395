"""A cohort for operators: a roster of any size goes straight into the service's database, and is planned there.

The same as handing in on the page (:mod:`web.cohorts`), without the page's limit on rows, and with progress for whoever
waits at a terminal.
"""

from __future__ import annotations

import io
import sys
from time import monotonic
from typing import TYPE_CHECKING

from calplan.folders import Folder
from calplan.summary import pace
from web import cohorts, store, store_cohorts
from web.cohorts import Papers
from web.powers import Power

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from calplan.errors import InvalidRequest
    from calplan.folders import Files
    from web.runner import Runner
    from web.service import Service

MOST_ROWS = 1_000_000
"""Rows of a roster that an operator takes in."""
A_MOMENT = 0.5
"""Seconds between two looks at how far planning is."""


def take_in(
    service: Service,
    roster: Path,
    courses: Path,
    calendars: Path | None,
    title: str,
    *,
    tell: Callable[[str], object],
) -> str:
    """Keeps a cohort whose rows all wait, tells its address, and gives its id. Raises InvalidRequest."""
    archive: io.BytesIO | None = None
    known: Files | None = None
    if calendars is not None and calendars.is_dir():
        known = Folder(calendars)
    elif calendars is not None:
        archive = io.BytesIO(calendars.read_bytes())
    papers = Papers(courses.read_bytes(), courses.name, roster.read_bytes(), roster.name, archive)
    taken = cohorts.take_in(papers, most=MOST_ROWS, now=service.clock(), known=known)
    with store.writing(service.engine) as connection:
        kept = cohorts.keep(service, connection, " ".join(title.split())[:80] or "Cohort", taken)
    token = service.keys.token(Power.COHORT, kept.id, kept.generation)
    tell(f"{service.settings.address}/cohort/{token}")
    return kept.id


def plan_all(service: Service, runner: Runner, *, tell: Callable[[str], object]) -> None:
    """Plans every row that waits, and says how far that is. Whatever ends it, what is kept is kept."""
    before = waiting(service)
    begun = monotonic()
    runner.start_all()
    try:
        while runner.busy(A_MOMENT):
            if sys.stderr.isatty():
                left = waiting(service)
                words = pace(before - left, left, monotonic() - begun)
                sys.stderr.write(f"\r{f'{before - left} of {before} rows. {words}':<78}")
                sys.stderr.flush()
    finally:
        runner.close()
    left = waiting(service)
    tell(f"Planned: {before - left} rows. Waiting: {left}.")


def waiting(service: Service) -> int:
    """The rows of all cohorts that wait."""
    with store.reading(service.engine) as connection:
        return store_cohorts.number_waiting(connection)


def sentences(wrong: InvalidRequest) -> Iterator[str]:
    """All that makes a roster unusable, a line each."""
    for problem in wrong.problems:
        yield f"{problem.place}: {problem.sentence} {problem.remedy}".strip()
