"""Detours: what is said of an order by its difference from one that was cut, against brute force and a whole cut."""

from __future__ import annotations

from random import Random

import pytest

from calplan.capacity import Run
from calplan.detours import Detour
from calplan.partition import Canvas, Cut, Tariff, partition
from calplan.weaving import neighbours, orders
from tests import oracle
from tests.test_partition import counted, tiny, units_of
from tests.test_weaving import canvas_of


def unit_by_unit(jobs: list[int], runs: list[Run]) -> list[Run]:
    """The units of the runs with tasks in this order, each task's units in their own."""
    waiting: dict[int, list[Run]] = {run.job: [] for run in runs}
    for run in sorted(runs):
        waiting[run.job] += [run._replace(first=run.first + i, units=1) for i in range(run.units)]
    return [waiting[job].pop(0) for job in jobs]


def moved(chance: Random, jobs: list[int]) -> list[int]:
    """The tasks of an order with a stretch of it dealt anew, or drawn together."""
    first = chance.randint(0, len(jobs))
    last = chance.randint(first, len(jobs))
    stretch = sorted(jobs[first:last]) if chance.random() < 0.5 else chance.sample(jobs[first:last], last - first)
    return [*jobs[:first], *stretch, *jobs[last:]]


@pytest.mark.parametrize("block", range(10))
def test_what_a_detour_says_equals_brute_force_over_all_partitions(block: int) -> None:
    """Whether an order has a cut that is cheaper, in all five goals or in the first three, than the known one."""
    said = []
    for seed in range(block * 100, block * 100 + 100):
        board, jobs, runs, pinned = tiny(seed)
        kept, chance = counted(jobs), Random(seed)
        tasks = [run.job for run in runs for _ in range(run.units)]
        order = unit_by_unit(chance.sample(tasks, len(tasks)), runs)
        cut = Tariff(Canvas(board, jobs, kept, board.room, pinned), order).cut(order)
        for _ in range(4 if cut else 0):
            assert cut is not None
            other = unit_by_unit(moved(chance, cut.units), runs)
            best = oracle.brute_cut(oracle.ground(board, jobs, kept, 99), units_of(other), kept)
            detour = Detour(cut, other)
            said.append(detour.leads_below(cut.score))
            assert said[-1] == (best is not None and best < cut.cost), seed
            fewer = best is not None and best[:3] < cut.cost[:3]
            assert detour.leads_below(cut.tariff.scale.below(cut.score)) == fewer, seed
    assert 3 <= sum(said) <= len(said) - 3, "both answers are there often enough to mean something"


def neighbours_of(seed: int) -> list[tuple[Cut, list[Run]]]:
    """Every neighbour of every proposed order of a seeded instance, beside the cut of that order."""
    canvas, runs = canvas_of(seed)
    tariff = Tariff(canvas, runs)
    cuts = [cut for order in orders(runs, canvas.jobs, canvas.rooms) if (cut := tariff.cut(order)) is not None]
    return [(cut, other) for cut in cuts for other in neighbours(canvas.jobs, cut.order, cut.layout)]


@pytest.mark.parametrize("seed", range(60))
def test_what_a_detour_says_of_a_neighbour_equals_cutting_it_whole(seed: int) -> None:
    for cut, other in neighbours_of(seed):
        whole = partition(cut.tariff.canvas, other)
        for goal in {cut.score, cut.tariff.scale.below(cut.score), min(cut.score, whole.score if whole else 0)}:
            assert Detour(cut, other).leads_below(goal) == (whole is not None and whole.score < goal)


@pytest.mark.parametrize("seed", range(60))
def test_beginnings_and_endings_meet_in_the_best_cut_on_every_night(seed: int) -> None:
    canvas, runs = canvas_of(seed)
    tariff = Tariff(canvas, runs)
    for order in orders(runs, canvas.jobs, canvas.rooms):
        if (cut := tariff.cut(order)) is None:
            continue
        for (start, costs), (place, left) in zip(cut.layers, cut.endings, strict=True):
            met = set(range(start, start + len(costs))) & set(range(place, place + len(left)))
            assert min(costs[k - start] + left[k - place] for k in met) == cut.score


@pytest.mark.parametrize("seed", range(60))
def test_a_cut_with_a_limit_is_the_same_or_none(seed: int) -> None:
    canvas, runs = canvas_of(seed)
    tariff = Tariff(canvas, runs)
    for order in orders(runs, canvas.jobs, canvas.rooms):
        if (cut := tariff.cut(order)) is not None:
            limited = tariff.cut(order, cut.score)
            assert limited is not None
            assert limited.layout == cut.layout
            assert cut.score == 0 or tariff.cut(order, cut.score - 1) is None
