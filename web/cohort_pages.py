"""What the counsellor's pages show, as values for the templates: counts, a table to search, a call list, paper."""

from __future__ import annotations

from datetime import date, timedelta
from typing import TYPE_CHECKING, NamedTuple

import msgspec

from calplan.cohort import NO_CLASS_PLAN
from calplan.outcomes import Outcome, Status
from calplan.progress import State
from calplan.roster import Row
from calplan.summary import Counted, Load
from web import store_cohorts
from web.cohorts import outcome_of

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence

    from calplan.progress import Progress
    from web.store_cohorts import Member

A_PAGE = 100
"""Rows of the table on one page."""
SORTS = {"row": "Row", "reference": "Reference", "section": "Section", "teacher": "Teacher", "minutes": "Fullest day"}
"""What the table can be sorted by."""


class Shown(NamedTuple):
    """A row of the table."""

    key: str
    row: int
    reference: str
    courses: str
    sections: str
    teachers: str
    status: str
    sentences: tuple[str, ...]
    ways: tuple[str, ...]
    minutes: int
    has_plan: bool
    waits: bool
    changed: str = ""
    """That the plan was changed on its own page, in words."""


class Asked(NamedTuple):
    """What the table is asked for: a text to search, an outcome, a section, a teacher; an order, a page from 1."""

    text: str = ""
    status: str = ""
    section: str = ""
    teacher: str = ""
    changed: bool = False
    """Only rows whose plan was changed on its own page."""
    sort: str = "row"
    page: int = 1


GONE = Asked(status="gone")
"""All rows that are no longer in the roster: they can be deleted together."""


class Found(NamedTuple):
    """A page of the table, how many rows there are in all, and what can be chosen from."""

    rows: tuple[Shown, ...]
    number: int
    pages: int
    sections: tuple[str, ...]
    teachers: tuple[str, ...]


def asked_for(fields: Mapping[str, str]) -> Asked:
    """What a query asks for; what makes no sense is left out."""
    page = fields.get("page", "")
    sort = fields.get("sort", "row")
    return Asked(
        text=fields.get("text", "").strip()[:80],
        status=fields.get("status", "") if fields.get("status", "") in (*Status, "waiting", "gone") else "",
        section=fields.get("section", "")[:80],
        teacher=fields.get("teacher", "")[:80],
        changed=fields.get("changed", "") == "yes",
        sort=sort if sort in SORTS else "row",
        page=int(page) if page.isascii() and page.isdecimal() and 0 < len(page) < 6 and int(page) else 1,
    )


def table(members: Iterable[Member], asked: Asked, changed: Collection[str] = ()) -> Found:
    """The rows that are asked for; ``changed`` are the keys of those whose plan was changed on its own page."""
    rows, sections, teachers = [], set[str](), set[str]()
    for member in members:
        one = shown(member, changed)
        sections |= set(filter(None, one.sections.split(", ")))
        teachers |= set(filter(None, one.teachers.split(", ")))
        if fits(one, asked):
            rows.append(one)
    rows.sort(key=lambda one: order(one, asked.sort))
    first = (asked.page - 1) * A_PAGE
    pages = max(1, -(-len(rows) // A_PAGE))
    return Found(
        tuple(rows[first : first + A_PAGE]), len(rows), pages, tuple(sorted(sections)), tuple(sorted(teachers))
    )


def shown(member: Member, changed: Collection[str] = ()) -> Shown:
    """A member as a row of the table; its figures are those of its plan as it is now."""
    outcome = outcome_of(member)
    waits = member.status == store_cohorts.WAITING
    row = msgspec.json.decode(member.cells, type=Row)
    return Shown(
        key=member.key,
        row=member.number,
        reference=row.reference,
        courses=", ".join(outcome.courses) or row.cells.get("course", ""),
        sections=", ".join(outcome.sections) or row.cells.get("section", ""),
        teachers=", ".join(filter(None, dict.fromkeys(outcome.teachers))),
        status="waiting" if waits else str(outcome.status),
        sentences=() if waits else tuple(one[:1].upper() + one[1:] for one in outcome.sentences),
        ways=() if waits else outcome.ways,
        minutes=outcome.minutes,
        has_plan=member.plan_id is not None,
        waits=waits,
        changed=mark(member, changed),
    )


def mark(member: Member, changed: Collection[str]) -> str:
    """That a member's plan was changed by the student, or for them on its own page; empty where it was not."""
    if member.key not in changed:
        return ""
    return "changed" if member.own is not None else "changed; figures as before that"


def fits(one: Shown, asked: Asked) -> bool:
    """Whether a row is among those that are asked for."""
    state = "gone" if not one.row else one.status
    return (
        (not asked.status or asked.status == state)
        and (not asked.section or asked.section in one.sections.split(", "))
        and (not asked.changed or bool(one.changed))
        and (not asked.teacher or asked.teacher in one.teachers.split(", "))
        and asked.text.casefold() in f"{one.reference} {one.courses} {one.sections} {one.teachers}".casefold()
    )


def order(one: Shown, sort: str) -> tuple[object, ...]:
    """Where a row stands in the table."""
    if sort == "minutes":
        return -one.minutes, one.row, one.key
    first = {"row": "", "reference": one.reference.casefold(), "section": one.sections, "teacher": one.teachers}[sort]
    return first, one.row, one.key


# ---------------------------------------------------------------------------------------------- at a glance


class Overview(NamedTuple):
    """A cohort at a glance: rows, how many are planned, counts by outcome, the load of each day by week."""

    total: int
    done: int
    counts: tuple[tuple[str, int], ...]
    above: int
    gone: int
    weeks: tuple[tuple[date, tuple[Load | None, ...]], ...]
    most: int
    classless: tuple[str, ...] = ()
    """Why sections have no class plan, a sentence each."""
    changed: int = 0
    """Plans that were changed on their own page."""
    older: int = 0
    """Those among them whose figures are those of before."""

    @property
    def plans(self) -> int:
        """Rows that have a plan."""
        return self.done - dict(self.counts)[Status.WRONG]

    @property
    def waiting(self) -> int:
        """Rows that are still to be planned."""
        return self.total - self.done


def overview(members: Iterable[Member], changed: Collection[str] = ()) -> Overview:
    """Counts a cohort's members; ``changed`` are the keys of those whose plan was changed on its own page."""
    waiting = own = older = 0
    classless: set[str] = set()

    def planned() -> Iterator[Outcome]:
        nonlocal waiting, own, older
        for member in members:
            if member.number and member.key in changed:
                own, older = own + 1, older + (member.own is None)
            if member.status == store_cohorts.WAITING and member.number:
                waiting += 1
            else:
                outcome = outcome_of(member)
                if member.number and outcome.status is Status.WRONG:
                    told = (one.partition(", ")[2] for one in outcome.sentences if f": {NO_CLASS_PLAN}" in one)
                    classless.update(told)
                yield msgspec.structs.replace(outcome, row=member.number)

    counted = Counted.of(planned())
    done = sum(counted.statuses.values())
    weeks = tuple(weeks_of(counted.load))
    return Overview(
        total=done + waiting,
        done=done,
        counts=tuple((str(status), counted.statuses[status]) for status in Status),
        above=counted.above,
        gone=counted.gone,
        weeks=weeks,
        most=max((one.minutes for one in counted.load.values()), default=0),
        classless=tuple(sorted(classless)),
        changed=own,
        older=older,
    )


def weeks_of(load: Mapping[date, Load]) -> Iterator[tuple[date, tuple[Load | None, ...]]]:
    """The load by week, Monday to Sunday."""
    if not load:
        return
    first, last = min(load), max(load)
    monday = first - timedelta(days=first.weekday())
    while monday <= last:
        yield monday, tuple(load.get(monday + timedelta(days=number)) for number in range(7))
        monday += timedelta(days=7)


def acts(found: Sequence[Shown]) -> tuple[tuple[Shown, str], ...]:
    """A call list: who cannot fit, with what to suggest."""
    return tuple((one, " ".join(one.ways) or USUAL_ACT) for one in found)


def for_the_owner(told: Progress) -> str:
    """How a student's plan goes, said to who looks after it: the student's own page asks for a tick besides."""
    if told.state is State.NOTHING_SAID and told.silent:
        blocks = "the block that is over" if told.silent == 1 else f"the {told.silent} blocks that are over"
        return f"Nothing was said of {blocks}."
    return told.sentence.replace(", so tick what you did.", ".")


USUAL_ACT = "Ask for more study hours, or leave out what matters least: the student's plan page offers both."
