"""The command line, held against what lies outside it: other parsers, the standard library's calendar, real processes.

``python -m tests.test_cli`` writes the outputs in README.md anew, after a change of wording that is meant.
"""

from __future__ import annotations

import calendar as month_calendar
import io
import json
import os
import pty
import re
import select
import shlex
import subprocess
import sys
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING
from unicodedata import east_asian_width

import click
import pytest
import vobject
from click.testing import CliRunner
from msgspec.structs import replace

from calplan import chart, cli, console, ical, planner, rules
from calplan.cli import commands
from calplan.console import EXIT_WORDS, Exit
from calplan.errors import BadCalendar, BrokenPlan, Fault, Problem
from calplan.model import (
    Ask,
    HolidayUse,
    Notice,
    Plan,
    Rank,
    Role,
    Shortfall,
    Skipped,
    plan_from_json,
    to_json,
)
from calplan.planner import Step
from calplan.request import read
from web.__main__ import main as service

if TYPE_CHECKING:
    from collections.abc import Iterator

    from click.testing import Result

ROOT = Path(__file__).parent.parent
FIXTURES = ROOT / "fixtures"
CHEMISTRY = str(FIXTURES / "chemistry-30.toml")
AS_OF = ("--as-of", "2027-01-05T08:00")
MOMENT = datetime(2027, 1, 5, 14, tzinfo=UTC)
"""The same instant: Chicago keeps UTC-6 in January (tz database)."""


def run(*args: object, stdin: bytes | str | None = None) -> Result:
    """A command inside this process, as for a pipe (no terminal)."""
    return CliRunner().invoke(commands, [str(arg) for arg in args], input=stdin)


def process(*args: object, stdin: bytes = b"", **environment: str) -> subprocess.CompletedProcess[bytes]:
    """A command in a process of its own."""
    command = [sys.executable, "-m", "calplan", *map(str, args)]
    return subprocess.run(
        command, input=stdin, capture_output=True, timeout=120, cwd=ROOT, env={**os.environ, **environment}
    )


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with chemistry.json and chemistry.ics, made by the command."""
    folder = tmp_path_factory.mktemp("made")
    result = run("make", CHEMISTRY, *AS_OF, "--ics", folder / "chemistry.ics", "--plan", folder / "chemistry.json")
    assert result.exit_code == 0
    return folder


@pytest.fixture(scope="module")
def plan(made: Path) -> Plan:
    return plan_from_json((made / "chemistry.json").read_bytes())


# ------------------------------------------------------------------------------------------------------------ make


def test_make_writes_a_calendar_that_another_parser_reads_and_shows_the_plan(tmp_path):
    target = tmp_path / "chemistry.ics"
    result = run("make", CHEMISTRY, "--ics", target, *AS_OF)
    assert result.exit_code == 0
    events = vobject.readOne(target.read_text("utf-8")).contents["vevent"]
    exams = [event for event in events if not isinstance(event.dtstart.value, datetime)]
    assert [event.dtstart.value for event in exams] == [date(2027, 2, 4)]
    assert len(events) == 31  # thirty usable days, a block on each (the trade's rotation), and the exam's day
    assert "January 2027" in result.stdout
    assert "EXAM" in result.stdout
    assert result.stderr == f"Wrote {target}: 30 blocks of study.\n"


def test_the_table_tells_the_minutes_that_another_parser_sums_up_for_each_day(made):
    """Cells lie where the standard library's calendar has their weekday; their minutes are those of the .ics file."""
    minutes: dict[date, int] = {}
    for event in vobject.readOne((made / "chemistry.ics").read_text("utf-8")).contents["vevent"]:
        if isinstance(event.dtstart.value, datetime):
            day = (event.dtstart.value - timedelta(hours=6)).date()  # Chicago's winter time
            minutes[day] = minutes.get(day, 0) + int((event.dtend.value - event.dtstart.value).total_seconds() // 60)
    shown = table_of(run("make", CHEMISTRY, *AS_OF).stdout)
    assert {day: int(text.split()[0]) for day, text in shown.items() if text.endswith("min")} == minutes
    assert shown[date(2027, 2, 4)] == "EXAM"


def table_of(output: str, width: int = 11) -> dict[date, str]:
    """What each day's cell says beside its number, read by column and checked against ``calendar``."""
    seen: dict[date, str] = {}
    year = month = 0
    for line in output.split("\n"):
        if heading := re.fullmatch(r"([A-Z][a-z]+) (\d{4})", line):
            year, month = int(heading[2]), list(month_calendar.month_name).index(heading[1])
        cells = [line[i * width : (i + 1) * width] for i in range(7)]
        if month and all(re.fullmatch(r"|[ >][ \d]\d( .*)?", cell.rstrip()) for cell in cells) and line.strip():
            for weekday, cell in enumerate(cells):
                if cell.strip():
                    day = date(year, month, int(cell[1:3]))
                    assert month_calendar.weekday(day.year, day.month, day.day) == weekday
                    seen[day] = cell[3:].strip()
    return seen


@pytest.mark.parametrize("name", ["chemistry-10", "full-example", "finals-week", "weekends-only", "travelling-team"])
def test_every_day_stands_under_its_weekday_in_every_fixture(name):
    """Weeks begin on Monday (ISO 8601), and months do not share a week's row."""
    output = run("make", FIXTURES / f"{name}.toml", *AS_OF).stdout
    shown = table_of(output)
    exams = {exam.start.date() for exam in read((FIXTURES / f"{name}.toml").read_bytes()).exams}
    assert {day for day, text in shown.items() if text.startswith("EXAM")} == exams
    assert " Mon        Tue        Wed        Thu        Fri        Sat        Sun\n" in output
    assert max(map(len, output.split("\n"))) <= 80


def test_nothing_is_written_unless_it_is_asked_for(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    result = run("make", CHEMISTRY, *AS_OF)
    assert list(tmp_path.iterdir()) == []
    assert result.stderr == "Nothing was written: --ics FILE writes the calendar, --plan FILE the plan.\n"


@pytest.mark.parametrize("option", ["--ics", "--plan"])
def test_a_dash_sends_one_file_and_nothing_else_to_standard_output(made, option):
    """What the pipe gets is the file to the byte, and a request can come through a pipe as well."""
    file = made / {"--ics": "chemistry.ics", "--plan": "chemistry.json"}[option]
    piped = process("make", "-", option, "-", *AS_OF, stdin=Path(CHEMISTRY).read_bytes())
    assert (piped.returncode, piped.stdout, piped.stderr) == (0, file.read_bytes(), b"")


@pytest.mark.parametrize(
    "environment",
    [
        {"TZ": "UTC", "PYTHONHASHSEED": "0"},
        {"TZ": "Pacific/Apia", "PYTHONHASHSEED": "1"},
        {"TZ": "America/St_Johns", "PYTHONHASHSEED": "4242", "LC_ALL": "C", "COLUMNS": "200"},
    ],
)
def test_neither_zone_nor_chance_nor_width_of_the_machine_changes_a_byte(made, tmp_path, environment):
    target = tmp_path / "same.ics"
    done = process("make", CHEMISTRY, *AS_OF, "--ics", target, **environment)
    assert target.read_bytes() == (made / "chemistry.ics").read_bytes()
    assert done.stdout == run("make", CHEMISTRY, *AS_OF).stdout_bytes


def test_a_seed_changes_the_ids_and_nothing_else(made, tmp_path):
    target = tmp_path / "seeded.ics"
    run("make", CHEMISTRY, *AS_OF, "--ics", target, "--seed", "another")
    ours, theirs = (path.read_bytes().split(b"\r\n") for path in (made / "chemistry.ics", target))
    differing = {one.split(b":")[0] for one, other in zip(ours, theirs, strict=True) if one != other}
    assert differing == {b"UID"}


def test_alarms_ring_the_minutes_before_each_block(tmp_path):
    target = tmp_path / "alarms.ics"
    assert run("make", CHEMISTRY, *AS_OF, "--ics", target, "--alarm", "10").exit_code == 0
    events = vobject.readOne(target.read_text("utf-8")).contents["vevent"]
    rings = [event.valarm.trigger.value for event in events if "valarm" in event.contents]
    assert rings == [timedelta(minutes=-10)] * 30


def test_blocks_that_a_calendar_cannot_hold_are_counted_and_said(tmp_path, monkeypatch):
    monkeypatch.setattr(ical, "MOST_EVENTS", 11)
    target = tmp_path / "short.ics"
    result = run("make", CHEMISTRY, *AS_OF, "--ics", target)
    assert len(vobject.readOne(target.read_text("utf-8")).contents["vevent"]) == 11
    said = result.stderr.splitlines()
    assert said[0] == f"Wrote {target}: 10 blocks of study."
    assert said[1].startswith("20 blocks lie too far back, or too far ahead")


@pytest.mark.parametrize(
    "moment", ["2027-01-05T08:00", "2027-01-05T14:00Z", "2027-01-05T14:00+00:00", "2027-01-06T04:00+14:00"]
)
def test_a_moment_may_be_local_or_carry_an_offset(made, moment):
    """ISO 8601: the four name the same instant."""
    assert run("make", CHEMISTRY, "--as-of", moment, "--plan", "-").stdout == (made / "chemistry.json").read_text()


def test_without_a_moment_the_clock_is_asked(made, monkeypatch):
    class Clock(datetime):
        @classmethod
        def now(cls, tz=None):
            return MOMENT.astimezone(tz)

    monkeypatch.setattr(console, "datetime", Clock)
    assert run("make", CHEMISTRY, "--plan", "-").stdout == (made / "chemistry.json").read_text()


@pytest.mark.parametrize("moment", ["tomorrow", "2027-13-01", "1066-10-14", "9999-12-31T23:59"])
def test_a_moment_that_is_none_is_a_wrong_command_line(moment):
    result = run("make", CHEMISTRY, "--as-of", moment)
    assert result.exit_code == Exit.USAGE
    assert "--as-of" in result.stderr


@pytest.mark.parametrize(
    "args",
    [
        ("make", CHEMISTRY, "--ics", "-", "--plan", "-"),
        ("make", CHEMISTRY, "--ics", "x.ics", "--plan", "x.ics"),
        ("make", CHEMISTRY, "--plan", CHEMISTRY),
        ("make", CHEMISTRY, "--alarm", "-1"),
        ("make",),
        ("check",),
        ("mend", CHEMISTRY),
    ],
)
def test_a_command_line_that_makes_no_sense_is_refused(args):
    """Nothing is overwritten by it: the request is still what it was."""
    before = Path(CHEMISTRY).read_bytes()
    result = run(*args)
    assert (result.exit_code, result.stdout) == (Exit.USAGE, "")
    assert "Error: " in result.stderr
    assert Path(CHEMISTRY).read_bytes() == before


# --------------------------------------------------------------------------------------------- what can go wrong


def test_every_problem_of_a_request_stands_on_a_line_of_its_own(tmp_path):
    wrong = tmp_path / "wrong.toml"
    wrong.write_text(Path(CHEMISTRY).read_text().replace('scope = "term"', 'scope = "week"').replace("= 60", "= 0"))
    result = run("make", wrong, *AS_OF, "--ics", tmp_path / "never.ics")
    assert (result.exit_code, result.stdout) == (Exit.WRONG, "")
    lines = result.stderr.splitlines()
    assert len(lines) == 2
    assert lines[0].startswith("exam 1 (Chemistry), scope: ")
    assert lines[1].startswith("effort, limit: ")
    assert not (tmp_path / "never.ics").exists()


def test_missing_calendars_and_broken_ones_are_named_together(tmp_path):
    (tmp_path / "page.ics").write_text("<!DOCTYPE html><html><body>Please sign in</body></html>")
    (tmp_path / "folder.ics").mkdir()
    request = Path(CHEMISTRY).read_text().replace('country = "US"\nsubdivision = "IL"', 'country = "ZZ"')
    files = ("gone.ics", "page.ics", "folder.ics")
    (tmp_path / "r.toml").write_text(request + "".join(f'\n[[calendar]]\nfile = "{file}"\n' for file in files))
    for command in ("make", "check", "trade-off"):
        result = run(command, tmp_path / "r.toml", *AS_OF)
        assert result.exit_code == Exit.WRONG
        for words in ("gone.ics: There is no such file.", "folder.ics: This is a folder", "page.ics: ", "ZZ"):
            assert words in result.stderr
        assert len(result.stderr.splitlines()) == 4


def test_calendars_lie_beside_the_request_or_where_the_option_says(tmp_path):
    request = (FIXTURES / "full-week.toml").read_bytes()
    (tmp_path / "moved.toml").write_bytes(request)
    assert run("make", tmp_path / "moved.toml", *AS_OF).exit_code == Exit.WRONG
    moved = run("make", tmp_path / "moved.toml", *AS_OF, "--calendars", FIXTURES, "--plan", "-")
    beside = run("make", FIXTURES / "full-week.toml", *AS_OF, "--plan", "-")
    assert (moved.exit_code, moved.stdout) == (0, beside.stdout)


def test_no_day_left_says_what_takes_them_and_what_still_makes_sense():
    result = run("make", CHEMISTRY, "--as-of", "2027-02-04T08:00")
    assert (result.exit_code, result.stdout) == (Exit.NO_PLAN, "")
    assert result.stderr.startswith("No day before the exam in Chemistry can hold any work.\n")
    assert "What still makes sense:\n- Two minutes: " in result.stderr


def test_a_plan_that_breaks_a_rule_is_our_bug_and_says_what_to_report(monkeypatch):
    def breaks(*args, **kwargs):
        raise BrokenPlan([Fault("overlap", "block 2027-01-05 16:00", "Two blocks overlap.")])

    monkeypatch.setattr(planner, "make_plan", breaks)
    result = run("make", CHEMISTRY, *AS_OF)
    assert result.exit_code == Exit.BROKEN
    assert "overlap at block 2027-01-05 16:00: Two blocks overlap.\n" in result.stderr
    assert "Please report these lines" in result.stderr


def test_a_calendar_alone_that_cannot_be_read_is_a_wrong_request(monkeypatch):
    def refuses(*args, **kwargs):
        raise BadCalendar(Problem("calendar a.ics", "This is a web page.", "Export it again."))

    monkeypatch.setattr(planner, "make_plan", refuses)
    result = run("make", CHEMISTRY, *AS_OF)
    assert (result.exit_code, result.stderr) == (
        Exit.WRONG,
        "calendar a.ics: This is a web page. Export it again.\n",
    )


@pytest.mark.parametrize("debug", ["", "1"])
def test_an_unexpected_error_is_one_sentence_and_shows_its_trace_only_on_request(monkeypatch, debug):
    def fails(*args, **kwargs):
        raise KeyError("chem/quiz-1")

    monkeypatch.setattr(planner, "make_plan", fails)
    monkeypatch.setenv("CALPLAN_DEBUG", debug)
    result = run("make", CHEMISTRY, *AS_OF)
    assert (result.exit_code, result.stdout) == (Exit.BUG, "")
    assert "This is a bug in calplan, not your mistake (KeyError: 'chem/quiz-1')." in result.stderr
    assert ("Traceback" in result.stderr) == (debug == "1")
    assert debug or len(result.stderr.splitlines()) == 1


def test_being_stopped_is_said_in_a_sentence(monkeypatch):
    def stopped(*args, **kwargs):
        raise KeyboardInterrupt

    monkeypatch.setattr(planner, "make_plan", stopped)
    result = run("make", CHEMISTRY, *AS_OF)
    assert (result.exit_code, result.stderr) == (Exit.STOPPED, "Stopped; nothing more was written.\n")


@pytest.mark.parametrize("command", ["make", "show", "check", "trade-off"])
@pytest.mark.parametrize(
    ("place", "words"),
    [
        ("gone.toml", "There is no such file."),
        (".", "This is a folder, not a file."),
        ("file/inside.toml", "A part of this path is a file, not a folder."),
        ("x" * 5000, "It cannot be read: File name too long."),
        ("nul\0.toml", "It cannot be read: embedded null byte."),
    ],
)
def test_a_file_that_cannot_be_read_is_one_sentence(tmp_path, monkeypatch, command, place, words):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "file").touch()
    result = run(command, place)
    assert (result.exit_code, result.stdout) == (Exit.FILE, "")
    assert result.stderr.splitlines() == [f"{place.replace(chr(0), '')}: {words}"]


def test_a_file_without_permission_is_one_sentence(monkeypatch):
    """The tests may run as root, who may read everything: the refusal of the system is played."""

    def refuses(name, mode="r", **kwargs):
        raise PermissionError(13, "Permission denied", name)

    monkeypatch.setattr("builtins.open", refuses)
    with pytest.raises(console.Refusal) as refused:
        console.read_bytes("diary.toml", 10)
    assert (refused.value.code, refused.value.lines) == (
        Exit.FILE,
        ("diary.toml: It may not be read: permission denied.",),
    )


def test_endless_input_is_read_only_as_far_as_a_request_may_go():
    result = run("make", "/dev/zero")
    assert result.exit_code == Exit.WRONG
    assert result.stderr.startswith("zero: ")


@pytest.mark.parametrize(
    ("place", "words"), [("no/such/x.ics", "There is no such folder."), (".", "This is a folder, not a file.")]
)
def test_a_file_that_cannot_be_written_is_one_sentence(tmp_path, monkeypatch, place, words):
    monkeypatch.chdir(tmp_path)
    result = run("make", CHEMISTRY, *AS_OF, "--ics", place)
    assert (result.exit_code, result.stdout, result.stderr) == (Exit.FILE, "", f"{place}: {words}\n")
    assert list(tmp_path.iterdir()) == []


def test_a_write_that_fails_leaves_the_old_file_and_nothing_beside_it(tmp_path, monkeypatch):
    target = tmp_path / "plan.ics"
    target.write_bytes(b"the old plan")

    def full(handle):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    result = run("make", CHEMISTRY, *AS_OF, "--ics", target)
    assert (result.exit_code, result.stderr) == (
        Exit.FILE,
        f"{target}: It cannot be written: No space left on device.\n",
    )
    assert target.read_bytes() == b"the old plan"
    assert list(tmp_path.iterdir()) == [target]


def test_a_file_keeps_its_permissions_and_its_links(tmp_path):
    """A new file gets those that the umask leaves; a link goes on leading to the file that it led to."""
    target, link, fresh = tmp_path / "real.ics", tmp_path / "link.ics", tmp_path / "fresh.ics"
    target.write_bytes(b"old")
    target.chmod(0o640)
    link.symlink_to(target)
    mask = os.umask(0o027)
    try:
        for place in (link, fresh):
            assert run("make", CHEMISTRY, *AS_OF, "--ics", place).exit_code == 0
        assert os.umask(0o027) == 0o027
    finally:
        os.umask(mask)
    assert link.is_symlink()
    assert target.read_bytes() == fresh.read_bytes()
    assert (target.stat().st_mode & 0o777, fresh.stat().st_mode & 0o777) == (0o640, 0o640)


def test_a_device_is_written_into_and_stays_a_device():
    assert run("make", CHEMISTRY, *AS_OF, "--ics", os.devnull).exit_code == 0
    assert not Path(os.devnull).is_file()


def test_output_that_nobody_reads_ends_the_command_quietly(made):
    """As SIGPIPE would end it: 128 + 13 (POSIX shells)."""
    reader, writer = os.pipe()
    os.close(reader)
    command = [sys.executable, "-m", "calplan", "show", str(made / "chemistry.json"), *AS_OF]
    done = subprocess.run(command, stdout=writer, stderr=subprocess.PIPE, timeout=60, cwd=ROOT)
    os.close(writer)
    assert (done.returncode, done.stderr) == (Exit.PIPE, b"")


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="only Linux and some others have /dev/full")
def test_output_that_does_not_fit_is_one_sentence(made):
    command = [sys.executable, "-m", "calplan", "show", str(made / "chemistry.json"), *AS_OF, "--request", CHEMISTRY]
    with open("/dev/full", "wb") as full:
        done = subprocess.run(command, stdout=full, stderr=subprocess.PIPE, timeout=60, cwd=ROOT)
    assert done.returncode == Exit.FILE
    assert done.stderr == b"standard output: It cannot be written: No space left on device.\n"


def test_streams_that_are_closed_from_the_start_do_no_harm(tmp_path):
    target = tmp_path / "c.ics"
    script = f'exec "{sys.executable}" -m calplan make "{CHEMISTRY}" --as-of 2027-01-05 --ics "{target}" <&- >&- 2>&-'
    done = subprocess.run(["sh", "-c", script], timeout=60, cwd=ROOT)
    assert done.returncode == 0
    assert target.read_bytes().startswith(b"BEGIN:VCALENDAR\r\n")


def test_what_fails_outside_a_command_is_caught_as_well(monkeypatch, capsys):
    def fails():
        raise RuntimeError("no help")

    monkeypatch.setattr(cli, "commands", fails)
    with pytest.raises(SystemExit) as ended:
        cli.main()
    assert ended.value.code == Exit.BUG
    assert "(RuntimeError: no help)" in capsys.readouterr().err


def test_what_click_itself_says_goes_on_as_it_is():
    with pytest.raises(click.UsageError):
        console.refusal(click.UsageError("no"))


# ------------------------------------------------------------------------------------------------------------ show


def test_show_says_the_same_as_make_where_the_request_is_given(made):
    shown = run("show", made / "chemistry.json", *AS_OF, "--request", CHEMISTRY)
    assert (shown.exit_code, shown.stderr) == (0, "")
    assert shown.stdout == run("make", CHEMISTRY, *AS_OF).stdout


def test_show_without_the_request_keeps_to_what_the_plan_knows(made):
    """The hour of bed is not in a plan, so that nothing is said about it."""
    shown = run("show", made / "chemistry.json", *AS_OF)
    assert shown.exit_code == 0
    assert shown.stdout == run("make", CHEMISTRY, *AS_OF).stdout
    assert "--request REQUEST" in shown.stderr
    late = late_request()
    plan = run("make", "-", *AS_OF, "--plan", "-", stdin=late).stdout
    assert "Bed at 23:30 comes first" in run("make", "-", *AS_OF, stdin=late).stdout
    assert "Bed at" not in run("show", "-", *AS_OF, stdin=plan).stdout


def late_request() -> str:
    """The chemistry final of somebody who studies late."""
    late = Path(CHEMISTRY).read_text().replace('"16:00"', '"21:30"').replace('"21:00"', '"22:30"')
    return late.replace("limit = 60", 'limit = 60\nbedtime = "23:30"')


def test_show_from_a_pipe(made):
    data = (made / "chemistry.json").read_bytes()
    assert run("show", "-", *AS_OF, stdin=data).stdout == run("show", made / "chemistry.json", *AS_OF).stdout


@pytest.mark.parametrize(
    ("moment", "words"),
    [
        ("2027-01-05T08:00", "Today: Tuesday 5 January 2027\n"),
        ("2027-01-05T16:29", "Today: Tuesday 5 January 2027\n"),
        ("2027-01-05T16:30", "Next: Wednesday 6 January 2027\n"),
        ("2027-02-03T12:00", "Today: Wednesday 3 February 2027\n"),
        ("2027-02-03T16:15", "Next\n- No block lies ahead.\n"),
        ("2026-12-24", "Next: Tuesday 5 January 2027\n"),
    ],
)
def test_show_leads_to_the_next_block_that_is_not_over(made, moment, words):
    """Blocks are half-open: at its end, a block is over."""
    assert f"\n{words}" in run("show", made / "chemistry.json", "--as-of", moment).stdout


def test_today_is_marked_in_the_table(made):
    assert "\n 11 20 min >12 35 min  13 " in run("show", made / "chemistry.json", "--as-of", "2027-01-12").stdout
    assert ">" not in run("show", made / "chemistry.json", "--as-of", "2026-12-24").stdout


def test_a_request_that_is_not_the_plans_own_is_refused(made):
    for command in ("show", "check"):
        result = run(command, made / "chemistry.json", "--request", FIXTURES / "chemistry-10.toml", *AS_OF)
        assert (result.exit_code, result.stdout) == (Exit.WRONG, "")
        assert "another request" in result.stderr


@pytest.mark.parametrize("command", ["show", "check"])
def test_a_wrong_request_beside_a_plan_is_named_by_its_own_name(made, tmp_path, command):
    (tmp_path / "wrong.toml").write_text("schema = 1")
    result = run(command, made / "chemistry.json", "--request", tmp_path / "wrong.toml", *AS_OF)
    assert (result.exit_code, result.stdout) == (Exit.WRONG, "")
    assert all(line.startswith(f"{tmp_path / 'wrong.toml'}: ") for line in result.stderr.splitlines())


@pytest.mark.parametrize(
    "args", [("show", "-", "--request", "-"), ("check", "-", "-"), ("check", "a.json", "b.json", "--request", "-")]
)
def test_standard_input_is_read_for_one_file_only(args):
    result = run(*args, stdin="{}")
    assert (result.exit_code, result.stdout) == (Exit.USAGE, "")
    assert "Only one file can come from standard input." in result.stderr


def edited(plan: Plan, **changes: object) -> bytes:
    return to_json(replace(plan, **changes))


def without_seconds(data: bytes, old: str, new: str) -> bytes:
    assert old.encode() in data
    return data.replace(old.encode(), new.encode(), 1)


BROKEN = {
    "not JSON": lambda plan: b"{",
    "not UTF-8": lambda plan: b'{"title": "\xff"}',
    "a list": lambda plan: b"[]",
    "an unknown key": lambda plan: to_json(plan).replace(b'"seed"', b'"sead"'),
    "a later schema": lambda plan: edited(plan, schema=2),
    "deep": lambda plan: b"[" * 100_000,
    "no exam": lambda plan: edited(plan, exams=()),
    "no such zone": lambda plan: edited(plan, zone="Atlantis/Capital"),
    "a zone that is a path": lambda plan: edited(plan, zone="../../etc/passwd"),
    "a zone that is a folder": lambda plan: edited(plan, zone="America"),
    "a day of long ago": lambda plan: edited(plan, days=(replace(plan.days[0], day=date(1, 1, 1)), *plan.days[1:])),
    "days years apart": lambda plan: edited(plan, days=(replace(plan.days[0], day=date(2020, 1, 1)), *plan.days[1:])),
    "a task of no exam": lambda plan: edited(plan, tasks=(replace(plan.tasks[0], exam="x"), *plan.tasks[1:])),
    "a part of no task": lambda plan: edited(plan, tasks=plan.tasks[1:]),
    "a part too long": lambda plan: edited(plan, tasks=(replace(plan.tasks[0], ranks=()), *plan.tasks[1:])),
    "a block of no length": lambda plan: edited(plan, blocks=(replace(plan.blocks[0], minutes=0), *plan.blocks[1:])),
    "an instant without offset": lambda plan: edited(plan, as_of=datetime(2027, 1, 5)),
    "a clock time with offset": lambda plan: edited(
        plan, blocks=(replace(plan.blocks[0], start=MOMENT), *plan.blocks[1:])
    ),
}


@pytest.mark.parametrize("what", BROKEN)
def test_a_plan_that_does_not_hold_together_is_refused_in_a_sentence(plan, tmp_path, what):
    place = tmp_path / "plan.json"
    place.write_bytes(BROKEN[what](plan))
    result = run("show", place, *AS_OF)
    assert (result.exit_code, result.stdout) == (Exit.WRONG, "")
    assert result.stderr.startswith(f"{place}: This ")
    assert result.stderr.endswith("Make the plan again with calplan make --plan FILE.\n")
    assert len(result.stderr.splitlines()) == 1


def test_a_file_that_is_far_too_large_is_no_plan(monkeypatch):
    monkeypatch.setattr(console, "MOST_PLAN", 1000)
    result = run("show", "/dev/zero")
    assert result.exit_code == Exit.WRONG
    assert "too large to be a plan" in result.stderr


def test_nothing_in_a_plan_can_steer_the_terminal(plan):
    """Escape sequences (ECMA-48), carriage returns and right-to-left overrides come out as text, or not at all."""
    evil = "\x1b]0;owned\x07\x9b31m\r\u202eevil"
    said = replace(
        plan,
        title=evil,
        exams=(replace(plan.exams[0], subject=evil, place=evil),),
        notices=(Notice(code="x", sentence=evil),),
        asks=(Ask(exam="chem", material="", sentence=evil),),
        skipped=(Skipped(source=evil, line=1, name=evil, reason=evil),),
    )
    result = run("show", "-", *AS_OF, stdin=to_json(said))
    assert result.exit_code == 0
    assert not re.search("[\x00-\x09\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069]", result.output)
    assert "evil" in result.stdout


# ------------------------------------------------------------------------------------------- show, line by line


def lines(plan: Plan, *, width: int = 80, as_of: datetime = MOMENT) -> list[str]:
    """What ``show`` would print of a plan, without looks."""
    said = chart.plan_lines(plan, console.stand_in(plan), as_of=as_of, width=width)
    return ["".join(run.text for run in line) for line in said]


def text(plan: Plan, *, as_of: datetime = MOMENT) -> str:
    """The same as running text, whatever the lines."""
    return " ".join(" ".join(lines(plan, as_of=as_of)).split())


def made_from(name: str, **changes: object) -> Plan:
    """A fixture's plan."""
    place = FIXTURES / f"{name}.toml"
    request = replace(read(place.read_bytes()), **changes)
    files = {one.file: (FIXTURES / one.file).read_bytes() for one in request.calendars}
    return planner.make_plan(request, files, as_of=MOMENT)


def test_wide_terminals_have_room_for_whole_words(plan):
    wide = "\n".join(lines(plan, width=120))
    assert "consolidate" in wide
    assert "consol." not in wide
    assert max(map(len, lines(plan, width=300))) <= 120


@pytest.mark.parametrize("width", [10, 30, 40, 69])
def test_narrow_terminals_get_a_list_of_days(plan, width):
    shown = lines(plan, width=width)
    assert ">Tue  5 30 min cover" in shown
    assert " Thu  4 EXAM 09:00 Chemistry" in shown
    assert max(map(len, shown)) <= max(30, width)


def test_a_subject_in_wide_characters_keeps_the_columns_in_line(plan):
    """Unicode Standard Annex 11: such a character takes two columns."""
    subject = "有機化学の期末試験"
    japanese = replace(plan, exams=(replace(plan.exams[0], subject=subject),))
    second = replace(plan.exams[0], key="later", subject="Physik", start=datetime(2027, 2, 5, 9))
    shown = lines(replace(japanese, exams=(*japanese.exams, second)))
    row = next(line for line in shown if "有機" in line and line.startswith(" "))
    before = row[: row.index("Physik")]
    columns = sum(2 if east_asian_width(one) in "WF" else 1 for one in before)
    assert columns == 4 * 11 + 2  # Friday is the fifth column of eleven, and words stand two to the right


def test_holidays_exams_appointments_and_papers_are_marked():
    shown = text(made_from("full-example"))
    for words in (
        "Mon 18 Jan: Martin Luther King Jr. Day, half a day's work.",  # third Monday of January, 5 U.S.C. 6103
        "fixed: an appointment",
        "paper: timed paper",
        " (timed papers aside, appointments included)",
        "Chemistry: Ask for the answers to Quiz 1.",
        "half a day's work",
        "(Lab): No event of the file has this title.",
    ):
        assert words in shown


@pytest.mark.parametrize(
    ("use", "words"), [(HolidayUse.FREE, "kept free"), (HolidayUse.ORDINARY, "a day like any other")]
)
def test_a_holiday_says_what_it_does_to_its_day(use, words):
    request = read(Path(CHEMISTRY).read_bytes())
    shown = lines(made_from("chemistry-30", holidays=replace(request.holidays, use=use)))
    assert f"Mon 18 Jan: Martin Luther King Jr. Day, {words}." in shown
    assert any(line.startswith(" 18 -" if use is HolidayUse.FREE else " 18 35 min") for line in shown)


def test_an_exam_in_another_zone_stands_on_its_day_and_hour_at_home():
    """14:00 in Honolulu (UTC-10) is 20:00 in New York on 31 March (UTC-4)."""
    shown = text(made_from("travelling-team"))
    assert "14:00 (Pacific/Honolulu time; Wed 31 Mar, 20:00 in America/New_York)" in shown


def test_an_exam_without_a_usable_day_is_shown_beside_one_that_has_some():
    """The second exam is on the very day from which is planned, and nothing lies before it."""
    second = '[[exam]]\nsubject = "Physics"\nstart = "2027-01-05T18:00"\nminutes = 60\n'
    first = Path(CHEMISTRY).read_text().replace("start = 2027-01-05\n", "")
    result = run("make", "-", *AS_OF, stdin=f"{first}\n{second}")
    assert (result.exit_code, "Physics has no usable day before it" in result.stdout) == (0, True)
    assert table_of(result.stdout)[date(2027, 1, 5)] == "EXAM"


def test_few_days_get_a_kind_word_and_no_proof():
    shown = text(made_from("chemistry-3"))
    assert shown.count("Three days are left") == 1
    for words in ("What does not fit", "A way out", "A limit of", "No limit of", "minutes of work"):
        assert words not in shown


def test_what_does_not_fit_comes_with_its_proof_and_ways_out():
    """The figures are those of the plan, which others judge."""
    made = made_from("chemistry-10")
    short = made.shortfall
    shown = text(made)
    assert short is not None
    assert f"there are {short.needed} minutes of work that must lie there, and {short.free} minutes" in shown
    assert f"a limit of {short.limit_all} minutes a day holds everything." in shown
    assert f"a limit of {short.limit_essential} minutes a day holds the essentials." in shown
    assert "A start on Thu 21 Jan would have been early enough for everything." in shown
    assert f"{made.figures.kept} of {made.figures.asked} minutes of work are planned" in shown
    assert f"Given up: {short.lost[6]} minutes of extras, {short.lost[5]} minutes of problems flagged 2." in shown


def test_where_no_limit_and_no_start_helps_that_is_said():
    shown = text(made_from("cannot-fit"))
    assert "No limit of a day would hold everything, or even the essentials." in shown
    assert "No limit of a day helps" in shown
    assert "No start within the two months before would have been early enough." in shown


def short_of(plan: Plan, lost: dict[Rank, int], **changes: object) -> str:
    """What is shown of the plan, were it short of something on a single day."""
    day = date(2027, 1, 25)
    short = Shortfall(first=day, last=day, needed=70, free=60, lost=lost)
    return text(replace(plan, shortfall=replace(short, **changes)))


def test_a_window_of_one_day_is_one_day(plan):
    shown = short_of(plan, {Rank.EXTRA: 10})
    assert "On Mon 25 Jan there are 70 minutes of work that must lie there, and 60 minutes to hold them." in shown
    assert "From Mon 25 Jan" not in shown


EVERYTHING, ESSENTIALS = (
    "a limit of {} minutes a day holds everything.",
    "a limit of {} minutes a day holds the essentials.",
)


@pytest.mark.parametrize(
    ("lost", "everything", "essentials", "said", "unsaid"),
    [
        ({Rank.ESSENTIAL: 10}, 90, 70, [EVERYTHING.format(90), ESSENTIALS.format(70)], []),
        ({Rank.ESSENTIAL: 10}, 90, 90, [EVERYTHING.format(90)], [ESSENTIALS.format(90)]),
        ({Rank.ESSENTIAL: 10}, 90, 60, [EVERYTHING.format(90)], [ESSENTIALS.format(60)]),
        ({Rank.EXTRA: 10}, 90, 70, [EVERYTHING.format(90)], [ESSENTIALS.format(70)]),
        ({Rank.ESSENTIAL: 10}, None, 70, ["No limit of a day holds everything", ESSENTIALS.format(70)], []),
        ({Rank.EXTRA: 10}, None, 25, ["No limit of a day holds everything"], [ESSENTIALS.format(25)]),
        ({Rank.EXTRA: 10}, None, None, ["No limit of a day helps"], ["A way out"]),
    ],
)
def test_a_way_out_is_one_only_where_it_changes_something(plan, lost, everything, essentials, said, unsaid):
    """A limit for the essentials helps where essentials are given up, and above the limit that holds already (60)."""
    shown = short_of(plan, lost, limit_all=everything, limit_essential=essentials)
    assert all(words in shown for words in said)
    assert not any(words in shown for words in unsaid)


@pytest.mark.parametrize(
    ("limit", "out"), [(70, "; a limit of 70 minutes a day holds everything."), (60, "."), (None, ".")]
)
def test_a_last_stretch_that_lacks_minutes_is_one_sentence(plan, limit, out):
    """Its days are fixed, so that an earlier start does not help and none is spoken of."""
    ends = [task for task in plan.tasks if task.role in (Role.TAPER, Role.EVE)][-2:]
    shorter = {task.id: replace(task, kept=len(task.ranks) - lacks) for task, lacks in zip(ends, (2, 1), strict=True)}
    bent = replace(plan, tasks=tuple(shorter.get(task.id, task) for task in plan.tasks))
    shown = short_of(bent, {Rank.TAPER: 15}, limit_all=limit, limit_essential=limit)
    sentence = f"- The light last stretch is short of 10 minutes on Tue 2 Feb and 5 minutes on Wed 3 Feb{out} "
    assert f"What does not fit {sentence}" in shown
    assert not any(words in shown for words in ("Given up", "A way out", "early enough"))


@pytest.mark.parametrize(
    ("everything", "essentials", "words"),
    [
        (45, 30, "A limit of 45 minutes a day would hold everything, and one of 30 the essentials, if tasks could be"),
        (30, 30, "A limit of 30 minutes a day would hold everything, and no lower one the essentials, if tasks could"),
        (None, 90, "No limit of a day would hold everything; one of 90 minutes would hold the essentials, if tasks"),
    ],
)
def test_the_figures_stand_in_one_sentence(plan, everything, essentials, words):
    figures = replace(plan.figures, everything=everything, essentials=essentials)
    assert words in text(replace(plan, figures=figures))


def test_the_fullest_day_owes_its_length_to_whole_tasks_only_where_it_does(plan):
    """The plan's tightest stretch asks for less than the fullest day has; were it to ask for as much, that is all."""
    most = max(sum(part.units for part in day.parts) for day in plan.days) * 5
    assert plan.figures.bound < most
    assert f"The plan lets the fullest day go to {most} minutes, so that tasks stay whole." in text(plan)
    tight = replace(plan, figures=replace(plan.figures, bound=most))
    assert f"The fullest day has {most} minutes." in text(tight)


def test_what_the_minutes_of_work_leave_out_is_named_where_there_is_any(plan):
    assert f"All {plan.figures.asked} minutes of work are planned. " in text(plan)
    assert "(appointments and timed papers counted apart)" in text(made_from("full-example"))
    again = replace(plan, tasks=(*plan.tasks, replace(plan.tasks[0], id="again", role=Role.ENCORE)))
    assert "(days that look at something again counted apart)" in text(again)


def test_an_appointment_is_shown_by_its_title():
    shown = lines(made_from("full-example"), as_of=datetime(2027, 1, 20, 15, tzinfo=UTC))
    place = shown.index("  16:30, 45 minutes")  # as the request has it
    assert shown[place + 1] == "  Tutoring"


def test_a_long_list_of_skipped_lines_is_told_in_part(plan):
    skipped = tuple(Skipped(source="a.ics", line=i, name="", reason="No.") for i in range(25))
    shown = lines(replace(plan, skipped=skipped))
    assert "- a.ics: No." in shown  # line 0 is the file as a whole
    assert "- a.ics, line 19: No." in shown
    assert "- a.ics, line 20: No." not in shown
    assert "- And 5 more, which the plan file lists." in shown


def test_a_plan_without_days_shows_no_table(plan):
    shown = lines(replace(plan, days=(), blocks=(), tasks=()))
    assert "January 2027" not in shown
    assert "- No block lies ahead." in shown


def test_several_blocks_of_a_day_stand_in_order_each_with_its_hour():
    made = made_from("chemistry-3")
    shown = lines(made, as_of=datetime(2027, 2, 1, 14, tzinfo=UTC))
    hours = [line for line in shown if re.fullmatch(r"  \d\d:\d\d, \d+ minutes", line)]
    own = [f"  {b.start:%H:%M}, {b.minutes} minutes" for b in made.blocks if b.day == date(2027, 2, 1)]
    assert hours == own == sorted(own)
    assert len(own) == 2


def test_the_cautions_are_always_there(plan):
    """What a practitioner would say first (common practice, no source)."""
    shown = text(plan)
    for word in ("Sleep comes before study", "an estimate", "counsellor or a doctor", "School rules"):
        assert word in shown


# ----------------------------------------------------------------------------------------------- colours, characters


def on_terminal(*args: object, **environment: str) -> str:
    """What a command writes to a terminal of its own."""
    ours, theirs = pty.openpty()
    command = [sys.executable, "-m", "calplan", *map(str, args)]
    surroundings = {k: v for k, v in os.environ.items() if k not in ("NO_COLOR", "COLUMNS", "LINES")}
    surroundings |= {"TERM": "xterm-256color", "COLUMNS": "100", "PYTHONIOENCODING": "utf-8"} | environment
    with subprocess.Popen(command, stdin=theirs, stdout=theirs, stderr=theirs, cwd=ROOT, env=surroundings) as child:
        os.close(theirs)
        data = b"".join(chunks(ours))
        assert child.wait(timeout=60) == 0
    os.close(ours)
    return data.decode().replace("\r\n", "\n")


def chunks(terminal: int) -> Iterator[bytes]:
    while select.select([terminal], [], [], 60)[0]:
        try:
            data = os.read(terminal, 65536)
        except OSError:  # Linux says EIO when the other end is closed
            return
        if not data:
            return
        yield data


def test_a_terminal_gets_colours_and_its_own_width(made):
    shown = on_terminal("show", made / "chemistry.json", *AS_OF, "--request", CHEMISTRY)
    assert "\x1b[31m\x1b[1mEXAM\x1b[0m" in shown
    assert "consolidate\x1b[0m" in shown  # a hundred columns have room for the whole word


@pytest.mark.parametrize("environment", [{"NO_COLOR": "1"}, {"TERM": "dumb"}])
def test_a_terminal_that_wants_no_colours_gets_none(made, environment):
    """NO_COLOR: any value but an empty one (no-color.org)."""
    args = ("show", made / "chemistry.json", *AS_OF, "--request", CHEMISTRY)
    assert "\x1b" not in on_terminal(*args, **environment)
    assert "\x1b[" in on_terminal(*args, NO_COLOR="")


def test_colours_alone_tell_nothing(made):
    """Without its colours the terminal's text is that of the pipe, at the same width."""
    args = ("show", made / "chemistry.json", *AS_OF, "--request", CHEMISTRY)
    assert re.sub("\x1b\\[[0-9]+m", "", on_terminal(*args, COLUMNS="80")) == process(*args).stdout.decode()


@pytest.mark.parametrize("encoding", ["ascii", "latin-1", "cp437"])
def test_a_poor_character_set_costs_signs_and_not_sense(made, encoding):
    done = process("show", made / "chemistry.json", *AS_OF, PYTHONIOENCODING=encoding)
    assert done.returncode == 0
    shown = done.stdout.decode(encoding)
    assert "When: Tuesday 5 January 2027, 16:00-16:30 (America/Chicago time)" in shown
    assert "?" not in shown


def test_what_a_character_set_lacks_is_written_with_what_it_has():
    """From memory: ASCII has neither dashes nor curly quotes, and no letters with accents."""
    stream = io.TextIOWrapper(io.BytesIO(), encoding="ascii")
    assert console.legible("16:00–16:30 “Château”…", stream) == '16:00-16:30 "Ch?teau"...'
    assert console.legible("16:00–16:30", io.StringIO()) == "16:00–16:30"


class Screen(io.StringIO):
    """A terminal to write to."""

    def isatty(self):
        return True


@pytest.mark.parametrize(("after", "said"), [(0.0, "Making the plan ..."), (600.0, "")])
def test_work_that_takes_long_is_announced_on_a_terminal_and_taken_away_again(monkeypatch, after, said):
    """The timer's thread is awaited, so that nothing here hangs on how fast this machine is."""
    screen = Screen()
    monkeypatch.setattr(sys, "stderr", screen)
    with console.working("Making the plan", after=after):
        if said:
            wait_for(lambda: bool(screen.getvalue()))
            assert screen.getvalue() == said
    blank = " " * len(said)
    assert screen.getvalue() == (f"{said}\r{blank}\r" if said else "")


def wait_for(happened):
    import time

    for _ in range(6000):
        if happened():
            return
        time.sleep(0.01)
    raise AssertionError("it never happened")


# ----------------------------------------------------------------------------------------------------------- check


def test_check_finds_every_fixture_fine():
    places = sorted(FIXTURES.glob("*.toml")) + sorted(FIXTURES.glob("*.json"))
    result = run("check", *places, *AS_OF)
    assert result.exit_code == 0
    assert [line.split(": ")[0] for line in result.stdout.splitlines()] == [str(place) for place in places]
    assert all(": fine, a request with " in line for line in result.stdout.splitlines())


def test_check_names_every_problem_of_every_file_and_ends_with_the_highest_code(tmp_path, plan):
    (tmp_path / "one.toml").write_text("schema = 1")
    (tmp_path / "two.json").write_text("{")
    (tmp_path / "plan.json").write_bytes(to_json(plan))
    files = [tmp_path / name for name in ("one.toml", "two.json", "gone.toml", "plan.json")]
    result = run("check", *files)
    assert result.exit_code == Exit.FILE
    assert result.stdout == (
        f"{files[3]}: readable, a plan of 30 blocks. Its rules were not checked: that takes --request REQUEST.\n"
    )
    named = [
        sum(line.startswith((f"{file}: ", f"{file}, line ")) for line in result.stderr.splitlines()) for file in files
    ]
    assert named == [3, 1, 1, 0]  # zone, exam and study hours are needed (README.md)
    assert run("check", *files[:2]).exit_code == Exit.WRONG


NO_REQUESTS = {
    "syntax": b"schema = 1\nzone = UTC\n",
    "empty": b"",
    "not UTF-8": b"zone = \xff",
    "a calendar": b"BEGIN:VCALENDAR\r\nEND:VCALENDAR\r\n",
    "a picture": b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR",
    "twice": b'{"schema": 1, "schema": 1}',
}


@pytest.mark.parametrize("what", NO_REQUESTS)
def test_check_names_a_file_once_in_each_of_its_problems(tmp_path, what):
    place = tmp_path / "bad.txt"
    place.write_bytes(NO_REQUESTS[what])
    named = run("check", place, *AS_OF).stderr.splitlines()
    piped = run("check", "-", *AS_OF, stdin=NO_REQUESTS[what]).stderr.splitlines()
    assert named
    assert all(re.match(rf"{re.escape(str(place))}(, line \d|: )", line) for line in named)
    assert all(line.count("bad.txt") == 1 for line in named)
    assert piped == [line.replace(str(place), "standard input") for line in named]


def test_check_says_what_of_a_calendar_is_not_taken_over(tmp_path):
    result = run("check", FIXTURES / "finals-week.toml", *AS_OF)
    assert result.exit_code == 0
    assert "calendars/finals-student.ics, line " in result.stderr
    assert result.stderr.startswith(f"{FIXTURES / 'finals-week.toml'}: ")


def test_check_holds_a_plan_against_its_request(made, plan, tmp_path):
    fine = run("check", made / "chemistry.json", "--request", CHEMISTRY)
    assert fine.exit_code == 0
    assert fine.stdout.endswith(": fine, a plan of 30 blocks that keeps every rule.\n")
    night = replace(plan.blocks[0], start=datetime(2027, 1, 5, 23, 30))
    bent = tmp_path / "bent.json"
    bent.write_bytes(to_json(replace(plan, blocks=(night, *plan.blocks[1:]))))
    result = run("check", bent, "--request", CHEMISTRY)
    assert result.exit_code == Exit.BROKEN
    request = read(Path(CHEMISTRY).read_bytes())
    faults = rules.check(request, plan_from_json(bent.read_bytes()))
    assert len(faults) >= 1
    assert result.stderr.splitlines()[1:-1] == [str(fault) for fault in faults]


# ------------------------------------------------------------------------------------------------------- trade-off


def test_the_trade_off_table_says_what_its_json_says():
    steps = json.loads(run("trade-off", CHEMISTRY, *AS_OF, "--json").stdout)["steps"]
    shown = run("trade-off", CHEMISTRY, *AS_OF).stdout
    rows = re.findall(r"^(\w{3} \d+ \w{3})(?: to (\w{3} \d+ \w{3}))? +([\d-]+) +(\w+) +(\w+)", shown, re.M)
    assert len(steps) == 29  # down to two days: one day is other work
    told = []
    for first, last, days, everything, essentials in rows:
        begin, end = (datetime.strptime(f"{one} 2027 +0000", "%a %d %b %Y %z").date() for one in (first, last or first))
        left = [int(number) for number in days.split("-")]
        for i in range((end - begin).days + 1):
            figures = [None if one == "none" else int(one) for one in (everything, essentials)]
            told.append({"start": str(begin + timedelta(days=i)), "days": left[0] - i,
                         "everything": figures[0], "essentials": figures[1]})  # fmt: skip
        assert left[-1] == left[0] - (end - begin).days
    assert told == steps


def test_the_first_step_of_the_trade_off_is_the_plan_itself(plan):
    first = json.loads(run("trade-off", CHEMISTRY, *AS_OF, "--json").stdout)["steps"][0]
    assert (first["everything"], first["essentials"]) == (plan.figures.everything, plan.figures.essentials)


def test_bars_grow_with_the_minutes_and_are_left_out_where_there_is_no_room():
    steps = [
        Step(start=date(2027, 1, 5), days=3, everything=40, essentials=20),
        Step(start=date(2027, 1, 6), days=2, everything=80, essentials=60),
        Step(start=date(2027, 1, 7), days=1, everything=None, essentials=None),
    ]
    text = ["".join(run.text for run in line) for line in chart.trade_off_lines(steps)]
    bars = [re.search(r"=*-*>?$", line)[0] for line in text[3:6]]
    scale = (len(bars[2]) - 1) / 80
    assert all(abs(bar.count("=") - minutes * scale) <= 0.5 for bar, minutes in zip(bars, (20, 60, 80), strict=True))
    assert all(abs(len(bar) - minutes * scale) <= 0.5 for bar, minutes in zip(bars[:2], (40, 80), strict=True))
    narrow = ["".join(run.text for run in line) for line in chart.trade_off_lines(steps, width=40)]
    assert not any("=" in line for line in narrow)
    assert max(map(len, text)) <= 80


def test_without_steps_there_is_a_table_without_rows():
    text = ["".join(run.text for run in line) for line in chart.trade_off_lines([])]
    assert [line for line in text if line[:1].isdigit()] == []


# ------------------------------------------------------------------------------------------- help, start, and README


@pytest.mark.parametrize("command", [(), *((name,) for name in commands.commands)])
def test_every_command_has_help_with_an_example_that_parses(command):
    result = run(*command, "--help")
    assert result.exit_code == 0
    examples = re.findall(r"^    calplan (.+)$", result.stdout, re.M)
    assert examples
    for example in examples:
        check_parses(example)
    assert max(map(len, result.stdout.split("\n"))) <= 90


def check_parses(example: str) -> None:
    """That a command line names a command, and options that it has."""
    name, *words = example.split()
    command = commands.commands[name]
    if isinstance(command, click.Group):
        command = command.commands[words[0]]
    known = {option for param in command.params for option in param.opts} | {"--help"}
    assert {word for word in words if word.startswith("--")} <= known, example


def test_the_exit_codes_stand_in_the_help_and_in_the_readme():
    shown = run("--help").stdout
    readme = dict(re.findall(r"^\| (\d+) \| (.+) \|$", README, re.M))
    assert readme == {str(int(code)): words for code, words in EXIT_WORDS.items()}
    for code, words in EXIT_WORDS.items():
        assert re.search(rf"^ +{int(code)} +{re.escape(words)}$", shown, re.M)


def test_the_version_is_that_of_the_package():
    from importlib.metadata import version

    assert run("--version").stdout.split()[-1] == version("calplan")


@pytest.mark.parametrize("args", ["[]", "['--help']", "['make', '--help']", "['--version']"])
def test_help_does_not_wait_for_libraries_that_it_does_not_need(args):
    heavy = ("holidays", "icalendar", "recurring_ical_events", "dateutil", "msgspec")
    script = (
        "import sys\nfrom calplan.cli import commands\n"
        f"commands({args}, standalone_mode=False) if {args} else None\n"
        f"sys.exit(', '.join(name for name in {heavy} if name in sys.modules) or 0)"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, timeout=60, cwd=ROOT)
    assert (done.returncode, done.stderr) == (0, b"")


README = (ROOT / "README.md").read_text("utf-8")
EXAMPLE = re.compile(r"^```console\n\$ calplan ([^\n]+)\n(.*?)^```$", re.M | re.S)


def outputs() -> dict[str, str]:
    """What a terminal without colours would show of the examples, run one after the other in one folder."""
    before = Path.cwd()
    with TemporaryDirectory() as folder:
        os.chdir(folder)
        try:
            Path("fixtures").symlink_to(FIXTURES)
            results = {match[1]: run(*shlex.split(match[1])) for match in EXAMPLE.finditer(README)}
        finally:
            os.chdir(before)
    assert {result.exit_code for result in results.values()} == {0}, results
    return {command: result.output for command, result in results.items()}


def test_the_readme_shows_what_its_commands_print() -> None:
    assert {match[1]: match[2] for match in EXAMPLE.finditer(README)} == outputs()


def test_what_the_readme_begins_is_not_where_it_plans() -> None:
    """A run wants a folder of its own: planned into the folder of its roster it would be refused."""
    begun = set(re.findall(r"calplan cohort begin (\S+?)`", README))
    into = set(re.findall(r"calplan cohort plan [^\n]* --out (\S+)", README)) - {"DIR`"}
    assert begun
    assert into
    assert not begun & into


def test_the_readme_has_the_two_commands_and_they_need_nothing_that_is_not_there():
    first, second = re.findall(r"^```sh\n(.+)\n```$", README, re.M)[:2]
    assert first.startswith("python3 -m venv .venv && ")
    served = first.split(".venv/bin/python -m web ")[1].split()
    given, left, _ = service.make_parser(click.Context(service)).parse_args(args=list(served))
    assert given == {"demonstrate": True}
    assert not left
    assert second.endswith(".venv/bin/pytest -n auto -q")
    assert [match[1].split()[0] for match in EXAMPLE.finditer(README)] == [
        "make",
        "trade-off",
        "check-in",
        "check-in",
        "mend",
        "progress",
        "cohort",
    ]
    for example in re.findall(r"`calplan ([a-z-]+ [^`]*)`", README):
        if not example.startswith("COMMAND"):
            check_parses(example)


def refresh_readme() -> None:
    """Writes the outputs in README.md anew."""
    fresh = outputs()
    written = EXAMPLE.sub(lambda match: f"```console\n$ calplan {match[1]}\n{fresh[match[1]]}```", README)
    (ROOT / "README.md").write_text(written, "utf-8")


if __name__ == "__main__":
    refresh_readme()
