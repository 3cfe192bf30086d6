"""Numbers: decimal marks, missing cells, text where a number belongs, foreign units."""

import numpy as np
import pytest

HEAD = "lab_test_id,athlete_id,date,mode,vo2max_ml_kg_min,mass_kg,rer_max,averaging_rule\n"


def lab(*rows):
    return HEAD + "".join(
        f"T{i},A{i},2026-03-20,run,{row},moving 30 s\n" for i, row in enumerate(rows)
    )


def units(folder, table="lab_tests", **stated):
    pairs = ", ".join(f'{column} = "{unit}"' for column, unit in stated.items())
    return folder.put(study_toml=f"{folder.ZONE}[files.{table}]\nunits = {{ {pairs} }}\n")


@pytest.mark.parametrize("token", ["", " ", "NA", "N/A", "nan", "NaN", "null", "-", "."])
def test_missing_tokens_in_number_columns(folder, token):
    found = folder.put(lab_tests_csv=lab(f"52,70,{token}", f"53,{token},1.1")).inspect()
    tests = found.tables.lab_tests
    assert np.isnan(tests["rer_max"][0])
    assert np.isnan(tests["mass_kg"][1])
    assert found.problems == ()


def test_a_decimal_comma_counts_for_its_column_alone(folder):
    text = lab('"52,4",70.5,1.1', '"48,1",71.5,1.2')
    tests = folder.put(lab_tests_csv=text).inspect().tables.lab_tests
    assert list(tests["vo2max"]) == [52.4, 48.1]
    assert list(tests["mass_kg"]) == [70.5, 71.5]


def test_two_decimal_marks_in_one_column_stop(folder):
    found = folder.put(lab_tests_csv=lab('"52,4",70,1.1', "48.1,71,1.2")).inspect()
    stop = found.one("stop", "decimal_mark")
    assert stop.column == "vo2max_ml_kg_min"
    assert stop.what == (
        "Some numbers of this column have a comma (row 2, '52,4'), others a dot (row 3, '48.1')."
    )
    assert not found.of("note", "format_found")


def test_thousands_or_decimals_are_never_guessed(folder):
    text = (
        "field_test_id,athlete_id,date,protocol,distance_m\n"
        'F1,A1,2026-03-01,run_12min_1968,"2,800"\nF2,A2,2026-03-01,run_12min_1968,"3,100"\n'
    )
    stop = folder.put(field_tests_csv=text).inspect().one("stop", "decimal_mark")
    assert "'2,800' could be 2.8 or 2800" in stop.what
    assert "[files.field_tests]" in stop.remedy
    semicolons = text.replace(",", ";").replace('"2;800"', "2.800").replace('"3;100"', "3.100")
    comma = semicolons.replace("distance_m", "distance_m;mass_kg").replace("00\n", "00;70,5\n")
    assert (
        "2.8 or 2800"
        in folder.put(field_tests_csv=comma).inspect().one("stop", "decimal_mark").what
    )


def test_other_columns_decide_a_comma_with_three_decimals(folder):
    text = lab("50,70.5,1.125", "51,71.5,1.100").replace(",", ";").replace(".", ",")
    tests = folder.put(lab_tests_csv=text).inspect().tables.lab_tests
    assert list(tests["rer_max"]) == [1.125, 1.1]


def test_a_stated_mark_that_the_file_does_not_use_stops(folder):
    folder.put(study_toml=f'{folder.ZONE}[files.lab_tests]\ndecimal = ","\n')
    text = lab("52.4,70,1").replace(",", ";")
    stop = folder.put(lab_tests_csv=text).inspect().one("stop", "decimal_mark")
    assert stop.what == "Numbers of this column have a '.', but study.toml says ','."


@pytest.mark.parametrize(
    "text", ["high", "52.4 ml", "inf", "-Infinity", "1e999", "5 2", "0x40", "True", "(52)"]
)
def test_text_in_a_required_column_stops(folder, text):
    stop = (
        folder.put(lab_tests_csv=lab("50,70,1.1", f"{text},70,1.1"))
        .inspect()
        .one("stop", "not_a_number")
    )
    assert (stop.row, stop.column) == (3, "vo2max_ml_kg_min")
    assert "is not a number." in stop.what


@pytest.mark.parametrize("text", ["about 1.1", "inf", "1.1*"])
def test_text_in_an_optional_column_is_unknown_and_noted(folder, text):
    found = folder.put(lab_tests_csv=lab("50,70,1.1", f"51,70,{text}")).inspect()
    note = found.one("note", "not_a_number")
    assert (note.row, note.column) == (3, "rer_max")
    assert note.what.endswith("is not a number; taken as unknown.")
    assert np.isnan(found.tables.lab_tests["rer_max"][1])


def test_a_unit_that_is_our_own_changes_nothing_and_is_not_reported(folder):
    found = units(folder, mass_kg="kg").put(lab_tests_csv=lab("50,70,1.1")).inspect()
    assert found.tables.lab_tests["mass_kg"][0] == 70
    assert not found.of("note", "unit_converted")


@pytest.mark.parametrize(
    ("column", "unit", "typed", "ours", "said"),
    [
        # pounds and inches are exact by the agreement of 1959; the others by the SI
        ("mass_kg", "lb", 154.3235835, 70.0, "154.324 lb became 70 kg."),
        ("mass_kg", "lb", 154, 69.8532250, "154 lb became 69.85 kg."),
        ("mass_kg", "g", 70000, 70.0, "70000 g became 70 kg."),
        ("rer_max", "%", 110, 1.10, "110 % became 1.1."),
    ],
)
def test_foreign_units_are_converted_and_reported(folder, column, unit, typed, ours, said):
    row = f"50,{typed},1.1" if column == "mass_kg" else f"50,70,{typed}"
    found = units(folder, **{column: unit}).put(lab_tests_csv=lab(row)).inspect()
    assert found.tables.lab_tests[column][0] == pytest.approx(ours, abs=1e-7)
    assert found.one("note", "unit_converted").what == f"Read in {unit}: {said}"


@pytest.mark.parametrize(
    ("unit", "typed", "ours"),
    # 1 MET = 3.5 mL/kg/min by convention; the story's own sum: 12.7 x 3.5 = 44.45, said as 44.5
    [
        ("MET", "12.7", 44.45),
        ("L/min", "3.5", 50.0),
        ("mL/min", "3500", 50.0),
        ("ml.kg-1.min-1", "50", 50.0),
    ],
)
def test_a_vo2max_column_in_another_quantity(folder, unit, typed, ours):
    found = units(folder, vo2max_ml_kg_min=unit).put(lab_tests_csv=lab(f"{typed},70,1.1")).inspect()
    assert found.tables.lab_tests["vo2max"][0] == pytest.approx(ours)


def test_two_columns_that_become_one_stop(folder):
    text = (
        HEAD.replace("mass_kg", "vo2max_l_min") + "T1,A1,2026-03-20,run,3.5,3.4,1.1,moving 30 s\n"
    )
    found = units(folder, vo2max_ml_kg_min="L/min").put(lab_tests_csv=text).inspect()
    assert (
        found.one("stop", "unit").what
        == "After its unit the column is 'vo2max_l_min', and there is another one."
    )
