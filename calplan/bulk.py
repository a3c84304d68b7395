"""A cohort's run into a directory: what is written, in which order, and how a run that was cut goes on.

    manifest.json            the moment, the seed, and what the run was made from
    outcomes.jsonl           a line for each row, in the roster's order
    calendars/S-17.ics       the calendars
    classes/chemistry A.ics  the plans of sections that plan together, for a calendar that all share
    plans/S-17.json.gz       request and plan, for mending; granted arrangements stand in them, so they stay here
    results.csv summary.html everything.zip
    under-way/               manifest and outcomes of a run that is not finished; of one that mends, its files too

A row's files are written whole (beside, then renamed) before its line is added to the outcomes; so the lines that are
there say which rows are done, and a run that is started again with the same roster goes on after the last whole line.
Where a plan is mended, the one before is laid aside until the line is there, so that a row whose files were written and
whose line was not is mended from the same plan again. Lines are written for a lot of rows at once, when the files that
they speak of are on the disk, so that all of this holds after a power failure too. Nothing else is kept, and nothing is
written twice with other bytes. Files are named by references that can name one, and by no others: what else a row calls
itself leads nowhere.
"""

from __future__ import annotations

import csv
import gzip
import io
import json
import os
import zipfile
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from datetime import datetime
from hashlib import sha256
from pathlib import Path
from time import monotonic
from typing import IO, TYPE_CHECKING

import msgspec

from calplan import ical
from calplan.cohort import Before, ClassDocument, Made, read_class
from calplan.documents import compact
from calplan.errors import InvalidRequest, Problem
from calplan.folders import names_of
from calplan.model import Value
from calplan.outcomes import Outcome, Status
from calplan.publicdays import versions
from calplan.roster import Separator, short_key_of, wrong_reference
from calplan.summary import Counted, page

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence

    from calplan.courses import Courses
    from calplan.folders import Files
    from calplan.roster import Row

UNDER_WAY = "under-way"
OUTCOMES, MANIFEST = "outcomes.jsonl", "manifest.json"
FOLDERS = ("calendars", "plans", "classes")
LOT, LOT_SECONDS = 64, 1.0
"""Rows whose files are flushed together, at most, and how long the first of them waits for that, about."""
CALENDARS_KNOWN = 1000
"""Calendars whose digests are remembered while a roster is read."""
FLUSHED_AT_ONCE = 16
"""Files that are flushed side by side: a disk does many at once in the time of one or two."""
ZIP_DATE = (1980, 1, 1, 0, 0, 0)
"""The date of all that lies in a ZIP archive: the earliest that there is, so that equal runs give equal bytes."""


class Manifest(Value, frozen=True, kw_only=True):
    """What a run was made from, so that it can go on, and be told from another."""

    as_of: datetime
    seed: str
    roster: str
    courses: str
    schema: int = 1
    calendars: str = ""
    """The digest of the calendars that rows and courses name; empty where an earlier version wrote the manifest."""
    tz_version: str = ""
    holidays_version: str = ""
    doubts: tuple[str, ...] = ()
    """What is doubtful about the calendars that all share."""
    separator: Separator = ","
    """What stands between the cells of the roster, and so of the results."""


def manifest_of(
    *,
    as_of: datetime,
    seed: str,
    roster: str,
    courses: bytes,
    calendars: str = "",
    doubts: tuple[str, ...] = (),
    separator: Separator = ",",
) -> Manifest:
    """The manifest of a run; ``roster`` is the digest of the roster's bytes, ``calendars`` that of the calendars."""
    tz, holidays = versions()
    return Manifest(
        as_of=as_of,
        seed=seed,
        roster=roster,
        courses=sha256(courses).hexdigest(),
        calendars=calendars,
        tz_version=tz,
        holidays_version=holidays,
        doubts=doubts,
        separator=separator,
    )


def digest_of_file(file: IO[bytes]) -> str:
    """The digest of a file's bytes, read in pieces."""
    digest = sha256()
    while piece := file.read(1 << 20):
        digest.update(piece)
    return digest.hexdigest()


class Calendars:
    """The digest of the calendars that a roster and its courses name, taken while rows are read.

    A calendar that is not there counts as such. Those that many rows name, one after the other, are read once.
    """

    def __init__(self, files: Files, courses: Courses) -> None:
        self.files, self.courses = files, courses
        self.digest = sha256()
        self.known: dict[str, bytes] = {}
        self.take([])

    def take(self, rows: Iterable[Row]) -> None:
        """Adds the calendars of some rows, and of the courses."""
        for name in sorted(names_of(rows, self.courses)):
            if name not in self.known:
                if len(self.known) >= CALENDARS_KNOWN:
                    self.known.clear()
                data = self.files.get(name)
                self.known[name] = b"" if data is None else sha256(data).digest()
                self.digest.update(name.encode("utf-8", "surrogatepass") + b"\0" + self.known[name])

    def hexdigest(self) -> str:
        """The digest of all that was added, in its order."""
        return self.digest.hexdigest()


class Directory:
    """A directory that takes in a run, or the rest of one whose moment and seed it knows.

    ``again`` allows another roster, other courses or calendars, where a run is finished: what changed is mended. Raises
    :class:`InvalidRequest` where something else lies there.
    """

    def __init__(self, path: Path, manifest: Manifest, *, again: bool = False) -> None:
        self.path = path
        self.under_way = path / UNDER_WAY
        finished = self._read(path / MANIFEST)
        open_ = self._read(self.under_way / MANIFEST)
        self.manifest = going_on(manifest, open_, finished, again=again)
        self.finished = open_ is None and finished is not None and same_run(finished, self.manifest) and not again
        if open_ is not None and not same_run(open_, self.manifest):
            raise self._refused(f"a run of {others(open_, self.manifest)} is not finished here.", FINISH_FIRST)
        if open_ is None and finished is not None and not self.finished and not again:
            raise self._refused(f"a run of {others(finished, self.manifest)} lies here.", SAY_AGAIN)
        if open_ is None and finished is None and path.exists() and not hardly_begun(path):
            raise self._refused("there are other files here.", "Give a directory that is empty or does not exist.")
        self.old = Earlier(path) if finished is not None and not self.finished else None
        self.done = 0
        self.lot: list[tuple[bytes, tuple[Path, ...]]] = []
        """Lines of rows whose files are written and perhaps not on the disk yet, with those files."""
        self.lot_begun = 0.0
        self.closing = False
        self.unsure = False
        """Whether references that vanished were kept, because rows are there whose reference cannot be read."""
        if not self.finished:
            self._begin(begun=open_ is not None)
        elif self.under_way.exists():
            self.under_way.rmdir()  # the run was cut at its very last step

    def _refused(self, sentence: str, remedy: str) -> InvalidRequest:
        return InvalidRequest([Problem(str(self.path), sentence, remedy)])

    def _read(self, path: Path) -> Manifest | None:
        try:
            return msgspec.json.decode(path.read_bytes(), type=Manifest)
        except FileNotFoundError:
            return None
        except (msgspec.ValidationError, msgspec.DecodeError):
            raise self._refused("the manifest there cannot be read.", "Give another directory.") from None

    def _begin(self, *, begun: bool) -> None:
        """Makes the places, or finds out how far the run had come."""
        self.place = self.path if self.old is None else self.under_way
        outcomes = self.under_way / OUTCOMES
        self.closing = begun and not outcomes.exists()
        if self.closing:
            return
        self.under_way.mkdir(parents=True, exist_ok=True)
        for folder in FOLDERS[:2]:
            (self.place / folder).mkdir(exist_ok=True)
        if begun:
            cut_to_whole_lines(outcomes)
            self.done = sum(bool(one.row) for one in outcomes_in(outcomes))
        else:
            outcomes.touch(0o600)
            write_whole(self.under_way / MANIFEST, msgspec.json.format(msgspec.json.encode(self.manifest)) + b"\n")
        for leftover in self.path.rglob("*.part"):
            leftover.unlink()
        for place in (self.path.parent, self.path, self.under_way, self.place):
            flush(place)
        self.file = outcomes.open("ab")

    # ------------------------------------------------------------------------------------------- while it runs

    def before(self, row: Row) -> Before | None:
        """What an earlier run made of a row's reference."""
        return self.old.before(row) if self.old is not None else None

    def classes(self) -> dict[tuple[str, str], ClassDocument]:
        """The class plans of the run before, and in their place those of one that is under way."""
        return classes_in(self.path) | classes_in(self.place)

    def take_classes(self, classes: Iterable[ClassDocument]) -> None:
        """Writes the class plans that could be made."""
        for one in classes:
            if one.problem is not None:
                continue
            (self.place / "classes").mkdir(exist_ok=True)
            name = f"{one.course} {one.section}"
            whole = read_class(one.request, one.plan)
            write_whole(self.place / "classes" / f"{name}.ics", ical.to_ics(whole.plan, whole.request))
            head = compact({"schema": 1, "course": one.course, "section": one.section})[:-1]
            kept = head + b',"request":' + one.request + b',"plan":' + one.plan + b"}"
            write_whole(self.place / "classes" / f"{name}.json.gz", gzip.compress(kept, mtime=0))

    def take(self, made: Made) -> None:
        """Writes a row's files, and then, with others, its line."""
        calendar, plan = self._calendar(made.outcome, self.place), self._plan(made.outcome, self.place)
        files: tuple[Path, ...] = ()
        if made.plan and calendar is not None and plan is not None:
            files = calendar, plan
            write_whole(calendar, made.ics, flushed=False)
            kept = b'{"schema":1,"request":' + made.request + b',"plan":' + made.plan + b"}"
            write_whole(plan, gzip.compress(kept, mtime=0), flushed=False)
        if not self.lot:
            self.lot_begun = monotonic()
        self.lot.append((msgspec.json.encode(made.outcome) + b"\n", files))
        if len(self.lot) >= LOT or monotonic() - self.lot_begun >= LOT_SECONDS:
            self._write_lot()

    def _write_lot(self) -> None:
        """Has the files of the lot put on the disk, then writes its lines."""
        files = [file for _, mine in self.lot for file in mine]
        if files:
            with ThreadPoolExecutor(FLUSHED_AT_ONCE) as executor:
                list(executor.map(flush, files))
            for folder in FOLDERS[:2]:
                flush(self.place / folder)
        for line, _ in self.lot:
            self.file.write(line)
        self.lot.clear()
        self.file.flush()
        os.fsync(self.file.fileno())

    def _calendar(self, outcome: Outcome, place: Path | None = None) -> Path | None:
        """Where a row's calendar lies, or is to lie; ``None`` where its reference can name no file."""
        name = outcome.reference
        return None if wrong_reference(name) else (place or self.path) / "calendars" / f"{name}.ics"

    def _plan(self, outcome: Outcome, place: Path | None = None) -> Path | None:
        """Where a row's plan lies, or is to lie."""
        name = outcome.reference
        return None if wrong_reference(name) else (place or self.path) / "plans" / f"{name}.json.gz"

    def close(self) -> None:
        """Lets go of the outcomes; what is written stays, and a run that is not finished can go on."""
        if not self.finished and not self.closing and not self.file.closed:
            try:
                self._write_lot()
            finally:
                self.file.close()

    # ----------------------------------------------------------------------------------------------- the end

    def finish(self, *, remove_vanished: bool = False) -> None:
        """Writes what is made from all outcomes; the run is finished then."""
        if self.finished:
            return
        if not self.closing:
            self._write_lot()
            self._with_vanished(remove=remove_vanished)
            self.file.close()
            self._settle()
            write_whole(self.path / "results.csv", self._results)
            counted = Counted.of(outcomes_in(self.under_way / OUTCOMES))
            write_whole(self.path / "summary.html", page(counted, self.manifest.as_of, self.manifest.doubts).encode())
            write_whole(self.path / "everything.zip", self._archive)
            move(self.under_way / OUTCOMES, self.path / OUTCOMES)
        move(self.under_way / MANIFEST, self.path / MANIFEST)
        self.under_way.rmdir()
        flush(self.path)
        self.finished = True

    def _settle(self) -> None:
        """Puts the files of a run that mends an earlier one in their place; plans that cannot be any more go.

        A row that is wrong says nothing about the student, whose earlier plan stays; one that cannot fit does.
        """
        for folder in FOLDERS:
            for path in sorted((self.under_way / folder).glob("*")):
                (self.path / folder).mkdir(exist_ok=True)
                os.replace(path, self.path / folder / path.name)
            if (self.path / folder).exists():
                flush(self.path / folder)
            with suppress(FileNotFoundError):
                (self.under_way / folder).rmdir()
        for one in outcomes_in(self.under_way / OUTCOMES):
            if one.status is Status.CANNOT_FIT and not one.load and not one.same:
                self._drop(one)
            known = self.old.outcome(one.reference) if self.old is not None and one.reference else None
            if known is not None and known.reference != one.reference and one.status is not Status.WRONG:
                self._drop(known)  # written otherwise now, which some systems would not tell apart

    def _drop(self, outcome: Outcome) -> None:
        """Removes what was made for a reference."""
        for path in (self._calendar(outcome), self._plan(outcome)):
            if path is not None:
                path.unlink(missing_ok=True)

    def _with_vanished(self, *, remove: bool) -> None:
        """Rows of the earlier run that the roster has no more: listed under row 0, or removed.

        Nothing is removed while a row's reference cannot be read, as it may be the one that is missing. A row that
        was wrong, and of which there is no plan, is not missed.
        """
        if self.old is None:
            return
        there: set[int] = set()
        for one in outcomes_in(self.under_way / OUTCOMES):
            there.add(short_key_of(one.reference))
            self.unsure |= remove and not one.reference
        for one in outcomes_in(self.path / OUTCOMES):
            calendar, plan = self._calendar(one), self._plan(one)
            if short_key_of(one.reference) in there or calendar is None or plan is None:
                continue
            if one.status is Status.WRONG and not plan.exists():
                continue
            there.add(short_key_of(one.reference))
            if remove and not self.unsure:
                self._drop(one)
            else:
                gone = msgspec.structs.replace(one, row=0)
                self.file.write(msgspec.json.encode(gone) + b"\n")
        self.file.flush()
        os.fsync(self.file.fileno())

    def _results(self, file: IO[bytes]) -> None:
        rows = (result_row(one, self._calendar_of(one)) for one in outcomes_in(self.under_way / OUTCOMES))
        write_results(file, rows, separator=self.manifest.separator)

    def _calendar_of(self, one: Outcome) -> str:
        path = self._calendar(one)
        return f"calendars/{path.name}" if path is not None and one.blocks and path.exists() else ""

    def _archive(self, file: IO[bytes]) -> None:
        with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED, compresslevel=6) as archive:
            for name in ("results.csv", "summary.html"):
                put(archive, name, (self.path / name).read_bytes())
            for path in sorted(self.path.glob("classes/*.ics")):
                put(archive, f"classes/{path.name}", (self.path / f"classes/{path.name}").read_bytes())
            for one in outcomes_in(self.under_way / OUTCOMES):
                if name := self._calendar_of(one):
                    put(archive, name, (self.path / name).read_bytes())


def put(archive: zipfile.ZipFile, name: str, data: bytes) -> None:
    """Adds a file to an archive, for its owner alone and without a date of its own."""
    info = zipfile.ZipInfo(name, ZIP_DATE)
    info.compress_type, info.external_attr = zipfile.ZIP_DEFLATED, 0o600 << 16
    archive.writestr(info, data)


FINISH_FIRST = "Go on with the same files, or give another directory."
SAY_AGAIN = "Add --again, and what changed is mended; or give another directory."


def going_on(wanted: Manifest, open_: Manifest | None, finished: Manifest | None, *, again: bool) -> Manifest:
    """The manifest that counts: of a run that goes on, or is finished, its own; a run that mends keeps the seed."""
    if open_ is not None:
        return open_ if same_run(open_, wanted) else wanted
    if finished is not None and same_run(finished, wanted) and not again:
        return finished
    return wanted if finished is None else msgspec.structs.replace(wanted, seed=finished.seed)


def same_run(one: Manifest, other: Manifest) -> bool:
    """Whether two runs have the same roster, the same courses and, as far as is known, the same calendars."""
    calendars = one.calendars == other.calendars or not (one.calendars and other.calendars)
    return calendars and (one.roster, one.courses) == (other.roster, other.courses)


def others(one: Manifest, other: Manifest) -> str:
    """What is different about a run that is not the same."""
    if (one.roster, one.courses) == (other.roster, other.courses):
        return "the same roster and courses, but of other calendars,"
    return "another roster or other courses"


def classes_in(path: Path) -> dict[tuple[str, str], ClassDocument]:
    """The class plans of a directory, by course and section."""
    found = {}
    for one in sorted(path.glob("classes/*.json.gz")):
        kept = json.loads(gzip.decompress(one.read_bytes()))
        key = kept["course"], kept["section"]
        found[key] = ClassDocument(*key, compact(kept["request"]), compact(kept["plan"]))
    return found


class Earlier:
    """The outcomes of a finished run by reference; only where their lines begin is in memory."""

    def __init__(self, path: Path) -> None:
        self.folder, self.path = path, path / OUTCOMES
        self.starts: dict[int, int] = {}
        at = 0
        with self.path.open("rb") as file:
            for line in file:
                outcome = msgspec.json.decode(line, type=Outcome)
                if outcome.reference:
                    self.starts.setdefault(short_key_of(outcome.reference), at)
                at += len(line)

    def outcome(self, reference: str) -> Outcome | None:
        """What became of a reference, if it was there."""
        at = self.starts.get(short_key_of(reference))
        if at is None:
            return None
        with self.path.open("rb") as file:
            file.seek(at)
            return msgspec.json.decode(file.readline(), type=Outcome)

    def before(self, row: Row) -> Before | None:
        """What this run made of a row's reference, with request and plan where there is one."""
        outcome = self.outcome(row.reference) if row.reference else None
        if outcome is None:
            return None
        path = self.folder / "plans" / f"{outcome.reference}.json.gz"
        if wrong_reference(outcome.reference) or not path.exists():
            return Before(outcome)
        kept = json.loads(gzip.decompress(path.read_bytes()))
        return Before(outcome, compact(kept["request"]), compact(kept["plan"]))


def outcomes_in(path: Path) -> Iterator[Outcome]:
    """The outcomes of a file, one by one."""
    with path.open("rb") as file:
        for line in file:
            yield msgspec.json.decode(line, type=Outcome)


def cut_to_whole_lines(path: Path) -> None:
    """Cuts off a last line that has no end."""
    size = 0
    with path.open("r+b") as file:
        for line in file:
            size += len(line) if line.endswith(b"\n") else 0
        file.truncate(size)


def hardly_begun(path: Path) -> bool:
    """Whether a directory is empty, or holds no more than what a run makes before its first row."""
    for one in path.rglob("*"):
        name = str(one.relative_to(path))
        if one.is_dir() and name in ("calendars", "plans", UNDER_WAY):
            continue
        if name == f"{UNDER_WAY}/{MANIFEST}.part" or (name == f"{UNDER_WAY}/{OUTCOMES}" and not one.stat().st_size):
            continue
        return False
    return True


def write_whole(path: Path, data: bytes | Callable[[IO[bytes]], None], *, flushed: bool = True) -> None:
    """Writes a file beside its place, and then puts it there; it is on the disk then, unless that is left to others."""
    part = path.with_name(f"{path.name}.part")
    with part.open("wb") as file:
        if isinstance(data, bytes):
            file.write(data)
        else:
            data(file)
        if flushed:
            file.flush()
            os.fsync(file.fileno())
    with suppress(PermissionError):
        part.chmod(0o600)
    os.replace(part, path)
    if flushed:
        flush(path.parent)


def move(path: Path, target: Path) -> None:
    """Puts a file in another place, and has that on the disk before anything else happens."""
    os.replace(path, target)
    flush(target.parent)
    flush(path.parent)


def flush(path: Path) -> None:
    """Has the system write a file, or a folder's entries, to the disk; folders only where they can be opened."""
    if path.is_dir() and not hasattr(os, "O_DIRECTORY"):
        return
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


# ---------------------------------------------------------------------------------------------- results as CSV

RESULTS = (
    "row", "reference", "course", "section", "teacher", "outcome", "calendar",
    "fullest day", "minutes in all", "blocks", "what", "what would help",
)  # fmt: skip


def write_results(
    file: IO[bytes], rows: Iterable[Sequence[object]], more: Sequence[str] = (), *, separator: str = ","
) -> None:
    """Writes the results as CSV that a spreadsheet opens safely; ``more`` are headings after the usual ones.

    The ``separator`` is the roster's, so that the spreadsheet that wrote the one opens the other.
    """
    text = io.TextIOWrapper(file, encoding="utf-8-sig", newline="", write_through=True)
    writer = csv.writer(text, delimiter=separator)
    writer.writerow((*RESULTS, *more))
    for row in rows:
        writer.writerow(map(safe_cell, row))
    text.flush()
    text.detach()


def result_row(one: Outcome, calendar: str) -> tuple[object, ...]:
    """A line of the results. Granted arrangements are not among them."""
    return (
        one.row or "no longer in the roster",
        one.reference,
        "; ".join(one.courses),
        "; ".join(one.sections),
        "; ".join(filter(None, dict.fromkeys(one.teachers))),
        one.status.value,
        calendar,
        one.minutes or "",
        one.work or "",
        one.blocks or "",
        " ".join(one.sentences),
        " ".join(one.ways),
    )


def safe_cell(value: object) -> str:
    """A cell that no spreadsheet takes for a formula (OWASP, CSV Injection: = + - @, tab, carriage return)."""
    text = " ".join(str(value).split())
    return f"'{text}" if text.startswith(("=", "+", "-", "@")) else text
