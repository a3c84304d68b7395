"""Seeded random plans that lost a day: an instance of tests/instances.py is planned, some days pass, and things happen.

The first days are over, their units done or (some) missed, which leaves them free to go anywhere; one or two days ahead
are lost or shrink; now and then the exams' last days shift, some so far that no window is left. Day 0 is the first day
ahead. The same seed always gives the same instance.
"""

from __future__ import annotations

from itertools import accumulate
from random import Random
from typing import NamedTuple

import msgspec

from calplan.capacity import Board, Job
from calplan.mending import Before
from calplan.schedule import Solution, solve
from tests.instances import SMALL, Size, instance


class Happened(NamedTuple):
    """What the mending is asked. ``missed`` are the units that were not done, ``hit`` the days that lost room."""

    seed: int
    board: Board
    opened: Board | None
    jobs: tuple[Job, ...]
    before: tuple[Before, ...]
    dates: tuple[int, ...]
    published: int
    essentials: bool
    missed: int
    hit: tuple[int, ...]


def happened(seed: int, size: Size = SMALL) -> Happened:
    """The instance of a seed."""
    chance = Random(f"mending {seed}")
    asked = instance(seed, size)
    plan = solve(asked.board, asked.jobs, essentials=asked.essentials)
    days = len(asked.board.room)
    over = chance.randint(0, (days - 1) * 2 // 3)
    dates = tuple(accumulate(chance.choice((1, 1, 1, 2, 3)) for _ in range(days)))
    shifts = {job.exam: chance.randint(-3, 3) if chance.random() < 0.2 else 0 for job in asked.jobs}
    hit = {chance.randrange(days - over): chance.choice((0, 0, 1, 2)) for _ in range(chance.randint(1, 2))}
    jobs: list[Job] = []
    before: list[Before] = []
    missed = 0
    for index, job in enumerate(asked.jobs):
        if job.pinned and job.due < over:
            continue
        past, lies = halves(plan, index, over)
        lost = {day: units for day, units in past.items() if chance.random() < 0.3}
        missed += sum(lost.values())
        done = sum(past.values()) - sum(lost.values())
        # What did not fit the plan stays given up, but for some jobs that try again.
        ranks = job.ranks[done : len(job.ranks) if chance.random() < 0.1 else plan.kept[index]]
        shift = 0 if job.pinned else shifts[job.exam]
        jobs.append(
            msgspec.structs.replace(
                job,
                ranks=ranks,
                release=max(0, job.release - over),
                due=min(job.due + shift, days - 1) - over,
                late=min(job.late + shift, days - 1) - over,
                ideal=max(0, job.ideal - over),
            )
        )
        home = dates[max(lost, default=min(days - 1, max(0, job.ideal)))]
        before.append(Before(lies={day - over: units for day, units in lies.items()}, home=home))
    return Happened(
        seed=seed,
        board=ahead(asked.board, over, hit),
        opened=ahead(asked.opened, over, hit) if chance.random() < 0.5 else None,
        jobs=tuple(jobs),
        before=tuple(with_order(jobs, before)),
        dates=dates[over:],
        published=plan.maximum,
        essentials=asked.essentials,
        missed=missed,
        hit=tuple(sorted(hit)),
    )


def halves(plan: Solution, job: int, over: int) -> tuple[dict[int, int], dict[int, int]]:
    """A job's units on the days that are over, and on those ahead."""
    past: dict[int, int] = {}
    lies: dict[int, int] = {}
    for day, pieces in enumerate(plan.days):
        for piece in pieces:
            if piece.job == job:
                half = past if day < over else lies
                half[day] = half.get(day, 0) + piece.units
    return past, lies


def ahead(board: Board, over: int, hit: dict[int, int]) -> Board:
    """The board from the first day ahead on; days that are hit lose all their room, or keep one or two thirds."""
    room = list(board.room[over:])
    for day, thirds in hit.items():
        room[day] = room[day] * thirds // 3
    return msgspec.structs.replace(
        board,
        room=tuple(room),
        load=board.load[over:],
        filled=board.filled[over:],
        eves=frozenset(eve - over for eve in board.eves if eve >= over),
    )


def with_order(jobs: list[Job], before: list[Before]) -> list[Before]:
    """Second passes come after the first passes of their exam and kind."""
    result = []
    for job, one in zip(jobs, before, strict=True):
        firsts = tuple(
            index
            for index, other in enumerate(jobs)
            if job.second and not other.second and (other.exam, other.kind) == (job.exam, job.kind)
        )
        result.append(one._replace(after=firsts))
    return result
