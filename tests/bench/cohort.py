"""What a cohort costs, as ratios measured side by side in one run.

    python -m tests.bench.cohort [memory] [workers] [shares] [dask]      (all four where none is named)

* memory: the highest resident memory of the parent and of a worker, in fresh processes, at 1,000 and 20,000 rows of
  which one in twenty is planned and the rest are wrong early, so that it ends soon; and with 200 and 2,000 rows that
  are all planned (goal: at most 1.2 times);
* workers: rows a second with two workers against one under the same parent (goal: 1.8 times, the parent's measured
  share taken off);
* shares: where the time of a row goes on one worker, each part against what icalendar alone needs for the same events;
* dask: the same rows on a LocalCluster of two processes, against a pool of two processes.

Rows differ in what they missed, in their hours and their usual minutes, so that no two ask for the same. Seconds are
printed for orientation only; nothing here passes or fails. What else the machine did meanwhile is printed, too.
"""

from __future__ import annotations

import csv
import io
import os
import resource
import subprocess
import sys
import tempfile
from concurrent.futures import Executor, Future, ProcessPoolExecutor
from datetime import UTC, datetime
from pathlib import Path
from random import Random
from statistics import median
from time import perf_counter, process_time
from typing import TYPE_CHECKING, Any, NamedTuple

from icalendar import Calendar

from calplan.batches import run_rows
from calplan.bulk import Directory, manifest_of
from calplan.cohort import Run, courses_of, plan_row, planned
from calplan.enrolment import asked_by
from calplan.folders import Folder
from calplan.ical import to_ics
from calplan.model import to_json
from calplan.roster import distinct, read_roster
from tests.bench.pipeline import alone

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from calplan.batches import Answer, Batch
    from calplan.cohort import Made
    from calplan.roster import Row

FIXTURES = Path(__file__).parents[2] / "fixtures" / "cohort"
COURSES = (FIXTURES / "courses.toml").read_bytes()
RUN = Run(COURSES, datetime(2027, 1, 5, 12, tzinfo=UTC), "bench")
COLUMNS = (
    "reference", "course", "section", "study_hours", "usual", "extra_time",
    "missed quiz-1", "missed quiz-2", "missed gas-laws", "count practice",
)  # fmt: skip
PAIRS = 8
"""How often one and two workers are measured, turn by turn."""


def main(words: Sequence[str]) -> None:
    """Prints the tables that are asked for."""
    tables = {"memory": print_memory, "workers": print_workers, "shares": print_shares, "dask": print_dask}
    for name in words or tables:
        tables[name]()


# ------------------------------------------------------------------------------------------------ the rows


def roster_of(rows: int, *, one_in: int = 1, seed: int = 1) -> bytes:
    """A roster of one exam a row, nine in ten of chemistry; only ``one_in`` so many rows can be planned."""
    random = Random(seed)
    text = io.StringIO()
    writer = csv.writer(text)
    writer.writerow(COLUMNS)
    for number in range(rows):
        if number % one_in:
            writer.writerow([f"S-{number}", "alchemy", "", "", "", "", "", "", "", ""])
            continue
        hour = random.choice((15, 16, 17))
        common = [f"weekdays {hour}:30-{hour + 3}:30; sat 09:00-12:00", random.choice((25, 30, 35, 40)), ""]
        if random.random() < 0.1:
            writer.writerow([f"S-{number}", "civics", "1", *common, "", "", "", ""])
            continue
        missed = [random.randint(0, 4), random.randint(0, 4), f"{random.randint(0, 20)}/20", random.randint(40, 80)]
        writer.writerow([f"S-{number}", "chemistry", random.choice("AB"), *common, *missed])
    return text.getvalue().encode()


def rows_of(roster: bytes) -> Iterator[Row]:
    """The rows of a roster, as a run takes them."""
    return distinct(read_roster(io.BytesIO(roster)))


def directory_at(folder: Path) -> Directory:
    """A directory that takes in a run of these courses."""
    return Directory(folder, manifest_of(as_of=RUN.as_of, seed=RUN.seed, roster="bench", courses=COURSES))


def run_into(folder: Path, roster: bytes, executor: Callable[[], Executor], workers: int) -> None:
    """A whole run: the roster read, planned, and written into a directory that is finished."""
    directory = directory_at(folder)
    for made in run_rows(rows_of(roster), RUN, Folder(FIXTURES), executor, workers=workers):
        directory.take(made)
    directory.finish()


# ---------------------------------------------------------------------------------------------------- memory


def print_memory() -> None:
    """Peaks of fresh processes, small against large."""
    print("peak memory, MB (ru_maxrss): parent and largest worker, two workers")
    for one_in, sizes in ((20, (1_000, 20_000)), (1, (200, 2_000))):
        print(f"  {'every row planned' if one_in == 1 else f'one row in {one_in} planned, the others wrong early'}")
        peaks = [peak_of(rows, one_in) for rows in sizes]
        for rows, (parent, worker) in zip(sizes, peaks, strict=True):
            print(f"  {rows:>8,} rows {parent:>7.0f} {worker:>7.0f}")
        (small, small_worker), (large, large_worker) = peaks
        print(f"  {'ratio':>13} {large / small:>7.2f} {large_worker / small_worker:>7.2f}")


def peak_of(rows: int, one_in: int) -> tuple[float, float]:
    """What a run in a fresh process took at most: the parent, and the largest of its workers."""
    words = [sys.executable, "-m", "tests.bench.cohort", "peak", str(rows), str(one_in)]
    said = subprocess.run(words, check=True, capture_output=True, text=True).stdout
    parent, worker = map(float, said.split())
    return parent, worker


def say_peak(rows: int, one_in: int) -> None:
    """Runs that many rows, from a file, and says what they took; for :func:`peak_of`."""
    with tempfile.TemporaryDirectory() as place:
        roster = Path(place, "roster.csv")
        # The roster is written by another process, so that it is in nobody's memory here.
        code = f"from tests.bench.cohort import roster_of; print(roster_of({rows}, one_in={one_in}).decode(), end='')"
        with roster.open("wb") as file:
            subprocess.run([sys.executable, "-c", code], check=True, stdout=file)
        directory = directory_at(Path(place, "out"))
        with roster.open("rb") as file:
            rows_read = distinct(read_roster(file))
            found = run_rows(rows_read, RUN, Folder(FIXTURES), lambda: ProcessPoolExecutor(2), workers=2)
            for made in found:
                directory.take(made)
        directory.finish()
    peaks = (resource.getrusage(who).ru_maxrss / 1024 for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    print(*peaks)


# --------------------------------------------------------------------------------------------------- workers


class Measured(NamedTuple):
    """An answer with the processor time that it took the worker."""

    made: tuple[Made, ...]
    seconds: float
    processor: float


def measured(work: Callable[[Batch], Answer], batch: Batch) -> Measured:
    """Does a worker's work and measures it; runs in the worker."""
    used = process_time()
    answer = work(batch)
    return Measured(*answer, process_time() - used)


class Kept(Executor):
    """An executor that outlives the run that it is lent to, so that processes that are warm can be measured.

    ``busy`` adds up the seconds that its workers took for batches, ``used`` their processor time in them.
    """

    def __init__(self, inner: Executor) -> None:
        self.inner, self.busy, self.used = inner, 0.0, 0.0

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        future = self.inner.submit(measured, fn, *args, **kwargs)
        future.add_done_callback(self.count)
        return future

    def count(self, future: Future[Any]) -> None:
        self.busy += future.result().seconds
        self.used += future.result().processor

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """Nothing: whoever lent it ends it."""


class Timed(NamedTuple):
    """A whole run with warm workers: seconds, the parent's processor time, the workers' seconds and processor time."""

    seconds: float
    parent: float
    busy: float
    used: float


def timed(roster: bytes, executor: Executor, workers: int) -> Timed:
    """Measures a whole run."""
    kept = Kept(executor)
    with tempfile.TemporaryDirectory() as place:
        began, used = perf_counter(), process_time()
        run_into(Path(place, "out"), roster, lambda: kept, workers)
        return Timed(perf_counter() - began, process_time() - used, kept.busy, kept.used)


def print_workers(rows: int = 80) -> None:
    """Two workers against one, turn by turn; of each the fastest run counts, which others disturbed least.

    Where others use the machine, the ratio of seconds says little, and that of processor time more.

    With one worker the parent has a processor to itself. With two workers on two processors it takes its share from
    them, which makes the run longer by half of it: that is taken off where there are no more processors than workers.
    """
    print("\nrows a second of whole runs, one and two workers in turn, warm")
    roster, cores = roster_of(rows), os.cpu_count() or 1
    began, busy, mine = perf_counter(), busy_seconds(), own_seconds()
    with ProcessPoolExecutor(1) as one, ProcessPoolExecutor(2) as two:
        for executor, workers in ((one, 1), (two, 2)):
            timed(roster_of(40, seed=2), executor, workers)
        pairs = [(timed(roster, one, 1), timed(roster, two, 2)) for _ in range(PAIRS)]
    elsewhere = max(0.0, busy_seconds() - busy - (own_seconds() - mine)) / (perf_counter() - began)
    for number, runs in enumerate(zip(*pairs, strict=True), 1):
        rates = ", ".join(f"{rows / run.seconds:.1f}" for run in runs)
        share, full = median(run.parent / run.seconds for run in runs), median(run.busy / run.seconds for run in runs)
        print(f"  {number}: {rates} a second; parent {share:.1%} of a processor; workers busy {full / number:.1%}")
    single, double = (min(runs) for runs in zip(*pairs, strict=True))
    left = double.seconds - (double.parent / 2 if cores <= 2 else 0)
    plain, lessened = single.seconds / double.seconds, single.seconds / left
    print(f"  two against one: {plain:.2f}; the parent's share taken off: {lessened:.2f}; goal 1.8")
    first, second = (min(run.used for run in runs) / rows for runs in zip(*pairs, strict=True))
    own = min(both.parent for _, both in pairs) / rows
    print(
        f"  processor time a row: {first * 1e3:.1f}ms with one, {second * 1e3:.1f}ms with two, parent {own * 1e3:.1f}ms"
    )
    print(
        f"  by that, with two processors to itself: {2 * first / (second + own):.2f}; without the parent's share: "
        f"{2 * first / second:.2f}"
    )
    print(f"  {cores} processors; others kept {elsewhere:.2f} of them busy meanwhile")


def busy_seconds() -> float:
    """Processor seconds that the machine has used for anything."""
    stat = Path("/proc/stat")
    if not stat.exists():
        return 0.0
    user, nice, system, _, _, irq, soft, steal = map(int, stat.read_text().split("\n", 1)[0].split()[1:9])
    return (user + nice + system + irq + soft + steal) / os.sysconf("SC_CLK_TCK")


def own_seconds() -> float:
    """Processor seconds of this process and of those that it has ended."""
    return sum(os.times()[:4])


# ---------------------------------------------------------------------------------------------------- shares


def print_shares(rows: int = 100) -> None:
    """Where the time goes on one worker, in one process; each part against icalendar alone on the same events."""
    print("\nshares of a row on one worker, against icalendar alone on the same events")
    roster = roster_of(rows, seed=3)
    kept = list(rows_of(roster))
    files = {"timetable.ics": (FIXTURES / "timetable.ics").read_bytes()}
    made = [plan_row(row, RUN, files) for row in kept]
    asked = [asked_by(row, courses_of(COURSES)) for row in kept]
    plans = [planned(one, RUN, files, row.reference, None) for one, row in zip(asked, kept, strict=True)]
    events = [
        [[(name, value) for name, value in event.property_items(recursive=False)] for event in found.walk("VEVENT")]
        for found in (Calendar.from_ical(one.ics) for one in made)
    ]

    def written() -> None:
        with tempfile.TemporaryDirectory() as place:
            directory = directory_at(Path(place, "out"))
            for one in made:
                directory.take(one)
            directory.finish()

    parts: dict[str, Callable[[], object]] = {
        "icalendar alone": lambda: [alone(fields) for fields in events],
        "the roster read": lambda: list(rows_of(roster)),
        "requests made": lambda: [asked_by(row, courses_of(COURSES)) for row in kept],
        "planned, checked": lambda: [planned(one, RUN, files, "s", None) for one in asked],
        "calendars written": lambda: [to_ics(plan, one.request) for plan, one in zip(plans, asked, strict=True)],
        "plans written": lambda: [to_json(plan, indent=0) for plan in plans],
        "all of a row": lambda: [plan_row(row, RUN, files) for row in kept],
        "files, results, ZIP": written,
    }
    seconds = {name: least(work) for name, work in parts.items()}
    base = seconds["icalendar alone"]
    number = sum(map(len, events))
    for name, taken in seconds.items():
        print(f"  {name:<20} {taken / rows * 1e3:>7.2f}ms a row {taken / base:>6.2f}")
    whole = seconds["the roster read"] + seconds["all of a row"] + seconds["files, results, ZIP"]
    around = whole - seconds["planned, checked"] - seconds["calendars written"]
    print(f"  everything together {whole / base:.2f}; all but icalendar's own part {(whole - base) / base:.2f};")
    print(f"  all but planning and the calendars {around / base:.2f} ({rows} rows, {number} events)")


def least(work: Callable[[], object], rounds: int = 3) -> float:
    """The least seconds of several tries."""
    found = []
    for _ in range(rounds):
        began = perf_counter()
        work()
        found.append(perf_counter() - began)
    return min(found)


# ------------------------------------------------------------------------------------------------------ dask


def print_dask(rows: int = 80) -> None:
    """The same rows on a cluster over loopback and on a pool, turn by turn."""
    from distributed import Client, LocalCluster

    from calplan.cluster import ClusterExecutor

    print("\na Dask cluster of two processes over loopback against a pool of two, whole runs in turn, warm")
    roster = roster_of(rows)
    with (
        ProcessPoolExecutor(2) as pool,
        LocalCluster(
            n_workers=2, threads_per_worker=1, processes=True, host="127.0.0.1", dashboard_address="127.0.0.1:0"
        ) as local,
        Client(local) as client,
    ):
        cluster = ClusterExecutor(client)
        for executor in (pool, cluster):
            timed(roster_of(40, seed=2), executor, 2)
        pairs = [(timed(roster, pool, 2), timed(roster, cluster, 2)) for _ in range(PAIRS)]
    for name, runs in zip(("pool", "cluster"), zip(*pairs, strict=True), strict=True):
        rates = ", ".join(f"{rows / run.seconds:.1f}" for run in runs)
        share, full = median(run.parent / run.seconds for run in runs), median(run.busy / run.seconds for run in runs)
        print(f"  {name}: {rates} a second; parent {share:.1%} of a processor; workers busy {full / 2:.1%}")
    own, clusters = (min(runs).seconds for runs in zip(*pairs, strict=True))
    ours, theirs = (min(run.parent + run.used for run in runs) for runs in zip(*pairs, strict=True))
    print(f"  cluster against pool, processor time of parent and workers' batches: {theirs / ours:.2f}")
    print(f"  cluster against pool, seconds: {clusters / own:.2f} (the scheduler runs in the parent here)")


if __name__ == "__main__":
    if sys.argv[1:2] == ["peak"]:
        say_peak(int(sys.argv[2]), int(sys.argv[3]))
    else:
        main(sys.argv[1:])
