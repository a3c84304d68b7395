"""Plan → RFC 5545 bytes: the only writer of calendars.

Every time is written in UTC and every exam day as a date, so that no reader needs a zone table of ours and none can
shift a block by an hour. There is no METHOD; without one DTSTAMP means "last revised" (RFC 5545 §3.8.7.2), so it is the
block's stored time of revision, and the same plan gives the same bytes. icalendar folds and encodes.
"""

from __future__ import annotations

import re
from datetime import date, datetime, timedelta
from functools import lru_cache
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from icalendar import Alarm, Calendar, Event
from icalendar.prop import vCategory, vDatetime, vDDDTypes, vDuration, vInt, vText, vUri

from calplan.checkins import Outcome
from calplan.model import Block, PastBlock, Plan, PlannedExam, Request, Value, identity
from calplan.spans import instant
from calplan.wording import Wording, may_be_later, one_line, with_link

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from calplan.checkins import Mark

PAST_DAYS = 90
"""Blocks further back than this are left out, unless ``since`` says otherwise."""

MOST_EVENTS = 1_000
MOST_BYTES = 1_000_000
"""Hosted calendars drop silently what a feed holds beyond about this (common practice, no source)."""


class Links(Value, frozen=True):
    """Addresses that a calendar carries: ``source`` is its own feed, ``check_in`` a block's page, with ``{uid}``."""

    source: str = ""
    check_in: str = ""


class Feed(Value, frozen=True):
    """A calendar's bytes, the UIDs of the blocks that were left out of it, and a sentence about them (or nothing)."""

    data: bytes
    left_out: tuple[str, ...] = ()
    sentence: str = ""


def to_ics(
    plan: Plan,
    request: Request,
    *,
    links: Links | None = None,
    alarms: int | None = None,
    since: date | None = None,
    marks: Mapping[str, Mark] | None = None,
) -> bytes:
    """The plan as a calendar file; equal arguments give equal bytes. Arguments and errors as in :func:`feed`."""
    return feed(plan, request, links=links, alarms=alarms, since=since, marks=marks).data


def feed(
    plan: Plan,
    request: Request,
    *,
    links: Links | None = None,
    alarms: int | None = None,
    since: date | None = None,
    marks: Mapping[str, Mark] | None = None,
) -> Feed:
    """The plan as a calendar, and what had to be left out of it.

    ``alarms`` are minutes before each block's start (``None``: no alarms). ``since`` is the first local day that is
    written (``None``: 90 days before the plan was made); exam days always are. At most 1,000 events and 1 MB are
    written: the oldest past blocks go first, then those that lie furthest ahead, which come in as time goes on.
    ``marks`` tells by UID which blocks were said to be done; their summary says so.

    Raises ``ValueError`` where ``alarms`` is negative.
    """
    if alarms is not None and alarms < 0:
        raise ValueError(f"alarms: {alarms} minutes before the start; give 0 or more.")
    first = since or plan.as_of.astimezone(_zone(plan.zone)).date() - timedelta(days=PAST_DAYS)
    blocks: list[Block | PastBlock] = [*plan.past, *plan.blocks]
    starts = {block.uid: _start(block, plan) for block in blocks if block.day >= first}
    order = sorted((block for block in blocks if block.uid in starts), key=lambda block: starts[block.uid])
    past = sum(start < plan.as_of for start in starts.values())
    by_need = order[past:] + order[:past][::-1]
    kept = by_need[: max(0, MOST_EVENTS - len(plan.exams))]
    write = _Writer(plan, request, links or Links(), alarms, starts, marks or {})
    while True:
        left = {block.uid for block in blocks} - {block.uid for block in kept}
        data = write.calendar(sorted(kept, key=lambda block: starts[block.uid]), _sentence(len(left)))
        if len(data) <= MOST_BYTES or not kept:
            break
        kept = kept[: len(kept) * MOST_BYTES // len(data)]
    left_out = tuple(block.uid for block in blocks if block.uid in left)
    return Feed(data=data, left_out=left_out, sentence=_sentence(len(left_out)))


class _Writer:
    """Turns blocks and exams of one plan into events."""

    def __init__(
        self,
        plan: Plan,
        request: Request,
        links: Links,
        alarms: int | None,
        starts: dict[str, datetime],
        marks: Mapping[str, Mark],
    ) -> None:
        self.plan = plan
        self.links = links
        self.alarms = alarms
        self.starts = starts
        self.marks = marks
        self.words = Wording(plan, request)
        self.exam_of = {task.id: task.exam for task in plan.tasks}
        self.subjects = {exam.key: _category(exam.subject) for exam in plan.exams}
        colours = _COLOURS if len(plan.exams) > 1 else ()
        self.colours = {exam.key: colours[i % len(colours)] for i, exam in enumerate(plan.exams) if colours}

    def calendar(self, blocks: Sequence[Block | PastBlock], left_out: str) -> bytes:
        calendar = Calendar()
        plan = self.plan
        name = one_line(plan.title) or f"Study plan: {', '.join(one_line(exam.subject) for exam in plan.exams)}"
        calendar["PRODID"] = _Text("-//calplan//calplan//EN")
        calendar["VERSION"] = _Text("2.0")
        calendar["UID"] = _Text(identity(plan.seed, "calendar"))
        calendar["LAST-MODIFIED"] = vDatetime(_revised((*plan.past, *plan.blocks), plan, self.marks))
        calendar["NAME"] = calendar["X-WR-CALNAME"] = _line(name)
        calendar["DESCRIPTION"] = _Text(f"A plan is an estimate, not a promise of marks. {left_out}".strip())
        calendar["COLOR"] = _Text(_COLOURS[0])
        # RFC 7986 §5.7 and §5.8 require the VALUE parameter on these two.
        calendar["REFRESH-INTERVAL"] = vDuration(_REFRESH, params={"VALUE": "DURATION"})
        calendar["X-PUBLISHED-TTL"] = vDuration(_REFRESH)
        if self.links.source:
            calendar["SOURCE"] = vUri(_address(self.links.source), params={"VALUE": "URI"})
        for exam in plan.exams:
            calendar.add_component(self.exam_day(exam))
        for block in blocks:
            calendar.add_component(self.block(block))
        data: bytes = calendar.to_ical()
        return data

    def block(self, block: Block | PastBlock) -> Event:
        """A timed, opaque event."""
        event = Event()
        start = self.starts[block.uid]
        link = _address(self.links.check_in.replace("{uid}", block.uid))
        summary, text, exams, subjects = self.told(block, link)
        mark = self.marks.get(block.uid)
        if mark is not None and mark.outcome in _SAID:
            summary = _line(f"{_SAID[mark.outcome]}: {summary}")
        # What was said of a block is no change of its time: it is revised, and keeps its SEQUENCE.
        revised = vDatetime(max(block.revised, _second(mark.since)) if mark is not None else block.revised)
        event["UID"] = _line(block.uid)
        event["DTSTAMP"] = event["LAST-MODIFIED"] = revised
        event["SEQUENCE"] = vInt(block.sequence)
        event["DTSTART"] = vDatetime(start)
        event["DTEND"] = vDatetime(start + timedelta(minutes=block.minutes))
        event["SUMMARY"] = summary
        event["DESCRIPTION"] = _Text(clean(text))
        event["CATEGORIES"] = vCategory([c for c in ("Study", *subjects) if c])
        event["TRANSP"] = _OPAQUE
        if link:
            event["URL"] = vUri(link)
        if exams and exams[0] in self.colours:
            event["COLOR"] = _Text(self.colours[exams[0]])
        if self.alarms is not None:
            event.add_component(_alarm(self.alarms, summary))
        return event

    def told(self, block: Block | PastBlock, link: str) -> tuple[_Text, str, list[str], list[str]]:
        """What the event says: its summary, its description, the exams' keys, and their subjects as categories."""
        if isinstance(block, PastBlock):
            exams = list(dict.fromkeys(worked.exam for worked in block.worked))
            return _line(block.headline), with_link(block.text, link), exams, [_category(one) for one in block.exams]
        exams = list(dict.fromkeys(self.exam_of[part.task] for part in block.parts))
        text = self.words.describe(block, link)
        return _line(self.words.headline(block)), text, exams, [self.subjects[key] for key in exams]

    def exam_day(self, exam: PlannedExam) -> Event:
        """The exam's own day, all of it and transparent: the exam itself is the school's event, not the plan's."""
        event = Event()
        day = exam.start.date()
        place = one_line(exam.place)
        event["UID"] = _Text(identity(self.plan.seed, "exam", exam.key))
        event["DTSTAMP"] = event["LAST-MODIFIED"] = vDatetime(exam.revised or self.plan.as_of)
        event["SEQUENCE"] = vInt(exam.sequence)
        event["DTSTART"] = vDDDTypes(day)
        event["DTEND"] = vDDDTypes(day + timedelta(days=1))  # the end is not included (RFC 5545 §3.6.1)
        event["SUMMARY"] = _line(f"Exam: {one_line(exam.subject)}")
        where = f"\nPlace: {place}" if place else ""
        later = f"\n{may_be_later(exam)}" if may_be_later(exam) else ""
        starts = f"Starts at {exam.start:%H:%M} ({exam.zone} time)"
        event["DESCRIPTION"] = _Text(clean(f"{starts}{where}{later}\n{_ON_THE_DAY}"))
        event["CATEGORIES"] = vCategory([c for c in ("Exam", self.subjects[exam.key]) if c])
        event["TRANSP"] = _Text("TRANSPARENT")
        if place:
            event["LOCATION"] = _line(place)
        if self.colours:
            event["COLOR"] = _Text(self.colours[exam.key])
        return event


def _alarm(minutes: int, summary: vText) -> Alarm:
    """What RFC 5545 §3.6.6 asks of a DISPLAY alarm, and nothing else: many readers drop the rest."""
    alarm = Alarm()
    alarm["ACTION"] = _Text("DISPLAY")
    alarm["DESCRIPTION"] = summary
    alarm["TRIGGER"] = vDuration(-timedelta(minutes=minutes))
    return alarm


# ---------------------------------------------------------------------------------------------------------- values


class _Text(vText):
    """A TEXT value with exactly the escapes of RFC 5545 §3.3.11.

    vText's own writer takes a backslash before a capital N ("C:\\Notes") for a line break; this one keeps it.
    """

    __slots__ = ()

    def to_ical(self) -> bytes:
        escaped = self.replace("\\", "\\\\").replace(";", "\\;").replace(",", "\\,").replace("\n", "\\n")
        return escaped.encode()


def clean(text: str) -> str:
    """The text without what a calendar cannot hold: control characters go, every kind of line break becomes one.

    White space at both ends goes too, because readers differ in keeping it.
    """
    if _ODD.search(text):
        text = _ODD.sub("", _BREAK.sub("\n", text).replace("\t", " "))
    return text.strip()


def _line(text: str) -> _Text:
    return _Text(" ".join(clean(text).split("\n")))


def _category(subject: str) -> str:
    """A subject as a category: readers split categories at commas, escaped or not."""
    return " ".join(re.sub(r"[,;\\]", " ", clean(one_line(subject))).split())


def _address(url: str) -> str:
    return re.sub(r"[\s\x00-\x1f\x7f-\x9f\ud800-\udfff]", "", url)


def _start(block: Block | PastBlock, plan: Plan) -> datetime:
    return instant(block.start.replace(fold=block.fold), _zone(plan.zone))


def _revised(blocks: Iterable[Block | PastBlock], plan: Plan, marks: Mapping[str, Mark]) -> datetime:
    """When any of these blocks was last revised."""
    said = [_second(mark.since) for mark in marks.values()]
    return max([*(block.revised for block in blocks), *said], default=plan.as_of)


def _second(moment: datetime) -> datetime:
    """An instant without its fraction, which a calendar cannot hold."""
    return moment.replace(microsecond=0)


def _sentence(left_out: int) -> str:
    if not left_out:
        return ""
    blocks = "1 block lies" if left_out == 1 else f"{left_out} blocks lie"
    return f"{blocks} too far back, or too far ahead, to be in this calendar; the plan itself has them all."


_zone = lru_cache(maxsize=None)(ZoneInfo)
_ODD = re.compile("[\x00-\x09\x0b-\x1f\x7f-\x9f\u2028\u2029\ud800-\udfff]")
_BREAK = re.compile("\r\n|[\r\x0b\x0c\x85\u2028\u2029]")
_REFRESH = timedelta(hours=1)
_SAID: dict[Outcome | None, str] = {Outcome.DONE: "Done", Outcome.PARTLY: "Partly done"}
_OPAQUE = _Text("OPAQUE")
_ON_THE_DAY = "Nothing is planned for this exam on its own day."
_COLOURS = ("teal", "darkorange", "slateblue", "crimson", "olivedrab", "hotpink")
"""Names of CSS Color Module Level 3, as RFC 7986 §5.9 asks; the first is the calendar's own."""
