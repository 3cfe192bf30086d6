"""The demo's report is explained by the demo's own truth, which no file of a real study shows."""

import numpy as np
import pytest
from simulate.cohort import simulate_cohort
from simulate.demo import DEMO_SEED
from simulate.laboratory import Laboratory
from simulate.people import Population


@pytest.fixture(scope="module")
def explained(demo):
    """Return each method's results with its pairs and the truth of their laboratory tests."""
    generator = np.random.default_rng(DEMO_SEED)
    truth = simulate_cohort(60, population=Population(drug_share=0.035), rng=generator).tests
    methods = demo.results.methods
    return [(one, one.data.pairs.merge(truth, on="lab_test_id")) for one in methods]


def test_the_laboratory_and_every_methods_own_error_are_those_that_were_made(explained):
    assert len(explained) == 5
    for found, pairs in explained:
        own, error = found.net_of_laboratory, pairs["field"] - pairs["truth"]
        low, high = own.laboratory.interval()
        assert low < Laboratory().sem ** 2 < high
        low, high = own.sd_interval()
        assert low <= error.std() <= high
        # the laboratory's tests that fell short of the maximum stay in the bias
        short = (pairs["lab"] - pairs["truth"]).mean()
        low, high = own.bias_interval()
        assert low <= error.mean() - short <= high


def test_the_structural_slope_is_that_on_the_truth(explained):
    for found, pairs in explained:
        true = np.polyfit(pairs["truth"], pairs["field"], 1)[0]
        low, high = found.structural.interval
        assert low <= true
        assert np.isnan(high) or true <= high
        plain = np.polyfit(pairs["lab"], pairs["field"], 1)[0]
        assert plain < true  # attenuated by the laboratory's noise
