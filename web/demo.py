"""The demonstration: an invented plan in a service of its own, whose clock stands in the middle of it.

Its data are invented and its dates lie where they lie, so the clock is set to one of them: a week of the plan is over,
and today has a block.
"""

from __future__ import annotations

import tomllib
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from importlib.resources import files
from typing import TYPE_CHECKING, Any, NamedTuple

import msgspec

from calplan.planner import make_plan
from calplan.request import from_mapping
from web import plans, store
from web.pictures import Strip, strip
from web.powers import Power, new_id

if TYPE_CHECKING:
    from calplan.model import Plan, Request
    from web.service import Service

MADE = datetime(2027, 1, 5, 6, 0, tzinfo=UTC)
"""When the demonstration's plan was made: midnight in its zone."""

NOW = datetime(2027, 1, 12, 21, 40, tzinfo=UTC)
"""Where the demonstration's clock starts: twenty minutes before that Tuesday's block."""


class Shown(NamedTuple):
    """Where to look, and the calendar's bytes."""

    plan: str
    feed: str
    view: str
    calendar: bytes


def show(service: Service) -> Shown:
    """The addresses of the demonstration's plan, which is made where the database does not hold it yet."""
    plan_id = new_id(lambda size: b"calplan demo"[:size].ljust(size, b"-"))
    with store.writing(service.engine) as connection:
        kept = store.find(connection, plan_id)
        if kept is None:
            mapping, request, plan = example()
            then = service._replace(clock=lambda: MADE)
            kept = plans.keep(then, connection, mapping, request, plan, {}, plan_id=plan_id)
            store.set_view(connection, plan_id, True)
        state = store.feed_state(connection, plan_id)
        generation = state.generation if state else 1
    token, address = service.keys.token, service.settings.address
    old = plans.opened(kept)
    tokens = plans.tokens(service, kept, generation)
    return Shown(
        plan=f"{address}/plan/{token(Power.MANAGE, plan_id, kept.manage_generation)}",
        feed=f"{address}/feed/{tokens[Power.FEED]}.ics",
        view=f"{address}/view/{token(Power.VIEW, plan_id, kept.view_generation)}",
        calendar=plans.calendar(service, tokens[Power.FEED], tokens[Power.CHECK_IN], kept, old.request, old.plan, ()),
    )


@lru_cache(maxsize=1)
def example() -> tuple[dict[str, Any], Request, Plan]:
    """The invented request, as it is written and as it is read, and its plan."""
    text = files("web").joinpath("demo.toml").read_text(encoding="utf-8")
    mapping = msgspec.to_builtins(tomllib.loads(text))
    request = from_mapping(mapping)
    return mapping, request, make_plan(request, {}, as_of=MADE, seed="demo")


@lru_cache(maxsize=1)
def example_strip() -> Strip:
    """The load strip of the invented plan, for the first page."""
    _, request, plan = example()
    return strip(plan, request, today=None, link=None)


def offset(now: datetime) -> timedelta:
    """What has to be added to a clock that shows ``now`` for it to show the demonstration's moment."""
    return NOW - now
