"""
Which method is closer: held values, slow recomputation, another library's test, size and coverage.

Values of `tests/reference/comparing.json`: computed by another implementation of the same formulas
with numpy and scipy (no printed source).
"""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from held import held_checks
from scipy import stats
from simulate.known_parts import DailyParts, simulate_daily

from agreement.stats.basics.half_t import grid_quantile, half_t_grid, mixture_quantile
from agreement.stats.compare import closer as closer_module
from agreement.stats.compare.closer import closer, different_tests, overlapping_df
from agreement.stats.compare.methods_compared import _jointly as jointly
from agreement.stats.compare.methods_compared import methods_compared, side_by_side
from agreement.stats.method_data import NotEstimable
from agreement.stats.repeats.laboratory_variance import laboratory_of
from agreement.stats.result import rows_frame
from agreement.stats.results_table import method_data
from agreement.tables.options import Reference


@held_checks("comparing", "half_t_grid")
def test_held_grids(case):
    assert half_t_grid(**case["inputs"]) == pytest.approx(case["outputs"], abs=1e-9)


@held_checks("comparing", "mixture_quantile")
def test_held_quantiles(case):
    given = case["inputs"]
    parts = (np.array(given[name]) for name in ("weight", "centre", "scale"))
    assert mixture_quantile(given["prob"], *parts) == pytest.approx(case["outputs"], abs=1e-9)


def test_a_grid_carries_the_half_t_distribution():
    grid, flat = half_t_grid(2.0, 4000), np.full(4000, 1 / 4000)
    for share in (0.1, 0.5, 0.9):
        wanted = 2.0 * stats.t(3).ppf(0.5 + share / 2)
        assert grid_quantile(share, flat, grid) == pytest.approx(wanted, rel=1e-3)


@held_checks("comparing", "closer")
def test_held_comparisons(case):
    given, wanted = case["inputs"], case["outputs"]
    found = closer(
        given["d"],
        athlete=given["athlete"],
        spread=given["spread"],
        n_flips=given["flips"],
        rng=given["seed"],
    )
    places = range(len(found.pairs))
    got = {
        "size": found.sizes,
        "pairs": [list(pair) for pair in found.pairs],
        "ratio": [found.ratio(k) for k in places],
        "low": [found.interval(k).low for k in places],
        "high": [found.interval(k).high for k in places],
        "low_joint": [found.joint_interval(k).low for k in places],
        "high_joint": [found.joint_interval(k).high for k in places],
        "p": found.p,
        "p_joint": found.p_joint,
        "share_closest": found.share_closest,
        "se_log": found.errors,
        "athletes": found.n,
    }
    assert got.keys() == wanted.keys()
    for name, value in got.items():
        assert np.asarray(value) == pytest.approx(np.asarray(wanted[name]), abs=1e-9), name


@held_checks("comparing", "closer_unpaired")
def test_held_comparisons_of_different_tests(case):
    given, wanted = case["inputs"], case["outputs"]
    names = ("dA", "athleteA", "dB", "athleteB")
    found = different_tests(*(given[name] for name in names), spread=given["spread"])
    got = {
        "ratio": found.ratio,
        "low": found.interval.low,
        "high": found.interval.high,
        "df": found.df,
        "se_log": found.standard_error,
        "overlap": found.shared,
    }
    assert got == pytest.approx(wanted, abs=1e-9)


def drawn(n, rng, m=3, times=1, bias=0.0, scale=1.0, kind="normal"):
    """Differences of m methods that share the laboratory's error; the first is changed."""
    errors = {
        "normal": lambda size: rng.normal(0, 4, size),
        "t3": lambda size: rng.standard_t(3, size) * 4 / np.sqrt(3),
        "skew": lambda size: (rng.gamma(4, size=size) - 4) * 2,
    }[kind]
    own, day = errors((n, 1, m)), errors((n, times, m))
    d = (own + day if times > 1 else day) + rng.normal(0, 2, (n, times, 1))
    d[:, :, 0] = d[:, :, 0] * scale + bias
    return d.reshape(-1, m), np.repeat(np.arange(n), times)


def test_the_flips_are_those_of_a_general_library():
    # scipy.stats.permutation_test, one sample with all 2^12 signs
    d, _ = drawn(12, np.random.default_rng(3), m=2, scale=1.5)
    found = closer(d, n_flips=40_000, rng=1)
    exact = stats.permutation_test(
        (d[:, 0] ** 2 - d[:, 1] ** 2,),
        lambda x, axis: np.abs(x.mean(axis)),
        permutation_type="samples",
        alternative="greater",
        n_resamples=np.inf,
    ).pvalue
    assert found.p[0] == pytest.approx(exact, abs=4 * np.sqrt(exact * (1 - exact) / 40_000))


@pytest.mark.parametrize("spread", [False, True])
def test_sizes_and_jackknife_by_a_slow_loop(spread):
    d, athlete = drawn(9, np.random.default_rng(5), times=2, bias=3.0)

    def size(keep):
        means = [np.mean(d[athlete == i], axis=0) for i in keep]
        about = np.mean(means, axis=0) if spread else 0.0
        squares = [np.mean((d[athlete == i] - about) ** 2, axis=0) for i in keep]
        factor = len(keep) / (len(keep) - 1) if spread else 1.0
        return np.sqrt(np.mean(squares, axis=0) * factor)

    found = closer(d, athlete=athlete, spread=spread, n_flips=99, rng=1)
    assert found.sizes == pytest.approx(size(range(9)))
    left = np.log([size([j for j in range(9) if j != i]) for i in range(9)])
    ratios = left[:, 0] - left[:, 2]
    wanted = np.sqrt(8 / 9 * np.sum((ratios - ratios.mean()) ** 2))
    assert found.errors[found.place(2, 0)] == pytest.approx(wanted)


def test_one_pair_each_has_the_ordinary_standard_deviation():
    d, _ = drawn(15, np.random.default_rng(6), bias=5.0)
    found = closer(d, spread=True, n_flips=99, rng=1)
    assert found.sizes == pytest.approx(d.std(axis=0, ddof=1))


def test_shares_by_drawing():
    # 200 000 true log errors drawn from the same beliefs, and counted
    d, _ = drawn(25, np.random.default_rng(8), m=4, scale=0.8)
    found = closer(d, n_flips=99, rng=1)
    e = 0.5 * np.mean(found.errors**2) * (stats.t(24).ppf(0.975) / stats.norm.ppf(0.975)) ** 2
    tau = half_t_grid(0.2)
    logs, m = np.log(found.sizes), 4
    total = tau**2 + e
    log_weight = -(m - 1) / 2 * np.log(total) - np.sum((logs - logs.mean()) ** 2) / (2 * total)
    weight = np.exp(log_weight - log_weight.max())
    rng = np.random.default_rng(1)
    chosen = rng.choice(tau, 200_000, p=weight / weight.sum())[:, None]
    pull = chosen**2 / (chosen**2 + e)
    true = rng.normal(logs.mean() + pull * (logs - logs.mean()), np.sqrt(pull * e))
    shares = np.bincount(true.argmin(axis=1), minlength=m) / 200_000
    assert found.share_closest == pytest.approx(shares, abs=0.006)


def test_order_names_and_unit_change_nothing():
    d, athlete = drawn(20, np.random.default_rng(11), times=2, scale=1.4)
    found = closer(d, athlete=athlete, n_flips=499, rng=1)
    order = np.random.default_rng(1).permutation(len(d))
    again = closer(-3.5 * d[order], athlete=athlete[order], n_flips=499, rng=1)
    assert again.sizes == pytest.approx(3.5 * found.sizes)
    assert again.log_ratios == pytest.approx(found.log_ratios, abs=1e-12)
    assert again.p_joint.tolist() == found.p_joint.tolist()


def test_signs_come_in_blocks_and_are_the_same(monkeypatch):
    d, _ = drawn(20, np.random.default_rng(12))
    whole = closer(d, n_flips=501, rng=1)
    monkeypatch.setattr("agreement.stats.compare.closer._BLOCK", 20 * 7)
    parts = closer(d, n_flips=501, rng=1)
    assert parts.p.tolist() == whole.p.tolist()
    assert parts.factor == pytest.approx(whole.factor, rel=1e-12)


def test_a_bias_makes_a_method_less_close_but_not_more_scattered():
    d, _ = drawn(40, np.random.default_rng(2), m=2, bias=8.0)
    assert closer(d, rng=1).joint_interval(0).low > 1
    assert closer(d, rng=1).p_joint[0] < 0.001
    assert closer(d, spread=True, rng=1).interval(0).contains(1.0)


def test_the_same_method_twice_is_no_comparison_and_spoils_no_other():
    d, _ = drawn(20, np.random.default_rng(4), m=2, scale=2.0)
    alone = closer(d, n_flips=499, rng=1)
    found = closer(np.column_stack([d, d[:, 1]]), n_flips=499, rng=1)
    assert np.isnan(found.p[found.place(1, 2)])
    assert found.p[found.place(0, 1)] == alone.p[0]
    with pytest.raises(ValueError, match="same amount"):
        closer(d[:, [1, 1]])


@pytest.mark.parametrize(
    ("d", "message"),
    [
        (np.zeros((0, 2)), "at least 3"),
        (np.ones((5, 1)), "two methods"),
        ([[1.0, 2.0], [np.nan, 1.0], [2.0, 1.0]], "missing"),
        ([[0.0, 2.0], [0.0, 1.0], [0.0, -1.0]], "no error"),
    ],
)
def test_refused(d, message):
    with pytest.raises(ValueError, match=message):
        closer(d)


def test_degrees_of_freedom_of_apart_and_of_shared_samples():
    assert overlapping_df(2.0, 2.0, 15, 15, 0) == pytest.approx(28)
    assert overlapping_df(1.0, 3.0, 15, 15, 15) == pytest.approx(14)


def methods(sizes, visits=1, **changes):
    """Return data of one method per entry, each on so many of the same athletes."""
    (first,) = method_data(simulate_daily(DailyParts(n_athletes=30, visits=visits), rng=1))
    ids = sorted(first.pairs["athlete_id"].unique())
    rng = np.random.default_rng(1)
    for name, n in sizes.items():
        pairs = first.pairs[first.pairs["athlete_id"].isin(ids[:n])].reset_index(drop=True)
        field = pairs["field"] + rng.normal(0, 3, len(pairs))
        pairs = pairs.assign(method=name, field=field, difference=field - pairs["lab"])
        codes = np.unique(pairs["athlete_id"], return_inverse=True)[1]
        resampling = replace(first.resampling, codes=codes, counts=np.zeros((1, n), dtype=np.uint8))
        yield replace(first, method=name, pairs=pairs, resampling=resampling, **changes)


def frames_of(found):
    return {name: rows_frame(rows) for name, rows in found.rows()}


def test_complete_rows_and_who_fell_out():
    (found,) = methods_compared(methods({"b": 30, "a": 28, "c": 26}, visits=2))
    assert found.names == ("a", "b", "c")
    assert (found.n, found.fell_out("b"), found.fell_out("c")) == (26, 4, 0)
    assert found.apart == ()
    frames = frames_of(found)
    assert list(frames) == ["a", "b", "c", "a vs b", "a vs c", "b vs c"]
    rows = frames["a vs b"].set_index("statistic")
    assert rows.index.tolist() == [
        *("rmse_ratio", "p_rmse", "p_rmse_joint", "sd_ratio", "p_sd", "p_sd_joint"),
    ]
    assert (rows["note"] == "3 methods").all()
    k = found.error.place(0, 1)
    assert rows.loc["rmse_ratio", ["low", "high"]].tolist() == [*found.error.joint_interval(k)]
    sizes = {name: frames[name].set_index("statistic").loc["rmse", "value"] for name in "ab"}
    assert rows.loc["rmse_ratio", "value"] == pytest.approx(sizes["a"] / sizes["b"])
    assert found.ranked == tuple(found.error.names[k] for k in np.argsort(found.error.sizes))


def test_two_methods_with_many_more_tests_stand_beside_the_joint_comparison():
    (found,) = methods_compared(methods({"a": 30, "b": 30, "c": 12}))
    (beside,) = found.apart
    assert (found.n, beside.names, beside.group, beside.n) == (12, ("a", "b"), "two methods", 30)
    rows = frames_of(found)["a vs b"].set_index(["group", "statistic"])
    assert rows.loc[("all", "rmse_ratio"), "n"] == 12
    assert rows.loc[("two methods", "rmse_ratio"), "n"] == 30
    assert ("two methods", "p_rmse_joint") not in rows.index
    assert found.net == {}


def test_a_method_with_few_shared_tests_is_no_reason_to_compare_nothing():
    (found,) = methods_compared(methods({"a": 30, "b": 29, "c": 8}))
    assert found.names == ("a", "b")
    assert found.n == 29
    rows = frames_of(found)
    assert rows["c"]["note"].str.startswith("too_few").all()
    assert rows["a vs c"]["value"].isna().all()


def test_many_methods_stand_beside_the_closest_and_all_pairs_are_counted():
    names = [f"m{k:02}" for k in range(21)]
    (found,) = methods_compared(methods(dict.fromkeys(names, 30)))
    best = found.ranked[0]
    rows = frames_of(found)
    two = [name for name in rows if " vs " in name]
    assert len(two) == 20
    assert all(best in name.split(" vs ") for name in two)
    assert len(found.error.pairs) == 21 * 20 / 2
    assert (rows[two[0]]["note"] == "21 methods").all()
    (first, *rest) = methods(dict.fromkeys(names, 30))
    options = replace(first.options, study=replace(first.options.study, compares=("m03", "m07")))
    asked = side_by_side([replace(one, options=options) for one in (first, *rest)])
    pairs = {(a.method, b.method) for a, b in asked}
    assert pairs == {tuple(name.split(" vs ")) for name in two} | {("m03", "m07")}


def test_pairs_of_methods_are_found_where_they_were_put():
    found = closer(np.random.default_rng(1).normal(1, 2, (12, 7)), n_flips=99, rng=1)
    assert [found.place(b, a) for a, b in found.pairs] == list(range(21))


def test_flips_of_many_pairs_are_those_of_few(monkeypatch):
    d = np.random.default_rng(2).normal(1, 2, (12, 6))
    whole = closer(d, n_flips=199, rng=1)
    monkeypatch.setattr("agreement.stats.compare.closer._HELD", 199 * 4)  # four pairs at a time
    parts = closer(d, n_flips=199, rng=1)
    assert parts.p.tolist() == whole.p.tolist()
    assert parts.p_joint.tolist() == whole.p_joint.tolist()
    assert parts.factor == pytest.approx(whole.factor, rel=1e-12)


@pytest.mark.parametrize("seed", range(8))
def test_methods_go_one_by_one_until_ten_athletes_are_left(seed):
    rng = np.random.default_rng(seed)
    index = pd.MultiIndex.from_arrays([rng.integers(0, 25, 60), range(60)])
    wide = pd.DataFrame(rng.normal(size=(60, 9)), index=index).rename(columns=str)
    wide = wide.mask(rng.random(wide.shape) < 0.3)
    kept = list(wide)
    while len(kept) > 2 and wide[kept].dropna().index.unique(0).size < 10:
        left = [[other for other in kept if other != name] for name in kept]
        kept = max(left, key=lambda some: wide[some].dropna().index.unique(0).size)
    assert jointly(wide, list(wide)) == kept


def test_too_few_and_one_method():
    (found,) = methods_compared(methods({"a": 9, "b": 9}))
    assert isinstance(found.error, NotEstimable)
    rows = frames_of(found)["a vs b"]
    assert rows["value"].isna().all()
    assert rows["note"].str.startswith("too_few").all()
    assert methods_compared(methods({"a": 30})) == ()


def test_different_tests_are_two_studies():
    a, b = methods({"a": 30, "b": 30})
    ids = sorted(a.pairs["athlete_id"])
    halves = []
    for one, kept in ((a, ids[:18]), (b, ids[12:])):
        pairs = one.pairs[one.pairs["athlete_id"].isin(kept)].reset_index(drop=True)
        resampling = replace(
            one.resampling, codes=np.arange(18), counts=np.zeros((1, 18), dtype=np.uint8)
        )
        halves.append(replace(one, pairs=pairs, resampling=resampling))
    (found,) = methods_compared(halves)
    rows = frames_of(found)["a vs b"].set_index(["group", "statistic"])
    assert rows.loc["all", "value"].isna().all()
    assert rows.loc["different tests"].index.tolist() == ["rmse_ratio", "sd_ratio"]
    assert rows.loc[("different tests", "rmse_ratio"), "n"] == 30


def test_net_of_the_laboratory():
    first = next(methods({"a": 30}))
    declared = replace(first.options, reference=Reference(sem=2.0))
    (found,) = methods_compared(
        methods({"a": 30, "b": 30}, options=declared, repeats=first.repeats.iloc[:0])
    )
    k = found.error.names.index("a")
    assert found.net["a"] ** 2 == pytest.approx(found.error.sizes[k] ** 2 - 4.0)


def test_the_mean_of_two_laboratory_tests_has_half_the_noise():
    first = next(methods({"a": 30}))
    behind = pd.concat([first.repeats.drop_duplicates("lab_test_id")] * 2, ignore_index=True)
    noise = np.random.default_rng(4).normal(0, 1.5, len(behind))
    behind = behind.assign(lab=behind["lab"] + noise).sort_values("lab_test_id", kind="stable")
    one = next(methods({"a": 30}, repeats=behind))
    variance = laboratory_of(one).variance
    (found,) = methods_compared(methods({"a": 30, "b": 30}, repeats=behind))
    k = found.error.names.index("a")
    assert found.net["a"] ** 2 == pytest.approx(found.error.sizes[k] ** 2 - variance / 2)


def share(runs, question):
    rng = np.random.default_rng(20261129)
    return np.mean([question(rng) for _ in range(runs)], axis=0)


def within(observed, nominal, runs, slack=0.0):
    assert abs(observed - nominal) < 3 * np.sqrt(nominal * (1 - nominal) / runs) + slack


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["normal", "t3", "skew"])
@pytest.mark.parametrize("n", [12, 35])
def test_size_of_the_flips_and_of_the_jackknife(kind, n):
    # printed in the method sheet: flips .042-.055, jackknife intervals miss .051-.070
    def once(rng):
        d, _ = drawn(n, rng, m=2, kind=kind)
        found = closer(d, n_flips=199, rng=rng)
        return found.p[0] <= 0.05, not found.interval(0).contains(1.0)

    flips, jackknife = share(500, once)
    within(flips, 0.05, 500)
    within(jackknife, 0.06, 500)


@pytest.mark.slow
@pytest.mark.parametrize(("m", "times", "runs"), [(3, 1, 400), (8, 1, 150), (4, 2, 250)])
def test_one_of_many_equal_methods_is_rarely_called_closer(m, times, runs):
    # printed: .035-.055 for 3 to 10 methods; without joint p values up to .71. The joint interval
    # alone leaves out 1 in .05-.17 here: words go by the joint p value and the interval together.
    def once(rng):
        d, athlete = drawn(20, rng, m=m, times=times)
        found = closer(d, athlete=athlete, n_flips=399, rng=rng)
        return found.p_joint.min() <= 0.05, found.p.min() <= 0.05

    joint, single = share(runs, once)
    within(joint, 0.045, runs)
    assert single > 2 * joint


@pytest.mark.slow
@pytest.mark.parametrize(("n", "times"), [(12, 1), (35, 2)])
def test_coverage_of_the_ratio(n, times):
    # printed: .937-.957 at a true ratio of 1.27
    def once(rng):
        d, athlete = drawn(n, rng, m=2, times=times, scale=1.27)
        found = [closer(d, athlete=athlete, spread=s, n_flips=9, rng=rng) for s in (False, True)]
        return [one.interval(0).contains(1.27) for one in found]

    for covered in share(400, once):
        within(covered, 0.947, 400)


@pytest.mark.slow
@pytest.mark.parametrize(("bias", "printed"), [(3, 0.06), (5, 0.50), (8, 1.00)])
def test_a_method_that_scatters_less_but_reads_too_high(bias, printed):
    # printed: true errors 4.1, 5.7, 8.5 against 4.5; some called closer .06, .50, 1.00
    scatter = {3: 4.1, 5: 5.7, 8: 8.5}[bias]
    own = np.sqrt(scatter**2 - bias**2)

    def once(rng):
        shared = rng.normal(0, 2, 35)
        a = shared + rng.normal(bias, np.sqrt(own**2 - 4), 35)
        b = shared + rng.normal(0, np.sqrt(4.5**2 - 4), 35)
        found = closer(np.column_stack([a, b]), n_flips=399, rng=rng)
        called = found.p_joint[0] <= 0.05
        wrong = called and ((found.ratio(0) < 1) != (scatter < 4.5))
        return called, wrong

    called, wrong = share(300, once)
    within(called, min(printed, 0.995), 300, slack=0.02)
    assert wrong < 0.03


@pytest.mark.slow
@pytest.mark.parametrize("shared", [0, 10, 20])
def test_coverage_of_different_tests(shared):
    # printed: .960, .923, .935 with none, half, all shared
    def once(rng):
        lab = rng.normal(0, 2, 40 - shared)
        a = lab[:20] + rng.normal(0, 4, 20)
        b = 1.3 * (lab[-20:] + rng.normal(0, 4, 20))
        found = different_tests(a, np.arange(20), b, np.arange(20 - shared, 40 - shared))
        return found.interval.contains(1 / 1.3)

    within(share(600, once), 0.94, 600)


def test_very_many_athletes_are_flipped_less_often_to_the_same_end(monkeypatch):
    rng = np.random.default_rng(3)
    d = rng.normal(0, [2.0, 2.15], (600, 2))
    every = closer(d, rng=1)
    monkeypatch.setattr(closer_module, "MOST_SIGNS", 600 * 2000)
    fewer = closer(d, rng=2)
    standard_error = (every.p[0] * (1 - every.p[0]) / 2000) ** 0.5
    assert 0.01 < every.p[0] < 0.99
    assert fewer.p[0] == pytest.approx(every.p[0], abs=4 * standard_error)
    assert round(fewer.p[0] * 2001, 6) % 1 == 0  # of 2000 flips and what was seen
