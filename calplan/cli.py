"""The command line: the commands under one name, none of which ends in a trace.

The commands themselves are in :mod:`calplan.cli_making`, :mod:`calplan.cli_underway` and :mod:`calplan.cli_cohort`.
"""

from __future__ import annotations

import os
import sys
from typing import Any

import click

from calplan import cli_cohort, cli_making, cli_underway
from calplan.console import EXIT_WORDS, Exit, Refusal, refusal


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


EXIT_HELP = "\b\nExit codes:\n" + "\n".join(f"  {code:<3} {words}" for code, words in EXIT_WORDS.items())


@click.group(
    cls=Guarded,
    context_settings={"help_option_names": ["-h", "--help"]},
    epilog=f"{EXIT_HELP}\n\n\b\nExample:\n  calplan make fixtures/chemistry-30.toml --ics chemistry.ics",
)
@click.version_option(package_name="calplan", message="%(prog)s %(version)s")
def commands() -> None:
    """Turn exams, class material and a half-full week into a dated study plan."""


for command in (*cli_making.COMMANDS, *cli_underway.COMMANDS, *cli_cohort.COMMANDS):
    commands.add_command(command)


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
