"""Invented rosters with a seed, broken in every way that a spreadsheet can break them, and what must come of each row.

What is predicted is reckoned here, without calplan: which cells are broken is known because they were broken here; what
cannot fit is certain by arithmetic over README.md's rates; the other rows have at least twice the minutes that they
need. ``python -m tests.rosters 5000`` makes as many rows, plans them by the command, and judges all that it wrote.
"""

from __future__ import annotations

import csv
import gzip
import io
import json
import random
import re
import sys
from collections import Counter
from datetime import date, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any, NamedTuple
from unicodedata import normalize

if TYPE_CHECKING:
    from collections.abc import Callable

FIXTURES = Path(__file__).parent.parent / "fixtures" / "cohort"
AS_OF = "2027-01-05T08:00"
FIRST = date(2027, 1, 5)

COLUMNS = (
    "reference", "course", "section", "zone", "study_hours", "usual", "limit", "shortest", "longest", "rest",
    "bedtime", "waking", "holidays", "calendar", "days_off", "keep", "extra_time", "pace",
    "missed quiz-2", "missed gas-laws", "count practice", "count homework",
)  # fmt: skip

SECTIONS = {"chemistry": ("A", "B"), "civics": ("1",)}
LAST_DAY = {"A": date(2027, 2, 3), "B": date(2027, 2, 4), "1": date(2027, 2, 7)}
"""The last whole day before each section's exam, as fixtures/cohort/courses.toml has them."""

PIECES = {
    "chemistry": {"homework": 10, "quiz": 4, "notes": 20, "test": 1, "practice": 60},
    "civics": {"homework": 6, "notes": 12},
}
MINUTES = {"homework": 7, "quiz": 18, "notes": 4.5, "test": 60, "practice": 1.5}
"""Minutes of a piece (README.md, rates); quizzes and the test with a quarter of their problems missed."""
ESSENTIAL = {"homework": 0.75, "quiz": 0.4, "notes": 0.75, "test": 0.4, "practice": 0.67}

FREE_DAYS = 24
"""Days that can be used before the earliest exam: thirty, but for three days off and some holidays."""

BROKEN_SHARE = 0.03


class Form(NamedTuple):
    """How a file is written."""

    separator: str = ","
    end: str = "\n"
    encoding: str = "utf-8"


FORMS = {
    "plain": Form(),
    "Excel's": Form(";", "\r\n", "utf-8-sig"),
    "wide": Form("\t", "\r\n", "utf-16"),
    "old": Form(",", "\r", "utf-8"),
}


class Expected(NamedTuple):
    """What must come of a row: ``wrong`` with the columns named (empty: the row as a whole), or whether it fits."""

    number: int
    reference: str
    kind: str
    wrong: bool = False
    columns: frozenset[str] = frozenset()
    fits: bool = True

    @property
    def statuses(self) -> frozenset[str]:
        """The outcomes that are right for it."""
        if self.wrong:
            return frozenset({"wrong"})
        return frozenset({"planned", "planned with warnings"} if self.fits else {"cannot fit"})


# ------------------------------------------------------------------------------------------------------ good rows


def good_row(draw: random.Random, number: int) -> dict[str, str]:
    """A row that certainly fits."""
    both = ["chemistry", "civics"]  # few, since planning two exams takes some seven times as long
    courses = draw.choice((*[["chemistry"]] * 7, *[["civics"]] * 4, both))
    row = dict.fromkeys(COLUMNS, "")
    row["reference"] = draw.choice((f"S-{number:06}", f"{number}", f"Élève {number}", f"q.{number}_x"))
    row["course"] = "; ".join(courses)
    row["section"] = "; ".join(draw.choice(SECTIONS[one]) for one in courses)
    if courses == ["civics"]:
        row["section"] = draw.choice(("", "1"))
    sometimes = {
        "zone": ("America/Chicago", "America/Denver", "America/New_York"),
        "study_hours": (
            "weekdays 15:30-19:30; sat, sun 9:00-12:00",
            "mon-fri 17:00-21:00; sat 09:00-13:00",
            "daily 16:00-21:00",
        ),
        "usual": ("25", "45", "30.0", "40"),
        "shortest": ("10", "15"),
        "longest": ("20", "25", "40"),
        "rest": ("5", "10"),
        "bedtime": ("22:30", "23:00"),
        "waking": ("7:00", "06:30"),
        "holidays": ("US-IL", "US-CO", "none", "GB-ENG"),
        "calendar": ("none", "clubs/band.ics", "clubs/band.ics; job.ics"),
        "days_off": ("2027-01-23", "2027-01-16; 2027-01-30..2027-01-31"),
        "keep": ("everything", "Essentials"),
        "extra_time": ("25", "50 %", "10"),
        "pace": ("90", "125", "150"),
        "count homework": ("4", "8"),
    }  # fmt: skip
    for column, values in sometimes.items():
        if draw.random() < 0.25:
            row[column] = draw.choice(values)
    if "chemistry" in courses:
        row["missed quiz-2"] = draw.choice(("", "0", "3", "2.0"))
        row["missed gas-laws"] = draw.choice(("", "14/20", "6", "20/20"))
        row["count practice"] = draw.choice(("", "", "40", "80"))
    row["limit"] = str(max(60, 10 * round(2 * work(row) / FREE_DAYS / 10)))
    return row


def pieces(row: dict[str, str]) -> Counter[str]:
    """The pieces of a row by kind, with its own counts."""
    found: Counter[str] = Counter()
    for course in row["course"].split("; "):
        own = {kind: int(row[f"count {kind}"]) for kind in ("practice", "homework") if row[f"count {kind}"]}
        found.update(PIECES[course] | own)
    return found


def work(row: dict[str, str]) -> float:
    """Minutes that are certainly enough: the first pass, as much again for all that follows, at the student's pace."""
    return 2 * sum(MINUTES[kind] * count for kind, count in pieces(row).items()) * max(1, int(row["pace"] or 100) / 100)


def essentials(row: dict[str, str]) -> float:
    """Minutes that are certainly needed: the essential part of homework, notes and practice alone."""
    kinds = ("homework", "notes", "practice")
    return sum(MINUTES[kind] * ESSENTIAL[kind] * pieces(row)[kind] for kind in kinds) * int(row["pace"] or 100) / 100


def cannot_fit(draw: random.Random, row: dict[str, str]) -> dict[str, str]:
    """The row with half an hour a week against hours of essentials, or with no day at all."""
    if draw.random() < 0.3:
        return {**row, "days_off": "2027-01-04..2027-02-09", "usual": "", "limit": ""}
    day, number = draw.choice((("fri", 4), ("sat", 5), ("thu", 3)))
    made = {**row, "course": "chemistry", "section": draw.choice("AB"), "study_hours": f"{day} 16:00-16:30"}
    made |= {"calendar": "none", "days_off": "", "pace": "", "count practice": "80", "count homework": ""}
    days = [FIRST + timedelta(n) for n in range((LAST_DAY[made["section"]] - FIRST).days + 1)]
    held = 30 * sum(one.weekday() == number for one in days)
    assert held < essentials(made)  # what makes it certain
    return made


# ----------------------------------------------------------------------------------------------------- broken rows


def cell(column: str, *values: str) -> tuple[frozenset[str], Callable[[random.Random, dict[str, str]], dict[str, str]]]:
    """A row whose one cell is broken; its column must be named."""
    return frozenset({column}), lambda draw, row: {**row, column: draw.choice(values)}


CHEMISTRY = {"course": "chemistry", "section": "A"}
CELLS = {
    "an unknown course": cell("course", "physics", "Chemistry 101", 'chem"istry'),
    "an unknown section": cell("section", "Z", "A1", "=A1"),
    "no course": cell("course", ""),
    "no reference": cell("reference", "", "  "),
    "a formula for a reference": cell("reference", "=1+1", '=HYPERLINK("x")', "@SUM(A1)", "+49", "-1", "#REF!"),
    "a path for a reference": cell("reference", "../../x", "/etc/passwd", "a/b", "..", "C:x"),
    "a device for a reference": cell("reference", "CON", "nul", "COM1", "lpt9.txt"),
    "a reference far too long": cell("reference", "x" * 65, "S-" * 4000),
    "a path for a calendar": cell("calendar", "../x.ics", "/etc/passwd", "a/../../x.ics", "C:\\x.ics"),
    "a calendar that is not there": cell("calendar", "nowhere.ics"),
    "a calendar that is none": cell("calendar", "photo.ics"),
    "bytes of Latin-1": cell("zone", "Am\udce9rica/Chicago", "\udcff"),
    "a NUL": cell("bedtime", "22:\0" + "30", "\0"),
    "a control character": cell("usual", "3\x070", "30\x1b[2J", "30\u200b"),
    "a date turned round": cell("days_off", "1/23/2027", "23.01.2027", "23-Jan", "44219"),
    "an end before its start": cell("days_off", "2027-01-23..2027-01-20"),
    "a date that is none": cell("days_off", "2027-02-30", "2027-13-01"),
    "a result turned into a date": cell("missed gas-laws", "14-Jan", "1/14/2027", "Jan-20"),
    "more missed than there are": cell("missed gas-laws", "21", "25/20", "300"),
    "a result of another size": cell("missed gas-laws", "14/25"),
    "a number with text": cell("usual", "30 min", "about 30", "half an hour", "#VALUE!", "30,5"),
    "a number with thousands": cell("limit", "1,000", "1.000"),
    "a wrong zone": cell("zone", "Central Time", "UTC-6", "America/Chicagoo", "CST6CDT2"),
    "hours that are none": cell("study_hours", "afternoons", "mon 16:00", "mon 25:00-26:00", "16:00-18:00", "0.666"),
    "a clock time with PM": cell("bedtime", "10:30 PM", "22.30", "0.9375"),
    "a country that is none": cell("holidays", "ZZ", "US-ZZ", "Illinois"),
    "a huge cell": cell("zone", "x" * 12_000, "x" * 120_000),
    "too much extra time": cell("extra_time", "999", "25 minutes"),
    "a pace of nothing": cell("pace", "0", "slow"),
    "a count without end": cell("count practice", "99999", "many"),
    "another word for keep": cell("keep", "all", "TRUE"),
}
ROWS = (
    "too few cells", "too many cells", "a quote not closed", "text after a quote", "a line without end",
)  # fmt: skip
TWINS = ("a reference twice", "a reference in other letters", "a reference in another normal form")
HARMLESS = ("an empty row", "a line end in quotes", "all cells in quotes")
BYTES = frozenset({"bytes of Latin-1"})


def written(row: list[str], form: Form, quoting: int = csv.QUOTE_MINIMAL) -> str:
    """A record as the standard library writes it."""
    text = io.StringIO(newline="")
    csv.writer(text, delimiter=form.separator, lineterminator=form.end, quoting=quoting).writerow(row)  # type: ignore[arg-type]
    return text.getvalue()


def roster(number: int, seed: str, form: Form = FORMS["plain"]) -> tuple[bytes, list[Expected]]:
    """A roster of so many rows, and what must come of each. Every way to break one is there at least once."""
    draw = random.Random(seed)
    kinds = [*CELLS, *ROWS, *TWINS, *HARMLESS]
    if form.encoding == "utf-16":
        kinds = [kind for kind in kinds if kind not in BYTES]
    kinds += draw.choices(kinds, k=max(0, round(BROKEN_SHARE * number) - len(kinds)))
    kinds += ["cannot fit"] * (number // 20)
    kinds += ["good"] * (number - len(kinds))
    draw.shuffle(kinds)
    for name in TWINS:  # a twin needs one before it
        while name in kinds[:2]:
            at = kinds.index(name)
            other = draw.randrange(2, len(kinds))
            kinds[at], kinds[other] = kinds[other], kinds[at]
    text, expected = [written(list(COLUMNS), form)], list[Expected]()
    known: list[str] = []
    for place, kind in enumerate(kinds, 2):
        row = good_row(draw, place)
        lines, one = broken(draw, row, kind, place, known, form)
        text.append(lines)
        if one is not None:
            expected.append(one)
            if not one.wrong:
                known.append(one.reference)
    return "".join(text).encode(form.encoding, "surrogateescape"), expected


def broken(
    draw: random.Random, row: dict[str, str], kind: str, number: int, known: list[str], form: Form
) -> tuple[str, Expected | None]:
    """A row broken in one way, as written, and what must come of it; nothing where it is no row."""
    reference = normalize("NFC", row["reference"])
    if kind == "good":
        return written(list(row.values()), form), Expected(number, reference, kind)
    if kind == "cannot fit":
        return written(list(cannot_fit(draw, row).values()), form), Expected(number, reference, kind, fits=False)
    if kind in CELLS:
        columns, change = CELLS[kind]
        if columns & {"section", "missed gas-laws", "count practice"}:
            row |= CHEMISTRY | {"missed quiz-2": ""}
        elif columns == {"course"}:
            row |= {"section": "", "missed quiz-2": "", "missed gas-laws": "", "count practice": ""}
        return written(list(change(draw, row).values()), form), Expected(number, reference, kind, True, columns)
    if kind in TWINS:
        return twin(draw, row, kind, number, known, form)
    if kind in HARMLESS:
        return harmless(row, kind, number, form)
    cells = list(row.values())
    line = written(cells, form).removesuffix(form.end)
    match kind:
        case "too few cells":
            line = form.separator.join(cells[: draw.randrange(1, 4)]).replace('"', "")
        case "too many cells":
            line += form.separator * draw.randrange(1, 40)
        case "a quote not closed":
            line = form.separator.join([cells[0], f'"{cells[1]}', *([""] * (len(cells) - 2))])
        case "text after a quote":
            line = form.separator.join([cells[0], f'"{cells[1]}" x', *([""] * (len(cells) - 2))])
        case "a line without end":
            line += draw.choice(("x", form.separator)) * draw.choice((150_000, 250_000))
    return line + form.end, Expected(number, reference, kind, True)


def twin(
    draw: random.Random, row: dict[str, str], kind: str, number: int, known: list[str], form: Form
) -> tuple[str, Expected]:
    """A row whose reference an earlier row has, to the letter or so that no file system tells them apart."""
    accents = [one for one in known if "É" in one] or known
    first = draw.choice(accents if kind.endswith("form") else known)
    if kind == "a reference in other letters":
        first = first.swapcase()
    elif kind.endswith("form"):
        first = normalize("NFD", first)
    line = written(list({**row, "reference": first}.values()), form)
    return line, Expected(number, normalize("NFC", first), kind, True, frozenset({"reference"}))


def harmless(row: dict[str, str], kind: str, number: int, form: Form) -> tuple[str, Expected | None]:
    """A row that only looks broken."""
    if kind == "an empty row":
        return form.separator * (len(COLUMNS) - 1) + form.end, None
    if kind == "a line end in quotes":
        row |= {"study_hours": f"weekdays 16:00-20:00;{form.end}sat,{form.end}sun 10:00-12:00"}
    quoting = csv.QUOTE_ALL if kind == "all cells in quotes" else csv.QUOTE_MINIMAL
    return written(list(row.values()), form, quoting), Expected(number, normalize("NFC", row["reference"]), kind)


# ----------------------------------------------------------------------------------------------------- files, judging


def calendar(uid: str, day: str, start: str, end: str) -> str:
    """A calendar with a weekly event (RFC 5545)."""
    lines = (
        "BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//Marlow Bridge//Clubs//EN", "BEGIN:VEVENT", f"UID:{uid}@x.example",
        "DTSTAMP:20260901T080000Z", f"SUMMARY:{uid}", f"DTSTART:{day}T{start}Z", f"DTEND:{day}T{end}Z",
        "RRULE:FREQ=WEEKLY;UNTIL=20270528T213000Z", "END:VEVENT", "END:VCALENDAR", "",
    )  # fmt: skip
    return "\r\n".join(lines)


def write(folder: Path, number: int, seed: str, form: Form = FORMS["plain"]) -> list[Expected]:
    """Writes a roster, its courses and its calendars into a folder; gives what must come of each row."""
    data, expected = roster(number, seed, form)
    (folder / "clubs").mkdir(parents=True)
    (folder / "roster.csv").write_bytes(data)
    for name in ("courses.toml", "timetable.ics"):
        (folder / name).write_bytes((FIXTURES / name).read_bytes())
    (folder / "clubs" / "band.ics").write_text(calendar("band", "20270105", "230000", "235900"), newline="")
    (folder / "job.ics").write_text(calendar("job", "20270109", "160000", "180000"), newline="")
    (folder / "photo.ics").write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(100))
    return expected


def misjudged(expected: list[Expected], outcomes: list[dict[str, object]]) -> list[str]:
    """Every row of which something else came than was predicted."""
    said = []
    if [one.number for one in expected] != [one["row"] for one in outcomes]:
        said.append(f"{len(expected)} rows were expected in their order, and {len(outcomes)} came")
    for one, came in zip(expected, outcomes, strict=False):
        sentences = [str(each) for each in came["sentences"]]  # type: ignore[attr-defined]
        named = {found[1] for each in sentences if (found := re.match(r"row \d+, column ([^:,]+)", each))}
        right = came["status"] in one.statuses
        if one.wrong and right:
            right = named == one.columns and all(re.match(rf"row {one.number}[:,]", each) for each in sentences)
        if right and not one.wrong:
            right = came["reference"] == one.reference
        if not right:
            said.append(f"row {one.number}, {one.kind}: {came['status']}, {sorted(named)}, {sentences[:3]}")
    return said


def unsound(folder: Path, outcomes: list[dict[str, object]]) -> list[str]:
    """What the checker and two foreign parsers find wrong with the plans and calendars of a directory."""
    import icalendar
    import vobject
    from msgspec import json as typed

    from calplan.model import Plan
    from calplan.request import from_mapping
    from calplan.rules import check, check_times

    said = []
    for one in outcomes:
        if not one["blocks"]:
            continue
        name = one["reference"]
        kept = json.loads(gzip.decompress((folder / "plans" / f"{name}.json.gz").read_bytes()))
        plan, request = typed.decode(json.dumps(kept["plan"]), type=Plan), from_mapping(kept["request"])
        data = (folder / "calendars" / f"{name}.ics").read_bytes()
        first = sorted(
            (str(event["UID"]), event["DTSTART"].dt, event["DTEND"].dt)
            for event in icalendar.Calendar.from_ical(data).walk("VEVENT")
        )
        second = sorted(
            (event.uid.value, event.dtstart.value, event.dtend.value)
            for event in vobject.readOne(data.decode()).contents["vevent"]
        )
        if [(uid, str(start)[:16]) for uid, start, _ in first] != [(uid, str(start)[:16]) for uid, start, _ in second]:
            said.append(f"{name}: the parsers read different events")
        timed = [one for one in first if hasattr(one[1], "hour")]
        said += [f"{name}: {fault}" for fault in (*check(request, plan), *check_times(plan, request, timed))]
    return said


def outcomes_of(folder: Path) -> list[dict[str, Any]]:
    """The outcomes that a run wrote, line by line."""
    return [json.loads(line) for line in (folder / "outcomes.jsonl").read_text("utf-8").splitlines()]


def main(number: int, seed: str) -> int:
    """Makes rows, plans them by the command, judges all; gives how many faults there are."""
    from click.testing import CliRunner

    from calplan.cli import commands

    with TemporaryDirectory() as place:
        folder = Path(place)
        expected = write(folder / "in", number, seed)
        files = [str(folder / "in" / name) for name in ("roster.csv", "courses.toml")]
        done = CliRunner().invoke(commands, ["cohort", "plan", *files, "--out", str(folder / "out"), "--as-of", AS_OF])
        print(done.output, done.exception or "", sep="")
        outcomes = outcomes_of(folder / "out")
        faults = misjudged(expected, outcomes) + unsound(folder / "out", outcomes)
        print(*faults[:50], f"{len(expected)} rows, {len(faults)} faults", sep="\n")
        return len(faults)


if __name__ == "__main__":
    sys.exit(bool(main(int(sys.argv[1]) if sys.argv[1:] else 500, sys.argv[2] if sys.argv[2:] else "1")))
