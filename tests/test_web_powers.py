"""A token opens what it says and nothing else; the key is made once and never replaced."""

from __future__ import annotations

import hmac
import os
import stat
from base64 import urlsafe_b64decode, urlsafe_b64encode
from concurrent.futures import ThreadPoolExecutor
from hashlib import sha256

import pytest
from hypothesis import given
from hypothesis import strategies as st

from web.powers import GENERATION_BYTES, ID_BYTES, KEY_BYTES, TOKEN_LENGTH, Bearer, Keys, Power, load_key, new_id

KEY = bytes(range(KEY_BYTES))
KEYS = Keys(KEY)

ids = st.binary(min_size=ID_BYTES, max_size=ID_BYTES).map(lambda raw: urlsafe_b64encode(raw).decode())
generations = st.integers(0, 2 ** (8 * GENERATION_BYTES) - 1)
powers = st.sampled_from(Power)


# ------------------------------------------------------------------------------------------------------------- tokens


@given(powers, ids, generations)
def test_a_token_reads_back_as_whom_it_was_made_for(power, plan_id, generation):
    token = KEYS.token(power, plan_id, generation)
    assert len(token) == TOKEN_LENGTH
    assert KEYS.read(power, token) == Bearer(plan_id, generation)


@given(powers, powers, ids, generations)
def test_a_token_opens_with_its_own_power_alone(power, other, plan_id, generation):
    opened = KEYS.read(other, KEYS.token(power, plan_id, generation))
    assert (opened is not None) == (power is other)


@given(powers, ids, generations, st.integers(0, TOKEN_LENGTH - 1), st.integers(1, 63))
def test_one_changed_character_makes_it_worthless(power, plan_id, generation, at, by):
    alphabet = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_"
    token = KEYS.token(power, plan_id, generation)
    other = alphabet[(alphabet.index(token[at]) + by) % 64]
    assert KEYS.read(power, token[:at] + other + token[at + 1 :]) is None


@given(powers, st.one_of(st.text(max_size=60), st.text(min_size=TOKEN_LENGTH, max_size=TOKEN_LENGTH)))
def test_any_text_is_read_without_a_fault(power, text):
    assert KEYS.read(power, text) is None


def test_a_token_has_one_spelling():
    """Base64 readers take "+" for "-" or skip what they do not know; two spellings would be two addresses."""
    for number in range(200):
        token = KEYS.token(Power.FEED, new_id(lambda size, n=number: sha256(bytes([n])).digest()[:size]), number)
        for spelling in (
            token.replace("-", "+").replace("_", "/"),
            token + "=",
            token + "\n",
            " " + token,
            token[:-1],
            token + "A",
        ):
            assert (KEYS.read(Power.FEED, spelling) is not None) == (spelling == token)


def test_another_servers_tokens_are_worthless():
    other = Keys(bytes(KEY_BYTES))
    plan_id = new_id(os.urandom)
    assert KEYS.read(Power.MANAGE, other.token(Power.MANAGE, plan_id, 1)) is None


def test_the_code_in_a_token_is_an_hmac_of_power_id_and_generation():
    """RFC 2104 with SHA-256, worked out here once more with the other interface of the standard library."""
    plan_id = new_id(lambda size: b"\x01" * size)
    raw = urlsafe_b64decode(KEYS.token(Power.VIEW, plan_id, 258))
    assert raw[:15] == b"\x01" * 12 + b"\x00\x01\x02"
    assert raw[15:] == hmac.new(KEY, b"view\x00" + raw[:15], sha256).digest()[:18]


@pytest.mark.parametrize("size", [0, 16, 31, 33, 64])
def test_a_key_has_its_length(size):
    with pytest.raises(ValueError, match="32 bytes"):
        Keys(bytes(size))


def test_ids_are_all_of_the_chance_that_they_are_given():
    assert new_id(lambda size: b"\xff" * size) == "_" * 16
    assert len({new_id(os.urandom) for _ in range(1_000)}) == 1_000


# ------------------------------------------------------------------------------------------------------- the key file


def test_the_key_is_made_once_and_only_its_owner_can_read_it(tmp_path):
    path = tmp_path / "new" / "key"
    key = load_key(path, os.urandom)
    assert load_key(path, lambda size: pytest.fail("no second key")) == key
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert [one.name for one in path.parent.iterdir()] == ["key"]


def test_servers_that_start_at_once_have_the_same_key(tmp_path):
    with ThreadPoolExecutor(16) as pool:
        keys = set(pool.map(lambda _: load_key(tmp_path / "key", os.urandom), range(64)))
    assert len(keys) == 1
    assert [one.name for one in tmp_path.iterdir()] == ["key"]


@pytest.mark.parametrize("text", ["", "not a key", "ab" * 31, "ab" * 33, "zz" * 32, "\xff\xfe" * 16])
def test_a_broken_key_file_is_said_and_kept(tmp_path, text):
    """A new key would end every link there is, so no file is ever replaced."""
    path = tmp_path / "key"
    path.write_bytes(text.encode("latin-1"))
    with pytest.raises(ValueError, match="Restore it from a backup"):
        load_key(path, os.urandom)
    assert path.read_bytes() == text.encode("latin-1")


def test_a_key_file_that_cannot_be_written_leaves_nothing_behind(tmp_path):
    """Chance that fails in the middle stands for any fault between the start and the whole file."""

    def chance(size: int) -> bytes:
        if size == KEY_BYTES:
            raise OSError("no chance left")
        return os.urandom(size)

    with pytest.raises(OSError, match="no chance left"):
        load_key(tmp_path / "key", chance)
    assert not (tmp_path / "key").exists()
    assert len(load_key(tmp_path / "key", os.urandom)) == KEY_BYTES
