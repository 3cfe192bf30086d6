"""The whole table of a small study: every row there, in its order, the same whatever the input's."""

import re
from dataclasses import replace
from datetime import date

import numpy as np
import pandas as pd
import pytest

from agreement.stats.basics.bootstrap import N_RESAMPLES
from agreement.stats.catalogue import ANALYSES, statistic_of
from agreement.stats.evidence import Evidence
from agreement.stats.limits.limits_of_agreement import limits_of_agreement_of
from agreement.stats.method_data import NOTE_CODES
from agreement.stats.results_table import analyse, method_data
from agreement.tables.options import Margin, Reference, ReportOptions, StudyOptions
from agreement.terms import NOTE_WORDS, PAIR_COLUMNS, RESULT_COLUMNS

PROFILES = ("base", "long", "short", "not enough data")


def study(n=18, visits=1, methods=(("wrist", "run"), ("step", "step")), drug_every=0, **options):
    """A study of n athletes; every fourth has two laboratory tests in each unit."""
    rng = np.random.default_rng(7)
    pairs, daily, repeats = [], [], []
    for i in range(n):
        level, drug = rng.normal(50, 6), "yes" if drug_every and i % drug_every == 0 else "no"
        for visit in range(visits):
            test, day = (
                f"T{i:02}-{visit}",
                pd.Timestamp("2026-03-02") + pd.Timedelta(days=60 * visit),
            )
            lab = level + visit + rng.normal(0, 1)
            athlete = f"A{i:02}"
            repeats += [
                (athlete, test, "run", lab + noise) for noise in rng.normal(0, 1, 1 + (i % 4 == 0))
            ]
            for method, mode in methods:
                field = 12 + 0.8 * lab + rng.normal(0, 2) + rng.normal(0, 1, 4)
                daily += [
                    (athlete, test, method, mode, day - pd.Timedelta(days=k + 1), k + 1, x, lab)
                    for k, x in enumerate(field)
                ]
                pairs.append(
                    {
                        "athlete_id": athlete,
                        "lab_test_id": test,
                        "lab_date": day,
                        "method": method,
                        "mode": mode,
                        "lab": lab,
                        "field": field.mean(),
                        "difference": field.mean() - lab,
                        "n_estimates": 4,
                        "n_days": 4,
                        "gap_days": 1,
                        "training_profile": PROFILES[i % 4],
                        "profile_borderline": "no",
                        "max_confirmed": "yes" if i % 2 else "unknown",
                        "averaging_rule": "moving 30 s",
                        "sex": "female" if i % 2 else "male",
                        "age_years": 30.0,
                        "mass_kg": 70.0,
                        "sensor": "chest_strap" if i % 3 else "wrist_optical",
                        "mass_mismatch_pct": rng.normal(),
                        "hr_max_mismatch_bpm": rng.normal(),
                        "hr_limiting_drug": drug,
                    }
                )
    daily_columns = ["athlete_id", "lab_test_id", "method", "mode", "date", "gap_days"]
    return Evidence(
        pd.DataFrame(pairs, columns=PAIR_COLUMNS),
        pd.DataFrame(daily, columns=[*daily_columns, "field", "lab"]),
        pd.DataFrame(repeats, columns=["athlete_id", "lab_test_id", "mode", "lab"]),
        StudyOptions(margin=Margin(limit=3.5, agreed_on=date(2026, 1, 10)), **options),
        {"wrist": True, "step": False},
        date(2026, 3, 2),
        averaging=under_two_rules(pairs),
        **by_other_rules(pd.DataFrame(pairs, columns=PAIR_COLUMNS)),
    )


def by_other_rules(pairs):
    """Say of these pairs that they stand beside a cycle test as well, or come from half a window."""
    apart = pairs.assign(mode="run", laboratory_mode="cycle")
    return {"across_modes": apart, "other_rules": {"half_window": pairs}}


def under_two_rules(pairs):
    """Give every laboratory test of these pairs a value under two averaging rules."""
    tests = {pair["lab_test_id"]: pair for pair in pairs}.values()
    lines = [
        {"athlete_id": pair["athlete_id"], "lab_test_id": pair["lab_test_id"], "mode": "run"}
        | {"rule": rule, "vo2max": pair["lab"] + more, "in_use": "moving 30 s"}
        for pair in tests
        for rule, more in (("moving 30 s", 0.0), ("fixed 30 s", -0.5))
    ]
    columns = ["athlete_id", "lab_test_id", "mode", "rule", "vo2max", "in_use"]
    return pd.DataFrame(lines, columns=columns)


@pytest.fixture(scope="module")
def evidence():
    return study()


@pytest.fixture(scope="module")
def results(evidence):
    return analyse(evidence)


# these tests have neither dates nor breaths
NOT_OF_THESE = {"laboratory_change", "thresholds", "threshold_agreement", "threshold_agreement_hr"}
NOT_OF_THESE |= {"training_zones", "economy"}


def test_every_statistic_of_every_analysis_is_there(results):
    frame = results.frame
    assert list(frame.columns) == RESULT_COLUMNS
    for analysis in ANALYSES:
        rows = frame[frame["analysis"] == analysis.name]
        methods = {"wrist", "step"}
        if analysis.name == "two_estimators":
            methods = {"step vs wrist"}
        if analysis.name == "closer":
            methods = set()  # each mode has one method here
        if analysis.name == "repeatability":
            methods.add("laboratory")
        if analysis.name in {"averaging_rule", "laboratory_repeats"}:
            methods = {"laboratory"}
        if analysis.name in NOT_OF_THESE:
            methods = set()
        assert set(rows["method"]) == methods
        for method in methods:
            days = analysis.name == "repeatability" and method != "laboratory"
            of_weeks = {"day_to_day_spread", "week_to_week_change"}
            other_kind = {"smallest_real_change"} if days else of_weeks
            assert set(analysis.names) - {"excess", *other_kind} <= set(
                rows.loc[rows["method"] == method, "statistic"]
            )


def test_no_statistic_is_unknown_to_the_list(results):
    listed = {(a.name, s) for a in ANALYSES for s in a.names}
    found = set(zip(results.frame["analysis"], results.frame["statistic"], strict=True))
    assert found <= listed


def test_rows_are_sorted_as_the_contract_says(results):
    frame = results.frame
    without = {"closer", *NOT_OF_THESE}  # one method in each mode
    order = [analysis.name for analysis in ANALYSES if analysis.name not in without]
    assert frame["analysis"].drop_duplicates().tolist() == order
    first = frame[frame["analysis"] == "limits_of_agreement"]
    assert first["method"].drop_duplicates().tolist() == ["step", "wrist"]
    assert first.loc[first["method"] == "step", "group"].drop_duplicates().tolist() == [
        "all",
        "chest_strap",
        "confirmed",
        "hr_limiting_drug",
        "no_hr_limiting_drug",
    ]
    curve = frame[(frame["analysis"] == "averaging_curve") & (frame["method"] == "step")]
    days = [str(day) for day in range(1, 15)]
    assert curve["group"].drop_duplicates().tolist() == [*days, "floor"]
    profiles = frame[(frame["analysis"] == "profile_bias") & (frame["method"] == "step")]
    assert profiles["group"].drop_duplicates().tolist() == ["all", "base", "long", "short"]


def test_an_empty_value_says_why(results):
    empty = results.frame[results.frame["value"].isna()]
    assert empty["note"].str.startswith((*NOTE_CODES, "undecided", "withheld")).all()
    assert results.frame.loc[results.frame["value"].isna(), ["low", "high"]].isna().all(axis=None)


def test_every_code_in_a_note_has_words(results, demo):
    notes = pd.concat([results.frame["note"], demo.results.frame["note"]])
    parts = {part.split(":")[0].strip() for note in notes.unique() for part in note.split(";")}
    codes = {part for part in parts if re.fullmatch(r"[a-z]+(_[a-z0-9]+)*", part)}
    assert {"clustered", "jackknife_t", "few_repeats", "true value"} <= parts
    assert codes <= set(NOTE_WORDS)
    assert set(NOTE_CODES) <= set(NOTE_WORDS)


def test_units_are_those_of_the_contract(results):
    for row in results.frame.itertuples():
        assert row.unit == statistic_of(row.analysis, row.statistic).unit, row


def test_row_order_and_ids_that_sort_alike_do_not_matter(evidence, results):
    rng = np.random.default_rng(1)
    mixed = replace(
        evidence,
        pairs=evidence.pairs.sample(frac=1, random_state=rng, ignore_index=True),
        daily=evidence.daily.sample(frac=1, random_state=rng, ignore_index=True),
        repeats=evidence.repeats.iloc[::-1].sort_values("lab_test_id", kind="stable")[::-1],
    )
    pd.testing.assert_frame_equal(analyse(mixed).frame, results.frame, check_exact=True)


def test_of_few_athletes_the_seed_moves_simulated_p_values_alone(evidence, results):
    other = analyse(
        replace(evidence, options=replace(evidence.options, report=ReportOptions(seed=3)))
    )
    simulated = results.frame["statistic"] == "p_linearity"
    assert (other.frame.loc[simulated, "value"] != results.frame.loc[simulated, "value"]).any()
    pd.testing.assert_frame_equal(other.frame[~simulated], results.frame[~simulated])


def test_results_behind_the_table(results):
    wrist = results.methods[1]
    assert (wrist.method, wrist.mode) == ("wrist", "run")
    assert wrist.limits_of_agreement["all"].limits.n == 18
    assert wrist.limits_of_agreement_anova is None
    assert wrist.reasons["limits_of_agreement_anova"].startswith(
        "not_estimable: no athlete has two"
    )
    assert wrist.error.replicates.replicates.shape[0] == N_RESAMPLES
    assert results.of_laboratory("repeatability")["run"].n == 5
    assert len(results.comparisons) == 1


def test_athletes_under_a_drug_leave_heart_rate_methods_alone():
    frame = analyse(study(24, drug_every=2)).frame
    sizes = frame[(frame["statistic"] == "bias") & (frame["analysis"] == "limits_of_agreement")]
    sizes = sizes.set_index(["method", "group"])["n"]
    assert sizes["wrist"].to_dict() == {
        "all": 12,
        "chest_strap": 8,
        "confirmed": 12,
        "hr_limiting_drug": 12,
        "no_hr_limiting_drug": 12,
    }
    assert sizes["step", "all"] == 24
    assert sizes["step", "hr_limiting_drug"] == 12
    regression = frame[(frame["analysis"] == "regression") & (frame["statistic"] == "slope")]
    assert regression.set_index("method")["n"].to_dict() == {"step": 24, "wrist": 12}
    other = frame[(frame["analysis"] == "pairing_rule") & (frame["group"] == "half_window")]
    other = other[other["statistic"] == "bias"]
    assert other.set_index("method")["n"].to_dict() == {"step": 24, "wrist": 12}


def test_everybody_under_a_drug_leaves_an_empty_method():
    frame = analyse(study(12, drug_every=1, methods=(("wrist", "run"),))).frame
    rows = frame.set_index(["analysis", "group", "statistic"])
    assert rows.loc[("limits_of_agreement", "all", "bias"), "n"] == 0
    assert np.isfinite(
        rows.loc[("limits_of_agreement", "hr_limiting_drug", "upper_limit"), "value"]
    )
    assert rows.loc[("trend", "all", "p_slope"), "note"].startswith("too_few")


def test_several_pairs_per_athlete_are_marked():
    frame = analyse(study(16, visits=2, methods=(("wrist", "run"),))).frame
    noted = frame[frame["note"].str.startswith("clustered")]
    assert set(noted["analysis"]) >= {"trend", "regression", "concordance", "error"}
    net = frame[(frame["analysis"] == "deming") & (frame["statistic"] == "slope")]
    assert net["note"].tolist() == ["net_of_laboratory"]  # the laboratory has repeats here
    anova = frame[frame["analysis"] == "limits_of_agreement_anova"]
    assert anova["value"].notna().all()
    limits = frame[(frame["analysis"] == "limits_of_agreement") & (frame["group"] == "all")]
    assert (limits["n"].iloc[0], limits["n_pairs"].iloc[0]) == (16, 32)


@pytest.mark.parametrize("n", [1, 2, 3, 9])
def test_small_studies_keep_every_row(n):
    frame = analyse(study(n, methods=(("wrist", "run"),))).frame
    statistics = frame.groupby("analysis")["statistic"].agg(set)
    for analysis in ANALYSES:
        if analysis.compute is not None and analysis.name != "profile_bias":
            assert set(analysis.names) - {"excess"} <= statistics[analysis.name]
    halves = frame["statistic"].str.match("half_width_(observed|fitted|without_)")
    limits = frame[frame["statistic"].isin(["lower_limit", "upper_limit"]) | halves]
    assert limits["value"].isna().all()
    assert limits["note"].str.startswith(("too_few", "not_estimable", "no_second_visit")).all()


def test_a_study_without_pairs_has_a_table_without_methods():
    base = study(3)
    none = base.pairs.iloc[:0]
    nothing = replace(base, pairs=none, daily=base.daily.iloc[:0], across_modes=None)
    frame = analyse(nothing).frame
    assert set(frame["method"]) == {"laboratory"}
    empty = analyse(replace(nothing, repeats=base.repeats.iloc[:0], averaging=None)).frame
    assert list(empty.columns) == RESULT_COLUMNS
    assert empty.empty


def test_the_laboratory_has_one_noise_wherever_it_is_told():
    base = study(60, methods=(("wrist", "run"),))
    shifted = base.repeats.assign(  # the second test of each reads 2 higher
        lab=base.repeats["lab"] + 2.0 * base.repeats["lab_test_id"].duplicated()
    )
    found = analyse(replace(base, repeats=shifted))
    told = found.frame.set_index(["analysis", "method", "group", "statistic"]).sort_index()["value"]
    error = told["repeatability", "laboratory", "all", "typical_error"]
    step = told["laboratory_repeats", "laboratory", "1 to 2", "typical_error"]
    assert step == pytest.approx(error)
    assert told["net_of_laboratory", "wrist", "all", "laboratory_variance"] == pytest.approx(
        error**2
    )
    floor = told["averaging_curve", "wrist", "floor", "half_width_laboratory"]
    assert floor == pytest.approx(1.959963984540054 * error)
    assert found.methods[0].budget.components["laboratory_repeat"].variance <= error**2
    before = analyse(base).frame.query("analysis == 'repeatability' and method == 'laboratory'")
    assert error == pytest.approx(before["value"].iloc[0])


def test_a_declared_laboratory_error_is_used_without_repeats_only():
    base = study(20, methods=(("wrist", "run"),), reference=Reference(sem=2.6))
    measured = analyse(base).frame.query("method == 'laboratory' and analysis == 'repeatability'")
    assert set(measured["note"]) == {"few_repeats"}
    single = base.repeats.drop_duplicates("lab_test_id")
    declared = analyse(replace(base, repeats=single)).frame.query(
        "method == 'laboratory' and analysis == 'repeatability'"
    )
    assert declared["value"].iloc[0] == 2.6
    assert set(declared["note"]) == {"assumed"}


@pytest.mark.parametrize("column", ["field", "lab"])
def test_equal_values_of_one_method_are_no_trouble(column):
    base = study(12, methods=(("wrist", "run"),))
    flat = replace(base, pairs=base.pairs.assign(**{column: 50.0}))
    frame = analyse(flat).frame
    assert np.isfinite(frame.loc[frame["statistic"] == "sd_of_differences", "value"].iloc[0])
    empty = frame[frame["value"].isna()]
    assert empty["note"].str.startswith((*NOTE_CODES, "undecided")).all()


def test_perfect_agreement_is_no_trouble():
    base = study(12, methods=(("wrist", "run"),))
    perfect = replace(
        base,
        pairs=base.pairs.assign(field=base.pairs["lab"]),
        daily=base.daily.assign(field=base.daily["lab"]),
    )
    frame = analyse(perfect).frame
    rows = frame[frame["group"] == "all"].set_index(["analysis", "statistic"])["value"]
    assert rows["limits_of_agreement", "upper_limit"] == 0
    assert np.isnan(rows["verdict", "within_margin"])  # copied from the laboratory, or by chance
    empty = frame[frame["value"].isna()]
    assert empty["note"].str.startswith((*NOTE_CODES, "undecided")).all()


def test_of_whom_it_is_unknown_stands_in_neither_group_of_a_drug_and_in_all():
    evidence = study(24, drug_every=2)
    some = evidence.pairs["athlete_id"].isin(["A00", "A01", "A02"])
    drug = evidence.pairs["hr_limiting_drug"].mask(some, "unknown")
    evidence = replace(evidence, pairs=evidence.pairs.assign(hr_limiting_drug=drug))
    known = drug[~some & (evidence.pairs["method"] == "wrist")].value_counts()
    wrist = next(one for one in method_data(evidence) if one.method == "wrist")
    sizes = {group.name: group.n for group in limits_of_agreement_of(wrist).groups}
    assert sizes["hr_limiting_drug"] == known["yes"]
    assert sizes["no_hr_limiting_drug"] == known["no"]
    assert sizes["all"] == known["no"] + 3
