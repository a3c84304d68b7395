"""Open work on its days: where it lay in the published plan, and where it lies now.

    published blocks → units by task and day → mending, in the scheduler's terms → units by day → parts

A day keeps the units that it had, as far as it holds so many of a task; what else has to move follows in order. Tasks
of two plans are compared by what is worked on, not by their ids.
"""

from __future__ import annotations

from collections import Counter
from functools import partial
from typing import TYPE_CHECKING, NamedTuple

from msgspec.structs import replace

from calplan.carrying import ASIDE
from calplan.mending import Before, Mended, NoOrder, mend_days
from calplan.model import UNIT, Keep, Part, Role, Task
from calplan.planner import Laid, late_windows, opened_exams
from calplan.schedule import Solution, solve
from calplan.settling import stretches
from calplan.workload import with_taper_opened

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence
    from datetime import date

    from calplan.capacity import Board
    from calplan.carrying import Carried
    from calplan.model import Block, Plan
    from calplan.planner import Ground
    from calplan.workload import Workload


class Where(NamedTuple):
    """Where the units of tasks are to stay if they can: by task and day, and how many of them must.

    That is where the published plan has them, but for tasks that are ``led``: those follow the class to other days.
    """

    units: dict[str, dict[date, list[int]]]
    held: dict[str, dict[date, int]]
    led: frozenset[str] = frozenset()


def where_of(ahead: Sequence[Block], tasks: Iterable[Task]) -> Where:
    """The open units of tasks by the days of their blocks ahead."""
    open_ = {task.id: set(task.open) for task in tasks}
    units: dict[str, dict[date, list[int]]] = {}
    held: dict[str, dict[date, int]] = {}
    for block in ahead:
        for part in (part for part in block.parts if part.task in open_):
            mine = [unit for unit in range(part.first, part.first + part.units) if unit in open_[part.task]]
            if mine:
                of_day = units.setdefault(part.task, {})
                of_day[block.day] = sorted([*of_day.get(block.day, ()), *mine])
                if block.held:
                    kept = held.setdefault(part.task, {})
                    kept[block.day] = kept.get(block.day, 0) + len(mine)
    return Where(units, held)


def led(work: Workload, where: Where, lead: Plan) -> tuple[Workload, Where]:
    """Where tasks lie that a class has too: on the class's days, but for those of which the student holds something.

    What the class itself does not do on the day that it is fixed for is drawn there no more.
    """
    of_class = {task.id: topic_of(task) for task in lead.tasks if task.role not in ASIDE}
    days: dict[Topic, dict[date, set[int]]] = {}
    for day in lead.days:
        for part in (part for part in day.parts if part.task in of_class):
            mine = days.setdefault(of_class[part.task], {}).setdefault(day.day, set())
            mine.update(range(part.first, part.first + part.units))
    units, jobs = dict(where.units), list(work.jobs)
    for place, task in enumerate(work.tasks):
        theirs = days.get(topic_of(task))
        if theirs is None or task.id in where.held:
            continue
        open_ = set(task.open)
        units[task.id] = {day: sorted(some & open_) for day, some in theirs.items() if some & open_}
        if set(theirs) != {task.fixed}:
            jobs[place] = replace(jobs[place], nearer=())
    elsewhere = frozenset(task for task, lies in units.items() if lies != where.units.get(task, {}))
    return work._replace(jobs=tuple(jobs)), where._replace(units=units, led=elsewhere)


Topic = tuple[object, ...]


def topic_of(task: Task) -> Topic:
    """What tells whether two plans' tasks are the same work, whatever their ids."""
    items = tuple((item.material, item.first, item.count) for item in task.items) if task.role is Role.COVER else ()
    return task.exam, task.role, task.kind, items or task.round


def lay(
    ground: Ground, work: Workload, carry: Sequence[Carried], old: Plan, where: Where, *, most: int, stay: bool
) -> Laid:
    """Which units lie on which day now; ``most`` is the published daily maximum, in minutes."""
    dates = [day.day for day in work.days]
    numbers = {day: n for n, day in enumerate(dates)}
    before = before_of(work, where, numbers, stay=stay)
    work, opened = with_taper_opened(work)
    found = days_found(work, before, dates, opened, most=most, stay=stay)
    by_job = units_by_day(found, dates, len(work.jobs))
    parts: dict[date, list[tuple[int, Part]]] = {day: [] for day in dates}
    tasks = []
    for job, task in enumerate(work.tasks):
        published = where.units.get(task.id, {})
        dealt = dealt_out(task, found.kept[job], by_job[job], published)
        astray = task.astray or task.id in where.led
        astray = astray or any(set(units) - set(published.get(day, ())) for day, units in dealt.items())
        light = task.role in (Role.TAPER, Role.EVE)
        tasks.append(replace(task, kept=task.over + found.kept[job], astray=astray and not light))
        for day, units in dealt.items():
            parts[day] += [(job, Part(task=task.id, first=first, units=n)) for first, n in stretches(units)]
    if found.opened:
        tasks = list(late_windows(tuple(tasks), work, opened=True))
    open_tasks = {task.id: task for task in tasks}
    whole = []
    for one in carry:
        for task in one.prepared.cycle.tasks:
            whole.append(open_tasks.get(task.id) or replace(task, kept=task.over))
    return Laid(
        tasks=tuple(whole),
        days=tuple(
            tuple(part for _, part in sorted(parts[day], key=partial(order_in_day, open_tasks))) for day in dates
        ),
        bound=found.bound,
        maximum=found.maximum,
        opened=opened_exams(work) if found.opened else frozenset(),
        bent=still_bent(old, work) | (found.bent if isinstance(found, Solution) else frozenset()),
        encores=tuple(task for task in old.tasks if task.role is Role.ENCORE and task.ideal in numbers),
        seen=seen_before(old, ground),
        before=most,
    )


def days_found(
    work: Workload, before: Sequence[Before], dates: Sequence[date], opened: Board | None, *, most: int, stay: bool
) -> Mended | Solution:
    """The days that mending finds; where it finds no order, those of a new plan for what is open.

    Should such a plan have a second pass before a first one that is fixed for a later day, the days that work is fixed
    for are given up: by the windows of the work alone, no first pass is laid after its second one.
    """
    essentials = work.request.keep is Keep.ESSENTIALS
    try:
        return mend_days(
            work.board,
            work.jobs,
            before,
            dates=[day.toordinal() for day in dates],
            published=most // UNIT,
            essentials=essentials,
            opened=opened,
            stay=stay,
        )
    except NoOrder:
        found = solve(work.board, work.jobs, essentials=essentials, opened=opened)
        if in_order(found, before):
            return found
        jobs = [replace(job, nearer=()) for job in work.jobs]
        return solve(work.board, jobs, essentials=essentials, opened=opened)


def in_order(found: Solution, before: Sequence[Before]) -> bool:
    """Whether no job begins on a day before one that must be over first ends."""
    lies = [
        [day for day, pieces in enumerate(found.days) if any(piece.job == job for piece in pieces)]
        for job in range(len(before))
    ]
    return all(
        lies[earlier][-1] <= mine[0]
        for mine, one in zip(lies, before, strict=True)
        for earlier in one.after
        if mine and lies[earlier]
    )


def units_by_day(found: Mended | Solution, dates: Sequence[date], jobs: int) -> list[dict[date, int]]:
    """How many units of each job lie on which day."""
    by_job: list[dict[date, int]] = [{} for _ in range(jobs)]
    for day, pieces in zip(dates, found.days, strict=True):
        for piece in pieces:
            by_job[piece.job][day] = by_job[piece.job].get(day, 0) + piece.units
    return by_job


def order_in_day(tasks: Mapping[str, Task], one: tuple[int, Part]) -> tuple[object, ...]:
    """The order of work in a day: on an exam's only day its sheet first, else as the tasks stand."""
    job, part = one
    task = tasks[part.task]
    return (task.role, task.round) != (Role.EVE, 0), job, part.first


def before_of(work: Workload, where: Where, numbers: Mapping[date, int], *, stay: bool) -> list[Before]:
    """Where each job was, in the scheduler's terms; all of it is held where everything is to ``stay``."""
    first_passes: dict[tuple[str, object], list[int]] = {}
    second_passes: dict[str, list[int]] = {}
    for job, task in enumerate(work.tasks):
        if task.role is Role.COVER:
            first_passes.setdefault((task.exam, task.kind), []).append(job)
        elif task.role is Role.CONSOLIDATE:
            second_passes.setdefault(task.exam, []).append(job)
    before = []
    for task in work.tasks:
        published = where.units.get(task.id, {})
        lies = {numbers[day]: len(units) for day, units in published.items() if day in numbers}
        inside = {
            numbers[day]: len(units)
            for day, units in published.items()
            if day in numbers and task.first <= day <= task.last
        }
        held = {numbers[day]: n for day, n in where.held.get(task.id, {}).items() if numbers.get(day) in inside}
        gone = [day for day in published if day not in numbers]
        home = (gone[0] if gone else task.ideal).toordinal()
        after: tuple[int, ...] = ()
        if task.role is Role.CONSOLIDATE:
            after = tuple(first_passes.get((task.exam, task.kind), ()))
        elif task.role is Role.TIDY:
            after = tuple(second_passes.get(task.exam, ()))
        before.append(Before(lies=lies, held=inside if stay else held, home=home, after=after))
    full = overfull(before, work.board.room)
    return [one._replace(held={day: n for day, n in one.held.items() if day not in full}) for one in before]


def overfull(before: Sequence[Before], room: Sequence[int]) -> set[int]:
    """The days that have no room any more for all that is held on them; there, nothing is."""
    held = Counter[int]()
    for one in before:
        held.update(one.held)
    return {day for day, units in held.items() if units > room[day]}


def dealt_out(
    task: Task, kept: int, counts: Mapping[date, int], published: Mapping[date, Sequence[int]]
) -> dict[date, list[int]]:
    """Which units of a task lie on which day: a day keeps those that it had, and the others follow in order."""
    units = task.open[:kept]
    in_plan = set(units)
    dealt = {}
    for day, count in sorted(counts.items()):
        dealt[day] = [unit for unit in published.get(day, ()) if unit in in_plan][:count]
    taken = {unit for mine in dealt.values() for unit in mine}
    left = [unit for unit in units if unit not in taken]
    for day, count in sorted(counts.items()):
        more = count - len(dealt[day])
        dealt[day] = sorted([*dealt[day], *left[:more]])
        left = left[more:]
    return {day: mine for day, mine in dealt.items() if mine}


def still_bent(old: Plan, work: Workload) -> frozenset[int]:
    """The exams whose order had to give way in the published plan already."""
    said = [notice.sentence for notice in old.notices if notice.code == "order-bent"]
    return frozenset(n for n, one in enumerate(work.exams) if any(s.startswith(one.exam.subject) for s in said))


def seen_before(old: Plan, ground: Ground) -> dict[str, date]:
    """When the tasks that are over were last worked on; today's encore, which may have begun, is as good as over."""
    first = ground.days.days[0].day
    seen = {task.id: task.ideal for task in old.tasks if task.role is Role.ENCORE and task.ideal <= first}
    for day in sorted(old.days, key=lambda day: day.day):
        for part in day.parts if day.day < first else ():
            seen[part.task] = day.day
    for block in old.past:
        for one in block.worked:
            seen[one.task] = max(block.day, seen.get(one.task, block.day))
    return seen
