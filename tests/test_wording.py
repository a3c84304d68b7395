"""What the sentences say, and which problems lie in which part of a task."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta
from fractions import Fraction
from itertools import pairwise
from math import ceil

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calplan.model import UNIT, Answers, Effort, Item, Kind, Material, Part, Rank, Role
from calplan.wording import Wording, describe, headline, how, label, left_out, part_items, taken, task_lines, why_today
from tests import plans
from tests.plans import E, X

# ------------------------------------------------------------------------------------------------ what a part holds


def ranks_of(items: tuple[Item, ...]) -> tuple[Rank, ...]:
    """Minutes rounded up to units once, essentials first."""
    total = ceil(sum(item.minutes for item in items) / UNIT)
    essential = ceil(sum(item.essential for item in items) / UNIT)
    return (E,) * essential + (X,) * (total - essential)


@st.composite
def tasks(draw):
    """A first-pass task of any kind over one to six materials."""
    kind = draw(st.sampled_from(Kind))
    items = []
    for number in range(draw(st.integers(1, 6))):
        count = draw(st.integers(0, 30)) if kind is not Kind.HOMEWORK else 0
        missed = draw(st.integers(0, count or 4)) if kind in (Kind.QUIZ, Kind.TEST) else 0
        minutes = draw(st.integers(1, 90))
        essential = draw(st.integers(0, 4)) * minutes / 4
        title = f"Piece {number}"
        items.append(
            Item(material=title, title=title, count=count, missed=missed, minutes=minutes, essential=essential)
        )
    return plans.task(Role.COVER, kind, ranks_of(tuple(items)), tuple(items))


def cut(of, places: list[int]) -> list[Part]:
    """A task cut at some of its unit boundaries."""
    bounds = sorted({0, len(of.ranks), *(place % (len(of.ranks) + 1) for place in places)})
    return [Part(task=of.id, first=low, units=high - low) for low, high in pairwise(bounds)]


def pieces(of, part: Part) -> list[tuple[str, bool, int]]:
    """Every single piece of work in a part: item, extra or not, number."""
    return [
        (share.item.title, share.extra, share.first + n) for share in part_items(of, part) for n in range(share.number)
    ]


@given(tasks(), st.lists(st.integers(0, 100), max_size=5))
def test_every_piece_lies_in_exactly_one_part(task, places):
    """However a task is cut at units, its parts hold what the whole holds, each piece once, in the same order."""
    whole = pieces(task, Part(task=task.id, first=0, units=len(task.ranks)))
    assert [piece for part in cut(task, places) for piece in pieces(task, part)] == whole
    assert len(set(whole)) == len(whole)


@given(tasks())
def test_no_piece_of_the_task_is_forgotten(task):
    """All missed problems, all right ones of a test whose size is known, all problems and class periods are there."""
    whole = pieces(task, Part(task=task.id, first=0, units=len(task.ranks)))
    for item in task.items:
        mine = [(extra, number) for title, extra, number in whole if title == item.title]
        essentials = {number for extra, number in mine if not extra}
        assert mine
        if task.kind is Kind.PRACTICE and item.count:
            assert len(mine) == item.count
        if task.kind in (Kind.QUIZ, Kind.TEST) and item.essential:
            assert len(essentials) == max(1, item.missed)
        if task.kind is Kind.NOTES and item.count and item.essential:
            assert essentials == set(range(item.count))


@given(tasks())
def test_essentials_come_before_extras(task):
    """Units are given up from the end: while all essential units are kept, so is every essential piece."""
    essential_units = task.ranks.count(E)
    if 0 < essential_units < len(task.ranks):
        essentials = pieces(task, Part(task=task.id, first=0, units=essential_units))
        extras = pieces(task, Part(task=task.id, first=essential_units, units=task.ranks.count(X)))
        assert not any(extra for _, extra, _ in essentials)
        assert all(extra for _, extra, _ in extras)


@given(tasks(), st.integers(0, 100), st.lists(st.integers(0, 100), max_size=4))
def test_giving_up_extras_changes_no_part(task, kept, places):
    shorter = msgspec.structs.replace(task, kept=kept % (len(task.ranks) + 1))
    for part in cut(task, places):
        assert part_items(task, part) == part_items(shorter, part)


@given(st.integers(1, 60), st.integers(1, 12), st.lists(st.integers(0, 100), max_size=4))
def test_a_problem_lies_where_its_midpoint_does(count, units, places):
    """A single pile of equal problems, against exact fractions: problem k of n has its midpoint at (2k + 1) / 2n."""
    item = Item(material="sheet", title="Sheet", count=count, minutes=units * UNIT, essential=units * UNIT)
    task = plans.task(Role.COVER, Kind.PRACTICE, (E,) * units, (item,))
    for part in cut(task, places):
        low, high = part.first, part.first + part.units
        expected = [k for k in range(count) if low <= Fraction(2 * k + 1, 2 * count) * units < high]
        assert [number for _, _, number in pieces(task, part)] == expected


def test_a_midpoint_on_a_cut_belongs_to_the_later_part():
    """Three problems over two units: the second one's midpoint is the cut; a part holds its start, not its end."""
    item = Item(material="sheet", title="Sheet", count=3, minutes=10, essential=10)
    task = plans.task(Role.COVER, Kind.PRACTICE, (E, E), (item,))
    first, second = cut(task, [1])
    assert taken(plans.exam(), task, first) == "Sheet: problem 1"
    assert taken(plans.exam(), task, second) == "Sheet: problems 2–3"


def test_a_part_inside_one_large_piece_goes_on_with_it():
    whole = Item(material="t", title="Unit test 1", minutes=60, essential=60)
    small = Item(material="u", title="Unit test 2", minutes=15, essential=15)
    task = plans.task(Role.COVER, Kind.TEST, (E,) * 15, (small, whole))
    exam = plans.exam()
    said = [taken(exam, task, part) for part in cut(task, [3, 6, 12])]
    assert said == ["Unit test 2", "Unit test 1, as far as you get", "Unit test 1", "Unit test 1, as far as you get"]
    assert headline(exam, task, cut(task, [3, 6, 12])[1]) == "Chemistry: test, as far as you get"


def test_a_part_inside_the_right_ones_says_so():
    """A test of unknown size, its right ones over two parts: the second goes on with them, and only with them."""
    task = cover(Kind.TEST, plans.paper(1, 4, 0))
    assert len(task.ranks) == 7
    last = cut(task, [4, 6])[2]
    assert task_lines(CHEMISTRY, task, last) == (
        "Take: Unit test 1: the right ones, as far as you get.",
        "How: Redo the right ones too, more quickly.",
    )


def test_units_that_hold_nothing_new_are_for_what_was_begun():
    """A single practice problem of seven minutes: essential, and the second unit is there for it too."""
    task = cover(Kind.PRACTICE, Item(material="sheet", title="Sheet", count=1, minutes=7, essential=4.7))
    assert task.ranks == (E, X)
    exam = plans.exam()
    assert [taken(exam, task, part) for part in cut(task, [1])] == [
        "Sheet: problem 1",
        "Sheet: problem 1, as far as you get",
    ]


def test_a_task_shorter_than_its_work_promises_only_what_fits():
    """On a single last day a test may get two units for work of an hour: two missed problems of four, and no more."""
    task = plans.task(Role.COVER, Kind.TEST, (E, E), (plans.paper(1, 4, 16),))
    assert taken(plans.exam(materials=plans.chemistry()[0].exams[0].materials), task) == (
        "Unit test 1: missed problems 1–2 of 4"
    )


def test_tasks_without_items_hold_nothing():
    task = plans.task(Role.CONSOLIDATE, Kind.QUIZ, (Rank.FLAG_MUST, Rank.FLAG_SHOULD))
    assert part_items(task, plans.whole(task)) == ()


# ---------------------------------------------------------------------------------------------- amounts and phrases

MATERIALS = plans.chemistry()[0].exams[0].materials
UNCOUNTED = (
    Material(key="quiz2", kind=Kind.QUIZ, title="Quiz 2"),
    Material(key="test9", kind=Kind.TEST, title="Test 9"),
)
CHEMISTRY = plans.exam(materials=(*MATERIALS, *UNCOUNTED))


def cover(kind: Kind, *items: Item, **fields):
    return plans.task(Role.COVER, kind, ranks_of(items), items, **fields)


SAID = [
    (cover(Kind.HOMEWORK, *plans.homework(1)), "homework, 1 piece", "Homework 1"),
    (cover(Kind.HOMEWORK, *plans.homework(1, 2, 3)), "homework, 3 pieces", "Homework 1; Homework 2; Homework 3"),
    (
        cover(Kind.HOMEWORK, Item(material="hw1", title="Homework 1", count=9, missed=2, minutes=7, essential=7)),
        "homework, 1 piece",
        "Homework 1 (9 problems, 2 missed)",
    ),
    (
        cover(Kind.QUIZ, plans.quiz(1, 1)),
        "quiz, 1 missed problem",
        "Quiz 1: the missed problem and a few of the right ones",
    ),
    (
        cover(Kind.QUIZ, plans.quiz(1, 2)),
        "quiz, 2 missed problems",
        "Quiz 1: the 2 missed problems and a few of the right ones",
    ),
    (
        cover(Kind.QUIZ, plans.quiz(1, 2, 2), plans.quiz(1, 2, 3)),
        "quizzes, 5 problems",
        "Quiz 1: the 2 missed problems and a second look; Quiz 1: the 2 missed problems and the right one",
    ),
    (cover(Kind.QUIZ, plans.quiz(1, 0)), "quiz, 1 piece", "Quiz 1: a few of the right ones"),
    (
        cover(Kind.QUIZ, plans.quiz(2, 3)),
        "quiz, about 3 missed problems",
        "Quiz 2: the missed problems (about 3) and a few of the right ones",
    ),
    (
        cover(Kind.TEST, plans.paper(1, 4, 16)),
        "test, 16 problems",
        "Unit test 1: the 4 missed problems and the 12 right ones",
    ),
    (
        cover(Kind.TEST, plans.paper(1, 4, 0)),
        "test, 4 missed problems",
        "Unit test 1: the 4 missed problems and the right ones",
    ),
    (cover(Kind.NOTES, plans.notes(1, 6)), "notes, 6 class periods", "Class notes: class periods 1–6"),
    (cover(Kind.NOTES, plans.notes(4, 1)), "notes, 1 class period", "Class notes: class period 4"),
    (
        cover(Kind.NOTES, Item(material="n", title="Chapter 2", minutes=5, essential=3.75)),
        "notes, 1 piece",
        "Chapter 2",
    ),
    (
        cover(Kind.NOTES, Item(material="n", title="Chapter 2", count=2, minutes=10, essential=10)),
        "notes, 2 class periods",
        "Chapter 2: class periods 1–2",
    ),
    (cover(Kind.PRACTICE, plans.practice(13, 12)), "practice, 12 problems", "Problem sheet: problems 13–24"),
    (cover(Kind.PRACTICE, plans.practice(5, 1)), "practice, 1 problem", "Problem sheet: problem 5"),
    (
        cover(Kind.PRACTICE, Item(material="p", title="Past papers", minutes=10, essential=6.7)),
        "practice, 1 piece",
        "Past papers",
    ),
]


@pytest.mark.parametrize(("task", "amount", "what"), SAID)
def test_kind_amount_and_materials_are_said_exactly(task, amount, what):
    """Singular and plural are right; a number that nobody counted is said with "about"."""
    assert headline(CHEMISTRY, task) == f"Chemistry: {amount}"
    assert taken(CHEMISTRY, task) == what


def test_parts_name_their_problems():
    exam = CHEMISTRY
    test = cover(Kind.TEST, plans.paper(1, 4, 16))
    assert [taken(exam, test, part) for part in cut(test, [2, 4, 8])] == [
        "Unit test 1: missed problems 1–2 of 4",
        "Unit test 1: missed problems 3–4 of 4",
        "Unit test 1: right ones 1–7 of 12",
        "Unit test 1: right ones 8–12 of 12",
    ]
    assert [headline(exam, test, part) for part in cut(test, [2, 4])] == [
        "Chemistry: test, 2 missed problems",
        "Chemistry: test, 2 missed problems",
        "Chemistry: test, 12 problems",
    ]
    guessed = cover(Kind.TEST, plans.paper(9, 4, 16))
    assert taken(exam, guessed, cut(guessed, [1])[0]) == "Unit test 9: missed problem 1 of about 4"


def test_parts_of_notes_say_which_layer_they_are():
    notes = cover(Kind.NOTES, plans.notes(1, 6))
    assert [taken(CHEMISTRY, notes, part) for part in cut(notes, [5])] == [
        "Class notes: definitions and formulas of class periods 1–6",
        "Class notes: model examples of class periods 1–6",
    ]
    mixed = cut(notes, [3])[1]  # period 4 of 6 over five units has its midpoint at 2.9
    assert taken(CHEMISTRY, notes, mixed) == (
        "Class notes: definitions and formulas of class periods 5–6; model examples of class periods 1–6"
    )
    assert headline(CHEMISTRY, notes, mixed) == "Chemistry: notes, 6 class periods"
    unsized = cover(Kind.NOTES, Item(material="n", title="Chapter 2", minutes=10, essential=5))
    assert [taken(CHEMISTRY, unsized, part) for part in cut(unsized, [1])] == [
        "Chapter 2: definitions and formulas",
        "Chapter 2: model examples",
    ]


def test_runs_of_practice_problems_are_named_apart():
    """Two sheets: the essentials of both, then the extras of both; a part over the seam names each run."""
    sheets = (
        Item(material="a", title="Sheet A", count=4, minutes=10, essential=5),
        Item(material="b", title="Sheet B", count=4, minutes=10, essential=5),
    )
    task = cover(Kind.PRACTICE, *sheets)
    assert [taken(CHEMISTRY, task, part) for part in cut(task, [1, 3])] == [
        "Sheet A: problems 1–2",
        "Sheet B: problems 1–2; Sheet A: problems 3–4",
        "Sheet B: problems 3–4",
    ]
    apart = Item(material="a", title="Sheet A", count=4, minutes=20, essential=10)
    other = Item(material="b", title="Sheet B", count=1, minutes=5, essential=5)
    task = cover(Kind.PRACTICE, apart, other)
    assert taken(CHEMISTRY, task, Part(task=task.id, first=1, units=3)) == "Sheet A: problems 2–3; Sheet B: problem 1"
    double = plans.task(Role.COVER, Kind.PRACTICE, (E, E, X, X), (apart, other))
    assert taken(CHEMISTRY, double, Part(task=task.id, first=0, units=4)) == "Sheet A: problems 1–3; Sheet B: problem 1"


def test_what_a_shortened_task_lost_is_said():
    task = cover(Kind.TEST, plans.paper(1, 4, 16))
    assert left_out(CHEMISTRY, task) == ""
    shorter = msgspec.structs.replace(task, kept=8)
    said = "Left out for want of time (15 minutes): Unit test 1: right ones 8–12 of 12."
    assert left_out(CHEMISTRY, shorter) == said
    assert said in task_lines(CHEMISTRY, shorter)
    homework = msgspec.structs.replace(cover(Kind.HOMEWORK, *plans.homework(1, 2, 3)), kept=4)
    assert left_out(CHEMISTRY, homework) == (
        "Left out for want of time (5 minutes): Homework 1 to Homework 3 (3 pieces): one more example."
    )
    two = msgspec.structs.replace(cover(Kind.HOMEWORK, *plans.homework(1, 2)), kept=2)
    assert left_out(CHEMISTRY, two).endswith("Homework 1: one more example; Homework 2: one more example.")
    flags = plans.task(Role.CONSOLIDATE, Kind.QUIZ, (Rank.FLAG_MUST, Rank.FLAG_SHOULD), kept=1)
    assert left_out(CHEMISTRY, flags) == "Left out for want of time (5 minutes)."


def test_the_exams_own_labels_are_used():
    exam = plans.exam(labels={Kind.HOMEWORK: "essays", Kind.QUIZ: "vocabulary"})
    assert headline(exam, cover(Kind.HOMEWORK, *plans.homework(1, 2))) == "Chemistry: essays, 2 pieces"
    assert headline(exam, cover(Kind.QUIZ, plans.quiz(1, 2))).startswith("Chemistry: vocabulary, ")
    assert (label(exam, Kind.QUIZ), label(exam, Kind.TEST), label(exam, Kind.TEST, 1)) == (
        "vocabulary",
        "tests",
        "test",
    )
    second = plans.task(Role.CONSOLIDATE, Kind.HOMEWORK, (Rank.FLAG_MUST,))
    assert headline(exam, second) == "Chemistry: second pass over essays"
    assert taken(exam, second) == "what you flagged 1 or 2 in essays"


def test_flags_of_a_material_are_about_a_number():
    item = Item(material="quiz1", title="Quiz 1", count=3, minutes=15, essential=10)
    ranks = (Rank.FLAG_MUST, Rank.FLAG_MUST, Rank.FLAG_SHOULD)
    task = plans.task(Role.CONSOLIDATE, Kind.QUIZ, ranks, (item, Item(material="q", title="Quiz 2", minutes=0)))
    assert taken(CHEMISTRY, task) == "Quiz 1: about 3 flags; Quiz 2"


# -------------------------------------------------------------------------------------------------------- how to work

HOW = [
    # role, kind, what the trade asks for (common practice, no source)
    (Role.COVER, Kind.HOMEWORK, ["recall", "what was hard", "flag", "No full rework", "one more example"]),
    (Role.COVER, Kind.QUIZ, ["every missed problem", "study the solution, cover it, do it, check", "three tries"]),
    (Role.COVER, Kind.NOTES, ["Read", "definitions, formulas and model examples", "summary sheet", "half"]),
    (Role.COVER, Kind.TEST, ["every missed problem", "study the solution, cover it, do it, check", "three tries"]),
    (
        Role.COVER,
        Kind.PRACTICE,
        ["Solve", "check against the answers", "Fewer when it goes well, more when it does not"],
    ),
    (Role.COVER, None, ["flag"]),
    (Role.CONSOLIDATE, Kind.QUIZ, ["flagged 1 or 2", "Only what still feels unsure goes onto the summary sheet"]),
    (Role.TIDY, None, ["one page, two at most", "only where the rules allow"]),
    (Role.TAPER, None, ["Three to five problems that you know", "of different kinds", "summary sheet", "Nothing new"]),
    (Role.EVE, None, ["Only the summary sheet", "nothing new", "no timed paper", "Pack", "early night"]),
    (Role.GATHER, None, ["what is missing", "ask for it", "answers matter, worked solutions more"]),
    (Role.PAPER, None, ["in one go", "exam's own hour"]),
    (Role.ENCORE, Kind.TEST, ["Look again"]),
]


@pytest.mark.parametrize(("role", "kind", "asked"), HOW)
def test_how_to_work_follows_the_trade(role, kind, asked):
    said = how(kind, role)
    assert [words for words in asked if words not in said] == []


def test_every_role_and_kind_has_its_sentence():
    for role in Role:
        for kind in (*Kind, None):
            assert how(kind, role).endswith(".")


def test_right_ones_are_mentioned_only_where_they_are_worked():
    task = cover(Kind.TEST, plans.paper(1, 4, 16))
    missed, right = (" ".join(task_lines(CHEMISTRY, task, part)) for part in cut(task, [4]))
    assert "Redo every missed problem" in missed
    assert "right ones too" not in missed
    assert "Redo the right ones too" in right
    assert "Redo every missed problem" not in right


def test_what_stands_in_for_missing_answers_is_named():
    task = cover(Kind.QUIZ, plans.quiz(1, 2), substitute="questions with printed answers", notes=("Said\nby hand",))
    lines = task_lines(CHEMISTRY, task)
    assert "Where answers are missing: questions with printed answers." in lines
    assert lines[-1] == "Said by hand."


# ------------------------------------------------------------------------------------------------- a block in its plan

REQUEST, PLAN = plans.chemistry()
WORDS = Wording(PLAN, REQUEST)
BY_ROLE = {
    task.role: block for task in PLAN.tasks for block in PLAN.blocks if any(p.task == task.id for p in block.parts)
}


def block_of(number: int):
    """The block that holds the task of a number (the first of them)."""
    return next(block for block in PLAN.blocks if any(part.task == f"chem/{number}" for part in block.parts))


def test_every_block_says_what_how_long_why_and_when():
    for block in PLAN.blocks:
        said = WORDS.describe(block)
        assert f"{block.start:%H:%M}–" in said
        assert "(America/New_York time)" in said
        for part in block.parts:
            task = next(task for task in PLAN.tasks if task.id == part.task)
            minutes = block.minutes if task.role is Role.PAPER else part.units * UNIT
            assert f"({minutes} minutes)" in said
            assert "How: " in said
            assert "Why today: " in said


def test_why_names_round_turn_what_comes_next_and_the_days_left():
    assert WORDS.why_today(block_of(1)) == (
        "Round 1 of 2, first turn for homework; next in turn: quizzes; 16 days to go."
    )
    assert WORDS.why_today(block_of(6)) == (
        "Round 2 of 2, second turn for homework; next in turn: second pass over quizzes; 10 days to go."
    )
    assert why_today(PLAN, REQUEST, block_of(6)) == WORDS.why_today(block_of(6))


def test_every_stage_has_its_reason():
    said = {role: WORDS.why_today(block) for role, block in BY_ROLE.items()}
    assert said[Role.GATHER].startswith("First of all")
    assert "Second pass: what is flagged 1 or 2 in quizzes" in WORDS.why_today(block_of(7))
    assert "Second pass: the last of practice" in WORDS.why_today(block_of(8))
    assert said[Role.TAPER].startswith("The light last stretch")
    assert said[Role.EVE].startswith("Nothing new")
    assert said[Role.ENCORE] == "The day would be empty otherwise: another turn for homework; 4 days to go."


@pytest.mark.parametrize(
    ("day", "said"),
    [
        (date(2026, 3, 10), "10 days to go."),
        (date(2026, 3, 18), "2 days to go."),
        (date(2026, 3, 19), "the exam is tomorrow."),
        (date(2026, 3, 20), "the exam is today."),
    ],
)
def test_days_to_go_are_counted_to_the_exams_date(day, said):
    moved = msgspec.structs.replace(block_of(12), day=day)
    assert WORDS.why_today(moved).endswith(said)


def test_turns_beyond_the_tenth_have_endings():
    numbers = range(1, 25)
    made = tuple(
        plans.task(Role.COVER, Kind.HOMEWORK, (E, X), plans.homework(1), id=f"chem/{n}", number=n, round=n)
        for n in numbers
    )
    blocks = tuple(plans.block(date(2026, 3, 4), 9, 15, plans.whole(task), number=n) for n, task in enumerate(made))
    request, plan = plans.plan_of((CHEMISTRY,), made, blocks)
    turns = [Wording(plan, request).why_today(block).split(", ")[1].split()[0] for block in blocks]
    assert turns[9:13] == ["tenth", "11th", "12th", "13th"]
    assert turns[20:24] == ["21st", "22nd", "23rd", "24th"]


def test_minutes_beyond_the_work_are_for_the_sheet():
    assert "The other 5 minutes: look over the summary sheet." in WORDS.describe(block_of(0))
    assert "The other" not in WORDS.describe(block_of(1))
    paper = msgspec.structs.replace(BY_ROLE[Role.PAPER], minutes=112)  # a paper of 112 minutes takes 22 units and a bit
    assert "The other" not in WORDS.describe(paper)


def test_a_task_over_two_blocks_says_so():
    first, last = (block for block in PLAN.blocks if any(part.task == "chem/4" for part in block.parts))
    assert "This is the first part of it; the rest follows in another block." in WORDS.describe(first)
    assert "The last part: with this it is done." in WORDS.describe(last)
    task = cover(Kind.TEST, plans.paper(1, 4, 16))
    blocks = tuple(plans.block(date(2026, 3, 4 + n), 9, 20, part, number=n) for n, part in enumerate(cut(task, [4, 8])))
    request, plan = plans.plan_of((CHEMISTRY,), (task,), blocks)
    assert "It goes on from an earlier block, and another follows." in describe(plan, request, blocks[1])


def test_gathering_lists_what_to_ask_for():
    said = WORDS.describe(block_of(0))
    assert "So far you have no tests: take the chapter review as if it were one." in said
    assert "Ask for the answers to Quiz 1." in said
    items = (Item(material="q", title="Quiz 7"),)
    gather = plans.task(Role.GATHER, None, (Rank.GATHER,), items)
    assert task_lines(CHEMISTRY, gather)[0] == "Collect: Quiz 7."


def test_known_problems_are_named():
    assert "Take: a known problem from each of Unit test 1; Quiz 1." in WORDS.describe(BY_ROLE[Role.TAPER])


def test_sleep_comes_first_on_the_eve_and_late_in_the_evening():
    """Sleep given up for study makes the next day worse (Gillen-O'Neel, Huynh & Fuligni 2013)."""
    assert "Sleep comes before study" in WORDS.describe(BY_ROLE[Role.EVE])
    request = msgspec.structs.replace(REQUEST, effort=Effort(bedtime=time(22, 30)))
    words = Wording(PLAN, request)
    late = msgspec.structs.replace(block_of(1), start=datetime(2026, 3, 4, 20, 30), minutes=45)
    assert "Bed at 22:30 comes first: leave what is not done by 21:15 for another day." in words.describe(late)
    assert "Bed at" not in words.describe(block_of(1))
    past_midnight = Wording(PLAN, msgspec.structs.replace(REQUEST, effort=Effort(bedtime=time(0, 30))))
    owl = msgspec.structs.replace(late, start=datetime(2026, 3, 4, 22, 45))
    assert "Bed at 00:30 comes first: leave what is not done by 23:30" in past_midnight.describe(owl)


def test_a_link_is_offered_where_there_is_one():
    block = block_of(1)
    assert describe(PLAN, REQUEST, block, "https://example.org/b/1").endswith("\nTick it off: https://example.org/b/1")
    assert "Tick it off" not in describe(PLAN, REQUEST, block)


def test_appointments_and_blocks_without_work():
    appointment = PLAN.blocks[-1]
    assert WORDS.headline(appointment) == "Tutoring with Ms Okafor"
    assert WORDS.describe(appointment).startswith("A fixed appointment; it counts as study time of its day.\nWhen: ")
    empty = msgspec.structs.replace(appointment, title="")
    assert WORDS.headline(empty) == "Study time: the summary sheet"
    assert WORDS.describe(empty).startswith("Look over the summary sheet")


def test_a_block_for_two_exams_names_both():
    request, plan = plans.two_exams()
    words = Wording(plan, request)
    assert words.headline(plan.blocks[0]) == "Chemistry: quiz, 2 missed problems / History: essays, 1 piece"
    assert words.why_today(plan.blocks[0]).count("Round 1 of 1") == 2


def test_a_block_with_two_tasks_of_one_exam_names_the_subject_once():
    assert WORDS.headline(block_of(8)) == "Chemistry: practice, 12 problems + tidy the summary sheet"


def test_granted_arrangements_are_never_mentioned():
    """Extra time and pace show in no word; only the minutes of a timed paper hold the former."""
    granted = plans.exam(materials=MATERIALS, timed_paper=True, extra_time=25, pace=150)
    other = Wording(PLAN, msgspec.structs.replace(REQUEST, exams=(granted,)))
    for block in PLAN.blocks:
        assert other.describe(block) == WORDS.describe(block)
        assert other.headline(block) == WORDS.headline(block)
    assert f"timed paper ({BY_ROLE[Role.PAPER].minutes} minutes)" in WORDS.describe(BY_ROLE[Role.PAPER])


# --------------------------------------------------------------------------------------------------- clocks and titles


@pytest.mark.parametrize(
    ("start", "fold", "said"),
    [
        (datetime(2026, 3, 9, 17, 0), 0, "When: Monday 9 March 2026, 17:00–18:00 (America/New_York time)"),
        (datetime(2026, 3, 8, 1, 30), 0, "When: Sunday 8 March 2026, 01:30–03:30 (America/New_York time)"),
        (datetime(2026, 3, 8, 2, 30), 0, "When: Sunday 8 March 2026, 03:00–04:00 (America/New_York time)"),
        (datetime(2026, 11, 1, 1, 30), 0, "When: Sunday 1 November 2026, 01:30–01:30 (America/New_York time)"),
        (
            datetime(2026, 11, 1, 1, 30),
            1,
            "When: Sunday 1 November 2026, 01:30–02:30, the second time that this hour comes that day",
        ),
    ],
)
def test_local_time_is_what_the_clock_on_the_wall_shows(start, fold, said):
    """New York 2026: 02:30 on 8 March does not exist, 01:30 on 1 November comes twice (tz database)."""
    request, plan = plans.at(start, "America/New_York", fold=fold)
    lines = describe(plan, request, plan.blocks[0])
    assert said in lines
    changes = start in (datetime(2026, 3, 8, 1, 30), datetime(2026, 11, 1, 1, 30)) and not fold
    assert ("The clocks change in between: it is 60 minutes all the same." in lines) == changes


def test_a_block_may_pass_midnight():
    request, plan = plans.at(datetime(2026, 5, 1, 23, 30), "Asia/Tokyo")
    assert "When: Friday 1 May 2026, 23:30–00:30 (Asia/Tokyo time)" in describe(plan, request, plan.blocks[0])


@pytest.mark.parametrize("text", ["x" * 5_000, "one\ntwo", " a\t b ", "a  b", "👩‍🔬 lab", ""])
def test_titles_stay_on_one_line_and_of_bearable_length(text):
    request, plan = plans.saying(text)
    words = Wording(plan, request)
    plain = " ".join(text.split())
    short = plain if len(plain) <= 120 else f"{plain[:119]}…"
    assert words.headline(plan.blocks[0]) == f"{short}: {short or 'homework'}, 1 piece"
    assert len(words.headline(plan.blocks[2])) <= 120
    assert "\n" not in words.headline(plan.blocks[2])


def test_an_assumed_number_is_not_said_as_counted():
    counted = Material(key="quiz1", kind=Kind.QUIZ, title="Quiz 1", missed=2)
    assumed = Material(key="quiz1", kind=Kind.QUIZ, title="Quiz 1")
    task = cover(Kind.QUIZ, plans.quiz(1, 2))
    assert "the 2 missed" in taken(plans.exam(materials=(counted,)), task)
    assert "about 2" in taken(plans.exam(materials=(assumed,)), task)


def test_words_are_made_for_one_plan_and_change_nothing():
    before = msgspec.json.encode(PLAN)
    [WORDS.describe(block) for block in PLAN.blocks]
    assert msgspec.json.encode(PLAN) == before
    assert Wording(PLAN, REQUEST).describe(PLAN.blocks[3]) == WORDS.describe(PLAN.blocks[3])


def test_a_plan_of_one_day_to_go_is_said_in_full():
    """A whole description, to be read as a student would."""
    block = msgspec.structs.replace(block_of(2), day=date(2026, 3, 18), start=datetime(2026, 3, 18, 17))
    assert WORDS.describe(block, "https://example.org/b/2") == "\n".join(
        (
            "Chemistry: quiz, 2 missed problems (20 minutes)",
            "Take: Quiz 1: the 2 missed problems and a few of the right ones.",
            "How: Redo every missed problem: study the solution, cover it, do it, check. Up to three tries; what is "
            "still wrong then goes on the ask list, with a flag. A few of the right ones too, to be sure of them.",
            "Why today: Round 1 of 2, first turn for quizzes; next in turn: notes; 2 days to go.",
            "",
            "When: Wednesday 18 March 2026, 17:00–17:20 (America/New_York time)",
            "Tick it off: https://example.org/b/2",
        )
    )
    assert block.day + timedelta(days=2) == REQUEST.exams[0].start.date()


def test_pages_that_the_exam_permits_are_recalled_where_the_sheet_gets_its_last_form():
    exam = plans.exam(sheet_pages=2)
    tidy = plans.task(Role.TIDY, None, (Rank.FLAG_MUST,))
    assert "2 pages may go in" in " ".join(task_lines(exam, tidy))
    assert "may go in" not in " ".join(task_lines(CHEMISTRY, tidy))
    assert "may go in" not in " ".join(task_lines(exam, cover(Kind.HOMEWORK, *plans.homework(1))))


def test_what_was_left_out_is_said_once_at_the_end_of_a_task():
    task = msgspec.structs.replace(cover(Kind.TEST, plans.paper(1, 4, 16)), kept=8)
    first, second = Part(task=task.id, first=0, units=4), Part(task=task.id, first=4, units=4)
    assert "Left out" not in " ".join(task_lines(CHEMISTRY, task, first))
    assert "Left out" in " ".join(task_lines(CHEMISTRY, task, second))


def test_work_without_answers_does_not_ask_to_study_the_solution():
    task = cover(Kind.QUIZ, plans.quiz(1, 2), substitute="questions with printed answers")
    said = " ".join(task_lines(CHEMISTRY, task))
    assert "study the solution" not in said
    assert "what stands in for the answers" in said


def test_a_paper_without_a_missed_problem_has_no_too():
    clean = cover(Kind.QUIZ, plans.quiz(1, 0))
    assert "How: A few of the right ones, to be sure of them." in task_lines(CHEMISTRY, clean)


def test_the_tasks_of_an_only_day_say_so():
    sheet = plans.task(Role.EVE, None, (Rank.ESSENTIAL,) * 2, round=0)
    assert "one page of what matters most" in " ".join(task_lines(CHEMISTRY, sheet))


def test_the_timed_paper_is_next_after_nothing():
    """It has its own day by the clock and no turn in the rotation."""
    paper, *others = (PLAN.tasks[n] for n in (10, 9, 11, 12))
    last = msgspec.structs.replace(paper, number=99)
    plan = msgspec.structs.replace(PLAN, tasks=(*others, last))
    words = Wording(plan, REQUEST)
    assert all("timed paper" not in words.why_today(block_of(n)) for n in (11, 12))


def test_where_only_some_answers_are_missing_both_ways_to_work_are_said():
    blind = Material(key="quiz1", kind=Kind.QUIZ, title="Quiz 1", missed=2, answers=Answers.NONE)
    seen = Material(key="quiz2", kind=Kind.QUIZ, title="Quiz 2", missed=2)
    both = cover(Kind.QUIZ, plans.quiz(1, 2), plans.quiz(2, 2), substitute="questions with printed answers")
    said = " ".join(task_lines(plans.exam(materials=(blind, seen)), both))
    assert "study the solution" in said
    assert "For what has no answers: do each problem without looking" in said


def test_the_last_of_practice_without_answers_is_not_checked_against_them():
    rest = plans.task(Role.CONSOLIDATE, Kind.PRACTICE, (E, E), (plans.practice(13, 6),), substitute="exercises")
    assert "check against the answers" not in " ".join(task_lines(CHEMISTRY, rest))


def test_late_on_the_last_day_there_is_no_other_day_to_leave_work_for():
    late = msgspec.structs.replace(block_of(1), day=date(2026, 3, 19), start=datetime(2026, 3, 19, 20, 30), minutes=45)
    said = WORDS.describe(late)
    assert "Bed at 22:30 comes first: stop at 21:15." in said
    assert "another day" not in said


def test_an_only_days_tasks_claim_no_round_and_no_second_pass():
    made = (
        plans.task(Role.EVE, None, (E, E), id="chem/0", round=0),
        plans.task(Role.COVER, Kind.TEST, (E, E), (plans.paper(1, 4, 16),), id="chem/1", number=1, round=0),
    )
    block = plans.block(date(2026, 3, 19), 16, 20, *map(plans.whole, made))
    request, plan = plans.plan_of((CHEMISTRY,), made, (block,))
    assert why_today(plan, request, block) == (
        "One day is left, so what matters most comes first; the exam is tomorrow."
    )
