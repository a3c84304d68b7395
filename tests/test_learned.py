"""What check-ins tell: the published rule of when a flag is closed, and the formula of the pace, worked out by hand."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from fractions import Fraction
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace

from calplan.checkins import CheckIn, Entry, Flag, Found, Outcome, Undone
from calplan.learned import Known, known
from calplan.model import (
    Ask,
    Exam,
    Item,
    Kind,
    Learned,
    Material,
    Part,
    PastBlock,
    Plan,
    Rank,
    Request,
    Role,
    Task,
    Worked,
)
from tests.plans import ZONE, E, X, block, exam, plan_of, practice, quiz, task

MARCH = datetime(2026, 3, 4, 22, 0, tzinfo=UTC)  # 17:00 in New York, on 4 March
HERE = ZoneInfo(ZONE)
MATERIALS = (
    Material(key="quiz1", kind=Kind.QUIZ, title="Quiz 1", size=8, missed=2),
    Material(key="quiz3", kind=Kind.QUIZ, title="Quiz 3", size=8),
    Material(key="hw1", kind=Kind.HOMEWORK, title="Homework 1"),
    Material(key="sheet", kind=Kind.PRACTICE, title="Problem sheet", size=24),
    Material(key="loose", kind=Kind.PRACTICE, title="Loose leaves"),
)
SHEET = "sheet"
HISTORY = exam("hist", "History", materials=(Material(key="essay", kind=Kind.HOMEWORK, title="Essay"),))


def plan(*tasks: Task, exams: tuple[Exam, ...] = ()) -> tuple[Request, Plan]:
    """A plan with one block for each task, day after day from 4 March, named a, b, c..."""
    numbered = tuple(replace(one, id=f"{one.exam}/{n}", number=n) for n, one in enumerate(tasks))
    blocks = tuple(
        block(date(2026, 3, 4) + timedelta(days=n), 17, 60, Part(task=one.id, first=0, units=one.kept), uid=chr(97 + n))
        for n, one in enumerate(numbered)
    )
    return plan_of(exams or (exam(materials=MATERIALS),), numbered, blocks)


def with_past(plan: Plan, number: int, **fields: object) -> Plan:
    """The same plan after its first so many blocks have become its past."""
    tasks = {one.id: one for one in plan.tasks}
    past = []
    for one in plan.blocks[:number]:
        worked = tuple(
            Worked(
                exam=tasks[part.task].exam,
                role=tasks[part.task].role,
                kind=tasks[part.task].kind,
                units=part.units,
                task=part.task,
                first=part.first,
            )
            for part in one.parts
        )
        kept = {name: getattr(one, name) for name in ("uid", "day", "start", "minutes", "revised", "fold", "sequence")}
        past.append(PastBlock(headline="", text="", worked=worked, **kept, **fields))
    return replace(plan, past=tuple(past), blocks=plan.blocks[number:])


def said(
    number: int, *flags: Flag, at: datetime = MARCH, material: str = "quiz1", uid: str = "a", **fields: object
) -> CheckIn:
    """A check-in that finds flags in a material."""
    found = (Found(exam="chem", material=material, flags=flags),)
    return CheckIn(**{"id": f"{number:03}", "at": at, "block": uid, "outcome": Outcome.DONE, "found": found, **fields})


def after(*, days: float = 0, hours: float = 0) -> datetime:
    return MARCH + timedelta(days=days, hours=hours)


def flag(importance: int, problem: str = "7", tries: int = 1) -> Flag:
    return Flag(problem=problem, importance=importance, tries=tries)


def states(*log: Entry) -> Known:
    return known(*plan(task(Role.COVER, Kind.QUIZ, (E, E, X, X), (quiz(1),))), log)


# ------------------------------------------------------------------------------------------------------ flags


def test_a_flag_is_not_closed_by_one_success_on_the_day_it_was_set_but_by_one_on_a_later_day() -> None:
    """Rawson & Dunlosky 2011, J Exp Psychol Gen 140(3):283-302: what lasts is relearned on later days."""
    same_day = states(said(1, flag(1)), said(2, flag(3), at=after(hours=3)))
    assert [one.problem for one in same_day.open_flags()] == ["7"]
    assert same_day.closed_flags() == ()
    later = states(said(1, flag(1)), said(2, flag(3), at=after(hours=3)), said(3, flag(3), at=after(days=1)))
    (state,) = later.closed_flags()
    assert (state.since, state.closed, state.seen) == (date(2026, 3, 4), date(2026, 3, 5), 2)
    assert later.open_flags() == ()


@pytest.mark.parametrize(
    ("first", "second", "closed"),
    [
        (datetime(2026, 3, 5, 4, 30), datetime(2026, 3, 5, 5, 30), True),  # 23:30 and 00:30: two dates in New York
        (datetime(2026, 3, 4, 23, 0), datetime(2026, 3, 5, 1, 0), False),  # 18:00 and 20:00: one date there
        (
            datetime(2026, 3, 9, 3, 30),
            datetime(2026, 3, 9, 4, 30),
            True,
        ),  # 8 March, after the clocks changed: 23:30, 00:30
    ],
)
def test_the_day_of_a_word_is_the_local_date_in_the_zone_of_the_plan(
    first: datetime, second: datetime, closed: bool
) -> None:
    found = states(said(1, flag(2), at=first.replace(tzinfo=UTC)), said(2, flag(3), at=second.replace(tzinfo=UTC)))
    assert bool(found.closed_flags()) is closed


def test_a_settled_problem_that_goes_wrong_again_is_open_again_with_all_its_tries() -> None:
    found = states(
        said(1, flag(1, tries=2)),
        said(2, flag(3), at=after(days=1)),
        said(3, flag(2), at=after(days=2)),
        said(4, flag(3), at=after(days=2, hours=1)),
    )
    (state,) = found.open_flags("chem", Kind.QUIZ, "quiz1")
    assert (state.importance, state.tries, state.since, state.seen) == (2, 3, date(2026, 3, 6), 3)
    assert state.asked
    assert found.open_flags("chem", Kind.TEST) == found.open_flags("hist") == found.open_flags(material="quiz3") == ()


def test_a_problem_is_one_however_its_name_is_written_and_settling_what_was_never_flagged_is_nothing() -> None:
    found = states(said(1, flag(1, " 12B ")), said(2, flag(3, "12b"), flag(3, "5"), at=after(days=1)))
    assert [(one.problem, one.closed) for one in found.flags] == [("12B", date(2026, 3, 5))]


def test_words_on_materials_that_are_not_there_are_passed_over() -> None:
    word = said(1, flag(1, tries=3), material="gone")
    other = replace(said(2), found=(Found(exam="physics", material="quiz1", wrong=3, flags=(flag(1),)),))
    assert states(word, other) == Known()


def test_a_third_failed_try_puts_a_problem_on_the_ask_list_one_line_each_in_order() -> None:
    found = states(
        said(1, flag(1, "10", tries=3), material="quiz3"),
        said(2, flag(1, "7", tries=2), flag(2, "2", tries=5), material="quiz3"),
        said(3, flag(1, "9", tries=1), flag(1, "8", tries=2)),
        said(4, flag(1, "7"), at=after(days=1), material="quiz3"),
        said(5, flag(1, "9", tries=13), at=after(days=1)),
    )
    assert found.asks == (
        Ask(exam="chem", material="quiz1", sentence="Ask about problem 9 of Quiz 1: 14 tries went wrong."),
        Ask(exam="chem", material="quiz3", sentence="Ask about problem 2 of Quiz 3: five tries went wrong."),
        Ask(exam="chem", material="quiz3", sentence="Ask about problem 7 of Quiz 3: three tries went wrong."),
        Ask(exam="chem", material="quiz3", sentence="Ask about problem 10 of Quiz 3: three tries went wrong."),
    )
    assert [one.problem for one in found.flags if not one.asked] == ["8"]


def test_what_was_settled_leaves_the_ask_list_and_the_tries_of_a_success_do_not_fail() -> None:
    asked = said(1, flag(1, tries=3))
    assert len(states(asked).asks) == 1
    assert states(asked, said(2, flag(3, tries=0), at=after(days=1))).asks == ()
    (state,) = states(said(1, flag(1, tries=2)), said(2, flag(3, tries=1), at=after(hours=1))).flags
    assert (state.tries, state.asked) == (2, False)


PROBLEMS = ("1", "7b", "12")
SPELLED = st.sampled_from(PROBLEMS).flatmap(lambda name: st.sampled_from((name, name.upper(), f" {name} ")))
FLAGS = st.builds(Flag, problem=SPELLED, importance=st.sampled_from((1, 2, 3)), tries=st.integers(0, 3))
FOUND = st.builds(
    Found,
    exam=st.just("chem"),
    material=st.sampled_from(("quiz1", "sheet", "gone")),
    wrong=st.none() | st.integers(0, 12),
    flags=st.lists(FLAGS, max_size=1).map(tuple),
)
CHECK_INS = st.builds(
    CheckIn,
    id=st.integers(0, 999).map(lambda number: f"{number:03}"),
    at=st.integers(0, 96).map(lambda hours: after(hours=hours)),
    block=st.sampled_from("abcd"),
    outcome=st.sampled_from(Outcome),
    reached=st.integers(0, 25),
    minutes=st.none() | st.integers(0, 90),
    found=st.lists(FOUND, max_size=1).map(tuple),
    sheet_pages=st.none() | st.integers(0, 4),
)
UNDONE = st.builds(
    Undone,
    id=st.integers(0, 99).map(lambda number: f"undo-{number}"),
    at=st.just(after(days=5)),
    entry=st.integers(0, 999).map(lambda number: f"{number:03}"),
)
LOGS = st.lists(CHECK_INS | UNDONE, max_size=14, unique_by=lambda entry: entry.id)


def four() -> tuple[Request, Plan]:
    """A quiz, two stops of practice and homework."""
    return plan(
        task(Role.COVER, Kind.QUIZ, (E, E, X, X), (quiz(1),)),
        task(Role.COVER, Kind.PRACTICE, (E, E, E, X), (practice(1, 12),)),
        task(Role.COVER, Kind.HOMEWORK, (E, E), (Item(material="hw1", title="Homework 1", minutes=7, essential=5.25),)),
        task(Role.CONSOLIDATE, Kind.PRACTICE, (E, E, E, X), (practice(13, 12),)),
    )


@given(LOGS, st.randoms(use_true_random=False))
def test_it_does_not_matter_in_which_order_the_entries_come_nor_which_blocks_are_past(
    log: list[Entry], chance: object
) -> None:
    request, made = four()
    other = list(log)
    chance.shuffle(other)  # type: ignore[attr-defined]
    assert known(request, made, tuple(log)) == known(request, made, tuple(other))
    assert known(request, made, tuple(log)) == known(request, with_past(made, 3), tuple(log))


@given(LOGS)
def test_what_is_taken_back_leaves_no_trace(log: list[Entry]) -> None:
    back = {entry.entry for entry in log if isinstance(entry, Undone)}
    left = tuple(entry for entry in log if isinstance(entry, CheckIn) and entry.id not in back)
    assert known(*four(), tuple(log)) == known(*four(), left)


@given(LOGS)
def test_each_flag_stands_as_its_words_in_a_row_say(log: list[Entry]) -> None:
    back = {entry.entry for entry in log if isinstance(entry, Undone)}
    words: dict[tuple[str, str], list[tuple[date, Flag]]] = {}
    for entry in sorted((one for one in log if isinstance(one, CheckIn)), key=lambda one: (one.at, one.id)):
        if entry.id in back:
            continue
        for found in entry.found:
            for one in found.flags:
                if found.material != "gone":
                    row = words.setdefault((found.material, one.problem.strip().lower()), [])
                    row.append((entry.at.astimezone(HERE).date(), one))
    expected = {}
    for key, row in words.items():
        wrong = [place for place, (_, one) in enumerate(row) if one.importance < 3]
        if not wrong:
            continue
        day, last = row[wrong[-1]]
        closed = [then for then, one in row[wrong[-1] :] if one.importance == 3 and then > day]
        expected[key] = (
            last.importance,
            day,
            sum(row[place][1].tries for place in wrong),
            closed[0] if closed else None,
            len({then for then, _ in row[wrong[0] :]}),
        )
    states = known(*four(), tuple(log)).flags
    assert expected == {
        (one.material, one.problem.lower()): (one.importance, one.since, one.tries, one.closed, one.seen)
        for one in states
    }
    assert len(states) == len(expected)
    assert all(one.closed is None or one.closed > one.since for one in states)


def test_the_last_count_of_problems_that_are_still_wrong_stands() -> None:
    def count(number: int, wrong: int | None, days: int) -> CheckIn:
        found = (Found(exam="chem", material="quiz1", wrong=wrong),)
        return said(number, at=after(days=days), found=found)

    assert states(count(1, 5, 0), count(2, 2, 2), count(3, None, 3), count(4, 9, 1)).wrong == {("chem", "quiz1"): 2}


# ------------------------------------------------------------------------------------------------------- pace


def took(uid: str, minutes: int | None, outcome: Outcome = Outcome.DONE, reached: int = 0, days: int = 0) -> CheckIn:
    return CheckIn(
        id=f"took-{uid}-{days}", at=after(days=days), block=uid, outcome=outcome, minutes=minutes, reached=reached
    )


def quizzes(number: int, units: int = 4) -> tuple[Request, Plan]:
    return plan(*[task(Role.COVER, Kind.QUIZ, (E,) * units, (quiz(1),)) for _ in range(number)])


@pytest.mark.parametrize(
    ("times", "expected"),
    [
        ((20,), 100),
        ((40,), 125),  # (20 x 3 + 40) / (20 x 3 + 20)
        ((30, 30), 120),  # (60 + 60) / (60 + 40)
        ((40,) * 10, 177),  # (60 + 400) / (60 + 200) = 1.769
        ((1,) * 10, 50),  # (60 + 10) / 260 = 0.27, bounded
        ((90,) * 10, 200),  # (60 + 900) / 260 = 3.7, bounded
        ((60, 60) + (20,) * 10, 100),  # the last ten
        ((20, 0, 40), 120),  # nought minutes are no record: (60 + 60) / (60 + 40)
    ],
)
def test_the_pace_is_prior_and_recorded_minutes_over_prior_and_planned_ones(
    times: tuple[int, ...], expected: int
) -> None:
    """(prior minutes x 3 + recorded minutes of the last 10) / (prior x 3 + planned), bounded to 0.5-2 (ours)."""
    request, made = quizzes(len(times))
    log = tuple(took(chr(97 + n), minutes, days=n) for n, minutes in enumerate(times))
    assert known(request, made, log).pace == {("chem", Kind.QUIZ): expected}


@given(st.lists(st.tuples(st.integers(1, 12), st.integers(1, 200)), min_size=1, max_size=14))
def test_the_pace_is_the_fraction_of_the_model_rounded_and_bounded(pairs: list[tuple[int, int]]) -> None:
    request, made = plan(*[task(Role.COVER, Kind.QUIZ, (E,) * units, (quiz(1),)) for units, _ in pairs])
    log = tuple(took(chr(97 + n), minutes, days=n) for n, (_, minutes) in enumerate(pairs))
    planned, recorded = [5 * units for units, _ in pairs[-10:]], [minutes for _, minutes in pairs[-10:]]
    prior = Fraction(sum(planned), len(planned))
    exact = min(max((prior * 3 + sum(recorded)) / (prior * 3 + sum(planned)), Fraction(1, 2)), Fraction(2))
    found = known(request, made, log).pace_of("chem", Kind.QUIZ)
    assert abs(found - 100 * exact) <= Fraction(1, 2)
    assert 50 <= found <= 200


def test_of_a_block_done_in_part_the_minutes_that_were_reached_were_planned() -> None:
    request, made = quizzes(3)
    half = known(request, made, (took("a", 20, Outcome.PARTLY, reached=10),))
    assert half.pace == {("chem", Kind.QUIZ): 125}  # (30 + 20) / (30 + 10)
    more = known(request, made, (took("a", 40, Outcome.PARTLY, reached=60),))
    assert more.pace == {("chem", Kind.QUIZ): 125}  # no more than its 20 minutes
    assert known(request, made, (took("a", 40, Outcome.MISSED, reached=20),)).pace == {}
    none = (took("a", 20, Outcome.PARTLY), took("b", 20, Outcome.MISSED), took("c", None), took("z", 20))
    assert known(request, made, none).pace == {}


def test_the_last_word_on_a_block_counts_for_its_pace() -> None:
    request, made = quizzes(1)
    log = took("a", 90), took("a", 40, days=1)
    assert known(request, made, log).pace == {("chem", Kind.QUIZ): 125}
    assert known(request, made, (*log, took("a", None, days=2))).pace == {}


def test_only_blocks_of_one_exam_and_one_kind_tell_a_pace_and_encores_tell_none() -> None:
    history = task(Role.COVER, Kind.QUIZ, (E, E), (), exam="hist")
    request, made = plan(
        task(Role.COVER, Kind.QUIZ, (E,) * 4, (quiz(1),)),
        task(Role.COVER, Kind.HOMEWORK, (E, E)),
        task(Role.TIDY, None, (Rank.FLAG_MUST,) * 2),
        task(Role.ENCORE, Kind.HOMEWORK, (X, X)),
        history,
        exams=(exam(materials=MATERIALS), HISTORY),
    )
    parts = [one.parts for one in made.blocks]
    mixed = replace(
        made,
        blocks=(
            replace(made.blocks[0], parts=parts[0] + parts[1]),
            replace(made.blocks[1], parts=parts[0] + parts[4]),
            *made.blocks[2:],
        ),
    )
    log = tuple(took(uid, 40) for uid in "abcde")
    assert known(request, mixed, log).pace == {("hist", Kind.QUIZ): 175}  # (30 + 40) / (30 + 10)
    assert set(known(request, made, log).pace) == {
        ("chem", Kind.QUIZ),
        ("chem", Kind.HOMEWORK),
        ("hist", Kind.QUIZ),
    }


# --------------------------------------------------------------------------------------------------- practice


def wrong(uid: str, number: int, days: int = 0, material: str = SHEET, **fields: object) -> CheckIn:
    found = (Found(exam="chem", material=material, wrong=number),)
    at = after(days=days)
    return CheckIn(**{"id": f"{uid}-{days}", "at": at, "block": uid, "outcome": Outcome.DONE, "found": found, **fields})


def sheets(number: int) -> tuple[Request, Plan]:
    return plan(*[task(Role.COVER, Kind.PRACTICE, (E, E, E, X), (practice(1, 12),)) for _ in range(number)])


@pytest.mark.parametrize(
    ("counts", "expected"),
    [
        ((1,), 75),  # 1 of 12 is 8 %: it goes well
        ((2,), 100),  # 17 %
        ((4,), 100),  # 33 %
        ((5,), 125),  # 42 %: it goes poorly
        ((0, 0), 50),
        ((0, 0, 0), 50),  # bounded
        ((12, 9, 8), 150),  # bounded
        ((12, 12, 12, 0), 125),
        ((0, 3, 6), 100),
    ],
)
def test_practice_shrinks_when_it_goes_well_and_grows_when_it_does_not(counts: tuple[int, ...], expected: int) -> None:
    """Common practice, no source: fewer when it goes well, more when it does not; the figures are ours."""
    request, made = sheets(len(counts))
    log = tuple(wrong(chr(97 + n), number, days=n) for n, number in enumerate(counts))
    assert known(request, made, log).practice_of("chem") == expected
    assert known(request, with_past(made, len(counts)), log).practice_of("chem") == expected


def test_of_practice_done_in_part_only_the_problems_that_were_reached_count() -> None:
    request, made = sheets(1)
    # The first two thirds, 8 problems, lie along 15 minutes; the midpoints of 5 of them lie in the first ten.
    log = (wrong("a", 2, outcome=Outcome.PARTLY, reached=10),)
    assert known(request, made, log).practice == {"chem": 125}  # 2 of 5
    begun = (wrong("a", 2, outcome=Outcome.PARTLY, reached=14),)  # five minutes that were begun count: 2 of 8
    assert known(request, made, begun).practice == {"chem": 100}
    assert known(request, made, (wrong("a", 2, outcome=Outcome.MISSED),)).practice == {}


def test_the_last_word_on_a_block_s_problems_counts_and_what_has_no_known_number_tells_nothing() -> None:
    request, made = sheets(1)
    assert known(request, made, (wrong("a", 12), wrong("a", 0, days=1))).practice == {"chem": 75}
    assert known(request, made, (wrong("a", 0, material="loose"), wrong("a", 0, material="quiz1"))).practice == {}
    assert known(request, made, (wrong("elsewhere", 0),)).practice == {}
    loose = Item(material="loose", title="Loose leaves", minutes=20, essential=13)
    request, made = plan(task(Role.COVER, Kind.PRACTICE, (E, E, E, X), (loose,)))
    assert known(request, made, (wrong("a", 0, material="loose"),)).practice == {}
    request, made = plan(task(Role.ENCORE, Kind.PRACTICE, (X, X, X, X), (practice(1, 12),)))
    assert known(request, made, (wrong("a", 0),)).practice == {}


def test_a_tenth_is_still_well_and_what_is_said_last_of_a_block_is_said_last() -> None:
    request, made = plan(task(Role.COVER, Kind.PRACTICE, (E, E, X), (practice(1, 10),)))
    assert known(request, made, (wrong("a", 1),)).practice == {"chem": 75}
    log = tuple(wrong(uid, 0, days=n) for n, uid in enumerate("abcd"))
    request, made = sheets(4)
    assert known(request, made, log).practice == {"chem": 50}
    assert known(request, made, (*log, wrong("a", 12, days=9))).practice == {"chem": 75}  # three well, then one poorly


def test_problems_of_past_work_whose_task_has_left_the_plan_are_those_that_it_names() -> None:
    request, made = sheets(1)
    past = with_past(made, 1)
    worked = replace(past.past[0].worked[0], task="gone", pieces={SHEET: 8})
    made = replace(past, past=(replace(past.past[0], worked=(worked,)),))
    assert known(request, made, (wrong("a", 3),)).practice == {"chem": 100}  # 3 of 8: 37.5 %
    assert known(request, made, (wrong("a", 4),)).practice == {"chem": 125}
    worked = replace(worked, task=made.tasks[0].id, first=2)  # a task of that name which has no such units
    other = replace(past, past=(replace(past.past[0], worked=(worked,)),))
    assert known(request, other, (wrong("a", 3),)).practice == {"chem": 100}
    half = wrong("a", 2, outcome=Outcome.PARTLY, reached=10)  # two of four units: 2 of 4
    assert known(request, made, (half,)).practice == {"chem": 125}


# ------------------------------------------------------------------------------------------ the sheet, and a plan's


def test_pages_of_the_sheet_are_those_last_said_for_the_exam_that_the_block_works_for() -> None:
    homework = task(Role.COVER, Kind.HOMEWORK, (E, E))
    request, made = plan(homework, replace(homework, exam="hist"), exams=(exam(materials=MATERIALS), HISTORY))
    log = (
        said(1, sheet_pages=1),
        said(2, sheet_pages=3, at=after(days=1)),
        said(3, at=after(days=2)),
        said(4, uid="b", sheet_pages=2, at=after(days=2)),
        said(5, uid="elsewhere", sheet_pages=9, at=after(days=3)),
    )
    assert known(request, made, log).sheet_pages == {"chem": 3, "hist": 2}
    alone = known(*plan(homework), log)
    assert alone.sheet_pages == {"chem": 9}


def test_what_a_plan_carries_is_what_differs_from_the_usual() -> None:
    told = Known(
        pace={("chem", Kind.QUIZ): 125, ("chem", Kind.NOTES): 100, ("bio", Kind.NOTES): 100},
        practice={"chem": 100, "hist": 75},
    )
    assert told.learned() == (
        Learned(exam="chem", pace={Kind.QUIZ: 125}),
        Learned(exam="hist", practice=75),
    )
    assert (told.pace_of("chem", Kind.TEST), told.practice_of("bio")) == (100, 100)
    assert known(*four(), ()) == Known()
