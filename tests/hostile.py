"""Files made wrong on purpose for the service's uploads, and the rules that every answer to hostile input keeps.

    python -m tests.hostile --files 2000 --seed 1     two thousand files, the same ones for the same seed
    python -m tests.hostile --every                   every truncation of every seed file

The rules: no answer is a fault of ours, none shows a trace, no page has a script that its template did not have, and of
each file that was sent the page says what was read in it, or in a sentence why not.
"""

from __future__ import annotations

import codecs
import random
import tempfile
from html.parser import HTMLParser
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import click

from tests import served
from web import plans

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from flask import Flask
    from flask.testing import FlaskClient
    from werkzeug.test import TestResponse

MOST_CALENDARS = 20
"""Calendars that one form may hold, so that many are looked at in one request."""

FORM = {
    "exam-1-key": "exam-1",
    "exam-1-subject": "Chemistry",
    "exam-1-day": "2027-01-20",
    "exam-1-hour": "09:00",
    "exam-1-minutes": "60",
    "exam-1-quiz-count": "3",
    "zone": "America/Chicago",
    "hours-1-mon": "yes",
    "hours-1-wed": "yes",
    "hours-1-start": "16:00",
    "hours-1-end": "21:00",
}
"""A form with little work in it, so that its plan is made in a moment."""


# ------------------------------------------------------------------------------------------------- what pages say


class Page(HTMLParser):
    """A page as a browser reads it: the fields of its form, its scripts, its text, and what no page here has."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.fields: dict[str, str] = {}
        self.names: set[str] = set()
        self.scripts: list[str] = []
        self.foreign: list[str] = []
        self.problems: dict[str, list[str]] = {}
        self.listed: list[str] = []
        self.legends: list[str] = []
        self.text: list[str] = []
        self._within: list[str] = []
        self._area = self._select = self._problem = ""
        self._template = 0
        self.feed(text)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        values = {name: value or "" for name, value in attrs}
        if tag == "script":
            self.scripts.append(values.get("src", "inline"))
        self.foreign += [f"{tag} {name}" for name in values if name.startswith("on") or name == "style"]
        self.foreign += [tag] if tag in ("iframe", "object", "embed", "style", "base", "canary") else []
        self._template += tag == "template"
        if tag not in VOID:
            self._within.append(tag)
        self.open(tag, values)

    def open(self, tag: str, values: dict[str, str]) -> None:
        name = values.get("name", "")
        if name and not self._template and tag in ("input", "select", "textarea"):
            self.names.add(name)
        if tag == "p" and values.get("class") == "problem":
            self._problem = values.get("id", "")
        if tag == "li":
            self.listed.append("")
        if tag == "legend":
            self.legends.append("")
        if self._template or not name:
            if tag == "option" and self._select and "selected" in values:
                self.fields[self._select] = values["value"]
            return
        self._area = name if tag == "textarea" else self._area
        self._select = name if tag == "select" else self._select
        if tag == "textarea":
            self.fields[name] = ""
        held = values.get("type") not in ("file", "checkbox", "radio") or "checked" in values
        if tag == "input" and held:
            self.fields[name] = values.get("value", "")

    def handle_endtag(self, tag: str) -> None:
        self._template -= tag == "template"
        self._area = "" if tag == "textarea" else self._area
        self._select = "" if tag == "select" else self._select
        self._problem = "" if tag == "p" else self._problem
        while tag in self._within and self._within.pop() != tag:
            pass

    def handle_data(self, data: str) -> None:
        if self._area:
            # HTML §13.2.6.4.7: a line break at the very start of a textarea is dropped; the template puts one there.
            whole = self.fields[self._area] + data
            self.fields[self._area] = whole.removeprefix("\n") if not self.fields[self._area] else whole
        self.text.append(data)
        if self._problem:
            self.problems.setdefault(self._problem.partition("-problem")[0], []).append(data)
        if "li" in self._within and self.listed:
            self.listed[-1] += data
        if self._within[-1:] == ["legend"] and not self._template:
            self.legends[-1] += data


VOID = {"area", "base", "br", "col", "embed", "hr", "img", "input", "link", "meta", "source", "track", "wbr", "path"}
"""Elements without an end (HTML §13.1.2), and the pictures' own."""

SCRIPTS = {"/static/page.js", "/static/form.js", "/static/strip.js"}


def faultless(answer: TestResponse, what: object, *, allowed: Iterable[int] = (200, 303, 422)) -> Page | None:
    """The page of an answer that keeps the rules; ``None`` where the answer is none. Fails for any other."""
    assert answer.status_code in allowed, (what, answer.status)
    text = answer.get_data(as_text=True)
    for trace in ("Traceback (most recent", "site-packages", ".py&#34;, line", '.py", line'):
        assert trace not in text, (what, trace)
    if answer.mimetype != "text/html":
        return None
    page = Page(text)
    assert set(page.scripts) <= SCRIPTS, (what, page.scripts)
    assert page.foreign == [], (what, page.foreign)
    return page


# -------------------------------------------------------------------------------------------------- seed files

PIECES = b"""kind;title;result;in hand from;topic;answers
quiz;"Quiz 3: kinetics; again";14/20;2027-01-04;rates;worked
homework;Sheet 4;3;2027-01-05;;none
test;Midterm;31/40;2026-12-11;;answers
notes;Chapter 4;;;gases;
"""


class Seed(NamedTuple):
    """A sound file that others are made of, and what it is sent as."""

    name: str
    data: bytes
    kind: str


def seeds(app: Flask) -> list[Seed]:
    """Twenty sound or almost sound files: calendars, requests, pieces, and a plan that was taken along."""
    made = [Seed(path.name, path.read_bytes(), "calendar") for path in sorted(CALENDARS.glob("*.ics"))]
    made += [Seed(f"{name}.ics", (CALENDARS / "hostile" / f"{name}.ics").read_bytes(), "calendar") for name in CHOSEN]
    made += [Seed(f"{name}.toml", (served.FIXTURES / f"{name}.toml").read_bytes(), "request") for name in REQUESTS]
    made.append(Seed("full-example.json", (served.FIXTURES / "full-example.json").read_bytes(), "request"))
    made.append(Seed("plan.json", taken_along(app), "request"))
    made.append(Seed("pieces.csv", PIECES, "pieces"))
    return made


CALENDARS = served.FIXTURES / "calendars"
CHOSEN = ("own-zone", "free-busy-types", "this-and-future", "two-calendars", "vendor-zone", "exception-is-no-date")
REQUESTS = ("chemistry-30", "finals-week", "full-example", "full-week", "travelling-team", "textbook-only")


def taken_along(app: Flask) -> bytes:
    """A plan as its owner takes it along."""
    return plans.take_along(plans.opened(served.keep(app, "chemistry-3")))


# ------------------------------------------------------------------------------------------------ making it wrong


class Case(NamedTuple):
    """A file to send: its name, its bytes, what it is sent as, and what was done to it."""

    name: str
    data: bytes
    kind: str
    done: str


def truncated(seed: Seed) -> Iterator[Case]:
    """The file cut off at every byte."""
    for length in range(len(seed.data)):
        yield Case(seed.name, seed.data[:length], seed.kind, f"cut at {length}")


def files(app: Flask, chance: random.Random) -> Iterator[Case]:
    """Wrong files without end, made of the seeds in turn."""
    sound = seeds(app)
    while True:
        for seed in sound:
            done, change = chance.choice(CHANGES)
            data = change(seed.data, chance)
            name, kind = seed.name, seed.kind
            if chance.random() < 0.1:
                kind = chance.choice(("calendar", "request", "pieces"))
            if chance.random() < 0.15:
                name = chance.choice(NAMES)
            yield Case(name, data, kind, f"{seed.name}, {done}")


def cut(data: bytes, chance: random.Random) -> bytes:
    return data[: chance.randrange(len(data) + 1)]


def flipped(data: bytes, chance: random.Random) -> bytes:
    made = bytearray(data)
    for _ in range(chance.randint(1, 12)):
        made[chance.randrange(len(made))] ^= 1 << chance.randrange(8)
    return bytes(made)


def doubled(data: bytes, chance: random.Random) -> bytes:
    start = chance.randrange(len(data))
    chunk = data[start : start + chance.randint(1, 400)] * chance.choice((1, 2, 50))
    place = chance.randrange(len(data))
    return data[:place] + chunk + data[place:]


def shuffled(data: bytes, chance: random.Random) -> bytes:
    lines = data.split(b"\n")
    chance.shuffle(lines)
    return b"\n".join(lines)


def lengthened(data: bytes, chance: random.Random) -> bytes:
    place = chance.randrange(len(data))
    return data[:place] + chance.choice((b"x", b"9", b".", b" ", b"\xff", b'"', b"[")) * 100_000 + data[place:]


def nested(data: bytes, chance: random.Random) -> bytes:
    depth = chance.choice((50, 400, 990, 20_000))
    wrong = (
        b'{"schema": 1, "plan": {}, "request": {"exam": ' + b"[" * depth + b"]" * depth + b"}}",
        b'{"a":' * depth + b"1" + b"}" * depth,
        b"a = " + b"[" * depth + b"]" * depth,
        b"a = " + b"{b = " * depth + b"1" + b"}" * depth,
        b"BEGIN:VCALENDAR\r\n" * depth + b"END:VCALENDAR\r\n" * depth,
    )
    return data + b"\r\n" + chance.choice(wrong) if chance.random() < 0.3 else chance.choice(wrong)


def encoded(data: bytes, chance: random.Random) -> bytes:
    text = data.decode(errors="replace")
    return chance.choice(
        (
            text.encode("utf-16"),
            text.encode("utf-16-be"),
            text.encode("utf-32"),
            codecs.BOM_UTF8 + data,
            text.replace("e", "é").encode("latin-1", "replace"),
            text.encode("cp037", "replace"),
            text.replace("e", "\u202ee\u200b\x07").encode(),
        )
    )


def replaced(data: bytes, chance: random.Random) -> bytes:
    return chance.choice(OTHERS)


def spiced(data: bytes, chance: random.Random) -> bytes:
    """Values that mean trouble somewhere, in the place of words and numbers of the file."""
    words = sorted({word for word in data.split() if word.isalnum()}) or [b"x"]
    made = data
    for _ in range(chance.randint(1, 4)):
        made = made.replace(chance.choice(words), chance.choice(SPICES), chance.randint(1, 3))
    return made


CHANGES = [
    (change.__name__, change)
    for change in (cut, cut, flipped, flipped, doubled, shuffled, lengthened, nested, encoded, replaced, spiced, spiced)
]

SPICES = [
    *(b"1e309", b"-0", b"NaN", b"9999-12-31", b"0000-00-00", b"99999999999999999999", b"../../etc/passwd", b"\0"),
    *("١٢".encode(), b"\\ud800", b"<script>x</script>", b"9999-12-31T23:59", b"1e-400", "\u202e".encode(), b"{{7*7}}"),
    *(b"19000101T000000Z", b"99991231T235959Z", b"FREQ=SECONDLY", b"P99999999D", b"=HYPERLINK(1)", b"'\"><canary>"),
]

OTHERS = [
    b"",
    b" \r\n\t",
    b"\0" * 4_096,
    bytes(range(256)) * 16,
    codecs.BOM_UTF8,
    b"PK\x03\x04" + b"\0" * 60,
    b"PK\x05\x06" + b"\0" * 18,
    b"\x1f\x8b\x08\0" + b"\0" * 16,
    b"%PDF-1.7\n",
    b"\x89PNG\r\n\x1a\n",
    b"<!DOCTYPE html><html><script>alert(1)</script></html>",
    b"<?xml version='1.0'?><!DOCTYPE a [<!ENTITY b SYSTEM 'file:///etc/passwd'>]><a>&b;</a>",
    b"null",
    b"[]",
    b"{}",
    b'"text"',
    b"1" * 5_000,
    b'{"schema": 1, "title": "\\ud800", "exam": [{"subject": "\\udfff\\u0000", "labels": {"quiz": "\\udead"}}]}',
    b'{"schema": 1, "plan": 1, "request": {"title": "\\ud800", "\\udc00": "\\udbff", "exam": {"a": 1e999}}}',
    b"a.b.c = 1\na = 2\n",
    b"title = '''" + b"x" * 99_000 + b"'''",
    b"quiz;" * 3_000,
    b'"' + b"quiz;Q\n" * 3_000,
    b"kind,kind,kind\nquiz,quiz,quiz\n",
]
"""What people and attackers send in the place of the right file."""

NAMES = [
    "../../../../etc/passwd",
    "C:\\Users\\me\\calendar.ics",
    "a\0b.ics",
    "n" * 10_000 + ".ics",
    "\u202esci.exe",
    "<canary>.ics",
    "\"><script>alert('x')</script>.toml",
    "line\r\nX-Header: 1.ics",
    ".",
    "   ",
    "ü" * 300,
    "plan.JSON",
    "file.toml.ics",
    "{{ 7 * 7 }}.csv",
]


# ------------------------------------------------------------------------------------------------------- sending


def send(client: FlaskClient, cases: list[Case]) -> None:
    """Sends files that are of one kind, and looks at what is said of each of them."""
    {"calendar": send_calendars, "request": send_request, "pieces": send_pieces}[cases[0].kind](client, cases)


def posted(
    client: FlaskClient, field: str, files: Iterable[tuple[str, bytes]], *, address: str = "/make", **more: str
) -> Page:
    """The page that comes back for a form with these files, each a name and its bytes, in a field."""
    sent = [*files]
    body = multipart(FORM | {"act": "read"} | more, field, sent)
    answer = client.post(address, data=body, content_type=f"multipart/form-data; boundary={BOUNDARY}")
    page = faultless(answer, [name for name, _ in sent], allowed=(200, 422))
    assert page is not None
    return page


BOUNDARY = "----calplan-7MA4YWxkTrZu0gW"


def multipart(fields: dict[str, str], field: str, files: Iterable[tuple[str, bytes]]) -> bytes:
    """A form with files as a browser writes it (RFC 7578; file names: HTML §4.10.21.8)."""
    parts = [f'name="{name}"\r\n\r\n{text}'.encode("utf-8", "surrogatepass") for name, text in fields.items()]
    for name, data in files:
        escaped = name.replace("\n", "%0A").replace("\r", "%0D").replace('"', "%22")
        head = f'name="{field}"; filename="{escaped}"\r\nContent-Type: application/octet-stream\r\n\r\n'
        parts.append(head.encode() + data)
    begin = f"--{BOUNDARY}\r\nContent-Disposition: form-data; ".encode()
    return b"".join(begin + part + b"\r\n" for part in parts) + f"--{BOUNDARY}--\r\n".encode()


def send_calendars(client: FlaskClient, cases: list[Case]) -> None:
    """Each file has its row, and there the number of its busy times, or the sentence of what is wrong."""
    named = [one for one in cases if one.name.strip()]
    page = posted(client, "calendar-new-file", [(one.name, one.data) for one in named])
    rows = [name for name in page.names if name.startswith("calendar-") and name.endswith("-upload")]
    assert len(rows) == len(named), [one.done for one in named]
    text = "".join(page.text)
    for number, one in enumerate(named, 1):
        wrong = page.problems.get(f"calendar-{number}-file", [])
        called = page.fields[f"calendar-{number}-name"]
        assert called, one.done
        assert called in page.legends, one.done
        if wrong:
            assert any(called.lower() in said.lower() for said in page.listed), (one.done, called)
            assert all(said.strip().endswith((".", ")")) for said in wrong), (one.done, wrong)
    read = text.count("busy times read")
    refused = sum(f"calendar-{number}-file" in page.problems for number in range(1, len(named) + 1))
    assert read + refused == len(named), (read, refused, [one.done for one in named])


def send_request(client: FlaskClient, cases: list[Case]) -> None:
    """The form is filled, or the file's field has the sentence of what is wrong."""
    (one,) = cases
    page = posted(client, "request-file", [(one.name, one.data)])
    if one.name.strip() and "request-file" in page.problems:
        assert page.fields["exam-1-subject"] == FORM["exam-1-subject"], one.done
        assert "".join(page.problems["request-file"]).strip().endswith((".", ")")), one.done


def send_pieces(client: FlaskClient, cases: list[Case]) -> None:
    """The pieces stand in the form, or the file's field has the sentence of what is wrong."""
    (one,) = cases
    page = posted(client, "exam-1-file", [(one.name, one.data)])
    if one.name.strip():
        assert bool(page.fields["exam-1-pieces"]) != ("exam-1-file" in page.problems), one.done


def in_batches(cases: Iterable[Case]) -> Iterator[list[Case]]:
    """Calendars together, as many as a form holds; everything else one by one."""
    waiting: list[Case] = []
    for one in cases:
        if one.kind != "calendar":
            yield [one]
            continue
        waiting.append(one)
        if len(waiting) == MOST_CALENDARS:
            yield waiting
            waiting = []
    if waiting:
        yield waiting


def run(app: Flask, cases: Iterable[Case]) -> int:
    """Sends all files; says how many. Fails at the first answer that breaks a rule."""
    client, count = app.test_client(), 0
    for batch in in_batches(cases):
        send(client, batch)
        count += len(batch)
    return count


def unlimited() -> dict[str, int]:
    """Settings under which a long run is not stopped by what one address may do."""
    return {"previews": 10**9, "kept_bytes": 10**9, "misses": 10**9, "creations": 10**9}


@click.command()
@click.option("--files", "number", default=2_000, show_default=True, help="How many wrong files are sent.")
@click.option("--seed", default=1, show_default=True, help="The same seed makes the same files.")
@click.option("--every", is_flag=True, help="Send every truncation of every seed file instead.")
def main(number: int, seed: int, every: bool) -> None:
    """Send wrong files to the service, and stop at the first answer that breaks a rule."""
    with tempfile.TemporaryDirectory() as folder:
        app = served.application(Path(folder), **unlimited())
        if every:
            cases: Iterable[Case] = (one for sound in seeds(app) for one in truncated(sound))
        else:
            cases = islice(files(app, random.Random(seed)), number)
        click.echo(f"{run(app, cases)} files, none of them led to a fault, and of each something was said.")
        served.service_of(app).engine.dispose()


if __name__ == "__main__":
    main()
