"""How long mending takes beside planning: random news on the example requests and on random ones, in one process.

    python -m tests.bench.replanning 100 --repeat 3

prints, for both sources, the median, the 95th percentile and the worst ratio of mending a plan to making one from the
same changed request at the same moment ("anew"), and to making the first plan ("first"). All three are timed in turn,
and the least of so many repetitions of each counts, so that what else the machine does weighs on none of them alone.
``--profile`` shows where the slowest mendings spend their time.
"""

from __future__ import annotations

import argparse
import cProfile
import pstats
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path
from random import Random
from time import perf_counter
from typing import TYPE_CHECKING, NamedTuple

from hypothesis import HealthCheck, Phase, given, seed, settings
from msgspec.structs import replace

from calplan.errors import CalplanError, InvalidRequest, NoPlan
from calplan.model import BusyInterval, DayOff, Request
from calplan.planner import make_plan
from calplan.replan import mend
from calplan.request import read
from tests.strategies import requests

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

FIXTURES = Path(__file__).parents[2] / "fixtures"
KINDS = ("lost days", "busy time", "moved exam", "other limit")


class Case(NamedTuple):
    """A published request, its news, and the two moments."""

    name: str
    kind: str
    request: Request
    changed: Request
    calendars: Mapping[str, bytes]
    made: datetime
    now: datetime


class Timed(NamedTuple):
    """Seconds of a case, each the least of its repetitions."""

    case: Case
    first: float
    anew: float
    mended: float


def news(chance: Random, request: Request, now: datetime) -> tuple[str, Request]:
    """A lost day or a few, a busy afternoon, an exam that has moved, or another limit."""
    day = now.date() + timedelta(days=chance.randint(0, 8))
    kind = chance.choice(KINDS)
    if kind == "lost days":
        off = DayOff(first=day, last=day + timedelta(days=chance.randint(0, 3)))
        return kind, replace(request, days_off=(*request.days_off, off))
    if kind == "busy time":
        start = datetime.combine(day, datetime.min.time()) + timedelta(hours=15)
        return kind, replace(request, busy=(*request.busy, BusyInterval(start=start, end=start + timedelta(hours=5))))
    if kind == "moved exam":
        first, *others = request.exams
        moved = replace(first, start=first.start + timedelta(days=chance.choice([-2, -1, 1, 3, 7])))
        return kind, replace(request, exams=(moved, *others))
    least, now_limit = request.effort.shortest, request.effort.limit
    limit = max(least, chance.choice([now_limit // 2, now_limit * 3 // 4, now_limit * 3 // 2]))
    return kind, replace(request, effort=replace(request.effort, limit=limit, usual=min(request.effort.usual, limit)))


def from_fixtures(count: int, start: int) -> list[Case]:
    """So many cases on the example requests; the same number gives the same case."""
    cases = []
    for number in range(start, start + count):
        chance = Random(number)
        name = chance.choice(sorted(FIXTURES.glob("*.toml")))
        request = read(name.read_bytes(), name=name.name)
        files = {one.file: (FIXTURES / one.file).read_bytes() for one in request.calendars}
        first = min(exam.start for exam in request.exams).date()
        made = datetime.combine(first - timedelta(days=chance.randint(5, 40)), datetime.min.time(), UTC)
        now = made + timedelta(days=chance.randint(0, 4), hours=9)
        kind, changed = news(chance, request, now)
        cases.append(Case(f"{name.name} #{number}", kind, request, changed, files, made, now))
    return cases


def drawn(count: int, start: int) -> list[Case]:
    """So many cases on random requests, the same for the same start."""
    found: list[tuple[Request, datetime]] = []

    @seed(start)
    @settings(
        max_examples=count,
        database=None,
        deadline=None,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    @given(requests())
    def draw(one: tuple[Request, datetime]) -> None:
        found.append(one)

    draw()
    cases = []
    for number, (request, made) in enumerate(found):
        chance = Random(start + number)
        now = made + timedelta(days=chance.randint(0, 4), hours=9)
        kind, changed = news(chance, request, now)
        cases.append(Case(f"random #{number}", kind, request, changed, {}, made, now))
    return cases


def timed(case: Case, repeat: int) -> Timed | str:
    """The least times of a case; the name of the error where a plan cannot be made, or is refused."""
    try:
        old = make_plan(case.request, case.calendars, as_of=case.made)
        ways: list[Callable[[], object]] = [
            lambda: make_plan(case.request, case.calendars, as_of=case.made),
            lambda: make_plan(case.changed, case.calendars, as_of=case.now),
            lambda: mend(old, case.request, case.changed, case.calendars, as_of=case.now),
        ]
        least = [float("inf")] * len(ways)
        for _ in range(repeat):
            for n, way in enumerate(ways):
                begin = perf_counter()
                way()
                least[n] = min(least[n], perf_counter() - begin)
    except (NoPlan, InvalidRequest) as error:
        return type(error).__name__
    except CalplanError as error:  # a fault of the core: shown, not hidden
        return f"{type(error).__name__} {case.name} ({case.kind}): {error}"
    return Timed(case, *least)


def at(ratios: Sequence[float], percent: int) -> float:
    """The nearest-rank percentile of ordered ratios."""
    return ratios[min(len(ratios) - 1, -(-len(ratios) * percent // 100) - 1)]


def told(name: str, cases: Sequence[Case], repeat: int) -> list[Timed]:
    """Times the cases and prints what came of it."""
    results = [timed(case, repeat) for case in cases]
    done = [one for one in results if isinstance(one, Timed)]
    refused = [one for one in results if isinstance(one, str)]
    write = sys.stdout.write
    for base in ("anew", "first"):
        ratios = sorted(one.mended / getattr(one, base) for one in done)
        over = sum(ratio > 2 for ratio in ratios)
        write(
            f"{name}, to {base}: {len(ratios)} of {len(cases)}: median {at(ratios, 50):.2f}, 95th percentile "
            f"{at(ratios, 95):.2f}, worst {ratios[-1]:.1f}, above twice {over}\n"
        )
    for kind in KINDS:
        ratios = sorted(one.mended / one.anew for one in done if one.case.kind == kind)
        if ratios:
            write(
                f"  {kind}: {len(ratios)}: median {at(ratios, 50):.2f}, 95th {at(ratios, 95):.2f}, {ratios[-1]:.1f}\n"
            )
    plain = {text for text in refused if " " not in text}
    write("".join(f"  no plan ({text}): {refused.count(text)}\n" for text in sorted(plain)))
    write("".join(f"  FAULT {text}\n" for text in refused if text not in plain))
    return done


def main() -> None:
    """Prints the ratios, and a profile where it is asked for."""
    asked = argparse.ArgumentParser(description="Mending beside planning.")
    asked.add_argument("count", type=int, nargs="?", default=100)
    asked.add_argument("--seed", type=int, default=0)
    asked.add_argument("--repeat", type=int, default=3)
    asked.add_argument("--profile", action="store_true")
    options = asked.parse_args()
    done = [
        *told("examples", from_fixtures(options.count, options.seed), options.repeat),
        *told("random", drawn(options.count, options.seed), options.repeat),
    ]
    slowest = sorted(done, key=lambda one: -one.mended / one.anew)[:5]
    for one in slowest:
        sys.stdout.write(
            f"{one.mended / one.anew:.1f}: {one.case.name}, {one.case.kind}, "
            f"planning {one.anew * 1000:.0f} ms, mending {one.mended * 1000:.0f} ms\n"
        )
    if options.profile:
        profile = cProfile.Profile()
        for one in slowest:
            case = one.case
            old = make_plan(case.request, case.calendars, as_of=case.made)
            profile.runcall(mend, old, case.request, case.changed, case.calendars, as_of=case.now)
        pstats.Stats(profile, stream=sys.stdout).sort_stats("cumulative").print_stats(32)


if __name__ == "__main__":
    main()
