"""What `agreement plan` says beyond one number: contrasts of groups, and a simulated power curve."""

import json

import pytest

from agreement.errors import AgreementError
from agreement.report.run.planning import plans, plans_json, plans_text


def test_power_curve_when_asked():
    (plan,) = plans(None, sd=3, margin=9, curve=True)
    curve = plan.curve
    assert curve["n"].tolist() == [22, 32, 43, 54, 64]
    assert curve["power"].is_monotonic_increasing
    at_needed = curve.set_index("n").loc[43]
    assert at_needed["power"] > 0.8 - 3 * at_needed["standard_error"]
    assert "0.84 with 43" in plans_text([plan])
    data = json.loads(plans_json([plan]))["power_curve"]
    assert [point["n"] for point in data] == curve["n"].tolist()


def test_without_asking_there_is_no_curve():
    (plan,) = plans(None, sd=3, margin=9)
    assert plan.curve is None
    assert json.loads(plans_json([plan]))["power_curve"] is None
    assert "simulated" not in plans_text([plan])


def test_curve_where_no_number_would_do():
    (plan,) = plans(None, sd=3, margin=5, curve=True)
    assert plan.numbers.for_power is None
    assert plan.curve["n"].tolist() == [10, 20, 40, 80, 160]
    assert plan.curve["power"].max() < 0.05


def test_contrast_of_groups():
    (plan,) = plans(None, sd=3, difference=3, groups=4)
    assert f"{plan.numbers.per_group} athletes in each of 4 groups" in plans_text([plan])
    assert plan.numbers.athletes == 4 * plan.numbers.per_group


def test_a_curve_needs_a_limit():
    with pytest.raises(AgreementError, match="needs a limit"):
        plans(None, sd=3, half_width=1, curve=True)
    with pytest.raises(AgreementError, match="--difference"):
        plans(None, sd=3)


def test_athletes_are_traded_against_laboratory_tests():
    """By one test, the size of the plan; two tests halve the laboratory's share of the variance."""
    (plan,) = plans(None, sd=5**0.5, margin=5, sem=2.0)
    (halved,) = plans(None, sd=3**0.5, margin=5)
    against_test = plan.by_tests["laboratory test"]
    assert against_test[1] == plan.numbers.for_power
    assert against_test[2] == halved.numbers.for_power
    assert plan.by_tests["true value"][2] < plan.by_tests["true value"][1]
    text = plans_text([plan])
    assert "as here" not in text  # of no study
    assert (
        f"against one laboratory test {against_test[1]} with one test or {against_test[2]}" in text
    )
    data = json.loads(plans_json([plan]))["athletes_by_tests"]
    assert data["laboratory test"]["1"] == against_test[1]
    assert plans(None, sd=3, margin=9)[0].by_tests is None
    with pytest.raises(AgreementError, match="`sem` must be above 0"):
        plans(None, sd=3, margin=9, sem=0.0)


def test_a_bias_of_nought_has_no_sign():
    (plan,) = plans(None, sd=3, bias=-1e-9, margin=9)
    assert plans_text([plan]).startswith("With a bias of 0, ")


def test_a_plan_from_a_study_calls_the_method_as_its_report_does(small_study, tmp_path):
    study = small_study(tmp_path / "crew")
    with (study / "study.toml").open("a", encoding="utf-8") as file:
        file.write('[methods.wrist]\nlabel = "Wrist device"\n[reference]\nsem_ml_kg_min = 1\n')
    (plan,) = found = plans(study)
    # beside the numbers for one test and for two: in a study some athletes may have had either
    assert "athletes tested as here show limits" in plans_text(found)
    assert plan.numbers.bias < -1
    assert plans_text(found).startswith("Wrist device: with a bias of \u2212")
    assert json.loads(plans_json(found))[0]["method"] == "wrist"
