"""A feed's bytes: stored with placeholders where its links carry tokens, sent with the tokens in their place.

The database holds nothing that opens a plan, so a stored calendar holds none of the tokens that a sent one carries. A
placeholder is exactly as long as a token and made of the same characters, so that the lines are folded at the same
places (RFC 5545 §3.1) and the two differ in nothing but those characters.
"""

from __future__ import annotations

import re
from functools import partial
from typing import TYPE_CHECKING

from web.powers import TOKEN_LENGTH, Power

if TYPE_CHECKING:
    from collections.abc import Mapping


def _placeholder(name: str) -> str:
    """The name between long bars, as long as a token."""
    return name.center(TOKEN_LENGTH, "_")


PLACEHOLDERS = {
    Power.FEED: _placeholder("-the-feed-token-goes-here-"),
    Power.CHECK_IN: _placeholder("-the-check-in-token-goes-here-"),
}
"""What stands in stored bytes in place of each token."""

FOLD = re.compile(rb"\r\n[ \t]")
FOUND = {
    power: re.compile(rb"(?:\r\n[ \t])?".join(bytes([octet]) for octet in text.encode()))
    for power, text in PLACEHOLDERS.items()
}


def with_tokens(body: bytes, tokens: Mapping[Power, str]) -> bytes:
    """The bytes with each placeholder replaced by its token, also where a fold cuts it; length and folds stay.

    Raises ``ValueError`` where a token has not the length of all tokens.
    """
    for power, token in tokens.items():
        if len(token) != TOKEN_LENGTH:
            raise ValueError(f"a token has {TOKEN_LENGTH} characters, not {len(token)}")
        body = FOUND[power].sub(partial(_folded, token.encode()), body)
    return body


def _folded(new: bytes, old: re.Match[bytes]) -> bytes:
    """``new`` with the folds of what was found."""
    for fold in FOLD.finditer(old[0]):
        new = new[: fold.start()] + fold[0] + new[fold.start() :]
    return new


def is_whole(body: bytes) -> bool:
    """Whether these bytes are a calendar from its first line to its last.

    Anything else, an empty answer above all, may make a calendar program delete every event it knows.
    """
    return body.startswith(b"BEGIN:VCALENDAR\r\n") and body.endswith(b"\r\nEND:VCALENDAR\r\n")
