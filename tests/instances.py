"""Seeded random instances for the scheduler: like those that real weeks give, and nastier.

An instance has 1 to 4 exams on 1 to 60 days: cover in rounds of up to five kinds, a second pass, a taper pinned to its
days; days off (room 0), half days, appointments, materials that come in hand later (some too late), and between a
fifth and seven fifths of the work that the days could hold. The same seed always gives the same instance.
"""

from __future__ import annotations

from random import Random
from typing import NamedTuple

from calplan.capacity import Board, Job
from calplan.model import Rank


class Instance(NamedTuple):
    """What the scheduler is asked: the board, the board with the taper days opened, the jobs, and what to keep."""

    seed: int
    board: Board
    opened: Board
    jobs: tuple[Job, ...]
    essentials: bool


class Size(NamedTuple):
    """Bounds of the instances: days, exams, and the units of work to aim at."""

    days: tuple[int, ...]
    exams: int
    units: int


SMALL = Size(days=(1, 2, 3, 4, 5, 6, 8, 10, 12, 14), exams=3, units=60)
"""For every test run: CP-SAT proves these in well under a second each."""

USUAL = Size(days=(1, 2, 3, 4, 5, 7, 10, 10, 12, 14, 14, 20, 20, 25, 30, 40, 50, 60), exams=4, units=90)
"""For the benchmark."""


def instance(seed: int, size: Size = USUAL) -> Instance:
    """The instance of a seed."""
    chance = Random(seed)
    days = chance.choice(size.days)
    board = random_board(chance, days)
    exams = chance.randint(1, size.exams)
    eves = sorted([days - 1, *(chance.randint(0, days - 1) for _ in range(exams - 1))])
    fill = chance.uniform(0.2, 1.4)
    aim = min(size.units, fill * sum(board.room)) / exams
    jobs: list[Job] = []
    tapered: set[int] = set()
    for exam, eve in enumerate(eves):
        mine, taper = exam_jobs(chance, exam, eve, aim, board)
        jobs += mine
        tapered |= taper
    board = with_eves(board, eves, chance)
    return Instance(seed, board, opened(board, jobs, tapered), tuple(jobs), chance.random() < 0.3)


def random_board(chance: Random, days: int) -> Board:
    """Days with holes, halves and appointments."""
    usual = chance.choice((4, 6, 6, 6, 9))
    limit = chance.choice((usual, 12, 12, 12, 18))
    limit = max(limit, usual)
    holes, halves, loads = chance.choice(((0, 0, 0), (0.1, 0.1, 0.1), (0.3, 0.2, 0.2)))
    room, load, filled = [], [], []
    for _ in range(days):
        fixed = chance.randint(1, limit) if chance.random() < loads else 0
        most = limit - fixed
        if chance.random() < holes:
            most = 0
        elif chance.random() < halves:
            most //= 2
        elif chance.random() < 0.2:
            most = chance.randint(0, most)
        room.append(most)
        load.append(fixed)
        filled.append(chance.random() < 0.05)
    return Board(room=tuple(room), load=tuple(load), filled=tuple(filled), usual=usual, limit=limit)


def with_eves(board: Board, eves: list[int], chance: Random) -> Board:
    """The board with its eves marked (now and then with none)."""
    marked = frozenset(eves) if chance.random() < 0.9 else frozenset()
    return Board(
        room=board.room, load=board.load, filled=board.filled, eves=marked, usual=board.usual, limit=board.limit
    )


def exam_jobs(chance: Random, exam: int, eve: int, aim: float, board: Board) -> tuple[list[Job], set[int]]:
    """An exam's jobs in rotation order, about ``aim`` units of them, and its taper days before the eve."""
    days = eve + 1
    taper = min(7, max(1, round(days / 6))) if days > 1 else 0
    second = min(10, round(days / 6)) if days > 3 else 0
    cover = days - taper - second
    last, late = days - taper - 1, max(eve - 1, 0)
    kinds = chance.sample(range(5), chance.randint(1, 5))
    rounds = max(1, round(cover / len(kinds))) if cover > 9 else 2 if cover > 3 else 1
    if chance.random() < 0.8:  # stops of three units and more, as real ones are; else whatever it comes to
        kinds = kinds[: max(1, int(aim / 3))]
        rounds = max(1, min(rounds, int(aim / 3 / len(kinds))))
    stops = [(kind, turn) for turn in range(rounds) for kind in sorted(kinds)]
    mean = max(1.0, 0.8 * aim / len(stops))
    jobs: list[Job] = []
    hard = chance.random() < 0.3  # nothing but essentials, so that the taper may have to be opened
    weight = chance.randint(1, 3)
    if chance.random() < 0.3:
        jobs.append(Job(exam=exam, ranks=(Rank.GATHER,) * 2, release=0, due=last, late=late, worth=(weight, 0)))
    for place, (kind, turn) in enumerate(stops):
        ideal = place * cover // len(stops)
        jobs.append(cover_job(chance, exam, kind, mean, ideal, last, late, (weight, kind, -exam, turn), hard=hard))
    for place, kind in enumerate(sorted(kinds) if second else ()):
        ideal = cover + place * second // len(kinds)
        jobs.append(second_job(chance, exam, kind, 0.2 * aim / len(kinds), ideal, last, late, (weight, kind, -exam)))
    if second and chance.random() < 0.5:
        ranks = (Rank.FLAG_SHOULD,) * 2
        jobs.append(Job(exam=exam, ranks=ranks, release=0, due=last, late=late, ideal=last, worth=(weight, 9)))
    for day in range(days - taper, days):
        units = min(board.room[day], chance.randint(1, 2)) if exam else min(board.room[day], 4)
        ranks = (Rank.TAPER,) * max(1, units)
        jobs.append(Job(exam=exam, ranks=ranks, release=day, due=day, ideal=day, pinned=True, worth=(weight,)))
    return jobs, set(range(days - taper, eve))


def cover_job(
    chance: Random,
    exam: int,
    kind: int,
    mean: float,
    ideal: int,
    last: int,
    late: int,
    worth: tuple[int, ...],
    *,
    hard: bool,
) -> Job:
    """A first pass: essentials, then extras; in hand at once, later, or (seldom) too late."""
    units = max(1, round(chance.uniform(0.4, 1.6) * mean))
    essential = units if hard else chance.randint(0, units)
    ranks = (Rank.ESSENTIAL,) * essential + (Rank.EXTRA,) * (units - essential)
    release = 0
    if chance.random() < 0.15:  # in hand by the day of its turn, since the rotation waits for that
        release = chance.randint(0, max(0, ideal))
    elif chance.random() < 0.01:  # and now and then not, so that the order has to give way, or nothing helps
        release = chance.randint(0, max(0, last + 1))
    return Job(
        exam=exam, kind=kind, ranks=ranks, release=release, due=last, late=late, ideal=max(ideal, 0), worth=worth
    )


def second_job(
    chance: Random, exam: int, kind: int, mean: float, ideal: int, last: int, late: int, worth: tuple[int, ...]
) -> Job:
    """A second pass over flags."""
    units = max(1, round(chance.uniform(0.5, 1.5) * mean))
    must = chance.randint(0, units)
    ranks = (Rank.FLAG_MUST,) * must + (Rank.FLAG_SHOULD,) * (units - must)
    return Job(exam=exam, kind=kind, second=True, ranks=ranks, release=0, due=last, late=late, ideal=ideal, worth=worth)


def opened(board: Board, jobs: list[Job], tapered: set[int]) -> Board:
    """The board whose taper days take essentials too, up to usual minutes where the pinned work leaves that."""
    room = list(board.room)
    for day in tapered:
        pinned = sum(len(job.ranks) for job in jobs if job.pinned and job.release == day)
        room[day] = min(room[day], max(pinned, board.usual - board.load[day]))
    return Board(
        room=tuple(room),
        load=board.load,
        filled=board.filled,
        eves=board.eves,
        usual=board.usual,
        limit=board.limit,
    )
