"""Small plans made by hand, for tests of what speaks of a plan: nothing here asks the scheduler.

The scenario is invented: a chemistry final, and later a history term exam, at Hollin Reach College.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta

from calplan.model import (
    Appointment,
    Ask,
    Block,
    Day,
    Exam,
    Figures,
    Item,
    Kind,
    Material,
    Part,
    Plan,
    PlannedExam,
    Rank,
    Request,
    Role,
    StudyHours,
    Task,
    Weekday,
    block_units,
    identity,
)

AS_OF = datetime(2026, 3, 1, 12, 0, tzinfo=UTC)
ZONE = "America/New_York"
SEED = "hollin-reach"

E, X, F1, F2 = Rank.ESSENTIAL, Rank.EXTRA, Rank.FLAG_MUST, Rank.FLAG_SHOULD


def exam(key: str = "chem", subject: str = "Chemistry", **fields: object) -> Exam:
    """An exam at nine in the morning of 20 March 2026."""
    start = datetime(2026, 3, 20, 9, 0)
    return Exam(**{"key": key, "subject": subject, "start": start, "minutes": 90, "place": "Room 12", **fields})


def task(
    role: Role, kind: Kind | None, ranks: tuple[Rank, ...], items: tuple[Item, ...] = (), **fields: object
) -> Task:
    """A task of the chemistry exam that may lie on any day."""
    day = date(2026, 3, 4)
    defaults = {"id": "chem/0", "exam": "chem", "number": 0, "round": 1, "kept": len(ranks)}
    dates = {"ideal": day, "first": day, "last": day}
    return Task(role=role, kind=kind, ranks=ranks, items=items, **{**defaults, **dates, **fields})


def homework(*numbers: int) -> tuple[Item, ...]:
    """Pieces of homework, seven minutes each."""
    return tuple(Item(material=f"hw{n}", title=f"Homework {n}", minutes=7, essential=5.25) for n in numbers)


def quiz(number: int = 1, missed: int = 2, count: int = 0) -> Item:
    """A quiz with its missed problems."""
    return Item(
        material=f"quiz{number}",
        title=f"Quiz {number}",
        count=count,
        missed=missed,
        minutes=8 + 5 * missed,
        essential=5 * missed,
    )


def notes(first: int, count: int) -> Item:
    """Class periods out of a pile of notes."""
    return Item(
        material="notes", title="Class notes", first=first, count=count, minutes=4.5 * count, essential=3.375 * count
    )


def paper(number: int, missed: int, count: int) -> Item:
    """A returned test; ``count`` 0 means that its size is not known."""
    right = 1.5 * max(0, count - missed)
    return Item(
        material=f"test{number}",
        title=f"Unit test {number}",
        count=count,
        missed=missed,
        minutes=15 + 5 * missed + right,
        essential=5 * missed,
    )


def practice(first: int, count: int) -> Item:
    """Practice problems out of one sheet."""
    return Item(
        material="sheet", title="Problem sheet", first=first, count=count, minutes=1.5 * count, essential=1.005 * count
    )


def chemistry_tasks() -> tuple[Task, ...]:
    """One task of every role and kind, in the order of the exam."""
    known = tuple(Item(material=m, title=t, count=1) for m, t in (("test1", "Unit test 1"), ("quiz1", "Quiz 1")))
    made = (
        task(Role.GATHER, None, (Rank.GATHER,) * 2, substitute="no tests: take the chapter review as if it were one"),
        task(Role.COVER, Kind.HOMEWORK, (E, E, E, E, X), homework(1, 2, 3)),
        task(Role.COVER, Kind.QUIZ, (E, E, X, X), (quiz(1, 2),), round=1),
        task(Role.COVER, Kind.NOTES, (E,) * 5 + (X,), (notes(1, 6),)),
        task(Role.COVER, Kind.TEST, (E,) * 4 + (X,) * 7, (paper(1, 4, 16),), kept=8),
        task(Role.COVER, Kind.PRACTICE, (E, E, E, X), (practice(1, 12),), substitute="textbook exercises"),
        task(Role.COVER, Kind.HOMEWORK, (E, E, X), homework(4, 5), round=2),
        task(Role.CONSOLIDATE, Kind.QUIZ, (F1, F2)),
        task(Role.CONSOLIDATE, Kind.PRACTICE, (E, E, E, X), (practice(13, 12),)),
        task(Role.TIDY, None, (F1, F1)),
        task(Role.PAPER, None, (E,) * 22),
        task(Role.TAPER, None, (Rank.TAPER,) * 4, known),
        task(Role.EVE, None, (Rank.TAPER,) * 3),
        task(Role.ENCORE, Kind.HOMEWORK, (X, X, X), homework(1, 2)),
    )
    return tuple(_numbered(made))


def _numbered(tasks: tuple[Task, ...]) -> list[Task]:
    fields = (
        "exam",
        "role",
        "kind",
        "round",
        "ranks",
        "kept",
        "ideal",
        "first",
        "last",
        "items",
        "substitute",
        "notes",
    )
    return [
        Task(id=f"{t.exam}/{number}", number=number, **{name: getattr(t, name) for name in fields})
        for number, t in enumerate(tasks)
    ]


def block(day: date, hour: int, minutes: int, *parts: Part, number: int = 0, **fields: object) -> Block:
    """A block at a full hour of a day."""
    uid = identity(SEED, "block", str(number))
    start = datetime.combine(day, time(hour))
    return Block(
        **{"uid": uid, "day": day, "start": start, "minutes": minutes, "revised": AS_OF, "parts": parts, **fields}
    )


def whole(of: Task) -> Part:
    """All that is kept of a task."""
    return Part(task=of.id, first=0, units=of.kept)


def chemistry() -> tuple[Request, Plan]:
    """A plan with a block for every role, a task over two blocks, two tasks in a block, and an appointment."""
    tasks = chemistry_tasks()
    parts = [(whole(t),) for t in tasks]
    test = tasks[4]
    parts[4:5] = [(Part(task=test.id, first=0, units=4),), (Part(task=test.id, first=4, units=test.kept - 4),)]
    parts[9:11] = [parts[9] + parts[10]]
    blocks = []
    for number, held in enumerate(parts):
        units = sum(part.units for part in held)
        day = date(2026, 3, 3) + timedelta(days=number)
        blocks.append(block(day, 17, max(15, units * 5), *held, number=number, sequence=number % 3))
    blocks.append(block(date(2026, 3, 19), 15, 45, number=99, title="Tutoring with Ms Okafor", fixed=True))
    return plan_of((exam(materials=_materials(), timed_paper=True),), tasks, tuple(blocks))


def plan_of(
    exams: tuple[Exam, ...], tasks: tuple[Task, ...], blocks: tuple[Block, ...], *, zone: str = ZONE, title: str = ""
) -> tuple[Request, Plan]:
    """A request and a plan around some tasks and blocks."""
    request = Request(
        zone=zone,
        exams=exams,
        week=(StudyHours(days=tuple(Weekday), start=time(15), end=time(21)),),
        appointments=tuple(
            Appointment(title=b.title, start=b.start, minutes=b.minutes) for b in blocks if not b.parts and b.title
        ),
    )
    by_day = sorted({b.day for b in blocks})
    days = tuple(
        Day(
            day=day,
            free=48,
            room=12,
            fixed=sum(b.minutes // 5 for b in blocks if b.day == day and not b.parts),
            parts=tuple(part for b in blocks if b.day == day for part in b.parts),
        )
        for day in by_day
    )
    kept = 5 * sum(map(block_units, blocks))
    plan = Plan(
        request_hash="0" * 64,
        seed=SEED,
        as_of=AS_OF,
        zone=zone,
        title=title,
        exams=tuple(
            PlannedExam(
                key=e.key,
                subject=e.subject,
                start=e.start,
                zone=e.zone or zone,
                minutes=e.minutes,
                usable_days=len(days),
                place=e.place,
            )
            for e in exams
        ),
        days=days,
        tasks=tasks,
        blocks=blocks,
        figures=Figures(everything=60, essentials=45, bound=45, maximum=60, asked=kept, kept=kept),
        asks=(Ask(exam="chem", material="quiz1", sentence="Ask for the answers to Quiz 1."),),
    )
    return request, plan


def two_exams() -> tuple[Request, Plan]:
    """A block that works for two exams, with labels of their own, one exam in another zone."""
    history = exam(
        "hist",
        "History",
        start=datetime(2026, 3, 25, 13, 30),
        zone="Europe/London",
        place="",
        labels={Kind.HOMEWORK: "essays"},
        materials=(Material(key="essay", kind=Kind.HOMEWORK, title="Essay on the enclosures"),),
    )
    tasks = (
        task(Role.COVER, Kind.QUIZ, (E, E, X, X), (quiz(1, 2),)),
        task(
            Role.COVER,
            Kind.HOMEWORK,
            (E, X),
            (Item(material="essay", title="Essay on the enclosures", minutes=7, essential=5.25),),
            exam="hist",
            id="hist/0",
        ),
    )
    shared = block(date(2026, 3, 9), 17, 30, whole(tasks[0]), whole(tasks[1]))
    return plan_of((exam(materials=_materials()), history), tasks, (shared,), title="Spring at Hollin Reach")


def at(wall: datetime, zone: str, *, minutes: int = 60, fold: int = 0) -> tuple[Request, Plan]:
    """A plan with a single block at a wall-clock time of a zone."""
    only = task(Role.COVER, Kind.HOMEWORK, (E, E, E, E, X), homework(1, 2, 3))
    uid = identity(SEED, "block", "0")
    day = wall.date()
    study = Block(uid=uid, day=day, start=wall, minutes=minutes, revised=AS_OF, parts=(whole(only),), fold=fold)
    later = exam(start=datetime.combine(day + timedelta(days=5), time(9)))
    return plan_of((later,), (only,), (study,), zone=zone)


def saying(text: str) -> tuple[Request, Plan]:
    """A plan in which every field that a person can fill says ``text``."""
    said = exam(
        subject=text,
        place=text,
        labels={Kind.HOMEWORK: text},
        materials=(Material(key="hw1", kind=Kind.HOMEWORK, title=text),),
    )
    item = Item(material="hw1", title=text, minutes=7, essential=5.25)
    tasks = (
        task(Role.COVER, Kind.HOMEWORK, (E, X), (item,), substitute=text, notes=(text,)),
        task(Role.COVER, Kind.QUIZ, (E, E, X, X), (quiz(2, 2), Item(material="q", title=text)), id="chem/1", number=1),
    )
    blocks = (
        block(date(2026, 3, 4), 16, 15, whole(tasks[0]), number=0),
        block(date(2026, 3, 5), 16, 20, whole(tasks[1]), number=1),
        block(date(2026, 3, 6), 16, 30, number=2, title=text or "Tutoring"),
    )
    return plan_of((said,), tasks, blocks, title=text)


def _materials() -> tuple[Material, ...]:
    return (
        *(Material(key=f"hw{n}", kind=Kind.HOMEWORK, title=f"Homework {n}") for n in range(1, 6)),
        Material(key="quiz1", kind=Kind.QUIZ, title="Quiz 1", size=8, missed=2),
        Material(key="notes", kind=Kind.NOTES, title="Class notes", size=6),
        Material(key="test1", kind=Kind.TEST, title="Unit test 1", size=16, missed=4),
        Material(key="sheet", kind=Kind.PRACTICE, title="Problem sheet", size=24),
    )
