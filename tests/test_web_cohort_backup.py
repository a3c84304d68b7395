"""A backup with a cohort in it, restored elsewhere: every address opens what it opened, and a cut run goes on."""

from __future__ import annotations

import re
from itertools import count
from typing import TYPE_CHECKING, Any
from urllib.parse import urlsplit

import pytest

from tests import postgres, served
from tests.test_web_cohort import (
    COURSES,
    MANY,
    events,
    everything,
    feeds,
    hand_in,
    links_of,
    members,
    outcomes,
    plan_all,
    roster,
    runner,
    service,
)
from web import store, upkeep

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from flask.testing import FlaskClient

TOGETHER = COURSES.replace(b'start = "2027-02-04T09:00"', b'start = "2027-02-04T09:00"\ntogether = true')
CLASS = tuple(f"C-{number},chemistry,{'AB'[number % 2]},,,,,,,," for number in range(3))
ROWS = (*CLASS, *MANY[:20])


@pytest.fixture(params=postgres.ENGINES)
def places(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[tuple[str, str]]:
    """The addresses of a database, and of an empty place for another of its kind."""
    with postgres.database(request.param, request) as first, postgres.database(request.param, request) as second:
        if request.param == "sqlite":
            second = f"sqlite:///{tmp_path / 'elsewhere' / 'data' / 'calplan.sqlite'}"
        yield first, second


def class_feed(client: FlaskClient, path: str) -> tuple[bytes, str]:
    """The calendar that the class shares: its bytes, and the ETag."""
    page = client.get(path).text
    (start,) = [at for at in range(len(page)) if page.startswith("/feed/", at)]
    answer = client.get(page[start : page.index(".ics", start) + 4])
    assert answer.status_code == 200
    return answer.data, answer.headers["ETag"]


def opened(client: FlaskClient, path: str) -> dict[str, tuple[int, str]]:
    """The counsellor's pages, and those of a student with the class: status, and text without forms' numbers."""
    pages = [path, *(f"{path}/{name}" for name in ("rows", "row/c-0", "going", "hand-outs", "again"))]
    pages += links_of(client, path, "C-0")
    answers = {page: client.get(page) for page in pages}
    return {
        page: (one.status_code, re.sub(r"<input type=.hidden.[^>]*>", "", one.text)) for page, one in answers.items()
    }


def test_a_cohort_comes_back_whole_and_what_was_cut_goes_on(places: tuple[str, str], tmp_path: Path) -> None:
    first, second = places
    with service(first, tmp_path) as app:
        client = app.test_client()
        runner(app).ending.set()
        path = urlsplit(hand_in(client, roster(*ROWS), courses=TOGETHER).location).path
        asked = count()
        plan_all(app, path, stopped=lambda: next(asked) > 12)  # it is asked before each row
        before, calendars, whole = opened(client, path), feeds(client, path), class_feed(client, path)
        done = {key: one for key, one in members(app, path).items() if one.status}
        assert 0 < len(done) < len(ROWS)
        assert {page: status for page, (status, _) in before.items() if status != 200} == {}
        key = tmp_path / "data" / "key"
        engine = served.service_of(app).engine
        made = upkeep.backup(engine, tmp_path / "backups", key_file=key, now=served.service_of(app).clock())
        plan_all(app, path)  # what came after the backup is not in it
        never_cut = outcomes(app, path)
        results = {name: row["outcome"] for name, row in everything(client, path)[0].items()}

    empty = store.open_engine(second)
    upkeep.restore(empty, made, key_file=tmp_path / "elsewhere" / "data" / "key")
    empty.dispose()
    with service(second, tmp_path / "elsewhere") as app:
        chance: Any = served.service_of(app).entropy
        chance.calls = 1000  # what comes now never came before
        client = app.test_client()
        assert opened(client, path) == before
        assert feeds(client, path) == calendars
        assert class_feed(client, path) == whole
        assert {key: one for key, one in members(app, path).items() if one.status} == done

        runner(app).start_all()
        runner(app).wait()
        after = members(app, path)
        assert {name: after[name] for name in done} == done
        assert outcomes(app, path) == never_cut
        assert {name: row["outcome"] for name, row in everything(client, path)[0].items()} == results
        found = feeds(client, path)
        assert {name: found[name] for name in calendars} == calendars
        assert len(found) == len(ROWS)
        assert class_feed(client, path) == whole
        assert len(events(found["C-2"][0])) > 10

        changed = [*ROWS[:2], ROWS[2].replace(",,,,,,,,", ",,,,,,,2027-01-20..2027-01-24,", 1), *ROWS[3:]]
        assert hand_in(client, roster(*changed), f"{path}/again", courses=TOGETHER).status_code == 200
        runner(app).wait()
        again = feeds(client, path)
        assert {name for name in found if again[name] != found[name]} == {"C-2"}
