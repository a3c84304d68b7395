"""A cohort at a glance: counts, who cannot fit and what would help, what is wrong by row, and the load of each day.

One page of HTML that stands by itself: no script, nothing from elsewhere, printable.
"""

from __future__ import annotations

from collections import Counter
from datetime import date, timedelta
from html import escape
from typing import TYPE_CHECKING, NamedTuple

from calplan.outcomes import Outcome, Status
from calplan.sentences import CAUTIONS, WEEKDAYS, short_day

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence
    from datetime import datetime

MOST_TOLD = 500
"""Rows of a list on the page; the results hold them all."""


class Load(NamedTuple):
    """A day of the cohort: how many study on it, and their minutes together."""

    students: int
    minutes: int


class Counted(NamedTuple):
    """All outcomes, counted.

    ``told`` are those that somebody should look at, by status; ``above`` counts who needs more minutes on some day than
    is usual for them; ``gone`` who is no longer in the roster.
    """

    statuses: Counter[Status]
    told: dict[Status, list[Outcome]]
    load: dict[date, Load]
    above: int
    gone: int

    @classmethod
    def of(cls, outcomes: Iterable[Outcome]) -> Counted:
        """Counts outcomes as they come; of the lists only so much is kept as the page shows."""
        statuses: Counter[Status] = Counter()
        told: dict[Status, list[Outcome]] = {status: [] for status in Status}
        students: Counter[str] = Counter()
        minutes: Counter[str] = Counter()
        above = gone = 0
        for one in outcomes:
            if not one.row:
                gone += 1
                continue
            statuses[one.status] += 1
            if one.status is not Status.PLANNED and len(told[one.status]) < MOST_TOLD:
                told[one.status].append(one)
            above += one.minutes > one.usual > 0
            students.update(one.load.keys())
            minutes.update(one.load)
        load = {date.fromisoformat(day): Load(students[day], minutes[day]) for day in sorted(students)}
        return cls(statuses, told, load, above, gone)


def pace(done: int, left: int, seconds: float) -> str:
    """How fast rows are planned and how long the rest takes, in words; empty where that cannot be said."""
    if done <= 0 or left <= 0 or seconds <= 0:
        return ""
    rate = done / seconds
    rest = left / rate
    words = f"about {rest / 60:.0f} minutes" if rest >= 90 else "about a minute" if rest >= 45 else "less than a minute"
    return f"{rate:.0f} rows a second, {words} left" if rate >= 1.5 else f"{rate * 60:.0f} rows a minute, {words} left"


def page(counted: Counted, as_of: datetime, doubts: Sequence[str] = ()) -> str:
    """The summary as a page; ``doubts`` are those about the calendars that all share."""
    body = "\n".join([*head(counted, as_of), *doubted(doubts), *lists(counted), *loads(counted.load), *foot()])
    return f"""<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>Cohort: outcomes</title>
<style>
{STYLE}</style>
</head>
<body>
<main>
{body}
</main>
</body>
</html>
"""


STYLE = """\
:root { color-scheme: light dark; }
body { font: 1rem/1.5 system-ui, sans-serif; margin: 0 auto; max-width: 60rem; padding: 1rem; }
table { border-collapse: collapse; margin: 1rem 0; }
.wide { overflow-x: auto; }
th, td { border-bottom: 1px solid #8888; padding: .3rem .6rem; text-align: left; vertical-align: top; }
.number { text-align: right; font-variant-numeric: tabular-nums; }
"""


def head(counted: Counted, as_of: datetime) -> Iterator[str]:
    """What came of how many."""
    total = sum(counted.statuses.values())
    yield "<h1>Outcomes of a cohort</h1>"
    yield f"<p>{total} {'row' if total == 1 else 'rows'}, planned from {as_of:%Y-%m-%d %H:%M} UTC on.</p>"
    yield "<table><caption>What became of the rows</caption><thead><tr><th scope='col'>Outcome</th>"
    yield "<th scope='col' class='number'>Rows</th></tr></thead><tbody>"
    for status in Status:
        yield f"<tr><th scope='row'>{status}</th><td class='number'>{counted.statuses[status]}</td></tr>"
    yield "</tbody></table>"
    plans = sum(counted.statuses.values()) - counted.statuses[Status.WRONG]
    yield f"<p>On some day more minutes than usual are needed by {counted.above} of {plans} with a plan.</p>"
    if counted.gone:
        yield f"<p>No longer in the roster, and not removed: {counted.gone}.</p>"


def doubted(doubts: Sequence[str]) -> Iterator[str]:
    """What is doubtful about the calendars that all share."""
    if doubts:
        yield "<h2>About the calendars that all share</h2><ul>"
        yield from (f"<li>{escape(one)}</li>" for one in doubts)
        yield "</ul>"


TITLES = {
    Status.CANNOT_FIT: "To call: not everything fits",
    Status.WRONG: "To mend in the roster",
    Status.WARNINGS: "Planned, and worth a look",
}


def lists(counted: Counted) -> Iterator[str]:
    """Who cannot fit and what would help; which rows are wrong; which have warnings."""
    for status, title in TITLES.items():
        told = counted.told[status]
        if not told:
            continue
        yield f"<h2>{title}</h2><div class='wide' tabindex='0' role='region' aria-label='{title}'><table><thead><tr>"
        yield "".join(
            f"<th scope='col'>{one}</th>" for one in ("Row", "Reference", "Section", "What", "What would help")
        )
        yield "</tr></thead><tbody>"
        for one in told:
            cells = (str(one.row), one.reference, ", ".join(one.sections), " ".join(one.sentences), " ".join(one.ways))
            yield f"<tr>{''.join(f'<td>{escape(cell)}</td>' for cell in cells)}</tr>"
        yield "</tbody></table></div>"
        more = counted.statuses[status] - len(told)
        if more:
            yield f"<p>And {more} more, in results.csv.</p>"


def loads(load: dict[date, Load]) -> Iterator[str]:
    """The cohort's minutes of each day, a row for each week."""
    if not load:
        return
    yield "<h2>The load of each day</h2><div class='wide' tabindex='0' role='region' aria-label='The load of each day'>"
    yield "<table><caption>Hours of study together, and how many students</caption>"
    yield "<thead><tr><th scope='col'>Week of</th>"
    yield "".join(f"<th scope='col' class='number'>{day[:3]}</th>" for day in WEEKDAYS) + "</tr></thead><tbody>"
    first, last = min(load), max(load)
    monday = first - timedelta(days=first.weekday())
    while monday <= last:
        cells = []
        for number in range(7):
            found = load.get(monday + timedelta(days=number))
            cells.append(f"{found.minutes / 60:.0f} h, {found.students}" if found else "")
        row = "".join(f"<td class='number'>{cell}</td>" for cell in cells)
        yield f"<tr><th scope='row'>{short_day(monday)}</th>{row}</tr>"
        monday += timedelta(days=7)
    yield "</tbody></table></div>"


def foot() -> Iterator[str]:
    """The cautions."""
    yield "<h2>Before you hand plans out</h2><ul>"
    yield from (f"<li>{escape(one)}</li>" for one in (*CAUTIONS, *FOR_SCHOOLS))
    yield "</ul>"


FOR_SCHOOLS = (
    "Granted arrangements are sensitive: they are not on this page, and belong on no hand-out.",
    "Of minors' data your school answers under its own law and rules; references need no names.",
)
