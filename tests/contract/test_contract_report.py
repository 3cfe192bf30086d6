"""The report folder, the audit and what may be shared. All slow: each renders a report."""

import json
import re

import numpy as np
import pandas as pd
import pytest

pytestmark = pytest.mark.slow  # every check here renders a report

FILES = [
    "report.html",
    "report.ipynb",
    "results.csv",
    "pairs.csv",
    "exclusions.csv",
    "flow.csv",
    "athlete_cards.csv",
    "provenance.json",
]
CARDS = [
    "athlete_id",
    "method",
    "mode",
    "field",
    "lab_equivalent",
    "lab_equivalent_low",
    "lab_equivalent_high",
    "smallest_real_change",
    "calibration",
    "inputs_to_correct",
    "note",
    "own_weight",
    "half_width_after_one_more",
]
TOML = """
[margin]
limit_ml_kg_min = 9
agreed_on = 2026-01-10
reason = "one in ten of the crew's mean"
[profile]
use = "stated"
[report]
seed = 424242
"""
GONE = "ZZ-GONE-77"


def crew(study):
    """Thirty athletes, one under the drug group of three, one withdrawn, one with a wrong input."""
    rng = np.random.default_rng(8)
    study.study_keys = 'title = "Crew of the north face"\nquestion = "Is the number usable?"'
    study.toml = TOML
    for i in range(30):
        athlete = f"CODE{i:02}"
        profile = "long days" if i < 14 else "short and hard" if i < 27 else "rare"
        study.athlete(athlete, sex="female" if i % 2 else "male", training_profile=profile,
                      hr_limiting_drug="yes" if i in {3, 9, 20} else "no", withdrawn="no",
                      age_years=20 + i, mass_kg=70)  # fmt: skip
        lab = rng.normal(50, 6)
        mass = 82 if i == 5 else 70
        study.lab(athlete, 40, round(lab, 3), hr_max_bpm=185, mass_kg=70)
        study.two(athlete, 40, round(lab + rng.normal(1, 2), 3), set_mass_kg=mass)
    study.athlete(GONE, withdrawn="yes")
    study.lab(GONE, 40, 61).two(GONE, 40, 77)
    return study.save()


@pytest.fixture(scope="module")
def report(new_study, run):
    root = crew(new_study())
    out = root.parent / "out"
    ran = run("report", root, "--out", out)
    assert ran.code == 0, ran.stderr
    return out


def everything(folder):
    return {p: p.read_bytes() for p in folder.rglob("*") if p.is_file()}


def test_all_files_are_there(report):
    assert {p.name for p in report.iterdir()} >= set(FILES)
    drawn = sorted(p.stem for p in (report / "figures").glob("*.svg"))
    assert drawn
    assert not list((report / "figures").glob("*.png"))  # on request only


def test_the_verdict_is_first_in_the_main_region(report):
    html = (report / "report.html").read_text(encoding="utf-8")
    main = html[re.search(r"<main\b", html).start() :]
    first = re.search(r'<(p|section|div|h[1-6])\b[^>]*\bid="verdict"', main)
    assert first
    assert re.sub(r"<[^>]+>|\s", "", main[main.index(">") + 1 : first.start()]) == ""


def test_nothing_is_loaded_from_a_network(report):
    html = (report / "report.html").read_text(encoding="utf-8")
    assert not re.findall(r'(?:src|data-src)\s*=\s*"(?:https?:)?//', html)
    assert not re.findall(r'<link[^>]+href\s*=\s*"(?:https?:)?//', html)
    assert not re.findall(r"@import|url\(\s*[\"']?(?:https?:)?//", html)


def test_printed_numbers_carry_their_statistic(report):
    html = (report / "report.html").read_text(encoding="utf-8")
    marks = set(re.findall(r'data-statistic="([^"]+)"', html))
    assert "limits_of_agreement/m/run/all/bias" in marks
    table = pd.read_csv(report / "results.csv", dtype=str, keep_default_na=False)
    key = table[["analysis", "method", "mode", "group", "statistic"]].agg("/".join, axis=1)
    assert marks <= set(key)


def test_printed_numbers_are_those_of_the_table(report):
    html = (report / "report.html").read_text(encoding="utf-8")
    table = pd.read_csv(report / "results.csv", keep_default_na=False)
    bias = table[(table.analysis == "limits_of_agreement") & (table.statistic == "bias")]
    value = float(bias[(bias.method == "m") & (bias.group == "all")].value.iloc[0])
    shown = re.findall(r'data-statistic="limits_of_agreement/m/run/all/bias"[^>]*>([^<]+)<', html)
    assert shown
    for text in shown:
        number = float(re.search(r"\d+(\.\d+)?", text).group())
        assert number == pytest.approx(abs(value), abs=0.05001)


def test_cautions_title_question_and_reason_are_printed(report):
    html = (report / "report.html").read_text(encoding="utf-8")
    for words in (
        "Crew of the north face",
        "Is the number usable?",
        "diagnose, clear or prescribe",
    ):
        assert words in html
    assert "one in ten of the crew" in html


def test_athlete_cards(report, read_csv):
    cards = read_csv(report / "athlete_cards.csv")
    assert list(cards.columns) == CARDS
    pairs = read_csv(report / "pairs.csv")
    assert set(cards.athlete_id) <= set(pairs.athlete_id)
    assert set(cards.calibration) <= {"none", "offset", "line", "own"}
    told = cards[cards.athlete_id == "CODE05"].inputs_to_correct
    assert told.str.contains("mass").all()
    assert not cards[cards.athlete_id == "CODE06"].inputs_to_correct.str.contains("mass").any()
    shown = cards.dropna(subset=["lab_equivalent"])
    assert (shown.lab_equivalent_low < shown.lab_equivalent).all()
    assert (shown.lab_equivalent < shown.lab_equivalent_high).all()


def test_cards_stay_near_the_field_value_of_the_athlete(report, read_csv):
    cards = read_csv(report / "athlete_cards.csv").set_index("athlete_id")
    pairs = read_csv(report / "pairs.csv").set_index("athlete_id")
    assert cards.field.to_dict() == pytest.approx(pairs.field[cards.index].to_dict())


def test_provenance(report):
    made = json.loads((report / "provenance.json").read_text(encoding="utf-8"))
    text = json.dumps(made)
    assert "424242" in text
    assert text.count("sha256") >= 1
    assert len(re.findall(r'"[0-9a-f]{64}"', text)) >= 4  # study.toml and three tables
    for package in ("numpy", "scipy", "pandas"):
        assert package in text
    assert "days_before" in text
    assert "report" in text


def test_the_withdrawn_person_is_in_no_output(report):
    for path, raw in everything(report).items():
        assert GONE.encode() not in raw, path


def test_results_are_text_with_dots_and_line_feeds(report):
    raw = (report / "results.csv").read_bytes()
    assert b"\r" not in raw
    assert not raw.startswith(b"\xef\xbb\xbf")
    assert b"nan" not in raw.lower().replace(b"guidance", b"")


def test_results_have_full_precision(report):
    pairs = pd.read_csv(report / "pairs.csv")
    table = pd.read_csv(report / "results.csv", keep_default_na=False)
    row = table[(table.analysis == "limits_of_agreement") & (table.statistic == "bias")]
    value = float(row[(row.group == "all") & (row.method == "m")].value.iloc[0])
    kept = pairs[pairs.hr_limiting_drug != "yes"]
    assert value == pytest.approx(kept.difference.mean(), rel=1e-12)


def test_the_same_report_twice_and_replacement(report, run, new_study):
    root = crew(new_study())
    out = root.parent / "out"
    first = run("report", root, "--out", out)
    assert first.code == 0, first.stderr
    (out / "left over.txt").write_text("old")
    second = run("report", root, "--out", out)
    assert second.code == 0, second.stderr
    assert (out / "left over.txt").read_text() == "old"  # what is not ours stays
    for path in (*report.glob("*.csv"), *report.glob("figures/*.svg")):
        assert path.read_bytes() == (out / path.relative_to(report)).read_bytes(), path.name


def test_the_default_folder_bears_the_study_and_the_kind(new_study, run):
    root = crew(new_study())
    ran = run("report", root, "--report", "validation", cwd=root.parent)
    assert ran.code == 0, ran.stderr
    assert (root.parent / "reports" / "study-validation" / "report.html").is_file()


@pytest.fixture(scope="module")
def audit(new_study, run):
    root = crew(new_study())
    out = root.parent / "out"
    ran = run("report", root, "--out", out, "--report", "audit")
    assert ran.code == 0, ran.stderr
    return out


def test_an_audit_shows_no_id_and_no_date(audit):
    for path, raw in everything(audit).items():
        if path.suffix == ".png":
            continue
        assert not re.search(rb"CODE\d\d", raw), path
        assert GONE.encode() not in raw, path
    for name in ("pairs.csv", "exclusions.csv", "athlete_cards.csv", "flow.csv", "results.csv"):
        assert b"2026-04" not in (audit / name).read_bytes(), name


def test_an_audit_holds_counts_and_reasons_and_no_person(audit, read_csv):
    assert len(read_csv(audit / "pairs.csv")) == 0
    assert len(read_csv(audit / "athlete_cards.csv")) == 0
    lines = pd.read_csv(audit / "exclusions.csv")
    assert lines[["row", "id"]].isna().all(axis=None)
    assert lines["message"].str.match(r"\d+ rows?: ").all()


def test_an_audit_suppresses_small_cells_with_their_complement(audit):
    table = pd.read_csv(audit / "results.csv", keep_default_na=False)
    rows = table[(table.analysis == "profile_bias") & (table.group == "rare")]
    assert all(note.startswith("suppressed") for note in rows.note)
    assert (rows.value == "").all()
    drug = table[(table.group == "hr_limiting_drug")]
    assert (drug.value.astype(str) == "").all()


def test_share_hides_who_is_who_and_verify_accepts_both(report, run):
    shared = report.parent / "shared"
    ran = run("share", report, "--out", shared)
    assert ran.code == 0, ran.stderr
    for path, raw in everything(shared).items():
        if path.suffix != ".png":
            assert not re.search(rb"CODE\d\d", raw), path
    assert b"2026-04" not in (shared / "pairs.csv").read_bytes()
    assert run("verify", report).code == 0


def test_verify_finds_a_changed_file(audit, run):
    path = audit / "results.csv"
    path.write_bytes(path.read_bytes().replace(b"bias", b"bios", 1))
    assert run("verify", audit).code == 2


def test_a_study_without_pairs_still_gives_its_report(study, run):
    study.lab("A1", 40).reading("A1", 5, 52)
    out = study.parent / "out"
    ran = run("report", study.save(), "--out", out)
    assert ran.code == 0, ran.stderr
    assert {p.name for p in out.iterdir()} >= set(FILES)
