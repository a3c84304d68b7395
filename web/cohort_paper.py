"""Hand-outs: a page for each student, to print: what this is, the way to the plan, what to do after a missed day.

Granted arrangements are on none of them: a timed paper says when it begins, and not how long it takes.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import segno
from flask import Blueprint, abort, render_template, request

from calplan.model import Role
from calplan.outcomes import Status
from calplan.roster import file_key
from web import cohort_pages, pages, plans, store, store_cohorts
from web.cohort import owner, plan_token
from web.cohorts import outcome_of
from web.db import reading
from web.safety_limits import planning
from web.student import clocks, service

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import date

    from web.page_values import ExamShown, Week
    from web.store_cohorts import Cohort, Member

blueprint = Blueprint("cohort_paper", __name__)

A_PRINT = 60
"""Hand-outs on one page of the browser."""


class HandOut(NamedTuple):
    """What a student is given on paper: the dates of the exams always, and so many weeks of the plan.

    ``unsaid`` are blocks whose length is not printed.
    """

    reference: str
    title: str
    address: str
    qr: str
    exams: tuple[tuple[date, ExamShown], ...]
    weeks: tuple[Week, ...]
    zone: str
    unsaid: frozenset[str]


@blueprint.get("/cohort/<token>/hand-outs")
def hand_outs(token: str) -> str:
    """Hand-outs of a section, a student, or all, some at a time; with the first week, all weeks or none."""
    cohort = owner(token)
    asked = cohort_pages.asked_for(request.args)
    weeks = request.args.get("weeks", "first")
    found = [one for one in members(cohort) if cohort_pages.fits(cohort_pages.shown(one), asked)]
    mine = found[(asked.page - 1) * A_PRINT : asked.page * A_PRINT]
    everyone = [cohort_pages.shown(one) for one in members(cohort)]
    with planning():
        made = [one for member in mine if (one := hand_out(member, weeks)) is not None]
    return render_template(
        "cohort_paper.html",
        token=token,
        cohort=cohort,
        hand_outs=made,
        sections=sorted({name for one in everyone for name in one.sections.split(", ") if name}),
        asked=asked,
        weeks=weeks,
        member=request.args.get("member", ""),
        number=len(found),
        pages=max(1, -(-len(found) // A_PRINT)),
        clocks=clocks(),
    )


def members(cohort: Cohort) -> Iterator[Member]:
    """The members that have a plan; one alone where one is asked for."""
    only = request.args.get("member", "")
    if only:
        one = store_cohorts.member(reading(), cohort.id, file_key(only))
        if one is None:
            abort(404)
        if one.plan_id:
            yield one
        return
    for one in store_cohorts.every(reading(), cohort.id):
        if one.plan_id and one.number and one.status != Status.WRONG:
            yield one


def hand_out(member: Member, weeks: str) -> HandOut | None:
    """A student's hand-out, while there is a plan."""
    kept = store.find(reading(), member.plan_id or "")
    if kept is None:
        return None
    old = plans.opened(kept)
    address = f"{service().settings.address}/plan/{plan_token(kept)}"
    shown = pages.paper_pages(old.plan, old.request)
    papers = {task.id for task in old.plan.tasks if task.role is Role.PAPER}
    return HandOut(
        reference=outcome_of(member).reference,
        title=old.plan.title,
        address=address,
        qr=segno.make(address, error="m").svg_data_uri(border=4, scale=3, dark="#000", light="#fff"),
        exams=tuple((day.day, exam) for week in shown for day in week.days for exam in day.exams),
        weeks={"all": shown, "first": shown[:1]}.get(weeks, ()),
        zone=old.plan.zone,
        unsaid=frozenset(b.uid for b in old.plan.blocks if any(part.task in papers for part in b.parts)),
    )
