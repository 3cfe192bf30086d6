"""What a share gives away: nobody's row, or rows that cannot be told apart and their own numbers."""

import json
import os
import re
import shutil
from dataclasses import asdict

import numpy as np
import pandas as pd
import pytest
from exposed_study import told, write_exposed
from test_nobody_exposed import shown_and_saved
from turns import slowly
from typer.testing import CliRunner

from agreement import cli
from agreement.report.privacy.release import NOT_TOLD
from agreement.report.privacy.shared_rows import TRAITS, rows_to_share, together
from agreement.report.privacy.sharing import recalled_options
from agreement.report.run.folder import PROVENANCE
from agreement.report.run.own_report import seal
from agreement.tables.findings import Findings
from agreement.tables.study_file import read_study_file


def run(*arguments):
    return CliRunner().invoke(cli.app, list(map(str, arguments)))


@pytest.fixture(scope="module")
def squad(tmp_path_factory):
    study = write_exposed(tmp_path_factory.mktemp("exposed"), athletes=24, raw=False)
    return shown_and_saved(study, tmp_path_factory.mktemp("out") / "squad", "squad")


@pytest.fixture(scope="module")
def shared(squad, tmp_path_factory):
    out = tmp_path_factory.mktemp("shares") / "one"
    done = run("share", squad, "--out", out, "--rows")
    assert done.exit_code == 0, done.stderr
    return out


def test_rows_tell_no_id_date_or_place(shared):
    assert not told(shared)
    pairs = pd.read_csv(shared / "pairs.csv")
    assert len(pairs) > 60
    assert pairs["athlete_id"].str.fullmatch(r"P[0-9A-F]{10}").all()
    assert (pairs["lab_date"] % 7 == 0).all()


def test_who_takes_a_drug_is_in_no_row_and_in_no_number(squad, shared):
    whole, rows = (pd.read_csv(folder / "pairs.csv") for folder in (squad, shared))
    takers = whole.loc[whole["hr_limiting_drug"] == "yes", "athlete_id"].nunique()
    assert takers == 1
    assert rows["athlete_id"].nunique() == whole["athlete_id"].nunique() - takers
    assert rows["hr_limiting_drug"].isna().all()
    assert (
        pd.read_csv(shared / "results.csv")["n"].fillna(0) <= rows["athlete_id"].nunique()
    ).all()


@pytest.mark.parametrize("case", [*range(4), *slowly(range(4, 12))])
def test_every_combination_of_traits_is_that_of_five(case):
    """By a plain count over random squads: an empty cell is a value like any other."""
    rng = np.random.default_rng(case)
    pairs = random_pairs(rng, people=int(rng.integers(5, 60)))
    shown = rows_to_share(pairs)
    for _, own in shown.groupby(["method", "mode"]):
        words = own[[t for t in TRAITS if t in own]].astype("object").fillna("").astype("str")
        assert own.groupby(words.agg("|".join, axis=1))["athlete_id"].nunique().min() >= 5
    if len(shown) and shown["mass_kg"].notna().any():
        assert shown.groupby("mass_kg")["athlete_id"].nunique().min() >= 5


def random_pairs(rng, *, people):
    ids = [f"K{i:03}" for i in range(people)]
    traits = {
        "training_profile": rng.choice(["a", "b", "c"], people, p=[0.6, 0.3, 0.1]),
        "sex": rng.choice(["female", "male"], people, p=[0.3, 0.7]),
        "age_years": rng.integers(16, 70, people).astype(float),
        "mass_kg": np.round(rng.normal(72, 9, people), 1),
        "hr_limiting_drug": rng.choice(["yes", "no"], people, p=[0.1, 0.9]),
        "sensor": rng.choice(["chest_strap", "wrist_optical"], people),
    }
    rows = []
    for i, who in enumerate(ids):
        for method in ("wrist", "shuttle")[: 1 + int(rng.random() < 0.4)]:
            for visit in range(1 + int(rng.random() < 0.5)):
                row = {name: values[i] for name, values in traits.items()}
                row |= {"athlete_id": who, "lab_test_id": f"{who}-{visit}", "method": method}
                row |= {"mode": "run", "lab_date": f"2031-0{1 + 3 * visit}-1{i % 9}"}
                row |= {"lab": rng.normal(50, 6), "field": rng.normal(49, 6), "n_estimates": 3.0}
                row |= {"averaging_rule": "moving 30 s", "max_confirmed": rng.choice(["yes", "no"])}
                rows.append(row)
    pairs = pd.DataFrame(rows)
    empty = ("n_days", "gap_days", "mass_mismatch_pct", "hr_max_mismatch_bpm")
    return pairs.assign(profile_borderline="no", difference=0.0, **dict.fromkeys(empty, 1.0))


@pytest.mark.parametrize(("people", "rows"), [(4, 0), (5, 5)])
def test_rows_of_five_people_leave_and_of_four_none(people, rows):
    some = random_pairs(np.random.default_rng(2), people=30)
    some = some[some["method"] == "wrist"].drop_duplicates("athlete_id").head(people)
    assert len(rows_to_share(some.assign(hr_limiting_drug="no"))) == rows


def test_a_trait_of_one_person_takes_others_with_it():
    words = ["a"] * 9 + ["b"]
    pairs = pd.DataFrame(
        {"athlete_id": [f"K{i}" for i in range(10)], "method": "m", "mode": "run", "sex": words}
    )
    assert (together(pairs)["sex"] == "unknown").all()  # nine would tell of the tenth
    more = pd.concat([pairs, pairs.assign(athlete_id=pairs["athlete_id"] + "x", sex="c")])
    shown = together(more.reset_index(drop=True))["sex"]
    assert shown.value_counts().to_dict() == {"c": 10, "unknown": 10}


def test_the_numbers_follow_from_the_rows(shared):
    """Bias and its spread computed here by hand: mean of the means of each person (design 4a)."""
    pairs, results = (pd.read_csv(shared / f"{name}.csv") for name in ("pairs", "results"))
    assert (pairs["difference"] == pairs["field"] - pairs["lab"]).all()
    for (method, mode), own in pairs.groupby(["method", "mode"]):
        line = results[
            (results["analysis"] == "limits_of_agreement")
            & (results["method"] == method)
            & (results["mode"] == mode)
            & (results["group"] == "all")
        ].set_index("statistic")
        bias = own.groupby("athlete_id")["difference"].mean().mean()
        assert line.loc["bias", "value"] == pytest.approx(bias, abs=0.051)
        assert line.loc["bias", "n"] == own["athlete_id"].nunique()
    assert run("verify", shared).exit_code == 0


def test_a_row_taken_from_a_share_is_found(shared, tmp_path):
    other = shutil.copytree(shared, tmp_path / "other")
    lines = (other / "pairs.csv").read_text().splitlines(keepends=True)
    (other / "pairs.csv").write_text("".join(lines[:-1]))
    done = run("verify", other)
    assert done.exit_code == 2
    assert "pairs.csv of the report is not as it was written" in done.stderr
    seal(other)
    done = run("verify", other)
    assert done.exit_code == 2
    assert "results.csv, line limits_of_agreement" in done.stderr


def test_two_shares_have_other_pseudonyms_and_another_order(squad, shared, tmp_path):
    assert run("share", squad, "--out", tmp_path / "two", "--rows").exit_code == 0
    one, two = (pd.read_csv(folder / "pairs.csv") for folder in (shared, tmp_path / "two"))
    for column in ("athlete_id", "lab_test_id"):
        assert not set(one[column]) & set(two[column])
    assert len(one) == len(two)
    assert list(one["lab"]) != list(two["lab"])
    whole = pd.read_csv(squad / "pairs.csv")
    own = (whole["method"] == "wrist") & (whole["hr_limiting_drug"] != "yes")
    in_order = list(whole.loc[own, "lab"].round())
    mixed = list(one.loc[one["method"] == "wrist", "lab"])
    assert sorted(mixed) == sorted(in_order)
    assert mixed != in_order


def test_an_audit_and_a_share_have_no_rows_to_share(shared, tmp_path):
    done = run("share", shared, "--out", tmp_path / "more", "--rows")
    assert done.exit_code == 2
    assert "holds no rows of people to share" in done.stderr
    assert not (tmp_path / "more").exists()


def test_the_page_for_the_data_protection_officer(squad, shared, tmp_path):
    done = run("share", squad, "--rows", "--explain")
    assert done.exit_code == 0
    page = (shared / "README.txt").read_text(encoding="utf-8")
    people = pd.read_csv(shared / "pairs.csv")["athlete_id"].nunique()
    for text in (done.stdout, page):
        assert f"{people} people" in re.sub(r"\s+", " ", text)
        assert "What can still be inferred" in text
        # a share knows no more of who withdrew than its report did
        assert "withdrawn when the report was written" in re.sub(r"\s+", " ", text)
        assert len(text.splitlines()) <= 60  # one page
    plain = run("share", squad, "--explain").stdout
    assert "0 rows of people" in re.sub(r"\s+", " ", plain)
    assert run("share", squad).exit_code == 2
    assert not list(tmp_path.iterdir())


CHOICES = """\
[study]
title = "A clinic"
time_zone = "UTC"
compares = ["sem"]
[margin]
limit_ml_kg_min = 3
mean_limit_ml_kg_min = 2
against = "true value"
agreed_on = 2026-01-10
planned_looks = 2
[reference]
sem_ml_kg_min = 2.6
last_bin = "keep at least half"
[pairing]
mode_match = [["run", "walk"]]
[pairing.field_tests]
days_before = 10
[methods."sem"]
heart_rate_based = true
[methods."limit"]
label = "Limit"
"""


def test_the_choices_of_a_study_are_recalled_from_its_provenance(tmp_path):
    """A method called like a key, one without a label, each table that a share tells."""
    (tmp_path / "study.toml").write_text(CHOICES, encoding="utf-8")
    options, found = read_study_file(tmp_path, findings := Findings()), findings.problems
    assert not found
    kept = json.loads(json.dumps(asdict(options), default=str))
    assert recalled_options({k: v for k, v in kept.items() if k not in NOT_TOLD}) == options


# --- damaged reports ----------------------------------------------------------------------------


def half(path):
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])


def pipe(path):
    path.unlink()
    os.mkfifo(path)


def folder(path):
    path.unlink()
    path.mkdir()


def dangling(path):
    path.unlink()
    path.symlink_to(path.with_name("nowhere"))


def column(path):
    text = path.read_text(encoding="utf-8").splitlines()
    path.write_text("\n".join([f"{text[0]},name", *(f"{t},Ada Berg" for t in text[1:])]) + "\n")


def cells(path):
    text = path.read_text(encoding="utf-8").splitlines()
    path.write_text("\n".join([text[0], *(re.sub(r"\d", "x", t) for t in text[1:])]) + "\n")


def huge(path):
    text = path.read_text(encoding="utf-8").splitlines()
    path.write_text("\n".join([text[0], *(re.sub(r"\d+", "9" * 400, t) for t in text[1:])]) + "\n")


SPOILED = {
    "gone": lambda path: path.unlink(),
    "empty": lambda path: path.write_bytes(b""),
    "half": half,
    "no text": lambda path: path.write_bytes(bytes(range(256)) * 40),
    "pipe": pipe,
    "folder": folder,
    "link": dangling,
    "quote": lambda path: path.write_bytes(path.read_bytes() + b'"'),
    "a name column": column,
    "no numbers": cells,
    "huge numbers": huge,
}
COMMANDS = (["share"], ["share", "--rows"], ["verify"])


def spoken(report, tmp_path, *, sealed=False):
    """Run every command on a damaged report: one sentence and exit 2, or it does not matter."""
    for number, (name, *options) in enumerate(COMMANDS):
        out = ["--out", tmp_path / f"out{number}"] if name == "share" else []
        done = run(name, report, *out, *options)
        assert done.exception is None or isinstance(done.exception, SystemExit), done.exception
        assert done.exit_code == 2 or (sealed and done.exit_code == 0), (name, done.output)
        if done.exit_code == 2 and name == "share":
            assert len(done.stderr.splitlines()) == 1
            assert done.stderr.startswith("Stopped: ")
            assert not (tmp_path / f"out{number}").exists()


UNSEEN = ("half", "quote", "a name column", "no numbers", "huge numbers")  # by one who seals anew


@pytest.mark.parametrize(
    ("way", "sealed"),
    [
        *((way, False) for way in SPOILED),
        *((way, True) for way in UNSEEN),
        *slowly((way, True) for way in SPOILED if way not in UNSEEN),
    ],
)
def test_a_damaged_table_is_one_sentence(squad, tmp_path, monkeypatch, way, sealed):
    monkeypatch.chdir(tmp_path)
    for name in ("results.csv", "pairs.csv"):
        report = shutil.copytree(squad, tmp_path / name)
        SPOILED[way](report / name)
        if sealed:
            seal(report)
        done = run("share", report, "--out", tmp_path / "shared", "--rows")
        assert done.exit_code == 2, done.output
        assert name in done.stderr or "holds no report" in done.stderr
        assert isinstance(done.exception, SystemExit)
        verified = run("verify", report)
        assert verified.exception is None or isinstance(verified.exception, SystemExit)
        assert verified.exit_code == (0 if sealed else 2)


@pytest.mark.parametrize("way", ["gone", "empty", "half", "no text", "pipe", "folder", "link"])
def test_a_damaged_provenance_is_one_sentence(squad, tmp_path, monkeypatch, way):
    monkeypatch.chdir(tmp_path)
    report = shutil.copytree(squad, tmp_path / "report")
    SPOILED[way](report / PROVENANCE)
    spoken(report, tmp_path)


def test_a_report_that_does_not_say_which_rows_are_of_few_is_not_shared(squad, tmp_path):
    """One of an earlier version: a reason for eight rows of one person would be told."""
    report = shutil.copytree(squad, tmp_path / "report")
    content = json.loads((report / PROVENANCE).read_text(encoding="utf-8"))
    del content["rows_of_few"]
    (report / PROVENANCE).write_text(json.dumps(content), encoding="utf-8")
    done = run("share", report, "--out", tmp_path / "out")
    assert done.exit_code == 2
    assert "which rows left out are of a few people. Run the report again." in done.stderr
    assert not (tmp_path / "out").exists()
    del content["outputs"]["flow.csv"]  # of two reports compared: no run would mend it
    (report / PROVENANCE).write_text(json.dumps(content), encoding="utf-8")
    (report / "flow.csv").unlink()
    done = run("share", report, "--out", tmp_path / "out")
    assert "never had flow.csv. Name a folder that `agreement report` wrote." in done.stderr


WRONG = [None, 5, "x", [], {}, [5], {"x": 5}, {"margin": {"limit": "x"}}, 10**400, "\ud800", True]
KEYS = [
    "outputs",
    "inputs",
    "kind",
    "study",
    "options",
    "dependencies",
    "created",
    "shared",
    "seed",
    "written_by",
    "small_groups",
    "rows_of_few",
]


@pytest.mark.parametrize("key", [*KEYS[:1], *slowly(KEYS[1:])])
def test_wrong_kinds_of_values_in_provenance_are_one_sentence(squad, tmp_path, monkeypatch, key):
    monkeypatch.chdir(tmp_path)
    report = shutil.copytree(squad, tmp_path / "report")
    right = json.loads((report / PROVENANCE).read_text(encoding="utf-8"))
    wrong = [*WRONG, "../../etc"] if key == "study" else WRONG
    for value in wrong:
        (report / PROVENANCE).write_text(json.dumps(right | {key: value}), encoding="utf-8")
        spoken(report, tmp_path, sealed=True)
        shutil.rmtree(tmp_path / "out0", ignore_errors=True)
        shutil.rmtree(tmp_path / "out1", ignore_errors=True)
    (report / PROVENANCE).write_text('{"written_by": ' + "[" * 100_000, encoding="utf-8")
    spoken(report, tmp_path)
