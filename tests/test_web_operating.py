"""What web/OPERATING.md promises to operators is so."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from pathlib import Path

import msgspec
import pytest

from web.__main__ import CONNECTIONS, STALLED_SECONDS, main
from web.config import Settings, from_environment

ROOT = Path(__file__).parent.parent
TEXT = (ROOT / "web" / "OPERATING.md").read_text(encoding="utf-8")
ROWS = {
    name: (usual, what) for name, usual, what in re.findall(r"^\| `(CALPLAN_\w+)` \| (.*?) \| (.*) \|$", TEXT, re.M)
}
FIELDS = {f"CALPLAN_{field.name.upper()}": field for field in msgspec.structs.fields(Settings)}


def test_each_setting_stands_in_the_table_and_nothing_else() -> None:
    """In the order of web/config.py."""
    assert list(ROWS) == list(FIELDS)


@pytest.mark.parametrize("name", [name for name, field in FIELDS.items() if field.default not in ("", None, ())])
def test_defaults_are_those_of_the_table(name: str) -> None:
    """A default that is a value stands in the table as one would write it."""
    assert ROWS[name][0] == f"`{FIELDS[name].default}`"


@pytest.mark.parametrize(
    "name", [name for name, (usual, _) in ROWS.items() if usual.startswith("`") and "KEY" not in name]
)
def test_a_default_can_be_written_as_the_table_has_it(name: str) -> None:
    """Setting a variable to what the table says changes nothing."""
    assert from_environment({name: ROWS[name][0].strip("`")}) == Settings()


def test_examples_of_settings_can_be_read() -> None:
    """Every assignment in the text is one that the service takes."""
    examples = re.findall(r"(CALPLAN_\w+)=(\S+?)(?=[`\s])", TEXT)
    assert len(examples) >= 4
    for name, value in examples:
        from_environment({name: value})


def test_commands_exist() -> None:
    """Every `python -m web …` of the text is a command, and each command is explained."""
    named = set(re.findall(r"python -m web ([a-z]+)", TEXT))
    assert named == set(main.commands)  # type: ignore[attr-defined]


def test_named_tests_exist() -> None:
    """Whatever the table of the standard names as its proof is there."""
    named = set(re.findall(r"`((?:tests/|pyproject)[\w./]+)`", TEXT))
    assert len(named) >= 8
    assert [name for name in sorted(named) if not (ROOT / name).is_file()] == []


def test_figures_of_the_text_are_those_of_the_code() -> None:
    """Limits are told as they are."""
    assert f"connections ({CONNECTIONS:,}), {STALLED_SECONDS} seconds" in TEXT
    stamp = re.findall(r"calplan-(\d{8}T\d{6}Z)", TEXT)
    assert [datetime.strptime(one, "%Y%m%dT%H%M%SZ").replace(tzinfo=UTC) for one in stamp]
