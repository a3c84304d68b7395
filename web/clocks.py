"""Times of day as the reader's language writes them; all that a server knows of that is Accept-Language."""

from __future__ import annotations

from datetime import datetime, time
from typing import Literal

from calplan.sentences import long_day

Clocks = Literal["12", "24"]


def clock_style(accept_language: str) -> Clocks:
    """Whether the most preferred language of an Accept-Language header (RFC 9110 §12.5.4) counts 12 hours or 24.

    A language that says so itself is believed (``-u-hc-h12``, Unicode Technical Standard 35). Without a header, and for
    languages that say nothing of a region, it is 24.
    """
    ranked = sorted(enumerate(accept_language.lower().split(",")), key=lambda one: (-weight(one[1]), one[0]))
    tag = next((text.partition(";")[0].strip() for _, text in ranked if weight(text) > 0), "")
    plain, _, extension = tag.replace("_", "-").partition("-u-")
    if "hc-" in extension:
        return "12" if "hc-h1" in extension else "24"
    parts = plain.split("-")
    region = next((part for part in parts[1:] if len(part) == 2 and part.isalpha()), "")
    return "12" if parts[0] in TWELVE_ANYWHERE or f"{parts[0]}-{region}" in TWELVE_THERE else "24"


def weight(entry: str) -> float:
    """The weight of an entry of the header; 0 where it is none, or stands for any language."""
    tag, _, parameter = entry.partition(";")
    if not tag.strip() or tag.strip() == "*":
        return 0
    name, _, number = parameter.partition("=")
    if name.strip() != "q":
        return 1
    try:
        return min(max(float(number), 0), 1)
    except ValueError:
        return 0


TWELVE_ANYWHERE = frozenset(["bn", "fil", "gu", "hi", "kn", "ko", "ml", "mr", "pa", "ta", "te", "ur"])
TWELVE_THERE = frozenset(
    [
        *("en-ag", "en-au", "en-bb", "en-bs", "en-ca", "en-fj", "en-gm", "en-gu", "en-gy", "en-hk", "en-in", "en-jm"),
        *("en-lc", "en-mw", "en-my", "en-nz", "en-ph", "en-pk", "en-pr", "en-sg", "en-tt", "en-us", "en-vi"),
        *("es-co", "es-do", "es-pa", "es-pr", "es-us", "es-ve"),
        *("ar-ae", "ar-bh", "ar-eg", "ar-iq", "ar-jo", "ar-kw", "ar-lb", "ar-om", "ar-qa", "ar-sa", "ar-sy", "ar-ye"),
    ]
)
"""Where a clock has 12 hours (after the time data of the Unicode CLDR, from memory)."""


def clock(moment: datetime | time, style: str = "24") -> str:
    """A time of day: "16:05", or "4:05 pm" where ``style`` is "12"."""
    if style != "12":
        return f"{moment.hour:02}:{moment.minute:02}"
    return f"{(moment.hour + 11) % 12 + 1}:{moment.minute:02}\N{NO-BREAK SPACE}{'pm' if moment.hour >= 12 else 'am'}"


def day_and_time(moment: datetime, style: str = "24") -> str:
    """A date in full and a time of day."""
    return f"{long_day(moment.date())}, {clock(moment, style)}"
