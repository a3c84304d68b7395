"""The student's pages: make a plan, look at it, put it into the calendar, change it, print it, delete it.

There are no accounts. Whoever holds an address may do what its token says; :func:`holder` is where that is decided. A
view fetches, decides, and renders or redirects; what a page shows is worked out in :mod:`web.pages`, what happens to a
plan in :mod:`web.plans`, and what a filled form means in :mod:`web.making`. GET changes nothing.
"""

from __future__ import annotations

from http import HTTPStatus
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import segno
from flask import Blueprint, Response, abort, current_app, redirect, render_template, request, url_for

from calplan.checkins import Outcome, last_words
from calplan.spans import instant
from web import checking, demo, feed, making, pages, plans, store, store_cohorts
from web.clocks import Clocks, clock_style
from web.db import commit, reading, writing
from web.offers import moved_since, offers, undone
from web.picture_curves import curve
from web.pictures import State, months, strip
from web.plans import Opened
from web.powers import Power
from web.safety_limits import limited, planning, seconds_to

if TYPE_CHECKING:
    from datetime import date

    from werkzeug.wrappers import Response as AnyResponse

    from calplan.checkins import Entry, Log
    from calplan.model import Block, PastBlock
    from web.service import Service

MOST_ALARM = 24 * 60
"""Minutes before a block at which a calendar may ring."""

blueprint = Blueprint("student", __name__)


def service() -> Service:
    """The parts of the service that serves this request."""
    parts: Service = current_app.extensions["calplan"]
    return parts


# ------------------------------------------------------------------------------------------- who may do what


def holder(power: Power, token: str) -> Opened:
    """The plan that a token opens with this power.

    404 for a token that was never made here; 410 for one that was replaced, and where the plan is gone.
    """
    bearer = service().keys.read(power, token)
    if bearer is None:
        abort(404)
    kept = store.find(reading(), bearer.id)
    if kept is None or bearer.generation != generation_of(kept, power):
        abort(410)
    return plans.with_log(reading(), plans.opened(kept))


def generation_of(kept: store.Kept, power: Power) -> int | None:
    """The generation of a plan's link with a power; ``None`` where there is no such link."""
    if power is Power.VIEW:
        return kept.view_generation if kept.view_on else None
    return {Power.MANAGE: kept.manage_generation, Power.CHECK_IN: kept.check_in_generation}[power]


# ------------------------------------------------------------------------------------------------ plain pages


@blueprint.get("/")
def start() -> str:
    """What this is, with a small real strip."""
    said = DELETED.get(request.args.get("done", ""), "")
    return render_template("start.html", strip=demo.example_strip(), said=said)


DELETED = {
    "deleted": "The plan is deleted, and every link to it has ended.",
    "cohort-deleted": "The cohort is deleted with all its plans, and every link to them has ended.",
}
"""What is said to somebody who comes from a page that is no more."""


@blueprint.get("/help")
def help() -> str:
    """How to put the calendar on a phone, and what the words mean."""
    return render_template("help.html", keep_days=service().settings.keep_days)


@blueprint.get("/privacy")
def privacy() -> str:
    """What is stored, who can see it, and how it goes."""
    return render_template("privacy.html", keep_days=service().settings.keep_days)


# ------------------------------------------------------------------------------------------------------ making


@blueprint.route("/make", methods=["GET", "POST"])
def make() -> str | AnyResponse | tuple[str, int]:
    """The form for a new plan, a preview of it, and the plan kept."""
    if request.method != "POST":
        return making_page(making.fresh())
    made = considered()
    if made.act != "keep" or made.plan is None or made.asked is None:
        return making_page(made), HTTPStatus.UNPROCESSABLE_ENTITY if made.problems else HTTPStatus.OK
    limited("creations")
    limited("kept_bytes", made.weight())
    kept = plans.keep(service(), writing(), made.mapping, made.asked, made.plan, making.bytes_by_name(made.calendars))
    return redirect(
        url_for("student.plan", token=manage_token(kept), _anchor="keep-this-address"),
        HTTPStatus.SEE_OTHER,
    )


@blueprint.post("/make/preview")
def preview() -> str:
    """What the plan comes to, for the running line of a form that is being filled."""
    made = considered(in_passing=True)
    return render_template("_preview.html", preview=made.preview, problems=made.problems)


def considered(old: Opened | None = None, *, in_passing: bool = False) -> making.Made:
    """The form that was sent, and the plan that it asks for; ``old`` is the plan that it changes.

    ``in_passing`` has calendars not read for the form to show, and takes no files.
    """
    limited("previews")
    taken = making.receive(service(), request.form.to_dict(), [] if in_passing else uploads(), store_upload)
    commit()  # the plan takes its time, and nobody is to wait for it
    stored = store.calendars(reading(), old.kept.id) if old else {}
    calendars = making.gathered(reading(), taken.fields, stored)
    commit()
    with planning():
        return making.consider(
            service(), taken, calendars, stored=stored, old=old, clocks=clocks(), tell_calendars=not in_passing
        )


def uploads() -> list[making.File]:
    """The files that came with the form."""
    return [
        making.File(name, making.own_name(file.filename), file.read())
        for name, files in request.files.lists()
        for file in files
        if file.filename
    ]


def store_upload(upload_id: str, name: str, data: bytes) -> None:
    """Puts a file where it waits for its plan to be kept. Raises InvalidRequest where too much waits already."""
    wait = seconds_to("kept_bytes", len(data))
    if wait:
        raise making.too_much(name, wait)
    store.put_upload(writing(), upload_id, name, data, now=service().clock())


def making_page(made: making.Made, old: Opened | None = None, **more: Any) -> str:
    """The form, filled, with all that is known about it."""
    token = manage_token(old.kept) if old else ""
    action = url_for("student.change", token=token) if old else url_for("student.make")
    changing = {"token": token, "version": old.kept.version} if old else None
    ahead = url_for("student.change_preview", token=token) if old else url_for("student.preview")
    return render_template(
        "make.html", **made.shown(), **making.choices(), action=action, preview_url=ahead, changing=changing, **more
    )


# ------------------------------------------------------------------------------------------------------ looking


@blueprint.get("/plan/<token>")
def plan(token: str) -> str:
    """The plan, for whoever may change it."""
    old = holder(Power.MANAGE, token)
    done = (MENDED | {"changed": CHANGED, "ticked": TICKED} | DONE).get(request.args.get("done", ""), "")
    return plan_shown(token, old, done)


def plan_shown(token: str, old: Opened, done: str) -> str:
    """The plan's page, with the blocks that it asks about."""
    values = shown(old)
    return render_template(
        "plan.html",
        token=token,
        address=f"{service().settings.address}/plan/{token}",
        done=done,
        to_plan_again=plans.to_plan_again(old, service().clock()),
        to_fit=plans.to_fit(old, service().clock()),
        open_blocks=pages.open_blocks(values["page"], plans.log_of(reading(), old.kept.id), service().clock()),
        form=service().entropy(8).hex(),
        can_undo=undone(reading(), old, service().clock()) is not None,
        version=old.kept.version,
        in_cohort=store_cohorts.cohort_of(reading(), old.kept.id) is not None,
        **values,
    )


MENDED = {
    "mended": "The plan is mended. Calendars follow when they look again.",
    "noted": "That is noted. No block had to move.",
    "same": "The plan already fits that: nothing had to change, and nothing did.",
    "undone": "That change is taken back: the plan is as it was. Calendars follow when they look again.",
    "not-undone": "That change cannot be taken back now: a block has begun, or the plan or a calendar changed since.",
}
"""What is said after a repair."""

TICKED = "Thank you, that is noted."


@blueprint.get("/view/<token>")
def view(token: str) -> str:
    """The plan, for a parent or a tutor: to look at only."""
    return render_template("view.html", token=token, **shown(holder(Power.VIEW, token)))


def shown(old: Opened) -> dict[str, Any]:
    """What the plan's page and its read-only twin show."""
    now = service().clock()
    with planning():
        steps = plans.steps(old)
    today = pages.local_day(now, old.plan.zone)
    return {
        "page": pages.plan_page(old.plan, old.request, now=now, clocks=clocks()),
        "clocks": clocks(),
        "strip": strip(
            old.plan,
            old.request,
            today=today,
            link=day_link,
            clocks=clocks(),
            states=states(plans.log_of(reading(), old.kept.id)),
        ),
        "months": months(old.plan, old.request, today=today, link=day_link, clocks=clocks()),
        "curve": curve(steps, old.request) if steps else None,
    }


def states(log: Log) -> dict[str, State]:
    """How the strip draws blocks of which something was said; one that was done in part has no look of its own."""
    looks = {Outcome.DONE: State.DONE, Outcome.MISSED: State.MISSED}
    return {uid: looks[word.outcome] for uid, word in last_words(log).items() if word.outcome in looks}


def day_link(day: date) -> str:
    """Where a day of the plan stands on the same page."""
    return f"#{pages.anchor(day)}"


def clocks() -> Clocks:
    """How the reader's language writes times of day."""
    return clock_style(request.headers.get("Accept-Language", ""))


@blueprint.route("/block/<token>/<uid>", methods=["GET", "POST"])
def block(token: str, uid: str) -> str | AnyResponse | tuple[str, int]:
    """The block that a calendar event links to, which says no more than the event, and what became of it."""
    if request.method == "POST":
        limited("previews")
        writing()  # so that nothing comes between looking and doing
    old = holder(Power.CHECK_IN, token)
    mine = next((one for one in all_blocks(old) if one.uid == uid), None)
    if mine is None:
        return block_left(old, uid)
    if request.method != "POST":
        return block_shown(token, old, mine, request.args.get("done", ""))
    wrong = checked_in(old, mine)
    if wrong:
        return block_shown(token, old, mine, "", wrong), HTTPStatus.UNPROCESSABLE_ENTITY
    done = "taken-back" if request.form.get("act") == "take-back" else "said"
    return redirect(url_for("student.block", token=token, uid=uid, done=done, _anchor="word"), HTTPStatus.SEE_OTHER)


def block_left(old: Opened, uid: str) -> tuple[str, int]:
    """The page of a block that left the plan (410); 404 for one that was never in it."""
    if uid not in old.plan.retired:
        abort(HTTPStatus.NOT_FOUND)
    return render_template("left.html"), HTTPStatus.GONE


def all_blocks(old: Opened) -> list[Block | PastBlock]:
    """A plan's blocks, those that an earlier state of it had among them."""
    return [*old.plan.past, *old.plan.blocks]


PLACED = {
    "later": "The block is later today. Calendars follow when they look again.",
    "not-moved": "The block stays where it is: something else lies there, or the plan was changed just now.",
    "keep": "The block is kept where it is.",
    "let-go": "The block may move again when the plan is mended.",
}
"""What is said after a block was put somewhere, or kept."""

SAID = {"said": "Thank you, that is noted.", "taken-back": "That is taken back."}
"""What the page of a block says after a button was pressed."""


def block_shown(
    token: str, old: Opened, mine: Block | PastBlock, done: str, wrong: dict[str, str] | None = None
) -> str:
    """The page of a block, with what was said of it and the form to say more."""
    now = service().clock()
    log = plans.log_of(reading(), old.kept.id)
    return render_template(
        "block.html",
        token=token,
        page=pages.block_page(old.plan, old.request, mine.uid, now, clocks=clocks()),
        extra=pages.next_work(old.plan, old.request, mine.uid, log, now),
        clocks=clocks(),
        done=(SAID | PLACED).get(done, ""),
        offers=offers(old, mine.uid, now),
        moved=moved_since(reading(), old, mine.uid),
        standing=checking.standing_of(log, mine.uid),
        in_words=checking.in_words,
        pieces=checking.pieces_of(old.plan, old.request, mine, log),
        work=checking.work_minutes(mine),
        form=request.form.get("form") or service().entropy(8).hex(),
        fields=request.form if wrong else {},
        wrong=wrong or {},
    )


def checked_in(old: Opened, mine: Block | PastBlock) -> dict[str, str]:
    """Adds what the form says to the log; what is wrong with it, by field, or nothing."""
    now, log = service().clock(), plans.log_of(writing(), old.kept.id)
    if request.form.get("act") == "take-back":
        word = checking.standing_of(log, mine.uid).word
        entries: list[Entry] = [checking.taken_back(word, at=now)] if word else []
    else:
        begun = instant(mine.start.replace(fold=mine.fold), ZoneInfo(old.plan.zone)) <= now
        pieces = checking.pieces_of(old.plan, old.request, mine, log)
        said = checking.read(request.form.to_dict(), mine, pieces, at=now, begun=begun)
        if said.entry is None:
            return said.wrong
        entries = [said.entry]
    try:
        plans.say(service(), writing(), old.kept.id, entries)
    except store.LogFull as full:
        return {"act": str(full)}
    return {}


@blueprint.post("/plan/<token>/said")
def said(token: str) -> AnyResponse | tuple[str, int]:
    """All blocks without a word that were ticked as done, at once; the others stay without a word."""
    limited("previews")
    writing()
    old = holder(Power.MANAGE, token)
    known = {one.uid for one in all_blocks(old)}
    uids = tuple(uid for uid in request.form.getlist("block") if uid in known)
    if not uids:
        return plan_shown(token, old, "Tick at least one block first."), HTTPStatus.UNPROCESSABLE_ENTITY
    entries = checking.ticked(uids, request.form.get("form", "")[:64], at=service().clock())
    try:
        plans.say(service(), writing(), old.kept.id, entries)
    except store.LogFull:
        abort(HTTPStatus.CONFLICT)
    return redirect(url_for("student.plan", token=token, done="ticked", _anchor="open"), HTTPStatus.SEE_OTHER)


@blueprint.get("/plan/<token>/paper")
def paper(token: str) -> str:
    """A week a page, to print and tick."""
    return paper_of(holder(Power.MANAGE, token), token)


@blueprint.get("/view/<token>/paper")
def view_paper(token: str) -> str:
    """The same, for whoever may only look."""
    return paper_of(holder(Power.VIEW, token))


def paper_of(old: Opened, token: str = "") -> str:
    """The plan as weeks on paper; with its ``token``, which may change it, a link to the ask list too."""
    weeks = pages.paper_pages(old.plan, old.request)
    squares = strip(old.plan, old.request, today=None, link=None, clocks=clocks())
    return render_template("paper.html", weeks=weeks, plan=old.plan, strip=squares, clocks=clocks(), token=token)


# ----------------------------------------------------------------------------------------- into the calendar


@blueprint.route("/plan/<token>/calendar", methods=["GET", "POST"])
def calendar(token: str) -> str | AnyResponse | tuple[str, int]:
    """The calendar link, and what can be set about links."""
    if request.method == "POST":
        limited("previews")
        writing()  # so that nothing comes between looking and doing
    old = holder(Power.MANAGE, token)
    if request.method != "POST":
        return calendar_page(old, done=DONE.get(request.args.get("done", ""), ""))
    act = request.form.get("act", "")
    if act not in DONE:
        abort(HTTPStatus.BAD_REQUEST)
    problem = done_to_links(old, act)
    if problem:
        return calendar_page(old, problems=[problem]), HTTPStatus.UNPROCESSABLE_ENTITY
    kept = store.find(writing(), old.kept.id) or old.kept
    where = "student.plan" if act == "replace-manage" else "student.calendar"
    place = "share" if act in ("share", "replace-view") else None
    return redirect(url_for(where, token=manage_token(kept), done=act, _anchor=place), HTTPStatus.SEE_OTHER)


DONE = {
    "alarms": "The reminder is set. Calendars follow when they look again.",
    "share": "There is a read-only link now.",
    "unshare": "The read-only link has ended.",
    "replace-view": "The read-only link is a new one; the old one has ended.",
    "replace": "The calendar link is a new one; the old one, and the links in its events, have ended. Subscribe again.",
    "replace-manage": "This is the plan's new address. Keep it; the old one has ended.",
}
"""What can be done on the page of the calendar link, and what is said then."""

CHANGED = "The plan is changed. Calendars follow when they look again."


def done_to_links(old: Opened, act: str) -> str:
    """Does one of :data:`DONE`; what stands in its way, or nothing."""
    connection, plan_id = writing(), old.kept.id
    if act == "alarms":
        return set_alarm(old)
    if act in ("share", "unshare"):
        store.set_view(connection, plan_id, act == "share")
    elif act == "replace":
        feed.forget(plan_id)
        store.replace_link(connection, plan_id, Power.FEED)
        return "" if plans.replace_check_in(service(), connection, old) else MEANWHILE
    else:
        store.replace_link(connection, plan_id, Power.VIEW if act == "replace-view" else Power.MANAGE)
    return ""


MEANWHILE = "The plan was changed in another tab or on another device just now. Nothing was done; please try again."


def set_alarm(old: Opened) -> str:
    """Sets or ends the reminders; what is wrong with their minutes, or nothing."""
    minutes = request.form.get("minutes", "").strip()
    if request.form.get("alarm") == "off":
        wanted = None
    elif minutes.isascii() and minutes.isdecimal() and len(minutes) <= 4 and int(minutes) <= MOST_ALARM:
        wanted = int(minutes)
    else:
        return f"Minutes before a block are a whole number from 0 to {MOST_ALARM}."
    return "" if plans.set_alarm(service(), writing(), old, wanted) else MEANWHILE


def calendar_page(old: Opened, *, done: str = "", problems: list[str] | None = None) -> str:
    """The page of the calendar link."""
    kept, state = old.kept, store.feed_state(reading(), old.kept.id)
    if state is None:
        abort(HTTPStatus.GONE)
    https = f"{service().settings.address}/feed/{service().keys.token(Power.FEED, kept.id, state.generation)}.ics"
    page = pages.calendar_page(
        old.plan,
        https=https,
        fetched=feed.last_fetched(reading(), kept.id),
        alarm=kept.alarm,
        view=view_address(kept),
    )
    qr = segno.make(page.webcal, error="m").svg_data_uri(border=4, scale=4, dark="#000", light="#fff")
    return render_template(
        "calendar.html",
        token=manage_token(kept),
        page=page,
        qr=qr,
        done=done,
        problems=problems or [],
        clocks=clocks(),
    )


def view_address(kept: store.Kept) -> str:
    """The read-only address, or nothing where there is none."""
    if not kept.view_on:
        return ""
    token = service().keys.token(Power.VIEW, kept.id, kept.view_generation)
    return f"{service().settings.address}/view/{token}"


@blueprint.get("/plan/<token>/plan.ics")
def download(token: str) -> AnyResponse:
    """The calendar as a file, once."""
    old = holder(Power.MANAGE, token)
    state = store.feed_state(reading(), old.kept.id)
    links = plans.tokens(service(), old.kept, state.generation if state else 0)
    log = plans.log_of(reading(), old.kept.id)
    data = plans.calendar(service(), links[Power.FEED], links[Power.CHECK_IN], old.kept, old.request, old.plan, log)
    return attachment(data, "text/calendar; charset=utf-8", "plan.ics")


@blueprint.get("/plan/<token>/take-along")
def take_along(token: str) -> AnyResponse:
    """The plan as a file, for the next one."""
    return attachment(plans.take_along(holder(Power.MANAGE, token)), "application/json", "plan.json")


def attachment(data: bytes, kind: str, name: str) -> AnyResponse:
    """A file to download."""
    return Response(data, content_type=kind, headers={"Content-Disposition": f'attachment; filename="{name}"'})


# ------------------------------------------------------------------------------------------- changing, deleting


@blueprint.route("/plan/<token>/change", methods=["GET", "POST"])
def change(token: str) -> str | AnyResponse | tuple[str, int]:
    """The form for a plan that changes, a preview of what that does, and the change."""
    old = holder(Power.MANAGE, token)
    if request.method != "POST":
        return making_page(to_change(old), old)
    made = considered(old)
    known = request.form.get("version", "")
    if made.act == "keep" and made.plan is not None and known != str(old.kept.version):
        return faster(made, old, known)
    if made.act != "keep" or made.plan is None or made.asked is None:
        return making_page(made, old), HTTPStatus.UNPROCESSABLE_ENTITY if made.problems else HTTPStatus.OK
    said = plans.to_plan_again(old, service().clock()) or plans.to_fit(old, service().clock())
    if not made.anything_new and made.mapping == old.mapping and not said:
        return redirect(url_for("student.plan", token=token), HTTPStatus.SEE_OTHER)
    limited("kept_bytes", made.weight())
    calendars = {one.name: one for one in made.calendars}
    connection = writing()
    holder(Power.MANAGE, token)  # the address may have been replaced while the plan was made
    if not plans.change(service(), connection, old, made.mapping, made.asked, made.plan, calendars):
        return faster(made, holder(Power.MANAGE, token), known)
    return redirect(url_for("student.plan", token=token, done="changed"), HTTPStatus.SEE_OTHER)


def to_change(old: Opened) -> making.Made:
    """The form as the plan fills it."""
    stored = store.calendars(reading(), old.kept.id)
    with planning():
        return making.filled(service(), old, stored)


@blueprint.post("/plan/<token>/change/preview")
def change_preview(token: str) -> str:
    """What a change comes to, for the running line."""
    made = considered(holder(Power.MANAGE, token), in_passing=True)
    return render_template("_preview.html", preview=made.preview, problems=made.problems)


def faster(made: making.Made, now: Opened, known: str) -> tuple[str, int]:
    """The form of one whom another tab outran: what changed meanwhile, and all that was typed."""
    version = int(known) if known.isascii() and known.isdecimal() and len(known) < 10 else 0
    before = store.revision(reading(), now.kept.id, version)
    conflict = plans.changed_since(before, now)
    return making_page(made, now, conflict=conflict), HTTPStatus.CONFLICT


@blueprint.route("/plan/<token>/delete", methods=["GET", "POST"])
def delete(token: str) -> str | AnyResponse:
    """Deletes a plan, at once and for good, when the button is pressed."""
    if request.method == "POST":
        writing()  # so that nothing comes between looking and doing
    old = holder(Power.MANAGE, token)
    if request.method == "POST":
        if request.form.get("act") != "delete":
            abort(HTTPStatus.BAD_REQUEST)
        store.delete(writing(), old.kept.id)
        feed.forget(old.kept.id)
        return redirect(url_for("student.start", done="deleted"), HTTPStatus.SEE_OTHER)
    page = pages.delete_page(old.plan, keep_days=service().settings.keep_days)
    return render_template("delete.html", token=token, page=page, clocks=clocks())


def manage_token(kept: store.Kept) -> str:
    """The token of a plan's present address."""
    return service().keys.token(Power.MANAGE, kept.id, kept.manage_generation)
