"""A cohort's run into a directory: what is written, in which order, and how a run that was cut goes on.

    manifest.json            the moment, the seed, and what the run was made from
    outcomes.jsonl           a line for each row, in the roster's order
    calendars/S-17.ics       the calendars
    plans/S-17.json.gz       request and plan, for mending; granted arrangements stand in them, so they stay here
    results.csv summary.html everything.zip
    under-way/               manifest and outcomes of a run that is not finished, and the plan that a row had before

A row's files are written whole (beside, then renamed) before its line is added to the outcomes; so the lines that are
there say which rows are done, and a run that is started again with the same roster goes on after the last whole line.
Where a plan is mended, the one before is laid aside until the line is there, so that a row whose files were written and
whose line was not is mended from the same plan again. Nothing else is kept, and nothing is written twice with other
bytes. Files are named by references that can name one, and by no others: what else a row calls itself leads nowhere.
"""

from __future__ import annotations

import csv
import gzip
import io
import json
import os
import shutil
import zipfile
from contextlib import suppress
from datetime import datetime
from hashlib import blake2b, sha256
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

import msgspec

from calplan.cohort import Before, Made, Outcome, Status
from calplan.errors import InvalidRequest, Problem
from calplan.model import Value
from calplan.publicdays import versions
from calplan.roster import file_key, wrong_reference
from calplan.summary import Counted, page

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from calplan.roster import Row

UNDER_WAY = "under-way"
OUTCOMES, MANIFEST, BEFORE = "outcomes.jsonl", "manifest.json", "before"
ZIP_DATE = (1980, 1, 1, 0, 0, 0)
"""The date of all that lies in a ZIP archive: the earliest that there is, so that equal runs give equal bytes."""


class Manifest(Value, frozen=True, kw_only=True):
    """What a run was made from, so that it can go on, and be told from another."""

    as_of: datetime
    seed: str
    roster: str
    courses: str
    schema: int = 1
    tz_version: str = ""
    holidays_version: str = ""
    doubts: tuple[str, ...] = ()
    """What is doubtful about the calendars that all share."""


def manifest_of(*, as_of: datetime, seed: str, roster: str, courses: bytes, doubts: tuple[str, ...] = ()) -> Manifest:
    """The manifest of a run; ``roster`` is the digest of the roster's bytes."""
    tz, holidays = versions()
    return Manifest(
        as_of=as_of,
        seed=seed,
        roster=roster,
        courses=sha256(courses).hexdigest(),
        tz_version=tz,
        holidays_version=holidays,
        doubts=doubts,
    )


def digest_of_file(file: IO[bytes]) -> str:
    """The digest of a file's bytes, read in pieces."""
    digest = sha256()
    while piece := file.read(1 << 20):
        digest.update(piece)
    return digest.hexdigest()


class Directory:
    """A directory that takes in a run.

    ``again`` allows another roster, or other courses, where a run is finished: what changed is mended. Raises
    :class:`InvalidRequest` where something else lies there.
    """

    def __init__(self, path: Path, manifest: Callable[[Manifest | None], Manifest], *, again: bool = False) -> None:
        self.path = path
        self.under_way = path / UNDER_WAY
        finished = self._read(path / MANIFEST)
        open_ = self._read(self.under_way / MANIFEST)
        self.manifest = manifest(open_ or finished)
        self.finished = open_ is None and finished is not None and same_run(finished, self.manifest)
        if open_ is not None and not same_run(open_, self.manifest):
            raise self._refused("a run of another roster or other courses is not finished here.", FINISH_FIRST)
        if open_ is None and finished is not None and not self.finished and not again:
            raise self._refused("a run of another roster or other courses lies here.", SAY_AGAIN)
        if open_ is None and finished is None and path.exists() and not hardly_begun(path):
            raise self._refused("there are other files here.", "Give a directory that is empty or does not exist.")
        self.old = Earlier(path) if finished is not None and not self.finished else None
        self.done = 0
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
        for folder in (self.path / "calendars", self.path / "plans", self.under_way):
            folder.mkdir(parents=True, exist_ok=True)
        outcomes = self.under_way / OUTCOMES
        self.closing = begun and not outcomes.exists()
        if self.closing:
            return
        if begun:
            cut_to_whole_lines(outcomes)
            self.done = sum(bool(one.row) for one in outcomes_in(outcomes))
        else:
            outcomes.touch(0o600)
            write_whole(self.under_way / MANIFEST, msgspec.json.format(msgspec.json.encode(self.manifest)) + b"\n")
        for leftover in (*self.path.glob("**/*.part"),):
            leftover.unlink()
        self.file = outcomes.open("ab")

    # ------------------------------------------------------------------------------------------- while it runs

    def before(self, row: Row) -> Before | None:
        """What an earlier run made of a row's reference."""
        outcome = self.old.outcome(row.reference) if self.old is not None and row.reference else None
        if outcome is None:
            return None
        found = (one for one in (self._aside(outcome), self._plan(outcome)) if one is not None and one.exists())
        data = next((path.read_bytes() for path in found), b"")
        if not data:
            return Before(outcome)
        kept = json.loads(gzip.decompress(data))
        return Before(outcome, as_json(kept["request"]), as_json(kept["plan"]))

    def take(self, made: Made) -> None:
        """Writes a row's files, then its line.

        A row that is wrong says nothing about the student, whose earlier plan stays; one that cannot fit does.
        """
        calendar, plan = self._calendar(made.outcome), self._plan(made.outcome)
        aside = None
        if calendar and plan and not made.same and made.outcome.status is not Status.WRONG:
            aside = self._lay_aside(made.outcome)
            if made.plan:
                write_whole(calendar, made.ics)
                kept = b'{"schema":1,"request":' + made.request + b',"plan":' + made.plan + b"}"
                write_whole(plan, gzip.compress(kept, mtime=0))
            else:
                calendar.unlink(missing_ok=True)
                plan.unlink(missing_ok=True)
        self.file.write(msgspec.json.encode(made.outcome) + b"\n")
        self.file.flush()
        if aside is not None:
            aside.unlink()

    def _lay_aside(self, outcome: Outcome) -> Path | None:
        """Lays a row's earlier plan aside (an empty file: there was none); what is named otherwise goes."""
        old = self.old.outcome(outcome.reference) if self.old is not None else None
        aside, plan, calendar = (self._aside(old), self._plan(old), self._calendar(old)) if old else (None, None, None)
        if old is None or aside is None or plan is None or calendar is None:
            return None
        if not aside.exists():
            aside.parent.mkdir(exist_ok=True)
            write_whole(aside, plan.read_bytes() if plan.exists() else b"")
        if old.reference != outcome.reference:
            calendar.unlink(missing_ok=True)
            plan.unlink(missing_ok=True)
        return aside

    def _calendar(self, outcome: Outcome) -> Path | None:
        """Where a row's calendar lies; ``None`` where its reference can name no file."""
        name = outcome.reference
        return None if wrong_reference(name) else self.path / "calendars" / f"{name}.ics"

    def _plan(self, outcome: Outcome) -> Path | None:
        """Where a row's plan lies."""
        name = outcome.reference
        return None if wrong_reference(name) else self.path / "plans" / f"{name}.json.gz"

    def _aside(self, outcome: Outcome) -> Path | None:
        """Where a row's earlier plan lies while the row is written."""
        name = outcome.reference
        return None if wrong_reference(name) else self.under_way / BEFORE / f"{name}.json.gz"

    # ----------------------------------------------------------------------------------------------- the end

    def finish(self, *, remove_vanished: bool = False) -> None:
        """Writes what is made from all outcomes; the run is finished then."""
        if self.finished:
            return
        if not self.closing:
            self._with_vanished(remove=remove_vanished)
            self.file.close()
            write_whole(self.path / "results.csv", self._results)
            counted = Counted.of(outcomes_in(self.under_way / OUTCOMES))
            write_whole(self.path / "summary.html", page(counted, self.manifest.as_of, self.manifest.doubts).encode())
            write_whole(self.path / "everything.zip", self._archive)
            os.replace(self.under_way / OUTCOMES, self.path / OUTCOMES)
        shutil.rmtree(self.under_way / BEFORE, ignore_errors=True)
        os.replace(self.under_way / MANIFEST, self.path / MANIFEST)
        self.under_way.rmdir()
        self.finished = True

    def _with_vanished(self, *, remove: bool) -> None:
        """Rows of the earlier run that the roster has no more: listed under row 0, or removed.

        Nothing is removed while a row's reference cannot be read, as it may be the one that is missing. A row that
        was wrong, and of which there is no plan, is not missed.
        """
        if self.old is None:
            return
        there: set[int] = set()
        for one in outcomes_in(self.under_way / OUTCOMES):
            there.add(key_of(one.reference))
            self.unsure |= remove and not one.reference
        for one in outcomes_in(self.path / OUTCOMES):
            calendar, plan = self._calendar(one), self._plan(one)
            if key_of(one.reference) in there or calendar is None or plan is None:
                continue
            if one.status is Status.WRONG and not plan.exists():
                continue
            there.add(key_of(one.reference))
            if remove and not self.unsure:
                calendar.unlink(missing_ok=True)
                plan.unlink(missing_ok=True)
            else:
                gone = msgspec.structs.replace(one, row=0)
                self.file.write(msgspec.json.encode(gone) + b"\n")
        self.file.flush()

    def _results(self, file: IO[bytes]) -> None:
        text = io.TextIOWrapper(file, encoding="utf-8-sig", newline="", write_through=True)
        writer = csv.writer(text)
        writer.writerow(RESULTS)
        for one in outcomes_in(self.under_way / OUTCOMES):
            writer.writerow(map(safe_cell, result_row(one, self._calendar_of(one))))
        text.flush()
        text.detach()

    def _calendar_of(self, one: Outcome) -> str:
        path = self._calendar(one)
        return f"calendars/{path.name}" if path is not None and one.blocks and path.exists() else ""

    def _archive(self, file: IO[bytes]) -> None:
        with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED, compresslevel=6) as archive:
            for name in ("results.csv", "summary.html"):
                self._put(archive, name)
            for one in outcomes_in(self.under_way / OUTCOMES):
                if name := self._calendar_of(one):
                    self._put(archive, name)

    def _put(self, archive: zipfile.ZipFile, name: str) -> None:
        info = zipfile.ZipInfo(name, ZIP_DATE)
        info.compress_type, info.external_attr = zipfile.ZIP_DEFLATED, 0o644 << 16
        archive.writestr(info, (self.path / name).read_bytes())


FINISH_FIRST = "Go on with the same files, or give another directory."
SAY_AGAIN = "Give another directory, or ask for the same one again: what changed is then planned anew."


def same_run(one: Manifest, other: Manifest) -> bool:
    """Whether two runs have the same roster and the same courses."""
    return (one.roster, one.courses) == (other.roster, other.courses)


class Earlier:
    """The outcomes of a finished run by reference; only where their lines begin is in memory."""

    def __init__(self, path: Path) -> None:
        self.path = path / OUTCOMES
        self.starts: dict[int, int] = {}
        at = 0
        with self.path.open("rb") as file:
            for line in file:
                outcome = msgspec.json.decode(line, type=Outcome)
                if outcome.reference:
                    self.starts.setdefault(key_of(outcome.reference), at)
                at += len(line)

    def outcome(self, reference: str) -> Outcome | None:
        """What became of a reference, if it was there."""
        at = self.starts.get(key_of(reference))
        if at is None:
            return None
        with self.path.open("rb") as file:
            file.seek(at)
            return msgspec.json.decode(file.readline(), type=Outcome)


def key_of(reference: str) -> int:
    """Eight bytes that stand for a reference."""
    return int.from_bytes(blake2b(file_key(reference).encode(), digest_size=8).digest(), "big")


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


def write_whole(path: Path, data: bytes | Callable[[IO[bytes]], None]) -> None:
    """Writes a file beside its place, and then puts it there."""
    part = path.with_name(f"{path.name}.part")
    with part.open("wb") as file:
        if isinstance(data, bytes):
            file.write(data)
        else:
            data(file)
    with suppress(PermissionError):
        part.chmod(0o600)
    os.replace(part, path)


def as_json(value: Any) -> bytes:
    """A value as compact JSON."""
    return json.dumps(value, ensure_ascii=False, separators=(",", ":")).encode()


# ---------------------------------------------------------------------------------------------- results as CSV

RESULTS = (
    "row", "reference", "course", "section", "teacher", "outcome", "calendar",
    "fullest day", "minutes in all", "blocks", "what", "what would help",
)  # fmt: skip


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
