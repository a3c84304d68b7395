"""The counsellor's pages: what is handed in, what becomes of each row, what is handed out, and how it all ends."""

from __future__ import annotations

import csv
import io
import random
import re
import zipfile
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from datetime import UTC, date, datetime, timedelta
from html import unescape
from itertools import count
from threading import Event, Thread
from typing import TYPE_CHECKING, Any
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo

import icalendar
import msgspec
import pytest
import segno
from alembic import command
from sqlalchemy import event as happening
from sqlalchemy import func, select

from calplan.model import Role, plan_from_json
from calplan.outcomes import Outcome
from calplan.replan import mend
from calplan.request import from_mapping
from tests import postgres, served
from web import cohorts, plans, store, store_cohorts, upkeep
from web.powers import Power
from web.runner import Runner

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from flask import Flask
    from flask.testing import FlaskClient
    from werkzeug.test import TestResponse

    from web.store_cohorts import Member

COURSES = (served.FIXTURES / "cohort" / "courses.toml").read_bytes()
TIMETABLE = (served.FIXTURES / "cohort" / "timetable.ics").read_bytes()
HEAD = "reference,course,section,study_hours,usual,limit,longest,extra_time,pace,days_off,missed quiz-2"
GOOD = (
    "S-1,chemistry,A,,,,,,,,3",
    "S-2,chemistry,B,mon-fri 17:00-19:00; sat 09:00-11:00,45,75,,,,,",
    "S-3,civics,,,,,20,25,150,,",
    "S-4,chemistry,A,,,,,50,150,,",
    "S-5,chemistry,B,fri 16:00-16:30,,,,,,,",
)
BAD = (
    "X-1,physics,,,,,,,,,",
    "S-1,chemistry,A,,,,,,,,",
    '"=HYPERLINK(""http://x"")",chemistry,A,,,,,,,,',
    "../../up,chemistry,A,,,,,,,,",
    "X-2,chemistry,C,,soon,,,,,,",
    ",chemistry,A,,,,,,,,",
)
ALL = (*GOOD, *BAD)


def archive(**files: bytes) -> bytes:
    """A ZIP archive; two underscores in a name stand for its dot."""
    written = io.BytesIO()
    with zipfile.ZipFile(written, "w", zipfile.ZIP_DEFLATED) as found:
        for name, data in files.items():
            found.writestr(name.replace("__", "."), data)
    return written.getvalue()


def roster(*rows: str) -> bytes:
    return "\r\n".join((HEAD, *rows, "")).encode()


def hand_in(client: FlaskClient, rows: bytes | None, path: str = "/cohort", **more: Any) -> TestResponse:
    """What comes of a form with these files; ``None`` leaves one out."""
    files = {"courses": COURSES, "roster": rows, "calendars": archive(timetable__ics=TIMETABLE)}
    fields: dict[str, Any] = {"title": "Chemistry, spring"}
    for name, value in (files | more).items():
        if isinstance(value, bytes):
            fields[name] = (io.BytesIO(value), {"courses": "c.toml", "roster": "r.csv"}.get(name, "c.zip"))
        elif value is not None:
            fields[name] = value
    return client.post(path, data=fields, content_type="multipart/form-data")


def words(answer: TestResponse) -> str:
    return " ".join(unescape(re.sub(r"<[^>]*>", " ", answer.text)).split())


def runner(app: Flask) -> Runner:
    found: Runner = app.extensions["calplan.runner"]
    return found


def made(app: Flask, client: FlaskClient, *rows: str, **more: Any) -> str:
    """A cohort of these rows, planned; its address below the service's own."""
    answer = hand_in(client, roster(*rows), **more)
    assert answer.status_code == 303, words(answer)
    runner(app).wait()
    return urlsplit(answer.location).path


def id_of(app: Flask, path: str) -> str:
    bearer = served.service_of(app).keys.read(Power.COHORT, path.split("/")[2])
    assert bearer is not None
    return bearer.id


def members(app: Flask, path: str) -> dict[str, Member]:
    with store.reading(served.service_of(app).engine) as connection:
        return {one.key: one for one in store_cohorts.every(connection, id_of(app, path))}


def store_of(app: Flask, plan_id: str | None) -> store.Kept:
    """A plan as it is kept."""
    with store.reading(served.service_of(app).engine) as connection:
        found = store.find(connection, str(plan_id))
    assert found is not None
    return found


def everything(client: FlaskClient, path: str) -> tuple[dict[str, dict[str, str]], dict[str, bytes]]:
    """The results by reference, and all files of the archive."""
    with zipfile.ZipFile(io.BytesIO(client.get(f"{path}/everything.zip").data)) as found:
        files = {one.filename: found.read(one) for one in found.infolist()}
    text = files["results.csv"].decode("utf-8-sig")
    rows = list(csv.DictReader(io.StringIO(text, newline="")))
    return {row["reference"]: row for row in reversed(rows)}, files


def path_of(address: str) -> str:
    return urlsplit(address).path


def feeds(client: FlaskClient, path: str) -> dict[str, tuple[bytes, str]]:
    """Each student's feed, its bytes and its ETag."""
    found = {}
    for reference, row in everything(client, path)[0].items():
        if row["calendar address"]:
            answer = client.get(path_of(row["calendar address"]))
            assert answer.status_code == 200
            found[reference] = answer.data, answer.headers["ETag"]
    return found


def events(data: bytes) -> dict[str, icalendar.Event]:
    return {str(event["UID"]): event for event in icalendar.Calendar.from_ical(data).walk("VEVENT")}


@contextmanager
def service(url: str, folder: Path, **settings: Any) -> Iterator[Flask]:
    app = served.application(folder, database_url=url, **settings)
    try:
        yield app
    finally:
        runner(app).close()
        served.service_of(app).engine.dispose()


@pytest.fixture(params=postgres.ENGINES)
def url(request: pytest.FixtureRequest) -> Iterator[str]:
    with postgres.database(request.param, request) as one:
        yield one


@pytest.fixture
def both(url: str, tmp_path: Path) -> Iterator[Flask]:
    """The service on either database."""
    with service(url, tmp_path) as app:
        yield app


@pytest.fixture
def app(tmp_path: Path, clock: served.Clock) -> Iterator[Flask]:
    one = served.application(tmp_path, clock)
    yield one
    runner(one).close()
    served.service_of(one).engine.dispose()


# ----------------------------------------------------------------------------------------------------- handing in


def hidden(answer: TestResponse) -> dict[str, str]:
    return dict(re.findall(r'type="hidden" name="(\w+-id)" value="([^"]+)"', answer.text))


def test_all_that_is_wrong_is_told_at_once_and_files_are_kept(tmp_path: Path) -> None:
    with service("", tmp_path, cohort_key="sesame") as app:
        client = app.test_client()
        assert 'type="password"' in client.get("/cohort").text
        answer = hand_in(
            client, b"a,b\r\n1,2\r\n", courses=b"schema = 1\n[[course]]\nkey = 5\n", calendars=b"no", key="x"
        )
        assert answer.status_code == 422
        told = words(answer)
        assert "this is not it" in told
        wrong_key = hand_in(client, b"a,b\r\n1,2\r\n", courses=b"schema = 1\n[[course]]\nkey = 5\n", key="sesame")
        assert wrong_key.status_code == 422
        assert len(re.findall(r"<li>", wrong_key.text.split("problems-title")[-1].split("</section>")[0])) >= 2
        assert "r.csv" in words(wrong_key)
        assert "c.toml, course 1, key: 5 cannot be a key" in words(wrong_key)
        assert set(hidden(answer)) == {"courses-id", "roster-id", "calendars-id"}
        first = hand_in(client, roster(*GOOD[:1]), key="sesame ope")
        assert first.status_code == 422
        assert "is here already" in words(first)
        kept = hidden(first)
        assert set(kept) == {"courses-id", "roster-id", "calendars-id"}
        again = client.post("/cohort", data={"title": "T", "key": " sesame ", **kept})
        assert again.status_code == 303
        runner(app).wait()
        assert words(client.get(again.location)).count("All 1 rows are done") == 1


def test_what_is_missing_is_told_by_its_name(client: FlaskClient) -> None:
    answer = client.post("/cohort", data={})
    assert answer.status_code == 422
    assert "Courses: no file was chosen" in words(answer)
    assert "Roster: no file was chosen" in words(answer)
    nothing = hand_in(client, roster())
    assert nothing.status_code == 422
    assert "the roster has no rows" in words(nothing)


def test_no_more_rows_than_the_operator_allows(tmp_path: Path) -> None:
    with service("", tmp_path, members=3) as app:
        rows = [f"S-{number},civics,,,,,,,,," for number in range(4)]
        answer = hand_in(app.test_client(), roster(*rows))
        assert answer.status_code == 422
        assert "more than 3 rows" in words(answer)
        assert hand_in(app.test_client(), roster(*rows[:3])).status_code == 303
        with store.reading(served.service_of(app).engine) as connection:
            assert connection.execute(select(func.count()).select_from(store_cohorts.cohorts)).scalar() == 1


def test_a_form_without_rows_of_its_own_takes_no_plans_from_others(tmp_path: Path) -> None:
    """Where no key is asked for, a cohort counts as many plans as it has rows."""
    with service("", tmp_path, creations=5) as app:
        client = app.test_client()
        assert hand_in(client, roster(*GOOD[:4])).status_code == 303
        assert hand_in(client, roster(*GOOD[:4])).status_code == 429
    with service("", tmp_path / "other", creations=5, cohort_key="k") as app:
        client = app.test_client()
        assert [hand_in(client, roster(*GOOD[:4]), key="k").status_code for _ in range(2)] == [303, 303]


def test_a_roster_beyond_an_hours_plans_is_refused_with_the_limit_and_what_to_do(tmp_path: Path) -> None:
    """Where no key is asked for: at once, and also bit by bit; what is handed in again counts by its new rows."""
    many = [f"S-{number},civics,,,,,,,,," for number in range(6)]
    with service("", tmp_path, creations=5) as app:
        client = app.test_client()
        assert "up to 5 rows" in words(client.get("/cohort"))
        refused = hand_in(client, roster(*many))
        assert refused.status_code == 422
        assert "there are 6 new rows, and without a key one address may have 5 plans made in an hour" in words(refused)
        assert "ask the operator" in words(refused)
        assert count_of(app)["cohorts"] == count_of(app)["plans"] == 0
        path = made(app, client, *many[:4])
        assert hand_in(client, roster(*many[:4]), f"{path}/again").status_code == 200  # nothing new
        assert hand_in(client, roster(*many), f"{path}/again").status_code == 429  # two, and one is left
        more = [*many, *(f"T-{number},civics,,,,,,,,," for number in range(6))]
        assert hand_in(client, roster(*more), f"{path}/again").status_code == 422
        assert len(members(app, path)) == 4
        assert hand_in(client, roster(*many[:5]), f"{path}/again").status_code == 200
        runner(app).wait()
        assert count_of(app)["plans"] == 5
    with service("", tmp_path / "other", creations=5, cohort_key="k") as app:
        assert "up to 5,000 rows" in words(app.test_client().get("/cohort"))
        assert hand_in(app.test_client(), roster(*many), key="k").status_code == 303


def lzma_broken() -> bytes:
    written = io.BytesIO()
    with zipfile.ZipFile(written, "w", zipfile.ZIP_LZMA) as found:
        found.writestr("timetable.ics", TIMETABLE)
    data = bytearray(written.getvalue())
    data[60:90] = bytes(30)
    return bytes(data)


def link_to(target: str) -> bytes:
    written = io.BytesIO()
    with zipfile.ZipFile(written, "w") as found:
        info = zipfile.ZipInfo("timetable.ics")
        info.external_attr = 0o120777 << 16
        found.writestr(info, target)
    return written.getvalue()


HOSTILE = {
    "no archive": b"BEGIN:VCALENDAR",
    "cut": archive(timetable__ics=TIMETABLE)[:200],
    "a bomb": archive(timetable__ics=bytes(60_000_000)),
    "lzma that is broken": lzma_broken(),
    "a link": link_to("/etc/passwd"),
    "a path": archive(**{"../timetable__ics": TIMETABLE}),
    "no file of the name": archive(other__ics=TIMETABLE),
    "empty": b"PK\x05\x06" + bytes(18),
}


@pytest.mark.parametrize("kind", HOSTILE)
def test_a_bad_archive_is_refused_or_harmless(app: Flask, client: FlaskClient, kind: str) -> None:
    answer = hand_in(client, roster(*GOOD[:1]), calendars=HOSTILE[kind])
    assert answer.status_code in (303, 422), (kind, answer.status_code)
    if answer.status_code == 303:
        runner(app).wait()
        path = urlsplit(answer.location).path
        assert "root:" not in client.get(f"{path}/row/s-1").text
        assert members(app, path)["s-1"].status == "wrong"
        assert "timetable.ics" in words(client.get(f"{path}/row/s-1"))


def test_no_bytes_make_the_service_fail(app: Flask, client: FlaskClient) -> None:
    """Files with bytes changed here and there are taken or refused, never a fault."""
    runner(app).ending.set()  # what is taken is not planned
    chance = random.Random(5)
    for _ in range(120):
        files = [bytearray(one) for one in (COURSES, roster(*ALL), archive(timetable__ics=TIMETABLE))]
        for _ in range(chance.choice((1, 1, 4, 30))):
            one = chance.choice(files)
            one[chance.randrange(len(one))] = chance.randrange(256)
        answer = hand_in(client, bytes(files[1]), courses=bytes(files[0]), calendars=bytes(files[2]))
        assert answer.status_code in (303, 422, 429), [bytes(one) for one in files]


def test_the_empty_pair_is_there(client: FlaskClient) -> None:
    for name in ("courses.toml", "roster.csv"):
        answer = client.get(f"/cohort/{name}")
        assert answer.status_code == 200
        assert name in answer.headers["Content-Disposition"]


# --------------------------------------------------------------------------------------------- what became of rows


def test_every_row_has_its_outcome_and_no_row_stops_another(both: Flask) -> None:
    client = both.test_client()
    path = made(both, client, *ALL)
    found = {one.number: one for one in members(both, path).values()}
    assert [found[number].status for number in range(2, 13)] == [
        found[2].status, found[3].status, found[4].status, found[5].status, "cannot fit", *["wrong"] * 6
    ]  # fmt: skip
    assert {found[number].status for number in range(2, 6)} <= {"planned", "planned with warnings"}
    assert [bool(found[number].plan_id) for number in range(2, 13)] == [True] * 5 + [False] * 6
    page = words(client.get(f"{path}/rows"))
    for told in ("physics", "row 2 has this reference already", "cannot be a reference", "soon"):
        assert told in page, told
    row = words(client.get(f"{path}/row/%2310"))  # "#10", whose reference is none
    assert "../../up" in row
    wrong = words(client.get(f"{path}/row/x-2"))
    assert "section" in wrong
    assert "soon" in wrong
    shown = words(client.get(path))
    assert "All 11 rows are done" in shown
    assert "Cannot fit 1" in shown
    assert "Wrong 6" in shown
    assert re.search(r"Of 5 with a plan, [1-5] needs? more minutes than usual on some day\.", shown)
    assert "Row 3, column" not in page
    assert "Row 7, column course: there is no course “physics”" in page
    assert "S-5" in words(client.get(f"{path}/rows?status=cannot+fit"))
    assert "What to suggest" in words(client.get(f"{path}/row/s-5"))
    assert client.get(f"{path}/row/nobody").status_code == 404


def shown_rows(client: FlaskClient, path: str, **asked: str) -> list[str]:
    html = client.get(f"{path}/rows", query_string=asked).text
    return [unescape(one) for one in re.findall(r'<th scope="row"><a [^>]*>([^<]*)</a>', html)]


def test_the_table_can_be_searched_filtered_sorted_and_paged(app: Flask, client: FlaskClient) -> None:
    path = made(app, client, *ALL)
    every = [cells[0] for cells in csv.reader(ALL)]
    assert shown_rows(client, path) == [one or "No reference" for one in every]
    assert shown_rows(client, path, status="wrong") == [one or "No reference" for one in every[5:]]
    assert shown_rows(client, path, text="s-1") == ["S-1", "S-1"]
    assert shown_rows(client, path, text="room 14") == ["S-2", "S-5"]
    assert shown_rows(client, path, teacher="Room 3") == ["S-3"]
    assert shown_rows(client, path, section="B", status="cannot fit") == ["S-5"]
    by_reference = shown_rows(client, path, sort="reference")
    assert by_reference[1:] == sorted(every, key=str.casefold)[1:]
    minutes = [members(app, path)[one.casefold()] for one in shown_rows(client, path, sort="minutes")[:4]]
    fullest = [msgspec.json.decode(one.outcome, type=Outcome).minutes for one in minutes]
    assert fullest == sorted(fullest, reverse=True)
    for nonsense in ({"sort": "x"}, {"page": "-1"}, {"page": "9999999"}, {"status": "x"}, {"page": "²"}):
        assert client.get(f"{path}/rows", query_string=nonsense).status_code == 200


def test_long_tables_come_in_pages(app: Flask, client: FlaskClient) -> None:
    runner(app).ending.set()  # rows that wait are rows too
    app.extensions["calplan.limits"].buckets["creations"].per_hour = 1000
    path = made(app, client, *(f"S-{number:03},civics,,,,,,,,," for number in range(250)))
    assert shown_rows(client, path) == [f"S-{number:03}" for number in range(100)]
    assert shown_rows(client, path, page="3") == [f"S-{number:03}" for number in range(200, 250)]
    page = client.get(f"{path}/rows", query_string={"page": "2", "sort": "reference", "text": "s-"}).text
    before, after = (unescape(one) for one in re.findall(r'<a href="([^"]*)">(?:Previous|Next) page', page))
    assert "S-099" in client.get(before).text
    assert "S-249" in client.get(after).text
    assert "0 of 250 rows are planned" in words(client.get(path))
    assert 'data-again="' in client.get(path).text


# --------------------------------------------------------------------------------------------------- one student


def links_of(client: FlaskClient, path: str, reference: str) -> tuple[str, str, str]:
    """A student's plan, feed, and the page of the first event, as paths."""
    row = everything(client, path)[0][reference]
    feed = path_of(row["calendar address"])
    event = next(one for one in events(client.get(feed).data).values() if "URL" in one)
    return path_of(row["plan"]), feed, path_of(str(event["URL"]))


def test_a_students_link_is_replaced_and_the_old_ones_end(both: Flask) -> None:
    client = both.test_client()
    path = made(both, client, *GOOD[:2])
    old, others = links_of(client, path, "S-1"), links_of(client, path, "S-2")
    assert client.post(f"{path}/row/s-1", data={"act": "explode"}).status_code == 422
    assert [client.get(one).status_code for one in old] == [200] * 3
    answer = client.post(f"{path}/row/s-1", data={"act": "replace"})
    assert answer.status_code == 303
    assert "have ended" in words(client.get(answer.location))
    assert [client.get(one).status_code for one in old] == [410] * 3
    new = links_of(client, path, "S-1")
    assert [client.get(one).status_code for one in new] == [200] * 3
    assert [client.get(one).status_code for one in others] == [200] * 3
    assert new[0] in client.get(f"{path}/row/S-1").text
    assert not set(new) & set(old)


def test_a_plan_of_a_cohort_says_who_sees_it_and_others_do_not(app: Flask, client: FlaskClient) -> None:
    path = made(app, client, *GOOD[:1])
    told = "Whoever made it can open it, and sees what you say of your blocks"
    assert told in words(client.get(links_of(client, path, "S-1")[0]))
    alone = served.keep(app)
    assert told not in words(client.get(f"/plan/{served.token(app, Power.MANAGE, alone.id)}"))


def test_a_student_deletes_the_own_plan_and_it_stays_deleted(both: Flask) -> None:
    client = both.test_client()
    path = made(both, client, *GOOD[:2])
    plan, feed, block = links_of(client, path, "S-1")
    assert client.post(f"{plan}/delete", data={"act": "delete"}).status_code == 303
    assert [client.get(one).status_code for one in (plan, feed, block)] == [410] * 3
    assert "deleted it" in words(client.get(f"{path}/row/s-1"))
    for page in ("", "/rows", "/going", "/hand-outs", "/everything.zip", "/hand-outs?member=s-1"):
        assert client.get(path + page).status_code == 200, page
    answer = hand_in(client, roster(GOOD[0].replace(",3", ",4"), GOOD[1]), f"{path}/again")
    runner(both).wait()
    assert "Deleted by the students themselves, and left so: 1 (S-1)" in words(answer)
    assert members(both, path)["s-1"].plan_id is None


# ------------------------------------------------------------------------------------------------------ hand-outs


def sheets(client: FlaskClient, path: str, **asked: str) -> list[str]:
    html = client.get(f"{path}/hand-outs", query_string=asked).text
    return re.findall(r'<section class="hand-out".*?</section>', html, re.S)


def test_hand_outs_say_nothing_of_what_was_granted(app: Flask, client: FlaskClient) -> None:
    """S-4 was granted extra time and pace, S-3 short blocks too: with every week of theirs on paper, no word of it."""
    path = made(app, client, *GOOD)
    for reference in ("S-3", "S-4"):
        (sheet,) = sheets(client, path, weeks="all", member=reference)
        text = " ".join(unescape(re.sub(r"<[^>]*>", " ", sheet)).split())
        assert f"{reference}:" in text
        for word in (
            r"extra time",
            r"\bpace\b",
            r"\b50 ?%",
            r"\b25 ?%",
            r"\b150\b",
            r"\b180\b",
            r"percent",
            r"at most 20",
        ):
            assert not re.search(word, text, re.I), (reference, word)


def test_a_timed_paper_stands_on_paper_without_its_length(app: Flask, client: FlaskClient) -> None:
    """Its length is the exam's, with the extra time in it."""
    path = made(app, client, *GOOD)
    with store.reading(served.service_of(app).engine) as connection:
        kept = store.find(connection, members(app, path)["s-4"].plan_id or "")
    assert kept is not None
    plan = plan_from_json(kept.plan)
    papers = {task.id for task in plan.tasks if task.role is Role.PAPER}
    timed = [block for block in plan.blocks if any(part.task in papers for part in block.parts)]
    assert timed
    (sheet,) = sheets(client, path, weeks="all", member="s-4")
    for block in timed:
        line = next(one for one in sheet.split('class="tick"') if "paper" in one and f"{block.start:%H:%M}" in one)
        assert f"{block.start + timedelta(minutes=block.minutes):%H:%M}" not in line
        assert not re.search(rf"\b{block.minutes}\b", sheet.split("</header>")[1])


def test_hand_outs_carry_the_address_and_its_square(app: Flask, client: FlaskClient) -> None:
    path = made(app, client, *GOOD)
    rows = everything(client, path)[0]
    found = sheets(client, path)
    assert len(found) == 5
    for sheet, reference in zip(found, ("S-1", "S-2", "S-3", "S-4", "S-5"), strict=True):
        address = rows[reference]["plan"]
        assert f'<p class="address">{address}</p>' in sheet
        square = segno.make(address, error="m")
        wanted = square.svg_data_uri(border=4, scale=3, dark="#000", light="#fff")
        assert unescape(re.findall(r'class="qr" src="([^"]*)"', sheet)[0]) == wanted
        assert "After a missed day" in sheet
    first, every, none = (
        sum(one.count('class="tick"') for one in sheets(client, path, weeks=w)) for w in ("first", "all", "none")
    )
    assert every > first > none == 0
    for weeks in ("none", "first"):  # whatever is printed, the date of the exam is
        for sheet in sheets(client, path, weeks=weeks, section="B"):
            assert "Exam: Chemistry</strong>, Friday 5 February 2027, 13:00, Hall B" in sheet
    assert len(sheets(client, path, section="B")) == 2
    assert client.get(f"{path}/hand-outs?member=nobody").status_code == 404


# ---------------------------------------------------------------------------------------------------- everything


def test_everything_is_safe_to_open_and_has_links_that_work(both: Flask) -> None:
    client = both.test_client()
    path = made(both, client, *ALL)
    results, files = everything(client, path)
    text = files["results.csv"].decode("utf-8-sig")
    for row in csv.reader(io.StringIO(text, newline="")):
        for cell in row:
            assert not cell.startswith(("=", "+", "-", "@", "\t", "\r")), cell
    assert "extra time" not in text.lower()
    assert not re.search(r"\bpace\b", text, re.I)
    assert "%" not in text
    assert set(files) == {"results.csv", *(f"calendars/S-{number}.ics" for number in range(1, 6))}
    for number in range(1, 6):
        row = results[f"S-{number}"]
        assert row["calendar"] == f"calendars/S-{number}.ics"
        feed = client.get(path_of(row["calendar address"]))
        assert feed.data == files[row["calendar"]]
        found = events(files[row["calendar"]])
        assert found
        assert {client.get(path_of(str(event["URL"]))).status_code for event in found.values() if "URL" in event} == {
            200
        }
        assert client.get(path_of(row["plan"])).status_code == 200
    assert results["X-1"]["plan"] == results["X-1"]["calendar address"] == ""
    again = client.get(f"{path}/everything.zip")
    assert again.data == client.get(f"{path}/everything.zip").data


@pytest.mark.parametrize("separator", [",", ";", "\t"])
def test_results_have_the_separator_of_the_roster_that_was_handed_in_last(both: Flask, separator: str) -> None:
    client = both.test_client()
    path = made(both, client, *GOOD[2:3])

    def heading() -> str:
        with zipfile.ZipFile(io.BytesIO(client.get(f"{path}/everything.zip").data)) as found:
            return found.read("results.csv").decode("utf-8-sig").splitlines()[0]

    assert heading().startswith("row,reference,course,")
    again = roster(*GOOD[2:3]).replace(b",", separator.encode())
    assert hand_in(client, again, f"{path}/again", courses=None).status_code == 200
    runner(both).wait()
    assert heading().startswith(separator.join(("row", "reference", "course", "")))
    closed = client.post(f"{path}/act", data={"act": "closed", "first": "2027-01-18", "last": "", "title": "closed"})
    runner(both).wait()
    assert client.post(closed.location).status_code == 303
    runner(both).wait()
    assert heading().startswith(separator.join(("row", "reference", "course", "")))


# -------------------------------------------------------------------------------------------------- handed in again


def test_the_same_roster_again_changes_nothing(both: Flask) -> None:
    client = both.test_client()
    path = made(both, client, *ALL)
    before, rows = feeds(client, path), members(both, path)
    for more in ({}, {"courses": None}, {"calendars": None}, {"roster_order": None}):
        answer = hand_in(
            client, roster(*ALL), f"{path}/again", **{k: v for k, v in more.items() if k != "roster_order"}
        )
        assert answer.status_code == 200
        runner(both).wait()
        assert "being planned again with as few changes as can be: 0" in words(answer)
        assert feeds(client, path) == before
        assert members(both, path) == rows


def test_what_changed_is_mended_and_the_rest_stays_to_the_byte(both: Flask) -> None:
    client = both.test_client()
    path = made(both, client, *GOOD)
    before = feeds(client, path)
    changed = (
        GOOD[2],
        GOOD[0].replace(",3", ",4"),
        GOOD[1].replace("mon-fri", "mon-thu"),
        GOOD[3],
        "S-9,civics,,,,,,,,,",
    )
    answer = hand_in(client, roster(*changed), f"{path}/again")
    runner(both).wait()
    told = words(answer)
    assert "New rows, being planned: 1 (S-9)." in told
    assert "as few changes as can be: 2 (S-1, S-2)." in told
    assert "No longer in the roster: 1 (S-5)" in told
    after = feeds(client, path)
    assert {one for one in before if after[one] != before[one]} <= {"S-1", "S-2"}
    assert after["S-3"] == before["S-3"]
    assert after["S-4"] == before["S-4"]
    assert after["S-2"] != before["S-2"]
    assert set(after) == {"S-1", "S-2", "S-3", "S-4", "S-5", "S-9"}
    old, new = events(before["S-2"][0]), events(after["S-2"][0])
    assert len(set(old) & set(new)) > len(old) / 2  # blocks that stay keep their identity
    assert links_of(client, path, "S-2")
    assert shown_rows(client, path) == ["S-5", "S-3", "S-1", "S-2", "S-4", "S-9"]
    found = members(both, path)
    assert [found[key].number for key in ("s-5", "s-3", "s-1", "s-2", "s-4", "s-9")] == [0, 2, 3, 4, 5, 6]


def test_another_courses_file_alone_plans_whom_it_concerns(app: Flask, client: FlaskClient) -> None:
    path = made(app, client, *GOOD)
    before = feeds(client, path)
    moved = COURSES.replace(b'start = "2027-02-08T10:30"', b'start = "2027-02-09T10:30"')
    assert moved != COURSES
    answer = hand_in(client, roster(*GOOD), f"{path}/again", courses=moved)
    assert answer.status_code == 200
    runner(app).wait()
    after = feeds(client, path)
    assert {one for one in after if after[one] != before[one]} == {"S-3"}  # the one of civics


def test_courses_without_a_roster_keep_the_rows_and_plan_whom_they_concern(both: Flask) -> None:
    client = both.test_client()
    path = made(both, client, *ALL)
    before, rows = feeds(client, path), members(both, path)
    moved = COURSES.replace(b'start = "2027-02-08T10:30"', b'start = "2027-02-09T10:30"')
    answer = hand_in(client, None, f"{path}/again", courses=moved, calendars=None)
    assert answer.status_code == 200, words(answer)
    assert "No roster was handed in: the rows are as before." in words(answer)
    assert "No longer in the roster: 0." in words(answer)
    runner(both).wait()
    after = feeds(client, path)
    assert {one for one in after if after[one] != before[one]} == {"S-3"}  # the one of civics
    assert [(one.key, one.number, one.cells, one.status) for one in members(both, path).values()] == [
        (one.key, one.number, one.cells, one.status) for one in rows.values()
    ]


def test_calendars_without_a_roster_are_planned_around(app: Flask, client: FlaskClient) -> None:
    path = made(app, client, *GOOD[:4])
    before, rows = feeds(client, path), members(app, path)
    trip = b"BEGIN:VEVENT\r\nUID:trip\r\nDTSTART:20270118T200000Z\r\nDTEND:20270121T060000Z\r\nEND:VEVENT\r\n"
    calendars = archive(timetable__ics=TIMETABLE.replace(b"END:VCALENDAR", trip + b"END:VCALENDAR"))
    for courses in (None, COURSES):
        answer = hand_in(client, None, f"{path}/again", courses=courses, calendars=calendars)
        assert answer.status_code == 200, words(answer)
        runner(app).wait()
        after = feeds(client, path)
        assert list(after) == list(before)
        for reference, (data, _) in after.items():
            starts = [one.start for one in events(data).values() if isinstance(one.start, datetime)]
            assert starts
            away = [
                one
                for one in starts
                if datetime(2027, 1, 18, 20, tzinfo=UTC) <= one < datetime(2027, 1, 21, 6, tzinfo=UTC)
            ]
            assert not away, reference
        assert after != before
    assert {key: one.cells for key, one in members(app, path).items()} == {key: one.cells for key, one in rows.items()}


def test_without_a_roster_the_rows_are_those_that_are_there_when_it_is_kept(app: Flask, client: FlaskClient) -> None:
    """Another roster that comes in between is not undone."""
    path = made(app, client, *GOOD[:3])
    parts = served.service_of(app)
    papers = cohorts.Papers(COURSES, "c.toml", None, "roster")
    taken = cohorts.take_in(papers, most=1, now=parts.clock(), known=cohorts.Kept(parts.engine, id_of(app, path)))
    assert hand_in(client, roster(*GOOD[1:4]), f"{path}/again").status_code == 200
    with store.writing(parts.engine) as connection:
        cohort = store_cohorts.find(connection, id_of(app, path))
        assert cohort is not None
        done = cohorts.again(parts, connection, cohort, taken)
    assert (done.added, done.vanished) == ((), ("S-1",))
    assert {key: one.number for key, one in members(app, path).items()} == {"s-1": 0, "s-2": 2, "s-3": 3, "s-4": 4}


def test_nothing_handed_in_again_is_told_and_changes_nothing(app: Flask, client: FlaskClient) -> None:
    path = made(app, client, *GOOD[:2])
    before = members(app, path)
    answer = hand_in(client, None, f"{path}/again", courses=None, calendars=None)
    assert answer.status_code == 422
    assert (
        "Files: no file was chosen, so nothing has changed. Choose a roster, courses or calendars. "
        "What you leave out stays as it is."
    ) in words(answer)
    broken = hand_in(client, None, f"{path}/again", courses=b"schema = ", calendars=None)
    assert broken.status_code == 422
    assert "c.toml" in words(broken)
    assert members(app, path) == before


def test_what_a_student_changed_wins_and_is_listed(both: Flask) -> None:
    client = both.test_client()
    path = made(both, client, *GOOD[:2])
    plan, feed, _ = links_of(client, path, "S-1")
    lost = {"version": "1", "first": "2027-01-12", "last": "2027-01-14"}
    assert client.post(f"{plan}/difference", data=lost).status_code == 303
    courses = COURSES.replace(b'start = "2027-02-04T09:00"', b'start = "2027-02-06T09:00"')
    answer = hand_in(client, roster(GOOD[0].replace(",3", ",5"), GOOD[1]), f"{path}/again", courses=courses)
    runner(both).wait()
    assert "what they changed stays: 1 (S-1)" in words(answer)
    events = icalendar.Calendar.from_ical(client.get(feed).data).walk("VEVENT")
    days = {str(event.start)[:10] for event in events if isinstance(event.start, datetime)}
    assert not days & {"2027-01-12", "2027-01-13", "2027-01-14"}, "the lost days stay lost"
    assert "2027-02-06" in {str(event.start)[:10] for event in events}, "and the exam has moved for this student too"
    kept = plans.read_mapping(store_of(both, members(both, path)["s-1"].plan_id).document)
    assert kept["exam"][0]["start"] == "2027-02-06T09:00"
    assert "what else changes for the course comes along" in words(client.get(f"{path}/row/S-1"))
    assert "The student has changed this plan" in words(client.get(f"{path}/row/s-1"))
    assert "The student has changed this plan" not in words(client.get(f"{path}/row/s-2"))


def test_what_a_student_changed_and_the_roster_asks_for_otherwise_stays_and_is_named(both: Flask) -> None:
    """Both say other study hours: the student's stand, and the row says so; a calendar of the student's own stays."""
    client = both.test_client()
    path = made(both, client, *GOOD[:1])
    plan, _, _ = links_of(client, path, "S-1")
    member = members(both, path)["s-1"]
    mapping = plans.read_mapping(member.document)
    mine = {
        **mapping,
        "study_hours": [{"days": "daily", "start": "15:00", "end": "20:00"}],
        "calendar": [*mapping.get("calendar", ()), {"file": "mine.ics"}],
    }
    own = (
        b"BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:x\r\nBEGIN:VEVENT\r\nUID:1\r\nDTSTAMP:20270101T000000Z\r\n"
        b"DTSTART:20270120T000000Z\r\nDTEND:20270123T000000Z\r\nEND:VEVENT\r\nEND:VCALENDAR\r\n"
    )
    service = served.service_of(both)
    with store.writing(service.engine) as connection:
        kept = store.find(connection, str(member.plan_id))
        assert kept is not None
        opened = plans.with_log(connection, plans.opened(kept))
        request = from_mapping(mine)
        there = store.calendars(connection, kept.id)
        files = {name: one.data for name, one in there.items()} | {"mine.ics": own}
        new = mend(opened.plan, opened.request, request, files, as_of=service.clock())
        uploads = {**there, "mine.ics": store.Upload("mine.ics", own, service.clock())}
        assert plans.change(service, connection, opened, mine, request, new, uploads)
    assert client.get(plan).status_code == 200
    other = COURSES.replace(b'start = "16:00"\nend = "20:00"', b'start = "17:00"\nend = "20:00"').replace(
        b'start = "2027-02-04T09:00"', b'start = "2027-02-06T09:00"'
    )
    hand_in(client, roster(*GOOD[:1]), f"{path}/again", courses=other)
    runner(both).wait()
    found = store_of(both, members(both, path)["s-1"].plan_id)
    now = plans.read_mapping(found.document)
    assert now["study_hours"] == mine["study_hours"]
    assert now["exam"][0]["start"] == "2027-02-06T09:00"
    assert {"file": "mine.ics"} in now["calendar"]
    with store.reading(service.engine) as connection:
        assert store.calendars(connection, found.id)["mine.ics"].data == own
    events = [e for e in plan_from_json(found.plan).blocks if e.day in (date(2027, 1, 20), date(2027, 1, 21))]
    assert events == []
    assert "kept as the student has it: study hours" in words(client.get(f"{path}/row/S-1"))


def of_the_calendar(data: bytes) -> tuple[int, int, int]:
    """Blocks of work, their minutes, and those of the fullest day in Chicago, timed papers aside, of a feed."""
    blocks, whole, fullest = 0, 0, dict[date, int]()
    for event in icalendar.Calendar.from_ical(data).walk("VEVENT"):
        title, start = str(event["SUMMARY"]), event.start
        if isinstance(start, datetime) and not title.startswith("Exam") and "Questions and answers" not in title:
            minutes = int((event.end - start).total_seconds()) // 60
            blocks, whole = blocks + 1, whole + minutes
            day = start.astimezone(ZoneInfo("America/Chicago")).date()
            fullest[day] = fullest.get(day, 0) + minutes * ("aper" not in title)
    return blocks, whole, max(fullest.values())


def of_the_results(client: FlaskClient, path: str) -> dict[str, tuple[int, int, int]]:
    """The same three figures as the results have them."""
    return {
        name: (int(row["blocks"]), int(row["minutes in all"]), int(row["fullest day"]))
        for name, row in everything(client, path)[0].items()
        if row["blocks"]
    }


def test_figures_of_a_changed_plan_are_those_of_its_calendar(both: Flask) -> None:
    client = both.test_client()
    path = made(both, client, *GOOD[:4], BAD[0])
    first = of_the_results(client, path)
    assert first == {name: of_the_calendar(data) for name, (data, _) in feeds(client, path).items()}
    assert shown_rows(client, path, changed="yes") == []
    assert "changed by the student" not in words(client.get(path))
    plan, _, _ = links_of(client, path, "S-2")
    lost = {"version": "1", "first": "2027-01-12", "last": "2027-01-30"}
    assert client.post(f"{plan}/difference", data=lost).status_code == 303
    now = of_the_results(client, path)
    assert now == {name: of_the_calendar(data) for name, (data, _) in feeds(client, path).items()}
    assert {name for name in now if now[name] != first[name]} == {"S-2"}
    table = client.get(f"{path}/rows?changed=yes").text
    assert shown_rows(client, path, changed="yes") == ["S-2"]
    assert f">{now['S-2'][2]} min</td>" in table
    assert f">{first['S-2'][2]} min</td>" not in table
    assert '>Cannot fit<br><span class="soft">Changed</span></td>' in table
    assert shown_rows(client, path, status="cannot fit") == ["S-2"]
    assert shown_rows(client, path, changed="yes", status="planned") == []
    glance = words(client.get(path))
    assert "1 plan was changed by the student, or for them on the plan's page" in glance
    assert "Cannot fit 1" in glance
    rows = everything(client, path)[0]
    assert {name: row["changed on its page"] for name, row in rows.items() if row["changed on its page"]} == {
        "S-2": "changed"
    }
    back = client.post(f"{plan}/undo", data={"version": "2"})
    assert "done=undone" in back.location
    assert of_the_results(client, path)["S-2"] == of_the_calendar(feeds(client, path)["S-2"][0])
    assert shown_rows(client, path, changed="yes") == []


def test_what_is_planned_again_on_top_of_a_students_change_has_figures_of_both(app: Flask, client: FlaskClient) -> None:
    path = made(app, client, *GOOD[:2])
    plan, _, _ = links_of(client, path, "S-2")
    lost = {"version": "1", "first": "2027-01-12", "last": "2027-01-30"}
    assert client.post(f"{plan}/difference", data=lost).status_code == 303
    changed = of_the_results(client, path)
    assert hand_in(client, roster(*GOOD[:2]), f"{path}/again", courses=COURSES + b"\n").status_code == 200
    runner(app).wait()
    assert of_the_results(client, path) == changed, "nothing is asked for otherwise"
    moved = COURSES.replace(b'start = "2027-02-05T13:00"', b'start = "2027-02-09T13:00"')
    assert moved != COURSES
    assert hand_in(client, None, f"{path}/again", courses=moved).status_code == 200
    runner(app).wait()
    after = of_the_results(client, path)
    assert after["S-2"] != changed["S-2"]
    assert after == {name: of_the_calendar(data) for name, (data, _) in feeds(client, path).items()}
    assert shown_rows(client, path, changed="yes") == ["S-2"]


def test_figures_from_before_a_change_are_called_so(both: Flask) -> None:
    """A database of an earlier version: it has no word of what students changed, and results had commas."""
    client = both.test_client()
    path = made(both, client, *GOOD[:2])
    plan, _, _ = links_of(client, path, "S-2")
    lost = {"version": "1", "first": "2027-01-12", "last": "2027-01-30"}
    assert client.post(f"{plan}/difference", data=lost).status_code == 303
    engine, config = served.service_of(both).engine, store.alembic_config()
    with store.writing(engine) as connection:
        config.attributes["connection"] = connection
        command.downgrade(config, "0003")
    store.migrate(engine)
    assert "Changed; figures as before that" in words(client.get(f"{path}/rows?changed=yes"))
    assert "but for 1 of them" in words(client.get(path))
    assert everything(client, path)[0]["S-2"]["changed on its page"] == "changed; figures as before that"
    assert "older than that change" in words(client.get(f"{path}/row/s-2"))
    more = {"version": "2", "first": "2027-01-31", "last": "2027-01-31"}
    assert client.post(f"{plan}/difference", data=more).status_code == 303
    assert "figures as before" not in words(client.get(f"{path}/rows?changed=yes"))
    assert of_the_results(client, path)["S-2"] == of_the_calendar(feeds(client, path)["S-2"][0])


def test_who_leaves_the_class_by_an_own_change_is_told(app: Flask, client: FlaskClient) -> None:
    together = COURSES.replace(b'start = "2027-02-04T09:00"', b'start = "2027-02-04T09:00"\ntogether = true')
    assert together != COURSES
    path = made(app, client, *GOOD[:1], courses=together)
    assert "Not with the class" not in words(client.get(f"{path}/rows"))
    plan, feed, _ = links_of(client, path, "S-1")
    days = sorted({str(one.start)[:10] for one in events(client.get(feed).data).values()})
    lost = {"version": "1", "first": days[2], "last": days[2]}
    assert client.post(f"{plan}/difference", data=lost).status_code == 303
    assert "Not with the class: its work of" in words(client.get(f"{path}/rows"))
    assert shown_rows(client, path, status="planned with warnings", changed="yes") == ["S-1"]


def test_pages_of_a_cohort_read_no_plan_however_many_were_changed(app: Flask, client: FlaskClient) -> None:
    path = made(app, client, *GOOD[:4])
    said: list[str] = []
    engine = served.service_of(app).engine
    happening.listen(engine, "before_cursor_execute", lambda *given: said.append(given[2]))

    def asked(page: str) -> list[str]:
        said.clear()
        assert client.get(path + page).status_code == 200
        assert not [one for one in said if re.search(r"plans\.(plan|document)\b(?! *!=)", one.partition("FROM")[0])]
        return list(said)

    before = {page: asked(page) for page in ("", "/rows", "/rows?changed=yes")}
    for reference in ("S-1", "S-2", "S-3"):
        plan, _, _ = links_of(client, path, reference)
        assert client.post(f"{plan}/difference", data={"version": "1", "first": "2027-01-12"}).status_code == 303
    assert len(shown_rows(client, path, changed="yes")) == 3
    assert {page: asked(page) for page in before} == before


def test_a_student_who_changes_while_the_row_waits_wins_too(app: Flask, client: FlaskClient) -> None:
    path = made(app, client, *GOOD[:1])
    plan, feed, _ = links_of(client, path, "S-1")
    runner(app).ending.set()
    hand_in(client, roster(GOOD[0].replace(",3", ",5")), f"{path}/again")
    assert members(app, path)["s-1"].status == ""
    lost = {"version": "1", "first": "2027-01-12", "last": "2027-01-14"}
    assert client.post(f"{plan}/difference", data=lost).status_code == 303
    assert plan_all(app, path) == 1
    events = icalendar.Calendar.from_ical(client.get(feed).data).walk("VEVENT")
    days = {str(event.start)[:10] for event in events if isinstance(event.start, datetime)}
    assert not days & {"2027-01-12", "2027-01-13", "2027-01-14"}
    assert "The student has changed this plan" in words(client.get(f"{path}/row/s-1"))


def test_who_vanished_is_listed_and_removed_only_when_that_is_confirmed(both: Flask) -> None:
    client = both.test_client()
    path = made(both, client, *GOOD[:3])
    links = links_of(client, path, "S-2")
    answer = hand_in(client, roster(GOOD[0], GOOD[2]), f"{path}/again")
    assert "No longer in the roster: 1 (S-2). Their plans stay" in words(answer)
    runner(both).wait()
    assert [client.get(one).status_code for one in links] == [200] * 3
    assert shown_rows(client, path, status="gone") == ["S-2"]
    assert "no longer in the roster" in words(client.get(f"{path}/row/s-2"))
    assert "All 2 rows are done" in words(client.get(path))
    back = hand_in(client, roster(*GOOD[:3]), f"{path}/again")
    assert "New rows, being planned: 0." in words(back)
    assert "as few changes as can be: 0." in words(back)
    hand_in(client, roster(GOOD[0], GOOD[2]), f"{path}/again", remove="yes")  # no field of the form
    runner(both).wait()
    assert [client.get(one).status_code for one in links] == [200] * 3
    assert "Delete this plan" in words(client.get(f"{path}/rows?status=gone"))
    assert "Delete" not in words(client.get(f"{path}/rows?status=gone&text=S-2"))
    for form in ({"number": "1"}, {"act": "delete", "number": "2"}, {"act": "delete"}):
        assert client.post(f"{path}/vanished", data=form).status_code in (303, 400)
        assert [client.get(one).status_code for one in links] == [200] * 3
    gone = client.post(f"{path}/vanished", data={"act": "delete", "number": "1"}, follow_redirects=True)
    assert "no longer in the roster are deleted" in words(gone)
    assert [client.get(one).status_code for one in links] == [410] * 3
    assert set(members(both, path)) == {"s-1", "s-3"}


def test_who_vanishes_while_waiting_holds_nobody_up_and_is_planned_on_coming_back(
    app: Flask, client: FlaskClient
) -> None:
    path = made(app, client, *GOOD[:2])
    runner(app).ending.set()
    hand_in(client, roster(GOOD[0].replace(",3", ",5"), GOOD[1].replace("45,75", "40,70")), f"{path}/again")
    hand_in(client, roster(GOOD[2], GOOD[0].replace(",3", ",5")), f"{path}/again")
    assert plan_all(app, path) == 2
    assert "All 2 rows are done" in words(client.get(path))
    hand_in(client, roster(GOOD[0].replace(",3", ",5"), GOOD[1].replace("45,75", "40,70")), f"{path}/again")
    assert plan_all(app, path) == 1
    assert "40" in members(app, path)["s-2"].document


def plan_all(app: Flask, path: str, **more: Any) -> int:
    """Plans what waits, here and now."""
    return cohorts.plan_waiting(
        served.service_of(app), id_of(app, path), lambda: ThreadPoolExecutor(1), workers=1, **more
    )


def test_check_ins_of_a_mended_plan_are_kept(app: Flask, client: FlaskClient, clock: served.Clock) -> None:
    path = made(app, client, *GOOD[:2])
    _, feed, _ = links_of(client, path, "S-2")
    found = [event for event in events(client.get(feed).data).values() if "URL" in event]
    first = min(found, key=lambda event: event["DTSTART"].dt)
    clock.now = first["DTEND"].dt.astimezone(UTC) + timedelta(hours=1)
    block = path_of(str(first["URL"]))
    assert client.post(block, data={"act": "done"}).status_code in (200, 303)
    with store.reading(served.service_of(app).engine) as connection:
        said = store.entries(connection, members(app, path)["s-2"].plan_id or "")
    assert said
    hand_in(client, roster(GOOD[0], GOOD[1].replace("45,75", "40,70")), f"{path}/again")
    runner(app).wait()
    assert "40" in members(app, path)["s-2"].document
    with store.reading(served.service_of(app).engine) as connection:
        assert store.entries(connection, members(app, path)["s-2"].plan_id or "") == said
    after = events(client.get(feed).data)[str(first["UID"])]
    assert after["DTSTART"].dt == first["DTSTART"].dt
    assert "done" in words(client.get(block)).lower()


# ---------------------------------------------------------------------------------------------------- how they do


def test_who_is_behind_and_who_gives_no_word_stand_apart(app: Flask, client: FlaskClient, clock: served.Clock) -> None:
    path = made(app, client, *GOOD[:3])
    assert words(client.get(f"{path}/going")).count("Nobody") == 2
    for number in range(2):
        clock.now = datetime(2027, 1, 12 + number, 12, tzinfo=UTC)
    _, feed, _ = links_of(client, path, "S-2")
    over = [e for e in events(client.get(feed).data).values() if "URL" in e and e["DTEND"].dt < clock.now]
    assert over
    for event in over:
        assert client.post(path_of(str(event["URL"])), data={"act": "missed"}).status_code in (200, 303)
    page = client.get(f"{path}/going").text
    behind, silent = page.split('id="silent"')
    assert ">S-2<" in behind
    assert ">S-2<" not in silent
    assert ">S-1<" in silent
    assert ">S-1<" not in behind
    assert client.get(f"{path}/going?page=7").status_code == 200


def test_how_a_block_went_is_said_for_a_student_without_a_phone(
    app: Flask, client: FlaskClient, clock: served.Clock
) -> None:
    """From the student's row, with no calendar at hand; and the row stays the roster's."""
    path = made(app, client, *GOOD[:2])
    assert "/block/" not in client.get(f"{path}/row/S-2").text
    clock.now = datetime(2027, 1, 9, 12, tzinfo=UTC)
    _, feed, _ = links_of(client, path, "S-2")
    over = [e for e in events(client.get(feed).data).values() if "URL" in e and e["DTEND"].dt < clock.now]
    page = client.get(f"{path}/row/S-2")
    assert set(re.findall(r'href="(/block/[^"]*)"', page.text)) == {path_of(str(one["URL"])) for one in over}
    assert f"Nothing was said of the {len(over)} blocks that are over." in words(page)
    assert "tick what you did" not in words(client.get(f"{path}/going"))
    assert client.post(path_of(str(over[0]["URL"])), data={"act": "missed"}).status_code == 303
    assert words(client.get(f"{path}/row/S-2")).count("missed") == page.text.count("missed") + 1
    again = hand_in(client, roster(GOOD[0], GOOD[1].replace(",45,", ",40,")), f"{path}/again")
    assert "Changed rows, being planned again with as few changes as can be: 1" in words(again)
    runner(app).wait()


# ---------------------------------------------------------------------------------------------------- its link, its end


def test_the_cohorts_own_address_is_replaced_and_students_keep_theirs(both: Flask) -> None:
    client = both.test_client()
    path = made(both, client, *GOOD[:2])
    links = links_of(client, path, "S-1")
    answer = client.post(f"{path}/link", data={"act": "replace"})
    assert answer.status_code == 303
    new = urlsplit(answer.location).path
    assert "new address" in words(client.get(answer.location))
    for page in ("", "/rows", "/row/s-1", "/going", "/hand-outs", "/everything.zip", "/again", "/delete"):
        assert client.get(path + page).status_code == 410, page
        assert client.get(new + page).status_code == 200, page
    assert [client.get(one).status_code for one in links] == [200] * 3


def count_of(app: Flask) -> dict[str, int]:
    with store.reading(served.service_of(app).engine) as connection:
        return {
            table.name: connection.execute(select(func.count()).select_from(table)).scalar() or 0
            for table in store.metadata.sorted_tables
        }


def test_deleting_a_cohort_deletes_all_that_is_its(both: Flask) -> None:
    client = both.test_client()
    other = made(both, client, *GOOD[1:3])
    others, alone = links_of(client, other, "S-2"), served.keep(both)
    before = count_of(both)
    path = made(both, client, *GOOD)
    links = links_of(client, path, "S-1")
    client.post(path_of(links[2]), data={"act": "done"})
    assert "all 5 rows" in words(client.get(f"{path}/delete"))
    assert client.post(f"{path}/delete", data={"act": "x"}).status_code == 400
    answer = client.post(f"{path}/delete", data={"act": "delete"})
    assert answer.status_code == 303
    assert "The cohort is deleted with all its plans" in words(client.get(answer.location))
    assert [client.get(one).status_code for one in (path, *links)] == [410] * 4
    assert [client.get(one).status_code for one in others] == [200] * 3
    assert client.get(served.feed_path(both, alone.id)).status_code == 200
    after = count_of(both)
    for name in ("cohorts", "cohort_files", "members", "plans", "feeds", "entries", "revisions"):
        assert after[name] == before[name], name


def test_a_cohort_goes_by_itself_after_its_last_exam(both: Flask) -> None:
    client, engine = both.test_client(), served.service_of(both).engine
    path = made(both, client, *GOOD)
    links = links_of(client, path, "S-1")
    last = date(2027, 2, 8)  # the exam of civics
    soon = datetime(2027, 2, 9, 12, tzinfo=UTC) + timedelta(days=60)
    assert last == cohort_ends(both, path)
    assert upkeep.tidy(engine, now=soon - timedelta(minutes=1), keep_days=60).cohorts == 0
    assert client.get(path).status_code == 200
    assert upkeep.tidy(engine, now=soon, keep_days=60).cohorts == 1
    assert [client.get(one).status_code for one in (path, *links)] == [410] * 4
    left = count_of(both)
    assert not any(left[name] for name in ("cohorts", "cohort_files", "members", "plans", "feeds"))


def cohort_ends(app: Flask, path: str) -> date:
    with store.reading(served.service_of(app).engine) as connection:
        found = store_cohorts.find(connection, id_of(app, path))
    assert found is not None
    return found.ends


# ------------------------------------------------------------------------------------- cut off, twice, in the middle

MANY = tuple(f"S-{number:02},civics,,,,,,,,," for number in range(35))


def outcomes(app: Flask, path: str) -> dict[str, tuple[str, str, str, bool]]:
    return {k: (m.status, m.outcome, m.document, m.plan_id is not None) for k, m in members(app, path).items()}


def test_what_was_cut_off_goes_on_with_the_next_start_and_repeats_nothing(url: str, tmp_path: Path) -> None:
    asked = count()
    with service(url, tmp_path) as app:
        runner(app).ending.set()
        answer = hand_in(app.test_client(), roster(*MANY))
        path = urlsplit(answer.location).path
        assert plan_all(app, path, stopped=lambda: next(asked) > 12) >= 10  # it is asked before each row
        waiting = [key for key, one in members(app, path).items() if not one.status]
        assert 0 < len(waiting) < len(MANY)
        before = {key: one for key, one in members(app, path).items() if one.status}
        assert "rows are planned" in words(app.test_client().get(path))
    with service(url, tmp_path) as app:
        chance: Any = served.service_of(app).entropy
        chance.calls = 1000  # what comes now never came before
        runner(app).start_all()
        runner(app).wait()
        after = members(app, path)
        assert {one.status for one in after.values()} == {"planned"}
        assert {key: after[key] for key in before} == before
        assert count_of(app)["plans"] == len(MANY)
        cut = outcomes(app, path)
    whole = tmp_path / "whole"
    with service("", whole) as app:
        answered = hand_in(app.test_client(), roster(*MANY))
        runner(app).wait()
        assert outcomes(app, urlsplit(answered.location).path) == cut


def test_two_that_plan_at_once_write_each_outcome_once(both: Flask) -> None:
    runner(both).ending.set()
    path = urlsplit(hand_in(both.test_client(), roster(*MANY)).location).path
    service_ = served.service_of(both)
    two = [Runner(service_, lambda: ThreadPoolExecutor(1)) for _ in range(2)]
    for one in two:
        one.start_all()
    for one in two:
        one.wait()
    assert {one.status for one in members(both, path).values()} == {"planned"}
    assert count_of(both)["plans"] == len(MANY)
    assert len({one.plan_id for one in members(both, path).values()}) == len(MANY)


def test_a_roster_handed_in_while_the_other_is_being_planned_is_the_one_that_counts(both: Flask) -> None:
    """What was under way for the old rows is thrown away; every plan is that of the row as it is now."""
    runner(both).ending.set()
    client = both.test_client()
    path = urlsplit(hand_in(client, roster(*MANY)).location).path
    reached, go = Event(), Event()

    def told(number: int) -> None:
        reached.set()
        assert go.wait(30)

    thread = Thread(target=plan_all, args=(both, path), kwargs={"told": told})
    thread.start()
    assert reached.wait(30)
    moved = COURSES.replace(b'start = "2027-02-08T10:30"', b'start = "2027-02-09T10:30"')
    others = tuple(row.replace(",civics,,,,", ",civics,,,40,") for row in reversed(MANY[5:]))
    assert hand_in(client, roster(*others, "S-99,civics,,,,,,,,,"), f"{path}/again", courses=moved).status_code == 200
    go.set()
    thread.join()
    while plan_all(both, path):
        pass
    found = members(both, path)
    assert all(one.status for one in found.values() if one.number)
    for key, one in found.items():
        if one.number and one.plan_id:
            assert "2027-02-09T10:30" in one.document, key
            assert ('"usual":40' in one.document) is (key != "s-99"), key
    assert len([one for one in found.values() if one.number]) == len(others) + 1


def test_who_asks_while_planning_ends_is_not_forgotten(app: Flask, client: FlaskClient) -> None:
    """The thread of a cohort that has just found nothing more looks again, or another one does."""
    path = made(app, client, *GOOD[:1])
    for number in range(6):
        row = GOOD[0].replace(",3", f",{number}")
        hand_in(client, roster(row), f"{path}/again")
    runner(app).wait()
    runner(app).wait()
    assert members(app, path)["s-1"].status
