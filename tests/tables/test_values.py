"""Values that cannot be, values that need a mass, codes and rules: stop, set aside or note."""

import numpy as np
import pytest

LAB = "lab_test_id,athlete_id,date,mode,vo2max_ml_kg_min,averaging_rule"
FIELD = "athlete_id,taken_at,method,mode,vo2max_ml_kg_min"


def lab(*values, more="", cells=()):
    """Laboratory tests of A0, A1 ... with these values; `more` is a further column."""
    cells = cells or [""] * len(values)
    rows = [
        f"T{i},A{i},2026-05-12,run,{v},moving 30 s" + (f",{c}" if more else "")
        for i, (v, c) in enumerate(zip(values, cells, strict=True))
    ]
    return "\n".join([LAB + (f",{more}" if more else ""), *rows])


def estimates(*values, more="", cells=()):
    cells = cells or [""] * len(values)
    rows = [
        f"A{i},2026-05-0{i % 9 + 1}T09:00:00Z,wrist,run,{v}" + (f",{c}" if more else "")
        for i, (v, c) in enumerate(zip(values, cells, strict=True))
    ]
    return "\n".join([FIELD + (f",{more}" if more else ""), *rows])


# --- ranges: 8 to 100 rejects, 15 to 80 warns (authors' choice: common practice, no source) --------


@pytest.mark.parametrize(
    ("value", "stays"), [("8", True), ("7.9", False), ("100", True), ("100.1", False)]
)
def test_an_implausible_vo2max_is_set_aside(folder, value, stays):
    found = folder.put(field_estimates_csv=estimates("50", "51", value)).inspect()
    assert len(found.tables.field_estimates) == 2 + stays
    if not stays:
        problem = found.one("set_aside", "out_of_range")
        assert (problem.row, problem.column) == (4, "vo2max_ml_kg_min")
        assert problem.what.startswith(f"Value {value} is outside 8 to 100 mL/kg/min.")


def test_an_unusual_vo2max_stays_with_a_note(folder):
    found = folder.put(lab_tests_csv=lab(50, 51, 81)).inspect()
    note = found.one("note", "unusual_value")
    assert (note.row, note.what) == (4, "Value 81 is unusual, outside 15 to 80 mL/kg/min.")
    assert len(found.tables.lab_tests) == 3


@pytest.mark.parametrize(
    ("column", "cell", "says"),
    [
        ("rer_max", "110", "It looks like percent (110 for 1.10)."),
        ("rpe_max", "5", "It may be on the scale from 0 to 10"),
        ("hr_max_bpm", "19", "outside 90 to 240 bpm"),
        ("lactate_mmol_l", "31", "outside 0 to 30 mmol/L"),
        ("mass_kg", "20", "outside 25 to 250 kg"),
    ],
)
def test_an_implausible_optional_cell_is_unknown_and_the_row_stays(folder, column, cell, says):
    found = folder.put(lab_tests_csv=lab(50, 51, more=column, cells=["", cell])).inspect()
    note = found.one("note", "out_of_range")
    assert (note.row, note.column) == (3, column)
    assert says in note.what
    assert note.what.endswith("Taken as unknown.")
    assert np.isnan(found.tables.lab_tests[column]).all()
    assert len(found.tables.lab_tests) == 2


def test_stature_in_metres_and_grade_in_percent_are_recognised(folder):
    folder.put(
        athletes_csv="athlete_id,stature_cm\nA1,1.75\nA2,180\nA3,175\n",
        field_tests_csv="athlete_id,date,protocol,grade\nA1,2026-03-01,walk_treadmill_1991,5\n",
    )
    notes = folder.inspect().of("note", "out_of_range")
    assert [n.what.split(". ")[1] for n in notes] == [
        "It looks like metres",
        "It looks like percent; a fraction is needed (0.01 for 1 %)",
    ]


def test_a_maximal_heart_rate_far_below_the_age_is_noted_once(folder):
    folder.put(
        athletes_csv="athlete_id,age_years,birth_year\nA0,20,\nA1,,2006\nA2,70,\n",
        lab_tests_csv=lab(50, 51, 52, more="hr_max_bpm", cells=["104", "150", "150"]),
        field_estimates_csv=estimates(50, 51, 52),
    )
    found = folder.inspect()
    # 208 - 0.7 age (Tanaka 2001, read as quoted): 194 at 20 years, 159 at 70
    assert [n.row for n in found.of("note", "hr_max_looks_wrong")] == [2, 3]
    first = found.of("note", "hr_max_looks_wrong")[0]
    assert first.what == "HRmax 104 is far below the 194 usual at age 20."
    assert "104 for 194" in first.remedy
    assert not found.of("note", "unusual_value")


def test_a_low_maximal_heart_rate_is_noted_without_an_age(folder):
    found = folder.put(lab_tests_csv=lab(50, 51, more="hr_max_bpm", cells=["104", "190"])).inspect()
    assert "swapped or missing digits" in found.one("note", "unusual_value").what


# --- units -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("values", "looks"),
    [
        ((2.8, 2.9, 5.1), " If it is in L/min, put it under 'vo2max_l_min'."),
        ((3.8, 4.9, 5.1), " It may be in L/min or MET; ask where the file comes from."),
        ((2800, 5100, 50), " If it is in mL/min, put it under 'vo2max_ml_min'."),
        ((300, 200, 50), ")."),
    ],
)
def test_a_column_mostly_out_of_range_has_no_decided_unit(folder, values, looks):
    stop = folder.put(lab_tests_csv=lab(*values)).inspect().one("stop", "unit")
    assert stop.what.endswith(looks)
    assert "outside 8 to 100 mL/kg/min" in stop.what
    assert 'units = { vo2max_ml_kg_min = "..." }' in stop.remedy
    assert 'with "mL/kg/min" or "L/min" or "mL/min" or "MET"' in stop.remedy
    assert "[files.lab_tests]" in stop.remedy


@pytest.mark.parametrize(
    ("value", "looks"), [(52, "mL/kg/min"), (12.7, "mL/kg/min"), (3040, "mL/min")]
)
def test_a_column_does_not_look_like_the_unit_that_it_cannot_have(folder, value, looks):
    head = "athlete_id,taken_at,method,mode,vo2max_l_min\n"
    rows = "".join(f"A{i},2026-03-15T09:00:00Z,wrist,run,{value}\n" for i in range(3))
    found = folder.put(field_estimates_csv=head + rows).inspect()
    stop = found.one("stop", "unit")
    assert (
        f"outside 0.5 to 8 L/min (middle value {value}). If it is in {looks}, put it" in stop.what
    )
    assert 'units = { vo2max_l_min = "..." }' in stop.remedy
    assert not [p for p in found.problems if p.row is not None]


def test_litres_under_another_name_are_not_said_to_look_like_it(folder):
    text = lab(500, 5, 7, 120, 90, 130, 140)
    stop = folder.put(lab_tests_csv=text).inspect().one("stop", "unit")
    assert stop.what == "6 of 7 values are outside 8 to 100 mL/kg/min (middle value 125)."


def test_half_of_a_column_out_of_range_is_set_aside(folder):
    found = folder.put(lab_tests_csv=lab(3.5, 3.6, 50, 51)).inspect()
    assert found.reasons() == {2: "out_of_range", 3: "out_of_range"}
    assert "L/min or MET" in found.of("set_aside", "out_of_range")[0].what


@pytest.mark.parametrize("table", ["lab_tests", "field_estimates"])
def test_a_column_like_met_has_no_decided_unit_until_it_is_stated(folder, table):
    # user stories: "12.7 looks like MET (x 3.5 = 44.5)": ask, which here means stop and name the key
    values = (10.9, 12.7, 14.9, 50)
    write = {"lab_tests": lab, "field_estimates": estimates}[table]
    stop = folder.put(**{f"{table}_csv": write(*values)}).inspect().one("stop", "unit")
    said = "3 of 4 values are unusual, outside 15 to 100 mL/kg/min (middle value 12.7)"
    assert said in stop.what
    assert not folder.inspect().of("note", "unusual_value")  # the unit decides all of them
    assert "If it is in MET (x 3.5), say so under units." in stop.what
    for unit, first in (("MET", 38.15), ("mL/kg/min", 10.9)):
        toml = folder.ZONE + f'[files.{table}]\nunits = {{ vo2max_ml_kg_min = "{unit}" }}\n'
        found = folder.put(study_toml=toml).inspect()
        assert not found.of("stop", "unit")
        read = getattr(found.tables, table)["vo2max"]
        assert read[0] == pytest.approx(first)


def test_values_like_met_are_pointed_out(folder):
    found = folder.put(field_estimates_csv=estimates(12.7, 13.1, 50)).inspect()
    assert {n.what for n in found.of("note", "unusual_value")} == {
        f"Value {v} is unusual, outside 15 to 80 mL/kg/min. If it is in MET (x 3.5), say so under units."
        for v in (12.7, 13.1)
    }


# --- mass ------------------------------------------------------------------------------------------


def test_the_tests_own_mass_converts_else_that_of_the_athletes_else_the_row_leaves(folder):
    text = lab("", "", "", more="vo2max_l_min,mass_kg", cells=["4.0,75", "4.0,", "4.0,"])
    folder.put(
        athletes_csv="athlete_id,mass_kg\nA0,60\nA1,80\nA2,\n",
        lab_tests_csv=text,
        field_estimates_csv=estimates(50, 51),
    )
    found = folder.inspect()
    tests = found.tables.lab_tests
    assert list(tests["vo2max"]) == pytest.approx([4000 / 75, 50])
    assert list(tests["mass_kg"]) == [75, 80]
    assert "row 2, 4 L/min at 75 kg is 53.3 mL/kg/min" in found.one("note", "converted").what
    borrowed = found.one("note", "mass_from_athletes")
    assert borrowed.row == 3
    assert borrowed.what == (
        "Converted with the mass of the athletes table: 4 L/min at 80 kg is 50.0 mL/kg/min."
    )
    gone = found.one("set_aside", "no_mass")
    assert gone.what == "No mass for A2, test of 2026-05-12; the row is left out of mL/kg/min."


def test_millilitres_convert_alike(folder):
    text = lab("", "", more="vo2max_ml_min,mass_kg", cells=["4000,80", "3500,70"])
    assert list(folder.put(lab_tests_csv=text).inspect().tables.lab_tests["vo2max"]) == [50, 50]


def test_a_conversion_that_ends_out_of_range_is_set_aside(folder):
    text = lab("", "50", "51", more="vo2max_l_min,mass_kg", cells=["6.0,30", ",", ","])
    problem = folder.put(lab_tests_csv=text).inspect().one("set_aside", "out_of_range")
    assert problem.what == "Converted with the mass, value 200 is outside 8 to 100 mL/kg/min."


def test_two_values_of_one_test_that_disagree_are_noted(folder):
    text = lab(50, 50, more="vo2max_l_min,mass_kg", cells=["3.5,70", "3.65,70"])
    found = folder.put(lab_tests_csv=text).inspect()
    assert found.one("note", "values_disagree").row == 3
    assert list(found.tables.lab_tests["vo2max"]) == [50, 50]


def test_litres_and_millilitres_that_disagree_are_noted(folder):
    text = lab(
        "", "", more="vo2max_l_min,vo2max_ml_min,mass_kg", cells=["3.5,3510,70", "3.5,4500,70"]
    )
    note = folder.put(lab_tests_csv=text).inspect().one("note", "values_disagree")
    assert note.row == 3
    assert note.what.startswith("3.5 L/min and 4500 mL/min are more than 3 % apart")


def test_an_estimate_in_litres_waits_for_a_mass_or_uses_what_was_set(folder):
    text = estimates("", "", 52, more="vo2max_l_min,set_mass_kg", cells=["3.5,70", "3.5,", ",70"])
    frame = folder.put(field_estimates_csv=text).inspect().tables.field_estimates
    assert frame["vo2max"].tolist() == [50, pytest.approx(np.nan, nan_ok=True), 52]
    assert np.isnan(frame["vo2max_l_min"][0])
    assert frame["vo2max_l_min"][1] == 3.5


# --- codes -----------------------------------------------------------------------------------------


def test_sex_as_numbers_is_asked_for(folder):
    folder.put(athletes_csv="athlete_id,sex\nA1,1\nA2,2\nA3,1\n")
    stop = folder.inspect().one("stop", "code")
    assert (stop.row, stop.column) == (2, "sex")
    assert stop.what == "Unknown codes '1' and '2' in 3 rows."
    assert stop.remedy.startswith(  # nothing is guessed
        'Say which is which: codes = { sex = { "1" = "...", "2" = "..." } }'
    )
    assert "[files.athletes]" in stop.remedy
    codes = '[files.athletes]\ncodes = { sex = { "1" = "male", "2" = "female" } }\n'
    found = folder.put(study_toml=folder.ZONE + codes).inspect()
    assert list(found.tables.athletes["sex"]) == ["male", "female", "male"]


def test_spellings_that_cannot_be_misread_are_read_with_a_note(folder):
    folder.put(
        athletes_csv="athlete_id,sex,hr_limiting_drug\nA1,F,N\nA2,Male,TRUE\nA3,NA,\n",
    )
    found = folder.inspect()
    athletes = found.tables.athletes
    assert athletes["sex"].tolist()[:2] == ["female", "male"]
    assert athletes["hr_limiting_drug"].tolist()[:2] == ["no", "yes"]
    assert athletes[["sex", "hr_limiting_drug"]].iloc[2].isna().all()
    assert {n.what for n in found.of("note", "code_spelling")} == {
        "Read 'F' as female.",
        "Read 'N' as no, 'TRUE' as yes.",
    }


@pytest.mark.parametrize("mode", ["running", "W", "treadmill", "resting"])
def test_a_mode_of_another_name_stops(folder, mode):
    stop = (
        folder.put(lab_tests_csv=lab(50, 51).replace("run", mode, 1)).inspect().one("stop", "code")
    )
    assert stop.what == f"Unknown code '{mode}'."
    assert "Ours are run, walk, cycle, row, ski, step, other." in stop.remedy


def test_an_estimate_may_be_resting(folder):
    text = estimates(50, 51).replace("run", "Resting", 1)
    assert list(folder.put(field_estimates_csv=text).inspect().tables.field_estimates["mode"]) == [
        "resting",
        "run",
    ]


def test_labels_are_the_users_own_and_may_be_translated(folder):
    codes = '[files.field_estimates]\ncodes = { method = { wrist = "wrist A" } }\n'
    found = folder.put(study_toml=folder.ZONE + codes).inspect()
    assert set(found.tables.field_estimates["method"]) == {"wrist A"}


@pytest.mark.parametrize("column", ["method", "mode", "vo2max_ml_kg_min", "taken_at"])
def test_a_missing_required_cell_is_set_aside(folder, column):
    rows = [line.split(",") for line in estimates(50, 51).splitlines()]
    rows[2][rows[0].index(column)] = ""
    found = folder.put(field_estimates_csv="\n".join(map(",".join, rows))).inspect()
    assert found.reasons() == {3: "missing_value"}


# --- averaging rules --------------------------------------------------------------------------------


def rules(*names):
    rows = [f"T{i},A{i},2026-05-12,run,50.5,{name}" for i, name in enumerate(names)]
    return "\n".join([LAB, *rows])


def test_mixed_averaging_rules_stop_unless_allowed(folder):
    found = folder.put(lab_tests_csv=rules("moving 30 s", "fixed 15 s", "Moving 30s")).inspect()
    stop = found.one("stop", "averaging_rule_mixed")
    assert "'fixed 15 s' in 1 test, 'moving 30 s' in 2 tests" in stop.what
    assert "allow_mixed = true" in stop.remedy
    folder.put(study_toml=folder.ZONE + "[reference]\nallow_mixed = true\n")
    found = folder.inspect()
    assert found.one("note", "averaging_rule_mixed")
    assert list(found.tables.lab_tests["averaging_rule"]) == [
        "moving 30 s",
        "fixed 15 s",
        "moving 30 s",
    ]


def test_a_rule_other_than_the_studys_stops(folder):
    folder.put(study_toml=folder.ZONE + '[reference]\naveraging_rule = "fixed 30 s"\n')
    stop = folder.inspect().one("stop", "averaging_rule_mixed")
    assert "the study's rule is 'fixed 30 s'" in stop.what


def test_tests_with_breaths_do_not_mix_rules(folder):
    folder.put(lab_tests_csv=rules("moving 30 s", "fixed 15 s"))
    folder.files["breaths/T1.csv"] = "t_s,vo2_ml_min\n1,300\n"
    assert not folder.inspect().of("stop")


def test_an_unknown_rule_is_a_note(folder):
    found = folder.put(lab_tests_csv=rules("moving 30 s", "", "Unknown", "NA")).inspect()
    assert list(found.tables.lab_tests["averaging_rule"]) == ["moving 30 s", *["unknown"] * 3]
    assert "of 3 tests is unknown" in found.one("note", "averaging_rule_unknown").what


@pytest.mark.parametrize(
    "text", ["30 s", "moving 0 s", "rolling 30 s", "middle 7 of 5 breaths", "moving 1.5 s"]
)
def test_what_is_no_rule_stops_with_the_grammar(folder, text):
    stop = folder.put(lab_tests_csv=rules("moving 30 s", text)).inspect().one("stop", "code")
    assert stop.row == 3
    assert f"'{text}' is no averaging rule" in stop.what
    assert "'moving N s'" in stop.remedy


# --- rounding ---------------------------------------------------------------------------------------


def test_a_method_that_gives_whole_numbers_is_noted(folder):
    found = folder.put(field_estimates_csv=estimates(50, 51, 49, 52, 50)).inspect()
    assert found.one("note", "rounding").what == (
        "'wrist' gives whole numbers; rounding adds noise of SD about 0.3 mL/kg/min."
    )
    found = folder.put(field_estimates_csv=estimates(50, 51, 49, 52, 50.5)).inspect()
    assert not found.of("note", "rounding")


@pytest.mark.parametrize(
    ("column", "cell", "said"),
    [
        ("step_height_cm", "0.3", "0.3 is outside 2 to 80 cm"),  # metres
        ("step_height_cm", "high", "'high' is not a number"),
        ("step_rate_min", "0.4", "0.4 is outside 5 to 80 steps/min"),  # a second
        ("vo2_ml_kg_min", "2100", "2100 is outside 2 to 100 mL/kg/min"),  # mL/min
        ("vo2_ml_min", "2.1", "2.1 is outside 150 to 8000 mL/min"),  # L/min
        ("grade", "5", "5 is outside -0.5 to 0.5"),  # per cent
    ],
)
def test_an_input_of_a_stage_that_cannot_be_is_unknown_with_one_note(folder, column, cell, said):
    table = f"athlete_id,date,protocol,{column}\nA1,2026-03-20,step_stages_2001,{cell}\n"
    found = folder.put(field_tests_csv=table).inspect()
    (note,) = [p for p in found.problems if p.column == column]
    assert (note.severity, note.file, note.row) == ("note", "field_tests.csv", 2)
    assert said in note.what
    assert np.isnan(found.tables.field_tests[column].item())


def test_inputs_of_stages_in_other_units(folder):
    table = "athlete_id,date,protocol,step_height_cm,vo2_ml_kg_min\nA1,2026-03-20,step_stages_2001,12,10\n"
    units = '[files.field_tests]\nunits = { step_height_cm = "in", vo2_ml_kg_min = "MET" }\n'
    found = folder.put(study_toml=folder.ZONE + units, field_tests_csv=table).inspect()
    row = found.tables.field_tests.iloc[0]
    assert (row["step_height_cm"], row["vo2_ml_kg_min"]) == pytest.approx((30.48, 35))
