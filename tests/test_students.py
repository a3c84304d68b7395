"""Mending is worth something: of the musts as many are seen twice as without it, and more where days were lost."""

from __future__ import annotations

from tests.students import table


def test_mending_is_never_worse_and_better_where_days_are_lost() -> None:
    rows = {row.student: row for row in table(("chemistry-30.toml",), runs=2, levels=(1,))}
    assert all(row.mended.twice >= row.published.twice for row in rows.values()), rows
    assert all(row.mended.refused == 0 for row in rows.values()), rows
    for student in ("loses every fifth day", "stops for a week"):
        assert rows[student].mended.twice > rows[student].published.twice, rows
    assert rows["keeps to the plan"].mended.twice == 1.0
