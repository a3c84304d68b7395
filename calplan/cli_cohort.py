"""The commands for a whole cohort: a pair of files to begin with, and a plan for every row."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from calplan.console import Exit, Refusal, as_of_option, complain, moment_in, tell

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable
    from concurrent.futures import Executor
    from datetime import datetime

    from calplan.bulk import Manifest
    from calplan.cohort import Files, Made


@click.group(
    short_help="Plans for a whole cohort.",
    epilog="\b\nExamples:\n  calplan cohort begin spring\n"
    "  calplan cohort plan spring/roster.csv spring/courses.toml --out plans",
)
def cohort() -> None:
    """Make plans for many students at once, from a roster and the courses that they share."""


@cohort.command(
    short_help="Write an empty roster and courses to fill in.", epilog="\b\nExample:\n  calplan cohort begin spring"
)
@click.argument("directory", metavar="DIR")
def begin(directory: str) -> None:
    """Write courses.toml, with a comment on every key and on every column, and an empty roster.csv into DIR."""
    from calplan.starting import COURSES, ROSTER

    folder = Path(directory)
    files = {folder / "courses.toml": COURSES, folder / "roster.csv": ROSTER}
    there = [str(path) for path in files if path.exists()]
    if there:
        raise Refusal(Exit.FILE, [f"{name}: this is there already, and stays as it is." for name in there])
    folder.mkdir(parents=True, exist_ok=True)
    for path, text in files.items():
        path.write_text(text, encoding="utf-8", newline="")
        complain(f"Wrote {path}.")


@cohort.command(
    short_help="Plan every row of a roster.",
    epilog="\b\nExample:\n  calplan cohort plan fixtures/cohort/roster.csv fixtures/cohort/courses.toml --out spring",
)
@click.argument("roster", metavar="ROSTER", type=click.Path(exists=True, dir_okay=False))
@click.argument("courses", metavar="COURSES", type=click.Path(exists=True, dir_okay=False))
@click.option("--out", metavar="DIR", required=True, help="Where the calendars and the results go.")
@click.option(
    "--calendars",
    metavar="DIR|ZIP",
    type=click.Path(exists=True),
    help="Where the busy calendars are. Default: beside the roster.",
)
@as_of_option
@click.option("--seed", metavar="TEXT", help="What the ids of blocks derive from. Default: the roster itself.")
@click.option("--workers", type=click.IntRange(1, 1024), help="Processes that plan. Default: one for each processor.")
@click.option(
    "--scheduler", metavar="ADDRESS", help="A Dask scheduler whose cluster plans, such as tcp://10.0.0.5:8786."
)
@click.option("--again", is_flag=True, help="Another roster or other courses than before: mend the plans that change.")
@click.option("--remove-vanished", is_flag=True, help="Remove the plans of references that the roster has no more.")
def plan(
    roster: str,
    courses: str,
    out: str,
    calendars: str | None,
    as_of: datetime | None,
    seed: str | None,
    workers: int | None,
    scheduler: str | None,
    *,
    again: bool,
    remove_vanished: bool,
) -> None:
    """Plan every row of a ROSTER (.csv, or lines of JSON) for its COURSES (.toml or .json).

    A row that is wrong, or does not fit, stops nothing. A run that was cut goes on where it was when the same command
    is given again.
    """
    from msgspec.structs import replace

    from calplan.bulk import Directory, digest_of_file, manifest_of
    from calplan.cohort import Run as CohortRun
    from calplan.cohort import distinct, doubts, run_rows
    from calplan.courses import read_courses
    from calplan.roster import read_roster

    document = Path(courses).read_bytes()
    shared = read_courses(document, name=courses)
    with open(roster, "rb") as file:
        digest = digest_of_file(file)
    with open(roster, "rb") as file:
        total = sum(1 for _ in read_roster(file, name=roster))
    moment = moment_in(as_of, str(shared.base.get("zone", "UTC")))
    files = files_of(calendars, roster)
    doubtful = doubts(shared, files, moment)

    def manifest(known: Manifest | None) -> Manifest:
        fresh = manifest_of(as_of=moment, seed=seed or digest[:32], roster=digest, courses=document, doubts=doubtful)
        if known is None or (known.roster, known.courses) != (fresh.roster, fresh.courses):
            return fresh if known is None or seed else replace(fresh, seed=known.seed)
        return known

    directory = Directory(Path(out), manifest, again=again)
    if directory.finished:
        complain(f"{out}: this run is finished; nothing was done.")
        return
    run = CohortRun(document, directory.manifest.as_of, directory.manifest.seed)
    number = workers or os.cpu_count() or 1
    with open(roster, "rb") as file:
        rows = distinct(read_roster(file, name=roster))
        for _ in range(directory.done):
            next(rows)
        found: Iterable[Made] = (
            ()
            if directory.closing
            else run_rows(rows, run, files, executor_of(scheduler, number), workers=number, before=directory.before)
        )
        counts = taken(found, directory, total)
    directory.finish(remove_vanished=remove_vanished)
    if directory.unsure:
        complain("Nothing was removed: rows are there whose reference cannot be read. Mend them first.")
    for one in directory.manifest.doubts:
        complain(one)
    tell([f"{status}: {number}" for status, number in counts.items()])
    complain(f"Wrote {out}: calendars, results.csv, summary.html, everything.zip.")


def taken(found: Iterable[Made], directory: Any, total: int) -> dict[str, int]:
    """Writes what comes of the rows and says how far it is; gives the counts by outcome, those of before among them."""
    from calplan.bulk import OUTCOMES, outcomes_in
    from calplan.cohort import Status

    counts = {str(status): 0 for status in Status}
    for one in outcomes_in((directory.path if directory.closing else directory.under_way) / OUTCOMES):
        counts[str(one.status)] += bool(one.row)
    progress = Progress(directory.done, total)
    for made in found:
        directory.take(made)
        counts[str(made.outcome.status)] += 1
        progress.step()
    progress.end()
    return counts


class Progress:
    """How many rows are done, how many a second, and how long the rest takes; on a terminal only."""

    def __init__(self, done: int, total: int) -> None:
        from time import monotonic

        self.clock: Callable[[], float] = monotonic
        self.first = self.done = done
        self.total, self.begun, self.said = total, monotonic(), 0.0

    def step(self) -> None:
        """One row more is done."""
        self.done += 1
        now = self.clock()
        if sys.stderr.isatty() and now - self.said >= 0.2:
            self.said = now
            self._say(now)

    def _say(self, now: float) -> None:
        rate = (self.done - self.first) / max(now - self.begun, 0.001)
        left = (self.total - self.done) / rate if rate else 0
        minutes, seconds = divmod(round(left), 60)
        text = f"{self.done} of {self.total} rows, {rate:.0f} a second, {minutes}:{seconds:02d} left"
        sys.stderr.write(f"\r{text:<70}")
        sys.stderr.flush()

    def end(self) -> None:
        """Clears the line."""
        if sys.stderr.isatty() and self.said:
            sys.stderr.write("\r" + " " * 70 + "\r")


def files_of(calendars: str | None, roster: str) -> Files:
    """Where the busy calendars come from."""
    from calplan.folders import Archive, Folder

    path = Path(calendars) if calendars else Path(roster).parent
    return Folder(path) if path.is_dir() else Archive(path)


def executor_of(scheduler: str | None, workers: int) -> Callable[[], Executor]:
    """What makes executors: processes of this machine, or a cluster's."""
    if scheduler is None:
        from concurrent.futures import ProcessPoolExecutor

        from calplan.cohort import end_with_parent

        return lambda: ProcessPoolExecutor(workers, initializer=end_with_parent)
    try:
        from distributed import Client
    except ImportError:
        sentence = "A cluster needs Dask, which is not installed: install calplan with its extra, calplan[dask]."
        raise Refusal(Exit.USAGE, [sentence]) from None
    client = Client(scheduler)
    return lambda: client.get_executor(pure=False)


COMMANDS = (cohort,)
