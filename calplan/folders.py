"""Calendars that come with a roster: in a folder, or in a ZIP archive. Names lead to nothing else.

Of an archive only the list is read, and where a folder was packed, its name need not be said. A file is read when a row
asks for it, and never more of it than a calendar may have. Links, encrypted files and names that lead elsewhere are as
if they were not there.
"""

from __future__ import annotations

import stat
import zipfile
import zlib
from datetime import date
from pathlib import Path
from typing import IO, TYPE_CHECKING, Protocol

from calplan.busy import CalendarFile, read_calendars
from calplan.enrolment import calendars, sound_name
from calplan.errors import BadCalendar, InvalidRequest, Problem
from calplan.sentences import skipped_sentences
from calplan.tables import Wrong

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import datetime

    from calplan.courses import Courses
    from calplan.roster import Row

MOST_CALENDAR = 5_000_000
"""Bytes of a calendar that are read, and one more, so that whoever reads it can say that it is too large."""
MOST_FILES = 200_000
"""Files that an archive may have."""


UNREADABLE = (zipfile.BadZipFile, zlib.error, OSError, EOFError, ValueError, RuntimeError)
"""What the standard library raises for archives, and for files in them, that it cannot read."""


class Files(Protocol):
    """Where calendars come from, by the names that the roster and the courses have for them."""

    def get(self, name: str) -> bytes | None:
        """The bytes of a file; ``None`` where there is none of this name."""


class Folder:
    """The files of a folder, and of folders in it."""

    def __init__(self, path: Path) -> None:
        self.path = path.resolve()

    def get(self, name: str) -> bytes | None:
        """The bytes of a file; ``None`` where there is none of this name inside the folder."""
        if not sound_name(name):
            return None
        try:
            path = (self.path / name).resolve()
            if not path.is_relative_to(self.path) or not path.is_file():
                return None
            with path.open("rb") as file:
                return file.read(MOST_CALENDAR + 1)
        except (OSError, ValueError, RuntimeError):  # a link that leads round is a RuntimeError before Python 3.13
            return None


class Archive:
    """The files of a ZIP archive. Raises :class:`InvalidRequest` where it is none, or has far too many files."""

    def __init__(self, path: Path | IO[bytes]) -> None:
        name = str(path) if isinstance(path, Path) else "the archive"
        try:
            self.archive = zipfile.ZipFile(path)
            found = self.archive.infolist()
        except UNREADABLE:
            problem = Problem(name, "this is no ZIP archive that can be read.", "Pack the calendars again.")
            raise InvalidRequest([problem]) from None
        if len(found) > MOST_FILES:
            problem = Problem(name, f"the archive has {len(found)} files.", f"Keep to {MOST_FILES}.")
            raise InvalidRequest([problem])
        self.files = {one.filename: one for one in found if plain_file(one)}
        self.above = folder_of_all(self.files)

    def get(self, name: str) -> bytes | None:
        """The bytes of a file; ``None`` where there is none of this name, or it cannot be read."""
        found = self.files.get(name) or self.files.get(self.above + name)
        if found is None or not sound_name(name):
            return None
        try:
            with self.archive.open(found) as file:
                return file.read(MOST_CALENDAR + 1)
        except UNREADABLE:
            return None


def folder_of_all(names: Iterable[str]) -> str:
    """The folder in which all files of an archive lie, with its slash: what is packed as a folder has one. Else empty.

    What a Mac adds to its archives of itself is no file of anybody's.
    """
    tops = {name.partition("/")[0] if "/" in name else "" for name in names if not name.startswith("__MACOSX/")}
    top = tops.pop() if len(tops) == 1 else ""
    return f"{top}/" if top else ""


def plain_file(one: zipfile.ZipInfo) -> bool:
    """Whether an entry of an archive is a file of its own, with a name that leads nowhere else.

    It is stored or deflated, as archives of everyday are: of the other methods no piece can be had without the whole.
    """
    kind = stat.S_IFMT(one.external_attr >> 16)
    plain = kind in (0, stat.S_IFREG) and one.compress_type in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED)
    return plain and sound_name(one.filename) and not one.is_dir() and not one.flag_bits & 1


# ------------------------------------------------------------------------------------------------ which, and doubts


def common_calendars(courses: Courses) -> tuple[str, ...]:
    """The names of the calendars that hold for all rows without their own, such as the school's timetable."""
    return tuple(str(one["file"]) for one in courses.base.get("calendar", ()))


def doubts(courses: Courses, files: Files, as_of: datetime) -> tuple[str, ...]:
    """What is doubtful about the common calendars. Raises :class:`InvalidRequest` where one cannot be had or read."""
    found: list[str] = []
    problems: list[Problem] = []
    for one in courses.base.get("calendar", ()):
        data = files.get(one["file"])
        if data is None:
            problems.append(Problem(f"calendar {one['file']}", "there is no such file.", "Put it with the others."))
            continue
        file = CalendarFile(
            data=data, name=one["file"], all_day=bool(one.get("all_day")), only=tuple(one.get("only", ()))
        )
        days = [
            section.exam["start"][:10] for course in courses.courses.values() for section in course.sections.values()
        ]
        last = max(as_of.date(), max(map(date.fromisoformat, days)))
        (read,) = read_calendars((file,), zone=courses.base.get("zone", "UTC"), first=as_of.date(), last=last)
        if isinstance(read, BadCalendar):
            problems.append(read.problem)
        else:
            found += skipped_sentences(read.skipped)
    if problems:
        raise InvalidRequest(problems)
    return tuple(found)


def names_of(rows: Iterable[Row], courses: Courses) -> set[str]:
    """The names of the calendars that rows and courses speak of."""
    names = set(common_calendars(courses))
    for row in rows:
        if "calendar" in row.cells:
            try:
                names |= {one["file"] for one in calendars(row.cells["calendar"])}
            except Wrong:
                continue  # told with the row
    return names
