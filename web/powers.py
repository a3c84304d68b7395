"""The five powers, the tokens that carry them, and the key that makes tokens.

Whoever holds an address may do what its token says and nothing else; there are no accounts (W3C TAG, Good Practices for
Capability URLs). A token is a plan's id, the generation of its link and an HMAC-SHA-256 (RFC 2104) of both and of the
power, under the server's key. So a token can be shown again at any time, the database holds nothing that opens a plan,
a forged token is refused without looking anything up, and a replaced one is known by its generation.
"""

from __future__ import annotations

import hmac
import os
from base64 import urlsafe_b64decode, urlsafe_b64encode
from binascii import Error as NotBase64
from contextlib import suppress
from enum import StrEnum
from hashlib import sha256
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

ID_BYTES, GENERATION_BYTES, MAC_BYTES = 12, 3, 18
TOKEN_LENGTH = (ID_BYTES + GENERATION_BYTES + MAC_BYTES) * 4 // 3
"""Characters of every token."""
KEY_BYTES = 32


class Power(StrEnum):
    """What an address lets its holder do."""

    FEED = "feed"  # read the calendar feed
    VIEW = "view"  # look at the plan
    CHECK_IN = "check-in"  # open the blocks that calendar events link to
    MANAGE = "manage"  # everything with one plan
    COHORT = "cohort"  # everything with a cohort


class Bearer(NamedTuple):
    """Whom a token stands for: a plan (or cohort), and the generation of the link."""

    id: str
    generation: int


class Keys:
    """Makes and reads tokens under one key of 32 bytes."""

    def __init__(self, key: bytes) -> None:
        if len(key) != KEY_BYTES:
            raise ValueError(f"a key has {KEY_BYTES} bytes, not {len(key)}")
        self._key = key

    def token(self, power: Power, id: str, generation: int) -> str:
        """The token of a plan's link; ``id`` is what :func:`new_id` made."""
        body = urlsafe_b64decode(id) + generation.to_bytes(GENERATION_BYTES, "big")
        return urlsafe_b64encode(body + self._mac(power, body)).decode()

    def read(self, power: Power, token: str) -> Bearer | None:
        """Whom a token stands for, or ``None`` where this key did not make it for this power."""
        if len(token) != TOKEN_LENGTH or not token.isascii():
            return None
        try:
            raw = urlsafe_b64decode(token)
        except (NotBase64, ValueError):
            return None
        body, mac = raw[:-MAC_BYTES], raw[-MAC_BYTES:]
        # Base64 readers skip what is not of the alphabet: only the one spelling that we write counts.
        if urlsafe_b64encode(raw).decode() != token or not hmac.compare_digest(mac, self._mac(power, body)):
            return None
        return Bearer(urlsafe_b64encode(body[:ID_BYTES]).decode(), int.from_bytes(body[ID_BYTES:], "big"))

    def _mac(self, power: Power, body: bytes) -> bytes:
        return hmac.digest(self._key, power.encode() + b"\0" + body, sha256)[:MAC_BYTES]


def new_id(entropy: Callable[[int], bytes]) -> str:
    """A new id: 96 bits of chance, in sixteen characters that an address can hold."""
    return urlsafe_b64encode(entropy(ID_BYTES)).decode()


def load_key(path: Path, entropy: Callable[[int], bytes]) -> bytes:
    """The server's key, made at the first start in a file that only its owner can read.

    Of two servers that start at once both get the same key: the file is linked into place whole, and never replaced.
    Raises ``ValueError`` where the file holds something else.
    """
    if not path.exists():
        path.parent.mkdir(parents=True, exist_ok=True)
        beside = path.with_name(f"{path.name}.{entropy(6).hex()}")
        with open(os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as file:
            file.write(entropy(KEY_BYTES).hex().encode() + b"\n")
            file.flush()
            os.fsync(file.fileno())
        try:
            with suppress(FileExistsError):  # another server was faster, and its key is the one that counts
                os.link(beside, path)
        finally:
            beside.unlink()
        folder = os.open(path.parent, os.O_RDONLY)
        try:
            os.fsync(folder)  # a plan that is kept must not outlive the key of its links
        finally:
            os.close(folder)
    text = path.read_text(encoding="ascii", errors="replace").strip()
    try:
        key = bytes.fromhex(text)
    except ValueError:
        key = b""
    if len(key) != KEY_BYTES:
        raise ValueError(
            f"{path} holds no key: {2 * KEY_BYTES} hexadecimal digits are expected. Restore it from a backup."
        )
    return key
