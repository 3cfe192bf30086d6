"""A study whose every text tries to run: as markup, script, formula or code."""

import csv
import json
from pathlib import Path

import numpy as np

MARKUP = "<img src=x onerror=\"document.title='owned'\">"
SCRIPT = "<script>document.title='owned'</script>"
BREAKOUT = "\"'></td></table><svg onload=\"document.title='owned'\">"
FORMULA = '=HYPERLINK("http://127.0.0.1/owned";"x")'
CODE = "'; import pathlib; pathlib.Path('owned.txt').touch(); x='"
FOLDER = "crew'); open('owned.txt','w'); ('"
TAG = "+cmd|' /C calc'!A0"
STUDY_TOML = f"""\
[study]
title = '''{SCRIPT} [x](javascript:document.title=1) {CODE}'''
question = '''{BREAKOUT}'''
time_zone = "UTC"
[margin]
limit_ml_kg_min = 6
agreed_on = 2026-01-10
reason = '''{BREAKOUT} {SCRIPT}'''
[methods.{json.dumps(MARKUP)}]
heart_rate_based = true
[profile]
use = "stated"
"""


def write_active(parent: Path, athletes: int = 14) -> Path:
    """Write the study and return its folder."""
    root = parent / FOLDER
    root.mkdir()
    rng = np.random.default_rng(3)
    people = [["athlete_id", "sex", "age_years", "mass_kg", "training_profile"]]
    tests = [
        ["lab_test_id", "athlete_id", "date", "mode", "vo2max_ml_kg_min", "averaging_rule", "tag"]
    ]
    values = [["athlete_id", "taken_at", "method", "mode", "vo2max_ml_kg_min", "set_mass_kg"]]
    starts = (SCRIPT, MARKUP, FORMULA, TAG, "@SUM(1)", "-1+1", "{{7*7}}", CODE, "\\x3cscript\\x3e")
    for i in range(athletes):
        who = f"{starts[i % len(starts)]}{i}"
        people.append([who, "male", str(25 + i), "70", SCRIPT if i < 7 else BREAKOUT])
        level = rng.normal(50, 5)
        for visit, day in enumerate(("2026-03-02", "2026-04-13")):
            test = f"{starts[(i + 1) % len(starts)]}{i}{visit}"
            tests.append([test, who, day, "run", f"{level + visit:.2f}", "moving 30 s", MARKUP])
            for back in (1, 3, 5):
                taken = np.datetime64(day) - back
                values += [
                    [who, f"{taken}T09:00", method, "run", f"{level + rng.normal(0, 2):.2f}", "78"]
                    for method in (MARKUP, FORMULA)
                ]
    values.append([f"{FORMULA} stranger", "2026-03-01T09:00", MARKUP, "run", "50", "70"])
    for name, rows in {"athletes": people, "lab_tests": tests, "field_estimates": values}.items():
        with (root / f"{name}.csv").open("w", newline="", encoding="utf-8") as file:
            csv.writer(file).writerows(rows)
    (root / "study.toml").write_text(STUDY_TOML, encoding="utf-8")
    return root
