"""A laboratory's ramps with known thresholds, two raters beside them: from raw files to the tables."""

import numpy as np
import pandas as pd
import pytest
from invented_ramp import MASS, VT1, VT2, ramp

from agreement.cohort import read_cohort

PEOPLE = 12


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    """Twelve ramps; the second rater reads 1 mL/kg/min and 2 bpm higher than the first."""
    folder = tmp_path_factory.mktemp("ramps")
    (folder / "breaths").mkdir()
    (folder / "study.toml").write_text('[study]\ntime_zone = "UTC"\n')
    rng = np.random.default_rng(11)
    rows = []
    for i in range(PEOPLE):
        shift = float(rng.normal(0, 2))
        told = ramp(50 + i, vt1=VT1 + shift, vt2=VT2 + shift).round({"t_s": 1, "ve_l_min": 2})
        told.round(2).to_csv(folder / "breaths" / f"T{i:02}.csv", index=False)
        row = {"lab_test_id": f"T{i:02}", "athlete_id": f"P{i:02}", "date": "2026-03-20"}
        row |= {
            "mode": "cycle",
            "mass_kg": MASS,
            "hr_max_bpm": 195,
            "rer_max": 1.15,
            "plateau": "yes",
        }
        for rater, more in (("", 0.0), ("rater2_", 1.0)):
            for name, true in (("vt1", VT1), ("vt2", VT2)):
                read = true + shift + more + rng.normal(0, 0.5)
                row[f"{rater}{name}_vo2_ml_kg_min"] = round(read, 1)
                row[f"{rater}{name}_hr_bpm"] = round(80 + 2 * read)
        rows.append(row)
    pd.DataFrame(rows).to_csv(folder / "lab_tests.csv", index=False)
    return folder


@pytest.mark.slow
def test_raters_and_computed_thresholds_agree_as_they_were_made_to(study):
    frame = read_cohort(study).results.frame.set_index(["analysis", "group", "statistic"])
    raters = frame.loc[("threshold_agreement", "vt1: rater_2 minus rater_1", "bias")]
    assert raters["value"].item() == pytest.approx(1, abs=0.6)
    beats = frame.loc[("threshold_agreement_hr", "vt2: rater_2 minus rater_1", "bias")]
    assert beats["value"].item() == pytest.approx(2, abs=1.2)
    for group in ("vt1: v_slope_1986 minus raters", "vt2: ve_on_vco2_1986 minus raters"):
        found = frame.loc[("threshold_agreement", group, "bias")]
        # the raters' mean lies half a unit above the truth
        assert found["low"].item() - 0.3 <= -0.5 <= found["high"].item() + 0.3
    share = frame.loc[("thresholds", "vt2 ve_on_vco2_1986", "share_found"), "value"].item()
    assert share >= 0.9
