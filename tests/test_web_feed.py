"""The feed over HTTP: what each request is answered, whatever happens behind it, and what real clients make of it."""

from __future__ import annotations

import email.utils
import http.client
import os
import re
import socket
import subprocess
import threading
from datetime import UTC, datetime, timedelta
from hashlib import sha256
from shutil import which
from typing import TYPE_CHECKING, Any

import pytest
import requests
from cachecontrol import CacheControl
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from sqlalchemy import event, update

from calplan import ical
from calplan.planner import make_plan
from calplan.request import from_mapping
from tests import judges, plans, postgres, served
from tests.conftest import extra
from tests.linter import lint
from web import feed, store
from web.feed_bytes import PLACEHOLDERS, is_whole, with_tokens
from web.feed_glance import glance
from web.feed_memory import PER_FEED, Bodies, Fetches, Whole
from web.powers import TOKEN_LENGTH, Power

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from flask import Flask
    from werkzeug.test import TestResponse

    from web.store import Kept

CALENDAR_TYPE = "text/calendar; charset=utf-8"


@pytest.fixture
def kept(app: Flask) -> Kept:
    return served.keep(app)


@pytest.fixture
def path(app: Flask, kept: Kept) -> str:
    return served.feed_path(app, kept.id)


def broken(monkeypatch: pytest.MonkeyPatch, app: Flask, error: Exception) -> None:
    """From now on every read of a feed fails."""

    def fail(*_: Any) -> Any:
        raise error

    monkeypatch.setattr(app.extensions["calplan.feeds"], "state", fail)


# --------------------------------------------------------------------------------------------------- bytes and tokens

TOKENS = st.text("ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_", min_size=44, max_size=44)


def real_plans() -> list[tuple[Any, Any]]:
    """Plans by hand, and plans that the scheduler made."""
    made = []
    for name in ("chemistry-3", "chemistry-30", "weekends-only"):
        request = from_mapping(served.mapping_of(name))
        made.append((request, make_plan(request, {}, as_of=served.NOW, seed=name)))
    return [plans.chemistry(), plans.two_exams(), *made]


PLANS = real_plans()


def rendered(number: int, address: str, feed_token: str, check_in: str) -> bytes:
    request, plan = PLANS[number]
    links = ical.Links(source=f"{address}/feed/{feed_token}.ics", check_in=f"{address}/block/{check_in}/{{uid}}")
    return ical.feed(plan, request, links=links, alarms=10).data


@given(st.integers(0, len(PLANS) - 1), st.integers(0, 80), TOKENS, TOKENS)
@settings(max_examples=60)
def test_tokens_put_in_give_what_rendering_with_them_gives(number, length, feed_token, check_in):
    """Addresses of every length, so that a fold (RFC 5545 §3.1) cuts a placeholder at every place."""
    assume(feed_token != check_in)
    address = f"https://{'x' * length}.example.org"
    stored = rendered(number, address, PLACEHOLDERS[Power.FEED], PLACEHOLDERS[Power.CHECK_IN])
    sent = with_tokens(stored, {Power.FEED: feed_token, Power.CHECK_IN: check_in})
    assert sent == rendered(number, address, feed_token, check_in)
    unfolded = sent.replace(b"\r\n ", b"")
    assert unfolded.count(feed_token.encode()) == 1
    assert unfolded.count(check_in.encode()) > 1


def test_every_place_of_a_fold_was_met():
    """What the law above relies on: over these lengths, folds do cut placeholders at every place there is."""
    met = set()
    pattern = re.compile(rb"(?:\r\n )?".join(bytes([c]) for c in PLACEHOLDERS[Power.CHECK_IN].encode()))
    for length in range(81):
        body = rendered(0, f"https://{'x' * length}.example.org", *PLACEHOLDERS.values())
        met |= {found[0].find(b"\r\n") for found in pattern.finditer(body)}
    assert met >= set(range(1, TOKEN_LENGTH))


def test_placeholders_are_like_tokens_and_unlike_each_other():
    assert {len(text) for text in PLACEHOLDERS.values()} == {TOKEN_LENGTH}
    assert all(re.fullmatch(r"[A-Za-z0-9_-]+", text) for text in PLACEHOLDERS.values())
    assert len(set(PLACEHOLDERS.values())) == 2


@pytest.mark.parametrize("token", ["", "x" * 43, "x" * 45])
def test_a_token_of_another_length_would_spoil_the_folds_and_is_refused(token):
    with pytest.raises(ValueError, match="44 characters"):
        with_tokens(b"", {Power.FEED: token})


@pytest.mark.parametrize(
    ("body", "whole"),
    [
        (b"BEGIN:VCALENDAR\r\nVERSION:2.0\r\nEND:VCALENDAR\r\n", True),
        (b"", False),
        (b"<!doctype html>", False),
        (b"BEGIN:VCALENDAR\r\nVERSION:2.0\r\nEND:VCALENDAR", False),
        (b"BEGIN:VCALENDAR\r\nVERSION:2.0\r\nEND:VCALENDAR\n", False),
        (b"BEGIN:VCALENDAR\r\nBEGIN:VEVENT\r\nSUMM", False),
        (b"\xef\xbb\xbfBEGIN:VCALENDAR\r\nEND:VCALENDAR\r\n", False),
    ],
)
def test_whole_calendars_are_told_from_everything_else(body, whole):
    assert is_whole(body) is whole


def test_what_is_stored_holds_no_token_and_what_is_sent_holds_them(app, client, kept, path):
    with store.reading(served.service_of(app).engine) as connection:
        found = store.feed_body(connection, kept.id)
    assert found is not None
    sent = client.get(path).data
    for power in (Power.FEED, Power.CHECK_IN):
        token = served.token(app, power, kept.id).encode()
        assert token in sent.replace(b"\r\n ", b"")
        assert token not in found[1].replace(b"\r\n ", b"")
    assert len(found[1]) == len(sent)


# ------------------------------------------------------------------------------------------------------------- 200


def test_the_calendar_with_its_headers_and_no_others(client, path, clock):
    """The whole list: no Vary, no Content-Disposition, no Content-Encoding, no Set-Cookie, no redirect."""
    answer = client.get(path)
    assert answer.status == "200 OK"
    assert dict(answer.headers) == {
        "Content-Type": CALENDAR_TYPE,
        "Content-Length": str(len(answer.data)),
        "ETag": f'"{sha256(answer.data).hexdigest()[:32]}"',
        "Last-Modified": email.utils.format_datetime(clock.now, usegmt=True),
        "Cache-Control": "private, no-cache",
        "X-Content-Type-Options": "nosniff",
        "Referrer-Policy": "same-origin",
        "X-Robots-Tag": "noindex",
    }
    assert is_whole(answer.data)


@pytest.mark.parametrize(
    "fields",
    [
        {"Accept": "text/html"},
        {"Accept": "application/json;q=1, text/calendar;q=0"},
        {"Accept-Encoding": "gzip, br, zstd"},
        {"Accept-Language": "de", "Accept-Charset": "latin-1"},
        {"User-Agent": "Mozilla/5.0"},
        {"Range": "bytes=0-9"},
        {"Origin": "https://elsewhere.example", "Sec-Fetch-Site": "cross-site"},
        {"Cookie": "a=b"},
        {"Host": "elsewhere.example"},
    ],
)
def test_nothing_is_negotiated(client, path, fields):
    """Some clients send no Accept, others one that names no calendar; all get the same bytes and the same headers."""
    plain, asked = client.get(path), client.get(path, headers=fields)
    assert (asked.status, asked.data, dict(asked.headers)) == (plain.status, plain.data, dict(plain.headers))


def test_a_query_is_nothing_to_the_feed(client, path):
    """Some clients add one to get round a cache."""
    assert client.get(f"{path}?nocache=1").status_code == 200


def test_head_is_get_without_the_body(client, path):
    """RFC 9110 §9.3.2: the same headers, Content-Length with them."""
    head, get = client.head(path), client.get(path)
    assert (head.status, dict(head.headers), head.data) == (get.status, dict(get.headers), b"")


@pytest.mark.parametrize("method", ["POST", "PUT", "DELETE", "PATCH", "OPTIONS", "PROPFIND", "REPORT", "TRACE"])
def test_other_methods_are_405_and_told_what_is_allowed(client, path, method):
    """RFC 9110 §15.5.6. Calendar programs try PROPFIND first, to see whether they may write."""
    answer = client.open(path, method=method, data=b"x")
    assert (answer.status_code, answer.headers["Allow"]) == (405, "GET, HEAD")
    assert answer.mimetype == "text/plain"


def test_the_same_bytes_and_validators_until_the_plan_changes(tmp_path, app, client, clock, path, kept):
    """Not the clock, forwards or backwards, not a restart, not another fetch."""
    first = client.get(path)
    for days in (-2, 0.5, 30, 400):
        clock.forward(days=days)
        for other in (app, served.application(tmp_path, clock)):
            again = other.test_client().get(path)
            assert (again.data, dict(again.headers)) == (first.data, dict(first.headers))
    served.change_alarm(app, kept.id, 10)
    changed = client.get(path)
    assert changed.data != first.data
    assert changed.headers["ETag"] == f'"{sha256(changed.data).hexdigest()[:32]}"'
    assert changed.headers["Last-Modified"] == email.utils.format_datetime(clock.now, usegmt=True)


def test_foreign_parsers_read_the_served_bytes(client, path, kept):
    """Each sees the same events, as many as the plan has blocks and exams."""
    data = client.get(path).data
    assert lint(data) == []
    seen = judges.assert_agree(data)
    assert len(seen) == data.count(b"BEGIN:VEVENT\r\n") > 20


def test_the_feed_has_a_name_to_build_links_with(app, client):
    with app.test_request_context():
        assert app.url_for("feed.feed", token="abc") == "/feed/abc.ics"


# -------------------------------------------------------------------------------------------------------- conditional

BEFORE, AT, AFTER = "Tue, 05 Jan 2027 11:59:59 GMT", "Tue, 05 Jan 2027 12:00:00 GMT", "Tue, 05 Jan 2027 12:00:01 GMT"

CONDITIONS = [
    # If-None-Match: weak comparison (RFC 9110 §13.1.2, §8.8.3.2)
    ({"If-None-Match": '"{}"'}, 304),
    ({"If-None-Match": 'W/"{}"'}, 304),
    ({"If-None-Match": '"a", "{}"'}, 304),
    ({"If-None-Match": '"a" , W/"{}","b"'}, 304),
    ({"If-None-Match": '"with, a comma", "{}"'}, 304),
    ({"If-None-Match": "*"}, 304),
    ({"If-None-Match": '"a"'}, 200),
    ({"If-None-Match": '"a", W/"b"'}, 200),
    ({"If-None-Match": '"{}x"'}, 200),
    ({"If-None-Match": ""}, 200),
    ({"If-None-Match": ",,,"}, 200),
    # If-None-Match first, and then no date counts (§13.1.3, §13.2.2)
    ({"If-None-Match": '"a"', "If-Modified-Since": AFTER}, 200),
    ({"If-None-Match": '"{}"', "If-Modified-Since": BEFORE}, 304),
    # If-Modified-Since: later than, by the second (§13.1.3)
    ({"If-Modified-Since": BEFORE}, 200),
    ({"If-Modified-Since": AT}, 304),
    ({"If-Modified-Since": AFTER}, 304),
    # the two older forms of a date, which a recipient must read (§5.6.7)
    ({"If-Modified-Since": "Tuesday, 05-Jan-27 12:00:00 GMT"}, 304),
    ({"If-Modified-Since": "Tue Jan  5 12:00:00 2027"}, 304),
    ({"If-Modified-Since": "Tue Jan  5 11:59:59 2027"}, 200),
    # a date that is none is ignored (§13.1.3)
    ({"If-Modified-Since": "yesterday"}, 200),
    ({"If-Modified-Since": ""}, 200),
    ({"If-Modified-Since": "Tue, 45 Jan 2027 12:00:00 GMT"}, 200),
    ({"If-Modified-Since": "0"}, 200),
    # If-Match: strong comparison (§13.1.1), else If-Unmodified-Since (§13.1.4); both before the others (§13.2.2)
    ({"If-Match": '"{}"'}, 200),
    ({"If-Match": '"a", "{}"'}, 200),
    ({"If-Match": "*"}, 200),
    ({"If-Match": 'W/"{}"'}, 412),
    ({"If-Match": '"a"'}, 412),
    ({"If-Match": '"a"', "If-None-Match": '"{}"'}, 412),
    ({"If-Match": '"{}"', "If-None-Match": '"{}"'}, 304),
    ({"If-Match": '"{}"', "If-Unmodified-Since": BEFORE}, 200),
    ({"If-Unmodified-Since": AT}, 200),
    ({"If-Unmodified-Since": AFTER}, 200),
    ({"If-Unmodified-Since": BEFORE}, 412),
    ({"If-Unmodified-Since": "soon"}, 200),
    # Range is not offered, so If-Range means nothing (§13.1.5, §14.2)
    ({"If-Range": '"{}"', "Range": "bytes=0-4"}, 200),
]


@pytest.mark.parametrize("method", ["GET", "HEAD"])
@pytest.mark.parametrize(("fields", "status"), CONDITIONS)
def test_conditional_requests(client, path, clock, method, fields, status):
    """RFC 9110 §13, row by row; ``{}`` stands for the present entity tag."""
    plain = client.get(path)
    tag = plain.headers["ETag"].strip('"')
    asked = {name: value.replace("{}", tag) for name, value in fields.items()}
    answer = client.open(path, method=method, headers=asked)
    assert answer.status_code == status
    assert answer.data == (plain.data if (status, method) == (200, "GET") else b"") or status == 412
    if status == 304:
        # §15.4.5: what a 200 would have said of these, and no Content-Length or Content-Type
        alike = ("ETag", "Last-Modified", "Cache-Control")
        assert {name: answer.headers[name] for name in alike} == {name: plain.headers[name] for name in alike}
        assert not {"Content-Length", "Content-Type"} & set(answer.headers.keys())


def test_fractions_of_a_second_do_not_make_a_date_later(app, client, clock):
    """Last-Modified has whole seconds, so a client that sends it back has the present bytes."""
    clock.forward(microseconds=999_999)
    path = served.feed_path(app, served.keep(app, "chemistry-10").id)
    said = client.get(path).headers["Last-Modified"]
    assert client.get(path, headers={"If-Modified-Since": said}).status_code == 304


@given(
    st.dictionaries(
        st.sampled_from(["If-None-Match", "If-Modified-Since", "If-Match", "If-Unmodified-Since"]),
        st.text(st.characters(min_codepoint=32, max_codepoint=255, blacklist_characters="\x7f"), max_size=60)
        | st.datetimes().map(lambda moment: email.utils.format_datetime(moment)[:60])
        | st.from_regex(r"\A[A-Z][a-z]{2}, [0-9]{1,3} [A-Z][a-z]{2} [0-9]{1,6} [0-9:]{1,9} ([+-][0-9]{2,6}|GMT)\Z"),
    )
)
def test_no_condition_is_a_fault(fields):
    """Whatever stands in them, a decision comes out."""
    environ = {f"HTTP_{name.upper().replace('-', '_')}": value for name, value in fields.items()}
    assert feed.still(environ, "e", served.NOW) in (True, False)
    assert feed.unchanged(environ, "e", served.NOW) in (True, False)


# -------------------------------------------------------------------------------------------------------- 404 and 410


UNKNOWN = {
    "nothing": "/feed/.ics",
    "no token at all": "/feed/",
    "a word": "/feed/calendar.ics",
    "a forged token": f"/feed/{'A' * TOKEN_LENGTH}.ics",
    "one character less": "/feed/{less}.ics",
    "one character more": "/feed/{good}A.ics",
    "another power": "/feed/{manage}.ics",
    "another ending": "/feed/{good}.ical",
    "no ending": "/feed/{good}",
    "a slash behind": "/feed/{good}.ics/",
    "a slash between": "/feed//{good}.ics",
    "a folder up": "/feed/../feed/{good}.ics",
    "a file below": "/feed/{good}.ics/x",
    "capitals": "/feed/{good}.ICS",
    "a NUL": "/feed/{good}%00.ics",
    "not ASCII": f"/feed/{'é' * TOKEN_LENGTH}.ics",
    "not UTF-8": "/feed/%ff%fe.ics",
    "very long": f"/feed/{'A' * 100_000}.ics",
}


def unknown(app: Flask, kept: Kept, name: str) -> str:
    """One of these addresses, made from those of a plan that exists."""
    good = served.token(app, Power.FEED, kept.id)
    return UNKNOWN[name].format(good=good, less=good[:-1], manage=served.token(app, Power.MANAGE, kept.id))


@pytest.mark.parametrize("name", UNKNOWN)
def test_an_address_that_never_was_is_404_in_few_words(app, client, kept, name):
    """No redirect to a better one: a program would keep either, and both must go on working for years."""
    answer = client.get(unknown(app, kept, name))
    assert (answer.status_code, answer.mimetype, answer.headers.get("Location")) == (404, "text/plain", None)
    assert len(answer.data) < 200
    assert answer.headers["Cache-Control"] == "no-store"


def counted(app: Flask) -> list[str]:
    """The statements that the database itself meets from now on."""
    seen: list[str] = []
    engine = served.service_of(app).engine
    event.listen(engine, "checkout", lambda raw, record, proxy: raw.set_trace_callback(seen.append))
    return seen


def test_a_token_that_was_not_made_here_costs_no_look_into_the_database(app, client, kept):
    seen = counted(app)
    for name in UNKNOWN:
        client.get(unknown(app, kept, name))
    assert seen == []


def test_a_304_and_a_repeated_200_are_one_read_by_key_and_without_the_bytes(app, client, path):
    first = client.get(path)
    seen = counted(app)
    assert client.get(path).status_code == 200
    assert client.get(path, headers={"If-None-Match": first.headers["ETag"]}).status_code == 304
    assert [statement.split()[0] for statement in seen] == ["SELECT", "SELECT"]  # and no transaction around them
    assert not any("body" in statement for statement in seen)
    with store.reading(served.service_of(app).engine) as connection:
        plan = connection.exec_driver_sql(f"EXPLAIN QUERY PLAN {seen[0]}").fetchall()
    assert [row[-1] for row in plan] == ["SEARCH feeds USING PRIMARY KEY (plan_id=?)"]


def test_a_replaced_link_is_410_and_the_new_one_works(app, client, kept, path):
    client.get(path)
    served.replace_feed(app, kept.id)
    gone = client.get(path)
    assert (gone.status_code, gone.mimetype, gone.headers["Cache-Control"]) == (410, "text/plain", "no-store")
    assert b"new link" in gone.data
    new = client.get(served.feed_path(app, kept.id, 2))
    assert new.status_code == 200
    assert path.encode() not in new.data.replace(b"\r\n ", b"")


def test_a_deleted_plan_is_410_also_to_those_that_have_its_bytes(app, client, kept, path):
    tag = client.get(path).headers["ETag"]
    served.delete(app, kept.id)
    for fields in ({}, {"If-None-Match": tag}, {"If-None-Match": "*"}, {"If-Match": '"x"'}):
        assert client.get(path, headers=fields).status_code == 410
    assert client.head(path).data == b""


def test_an_address_that_guesses_is_slowed_and_those_who_know_are_not(tmp_path, clock):
    """Misses an hour are limited; a school behind one address goes on fetching what it has."""
    app = served.application(tmp_path, clock, misses=3)
    path, client = served.feed_path(app, served.keep(app).id), app.test_client()
    assert [client.get("/feed/x.ics").status_code for _ in range(5)] == [404, 404, 404, 429, 429]
    slowed = client.get("/feed/x.ics")
    assert slowed.headers["Retry-After"] == "1200"
    assert client.get(path).status_code == 200
    assert client.get("/feed/x.ics", environ_base={"REMOTE_ADDR": "127.0.0.2"}).status_code == 404
    clock.forward(seconds=1200)
    assert client.get("/feed/x.ics").status_code == 404


# --------------------------------------------------------------------------------------------------------------- faults

FAULTS = [store.Unavailable(), RuntimeError("a fault of ours"), MemoryError(), KeyError("x"), RecursionError()]


@pytest.mark.parametrize("error", FAULTS, ids=lambda error: type(error).__name__)
def test_on_a_fault_the_last_good_bytes_go_on(monkeypatch, app, client, path, error):
    good = client.get(path)
    broken(monkeypatch, app, error)
    again = client.get(path)
    assert (again.status, again.data, dict(again.headers)) == (good.status, good.data, dict(good.headers))
    assert client.get(path, headers={"If-None-Match": good.headers["ETag"]}).status_code == 304
    assert client.head(path).headers["Content-Length"] == good.headers["Content-Length"]


@pytest.mark.parametrize("error", FAULTS, ids=lambda error: type(error).__name__)
@pytest.mark.parametrize("fields", [{}, {"If-None-Match": "*"}, {"If-Modified-Since": AFTER}])
def test_on_a_fault_without_good_bytes_it_is_503_in_words(monkeypatch, app, client, path, error, fields):
    """Nothing is known then, not even that nothing has changed."""
    broken(monkeypatch, app, error)
    answer = client.get(path, headers=fields)
    assert (answer.status_code, answer.mimetype, answer.headers["Retry-After"]) == (503, "text/plain", "60")
    assert answer.headers["Cache-Control"] == "no-store"
    assert b"Traceback" not in answer.data


@pytest.mark.parametrize("body", [b"", b"<!doctype html>", b"BEGIN:VCALENDAR\r\nVERS", b"\0" * 9_000])
@pytest.mark.parametrize("known", [True, False])
def test_broken_bytes_are_never_sent(app, client, kept, path, body, known):
    """With a new ETag too, as if a change had been written badly."""
    good = client.get(path) if known else None
    with store.writing(served.service_of(app).engine) as connection:
        connection.execute(update(store.feeds).values(etag="0" * 32))
        connection.execute(update(store.bodies).values(body=body))
    answer = client.get(path)
    assert answer.status_code == (200 if known else 503)
    assert good is None or answer.data == good.data


def test_what_ended_is_not_shown_by_a_fault(monkeypatch, app, client, kept, path):
    """The last good bytes go with the link, once its end is known."""
    client.get(path)
    served.replace_feed(app, kept.id)
    assert client.get(path).status_code == 410
    broken(monkeypatch, app, store.Unavailable())
    assert client.get(path).status_code == 503


def test_a_view_that_ends_a_link_can_drop_its_bytes_at_once(monkeypatch, app, client, kept, path):
    client.get(path)
    with app.app_context():
        feed.forget(kept.id)
    broken(monkeypatch, app, store.Unavailable())
    assert client.get(path).status_code == 503


def test_an_old_links_bytes_are_not_the_new_ones(monkeypatch, app, client, kept, path):
    served.replace_feed(app, kept.id)
    new = served.feed_path(app, kept.id, 2)
    assert client.get(new).status_code == 200
    broken(monkeypatch, app, store.Unavailable())
    assert (client.get(new).status_code, client.get(path).status_code) == (200, 503)


def test_a_long_outage_writes_one_trace_a_minute(monkeypatch, app, caplog, client, path, clock):
    broken(monkeypatch, app, store.Unavailable())
    for _ in range(5):
        client.get(path)
    assert len([record for record in caplog.records if record.name == "web.feed"]) == 1
    clock.forward(minutes=1)
    client.get(path)
    assert len([record for record in caplog.records if record.name == "web.feed"]) == 2


def test_every_200_is_whole_and_true_while_the_plan_changes(app, kept, path):
    """Readers beside a writer: whatever they get has the tag of its bytes, and is a whole calendar."""
    wrong: list[str] = []
    stop = threading.Event()

    def read() -> None:
        client = app.test_client()
        while not stop.is_set():
            answer = client.get(path)
            if answer.status_code != 200 or not is_whole(answer.data):
                wrong.append(f"{answer.status} {answer.data[:40]!r}")
            elif answer.headers["ETag"] != f'"{sha256(answer.data).hexdigest()[:32]}"':
                wrong.append("another tag than that of the bytes")

    readers = [threading.Thread(target=read) for _ in range(3)]
    for reader in readers:
        reader.start()
    try:
        for minutes in range(40):
            served.change_alarm(app, kept.id, minutes)
    finally:
        stop.set()
        for reader in readers:
            reader.join()
    assert wrong == []


@given(st.lists(st.tuples(st.sampled_from("abcdef"), st.integers(0, 3_000)), max_size=40))
def test_the_memory_of_good_bytes_is_bounded_and_keeps_the_latest(puts):
    bodies = Bodies(most_bytes=6_000)
    for plan_id, size in puts:
        whole = Whole("e", served.NOW, 1, b"x" * size)
        bodies.put(plan_id, whole)
        held = {one: bodies.get(one) for one in "abcdef"}
        assert bodies.size == sum(PER_FEED + len(one.body) for one in held.values() if one) <= 6_000
        assert held[plan_id] == whole


def test_the_feed_that_is_asked_for_stays_in_memory():
    bodies = Bodies(most_bytes=3 * (PER_FEED + 100))
    for plan_id in "abc":
        bodies.put(plan_id, Whole("e", served.NOW, 1, b"x" * 100))
    bodies.get("a")
    bodies.put("d", Whole("e", served.NOW, 1, b"x" * 100))
    assert [plan_id for plan_id in "abcd" if bodies.get(plan_id)] == ["a", "c", "d"]


def test_a_connection_that_failed_is_not_used_again(app, client, path):
    """The database went away and came back: the first fetch meets the broken connection, the second a new one."""
    good = client.get(path)
    engine = served.service_of(app).engine
    broken_ones = []
    for _ in range(engine.pool.checkedin()):
        pooled = engine.raw_connection()
        broken_ones.append(pooled)
    for pooled in broken_ones:
        pooled.driver_connection.close()
        pooled.close()
    for _ in range(len(broken_ones) + 1):
        assert client.get(path).data == good.data
    assert client.get(path, headers={"If-None-Match": "*"}).status_code == 304
    assert client.get(path, headers={"If-None-Match": '"x"'}).status_code == 200


def test_a_plan_that_ends_between_the_look_and_the_read_is_410(monkeypatch, app, client, kept, path):
    feeds, look = app.extensions["calplan.feeds"], app.extensions["calplan.feeds"].state

    def look_and_lose(plan_id: str) -> Any:
        state = look(plan_id)
        served.delete(app, plan_id)
        return state

    monkeypatch.setattr(feeds, "state", look_and_lose)
    assert client.get(path).status_code == 410


@pytest.mark.parametrize("kind", postgres.ENGINES)
def test_a_glance_says_what_the_store_says(request, kind):
    """On both databases, for what is there, what is not, and what has changed."""
    with postgres.database(kind, request) as address:
        engine = store.open_engine(address)
        store.migrate(engine)
        state = glance(engine)
        moment = served.NOW + timedelta(microseconds=7)
        kept = store.Kept("plan", 1, "s", "{}", b"{}", moment, moment, moment.date(), None, False, 1, 1, 1)
        with store.writing(engine) as connection:
            store.create(connection, kept, store.Rendered("e", moment, b"x"), {}, read_at=moment)
        assert state("plan") == store.FeedState(1, "e", moment)
        assert state("another") is None
        with store.writing(engine) as connection:
            store.replace_link(connection, "plan", Power.FEED)
        for _ in range(40):
            assert state("plan") == store.FeedState(2, "e", moment)
        assert engine.pool.checkedout() == 0
        engine.dispose()


# --------------------------------------------------------------------------------------------------------- last fetched


def noted(app: Flask, plan_id: str) -> datetime | None:
    """What is written down."""
    with store.reading(served.service_of(app).engine) as connection:
        return store.last_fetched(connection, plan_id)


def shown(app: Flask, plan_id: str) -> datetime | None:
    """What a page would show."""
    with app.app_context(), store.reading(served.service_of(app).engine) as connection:
        return feed.last_fetched(connection, plan_id)


def test_fetches_are_written_once_a_minute_in_one_batch(app, client, clock, kept, path):
    writes = counted(app)
    for _ in range(59):
        client.get(path)
        clock.forward(seconds=1)
    assert not [statement for statement in writes if statement.startswith("UPDATE")]
    assert (noted(app, kept.id), shown(app, kept.id)) == (None, clock.now - timedelta(seconds=1))
    clock.forward(seconds=1)
    client.get(path).close()
    assert len([statement for statement in writes if statement.startswith("UPDATE")]) == 1
    assert noted(app, kept.id) == shown(app, kept.id) == clock.now


@pytest.mark.parametrize("how", ["get", "head", "not changed", "last good bytes"])
def test_every_answer_that_tells_of_the_calendar_is_a_fetch(monkeypatch, app, client, clock, kept, path, how):
    tag = client.get(path).headers["ETag"]
    clock.forward(seconds=30)
    if how == "last good bytes":
        broken(monkeypatch, app, store.Unavailable())
    fields = {"If-None-Match": tag} if how == "not changed" else {}
    client.open(path, method="HEAD" if how == "head" else "GET", headers=fields)
    assert shown(app, kept.id) == clock.now


def test_a_miss_and_an_ended_link_are_no_fetch(app, client, clock, kept, path):
    served.replace_feed(app, kept.id)
    client.get(path)
    client.get("/feed/x.ics")
    client.post(served.feed_path(app, kept.id, 2))
    assert shown(app, kept.id) is None


def test_fetches_that_cannot_be_written_are_kept_and_disturb_no_one(monkeypatch, app, client, clock, kept, path):
    client.get(path)
    first = clock.now
    with monkeypatch.context() as patched:
        patched.setattr(store, "mark_fetched", lambda *_: (_ for _ in ()).throw(store.Unavailable()))
        clock.forward(minutes=2)
        client.get("/feed/x.ics").close()
    assert (noted(app, kept.id), shown(app, kept.id)) == (None, first)
    clock.forward(minutes=2)
    client.get("/feed/x.ics").close()
    assert noted(app, kept.id) == first


def test_the_last_minute_is_written_at_the_end(app, client, clock, kept, path):
    client.get(path)
    feed.close(app)
    assert noted(app, kept.id) == clock.now


def test_of_two_at_once_one_writes_all():
    fetches = Fetches(served.NOW)
    fetches.note("a", served.NOW)
    later = served.NOW + timedelta(minutes=1)
    assert fetches.due(later)
    assert fetches.take(later) == {"a": served.NOW}
    assert not fetches.due(later)
    assert fetches.take(later) == {}


def test_a_clock_that_was_set_back_does_not_stop_the_notes():
    fetches = Fetches(served.NOW)
    fetches.note("a", served.NOW)
    assert fetches.due(served.NOW - timedelta(hours=1))


def test_what_is_put_back_does_not_hide_what_is_newer():
    fetches = Fetches(served.NOW)
    later = served.NOW + timedelta(seconds=5)
    fetches.note("a", later)
    fetches.put_back({"a": served.NOW, "b": served.NOW})
    assert fetches.take(later) == {"a": later, "b": served.NOW}


# --------------------------------------------------------------------------------------------------------------- health


def test_health_says_fine_and_nothing_else(client):
    answer = client.get("/health")
    assert (answer.status_code, answer.data, answer.mimetype) == (200, b"fine\n", "text/plain")
    assert answer.headers["Cache-Control"] == "no-store"


def test_health_is_503_where_the_database_does_not_answer(monkeypatch, client):
    monkeypatch.setattr(store, "alive", lambda connection: False)
    assert client.get("/health").status_code == 503

    def fail(engine: Any) -> Any:
        raise store.Unavailable

    monkeypatch.setattr(store, "reading", fail)
    answer = client.get("/health")
    assert (answer.status_code, answer.data, answer.headers["Retry-After"]) == (503, b"not now\n", "60")


# --------------------------------------------------------------------------------------------------------- real clients


@pytest.fixture
def port(app: Flask) -> Iterator[int]:
    with served.live(app) as port:
        yield port


def curl(*words: str, folder: Path) -> str:
    """What curl says of an answer; its own reading of the bytes goes to files."""
    done = subprocess.run(["curl", "-sS", *words], cwd=folder, capture_output=True, text=True, timeout=30, check=True)
    return done.stdout


def test_curl_keeps_a_calendar_up_to_date(tmp_path, app, kept, path, port):
    """A client with its own memory of entity tags: the calendar, then 304, then the changed calendar."""
    extra("curl", which("curl") is not None, "Debian: curl")
    address = f"http://127.0.0.1:{port}{path}"
    words = ["--etag-save", "tag", "--etag-compare", "tag", "-o", "plan.ics", "-w", "%{http_code}", address]
    (tmp_path / "tag").touch()
    assert curl(*words, folder=tmp_path) == "200"
    first = (tmp_path / "plan.ics").read_bytes()
    assert is_whole(first)
    assert (tmp_path / "tag").read_text().strip() == f'"{sha256(first).hexdigest()[:32]}"'
    assert curl(*words, folder=tmp_path) == "304"
    served.change_alarm(app, kept.id, 15)
    assert curl(*words, folder=tmp_path) == "200"
    changed = (tmp_path / "plan.ics").read_bytes()
    assert is_whole(changed)
    assert b"BEGIN:VALARM" in changed
    assert b"BEGIN:VALARM" not in first


def test_curl_keeps_a_calendar_up_to_date_by_its_date(tmp_path, app, clock, kept, path, port):
    """The same with the file's time and If-Modified-Since (curl -z and -R)."""
    extra("curl", which("curl") is not None, "Debian: curl")
    words = ["-R", "-z", "plan.ics", "-o", "plan.ics", "-w", "%{http_code}", f"http://127.0.0.1:{port}{path}"]
    (tmp_path / "plan.ics").touch()
    os.utime(tmp_path / "plan.ics", (0, 0))
    assert curl(*words, folder=tmp_path) == "200"
    assert curl(*words, folder=tmp_path) == "304"
    clock.forward(days=1)
    served.change_alarm(app, kept.id, 15)
    assert curl(*words, folder=tmp_path) == "200"


def test_a_general_http_cache_revalidates_and_never_serves_what_is_old(app, kept, path, port):
    """CacheControl is a cache after RFC 9111 that nobody here wrote; no-cache makes it ask each time (§5.2.2.4)."""
    with requests.Session() as plain:
        session = CacheControl(plain)
        address = f"http://127.0.0.1:{port}{path}"
        first = session.get(address, timeout=10)
        again = session.get(address, timeout=10)
        assert (first.status_code, again.status_code) == (200, 200)
        assert (first.from_cache, again.from_cache) == (False, True)
        assert first.content == again.content
        served.change_alarm(app, kept.id, 15)
        changed = session.get(address, timeout=10)
        assert (changed.status_code, changed.from_cache) == (200, False)
        assert b"BEGIN:VALARM" in changed.content
        served.replace_feed(app, kept.id)
        assert session.get(address, timeout=10).status_code == 410


def ask(port: int, request: bytes) -> tuple[int, dict[str, str], bytes]:
    """Sends these very bytes and gives what comes back until the server closes."""
    with socket.create_connection(("127.0.0.1", port), timeout=10) as wire:
        wire.sendall(request)
        answer = http.client.HTTPResponse(wire, method=request.split(b" ", 1)[0].decode())
        answer.begin()
        body = answer.read()
        return answer.status, {name.lower(): value for name, value in answer.getheaders()}, body


def test_head_over_the_wire(path, port):
    """RFC 9110 §9.3.2: no content follows, and the length is that of GET."""
    status, fields, body = ask(port, f"HEAD {path} HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n".encode())
    _, same, calendar = ask(port, f"GET {path} HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n".encode())
    assert (status, body, int(fields["content-length"])) == (200, b"", len(calendar))
    assert {**fields, "date": ""} == {**same, "date": ""}
    with socket.create_connection(("127.0.0.1", port), timeout=10) as wire:
        wire.sendall(f"HEAD {path} HTTP/1.0\r\n\r\n".encode())
        raw = b"".join(iter(lambda: wire.recv(65_536), b""))
    assert raw.endswith(b"\r\n\r\n")
    assert raw.count(b"\r\n\r\n") == 1


def test_a_304_over_the_wire_has_no_content(path, port):
    """RFC 9110 §15.4.5."""
    with socket.create_connection(("127.0.0.1", port), timeout=10) as wire:
        wire.sendall(f"GET {path} HTTP/1.1\r\nHost: x\r\nIf-None-Match: *\r\nConnection: close\r\n\r\n".encode())
        raw = b"".join(iter(lambda: wire.recv(65_536), b""))
    assert raw.startswith(b"HTTP/1.1 304 ")
    assert raw.endswith(b"\r\n\r\n")
    assert b"chunked" not in raw


ODD = {
    "HTTP/1.0 without Host": ("GET {} HTTP/1.0\r\n\r\n", 200),
    "HTTP/1.0 that keeps alive": ("GET {} HTTP/1.0\r\nConnection: keep-alive\r\n\r\n", 200),
    "no Accept, no User-Agent": ("GET {} HTTP/1.1\r\nHost: h\r\nConnection: close\r\n\r\n", 200),
    "absolute form": ("GET http://h{} HTTP/1.1\r\nHost: h\r\nConnection: close\r\n\r\n", 200),  # RFC 9112 §3.2.2
    "absolute form of another host": ("GET http://a.example{} HTTP/1.1\r\nHost: h\r\nConnection: close\r\n\r\n", 200),
    "percent-encoded letters": ("GET /%66eed{} HTTP/1.1\r\nHost: h\r\nConnection: close\r\n\r\n", 200),
    "an empty Host": ("GET {} HTTP/1.1\r\nHost:\r\nConnection: close\r\n\r\n", 200),
    "HTTP/1.1 without Host": ("GET {} HTTP/1.1\r\nConnection: close\r\n\r\n", 400),  # RFC 9112 §3.2
    "content with GET": ("GET {} HTTP/1.1\r\nHost: h\r\nContent-Length: 3\r\nConnection: close\r\n\r\nabc", 200),
    "header names in any case": ("GET {} HTTP/1.1\r\nhOsT: h\r\nIF-NONE-match: *\r\nconnection: close\r\n\r\n", 304),
    "a method in small letters": ("get {} HTTP/1.1\r\nHost: h\r\nConnection: close\r\n\r\n", (400, 405)),
    "a version of the future": ("GET {} HTTP/9.9\r\nHost: h\r\n\r\n", (200, 400, 505)),
}


@pytest.mark.parametrize("name", ODD)
def test_odd_requests_get_a_calendar_or_a_clear_no(path, port, name):
    shape, expected = ODD[name]
    text = shape.format(path.removeprefix("/feed") if "/%66eed" in shape else path)
    status, fields, body = ask(port, text.encode())
    assert status in (expected if isinstance(expected, tuple) else (expected,))
    if status == 200:
        assert fields["content-type"] == CALENDAR_TYPE
        assert is_whole(body)


def test_requests_one_behind_the_other_on_one_connection(path, port):
    """RFC 9112 §9.3: the connection lasts over a 200, and the bytes of one answer do not run into the next."""
    wire = http.client.HTTPConnection("127.0.0.1", port, timeout=10)
    for _ in range(3):
        wire.request("GET", path)
        answer = wire.getresponse()
        assert is_whole(answer.read())
    wire.close()


def test_parsers_read_what_came_over_the_wire(path, port):
    _, _, body = ask(port, f"GET {path} HTTP/1.1\r\nHost: h\r\nConnection: close\r\n\r\n".encode())
    assert judges.assert_agree(body)


def served_at(response: TestResponse) -> datetime:
    """Its Last-Modified."""
    return email.utils.parsedate_to_datetime(response.headers["Last-Modified"]).astimezone(UTC)


@given(st.lists(st.integers(0, 60), min_size=1, max_size=6))
@settings(max_examples=10)
def test_a_client_that_asks_now_and_then_ends_with_the_present_bytes(tmp_path_factory, gaps):
    """Whatever the moments of changes and fetches, a tag that came back as 304 belongs to the present bytes."""
    clock = served.Clock()
    app = served.application(tmp_path_factory.mktemp("feed"), clock)
    kept = served.keep(app, "chemistry-3")
    path, client = served.feed_path(app, kept.id), app.test_client()
    mine = client.get(path)
    for number, gap in enumerate(gaps):
        clock.forward(seconds=gap)
        if gap % 2:
            served.change_alarm(app, kept.id, number)
        answer = client.get(path, headers={"If-None-Match": mine.headers["ETag"]})
        if answer.status_code == 200:
            assert gap % 2
            assert served_at(answer) == clock.now
            mine = answer
        assert mine.data == client.get(path).data
    served.service_of(app).engine.dispose()
