"""The service behind one command: ``python -m web`` serves it, and its commands look after it.

waitress serves: it is one process of pure Python, and clients that stall do not stop it, given enough connections.
"""

from __future__ import annotations

import os
import signal
import socket
import sys
from ipaddress import ip_address
from pathlib import Path
from typing import TYPE_CHECKING

import click
import msgspec
from waitress.server import create_server

from web import create_app, demo, feed, plans, store, system_clock, upkeep
from web.config import BadSettings, Settings, from_environment

if TYPE_CHECKING:
    from flask import Flask

    from web.service import Service

CONNECTIONS, STALLED_SECONDS = 2_000, 20
"""waitress's own limit of 100 connections lets 100 stalled clients stop the service."""

TURN_SECONDS = 0.0002
"""How long a thread that plans keeps the others waiting. Python's own 5 ms let two plannings slow the feeds a
hundredfold; with this it is a few milliseconds (measured)."""


@click.group(invoke_without_command=True)
@click.option("--demo", "demonstrate", is_flag=True, help="Serve an invented plan, with a clock that stands in it.")
@click.option(
    "--ics",
    type=click.Path(dir_okay=False, path_type=Path),
    default=Path("demo.ics"),
    show_default=True,
    help="Where --demo writes its calendar.",
)
@click.option("--port", type=click.IntRange(0, 65_535), help="The port, in place of CALPLAN_PORT (0: any free one).")
@click.pass_context
def main(context: click.Context, demonstrate: bool, ics: Path, port: int | None) -> None:
    """Serve calplan's pages and calendar feeds.

    Without a command this starts the service. Settings come from CALPLAN_* variables; web/OPERATING.md lists them.
    """
    settings = read_settings()
    if port is not None:
        settings = msgspec.structs.replace(settings, port=port)
    context.obj = settings
    if context.invoked_subcommand is not None:
        return
    serve(for_demo(settings) if demonstrate else settings, ics if demonstrate else None)


# ------------------------------------------------------------------------------------------------ for operators


@main.command()
@click.option("--render", "always", is_flag=True, help="Also render every feed anew, after CALPLAN_PUBLIC_URL changed.")
@click.pass_obj
def tidy(settings: Settings, always: bool) -> None:
    """Delete old plans, and follow new time zone data.

    Run it once a day. Plans go CALPLAN_KEEP_DAYS after their last exam, uploads that no plan was made of after a day.
    """
    service = for_operator(settings)
    try:
        done = upkeep.tidy(service.engine, now=service.clock(), keep_days=settings.keep_days)
        with store.reading(service.engine) as connection:
            ids = list(store.all_ids(connection))
        rendered = 0
        for plan_id in ids:
            with store.writing(service.engine) as connection:
                rendered += plans.render_again(service, connection, plan_id, always=always)
    except store.Unavailable as error:
        raise click.ClickException(str(error)) from None
    click.echo(
        f"Deleted: plans {done.plans}, cohorts {done.cohorts}, uploads {done.uploads}. "
        f"Feeds rendered anew: {rendered} of {len(ids)}."
    )
    if not done.forgotten:
        click.echo("The database was busy; what was deleted leaves its file at the next tidying.")


@main.command()
@click.argument("folder", type=click.Path(file_okay=False, path_type=Path))
@click.pass_obj
def backup(settings: Settings, folder: Path) -> None:
    """Write the database and the key into a new folder within FOLDER, while the service serves.

    The two together open every plan: keep the folder as you keep the service's own.
    """
    service = for_operator(settings)
    try:
        made = upkeep.backup(service.engine, folder, key_file=settings.key_path, now=service.clock())
    except (upkeep.NotDone, store.Unavailable) as error:
        raise click.ClickException(str(error)) from None
    click.echo(f"Wrote {made}.")


@main.command()
@click.argument("folder", type=click.Path(file_okay=False, exists=True, path_type=Path))
@click.pass_obj
def restore(settings: Settings, folder: Path) -> None:
    """Put the backup FOLDER into an empty place; nothing is ever overwritten."""
    engine = store.open_engine(settings.database)
    try:
        upkeep.restore(engine, folder, key_file=settings.key_path)
    except (upkeep.NotDone, store.Unavailable) as error:
        raise click.ClickException(str(error)) from None
    finally:
        engine.dispose()
    click.echo("Restored. Start the service again.")


def for_operator(settings: Settings) -> Service:
    """The service's parts, for a command that works on its data."""
    if not settings.key_path.exists():
        raise click.ClickException(f"There is no service here yet: {settings.key_path} is missing. Set CALPLAN_DATA.")
    service: Service = application(settings).extensions["calplan"]
    return service


# ------------------------------------------------------------------------------------------------------ serving


def read_settings() -> Settings:
    """The settings of the environment; every mistake is told, and ends the command."""
    try:
        return from_environment(os.environ)
    except BadSettings as bad:
        raise click.ClickException("These settings cannot be used:\n" + "\n".join(bad.sentences)) from None


def for_demo(settings: Settings) -> Settings:
    """The settings of a demonstration: data of its own, and the clock of its plan."""
    offset = round(demo.offset(system_clock()).total_seconds())
    data = settings.data.with_name(f"{settings.data.name}-demo")
    return msgspec.structs.replace(settings, data=data, database_url="", key_file=None, clock_offset=offset)


def serve(settings: Settings, ics: Path | None) -> None:
    """Serves until it is stopped; with ``ics`` the demonstration, whose calendar goes there."""
    sys.setswitchinterval(TURN_SECONDS)
    signal.signal(signal.SIGTERM, lambda *_: sys.exit())  # ends as on Ctrl-C, with everything written down
    with listen(settings) as listening:
        settings = msgspec.structs.replace(settings, port=listening.getsockname()[1])
        app = application(settings)
        try:
            server = create_server(
                app,
                sockets=[listening],
                threads=settings.threads,
                connection_limit=CONNECTIONS,
                channel_timeout=STALLED_SECONDS,
                max_request_body_size=settings.body_bytes,
                ident=None,
            )
            app.extensions["calplan.runner"].start_all()
            tell(app, ics)
            server.run()
        finally:
            app.extensions["calplan.runner"].close()
            feed.close(app)
            app.extensions["calplan"].engine.dispose()


def tell(app: Flask, ics: Path | None) -> None:
    """Says where the service is; with ``ics`` makes the demonstration's plan, and writes its calendar."""
    service: Service = app.extensions["calplan"]
    if ics is None:
        click.echo(f"Serving on {service.settings.address}. Stop with Ctrl-C.")
    else:
        shown = demo.show(service)
        ics.write_bytes(shown.calendar)
        click.echo(f"A plan for an invented chemistry final; its clock stands at {demo.NOW:%A %d %B %Y}.")
        click.echo(f"The plan:      {shown.plan}")
        click.echo(f"Read-only:     {shown.view}")
        click.echo(f"The calendar:  {shown.feed}")
        click.echo(f"The same, as a file: {ics}")
        click.echo("Stop with Ctrl-C.")
    sys.stdout.flush()


def listen(settings: Settings) -> socket.socket:
    """The socket that the service listens on; a clear sentence where it cannot be had, or should not."""
    if not loopback(settings.host) and not settings.public_url:
        raise click.ClickException(
            f"{settings.host} can be reached from other machines. Say with CALPLAN_PUBLIC_URL under which address "
            "people reach the service, since calendars carry it; web/OPERATING.md says how to put TLS in front."
        )
    family = socket.AF_INET6 if ":" in settings.host else socket.AF_INET
    try:
        return socket.create_server((settings.host, settings.port), family=family, backlog=1024)
    except OSError as error:
        raise click.ClickException(
            f"Nothing can listen on {settings.host}, port {settings.port}: {error.strerror or error}. "
            "Choose another port with --port or CALPLAN_PORT."
        ) from None


def loopback(host: str) -> bool:
    """Whether only this machine can reach an address."""
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def application(settings: Settings) -> Flask:
    """The application, or a clear sentence about what stands in its way."""
    try:
        return create_app(settings)
    except (ValueError, OSError, store.Unavailable) as error:
        raise click.ClickException(str(error)) from None


if __name__ == "__main__":
    main(prog_name="python -m web")
