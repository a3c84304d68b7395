"""Everything that can go wrong, as one tree.

    CalplanError
    ├── InvalidRequest   the input is wrong; says every problem at once
    ├── BadCalendar      one calendar file cannot be read at all
    ├── NoPlan           the input is right, but no day can hold any work
    └── BrokenPlan       a plan breaks a rule: our bug, never the user's

The four mean different things and are never mixed: the first two ask the user to mend something, the third
tells how life stands, and the last asks for a bug report.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import msgspec

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence


class Problem(msgspec.Struct, frozen=True, order=True):
    """One thing that is wrong with some input: where it is, what it is, and what to do about it.

    ``place`` says where in words; ``path`` says it to programs, in keys and in positions that count from 0 (empty: the
    input as a whole, or a place that is no part of a request).
    """

    place: str
    sentence: str
    remedy: str = ""
    path: tuple[str | int, ...] = ()

    def __str__(self) -> str:
        return " ".join(part for part in (f"{self.place}: {self.sentence}", self.remedy) if part)


class Fault(msgspec.Struct, frozen=True, order=True):
    """One rule that a plan breaks: the rule's code, the place in the plan, and a sentence."""

    code: str
    place: str
    sentence: str

    def __str__(self) -> str:
        return f"{self.code} at {self.place}: {self.sentence}"


class CalplanError(Exception):
    """The root of everything that calplan raises on purpose."""


class InvalidRequest(CalplanError):
    """The request, or a file that it names, is wrong. ``problems`` holds every problem found, in reading order.

    ``rest`` holds what could be read of the request nevertheless, by the names of its fields, so that problems which
    lie beyond the document (files, places) can be told together with those inside it.
    """

    def __init__(self, problems: Iterable[Problem], rest: Mapping[str, Any] | None = None) -> None:
        self.problems: tuple[Problem, ...] = tuple(problems)
        self.rest: Mapping[str, Any] = rest or {}
        super().__init__("\n".join(str(problem) for problem in self.problems))


class BadCalendar(CalplanError):
    """A calendar file cannot be read at all; ``problem`` says what the file is instead."""

    def __init__(self, problem: Problem) -> None:
        self.problem = problem
        super().__init__(str(problem))


class NoPlan(CalplanError):
    """No day before the exam can hold any work.

    ``reasons`` names what takes the days, one sentence each; ``advice`` is what can still be done.
    """

    def __init__(self, sentence: str, reasons: Sequence[str] = (), advice: Sequence[str] = ()) -> None:
        self.sentence = sentence
        self.reasons = tuple(reasons)
        self.advice = tuple(advice)
        super().__init__(sentence)


class BrokenPlan(CalplanError):
    """A finished plan breaks rules; ``faults`` names them. Nothing that a user typed should lead here."""

    def __init__(self, faults: Iterable[Fault]) -> None:
        self.faults: tuple[Fault, ...] = tuple(faults)
        super().__init__(
            "This plan breaks its own rules, which is a bug in calplan, not in your request:\n"
            + "\n".join(str(fault) for fault in self.faults)
        )
