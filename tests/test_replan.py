"""A plan that is made again: what is over stays, what was gone through does not come again, events keep their identity.

Identity, SEQUENCE and DTSTAMP are those of RFC 5545 (§3.8.4.7, §3.8.7.4, §3.8.7.2), and are read from the calendar file
by icalendar, not from the plan.
"""

from __future__ import annotations

from collections import Counter
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import icalendar
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from calplan import ical
from calplan.contents import part_items
from calplan.errors import NoPlan
from calplan.model import Appointment, Block, Kind, Material, PastBlock, Plan, Request, Role, plan_from_json, to_json
from calplan.planner import make_plan
from calplan.replan import make_again, with_past
from calplan.request import read
from calplan.rules import check
from tests.strategies import requests

FIXTURES = Path(__file__).parents[1] / "fixtures"
MADE = datetime(2027, 1, 5, 12, 0, tzinfo=UTC)
CHEMISTRY = read((FIXTURES / "chemistry-30.toml").read_bytes(), name="chemistry-30.toml")


def moved(request: Request, days: int) -> Request:
    """The request with its first exam some days later."""
    first, *others = request.exams
    return replace(request, exams=(replace(first, start=first.start + timedelta(days=days)), *others))


def started(block: Block | PastBlock, zone: str, now: datetime) -> bool:
    return block.start.replace(tzinfo=ZoneInfo(zone), fold=block.fold).astimezone(UTC) <= now


def events(plan: Plan, request: Request) -> dict[str, icalendar.Event]:
    """The calendar's timed events by UID, as icalendar reads them."""
    calendar = icalendar.Calendar.from_ical(ical.to_ics(plan, request))
    return {str(event["UID"]): event for event in calendar.walk("VEVENT") if isinstance(event.start, datetime)}


def texts(plan: Plan, request: Request) -> dict[str, bytes]:
    """The bytes of each event by UID."""
    return {uid: event.to_ical() for uid, event in events(plan, request).items()}


# ------------------------------------------------------------------------------------------------------- laws


def test_nothing_new_at_the_same_moment_changes_nothing_to_the_byte() -> None:
    old = make_plan(CHEMISTRY, {}, as_of=MADE)
    assert ical.to_ics(make_again(old, CHEMISTRY, CHEMISTRY, {}, as_of=MADE), CHEMISTRY) == ical.to_ics(old, CHEMISTRY)


@pytest.mark.parametrize("after", [0, 4, 11, 19, 25, 27])
@pytest.mark.parametrize("later", [-1, 0, 5])
def test_what_has_begun_stays_in_the_calendar_to_the_byte(after: int, later: int) -> None:
    old = make_plan(CHEMISTRY, {}, as_of=MADE)
    now = MADE + timedelta(days=after, hours=11)
    new = make_again(old, CHEMISTRY, moved(CHEMISTRY, later), {}, as_of=now)
    before, afterwards = texts(old, CHEMISTRY), texts(new, with_past(moved(CHEMISTRY, later), new.past, now))
    over = [block.uid for block in old.blocks if started(block, old.zone, now)]
    assert len(over) == len(new.past) == after + 1
    assert {uid: before[uid] for uid in over} == {uid: afterwards[uid] for uid in over}
    assert all(not started(block, new.zone, now) for block in new.blocks)


@pytest.mark.parametrize("after", [4, 11, 19])
def test_material_that_was_gone_through_has_no_second_first_pass(after: int) -> None:
    old = make_plan(CHEMISTRY, {}, as_of=MADE)
    now = MADE + timedelta(days=after, hours=11)
    new = make_again(old, CHEMISTRY, moved(CHEMISTRY, 4), {}, as_of=now)
    assert new.shortfall is None
    assert pieces(old.past, old) == pieces(new.past, new) == stock(CHEMISTRY)


def stock(request: Request) -> Counter[str]:
    """How many pieces of each material there are: class periods of notes, problems of practice, else 1."""
    return Counter(
        {
            material.key: material.size or 1 if material.kind in (Kind.NOTES, Kind.PRACTICE) else 1
            for exam in request.exams
            for material in exam.materials
        }
    )


def pieces(past: tuple[PastBlock, ...], plan: Plan) -> Counter[str]:
    """How many pieces of each material have their first pass in what is over and in what is ahead."""
    counts: Counter[str] = Counter()
    for worked in (one for block in past for one in block.worked):
        if worked.role is Role.COVER or (worked.kind is Kind.PRACTICE and worked.role is Role.CONSOLIDATE):
            counts.update(worked.pieces)
    for task in plan.tasks:
        for item in task.items:
            if task.role is Role.COVER and task.kind not in (Kind.NOTES, Kind.PRACTICE):
                counts[item.material] += 1
            elif task.role is Role.COVER or (task.role is Role.CONSOLIDATE and task.kind is Kind.PRACTICE):
                counts[item.material] += item.count
    return counts


def test_a_second_pass_that_was_had_does_not_come_again_and_the_end_stays_light() -> None:
    old = make_plan(CHEMISTRY, {}, as_of=MADE)
    now = MADE + timedelta(days=25, hours=11)  # the taper stage has begun
    new = make_again(old, CHEMISTRY, CHEMISTRY, {}, as_of=now)
    assert {task.role for task in new.tasks} == {Role.TAPER, Role.EVE}
    assert len(new.blocks) == len(new.days) == new.exams[0].usable_days


def test_new_material_is_dealt_out_even_after_the_second_pass() -> None:
    old = make_plan(CHEMISTRY, {}, as_of=MADE)
    exam = CHEMISTRY.exams[0]
    late = Material(key="late", kind=Kind.QUIZ, title="Quiz that came late", missed=3, size=8)
    asked = replace(CHEMISTRY, exams=(replace(exam, materials=(*exam.materials, late)),))
    new = make_again(old, CHEMISTRY, asked, {}, as_of=MADE + timedelta(days=25, hours=11))
    taken = [item.material for task in new.tasks if task.role is Role.COVER for item in task.items]
    assert taken == ["late"]


def test_where_work_of_today_has_begun_the_new_plan_starts_tomorrow() -> None:
    old = make_plan(CHEMISTRY, {}, as_of=MADE)
    now = MADE + timedelta(days=3, hours=11)
    new = make_again(old, CHEMISTRY, moved(CHEMISTRY, 2), {}, as_of=now)
    assert new.past[-1].day == date(2027, 1, 8)
    assert new.blocks[0].day == date(2027, 1, 9)


def test_a_plan_made_again_twice_keeps_its_whole_past() -> None:
    old = make_plan(CHEMISTRY, {}, as_of=MADE)
    asked, now = moved(CHEMISTRY, 2), MADE + timedelta(days=3, hours=11)
    once = make_again(old, CHEMISTRY, asked, {}, as_of=now)
    then = now + timedelta(days=6)
    twice = make_again(once, with_past(asked, once.past, now), moved(CHEMISTRY, 3), {}, as_of=then)
    assert twice.past[: len(once.past)] == once.past
    assert len(twice.past) == 10
    assert plan_from_json(to_json(twice)) == twice


def test_an_appointment_keeps_its_event_when_the_rest_is_planned_anew() -> None:
    lesson = Appointment(title="Tutoring", start=datetime(2027, 1, 20, 16, 30), minutes=45, exam="chem")
    asked = replace(CHEMISTRY, appointments=(lesson,))
    old = make_plan(asked, {}, as_of=MADE)
    new = make_again(old, asked, moved(asked, 3), {}, as_of=MADE + timedelta(days=2))
    assert [b for b in old.blocks if b.title] == [b for b in new.blocks if b.title]


def test_the_exams_own_day_moves_with_it_and_says_nothing_new_where_nothing_is() -> None:
    old = make_plan(CHEMISTRY, {}, as_of=MADE)
    now = MADE + timedelta(days=3)
    for asked, sequence, revised in ((CHEMISTRY, 0, MADE), (moved(CHEMISTRY, 2), 1, now)):
        new = make_again(old, CHEMISTRY, asked, {}, as_of=now)
        calendar = icalendar.Calendar.from_ical(ical.to_ics(new, with_past(asked, new.past, now)))
        (day,) = [event for event in calendar.walk("VEVENT") if not isinstance(event.start, datetime)]
        assert (int(day["SEQUENCE"]), day.DTSTAMP) == (sequence, revised)
        assert day.start == asked.exams[0].start.date()


def test_where_no_day_is_left_the_refusal_is_the_usual_one() -> None:
    old = make_plan(CHEMISTRY, {}, as_of=MADE)
    with pytest.raises(NoPlan):
        make_again(old, CHEMISTRY, CHEMISTRY, {}, as_of=datetime(2027, 2, 5, tzinfo=UTC))


# ------------------------------------------------------------------------------------- any plan, any moment


@settings(max_examples=60)
@given(asked=requests(), days=st.integers(0, 30), later=st.integers(-3, 6), piece=st.booleans())
def test_every_plan_made_again_keeps_the_laws(
    asked: tuple[Request, datetime], days: int, later: int, piece: bool
) -> None:
    """The checker is content; UIDs are unique; SEQUENCE counts exactly the moves; DTSTAMP counts every change."""
    request, as_of = asked
    changed = moved(request, later)
    if piece:
        first, *others = changed.exams
        extra = Material(key="came-back", kind=Kind.TEST, title="Test that came back", missed=2, size=9)
        changed = replace(changed, exams=(replace(first, materials=(*first.materials, extra)), *others))
    now = as_of + timedelta(days=days, hours=5)
    try:
        old = make_plan(request, {}, as_of=as_of)
        new = make_again(old, request, changed, {}, as_of=now)
    except NoPlan:
        assume(False)
    effective = with_past(changed, new.past, now)
    assert check(effective, new) == ()
    assert_identities(events(old, request), events(new, effective), now)
    assert_heirs(old, new, request, now)


def assert_identities(before: dict[str, icalendar.Event], after: dict[str, icalendar.Event], now: datetime) -> None:
    for uid in before.keys() & after.keys():
        old, new = before[uid], after[uid]
        moves = (old.start, old.end) != (new.start, new.end)
        assert int(new["SEQUENCE"]) == int(old["SEQUENCE"]) + moves
        words = [str(old[name]) != str(new[name]) for name in ("SUMMARY", "DESCRIPTION")]
        revised = now.replace(microsecond=0) if moves or any(words) else old.DTSTAMP
        assert revised == new.DTSTAMP


def assert_heirs(old: Plan, new: Plan, request: Request, now: datetime) -> None:
    """No old block and no new one share more minutes than both do with their partners: else they would be partners."""
    ahead = {block.uid: block for block in old.blocks if not started(block, old.zone, now) and block.parts}
    mine = {block.uid: work(old, block) for block in ahead.values()}
    fresh = {block.uid: work(new, block) for block in new.blocks if block.parts}
    for name, one in fresh.items():
        has = shared(one, mine[name]) if name in mine else 0
        for uid, other in mine.items():
            held = shared(fresh[uid], other) if uid in fresh else 0
            assert shared(one, other) <= max(has, held)
    assert not set(new.retired) & {block.uid for block in (*new.blocks, *new.past)}
    assert set(ahead) <= {block.uid for block in new.blocks} | set(new.retired)


def work(plan: Plan, block: Block) -> dict[tuple[object, ...], float]:
    """Minutes by what is worked on."""
    tasks = {task.id: task for task in plan.tasks}
    minutes: dict[tuple[object, ...], float] = {}
    for part in block.parts:
        task = tasks[part.task]
        shares = part_items(task, part)
        count = sum(share.number for share in shares)
        turn = 0 if task.role in (Role.EVE, Role.TIDY) else task.round
        for share in shares:
            for n in range(share.number):
                key = (task.exam, task.role, task.kind, share.item.material, share.item.first + share.first + n)
                minutes[key] = minutes.get(key, 0) + part.units * 300 // count
        if not count:
            key = (task.exam, task.role, task.kind, "", turn)
            minutes[key] = minutes.get(key, 0) + part.units * 300
    return minutes


def shared(one: dict[tuple[object, ...], float], other: dict[tuple[object, ...], float]) -> float:
    return sum(min(one[key], other[key]) for key in one.keys() & other.keys())


# ------------------------------------------------------------------------------------------------ what was missed


@pytest.mark.parametrize("after", [4, 11, 17])
@pytest.mark.parametrize("lost", [[0], [1, 3], [0, 1, 2, 3, 4]])
def test_work_that_was_missed_is_planned_again_and_all_material_has_one_first_pass(after: int, lost: list[int]) -> None:
    old = make_plan(CHEMISTRY, {}, as_of=MADE)
    now = MADE + timedelta(days=after, hours=11)
    missed = {old.blocks[number].uid for number in lost}
    new = make_again(old, CHEMISTRY, CHEMISTRY, {}, as_of=now, missed=missed)
    assert {block.uid for block in new.past if block.missed} == missed
    went = tuple(block for block in new.past if not block.missed)
    assert pieces(went, new) == stock(CHEMISTRY)
    before, afterwards = texts(old, CHEMISTRY), texts(new, with_past(CHEMISTRY, new.past, now))
    assert {uid: before[uid] for uid in missed} == {uid: afterwards[uid] for uid in missed}  # it stays where it was
    assert not missed & {block.uid for block in new.blocks}


def test_the_same_news_twice_changes_nothing_the_second_time() -> None:
    old = make_plan(CHEMISTRY, {}, as_of=MADE)
    now = MADE + timedelta(days=6, hours=11)
    missed = {old.blocks[2].uid}
    once = make_again(old, CHEMISTRY, CHEMISTRY, {}, as_of=now, missed=missed)
    request = with_past(CHEMISTRY, once.past, now)
    twice = make_again(once, request, CHEMISTRY, {}, as_of=now, missed=missed)
    assert texts(twice, request) == texts(once, request)


def test_a_word_that_is_taken_back_takes_its_work_out_of_the_plan_again() -> None:
    old = make_plan(CHEMISTRY, {}, as_of=MADE)
    now = MADE + timedelta(days=6, hours=11)
    once = make_again(old, CHEMISTRY, CHEMISTRY, {}, as_of=now, missed={old.blocks[2].uid})
    again = make_again(once, with_past(CHEMISTRY, once.past, now), CHEMISTRY, {}, as_of=now)
    assert not any(block.missed for block in again.past)
    assert pieces(again.past, again) == stock(CHEMISTRY)
