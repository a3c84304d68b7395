"""How much of the service one address, and all of them together, may take.

Addresses are counted in memory, for an hour at most and never more than :data:`MOST_ADDRESSES` of them; nothing about
them is written anywhere. Planning is held back as a whole: it is the one thing here that takes long, and calendars that
are being fetched must not wait for it.
"""

from __future__ import annotations

from collections import OrderedDict
from contextlib import contextmanager
from ipaddress import IPv6Address, ip_address
from math import ceil
from threading import Lock, Semaphore
from typing import TYPE_CHECKING

from flask import current_app, request
from werkzeug.exceptions import ServiceUnavailable, TooManyRequests

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from datetime import datetime

    from web.config import Settings

MOST_ADDRESSES = 20_000
"""Addresses that are remembered; the one that was quiet for longest is forgotten first."""
HOUR = 3_600.0
ROUNDING_SECONDS = 0.001
"""Fractions add up to a little less than a whole; who waited as long as was said is not sent away for that."""
PATIENCE_SECONDS = 5.0
"""How long a request waits for its turn to plan."""
BUSY_RETRY_SECONDS = 10


class Buckets:
    """So many turns an hour for each address, at once or one by one as they come back (a token bucket).

    A turn is what the setting counts: a plan, an unknown address, a byte.
    """

    def __init__(self, per_hour: int, clock: Callable[[], datetime]) -> None:
        self.per_hour = per_hour
        self.clock = clock
        self._held: OrderedDict[str, tuple[float, float]] = OrderedDict()
        self._lock = Lock()

    def take(self, address: str, turns: int = 1) -> int:
        """Takes turns, all at most, and gives 0; where too few are left, the whole seconds until there are enough."""
        key, now, turns = network(address), self.clock().timestamp(), min(turns, self.per_hour)
        with self._lock:
            left, then = self._held.pop(key, (float(self.per_hour), now))
            # A clock that was set back must not take turns away.
            left = min(self.per_hour, left + max(0.0, now - then) * self.per_hour / HOUR)
            missing = max(0.0, turns - left) * HOUR / self.per_hour
            wait = ceil(missing - ROUNDING_SECONDS)
            self._held[key] = (left if wait else max(0.0, left - turns), now)
            if len(self._held) > MOST_ADDRESSES:
                self._held.popitem(last=False)
        return wait

    def __len__(self) -> int:
        return len(self._held)


def network(address: str) -> str:
    """What is counted as one address: an IPv4 address, or an IPv6 network of 64 bits, which one household has whole."""
    if ":" not in address:
        return address
    try:
        whole = ip_address(address.partition("%")[0])
    except ValueError:
        return address
    if not isinstance(whole, IPv6Address):
        return address
    return str(whole.ipv4_mapped or IPv6Address(int(whole) >> 64 << 64))


class Turns:
    """Plannings that may run at once, and requests that may wait for one; whoever comes later is sent away at once.

    A waiting request holds one of the server's threads, so waiting is bounded too: of the threads at most half plan or
    wait for it, and the other half is there for calendars and pages.
    """

    def __init__(self, threads: int, patience_seconds: float = PATIENCE_SECONDS) -> None:
        self.at_once = max(1, threads // 4)
        self.patience_seconds = patience_seconds
        self._run = Semaphore(self.at_once)
        self._come = Semaphore(max(1, threads // 2))

    @contextmanager
    def one(self) -> Iterator[None]:
        """A turn to plan. Raises ServiceUnavailable where none can be had soon."""
        if not self._come.acquire(blocking=False):
            raise ServiceUnavailable(retry_after=BUSY_RETRY_SECONDS)
        try:
            if not self._run.acquire(timeout=self.patience_seconds):
                raise ServiceUnavailable(retry_after=BUSY_RETRY_SECONDS)
            try:
                yield
            finally:
                self._run.release()
        finally:
            self._come.release()


LIMITED = ("creations", "previews", "misses", "kept_bytes")
"""The settings that say how much one address may take in an hour."""


class Limits:
    """The limits of one application, by the name of the setting that says how much."""

    def __init__(self, settings: Settings, clock: Callable[[], datetime]) -> None:
        self.buckets = {name: Buckets(getattr(settings, name), clock) for name in LIMITED}
        self.turns = Turns(settings.threads)


def limited(name: str, turns: int = 1) -> None:
    """Takes some of the turns that the asking address has in an hour; ``name`` is the setting's.

    Raises TooManyRequests, with the seconds after which there is one again.
    """
    wait = seconds_to(name, turns)
    if wait:
        raise TooManyRequests(retry_after=wait)


def seconds_to(name: str, turns: int = 1) -> int:
    """The same, giving those seconds, or 0 where the turns were there and are taken."""
    return limits().buckets[name].take(request.remote_addr or "", turns)


@contextmanager
def planning() -> Iterator[None]:
    """Around work that plans. Not to be nested: a request that holds a turn and waits for another may wait in vain."""
    with limits().turns.one():
        yield


def limits() -> Limits:
    """The limits of the application that serves this request."""
    held: Limits = current_app.extensions["calplan.limits"]
    return held
