"""How it goes: minutes are conserved, no word is not missed, and the sentence says what would mend it."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace

from calplan.checkins import CheckIn, Entry, Flag, Found, Outcome, Undone
from calplan.learned import known
from calplan.model import Day, Item, Kind, Material, Part, Plan, Rank, Request, Role, Task
from calplan.progress import Progress, State, Week, progress
from tests.plans import E, X, block, chemistry, exam, homework, notes, plan_of, practice, quiz, task
from tests.test_learned import LOGS, with_past

MONDAY = date(2026, 3, 2)
USUAL = 30  # usual minutes of a day, the default


def days(number: int, hour: int = 20) -> datetime:
    """An instant of the evening, so many days after the first Monday (New York is five hours behind)."""
    return datetime.combine(MONDAY, datetime.min.time(), UTC) + timedelta(days=number, hours=hour + 5)


def made(*tasks: Task, every: int = 1, room: int = 12, **fields: object) -> tuple[Request, Plan]:
    """One block at 17:00 for each task, from Monday on, named a, b, c...; room on every day up to that of the exam."""
    numbered = tuple(replace(one, id=f"chem/{n}", number=n) for n, one in enumerate(tasks))
    blocks = tuple(
        block(MONDAY + timedelta(days=n * every), 17, 60, Part(task=one.id, first=0, units=one.kept), uid=chr(97 + n))
        for n, one in enumerate(numbered)
    )
    request, plan = plan_of((exam(materials=MATERIALS, **fields),), numbered, blocks)
    every_day = tuple(Day(day=MONDAY + timedelta(days=n), room=room) for n in range(19))  # the exam's own day too
    return request, replace(plan, days=every_day)


MATERIALS = (
    *(Material(key=f"hw{n}", kind=Kind.HOMEWORK, title=f"Homework {n}") for n in (1, 2)),
    Material(key="quiz1", kind=Kind.QUIZ, title="Quiz 1", size=8, missed=2),
    Material(key="notes", kind=Kind.NOTES, title="Class notes", size=6),
    Material(key="sheet", kind=Kind.PRACTICE, title="Problem sheet", size=24),
)
QUIZ = task(Role.COVER, Kind.QUIZ, (E, E, X, X), (quiz(1),))
NOTES = task(Role.COVER, Kind.NOTES, (E,) * 5 + (X,), (notes(1, 6),))
SHEET = task(Role.COVER, Kind.PRACTICE, (E, E, E, X), (practice(1, 12),))
PIECES = task(Role.COVER, Kind.HOMEWORK, (E, E, X), homework(1, 2))
TAPER = task(Role.TAPER, None, (Rank.TAPER,) * 4)


def word(uid: str, outcome: Outcome = Outcome.DONE, reached: int = 0, number: int = 0, **fields: object) -> CheckIn:
    at = days(number, 21)
    return CheckIn(id=f"{uid}-{number}-{outcome}", at=at, block=uid, outcome=outcome, reached=reached, **fields)


def missed(*uids: str) -> tuple[CheckIn, ...]:
    return tuple(word(uid, Outcome.MISSED) for uid in uids)


def goes(side: tuple[Request, Plan], *log: Entry, now: datetime) -> Progress:
    request, plan = side
    return progress(plan, request, log, known(request, plan, log), now=now)


# ------------------------------------------------------------------------------------------------------ by week


def test_minutes_by_week_worked_out_by_hand() -> None:
    # Blocks lie on Mon 2, Fri 6 and Tue 10 March (20, 30, 20 minutes), and on Sat 14 March (15).
    side = made(QUIZ, NOTES, SHEET, PIECES, every=4)
    log = (word("a"), word("b", Outcome.PARTLY, reached=12))
    assert goes(side, *log, now=days(8)).weeks == (
        Week(monday=MONDAY, planned=50, done=32, missed=18),
        Week(monday=MONDAY + timedelta(days=7), planned=35, silent=20),
    )


def test_a_week_begins_on_monday_and_a_week_without_blocks_stands_between_others() -> None:
    """ISO 8601: 2027-01-01 is 2026-W53-5 and 2027-01-04 is 2027-W01-1, so Sunday 3 January is in the older week."""
    tasks = tuple(replace(one, id=f"chem/{n}") for n, one in enumerate((QUIZ, SHEET)))
    blocks = tuple(
        block(day, 17, 30, Part(task=f"chem/{n}", first=0, units=4), uid=chr(97 + n))
        for n, day in enumerate((date(2027, 1, 3), date(2027, 1, 11)))
    )
    side = plan_of((exam(start=datetime(2027, 1, 20, 9)),), tasks, blocks)
    weeks = goes(side, now=days(0)).weeks
    assert [(one.monday, one.planned) for one in weeks] == [
        (date(2026, 12, 28), 20),
        (date(2027, 1, 4), 0),
        (date(2027, 1, 11), 20),
    ]
    assert all(one.monday.isocalendar().weekday == 1 for one in weeks)


def test_a_block_is_over_when_it_ends_or_when_something_is_said_of_it() -> None:
    side = made(QUIZ, NOTES)  # 17:00 to 18:00 in New York, 22:00 to 23:00 in UTC
    end = datetime(2026, 3, 2, 23, 0, tzinfo=UTC)
    assert [goes(side, now=now).weeks[0].silent for now in (end - timedelta(seconds=1), end)] == [0, 20]
    early = goes(side, word("a"), word("b"), now=datetime(2026, 3, 2, 22, 30, tzinfo=UTC))
    assert early.weeks == (Week(monday=MONDAY, planned=50, done=50),)


def test_appointments_are_no_work_and_a_plan_without_work_has_no_weeks() -> None:
    request, plan = made()
    plan = replace(plan, blocks=(block(MONDAY, 17, 60, title="Tutoring", fixed=True),))
    found = goes((request, plan), now=days(3))
    assert (found.weeks, found.state, found.silent) == ((), State.NOTHING_SAID, 0)


CHECK_INS = st.builds(
    CheckIn,
    id=st.integers(0, 99).map(str),
    at=st.integers(0, 14 * 24).map(lambda hours: days(0) + timedelta(hours=hours)),
    block=st.sampled_from([one.uid for one in chemistry()[1].blocks]),
    outcome=st.sampled_from(Outcome),
    reached=st.integers(0, 130),
)
UNDONE = st.builds(Undone, id=st.integers(100, 199).map(str), at=st.just(days(14)), entry=st.integers(0, 99).map(str))
CHEMISTRY_LOGS = st.lists(CHECK_INS | UNDONE, max_size=20, unique_by=lambda entry: entry.id)


@given(CHEMISTRY_LOGS, st.integers(0, 20 * 24), st.integers(0, 14))
def test_done_and_missed_and_no_word_are_the_minutes_of_the_blocks_that_are_over(
    log: list[Entry], hours: int, past: int
) -> None:
    request, plan = chemistry()
    now = days(0) + timedelta(hours=hours)
    back = {entry.entry for entry in log if isinstance(entry, Undone)}
    about = {entry.block for entry in log if isinstance(entry, CheckIn) and entry.id not in back}
    over, every = 0, 0
    for one in plan.blocks:
        minutes = 5 * sum(part.units for part in one.parts)
        every += minutes
        # New York is five hours behind UTC before 8 March 2026, and four from then on.
        end = one.start.replace(tzinfo=UTC) + timedelta(
            hours=5 if one.day < date(2026, 3, 8) else 4, minutes=one.minutes
        )
        if end <= now or one.uid in about:
            over += minutes
    found = goes((request, with_past(plan, past)), *log, now=now)
    assert sum(week.done + week.missed + week.silent for week in found.weeks) == over
    assert sum(week.planned for week in found.weeks) == every
    assert all(min(week.done, week.missed, week.silent) >= 0 for week in found.weeks)
    assert found.behind <= sum(week.missed for week in found.weeks)
    if not about:
        assert (found.behind, found.lightest, found.state) == (0, False, State.NOTHING_SAID)


@given(CHEMISTRY_LOGS | LOGS, st.integers(0, 20), st.integers(0, 14), st.randoms(use_true_random=False))
def test_neither_the_order_of_entries_matters_nor_which_blocks_are_past(
    log: list[Entry], day: int, past: int, chance: object
) -> None:
    request, plan = chemistry()
    other = list(log)
    chance.shuffle(other)  # type: ignore[attr-defined]
    found = goes((request, plan), *log, now=days(day))
    assert found == goes((request, plan), *other, now=days(day))
    assert found == goes((request, with_past(plan, past)), *log, now=days(day))


# --------------------------------------------------------------------------------------------- what is behind


def test_missed_work_is_behind_until_it_is_planned_again() -> None:
    side = made(QUIZ, NOTES, SHEET)
    assert goes(side, *missed("a", "b"), now=days(1)).behind == 50
    request, plan = side
    again = with_past(plan, 2, missed=True)
    assert goes((request, again), *missed("a", "b"), now=days(1)).behind == 0
    later = with_past(plan, 2)  # said to be missed after the plan was mended
    assert goes((request, later), *missed("a", "b"), now=days(1)).behind == 50


def test_of_work_done_in_part_the_rest_is_behind_but_for_what_is_planned_again() -> None:
    request, plan = made(NOTES, SHEET)
    log = (word("a", Outcome.PARTLY, reached=10),)
    past = with_past(plan, 1)
    assert goes((request, past), *log, now=days(1)).behind == 20
    worked = replace(past.past[0].worked[0], back=3)
    mended = replace(past, past=(replace(past.past[0], worked=(worked,)),))
    assert goes((request, mended), *log, now=days(1)).behind == 5
    assert goes((request, mended), *log, now=days(1)).weeks[0].missed == 20


def test_no_word_is_never_behind_and_neither_is_work_that_belongs_to_its_day() -> None:
    eve, encore = replace(TAPER, role=Role.EVE), task(Role.ENCORE, Kind.HOMEWORK, (X, X))
    side = made(QUIZ, TAPER, eve, encore)
    found = goes(side, *missed("b", "c", "d"), now=days(5))
    assert (found.behind, found.silent, found.state) == (0, 1, State.ON_COURSE)
    assert found.sentence == (
        "On course: nothing waits to be made up. After a week like this, the lightest plan that still covers what "
        "matters most is a good choice too. Of one block nothing was said: tick what you did."
    )


def test_nothing_is_behind_for_an_exam_that_has_begun() -> None:
    side = made(QUIZ)
    start = datetime(2026, 3, 20, 13, 0, tzinfo=UTC)  # nine in New York, summer time
    log = missed("a")
    assert [goes(side, *log, now=now).behind for now in (start - timedelta(seconds=1), start)] == [20, 0]
    assert goes(side, *log, now=start).untouched == {}


@pytest.mark.parametrize(
    ("uids", "state"),
    [("", State.NOTHING_SAID), ("a", State.A_LITTLE_BEHIND), ("abc", State.A_LITTLE_BEHIND), ("abcd", State.BEHIND)],
)
def test_up_to_two_usual_days_are_a_little_behind(uids: str, state: State) -> None:
    """Common practice, no source: the threshold is ours. Each block has 20 minutes, and a usual day 30."""
    assert goes(made(QUIZ, QUIZ, QUIZ, QUIZ), *missed(*uids), now=days(4)).state is state
    assert 3 * 20 <= 2 * USUAL < 4 * 20


@pytest.mark.parametrize(
    ("log", "day", "sentence"),
    [
        ((), -2, "No block is over yet: all of it lies ahead."),
        ((), 1, "Nothing was said of the blocks so far: tick what you did, and this page can tell how it goes."),
        ((word("a"), word("b"), word("c")), 2, "On course: nothing waits to be made up."),
        (
            (word("a"),),
            2,
            "On course: nothing waits to be made up. Of 2 blocks nothing was said: tick what you did.",
        ),
        (
            # 30 + 6 minutes over the days from 5 to 19 March
            (word("a", Outcome.PARTLY, reached=14), *missed("b"), word("c", number=2)),
            2,
            "A little behind: 30 minutes of notes and 6 minutes of quizzes; planned again over the 15 days that are "
            "left, that is about 5 minutes more a day. After a week like this, the lightest plan that still "
            "covers what matters most is a good choice too.",
        ),
        (
            (word("a", Outcome.PARTLY, reached=19), word("b"), word("c")),
            16,
            "A little behind: 1 minute of quizzes; planned again on the one day that is left, that is about 5 minutes "
            "more.",
        ),
        (
            (word("a"), *missed("b"), word("c")),
            17,
            "A little behind: 30 minutes of notes; no day is left for that, so let it go, and keep to what is planned.",
        ),
    ],
)
def test_one_kind_sentence_says_what_is_behind_and_what_would_mend_it(
    log: tuple[Entry, ...], day: int, sentence: str
) -> None:
    assert goes(made(QUIZ, NOTES, SHEET), *log, now=days(day)).sentence == sentence


def test_no_sentence_scolds() -> None:
    side = made(QUIZ, NOTES, SHEET, PIECES)
    for uids in ("", "a", "abcd"):
        said = goes(side, *missed(*uids), now=days(6)).sentence.lower()
        assert not any(hard in said for hard in ("fail", "bad", "lazy", "should have", "must", "only", "missed"))


def test_a_day_without_room_is_no_day_that_is_left_and_subjects_are_named_where_there_are_several() -> None:
    request, plan = made(QUIZ)
    history = exam("hist", "History", start=datetime(2026, 3, 25, 9))
    _, other = plan_of((history,), (), ())
    two = (
        replace(request, exams=(*request.exams, history)),
        replace(
            plan,
            exams=(*plan.exams, *other.exams),
            days=tuple(replace(day, room=12 * (day.day.weekday() == 0)) for day in plan.days),
        ),
    )
    assert "20 minutes of quizzes (Chemistry); planned" in goes(two, *missed("a"), now=days(0)).sentence
    assert (
        "over the 2 days that are left, that is about 10 minutes more" in goes(two, *missed("a"), now=days(0)).sentence
    )


# ------------------------------------------------------------------------------------------- a bad week, untouched


@pytest.mark.parametrize(
    ("log", "day", "lightest"),
    [
        (missed("a"), 6, True),  # 20 of 40 minutes
        (missed("b"), 6, True),
        ((word("a"), word("b", Outcome.PARTLY, reached=1)), 6, False),  # 19 of 40
        ((word("a"), word("b", Outcome.PARTLY)), 6, True),
        (missed("a"), 7, False),  # the first Monday is more than seven days back: of the second block there is no word
        (missed("a", "b"), 20, False),
        ((), 6, False),
    ],
)
def test_after_a_week_of_which_half_was_missed_the_lightest_plan_is_offered(
    log: tuple[Entry, ...], day: int, lightest: bool
) -> None:
    """Common practice, no source: half of the last seven days' minutes. The blocks lie on Monday and Thursday."""
    assert goes(made(QUIZ, SHEET, every=3), *log, now=days(day)).lightest is lightest


def test_work_done_before_its_day_is_no_part_of_the_week() -> None:
    side = made(QUIZ, NOTES)
    assert goes(side, *missed("a"), word("b"), now=days(0)).lightest
    assert not goes(side, *missed("a"), word("b"), now=days(1)).lightest  # 20 of 50


def test_material_is_untouched_until_some_of_it_was_done_or_all_of_it_is_over_without_a_word() -> None:
    half = replace(SHEET, items=(practice(13, 12),))
    side = made(QUIZ, SHEET, NOTES, half, PIECES)

    def left(*log: Entry, day: int) -> tuple[str, ...]:
        return goes(side, *log, now=days(day)).untouched.get("chem", ())

    assert left(day=-1) == ("hw1", "hw2", "quiz1", "notes", "sheet")
    assert left(word("a"), day=0) == ("hw1", "hw2", "notes", "sheet")
    assert left(word("b"), day=1) == ("hw1", "hw2", "notes")  # of the quiz there is no word, and nothing more comes
    assert left(day=1) == ("hw1", "hw2", "notes", "sheet")  # more of the sheet comes
    assert left(*missed("a"), day=1) == ("hw1", "hw2", "quiz1", "notes", "sheet")
    assert left(word("e", Outcome.PARTLY, reached=5), *missed("b", "d"), day=9) == ("hw2", "sheet")
    assert left(day=9) == ()


def test_work_inside_one_large_piece_touches_it() -> None:
    large = task(
        Role.COVER, Kind.HOMEWORK, (E,) * 9, (Item(material="hw1", title="Homework 1", minutes=45, essential=45),)
    )
    request, plan = made(large)
    plan = replace(plan, blocks=(replace(plan.blocks[0], parts=(Part(task="chem/0", first=0, units=3),)),))
    assert "hw1" not in goes((request, plan), word("a"), now=days(0)).untouched["chem"]


def test_open_and_closed_flags_are_those_that_the_log_tells() -> None:
    side = made(QUIZ, NOTES)
    flags = (Flag(problem="7", importance=1), Flag(problem="9", importance=2))
    first = word("a", found=(Found(exam="chem", material="quiz1", flags=flags),))
    settled = (Found(exam="chem", material="quiz1", flags=(Flag(problem="9", importance=3),)),)
    found = goes(side, first, word("b", number=1, found=settled), now=days(2))
    assert [one.problem for one in found.open] == ["7"]
    assert [one.problem for one in found.closed] == ["9"]
