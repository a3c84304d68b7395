"""What the news and the check-ins make of tasks that are still open: other minutes, material or days, the real flags.

A task changes only where its units do, its material, or the day that this is fixed for; a task of which some is over
keeps the rest of its units unless its material has gone. Doing it again with the same news changes nothing.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from msgspec.structs import replace

from calplan.checkins import MUST
from calplan.contents import by_kind, part_items
from calplan.cycle import divisible, estimate, first_ranks, item_of, topics_apart, units
from calplan.model import KINDS, Item, Kind, Part, Rank, Role, Task
from calplan.settling import stretches
from calplan.wording import one_line

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from datetime import date

    from calplan.cycle import Setting
    from calplan.learned import FlagState, Known
    from calplan.model import Exam, Material, PastBlock

PAGES = 2
"""The most pages of a summary sheet (common practice, no source)."""


class Fit(NamedTuple):
    """What tasks are fitted to: the exam as it is now and as it was, what the check-ins told, and the past."""

    setting: Setting
    before: Exam
    known: Known
    past: Sequence[PastBlock]

    @property
    def exam(self) -> Exam:
        """The exam as it is now."""
        return self.setting.exam

    def factor(self, kind: Kind | None) -> float:
        """By how much the minutes of a kind differ from the estimate."""
        if kind is None:
            return 1.0
        pace = self.known.pace_of(self.exam.key, kind) / 100
        return pace * self.known.practice_of(self.exam.key) / 100 if kind is Kind.PRACTICE else pace


def refitted(fit: Fit, tasks: Sequence[Task]) -> list[Task]:
    """The tasks of first and second pass as they are now; those of which nothing is left to do are gone."""
    made: list[Task | None] = []
    for task in tasks:
        if not task.open:
            made.append(without_gone(fit.exam, task))
        elif task.role is Role.TIDY:
            made.append(tidied(fit, task))
        elif by_kind(task):
            made += [first_pass(fit, part) for part in by_fixed_day(fit, task)]
        elif task.role is Role.CONSOLIDATE:
            made.append(second_pass(fit, task, tasks))
        else:
            made.append(task)
    return [task for task in made if task is not None]


def without_gone(exam: Exam, task: Task) -> Task:
    """A task without the names of material that has gone; what is left of such material is over."""
    there = {one.key for one in exam.materials}
    if all(item.material in there for item in task.items):
        return task
    return replace(task, items=tuple(item for item in task.items if item.material in there))


# ------------------------------------------------------------------------------------------------ first pass


def first_pass(fit: Fit, task: Task) -> Task | None:
    """A stop that works on its material in the way of its kind."""
    now = {one.key: one for one in fit.exam.materials}
    was = {one.key: one for one in fit.before.materials}
    same = all(i.material in now and substance(now[i.material]) == substance(was.get(i.material)) for i in task.items)
    if same and task.behind:
        return task
    left = [item for item in task.items if item.material in now]
    if task.behind:
        left = [rest for item in left if (rest := rest_of(task, item)) is not None]
    items = tuple(one for item in left if (one := fitted(fit, now[item.material], item)) is not None)
    if not items:
        return without_gone(fit.exam, replace(task, kept=task.over)) if task.behind else None
    ranks = first_ranks(items)
    if same and len(ranks) == len(task.ranks):
        return task
    name = f"{task.id}~rest" if task.behind else task.id
    return replace(task, id=name, items=items, ranks=ranks, kept=len(ranks), behind=())


def by_fixed_day(fit: Fit, task: Task) -> list[Task]:
    """A task as one for each day that some of its items are fixed for now, and one for those that are not.

    Only a first pass of which nothing has begun is divided; a second share of practice stays together.
    """
    begun = {key for block in fit.past for one in block.worked if one.exam == fit.exam.key for key in one.pieces}
    if task.behind or task.role is not Role.COVER or begun & {item.material for item in task.items}:
        return [replace(task, fixed=None, astray=True) if task.fixed is not None else task]
    now = {one.key: fit.setting.fixed(one) for one in fit.exam.materials}
    of_day: dict[date | None, list[Item]] = {}
    for item in task.items:
        of_day.setdefault(now.get(item.material), []).append(item)
    if [*of_day] == [task.fixed]:
        return [task]
    own = task.fixed if task.fixed in of_day else next(iter(of_day))
    return [part_of(fit, task, items, day, same=day == own) for day, items in of_day.items()]


def part_of(fit: Fit, task: Task, items: Sequence[Item], day: date | None, *, same: bool) -> Task:
    """Some items of a task for the day that they are fixed for; under its own id, or that of the first of them."""
    ranks = first_ranks(items)
    ideal = fit.setting.days[fit.setting.nearest(day)] if day is not None else task.ideal
    name = task.id if same else f"{task.id}~{items[0].material}-{items[0].first}"
    made = replace(task, id=name, items=tuple(items), ranks=ranks, kept=len(ranks), ideal=ideal, fixed=day)
    return replace(made, astray=True)  # where it lies was never its turn


def substance(material: Material | None) -> tuple[object, ...]:
    """All of a material that decides what work it makes."""
    if material is None:
        return ()
    one = material
    return one.kind, one.title, one.size, one.missed, one.multiple_choice, one.minutes


def fitted(fit: Fit, material: Material, item: Item) -> Item | None:
    """An item with what its work takes now; ``None`` where there is nothing left of it."""
    whole = material.size or 1
    count = item.count or 1
    if divisible(material.kind):
        count = min(count, whole - item.first + 1)
        if count < 1:
            return None
    made = item_of(fit.exam, fit.setting.rates, material, item.first - 1, count)
    factor = fit.factor(material.kind)
    return replace(made, minutes=round(made.minutes * factor, 6), essential=round(made.essential * factor, 6))


def rest_of(task: Task, item: Item) -> Item | None:
    """What of an item is not over: the run of its problems or periods, or the piece as a whole."""
    pieces: set[int] = set()
    whole = False
    for first, count in stretches(task.open):
        for share in part_items(task, Part(task=task.id, first=first, units=count)):
            if share.item is item:
                whole = whole or not share.extra
                pieces.update(range(item.first + share.first, item.first + share.first + share.number))
    if not pieces:
        return None
    if task.kind is not None and divisible(task.kind) and item.count:
        return replace(item, first=min(pieces), count=max(pieces) - min(pieces) + 1)
    return item if whole else None


# ----------------------------------------------------------------------------------------------- second pass


def second_pass(fit: Fit, task: Task, tasks: Sequence[Task]) -> Task | None:
    """The second pass over a kind: the flags that were set, and the usual share of what nothing was said of yet."""
    if task.behind or task.kind is None:
        return without_gone(fit.exam, task)
    flags = flags_of(fit, task.kind, task, tasks)
    told = {key for exam, key in fit.known.wrong if exam == fit.exam.key} | {
        flag.material for flag in (*fit.known.open_flags(exam=fit.exam.key), *fit.known.closed_flags(exam=fit.exam.key))
    }
    mine = [one for one in fit.exam.materials if one.kind is task.kind]
    was = {one.key: one for one in fit.before.materials}
    same = len(mine) == sum(one.kind is task.kind for one in fit.before.materials) and all(
        substance(one) == substance(was.get(one.key)) for one in mine
    )
    if same and not any(one.key in told for one in mine):
        return task
    silent = [] if is_extra(task) else [one for one in mine if one.key not in told]
    return flagged(fit, task, flags, silent)


def flagged(fit: Fit, task: Task, flags: Sequence[FlagState], silent: Iterable[Material]) -> Task | None:
    """A second pass over these flags, and over the usual share of material of which nothing was said.

    A problem that the student flagged as a must is as essential as a first pass, since it is known to be hard, while of
    what nothing was said it is only assumed.
    """
    kind, rates = task.kind, fit.setting.rates
    assert kind is not None
    each = {Kind.QUIZ: rates.quiz_missed, Kind.TEST: rates.test_missed}.get(kind, rates.flag) * fit.factor(kind)
    must = each * sum(flag.importance == MUST for flag in flags)
    should = each * len(flags) - must
    said = must
    for one in silent:
        minutes, essential = estimate(fit.exam, rates, one)
        share = (essential if kind in (Kind.QUIZ, Kind.TEST) else minutes) * rates.flags / 100 * fit.factor(kind)
        must += share * rates.flags_must / 100
        should += share * (1 - rates.flags_must / 100)
    total = units(must + should)
    first = min(total, units(must))
    sure = min(first, units(said))
    ranks = (Rank.ESSENTIAL,) * sure + (Rank.FLAG_MUST,) * (first - sure) + (Rank.FLAG_SHOULD,) * (total - first)
    if not ranks:
        return None
    notes = (listed(fit, flags),) if flags else ()
    if ranks == task.ranks and notes == task.notes:
        return task
    return replace(task, items=(), ranks=ranks, kept=len(ranks), notes=notes, behind=())


def listed(fit: Fit, flags: Sequence[FlagState]) -> str:
    """The flags in a sentence, neighbours of different topics where that can be."""
    by_material: dict[str, list[FlagState]] = {}
    for flag in flags:
        by_material.setdefault(flag.material, []).append(flag)
    said = []
    for material in topics_apart([one for one in fit.exam.materials if one.key in by_material]):
        mine = sorted(by_material[material.key], key=lambda flag: flag.importance)
        names = ", ".join(f"{one_line(flag.problem)}{' (must)' if flag.importance == MUST else ''}" for flag in mine)
        said.append(f"{one_line(material.title)}: {names}")
    return f"Flagged so far: {'; '.join(said)}."


def flags_of(fit: Fit, kind: Kind, task: Task, tasks: Sequence[Task]) -> list[FlagState]:
    """The open flags that a second pass is for: those that were set since an earlier one of its kind, if there was."""
    earlier = {one.id for one in tasks if sized_by_flags(one, kind) and one.behind and one.id != task.id}
    since = last_day(fit.past, earlier)
    return [flag for flag in fit.known.open_flags(exam=fit.exam.key, kind=kind) if since is None or flag.since >= since]


def sized_by_flags(task: Task, kind: Kind) -> bool:
    """Whether a task is a second pass over the flags of a kind."""
    return task.role is Role.CONSOLIDATE and task.kind is kind and not by_kind(task)


def last_day(past: Iterable[PastBlock], tasks: Iterable[str]) -> date | None:
    """The last day on which any of these tasks was worked on."""
    names = set(tasks)
    days = [b.day for b in past if any(one.task in names and one.units > one.back for one in b.worked)]
    return max(days, default=None)


def is_extra(task: Task) -> bool:
    """Whether a second pass was added for flags that came later."""
    return "/flags-" in task.id


def further_passes(fit: Fit, tasks: Sequence[Task]) -> list[Task]:
    """What the plan did not have: second passes for later flags and for those of practice, and a shorter sheet.

    Only while there are days of first and second pass to lay them on.
    """
    setting, key = fit.setting, fit.exam.key
    if setting.stages.cover + setting.stages.consolidate < 1:
        return []
    last, made = setting.days[setting.end], list[Task]()
    number = max((task.number for task in tasks), default=0)

    def more(name: str, role: Role, kind: Kind | None) -> Task:
        return Task(
            id=f"{key}/{name}",
            exam=key,
            role=role,
            kind=kind,
            number=number,
            round=1,
            ranks=(),
            kept=0,
            ideal=last,
            first=setting.days[0],
            last=last,
        )

    for kind in KINDS:
        passes = [task for task in tasks if sized_by_flags(task, kind)]
        if any(task.open for task in passes) or (not passes and kind is not Kind.PRACTICE):
            continue
        blank = more(f"flags-{kind}-{len(passes)}", Role.CONSOLIDATE, kind)
        flags = flags_of(fit, kind, blank, tasks)
        one = flagged(fit, blank, flags, ()) if flags else None
        made += [one] if one is not None else []
    sheets = [task for task in tasks if task.role is Role.TIDY]
    again = more("sheet", Role.TIDY, None)
    if too_long(fit) and sheets and all(not one.open and one.id != again.id for one in sheets):
        ranks = (Rank.FLAG_MUST,) * units(setting.rates.tidy)
        made.append(replace(again, ranks=ranks, kept=len(ranks), notes=(shorten(fit),)))
    return made


def tidied(fit: Fit, task: Task) -> Task:
    """The task of the summary sheet, twice as long where the sheet has too many pages."""
    if task.behind or "/sheet" in task.id:
        return task
    long = too_long(fit)
    ranks = (Rank.FLAG_MUST,) * (units(fit.setting.rates.tidy) * (2 if long else 1))
    notes = (shorten(fit),) if long else ()
    if ranks == task.ranks and notes == task.notes:
        return task
    return replace(task, ranks=ranks, kept=len(ranks), notes=notes)


def too_long(fit: Fit) -> bool:
    """Whether the summary sheet has more pages than it should."""
    return fit.known.sheet_pages.get(fit.exam.key, 0) > PAGES


def shorten(fit: Fit) -> str:
    """What is said of a sheet that is too long."""
    pages = fit.known.sheet_pages[fit.exam.key]
    return f"The sheet has {pages} pages, and two is the limit: keep what still feels unsure, and leave out the rest."
