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
from typing import TYPE_CHECKING

from calplan.acts import Ease, Effects
from calplan.cluster import Cluster
from web import cohorts, store, store_cohorts
from web.powers import new_id

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from concurrent.futures import Executor
    from datetime import datetime

    from web.service import Service

logger = logging.getLogger("web.runner")

PAUSE_SECONDS = 5
"""How long a cohort waits for a busy database."""


MOST_TRIALS = 50
"""Trials that are remembered; the oldest is forgotten first, and all of them when the server ends."""


class Trial:
    """What a change would come to for a cohort, as far as it is known by now. Nothing of it is kept."""

    def __init__(
        self, cohort_id: str, document: bytes, now: datetime, exam: tuple[str, str] = ("", ""), said: str = ""
    ) -> None:
        self.said = said
        """What is tried, in a sentence."""
        self.cohort_id, self.document, self.now, self.exam = cohort_id, document, now, exam
        self.effects, self.eases = Effects(), tuple[Ease, ...]()
        self.total = 0
        self.done = self.failed = self.applied = False


class Runner:
    """Plans what waits. ``executor`` makes what plans; without it, processes of this machine or a cluster do."""

    def __init__(self, service: Service, executor: Callable[[], Executor] | None = None) -> None:
        self.service = service
        self.workers = service.settings.planners or os.cpu_count() or 1
        self.executor = executor or self._processes
        self.ending = Event()
        self.lock = Lock()
        self.threads: dict[str, Thread] = {}
        self.trials: dict[str, Trial] = {}
        self.turn = Lock()  # one trial after the other
        self.cluster: Cluster | None = None
        self.asked: dict[str, bool] = {}
        """The cohorts that are being planned, and whether somebody has asked for it again since that began."""

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

    def try_out(self, cohort_id: str, document: bytes, now: datetime, said: str = "") -> str:
        """Begins to find out what other courses would change for a cohort; gives the trial's id."""
        trial = Trial(cohort_id, document, now, said=said)
        return self._begin(trial, lambda: self._try(trial))

    def compare(self, cohort_id: str, course: str, section: str, dates: Mapping[datetime, bytes], now: datetime) -> str:
        """Begins to find out what other dates of an exam would mean; gives the trial's id."""
        trial = Trial(cohort_id, b"", now, exam=(course, section))
        return self._begin(trial, lambda: self._compare(trial, dates))

    def trial(self, cohort_id: str, name: str) -> Trial | None:
        """A trial of a cohort, while it is remembered."""
        found = self.trials.get(name)
        return found if found is not None and found.cohort_id == cohort_id else None

    def _begin(self, trial: Trial, work: Callable[[], None]) -> str:
        name = new_id(self.service.entropy)

        def run() -> None:
            try:
                with self.turn:
                    work()
            except Exception:
                logger.exception("A trial could not be finished.")
                trial.failed = True
            trial.done = True

        with self.lock:
            self.trials[name] = trial
            while len(self.trials) > MOST_TRIALS:
                self.trials.pop(next(iter(self.trials)))
            thread = Thread(target=run, name="trial", daemon=True)
            self.threads[f"trial {name}"] = thread
            for ended in [key for key, one in self.threads.items() if one.ident and not one.is_alive()]:
                del self.threads[ended]
            thread.start()
        return name

    def _try(self, trial: Trial) -> None:
        found = cohorts.tried(
            self.service, trial.cohort_id, trial.document, trial.now, self.executor, self.workers, self.ending.is_set
        )
        for total, outcome in found:
            trial.total = total
            trial.effects = trial.effects.plus(outcome)

    def _compare(self, trial: Trial, dates: Mapping[datetime, bytes]) -> None:
        for start, document in dates.items():
            ease = cohorts.compared(
                self.service, trial.cohort_id, document, start, trial.exam, trial.now, self.executor, self.workers
            )
            trial.eases = (*trial.eases, ease)
            trial.total = len(dates)

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
            self.cluster = self.cluster or Cluster(self.service.settings.scheduler)
            return self.cluster.executor()
        # The server has threads, and a fork of one could inherit a lock that nobody will ever give back.
        return ProcessPoolExecutor(self.workers, mp_context=multiprocessing.get_context("forkserver"))
