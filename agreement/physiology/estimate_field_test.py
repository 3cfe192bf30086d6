"""VO2max of field tests outside a study: inputs in, values with flags out."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from agreement.physiology.field_tests import protocol
from agreement.physiology.one_row_tests import one_row_results
from agreement.physiology.protocol import INPUT_UNITS
from agreement.terms import SEXES, UNIT, counted

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class FieldTestEstimates:
    """VO2max of some results of one protocol."""

    protocol: str
    # shape (n,). NaN where the result cannot be used; `note` says why. [mL/kg/min]
    vo2max: FloatArray
    # whether the equation was made for such a person: yes, no, or unknown
    in_range: tuple[str, ...]
    standard_error: FloatArray  # shape (n,). As published for the equation. [mL/kg/min]
    note: tuple[str, ...]  # why there is no value; else empty

    def to_frame(self) -> pd.DataFrame:
        """Return one row per result."""
        columns = {
            "vo2max_ml_kg_min": self.vo2max,
            "in_range": self.in_range,
            "standard_error": self.standard_error,
            "note": self.note,
        }
        return pd.DataFrame(columns)

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
        raise ValueError(
            f"{protocol_id!r} takes several stages a result; give it as a table field_tests"
        )
    needed = [name for name in row.inputs if name != "sex"]
    known = [name for name in INPUT_UNITS if name != "sex"]
    if strange := [name for name in inputs if name not in known]:
        raise ValueError(f"{strange[0]!r} is no input; {protocol_id} takes {', '.join(needed)}")
    steps = ["stage"] if row.stage_rule is not None and row.stage_rule.speed is not None else []
    if lacking := [
        name for name in needed if name not in inputs and not (steps and "stage" in inputs)
    ]:
        raise ValueError(
            f"{protocol_id} needs {', '.join(f'{n} [{INPUT_UNITS[n]}]' for n in lacking)}"
        )
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
