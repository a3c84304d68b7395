"""One act for many: a closed day, a moved exam, material that comes late; and which date of an exam would ease most.

What an act would change is found out in the background and summed up; nothing does before the button that applies it.
"""

from __future__ import annotations

from http import HTTPStatus
from typing import TYPE_CHECKING, NamedTuple, TypeVar

from flask import Blueprint, redirect, render_template, request, url_for

from calplan import acts
from calplan.cohort import courses_of
from calplan.courses import read_courses
from calplan.errors import InvalidRequest, Problem
from calplan.sentences import long_day
from calplan.tables import Wrong, the_day, the_moment
from web import cohorts, store_cohorts
from web.clocks import day_and_time
from web.cohort import owner, runner
from web.db import commit, reading, writing
from web.safety_limits import limited
from web.student import attachment, clocks, service

if TYPE_CHECKING:
    from collections.abc import Callable

    from werkzeug.wrappers import Response as AnyResponse

    from calplan.courses import Courses
    from web.store_cohorts import Cohort

Typed = TypeVar("Typed")
blueprint = Blueprint("cohort_acts", __name__)

MOST_DATES = 6
"""Dates of an exam that are compared at once."""


class Choice(NamedTuple):
    """A section that can be chosen: course and section in one value, and in words."""

    value: str
    words: str


@blueprint.route("/cohort/<token>/act", methods=["GET", "POST"])
def act(token: str) -> str | AnyResponse | tuple[str, int]:
    """The form for an act, and the beginning of finding out what it would change."""
    cohort = owner(token)
    if request.method != "POST":
        return act_page(token, cohort)
    limited("previews")
    try:
        written = acts.read_written(cohort.courses)
        document = acts.to_document(acted(written))
        read_courses(document)
        said = in_words(written, courses_of(cohort.courses))
    except InvalidRequest as wrong:
        return act_page(token, cohort, list(wrong.problems)), HTTPStatus.UNPROCESSABLE_ENTITY
    name = runner().try_out(cohort.id, document, service().clock(), said)
    return redirect(url_for("cohort_acts.trial", token=token, name=name), HTTPStatus.SEE_OTHER)


def acted(courses: acts.Written) -> acts.Written:
    """The courses with what the form says. Raises :class:`InvalidRequest`."""
    form = request.form
    match form.get("act"):
        case "closed":
            first = typed("first", "First day", the_day)
            last = typed("last", "Last day", the_day) if form.get("last", "").strip() else first
            return acts.closed(courses, first, last, title())
        case "moved":
            course, section = chosen(form.get("section", ""))
            return acts.moved(courses, course, section, typed("start", "It starts", the_moment))
        case "late":
            course, material = chosen(form.get("piece", ""))
            whose, section = chosen(form.get("section", ""))
            if section and whose != course:
                words = "the section that was chosen belongs to another course."
                raise InvalidRequest([Problem("For", words, "Choose one of this course, or everybody.")])
            return acts.late(courses, course, material, typed("day", "In hand from", the_day), section)
    raise InvalidRequest([Problem("the form", "nothing was chosen.", "Press one of the buttons of the form.")])


def typed(name: str, label: str, read: Callable[[object], Typed]) -> Typed:
    """What stands in a field. Raises :class:`InvalidRequest` with the field's label."""
    text = request.form.get(name, "").strip()
    if not text:
        raise InvalidRequest([Problem(label, "this is empty.", "Choose a day.")])
    try:
        return read(text)
    except Wrong as wrong:
        raise InvalidRequest([Problem(label, wrong.sentence, wrong.remedy)]) from None


def title() -> str:
    """What a closed day is called."""
    return request.form.get("title", "").strip()[:80]


def in_words(written: acts.Written, courses: Courses) -> str:
    """What the form says, in a sentence; for a form that makes sense."""
    form = request.form
    if form.get("act") == "closed":
        first = the_day(form["first"].strip())
        last = the_day(form.get("last", "").strip() or first.isoformat())
        days = long_day(first) if first == last else f"{long_day(first)} to {long_day(last)}"
        return f"The school is closed on {days}{f' ({title()})' if title() else ''}."
    if form.get("act") == "moved":
        course, section = chosen(form["section"])
        start = the_moment(form["start"].strip())
        return f"The exam of {courses.courses[course].subject}, {section}, is on {day_and_time(start, clocks())}."
    pieces = {one.value: one.words for group in pieces_shown(written) for one in group.pieces}
    _, section = chosen(form.get("section", ""))
    whose = f" in section {section}" if section else ""
    return f"{pieces[form['piece']]} is in hand{whose} from {long_day(the_day(form['day'].strip()))} on."


class Group(NamedTuple):
    """The materials of a course, to choose one."""

    words: str
    pieces: tuple[Choice, ...]


def pieces_shown(written: acts.Written) -> tuple[Group, ...]:
    """The materials of all courses."""
    return tuple(
        Group(
            str(course["subject"]),
            tuple(
                Choice(
                    f"{course['key']} {one.key.removeprefix(course['key'] + '.')}", f"{course['subject']}: {one.title}"
                )
                for one in acts.pieces_of(course)
            ),
        )
        for course in written.get("course", ())
    )


def chosen(value: str) -> tuple[str, str]:
    """Course and section of a choice."""
    course, _, section = value.partition(" ")
    return course[:80], section[:80]


def act_page(token: str, cohort: Cohort, problems: list[Problem] | None = None) -> str:
    """The form."""
    courses = courses_of(cohort.courses)
    sections = [
        Choice(
            f"{course.key} {section.key}",
            f"{course.subject}, {section.key} ({section.exam['start'].replace('T', ' ')})",
        )
        for course in courses.courses.values()
        for section in course.sections.values()
    ]
    return render_template(
        "cohort_act.html",
        token=token,
        cohort=cohort,
        problems=problems or [],
        sections=sections,
        groups=pieces_shown(acts.read_written(cohort.courses)),
        starts=request.form.getlist("start") if not request.form.get("act") else [],
        form=request.form,
        most=MOST_DATES,
    )


@blueprint.post("/cohort/<token>/dates")
def dates(token: str) -> AnyResponse | tuple[str, int]:
    """Begins to find out which date of an exam would ease most."""
    cohort = owner(token)
    limited("previews")
    course, section = chosen(request.form.get("section", ""))
    try:
        starts = [the_moment(one.strip()) for one in request.form.getlist("start") if one.strip()][:MOST_DATES]
        if not starts:
            raise Wrong("no other date was given.", "Write at least one.")
        compared = dict(acts.for_date(cohort.courses, course, section, starts))
        for document in compared.values():
            read_courses(document)
    except (Wrong, InvalidRequest) as wrong:
        problems = (
            wrong.problems if isinstance(wrong, InvalidRequest) else [Problem("dates", wrong.sentence, wrong.remedy)]
        )
        return act_page(token, cohort, list(problems)), HTTPStatus.UNPROCESSABLE_ENTITY
    name = runner().compare(cohort.id, course, section, compared, service().clock())
    return redirect(url_for("cohort_acts.trial", token=token, name=name), HTTPStatus.SEE_OTHER)


@blueprint.route("/cohort/<token>/trial/<name>", methods=["GET", "POST"])
def trial(token: str, name: str) -> str | AnyResponse | tuple[str, int]:
    """What was found out, and the button that applies an act."""
    cohort = owner(token)
    found = runner().trial(cohort.id, name)
    if found is None:
        return render_template("cohort_trial.html", token=token, cohort=cohort, trial=None), HTTPStatus.OK
    values = {
        "token": token,
        "cohort": cohort,
        "trial": found,
        "name": name,
        "told": acts.told(found.effects),
        "own": own_of(cohort),
        "best": acts.best(found.eases) if found.eases else None,
        "older": found.applied or cohort.changed > found.now,
    }
    if request.method != "POST":
        return render_template("cohort_trial.html", **values)
    limited("previews")
    if not found.document or not found.done or found.failed or values["older"]:
        return render_template("cohort_trial.html", **values), HTTPStatus.UNPROCESSABLE_ENTITY
    connection = writing()
    cohort = owner(token)
    taken = cohorts.with_courses(connection, cohort, found.document)
    cohorts.again(service(), connection, cohort, taken)
    commit()
    found.applied = True
    runner().start(cohort.id)
    return redirect(url_for("cohort.shown", token=token, done="act"), HTTPStatus.SEE_OTHER)


def own_of(cohort: Cohort) -> list[str]:
    """Who changed the own plan, by reference: what they did stays."""
    members, changed = store_cohorts.every(reading(), cohort.id), store_cohorts.changed(reading(), cohort.id)
    return [cohorts.reference_of(one) for one in members if one.number and one.key in changed]


@blueprint.get("/cohort/<token>/courses.json")
def courses(token: str) -> AnyResponse:
    """The courses as they are now, with every act that was applied; to go on with by hand."""
    document = owner(token).courses
    kind, name = (
        ("application/json", "courses.json") if document.lstrip()[:1] == b"{" else ("application/toml", "courses.toml")
    )
    return attachment(document, kind, name)
