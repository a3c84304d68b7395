"""Material piece by piece: lines that are typed or pasted, and CSV files.

A line is one piece, or many by count. Its cells are separated by semicolons, commas or tabs (so lines copied from a
spreadsheet are read as they come), in this order; those at the end may be left out, those in between left empty:

    kind; title; result; in hand from; topic; answers; size; minutes
    quiz; Quiz 3: kinetics; 14/20; 2027-01-11

A cell that begins with the name of a key (``count=4``) stands for that key, wherever it is. A header row names the
columns of the lines below it, in any order. Quotation marks keep a cell with separators together (RFC 4180, section 2).
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from calplan.documents import NO_TEXT
from calplan.errors import Problem
from calplan.model import KINDS
from calplan.request import MATERIAL
from calplan.tables import show
from web.form_cells import FLAGS, MOST_CHARACTERS, Line, lines, value

COLUMNS = ("kind", "title", "missed", "in_hand", "topic", "answers", "size", "minutes")
"""The keys of a line's cells in order."""

NAMES = {
    **{key: key for key in MATERIAL.keys},
    **{key.replace("_", " "): key for key in MATERIAL.keys},
    **dict.fromkeys(("what", "sort", "material"), "kind"),
    **dict.fromkeys(("name", "description"), "title"),
    **dict.fromkeys(("result", "score", "wrong", "marks"), "missed"),
    **dict.fromkeys(("in hand from", "date", "day", "since", "from", "received"), "in_hand"),
    **dict.fromkeys(("problems", "periods", "class periods", "of"), "size"),
    **dict.fromkeys(("how many", "number"), "count"),
    **dict.fromkeys(("solutions", "answer key"), "answers"),
}
"""What a column may be called in a header row."""

KIND_WORDS = {kind.value: kind.value for kind in KINDS} | {
    "homeworks": "homework",
    "quizzes": "quiz",
    "note": "notes",
    "tests": "test",
    "practise": "practice",
}

EXAMPLE = "quiz; Quiz 3: kinetics; 14/20; 2027-01-11"


class UnreadableList(Exception):
    """A file that is no list of pieces; ``problem`` says what it is instead, and what to do."""

    def __init__(self, place: str, sentence: str, remedy: str) -> None:
        self.problem = Problem(place, sentence, remedy)
        super().__init__(str(self.problem))


def read_pieces(text: str, labels: Mapping[str, str]) -> list[Line]:
    """The pieces in a typed list; ``labels`` are the exam's own names of the kinds, by kind."""
    kinds = {label.strip().lower(): kind for kind, label in labels.items()} | KIND_WORDS
    made: list[Line] = []
    columns: Sequence[str] = COLUMNS
    for number, line in lines(text):
        cells = _cells(line, kinds, columns)
        header = _header(cells)
        if header:
            columns = header
        elif any(cells):
            made.append(_piece(number, cells, columns, kinds))
    return made


def _cells(line: str, kinds: Mapping[str, str], columns: Sequence[str]) -> list[str]:
    """The cells of a line, split at the separator that makes most sense of it."""
    ways = [_split(line, separator) for separator in ("\t", ";", ",") if separator in line]
    if not ways:
        return [line.strip('"')]
    at = columns.index("kind") if "kind" in columns else 0
    known = (way for way in ways if len(way) > at and way[at].lower() in kinds)
    return next((way for way in ways if _header(way)), None) or next(known, None) or ways[0]


def _split(line: str, separator: str) -> list[str]:
    try:
        (row,) = csv.reader([line], delimiter=separator, skipinitialspace=True)
    except (csv.Error, ValueError):
        row = line.split(separator)
    return [" ".join(cell.split()) for cell in row]


def _header(cells: Sequence[str]) -> list[str]:
    """The keys that a header row names, or nothing where this is none."""
    keys = [NAMES.get(cell.lower(), "") for cell in cells]
    known = all(key or not cell for key, cell in zip(keys, cells, strict=True))
    return keys if len(cells) > 1 and "kind" in keys and known else []


def _piece(number: int, cells: Sequence[str], columns: Sequence[str], kinds: Mapping[str, str]) -> Line:
    table: dict[str, Any] = {}
    places = iter(columns)
    for cell in cells:
        key, text = _named(cell)
        if not key:
            key = next(places, "")
        if not key and text:
            sentence = f"{show(text)} stands in a column of its own, and it is not known what it is."
            return Line(number, None, sentence, f"Write it like this: {EXAMPLE}.")
        if not text:
            continue
        if key in table:
            return Line(number, None, f"{key} stands here twice.", "Keep one of the two.")
        table[key] = kinds.get(text.lower(), text) if key == "kind" else value(key, text)
    return Line(number, table)


def _named(cell: str) -> tuple[str, str]:
    """The key and the text of a cell such as ``count=4``; no key for any other."""
    found = re.fullmatch(r"([a-z_]+)=\s*(.*)", cell)
    return (found[1], found[2]) if found and found[1] in MATERIAL.keys else ("", cell)


def write_piece(table: Mapping[str, Any]) -> str:
    """A piece as a line: the columns in order as far as they go, then the other keys by name."""
    first = [str(table.get(key, "")) for key in COLUMNS[:4]]
    while first and not first[-1]:
        first.pop()
    cells = [f"{key}={text}" if _named(text)[0] else text for key, text in zip(COLUMNS, first, strict=False)]
    cells += [f"{key}={'yes' if key in FLAGS else text}" for key, text in table.items() if key not in COLUMNS[:4]]
    return "; ".join(map(_quoted, cells))


def _quoted(cell: str) -> str:
    return '"' + cell.replace('"', '""') + '"' if re.search(r'[";\t]', cell) else cell


def read_csv(data: bytes, name: str) -> str:
    """The pieces of a CSV file as lines for the form. Raises UnreadableList.

    Columns are those of a header row, else those of a typed line.
    """
    made: list[str] = []
    columns: Sequence[str] = COLUMNS
    for cells in _rows(_text(data, name), name):
        header = _header(cells)
        if header:
            columns = header
        elif any(cells):
            made.append(_row(cells, columns))
    if not made:
        raise UnreadableList(name, "this holds no pieces.", f"Its lines look like this: {EXAMPLE}.")
    text = "\n".join(made)
    if len(text) > MOST_CHARACTERS:
        raise UnreadableList(name, "this is too long.", f"A list has at most {MOST_CHARACTERS} characters.")
    return text


def _row(cells: Sequence[str], columns: Sequence[str]) -> str:
    """A row as a typed line; cells beyond the columns stay at its end, where reading will point at them."""
    if any(_named(cell)[0] for cell in cells) or len(set(columns) - {""}) < len([key for key in columns if key]):
        return "; ".join(map(_quoted, cells))
    table = {key: cell for key, cell in zip(columns, cells, strict=False) if key and cell}
    table["kind"] = KIND_WORDS.get(table.get("kind", "").lower(), table.get("kind", ""))
    flags = {key: text for key, text in table.items() if key in FLAGS and value(key, text) is False}
    written = write_piece({key: text for key, text in table.items() if key not in flags})
    beyond = [cell for cell in cells[len(columns) :] if cell]
    return "; ".join([written, *(_quoted(cell) for cell in beyond)])


def _rows(text: str, name: str) -> Iterable[list[str]]:
    start = text.lstrip().partition("\n")[0]
    separator = max("\t;,", key=start.count)
    try:
        for row in csv.reader(io.StringIO(text), delimiter=separator, skipinitialspace=True):
            yield [" ".join(cell.split()) for cell in row]
    except csv.Error as error:
        raise UnreadableList(name, f"this is not CSV: {error}.", "Save the list as CSV in UTF-8.") from None


def _text(data: bytes, name: str) -> str:
    what = next((what for start, what in NO_TEXT.items() if data.startswith(start)), "")
    if what or b"\0" in data:
        sentence = f"this is not a list in plain text{f', but {what}' if what else ''}."
        raise UnreadableList(name, sentence, "Save the list as CSV in UTF-8.")
    if len(data) > MOST_CHARACTERS:
        raise UnreadableList(name, f"this has {len(data)} bytes.", f"A list of pieces has at most {MOST_CHARACTERS}.")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise UnreadableList(name, "this is not UTF-8.", "Save the list as CSV in UTF-8.") from None
