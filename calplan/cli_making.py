"""The commands of making: a plan from a request, shown, checked, and what putting it off costs."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from calplan.console import (
    MOST_PLAN,
    REPORT,
    Exit,
    Refusal,
    as_of_option,
    calendars_option,
    complain,
    count,
    is_plan,
    keep_apart,
    load,
    moment_in,
    one_input,
    read_bytes,
    read_plan,
    refusal,
    request_for,
    resolved,
    show_plan,
    shown_name,
    stand_in,
    tell,
    width_of_output,
    working,
    write,
)

if TYPE_CHECKING:
    from datetime import datetime


@click.command(
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
    keep_apart({"REQUEST": request}, {"--ics": ics, "--plan": plan})
    from calplan.ical import feed
    from calplan.model import to_json
    from calplan.planner import make_plan

    with working("Making the plan"):
        asked, files = load(request, calendars)
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


@click.command(
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


@click.command(
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


@click.command(
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
        asked, files = load(request, calendars)
        steps = planner.trade_off(asked, files, as_of=moment_in(as_of, asked.zone))
    if as_json:
        import json

        tell([json.dumps({"schema": 1, "steps": [plain(step) for step in steps]}, indent=2)])
    else:
        tell(chart.trade_off_lines(steps, width=width_of_output()))


# ------------------------------------------------------------------------------------------------------ checking


def check_request(name: str, data: bytes, as_of: datetime | None, calendars: str | None) -> str:
    """Reads a request with its calendars; gives what it is, or raises with every problem."""
    request, files = resolved(name, data, calendars)
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


COMMANDS = (make, show, check, trade_off)
