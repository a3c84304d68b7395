"""The command line: parse, call, print.

Results go to standard output, everything else to standard error, and the exit code says how it went (:class:`Exit`).
This is the one place in calplan that asks for the time, and only where ``--as-of`` does not give it. What a command
needs is imported inside it, so that ``calplan --help`` is there at once.
"""

from __future__ import annotations

import os
import sys
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from enum import IntEnum
from typing import IO, TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from calplan.chart import Line
    from calplan.checkins import CheckIn, Found, Log
    from calplan.errors import CalplanError, Problem
    from calplan.model import Block, BusyCalendar, PastBlock, Plan, Request


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


# ------------------------------------------------------------------------------------------------ the commands


class Guarded(click.Group):
    """A group whose commands never end in a trace."""

    def invoke(self, ctx: click.Context) -> Any:
        try:
            given = super().invoke(ctx)
            sys.stdout.flush()
        except Exception as error:
            raise refusal(error) from error
        except KeyboardInterrupt:
            raise Refusal(Exit.STOPPED, ["Stopped; nothing more was written."]) from None
        return given


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

EXIT_HELP = "\b\nExit codes:\n" + "\n".join(f"  {code:<3} {words}" for code, words in EXIT_WORDS.items())


@click.group(
    cls=Guarded,
    context_settings={"help_option_names": ["-h", "--help"]},
    epilog=f"{EXIT_HELP}\n\n\b\nExample:\n  calplan make fixtures/chemistry-30.toml --ics chemistry.ics",
)
@click.version_option(package_name="calplan", message="%(prog)s %(version)s")
def commands() -> None:
    """Turn exams, class material and a half-full week into a dated study plan."""


@commands.command(
    short_help="Make a plan, and its calendar file.",
    epilog="\b\nExample:\n  calplan make fixtures/chemistry-30.toml --ics chemistry.ics --plan chemistry.json",
)
@click.argument("request", metavar="REQUEST")
@click.option("--ics", metavar="FILE", help="Write the calendar here (- for standard output).")
@click.option("--plan", metavar="FILE", help="Write the plan as JSON here (- for standard output).")
@as_of_option
@click.option("--seed", metavar="TEXT", help="What the ids of blocks derive from. Default: the request itself.")
@calendars_option
@click.option(
    "--alarm", type=click.IntRange(0, 10_080), metavar="MINUTES", help="Ring so many minutes before each block."
)
def make(
    request: str,
    ics: str | None,
    plan: str | None,
    as_of: datetime | None,
    seed: str | None,
    calendars: str | None,
    alarm: int | None,
) -> None:
    """Make a plan from a REQUEST (a .toml or .json file, or - for standard input).

    Shows the plan, unless one of the files goes to standard output.
    """
    keep_apart(request, ics, plan)
    from calplan.ical import feed
    from calplan.model import to_json
    from calplan.planner import make_plan

    with working("Making the plan"):
        asked, files = load(request, calendars, as_of)
        moment = moment_in(as_of, asked.zone)
        made = make_plan(asked, files, as_of=moment, seed=seed)
        written = feed(made, asked, alarms=alarm) if ics else None
    if written and ics:
        write(ics, written.data, f"{count(len(made.blocks) - len(written.left_out), 'block')} of study")
        if written.sentence:
            complain(written.sentence)
    if plan:
        write(plan, to_json(made), "the plan as JSON")
    if "-" not in (ics, plan):
        show_plan(made, asked, moment)
    if not ics and not plan:
        complain("Nothing was written: --ics FILE writes the calendar, --plan FILE the plan.")


@commands.command(
    short_help="Show a plan.", epilog="\b\nExample:\n  calplan show chemistry.json --request fixtures/chemistry-30.toml"
)
@click.argument("plan", metavar="PLAN")
@click.option("--request", metavar="REQUEST", help="The request of the plan: its own words and the hour of bed.")
@as_of_option
def show(plan: str, request: str | None, as_of: datetime | None) -> None:
    """Show a PLAN that "calplan make --plan" wrote (- for standard input)."""
    one_input(plan, request)
    made = read_plan(plan, read_bytes(plan, MOST_PLAN))
    moment = moment_in(as_of, made.zone)
    asked = request_for(made, request) if request else stand_in(made)
    show_plan(made, asked, moment)
    if not request:
        complain("Own names of kinds, and the hour of bed, come from the request: --request REQUEST.")


@commands.command(
    short_help="Check requests or plans.",
    epilog="\b\nExamples:\n  calplan check fixtures/*.toml\n"
    "  calplan check chemistry.json --request fixtures/chemistry-30.toml",
)
@click.argument("files", metavar="FILE...", nargs=-1, required=True)
@click.option("--request", metavar="REQUEST", help="The request of the plans, whose rules they are held against.")
@as_of_option
@calendars_option
def check(files: tuple[str, ...], request: str | None, as_of: datetime | None, calendars: str | None) -> None:
    """Check requests (with their calendars) or plans, and name everything that is wrong.

    With several files the exit code is the highest of theirs.
    """
    one_input(*files, *[request] * len(files))
    worst = Exit.FINE
    for name in files:
        try:
            with working(f"Checking {name}"):
                data = read_bytes(name, MOST_PLAN)
                said = check_plan(name, data, request) if is_plan(data) else check_request(name, data, as_of, calendars)
        except Exception as error:
            refused = refusal(error, name)
            refused.show()
            worst = max(worst, refused.code)
        else:
            tell([f"{shown_name(name)}: {said}"])
    if worst:
        raise Refusal(worst, [])


@commands.command(
    name="trade-off",
    short_help="Show what putting it off costs.",
    epilog="\b\nExample:\n  calplan trade-off fixtures/chemistry-30.toml",
)
@click.argument("request", metavar="REQUEST")
@as_of_option
@calendars_option
@click.option("--json", "as_json", is_flag=True, help="Print the steps as JSON.")
def trade_off(request: str, as_of: datetime | None, calendars: str | None, *, as_json: bool) -> None:
    """Show what putting off the work of a REQUEST costs, in minutes a day.

    For each first day: the usable days left, and the minutes a day under which everything fits, and the essentials.
    """
    from calplan import chart, planner
    from calplan.model import plain

    with working("Trying every first day"):
        asked, files = load(request, calendars, as_of)
        steps = planner.trade_off(asked, files, as_of=moment_in(as_of, asked.zone))
    if as_json:
        import json

        tell([json.dumps({"schema": 1, "steps": [plain(step) for step in steps]}, indent=2)])
    else:
        tell(chart.trade_off_lines(steps, width=width_of_output()))


# ------------------------------------------------------------------------------------------------------ checking


log_option = click.option("--log", metavar="FILE", help="What was said of the blocks: one entry of JSON a line.")


@commands.command(
    short_help="Mend a plan under way, with the fewest changes.",
    epilog="\b\nExample:\n  calplan mend plan.json --before fixtures/chemistry-30.toml --log said.jsonl",
)
@click.argument("plan", metavar="PLAN")
@click.option("--before", metavar="REQUEST", required=True, help="The request that the plan was made from.")
@click.option("--request", metavar="REQUEST", help="The request with the news in it. Default: the same one.")
@log_option
@click.option("--stay", is_flag=True, help="Keep every other day as it is; what finds no room falls out.")
@click.option("--ics", metavar="FILE", help="Write the mended calendar here (- for standard output).")
@click.option("--write", "out", metavar="FILE", help="Write the mended plan as JSON here (- for standard output).")
@as_of_option
@calendars_option
def mend(
    plan: str,
    before: str,
    request: str | None,
    log: str | None,
    ics: str | None,
    out: str | None,
    as_of: datetime | None,
    calendars: str | None,
    *,
    stay: bool,
) -> None:
    """Mend a PLAN (a .json file that calplan wrote): after missed blocks, lost days, a moved exam, new material.

    News are written into a copy of the request (lost days as day_off, less time as short_days). Shows what changes;
    nothing is written without --ics or --write.
    """
    keep_apart(plan, ics, out)
    one_input(plan, before, request, log)
    from calplan.checkins import marks
    from calplan.differences import difference, lines, summary
    from calplan.ical import feed
    from calplan.model import to_json
    from calplan.replan import Way
    from calplan.replan import mend as mended

    old = read_plan(plan, read_bytes(plan, MOST_PLAN))
    known = request_for(old, before)
    said = entries_of(log)
    with working("Mending the plan"):
        asked, files = load(request or before, calendars, as_of)
        moment = moment_in(as_of, asked.zone)
        way = Way.STAY if stay else Way.FEWEST
        new = mended(old, known, asked, files, said, as_of=moment, way=way)
        written = feed(new, asked, marks=marks(said)) if ics else None
    if written and ics:
        write(ics, written.data, f"{count(len(new.blocks), 'block')} of study ahead")
    if out:
        write(out, to_json(new), "the mended plan as JSON")
    if "-" not in (ics, out):
        found = difference(old, known, new, asked)
        tell([summary(found), *lines(found, lambda moment: f"{moment:%H:%M}")])
    if not ics and not out:
        complain("Nothing was written: --ics FILE writes the calendar, --write FILE the plan.")


@commands.command(
    "check-in",
    short_help="Say what became of a block.",
    epilog="\b\nExample:\n  calplan check-in chemistry.json 2027-01-08 done --log said.jsonl --minutes 35",
)
@click.argument("plan", metavar="PLAN")
@click.argument("block", metavar="BLOCK")
@click.argument("outcome", type=click.Choice(["done", "partly", "missed", "take-back"]))
@click.option("--log", metavar="FILE", required=True, help="The file that the entry is added to.")
@click.option("--reached", type=click.IntRange(0, 1440), default=0, help="Minutes of the work that were done.")
@click.option("--minutes", type=click.IntRange(0, 1440), help="Minutes that it took.")
@click.option("--sheet-pages", type=click.IntRange(0, 20), help="Pages of the summary sheet.")
@click.option(
    "--flag",
    "flags",
    multiple=True,
    metavar="'MATERIAL PROBLEM 1|2|3 [TRIES]'",
    help="A flagged problem: 1 must, 2 should, 3 settled.",
)
@click.option("--instead", default="", metavar="TEXT", help="Something else that was done instead.")
@as_of_option
def check_in(
    plan: str,
    block: str,
    outcome: str,
    log: str,
    reached: int,
    minutes: int | None,
    sheet_pages: int | None,
    flags: tuple[str, ...],
    instead: str,
    as_of: datetime | None,
) -> None:
    """Say what became of a BLOCK of a PLAN: its date (where the day has one block), or its UID.

    One line is added to the log; nothing else changes until the plan is mended. The same words at the same moment are
    one entry.
    """
    from calplan.checkins import CheckIn, Outcome, Undone, last_words, to_line, wrong_with
    from calplan.model import identity

    made = read_plan(plan, read_bytes(plan, MOST_PLAN))
    uid = block_named(made, block)
    known = entries_of(log) if os.path.exists(log) else ()
    at = moment_in(as_of, made.zone).replace(microsecond=0)
    if outcome == "take-back":
        word = last_words(known).get(uid)
        if word is None:
            raise Refusal(Exit.WRONG, [f"{log}: Nothing was said of that block, so nothing can be taken back."])
        entry: CheckIn | Undone = Undone(id=identity("undone", at.isoformat(), word.id), at=at, entry=word.id)
    else:
        entry = CheckIn(
            id="",
            at=at,
            block=uid,
            outcome=Outcome(outcome),
            reached=reached,
            minutes=minutes,
            found=flags_of(made, flags),
            sheet_pages=sheet_pages,
            instead=instead,
        )
        entry = CheckIn(**{**vars_of(entry), "id": identity("check-in", to_line(entry).decode())})
        if wrong := wrong_with(entry):
            raise Refusal(Exit.WRONG, [f"{log}: {one}" for one in wrong])
    if all(one.id != entry.id for one in known):
        append(log, to_line(entry))
    complain(f"Noted in {log}: {outcome}.")


@commands.command(
    short_help="How a plan goes: weeks, flags, what to ask.",
    epilog="\b\nExample:\n  calplan progress chemistry.json --request fixtures/chemistry-30.toml --log said.jsonl",
)
@click.argument("plan", metavar="PLAN")
@click.option("--request", metavar="REQUEST", required=True, help="The request that the plan was made from.")
@log_option
@as_of_option
def progress(plan: str, request: str, log: str | None, as_of: datetime | None) -> None:
    """Tell how a PLAN goes: a sentence, minutes by week, open flags, and what to ask a teacher."""
    one_input(plan, request, log)
    from calplan.learned import known
    from calplan.progress import progress as going

    made = read_plan(plan, read_bytes(plan, MOST_PLAN))
    asked, said = request_for(made, request), entries_of(log)
    told = known(asked, made, said)
    found = going(made, asked, said, told, now=moment_in(as_of, made.zone))
    titles = {(exam.key, one.key): one.title for exam in asked.exams for one in exam.materials}
    tell(
        [
            found.sentence,
            *(
                f"Week of {week.monday}: {week.done} of {week.planned} minutes done, {week.missed} missed, "
                f"{week.silent} without a word."
                for week in found.weeks
            ),
            *(
                f"Open flag {flag.importance}: {titles[flag.exam, flag.material]}, {flag.problem}."
                for flag in found.open
            ),
            *(ask.sentence for ask in (*made.asks, *told.asks)),
        ]
    )


def entries_of(name: str | None) -> Log:
    """The entries of a log; none where no file is named. Raises InvalidRequest with every line that is none."""
    from calplan.checkins import read_log

    return read_log(read_bytes(name, MOST_PLAN), label_of(name)) if name else ()


def block_named(plan: Plan, name: str) -> str:
    """The UID of the block that a UID or a date names."""
    blocks: list[Block | PastBlock] = [*plan.past, *plan.blocks]
    found = [one.uid for one in blocks if not one.fixed and name in (one.uid, one.day.isoformat())]
    if len(found) == 1:
        return found[0]
    if not found:
        raise Refusal(Exit.WRONG, [f"{name}: The plan has no block of that date or UID."])
    raise Refusal(Exit.WRONG, [f"{name}: That day has {len(found)} blocks; name one of them: {', '.join(found)}."])


def flags_of(plan: Plan, flags: Iterable[str]) -> tuple[Found, ...]:
    """Flags as they were typed, by material. Raises with every one that cannot be read."""
    from calplan.checkins import Flag, Found

    exams = {item.material: task.exam for task in plan.tasks for item in task.items}
    found: dict[str, list[Flag]] = {}
    wrong = []
    for text in flags:
        material, *rest = text.split()
        if (
            material in exams
            and len(rest) in (2, 3)
            and rest[1] in ("1", "2", "3")
            and all(map(str.isdecimal, rest[2:]))
        ):
            tries = int(rest[2]) if rest[2:] else 1
            found.setdefault(material, []).append(Flag(problem=rest[0], importance=int(rest[1]), tries=tries))
        else:
            wrong.append(
                f"--flag {text!r}: Write a material's key, a problem, 1, 2 or 3, and failed tries if there were."
            )
    if wrong:
        raise Refusal(Exit.WRONG, wrong)
    return tuple(Found(exam=exams[key], material=key, flags=tuple(mine)) for key, mine in found.items())


def vars_of(entry: CheckIn) -> dict[str, Any]:
    """The fields of an entry."""
    return {name: getattr(entry, name) for name in entry.__struct_fields__}


def append(name: str, line: bytes) -> None:
    """Adds a line to a file, whole and on disk before this returns; a last line without an end gets one first."""
    try:
        with open(name, "a+b") as file:
            if file.tell():
                file.seek(-1, os.SEEK_END)
                line = line if file.read(1) == b"\n" else b"\n" + line
            file.write(line)
            file.flush()
            os.fsync(file.fileno())
    except (OSError, ValueError) as error:
        raise file_refusal(name, error, "written") from error


def check_request(name: str, data: bytes, as_of: datetime | None, calendars: str | None) -> str:
    """Reads a request with its calendars; gives what it is, or raises with every problem."""
    request, files = resolved(name, data, calendars, as_of)
    from calplan.planner import read_busy
    from calplan.sentences import skipped_sentences

    _, skipped = read_busy(request, files, as_of=moment_in(as_of, request.zone))
    for sentence in skipped_sentences(skipped):
        complain(f"{name}: {sentence}")
    exams = count(len(request.exams), "exam")
    return f"fine, a request with {exams} and {sum(len(exam.materials) for exam in request.exams)} pieces of material."


def check_plan(name: str, data: bytes, request: str | None) -> str:
    """Reads a plan and holds it against the rules; gives what it is, or raises with every rule that it breaks."""
    plan = read_plan(name, data)
    what = f"a plan of {count(len(plan.blocks), 'block')}"
    if request is None:
        return f"readable, {what}. Its rules were not checked: that takes --request REQUEST."
    from calplan import rules

    faults = rules.check(request_for(plan, request), plan)
    if faults:
        broken = "1 rule is" if len(faults) == 1 else f"{len(faults)} rules are"
        raise Refusal(Exit.BROKEN, [f"{name}: {broken} broken.", *map(str, faults), REPORT])
    return f"fine, {what} that keeps every rule."


# ---------------------------------------------------------------------------------------------- reading and writing


def load(name: str, calendars: str | None, as_of: datetime | None) -> tuple[Request, dict[str, bytes]]:
    """The request of a file and the bytes of the calendars that it names."""
    return resolved(name, read_bytes(name, MOST_REQUEST), calendars, as_of)


def resolved(name: str, data: bytes, calendars: str | None, as_of: datetime | None) -> tuple[Request, dict[str, bytes]]:
    """The request in some bytes and the calendars that it names. Raises InvalidRequest with the problems of both."""
    from calplan.errors import InvalidRequest
    from calplan.planner import problems_beyond
    from calplan.request import read

    folder = calendars or ("" if name == "-" else os.path.dirname(name))
    try:
        request = read(data, name=label_of(name))
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


def request_for(plan: Plan, name: str) -> Request:
    """The request that a plan was made from. Raises where the file holds another."""
    from hashlib import sha256

    from calplan.errors import InvalidRequest
    from calplan.model import to_json
    from calplan.request import read

    try:
        request = read(read_bytes(name, MOST_REQUEST), name=label_of(name))
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


def keep_apart(request: str, ics: str | None, plan: str | None) -> None:
    """Refuses names of files that would overwrite one another or the request."""
    if ics == plan == "-":
        raise click.UsageError("Only one of --ics and --plan can go to standard output.")
    named = [os.path.realpath(name) for name in (request, ics, plan) if name and name != "-" and "\0" not in name]
    if len(set(named)) < len(named):
        raise click.UsageError("REQUEST, --ics and --plan must be different files.")


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


def main() -> None:
    """Runs the command line of this process and ends it with an exit code."""
    for name, mode in (("stdin", "r"), ("stdout", "w"), ("stderr", "w")):
        if getattr(sys, name) is None:  # closed by whoever started the process
            setattr(sys, name, open(os.devnull, mode, encoding="utf-8"))  # noqa: SIM115 - open until the end
    try:
        commands()
    except Exception as error:  # what fails outside a command, such as printing its help
        refused = refusal(error)
        refused.show()
        sys.exit(refused.code)
