"""Mending a plan: a worked example, what CP-SAT says of seeded instances, and the laws.

The worked example is built. Least perturbation as a goal: El Sakkout & Wallace 2000, Constraints 5(4):359–388.
"""

from __future__ import annotations

import pytest

from calplan.capacity import Board, Job
from calplan.mending import Before, Mended, NoOrder, mend_days
from calplan.model import Rank
from tests import mending_oracle, oracle
from tests.mending_instances import Happened, happened

SAMPLE = range(60)


def board(*room: int) -> Board:
    days = len(room)
    return Board(room=room, load=(0,) * days, filled=(False,) * days, usual=9, limit=12)


def task(units: int, due: int, **fields: object) -> Job:
    return Job(exam=0, ranks=(Rank.ESSENTIAL,) * units, release=0, due=due, **fields)  # type: ignore[arg-type]


def mended(asked: Happened) -> Mended:
    return mend_days(
        asked.board,
        asked.jobs,
        asked.before,
        dates=asked.dates,
        published=asked.published,
        essentials=asked.essentials,
        opened=asked.opened,
    )


def judged(asked: Happened, plan: Mended) -> mending_oracle.Asked:
    """What the oracle is asked about a plan: the kept units, and the board that it is on."""
    used = asked.opened if plan.opened and asked.opened else asked.board
    windows = mending_oracle.windows_of(asked.jobs, len(used.room), late=plan.opened)
    return mending_oracle.Asked(used, plan.kept, windows, asked.before)


# ------------------------------------------------------------------------------------------ worked examples


def test_two_tasks_of_a_lost_day_go_to_the_free_one() -> None:
    """Six 30-minute tasks, two each Mon, Tue, Wed, at most 60 a day. Monday is done, Tuesday lost, Thursday free."""
    before = [Before(lies={0: 6}, home=1), Before(lies={0: 6}, home=1), Before(lies={1: 6}, home=2)]
    before.append(before[-1])
    plan = mend_days(board(0, 12, 12), [task(6, 2)] * 4, before, dates=(1, 2, 3), published=12)
    assert plan.kept == (6, 6, 6, 6)
    assert mending_oracle.units_on(plan.days) == [{}, {2: 6, 3: 6}, {0: 6, 1: 6}]
    assert plan.moved == {0, 1}
    assert (plan.shift, plan.maximum, plan.proved) == (4, 12, True)


def test_the_same_when_the_lost_day_is_over() -> None:
    """The two lost tasks come back as free units; nothing that lies ahead moves."""
    before = [Before(home=1), Before(home=1), Before(lies={0: 6}, home=2), Before(lies={0: 6}, home=2)]
    plan = mend_days(board(12, 12), [task(6, 1)] * 4, before, dates=(2, 3), published=12)
    assert mending_oracle.units_on(plan.days) == [{2: 6, 3: 6}, {0: 6, 1: 6}]
    assert (plan.moved, plan.shift) == (frozenset(), 4)


def test_order_raises_the_maximum() -> None:
    """The first pass cannot wait for its room on the second day, since its second pass lies on the first one's last."""
    jobs = [task(8, 1, kind=0), Job(exam=0, kind=0, second=True, ranks=(Rank.FLAG_MUST,) * 2, release=0, due=0)]
    before = [Before(home=0), Before(lies={0: 2}, home=0, after=(0,))]
    plan = mend_days(board(12, 12), jobs, before, dates=(0, 1), published=6)
    assert mending_oracle.least(mending_oracle.Asked(board(12, 12), (8, 2), [(0, 1), (0, 0)], before), 6) == (5, 10, 0)
    assert (plan.bound, plan.maximum, plan.moved) == (5, 10, frozenset())
    assert mending_oracle.units_on(plan.days) == [{0: 8, 1: 2}, {}]


# ---------------------------------------------------------------------------------------------- the oracle


def test_the_sample_has_what_is_rare() -> None:
    """Moves that no lost day forces, a bound above the published maximum, order that costs moves, opened days, and
    work that is lost, missed, or without a window."""
    seen: set[str] = set()
    for seed in SAMPLE:
        asked = happened(seed)
        plan = mended(asked)
        case = judged(asked, plan)
        forced = {
            job
            for job, one in enumerate(asked.before)
            if sum(one.lies.values()) > plan.kept[job]
            or any(
                not case.windows[job][0] <= day <= case.windows[job][1] or case.board.room[day] < units
                for day, units in one.lies.items()
            )
        }
        loose = case._replace(before=[one._replace(after=()) for one in asked.before])
        marks = {
            "choice": bool(plan.moved - forced),
            "stays": any(one.lies and job not in plan.moved for job, one in enumerate(asked.before)),
            "higher": plan.maximum > asked.published,
            "order": mending_oracle.least_moved(loose, plan.maximum) < len(plan.moved),
            "opened": plan.opened,
            "lost": any(oracle.lost_by_rank(asked.jobs, plan.kept)),
            "missed": asked.missed > 0,
            "no window": any(job.ranks and job.due < 0 for job in asked.jobs),
        }
        seen |= {mark for mark, true in marks.items() if true}
    assert seen == {"choice", "stays", "higher", "order", "opened", "lost", "missed", "no window"}


@pytest.mark.parametrize("seed", SAMPLE)
def test_the_oracle_agrees(seed: int) -> None:
    """Least loss, then the least daily maximum, then the fewest moves; and every law holds."""
    asked = happened(seed)
    plan = mended(asked)
    least = oracle.least_loss_settled(asked.board, asked.jobs, essentials=asked.essentials, opened=asked.opened)
    assert oracle.lost_by_rank(asked.jobs, plan.kept) == least
    case = judged(asked, plan)
    assert not mending_oracle.unsound(case, plan.days, plan.maximum)
    assert mending_oracle.moved(asked.before, mending_oracle.units_on(plan.days)) == plan.moved
    assert plan.proved
    assert mending_oracle.least(case, asked.published) == (plan.bound, plan.maximum, len(plan.moved))


def test_work_that_fits_but_cannot_keep_its_order_is_refused_in_a_sentence() -> None:
    """The first pass can only lie on the second day, and its second pass only on the first one."""
    jobs = [
        Job(exam=0, kind=0, ranks=(Rank.ESSENTIAL,) * 6, release=1, due=1),
        Job(exam=0, kind=0, second=True, ranks=(Rank.FLAG_MUST,) * 2, release=0, due=0),
    ]
    before = [Before(home=0), Before(lies={0: 2}, home=0, after=(0,))]
    with pytest.raises(NoOrder, match="first pass before its second"):
        mend_days(board(12, 12), jobs, before, dates=(0, 1), published=12)


# ------------------------------------------------------------------------------------------------- what is held


@pytest.mark.parametrize("seed", SAMPLE)
def test_what_is_held_stays_unless_nothing_fits_beside_it(seed: int) -> None:
    """Held is everything that lies ahead, as far as it has room; no law breaks, whatever becomes of it."""
    asked = happened(seed)
    room = list(asked.board.room)
    before = []
    for job, one in zip(asked.jobs, asked.before, strict=True):
        held: dict[int, int] = {}
        for day, units in one.lies.items():
            if units <= room[day] and job.release <= day <= job.due:
                held[day] = units
                room[day] -= units
        before.append(one._replace(held=held))
    asked = asked._replace(before=tuple(before), opened=None)
    plan = mended(asked)
    days = mending_oracle.units_on(plan.days)
    stayed = all(days[day].get(job, 0) >= units for job, one in enumerate(before) for day, units in one.held.items())
    without = [one._replace(held={}) for one in before]
    case = judged(asked._replace(before=tuple(without)), plan)
    assert not mending_oracle.unsound(case, plan.days, plan.maximum)
    assert stayed or plan == mended(asked._replace(before=tuple(without)))


def test_a_held_task_stays_where_the_room_is_asked_for() -> None:
    """Two tasks fill a day that has room for one; the held one stays, though it is the less worthy."""
    jobs = [task(6, 1), task(6, 1)]
    before = [Before(lies={0: 6}, home=0), Before(lies={0: 6}, held={0: 6}, home=0)]
    plan = mend_days(board(6, 12), jobs, before, dates=(0, 1), published=12)
    assert mending_oracle.units_on(plan.days) == [{1: 6}, {0: 6}]
    assert plan.moved == {0}
