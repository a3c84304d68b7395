"""Work that lives on: an exam's tasks of the published plan, fitted to what is true now.

Published cover is never dealt out anew. A task keeps its id, its units and its place in the order; what of it is over
is marked. Only what the news concerns changes: stages where the exam has moved, light tasks where their days have,
tasks whose material is gone, new, fixed for another day, or takes other minutes, and second passes once flags are
known.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from datetime import date, timedelta
from typing import TYPE_CHECKING, NamedTuple

from msgspec.structs import replace

from calplan.contents import by_kind
from calplan.cycle import (
    Cycle,
    Setting,
    Stages,
    answers_day,
    asks,
    cycle,
    deal,
    fixed_stops,
    pieces_of,
    single_day,
    stages_of,
    stop_of,
    taper,
    task_of,
)
from calplan.days import exam_day
from calplan.model import KINDS, Role, Task, identity
from calplan.refitting import Fit, further_passes, refitted, without_gone
from calplan.settling import behind_of
from calplan.workload import Prepared

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from datetime import datetime

    from calplan.learned import Known
    from calplan.model import Exam, Kind, Material, PastBlock, Plan, PlannedExam, Request

ASIDE = frozenset({Role.ENCORE, Role.PAPER})
"""What is not carried as work: encores fill days anew, and a timed paper is looked at by itself."""


class Carried(NamedTuple):
    """An exam with its tasks, and the last dates of its stages (``None``: as dealt out anew)."""

    prepared: Prepared
    ends: tuple[date | None, date | None] | None
    behind_days: int


class Old(NamedTuple):
    """What is carried from: the published plan, the request it was made from, and its past as it is judged now."""

    plan: Plan
    request: Request
    past: tuple[PastBlock, ...]
    known: Known


def carried(old: Old, request: Request, usable: Sequence[date], *, today: date, as_of: datetime) -> tuple[Carried, ...]:
    """The work of every exam of a request that has a usable day ahead, in order of their dates.

    ``usable`` are the usable days from ``today`` on.
    """
    behind = behind_of(old.past)
    tasks = [within(task, behind.get(task.id, ())) for task in old.plan.tasks if task.role not in ASIDE]
    found = []
    for exam in sorted(request.exams, key=lambda exam: (exam_day(request, exam), exam.start)):
        day = exam_day(request, exam)
        mine = tuple(usable[: bisect_left(usable, day)])
        if not mine:
            continue
        before = next((one for one in old.request.exams if one.key == exam.key), None)
        published = next((one for one in old.plan.exams if one.key == exam.key), None)
        known = [task for task in tasks if task.exam == exam.key]
        if before is None or published is None or not known:
            fresh = cycle(exam, request.rates, mine, usual=request.effort.usual, today=today)
            taken = {one.task for block in old.past for one in block.worked}
            found.append(Carried(Prepared(exam, day, mine, unlike(fresh, taken, as_of)), None, 0))
        else:
            found.append(continued(old, request, exam, before, published, mine, known, today))
    return tuple(found)


def within(task: Task, behind: tuple[tuple[int, int], ...]) -> Task:
    """The task with what is over of it, as far as it still has those units."""
    over = [(first, min(units, len(task.ranks) - first)) for first, units in behind if first < len(task.ranks)]
    return replace(task, behind=tuple(over)) if task.behind != tuple(over) else task


def unlike(fresh: Cycle, taken: Iterable[str], as_of: datetime) -> Cycle:
    """The tasks of an exam that is new to the plan, under ids that no earlier work of it has."""
    taken = set(taken)
    if all(task.id not in taken for task in fresh.tasks):
        return fresh
    mark = identity("exam", as_of.isoformat())[:8]
    return fresh._replace(tasks=tuple(replace(task, id=f"{task.id}~{mark}") for task in fresh.tasks))


def continued(
    old: Old,
    request: Request,
    exam: Exam,
    before: Exam,
    published: PlannedExam,
    mine: tuple[date, ...],
    tasks: list[Task],
    today: date,
) -> Carried:
    """An exam that the published plan has."""
    day = exam_day(request, exam)
    over = [one.day for one in old.plan.days if one.room and one.day < mine[0] and one.day < day]
    behind_days = (published.behind_days or 0) + len(over)
    ends = published.cover_ends, published.consolidate_ends
    if exam_day(old.request, before) != day or not tail(mine, ends):
        ends = ends_of(mine, behind_days, ends)
    stages = counted(mine, ends)
    setting = Setting(exam, request.rates, mine, stages, answers_day(exam, stages, mine), today)
    single = len(mine) == 1 and published.taper_days[-1:] != mine
    if single:
        stages = Stages(1, 0, 0)
        made = only_day(setting, request, tasks, was_only(published, mine[0]))
    else:
        passes = [task for task in tasks if not of_one_day(task) or (task.behind and "/only-" in task.id)]
        fit = Fit(setting, before, old.known, old.past)
        passes = [windowed(setting, task, ends) for task in refitted(fit, passes)]
        passes += further_passes(fit, passes)
        passes += [windowed(setting, task, ends) for task in refitted(fit, added(fit, passes))]
        ends_light = [task for task in tasks if task.role in (Role.TAPER, Role.EVE) and "/only-" not in task.id]
        light = light_tasks(setting, request, ends_light)
        made = [*passes, *light]
    ordered = in_order(without_gone(exam, task) for task in made)
    late = tuple(m for m in exam.materials if setting.wait(m) > setting.end)
    asked = (*asks(exam), *(ask for ask in old.known.asks if ask.exam == exam.key))
    cycle_now = Cycle(stages, ordered, (), late, asked)
    return Carried(Prepared(exam, day, mine, cycle_now), None if single else ends, behind_days)


def was_only(published: PlannedExam, day: date) -> bool:
    """Whether the published plan had this day alone for the exam."""
    return published.usable_days == 1 and published.cover_ends == day and not published.taper_days


def only_day(setting: Setting, request: Request, tasks: Sequence[Task], already: bool) -> list[Task]:
    """What matters most on the only day that is left; of everything else nothing more is to be done.

    ``already`` tells that it was the only one before.
    """
    day = setting.days[0]
    name = f"{setting.exam.key}/only-{day}-"
    there = {one.key for one in setting.exam.materials}
    mine = {t.id for t in tasks if t.id.startswith(name) or (already and t.first == t.last == day)}
    known = [t for t in tasks if t.id in mine and all(item.material in there for item in t.items)]
    number = max(task.number for task in tasks) + 1
    only = known or [
        replace(task_of(setting, number + n, draft), id=f"{name}{n}")
        for n, draft in enumerate(single_day(setting, request.effort.usual))
    ]
    over = [task for task in tasks if task.id not in mine]
    return [*(closed(task, day - timedelta(days=1)) for task in over if task.behind or not of_one_day(task)), *only]


def of_one_day(task: Task) -> bool:
    """Whether a task is only there for one day: the light end, and what an only day had."""
    return task.role in (Role.TAPER, Role.EVE) or "/only-" in task.id


def in_order(tasks: Iterable[Task]) -> tuple[Task, ...]:
    """The tasks in the exam's order: first passes, second ones, the sheet, the light end; numbered anew.

    A second pass comes after all first passes of its kind, those over material that came later among them.
    """
    rank = {Role.GATHER: 0, Role.COVER: 0, Role.CONSOLIDATE: 0, Role.TIDY: 1, Role.TAPER: 2, Role.EVE: 3}
    tasks = tuple(tasks)
    covered: dict[Kind | None, int] = {}
    for task in tasks:
        if task.role is Role.COVER:
            covered[task.kind] = max(task.number, covered.get(task.kind, 0))

    def place(task: Task) -> tuple[int, date, int, bool]:
        second = task.role is Role.CONSOLIDATE
        number = max(task.number, covered.get(task.kind, 0)) if second else task.number
        return rank[task.role], task.ideal if rank[task.role] == 2 else date.min, number, second

    return tuple(replace(task, number=number) for number, task in enumerate(sorted(tasks, key=place)))


# ----------------------------------------------------------------------------------------------- stages


def tail(mine: Sequence[date], ends: tuple[date | None, date | None]) -> tuple[date, ...]:
    """The usable days after the second pass."""
    last = ends[1] or ends[0]
    return tuple(mine[bisect_right(mine, last) :]) if last else tuple(mine)


def ends_of(
    mine: tuple[date, ...], behind: int, ends: tuple[date | None, date | None]
) -> tuple[date | None, date | None]:
    """The last dates of cover and consolidate where ``behind`` usable days are over and these lie ahead.

    The light end is what all days together give; the rest is shared out as far as the days reach.
    """
    whole = stages_of(behind + len(mine))
    light = min(whole.taper or 1, max(1, len(mine) - 1))
    second = min(whole.consolidate, len(mine) - light)
    first = len(mine) - light - second
    past = ends[0] if ends[0] and ends[0] < mine[0] else None
    cover = mine[first - 1] if first else past
    return cover, mine[first + second - 1] if second else None


def counted(mine: Sequence[date], ends: tuple[date | None, date | None]) -> Stages:
    """How many of the days ahead each stage has."""
    cover = bisect_right(mine, ends[0]) if ends[0] else 0
    passes = bisect_right(mine, ends[1]) if ends[1] else cover
    return Stages(cover, max(0, passes - cover), len(mine) - max(cover, passes))


# ---------------------------------------------------------------------------------------------- windows


def windowed(setting: Setting, task: Task, ends: tuple[date | None, date | None]) -> Task:
    """The task with the days on which it may lie now; what is over has none to think of."""
    if not task.open:
        return task
    last = ends[1] or ends[0] or setting.days[0] - timedelta(days=1)
    keys = {item.material for item in task.items}
    waits = {one.key: setting.wait(one) for one in awaited(setting, task)}
    place = max((wait for key, wait in waits.items() if key in keys or wait <= setting.end), default=0)
    first = setting.days[place] if place < len(setting.days) else setting.days[-1] + timedelta(days=1)
    return replace(task, first=first, last=last)


def awaited(setting: Setting, task: Task) -> list[Material]:
    """The material that has to be there first: a task's own; of a second pass all of its kind, of the sheet all."""
    keys = {item.material for item in task.items}
    if task.role is Role.TIDY:
        return list(setting.exam.materials)
    return [
        m for m in setting.exam.materials if m.key in keys or (task.role is Role.CONSOLIDATE and m.kind is task.kind)
    ]


def closed(task: Task, day: date) -> Task:
    """The task with nothing left to do: its day has gone, or its time is over."""
    return replace(task, kept=task.over, last=min(task.last, day), first=min(task.first, day))


# ---------------------------------------------------------------------------------------- new material


def added(fit: Fit, tasks: Sequence[Task]) -> list[Task]:
    """Stops for material that the plan did not have, each beside the nearest open stop of its kind.

    Pieces, class periods and problems are dealt out over the kind's open stops, or over the cover days that are left;
    what is fixed for a day has its own stop there.
    """
    setting = fit.setting
    had = {item.material for task in tasks if by_kind(task) for item in task.items}
    had |= {key for block in fit.past for one in block.worked if one.exam == setting.exam.key for key in one.pieces}
    fresh = [one for one in setting.exam.materials if one.key not in had and setting.wait(one) <= setting.end]
    found: list[Task] = []
    rounds = max((task.round for task in tasks if task.role is Role.COVER), default=1)
    number = max((task.number for task in tasks if task.role in (Role.GATHER, Role.COVER)), default=0)
    for draft in fixed_stops(setting, fresh, rounds):
        found.append(named(setting, task_of(setting, number, draft)))
    for kind in KINDS:
        pile = [one for one in fresh if one.kind is kind and setting.fixed(one) is None]
        if not pile:
            continue
        open_ = [task for task in tasks if task.role is Role.COVER and task.kind is kind and task.ahead]
        count = min(len(open_) or max(1, setting.stages.cover // 5), sum(pieces_of(one) for one in pile))
        for n, items in enumerate(deal(setting, pile, count)):
            beside = open_[n * len(open_) // count] if open_ else None
            place = bisect_left(setting.days, beside.ideal) if beside else n * max(1, setting.stages.cover) // count
            place = min(place, setting.end)
            turn = beside.round if beside else rounds + 1 + n
            draft = stop_of(setting, Role.COVER, kind, turn, place, items)
            place = max(place, min(draft.release, setting.end))
            draft = replace(draft, ideal=place, release=min(draft.release, place))
            found.append(named(setting, task_of(setting, beside.number if beside else number, draft)))
    return found


def named(setting: Setting, task: Task) -> Task:
    """The task of new material under an id of its own."""
    return replace(task, id=f"{setting.exam.key}/with-{task.items[0].material}-{task.items[0].first}")


# ------------------------------------------------------------------------------------------- the light end


def light_tasks(setting: Setting, request: Request, tasks: Sequence[Task]) -> list[Task]:
    """One task for each light day: the one that it had, else one whose day has gone, else a new one.

    What is over stays; a light task whose day is no longer one goes with it.
    """
    days = setting.days[len(setting.days) - setting.stages.taper :]
    over = [closed(task, task.last) for task in tasks if task.behind]
    open_ = [task for task in tasks if not task.behind]
    of_day = {task.ideal: task for task in open_ if task.role is Role.TAPER}
    drafts = {setting.days[draft.ideal]: draft for draft in taper(setting, request.effort.usual)}
    spare = [task for task in open_ if task.role is Role.TAPER and task.ideal not in days[:-1]]
    number = max((task.number for task in tasks), default=0) + 1
    there = {one.key for one in setting.exam.materials}
    done = {task.ideal for task in over}
    made = []
    for day in (day for day in days if day not in done):
        draft = drafts[day]
        if day == days[-1]:
            mine = next((task for task in open_ if task.role is Role.EVE), None)
        else:
            mine = of_day.get(day) or (spare.pop(0) if spare else None)
        if mine is None:
            mine = replace(task_of(setting, number, draft), id=f"{setting.exam.key}/light-{day}")
        same = mine.ideal == day and all(item.material in there for item in mine.items)
        items = mine.items if same else draft.items
        whole = replace(mine, kept=len(mine.ranks), items=items)
        made.append(whole if whole.ideal == day else replace(whole, ideal=day, first=day, last=day))
    return [*over, *made]
