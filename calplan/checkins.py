"""What a student says of the blocks: done, partly, missed; minutes; what was found in the material.

What was said is a log that only grows. Entries commute: two devices that write at once lose nothing, and to take
something back is an entry of its own. Of several words on one block the last one counts for the block, while all that
they found in the material stays known. On disk the log is JSON, one entry a line.
"""

from __future__ import annotations

from datetime import datetime
from enum import StrEnum
from typing import TYPE_CHECKING, NamedTuple

import msgspec

from calplan.errors import InvalidRequest, Problem
from calplan.model import Value

if TYPE_CHECKING:
    from collections.abc import Iterable

MUST, SHOULD, SETTLED = 1, 2, 3
"""How much a flagged problem matters; a settled one is closed, if it was settled on a later day than it was set."""


class Outcome(StrEnum):
    """What became of a block."""

    DONE = "done"
    PARTLY = "partly"
    MISSED = "missed"


class Flag(Value, frozen=True, kw_only=True):
    """A problem of a material, by the student's own name for it ("7", "12b"), with its importance.

    ``tries`` are failed tries this time; a problem flagged 1 or 2 was not right in the end, one flagged 3 was.
    """

    problem: str
    importance: int
    tries: int = 1


class Found(Value, frozen=True, kw_only=True):
    """What was found in a material: the problems that are still wrong, counted (``None``: not said), and flags."""

    exam: str
    material: str
    wrong: int | None = None
    flags: tuple[Flag, ...] = ()


class CheckIn(Value, frozen=True, kw_only=True, tag_field="what", tag="check-in"):
    """A word on a block, given at an instant.

    ``reached`` counts the minutes of its planned work that were done (for ``partly``). ``minutes`` is the time that it
    took, where the student says so. ``instead`` tells what was done in its place.
    """

    id: str
    at: datetime
    block: str
    outcome: Outcome
    reached: int = 0
    minutes: int | None = None
    found: tuple[Found, ...] = ()
    sheet_pages: int | None = None
    instead: str = ""


class Undone(Value, frozen=True, kw_only=True, tag_field="what", tag="undone"):
    """The entry of an earlier id is taken back."""

    id: str
    at: datetime
    entry: str


Entry = CheckIn | Undone
Log = tuple[Entry, ...]


def in_order(entries: Iterable[Entry]) -> Log:
    """The entries in order of their instants, whatever order they came in; each id once."""
    return tuple(sorted({entry.id: entry for entry in entries}.values(), key=lambda entry: (entry.at, entry.id)))


def standing(log: Iterable[Entry]) -> tuple[CheckIn, ...]:
    """The check-ins that were not taken back, in order."""
    entries = in_order(log)
    taken_back = {entry.entry for entry in entries if isinstance(entry, Undone)}
    return tuple(entry for entry in entries if isinstance(entry, CheckIn) and entry.id not in taken_back)


def last_words(log: Iterable[Entry]) -> dict[str, CheckIn]:
    """For each block that something stands about, by UID, the last word on it."""
    return {entry.block: entry for entry in standing(log)}


class Mark(NamedTuple):
    """What a calendar shows of a block: its last word (``None``: taken back), and when that was so."""

    outcome: Outcome | None
    since: datetime


def marks(log: Iterable[Entry]) -> dict[str, Mark]:
    """What calendars show, by UID: blocks that were said to be done, wholly or partly, now or until it was taken back.

    A block that was missed looks as it did, so that nothing in a calendar scolds.
    """
    entries = in_order(log)
    blocks = {entry.id: entry.block for entry in entries if isinstance(entry, CheckIn)}
    shown = {e.block for e in entries if isinstance(e, CheckIn) and e.outcome is not Outcome.MISSED}
    words, found = last_words(entries), dict[str, Mark]()
    for entry in entries:
        block = entry.block if isinstance(entry, CheckIn) else blocks.get(entry.entry)
        if block in shown:
            found[block] = Mark(words[block].outcome if block in words else None, entry.at)
    return found


# ------------------------------------------------------------------------------------------------------ on disk


def to_line(entry: Entry) -> bytes:
    """An entry as a line of JSON; equal entries give equal bytes."""
    return msgspec.json.encode(entry) + b"\n"


def entry_from_json(document: bytes | str) -> Entry:
    """The entry of a line. Raises ``msgspec.ValidationError`` (a ``ValueError``) where it is none."""
    entry: Entry = _decoder.decode(document)
    return entry


_decoder: msgspec.json.Decoder[Entry] = msgspec.json.Decoder(CheckIn | Undone)


def read_log(data: bytes, name: str = "log") -> Log:
    """The log in a file of lines. Raises InvalidRequest with a problem for every line that is no entry."""
    entries, problems = list[Entry](), list[Problem]()
    for number, line in enumerate(data.splitlines(), 1):
        if not line.strip():
            continue
        try:
            entry = entry_from_json(line)
            problems += [Problem(f"{name}, line {number}", said, "Correct the line.") for said in wrong_with(entry)]
            entries.append(entry)
        except ValueError as error:
            said = f"this is no entry of a log of check-ins: {error}."
            problems.append(Problem(f"{name}, line {number}", said, "Take the line out, or write it with calplan."))
    if problems:
        raise InvalidRequest(problems)
    return in_order(entries)


def wrong_with(entry: Entry) -> list[str]:
    """What in an entry cannot be, in sentences."""
    if entry.at.tzinfo is None or not 2000 <= entry.at.year < 2200:
        return ["its instant has no zone, or lies outside 2000 to 2199."]
    if isinstance(entry, Undone):
        return []
    said = []
    if entry.reached < 0 or (entry.minutes is not None and not 0 <= entry.minutes <= 24 * 60):
        said.append("minutes lie between 0 and a day.")
    if entry.sheet_pages is not None and not 0 <= entry.sheet_pages <= 20:
        said.append("a summary sheet has 0 to 20 pages.")
    for found in entry.found:
        if found.wrong is not None and not 0 <= found.wrong <= 1000:
            said.append("problems still wrong are counted from 0 to 1000.")
        said += [
            f"the flag on {flag.problem[:20]!r} is 1, 2 or 3, with 0 to 99 failed tries."
            for flag in found.flags
            if flag.importance not in (MUST, SHOULD, SETTLED) or not 0 <= flag.tries <= 99 or not flag.problem.strip()
        ]
    return said
