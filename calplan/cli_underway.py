"""The commands for a plan under way: what became of a block, mending, and how it goes."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, Any

import click

from calplan.console import (
    MOST_PLAN,
    Exit,
    Refusal,
    as_of_option,
    calendars_option,
    complain,
    count,
    file_refusal,
    keep_apart,
    label_of,
    load,
    moment_in,
    one_input,
    read_bytes,
    read_plan,
    request_for,
    tell,
    working,
    write,
)

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import datetime

    from calplan.checkins import CheckIn, Found, Log
    from calplan.model import Block, PastBlock, Plan


log_option = click.option("--log", metavar="FILE", help="What was said of the blocks: one entry of JSON a line.")


@click.command(
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


@click.command(
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


@click.command(
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


COMMANDS = (mend, check_in, progress)
