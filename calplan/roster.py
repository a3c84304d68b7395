"""A roster: which students there are, a row each, as a spreadsheet's CSV or as lines of JSON; read as a stream.

    bytes → text → records → rows

Nothing that is wrong in one row touches another. A quote that is never closed would swallow all that follows it: such a
row ends with its own line, and the next line begins a new one. So does one whose quote is closed rows later, by a stray
quote in the same column. A row's number is the one that a spreadsheet shows: records are counted from 1, the headings
first. Lines of JSON are counted as lines.

Separators are commas, semicolons or tabs, whichever the headings use; text is UTF-8 with or without a byte order mark,
or UTF-16 with one (RFC 4180 for the form; the rest as spreadsheets write it, from memory).
"""

from __future__ import annotations

import csv
import io
import json
import re
from collections import Counter
from difflib import get_close_matches
from hashlib import blake2b
from typing import IO, TYPE_CHECKING, Any, Literal, NamedTuple
from unicodedata import normalize

from calplan.errors import InvalidRequest, Problem
from calplan.model import Kind, Value
from calplan.tables import show

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

MOST_LINE = 200_000
"""Characters of one line; a longer one is a row that is wrong."""
MOST_LINES = 60
"""Lines that one row may have, as cells may hold line ends."""
MOST_CELL = 10_000
"""Characters of one cell."""
MOST_COLUMNS = 2_000
Separator = Literal[",", ";", "\t"]
SEPARATORS: tuple[Separator, ...] = (",", ";", "\t")

COLUMNS = {
    "reference": "What the school calls the student: a number or a code; no name is needed.",
    "course": "The key of the course, or several with semicolons between them.",
    "section": "The key of the exam's section, in the order of the courses. Empty where the course has only one.",
    "zone": "The student's zone, such as America/Chicago.",
    "study_hours": "When the student can study: weekdays 16:00-19:00; sat 10:00-12:00.",
    "usual": "Minutes of study on a usual day.",
    "limit": "The most minutes of a day.",
    "shortest": "Minutes of the shortest block.",
    "longest": "Minutes of the longest block, where short blocks are granted.",
    "rest": "Minutes between two blocks.",
    "bedtime": "When the student goes to bed: 22:30.",
    "waking": "When the student gets up: 07:00.",
    "holidays": "Country and subdivision of the public holidays: US-IL, or GB. None for none.",
    "calendar": "File names of busy calendars, semicolons between them. None: not even the school's timetable.",
    "days_off": "Days without study: 2027-01-23; 2027-01-30..2027-01-31.",
    "keep": "everything, or essentials.",
    "extra_time": "Extra time that was granted for the exam, in percent.",
    "pace": "Minutes that work takes this student, in percent: 100 as usual, 125 for a quarter more.",
}
"""The columns by name, each with what it says; ``missed`` and ``count`` stand besides, for each material or kind."""

NEEDED = ("reference", "course")
MARKED = ("missed", "count")
"""Columns of these names are followed by the key of a material, or by a kind: ``missed quiz-2``, ``count homework``."""
ELSEWHERE = {
    "id": "reference", "student": "reference", "student id": "reference", "ref": "reference",
    "courses": "course", "class": "course", "subject": "course", "group": "section", "sections": "section",
    "timezone": "zone", "time zone": "zone", "hours": "study_hours", "extra": "extra_time", "ics": "calendar",
    "calendars": "calendar", "minutes": "usual", "day off": "days_off", "holiday": "holidays", "break": "rest",
}  # fmt: skip
"""Words that people write for a column, where spelling alone does not lead to it."""

RESERVED = frozenset({"con", "prn", "aux", "nul", *(f"{port}{n}" for port in ("com", "lpt") for n in range(10))})
"""Names that some systems keep for devices (Microsoft, Naming Files, Paths, and Namespaces; from memory)."""


class Row(Value, frozen=True, kw_only=True):
    """One student as written: cells by column, and what is wrong with the row as a whole."""

    number: int
    cells: dict[str, str]
    problems: tuple[Problem, ...] = ()

    @property
    def reference(self) -> str:
        """The school's reference, in the one form in which it is compared; empty where there is none."""
        return normalize("NFC", self.cells.get("reference", ""))


def read_roster(file: IO[bytes], *, name: str = "roster") -> Iterator[Row]:
    """The rows of a roster, one by one.

    ``file`` is read from where it stands, in pieces. Lines of JSON are known by a brace at the beginning. Raises
    :class:`InvalidRequest` where there is nothing that could be rows: no text, no headings, headings that are unknown.
    """
    text = text_of(file, name)
    lines = numbered(text)
    first = next((line for line in lines if line.text.strip()), None)
    if first is None:
        raise refused(name, "this is empty.", f"The first row names the columns: {', '.join(NEEDED)} and others.")
    if first.text.lstrip().startswith("{"):
        return json_rows(first, lines)
    return csv_rows(first, Lines(lines), name)


# -------------------------------------------------------------------------------------------------- bytes, text


def text_of(file: IO[bytes], name: str) -> IO[str]:
    """The file as text; bytes that are not UTF-8 come through as lone surrogates, so that they cost their row alone."""
    start = file.read(8)
    if start.startswith((b"PK\x03\x04", b"\xd0\xcf\x11\xe0")):
        raise refused(name, "this is a workbook, not CSV.", "In the spreadsheet, save or export it as CSV in UTF-8.")
    wide = start[:2] in (b"\xff\xfe", b"\xfe\xff")
    if b"\0" in start and not wide:
        raise refused(name, "this is not text.", "In the spreadsheet, save or export it as CSV in UTF-8.")
    joined = io.BufferedReader(Joined(start, file))
    if wide:
        return io.TextIOWrapper(joined, encoding="utf-16", errors="replace", newline="")
    return io.TextIOWrapper(joined, encoding="utf-8-sig", errors="surrogateescape", newline="")


class Joined(io.RawIOBase):
    """A few bytes that were read already, and the rest of the file."""

    def __init__(self, start: bytes, rest: IO[bytes]) -> None:
        self.start, self.rest = start, rest

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: Any) -> int:
        data, self.start = (self.start, b"") if self.start else (self.rest.read(len(buffer)), b"")
        buffer[: len(data)] = data
        return len(data)


class Line(NamedTuple):
    """A line of the file with its number, without its end; one that was too long is cut."""

    number: int
    text: str
    too_long: bool = False


def numbered(text: IO[str]) -> Iterator[Line]:
    """The lines of a text, whichever way they end."""
    number = 0
    while piece := text.readline(MOST_LINE):
        number += 1
        whole = piece
        while len(piece) >= MOST_LINE and not piece.endswith(("\n", "\r")):
            piece = text.readline(MOST_LINE)
        yield Line(number, whole.rstrip("\r\n"), len(whole) >= MOST_LINE)


class Lines:
    """Lines that can be given back."""

    def __init__(self, lines: Iterator[Line]) -> None:
        self.lines, self.back = lines, list[Line]()

    def take(self) -> Line | None:
        """The next line; ``None`` at the end."""
        return self.back.pop() if self.back else next(self.lines, None)

    def give_back(self, lines: Sequence[Line]) -> None:
        """Puts lines back, so that they come next, in this order."""
        self.back += reversed(lines)


# -------------------------------------------------------------------------------------------------------- CSV


def csv_rows(first: Line, lines: Lines, name: str) -> Iterator[Row]:
    """The rows of a CSV file, after its headings."""
    lines.give_back([first])
    separator = separator_in(first.text)
    heads = record(lines, separator, None)
    if heads is None or heads.problem:
        raise refused(f"{name}, row {first.number}", *(heads.problem if heads and heads.problem else UNCLOSED))
    columns = columns_of(heads.cells, name)
    return body_rows(lines, separator, columns, first.number)


def body_rows(lines: Lines, separator: str, columns: Sequence[str], number: int) -> Iterator[Row]:
    """The rows below the headings, which are row ``number``."""
    while (found := record(lines, separator, len(columns))) is not None:
        number += 1
        if found.problem:
            cells = known_reference(columns, found.cells)
            where = (
                f"row {number}, column {columns[found.column] or found.column + 1}"
                if found.swallows
                else f"row {number}"
            )
            yield Row(number=number, cells=cells, problems=(Problem(where, *found.problem),))
        elif any(cell.strip() for cell in found.cells):
            yield csv_row(number, columns, found.cells)


UNCLOSED = (
    "a quote is opened and not closed, or text follows a closed one.",
    "Close it, or take it out; a quote inside a quoted cell is written twice.",
)


SWALLOWS = (
    "the quote that is opened here would take in the rows that follow.",
    "Close it, or take it out. If the cell is right as it is, write it without line ends.",
)


class Record(NamedTuple):
    """The cells of a record; those before its first quote, where it has a ``problem`` (a sentence, and what to do)."""

    cells: list[str]
    problem: tuple[str, str] | None = None

    @property
    def swallows(self) -> bool:
        """Whether its quote, which is opened after these cells, takes in rows that follow."""
        return self.problem == SWALLOWS

    @property
    def column(self) -> int:
        """The place of the cell where it breaks, counted from 0."""
        return len(self.cells)


def record(lines: Lines, separator: str, width: int | None) -> Record | None:
    """The next record; ``None`` at the end.

    A record over several lines that is broken, has not ``width`` cells, or holds what looks like rows, is taken for a
    first line whose quote is not closed: the lines after it are given back.
    """
    taken: list[Line] = []

    def feed() -> Iterator[str]:
        while len(taken) < MOST_LINES and (line := lines.take()) is not None:
            taken.append(line)
            yield line.text + "\n"

    problem = UNCLOSED
    try:
        cells = next(csv.reader(feed(), delimiter=separator, strict=True), None)
    except csv.Error:
        cells = None
    if not taken:
        return None
    whole = not any(line.too_long for line in taken)
    swallows = width is not None and len(taken) > 1 and look_like_rows([one.text for one in taken], separator, width)
    if cells is not None and whole and not swallows and (len(taken) == 1 or width in (None, len(cells))):
        return Record(cells)
    lines.give_back(taken[1:])
    before = taken[0].text.partition('"')[0].split(separator)[:-1]
    if cells is not None and whole and swallows:
        problem = SWALLOWS
    elif taken[0].too_long:
        problem = f"this line has over {MOST_LINE:,} characters.", "Shorten it."
    elif max(map(len, taken[0].text.split(separator))) > csv.field_size_limit():
        problem = f"a cell has over {csv.field_size_limit():,} characters.", f"A cell has at most {MOST_CELL:,}."
    return Record(before, problem)


def look_like_rows(texts: Sequence[str], separator: str, width: int) -> bool:
    """Whether each of several lines would be a row, if the quote of the first were a letter.

    Each has ``width`` cells then, more than one; the only other quote stands in the last line, in the column of the
    first one, or ends that cell; and each begins with a word of the same form as the first line does. Cells that are
    meant to have line ends are not cut like that: a list over lines has an entry or two on each, and no reference.
    """
    tables = [text.split(separator) for text in texts]
    if width < 2 or any(len(cells) != width for cells in tables):
        return False
    opened = texts[0].partition('"')[0].count(separator)
    closing = tables[-1][opened].rstrip()
    if "".join(texts).count('"') != 2 or '"' not in texts[0] or not closing.endswith('"'):
        return False
    forms = {form_of(cells[0].strip(' "')) for cells in tables}
    return len(forms) == 1 and forms != {""}


def form_of(reference: str) -> str:
    """What references of one school have in common: S-17 and S-9 have the form a-0, Élan and Anna the form a."""
    return re.sub(r"[^\W\d_]+", "a", re.sub(r"\d+", "0", reference))


def separator_of(file: IO[bytes], name: str = "roster") -> Separator:
    """What stands between the cells of a roster, read from where the file stands; a comma for lines of JSON.

    Raises :class:`InvalidRequest` where the file is no text.
    """
    first = next((line.text for line in numbered(text_of(file, name)) if line.text.strip()), "")
    return "," if first.lstrip().startswith("{") else separator_in(first)


def separator_in(headings: str) -> Separator:
    """The separator with which a line has the most known headings."""
    return max(SEPARATORS, key=lambda one: headings_known(headings, one))


def headings_known(line: str, separator: str) -> tuple[int, int]:
    """How many known headings a separator makes of a line, and how often it stands there."""
    return sum(simple(one.strip('"')) in COLUMNS for one in line.split(separator)), line.count(separator)


def simple(heading: str) -> str:
    """A heading in the form in which headings are compared."""
    return re.sub(r"[\s_\-]+", "_", heading.strip().strip("\ufeff").lower())


def columns_of(heads: Sequence[str], name: str) -> list[str]:
    """The columns that the headings name; an empty one stands for a column without a heading."""
    if len(heads) > MOST_COLUMNS:
        raise refused(name, f"there are {len(heads)} columns.", f"Keep to {MOST_COLUMNS}.")
    problems = []
    columns = [column_of(head) for head in heads]
    for place, (head, column) in enumerate(zip(heads, columns, strict=True), 1):
        if column is None:
            near = get_close_matches(simple(head)[:40], COLUMNS, 1)
            near = [ELSEWHERE[other]] if (other := simple(head).replace("_", " ")) in ELSEWHERE else near
            remedy = f"Did you mean {near[0]}?" if near else f"The columns are {', '.join(COLUMNS)}, missed …, count …."
            problems.append(Problem(f"{name}, column {place}", f"there is no column {show(head)}.", remedy))
    for column, times in Counter(filter(None, columns)).items():
        if times > 1:
            problems.append(Problem(name, f"the column {show(column)} stands {times} times.", "Keep one of them."))
    for column in NEEDED:
        if column not in columns:
            problems.append(Problem(name, f"there is no column {show(column)}.", f"It says: {COLUMNS[column]}"))
    if problems:
        raise InvalidRequest(problems)
    return [column or "" for column in columns]


def column_of(heading: str) -> str | None:
    """The column that a heading names: its name, ``missed`` or ``count`` with what it is about, or an empty one."""
    heading = " ".join(heading.strip("\ufeff").split())
    plain = simple(heading)
    if not plain or plain in COLUMNS:
        return plain
    mark, _, about = heading.partition(" ")
    if mark.lower() == "missed" and re.fullmatch(r"[\w.-]{1,80}", about):
        return f"missed {about}"
    kind = about.lower().rpartition(".")[2]
    if mark.lower() == "count" and kind in tuple(Kind) and re.fullmatch(r"[\w.-]{1,80}", about):
        return f"count {about[: len(about) - len(kind)]}{kind}"
    return None


def csv_row(number: int, columns: Sequence[str], cells: Sequence[str]) -> Row:
    """A row with its cells by column."""
    problems = []
    if len(cells) != len(columns):
        sentence = f"there are {len(cells)} cells, and {len(columns)} columns."
        remedy = "Put a cell that holds a separator in quotes, and leave no cell out."
        return Row(
            number=number, cells=known_reference(columns, cells), problems=(Problem(f"row {number}", sentence, remedy),)
        )
    found: dict[str, str] = {}
    for place, (column, cell) in enumerate(zip(columns, cells, strict=True), 1):
        problem = wrong_cell(cell)
        where = f"row {number}, column {column or place}"
        if problem:
            problems.append(Problem(where, *problem))
        elif not column and cell.strip():
            problems.append(Problem(where, f"{show(cell)} stands in a column without a heading.", "Name the column."))
        elif column and cell.strip():
            found[column] = " ".join(cell.split())
    return Row(number=number, cells=found, problems=tuple(problems))


def known_reference(columns: Sequence[str], cells: Sequence[str]) -> dict[str, str]:
    """The reference of a row that is broken elsewhere, where it stands before the break."""
    at = columns.index("reference")
    sound = at == 0 and bool(cells) and not wrong_cell(cells[0])
    return {"reference": cells[0].strip()} if sound and cells[0].strip() else {}


def wrong_cell(cell: str) -> tuple[str, str] | None:
    """What is wrong with the text of a cell, and what to do."""
    if len(cell) > MOST_CELL:
        return f"this cell has {len(cell):,} characters.", f"A cell has at most {MOST_CELL:,}."
    if any("\udc80" <= one <= "\udcff" for one in cell) or "\ufffd" in cell:
        return "this holds bytes that are not UTF-8.", "Save or export the file as CSV in UTF-8."
    if any(not one.isprintable() and not one.isspace() for one in cell):
        return "this holds characters that cannot be seen.", "Type the cell again."
    return None


# ------------------------------------------------------------------------------------------------ lines of JSON


def json_rows(first: Line, lines: Iterator[Line]) -> Iterator[Row]:
    """The rows of a file with an object of JSON on every line."""
    line: Line | None = first
    while line is not None:
        if line.text.strip():
            yield json_row(line)
        line = next(lines, None)


def json_row(line: Line) -> Row:
    """The row that a line of JSON is; lists are cells with semicolons, ``missed`` and ``count`` are objects."""
    place = f"line {line.number}"
    problem = wrong_cell(line.text[:MOST_CELL])
    if line.too_long or problem:
        sentence, remedy = problem or (f"this line has over {MOST_LINE:,} characters.", "Shorten it.")
        return Row(number=line.number, cells={}, problems=(Problem(place, sentence, remedy),))
    try:
        raw = json.loads(line.text, object_pairs_hook=Pairs)
    except (ValueError, RecursionError):
        raw = None
    if not isinstance(raw, Pairs):
        sentence = "this is not an object of JSON."
        return Row(
            number=line.number, cells={}, problems=(Problem(place, sentence, 'Write {"reference": …, "course": …}.'),)
        )
    problems: list[Problem] = []
    cells: dict[str, str] = {}
    for key, value in raw:
        inner = value if key in MARKED and isinstance(value, Pairs) else None
        pairs = [(f"{key} {about}", one) for about, one in inner] if inner is not None else [(key, value)]
        for name, one in pairs:
            column, text = column_of(name), as_cell(one)
            where = f"{place}, {name[:60]}"
            if not column:
                remedy = f"The keys are {', '.join(COLUMNS)}, missed, count."
                problems.append(Problem(where, f"there is no key {show(name)}.", remedy))
            elif column in cells:
                problems.append(Problem(where, "this key stands twice.", "Keep one of them."))
            elif text is None:
                problems.append(Problem(where, f"{show(one)} is no value for it.", "Write text, a number or a list."))
            elif wrong := wrong_cell(text):
                problems.append(Problem(where, *wrong))
            elif text:
                cells[column] = text
    return Row(number=line.number, cells=cells, problems=tuple(problems))


class Pairs(list[tuple[str, Any]]):
    """An object of JSON with all its keys, those that stand twice too."""


def as_cell(value: object) -> str | None:
    """A value of JSON as the text of a cell; ``None`` where it cannot be one."""
    match value:
        case None:
            return ""
        case bool() | Pairs():
            return None
        case str() | int() | float():
            return " ".join(str(value).split())
        case list():
            texts = [as_cell(one) for one in value if not isinstance(one, list)]
            return "; ".join(map(str, texts)) if len(texts) == len(value) and None not in texts else None
    return None


def refused(place: str, sentence: str, remedy: str) -> InvalidRequest:
    """One thing that makes a whole roster unreadable."""
    return InvalidRequest([Problem(place, sentence, remedy)])


def file_key(reference: str) -> str:
    """What two references have in common that a file system would not tell apart."""
    return normalize("NFC", reference).casefold()


def wrong_reference(reference: str) -> tuple[str, str] | None:
    """What is wrong with a reference, and what to do: it names files, and stands in tables and on pages."""
    if not re.fullmatch(r"\w(?:[\w. -]{0,62}[\w-])?", reference) or file_key(reference).partition(".")[0] in RESERVED:
        remedy = "Use up to 64 letters, digits, spaces, dots, hyphens and underscores, a letter or digit first."
        return f"{show(reference)} cannot be a reference.", remedy
    return None


def short_key_of(reference: str) -> int:
    """Eight bytes that stand for a reference."""
    return int.from_bytes(blake2b(file_key(reference).encode(), digest_size=8).digest(), "big")


def distinct(rows: Iterable[Row]) -> Iterator[Row]:
    """The rows, of which each but the first with a reference is wrong. Eight bytes are kept of each reference."""
    seen: dict[int, int] = {}
    for row in rows:
        if row.reference:
            first = seen.setdefault(short_key_of(row.reference), row.number)
            if first != row.number:
                sentence = f"row {first} has this reference already."
                problem = Problem(f"row {row.number}, column reference", sentence, "Give each student one row.")
                yield Row(number=row.number, cells=row.cells, problems=(*row.problems, problem))
                continue
        yield row
