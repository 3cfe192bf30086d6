"""
Results of field tests to VO2max, by the table of protocols.

Nothing is refused for being outside a protocol's population: such a result is kept and flagged. A
result without an input that its equation needs is set aside, and the input is named.
"""

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from agreement.arrays import Floats
from agreement.errors import Problem
from agreement.physiology.field_test_results import MEASURED, one_row_results, stage_results
from agreement.physiology.field_tests import INPUT_UNITS, PROTOCOLS, no_protocol, protocol
from agreement.physiology.reading_rows import NO_MEMBERS, NO_READINGS, ReadingPart, join_parts
from agreement.physiology.session_people import nearest_measured, people_at
from agreement.physiology.set_aside import as_problems, joined, lines_of, row_notes
from agreement.tables.findings import problem
from agreement.tables.options import Extrapolation
from agreement.terms import SEXES, UNIT, counted

FROM_ATHLETE: Final = ("mass_kg", "stature_cm", "age_years")


def field_test_values(
    tests: pd.DataFrame,
    athletes: pd.DataFrame,
    laboratory: pd.DataFrame,
    *,
    extrapolation: Extrapolation,
) -> ReadingPart:
    """
    Compute VO2max of every field test.

    laboratory: frame of `laboratory_values`, for a mass and an HRmax that nobody wrote down
        elsewhere.
    Returns: one reading per result, the rows behind those of stage protocols, the ledger lines of
        what was left out, and problems; one of severity ``stop`` names an unknown protocol.
    """
    if tests.empty:
        return ReadingPart(NO_READINGS, NO_MEMBERS, joined([]))
    known = tests["protocol"].isin(list(PROTOCOLS)).to_numpy()
    strange = tests.loc[~known, ["protocol", "file", "row"]].itertuples(index=False)
    stops = []
    for name, file, row in strange:
        what = f"{no_protocol(str(name))}." if str(name) != "nan" else "No protocol is named."
        stops.append(problem("unknown_protocol", str(file), int(row), "protocol", what=what))
    rows = tests[known].reset_index(drop=True)
    rows["id"] = rows["field_test_id"].fillna(rows["athlete_id"])
    unfinished = (rows["completed"] == "no").to_numpy()
    left_out = lines_of(rows, (unfinished, "not_completed", "completed", {}))
    rows, notes = _with_people(rows[~unfinished].reset_index(drop=True), athletes)
    rows, measured = _with_laboratory(rows, laboratory)
    notes += measured
    parts = [ReadingPart(NO_READINGS, NO_MEMBERS, left_out, (*stops, *notes))]
    for protocol_id, group in rows.groupby("protocol", sort=True):
        row = PROTOCOLS[str(protocol_id)]
        group = group.reset_index(drop=True)
        group["mode"] = group["mode"].fillna(row.mode or np.nan)
        if row.stages:
            parts.append(stage_results(group, row, extrapolation))
            continue
        found = one_row_results(group, row)
        if "hr_bpm" in row.inputs:
            found = found._replace(lines=_one_stage(found.readings, group, laboratory))
        parts.append(found)
    whole = join_parts(parts)
    return whole._replace(problems=whole.problems + as_problems(whole.set_aside))


def _with_people(
    rows: pd.DataFrame, athletes: pd.DataFrame
) -> tuple[pd.DataFrame, tuple[Problem, ...]]:
    """Fill sex, age, mass and stature from the athletes table; note where mass was filled."""
    people = people_at(athletes, rows["athlete_id"], rows["date"])
    rows["sex"] = people["sex"]
    with_mass = [row.id for row in PROTOCOLS.values() if "mass_kg" in row.inputs]
    filled = rows["mass_kg"].isna() & people["mass_kg"].notna() & rows["protocol"].isin(with_mass)
    for name in FROM_ATHLETE:
        rows[name] = rows[name].fillna(people[name])
    borrowed = rows[filled].sort_values("file", kind="stable")
    first, many = borrowed.drop_duplicates("file"), borrowed.groupby("file", sort=True).size()
    return rows, row_notes(first, "mass_of_athletes", "mass_kg", many=many)


def _with_laboratory(
    rows: pd.DataFrame, laboratory: pd.DataFrame
) -> tuple[pd.DataFrame, tuple[Problem, ...]]:
    """Fill mass, and HRmax of stage tests, from the athlete's nearest laboratory test; say so."""
    of_stages = [row.id for row in PROTOCOLS.values() if row.stages]
    per_mass = [row.id for row in PROTOCOLS.values() if {"mass_kg", MEASURED} & {*row.inputs}]
    notes: list[Problem] = []
    own = rows["protocol"].map(lambda one: PROTOCOLS[str(one)].mode)
    by_mode = rows.assign(mode=rows["mode"].fillna(own))
    for name, protocols in (("hr_max_bpm", of_stages), ("mass_kg", per_mass)):
        where = rows[name].isna() & rows["protocol"].isin(protocols)
        if not where.any():
            continue
        found = nearest_measured(by_mode[where], laboratory, name)
        rows.loc[where, name] = found
        filled = rows[where][~np.isnan(found)]
        for file, part in filled.groupby("file", sort=True):
            tests = len(part[["athlete_id", "date", "protocol"]].drop_duplicates())
            told = {"tests": counted(tests, "test"), "ours": name}
            notes.append(problem("from_laboratory", str(file), None, name, **told))
    return rows, tuple(notes)


def _one_stage(
    readings: pd.DataFrame, rows: pd.DataFrame, laboratory: pd.DataFrame
) -> pd.DataFrame:
    """Return what tests of one submaximal heart rate saw, as `stage_results` says it of stages."""
    own = readings[["athlete_id", "date", "mode", "method", "standard_error", "row"]]
    lines = own.merge(rows[["row", "hr_bpm", "hr_max_bpm"]], on="row")
    top = lines["hr_max_bpm"].fillna(pd.Series(nearest_measured(lines, laboratory, "hr_max_bpm")))
    lines = lines.assign(hr_max_bpm=top, top_share_of_hr_max=lines["hr_bpm"] / top)
    nothing = dict.fromkeys(("slope", "intercept", "other_form_bias"), np.nan)
    return lines.assign(n_points=1, hr_span=0.0, refused=None, **nothing)


@dataclass(frozen=True, slots=True)
class FieldTestEstimates:
    """VO2max of some results of one protocol."""

    protocol: str
    # shape (n,). NaN where the result cannot be used; `note` says why. [mL/kg/min]
    vo2max: Floats
    # whether the equation was made for such a person: yes, no, or unknown
    in_range: tuple[str, ...]
    standard_error: Floats  # shape (n,). As published for the equation. [mL/kg/min]
    note: tuple[str, ...]  # why there is no value; else empty

    def to_frame(self) -> pd.DataFrame:
        """Return one row per result."""
        columns = ["vo2max_ml_kg_min", "in_range", "standard_error", "note"]
        values = (self.vo2max, self.in_range, self.standard_error, self.note)
        return pd.DataFrame(dict(zip(columns, values, strict=True)))

    def summary(self) -> str:
        """Say how many values there are and where they lie."""
        known = self.vo2max[np.isfinite(self.vo2max)]
        start = f"{self.protocol}: {counted(known.size, 'value')} of {self.vo2max.size}"
        outside = self.in_range.count("no")
        if not known.size:
            return f"{start}."
        return (
            f"{start}, {known.min():.1f} to {known.max():.1f} {UNIT}; {outside} outside what the "
            "equation was made for."
        )


def estimate_field_test(
    protocol_id: str, *, sex: npt.ArrayLike = "unknown", **inputs: npt.ArrayLike
) -> FieldTestEstimates:
    """
    Compute VO2max of field tests by the equation of a protocol.

    Parameters
    ----------
    protocol_id : str
        An id of ``agreement protocols``.
    sex : array_like, shape (n,) or one for all
        {"female", "male", "unknown"}; some equations need it, others have a population of one sex.
    **inputs : array_like, shape (n,) or one number for all
        What the equation needs, the unit in the name: ``distance_m``, ``time_min`` ...

    Returns
    -------
    FieldTestEstimates
        Outside its population a value is kept and flagged; with a missing, impossible or
        mistaken input it is NaN, and the note says why.

    Raises
    ------
    ValueError
        If there is no such protocol, it takes several stages, or an input is unknown or lacks.

    Examples
    --------
    >>> found = estimate_field_test("run_12min_1968", distance_m=[2800.0, 28.0])
    >>> found.vo2max.round(1).tolist()
    [51.3, nan]
    """
    row = protocol(protocol_id)
    if row.stages:
        table = "give it as a table field_tests"
        raise ValueError(f"{protocol_id!r} takes several stages a result; {table}")
    needed = [name for name in row.inputs if name != "sex"]
    known = [name for name in INPUT_UNITS if name != "sex"]
    if strange := [name for name in inputs if name not in known]:
        raise ValueError(f"{strange[0]!r} is no input; {protocol_id} takes {', '.join(needed)}")
    by_stage = row.stage_rule is not None and row.stage_rule.speed is not None
    if not (by_stage and "stage" in inputs) and (lacking := [n for n in needed if n not in inputs]):
        listed = ", ".join(f"{name} [{INPUT_UNITS[name]}]" for name in lacking)
        raise ValueError(f"{protocol_id} needs {listed}")
    values = {name: np.atleast_1d(np.asarray(v, np.float64)) for name, v in inputs.items()}
    values["sex"] = np.atleast_1d(np.asarray(sex, dtype=object))
    spread = dict(zip(values, np.broadcast_arrays(*values.values()), strict=True))
    if odd := set(spread["sex"]) - set(SEXES):
        raise ValueError(f"`sex` must be one of {', '.join(SEXES)}; got {min(map(str, odd))!r}")
    n = len(spread["sex"])
    rows = pd.DataFrame(spread).reindex(columns=[*known, "sex"])
    rows = rows.assign(file="", row=np.arange(n), id="", mode=row.mode).astype({"sex": "str"})
    found = one_row_results(rows, row)
    kept = found.readings.set_index("row").reindex(range(n))
    notes = found.set_aside.set_index("row")["message"].reindex(range(n)).fillna("")
    return FieldTestEstimates(
        protocol_id,
        kept["field"].to_numpy(np.float64),
        tuple(kept["in_range"].astype("object").fillna("unknown")),
        kept["standard_error"].to_numpy(np.float64),
        tuple(notes),
    )
