"""How often honest studies are stopped: at most 2 of 200 simulated ones, and no open data."""

import warnings

import pytest
from simulate.cohort import simulate_cohort

from agreement.cohort import inspect_cohort
from agreement.terms import DOUBTS

MOST = 2  # of 200


def doubted(seed, folder):
    """Return the doubts about one simulated study of 12 to 60 people."""
    study = simulate_cohort(12 + seed * 7 % 49, rng=seed).write(folder / str(seed))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        _, problems = inspect_cohort(study)
    return [p for p in problems if p.severity == "stop" and p.reason in DOUBTS]


def test_an_honest_study_raises_no_doubt(tmp_path):
    assert [str(p) for seed in range(400, 401) for p in doubted(seed, tmp_path)] == []


@pytest.mark.slow
def test_at_most_two_of_200_honest_studies_are_stopped(tmp_path):
    stopped = [seed for seed in range(100, 300) if doubted(seed, tmp_path)]
    assert len(stopped) <= MOST, stopped
