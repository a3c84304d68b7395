"""Work that takes too long is given up, in any thread; whoever waits for it goes on as if it had never been there."""

from __future__ import annotations

import multiprocessing
import signal
import threading
from concurrent.futures import ThreadPoolExecutor

import pytest

from calplan.timed import within

LONG = 3_600.0


def endless() -> None:
    """Python that does not end, and takes every error for its own."""
    while True:
        try:
            while True:
                pass
        except Exception:
            continue


class Tidying:
    """Something that is tidied up without end: an exception in there is shown by Python, and goes no further."""

    def __del__(self) -> None:
        while True:
            pass


def tidying() -> None:
    """Tidies up, and then does not end either."""
    Tidying()
    endless()


def outside_python() -> None:
    """Computes for hours in one step of the interpreter, in which no exception can be raised (CPython's ``sum``)."""
    sum(range(10**14))


def in_other_thread(seconds: float, work: object) -> object:
    with ThreadPoolExecutor(1) as executor:
        return executor.submit(within, seconds, work).result()  # type: ignore[arg-type]


@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
@pytest.mark.parametrize("place", [within, in_other_thread])
@pytest.mark.parametrize("work", [endless, tidying])
def test_what_does_not_end_is_given_up(place, work):
    assert place(0.2, work) is None
    assert place(LONG, lambda: 17) == 17


@pytest.mark.parametrize("place", [within, in_other_thread])
def test_what_ends_in_time_gives_what_it_gives(place):
    assert place(LONG, lambda: "found") == "found"
    with pytest.raises(ZeroDivisionError):
        place(LONG, lambda: 1 // 0)


def test_an_alarm_that_was_set_by_others_is_theirs_again():
    before, rung = signal.getsignal(signal.SIGALRM), []
    mine = lambda *_: rung.append(1)  # noqa: E731 - a name for one handler
    signal.signal(signal.SIGALRM, mine)
    try:
        assert within(0.1, endless) is None
        assert signal.getsignal(signal.SIGALRM) is mine
        assert signal.getitimer(signal.ITIMER_REAL) == (0.0, 0.0)
        signal.raise_signal(signal.SIGALRM)
        assert rung == [1]
    finally:
        signal.signal(signal.SIGALRM, before)


@pytest.mark.parametrize("seconds", [0.0001, 0.0005, 0.001, 0.003])
@pytest.mark.parametrize("place", [within, in_other_thread])
def test_work_that_ends_just_then_leaves_nothing_behind(place, seconds):
    """Some hundred pieces of work about as long as their time: each is done or given up, and nothing comes later."""
    found = [place(seconds, lambda: sum(range(3000)) or 1) for _ in range(150)]
    assert set(found) <= {None, sum(range(3000))}
    assert sum(range(1_000_000)) == 499_999_500_000


def test_threads_that_watch_end_with_the_work():
    before = threading.active_count()
    for _ in range(20):
        in_other_thread(LONG, lambda: 1)
    for one in threading.enumerate():
        if one.daemon and one is not threading.current_thread() and "watch" in one.name:
            one.join()
    assert threading.active_count() <= before


def ends(work: object) -> None:
    within(0.3, work, ends_process=True)  # type: ignore[arg-type]


@pytest.mark.parametrize(("work", "code"), [(endless, 0), (outside_python, 1)])
def test_what_hangs_outside_python_ends_its_process(work, code):
    process = multiprocessing.get_context("spawn").Process(target=ends, args=(work,))
    process.start()
    process.join()
    assert process.exitcode == code
