"""People under a drug that limits heart rate: out where the method rests on heart rate, everywhere."""

import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import agreement
from agreement.stats.limits.across_modes import across_modes
from agreement.stats.who_counts import who_counts

PEOPLE = pd.DataFrame(
    {
        "athlete_id": [f"A{i}" for i in range(9)],
        "method": "wrist",
        "mode": "run",
        "laboratory_mode": "cycle",
        "lab": np.linspace(40.0, 60.0, 9),
        "field": np.linspace(41.0, 62.0, 9),
        "hr_limiting_drug": ["yes", "yes", "no", "unknown", *["no"] * 5],
        "max_confirmed": "yes",
        "sensor": "chest_strap",
        "training_profile": "long",
    }
)


@pytest.mark.parametrize(("heart_rate_based", "n"), [(True, 7), (False, 9)])
def test_who_is_left(heart_rate_based, n):
    left = who_counts(PEOPLE, heart_rate_based=heart_rate_based)
    assert len(left) == n
    assert ("yes" in set(left["hr_limiting_drug"])) is not heart_rate_based


@pytest.mark.parametrize(("heart_rate_based", "n"), [(True, 7), (False, 9)])
def test_the_same_across_modes(heart_rate_based, n):
    (found,) = across_modes(PEOPLE, {"wrist": heart_rate_based})
    assert found.pairs.n == n


def test_the_rule_is_written_once():
    package = Path(agreement.__file__).parent
    rule = re.compile(r"hr_limiting_drug\"\]\s*!=\s*\"yes\"")
    holders = [p.name for p in package.rglob("*.py") if rule.search(p.read_text(encoding="utf-8"))]
    assert holders == ["who_counts.py"]
