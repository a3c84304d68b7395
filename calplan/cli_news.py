"""News on the command line: options that edit a request, and the changed request as a document of its own.

What is typed is read as a request's own values are, so that a wrong one gets the same sentence. The changed request is
written as JSON, because it is a program that writes it; comments and order of a TOML file are left as they are.
"""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Any, NamedTuple

import click

from calplan.console import label_of

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from datetime import date

    from calplan.errors import Problem
    from calplan.model import Plan, Request
    from calplan.news import Written
    from calplan.tables import Reader


class News(NamedTuple):
    """What was typed of news; nothing of it is read yet."""

    lost: tuple[str, ...] = ()
    ill: bool = False
    only: tuple[str, ...] = ()
    limit: str | None = None
    essentials: bool = False
    leave_out: tuple[tuple[str, str], ...] = ()
    late: tuple[tuple[str, str, str], ...] = ()
    move_exam: tuple[tuple[str, str], ...] = ()


OPTIONS = (
    click.option(
        "--lost",
        multiple=True,
        metavar="FIRST[..LAST]",
        help="News: a day without study, or the days from FIRST to LAST.",
    ),
    click.option("--ill", is_flag=True, help="The lost days were an illness: the first days after them are short."),
    click.option("--only", multiple=True, metavar="DAY=MINUTES", help="News: a day with only so many minutes."),
    click.option("--limit", metavar="MINUTES", help="News: days may have up to so many minutes."),
    click.option("--essentials", is_flag=True, help="News: where it gets long, only what is essential."),
    click.option(
        "--leave-out", nargs=2, multiple=True, metavar="EXAM MATERIAL", help="News: no work on a material, by its key."
    ),
    click.option(
        "--late", nargs=3, multiple=True, metavar="EXAM MATERIAL DAY", help="News: a material is there from a day on."
    ),
    click.option(
        "--move-exam",
        nargs=2,
        multiple=True,
        metavar="EXAM START",
        help="News: an exam, by its key, is at another time.",
    ),
)


def news_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """A command with the options for news."""
    for option in reversed(OPTIONS):
        command = option(command)
    return command


def with_news(data: bytes, name: str, news: News, old: Plan, known: Request) -> tuple[bytes, list[Problem]]:
    """The request in some bytes with the news in it, as JSON, and a problem for each piece of news that is none.

    ``old`` and ``known`` are the plan that is mended and its request: they say which days follow an illness, and how
    short these are. Raises InvalidRequest where the request was wrong before.
    """
    import json

    from calplan.documents import parse
    from calplan.errors import InvalidRequest, Problem
    from calplan.request import read
    from calplan.tables import Problems, Wrong

    read(data, name=label_of(name))
    mapping: Any = parse(data, label_of(name), None, Problems())
    problems = []
    for option, change in changes(news, old, known):
        try:
            mapping = change(mapping)
        except Wrong as wrong:
            problems.append(Problem(option, wrong.sentence, wrong.remedy))
        except InvalidRequest as error:
            problems += [Problem(option, one.sentence, one.remedy) for one in error.problems]
    text = json.dumps(mapping, ensure_ascii=False, indent=2, default=lambda value: value.isoformat())
    return text.encode() + b"\n", problems


def changes(news: News, old: Plan, known: Request) -> Iterator[tuple[str, Callable[[Written], Written]]]:
    """Each piece of news with the option that it stands in, as an edit; one that cannot be read raises Wrong."""
    from calplan.news import keep_essentials, leave_out

    yield from ((f"--lost {text!r}", partial(lose, text)) for text in news.lost)
    if news.ill:
        yield "--ill", partial(return_slowly, news.lost, old, known)
    yield from ((f"--only {text!r}", partial(shorten, text)) for text in news.only)
    if news.limit is not None:
        yield f"--limit {news.limit!r}", partial(raise_limit, news.limit)
    if news.essentials:
        yield "--essentials", keep_essentials
    for exam, material in news.leave_out:
        yield f"--leave-out {exam} {material}", partial(leave_out, exam=exam, material=material)
    for exam, material, day in news.late:
        yield f"--late {exam} {material} {day!r}", partial(come_late, exam, material, day)
    for exam, start in news.move_exam:
        yield f"--move-exam {exam} {start!r}", partial(move, exam, start)


def lose(text: str, mapping: Written) -> Written:
    """The request without the days of ``FIRST[..LAST]``."""
    from calplan.news import lose_days

    return lose_days(mapping, *days_in(text))


def days_in(text: str) -> tuple[date, date]:
    """The first and the last day of ``FIRST[..LAST]``."""
    from calplan.tables import the_day

    first, dots, last = text.partition("..")
    return the_day(first), the_day(last if dots else first)


def return_slowly(lost: tuple[str, ...], old: Plan, known: Request, mapping: Written) -> Written:
    """The request with half the limit on the first usable days after all that were lost; as many as it says itself."""
    from calplan.news import slow_return
    from calplan.tables import Wrong

    try:
        last = max(days_in(text)[1] for text in lost)
    except Wrong:
        return mapping  # the days themselves say what is wrong
    after = [day.day for day in old.days if day.day > last and day.room]
    return slow_return(mapping, after[: known.mending.slow_days], max(5, known.effort.limit // 2))


def shorten(text: str, mapping: Written) -> Written:
    """The request with the minutes of ``DAY=MINUTES``."""
    from calplan.news import only_minutes
    from calplan.request import SHORT_DAYS
    from calplan.tables import Wrong

    day, equals, minutes = text.partition("=")
    if not equals:
        raise Wrong("this says no minutes.", "Write a day and its minutes: 2027-01-12=20.")
    return only_minutes(mapping, SHORT_DAYS.keys["day"](day), number_in(minutes, SHORT_DAYS.keys["minutes"]))


def raise_limit(text: str, mapping: Written) -> Written:
    """The request with a limit of at least so many minutes a day."""
    from calplan import news
    from calplan.request import EFFORT

    return news.raise_limit(mapping, number_in(text, EFFORT.keys["limit"]))


def number_in(text: str, reader: Reader) -> int:
    """The number that was typed, as far as the reader of a request allows it."""
    number: int = reader(int(text) if text.isdecimal() and len(text) < 10 else text)
    return number


def come_late(exam: str, material: str, day: str, mapping: Written) -> Written:
    """The request with a material that is there from a day on."""
    from calplan import news
    from calplan.tables import the_day

    return news.come_late(mapping, exam, material, the_day(day))


def move(exam: str, start: str, mapping: Written) -> Written:
    """The request with an exam at another time."""
    from calplan.news import move_exam
    from calplan.tables import the_moment

    return move_exam(mapping, exam, the_moment(start))
