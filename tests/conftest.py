"""What all tests share: how a missing system extra is treated, and hypothesis profiles."""

from __future__ import annotations

import os

import pytest
from hypothesis import HealthCheck, settings

settings.register_profile("calplan", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("calplan")


def extra(name: str, available: bool, why: str) -> None:
    """Skips the test where the system extra ``name`` is absent, or fails it where CALPLAN_TEST_REQUIRE names it."""
    if available:
        return
    if name in os.environ.get("CALPLAN_TEST_REQUIRE", "").replace(",", " ").split():
        pytest.fail(f"{name} is required (CALPLAN_TEST_REQUIRE) but absent: {why}", pytrace=False)
    pytest.skip(f"{name} is absent: {why}")
