"""The public names: all there, sorted, and nothing loaded before it is used."""

from __future__ import annotations

import subprocess
import sys

import pytest

import calplan


def test_every_public_name_is_there_and_sorted() -> None:
    assert calplan.__all__ == sorted(calplan.__all__)
    for name in calplan.__all__:
        assert getattr(calplan, name).__name__ == name


def test_an_unknown_name_is_an_attribute_error() -> None:
    with pytest.raises(AttributeError, match="nonsense"):
        _ = calplan.nonsense


def test_importing_the_package_loads_nothing_heavy() -> None:
    code = "import sys, calplan; print({'msgspec', 'icalendar', 'holidays', 'click'} & set(sys.modules))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "set()"
