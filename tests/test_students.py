"""Mending is worth something: of the musts as many are seen twice as without it, and more where days were lost."""

from __future__ import annotations

from tests.students import table


def test_mending_is_never_worse_and_better_where_days_are_lost() -> None:
    rows = {student: (mended, published) for _, student, mended, published in table(("chemistry-30.toml",))}
    assert all(mended >= published for mended, published in rows.values()), rows
    for student in ("loses every fifth day", "stops for a week"):
        assert rows[student][0] > rows[student][1], rows
    assert rows["keeps to the plan"] == (1.0, 1.0)
