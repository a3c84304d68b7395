"""A run into a directory: killed anywhere it goes on to the same bytes; done again it changes what changed."""

from __future__ import annotations

import csv
import gzip
import io
import json
import os
import random
import re
import signal
import subprocess
import sys
import time
import zipfile
from itertools import pairwise
from pathlib import Path

import icalendar
import pytest
from click.testing import CliRunner

from calplan.bulk import safe_cell
from calplan.cli import commands
from tests import rosters

ROOT = Path(__file__).parent.parent
AS_OF, LATER = "2027-01-05T08:00", "2027-01-12T08:00"

KILLED = """
import os, signal, sys
place, left, me = sys.argv[1], int(sys.argv[2]), os.getpid()
EVENTS = {"open", "os.rename", "os.remove", "os.mkdir", "os.rmdir", "os.truncate", "shutil.rmtree"}

def hook(event, args):
    global left
    if event in EVENTS and os.getpid() == me and isinstance(args[0], (str, os.PathLike)):
        if os.fspath(args[0]).startswith(place):
            left -= 1
            if left == 0:
                os.kill(me, signal.SIGKILL)

sys.addaudithook(hook)
from calplan.cli import commands
commands(sys.argv[3:], standalone_mode=False)
print("left", left)
"""
"""The command in a process that is killed before its n-th step in the directory (PEP 578's audit events)."""


def command(folder: Path, out: Path, *more: str, as_of: str = AS_OF) -> list[str]:
    files = [str(folder / name) for name in ("roster.csv", "courses.toml")]
    return ["cohort", "plan", *files, "--out", str(out), "--as-of", as_of, "--workers", "2", *more]


def killed_at(step: int, words: list[str], out: Path) -> int | None:
    """Runs the command until its n-th step; ``None`` where it was killed there, else how many steps it has."""
    script = [sys.executable, "-c", KILLED, str(out), str(step), *words]
    done = subprocess.run(script, capture_output=True, cwd=ROOT, timeout=300, start_new_session=True)
    if done.returncode == -signal.SIGKILL:
        return None
    assert done.returncode == 0, done.stderr.decode()
    return step - int(done.stdout.split()[-1])


def contents(folder: Path) -> dict[str, bytes]:
    """The bytes of every file of a directory, and its folders."""
    return {str(one.relative_to(folder)): one.read_bytes() if one.is_file() else b"" for one in folder.rglob("*")}


def run(*words: str) -> str:
    """The command in this process."""
    result = CliRunner().invoke(commands, words)
    assert result.exit_code == 0, (result.output, result.exception)
    return result.output


HEADINGS = "reference,course,section,limit,calendar,study_hours,extra_time,pace,missed gas-laws"


def row(number: int, **cells: str) -> str:
    """A row of a small roster."""
    said = {"reference": f"S-{number:02}", "course": "chemistry", "section": "AB"[number % 2], **cells}
    return ",".join(said.get(name.replace(" ", "_"), "") for name in HEADINGS.split(","))


def small(folder: Path, rows: list[str]) -> Path:
    """A folder with a small roster."""
    if not folder.exists():
        rosters.write(folder, 60, "small")
    (folder / "roster.csv").write_text("\n".join([HEADINGS, *rows]) + "\n", "utf-8")
    return folder


BEFORE = [row(n) for n in range(1, 11)] + [row(11, course="physics"), row(12, course="civics", section="")]
"""Twelve rows, one of them wrong."""
AFTER = [
    *BEFORE[9:],  # in another order
    *BEFORE[:3],
    row(4, pace="140"),  # changed
    row(5) + "2/20",  # changed
    row(6, course="physics"),  # wrong now
    row(7, calendar="none", study_hours="fri 16:00-16:30"),  # cannot fit now
    row(8, reference="s-08") + "1/20",  # in other letters, and changed
    row(13),  # new; 9 has vanished
]


# -------------------------------------------------------------------------------------------------------- killed


def test_a_run_that_is_killed_at_random_moments_goes_on_to_the_same_bytes(tmp_path):
    """Twenty kills (SIGKILL), five in each of four directories; moments count from the last start."""
    folder = tmp_path / "in"
    rosters.write(folder, 24, "kill")
    whole = tmp_path / "whole"
    steps = killed_at(10**9, command(folder, whole), whole)
    wanted = contents(whole)
    draw, kills = random.Random("kills"), 0
    for number in range(4):
        out = tmp_path / f"out-{number}"
        moments = sorted(draw.sample(range(12, steps), 5))  # before that there is no manifest yet
        gaps = [moments[0], *(later - sooner for sooner, later in pairwise(moments))]
        kills += sum(killed_at(gap, command(folder, out), out) is None for gap in gaps)
        run(*command(folder, out, as_of=LATER))  # the moment is that of the run, not of its last start
        assert contents(out) == wanted
    assert kills >= 18  # a gap may be longer than what is left to do


@pytest.mark.parametrize("last", [1, 8, 15, 22])
def test_a_run_that_is_killed_while_it_ends_goes_on_to_the_same_bytes(tmp_path, last):
    folder = small(tmp_path / "in", BEFORE[-3:])
    whole, out = tmp_path / "whole", tmp_path / "out"
    steps = killed_at(10**9, command(folder, whole), whole)
    assert killed_at(steps - last + 1, command(folder, out), out) is None
    run(*command(folder, out))
    assert contents(out) == contents(whole)


@pytest.mark.parametrize("step", [1, 3, 5, 7])
def test_a_run_that_is_killed_at_its_beginning_goes_on_to_the_same_bytes(tmp_path, step):
    folder = small(tmp_path / "in", BEFORE[-1:])
    whole, out = tmp_path / "whole", tmp_path / "out"
    run(*command(folder, whole))
    assert killed_at(step, command(folder, out), out) is None
    run(*command(folder, out))
    assert contents(out) == contents(whole)


def test_a_line_that_was_cut_is_written_again(tmp_path):
    folder = small(tmp_path / "in", BEFORE[-3:])
    whole, out = tmp_path / "whole", tmp_path / "out"
    run(*command(folder, whole))
    steps = killed_at(10**9, command(folder, tmp_path / "other"), tmp_path / "other")
    assert killed_at(steps - 12, command(folder, out), out) is None
    lines = out / "under-way" / "outcomes.jsonl"
    lines.write_bytes(lines.read_bytes()[:-40])
    run(*command(folder, out))
    assert contents(out) == contents(whole)


def test_a_run_again_that_is_killed_goes_on_to_the_same_bytes(tmp_path):
    """Mending starts from the plan before it, also where the new one was written and its line was not."""
    folder = small(tmp_path / "in", BEFORE)
    whole = tmp_path / "whole"
    outs = [tmp_path / f"out-{number}" for number in range(3)]
    for out in (whole, *outs):
        run(*command(folder, out))
    small(folder, AFTER)
    words = ("--again", "--remove-vanished")
    steps = killed_at(10**9, command(folder, whole, *words, as_of=LATER), whole)
    draw = random.Random("again")
    for out in outs:
        moments = sorted(draw.sample(range(1, steps), 4))
        gaps = [moments[0], *(later - sooner for sooner, later in pairwise(moments))]
        for gap in gaps:
            killed_at(gap, command(folder, out, *words, as_of=LATER), out)
        run(*command(folder, out, *words, as_of=LATER))
        assert contents(out) == contents(whole)


@pytest.mark.parametrize("last", [1, 8, 15, 22, 29])
def test_a_run_again_that_is_killed_while_it_ends_lists_each_vanished_row_once(tmp_path, last):
    folder = small(tmp_path / "in", BEFORE[-3:])
    whole, out = tmp_path / "whole", tmp_path / "out"
    run(*command(folder, whole))
    run(*command(folder, out))
    small(folder, BEFORE[-2:])
    steps = killed_at(10**9, command(folder, whole, "--again"), whole)
    killed_at(max(1, steps - last + 1), command(folder, out, "--again"), out)
    said = run(*command(folder, out, "--again"))
    assert contents(out) == contents(whole)
    assert "planned: 1" in said or "nothing was done" in said


def test_workers_end_with_the_command_that_was_killed(tmp_path):
    folder = small(tmp_path / "in", [row(n) for n in range(1, 60)])
    started = subprocess.Popen(
        [sys.executable, "-m", "calplan", *command(folder, tmp_path / "out")],
        cwd=ROOT, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True,
    )  # fmt: skip
    workers: set[int] = set()
    while len(workers) < 2 and started.poll() is None:
        workers = set(children(started.pid))
        time.sleep(0.02)
    started.kill()
    started.wait()
    assert len(workers) >= 2
    for _ in range(600):
        if not any(Path(f"/proc/{one}").exists() and state(one) != "Z" for one in workers):
            return
        time.sleep(0.1)
    os.killpg(started.pid, signal.SIGKILL)
    pytest.fail("workers live on")


def children(parent: int) -> list[int]:
    """The processes that a process started (proc(5))."""
    return [int(one) for one in Path(f"/proc/{parent}/task/{parent}/children").read_text().split()]


def state(process: int) -> str:
    """The state of a process: Z for one that has ended."""
    try:
        return Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()[0]
    except OSError:
        return "Z"


# --------------------------------------------------------------------------------------------------------- again


def events(data: bytes) -> dict[tuple[object, object], str]:
    """The UIDs of a calendar's events by their start and summary."""
    walk = icalendar.Calendar.from_ical(data).walk("VEVENT")
    return {(event["DTSTART"].dt, str(event["SUMMARY"])): str(event["UID"]) for event in walk}


def results(out: Path) -> dict[str, dict[str, str]]:
    """The results by reference, as the standard library reads them."""
    with (out / "results.csv").open(encoding="utf-8-sig", newline="") as file:
        return {line["reference"]: line for line in csv.DictReader(file)}


def test_the_same_roster_again_does_nothing(tmp_path):
    folder = small(tmp_path / "in", BEFORE[-2:])
    run(*command(folder, tmp_path / "out"))
    stamps = {one: one.stat().st_mtime_ns for one in (tmp_path / "out").rglob("*")}
    assert "this run is finished; nothing was done" in run(*command(folder, tmp_path / "out", as_of=LATER))
    assert {one: one.stat().st_mtime_ns for one in (tmp_path / "out").rglob("*")} == stamps


def test_another_roster_changes_the_rows_that_changed(tmp_path):
    folder, out = small(tmp_path / "in", BEFORE), tmp_path / "out"
    run(*command(folder, out))
    first = contents(out)
    stamps = {str(one.relative_to(out)): one.stat().st_mtime_ns for one in out.rglob("*")}
    small(folder, AFTER)

    refused = CliRunner().invoke(commands, command(folder, out, as_of=LATER))
    assert refused.exit_code == 3
    assert "another roster or other courses lies here. Add --again" in refused.output
    assert contents(out) == first

    run(*command(folder, out, "--again", as_of=LATER))
    second = contents(out)
    same = [name for n in (1, 2, 3, 9, 10, 12) for name in (f"calendars/S-{n:02}.ics", f"plans/S-{n:02}.json.gz")]
    assert {name: second[name] for name in same} == {name: first[name] for name in same}
    assert {name: (out / name).stat().st_mtime_ns for name in same} == {name: stamps[name] for name in same}
    for n in (4, 5):
        old, new = events(first[f"calendars/S-{n:02}.ics"]), events(second[f"calendars/S-{n:02}.ics"])
        assert first[f"calendars/S-{n:02}.ics"] != second[f"calendars/S-{n:02}.ics"]
        stayed = old.keys() & new.keys()
        assert len(stayed) > len(old) / 2
        assert {key: old[key] for key in stayed} == {key: new[key] for key in stayed}
        assert len(set(new.values())) == len(new)
    assert "calendars/S-06.ics" in second  # wrong now: that says nothing of the student, whose plan stays
    assert "calendars/s-08.ics" in second
    assert "calendars/S-08.ics" not in second
    assert "calendars/S-13.ics" in second

    listed = results(out)
    assert listed["S-09"]["row"] == "no longer in the roster"
    assert "calendars/S-09.ics" in second
    assert listed["S-06"]["outcome"] == "wrong"
    assert listed["S-07"]["outcome"] == "cannot fit"
    assert "No longer in the roster, and not removed: 1." in second["summary.html"].decode()

    small(folder, AFTER[:-1])
    run(*command(folder, out, "--again", "--remove-vanished", as_of=LATER))
    third = contents(out)
    for gone in ("S-09", "S-13"):
        assert gone not in results(out)
        assert not [name for name in third if gone in name]


BUSY = "BEGIN:VCALENDAR\nVERSION:2.0\nPRODID:x\nBEGIN:VEVENT\nUID:1@x.example\nDTSTAMP:20270101T000000Z\n" + (
    "SUMMARY:Trip\nDTSTART:20270118T120000Z\nDTEND:20270119T040000Z\nRRULE:FREQ=DAILY;COUNT=5\nEND:VEVENT\nEND:VCALENDAR\n"
)
"""A calendar that is busy from Monday to Friday of one week."""


def test_another_calendar_alone_is_noticed_and_changes_whom_it_concerns(tmp_path):
    """One student's, the school's timetable, and one that was missing: as another roster does."""
    folder = small(tmp_path / "in", [row(1), row(2, calendar="trip.ics"), row(3, calendar="none")])
    (folder / "trip.ics").write_text(BUSY.replace("COUNT=5", "COUNT=1"), "utf-8")
    out = tmp_path / "out"
    run(*command(folder, out))
    first = contents(out)
    (folder / "unnamed.ics").write_text(BUSY, "utf-8")
    assert "nothing was done" in run(*command(folder, out, as_of=LATER))
    for name, concerned in (("trip.ics", "S-02"), ("timetable.ics", "S-01")):
        (folder / name).write_text(BUSY, "utf-8")
        refused = CliRunner().invoke(commands, command(folder, out, as_of=LATER))
        assert refused.exit_code == 3
        assert "a run of the same roster and courses, but of other calendars, lies here" in refused.output
        assert "Add --again, and what changed is mended" in refused.output
        assert contents(out) == first
        run(*command(folder, out, "--again", as_of=LATER))
        second = contents(out)
        changed = {name for name in second if name.startswith("calendars/") and second[name] != first.get(name)}
        assert changed == {f"calendars/{concerned}.ics"}
        assert "nothing was done" in run(*command(folder, out, as_of=LATER))
        first = second
    (folder / "trip.ics").unlink()
    assert CliRunner().invoke(commands, command(folder, out)).exit_code == 3


def test_a_directory_of_an_earlier_version_knows_nothing_of_its_calendars(tmp_path):
    folder, out = small(tmp_path / "in", [row(1)]), tmp_path / "out"
    run(*command(folder, out))
    manifest = json.loads((out / "manifest.json").read_text("utf-8"))
    del manifest["calendars"]
    (out / "manifest.json").write_text(json.dumps(manifest), "utf-8")
    assert "nothing was done" in run(*command(folder, out))


def test_a_plan_that_does_not_fit_any_more_goes_and_comes_back(tmp_path):
    folder, out = small(tmp_path / "in", [row(1)]), tmp_path / "out"
    run(*command(folder, out))
    courses = (folder / "courses.toml").read_text("utf-8")
    off = courses.replace("[[course]]", "[[day_off]]\nfirst = 2027-01-01\nlast = 2027-02-28\n\n[[course]]", 1)
    (folder / "courses.toml").write_text(off, "utf-8")
    run(*command(folder, out, "--again"))
    assert results(out)["S-01"]["outcome"] == "cannot fit"
    assert not list(out.glob("*/S-01*"))
    (folder / "courses.toml").write_text(courses, "utf-8")
    run(*command(folder, out, "--again"))
    assert (out / "calendars" / "S-01.ics").exists()


def test_nothing_is_removed_while_a_reference_cannot_be_read(tmp_path):
    folder, out = small(tmp_path / "in", [row(1), row(2)]), tmp_path / "out"
    run(*command(folder, out))
    (folder / "roster.csv").write_bytes(
        (f"{HEADINGS}\n{row(1)}\n").encode() + row(2).encode().replace(b"S-02", b"S-\xe9")
    )
    assert "Nothing was removed" in run(*command(folder, out, "--again", "--remove-vanished"))
    assert (out / "calendars" / "S-02.ics").exists()
    small(folder, [row(1)])
    run(*command(folder, out, "--again", "--remove-vanished"))
    assert not (out / "calendars" / "S-02.ics").exists()


@pytest.mark.parametrize("name", ["../../victim", "{tmp}/victim", "../plans/S-01", "a\0b", "x" * 5000])
def test_a_reference_that_is_a_path_touches_nothing(tmp_path, name):
    """Neither when it is written, nor when it is looked up again, nor when it vanishes."""
    name = name.replace("{tmp}", str(tmp_path))
    for ending in (".ics", ".json.gz"):
        (tmp_path / f"victim{ending}").write_bytes(b"untouched")
    folder, out = small(tmp_path / "in", [row(1), row(2, reference=name)]), tmp_path / "out"
    run(*command(folder, out))
    small(folder, [row(1, limit="70"), row(2, reference=name)])
    run(*command(folder, out, "--again"))
    small(folder, [row(1)])
    run(*command(folder, out, "--again", "--remove-vanished"))
    assert [(tmp_path / f"victim{ending}").read_bytes() for ending in (".ics", ".json.gz")] == [b"untouched"] * 2
    assert sorted(one.name for one in out.glob("*/*")) == ["S-01.ics", "S-01.json.gz"]


@pytest.mark.parametrize("there", ["notes.txt", "calendars/notes.txt", "under-way/outcomes.jsonl"])
def test_a_directory_with_other_files_is_refused_and_left(tmp_path, there):
    folder, out = small(tmp_path / "in", BEFORE[-1:]), tmp_path / "out"
    (out / there).parent.mkdir(parents=True)
    (out / there).write_text("mine")
    before = contents(out)
    refused = CliRunner().invoke(commands, command(folder, out))
    assert refused.exit_code == 3
    assert "there are other files here" in refused.output
    assert contents(out) == before


def test_a_run_of_other_courses_that_is_not_finished_is_refused(tmp_path):
    folder, out = small(tmp_path / "in", BEFORE[-3:]), tmp_path / "out"
    assert killed_at(14, command(folder, out), out) is None
    small(folder, BEFORE[-2:])
    refused = CliRunner().invoke(commands, command(folder, out, "--again"))
    assert refused.exit_code == 3
    assert "is not finished here" in refused.output


# -------------------------------------------------------------------------------------------- what is handed out


def test_no_cell_of_the_results_begins_a_formula(tmp_path):
    """OWASP, CSV Injection: = + - @, tab and carriage return at the beginning of a cell."""
    rosters.write(tmp_path / "in", 60, "formulas")
    with (tmp_path / "in" / "roster.csv").open("a", encoding="utf-8", newline="") as file:
        for number, sign in enumerate(("=", "+", "-", "@", "\t=", "\r=", " =", "\u00a0=", '"=')):
            csv.writer(file).writerow([f"{sign}cmd|'/c calc'!A{number}", f"{sign}1+1", *[""] * 20])
    run(*command(tmp_path / "in", tmp_path / "out"))
    with (tmp_path / "out" / "results.csv").open(encoding="utf-8-sig", newline="") as file:
        cells = [cell for line in csv.reader(file) for cell in line]
    assert len(cells) > 600
    assert not [cell for cell in cells if cell.startswith(("=", "+", "-", "@", "\t", "\r", "\n", " "))]
    assert any(cell.startswith("'=cmd") for cell in cells)


@pytest.mark.parametrize("text", ["=1", "+1", "-1", "@a", "\t=1", "\r\n=1", " =1", "\x0b=1"])
def test_a_formula_is_told_as_text(text):
    assert safe_cell(text) == f"'{text.strip()}"


def plainly(text: str, separator: str) -> list[list[str]]:
    """The records of a CSV text, letter by letter as RFC 4180 (section 2) has them, with another separator."""
    records, cells, cell, quoted, at = [], [], "", False, 0
    while at < len(text):
        letter = text[at]
        if quoted and text[at : at + 2] == '""':
            cell, at = cell + '"', at + 1
        elif letter == '"':
            quoted = not quoted
        elif quoted or letter not in (separator, "\r"):
            cell += letter
        else:
            cells, cell = [*cells, cell], ""
            if letter == "\r":
                assert text[at : at + 2] == "\r\n"
                records, cells, at = [*records, cells], [], at + 1
        at += 1
    assert not quoted
    assert not cells
    return records


@pytest.mark.parametrize("separator", [";", "\t"])
def test_the_results_have_the_rosters_separator(tmp_path, separator):
    """So that the spreadsheet that wrote the one opens the other; all else is as with commas, to the letter."""
    folder = small(tmp_path / "in", BEFORE[9:])
    with (folder / "roster.csv").open("a", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerows([name, course, *[""] * (HEADINGS.count(",") - 1)] for name, course in STRANGE)
    run(*command(folder, tmp_path / "commas"))
    with (folder / "roster.csv").open(encoding="utf-8", newline="") as file:
        cells = list(csv.reader(file))
    with (folder / "roster.csv").open("w", encoding="utf-8-sig", newline="") as file:
        csv.writer(file, delimiter=separator).writerows(cells)
    run(*command(folder, tmp_path / "out"))
    run(*command(folder, tmp_path / "twice"))
    texts = {one: (tmp_path / one / "results.csv").read_bytes().decode("utf-8-sig") for one in ("commas", "out")}
    assert plainly(texts["out"], separator) == plainly(texts["commas"], ",")
    assert len({len(cells) for cells in plainly(texts["out"], separator)}) == 1
    every = [cell for cells in plainly(texts["out"], separator) for cell in cells]
    assert all(any(sign in cell for cell in every) for sign in ';,"')
    assert not [cell for cell in every if cell.startswith(tuple("=+-@\t\r"))]
    assert (tmp_path / "twice" / "results.csv").read_bytes() == (tmp_path / "out" / "results.csv").read_bytes()
    with zipfile.ZipFile(tmp_path / "out" / "everything.zip") as archive:
        assert archive.read("results.csv") == (tmp_path / "out" / "results.csv").read_bytes()


STRANGE = (("=1+1", "chemistry"), ('Q "1"', "a; b"), ("Q, 2; 3", "x, y; z"), ("Q-4", "\t+1"))
"""References and courses in which there are separators, quotes and formulas."""


def test_the_results_of_lines_of_json_have_commas(tmp_path):
    folder = small(tmp_path / "in", [])
    line = json.dumps({"reference": "S-1", "course": "chemistry; civics; \t", "section": "A"})
    (folder / "roster.csv").write_text(f"\n{line}\n", "utf-8")
    run(*command(folder, tmp_path / "out"))
    assert results(tmp_path / "out").keys() == {"S-1"}


def texts(out: Path) -> list[str]:
    """All that is handed out: results, summary, calendars, the archive with all of its files, and the outcomes."""
    found = [(out / name).read_text("utf-8") for name in ("results.csv", "summary.html", "outcomes.jsonl")]
    found += [one.read_text("utf-8") for one in (out / "calendars").iterdir()]
    with zipfile.ZipFile(out / "everything.zip") as archive:
        found += [archive.read(name).decode("utf-8") for name in archive.namelist()]
    return found


def test_granted_arrangements_are_in_nothing_that_is_handed_out(tmp_path):
    """Figures that stand for nothing else; a wrong cell is told by its column, and without what it says."""
    rows = [
        row(1, extra_time="37", pace="143"),
        row(2, extra_time="37", pace="143", limit="20"),
        row(3, extra_time="4371"),
    ]
    out = tmp_path / "out"
    run(*command(small(tmp_path / "in", [*rows, row(4, pace="143 %%")]), out))
    assert rosters.outcomes_of(out)[0]["status"] == "planned"
    kept = json.loads(gzip.decompress((out / "plans" / "S-01.json.gz").read_bytes()))
    assert kept["request"]["exam"][0]["extra_time"] == 37  # so it was taken in
    for text in (re.sub(r"(?m)^UID:[0-9a-f-]{36}$", "", one.replace("\r", "")) for one in texts(out)):  # ids are chance
        assert not re.search(r"(?<![0-9])37(?![0-9])( ?%| percent)|4371|143|extra time|\bpace\b(?!: this is not)", text)
    with zipfile.ZipFile(out / "everything.zip") as archive:
        assert {name.split("/")[0] for name in archive.namelist()} == {"results.csv", "summary.html", "calendars"}


def test_the_archive_opens_and_has_the_calendars_of_the_directory(tmp_path):
    out = tmp_path / "out"
    run(*command(small(tmp_path / "in", BEFORE[-4:]), out))
    with zipfile.ZipFile(io.BytesIO((out / "everything.zip").read_bytes())) as archive:
        assert archive.testzip() is None
        names = {name for name in archive.namelist() if name.startswith("calendars/")}
        assert names == {f"calendars/{one.name}" for one in (out / "calendars").iterdir()}
        for name in archive.namelist():
            assert archive.read(name) == (out / name).read_bytes()


def test_the_summary_escapes_what_rows_say(tmp_path):
    out = tmp_path / "out"
    run(*command(small(tmp_path / "in", [row(1, course="<script>alert(1)</script>"), row(2, reference="<b>x")]), out))
    page = (out / "summary.html").read_text("utf-8")
    assert "<script" not in page
    assert "<b>" not in page
    assert "&lt;script&gt;" in page


def test_files_are_for_their_owner_alone(tmp_path):
    out = tmp_path / "out"
    run(*command(small(tmp_path / "in", BEFORE[-2:]), out))
    assert {one.stat().st_mode & 0o077 for one in out.rglob("*") if one.is_file()} == {0}
