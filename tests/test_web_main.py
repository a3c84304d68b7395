"""The service behind one command, and the commands of those who look after it."""

from __future__ import annotations

import os
import re
import signal
import socket
import subprocess
import sys
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.error import URLError
from urllib.request import urlopen

import pytest
from click.testing import CliRunner, Result

from tests import served
from tests.judges import assert_agree
from web import demo, store
from web.__main__ import loopback, main

if TYPE_CHECKING:
    from collections.abc import Iterator

ROOT = Path(__file__).parent.parent


def run(*arguments: str, data: Path, **settings: str) -> Result:
    """What a command says and ends with."""
    environment = {"CALPLAN_DATA": str(data)} | {f"CALPLAN_{name.upper()}": value for name, value in settings.items()}
    return CliRunner().invoke(main, arguments, env=environment, catch_exceptions=False)


@pytest.fixture
def data(tmp_path: Path) -> Path:
    """The folder of a service that holds one plan."""
    app = served.application(tmp_path)
    served.keep(app)
    served.service_of(app).engine.dispose()
    return tmp_path / "data"


def ids(data: Path) -> list[str]:
    """The plans in a folder."""
    engine = store.open_engine(f"sqlite:///{data / 'calplan.sqlite'}")
    with store.reading(engine) as connection:
        found = list(store.all_ids(connection))
    engine.dispose()
    return found


# ----------------------------------------------------------------------------------------------------- starting


def test_settings_that_cannot_be_used_are_all_told_and_nothing_starts(tmp_path: Path) -> None:
    result = run(data=tmp_path, port="http", threads="0", colour="blue")
    assert result.exit_code == 1
    for name in ("CALPLAN_PORT", "CALPLAN_THREADS", "CALPLAN_COLOUR"):
        assert name in result.stderr
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("host", ["0.0.0.0", "::", "192.0.2.1", "plans.example"])
def test_what_other_machines_can_reach_needs_an_address_that_people_use(tmp_path: Path, host: str) -> None:
    result = run(data=tmp_path, host=host)
    assert result.exit_code == 1
    assert "CALPLAN_PUBLIC_URL" in result.stderr


@pytest.mark.parametrize("host", ["127.0.0.1", "127.8.8.8", "::1", "localhost"])
def test_this_machine_alone_needs_nothing(host: str) -> None:
    assert loopback(host)


def test_a_port_that_is_taken_is_told(tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        result = run("--port", str(taken.getsockname()[1]), data=tmp_path)
    assert result.exit_code == 1
    assert "Choose another port" in result.stderr


def test_a_broken_key_file_is_told(data: Path) -> None:
    (data / "key").write_text("no key at all")
    result = run("--port", "0", data=data)
    assert result.exit_code == 1
    assert "Restore it from a backup" in result.stderr


@contextmanager
def serving(folder: Path, *arguments: str) -> Iterator[dict[str, str]]:
    """The command in a process of its own; gives what it says, by what stands before the colon."""
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "CALPLAN_DATA": str(folder / "data")}
    command = [sys.executable, "-m", "web", "--port", "0", *arguments]
    with subprocess.Popen(command, cwd=folder, env=environment, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        said = {}
        for line in process.stdout:
            name, _, rest = line.partition(":")
            said[name] = rest.strip()
            if "Stop with Ctrl-C." in line:
                said["last"] = line
                break
        try:
            yield said
        finally:
            process.send_signal(signal.SIGTERM)
            assert process.wait(timeout=30) == 0


def test_the_demonstration_says_where_to_look_and_writes_the_calendar_that_it_serves(tmp_path: Path) -> None:
    with serving(tmp_path, "--demo") as said:
        pages = [urlopen(said[name], timeout=30).read().decode() for name in ("The plan", "Read-only")]
        feed = urlopen(said["The calendar"], timeout=30).read()
    assert all("Chemistry final" in page and "Tuesday 12 January 2027" in page for page in pages)
    assert feed == (tmp_path / "demo.ics").read_bytes()
    assert_agree(feed)
    with pytest.raises(URLError):
        urlopen(said["The plan"], timeout=5)


def test_the_demonstration_is_the_same_when_it_starts_again(tmp_path: Path) -> None:
    found = []
    for name in ("one.ics", "two.ics"):
        with serving(tmp_path, "--demo", "--ics", name) as said:
            found.append(re.sub(r":\d+/", "/", said["The plan"]))
    assert found[0] == found[1]
    assert re.fullmatch(r"/plan/[A-Za-z0-9_-]{44}", found[0].removeprefix("http://127.0.0.1"))


def test_the_service_itself_says_where_it_is(tmp_path: Path) -> None:
    with serving(tmp_path) as said:
        address = re.findall(r"http://127\.0\.0\.1:\d+", said["last"])[0]
        assert b"Make a plan" in urlopen(address, timeout=30).read()
        assert urlopen(f"{address}/health", timeout=30).read() == b"fine\n"


# ------------------------------------------------------------------------------------------------ for operators


def test_tidying_deletes_what_has_ended_and_nothing_else(data: Path) -> None:
    (plan_id,) = ids(data)
    assert run("tidy", data=data, clock_offset="0").exit_code == 0
    assert ids(data) == [plan_id]
    years = str(round(timedelta(days=3650).total_seconds()))
    result = run("tidy", data=data, clock_offset=years)
    assert "Deleted: plans 1, cohorts 0, uploads 0. Feeds rendered anew: 0 of 0." in result.stdout
    assert ids(data) == []


def test_a_new_address_reaches_the_feeds_by_command(data: Path) -> None:
    result = run("tidy", "--render", data=data, public_url="https://plans.example.org")
    assert "Feeds rendered anew: 1 of 1." in result.stdout
    assert (
        "Feeds rendered anew: 0 of 1."
        in run("tidy", "--render", data=data, public_url="https://plans.example.org").stdout
    )


def test_a_backup_comes_back_in_an_empty_place_and_overwrites_nothing(data: Path, tmp_path: Path) -> None:
    result = run("backup", str(tmp_path / "backups"), data=data)
    assert result.exit_code == 0, result.stderr
    (made,) = (tmp_path / "backups").iterdir()
    again = tmp_path / "again"
    assert run("restore", str(made), data=again).exit_code == 0
    assert ids(again) == ids(data)
    assert (again / "key").read_bytes() == (data / "key").read_bytes()
    refused = run("restore", str(made), data=again)
    assert refused.exit_code == 1
    assert "exists already" in refused.stderr


@pytest.mark.parametrize("command", [("tidy",), ("backup", "somewhere")])
def test_where_there_is_no_service_nothing_is_made(tmp_path: Path, command: tuple[str, ...]) -> None:
    result = run(*command, data=tmp_path / "nothing")
    assert result.exit_code == 1
    assert "There is no service here yet" in result.stderr
    assert not (tmp_path / "nothing").exists()


def test_the_demonstrations_clock_starts_where_its_plan_says() -> None:
    now = served.NOW
    assert now + demo.offset(now) == demo.NOW
