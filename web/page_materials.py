"""What the plan's page says of an exam's materials: by kind, with the days that take them up and what comes back."""

from __future__ import annotations

from collections import defaultdict
from math import ceil
from typing import TYPE_CHECKING

from calplan.contents import by_kind, part_items
from calplan.model import UNIT, Answers, Exam, Kind, Material, Plan, Rates, Role
from calplan.sentences import short_day
from calplan.wording import label, one_line
from web.page_values import KindShown, MaterialShown, StockShown
from web.picture_squares import LETTERS, sign_of

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from datetime import date


def stock_shown(exam: Exam, plan: Plan, rates: Rates) -> StockShown:
    """An exam's materials by kind, in the order of turn, with the days that take them up."""
    taken = first_passes(exam, plan)
    kinds = []
    for kind in Kind:
        pieces = [piece for piece in exam.materials if piece.kind is kind]
        again = second_passes(exam, plan, kind)
        if pieces:
            shown = KindShown(
                kind=kind,
                letter=LETTERS[sign_of(Role.COVER, kind)],
                label=label(exam, kind),
                materials=tuple(material_shown(piece, taken[piece.key]) for piece in pieces),
                again=tuple(sorted(again)),
                again_minutes=sum(again.values()),
                flags=expected_flags(kind, pieces, rates) if again else 0,
            )
            kinds.append(shown)
    return StockShown(one_line(exam.subject), len(exam.materials), tuple(kinds))


def material_shown(piece: Material, days: set[date]) -> MaterialShown:
    """A piece of material."""
    return MaterialShown(
        title=one_line(piece.title),
        result=result(piece),
        remarks=", ".join(material_remarks(piece)),
        days=tuple(sorted(days)),
    )


def first_passes(exam: Exam, plan: Plan) -> dict[str, set[date]]:
    """The days on which each material is worked on in the way of its kind; practice goes on into the second pass."""
    days: dict[str, set[date]] = defaultdict(set)
    tasks = {task.id: task for task in plan.tasks if task.exam == exam.key and by_kind(task)}
    for block in plan.blocks:
        for part in (part for part in block.parts if part.task in tasks):
            for share in part_items(tasks[part.task], part):
                days[share.item.material].add(block.day)
    for past in (past for past in plan.past if not past.missed):
        for worked in (worked for worked in past.worked if worked.exam == exam.key):
            if worked.role in (Role.COVER, Role.ENCORE) or worked.kind is Kind.PRACTICE:
                for key in worked.pieces:
                    days[key].add(past.day)
    return days


def second_passes(exam: Exam, plan: Plan, kind: Kind) -> dict[date, int]:
    """The days of a kind's second pass over what was flagged, each with its minutes."""
    days: dict[date, int] = defaultdict(int)
    tasks = {
        task.id
        for task in plan.tasks
        if task.exam == exam.key and task.kind is kind and task.role is Role.CONSOLIDATE and not by_kind(task)
    }
    for block in plan.blocks:
        for part in (part for part in block.parts if part.task in tasks):
            days[block.day] += part.units * UNIT
    for past in (past for past in plan.past if not past.missed):
        for worked in past.worked:
            mine = worked.exam == exam.key and worked.kind is kind and kind is not Kind.PRACTICE
            if mine and worked.role is Role.CONSOLIDATE:
                days[past.day] += worked.units * UNIT
    return days


def expected_flags(kind: Kind, pieces: Sequence[Material], rates: Rates) -> int:
    """How many problems will be flagged, by the share that the plan reckons with (0: that cannot be said).

    Of quizzes and tests only missed problems come back; class periods are no problems.
    """
    numbers = [piece.missed if kind in (Kind.QUIZ, Kind.TEST) else piece.size for piece in pieces]
    if kind is Kind.NOTES or None in numbers:
        return 0
    return ceil(sum(number or 0 for number in numbers) * rates.flags / 100)


def result(piece: Material) -> str:
    """The size of a piece and how much of it was missed, as far as either is known."""
    word = "class period" if piece.kind is Kind.NOTES else "problem"
    if piece.missed is not None:
        return f"{piece.missed} of {piece.size} missed" if piece.size else f"{piece.missed} missed"
    return f"{piece.size} {word}{'' if piece.size == 1 else 's'}" if piece.size else ""


def material_remarks(piece: Material) -> Iterator[str]:
    """What else is known of a piece."""
    if piece.topic:
        yield one_line(piece.topic)
    if piece.kind is not Kind.NOTES:
        yield ANSWERS[piece.answers]
    if piece.in_hand:
        yield f"in hand from {short_day(piece.in_hand)}"


ANSWERS = {Answers.NONE: "no answers", Answers.ANSWERS: "answers", Answers.WORKED: "worked solutions"}
