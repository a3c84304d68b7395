"""The pair of files that a cohort begins with: courses to fill in, with a word on everything, and an empty roster."""

from __future__ import annotations

from textwrap import wrap

from calplan.roster import COLUMNS

ROSTER = ",".join(COLUMNS) + "\r\n"
"""The headings of a roster, as CSV (RFC 4180: lines end with CR and LF)."""

COLUMN_WORDS = "".join(
    f"#   {name + ' ':.<14} {line}\n" if not number else f"#   {'':<14} {line}\n"
    for name, words in COLUMNS.items()
    for number, line in enumerate(wrap(words, 96))
)

COURSES = f"""\
# What the students of a cohort have in common. Take the # off the lines that you need, and put your own words in.
# What stands here holds for every student of whom the roster says nothing else.

schema = 1
# zone = "America/Chicago"       # the zone of those whose row names none

# [[study_hours]]                # when they can study
# days = "weekdays"
# start = "16:00"
# end = "20:00"

# [effort]
# usual = 30                     # minutes of a usual day
# limit = 60                     # the most minutes of a day
# bedtime = "22:30"              # no block in the hour before
# waking = "07:00"
# age = "13-18"

# [holidays]                     # public holidays: ISO 3166 codes
# country = "US"
# subdivision = "IL"

# [[calendar]]                   # the school's timetable: a file beside the roster
# file = "timetable.ics"

# [[day_off]]                    # days on which nobody studies
# first = 2027-01-18
# last = 2027-01-18

[[course]]
key = "course-1"                 # what the roster's column "course" says
subject = "Name the subject"
minutes = 90                     # the exam's length, without granted extra time
# place = "Hall B"
# scope = "term"                 # unit, term or year: the usual counts, where no material is named
# timed_paper = true             # a whole paper at the exam's own hour, some days before

# [[course.material]]            # by count
# kind = "homework"              # homework, quiz, notes, test or practice
# count = 12

# [[course.material]]            # or one by one, with a key: the roster can say "missed unit-1"
# kind = "test"
# key = "unit-1"
# title = "First unit test"
# size = 20

[[course.section]]               # who sits the exam when: what the roster's column "section" says
key = "A"
# teacher = "Room 12"
start = "2027-02-04T09:00"
# together = true                # a class plan: the same topics on the same days for all of them
# together_on = ["tue", "thu"]   # and on these days of the week only

# [[course.section.late]]        # what students of the section have later than was thought (for all: [[course.late]])
# in_hand = 2027-01-20
# material = ["quiz-3"]

# [[course.section.fixed_day]]   # what the teacher does on which day: keys of material or topics (for all
# day = 2027-01-12               # sections: [[course.fixed_day]] before them)
# material = ["quiz-1", "homework-3"]

# [[course.appointment]]         # tutoring or questions, for one section or (without the key) for all
# section = "A"
# title = "Questions and answers"
# start = "2027-02-02T16:15"
# minutes = 30

# The columns of the roster; only the first two must be there, and cells may be empty:
{COLUMN_WORDS}#   missed KEY ... What was missed of a material: 3, or 14/20 for 14 right of 20; a column for each.
#   count KIND ... How many pieces of a kind the student has, instead of the course's: "count homework".
"""
"""A courses document with a word on every key, and on every column of the roster."""
