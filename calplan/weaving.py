"""How several exams are woven into one order.

Inside an exam the order is law; between exams it is free, as it is between an exam and what it has fixed for days, and
the number of ways is beyond counting. A few good orders are proposed (:func:`orders`), each is cut into days as well as
it can be, and the best is mended while that helps (:func:`rewoven`): tasks that the weave tore apart are drawn
together, and neighbouring exams change places. Measured against CP-SAT, which may weave in any way, this is as good or
within a cut or two (tests/bench/oracle.py).
"""

from __future__ import annotations

from bisect import bisect_left
from heapq import heappop, heappush
from itertools import accumulate, groupby
from typing import TYPE_CHECKING

from calplan.detours import Detour
from calplan.errors import InvalidRequest, Problem
from calplan.model import UNIT
from calplan.partition import Tariff, band, cells, cells_at_most

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from calplan.capacity import Job, Run
    from calplan.partition import Canvas, Cut, Layout

TRIALS = 24
"""How many orders are tried at the most when a weave is mended; more of them hardly ever helped (measured)."""

MENDED = 4
"""How many of the proposed orders are mended."""

CELLS_TRIED, MOST_CELLS = 10_000_000, 12_000_000
"""How much the trials of all mended orders may cost together, and one cut alone (a few seconds each): see
:func:`~calplan.partition.cells`. A usual cut has a hundred thousand."""


def weave(canvas: Canvas, runs: Sequence[Run]) -> Layout:
    """The best layout found for the units of all exams. A single exam has one order, and its best cut is the best.

    Work grows with units times what a day may hold; where that is far beyond what people plan, fewer orders are tried.
    Raises InvalidRequest where not even one cut can be had within seconds.
    """
    proposed = orders(runs, canvas.jobs, canvas.rooms)
    work = cells_at_most(canvas, proposed[0])
    if work * TRIALS * MENDED > CELLS_TRIED:
        work = max(cells(canvas, order) for order in proposed)
    if work > MOST_CELLS:
        raise InvalidRequest([too_much(canvas, runs)])
    tariff = Tariff(canvas, runs)
    cuts = sorted(filter(None, map(tariff.cut, proposed)), key=lambda cut: cut.score)
    if len({canvas.jobs[run.job].line for run in runs}) < 2 or not keeps_order(canvas.jobs, cuts[0].order):
        return cuts[0].layout
    trials = min(TRIALS, CELLS_TRIED // (work * len(cuts[:MENDED])))
    mended = [rewoven(cut, trials) for cut in cuts[:MENDED]]
    return min(mended, key=lambda cut: cut.score).layout


def too_much(canvas: Canvas, runs: Sequence[Run]) -> Problem:
    """What is said of more work than can be laid out."""
    hours = sum(run.units for run in runs) * UNIT // 60
    return Problem(
        "request",
        f"{hours} hours of work over {len(canvas.rooms)} days are more than can be laid out day by day.",
        "Put small pieces together (a chapter instead of its pages), plan fewer exams at once, or lower a day's limit.",
    )


# --------------------------------------------------------------------------------------- orders to begin with


def orders(runs: Sequence[Run], jobs: Sequence[Job], room: Sequence[int]) -> list[list[Run]]:
    """Candidate orders of all units; at least one of them fits.

    (a) by ideal day, then exam date; (b) earliest due date, with units released no sooner than some days before their
    ideal day: the fewest such days at which everything fits; (c) as (b), with tasks kept whole. Releases and dues are
    first made monotone along each exam, after which earliest due date respects the order and finds a plan if there is
    one. Should none exist under the ceiling, (d) is earliest due date with the true windows: it always fits.

    More days of lead would save a few cuts and joins, and lay one exam after the other: all of the first in the first
    week, and nothing of it for the weeks after. Spacing is worth more (Cepeda et al. 2008).
    """
    lawful = monotone(runs, jobs)
    found = [sorted(lawful, key=lambda run: (jobs[run.job].ideal, jobs[run.job].exam, run.job, run.first))]
    if len({jobs[run.job].line for run in runs}) > 1:
        found += woven(lawful, jobs, room)
    unique = [order for i, order in enumerate(found) if order not in found[:i]]
    if any(feasible(order, room) for order in unique):
        return unique
    placed = earliest_due(runs, jobs, room, lead=len(room))
    assert placed is not None, "kept units fit their windows"
    return [by_day(placed, jobs)]


def monotone(runs: Sequence[Run], jobs: Sequence[Job]) -> list[Run]:
    """The runs with releases that never fall and dues that never fall along an exam, or along what it has fixed.

    A line in which a window closes by that cannot keep its order; its runs keep their windows.
    """
    result = []
    for _, group in groupby(sorted(runs, key=lambda r: (jobs[r.job].line, r.job, r.first)), lambda r: jobs[r.job].line):
        mine = list(group)
        releases = list(accumulate((run.release for run in mine), max))
        dues = list(accumulate((run.due for run in reversed(mine)), min))[::-1]
        if all(release <= due for release, due in zip(releases, dues, strict=True)):
            mine = [run._replace(release=r, due=d) for run, r, d in zip(mine, releases, dues, strict=True)]
        result += mine
    return result


def woven(runs: Sequence[Run], jobs: Sequence[Job], room: Sequence[int]) -> list[list[Run]]:
    """The orders (b) and (c) of :func:`orders`; empty if the order within the exams cannot be kept at all."""
    most = len(room)
    if earliest_due(runs, jobs, room, lead=most) is None:
        return []
    least = bisect_left(range(most), True, key=lambda lead: earliest_due(runs, jobs, room, lead=lead) is not None)
    placed = earliest_due(runs, jobs, room, lead=least)
    assert placed is not None
    last = {run.job: day for day, run in placed}
    first = {run.job: day for day, run in reversed(placed)}
    return [by_day(placed, jobs), whole(runs, jobs, first), whole(runs, jobs, last)]


def whole(runs: Iterable[Run], jobs: Sequence[Job], days: Mapping[int, int]) -> list[Run]:
    """The runs with tasks kept whole, in the order of one day for each task."""
    return sorted(runs, key=lambda run: (days[run.job], jobs[run.job].exam, run.job, run.first))


def earliest_due(
    runs: Sequence[Run], jobs: Sequence[Job], room: Sequence[int], *, lead: int
) -> list[tuple[int, Run]] | None:
    """Earliest due date with preemption, day by day; ``None`` when a unit would be late.

    No unit lies more than ``lead`` days before its ideal day. With unit pieces this finds a plan whenever there is one
    (Horn 1974, Naval Research Logistics Quarterly 21(1), for the method).
    """
    waiting = sorted(
        ((max(run.release, jobs[run.job].ideal - lead), run.due, run.job, run.first, run) for run in runs), reverse=True
    )
    ready: list[tuple[int, int, int, Run]] = []
    placed = []
    for day, space in enumerate(room):
        while waiting and waiting[-1][0] <= day:
            _, due, job, first, run = waiting.pop()
            heappush(ready, (due, job, first, run))
        while space and ready:
            due, job, first, run = heappop(ready)
            count = min(space, run.units)
            placed.append((day, run._replace(units=count)))
            space -= count
            if count < run.units:
                rest = run._replace(first=first + count, units=run.units - count)
                heappush(ready, (due, job, first + count, rest))
        if ready and ready[0][0] <= day:
            return None
    return None if waiting or ready else placed


def by_day(placed: Iterable[tuple[int, Run]], jobs: Sequence[Job]) -> list[Run]:
    """The units in the order of their days; inside a day exam by exam, in each exam's order."""
    return [run for _, run in sorted(placed, key=lambda p: (p[0], jobs[p[1].job].exam, p[1].job, p[1].first))]


def feasible(order: Sequence[Run], room: Sequence[int]) -> bool:
    """Whether the units fit when they are laid out in exactly this order."""
    return band(order, room) is not None


def keeps_order(jobs: Sequence[Job], order: Iterable[Run]) -> bool:
    """Whether the units of each line of jobs stand in its own order."""
    last: dict[tuple[int, bool], tuple[int, int]] = {}
    for run in order:
        line = jobs[run.job].line
        if (run.job, run.first) < last.get(line, (-1, -1)):
            return False
        last[line] = (run.job, run.first)
    return True


# ------------------------------------------------------------------------------------------- mending a weave


def rewoven(cut: Cut, trials: int = TRIALS) -> Cut:
    """The cut after mending its weave: steps to a neighbouring order with fewer clashes, empty days, cuts and joins.

    Every neighbour keeps each exam's order. The search is greedy and ends after so many trials.
    """
    tried = {tuple(cut.order)}
    while any(cut.cost[:3]):
        better = better_neighbour(cut, tried, trials + 1)
        if better is None:
            break
        cut = better
    return cut


def better_neighbour(cut: Cut, tried: set[tuple[Run, ...]], most: int) -> Cut | None:
    """The first neighbour with fewer clashes, empty days, cuts and joins; ``None`` once ``most`` orders were tried.

    Nearly all neighbours differ but in a short stretch from this order or from one that was tried, so that few have to
    be cut whole to see that they are no better (:mod:`~calplan.detours`).
    """
    goal = cut.tariff.scale.below(cut.score)
    known = [cut]
    for other in neighbours(cut.tariff.canvas.jobs, cut.order, cut.layout):
        if tuple(other) in tried:
            continue
        if len(tried) == most:
            break
        tried.add(tuple(other))
        detour = min((Detour(one, other) for one in known), key=len)
        if detour.short and not detour.leads_below(goal):
            continue
        found = cut.tariff.cut(other, cut.score)
        if found is not None and found.score < goal:
            return found
        if found is not None and not detour.short:
            known.append(found)
    return None


def neighbours(jobs: Sequence[Job], order: Sequence[Run], layout: Layout) -> Iterator[list[Run]]:
    """Orders that differ from this one by one step, the most promising first."""
    chained = by_continuation(jobs, order, layout)
    yield chained
    yield from drawn_together(chained)
    yield from drawn_together(order)
    yield from changed_places(jobs, chained)


def by_continuation(jobs: Sequence[Job], order: Iterable[Run], layout: Layout) -> list[Run]:
    """The same days in another order inside each: what continues from before comes first, what goes on comes last."""
    days = [day for day in day_by_day(order, layout) if day]
    tasks = [set[int](), *({run.job for run in day} for day in days), set[int]()]
    chained: list[Run] = []
    for before, day, after in zip(tasks, days, tasks[2:], strict=False):
        exams: dict[int, list[Run]] = {}
        for run in sorted(day, key=lambda run: (jobs[run.job].exam, run.job, run.first)):
            exams.setdefault(jobs[run.job].exam, []).append(run)
        mine = sorted(exams.values(), key=lambda runs: (runs[-1].job in after) - (runs[0].job in before))
        chained += [run for runs in mine for run in runs]
    return fused(chained)


def day_by_day(order: Iterable[Run], layout: Layout) -> Iterator[list[Run]]:
    """The order, day by day as the layout has it."""
    queue = list(order)[::-1]
    for pieces in layout.days:
        day, units = [], sum(piece.units for piece in pieces)
        while units:
            run = queue.pop()
            taken = min(units, run.units)
            if taken < run.units:
                queue.append(run._replace(first=run.first + taken, units=run.units - taken))
            day.append(run._replace(units=taken))
            units -= taken
        yield day


def drawn_together(order: Sequence[Run]) -> Iterator[list[Run]]:
    """Orders in which one torn task is whole: its later part beside the earlier, or the other way round."""
    last: dict[int, int] = {}
    for there, run in enumerate(order):
        here = last.get(run.job, there)
        if here < there - 1:
            yield fused([*order[: here + 1], run, *order[here + 1 : there], *order[there + 1 :]])
            yield fused([*order[:here], *order[here + 1 : there], order[here], *order[there:]])
        last[run.job] = there


def changed_places(jobs: Sequence[Job], order: Sequence[Run]) -> Iterator[list[Run]]:
    """Orders in which two neighbouring stretches of different exams have changed places."""
    stretches = [list(runs) for _, runs in groupby(order, lambda run: jobs[run.job].exam)]
    for i in range(len(stretches) - 1):
        swapped = [*stretches[:i], stretches[i + 1], stretches[i], *stretches[i + 2 :]]
        yield fused(run for runs in swapped for run in runs)


def fused(runs: Iterable[Run]) -> list[Run]:
    """The runs with neighbours of one task made one where they share a window."""
    result: list[Run] = []
    for run in runs:
        last = result[-1] if result else None
        if last and last[:2] == (run.job, run.first - last.units) and last[3:] == run[3:]:
            result[-1] = last._replace(units=last.units + run.units)
        else:
            result.append(run)
    return result
