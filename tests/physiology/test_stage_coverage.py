"""Coverage of stage tests, and who is left without a number, through a whole small study."""

import numpy as np
import pandas as pd
import pytest

from agreement.cohort import Cohort
from agreement.tables.options import Extrapolation, StudyOptions, StudyText

STAGES = ((80, 115), (130, 132), (180, 148), (230, 166))


def riders(refused=0, n=12):
    """Return tables of riders with a stage test on the laboratory's day; the last ones ride one stage."""
    rng = np.random.default_rng(5)
    lab, field = [], []
    for i in range(n):
        name = f"R{i:02d}"
        lab.append(
            {"lab_test_id": f"T{i}", "athlete_id": name, "date": "2026-03-02", "mode": "cycle"}
            | {"vo2max_ml_kg_min": round(rng.normal(46, 5), 1), "mass_kg": 70, "hr_max_bpm": 185}
        )
        stages = STAGES[:1] if i >= n - refused else STAGES
        field += [
            {"athlete_id": name, "date": "2026-03-02", "protocol": "cycle_stages_hr", "power_w": w}
            | {"hr_bpm": round(h + rng.normal(0, 2))}
            for w, h in stages
        ]
    return {"lab_tests": pd.DataFrame(lab), "field_tests": pd.DataFrame(field)}


def results(tables, **extrapolation):
    options = StudyOptions(
        study=StudyText(time_zone="UTC"), extrapolation=Extrapolation(**extrapolation)
    )
    cohort = Cohort.from_frames(**tables, options=options)
    frame = cohort.results.frame
    return cohort, frame[frame["group"] == "all"].set_index(["analysis", "statistic"])["value"]


def test_stages_are_covered_like_sessions():
    cohort, found = results(riders())
    own = found["intensity_coverage"]
    assert own["bottom_share_of_hr_max"] == pytest.approx(115 / 185, abs=0.02)
    assert own["top_share_of_hr_max"] == pytest.approx(166 / 185, abs=0.02)
    errors = cohort.readings.frame["standard_error"]
    assert own["extrapolation_se"] == pytest.approx(np.sqrt((errors**2).mean()))
    assert own["observed_sd"] == pytest.approx(cohort.pairs["difference"].std())
    assert own["unexplained_sd"] == pytest.approx(
        np.sqrt(own["observed_sd"] ** 2 - own["extrapolation_se"] ** 2)
    )


def test_low_stages_alone_are_carried_further_and_say_less():
    _, every = results(riders())
    _, low = results(riders(), maximum_share_of_hr_max=0.82, minimum_top_share_of_hr_max=0.7)
    wide, narrow = low["intensity_coverage"], every["intensity_coverage"]
    assert wide["top_share_of_hr_max"] < 0.82
    assert wide["extrapolation_se"] > 2 * narrow["extrapolation_se"]


def test_riders_who_are_refused_are_counted():
    _, found = results(riders(refused=5, n=17))
    assert found["no_number"]["athletes_asked"] == 17
    assert found["no_number"]["athletes_without"] == 5
    assert found["no_number"]["share_without"] == pytest.approx(5 / 17)


def test_a_test_of_one_heart_rate_is_covered_with_its_published_error():
    # 0.48 L/min at 70 kg (Bjorkman 2016, read) is 6.857 mL/kg/min; about 140 of 185 bpm were seen
    tables = riders()
    one = tables["field_tests"].drop_duplicates("athlete_id")
    one = one.assign(protocol="cycle_submax_1960", power_w=120, mass_kg=70, age_years=30)
    one["hr_bpm"] = np.arange(135, 147)  # the median is 140.5
    people = pd.DataFrame({"athlete_id": one["athlete_id"], "sex": "male"})
    cohort, found = results(tables | {"field_tests": one, "athletes": people})
    own = found["intensity_coverage"]
    assert own["extrapolation_se"] == pytest.approx(480 / 70)
    assert own["bottom_share_of_hr_max"] == own["top_share_of_hr_max"] == pytest.approx(140.5 / 185)
    assert own["observed_sd"] == pytest.approx(cohort.pairs["difference"].std())
