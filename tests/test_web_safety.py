"""Who is let in, how often, what every answer carries, and that no answer and no log gives an address away."""

from __future__ import annotations

import logging
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from datetime import timedelta
from http.client import HTTPConnection
from io import BytesIO
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from flask import Flask, Response, request
from hypothesis import given
from hypothesis import strategies as st
from werkzeug.exceptions import HTTPException, ServiceUnavailable, TooManyRequests, default_exceptions
from werkzeug.test import EnvironBuilder

from tests import served
from tests.conftest import extra
from web import safety, safety_limits, safety_logs, safety_pages, store, store_cohorts
from web.config import Settings
from web.powers import TOKEN_LENGTH, Power
from web.safety_limits import Buckets, Turns, network

if TYPE_CHECKING:
    from collections.abc import Iterator

    from werkzeug.routing import Rule

    from web.store import Kept


@pytest.fixture
def kept(app: Flask) -> Kept:
    made = served.keep(app)
    with store.writing(served.service_of(app).engine) as connection:
        store.set_view(connection, made.id, True)
    served.keep_cohort(app, made)
    return made


# ----------------------------------------------------------------------------------- every address, and who may use it

POWERS = {
    "feed.feed": Power.FEED,
    "student.plan": Power.MANAGE,
    "student.calendar": Power.MANAGE,
    "student.change": Power.MANAGE,
    "student.change_preview": Power.MANAGE,
    "student.paper": Power.MANAGE,
    "student.download": Power.MANAGE,
    "student.take_along": Power.MANAGE,
    "student.delete": Power.MANAGE,
    "student.view": Power.VIEW,
    "student.view_paper": Power.VIEW,
    "student.block": Power.CHECK_IN,
    "student.said": Power.MANAGE,
    "repairs.shown": Power.MANAGE,
    "going.shown": Power.MANAGE,
    "going.ask": Power.MANAGE,
    "repairs.undo_last": Power.MANAGE,
    "repairs.place": Power.CHECK_IN,
    "cohort.shown": Power.COHORT,
    "cohort.rows": Power.COHORT,
    "cohort.row": Power.COHORT,
    "cohort.going": Power.COHORT,
    "cohort.everything": Power.COHORT,
    "cohort.again": Power.COHORT,
    "cohort.vanished": Power.COHORT,
    "cohort.link": Power.COHORT,
    "cohort.delete": Power.COHORT,
    "cohort_acts.act": Power.COHORT,
    "cohort_acts.courses": Power.COHORT,
    "cohort_acts.dates": Power.COHORT,
    "cohort_acts.trial": Power.COHORT,
    "cohort_paper.hand_outs": Power.COHORT,
}
"""The power that each address with a token asks for."""

OPEN = {
    "student.start",
    "student.make",
    "student.preview",
    "student.help",
    "student.privacy",
    "cohort.make",
    "cohort.empty_courses",
    "cohort.empty_roster",
    "feed.health",
    "static",
}
"""Addresses that anyone may use."""

OURS = {"Sec-Fetch-Site": "same-origin"}


def test_every_address_is_in_one_of_the_two_lists(app):
    """A new address fails here until someone has said who may use it."""
    with_token = {rule.endpoint for rule in app.url_map.iter_rules() if "token" in rule.arguments}
    without = {rule.endpoint for rule in app.url_map.iter_rules() if "token" not in rule.arguments}
    assert with_token == set(POWERS)
    assert without == OPEN


def guarded(app: Flask) -> list[Rule]:
    return [rule for rule in app.url_map.iter_rules() if "token" in rule.arguments]


def methods(rule: Rule) -> list[str]:
    return sorted((rule.methods or set()) - {"OPTIONS"})


def uid_of(app: Flask, plan_id: str) -> str:
    """The UID of a plan's first block."""
    from web import plans

    with store.reading(served.service_of(app).engine) as connection:
        kept = store.find(connection, plan_id)
    assert kept is not None
    return plans.opened(kept).plan.blocks[0].uid


def member_of(app: Flask, uid: str) -> str:
    """The key of the member of a cohort whose plan begins with this block."""
    with store.reading(served.service_of(app).engine) as connection:
        found = connection.execute(store_cohorts.members_.select()).fetchall()
    return next((one.key for one in found if one.plan_id and uid_of(app, one.plan_id) == uid), "x")


def asked(app: Flask, rule: Rule, method: str, token: str, uid: str) -> Any:
    """The answer at an address with this token."""
    values = {"token": token, "uid": uid, "member": member_of(app, uid), "name": "trial"}
    _, path = rule.build({name: values[name] for name in rule.arguments}) or ("", "")
    return app.test_client().open(path, method=method, headers=OURS)


def test_only_the_right_power_opens_an_address(app, kept):
    """Every address × every method × every kind of token. What is wrong is 404, what has ended is 410."""
    uid = uid_of(app, kept.id)
    for rule in guarded(app):
        right = POWERS[rule.endpoint]
        tokens = {power.value: served.token(app, power, kept.id) for power in Power}
        tokens |= {
            "none": "x",
            "forged": "A" * TOKEN_LENGTH,
            "longer": tokens[right] + "A",
            "shorter": tokens[right][1:],
        }
        for method in methods(rule):
            for kind, token in tokens.items():
                status = asked(app, rule, method, token, uid).status_code
                if kind != right:
                    assert status == 404, (rule.rule, method, kind, status)
                elif method in ("GET", "HEAD"):
                    assert status == 200, (rule.rule, method, status)
                else:  # let in, and told what is missing in a form that is empty
                    assert status in (200, 400, 422), (rule.rule, method, status)


def test_a_replaced_link_has_ended_at_every_address(app, kept):
    uid = uid_of(app, kept.id)
    with store.writing(served.service_of(app).engine) as connection:
        for power in (Power.FEED, Power.VIEW, Power.CHECK_IN, Power.MANAGE):
            assert store.replace_link(connection, kept.id, power) == 2
        assert store_cohorts.replace_link(connection, kept.id) == 2
    for rule in guarded(app):
        power = POWERS[rule.endpoint]
        for method in methods(rule):
            old = asked(app, rule, method, served.token(app, power, kept.id, 1), uid)
            assert old.status_code == 410, (rule.rule, method)
            future = asked(app, rule, method, served.token(app, power, kept.id, 3), uid)
            assert future.status_code == 410, (rule.rule, method)
        new = asked(app, rule, "GET", served.token(app, power, kept.id, 2), uid)
        assert new.status_code in (200, 405), (rule.rule, new.status_code)


def test_a_deleted_plan_has_ended_at_every_address(app, kept):
    uid = uid_of(app, kept.id)
    served.delete(app, kept.id)
    with store.writing(served.service_of(app).engine) as connection:
        store_cohorts.delete(connection, kept.id)
    for rule in guarded(app):
        for method in methods(rule):
            answer = asked(app, rule, method, served.token(app, POWERS[rule.endpoint], kept.id), uid)
            assert answer.status_code == 410, (rule.rule, method)


def test_the_link_for_looking_ends_when_it_is_closed(app, kept):
    with store.writing(served.service_of(app).engine) as connection:
        store.set_view(connection, kept.id, False)
    for rule in guarded(app):
        if POWERS[rule.endpoint] is Power.VIEW:
            assert asked(app, rule, "GET", served.token(app, Power.VIEW, kept.id), "x").status_code == 410


def test_no_address_shows_another_persons_plan(app, kept):
    """With a second plan's tokens one sees the second plan, and nothing of the first, not even through its blocks."""
    other = served.keep(app, "chemistry-10", title="Plan of someone else")
    with store.writing(served.service_of(app).engine) as connection:
        store.set_view(connection, other.id, True)
    served.keep_cohort(app, other)
    uid, title = uid_of(app, kept.id), b"Chemistry final"
    assert title in asked(app, rule_of(app, "feed.feed"), "GET", served.token(app, Power.FEED, kept.id), uid).data
    for rule in guarded(app):
        method = "GET" if "GET" in (rule.methods or ()) else "POST"
        answer = asked(app, rule, method, served.token(app, POWERS[rule.endpoint], other.id), uid)
        assert title not in answer.data, rule.rule
        assert kept.id.encode() not in answer.data, rule.rule
        if {"uid", "member"} & set(rule.arguments):
            assert answer.status_code in (404, 410)


def rule_of(app: Flask, endpoint: str) -> Rule:
    return next(rule for rule in app.url_map.iter_rules() if rule.endpoint == endpoint)


def test_getting_changes_nothing(app, kept):
    """RFC 9110 §9.2.1: every address with GET and HEAD, and the database is what it was, times of fetches aside."""
    uid, before = uid_of(app, kept.id), dump(app)
    for rule in app.url_map.iter_rules():
        if rule.endpoint == "static":
            continue
        token = served.token(app, POWERS.get(rule.endpoint, Power.FEED), kept.id)
        for method in ("GET", "HEAD"):
            asked(app, rule, method, token, uid).close()
    assert dump(app) == before


def dump(app: Flask) -> list[Any]:
    """All that is kept."""
    with store.reading(served.service_of(app).engine) as connection:
        return [connection.execute(table.select()).fetchall() for table in store.metadata.sorted_tables]


# ---------------------------------------------------------------------------------------------------- headers by class

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "form-action 'self'; frame-ancestors 'none'; base-uri 'none'; font-src 'self'; manifest-src 'self'"
)
PAGE = {
    "X-Content-Type-Options": "nosniff",
    "Content-Security-Policy": POLICY,
    "Referrer-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=(), payment=(), usb=(), browsing-topics=()",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
}
GOLDEN = {
    "open": PAGE | {"Cache-Control": "private, no-cache"},
    "secret": PAGE | {"Cache-Control": "no-store", "X-Robots-Tag": "noindex"},
    "health": PAGE | {"Cache-Control": "no-store"},
    "static": {
        "X-Content-Type-Options": "nosniff",
        "Cross-Origin-Resource-Policy": "same-origin",
        "Cache-Control": "public, max-age=3600",
    },
    "feed": {
        "X-Content-Type-Options": "nosniff",
        "Referrer-Policy": "same-origin",
        "Cache-Control": "private, no-cache",
        "X-Robots-Tag": "noindex",
    },
}
"""What every class of answers carries, of the headers that are about safety."""

ABOUT_SAFETY = {name for golden in GOLDEN.values() for name in golden} | {
    "Strict-Transport-Security",
    "Set-Cookie",
    "Access-Control-Allow-Origin",
    "X-Frame-Options",
    "Server",
    "Location",
}


def kind_of(endpoint: str) -> str:
    """The class that an endpoint's answers belong to."""
    if endpoint in POWERS:
        return "feed" if endpoint == "feed.feed" else "secret"
    return {"static": "static", "feed.health": "health"}.get(endpoint, "open")


def about_safety(answer: Any) -> dict[str, str]:
    return {name: value for name, value in answer.headers.items() if name in ABOUT_SAFETY}


def test_every_address_has_the_headers_of_its_class(app, kept):
    """Enumerated from the map of addresses, so that a new one is covered by itself."""
    uid = uid_of(app, kept.id)
    (Path(app.static_folder or "") / "look.css").stat()
    for rule in app.url_map.iter_rules():
        values = {"token": served.token(app, POWERS.get(rule.endpoint, Power.FEED), kept.id), "uid": uid}
        values["member"] = member_of(app, uid)
        values |= {"filename": "look.css", "name": "t"}
        _, path = rule.build({name: values[name] for name in rule.arguments}) or ("", "")
        method = "GET" if "GET" in (rule.methods or ()) else "POST"
        answer = app.test_client().open(path, method=method, headers=OURS)
        assert answer.status_code == 200 or (method, answer.status_code) in [("POST", 422), ("POST", 400)], rule.rule
        assert about_safety(answer) == GOLDEN[kind_of(rule.endpoint)], rule.rule
        answer.close()


ERRORS = {
    "/nothing": ("GET", 404),
    "/plan/x": ("GET", 404),
    "/static/nothing.css": ("GET", 404),
    "/static/../powers.py": ("GET", 404),
    "/": ("DELETE", 405),
    "/health": ("POST", 405),
}


@pytest.mark.parametrize("path", ERRORS)
def test_errors_are_treated_as_secrets(client, path):
    method, status = ERRORS[path]
    answer = client.open(path, method=method, headers=OURS)
    assert answer.status_code == status
    assert about_safety(answer) == GOLDEN["secret"]


@pytest.mark.parametrize(
    ("public", "expected"),
    [("", None), ("http://plans.example.org", None), ("https://plans.example.org", "max-age=31536000")],
)
def test_strict_transport_where_there_is_transport_security(tmp_path, public, expected):
    """RFC 6797 §7.2: not over plain HTTP. Of every class of answers, errors and feeds too."""
    app = served.application(tmp_path, public_url=public)
    for path in ("/health", "/nothing", "/feed/x.ics", "/static/look.css"):
        answer = app.test_client().get(path)
        assert answer.headers.get("Strict-Transport-Security") == expected
        answer.close()


def test_addresses_are_not_redirected(client):
    for path in ("//health", "/health/", "/help/", "///health", "/plan//x", "/./health"):
        answer = client.get("/", environ_overrides={"PATH_INFO": path})
        assert (answer.status_code, answer.location) in [(200, None), (404, None)], path


# --------------------------------------------------------------------------------------------- whose form, which host


@pytest.mark.parametrize(
    ("site", "source", "host", "scheme", "public", "ours"),
    [
        # a browser over TLS, or to this machine, says where a form came from; Origin is not looked at then
        ("same-origin", None, "h", "http", "", True),
        ("same-origin", "null", "h", "http", "", True),
        ("none", None, "h", "http", "", True),
        ("same-site", "http://h", "h", "http", "", False),
        ("cross-site", "http://h", "h", "http", "", False),
        ("cross-site", None, "h", "http", "", False),
        ("", None, "h", "http", "", False),
        ("Same-Origin", None, "h", "http", "", False),
        ("same-origin, cross-site", None, "h", "http", "", False),
        # a browser on a network without TLS says Origin alone
        (None, "http://h", "h", "http", "", True),
        (None, "http://h:80", "h", "http", "", True),
        (None, "http://h", "h:80", "http", "", True),
        (None, "http://H", "h", "http", "", True),
        (None, "http://h:8080", "h:8080", "http", "", True),
        (None, "http://[::1]:8080", "[::1]:8080", "http", "", True),
        (None, "http://h:8081", "h:8080", "http", "", False),
        (None, "https://h", "h", "http", "", False),
        (None, "http://evil.example", "h", "http", "", False),
        (None, "http://h.evil.example", "h", "http", "", False),
        (None, "http://evilh", "h", "http", "", False),
        (None, "http://h@evil.example", "h", "http", "", False),
        (None, "null", "h", "http", "", False),
        (None, "", "h", "http", "", False),
        (None, "h", "h", "http", "", False),
        (None, "http://", "h", "http", "", False),
        (None, "http://h:99999", "h", "http", "", False),
        (None, "http://[", "h", "http", "", False),
        (None, "file://", "h", "http", "", False),
        (None, "http://h, http://h", "h", "http", "", False),
        # behind a proxy that ends TLS and is not believed, the public address is what the browser knows
        (None, "https://p.example", "127.0.0.1:8080", "http", "https://p.example", True),
        (None, "https://p.example", "p.example", "http", "https://p.example/plans", True),
        (None, "http://p.example", "127.0.0.1:8080", "http", "https://p.example", False),
        (None, "https://p.example:444", "p.example", "https", "https://p.example", False),
        # neither: no browser asks
        (None, None, "h", "http", "", True),
    ],
)
def test_forms_of_other_sites_are_told_from_our_own(site, source, host, scheme, public, ours):
    """The whole truth table of Sec-Fetch-Site, Origin, Host and the public address."""
    fields = {"Sec-Fetch-Site": site, "Origin": source}
    builder = EnvironBuilder(
        method="POST",
        base_url=f"{scheme}://{host}/",
        headers={name: value for name, value in fields.items() if value is not None},
    )
    assert safety.own(builder.get_request(), safety.origin(public)) is ours


@pytest.mark.parametrize("method", ["POST", "PUT", "PATCH", "DELETE"])
def test_another_sites_form_is_refused_before_anything_else(app, client, kept, method):
    """At every address, also where the method would not be allowed, and with a token that is right."""
    token, uid, before = served.token(app, Power.MANAGE, kept.id), uid_of(app, kept.id), dump(app)
    member = member_of(app, uid)
    for rule in app.url_map.iter_rules():
        if rule.endpoint == "feed.feed":
            continue
        values = {"token": token, "uid": uid, "member": member, "name": "t", "filename": "look.css"}
        _, path = rule.build({name: values[name] for name in rule.arguments}) or ("", "")
        answer = client.open(path, method=method, headers={"Sec-Fetch-Site": "cross-site"}, data={"act": "delete"})
        assert answer.status_code == 403, rule.rule
        assert token.encode() not in answer.data
    assert dump(app) == before


@pytest.mark.parametrize("method", ["GET", "HEAD"])
def test_other_sites_may_link_here(client, method):
    assert client.open("/health", method=method, headers={"Sec-Fetch-Site": "cross-site"}).status_code == 200


@pytest.mark.parametrize(
    ("settings", "host", "known"),
    [
        ({}, "localhost", True),
        ({}, "LOCALHOST:1", True),
        ({}, "127.0.0.1:8080", True),
        ({}, "[::1]:8080", True),
        ({}, "plans.example.org", False),
        ({}, "127.0.0.1.evil.example", False),
        ({}, "localhost.evil.example", False),
        ({}, "evil.example:127.0.0.1", False),
        ({}, "127.0.0.1@evil.example", False),
        ({}, "", False),
        ({}, "[::1", False),
        ({}, "a b", False),
        ({"host": "192.0.2.7", "public_url": "http://192.0.2.7"}, "192.0.2.7", True),
        ({"host": "2001:db8::7"}, "[2001:db8::7]:80", True),
        ({"host": "0.0.0.0", "public_url": "https://plans.example.org"}, "plans.example.org", True),
        ({"host": "0.0.0.0", "public_url": "https://plans.example.org"}, "0.0.0.0", False),
        ({"public_url": "https://plans.example.org:8443/x"}, "plans.example.org:1", True),
        ({"public_url": "https://plans.example.org"}, "sub.plans.example.org", False),
        ({"trusted_hosts": ("One.example", ".two.example")}, "one.example", True),
        ({"trusted_hosts": ("One.example", ".two.example")}, "x.two.example:8080", True),
        ({"trusted_hosts": ("One.example", ".two.example")}, "two.example", False),
        ({"trusted_hosts": ("One.example", ".two.example")}, "x.one.example", False),
        ({"trusted_hosts": (".two.example",)}, "eviltwo.example", False),
    ],
)
def test_only_known_hosts_are_answered(tmp_path, settings, host, known):
    """Against DNS rebinding: a foreign name that leads to this machine is not this service."""
    client = served.application(tmp_path, **settings).test_client()
    assert client.get("/health", headers={"Host": host}).status_code == (200 if known else 400)


def test_the_feed_does_not_care_for_its_name(app, client, kept):
    """Nothing in it comes from the request, its token is its proof, and a phone that moved network must not lose it."""
    answer = client.get(served.feed_path(app, kept.id), headers={"Host": "elsewhere.example"})
    assert answer.status_code == 200
    assert b"elsewhere" not in answer.data


@pytest.mark.parametrize(("proxies", "seen"), [(0, "127.0.0.1"), (1, "198.51.100.1"), (2, "198.51.100.2")])
def test_as_many_proxies_are_believed_as_there_are(tmp_path, proxies, seen):
    """The last so many entries of X-Forwarded-For are theirs; whatever stands before them anyone may have written."""
    app = served.application(tmp_path, proxies=proxies)
    app.view_functions["feed.health"] = lambda: f"{request.remote_addr} {request.scheme}"
    answer = app.test_client().get(
        "/health",
        headers={"X-Forwarded-For": "203.0.113.9, 198.51.100.2, 198.51.100.1", "X-Forwarded-Proto": "https, https"},
    )
    assert answer.text == f"{seen} {'https' if proxies else 'http'}"


def test_misses_are_counted_by_the_asker_and_not_by_the_proxy(tmp_path):
    client = served.application(tmp_path, proxies=1, misses=1).test_client()

    def ask(address: str) -> int:
        return client.get("/feed/x.ics", headers={"X-Forwarded-For": address}).status_code

    assert [ask("192.0.2.1"), ask("192.0.2.1"), ask("192.0.2.2")] == [404, 429, 404]


# --------------------------------------------------------------------------------------------------- a real browser


@contextmanager
def two_sites(tmp_path: Path) -> Iterator[tuple[str, str, list[tuple[str, dict[str, str | None], int]]]]:
    """The service under a name without TLS, another site, and what the service got and said of each POST."""
    seen: list[tuple[str, dict[str, str | None], int]] = []
    app = served.application(tmp_path, trusted_hosts=("plans.test",))

    @app.after_request
    def note(response: Response) -> Response:
        if request.method == "POST":
            fields = {name: request.headers.get(name) for name in ("Sec-Fetch-Site", "Origin")}
            seen.append((request.query_string.decode(), fields, response.status_code))
        return response

    foreign = Flask("foreign")

    @foreign.get("/")
    def page() -> str:
        return "<!doctype html><title>Another site</title>"

    with served.live(app) as port, served.live(foreign) as other:
        yield f"http://plans.test:{port}", f"http://elsewhere.test:{other}", seen


FORM = """([address, framed]) => {
  const form = `<form method="post" action="${address}"></form>`;
  if (framed) {
    const frame = document.createElement("iframe");
    frame.sandbox = "allow-forms allow-scripts";
    frame.srcdoc = form + "<script>document.forms[0].submit()</script>";
    document.body.append(frame);
  } else {
    document.body.insertAdjacentHTML("beforeend", form);
    setTimeout(() => document.forms[document.forms.length - 1].submit(), 0);
  }
}"""


def send_forms(chromium, words, ours, theirs, seen):
    """Sends our own form, another site's, and one that hides where it is from, to a name that is not this machine's."""
    from playwright.sync_api import sync_playwright

    names = "--host-resolver-rules=MAP plans.test 127.0.0.1, MAP elsewhere.test 127.0.0.1"
    words = [*words, names, "--disable-features=HttpsUpgrades,HttpsFirstBalancedModeAutoEnable"]
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium, args=words, timeout=60_000)
        try:
            for start, framed, name in ((ours, False, "own"), (theirs, False, "other"), (theirs, True, "hidden")):
                page = browser.new_page()
                page.goto(f"{start}/health" if start is ours else start)
                page.evaluate(FORM, [f"{ours}/health?{name}", framed])
                for _ in range(600):
                    if any(entry[0] == name for entry in seen):
                        break
                    page.wait_for_timeout(50)
                page.close()
        finally:
            browser.close()


def test_a_browser_without_tls_can_send_our_forms_and_no_other_sites(tmp_path):
    """On such a network Chromium sends no Sec-Fetch-Site, and Origin is ``null`` from a sandboxed frame.

    Our own forms come with our Origin only because the Referrer-Policy is not ``no-referrer``.
    """
    from tests.browser import CHROMIUM, QUIET, chromium_present

    extra("chromium", chromium_present(), "Debian: chromium")
    with two_sites(tmp_path) as (ours, theirs, seen), ThreadPoolExecutor(1) as beside:
        # Another test's browser may be driven from this thread, which playwright allows one of.
        beside.submit(send_forms, CHROMIUM, QUIET, ours, theirs, seen).result()
    assert seen == [
        ("own", {"Sec-Fetch-Site": None, "Origin": ours}, 405),  # let in; /health just has no form
        ("other", {"Sec-Fetch-Site": None, "Origin": theirs}, 403),
        ("hidden", {"Sec-Fetch-Site": None, "Origin": "null"}, 403),
    ]


# --------------------------------------------------------------------------------------------------------------- sizes


def test_the_sizes_of_a_request_are_bounded(tmp_path):
    """Flask bounds neither a whole request nor, usefully, the parts of a form."""
    app = served.application(tmp_path, body_bytes=10_000)

    def read() -> Response:
        return Response(str(len(request.form)) + str(len(request.files)))

    app.add_url_rule("/read", "read", read, methods=["POST"])
    client = app.test_client()
    fits = client.post("/read", data={"a": "x" * 9_000})
    large = client.post("/read", data={"a": "x" * 11_000})
    upload = client.post("/read", data={"a": (BytesIO(b"x" * 11_000), "a.ics")})
    lying = client.post("/read", data=b"a=b", environ_overrides={"CONTENT_LENGTH": "99999999"})
    assert [one.status_code for one in (fits, large, upload, lying)] == [200, 413, 413, 413]
    app = served.application(tmp_path)
    app.add_url_rule("/read", "read", read, methods=["POST"])
    client = app.test_client()
    part = b'--x\r\nContent-Disposition: form-data; name="a"\r\n\r\n%b\r\n'
    parts = (part % b"" * (safety.FORM_PARTS + 1), part % (b"x" * 2_000_001))
    form = "multipart/form-data; boundary=x"
    many, long = (client.post("/read", data=body + b"--x--\r\n", content_type=form) for body in parts)
    assert [many.status_code, long.status_code] == [413, 413]
    assert "smaller file" in long.text


# ---------------------------------------------------------------------------------------------------------- how often


@given(st.integers(1, 50), st.lists(st.tuples(st.integers(0, 4_000), st.integers(0, 60)), max_size=20))
def test_no_address_gets_more_than_its_turns(per_hour, bursts):
    """Of any bursts: never more than all turns at once and those that came back since."""
    clock = served.Clock()
    buckets, start, taken = Buckets(per_hour, clock), clock.now, 0
    for gap, tries in bursts:
        clock.forward(seconds=gap)
        taken += sum(not buckets.take("192.0.2.1") for _ in range(tries))
        passed = (clock.now - start) / timedelta(hours=1)
        assert taken <= per_hour + passed * per_hour + 1e-6


@given(st.integers(1, 5_000))
def test_who_waits_as_long_as_was_said_has_a_turn(per_hour):
    clock = served.Clock()
    buckets = Buckets(per_hour, clock)
    while not (wait := buckets.take("a")):
        pass
    assert 1 <= wait <= 3_600
    clock.forward(seconds=wait - 1)
    assert wait == 1 or buckets.take("a") == 1
    clock.forward(seconds=1)
    assert buckets.take("a") == 0


def test_a_clock_that_is_set_back_takes_nothing_away():
    clock = served.Clock()
    buckets = Buckets(2, clock)
    buckets.take("a")
    clock.forward(days=-3)
    assert [bool(buckets.take("a")), bool(buckets.take("a"))] == [False, True]


def test_addresses_do_not_take_each_others_turns_and_are_forgotten_in_the_end(monkeypatch):
    monkeypatch.setattr(safety_limits, "MOST_ADDRESSES", 10)
    buckets = Buckets(1, served.Clock())
    assert [buckets.take(f"192.0.2.{n}") for n in range(30)] == [0] * 30
    assert len(buckets) == 10
    assert buckets.take("192.0.2.29") == 3_600


@pytest.mark.parametrize(
    ("address", "counted"),
    [
        ("192.0.2.1", "192.0.2.1"),
        ("2001:db8:1:2:3:4:5:6", "2001:db8:1:2::"),
        ("2001:db8:1:2::9", "2001:db8:1:2::"),
        ("2001:db8:1:3::9", "2001:db8:1:3::"),
        ("::ffff:192.0.2.1", "192.0.2.1"),
        ("fe80::1%eth0", "fe80::"),
        ("", ""),
        ("unix:", "unix:"),
    ],
)
def test_an_ipv6_network_is_one_address(address, counted):
    assert network(address) == counted


def test_too_much_from_one_address_is_429_with_the_seconds_to_wait(tmp_path, clock):
    app = served.application(tmp_path, clock, creations=2)
    app.view_functions["feed.health"] = lambda: (safety_limits.limited("creations"), "fine")[1]
    client = app.test_client()
    assert [client.get("/health").status_code for _ in range(3)] == [200, 200, 429]
    answer = client.get("/health")
    assert answer.headers["Retry-After"] == "1800"
    assert "Wait a little" in answer.text
    assert client.get("/health", environ_base={"REMOTE_ADDR": "192.0.2.2"}).status_code == 200


def test_pages_that_are_not_there_are_counted(tmp_path):
    client = served.application(tmp_path, misses=2).test_client()
    statuses = [client.get(path).status_code for path in ("/plan/x", "/nothing", "/view/x", "/feed/x.ics")]
    assert statuses == [404, 404, 429, 429]


# ------------------------------------------------------------------------------------------------------------ planning


def test_at_most_so_many_plan_at_once_and_few_wait():
    """Eight threads: two plan, two wait, and the fifth is sent away at once."""
    turns = Turns(threads=8, patience_seconds=30)
    started, end = threading.Semaphore(0), threading.Event()
    running: list[int] = []
    most: list[int] = []

    def plan() -> None:
        with turns.one():
            running.append(1)
            most.append(len(running))
            started.release()
            end.wait(30)
            running.pop()

    threads = [threading.Thread(target=plan) for _ in range(4)]
    for thread in threads:
        thread.start()
    for _ in range(2):
        assert started.acquire(timeout=10)
    while turns._come._value:  # until the other two wait
        time.sleep(0.001)
    with pytest.raises(ServiceUnavailable) as caught, turns.one():
        pass
    assert dict(caught.value.get_headers())["Retry-After"] == "10"
    end.set()
    for thread in threads:
        thread.join(10)
    assert max(most) == 2
    with turns.one():
        pass


def test_who_waits_for_a_turn_in_vain_is_told_so():
    turns = Turns(threads=4, patience_seconds=0.01)
    with turns.one(), pytest.raises(ServiceUnavailable), turns.one():
        pass
    with turns.one():
        pass


def test_a_fault_while_planning_gives_the_turn_back():
    turns = Turns(threads=1, patience_seconds=0.01)
    for _ in range(5):
        with pytest.raises(RuntimeError, match="x"), turns.one():
            raise RuntimeError("x")
    with turns.one():
        pass


@pytest.mark.parametrize("threads", range(2, 40))
def test_half_of_the_threads_never_wait_for_a_plan(threads):
    turns = Turns(threads)
    assert turns._come._value <= max(1, threads // 2) < threads
    assert 1 <= turns.at_once <= turns._come._value


# --------------------------------------------------------------------------------------------------------- error pages


def failing(tmp_path: Path, error: Exception) -> Flask:
    """A service with an address at which this is raised."""
    app = served.application(tmp_path)

    def fail() -> str:
        raise error

    app.view_functions["feed.health"] = fail
    return app


@pytest.mark.parametrize("code", sorted(code for code in default_exceptions if code >= 400))
def test_every_http_error_is_a_page_in_plain_words(tmp_path, code):
    answer = failing(tmp_path, default_exceptions[code]()).test_client().get("/health")
    assert answer.status_code == code
    words = safety_pages.WORDS.get(code, safety_pages.OTHER if code < 500 else safety_pages.WORDS[500])
    assert answer.mimetype == "text/html"
    assert code == 410 or words.sentence in answer.text
    assert about_safety(answer) == GOLDEN["secret"]


SECRET = "what nobody may read"


@pytest.mark.parametrize(
    "error",
    [RuntimeError(SECRET), KeyError(SECRET), MemoryError(SECRET), RecursionError(SECRET), AssertionError(SECRET)],
    ids=lambda error: type(error).__name__,
)
def test_a_fault_is_a_page_without_a_trace_and_a_trace_in_the_log(tmp_path, caplog, error):
    answer = failing(tmp_path, error).test_client().get("/health")
    assert (answer.status_code, answer.mimetype) == (500, "text/html")
    assert safety_pages.WORDS[500].sentence in answer.text
    assert SECRET not in answer.text
    assert "Traceback" not in answer.text
    assert SECRET in caplog.text
    assert "Traceback" in caplog.text


def test_a_database_that_is_away_is_503_in_its_own_words(tmp_path, caplog):
    error = store.Unavailable()
    error.__cause__ = OSError(f"connect to {SECRET}")
    answer = failing(tmp_path, error).test_client().get("/health")
    assert (answer.status_code, answer.headers["Retry-After"]) == (503, str(store.Unavailable.retry_after))
    assert str(error) in answer.text
    assert SECRET not in answer.text
    assert SECRET in caplog.text


def test_an_error_page_that_fails_in_its_turn_is_plain_text(tmp_path, monkeypatch, caplog):
    app = failing(tmp_path, RuntimeError(SECRET))
    monkeypatch.setattr(safety_pages, "render_template", lambda *_, **__: 1 / 0)
    answer = app.test_client().get("/health")
    assert (answer.status_code, answer.mimetype) == (500, "text/plain")
    assert answer.text.startswith(safety_pages.WORDS[500].sentence)
    assert "ZeroDivisionError" in caplog.text


def test_an_error_keeps_the_headers_that_belong_to_it(client, tmp_path):
    assert set(client.post("/health", headers=OURS).headers["Allow"].split(", ")) == {"GET", "HEAD", "OPTIONS"}
    waiting = failing(tmp_path, TooManyRequests(retry_after=7)).test_client().get("/health")
    assert waiting.headers["Retry-After"] == "7"


def test_nothing_of_the_request_is_repeated(client):
    answer = client.get("/<b>canary</b>?canary", headers={"User-Agent": "canary", "Referer": "http://canary"})
    assert answer.status_code == 404
    assert "canary" not in answer.text


@pytest.mark.parametrize("words", safety_pages.WORDS.values(), ids=safety_pages.WORDS)
def test_an_errors_words_say_what_to_do(words):
    assert not words.sentence.endswith(".")
    assert words.remedy.endswith(".")


def test_http_errors_are_not_faults_of_ours(tmp_path, caplog):
    failing(tmp_path, default_exceptions[404]()).test_client().get("/health")
    assert caplog.records == []
    assert issubclass(default_exceptions[404], HTTPException)


# -------------------------------------------------------------------------------------------------- nothing in the logs

TOKEN = "Ab0_-" * 8 + "Ab0_"


@pytest.mark.parametrize(
    ("text", "struck"),
    [
        (TOKEN, "…"),
        (f"GET /plan/{TOKEN}/paper", "GET /plan/…/paper"),
        (f"/feed/{TOKEN}.ics", "/feed/….ics"),
        (f"x{TOKEN}y", "…"),
        ("ab" * 32, "…"),  # a key, as its file holds it
        (TOKEN[:-1], TOKEN[:-1]),
        ("df3774c5eb40457c8deb2e52fdb09049", "df3774c5eb40457c8deb2e52fdb09049"),
        ("plain words", "plain words"),
    ],
)
def test_what_looks_like_a_token_is_struck_out(text, struck):
    assert safety_logs.struck(text) == struck


def written(*arguments: Any, **more: Any) -> str:
    """What a handler writes of one call of a logger that has the filter."""
    import io

    logger, stream = logging.Logger("alone"), io.StringIO()
    logger.addHandler(logging.StreamHandler(stream))
    logger.addFilter(safety_logs.FILTER)
    logger.error(*arguments, **more)
    return stream.getvalue()


def test_tokens_are_struck_out_of_messages_arguments_traces_and_stacks():
    def fail() -> None:
        raise ValueError(TOKEN) from KeyError(TOKEN)

    try:
        fail()
    except ValueError:
        trace = written("with %s", TOKEN, exc_info=True)
    stack = written(TOKEN, stack_info=True)
    for text in (
        trace,
        stack,
        written("%s", TOKEN),
        written("%r", TOKEN.encode()),
        written("%(path)s", {"path": f"/plan/{TOKEN}"}),
        written(f"no argument fits %d {TOKEN}", TOKEN),
        written("%s", Path(TOKEN)),
    ):
        assert TOKEN not in text
        assert "…" in text
    assert "ValueError: …" in trace
    assert "KeyError: '…'" in trace
    assert "Stack (most recent call last)" in stack


@given(st.text(max_size=200))
def test_a_clients_text_stays_on_its_line(text):
    """No line of the log can be forged: neither line breaks nor terminal commands get through."""
    line = safety_logs.plain(text)
    assert line.isascii()
    assert line.isprintable()


def test_the_access_log_says_what_happened_and_not_who_asked(app, client, kept, caplog):
    caplog.set_level(logging.INFO, "web.access")
    token = served.token(app, Power.MANAGE, kept.id)
    client.get(served.feed_path(app, kept.id), environ_base={"REMOTE_ADDR": "192.0.2.77"})
    client.get(f"/plan/{token}x", environ_base={"REMOTE_ADDR": "192.0.2.77"})
    client.get("/a%0AGET /forged 200", environ_base={"REMOTE_ADDR": "192.0.2.77"})
    lines = [record.getMessage() for record in caplog.records if record.name == "web.access"]
    assert [line.rsplit(" ", 2)[0] for line in lines] == [
        r"GET /feed/\u2026.ics 200",
        r"GET /plan/\u2026 404",
        r"GET /a\nGET /forged 200 404",
    ]
    assert "192.0.2.77" not in caplog.text


@pytest.fixture
def everything_logged(tmp_path: Path) -> Iterator[Path]:
    """Every logger of the process at its most talkative, into one file."""
    path = tmp_path / "log"
    handler = logging.FileHandler(path)
    handler.setFormatter(logging.Formatter("%(name)s %(levelname)s %(message)s"))
    root, access = logging.getLogger(), logging.getLogger("web.access")
    before = root.level, access.level
    root.addHandler(handler)
    root.setLevel(logging.DEBUG)
    access.setLevel(logging.INFO)
    yield path
    root.removeHandler(handler)
    handler.close()
    root.setLevel(before[0])
    access.setLevel(before[1])


def test_no_token_and_no_key_in_anything_that_is_written(tmp_path, everything_logged, monkeypatch):
    """The canary: every address, right, wrong and failing, over a real server; then every byte that came of it."""
    app = served.application(tmp_path)
    kept = served.keep(app)
    with store.writing(served.service_of(app).engine) as connection:
        store.set_view(connection, kept.id, True)
    member = served.keep_cohort(app, kept).key
    uid, tokens = uid_of(app, kept.id), {power: served.token(app, power, kept.id) for power in Power}
    refused = b""

    def run() -> bytes:
        said = b""
        for rule in app.url_map.iter_rules():
            for token in tokens.values():
                values = {"token": token, "uid": uid, "member": member, "name": "t", "filename": "look.css"}
                _, path = rule.build({name: values[name] for name in rule.arguments}) or ("", "")
                for method in ("GET", "POST", "PUT"):
                    if (rule.endpoint, method) == ("student.delete", "POST"):
                        continue
                    wire = HTTPConnection("127.0.0.1", port, timeout=20)
                    wire.request(method, path, headers={"Referer": f"http://127.0.0.1/plan/{token}"})
                    answer = wire.getresponse()
                    body = answer.read()
                    if (
                        answer.status >= 400 and answer.status != 422
                    ):  # that one is the holder's own form, with its links
                        said += body + str(answer.getheaders()).encode()
                    wire.close()
        return said

    def fail(*_: Any) -> Any:
        raise RuntimeError(f"a fault that names {list(tokens.values())}")

    with served.live(app) as port:
        refused += run()
        monkeypatch.setattr(store, "find", fail)
        monkeypatch.setattr(app.extensions["calplan.feeds"], "state", fail)
        refused += run()
    served.service_of(app).engine.dispose()
    log = everything_logged.read_bytes()
    assert b"a fault that names" in log
    assert log.count("…".encode()) > 20
    assert b"/feed/\\u2026.ics" in log
    files = [path for path in (tmp_path / "data").iterdir() if path.name != "key"]
    assert {"calplan.sqlite"} <= {path.name for path in files}
    key = (tmp_path / "data" / "key").read_bytes().strip()
    places = {"log": log, "refusals": refused} | {path.name: path.read_bytes() for path in files}
    assert kept.id.encode() in places["calplan.sqlite"]  # what is looked for would be found
    for place, held in places.items():
        for secret in (*(token.encode() for token in tokens.values()), key, bytes.fromhex(key.decode())):
            assert secret not in held, place
            assert secret[:32] not in held, place


def test_settings_are_not_needed_to_be_safe(app):
    """The limits hold with the defaults."""
    settings = Settings()
    assert app.config["MAX_CONTENT_LENGTH"] == settings.body_bytes
    assert app.config["MAX_FORM_MEMORY_SIZE"] == safety.FORM_BYTES
    assert app.config["MAX_FORM_PARTS"] == safety.FORM_PARTS
    assert not app.debug
