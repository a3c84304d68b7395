"""The syntax of written documents: bytes of TOML or JSON become tables and lists, or a sentence that says why not.

The standard library parses; what stands here guards it (size, encoding, nesting, quadratic corners) and turns its
errors into a place and something to do.
"""

from __future__ import annotations

import json
import re
import tomllib
from collections import Counter
from datetime import date, time
from typing import TYPE_CHECKING

from calplan.errors import InvalidRequest, Problem
from calplan.model import SCHEMA
from calplan.tables import Problems, show

if TYPE_CHECKING:
    from collections.abc import Callable

MOST_BYTES = 1_000_000
"""The largest document that is read."""
MOST_DOTS = 40
"""The most dots in one line of TOML: the standard library's parser takes quadratic time over long dotted keys."""

MOST_LOOKED_AT = 1_000
"""Characters of a wrong line that are searched for what to say of it: some of the searches take quadratic time."""

NO_TEXT = {
    b"PK\x03\x04": "a ZIP archive, as .docx, .odt and .xlsx files are",
    b"%PDF-": "a PDF document",
    b"\x89PNG\r\n\x1a\n": "a PNG picture",
    b"\xff\xd8\xff": "a JPEG picture",
    b"{\\rtf": "a rich-text document",
}
"""How files begin that are taken for a text by mistake (ZIP: APPNOTE 4.3.7; PDF: ISO 32000 7.5.2; PNG: ISO 15948 5.2;
JPEG and rich text: from memory)."""


def parse(document: bytes, name: str, format: str | None, problems: Problems) -> object:
    """The document as tables and lists; a document that cannot be parsed ends the reading here."""
    text = _decoded(document, name)
    if format is None:
        ending = name.lower().rpartition(".")[2]
        format = ending if ending in ("toml", "json") else "json" if text.lstrip().startswith("{") else "toml"
    try:
        return _json(text, name, problems) if format == "json" else _toml(text, name)
    except RecursionError:
        raise _refusal(name, "tables or lists are nested far too deep.", "Compare it with the example.") from None
    except ValueError:
        raise _refusal(name, "a number has thousands of digits.", "Write a number of ordinary size.") from None


def _refusal(place: str, sentence: str, remedy: str) -> InvalidRequest:
    return InvalidRequest([Problem(place, sentence, remedy)])


def _decoded(document: bytes, name: str) -> str:
    if _is_utf_16(document[:8]):
        raise _refusal(name, "this is UTF-16.", "Save the file as UTF-8.")
    what = next((what for start, what in NO_TEXT.items() if document.startswith(start)), "")
    if what or b"\0" in document:
        sentence = f"this is not a text file{f', but {what}' if what else ''}."
        raise _refusal(name, sentence, "Write the request in a text editor, and save it as plain text in UTF-8.")
    if len(document) > MOST_BYTES:
        raise _refusal(name, f"this has {len(document)} bytes.", f"A request has at most {MOST_BYTES}.")
    try:
        text = document.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = document.count(b"\n", 0, error.start) + 1
        sentence = f"byte {error.start + 1}, in line {line}, is not UTF-8."
        raise _refusal(name, sentence, "Save the file as UTF-8 text.") from None
    if not text.strip():
        raise _refusal(name, "this is empty.", f"Begin with schema = {SCHEMA}.")
    if text.lstrip().startswith("BEGIN:VCALENDAR"):
        raise _refusal(name, "this is a calendar, not a request.", "Name it in a request, as file under [[calendar]].")
    return text


def _is_utf_16(start: bytes) -> bool:
    """Whether a text begins with the mark of UTF-16, or with ASCII characters in it: every other byte is 0."""
    halves = start[::2], start[1::2]
    ascii_only = len(start) == 8 and any(not any(one) and all(other) for one, other in (halves, halves[::-1]))
    return start[:2] in (b"\xff\xfe", b"\xfe\xff") or ascii_only


def _toml(text: str, name: str) -> object:
    for number, line in enumerate(text.split("\n"), 1):
        if line.count(".") > MOST_DOTS and not line.lstrip().startswith("#"):
            raise _refusal(f"{name}, line {number}", f"this has over {MOST_DOTS} dots.", "Break the line into several.")
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        said, _, where = str(error).rpartition(" (at ")
        found = re.fullmatch(r"line ([0-9]+), column ([0-9]+)\)", where)
        lines = text.split("\n")
        row, column = (int(found[1]), int(found[2])) if found else (len(lines), len(lines[-1]) + 1)
        remedy = _toml_remedy(said, lines[row - 1][:MOST_LOOKED_AT])
    raise _refusal(f"{name}, line {row}, column {column}", f"this is not TOML: {said[:1].lower()}{said[1:]}.", remedy)


def _toml_remedy(said: str, line: str) -> str:
    """What most probably has to be done about a line that TOML does not allow."""
    if wrong := _no_such(line):
        return f"Look at the calendar or the clock again: there is no such date or time as {wrong}."
    if re.search(r"[=\[,T ]\s*[0-9]{1,2}:[0-9]{2}(?![:0-9])", line):
        return 'Put times and dates with times in quotes: "16:30", "2027-02-04T09:00".'
    if re.search(r"(?<![\w.-])[0-9]{4}-([0-9]-|[0-9]{2}-[0-9](?![0-9]))", line):
        return "Write month and day with two digits each: 2027-01-05."
    if "date" in said:
        return "Look at the calendar or the clock again: there is no such date or time."
    if "overwrite" in said or "twice" in said or "mutate" in said:
        return "A key or table stands twice: remove one, or begin another entry of the list with [[...]]."
    if re.search(r"=\s*(True|False|yes|no|on|off)\b", line):
        return "Write true or false in small letters."
    if re.search(r"=\s*[A-Za-z]", line):
        return "Put text in double quotes."
    return "Compare the line with the example."


def _no_such(line: str) -> str:
    """The first thing outside quotes and comments that looks like a date or a time and is none, or nothing."""
    bare = re.sub(r"\"[^\"]*\"|'[^']*'", "", line).partition("#")[0]
    kinds: tuple[tuple[str, Callable[[str], object]], ...] = (
        (r"(?<![\w.-])[0-9]{4}-[0-9]{2}-[0-9]{2}(?!\w*-|[0-9])", date.fromisoformat),
        (r"(?<![0-9:+-])[0-9]{2}:[0-9]{2}:[0-9]{2}(?![0-9:])", time.fromisoformat),
    )
    for shape, read in kinds:
        for found in re.findall(shape, bare):
            try:
                read(found)
            except ValueError:
                return str(found)
    return ""


def _json(text: str, name: str, problems: Problems) -> object:
    def once(pairs: list[tuple[str, object]]) -> dict[str, object]:
        table = dict(pairs)
        if len(table) < len(pairs):
            for key, times in Counter(key for key, _ in pairs).items():
                if times > 1:
                    problems.add(name, f"the key {show(key)} stands {times} times in one object.", "Keep one of them.")
        return table

    try:
        return json.loads(text, object_pairs_hook=once)
    except json.JSONDecodeError as error:
        sentence = f"this is not JSON: {error.msg[:1].lower()}{error.msg[1:]}."
        place = f"{name}, line {error.lineno}, column {error.colno}"
        raise _refusal(place, sentence, "Compare the line with the example.") from None


def compact(value: object) -> bytes:
    """A written value as JSON without blanks: what is kept, and compared to the byte."""
    return json.dumps(value, ensure_ascii=False, separators=(",", ":")).encode()
