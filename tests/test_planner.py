"""The main job from end to end: a request goes in, a plan that can be trusted comes out.

Every plan here has passed the checker (make_plan refuses to hand out one that has not), so these tests state what a
sound plan must also be: the one that was expected.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from calplan import planner, rules
from calplan.errors import BrokenPlan, Fault, InvalidRequest, NoPlan
from calplan.model import (
    Answers,
    Appointment,
    BusyCalendar,
    BusyInterval,
    DayOff,
    Effort,
    Exam,
    Holidays,
    Keep,
    Kind,
    Material,
    Plan,
    Rank,
    Request,
    Role,
    ShortDay,
    StudyHours,
    Weekday,
    plan_from_json,
    to_json,
)
from calplan.planner import make_plan, trade_off
from calplan.request import read
from tests.strategies import requests

FIXTURES = Path(__file__).parent.parent / "fixtures"
ZONE = "America/Chicago"
DAILY = StudyHours(days=tuple(Weekday), start=time(16), end=time(20))
EXAM_DAY = date(2027, 2, 4)


def month_of_material() -> tuple[Material, ...]:
    """14 homework pieces, 5 quizzes and 4 tests with their missed problems, 26 class periods, 90 practice problems."""
    return (
        *(Material(key=f"h{i}", kind=Kind.HOMEWORK, title=f"Homework {i}") for i in range(1, 15)),
        *(Material(key=f"q{i}", kind=Kind.QUIZ, title=f"Quiz {i}", missed=2) for i in range(1, 6)),
        Material(key="n", kind=Kind.NOTES, title="Notes", size=26),
        *(Material(key=f"t{i}", kind=Kind.TEST, title=f"Test {i}", missed=4) for i in range(1, 5)),
        Material(key="p", kind=Kind.PRACTICE, title="Practice", size=90),
    )


def chemistry(**more: object) -> Exam:
    made = Exam(
        key="chem",
        subject="Chemistry",
        start=datetime(2027, 2, 4, 9),
        minutes=120,
        materials=month_of_material(),
    )
    return replace(made, **more)


def request(*exams: Exam, **more: object) -> Request:
    return Request(zone=ZONE, exams=exams or (chemistry(),), week=(DAILY,), **more)  # type: ignore[arg-type]


def before_exam(days: int) -> datetime:
    """The first moment of the day that lies so many days before the exam."""
    return datetime.combine(EXAM_DAY - timedelta(days=days), time.min, ZoneInfo(ZONE)).astimezone(UTC)


def plan_over(days: int, **more: object) -> Plan:
    return make_plan(request(**more), {}, as_of=before_exam(days))


def load(plan: Plan) -> list[int]:
    return [5 * sum(part.units for part in day.parts) for day in plan.days]


def lost(plan: Plan) -> dict[Rank, int]:
    return {} if plan.shortfall is None else dict(plan.shortfall.lost)


# ------------------------------------------------------------ what the defaults give on free days (usual 30 minutes)


def test_thirty_days_have_one_stop_a_day_in_rotation_and_nothing_cut() -> None:
    """A month: 15 to 30 minutes a day, a stop a day. Common practice, no source."""
    plan = plan_over(30)
    by_id = {task.id: task for task in plan.tasks}
    cover = [by_id[day.parts[0].task] for day in plan.days[:20]]
    assert all(len(day.parts) == 1 for day in plan.days[:24])
    assert [task.kind for task in cover] == list(Kind) * 4
    assert all(day.day == by_id[part.task].ideal for day in plan.days for part in day.parts)
    assert all(part.units == len(by_id[part.task].ranks) for day in plan.days for part in day.parts)
    assert {20, 25, 30, 35, 40} >= set(load(plan)[:20])
    assert plan.shortfall is None
    assert not any(notice.code in ("combined", "shortened", "left-out") for notice in plan.notices)


def test_short_days_hold_their_minutes_and_the_limit_that_would_do_reckons_with_them() -> None:
    """Ten days, of which four are short. Under the limit that is said all fits, and under one less not."""
    short = tuple(ShortDay(day=EXAM_DAY - timedelta(days=back), minutes=20) for back in (3, 5, 7, 9))
    whole = plan_over(10, effort=Effort(limit=300)).figures.everything
    said = plan_over(10, effort=Effort(limit=300), short_days=short).figures.everything
    assert whole is not None
    assert said is not None
    assert said > whole
    enough = plan_over(10, effort=Effort(limit=said), short_days=short)
    assert lost(enough) == {}
    assert all(minutes <= 20 for day, minutes in zip(enough.days, load(enough), strict=True) if day.short == 20)
    assert sum(day.short == 20 for day in enough.days) == 4
    assert lost(plan_over(10, effort=Effort(limit=said - 5), short_days=short)) != {}


def test_a_timed_paper_keeps_away_from_days_too_short_for_it() -> None:
    """120 minutes with a quarter more are 150."""
    exam = chemistry(timed_paper=True, extra_time=25)
    first = paper_day(make_plan(request(exam), {}, as_of=before_exam(20)))
    short = (ShortDay(day=first, minutes=149),)
    assert paper_day(make_plan(request(exam, short_days=short), {}, as_of=before_exam(20))) != first
    short = (ShortDay(day=first, minutes=150),)
    plan = make_plan(request(exam, short_days=short), {}, as_of=before_exam(20))
    assert paper_day(plan) == first
    assert [part.units for day in plan.days if day.day == first for part in day.parts] == [30]


def paper_day(plan: Plan) -> date:
    """The day of the one timed paper."""
    papers = {task.id for task in plan.tasks if task.role is Role.PAPER}
    (day,) = [day.day for day in plan.days if any(part.task in papers for part in day.parts)]
    return day


def test_twenty_days_need_forty_five_minutes_and_about_seven_cuts_and_joins() -> None:
    plan = plan_over(20)
    assert plan.figures.bound == 45
    by_id = {task.id: task for task in plan.tasks}
    joins = sum(max(0, len({by_id[part.task].kind for part in day.parts} - {None}) - 1) for day in plan.days)
    days_of: dict[str, int] = {}
    for day in plan.days:
        for part in day.parts:
            days_of[part.task] = days_of.get(part.task, 0) + 1
    cuts = sum(count - 1 for count in days_of.values())
    assert 6 <= joins + cuts <= 8
    assert plan.shortfall is None


def test_ten_days_need_ninety_minutes_so_extras_and_the_least_essentials_fall_under_sixty() -> None:
    assert plan_over(10).figures.everything == 90
    losses = lost(plan_over(10))
    extras = sum(task.ranks.count(Rank.EXTRA) for task in plan_over(10).tasks) * 5
    assert losses[Rank.EXTRA] == extras
    assert set(losses) == {Rank.EXTRA, Rank.FLAG_SHOULD}
    assert max(load(plan_over(10))) <= 60
    assert plan_over(10, effort=Effort(limit=120)).shortfall is None


def test_ten_days_under_ninety_minutes_have_bound_ninety() -> None:
    assert plan_over(10, effort=Effort(limit=120)).figures.bound == 90


# ------------------------------------------------------------------------------------ any number of days at all


@pytest.mark.parametrize("days", [60, 30, 20, 15, 10, 5, 3, 2, 1])
def test_any_number_of_days_gives_a_sensible_plan(days: int) -> None:
    plan = plan_over(days)
    loads = load(plan)
    assert len(plan.days) == days
    assert all(loads), "no usable day is left empty (common practice, no source)"
    assert max(loads) <= 60
    assert loads[-1] <= 30, "the eve is light (common practice, no source)"
    if 10 <= days <= 30:
        light = len(plan.exams[0].taper_days)
        assert sum(loads[-light:]) / light < sum(loads[:-light]) / (days - light), "it gets lighter before the day"
    if days <= 3:
        assert any(notice.code == "few-days" for notice in plan.notices)
    if plan.shortfall is None:
        assert plan.figures.asked == plan.figures.kept
    else:
        assert {notice.code for notice in plan.notices} & {"shortened", "left-out"}


def test_no_day_left_is_a_refusal_that_names_what_takes_the_days_and_what_still_helps() -> None:
    with pytest.raises(NoPlan) as refusal:
        make_plan(request(), {}, as_of=before_exam(0) + timedelta(hours=8))
    assert "Chemistry" in refusal.value.sentence
    assert refusal.value.reasons
    assert refusal.value.advice

    trip = DayOff(first=EXAM_DAY - timedelta(days=5), last=EXAM_DAY, title="Choir trip")
    with pytest.raises(NoPlan) as refusal:
        make_plan(request(days_off=(trip,)), {}, as_of=before_exam(5))
    assert any("Choir trip" in reason for reason in refusal.value.reasons)


def test_ten_minutes_a_day_still_make_a_plan() -> None:
    plan = plan_over(30, effort=Effort(usual=10, limit=10))
    assert set(load(plan)) <= {5, 10}
    assert all(block.minutes <= 10 for block in plan.blocks)
    assert plan.shortfall is not None
    assert plan.shortfall.limit_all is not None


def test_weekends_only() -> None:
    weekend = StudyHours(days=(Weekday.SAT, Weekday.SUN), start=time(9), end=time(18))
    plan = make_plan(replace(request(), week=(weekend,)), {}, as_of=before_exam(45))
    assert {block.day.weekday() for block in plan.blocks} == {5, 6}


def test_finals_week_plans_five_exams_in_five_days() -> None:
    subjects = ["Biology", "History", "Physics", "Algebra", "Economics"]
    exams = [
        chemistry(
            key=subject.lower(),
            subject=subject,
            start=datetime(2027, 2, 1, 9) + timedelta(days=i),
            materials=tuple(
                replace(m, key=f"{subject}-{m.key}") for m in month_of_material() if m.kind is not Kind.HOMEWORK
            ),
        )
        for i, subject in enumerate(subjects)
    ]
    plan = make_plan(request(*exams), {}, as_of=before_exam(40))
    by_id = {task.id: task for task in plan.tasks}
    assert {exam.key for exam in plan.exams if exam.usable_days} == {exam.key for exam in exams}
    for day in plan.days:
        for part in day.parts:
            assert day.day < by_id[part.task].last + timedelta(days=1)
    week = [day for day in plan.days if day.day >= date(2027, 2, 1)]
    assert all(day.halved for day in week)
    for exam in plan.exams:  # no exam is massed: its first pass reaches over much of its cover stage
        cover = [
            d.day
            for d in plan.days
            for p in d.parts
            if by_id[p.task].exam == exam.key and by_id[p.task].role is Role.COVER
        ]
        assert exam.cover_ends is not None
        assert (cover[-1] - cover[0]) > (exam.cover_ends - plan.days[0].day) * 0.4
    for exam in plan.exams:  # each exam keeps its eve
        eve = exam.start.date() - timedelta(days=1)
        day = next(day for day in plan.days if day.day == eve)
        assert any(by_id[part.task].role is Role.EVE and by_id[part.task].exam == exam.key for part in day.parts)


# -------------------------------------------------------------------------------- when it does not fit


def test_the_proof_and_the_ways_out_hold() -> None:
    """Every number of a shortfall is tried out: the limit that would do does, one unit less does not; so the start."""
    plan = plan_over(10)
    short = plan.shortfall
    assert short is not None
    inside = [day for day in plan.days if short.first <= day.day <= short.last]
    assert short.free == 5 * sum(day.room for day in inside)
    assert short.needed > short.free
    assert short.limit_all is not None
    assert plan_over(10, effort=Effort(limit=short.limit_all)).shortfall is None
    assert plan_over(10, effort=Effort(limit=short.limit_all - 5)).shortfall is not None
    assert short.limit_essential is not None
    assert set(lost(plan_over(10, effort=Effort(limit=short.limit_essential)))) <= {Rank.EXTRA}
    assert short.start is not None
    back = (EXAM_DAY - short.start).days
    assert plan_over(back).shortfall is None
    assert all(plan_over(days).shortfall is not None for days in range(10, back))


def test_essentials_only_keeps_extras_up_to_a_third_above_usual_minutes() -> None:
    everything = plan_over(20)
    essentials = plan_over(20, keep=Keep.ESSENTIALS)
    assert everything.figures.kept == everything.figures.asked
    assert {rank for task in essentials.tasks for rank in task.ranks[task.kept :]} == {Rank.EXTRA}
    assert max(load(essentials)) <= 40 + 5
    assert essentials.figures.kept < everything.figures.kept
    assert essentials.shortfall is None


def test_the_trade_off_rises_as_days_pass_and_agrees_with_the_plan() -> None:
    steps = trade_off(request(), {}, as_of=before_exam(30))
    assert steps[0].start == EXAM_DAY - timedelta(days=30)
    assert [step.days for step in steps] == list(range(30, 1, -1))
    assert steps[0].everything == plan_over(30).figures.everything
    assert steps[20].everything == plan_over(10).figures.everything == 90
    assert steps[20].essentials == plan_over(10).figures.essentials


# ------------------------------------------------------------------------------- appointments, papers, encores


def test_an_appointment_is_a_fixed_load_inside_the_limit() -> None:
    tutoring = Appointment(title="Tutoring", start=datetime(2027, 1, 20, 17), minutes=45, exam="chem")
    plan = plan_over(20, appointments=(tutoring,))
    day = next(day for day in plan.days if day.day == date(2027, 1, 20))
    assert day.fixed == 9
    assert 5 * sum(part.units for part in day.parts) + 45 <= plan.figures.maximum
    assert [block.title for block in plan.blocks if block.fixed] == ["Tutoring"]


def test_a_timed_paper_lies_late_at_the_exams_hour_with_granted_time_and_alone() -> None:
    plan = make_plan(request(chemistry(timed_paper=True, extra_time=25)), {}, as_of=before_exam(30))
    paper = next(task for task in plan.tasks if task.role is Role.PAPER)
    block = next(block for block in plan.blocks if any(part.task == paper.id for part in block.parts))
    assert (block.start.hour, block.start.minute, block.minutes) == (9, 0, 150)
    assert block.day == plan.exams[0].consolidate_ends
    assert [b for b in plan.blocks if b.day == block.day] == [block]


def test_a_timed_paper_whose_hour_is_taken_is_left_out_and_said() -> None:
    school = tuple(
        BusyInterval(
            start=datetime(2027, 1, 5, 8) + timedelta(days=i), end=datetime(2027, 1, 5, 15) + timedelta(days=i)
        )
        for i in range(30)
    )
    plan = make_plan(request(chemistry(timed_paper=True), busy=school), {}, as_of=before_exam(30))
    assert not any(task.role is Role.PAPER for task in plan.tasks)
    assert any(notice.code == "paper-left-out" for notice in plan.notices)


def test_a_timed_paper_may_lie_on_a_day_without_study_hours_or_beside_other_work() -> None:
    weekdays = StudyHours(days=tuple(Weekday)[:5], start=time(16), end=time(20))
    school = tuple(
        BusyInterval(start=datetime.combine(day, time(8)), end=datetime.combine(day, time(15)))
        for i in range(30)
        if (day := date(2027, 1, 5) + timedelta(days=i)).weekday() < 5
    )
    plan = make_plan(
        replace(request(chemistry(timed_paper=True), busy=school), week=(weekdays,)), {}, as_of=before_exam(30)
    )
    paper = next(task for task in plan.tasks if task.role is Role.PAPER)
    assert paper.ideal.weekday() in (5, 6)

    tight = make_plan(request(chemistry(timed_paper=True)), {}, as_of=before_exam(9))
    day = next(day for day in tight.days if any(part.task == "chem/paper" for part in day.parts))
    assert len(day.parts) > 1, "where every minute is needed, other work stays on the paper's day"


def test_two_timed_papers_never_share_their_hour() -> None:
    other = chemistry(key="bio", subject="Biology", timed_paper=True, materials=())
    plan = make_plan(request(chemistry(timed_paper=True), other), {}, as_of=before_exam(30))
    papers = [task for task in plan.tasks if task.role is Role.PAPER]
    assert len(papers) == 2
    assert papers[0].ideal != papers[1].ideal


def test_encores_fill_days_that_would_be_empty_and_count_nowhere() -> None:
    few = tuple(m for m in month_of_material() if m.key in {"h1", "h2", "q1", "t1", "p"})
    plan = make_plan(request(chemistry(materials=few)), {}, as_of=before_exam(60))
    encores = [task for task in plan.tasks if task.role is Role.ENCORE]
    assert encores
    assert all(load(plan))
    first_days = {part.task: day.day for day in reversed(plan.days) for part in day.parts}
    for encore in encores:
        same = [t for t in plan.tasks if t.role is Role.COVER and t.items == encore.items]
        assert min(first_days[task.id] for task in same) < encore.ideal


# ---------------------------------------------------------------------------- problems, faults, determinism


def test_all_problems_of_files_and_places_come_at_once() -> None:
    wrong = request(
        calendars=(BusyCalendar(file="lost.ics"), BusyCalendar(file="page.ics"), BusyCalendar(file="empty.ics")),
        holidays=Holidays(country="ZZ"),
    )
    with pytest.raises(InvalidRequest) as error:
        make_plan(wrong, {"page.ics": b"<!doctype html><html>", "empty.ics": b""}, as_of=before_exam(30))
    assert len(error.value.problems) == 4


def test_an_exam_without_usable_days_is_said_and_the_others_are_planned() -> None:
    early = chemistry(key="bio", subject="Biology", start=datetime(2027, 1, 5, 9), materials=())
    plan = make_plan(request(chemistry(), early), {}, as_of=before_exam(30))
    assert [exam.usable_days for exam in plan.exams] == [30, 0]
    assert any(notice.code == "no-usable-day" and "Biology" in notice.sentence for notice in plan.notices)


def test_a_plan_that_breaks_a_rule_is_never_handed_out(monkeypatch: pytest.MonkeyPatch) -> None:
    fault = Fault("overlap", "somewhere", "Two blocks overlap.")
    monkeypatch.setattr(rules, "check", lambda request, plan: (fault,))
    with pytest.raises(BrokenPlan, match="a bug in calplan") as error:
        plan_over(5)
    assert error.value.faults == (fault,)


def test_the_same_input_gives_the_same_bytes_and_another_seed_only_other_ids() -> None:
    assert to_json(plan_over(30)) == to_json(plan_over(30))
    other = make_plan(request(), {}, as_of=before_exam(30), seed="another")
    ours = plan_over(30)
    assert {block.uid for block in other.blocks}.isdisjoint(block.uid for block in ours.blocks)
    same = replace(other, seed=ours.seed, blocks=ours.blocks)
    assert same == ours


def test_a_plan_is_its_own_document() -> None:
    plan = plan_over(10)
    assert plan_from_json(to_json(plan)) == plan


def test_as_of_may_be_in_any_zone() -> None:
    moment = before_exam(30)
    assert make_plan(request(), {}, as_of=moment.astimezone(ZoneInfo("Asia/Tokyo"))) == plan_over(30)


# ----------------------------------------------------------------------------------------------------- laws


@given(requests())
@settings(max_examples=60)
def test_every_request_gives_a_sound_plan_or_a_kind_answer(drawn: tuple[Request, datetime]) -> None:
    """make_plan runs the checker itself; here it must neither find a fault nor fail in any other way."""
    asked, as_of = drawn
    try:
        plan = make_plan(asked, {}, as_of=as_of)
    except NoPlan as answer:
        refusal = answer
    else:
        refusal = None
    if refusal is not None:
        assert refusal.reasons
        return
    assert rules.check(asked, plan) == ()
    counted = [task for task in plan.tasks if task.role not in (Role.ENCORE, Role.PAPER)]
    assert sum(len(task.ranks) for task in counted) * 5 == plan.figures.asked
    placed = sum(part.units for day in plan.days for part in day.parts if "/encore-" not in part.task)
    papers = sum(len(task.ranks) for task in plan.tasks if task.role is Role.PAPER)
    assert (placed - papers) * 5 == plan.figures.kept
    assert all(one.start < other.start for one, other in pairwise(plan.blocks))


@given(st.integers(1, 8), st.integers(2, 40))
@settings(max_examples=30)
def test_whole_weeks_shift_the_plan(weeks: int, days: int) -> None:
    """Without holidays and clock changes, the same request some weeks later is the same plan some weeks later.

    Phoenix has no clock changes (tz database).
    """
    here = replace(request(), zone="America/Phoenix")
    later = replace(here, exams=(chemistry(start=datetime(2027, 2, 4, 9) + timedelta(weeks=weeks)),))
    as_of = before_exam(days) + timedelta(hours=1)
    plan = make_plan(here, {}, as_of=as_of, seed="s")
    shifted = make_plan(later, {}, as_of=as_of + timedelta(weeks=weeks), seed="s")
    assert [(b.start + timedelta(weeks=weeks), b.minutes, b.parts) for b in plan.blocks] == [
        (b.start, b.minutes, b.parts) for b in shifted.blocks
    ]
    assert plan.figures == shifted.figures


@given(st.integers(2, 40), st.integers(2, 20), st.integers(1, 8))
@settings(max_examples=30)
def test_a_higher_limit_never_loses_more_and_never_raises_a_figure(days: int, units: int, more: int) -> None:
    low = plan_over(days, effort=Effort(usual=5 * min(units, 6), limit=5 * units))
    high = plan_over(days, effort=Effort(usual=5 * min(units, 6), limit=5 * (units + more)))
    assert [lost(high).get(rank, 0) for rank in Rank] <= [lost(low).get(rank, 0) for rank in Rank]
    assert (low.figures.everything, low.figures.essentials) == (high.figures.everything, high.figures.essentials)


def test_the_fixture_requests_all_give_sound_plans() -> None:
    for path in sorted(FIXTURES.glob("*.toml")):
        asked = read(path.read_bytes(), name=path.name)
        calendars = {one.file: (FIXTURES / one.file).read_bytes() for one in asked.calendars}
        first = asked.start or min(exam.start for exam in asked.exams).date() - timedelta(days=30)
        as_of = datetime.combine(first, time.min, ZoneInfo(asked.zone)).astimezone(UTC)
        plan = planner.make_plan(asked, calendars, as_of=as_of)
        assert rules.check(asked, plan) == ()
        assert plan.blocks


# ------------------------------------------------------------------------------------- what a plan says of itself


def test_an_exam_that_has_begun_or_is_over_is_not_planned_but_said() -> None:
    for hours, said in ((9.5, "has begun"), (30, "is over")):
        with pytest.raises(NoPlan) as refusal:
            make_plan(request(), {}, as_of=before_exam(0) + timedelta(hours=hours))
        assert said in refusal.value.sentence
        assert refusal.value.advice


def test_exams_at_the_same_time_are_pointed_out() -> None:
    other = chemistry(key="bio", subject="Biology", start=datetime(2027, 2, 4, 10), materials=())
    plan = make_plan(request(chemistry(), other), {}, as_of=before_exam(20))
    assert any(n.code == "exams-overlap" and "Chemistry and Biology" in n.sentence for n in plan.notices)


def test_a_timed_paper_says_when_it_is_and_why_it_is_not() -> None:
    plan = make_plan(request(chemistry(timed_paper=True)), {}, as_of=before_exam(30))
    assert any(n.code == "paper-hour" and "29 Jan" in n.sentence for n in plan.notices)
    short = make_plan(request(chemistry(timed_paper=True)), {}, as_of=before_exam(3))
    assert any(n.code == "paper-left-out" and "too few days" in n.sentence for n in short.notices)


def test_the_sheet_comes_first_on_an_only_day() -> None:
    plan = plan_over(1)
    by_id = {task.id: task for task in plan.tasks}
    assert [by_id[part.task].kind for part in plan.days[0].parts] == [None, Kind.TEST, Kind.PRACTICE]


def test_starting_earlier_never_costs_more() -> None:
    subjects = ["Biology", "History", "Physics"]
    exams = [
        chemistry(
            key=subject,
            subject=subject,
            start=datetime(2027, 2, 4 + i, 9),
            materials=tuple(replace(m, key=f"{subject}-{m.key}") for m in month_of_material()),
        )
        for i, subject in enumerate(subjects)
    ]
    steps = trade_off(request(*exams), {}, as_of=before_exam(40))
    for one, later in pairwise(steps):
        for mine, theirs in ((one.everything, later.everything), (one.essentials, later.essentials)):
            assert theirs is None or (mine is not None and mine <= theirs)


def test_problems_beyond_a_request_are_found_although_the_request_is_wrong() -> None:
    """A wrong document says what could be read of it, so that its files and its place are looked at as well."""
    document = b"""schema = 1
zone = "Nowhere"
[[exam]]
subject = "Chemistry"
start = "2027-02-04T09:00"
minutes = 120
[[study_hours]]
days = "daily"
start = "16:00"
end = "20:00"
[[calendar]]
file = "lost.ics"
[holidays]
country = "ZZ"
"""
    with pytest.raises(InvalidRequest) as error:
        read(document, name="request.toml")
    rest = error.value.rest
    beyond = planner.problems_beyond(rest["calendars"], rest["holidays"], {})
    assert [problem.place for problem in beyond] == ["holidays.country", "calendar lost.ics"]


def test_gathering_may_lie_on_taper_days_that_opened_since_it_goes_before_every_essential() -> None:
    """Three exams, three short days a week, nothing with answers: random requests found that the checker refused it."""

    def pieces(name: str, minutes: tuple[int | None, ...]) -> tuple[Material, ...]:
        made = (
            Material(key=f"{name}-{i}", kind=Kind.HOMEWORK, title=f"Piece {i}", answers=Answers.NONE, minutes=each)
            for i, each in enumerate(minutes)
        )
        return tuple(made)

    def sat(key: str, month: int, day: int, weight: int, materials: tuple[Material, ...]) -> Exam:
        start = datetime(2027, month, day, 7)
        return Exam(
            key=key, subject=key, start=start, minutes=20, weight=weight, sureness=1, pace=80, materials=materials
        )

    request = Request(
        zone="UTC",
        exams=(
            sat("exam-0", 4, 8, 1, pieces("exam-0", (None,) * 8)),
            sat("exam-1", 4, 6, 1, ()),
            sat("exam-2", 3, 28, 3, pieces("exam-2", (None, 52, None, 59, 117, 78))),
        ),
        week=(
            StudyHours(days=(Weekday.MON, Weekday.TUE, Weekday.WED), start=time(0), end=time(0)),
            StudyHours(days=(Weekday.MON, Weekday.TUE, Weekday.SAT), start=time(0), end=time(0)),
        ),
        effort=Effort(usual=16, limit=19, shortest=5, longest=10, rest=0, margin=0, bedtime=time(21)),
    )
    plan = make_plan(request, {}, as_of=datetime(2027, 3, 1, tzinfo=UTC))
    gathering = [day.day for day in plan.days if any(part.task == "exam-0/0" for part in day.parts)]
    assert gathering[-1] in next(exam for exam in plan.exams if exam.key == "exam-0").taper_days


def test_more_work_than_can_be_laid_out_is_refused_with_a_way_out_instead_of_taking_hours() -> None:
    """Twenty exams of 245 pieces each, a day of sixteen hours: one cut of it alone would take half a minute."""
    exams = tuple(
        Exam(
            key=f"exam-{n}",
            subject=f"Subject {n}",
            start=datetime(2027, 3, 1 + n, 9),
            minutes=90,
            materials=tuple(Material(key=f"{n}-{i}", kind=Kind.HOMEWORK, title=f"Piece {i}") for i in range(245)),
        )
        for n in range(20)
    )
    effort = Effort(limit=960)
    request = Request(zone=ZONE, exams=exams, week=(replace(DAILY, start=time(7), end=time(21)),), effort=effort)
    with pytest.raises(InvalidRequest, match=r"\d+ hours of work over \d+ days are more than can be laid out"):
        make_plan(request, {}, as_of=datetime(2027, 1, 5, 12, tzinfo=UTC))
