"""An audit of a registry, whose estimates come in parts, tells no more than that of one table."""

import re
import shutil

import numpy as np
import pandas as pd
import pytest
from opened import open_report
from test_between_methods import two_methods
from test_nobody_exposed import assert_no_row_of_a_person, told
from turns import slowly

from agreement.report.run import registry
from agreement.report.run.registry import write_registry_report
from agreement.scale import registry_results
from agreement.scale.engine import LocalEngine

KEYS = ["analysis", "method", "mode", "group", "statistic"]
BY_HEART_RATE = """\
[methods."wrist"]
heart_rate_based = true
[methods."band"]
heart_rate_based = true
"""


def wrist_and_band(parent, *, takes=(4, 7, 15), lack=(), people=30):
    """A study of two methods by heart rate; some take a drug, some have no value of the second."""
    study = two_methods(parent, takes=takes, people=people)
    (study / "field_tests.csv").unlink()
    toml = (study / "study.toml").read_text(encoding="utf-8")
    (study / "study.toml").write_text(toml + BY_HEART_RATE, encoding="utf-8")
    values = pd.read_csv(study / "field_estimates.csv")
    rng = np.random.default_rng(people)
    band = values[~values["athlete_id"].isin([f"QX{k + 10}" for k in lack])].assign(method="band")
    band["vo2max_ml_kg_min"] = (band["vo2max_ml_kg_min"] + rng.normal(1, 2, len(band))).round(2)
    pd.concat([values, band]).to_csv(study / "field_estimates.csv", index=False)
    return study


def in_parts(study, folder):
    """The same study with its estimates in a folder."""
    shutil.copytree(study, folder)
    values = pd.read_csv(folder / "field_estimates.csv", dtype=str)
    (folder / "field_estimates.csv").unlink()
    (folder / "field_estimates").mkdir()
    for k, some in enumerate(np.array_split(np.arange(len(values)), 2)):
        values.iloc[some].to_csv(folder / "field_estimates" / f"part-{k}.csv", index=False)
    return folder


@pytest.fixture
def audit_in_parts(tmp_path):
    """Write the audit of a study in parts, and return its folder."""

    def written(study):
        parts, out = in_parts(study, tmp_path / "parts"), tmp_path / "out"
        write_registry_report(parts, out, LocalEngine(1), kind="audit")
        return out

    return written


@pytest.mark.parametrize("lack", [(3, 9), *slowly([((),), ((3, 4, 9, 11, 20, 21),)])])
def test_nothing_that_one_table_withholds_is_shown(tmp_path, audit_in_parts, lack):
    study = wrist_and_band(tmp_path, lack=lack)
    view, out = open_report(study, kind="audit").told.view, audit_in_parts(study)
    assert not told(out)
    assert_no_row_of_a_person(out)
    both = view.frame.merge(pd.read_csv(out / "results.csv"), on=KEYS, suffixes=("", "_in_parts"))
    shown = both[both["value_in_parts"].notna()]
    assert len(shown) > 150
    assert shown["value"].notna().all()
    kept_back = both["note"].str.startswith("suppressed")
    assert kept_back.any()
    assert both.loc[kept_back, "note_in_parts"].tolist() == both.loc[kept_back, "note"].tolist()
    for name, one in (("exclusions", view.exclusions), ("flow", view.flow)):
        other = pd.read_csv(out / f"{name}.csv").replace("field_estimates", "field_estimates.csv")
        pd.testing.assert_frame_equal(one.reset_index(drop=True), other, check_dtype=False)


def test_the_size_of_the_sample_does_not_tell_how_many_take_a_drug(
    tmp_path, audit_in_parts, monkeypatch
):
    """Three of the thirty do: neither all of them nor those of the sample are counted."""
    monkeypatch.setattr(registry_results, "SAMPLE", 25)
    out = audit_in_parts(wrist_and_band(tmp_path))
    results = pd.read_csv(out / "results.csv")
    of_all = results["analysis"].eq("limits_of_agreement") & results["group"].eq("all")
    assert results.loc[of_all, "n"].unique().tolist() == [27]
    page = (out / "report.html").read_text(encoding="utf-8")
    sizes = {int(n) for n in re.findall(r"\bof (\d+) athletes", page + results.to_csv())}
    assert sizes == {27}
    drawn = {int(n) for n in re.findall(r"sample of (\d+) of", page + results.to_csv())}
    assert drawn == {int(results.loc[results["analysis"] == "deming", "n"].max())}


def test_numbers_of_a_sample_tell_of_no_few_in_it(tmp_path, audit_in_parts, monkeypatch):
    """Of everybody six read high, which tells of nobody; of the twelve drawn one to four do."""
    study = two_methods(tmp_path, takes=(), people=30)
    (study / "field_tests.csv").unlink()
    values = pd.read_csv(study / "field_estimates.csv")
    high = values["athlete_id"].isin([f"QX{k + 10}" for k in range(0, 30, 5)])
    values["vo2max_ml_kg_min"] += np.where(high, 30, -30)
    toml = (study / "study.toml").read_text(encoding="utf-8")
    reason = '= { reason = "Invented.", on = 2026-06-01 }\n'
    sure = f"[confirm]\nbias_beyond {reason}units_mixed {reason}"
    (study / "study.toml").write_text(toml.replace("[confirm]\n", sure), encoding="utf-8")
    values.to_csv(study / "field_estimates.csv", index=False)
    drawn = []

    def watched(streamed):
        drawn.append(registry_results.registry_results(streamed))
        return drawn[0]

    monkeypatch.setattr(registry_results, "SAMPLE", 12)
    monkeypatch.setattr(registry, "registry_results", watched)
    results = pd.read_csv(audit_in_parts(study) / "results.csv").set_index("statistic")
    few, all_of_them = drawn[0].methods[0].data.pairs, drawn[0].pairs["wrist", "run"]
    assert all_of_them.loc[all_of_them["field"] > all_of_them["lab"], "athlete_id"].nunique() == 6
    assert few.loc[few["field"] > few["lab"], "athlete_id"].nunique() in range(1, 5)
    assert results.loc["mae_cv_none", "note"].startswith("suppressed")
