"""
Laboratory values from breath files: VO2max under the study's rule, and under the others beside it.

What was edited is told; a value far from the typed one is told.
"""

import hashlib
from collections.abc import Callable, Iterable, Sequence
from typing import TYPE_CHECKING, Any, Final, NamedTuple

import numpy as np
import pandas as pd

from agreement.arrays import Floats, floats
from agreement.errors import Problem, TableError
from agreement.physiology.averaging import COMPARED_RULES, vo2max_under_rule, vo2max_under_rules
from agreement.physiology.breath_editing import edited_breaths
from agreement.physiology.breath_notes import (
    bin_notes,
    breath_doubts,
    editing_notes,
    gas_notes,
    on_the_recordings_clock,
    typed_notes,
    window_notes,
)
from agreement.physiology.elsewhere import Elsewhere
from agreement.physiology.equations import work_rate_vo2
from agreement.physiology.set_aside import grouped_notes, joined
from agreement.physiology.stages import last_step, stages
from agreement.physiology.thresholds import THRESHOLD_COLUMNS, ventilatory_thresholds
from agreement.tables.averaging_rule import UNKNOWN_RULE
from agreement.tables.doubts import doubt_said
from agreement.tables.findings import problem
from agreement.tables.options import FileFormat, FixedBinsFrom, StudyOptions
from agreement.tables.part_folders import raw_name, read_breaths
from agreement.tables.study import StudyTables
from agreement.terms import RANGES, counted

if TYPE_CHECKING:
    from pathlib import Path

DEFAULT_RULE: Final = "moving 30 s"  # preferred where no filter is used: Nolte 2023 (read)
BESIDE_COLUMNS: Final = {"rer_max": "vco2_ml_min", "hr_max_bpm": "hr_bpm"}
HR_RULE: Final = "moving 10 s"  # a single beat is no maximum; common practice, no source
START_S: Final[dict[FixedBinsFrom, float | None]] = {"first breath": None, "clock": 0.0}
UNEVEN_STEPS: Final = 20  # different steps of a hundredth of a second: nobody breathes so twice
_ANY_MASS_KG: Final = 70.0
BESIDE_STAGES: Final = ("vco2_ml_min", "hr_bpm", "speed_m_s", "grade", "power_w")
STAGE_COLUMNS: Final = ["lab_test_id", "mode", "mass_kg", "cost", "vo2", *BESIDE_STAGES]
_EDITING: Final = [
    *("file", "breaths", "artefacts", "impossible", "backward", "unedited", "edited")
]
_RULES: Final = ["lab_test_id", "rule", "vo2max", "vo2max_unedited", "vo2max_edited"]
_VALUES: Final = ["lab_test_id", "lab", "averaging_rule", "rer_max", "hr_max_bpm", "plateau"]
_NOTHING: Final = {
    "tests": pd.DataFrame({name: [] for name in _VALUES}),
    "rules": pd.DataFrame({name: [] for name in _RULES}),
    "editing": pd.DataFrame(columns=_EDITING),
    "stages": pd.DataFrame(columns=STAGE_COLUMNS),
    "thresholds": pd.DataFrame(columns=THRESHOLD_COLUMNS),
}


class BreathTests(NamedTuple):
    """Values of tests with breath files, the same under every rule, and what was noticed."""

    # lab_test_id, lab, averaging_rule, rer_max, hr_max_bpm, plateau
    tests: pd.DataFrame = _NOTHING["tests"]
    # lab_test_id, rule; [mL/kg/min] vo2max, vo2max_unedited, vo2max_edited
    rules: pd.DataFrame = _NOTHING["rules"]
    # file; counts breaths, artefacts, impossible, backward; [mL/kg/min] unedited, edited (without
    # artefacts)
    editing: pd.DataFrame = _NOTHING["editing"]
    # `STAGE_COLUMNS`; cost, vo2 [mL/kg/min]: ends of long stages
    stages: pd.DataFrame = _NOTHING["stages"]
    problems: tuple[Problem, ...] = ()
    doubts: tuple[Problem, ...] = ()
    thresholds: pd.DataFrame = _NOTHING["thresholds"]  # of `agreement.physiology.thresholds`
    prints: tuple[bytes, ...] = ()  # digests of uptakes and of times of one file
    file: str = ""


class BreathFile(NamedTuple):
    """A breath file and the tests wanted of it: all that their values depend on, but its bytes."""

    path: "Path"
    name: str  # the same inside the study folder
    # lab_test_id, mode, vo2max and what else `breath_tests` takes of a test; and the rule of each
    tests: tuple[dict[str, Any], ...]
    rules: tuple[str, ...]
    form: FileFormat | None  # ``[files.breaths]``
    options: StudyOptions  # ``[reference]`` and ``[confirm]`` alone


ComputedFile = tuple[tuple[Problem, ...], tuple[BreathTests, ...]]
OverBreaths = Callable[[Sequence[BreathFile]], Iterable[ComputedFile]]
BREATHS_ELSEWHERE: Final = Elsewhere[OverBreaths]("breaths")


def breath_tests(tests: pd.DataFrame, study: StudyTables) -> BreathTests:
    """
    Compute VO2max of every test that has a breath file.

    tests: lab_test_id, mode, vo2max (typed, may be NaN), mass_kg, barometric_pressure_mmhg,
        plateau, averaging_rule, exercise_start_s, exercise_end_s, file, row.
    study: for the files and ``[reference]``: the study's rule, else the test's own, else the one
        rule that the other tests carry, else moving 30 s.
    Returns: a test whose breaths give no value keeps its typed one and is not listed in `tests`.
    Raises TableError if breath files cannot be used, with every reason of every file.
    """
    if not study.breaths:
        return BreathTests()
    found: list[BreathTests] = []
    stops: list[Problem] = []
    files, over = _files(tests, study), BREATHS_ELSEWHERE.way
    for stopped, of_file in map(computed_file, files) if over is None else over(files):
        stops += stopped
        found += of_file
    doubts = [problem for one in found for problem in one.doubts]
    doubts += _same_breaths(found, study)
    stops += [problem for problem in doubts if problem.severity == "stop"]
    if stops:
        raise TableError(stops)
    tables: dict[str, Any] = {
        name: joined([getattr(one, name) for one in found], nothing)
        for name, nothing in _NOTHING.items()
    }
    notes = grouped_notes([note for one in found for note in one.problems], "breaths")
    notes += editing_notes(tables["editing"], study.options.reference) + tuple(doubts)
    return BreathTests(**tables, problems=notes)


def _files(tests: pd.DataFrame, study: StudyTables) -> list[BreathFile]:
    """Return the breath files, each with its tests, in the order of the table."""
    chosen = study.options.reference.averaging_rule
    carried = {rule for rule in map(_stated_rule, tests["averaging_rule"].unique()) if rule}
    fallback = carried.pop() if len(carried) == 1 else DEFAULT_RULE
    of_path: dict[Path, list[dict[str, Any]]] = {}
    for test in tests.to_dict("records"):
        if test["lab_test_id"] in study.breaths:
            named = {str(key): value for key, value in test.items()}
            of_path.setdefault(study.breaths[test["lab_test_id"]], []).append(named)
    form = study.options.files.get("breaths")
    options = StudyOptions(reference=study.options.reference, confirm=study.options.confirm)
    files = []
    for path, of_file in of_path.items():
        stated = [chosen or _stated_rule(one["averaging_rule"]) or fallback for one in of_file]
        name = raw_name(study.folder, path)
        files.append(BreathFile(path, name, tuple(of_file), tuple(stated), form, options))
    return files


def computed_file(of: BreathFile) -> ComputedFile:
    """Read one breath file and compute its tests; what stops the study, and none, if it cannot be used."""
    try:
        breaths, notes = read_breaths(of.path, file=of.name, form=of.form)
    except TableError as error:
        return error.problems, ()
    own = breaths.get("lab_test_id")
    found = []
    for test, rule in zip(of.tests, of.rules, strict=True):
        named, mine = of.name, breaths
        if own is not None:
            name = test["lab_test_id"]
            named = f"{of.name} ({name})"
            mine = breaths[(own == name).to_numpy()].reset_index(drop=True)
        mine, test = _in_ml_min(mine, test)
        test, told = on_the_recordings_clock(mine, test, named)
        one = _one_test(mine, rule, test, named, notes + told, of.options)
        # what two tests cannot share: the uptakes, and the steps between breaths if uneven
        t, uptakes = floats(mine, "t_s", "vo2_ml_min")
        steps = np.round(np.diff(t), 2)
        unlike = [np.round(uptakes, 3)] + [steps] * (np.unique(steps).size >= UNEVEN_STEPS)
        prints = tuple(hashlib.sha256(part.tobytes()).digest() for part in unlike)
        found.append(one._replace(prints=prints, file=named))
        notes = notes if own is None else ()
    return (), tuple(found)


def _in_ml_min(breaths: pd.DataFrame, test: dict[str, Any]) -> tuple[pd.DataFrame, dict[str, Any]]:
    """
    Return breaths in mL/min where the file has them per kilogram alone, and the test with its mass.

    Without a mass any serves, for the uptakes are divided by it again; what is not per kilogram then
    has no relation to them.
    """
    if breaths["vo2_ml_min"].notna().any() or breaths["vo2_ml_kg_min"].isna().all():
        return breaths, test
    if massless := bool(np.isnan(float(test["mass_kg"]))):
        test = test | {"mass_kg": _ANY_MASS_KG}
        breaths = breaths.assign(vco2_ml_min=np.nan, ve_l_min=np.nan, power_w=np.nan)
    per_kg = breaths["vo2_ml_kg_min"]
    kept = np.nan if massless else per_kg
    return breaths.assign(vo2_ml_min=per_kg * float(test["mass_kg"]), vo2_ml_kg_min=kept), test


def _same_breaths(found: list["BreathTests"], study: StudyTables) -> list[Problem]:
    """Doubt files with the uptakes or the times of another, under whatever name."""
    files: dict[bytes, list[str]] = {}
    for one in found:
        for digest in one.prints:
            files.setdefault(digest, []).append(one.file)
    doubts = []
    shared = dict.fromkeys(tuple(same) for same in files.values() if len(same) > 1)
    for first, *others in shared:
        more = f", and of {counted(len(others) - 1, 'more file')}" if len(others) > 1 else ""
        doubts.append(doubt_said(study.options, "same_breaths", others[0], first=first, more=more))
    return doubts


def _one_test(
    breaths: pd.DataFrame,
    rule: str,
    test: dict[str, Any],
    file: str,
    notes: tuple[Problem, ...],
    options: StudyOptions,
) -> BreathTests:
    """Return the value of one test and what was noticed on the way."""
    name, mass = str(test["lab_test_id"]), float(test["mass_kg"])
    reference = options.reference
    window = (float(test["exercise_start_s"]), float(test["exercise_end_s"]))
    cut = edited_breaths(breaths, mass_kg=mass, window_s=window)
    notes += window_notes(breaths, test, file)
    t, raw = floats(cut.breaths, "t_s", "vo2_ml_min")
    whole, clean = (np.where(cut.out(edit=edit), np.nan, raw) for edit in (False, True))
    start, last = START_S[reference.fixed_bins_from], reference.last_bin
    ways: dict[str, Any] = {"start_s": start, "last_bin": last}
    asked = tuple(dict.fromkeys((rule, *COMPARED_RULES)))
    unedited, edited = (vo2max_under_rules(t, one, asked, **ways) for one in (whole, clean))
    edit = reference.edit_breaths
    chosen, every = (clean, edited) if edit else (whole, unedited)
    used = cut.kept(edit=edit)
    kept_bin = vo2max_under_rule(t, chosen, rule, start_s=start, last_bin="keep at least half")
    moved = (unedited[rule] / mass, edited[rule] / mass)
    impossible = int(cut.impossible.sum())
    found = (int(cut.wrong.sum()) - impossible, impossible)
    counts = pd.DataFrame([(file, len(breaths), *found, cut.backward, *moved)], columns=_EDITING)
    notes += gas_notes(used, test, file)
    lab, cost = every[rule] / mass, _cost(used, test)
    clear = cut.kept(edit=True)
    costs = _cost(clear, test) * mass
    doubts = tuple(
        doubt_said(options, one.name, file, one.column, **one.values)
        for one in breath_doubts(clear, costs, len(cut.breaths))
    )
    if np.isnan(lab):
        return BreathTests(editing=counts, problems=notes, doubts=doubts)
    notes += typed_notes(lab, float(test["vo2max"]), rule, test["file"], int(test["row"]))
    value = {"lab_test_id": name, "lab": lab, "averaging_rule": rule}
    under = (every, unedited, edited)
    rules = pd.DataFrame(
        [(name, one, *(values[one] / mass for values in under)) for one in every], columns=_RULES
    )
    notes += bin_notes(lab, kept_bin / mass, file)
    beside, odd = _beside(used, rule, ways, file)
    t, vo2 = floats(used, "t_s", "vo2_ml_min")
    plateau, told = _plateau(t, vo2, cost, test, file)
    notes += odd + told
    values = pd.DataFrame([value | beside | {"plateau": plateau}])
    rows = _stage_rows(used, t, vo2, cost, test)
    corners = ventilatory_thresholds(used, cost, lab_test_id=name, mass_kg=mass)
    return BreathTests(values, rules, counts, rows, notes, doubts, corners)


def _stated_rule(rule: object) -> str | None:
    return rule if isinstance(rule, str) and rule != UNKNOWN_RULE else None


def _beside(
    breaths: pd.DataFrame, rule: str, ways: dict[str, Any], file: str
) -> tuple[dict[str, float], tuple[Problem, ...]]:
    """
    Return the respiratory exchange ratio under the same rule, and the highest heart rate.

    What no person can reach is unknown, with a note on it.
    """
    t, vo2, vco2, hr = floats(breaths, "t_s", "vo2_ml_min", "vco2_ml_min", "hr_bpm")

    def highest(values: Floats, rule: str, **ways: Any) -> float:
        known = np.isfinite(values)
        return vo2max_under_rule(t[known], values[known], rule, **ways)

    of_vco2, of_vo2 = (highest(one, rule, **ways) for one in (vco2, vo2))
    beside, notes = {"rer_max": of_vco2 / of_vo2, "hr_max_bpm": highest(hr, HR_RULE)}, []
    for name, value in list(beside.items()):
        usual = RANGES[name]
        if value < usual.reject_low or value > usual.reject_high:
            told = {"name": name, "value": value, "usual": usual}
            notes.append(problem("impossible_breaths", file, None, BESIDE_COLUMNS[name], **told))
            beside[name] = np.nan
    return beside, tuple(notes)


def _cost(breaths: pd.DataFrame, test: dict[str, Any]) -> Floats:
    """Return the uptake that the work rate of each breath costs; NaN where it is not recorded."""
    work = {name: breaths[name].to_numpy(dtype=np.float64) for name in ("speed_m_s", "power_w")}
    grade = breaths["grade"].fillna(0.0).to_numpy(dtype=np.float64)
    return work_rate_vo2(str(test["mode"]), grade=grade, mass_kg=float(test["mass_kg"]), **work)


def _stage_rows(
    breaths: pd.DataFrame, t: Floats, vo2: Floats, cost: Floats, test: dict[str, Any]
) -> pd.DataFrame:
    """Return what each long stage costs by the equation, and what was measured at its end."""
    mass, rows = float(test["mass_kg"]), []
    for stage in stages(t, vo2, cost):
        if stage.end is not None:
            means = breaths.loc[stage.places, list(BESIDE_STAGES)].mean()
            of_test = (test["lab_test_id"], test["mode"], mass)
            rows.append((*of_test, stage.cost, stage.end.mean() / mass, *means))
    return pd.DataFrame(rows, columns=STAGE_COLUMNS)


def _plateau(
    t: Floats, vo2: Floats, cost: Floats, test: dict[str, Any], file: str
) -> tuple[str, tuple[Problem, ...]]:
    """Judge the last step of a test with long stages, where nobody did; say what came of it."""
    if test["plateau"] in {"yes", "no"}:
        return str(test["plateau"]), ()
    step = last_step(t, vo2, cost, mass_kg=float(test["mass_kg"]))
    if step is None:
        return "unknown", ()
    return step.plateau, (problem("plateau", file, None, "vo2_ml_min", said=step.summary()),)
