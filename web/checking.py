"""What a student says of a block, as the form has it: fields become an entry of the log. Knows no Flask.

The form carries a number of its own, so that a button pressed twice is one entry; with other contents it is another
one, so that nothing that was said is dropped. Everything that is wrong is told at once, and stays in its field.
"""

from __future__ import annotations

import json
import re
from typing import TYPE_CHECKING, NamedTuple

from calplan.checkins import CheckIn, Flag, Found, Outcome, Undone, standing
from calplan.learned import blocks_of, known
from calplan.model import UNIT, Block, Role, block_units, identity
from calplan.wording import one_line

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime

    from calplan.checkins import Log
    from calplan.learned import Known, Work
    from calplan.model import PastBlock, Plan, Request

MOST_WORDS = 200
"""Characters in which one can say what was done instead."""
MOST_FLAGS = 40
"""Flags of one material in one check-in."""
FLAG = re.compile(r"(\S{1,20})\s+([123])(?:\s*x\s*([0-9]{1,2}))?", re.IGNORECASE)


class Piece(NamedTuple):
    """A material that a block works on, and the names of its two fields."""

    exam: str
    material: str
    title: str
    wrong: str
    flags: str


class Standing(NamedTuple):
    """What stands about a block: its last word, and how many other words on it were not taken back."""

    word: CheckIn | None
    others: int


def standing_of(log: Log, uid: str) -> Standing:
    """What stands about a block."""
    mine = [entry for entry in standing(log) if entry.block == uid]
    return Standing(mine[-1] if mine else None, max(0, len(mine) - 1))


def pieces_of(plan: Plan, request: Request, block: Block | PastBlock, log: Log) -> tuple[Piece, ...]:
    """The materials that a block works on or, once it is over, has worked on, each once; none that has gone.

    The second pass over a kind works on what was flagged in it, now or earlier; where nothing was, on all of the kind.
    Fields are named by the material's own key, so that a plan that is mended meanwhile puts nothing into another one.
    """
    titles = {(exam.key, one.key): one.title for exam in request.exams for one in exam.materials}
    found: dict[tuple[str, str], None] = {}
    for work in blocks_of(plan)[block.uid].works:
        keys = work.by_material(work.units) or flagged_in(request, known(request, plan, log), work)
        found.update(dict.fromkeys(one for one in titles if one[0] == work.exam and one[1] in keys))
    return tuple(
        Piece(exam, material, one_line(titles[exam, material]), f"wrong-{material}", f"flags-{material}")
        for exam, material in found
    )


def flagged_in(request: Request, told: Known, work: Work) -> tuple[str, ...]:
    """The materials that a second pass over a kind is for; none where the work is no such pass."""
    if work.role is not Role.CONSOLIDATE or work.kind is None:
        return ()
    flagged = {flag.material for flag in told.flags if (flag.exam, flag.kind) == (work.exam, work.kind)}
    exams = [exam for exam in request.exams if exam.key == work.exam]
    mine = [one.key for exam in exams for one in exam.materials if one.kind is work.kind]
    return tuple(key for key in mine if key in flagged) or tuple(mine)


def work_minutes(block: Block | PastBlock) -> int:
    """The minutes of work in a block."""
    if isinstance(block, Block):
        return block_units(block) * UNIT or block.minutes
    return sum(worked.units for worked in block.worked) * UNIT or block.minutes


# ------------------------------------------------------------------------------------------------- reading


class Said(NamedTuple):
    """A form that was read: its entry, or what is wrong, by field."""

    entry: CheckIn | None
    wrong: dict[str, str]


def read(
    fields: Mapping[str, str], block: Block | PastBlock, pieces: tuple[Piece, ...], *, at: datetime, begun: bool
) -> Said:
    """The check-in that a form gives, at an instant; ``begun`` tells whether the block has started by then."""
    wrong: dict[str, str] = {}
    act = fields.get("act", "")
    outcome = Outcome(act) if act in list(Outcome) else None
    most = work_minutes(block)
    reached = 0
    if outcome is None:
        wrong["act"] = "Press one of the buttons: done, partly, or missed."
    elif outcome is Outcome.MISSED and not begun:
        wrong["act"] = "This block lies ahead, so it cannot have been missed yet."
    elif outcome is Outcome.PARTLY:
        reached = number(fields, "reached", 1, most - 1 if most > 1 else 1, wrong) or 0
        if not fields.get("reached", "").strip():
            wrong["reached"] = f"Say how many of its {most} minutes of work you did, from 1 to {max(1, most - 1)}."
    minutes = number(fields, "minutes", 0, 600, wrong)
    pages = number(fields, "sheet_pages", 0, 20, wrong)
    found = tuple(one for piece in pieces if (one := found_in(fields, piece, wrong)))
    instead = " ".join(fields.get("instead", "").split())
    if len(instead) > MOST_WORDS:
        wrong["instead"] = f"At most {MOST_WORDS} characters are kept; these are {len(instead)}."
    if wrong or outcome is None:
        return Said(None, wrong)
    contents = {name: text for name, text in sorted(fields.items()) if text.strip()}
    name = identity("check-in", block.uid, json.dumps(contents, ensure_ascii=True))
    return Said(
        CheckIn(
            id=name,
            at=at,
            block=block.uid,
            outcome=outcome,
            reached=reached,
            minutes=minutes,
            found=found,
            sheet_pages=pages,
            instead=instead,
        ),
        {},
    )


def number(fields: Mapping[str, str], name: str, least: int, most: int, wrong: dict[str, str]) -> int | None:
    """A whole number that may be left out."""
    text = fields.get(name, "").strip()
    if not text:
        return None
    if text.isascii() and text.isdecimal() and len(text) <= 5 and least <= int(text) <= most:
        return int(text)
    wrong[name] = f"This is a whole number from {least} to {most}."
    return None


def found_in(fields: Mapping[str, str], piece: Piece, wrong: dict[str, str]) -> Found | None:
    """What was found in a material; ``None`` where nothing is said of it."""
    missed = number(fields, piece.wrong, 0, 1000, wrong)
    flags = []
    cells = [cell.strip() for cell in fields.get(piece.flags, "").split(",") if cell.strip()]
    for cell in cells:
        shape = FLAG.fullmatch(cell)
        if shape is None:
            wrong[piece.flags] = (
                f"“{cell[:30]}” cannot be read. Write a problem and 1, 2 or 3, like this: 7 1, 9 2, 12 3."
            )
            continue
        importance = int(shape[2])
        tries = int(shape[3]) if shape[3] else int(importance != 3)
        flags.append(Flag(problem=shape[1], importance=importance, tries=tries))
    if len(flags) > MOST_FLAGS:
        wrong[piece.flags] = f"At most {MOST_FLAGS} flags are kept at a time."
    if missed is None and not flags:
        return None
    return Found(exam=piece.exam, material=piece.material, wrong=missed, flags=tuple(flags))


def taken_back(word: CheckIn, *, at: datetime) -> Undone:
    """The entry that takes a word back; the same one however often the button is pressed."""
    return Undone(id=identity("undone", word.id), at=at, entry=word.id)


def ticked(uids: tuple[str, ...], form: str, *, at: datetime) -> list[CheckIn]:
    """The entries for blocks that were ticked as done, all at once."""
    return [
        CheckIn(id=identity("ticked", form, uid), at=at, block=uid, outcome=Outcome.DONE) for uid in dict.fromkeys(uids)
    ]


def in_words(word: CheckIn) -> str:
    """What was said of a block, in a sentence."""
    said = {
        Outcome.DONE: "You said: done",
        Outcome.PARTLY: f"You said: partly done, {word.reached} minutes of it",
        Outcome.MISSED: "You said: missed",
    }[word.outcome]
    took = f"; it took {word.minutes} minutes" if word.minutes is not None else ""
    instead = f"; instead: {word.instead}" if word.instead else ""
    return f"{said}{took}{instead}."
