"""A few random months with every test run; many by ``python -m tests.months 200``."""

from __future__ import annotations

from tests.months import lived


def test_every_step_of_a_few_months_is_sound() -> None:
    lived(10, 15, derandomize=True)
