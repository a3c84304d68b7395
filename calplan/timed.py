"""A piece of work that is given up when it takes too long, whatever thread it runs in.

It is stopped in two steps. First an exception is raised inside the work, so that its process lives on: by an alarm of
the system in a main thread, else by a second thread. What does not come back even then, because it hangs in code that
is no Python, has its process ended, which whoever waits for the process has to be ready for.
"""

from __future__ import annotations

import ctypes
import faulthandler
import os
import signal
import threading
from typing import TYPE_CHECKING, TypeVar

if TYPE_CHECKING:
    from collections.abc import Callable

T = TypeVar("T")

AGAIN_SECONDS = 1.0
"""How often the exception is raised anew, as one that is raised while Python tidies up goes nowhere."""
GRACE = 1.5
"""After so many times the seconds that were given, the process is ended."""


class TooLong(BaseException):
    """Raised inside work that takes too long. No :class:`Exception`, so that nothing on its way up takes it for one."""


def within(seconds: float, work: Callable[[], T], *, ends_process: bool = False) -> T | None:
    """What some work gives, or ``None`` where it was given up after so many ``seconds`` of the wall clock.

    ``ends_process`` allows the second step: for a process that does nothing else.
    """
    alarmed = threading.current_thread() is threading.main_thread() and hasattr(signal, "setitimer")
    limited = _by_alarm if alarmed else _by_another_thread
    try:
        if not ends_process:
            return limited(seconds, work)
        with open(os.devnull, "w") as nowhere:  # a thread that needs nothing of Python writes there, and ends us
            faulthandler.dump_traceback_later(seconds * GRACE, exit=True, file=nowhere)
            try:
                return limited(seconds, work)
            finally:
                faulthandler.cancel_dump_traceback_later()
    except TooLong:
        return None


def _by_alarm(seconds: float, work: Callable[[], T]) -> T:
    """Does some work, and raises TooLong in it by SIGALRM. Whose handler that was before gets it back afterwards."""
    armed = True

    def ring(*_: object) -> None:
        if armed:
            raise TooLong

    before = signal.signal(signal.SIGALRM, ring)
    try:
        signal.setitimer(signal.ITIMER_REAL, seconds, AGAIN_SECONDS)
        return work()
    finally:
        armed = False  # from here on an alarm that is on its way does nothing
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, before if before is not None else signal.SIG_DFL)


def _by_another_thread(seconds: float, work: Callable[[], T]) -> T:
    """Does some work, and raises TooLong in it from a second thread, between two steps of Python."""
    me, lock, over = ctypes.c_ulong(threading.get_ident()), threading.Lock(), threading.Event()

    def watch() -> None:
        wait = seconds
        while not over.wait(wait):
            with lock:
                if not over.is_set():
                    ctypes.pythonapi.PyThreadState_SetAsyncExc(me, ctypes.py_object(TooLong))
            wait = AGAIN_SECONDS

    try:
        threading.Thread(target=watch, daemon=True).start()
        return work()
    finally:
        try:
            with lock:
                over.set()
        finally:
            over.set()
            ctypes.pythonapi.PyThreadState_SetAsyncExc(me, None)  # takes back one that has not been raised yet
