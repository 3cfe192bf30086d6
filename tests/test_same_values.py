"""A study that reproduces its laboratory values, and a formula that nobody knows."""

import numpy as np
import pandas as pd
import pytest

from agreement.figures.estimates import estimates
from agreement.physiology.heart_rate import HR_MAX_FORMULAS
from agreement.stats.indices.concordance import concordance
from agreement.tables.findings import Findings
from agreement.tables.options import HrMaxFormula
from agreement.tables.study_file import read_study_file


@pytest.mark.parametrize("noise", [0.0, 1e-12, 1e-9])
def test_values_equal_to_the_last_digits_agree_perfectly(noise):
    rng = np.random.default_rng(3)
    lab = rng.uniform(40, 60, 20)
    found = concordance(lab + noise * rng.standard_normal(20), lab).to_frame()
    values = found.set_index("statistic")["value"]
    assert values["icc_a1"] == pytest.approx(1.0, abs=1e-12)


def test_the_formulas_offered_are_those_known():
    assert set(HrMaxFormula.__args__) == set(HR_MAX_FORMULAS)


def test_an_unknown_formula_is_a_problem_of_the_study_file(tmp_path):
    (tmp_path / "study.toml").write_text(
        '[extrapolation]\nhr_max_formula = "fox"\n', encoding="utf-8"
    )
    findings = Findings()
    read_study_file(tmp_path, findings)
    (problem,) = [p for p in findings.problems if p.severity == "stop"]
    assert "hr_max_formula" in f"{problem.column} {problem.what}"
    assert "208_minus_0.7_age_2001" in f"{problem.what} {problem.remedy}"


def test_limits_of_several_groups_are_drawn_of_everybody():
    frame = pd.DataFrame(
        {
            "group": ["all", "chest_strap"],
            "statistic": "bias",
            "value": [1.0, 9.0],
            "low": 0.0,
            "high": 2.0,
        }
    )
    assert estimates(frame)["bias"].value == 1.0
    with pytest.raises(ValueError, match="several groups"):
        estimates(frame.assign(group=["chest_strap", "confirmed"]))
