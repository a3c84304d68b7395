"""Rows go through an executor in batches, and come back in their order.

    rows → batches → executor → what came of each row

An executor is one of :mod:`concurrent.futures` (processes of this machine; a cluster that offers the same interface).
It keeps no state for us. A batch that stops its worker is tried again by itself, then row by row, so that a row that
does it costs itself alone. A row has a bounded time, which its worker watches over.
"""

from __future__ import annotations

import os
from collections import deque
from concurrent.futures import BrokenExecutor, CancelledError
from functools import partial
from multiprocessing import parent_process
from threading import Thread
from time import perf_counter
from typing import TYPE_CHECKING, NamedTuple

from calplan.cohort import Before, ClassDocument, Made, Run, blank, courses_of, plan_row
from calplan.enrolment import parts
from calplan.errors import Problem
from calplan.folders import Files, names_of
from calplan.outcomes import with_problems
from calplan.timed import within

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence
    from concurrent.futures import Executor, Future

    from calplan.roster import Row


ROWS_AT_FIRST, MOST_ROWS = 4, 200
"""Rows of a batch: at first, and at most."""
SECONDS_OF_A_BATCH = 0.3
"""The work of a batch that is aimed at: long against the cost of handing it over, short against a whole run."""
BATCHES_A_WORKER = 3
"""Batches that wait or are worked on, for each worker: so much is in memory, however long the roster is."""
SECONDS_OF_A_ROW = 600.0
"""The most time of one row; the most work that can be laid out at all was measured with under a tenth of it."""


# ----------------------------------------------------------------------------------------------------- a batch


class Batch(NamedTuple):
    """Rows with all that is needed to plan them, for a worker that knows nothing."""

    run: Run
    rows: tuple[Row, ...]
    files: dict[str, bytes]
    before: dict[int, Before]
    seconds: float = SECONDS_OF_A_ROW
    """The most that one of its rows may take."""


class Answer(NamedTuple):
    """What became of a batch, and how long the worker took."""

    made: tuple[Made, ...]
    seconds: float


def plan_batch(batch: Batch) -> Answer:
    """What becomes of the rows of a batch; runs in a worker. What fails by our own fault costs its row alone."""
    begin = perf_counter()
    apart = parent_process() is not None  # nobody else is in this process, so it may end
    made: list[Made] = []
    for row in batch.rows:
        try:
            work = partial(plan_row, row, batch.run, batch.files, batch.before.get(row.number))
            made.append(within(batch.seconds, work, ends_process=apart) or took_too_long(row, batch.seconds))
        except Exception as error:
            made.append(failed(row, f"Planning this row failed by a fault of calplan ({type(error).__name__})."))
    return Answer(tuple(made), perf_counter() - begin)


def end_with_parent() -> None:
    """Begins a process of ours: it ends when the one that started it does, even if that one was killed."""
    parent = parent_process()

    def wait() -> None:
        if parent is not None:
            parent.join()
            os._exit(1)

    Thread(target=wait, daemon=True).start()


def failed(
    row: Row,
    sentence: str = "Planning this row ended the process that did it, twice.",
    remedy: str = "Please report it, with the row.",
) -> Made:
    """What is said of a row that ended its worker again and again, or failed by a fault of ours."""
    return Made(with_problems(blank(row), [Problem(f"row {row.number}", sentence, remedy)]))


def took_too_long(row: Row, seconds: float) -> Made:
    """What is said of a row that was given up."""
    time = f"{seconds / 60:.0f} minutes" if seconds >= 120 else f"{seconds:g} seconds"
    sentence = f"Planning this row took more than {time}, and was given up."
    remedy = "Plan fewer exams in one row, or put small pieces together; if that does not help, please report it."
    return failed(row, sentence, remedy)


# ------------------------------------------------------------------------------------------------------ a run


def run_rows(
    rows: Iterable[Row],
    run: Run,
    files: Files,
    executor: Callable[[], Executor],
    *,
    workers: int,
    before: Callable[[Row], Before | None] = lambda row: None,
    seconds: float = SECONDS_OF_A_ROW,
) -> Iterator[Made]:
    """What becomes of each row, in their order.

    ``executor`` makes one, and another where the first breaks; ``workers`` says how many rows to keep it busy with.
    Rows are taken as they are needed, so the roster may be longer than memory. One that takes more than ``seconds`` is
    given up, and told.
    """
    with Line(executor, workers) as line:
        source = iter(rows)
        while True:
            while line.has_room and (taken := take(source, line.rows_a_batch)):
                line.add(batch_of(taken, run, files, before)._replace(seconds=seconds))
            if line.empty:
                return
            yield from line.next()


def take(source: Iterator[Row], most: int) -> tuple[Row, ...]:
    """The next rows, so many at most."""
    return tuple(row for _, row in zip(range(most), source, strict=False))


def batch_of(rows: Sequence[Row], run: Run, files: Files, before: Callable[[Row], Before | None]) -> Batch:
    """The rows with the files that they name and with their earlier plans."""
    names = names_of(rows, courses_of(run.courses))
    found = {name: data for name in sorted(names) if (data := files.get(name)) is not None}
    earlier = {row.number: known for row in rows if not row.problems and (known := before(row)) is not None}
    return Batch(run._replace(classes=classes_for(rows, run)), tuple(rows), found, earlier)


def classes_for(rows: Sequence[Row], run: Run) -> tuple[ClassDocument, ...]:
    """The class plans that concern some rows."""
    courses = {key for row in rows for key in parts(row.cells.get("course", ""))}
    return tuple(one for one in run.classes if one.course in courses)


class Line:
    """Batches on their way through an executor, in order."""

    def __init__(self, executor: Callable[[], Executor], workers: int) -> None:
        self.make, self.workers = executor, workers
        self.executor: Executor | None = None
        self.waiting: deque[tuple[Batch, Future[Answer]]] = deque()
        self.rows_a_batch = ROWS_AT_FIRST

    def __enter__(self) -> Line:
        self.executor = self.make()
        return self

    def __exit__(self, *error: object) -> None:
        if self.executor is not None:
            self.executor.shutdown(wait=True, cancel_futures=True)

    @property
    def empty(self) -> bool:
        """Whether nothing is on its way."""
        return not self.waiting

    @property
    def has_room(self) -> bool:
        """Whether more should be on its way."""
        return len(self.waiting) < BATCHES_A_WORKER * self.workers

    def add(self, batch: Batch) -> None:
        """Sends a batch on its way."""
        self.waiting.append((batch, self.submit(batch)))

    def submit(self, batch: Batch) -> Future[Answer]:
        if self.executor is None:
            self.executor = self.make()
        try:
            return self.executor.submit(plan_batch, batch)
        except BrokenExecutor:
            self.renew()
            return self.executor.submit(plan_batch, batch)

    def renew(self) -> None:
        """Another executor in the place of one that is broken."""
        if self.executor is not None:
            self.executor.shutdown(wait=False, cancel_futures=True)
        self.executor = self.make()

    def next(self) -> tuple[Made, ...]:
        """What became of the batch that was sent first."""
        batch, future = self.waiting.popleft()
        try:
            answer = future.result()
        except Exception as error:
            if not ended(error):
                raise
            return self.again(batch)
        self.learn(answer, len(batch.rows))
        return answer.made

    def learn(self, answer: Answer, rows: int) -> None:
        """Sets the rows of the next batches by how long this one took."""
        wanted = round(rows * SECONDS_OF_A_BATCH / max(answer.seconds, 0.001))
        self.rows_a_batch = max(1, min(MOST_ROWS, wanted, 2 * self.rows_a_batch))

    def again(self, batch: Batch) -> tuple[Made, ...]:
        """Tries a batch whose worker ended by itself, then row by row; those behind it are sent again after it."""
        self.renew()
        behind, self.waiting = [one for one, _ in self.waiting], deque()
        made: list[Made] = []
        answer = self.alone(batch)
        if answer is not None:
            made += answer.made
        else:
            for row in batch.rows:
                begin = perf_counter()
                single = self.alone(batch._replace(rows=(row,)))
                late = perf_counter() - begin > batch.seconds
                told = took_too_long(row, batch.seconds) if late else failed(row)
                made += single.made if single is not None else (told,)
        for one in behind:
            self.add(one)
        return tuple(made)

    def alone(self, batch: Batch) -> Answer | None:
        """What becomes of a batch with nothing beside it; ``None`` where its worker ends."""
        try:
            return self.submit(batch).result()
        except Exception as error:
            if not ended(error):
                raise
            self.renew()
            return None


def ended(error: Exception) -> bool:
    """Whether an error says that a worker ended, in the words of concurrent.futures or of dask.distributed."""
    lost = ("KilledWorker", "CommClosedError")
    return isinstance(error, BrokenExecutor | CancelledError) or type(error).__name__ in lost
