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
from typing import TYPE_CHECKING, Any

import pytest
from click.testing import CliRunner

from calplan.cli import commands
from calplan.cohort import Answer, Batch, Run, Status, distinct, run_rows
from calplan.errors import InvalidRequest
from calplan.folders import Folder
from calplan.roster import read_roster
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
    """A cluster of two processes on this machine, which takes a task for deadly when two workers died of it."""
    extra("dask", find_spec("distributed") is not None, "distributed, which comes with calplan[dask]")
    from dask.config import set as configured
    from distributed import LocalCluster

    with (
        configured({"distributed.scheduler.allowed-failures": 1}),
        LocalCluster(**SMALL, n_workers=2) as made,
    ):
        yield made


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


@pytest.mark.parametrize("after", [0, 9])
def test_a_worker_killed_in_the_middle_costs_nothing(local: LocalCluster, pooled: list[Made], after: int) -> None:
    """SIGKILL for a worker that has batches: every row comes once, with the same bytes."""
    from calplan.cluster import Cluster

    local.wait_for_workers(2)
    with Cluster(local.scheduler_address) as cluster:
        processes = cluster.client.run(os.getpid)
        found = []
        for made in run_rows(rows(), RUN, Folder(FIXTURES), cluster.executor, workers=2):
            if len(found) == after:
                at_work = [worker for worker, keys in cluster.client.processing().items() if keys]
                os.kill(processes[at_work[0]], signal.SIGKILL)
            found.append(made)
    assert [one.outcome.row for one in found] == list(range(2, 42))
    assert found == pooled


def deadly(work: Callable[[Batch], Answer], batch: Batch) -> Answer:
    """What a worker does that one row ends."""
    if any(row.reference == DEADLY for row in batch.rows):
        os.kill(os.getpid(), signal.SIGKILL)
    return work(batch)


class Deadly(Executor):
    """An executor with one row that ends whatever worker plans it."""

    def __init__(self, inner: Executor) -> None:
        self.inner = inner

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        return self.inner.submit(deadly, fn, *args, **kwargs)

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        self.inner.shutdown(wait=wait, cancel_futures=cancel_futures)


def test_a_row_that_ends_its_workers_costs_itself_alone(local: LocalCluster, pooled: list[Made]) -> None:
    """All others come as ever; of that one it is said what happened."""
    from calplan.cluster import Cluster

    with Cluster(local.scheduler_address) as cluster:
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
    from distributed import LocalCluster as Made

    with Made(**SMALL, n_workers=0) as empty:
        assert "has no workers" in refused(empty.scheduler_address)


def test_workers_of_another_version(local: LocalCluster, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each is named with what differs, before anything is sent."""
    from calplan import cluster

    local.wait_for_workers(2)
    monkeypatch.setattr(cluster, "version", lambda name: "0.0.1")
    said = refused(local.scheduler_address)
    assert said.count("this worker has calplan ") == 2
    assert "not 0.0.1" in said


def test_a_scheduler_that_goes_away(local: LocalCluster) -> None:
    """What is done was given before; then it is said how to go on."""
    from distributed import LocalCluster as Made

    from calplan.cluster import Cluster

    found = []
    with Made(**SMALL, n_workers=1) as brief, Cluster(brief.scheduler_address) as cluster:

        def go() -> None:
            for made in run_rows(rows(), RUN, Folder(FIXTURES), cluster.executor, workers=1):
                found.append(made)
                if len(found) == 5:
                    brief.close()

        with pytest.raises(InvalidRequest, match=r"the scheduler is gone.*give the same command again"):
            go()
    assert 5 <= len(found) < 40
