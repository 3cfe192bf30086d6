"""Beside each answer its doubt: widths, cautions, repeats, other rules; and what stands apart."""

import re

import pandas as pd
import pytest
from opened import Opened, open_both, open_report

from agreement.report.page.machine import in_words
from agreement.report.page.machine import said as said_by
from agreement.report.page.numbers import Cell
from agreement.report.run.write import write_report
from agreement.report.sections.checklists import facts_of
from agreement.report.sections.further import every_formula
from agreement.stats.catalogue import ANALYSES


def stated(study, toml):
    """Add a table to the study file."""
    with (study / "study.toml").open("a", encoding="utf-8") as file:
        file.write(toml)


def repeated(study, people, more):
    """Test some of the athletes again two days later, so much higher."""
    tests = pd.read_csv(study / "lab_tests.csv")
    again = tests.drop_duplicates("athlete_id").head(people)
    again = again.assign(
        lab_test_id=again["lab_test_id"] + "r",
        date="2026-03-04",
        vo2max_ml_kg_min=again["vo2max_ml_kg_min"] + more,
    )
    pd.concat([tests, again]).to_csv(study / "lab_tests.csv", index=False)
    return study


@pytest.fixture(scope="module")
def report(small_study, tmp_path_factory):
    """A study of 14 runners, one with a wrong mass; three more were tested on a cycle."""
    study = small_study(tmp_path_factory.mktemp("doubt") / "crew")
    tests = pd.read_csv(study / "lab_tests.csv")
    tests.loc[tests["athlete_id"].isin(["A00", "A01", "A02", "A04", "A05"]), "mode"] = "cycle"
    tests.to_csv(study / "lab_tests.csv", index=False)
    return open_report(study)


def text(block):
    """Words of a block, blanks made one."""
    return " ".join(re.sub(r"<[^>]+>", " ", block.html).split())


def value(report, analysis, statistic, group="all", method="wrist"):
    return report.numbers.get(analysis, statistic, method, "run", group)


def test_the_width_of_the_intervals_and_who_would_halve_it(opened):
    report = opened(athletes=12, visits=1)
    width, more = (
        value(report, "interval_width", name)
        for name in ("width_of_lower_limit", "athletes_to_halve")
    )
    said = text(report.differences())
    assert f"the 95 % interval of each is {width.value:.1f} mL/kg/min wide" in said
    assert f"About {more.value:.0f} athletes in all would halve that;" in said
    assert "12 athletes: the limits are indicative only." in said
    lower = value(report, "limits_of_agreement", "lower_limit")
    assert width.value == pytest.approx(lower.high - lower.low)


def test_agreement_without_wrong_inputs_stands_beside(opened):
    report = opened(visits=1)
    assert "without pairs with a wrong body mass or HRmax 13" in text(report.differences())
    bias = value(report, "choice_of_pairs", "bias", "without_wrong_inputs")
    assert f'/without_wrong_inputs/bias">{bias.value:.1f}'.replace("-", "\u2212") in (
        report.differences().html.replace("-", "\u2212")
    )


def test_what_was_tested_in_another_mode_stands_apart(report):
    said = text(report.modes())
    assert "never pooled" in said
    high, middle, low = (
        value(report, "across_modes", f"expected_in_{who}", "laboratory_cycle").value
        for who in ("runners", "triathletes", "cyclists")
    )
    assert "wrist laboratory cycle" in said
    assert said.endswith(f"{high:.1f} {middle:.1f} {low:.1f} 5")


def test_without_such_tests_nothing_is_said(opened):
    report = opened(athletes=3)
    assert text(report.modes()) == ""


def test_repeats_of_the_laboratory_and_of_the_field_stand_in_one_table(report):
    said = text(report.repeatability())
    error = value(report, "repeatability", "typical_error")
    share = value(report, "repeatability", "coefficient_of_variation")
    assert f"{error.value:.1f}" in said
    assert f"{100 * share.value:.1f} %" in said
    assert "no athlete has repeated values close together" in said  # the laboratory has none


@pytest.mark.slow
def test_a_method_without_a_mode_of_its_own_has_the_laboratorys_repeats_beside_it(
    small_study, tmp_path
):
    study = repeated(small_study(tmp_path / "crew"), 6, [1, 2, 3, 1, 2, 3])
    stated(study, '[methods."wrist"]\nresting = true\n')
    report = open_report(study)
    said = text(report.repeatability())
    assert "laboratory, run 6" in said
    assert "laboratory, resting" not in said
    assert "own error is not known" not in text(report.change())


@pytest.mark.slow
def test_two_methods_of_one_label_have_a_line_each(small_study, tmp_path):
    study = small_study(tmp_path / "crew")
    readings = pd.read_csv(study / "field_estimates.csv")
    ring = readings.assign(method="ring", vo2max_ml_kg_min=readings["vo2max_ml_kg_min"] + 1.5)
    pd.concat([readings, ring]).to_csv(study / "field_estimates.csv", index=False)
    stated(study, "".join(f"[methods.{name}]\nlabel = 'Watch'\n" for name in ("wrist", "ring")))
    report = open_report(study)
    for block in (report.repeatability(), report.differences()):
        said = text(block)
        assert "Watch (ring)" in said
        assert "Watch (wrist)" in said


@pytest.mark.slow
def test_an_audit_tells_nothing_of_four_peoples_repeats(small_study, tmp_path):
    study = repeated(small_study(tmp_path / "crew", visits=1), 4, [3.5, -4.4, 2.9, -1.0])
    open_one, audit = open_both(study)
    assert "own typical error ( 2.6 mL/kg/min)" in text(open_one.differences())
    assert "own typical error" not in text(audit.differences())
    assert "laboratory, run has no typical error: withheld" in text(audit.repeatability())


@pytest.mark.slow
def test_an_audit_counts_wrong_inputs_and_lists_nobodys_age_or_drug(small_study, tmp_path):
    study = small_study(tmp_path / "crew", visits=1)
    people = pd.read_csv(study / "athletes.csv")
    people.loc[:1, "age_years"] = [15, 16]
    people["hr_limiting_drug"] = ["yes"] * 2 + ["no"] * 12
    people.to_csv(study / "athletes.csv", index=False)
    readings = pd.read_csv(study / "field_estimates.csv")
    readings["set_age_years"] = readings["athlete_id"].map({"A00": 40, "A01": 40})
    readings.to_csv(study / "field_estimates.csv", index=False)
    both = open_both(study)
    asked, of_nobody = (text(one.next_steps()) for one in both)
    assert "Correct the age set in the device of A00, A01: more than 1 year from the" in asked
    assert "age" not in of_nobody
    open_one, audit = (text(one.inputs()) for one in both)
    assert "A00 age 40 years 15 years" in open_one
    assert "a drug limits heart rate" in open_one
    assert "an input to correct for 1 to 4 of 12 athletes" in audit
    assert "years" not in audit
    assert "drug" not in audit


def test_an_audit_counts_inputs_of_the_paired_and_of_no_group_of_one(small_study, tmp_path):
    study = small_study(tmp_path / "crew", visits=1)
    readings = pd.read_csv(study / "field_estimates.csv").assign(set_mass_kg=40)
    alone = readings[readings["athlete_id"] == "A00"]
    unpaired = alone.assign(athlete_id="A99")  # never tested: 15 beside 14 would tell of one
    pd.concat([readings, alone.assign(mode="cycle"), unpaired]).to_csv(
        study / "field_estimates.csv", index=False
    )
    tests = pd.read_csv(study / "lab_tests.csv").assign(mass_kg=70)
    tests.to_csv(study / "lab_tests.csv", index=False)
    with (study / "athletes.csv").open("a") as file:
        columns = pd.read_csv(study / "athletes.csv").columns
        file.write("A99" + "," * (len(columns) - 1) + "\n")
    open_one, audit = (text(one.inputs()) for one in open_both(study))
    assert "wrist, cycle: an input to correct for 1 of 1 athlete" in open_one
    assert "wrist, run: an input to correct for 14 of 14 athletes" in audit
    assert "1 athlete" not in audit
    assert "so few people could be recognised: wrist, cycle" in audit


def test_an_audit_tells_by_no_two_counts_how_many_are_under_a_drug(small_study, tmp_path):
    study = small_study(tmp_path / "crew", athletes=20, visits=1)
    people = pd.read_csv(study / "athletes.csv")
    people["hr_limiting_drug"] = ["yes"] * 2 + ["no"] * 18
    people.to_csv(study / "athletes.csv", index=False)
    readings = pd.read_csv(study / "field_estimates.csv").assign(set_mass_kg=40)
    readings.to_csv(study / "field_estimates.csv", index=False)
    stated(study, '[methods."wrist"]\nheart_rate_based = true\n')
    audit = open_report(study, kind="audit")
    assert text(audit.funnel()).endswith("wrist 19 to 20 19 to 20 19 to 20 18 18")
    assert "19 to 20 people completed and were paired" in text(audit.funnel())
    assert "of 18 athletes" in text(audit.inputs())
    listed = text(audit.protocol_list())
    assert "18 athletes, 18 laboratory tests, 18 pairs" in listed
    assert "1 to 4 athletes, withheld" in listed


def test_a_count_in_a_caution_names_no_line_of_the_results(opened):
    shown = opened(visits=1).differences().html
    assert "<li>In 1 of 14 pairs the mass given" in shown


@pytest.mark.slow
def test_equal_differences_leave_nothing_to_halve(small_study, tmp_path):
    study = small_study(tmp_path / "crew", visits=1)
    tests = pd.read_csv(study / "lab_tests.csv").set_index("athlete_id")["vo2max_ml_kg_min"]
    readings = pd.read_csv(study / "field_estimates.csv")
    readings["vo2max_ml_kg_min"] = (readings["athlete_id"].map(tests) - 3).round(2)
    readings.to_csv(study / "field_estimates.csv", index=False)
    report = open_report(study)
    assert "would halve" not in text(report.differences())
    assert value(report, "interval_width", "athletes_to_halve").note.startswith("not_estimable")


@pytest.mark.slow
def test_an_audit_withholds_a_rule_that_adds_two_people(small_study, tmp_path):
    study = small_study(tmp_path / "crew", visits=1)
    stated(study, '[pairing]\nsummary = "nearest"\nminimum_days = 1\nsummary_days = 14\n')
    readings = pd.read_csv(study / "field_estimates.csv", parse_dates=["taken_at"])
    late = readings["athlete_id"].isin(["A12", "A13"])
    readings["taken_at"] -= pd.to_timedelta(late * 15, unit="D")
    readings["taken_at"] = readings["taken_at"].dt.strftime("%Y-%m-%dT%H:%M:%S")
    readings.to_csv(study / "field_estimates.csv", index=False)
    open_one, audit = open_both(study)
    wide = [value(one, "pairing_rule", "bias", "double_window") for one in (open_one, audit)]
    assert (wide[0].n, value(open_one, "limits_of_agreement", "bias").n) == (14, 12)
    assert wide[1].withheld


def test_no_change_is_told_from_noise_that_nobody_measured(opened):
    report = opened()
    assert "cannot be told from its noise" in text(report.change())


def test_every_pairing_rule_stands_in_the_sensitivity(report):
    said = text(report.sensitivity())
    for words in ("half the window", "twice the window", "last day alone", "nearest day alone"):
        assert words in said
    nearest = value(report, "pairing_rule", "bias", "summary_nearest")
    assert nearest.known
    assert nearest.value != value(report, "pairing_rule", "bias", "summary_mean").value
    mean = value(report, "pairing_rule", "bias", "summary_mean")  # the rule in use
    assert mean.value == pytest.approx(value(report, "limits_of_agreement", "bias").value)


def test_choices_that_change_nothing_are_named_and_fill_no_table(small_study, tmp_path):
    study = small_study(tmp_path / "crew", visits=1, days_back=(2,))
    stated(study, "[pairing]\nminimum_days = 1\n")
    said = text(open_report(study).sensitivity())
    assert "by pairing rule" not in said
    assert "bias and limits are the same with half the window, twice the window, mean" in said
    assert "the same with the first pair of each athlete" in said
    assert "without the athlete with the largest difference" in said  # stays in the table


def test_a_p_value_is_never_printed_as_nought():
    small, large = (Cell("trend/m/run/all/p_slope", value) for value in (1e-9, 0.0312))
    assert ">below 0.001<" in small.shown()
    assert ">0.031<" in large.shown()
    assert ">0.00<" in Cell("trend/m/run/all/slope_on_mean", 1e-9).shown()


def test_no_analysis_is_without_a_formula():
    named = {name for formula in every_formula() for name in formula.analyses}
    assert {analysis.name for analysis in ANALYSES} == named
    assert all(formula.source and formula.how for formula in every_formula())


@pytest.mark.slow
def test_limits_follow_fitness_where_flat_ones_mislead(small_study, tmp_path):
    study = small_study(tmp_path / "crew", athletes=30, visits=1)
    readings = pd.read_csv(study / "field_estimates.csv")
    flatter = 25 + 0.5 * readings["vo2max_ml_kg_min"]  # reads the fit low
    readings.assign(vo2max_ml_kg_min=flatter).to_csv(study / "field_estimates.csv", index=False)
    report = open_report(study)
    said = text(report.differences())
    assert "limits that follow fitness (mL/kg/min)" in said
    low, high = (value(report, "limits_by_level", "bias", end) for end in ("low_end", "high_end"))
    assert low.value > 0 > high.value
    assert f"{low.value:.1f}" in said
    assert "As a ratio, field over laboratory" in said
    assert "limits that follow fitness" not in text(report.sensitivity())  # once is enough


def test_an_audit_of_a_spread_that_follows_fitness_gives_the_limits_of_the_ratio(
    small_study, tmp_path
):
    """Limits at the ends of the data are single persons' and withheld; those of a ratio are not."""
    study = small_study(tmp_path / "crew", athletes=30, visits=1)
    tests = pd.read_csv(study / "lab_tests.csv").set_index("athlete_id")["vo2max_ml_kg_min"]
    readings = pd.read_csv(study / "field_estimates.csv")
    lab = readings["athlete_id"].map(tests)
    sign = (readings["athlete_id"].str[1:].astype(int) % 2) * 2 - 1
    fan = lab + sign * 0.4 * (lab - lab.min() + 1)
    readings.assign(vo2max_ml_kg_min=fan.round(2)).to_csv(
        study / "field_estimates.csv", index=False
    )
    for one, following in zip(open_both(study), (True, False), strict=True):
        said = text(one.differences())
        assert ("limits that follow fitness (mL/kg/min)" in said) == following
        assert "As a ratio, field over laboratory" in said
        advice = "that follow it, or those of the ratio" if following else "of the ratio"
        assert re.search(rf"changes with fitness \(p .*?\): read the limits {advice}\.", said)


def test_where_flat_limits_do_they_stand_among_the_choices(report):
    assert "limits that follow fitness" not in text(report.differences())


def people_of(report):
    """What the reporting lists say of the people."""
    return in_words(said_by("lists", "people", f=facts_of(report.cohort)))


@pytest.mark.slow
def test_an_audit_tells_ages_by_bands_of_enough_people(small_study, tmp_path):
    report = open_report(small_study(tmp_path / "crew"), kind="audit")  # 25 to 38, one of each
    assert "18 to 39 years" in people_of(report)
    study = small_study(tmp_path / "old")
    people = pd.read_csv(study / "athletes.csv")
    people.loc[:1, "age_years"] = 71
    people.to_csv(study / "athletes.csv", index=False)
    assert "71" in people_of(open_report(study))
    said = people_of(open_report(study, kind="audit"))
    assert "71" not in said
    assert "ages withheld" in said


@pytest.mark.slow
def test_an_audit_agreed_too_late_says_so_and_tells_no_date_of_a_test(small_study, tmp_path):
    toml = (
        '[study]\ntime_zone = "UTC"\n[profile]\nuse = "stated"\n'
        "[margin]\nlimit_ml_kg_min = 9\nagreed_on = 2026-06-01\n"
    )
    study = small_study(tmp_path / "crew", toml=toml)
    assert "first laboratory test of 2026-03-02" in text(open_report(study).verdict())
    audit = open_report(study, kind="audit")
    assert "after the first laboratory test of the study" in text(audit.verdict())
    assert "no verdict can rest on it" in text(audit.margin())
    assert "2026-03" not in audit.verdict().html + audit.margin().html


def test_who_has_no_training_profile_is_named(small_study, tmp_path):
    study = small_study(tmp_path / "crew")
    people = pd.read_csv(study / "athletes.csv", dtype={"training_profile": "str"})
    people.loc[2, "training_profile"] = None
    people.to_csv(study / "athletes.csv", index=False)
    said = text(open_report(study).profiles())
    assert "1 athlete has a pair without a training profile, which is in no row above: A02." in said


def test_nobody_is_counted_as_tried_who_is_on_no_list(small_study, tmp_path, opened):
    study = small_study(tmp_path / "crew", visits=1)
    before = text(Opened(opened(visits=1).cohort, kind="audit").funnel())
    readings = pd.read_csv(study / "field_estimates.csv")
    strangers = [readings.head(6).assign(athlete_id=f"X{i}") for i in range(100, 107)]
    pd.concat([readings, *strangers]).to_csv(study / "field_estimates.csv", index=False)
    assert text(open_report(study, kind="audit").funnel()) == before


def test_an_audit_cautions_with_no_number_that_it_withholds(small_study, tmp_path):
    """One profile spreads far, and goes with that of four people: its spread is in no sentence."""
    study = small_study(tmp_path / "crew", athletes=26, visits=1)
    people = pd.read_csv(study / "athletes.csv")
    people["training_profile"] = ["long"] * 14 + ["short"] * 8 + ["base"] * 4
    people.to_csv(study / "athletes.csv", index=False)
    readings = pd.read_csv(study / "field_estimates.csv")
    far = readings["athlete_id"].map(
        dict(zip(people["athlete_id"][14:22], [-9, 9] * 4, strict=True))
    )
    readings["vo2max_ml_kg_min"] += far.fillna(0)
    readings.to_csv(study / "field_estimates.csv", index=False)
    place = ("profile_bias", "spread_ratio")
    house, out = open_both(study)
    assert value(house, *place).known
    assert value(out, *place).withheld
    assert "times as far in one training profile" in text(house.differences())
    assert "times as far in one training profile" not in text(out.differences())


def test_no_reason_of_silence_counts_the_few_that_there_are(small_study, tmp_path):
    """Three came twice, were tested twice and wore a device for long enough: each count is theirs."""
    study = repeated(small_study(tmp_path / "crew", athletes=20), 3, 1.0)
    tests = pd.read_csv(study / "lab_tests.csv")
    once = tests["date"] == "2026-04-13"
    tests[~once | tests["athlete_id"].isin(["A00", "A01", "A02"])].to_csv(
        study / "lab_tests.csv", index=False
    )
    counts = re.compile(r"(?<!than )\b[1-4] (athlete|people|person|pair|test|visit|repeat|degree)")
    for report in open_both(study):
        silence = [*report.told.frame["note"].dropna().astype(str), text(report.unsaid())]
        assert any("fewer than 8 athletes came twice" in one for one in silence)
        assert [one for one in silence if counts.search(one)] == []


def test_an_audit_tells_no_middle_of_the_laboratorys_values(small_study, tmp_path):
    """Of 15 people the one in the middle has a value of his own: the median would be his."""
    study = small_study(tmp_path / "crew", athletes=15, visits=1)
    moved = {f"A{k:02}": -8.0 if k < 7 else 9.0 for k in range(15)}
    for name in ("lab_tests", "field_estimates"):
        table = pd.read_csv(study / f"{name}.csv")
        table["vo2max_ml_kg_min"] += table["athlete_id"].map(moved)
        table.to_csv(study / f"{name}.csv", index=False)
    lab = pd.read_csv(study / "lab_tests.csv")["vo2max_ml_kg_min"]
    house, said = (text(one.reporting_lists()) for one in open_both(study))
    assert f"{lab.min():.1f} to {lab.max():.1f} mL/kg/min" in house
    assert f"{lab.median():.0f}" != f"{lab.mean():.0f}"
    assert f"laboratory values around {lab.mean():.0f} mL/kg/min" in said


def test_a_method_without_a_pair_is_not_judged_and_may_still_stand_apart(small_study, tmp_path):
    study = small_study(tmp_path / "crew")
    readings = pd.read_csv(study / "field_estimates.csv")
    other = readings.assign(method="other", mode="cycle")
    pd.concat([readings, other]).to_csv(study / "field_estimates.csv", index=False)
    report = open_report(study)
    assert "other, cycle laboratory run" in text(report.modes())  # its bias follows
    said = text(report.verdict())
    assert "other has no pair, so there is no verdict on it: the laboratory tested another" in said
    assert "nothing is said" not in said


@pytest.mark.parametrize("declared", [True, False])
def test_a_declared_noise_is_not_drawn_as_the_laboratorys_own(small_study, tmp_path, declared):
    study = small_study(tmp_path / "crew")
    if declared:
        stated(study, "[reference]\nsem_ml_kg_min = 2.6\n")
    else:
        repeated(study, 6, [1, 2, 3, 1, 2, 3])
    written = write_report(study, tmp_path / "out").folder
    page, cards = (
        (written / name).read_text(encoding="utf-8")
        for name in ("report.html", "athlete_cards.html")
    )
    drawn = " ".join(re.findall("<svg.*?</svg>", page, re.DOTALL))
    assert ("laboratory's noise as declared" in drawn) == declared
    assert ("laboratory's own noise" in drawn) != declared
    assert ("by an error that was declared, not measured" in cards) == declared
    assert ("with its own noise" in cards) != declared


def test_an_error_declared_beside_two_repeats_is_said_to_be_unused(small_study, tmp_path):
    study = repeated(small_study(tmp_path / "crew"), 2, [1, 2])
    stated(study, "[reference]\nsem_ml_kg_min = 2.6\n")
    toml = (study / "study.toml").read_text(encoding="utf-8")
    against = toml.replace("[margin]", '[margin]\nagainst = "true value"')
    (study / "study.toml").write_text(against, encoding="utf-8")
    report = open_report(study)
    (told,) = (p for p in report.cohort.problems if p.reason == "sem_not_used")
    assert str(told) == (
        "study.toml: 'reference.sem_ml_kg_min' is not used: it counts only where no laboratory test "
        "is repeated, and in run some are, too few to tell the laboratory's own error. Test more than "
        "3 athletes twice within `repeat_within_days`; until then nothing is said of the athlete's "
        "true value."
    )
    why = "more than 3 athletes of the mode tested twice within days would do; sem_ml_kg_min counts only without"
    assert why in text(report.repeatability())
    assert "own error is unknown, so nothing can be said" in text(report.verdict())


@pytest.mark.slow
def test_rowing_is_no_row_of_a_table(small_study, tmp_path):
    study = repeated(small_study(tmp_path / "crew"), 6, [1, 2, 3, 1, 2, 3])
    for name in ("lab_tests", "field_estimates"):
        rows = pd.read_csv(study / f"{name}.csv")
        if name == "field_estimates":
            ring = rows.assign(method="ring", vo2max_ml_kg_min=rows["vo2max_ml_kg_min"] + 1.5)
            rows = pd.concat([rows, ring])
        rows.assign(mode="row").to_csv(study / f"{name}.csv", index=False)
    page = (
        write_report(study, tmp_path / "out", kind="validation").folder / "report.html"
    ).read_text(encoding="utf-8")
    words = re.sub(r"<style.*?</style>|<[^>]+>", " ", page, flags=re.DOTALL)
    assert "rowing: errors on the same tests" in words
    assert "laboratory, rowing" in words
    assert re.findall(r".{20}(?:\brow\s*:|, row\b|\(row\b).{20}", words) == []
