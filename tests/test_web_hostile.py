"""The service against what people and programs send that no page of it would: it answers in words, and goes on.

Forms, files, raw HTTP, other people's tokens, too much of anything, two tabs at once. What the rules are stands in each
test's name; :mod:`tests.hostile` makes the files, and sends thousands of them by command.
"""

from __future__ import annotations

import io
import json
import random
import re
import socket
import zipfile
from base64 import urlsafe_b64decode, urlsafe_b64encode
from contextlib import suppress
from itertools import islice
from string import ascii_letters, digits
from typing import TYPE_CHECKING, Any
from urllib.parse import quote, quote_plus

import pytest
from hypothesis import HealthCheck, assume, given, seed, settings
from hypothesis import strategies as st
from sqlalchemy import select

from tests import served
from tests.hostile import (
    BOUNDARY,
    FORM,
    OTHERS,
    Case,
    Page,
    faultless,
    files,
    in_batches,
    multipart,
    posted,
    seeds,
    send,
    truncated,
    unlimited,
)
from web import making, plans, safety, store
from web.powers import Power

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from flask import Flask
    from flask.testing import FlaskClient

    from web.store import Kept


@pytest.fixture(scope="module")
def app(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Flask]:
    """One service for all tests that only ask; whoever changes plans makes one of its own."""
    made = served.application(tmp_path_factory.mktemp("hostile"), **unlimited())
    yield made
    served.service_of(made).engine.dispose()


@pytest.fixture(scope="module")
def client(app: Flask) -> FlaskClient:
    return app.test_client()


@pytest.fixture(scope="module")
def kept(app: Flask) -> Kept:
    """Another's plan, with a word in it that must never be seen."""
    return planted(app)


@pytest.fixture
def own(tmp_path: Path) -> Iterator[Flask]:
    """A service for one test."""
    made = served.application(tmp_path)
    yield made
    served.service_of(made).engine.dispose()


CANARY = "Zyxomma"
"""A word of another's plan: in its title, subjects, materials and busy times."""


def planted(app: Flask) -> Kept:
    """A kept plan that says the canary wherever people write."""
    mapping = served.mapping_of("chemistry-3")
    mapping["title"] = f"{CANARY} title"
    exam = mapping["exam"][0]
    exam |= {"subject": f"{CANARY} subject", "place": f"{CANARY} place", "labels": {"quiz": f"{CANARY} label"}}
    exam["material"] = [{"kind": "quiz", "title": f"{CANARY} quiz", "topic": f"{CANARY} topic"}]
    mapping["busy"] = [{"start": "2027-01-06T18:00", "end": "2027-01-06T19:00", "title": f"{CANARY} busy"}]
    mapping["appointment"] = [{"title": f"{CANARY} tutoring", "start": "2027-02-02T15:00", "minutes": 30}]
    return served.keep(app, "chemistry-3", **mapping)


def manage(app: Flask, plan: Kept, generation: int = 1) -> str:
    """The address of a plan's page."""
    return f"/plan/{served.token(app, Power.MANAGE, plan.id, generation)}"


def everything(app: Flask) -> dict[str, list[Any]]:
    """All rows of all tables, but for when feeds were last fetched."""
    with store.reading(served.service_of(app).engine) as connection:
        return {
            table.name: sorted(
                map(repr, connection.execute(select(*(column for column in table.c if column.name != "fetched"))))
            )
            for table in store.metadata.sorted_tables
        }


# ---------------------------------------------------------------------------------------------------------- forms

KINDS = ("homework", "quiz", "notes", "test", "practice")
TYPED = [
    *("zone", "title", "start", "keep", "busy", "days_off", "short_days", "more", "version"),
    *("exam-1-subject", "exam-1-day", "exam-1-hour", "exam-1-minutes", "exam-1-key", "exam-1-scope", "exam-1-pieces"),
    *("exam-1-place", "exam-1-zone", "exam-1-weight", "exam-1-sureness", "exam-1-extra_time", "exam-1-pace"),
    *(
        "exam-1-timed_paper",
        "exam-1-latest",
        "exam-1-leave_out",
        "exam-1-sheet_pages",
        "exam-1-answers_by",
        "exam-1-labels-quiz",
    ),
    *(f"exam-1-{kind}-{cell}" for kind in KINDS for cell in ("count", "missed", "answers", "to_come", "by")),
    *("hours-1-start", "hours-1-end", "hours-1-first", "hours-1-last", "hours-1-mon", "hours-1-sun"),
    *("effort-usual", "effort-limit", "effort-shortest", "effort-longest", "effort-rest", "effort-margin"),
    *("effort-habit", "effort-age", "effort-bedtime", "effort-waking"),
    *("mending-grace", "mending-slow_days"),
    *("catch_up-day", "catch_up-start", "catch_up-end"),
    *("appointment-1-title", "appointment-1-day", "appointment-1-hour", "appointment-1-minutes", "appointment-1-exam"),
    *("holidays-country", "holidays-subdivision", "holidays-use", "holidays-own"),
    *("calendar-1-name", "calendar-1-upload", "calendar-1-which", "calendar-1-only", "calendar-1-all_day"),
]
"""Fields that the form has."""

ROWS = ("exam", "hours", "appointment", "calendar")
NAMES = st.one_of(
    st.sampled_from(TYPED),
    st.sampled_from(TYPED),
    st.builds("{}-{}-{}".format, st.sampled_from(ROWS), st.sampled_from((0, 2, 21, 9999, 10_000)), st.just("title")),
    st.builds("calendar-1-pick-{}".format, st.sampled_from((0, 1, 9999, "١"))),
    st.sampled_from(("", "act", "calendar-9999-upload", "exam-01-subject", "__class__", "exam-1-", "hours-1-mon-sun")),
    st.text(max_size=12),
)

NASTY = [
    *(
        "",
        " ",
        "\0",
        "a\0b",
        "\u202egnirts",
        "\u200f",
        "\ufeff",
        "\uffff",
        "\U0010ffff",
        "\x1b[2J",
        "a\rb\nc\r\nd",
        "\n\nx",
    ),
    *(
        "١٢",
        "²",
        "1e309",
        "-0",
        "-1",
        "0",
        "00",
        "1" * 400,
        "NaN",
        "inf",
        "1_000",
        "0x10",
        "1e-400",
        "99999999999999999999",
    ),
    *("9999-12-31", "0000-00-00", "0001-01-01", "9999-12-31 23:59-00:01", "2027-02-29", "2027-01-06", "24:00", "23:60"),
    *(
        "../../etc/passwd",
        "/etc/localtime",
        "America/Chicago\0",
        "america/chicago",
        "UTC0",
        "posixrules",
        "",
        "Etc/GMT+12",
    ),
    *("<script>alert(1)</script>", '"><canary onload="x">', "'><canary>", "</textarea><canary>", "</title><canary>"),
    *(
        "{{ 7 * 7 }}",
        "{% raw %}",
        "%s%n",
        "${7*7}",
        "\\ud800",
        "=1+1",
        "'; DROP TABLE plans; --",
        "%00",
        "&#0;",
        "&lt;",
    ),
    *("quiz; " + "a; " * 400, "kind;title\nquiz", "count=1;count=2", "[rates]\nx = 1", "exam = 1", "a = " + "[" * 900),
    *("[[exam]]\nsubject = 'x'", "schema = 2", "x" * 100_001, "é" * 50_000, "1\n" * 20_000, "more-exam", "less-exam-1"),
]
VALUES = st.one_of(st.sampled_from(NASTY), st.sampled_from(NASTY), st.text(max_size=30), st.integers(-5, 200).map(str))
ACTS = st.sampled_from(
    (
        "keep",
        "preview",
        "preview",
        "read",
        "load",
        "more-exam",
        "less-exam-1",
        "more-calendar",
        "less-hours-9999",
        "fly",
    )
)
PAIRS = st.lists(st.tuples(NAMES, VALUES), max_size=12)


URLENCODED_TYPE = "application/x-www-form-urlencoded"


def body_of(pairs: list[tuple[str, str]]) -> bytes:
    """A form as programs may write it: fields twice, half characters, whatever (URL Standard, §5)."""
    return "&".join(f"{percent(name)}={percent(text)}" for name, text in pairs).encode()


def percent(text: str) -> str:
    return quote_plus(text.encode("utf-8", "surrogatepass"))


def as_sent(text: str) -> str:
    """A value as it comes back from a page: HTML knows one kind of line end (HTML §13.2.3.5), and no NUL there."""
    return re.sub("\r\n?", "\n", text).replace("\0", "\ufffd")


def fuzzed(client: FlaskClient, address: str, pairs: list[tuple[str, str]], allowed: tuple[int, ...]) -> Page | None:
    """The page that comes of a fuzzed form; it keeps the rules and tells nothing of the other plan."""
    answer = client.post(address, data=body_of(pairs), content_type=URLENCODED_TYPE)
    assert CANARY not in answer.get_data(as_text=True)
    return faultless(answer, (address, pairs), allowed=allowed)


MINE = FORM | {"exam-1-quiz-count": "2"}


@seed(20270105)
@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow])
@given(pairs=PAIRS, act=ACTS)
def test_a_form_of_whatever_fields_is_answered_in_words_and_comes_back(client, kept, pairs, act):
    """No field, no value and no button is a fault of ours. What was typed is in the form that comes back."""
    assume(not any(name == "act" for name, _ in pairs))
    names = {name for name, _ in pairs}
    sent = [*pairs, *((name, text) for name, text in MINE.items() if name not in names), ("act", act)]
    page = fuzzed(client, "/make", sent, (200, 303, 422))
    if page is None:  # kept: the plan has everything
        return
    first = dict(reversed(sent))  # of a field that is sent twice, the first counts
    if act == "less-exam-1":
        return
    for name in names & set(TYPED) - {"version", "calendar-1-only", "hours-1-mon", "hours-1-sun"}:
        text = as_sent(first[name])
        if text and name in page.fields and name not in TICKED and not (name == "exam-1-key" and not text.strip()):
            assert as_sent(page.fields[name]) == text, name


TICKED = {"exam-1-timed_paper", "calendar-1-all_day", "calendar-1-which"}
"""Fields that are on or off."""


@pytest.mark.parametrize("text", [text for text in NASTY if text.strip() and len(text) < 1_000], ids=ascii)
def test_whatever_is_typed_in_any_field_is_still_in_it(client, text):
    """All fields of the form at once with the same nasty text, and each comes back as it was typed."""
    fields = {name: f"{text}{number}" for number, name in enumerate(TYPED) if name != "version"}
    answer = client.post("/make", data=body_of([*fields.items(), ("act", "preview")]), content_type=URLENCODED_TYPE)
    page = faultless(answer, text, allowed=(422,))
    assert page is not None
    hidden = TICKED | {"hours-1-mon", "hours-1-sun", "calendar-1-only"}
    missing = fields.keys() - page.fields.keys() - hidden
    assert missing == set()
    for name in fields.keys() - hidden:
        assert as_sent(page.fields[name]) == as_sent(fields[name]), name


@seed(20270105)
@settings(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow])
@given(
    pairs=PAIRS, act=ACTS, way=st.sampled_from(("change", "change/preview", "calendar", "delete", "../make/preview"))
)
def test_every_other_form_of_whatever_fields_is_answered_in_words(app, client, kept, mine, pairs, act, way):
    """Neither a change, a preview, a link nor an end of a plan is a fault of ours, or tells of another's plan."""
    assume(way != "delete" or act != "delete")
    sent = [*pairs, ("act", act if way != "calendar" else "alarms"), ("version", "1"), *MINE.items()]
    address = "/make/preview" if way.startswith("..") else f"{manage(app, mine)}/{way}"
    fuzzed(client, address, sent, (200, 303, 400, 409, 422))


@pytest.fixture(scope="module")
def mine(app: Flask) -> Kept:
    """A plan of one's own, to change."""
    return served.keep(app, "chemistry-3", title="Mine")


@pytest.mark.parametrize("text", [text for text in NASTY if any(sign in text for sign in "<>&{")])
def test_what_is_typed_is_text_wherever_it_is_shown(own, text):
    """The same markup in every text of a plan: in the form, on its pages, on paper, in its errors, it stays text."""
    client = own.test_client()
    fields = FORM | {f"exam-1-{name}": text for name in ("subject", "place", "labels-quiz")}
    fields |= {"title": text, "busy": f"2027-01-06 18:00-19:00 {text}", "days_off": f"2027-01-07 {text}"}
    fields |= {"exam-1-pieces": 'quiz; "' + text.replace('"', '""') + '"; 1/2', "holidays-own": f"2027-01-08 {text}"}
    for act in ("preview", "more-exam"):
        page = faultless(client.post("/make", data=fields | {"act": act}), text)
        assert page is not None
        assert page.fields["title"] == text
    answer = client.post("/make", data=fields | {"act": "keep"})
    assert answer.status_code == 303, Page(answer.text).problems
    plan = re.match(r"/plan/[^#]+", answer.location)
    assert plan is not None
    for way in ("", "/change", "/calendar", "/paper", "/delete"):
        faultless(client.get(plan[0] + way), (way, text))


@pytest.mark.parametrize(
    "fields",
    [
        {f"exam-{number}-subject": "x" for number in range(1, 4_000)},
        {f"hours-{number}-start": "x" for number in range(1, 4_000)},
        {f"calendar-{number}-name": f"{number}" for number in range(1, 4_000)},
        {"busy": "x\n" * 49_000, "days_off": "y\n" * 49_000},
    ],
    ids=["exams", "hours", "calendars", "unreadable lines"],
)
def test_a_form_far_larger_than_any_gives_a_page_of_ordinary_size(client, fields):
    """What is one too many is told, and the page stays a page: otherwise a few kilobytes could cost minutes."""
    answer = client.post("/make", data=FORM | fields | {"act": "preview"})
    page = faultless(answer, "large")
    assert page is not None
    assert len(answer.data) < 1_000_000
    assert any("rows of" in said or "more things to mend" in said for said in page.listed)


@pytest.mark.parametrize(
    "address", ["/make", "/make/preview", "/plan/{}/change", "/plan/{}/calendar", "/plan/{}/delete"]
)
def test_more_fields_or_text_than_any_form_has_are_not_read(app, client, mine, address):
    """5,000 fields and 2 MB are the most, in each of the two encodings of a form (HTML §4.10.21)."""
    path = address.format(served.token(app, Power.MANAGE, mine.id))
    parts = multipart({f"x{number}": "" for number in range(safety.FORM_PARTS + 1)}, "x", [])
    with_files = f"multipart/form-data; boundary={BOUNDARY}"
    for body, kind in (
        (b"a&" * safety.FORM_PARTS, "application/x-www-form-urlencoded"),
        (b"a=" + b"x" * safety.FORM_BYTES, "application/x-www-form-urlencoded; charset=utf-8"),
        (parts, with_files),
        (multipart({"title": "x" * (safety.FORM_BYTES + 1)}, "x", []), with_files),
    ):
        faultless(client.post(path, data=body, content_type=kind), kind, allowed=(413,))


# ---------------------------------------------------------------------------------------------------------- files


def test_wrong_files_of_all_sorts_are_read_or_refused_in_a_sentence(app, client):
    """A hundred of those that ``python -m tests.hostile`` sends by thousands."""
    for batch in in_batches(islice(files(app, random.Random(20270105)), 100)):
        send(client, batch)


def test_files_cut_off_anywhere_are_read_or_refused_in_a_sentence(app, client):
    """Each of twenty seeds, cut at a few of its bytes; by command at every one."""
    chance = random.Random(20270105)
    cases = [chance.choice(list(truncated(sound))) for sound in seeds(app) for _ in range(3)]
    assert len({one.name for one in cases}) == 20
    for batch in in_batches(sorted(cases, key=lambda one: one.kind)):
        send(client, batch)


@pytest.mark.parametrize("data", OTHERS, ids=range(len(OTHERS)))
def test_what_is_no_request_and_no_list_says_so(client, data):
    for kind in ("request", "pieces"):
        send(client, [Case("file.json" if data[:1] in b"{[" else "file", data, kind, repr(data[:40]))])


BOMB = b"\r\n".join(
    [
        *(b"BEGIN:VCALENDAR", b"VERSION:2.0", b"PRODID:-//Marlow Bridge College//Lessons//EN"),
        *(b"BEGIN:VEVENT", b"UID:1", b"DTSTAMP:20260901T080000Z", b"SUMMARY:Monster"),
        *(b"DTSTART:19000101T000000Z", b"DURATION:PT1H", b"RRULE:FREQ=HOURLY", b"END:VEVENT"),
        *(b"BEGIN:VEVENT", b"UID:2", b"DTSTAMP:20260901T080000Z", b"SUMMARY:Lesson"),
        *(b"DTSTART:20270106T160000Z", b"DTEND:20270106T170000Z", b"END:VEVENT", b"END:VCALENDAR", b""),
    ]
)


def test_a_calendar_that_takes_too_long_costs_the_event_that_does(client):
    """The limit on processor time fires, is told at the file, and the lesson beside the monster is read."""
    page = posted(client, "calendar-new-file", [("bomb.ics", BOMB)])
    said = "".join(page.text)
    assert "takes more than 2 seconds of processor time" in said
    assert "1 busy times read" in said


@pytest.mark.parametrize(
    ("name", "kept"),
    [
        ("../../../etc/passwd", "passwd"),
        ("C:\\Users\\me\\my week.ics", "my week.ics"),
        ("a\x1bb\u202ec.ics", "a b c.ics"),
        ("n" * 10_000 + ".ics", "n" * 76 + ".ics"),
        ("folder/", "file"),
        ("\0", "file"),
        ("\ud800.ics", ".ics"),
    ],
)
def test_a_files_name_is_its_own_on_one_line_and_not_too_long(name, kept):
    assert making.own_name(name) == kept


def test_half_characters_in_a_file_are_marked_and_the_rest_is_kept(client):
    """JSON can write what no page can show (RFC 8259 §8.2)."""
    data = rb'{"schema": 1, "title": "a\ud800b", "exam": [{"subject": "Latin \udfff"}]}'
    page = posted(client, "request-file", [("request.json", data)], act="preview")
    assert page.fields["title"] == "a\ufffdb"
    assert page.fields["exam-1-subject"] == "Latin \ufffd"


def test_a_file_beyond_the_most_is_refused_at_its_field_and_the_form_stays(own):
    client = own.test_client()
    large = b"x" * (served.service_of(own).settings.upload_bytes + 1)
    for field in ("calendar-new-file", "exam-1-file", "request-file"):
        page = posted(client, field, [("large.bin", large)])
        assert any("large.bin: this file is too large." in said.lower() for said in page.listed), field
        assert page.fields["exam-1-subject"] == FORM["exam-1-subject"]
    assert everything(own)["uploads"] == []


def test_a_form_takes_no_more_calendars_than_a_plan_may_have(own):
    page = posted(own.test_client(), "calendar-new-file", [(f"{number}.ics", b"x") for number in range(25)])
    assert "20.ics: a plan has at most 20 calendars." in " ".join(page.listed)
    assert len(everything(own)["uploads"]) == 20


def test_a_line_of_a_hundred_thousand_signs_is_refused_at_once(client):
    """A wrong line used to be searched in quadratic time, and nothing else was served meanwhile."""
    data = b"title = " + b" " * 900_000 + b"!"
    send(client, [Case("long.toml", data, "request", "spaces")])


# ------------------------------------------------------------------------------------------------------ raw HTTP


@pytest.fixture(scope="module")
def port(app: Flask) -> Iterator[int]:
    """A real server, with its limits as ``python -m web`` sets them."""
    most = served.service_of(app).settings.body_bytes
    with served.live(app, max_request_body_size=most, channel_timeout=20) as number:
        yield number


def spoken(port: int, sent: bytes, *, shut: bool = True) -> bytes:
    """Everything that the server says to some bytes; a client that stops sending is at its end."""
    with socket.create_connection(("127.0.0.1", port), timeout=20) as wire:
        said = b""
        with suppress(ConnectionResetError, BrokenPipeError):  # it had heard enough
            wire.sendall(sent)
            if shut:
                wire.shutdown(socket.SHUT_WR)
            while more := wire.recv(65_536):
                said += more
        return said


def status(said: bytes) -> int:
    """The status of the first answer; 0 where there is none."""
    found = re.match(rb"HTTP/1\.[01] ([0-9]{3}) ", said)
    return int(found[1]) if found else 0


FRAME = b"Content-Type: multipart/form-data; boundary=b\r\n"
PART = b'--b\r\nContent-Disposition: form-data; name="%s"\r\n\r\n%s\r\n'


def post(head: bytes, body: bytes, *, length: int | None = None, address: bytes = b"/make") -> bytes:
    """A POST with these header lines."""
    size = len(body) if length is None else length
    return (
        b"POST %s HTTP/1.1\r\nHost: 127.0.0.1\r\nConnection: close\r\n" % address
        + head
        + (b"Content-Length: %d\r\n\r\n" % size)
        + body
    )


def get(target: bytes, head: bytes = b"Host: 127.0.0.1\r\n", *, method: bytes = b"GET") -> bytes:
    return method + b" " + target + b" HTTP/1.1\r\n" + head + b"Connection: close\r\n\r\n"


URLENCODED = b"Content-Type: application/x-www-form-urlencoded\r\n"
CHUNKED = b"POST /make HTTP/1.1\r\nHost: 127.0.0.1\r\nConnection: close\r\nTransfer-Encoding: chunked\r\n"
CHUNKED += URLENCODED + b"\r\n"

RAW = {
    "nothing": b"",
    "blank lines": b"\r\n" * 100,
    "noise": bytes(range(256)) * 4,
    "TLS": b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03" + b"\0" * 300,
    "no version": b"GET /\r\n\r\n",
    "version 9": b"GET / HTTP/9.9\r\nHost: 127.0.0.1\r\n\r\n",
    "truncated body": post(FRAME, PART % (b"zone", b"x"), length=5_000),
    "truncated headers": b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX-A",
    "length too small": post(URLENCODED, b"zone=America/Chicago&act=preview", length=4),
    "length no number": post(URLENCODED + b"Content-Length: 1x\r\n", b"a"),
    "length negative": post(URLENCODED, b"a", length=-1),
    "length huge": post(URLENCODED, b"a", length=10**30),
    "two lengths": post(URLENCODED + b"Content-Length: 7\r\n", b"a=b"),
    "chunks of nonsense": CHUNKED + b"zz\r\nab\r\n0\r\n\r\n",
    "chunk too long": CHUNKED + b"ffffffffffffffff\r\nab\r\n0\r\n\r\n",
    "chunk without end": CHUNKED + b"5\r\nab",
    "chunks in order": CHUNKED + b"9\r\nact=keep&\r\n0\r\n\r\n",
    "both lengths": post(URLENCODED + b"Transfer-Encoding: chunked\r\n", b"0\r\n\r\n"),
    "encoded otherwise": post(URLENCODED + b"Transfer-Encoding: gzip, chunked\r\n", b"0\r\n\r\n"),
    "huge header": get(b"/", b"Host: 127.0.0.1\r\nX-A: " + b"a" * 400_000 + b"\r\n"),
    "many headers": get(b"/", b"Host: 127.0.0.1\r\n" + b"X-A: a\r\n" * 20_000),
    "header without colon": get(b"/", b"Host: 127.0.0.1\r\nnonsense\r\n"),
    "header folded": get(b"/", b"Host: 127.0.0.1\r\nX-A: a\r\n b\r\n"),
    "header with NUL": get(b"/", b"Host: 127.0.0.1\r\nX-A: \0\r\n"),
    "header not UTF-8": get(b"/", b"Host: 127.0.0.1\r\nAccept-Language: \xff\xfe;q=\xff\r\nCookie: \xff\r\n"),
    "languages": get(b"/", b"Host: 127.0.0.1\r\nAccept-Language: " + b"de;q=1e309,;;,=," * 2_000 + b"\r\n"),
    "range": get(b"/static/look.css", b"Host: 127.0.0.1\r\nRange: bytes=9-1,-0," + b"0-1," * 5_000 + b"\r\n"),
    "multipart without boundary": post(b"Content-Type: multipart/form-data\r\n", PART % (b"zone", b"x")),
    "multipart with a wrong boundary": post(FRAME.replace(b"=b", b"=c"), PART % (b"zone", b"x") + b"--b--\r\n"),
    "multipart with an empty boundary": post(FRAME.replace(b"=b", b'=""'), b"----\r\n\r\n\r\n----\r\n"),
    "multipart with an endless boundary": post(FRAME.replace(b"=b", b"=" + b"b" * 9_000), b"--b--\r\n"),
    "multipart without end": post(FRAME, PART % (b"zone", b"x")),
    "multipart without names": post(FRAME, b"--b\r\n\r\nx\r\n--b\r\nContent-Disposition: \xff\r\n\r\n\r\n--b--\r\n"),
    "multipart with a broken file name": post(
        FRAME,
        b'--b\r\nContent-Disposition: form-data; name="exam-1-file"; filename="a\r\nX: "\r\n\r\nquiz\r\n--b--\r\n',
    ),
    "multipart in no charset": post(
        FRAME,
        b"--b\r\nContent-Disposition: form-data; name=title; filename*=utf-99''%ff\r\n"
        b"Content-Type: text/plain; charset=no-such\r\n\r\n\xff\r\n--b--\r\n",
    ),
    "thousands of parts": post(
        FRAME, b"".join(PART % (b"a%d" % number, b"") for number in range(6_000)) + b"--b--\r\n"
    ),
    "thousands of files": post(
        FRAME,
        b"".join(
            b'--b\r\nContent-Disposition: form-data; name="calendar-new-file"; filename="%d.ics"\r\n\r\n\r\n' % number
            for number in range(4_000)
        )
        + b"--b--\r\n",
    ),
    "form as JSON": post(b"Content-Type: application/json\r\n", b'{"act": "keep"}'),
    "form of no type": post(b"", b"act=keep"),
    "half characters": post(URLENCODED, b"title=%ED%A0%80&zone=%FF%FE&%ED%B0%80=%C0%80&act=preview"),
    "broken escapes": post(URLENCODED, b"title=%&zone=%G1&busy=%u0041&act=preview&&&=&=="),
    "method TRACE": get(b"/", method=b"TRACE"),
    "method OPTIONS": get(b"/make", method=b"OPTIONS"),
    "method OPTIONS of all": get(b"*", method=b"OPTIONS"),
    "method PUT": get(b"/make", method=b"PUT"),
    "method in small letters": get(b"/", method=b"get"),
    "method of our own": get(b"/", method=b"FLY"),
    "method CONNECT": get(b"127.0.0.1:80", method=b"CONNECT"),
    "NUL in the path": get(b"/plan/%00"),
    "dots in the path": get(b"/static/%2e%2e/%2e%2e/config.py"),
    "dots as they are": get(b"/static/../../../../etc/passwd"),
    "backslashes": get(b"/static/..%5c..%5cconfig.py"),
    "slashes": get(b"//example.org//make"),
    "path not UTF-8": get(b"/plan/%ff%fe"),
    "path not ASCII": get(b"/plan/\xff"),
    "long path": get(b"/plan/" + b"a" * 100_000),
    "long query": get(b"/?" + b"a=b&" * 25_000),
    "absolute": get(b"http://127.0.0.1/help"),
    "absolute elsewhere": get(b"http://example.org/help"),
    "done with a line break": get(b"/?done=%0d%0aX-Injected:%20yes"),
    "uid with a line break": get(b"/block/x/%0d%0aX-Injected:%20yes"),
    "no host": get(b"/", b""),
    "another host": get(b"/", b"Host: example.org\r\n"),
    "two hosts": get(b"/", b"Host: 127.0.0.1\r\nHost: example.org\r\n"),
    "host with a path": get(b"/", b"Host: 127.0.0.1/@example.org\r\n"),
    "host with a user": get(b"/", b"Host: 127.0.0.1@example.org\r\n"),
    "host with no number": get(b"/", b"Host: 127.0.0.1:99999999\r\n"),
    "host in brackets": get(b"/", b"Host: [::1\r\n"),
    "host of nothing": get(b"/", b"Host: \r\n"),
    "forwarded": get(b"/", b"Host: 127.0.0.1\r\nX-Forwarded-Host: example.org\r\nX-Forwarded-Proto: javascript\r\n"),
    "two requests at once": get(b"/help").replace(b"close", b"keep-alive") + get(b"/privacy"),
    "one request within another": post(URLENCODED, get(b"/help"), length=0),
}
"""What goes over the wire."""


@pytest.mark.parametrize("name", RAW)
def test_whatever_comes_over_the_wire_the_service_goes_on_serving(app, kept, port, name):
    """An answer is no fault of ours (501 and 503 are words for what is not done); a feed is whole right after it."""
    said = spoken(port, RAW[name])
    assert status(said) < 500 or status(said) in (501, 503), said[:200]
    head = said.partition(b"\r\n\r\n")[0]
    assert b"\r\nX-Injected" not in head
    assert b"example.org" not in said
    assert b"Traceback" not in said
    assert b"root:" not in said
    assert b"class Settings" not in said
    feed = spoken(port, get(served.feed_path(app, kept.id).encode()))
    assert status(feed) == 200
    assert feed.endswith(b"END:VCALENDAR\r\n")


def test_a_body_beyond_the_most_is_413(app, kept, port):
    """13 MB, whether its length is said or it comes in chunks (RFC 9110 §15.5.14)."""
    most = 13_000_000
    said = spoken(port, post(FRAME, PART % (b"title", b"x" * most)), shut=False)
    assert status(said) in (413, 0)  # 0: the answer was lost with the connection, which the server may cut off
    said = spoken(port, post(FRAME, b"", length=most), shut=False)
    assert status(said) == 413
    said = spoken(port, CHUNKED + b"".join(b"f4240\r\n" + b"x" * 1_000_000 + b"\r\n" for _ in range(13)), shut=False)
    assert status(said) in (413, 0)
    assert status(spoken(port, get(served.feed_path(app, kept.id).encode()))) == 200


# ------------------------------------------------------------------------------------------------- another's plan

ALPHABET = ascii_letters + digits + "-_"


def mutants(token: str) -> Iterator[str]:
    """Tokens that are none: each bit flipped, shortened, lengthened, spelt otherwise."""
    raw = urlsafe_b64decode(token)
    for place in range(8 * len(raw)):
        flipped = bytearray(raw)
        flipped[place // 8] ^= 1 << place % 8
        yield urlsafe_b64encode(bytes(flipped)).decode()
    yield from (token[:length] for length in range(1, len(token), 7))
    yield from (token + more for more in ("A", "=", "====", "\n", " ", "AAAA", "/", ".ics", "\0"))
    yield from (more + token for more in ("A", " ", "\n", "AAAA"))
    yield token.swapcase()
    yield token[::-1]
    yield token.replace("-", "+").replace("_", "/") if set("-_") & set(token) else f"+{token[1:]}"
    yield f"{token[:10]}\n{token[10:]}"
    yield f"{token[:10]}={token[10:]}"
    yield "".join(chr(ord(char) + 0xFEE0) for char in token)  # the same letters, in full width


ADDRESSES = {
    Power.MANAGE: ("/plan/{}", "/plan/{}/change", "/plan/{}/take-along", "/plan/{}/plan.ics", "/plan/{}/paper"),
    Power.VIEW: ("/view/{}", "/view/{}/paper"),
    Power.CHECK_IN: ("/block/{}/x",),
    Power.FEED: ("/feed/{}.ics",),
}


@pytest.mark.parametrize("power", ADDRESSES)
def test_a_token_changed_in_any_bit_or_spelling_opens_nothing(app, client, kept, power):
    for number, token in enumerate(mutants(served.token(app, power, kept.id))):
        addresses = ADDRESSES[power]
        answer = client.get(addresses[number % len(addresses)].format(quote(token, safe="")))
        assert answer.status_code == 404, (power, token)
        assert CANARY not in answer.text


@pytest.mark.parametrize("power", ADDRESSES)
def test_a_token_of_another_power_or_generation_opens_nothing(app, client, kept, power):
    for address in ADDRESSES[power]:
        for other in Power:
            for generation in (0, 1, 2, 2**24 - 1):
                token = served.token(app, other, kept.id, generation)
                right = other is power and generation == 1 and power is not Power.VIEW  # there is no view yet
                answer = client.get(address.format(token))
                if right:
                    assert answer.status_code in (200, 404)  # 404: no such block
                    continue
                assert answer.status_code == (410 if other is power else 404), (address, other, generation)
                assert CANARY not in answer.text


def test_the_only_other_spelling_that_opens_is_the_same_address(app, client, kept):
    """Percent-encoding of letters makes no other address (RFC 3986 §6.2.2.2): it is the right token, or nothing."""
    token = served.token(app, Power.MANAGE, kept.id)
    spelt = "".join(f"%{ord(char):02X}" for char in token)
    assert client.get(f"/plan/{spelt}").status_code == 200
    assert client.get(f"/plan/{quote(spelt)}").status_code == 404


def unpacked(data: bytes) -> bytes:
    """An answer's bytes; of an archive those of all its files, with their names."""
    if not data.startswith(b"PK"):
        return data
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        return b"".join(name.encode() + archive.read(name) for name in archive.namelist())


def test_nothing_of_one_plan_is_said_under_the_tokens_of_another(own):
    """A and B are kept; with every token of B, at every address, in every method, no word of A comes out."""
    a, b = planted(own), served.keep(own, "chemistry-3", title="B")
    with store.writing(served.service_of(own).engine) as connection:
        assert store.set_view(connection, b.id, True)
        uids = [plans.opened(found).plan.blocks[0].uid for one in (a, b) if (found := store.find(connection, one.id))]
    members = [served.keep_cohort(own, one).key for one in (a, b)]
    client, before = own.test_client(), {row for row in everything(own)["plans"] if a.id in row}
    secrets = [CANARY, a.id, *(served.token(own, power, a.id) for power in Power)]
    for rule in own.url_map.iter_rules():
        if "token" not in rule.arguments or rule.endpoint == "student.delete":
            continue
        for power in Power:
            for uid, member in zip(uids, members, strict=True):
                values = {"token": served.token(own, power, b.id), "uid": uid, "member": member, "name": "t"}
                _, path = rule.build({name: values[name] for name in rule.arguments}) or ("", "")
                for method in ("GET", "HEAD", "POST"):
                    form = FORM | {"act": "preview", "version": "1", "exam-1-subject": "B"} if method == "POST" else {}
                    answer = client.open(path, method=method, data=form)
                    assert answer.status_code < 500
                    said = unpacked(answer.data).decode() + str(answer.headers)
                    assert not any(secret in said for secret in secrets), (path, method)
    assert before == {row for row in everything(own)["plans"] if a.id in row}
    seen = client.get(f"{manage(own, a)}/take-along").text
    assert CANARY in seen  # what was looked for would have been found


def test_a_calendar_that_waits_is_read_under_its_own_long_id_alone(own):
    """An id guessed, empty or of another shape brings no one's calendar."""
    client = own.test_client()
    secret = BOMB.replace(b"Lesson", CANARY.encode()).replace(b"FREQ=HOURLY", b"FREQ=DAILY;COUNT=1")
    page = posted(client, "calendar-new-file", [("a.ics", secret)])
    upload = page.fields["calendar-1-upload"]
    assert len(urlsafe_b64decode(upload)) * 8 >= 96
    for guess in (upload[:-1], upload.swapcase(), "", "%", "*", "a.ics", "' OR 1=1 --", upload + "\n", f" {upload}"):
        form = FORM | {"act": "read", "calendar-1-name": "a.ics", "calendar-1-upload": guess}
        assert CANARY not in client.post("/make", data=form).text, guess
    form = FORM | {"act": "read", "calendar-1-name": "a.ics", "calendar-1-upload": upload}
    assert CANARY in client.post("/make", data=form).text


# ------------------------------------------------------------------------------------------------- too much of it


def refused(answer: Any) -> None:
    """429, with the seconds to wait (RFC 6585 §4)."""
    page = faultless(answer, "limit", allowed=(429,))
    assert page is None or "more than one address may ask for" in "".join(page.text)
    assert int(answer.headers["Retry-After"]) > 0


def test_beyond_its_limits_an_address_waits_and_feeds_go_on(tmp_path):
    """Creations, previews and misses each have a limit of their own; none of them touches a calendar."""
    app = served.application(tmp_path, creations=1, previews=4, misses=2)
    client, other, plan = app.test_client(), {"REMOTE_ADDR": "192.0.2.7"}, planted(app)
    assert client.post("/make", data=FORM | {"act": "keep"}).status_code == 303
    refused(client.post("/make", data=FORM | {"act": "keep"}))
    assert len(everything(app)["plans"]) == 2
    assert client.post("/make/preview", data=FORM).status_code == 200
    assert client.post(f"{manage(app, plan)}/change/preview", data=FORM).status_code == 200
    for address in ("/make", "/make/preview", f"{manage(app, plan)}/change", f"{manage(app, plan)}/change/preview"):
        refused(client.post(address, data=FORM | {"act": "preview", "version": "1"}))
    assert [client.get(f"/plan/{number}").status_code for number in range(2)] == [404, 404]
    for address in ("/plan/x", "/view/x", "/block/x/y", "/feed/x.ics", "/nowhere"):
        answer = client.get(address)
        assert answer.status_code == 429, address
        assert int(answer.headers["Retry-After"]) > 0
    assert client.get(served.feed_path(app, plan.id)).status_code == 200
    assert client.get(manage(app, plan)).status_code == 200
    assert client.post("/make/preview", data=FORM, environ_base=other).status_code == 200
    served.service_of(app).engine.dispose()


def test_what_one_address_has_stored_in_an_hour_is_limited_by_bytes(tmp_path):
    """Files that no plan is made of cannot fill the disk: beyond the limit they are refused at their field, and all
    that was typed stays; a while later there is room again."""
    clock = served.Clock()
    app = served.application(tmp_path, clock, kept_bytes=50_000)
    client = app.test_client()

    def sent(size: int) -> Page:
        page = posted(client, "calendar-new-file", [("week.ics", b"x" * size)], title="Typed")
        assert page.fields["title"] == "Typed"
        return page

    def full(page: Page) -> bool:
        return any("week.ics: more was sent from your network" in said.lower() for said in page.listed)

    assert [full(sent(20_000)) for _ in range(4)] == [False, False, True, True]
    assert len(everything(app)["uploads"]) == 2
    clock.forward(minutes=30)
    assert not full(sent(20_000))
    assert len(everything(app)["uploads"]) == 3
    served.service_of(app).engine.dispose()


def test_a_plan_and_its_calendars_count_as_stored_too(tmp_path):
    """One calendar, named in plan after plan, is stored with each of them; so is each version of a plan."""
    app = served.application(tmp_path, kept_bytes=60_000)
    client = app.test_client()
    page = posted(client, "calendar-new-file", [("week.ics", BOMB.replace(b"HOURLY", b"YEARLY"))])
    form = FORM | {"calendar-1-name": "week.ics", "calendar-1-upload": page.fields["calendar-1-upload"], "act": "keep"}
    answers = []
    while not answers or answers[-1].status_code == 303:
        assert len(answers) < 60
        answers.append(client.post("/make", data=form))
    refused(answers[-1])
    assert len(everything(app)["plans"]) == len(answers) - 1 > 1
    plan = answers[0].location.partition("#")[0]
    refused(client.post(f"{plan}/change", data=FORM | {"act": "keep", "version": "1", "title": "x" * 100}))
    assert len(everything(app)["revisions"]) == 0
    served.service_of(app).engine.dispose()


# ------------------------------------------------------------------------------------------------ looking is looking


def test_no_get_and_no_head_changes_anything(own):
    """Every address × GET and HEAD, with every token, right and wrong: the tables are what they were before."""
    plan = planted(own)
    with store.writing(served.service_of(own).engine) as connection:
        store.set_view(connection, plan.id, True)
        store.put_upload(connection, "waits", "week.ics", BOMB, now=served.NOW)
    with store.reading(served.service_of(own).engine) as connection:
        found = store.find(connection, plan.id)
    assert found is not None
    member = served.keep_cohort(own, plan).key
    uid, before, client = plans.opened(found).plan.blocks[0].uid, everything(own), own.test_client()
    for rule in own.url_map.iter_rules():
        for power in Power:
            values = {
                "token": served.token(own, power, plan.id),
                "uid": uid,
                "member": member,
                "name": "t",
                "filename": "look.css",
            }
            _, path = rule.build({name: values[name] for name in rule.arguments}) or ("", "")
            for method in ("GET", "HEAD"):
                for query in ("", "?act=delete&done=share&version=1&minutes=5&alarm=on"):
                    answer = client.open(path + query, method=method)
                    answer.close()  # the file of a static address
                    assert answer.status_code in (200, 404, 405), (path, method)
    assert everything(own) == before


# ---------------------------------------------------------------------------------------------------------- two tabs


def version(client: FlaskClient, address: str) -> dict[str, str]:
    """A tab that has the form for a change open: what it would send."""
    return Page(client.get(f"{address}/change").text).fields | FORM


def test_of_two_tabs_that_change_a_plan_the_later_is_told_and_keeps_what_was_typed(own):
    client = own.test_client()
    plan = client.post("/make", data=FORM | {"act": "keep", "title": "Before"}).location.partition("#")[0]
    first, second = version(client, plan), version(client, plan)
    mine = {"act": "keep", "title": "Mine", "busy": "2027-01-06 18:00-19:00 Choir"}
    assert client.post(f"{plan}/change", data=first | {"act": "keep", "title": "Theirs"}).status_code == 303
    answer = client.post(f"{plan}/change", data=second | mine)
    page = faultless(answer, "conflict", allowed=(409,))
    assert page is not None
    assert "title: it was Before, and is Theirs now." in page.listed
    assert (page.fields["title"], page.fields["busy"]) == ("Mine", mine["busy"])
    assert page.fields["version"] == "2"
    assert json.loads(client.get(f"{plan}/take-along").text)["request"]["title"] == "Theirs"
    assert client.post(f"{plan}/change", data=page.fields | {"act": "keep"}).status_code == 303
    assert json.loads(client.get(f"{plan}/take-along").text)["request"]["title"] == "Mine"


def test_a_version_that_was_never_there_is_a_conflict_and_no_fault(own):
    client, plan = own.test_client(), planted(own)
    for known in ("", "0", "-1", "2", "١", "1.0", "9" * 400, "999999999", "x", "1 "):
        form = FORM | {"act": "keep", "version": known, "title": "Mine"}
        page = faultless(client.post(f"{manage(own, plan)}/change", data=form), known, allowed=(409,))
        assert page is not None
        assert page.fields["title"] == "Mine"
    assert everything(own)["revisions"] == []


def test_of_two_tabs_that_set_reminders_the_later_counts_and_nothing_is_lost(own):
    client, plan = own.test_client(), planted(own)
    for minutes in ("10", "25"):
        form = {"act": "alarms", "alarm": "on", "minutes": minutes}
        assert client.post(f"{manage(own, plan)}/calendar", data=form).status_code == 303
    feed = client.get(served.feed_path(own, plan.id)).text
    assert "TRIGGER:-PT25M" in feed
    assert "TRIGGER:-PT10M" not in feed
    first = {"act": "keep", "version": "1", "title": "Mine"}  # the form was open before the reminders
    page = faultless(client.post(f"{manage(own, plan)}/change", data=FORM | first), "reminders", allowed=(409,))
    assert page is not None
    assert "Nothing that the form below shows." in page.listed


@pytest.mark.parametrize("minutes", ["", "-1", "1441", "١٢", "1e1", "5.5", " ", "9" * 5_000, "\0", "²"])
def test_minutes_that_are_none_are_told_and_change_nothing(own, minutes):
    client, plan = own.test_client(), planted(own)
    before = everything(own)
    answer = client.post(f"{manage(own, plan)}/calendar", data={"act": "alarms", "alarm": "on", "minutes": minutes})
    page = faultless(answer, minutes, allowed=(422,))
    assert page is not None
    assert "whole number from 0 to 1440" in "".join(page.text)
    assert everything(own) == before


def test_what_was_deleted_in_one_tab_does_not_come_back_in_the_other(own):
    """410 for the change, its preview, the reminders and a second delete; neither plan, feed nor version is there."""
    client = own.test_client()
    plan = client.post("/make", data=FORM | {"act": "keep"}).location.partition("#")[0]
    form = version(client, plan)
    assert client.post(f"{plan}/delete", data={"act": "delete"}).status_code == 303
    for way, more in (
        ("change", {"act": "keep", "title": "Mine"}),
        ("change", {"act": "preview"}),
        ("change/preview", {}),
        ("calendar", {"act": "alarms", "alarm": "on", "minutes": "5"}),
        ("calendar", {"act": "replace-manage"}),
        ("delete", {"act": "delete"}),
    ):
        faultless(client.post(f"{plan}/{way}", data=form | more), way, allowed=(410,))
    assert {name: rows for name, rows in everything(own).items() if name != "uploads" and rows} == {}


def test_a_plan_deleted_while_a_change_of_it_is_worked_out_does_not_come_back(own, monkeypatch):
    """The delete lands between reading the plan and writing the change: 410, and nothing is there."""
    client, plan = own.test_client(), planted(own)
    real = plans.redraft

    def slow(*arguments: Any) -> Any:
        served.delete(own, plan.id)
        return real(*arguments)

    monkeypatch.setattr(plans, "redraft", slow)
    form = FORM | {"act": "keep", "version": "1", "title": "Mine"}
    faultless(client.post(f"{manage(own, plan)}/change", data=form), "delete meanwhile", allowed=(410,))
    assert {name: rows for name, rows in everything(own).items() if rows} == {}


def test_a_plan_changed_while_another_change_of_it_is_worked_out_is_a_conflict(own, monkeypatch):
    """The other change lands between reading the plan and writing: 409, and the other change stands."""
    client, plan = own.test_client(), planted(own)
    real = plans.redraft

    def slow(*arguments: Any) -> Any:
        served.change_alarm(own, plan.id, 15)
        return real(*arguments)

    monkeypatch.setattr(plans, "redraft", slow)
    form = FORM | {"act": "keep", "version": "1", "title": "Mine"}
    page = faultless(client.post(f"{manage(own, plan)}/change", data=form), "change meanwhile", allowed=(409,))
    assert page is not None
    assert page.fields["title"] == "Mine"
    assert "TRIGGER:-PT15M" in client.get(served.feed_path(own, plan.id)).text
