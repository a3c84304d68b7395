"""What happens to a plan: it is drafted, kept, changed, rendered as a feed, taken along. Knows the store, and no Flask.

A plan is kept as the mapping that was asked for (so that the form can be filled again) and the plan that answered. The
feed is rendered whenever the plan changes, and only then, so that a fetch reads finished bytes and nothing changes by
time alone.
"""

from __future__ import annotations

import json
from functools import lru_cache
from hashlib import sha256
from typing import TYPE_CHECKING, Any, NamedTuple

import msgspec

from calplan import ical
from calplan.checkins import Entry, Log, entry_from_json, in_order, marks, to_line
from calplan.cohort import as_it_is_now, courses_of, read_class
from calplan.days import exam_day
from calplan.documents import compact
from calplan.errors import NoPlan
from calplan.model import Plan, Request, plain, plan_from_json, to_json
from calplan.outcomes import Outcome
from calplan.planner import Step, make_plan, trade_off
from calplan.publicdays import versions
from calplan.replan import Way, mend, worth_fitting
from calplan.request import from_mapping
from calplan.settling import settled
from web import store, store_cohorts
from web.feed_bytes import PLACEHOLDERS, with_tokens
from web.powers import Power, new_id
from web.store import Kept, Rendered

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from datetime import date, datetime

    from sqlalchemy import Connection

    from web.service import Service
    from web.store_cohorts import Member


FOR_ALL = 0
"""The generation of links for checking in of a calendar that has none, since many share it."""


class Opened(NamedTuple):
    """A kept plan with its documents read, and what was said of its blocks."""

    kept: Kept
    mapping: dict[str, Any]
    request: Request
    plan: Plan
    log: Log = ()


def opened(kept: Kept) -> Opened:
    """Reads a kept plan's documents."""
    mapping = json.loads(kept.document)
    return Opened(kept, mapping, from_mapping(mapping), plan_from_json(kept.plan))


# ------------------------------------------------------------------------------------------------ making


def draft(service: Service, request: Request, calendars: Mapping[str, bytes]) -> Plan:
    """A plan from this moment on, under a new seed. Raises as :func:`calplan.planner.make_plan`."""
    return make_plan(request, calendars, as_of=service.clock(), seed=service.entropy(16).hex())


def redraft(
    service: Service, old: Opened, request: Request, calendars: Mapping[str, bytes], *, way: Way = Way.FEWEST
) -> Plan:
    """The plan mended for a changed request. Raises as :func:`calplan.planner.make_plan`."""
    return mend(old.plan, old.request, request, calendars, old.log, as_of=service.clock(), way=way)


def keep(
    service: Service,
    connection: Connection,
    mapping: Mapping[str, Any],
    request: Request,
    plan: Plan,
    calendars: Mapping[str, bytes],
    *,
    plan_id: str = "",
    body: bytes | None = None,
    for_all: bool = False,
) -> Kept:
    """Stores a new plan under a new id, and its feed with it.

    ``body`` is the feed, where it is rendered already. The calendar of one that is ``for_all`` of a class has no links
    to check in with.
    """
    now = service.clock()
    kept = Kept(
        id=plan_id or new_id(service.entropy),
        version=1,
        seed=plan.seed,
        document=written(mapping),
        plan=to_json(plan, indent=0),
        created=now,
        changed=now,
        ends=ends(request),
        alarm=None,
        view_on=False,
        view_generation=1,
        check_in_generation=FOR_ALL if for_all else 1,
        manage_generation=1,
    )
    rendered = render(service, kept, request, plan, (), feed_generation=1, body=body)
    store.create(connection, kept, rendered, calendars, read_at=now)
    return kept


def change(
    service: Service,
    connection: Connection,
    old: Opened,
    mapping: Mapping[str, Any],
    request: Request,
    plan: Plan,
    calendars: Mapping[str, store.Upload] | None,
) -> bool:
    """Puts a new plan in the place of the ``old`` one, as who holds it wants; false where someone was faster.

    Nothing is written then. ``calendars`` are all busy calendars of the plan from now on; ``None`` leaves them as they
    are. The table of a cohort that the plan belongs to has the figures of the new one.
    """
    if not put(service, connection, old, mapping, request, plan, calendars):
        return False
    found = store_cohorts.member_of_plan(connection, old.kept.id)
    if found is not None and found[1].outcome:
        outcome = outcome_now(connection, *found, written(mapping), request, plan)
        store_cohorts.set_own(connection, old.kept.id, msgspec.json.encode(outcome).decode())
    return True


def outcome_now(
    connection: Connection, cohort_id: str, member: Member, document: str, request: Request, plan: Plan
) -> Outcome:
    """What becomes of a member with a plan that it was not given by its row."""
    known = msgspec.json.decode(member.own or member.outcome, type=Outcome)
    cohort = store_cohorts.find(connection, cohort_id)
    if cohort is None:
        return known
    courses, whole = courses_of(cohort.courses), None
    classes = store_cohorts.classes(connection, cohort_id)
    for course, section in zip(known.courses, known.sections, strict=False):
        together = course in courses.courses and section in courses.courses[course].sections
        together = together and courses.courses[course].sections[section].together
        kept = store.find(connection, classes[course, section]) if together and (course, section) in classes else None
        if kept is not None:
            whole = read_class(kept.document.encode(), kept.plan)
            break
    return as_it_is_now(known, request, plan, courses, whole, own=document != member.document)


def put(
    service: Service,
    connection: Connection,
    old: Opened,
    mapping: Mapping[str, Any],
    request: Request,
    plan: Plan,
    calendars: Mapping[str, store.Upload] | None,
) -> bool:
    """Stores a new plan in the place of the ``old`` one, as :func:`change` does, and tells no cohort."""
    now = service.clock()
    kept = old.kept._replace(document=written(mapping), plan=to_json(plan, indent=0), changed=now, ends=ends(request))
    return save(service, connection, kept, request, plan, calendars, now)


def set_alarm(service: Service, connection: Connection, old: Opened, minutes: int | None) -> bool:
    """Sets or ends the alarms in a plan's calendar; false where someone was faster."""
    kept = old.kept._replace(alarm=minutes, changed=service.clock())
    return save(service, connection, kept, old.request, old.plan, None, kept.changed)


def replace_check_in(service: Service, connection: Connection, old: Opened) -> bool:
    """Gives the calendar's events new links; the old ones stop. False where someone was faster."""
    if old.kept.check_in_generation == FOR_ALL:
        return True
    kept = old.kept._replace(check_in_generation=old.kept.check_in_generation + 1, changed=service.clock())
    return save(service, connection, kept, old.request, old.plan, None, kept.changed)


def save(
    service: Service,
    connection: Connection,
    kept: Kept,
    request: Request,
    plan: Plan,
    calendars: Mapping[str, store.Upload] | None,
    now: datetime,
) -> bool:
    """Stores what was changed on top of the version that it was read as."""
    store.lock(connection, kept.id)  # a check-in at the same time comes before or after all of this
    state = store.feed_state(connection, kept.id)
    if state is None:
        return False
    rendered = render(service, kept, request, plan, log_of(connection, kept.id), feed_generation=state.generation)
    return store.save(connection, kept, rendered, expected=kept.version, calendars=calendars, read_at=now)


def written(mapping: Mapping[str, Any]) -> str:
    """A request as it was asked for, as JSON."""
    return compact(mapping).decode()


def read_mapping(document: str) -> dict[str, Any]:
    """The mapping that :func:`written` wrote."""
    mapping: dict[str, Any] = json.loads(document)
    return mapping


def ends(request: Request) -> date:
    """The day of the last exam."""
    return max(exam_day(request, exam) for exam in request.exams)


# ------------------------------------------------------------------------------------------------ the feed


def render(
    service: Service,
    kept: Kept,
    request: Request,
    plan: Plan,
    log: Log,
    *,
    feed_generation: int,
    body: bytes | None = None,
) -> Rendered:
    """The feed's bytes with placeholders for its links, and the ETag of the bytes with the links in their place."""
    if body is None:
        body = calendar(service, PLACEHOLDERS[Power.FEED], PLACEHOLDERS[Power.CHECK_IN], kept, request, plan, log)
    sent = with_tokens(body, tokens(service, kept, feed_generation))
    return Rendered(etag=etag_of(sent), modified=kept.changed, body=body)


def render_again(service: Service, connection: Connection, plan_id: str, *, always: bool) -> bool:
    """Renders a stored plan's feed anew; false where that changes nothing.

    Local date and wall-clock time are the truth in a plan. What is derived from them may change without anyone's doing:
    instants where the zone's rules have changed since the plan was made, and links where the service has a new address
    (``always`` looks for that too).
    """
    store.lock(connection, plan_id)
    kept, state = store.find(connection, plan_id), store.feed_state(connection, plan_id)
    if kept is None or state is None:
        return False
    old = opened(kept)
    if not always and old.plan.tz_version == versions()[0]:
        return False
    kept = kept._replace(changed=service.clock())
    log = log_of(connection, plan_id)
    rendered = render(service, kept, old.request, old.plan, log, feed_generation=state.generation)
    return rendered.etag != state.etag and store.save(connection, kept, rendered, expected=kept.version)


def tokens(service: Service, kept: Kept, feed_generation: int) -> dict[Power, str]:
    """The tokens that a plan's calendar carries."""
    return {
        Power.FEED: service.keys.token(Power.FEED, kept.id, feed_generation),
        Power.CHECK_IN: service.keys.token(Power.CHECK_IN, kept.id, kept.check_in_generation),
    }


def etag_of(body: bytes) -> str:
    """The strong validator of a feed's bytes, without its quotes."""
    return sha256(body).hexdigest()[:32]


def calendar(service: Service, feed: str, check_in: str, kept: Kept, request: Request, plan: Plan, log: Log) -> bytes:
    """The plan's calendar with these tokens in its links."""
    links = links_in(service, feed, check_in if kept.check_in_generation != FOR_ALL else "")
    return ical.to_ics(plan, request, links=links, alarms=kept.alarm, marks=marks(log))


def links_in(service: Service, feed: str, check_in: str) -> ical.Links:
    """The links that a calendar with these tokens has."""
    address = service.settings.address
    block = f"{address}/block/{check_in}/{{uid}}" if check_in else ""
    return ical.Links(source=f"{address}/feed/{feed}.ics", check_in=block)


def placeholder_links(service: Service) -> ical.Links:
    """The links of a calendar as it is kept, with placeholders for its tokens."""
    return links_in(service, PLACEHOLDERS[Power.FEED], PLACEHOLDERS[Power.CHECK_IN])


# ------------------------------------------------------------------------------------------------ check-ins


def log_of(connection: Connection, plan_id: str) -> Log:
    """All that was said of a plan's blocks."""
    return in_order(map(entry_from_json, store.entries(connection, plan_id)))


def with_log(connection: Connection, old: Opened) -> Opened:
    """An opened plan with what was said of its blocks."""
    return old._replace(log=log_of(connection, old.kept.id))


def to_plan_again(old: Opened, now: datetime) -> int:
    """Of how many blocks the work comes back, or comes back no more, by what was said since the plan was made."""
    known = {block.uid: block for block in old.plan.past}
    past = settled(old.plan, old.request, old.log, as_of=now, grace=old.request.mending.grace)
    before = {uid: [one.back for one in block.worked] for uid, block in known.items()}
    return sum([one.back for one in block.worked] != before.get(block.uid, [0] * len(block.worked)) for block in past)


def to_fit(old: Opened, now: datetime) -> bool:
    """Whether what was said since the plan was made asks for other work ahead than it has."""
    return worth_fitting(old.plan, old.request, old.log, as_of=now)


def say(service: Service, connection: Connection, plan_id: str, entries: Iterable[Entry]) -> bool:
    """Adds entries to what was said of a plan, and renders its feed; false where there is no such plan.

    Words from several devices at once come one after the other, and none is lost. Raises
    :class:`web.store.LogFull`.
    """
    for entry in entries:
        if not store.add_entry(connection, plan_id, entry.id, entry.at, to_line(entry).decode().strip()):
            return False
    kept, state = store.find(connection, plan_id), store.feed_state(connection, plan_id)
    if kept is None or state is None:
        return False
    old = opened(kept)
    kept = kept._replace(changed=max(kept.changed, service.clock()))
    log = log_of(connection, plan_id)
    rendered = render(service, kept, old.request, old.plan, log, feed_generation=state.generation)
    if rendered.etag != state.etag:
        store.set_feed(connection, plan_id, rendered)
    return True


# ----------------------------------------------------------------------------------------- looking, taking along


@lru_cache(maxsize=64)
def steps_of(plan: bytes, document: str) -> tuple[Step, ...]:
    """The trade-off curve of a stored plan; it stays the same as long as the plan does."""
    read = plan_from_json(plan)
    request = from_mapping(json.loads(document))
    try:
        return trade_off(request, {}, as_of=read.as_of, known=read.busy)
    except NoPlan:
        return ()


def steps(old: Opened) -> tuple[Step, ...]:
    """What waiting would have cost from the day on which the plan was made."""
    return steps_of(old.kept.plan, old.kept.document)


MOST_CHANGES = 20
"""Differences that are told one by one."""


def changed_since(before: store.Revision | None, now: Opened) -> tuple[str, ...]:
    """What of the request is different from an earlier version, in sentences; nothing where only links changed."""
    if before is None:
        return ("That was too many versions ago to say what.",)
    old, new = flat(json.loads(before.document)), flat(now.mapping)
    said = []
    for place in dict.fromkeys((*old, *new)):
        if old.get(place) != new.get(place):
            was, is_now = old.get(place, "nothing"), new.get(place, "nothing")
            said.append(f"{place}: it was {was}, and is {is_now} now.")
    more = len(said) - MOST_CHANGES
    return (*said[:MOST_CHANGES], *([f"And {more} more."] if more > 0 else []))


def flat(value: object, place: str = "") -> dict[str, str]:
    """Every single value of a document with the place where it stands, as people would say it."""
    match value:
        case dict():
            pairs = [(", ".join(filter(None, (place, str(key).replace("_", " ")))), one) for key, one in value.items()]
        case list():
            pairs = [(f"{place} {number}", one) for number, one in enumerate(value, 1)]
        case _:
            return {place: str(value)}
    return {name: text for where, one in pairs for name, text in flat(one, where).items()}


def take_along(old: Opened) -> bytes:
    """The plan as a file: the request as it was asked for, and the plan that answers it, as one JSON document."""
    document = {"schema": 1, "request": old.mapping, "plan": plain(old.plan)}
    return json.dumps(document, ensure_ascii=False, indent=2).encode() + b"\n"
