"""What a plan says of what was combined, shortened or left out."""

from __future__ import annotations

from datetime import date, datetime, timedelta

from calplan.cycle import Cycle, Stages
from calplan.model import Day, Exam, Kind, Part, Role, Task
from calplan.remarks import listed, on_days, on_sharing
from calplan.workload import Prepared
from tests import plans
from tests.plans import E


def task(name: str, role: Role, kind: Kind | None, exam: str = "chem") -> Task:
    return plans.task(role, kind, (E, E, E), id=name, exam=exam)


def prepared(exam: Exam) -> Prepared:
    days = tuple(date(2026, 3, n) for n in range(1, 6))
    return Prepared(exam, exam.start.date(), days, Cycle(Stages(3, 1, 1), (), (), (), ()))


def test_tasks_are_listed_in_plain_words_and_under_the_exams_own_labels() -> None:
    exam = plans.exam(labels={Kind.HOMEWORK: "essays"})
    tasks = [
        task("a", Role.COVER, Kind.QUIZ),
        task("b", Role.COVER, Kind.QUIZ),
        task("c", Role.CONSOLIDATE, Kind.NOTES),
        task("d", Role.TIDY, None),
        task("e", Role.COVER, Kind.HOMEWORK),
        task("f", Role.TAPER, None),
        task("g", Role.TAPER, None),
    ]
    assert listed(exam, tasks) == "2 for quizzes, 1 second pass over notes, 1 sheet task, 1 for essays, 2 taper tasks"


def test_one_sentence_names_each_exam_that_has_shared_days_or_divided_tasks() -> None:
    """A task over three days is one task that goes on; an exam with neither is not named."""
    history = plans.exam("hist", "History", start=datetime(2026, 3, 25, 9))
    latin = plans.exam("latin", "Latin")
    tasks = [task("a", Role.COVER, Kind.QUIZ), task("b", Role.COVER, Kind.NOTES)]
    tasks += [task("h", Role.COVER, Kind.TEST, "hist"), task("l", Role.COVER, Kind.TEST, "latin")]
    held = [["a", "b"], ["h"], ["h"], ["h", "l"]]
    days = [
        Day(day=date(2026, 3, n), parts=tuple(Part(task=name, first=0, units=1) for name in names))
        for n, names in enumerate(held, 1)
    ]
    [notice] = on_sharing([prepared(plans.exam()), prepared(history), prepared(latin)], tasks, days)
    assert notice.code == "combined"
    assert "Chemistry has 1 day with more than one kind; History has 1 task carried over" in notice.sentence
    assert "Latin" not in notice.sentence
    assert list(on_sharing([prepared(latin)], tasks, days)) == []


def test_few_days_are_left_or_can_be_used() -> None:
    """Fridays alone before an exam three weeks away are few, and the exam is not three days away."""
    exam = plans.exam()
    three = [exam.start.date() - timedelta(days=n) for n in (3, 2, 1)]
    fridays = [exam.start.date() - timedelta(days=n) for n in (20, 13, 6)]
    said = []
    for days in (three, fridays, three[:1], three[2:]):
        one = Prepared(exam, exam.start.date(), tuple(days), Cycle(Stages(1, 0, 0), (), (), (), ()))
        said.append(next(on_days(one)).sentence.partition(", which")[0].removeprefix(f"{exam.subject}: "))
    assert said == ["Three days are left", "Three days can be used", "One day can be used", "One day is left"]
