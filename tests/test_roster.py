"""Rosters as spreadsheets write them: what is read comes back as written, and what is broken costs its own row.

The form is RFC 4180's (section 2: records, header line, quoted fields with line breaks, doubled quotes); separators and
encodings are those that spreadsheets use besides ("common practice, no source").
"""

from __future__ import annotations

import contextlib
import csv
import io
import json
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calplan.errors import InvalidRequest
from calplan.roster import COLUMNS, MOST_CELL, MOST_COLUMNS, MOST_LINE, Row, read_roster, wrong_reference


def rows(text: str | bytes) -> list[Row]:
    data = text.encode() if isinstance(text, str) else text
    return list(read_roster(io.BytesIO(data)))


def cells(text: str | bytes) -> list[dict[str, str]]:
    found = rows(text)
    assert [row.problems for row in found] == [()] * len(found)
    return [row.cells for row in found]


def refusal(text: str | bytes) -> str:
    with pytest.raises(InvalidRequest) as caught:
        rows(text)
    return str(caught.value)


TWO = "reference,course\nS-1,chemistry\nS-2,civics\n"
READ = [{"reference": "S-1", "course": "chemistry"}, {"reference": "S-2", "course": "civics"}]


# -------------------------------------------------------------------------------------------- separators, encodings


@pytest.mark.parametrize("separator", [",", ";", "\t"])
@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
def test_what_spreadsheets_write_is_read_the_same(separator, end, encoding):
    text = TWO.replace(",", separator).replace("\n", end)
    assert cells(text.encode(encoding)) == READ


@pytest.mark.parametrize("mark", [b"\xff\xfe", b"\xfe\xff"])
def test_both_orders_of_utf_16_are_read_by_their_mark(mark):
    """Unicode 23.8: FF FE marks the little end first, FE FF the big."""
    assert cells(mark + TWO.encode("utf-16-le" if mark == b"\xff\xfe" else "utf-16-be")) == READ


def test_the_last_line_needs_no_end_and_empty_lines_are_no_rows():
    """RFC 4180 2.2: the last record may have no line break. Row numbers are a spreadsheet's all the same."""
    found = rows("reference,course\n\n,\nS-1,chemistry")
    assert [(row.number, row.reference) for row in found] == [(4, "S-1")]


def test_empty_lines_before_the_headings_count_as_rows_of_the_sheet():
    assert [row.number for row in rows("\n\n" + TWO)] == [4, 5]


def test_separators_in_quotes_are_text():
    """RFC 4180 2.6 and 2.7: fields in quotes hold separators and line breaks; a quote inside one is doubled."""
    text = 'reference;course;section\n"S-1";"chemistry; civics";"A;\r\n""1"""\n'
    assert cells(text) == [{"reference": "S-1", "course": "chemistry; civics", "section": 'A; "1"'}]


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "this is empty. The first row names the columns"),
        (b"\n \n\t\n", "this is empty"),
        (b"PK\x03\x04rest of a workbook", "this is a workbook, not CSV"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", "this is a workbook, not CSV"),
        ("reference,course\n".encode("utf-16-le"), "this is not text"),
    ],
)
def test_what_is_no_roster_is_refused_as_a_whole(data, words):
    """OLE and ZIP begin as their specifications say (MS-CFB 2.2; APPNOTE 4.3.7)."""
    assert words in refusal(data)


# ---------------------------------------------------------------------------------------------------------- columns


def test_headings_may_be_written_in_their_own_way():
    text = "\ufeff Reference ,COURSE,Study Hours,extra-time,Missed Quiz-2,Count chemistry.Practice\nS-1,c,h,25,3,40"
    known = {"reference": "S-1", "course": "c", "study_hours": "h", "extra_time": "25"}
    assert cells(text) == [known | {"missed Quiz-2": "3", "count chemistry.practice": "40"}]


@pytest.mark.parametrize(
    ("heading", "meant"),
    [("refrence", "reference"), ("Timezone", "zone"), ("studyhours", "study_hours"), ("Student ID", "reference")],
)
def test_a_heading_that_is_nearly_one_is_named_with_what_was_meant(heading, meant):
    assert f"Did you mean {meant}?" in refusal(f"reference,course,{heading}\n")


def test_all_that_is_wrong_with_the_headings_is_told_at_once():
    said = refusal("course,course,mood,count teapot\n")
    for words in ("column 3: there is no column “mood”", "column 4: there is no column “count teapot”"):
        assert words in said
    assert "the column “course” stands 2 times" in said
    assert "there is no column “reference”" in said


def test_a_column_without_a_heading_may_stay_empty_and_says_nothing_else():
    first, second = rows("reference,,course\nS-1,,c\nS-2,note,c\n")
    assert not first.problems
    assert str(second.problems[0]).startswith("row 3, column 2: “note” stands in a column without a heading.")


def test_a_quote_that_the_headings_never_close_is_a_refusal():
    assert "row 1: a quote is opened and not closed" in refusal('reference,"course\nS-1,c\n')


def test_a_hundred_thousand_columns_are_refused_by_their_number():
    many = 99_000
    assert refusal("," * many) == f"roster: there are {many + 1} columns. Keep to {MOST_COLUMNS}."
    assert f"there are {many // 3 + 1} columns" in refusal("ab," * (many // 3))


def test_headings_in_latin_1_are_told():
    assert "there is no column" in refusal("reference,course,caf\xe9\n".encode("latin-1"))


# ------------------------------------------------------------------------------------------------- rows that are broken


@pytest.mark.parametrize("broken", ['S-2,"chemistry,A', 'S-2,"chemistry" x,A', '"S-2,chemistry,A', 'S-2,chemistry,"A'])
@pytest.mark.parametrize("after", ["S-3,chemistry,B", '"S-3","chemistry","B"', 'S-3,chemistry,"B"'])
def test_a_broken_quote_costs_its_own_row(broken, after):
    found = rows(f"reference,course,section\nS-1,chemistry,A\n{broken}\n{after}\nS-4,chemistry,C\n")
    assert [row.number for row in found] == [2, 3, 4, 5]
    assert [bool(row.problems) for row in found] == [False, True, False, False]
    assert found[2].cells == {"reference": "S-3", "course": "chemistry", "section": "B"}
    assert found[3].cells == {"reference": "S-4", "course": "chemistry", "section": "C"}


@pytest.mark.parametrize("between", [0, 1, 5, 50])
@pytest.mark.parametrize("separator", [",", ";", "\t"])
@pytest.mark.parametrize(("column", "name"), [(0, "reference"), (1, "course"), (2, "section")])
def test_a_quote_that_a_stray_one_closes_rows_later_swallows_none_of_them(between, separator, column, name):
    """By the letter of RFC 4180 all of this is one record, with the rows between in a cell: Python's csv says so."""
    table = [[f"S-{n}", "chemistry", "A"] for n in range(8, between + 12)]
    table[1][column] = f'"{table[1][column]}'
    table[between + 2][column] += '"'
    text = "".join(separator.join(cells) + "\n" for cells in [["reference", "course", "section"], *table])
    assert len(list(csv.reader(io.StringIO(text), delimiter=separator))) == 4
    found = rows(text)
    assert [row.number for row in found] == list(range(2, between + 6))
    assert [row.cells for row in found if row.number not in (3, between + 4)] == [
        {"reference": f"S-{n}", "course": "chemistry", "section": "A"}
        for n in (8, *range(10, between + 10), between + 11)
    ]
    assert str(found[1].problems[0]).startswith(f"row 3, column {name}: the quote that is opened here")
    last = found[between + 2]
    assert found[1].reference == ("" if column == 0 else "S-9")
    assert '"' in "".join(last.cells.values())  # the stray quote is told with its own row, as part of its cell


WORDS = st.sampled_from(
    ["chemistry", "civics", "A", "sat 10:00-12:00", "2027-01-23..2027-01-25", "band.ics", "none", "25"]
)
LISTS = st.lists(WORDS, min_size=1, max_size=5)
ENDS = st.sampled_from(["; ", ";\n", ";\r\n", "\n; ", ";\n\n", ";\n ", " "])


@given(
    st.lists(st.tuples(*[st.tuples(LISTS, ENDS)] * 4), min_size=1, max_size=6),
    st.sampled_from([",", ";", "\t"]),
    st.sampled_from([csv.QUOTE_MINIMAL, csv.QUOTE_ALL]),
)
def test_lists_over_several_lines_are_read_as_the_standard_library_reads_them(table, separator, quoting):
    """What people write into one cell of a spreadsheet with Alt and Enter: lists, an entry or several a line."""
    text = io.StringIO(newline="")
    writer = csv.writer(text, delimiter=separator, quoting=quoting)
    columns = ("reference", "course", "section", "study_hours", "days_off")
    writer.writerow(columns)
    for number, cells in enumerate(table):
        writer.writerow([f"S-{number}", *(end.join(words) for words, end in cells)])
    judge = list(csv.reader(io.StringIO(text.getvalue(), newline=""), delimiter=separator))[1:]
    found = rows(text.getvalue())
    assert [row.problems for row in found] == [()] * len(table)
    assert [[row.cells.get(column, "") for column in columns] for row in found] == [
        [" ".join(cell.split()) for cell in cells] for cells in judge
    ]


def test_a_broken_quote_after_the_reference_leaves_the_reference_known():
    """So that nobody takes the student for one who has left."""
    assert [row.reference for row in rows('reference,course\nS-1,"c\nS-2,c\n')] == ["S-1", "S-2"]


def test_a_broken_quote_costs_its_own_row_among_thousands():
    text = 'reference,course\nS-0,"c\n' + "".join(f"S-{n},c\n" for n in range(1, 5001))
    found = rows(text)
    assert [row.reference for row in found if not row.problems] == [f"S-{n}" for n in range(1, 5001)]
    assert [row.number for row in found] == list(range(2, 5003))


@pytest.mark.parametrize(("line", "count"), [("S-1", 1), ("S-1,c,A,x", 4)])
def test_cells_that_are_too_few_or_too_many_are_counted(line, count):
    first, second = rows(f"reference,course,section\n{line}\nS-2,c,A\n")
    assert f"row 2: there {'are'} {count} cells, and 3 columns." in str(first.problems[0])
    assert first.reference == "S-1"
    assert not second.problems


@pytest.mark.parametrize(
    ("cell", "words"),
    [
        (b"Z\xfcrich", "bytes that are not UTF-8"),
        (b"caf\xe9", "bytes that are not UTF-8"),
        ("\ufffd".encode(), "bytes that are not UTF-8"),
        (b"a\0b", "characters that cannot be seen"),
        (b"\x07", "characters that cannot be seen"),
        ("a\u200bb".encode(), "characters that cannot be seen"),
        ("\u202eabc".encode(), "characters that cannot be seen"),
        (b"x" * (MOST_CELL + 1), "this cell has 10,001 characters"),
    ],
)
def test_a_cell_that_cannot_be_text_is_named_and_not_shown(cell, words):
    found = rows(b"reference,course,zone\nS-1,c," + cell + b"\nS-2,c,UTC\n")
    assert [str(one).startswith("row 2, column zone: ") for one in found[0].problems] == [True]
    assert words in str(found[0].problems[0])
    assert len(str(found[0].problems[0])) < 200
    assert found[1].cells == {"reference": "S-2", "course": "c", "zone": "UTC"}


@pytest.mark.parametrize("size", [140_000, MOST_LINE + 1, 3 * MOST_LINE])
@pytest.mark.parametrize("quote", ["", '"'])
def test_a_huge_cell_costs_its_row_and_is_told_as_huge(size, quote):
    found = rows(f"reference,course\nS-1,{quote}{'x' * size}{quote}\nS-2,c\n")
    assert [row.number for row in found] == [2, 3]
    assert "characters." in str(found[0].problems[0])
    assert found[1].cells == {"reference": "S-2", "course": "c"}


class Endless(io.RawIOBase):
    """A stream of headings, one line of so many bytes, and a row: never in memory as a whole."""

    def __init__(self, size: int, filler: bytes) -> None:
        self.pieces = [b"reference,course\nS-1,", size, b"\nS-2,c\n"]
        self.filler = filler * (1 << 16)

    def readable(self) -> bool:
        return True

    def readinto(self, buffer) -> int:
        while self.pieces:
            first = self.pieces[0]
            data = first[: len(buffer)] if isinstance(first, bytes) else self.filler[: min(len(buffer), first)]
            self.pieces[0] = first[len(data) :] if isinstance(first, bytes) else first - len(data)
            if not self.pieces[0]:
                self.pieces.pop(0)
            if data:
                buffer[: len(data)] = data
                return len(data)
        return 0


@pytest.mark.parametrize("filler", [b"x", b",", b'"', b"x,"])
def test_a_line_of_a_hundred_million_bytes_is_read_in_pieces(filler):
    import tracemalloc

    tracemalloc.start()
    try:
        found = list(read_roster(io.BufferedReader(Endless(100_000_000, filler))))
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert peak < 20_000_000  # a fifth of the line, in bytes: it cannot have been in memory
    assert "characters." in str(found[0].problems[0])
    assert [row.cells for row in found[1:]] == [{"reference": "S-2", "course": "c"}]


# ---------------------------------------------------------------------------------------------------- round trips


PLAIN = st.text(st.characters(codec="utf-8", exclude_categories=["C", "Z"], exclude_characters="\ufffd"), max_size=12)
PIECES = st.lists(st.one_of(PLAIN, st.sampled_from(['"', ",", ";", '""', "\t", "\n", "\r\n", "=1+1"])), max_size=4)


@given(
    st.lists(st.tuples(PIECES, PIECES, PIECES), min_size=1, max_size=8),
    st.sampled_from([",", ";", "\t"]),
    st.sampled_from(["\n", "\r\n"]),
    st.sampled_from([csv.QUOTE_MINIMAL, csv.QUOTE_ALL, csv.QUOTE_NONNUMERIC]),
    st.sampled_from(["utf-8", "utf-8-sig", "utf-16"]),
)
def test_rows_that_the_standard_library_writes_come_back_as_written(table, separator, end, quoting, encoding):
    """Up to white space at the ends of cells and in a row, which says nothing in a roster."""
    text = io.StringIO(newline="")
    writer = csv.writer(text, delimiter=separator, lineterminator=end, quoting=quoting)
    writer.writerow(("reference", "course", "section"))
    wanted = [["".join(pieces) for pieces in row] for row in table]
    writer.writerows(wanted)
    found = rows(text.getvalue().encode(encoding))
    assert [row.problems for row in found] == [()] * len(found)
    tidy = [[" ".join(cell.split()) for cell in row] for row in wanted]
    numbered = [(number, row) for number, row in enumerate(tidy, 2) if any(row)]
    columns = ("reference", "course", "section")
    assert [(row.number, [row.cells.get(column, "") for column in columns]) for row in found] == numbered


@given(st.binary(max_size=300))
def test_no_bytes_after_the_headings_do_more_than_cost_rows(data):
    found = rows(b"reference,course\n" + data)
    assert all(row.problems or set(row.cells) <= {"reference", "course"} for row in found)


@given(st.binary(max_size=200))
def test_bytes_are_read_or_refused_in_a_sentence(data):
    with contextlib.suppress(InvalidRequest):
        rows(data)


# ------------------------------------------------------------------------------------------------- lines of JSON


def test_lines_of_json_say_the_same_as_a_table():
    lines = (
        '{"reference": "S-1", "course": ["chemistry", "civics"], "section": ["A", "1"], "extra_time": 25}',
        "",
        '{"reference": 1002, "course": "civics", "missed": {"quiz-2": 3, "gas-laws": "14/20"}, "zone": null}',
    )
    first, second = rows("\n".join(lines))
    assert first.cells == {"reference": "S-1", "course": "chemistry; civics", "section": "A; 1", "extra_time": "25"}
    assert second.cells == {
        "reference": "1002", "course": "civics", "missed quiz-2": "3", "missed gas-laws": "14/20",
    }  # fmt: skip
    assert (first.number, second.number) == (1, 3)


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ('{"reference": "S-1", "reference": "S-2"}', "line 2, reference: this key stands twice"),
        ('{"missed": {"quiz-1": 1, "quiz-1": 2}}', "line 2, missed quiz-1: this key stands twice"),
        ('{"course": {"a": 1}}', "is no value for it"),
        ('{"course": [["a"]]}', "is no value for it"),
        ('{"keep": true}', "is no value for it"),
        ('{"mood": 1}', "there is no key “mood”"),
        ('{"": 1}', "there is no key"),
        ('{"reference": "S-1"', "this is not an object of JSON"),
        ("[1, 2]", "this is not an object of JSON"),
        ("S-1,chemistry", "this is not an object of JSON"),
        ("[" * 100_000, "this is not an object of JSON"),
        ('{"usual": ' + "9" * 5000 + "}", "this is not an object of JSON"),
        ('{"reference": "' + "x" * MOST_LINE + '"}', "over 200,000 characters"),
        ('{"reference": "' + "x" * (MOST_CELL + 1) + '"}', "this cell has 10,001 characters"),
        ('{"reference": "\\u0000"}', "characters that cannot be seen"),
        ('{"reference": "\\ud800"}', "characters that cannot be seen"),
    ],
)
def test_a_broken_line_of_json_costs_itself(line, words):
    good = '{"reference": "S-9", "course": "c"}'
    found = rows(f"{good}\n{line}\n{good}\n")
    assert [bool(row.problems) for row in found] == [False, True, False]
    assert words in str(found[1].problems[0])
    assert "\udc80" not in str(found[1].problems[0])


@given(st.dictionaries(st.sampled_from(sorted(COLUMNS)), PLAIN.filter(bool), min_size=1))
def test_objects_that_the_standard_library_writes_come_back_as_written(table):
    assert cells(json.dumps(table)) == [table]


def test_lines_of_json_have_the_order_of_the_file():
    draw = random.Random(5)
    wanted = [str(draw.randrange(10**6)) for _ in range(300)]
    assert [row.reference for row in rows("\n".join(json.dumps({"reference": one}) for one in wanted))] == wanted


# ---------------------------------------------------------------------------------------------------- references


@pytest.mark.parametrize("reference", ["S-1", "17", "a", "Élan 4", "x" * 64, "10.b_2", "com10", "console", "学-1"])
def test_references_that_can_name_a_file(reference):
    assert wrong_reference(reference) is None


@pytest.mark.parametrize(
    "reference",
    [
        "../x", "/etc/x", "a/b", "a\\b", ".hidden", "x.", "x ", "-x", "=1+1", "@x", "+1", "a:b", "a*", 'a"b', "a\nb",
        "x" * 65, "CON", "con", "nul.txt", "Lpt1", "COM9.tar.gz", "aux", "", "..", "a\0b", "<b>", "a|b", "%2e%2e",
    ],
)  # fmt: skip
def test_references_that_lead_elsewhere_or_begin_a_formula_are_refused(reference):
    """Devices: Microsoft, Naming Files, Paths, and Namespaces (from memory); formulas: OWASP, CSV Injection."""
    assert wrong_reference(reference) is not None
