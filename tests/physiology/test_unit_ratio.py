import pandas as pd
import pytest

from agreement.physiology.readings import unit_stops
from agreement.tables.options import FileFormat, StudyOptions

LAB = [49.0, 56.0, 63.0, 70.0]


def found(field, lab=LAB, **units):
    people = [f"A{i}" for i in range(len(lab))]
    tests = pd.DataFrame({"athlete_id": people, "vo2max": lab, "file": "lab.csv"})
    estimates = pd.DataFrame({"athlete_id": people, "vo2max": field, "file": "watch.csv"})
    files = {name: FileFormat(units={"vo2max_ml_kg_min": unit}) for name, unit in units.items()}
    return unit_stops(estimates.assign(method="watch"), tests, StudyOptions(files=files))


def test_field_in_met_is_a_stop_that_names_the_key():
    (stop,) = found([value / 3.5 for value in LAB])  # 1 MET is 3.5 mL/kg/min by convention
    assert (stop.severity, stop.file) == ("stop", "watch.csv")
    assert "gives 0.29 times the laboratory's" in stop.what
    assert "[files.field_estimates]" in stop.remedy


def test_a_laboratory_in_met_is_one_too():
    (stop,) = found(LAB, [value / 3.5 for value in LAB])
    assert stop.file == "lab.csv"
    assert "[files.lab_tests]" in stop.remedy


@pytest.mark.parametrize("factor", [1, 0.8, 0.5, 0.33, 0.25])
def test_a_method_that_reads_low_is_no_other_unit(factor):
    assert found([value * factor for value in LAB]) == ()


def test_a_stated_unit_is_taken_at_its_word():
    assert found([value / 3.5 for value in LAB], field_estimates="mL/kg/min") == ()


def test_two_athletes_show_no_unit():
    assert found([14.0, 16.0], LAB[:2]) == ()
