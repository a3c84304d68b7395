"""Calendars that come with a roster: in a folder, or in a ZIP archive. Names lead to nothing else.

Of an archive only the list is read; a file is read when a row asks for it, and never more of it than a calendar may
have. Links, encrypted files and names that lead elsewhere are as if they were not there.
"""

from __future__ import annotations

import stat
import zipfile
import zlib
from pathlib import Path
from typing import IO

from calplan.enrolment import sound_name
from calplan.errors import InvalidRequest, Problem

MOST_CALENDAR = 5_000_000
"""Bytes of a calendar that are read, and one more, so that whoever reads it can say that it is too large."""
MOST_FILES = 200_000
"""Files that an archive may have."""


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
        except (OSError, ValueError):
            return None


class Archive:
    """The files of a ZIP archive. Raises :class:`InvalidRequest` where it is none, or has far too many files."""

    def __init__(self, path: Path | IO[bytes]) -> None:
        name = str(path) if isinstance(path, Path) else "the archive"
        try:
            self.archive = zipfile.ZipFile(path)
            found = self.archive.infolist()
        except (zipfile.BadZipFile, OSError, ValueError, NotImplementedError):
            problem = Problem(name, "this is no ZIP archive that can be read.", "Pack the calendars again.")
            raise InvalidRequest([problem]) from None
        if len(found) > MOST_FILES:
            problem = Problem(name, f"the archive has {len(found)} files.", f"Keep to {MOST_FILES}.")
            raise InvalidRequest([problem])
        self.files = {one.filename: one for one in found if plain_file(one)}

    def get(self, name: str) -> bytes | None:
        """The bytes of a file; ``None`` where there is none of this name, or it cannot be read."""
        found = self.files.get(name)
        if found is None:
            return None
        try:
            with self.archive.open(found) as file:
                return file.read(MOST_CALENDAR + 1)
        except (zipfile.BadZipFile, zlib.error, OSError, EOFError, RuntimeError, NotImplementedError):
            return None


def plain_file(one: zipfile.ZipInfo) -> bool:
    """Whether an entry of an archive is a file of its own, with a name that leads nowhere else."""
    kind = stat.S_IFMT(one.external_attr >> 16)
    return sound_name(one.filename) and not one.is_dir() and kind in (0, stat.S_IFREG) and not one.flag_bits & 1
