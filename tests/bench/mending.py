"""Mending against CP-SAT on seeded random plans that lost a day.

    python -m tests.bench.mending --instances 300 --seed 0

prints how many instances agree in loss, in the daily maximum and in the least number of tasks moved, of those that
CP-SAT proves, and how long mending takes beside planning the same days anew, both measured in this run. It ends with
status 1 if a loss or a maximum disagrees, or if a plan breaks its order. ``--list`` prints every instance.
"""

from __future__ import annotations

import argparse
import sys
from time import perf_counter
from typing import NamedTuple

from calplan.mending import Mended, NoOrder, mend_days
from calplan.schedule import solve
from tests import mending_oracle, oracle
from tests.instances import USUAL
from tests.mending_instances import Happened, happened


class Verdict(NamedTuple):
    """What CP-SAT says of one instance; ``None`` where it proves nothing in time. ``ratio`` is mending to planning."""

    seed: int
    ratio: float
    refused: bool = False
    unsound: bool = False
    loss: bool | None = None
    maximum: bool | None = None
    moves: int | None = None
    """How many more tasks are moved than need be."""


def mended(asked: Happened) -> Mended:
    """The plan for an instance."""
    return mend_days(
        asked.board,
        asked.jobs,
        asked.before,
        dates=asked.dates,
        published=asked.published,
        essentials=asked.essentials,
        opened=asked.opened,
    )


def judge(seed: int) -> Verdict:
    """Mends an instance and asks the oracle about the answer."""
    asked = happened(seed, USUAL)
    begin = perf_counter()
    solve(asked.board, asked.jobs, essentials=asked.essentials, opened=asked.opened)
    planning = perf_counter() - begin
    begin = perf_counter()
    try:
        plan = mended(asked)
    except NoOrder:
        return Verdict(seed, (perf_counter() - begin) / planning, refused=True)
    ratio = (perf_counter() - begin) / planning
    used = asked.opened if plan.opened and asked.opened else asked.board
    windows = mending_oracle.windows_of(asked.jobs, len(used.room), late=plan.opened)
    case = mending_oracle.Asked(used, plan.kept, windows, asked.before)
    verdict = Verdict(seed, ratio, unsound=bool(mending_oracle.unsound(case, plan.days, plan.maximum)))
    try:
        least = oracle.least_loss_settled(asked.board, asked.jobs, essentials=asked.essentials, opened=asked.opened)
        verdict = verdict._replace(loss=oracle.lost_by_rank(asked.jobs, plan.kept) == least)
        best = mending_oracle.least(case, asked.published)
    except (oracle.NotProven, oracle.NothingFits):
        return verdict
    return verdict._replace(
        maximum=(plan.bound, plan.maximum) == (best.bound, best.maximum), moves=len(plan.moved) - best.moved
    )


def main() -> int:
    """Runs the benchmark, and prints what it found."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--instances", type=int, default=300)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--list", action="store_true")
    asked = parser.parse_args()
    verdicts = []
    for seed in range(asked.seed, asked.seed + asked.instances):
        verdicts.append(judge(seed))
        if asked.list:
            print(verdicts[-1], flush=True)
    proven = [one for one in verdicts if one.moves is not None]
    ratios = sorted(one.ratio for one in verdicts)
    print(f"{len(verdicts)} instances, {len(proven)} proved by CP-SAT")
    print(f"equal loss: {sum(one.loss is True for one in verdicts)} of {sum(one.loss is not None for one in verdicts)}")
    print(f"equal daily maximum: {sum(one.maximum is True for one in proven)} of {len(proven)}")
    same = [one for one in proven if one.maximum]
    print(f"least tasks moved, where the maximum is equal: {sum(one.moves == 0 for one in same)} of {len(same)}")
    print(f"refused for want of an order: {[one.seed for one in verdicts if one.refused]}")
    odd = [one.seed for one in verdicts if one.unsound or one.loss is False or one.maximum is False or one.moves]
    print(f"seeds to look at: {odd}")
    middle, late = ratios[len(ratios) // 2], ratios[len(ratios) * 95 // 100]
    print(f"mending to planning: median {middle:.2f}, 95th percentile {late:.2f}, worst {ratios[-1]:.1f}")
    return int(any(one.unsound or one.loss is False or one.maximum is False for one in verdicts))


if __name__ == "__main__":
    sys.exit(main())
