"""Repairs: lost days and their difference before it is applied, undo, a block later today, a block kept in place.

What is asked for travels in the address and in the form; nothing is kept before the button that applies it. The
difference is worked out again then, and applied only on top of the version that was looked at.
"""

from __future__ import annotations

from datetime import date
from functools import partial
from http import HTTPStatus
from typing import TYPE_CHECKING, Any, NamedTuple
from zoneinfo import ZoneInfo

from flask import Blueprint, redirect, render_template, request, url_for

from calplan import news
from calplan.differences import difference, lines, summary
from calplan.errors import InvalidRequest, NoPlan
from calplan.repairs import CannotMove, hold, later
from calplan.replan import Way
from calplan.request import from_mapping
from calplan.sentences import shortfall_sentences
from calplan.spans import wall
from web import making, plans, store
from web.clocks import clock
from web.db import commit, reading, writing
from web.offers import offers, undone
from web.pictures import difference_strip
from web.powers import Power
from web.safety_limits import limited, planning
from web.student import MENDED, block_left, block_shown, clocks, holder, plan_shown, service

if TYPE_CHECKING:
    from collections.abc import Mapping

    from werkzeug.wrappers import Response as AnyResponse

    from calplan.differences import Difference
    from calplan.model import Plan, Request
    from web.plans import Opened

blueprint = Blueprint("repairs", __name__)

FIELDS = ("first", "last", "ill", "minutes", "limit", "essentials", "leave", "stay", "again")
"""What can be asked for: lost days, illness, minutes today, a higher limit, mainly essentials, a material to leave out,
that every other day stays, and nothing but that missed work is planned again."""

MOST_TEXT = 200
"""Characters of a field that are looked at."""

MEANWHILE = "The plan was changed on another device just now. Nothing was applied; here is what it would change now."


class Looked(NamedTuple):
    """What was asked for, and what it comes to: a plan with its difference, or the sentences that stand in its way."""

    asked: dict[str, str]
    mapping: dict[str, Any]
    request: Request | None = None
    plan: Plan | None = None
    found: Difference | None = None
    wrong: tuple[str, ...] = ()


# ----------------------------------------------------------------------------------------------- the difference


@blueprint.route("/plan/<token>/difference", methods=["GET", "POST"])
def shown(token: str) -> str | AnyResponse | tuple[str, int]:
    """What news would change, and the button that applies it."""
    limited("previews")
    old = holder(Power.MANAGE, token)
    fields = request.form if request.method == "POST" else request.args
    looked = look(old, asked_for(fields))
    if request.method != "POST":
        return page(token, old, looked)
    if looked.plan is None or looked.request is None or not request.form.get("version"):
        return page(token, old, looked), HTTPStatus.UNPROCESSABLE_ENTITY
    if request.form.get("version", "") != str(old.kept.version):
        return page(token, old, looked, MEANWHILE), HTTPStatus.CONFLICT
    if not anything(old, looked):
        return redirect(url_for("student.plan", token=token, done="same"), HTTPStatus.SEE_OTHER)
    connection = writing()
    holder(Power.MANAGE, token)  # the address may have been replaced while the plan was made
    if not plans.change(service(), connection, old, looked.mapping, looked.request, looked.plan, None):
        commit()  # what was read before the other device was done may be what it replaced
        now = holder(Power.MANAGE, token)
        return page(token, now, look(now, looked.asked), MEANWHILE), HTTPStatus.CONFLICT
    done = "mended" if moving(looked.found) else "noted"
    return redirect(url_for("student.plan", token=token, done=done), HTTPStatus.SEE_OTHER)


def asked_for(fields: Mapping[str, str]) -> dict[str, str]:
    """What of the fields says something."""
    said = {name: fields.get(name, "").strip()[:MOST_TEXT] for name in FIELDS}
    return {name: text for name, text in said.items() if text}


def look(old: Opened, asked: dict[str, str]) -> Looked:
    """What the news come to."""
    try:
        mapping = with_news(old, asked)
        wanted = from_mapping(mapping)
    except InvalidRequest as invalid:
        return Looked(asked, old.mapping, wrong=tuple(f"{one.sentence} {one.remedy}" for one in invalid.problems))
    except ValueError as error:
        return Looked(asked, old.mapping, wrong=(str(error),))
    calendars = making.bytes_by_name(store.calendars(reading(), old.kept.id).values())
    commit()  # the plan takes its time, and nobody is to wait for it
    way = Way.STAY if asked.get("stay") else Way.FEWEST
    try:
        with planning():
            plan = plans.redraft(service(), old, wanted, calendars, way=way)
    except InvalidRequest as invalid:
        return Looked(asked, mapping, wrong=tuple(f"{one.sentence} {one.remedy}" for one in invalid.problems))
    except NoPlan as refusal:
        return Looked(asked, mapping, wrong=(refusal.sentence, *refusal.reasons, *refusal.advice))
    return Looked(asked, mapping, wanted, plan, difference(old.plan, old.request, plan, wanted))


def moving(found: Difference | None) -> bool:
    """Whether any block or any work changes."""
    return found is not None and bool(found.changes or found.lost or found.regained)


def anything(old: Opened, looked: Looked) -> bool:
    """Whether there is something to apply: else the plan, and what it is to keep to, stay as they are."""
    return looked.plan is not None and (looked.plan, looked.request) != (old.plan, old.request)


def with_news(old: Opened, asked: Mapping[str, str]) -> dict[str, Any]:
    """The mapping that a plan was asked for with, with the news in it. Raises ``ValueError`` with a sentence."""
    mapping: dict[str, Any] = old.mapping
    today = wall(service().clock(), ZoneInfo(old.plan.zone)).date()
    if "first" in asked or "last" in asked:
        first = day_of(asked.get("first") or asked["last"])
        last = day_of(asked.get("last") or asked["first"])
        mapping = news.lose_days(mapping, first, last)
        if asked.get("ill"):
            after = [day.day for day in old.plan.days if day.day > last and day.room]
            slow = after[: old.request.mending.slow_days]
            mapping = news.slow_return(mapping, slow, max(5, old.request.effort.limit // 2))
    if "minutes" in asked:
        mapping = news.only_minutes(mapping, today, number_of(asked["minutes"], "Minutes for today"))
    if "limit" in asked:
        mapping = news.raise_limit(mapping, number_of(asked["limit"], "Minutes a day"))
    if "essentials" in asked:
        mapping = news.keep_essentials(mapping)
    if "leave" in asked:
        exam, _, material = asked["leave"].partition(" ")
        mapping = news.leave_out(mapping, exam, material)
    return mapping


def day_of(text: str) -> date:
    """A date as it was typed."""
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise ValueError(f"“{text[:40]}” is no date. Write it as 2027-01-25.") from None


def number_of(text: str, name: str) -> int:
    """Whole minutes as they were typed."""
    if not (text.isascii() and text.isdecimal() and len(text) <= 4 and int(text) <= 24 * 60):
        raise ValueError(f"{name}: “{text[:40]}” is no number of minutes from 0 to 1440.")
    return int(text)


def page(token: str, old: Opened, looked: Looked, note: str = "") -> str:
    """The page of a difference, or of what stands in its way."""
    plan, wanted, found = looked.plan, looked.request, looked.found
    style = clocks()
    today = wall(service().clock(), ZoneInfo(old.plan.zone)).date()
    strip = None
    if plan is not None and wanted is not None and moving(found):
        strip = difference_strip(old.plan, old.request, plan, wanted, today=today, link=None, clocks=style)
    return render_template(
        "difference.html",
        token=token,
        version=old.kept.version,
        note=note,
        asked=looked.asked,
        wrong=looked.wrong,
        sentence=summary(found) if found else "",
        lines=tuple(lines(found, partial(clock, style=style))) if found else (),
        anything=anything(old, looked),
        moving=moving(found),
        shortfall=tuple(shortfall_sentences(plan, plan.shortfall)) if plan and plan.shortfall else (),
        limit=old.request.effort.limit,
        materials=[(exam.key, one.key, one.title) for exam in old.request.exams for one in exam.materials],
        strip=strip,
        clocks=style,
    )


# ------------------------------------------------------------------------------------------------------ undo


@blueprint.post("/plan/<token>/undo")
def undo_last(token: str) -> AnyResponse | tuple[str, int]:
    """Puts the plan back that the last change replaced."""
    limited("previews")
    connection = writing()
    old = holder(Power.MANAGE, token)
    if "version" not in request.form:
        return plan_shown(token, old, MENDED["not-undone"]), HTTPStatus.UNPROCESSABLE_ENTITY
    back = undone(reading(), old, service().clock()) if request.form.get("version") == str(old.kept.version) else None
    if back is None:
        return redirect(url_for("student.plan", token=token, done="not-undone"), HTTPStatus.SEE_OTHER)
    before, plan = back
    mapping = plans.read_mapping(before.document)
    if not plans.change(service(), connection, old, mapping, from_mapping(mapping), plan, None):
        return redirect(url_for("student.plan", token=token, done="not-undone"), HTTPStatus.SEE_OTHER)
    for version in range(before.version, old.kept.version + 1):  # nothing of what was taken back can be undone again
        store.drop_revision(connection, old.kept.id, version)
    return redirect(url_for("student.plan", token=token, done="undone"), HTTPStatus.SEE_OTHER)


# ---------------------------------------------------------------------------------------------- one block


@blueprint.post("/block/<token>/<uid>/place")
def place(token: str, uid: str) -> AnyResponse | tuple[str, int]:
    """Puts a block later on its day, or keeps it where it is, or lets it go again."""
    limited("previews")
    connection = writing()
    old = holder(Power.CHECK_IN, token)
    now = service().clock()
    if all(one.uid != uid for one in old.plan.blocks):
        return block_left(old, uid)
    block_start = next(one.start for one in old.plan.blocks if one.uid == uid)
    if request.form.get("act") not in ("later", "keep", "let-go"):
        mine = next(one for one in old.plan.blocks if one.uid == uid)
        return block_shown(token, old, mine, "not-moved"), HTTPStatus.UNPROCESSABLE_ENTITY
    act, offered = request.form["act"], offers(old, uid, now)
    done = "not-moved"
    try:
        if act == "later" and offered.starts:
            start = next((one for one in offered.starts if one.isoformat() == request.form.get("start")), None)
            plan = later(old.plan, old.request, uid, start or block_start, as_of=now)
            done = "later"
        elif act in ("keep", "let-go") and offered.held is not None:
            plan = hold(old.plan, uid, act == "keep")
            done = act
        else:
            plan = None
    except CannotMove:
        plan, done = None, "not-moved"
    if plan is not None and not plans.change(service(), connection, old, old.mapping, old.request, plan, None):
        done = "not-moved"
    return redirect(url_for("student.block", token=token, uid=uid, done=done, _anchor="word"), HTTPStatus.SEE_OTHER)
