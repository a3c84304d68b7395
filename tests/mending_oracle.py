"""What judges the mending of a plan: CP-SAT (OR-Tools) says how high a day must go, and how few tasks need to move.

Nothing here shares code with what it judges beyond the data types ``Job``, ``Board`` and ``Before``. The units kept of
each job are given. A job's units lie on the days of its window; a day holds what its room and the cap leave; whatever
a job comes ``after`` ends no later than on the day on which the job begins. A job has moved if on some day it has fewer
units than it had.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from ortools.sat.python import cp_model

from tests.oracle import NothingFits, proven

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from calplan.capacity import Board, Job
    from calplan.mending import Before
    from calplan.partition import Piece


class Asked(NamedTuple):
    """Kept units with their windows, the board they lie on, and where they were."""

    board: Board
    kept: Sequence[int]
    windows: Sequence[tuple[int, int]]
    before: Sequence[Before]


class Least(NamedTuple):
    """The least cap without precedences, the daily maximum, and the least number of jobs moved under it."""

    bound: int
    maximum: int
    moved: int


def windows_of(jobs: Sequence[Job], days: int, *, late: bool) -> list[tuple[int, int]]:
    """The first and last day of each job; opened taper days give it its late day."""
    dues = [job.late if late and job.late > job.due else job.due for job in jobs]
    return [(job.release, min(due, days - 1)) for job, due in zip(jobs, dues, strict=True)]


def least(asked: Asked, published: int) -> Least:
    """The answer. Raises ``NothingFits`` where precedences leave none under the limit, ``NotProven`` without proof."""
    bound = next(cap for cap in range(asked.board.limit + 1) if fits(asked, cap, ordered=False))
    for cap in range(min(asked.board.limit, max(published, bound)), asked.board.limit + 1):
        if fits(asked, cap, ordered=True):
            return Least(bound, cap, least_moved(asked, cap))
    raise NothingFits


def fits(asked: Asked, cap: int, *, ordered: bool) -> bool:
    """Whether everything lies somewhere under a cap, with or without the precedences."""
    model, _ = layout(asked, cap, ordered=ordered)
    try:
        proven(model)
    except NothingFits:
        return False
    return True


def least_moved(asked: Asked, cap: int) -> int:
    """The least number of jobs with fewer units on some day than they had."""
    model, amounts = layout(asked, cap, ordered=True)
    moves = []
    for job, one in enumerate(asked.before):
        moved = model.new_bool_var(f"moved {job}")
        moves.append(moved)
        for day, units in one.lies.items():
            here = amounts.get((job, day))
            if units and here is None:
                model.add(moved == 1)
            elif units and here is not None:
                model.add(here >= units).only_enforce_if(~moved)
    model.minimize(sum(moves))
    return round(proven(model).objective_value)


def layout(asked: Asked, cap: int, *, ordered: bool) -> tuple[cp_model.CpModel, dict[tuple[int, int], cp_model.IntVar]]:
    """All layouts under a cap: how many units of each job lie on each day of its window."""
    model = cp_model.CpModel()
    rooms = [max(0, min(room, cap - load)) for room, load in zip(asked.board.room, asked.board.load, strict=True)]
    amounts: dict[tuple[int, int], cp_model.IntVar] = {}
    for job, (units, (first, last)) in enumerate(zip(asked.kept, asked.windows, strict=True)):
        mine = []
        for day in range(first, last + 1) if units else ():
            amounts[job, day] = model.new_int_var(0, min(units, rooms[day]), f"{job} on {day}")
            mine.append(amounts[job, day])
        if mine:
            model.add(sum(mine) == units)
        elif units:
            model.add_bool_or([])
    for day, room in enumerate(rooms):
        model.add(sum(amount for (_, other), amount in amounts.items() if other == day) <= room)
    if ordered:
        add_order(model, asked, amounts)
    return model, amounts


def add_order(model: cp_model.CpModel, asked: Asked, amounts: dict[tuple[int, int], cp_model.IntVar]) -> None:
    """The last day of what comes first is no later than the first day of what comes after it."""
    begins: dict[int, cp_model.IntVar] = {}
    ends: dict[int, cp_model.IntVar] = {}
    days = len(asked.board.room)
    pairs = [(first, job) for job, one in enumerate(asked.before) for first in one.after]
    for job in sorted({job for pair in pairs for job in pair if asked.kept[job]}):
        begins[job] = model.new_int_var(0, days - 1, f"{job} begins")
        ends[job] = model.new_int_var(0, days - 1, f"{job} ends")
    for (job, day), amount in amounts.items():
        if job in begins:
            there = model.new_bool_var(f"{job} is on {day}")
            model.add(amount == 0).only_enforce_if(~there)
            model.add(begins[job] <= day).only_enforce_if(there)
            model.add(ends[job] >= day).only_enforce_if(there)
    for first, job in pairs:
        if first in ends and job in begins:
            model.add(ends[first] <= begins[job])


# ---------------------------------------------------------------------------------------------- recounts


def units_on(days: Sequence[Sequence[Piece]]) -> list[dict[int, int]]:
    """For each day, the units of each job."""
    result: list[dict[int, int]] = []
    for pieces in days:
        held: dict[int, int] = {}
        for piece in pieces:
            held[piece.job] = held.get(piece.job, 0) + piece.units
        result.append(held)
    return result


def moved(before: Sequence[Before], days: Sequence[dict[int, int]]) -> set[int]:
    """The jobs that have fewer units on some day than they had."""
    return {job for job, one in enumerate(before) for day, units in one.lies.items() if days[day].get(job, 0) < units}


def unsound(asked: Asked, days: Sequence[Sequence[Piece]], cap: int) -> list[str]:
    """What is wrong with a layout: units that are not the kept ones, outside windows, over rooms, or out of order."""
    faults = []
    held = units_on(days)
    for job, ((first, last), units) in enumerate(zip(asked.windows, asked.kept, strict=True)):
        numbers = [n for pieces in days for p in pieces if p.job == job for n in range(p.first, p.first + p.units)]
        if numbers != list(range(units)):
            faults.append(f"job {job} has the units {numbers}, not {units}")
        if any(not first <= day <= last for day in days_of(job, held)):
            faults.append(f"job {job} lies outside its window")
    for day, (room, load) in enumerate(zip(asked.board.room, asked.board.load, strict=True)):
        if sum(held[day].values()) > max(0, min(room, cap - load)):
            faults.append(f"day {day} is overfull")
    for job, one in enumerate(asked.before):
        mine = days_of(job, held)
        for first in one.after:
            firsts = days_of(first, held)
            if mine and firsts and max(firsts) > min(mine):
                faults.append(f"job {job} begins before job {first} ends")
    return faults


def days_of(job: int, held: Iterable[dict[int, int]]) -> list[int]:
    """The days on which a job has units."""
    return [day for day, units in enumerate(held) if units.get(job, 0)]
