"""The calendar service: pages on which a student makes a plan, and the feed that a phone subscribes to.

:func:`create_app` puts it together from its settings, a clock and a source of chance; ``python -m web`` serves it.
"""

from __future__ import annotations

import os
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

from flask import Flask

from web import cohort, cohort_acts, cohort_paper, db, feed, going, pages, repairs, safety, store, student
from web.powers import Keys, load_key
from web.runner import Runner
from web.service import Service

if TYPE_CHECKING:
    from collections.abc import Callable
    from concurrent.futures import Executor

    from web.config import Settings

__all__ = ["create_app"]


def system_clock() -> datetime:
    """The present instant, in UTC."""
    return datetime.now(UTC)


def create_app(
    settings: Settings,
    *,
    clock: Callable[[], datetime] = system_clock,
    entropy: Callable[[int], bytes] = os.urandom,
    executor: Callable[[], Executor] | None = None,
) -> Flask:
    """The service as a WSGI application, with its database brought to the present schema.

    ``clock`` gives the present instant in UTC; ``settings.clock_offset`` is added to it. ``entropy`` gives so many
    bytes of chance, for ids and, at the first start, for the key. ``executor`` makes what plans cohorts (default: as
    the settings say). Raises ValueError where the key file holds no key.
    """
    offset = timedelta(seconds=settings.clock_offset)
    settings.data.mkdir(parents=True, exist_ok=True)
    engine = store.open_engine(settings.database, connections=settings.threads + 2)
    store.migrate(engine)
    service = Service(
        settings=settings,
        keys=Keys(load_key(settings.key_path, entropy)),
        engine=engine,
        clock=lambda: clock() + offset,
        entropy=entropy,
    )
    app = Flask(__name__)
    app.extensions["calplan"] = service
    app.extensions["calplan.runner"] = Runner(service, executor)
    app.jinja_env.filters.update(pages.FILTERS)
    safety.init_app(app)
    db.init_app(app, engine)
    app.register_blueprint(feed.blueprint)
    app.register_blueprint(student.blueprint)
    app.register_blueprint(repairs.blueprint)
    app.register_blueprint(going.blueprint)
    app.register_blueprint(cohort.blueprint)
    app.register_blueprint(cohort_acts.blueprint)
    app.register_blueprint(cohort_paper.blueprint)
    return app
