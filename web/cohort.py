"""The counsellor's pages: hand in a roster, see what became of its rows, hand plans out, mend, end it.

The address of a cohort is a power of its own (:func:`owner`). Of a student it opens what the student's own address
opens; the student's page says so. An operator can demand a key before cohorts can be made at all.
"""

from __future__ import annotations

import hmac
import io
import zipfile
from http import HTTPStatus
from typing import TYPE_CHECKING, NamedTuple

from flask import Blueprint, abort, current_app, g, redirect, render_template, request, url_for
from msgspec.structs import replace

from calplan import bulk, starting
from calplan.checkins import last_words
from calplan.errors import InvalidRequest, Problem
from calplan.learned import known
from calplan.progress import Progress, progress
from calplan.roster import file_key
from calplan.summary import pace
from web import cohort_pages, cohorts, feed, making, pages, plans, store, store_cohorts
from web.cohorts import Papers
from web.db import commit, reading, writing
from web.feed_bytes import with_tokens
from web.powers import Power, new_id
from web.safety_limits import limited, limits, planning, seconds_to
from web.student import attachment, clocks, service

if TYPE_CHECKING:
    from collections.abc import Iterator

    from werkzeug.wrappers import Response as AnyResponse

    from web.page_values import BlockShown
    from web.runner import Runner
    from web.store_cohorts import Cohort, Member

blueprint = Blueprint("cohort", __name__)

MOST_TITLE = 80
"""Characters of a cohort's name."""
FILES = {"courses": "courses.toml", "roster": "roster.csv", "calendars": "calendars.zip"}
"""What can be handed in, and the usual names."""


def owner(token: str) -> Cohort:
    """The cohort that a token opens. 404 for a token that was never made here; 410 for one that has ended."""
    bearer = service().keys.read(Power.COHORT, token)
    if bearer is None:
        abort(404)
    found = store_cohorts.find(reading(), bearer.id)
    if found is None or found.generation != bearer.generation:
        abort(410)
    return found


def token_of(cohort: Cohort) -> str:
    """The token of a cohort's address."""
    return service().keys.token(Power.COHORT, cohort.id, cohort.generation)


def runner() -> Runner:
    """What plans in the background."""
    found: Runner = current_app.extensions["calplan.runner"]
    return found


# ------------------------------------------------------------------------------------------------------- handing in


@blueprint.route("/cohort", methods=["GET", "POST"])
def make() -> str | AnyResponse | tuple[str, int]:
    """The form for a new cohort, and the cohort kept."""
    if request.method != "POST":
        return hand_in_page()
    limited("previews")
    taken, problems = taken_in()
    if taken is None:
        return hand_in_page(problems), HTTPStatus.UNPROCESSABLE_ENTITY
    if (problem := too_many_at_once(len(taken.members))) is not None:
        return hand_in_page([problem]), HTTPStatus.UNPROCESSABLE_ENTITY
    cohort = cohorts.keep(service(), writing(), title_given(), taken)
    commit()
    runner().start(cohort.id)
    return redirect(url_for("cohort.shown", token=token_of(cohort), _anchor="keep-this-address"), HTTPStatus.SEE_OTHER)


@blueprint.get("/cohort/courses.toml")
def empty_courses() -> AnyResponse:
    """A courses file with a word on everything, to fill in."""
    return attachment(starting.COURSES.encode(), "application/toml", "courses.toml")


@blueprint.get("/cohort/roster.csv")
def empty_roster() -> AnyResponse:
    """An empty roster with all headings."""
    return attachment(starting.ROSTER.encode(), "text/csv; charset=utf-8", "roster.csv")


def key_is_right(given: str) -> bool:
    """Whether a cohort may be made with this key; any will do where the operator has set none."""
    wanted = service().settings.cohort_key
    return not wanted or hmac.compare_digest(given.strip().encode(), wanted.encode())


def too_many_at_once(rows: int) -> Problem | None:
    """Takes a plan for each new row from what the asking address may keep in an hour, where no key is asked for.

    Gives what is wrong where that is more than a whole hour has, so that waiting would not help. Raises
    TooManyRequests where it would.
    """
    most = limits().buckets["creations"].per_hour
    if service().settings.cohort_key or not rows:
        return None
    if rows <= most:
        limited("creations", rows)
        return None
    sentence = f"there are {rows:,} new rows, and without a key one address may have {most:,} plans made in an hour."
    remedy = (
        "Hand it in in parts, hour by hour, or ask the operator: they can set a key for those who may, "
        "or take the roster in by command."
    )
    return Problem("roster", sentence, remedy)


def number_added(cohort: Cohort, taken: cohorts.Taken) -> int:
    """How many rows were handed in that the cohort does not have yet."""
    known = {one.key for one in store_cohorts.every(reading(), cohort.id)}
    return sum(one.key not in known for one in taken.members)


def most_rows() -> int:
    """The most rows that a roster may have now."""
    settings = service().settings
    return settings.members if settings.cohort_key else min(settings.members, limits().buckets["creations"].per_hour)


def title_given() -> str:
    """The cohort's name as typed, on one line."""
    return " ".join(making.whole(request.form.get("title", "")).split())[:MOST_TITLE] or "Cohort"


def handed_in(cohort: Cohort | None = None) -> tuple[Papers | None, list[Problem]]:
    """What was uploaded now or, where the page came back, before. What a cohort has already may stay as it is."""
    found: dict[str, tuple[str, bytes]] = {}
    problems: list[Problem] = []
    for name in FILES:
        file = request.files.get(name)
        if file is not None and file.filename:
            data = file.read()
            found[name] = making.own_name(file.filename), data
            wait = seconds_to("kept_bytes", len(data))
            if wait:
                problems += making.too_much(found[name][0], wait).problems
                continue
            upload_id = new_id(service().entropy)
            store.put_upload(writing(), upload_id, found[name][0], data, now=service().clock())
            waiting()[name] = upload_id, found[name][0]
        elif (kept := store.get_upload(reading(), request.form.get(f"{name}-id", ""))) is not None:
            found[name] = kept.name, kept.data
            waiting()[name] = request.form[f"{name}-id"], kept.name
    commit()
    if cohort is None:
        for name in ("courses", "roster"):
            if name not in found:
                problems.append(Problem(name, "no file was chosen.", f"Choose your {FILES[name]}."))
    elif not found and not problems:
        remedy = "Choose a roster, courses or calendars. What you leave out stays as it is."
        problems.append(Problem("files", "no file was chosen, so nothing has changed.", remedy))
    if problems:
        return None, problems
    calendars = io.BytesIO(found["calendars"][1]) if "calendars" in found else None
    courses = found.get("courses") or ("the courses of before", cohort.courses if cohort else b"")
    name, roster = found.get("roster") or ("roster", None)
    return Papers(courses[1], courses[0], roster, name, calendars), problems


def waiting() -> dict[str, tuple[str, str]]:
    """The uploads of this request that wait in the database: id and name by field."""
    if "handed" not in g:
        g.handed = {}
    found: dict[str, tuple[str, str]] = g.handed
    return found


def taken_in(cohort: Cohort | None = None) -> tuple[cohorts.Taken | None, list[Problem]]:
    """What was handed in, read; or everything that makes it unusable. A new cohort may need the operator's key."""
    handed, problems = handed_in(cohort)
    if cohort is None and not key_is_right(request.form.get("key", "")):
        sentence = "the operator of this service asks for a key, and this is not it."
        problems.append(Problem("key", sentence, "Ask the operator for it."))
    if handed is None or problems:
        return None, problems
    before = cohorts.Kept(service().engine, cohort.id) if cohort else None
    try:
        with planning():
            return cohorts.take_in(handed, most=service().settings.members, now=service().clock(), known=before), []
    except InvalidRequest as wrong:
        return None, list(wrong.problems)


def hand_in_page(problems: list[Problem] | None = None, cohort: Cohort | None = None) -> str:
    """The form, with what has been handed in already."""
    return render_template(
        "cohort_make.html",
        problems=problems or [],
        title=request.form.get("title", ""),
        waiting=waiting(),
        asks_key=bool(service().settings.cohort_key) and cohort is None,
        most=service().settings.members if cohort else most_rows(),
        cohort=cohort,
        token=token_of(cohort) if cohort else "",
    )


@blueprint.route("/cohort/<token>/again", methods=["GET", "POST"])
def again(token: str) -> str | AnyResponse | tuple[str, int]:
    """Another roster, other courses or calendars for the same cohort: only what changed is planned again."""
    cohort = owner(token)
    if request.method != "POST":
        return hand_in_page(cohort=cohort)
    limited("previews")
    taken, problems = taken_in(cohort)
    if taken is None:
        return hand_in_page(problems, cohort), HTTPStatus.UNPROCESSABLE_ENTITY
    if (problem := too_many_at_once(number_added(cohort, taken))) is not None:
        return hand_in_page([problem], cohort), HTTPStatus.UNPROCESSABLE_ENTITY
    connection = writing()
    done = cohorts.again(service(), connection, owner(token), taken)
    commit()
    runner().start(cohort.id)
    return render_template("cohort_again.html", token=token, cohort=owner(token), done=done, own_rows=taken.own_rows)


@blueprint.post("/cohort/<token>/vanished")
def vanished(token: str) -> AnyResponse:
    """Deletes the plans of references that are no longer in the roster, if they are as many as were shown."""
    limited("previews")
    writing()
    cohort = owner(token)
    if request.form.get("act") != "delete":
        abort(HTTPStatus.BAD_REQUEST)
    store_cohorts.lock(writing(), cohort.id)
    gone = cohorts.vanished(writing(), cohort.id)
    if request.form.get("number") != str(len(gone)):
        return redirect(url_for("cohort.rows", token=token, status="gone"), HTTPStatus.SEE_OTHER)
    for one in gone:
        store_cohorts.remove(writing(), cohort.id, one.key)
        if one.plan_id:
            feed.forget(one.plan_id)
    return redirect(url_for("cohort.shown", token=token, done="vanished"), HTTPStatus.SEE_OTHER)


# ---------------------------------------------------------------------------------------------------------- looking


@blueprint.get("/cohort/<token>")
def shown(token: str) -> str:
    """The cohort at a glance: how far planning is, counts by outcome, the load of each day."""
    cohort = owner(token)
    found = cohort_pages.overview(
        store_cohorts.every(reading(), cohort.id), store_cohorts.changed(reading(), cohort.id)
    )
    return render_template(
        "cohort.html",
        token=token,
        cohort=cohort,
        found=found,
        left=pace(found.done, found.waiting, (service().clock() - cohort.changed).total_seconds()),
        address=f"{service().settings.address}/cohort/{token}",
        doubts=cohort.doubts.splitlines(),
        classes=tuple(classes_shown(cohort)),
        done=SAID.get(request.args.get("done", ""), ""),
        keep_days=service().settings.keep_days,
    )


class ClassShown(NamedTuple):
    """The plan of a section that plans together: where it is, and the calendar that all of them can share."""

    course: str
    section: str
    plan: str
    calendar: str


def classes_shown(cohort: Cohort) -> Iterator[ClassShown]:
    """The class plans of a cohort."""
    address = service().settings.address
    for (course, section), plan_id in store_cohorts.classes(reading(), cohort.id).items():
        kept, state = store.find(reading(), plan_id), store.feed_state(reading(), plan_id)
        if kept is not None and state is not None:
            calendar = service().keys.token(Power.FEED, kept.id, state.generation)
            yield ClassShown(course, section, plan_token(kept), f"{address}/feed/{calendar}.ics")


SAID = {
    "link": "This is the cohort's new address. Keep it; the old one has ended.",
    "vanished": "The plans of references that are no longer in the roster are deleted.",
    "act": "That is applied. Whom it concerns is being planned again; calendars follow when they look again.",
}


@blueprint.get("/cohort/<token>/rows")
def rows(token: str) -> str:
    """The table: every row with its outcome, to search, filter and sort."""
    cohort = owner(token)
    asked = cohort_pages.asked_for(request.args)
    changed = store_cohorts.changed(reading(), cohort.id)
    found = cohort_pages.table(store_cohorts.every(reading(), cohort.id), asked, changed)
    return render_template(
        "cohort_rows.html",
        token=token,
        cohort=cohort,
        asked=asked,
        found=found,
        sorts=cohort_pages.SORTS,
        gone=cohort_pages.GONE,
    )


@blueprint.route("/cohort/<token>/row/<member>", methods=["GET", "POST"])
def row(token: str, member: str) -> str | AnyResponse | tuple[str, int]:
    """One student: what became of the row, the way to the plan, and a new link where the old one is in wrong hands."""
    if request.method == "POST":
        limited("previews")
        writing()  # so that nothing comes between looking and doing
    cohort = owner(token)
    mine = store_cohorts.member(reading(), cohort.id, file_key(member))
    if mine is None:
        abort(404)
    kept = store.find(reading(), mine.plan_id) if mine.plan_id else None
    if request.method == "POST":
        if request.form.get("act") != "replace" or kept is None:
            return row_page(token, cohort, mine, kept), HTTPStatus.UNPROCESSABLE_ENTITY
        feed.forget(kept.id)
        store.replace_link(writing(), kept.id, Power.MANAGE)
        store.replace_link(writing(), kept.id, Power.FEED)
        plans.replace_check_in(service(), writing(), plans.opened(store.find(writing(), kept.id) or kept))
        return redirect(url_for("cohort.row", token=token, member=mine.key, done="replaced"), HTTPStatus.SEE_OTHER)
    return row_page(token, cohort, mine, kept)


def row_page(token: str, cohort: Cohort, mine: Member, kept: store.Kept | None) -> str:
    """The page of one student."""
    changed = {mine.key} if mine.document and kept is not None and kept.document != mine.document else set[str]()
    return render_template(
        "cohort_row.html",
        token=token,
        cohort=cohort,
        one=cohort_pages.shown(mine, changed),
        own=bool(changed) or cohorts.deleted_by_student(reading(), mine),
        plan=plan_token(kept) if kept else "",
        sentence=cohort_pages.for_the_owner(going_of(kept)) if kept else "",
        begun=tuple(begun_of(kept)) if kept else (),
        check_in=service().keys.token(Power.CHECK_IN, kept.id, kept.check_in_generation) if kept else "",
        clocks=clocks(),
        replaced=request.args.get("done") == "replaced",
        act=cohort_pages.USUAL_ACT,
    )


def plan_token(kept: store.Kept) -> str:
    """The token of a student's plan."""
    return service().keys.token(Power.MANAGE, kept.id, kept.manage_generation)


class Begun(NamedTuple):
    """A block that has begun, and what was said of it, in a word or two."""

    block: BlockShown
    said: str


MOST_BEGUN = 21
"""Blocks that are listed on a student's page: three weeks of one a day."""


def begun_of(kept: store.Kept) -> Iterator[Begun]:
    """A plan's blocks with work that have begun, the latest first."""
    old = plans.with_log(reading(), plans.opened(kept))
    now, words = service().clock(), last_words(old.log)
    page = pages.plan_page(old.plan, old.request, now=now, clocks=clocks())
    shown = [one for day in (*page.past, *page.days) for one in day.blocks]
    begun = [one for one in shown if one.begins <= now and (one.parts or one.lines)]
    for one in sorted(begun, key=lambda one: one.begins, reverse=True)[:MOST_BEGUN]:
        yield Begun(one, str(words[one.uid].outcome) if one.uid in words else "nothing said yet")


class Going(NamedTuple):
    """A student on the list of those who are behind, or of whom nothing is heard."""

    one: cohort_pages.Shown
    sentence: str


def going_of(kept: store.Kept) -> Progress:
    """How a plan goes."""
    old = plans.with_log(reading(), plans.opened(kept))
    return progress(old.plan, old.request, old.log, known(old.request, old.plan, old.log), now=service().clock())


A_LIST = 200
"""Students who are looked at for one page of the lists."""


@blueprint.get("/cohort/<token>/going")
def going(token: str) -> str:
    """Who is behind, and, apart from them, who gives no word."""
    cohort = owner(token)
    page = cohort_pages.asked_for(request.args).page
    found = [one for one in store_cohorts.every(reading(), cohort.id) if one.plan_id and one.number]
    mine = found[(page - 1) * A_LIST : page * A_LIST]
    behind, silent = [], []
    with planning():
        for member in mine:
            kept = store.find(reading(), member.plan_id or "")
            if kept is None:
                continue
            told = going_of(kept)
            if told.behind:
                behind.append(Going(cohort_pages.shown(member), cohort_pages.for_the_owner(told)))
            elif told.silent:
                silent.append(Going(cohort_pages.shown(member), cohort_pages.for_the_owner(told)))
    return render_template(
        "cohort_going.html",
        token=token,
        cohort=cohort,
        behind=behind,
        silent=silent,
        looked=len(mine),
        page=page,
        pages=max(1, -(-len(found) // A_LIST)),
    )


# ------------------------------------------------------------------------------------------------- taking everything


@blueprint.get("/cohort/<token>/everything.zip")
def everything(token: str) -> AnyResponse:
    """Results and calendars of all, as one archive; plans' addresses stand in the results."""
    cohort = owner(token)
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as archive:
        written = io.BytesIO()
        bulk.write_results(written, results(cohort), MORE, separator=cohort.separator)
        bulk.put(archive, "results.csv", written.getvalue())
        for member in store_cohorts.every(reading(), cohort.id):
            found = calendar_of(member)
            if found is not None:
                bulk.put(archive, f"calendars/{cohorts.outcome_of(member).reference}.ics", found)
    return attachment(file.getvalue(), "application/zip", "everything.zip")


MORE = ("plan", "calendar address", "changed on its page")
"""The columns of the results that only the service has."""


def results(cohort: Cohort) -> Iterator[tuple[object, ...]]:
    """The rows of the results, with the addresses of plan and calendar."""
    address, changed = service().settings.address, store_cohorts.changed(reading(), cohort.id)
    for member in store_cohorts.every(reading(), cohort.id):
        outcome = cohorts.outcome_of(member)
        kept = store.find(reading(), member.plan_id) if member.plan_id else None
        state = store.feed_state(reading(), kept.id) if kept else None
        name = f"calendars/{outcome.reference}.ics" if kept else ""
        links = ("", "")
        if kept is not None and state is not None:
            calendar = service().keys.token(Power.FEED, kept.id, state.generation)
            links = f"{address}/plan/{plan_token(kept)}", f"{address}/feed/{calendar}.ics"
        mark = cohort_pages.mark(member, changed)
        yield (*bulk.result_row(replace(outcome, row=member.number), name), *links, mark)


def calendar_of(member: Member) -> bytes | None:
    """A student's calendar with its links, if there is a plan."""
    kept = store.find(reading(), member.plan_id) if member.plan_id else None
    found = store.feed_body(reading(), kept.id) if kept else None
    if kept is None or found is None:
        return None
    return with_tokens(found[1], plans.tokens(service(), kept, found[0].generation))


# ------------------------------------------------------------------------------------------------ its link, its end


@blueprint.post("/cohort/<token>/link")
def link(token: str) -> AnyResponse | tuple[str, int]:
    """Gives the cohort another address; the old one ends."""
    limited("previews")
    writing()
    cohort = owner(token)
    if request.form.get("act") != "replace":
        abort(HTTPStatus.BAD_REQUEST)
    store_cohorts.replace_link(writing(), cohort.id)
    return redirect(url_for("cohort.shown", token=token_of(owner_again(cohort)), done="link"), HTTPStatus.SEE_OTHER)


def owner_again(cohort: Cohort) -> Cohort:
    """The cohort as it is after a change of this request."""
    return store_cohorts.find(writing(), cohort.id) or cohort


@blueprint.route("/cohort/<token>/delete", methods=["GET", "POST"])
def delete(token: str) -> str | AnyResponse:
    """Deletes a cohort with all its students' plans, at once and for good, when the button is pressed."""
    if request.method == "POST":
        writing()
    cohort = owner(token)
    if request.method != "POST":
        number = sum(store_cohorts.counts(reading(), cohort.id).values())
        return render_template(
            "cohort_delete.html", token=token, cohort=cohort, number=number, keep_days=service().settings.keep_days
        )
    if request.form.get("act") != "delete":
        abort(HTTPStatus.BAD_REQUEST)
    ids = [one.plan_id for one in store_cohorts.every(reading(), cohort.id) if one.plan_id]
    ids += store_cohorts.classes(reading(), cohort.id).values()
    store_cohorts.delete(writing(), cohort.id)
    for plan_id in ids:
        feed.forget(plan_id)
    return redirect(url_for("student.start", done="cohort-deleted"), HTTPStatus.SEE_OTHER)
