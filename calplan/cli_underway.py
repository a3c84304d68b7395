"""The commands for a plan under way: what became of a block, mending, and how it goes."""

from __future__ import annotations

import os
from contextlib import contextmanager, suppress
from typing import IO, TYPE_CHECKING, Any

import click

from calplan.cli_news import News, news_options, with_news
from calplan.console import (
    MOST_PLAN,
    MOST_REQUEST,
    Exit,
    Refusal,
    as_of_option,
    calendars_option,
    complain,
    count,
    file_refusal,
    keep_apart,
    label_of,
    moment_in,
    one_input,
    read_bytes,
    read_plan,
    refusal,
    request_for,
    resolved,
    stand_in,
    tell,
    width_of_output,
    working,
    write,
)

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from datetime import datetime

    from calplan.checkins import Found, Log
    from calplan.model import Block, PastBlock, Plan, Request


log_option = click.option("--log", metavar="FILE", help="What was said of the blocks: one entry of JSON a line.")


@click.command(
    short_help="Mend a plan under way, with the fewest changes.",
    epilog="\b\nExamples:\n  calplan mend plan.json --before fixtures/chemistry-30.toml --log said.jsonl\n"
    "  calplan mend plan.json --before fixtures/chemistry-30.toml --lost 2027-01-12",
)
@click.argument("plan", metavar="PLAN")
@click.option("--before", metavar="REQUEST", required=True, help="The request that the plan was made from.")
@click.option("--request", metavar="REQUEST", help="The request with news written into it. Default: the same one.")
@log_option
@news_options
@click.option("--stay", is_flag=True, help="Keep every other day as it is; what finds no room falls out.")
@click.option("--write", "out", metavar="FILE", help="Write the mended plan as JSON here (- for standard output).")
@click.option("--write-request", metavar="FILE", help="Write the request with the news as JSON here.")
@click.option("--ics", metavar="FILE", help="Write the mended calendar here (- for standard output).")
@as_of_option
@calendars_option
def mend(
    plan: str,
    before: str,
    request: str | None,
    log: str | None,
    out: str | None,
    write_request: str | None,
    ics: str | None,
    as_of: datetime | None,
    calendars: str | None,
    *,
    stay: bool,
    **typed: Any,
) -> None:
    """Mend a PLAN (a .json file that calplan wrote): after missed blocks, lost days, a moved exam, new material.

    News are options, or stand in a copy of the request (--request). Shows what changes; nothing is written without
    --write. The next time, the request that --write-request wrote is the one --before.
    """
    news = News(**typed)
    keep_apart(
        {"PLAN": plan, "--before": before, "--request": request, "--log": log},
        {"--write": out, "--write-request": write_request, "--ics": ics},
    )
    one_input(plan, before, request, log)
    makes_sense(news, out, write_request, ics)
    from calplan.checkins import marks
    from calplan.errors import InvalidRequest
    from calplan.ical import feed
    from calplan.model import to_json
    from calplan.replan import Way
    from calplan.replan import mend as mended

    old = read_plan(plan, read_bytes(plan, MOST_PLAN))
    data = read_bytes(before, MOST_REQUEST)
    known = request_for(old, before, data)
    said = entries_of(log)
    with working("Mending the plan"):
        data, name = (data, before) if request is None else (read_bytes(request, MOST_REQUEST), request)
        data, wrong = with_news(data, name, news, old, known) if any(news) else (data, [])
        try:
            asked, files = resolved(name, data, calendars, format="json" if any(news) else None)
        except InvalidRequest as error:
            raise InvalidRequest([*wrong, *error.problems]) from None
        if wrong:
            raise InvalidRequest(wrong)
        way = Way.STAY if stay else Way.FEWEST
        new = mended(old, known, asked, files, said, as_of=moment_in(as_of, asked.zone), way=way)
        written = feed(new, asked, marks=marks(said)) if ics else None
    if write_request:
        write(write_request, data, "the request with the news, as JSON")
        apart = os.path.dirname(os.path.realpath(write_request)) != os.path.dirname(os.path.realpath(name))
        if asked.calendars and apart and write_request != "-":
            complain("The request names calendar files: keep them beside it, or say --calendars DIR the next time.")
    if out:
        write(out, to_json(new), "the mended plan as JSON")
    if written and ics:
        write(ics, written.data, f"{count(len(new.blocks), 'block')} of study ahead")
    if "-" not in (ics, out, write_request):
        show_difference(old, known, new, asked)
    if not ics and not out:
        complain("Nothing was written: --write FILE writes the plan, and --ics FILE the calendar beside it.")


def makes_sense(news: News, out: str | None, write_request: str | None, ics: str | None) -> None:
    """Refuses to write what leads nowhere: a calendar without its plan, or a plan without its request."""
    if news.ill and not news.lost:
        raise click.UsageError("--ill goes with --lost: which days were lost?")
    if ics and ics != "-" and not out:
        raise click.UsageError(
            "--ics needs --write FILE beside it: a calendar whose plan is in no file cannot be mended later."
        )
    if any(news) and (out or ics) and not write_request:
        raise click.UsageError(
            "News needs --write-request FILE too: a plan whose request is in no file cannot be mended later."
        )
    if write_request and not any(news):
        raise click.UsageError(
            "--write-request goes with news, such as --lost; without any, the request stays as it is."
        )
    if write_request and write_request.lower().endswith(".toml"):
        raise click.UsageError("--write-request writes JSON: give the file a name that ends in .json.")


def show_difference(old: Plan, known: Request, new: Plan, asked: Request) -> None:
    """Prints what changes from one plan to the other, each with its request."""
    from calplan.differences import difference, lines, summary

    found = difference(old, known, new, asked)
    tell([summary(found), *lines(found, lambda moment: f"{moment:%H:%M}")])


@click.command(
    short_help="Take the last change of a plan back.",
    epilog="\b\nExample:\n  calplan undo new.json --before plan.json --write again.json",
)
@click.argument("plan", metavar="PLAN")
@click.option("--before", metavar="PLAN", required=True, help="The plan that it was mended from.")
@click.option(
    "--write", "out", metavar="FILE", required=True, help="Write the plan as JSON here (- for standard output)."
)
@click.option("--ics", metavar="FILE", help="Write its calendar here; that takes --request.")
@click.option("--request", metavar="REQUEST", help="The request of the plan before.")
@log_option
@as_of_option
def undo(
    plan: str,
    before: str,
    out: str,
    ics: str | None,
    request: str | None,
    log: str | None,
    as_of: datetime | None,
) -> None:
    """Put the plan before in the place of a PLAN that was mended, as long as no block has begun since then.

    Calendars that have seen the change see it taken back: so write a new plan, and do not use the old file again. What
    was said of blocks stays in the log.
    """
    keep_apart({"PLAN": plan, "--before": before, "--request": request, "--log": log}, {"--write": out, "--ics": ics})
    one_input(plan, before, request, log)
    if ics and not request:
        raise click.UsageError("--ics needs --request REQUEST, the request of the plan before.")
    from msgspec.structs import replace

    from calplan.checkins import marks
    from calplan.ical import feed
    from calplan.model import to_json
    from calplan.repairs import undo as undone

    now, earlier = (read_plan(name, read_bytes(name, MOST_PLAN)) for name in (plan, before))
    if now.seed != earlier.seed:
        raise Refusal(Exit.WRONG, [f"{before}: {plan} was not mended from this plan, but comes from another one."])
    asked = request_for(earlier, request) if request else stand_in(earlier)
    said = entries_of(log)
    again = undone(now, earlier, as_of=moment_in(as_of, now.zone))
    written = feed(again, asked, marks=marks(said)) if ics else None
    over = {block.uid for block in now.past}
    ahead = replace(again, blocks=tuple(block for block in again.blocks if block.uid not in over))
    write(out, to_json(again), "the plan as it was before, as JSON")
    if written and ics:
        write(ics, written.data, f"{count(len(ahead.blocks), 'block')} of study ahead")
    if "-" not in (ics, out):
        show_difference(now, stand_in(now), ahead, asked)


@click.command(
    "check-in",
    short_help="Say what became of a block.",
    epilog="\b\nExample:\n  calplan check-in chemistry.json 2027-01-08 done --log said.jsonl --minutes 35",
)
@click.argument("plan", metavar="PLAN")
@click.argument("block", metavar="BLOCK")
@click.argument("outcome", type=click.Choice(["done", "partly", "missed", "take-back"]))
@click.option("--log", metavar="FILE", required=True, help="The file that the entry is added to.")
@click.option("--reached", type=int, default=0, metavar="MINUTES", help="Minutes of the work that were done.")
@click.option("--minutes", type=int, metavar="MINUTES", help="Minutes that it took.")
@click.option("--sheet-pages", type=int, metavar="PAGES", help="Pages of the summary sheet.")
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
    if log == "-":
        raise click.UsageError("--log is a file that is added to; standard output cannot be one.")
    keep_apart({"PLAN": plan}, {"--log": log})
    from msgspec.structs import replace

    from calplan.checkins import CheckIn, Outcome, Undone, last_words, read_log, to_line
    from calplan.model import identity

    made = read_plan(plan, read_bytes(plan, MOST_PLAN))
    at = moment_in(as_of, made.zone).replace(microsecond=0)
    uid, no_block = block_named(made, block)
    found, no_flags = flags_of(made, flags)
    wrong = [*no_block, *out_of_bounds(reached, minutes, sheet_pages), *no_flags]
    if wrong:
        raise Refusal(Exit.WRONG, [*wrong, *wrong_lines(log)])
    nothing_said = Refusal(Exit.WRONG, [f"{log}: Nothing was said of that block, so nothing can be taken back."])
    if outcome == "take-back" and not os.path.exists(log):
        raise nothing_said
    with adding_to(log) as file:
        file.seek(0)
        entries = read_log(file.read(MOST_PLAN), label_of(log))
        entry: CheckIn | Undone
        if outcome == "take-back":
            if (word := last_words(entries).get(uid)) is None:
                raise nothing_said
            entry = Undone(id=identity("undone", at.isoformat(), word.id), at=at, entry=word.id)
        else:
            entry = CheckIn(
                id="",
                at=at,
                block=uid,
                outcome=Outcome(outcome),
                reached=reached,
                minutes=minutes,
                found=found,
                sheet_pages=sheet_pages,
                instead=instead,
            )
            entry = replace(entry, id=identity("check-in", to_line(entry).decode()))
        if all(one.id != entry.id for one in entries):
            append(file, to_line(entry))
    complain(f"Noted in {log}: {outcome}.")


@click.command(
    short_help="How a plan goes: weeks, flags, what is untouched.",
    epilog="\b\nExample:\n  calplan progress chemistry.json --request fixtures/chemistry-30.toml --log said.jsonl",
)
@click.argument("plan", metavar="PLAN")
@click.option("--request", metavar="REQUEST", required=True, help="The request that the plan was made from.")
@log_option
@as_of_option
def progress(plan: str, request: str, log: str | None, as_of: datetime | None) -> None:
    """Tell how a PLAN goes: a sentence, minutes by week, open flags, what is untouched, and what to ask a teacher."""
    one_input(plan, request, log)
    from textwrap import wrap

    from calplan.learned import known
    from calplan.progress import progress as going

    made = read_plan(plan, read_bytes(plan, MOST_PLAN))
    asked, said = request_for(made, request), entries_of(log)
    told = known(asked, made, said)
    found = going(made, asked, said, told, now=moment_in(as_of, made.zone))
    subjects = {exam.key: exam.subject for exam in asked.exams}
    titles = {(exam.key, one.key): one.title for exam in asked.exams for one in exam.materials}
    lines = [
        found.sentence,
        *(
            f"Week of {week.monday}: {week.done} of {week.planned} minutes done, {week.missed} missed, "
            f"{week.silent} without a word."
            for week in found.weeks
        ),
        *(f"Open flag {flag.importance}: {titles[flag.exam, flag.material]}, {flag.problem}." for flag in found.open),
        *(
            f"Untouched so far ({subjects[key]}): {', '.join(titles[key, one] for one in keys)}."
            for key, keys in found.untouched.items()
        ),
        *(ask.sentence for ask in (*made.asks, *told.asks)),
    ]
    tell(part for line in lines for part in wrap(line, width_of_output(), subsequent_indent="  "))


# --------------------------------------------------------------------------------------------------- what was said


def entries_of(name: str | None) -> Log:
    """The entries of a log; none where no file is named. Raises InvalidRequest with every line that is none."""
    from calplan.checkins import read_log

    return read_log(read_bytes(name, MOST_PLAN), label_of(name)) if name else ()


def wrong_lines(name: str) -> tuple[str, ...]:
    """What is wrong with a log as it is; nothing where there is none yet."""
    try:
        entries_of(name if os.path.exists(name) else None)
    except Exception as error:
        return refusal(error).lines
    return ()


def block_named(plan: Plan, name: str) -> tuple[str, list[str]]:
    """The UID of the block that a UID or a date names; or none, and why."""
    blocks: list[Block | PastBlock] = [*plan.past, *plan.blocks]
    found = [one.uid for one in blocks if not one.fixed and name in (one.uid, one.day.isoformat())]
    if len(found) == 1:
        return found[0], []
    if not found:
        return "", [f"{name}: The plan has no block of that date or UID."]
    return "", [f"{name}: That day has {len(found)} blocks; name one of them: {', '.join(found)}."]


def out_of_bounds(reached: int, minutes: int | None, sheet_pages: int | None) -> list[str]:
    """What of the numbers of a check-in cannot be, in sentences."""
    bounds = (("--reached", reached, 24 * 60), ("--minutes", minutes, 24 * 60), ("--sheet-pages", sheet_pages, 20))
    return [
        f"{option} {number}: This is out of bounds. Write a number from 0 to {most}."
        for option, number, most in bounds
        if number is not None and not 0 <= number <= most
    ]


def flags_of(plan: Plan, flags: Iterable[str]) -> tuple[tuple[Found, ...], list[str]]:
    """Flags as they were typed, by material; and a sentence for every one that cannot be read."""
    from calplan.checkins import Flag, Found

    exams = {item.material: task.exam for task in plan.tasks for item in task.items}
    found: dict[str, list[Flag]] = {}
    wrong = []
    remedy = "Write a material's key, a problem, 1, 2 or 3, and failed tries (0 to 99) if there were."
    for text in flags:
        match text.split():
            case [material, *_] if material not in exams:
                wrong.append(f"--flag {text!r}: The plan has no material with the key {material!r}. {remedy}")
            case [material, problem, "1" | "2" | "3" as importance, *tries] if may_be_tries(tries):
                flag = Flag(problem=problem, importance=int(importance), tries=int(tries[0]) if tries else 1)
                found.setdefault(material, []).append(flag)
            case _:
                wrong.append(f"--flag {text!r}: This is no flag. {remedy}")
    return tuple(Found(exam=exams[key], material=key, flags=tuple(mine)) for key, mine in found.items()), wrong


def may_be_tries(words: list[str]) -> bool:
    """Whether the words after a flag are failed tries, 0 to 99, or nothing."""
    return not words or (len(words) == 1 and words[0].isdecimal() and len(words[0]) <= 2)


@contextmanager
def adding_to(name: str) -> Iterator[IO[bytes]]:
    """A log that is read and added to, made where there is none; whoever else wants to add waits until this is over."""
    try:
        with open(name, "a+b") as file:
            lock(file)
            yield file
    except (OSError, ValueError) as error:
        raise file_refusal(name, error, "written") from error


def lock(file: IO[bytes]) -> None:
    """Waits until nobody else holds the file locked, and locks it until it is closed; without locks, does nothing."""
    try:
        from fcntl import LOCK_EX, flock
    except ImportError:  # no POSIX system
        return
    with suppress(OSError):  # a file system without locks
        flock(file, LOCK_EX)


def append(file: IO[bytes], line: bytes) -> None:
    """Adds a line, whole and on disk before this returns; a last line without an end gets one first."""
    if file.seek(0, os.SEEK_END):
        file.seek(-1, os.SEEK_END)
        line = line if file.read(1) == b"\n" else b"\n" + line
    file.write(line)
    file.flush()
    os.fsync(file.fileno())


COMMANDS = (mend, undo, check_in, progress)
