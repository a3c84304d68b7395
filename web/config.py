"""What an operator can set: defaults, and the CALPLAN_* environment variables that replace them.

Everything is read once, at the start, and all mistakes are told together.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

import msgspec

if TYPE_CHECKING:
    from collections.abc import Mapping

SCHEMES = ("sqlite", "postgresql")


class Settings(msgspec.Struct, frozen=True, kw_only=True):
    """The service's settings. Each is set by the environment variable of its name in capitals, with CALPLAN_ before it.

    ``data`` is the folder of the database and the key file. ``database_url`` is empty for an SQLite file there, else
    a SQLAlchemy address (``postgresql+psycopg://...``). ``public_url`` is the address under which people reach the
    service; it stands in calendars and QR codes. ``proxies`` counts the reverse proxies whose X-Forwarded-* headers
    are believed. ``keep_days`` are the days from the last exam until a plan is deleted. ``creations``, ``previews`` and
    ``misses`` are the plans that one address may make, the previews that it may ask for, and the addresses that never
    were which it may ask for, in an hour; ``kept_bytes`` is how much it may have stored in that time, as files and as
    versions of plans. ``cohort_key``, where it is set, is asked of whoever makes a cohort; ``members`` is the most rows
    of a roster that is uploaded; ``planners`` the processes that plan cohorts (0: one for each processor), and
    ``scheduler`` the address of a Dask scheduler whose cluster does it instead. ``clock_offset`` moves the service's
    clock by so many seconds; it exists for tests.
    """

    data: Path = Path("calplan-data")
    database_url: str = ""
    key_file: Path | None = None
    host: str = "127.0.0.1"
    port: int = 8080
    public_url: str = ""
    trusted_hosts: tuple[str, ...] = ()
    proxies: int = 0
    threads: int = 8
    keep_days: int = 60
    upload_bytes: int = 5_000_000
    body_bytes: int = 12_000_000
    creations: int = 60
    previews: int = 1_200
    misses: int = 600
    kept_bytes: int = 200_000_000
    cohort_key: str = ""
    members: int = 5_000
    planners: int = 0
    scheduler: str = ""
    clock_offset: int = 0

    @property
    def database(self) -> str:
        """The database's address for SQLAlchemy."""
        return self.database_url or f"sqlite:///{self.data / 'calplan.sqlite'}"

    @property
    def key_path(self) -> Path:
        """Where the server's key lies."""
        return self.key_file or self.data / "key"

    @property
    def address(self) -> str:
        """The address of the service without a slash at its end."""
        host = f"[{self.host}]" if ":" in self.host else self.host
        return (self.public_url or f"http://{host}:{self.port}").rstrip("/")


class BadSettings(Exception):
    """Settings that cannot be used; ``sentences`` says of each what is wrong and what to do."""

    def __init__(self, sentences: list[str]) -> None:
        self.sentences = tuple(sentences)
        super().__init__("\n".join(sentences))


def from_environment(environment: Mapping[str, str]) -> Settings:
    """The settings in an environment. Raises BadSettings with every mistake."""
    wrong: list[str] = []
    values: dict[str, object] = {}
    for field in msgspec.structs.fields(Settings):
        name = f"CALPLAN_{field.name.upper()}"
        text = environment.get(name, "").strip()
        if text:
            try:
                values[field.name] = _read(field.name, field.type, text)
            except ValueError as error:
                wrong.append(f"{name}: {error}")
    known = {f"CALPLAN_{field.name.upper()}" for field in msgspec.structs.fields(Settings)} | ELSEWHERE
    wrong += [
        f"{name}: there is no such setting. web/OPERATING.md lists them."
        for name in sorted(environment)
        if name.startswith("CALPLAN_") and name not in known
    ]
    if wrong:
        raise BadSettings(wrong)
    return Settings(**values)  # type: ignore[arg-type]


ELSEWHERE = {"CALPLAN_DEBUG", "CALPLAN_TEST_REQUIRE", "CALPLAN_TEST_DATABASE_URL"}
"""Variables of that prefix which are not settings of the service."""

HOST = re.compile(r"\.?[a-z0-9]([a-z0-9.-]*[a-z0-9])?|[0-9a-f:]*:[0-9a-f:.]*")
ADDRESS = re.compile(r"[A-Za-z0-9:/.\[\]~_-]+")
"""No blanks, no marks that end an address in a calendar, and no query or fragment."""

LEAST = {"port": 0, "planners": 0, "proxies": 0, "keep_days": 0, "clock_offset": -(10**9)}
MOST = {"port": 65_535, "proxies": 8, "threads": 256, "keep_days": 3_650}


def _read(name: str, kind: object, text: str) -> object:
    if kind is int:
        least, most = LEAST.get(name, 1), MOST.get(name, 10**9)
        if not (text.isascii() and text.removeprefix("-").isdecimal()) or not least <= int(text) <= most:
            raise ValueError(f"“{text}” is no whole number from {least} to {most}.")
        return int(text)
    if name == "trusted_hosts":
        return _hosts(text)
    if name in ("data", "key_file"):
        return Path(text)
    if name == "database_url" and urlsplit(text).scheme.split("+")[0] not in SCHEMES:
        raise ValueError("write sqlite:///FILE or postgresql+psycopg://USER@HOST/NAME.")
    if name == "public_url" and not _is_address(text):
        raise ValueError(f"“{text}” is no address; write it like https://plans.example.org.")
    return text


def _hosts(text: str) -> tuple[str, ...]:
    """Host names between commas; one that begins with a dot stands for all names below it."""
    hosts = tuple(part.strip().lower() for part in text.split(",") if part.strip())
    for host in hosts:
        if not HOST.fullmatch(host):
            raise ValueError(f"“{host}” is no host name; write it without scheme and port, like plans.example.org.")
    return hosts


def _is_address(text: str) -> bool:
    """Whether a text is the address of a site: scheme, host, perhaps a port and a path, and nothing else."""
    try:
        parts = urlsplit(text)
        port = parts.port
    except ValueError:
        return False
    whole = parts.scheme in ("http", "https") and parts.hostname and port != 0 and not parts.username
    return bool(whole and ADDRESS.fullmatch(text))
