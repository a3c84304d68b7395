"""A whole cohort: what comes of each row is what was predicted without calplan, whatever ran it."""

from __future__ import annotations

import gzip
import json
import os
import re
from collections import Counter
from concurrent.futures import Executor, Future, ProcessPoolExecutor, ThreadPoolExecutor
from datetime import UTC, datetime
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import icalendar
import pytest

from calplan import batches, cohort
from calplan.batches import Answer, Batch, plan_batch, run_rows
from calplan.bulk import Directory, manifest_of
from calplan.cohort import Made, Run
from calplan.folders import Folder
from calplan.outcomes import Status
from calplan.roster import Row, distinct, read_roster
from tests import rosters

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

MOMENT = datetime(2027, 1, 5, 14, tzinfo=UTC)


def made_by(folder: Path, executor: Callable[[], Executor], workers: int) -> Iterator[Made]:
    """What comes of the rows of a folder."""
    run = Run((folder / "courses.toml").read_bytes(), MOMENT, "seed")
    rows = distinct(read_roster(BytesIO((folder / "roster.csv").read_bytes())))
    return run_rows(rows, run, Folder(folder), executor, workers=workers)


def into(folder: Path, out: Path, executor: Callable[[], Executor], workers: int) -> Path:
    """A run into a directory."""
    courses = (folder / "courses.toml").read_bytes()
    directory = Directory(out, manifest_of(as_of=MOMENT, seed="seed", roster="r", courses=courses))
    for made in made_by(folder, executor, workers):
        directory.take(made)
    directory.finish()
    return out


def contents(folder: Path) -> dict[str, bytes]:
    """The bytes of every file of a directory, and its folders."""
    return {str(one.relative_to(folder)): one.read_bytes() if one.is_file() else b"" for one in folder.rglob("*")}


def test_five_hundred_rows_broken_in_every_way_come_out_as_predicted(tmp_path):
    expected = rosters.write(tmp_path / "in", 500, "cohort")
    out = into(tmp_path / "in", tmp_path / "out", lambda: ProcessPoolExecutor(2), 2)
    outcomes = rosters.outcomes_of(out)
    assert rosters.misjudged(expected, outcomes) == []
    assert rosters.unsound(out, outcomes) == []
    assert {one.kind for one in expected} >= {*rosters.CELLS, *rosters.ROWS, *rosters.TWINS}


def test_the_load_of_each_day_is_what_the_calendars_hold(tmp_path):
    """Minutes of all events but appointments and exams, as icalendar reads them."""
    rosters.write(tmp_path / "in", 40, "load")
    out = into(tmp_path / "in", tmp_path / "out", lambda: ThreadPoolExecutor(1), 1)
    summed: Counter[str] = Counter()
    for outcome in rosters.outcomes_of(out):
        held: Counter[str] = Counter()
        if not outcome["blocks"]:
            continue
        plan = json.loads(gzip.decompress((out / "plans" / f"{outcome['reference']}.json.gz").read_bytes()))["plan"]
        blocks = {block["uid"] for block in plan["blocks"] if not block.get("fixed")}
        for event in icalendar.Calendar.from_ical((out / outcome_calendar(outcome)).read_bytes()).walk("VEVENT"):
            if str(event["UID"]) in blocks:
                day = event.start.astimezone(ZoneInfo(plan["zone"])).date()
                held[day.isoformat()] += round((event.end - event.start).total_seconds() / 60)
        assert outcome["load"] == dict(held)
        assert outcome["work"] == held.total()
        summed += held
    page = (out / "summary.html").read_text("utf-8")
    hours = [int(one) for one in re.findall(r"<td class='number'>([0-9]+) h, [0-9]+</td>", page)]
    assert abs(sum(hours) - summed.total() / 60) <= 0.5 * len(hours)


def outcome_calendar(outcome: dict[str, Any]) -> str:
    """Where a row's calendar lies."""
    return f"calendars/{outcome['reference']}.ics"


@pytest.mark.parametrize("form", ["Excel's", "wide", "old"])
def test_the_same_holds_for_files_as_other_spreadsheets_write_them(tmp_path, form):
    expected = rosters.write(tmp_path / "in", 60, form, rosters.FORMS[form])
    outcomes = rosters.outcomes_of(into(tmp_path / "in", tmp_path / "out", lambda: ThreadPoolExecutor(1), 1))
    assert rosters.misjudged(expected, outcomes) == []


def test_the_bytes_are_the_same_whatever_ran_it(tmp_path):
    rosters.write(tmp_path / "in", 60, "bytes")
    wanted = contents(into(tmp_path / "in", tmp_path / "one", lambda: ProcessPoolExecutor(1), 1))
    assert contents(into(tmp_path / "in", tmp_path / "two", lambda: ProcessPoolExecutor(2), 2)) == wanted
    assert contents(into(tmp_path / "in", tmp_path / "threads", lambda: ThreadPoolExecutor(3), 3)) == wanted
    assert any(name.startswith("calendars/") for name in wanted)


# ------------------------------------------------------------------------------- rows that end or break their worker

FATAL, FAULTY = "S-FATAL", "S-FAULTY"


def plan_or_die(batch: Batch) -> Answer:
    """Plans a batch, but ends its process where one row is in it; runs in a worker."""
    if any(row.reference.startswith(FATAL) for row in batch.rows):
        os._exit(1)
    return plan_batch(batch)


class Planted(ProcessPoolExecutor):
    """Processes that a planted row ends."""

    def submit(self, fn: Callable[..., Answer], /, *args: Batch) -> Future[Answer]:  # type: ignore[override]
        assert fn is plan_batch
        return super().submit(plan_or_die, *args)


def small(folder: Path, references: list[str]) -> Path:
    """A folder with a row for each reference."""
    rosters.write(folder, 60, "small")
    lines = ["reference,course,calendar", *(f"{one},civics,none" for one in references)]
    (folder / "roster.csv").write_text("\n".join(lines), "utf-8")
    return folder


@pytest.mark.parametrize("at", [0, 7, 19])
@pytest.mark.parametrize("workers", [1, 2])
def test_a_row_that_ends_its_worker_costs_itself_alone(tmp_path, at, workers):
    references = [f"S-{n}" for n in range(20)]
    references[at] = FATAL
    found = list(made_by(small(tmp_path / "in", references), lambda: Planted(workers), workers))
    assert [made.outcome.reference for made in found] == references
    assert [made.outcome.status is Status.WRONG for made in found] == [one == FATAL for one in references]
    assert "ended the process that did it" in found[at].outcome.sentences[0]
    wanted = list(made_by(tmp_path / "in", lambda: ThreadPoolExecutor(1), 1))
    assert [made for made in found if made.ics] == [made for made in wanted if made.outcome.reference != FATAL]


def test_several_rows_that_end_their_workers_cost_themselves_alone(tmp_path):
    references = [f"S-{n}" if n % 4 else f"{FATAL}-{n}" for n in range(16)]
    found = list(made_by(small(tmp_path / "in", references), lambda: Planted(2), 2))
    assert [made.outcome.reference for made in found] == references
    assert [bool(made.ics) for made in found] == [not one.startswith(FATAL) for one in references]


def test_a_fault_of_our_own_costs_its_row_alone(tmp_path, monkeypatch):
    real = cohort.make_plan

    def faulty(request, files, *, seed, **rest):
        if seed.endswith(FAULTY.casefold()):
            raise ZeroDivisionError("planted")
        return real(request, files, seed=seed, **rest)

    monkeypatch.setattr(cohort, "make_plan", faulty)
    references = ["S-1", FAULTY, "S-3"]
    found = list(made_by(small(tmp_path / "in", references), lambda: ThreadPoolExecutor(1), 1))
    assert [bool(made.ics) for made in found] == [True, False, True]
    assert found[1].outcome.status is Status.WRONG
    assert "a fault of calplan (ZeroDivisionError)" in found[1].outcome.sentences[0]


# -------------------------------------------------------------------------------------------------- rows that hang

HANGING, HANGING_DEEP = "S-HANGING", "S-HANGING-OUTSIDE-PYTHON"


def hang(reference: str) -> None:
    """Never ends, for these references: in Python, or in one step of the interpreter that takes hours."""
    if reference == HANGING_DEEP.casefold():
        sum(range(10**14))
    while reference == HANGING.casefold():
        pass


@pytest.fixture
def hanging(monkeypatch: pytest.MonkeyPatch) -> None:
    """Planning hangs for these references, also in processes that are forked from this one."""
    real = cohort.make_plan

    def planted(request, files, *, seed, **rest):
        hang(seed.partition("/")[2])
        return real(request, files, seed=seed, **rest)

    monkeypatch.setattr(cohort, "make_plan", planted)


EXECUTORS = {"threads": lambda: ThreadPoolExecutor(2), "processes": lambda: ProcessPoolExecutor(2)}


@pytest.mark.parametrize(
    ("executor", "reference"), [("threads", HANGING), ("processes", HANGING), ("processes", HANGING_DEEP)]
)
@pytest.mark.usefixtures("hanging")
def test_a_row_that_hangs_is_given_up_and_costs_itself_alone(tmp_path, executor, reference):
    folder = small(tmp_path / "in", ["S-1", "S-2", reference, "S-4", "S-5", "S-6", "S-7"])
    run = Run((folder / "courses.toml").read_bytes(), MOMENT, "seed")
    rows = list(distinct(read_roster(BytesIO((folder / "roster.csv").read_bytes()))))
    found = list(run_rows(rows, run, Folder(folder), EXECUTORS[executor], workers=2, seconds=3.0))
    others = [row for row in rows if row.reference != reference]
    wanted = list(run_rows(others, run, Folder(folder), EXECUTORS["threads"], workers=1))
    assert [made for made in found if made.ics] == wanted
    assert [made.outcome.row for made in found] == list(range(2, 9))
    lost = found[2].outcome
    assert (lost.reference, lost.status) == (reference, Status.WRONG)
    assert "row 4: Planning this row took more than 3 seconds, and was given up." in lost.sentences[0]


# ------------------------------------------------------------------------------------------------------ streaming


def test_rows_are_taken_as_they_are_needed(tmp_path):
    folder = small(tmp_path / "in", ["S-1"])
    taken = 0

    def rows() -> Iterator[Row]:
        nonlocal taken
        for number in range(2, 5000):
            taken += 1
            yield Row(number=number, cells={"reference": f"S-{number}", "course": "nothing"})

    run = Run((folder / "courses.toml").read_bytes(), MOMENT, "seed")
    found = run_rows(rows(), run, Folder(folder), lambda: ThreadPoolExecutor(1), workers=1)
    assert next(found).outcome.reference == "S-2"
    assert taken <= batches.BATCHES_A_WORKER * batches.ROWS_AT_FIRST
    assert [made.outcome.row for made in found] == list(range(3, 5000))


def test_references_that_a_file_system_would_not_tell_apart_are_one():
    """Unicode 3.13 (caseless matching) and UAX 15 (canonical equivalence)."""
    written = ["Straße", "STRASSE", "\u00c9l\u00e8ve", "E\u0301le\u0300ve", "S-1", "s-1", "S-2"]
    found = list(distinct(Row(number=n, cells={"reference": one}) for n, one in enumerate(written, 2)))
    assert [bool(row.problems) for row in found] == [False, True, False, True, False, True, False]
    assert "row 2 has this reference already" in str(found[1].problems[0])
