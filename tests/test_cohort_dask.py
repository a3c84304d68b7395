"""A cohort on a Dask cluster over loopback gives what a pool of processes gives, also when workers die.

Skipped where ``distributed`` (the extra ``calplan[dask]``) is absent; required where CALPLAN_TEST_REQUIRE names dask.
"""

from __future__ import annotations

import io
import os
import signal
from concurrent.futures import Executor, Future, ProcessPoolExecutor
from datetime import UTC, datetime
from importlib.util import find_spec
from pathlib import Path
from time import sleep
from typing import TYPE_CHECKING, Any

import pytest
from click.testing import CliRunner

from calplan.batches import Answer, Batch, plan_batch, run_rows
from calplan.cli import commands
from calplan.cohort import Run
from calplan.errors import InvalidRequest
from calplan.folders import Folder
from calplan.outcomes import Status
from calplan.roster import distinct, read_roster
from tests.conftest import extra

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from distributed import LocalCluster

    from calplan.cohort import Made
    from calplan.roster import Row

FIXTURES = Path(__file__).parent.parent / "fixtures" / "cohort"
RUN = Run((FIXTURES / "courses.toml").read_bytes(), datetime(2027, 1, 5, 12, tzinfo=UTC), "a seed")
ROSTER = "reference,course,section,study_hours,missed quiz-1\n" + "".join(
    f"S-{number},{'civics,1' if number % 5 else 'alchemy,'},{'sat 10:00-10:30' if number % 7 == 3 else ''},\n"
    if number % 3
    else f"S-{number},chemistry,{'AB'[number % 2]},weekdays {15 + number % 4}:00-{18 + number % 4}:00,{number % 5}\n"
    for number in range(40)
)
"""Forty rows: most can be planned, some name a course that is none, some have far too few hours."""
DEADLY = "S-7"


@pytest.fixture(scope="module")
def local() -> Iterator[LocalCluster]:
    """A cluster of two processes on this machine."""
    with cluster_of(2) as made:
        yield made


@pytest.fixture
def fragile() -> Iterator[LocalCluster]:
    """Another for one test alone, which takes a task for deadly as soon as one worker died of it."""
    with cluster_of(2) as made:
        yield made


def cluster_of(workers: int) -> LocalCluster:
    """A cluster over loopback; skips or fails the test where Dask is absent."""
    extra("dask", find_spec("distributed") is not None, "distributed, which comes with calplan[dask]")
    from dask.config import set as configured
    from distributed import LocalCluster

    with configured({"distributed.scheduler.allowed-failures": 0}):
        return LocalCluster(**SMALL, n_workers=workers)


SMALL: dict[str, Any] = {
    "threads_per_worker": 1, "processes": True, "host": "127.0.0.1", "dashboard_address": "127.0.0.1:0",
    "silence_logs": 60,
}  # fmt: skip


def rows() -> Iterator[Row]:
    return distinct(read_roster(io.BytesIO(ROSTER.encode())))


@pytest.fixture(scope="module")
def pooled() -> list[Made]:
    """What a pool of processes makes of the rows."""
    return list(run_rows(rows(), RUN, Folder(FIXTURES), lambda: ProcessPoolExecutor(2), workers=2))


def test_the_rows_are_worth_comparing(pooled: list[Made]) -> None:
    """Plans, rows that do not fit, and rows that are wrong are all among them."""
    found = {one.outcome.status for one in pooled}
    assert found >= {Status.PLANNED, Status.CANNOT_FIT, Status.WRONG}
    assert sum(bool(one.ics) for one in pooled) > 20


def test_the_cluster_gives_the_same_outcomes_and_bytes(local: LocalCluster, pooled: list[Made]) -> None:
    """Outcome, request, plan and calendar of each row, in the order of the rows."""
    from calplan.cluster import Cluster

    with Cluster(local.scheduler_address) as cluster:
        assert cluster.workers == 2
        assert list(run_rows(rows(), RUN, Folder(FIXTURES), cluster.executor, workers=2)) == pooled


def deadly(work: Callable[[Batch], Answer], batch: Batch, marker: str, *, late: bool) -> Answer:
    """What a worker does that one row ends: before its batch is planned or after it; once only if a marker is named."""
    answer = work(batch) if late else None
    if any(row.reference == DEADLY for row in batch.rows) and not (marker and os.path.exists(marker)):
        if marker:
            Path(marker).touch()
        sleep(1)  # a worker that ends while it is being started is not started again
        os.kill(os.getpid(), signal.SIGKILL)
    return answer or work(batch)


class Deadly(Executor):
    """An executor with one row that ends the worker that plans it: once where there is a marker, else always."""

    def __init__(self, inner: Executor, marker: str = "", *, late: bool = False) -> None:
        self.inner, self.marker, self.late = inner, marker, late

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        return self.inner.submit(deadly, fn, *args, self.marker, late=self.late, **kwargs)

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        self.inner.shutdown(wait=wait, cancel_futures=cancel_futures)


@pytest.mark.parametrize("late", [False, True], ids=["before its batch", "with its batch done"])
def test_a_worker_killed_in_the_middle_costs_nothing(
    fragile: LocalCluster, pooled: list[Made], tmp_path: Path, *, late: bool
) -> None:
    """SIGKILL for a worker that has a batch in hand and others waiting: every row comes once, with the same bytes."""
    from calplan.cluster import Cluster

    marker = tmp_path / "killed"
    with Cluster(fragile.scheduler_address) as cluster:
        found = list(
            run_rows(
                rows(), RUN, Folder(FIXTURES), lambda: Deadly(cluster.executor(), str(marker), late=late), workers=2
            )
        )
    assert marker.exists()
    assert [one.outcome.row for one in found] == list(range(2, 42))
    assert found == pooled


def test_a_row_that_ends_its_workers_costs_itself_alone(fragile: LocalCluster, pooled: list[Made]) -> None:
    """All others come as ever; of that one it is said what happened."""
    from calplan.cluster import Cluster

    with Cluster(fragile.scheduler_address) as cluster:
        found = list(run_rows(rows(), RUN, Folder(FIXTURES), lambda: Deadly(cluster.executor()), workers=2))
    (lost,) = [one for one in found if one.outcome.reference == DEADLY]
    assert lost.outcome.status is Status.WRONG
    assert "ended the process" in lost.outcome.sentences[0]
    assert [one for one in found if one is not lost] == [one for one in pooled if one.outcome.reference != DEADLY]


def test_the_command_writes_the_same_directory(local: LocalCluster, tmp_path: Path) -> None:
    """File by file, whether processes or a cluster planned."""
    roster = tmp_path / "roster.csv"
    roster.write_text(ROSTER, encoding="utf-8")
    for place, how in (("pool", ["--workers", "2"]), ("cluster", ["--scheduler", local.scheduler_address])):
        words = ["cohort", "plan", str(roster), str(FIXTURES / "courses.toml"), "--calendars", str(FIXTURES)]
        ended = CliRunner().invoke(commands, [*words, "--as-of", "2027-01-05", "--out", str(tmp_path / place), *how])
        assert ended.exit_code == 0, ended.output
    pool, cluster = (
        {path.relative_to(folder): path.read_bytes() for path in folder.rglob("*") if path.is_file()}
        for folder in (tmp_path / "pool", tmp_path / "cluster")
    )
    assert len(pool) > 50
    assert cluster == pool


# --------------------------------------------------------------------------------------- clusters that do not suit


def refused(address: str) -> str:
    """What is said of an address."""
    from calplan.cluster import Cluster

    with pytest.raises(InvalidRequest) as caught:
        Cluster(address)
    return str(caught.value)


@pytest.mark.parametrize("address", ["tcp://127.0.0.1:9", "127.0.0.1:9", "nonsense", "", "carrier-pigeon://roof:1"])
def test_an_address_without_a_scheduler(local: LocalCluster, monkeypatch: pytest.MonkeyPatch, address: str) -> None:
    """Nobody there, or nothing that could be an address: a sentence that says so."""
    from calplan import cluster

    monkeypatch.setattr(cluster, "SECONDS_TO_ANSWER", 1)
    assert "no scheduler answers there" in refused(address)


def test_a_cluster_without_workers(local: LocalCluster) -> None:
    """It would wait for ever."""
    with cluster_of(0) as empty:
        assert "has no workers" in refused(empty.scheduler_address)


def test_workers_of_another_version(local: LocalCluster, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each is named with what differs, before anything is sent."""
    from calplan import cluster

    monkeypatch.setattr(cluster, "version", lambda name: "0.0.1")
    said = refused(local.scheduler_address)
    assert said.count("this worker has calplan ") == 2
    assert "not 0.0.1" in said


@pytest.mark.parametrize("gone", ["scheduler", "workers"])
def test_a_cluster_that_goes_away(monkeypatch: pytest.MonkeyPatch, gone: str) -> None:
    """What is done was given before; then it is said how to go on."""
    from calplan import cluster

    monkeypatch.setattr(cluster, "SECONDS_TO_LOOK", 0.5)
    said = {"scheduler": "the scheduler is gone", "workers": "has no workers any more"}[gone]
    found = []

    def go(brief: LocalCluster, there: cluster.Cluster) -> None:
        for made in run_rows(rows(), RUN, Folder(FIXTURES), there.executor, workers=1):
            found.append(made)
            if len(found) == 5:
                brief.close() if gone == "scheduler" else brief.scale(0)

    with (
        cluster_of(1) as brief,
        cluster.Cluster(brief.scheduler_address) as there,
        pytest.raises(InvalidRequest, match=rf"{said}.*give the same command again"),
    ):
        go(brief, there)
    assert 5 <= len(found) < 40


def hangs(batch: Batch) -> Answer:
    """Plans a batch in a worker in which one row never ends."""
    from calplan import cohort

    real = cohort.asked_by

    def planted(row: Row, courses: Any) -> Any:
        while row.reference == DEADLY:
            pass
        return real(row, courses)

    cohort.asked_by = planted  # type: ignore[attr-defined]
    try:
        return plan_batch(batch)
    finally:
        cohort.asked_by = real  # type: ignore[attr-defined]


class Hanging(Executor):
    """An executor in whose workers one row never ends."""

    def __init__(self, inner: Executor) -> None:
        self.inner = inner

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        assert fn is plan_batch
        return self.inner.submit(hangs, *args, **kwargs)

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        self.inner.shutdown(wait=wait, cancel_futures=cancel_futures)


def test_a_row_that_hangs_in_a_worker_is_given_up_there(local: LocalCluster, pooled: list[Made]) -> None:
    """The worker lives on, and all others come as ever."""
    from calplan.cluster import Cluster

    with Cluster(local.scheduler_address) as cluster:
        before = set(cluster.client.scheduler_info(n_workers=-1)["workers"])
        executor = lambda: Hanging(cluster.executor())  # noqa: E731 - a name for one executor
        found = list(run_rows(rows(), RUN, Folder(FIXTURES), executor, workers=2, seconds=3.0))
        assert set(cluster.client.scheduler_info(n_workers=-1)["workers"]) == before
    assert [one.outcome.row for one in found] == list(range(2, 42))
    (lost,) = [one for one in found if one.outcome.reference == DEADLY]
    assert "took more than 3 seconds, and was given up" in lost.outcome.sentences[0]
    assert [one for one in found if one is not lost] == [one for one in pooled if one.outcome.reference != DEADLY]
