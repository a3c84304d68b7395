"""What the commands share: exit codes and refusals, files in and out, and lines on a terminal.

Results go to standard output, everything else to standard error, and the exit code says how it went (:class:`Exit`).
This is the one place in calplan that asks for the time, and only where ``--as-of`` does not give it. What a function
needs is imported inside it, so that ``calplan --help`` is there at once.
"""

from __future__ import annotations

import os
import sys
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from enum import IntEnum
from typing import IO, TYPE_CHECKING, Any, Literal

import click

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from calplan.chart import Line
    from calplan.errors import CalplanError, Problem
    from calplan.model import BusyCalendar, Plan, Request


class Exit(IntEnum):
    """What the exit codes mean."""

    FINE = 0
    USAGE = 2  # what click answers to a command line that it does not understand
    WRONG = 3
    NO_PLAN = 4
    BROKEN = 5
    FILE = 6
    BUG = 70  # EX_SOFTWARE of BSD's sysexits.h
    STOPPED = 130  # what a shell gives for SIGINT
    PIPE = 141  # what a shell gives for SIGPIPE


EXIT_WORDS = {
    Exit.FINE: "fine; a plan's warnings are in the plan",
    Exit.USAGE: "the command line is not understood",
    Exit.WRONG: "the request, a calendar or a plan file is wrong",
    Exit.NO_PLAN: "the request is right, but no day can hold any work",
    Exit.BROKEN: "a plan breaks its own rules: please report it",
    Exit.FILE: "a file cannot be read or written",
    Exit.BUG: "calplan itself failed: please report it",
}

MOST_REQUEST, MOST_CALENDAR, MOST_PLAN = 1_000_000, 5_000_000, 64_000_000
"""Bytes that are read of each kind of file, and one more, so that whoever reads it can say that it is too large."""


# ----------------------------------------------------------------------------------------------------- options


class Moment(click.ParamType[datetime]):
    """A moment in ISO 8601: with an offset from UTC, or in local time."""

    name = "moment"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> datetime:
        try:
            moment = datetime.fromisoformat(value)
        except ValueError:
            self.fail(f"{value!r} is not a moment. Write 2027-01-05, 2027-01-05T08:00 or 2027-01-05T08:00-06:00.")
        if not 2000 <= moment.year < 2200:
            self.fail(f"The year {moment.year} is outside 2000 to 2199.")
        return moment


as_of_option = click.option(
    "--as-of",
    type=Moment(),
    metavar="MOMENT",
    help="The moment that counts as now, such as 2027-01-05T08:00, in local time or with an offset.",
)
calendars_option = click.option(
    "--calendars",
    metavar="DIR",
    help="Where the calendar files are that the request names. Default: beside the request.",
)


# ---------------------------------------------------------------------------------------------- reading and writing


def load(name: str, calendars: str | None) -> tuple[Request, dict[str, bytes]]:
    """The request of a file and the bytes of the calendars that it names."""
    return resolved(name, read_bytes(name, MOST_REQUEST), calendars)


def resolved(
    name: str, data: bytes, calendars: str | None, format: Literal["json"] | None = None
) -> tuple[Request, dict[str, bytes]]:
    """The request in some bytes and the calendars that it names. Raises InvalidRequest with the problems of both.

    The format is guessed from the name and the bytes, unless it is given.
    """
    from calplan.errors import InvalidRequest
    from calplan.planner import problems_beyond
    from calplan.request import read

    folder = calendars or ("" if name == "-" else os.path.dirname(name))
    try:
        request = read(data, name=label_of(name), format=format)
    except InvalidRequest as error:
        named = [one for one in error.rest.get("calendars", ()) if one]
        files, missing = calendar_files(named, folder)
        there = [one for one in named if one.file in files]
        beyond = problems_beyond(there, error.rest.get("holidays"), files)
        raise InvalidRequest([*error.problems, *missing, *beyond]) from None
    files, missing = calendar_files(request.calendars, folder)
    if missing:
        there = [one for one in request.calendars if one.file in files]
        raise InvalidRequest([*missing, *problems_beyond(there, request.holidays, files)])
    return request, files


def calendar_files(calendars: Iterable[BusyCalendar], folder: str) -> tuple[dict[str, bytes], list[Problem]]:
    """The bytes of the calendars that can be read, and a problem for each of the others."""
    files: dict[str, bytes] = {}
    missing = []
    for one in calendars:
        try:
            files[one.file] = read_bytes(os.path.join(folder, one.file), MOST_CALENDAR)
        except Refusal as refused:
            missing.append(calendar_problem(one.file, refused))
    return files, missing


def calendar_problem(file: str, refused: Refusal) -> Problem:
    """A calendar file that cannot be read, as a problem of the request that names it."""
    from calplan.errors import Problem

    return Problem(
        f"calendar {file}", refused.lines[0].removeprefix(f"{refused.place}: "), "--calendars DIR says where it is."
    )


def is_plan(data: bytes) -> bool:
    """Whether a file means to be a plan: a JSON object with the hash of a request."""
    return data.lstrip()[:1] == b"{" and b'"request_hash"' in data


def read_plan(name: str, data: bytes) -> Plan:
    """The plan in some bytes; a document that is none, or that does not hold together, is refused."""
    import msgspec

    from calplan.model import plan_from_json

    remedy = "Make the plan again with calplan make --plan FILE."
    if len(data) > MOST_PLAN:
        raise Refusal(Exit.WRONG, [f"{name}: This file is too large to be a plan. {remedy}"])
    try:
        plan = plan_from_json(data)
        loose = loose_end(plan)
    except (msgspec.MsgspecError, ValueError, RecursionError) as error:
        raise Refusal(Exit.WRONG, [f"{name}: This is no plan that can be read: {error}. {remedy}"]) from error
    if loose:
        raise Refusal(Exit.WRONG, [f"{name}: This plan does not hold together: {loose} {remedy}"])
    return plan


def loose_end(plan: Plan) -> str:
    """What of a plan that was edited by hand leads nowhere, as a sentence; nothing for a whole plan."""
    exams, ranks = {exam.key for exam in plan.exams}, {task.id: len(task.ranks) for task in plan.tasks}
    parts = [part for block in plan.blocks for part in block.parts] + [part for day in plan.days for part in day.parts]
    days = [*(day.day for day in plan.days), *(block.day for block in plan.blocks)]
    days += [exam.start.date() for exam in plan.exams]
    instants = [plan.as_of, *(block.revised for block in plan.blocks)]
    walls = [*(block.start for block in plan.blocks), *(exam.start for exam in plan.exams)]
    checks = (
        (bool(exams), "there is no exam."),
        (all(known_zone(zone) for zone in (plan.zone, *(exam.zone for exam in plan.exams))), "a zone is unknown."),
        (all(2000 <= day.year < 2200 for day in days), "a date is outside 2000 to 2199."),
        (not days or (max(days) - min(days)).days <= 800, "its days lie years apart."),
        (all(task.exam in exams for task in plan.tasks), "a task is for an exam that is not there."),
        (all(part.task in ranks for part in parts), "a part belongs to a task that is not there."),
        (
            all(part.first >= 0 < part.units <= ranks.get(part.task, 0) - part.first for part in parts),
            "a part is longer than its task.",
        ),
        (all(0 < block.minutes <= 24 * 60 and block.fold in (0, 1) for block in plan.blocks), "a block has no length."),
        (all(moment.tzinfo for moment in instants), "an instant has no offset from UTC."),
        (not any(moment.tzinfo for moment in walls), "a clock time has an offset from UTC."),
    )
    return next((sentence for holds, sentence in checks if not holds), "")


def known_zone(name: str) -> bool:
    """Whether the tz database has a zone of this name."""
    from zoneinfo import ZoneInfo

    try:
        ZoneInfo(name)
    except (KeyError, ValueError, OSError):
        return False
    return True


def request_for(plan: Plan, name: str, data: bytes | None = None) -> Request:
    """The request that a plan was made from, out of its file or the bytes of it. Raises where that holds another."""
    from hashlib import sha256

    from calplan.errors import InvalidRequest
    from calplan.model import to_json
    from calplan.request import read

    try:
        request = read(read_bytes(name, MOST_REQUEST) if data is None else data, name=label_of(name))
    except InvalidRequest as error:
        raise Refusal(*said_of(error, name)) from error
    if sha256(to_json(request, indent=0)).hexdigest() != plan.request_hash:
        raise Refusal(
            Exit.WRONG,
            [f"{name}: The plan was made from another request, or this one has changed. Make the plan again."],
        )
    return request


def stand_in(plan: Plan) -> Request:
    """As much of a request as a plan shows of it: enough for its sentences, in the usual words."""
    from datetime import timedelta

    from calplan.model import Effort, Exam, Request, block_end

    last = max((block_end(block) for block in plan.blocks), default=plan.as_of)
    return Request(
        zone=plan.zone,
        exams=tuple(
            Exam(key=exam.key, subject=exam.subject, start=exam.start, minutes=exam.minutes, zone=exam.zone)
            for exam in plan.exams
        ),
        week=(),
        # The hour of bed is not in a plan: one that lies far from every block says nothing about any.
        effort=Effort(bedtime=(last + timedelta(hours=12)).time()),
    )


def read_bytes(name: str, most: int) -> bytes:
    """The bytes of a file, or of standard input for "-", at most one more than ``most``."""
    try:
        if name == "-":
            return sys.stdin.buffer.read(most + 1)
        with open(name, "rb") as file:
            return file.read(most + 1)
    except (OSError, ValueError) as error:
        raise file_refusal(name, error, "read") from error


def write(name: str, data: bytes, what: str) -> None:
    """Writes a whole file or none: beside its place first, then renamed into it. "-" is standard output."""
    if name == "-":
        click.echo(data, nl=False)
        return
    try:
        place = os.path.realpath(name)
        if os.path.exists(place) and not os.path.isfile(place) and not os.path.isdir(place):
            with open(place, "wb") as device:  # a device or a pipe is written into, not replaced
                device.write(data)
        else:
            replace_file(place, data)
    except (OSError, ValueError) as error:
        raise file_refusal(name, error, "written") from error
    complain(f"Wrote {name}: {what}.")


def replace_file(place: str, data: bytes) -> None:
    """Puts a new file in the place of another, with the permissions that the other had (else the usual ones)."""
    from tempfile import mkstemp

    handle, beside = mkstemp(dir=os.path.dirname(place), prefix=".calplan-", suffix=".part")
    try:
        with open(handle, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        os.chmod(beside, usual_mode(place))
        os.replace(beside, place)
    except BaseException:
        with suppress(OSError):
            os.unlink(beside)
        raise


def usual_mode(place: str) -> int:
    """The permissions of the file that is there, or those that a new one would get."""
    with suppress(OSError):
        return os.stat(place).st_mode & 0o777
    mask = os.umask(0o077)
    os.umask(mask)
    return 0o666 & ~mask


def keep_apart(given: Mapping[str, str | None], written: Mapping[str, str | None]) -> None:
    """Refuses names of files that would overwrite one another or what is read, each under the name of its option."""
    piped = [option for option, name in written.items() if name == "-"]
    if len(piped) > 1:
        raise click.UsageError(f"Only one of {' and '.join(piped)} can go to standard output.")
    places: dict[str, str] = {}
    for option, name in (*given.items(), *written.items()):
        if name and name != "-" and "\0" not in name:
            other = places.setdefault(os.path.realpath(name), option)
            if other != option and option in written:
                raise click.UsageError(f"{other} and {option} must be different files.")


def one_input(*names: str | None) -> None:
    """Refuses to read standard input twice: it is empty the second time."""
    if names.count("-") > 1:
        raise click.UsageError("Only one file can come from standard input.")


def moment_in(given: datetime | None, zone: str) -> datetime:
    """The instant that ``--as-of`` means in a zone; without one, now."""
    from zoneinfo import ZoneInfo

    from calplan.spans import instant

    if given is None:
        return datetime.now(UTC)
    return given.astimezone(UTC) if given.tzinfo else instant(given, ZoneInfo(zone))


# ------------------------------------------------------------------------------------------------ what goes wrong

REPORT = (
    "Please report these lines, together with the request if you can share it (change names and places first; "
    "they make no difference)."
)


class Refusal(click.ClickException):
    """An end that is not a good one: its code, and the lines that say why."""

    def __init__(self, code: Exit, lines: Iterable[str], place: str = "") -> None:
        self.lines, self.code, self.place = tuple(lines), code, place
        super().__init__("\n".join(self.lines))
        vars(self)["exit_code"] = int(code)

    def show(self, file: IO[Any] | None = None) -> None:
        for line in self.lines:
            complain(line)


def refusal(error: BaseException, name: str = "") -> Refusal:
    """Any exception as a refusal; click's own endings go on as they are."""
    if isinstance(error, (click.ClickException, click.exceptions.Exit, click.Abort)):
        if isinstance(error, Refusal):
            return error
        raise error
    if isinstance(error, BrokenPipeError):
        leave_output()
        return Refusal(Exit.PIPE, [])
    from calplan.errors import CalplanError

    if isinstance(error, CalplanError):
        return Refusal(*said_of(error, name))
    if isinstance(error, OSError) and error.filename is None:
        leave_output()
        return file_refusal("standard output", error, "written")
    if os.environ.get("CALPLAN_DEBUG") == "1":
        import traceback

        click.echo("".join(traceback.format_exception(error)), err=True, nl=False)
    what = f"{type(error).__name__}: {error}".rstrip(": ")
    return Refusal(
        Exit.BUG,
        [f"This is a bug in calplan, not your mistake ({what}). {REPORT} CALPLAN_DEBUG=1 shows where it happened."],
    )


def said_of(error: CalplanError, name: str) -> tuple[Exit, list[str]]:
    """The code and the lines for an error that calplan raises on purpose."""
    from calplan.errors import BrokenPlan, InvalidRequest, NoPlan

    where = f"{shown_name(name)}: " if name else ""
    if isinstance(error, InvalidRequest):
        return Exit.WRONG, [under(name, problem) for problem in error.problems]
    if isinstance(error, NoPlan):
        reasons = [f"- {reason}" for reason in error.reasons]
        advice = ["What still makes sense:", *(f"- {one}" for one in error.advice)] if error.advice else []
        return Exit.NO_PLAN, [f"{where}{error.sentence}", *reasons, *advice]
    if isinstance(error, BrokenPlan):
        return Exit.BROKEN, [*str(error).split("\n"), REPORT]
    return Exit.WRONG, [f"{where}{error}"]


def under(name: str, problem: Problem) -> str:
    """A problem with the name of its file before it, once: a place that is the file itself gives way to the name."""
    label = label_of(name)
    rest = problem.place.removeprefix(label)
    if name and problem.place.startswith(label) and (not rest or rest.startswith(", line ")):
        return f"{shown_name(name)}{str(problem).removeprefix(label)}"
    return f"{shown_name(name)}: {problem}" if name else str(problem)


def label_of(name: str) -> str:
    """What a request is called in its problems."""
    return "the request" if name == "-" else os.path.basename(name)


def shown_name(name: str) -> str:
    """A file's name, in words where it is none."""
    return "standard input" if name == "-" else name


def file_refusal(name: str, error: Exception, done: str) -> Refusal:
    """A file that cannot be read or written, in words."""
    shown = shown_name(name)
    words: dict[type[Exception], str] = {
        FileNotFoundError: "There is no such file." if done == "read" else "There is no such folder.",
        IsADirectoryError: "This is a folder, not a file.",
        NotADirectoryError: "A part of this path is a file, not a folder.",
        PermissionError: f"It may not be {done}: permission denied.",
    }
    said = words.get(type(error)) or f"It cannot be {done}: {getattr(error, 'strerror', None) or error}."
    return Refusal(Exit.FILE, [f"{shown}: {said}"], place=shown)


def leave_output() -> None:
    """Turns standard output away from where it cannot go, so that nothing fails again on the way out."""
    with suppress(OSError, ValueError):
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, sys.stdout.fileno())


# ------------------------------------------------------------------------------------------------------ printing

LOOKS: dict[str, dict[str, Any]] = {
    "title": {"bold": True},
    "heading": {"bold": True},
    "warning": {"fg": "yellow", "bold": True},
    "minutes": {"bold": True},
    "today": {"fg": "green", "bold": True},
    "exam": {"fg": "red", "bold": True},
    "holiday": {"fg": "magenta"},
    "fixed": {"fg": "blue"},
    "cover": {"fg": "green"},
    "consolidate": {"fg": "yellow"},
    "taper": {"fg": "cyan"},
    "faint": {"dim": True},
}
ASCII = str.maketrans(
    {"–": "-", "—": "-", "‑": "-", "…": "...", "“": '"', "”": '"', "‘": "'", "’": "'", "×": "x", "\u00a0": " "}
)


def show_plan(plan: Plan, request: Request, as_of: datetime) -> None:
    """Prints all that a reader wants to see of a plan."""
    from calplan.chart import plan_lines

    tell(list(plan_lines(plan, request, as_of=as_of, width=width_of_output())))  # all of it or none


def tell(lines: Iterable[Line | str]) -> None:
    """Prints lines to standard output, with colours where it is a terminal that wants them."""
    coloured = wants_colour(sys.stdout)
    for line in lines:
        if isinstance(line, str):
            click.echo(legible(line, sys.stdout), color=False)
            continue
        pieces = [(legible(run.text, sys.stdout), LOOKS.get(run.look)) for run in line]
        click.echo(
            "".join(click.style(text, **look) if coloured and look else text for text, look in pieces), color=coloured
        )


def complain(line: str) -> None:
    """Prints a line to standard error."""
    click.echo(legible(line, sys.stderr), err=True, color=False)


def legible(text: str, stream: IO[str]) -> str:
    """The text without what could steer a terminal, and in characters that the stream can hold."""
    from calplan.sentences import clean

    text = "\n".join(clean(line) for line in text.split("\n"))
    encoding = getattr(stream, "encoding", None) or "utf-8"
    try:
        text.encode(encoding)
    except UnicodeEncodeError:
        text = text.translate(ASCII).encode(encoding, "replace").decode(encoding)
    return text


def wants_colour(stream: IO[str]) -> bool:
    """Whether to colour: on a terminal, unless NO_COLOR (any value but an empty one) or TERM=dumb says no."""
    return stream.isatty() and not os.environ.get("NO_COLOR") and os.environ.get("TERM") != "dumb"


def width_of_output() -> int:
    """The columns of the terminal; 80 where the output goes anywhere else, so that it is always the same."""
    from shutil import get_terminal_size

    return get_terminal_size().columns if sys.stdout.isatty() else 80


@contextmanager
def working(words: str, *, after: float = 1.0) -> Iterator[None]:
    """Says on a terminal what is under way, once it has taken longer than a second, and takes it away afterwards."""
    if not sys.stderr.isatty():
        yield
        return
    from threading import Timer

    stream, line = sys.stderr, f"{words} ..."
    said: list[str] = []

    def say() -> None:
        said.append(line)
        stream.write(legible(line, stream))
        stream.flush()

    timer = Timer(after, say)
    timer.daemon = True
    timer.start()
    try:
        yield
    finally:
        timer.cancel()
        timer.join()
        if said:
            stream.write(f"\r{' ' * len(line)}\r")
            stream.flush()


def count(number: int, word: str) -> str:
    """A number with its word."""
    return f"{number} {word}{'' if number == 1 else 's'}"
