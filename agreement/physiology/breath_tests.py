"""
Laboratory values from breath files: VO2max under the study's rule, and under the others beside it.

What was edited is told; a value far from the typed one is told; the choice of rule is priced in the
study's own tests by `averaging_worth`.
"""

from pathlib import Path
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np
import pandas as pd

from agreement.errors import Problem
from agreement.physiology.averaging import COMPARED_RULES, vo2max_under_rule, vo2max_under_rules
from agreement.physiology.breath_editing import edited_breaths
from agreement.tables.averaging_rule import UNKNOWN_RULE

if TYPE_CHECKING:
    from agreement.tables.study import StudyTables

DEFAULT_RULE: Final = "moving 30 s"  # preferred where no filter is used: Nolte 2023 (read)
TYPED_WITHIN: Final = 0.03  # of the value from breaths
HR_RULE: Final = "moving 10 s"  # a single beat is no maximum; common practice, no source


class BreathTests(NamedTuple):
    """Values of tests with breath files, the same under every rule, and what was noticed."""

    values: pd.DataFrame  # lab_test_id, lab, averaging_rule, rer_max, hr_max_bpm
    rules: pd.DataFrame  # lab_test_id, rule, vo2max [mL/kg/min]
    problems: tuple[Problem, ...]


def breath_tests(tests: pd.DataFrame, study: "StudyTables") -> BreathTests:
    """
    Compute VO2max of every test that has a breath file.

    Parameters
    ----------
    tests : DataFrame
        lab_test_id, vo2max (typed, may be NaN), mass_kg, averaging_rule.
    study : StudyTables
        For the files and ``[reference]``.

    Returns
    -------
    BreathTests
        A test whose breaths give no value keeps its typed one and is not listed in `values`.
    """
    values, rules, problems = [], [], []
    chosen = study.options.reference.averaging_rule
    for test in tests[tests["lab_test_id"].isin(list(study.breaths))].to_dict("records"):
        path = study.breaths[test["lab_test_id"]]
        mass, typed = float(test["mass_kg"]), float(test["vo2max"])
        file = _inside(path, study.folder)
        from agreement.tables.raw_parts import read_breaths

        breaths, found = read_breaths(path)
        problems += found
        rule = chosen or _own_rule(test["averaging_rule"])
        edited = edited_breaths(breaths, mass_kg=mass)
        problems += _editing_notes(edited.artefacts, edited.backward, len(breaths), file)
        t, vo2 = (edited.breaths[name].to_numpy(dtype=np.float64) for name in ("t_s", "vo2_ml_min"))
        lab = vo2max_under_rule(t, vo2, rule) / mass
        if np.isnan(lab):
            continue
        problems += _typed_notes(lab, typed, rule, test["file"], int(test["row"]))
        values.append(
            {"lab_test_id": test["lab_test_id"], "lab": lab, "averaging_rule": rule}
            | _beside(edited.breaths, rule)
        )
        every = vo2max_under_rules(t, vo2, tuple(dict.fromkeys((rule, *COMPARED_RULES))))
        rules += [
            {"lab_test_id": test["lab_test_id"], "rule": name, "vo2max": value / mass}
            for name, value in every.items()
        ]
    columns = ["lab_test_id", "lab", "averaging_rule", "rer_max", "hr_max_bpm"]
    return BreathTests(
        pd.DataFrame(values, columns=columns),
        pd.DataFrame(rules, columns=["lab_test_id", "rule", "vo2max"]),
        tuple(problems),
    )


def averaging_worth(rules: pd.DataFrame, *, against: str = "fixed 30 s") -> pd.DataFrame:
    """
    Price the choice of averaging rule in this study's own tests.

    Parameters
    ----------
    rules : DataFrame
        lab_test_id, rule, vo2max: each test under several rules.
    against : str
        The rule that the others are compared with.

    Returns
    -------
    DataFrame
        rule, n, median, p10, p90 (per cent more than under `against`) and median_difference
        [mL/kg/min]; highest first.

    Raises
    ------
    ValueError
        If no test has a value under `against`.
    """
    wide = rules.pivot_table(index="lab_test_id", columns="rule", values="vo2max")
    if against not in wide:
        message = f"no test has a value under {against!r}"
        raise ValueError(message)
    more = wide.sub(wide[against], axis=0)
    share = 100 * more.div(wide[against], axis=0)
    table = pd.DataFrame(
        {
            "n": share.notna().sum(),
            "median": share.median(),
            "p10": share.quantile(0.1),
            "p90": share.quantile(0.9),
            "median_difference": more.median(),
        }
    )
    return table.sort_values("median", ascending=False, kind="stable").reset_index()


def _inside(path: Path, folder: Path) -> str:
    return path.relative_to(folder).as_posix() if path.is_relative_to(folder) else path.name


def _own_rule(stated: object) -> str:
    return str(stated) if isinstance(stated, str) and stated != UNKNOWN_RULE else DEFAULT_RULE


def _beside(breaths: pd.DataFrame, rule: str) -> dict[str, float]:
    """Return the respiratory exchange ratio under the same rule, and the highest heart rate."""
    t = breaths["t_s"].to_numpy(dtype=np.float64)
    vo2, vco2, hr = (
        breaths[name].to_numpy(dtype=np.float64) for name in ("vo2_ml_min", "vco2_ml_min", "hr_bpm")
    )
    with_co2, with_hr = np.isfinite(vco2), np.isfinite(hr)
    ratio = vo2max_under_rule(t[with_co2], vco2[with_co2], rule) / vo2max_under_rule(t, vo2, rule)
    return {"rer_max": ratio, "hr_max_bpm": vo2max_under_rule(t[with_hr], hr[with_hr], HR_RULE)}


def _editing_notes(artefacts: int, backward: int, total: int, file: str) -> list[Problem]:
    found = []
    if artefacts:
        what = f"{artefacts} of {total} breaths were left out: far from their neighbours."
        found.append(Problem("note", "breaths_edited", file, None, "vo2_ml_min", what, ""))
    if backward:
        what = f"{backward} breaths were left out: their time repeats or runs backwards."
        found.append(Problem("note", "breaths_edited", file, None, "t_s", what, ""))
    return found


def _typed_notes(lab: float, typed: float, rule: str, file: str, row: int) -> list[Problem]:
    if np.isnan(typed) or abs(typed / lab - 1) <= TYPED_WITHIN:
        return []
    what = (
        f"the typed VO2max {typed:g} is {abs(typed / lab - 1):.1%} from {lab:.1f} mL/kg/min, which "
        f"the breaths give under '{rule}'."
    )
    remedy = "The breaths are used."
    return [Problem("note", "breaths_differ", file, row, "vo2max_ml_kg_min", what, remedy)]
