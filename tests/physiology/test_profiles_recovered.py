"""The demo's truth by training profile is found again, raw files, dirt and all."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from agreement.cohort import read_cohort

DEMO = Path(__file__).parents[2] / "demo_cohort"

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def paired():
    """Return the demo's pairs of one test each, with the true VO2max of that day and person."""
    truth = pd.DataFrame(json.loads((DEMO / "truth.json").read_text())["tests"])
    cohort = read_cohort(DEMO)
    true = truth.set_index("lab_test_id")["truth"]
    return cohort.pairs.assign(true=cohort.pairs["lab_test_id"].map(true))


@pytest.mark.parametrize("method", ["wrist_a", "wrist_b"])
def test_bias_and_spread_by_profile_within_their_standard_errors(paired, method):
    own = paired[(paired["method"] == method) & (paired["max_confirmed"] == "yes")]
    own = own[own["hr_limiting_drug"] == "no"]
    checked = 0
    for _, part in own.groupby("training_profile"):
        part = part.drop_duplicates("athlete_id")  # so that the rows are independent
        if len(part) < 8:
            continue
        found, true = part["difference"], part["field"] - part["true"]
        noise = part["lab"] - part["true"]  # the laboratory's own error, which the pairs contain
        error = noise.std(ddof=1) / np.sqrt(len(part))
        assert found.mean() == pytest.approx(true.mean(), abs=3 * error)
        expected = np.hypot(true.std(ddof=1), noise.std(ddof=1))
        assert found.std(ddof=1) == pytest.approx(expected, rel=3 / np.sqrt(2 * len(part) - 2))
        checked += 1
    assert checked == 4
