"""Writes plain values as TOML (1.0), for what a form has no field for.

Only what the reader of requests takes comes back: a line has few dots (long ones are written as escapes), and what TOML
has no word for (nothing, half a character) is left out or replaced.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import date, datetime, time
from typing import Any


def write_toml(table: Mapping[Any, Any]) -> str:
    """The table as a document of TOML; empty for an empty one."""
    return "\n".join(_table(table, ())).strip() + "\n" if table else ""


def _table(table: Mapping[Any, Any], way: tuple[str, ...]) -> list[str]:
    """The lines of a table: its values first, since they would belong to the tables that follow."""
    made: list[str] = []
    later: list[str] = []
    for key, value in table.items():
        name = (*way, _key(key))
        if isinstance(value, Mapping):
            later += ["", f"[{'.'.join(name)}]", *_table(value, name)]
        elif isinstance(value, list | tuple) and value and all(isinstance(one, Mapping) for one in value):
            for one in value:
                later += ["", f"[[{'.'.join(name)}]]", *_table(one, name)]
        elif value is not None:
            made.append(f"{_key(key)} = {_value(value)}")
    return made + later


def _key(key: object) -> str:
    text = str(key)
    return text if re.fullmatch(r"[A-Za-z0-9_-]+", text) else _text(text)


def _value(value: object) -> str:
    match value:
        case bool():
            return "true" if value else "false"
        case datetime() | date() | time():
            return _text(value.isoformat())
        case int() | float():
            return str(value)
        case Mapping():
            return (
                "{" + ", ".join(f"{_key(key)} = {_value(one)}" for key, one in value.items() if one is not None) + "}"
            )
        case list() | tuple():
            inner = [f"  {_value(one)},\n" for one in value if one is not None]
            return "[\n" + "".join(inner) + "]" if inner else "[]"
    return _text(str(value))


def _text(text: str) -> str:
    """A basic string; a dot is written as an escape where there are many."""
    dots = text.count(".") > 8
    return '"' + "".join(_character(char, dots) for char in text) + '"'


def _character(char: str, dots: bool) -> str:
    if char in '"\\':
        return f"\\{char}"
    if 0xD800 <= ord(char) <= 0xDFFF:
        return "\ufffd"
    if (not char.isprintable() and char != " ") or (dots and char == "."):
        return f"\\U{ord(char):08X}"
    return char
