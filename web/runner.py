"""Plans cohorts in the background: a thread for each cohort under way, and processes that do the work.

The thread only hands out and writes down. What it was doing when the server ended waits in the database, and goes on at
the next start.
"""

from __future__ import annotations

import logging
import multiprocessing
import os
from concurrent.futures import ProcessPoolExecutor
from threading import Event, Lock, Thread
from typing import TYPE_CHECKING, Any

from web import cohorts, store, store_cohorts

if TYPE_CHECKING:
    from collections.abc import Callable
    from concurrent.futures import Executor

    from web.service import Service

logger = logging.getLogger("web.runner")

PAUSE_SECONDS = 5
"""How long a cohort waits for a busy database."""


class Runner:
    """Plans what waits. ``executor`` makes what plans; without it, processes of this machine or a cluster do."""

    def __init__(self, service: Service, executor: Callable[[], Executor] | None = None) -> None:
        self.service = service
        self.workers = service.settings.planners or os.cpu_count() or 1
        self.executor = executor or self._processes
        self.ending = Event()
        self.lock = Lock()
        self.threads: dict[str, Thread] = {}
        self.asked: dict[str, bool] = {}
        """The cohorts that are being planned, and whether somebody has asked for it again since that began."""
        self.client: Any = None

    def start(self, cohort_id: str) -> None:
        """Sees to it that a cohort is being planned."""
        with self.lock:
            if self.ending.is_set():
                return
            if cohort_id in self.asked:
                self.asked[cohort_id] = True
                return
            self.asked[cohort_id] = False
            thread = Thread(target=self._plan, args=(cohort_id,), name=f"cohort {cohort_id[:4]}", daemon=True)
            self.threads[cohort_id] = thread
            thread.start()

    def start_all(self) -> None:
        """Goes on with every cohort that has rows waiting."""
        with store.reading(self.service.engine) as connection:
            ids = store_cohorts.with_waiting(connection)
        for cohort_id in ids:
            self.start(cohort_id)

    def wait(self) -> None:
        """Waits until nothing is being planned."""
        for thread in list(self.threads.values()):
            thread.join()

    def busy(self, seconds: float) -> bool:
        """Whether something is still being planned after so many seconds, or until then."""
        for thread in list(self.threads.values()):
            if thread.is_alive():
                thread.join(seconds)
                return True
        return False

    def close(self) -> None:
        """Ends what is under way; what waits is kept."""
        self.ending.set()
        self.wait()

    def _plan(self, cohort_id: str) -> None:
        try:
            while not self.ending.is_set() and (self._some(cohort_id) or self._more(cohort_id)):
                pass
        except Exception:
            logger.exception("A cohort could not be planned to its end; its rows wait.")
            with self.lock:
                self.asked.pop(cohort_id, None)

    def _some(self, cohort_id: str) -> int:
        """Plans what waits; gives how many rows, or 1 where the database was busy and the same is to be tried again."""
        try:
            return cohorts.plan_waiting(
                self.service, cohort_id, self.executor, workers=self.workers, stopped=self.ending.is_set
            )
        except store.Unavailable:
            logger.warning("The database was busy; a cohort waits for a moment, and goes on.")
            self.ending.wait(PAUSE_SECONDS)
            return 1

    def _more(self, cohort_id: str) -> bool:
        """Whether somebody has asked again; where nobody has, whoever asks next begins anew."""
        with self.lock:
            if self.asked.get(cohort_id):
                self.asked[cohort_id] = False
                return True
            self.asked.pop(cohort_id, None)
            return False

    def _processes(self) -> Executor:
        """Processes of this machine, or the cluster that is set."""
        if self.service.settings.scheduler:
            from distributed import Client

            self.client = self.client or Client(self.service.settings.scheduler)
            executor: Executor = self.client.get_executor(pure=False)
            return executor
        # The server has threads, and a fork of one could inherit a lock that nobody will ever give back.
        return ProcessPoolExecutor(self.workers, mp_context=multiprocessing.get_context("forkserver"))
