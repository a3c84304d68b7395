"""A student's calendar file → busy times. The only way in for calendars that come from outside.

    bytes → guard: is it a calendar, what in it may be worked out → child process: when is it → busy times, doubts

:func:`read_calendars` reads several files, :func:`read_calendar` one. What cannot be read costs itself only: a
broken event its own time, a file that is no calendar its own place among the others. What was left out, or taken over
with a doubt, is told with its line. Repeats are worked out in a child process (:mod:`calplan.expansion`) with limits on
its time and memory, because a few bytes can ask for more of both than there is; when a limit ends the child, the event
that it had in hand is left out, and another child goes on with the rest.
"""

from __future__ import annotations

import json
import signal
import subprocess
import sys
from datetime import UTC, datetime
from difflib import get_close_matches
from time import monotonic
from typing import TYPE_CHECKING, Any, Protocol
from zoneinfo import ZoneInfo

from calplan import expansion, guard
from calplan.errors import BadCalendar, Problem
from calplan.model import BusySpan, Skipped, Value
from calplan.spans import Span, day_span

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

CPU_SECONDS = 2
"""Processor time that one file may take in the child; as the system counts whole seconds, up to half of one more."""

MEMORY_BYTES = 256 * 2**20
"""Address space that the child may take beyond what Python and the calendar library need."""

WALL_SECONDS = 10
"""Time by the clock that one file may take in the child (several files: so much for each, together)."""

MAX_RESTARTS = 3
"""How often another child goes on where a limit ended the one before."""

MAX_TOLD = 100
"""The most things left out or doubted that are told one by one for one file."""


class CalendarFile(Value, frozen=True):
    """A calendar as it came: its bytes, the name by which it is known, and what to take from it.

    ``all_day`` counts all-day events as busy. ``only``, unless empty, names the titles of the events to take.
    """

    data: bytes
    name: str
    all_day: bool = False
    only: tuple[str, ...] = ()


class Reading(Value, frozen=True):
    """What a calendar says: busy times in order of their start, what was left out or doubted, and all its titles.

    ``titles`` are those of all events of the file, in reading order, each once, for the student to choose from.
    """

    busy: tuple[BusySpan, ...]
    skipped: tuple[Skipped, ...]
    titles: tuple[str, ...]


def read_calendar(
    data: bytes, *, name: str, zone: str, first: date, last: date, all_day: bool = False, only: tuple[str, ...] = ()
) -> Reading:
    """The busy times of one calendar file on the local days ``first`` to ``last`` (inclusive) of a zone.

    ``name`` is the file's name for messages. Raises :class:`BadCalendar` where the file cannot be read at all.
    """
    file = CalendarFile(data=data, name=name, all_day=all_day, only=only)
    (reading,) = read_calendars((file,), zone=zone, first=first, last=last)
    if isinstance(reading, BadCalendar):
        raise reading
    return reading


def read_calendars(
    files: Sequence[CalendarFile], *, zone: str, first: date, last: date
) -> tuple[Reading | BadCalendar, ...]:
    """The busy times of several files, in their order, worked out by one child process.

    A file that cannot be read at all stands as its error, not raised, so that the problems of all can be told at once.
    """
    place = ZoneInfo(zone)
    window = Span(day_span(first, place).start, day_span(last, place).end)
    looks = [first_look(file) for file in files]
    drafts = [
        Draft(file, look, window) for file, look in zip(files, looks, strict=True) if isinstance(look, guard.Look)
    ]
    for draft in drafts:
        draft.job["zone"] = zone
    for draft, answers in zip(drafts, ask([draft.job for draft in drafts]), strict=True):
        draft.answers = answers
    read = iter(drafts)
    return tuple(look if isinstance(look, BadCalendar) else next(read).reading() for look in looks)


class ReadCalendars(Protocol):
    """Reads several files as :func:`read_calendars` does, or has read them before."""

    def __call__(
        self, files: Sequence[CalendarFile], *, zone: str, first: date, last: date
    ) -> tuple[Reading | BadCalendar, ...]: ...


def first_look(file: CalendarFile) -> guard.Look | BadCalendar:
    try:
        text, broken = guard.text_of(file.data)
        look = guard.look(text)
    except guard.NotACalendar as why:
        return BadCalendar(Problem(file.name, str(why)))
    if broken:
        look.notes.append((broken, "", "From here on the file is not UTF-8; letters in titles may be wrong."))
    return look


# ---------------------------------------------------------------------------------------------- one file


class Draft:
    """A file between the first look and its reading: the job for the child, and what comes back."""

    def __init__(self, file: CalendarFile, look: guard.Look, window: Span) -> None:
        self.file = file
        self.window = window
        self.titles = tuple(dict.fromkeys(part.title for part in look.parts if part.title))
        self.groups: list[list[dict[str, Any]]] = []
        self.only = tuple(guard.clean(title) for title in file.only)
        self.answers: list[dict[str, Any]] = []
        self.notes: list[tuple[int, str, str, str]] = []
        self.parts = len(look.parts)
        if not look.parts:
            self._tell(0, "", "The file holds no event.")
        for series in guard.groups(look):
            self._take(series, look)
        for line, title, sentence in look.notes:
            self._tell(line, title, sentence)
        self.job: dict[str, Any] = {
            "start": int(window.start.timestamp()),
            "end": int(window.end.timestamp()),
            "all_day": file.all_day,
            "calendars": look.calendars,
            "groups": self.groups,
        }

    def _take(self, series: list[guard.Component], look: guard.Look) -> None:
        """Makes a group of the child's job from a series; what is refused is told, and what is free is no work."""
        group = []
        for part in series:
            try:
                group.append(guard.for_child(part, look.calendars[part.calendar], self.only, series[0].title))
            except guard.Refused as why:
                self._tell(part.line, part.title, f"{why}, so it is not counted as busy.")
        if any(event["busy"] for event in group):
            self.groups.append(group)

    def _tell(self, line: int, title: str, sentence: str, key: str = "") -> None:
        self.notes.append((line, title, sentence, key))

    def reading(self) -> Reading:
        """The reading, from the child's answers."""
        busy: set[tuple[int, int, str]] = set()
        for answer in self.answers:
            self.notes.extend((line, title, sentence, key) for line, title, sentence, key in answer["notes"])
            busy.update((start, end, title) for start, end, title in answer["spans"])
        self._tell_titles()
        if self.parts and not busy:
            self._tell(0, "", "None of its events takes time on the days that were asked for.")
        return Reading(busy=tuple(map(self._span, sorted(busy))), skipped=self._skipped(), titles=self.titles)

    def _span(self, found: tuple[int, int, str]) -> BusySpan:
        start, end = (datetime.fromtimestamp(moment, UTC) for moment in found[:2])
        span = Span(max(start, self.window.start), min(end, self.window.end))
        return BusySpan(span=span, title=found[2], source=self.file.name)

    def _tell_titles(self) -> None:
        for title in self.only:
            if title not in self.titles:
                near = get_close_matches(title, self.titles[:500], n=3)
                hint = f" Near to it: {', '.join(near)}." if near else ""
                self._tell(0, title, f"No event of the file has this title.{hint}")

    def _skipped(self) -> tuple[Skipped, ...]:
        """The notes in order of their lines; those of one key as one, with their number; the last ones only counted."""
        alike: dict[object, list[tuple[int, str, str]]] = {}
        for place, (line, title, sentence, key) in enumerate(sorted(self.notes, key=lambda note: note[0])):
            alike.setdefault(key or place, []).append((line, title, sentence))
        told = [self._told(*notes[0], len(notes) - 1) for notes in alike.values()]
        rest = told[MAX_TOLD:]
        if rest:
            told[MAX_TOLD:] = [
                self._told(rest[0].line, "", f"There are {len(rest):,} more such notes from here on.", 0)
            ]
        return tuple(told)

    def _told(self, line: int, title: str, sentence: str, more: int) -> Skipped:
        reason = f"{sentence} (The same holds for {more:,} more.)" if more else sentence
        return Skipped(source=self.file.name, line=line, name=title, reason=reason)


# ---------------------------------------------------------------------------------------------- the child


def ask(jobs: list[dict[str, Any]]) -> list[list[dict[str, Any]]]:
    """The child's answers: for each job one for each of its groups, in order."""
    waiting = [(number, group) for number, job in enumerate(jobs) for group in job["groups"]]
    answers: list[list[dict[str, Any]]] = [[] for _ in jobs]
    ends = monotonic() + WALL_SECONDS * len(jobs)
    for _ in range(MAX_RESTARTS + 1):
        if not waiting or monotonic() > ends:
            break
        left = [{**job, "groups": [group for number, group in waiting if number == n]} for n, job in enumerate(jobs)]
        given, limit = run_child(left, ends - monotonic())
        if len(given) < len(waiting):
            given.append(left_out(waiting[len(given)][1], limit))
        for (number, _), answer in zip(waiting, given, strict=False):
            answers[number].append(answer)
        waiting = waiting[len(given) :]
    for number, group in waiting:
        answers[number].append(left_out(group, expansion.LATE, "late"))
    return answers


def left_out(group: list[dict[str, Any]], why: str, key: str = "") -> dict[str, Any]:
    """The answer for a group that the child did not come to, or did not come through."""
    return {"spans": [], "notes": [expansion.note(group[0], why, key)]}


def run_child(jobs: list[dict[str, Any]], seconds: float) -> tuple[list[dict[str, Any]], str]:
    """Runs one child; its answers as far as it came, and the limit that ended it (empty: none)."""
    path = [folder for folder in sys.path if folder]  # not the folder that the user happens to be in
    question = {"path": path, "cpu": CPU_SECONDS, "memory": MEMORY_BYTES, "jobs": jobs}
    command = [sys.executable, "-I", expansion.__file__]
    pipe, null = subprocess.PIPE, subprocess.DEVNULL
    with subprocess.Popen(command, stdin=pipe, stdout=pipe, stderr=null) as child:
        try:
            output, _ = child.communicate(json.dumps(question).encode(), timeout=seconds)
            limit = ""
        except subprocess.TimeoutExpired:
            child.kill()
            output, _ = child.communicate()
            limit = f"Working out its repeats takes more than {WALL_SECONDS} seconds"
    lines = output.split(b"\n")[:-1]  # a last line without its end was cut off
    if child.returncode and not limit:
        if not lines:
            raise RuntimeError(
                f"the program that works out calendars could not start (it ended with {child.returncode})"
            )
        limit = ENDED.get(-child.returncode, f"Working out its repeats takes more memory than {MEMORY_BYTES >> 20} MB")
    return [json.loads(line) for line in lines[1:]], limit


ENDED = {
    getattr(signal, "SIGXCPU", 24): f"Working out its repeats takes more than {CPU_SECONDS} seconds of processor time"
}
"""What it means when a signal ended the child; whatever else ends it is a lack of memory."""
