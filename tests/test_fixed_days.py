"""What a teacher fixes for a day lies on it; what has no room there lies as near as can be, and the plan says so.

That topics follow the teacher's calendar is common practice, no source. The least distances are found again by trying
everything, and what lies on which day is read back from the calendar by vobject.
"""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, time, timedelta
from itertools import product
from random import Random
from typing import Any

import pytest
import vobject
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from calplan import ical, rules
from calplan.capacity import Job, near_fixed_days
from calplan.checkins import CheckIn, Outcome
from calplan.errors import NoPlan
from calplan.model import FixedDay, Plan, Request, Role, plan_from_json, to_json
from calplan.news import move_exam
from calplan.planner import make_plan
from calplan.replan import Way, mend
from calplan.request import from_mapping
from tests.strategies import fixed_days, requests

NOW = datetime(2027, 1, 4, 12, tzinfo=UTC)
EXAM = date(2027, 2, 4)


def written(*fixed: tuple[int | str, str], material: list[dict[str, Any]] | None = None, **more: Any) -> dict[str, Any]:
    """A request for a month of January, in which things are fixed for days."""
    days = [
        {"day": f"2027-01-{day:02}" if isinstance(day, int) else day, "material": names.split("; ")}
        for day, names in fixed
    ]
    exam: dict[str, Any] = {
        "key": "chem",
        "subject": "Chemistry",
        "start": "2027-02-04T09:00",
        "minutes": 120,
        "material": material
        or [
            *({"kind": "homework", "title": f"Sheet {n}", "topic": "acids" if n < 3 else "gases"} for n in range(1, 9)),
            {"kind": "quiz", "count": 5, "missed": 2},
            {"kind": "notes", "count": 20},
            {"kind": "test", "key": "old", "title": "Old test", "missed": 4, "topic": "gases"},
            {"kind": "practice", "count": 60},
        ],
        "fixed_day": days,
    }
    hours = [{"days": "daily", "start": "16:00", "end": "19:00"}]
    return {"schema": 1, "zone": "UTC", "exam": [exam], "study_hours": hours, **more}


def made(mapping: dict[str, Any], as_of: datetime = NOW) -> tuple[Request, Plan]:
    request = from_mapping(mapping)
    plan = make_plan(request, {}, as_of=as_of)
    assert rules.check(request, plan) == ()
    return request, plan


def days_by_title(request: Request, plan: Plan) -> dict[str, set[date]]:
    """On which days the first pass of a piece stands in the calendar, as vobject reads it."""
    calendar = vobject.readOne(ical.to_ics(plan, request).decode())
    found: dict[str, set[date]] = {}
    for event in calendar.vevent_list:
        paragraphs = event.description.value.split("\n\n") if hasattr(event, "description") else []
        first = "\n".join(one for one in paragraphs if "Why today: Round" in one or "fixed for" in one)
        for material in request.exams[0].materials:
            if re.search(rf"(Take: |, |and |; |: ){re.escape(material.title)}\b", first):
                found.setdefault(material.title, set()).add(event.dtstart.value.date())
    return found


def days_of(plan: Plan, material: str) -> list[date]:
    """The days of a material's first pass."""
    tasks = {task.id for task in plan.tasks if task.role is Role.COVER and material in {i.material for i in task.items}}
    return [day.day for day in plan.days if any(part.task in tasks for part in day.parts)]


def jan(day: int) -> date:
    return date(2027, 1, day)


# ------------------------------------------------------------------------------------------- the nearest windows


@pytest.mark.parametrize("seed", range(120))
def test_the_windows_are_the_nearest_that_leave_a_place_for_all_earlier_days_first(seed: int) -> None:
    """Every choice of windows is tried with every way to lay the units; the least choice by date is the one."""
    chance = Random(seed)
    days = chance.randint(2, 4)
    room = [chance.randint(0, 2) for _ in range(days)]
    jobs = []
    for _ in range(chance.randint(1, 4)):
        release = chance.randint(0, days - 1)
        due = chance.randint(release, days - 1)
        windows: tuple[tuple[int, int], ...] = ()
        if chance.random() < 0.7:
            day = chance.randint(release, due)
            steps = range(max(day - release, due - day) + 1)
            spans = [(max(release, day - far), min(due, day + far)) for far in steps]
            windows = tuple(dict.fromkeys(spans))
        jobs.append(Job(exam=0, ranks=(3,) * chance.randint(1, 2), release=release, due=due, nearer=windows))
    kept = [len(job.ranks) for job in jobs]
    everywhere = [[(job.release, job.due)] for job in jobs]
    if not lies(everywhere_first(everywhere), kept, room):
        return
    choices = [[*dict.fromkeys((*job.nearer, (job.release, job.due)))] for job in jobs]
    order = sorted((n for n, job in enumerate(jobs) if job.nearer), key=lambda n: (jobs[n].nearer[0], n))
    best = min(
        (
            [picked[n] for n in order]
            for picked in product(*(range(len(one)) for one in choices))
            if lies([choice[n] for choice, n in zip(choices, picked, strict=True)], kept, room)
        ),
    )
    found = near_fixed_days(jobs, kept, room)
    assert [choices[n].index((found[n].release, found[n].due)) for n in order] == best


def everywhere_first(choices: list[list[tuple[int, int]]]) -> list[tuple[int, int]]:
    return [one[0] for one in choices]


def lies(windows: list[tuple[int, int]], units: list[int], room: list[int]) -> bool:
    """Whether units can be laid into their windows: every way is tried."""
    each = [range(first, last + 1) for (first, last), count in zip(windows, units, strict=True) for _ in range(count)]
    return any(all(way.count(day) <= space for day, space in enumerate(room)) for way in product(*each))


# ------------------------------------------------------------------------------------------------------ a new plan


def test_what_is_fixed_lies_on_its_day_and_the_rest_takes_turns_around_it() -> None:
    request, plan = made(written((12, "quiz-1; acids"), (14, "quiz-2"), (19, "old")))
    found = days_by_title(request, plan)
    assert found["Quiz 1"] == found["Sheet 1"] == found["Sheet 2"] == {jan(12)}
    assert found["Quiz 2"] == {jan(14)}
    assert found["Old test"] == {jan(19)}
    assert all(jan(4) <= day < EXAM for days in found.values() for day in days)
    assert set(found) >= {f"Sheet {n}" for n in range(1, 9)} | {f"Quiz {n}" for n in range(1, 6)}
    assert not any(notice.code == "off-fixed-day" for notice in plan.notices)


def test_fixed_days_do_not_bend_the_order_of_the_rest() -> None:
    """Free stops are not caught between fixed ones: the kinds take turns, and no day is fuller than it must be."""
    hours = [{"days": ["mon", "tue", "thu", "sat"], "start": "16:00", "end": "19:00"}]
    mapping = {**written((12, "quiz-1; homework-2"), (19, "old"), (21, "quiz-3")), "study_hours": hours}
    _, plan = made(mapping)
    assert not any(notice.code == "order-bent" for notice in plan.notices)
    free = [task for task in plan.tasks if task.role is Role.COVER and not task.fixed]
    firsts = [next(d.day for d in plan.days if any(p.task == task.id for p in d.parts)) for task in free]
    assert firsts == sorted(firsts)
    bare = make_plan(from_mapping({**mapping, "exam": [{**mapping["exam"][0], "fixed_day": []}]}), {}, as_of=NOW)
    assert plan.figures.maximum <= bare.figures.maximum + 10


def test_a_topic_stands_for_all_of_its_pieces_whatever_their_kind() -> None:
    _, plan = made(written((13, "gases")))
    fixed = [task for task in plan.tasks if task.fixed == jan(13)]
    assert sorted(item.material for task in fixed for item in task.items) == sorted(
        ["old", *(f"chem.homework-{n}" for n in range(3, 9))]
    )


def test_a_key_goes_before_a_topic_of_the_same_name() -> None:
    pieces = [{"kind": "quiz", "key": "acids"}, {"kind": "homework", "count": 2, "topic": "acids"}]
    _, plan = made(written((13, "acids"), material=pieces))
    assert [item.material for task in plan.tasks if task.fixed for item in task.items] == ["acids"]


def test_without_room_on_its_day_it_lies_on_the_nearest_one_and_that_is_said() -> None:
    """Tuesday is taken by a day off; Monday and Wednesday are as near, and the earlier one has room."""
    mapping = written((12, "quiz-1"), day_off=[{"day": "2027-01-12"}])
    _, plan = made(mapping)
    assert days_of(plan, "chem.quiz-1")[0] in (jan(11), jan(13))
    assert len(days_of(plan, "chem.quiz-1")) == 1
    [said] = [one.sentence for one in plan.notices if one.code == "off-fixed-day"]
    assert "fixed for Tue 12 Jan" in said


def test_more_than_a_day_holds_goes_to_the_nearest_days_and_loses_nothing() -> None:
    names = "; ".join(f"quiz-{n}" for n in range(1, 6))
    _, plan = made(written((12, f"{names}; old; acids")))
    fixed = [task for task in plan.tasks if task.fixed]
    assert {part.task for day in plan.days for part in day.parts if day.day == jan(12)} <= {task.id for task in fixed}
    assert all(task.kept == len(task.ranks) for task in fixed)
    near = {day for task in fixed for item in task.items for day in days_of(plan, item.material)}
    assert near <= {jan(11), jan(12), jan(13)}
    assert any(one.code == "off-fixed-day" for one in plan.notices)


def test_days_that_are_over_ask_for_nothing() -> None:
    late = datetime(2027, 1, 14, 12, tzinfo=UTC)
    mapping = written((12, "quiz-1; quiz-2; quiz-3"))
    _, plan = made(mapping, late)
    bare = {**mapping, "exam": [{**mapping["exam"][0], "fixed_day": []}]}
    _, same = made(bare, late)
    assert [day.parts for day in plan.days] == [day.parts for day in same.days]
    assert not any(task.fixed for task in plan.tasks)


def test_a_day_in_the_light_end_is_moved_before_it_and_said() -> None:
    _, plan = made(written(("2027-02-02", "quiz-1")))
    [day] = days_of(plan, "chem.quiz-1")
    assert day <= plan.exams[0].consolidate_ends  # type: ignore[operator]
    assert any("Tue 2 Feb" in one.sentence for one in plan.notices if one.code == "off-fixed-day")


def test_material_that_comes_after_its_fixed_day_lies_on_the_first_day_that_has_it() -> None:
    pieces = [{"kind": "quiz", "key": "late", "in_hand": "2027-01-20"}, {"kind": "homework", "count": 9}]
    _, plan = made(written((12, "late"), material=pieces))
    assert days_of(plan, "late") == [jan(20)]


def test_work_without_answers_does_not_wait_where_its_day_is_fixed() -> None:
    pieces = [{"kind": "quiz", "key": "blind", "answers": "none"}, {"kind": "homework", "count": 9}]
    _, plan = made(written((7, "blind"), material=pieces))
    assert days_of(plan, "blind") == [jan(7)]


def test_the_second_pass_of_a_kind_waits_for_what_is_fixed_late() -> None:
    _, plan = made(written((28, "quiz-1")))
    [second] = [task.id for task in plan.tasks if task.role is Role.CONSOLIDATE and task.kind == "quiz"]
    later = [day.day for day in plan.days if any(part.task == second for part in day.parts)]
    assert min(later) >= jan(28)


def test_the_calendar_says_why_it_is_today() -> None:
    request, plan = made(written((12, "quiz-1")))
    text = ical.to_ics(plan, request).decode().replace("\r\n ", "")
    assert "This day was fixed for quizzes" in text


@settings(max_examples=25)
@given(asked=requests())
def test_any_request_gives_a_sound_plan_whose_fixed_work_is_where_it_says(asked: tuple[Request, datetime]) -> None:
    """The checker is content (or the plan would not leave), and nothing that is fixed is lost for its day's sake."""
    request, as_of = asked
    try:
        plan = make_plan(request, {}, as_of=as_of)
    except NoPlan:
        return
    document = to_json(plan)
    assert to_json(plan_from_json(document)) == document
    for exam in request.exams:
        keys = [item.material for task in plan.tasks if task.exam == exam.key and task.fixed for item in task.items]
        assert set(keys) <= set(exam.fixed)
        assert len(keys) == len(set(keys))


# ------------------------------------------------------------------------------------------------- a plan under way


def test_a_lost_day_moves_what_is_fixed_as_little_as_can_be_and_a_day_won_back_brings_it_home() -> None:
    request, plan = made(written((14, "quiz-2")))
    without = from_mapping(written((14, "quiz-2"), day_off=[{"day": "2027-01-14"}]))
    away = mend(plan, request, without, {}, as_of=datetime(2027, 1, 8, 12, tzinfo=UTC))
    assert {abs((day - jan(14)).days) for day in days_of(away, "chem.quiz-2")} == {1}
    home = mend(away, without, request, {}, as_of=datetime(2027, 1, 9, 12, tzinfo=UTC))
    assert days_of(home, "chem.quiz-2") == [jan(14)]


def test_a_second_pass_goes_on_waiting_for_what_is_fixed_late_when_days_are_lost() -> None:
    """Three days of thirty minutes go by unused, and what is left is more than the others hold."""
    pieces = [
        {"kind": "practice", "key": "chapters", "minutes": 90},
        {"kind": "practice", "key": "review", "minutes": 120},
    ]
    sheets = [
        {"kind": "homework", "key": "sheet-1", "minutes": 60},
        {"kind": "homework", "key": "sheet-2", "minutes": 15},
    ]
    effort = {"usual": 30, "limit": 30, "shortest": 10, "longest": 60}
    begin, now = NOW + timedelta(days=13), NOW + timedelta(days=16)
    request, plan = made(written((30, "review"), material=[*pieces, *sheets], effort=effort), begin)
    gone = [block for block in plan.blocks if block.day < date(2027, 1, 20)]
    log = [CheckIn(id=one.uid, at=now, block=one.uid, outcome=Outcome.MISSED) for one in gone]
    mended = mend(plan, request, request, {}, log, as_of=now)
    assert rules.check(request, mended) == ()
    [second] = [task.id for task in mended.tasks if task.role is Role.CONSOLIDATE and task.kind == "practice"]
    lies = [day.day for day in mended.days if any(part.task == second for part in day.parts)]
    assert min(lies) >= max(days_of(mended, "review"))


def test_a_day_that_is_fixed_anew_takes_its_pieces_out_of_their_tasks_and_no_piece_is_lost() -> None:
    request, plan = made(written((12, "quiz-1; quiz-2")))
    other = from_mapping(written((12, "quiz-1"), (20, "quiz-2; chem.homework-5"), (21, "chem.notes-1")))
    new = mend(plan, request, other, {}, as_of=datetime(2027, 1, 5, 12, tzinfo=UTC))
    assert rules.check(other, new) == ()
    assert days_of(new, "chem.quiz-1") == [jan(12)]
    assert days_of(new, "chem.quiz-2") == days_of(new, "chem.homework-5") == [jan(20)]
    before, after = shares(plan), shares(new)
    assert after == before


def test_material_that_takes_no_time_is_fixed_for_no_day() -> None:
    pieces = [{"kind": "homework", "key": "nothing", "minutes": 1}, {"kind": "quiz", "count": 3}]
    mapping = written(material=pieces)
    request = from_mapping({**mapping, "rates": {"homework_piece": 0.5}})
    exam = request.exams[0]
    none = replace(
        request, exams=(replace(exam, materials=(replace(exam.materials[0], minutes=0), *exam.materials[1:])),)
    )
    plan = make_plan(none, {}, as_of=NOW)
    exam = none.exams[0]
    other = replace(none, exams=(replace(exam, fixed_days=(FixedDay(day=jan(12), materials=("nothing",)),)),))
    new = mend(plan, none, other, {}, as_of=NOW + timedelta(days=1))
    assert rules.check(other, new) == ()


def test_what_is_fixed_no_longer_stays_where_it_is() -> None:
    request, plan = made(written((12, "quiz-1")))
    free = from_mapping(written())
    new = mend(plan, request, free, {}, as_of=datetime(2027, 1, 5, 12, tzinfo=UTC))
    assert days_of(new, "chem.quiz-1") == [jan(12)]
    assert not any(task.fixed for task in new.tasks)


def test_who_asks_that_every_other_day_stays_keeps_it() -> None:
    request, plan = made(written((14, "quiz-2")))
    without = from_mapping(written((14, "quiz-2"), (20, "quiz-3"), day_off=[{"day": "2027-01-13"}]))
    new = mend(plan, request, without, {}, as_of=datetime(2027, 1, 8, 12, tzinfo=UTC), way=Way.STAY)
    assert days_of(new, "chem.quiz-2") == [jan(14)]
    assert rules.check(without, new) == ()


def shares(plan: Plan) -> dict[str, list[int]]:
    """Which problems, periods or pieces of each material have a first pass or a second share, over all tasks."""
    found: dict[str, list[int]] = {}
    for task in plan.tasks:
        if task.role in (Role.COVER, Role.CONSOLIDATE) and task.items and task.ranks:
            for item in task.items:
                found.setdefault(item.material, []).extend(range(item.first, item.first + max(1, item.count)))
    return {key: sorted(numbers) for key, numbers in sorted(found.items())}


@settings(max_examples=25)
@given(asked=requests(), data=st.data(), days=st.integers(0, 20))
def test_other_fixed_days_for_any_plan_under_way_lose_no_piece(
    asked: tuple[Request, datetime], data: st.DataObject, days: int
) -> None:
    """A plan is mended for other fixed days: the checker is content, and of a material that has not begun each problem
    is in exactly as many tasks as before."""
    request, as_of = asked
    try:
        plan = make_plan(request, {}, as_of=as_of)
    except NoPlan:
        return
    exams = tuple(
        replace(exam, fixed_days=data.draw(fixed_days([one.key for one in exam.materials], exam.start.date())))
        for exam in request.exams
    )
    other = replace(request, exams=exams)
    later = as_of + timedelta(days=days)
    try:
        new = mend(plan, request, other, {}, as_of=later)
    except NoPlan:
        return
    assert rules.check(other, new) == ()
    if days == 0 and all(len(one) > 1 for one in (plan.days, new.days)):
        kept = {exam.key for exam in new.exams if exam.usable_days > 1}
        of_exam = {one.key: exam.key for exam in request.exams for one in exam.materials}
        before, after = shares(plan), shares(new)
        for key, numbers in before.items():
            if of_exam[key] in kept and key in after:
                assert after[key] == numbers


# -------------------------------------------------------------------------------------------------------- the news


def test_an_exam_that_moves_forward_leaves_fixed_days_behind_that_no_longer_lie_before_it() -> None:
    mapping = move_exam(written((12, "quiz-1"), (27, "quiz-2")), "chem", datetime.combine(jan(25), time(9)))
    assert [one.day for one in from_mapping(mapping).exams[0].fixed_days] == [jan(12)]
