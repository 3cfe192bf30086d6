"""A study planned from a pool: the chance to show limits, over all that the next squad may be."""

import json
from math import exp

import numpy as np
import pytest

from agreement.errors import AgreementError
from agreement.report.studies.pool import plan_from_pool
from agreement.stats.studies.next_study import next_study
from agreement.stats.studies.pooling import Study, pooled_studies
from agreement.stats.verdict.planning_power import power_of_verdict, powers

POOL = pooled_studies(
    [Study("a", 1.2, 4.0, 24), Study("b", -0.8, 4.6, 30), Study("c", 2.5, 3.6, 18)]
)


def test_many_powers_at_once_are_those_one_by_one():
    bias, sd = np.array([[-1.0], [0.0], [2.0]]), np.array([2.0, 3.0])
    many = powers(30, bias, sd, 9.0)
    one_by_one = [[power_of_verdict(30, b, s, 9.0) for s in sd] for b in bias.ravel()]
    assert many == pytest.approx(np.array(one_by_one), abs=1e-12)


def test_the_chance_is_that_of_squads_drawn_from_the_pool():
    """Independent: squads drawn from the grids, studies of them simulated, verdicts counted."""
    plan = next_study(POOL, 14.0)
    rng, runs = np.random.default_rng(3), 4000

    def drawn(grid):
        at = rng.choice(grid.weight.size, runs, p=grid.weight / grid.weight.sum())
        return rng.normal(grid.mean[at], np.sqrt(grid.variance[at] + grid.tau[at] ** 2))

    bias, sd = drawn(POOL._biases), np.exp(drawn(POOL._log_sds))
    chances = [power_of_verdict(plan.needed, b, s, 14.0) for b, s in zip(bias, sd, strict=True)]
    assert np.mean(chances) == pytest.approx(0.80, abs=0.02)
    inside = np.abs(bias) + 1.959964 * sd < 14.0
    assert inside.mean() == pytest.approx(plan.inside, abs=0.02)


def test_the_next_squad_needs_more_than_the_typical_one_and_a_tight_limit_no_number():
    plan = next_study(POOL, 14.0)
    assert plan.needed > plan.of_typical
    tight = next_study(POOL, 9.0)
    assert tight.needed is None
    assert list(tight.chances) == [20, 40, 80]
    assert "no number of athletes shows limits" in tight.summary()
    assert tight.of_typical is None
    assert "of a squad like the typical one no number shows it either" in tight.summary()


def test_equal_large_studies_come_near_the_plan_from_their_numbers():
    pool = pooled_studies([Study(str(i), 0.5, 2.0, 4000) for i in range(30)])
    plan = next_study(pool, 6.0)
    assert plan.of_typical <= plan.needed <= 1.3 * plan.of_typical
    assert exp(pool.between()[1].value) == pytest.approx(1.0, abs=0.02)


def test_one_study_or_no_limit_says_why(tmp_path):
    entry = '[[study]]\nname = "a"\nn = 20\nbias = 1.0\nsd = 4.0\ncitation = "invented"\n'
    file = tmp_path / "pool.toml"
    file.write_text(entry, encoding="utf-8")
    with pytest.raises(AgreementError, match="one study cannot say how squads differ"):
        plan_from_pool(file, None, 9.0, 0.8)
    with pytest.raises(AgreementError, match="needs the limit: give it with --margin"):
        plan_from_pool(file, None, None, 0.8)
    file.write_text(entry + entry.replace('"a"', '"b"'), encoding="utf-8")
    told = json.loads(plan_from_pool(file, None, 12.0, 0.8, as_data=True))
    assert (told["k"], told["athletes"]) == (2, 40)
