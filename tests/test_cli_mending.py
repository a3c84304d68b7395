"""The commands for a plan under way: say what became of blocks, mend, and look how it goes."""

from __future__ import annotations

import json
from pathlib import Path

import icalendar
import pytest
from click.testing import CliRunner, Result

from calplan.checkins import last_words, read_log
from calplan.cli import commands
from calplan.console import Exit
from calplan.model import plan_from_json

CHEMISTRY = Path(__file__).parents[1] / "fixtures" / "chemistry-30.toml"


def run(*args: object) -> Result:
    return CliRunner().invoke(commands, [str(arg) for arg in args])


@pytest.fixture
def plan(tmp_path: Path) -> Path:
    made = tmp_path / "plan.json"
    assert run("make", CHEMISTRY, "--plan", made, "--as-of", "2027-01-05T08:00").exit_code == Exit.FINE
    return made


def test_a_missed_day_is_said_shown_and_mended(plan: Path, tmp_path: Path) -> None:
    log, ics, out = tmp_path / "said.jsonl", tmp_path / "new.ics", tmp_path / "new.json"
    said = run("check-in", plan, "2027-01-07", "missed", "--log", log, "--as-of", "2027-01-08T09:00")
    assert said.exit_code == Exit.FINE, said.output
    now = ("--as-of", "2027-01-08T09:00")
    shown = run("mend", plan, "--before", CHEMISTRY, "--log", log, *now)
    assert shown.exit_code == Exit.FINE, shown.output
    assert "no work falls out" in shown.stdout
    assert "Nothing was written" in shown.stderr
    done = run("mend", plan, "--before", CHEMISTRY, "--log", log, *now, "--ics", ics, "--write", out)
    assert done.exit_code == Exit.FINE, done.output
    new = plan_from_json(out.read_bytes())
    assert [block.day.isoformat() for block in new.past if block.missed] == ["2027-01-07"]
    days = [str(event.start)[:10] for event in icalendar.Calendar.from_ical(ics.read_bytes()).walk("VEVENT")]
    assert "2027-01-07" in days  # the missed block stays in the calendar
    assert run("check", out, "--request", CHEMISTRY).exit_code == Exit.FINE
    again = run("mend", out, "--before", CHEMISTRY, "--log", log, *now)
    assert "Nothing changes." in again.stdout


def test_lost_days_are_news_in_a_copy_of_the_request(plan: Path, tmp_path: Path) -> None:
    news = tmp_path / "news.toml"
    lost = "\n[[day_off]]\nfirst = 2027-01-12\nlast = 2027-01-13\n"
    news.write_text(CHEMISTRY.read_text() + lost)
    out = tmp_path / "new.json"
    done = run("mend", plan, "--before", CHEMISTRY, "--request", news, "--as-of", "2027-01-10T09:00", "--write", out)
    assert done.exit_code == Exit.FINE, done.output
    held = {day.day.isoformat() for day in plan_from_json(out.read_bytes()).days if day.parts}
    assert not held & {"2027-01-12", "2027-01-13"}


def test_the_same_words_at_the_same_moment_are_one_entry_and_can_be_taken_back(plan: Path, tmp_path: Path) -> None:
    log = tmp_path / "said.jsonl"
    words = ("check-in", plan, "2027-01-06", "done", "--log", log, "--minutes", 40, "--as-of", "2027-01-06T20:00")
    flag = ("--flag", "chem.quiz-1 7 1 2")
    for _ in range(2):
        assert run(*words, *flag).exit_code == Exit.FINE
    assert len(log.read_bytes().splitlines()) == 1
    (word,) = last_words(read_log(log.read_bytes())).values()
    assert (word.minutes, word.found[0].flags[0].tries) == (40, 2)
    told = run("progress", plan, "--request", CHEMISTRY, "--log", log, "--as-of", "2027-01-06T21:00")
    assert told.exit_code == Exit.FINE, told.output
    assert "Open flag 1: Quiz 1, 7." in told.stdout
    back = run("check-in", plan, "2027-01-06", "take-back", "--log", log, "--as-of", "2027-01-06T20:05")
    assert back.exit_code == Exit.FINE
    assert last_words(read_log(log.read_bytes())) == {}


@pytest.mark.parametrize(
    ("args", "sentence"),
    [
        (("2027-03-01", "done"), "no block of that date"),
        (("2027-01-06", "done", "--flag", "nothing"), "Write a material's key"),
        (("2027-01-06", "take-back"), "nothing can be taken back"),
    ],
)
def test_what_cannot_be_is_said_in_a_sentence_and_nothing_is_noted(
    plan: Path, tmp_path: Path, args: tuple[str, ...], sentence: str
) -> None:
    log = tmp_path / "said.jsonl"
    answer = run("check-in", plan, *args, "--log", log)
    assert answer.exit_code == Exit.WRONG
    assert sentence in answer.stderr
    assert not log.exists()


def test_a_log_with_bad_lines_is_refused_with_each_of_them(plan: Path, tmp_path: Path) -> None:
    log = tmp_path / "said.jsonl"
    log.write_text('nonsense\n{"what": "undone"}\n')
    answer = run("mend", plan, "--before", CHEMISTRY, "--log", log)
    assert answer.exit_code == Exit.WRONG
    assert "line 1" in answer.stderr
    assert "line 2" in answer.stderr
    assert json.loads(plan.read_text())  # the plan is as it was


def test_a_log_whose_last_line_has_no_end_can_still_be_added_to(plan: Path, tmp_path: Path) -> None:
    log = tmp_path / "said.jsonl"
    assert run("check-in", plan, "2027-01-06", "done", "--log", log, "--as-of", "2027-01-06T20:00").exit_code == 0
    log.write_bytes(log.read_bytes().rstrip(b"\n"))
    assert run("check-in", plan, "2027-01-07", "missed", "--log", log, "--as-of", "2027-01-08T09:00").exit_code == 0
    assert [json.loads(line)["outcome"] for line in log.read_text().splitlines()] == ["done", "missed"]
