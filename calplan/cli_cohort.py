"""The commands for a whole cohort: a pair of files to begin with, and a plan for every row."""

from __future__ import annotations

import os
import sys
from contextlib import closing, contextmanager
from functools import partial
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import click

from calplan.console import Exit, Moment, Refusal, as_of_option, complain, moment_in, tell, write

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from concurrent.futures import Executor
    from datetime import datetime

    from calplan.acts import Written
    from calplan.bulk import Directory, Manifest
    from calplan.folders import Files


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
    epilog="\b\nExample:\n  calplan cohort plan fixtures/cohort/roster.csv fixtures/cohort/courses.toml"
    " --out spring-plans",
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
@click.option("--again", is_flag=True, help="Another roster, other courses or calendars: mend the plans that change.")
@click.option("--try", "trying", is_flag=True, help="With --again: say what would change, and write nothing.")
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
    trying: bool,
    remove_vanished: bool,
) -> None:
    """Plan every row of a ROSTER (.csv, or lines of JSON) for its COURSES (.toml or .json).

    A row that is wrong, or does not fit, stops nothing. A run that was cut goes on where it was when the same command
    is given again.
    """
    from calplan.bulk import Calendars, Directory, digest_of_file, manifest_of
    from calplan.courses import read_courses
    from calplan.folders import doubts
    from calplan.roster import read_roster, separator_of

    document = Path(courses).read_bytes()
    shared = read_courses(document, name=courses)
    with open(roster, "rb") as file:
        digest = digest_of_file(file)
    with open(roster, "rb") as file:
        separator = separator_of(file, roster)
    files = files_of(calendars, roster)
    found, total = Calendars(files, shared), 0
    with open(roster, "rb") as file:
        for row in read_roster(file, name=roster):
            found.take([row])
            total += 1
    moment = moment_in(as_of, str(shared.base.get("zone", "UTC")))
    doubtful = doubts(shared, files, moment)

    wanted = manifest_of(
        as_of=moment,
        seed=seed or digest[:32],
        roster=digest,
        courses=document,
        calendars=found.hexdigest(),
        doubts=doubtful,
        separator=separator,
    )
    if trying:
        with executors(scheduler, workers) as (executor, number):
            try_out(Path(out), wanted, Cohort(roster, document, files), executor, number)
        return
    directory = Directory(Path(out), wanted, again=again)
    if directory.finished:
        complain(f"{out}: this run is finished; nothing was done.")
        return
    with closing(directory):
        if not directory.closing:
            with executors(scheduler, workers) as (executor, number):
                work(directory, Cohort(roster, document, files), executor, number, total)
        directory.finish(remove_vanished=remove_vanished)
    if directory.unsure:
        complain("Nothing was removed: rows are there whose reference cannot be read. Mend them first.")
    for one in directory.manifest.doubts:
        complain(one)
    tell([f"{status}: {number}" for status, number in counts_in(Path(out)).items()])
    complain(f"Wrote {out}: calendars, results.csv, summary.html, everything.zip.")


@cohort.command(
    short_help="One act for many: a closed day, a moved exam, material that comes late.",
    epilog="\b\nExample:\n  calplan cohort act fixtures/cohort/courses.toml --closed 2027-01-18 --write courses.json",
)
@click.argument("courses", metavar="COURSES", type=click.Path(exists=True, dir_okay=False))
@click.option("--closed", multiple=True, metavar="FIRST[..LAST]", help="The school is closed: nobody studies.")
@click.option("--moved", multiple=True, nargs=3, metavar="COURSE SECTION START", help="A section's exam has moved.")
@click.option(
    "--late", multiple=True, nargs=3, metavar="COURSE[/SECTION] MATERIAL DAY", help="Material is there from a day on."
)
@click.option("--write", "out", metavar="FILE", required=True, help="Where the changed courses go, as JSON.")
def act(
    courses: str,
    closed: tuple[str, ...],
    moved: tuple[tuple[str, str, str], ...],
    late: tuple[tuple[str, str, str], ...],
    out: str,
) -> None:
    """Write COURSES with a change for many; then plan with them again (--again, and --try to see first).

    A row is planned again where that changes what it asks for.
    """
    from calplan import acts
    from calplan.courses import read_courses
    from calplan.errors import InvalidRequest, Problem
    from calplan.tables import Wrong

    document = Path(courses).read_bytes()
    read_courses(document, name=courses)
    changed = acts.read_written(document, name=courses)
    problems: list[Problem] = []
    if not (closed or moved or late):
        raise click.UsageError("Say what has changed: --closed, --moved or --late.")

    for option, change in [
        *((f"--closed {days}", partial(closed_on, days)) for days in closed),
        *((f"--moved {' '.join(one[:2])}", partial(moved_to, *one)) for one in moved),
        *((f"--late {' '.join(one[:2])}", partial(late_from, *one)) for one in late),
    ]:
        try:
            changed = change(changed)
        except Wrong as wrong:
            problems.append(Problem(option, wrong.sentence, wrong.remedy))
        except InvalidRequest as refused:
            problems += refused.problems
    if problems:
        raise InvalidRequest(problems)
    made = acts.to_document(changed)
    read_courses(made, name=out)
    write(out, made, "the changed courses")
    if out != "-":
        complain(f"No plan has changed yet. What would: calplan cohort plan ROSTER {out} --out DIR --again --try")


def closed_on(days: str, courses: Written) -> Written:
    """The courses with the days of an option off. Raises Wrong and InvalidRequest."""
    from calplan import acts
    from calplan.tables import the_day

    first, _, last = days.partition("..")
    return acts.closed(courses, the_day(first), the_day(last or first))


def moved_to(course: str, section: str, start: str, courses: Written) -> Written:
    """The courses with a section's exam at another time. Raises Wrong and InvalidRequest."""
    from calplan import acts
    from calplan.tables import the_moment

    return acts.moved(courses, course, section, the_moment(start))


def late_from(course: str, material: str, day: str, courses: Written) -> Written:
    """The courses with material that is there from a day on. Raises Wrong and InvalidRequest."""
    from calplan import acts
    from calplan.tables import the_day

    course, _, section = course.partition("/")
    return acts.late(courses, course, material, the_day(day), section)


@cohort.command(
    short_help="Which date of an exam would ease most.",
    epilog="\b\nExample:\n  calplan cohort dates fixtures/cohort/roster.csv fixtures/cohort/courses.toml chemistry A"
    " 2027-02-06T09:00",
)
@click.argument("roster", metavar="ROSTER", type=click.Path(exists=True, dir_okay=False))
@click.argument("courses", metavar="COURSES", type=click.Path(exists=True, dir_okay=False))
@click.argument("course", metavar="COURSE")
@click.argument("section", metavar="SECTION")
@click.argument("starts", metavar="START...", nargs=-1, required=True, type=Moment())
@click.option("--calendars", metavar="DIR|ZIP", type=click.Path(exists=True), help="Default: beside the roster.")
@as_of_option
@click.option("--workers", type=click.IntRange(1, 1024), help="Processes that plan.")
def dates(
    roster: str,
    courses: str,
    course: str,
    section: str,
    starts: tuple[datetime, ...],
    calendars: str | None,
    as_of: datetime | None,
    workers: int | None,
) -> None:
    """Say which START of a SECTION's exam would ease most students, by planning for each, and for the present one."""
    from calplan.acts import best, eased, for_date, sitting
    from calplan.batches import run_rows
    from calplan.cohort import Run, all_made, class_plans
    from calplan.courses import read_courses
    from calplan.roster import distinct, read_roster

    document = Path(courses).read_bytes()
    shared = read_courses(document, name=courses)
    moment = moment_in(as_of, str(shared.base.get("zone", "UTC")))
    files, found = files_of(calendars, roster), []
    with executors(None, workers) as (executor, number):
        for start, changed in for_date(document, course, section, [one.replace(tzinfo=None) for one in starts]):
            run = Run(changed, moment, "dates")
            run = run._replace(classes=all_made(class_plans(run, files)))
            with open(roster, "rb") as file:
                rows = (
                    one for one in distinct(read_roster(file, name=roster)) if sitting(one, shared, course, section)
                )
                made = run_rows(rows, run, files, executor, workers=number)
                found.append(eased(start, (one.outcome for one in made)))
    most = best(found)
    tell(
        f"{one.start:%Y-%m-%d %H:%M}: {one.unfit} of {one.students} cannot fit, {one.above} need more minutes than "
        f"usual, {one.mean:.0f} minutes on the fullest day on average{'; eases most' if one is most else ''}"
        for one in found
    )
    if most is None:
        tell(["By these figures no date eases more than another."])


class Cohort(NamedTuple):
    """What a cohort is planned from: the roster's name, the courses as written, and where calendars are."""

    roster: str
    courses: bytes
    files: Files


def work(directory: Directory, asked: Cohort, executor: Callable[[], Executor], workers: int, total: int) -> None:
    """Plans the rows that are not done yet, and says how far it is."""
    from calplan.batches import run_rows
    from calplan.cohort import Run, class_plans
    from calplan.roster import distinct, read_roster

    run = Run(asked.courses, directory.manifest.as_of, directory.manifest.seed)
    run = run._replace(classes=class_plans(run, asked.files, directory.classes()))
    directory.take_classes(run.classes)
    for one in run.classes:
        if one.problem is not None:
            complain(str(one.problem))
    progress = Progress(directory.done, total)
    with open(asked.roster, "rb") as file:
        rows = distinct(read_roster(file, name=asked.roster))
        for _ in range(directory.done):
            next(rows)
        for made in run_rows(rows, run, asked.files, executor, workers=workers, before=directory.before):
            directory.take(made)
            progress.step()
    progress.end()


def try_out(out: Path, wanted: Manifest, asked: Cohort, executor: Callable[[], Executor], workers: int) -> None:
    """Says what planning again would change; writes nothing."""
    from calplan.acts import Effects, told
    from calplan.batches import run_rows
    from calplan.bulk import MANIFEST, Earlier, classes_in
    from calplan.cohort import Run, class_plans
    from calplan.roster import distinct, read_roster

    if not (out / MANIFEST).exists():
        raise Refusal(Exit.FILE, [f"{out}: no finished run lies here, so there is nothing that could change."])
    old = Earlier(out)
    run = Run(asked.courses, wanted.as_of, wanted.seed)
    run = run._replace(classes=class_plans(run, asked.files, classes_in(out)))
    effects = Effects()
    with open(asked.roster, "rb") as file:
        rows = distinct(read_roster(file, name=asked.roster))
        for made in run_rows(rows, run, asked.files, executor, workers=workers, before=old.before):
            effects = effects.plus(made.outcome)
    tell(told(effects))
    complain("Nothing was written.")


def counts_in(out: Path) -> dict[str, int]:
    """How many rows of a finished run have which outcome."""
    from calplan.bulk import OUTCOMES, outcomes_in
    from calplan.outcomes import Status

    counts = {str(status): 0 for status in Status}
    for one in outcomes_in(out / OUTCOMES):
        counts[str(one.status)] += bool(one.row)
    return counts


class Progress:
    """How many rows are done, how many a second, and how long the rest takes; on a terminal only."""

    def __init__(self, done: int, total: int) -> None:
        from time import monotonic

        from calplan.summary import pace

        self.pace = pace
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
        words = self.pace(self.done - self.first, self.total - self.done, now - self.begun)
        sys.stderr.write(f"\r{f'{self.done} of {self.total} rows. {words}':<78}")
        sys.stderr.flush()

    def end(self) -> None:
        """Clears the line."""
        if sys.stderr.isatty() and self.said:
            sys.stderr.write("\r" + " " * 78 + "\r")


def files_of(calendars: str | None, roster: str) -> Files:
    """Where the busy calendars come from."""
    from calplan.folders import Archive, Folder

    path = Path(calendars) if calendars else Path(roster).parent
    return Folder(path) if path.is_dir() else Archive(path)


@contextmanager
def executors(scheduler: str | None, workers: int | None) -> Iterator[tuple[Callable[[], Executor], int]]:
    """What makes executors, and how many workers they have: processes of this machine, or a cluster's."""
    if scheduler is None:
        from concurrent.futures import ProcessPoolExecutor

        from calplan.batches import end_with_parent

        number = workers or os.cpu_count() or 1
        yield lambda: ProcessPoolExecutor(number, initializer=end_with_parent), number
        return
    if find_spec("distributed") is None:
        sentence = "A cluster needs Dask, which is not installed: install calplan with its extra, calplan[dask]."
        raise Refusal(Exit.USAGE, [sentence])
    from calplan.cluster import Cluster

    with Cluster(scheduler) as cluster:
        yield cluster.executor, workers or cluster.workers


COMMANDS = (cohort,)
