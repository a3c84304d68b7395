"""A run into a directory whose power fails at any moment goes on to the same bytes.

What a disk keeps is modelled after fsync(2) and rename(2) at their least: the contents of a file that was flushed since
it was written, and the names in a folder that was flushed since they were given. Everything else is lost.
"""

from __future__ import annotations

import os
import shutil
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path
from threading import Lock
from typing import TYPE_CHECKING

import pytest
from click.testing import CliRunner

from calplan import cli_cohort
from calplan.cli import commands
from tests.test_bulk import BEFORE, LATER, command, contents, row, small

if TYPE_CHECKING:
    from collections.abc import Iterator


class PowerFailure(BaseException):
    """The power fails."""


class Disk:
    """What would be left of files and folders, and when the power fails: before the n-th flush."""

    def __init__(self, last: int) -> None:
        self.left, self.flushes = last, 0
        self.files: dict[int, bytes] = {}
        self.folders: dict[int, dict[str, int]] = {}
        self.held: list[int] = []
        self.lock = Lock()
        self.real = os.fsync

    def fsync(self, descriptor: int) -> None:
        """In the place of :func:`os.fsync`."""
        with self.lock:
            if self.left <= 0:
                raise PowerFailure
            self.left -= 1
            self.flushes += 1
            path = Path(f"/proc/self/fd/{descriptor}")
            number = os.fstat(descriptor).st_ino
            self.held.append(os.dup(descriptor))  # so that its number is given to nothing else
            if path.resolve().is_dir():
                self.folders[number] = {one.name: one.stat().st_ino for one in path.iterdir()}
            else:
                self.files[number] = path.read_bytes()

    def know(self, folder: Path) -> None:
        """Takes all that is there for written long ago."""
        for one in (folder, *folder.rglob("*")):
            descriptor = os.open(one, os.O_RDONLY)
            self.fsync(descriptor)
            os.close(descriptor)

    def restore(self, number: int, place: Path) -> None:
        """Puts what is left of a folder into a place."""
        place.mkdir()
        for name, inner in self.folders.get(number, {}).items():
            if inner in self.kinds:
                self.restore(inner, place / name)
            else:
                (place / name).write_bytes(self.files.get(inner, b""))

    def fail(self, folder: Path) -> None:
        """What is left in a folder when the power is back."""
        self.kinds = {one.stat().st_ino for one in folder.rglob("*") if one.is_dir()} | set(self.folders)
        number = folder.stat().st_ino
        shutil.move(folder, folder.with_name("lost"))
        self.restore(number, folder)
        shutil.rmtree(folder.with_name("lost"))
        for one in self.held:
            os.close(one)


@pytest.fixture(autouse=True)
def alone(monkeypatch: pytest.MonkeyPatch) -> None:
    """Planning in a thread of this process, so that one disk sees all."""

    @contextmanager
    def executors(*_: object) -> Iterator[object]:
        yield lambda: ThreadPoolExecutor(1), 1

    monkeypatch.setattr(cli_cohort, "executors", executors)


def interrupted(words: list[str], place: Path, last: int, monkeypatch: pytest.MonkeyPatch) -> int:
    """Runs the command until its power fails before a flush; gives how many there were."""
    disk = Disk(10**9)
    disk.know(place)
    disk.left, disk.flushes = last, 0
    with monkeypatch.context() as patch:
        patch.setattr(os, "fsync", disk.fsync)
        try:
            result = CliRunner().invoke(commands, words)
            assert result.exit_code == 0, (result.output, result.exception)
        except PowerFailure:
            pass
        else:
            assert disk.left > 0
    disk.fail(place)
    return disk.flushes


def run(words: list[str]) -> None:
    result = CliRunner().invoke(commands, words)
    assert result.exit_code == 0, (result.output, result.exception)


def test_a_run_goes_on_from_whatever_the_disk_has_kept(tmp_path, monkeypatch):
    """The power fails before each flush of a run in turn."""
    monkeypatch.setattr("calplan.bulk.LOT", 2)
    folder = small(tmp_path / "in", [row(1), row(2, course="physics"), row(3)])
    whole, place = tmp_path / "whole", tmp_path / "disk"
    run(command(folder, whole))
    wanted = contents(whole)
    place.mkdir()
    words = command(folder, place / "out")
    flushes = interrupted(words, place, 10**9, monkeypatch)
    assert contents(place / "out") == wanted  # all of it is on the disk when the command ends
    for last in range(flushes):
        shutil.rmtree(place / "out", ignore_errors=True)
        interrupted(words, place, last, monkeypatch)
        run(words)
        assert contents(place / "out") == wanted, last


def test_a_run_that_mends_goes_on_from_whatever_the_disk_has_kept(tmp_path, monkeypatch):
    monkeypatch.setattr("calplan.bulk.LOT", 3)
    folder = small(tmp_path / "in", BEFORE[1:6])
    whole, first, place = tmp_path / "whole", tmp_path / "first", tmp_path / "disk"
    run(command(folder, whole))
    shutil.copytree(whole, first)
    small(folder, [BEFORE[1], row(4, pace="140"), row(6, calendar="none", study_hours="fri 16:00-16:30"), row(13)])
    again = ("--again", "--remove-vanished")
    run(command(folder, whole, *again, as_of=LATER))
    wanted = contents(whole)
    place.mkdir()
    words = command(folder, place / "out", *again, as_of=LATER)
    shutil.copytree(first, place / "out")
    flushes = interrupted(words, place, 10**9, monkeypatch)
    assert contents(place / "out") == wanted
    for last in range(1, flushes, 3):
        shutil.rmtree(place / "out")
        shutil.copytree(first, place / "out")
        interrupted(words, place, last, monkeypatch)
        left = contents(place / "out")
        over = "under-way/manifest.json" not in left and left["manifest.json"] == wanted["manifest.json"]
        run(command(folder, place / "out") if over else words)  # what is over would be done once more
        assert contents(place / "out") == wanted, last
