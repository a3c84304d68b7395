"""The pictures in words: what a day holds, what became of it and what changes; a whole picture in a sentence or two."""

from __future__ import annotations

from collections import Counter, defaultdict
from typing import TYPE_CHECKING

from calplan.model import UNIT
from calplan.sentences import MONTHS, WEEKDAYS, listed
from web.clocks import clock
from web.picture_squares import STATE_WORDS, DayLoad, ExamMark, Loads, Run, Sign, State

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from datetime import date


def what(day: DayLoad, known: Loads) -> str:
    """What a day holds, in minutes of each kind: "homework 20, quizzes 10"; by subject where there are several."""
    groups: dict[int | None, Counter[Sign]] = defaultdict(Counter)
    for run in day.runs:
        groups[run.exam if len(known.subjects) > 1 else None][run.sign] += run.units * UNIT
    said = [
        (f"{known.subjects[exam]}: " if exam is not None else "")
        + ", ".join(f"{known.words[sign]} {minutes}" for sign, minutes in signs.items())
        for exam, signs in groups.items()
    ]
    if day.spare:
        said.append(f"what is left, for the summary sheet {day.spare}")
    return "; ".join(said)


def states_said(day: DayLoad) -> str:
    """What became of a day's squares, where there is more to say than that they are planned."""
    found = dict.fromkeys(run.state for run in day.runs)
    return ", ".join(STATE_WORDS[state] for state in found if state in (State.DONE, State.MISSED, State.NO_WORD))


def exam_words(mark: ExamMark, clocks: str) -> str:
    """An exam and its hour."""
    return f"{mark.subject} at {clock(mark.start, clocks)}"


def summary(known: Loads) -> str:
    """The whole picture in two sentences: days, minutes, the fullest day; then the exams."""
    return " ".join(filter(None, (minutes_summary(known.days), exams_summary(known))))


def minutes_summary(days: Iterable[DayLoad]) -> str:
    """How many days have study, how many minutes they take, and which is the fullest."""
    used = [day for day in days if day.minutes]
    if not used:
        return "No day has any study."
    least, most = min(day.minutes for day in used), max(day.minutes for day in used)
    count = f"{len(used)} day{'' if len(used) == 1 else 's'}"
    if least == most:
        return f"{count}, {most} minutes{' each' if len(used) > 1 else ''}."
    fullest = next(day.day for day in used if day.minutes == most)
    return f"{count}, {least} to {most} minutes a day, fullest {long_day(fullest)}."


def exams_summary(known: Loads) -> str:
    """When the exams are."""
    exams = [(day.day, mark) for day in known.days for mark in day.exams]
    if not exams:
        return ""
    if len(exams) > 3:
        return f"{len(exams)} exams, from {long_day(exams[0][0])} to {long_day(exams[-1][0])}."
    return (
        f"{listed([f'{mark.subject} on {long_day(day)}, {clock(mark.start, known.clocks)}' for day, mark in exams])}."
    )


def changes_summary(known: Loads) -> str:
    """What differs between two plans, in one sentence."""
    changed = [day for day in known.days if change_words(day, known)]
    if not changed:
        return "No day's work changes."
    count = "1 day changes" if len(changed) == 1 else f"{len(changed)} days change"
    new, old = (UNIT * sum(sum(run.units for run in runs) for runs in held) for held in both(known.days))
    return f"{count}; {new} minutes of work and appointments in all, {old} before."


def both(days: Sequence[DayLoad]) -> tuple[list[tuple[Run, ...]], list[tuple[Run, ...]]]:
    """The runs of the new plan and those of the old one."""
    return [day.runs for day in days], [day.before for day in days]


def change_words(day: DayLoad, known: Loads) -> str:
    """What comes into a day and what goes, in minutes of each kind; nothing where its squares are the same."""
    said = []
    for runs, state, word in ((day.runs, State.CAME, "new"), (day.before, State.GONE, "no longer")):
        minutes = Counter[Sign]()
        for run in runs:
            minutes[run.sign] += run.units * UNIT if run.state is state else 0
        if +minutes:
            said.append(f"{word}: " + ", ".join(f"{known.words[sign]} {number}" for sign, number in (+minutes).items()))
    return "; ".join(said)


def day_words(day: DayLoad, known: Loads) -> str:
    """A day in one line, for its link: date, minutes, what it holds, what else is on it."""
    said = [exam_words(mark, known.clocks) for mark in day.exams]
    if day.minutes:
        said.append(f"{day.minutes} minutes ({what(day, known)})")
    elif not said:
        said.append("nothing planned")
    said += [states_said(day), change_words(day, known), *(mark.words for mark in day.marks)]
    said += ["today"] if day.today else []
    return f"{long_day(day.day)}: {'; '.join(filter(None, said))}"


def long_day(day: date) -> str:
    """A date with its weekday, for a picture whose year is known."""
    return f"{WEEKDAYS[day.weekday()]} {day.day} {MONTHS[day.month - 1]}"
