"""What every view works with: the settings, the keys, the database, the clock and the source of chance.

The clock and chance come in from outside, so that a test, or a demonstration, can hold both in its hand.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import datetime

    from sqlalchemy import Engine

    from web.config import Settings
    from web.powers import Keys


class Service(NamedTuple):
    """The service's parts. ``clock`` gives the present instant in UTC, ``entropy`` so many bytes of chance."""

    settings: Settings
    keys: Keys
    engine: Engine
    clock: Callable[[], datetime]
    entropy: Callable[[int], bytes]
