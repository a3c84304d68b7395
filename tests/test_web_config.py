"""Settings come from the environment; every mistake is told at once, by the name of its variable and with a way out."""

from __future__ import annotations

from pathlib import Path

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from web.config import BadSettings, Settings, from_environment


def test_an_empty_environment_gives_the_defaults():
    assert from_environment({}) == Settings()
    assert from_environment({"PATH": "/bin", "CALPLAN_PORT": "  "}) == Settings()


def test_every_setting_is_read():
    """One value for each field, so that a new field cannot be forgotten here."""
    told = {
        "data": ("/srv/plans", Path("/srv/plans")),
        "database_url": ("postgresql+psycopg://calplan@db/plans", "postgresql+psycopg://calplan@db/plans"),
        "key_file": ("/etc/key", Path("/etc/key")),
        "host": ("0.0.0.0", "0.0.0.0"),
        "port": ("0", 0),
        "public_url": ("https://plans.example.org/calendar", "https://plans.example.org/calendar"),
        "trusted_hosts": ("One.example, .two.example,::1", ("one.example", ".two.example", "::1")),
        "proxies": ("2", 2),
        "threads": ("16", 16),
        "keep_days": ("0", 0),
        "upload_bytes": ("1000", 1000),
        "body_bytes": ("2000", 2000),
        "creations": ("1", 1),
        "previews": ("2", 2),
        "misses": ("3", 3),
        "kept_bytes": ("4000", 4000),
        "cohort_key": ("open sesame", "open sesame"),
        "members": ("400", 400),
        "planners": ("0", 0),
        "scheduler": ("tcp://127.0.0.1:8786", "tcp://127.0.0.1:8786"),
        "clock_offset": ("-86400", -86400),
    }
    fields = {field.name for field in msgspec.structs.fields(Settings)}
    assert set(told) == fields
    read = from_environment({f"CALPLAN_{name.upper()}": text for name, (text, _) in told.items()})
    assert {name: getattr(read, name) for name in fields} == {name: value for name, (_, value) in told.items()}


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("PORT", "65536"),
        ("PORT", "-1"),
        ("PORT", "eighty"),
        ("PORT", "80.0"),
        ("PORT", "٣"),
        ("PORT", "--1"),
        ("THREADS", "0"),
        ("THREADS", "257"),
        ("PROXIES", "9"),
        ("KEEP_DAYS", "-1"),
        ("BODY_BYTES", "0"),
        ("CREATIONS", "0"),
        ("DATABASE_URL", "mysql://x"),
        ("DATABASE_URL", "plans.sqlite"),
        ("PUBLIC_URL", "plans.example.org"),
        ("PUBLIC_URL", "ftp://plans.example.org"),
        ("PUBLIC_URL", "https://"),
        ("PUBLIC_URL", "https://:443"),
        ("PUBLIC_URL", "https://plans.example.org:99999"),
        ("PUBLIC_URL", "https://plans.example.org:0"),
        ("PUBLIC_URL", "https://me@plans.example.org"),
        ("PUBLIC_URL", "https://plans.example.org/?x"),
        ("PUBLIC_URL", "https://plans.example.org/#x"),
        ("PUBLIC_URL", "https://[::1"),
        ("PUBLIC_URL", "https://plans.example.org/a b"),
        ("PUBLIC_URL", "https://plans.example.org/\r\nX"),
        ("TRUSTED_HOSTS", "https://plans.example.org"),
        ("TRUSTED_HOSTS", "plans.example.org:443"),
        ("TRUSTED_HOSTS", "a.example, b example"),
        ("TRUSTED_HOSTS", "."),
    ],
)
def test_what_cannot_be_meant_is_refused_by_name(name, text):
    with pytest.raises(BadSettings) as caught:
        from_environment({f"CALPLAN_{name}": text})
    (sentence,) = caught.value.sentences
    assert sentence.startswith(f"CALPLAN_{name}: ")
    assert sentence.endswith(".")


def test_all_mistakes_come_at_once():
    with pytest.raises(BadSettings) as caught:
        from_environment({"CALPLAN_PORT": "x", "CALPLAN_THREADS": "0", "CALPLAN_PORTS": "8080"})
    assert [sentence.partition(":")[0] for sentence in caught.value.sentences] == [
        "CALPLAN_PORT",
        "CALPLAN_THREADS",
        "CALPLAN_PORTS",
    ]


def test_a_misspelt_setting_is_told():
    """A setting that silently does nothing may be one that was meant to protect."""
    with pytest.raises(BadSettings, match="CALPLAN_TRUSTED_HOST: there is no such setting"):
        from_environment({"CALPLAN_TRUSTED_HOST": "plans.example.org"})


@given(st.dictionaries(st.sampled_from([f.name.upper() for f in msgspec.structs.fields(Settings)]), st.text()))
def test_any_text_gives_settings_or_sentences(told):
    try:
        settings = from_environment({f"CALPLAN_{name}": text for name, text in told.items()})
    except BadSettings:
        return
    assert 0 <= settings.port <= 65_535


@pytest.mark.parametrize(
    ("settings", "address"),
    [
        (Settings(), "http://127.0.0.1:8080"),
        (Settings(host="::1", port=9), "http://[::1]:9"),
        (Settings(public_url="https://plans.example.org/"), "https://plans.example.org"),
        (Settings(public_url="https://example.org/plans"), "https://example.org/plans"),
    ],
)
def test_the_address_has_no_slash_at_its_end(settings, address):
    assert settings.address == address


def test_the_database_and_the_key_lie_with_the_data_unless_told_otherwise():
    assert Settings(data=Path("d")).database == "sqlite:///d/calplan.sqlite"
    assert Settings(data=Path("d")).key_path == Path("d/key")
    assert Settings(key_file=Path("/k")).key_path == Path("/k")
    assert Settings(database_url="postgresql://x/y").database == "postgresql://x/y"
