"""Blocks at clock times: hand-worked days, every condition on random ones, and a brute force for tiny ones."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from functools import cache
from itertools import pairwise
from typing import Any
from uuid import UUID
from zoneinfo import ZoneInfo

import pytest
from hypothesis import event, given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from calplan.days import bounds, capacity, paper_span, resolve, set_aside
from calplan.errors import BrokenPlan
from calplan.model import (
    Appointment,
    Block,
    BusySpan,
    Day,
    Effort,
    Exam,
    Kind,
    Part,
    Rank,
    Request,
    Role,
    StudyHours,
    Task,
    Weekday,
)
from calplan.placement import place
from calplan.spans import Span

AS_OF = datetime(2026, 5, 1, 8, tzinfo=UTC)
MONDAY = date(2026, 5, 4)


def ask(effort: Effort, *, zone: str = "UTC", **more: Any) -> Request:
    exam = Exam(key="chem", subject="Chemistry", start=datetime(2026, 5, 20, 17), minutes=90)
    week = (StudyHours(days=tuple(Weekday), start=time(8), end=time(20)),)
    return Request(zone=zone, exams=(exam,), week=week, effort=effort, **more)


def task(name: str, role: Role = Role.COVER) -> Task:
    day = date(2026, 5, 4)
    return Task(
        id=name, exam="chem", role=role, kind=Kind.QUIZ, number=0, round=0,
        ranks=(Rank.EXTRA,) * 300, kept=300, ideal=day, first=day, last=day,
    )  # fmt: skip


TASKS = {name: task(name) for name in "abcdefghijkl"} | {"paper": task("paper", Role.PAPER)}


def at(clock: str, day: date = MONDAY, zone: str = "UTC") -> datetime:
    return datetime.combine(day, time.fromisoformat(clock), ZoneInfo(zone)).astimezone(UTC)


def day_of(gaps: list[str], *units: int, day: date = MONDAY, zone: str = "UTC") -> Day:
    """A day with gaps such as "16:00-18:00" and one task for each number of units."""
    spans = tuple(Span(at(gap[:5], day, zone), at(gap[6:], day, zone)) for gap in gaps)
    parts = tuple(Part(task=name, first=0, units=count) for name, count in zip("abcdefghijkl", units, strict=False))
    return Day(day=day, gaps=spans, free=99, room=99, parts=parts)


def said(blocks: tuple[Block, ...]) -> list[str]:
    """Blocks as "16:00+35 a7 b0": start, minutes, parts with their first units where they are not the first."""
    return [
        " ".join(
            [
                f"{block.start:%H:%M}+{block.minutes}",
                *(f"{part.task}{part.units}" + (f"@{part.first}" if part.first else "") for part in block.parts),
            ]
        )
        for block in blocks
    ]


def placed(*days: Day, effort: Effort | None = None, zone: str = "UTC", **more: Any) -> list[str]:
    return said(place(ask(effort or Effort(), zone=zone), days, TASKS, seed="s", as_of=AS_OF, **more))


# --------------------------------------------------------------------------------------- how work is divided


def test_work_that_fits_into_one_block_is_one_block() -> None:
    assert placed(day_of(["16:00-20:00"], 4, 5)) == ["16:00+45 a4 b5"]


def test_more_than_the_longest_block_is_divided_where_a_task_ends() -> None:
    assert placed(day_of(["16:00-20:00"], 7, 5)) == ["16:00+35 a7", "16:45+25 b5"]
    assert placed(day_of(["16:00-20:00"], 3, 4, 5)) == ["16:00+35 a3 b4", "16:45+25 c5"]


def test_of_two_divisions_at_task_ends_the_more_even_one_is_taken() -> None:
    assert placed(day_of(["16:00-20:00"], 3, 2, 2, 4)) == ["16:00+25 a3 b2", "16:35+30 c2 d4"]


def test_where_no_task_ends_well_a_task_goes_over_two_blocks_evenly() -> None:
    assert placed(day_of(["16:00-20:00"], 2, 10)) == ["16:00+30 a2 b4", "16:40+30 b6@4"]  # 10 units would be too long
    assert placed(day_of(["16:00-20:00"], 11)) == ["16:00+30 a6", "16:40+25 a5@6"]
    assert placed(day_of(["16:00-20:00"], 2, 9)) == ["16:00+30 a2 b4", "16:40+25 b5@4"]  # 2 units would be too short


def test_a_part_keeps_its_own_first_unit() -> None:
    day = replace(day_of(["16:00-20:00"]), parts=(Part(task="a", first=7, units=12),))
    assert placed(day) == ["16:00+30 a6@7", "16:40+30 a6@13"]


def test_little_work_is_padded_to_the_shortest_block_or_to_the_limit_where_that_is_lower() -> None:
    assert placed(day_of(["16:00-20:00"], 1)) == ["16:00+15 a1"]
    assert placed(day_of(["16:00-20:00"], 1), effort=Effort(limit=10)) == ["16:00+10 a1"]
    assert placed(day_of(["16:00-20:00"], 1), effort=Effort(shortest=17)) == ["16:00+17 a1"]


def test_a_division_at_task_ends_that_the_gaps_cannot_hold_gives_way() -> None:
    assert placed(day_of(["16:00-16:20", "17:00-17:45"], 7, 6)) == ["16:00+20 a4", "17:00+45 a3@4 b6"]


def test_a_day_without_work_has_no_block_and_empty_parts_count_as_none() -> None:
    assert placed(day_of(["16:00-20:00"])) == []
    assert placed(day_of(["16:00-20:00"], 0, 3)) == ["16:00+15 b3"]


# --------------------------------------------------------------------------------------------- which hours


def test_blocks_start_at_the_habitual_hour_or_as_near_to_it_as_can_be() -> None:
    habit = Effort(habit=time(18))
    assert placed(day_of(["16:00-20:00"], 6), effort=habit) == ["18:00+30 a6"]
    assert placed(day_of(["16:00-18:10", "19:00-20:00"], 6), effort=habit) == ["17:40+30 a6"]
    assert placed(day_of(["16:00-17:30", "18:30-20:00"], 6), effort=habit) == ["18:30+30 a6"]
    assert placed(day_of(["16:00-18:00", "18:30-20:00"], 6), effort=habit) == ["17:30+30 a6"]  # equally near: earlier
    assert placed(day_of(["16:00-20:00"], 6), effort=Effort(habit=time(18, 2))) == ["18:00+30 a6"]
    assert placed(day_of(["16:00-20:00"], 6), effort=Effort(habit=time(18, 3))) == ["18:05+30 a6"]


def test_fewer_blocks_matter_more_than_the_hour() -> None:
    effort = Effort(habit=time(18))
    assert placed(day_of(["16:00-16:45", "18:00-18:30", "18:50-19:20"], 9), effort=effort) == ["16:00+45 a9"]


def test_the_first_block_leaves_room_for_those_after_it() -> None:
    effort = Effort(habit=time(19))
    assert placed(day_of(["16:00-20:00"], 6, 6), effort=effort) == ["18:50+30 a6", "19:30+30 b6"]


def test_without_a_habit_the_start_that_is_free_on_most_days_is_the_habit() -> None:
    days = [
        day_of(["16:00-17:00", "18:00-20:00"], 6),
        day_of(["18:00-20:00"], 6, day=date(2026, 5, 5)),
        day_of(["17:00-18:00"], 6, day=date(2026, 5, 6)),
        day_of(["08:00-20:00"], day=date(2026, 5, 7)),  # carries no work
        day_of(["15:00-19:00"], 6, day=date(2026, 5, 8)),
    ]
    assert [one[:5] for one in placed(*days)] == ["18:00", "18:00", "17:00", "18:00"], "no 18:00 on that Wednesday"


def test_the_published_start_of_a_day_comes_before_the_habit() -> None:
    """Of the published day's blocks the first one counts; appointments and timed papers have hours of their own."""
    request = ask(Effort(habit=time(16)))
    day = day_of(["16:00-20:00"], 6)

    def published(clock: str, *parts: Part) -> Block:
        start = datetime.combine(MONDAY, time.fromisoformat(clock))
        return Block(uid=clock, day=MONDAY, start=start, minutes=30, revised=AS_OF, parts=parts)

    before = (
        published("16:30"),
        published("17:00", Part(task="paper", first=0, units=6)),
        published("18:20", Part(task="a", first=0, units=6)),
        published("19:10", Part(task="gone", first=0, units=6)),
    )
    blocks = place(request, (day,), TASKS, seed="s", as_of=AS_OF, published=before)
    assert said(blocks) == ["18:20+30 a6"]


def test_starts_are_multiples_of_five_minutes_where_the_gap_allows_it() -> None:
    assert placed(day_of(["16:07-20:00"], 6)) == ["16:10+30 a6"]
    assert placed(day_of(["16:07-16:37"], 6)) == ["16:07+30 a6"]
    assert placed(day_of(["16:07-16:39"], 6)) == ["16:07+30 a6"]
    effort = Effort(rest=8)
    assert placed(day_of(["16:00-20:00"], 6, 6), effort=effort) == ["16:00+30 a6", "16:40+30 b6"]
    assert placed(day_of(["16:00-17:08"], 6, 6), effort=effort) == ["16:00+30 a6", "16:38+30 b6"]


def test_further_blocks_follow_as_early_as_the_break_allows() -> None:
    assert placed(day_of(["16:00-16:50", "16:55-20:00"], 9, 9, 9)) == ["16:00+45 a9", "16:55+45 b9", "17:50+45 c9"]


def test_a_division_at_task_ends_whose_first_block_does_not_fit_at_the_chosen_hour_gives_way() -> None:
    """Eight units would end at 11:05; the hour comes first, so the first block holds what fits before 11."""
    effort = Effort(limit=5, shortest=5, longest=40, rest=0, habit=time(10, 23))
    assert placed(day_of(["00:00-11:00", "18:00-23:00"], 1, 7, 2), effort=effort) == [
        "10:25+25 a1 b4",
        "18:00+25 b3@4 c2",
    ]


# ------------------------------------------------------------------------------------------- clock changes

# Transitions: tz database.


def test_a_habit_stays_at_its_wall_clock_time_when_the_clock_changes() -> None:
    zone = "America/New_York"
    days = [day_of(["16:00-20:00"], 6, day=date(2026, 3, day), zone=zone) for day in (7, 8, 9)]
    assert placed(*days, effort=Effort(habit=time(18)), zone=zone) == ["18:00+30 a6"] * 3


def test_a_start_that_does_not_exist_moves_to_the_next_that_does() -> None:
    zone = "America/New_York"
    [block] = place(
        ask(Effort(habit=time(2, 30)), zone=zone),
        (day_of(["00:00-06:00"], 6, day=date(2026, 3, 8), zone=zone),),
        TASKS, seed="s", as_of=AS_OF,
    )  # fmt: skip
    assert (block.start, block.fold) == (datetime(2026, 3, 8, 3), 0)


def test_a_start_that_comes_twice_means_the_first() -> None:
    zone, night = "America/New_York", date(2026, 11, 1)
    [block] = place(
        ask(Effort(habit=time(1, 30)), zone=zone),
        (day_of(["00:00-06:00"], 6, day=night, zone=zone),),
        TASKS, seed="s", as_of=AS_OF,
    )  # fmt: skip
    assert (block.start, block.fold) == (datetime(2026, 11, 1, 1, 30), 0)


def again(start: str, end: str, *units: int) -> list[tuple[str, int]]:
    """Starts and folds for a gap in UTC on 1 November 2026; in New York 06:00 to 07:00 UTC is the repeated hour."""
    night = date(2026, 11, 1)
    day = replace(day_of([f"{start}-{end}"], *units, day=night), day=night)
    request = ask(Effort(habit=time(1, 30)), zone="America/New_York")
    return [(f"{one.start:%H:%M}", one.fold) for one in place(request, (day,), TASKS, seed="s", as_of=AS_OF)]


def test_the_repeated_hour_is_used_only_where_nothing_else_will_do() -> None:
    assert again("06:10", "06:50", 6) == [("01:10", 1)]  # the gap lies wholly in it
    assert again("06:07", "06:38", 6) == [("01:07", 1)]
    assert again("06:10", "08:00", 6) == [("02:00", 0)]
    assert again("05:40", "08:00", 9, 9) == [("01:40", 0), ("02:00", 0)]  # a second block waits until it is over
    assert again("05:10", "06:50", 9, 9) == [("01:10", 0), ("01:05", 1)]  # but not where it would not fit


def test_lord_howe_repeats_half_an_hour() -> None:
    """On 5 April 2026 the clock shows 01:30 to 02:00 twice there."""
    zone, night = "Australia/Lord_Howe", date(2026, 4, 5)
    request = ask(Effort(habit=time(1, 45)), zone=zone)
    days = (day_of(["00:00-06:00"], 6, day=night, zone=zone),)
    [block] = place(request, days, TASKS, seed="s", as_of=AS_OF)
    assert (block.start, block.fold) == (datetime(2026, 4, 5, 1, 45), 0)


# ----------------------------------------------------------------- appointments, timed papers, names, faults


def test_appointments_within_the_days_become_fixed_blocks_on_the_wall_clock() -> None:
    appointments = (
        Appointment(title="Tutoring", start=datetime(2026, 3, 8, 2, 30), minutes=22),  # 02:30 does not exist
        Appointment(title="Before", start=datetime(2026, 3, 7, 12), minutes=30),
        Appointment(title="Twice", start=datetime(2026, 3, 8, 9), minutes=30),
        Appointment(title="Twice", start=datetime(2026, 3, 8, 9), minutes=30),
        Appointment(title="After", start=datetime(2026, 3, 9, 12), minutes=30),
    )
    zone = "America/New_York"
    request = ask(Effort(), zone=zone, appointments=appointments)
    days = (day_of(["07:00-08:00"], 4, day=date(2026, 3, 8), zone=zone),)
    blocks = place(request, days, TASKS, seed="s", as_of=AS_OF)
    assert [(one.start.hour, one.minutes, one.title, one.fixed, bool(one.parts)) for one in blocks] == [
        (3, 22, "Tutoring", True, False),
        (7, 20, "", False, True),
        (9, 30, "Twice", True, False),
        (9, 30, "Twice", True, False),
    ]
    assert len({one.uid for one in blocks}) == 4


def test_a_timed_paper_stands_at_its_exams_hour_and_other_work_keeps_a_break_from_it() -> None:
    effort = Effort(habit=time(17), rest=10)
    day = day_of(["16:00-20:00"], 4, 9)
    day = replace(day, parts=(day.parts[0], Part(task="paper", first=0, units=18), day.parts[1]))
    assert placed(day, effort=effort) == ["16:30+20 a4", "17:00+90 paper18", "18:40+45 b9"]
    request = ask(effort)
    less = set_aside(day, paper_span(request, request.exams[0], MONDAY), effort)
    with pytest.raises(BrokenPlan):
        placed(replace(day, gaps=less.gaps[:1]), effort=effort)
    alone = replace(day, gaps=(), parts=(day.parts[1],))
    assert placed(alone, effort=effort) == ["17:00+90 paper18"]


def test_more_work_than_a_day_holds_is_our_bug_and_every_such_day_is_named() -> None:
    days = (
        day_of(["16:00-16:20"], 5),
        day_of(["16:00-18:00"], 5, day=date(2026, 5, 5)),
        day_of([], 5, day=date(2026, 5, 6)),
    )
    with pytest.raises(BrokenPlan) as broken:
        placed(*days)
    assert [(fault.code, fault.place) for fault in broken.value.faults] == [
        ("placement.room", "2026-05-04"),
        ("placement.room", "2026-05-06"),
    ]
    with pytest.raises(BrokenPlan):
        placed(day_of(["16:00-18:00"], 1), effort=Effort(shortest=5, longest=4))


def test_names_and_times_of_change_come_from_the_arguments() -> None:
    """RFC 9562 §5.8: version 8, variant 10."""
    request = ask(Effort())
    days = (day_of(["16:00-20:00"], 9, 9), day_of(["16:00-20:00"], 9, day=date(2026, 5, 5)))
    one, same, other = (place(request, days, TASKS, seed=seed, as_of=AS_OF) for seed in ("s", "s", "t"))
    assert one == same
    assert not {block.uid for block in one} & {block.uid for block in other}
    assert len({block.uid for block in one}) == 3
    assert {(UUID(block.uid).version, UUID(block.uid).variant) for block in one} == {(8, "specified in RFC 4122")}
    assert {block.revised for block in one} == {AS_OF}
    assert [block.start.fold for block in one] == [0, 0, 0]


# ------------------------------------------------------------------------ every condition, on random days


@st.composite
def efforts(draw: st.DrawFn) -> Effort:
    shortest = draw(st.integers(5, 60))
    return Effort(
        shortest=shortest,
        longest=draw(st.integers(shortest, 120)),
        limit=draw(st.integers(5, 300)),
        rest=draw(st.integers(0, 30)),
        margin=draw(st.integers(0, 15)),
        bedtime=time(draw(st.integers(20, 23)), draw(st.integers(0, 59))),
        waking=time(draw(st.integers(4, 8)), draw(st.integers(0, 59))),
        habit=draw(st.none() | st.builds(time, st.integers(0, 23), st.integers(0, 59))),
    )


ZONES = [
    ("UTC", date(2026, 5, 4)),
    ("America/New_York", date(2026, 3, 7)),
    ("America/New_York", date(2026, 10, 31)),
    ("Australia/Lord_Howe", date(2026, 4, 4)),
    ("Pacific/Apia", date(2011, 12, 29)),
]


@st.composite
def loaded(draw: st.DrawFn) -> tuple[Request, tuple[Day, ...]]:
    """Days whose gaps come from study hours and busy times, each with some number of units up to what it can hold."""
    zone, first = draw(st.sampled_from(ZONES))
    begin = datetime.combine(first, time(), UTC) - timedelta(hours=16)
    minutes = st.integers(0, 4 * 1440)
    taken = tuple(
        BusySpan(span=Span(begin + timedelta(minutes=at), begin + timedelta(minutes=at + length)))
        for at, length in draw(st.lists(st.tuples(minutes, st.integers(1, 300)), max_size=12))
    )
    exam = Exam(key="chem", subject="Chemistry", start=datetime.combine(first + timedelta(3), time(9)), minutes=60)
    whole_day = draw(st.booleans())
    week = (
        StudyHours(
            days=tuple(Weekday),
            start=time(0) if whole_day else draw(st.builds(time, st.integers(0, 23), st.integers(0, 59))),
            end=time(0) if whole_day else draw(st.builds(time, st.integers(0, 23), st.integers(0, 59))),
        ),
    )
    effort = draw(efforts())
    if draw(st.booleans()):
        effort = replace(effort, bedtime=time(12), waking=time(18))  # awake while the clock changes
    request = Request(zone=zone, exams=(exam,), week=week, effort=effort)
    days = []
    for day in resolve(request, taken, as_of=begin).days:
        units = draw(st.just(day.free) | st.integers(0, day.free))
        parts = []
        for name in "abcdefgh":
            count = min(units, draw(st.integers(1, 12)) if name != "h" else units)
            parts += [Part(task=name, first=draw(st.integers(0, 3)), units=count)] if count else []
            units -= count
        days.append(replace(day, parts=tuple(parts)))
    return request, tuple(days)


def second_pass(block: Block, zone: ZoneInfo) -> bool:
    return block.start.replace(tzinfo=zone, fold=block.fold).astimezone(UTC).astimezone(zone).fold == 1


@given(loaded())
@settings(max_examples=300)
def test_any_work_that_a_day_can_hold_is_placed_and_every_condition_holds(
    case: tuple[Request, tuple[Day, ...]],
) -> None:
    """Capacity and placement together. What judges the blocks here is written anew, from the standard library alone."""
    request, days = case
    effort, zone = request.effort, ZoneInfo(request.zone)
    blocks = place(request, days, TASKS, seed="s", as_of=AS_OF)
    least = min(effort.shortest, effort.limit)
    spans, seen = [], set()
    for block in blocks:
        start = block.start.replace(tzinfo=zone, fold=block.fold).astimezone(UTC)
        assert start.astimezone(zone).replace(tzinfo=None, fold=0) == block.start  # the clock does show it
        spans.append((start, start + timedelta(minutes=block.minutes)))
        assert block.minutes <= effort.longest
        assert block.minutes == max(least, 5 * sum(part.units for part in block.parts))
        [gap] = [gap for day in days if day.day == block.day for gap in day.gaps if gap.start <= start < gap.end]
        assert spans[-1][1] <= gap.end
        if block.day not in seen and start.minute % 5:
            assert start == gap.start
        seen.add(block.day)
    for (_, end), (start, _) in pairwise(spans):
        assert start - end >= timedelta(minutes=effort.rest)
    for day in days:
        units = [(part.task, part.first + n) for part in day.parts for n in range(part.units)]
        there = [
            (part.task, part.first + n)
            for block in blocks
            if block.day == day.day
            for part in block.parts
            for n in range(part.units)
        ]
        assert there == units
        event(f"{sum(block.day == day.day for block in blocks)} blocks in a day")


# -------------------------------------------------------------------------------- brute force on tiny days


def brute_force(gaps: list[tuple[int, int]], units: int, effort: Effort, target: int) -> tuple[int, int] | None:
    """The fewest blocks, and the first start nearest to ``target``, over all starts at all minutes and all lengths."""
    most = effort.longest // 5

    @cache
    def fits(free: int, left: int, blocks: int) -> bool:
        if not blocks:
            return left == 0
        return any(
            fits(start + max(5 * here, effort.shortest) + effort.rest, left - here, blocks - 1)
            for begin, end in gaps
            for start in range(max(begin, free), end)
            for here in range(1, min(left, most) + 1)
            if start + max(5 * here, effort.shortest) <= end
        )

    for blocks in range(1, units + 1):
        starts = []
        for begin, end in gaps:
            possible = [
                start
                for start in range(begin, end)
                for here in range(1, min(units, most) + 1)
                if start + max(5 * here, effort.shortest) <= end
                and fits(start + max(5 * here, effort.shortest) + effort.rest, units - here, blocks - 1)
            ]
            starts += [start for start in possible if start % 5 == 0] or [begin] * bool(possible)
        if starts:
            return blocks, min(starts, key=lambda start: (abs(start - target), start))
    return None


@st.composite
def tiny(draw: st.DrawFn) -> tuple[list[tuple[int, int]], int, Effort]:
    shortest = draw(st.sampled_from([5, 10, 15]))
    effort = Effort(
        shortest=shortest,
        longest=shortest + draw(st.sampled_from([0, 2, 5, 10])),
        rest=draw(st.integers(0, 8)),
        limit=600,
        habit=time(16, draw(st.integers(0, 59))),
    )
    gaps, at = [], draw(st.integers(0, 12))
    for _ in range(draw(st.integers(1, 3))):
        length = draw(st.integers(shortest, 45))
        gaps.append((at, at + length))
        at += length + effort.rest + draw(st.integers(1, 20))
    holds = sum(capacity(end - start, bounds(effort)) for start, end in gaps)
    return gaps, draw(st.integers(1, max(1, min(holds, 9)))), effort


@given(tiny())
@settings(max_examples=150)
def test_fewest_blocks_then_nearest_then_earliest(case: tuple[list[tuple[int, int]], int, Effort]) -> None:
    gaps, units, effort = case
    assert effort.habit is not None
    best = brute_force(gaps, units, effort, effort.habit.minute)
    assert best is not None
    four = at("16:00")
    spans = tuple(Span(four + timedelta(minutes=start), four + timedelta(minutes=end)) for start, end in gaps)
    day = Day(day=MONDAY, gaps=spans, parts=(Part(task="a", first=0, units=units),))
    blocks = place(ask(effort), (day,), TASKS, seed="s", as_of=AS_OF)
    first = (blocks[0].start.replace(tzinfo=UTC) - four) // timedelta(minutes=1)
    assert (len(blocks), first) == best
    event(f"{len(blocks)} blocks")
