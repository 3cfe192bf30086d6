"""A device that says 52.0 of everybody, confirmed by its user: what the report then says first."""

import csv
import datetime as dt

import pytest
from opened import open_both

from agreement.report.page.machine import in_words
from agreement.terms import DOUBTS


def write(place, names, rows):
    with place.open("w", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerows([names.split(), *rows])


@pytest.fixture(scope="module", params=[(4.0, 9), (0.5, 9)], ids=["unlike", "alike"])
def study(request, tmp_path_factory):
    """Return the report and the audit of 24 athletes around 52, and whether they are alike."""
    apart, margin = request.param
    root = tmp_path_factory.mktemp("constant")
    day, seen = dt.date(2026, 3, 2), 'reason = "Looked at", on = 2026-06-01'
    people = [(f"A{i:02}", 52 + apart * ((i * 7) % 24 - 11.5) / 4) for i in range(24)]
    confirmed = "".join(f"{code} = {{ {seen} }}\n" for code in DOUBTS)
    (root / "study.toml").write_text(
        f'[study]\ntime_zone = "UTC"\n[margin]\nlimit_ml_kg_min = {margin}\n'
        f"agreed_on = 2026-01-10\n[confirm]\n{confirmed}"
    )
    write(root / "athletes.csv", "athlete_id sex", [(who, "female") for who, _ in people])
    write(
        root / "lab_tests.csv",
        "lab_test_id athlete_id date mode vo2max_ml_kg_min mass_kg averaging_rule plateau",
        [(f"T-{w}", w, day, "run", f"{v:.1f}", 62.5, "moving 30 s", "yes") for w, v in people],
    )
    taken = [day - dt.timedelta(days=back) for back in range(1, 6)]
    write(
        root / "field_estimates.csv",
        "athlete_id taken_at method mode vo2max_ml_kg_min sensor",
        [(w, f"{t}T07:00:00Z", "wrist", "run", 52.0, "none") for w, _ in people for t in taken],
    )
    return *open_both(root), apart < 1


def test_the_doubt_stands_above_the_answer(study):
    report, _, alike = study
    words = in_words(report.verdict().html)
    above, answered = words.split("wrist ", 1)[0], words.split("wrist ", 1)[1]
    assert words.startswith("What could make this wrong")
    assert ("same number for everybody would meet the limit too" in above) == alike
    assert ("It says 52.0 to 52.0 of 24 athletes" in above) or alike
    assert "if what stands above is explained." in answered


def test_an_audit_says_it_without_the_numbers(study):
    _, audit, alike = study
    words = in_words(audit.verdict().html)
    assert words.startswith("What could make this wrong")
    assert "52.0" not in words
    assert ("It says the same of everybody." in words) or alike
