"""An empty study folder: every file with its columns, every key with its meaning."""

from importlib.resources import files
from pathlib import Path
from typing import Final

from agreement.errors import OutputError
from agreement.tables.averaging_rule import GRAMMAR
from agreement.tables.columns import FOLDERS, TABLES, VO2MAX_COLUMNS
from agreement.tables.whole_output import whole_folder

STUDY_FILE_TEXT: Final = """\
# What this study is, and the choices made for it. Every key is optional: take the # away from the
# keys that you want to set. The values shown are the defaults; title, time_zone, id_map, the
# margin, sem_ml_kg_min, averaging_rule, mode_match and figures_pdf_mm have none and show an example.

[study]
# title = ""                      # stands above the report
# question = ""                   # what the study is to decide
# compares = ["wrist_a", "wrist_b"]  # methods that the question is about; without it all of them
# time_zone = "Europe/Oslo"       # needed as soon as one time in the files has no offset
# id_map = "ids.csv"              # columns found,athlete_id: the only way to join unequal ids

[margin]                          # agreed before the first laboratory test, or it does not count
# limit_ml_kg_min = 3.5           # for one athlete: both limits of agreement must lie inside +- this
# mean_limit_ml_kg_min = 2.0      # for the mean bias; default: the limit above
against = "true value"            # what the limit is about; or "laboratory test"
# planned_looks = 1               # times that the verdict will be taken, at most 5
# look = 1                        # which of them this is
# fitness_confidence = 0.80       # with which the limits must hold from less fit to fit
# agreed_on = 2026-01-10          # required with a limit
# reason = ""                     # why this limit; printed

[reference]                       # the laboratory
# averaging_rule = "moving 30 s"  # applied to breath files; tests with other rules stop the run
# allow_mixed = false             # true: tests averaged in different ways may stand together
# edit_breaths = false            # true: breaths far from their neighbours leave (coughs, leaks)
# fixed_bins_from = "first breath"  # or "clock": fixed bins of seconds count from 0 of the recording
# last_bin = "drop"               # or "keep at least half": a last fixed bin that is not whole
# repeat_within_days = 10         # two tests this close count as a repeat
# sem_ml_kg_min = 2.6             # the laboratory's own error, used only without repeats
# sem_degrees_of_freedom = 10     # how well that number is known

[pairing]                         # which estimates belong to which laboratory test
# days_before = 14                # estimates up to this many days before the test
# days_after = 0                  # and after it
# same_day = false                # true: estimates of the test's day count too
# summary = "mean"                # mean, median, nearest or last of the days
# summary_days = 7                # days up to this far from the test enter the summary
# minimum_days = 2                # days with a reading that are needed
# stale_after_days = 21           # one value repeated daily for longer counts once
# mode_match = [["run", "walk"]]  # groups of modes that may be paired; equal modes always may

[pairing.field_tests]             # the same keys for field tests, with these values
# days_before = 14
# days_after = 14
# same_day = true
# summary = "nearest"
# summary_days = 14
# minimum_days = 1

[change]
# visits = "first and last"       # or "consecutive"
# minimum_gap_days = 21           # between two visits

[profile]                         # the training profile of an athlete
# use = "computed"                # from sessions; or "stated" in the athletes table
# window_days = 42                # days before the test that count
# minimum_sessions = 12           # fewer: not enough data
# minimum_hours = 10
# minimum_weeks = 4
# minimum_hr_share = 0.90         # share of a session with usable heart rate
# zone2_from_share_of_hr_max = 0.825
# zone3_from_share_of_hr_max = 0.875
# intermittent_top_mode_share = 0.60
# intermittent_session_share = 0.40
# low_zone1_share = 0.85
# low_zone3_share = 0.05
# low_long_share = 0.30
# low_median_min = 75
# long_session_min = 90
# ultra_hours_per_week = 10
# ultra_longest_min = 240
# high_zone23_share = 0.40
# high_zone3_share = 0.20
# high_median_min = 50
# borderline_points = 5           # percentage points that may flip a label

[extrapolation]                   # when heart rate may be carried to its maximum
# minimum_hr_span_bpm = 15
# minimum_points = 3
# minimum_top_share_of_hr_max = 0.75
# window_days = 42
# maximum_share_of_hr_max = 1.0   # stages and sessions above it are left out
# hr_max_formula = "208_minus_0.7_age_2001"   # used when no HRmax was measured; printed

# [methods."my wrist device"]     # one such table per method
# label = "Wrist device A"        # what people read in its place
# heart_rate_based = true         # whether it rests on heart rate
# resting = false                 # whether it is measured at rest

# [control]                       # whom the laboratory tests again and again to watch itself
# athlete_id = "control"          # as in lab_tests; no athlete of the study
# kind = "person"                 # or "calibrator"

[report]
# kind = "squad"                  # squad, validation, audit or brief; the command line wins
# seed = 20260101                 # of every random draw
# png = false                     # true: figures also as PNG files
# figures_pdf_mm = 85             # figures also as PDF, as wide as a journal's column

# [confirm]                       # what `check` stops at although it is right; it names the code
# twins = { reason = "seen by two of us", on = 2026-01-10 }

# How a file is written, where it is not plain CSV. One such table per input.
# [files.athletes]
# codes = { sex = { "1" = "male", "2" = "female" } }        # theirs = ours
# [files.lab_tests]
# path = "lab.csv"                # inside this folder; or a folder of exports with dated names
# folder = "exports"              # or "parts": what a folder of files is, where the names leave doubt
# separator = ";"
# decimal = ","
# encoding = "latin-1"
# header_rows = 2
# date_order = "day-first"        # or "month-first"; needed when the dates do not decide it
# sheet = "2026"                  # of a workbook
# columns = { vo2max_l_min = "VO2 (L/min)" }                # ours = theirs; a list if they changed it;
#                                 # "rider + visit" joins an id that stands in two columns
# units = { mass_kg = "lb" }                                # theirs, converted for you
# values = { mode = "run" }       # one value for all rows, for a column that the file lacks
# codes = { date = { pre = "2026-01-05" } }                 # the day of a visit that has a name
# [files.breaths]                 # a folder, in it folders of people too; or one file with lab_test_id
# path = "breaths.csv"
"""
MEANINGS: Final = {
    "athletes": "one row per person; withdrawn = yes removes a person from every output",
    "lab_tests": "one row per laboratory test (required)",
    "field_estimates": "one row per value that a device or a service gave",
    "field_tests": "one row per field test, or per stage of it",
    "sessions": "one row per training session, if sessions are to give an estimate or a profile",
}


def new_study(folder: Path) -> None:
    """
    Write a commented study folder that passes `check` once it is filled.

    folder: made if needed; must be empty.
    Raises OutputError if the folder holds something already, or cannot be made.
    """
    with whole_folder(folder, refuse_used) as place:
        for name, text in _files().items():
            (place / name).write_text(text, encoding="utf-8", newline="\n")


def worked_example(folder: Path) -> None:
    """
    Write a filled study: a printed table of 31 men, and the figures it should give.

    Parameters and errors are those of `new_study`.
    """
    with whole_folder(folder, refuse_used) as place:
        for source in (files("agreement.tables") / "worked_example").iterdir():
            (place / source.name).write_bytes(source.read_bytes())


def refuse_used(folder: Path) -> None:
    """Stop when a new study would come into a folder that holds something."""
    if folder.is_file() or (folder.is_dir() and any(folder.iterdir())):
        raise OutputError(f"{folder} is not empty; name a new folder.")


def _files() -> dict[str, str]:
    """Return the text of every file of an empty study."""
    tables = {f"{name}.csv": ",".join(table.columns) + "\n" for name, table in TABLES.items()}
    return {"study.toml": STUDY_FILE_TEXT, "README.txt": _guide(), **tables}


def _guide() -> str:
    """Return the explanation of the folder."""
    lines = [
        "A study folder: laboratory VO2max beside field values of it.",
        "",
        "1. Fill lab_tests.csv and at least one of field_estimates.csv, field_tests.csv and",
        "   sessions.csv. Delete the tables that you do not use. Workbooks (.xlsx) work too.",
        "2. Use codes as ids, never names. 007 stays 007.",
        "3. Set in study.toml what applies; every key is explained there.",
        "4. Run `agreement check` on this folder until nothing stops it, then `agreement report`.",
        "",
        "pseudonyms.key and withdrawn.keyed, once they are here, belong to the study: copy them with",
        "it and give them to nobody. The first turns pseudonyms back; the second keeps out whoever",
        "withdrew, whatever becomes of athletes.csv. A person marked by mistake: correct",
        "athletes.csv, delete withdrawn.keyed, run `agreement check`.",
        "",
        "Dates are written 2026-03-02, times 2026-03-02T09:30:00+01:00. Leave unknown cells empty.",
        "Columns with a * are required; delete the others if you have nothing for them.",
    ]
    for name, table in TABLES.items():
        lines += ["", f"{name}.csv: {MEANINGS[name]}"]
        for column, one in table.columns.items():
            star = "*" if one.required else " "
            codes = f": {', '.join(one.codes)}" if one.codes else ""
            lines.append(f"  {star} {column}{codes}")
        if set(VO2MAX_COLUMNS) <= set(table.columns):
            lines.append(f"    (one of {', '.join(VO2MAX_COLUMNS)} is enough)")
    lines += ["", f"averaging_rule: {GRAMMAR}."]
    lines += ["", "Raw files, if there are any, one per laboratory test or session:"]
    for name, table in FOLDERS.items():
        columns = ", ".join(f"{c}{'*' if one.required else ''}" for c, one in table.columns.items())
        lines.append(f"  {name}/<{table.ledger_id}>.csv with {columns}")
    lines += [
        "  session_id and lab_test_id are for files that hold many sessions or tests each, under any",
        "  name; a file of one does without it. Either every file has the column or none. Files may",
        "  lie in a folder for each person: P1/pre.csv is that of P1_pre, or else of pre.",
    ]
    return "\n".join(lines) + "\n"
