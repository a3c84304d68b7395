"""Calendars in a folder or a ZIP archive: names lead to nothing else, and no archive makes more of itself."""

from __future__ import annotations

import os
import random
import stat
import zipfile
from typing import TYPE_CHECKING

import pytest

from calplan.errors import InvalidRequest
from calplan.folders import MOST_CALENDAR, Archive, Folder

if TYPE_CHECKING:
    from pathlib import Path

ELSEWHERE = (
    "../secret.ics", "clubs/../../secret.ics", "/etc/passwd", "./a.ics", "clubs//a.ics", "clubs/", "", ".", "..",
    "..\\secret.ics", "C:\\a.ics", "C:a.ics", "a.ics\0", "\0", "x" * 5000, "clubs/" * 2000 + "a.ics",
)  # fmt: skip


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder with two calendars, beside it a secret."""
    (tmp_path / "secret.ics").write_bytes(b"secret")
    made = tmp_path / "calendars"
    (made / "clubs").mkdir(parents=True)
    (made / "a.ics").write_bytes(b"one")
    (made / "clubs" / "a.ics").write_bytes(b"two")
    return made


def packed(path: Path, *entries: tuple[str | zipfile.ZipInfo, bytes], kind: int = zipfile.ZIP_DEFLATED) -> Archive:
    """An archive with these entries."""
    with zipfile.ZipFile(path, "w", kind) as archive:
        for name, data in entries:
            archive.writestr(name, data, kind)
    return Archive(path)


def test_files_of_a_folder_are_had_by_name(folder):
    assert Folder(folder).get("a.ics") == b"one"
    assert Folder(folder).get("clubs/a.ics") == b"two"
    assert Folder(folder).get("clubs") is None
    assert Folder(folder).get("b.ics") is None


@pytest.mark.parametrize("name", ELSEWHERE)
def test_no_name_leads_out_of_a_folder(folder, name):
    assert Folder(folder).get(name) is None


def test_links_that_lead_out_of_a_folder_are_not_followed(folder):
    (folder / "link.ics").symlink_to(folder.parent / "secret.ics")
    (folder / "up").symlink_to(folder.parent)
    (folder / "round").symlink_to(folder / "round")
    (folder / "inside.ics").symlink_to(folder / "a.ics")
    read = Folder(folder)
    assert [read.get(name) for name in ("link.ics", "up/secret.ics", "round", "round/a.ics")] == [None] * 4
    assert read.get("inside.ics") == b"one"


def test_what_is_no_file_is_not_read(folder):
    os.mkfifo(folder / "pipe.ics")
    (folder / "device.ics").symlink_to("/dev/zero")
    assert [Folder(folder).get(name) for name in ("pipe.ics", "device.ics")] == [None, None]


def test_of_a_large_file_no_more_is_read_than_shows_that_it_is_too_large(folder):
    with (folder / "large.ics").open("wb") as file:
        file.truncate(1 << 40)  # sparse
    assert len(Folder(folder).get("large.ics") or b"") == MOST_CALENDAR + 1


def test_files_of_an_archive_are_had_by_name(tmp_path):
    read = packed(tmp_path / "a.zip", ("a.ics", b"one"), ("clubs/a.ics", b"two"), ("clubs/", b""))
    assert [read.get(name) for name in ("a.ics", "clubs/a.ics", "clubs/", "clubs", "b.ics")] == [
        b"one",
        b"two",
        *[None] * 3,
    ]


def test_a_folder_may_be_packed_as_it_is(tmp_path):
    """As file managers do it: the name of a folder stands before all names, and a Mac adds files of its own."""
    read = packed(
        tmp_path / "a.zip",
        ("busy/", b""),
        ("busy/a.ics", b"one"),
        ("busy/clubs/a.ics", b"two"),
        ("busy/.DS_Store", b"three"),
        ("__MACOSX/busy/._a.ics", b"four"),
    )
    names = ("a.ics", "busy/a.ics", "clubs/a.ics", "busy/clubs/a.ics", "b.ics", "/a.ics", "../busy/a.ics")
    assert [read.get(name) for name in names] == [b"one", b"one", b"two", b"two", None, None, None]


def test_of_two_folders_in_an_archive_none_goes_without_saying(tmp_path):
    read = packed(tmp_path / "a.zip", ("red/a.ics", b"one"), ("blue/a.ics", b"two"))
    assert [read.get(name) for name in ("a.ics", "red/a.ics", "blue/a.ics")] == [None, b"one", b"two"]


@pytest.mark.parametrize("name", [one for one in ELSEWHERE if one and "\0" not in one and len(one) < 6000])
def test_no_name_leads_out_of_an_archive(tmp_path, name):
    """Nothing is ever unpacked; a name that could lead elsewhere is as if it were not there."""
    assert packed(tmp_path / "a.zip", (name, b"bad"), ("a.ics", b"one")).get(name) is None or name == "x" * 5000


@pytest.mark.parametrize("kind", [stat.S_IFLNK, stat.S_IFIFO, stat.S_IFCHR, stat.S_IFDIR])
def test_links_and_devices_in_an_archive_are_no_files(tmp_path, kind):
    """The upper half of the external attributes is st_mode where Unix wrote it (APPNOTE 4.4.15, Info-ZIP)."""
    info = zipfile.ZipInfo("a.ics")
    info.external_attr = (kind | 0o644) << 16
    assert packed(tmp_path / "a.zip", (info, b"/etc/passwd")).get("a.ics") is None


@pytest.mark.parametrize("kind", [zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA])
def test_methods_that_cannot_be_read_in_pieces_are_not_read(tmp_path, kind):
    """Five hundred bytes of bzip2 are hundreds of megabytes at once: the standard library reads no less of it."""
    assert packed(tmp_path / "bomb.zip", ("a.ics", bytes(1_000_000)), kind=kind).get("a.ics") is None


@pytest.mark.parametrize("kind", [zipfile.ZIP_DEFLATED])
def test_a_bomb_is_read_no_further_than_a_calendar_may_go(tmp_path, kind):
    import tracemalloc

    read = packed(tmp_path / "bomb.zip", ("a.ics", bytes(200_000_000)), kind=kind)
    assert (tmp_path / "bomb.zip").stat().st_size < 1_000_000
    tracemalloc.start()
    try:
        data = read.get("a.ics")
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert len(data or b"") == MOST_CALENDAR + 1
    assert peak < 60_000_000  # bytes: less than a third of what the archive would make


def test_an_encrypted_file_is_as_if_it_were_not_there(tmp_path):
    """Bit 0 of the general purpose flags (APPNOTE 4.4.4), in the local header and in the directory."""
    packed(tmp_path / "a.zip", ("a.ics", b"one"))
    data = bytearray((tmp_path / "a.zip").read_bytes())
    for mark, at in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        data[data.index(mark) + at] |= 1
    (tmp_path / "a.zip").write_bytes(data)
    assert Archive(tmp_path / "a.zip").get("a.ics") is None


@pytest.mark.parametrize("data", [b"", b"BEGIN:VCALENDAR", b"PK\x03\x04", b"PK\x05\x06" + bytes(9)])
def test_what_is_no_archive_is_refused_in_a_sentence(tmp_path, data):
    (tmp_path / "a.zip").write_bytes(data)
    with pytest.raises(InvalidRequest, match="this is no ZIP archive that can be read"):
        Archive(tmp_path / "a.zip")


@pytest.mark.parametrize("kind", [zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED])
def test_archives_with_broken_bytes_are_refused_or_give_what_they_can(tmp_path, kind):
    """A thousand archives with a few bytes changed: no other error than a refusal, and no other answer than bytes."""
    packed(tmp_path / "a.zip", ("a.ics", b"BEGIN:VCALENDAR" * 20), ("clubs/b.ics", b"two" * 50), kind=kind)
    whole, draw = (tmp_path / "a.zip").read_bytes(), random.Random(kind)
    read = 0
    for _ in range(500):
        data = bytearray(whole)
        for _ in range(draw.randrange(1, 6)):
            data[draw.randrange(len(data))] = draw.randrange(256)
        (tmp_path / "b.zip").write_bytes(data[: draw.choice((len(data), draw.randrange(len(data))))])
        try:
            archive = Archive(tmp_path / "b.zip")
        except InvalidRequest:
            continue
        read += sum(archive.get(name) is not None for name in ("a.ics", "clubs/b.ics"))
        archive.archive.close()
    assert read  # some changes do no harm
