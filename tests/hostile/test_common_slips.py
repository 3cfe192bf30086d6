"""Slips of a practitioner's hand that nothing was said of, or not the right thing: one sentence each."""

import pytest
from small_study import BARE, write_folder

from agreement.report.run.any_size import check_study

LAB, ESTIMATES, TOML = (
    BARE[name].decode() for name in ("lab.csv", "field_estimates.csv", "study.toml")
)
LIMIT = "[margin]\nagainst = 'laboratory test'\nlimit_ml_kg_min = 5\nagreed_on = 2026-01-10\n"
CODES = LAB.replace(",007,", ",7,").replace(",NA,", ",70,")


def marked(key):
    return {"study.toml": LIMIT + key + TOML}


SLIPS = {
    "a row of means": (
        {"lab.csv": LAB + "T9,Mean,2026-03-20,run,46.6\n"},
        ("stop: lab.csv, row 5, column 'athlete_id': 1 of 4 rows are of 'Mean', as if they summed up "
         "the others. Delete what is nobody's; an athlete called so needs another id."),
    ),
    "one method in two spellings": (
        {"field_estimates.csv": ESTIMATES.replace("Z,m,run", "Z,M,run").replace("0,m,run,51", "0,M,run,51")},
        ("note: field_estimates.csv: 'M' and 'm' of method count as two. If they are one, set "
         'codes = { method = { "M" = "m" } } in [files.field_estimates] of study.toml.'),
    ),
    "a question about no method": (
        {"study.toml": TOML.replace("[files", "compares = ['m', 'n']\n[files")},
        "note: study.toml: 'study.compares' names 'n', of which nothing was read. Methods here: m.",
    ),
    "the label of no method": (
        {"study.toml": TOML + "[methods.k]\nlabel = 'Ring'\nheart_rate_based = true\n"},
        "note: study.toml: 'methods' names 'k', of which nothing was read. Methods here: m.",
    ),
    "a look too many": (
        marked("look = 2\n"),
        ("note: study.toml: This is look 2 at the verdict; planned: 1. The report will show the "
         "numbers and withhold the verdict."),
    ),
    "a limit for the mean wider than for one": (
        marked("mean_limit_ml_kg_min = 9\n"),
        ("note: study.toml: 'margin.mean_limit_ml_kg_min' is 9, wider than the limit for one athlete, "
         "5. Correct one of them: no mean of all may lie further off than one athlete."),
    ),
    "visits six weeks apart as repeats": (
        {"study.toml": TOML + "[reference]\nrepeat_within_days = 60\n"},
        ("note: study.toml: 'reference.repeat_within_days' is 60: tests so far apart count as repeats, "
         "and what training changed between them as the laboratory's error. Keep it below "
         "change.minimum_gap_days (21), from which on two tests are two visits."),
    ),
    "a second download of a table": (
        {"field_estimates (1).csv": ESTIMATES},
        ("note: field_estimates (1).csv: It is not read: field_estimates.csv is. Keep the right one "
         "of them."),
    ),
    "a day with dots": (
        {"study.toml": LIMIT.replace("2026-01-10", "10.01.2026") + TOML},
        "agreed_on = 10.01.2026. Write a day like 2026-01-10.",
    ),
    "ids as another program writes numbers": (
        {"lab.csv": CODES, "field_estimates.csv": ESTIMATES.replace("007,", "7.0,")},
        "note: field_estimates.csv: Id '7.0' looks like '7' in lab.csv; nothing was joined.",
    ),
    "all readings of the test's own day": (
        {"field_estimates.csv": ESTIMATES.splitlines()[0] + "\n007,2026-03-02,m,run,50\n"},
        ("note: lab.csv: Not one value of m is in a pair; the main reason: on the day of a "
         "laboratory test."),
    ),
}  # fmt: skip


@pytest.mark.parametrize("slip", SLIPS)
def test_a_slip_is_told_in_one_sentence(tmp_path, slip):
    files, said = SLIPS[slip]
    changed = {name: text.encode() for name, text in files.items()}
    _, problems = check_study(write_folder(BARE | changed, tmp_path / "study"))
    told = [f"{one.severity}: {one}" for one in problems]
    assert len([one for one in told if said in one]) == 1, told


def test_a_mark_for_thousands_is_told_without_what_follows_from_it(tmp_path):
    header, *rows = LAB.splitlines()
    lines = [row.rsplit(",", 1)[0] + ',"3,467",70' for row in rows]
    text = "\n".join([header.replace("ml_kg_min", "ml_min") + ",mass_kg", *lines])
    study = write_folder(BARE | {"lab.csv": text.encode()}, tmp_path / "study")
    _, problems = check_study(study)
    (said,) = (one for one in problems if one.column == "vo2max_ml_min")
    assert said.reason == "decimal_mark"
    assert said.what.startswith("'3,467' could be 3.467 or 3467")


def test_sound_studies_hear_nothing_of_these(tmp_path):
    _, problems = check_study(write_folder(BARE, tmp_path / "study"))
    assert not {one.reason for one in problems} & {"hidden_rows", "likely_match", "unused_key"}


def test_labels_that_end_in_plus_and_minus_are_two(tmp_path):
    text = ESTIMATES.replace("Z,m,run", "Z,m+,run").replace("0,m,run,51", "0,m+,run,51")
    text = text.replace(",m,run", ",m-,run")
    files = BARE | {"field_estimates.csv": text.encode()}
    _, problems = check_study(write_folder(files, tmp_path / "study"))
    assert not [one for one in problems if one.reason == "likely_match"]
