"""Weaving: whatever is tried, every unit stays, every exam keeps its order, and mending never makes a plan worse."""

from __future__ import annotations

from itertools import accumulate, pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calplan.capacity import Board, Job, Run, bound, ceiling, kept_runs, rooms_under, settle
from calplan.partition import Canvas, Tariff, cells, cells_at_most, partition
from calplan.weaving import (
    by_continuation,
    earliest_due,
    feasible,
    fused,
    keeps_order,
    neighbours,
    orders,
    rewoven,
    weave,
)
from tests.instances import SMALL, instance


def canvas_of(seed: int) -> tuple[Canvas, list[Run]]:
    """The canvas and the runs that the scheduler would weave for a seeded instance."""
    given = instance(seed, SMALL)
    kept, late = settle(given.board, given.jobs, essentials=given.essentials, opened=given.opened)
    board = given.opened if late else given.board
    runs = kept_runs(given.jobs, kept, late=late)
    rooms = rooms_under(board, ceiling(board, bound(runs, board)))
    pinned = [run for run in runs if given.jobs[run.job].pinned]
    return Canvas(board, given.jobs, kept, rooms, pinned), [run for run in runs if not given.jobs[run.job].pinned]


def units(order: list[Run]) -> list[tuple[int, int]]:
    return [(run.job, n) for run in order for n in range(run.first, run.first + run.units)]


def by_exam(jobs: tuple[Job, ...], order: list[Run]) -> dict[int, list[tuple[int, int]]]:
    exams: dict[int, list[tuple[int, int]]] = {}
    for job, n in units(order):
        exams.setdefault(jobs[job].exam, []).append((job, n))
    return exams


@pytest.mark.parametrize("seed", range(60))
def test_some_proposed_order_fits_and_all_hold_every_unit(seed: int) -> None:
    canvas, runs = canvas_of(seed)
    proposed = orders(runs, canvas.jobs, canvas.rooms)
    assert any(feasible(order, canvas.rooms) for order in proposed)
    assert all(sorted(units(order)) == sorted(units(runs)) for order in proposed)


@pytest.mark.parametrize("seed", range(60))
def test_neighbours_hold_every_unit_and_keep_each_exams_order(seed: int) -> None:
    canvas, runs = canvas_of(seed)
    order = next(order for order in orders(runs, canvas.jobs, canvas.rooms) if feasible(order, canvas.rooms))
    layout = partition(canvas, order)
    assert layout is not None
    lawful = keeps_order(canvas.jobs, order)
    assert lawful == all(mine == sorted(mine) for mine in by_exam(canvas.jobs, order).values())
    for other in neighbours(canvas.jobs, order, layout):
        assert sorted(units(other)) == sorted(units(order))
        assert keeps_order(canvas.jobs, other) or not lawful


@pytest.mark.parametrize("seed", range(60))
def test_another_order_inside_the_days_costs_the_same_and_mending_never_more(seed: int) -> None:
    """A day's cost depends on what it holds, not on the order in it; so chaining tasks is a step that loses nothing."""
    canvas, runs = canvas_of(seed)
    order = next(order for order in orders(runs, canvas.jobs, canvas.rooms) if feasible(order, canvas.rooms))
    cut = Tariff(canvas, order).cut(order)
    assert cut is not None
    chained = partition(canvas, by_continuation(canvas.jobs, order, cut.layout))
    assert chained is not None
    assert chained.score <= cut.score
    assert rewoven(cut).cost[:3] <= cut.cost[:3]
    assert rewoven(cut, trials=0) == cut


def test_a_torn_task_is_drawn_together() -> None:
    """Two exams, two days of two units: the order A B A B tears both tasks apart, although A A, B B fits as well."""
    board = Board(room=(2, 2), load=(0, 0), filled=(False, False), usual=2, limit=2)
    jobs = (Job(exam=0, ranks=(3, 3), release=0, due=1), Job(exam=1, ranks=(3, 3), release=0, due=1))
    canvas = Canvas(board, jobs, (2, 2), (2, 2), [])
    torn = [Run(job, n, 1, 3, 0, 1) for n in (0, 1) for job in (0, 1)]
    cut = Tariff(canvas, torn).cut(torn)
    assert cut is not None
    assert cut.cost[2] == 6  # two tasks go on into the second day, and four parts are under ten minutes
    assert rewoven(cut).cost[2] == 0
    assert weave(canvas, [Run(0, 0, 2, 3, 0, 1), Run(1, 0, 2, 3, 0, 1)]).cost[:3] == (0, 0, 0)


def test_published_preemptive_schedule_has_no_lateness() -> None:
    """Jobs (release, length, due): A (0, 4, 6), B (1, 2, 4); built after Horn 1974, Naval Research Logistics
    Quarterly 21(1). Days are unit time slots, due on their last slot.
    """
    jobs = (Job(exam=0, ranks=(3,) * 4, release=0, due=5), Job(exam=1, ranks=(3,) * 2, release=1, due=3))
    runs = [Run(0, 0, 4, 3, 0, 5), Run(1, 0, 2, 3, 1, 3)]
    placed = earliest_due(runs, jobs, (1,) * 6, lead=6)
    assert placed is not None
    assert [run.job for _, run in placed] == [0, 1, 1, 0, 0, 0]


def test_published_overload_is_refused() -> None:
    """A (0, 3, 4), B (1, 2, 4), C (0, 2, 9): the window [0, 4] needs 5 and has 4. Built."""
    jobs = tuple(
        Job(exam=i, ranks=(3,) * length, release=release, due=due - 1)
        for i, (release, length, due) in enumerate([(0, 3, 4), (1, 2, 4), (0, 2, 9)])
    )
    runs = [Run(i, 0, len(job.ranks), 3, job.release, job.due) for i, job in enumerate(jobs)]
    assert earliest_due(runs, jobs, (1,) * 9, lead=9) is None
    assert earliest_due([runs[0], runs[2]], jobs, (1,) * 9, lead=9) is not None


@given(st.lists(st.tuples(st.integers(0, 3), st.integers(1, 4)), max_size=20))
def test_fusing_changes_no_unit(drawn: list[tuple[int, int]]) -> None:
    done = [0, 0, 0, 0]
    order = []
    for job, count in drawn:
        order.append(Run(job, done[job], count, 3, 0, 9))
        done[job] += count
    joined = fused(order)
    assert units(joined) == units(order)
    assert all(one.job != other.job for one, other in pairwise(joined))
    assert sum(run.units for run in joined) == list(accumulate(done))[-1]


@pytest.mark.parametrize("seed", range(60))
def test_the_quick_estimate_of_a_cut_is_never_below_the_exact_one(seed: int) -> None:
    canvas, runs = canvas_of(seed)
    for order in orders(runs, canvas.jobs, canvas.rooms):
        assert 0 < cells(canvas, order) <= cells_at_most(canvas, order)
