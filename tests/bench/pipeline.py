"""What the main job costs, as ratios measured side by side in one run.

    python -m tests.bench.pipeline

* request → .ics at 30, 60 and 120 days, warm, against what icalendar alone needs to build and serialise the same
  events (goal: at most 2 times at 30 days);
* growth of planning with days alone, material alone, and both, as slopes of a log-log fit (goals: 1.5 and 1.3);
* cold start of the command line against a bare interpreter; peak memory of one plan.

Seconds are printed for orientation only; nothing here passes or fails.
"""

from __future__ import annotations

import math
import resource
import subprocess
import sys
from datetime import UTC, date, datetime, time, timedelta
from statistics import median
from time import perf_counter
from typing import TYPE_CHECKING

from icalendar import Calendar, Event

from calplan.ical import to_ics
from calplan.model import Effort, Exam, Kind, Material, Plan, Request, StudyHours, Weekday, to_json
from calplan.planner import make_plan
from calplan.request import read

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

EXAM_DAY = date(2027, 6, 1)
ROUNDS = 9


def main() -> None:
    """Prints every table."""
    print_pipeline()
    print_growth()
    print_start()
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"\nPeak memory of this process, all of the above included: {peak:.0f} MB")


# ------------------------------------------------------------------------------------- against icalendar


def print_pipeline() -> None:
    """The whole main job against the encoding alone."""
    print("request → .ics, warm, against icalendar alone on the same events")
    print(f"{'days':>6} {'events':>7} {'whole':>9} {'icalendar':>10} {'ratio':>6}")
    for days in (30, 60, 120):
        document, as_of = document_over(days), start(days)
        data = whole(document, as_of)
        events = list(Calendar.from_ical(data).walk("VEVENT"))
        fields = [[(name, value) for name, value in event.property_items(recursive=False)] for event in events]
        ours, theirs = side_by_side(lambda d=document, m=as_of: whole(d, m), lambda f=fields: alone(f))
        print(f"{days:>6} {len(events):>7} {ours * 1e3:>7.1f}ms {theirs * 1e3:>8.1f}ms {ours / theirs:>6.2f}")


def whole(document: bytes, as_of: datetime) -> bytes:
    """The main job, from the bytes of a request to those of a calendar."""
    request = read(document, name="request.json")
    return to_ics(make_plan(request, {}, as_of=as_of), request)


def alone(fields: Sequence[Sequence[tuple[str, object]]]) -> bytes:
    """icalendar, used as its documentation shows: build each event property by property, then serialise."""
    calendar = Calendar()
    calendar.add("prodid", "-//bench//EN")
    calendar.add("version", "2.0")
    for properties in fields:
        event = Event()
        for name, value in properties:
            if name not in ("BEGIN", "END"):
                event.add(name, plain(value))
        calendar.add_component(event)
    return calendar.to_ical()


def plain(value: object) -> object:
    """The Python value of a parsed property: what a program hands to icalendar in the first place."""
    for attribute in ("dt", "cats"):
        if hasattr(value, attribute):
            found = getattr(value, attribute)
            return [str(one) for one in found] if attribute == "cats" else found
    return int(value) if isinstance(value, int) else str(value)


def document_over(days: int) -> bytes:
    """A written request: a month's material of a term exam, study hours every day, over so many days."""
    start_day = EXAM_DAY - timedelta(days=days)
    return f"""{{"schema": 1, "zone": "America/Chicago", "start": "{start_day}",
      "exam": [{{"subject": "Chemistry", "start": "{EXAM_DAY}T09:00", "minutes": 120, "material": [
        {{"kind": "homework", "count": 14}}, {{"kind": "quiz", "count": 5, "missed": 2}},
        {{"kind": "notes", "count": 26}}, {{"kind": "test", "count": 4, "missed": 4}},
        {{"kind": "practice", "count": 90}}]}}],
      "study_hours": [{{"days": ["daily"], "start": "16:00", "end": "20:00"}}]}}""".encode()


# --------------------------------------------------------------------------------------------------- growth


def print_growth() -> None:
    """How planning grows; a slope of 1 is proportional."""
    print("\nplanning alone: growth (slope of the log-log fit)")
    series = {
        "days 15 to 360": [(days, request_of(days, 53)) for days in (15, 30, 60, 120, 240, 360)],
        "pieces 10 to 1,000": [(pieces, request_of(30, pieces)) for pieces in (10, 30, 100, 300, 1000)],
        "both": [(days, request_of(days, days * 3)) for days in (15, 30, 60, 120, 240, 330)],
    }
    for name, points in series.items():
        times = [(size, best(lambda r=request: plan_of(r))) for size, request in points]
        shown = ", ".join(f"{size}: {seconds * 1e3:.1f}ms" for size, seconds in times)
        print(f"  {name:<20} slope {slope(times):.2f}   ({shown})")


def request_of(days: int, pieces: int) -> Request:
    """A request over so many days with so many pieces of material of all kinds in turn."""
    kinds = list(Kind)
    materials = tuple(
        Material(key=str(i), kind=kinds[i % 5], title=f"Piece {i}", missed=2 if i % 5 in (1, 3) else None)
        for i in range(pieces)
    )
    exam = Exam(
        key="e", subject="Chemistry", start=datetime.combine(EXAM_DAY, time(9)), minutes=90, materials=materials
    )
    week = (StudyHours(days=tuple(Weekday), start=time(16), end=time(20)),)
    return Request(zone="UTC", exams=(exam,), week=week, start=EXAM_DAY - timedelta(days=days), effort=Effort())


def plan_of(request: Request) -> Plan:
    assert request.start is not None
    return make_plan(request, {}, as_of=datetime.combine(request.start, time(), UTC))


def slope(points: Sequence[tuple[int, float]]) -> float:
    """The slope of the least-squares line through the points' logarithms."""
    xs, ys = [math.log(x) for x, _ in points], [math.log(y) for _, y in points]
    x_mean, y_mean = sum(xs) / len(xs), sum(ys) / len(ys)
    return sum((x - x_mean) * (y - y_mean) for x, y in zip(xs, ys, strict=True)) / sum((x - x_mean) ** 2 for x in xs)


# ------------------------------------------------------------------------------------------------ cold start


def print_start() -> None:
    """The command line's start against that of the bare interpreter."""
    print("\ncold start of the command line, against a bare interpreter")
    bare = best(lambda: run("-c", "pass"), rounds=5)
    for words in (["--help"], ["--version"], ["make", "fixtures/chemistry-30.toml", "--as-of", "2027-01-05"]):
        taken = best(lambda w=words: run("-m", "calplan", *w), rounds=5)
        print(f"  calplan {' '.join(words):<60} {taken * 1e3:>6.0f}ms  {taken / bare:>5.1f} times")
    print(f"  a bare interpreter {'':<49} {bare * 1e3:>6.0f}ms")
    document = to_json(request_of(30, 53))
    print(f"  (a request of 53 pieces is {len(document)} bytes of JSON)")


def run(*words: str) -> None:
    subprocess.run([sys.executable, *words], check=True, capture_output=True)


# --------------------------------------------------------------------------------------------------- timing


def side_by_side(one: Callable[[], object], other: Callable[[], object]) -> tuple[float, float]:
    """The median seconds of both, measured turn by turn so that both meet the same weather; three rounds to warm up."""
    times: tuple[list[float], list[float]] = ([], [])
    for turn in range(ROUNDS + 3):
        for kept, work in zip(times, (one, other), strict=True):
            began = perf_counter()
            work()
            if turn >= 3:
                kept.append(perf_counter() - began)
    return median(times[0]), median(times[1])


def best(work: Callable[[], object], rounds: int = ROUNDS) -> float:
    """The least seconds of several tries: what the work costs when nothing else disturbs it."""
    times = []
    for _ in range(rounds):
        began = perf_counter()
        work()
        times.append(perf_counter() - began)
    return min(times)


def start(days: int) -> datetime:
    """The first moment of the first day, in UTC."""
    return datetime.combine(EXAM_DAY - timedelta(days=days), time(6), UTC)


if __name__ == "__main__":
    main()
