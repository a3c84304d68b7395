"""What fits: least loss, least cap and the proof of an overfull window, against CP-SAT, brute force and print."""

from __future__ import annotations

from itertools import permutations
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calplan.capacity import (
    Board,
    Job,
    all_runs,
    bound,
    ceiling,
    demands,
    essential_units,
    fits,
    keep,
    keep_for,
    kept_runs,
    least_limit,
    loss,
    overload,
    rooms_under,
    settle,
    third_above,
)
from calplan.model import Rank
from tests import oracle
from tests.instances import SMALL, instance

SEEDS = range(200, 225)


def board(*room: int, load: tuple[int, ...] = (), usual: int = 6, limit: int = 12) -> Board:
    return Board(room=room, load=load or (0,) * len(room), filled=(False,) * len(room), usual=usual, limit=limit)


def job(units: int, release: int, due: int, *, rank: int = Rank.ESSENTIAL, exam: int = 0, late: int = -1) -> Job:
    return Job(exam=exam, ranks=(rank,) * units, release=release, due=due, late=late)


def tiny(seed: int) -> tuple[tuple[int, ...], list[Job]]:
    """Up to five units of work on up to four days: small enough to try everything."""
    chance = Random(seed)
    days = chance.randint(1, 4)
    jobs, units = [], chance.randint(1, 5)
    while units > 0:
        size = min(units, chance.randint(1, 3))
        units -= size
        first = chance.randint(0, days - 1)
        ranks = tuple(sorted(chance.choice((1, 3, 3, 4, 6)) for _ in range(size)))
        last = chance.randint(max(0, first - 1), days - 1)
        jobs.append(Job(exam=0, ranks=ranks, release=first, due=last, worth=(chance.randint(0, 2),)))
    return tuple(chance.randint(0, 2) for _ in range(days)), jobs


# ------------------------------------------------------------------------------------------- least loss


@pytest.mark.parametrize("seed", range(150))
def test_greedy_loses_as_little_as_brute_force(seed: int) -> None:
    """Taking units by rank loses, rank by rank, no more than the best of all assignments; so does CP-SAT."""
    room, jobs = tiny(seed)
    kept = keep(all_runs(jobs), room, len(jobs))
    least = oracle.brute_loss(room, oracle.groups(jobs))
    assert oracle.lost_by_rank(jobs, kept) == least == loss(jobs, kept)
    if seed % 10 == 0:
        assert oracle.least_loss(room, oracle.groups(jobs)) == least


@pytest.mark.parametrize("seed", SEEDS)
def test_loss_by_rank_equals_cp_sat(seed: int) -> None:
    """Under the limit, with the taper days opened where that saves essentials, with and without ``essentials``."""
    asked = instance(seed, SMALL)
    for essentials in (False, True):
        kept, late = settle(asked.board, asked.jobs, essentials=essentials, opened=asked.opened)
        least = oracle.least_loss_settled(asked.board, asked.jobs, essentials=essentials, opened=asked.opened)
        assert oracle.lost_by_rank(asked.jobs, kept) == least
        assert fits(demands(kept_runs(asked.jobs, kept, late=late)), (asked.opened if late else asked.board).room)


@pytest.mark.parametrize("seed", range(12))
def test_inside_a_rank_the_worthier_units_are_kept(seed: int) -> None:
    """``worth`` refines the ranks: loss by (rank, worth), the smaller worth first, equals CP-SAT's least."""
    room, jobs = tiny(1000 + seed)
    kept = keep(all_runs(jobs), room, len(jobs))
    work = oracle.groups(jobs)
    names = sorted({(group.rank, jobs[group.job].worth) for group in work})
    classes = [[group for group in work if (group.rank, jobs[group.job].worth) == name] for name in names]
    lost = [
        sum(
            list(jobs[index].ranks[kept[index] :]).count(rank)
            for index in range(len(jobs))
            if jobs[index].worth == worth
        )
        for rank, worth in names
    ]
    assert tuple(lost) == oracle.least_loss(room, work, classes)


DEADLINES = (4, 2, 4, 3, 1, 4, 6)
PENALTIES = (70, 60, 50, 40, 30, 20, 10)


def test_published_unit_tasks_lose_a_penalty_of_50() -> None:
    """Cormen, Leiserson, Rivest & Stein, *Introduction to Algorithms*, task scheduling as a matroid: seven unit tasks
    with deadlines and penalties; the least penalty is 50, tasks 5 and 6 being late. From memory, and confirmed here by
    trying all 5,040 orders."""
    least = min(
        sum(PENALTIES[task] for slot, task in enumerate(order) if slot >= DEADLINES[task])
        for order in permutations(range(7))
    )
    assert least == 50
    worth = [(-penalty,) for penalty in PENALTIES]
    jobs = [
        Job(exam=0, ranks=(Rank.ESSENTIAL,), release=0, due=due - 1, worth=w)
        for due, w in zip(DEADLINES, worth, strict=True)
    ]
    kept = keep(all_runs(jobs), (1,) * 7, 7)
    assert sum(penalty for penalty, count in zip(PENALTIES, kept, strict=True) if not count) == least
    assert [task for task, count in enumerate(kept, 1) if not count] == [5, 6]


def test_only_essentials_beyond_a_third_above_usual() -> None:
    """With ``essentials``, usual 6: essentials may fill the limit of 12, extras go only up to 8 a day."""
    jobs = [job(6, 0, 0), job(6, 0, 0, rank=Rank.EXTRA)]
    assert keep_for(board(12), jobs, essentials=False, late=False) == (6, 6)
    assert keep_for(board(12), jobs, essentials=True, late=False) == (6, 2)
    assert keep_for(board(12), [job(10, 0, 0), jobs[1]], essentials=True, late=False) == (10, 0)


def test_taper_days_are_opened_only_if_that_saves_essentials() -> None:
    """Day 1 is a taper day: essentials that day 0 cannot hold may go there, but extras may not."""
    closed, opened = board(4, 6), board(4, 6)
    assert settle(closed, [job(4, 0, 0, late=1)], opened=opened) == ((4,), False)
    assert settle(closed, [job(6, 0, 0, late=1)], opened=opened) == ((6,), True)
    assert settle(closed, [job(6, 0, 0, late=1, rank=Rank.EXTRA)], opened=opened)[0] == (4,)
    assert settle(closed, [job(6, 0, 0)], opened=opened) == ((4,), False)
    assert settle(closed, [job(6, 0, 0, late=1)]) == ((4,), False)


def test_essential_units_are_those_before_the_extras() -> None:
    assert essential_units(Job(exam=0, ranks=(1, 3, 5, 6, 6), release=0, due=0)) == 3


# --------------------------------------------------------------------------------------- least daily cap


@pytest.mark.parametrize("seed", SEEDS)
def test_the_bound_is_the_least_cap(seed: int) -> None:
    """Equal to CP-SAT's least daily load for the kept units."""
    asked = instance(seed, SMALL)
    kept, late = settle(asked.board, asked.jobs, essentials=asked.essentials, opened=asked.opened)
    used = asked.opened if late else asked.board
    assert bound(kept_runs(asked.jobs, kept, late=late), used) == oracle.least_cap(
        used, oracle.groups(asked.jobs, kept, late=late)
    )


def test_water_filling_levels() -> None:
    """Loads 0 60 30 90 and 120 more: the level is 70; with room 40 60 60 60 it is 85. Built for this project; the
    method is water-filling, Boyd & Vandenberghe 2004, *Convex Optimization*, section 5.5.3 (from memory)."""
    loads = (0, 60, 30, 90)
    assert sum(max(0, 70 - load) for load in loads) == 120 == 70 + 10 + 40 + 0
    runs = all_runs([job(120, 0, 3)])
    assert bound(runs, board(120, 120, 120, 120, load=loads, limit=1000)) == 70
    assert bound(runs, board(40, 60, 60, 60, load=loads, limit=1000)) == 85
    assert rooms_under(board(40, 60, 60, 60, load=loads), 85) == (40, 25, 55, 0)


def test_nothing_to_do_has_bound_zero() -> None:
    assert bound([], board(3, 3)) == 0
    assert bound([], board()) == 0


@pytest.mark.parametrize(("usual", "third"), [(3, 4), (4, 5), (6, 8), (9, 12), (12, 16)])
def test_a_third_above_usual_is_rounded_down_to_units(usual: int, third: int) -> None:
    """Usual 30 minutes: 40; 20 minutes: 26.7, hence 25. (common practice, no source)"""
    assert third_above(board(usual=usual)) == third


def test_the_ceiling_is_a_third_above_usual_or_just_above_the_bound_and_never_over_the_limit() -> None:
    assert ceiling(board(usual=6, limit=12), 3) == 8
    assert ceiling(board(usual=6, limit=12), 7) == 8
    assert ceiling(board(usual=6, limit=12), 9) == 10
    assert ceiling(board(usual=6, limit=12), 12) == 12
    assert ceiling(board(usual=6, limit=7), 3) == 7


@pytest.mark.parametrize("seed", SEEDS[:6])
def test_the_least_limit_is_found_by_trying_them_all(seed: int) -> None:
    """The least limit under which all work fits: the first at which CP-SAT loses nothing, or none."""
    asked = instance(seed, SMALL)
    work = oracle.groups(asked.jobs)

    def rooms(limit: int) -> list[int]:
        return [min(room, limit) for room in asked.board.room]

    most = max(asked.board.room)
    enough = [limit for limit in range(most + 1) if not any(oracle.least_loss(rooms(limit), work))]
    assert least_limit(all_runs(asked.jobs), rooms, most) == (enough[0] if enough else None)


# ---------------------------------------------------------------------------------------- overfull windows


def test_published_overfull_window() -> None:
    """A(release 0, length 3, due 4) B(1, 2, 4) C(0, 2, 9) is refused: the window from 0 to 4 needs 5 and has 4. Built
    for this project; the criterion is that of Horn 1974, Naval Research Logistics Quarterly 21(1)."""
    jobs = [job(3, 0, 3), job(2, 1, 3), job(2, 0, 8)]
    assert overload(demands(all_runs(jobs)), (1,) * 9) == ((0, 3, 5), 4)
    assert not fits(demands(all_runs(jobs)), (1,) * 9)
    assert overload(demands(all_runs(jobs[::2])), (1,) * 9) is None


def test_no_work_overfills_nothing() -> None:
    assert overload(demands([]), (1, 2)) is None
    assert fits(demands([]), ())


@pytest.mark.parametrize("seed", range(200))
def test_the_window_named_is_the_most_overfull_one(seed: int) -> None:
    """What must lie in it and what room it has are recounted; no other window of days exceeds its room by more; and
    there is one exactly if something is lost."""
    room, jobs = tiny(seed)
    work = oracle.groups(jobs)
    excess = max(
        oracle.must_lie_between(work, first, last) - sum(room[first : last + 1])
        for first in range(len(room))
        for last in range(-1, len(room))
    )
    proof = overload(demands(all_runs(jobs)), room)
    if proof is None:
        assert excess <= 0
        assert not any(oracle.brute_loss(room, work))
        return
    (first, last, needed), space = proof
    assert needed == oracle.must_lie_between(work, first, last)
    assert space == sum(room[first : last + 1])
    assert needed - space == excess > 0
    assert any(oracle.brute_loss(room, work))


# ------------------------------------------------------------------------------------------------- laws

seeds = st.integers(min_value=0, max_value=2**32)


@given(seeds)
def test_more_room_never_loses_a_unit(seed: int) -> None:
    """Whatever was kept is kept when days hold more: room added to a matroid of this kind only adds to its best set."""
    asked = instance(seed, SMALL)
    wider = [room + Random(seed + day).randint(0, 2) for day, room in enumerate(asked.board.room)]
    runs = all_runs(asked.jobs)
    before, after = (keep(runs, room, len(asked.jobs)) for room in (asked.board.room, wider))
    assert all(one <= other for one, other in zip(before, after, strict=True))


@given(seeds)
def test_more_room_never_raises_the_bound_of_the_same_work(seed: int) -> None:
    asked = instance(seed, SMALL)
    runs = kept_runs(asked.jobs, keep(all_runs(asked.jobs), asked.board.room, len(asked.jobs)))
    wider = tuple(room + Random(seed + day).randint(0, 2) for day, room in enumerate(asked.board.room))
    wide = Board(room=wider, load=asked.board.load, filled=asked.board.filled, limit=asked.board.limit + 2)
    assert bound(runs, wide) <= bound(runs, asked.board)


def test_more_room_may_raise_the_bound_when_it_saves_work() -> None:
    """The counterexample to "more room never raises the bound": what was lost is kept, and lies somewhere. What holds
    is the law above, for the same work."""
    jobs = [job(5, 0, 0)]
    bounds = []
    for room in (3, 5):
        kept = keep(all_runs(jobs), (room,), 1)
        bounds.append(bound(kept_runs(jobs, kept), board(room)))
    assert bounds == [3, 5]


def test_more_room_may_cost_extras_when_only_essentials_go_beyond_a_third() -> None:
    """The counterexample to "more room never loses a unit" with ``essentials``: once the essentials of a day need more
    than a third above usual, no extras are kept at all. What holds: no more essentials are lost, and the loss by rank
    is never greater."""
    jobs = [job(5, 0, 0), job(2, 1, 1, rank=Rank.EXTRA)]
    tight, wide = (keep_for(board(room, 4, usual=3), jobs, essentials=True, late=False) for room in (4, 5))
    assert (tight, wide) == ((4, 2), (5, 0))
    assert loss(jobs, wide) < loss(jobs, tight)


@given(seeds)
def test_with_essentials_more_room_never_loses_more_by_rank(seed: int) -> None:
    asked = instance(seed, SMALL)
    wider = tuple(room + Random(seed + day).randint(0, 2) for day, room in enumerate(asked.board.room))
    wide = Board(room=wider, load=asked.board.load, filled=asked.board.filled, usual=asked.board.usual)
    narrow = Board(room=asked.board.room, load=asked.board.load, filled=asked.board.filled, usual=asked.board.usual)
    tight, loose = (keep_for(b, asked.jobs, essentials=True, late=False) for b in (narrow, wide))
    assert loss(asked.jobs, loose) <= loss(asked.jobs, tight)


@given(seeds)
def test_removing_a_job_never_raises_the_bound_and_loses_nothing_else(seed: int) -> None:
    """For all work that fits; and what was kept of the other jobs stays kept."""
    asked = instance(seed, SMALL)
    gone = seed % len(asked.jobs)
    rest = [j for index, j in enumerate(asked.jobs) if index != gone]
    kept = keep(all_runs(asked.jobs), asked.board.room, len(asked.jobs))
    others = [count for index, count in enumerate(kept) if index != gone]
    assert bound(kept_runs(rest, others), asked.board) <= bound(kept_runs(asked.jobs, kept), asked.board)
    assert all(a <= b for a, b in zip(others, keep(all_runs(rest), asked.board.room, len(rest)), strict=True))


@given(seeds)
def test_kept_and_lost_are_all_that_was_asked(seed: int) -> None:
    asked = instance(seed, SMALL)
    kept, _ = settle(asked.board, asked.jobs, essentials=asked.essentials, opened=asked.opened)
    assert all(0 <= count <= len(j.ranks) for count, j in zip(kept, asked.jobs, strict=True))
    assert sum(kept) + sum(loss(asked.jobs, kept)) == sum(len(j.ranks) for j in asked.jobs)
