"""The scheduler as a whole: what the oracles say of its plans, published examples, and its laws."""

from __future__ import annotations

from itertools import combinations_with_replacement, pairwise, product
from random import Random

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calplan.capacity import Board, Job, keep_for
from calplan.model import Rank
from calplan.schedule import Solution, solve
from tests import oracle
from tests.bench.oracle import judge
from tests.instances import SMALL, Instance, Size, instance

seeds = st.integers(min_value=0, max_value=2**32)


def solved(asked: Instance) -> Solution:
    return solve(asked.board, asked.jobs, essentials=asked.essentials, opened=asked.opened)


def board(*room: int, usual: int = 6, limit: int = 12) -> Board:
    days = len(room)
    return Board(room=room, load=(0,) * days, filled=(False,) * days, usual=usual, limit=limit)


def one(exam: int, release: int, due: int, units: int = 1, **fields: object) -> Job:
    return Job(exam=exam, ranks=(Rank.ESSENTIAL,) * units, release=release, due=due, **fields)  # type: ignore[arg-type]


def holders(plan: Solution, job: int) -> list[int]:
    """The day of each unit of a job."""
    return [day for day, pieces in enumerate(plan.days) for p in pieces if p.job == job for _ in range(p.units)]


# --------------------------------------------------------------------------------------------- oracles


SAMPLE = (*range(1, 24), 30, 75)


def test_the_sample_has_what_is_rare() -> None:
    """Opened taper days, an exam out of order, lost work, several exams."""
    plans = [(instance(seed, SMALL), solved(instance(seed, SMALL))) for seed in SAMPLE]
    assert any(plan.opened for _, plan in plans)
    assert any(plan.bent for _, plan in plans)
    assert any(any(oracle.lost_by_rank(asked.jobs, plan.kept)) for asked, plan in plans)
    assert any(len({job.exam for job in asked.jobs}) > 2 for asked, _ in plans)


@pytest.mark.parametrize("seed", SAMPLE)
def test_every_oracle_agrees(seed: int) -> None:
    """A sample of what tests/bench/oracle.py judges at length: loss, bound, the cut of the order, the recounted cost,
    soundness, and that no exam is out of order without need."""
    verdict = judge(instance(seed, SMALL), weave=False)
    assert verdict.proven, "these sizes are always proven"
    assert not verdict.faults


@pytest.mark.parametrize("seed", range(1, 21))
def test_no_plan_is_better_than_the_best_weaving(seed: int) -> None:
    """CP-SAT's least (clashes, empty days, cuts and joins) over all weavings of these is never above the plan's, and
    with a single exam, where there is nothing to weave, it is the plan's."""
    asked = instance(seed, Size(days=(2, 3, 4, 5, 6, 8), exams=3, units=24))
    plan = solved(asked)
    used = asked.opened if plan.opened else asked.board
    if plan.bent:
        assert not oracle.order_can_be_kept(used, asked.jobs, plan.kept, plan.maximum, late=plan.opened)
        return
    best = oracle.best_weaving(used, asked.jobs, plan.kept, plan.maximum, late=plan.opened)
    assert best <= plan.cost[:3]
    if len({job.exam for job in asked.jobs}) == 1:
        assert best == plan.cost[:3]


@pytest.mark.parametrize("seed", range(20))
def test_the_weaving_oracle_equals_brute_force(seed: int) -> None:
    """Two exams on three days: every pair of cuts is tried, and the best one is what CP-SAT finds."""
    chance = Random(seed)
    room = tuple(chance.randint(1, 4) for _ in range(3))
    days = Board(
        room=room,
        load=(0, chance.randint(0, 1), 0),
        filled=(False, False, chance.random() < 0.3),
        eves=frozenset({2}),
        usual=2,
    )
    jobs = [
        one(exam, 0, 2, chance.randint(1, 2), kind=chance.randint(0, 1), second=turn == 2)
        for exam in range(2)
        for turn in range(3)
    ]
    kept = [len(job.ranks) for job in jobs]
    land = oracle.ground(days, jobs, kept, 99)
    mine = [[i for i, job in enumerate(jobs) if job.exam == exam for _ in job.ranks] for exam in range(2)]
    best: oracle.Vector | None = None
    for inner in product(*(combinations_with_replacement(range(len(units) + 1), 2) for units in mine)):
        total: oracle.Vector = (0, 0, 0, 0, 0)
        before: list[int] = []
        bounds = [list(pairwise((0, *cuts, len(units)))) for cuts, units in zip(inner, mine, strict=True)]
        laid = [
            [j for units, b in zip(mine, bounds, strict=True) for j in units[b[day][0] : b[day][1]]] for day in range(3)
        ]
        if any(len(here) > space for here, space in zip(laid, land.rooms, strict=True)):
            continue
        for day, here in enumerate(laid):
            total = oracle.added(total, oracle.stretch_cost(land, day, before, here, kept))
            before += here
        best = total[:3] if best is None else min(best, total[:3])
    if best is None:
        with pytest.raises(oracle.NothingFits):
            oracle.best_weaving(days, jobs, kept, 99, late=False)
    else:
        assert oracle.best_weaving(days, jobs, kept, 99, late=False) == best


# ------------------------------------------------------------------------------------ published examples


def test_earliest_due_date_with_preemption_has_no_lateness() -> None:
    """A(release 0, length 4, due 6) B(1, 2, 4), a unit a day: B goes between A's units and neither is late. Built for
    this project; the method is that of Horn 1974, Naval Research Logistics Quarterly 21(1)."""
    plan = solve(board(*(1,) * 6, usual=1, limit=1), [one(0, 0, 5, 4), one(1, 1, 3, 2)])
    assert plan.kept == (4, 2)
    assert max(holders(plan, 0)) <= 5
    assert 1 <= min(holders(plan, 1)) <= max(holders(plan, 1)) <= 3


def test_what_an_overfull_window_cannot_hold_is_lost_and_nothing_else() -> None:
    """A(0, 3, 4) B(1, 2, 4) C(0, 2, 9), a unit a day: 5 units for 4 days, so that one is lost. Built for this
    project."""
    plan = solve(board(*(1,) * 9, usual=1, limit=1), [one(0, 0, 3, 3), one(1, 1, 3, 2), one(2, 0, 8, 2)])
    assert sum(plan.kept[:2]) == 4
    assert plan.kept[2] == 2


# ---------------------------------------------------------------------------------------- one rule a time


def test_nothing_to_do_and_no_day_to_do_it_on() -> None:
    assert solve(board(), []).days == ()
    assert solve(board(3, 0), []) == Solution(kept=(), bound=0, maximum=8, days=((), ()), cost=(0, 1, 0, 0, 0))
    assert solve(board(0), [one(0, 0, 0)]).kept == (0,)


def test_the_order_within_an_exam_is_law_where_it_can_be_kept() -> None:
    """The second task may lie on day 0 and the first too, so that the first comes first, although apart is nearer to
    their ideal days."""
    plan = solve(board(1, 1), [one(0, 0, 1, ideal=1), one(0, 0, 1, ideal=1)])
    assert (holders(plan, 0), holders(plan, 1)) == ([0], [1])
    assert not plan.bent


def test_an_order_is_kept_by_waiting_for_what_is_not_yet_in_hand() -> None:
    """Exam 0's second task could go first, on day 0; it waits for the first one, and the other exam takes day 0."""
    plan = solve(board(1, 1, 1, usual=1, limit=1), [one(0, 1, 2), one(0, 0, 2), one(1, 0, 2)])
    assert [holders(plan, job) for job in range(3)] == [[1], [2], [0]]
    assert not plan.bent


def test_opened_taper_days_take_essentials_in_the_plan() -> None:
    """Day 1 is a taper day with a pinned task; what day 0 cannot hold goes there, up to usual."""
    days = board(4, 12, 12)
    jobs = [one(0, 0, 0, 6, late=1), one(0, 1, 1, 2, pinned=True)]
    plan = solve(days, jobs, opened=msgspec.structs.replace(days, room=(4, 6, 12)))
    assert plan.opened
    assert plan.kept == (6, 2)
    assert sum(piece.units for piece in plan.days[1]) <= 6
    assert not solve(days, jobs).opened


def test_an_exam_is_bent_where_its_dates_leave_no_choice() -> None:
    """The first task is in hand on day 1 and the second due on day 0. The clash of first and second pass that this
    brings about is counted: once it was not, since a second pass was looked for only after the first."""
    plan = solve(board(2, 2, usual=2, limit=2), [one(0, 1, 1), one(0, 0, 0)])
    assert plan.bent == {0}
    jobs = [one(0, 1, 1, kind=0), one(0, 0, 1, 3, kind=0, second=True, ideal=1)]
    torn = solve(board(2, 2, usual=2, limit=2), jobs)
    assert torn.bent == {0}
    assert torn.cost == oracle.plan_cost(board(2, 2), jobs, torn.days)
    assert torn.cost[0] == 1


def test_only_exams_that_must_are_bent() -> None:
    """Exam 0 has to give way; exam 2 could be put out of order too, and must not be, since exam 1's unit can wait."""
    jobs = [one(0, 1, 1), one(0, 0, 0), one(1, 0, 1), one(2, 0, 1), one(2, 0, 0)]
    assert solve(board(3, 3, usual=3, limit=3), jobs).bent == {0}


def test_three_pinned_exams_in_a_day_are_one_beyond_the_second() -> None:
    """Nothing can avoid it, and it is counted all the same, like an eve over usual."""
    jobs = [one(exam, 0, 0, pinned=True) for exam in range(3)]
    assert solve(board(6), jobs).cost == (0, 0, 1, 0, 9)


# ------------------------------------------------------------------------------------------------ laws


@settings(max_examples=40)
@given(seeds)
def test_plans_are_sound_and_their_cost_is_as_said(seed: int) -> None:
    """Every kept unit once, in its window, under the limit and the maximum, in order or said to be bent."""
    asked = instance(seed, SMALL)
    plan = solved(asked)
    used = asked.opened if plan.opened else asked.board
    assert oracle.unsound(used, asked.jobs, plan) == []
    assert oracle.plan_cost(used, asked.jobs, plan.days) == plan.cost
    assert plan.bound <= plan.maximum <= max(asked.board.limit, plan.bound)


@settings(max_examples=20)
@given(seeds)
def test_the_same_input_gives_the_same_plan(seed: int) -> None:
    assert msgspec.json.encode(solved(instance(seed, SMALL))) == msgspec.json.encode(solved(instance(seed, SMALL)))


@settings(max_examples=20)
@given(seeds)
def test_planned_and_lost_are_all_that_was_asked(seed: int) -> None:
    asked = instance(seed, SMALL)
    plan = solved(asked)
    planned = sum(piece.units for pieces in plan.days for piece in pieces)
    lost = sum(oracle.lost_by_rank(asked.jobs, plan.kept))
    assert planned + lost == sum(len(job.ranks) for job in asked.jobs)


def later(asked: Instance, by: int) -> Instance:
    """The same instance after ``by`` days on which nothing can be done."""
    return asked._replace(
        board=shifted(asked.board, by),
        opened=shifted(asked.opened, by),
        jobs=tuple(
            msgspec.structs.replace(
                job,
                release=job.release + by,
                due=job.due + by,
                late=job.late + by if job.late >= 0 else -1,
                ideal=job.ideal + by,
            )
            for job in asked.jobs
        ),
    )


def shifted(days: Board, by: int) -> Board:
    return Board(
        room=(0,) * by + days.room,
        load=(0,) * by + days.load,
        filled=(False,) * by + days.filled,
        eves=frozenset(day + by for day in days.eves),
        usual=days.usual,
        limit=days.limit,
    )


@settings(max_examples=30)
@given(seeds, st.integers(min_value=1, max_value=9))
def test_leading_days_without_room_shift_the_plan(seed: int, by: int) -> None:
    asked = instance(seed, SMALL)
    plan, moved = solved(asked), solved(later(asked, by))
    assert moved.days == ((),) * by + plan.days
    assert (moved.kept, moved.bound, moved.maximum, moved.cost) == (plan.kept, plan.bound, plan.maximum, plan.cost)
    assert (moved.opened, moved.bent) == (plan.opened, plan.bent)


@settings(max_examples=30)
@given(seeds)
def test_more_room_on_the_same_days_never_loses_a_unit(seed: int) -> None:
    """With everything kept that fits, and the taper days closed (opening them gives up extras for essentials)."""
    asked = instance(seed, SMALL)
    wider = tuple(room + Random(seed + day).randint(0, 2) for day, room in enumerate(asked.board.room))
    wide = msgspec.structs.replace(asked.board, room=wider, limit=asked.board.limit + 2)
    before, after = solve(asked.board, asked.jobs), solve(wide, asked.jobs)
    assert before.kept == keep_for(asked.board, asked.jobs, essentials=False, late=False)
    assert all(a <= b for a, b in zip(before.kept, after.kept, strict=True))
