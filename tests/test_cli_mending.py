"""The commands for a plan under way: say what became of blocks, mend, undo, and look how it goes."""

from __future__ import annotations

import fcntl
import json
import os
import re
import sys
from pathlib import Path

import icalendar
import pytest
from click.testing import CliRunner, Result
from msgspec.structs import replace

from calplan import checkins
from calplan.checkins import last_words, read_log
from calplan.cli import commands
from calplan.cli_news import News, with_news
from calplan.console import Exit
from calplan.model import Keep, Role, plan_from_json
from calplan.request import read

CHEMISTRY = Path(__file__).parents[1] / "fixtures" / "chemistry-30.toml"


def run(*args: object) -> Result:
    return CliRunner().invoke(commands, [str(arg) for arg in args])


def events_of(ics: Path) -> dict[str, icalendar.Event]:
    """The events of a calendar by UID, as another parser reads them."""
    found = icalendar.Calendar.from_ical(ics.read_bytes()).walk("VEVENT")
    return {str(event["UID"]): event for event in found if isinstance(event, icalendar.Event)}


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
    days = [str(event.decoded("DTSTART"))[:10] for event in events_of(ics).values()]
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


# ------------------------------------------------------------------------------------------------- what is written


NOW = ("--as-of", "2027-01-10T09:00")


def test_a_calendar_whose_plan_is_in_no_file_is_not_written(plan: Path, tmp_path: Path) -> None:
    ics = tmp_path / "lonely.ics"
    refused = run("mend", plan, "--before", CHEMISTRY, "--ics", ics, *NOW)
    assert refused.exit_code == Exit.USAGE
    assert "--write FILE" in refused.stderr
    assert not ics.exists()
    piped = run("mend", plan, "--before", CHEMISTRY, "--ics", "-", *NOW)
    assert piped.exit_code == Exit.FINE
    assert piped.stdout_bytes.startswith(b"BEGIN:VCALENDAR")


def test_the_plan_is_there_before_its_calendar_is(plan: Path, tmp_path: Path) -> None:
    out, written, ics = tmp_path / "new.json", tmp_path / "news.json", tmp_path / "no-folder" / "new.ics"
    words = ("--lost", "2027-01-12", "--write", out, "--write-request", written, "--ics", ics)
    assert run("mend", plan, "--before", CHEMISTRY, *words, *NOW).exit_code == Exit.FILE
    assert run("check", out, "--request", written).exit_code == Exit.FINE


BY_HAND = [
    (("--lost", "2027-01-12"), "", "", "\n[[day_off]]\nday = 2027-01-12\n"),
    (("--lost", "2027-01-12..2027-01-14"), "", "", "\n[[day_off]]\nfirst = 2027-01-12\nlast = 2027-01-14\n"),
    (
        ("--lost", "2027-01-12", "--lost", "2027-01-20"),
        "",
        "",
        "\n[[day_off]]\nday = 2027-01-12\n[[day_off]]\nday = 2027-01-20\n",
    ),
    (
        ("--lost", "2027-01-12", "--ill"),  # two days come back at half of sixty minutes: README, [mending]
        "",
        "",
        "\n[[day_off]]\nday = 2027-01-12\n[[short_days]]\nday = 2027-01-13\nminutes = 30\n"
        "[[short_days]]\nday = 2027-01-14\nminutes = 30\n",
    ),
    (("--only", "2027-01-12=20"), "", "", "\n[[short_days]]\nday = 2027-01-12\nminutes = 20\n"),
    (("--limit", "75"), "limit = 60", "limit = 75", ""),
    (("--essentials",), "schema = 1", 'schema = 1\nkeep = "essentials"', ""),
    (
        ("--late", "chem", "quiz-5", "2027-01-20"),
        'scope = "term"',
        'scope = "term"\nlate = [{ in_hand = 2027-01-20, material = ["quiz-5"] }]',
        "",
    ),
    (("--leave-out", "chem", "chem.quiz-5"), 'scope = "term"', 'scope = "term"\nleave_out = ["chem.quiz-5"]', ""),
    (("--move-exam", "chem", "2027-02-08T10:00"), "2027-02-04T09:00", "2027-02-08T10:00", ""),
]
"""News as options, and what a person would write into the request instead: a text, its new text, and an end."""


@pytest.mark.parametrize(("options", "text", "instead", "more"), BY_HAND, ids=lambda value: " ".join(value)[:30])
def test_news_as_options_are_what_a_person_would_write(
    plan: Path, tmp_path: Path, options: tuple[str, ...], text: str, instead: str, more: str
) -> None:
    """The request that is written means the same, and so the plan is the same to the byte."""
    hand, written, one, other = (tmp_path / name for name in ("hand.toml", "news.json", "one.json", "other.json"))
    hand.write_text(CHEMISTRY.read_text().replace(text, instead, 1) + more)
    by_hand = run("mend", plan, "--before", CHEMISTRY, "--request", hand, "--write", one, *NOW)
    words = (*options, "--write", other, "--write-request", written)
    by_option = run("mend", plan, "--before", CHEMISTRY, *words, *NOW)
    assert (by_hand.exit_code, by_option.exit_code) == (0, 0), by_option.output
    assert read(written.read_bytes()) == read(hand.read_bytes()) != read(CHEMISTRY.read_bytes())
    assert one.read_bytes() == other.read_bytes()
    assert by_hand.stdout == by_option.stdout


@pytest.mark.parametrize("fixture", sorted(CHEMISTRY.parent.glob("*.toml")), ids=lambda path: path.stem)
def test_a_request_keeps_its_meaning_where_the_news_are_not_about_it(plan: Path, fixture: Path) -> None:
    """Dates, clock times, texts of every key: TOML gives values for them, JSON has words."""
    old, before = plan_from_json(plan.read_bytes()), read(fixture.read_bytes())
    times = fixture.read_text().replace('"22:30"', "22:30:00").replace('"2027-02-04T09:00"', "2027-02-04T09:00:00")
    written, wrong = with_news(times.encode(), fixture.name, News(essentials=True), old, before)
    assert not wrong
    assert read(written) == replace(before, keep=Keep.ESSENTIALS)


def test_the_next_mending_goes_on_from_the_request_that_was_written(plan: Path, tmp_path: Path) -> None:
    files = [(plan, CHEMISTRY)] + [(tmp_path / f"{n}.json", tmp_path / f"request-{n}.json") for n in range(3)]
    for day, (old, before), (out, written) in zip((12, 14, 16), files[:-1], files[1:], strict=True):
        words = ("--lost", f"2027-01-{day}", "--write", out, "--write-request", written)
        done = run("mend", old, "--before", before, *words, *NOW)
        assert done.exit_code == Exit.FINE, done.output
        assert run("check", out, "--request", written).exit_code == Exit.FINE
    assert [off.first.day for off in read(written.read_bytes()).days_off] == [12, 14, 16]
    assert not {day.day.day for day in plan_from_json(out.read_bytes()).days if day.parts} & {12, 14, 16}


def test_news_are_shown_before_anything_is_written(plan: Path, tmp_path: Path) -> None:
    before = sorted(tmp_path.iterdir())
    shown = run("mend", plan, "--before", CHEMISTRY, "--lost", "2027-01-12", *NOW)
    assert shown.exit_code == Exit.FINE
    assert "Tue 12 Jan" in shown.stdout
    assert "Nothing was written" in shown.stderr
    assert sorted(tmp_path.iterdir()) == before


def test_all_news_that_cannot_be_are_named_at_once(plan: Path, tmp_path: Path) -> None:
    wrong = {
        "--lost": ["2027-13-01", "2027-01-14..2027-01-13", "soon", ".."],
        "--only": ["2027-01-12", "2027-01-12=9999", "2027-01-12=²", "2027-01-32=10"],
        "--limit": ["x"],
    }
    pairs = [("--leave-out", "bio", "x"), ("--leave-out", "chem", "nope"), ("--move-exam", "chem", "soon")]
    words = [word for option, values in wrong.items() for value in values for word in (option, value)]
    out = tmp_path / "new.json"
    written = ("--write", out, "--write-request", tmp_path / "news.json", "--ill")
    refused = run("mend", plan, "--before", CHEMISTRY, *words, *(word for pair in pairs for word in pair), *written)
    assert refused.exit_code == Exit.WRONG
    lines = refused.stderr.splitlines()
    assert len(lines) == sum(map(len, wrong.values())) + len(pairs)
    for option, values in wrong.items():
        assert [line for value in values for line in lines if line.startswith(f"{option} {value!r}: ")]
    assert "leave_out: no material of this exam has the key “nope”" in lines[-1]
    assert not out.exists()


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        (("--lost", "2027-01-12", "--write", "OUT"), "--write-request FILE"),
        (("--lost", "2027-01-12", "--ics", "-"), "--write-request FILE"),
        (("--write", "OUT", "--write-request", "NEWS"), "goes with news"),
        (("--lost", "2027-01-12", "--write", "OUT", "--write-request", "NEWS.toml"), ".json"),
        (("--ill", "--write", "OUT", "--write-request", "NEWS"), "--lost"),
        (("--lost", "2027-01-12", "--write", "OUT", "--write-request", "OUT"), "different files"),
        (("--lost", "2027-01-12", "--write", "-", "--write-request", "-"), "standard output"),
    ],
)
def test_what_would_lead_nowhere_is_a_wrong_command_line(
    plan: Path, tmp_path: Path, words: tuple[str, ...], sentence: str
) -> None:
    before = sorted(tmp_path.iterdir())
    places = [str(tmp_path / word) if word[:1].isupper() else word for word in words]
    refused = run("mend", plan, "--before", CHEMISTRY, *places)
    assert refused.exit_code == Exit.USAGE, refused.output
    assert sentence in refused.stderr
    assert sorted(tmp_path.iterdir()) == before


def test_a_request_from_a_pipe_is_read_once(plan: Path) -> None:
    words = ["mend", str(plan), "--before", "-", "--lost", "2027-01-12", *NOW]
    piped = CliRunner().invoke(commands, words, input=CHEMISTRY.read_bytes())
    assert (piped.exit_code, piped.stdout) == (0, run(*words[:3], CHEMISTRY, *words[4:]).stdout)


def test_a_request_that_is_written_away_from_its_calendars_says_so(tmp_path: Path) -> None:
    busy = CHEMISTRY.parent / "full-week.toml"
    plan, apart = tmp_path / "plan.json", tmp_path / "news.json"
    assert run("make", busy, "--plan", plan, "--as-of", "2027-01-05T08:00").exit_code == Exit.FINE
    words = ("--lost", "2027-01-12", "--write", tmp_path / "new.json", "--write-request", apart)
    done = run("mend", plan, "--before", busy, *words, *NOW)
    assert done.exit_code == Exit.FINE, done.output
    assert "--calendars DIR" in done.stderr
    again = ("mend", tmp_path / "new.json", "--before", apart, *NOW)
    assert run(*again).exit_code == Exit.WRONG
    assert run(*again, "--calendars", busy.parent).exit_code == Exit.FINE


# ------------------------------------------------------------------------------------------------------------ undo


@pytest.fixture
def mended(plan: Path, tmp_path: Path) -> Path:
    """A folder with new.json, news.json and new.ics: the 12th is lost."""
    names = {"--write": "new.json", "--write-request": "news.json", "--ics": "new.ics"}
    words = [word for option, name in names.items() for word in (option, str(tmp_path / name))]
    assert run("mend", plan, "--before", CHEMISTRY, "--lost", "2027-01-12", *words, *NOW).exit_code == Exit.FINE
    return tmp_path


def times_of(event: icalendar.Event) -> tuple[object, object]:
    return event.decoded("DTSTART"), event.decoded("DTEND", None)


def sequence_of(event: icalendar.Event) -> int:
    return int(str(event["SEQUENCE"]))


def test_what_was_mended_can_be_taken_back(plan: Path, mended: Path) -> None:
    """Every block is where it was, and no event's SEQUENCE goes back (RFC 5545 §3.8.7.4)."""
    out, ics = mended / "back.json", mended / "back.ics"
    words = ("--write", out, "--ics", ics, "--request", CHEMISTRY, "--as-of", "2027-01-10T10:00")
    done = run("undo", mended / "new.json", "--before", plan, *words)
    assert done.exit_code == Exit.FINE, done.output
    old, back = (plan_from_json(path.read_bytes()) for path in (plan, out))
    assert [(b.uid, b.start, b.minutes, b.parts) for b in back.blocks] == [
        (b.uid, b.start, b.minutes, b.parts) for b in old.blocks
    ]
    assert run("check", out, "--request", CHEMISTRY).exit_code == Exit.FINE
    seen, put_back = events_of(mended / "new.ics"), events_of(ics)
    both = [(seen[uid], put_back[uid]) for uid in seen.keys() & put_back.keys()]
    changed = [pair for pair in both if times_of(pair[0]) != times_of(pair[1])]
    assert changed
    assert all(sequence_of(new) > sequence_of(old) for old, new in changed)
    assert all(sequence_of(new) >= sequence_of(old) for old, new in both)
    assert "Tue 12 Jan" in done.stdout
    assert not re.search(r" [5-9] Jan", done.stdout)  # what is over is no change


def test_nothing_is_taken_back_once_a_block_has_begun(plan: Path, mended: Path) -> None:
    out = mended / "back.json"
    late = run("undo", mended / "new.json", "--before", plan, "--write", out, "--as-of", "2027-01-11T20:00")
    assert late.exit_code == Exit.WRONG
    assert late.stderr == "A block has begun since then, and what is over stays as it was. Change the plan instead.\n"
    assert not out.exists()


def test_undo_refuses_a_plan_that_it_was_not_mended_from_and_a_calendar_without_a_request(mended: Path) -> None:
    other, out = mended / "other.json", mended / "back.json"
    assert run("make", CHEMISTRY, "--plan", other, "--seed", "another", *NOW).exit_code == Exit.FINE
    refused = run("undo", mended / "new.json", "--before", other, "--write", out, *NOW)
    assert refused.exit_code == Exit.WRONG
    assert "was not mended from this plan" in refused.stderr
    lonely = run("undo", mended / "new.json", "--before", other, "--write", out, "--ics", mended / "back.ics")
    assert lonely.exit_code == Exit.USAGE
    assert "--request REQUEST" in lonely.stderr
    assert not out.exists()


# -------------------------------------------------------------------------------------------------------- check-in


def test_everything_that_is_wrong_with_a_check_in_is_named_at_once(plan: Path, tmp_path: Path) -> None:
    log = tmp_path / "said.jsonl"
    log.write_text("nonsense\n")
    numbers = ("--minutes", "1441", "--reached", "-1", "--sheet-pages", "21")
    flags = [word for text in ("", "x 7 1", "chem.quiz-1 7 4", "chem.quiz-1 7 1 100") for word in ("--flag", text)]
    refused = run("check-in", plan, "2027-03-01", "done", "--log", log, *numbers, *flags)
    assert refused.exit_code == Exit.WRONG
    lines = refused.stderr.splitlines()
    assert len(lines) == 1 + 3 + 4 + 1
    for start in ("2027-03-01: ", "--minutes 1441", "--reached -1", "--sheet-pages 21", "--flag 'x 7 1'", "said.jsonl"):
        assert any(line.startswith(start) for line in lines), start
    assert log.read_text() == "nonsense\n"


def test_the_log_is_locked_from_reading_to_the_disk(
    plan: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Another open file cannot lock it then (flock(2)), and can before and after."""
    log = tmp_path / "said.jsonl"
    held: list[bool] = []

    def note() -> None:
        with open(log, "rb") as other:
            try:
                fcntl.flock(other, fcntl.LOCK_EX | fcntl.LOCK_NB)
                held.append(False)
            except BlockingIOError:
                held.append(True)

    read_whole, to_disk = checkins.read_log, os.fsync

    def reading(data: bytes, name: str) -> checkins.Log:
        note()
        return read_whole(data, name)

    def syncing(handle: int) -> None:
        to_disk(handle)
        note()

    monkeypatch.setattr(checkins, "read_log", reading)
    monkeypatch.setattr(os, "fsync", syncing)
    assert run("check-in", plan, "2027-01-06", "done", "--log", log).exit_code == Exit.FINE
    note()
    assert held == [True, True, False]


def test_without_locks_a_word_is_noted_as_well(plan: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "fcntl", None)
    log = tmp_path / "said.jsonl"
    assert run("check-in", plan, "2027-01-06", "done", "--log", log).exit_code == Exit.FINE
    assert len(log.read_bytes().splitlines()) == 1


@pytest.mark.parametrize("log", ["-", "PLAN"])
def test_a_log_is_a_file_of_its_own(plan: Path, log: str) -> None:
    before = plan.read_bytes()
    refused = run("check-in", plan, "2027-01-06", "done", "--log", plan if log == "PLAN" else log)
    assert refused.exit_code == Exit.USAGE
    assert plan.read_bytes() == before


# -------------------------------------------------------------------------------------------------------- progress


def test_progress_names_what_is_untouched(plan: Path, tmp_path: Path) -> None:
    """The first day takes Homework 1 to 4 (as README.md shows); everything else waits."""
    log, now = tmp_path / "said.jsonl", ("--as-of", "2027-01-05T18:00")
    assert run("check-in", plan, "2027-01-05", "done", "--log", log, *now).exit_code == Exit.FINE
    told = run("progress", plan, "--request", CHEMISTRY, "--log", log, *now).stdout
    assert max(map(len, told.splitlines())) <= 80
    (named,) = re.findall(r"^Untouched so far \(Chemistry\): (.*?)\.$", told, re.M | re.S)
    counted = (("Homework", range(5, 15)), ("Quiz", range(1, 6)), ("Test", range(1, 5)))
    pieces = {f"{kind} {number}" for kind, numbers in counted for number in numbers}
    assert set(re.sub(r"\n +", " ", named).split(", ")) == pieces | {"Notes", "Practice"}


def test_a_block_that_mending_left_behind_can_still_be_flagged(plan: Path, tmp_path: Path) -> None:
    log, out, later = tmp_path / "said.jsonl", tmp_path / "new.json", tmp_path / "later.json"
    run("check-in", plan, "2027-01-06", "missed", "--log", log, "--as-of", "2027-01-07T08:00")
    mend = ("mend", "--before", CHEMISTRY, "--log", log)
    assert run(*mend, plan, "--as-of", "2027-01-07T09:00", "--write", out).exit_code == Exit.FINE
    flags = [word for number in range(1, 21) for word in ("--flag", f"chem.homework-1 {number} 1")]
    said = run("check-in", out, "2027-01-05", "done", "--log", log, *flags, "--as-of", "2027-01-07T10:00")
    assert said.exit_code == Exit.FINE, said.output
    assert run(*mend, out, "--as-of", "2027-01-07T11:00", "--write", later).exit_code == Exit.FINE
    seconds = [task for task in plan_from_json(later.read_bytes()).tasks if task.role is Role.CONSOLIDATE]
    assert "Homework 1: 1 (must), 2 (must)" in " ".join(note for task in seconds for note in task.notes)
