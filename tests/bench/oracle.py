"""The scheduler against CP-SAT on seeded random instances.

    python -m tests.bench.oracle --instances 500 --seed 1

prints how many instances agree in loss, bound and the cost of the given order, how far weaving the exams in any other
way could go below the plan, and how much faster the planner is. It ends with status 1 if anything disagrees.
``--size small`` takes the instances of the test suite, ``--list`` prints every instance; with ``--no-weaving`` a run
is several times faster, and ``--seconds`` bounds each call of CP-SAT.

An instance on which CP-SAT does not prove its optimum in time is counted and judges nothing.
"""

from __future__ import annotations

import argparse
import sys
from contextlib import suppress
from statistics import median
from time import perf_counter
from typing import NamedTuple

from calplan.capacity import Run, bound, ceiling, kept_runs, rooms_under, settle
from calplan.partition import Canvas, partition
from calplan.schedule import Solution, solve
from tests import instances, oracle
from tests.instances import Instance
from tests.oracle import Vector

AIM = 0.1
"""Cuts and joins a day that another weaving may save."""


class Verdict(NamedTuple):
    """What the oracles say of one instance.

    Seconds are of the planner for everything; of the planner and of CP-SAT for loss, bound and the cut of one given
    order; and of CP-SAT for loss, bound and the best weaving (whose goals end with cuts and joins).
    """

    seed: int
    days: int
    exams: int
    units: int
    plan: Solution
    faults: tuple[str, ...] = ()
    proven: bool = True
    woven: Vector | None = None
    planner_seconds: float = 0.0
    cutting_seconds: float = 0.0
    oracle_seconds: float = 0.0
    weaving_seconds: float = 0.0

    def wrong(self, code: str) -> bool:
        """Whether something of this name disagrees."""
        return any(fault.startswith(code) for fault in self.faults)

    @property
    def saved(self) -> int:
        """The cuts and joins that another weaving saves, where it has no fewer clashes or empty days."""
        if self.woven is None or self.woven[:2] != self.plan.cost[:2]:
            return 0
        return self.plan.cost[2] - self.woven[2]


def judge(given: Instance, *, weave: bool = True) -> Verdict:
    """Solves an instance and asks every oracle about the answer."""
    plan = solve(given.board, given.jobs, essentials=given.essentials, opened=given.opened)
    begin = perf_counter()
    solve(given.board, given.jobs, essentials=given.essentials, opened=given.opened)
    planner = perf_counter() - begin
    order = own_order(given, plan)[0]
    begin = perf_counter()
    cut_again(given, order)
    cutting = perf_counter() - begin
    exams = len({job.exam for job in given.jobs})
    verdict = Verdict(
        given.seed,
        len(given.board.room),
        exams,
        sum(plan.kept),
        plan,
        planner_seconds=planner,
        cutting_seconds=cutting,
    )
    board = given.opened if plan.opened else given.board
    faults = [f"unsound: {fault}" for fault in oracle.unsound(board, given.jobs, plan)]
    recounted = oracle.plan_cost(board, given.jobs, plan.days)
    if recounted != plan.cost:
        faults.append(f"cost: {plan.cost} said, {recounted} counted")
    try:
        begin = perf_counter()
        faults += loss_faults(given, plan) + bound_faults(given, plan)
        middle = perf_counter()
        faults += order_faults(given, plan)
        seconds = perf_counter() - begin
        faults += order_kept_faults(given, plan)
    except oracle.NotProven:
        return verdict._replace(proven=False, faults=tuple(faults))
    woven, begin = None, begin + perf_counter() - middle
    if weave and not plan.bent:
        with suppress(oracle.NotProven):
            woven = oracle.best_weaving(board, given.jobs, plan.kept, plan.maximum, late=plan.opened)
            if woven > plan.cost[:3]:
                faults.append(f"weaving: CP-SAT finds {woven} best, the plan has {plan.cost[:3]}")
    return verdict._replace(
        faults=tuple(faults), woven=woven, oracle_seconds=seconds, weaving_seconds=perf_counter() - begin
    )


def cut_again(given: Instance, order: list[oracle.Unit]) -> None:
    """What CP-SAT is timed on, done by the planner: loss, bound, and the cut of one given order."""
    kept, late = settle(given.board, given.jobs, essentials=given.essentials, opened=given.opened)
    board = given.opened if late else given.board
    runs = kept_runs(given.jobs, kept, late=late)
    rooms = rooms_under(board, ceiling(board, bound(runs, board)))
    canvas = Canvas(board, given.jobs, kept, rooms, [run for run in runs if given.jobs[run.job].pinned])
    units = [Run(unit.job, unit.number, 1, 0, unit.first_day, unit.last_day) for unit in order]
    partition(canvas, units)


def loss_faults(given: Instance, plan: Solution) -> list[str]:
    """Whether the plan loses more, rank by rank, than it must."""
    lost = oracle.lost_by_rank(given.jobs, plan.kept)
    least = oracle.least_loss_settled(given.board, given.jobs, essentials=given.essentials, opened=given.opened)
    return [] if lost == least else [f"loss: {lost} lost, {least} needed"]


def bound_faults(given: Instance, plan: Solution) -> list[str]:
    """Whether the bound is the least cap that holds the kept units."""
    board = given.opened if plan.opened else given.board
    least = oracle.least_cap(board, oracle.groups(given.jobs, plan.kept, late=plan.opened))
    return [] if plan.bound == least else [f"bound: {plan.bound} said, {least} least"]


def order_faults(given: Instance, plan: Solution) -> list[str]:
    """Whether the plan's cost is the best that its own order of the units allows."""
    order, land = own_order(given, plan)
    least = oracle.best_cut(land, order, plan.kept)
    return [] if plan.cost == least else [f"order: cut at {plan.cost}, best is {least}"]


def order_kept_faults(given: Instance, plan: Solution) -> list[str]:
    """Whether an exam was bent although some plan keeps every order."""
    board = given.opened if plan.opened else given.board
    if plan.bent and oracle.order_can_be_kept(board, given.jobs, plan.kept, plan.maximum, late=plan.opened):
        return [f"bent: exams {sorted(plan.bent)}, without need"]
    return []


def own_order(given: Instance, plan: Solution) -> tuple[list[oracle.Unit], oracle.Ground]:
    """The order in which the plan's days hold the units, pinned ones apart, and the ground that it is laid on."""
    board = given.opened if plan.opened else given.board
    runs = kept_runs(given.jobs, plan.kept, late=plan.opened)
    windows = {(run.job, n): (run.release, run.due) for run in runs for n in range(run.first, run.first + run.units)}
    units = [
        oracle.Unit(piece.job, n, *windows[piece.job, n])
        for pieces in plan.days
        for piece in pieces
        if not given.jobs[piece.job].pinned
        for n in range(piece.first, piece.first + piece.units)
    ]
    return units, oracle.ground(board, given.jobs, plan.kept, plan.maximum)


# ------------------------------------------------------------------------------------------------- table


def table(verdicts: list[Verdict]) -> list[str]:
    """The results, line by line."""
    proven = [verdict for verdict in verdicts if verdict.proven]
    woven = [verdict for verdict in proven if verdict.woven is not None]
    alike = [verdict for verdict in woven if verdict.woven is not None and verdict.woven[:2] == verdict.plan.cost[:2]]
    sound = [verdict for verdict in proven if not verdict.faults]
    lines = [
        row("instances", len(verdicts)),
        row("not proven by CP-SAT in time, not judged", len(verdicts) - len(proven)),
        *(
            row(name, len(proven) - sum(verdict.wrong(code) for verdict in proven), len(proven))
            for name, code in (
                ("equal loss vectors", "loss"),
                ("equal bounds", "bound"),
                ("equal level 3 to 5 vectors, given the order", "order"),
                ("equal recounts of the cost", "cost"),
                ("sound plans", "unsound"),
                ("exams out of order only where they must be", "bent"),
            )
        ),
        row("plans that keep every exam's order", sum(not v.plan.bent for v in proven), len(proven)),
    ]
    if woven:
        lines.append(
            row("  best weaving not proven by CP-SAT in time", sum(not v.plan.bent for v in proven) - len(woven))
        )
        lines.append(row("  as few clashes and empty days as any weaving", len(alike), len(woven)))
    for low, high, name in ((1, 1, "one exam"), (2, 99, "several exams"), (1, 99, "all")):
        lines += savings([v for v in alike if low <= v.exams <= high], name)
    if sound:
        given_order = median(verdict.oracle_seconds / verdict.cutting_seconds for verdict in sound)
        lines.append(row("CP-SAT seconds / planner seconds, order given, median", f"{given_order:.0f}"))
    if woven:
        any_order = median(verdict.weaving_seconds / verdict.planner_seconds for verdict in woven)
        lines.append(row("CP-SAT seconds / planner seconds, any weaving, median", f"{any_order:.0f}"))
    return lines


def savings(verdicts: list[Verdict], name: str) -> list[str]:
    """How many cuts and joins another weaving could save, as a distribution over instances."""
    if not verdicts:
        return []
    shares = sorted(verdict.saved / verdict.days for verdict in verdicts)
    quantiles = ", ".join(
        f"{int(q * 100)} %: {shares[min(len(shares) - 1, int(q * len(shares)))]:.2f}" for q in QUANTILES
    )
    return [
        row(f"  {name}: at most one cut or join in ten days to save", sum(s <= AIM for s in shares), len(shares)),
        row(f"  {name}: to save a day, quantiles", quantiles),
    ]


QUANTILES = (0.5, 0.75, 0.9, 0.95, 1.0)


def row(name: str, value: object, of: int | None = None) -> str:
    """One line of the table."""
    return f"{name:<62}{value}" + (f" of {of}" if of is not None else "")


def line(verdict: Verdict) -> str:
    """One instance on one line."""
    return (
        f"seed {verdict.seed}: {verdict.days} days, {verdict.exams} exams, {verdict.units} units, "
        f"{'opened, ' if verdict.plan.opened else ''}{'bent, ' if verdict.plan.bent else ''}"
        f"cost {verdict.plan.cost[:3]}, any weaving {verdict.woven}, {verdict.planner_seconds * 1000:.1f} ms "
        f"against {verdict.oracle_seconds:.2f} and {verdict.weaving_seconds:.2f} s"
        f"{'' if verdict.proven else ', NOT PROVEN'}"
    )


def main() -> int:
    parser = argparse.ArgumentParser(description="Judges the scheduler with CP-SAT on random instances.")
    parser.add_argument("--instances", type=int, default=500)
    parser.add_argument("--seed", type=int, default=1, help="seed of the first instance; the others follow it")
    parser.add_argument("--size", choices=("small", "usual"), default="usual")
    parser.add_argument("--seconds", type=float, default=oracle.SECONDS, help="the most that one CP-SAT call may take")
    parser.add_argument("--no-weaving", action="store_true", help="leave out the slowest oracle, the best weaving")
    parser.add_argument("--list", action="store_true", help="print every instance")
    chosen = parser.parse_args()
    size = instances.SMALL if chosen.size == "small" else instances.USUAL
    oracle.SECONDS = chosen.seconds
    verdicts = []
    for seed in range(chosen.seed, chosen.seed + chosen.instances):
        verdicts.append(judge(instances.instance(seed, size), weave=not chosen.no_weaving))
        if chosen.list:
            print(line(verdicts[-1]), flush=True)
        for fault in verdicts[-1].faults:
            print(f"seed {seed}: {fault}", flush=True)
    print("\n".join(table(verdicts)))
    return 1 if any(verdict.faults for verdict in verdicts) else 0


if __name__ == "__main__":
    sys.exit(main())
