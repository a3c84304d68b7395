"""A Dask cluster as an executor, for cohorts that are too many for one machine. Needs the extra ``calplan[dask]``.

Whoever reaches a scheduler can run anything on its workers: web/OPERATING.md says what follows from that. Certificates
come from Dask's own configuration. Workers must have what decides a plan's bytes in the same versions as this process,
which is looked at before anything is sent.
"""

from __future__ import annotations

import asyncio
import sys
from concurrent.futures import BrokenExecutor, CancelledError, Executor, Future, wait
from importlib.metadata import PackageNotFoundError, version
from typing import TYPE_CHECKING, Any

from calplan.errors import InvalidRequest, Problem
from calplan.publicdays import versions

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from types import TracebackType

    from distributed import Client

DECIDING = ("calplan", "holidays", "icalendar", "python-dateutil", "recurring-ical-events")
"""What decides a plan's bytes beside its request, by the names of distributions."""
SECONDS_TO_ANSWER = 10
"""How long a scheduler may take to answer."""
SECONDS_TO_LOOK, LOOKS = 10, 6
"""How often it is looked whether there are workers, and how many looks that find none are the end."""

HOW_TO_SAY = (
    "Give it as its log does: tcp://10.0.0.5:8786. For tls:// addresses, Dask's configuration has to name certificates."
)
GO_ON = "What is done is kept: give the same command again to go on."


class Cluster:
    """A connection to a scheduler. Raises :class:`InvalidRequest` where nobody answers, or its workers do not suit."""

    def __init__(self, address: str) -> None:
        from distributed import Client

        self.address = address
        try:
            # A client that finds nobody cannot be put away, and may lock up the next one: so this is tried first.
            asyncio.run(answered(address))
            self.client = Client(address, timeout=SECONDS_TO_ANSWER, set_as_default=False)
        except (OSError, ValueError, TypeError, ImportError):
            raise self._refused(
                "no scheduler answers there.", "Give it as its log does: tcp://10.0.0.5:8786."
            ) from None
        try:
            self.workers = self._suitable()
        except BaseException:
            self.client.close()
            raise

    def __enter__(self) -> Cluster:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self.client.close()

    def executor(self) -> Executor:
        """An executor over the cluster. Raises :class:`InvalidRequest` where scheduler or workers are gone."""
        if self.client.status != "running":
            raise self._refused("the scheduler is gone.", GO_ON)
        try:
            self.client.wait_for_workers(1, timeout=LOOKS * SECONDS_TO_LOOK)  # they may be on their way up again
        except TimeoutError:
            raise self._refused("this cluster has no workers any more.", GO_ON) from None
        return ClusterExecutor(self.client)

    def _suitable(self) -> int:
        """How many tasks the workers take at once, all of them having what decides a plan in our versions."""
        found: Mapping[str, Any] = self.client.run(deciding, on_error="return")
        if not found:
            raise self._refused("this cluster has no workers.", "Start some, and give the same command again.")
        ours, problems = deciding(), []
        for worker, theirs in sorted(found.items()):
            if isinstance(theirs, BaseException):
                sentence = f"this worker cannot load calplan ({type(theirs).__name__})."
                problems.append(Problem(worker, sentence, "Install the same calplan there."))
                continue
            others = [f"{name} {theirs[name]}, not {ours[name]}" for name in ours if theirs[name] != ours[name]]
            if others:
                sentence = f"this worker has {'; '.join(others)}: it could give other plans."
                problems.append(Problem(worker, sentence, "Install the same versions there."))
        if problems:
            raise InvalidRequest(problems)
        return sum(self.client.nthreads().values())

    def _refused(self, sentence: str, remedy: str) -> InvalidRequest:
        return InvalidRequest([Problem(self.address, sentence, remedy)])


async def answered(address: str) -> None:
    """Returns when a Dask process answers at an address. Raises OSError or ValueError where none does."""
    from distributed import Security
    from distributed.comm.core import connect

    comm = await connect(address, timeout=SECONDS_TO_ANSWER, **Security().get_connection_args("client"))
    await comm.close()


def deciding() -> dict[str, str]:
    """The versions of what decides a plan's bytes, here."""
    found = {"python": ".".join(map(str, sys.version_info[:2])), "time zones": versions()[0]}
    for name in DECIDING:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            found[name] = "none"
    return found


class ClusterExecutor(Executor):
    """Dask's executor, with all that :class:`concurrent.futures.Executor` promises.

    A connection that is gone, or workers that are all gone, is a broken executor; a shutdown can give up what waits.
    """

    def __init__(self, client: Client) -> None:
        self.client = client
        self.inner = client.get_executor(pure=False)

    def submit(self, fn: Callable[..., Any], /, *args: Any, **kwargs: Any) -> Future[Any]:
        if self.client.status != "running":
            raise BrokenExecutor("the connection to the scheduler is closed")
        return Watched(self.client, self.inner.submit(fn, *args, **kwargs))

    def shutdown(self, wait: bool = True, *, cancel_futures: bool = False) -> None:
        """Ends the executor, not the cluster. Batches that are given up may still be worked on to their end."""
        if self.client.status == "running":
            self.inner.shutdown(wait=wait and not cancel_futures)


class Watched(Future[Any]):
    """A future that is broken when there has been nobody for a while who could work on it.

    Dask would wait for ever: its workers are not always started again when one task ends them all.
    """

    def __init__(self, client: Client, inner: Future[Any]) -> None:
        super().__init__()
        self.client = client
        inner.add_done_callback(self._take)

    def _take(self, inner: Future[Any]) -> None:
        if inner.cancelled():
            self.cancel()
            self.set_running_or_notify_cancel()
        elif (error := inner.exception()) is not None:
            self.set_exception(error)
        else:
            self.set_result(inner.result())

    def result(self, timeout: float | None = None) -> Any:
        """As of any future; without a limit of time it is looked now and then whether there are workers."""
        if timeout is not None:
            return super().result(timeout)
        for _ in range(LOOKS):
            wait([self], SECONDS_TO_LOOK)
            while not self.done() and self._worked_on():
                wait([self], SECONDS_TO_LOOK)
            if self.done():
                return super().result()
        raise BrokenExecutor("the cluster has no workers any more")

    def _worked_on(self) -> bool:
        try:
            return bool(self.client.nthreads())
        except (OSError, CancelledError):
            return False
