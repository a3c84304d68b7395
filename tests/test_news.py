"""News of a plan under way: what each piece changes, that it changes nothing else, and that twice is once.

The judge of days off is a set of dates, counted one by one; that of everything else is the request that is read.
"""

from __future__ import annotations

import json
from copy import deepcopy
from datetime import date, datetime, timedelta
from functools import partial
from itertools import permutations
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calplan.errors import InvalidRequest
from calplan.model import Exam, Keep, Request
from calplan.news import (
    come_late,
    keep_essentials,
    leave_out,
    lose_days,
    move_exam,
    only_minutes,
    raise_limit,
    slow_return,
)
from calplan.request import from_mapping

if TYPE_CHECKING:
    from collections.abc import Callable

FIRST = date(2027, 1, 5)


def base(**more: Any) -> dict[str, Any]:
    """A small sound request; its second exam has no key of its own, and the usual counts."""
    return {
        "schema": 1,
        "zone": "America/Chicago",
        "exam": [
            {
                "key": "chem",
                "subject": "Chemistry",
                "start": "2027-02-04T09:00",
                "minutes": 120,
                "material": [{"kind": "homework", "count": 5}, {"kind": "quiz", "title": "Quiz on gases"}],
            },
            {"subject": "Physics", "start": datetime(2027, 2, 5, 13), "minutes": 90, "latest": "2027-02-12"},
        ],
        "study_hours": [{"days": "daily", "start": "16:00", "end": "20:00"}],
        **more,
    }


def at(number: int) -> date:
    return FIRST + timedelta(days=number)


# --------------------------------------------------------------------------------------------- days off


def lost(mapping: dict[str, Any]) -> list[Any]:
    entries: list[Any] = mapping["day_off"]
    return entries


def test_lost_days_are_days_off() -> None:
    """Written as one would write them, behind those that are there."""
    mapping = base(day_off=[{"day": date(2027, 1, 23), "title": "Birthday"}])
    assert lost(lose_days(mapping, at(1), at(3), "Flu")) == [
        {"day": date(2027, 1, 23), "title": "Birthday"},
        {"first": "2027-01-06", "last": "2027-01-08", "title": "Flu"},
    ]
    assert lost(lose_days(base(), at(1), at(1))) == [{"day": "2027-01-06"}]
    assert lost(lose_days(base(day_off=None), at(1), at(1))) == [{"day": "2027-01-06"}]


def test_lost_days_join_those_of_their_title_that_they_overlap_or_touch() -> None:
    there = [{"day": "2027-01-08"}, {"first": "2027-01-10", "last": date(2027, 1, 12)}, {"day": "2027-01-20"}]
    assert lost(lose_days(base(day_off=there), at(4), at(4))) == [
        {"first": "2027-01-08", "last": "2027-01-12"},
        {"day": "2027-01-20"},
    ]
    assert lost(lose_days(base(day_off=there), at(6), at(7))) == there
    assert lost(lose_days(base(day_off=there), at(4), at(4), "Flu"))[:3] == there


def test_lost_days_never_make_an_entry_too_long_to_be_read() -> None:
    """An entry has at most 400 days after its first one."""
    first = date(2026, 1, 1)
    mapping = lose_days(base(), first, first + timedelta(days=399))
    mapping = lose_days(mapping, first + timedelta(days=400), first + timedelta(days=402))
    assert len(from_mapping(mapping).days_off) == 2


def test_days_that_end_before_they_begin_are_refused() -> None:
    with pytest.raises(InvalidRequest, match="2027-01-06 lies before first, 2027-01-07"):
        lose_days(base(), at(2), at(1))


def days_off(mapping: dict[str, Any]) -> set[date]:
    return {
        one.first + timedelta(days=n)
        for one in from_mapping(mapping).days_off
        for n in range((one.last - one.first).days + 1)
    }


TITLES = st.sampled_from(("", "Flu", "Trip"))
STRETCHES = st.tuples(st.integers(0, 25), st.integers(0, 6), TITLES)


@st.composite
def written_days(draw: st.DrawFn) -> list[dict[str, Any]]:
    """Days off as people write them: a day or two ends, dates or text, with or without a title."""
    entries: list[dict[str, Any]] = []
    for first, more, title in draw(st.lists(STRETCHES, max_size=5)):
        spell: Callable[[date], object] = draw(st.sampled_from((date.isoformat, lambda day: day)))
        entry = {"first": spell(at(first)), "last": spell(at(first + more))}
        entries.append((entry if more else {"day": spell(at(first))}) | ({"title": title} if title else {}))
    return entries


@given(written_days(), st.lists(STRETCHES, min_size=1, max_size=4))
def test_lost_days_are_off_and_no_others_whatever_their_order(
    there: list[dict[str, Any]], news: list[tuple[int, int, str]]
) -> None:
    before = days_off(base(day_off=there))
    wanted = before | {at(first + n) for first, more, _ in news for n in range(more + 1)}
    results = []
    for order in list(permutations(news))[:6]:
        mapping = base(day_off=there)
        for first, more, title in order:
            mapping = lose_days(mapping, at(first), at(first + more), title)
            assert lose_days(mapping, at(first), at(first + more), title) == mapping
        results.append(sorted((one.first, one.last, one.title) for one in from_mapping(mapping).days_off))
        assert days_off(mapping) == wanted
    assert all(result == results[0] for result in results)


# ------------------------------------------------------------------------------------------- short days


def short(mapping: dict[str, Any]) -> dict[date, int]:
    """The minutes of each short day; the fewest count (README)."""
    found: dict[date, int] = {}
    for one in from_mapping(mapping).short_days:
        found[one.day] = min(one.minutes, found.get(one.day, one.minutes))
    return found


def test_of_the_minutes_of_a_day_the_last_word_counts() -> None:
    there = [{"day": at(1), "minutes": 10}, {"day": "2027-01-07", "minutes": 5}, {"day": "2027-01-06", "minutes": 40}]
    mapping = only_minutes(base(short_days=there), at(1), 30)
    assert mapping["short_days"] == [{"day": "2027-01-06", "minutes": 30}, there[1]]
    assert short(only_minutes(mapping, at(1), 0)) == {at(1): 0, at(2): 5}


def test_a_slow_return_shortens_days_and_lengthens_none() -> None:
    there = [{"day": at(1), "minutes": 10}, {"day": "2027-01-07", "minutes": 50}, {"day": "2027-01-07", "minutes": 45}]
    mapping = slow_return(base(short_days=there), [at(1), at(2), at(4)], 30)
    assert mapping["short_days"] == [
        {"day": at(1), "minutes": 10},
        {"day": "2027-01-07", "minutes": 30},
        {"day": "2027-01-09", "minutes": 30},
    ]
    assert slow_return(base(), [], 30) == base()


MINUTES = st.integers(0, 90)
RETURNS = st.tuples(st.lists(st.integers(0, 6), max_size=4), MINUTES)


@given(st.lists(st.tuples(st.integers(0, 6), MINUTES), max_size=4), st.lists(RETURNS, min_size=1, max_size=3))
def test_slow_returns_leave_each_day_its_fewest_minutes_whatever_their_order(
    there: list[tuple[int, int]], news: list[tuple[list[int], int]]
) -> None:
    wanted: dict[date, int] = {}
    for number, minutes in (*there, *((number, minutes) for numbers, minutes in news for number in numbers)):
        wanted[at(number)] = min(minutes, wanted.get(at(number), minutes))
    for order in permutations(news):
        mapping = base(short_days=[{"day": at(number), "minutes": minutes} for number, minutes in there])
        for numbers, minutes in order:
            days = [at(number) for number in numbers]
            mapping = slow_return(mapping, days, minutes)
            assert slow_return(mapping, days, minutes) == mapping
        assert short(mapping) == wanted


# --------------------------------------------------------------------------------------- how much is kept


def test_essentials_are_kept_and_the_limit_is_raised_and_never_lowered() -> None:
    assert from_mapping(keep_essentials(base(keep="everything"))).keep is Keep.ESSENTIALS
    assert from_mapping(raise_limit(base(), 75)).effort.limit == 75
    assert raise_limit(base(), 60) == base()
    assert raise_limit(base(effort={"usual": 90}), 80) == base(effort={"usual": 90})


@given(
    st.fixed_dictionaries({}, optional={"usual": st.integers(5, 100), "limit": st.integers(5, 200)}),
    st.lists(st.integers(5, 300), min_size=1, max_size=3),
)
def test_a_raised_limit_is_the_highest_that_was_asked_for_and_the_usual_minutes_stay(
    effort: dict[str, int], news: list[int]
) -> None:
    if effort.get("usual", 0) > effort.get("limit", 1000):
        effort["usual"] = effort["limit"]
    before = from_mapping(base(effort={"rest": 5, **effort})).effort
    for order in permutations(news):
        mapping = base(effort={"rest": 5, **effort})
        for minutes in order:
            mapping = raise_limit(mapping, minutes)
            assert raise_limit(mapping, minutes) == mapping
        after = from_mapping(mapping).effort
        assert after.limit == max(before.limit, *news)
        assert (after.usual, after.rest) == (before.usual, 5)


def names(exam: Exam) -> dict[str, str]:
    return {material.key: material.title for material in exam.materials}


def test_what_is_left_out_is_gone_and_all_else_keeps_its_name() -> None:
    """By count, and of the usual counts too."""
    before = from_mapping(base()).exams
    mapping = leave_out(leave_out(base(), "chem", "chem.homework-2"), "exam-2", "exam-2.test-1")
    after = from_mapping(mapping).exams
    for old, new, key in zip(before, after, ("chem.homework-2", "exam-2.test-1"), strict=True):
        assert names(new) == {name: title for name, title in names(old).items() if name != key}
        assert key in names(old)
    assert leave_out(mapping, "chem", "chem.homework-2") == mapping
    with pytest.raises(InvalidRequest, match="no material of this exam has the key “chem"):
        from_mapping(leave_out(base(), "chem", "chem.homework-9"))


def test_material_that_comes_late_is_in_hand_from_its_day_on_and_the_last_word_counts() -> None:
    early = come_late(come_late(base(), "chem", "quiz-1", date(2027, 1, 18)), "chem", "homework-2", date(2027, 1, 18))
    mapping = come_late(early, "chem", "chem.quiz-1", date(2027, 1, 20))
    days = {one.key: one.in_hand for one in from_mapping(mapping).exams[0].materials if one.in_hand}
    assert days["chem.quiz-1"] == date(2027, 1, 20)
    assert days["chem.homework-2"] == date(2027, 1, 18)
    assert come_late(mapping, "chem", "quiz-1", date(2027, 1, 20)) == mapping
    with pytest.raises(InvalidRequest, match="no material of this exam has the key or the topic “homework-99”"):
        from_mapping(come_late(base(), "chem", "homework-99", date(2027, 1, 20)))


def test_an_exam_moves_and_its_latest_day_with_it() -> None:
    moved = from_mapping(move_exam(base(), "exam-2", datetime(2027, 2, 9, 8, 30))).exams[1]
    assert (moved.start, moved.latest) == (datetime(2027, 2, 9, 8, 30), None)
    between = from_mapping(move_exam(base(), "chem", datetime(2027, 2, 9, 8), date(2027, 2, 11))).exams[0]
    assert (between.start, between.latest) == (datetime(2027, 2, 9, 8), date(2027, 2, 11))


def test_an_exam_that_is_not_there_is_named_with_those_that_are() -> None:
    for news in (partial(leave_out, material="x"), partial(move_exam, start=datetime(2027, 3, 1))):
        with pytest.raises(InvalidRequest, match=r"no exam has the key “bio”\. The keys are chem, exam-2"):
            news(base(), exam="bio")


# --------------------------------------------------------------------------------------------- the laws

NEWS: dict[str, tuple[str, Callable[[dict[str, Any]], dict[str, Any]]]] = {
    "lose": ("day_off", partial(lose_days, first=at(3), last=at(5), title="Flu")),
    "slow": ("short_days", partial(slow_return, days=[at(6), at(7)], minutes=30)),
    "only": ("short_days", partial(only_minutes, day=at(9), minutes=20)),
    "keep": ("keep", keep_essentials),
    "limit": ("effort", partial(raise_limit, minutes=90)),
    "out": ("exam", partial(leave_out, exam="chem", material="chem.homework-2")),
    "other out": ("exam", partial(leave_out, exam="chem", material="chem.quiz-1")),
    "late": ("exam", partial(come_late, exam="chem", material="chem.homework-3", in_hand=date(2027, 1, 20))),
    "move": ("exam", partial(move_exam, exam="chem", start=datetime(2027, 2, 8, 9), latest=date(2027, 2, 9))),
    "other move": ("exam", partial(move_exam, exam="exam-2", start=datetime(2027, 2, 8, 11))),
}
EDITED = {"day_off", "short_days", "keep", "effort", "exam"}
OTHER = {"title": " Finals ", "busy": ({"start": "2027-01-22T18:00", "end": "2027-01-22T20:00"},), "rates": {"quiz": 9}}


@pytest.mark.parametrize("name", NEWS)
def test_news_changes_its_own_part_alone_and_leaves_what_it_was_given_as_it_was(name: str) -> None:
    key, news = NEWS[name]
    mapping = base(**OTHER, day_off=[{"day": "2027-01-20", "title": "Trip"}], effort={"rest": 5})
    given_ = deepcopy(mapping)
    after = news(mapping)
    assert mapping == given_
    assert news(after) == after
    assert {one: value for one, value in after.items() if one != key} == {
        one: value for one, value in mapping.items() if one != key
    }
    assert after[key] != mapping.get(key)
    assert json.loads(json.dumps({key: after[key]}, default=str))
    assert from_mapping(after) != from_mapping(mapping)


def in_no_order(request: Request) -> tuple[object, ...]:
    """A request as the planner sees it: the order of days off and short days means nothing."""
    return (
        {name: getattr(request, name) for name in request.__struct_fields__ if name not in ("days_off", "short_days")},
        sorted((one.first, one.last, one.title) for one in request.days_off),
        sorted((one.day, one.minutes) for one in request.short_days),
    )


@given(st.lists(st.sampled_from(sorted(NEWS)), min_size=2, max_size=6), st.randoms(use_true_random=False))
def test_different_news_come_to_the_same_in_any_order_and_any_number(names_: list[str], random: Any) -> None:
    shuffled = [*names_, *names_[:2]]
    random.shuffle(shuffled)
    results = []
    for order in (names_, shuffled):
        mapping = base(**OTHER)
        for name in order:
            mapping = NEWS[name][1](mapping)
        results.append(in_no_order(from_mapping(mapping)))
    assert results[0] == results[1]


SPOILT = st.none() | st.integers() | st.text(max_size=4) | st.lists(st.none() | st.text(max_size=3), max_size=2)


def read(news: Callable[[], dict[str, Any]]) -> Request | None:
    """The request after some news; ``None`` where it is refused, in words."""
    try:
        return from_mapping(news())
    except InvalidRequest:
        return None


@given(st.sampled_from(sorted(EDITED)), SPOILT, st.sampled_from(sorted(NEWS)))
def test_a_request_that_is_wrong_is_refused_in_words_and_news_of_something_else_does_not_mend_it(
    key: str, value: Any, name: str
) -> None:
    mapping = base() | {key: value}
    about, news = NEWS[name]
    after = read(partial(news, mapping))
    assert after is None or about == key or read(lambda: mapping) is not None
