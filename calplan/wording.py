"""Sentences that tell a student what a task or a block asks for: what to take, which problems, how to work, why today.

They are the same in the calendar, on the command line and on the pages. :class:`Wording` knows one plan and speaks of
its blocks; the functions below it speak of a single task. Which problems lie in a part of a task is settled in
:mod:`calplan.contents`. Nothing here speaks of arrangements that a school has granted: others often see a calendar.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from datetime import timedelta
from functools import lru_cache
from itertools import zip_longest
from typing import TYPE_CHECKING, NamedTuple
from zoneinfo import ZoneInfo

from calplan.contents import Share, by_kind, part_items, under_way
from calplan.model import UNIT, Answers, Block, Exam, Item, Kind, Part, Plan, Request, Role, Task, block_units
from calplan.spans import instant, wall

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator
    from datetime import date, datetime, time

    from calplan.model import PlannedExam

WHY_TODAY = "Why today"
"""What stands before the reason for a task's day."""
TITLE = 120
"""The most characters of a title that a sentence repeats; a longer one ends in an ellipsis."""

_get_zone = lru_cache(maxsize=None)(ZoneInfo)

# ------------------------------------------------------------------------------------------------- a plan's blocks


class Said(NamedTuple):
    """One thing that is said of a part of a block; ``about`` is the word before the colon ("Take", "How") or empty."""

    about: str
    text: str

    @property
    def line(self) -> str:
        """Both as one line of text."""
        return f"{self.about}: {self.text}" if self.about else self.text


class Asked(NamedTuple):
    """What a block asks for in one of its parts; ``headline`` is kind and amount, without the subject."""

    part: Part
    task: Task
    subject: str
    headline: str
    minutes: int
    said: tuple[Said, ...]


class Hours(NamedTuple):
    """When a block is, in wall-clock time of the plan's zone, and what is to be said about that.

    ``again`` tells that the hour of its start comes for the second time that day.
    """

    start: datetime
    end: datetime
    again: bool
    sentences: tuple[str, ...]


class Wording:
    """What one plan says of its blocks. Made once per plan: it looks up rounds and turns for all blocks together.

    ``clock`` writes times of day inside sentences; the default has 24 hours.
    """

    def __init__(self, plan: Plan, request: Request, clock: Callable[[datetime | time], str] | None = None) -> None:
        self.plan = plan
        self._clock = clock or _clock
        self.request = request
        self._zone = _get_zone(plan.zone)
        self._exams = {exam.key: exam for exam in request.exams}
        self._dates = {exam.key: exam.start.date() for exam in plan.exams}
        self._tasks = {task.id: task for task in plan.tasks}
        self._pieces = Counter(part.task for block in plan.blocks for part in block.parts)
        self._known: dict[Part, _Told] = {}
        self._places: dict[str, tuple[int, str, str]] = {}
        for exam in request.exams:
            self._places.update(_places(exam, [task for task in plan.tasks if task.exam == exam.key and task.kept]))

    def headline(self, block: Block) -> str:
        """One line for the block: subject, kind and amount of each part; an appointment's own title."""
        if not block.parts:
            return one_line(block.title) or "Study time: the summary sheet"
        subjects: dict[str, list[str]] = {}
        for part in block.parts:
            told = self._told(part)
            subjects.setdefault(one_line(told.exam.subject), []).append(told.headline)
        return " / ".join(f"{subject}: {' + '.join(said)}" for subject, said in subjects.items())

    def describe(self, block: Block, link: str | None = None) -> str:
        """Everything that the block asks for, as lines of text; ``link`` leads to the page where it is ticked off."""
        lines: list[str] = []
        for asked in self.asked(block):
            lines.append(f"{asked.subject}: {asked.headline} ({asked.minutes} minutes)")
            lines.extend(said.line for said in asked.said)
            lines.append("")
        lines.extend(self.beside(block))
        hours = self.hours(block)
        again = ", the second time that this hour comes that day" if hours.again else ""
        when = f"{_day(hours.start)}, {self._clock(hours.start)}–{self._clock(hours.end)}{again}"
        lines.append(f"When: {when} ({self.plan.zone} time)")
        lines.extend(hours.sentences)
        return with_link("\n".join(lines), link)

    def asked(self, block: Block) -> tuple[Asked, ...]:
        """What the block asks for, part by part; nothing for an appointment."""
        return tuple(self._asked(block, part) for part in block.parts)

    def beside(self, block: Block) -> tuple[str, ...]:
        """What is said of the block as a whole: spare minutes, sleep on the eve, what an appointment is."""
        if not block.parts:
            return ("A fixed appointment; it counts as study time of its day." if block.title else _SHEET,)
        return tuple(self._rest_lines(block))

    def hours(self, block: Block) -> Hours:
        """When the block begins and ends, across a change of the clocks too, and what bedtime has to say."""
        length = timedelta(minutes=block.minutes)
        begins = instant(block.start.replace(fold=block.fold), self._zone)
        start, end = block.start, wall(begins + length, self._zone)
        if block.fold or end - start != length:
            start = wall(begins, self._zone)  # where a start does not exist, or comes twice
        return Hours(start, end, bool(start.fold), tuple(self._hour_lines(block, start, end)))

    def why_today(self, block: Block) -> str:
        """Stage, round and turn of the block's tasks, what comes next, and how long there is to go."""
        return " ".join(dict.fromkeys(self._why(block, self._tasks[part.task]) for part in block.parts))

    def _told(self, part: Part) -> _Told:
        told = self._known.get(part)
        if told is None:
            task = self._tasks[part.task]
            told = self._known[part] = _tell(self._exams[task.exam], task, part)
        return told

    def _asked(self, block: Block, part: Part) -> Asked:
        told = self._told(part)
        minutes = block.minutes if told.task.role is Role.PAPER else part.units * UNIT
        said = tuple(self._part_lines(block, part, told))
        return Asked(part, told.task, one_line(told.exam.subject), told.headline, minutes, said)

    def _part_lines(self, block: Block, part: Part, told: _Told) -> Iterator[Said]:
        exam, task = told.exam, told.task
        yield from _lines(told)
        if task.role is Role.GATHER and (asks := [ask.sentence for ask in self.plan.asks if ask.exam == exam.key]):
            yield Said("", " ".join(map(_sentence, asks)))
        if self._pieces[task.id] > 1:
            yield Said("", _pieced(task, part))
        yield Said(WHY_TODAY, self._why(block, task))

    def _rest_lines(self, block: Block) -> Iterator[str]:
        roles = [self._tasks[part.task].role for part in block.parts]
        spare = block.minutes - UNIT * block_units(block)
        if spare > 0 and Role.PAPER not in roles:
            yield f"The other {_count(spare, 'minute')}: look over the summary sheet."
        if Role.EVE in roles:
            yield "Sleep comes before study: when it is time for bed, stop, wherever you are."

    def _hour_lines(self, block: Block, start: datetime, end: datetime) -> Iterator[str]:
        if end - start != timedelta(minutes=block.minutes):
            yield f"The clocks change in between: it is {_count(block.minutes, 'minute')} all the same."
        bed = self.request.effort.bedtime
        before_bed = (bed.hour * 60 + bed.minute - end.hour * 60 - end.minute) % (24 * 60)
        if before_bed <= _LATE:
            what = "leave what is not done by {} for another day" if self._goes_on(block) else "stop at {}"
            yield f"Bed at {self._clock(bed)} comes first: {what.format(self._clock(end))}."

    def _goes_on(self, block: Block) -> bool:
        """Whether a day with room is left between the block and the first exam that it works for (or any exam)."""
        exams = {self._tasks[part.task].exam for part in block.parts} or set(self._dates)
        soonest = min((self._dates[exam] for exam in exams if self._dates[exam] > block.day), default=block.day)
        return any(day.room and block.day < day.day < soonest for day in self.plan.days)

    def _why(self, block: Block, task: Task) -> str:
        turn, rounds, following = self._places.get(task.id, (0, "", ""))
        name = _named(self._exams[task.exam], task)
        if task.round == 0 and task.role in (Role.EVE, Role.COVER):
            return f"One day is left, so what matters most comes first; {self._days_to_go(block, task)}."
        if task.role is Role.COVER and task.fixed is not None:
            why = _WHY_FIXED if task.fixed == block.day else _WHY_NEAR
        else:
            why = _WHY_PRACTICE if task.role is Role.CONSOLIDATE and by_kind(task) else _WHY[task.role]
        day = _day(task.fixed) if task.fixed is not None else ""
        reason = why.format(name, turn=_ordinal(turn), rounds=rounds, day=day)
        return "; ".join(said for said in (reason, following, self._days_to_go(block, task)) if said) + "."

    def _days_to_go(self, block: Block, task: Task) -> str:
        days = (self._dates[task.exam] - block.day).days
        if days < 1:
            return "the exam is today"
        return "the exam is tomorrow" if days == 1 else f"{_count(days, 'day')} to go"


def describe(plan: Plan, request: Request, block: Block, link: str | None = None) -> str:
    """As :meth:`Wording.describe`, for a single block."""
    return Wording(plan, request).describe(block, link)


def why_today(plan: Plan, request: Request, block: Block) -> str:
    """As :meth:`Wording.why_today`, for a single block."""
    return Wording(plan, request).why_today(block)


def _places(exam: Exam, tasks: list[Task]) -> Iterator[tuple[str, tuple[int, str, str]]]:
    """For each task of an exam: which turn of its kind it is, in which round, and what comes after it."""
    aside = (Role.ENCORE, Role.PAPER)  # neither has a turn in the rotation
    ordered = sorted((task for task in tasks if task.role not in aside), key=lambda task: task.number)
    rounds = sorted({task.round for task in ordered if task.role is Role.COVER})
    turns: dict[Kind | None, int] = defaultdict(int)
    for task, following in zip_longest(ordered, ordered[1:]):
        comes = f"next in turn: {_said(exam, following)}" if following else ""
        if task.role is Role.COVER:
            turns[task.kind] += 1
            round_of = f"Round {rounds.index(task.round) + 1} of {len(rounds)}"
            yield task.id, (turns[task.kind], round_of, comes)
        else:
            yield task.id, (0, "", comes)


# ------------------------------------------------------------------------------------------------------ a single task


def headline(exam: Exam, task: Task, part: Part | None = None) -> str:
    """Subject, kind (under the exam's own label) and amount of a task or a part: "Chemistry: homework, 3 pieces"."""
    return f"{one_line(exam.subject)}: {_tell(exam, task, part).headline}"


def task_lines(exam: Exam, task: Task, part: Part | None = None) -> tuple[str, ...]:
    """What to take, how to work on it and what had to be left out, for a part of a task (default: all that is kept)."""
    return tuple(said.line for said in _lines(_tell(exam, task, part)))


def taken(exam: Exam, task: Task, part: Part | None = None) -> str:
    """The materials of a task or a part, each with its problems: "Quiz 3: the 2 missed problems; Quiz 4"."""
    return _taken(_tell(exam, task, part))


def left_out(exam: Exam, task: Task) -> str:
    """The sentence that says what a shortened task lost, or nothing where it kept all its units."""
    units = len(task.ranks) - task.kept
    if units <= 0:
        return ""
    lost = part_items(task, Part(task=task.id, first=task.kept, units=units))
    what = f": {'; '.join(_drawn_together(_phrases(exam, task, lost)))}" if lost else ""
    return f"Left out for want of time ({_count(units * UNIT, 'minute')}){what}."


def _drawn_together(phrases: Iterable[str]) -> Iterator[str]:
    """Phrases that say the same of several pieces as one: "Homework 1 to Homework 7 (7 pieces): one more example"."""
    titles: dict[str, list[str]] = {}
    for phrase in phrases:
        title, colon, what = phrase.partition(": ")
        titles.setdefault(colon + what, []).append(title)
    for what, said in titles.items():
        if len(said) > 2 and what:
            yield f"{said[0]} to {said[-1]} ({len(said)} pieces){what}"
        else:
            yield from (title + what for title in said)


def label(exam: Exam, kind: Kind, number: int = 2) -> str:
    """The exam's own word for a kind, or the usual one, fit for a number of pieces."""
    return one_line(exam.labels.get(kind, "")) or _USUAL[kind][number != 1]


def how(kind: Kind | None, role: Role) -> str:
    """How to work on a kind in a role (common practice, no source)."""
    return _COVER_HOW[kind] if role is Role.COVER and kind else _HOW[role]


class _Told(NamedTuple):
    """A part of a task with all that is needed to speak of it."""

    exam: Exam
    task: Task
    shares: tuple[Share, ...]
    begun: bool
    """Whether the part lies inside a single piece, which ends in another part."""
    ends: bool
    """Whether the task's kept work ends with the part."""
    headline: str
    """Kind and amount, without the subject."""


def _tell(exam: Exam, task: Task, part: Part | None) -> _Told:
    part = part or Part(task=task.id, first=0, units=task.kept)
    shares = part_items(task, part)
    begun = bool(task.items) and not shares
    if begun:
        shares = (under_way(task, part),)
    ends = part.first + part.units >= task.kept
    return _Told(exam, task, shares, begun, ends, _amounts(exam, task, shares, begun))


def _lines(told: _Told) -> Iterator[Said]:
    exam, task = told.exam, told.task
    if what := _taken(told):
        yield Said("Collect" if task.role is Role.GATHER else "Take", f"{what}.")
    yield Said("How", _how(told))
    if task.substitute:
        lacking = "So far you have" if task.role is Role.GATHER else "Where answers are missing:"
        yield Said("", f"{lacking} {_sentence(task.substitute)}")
    if told.ends and (lost := left_out(exam, task)):
        yield Said("", lost)
    yield from (Said("", _sentence(note)) for note in task.notes)


def _taken(told: _Told) -> str:
    exam, task, shares = told.exam, told.task, told.shares
    if task.role is Role.CONSOLIDATE and not task.items:
        return f"what you flagged 1 or 2 in {_named(exam, task)}"
    each = "a known problem from each of " if task.role is Role.TAPER and shares else ""
    return f"{each}{'; '.join(_phrases(exam, task, shares))}{_AS_FAR if told.begun else ''}"


def _how(told: _Told) -> str:
    task = told.task
    if task.role is Role.EVE and task.round == 0:
        return _ONLY_DAY + _sheet_rule(told)
    if not task.substitute or not by_kind(task) or task.role is Role.ENCORE:
        return _usual_how(told)
    return (
        f"{_usual_how(told)} For what has no answers: {_UNANSWERED[0].lower()}{_UNANSWERED[1:]}"
        if _answers_for_some(told)
        else _UNANSWERED
    )


def _answers_for_some(told: _Told) -> bool:
    """Whether some of a task's materials have answers and some have none, as far as the exam knows them."""
    keys = {item.material for item in told.task.items}
    return len({m.answers is Answers.NONE for m in told.exam.materials if m.key in keys}) > 1


def _usual_how(told: _Told) -> str:
    """How to work where there are answers."""
    task, shares = told.task, told.shares
    if task.role is Role.CONSOLIDATE and by_kind(task):
        return how(task.kind, Role.COVER)
    if task.role is not Role.COVER or task.kind not in _EXTRA_HOW:
        return how(task.kind, task.role) + _sheet_rule(told)
    said = [how(task.kind, task.role)] if any(not share.extra for share in shares) else []
    missed = any(item.missed for item in task.items)
    extra = _EXTRA_HOW[task.kind] if missed else _EXTRA_HOW[task.kind].replace(" too", "")
    return " ".join([*said, extra] if any(share.extra for share in shares) else said)


def _sheet_rule(told: _Told) -> str:
    """What the exam permits of the summary sheet, where the student has said so."""
    pages = told.exam.sheet_pages
    if not pages or told.task.role not in (Role.TIDY, Role.EVE):
        return ""
    return f" For this exam you noted that {_count(pages, 'page')} may go in."


# ------------------------------------------------------------------------------------------------ phrases and amounts


def _phrases(exam: Exam, task: Task, shares: Iterable[Share]) -> list[str]:
    """One phrase for each item of some shares: its title and what of it is meant."""
    by_item: dict[int, list[Share]] = {}
    for share in shares:
        by_item.setdefault(id(share.item), []).append(share)
    return [one_line(own[0].item.title) + _what(exam, task, own) for own in by_item.values()]


def _what(exam: Exam, task: Task, shares: list[Share]) -> str:
    item = shares[0].item
    what = ""
    if not by_kind(task):
        if task.role is Role.CONSOLIDATE and item.count:
            what = f"about {_count(sum(share.number for share in shares), 'flag')}"
    elif task.kind is Kind.HOMEWORK:
        return ": one more example" if shares[0].extra else _size(item)
    elif task.kind is Kind.PRACTICE:
        what = _run("problem", _numbers(item, shares)) if item.count else ""
    elif task.kind is Kind.NOTES:
        what = _periods(item, shares)
    else:
        said = [_right(task, s) if s.extra else _missed(s, _guessed(exam, item)) for s in shares]
        what = " and ".join(filter(None, said))
    return f": {what}" if what else ""


def _guessed(exam: Exam, item: Item) -> bool:
    """Whether nobody has counted the missed problems of an item's material."""
    return any(m.key == item.material and m.missed is None for m in exam.materials)


def _size(item: Item) -> str:
    said = [_count(item.count, "problem") if item.count else "", f"{item.missed} missed" if item.missed else ""]
    return f" ({', '.join(filter(None, said))})" if any(said) else ""


def _numbers(item: Item, shares: list[Share]) -> tuple[int, int]:
    """First and last problem of some shares of a practice sheet, whose extras follow right after its essentials."""
    low, high = (share.first + (item.count - share.of if share.extra else 0) for share in (shares[0], shares[-1]))
    return item.first + low, item.first + high + shares[-1].number - 1


def _periods(item: Item, shares: list[Share]) -> str:
    if not item.count:
        return "" if len(shares) > 1 or item.essential >= item.minutes else _LAYER_OF_NOTES[shares[0].extra]
    spans = [(item.first + share.first, item.first + share.first + share.number - 1) for share in shares]
    if item.essential >= item.minutes or (len(shares) > 1 and spans[0] == spans[1]):
        return _run("class period", spans[0])
    return "; ".join(
        f"{_LAYER_OF_NOTES[share.extra]} of {_run('class period', span)}"
        for share, span in zip(shares, spans, strict=True)
    )


def _missed(share: Share, guessed: bool) -> str:
    if not share.item.missed:
        return ""
    about = "about " if guessed else ""
    if share.number == share.of:
        if guessed:
            return f"the missed problems (about {share.of})"
        return "the missed problem" if share.of == 1 else f"the {share.of} missed problems"
    return f"{_run('missed problem', (share.first + 1, share.first + share.number))} of {about}{share.of}"


def _right(task: Task, share: Share) -> str:
    right = share.item.count - share.item.missed
    if right <= 0 < share.item.count:
        return "a second look"
    if share.of != right:
        return "the right ones" if task.kind is Kind.TEST else "a few of the right ones"
    if share.number == share.of:
        return "the right one" if share.of == 1 else f"the {share.of} right ones"
    return f"{_run('right one', (share.first + 1, share.first + share.number))} of {share.of}"


def _amounts(exam: Exam, task: Task, shares: tuple[Share, ...], begun: bool) -> str:
    if not by_kind(task):
        return _said(exam, task)
    said = _said(exam, task, len({id(share.item) for share in shares}))
    return f"{said}{_AS_FAR}" if begun else f"{said}, {_amount(exam, task, shares)}"


def _amount(exam: Exam, task: Task, shares: tuple[Share, ...]) -> str:
    counted = [share for share in shares if share.item.count or share.item.missed]
    if task.kind is Kind.PRACTICE and counted:
        return _count(sum(share.number for share in counted), "problem")
    if task.kind is Kind.NOTES and counted:
        periods = {(id(s.item), number) for s in counted for number in range(s.first, s.first + s.number)}
        return _count(len(periods), "class period")
    if task.kind in _EXTRA_HOW:
        missed = [share for share in shares if share.item.missed and not share.extra]
        right = sum(s.number for s in shares if s.extra and s.of == s.item.count - s.item.missed)
        about = "about " if any(_guessed(exam, share.item) for share in missed) else ""
        number = sum(share.number for share in missed)
        if number or right:
            return about + (_count(number + right, "problem") if right else _count(number, "missed problem"))
    return _count(len({id(share.item) for share in shares}), "piece")


def _said(exam: Exam, task: Task, number: int = 2) -> str:
    """What a task is, in a few words: the kind's label, or what its role is called."""
    name = _named(exam, task, number)
    return name if task.role is Role.CONSOLIDATE and by_kind(task) else _CALLED[task.role].format(name)


def _named(exam: Exam, task: Task, number: int = 2) -> str:
    return label(exam, task.kind, number) if task.kind else "the material"


def _pieced(task: Task, part: Part) -> str:
    if part.first == 0:
        return "This is the first part of it; the rest follows in another block."
    last = part.first + part.units >= task.kept
    return "The last part: with this it is done." if last else "It goes on from an earlier block, and another follows."


# ------------------------------------------------------------------------------------------------------ small words


def _run(word: str, span: tuple[int, int]) -> str:
    low, high = span
    return f"{word} {low}" if low == high else f"{_plural(word)} {low}–{high}"


def _count(number: int, word: str, words: str = "") -> str:
    return f"{number} {word}" if number == 1 else f"{number} {words or _plural(word)}"


def _plural(word: str) -> str:
    return f"{word}s"


def _ordinal(number: int) -> str:
    if number < len(_ORDINALS):
        return _ORDINALS[number]
    ending = "th" if number % 100 in (11, 12, 13) else {1: "st", 2: "nd", 3: "rd"}.get(number % 10, "th")
    return f"{number}{ending}"


def may_be_later(exam: PlannedExam) -> str:
    """Where the exam may also be on a later day: up to which, and what the plan does about it; else nothing."""
    if exam.latest is None or exam.latest <= exam.start.date():
        return ""
    return f"It may also be on any day up to {_day(exam.latest)}; the plan counts on the first."


def with_link(text: str, link: str | None) -> str:
    """What a block asks for, and where it is ticked off."""
    return f"{text}\nTick it off: {link}" if link else text


def one_line(text: str) -> str:
    """A title on one line and of bearable length."""
    if len(text) <= TITLE and text.isprintable() and "  " not in text and text == text.strip():
        return text
    text = " ".join(text.split())
    return text if len(text) <= TITLE else text[: TITLE - 1].rstrip() + "…"


def _sentence(text: str) -> str:
    text = " ".join(text.split())
    return text if text.endswith((".", "!", "?", "…")) else f"{text}."


def _day(day: date) -> str:
    return f"{_WEEKDAYS[day.weekday()]} {day.day} {_MONTHS[day.month - 1]} {day.year}"


def _clock(moment: datetime | time) -> str:
    return f"{moment.hour:02}:{moment.minute:02}"


_AS_FAR = ", as far as you get"
_LATE = 120  # a block that ends within two hours of bedtime is told that bed comes first
_ORDINALS = ("", "first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth", "ninth", "tenth")
_WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
_MONTHS = (
    "January", "February", "March", "April", "May", "June",
    "July", "August", "September", "October", "November", "December",
)  # fmt: skip
_USUAL = {
    Kind.HOMEWORK: ("homework", "homework"),
    Kind.QUIZ: ("quiz", "quizzes"),
    Kind.NOTES: ("notes", "notes"),
    Kind.TEST: ("test", "tests"),
    Kind.PRACTICE: ("practice", "practice"),
}
_LAYER_OF_NOTES = {False: "definitions and formulas", True: "model examples"}
_SHEET = "Look over the summary sheet, and add what is missing."
_CALLED = {
    Role.GATHER: "gather the material",
    Role.COVER: "{}",
    Role.ENCORE: "{} again",
    Role.CONSOLIDATE: "second pass over {}",
    Role.TIDY: "tidy the summary sheet",
    Role.TAPER: "a few known problems and the sheet",
    Role.EVE: "the summary sheet, and an early night",
    Role.PAPER: "timed paper",
}
_WHY = {
    Role.GATHER: "First of all: what is not at hand cannot be studied",
    Role.COVER: "{rounds}, {turn} turn for {}",
    Role.ENCORE: "The day would be empty otherwise: another turn for {}",
    Role.CONSOLIDATE: "Second pass: what is flagged 1 or 2 in {}",
    Role.TIDY: "The second pass ends with a tidy sheet",
    Role.TAPER: "The light last stretch: what you know stays fresh",
    Role.EVE: "Nothing new from here on",
    Role.PAPER: "Late enough to know the material, early enough to learn from it",
}
_WHY_FIXED = "This day was fixed for {}"
_WHY_NEAR = "{day} was fixed for {}, and this is the nearest day with room"
_WHY_PRACTICE = "Second pass: the last of {}, between the flags of the other kinds"
_COVER_HOW = {
    Kind.HOMEWORK: "Look at each piece, recall how it was done, and find what was hard; flag that "
    "(1 must, 2 should, 3 settled). No full rework; one more example only where the method is gone.",
    Kind.QUIZ: "Redo every missed problem: study the solution, cover it, do it, check. Up to three tries; "
    "what is still wrong then goes on the ask list, with a flag.",
    Kind.NOTES: "Read, pick out definitions, formulas and model examples, and condense them onto the summary sheet. "
    "Sheets from earlier chapters save half the work.",
    Kind.TEST: "Redo every missed problem: study the solution, cover it, do it, check. Up to three tries; "
    "what is still wrong then goes on the ask list, with a flag.",
    Kind.PRACTICE: "Solve, then check against the answers, and flag what went wrong. "
    "Fewer when it goes well, more when it does not.",
}
_UNANSWERED = (
    "Do each problem without looking anything up, check with what stands in for the answers, flag what stays unsure, "
    "and write down what to ask."
)
_ONLY_DAY = (
    "Write, or write anew, one page of what matters most: definitions, formulas, model examples. When all is done, "
    "pack your things, and have an early night."
)
_EXTRA_HOW = {
    Kind.QUIZ: "A few of the right ones too, to be sure of them.",
    Kind.TEST: "Redo the right ones too, more quickly.",
}
_HOW = {
    Role.COVER: "Go through it, find what was hard, and flag that.",
    Role.GATHER: "Lay out what there is, note what is missing, and ask for it now; "
    "answers matter, worked solutions more.",
    Role.CONSOLIDATE: "Only what is flagged 1 or 2: cover the solution, do it, check; settled ones become 3. "
    "Let neighbours differ in topic. Only what still feels unsure goes onto the summary sheet.",
    Role.TIDY: "Bring the summary sheet into its last form: one page, two at most; a messy one is written again. "
    "It is for study, and goes to the exam only where the rules allow it.",
    Role.TAPER: "Three to five problems that you know, of different kinds, then a look over the summary sheet. "
    "Nothing new.",
    Role.EVE: "Only the summary sheet, and problems if you choose some; nothing new and no timed paper. "
    "Pack your things, and have an early night.",
    Role.PAPER: "A whole paper in one go, at the exam's own hour and with the aids that it permits. "
    "Go through what went wrong on another day.",
    Role.ENCORE: "Look again at what you have had before; what goes well can be left at once.",
}
