"""The cut of an order at day boundaries: against brute force, CP-SAT and published linear partitions."""

from __future__ import annotations

from random import Random

import pytest

from calplan.capacity import Board, Job, Run, all_runs, kept_runs
from calplan.model import Rank
from calplan.partition import Canvas, Piece, band, joined, partition, slices
from tests import oracle


def tiny(seed: int) -> tuple[Board, list[Job], list[Run], list[Run]]:
    """A board of up to five days, jobs, their runs in some order (tasks may be torn, passes reversed), pinned runs."""
    chance = Random(seed)
    days = chance.randint(1, 5)
    board = Board(
        room=tuple(chance.choice((0, 2, 3, 4, 5)) for _ in range(days)),
        load=tuple(chance.choice((0, 0, 1, 2)) for _ in range(days)),
        filled=tuple(chance.random() < 0.2 for _ in range(days)),
        eves=frozenset(day for day in range(days) if chance.random() < 0.3),
        usual=chance.randint(1, 3),
        limit=6,
    )
    jobs = [random_job(chance, days) for _ in range(chance.randint(1, 5))]
    pinned = []
    left = list(board.room)
    for day in range(days):
        for exam in range(3):
            if left[day] and chance.random() < 0.2:
                left[day] -= 1
                pinned.append(Run(len(jobs), 0, 1, Rank.TAPER, day, day))
                jobs.append(Job(exam=exam, ranks=(Rank.TAPER,), release=day, due=day, pinned=True))
    order = [run for run in all_runs(jobs) if not jobs[run.job].pinned]
    if chance.random() < 0.5:
        order = torn(chance, order)
    else:
        order.sort(key=lambda run: (jobs[run.job].ideal, run.job, run.first))
    return board, jobs, order, pinned


def random_job(chance: Random, days: int) -> Job:
    ranks = tuple(sorted(chance.choice((3, 6)) for _ in range(chance.randint(1, 3))))
    first = 0 if chance.random() < 0.85 else chance.randint(0, days - 1)
    return Job(
        exam=chance.randint(0, 3),
        kind=chance.randint(-1, 1),
        second=chance.random() < 0.4,
        ranks=ranks,
        release=first,
        due=days - 1 if chance.random() < 0.85 else chance.randint(first, days - 1),
        ideal=chance.randint(0, days - 1),
    )


def torn(chance: Random, order: list[Run]) -> list[Run]:
    """The units in a random order."""
    units = [Run(r.job, r.first + i, 1, r.rank, r.release, r.due) for r in order for i in range(r.units)]
    chance.shuffle(units)
    return units


def units_of(order: list[Run]) -> list[oracle.Unit]:
    return [oracle.Unit(r.job, n, r.release, r.due) for r in order for n in range(r.first, r.first + r.units)]


def counted(jobs: list[Job]) -> list[int]:
    return [len(job.ranks) for job in jobs]


@pytest.mark.parametrize("block", range(20))
def test_the_cut_equals_brute_force_over_all_partitions(block: int) -> None:
    """In any order of the units: the least (clashes, empty days, cuts and joins, drift, sum of squares), or none."""
    fitted = 0
    for seed in range(block * 60, block * 60 + 60):
        board, jobs, order, pinned = tiny(seed)
        kept = counted(jobs)
        layout = partition(Canvas(board, jobs, kept, board.room, pinned), order)
        land = oracle.ground(board, jobs, kept, 99)
        best = oracle.brute_cut(land, units_of(order), kept)
        assert (layout and layout.cost) == best, seed
        if layout is None:
            continue
        fitted += 1
        found = [piece for pieces in layout.days for piece in pieces]
        assert joined(found) == joined(Piece(r.job, r.first, r.units) for r in order), "the order is kept"
        days = [
            [*pieces, *(Piece(r.job, 0, 1) for r in pinned if r.release == d)] for d, pieces in enumerate(layout.days)
        ]
        assert oracle.plan_cost(board, jobs, days) == best, seed
    assert fitted >= 15, "enough of them fit to mean something"


@pytest.mark.parametrize("block", range(4))
def test_the_two_oracles_agree(block: int) -> None:
    """CP-SAT's path and brute force answer alike, so that either may judge alone where the other cannot."""
    for seed in range(5000 + block * 8, 5008 + block * 8):
        board, jobs, order, _ = tiny(seed)
        kept = counted(jobs)
        land = oracle.ground(board, jobs, kept, 99)
        try:
            best: oracle.Vector | None = oracle.best_cut(land, units_of(order), kept)
        except oracle.NothingFits:
            best = None
        assert best == oracle.brute_cut(land, units_of(order), kept), seed


# ------------------------------------------------------------------------------ published linear partitions


def cuts(sizes: list[int], days: int, cap: int) -> tuple[int, list[list[int]]]:
    """Cuts of the best partition of tasks of these sizes, one after the other, and the tasks of each day."""
    jobs = [Job(exam=0, ranks=(Rank.ESSENTIAL,) * size, release=0, due=days - 1) for size in sizes]
    board = Board(room=(cap,) * days, load=(0,) * days, filled=(True,) * days, usual=cap, limit=cap)
    layout = partition(Canvas(board, jobs, sizes, board.room, []), kept_runs(jobs, sizes))
    assert layout is not None
    return layout.cost[2], [[sizes[piece.job] for piece in pieces] for pieces in layout.days]


@pytest.mark.parametrize(
    ("sizes", "level"),
    [
        ([1, 2, 3, 4, 5, 6, 7, 8, 9], 17),
        ([9, 2, 6, 3, 8, 5, 8, 1, 7, 3, 4], 21),
        ([6, 10, 1, 12, 18, 1, 16], 29),
    ],
)
def test_published_linear_partitions_into_three(sizes: list[int], level: int) -> None:
    """Three days hold whole tasks in their order from the published level on, and one unit below it some task is cut.

    100 to 900 gives 1700 (Skiena, *The Algorithm Design Manual*, the partition problem); 9 2 6 3 8 5 8 1 7 3 4 gives
    21 and 30 50 5 60 90 5 80 gives 145 (a general library's documentation). Here in units of 100, 1 and 5.
    """
    assert cuts(sizes, 3, level)[0] == 0
    assert all(cuts(sizes, 3, cap)[0] > 0 for cap in range(-(-sum(sizes) // 3), level))


def test_published_ranges_of_the_book_shelf() -> None:
    """Skiena's ranges: 100 to 500, 600 to 700, 800 to 900."""
    assert cuts([1, 2, 3, 4, 5, 6, 7, 8, 9], 3, 17)[1] == [[1, 2, 3, 4, 5], [6, 7], [8, 9]]


# --------------------------------------------------------------------------------- one rule at a time


def cost_of(days: int, jobs: list[Job], **fields: object) -> tuple[int, ...]:
    """The cost of jobs that lie on their one possible day each, in their order."""
    values: dict[str, object] = {"room": (9,) * days, "load": (0,) * days, "filled": (True,) * days, "usual": 9}
    board = Board(**(values | fields))  # type: ignore[arg-type]
    runs = kept_runs(jobs, counted(jobs))
    pinned = [run for run in runs if jobs[run.job].pinned]
    canvas = Canvas(board, jobs, counted(jobs), board.room, pinned)
    layout = partition(canvas, [run for run in runs if not jobs[run.job].pinned])
    assert layout is not None
    return layout.cost


def on(day: int, units: int = 2, *, exam: int = 0, kind: int = -1, second: bool = False, pinned: bool = False) -> Job:
    ranks = (Rank.ESSENTIAL,) * units
    return Job(exam=exam, kind=kind, second=second, ranks=ranks, release=day, due=day, ideal=day, pinned=pinned)


@pytest.mark.parametrize(
    ("jobs", "clashes", "joins", "why"),
    [
        ([on(0), on(0)], 0, 0, "tasks without a kind join freely"),
        ([on(0, kind=0), on(0, kind=0)], 0, 0, "one kind"),
        ([on(0, kind=0), on(0, kind=1), on(0, kind=2)], 0, 2, "two kinds beyond the first"),
        ([on(0, kind=0), on(0, kind=1, exam=1)], 0, 0, "kinds of different exams do not join"),
        ([on(0, exam=exam) for exam in range(4)], 0, 2, "two exams beyond the second"),
        ([on(0, exam=0, pinned=True), on(0, exam=1, pinned=True), on(0, exam=2)], 0, 1, "pinned exams are present"),
        ([on(0, exam=exam, pinned=True) for exam in range(3)], 0, 1, "three pinned exams are one beyond the second"),
        ([on(0, 1)], 0, 0, "a task of one unit has no short part"),
        ([on(0, kind=0), on(0, kind=0, second=True)], 1, 0, "first and second pass of one kind"),
        ([on(0, kind=0, second=True), on(0, kind=0)], 1, 0, "the same, the other way round"),
        ([on(0, kind=0), on(0, kind=0, second=True), on(0, kind=0)], 1, 0, "one clash a kind and day"),
        ([on(0), on(0, second=True)], 0, 0, "no kind, no clash"),
        ([on(0, kind=0), on(1, kind=0, second=True)], 0, 0, "different days"),
    ],
)
def test_what_a_day_pays(jobs: list[Job], clashes: int, joins: int, why: str) -> None:
    assert cost_of(2, jobs)[:3] == (clashes, 0, joins), why


@pytest.mark.parametrize(
    ("first", "joins"),
    [((2, 2), 1), ((3, 1), 2), ((1, 3), 2), ((1, 1, 2), 4), ((4,), 0), ((2, 0, 2), 1)],
)
def test_a_task_over_several_days_pays_for_going_on_and_for_parts_of_one_unit(
    first: tuple[int, ...], joins: int
) -> None:
    jobs = [Job(exam=0, ranks=(Rank.ESSENTIAL,) * 4, release=0, due=len(first) - 1)]
    board = Board(room=first, load=(0,) * len(first), filled=(True,) * len(first))
    layout = partition(Canvas(board, jobs, (4,), first, []), kept_runs(jobs, (4,)))
    assert layout is not None
    assert layout.cost[2] == joins


def test_empty_days_are_usable_days_without_anything() -> None:
    """Filled days, days with an appointment or pinned work and days without room are not empty; the last one is."""
    jobs = [on(0), on(1, pinned=True)]
    empty = cost_of(5, jobs, filled=(False, False, True, False, False), load=(0, 0, 0, 1, 0))[1]
    assert empty == 1
    assert cost_of(2, [on(0)], filled=(False, False), room=(9, 0))[1] == 0


def test_an_eve_over_usual_pays_once_and_counts_everything_on_it() -> None:
    """Usual 4: three units and an appointment of one are no more than usual, two are."""
    assert [cost_of(1, [on(0, 3)], eves=frozenset({0}), usual=4, load=(load,))[2] for load in (0, 1, 2, 5)] == [
        0,
        0,
        1,
        1,
    ]
    assert cost_of(1, [on(0, 3)], usual=4, load=(5,))[2] == 0


def test_drift_counts_units_times_days_and_squares_count_all_load() -> None:
    jobs = [Job(exam=0, ranks=(3, 3), release=2, due=2, ideal=0), on(1, 3, pinned=True)]
    assert cost_of(3, jobs, load=(1, 0, 0))[3:] == (4, 1 + 9 + 4)


def test_an_order_that_does_not_fit_has_no_partition() -> None:
    """Work released on day 1 stands before work due on day 0."""
    order = [Run(0, 0, 1, 3, 1, 1), Run(1, 0, 1, 3, 0, 0)]
    jobs = [on(1, 1), on(0, 1)]
    board = Board(room=(2, 2), load=(0, 0), filled=(False, False))
    assert band(order, board.room) is None
    assert partition(Canvas(board, jobs, (1, 1), board.room, []), order) is None
    assert band(order[::-1], board.room) == [(1, 1), (2, 2)]


def test_pieces_split_at_days_and_join_inside_them() -> None:
    order = [Run(0, 0, 2, 3, 0, 1), Run(0, 2, 2, 6, 0, 1), Run(1, 0, 1, 3, 0, 1)]
    assert slices(order, [3, 0, 2]) == [[Piece(0, 0, 3)], [], [Piece(0, 3, 1), Piece(1, 0, 1)]]
