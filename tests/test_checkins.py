"""The log of what a student says of the blocks: entries commute, nothing is overwritten, and what is wrong is told."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from calplan.checkins import (
    CheckIn,
    Entry,
    Flag,
    Found,
    Outcome,
    Undone,
    entry_from_json,
    in_order,
    last_words,
    read_log,
    standing,
    to_line,
)
from calplan.errors import InvalidRequest

NOON = datetime(2027, 1, 12, 12, 0, tzinfo=UTC)
IDS = [f"entry-{number}" for number in range(6)]
MOMENTS = st.integers(0, 500).map(lambda minutes: NOON + timedelta(minutes=minutes))
FLAGS = st.builds(
    Flag, problem=st.sampled_from(["1", "7b", "12"]), importance=st.sampled_from([1, 2, 3]), tries=st.integers(0, 3)
)
FOUND = st.builds(
    Found,
    exam=st.just("chemistry"),
    material=st.sampled_from(["quiz-1", "quiz-2"]),
    wrong=st.none() | st.integers(0, 9),
    flags=st.lists(FLAGS, max_size=2).map(tuple),
)
CHECK_INS = st.builds(
    CheckIn,
    id=st.sampled_from(IDS),
    at=MOMENTS,
    block=st.sampled_from(["a", "b"]),
    outcome=st.sampled_from(Outcome),
    reached=st.integers(0, 60),
    minutes=st.none() | st.integers(0, 90),
    found=st.lists(FOUND, max_size=2).map(tuple),
    sheet_pages=st.none() | st.integers(0, 5),
    instead=st.text(max_size=20),
)
UNDONE = st.builds(
    Undone, id=st.sampled_from([f"undo-{number}" for number in range(4)]), at=MOMENTS, entry=st.sampled_from(IDS)
)
LOGS = st.lists(CHECK_INS | UNDONE, max_size=8, unique_by=lambda entry: entry.id)


@given(LOGS)
def test_entries_commute_whatever_order_two_devices_write_them_in(entries: list[Entry]) -> None:
    other = sorted(entries, key=lambda entry: entry.id[::-1])
    assert in_order(entries) == in_order(other) == in_order([*other, *entries])
    assert standing(entries) == standing(other)
    assert last_words(entries) == last_words(other)


@given(LOGS)
def test_the_last_word_on_a_block_is_the_latest_that_was_not_taken_back(entries: list[Entry]) -> None:
    taken_back = {entry.entry for entry in entries if isinstance(entry, Undone)}
    left = [entry for entry in entries if isinstance(entry, CheckIn) and entry.id not in taken_back]
    assert sorted(one.id for one in standing(entries)) == sorted(one.id for one in left)
    for block, word in last_words(entries).items():
        assert (word.at, word.id) == max((one.at, one.id) for one in left if one.block == block)
    assert set(last_words(entries)) == {one.block for one in left}


@given(LOGS)
def test_what_was_written_is_read_back_and_written_as_the_same_bytes(entries: list[Entry]) -> None:
    data = b"".join(map(to_line, entries))
    assert read_log(data) == in_order(entries)
    assert [to_line(entry_from_json(line)) for line in data.splitlines()] == data.splitlines(keepends=True)


def test_taking_back_a_word_twice_or_one_that_is_not_there_changes_nothing() -> None:
    word = CheckIn(id="1", at=NOON, block="a", outcome=Outcome.DONE)
    late = NOON + timedelta(hours=1)
    assert standing([word, Undone(id="2", at=late, entry="other")]) == (word,)
    assert standing([word, Undone(id="2", at=late, entry="1"), Undone(id="3", at=late, entry="1")]) == ()


@pytest.mark.parametrize(
    ("line", "said"),
    [
        (b'{"what":"check-in"}', "no entry of a log"),
        (b"not json", "no entry of a log"),
        (b'{"what":"check-in","id":"1","at":"2027-01-12T12:00:00","block":"a","outcome":"done"}', "no zone"),
        (b'{"what":"check-in","id":"1","at":"2027-01-12T12:00:00Z","block":"a","outcome":"won"}', "no entry of a log"),
        (
            b'{"what":"check-in","id":"1","at":"2027-01-12T12:00:00Z","block":"a","outcome":"done","minutes":2000}',
            "between 0 and a day",
        ),
        (
            b'{"what":"check-in","id":"1","at":"2027-01-12T12:00:00Z","block":"a","outcome":"done","sheet_pages":99}',
            "0 to 20 pages",
        ),
        (
            b'{"what":"check-in","id":"1","at":"2027-01-12T12:00:00Z","block":"a","outcome":"done",'
            b'"found":[{"exam":"c","material":"q","flags":[{"problem":"7","importance":5}]}]}',
            "1, 2 or 3",
        ),
    ],
)
def test_a_line_that_is_no_entry_is_told_by_its_number_and_all_of_them_at_once(line: bytes, said: str) -> None:
    good = to_line(CheckIn(id="9", at=NOON, block="a", outcome=Outcome.MISSED))
    with pytest.raises(InvalidRequest) as refused:
        read_log(good + line + b"\n\n" + line + b"\n", name="log.jsonl")
    places = [problem.place for problem in refused.value.problems]
    assert places == ["log.jsonl, line 2", "log.jsonl, line 4"]
    assert all(said in problem.sentence for problem in refused.value.problems)
