"""What a filled form means: files are taken in, rows come and go, the form is read, and a plan is tried.

Nothing that was typed or uploaded is lost on the way: whatever is wrong, the fields come back, and uploaded calendars
wait in the database under an id that the form carries along. Everything wrong is told at once.
"""

from __future__ import annotations

import json
import re
from collections import Counter
from contextlib import suppress
from datetime import timedelta
from functools import lru_cache, partial
from math import ceil
from typing import TYPE_CHECKING, Any, NamedTuple
from zoneinfo import ZoneInfo, available_timezones

from msgspec.structs import replace

from calplan import publicdays
from calplan.busy import CalendarFile, Reading, read_calendars
from calplan.days import exam_day
from calplan.errors import BadCalendar, InvalidRequest, NoPlan, Problem
from calplan.model import UNIT, BusyCalendar, Plan, Request, Skipped, to_json
from calplan.planner import NOT_HANDED_OVER, problems_beyond
from calplan.request import MOST_CALENDARS, MOST_EXAMS, MOST_STRETCHES
from calplan.sentences import ask_sentences, notice_sentences, short_day, shortfall_sentences
from calplan.spans import wall
from calplan.tables import MOST_ENTRIES, MOST_PROBLEMS
from web import form_drafts, form_rows, forms, plans, store
from web.form_pieces import UnreadableList
from web.pictures import Strip, difference_strip, strip
from web.powers import new_id

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence
    from datetime import date, datetime

    from sqlalchemy import Connection

    from web.clocks import Clocks
    from web.plans import Opened
    from web.service import Service

READ_DAYS = 120
"""How far a calendar is read where the form does not say yet when the last exam is."""


class File(NamedTuple):
    """An uploaded file: the field it came in, its :func:`own_name`, its bytes."""

    field: str
    name: str
    data: bytes


class Received(NamedTuple):
    """A form with its files taken in: fields in order, the button that was pressed, what was wrong with files."""

    fields: dict[str, str]
    act: str
    anchor: str = ""
    wrong: tuple[tuple[str, Problem], ...] = ()


class Told(NamedTuple):
    """What was read from a busy calendar, for the form to show; ``titles`` are pairs of a title and its busy times."""

    name: str
    busy_count: int
    titles: tuple[tuple[str, int], ...]
    skipped: tuple[Skipped, ...]
    read_at: datetime


class Preview(NamedTuple):
    """A plan before it is kept: what it costs, what to know, what does not fit and the ways out."""

    sentence: str
    days: int = 0
    maximum: int = 0
    everything: int | None = None
    essentials: int | None = None
    shortfall: tuple[str, ...] = ()
    notices: tuple[str, ...] = ()
    asks: tuple[str, ...] = ()
    no_plan: NoPlan | None = None
    strip: Strip | None = None
    difference: tuple[str, ...] = ()


class Made(NamedTuple):
    """All that is known about a form.

    ``asked`` is its request, ``plan`` what came of it (``None``: nothing); ``anything_new`` tells that a busy calendar
    is not the one that the plan has.
    """

    fields: dict[str, str]
    act: str = ""
    anchor: str = ""
    mapping: dict[str, Any] = {}  # noqa: RUF012
    asked: Request | None = None
    plan: Plan | None = None
    calendars: tuple[store.Upload, ...] = ()
    readings: tuple[Told, ...] = ()
    problems: tuple[Problem, ...] = ()
    by_field: dict[str, list[Problem]] = {}  # noqa: RUF012
    preview: Preview | None = None
    anything_new: bool = False

    def weight(self) -> int:
        """The bytes that keeping it stores, about; calendars that the plan has already are stored."""
        documents = len(plans.written(self.mapping).encode()) + (len(to_json(self.plan, indent=0)) if self.plan else 0)
        return documents + (sum(len(one.data) for one in self.calendars) if self.anything_new else 0)

    def shown(self) -> dict[str, Any]:
        """What the form's template shows of it."""
        return {
            "fields": self.fields,
            "by_field": self.by_field,
            "problems": self.problems,
            "readings": self.readings,
            "preview": self.preview,
            "counts": form_rows.counts(self.fields),
        }


# ------------------------------------------------------------------------------------------------ taking in


def receive(
    service: Service, form: Mapping[str, str], uploads: Iterable[File], keep: Callable[[str, str, bytes], None]
) -> Received:
    """The form as it stands after its files and its button.

    Calendars are handed to ``keep`` with a new id and their name, to wait there.
    """
    fields = dict(form)
    act = fields.pop("act", "")
    wrong: list[tuple[str, Problem]] = []
    for file in uploads:
        try:
            fields = with_file(service, fields, file, keep)
        except InvalidRequest as invalid:
            wrong += [(file.field, problem) for problem in invalid.problems]
        except UnreadableList as unreadable:
            wrong.append((file.field, unreadable.problem))
    fields, beyond = bounded(fields)
    acted = form_rows.act(form_rows.tidy(fields), act)
    return Received(acted.fields, act, acted.anchor, (*wrong, *beyond))


def bounded(fields: Mapping[str, str]) -> tuple[dict[str, str], list[tuple[str, Problem]]]:
    """A form that can be shown: without half characters, and with no more rows than a request may have.

    A page with thousands of rows would take minutes to write. What is left out is told.
    """
    numbers = {name: form_drafts.numbers(fields, name) for name in MOST_SHOWN}
    dropped = {f"{name}-{number}" for name, (_, most) in MOST_SHOWN.items() for number in numbers[name][most:]}
    kept = {name: whole(text) for name, text in fields.items() if "-".join(name.split("-")[:2]) not in dropped}
    beyond = [
        ("", Problem("the form", f"it has {len(numbers[name])} rows of {called}.", f"The first {most} are kept."))
        for name, (called, most) in MOST_SHOWN.items()
        if len(numbers[name]) > most
    ]
    return kept, beyond


MOST_SHOWN = {
    "exam": ("exams", MOST_EXAMS),
    "hours": ("study hours", MOST_STRETCHES),
    "appointment": ("appointments", MOST_ENTRIES),
    "calendar": ("calendars", MOST_CALENDARS),
}
"""The lists of rows: what people call them, and how many rows are shown."""


def whole(text: str) -> str:
    """The text with a mark in place of each half character (a lone surrogate), which no page and no file can hold."""
    return re.sub("[\ud800-\udfff]", "\ufffd", text)


def own_name(filename: str) -> str:
    """A file's name on one line, without folders before it and signs that cannot be seen, and not too long."""
    base = re.split(r"[/\\]", filename)[-1]
    clean = " ".join("".join(char if char.isprintable() else " " for char in base).split())
    return clean[-MOST_NAME:].strip() or "file"


MOST_NAME = 80
"""Characters of a file's name that are kept: the last ones, which tell its kind."""


def with_file(
    service: Service, fields: dict[str, str], file: File, keep: Callable[[str, str, bytes], None]
) -> dict[str, str]:
    """The form with one uploaded file. Raises InvalidRequest and UnreadableList."""
    if len(file.data) > service.settings.upload_bytes:
        most = f"{service.settings.upload_bytes:,} bytes"
        remedy = f"At most {most} are read. A calendar can be exported for a shorter stretch."
        raise InvalidRequest([Problem(file.name, "this file is too large.", remedy)])
    if file.field == "request-file":
        kept = {name: text for name, text in fields.items() if name in ("version", "zone")}
        return kept | form_rows.load(request_in(file.data), request_name(file))
    found = re.fullmatch(r"(exam|calendar)-([1-9][0-9]{0,3})-file", file.field)
    if found and found[1] == "exam":
        return form_rows.add_pieces(fields, int(found[2]), file.data, file.name)
    if not found and file.field != "calendar-new-file":
        return fields
    if not found and form_rows.counts(fields)["calendar"] >= MOST_CALENDARS:
        remedy = "Take one of the others out first, or put several into one calendar."
        raise InvalidRequest([Problem(file.name, f"a plan has at most {MOST_CALENDARS} calendars.", remedy)])
    upload = new_id(service.entropy)
    keep(upload, file.name, file.data)
    return form_rows.set_calendar(fields, int(found[2]) if found else None, file.name, upload)


def too_much(name: str, wait: int) -> InvalidRequest:
    """The refusal of a file from an address that handed in too much; ``wait`` are the seconds until there is room."""
    sentence = "more was sent from your network in an hour than the service keeps."
    remedy = f"Perhaps many share it, such as a school’s. Send the file again in {ceil(wait / 60)} min."
    return InvalidRequest([Problem(name, sentence, remedy)])


def request_in(data: bytes) -> bytes:
    """The request in a file that was taken along, or the file itself."""
    with suppress(ValueError, RecursionError):  # reading the file as a request says what is wrong with it
        document = json.loads(data)
        if isinstance(document, dict) and isinstance(document.get("request"), dict) and "plan" in document:
            return json.dumps(document["request"]).encode()
    return data


def request_name(file: File) -> str:
    """The name of an uploaded request, which tells its format."""
    return file.name if file.name.lower().endswith((".toml", ".json")) else "request"


# -------------------------------------------------------------------------------------------------- trying


def fresh() -> Made:
    """The form as it is before anything was typed."""
    return Made(form_rows.fresh())


def filled(service: Service, old: Opened, stored: Mapping[str, store.Upload]) -> Made:
    """The form as a kept plan's request fills it, with what its calendars say."""
    calendars = tuple(stored.values())
    told = readings(service, calendars, old.request)
    return Made(form_rows.tidy(forms.to_fields(old.mapping)), calendars=calendars, readings=told)


def consider(
    service: Service,
    received: Received,
    calendars: tuple[store.Upload, ...],
    *,
    stored: Mapping[str, store.Upload],
    old: Opened | None = None,
    clocks: Clocks = "24",
    tell_calendars: bool = True,
) -> Made:
    """The plan that a form asks for, or all that stands in its way.

    ``calendars`` are those that the form names, ``stored`` those that the plan has already; ``old`` is the plan that
    would be replaced. A button that only changes rows, or has calendars read, asks for no plan.
    """
    read = forms.read_form(received.fields)
    if received.act.startswith(("more-", "less-", "read")):
        return only_rows(service, received, calendars, read.request)
    make = partial(plans.redraft, service, old) if old else partial(plans.draft, service)
    plan, preview, found = tried(read, bytes_by_name(calendars), make)
    problems = first_of(found)
    if received.wrong:
        plan, preview = None, None
    if plan is not None and read.request is not None:
        preview = preview_of(plan, read.request, old, service.clock(), clocks)
    by_field = forms.problems_by_field(problems, received.fields)
    for field, problem in received.wrong:
        by_field.setdefault(field, []).append(problem)
    return Made(
        received.fields,
        received.act,
        received.anchor,
        mapping=read.mapping,
        asked=read.request,
        plan=plan,
        calendars=calendars,
        readings=readings(service, calendars, read.request) if tell_calendars else (),
        problems=(*(problem for _, problem in received.wrong), *problems),
        by_field=by_field,
        preview=preview,
        anything_new=any(stored.get(one.name) != one for one in calendars),
    )


def first_of(problems: tuple[Problem, ...]) -> tuple[Problem, ...]:
    """As many problems as anyone reads at a time; a pasted page of text would otherwise have one for each line."""
    more = len(problems) - MOST_PROBLEMS
    if more <= 0:
        return problems
    rest = Problem("the form", f"there are {more} more things to mend.", "Mend these first.")
    return (*problems[:MOST_PROBLEMS], rest)


def only_rows(
    service: Service, received: Received, calendars: tuple[store.Upload, ...], request: Request | None
) -> Made:
    """The form with its rows changed, or its calendars read; of what is wrong only files that cannot be read count."""
    unread = problems_beyond([BusyCalendar(file=one.name) for one in calendars], None, bytes_by_name(calendars))
    by_field = forms.problems_by_field(unread, received.fields)
    for field, problem in received.wrong:
        by_field.setdefault(field, []).append(problem)
    return Made(
        received.fields,
        received.act,
        received.anchor,
        calendars=calendars,
        readings=readings(service, calendars, request),
        problems=(*(problem for _, problem in received.wrong), *unread),
        by_field=by_field,
    )


def bytes_by_name(calendars: Iterable[store.Upload]) -> dict[str, bytes]:
    """The bytes of calendars by their names."""
    return {one.name: one.data for one in calendars}


def gathered(
    connection: Connection, fields: Mapping[str, str], stored: Mapping[str, store.Upload]
) -> tuple[store.Upload, ...]:
    """The busy calendars that a form names, by their names there: those just uploaded, else those of the plan."""
    found = []
    for number in range(1, form_rows.counts(fields)["calendar"] + 1):
        name, upload = fields.get(f"calendar-{number}-name", "").strip(), fields.get(f"calendar-{number}-upload", "")
        there = store.get_upload(connection, upload) if upload else stored.get(name)
        if there is not None and name:
            found.append(there._replace(name=name))
    return tuple(found)


def tried(
    read: forms.Read,
    calendars: Mapping[str, bytes],
    make: Callable[[Request, Mapping[str, bytes]], Plan],
) -> tuple[Plan | None, Preview | None, tuple[Problem, ...]]:
    """The plan for what was read, or the refusal, or the problems: those of the form and those beyond it."""
    if read.request is None:
        beyond = problems_beyond(read.rest.get("calendars", ()), read.rest.get("holidays"), calendars)
        return None, None, (*read.problems, *map(for_a_form, beyond))
    try:
        return make(read.request, calendars), None, ()
    except InvalidRequest as invalid:
        return None, None, tuple(map(for_a_form, invalid.problems))
    except NoPlan as refusal:
        return None, Preview(refusal.sentence, no_plan=refusal), ()


def for_a_form(problem: Problem) -> Problem:
    """A problem beyond the form in a form's words: a calendar that was not uploaded (again) is no wrong name."""
    if problem.sentence != NOT_HANDED_OVER:
        return problem
    return replace(problem, sentence="this file is not here.", remedy="Choose it again, or take this calendar out.")


def readings(service: Service, calendars: Sequence[store.Upload], request: Request | None) -> tuple[Told, ...]:
    """What the calendars say: how often each title is busy up to the last exam, and what was skipped.

    All titles are told, also of events that are not chosen. A file that cannot be read has a problem instead.
    """
    if not calendars:
        return ()
    zone = request.zone if request else "UTC"
    first = wall(service.clock(), ZoneInfo(zone)).date()
    last = max(exam_day(request, exam) for exam in request.exams) if request else first + timedelta(days=READ_DAYS)
    all_day = {one.file: one.all_day for one in request.calendars} if request else {}
    only = {one.file: one.only for one in request.calendars} if request else {}
    found = read_calendars(
        [CalendarFile(data=one.data, name=one.name, all_day=all_day.get(one.name, False)) for one in calendars],
        zone=zone,
        first=min(first, last),
        last=last,
    )
    return tuple(
        told(one, reading, only.get(one.name, ()), zone)
        for one, reading in zip(calendars, found, strict=True)
        if not isinstance(reading, BadCalendar)
    )


def told(upload: store.Upload, reading: Reading, only: Sequence[str], zone: str) -> Told:
    """What was read from one calendar; ``only`` are the titles of the events that are chosen (none: all of them)."""
    counts = Counter(one.title for one in reading.busy)
    titles = tuple((title, counts[title]) for title in reading.titles)
    taken = sum(count for title, count in counts.items() if title in only or not only)
    return Told(upload.name, taken, titles, reading.skipped, wall(upload.saved, ZoneInfo(zone)))


def preview_of(plan: Plan, asked: Request, old: Opened | None, now: datetime, clocks: Clocks) -> Preview:
    """What there is to say about a plan before it is kept; in place of ``old``, also what it changes there."""
    loads = Counter({day.day: sum(part.units for part in day.parts) * UNIT for day in plan.days if day.parts})
    today = wall(now, ZoneInfo(plan.zone)).date()
    return Preview(
        sentence=in_short(plan),
        days=len(loads),
        maximum=max(loads.values(), default=0),
        everything=plan.figures.everything,
        essentials=plan.figures.essentials,
        shortfall=tuple(shortfall_sentences(plan, plan.shortfall)) if plan.shortfall else (),
        notices=tuple(notice_sentences(plan)),
        asks=tuple(ask_sentences(plan)),
        strip=difference_strip(old.plan, old.request, plan, asked, today=today, link=None, clocks=clocks)
        if old
        else strip(plan, asked, today=today, link=None, clocks=clocks),
        difference=tuple(difference(old.plan, plan)) if old else (),
    )


def in_short(plan: Plan) -> str:
    """Days, minutes a day and warnings, in one line."""
    minutes: Counter[date] = Counter()
    for block in plan.blocks:
        minutes[block.day] += block.minutes
    if not minutes:
        return "No block of study."
    low, high = min(minutes.values()), max(minutes.values())
    span = f"{low} minutes" if low == high else f"{low} to {high} minutes"
    said = f"{len(minutes)} days with study, {span} a day, from {short_day(min(minutes))} to {short_day(max(minutes))}."
    return f"{said} Not everything fits." if plan.shortfall else said


def difference(old: Plan, new: Plan) -> Iterable[str]:
    """What happens to the blocks ahead when one plan takes the place of another."""
    over = {block.uid for block in new.past}
    before = {block.uid: block for block in old.blocks if block.uid not in over}
    after = {block.uid: block for block in new.blocks}
    both = before.keys() & after.keys()
    moved = sum((before[uid].start, before[uid].fold) != (after[uid].start, after[uid].fold) for uid in both)
    resized = sum(before[uid].minutes != after[uid].minutes for uid in both)
    stay, gone, fresh = len(both) - moved, len(before.keys() - both), len(after.keys() - both)
    counts = (
        (stay, "stays where it is", "stay where they are"),
        (moved, "moves", "move"),
        (gone, "falls out", "fall out"),
    )
    said = [f"{count} {one if count == 1 else many}" for count, one, many in counts if count]
    yield f"Of {len(before)} blocks ahead: {', '.join(said) or 'none'}. New ones: {fresh}."
    if resized:
        yield f"{resized} of those that stay or move {'gets' if resized == 1 else 'get'} longer or shorter."
    if old.figures.maximum != new.figures.maximum:
        yield f"The fullest day may go to {new.figures.maximum} minutes; so far it was {old.figures.maximum}."


# -------------------------------------------------------------------------------------------- for the pages


def choices() -> dict[str, Any]:
    """What the form offers: the zones of the tz database, and countries with public holidays."""
    return {"zones": zones(), "countries": publicdays.countries()}


@lru_cache(maxsize=1)
def zones() -> tuple[str, ...]:
    """The zones that people live in, by name."""
    return tuple(sorted(zone for zone in available_timezones() if "/" in zone and not zone.startswith("Etc/")))
