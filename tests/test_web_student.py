"""The student's way through the pages, without a browser: what a form leads to, and what an address allows."""

from __future__ import annotations

import json
import re
from datetime import timedelta
from html import unescape
from io import BytesIO
from typing import TYPE_CHECKING

import icalendar
import pytest

from calplan.model import plan_from_json
from calplan.request import from_mapping
from tests import served
from tests.judges import assert_agree
from web import plans, store
from web.powers import Power

if TYPE_CHECKING:
    from flask import Flask
    from flask.testing import FlaskClient
    from werkzeug.test import TestResponse

CALENDAR = (served.FIXTURES / "calendars" / "chemistry-student.ics").read_bytes()
FORM = {
    "exam-1-key": "exam-1",
    "exam-1-subject": "Chemistry",
    "exam-1-day": "2027-02-04",
    "exam-1-hour": "09:00",
    "exam-1-minutes": "120",
    "exam-1-homework-count": "14",
    "exam-1-quiz-count": "5",
    "exam-1-quiz-missed": "2",
    "exam-1-practice-count": "60",
    "zone": "America/Chicago",
    "hours-1-mon": "yes",
    "hours-1-tue": "yes",
    "hours-1-wed": "yes",
    "hours-1-thu": "yes",
    "hours-1-fri": "yes",
    "hours-1-start": "16:00",
    "hours-1-end": "21:00",
}


def post(client: FlaskClient, path: str, **fields: object) -> TestResponse:
    return client.post(path, data=FORM | fields, content_type="multipart/form-data")


def kept(client: FlaskClient, **fields: object) -> str:
    """The address of a plan that was made and kept, below the service's own."""
    answer = post(client, "/make", act="keep", **fields)
    assert answer.status_code == 303, said(answer)
    return answer.location.partition("#")[0]


def field(answer: TestResponse, name: str) -> str:
    """What a field of the form holds."""
    found = re.search(rf'<input[^>]*name="{re.escape(name)}"[^>]*>', answer.text)
    assert found, f"no field {name}"
    value = re.search(r'value="([^"]*)"', found[0])
    return unescape(value[1]) if value else ""


def said(answer: TestResponse) -> str:
    """The words of a page."""
    return " ".join(unescape(re.sub(r"<[^>]*>", " ", answer.text)).split())


def feed_of(client: FlaskClient, plan: str) -> str:
    """The address of the plan's feed, as its page gives it."""
    return "/feed/" + field_by_id(client.get(f"{plan}/calendar"), "feed").partition("/feed/")[2]


def field_by_id(answer: TestResponse, name: str) -> str:
    found = re.search(rf'<input id="{name}"[^>]*value="([^"]*)"', answer.text)
    assert found, f"no field {name}"
    return unescape(found[1])


def blocks(data: bytes) -> dict[str, icalendar.Event]:
    """The timed events of a calendar by UID, as icalendar reads them."""
    events = icalendar.Calendar.from_ical(data).walk("VEVENT")
    return {str(event["UID"]): event for event in events if hasattr(event.start, "hour")}


# ------------------------------------------------------------------------------------------------------ making


def test_a_form_that_is_right_is_shown_before_it_is_kept_and_nothing_is_kept_by_looking(
    app: Flask, client: FlaskClient
) -> None:
    answer = post(client, "/make", act="preview")
    assert answer.status_code == 200
    assert re.search(r"\d+ days with study, \d+ to \d+ minutes a day, from .+ to .+\.", said(answer))
    with store.reading(served.service_of(app).engine) as connection:
        assert list(store.all_ids(connection)) == []


def test_everything_wrong_comes_back_at_once_beside_what_was_typed(client: FlaskClient) -> None:
    wrong = {"exam-1-day": "2027-02-31", "zone": "Mars/Olympus", "exam-1-quiz-missed": "lots", "busy": "when I like"}
    answer = post(client, "/make", act="keep", **wrong)
    assert answer.status_code == 422
    assert "4 things to mend" in said(answer)
    assert field(answer, "zone") == "Mars/Olympus"
    assert field(answer, "exam-1-quiz-missed") == "lots"
    assert "when I like" in answer.text
    assert field(answer, "exam-1-subject") == "Chemistry"


def test_where_no_day_is_left_the_form_says_so_and_what_still_helps(client: FlaskClient) -> None:
    answer = post(client, "/make", act="keep", **{"exam-1-day": "2027-01-05", "exam-1-hour": "09:00"})
    assert answer.status_code == 200
    assert "What can be done" in said(answer)


def test_where_not_everything_fits_the_ways_out_are_told_with_numbers(client: FlaskClient) -> None:
    answer = post(client, "/make", act="preview", **{"exam-1-homework-count": "400"})
    assert "Not everything fits." in said(answer)
    assert re.search(r"What does not fit.*\d+ minutes", said(answer))


def test_an_uploaded_calendar_is_read_waits_for_the_plan_and_goes_with_it(app: Flask, client: FlaskClient) -> None:
    answer = post(client, "/make", act="read", **{"calendar-new-file": (BytesIO(CALENDAR), "timetable.ics")})
    assert answer.status_code == 200
    assert "busy times read" in said(answer)
    assert "General Chemistry, lecture" in said(answer)
    waiting = {name: field(answer, name) for name in ("calendar-1-name", "calendar-1-upload")}
    plan = kept(client, **waiting)
    service = served.service_of(app)
    with store.reading(service.engine) as connection:
        (plan_id,) = store.all_ids(connection)
        assert {name: one.data for name, one in store.calendars(connection, plan_id).items()} == {
            "timetable.ics": CALENDAR
        }
    assert "busy times read" in said(client.get(f"{plan}/change"))


def test_of_a_calendar_only_the_chosen_events_are_counted(client: FlaskClient) -> None:
    answer = post(client, "/make", act="read", **{"calendar-new-file": (BytesIO(CALENDAR), "timetable.ics")})
    whole = int(re.findall(r"(\d+) busy times read", said(answer))[0])
    form = {name: field(answer, name) for name in ("calendar-1-name", "calendar-1-upload")}
    chosen = form | {"calendar-1-which": "only", "calendar-1-pick-1": "General Chemistry, laboratory"}
    some = int(re.findall(r"(\d+) busy times read", said(post(client, "/make", act="preview", **chosen)))[0])
    assert some < whole


def test_a_plan_taken_along_says_that_its_calendar_has_to_be_chosen_again(client: FlaskClient) -> None:
    plan = kept(client, **{"calendar-new-file": (BytesIO(CALENDAR), "timetable.ics")})
    along = client.get(f"{plan}/take-along").data
    answer = post(client, "/make", act="load", **{"request-file": (BytesIO(along), "plan.json")})
    assert "this file is not here. Choose it again, or take this calendar out." in said(answer)


def test_a_file_that_is_no_calendar_is_named_and_the_rest_stays(client: FlaskClient) -> None:
    answer = post(client, "/make", act="read", **{"calendar-new-file": (BytesIO(b"<html></html>"), "page.ics")})
    assert "page.ics" in said(answer)
    assert "web page" in said(answer)
    assert field(answer, "exam-1-subject") == "Chemistry"


def test_a_request_file_fills_the_form_and_one_that_is_none_is_refused(client: FlaskClient) -> None:
    whole = (served.FIXTURES / "chemistry-30.toml").read_bytes()
    answer = post(client, "/make", act="load", **{"request-file": (BytesIO(whole), "chemistry.toml")})
    assert field(answer, "exam-1-place") == "Marlow Bridge College, Hall B"
    answer = post(client, "/make", act="load", **{"request-file": (BytesIO(b"= ="), "bad.toml")})
    assert answer.status_code == 422
    assert field(answer, "exam-1-subject") == "Chemistry"


def test_rows_come_and_go_without_scripts_and_without_losing_what_was_typed(client: FlaskClient) -> None:
    answer = post(client, "/make", act="more-exam", **{"exam-1-subject": "Chemistry & co"})
    assert field(answer, "exam-1-subject") == "Chemistry & co"
    assert field(answer, "exam-2-subject") == ""
    assert "things to mend" not in said(answer)
    answer = post(client, "/make", act="less-exam-1", **{"exam-2-key": "b", "exam-2-subject": "Civics"})
    assert field(answer, "exam-1-subject") == "Civics"


def test_the_running_line_is_a_piece_of_a_page(client: FlaskClient) -> None:
    answer = client.post("/make/preview", data=FORM)
    assert answer.status_code == 200
    assert "days with study" in said(answer)
    assert "<html" not in answer.text


# ------------------------------------------------------------------------------------------------------ looking


def test_the_plan_opens_at_its_address_and_for_reading_only_where_the_student_wants_it(client: FlaskClient) -> None:
    plan = kept(client)
    assert "Put it into your calendar" in said(client.get(plan))
    assert "There is none now" in said(client.get(f"{plan}/calendar"))
    client.post(f"{plan}/calendar", data={"act": "share"})
    view = "/view/" + field_by_id(client.get(f"{plan}/calendar"), "view").partition("/view/")[2]
    page = client.get(view)
    assert page.status_code == 200
    assert plan.removeprefix("/plan/") not in page.text
    assert "/feed/" not in page.text
    client.post(f"{plan}/calendar", data={"act": "replace-view"})
    assert client.get(view).status_code == 410
    view = "/view/" + field_by_id(client.get(f"{plan}/calendar"), "view").partition("/view/")[2]
    assert client.get(view).status_code == 200
    client.post(f"{plan}/calendar", data={"act": "unshare"})
    assert client.get(view).status_code == 410


def test_an_events_link_opens_its_block_and_nothing_else_of_the_plan(client: FlaskClient) -> None:
    plan = kept(client, title="A title of my own", **{"exam-1-place": "Hall B"})
    events = blocks(client.get(feed_of(client, plan)).data)
    for uid, event in events.items():
        path = "/block/" + str(event["URL"]).partition("/block/")[2]
        assert path.endswith(uid)
    page = client.get(path)
    assert page.status_code == 200
    assert "A title of my own" not in page.text
    assert "Hall B" not in page.text
    assert plan.removeprefix("/plan/") not in page.text
    assert client.get(path[:-1] + "0").status_code == 404


def test_the_plans_address_can_be_replaced(client: FlaskClient) -> None:
    plan = kept(client)
    answer = client.post(f"{plan}/calendar", data={"act": "replace-manage"})
    assert client.get(plan).status_code == 410
    assert "the old one has ended" in said(client.get(answer.location))


# --------------------------------------------------------------------------------------------- into the calendar


def test_the_feed_is_the_plan_as_five_parsers_read_it(client: FlaskClient) -> None:
    assert_agree(client.get(feed_of(client, kept(client))).data)


def test_reminders_are_in_the_feed_when_they_are_on(client: FlaskClient) -> None:
    plan = kept(client)
    feed = feed_of(client, plan)
    assert b"BEGIN:VALARM" not in client.get(feed).data
    client.post(f"{plan}/calendar", data={"act": "alarms", "alarm": "on", "minutes": "15"})
    data = client.get(feed).data
    assert {event.alarms.times[0].trigger - event.start for event in blocks(data).values()} == {-timedelta(minutes=15)}
    client.post(f"{plan}/calendar", data={"act": "alarms", "alarm": "off"})
    assert b"BEGIN:VALARM" not in client.get(feed).data


@pytest.mark.parametrize("minutes", ["", "-1", "1441", "ten", "١٠", "1e3"])
def test_minutes_of_reminders_that_cannot_be_are_told(client: FlaskClient, minutes: str) -> None:
    plan = kept(client)
    answer = client.post(f"{plan}/calendar", data={"act": "alarms", "alarm": "on", "minutes": minutes})
    assert answer.status_code == 422
    assert "a whole number from 0 to 1440" in said(answer)


def test_a_replaced_calendar_link_ends_and_so_do_the_links_in_its_events(client: FlaskClient) -> None:
    plan = kept(client)
    old = feed_of(client, plan)
    link = "/block/" + str(next(iter(blocks(client.get(old).data).values()))["URL"]).partition("/block/")[2]
    client.post(f"{plan}/calendar", data={"act": "replace"})
    new = feed_of(client, plan)
    assert [client.get(path).status_code for path in (old, link, new)] == [410, 410, 200]
    assert old.split("/")[2].removesuffix(".ics") not in client.get(new).text


def test_the_download_is_the_feed_once(client: FlaskClient) -> None:
    plan = kept(client)
    answer = client.get(f"{plan}/plan.ics")
    assert answer.headers["Content-Disposition"].startswith("attachment")
    assert answer.data == client.get(feed_of(client, plan)).data


def test_last_fetched_is_shown(client: FlaskClient, clock: served.Clock) -> None:
    plan = kept(client)
    feed = feed_of(client, plan)
    assert "No calendar has fetched it yet" in said(client.get(f"{plan}/calendar"))
    client.get(feed)
    assert "Last fetched: Tuesday 5 January 2027" in said(client.get(f"{plan}/calendar"))


# ----------------------------------------------------------------------------------------------------- changing


def change_form(client: FlaskClient, plan: str) -> dict[str, str]:
    """The hidden version of the form for a change."""
    return {"version": field(client.get(f"{plan}/change"), "version")}


def test_an_exam_that_moves_moves_events_and_doubles_none(client: FlaskClient, clock: served.Clock) -> None:
    plan = kept(client)
    feed = feed_of(client, plan)
    before = blocks(client.get(feed).data)
    clock.forward(days=7, hours=9)
    answer = post(client, f"{plan}/change", act="preview", **change_form(client, plan), **{"exam-1-day": "2027-02-08"})
    assert re.search(r"Of \d+ blocks ahead: .*\d+ stay where they are", said(answer))
    answer = post(client, f"{plan}/change", act="keep", **change_form(client, plan), **{"exam-1-day": "2027-02-08"})
    assert answer.status_code == 303
    after = blocks(client.get(feed).data)
    over = [uid for uid, event in before.items() if event.start <= clock()]
    assert over
    assert all(after[uid].to_ical() == before[uid].to_ical() for uid in over)
    ahead = before.keys() - set(over)
    assert len(ahead & after.keys()) > len(ahead) / 2
    for uid in ahead & after.keys():
        moved = (before[uid].start, before[uid].end) != (after[uid].start, after[uid].end)
        assert int(after[uid]["SEQUENCE"]) == int(before[uid]["SEQUENCE"]) + moved


def test_a_form_that_changes_nothing_changes_nothing(client: FlaskClient, clock: served.Clock) -> None:
    plan = kept(client)
    before = client.get(feed_of(client, plan))
    clock.forward(days=3)
    assert post(client, f"{plan}/change", act="keep", **change_form(client, plan)).status_code == 303
    after = client.get(feed_of(client, plan))
    assert (before.data, before.headers["ETag"]) == (after.data, after.headers["ETag"])
    assert field(client.get(f"{plan}/change"), "version") == "1"


def test_the_later_of_two_tabs_sees_what_changed_and_loses_nothing(client: FlaskClient) -> None:
    plan = kept(client)
    both = change_form(client, plan)
    assert post(client, f"{plan}/change", act="keep", **both, **{"exam-1-day": "2027-02-08"}).status_code == 303
    answer = post(client, f"{plan}/change", act="keep", **both, **{"exam-1-subject": "Organic chemistry"})
    assert answer.status_code == 409
    assert "exam 1, start: it was 2027-02-04T09:00, and is 2027-02-08T09:00 now." in said(answer)
    assert field(answer, "exam-1-subject") == "Organic chemistry"
    now = {"version": field(answer, "version"), "exam-1-subject": "Organic chemistry", "exam-1-day": "2027-02-08"}
    assert post(client, f"{plan}/change", act="keep", **now).status_code == 303
    assert "Organic chemistry" in said(client.get(plan))


def test_a_change_under_way_does_not_land_when_the_address_is_replaced_meanwhile(
    app: Flask, client: FlaskClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    plan = kept(client)
    form = change_form(client, plan)
    made_again = plans.redraft

    def slowly(*arguments: object) -> object:
        service = served.service_of(app)
        with store.writing(service.engine) as connection:
            (plan_id,) = store.all_ids(connection)
            store.replace_link(connection, plan_id, Power.MANAGE)
        return made_again(*arguments)

    monkeypatch.setattr(plans, "redraft", slowly)
    answer = post(client, f"{plan}/change", act="keep", **form, **{"exam-1-day": "2027-02-08"})
    assert answer.status_code == 410


def test_what_was_changed_meanwhile_is_told_for_every_sort_of_value(app: Flask, client: FlaskClient) -> None:
    plan = kept(client)
    service = served.service_of(app)
    with store.reading(service.engine) as connection:
        (plan_id,) = store.all_ids(connection)
        old = store.find(connection, plan_id)
    assert old is not None
    before = store.Revision(1, old.changed, old.document, old.plan)
    post(client, f"{plan}/change", act="keep", **change_form(client, plan), busy="2027-01-22 18:00-20:00 Concert")
    with store.reading(service.engine) as connection:
        new = store.find(connection, plan_id)
    assert new is not None
    assert plans.changed_since(before, plans.opened(new)) == (
        "busy 1, start: it was nothing, and is 2027-01-22T18:00 now.",
        "busy 1, end: it was nothing, and is 2027-01-22T20:00 now.",
        "busy 1, title: it was nothing, and is Concert now.",
    )
    assert plans.changed_since(None, plans.opened(new)) == ("That was too many versions ago to say what.",)


def test_another_calendar_under_the_same_name_makes_the_plan_again(client: FlaskClient) -> None:
    plan = kept(client)
    first = {"calendar-new-file": (BytesIO(CALENDAR), "timetable.ics")}
    answer = post(client, f"{plan}/change", act="keep", **change_form(client, plan), **first)
    assert answer.status_code == 303
    form = client.get(f"{plan}/change")
    name = {"calendar-1-name": field(form, "calendar-1-name"), "version": field(form, "version")}
    assert post(client, f"{plan}/change", act="keep", **name).status_code == 303
    assert field(client.get(f"{plan}/change"), "version") == "2"
    other = CALENDAR.replace(b"T100000", b"T160000")
    newer = {"calendar-1-file": (BytesIO(other), "newer.ics")}
    assert post(client, f"{plan}/change", act="keep", **name, **newer).status_code == 303
    assert field(client.get(f"{plan}/change"), "version") == "3"


# ------------------------------------------------------------------------------------- taking along, and the end


def test_what_is_taken_along_fills_the_next_form(client: FlaskClient) -> None:
    plan = kept(client, **{"exam-1-place": "Hall B"})
    answer = client.get(f"{plan}/take-along")
    document = json.loads(answer.data)
    assert from_mapping(document["request"]).exams[0].subject == "Chemistry"
    assert plan_from_json(json.dumps(document["plan"]).encode()).blocks
    again = {"request-file": (BytesIO(answer.data), "plan.json")}
    assert field(post(client, "/make", act="load", **again), "exam-1-place") == "Hall B"


def test_a_deleted_plan_is_gone_at_every_address(app: Flask, client: FlaskClient) -> None:
    plan = kept(client)
    client.post(f"{plan}/calendar", data={"act": "share"})
    view = "/view/" + field_by_id(client.get(f"{plan}/calendar"), "view").partition("/view/")[2]
    feed = feed_of(client, plan)
    link = "/block/" + str(next(iter(blocks(client.get(feed).data).values()))["URL"]).partition("/block/")[2]
    assert client.get(f"{plan}/delete").status_code == 200
    assert client.get(plan).status_code == 200
    answer = client.post(f"{plan}/delete", data={"act": "delete"})
    assert "The plan is deleted" in said(client.get(answer.location))
    paths = (plan, f"{plan}/calendar", f"{plan}/change", f"{plan}/paper", view, feed, link)
    assert {path: client.get(path).status_code for path in paths} == dict.fromkeys(paths, 410)


@pytest.mark.parametrize("page", ["calendar", "delete"])
def test_a_button_that_is_none_of_the_page_does_nothing(client: FlaskClient, page: str) -> None:
    plan = kept(client)
    assert client.post(f"{plan}/{page}", data={"act": "explode"}).status_code == 400
    assert client.get(plan).status_code == 200


# --------------------------------------------------------------------------------------- by the operator's timer


def test_new_zone_rules_or_a_new_address_render_the_feed_again_and_nothing_else_does(
    app: Flask, client: FlaskClient, clock: served.Clock, monkeypatch: pytest.MonkeyPatch
) -> None:
    feed = feed_of(client, kept(client))
    before = client.get(feed)
    service = served.service_of(app)
    clock.forward(days=1)

    def again(**how: bool) -> bool:
        with store.writing(service.engine) as connection:
            (plan_id,) = store.all_ids(connection)
            return plans.render_again(service, connection, plan_id, **how)

    assert not again(always=False)
    assert not again(always=True)
    assert client.get(feed).headers["ETag"] == before.headers["ETag"]
    monkeypatch.setattr(plans, "versions", lambda: ("2099z", "0"))
    assert not again(always=False)  # other rules, but none that move this plan
    moved = service._replace(settings=served.Settings(data=service.settings.data, public_url="https://plans.example"))
    with store.writing(service.engine) as connection:
        (plan_id,) = store.all_ids(connection)
        assert plans.render_again(moved, connection, plan_id, always=True)
    assert client.get(feed).headers["ETag"] != before.headers["ETag"]
    assert b"https://plans.example/feed/" in client.get(feed).data.replace(b"\r\n ", b"")


def test_a_link_that_ended_is_told_apart_from_one_that_never_was(app: Flask, client: FlaskClient) -> None:
    plan = kept(client)
    other = served.service_of(app).keys.token(Power.MANAGE, "A" * 16, 1)
    assert client.get(f"/plan/{other}").status_code == 410  # this key made it once, for a plan that is no more
    assert client.get(plan[:-1] + ("A" if plan[-1] != "A" else "B")).status_code == 404
