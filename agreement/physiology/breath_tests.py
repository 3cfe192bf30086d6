"""
Laboratory values from breath files: VO2max under the study's rule, and under the others beside it.

What was edited is told; a value far from the typed one is told.
"""

import hashlib
from typing import Any, Final, NamedTuple

import numpy as np
import pandas as pd

from agreement.errors import Problem, TableError
from agreement.physiology.arrays import FloatArray
from agreement.physiology.averaging import COMPARED_RULES, vo2max_under_rule, vo2max_under_rules
from agreement.physiology.breath_doubts import REMEDIES as BREATH_REMEDIES
from agreement.physiology.breath_doubts import breath_doubts
from agreement.physiology.breath_editing import edited_breaths
from agreement.physiology.gas_checks import gas_column_checks
from agreement.physiology.ledger import FILES_NAMED, grouped_notes
from agreement.physiology.plateau import last_step
from agreement.physiology.stages import stages
from agreement.physiology.work_rate import work_rate_vo2
from agreement.tables.averaging_rule import UNKNOWN_RULE
from agreement.tables.doubts import doubt
from agreement.tables.options import FixedBinsFrom, LastBin, Reference
from agreement.tables.raw_parts import read_breaths
from agreement.tables.study import StudyTables
from agreement.terms import RANGES, counted

DEFAULT_RULE: Final = "moving 30 s"  # preferred where no filter is used: Nolte 2023 (read)
TYPED_WITHIN: Final = 0.03  # of the value from breaths
BESIDE_COLUMNS: Final = {"rer_max": "vco2_ml_min", "hr_max_bpm": "hr_bpm"}
GAS_COLUMNS: Final = (
    "vo2_ml_min",
    "vco2_ml_min",
    "ve_l_min",
    "ve_stpd_l_min",
    "vo2_ml_kg_min",
    "rer",
)
HR_RULE: Final = "moving 10 s"  # a single beat is no maximum; common practice, no source
EDITED: Final = "Look at these breaths if much was lost; valves and masks leak."
UNEDITED: Final = (
    "See whether they are coughs or leaks; edit_breaths = true in [reference] takes them out."
)
FROM: Final = 0.05  # a change of VO2max that is told. [mL/kg/min]
START_S: Final[dict[FixedBinsFrom, float | None]] = {"first breath": None, "clock": 0.0}
PLATEAU: Final = "Fill plateau (yes, no) of the test to decide it yourself."


_NO_VALUES: Final = pd.DataFrame(
    {
        "lab_test_id": [],
        "lab": [],
        "averaging_rule": [],
        "rer_max": [],
        "hr_max_bpm": [],
        "plateau": [],
    }
)
_RULES: Final = ["lab_test_id", "rule", "vo2max", "vo2max_unedited", "vo2max_edited"]
_NO_RULES: Final = pd.DataFrame({name: [] for name in _RULES})
_EDITING: Final = [
    "file",
    "breaths",
    "artefacts",
    "impossible",
    "backward",
    "unedited",
    "edited",
    "kept_bin",
]
_NO_EDITING: Final = pd.DataFrame(columns=_EDITING)
_NO_STAGES: Final = pd.DataFrame(columns=["lab_test_id", "mode", "cost", "vo2"])


class BreathTests(NamedTuple):
    """Values of tests with breath files, the same under every rule, and what was noticed."""

    tests: pd.DataFrame  # lab_test_id, lab, averaging_rule, rer_max, hr_max_bpm, plateau
    rules: pd.DataFrame  # lab_test_id, rule; [mL/kg/min] vo2max, vo2max_unedited, _edited
    editing: (
        pd.DataFrame
    )  # file; counts breaths, artefacts, impossible, backward; [mL/kg/min] unedited, edited
    # (without artefacts), kept_bin (with a last bin of half its length; NaN where it makes no difference)
    stages: pd.DataFrame  # lab_test_id, mode, cost, vo2 [mL/kg/min]: ends of long stages
    problems: tuple[Problem, ...]
    doubts: tuple[Problem, ...] = ()
    print: tuple[bytes, str] | None = None  # digest of the uptakes of one file, and its name


def breath_tests(tests: pd.DataFrame, study: StudyTables) -> BreathTests:
    """
    Compute VO2max of every test that has a breath file.

    Parameters
    ----------
    tests : DataFrame
        lab_test_id, mode, vo2max (typed, may be NaN), mass_kg, barometric_pressure_mmhg, plateau,
        averaging_rule, file, row.
    study : StudyTables
        For the files and ``[reference]``: the study's rule, else the test's own, else the one rule
        that the other tests carry, else moving 30 s.

    Returns
    -------
    BreathTests
        A test whose breaths give no value keeps its typed one and is not listed in `tests`.

    Raises
    ------
    TableError
        If breath files cannot be used, with every reason of every file.
    """
    if not study.breaths:
        return BreathTests(_NO_VALUES, _NO_RULES, _NO_EDITING, _NO_STAGES, ())
    found: list[BreathTests] = []
    stops: list[Problem] = []
    form = study.options.files.get("breaths")
    chosen = study.options.reference.averaging_rule
    carried = {rule for rule in map(_stated_rule, tests["averaging_rule"].unique()) if rule}
    fallback = carried.pop() if len(carried) == 1 else DEFAULT_RULE
    for test in tests[tests["lab_test_id"].isin(list(study.breaths))].to_dict("records"):
        path = study.breaths[test["lab_test_id"]]
        try:
            breaths, notes = read_breaths(path, form=form)
        except TableError as error:
            stops += error.problems
            continue
        rule = chosen or _stated_rule(test["averaging_rule"]) or fallback
        file = f"{path.parent.name}/{path.name}"
        named = {str(k): v for k, v in test.items()}
        one = _one_test(breaths, rule, named, file, notes, study)
        uptakes = breaths["vo2_ml_min"].to_numpy(dtype=np.float64)
        digest = hashlib.sha256(np.round(uptakes, 3).tobytes()).digest()
        found.append(one._replace(print=(digest, file)))
    doubts = [problem for one in found for problem in one.doubts]
    doubts += _same_breaths(found, study)
    stops += [problem for problem in doubts if problem.severity == "stop"]
    if stops:
        raise TableError(stops)
    editing = _joined([one.editing for one in found], _NO_EDITING)
    notes = grouped_notes([note for one in found for note in one.problems], "breaths")
    return BreathTests(
        _joined([one.tests for one in found], _NO_VALUES),
        _joined([one.rules for one in found], _NO_RULES),
        editing,
        _joined([one.stages for one in found], _NO_STAGES),
        notes + _editing_notes(editing, study.options.reference) + tuple(doubts),
    )


def _same_breaths(found: list["BreathTests"], study: StudyTables) -> list[Problem]:
    """Doubt files with the same uptakes as another, under whatever name."""
    files: dict[bytes, list[str]] = {}
    for one in found:
        if one.print is not None:
            files.setdefault(one.print[0], []).append(one.print[1])
    return [
        doubt(
            study.options,
            "same_breaths",
            same[1],
            f"the breaths are those of {same[0]}"
            + (f", and of {counted(len(same) - 2, 'more file')}." if len(same) > 2 else "."),
            BREATH_REMEDIES["same_breaths"],
        )
        for same in files.values()
        if len(same) > 1
    ]


def _joined(parts: list[pd.DataFrame], empty: pd.DataFrame) -> pd.DataFrame:
    some = [part for part in parts if len(part)]
    return pd.concat(some, ignore_index=True) if some else empty


def _one_test(
    breaths: pd.DataFrame,
    rule: str,
    test: dict[str, Any],
    file: str,
    notes: tuple[Problem, ...],
    study: StudyTables,
) -> BreathTests:
    """Return the value of one test and what was noticed on the way."""
    name, mass = str(test["lab_test_id"]), float(test["mass_kg"])
    reference = study.options.reference
    cut = edited_breaths(breaths, mass_kg=mass)
    t, raw = (cut.breaths[c].to_numpy(dtype=np.float64) for c in ("t_s", "vo2_ml_min"))
    whole, clean = (np.where(cut.out(edit=edit), np.nan, raw) for edit in (False, True))
    start = START_S[reference.fixed_bins_from]
    asked = tuple(dict.fromkeys((rule, *COMPARED_RULES)))
    last = reference.last_bin
    unedited, edited = (
        vo2max_under_rules(t, one, asked, start_s=start, last_bin=last) for one in (whole, clean)
    )
    edit = reference.edit_breaths
    chosen, every = (clean, edited) if edit else (whole, unedited)
    used = cut.kept(edit=edit)
    kept_bin = vo2max_under_rule(t, chosen, rule, start_s=start, last_bin="keep at least half")
    moved = (unedited[rule] / mass, edited[rule] / mass, kept_bin / mass)
    impossible = int(cut.impossible.sum())
    found = (int(cut.wrong.sum()) - impossible, impossible)
    counts = pd.DataFrame([(file, len(breaths), *found, cut.backward, *moved)], columns=_EDITING)
    notes += _gas_notes(used, test, file)
    lab, cost = every[rule] / mass, _cost(used, test)
    clear = cut.kept(edit=True)
    costs = _cost(clear, test) * mass
    doubts = tuple(
        doubt(study.options, one.code, file, one.what, BREATH_REMEDIES[one.code], column=one.column)
        for one in breath_doubts(clear, costs, len(cut.breaths))
    )
    if np.isnan(lab):
        return BreathTests(_NO_VALUES, _NO_RULES, counts, _NO_STAGES, notes, doubts)
    notes += _typed_notes(lab, float(test["vo2max"]), rule, test["file"], int(test["row"]))
    value = {"lab_test_id": name, "lab": lab, "averaging_rule": rule}
    under = (every, unedited, edited)
    rules = pd.DataFrame(
        [(name, one, *(values[one] / mass for values in under)) for one in every], columns=_RULES
    )
    notes += _bin_notes(lab, kept_bin / mass, file)
    beside, odd = _impossible(_beside(used, rule, start, reference.last_bin), file)
    t, vo2 = (used[c].to_numpy(dtype=np.float64) for c in ("t_s", "vo2_ml_min"))
    plateau, told = _plateau(t, vo2, cost, test, file)
    notes += odd + told
    values = pd.DataFrame([value | beside | {"plateau": plateau}])
    rows = _stage_rows(t, vo2, cost, test)
    return BreathTests(values, rules, counts, rows, notes, doubts)


def _stated_rule(rule: object) -> str | None:
    return rule if isinstance(rule, str) and rule != UNKNOWN_RULE else None


def _beside(
    breaths: pd.DataFrame, rule: str, start_s: float | None, last_bin: LastBin
) -> dict[str, float]:
    """Return the respiratory exchange ratio under the same rule, and the highest heart rate."""
    t = breaths["t_s"].to_numpy(dtype=np.float64)
    vo2, vco2, hr = (
        breaths[name].to_numpy(dtype=np.float64) for name in ("vo2_ml_min", "vco2_ml_min", "hr_bpm")
    )
    with_co2, with_hr = np.isfinite(vco2), np.isfinite(hr)
    vco2max, vo2max = (
        vo2max_under_rule(t[known], one[known], rule, start_s=start_s, last_bin=last_bin)
        for known, one in ((with_co2, vco2), (np.isfinite(vo2), vo2))
    )
    ratio = vco2max / vo2max
    return {"rer_max": ratio, "hr_max_bpm": vo2max_under_rule(t[with_hr], hr[with_hr], HR_RULE)}


def _impossible(
    beside: dict[str, float], file: str
) -> tuple[dict[str, float], tuple[Problem, ...]]:
    """Make unknown what no person can reach, and say so."""
    notes = []
    for name, column in BESIDE_COLUMNS.items():
        usual, value = RANGES[name], beside[name]
        if np.isnan(value) or usual.reject_low <= value <= usual.reject_high:
            continue
        what = (
            f"the breaths give {name} {value:.3g}, outside {usual.reject_low:g} to "
            f"{usual.reject_high:g}. Taken as unknown."
        )
        notes.append(Problem("note", "looks_wrong", file, None, column, what, "Check its unit."))
        beside = beside | {name: np.nan}
    return beside, tuple(notes)


def _cost(breaths: pd.DataFrame, test: dict[str, Any]) -> FloatArray:
    """Return the uptake that the work rate of each breath costs; NaN where it is not recorded."""
    work = {name: breaths[name].to_numpy(dtype=np.float64) for name in ("speed_m_s", "power_w")}
    grade = breaths["grade"].fillna(0.0).to_numpy(dtype=np.float64)
    return work_rate_vo2(str(test["mode"]), grade=grade, mass_kg=float(test["mass_kg"]), **work)


def _stage_rows(
    t: FloatArray, vo2: FloatArray, cost: FloatArray, test: dict[str, Any]
) -> pd.DataFrame:
    """Return what each long stage costs by the equation, and what was measured at its end."""
    rows = [
        (test["lab_test_id"], test["mode"], stage.cost, stage.end.mean() / float(test["mass_kg"]))
        for stage in stages(t, vo2, cost)
        if stage.end is not None
    ]
    return pd.DataFrame(rows, columns=_NO_STAGES.columns)


def _plateau(
    t: FloatArray, vo2: FloatArray, cost: FloatArray, test: dict[str, Any], file: str
) -> tuple[str, tuple[Problem, ...]]:
    """Judge the last step of a test with long stages, where nobody did; say what came of it."""
    if test["plateau"] in {"yes", "no"}:
        return str(test["plateau"]), ()
    step = last_step(t, vo2, cost, mass_kg=float(test["mass_kg"]))
    if step is None:
        return "unknown", ()
    note = Problem("note", "plateau", file, None, "vo2_ml_min", step.summary(), PLATEAU)
    return step.plateau, (note,)


def _gas_notes(breaths: pd.DataFrame, test: dict[str, Any], file: str) -> tuple[Problem, ...]:
    """Say where the columns of the file do not fit together."""
    found = gas_column_checks(
        {name: breaths[name].to_numpy(dtype=np.float64) for name in GAS_COLUMNS},
        mass_kg=float(test["mass_kg"]),
        pressure_mmhg=float(test["barometric_pressure_mmhg"]),
    )
    remedy = "See what the file was computed with; VO2max rests on vo2_ml_min as it is."
    return tuple(
        Problem("note", "looks_wrong", file, None, one.column, one.what, remedy) for one in found
    )


def _bin_notes(lab: float, kept: float, file: str) -> tuple[Problem, ...]:
    """Say where the last bin, which is not whole, decides the value."""
    if abs(kept - lab) < FROM or not np.isfinite(kept):
        return ()
    what = (
        f"the last bin is not whole and is left out: VO2max is {lab:.1f} mL/kg/min, with it "
        f"{kept:.1f}."
    )
    remedy = 'Set last_bin = "keep at least half" in [reference] if the laboratory keeps it.'
    return (Problem("note", "last_bin", file, None, "vo2_ml_min", what, remedy),)


def _editing_notes(editing: pd.DataFrame, reference: Reference) -> tuple[Problem, ...]:
    """Say how many breaths were left out, or kept all the same, of many tests in one line."""
    found = []
    out = "were left out"
    fate, remedy = (out, EDITED) if reference.edit_breaths else ("stay in", UNEDITED)
    for column, name, done, why, then in (
        ("vo2_ml_min", "artefacts", fate, "far from their neighbours", remedy),
        ("vo2_ml_min", "impossible", out, "below 0 or above what anybody reaches", EDITED),
        ("t_s", "backward", out, "their time repeats or runs backwards", EDITED),
    ):
        hit = editing[editing[name] > 0]
        whats = {
            str(line["file"]): f"{line[name]} of {line['breaths']} breaths {done}: {why}."
            + (_moved(line, reference) if name == "artefacts" else "")
            for line in hit.to_dict("records")
        }
        if len(hit) > FILES_NAMED:
            most = hit.to_dict("records")[int(hit[name].to_numpy(dtype=np.int64).argmax())]
            text = (
                f"{hit[name].sum()} of {hit['breaths'].sum()} breaths of {len(hit)} tests {done}: "
                f"{why}. Most: {most[name]} of {most['breaths']} in {most['file']}."
            )
            whats = {"breaths": text}
        found += [
            Problem("note", "breaths_edited", file, None, column, what, then)
            for file, what in whats.items()
        ]
    return tuple(found)


def _moved(line: dict[Any, Any], reference: Reference) -> str:
    """Say what editing does to the value of one test."""
    before, after = float(line["unedited"]), float(line["edited"])
    if not (np.isfinite(before) and np.isfinite(after)) or abs(after - before) < FROM:
        return ""
    if reference.edit_breaths:
        return f" VO2max is {after:.1f} mL/kg/min for {before:.1f} with them."
    return f" Without them VO2max would be {after:.1f} mL/kg/min for {before:.1f}."


def _typed_notes(lab: float, typed: float, rule: str, file: str, row: int) -> tuple[Problem, ...]:
    if np.isnan(typed) or abs(typed / lab - 1) <= TYPED_WITHIN:
        return ()
    what = (
        f"the typed VO2max {typed:g} is {abs(typed / lab - 1):.1%} from {lab:.1f} mL/kg/min, which "
        f"the breaths give under '{rule}'."
    )
    remedy = "The breaths are used."
    return (Problem("note", "breaths_differ", file, row, "vo2max_ml_kg_min", what, remedy),)
