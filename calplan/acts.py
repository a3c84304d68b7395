"""One act for many: the school is closed on a day, a section's exam moves, material comes back late.

An act is an edit of the courses document as written; who is concerned follows from that, since a row is planned again
where what it asks for has changed. What an act would do is summed up over all rows before it is applied
(:class:`Effects`), and what other dates of an exam would do is found by planning for each of them (:func:`eased`).
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from datetime import date, datetime
from functools import partial
from typing import TYPE_CHECKING, Any, NamedTuple

from calplan import news
from calplan.courses import Courses, plain
from calplan.documents import parse
from calplan.enrolment import frozen, materials_of, sections_of
from calplan.errors import InvalidRequest, Problem
from calplan.outcomes import Outcome, Status
from calplan.roster import Row
from calplan.sentences import listed
from calplan.tables import Problems, show, the_moment

if TYPE_CHECKING:
    from calplan.model import Material

Written = dict[str, Any]


def read_written(document: bytes, *, name: str = "courses") -> Written:
    """The courses as written, as tables and lists. Raises :class:`InvalidRequest` where they cannot be parsed."""
    problems = Problems()
    found = plain(parse(document, name, None, problems))
    problems.raise_all()
    return found if isinstance(found, dict) else {}


def to_document(mapping: Mapping[str, Any]) -> bytes:
    """The courses as a document of JSON."""
    return json.dumps(mapping, ensure_ascii=False, indent=2).encode() + b"\n"


# ------------------------------------------------------------------------------------------------------- the acts


def closed(courses: Mapping[str, Any], first: date, last: date, title: str = "") -> Written:
    """The courses with days on which nobody studies. Raises :class:`InvalidRequest` where they are in disorder."""
    return news.lose_days(dict(courses), first, last, title)


def moved(
    courses: Mapping[str, Any], course: str, section: str, start: datetime, latest: date | None = None
) -> Written:
    """The courses with another start of a section's exam; what is fixed for days that do not lie before it falls out.

    Raises :class:`InvalidRequest` where there is no such section.
    """

    def change(found: Mapping[str, Any]) -> Written:
        fixed = {key: found[key] for key in ("fixed_day",) if key in found}  # unless the section says its own
        return with_section(found, course, section, lambda one: news.moved({**fixed, **one}, start, latest))

    return with_course(courses, course, change)


def late(courses: Mapping[str, Any], course: str, material: str, in_hand: date, section: str = "") -> Written:
    """The courses with material, by its key (``quiz-3``), that students have from a day on only: all, or a section's.

    Raises :class:`InvalidRequest` where there is no such material, or no such section.
    """
    put = partial(news.with_late, exam=course, material=material, in_hand=in_hand)

    def change(found: Mapping[str, Any]) -> Written:
        keys = {piece.key: piece.key.removeprefix(f"{course}.") for piece in pieces_of(found)}
        if material not in (*keys, *keys.values()):
            some = ", ".join(list(keys.values())[:12])
            raise wrong(
                f"course {course}", f"there is no material {show(material)}.", f"Its materials are {some} and so on."
            )
        common = {key: found[key] for key in ("late",) if key in found}  # unless the section says its own
        if section:
            return with_section(found, course, section, lambda one: put({**common, **one}))
        sections = [put(one) if "late" in one else one for one in found["section"]]
        return put({**found, "section": sections})

    return with_course(courses, course, change)


def pieces_of(course: Mapping[str, Any]) -> tuple[Material, ...]:
    """The materials of a course as written, one by one; none where they cannot be read."""
    exam = {key: value for key, value in course.items() if key not in ("section", "appointment")}
    return materials_of(frozen({**exam, "start": course["section"][0]["start"], "minutes": course.get("minutes", 60)}))


def with_course(courses: Mapping[str, Any], key: str, change: Callable[[Mapping[str, Any]], Written]) -> Written:
    """The courses with one of them changed."""
    found = list(courses.get("course", ()))
    if all(one.get("key") != key for one in found):
        raise wrong(
            "courses", f"there is no course {show(key)}.", f"The courses are {', '.join(one['key'] for one in found)}."
        )
    return {**courses, "course": [change(one) if one["key"] == key else one for one in found]}


def with_section(
    course: Mapping[str, Any], name: str, key: str, change: Callable[[Mapping[str, Any]], Written]
) -> Written:
    """A course with one of its sections changed."""
    found = list(course.get("section", ()))
    if all(one.get("key") != key for one in found):
        known = ", ".join(one["key"] for one in found)
        raise wrong(f"course {name}", f"there is no section {show(key)}.", f"The sections are {known}.")
    return {**course, "section": [change(one) if one["key"] == key else one for one in found]}


def wrong(place: str, sentence: str, remedy: str) -> InvalidRequest:
    """One thing that is wrong with an act."""
    return InvalidRequest([Problem(place, sentence, remedy)])


# ------------------------------------------------------------------------------------------- what an act would do


class Effects(NamedTuple):
    """What planning again comes to, over all rows.

    ``concerned`` have another plan than before, ``blocks`` of theirs move, come or go; for those in ``losing`` work
    falls out, those in ``unfit`` did fit and do no longer, those in ``fit`` do now; ``new`` have a first plan.
    ``fullest`` is the fullest day among those, before and after, in minutes.
    """

    rows: int = 0
    concerned: int = 0
    blocks: int = 0
    losing: tuple[str, ...] = ()
    unfit: tuple[str, ...] = ()
    fit: tuple[str, ...] = ()
    wrong: tuple[str, ...] = ()
    new: int = 0
    fullest: tuple[int, int] = (0, 0)

    def plus(self, one: Outcome) -> Effects:
        """These effects and those of one more row."""
        made = self._replace(rows=self.rows + 1)
        if one.changed is None:
            first = not one.same and one.status is not Status.WRONG
            bad = (*self.wrong, one.reference or f"row {one.row}") if one.status is Status.WRONG else self.wrong
            return made._replace(new=self.new + first, wrong=bad)
        change = one.changed
        was, is_now = change.before is Status.CANNOT_FIT, one.status is Status.CANNOT_FIT
        return made._replace(
            concerned=self.concerned + (change.blocks > 0),
            blocks=self.blocks + change.blocks,
            losing=(*self.losing, one.reference) if change.lost else self.losing,
            unfit=(*self.unfit, one.reference) if is_now and not was else self.unfit,
            fit=(*self.fit, one.reference) if was and not is_now else self.fit,
            fullest=(max(self.fullest[0], change.fullest[0]), max(self.fullest[1], change.fullest[1])),
        )


def told(effects: Effects) -> tuple[str, ...]:
    """What planning again comes to, in sentences."""
    if not effects.concerned and not effects.new and not effects.unfit:
        return ("Nobody's plan changes.",)
    low, high = effects.fullest
    day = f"stays at {high}" if low == high else f"goes from {low} to {high}"
    said = [
        f"{people(effects.concerned)} other plans, with {effects.blocks} blocks that move, come or go; "
        f"the fullest day among them {day} minutes."
    ]
    if effects.new:
        said.append(f"{people(effects.new)} a plan for the first time.")
    for names, words in (
        (effects.losing, "Work falls out for {}"),
        (effects.unfit, "Of those who fitted, {} no longer fit"),
        (effects.fit, "Of those who did not fit, {} fit now"),
    ):
        if names:
            said.append(f"{words.format(len(names))}: {some(names)}.")
    return tuple(said)


def people(number: int) -> str:
    """So many students, and that they have something."""
    return "One student has" if number == 1 else f"{number} students have"


def some(names: tuple[str, ...], most: int = 20) -> str:
    """Some names in a sentence."""
    return listed(names) if len(names) <= most else f"{', '.join(names[:most])} and {len(names) - most} more"


# ------------------------------------------------------------------------------------------ which date would ease


class Ease(NamedTuple):
    """What an exam's date means for those who sit it.

    ``unfit`` of them cannot fit, ``above`` have a day with more minutes than usual; ``mean`` is that of their fullest
    days, in minutes.
    """

    start: datetime
    students: int
    unfit: int
    above: int
    mean: float


def for_date(
    document: bytes, course: str, section: str, starts: Sequence[datetime]
) -> Iterator[tuple[datetime, bytes]]:
    """The courses with each of some starts of a section's exam, the present one first."""
    courses = read_written(document)
    present: list[datetime] = []

    def look(one: Mapping[str, Any]) -> Written:
        present.append(the_moment(one["start"]))
        return dict(one)

    with_course(courses, course, lambda found: with_section(found, course, section, look))
    for start in dict.fromkeys((*present, *starts)):
        yield start, to_document(moved(courses, course, section, start))


def sitting(row: Row, courses: Courses, course: str, section: str) -> bool:
    """Whether a row's student sits the exam of a section."""
    found = sections_of(row, courses, [])
    return course in found and found[course].key == section


def eased(start: datetime, outcomes: Iterable[Outcome]) -> Ease:
    """What a date means, from the outcomes of planning for it."""
    students = unfit = above = minutes = 0
    for one in outcomes:
        if one.status is Status.WRONG:
            continue
        students += 1
        unfit += one.status is Status.CANNOT_FIT
        above += one.minutes > one.usual
        minutes += one.minutes
    return Ease(start, students, unfit, above, minutes / students if students else 0.0)


def best(found: Sequence[Ease]) -> Ease | None:
    """The date that eases most: fewest who cannot fit, fewest above the usual, the least mean; of equals the first.

    ``None`` where all dates come to the same.
    """
    figures = [(one.unfit, one.above, round(one.mean)) for one in found]
    return found[figures.index(min(figures))] if len(set(figures)) > 1 else None
