"""What fits: which units of work are kept, and how high a day must go to hold them.

Units have windows of days, days have room. Which sets of units fit is a transversal matroid, so that taking units
greedily in the order of their worth loses least, rank by rank (Cormen, Leiserson, Rivest & Stein, *Introduction to
Algorithms*, the section on task scheduling as a matroid). Whether a set fits is Hall's condition for intervals:
between no release and no due day may more units have to lie than there is room.

Everything here is in whole numbers: days are indices into the usable days, amounts are units.
"""

from __future__ import annotations

from bisect import bisect_left
from collections import Counter
from itertools import accumulate, groupby
from typing import TYPE_CHECKING, NamedTuple

import msgspec

from calplan.model import Rank

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence


class Job(msgspec.Struct, frozen=True, kw_only=True):
    """A task as the scheduler sees it.

    ``exam`` is the exam's place in order of date. ``kind`` is any number that tells kinds apart, -1 for none.
    ``second`` marks a second pass. ``ranks`` has one rank a unit, ascending. ``release`` and ``due`` are the first and
    last day; ``late`` is the last day once taper days are opened, which is for essentials only. ``ideal`` never falls
    along an exam's jobs. A ``pinned`` job (taper) stays on its one day and takes no part in the order. ``worth``
    decides inside a rank: what has the smaller one is given up later. Of a job that is fixed for a day, ``nearer`` has
    windows of days around it, from the nearest alone to all that it may lie on (:func:`near_fixed_days`).
    """

    exam: int
    kind: int = -1
    second: bool = False
    ranks: tuple[int, ...]
    release: int
    due: int
    late: int = -1
    ideal: int = 0
    pinned: bool = False
    worth: tuple[int, ...] = ()
    nearer: tuple[tuple[int, int], ...] = ()

    @property
    def line(self) -> tuple[int, bool]:
        """The jobs that keep their order: those of an exam, and by themselves those that are fixed for days."""
        return self.exam, bool(self.nearer)


class Board(msgspec.Struct, frozen=True, kw_only=True):
    """The days that work can be laid on.

    ``room`` is what a day may hold under the limit; ``load`` is what appointments already put there (it counts
    towards the daily maximum, and is outside ``room``). ``filled`` days are never counted as empty. ``eves`` are the
    days before an exam, on which more than ``usual`` units cost something. ``limit`` caps the daily maximum.
    """

    room: tuple[int, ...]
    load: tuple[int, ...]
    filled: tuple[bool, ...]
    eves: frozenset[int] = frozenset()
    usual: int = 6
    limit: int = 12


class Run(NamedTuple):
    """Consecutive units of a job that share a rank and a window."""

    job: int
    first: int
    units: int
    rank: int
    release: int
    due: int


# ----------------------------------------------------------------------------------------- least loss


def settle(
    board: Board, jobs: Sequence[Job], *, essentials: bool = False, opened: Board | None = None
) -> tuple[tuple[int, ...], bool]:
    """What is kept of each job, and whether taper days had to be opened for it.

    They are opened only if essential units are lost while they are closed and fewer are lost when they are open.
    """
    kept = keep_for(board, jobs, essentials=essentials, late=False)
    if opened is None or all(
        count >= essential_units(job) for count, job in zip(kept, jobs, strict=True) if not job.pinned
    ):
        return kept, False
    other = keep_for(opened, jobs, essentials=essentials, late=True)
    if loss(jobs, other) < loss(jobs, kept):
        return other, True
    return kept, False


def keep_for(board: Board, jobs: Sequence[Job], *, essentials: bool, late: bool) -> tuple[int, ...]:
    """What is kept under the limit, or with ``essentials``: all essentials, and extras up to a third above usual."""
    runs = all_runs(jobs, late=late)
    if not essentials:
        return keep(runs, board.room, len(jobs))
    first = keep([run for run in runs if run.rank != Rank.EXTRA], board.room, len(jobs))
    low = rooms_under(board, third_above(board))
    held = [Run(r.job, r.first, min(r.units, first[r.job] - r.first), *r[3:]) for r in runs if r.first < first[r.job]]
    if not fits(demands(held), low):
        return first
    return keep(held + [run for run in runs if run.rank == Rank.EXTRA], low, len(jobs))


def keep(runs: Sequence[Run], room: Sequence[int], jobs: int) -> tuple[int, ...]:
    """The units of each job that are kept when units are taken in the order of ``runs``, the worthiest first.

    A set of units fits exactly if, between every release and every due day, no more units must lie than there is room
    (Hall's condition for intervals); only the distinct releases and dues need looking at.
    """
    windows = Windows(runs, room)
    kept = [0] * jobs
    for run in runs:
        kept[run.job] += windows.take(run)
    return tuple(kept)


class Windows:
    """The slack of every window between a distinct release and a distinct due day, as units are taken."""

    def __init__(self, runs: Iterable[Run], room: Sequence[int]) -> None:
        runs = list(runs)
        self.releases = sorted({run.release for run in runs})
        self.dues = sorted({run.due for run in runs})
        total = [0, *accumulate(room)]
        self.slack = [[total[max(due + 1, release)] - total[release] for due in self.dues] for release in self.releases]

    def take(self, run: Run) -> int:
        """How many of the run's units still fit; they are taken."""
        column = bisect_left(self.dues, run.due)
        rows = self.slack[: bisect_left(self.releases, run.release) + 1]
        count = min(run.units, min(min(row[column:]) for row in rows))
        if count:
            for row in rows:
                row[column:] = [slack - count for slack in row[column:]]
        return count


class Demand(NamedTuple):
    """Units that must lie on the days ``first`` to ``last``, since their windows leave them no other."""

    first: int
    last: int
    units: int


def demands(runs: Iterable[Run]) -> list[Demand]:
    """What every window between a distinct release and a distinct due day must hold; an empty one is dropped."""
    sizes: Counter[tuple[int, int]] = Counter()
    for run in runs:
        sizes[run.release, run.due] += run.units
    releases, dues = sorted({release for release, _ in sizes}), sorted({due for _, due in sizes})
    found = []
    for first in releases:
        inside = [(due, units) for (release, due), units in sizes.items() if release >= first]
        for last in dues:
            units = sum(units for due, units in inside if due <= last)
            if units:
                found.append(Demand(first, last, units))
    return found


def fits(demands: Iterable[Demand], room: Sequence[int]) -> bool:
    """Whether there is room enough for all that must lie in each window."""
    total = [0, *accumulate(room)]
    return all(total[max(last + 1, first)] - total[first] >= units for first, last, units in demands)


def overload(demands: Iterable[Demand], room: Sequence[int]) -> tuple[Demand, int] | None:
    """The proof that not everything fits: the window that lacks most, and its room; ``None`` when everything fits."""
    total = [0, *accumulate(room)]
    found = [(total[max(one.last + 1, one.first)] - total[one.first], one) for one in demands]
    space, worst = min(found, key=lambda pair: pair[0] - pair[1].units, default=(0, Demand(0, 0, 0)))
    return (worst, space) if space < worst.units else None


def all_runs(jobs: Sequence[Job], *, late: bool = False, most: int = Rank.EXTRA) -> list[Run]:
    """Every unit of rank ``most`` or better, in runs, the worthiest first.

    ``late`` gives jobs that have a late day that day; their extras are then given up, since taper days are for
    essentials, and open only when nothing else is left to give up.
    """
    runs = []
    for index, job in enumerate(jobs):
        first = 0
        for rank, same in groupby(job.ranks):
            count = len(list(same))
            opened = late and job.late > job.due
            if rank <= most and not (opened and rank == Rank.EXTRA):
                runs.append(Run(index, first, count, rank, job.release, job.late if opened else job.due))
            first += count
    return sorted(runs, key=lambda run: (run.rank, jobs[run.job].worth, run.job, run.first))


def kept_runs(jobs: Sequence[Job], kept: Sequence[int], *, late: bool = False) -> list[Run]:
    """The kept units in runs, in the order of the jobs."""
    runs = sorted(all_runs(jobs, late=late))
    return [run._replace(units=min(run.units, kept[run.job] - run.first)) for run in runs if run.first < kept[run.job]]


def loss(jobs: Sequence[Job], kept: Sequence[int]) -> tuple[int, ...]:
    """Lost units by rank, rank 1 first."""
    lost = [0] * (max(Rank) + 1)
    for job, count in zip(jobs, kept, strict=True):
        for rank in job.ranks[count:]:
            lost[rank] += 1
    return tuple(lost[1:])


def essential_units(job: Job) -> int:
    """The job's units that are not extras."""
    return bisect_left(job.ranks, Rank.EXTRA)


# ------------------------------------------------------------------------------- what is fixed for a day


NEAREST = 14
"""How many windows around its day are tried for a job; one that finds no room in them takes its turn like any other."""


def near_fixed_days(
    jobs: Sequence[Job], kept: Sequence[int], room: Sequence[int], *, late: bool = False, waits: bool = True
) -> tuple[Job, ...]:
    """The jobs in the nearest windows to the days they are fixed for under which all that is kept still fits.

    Where they do not all lie on their days, the earlier day goes first: each job's window is the least one that leaves
    a place for all units, those of later days anywhere. A second pass ``waits`` for the end of the windows of its
    kind. A job that has no window takes its turn: it is fixed for nothing then.
    """

    def fit(tried: Sequence[Job]) -> bool:
        return fits(demands(kept_runs(after_fixed(tried) if waits else tried, kept, late=late)), room)

    choices = {place: nearest_first(job) for place, job in enumerate(jobs) if job.nearer}
    near = [choices[place][0] if place in choices else job for place, job in enumerate(jobs)]
    if not fit(near):
        near = [unfixed(job) for job in jobs]
        for place in sorted(choices, key=lambda place: (jobs[place].nearer[0], place)):
            for job in choices[place]:
                if fit([*near[:place], job, *near[place + 1 :]]):
                    near[place] = job
                    break
    return after_fixed(near) if waits else tuple(near)


def nearest_first(job: Job) -> list[Job]:
    """The job in each of its nearer windows, as far as they are days on which it may lie."""
    inside = [(max(job.release, first), min(job.due, last)) for first, last in job.nearer]
    narrow = [one for one in inside if one[0] <= one[1]][:NEAREST]
    return [msgspec.structs.replace(job, release=first, due=last, late=-1) for first, last in narrow] or [unfixed(job)]


def unfixed(job: Job) -> Job:
    """The job fixed for nothing."""
    return msgspec.structs.replace(job, nearer=()) if job.nearer else job


def after_fixed(jobs: Sequence[Job]) -> tuple[Job, ...]:
    """The jobs with second passes that begin no sooner than the last day of what is fixed of their kind.

    What is of no kind, and comes after them in the order (the sheet), waits for them all.
    """
    ends: dict[tuple[int, int], int] = {}
    for job in jobs:
        if job.nearer and not job.second:
            ends[job.exam, job.kind] = max(job.due, ends.get((job.exam, job.kind), 0))
    made = []
    latest: dict[int, int] = {}
    for job in jobs:
        release = job.release
        if job.second:
            release = max(release, ends.get((job.exam, job.kind), 0))
            latest[job.exam] = max(release, latest.get(job.exam, 0))
        elif job.kind < 0 and not job.pinned:
            release = max(release, latest.get(job.exam, 0))
        made.append(job if release == job.release else msgspec.structs.replace(job, release=release))
    return tuple(made)


# -------------------------------------------------------------------------------------- daily maximum


def bound(runs: Sequence[Run], board: Board) -> int:
    """The least daily load at which the units fit their windows, parts or no parts, order or no order."""
    most = max((min(r + f, board.limit) for r, f in zip(board.room, board.load, strict=True)), default=0)
    needs = demands(runs)
    return bisect_left(range(most), True, key=lambda cap: fits(needs, rooms_under(board, cap)))


def rooms_under(board: Board, cap: int) -> tuple[int, ...]:
    """What each day holds when its load, appointments included, may not pass ``cap``."""
    return tuple(max(0, min(room, cap - load)) for room, load in zip(board.room, board.load, strict=True))


def third_above(board: Board) -> int:
    """Usual minutes and a third, rounded down to units."""
    return board.usual * 4 // 3


def ceiling(board: Board, floor: int) -> int:
    """The daily maximum: the last minutes of tightness are not worth cutting tasks up for."""
    return min(board.limit, max(third_above(board), floor + 1))


def least_limit(runs: Sequence[Run], rooms: Callable[[int], Sequence[int]], most: int) -> int | None:
    """The least limit of a day (in units, at most ``most``) under which all runs fit; ``None`` if none does."""
    needs = demands(runs)
    if not fits(needs, rooms(most)):
        return None
    return bisect_left(range(most), True, key=lambda limit: fits(needs, rooms(limit)))
