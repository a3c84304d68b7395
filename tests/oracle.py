"""What judges the scheduler: slow, plain answers to the questions that calplan answers fast.

Nothing here shares code with the scheduler beyond the data types ``Job``, ``Board``, ``Piece``, ``Solution`` and
``Rank``. Three kinds of answer:

* **recounts** from the definitions (:func:`stretch_cost`, :func:`plan_cost`, :func:`unsound`),
* **brute force** over everything, for tiny instances (:func:`brute_loss`, :func:`brute_cut`),
* **CP-SAT** models (OR-Tools) for the rest. They raise :class:`NotProven` where the optimum is not proven in time:
  such an instance judges nothing.

The cost of a day, as everything here counts it: a clash for each kind of an exam whose first and second pass both lie
in it; an empty day if it could hold work but holds no unit, no pinned task and no appointment and is not filled
otherwise; and one cut or join each for a task that goes on from an earlier day, a part of one unit of a task of
several, each kind beyond the first of one exam, each exam beyond the second, and an eve that goes over usual.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from itertools import combinations_with_replacement, pairwise, product
from typing import TYPE_CHECKING, NamedTuple

from ortools.sat.python import cp_model

from calplan.model import Rank

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from calplan.capacity import Board, Job
    from calplan.partition import Piece
    from calplan.schedule import Solution

Vector = tuple[int, ...]

SECONDS = 30.0
"""The most that one CP-SAT call may take before its answer is "not proven"."""


class NotProven(Exception):
    """CP-SAT ran out of time before it had proved its answer."""


class NothingFits(Exception):
    """There is no answer at all: the model is proved to have none."""


class Group(NamedTuple):
    """Units of one job that are alike: same rank, same first and last day."""

    job: int
    rank: int
    units: int
    first_day: int
    last_day: int


class Unit(NamedTuple):
    """One unit of an order: its job, its number in the job, and the days on which it may lie."""

    job: int
    number: int
    first_day: int
    last_day: int


def groups(jobs: Sequence[Job], kept: Sequence[int] | None = None, *, late: bool = False) -> list[Group]:
    """All units of the jobs (or the first ``kept`` of each), alike ones together."""
    result = []
    for index, job in enumerate(jobs):
        ranks = job.ranks if kept is None else job.ranks[: kept[index]]
        for rank, units in sorted(Counter(ranks).items()):
            result.append(Group(index, rank, units, job.release, last_day(job, rank, late=late)))
    return result


def last_day(job: Job, rank: int, *, late: bool) -> int:
    """The last day of a unit. Opened taper days give a job its late day, and cost it its extras (no day at all)."""
    if not late or job.late <= job.due:
        return job.due
    return job.late if rank != Rank.EXTRA else job.release - 1


# ------------------------------------------------------------------------------------------- the solver


def proven(model: cp_model.CpModel) -> cp_model.CpSolver:
    """A solver that has proved its answer best. Raises :class:`NotProven` or :class:`NothingFits`.

    Once in thousands of models its workers end at once without an answer, so other seeds get a try, the last ones with
    another number of workers.
    """
    for seed in range(1, 7):
        solver = cp_model.CpSolver()
        solver.parameters.num_workers = 2 if seed < 4 else 1
        solver.parameters.random_seed = seed
        solver.parameters.linearization_level = 2  # most of these models are flows, which a linear relaxation solves
        solver.parameters.max_time_in_seconds = SECONDS
        status = solver.solve(model)
        if status == cp_model.INFEASIBLE:
            raise NothingFits
        if status == cp_model.OPTIMAL:
            return solver
        if solver.wall_time >= SECONDS:
            break
    raise NotProven


def lexicographic(model: cp_model.CpModel, goals: Sequence[cp_model.LinearExprT]) -> Vector:
    """The least vector of goals, each minimised once those before it are fixed at their least."""
    values: list[int] = []
    for goal in goals:
        model.minimize(goal)
        solver = proven(model)
        values.append(round(solver.objective_value))
        model.clear_objective()
        model.add(goal == values[-1])
        model.clear_hints()
        for index in range(len(model.proto.variables)):
            variable = model.get_int_var_from_proto_index(index)
            model.add_hint(variable, solver.value(variable))
    return tuple(values)


def packed(model: cp_model.CpModel, goals: Sequence[cp_model.LinearExprT], most: Sequence[int]) -> Vector:
    """The same in one go: a weighted sum in which a goal outweighs all that the later ones can come to at ``most``.

    Much faster where the model is a path, since no goal is turned into a side condition; whole numbers, so exact.
    """
    weights = [1]
    for bound in reversed(most[1:]):
        weights.insert(0, weights[0] * (bound + 1))
    model.minimize(sum(weight * goal for weight, goal in zip(weights, goals, strict=True)))
    solver = proven(model)
    return tuple(solver.value(goal) for goal in goals)


# ------------------------------------------------------------------------------------------ what is lost


def least_loss(room: Sequence[int], work: Sequence[Group], classes: Sequence[Iterable[Group]] | None = None) -> Vector:
    """The least lost units by rank, rank 1 first; or by the given classes of groups, the most important first.

    A flow: how many units of each group lie on each day of its window.
    """
    if classes is None:
        classes = [[group for group in work if group.rank == rank] for rank in Rank]
    model = cp_model.CpModel()
    on_day: dict[int, list[cp_model.IntVar]] = defaultdict(list)
    lost: dict[Group, cp_model.LinearExprT] = {}
    for group in work:
        amounts = []
        for day in range(group.first_day, group.last_day + 1):
            amounts.append(model.new_int_var(0, min(group.units, room[day]), f"{group.job} {group.rank} {day}"))
            on_day[day].append(amounts[-1])
        model.add(sum(amounts) <= group.units)
        lost[group] = group.units - sum(amounts)
    for day, amounts in on_day.items():
        model.add(sum(amounts) <= room[day])
    return lexicographic(model, [sum(lost[group] for group in members) for members in classes])


def least_loss_for(board: Board, jobs: Sequence[Job], *, essentials: bool, late: bool) -> Vector:
    """The least loss under the limit; or with ``essentials`` that of all essentials, and then as few extras lost as
    a third above usual minutes allows, none being kept if that already does not hold the essentials."""
    work = groups(jobs, late=late)
    if not essentials:
        return least_loss(board.room, work)
    must = [group for group in work if group.rank != Rank.EXTRA]
    third = board.usual + board.usual // 3
    low = [max(0, min(room, third - load)) for room, load in zip(board.room, board.load, strict=True)]
    at_all = least_loss(board.room, must)
    if least_loss(low, must) != at_all:
        extras = sum(group.units for group in work if group.rank == Rank.EXTRA)
        return (*at_all[:-1], extras)
    return least_loss(low, work)


def least_loss_settled(board: Board, jobs: Sequence[Job], *, essentials: bool, opened: Board | None) -> Vector:
    """The least loss with taper days closed; or open, if essentials are lost closed and open loses less."""
    closed = least_loss_for(board, jobs, essentials=essentials, late=False)
    # Pinned work is the taper's, and of its rank alone: opening the taper is no way out for it.
    if opened is None or not any(closed[rank - 1] for rank in Rank if rank not in (Rank.TAPER, Rank.EXTRA)):
        return closed
    return min(closed, least_loss_for(opened, jobs, essentials=essentials, late=True))


def brute_loss(room: Sequence[int], work: Sequence[Group]) -> Vector:
    """The same as :func:`least_loss`, by trying every day, or none, for every unit."""
    units = [group for group in work for _ in range(group.units)]
    best: Vector | None = None
    for days in product(*([None, *range(unit.first_day, unit.last_day + 1)] for unit in units)):
        held = Counter(day for day in days if day is not None)
        if all(count <= room[day] for day, count in held.items()):
            lost = Counter(unit.rank for unit, day in zip(units, days, strict=True) if day is None)
            vector = tuple(lost[rank] for rank in Rank)
            best = vector if best is None else min(best, vector)
    assert best is not None
    return best


def must_lie_between(work: Iterable[Group], first: int, last: int) -> int:
    """The units whose whole window lies between two days, both included: the recount of an overfull window."""
    return sum(group.units for group in work if group.first_day >= first and group.last_day <= last)


# ----------------------------------------------------------------------------------------- how high a day


def least_cap(board: Board, work: Sequence[Group]) -> int:
    """The least daily load, appointments included, at which all the work lies in its windows.

    A day whose appointments alone pass the cap takes no work and does not count.
    """
    model = cp_model.CpModel()
    limit = max([0, *(r + f for r, f in zip(board.room, board.load, strict=True))])
    cap = model.new_int_var(0, limit, "cap")
    on_day: dict[int, list[cp_model.IntVar]] = defaultdict(list)
    windows: Counter[tuple[int, int]] = Counter()
    for group in work:
        windows[group.first_day, group.last_day] += group.units
    for (first, last), units in windows.items():
        amounts = []
        for day in range(first, last + 1):
            amounts.append(model.new_int_var(0, min(units, board.room[day]), f"{first} {last} {day}"))
            on_day[day].append(amounts[-1])
        model.add(sum(amounts) == units)
    for day, amounts in on_day.items():
        space = cap
        if board.load[day]:
            space = model.new_int_var(0, max(board.room[day], limit), f"space {day}")
            model.add_max_equality(space, [0, cap - board.load[day]])
        model.add(sum(amounts) <= board.room[day])
        model.add(sum(amounts) <= space)
    model.minimize(cap)
    return round(proven(model).objective_value)


# ------------------------------------------------------------------------------------ recounts of a cost


class Ground(NamedTuple):
    """The days before any free work is laid on them: rooms left under a cap, loads, and the exams of pinned work."""

    board: Board
    jobs: Sequence[Job]
    rooms: Vector
    loads: Vector
    exams: tuple[frozenset[int], ...]


def ground(board: Board, jobs: Sequence[Job], kept: Sequence[int], cap: int) -> Ground:
    """The days under a cap, with the kept pinned units on theirs."""
    loads = list(board.load)
    rooms = [max(0, min(room, cap - load)) for room, load in zip(board.room, board.load, strict=True)]
    exams: list[set[int]] = [set() for _ in rooms]
    for job, units in zip(jobs, kept, strict=True):
        if job.pinned and units:
            loads[job.release] += units
            rooms[job.release] -= units
            exams[job.release].add(job.exam)
    return Ground(board, jobs, tuple(rooms), tuple(loads), tuple(map(frozenset, exams)))


def stretch_cost(land: Ground, day: int, before: Sequence[int], here: Sequence[int], kept: Sequence[int]) -> Vector:
    """(clashes, empty, cuts and joins, drift, square) of a day that holds the units of the jobs ``here``.

    ``before`` are the jobs of the units on earlier days, one entry a unit. Counted from the definitions, one by one.
    """
    jobs, board = land.jobs, land.board
    load = land.loads[day] + len(here)
    exams = land.exams[day] | {jobs[job].exam for job in here}
    clashes, joins = inner_cost(jobs, before, here, kept)
    joins += max(0, len(exams) - 2)
    joins += day in board.eves and load > board.usual
    drift = sum(abs(day - jobs[job].ideal) for job in here)
    return clashes, int(not here and could_be_empty(land, day)), joins, drift, load * load


def inner_cost(jobs: Sequence[Job], before: Sequence[int], here: Sequence[int], kept: Sequence[int]) -> tuple[int, int]:
    """(clashes, cuts and joins) of a day as far as they are each exam's own affair: tasks that go on, parts of one
    unit, kinds beyond the first of an exam."""
    earlier, parts = set(before), Counter(here)
    first = {(jobs[job].exam, jobs[job].kind) for job in parts if jobs[job].kind >= 0 and not jobs[job].second}
    second = {(jobs[job].exam, jobs[job].kind) for job in parts if jobs[job].kind >= 0 and jobs[job].second}
    kinds = Counter(exam for exam, _ in first | second)
    joins = sum(job in earlier for job in parts)
    joins += sum(units == 1 and kept[job] > 1 for job, units in parts.items())
    joins += sum(count - 1 for count in kinds.values())
    return len(first & second), joins


def could_be_empty(land: Ground, day: int) -> bool:
    """Whether the day counts as empty when no free work is laid on it."""
    return not land.loads[day] and not land.board.filled[day] and land.board.room[day] > 0


def plan_cost(board: Board, jobs: Sequence[Job], days: Sequence[Sequence[Piece]]) -> Vector:
    """The cost vector of a finished plan, recounted from its pieces (pinned ones among them)."""
    kept = [0] * len(jobs)
    for pieces in days:
        for piece in pieces:
            kept[piece.job] += piece.units
    land = ground(board, jobs, kept, max([0, *(r + f for r, f in zip(board.room, board.load, strict=True))]))
    before: list[int] = []
    total: Vector = (0, 0, 0, 0, 0)
    for day, pieces in enumerate(days):
        here = [piece.job for piece in pieces for _ in range(piece.units) if not jobs[piece.job].pinned]
        total = added(total, stretch_cost(land, day, before, here, kept))
        before += here
    return total


def added(one: Vector, other: Vector) -> Vector:
    """Two vectors, added."""
    return tuple(a + b for a, b in zip(one, other, strict=True))


# ------------------------------------------------------------------------------- the best cut of an order


def brute_cut(land: Ground, order: Sequence[Unit], kept: Sequence[int]) -> Vector | None:
    """The least cost over every way to cut the order at day boundaries; ``None`` if none fits."""
    best: Vector | None = None
    for inner in combinations_with_replacement(range(len(order) + 1), len(land.rooms) - 1):
        bounds = (0, *inner, len(order))
        if not all(lies(land, order, day, start, end) for day, (start, end) in enumerate(pairwise(bounds))):
            continue
        total: Vector = (0, 0, 0, 0, 0)
        for day, (start, end) in enumerate(pairwise(bounds)):
            total = added(total, order_cost(land, order, kept, day, start, end))
        best = total if best is None else min(best, total)
    return best


def lies(land: Ground, order: Sequence[Unit], day: int, start: int, end: int) -> bool:
    """Whether units ``start`` to ``end`` may lie on the day: room for them, and all inside their windows."""
    here = order[start:end]
    return len(here) <= land.rooms[day] and all(unit.first_day <= day <= unit.last_day for unit in here)


def order_cost(land: Ground, order: Sequence[Unit], kept: Sequence[int], day: int, start: int, end: int) -> Vector:
    """The cost of a day that holds units ``start`` to ``end`` of the order."""
    return stretch_cost(land, day, [u.job for u in order[:start]], [u.job for u in order[start:end]], kept)


def best_cut(land: Ground, order: Sequence[Unit], kept: Sequence[int]) -> Vector:
    """The least cost vector over all cuts of the order, by CP-SAT.

    A path through (day, units placed): one boolean an arc (day, from, to), one arc a day, and what arrives leaves.
    """
    model = cp_model.CpModel()
    goals: list[list[cp_model.LinearExprT]] = [[] for _ in range(5)]
    worst = [[0] * len(land.rooms) for _ in range(5)]
    for (day, start, end), arc in path(model, land, order).items():
        for goal, top, cost in zip(goals, worst, order_cost(land, order, kept, day, start, end), strict=True):
            top[day] = max(top[day], cost)
            if cost:
                goal.append(cost * arc)
    return packed(model, [sum(goal) for goal in goals], [sum(top) for top in worst])


def path(model: cp_model.CpModel, land: Ground, order: Sequence[Unit]) -> dict[tuple[int, int, int], cp_model.IntVar]:
    """One boolean an arc, of which the model takes one a day that follow on each other."""
    arcs = {arc: model.new_bool_var(f"{arc}") for arc in useful_arcs(land, order)}
    by_day: dict[int, list[cp_model.IntVar]] = defaultdict(list)
    balance: dict[tuple[int, int], list[cp_model.LinearExprT]] = defaultdict(list)
    for (day, start, end), arc in arcs.items():
        by_day[day].append(arc)
        balance[day, start].append(-arc)
        balance[day + 1, end].append(arc)
    for day in range(len(land.rooms)):
        model.add_exactly_one(by_day[day])
    for (day, _), flow in balance.items():
        if 0 < day < len(land.rooms):
            model.add(sum(flow) == 0)
    return arcs


def useful_arcs(land: Ground, order: Sequence[Unit]) -> list[tuple[int, int, int]]:
    """The arcs (day, from, to) that lie on some complete path. Raises :class:`NothingFits` if there is none."""
    days, total = len(land.rooms), len(order)
    ahead: list[set[int]] = [{0}]
    arcs: list[tuple[int, int, int]] = []
    for day in range(days):
        ahead.append(set())
        for start in ahead[day]:
            end = start
            while lies(land, order, day, start, end):
                arcs.append((day, start, end))
                ahead[day + 1].add(end)
                end += 1
                if end > total:
                    break
    if total not in ahead[days]:
        raise NothingFits
    alive = [set[int]() for _ in range(days)] + [{total}]
    useful = []
    for day, start, end in reversed(arcs):
        if end in alive[day + 1]:
            alive[day].add(start)
            useful.append((day, start, end))
    return useful


# -------------------------------------------------------------------------------- exams woven in any way


def order_can_be_kept(board: Board, jobs: Sequence[Job], kept: Sequence[int], cap: int, *, late: bool) -> bool:
    """Whether any plan under the cap keeps every exam's order of jobs, and the order of units inside each job."""
    try:
        proven(weaving(ground(board, jobs, kept, cap), kept, late=late)[0])
    except NothingFits:
        return False
    return True


def best_weaving(board: Board, jobs: Sequence[Job], kept: Sequence[int], cap: int, *, late: bool) -> Vector:
    """The least (clashes, empty days, cuts and joins) over all plans that keep each exam's order, however the exams
    are woven together."""
    model, goals = weaving(ground(board, jobs, kept, cap), kept, late=late)
    days, units = len(board.room), sum(kept)  # a unit costs at most four cuts and joins: its task, part, kind and exam
    return packed(model, goals, [days * units, days, 4 * units + (len(jobs) + 1) * days])


def weaving(
    land: Ground, kept: Sequence[int], *, late: bool
) -> tuple[cp_model.CpModel, tuple[cp_model.LinearExprT, ...]]:
    """The model of all plans that keep each exam's order, and the three goals.

    Each exam has a path of its own as in :func:`best_cut`; the days tie them together.
    """
    model = cp_model.CpModel()
    days = range(len(land.rooms))
    clashes: list[cp_model.LinearExprT] = []
    joins: list[cp_model.LinearExprT] = []
    load: list[list[cp_model.LinearExprT]] = [[] for _ in days]
    present: list[list[cp_model.LinearExprT]] = [[len(exams)] for exams in land.exams]
    for exam in sorted({job.exam for job in land.jobs}):
        order = own_order(land.jobs, exam, kept, late=late)
        used: list[list[cp_model.IntVar]] = [[] for _ in days]
        for (day, start, end), arc in path(model, land, order).items():
            here = [unit.job for unit in order[start:end]]
            clash, join = inner_cost(land.jobs, [unit.job for unit in order[:start]], here, kept)
            clashes += [clash * arc] if clash else []
            joins += [join * arc] if join else []
            if here:
                load[day].append(len(here) * arc)
                used[day].append(arc)
        for day in days:
            if exam not in land.exams[day]:
                present[day] += used[day]
            elif used[day]:
                present[day].append(0)
    empty: list[cp_model.LinearExprT] = []
    for day in days:
        model.add(sum(load[day]) <= land.rooms[day])
        if could_be_empty(land, day):
            empty.append(model.new_bool_var(f"{day} is empty"))
            model.add(sum(present[day]) + empty[-1] >= 1)
        joins.append(model.new_int_var(0, len(land.jobs), f"exams beyond the second on {day}"))
        model.add(joins[-1] >= sum(present[day]) - 2)
        if day in land.board.eves:
            joins.append(model.new_bool_var(f"over usual on {day}"))
            over = max(0, land.loads[day] + land.rooms[day] - land.board.usual)
            model.add(land.loads[day] + sum(load[day]) <= land.board.usual + over * joins[-1])
    return model, (sum(clashes), sum(empty), sum(joins))


def own_order(jobs: Sequence[Job], exam: int, kept: Sequence[int], *, late: bool) -> list[Unit]:
    """An exam's kept units in its order: job after job, unit after unit, pinned work apart."""
    return [
        Unit(index, number, job.release, last_day(job, job.ranks[number], late=late))
        for index, job in enumerate(jobs)
        if job.exam == exam and not job.pinned
        for number in range(kept[index])
    ]


# ------------------------------------------------------------------------------------------ sound at all


def unsound(board: Board, jobs: Sequence[Job], plan: Solution) -> list[str]:
    """Every rule that a solution breaks, in words; ``board`` is the one that was used."""
    found = []
    lay: dict[int, dict[int, int]] = defaultdict(dict)
    for day, pieces in enumerate(plan.days):
        units = sum(piece.units for piece in pieces)
        if units > board.room[day]:
            found.append(f"day {day} holds {units} of {board.room[day]}")
        if units and units + board.load[day] > plan.maximum:
            found.append(f"day {day} passes the daily maximum")
        for piece in pieces:
            for number in range(piece.first, piece.first + piece.units):
                if number in lay[piece.job]:
                    found.append(f"unit {number} of job {piece.job} lies twice")
                lay[piece.job][number] = day
    for index, (job, kept) in enumerate(zip(jobs, plan.kept, strict=True)):
        if sorted(lay[index]) != list(range(kept)):
            found.append(f"job {index} keeps {kept} units and places {sorted(lay[index])}")
        for number, day in lay[index].items():
            if not job.release <= day <= last_day(job, job.ranks[number], late=plan.opened):
                found.append(f"unit {number} of job {index} lies outside its window on day {day}")
    for exam in {job.exam for job in jobs} - plan.bent:
        units = [(i, n) for i, job in enumerate(jobs) if job.exam == exam and not job.pinned for n in sorted(lay[i])]
        days = [lay[i][n] for i, n in units]
        if days != sorted(days):
            found.append(f"exam {exam} is out of order and not said to be bent")
    return found


def lost_by_rank(jobs: Sequence[Job], kept: Sequence[int]) -> Vector:
    """Lost units by rank, rank 1 first: the recount."""
    lost = Counter(rank for job, units in zip(jobs, kept, strict=True) for rank in job.ranks[units:])
    return tuple(lost[rank] for rank in Rank)


def as_units(order: Iterable[tuple[int, int, int]], window: Callable[[int, int], tuple[int, int]]) -> list[Unit]:
    """An order given as (job, first, units) stretches, unit by unit, each with the window that ``window`` names."""
    return [
        Unit(job, number, *window(job, number)) for job, first, units in order for number in range(first, first + units)
    ]
