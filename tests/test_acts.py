"""One act for many: what it edits, what it would change over all, and which date would ease most.

What changes is counted once more from the calendars, as icalendar reads them; what dates mean by planning row by row
without the cohort's code.
"""

from __future__ import annotations

import io
import json
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, date, datetime
from pathlib import Path

import icalendar
import pytest
from click.testing import CliRunner, Result

from calplan import acts
from calplan.batches import run_rows
from calplan.bulk import Earlier
from calplan.cli import commands
from calplan.cohort import Run
from calplan.courses import read_courses, request_of
from calplan.errors import InvalidRequest
from calplan.folders import Folder
from calplan.model import Role
from calplan.planner import make_plan
from calplan.request import from_mapping
from calplan.roster import distinct, read_roster

COHORT = Path(__file__).parents[1] / "fixtures" / "cohort"
DOCUMENT = (COHORT / "courses.toml").read_bytes()
WRITTEN = acts.read_written(DOCUMENT)
NOW = datetime(2027, 1, 5, 12, tzinfo=UTC)
LATER = datetime(2027, 1, 8, 12, tzinfo=UTC)


PLAN = ("cohort", "plan", COHORT / "roster.csv", "--workers", 1)
"""The beginning of a command; the courses and the rest come after it."""


def run(*arguments: object) -> Result:
    return CliRunner().invoke(commands, [str(one) for one in arguments])


# -------------------------------------------------------------------------------------------------------- the edits


def test_a_document_that_is_only_written_anew_means_the_same() -> None:
    old, new = read_courses(DOCUMENT), read_courses(acts.to_document(WRITTEN))
    assert (old.base, old.courses) == (new.base, new.courses)


def test_a_closed_day_is_a_day_off_for_all() -> None:
    made = read_courses(acts.to_document(acts.closed(WRITTEN, date(2027, 1, 13), date(2027, 1, 14), "Snow")))
    for course in made.courses.values():
        for section in course.sections.values():
            request = from_mapping(request_of(made, {course.key: section}))
            assert [(one.first, one.last, one.title) for one in request.days_off] == [
                (date(2027, 1, 13), date(2027, 1, 14), "Snow")
            ]


def test_a_moved_exam_moves_in_its_section_alone() -> None:
    made = read_courses(acts.to_document(acts.moved(WRITTEN, "chemistry", "A", datetime(2027, 2, 9, 8, 30)))).courses
    old = read_courses(DOCUMENT).courses
    assert made["chemistry"].sections["A"].exam == old["chemistry"].sections["A"].exam | {"start": "2027-02-09T08:30"}
    assert made["chemistry"].sections["B"] == old["chemistry"].sections["B"]
    assert made["civics"] == old["civics"]


@pytest.mark.parametrize("material", ["quiz-3", "chemistry.quiz-3", "gas-laws"])
def test_late_material_is_late_and_nothing_else_is_otherwise(material: str) -> None:
    made = read_courses(acts.to_document(acts.late(WRITTEN, "chemistry", material, date(2027, 1, 20))))
    old = read_courses(DOCUMENT)
    for key in ("A", "B"):
        before, after = (
            from_mapping(request_of(one, {"chemistry": one.courses["chemistry"].sections[key]})).exams[0].materials
            for one in (old, made)
        )
        differ = [(one, other) for one, other in zip(before, after, strict=True) if one != other]
        assert len(differ) == 1
        ((one, other),) = differ
        assert one.key.removeprefix("chemistry.") == material.removeprefix("chemistry.")
        assert other.in_hand == date(2027, 1, 20)
        assert one.in_hand is None


def in_hand_of(document: dict[str, object], key: str) -> dict[str, date | None]:
    """From which day each material of a section of chemistry is in hand."""
    courses = read_courses(acts.to_document(document))
    request = from_mapping(request_of(courses, {"chemistry": courses.courses["chemistry"].sections[key]}))
    return {one.key.removeprefix("chemistry."): one.in_hand for one in request.exams[0].materials}


def test_late_in_one_section_is_not_late_in_the_other() -> None:
    late = acts.late(WRITTEN, "chemistry", "quiz-3", date(2027, 1, 20), "B")
    assert in_hand_of(late, "B")["quiz-3"] == date(2027, 1, 20)
    assert set(in_hand_of(late, "A").values()) == {None}


def test_the_last_word_on_late_material_counts_whoever_it_is_for() -> None:
    """First for all, then otherwise for one section, then for all again: a section's own list does not hide it."""
    first = acts.late(WRITTEN, "chemistry", "quiz-3", date(2027, 1, 20))
    second = acts.late(
        acts.late(first, "chemistry", "gas-laws", date(2027, 1, 21)), "chemistry", "quiz-3", EARLIER, "B"
    )
    assert (in_hand_of(second, "A")["quiz-3"], in_hand_of(second, "B")["quiz-3"]) == (date(2027, 1, 20), EARLIER)
    assert in_hand_of(second, "B")["gas-laws"] == date(2027, 1, 21)
    third = acts.late(second, "chemistry", "chemistry.quiz-3", date(2027, 1, 25))
    assert {in_hand_of(third, key)["quiz-3"] for key in ("A", "B")} == {date(2027, 1, 25)}


EARLIER = date(2027, 1, 18)


@pytest.mark.parametrize(
    ("act", "said"),
    [
        (lambda: acts.late(WRITTEN, "chemistry", "quiz-3", EARLIER, "Z"), "no section “Z”. The sections are A, B"),
        (lambda: acts.moved(WRITTEN, "physics", "A", LATER), "no course “physics”. The courses are chemistry, civics"),
        (lambda: acts.moved(WRITTEN, "civics", "A", LATER), "no section “A”. The sections are 1"),
        (
            lambda: acts.late(WRITTEN, "civics", "quiz-9", date(2027, 1, 20)),
            "no material “quiz-9”. Its materials are homework-1",
        ),
        (lambda: acts.closed(WRITTEN, date(2027, 1, 14), date(2027, 1, 13)), "lies before first"),
    ],
)
def test_what_makes_no_sense_is_refused_with_what_there_is(act: object, said: str) -> None:
    with pytest.raises(InvalidRequest) as refused:
        act()  # type: ignore[operator]
    assert said in str(refused.value).replace(": there is", "").replace("there is ", "")


# ------------------------------------------------------------------------------------------------ what would change


def events(folder: Path) -> dict[str, dict[str, tuple[object, ...]]]:
    """The timed events of each student's calendar that are still ahead, by UID."""
    found = {}
    for path in sorted((folder / "calendars").glob("*.ics")):
        walked = icalendar.Calendar.from_ical(path.read_bytes()).walk("VEVENT")
        found[path.stem] = {
            str(event["UID"]): (event.start, event.end, str(event["SUMMARY"]), str(event.get("DESCRIPTION", "")))
            for event in walked
            if isinstance(event.start, datetime) and event.start > LATER
        }
    return found


def test_the_effects_are_those_that_the_calendars_show_afterwards(tmp_path: Path) -> None:
    out = tmp_path / "out"
    assert run(*PLAN, COHORT / "courses.toml", "--out", out, "--as-of", "2027-01-05T08:00").exit_code == 0
    before = events(out)
    whole = {path: path.read_bytes() for path in out.rglob("*") if path.is_file()}
    changed = tmp_path / "changed.json"
    assert (
        run(
            "cohort",
            "act",
            COHORT / "courses.toml",
            "--closed",
            "2027-01-13",
            "--late",
            "chemistry/A",
            "gas-laws",
            "2027-01-27",
            "--write",
            changed,
        ).exit_code
        == 0
    )
    command = (*PLAN, changed, "--calendars", COHORT, "--out", out, "--as-of", "2027-01-08T06:00", "--again")
    tried = run(*command, "--try")
    assert tried.exit_code == 0
    assert {path: path.read_bytes() for path in out.rglob("*") if path.is_file()} == whole, "trying wrote something"
    assert run(*command).exit_code == 0
    after = events(out)
    concerned = [name for name in before if before[name] != after[name]]
    moved = sum(
        when(before, name, uid) != when(after, name, uid) for name in before for uid in before[name] | after[name]
    )
    assert tried.stdout.startswith(f"{len(concerned)} students have other plans, with "), tried.stdout
    told = int(tried.stdout.split(" other plans, with ")[1].split()[0])
    assert told >= moved > 0  # blocks that only get other work are among those that are told


def when(found: dict[str, dict[str, tuple[object, ...]]], name: str, uid: str) -> object:
    """When an event is, if it is."""
    return found[name].get(uid, (None, None))[:2]


def test_an_act_that_concerns_nobody_changes_nobody_s_files(tmp_path: Path) -> None:
    out = tmp_path / "out"
    assert run(*PLAN, COHORT / "courses.toml", "--out", out, "--as-of", "2027-01-05T08:00").exit_code == 0
    plans = {path.name: path.read_bytes() for path in (out / "plans").iterdir()}
    changed = tmp_path / "changed.json"
    changed.write_bytes(acts.to_document(WRITTEN))  # the same courses, written in another way
    answer = run(*PLAN, changed, "--calendars", COHORT, "--out", out, "--as-of", "2027-01-08T06:00", "--again")
    assert answer.exit_code == 0
    assert {path.name: path.read_bytes() for path in (out / "plans").iterdir()} == plans
    assert Earlier(out).outcome("S-1001").same  # type: ignore[union-attr]


# ------------------------------------------------------------------------------------------------- which date eases


def test_what_a_date_means_is_what_planning_row_by_row_says() -> None:
    starts = [datetime(2027, 1, 20, 9), datetime(2027, 2, 12, 9)]
    roster = b"reference,course,section,study_hours\n" + b"".join(
        b"S-%d,chemistry,A,%s\n" % (n, hours)
        for n, hours in enumerate((b"", b"fri 16:00-17:00", b"weekdays 16:00-17:00", b"weekend 10:00-12:00"))
    )
    hours = ("", "fri 16:00-17:00", "weekdays 16:00-17:00", "weekend 10:00-12:00")
    files = Folder(COHORT)
    timetable = {"timetable.ics": (COHORT / "timetable.ics").read_bytes()}
    found = []
    for start, document in acts.for_date(DOCUMENT, "chemistry", "A", starts):
        rows = distinct(read_roster(io.BytesIO(roster)))
        made = run_rows(rows, Run(document, NOW, "dates"), files, lambda: ThreadPoolExecutor(1), workers=1)
        found.append(acts.eased(start, (one.outcome for one in made)))
        courses = read_courses(document)
        unfit = above = 0
        for one in hours:
            mapping = request_of(courses, {"chemistry": courses.courses["chemistry"].sections["A"]})
            if one:
                days, span = one.split()
                mapping["study_hours"] = [{"days": days, "start": span[:5], "end": span[6:]}]
            plan = make_plan(from_mapping(json.loads(json.dumps(mapping))), timetable, as_of=NOW)
            papers = {task.id for task in plan.tasks if task.role is Role.PAPER}
            most = max(sum(5 * p.units for p in day.parts if p.task not in papers) for day in plan.days)
            unfit += plan.shortfall is not None and set(map(str, plan.shortfall.lost)) != {"5"}
            above += most > 30
        assert (found[-1].students, found[-1].unfit) == (4, unfit)
        assert abs(found[-1].above - above) <= unfit  # a plan that does not fit is told by its blocks
    assert acts.best(found) == min(found, key=lambda one: (one.unfit, one.above, round(one.mean)))
    assert len({one.unfit for one in found}) > 1, "the dates do not differ"


def test_where_all_dates_come_to_the_same_none_eases_most():
    """What cannot be told apart on the page, in whole minutes, is no reason to move an exam."""
    at = [datetime(2027, 2, 4, 9), datetime(2027, 2, 5, 9), datetime(2027, 2, 8, 9)]
    same = [acts.Ease(start, 4, 1, 2, mean) for start, mean in zip(at, (60.0, 60.4, 59.6), strict=True)]
    assert acts.best(same) is None
    assert acts.best([*same, same[0]._replace(unfit=0)]) == same[0]._replace(unfit=0)
    assert acts.best([*same, same[0]._replace(unfit=2)]) == same[0]
