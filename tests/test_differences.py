"""What mending changes: every block of either plan is told once or stays; minutes add up; equal plans do not differ."""

from __future__ import annotations

import re
from collections import Counter
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest
from msgspec.structs import replace

from calplan.differences import What, difference, lines, summary
from calplan.model import Block, DayOff
from calplan.planner import make_plan
from calplan.replan import mend
from calplan.request import read

FIXTURES = Path(__file__).parents[1] / "fixtures"
MADE = datetime(2027, 1, 5, 12, 0, tzinfo=UTC)
CHEMISTRY = read((FIXTURES / "chemistry-30.toml").read_bytes(), name="chemistry-30.toml")
OLD = make_plan(CHEMISTRY, {}, as_of=MADE)
NOW = MADE + timedelta(days=5, hours=12)


def minutes(blocks: tuple[Block, ...]) -> Counter[date]:
    counts: Counter[date] = Counter()
    for block in blocks:
        counts[block.day] += block.minutes
    return counts


def test_equal_plans_differ_in_nothing() -> None:
    found = difference(OLD, CHEMISTRY, OLD, CHEMISTRY)
    assert (found.changes, found.minutes, found.lost, found.regained) == ((), (), 0, 0)
    assert summary(found) == "Nothing changes."


@pytest.mark.parametrize("days", [1, 3, 6])
@pytest.mark.parametrize("limit", [60, 40])
def test_every_block_is_told_once_or_stays_and_minutes_add_up(days: int, limit: int) -> None:
    off = DayOff(first=date(2027, 1, 12), last=date(2027, 1, 11 + days))
    asked = replace(CHEMISTRY, days_off=(off,), effort=replace(CHEMISTRY.effort, limit=limit))
    new = mend(OLD, CHEMISTRY, asked, {}, as_of=NOW)
    found = difference(OLD, CHEMISTRY, new, asked)
    over = {block.uid for block in new.past}
    before = {block.uid: block for block in OLD.blocks if block.uid not in over}
    after = {block.uid: block for block in new.blocks}
    told = [(change.before or change.after).uid for change in found.changes if change.before or change.after]
    assert len(told) == len(set(told))
    stays = {
        uid
        for uid in before.keys() & after.keys()
        if (before[uid].start, before[uid].minutes, before[uid].parts)
        == (after[uid].start, after[uid].minutes, after[uid].parts)
    }
    assert set(told) == (before.keys() | after.keys()) - stays
    counts = minutes(tuple(before.values())), minutes(new.blocks)
    assert {day: (was, will) for day, was, will in found.minutes} == {
        day: (counts[0][day], counts[1][day]) for day in {*counts[0], *counts[1]} if counts[0][day] != counts[1][day]
    }
    said = list(lines(found, lambda moment: f"{moment:%H:%M}"))
    assert len(said) == len(found.changes)
    assert sum("→" in line and ": " in line for line in said) >= found.count(What.MOVED)
    assert f"{found.count(What.MOVED)} block" in summary(found) or not found.count(What.MOVED)
    assert not found.changes or re.match(r"1 block \w+ |1 block (goes|moves)|\d+ blocks ", summary(found))
