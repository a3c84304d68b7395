"""What all tests share: missing system extras, hypothesis profiles, and the service with a clock in the test's hand."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

import pytest
from hypothesis import HealthCheck, settings

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from flask import Flask
    from flask.testing import FlaskClient
    from playwright.sync_api import Browser

    from tests.served import Clock

settings.register_profile("calplan", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.register_profile("brief", settings.get_profile("calplan"), max_examples=20)
settings.load_profile("calplan")


def extra(name: str, available: bool, why: str) -> None:
    """Skips the test where the system extra ``name`` is absent, or fails it where CALPLAN_TEST_REQUIRE names it."""
    if available:
        return
    if name in os.environ.get("CALPLAN_TEST_REQUIRE", "").replace(",", " ").split():
        pytest.fail(f"{name} is required (CALPLAN_TEST_REQUIRE) but absent: {why}", pytrace=False)
    pytest.skip(f"{name} is absent: {why}")


@pytest.fixture
def clock() -> Clock:
    """A clock that stands until the test moves it."""
    from tests import served  # only tests of the service need it

    return served.Clock()


@pytest.fixture
def app(tmp_path: Path, clock: Clock) -> Iterator[Flask]:
    """The service with a folder of its own."""
    from tests import served

    made = served.application(tmp_path, clock)
    yield made
    served.service_of(made).engine.dispose()


@pytest.fixture
def client(app: Flask) -> FlaskClient:
    """A client of the service."""
    return app.test_client()


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """Chromium, once for all tests of a process: playwright cannot be started in a thread that it runs in already."""
    from tests.browser import chromium_present, launched

    extra("chromium", chromium_present(), "there is no program of that name")
    with launched() as one:
        yield one
