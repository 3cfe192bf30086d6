"""
Each garbage of a kind that once got a confident verdict stops with its own code; a sound study does not.

The shapes of garbage are those of an attack on this program; what a person cannot do (change by 20
mL/kg/min in two days) is common practice, no source.
"""

import datetime as dt

import numpy as np
import pandas as pd
import pytest
from turns import slowly

from agreement.cohort import inspect_cohort
from agreement.errors import TableError
from agreement.report.run.any_size import check_study, pair_study
from agreement.report.run.registry import write_registry_report
from agreement.scale import registry_results
from agreement.scale.engine import LocalEngine
from agreement.stats.doubts.chance import chance_of_equal
from agreement.stats.doubts.odd_columns import odd_columns
from agreement.stats.doubts.twins import copied_series
from agreement.terms import DOUBTS


def test_a_sound_study_raises_no_doubt(sound, stops):
    assert stops(sound) == {}


@pytest.mark.parametrize(("days", "more"), [(40, 15), (60, 18)])
def test_a_change_that_training_and_noise_can_make_is_no_other_person(days, more, sound, stops):
    _another_weeks_later(sound, days, more)
    assert "two_bodies" not in stops(sound)


def _twelve_twins(study):
    for rows in (study.athletes, study.lab, study.field):
        copies = [dict(row) for row in rows if row["athlete_id"] < "A012"]
        for row in copies:
            row["athlete_id"] = "B" + row["athlete_id"][1:]
            if "lab_test_id" in row:
                row["lab_test_id"] = "B" + row["lab_test_id"]
        rows += copies


def _nearly_twins(study):
    """The same, written down again: laboratory values and masses off by a little, days moved."""
    rng = np.random.default_rng(1)
    _twelve_twins(study)
    for rows, column in ((study.lab, "vo2max_ml_kg_min"), (study.field, "vo2max_ml_kg_min")):
        for row in rows:
            if row["athlete_id"].startswith("B"):
                row[column] = round(row[column] + rng.choice([-0.1, 0, 0.1]), 1)
    for row in study.lab:
        if row["athlete_id"].startswith("B"):
            row["mass_kg"] = round(row["mass_kg"] + 0.1, 1)


def _one_twin(study):
    for rows in (study.athletes, study.lab, study.field):
        copies = [dict(row) for row in rows if row["athlete_id"] == "A003"]
        for row in copies:
            row["athlete_id"] = "B003"
            if "lab_test_id" in row:
                row["lab_test_id"] = "B" + row["lab_test_id"]
        rows += copies


def _two_bodies(study):
    first = study.lab[0]
    day = dt.date.fromisoformat(first["date"]) + dt.timedelta(days=2)
    other = first | {"lab_test_id": "X", "date": day.isoformat()}
    study.lab.append(other | {"vo2max_ml_kg_min": first["vo2max_ml_kg_min"] - 20})


def _two_masses(study):
    study.lab[1]["mass_kg"] = round(study.lab[0]["mass_kg"] * 1.4, 1)


def _another_weeks_later(study, days=40, more=22, least=42):
    """A second person under the id of the first whose masses nobody wrote down."""
    for row in study.lab:
        row["mass_kg"] = ""
    first = next(row for row in study.lab if row["vo2max_ml_kg_min"] < least)
    day = dt.date.fromisoformat(first["date"]) + dt.timedelta(days=days)
    other = first | {"lab_test_id": "X", "date": day.isoformat()}
    study.lab = [row for row in study.lab if row["athlete_id"] != first["athlete_id"]]
    study.lab += [first, other | {"vo2max_ml_kg_min": first["vo2max_ml_kg_min"] + more}]


def _told_by_the_laboratory(study):
    values = {}
    for row in study.lab:
        values[row["athlete_id"]] = row["vo2max_ml_kg_min"]
    for row in study.field:
        row["vo2max_ml_kg_min"] = values[row["athlete_id"]]
    study.lab = [row for row in study.lab if row["lab_test_id"].endswith("-60")]


def _constant(study):
    for i, row in enumerate(study.field):
        row["vo2max_ml_kg_min"] = 52.0 + 0.1 * (i % 2)


def _random(study):
    rng = np.random.default_rng(11)
    drawn = {row["athlete_id"]: rng.normal(50, 7) for row in study.athletes}
    for row in study.field:
        row["vo2max_ml_kg_min"] = round(drawn[row["athlete_id"]] + rng.normal(0, 0.5), 1)


def _swapped(study):
    """One table with both columns, named the wrong way round."""
    study.lab = [row for row in study.lab if row["lab_test_id"].endswith("-0")]
    near = {}
    for row in study.field:
        near.setdefault(row["athlete_id"], row)
    study.field = []
    for test in study.lab:
        reading = near[test["athlete_id"]]
        device = round(reading["vo2max_ml_kg_min"])
        day = dt.date.fromisoformat(test["date"]) - dt.timedelta(days=1)
        reading |= {"taken_at": f"{day}T08:00:00Z", "vo2max_ml_kg_min": test["vo2max_ml_kg_min"]}
        study.field.append(reading)
        test["vo2max_ml_kg_min"] = device
    study.toml["pairing"] = "minimum_days = 1"


def _metabolic_equivalents(study):
    for i, row in enumerate(study.field):
        if i % 5 < 2:
            row["vo2max_ml_kg_min"] = round(row["vo2max_ml_kg_min"] / 3.5, 1)


def _laboratory_in_metabolic_equivalents(study):
    for i, row in enumerate(study.lab):
        if i % 5 < 2:
            row["vo2max_ml_kg_min"] = round(row["vo2max_ml_kg_min"] / 3.5, 1)


def _pounds(study):
    """Masses in pounds divide litres; the bias is 27."""
    study.toml["confirm"] = 'unlikely_people = { reason = "Heavy", on = 2026-06-01 }\n'
    for row in study.lab:
        litres = row.pop("vo2max_ml_kg_min") * row["mass_kg"] / 1000
        row["mass_kg"] = round(row["mass_kg"] / 0.45359237, 1)
        row["vo2max_l_min"] = round(litres, 2)


def _some_ages_in_months(study):
    for row in study.athletes[::4]:
        row["age_years"] *= 12


def _some_set_masses_in_pounds(study):
    for row in study.field:
        if row["athlete_id"] < "A008":
            row["set_mass_kg"] = round(row["set_mass_kg"] / 0.45359237)


def _far_off(study):
    for row in study.field:
        row["vo2max_ml_kg_min"] = round(row["vo2max_ml_kg_min"] + 17, 1)


def _limit_of_sixty(study):
    study.toml["margin"] = "limit_ml_kg_min = 60\nagreed_on = 2026-01-10"


def _agreed_in_1990(study):
    study.toml["margin"] = "limit_ml_kg_min = 7\nagreed_on = 1990-01-10"


def _nobody_maximal(study):
    for row in study.lab:
        row |= {"rer_max": 0.98, "hr_max_bpm": 150, "plateau": "no"}


def _another_mode(study):
    for row in study.lab:
        if int(row["athlete_id"][1:]) % 2:
            row["mode"] = "cycle"
    study.toml["pairing"] = 'mode_match = [["run", "cycle"]]'


def _computed(make):
    """Field values that somebody computed from the test that follows."""

    def spoil(study):
        tests = sorted(study.lab, key=lambda row: row["date"])
        for row in study.field:
            day, who = row["taken_at"][:10], row["athlete_id"]
            test = next(t for t in tests if t["athlete_id"] == who and t["date"] >= day)
            row["vo2max_ml_kg_min"] = make(test["vo2max_ml_kg_min"])

    spoil.__name__ = "computed"
    return spoil


def _field_series_under_two_ids(study):
    own, other = ([r for r in study.field if r["athlete_id"] == who] for who in ("A005", "A006"))
    for row, copy in zip(own, other, strict=True):
        copy["vo2max_ml_kg_min"] = row["vo2max_ml_kg_min"]


def _two_methods_of_one(study):
    study.field += [row | {"method": "band"} for row in study.field]


def _laboratory_filled_down(study):
    for row in study.lab:
        row["vo2max_ml_kg_min"] = 50.0


def _laboratory_nearly_constant(study):
    for i, row in enumerate(study.lab):
        row["vo2max_ml_kg_min"] = 50.0 + 0.1 * (i % 3)


def _tests_given_twice(study):
    study.lab += [row | {"lab_test_id": row["lab_test_id"] + "b"} for row in study.lab]


def _swapped_in_half_of_the_rows(study):
    _swapped(study)
    for test, reading in zip(study.lab[::2], study.field[::2], strict=True):
        test["vo2max_ml_kg_min"], reading["vo2max_ml_kg_min"] = (
            reading["vo2max_ml_kg_min"],
            test["vo2max_ml_kg_min"],
        )


def _turned_upside_down(study):
    for row in study.field:
        row["vo2max_ml_kg_min"] = round(100 - row["vo2max_ml_kg_min"], 1)
    study.lab, study.field, study.athletes = (
        [row for row in rows if row["athlete_id"] < "A012"]
        for rows in (study.lab, study.field, study.athletes)
    )


def _off_both_ways(study):
    for row in study.field:
        off = 20 if int(row["athlete_id"][1:]) % 2 else -20
        row["vo2max_ml_kg_min"] = round(row["vo2max_ml_kg_min"] + off, 1)


def _one_of_sixty_maximal(study):
    _nobody_maximal(study)
    study.lab[0] |= {"rer_max": 1.2}
    study.lab[1] |= {"rer_max": "", "hr_max_bpm": "", "plateau": "unknown"}


def _mean_limit_of_fifty(study):
    study.toml["margin"] += "\nmean_limit_ml_kg_min = 50"


def called(one):
    """How a case is called: a code by itself, a way to spoil by its function."""
    return one if isinstance(one, str) else one.__name__.strip("_")


SPOILT = [  # of every code the plainest
    ("twins", _one_twin),
    ("two_bodies", _two_bodies),
    ("two_bodies", _another_weeks_later),
    ("field_is_laboratory", _told_by_the_laboratory),
    ("constant_device", _constant),
    ("no_relation", _random),
    ("columns_swapped", _swapped),
    ("units_mixed", _metabolic_equivalents),
    ("units_mixed", _pounds),
    ("unlikely_people", _some_ages_in_months),
    ("bias_beyond", _far_off),
    ("wide_margin", _limit_of_sixty),
    ("old_margin", _agreed_in_1990),
    ("no_maximum", _nobody_maximal),
    ("other_mode", _another_mode),
    ("twins", _field_series_under_two_ids),
]
SPOILT_IN_OTHER_WAYS = [
    ("twins", _twelve_twins),
    ("twins", _nearly_twins),
    ("two_bodies", _two_masses),
    ("units_mixed", _laboratory_in_metabolic_equivalents),
    ("units_mixed", _some_set_masses_in_pounds),
    ("bias_beyond", _pounds),
    ("bias_beyond", _off_both_ways),
    ("columns_swapped", _swapped_in_half_of_the_rows),
    ("no_maximum", _one_of_sixty_maximal),
    ("wide_margin", _mean_limit_of_fifty),
]


@pytest.mark.parametrize(("code", "spoil"), [*SPOILT, *slowly(SPOILT_IN_OTHER_WAYS)], ids=called)
def test_garbage_stops(code, spoil, sound, stops):
    spoil(sound)
    found = stops(sound)
    assert code in found
    assert f"{code} = {{ reason =" in found[code][0]


def in_three_parts(study):
    """Spread every athlete's series over all parts."""
    whole = study / "field_estimates.csv"
    rows = pd.read_csv(whole, dtype=str, keep_default_na=False)
    whole.unlink()
    (study / "field_estimates").mkdir()
    for part in range(3):
        rows.iloc[part::3].to_csv(study / "field_estimates" / f"{part}.csv", index=False)


@pytest.mark.parametrize(
    "spoil",
    [
        _random,
        _swapped,
        _swapped_in_half_of_the_rows,
        _constant,
        _told_by_the_laboratory,
        _metabolic_equivalents,
        *slowly(
            [
                _some_set_masses_in_pounds,
                _one_twin,
                _field_series_under_two_ids,
                _twelve_twins,
            ]
        ),
    ],
    ids=called,
)
def test_garbage_in_parts_stops_with_the_same_words(spoil, sound, tmp_path):
    pytest.importorskip("pyarrow", reason="studies in parts need the extra `scale`")
    spoil(sound)
    study = sound.write(tmp_path)
    _, problems = inspect_cohort(study)
    in_three_parts(study)
    usable, in_parts = check_study(study, workers=1)
    stops, same = (
        {(one.reason, one.what, one.remedy) for one in found if one.severity == "stop"}
        for found in (problems, in_parts)
    )
    assert not usable
    assert same == stops
    with pytest.raises(TableError) as stopped:
        pair_study(study, tmp_path / "out", workers=1)
    assert {one.reason for one in stopped.value.problems} == {code for code, _, _ in stops}


@pytest.mark.parametrize("kind", ["squad", "audit"])
@pytest.mark.parametrize("sample", [20, 2000])
def test_what_was_confirmed_stands_beside_the_verdict_in_parts_too(
    kind, sample, sound, tmp_path, monkeypatch
):
    pytest.importorskip("pyarrow", reason="studies in parts need the extra `scale`")
    monkeypatch.setattr(registry_results, "SAMPLE", sample)
    _random(sound)
    sound.toml["confirm"] = 'no_relation = { reason = "Looked at", on = 2026-06-01 }'
    in_three_parts(study := sound.write(tmp_path))
    write_registry_report(study, tmp_path / "out", LocalEngine(1), kind=kind)
    page = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert "No relation with the laboratory" in page.split("<h2")[0]


@pytest.mark.parametrize("sample", [20, 2000])
def test_what_makes_a_verdict_in_parts_doubtful_is_said_of_a_sample_too(
    sample, sound, tmp_path, monkeypatch
):
    pytest.importorskip("pyarrow", reason="studies in parts need the extra `scale`")
    monkeypatch.setattr(registry_results, "SAMPLE", sample)
    _computed(lambda value: round(1.03 * value, 1))(sound)
    in_three_parts(study := sound.write(tmp_path))
    write_registry_report(study, tmp_path / "out", LocalEngine(1))
    page = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert "computed from them" in page.split("<h2")[0]
    assert "if what stands above is explained" in page
    results = pd.read_csv(tmp_path / "out" / "results.csv", keep_default_na=False)
    (note,) = results.loc[results["statistic"] == "within_margin", "note"]
    assert note.startswith("acceptable")
    assert "in_doubt" in note.split("; ")


@pytest.mark.parametrize(("code", "spoil"), slowly(SPOILT + SPOILT_IN_OTHER_WAYS), ids=called)
def test_garbage_that_is_confirmed_stops_no_more(code, spoil, sound, stops, tmp_path):
    spoil(sound)
    found = stops(sound)
    for doubt in found:
        sound.toml.setdefault("confirm", "")
        sound.toml["confirm"] += f'{doubt} = {{ reason = "Looked at by two", on = 2026-06-01 }}\n'
    place = tmp_path / "confirmed"
    place.mkdir()
    cohort, problems = inspect_cohort(sound.write(place))
    assert cohort is not None
    notes = [str(p) for p in problems if p.reason == code]
    assert notes
    assert "Confirmed on 2026-06-01: Looked at by two." in notes[0]


@pytest.mark.parametrize(
    ("code", "spoil"),
    [
        ("same_methods", _two_methods_of_one),
        ("filled_down", _laboratory_filled_down),
        ("filled_down", _laboratory_nearly_constant),
        ("copied_repeats", _tests_given_twice),
    ],
)
def test_what_planned_studies_look_like_is_told_and_stops_nothing(code, spoil, sound, tmp_path):
    spoil(sound)
    for place, confirmed in (
        ("told", ""),
        ("confirmed", f'{code} = {{ reason = "Seen", on = 2026-06-01 }}\n'),
    ):
        sound.toml |= {"confirm": confirmed}
        (tmp_path / place).mkdir()
        problems = inspect_cohort(sound.write(tmp_path / place))[1]
        notes = [str(p) for p in problems if p.reason == code]
        assert all(p.severity == "note" for p in problems if p.reason == code)
        assert notes
        assert ("Confirmed on 2026-06-01: Seen." in notes[0]) == bool(confirmed)


@pytest.mark.parametrize(("typed", "near"), [("twinns", "twins"), ("swap", None)])
def test_a_misspelt_confirmation_stops(typed, near, sound, stops):
    sound.toml["confirm"] = f'{typed} = {{ reason = "Seen", on = 2026-06-01 }}'
    said = stops(sound)["unknown_key"][0]
    assert f"'confirm.{typed}'" in said
    assert (f"'confirm.{near}'" in said) if near else all(code in said for code in DOUBTS)


def _one_wild(study):
    """The largest of all differences is made so large that the limits leave the margin."""
    for row in study.field:
        if row["athlete_id"] == "A004":
            row["vo2max_ml_kg_min"] = round(row["vo2max_ml_kg_min"] + 14, 1)
    study.toml["margin"] = "limit_ml_kg_min = 9.5\nagreed_on = 2026-01-10"


BESIDE_THE_VERDICT = [
    ("one_athlete", _one_wild),
    ("constant_device", _constant),
    ("no_relation", _random),
    ("field_equals_laboratory", _told_by_the_laboratory),
    ("other_mode", _another_mode),
    ("no_maximum", _nobody_maximal),
    ("two_bodies", _two_bodies),
    ("bias_beyond", _far_off),
    ("filled_down", _laboratory_nearly_constant),
    ("field_is_laboratory", _computed(lambda value: round(1.03 * value, 1))),
]
BESIDE_IT_IN_OTHER_WAYS = [
    ("no_relation", _turned_upside_down),
    ("field_is_laboratory", _computed(lambda value: round(value + 1, 1))),
    ("field_is_laboratory", _computed(round)),
]


@pytest.mark.parametrize(
    ("code", "spoil"), [*BESIDE_THE_VERDICT, *slowly(BESIDE_IT_IN_OTHER_WAYS)], ids=called
)
def test_what_could_make_the_verdict_wrong_stands_beside_it(code, spoil, sound, tmp_path):
    if spoil is _nobody_maximal:
        for row in sound.lab:
            row |= {"rpe_max": 12, "lactate_mmol_l": 3.0}
    spoil(sound)
    sound.toml["confirm"] = "".join(
        f'{doubt} = {{ reason = "Looked at", on = 2026-06-01 }}\n' for doubt in DOUBTS
    )
    cohort, problems = inspect_cohort(sound.write(tmp_path))
    assert cohort is not None, [str(p) for p in problems if p.severity == "stop"]
    (method,) = cohort.results.methods
    assert code in [doubt.code for doubt in method.doubts]
    assert not any("A0" in doubt.sentence for doubt in method.doubts)
    decided = method.verdict.outcome in ("acceptable", "not acceptable")
    assert (
        method.verdict.note.endswith("; in_doubt") == decided
    )  # wherever its line of results goes
    if spoil in [one for _, one in SPOILT]:  # what would stop without its confirmation
        assert any("Confirmed on 2026-06-01: Looked at." in str(problem) for problem in problems)


def _two_wild(study):
    """Two athletes whose differences lie far from all others."""
    for row in study.field:
        if row["athlete_id"] in ("A004", "A009"):
            row["vo2max_ml_kg_min"] = round(row["vo2max_ml_kg_min"] + 14, 1)


@pytest.mark.slow
def test_two_people_far_from_all_others_are_taken_away_together(sound, tmp_path):
    _two_wild(sound)
    sound.toml["margin"] = (
        'limit_ml_kg_min = 11\nagreed_on = 2026-01-10\nagainst = "laboratory test"'
    )
    cohort, _ = inspect_cohort(sound.write(tmp_path))
    (method,) = cohort.results.methods
    said = "The verdict hangs on two people: it is undecided with all 30 athletes, acceptable "
    assert [one.sentence for one in method.doubts] == [f"{said}without two of them."]


def _one_wild_repeat(study):
    """Ten athletes are tested again within days; one repeat lies so far off that the noise excuses all."""
    for i in range(10):
        first = study.lab[2 * i]
        day = dt.date.fromisoformat(first["date"]) + dt.timedelta(days=2)
        value = first["vo2max_ml_kg_min"] + (9 if i == 3 else (-1) ** i)
        again = {"date": day.isoformat(), "vo2max_ml_kg_min": round(value, 1)}
        study.lab.append(first | again | {"lab_test_id": f"R{i}"})


TRUTH = 'agreed_on = 2026-01-10\nagainst = "true value"\nlimit_ml_kg_min = '
DECLARED = "sem_ml_kg_min = 2.0\nsem_degrees_of_freedom = 30"


@pytest.mark.parametrize(
    ("spoil", "limit", "reference", "said"),
    [
        (_one_wild, 8, DECLARED, "undecided with all 30 athletes, acceptable without one of them"),
        (_one_wild, 7, DECLARED, ""),  # open with and without: only the classical limits turn
        (_one_wild_repeat, 8, "", "acceptable with all 30 athletes, undecided without one of them"),
    ],
)
def test_one_person_is_taken_away_from_the_yardstick_of_the_verdict(
    spoil, limit, reference, said, sound, tmp_path
):
    spoil(sound)
    sound.toml |= {"margin": f"{TRUTH}{limit}", "reference": reference}
    sound.toml["confirm"] = 'two_bodies = { reason = "Looked at", on = 2026-06-01 }'
    cohort, _ = inspect_cohort(sound.write(tmp_path))
    (method,) = cohort.results.methods
    found = [one.sentence for one in method.doubts if one.code == "one_athlete"]
    assert found == ([f"The verdict hangs on one person: it is {said}."] if said else [])


def test_a_withheld_verdict_is_not_told_by_who_would_turn_it(sound, tmp_path):
    _one_wild(sound)
    sound.toml["margin"] = "limit_ml_kg_min = 9.5\nagreed_on = 2026-05-01"
    cohort, _ = inspect_cohort(sound.write(tmp_path))
    (method,) = cohort.results.methods
    assert method.verdict.outcome == "withheld"
    assert "one_athlete" not in [doubt.code for doubt in method.doubts]


def test_nothing_stands_beside_the_verdict_of_a_sound_study(sound, tmp_path):
    cohort, _ = inspect_cohort(sound.write(tmp_path))
    (method,) = cohort.results.methods
    assert method.doubts == ()


def _series(people, days, rng):
    """Whole numbers, as devices show them, an SD of 1 about each athlete's level."""
    level = rng.normal(45, 7, people)
    return pd.DataFrame(
        {
            "athlete_id": np.repeat([f"A{i:03d}" for i in range(people)], days),
            "lab_test_id": np.repeat([f"T{i:03d}" for i in range(people)], days),
            "method": "wrist",
            "mode": "run",
            "date": np.tile(pd.date_range("2026-03-01", periods=days), people),
            "field": np.round(level[:, None] + rng.normal(0, 1, (people, days))).ravel(),
        }
    )


def test_equal_series_of_few_whole_numbers_are_chance_in_a_large_study():
    """Without that, 3 of 40 honest studies of 200 stopped (measured)."""
    rng = np.random.default_rng(1)
    assert not any(copied_series(_series(200, 5, rng)) for _ in range(40))


def test_an_equal_series_of_two_weeks_is_one_export_under_two_ids():
    daily = _series(60, 14, np.random.default_rng(2))
    daily.loc[daily["athlete_id"] == "A007", "field"] = daily["field"].to_numpy()[:14]
    assert copied_series(daily) == [("A000", "A007", "wrist")]


def _repeats(values):
    tests = pd.DataFrame(
        {"lab_test_id": np.repeat(np.arange(len(values)), 2), "lab": np.ravel(values)}
    )
    return [one.code for one in odd_columns(tests.assign(athlete_id=tests["lab_test_id"]), tests)]


def test_whole_numbers_meet_by_chance_and_decimals_do_not():
    rng = np.random.default_rng(5)  # an exact laboratory, SD 0.7, tests six people twice
    true = rng.uniform(40, 60, (300, 6, 1)) + rng.normal(0, 0.7, (300, 6, 2))
    assert sum(_repeats(study) != [] for study in np.round(true)) == 0
    many = true.reshape(-1, 2)
    for step in (1.0, 0.1):  # against the simulated share, within three of its standard errors
        share = np.mean(np.equal(*np.round(many / step).T))
        assert chance_of_equal(step, 0.7) == pytest.approx(share, abs=3 * 0.5 / len(many) ** 0.5)
    five = np.array([[50, 50], [47, 47], [55, 55], [61, 61], [44, 44], [52, 53]])
    assert _repeats(five) == []
    assert _repeats(five + 0.1 * np.arange(6)[:, None]) == ["copied_repeats"]
    assert _repeats(np.repeat(np.arange(40, 60), 2).reshape(-1, 2)) == ["copied_repeats"]
