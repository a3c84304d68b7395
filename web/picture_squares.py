"""A plan as squares: for every day what it holds, one square for five minutes of work, in the order of work.

Nothing here knows where a square is drawn. The pictures of :mod:`web.pictures` and their tables in words are made from
the same days, so that what one sees and what one reads cannot differ.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from datetime import date, datetime, timedelta
from enum import StrEnum
from itertools import groupby
from typing import TYPE_CHECKING, NamedTuple
from zoneinfo import ZoneInfo

from calplan.model import STAGE_OF, UNIT, Block, HolidayUse, Kind, PastBlock, Plan, PlannedExam, Request, Role, Stage
from calplan.sentences import HOLIDAY_WORDS, clean
from calplan.spans import instant, wall
from calplan.wording import label, one_line

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence


class Sign(StrEnum):
    """What a square stands for: one of the five kinds, or work of its own sort."""

    HOMEWORK = "homework"
    QUIZ = "quiz"
    NOTES = "notes"
    TEST = "test"
    PRACTICE = "practice"
    GATHER = "gather"
    SHEET = "sheet"
    MIXED = "mixed"
    PAPER = "paper"
    APPOINTMENT = "appointment"


LETTERS = {
    Sign.HOMEWORK: "H",
    Sign.QUIZ: "Q",
    Sign.NOTES: "N",
    Sign.TEST: "T",
    Sign.PRACTICE: "P",
    Sign.GATHER: "G",
    Sign.SHEET: "S",
    Sign.MIXED: "M",
    Sign.PAPER: "E",
    Sign.APPOINTMENT: "A",
}
"""The letter in a square."""

SIGN_WORDS = {
    Sign.GATHER: "gathering material",
    Sign.SHEET: "summary sheet",
    Sign.MIXED: "known problems, mixed",
    Sign.PAPER: "timed paper",
    Sign.APPOINTMENT: "appointment",
}
"""What the signs mean that are no kinds."""

KIND_WORDS = {
    Kind.HOMEWORK: "homework",
    Kind.QUIZ: "quizzes",
    Kind.NOTES: "notes",
    Kind.TEST: "tests",
    Kind.PRACTICE: "practice",
}
"""The usual words for kinds, where the exams of a plan have different ones."""

SIGN_OF = {
    Role.GATHER: Sign.GATHER,
    Role.TIDY: Sign.SHEET,
    Role.EVE: Sign.SHEET,
    Role.TAPER: Sign.MIXED,
    Role.PAPER: Sign.PAPER,
}
"""The signs of work that belongs to no kind."""


class State(StrEnum):
    """What became of a square's block, or, between two plans, of the square itself."""

    PLANNED = "planned"
    DONE = "done"
    MISSED = "missed"
    NO_WORD = "no-word"  # before today, and nobody has said what became of it
    KEPT = "kept"
    CAME = "came"
    GONE = "gone"


STATE_WORDS = {
    State.PLANNED: "planned",
    State.DONE: "done",
    State.MISSED: "missed",
    State.NO_WORD: "before today",
    State.KEPT: "as before",
    State.CAME: "new",
    State.GONE: "no longer there",
}


class Run(NamedTuple):
    """Squares in a row that are alike. ``exam`` is its place among the plan's exams, from 0 (``None``: no exam's)."""

    sign: Sign
    exam: int | None
    state: State
    units: int
    stage: Stage | None = None


class ExamMark(NamedTuple):
    """An exam on its day, at its start in the plan's zone."""

    exam: int
    subject: str
    start: datetime


class Mark(NamedTuple):
    """What else is to be known of a day; ``code`` names its sign, ``short`` is a word for it."""

    code: str
    short: str
    words: str


class DayLoad(NamedTuple):
    """A day of the picture. ``minutes`` are those of all its blocks, ``spare`` what these have beyond their work.

    ``before`` is what another plan has on the day, where two are compared.
    """

    day: date
    minutes: int
    spare: int
    runs: tuple[Run, ...]
    exams: tuple[ExamMark, ...]
    marks: tuple[Mark, ...]
    today: bool
    before: tuple[Run, ...] = ()

    @property
    def units(self) -> int:
        """How many squares it has."""
        return sum(run.units for run in self.runs)

    @property
    def stages(self) -> tuple[Stage, ...]:
        """The stages of its work, in order."""
        return tuple(stage for stage in Stage if any(run.stage is stage for run in self.runs))


class Stretch(NamedTuple):
    """The days of one stage of an exam, both included."""

    exam: int
    stage: Stage
    first: date
    last: date


class Loads(NamedTuple):
    """A whole plan: every day from its first block or day to its last exam, none left out."""

    days: tuple[DayLoad, ...]
    stretches: tuple[Stretch, ...]
    subjects: tuple[str, ...]
    words: dict[Sign, str]
    usual: int
    limit: int
    clocks: str
    compared: bool = False


# ------------------------------------------------------------------------------------------------ from a plan


def loads(
    plan: Plan, request: Request, *, today: date | None, clocks: str = "24", states: Mapping[str, State] | None = None
) -> Loads:
    """What the pictures show of a plan.

    ``states`` tells by UID what became of blocks; a block of which it says nothing is planned, or, before ``today``,
    without a word (nothing is before today where that is ``None``). ``clocks`` is "12" or "24".
    """
    places = {exam.key: number for number, exam in enumerate(plan.exams)}
    subjects = {exam.subject: number for number, exam in enumerate(plan.exams)}
    tasks = {task.id: task for task in plan.tasks}
    runs: dict[date, list[Run]] = defaultdict(list)
    minutes: Counter[date] = Counter()
    spare: Counter[date] = Counter()
    blocks: list[Block | PastBlock] = [*plan.past, *plan.blocks]
    for block in sorted(blocks, key=lambda one: (one.start, one.uid)):
        state = (states or {}).get(block.uid, State.NO_WORD if today and block.day < today else State.PLANNED)
        if isinstance(block, PastBlock):
            made = list(past_runs(block, places, subjects, state))
        else:
            made = [
                Run(
                    sign_of(tasks[part.task].role, tasks[part.task].kind),
                    places.get(tasks[part.task].exam),
                    state,
                    part.units,
                    tasks[part.task].stage,
                )
                for part in block.parts
            ] or [appointment(block, state)]
        runs[block.day] += made
        minutes[block.day] += block.minutes
        spare[block.day] += spare_minutes(block, made)
    exams = exam_marks(plan)
    marks = day_marks(plan, request, runs.keys() | exams.keys())
    return Loads(
        days=tuple(
            DayLoad(
                day=day,
                minutes=minutes[day],
                spare=spare[day],
                runs=drawn_together(runs.get(day, ())),
                exams=tuple(exams.get(day, ())),
                marks=tuple(marks.get(day, ())),
                today=day == today,
            )
            for day in every_day(plan, runs.keys() | exams.keys())
        ),
        stretches=tuple(stretch for number, exam in enumerate(plan.exams) for stretch in stages(plan, exam, number)),
        subjects=tuple(one_line(exam.subject) for exam in plan.exams),
        words=sign_words(request),
        usual=request.effort.usual,
        limit=request.effort.limit,
        clocks=clocks,
    )


def sign_of(role: Role, kind: Kind | None) -> Sign:
    """What work of a role and a kind is drawn as."""
    return Sign(kind.value) if kind else SIGN_OF.get(role, Sign.SHEET)


def appointment(block: Block | PastBlock, state: State) -> Run:
    """The squares of an appointment: five minutes that are begun count as a whole square, as in the plan's days."""
    return Run(Sign.APPOINTMENT, None, state, -(-block.minutes // UNIT))


def past_runs(block: PastBlock, places: Mapping[str, int], subjects: Mapping[str, int], state: State) -> Iterator[Run]:
    """The squares of a block that had begun when the plan was made again; what it worked for may be gone since."""
    if not block.worked:
        yield appointment(block, state)
    for worked in block.worked:
        exam = places.get(worked.exam)
        if exam is None and len(block.exams) == 1:
            exam = subjects.get(block.exams[0])
        yield Run(sign_of(worked.role, worked.kind), exam, state, worked.units, STAGE_OF[worked.role])


def spare_minutes(block: Block | PastBlock, runs: Iterable[Run]) -> int:
    """What a block has beyond its work, for the summary sheet; a timed paper and an appointment have nothing of it."""
    made = list(runs)
    if any(run.sign in (Sign.PAPER, Sign.APPOINTMENT) for run in made):
        return 0
    return max(0, block.minutes - UNIT * sum(run.units for run in made))


def drawn_together(runs: Iterable[Run]) -> tuple[Run, ...]:
    """The runs with neighbours that are alike made one."""
    alike = groupby((run for run in runs if run.units), key=lambda run: run._replace(units=0))
    return tuple(one._replace(units=sum(run.units for run in held)) for one, held in alike)


def every_day(plan: Plan, held: Iterable[date]) -> list[date]:
    """All days from the first to the last of the plan, of its blocks and of its exams."""
    known = {day.day for day in plan.days}.union(held)
    first, last = min(known), max(known)
    return [first + timedelta(days=i) for i in range((last - first).days + 1)]


def exam_marks(plan: Plan) -> dict[date, list[ExamMark]]:
    """The exams by their days in the plan's zone, each day's in order of time."""
    marks: dict[date, list[ExamMark]] = defaultdict(list)
    for number, exam in enumerate(plan.exams):
        start = wall(instant(exam.start, ZoneInfo(exam.zone)), ZoneInfo(plan.zone))
        marks[start.date()].append(ExamMark(number, one_line(exam.subject), start))
    return {day: sorted(held, key=lambda mark: (mark.start, mark.exam)) for day, held in marks.items()}


def stages(plan: Plan, exam: PlannedExam, number: int) -> Iterator[Stretch]:
    """The stretches of an exam's stages, from the plan's first day to the exam's eve, without holes."""
    if not exam.usable_days or not plan.days:
        return
    eve = wall(instant(exam.start, ZoneInfo(exam.zone)), ZoneInfo(plan.zone)).date() - timedelta(days=1)
    first = plan.days[0].day
    ends = [(Stage.COVER, exam.cover_ends), (Stage.CONSOLIDATE, exam.consolidate_ends)]
    ends += [(Stage.TAPER, eve if exam.taper_days else None)]
    for stage, end in ends:
        if end is not None and first <= min(end, eve):
            yield Stretch(number, stage, first, min(end, eve))
            first = end + timedelta(days=1)


def day_marks(plan: Plan, request: Request, held: Iterable[date]) -> dict[date, list[Mark]]:
    """Public holidays, days off, and days without a gap on which nothing else is."""
    marks: dict[date, list[Mark]] = defaultdict(list)
    for holiday in plan.holidays:
        code = {HolidayUse.FREE: "holiday", HolidayUse.LIGHT: "holiday-light"}.get(holiday.use, "holiday-ordinary")
        words = f"public holiday: {clean(holiday.title)}, {HOLIDAY_WORDS[holiday.use]}"
        marks[holiday.day].append(Mark(code, "public holiday", words))
    in_plan = {day.day for day in plan.days}
    for off in request.days_off:
        for day in (off.first + timedelta(days=i) for i in range((off.last - off.first).days + 1)):
            if day in in_plan and all(mark.code != "off" for mark in marks[day]):
                marks[day].append(Mark("off", "day off", f"day off: {clean(off.title)}" if off.title else "day off"))
    taken = set(held)
    for day in (day.day for day in plan.days if not day.free):
        if day not in taken and all(mark.code == "holiday-ordinary" for mark in marks[day]):
            marks[day].append(Mark("no-gap", "no gap", "no gap"))
    return marks


def sign_words(request: Request) -> dict[Sign, str]:
    """What each sign means; the student's own words for a kind where all exams share them."""
    words = dict(SIGN_WORDS)
    for kind in Kind:
        said = {label(exam, kind) for exam in request.exams}
        words[Sign(kind.value)] = said.pop() if len(said) == 1 else KIND_WORDS[kind]
    return words


# ------------------------------------------------------------------------------------------------ two plans


def compared(old: Loads, new: Loads) -> Loads:
    """The new plan's days, each with the old plan's squares beside its own.

    A square is kept where the other plan has one of the same kind for the same subject on the same day; else it is new,
    or gone. Days that only the old plan has are there too.
    """
    before = {day.day: day for day in old.days}
    after = {day.day: day for day in new.days}
    first, last = min(before.keys() | after.keys()), max(before.keys() | after.keys())
    subjects = tuple(dict.fromkeys(new.subjects + old.subjects))
    days = tuple(
        compared_day(day, before.get(day, nothing(day)), after.get(day, nothing(day)), old, new, subjects)
        for day in (first + timedelta(days=i) for i in range((last - first).days + 1))
    )
    stretches = tuple(one._replace(exam=subjects.index(new.subjects[one.exam])) for one in new.stretches)
    return new._replace(days=days, stretches=stretches, subjects=subjects, words=old.words | new.words, compared=True)


def nothing(day: date) -> DayLoad:
    """A day outside a plan."""
    return DayLoad(day, 0, 0, (), (), (), False)


def compared_day(day: date, was: DayLoad, now: DayLoad, old: Loads, new: Loads, subjects: Sequence[str]) -> DayLoad:
    """A day of the new plan with what the old one had on it, their exams counted among all subjects."""
    had, has = in_subjects(was.runs, old.subjects, subjects), in_subjects(now.runs, new.subjects, subjects)
    here = {mark.subject for mark in now.exams}
    moved = [
        Mark("moved", "exam no longer here", f"{mark.subject} no longer here")
        for mark in was.exams
        if mark.subject not in here
    ]
    return now._replace(
        runs=matched(has, had, State.CAME),
        before=matched(had, has, State.GONE),
        exams=tuple(mark._replace(exam=subjects.index(mark.subject)) for mark in now.exams),
        marks=(*now.marks, *moved),
    )


def in_subjects(runs: Iterable[Run], mine: Sequence[str], subjects: Sequence[str]) -> list[Run]:
    """Runs with their exams counted among all subjects of both plans."""
    return [run if run.exam is None else run._replace(exam=subjects.index(mine[run.exam])) for run in runs]


def matched(runs: Sequence[Run], others: Sequence[Run], alone: State) -> tuple[Run, ...]:
    """A day's squares in one plan: kept as far as the other plan has the like, ``alone`` beyond that."""
    there = Counter[tuple[Sign, int | None]]()
    for run in others:
        there[run.sign, run.exam] += run.units
    made = []
    for run in runs:
        kept = min(run.units, there[run.sign, run.exam])
        there[run.sign, run.exam] -= kept
        made += [run._replace(state=State.KEPT, units=kept), run._replace(state=alone, units=run.units - kept)]
    return drawn_together(made)
