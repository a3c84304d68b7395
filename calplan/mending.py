"""A plan that lost a day: which work goes where now, with the fewest changes.

The goals, in this order: least loss and fixed days, as for a new plan; a daily maximum no higher than the published
one, or than the work needs (raised by five minutes at a time where nothing fits otherwise); the fewest published tasks
moved; the least total shift; and only then the other goals of a new plan.

Which tasks have to move is a covering problem. As long as a task stays, its units have one day each; once it may move,
they have its window. Everything fits if no stretch of days must hold more than it has room for (Hall's condition for
intervals), and moving a task takes a fixed number of units off each stretch. So only the stretches that are overfull
while everything stays need looking at, and the least number of tasks that relieves all of them is found by branch and
bound. That a second pass comes after its first is no matter of windows: where a layout breaks it, the search branches
on the day that parts the two. Least perturbation as a goal: El Sakkout & Wallace 2000, Constraints 5(4):359–388.

Lost work may come out of its rotation order here. Everything is in whole numbers: days are indices into the usable
days, amounts are units; ``dates`` gives each day a number on the calendar, for distances.
"""

from __future__ import annotations

from collections import Counter
from heapq import heappop, heappush
from itertools import accumulate, islice, permutations
from typing import TYPE_CHECKING, NamedTuple

import msgspec

from calplan.capacity import Board, Job, bound, kept_runs, near_fixed_days, rooms_under, settle
from calplan.covering import least_cover
from calplan.errors import CalplanError
from calplan.partition import Piece

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

BRANCHES = 40
"""How many ways of parting first and second passes are looked at."""

ORDERS = 24
"""In how many orders the work to be placed is tried."""


class NoOrder(CalplanError):
    """No layout was found that keeps each first pass before its second one."""


class Before(NamedTuple):
    """Where a job was, as published: units by day ahead, and those of them that must stay.

    ``home`` is the number of the date on which its other units were, or would have been. ``after`` names the jobs that
    must be over first: the last day of each is no later than the first day of this one.
    """

    lies: Mapping[int, int] = {}
    held: Mapping[int, int] = {}
    home: int = 0
    after: tuple[int, ...] = ()


class Mended(NamedTuple):
    """Where everything lies now. ``moved`` are the jobs that have fewer units on some day than they had.

    ``kept``, ``bound``, ``maximum``, ``days``, ``cost`` and ``opened`` as in :class:`~calplan.schedule.Solution`.
    ``shift`` adds up, over the jobs with units that are new to their day, how far the furthest of them went, in days.
    ``proved`` tells that no plan moves fewer.
    """

    kept: tuple[int, ...]
    bound: int
    maximum: int
    days: tuple[tuple[Piece, ...], ...]
    moved: frozenset[int]
    shift: int
    cost: tuple[int, int, int, int, int]
    opened: bool
    proved: bool


def mend_days(
    board: Board,
    jobs: Sequence[Job],
    before: Sequence[Before],
    *,
    dates: Sequence[int],
    published: int,
    essentials: bool = False,
    opened: Board | None = None,
    stay: bool = False,
) -> Mended:
    """The plan for the goals above. ``jobs`` hold only units that are not over; ``published`` is the daily maximum.

    What is held stays; other work that cannot keep its order beside it is given up (where everything is to ``stay``,
    all other work if need be). Only where that does not help either, all that is held may move. Raises :class:`NoOrder`
    where windows and rooms hold the work that is kept, but none of the layouts that were looked at keeps its order.
    """
    held = [sum(one.held.values()) for one in before]
    tries = [jobs]
    if any(held):
        tries += [parted_by_held(jobs, before)]
    if any(held) and stay:
        tries += [[job_kept(job, count) for job, count in zip(jobs, held, strict=True)]]
    for tried in tries:
        state, floor, cap, found = searched(board, tried, before, dates, published, essentials, opened)
        if found is not None:
            break
    if found is None and any(held):
        before = [one._replace(held={}) for one in before]
        state, floor, cap, found = searched(board, jobs, before, dates, published, essentials, opened)
    if found is None:
        raise NoOrder("No layout of the work that fits keeps each first pass before its second one.")
    return Mended(
        kept=state.kept,
        bound=floor,
        maximum=cap,
        days=pieces_of(found.days, state),
        moved=frozenset(job for job in range(len(jobs)) if state.has_moved(job, found.days)),
        shift=found.score[1],
        cost=found.score[2:7],
        opened=state.late,
        proved=found.proved,
    )


def searched(
    board: Board,
    jobs: Sequence[Job],
    before: Sequence[Before],
    dates: Sequence[int],
    published: int,
    essentials: bool,
    opened: Board | None,
) -> tuple[State, int, int, Found | None]:
    """What is kept under the goals, the least possible maximum and the one that was tried last, and what it gave."""
    held = [sum(one.held.values()) for one in before]
    beside = board_beside(board, before)
    loose = [job_without(job, count) for job, count in zip(jobs, held, strict=True)]
    kept, late = settle(beside, loose, essentials=essentials, opened=board_beside(opened, before) if opened else None)
    if late and opened is not None:
        board = opened
    whole = tuple(map(sum, zip(kept, held, strict=True)))
    near = near_fixed_days(
        [without_days(job) if count else job for job, count in zip(loose, held, strict=True)],
        kept,
        board_beside(board, before).room,
        late=late,
        waits=False,
    )
    fixed = [job_in(job, one) for job, one in zip(jobs, near, strict=True)]
    for tried in (fixed, jobs):
        state = State(board, tried, before, whole, dates, late=late)
        floor = state.floor()
        cap = min(board.limit, max(published, floor))
        found = state.under(cap)
        while found is None and cap < board.limit:
            cap += 1
            found = state.under(cap)
        if found is not None or fixed == list(jobs):
            break
    return state, floor, cap, found


# ----------------------------------------------------------------------------------- jobs and board beside what is held


def without_days(job: Job) -> Job:
    """The job without days that it is fixed for: the student holds some of it where it is."""
    return msgspec.structs.replace(job, nearer=())


def job_in(job: Job, other: Job) -> Job:
    """The job in another one's window."""
    return msgspec.structs.replace(job, release=other.release, due=other.due, late=other.late)


def parted_by_held(jobs: Sequence[Job], before: Sequence[Before]) -> list[Job]:
    """The jobs with windows in which first passes come before second ones that are held, and these after those.

    Of a job without such a window only what is held is left.
    """
    last = [job.due for job in jobs]
    first = [job.release for job in jobs]
    for later, one in enumerate(before):
        for earlier in one.after:
            if one.held:
                last[earlier] = min(last[earlier], min(one.held))
            if before[earlier].held:
                first[later] = max(first[later], max(before[earlier].held))
    parted = []
    for job, one, release, due in zip(jobs, before, first, last, strict=True):
        if (release, due) == (job.release, job.due):
            parted.append(job)
        elif release > due:
            parted.append(job_kept(job, sum(one.held.values())))
        else:
            late = min(job.late, due) if due < job.due else job.late
            parted.append(msgspec.structs.replace(job, release=release, due=due, late=late))
    return parted


def job_kept(job: Job, units: int) -> Job:
    """The job with its first so many units alone."""
    return msgspec.structs.replace(job, ranks=job.ranks[:units])


def job_without(job: Job, units: int) -> Job:
    """The job without its first so many units."""
    return msgspec.structs.replace(job, ranks=job.ranks[units:])


def board_beside(board: Board, before: Iterable[Before]) -> Board:
    """The board with what is held counted as there already."""
    taken = held_on(before, len(board.room))
    return msgspec.structs.replace(
        board,
        room=tuple(max(0, room - units) for room, units in zip(board.room, taken, strict=True)),
        load=tuple(load + units for load, units in zip(board.load, taken, strict=True)),
    )


def held_on(before: Iterable[Before], days: int) -> list[int]:
    """The units that are held on each day."""
    taken = [0] * days
    for one in before:
        for day, units in one.held.items():
            taken[day] += units
    return taken


# ----------------------------------------------------------------------------------------------------------- the search


Days = list[dict[int, int]]
"""For each day, the units of each job on it."""


class Found(NamedTuple):
    """A layout with its score: (broken orders, shift, clashes, empty days, cuts and joins, drift, squares)."""

    days: Days
    score: tuple[int, int, int, int, int, int, int]
    proved: bool = True


class Group(NamedTuple):
    """Units of a job that need a day, and the number of the date they come from."""

    job: int
    units: int
    home: int


Window = tuple[int, int]


class State:
    """What stays the same while days are looked for: what is kept of each job, where it was, and its window."""

    def __init__(
        self,
        board: Board,
        jobs: Sequence[Job],
        before: Sequence[Before],
        kept: tuple[int, ...],
        dates: Sequence[int],
        *,
        late: bool,
    ) -> None:
        self.board, self.jobs, self.before, self.kept, self.dates = board, jobs, before, kept, dates
        self.late = late
        self.windows: list[Window] = [
            (job.release, min(job.late if late and job.late > job.due else job.due, len(board.room) - 1))
            for job in jobs
        ]
        self.lies = [dict(one.lies) for one in before]
        # What falls out of a task leaves a day of it short whatever else happens: it may as well move.
        self.freed = {
            job for job, lies in enumerate(self.lies) if sum(lies.values()) > kept[job] or not self.inside(job)
        }
        self.followers: dict[int, list[int]] = {}
        for job, one in enumerate(before):
            for first in one.after:
                self.followers.setdefault(first, []).append(job)

    def inside(self, job: int) -> bool:
        """Whether all days of a job lie in its window."""
        first, last = self.windows[job]
        return all(first <= day <= last for day in self.lies[job])

    def floor(self) -> int:
        """The least cap under which the kept units fit windows and rooms, order or no order."""
        loose = [job_without(job, sum(one.held.values())) for job, one in zip(self.jobs, self.before, strict=True)]
        kept = [count - sum(one.held.values()) for count, one in zip(self.kept, self.before, strict=True)]
        runs = kept_runs(loose, kept, late=self.late)
        beside = board_beside(self.board, self.before)
        full = [load for load, mine in zip(beside.load, held_on(self.before, len(beside.load)), strict=True) if mine]
        return max(bound(runs, beside), *full, 0)

    def under(self, cap: int) -> Found | None:
        """The best layout whose days hold no more than ``cap``; ``None`` where nothing fits."""
        rooms = rooms_under(self.board, cap)
        waiting: list[tuple[int, int, list[Window]]] = []
        ticket = 0
        least = self.least_moves(self.windows, rooms)
        if least is None:
            return None
        heappush(waiting, (len(least[0]), ticket, self.windows))
        best: Found | None = None
        most = len(self.jobs) + 1
        tried = False
        for _ in range(BRANCHES):
            if not waiting or waiting[0][0] >= most:
                return best and best._replace(proved=True)
            moves, _, windows = heappop(waiting)
            cover = self.least_moves(windows, rooms)
            if cover is None:
                continue
            broken = self.broken(self.laid(cover[0], windows, rooms, orders=1).days)
            if broken is None:
                return self.laid(cover[0], windows, rooms)._replace(proved=cover[1])
            if best is None and not tried:
                tried = True
                best = self.in_order(rooms)
                if best is not None:
                    most = sum(self.has_moved(job, best.days) for job in range(len(self.jobs)) if job not in self.freed)
                    if most <= moves:
                        return best._replace(proved=cover[1])
            for child in parted(windows, broken):
                after = self.least_moves(child, rooms)
                if after is not None:
                    ticket += 1
                    heappush(waiting, (len(after[0]), ticket, child))
        return best

    def in_order(self, rooms: Sequence[int]) -> Found | None:
        """A layout that keeps first passes before second ones, whatever moves: each boundary where the plan had it."""
        windows = list(self.windows)
        for first, later in self.followers.items():
            starts = [min(self.lies[job]) for job in later if self.lies[job] and self.kept[job]]
            if starts:
                low, high = windows[first]
                windows[first] = (low, max(low, min(high, min(starts))))
        cover = self.least_moves(windows, rooms)
        found = self.laid(cover[0], windows, rooms) if cover else None
        return found._replace(proved=False) if found and self.broken(found.days) is None else None

    def broken(self, days: Days) -> tuple[int, int, int, int] | None:
        """A first pass that ends after its second one begins: both jobs, and the two days."""
        first_day: dict[int, int] = {}
        last_day: dict[int, int] = {}
        for day, jobs in enumerate(days):
            for job in jobs:
                first_day.setdefault(job, day)
                last_day[job] = day
        worst = None
        for job, later in self.followers.items():
            for other in later:
                if job in last_day and other in first_day and last_day[job] > first_day[other]:
                    gap = last_day[job] - first_day[other]
                    if worst is None or gap > worst[0]:
                        worst = gap, (job, other, first_day[other], last_day[job])
        return worst[1] if worst else None

    # ------------------------------------------------------------------------------------ which tasks must move

    def least_moves(self, windows: Sequence[Window], rooms: Sequence[int]) -> tuple[frozenset[int], bool] | None:
        """The fewest jobs that must move so that everything fits, and whether that is proved; ``None``: none do.

        Only jobs that could have stayed are counted; what falls out of its window moves anyway.
        """
        if any(low > high and self.kept[job] for job, (low, high) in enumerate(windows)):
            return None
        free = set(self.freed) | {
            job
            for job, lies in enumerate(self.lies)
            if any(not windows[job][0] <= day <= windows[job][1] for day in lies) and self.kept[job]
        }
        forced = free - self.freed
        if any(
            not windows[job][0] <= day <= windows[job][1] and self.kept[job]
            for job in forced
            for day in self.before[job].held
        ):
            return None
        staying = [job for job, lies in enumerate(self.lies) if lies and job not in free and self.kept[job]]
        overfull = self.overfull(staying, windows, rooms)
        rows: dict[int, list[int]] = {}
        for job in staying:
            low, high = windows[job]
            row = []
            for first, last, _ in overfull:
                units = sum(
                    n - self.before[job].held.get(day, 0) for day, n in self.lies[job].items() if first <= day <= last
                )
                inside = first <= low and high <= last
                row.append(units - (sum(self.lies[job].values()) - sum(self.before[job].held.values())) * inside)
            if any(gain > 0 for gain in row):
                rows[job] = row
        cover = least_cover([excess for _, _, excess in overfull], rows, self.worth_moving)
        return None if cover is None else (frozenset(cover[0] | forced), cover[1])

    def worth_moving(self, job: int) -> tuple[int, ...]:
        """Of equal jobs, those that lie later move sooner: their change is furthest away."""
        return (-max(self.lies[job]), -job)

    def overfull(
        self, staying: Sequence[int], windows: Sequence[Window], rooms: Sequence[int]
    ) -> list[tuple[int, int, int]]:
        """The stretches that must hold more than they can while these jobs stay: first and last day, and the excess."""
        count = len(rooms)
        balance = [-room for room in rooms]
        spans: dict[Window, int] = {}
        stays = set(staying)
        for job, kept in enumerate(self.kept):
            units = kept
            days = self.lies[job] if job in stays else self.before[job].held
            for day, n in days.items():
                balance[day] += n
                units -= n
            if units > 0:
                spans[windows[job]] = spans.get(windows[job], 0) + units
        total = [0, *accumulate(balance)]
        found = []
        for first in range(count):
            inside = sorted((high, units) for (low, high), units in spans.items() if low >= first)
            held, at = 0, 0
            for last in range(first, count):
                while at < len(inside) and inside[at][0] <= last:
                    held += inside[at][1]
                    at += 1
                excess = total[last + 1] - total[first] + held
                if excess > 0:
                    found.append((first, last, excess))
        return found

    # -------------------------------------------------------------------------------------------- the layout

    def laid(
        self, moved: frozenset[int], windows: Sequence[Window], rooms: Sequence[int], *, orders: int = ORDERS
    ) -> Found:
        """The best layout found in which no other jobs move than these (and those that cannot stay).

        So many ``orders`` of placing the work are tried.
        """
        free = moved | self.freed
        days: Days = [{} for _ in rooms]
        room = list(rooms)
        groups = []
        for job, kept in enumerate(self.kept):
            here = self.before[job].held if job in free else self.lies[job]
            left = kept
            for day, units in here.items():
                days[day][job] = units
                room[day] -= units
                left -= units
            for day, units in self.lies[job].items() if job in free else ():
                loose = min(left, units - self.before[job].held.get(day, 0))
                if loose > 0:
                    groups.append(Group(job, loose, self.dates[day]))
                    left -= loose
            if left > 0:
                groups.append(Group(job, left, self.before[job].home))
        best: Found | None = None
        for order in islice(self.orders(groups), orders):
            found = self.placed(order, days, room, windows)
            if best is None or found.score < best.score:
                best = found
        assert best is not None
        return best

    def orders(self, groups: Sequence[Group]) -> Iterator[list[Group]]:
        """The orders in which work is placed: all of them where it is little, else a few good ones."""
        usual = sorted(groups, key=lambda group: (group.home, group.job))
        yield usual
        if len(groups) <= 4:
            yield from (list(order) for order in permutations(usual) if list(order) != usual)
        else:
            yield sorted(groups, key=lambda group: (-group.units, group.home, group.job))
            yield sorted(groups, key=lambda group: (self.windows[group.job][1], group.home, group.job))
            yield usual[::-1]

    def placed(self, order: Sequence[Group], days: Days, room: Sequence[int], windows: Sequence[Window]) -> Found:
        """The layout that comes of placing groups one after the other, each as near to where it was as can be."""
        days, left = [dict(day) for day in days], list(room)
        waiting: Counter[Window] = Counter()
        for group in order:
            waiting[windows[group.job]] += group.units
        for group in order:
            waiting[windows[group.job]] -= group.units
            rest = [(window, units) for window, units in waiting.items() if units]
            for day, units in self.best_days(group, days, left, windows[group.job], rest):
                days[day][group.job] = days[day].get(group.job, 0) + units
                left[day] -= units
        return Found(days, self.score(days, order))

    def best_days(
        self, group: Group, days: Days, left: Sequence[int], window: Window, rest: Sequence[tuple[Window, int]]
    ) -> list[tuple[int, int]]:
        """The days that take a group's units, with the least distance first, then the fewest parts, then the best fit.

        Whatever is chosen leaves room for the ``rest``.
        """
        low, high = window
        early, until = self.allowed(group.job, days, low, high)
        reach = [day for day in range(early, until + 1) if left[day] > 0]
        wide = reach if (early, until) == (low, high) else [day for day in range(low, high + 1) if left[day] > 0]
        for span in (reach, wide):
            away = {day: abs(self.dates[day] - group.home) for day in span}
            for radius in sorted(set(away.values())):
                near = [day for day in span if away[day] <= radius]
                if sum(left[day] for day in near) < group.units:
                    continue
                for choice in self.choices(group, days, left, near):
                    after = list(left)
                    for day, units in choice:
                        after[day] -= units
                    if hall(rest, after):
                        return choice
        return earliest_due_first(group, window, left, rest)

    def allowed(self, job: int, days: Days, low: int, high: int) -> Window:
        """The part of a window that keeps a job behind what comes first and before what comes after it."""
        firsts, later = set(self.before[job].after), set(self.followers.get(job, ()))
        if not firsts and not later:
            return low, high
        for day, held in enumerate(days):
            if firsts and not firsts.isdisjoint(held):
                low = max(low, day)
            if later and not later.isdisjoint(held):
                high = min(high, day)
                break
        return low, high

    def choices(
        self, group: Group, days: Days, left: Sequence[int], near: Sequence[int]
    ) -> Iterator[list[tuple[int, int]]]:
        """Ways to lay a group on some days: on one that holds all of it, the best first; else on as few as can be."""
        whole = [day for day in near if left[day] >= group.units]
        if whole:
            ranked = sorted(whole, key=lambda day: self.fit(group, day, days))
            yield from ([(day, group.units)] for day in ranked)
        for key in (
            lambda day: (-left[day], abs(self.dates[day] - group.home), day),
            lambda day: (abs(self.dates[day] - group.home), day),
        ):
            parts, units = [], group.units
            for day in sorted(near, key=key):
                taken = min(units, left[day])
                parts.append((day, taken))
                units -= taken
                if not units:
                    yield parts
                    break

    def fit(self, group: Group, day: int, days: Days) -> tuple[int, ...]:
        """What a day costs that takes all of a group: clash, empty day filled, joins, drift, and how full it gets."""
        job = self.jobs[group.job]
        others = [self.jobs[other] for other in days[day] if other != group.job]
        same = [other for other in others if other.exam == job.exam]
        clash = any(other.kind == job.kind >= 0 and other.second != job.second for other in same)
        kinds = {other.kind for other in same if other.kind >= 0}
        load = self.board.load[day] + sum(days[day].values()) + group.units
        joins = (
            (job.kind >= 0 and bool(kinds) and job.kind not in kinds)
            + (not same and len({other.exam for other in others}) >= 2)
            + (day in self.board.eves and load > self.board.usual)
        )
        empty = not days[day] and not self.board.load[day] and not self.board.filled[day]
        return (clash, not empty, joins, abs(day - job.ideal), load, day)

    def score(self, days: Days, groups: Sequence[Group]) -> tuple[int, int, int, int, int, int, int]:
        """Broken orders, shift, and the goals of a new plan; less is better."""
        shift: dict[int, int] = {}
        for group in groups:
            mine = [day for day in range(len(days)) if days[day].get(group.job, 0) > self.lies[group.job].get(day, 0)]
            far = max((abs(self.dates[day] - group.home) for day in mine), default=0)
            shift[group.job] = max(shift.get(group.job, 0), far)
        broken = int(self.broken(days) is not None)
        return (broken, sum(shift.values()), *texture(self.board, self.jobs, days))

    def has_moved(self, job: int, days: Days) -> bool:
        """Whether a job has fewer units on some day than it had."""
        return any(days[day].get(job, 0) < units for day, units in self.lies[job].items())


def parted(windows: Sequence[Window], broken: tuple[int, int, int, int]) -> Iterator[list[Window]]:
    """The two ways to part a first pass from its second: the one ends by some day, or the other begins after it."""
    first, second, begins, _ = broken
    ends = list(windows)
    ends[first] = (windows[first][0], min(windows[first][1], begins))
    yield ends
    starts = list(windows)
    starts[second] = (max(windows[second][0], begins + 1), windows[second][1])
    yield starts


def hall(rest: Sequence[tuple[Window, int]], room: Sequence[int]) -> bool:
    """Whether units with these windows fit."""
    if not rest:
        return True
    total = [0, *accumulate(room)]
    lows, highs = sorted({window[0] for window, _ in rest}), sorted({window[1] for window, _ in rest})
    for low in lows:
        inside = [(window[1], units) for window, units in rest if window[0] >= low]
        for high in highs:
            if high >= low and total[high + 1] - total[low] < sum(units for end, units in inside if end <= high):
                return False
    return True


def earliest_due_first(
    group: Group, window: Window, left: Sequence[int], rest: Sequence[tuple[Window, int]]
) -> list[tuple[int, int]]:
    """Days for a group that leave room for the rest, found by earliest due date; there are some if all fit at all."""
    work = [(window, group.units, True), *((other, units, False) for other, units in rest)]
    waiting = sorted(work, key=lambda one: one[0][0], reverse=True)
    ready: list[tuple[int, int, list[int], bool]] = []
    parts = []
    for day, space in enumerate(left):
        while waiting and waiting[-1][0][0] <= day:
            (_, due), units, mine = waiting.pop()
            heappush(ready, (due, len(waiting), [units], mine))
        while space > 0 and ready:
            units_left, mine = ready[0][2], ready[0][3]
            taken = min(space, units_left[0])
            units_left[0] -= taken
            space -= taken
            if mine and taken:
                parts.append((day, taken))
            if not units_left[0]:
                heappop(ready)
    return parts


def texture(board: Board, jobs: Sequence[Job], days: Days) -> tuple[int, int, int, int, int]:
    """Clashes, empty days, cuts and joins, drift, and the sum of squares of the days' loads."""
    clashes = empties = joins = drift = squares = 0
    seen: set[int] = set()
    sizes: dict[int, int] = {}
    for held in days:
        for job, units in held.items():
            sizes[job] = sizes.get(job, 0) + units
    for day, held in enumerate(days):
        load = board.load[day] + sum(held.values())
        squares += load * load
        empties += not held and board.room[day] > 0 and not board.load[day] and not board.filled[day]
        kinds: dict[int, set[int]] = {}
        passes: dict[tuple[int, int], set[bool]] = {}
        for job, units in held.items():
            mine = jobs[job]
            kinds.setdefault(mine.exam, set())
            if mine.pinned:
                continue
            drift += units * abs(day - mine.ideal)
            joins += (job in seen) + (units == 1 and sizes[job] > 1)
            seen.add(job)
            if mine.kind >= 0:
                kinds[mine.exam].add(mine.kind)
                passes.setdefault((mine.exam, mine.kind), set()).add(mine.second)
        joins += sum(max(0, len(one) - 1) for one in kinds.values()) + max(0, len(kinds) - 2)
        joins += day in board.eves and load > board.usual
        clashes += sum(len(one) > 1 for one in passes.values())
    return clashes, empties, joins, drift, squares


def pieces_of(days: Days, state: State) -> tuple[tuple[Piece, ...], ...]:
    """The pieces of each day; a job's units are numbered in the order of their days."""
    reached = [0] * len(state.jobs)
    result = []
    for held in days:
        pieces = []
        for job in sorted(held):
            if held[job]:
                pieces.append(Piece(job, reached[job], held[job]))
                reached[job] += held[job]
        result.append(tuple(pieces))
    return tuple(result)
