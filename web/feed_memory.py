"""What the feed keeps in memory: the last good bytes of feeds, and when feeds were last fetched."""

from __future__ import annotations

from collections import OrderedDict
from datetime import datetime, timedelta
from threading import Lock
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Mapping

MOST_BYTES = 64_000_000
"""Bytes of feeds that are kept."""
PER_FEED = 1_000
"""What a kept feed takes besides its bytes, about."""
WRITTEN_EVERY = timedelta(minutes=1)
"""How often the times of the last fetches are written down; so much of them may be lost."""


class Whole(NamedTuple):
    """A feed as it is sent, with what says whether it is still the present one."""

    etag: str
    modified: datetime
    generation: int
    body: bytes


class Bodies:
    """The last good bytes of each plan's feed; the one that was not asked for the longest goes first."""

    def __init__(self, most_bytes: int = MOST_BYTES) -> None:
        self.most_bytes = most_bytes
        self.size = 0
        self._held: OrderedDict[str, Whole] = OrderedDict()
        self._lock = Lock()

    def get(self, plan_id: str) -> Whole | None:
        """A plan's last good bytes."""
        with self._lock:
            whole = self._held.get(plan_id)
            if whole is not None:
                self._held.move_to_end(plan_id)
            return whole

    def put(self, plan_id: str, whole: Whole) -> None:
        """Keeps a plan's bytes, and as many others as there is room for."""
        with self._lock:
            self._drop(plan_id)
            self._held[plan_id] = whole
            self.size += PER_FEED + len(whole.body)
            while self.size > self.most_bytes:
                self._drop(next(iter(self._held)))

    def forget(self, plan_id: str) -> None:
        """Keeps nothing of a plan any longer."""
        with self._lock:
            self._drop(plan_id)

    def _drop(self, plan_id: str) -> None:
        old = self._held.pop(plan_id, None)
        if old is not None:
            self.size -= PER_FEED + len(old.body)


class Fetches:
    """When feeds were last fetched, until it is written down in one batch."""

    def __init__(self, now: datetime) -> None:
        self._noted: dict[str, datetime] = {}
        self._written = now
        self._lock = Lock()

    def note(self, plan_id: str, now: datetime) -> None:
        """That a feed is fetched now."""
        with self._lock:
            self._noted[plan_id] = now

    def last(self, plan_id: str) -> datetime | None:
        """When a feed was last fetched, where that is not written down yet."""
        return self._noted.get(plan_id)

    def due(self, now: datetime) -> bool:
        """Whether it is time to write: a minute has gone by, or the clock was set back."""
        return bool(self._noted) and not self._written <= now < self._written + WRITTEN_EVERY

    def take(self, now: datetime) -> dict[str, datetime]:
        """All that was noted, which whoever asks has to write now; of two at once, one gets it all."""
        with self._lock:
            noted, self._noted, self._written = self._noted, {}, now
            return noted

    def put_back(self, batch: Mapping[str, datetime]) -> None:
        """What could not be written; newer notes stay."""
        with self._lock:
            self._noted = {**batch, **self._noted}
