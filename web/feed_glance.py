"""Whether a feed has changed, read with as little as possible: one statement on a pooled connection, no transaction.

Phones ask this over and over, and nearly always the answer is no. Every step that a database driver takes gives other
threads a chance to go first, so a transaction around the one read (begin, read, end) costs a busy server half of its
fetches; a single statement sees one state of the database anyway.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from sqlalchemy import bindparam, select

from web.store import FeedState, feeds

if TYPE_CHECKING:
    from collections.abc import Callable

    from sqlalchemy import Engine

STATEMENT = select(*(feeds.c[name] for name in FeedState._fields)).where(feeds.c.plan_id == bindparam("plan_id"))


def glance(engine: Engine) -> Callable[[str], FeedState | None]:
    """A function from a plan's id to the state of its feed, ``None`` where there is no such plan.

    It raises what the database's driver raises.
    """
    compiled = STATEMENT.compile(dialect=engine.dialect)
    text, positional = str(compiled), compiled.positional
    moment, dialect = feeds.c.modified.type.process_result_value, engine.dialect  # type: ignore[attr-defined]

    def state(plan_id: str) -> FeedState | None:
        pooled = engine.raw_connection()
        try:
            cursor = pooled.cursor()
            cursor.execute(text, (plan_id,) if positional else {"plan_id": plan_id})
            row: Any = cursor.fetchone()
            cursor.close()
        except BaseException:
            pooled.invalidate()  # whatever happened, the next one starts afresh
            raise
        pooled.close()  # gives it back
        return row and FeedState(row[0], row[1], moment(row[2], dialect))

    return state
