"""The results table as a whole, the budget and the curve: what must hold whatever the formula."""

import math

import pandas as pd
import pytest
from scipy import stats

Z = stats.norm.ppf(0.975)

# --- the table as a whole -------------------------------------------------------------------------

ORDER = {
    "limits_of_agreement": "bias sd_of_differences lower_limit upper_limit",
    "verdict": "within_margin more_athletes",
    "trend": "slope_on_mean p_slope spread_on_mean p_spread",
    "regression": "slope intercept r standard_error_of_estimate",
    "deming": "slope intercept lambda",
    "passing_bablok": "slope intercept",
    "concordance": "ccc icc_a1",
    "error": "mae mape rmse share_within_margin total_deviation_index",
    "repeatability": "typical_error day_to_day_spread",
    "profile_bias": (
        "bias difference_from_overall p_difference lower_limit upper_limit "
        "standard_error_of_estimate p_welch"
    ),
    "change": "bias lower_limit upper_limit r slope same_direction same_direction_beyond_noise",
    "two_estimators": "ratio_of_sd p_pitman_morgan difference_of_sd",
    "calibration": "offset slope intercept rmse_cv_none rmse_cv_offset rmse_cv_line",
    "equivalence": "p_tost",
    "budget": (
        "total laboratory_repeat day_to_day profile_inputs sensor level training_profile "
        "persistent_rest"
    ),
    "averaging_curve": "half_width_observed half_width_fitted half_width_laboratory",
}


def test_every_analysis_and_statistic_is_written_for_every_method(numbers):
    for analysis, names in ORDER.items():
        if analysis == "two_estimators":
            continue
        for method in ("b", "m"):
            rows = numbers.frame[
                (numbers.frame.analysis == analysis) & (numbers.frame.method == method)
            ]
            assert set(names.split()) <= set(rows.statistic), (analysis, method)


def test_the_order_of_the_table(numbers):
    frame = numbers.frame
    columns = [
        "analysis",
        "method",
        "mode",
        "group",
        "statistic",
        "value",
        "low",
        "high",
        "unit",
        "n",
        "n_pairs",
        "note",
    ]
    assert list(frame.columns) == columns
    analyses = list(dict.fromkeys(frame.analysis))
    assert [a for a in analyses if a in ORDER] == list(ORDER)
    for (analysis, method, mode), part in frame.groupby(["analysis", "method", "mode"], sort=False):
        groups = list(dict.fromkeys(part.group))
        numeric = sorted((g for g in groups if str(g).isdigit()), key=int)
        text = sorted(g for g in groups if g != "all" and not str(g).isdigit())
        assert groups == ["all"] * ("all" in groups) + numeric + text, (analysis, method, mode)
        known = ORDER.get(analysis, "").split()  # later additions keep an order of their own
        for _, rows in part.groupby("group"):
            names = [s for s in rows.statistic if s in known]
            assert names == [s for s in known if s in set(names)]
    keys = list(dict.fromkeys(zip(frame.analysis, frame.method, strict=True)))
    for analysis in analyses:
        methods = [m for a, m in keys if a == analysis]
        assert methods == sorted(methods), analysis
    key = ["analysis", "method", "mode", "group", "statistic"]
    assert not frame.duplicated(key).any()


def test_units_and_empty_values(numbers):
    frame = numbers.frame
    allowed = {"mL/kg/min", "%", "(mL/kg/min)^2", "1"}
    assert set(frame.unit.dropna()) - {""} <= allowed
    assert set(frame[frame.unit == "%"].statistic) == {"mape"}
    codes = ("too_few", "suppressed", "no_margin", "no_second_visit", "not_estimable")
    empty = frame[frame.value.isna() & (frame.analysis != "verdict")]
    strange = [n for n in empty.note.fillna("") if not n.startswith(codes)]
    assert strange == []
    assert (frame.n >= 0).all()
    assert (frame.n_pairs >= frame.n).all()


# --- budget and curve: what must hold whatever the formula ----------------------------------------


def test_the_error_budget_adds_up(numbers, data):
    frame = numbers.frame
    rows = frame[(frame.analysis == "budget") & (frame.method == "m") & (frame.group == "all")]
    values = rows.set_index("statistic").value
    parts = [s for s in ORDER["budget"].split() if s != "total"]
    total = sum(values[p] for p in parts if not pd.isna(values[p]))
    excess = sum(v for s, v in values.items() if "excess" in s and not s.startswith("half_width"))
    assert total - excess == pytest.approx(values["total"], rel=1e-9)
    assert all(values[p] >= 0 for p in parts if not pd.isna(values[p]))
    units = rows.set_index("statistic").unit
    assert units["total"] == "(mL/kg/min)^2"
    for part in parts:
        if not pd.isna(values[part]):
            width = values[f"half_width_without_{part}"]
            assert width == pytest.approx(Z * math.sqrt(values["total"] - values[part]), rel=1e-9)
    # two days each: total = persistent + one day's own variance = var(d) + 0.03125 / 2
    assert values["total"] == pytest.approx(data.d.var() + 2 * 0.125**2 / 2, rel=1e-6)


def test_the_averaging_curve(numbers, data):
    frame = numbers.frame[
        (numbers.frame.analysis == "averaging_curve") & (numbers.frame.method == "m")
    ]
    assert {str(m) for m in range(1, 15)} <= set(frame.group.astype(str))
    observed = numbers.value("averaging_curve", "half_width_observed", group="2")
    assert observed == pytest.approx(Z * data.d.std(), rel=1e-8)  # the mean of both days
    nearest = numbers.value("averaging_curve", "half_width_observed", group="1")
    assert nearest == pytest.approx(
        Z * data.d.std(), rel=1e-8
    )  # all shifted by 0.125: equal spread
    beyond = numbers.row("averaging_curve", "half_width_observed", group="3")
    assert pd.isna(beyond.value)
