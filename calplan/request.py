"""Reads what people write: a request as TOML, JSON or a plain mapping becomes a :class:`~calplan.model.Request`.

One schema serves all three. It is friendlier than the model: material may be given by count ("fourteen homework
pieces") or not at all (then the usual counts for the exam's scope are assumed), a result as "14/20", days as
"weekdays". Nothing is guessed beyond that: an unknown key, a value out of bounds or two values that contradict each
other are problems, and all problems are raised together, each with its place and with what to do about it.

The tables of the schema stand in the order in which one would explain them. Each is a :class:`~calplan.tables.Shape`
(which keys it has, and how each is read) and a function that checks what a single key cannot show and builds the value
of the model.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Collection, Mapping, Sequence
from datetime import date, datetime, time, timedelta
from typing import Any, Literal
from zoneinfo import ZoneInfo

from msgspec import structs

from calplan.documents import parse
from calplan.model import (
    SCHEMA,
    AgeBand,
    Answers,
    Appointment,
    BusyCalendar,
    BusyInterval,
    CatchUp,
    DayOff,
    Effort,
    Exam,
    FixedDay,
    Holidays,
    HolidayUse,
    Keep,
    Kind,
    Material,
    Mending,
    OwnHoliday,
    Rates,
    Request,
    Scope,
    ShortDay,
    StudyHours,
    Weekday,
)
from calplan.spans import Span, instant, wall
from calplan.tables import (
    COUNT,
    MOST_ENTRIES,
    Built,
    Problems,
    Shape,
    Table,
    country,
    file_name,
    flag,
    listed,
    number,
    schema_number,
    score,
    short_key,
    show,
    single,
    subdivision,
    text,
    the_day,
    the_moment,
    the_time,
    weekday,
    weekdays,
    whole,
    word,
    zone_name,
)

MOST_EXAMS = 20
MOST_CALENDARS = 20
MOST_MATERIALS = 5_000
"""In the whole request, after counts have become pieces."""
MOST_STRETCHES = 120
"""Weekly stretches of study hours."""
MOST_DAYS = 400
"""The longest plan, busy time or break, in days."""
MOST_LATER = 31
"""Days by which an exam of which only a stretch of days is known may come later than the first of them."""
MOST_GRACE = 60
"""Days that may pass before the work of a block without a word is planned again."""
MOST_SLOW_DAYS = 14
"""Days that may come back at half the limit after an illness."""
MOST_MINUTES = 24 * 60
MOST_MINUTES_A_DAY = 16 * 60


def read(document: bytes, *, name: str = "request", format: Literal["toml", "json"] | None = None) -> Request:
    """The request in a document of UTF-8 text.

    ``format`` is guessed from the ending of ``name``, else from the content. Raises :class:`InvalidRequest` with every
    problem of the document; ``name`` is the place of those that concern the document as a whole.
    """
    problems = Problems()
    return _request(parse(document, name, format, problems), problems)


def from_mapping(mapping: Mapping[str, object]) -> Request:
    """The request in a mapping of plain values; dates and times may be strings or values of ``datetime``.

    Raises :class:`InvalidRequest` with every problem.
    """
    return _request(mapping, Problems())


# -------------------------------------------------------------------------------------------- the request

REQUEST = Shape(
    {
        "schema": schema_number,
        "title": text(120),
        "zone": zone_name,
        "start": the_day,
        "keep": word(Keep),
        "exam": listed(MOST_EXAMS),
        "study_hours": listed(MOST_STRETCHES),
        "appointment": listed(MOST_ENTRIES),
        "effort": single,
        "calendar": listed(MOST_CALENDARS),
        "busy": listed(MOST_ENTRIES),
        "day_off": listed(MOST_ENTRIES),
        "short_days": listed(MOST_ENTRIES),
        "holidays": single,
        "catch_up": single,
        "rates": single,
        "mending": single,
    },
    needs={
        "schema": f"schema = {SCHEMA}",
        "zone": 'zone = "America/Chicago"',
        "exam": "[[exam]] with subject, start and minutes.",
        "study_hours": "[[study_hours]] with days, start and end.",
    },
)


class Frame:
    """What the tables of a request need to know of one another."""

    def __init__(self, request: Table) -> None:
        self.zone: str | None = request.get("zone")
        self.start: date | None = request.get("start")
        self.materials = 0
        self.exam_keys: list[str] = []
        self.material_keys: set[str] = set()
        self.exam_days: list[date] = []
        self.exam_spans: list[tuple[Span, str]] = []


def _request(raw: object, problems: Problems) -> Request:
    table = Table(raw, "", REQUEST, problems)
    for key in ("exam", "study_hours"):
        if table.has(key) and not table.values[key]:
            table.wrong(key, "this list is empty.", f"Add {REQUEST.needs[key]}")
    frame = Frame(table)
    exams = _exams(table, frame)
    week = table.build("study_hours", STUDY_HOURS, _study_hours)
    values: dict[str, Any] = {
        "exams": exams,
        "week": week,
        "appointments": _appointments(table, frame),
        "effort": _effort(table.table("effort", EFFORT)),
        "calendars": table.build("calendar", CALENDAR, lambda entry: _whole(BusyCalendar, entry)),
        "busy": table.build("busy", BUSY, _busy),
        "days_off": table.build("day_off", DAY_OFF, _day_off),
        "short_days": table.build("short_days", SHORT_DAYS, lambda entry: _whole(ShortDay, entry)),
        "holidays": _holidays(table.table("holidays", HOLIDAYS)),
        "catch_up": _catch_up(table, week),
        "rates": Rates(**table.table("rates", RATES).values),
        "mending": Mending(**table.table("mending", MENDING).values),
    }
    problems.raise_all(values)
    return Request(**table.only("schema", "title", "zone", "start", "keep"), **values)


def _whole(made: Callable[..., Built], table: Table) -> Built | None:
    """The value whose fields are the table's keys, where nothing that it needs is missing."""
    return made(**table.values) if table.complete else None


def _in_order(table: Table, first: str, last: str) -> None:
    """``last`` may not lie before ``first``."""
    if table.has(first, last) and table.values[last] < table.values[first]:
        earlier, later = show(table.values[last]), show(table.values[first])
        table.wrong(last, f"{earlier} lies before {first}, {later}.", "Put the two in order.")


# ---------------------------------------------------------------------------------------------- the exams

EXAM = Shape(
    {
        "key": short_key,
        "subject": text(80, blank=False),
        "start": the_moment,
        "latest": the_day,
        "minutes": whole(1, MOST_MINUTES),
        "zone": zone_name,
        "place": text(120),
        "scope": word(Scope),
        "weight": whole(1, 100),
        "sureness": whole(1, 5),
        "extra_time": whole(0, 200),
        "pace": whole(25, 400),
        "sheet_pages": whole(0, 20),
        "timed_paper": flag,
        "answers_by": the_day,
        "labels": single,
        "material": listed(MOST_MATERIALS),
        "leave_out": listed(MOST_MATERIALS, "keys", text(120, blank=False)),
        "late": listed(MOST_ENTRIES),
        "fixed_day": listed(MOST_ENTRIES),
    },
    needs={"subject": 'subject = "Chemistry"', "start": 'start = "2027-02-04T09:00"', "minutes": "minutes = 120"},
)

LABELS = Shape({kind.value: text(40, blank=False) for kind in Kind})

TITLES = {kind: kind.value.capitalize() for kind in Kind}
"""What pieces are called where the exam has no labels of its own."""

USUAL_COUNTS: dict[Scope, dict[Kind, int]] = {
    Scope.UNIT: {Kind.HOMEWORK: 6, Kind.QUIZ: 2, Kind.NOTES: 10, Kind.TEST: 0, Kind.PRACTICE: 30},
    Scope.TERM: {Kind.HOMEWORK: 14, Kind.QUIZ: 5, Kind.NOTES: 26, Kind.TEST: 3, Kind.PRACTICE: 90},
    Scope.YEAR: {Kind.HOMEWORK: 28, Kind.QUIZ: 10, Kind.NOTES: 52, Kind.TEST: 6, Kind.PRACTICE: 180},
}
"""What an exam draws on where the student has counted nothing: pieces, class periods (notes) and problems (practice).

Common practice, no source: a term exam draws on two to four tests, a year has two terms, and the test that closes a
unit is the first one on it.
"""


def _exams(request: Table, frame: Frame) -> tuple[Exam, ...]:
    exams = []
    for ordinal, table in enumerate(request.tables("exam", EXAM, "subject"), 1):
        key = table.get("key", f"exam-{ordinal}")
        if key in frame.exam_keys:
            table.wrong("key", f"{show(key)} is the key of an earlier exam too.", "Give each exam a key of its own.")
            key = f"exam {ordinal}"  # so that its materials are not taken for the earlier one's
        frame.exam_keys.append(key)
        exam = _exam(table, key, frame)
        if exam is not None:
            exams.append(exam)
    days = sorted([*frame.exam_days, *([frame.start] if frame.start else [])])
    if days and days[-1] - days[0] > timedelta(days=MOST_DAYS):
        sentence = f"from {days[0]} to {days[-1]} there are more than {MOST_DAYS} days."
        request.wrong("exam", sentence, "Start later, or make two requests.")
    return tuple(exams)


def _exam(table: Table, key: str, frame: Frame) -> Exam | None:
    day = _exam_day(table, frame, key)
    if day and table.has("answers_by") and table.values["answers_by"] >= day:
        table.wrong("answers_by", "this is not before the exam's day.", f"Write a date before {day}.")
    _open(table)
    _extended(table)
    labels = _labels(table.table("labels", LABELS))
    before = table.problems.count
    materials = _materials(table, key, labels, day, frame)
    sound = table.problems.count == before and (table.has("material") or table.lacks("material"))
    if not table.complete:
        return None
    assumed = table.lacks("material")
    if assumed:
        materials = _usual(key, table.get("scope", Scope.TERM), labels)
        _fits(table, len(materials), frame)
        _claim(table, materials, frame)
    fixed: tuple[FixedDay, ...] = ()
    if sound:
        known, materials = materials, _without(table, _with_late(table, key, day, materials))
        fixed = _fixed_days(table, key, day, known, {one.key for one in materials})
    lists = ("labels", "material", "leave_out", "late", "fixed_day")
    fields = [name for name in table.values if name not in ("key", *lists)]
    return Exam(key=key, labels=labels, materials=materials, assumed=assumed, fixed_days=fixed, **table.only(*fields))


def _exam_day(table: Table, frame: Frame, key: str) -> date | None:
    """The local date of the exam in the plan's zone, which must come after the plan's start."""
    zone = frame.zone if table.lacks("zone") else table.get("zone")
    if not table.has("start") or not zone or not frame.zone:
        return None
    begin = _existing(table, zone)
    frame.exam_spans.append((Span(begin, begin + timedelta(minutes=table.get("minutes", 1))), key))
    day = wall(begin, ZoneInfo(frame.zone)).date()
    frame.exam_days.append(day)
    if frame.start and day <= frame.start:
        sentence = f"the exam is on {day}, and the plan starts on {frame.start}: no day is left."
        table.wrong("start", sentence, "Correct the exam's start, or let the plan start earlier.")
    return day


def _existing(table: Table, zone: str) -> datetime:
    """The instant of the table's start, which must not be one that a clock change leaves out."""
    begin: datetime = table.values["start"]
    moment = instant(begin, ZoneInfo(zone))
    there = wall(moment, ZoneInfo(zone))
    if there.replace(fold=0) != begin:
        sentence = f"the clocks in {zone} leave {show(begin)} out."
        table.wrong("start", sentence, f"Write a time that they do show, such as {there:%Y-%m-%dT%H:%M}.")
    return moment


def _open(table: Table) -> None:
    """Where only a stretch of days is known, its last one lies at most a month after the first."""
    if not table.has("start", "latest"):
        return
    first, last = table.values["start"].date(), table.values["latest"]
    if last < first:
        remedy = "Write the last day on which the exam may be, or leave it out."
        table.wrong("latest", f"{last} lies before the first day, {first}.", remedy)
    elif last - first > timedelta(days=MOST_LATER):
        furthest = first + timedelta(days=MOST_LATER)
        remedy = f"Write a day up to {furthest}, and correct it once more is known."
        table.wrong("latest", f"this is more than {MOST_LATER} days after the first day, {first}.", remedy)


def _extended(table: Table) -> None:
    """With granted extra time the paper must still end within a day."""
    if (
        table.has("minutes", "extra_time")
        and table.values["minutes"] * (100 + table.values["extra_time"]) > 100 * MOST_MINUTES
    ):
        table.wrong("extra_time", "with it the exam would last longer than a day.", "Correct one of the two.")


def _labels(table: Table) -> dict[Kind, str]:
    labels = {Kind(name): label for name, label in table.values.items()}
    for label, times in Counter(label.lower() for label in labels.values()).items():
        if times > 1:
            table.wrong("", f"{show(label)} is the label of {times} kinds.", "Give each kind a label of its own.")
    return labels


# ------------------------------------------------------------------------------------------ the materials

MATERIAL = Shape(
    {
        "kind": word(Kind),
        "key": short_key,
        "title": text(120),
        "size": whole(1, 1_000),
        "missed": score,
        "topic": text(80),
        "multiple_choice": flag,
        "answers": word(Answers),
        "in_hand": the_day,
        "minutes": whole(1, 6_000),
        "count": COUNT,
        "to_come": COUNT,
        "by": the_day,
    },
    needs={"kind": 'kind = "homework"'},
)

BY_THE_WHOLE = (Kind.NOTES, Kind.PRACTICE)
"""Kinds of which a count is one material of that size: they are dealt out by class period and by problem."""


def _materials(
    exam: Table, key: str, labels: Mapping[Kind, str], day: date | None, frame: Frame
) -> tuple[Material, ...]:
    """An exam's materials in the order in which they are written; pieces are numbered through within their kind."""
    made: list[Material] = []
    ordinals: Counter[Kind] = Counter()
    tables = list(exam.tables("material", MATERIAL))
    for table in tables:
        _check_material(table, day)
        if table.complete and _fits(exam, _number(table), frame):
            named = _named(_pieces(table), key, labels, ordinals)
            _claim(table, named, frame)
            made += named
    if exam.has("material") and not made and all(table.complete and not _pieces(table) for table in tables):
        remedy = "Leave material out altogether, and the usual counts for the scope are assumed."
        exam.wrong("material", "this amounts to no material at all.", remedy)
    return tuple(made)


def _check_material(table: Table, day: date | None) -> None:
    kind = table.get("kind")
    if table.has("missed"):
        _check_missed(table, kind)
    if kind in BY_THE_WHOLE and table.has("count"):
        if table.has("size"):
            table.wrong("size", "the count says how much there is already.", "Leave size out.")
        if table.has("minutes", "to_come"):
            table.wrong("minutes", "these would be for two materials at once.", "Write two materials instead.")
    if table.get("to_come") and table.lacks("by"):
        table.wrong("by", "it is not said when the rest comes.", "Add the date: by = 2027-02-03.")
    if table.has("by") and table.lacks("to_come"):
        table.wrong("to_come", "it is not said how many come by that date.", "Add a number: to_come = 6.")
    for key in ("in_hand", "by"):
        if day and table.has(key) and table.values[key] >= day:
            table.wrong(key, "this is not before the exam's day.", f"Write a date before {day}, or leave it out.")


def _check_missed(table: Table, kind: Kind | None) -> None:
    """Settles what was missed and of how many, and keeps both as plain numbers."""
    missed, of = table.values.pop("missed")
    if kind is Kind.NOTES:
        table.wrong("missed", "notes have no problems that could be missed.", "Leave it out.")
    size = table.get("count") if kind in BY_THE_WHOLE and table.has("count") else table.get("size")
    if of and size and of != size:
        table.wrong("missed", f"the result is of {of}, but size or count says {size}.", "Correct one of the two.")
    elif size is not None and missed > size:
        table.wrong("missed", f"{missed} missed of {size} is too many.", "Write the problems that were wrong.")
    table.values["missed"] = missed
    if of and not table.has("size") and not (kind in BY_THE_WHOLE and table.has("count")):
        table.values["size"] = of


def _number(table: Table) -> int:
    """How many materials the table stands for; counted before they are made."""
    one = table.values["kind"] in BY_THE_WHOLE or (table.lacks("count") and table.lacks("to_come"))
    return 1 if one else table.get("count", 0) + table.get("to_come", 0)


def _fits(exam: Table, number: int, frame: Frame) -> bool:
    """Whether the request can take so many more materials; says so where the bound is passed."""
    before = frame.materials
    frame.materials += number
    if before <= MOST_MATERIALS < frame.materials:
        exam.wrong("material", f"the request has more than {MOST_MATERIALS} materials.", "Put small pieces together.")
    return frame.materials <= MOST_MATERIALS


def _pieces(table: Table) -> list[dict[str, Any]]:
    """The materials that one table stands for: what is there, then what is still to come."""
    piece = {key: value for key, value in table.values.items() if key not in ("count", "to_come", "by")}
    if not table.has("count") and not table.has("to_come"):
        return [piece]
    count, to_come = table.get("count", 0), table.get("to_come", 0)
    later = {key: value for key, value in piece.items() if key != "missed"} | {"in_hand": table.get("by")}
    if piece["kind"] in BY_THE_WHOLE:
        return [lot | {"size": size} for lot, size in ((piece, count), (later, to_come)) if size]
    return [piece] * count + [later] * to_come


def _named(
    pieces: Sequence[dict[str, Any]], exam: str, labels: Mapping[Kind, str], ordinals: Counter[Kind]
) -> list[Material]:
    """The pieces with keys and titles: the writer's own, numbered where they are many, else kind and ordinal."""
    made = []
    for position, piece in enumerate(pieces, 1):
        kind: Kind = piece["kind"]
        ordinals[kind] += 1
        many = len(pieces) > 1
        key, title = piece.get("key"), piece.get("title")
        label = labels.get(kind, TITLES[kind])
        if ordinals[kind] > 1 or kind not in BY_THE_WHOLE:
            label += f" {ordinals[kind]}"
        names = {
            "key": f"{key}-{position}" if key and many else key or f"{exam}.{kind}-{ordinals[kind]}",
            "title": f"{title} {position}" if title and many else title or label,
        }
        made.append(Material(**piece | names))
    return made


def _claim(table: Table, materials: Sequence[Material], frame: Frame) -> None:
    """Keys of materials are unique in the whole request."""
    keys = [material.key for material in materials]
    twice = next((key for key in keys if key in frame.material_keys), None)
    if twice is not None:
        remedy = "Give this material a key of its own, or the earlier one another."
        table.wrong("key", f"{show(twice)} is the key of an earlier material too.", remedy)
    frame.material_keys.update(keys)


def _usual(exam: str, scope: Scope, labels: Mapping[Kind, str]) -> tuple[Material, ...]:
    """The usual counts for the scope as materials."""
    made: list[Material] = []
    for kind, count in USUAL_COUNTS[scope].items():
        one = [{"kind": kind, "size": count}] if kind in BY_THE_WHOLE else [{"kind": kind}] * count
        made += _named(one, exam, labels, Counter())
    return tuple(made)


def _without(exam: Table, materials: tuple[Material, ...]) -> tuple[Material, ...]:
    """The materials without those that are left out by their keys; what stays keeps its key and its title."""
    known, out = {material.key for material in materials}, dict.fromkeys(exam.get("leave_out", ()))
    for key in out:
        if key not in known:
            sentence = f"no material of this exam has the key {show(key)}."
            exam.wrong("leave_out", sentence, "Take it out of the list, or correct it.")
    kept = tuple(material for material in materials if material.key not in out)
    if not kept:
        exam.wrong("leave_out", "this leaves no material at all.", "Keep a piece, or take the whole exam out.")
    return kept


NAMED = listed(MOST_MATERIALS, "keys and topics", text(120, blank=False))
"""Materials by their keys, or by their topics."""

LATE = Shape(
    {"in_hand": the_day, "material": NAMED},
    needs={"in_hand": "in_hand = 2027-01-20", "material": 'material = ["quiz-3", "Gas laws"]'},
)


def _with_late(exam: Table, key: str, last: date | None, known: Sequence[Material]) -> tuple[Material, ...]:
    """The materials with the days on which those that are late come, whatever their own tables say."""
    days = _days_of(exam, "late", LATE, "in_hand", key, last, known)
    return tuple(structs.replace(one, in_hand=days.get(one.key, one.in_hand)) for one in known)


FIXED_DAY = Shape(
    {"day": the_day, "material": NAMED},
    needs={"day": "day = 2027-01-12", "material": 'material = ["quiz-3", "Gas laws"]'},
)


def _fixed_days(
    exam: Table, key: str, last: date | None, known: Sequence[Material], kept: Collection[str]
) -> tuple[FixedDay, ...]:
    """The days that materials are fixed for, in order; what is left out of the exam has none."""
    days = _days_of(exam, "fixed_day", FIXED_DAY, "day", key, last, known)
    return tuple(
        FixedDay(day=day, materials=tuple(one.key for one in known if one.key in kept and days.get(one.key) == day))
        for day in sorted({day for one, day in days.items() if one in kept})
    )


def _days_of(
    exam: Table, name: str, shape: Shape, field: str, key: str, last: date | None, known: Sequence[Material]
) -> dict[str, date]:
    """The day that a list of tables gives to each material, by its key."""
    days: dict[str, date] = {}
    for table in exam.tables(name, shape):
        if last and table.has(field) and table.values[field] >= last:
            table.wrong(field, "this is not before the exam's day.", f"Write a date before {last}.")
        for one in table.get("material", ()) if table.complete else ():
            keys = meant(one, key, known)
            if not keys:
                remedy = "Write a material's key, such as quiz-3, or a topic as its material has it."
                table.wrong("material", f"no material of this exam has the key or the topic {show(one)}.", remedy)
            for found in keys:
                if days.setdefault(found, table.values[field]) != table.values[field]:
                    sentence = f"{show(found.removeprefix(f'{key}.'))} stands here for {days[found]} already."
                    table.wrong("material", sentence, "Keep one of the two days.")
    return days


def meant(name: str, exam: str, known: Sequence[Material]) -> list[str]:
    """The keys of the materials that a name stands for: the one with that key, else all of that topic.

    The exam's own key may stand before a material's, or be left out.
    """
    keys = [one.key for one in known if name in (one.key, one.key.removeprefix(f"{exam}."))]
    return keys or [one.key for one in known if one.topic == name]


# ----------------------------------------------------------------------------- study hours and appointments

STUDY_HOURS = Shape(
    {"days": weekdays, "start": the_time, "end": the_time, "first": the_day, "last": the_day},
    needs={"days": 'days = "weekdays"', "start": 'start = "16:30"', "end": 'end = "18:00"'},
)


def _study_hours(table: Table) -> StudyHours | None:
    _in_order(table, "first", "last")
    _not_nothing(table)
    return _whole(StudyHours, table)


def _not_nothing(table: Table) -> None:
    """Equal times would mean a whole day, which only midnight to midnight is taken for."""
    if table.has("start", "end") and table.values["start"] == table.values["end"] != time(0):
        table.wrong("end", "start and end are the same time.", 'Correct one; a whole day is "00:00" to "00:00".')


APPOINTMENT = Shape(
    {"title": text(120, blank=False), "start": the_moment, "minutes": whole(5, MOST_MINUTES_A_DAY), "exam": short_key},
    needs={"title": 'title = "Tutoring"', "start": 'start = "2027-01-20T16:00"', "minutes": "minutes = 45"},
)


def _appointments(request: Table, frame: Frame) -> tuple[Appointment, ...]:
    """The appointments; no two of them, and none of them and an exam, may share a minute."""
    made: list[Appointment] = []
    taken = list(frame.exam_spans)
    spans: list[tuple[Span, str, Table]] = []
    for table in request.tables("appointment", APPOINTMENT, "title"):
        if table.has("exam") and table.values["exam"] not in frame.exam_keys:
            known = ", ".join(list(frame.exam_keys)[:MOST_EXAMS])
            table.wrong("exam", f"no exam has the key {show(table.values['exam'])}.", f"The keys are {known}.")
        appointment = _whole(Appointment, table)
        if appointment is not None and frame.zone:
            begin = _existing(table, frame.zone)
            spans.append((Span(begin, begin + timedelta(minutes=appointment.minutes)), appointment.title, table))
            made.append(appointment)
    for span, _, table in spans:
        for other, key in taken:
            if span.overlaps(other):
                table.wrong("start", f"this lies in the time of the exam {show(key)}.", "Correct one of the two.")
    latest: tuple[Span, str] | None = None
    for span, title, table in sorted(spans, key=lambda entry: entry[0]):
        if latest and span.overlaps(latest[0]):
            table.wrong("start", f"this overlaps the appointment {show(latest[1])}.", "Move or shorten one of the two.")
        if latest is None or span.end > latest[0].end:
            latest = span, title
    return tuple(made)


# -------------------------------------------------------------------------------------------------- effort

EFFORT = Shape(
    {
        "usual": whole(5, MOST_MINUTES_A_DAY),
        "limit": whole(5, MOST_MINUTES_A_DAY),
        "shortest": whole(5, 240),
        "longest": whole(5, 480),
        "rest": whole(0, 240),
        "margin": whole(0, 240),
        "bedtime": the_time,
        "waking": the_time,
        "age": word(AgeBand),
        "habit": the_time,
    }
)


def _effort(table: Table) -> Effort:
    values = dict(table.values)
    for low, high, what in (("usual", "limit", "minutes a day"), ("shortest", "longest", "minutes of a block")):
        if table.has(low, high) and values[low] > values[high]:
            sentence = f"the {low} {what}, {values[low]}, are more than the {high}, {values[high]}."
            table.wrong(low, sentence, f"Raise {high} or lower {low}.")
        elif table.has(low):
            values.setdefault(high, max(values[low], getattr(Effort(), high)))
        elif table.has(high):
            values[low] = min(values[high], getattr(Effort(), low))
    effort = Effort(**values)
    if effort.bedtime == effort.waking:
        table.wrong("waking", "bedtime and waking are the same time, which leaves no night.", "Correct one of the two.")
    return effort


# -------------------------------------------------------------------------------------- what takes the time

CALENDAR = Shape(
    {"file": file_name, "all_day": flag, "only": listed(MOST_ENTRIES, "titles", text(200, blank=False))},
    needs={"file": 'file = "school.ics"'},
)

BUSY = Shape(
    {"start": the_moment, "end": the_moment, "title": text(120)},
    needs={"start": 'start = "2027-01-22T18:00"', "end": 'end = "2027-01-22T20:00"'},
)


def _busy(table: Table) -> BusyInterval | None:
    if table.has("start", "end"):
        length = table.values["end"] - table.values["start"]
        if length <= timedelta(0):
            table.wrong("end", "this is not after the start.", "Write the later time as the end.")
        if length > timedelta(days=MOST_DAYS):
            table.wrong("end", f"this is longer than {MOST_DAYS} days.", "Correct the end.")
    return _whole(BusyInterval, table)


DAY_OFF = Shape({"day": the_day, "first": the_day, "last": the_day, "title": text(120)})


def _day_off(table: Table) -> DayOff | None:
    """A single day, or a first and a last one."""
    title = table.only("title")
    if table.has("day"):
        if table.has("first") or table.has("last"):
            table.wrong("", "day stands beside first or last.", "Write either day, or first and last.")
        return DayOff(first=table.values["day"], last=table.values["day"], **title)
    if table.lacks("day") and (table.lacks("first") or table.lacks("last")):
        table.wrong("", "it is not said which days these are.", "Write day = 2027-01-23, or first and last.")
    if not table.has("first", "last"):
        return None
    _in_order(table, "first", "last")
    first, last = table.values["first"], table.values["last"]
    if last - first > timedelta(days=MOST_DAYS):
        table.wrong("last", f"this is more than {MOST_DAYS} days after first.", "Correct one of the two.")
    return DayOff(first=first, last=last, **title)


SHORT_DAYS = Shape(
    {"day": the_day, "minutes": whole(0, MOST_MINUTES_A_DAY)},
    needs={"day": "day = 2027-01-25", "minutes": "minutes = 20"},
)


HOLIDAYS = Shape({"country": country, "subdivision": subdivision, "use": word(HolidayUse), "own": listed(MOST_ENTRIES)})
OWN_HOLIDAY = Shape(
    {"day": the_day, "title": text(120, blank=False)},
    needs={"day": "day = 2027-01-29", "title": 'title = "Founders\' day"'},
)


def _holidays(table: Table) -> Holidays:
    """Whether a country has public holidays on record, and such a subdivision, is left to those who look them up."""
    values = table.only("country", "subdivision", "use")
    land, part = values.get("country"), values.get("subdivision", "")
    if part and table.lacks("country"):
        table.wrong("country", "a subdivision needs its country.", 'Add it, for example: country = "US"')
    prefix, _, rest = part.rpartition("-")
    if prefix and land and prefix != land:
        table.wrong("subdivision", f"{show(part)} is not in {land}.", f'Write "{land}-{rest}" or another country.')
    if part:
        values["subdivision"] = rest
    own = table.build("own", OWN_HOLIDAY, lambda entry: _whole(OwnHoliday, entry))
    for day, times in Counter(holiday.day for holiday in own).items():
        if times > 1:
            table.wrong("own", f"{day} stands here {times} times.", "Keep one of them.")
    return Holidays(**values, own=own)


CATCH_UP = Shape(
    {"day": weekday, "start": the_time, "end": the_time},
    needs={"day": 'day = "sat"', "start": 'start = "10:00"', "end": 'end = "11:00"'},
)


def _catch_up(request: Table, week: Sequence[StudyHours]) -> CatchUp | None:
    """The stretch must lie, at least in part, in the study hours that it is held back from."""
    if not request.has("catch_up"):
        return None
    table = request.table("catch_up", CATCH_UP)
    held = _whole(CatchUp, table)
    if held is None or len(week) < len(request.get("study_hours", ())):
        return held
    if held.end <= held.start:
        table.wrong("end", "this is not after the start.", "Write a later time of the same day.")
    elif week and not any(_share(_minutes(stretch, day), _minutes(held)) for stretch in week for day in stretch.days):
        table.wrong("", "this lies outside the study hours.", "Take a stretch out of the study hours of that day.")
    return held


def _minutes(stretch: StudyHours | CatchUp, day: Weekday | None = None) -> tuple[int, int]:
    """A weekly stretch as minutes since Monday's midnight; what passes midnight ends on the next day."""
    begin, end = (clock.hour * 60 + clock.minute for clock in (stretch.start, stretch.end))
    midnight = (stretch.day if isinstance(stretch, CatchUp) else day or 0) * MOST_MINUTES
    return midnight + begin, midnight + end + (MOST_MINUTES if end <= begin else 0)


def _share(one: tuple[int, int], other: tuple[int, int]) -> bool:
    """Whether two weekly stretches share a minute; Sunday night runs on into Monday."""
    return any(
        one[0] < other[1] + turn and other[0] + turn < one[1] for turn in (-7 * MOST_MINUTES, 0, 7 * MOST_MINUTES)
    )


# --------------------------------------------------------------------------------------------------- rates

RATES = Shape(
    {
        "homework_piece": number(0.5, 240),
        "quiz": number(0.5, 240),
        "quiz_missed": number(0, 120),
        "notes_period": number(0.5, 240),
        "test": number(0.5, 480),
        "test_missed": number(0, 120),
        "test_right": number(0, 120),
        "practice_problem": number(0.1, 240),
        "multiple_choice": whole(10, 200),
        "homework_essential": whole(0, 100),
        "notes_essential": whole(0, 100),
        "practice_essential": whole(0, 100),
        "missed": whole(0, 100),
        "quiz_size": whole(1, 1_000),
        "test_size": whole(1, 1_000),
        "flags": whole(0, 100),
        "flags_must": whole(0, 100),
        "flag": number(0, 120),
        "gather": whole(5, 240),
        "tidy": whole(5, 240),
        "taper": whole(5, 240),
        "eve": whole(5, 240),
    }
)

# ------------------------------------------------------------------------------------------------- mending

MENDING = Shape({"grace": whole(0, MOST_GRACE), "slow_days": whole(0, MOST_SLOW_DAYS)})

TABLES: dict[str, Shape] = {
    "request": REQUEST,
    "exam": EXAM,
    "exam.labels": LABELS,
    "exam.material": MATERIAL,
    "exam.late": LATE,
    "exam.fixed_day": FIXED_DAY,
    "study_hours": STUDY_HOURS,
    "appointment": APPOINTMENT,
    "effort": EFFORT,
    "calendar": CALENDAR,
    "busy": BUSY,
    "day_off": DAY_OFF,
    "short_days": SHORT_DAYS,
    "holidays": HOLIDAYS,
    "holidays.own": OWN_HOLIDAY,
    "catch_up": CATCH_UP,
    "rates": RATES,
    "mending": MENDING,
}
"""Every table of the schema by its name."""
