"""A few random months with every test run; many by ``python -m tests.months 200``."""

from __future__ import annotations

from tests.months import drive


def test_every_step_of_a_few_months_is_sound() -> None:
    drive(8, 15, same=True)
