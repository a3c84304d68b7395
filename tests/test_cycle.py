"""The rotation: stages, rounds, stops and what each of them takes.

The figures of the trade are "common practice, no source"; published findings stand beside the check that uses them.
"""

from __future__ import annotations

from datetime import date, datetime, timedelta
from itertools import pairwise, permutations
from typing import TYPE_CHECKING

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calplan.cycle import Setting, cycle, deal, estimate, nothing_of, rounds_of, stages_of, topics_apart
from calplan.model import KINDS, WORTH, Answers, Exam, Kind, Material, Rank, Rates, Role, Task

if TYPE_CHECKING:
    from collections.abc import Sequence

MONDAY = date(2027, 1, 4)
RATES = Rates()


def days(count: int) -> list[date]:
    return [MONDAY + timedelta(days=i) for i in range(count)]


def pieces(kind: Kind, count: int, **more: object) -> tuple[Material, ...]:
    return tuple(
        Material(key=f"{kind}-{i}", kind=kind, title=f"{kind} {i}", **more)  # type: ignore[arg-type]
        for i in range(1, count + 1)
    )


def pile() -> tuple[Material, ...]:
    """A month's material: common practice for a term exam."""
    return (
        *pieces(Kind.HOMEWORK, 14),
        *pieces(Kind.QUIZ, 5, missed=2),
        Material(key="notes", kind=Kind.NOTES, title="Notes", size=26),
        *pieces(Kind.TEST, 4, missed=4),
        Material(key="practice", kind=Kind.PRACTICE, title="Practice", size=90),
    )


def exam(materials: tuple[Material, ...] = (), **more: object) -> Exam:
    return Exam(
        key="e",
        subject="Chemistry",
        start=datetime(2027, 6, 1, 9),
        minutes=90,
        materials=materials,
        **more,  # type: ignore[arg-type]
    )


def tasks_over(count: int, materials: tuple[Material, ...] | None = None, **more: object) -> tuple[Task, ...]:
    return cycle(exam(pile() if materials is None else materials, **more), RATES, days(count), usual=30).tasks


# ----------------------------------------------------------------------------------------------- stages


@pytest.mark.parametrize(
    ("count", "expected"),
    [
        (1, (1, 0, 0)),
        (2, (1, 0, 1)),
        (3, (2, 0, 1)),
        (4, (2, 1, 1)),
        (5, (3, 1, 1)),
        (9, (5, 2, 2)),  # 9/6 = 1.5, half rounded up
        (10, (6, 2, 2)),
        (15, (9, 3, 3)),
        (20, (14, 3, 3)),
        (30, (20, 5, 5)),  # a month: four cover rounds of five stops, one consolidate, one taper
        (60, (43, 10, 7)),
        (360, (343, 10, 7)),
    ],
)
def test_a_sixth_of_the_days_is_taper_and_a_sixth_consolidate(count: int, expected: tuple[int, int, int]) -> None:
    """Common practice, no source: a month is six rounds of five, of which the last two are second pass and taper."""
    assert stages_of(count) == expected


@given(st.integers(1, 2000))
def test_stages_share_all_days_and_there_is_always_a_first_pass(count: int) -> None:
    stages = stages_of(count)
    assert sum(stages) == count
    assert stages.cover >= 1
    assert stages.taper <= 7
    assert stages.consolidate <= 10


@pytest.mark.parametrize(
    ("cover", "kinds", "expected"),
    [
        (20, 5, 4),
        (14, 5, 3),
        (12, 5, 2),
        (10, 5, 2),
        (9, 5, 2),
        (4, 5, 2),
        (3, 5, 1),
        (1, 1, 1),
        (20, 3, 7),
        (20, 0, 0),
    ],
)
def test_rounds_follow_cover_days_and_kinds(cover: int, kinds: int, expected: int) -> None:
    assert rounds_of(cover, kinds) == expected


# ------------------------------------------------------------------------------------------- what it costs


@pytest.mark.parametrize(
    ("material", "total", "essential"),
    [
        (Material(key="m", kind=Kind.HOMEWORK, title="h"), 7, 5.25),
        (Material(key="m", kind=Kind.QUIZ, title="q", missed=2), 18, 10),
        (Material(key="m", kind=Kind.QUIZ, title="q"), 18, 10),  # a quarter of eight problems is taken as missed
        (Material(key="m", kind=Kind.QUIZ, title="q", missed=0), 8, 0),
        (Material(key="m", kind=Kind.NOTES, title="n", size=6), 27, 20.25),
        (Material(key="m", kind=Kind.TEST, title="t", missed=4), 35, 20),
        (Material(key="m", kind=Kind.TEST, title="t", missed=6, size=20), 66, 30),
        (Material(key="m", kind=Kind.PRACTICE, title="p", size=60), 90, 60.3),
        (Material(key="m", kind=Kind.TEST, title="t", missed=4, minutes=70), 70, 40),
        (Material(key="m", kind=Kind.HOMEWORK, title="h", minutes=0), 0, 0),
    ],
)
def test_minutes_of_a_first_pass(material: Material, total: float, essential: float) -> None:
    """8 + 5 a missed problem for a quiz, 15 + 5 + 1.5 a right one for a test, 7, 4.5 and 1.5 for the others.

    Common practice, no source.
    """
    assert estimate(exam(), RATES, material) == pytest.approx((total, essential))


def test_multiple_choice_takes_two_thirds_and_pace_scales_all() -> None:
    """Common practice, no source."""
    paper = Material(key="m", kind=Kind.TEST, title="t", missed=4, multiple_choice=True)
    assert estimate(exam(), RATES, paper)[0] == pytest.approx(35 * 0.67)
    assert estimate(exam(pace=150), RATES, paper)[0] == pytest.approx(35 * 0.67 * 1.5)


# ------------------------------------------------------------------------------------------------ dealing


def test_sixty_practice_problems_over_five_stops_are_twelve_each() -> None:
    """Four cover stops and one in the second pass. Common practice, no source."""
    practice = Material(key="p", kind=Kind.PRACTICE, title="Practice", size=60)
    stops = [task for task in tasks_over(30, (*pile()[:-1], practice)) if task.kind is Kind.PRACTICE]
    assert [sum(item.count for item in stop.items) for stop in stops] == [12] * 5
    assert [stop.role for stop in stops] == [Role.COVER] * 4 + [Role.CONSOLIDATE]


@given(st.lists(st.integers(1, 40), min_size=1, max_size=12), st.integers(1, 20), st.sampled_from(KINDS))
def test_dealing_is_even_in_order_and_complete(sizes: list[int], stops: int, kind: Kind) -> None:
    whole = [Material(key=str(i), kind=kind, title=str(i), size=size) for i, size in enumerate(sizes)]
    setting = Setting(exam(tuple(whole)), RATES, tuple(days(30)), stages_of(30), 10, days(30)[0])
    dealt = deal(setting, whole, stops)
    by_piece = kind not in (Kind.NOTES, Kind.PRACTICE)
    amounts = [len(items) if by_piece else sum(item.count for item in items) for items in dealt]
    assert len(dealt) == stops
    assert sum(amounts) == (len(sizes) if by_piece else sum(sizes))
    assert max(amounts) - min(amounts) <= 1
    assert amounts == sorted(amounts, reverse=True)
    flat = [(item.material, item.first, item.count) for items in dealt for item in items]
    expected = [(str(i), 1) if by_piece else (str(i), p) for i, s in enumerate(sizes) for p in range(1, s + 1)]
    if by_piece:
        assert [material for material, _, _ in flat] == [str(i) for i in range(len(sizes))]
    else:
        assert [(m, p) for m, first, count in flat for p in range(first, first + count)] == expected


# ----------------------------------------------------------------------------------------------- rotation


def test_the_kinds_take_turns_in_their_order() -> None:
    """Interleaving: neighbouring stops differ in kind (Rohrer, Dedrick, Hartwig & Cheung 2020, J Educ Psychol)."""
    cover = [task for task in tasks_over(30) if task.role is Role.COVER]
    assert [task.kind for task in cover] == list(KINDS) * 4
    assert [task.round for task in cover] == [i for i in (1, 2, 3, 4) for _ in KINDS]
    assert all(one.kind is not other.kind for one, other in pairwise(cover))


def test_a_month_of_free_days_has_one_stop_a_day_of_twenty_to_forty_minutes() -> None:
    cover = [task for task in tasks_over(30) if task.role is Role.COVER]
    assert [task.ideal for task in cover] == days(30)[:20]
    assert {len(task.ranks) * 5 for task in cover} <= set(range(20, 41, 5))


def test_one_round_goes_by_worth() -> None:
    """Three usable days leave two for the first pass: tests first, homework last. Common practice, no source."""
    cover = [task for task in tasks_over(3) if task.role is Role.COVER]
    assert [task.kind for task in cover] == list(WORTH)


def test_the_second_pass_takes_each_kind_once_and_ends_with_the_sheet() -> None:
    second = [task for task in tasks_over(30) if task.stage == "consolidate"]
    assert [task.kind for task in second] == [*KINDS, None]
    assert second[-1].role is Role.TIDY
    assert {rank for task in second[:4] for rank in task.ranks} == {Rank.FLAG_MUST, Rank.FLAG_SHOULD}


@given(st.lists(st.sampled_from(["acids", "gases", "bonds", ""]), max_size=7))
def test_neighbours_of_the_second_pass_differ_in_topic_when_any_order_allows_that(topics: list[str]) -> None:
    """No two consecutive problems with the same strategy (Rohrer, Dedrick, Hartwig & Cheung 2020, J Educ Psychol);
    all orders are tried by brute force. A piece of no known topic differs from all.
    """
    mine = [Material(key=str(i), kind=Kind.QUIZ, title=str(i), topic=topic) for i, topic in enumerate(topics)]

    def apart(order: Sequence[Material]) -> bool:
        return all(one.topic != other.topic or not one.topic for one, other in pairwise(order))

    ordered = topics_apart(mine)
    assert sorted(ordered, key=lambda m: int(m.key)) == mine
    assert apart(ordered) == any(apart(order) for order in permutations(mine))


def test_the_second_pass_names_its_pieces_where_topics_are_known() -> None:
    """Of a quiz without a missed problem nothing comes back; without topics the flags alone say what to take."""
    quizzes = tuple(
        Material(key=f"q{i}", kind=Kind.QUIZ, title=f"Quiz {i}", missed=missed, topic=topic)
        for i, (topic, missed) in enumerate([("acids", 2), ("acids", 3), ("gases", 1), ("gases", 0), ("bonds", 2)])
    )
    made = tasks_over(30, (*quizzes, *pieces(Kind.TEST, 2, missed=1)))
    second = {task.kind: task for task in made if task.role is Role.CONSOLIDATE}
    assert [item.material for item in second[Kind.QUIZ].items] == ["q0", "q2", "q1", "q4"]
    assert sum(item.minutes for item in second[Kind.QUIZ].items) == pytest.approx(8 * 5 * 0.25)
    assert second[Kind.TEST].items == ()


def test_the_last_stretch_is_light_and_fixed_to_its_days() -> None:
    """20 minutes a day, a lighter eve. Common practice, no source."""
    last = [task for task in tasks_over(30) if task.stage == "taper"]
    assert [len(task.ranks) * 5 for task in last] == [20, 20, 20, 20, 15]
    assert all(task.first == task.last == task.ideal for task in last)
    assert [task.ideal for task in last] == days(30)[25:]
    assert last[-1].role is Role.EVE
    assert all(3 <= len(task.items) <= 5 for task in last[:-1])
    assert len({tuple(item.material for item in task.items) for task in last[:-1]}) > 1


def test_a_short_pile_leaves_stops_for_encores() -> None:
    made = cycle(exam(pile()), RATES, days(60), usual=30)
    assert {kind for _, kind in made.encores} == {Kind.QUIZ, Kind.TEST}
    assert len(made.encores) == 9 * 5 - len([task for task in made.tasks if task.role is Role.COVER])


def test_the_gap_between_two_passes_of_a_kind_lies_in_the_tested_range_where_a_month_allows() -> None:
    """For a delay of 35 days the best gap tested was 11 days (Cepeda, Vul, Rohrer, Wixted & Pashler 2008, figure, from
    memory); 5 to 40 % of the delay is the span of good gaps. In a month the last first pass of a kind lies five
    days and its first one twenty days before the second: inside and beyond; DEVELOPERS.md says so.
    """
    tasks = tasks_over(30)
    for kind in (Kind.HOMEWORK, Kind.QUIZ, Kind.NOTES, Kind.TEST):
        passes = [task.ideal for task in tasks if task.kind is kind]
        assert (passes[-1] - passes[-2]).days == 5
        assert (passes[-1] - passes[0]).days == 20


# -------------------------------------------------------------------------- what is late, missing, unanswered


def test_a_stop_whose_material_is_not_in_hand_changes_places_with_the_next_that_is() -> None:
    late = Material(key="q", kind=Kind.QUIZ, title="Quiz", missed=2, in_hand=MONDAY + timedelta(days=5))
    made = tasks_over(12, (*pieces(Kind.HOMEWORK, 4), late, *pieces(Kind.TEST, 2, missed=1)))
    cover = [task for task in made if task.role is Role.COVER]
    assert [task.kind for task in cover[:2]] == [Kind.HOMEWORK, Kind.TEST]
    quiz = next(task for task in cover if task.kind is Kind.QUIZ)
    assert quiz.first == late.in_hand
    assert quiz.ideal >= late.in_hand


@given(
    st.integers(2, 60),
    st.lists(
        st.tuples(st.sampled_from(KINDS), st.integers(1, 30), st.integers(0, 70), st.sampled_from(Answers)),
        max_size=25,
    ),
)
def test_no_stop_has_its_day_before_its_material_and_every_kind_is_covered_before_its_second_pass(
    count: int, stock: list[tuple[Kind, int, int, Answers]]
) -> None:
    materials = tuple(
        Material(key=str(i), kind=kind, title=str(i), size=size, answers=answers, in_hand=MONDAY + timedelta(days=wait))
        for i, (kind, size, wait, answers) in enumerate(stock)
    )
    made = cycle(exam(materials), RATES, days(count), usual=30)
    in_hand = {material.key: material.in_hand for material in materials}
    ends = made.stages.cover + made.stages.consolidate
    assert [task.number for task in made.tasks] == list(range(len(made.tasks)))
    assert [task.ideal for task in made.tasks] == sorted(task.ideal for task in made.tasks)
    covered: set[Kind | None] = set()
    for task in made.tasks:
        assert task.first <= task.last
        assert all(in_hand[item.material] <= task.first for item in task.items)
        assert all(one <= other for one, other in pairwise(task.ranks))
        if task.role is Role.CONSOLIDATE:
            assert task.kind not in covered
            covered.add(task.kind)
        if task.role is Role.COVER:
            assert task.kind not in covered
    taken = {item.material for task in made.tasks if task.stage != "taper" for item in task.items}
    assert taken | {material.key for material in made.late} == {material.key for material in materials}
    assert all(material.in_hand > days(count)[ends - 1] for material in made.late)


def test_material_that_comes_after_the_second_pass_goes_before_others_into_the_taper() -> None:
    late = Material(key="late", kind=Kind.QUIZ, title="Quiz 6", missed=3, in_hand=days(30)[26])
    made = cycle(exam((*pile(), late)), RATES, days(30), usual=30)
    assert made.late == (late,)
    taper = [task for task in made.tasks if task.role is Role.TAPER]
    assert [task.items[0].material == "late" for task in taper] == [False, True, True, True]


def test_work_without_answers_waits_for_its_fallback_day_and_names_a_substitute() -> None:
    """Answers at hand come first: the right answer after a wrong response is worth +494 % retention (Pashler, Cepeda,
    Wixted & Rohrer 2005, JEP:LMC 31(1):3–8).
    """
    blind = Material(key="blind", kind=Kind.PRACTICE, title="Odd problems", size=20, answers=Answers.NONE)
    fallback = days(30)[12]
    made = cycle(exam((*pile(), blind), answers_by=fallback), RATES, days(30), usual=30)
    stops = [task for task in made.tasks if any(item.material == "blind" for item in task.items)]
    assert stops
    assert all(task.first >= fallback and task.substitute for task in stops if task.stage != "taper")
    assert [ask.material for ask in made.asks] == ["blind"]
    assert made.tasks[0].role is Role.GATHER


def test_gathering_comes_first_of_all_and_only_where_something_is_missing() -> None:
    assert tasks_over(30)[0].role is Role.COVER
    without_tests = tasks_over(30, tuple(m for m in pile() if m.kind is not Kind.TEST))
    assert without_tests[0].role is Role.GATHER
    assert "chapter review" in without_tests[0].substitute


# -------------------------------------------------------------------------------------------- one day left


def test_a_single_day_is_an_order_of_what_matters_most() -> None:
    """The sheet, missed problems of the newest test, a little practice, stop. Common practice, no source."""
    made = tasks_over(1)
    assert [task.role for task in made] == [Role.EVE, Role.COVER, Role.COVER]
    assert [task.kind for task in made] == [None, Kind.TEST, Kind.PRACTICE]
    assert made[1].items[0].material == "test-4"
    assert sum(len(task.ranks) for task in made) * 5 <= 40


def test_a_single_day_with_nothing_in_hand_still_has_its_sheet() -> None:
    future = Material(key="t", kind=Kind.TEST, title="t", missed=1, in_hand=MONDAY + timedelta(days=3))
    assert [task.role for task in tasks_over(1, (future,))] == [Role.EVE]
    quiz_only = tasks_over(1, pieces(Kind.QUIZ, 2, missed=1))
    assert [task.kind for task in quiz_only] == [None, Kind.QUIZ]
    assert all(task.round == 0 for task in (*tasks_over(1), *quiz_only))


def test_kinds_of_which_there_is_nothing_are_named_in_the_exams_own_words() -> None:
    """For any number of them; each with what stands in for it. Common practice, no source."""
    assert nothing_of(exam(pile())) == ""
    no_tests = tuple(m for m in pile() if m.kind is not Kind.TEST)
    assert nothing_of(exam(no_tests)) == "no tests (take the chapter review as if it were one)"
    few = tuple(m for m in no_tests if m.kind not in (Kind.QUIZ, Kind.NOTES))
    said = nothing_of(exam(few, labels={Kind.QUIZ: "vocabulary"}))
    assert said.startswith("no vocabulary (take ")
    assert "), no notes (take " in said
    assert ") and no tests (take " in said
