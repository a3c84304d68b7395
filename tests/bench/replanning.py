"""How long mending takes beside planning: random news on the example requests, both measured in this run.

    python -m tests.bench.replanning 200

prints the median, the 95th percentile and the worst ratio of mending a plan to making it.
"""

from __future__ import annotations

import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path
from random import Random
from time import perf_counter

from msgspec.structs import replace

from calplan.errors import InvalidRequest, NoPlan
from calplan.model import BusyInterval, DayOff, Request
from calplan.planner import make_plan
from calplan.replan import mend
from calplan.request import read

FIXTURES = Path(__file__).parents[2] / "fixtures"


def news(chance: Random, request: Request, now: datetime) -> Request:
    """A lost day or a few, a busy afternoon, an exam that has moved, or another limit."""
    day = now.date() + timedelta(days=chance.randint(0, 8))
    what = chance.randrange(4)
    if what == 0:
        off = DayOff(first=day, last=day + timedelta(days=chance.randint(0, 3)))
        return replace(request, days_off=(*request.days_off, off))
    if what == 1:
        start = datetime.combine(day, datetime.min.time()) + timedelta(hours=15)
        return replace(request, busy=(*request.busy, BusyInterval(start=start, end=start + timedelta(hours=5))))
    if what == 2:
        first, *others = request.exams
        moved = replace(first, start=first.start + timedelta(days=chance.choice([-2, -1, 1, 3, 7])))
        return replace(request, exams=(moved, *others))
    return replace(request, effort=replace(request.effort, limit=chance.choice([30, 45, 90])))


def ratio(seed: int) -> float | None:
    """Mending to planning for one request and its news; ``None`` where there is no plan."""
    chance = Random(seed)
    name = chance.choice(sorted(FIXTURES.glob("*.toml")))
    request = read(name.read_bytes(), name=name.name)
    files = {one.file: (FIXTURES / one.file).read_bytes() for one in request.calendars}
    first = min(exam.start for exam in request.exams).date()
    made = datetime.combine(first - timedelta(days=chance.randint(5, 40)), datetime.min.time(), UTC)
    now = made + timedelta(days=chance.randint(0, 4), hours=9)
    changed = news(chance, request, now)
    try:
        begin = perf_counter()
        old = make_plan(request, files, as_of=made)
        planning = perf_counter() - begin
        begin = perf_counter()
        mend(old, request, changed, files, as_of=now)
        return (perf_counter() - begin) / planning
    except (NoPlan, InvalidRequest):
        return None


if __name__ == "__main__":
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    ratios = sorted(one for seed in range(count) if (one := ratio(seed)) is not None)
    middle, late = ratios[len(ratios) // 2], ratios[len(ratios) * 95 // 100]
    print(f"{len(ratios)} plans: median {middle:.2f}, 95th percentile {late:.2f}, worst {ratios[-1]:.1f}")
