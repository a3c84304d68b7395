"""An exam's material as tasks in the order of the rotation: stages, rounds, stops.

The kinds take turns, day by day, round by round (cover); then each kind's flags come back once (consolidate);
then a light last stretch remains (taper). How long a stage is, how many rounds it has and what each stop takes
follows from the number of usable days and the pile of material, and from nothing else: how full the days are is the
scheduler's business. Material that is fixed for a day has a stop of its own there, outside the rotation, and the rest
is dealt out as if it were not there.

Shares, minutes and round numbers are common practice with no source, unless a source is named; each is a default of
:class:`calplan.model.Rates` that the user can change.
"""

from __future__ import annotations

from bisect import bisect_left
from itertools import accumulate
from math import ceil
from typing import TYPE_CHECKING, NamedTuple

import msgspec

from calplan.model import KINDS, UNIT, WORTH, Answers, Ask, Exam, Item, Kind, Material, Rank, Rates, Role, Task

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date


class Cycle(NamedTuple):
    """An exam's tasks in their order, and what belongs to them.

    ``encores`` names the days (and kinds) whose stop found no material left: something may come again there. ``late``
    lists material that comes after the last day of the second pass.
    """

    stages: Stages
    tasks: tuple[Task, ...]
    encores: tuple[tuple[date, Kind], ...]
    late: tuple[Material, ...]
    asks: tuple[Ask, ...]


def cycle(exam: Exam, rates: Rates, days: Sequence[date], *, usual: int, today: date | None = None) -> Cycle:
    """The tasks of one exam over its usable ``days`` (dates, ascending, at least one).

    ``usual`` is the usual minutes of a day; no taper day is planned longer than that. What was fixed for days before
    ``today`` (default: the first usable day) takes its turn as if it had not been.
    """
    stages = stages_of(len(days))
    setting = Setting(exam, rates, tuple(days), stages, answers_day(exam, stages, days), today or days[0])
    encores: tuple[tuple[date, Kind], ...] = ()
    if len(days) == 1:
        drafts = single_day(setting, usual)
    else:
        stops, encores = stops_of(setting)
        drafts = [*gather(exam, rates), *in_order(stops), *taper(setting, usual)]
    tasks = tuple(task_of(setting, number, draft) for number, draft in enumerate(drafts))
    late = tuple(m for m in exam.materials if setting.wait(m) > setting.end)
    return Cycle(stages, tasks, encores, late, asks(exam))


class Setting(NamedTuple):
    """What every step needs to know: the exam, the rates, its usable days, and their stages.

    ``fallback`` is the place of the day after which work goes on without missing answers. No day before ``today`` is
    one that anything can be fixed for.
    """

    exam: Exam
    rates: Rates
    days: tuple[date, ...]
    stages: Stages
    fallback: int
    today: date

    @property
    def end(self) -> int:
        """The place of the last day of first and second pass."""
        return max(0, self.stages.cover + self.stages.consolidate - 1)

    def wait(self, material: Material) -> int:
        """The place of the first usable day on which a material can be worked on.

        What is fixed for a day does not wait for its answers: a class has its teacher.
        """
        in_hand = bisect_left(self.days, material.in_hand) if material.in_hand else 0
        waits = unanswered(material) and self.fixed(material) is None
        return max(in_hand, self.fallback) if waits else in_hand

    def fixed(self, material: Material) -> date | None:
        """The day that a material is fixed for; ``None`` where it is not, or its day is over."""
        day = self.exam.fixed.get(material.key)
        return day if day is not None and day >= self.today else None

    def nearest(self, day: date) -> int:
        """The place of the usable day of first or second pass that is nearest to a day, the earlier of two."""
        return min(range(self.end + 1), key=lambda place: (abs(self.days[place] - day), place))


class Draft(msgspec.Struct, frozen=True, kw_only=True):
    """A task in the making; ``ideal`` and ``release`` are places in the exam's usable days."""

    role: Role
    kind: Kind | None = None
    round: int = 0
    ranks: tuple[Rank, ...]
    items: tuple[Item, ...] = ()
    ideal: int = 0
    release: int = 0
    substitute: str = ""
    fixed: date | None = None


def task_of(setting: Setting, number: int, draft: Draft) -> Task:
    """The finished task: places become dates."""
    fixed = draft.role in (Role.TAPER, Role.EVE)
    return Task(
        id=f"{setting.exam.key}/{number}",
        exam=setting.exam.key,
        role=draft.role,
        kind=draft.kind,
        number=number,
        round=draft.round,
        ranks=draft.ranks,
        kept=len(draft.ranks),
        ideal=setting.days[draft.ideal],
        first=setting.days[draft.release],
        last=setting.days[draft.ideal if fixed else setting.end],
        items=draft.items,
        substitute=draft.substitute,
        fixed=draft.fixed,
    )


# ----------------------------------------------------------------------------------------------- stages


class Stages(NamedTuple):
    """How many usable days each stage has."""

    cover: int
    consolidate: int
    taper: int


def stages_of(days: int) -> Stages:
    """A sixth of the days each for taper (1 to 7) and consolidate (0 to 10), the rest for cover.

    Very short plans have no room for all three: one day has no stages, consolidate starts with four days.
    """
    sixth = (2 * days + 6) // 12  # days / 6, half rounded up
    taper = min(7, max(1, sixth)) if days >= 2 else 0
    consolidate = min(10, sixth) if days >= 4 else 0
    return Stages(days - taper - consolidate, consolidate, taper)


def rounds_of(cover: int, kinds: int) -> int:
    """How often the kinds take turns in so many cover days: a stop a day where that is possible."""
    if cover >= 10:
        return max(1, (2 * cover + kinds) // (2 * kinds)) if kinds else 0
    return (2 if cover >= 4 else 1) if kinds else 0


# ------------------------------------------------------------------------------------------------ stops


def stops_of(setting: Setting) -> tuple[list[Draft], tuple[tuple[date, Kind], ...]]:
    """The stops of cover and consolidate in the usual order, and the days whose stop found nothing left.

    Material that comes after the second pass has no stop: it is for the taper days. What is fixed for a day has a stop
    of its own there, and the rest takes turns as if that were not.
    """
    stages, exam = setting.stages, setting.exam
    in_time = [material for material in exam.materials if setting.wait(material) <= setting.end]
    free = [material for material in in_time if setting.fixed(material) is None]
    kinds = {material.kind for material in in_time}
    piles = {kind: [m for m in free if m.kind is kind] for kind in KINDS if kind in kinds}
    rounds = rounds_of(stages.cover, len(piles))
    order = [kind for kind in (WORTH if rounds == 1 else KINDS) if kind in piles]
    more = 1 if stages.consolidate else 0  # practice problems go on into the second pass
    dealt = {kind: deal(setting, piles[kind], rounds + more * (kind is Kind.PRACTICE)) for kind in order}
    stops, encores = [], []
    for place in range(rounds * len(order)):
        turn, kind = place // len(order), order[place % len(order)]
        ideal = place * stages.cover // (rounds * len(order))
        if dealt[kind][turn]:
            stops.append(stop_of(setting, Role.COVER, kind, turn + 1, ideal, dealt[kind][turn]))
        else:
            encores.append((setting.days[ideal], kind))
    stops += fixed_stops(setting, in_time, rounds)
    if stages.consolidate:
        stops += second_pass(setting, dealt, rounds, stops)
    return stops, tuple(encores)


def fixed_stops(setting: Setting, materials: Sequence[Material], rounds: int) -> list[Draft]:
    """A stop for each day and kind of which materials are fixed for that day, or for the usable one nearest to it."""
    stops = []
    for day in sorted({day for material in materials if (day := setting.fixed(material)) is not None}):
        place = setting.nearest(day)
        turn = 1 + min(rounds - 1, place * rounds // max(1, setting.stages.cover))
        mine = [material for material in materials if setting.fixed(material) == day]
        for kind in (kind for kind in KINDS if any(material.kind is kind for material in mine)):
            items = tuple(
                item_of(setting.exam, setting.rates, material, 0, pieces_of(material))
                for material in mine
                if material.kind is kind
            )
            stop = stop_of(setting, Role.COVER, kind, turn, place, items)
            stops.append(msgspec.structs.replace(stop, fixed=day, ideal=max(place, stop.release)))
    return stops


def stop_of(setting: Setting, role: Role, kind: Kind, turn: int, ideal: int, items: tuple[Item, ...]) -> Draft:
    """One stop that works on items for the first time; it waits until all of them can be worked on.

    Checking one's own work needs answers (the right answer after a wrong response is worth most of the gain: Pashler,
    Cepeda, Wixted & Rohrer 2005, JEP:LMC 31(1):3–8), so papers and problems without them wait for the fallback day,
    and something stands in for them.
    """
    materials = {material.key: material for material in setting.exam.materials}
    mine = [materials[item.material] for item in items]
    return Draft(
        role=role,
        kind=kind,
        round=turn,
        ranks=first_ranks(items),
        items=items,
        ideal=ideal,
        release=max(setting.wait(material) for material in mine),
        substitute=next((SUBSTITUTE[material.kind] for material in mine if unanswered(material)), ""),
    )


def second_pass(
    setting: Setting, dealt: dict[Kind, list[tuple[Item, ...]]], rounds: int, cover: Sequence[Draft]
) -> list[Draft]:
    """One stop a kind for its flags, the rest of the practice problems, and the sheet to end with.

    Before any check-in nobody knows the flags: a share of the first pass stands in for them (of the missed problems
    where those are counted). Practice has its last share of problems instead. No second pass starts before all of its
    kind's material can be worked on, or before a day that some of it is fixed for, and the sheet waits for everything.
    """
    stops = []
    kinds = [kind for kind in KINDS if kind in dealt]
    for place, kind in enumerate(kinds):
        ideal = setting.stages.cover + place * setting.stages.consolidate // len(kinds)
        ready = max((earliest(stop) for stop in cover if stop.kind is kind), default=0)
        if kind is Kind.PRACTICE and dealt[kind][rounds]:
            stop = stop_of(setting, Role.CONSOLIDATE, kind, 1, ideal, dealt[kind][rounds])
            stops.append(msgspec.structs.replace(stop, release=max(stop.release, ready)))
        elif ranks := flag_ranks(kind, [i for s in cover if s.kind is kind for i in s.items], setting.rates):
            items = flagged_pieces(setting, kind)
            stops.append(
                Draft(role=Role.CONSOLIDATE, kind=kind, round=1, ranks=ranks, items=items, ideal=ideal, release=ready)
            )
    latest = max((earliest(stop) for stop in (*cover, *stops)), default=0)
    ranks = (Rank.FLAG_MUST,) * units(setting.rates.tidy)
    return [*stops, Draft(role=Role.TIDY, round=1, ranks=ranks, ideal=setting.end, release=latest)]


def earliest(stop: Draft) -> int:
    """The place of the first day on which a stop can be over: what is fixed for a day is not thought of before it."""
    return stop.release if stop.fixed is None else stop.ideal


def flagged_pieces(setting: Setting, kind: Kind) -> tuple[Item, ...]:
    """The pieces of a kind in an order for its second pass, where their topics are known; else nothing.

    Neighbours differ in topic wherever any order allows that: no two consecutive problems ask for the same strategy
    (Rohrer, Dedrick, Hartwig & Cheung 2020, J Educ Psychol).
    """
    mine = [m for m in setting.exam.materials if m.kind is kind and setting.wait(m) <= setting.end]
    if len({material.topic for material in mine if material.topic}) < 2:
        return ()
    counted = kind in (Kind.QUIZ, Kind.TEST)
    items = []
    for material in topics_apart(mine):
        minutes, essential = estimate(setting.exam, setting.rates, material)
        share = round((essential if counted else minutes) * setting.rates.flags / 100, 6)
        if share:
            items.append(Item(material=material.key, title=material.title, minutes=share, essential=share))
    return tuple(items)


def topics_apart(materials: Sequence[Material]) -> list[Material]:
    """The materials in an order in which neighbours differ in topic, if there is one; otherwise in class order.

    Always taking the topic of which most is left, but not the one just taken, finds such an order whenever no topic has
    more than half of the pieces (rounded up). A piece of no known topic differs from all others.
    """
    piles: dict[str, list[Material]] = {}
    for place, material in enumerate(materials):
        piles.setdefault(material.topic or f"\0{place}", []).append(material)
    ordered: list[Material] = []
    last = ""
    while piles:
        topic = max(piles, key=lambda topic: (topic != last, len(piles[topic])))
        ordered.append(piles[topic].pop(0))
        if not piles[topic]:
            del piles[topic]
        last = topic
    return ordered


def first_ranks(items: Sequence[Item]) -> tuple[Rank, ...]:
    """Essentials first, extras after them; minutes are rounded up to units once, for the stop as a whole."""
    total = units(sum(item.minutes for item in items))
    essential = min(total, units(sum(item.essential for item in items)))
    return (Rank.ESSENTIAL,) * essential + (Rank.EXTRA,) * (total - essential)


def flag_ranks(kind: Kind, cover: Sequence[Item], rates: Rates) -> tuple[Rank, ...]:
    """The expected flags of a kind, flag 1 first: of quizzes and tests only missed problems come back."""
    counted = kind in (Kind.QUIZ, Kind.TEST)
    base = sum(item.essential if counted else item.minutes for item in cover)
    total = units(base * rates.flags / 100)
    must = -(-total * rates.flags_must // 100)
    return (Rank.FLAG_MUST,) * must + (Rank.FLAG_SHOULD,) * (total - must)


def units(minutes: float) -> int:
    """Minutes as units, rounded up."""
    return ceil(round(minutes, 6) / UNIT)


# -------------------------------------------------------------------------------------- dealing material out


def deal(setting: Setting, pile: Sequence[Material], stops: int) -> list[tuple[Item, ...]]:
    """A kind's material over its stops, evenly, in the order in which it can be worked on, then class order.

    Homework, quizzes and tests go piece by piece; notes by class period and practice by problem. Sizes differ by at
    most one, the larger ones first; a short pile leaves the last stops empty.
    """
    ordered = sorted(pile, key=setting.wait)
    sizes = [pieces_of(material) for material in ordered]
    total = sum(sizes)
    ends = list(accumulate(sizes))
    dealt, start = [], 0
    for stop in range(stops):
        end = start + total // stops + (stop < total % stops)
        items, at = [], bisect_left(ends, start + 1)
        while start < end:
            material, began = ordered[at], ends[at] - sizes[at]
            upto = min(end, ends[at])
            items.append(item_of(setting.exam, setting.rates, material, start - began, upto - start))
            start, at = upto, at + 1
        dealt.append(tuple(items))
    return dealt


def divisible(kind: Kind) -> bool:
    """Whether a kind is dealt out by its problems or class periods instead of by the piece."""
    return kind in (Kind.NOTES, Kind.PRACTICE)


def pieces_of(material: Material) -> int:
    """How many pieces a material is dealt out in."""
    return material.size or 1 if divisible(material.kind) else 1


def item_of(exam: Exam, rates: Rates, material: Material, skip: int, count: int) -> Item:
    """A material, or ``count`` of its problems after the first ``skip``, with its minutes."""
    minutes, essential = estimate(exam, rates, material)
    share = 1.0
    if divisible(material.kind):
        share = count / (material.size or 1)
    pieces = count if divisible(material.kind) and material.size else 0
    if material.kind is Kind.TEST:
        pieces = material.size or 0
    return Item(
        material=material.key,
        title=material.title,
        first=skip + 1,
        count=pieces,
        missed=0 if divisible(material.kind) else missed_of(material, rates),
        minutes=round(minutes * share, 6),
        essential=round(essential * share, 6),
    )


def estimate(exam: Exam, rates: Rates, material: Material) -> tuple[float, float]:
    """Minutes of a material's first pass, and how many of them are essential, at this student's pace.

    Right problems are essential nowhere, missed ones everywhere.
    """
    missed = missed_of(material, rates)
    size = material.size or 1
    choice = rates.multiple_choice / 100 if material.multiple_choice else 1.0
    if material.kind is Kind.HOMEWORK:
        total, essential = rates.homework_piece, rates.homework_piece * rates.homework_essential / 100
    elif material.kind is Kind.NOTES:
        total, essential = rates.notes_period * size, rates.notes_period * size * rates.notes_essential / 100
    elif material.kind is Kind.PRACTICE:
        total, essential = rates.practice_problem * size, rates.practice_problem * size * rates.practice_essential / 100
    elif material.kind is Kind.QUIZ:
        total, essential = (rates.quiz + rates.quiz_missed * missed) * choice, rates.quiz_missed * missed * choice
    else:
        right = rates.test_right * max(0, material.size - missed) if material.size else 0
        total = (rates.test + rates.test_missed * missed + right) * choice
        essential = rates.test_missed * missed * choice
    if material.minutes is not None:
        total, essential = float(material.minutes), essential * material.minutes / total if total else 0.0
    return total * exam.pace / 100, essential * exam.pace / 100


def missed_of(material: Material, rates: Rates) -> int:
    """The missed problems of a paper: counted by the student, else the usual share of its size or of the usual size."""
    if material.missed is not None or material.kind not in (Kind.QUIZ, Kind.TEST):
        return material.missed or 0
    size = material.size or (rates.quiz_size if material.kind is Kind.QUIZ else rates.test_size)
    return max(1, (2 * size * rates.missed + 100) // 200)


# ---------------------------------------------------------------------- what is not in hand, or has no answers


def unanswered(material: Material) -> bool:
    """Whether work on the material cannot be checked: a paper or problems without answers."""
    return material.answers is Answers.NONE and material.kind in SUBSTITUTE


SUBSTITUTE = {
    Kind.QUIZ: "the end-of-section questions of the same topic that have printed answers",
    Kind.TEST: "the chapter review of the same topics, with its printed answers",
    Kind.PRACTICE: "textbook exercises of the same kind that have printed answers",
}
"""What stands in for papers and problems whose answers are missing (common practice, no source)."""

MISSING = {
    Kind.HOMEWORK: "take exercises from the textbook that have printed answers",
    Kind.QUIZ: "take a class-mate's copy, or the end-of-section questions",
    Kind.NOTES: "take a class-mate's copy, or the chapter summaries",
    Kind.TEST: "take the chapter review as if it were one",
    Kind.PRACTICE: "take exercises with printed answers, or ask the teacher for some",
}
"""What stands in for a kind of which there is nothing (common practice, no source)."""

NONE_OF = {
    Kind.HOMEWORK: "homework",
    Kind.QUIZ: "quizzes",
    Kind.NOTES: "notes",
    Kind.TEST: "tests",
    Kind.PRACTICE: "practice problems",
}
"""What a kind is called after "no", where the exam has no word of its own for it."""


def nothing_of(exam: Exam) -> str:
    """The kinds of which there is nothing and what stands in for each, to go on after "you have"; else nothing.

    As in "no quizzes (take a class-mate's copy, or the end-of-section questions) and no essays (...)".
    """
    said = [
        f"no {exam.labels.get(kind) or NONE_OF[kind]} ({MISSING[kind]})"
        for kind in KINDS
        if all(material.kind is not kind for material in exam.materials)
    ]
    return " and ".join(filter(None, (", ".join(said[:-1]), *said[-1:])))


def answers_day(exam: Exam, stages: Stages, days: Sequence[date]) -> int:
    """The place of the day after which work goes on without the missing answers: given, else half-way through cover."""
    last = max(0, stages.cover + stages.consolidate - 1)
    if exam.answers_by is None:
        return stages.cover // 2
    return min(last, bisect_left(days, exam.answers_by))


def in_order(stops: Sequence[Draft]) -> list[Draft]:
    """The stops in the order of their days; on a day, what is fixed for it comes first."""
    fixed = [stop for stop in stops if stop.fixed is not None]
    ordered = in_hand_order([stop for stop in stops if stop.fixed is None])
    return sorted([*fixed, *ordered], key=lambda stop: stop.ideal)


def in_hand_order(stops: Sequence[Draft]) -> list[Draft]:
    """The stops on their ideal days: one whose material is not yet in hand changes places with the next that is.

    A second pass never changes places with a first pass of its own kind, and the sheet is tidied last.
    """
    waiting = list(stops)
    ordered = []
    latest = 0
    for place in [stop.ideal for stop in stops]:
        stop = waiting.pop(next_stop(waiting, place))
        latest = max(latest, place, stop.release)
        ordered.append(msgspec.structs.replace(stop, ideal=latest))
    return ordered


def next_stop(waiting: Sequence[Draft], place: int) -> int:
    """The first waiting stop whose material is in hand on the day, else the one whose material comes soonest."""
    soonest = 0
    kinds: set[Kind | None] = set()
    for i, stop in enumerate(waiting):
        if stop.kind not in kinds and (i == 0 or stop.role is not Role.TIDY):
            if stop.release <= place:
                return i
            if stop.release < waiting[soonest].release:
                soonest = i
        kinds.add(stop.kind)
    return soonest


def asks(exam: Exam) -> tuple[Ask, ...]:
    """What to ask a teacher or tutor for: answers that are missing."""
    return tuple(
        Ask(exam=exam.key, material=material.key, sentence=f"Ask for the answers to {material.title}.")
        for material in exam.materials
        if unanswered(material)
    )


# ------------------------------------------------------------------------------- gathering, taper, a single day


def gather(exam: Exam, rates: Rates) -> list[Draft]:
    """A short first task where kinds or answers are missing, or nobody has taken stock yet."""
    missing = nothing_of(exam)
    if not (missing or exam.assumed or asks(exam)):
        return []
    return [
        Draft(role=Role.GATHER, ranks=(Rank.GATHER,) * units(rates.gather), substitute=missing),
    ]


def taper(setting: Setting, usual: int) -> list[Draft]:
    """One light task a day, fixed to it; the last one is the eve's."""
    count = len(setting.days)
    most = usual // UNIT or 1
    return [
        Draft(
            role=Role.EVE if day == count - 1 else Role.TAPER,
            round=day - (count - setting.stages.taper) + 1,
            ranks=(Rank.TAPER,) * min(most, units(setting.rates.eve if day == count - 1 else setting.rates.taper)),
            items=() if day == count - 1 else known_problems(setting, day),
            ideal=day,
            release=day,
        )
        for day in range(count - setting.stages.taper, count)
    ]


def known_problems(setting: Setting, day: int) -> tuple[Item, ...]:
    """Four pieces for one known problem each, across the kinds that have problems, others on each day.

    What came back too late for its turn goes before all others once it is in hand.
    """
    ready = [m for m in setting.exam.materials if m.kind is not Kind.NOTES and setting.wait(m) <= day]
    late = [material for material in ready if setting.wait(material) > setting.end]
    piles = [[m for m in ready if m.kind is kind] for kind in WORTH]
    chosen = list({m.key: m for m in [*late, *(pile[day % len(pile)] for pile in piles if pile)]}.values())[:4]
    return tuple(Item(material=m.key, title=m.title, count=1) for m in chosen)


def single_day(setting: Setting, usual: int) -> list[Draft]:
    """What matters most when one day is left: the sheet, missed problems of the newest test, some practice, stop.

    Round 0 tells these tasks from those of a rotation.
    """
    third = max(1, usual // UNIT // 3)
    exam, rates = setting.exam, setting.rates
    in_hand = [m for m in exam.materials if m.in_hand is None or m.in_hand <= setting.days[0]]
    tests = [m for m in in_hand if m.kind is Kind.TEST] or [m for m in in_hand if m.kind is Kind.QUIZ]
    practice = [m for m in in_hand if m.kind is Kind.PRACTICE]
    stops = [Draft(role=Role.EVE, ranks=(Rank.ESSENTIAL,) * max(2, third))]
    if tests:
        item = item_of(exam, rates, tests[-1], 0, 1)
        few = min(max(1, units(item.essential)), max(2, third))
        stops.append(single(tests[-1], item, (Rank.ESSENTIAL,) * few))
    if practice:
        count = min(max(1, int(2 * UNIT / (rates.practice_problem or 1))), practice[-1].size or 1)
        item = item_of(exam, rates, practice[-1], 0, count)
        stops.append(single(practice[-1], item, (Rank.EXTRA,) * min(2, third)))
    return stops


def single(material: Material, item: Item, ranks: tuple[Rank, ...]) -> Draft:
    """A stop for one item on the only day."""
    substitute = SUBSTITUTE[material.kind] if unanswered(material) else ""
    return Draft(role=Role.COVER, kind=material.kind, ranks=ranks, items=(item,), substitute=substitute)
