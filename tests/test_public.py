"""The public names: all there, sorted, and nothing loaded before it is used."""

from __future__ import annotations

import ast
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

import pytest
from freezegun import freeze_time

import calplan
from calplan import console


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


# ---------------------------------------------------------------------------------- neither clock nor chance

CHANCE = {"now", "today", "utcnow", "time", "time_ns", "uuid1", "uuid4", "random", "randint", "choice", "urandom"}
SOURCES = sorted(Path(calplan.__file__).parent.glob("*.py"))


def calls(path: Path) -> set[str]:
    """The attributes that a module calls as ``something.name()`` with nothing (or a zone) inside."""
    return {
        node.func.attr
        for node in ast.walk(ast.parse(path.read_text("utf-8")))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and len(node.args) < 2
    }


@pytest.mark.parametrize("path", [path for path in SOURCES if path.name != "console.py"], ids=lambda path: path.name)
def test_no_module_asks_for_the_time_or_for_chance(path: Path) -> None:
    """The moment and the seed are arguments; ``.time()`` is allowed where it takes a clock time from a date-time."""
    assert calls(path) & CHANCE <= {"time"}
    assert "import random" not in path.read_text("utf-8")


def test_the_command_line_takes_the_present_moment_only_by_default() -> None:
    given = datetime(2027, 1, 5, 8, tzinfo=UTC)
    with freeze_time("2027-01-10 18:00:00"):
        assert console.moment_in(None, "America/Chicago").isoformat() == "2027-01-10T18:00:00+00:00"
        assert console.moment_in(given, "America/Chicago") == given
