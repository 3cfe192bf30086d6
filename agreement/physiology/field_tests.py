"""
The table of field-test equations: every form that has a source, each as one row of field_tests.toml.

To add one, write its row, with the equation as it is printed, and a test that computes its source's
example. Two forms of one equation that both have a source are two rows.
"""

from collections.abc import Callable
from difflib import get_close_matches
from typing import Any, Final

import numpy as np
import pandas as pd

from agreement.physiology.arrays import FloatArray
from agreement.physiology.equations import NAMES
from agreement.physiology.protocol import FieldProtocol, Inputs, StageRule, Valid
from agreement.terms import declared

CARRIED: Final = (
    "vo2_on_hr over the stages, carried to hr_max_bpm of the row, else to that of the athlete's "
    "nearest laboratory test, else to the study's age formula"
)
STAGE_RULES: Final = {
    "one-minute": StageRule(lambda stage: 8 + 0.5 * stage, 8.5, "speed = 8 + 0.5 x stage km/h"),
    # Stages start at 8 km/h and rise by 0.5 (abstract, read); a later form starts at 7 metabolic
    # equivalents, which its equation gives to 7.5 km/h. So no stage number is turned into a speed.
    "two-minute": StageRule(None, 7.5, ""),
}


def _equation(printed: str) -> Callable[[Inputs], FloatArray]:
    """Return the function of an equation of our own table; only columns and `NAMES` can stand in it."""
    code = compile(f"({printed.strip()})", "field_tests.toml", "eval")
    names: dict[str, Any] = {"__builtins__": {}, **NAMES}
    return lambda inputs: np.asarray(eval(code, names, inputs))


def _valid(ranges: dict[str, list[float]]) -> tuple[Valid, ...]:
    """Return ranges by column, or by column and the sex that they are for."""
    split = ((key.partition(" "), ends) for key, ends in ranges.items())
    return tuple(Valid(column, low, high, sex or None) for (column, _, sex), (low, high) in split)


def _rows(table: dict[str, dict[str, Any]]) -> dict[str, FieldProtocol]:
    found = {}
    for key, stated in table.items():
        row = table[key] = {**table.get(stated.pop("like", ""), {}), **stated}
        carried = [CARRIED] if row.get("stages") else []
        same: dict[str, Any] = {
            name: tuple(value) if isinstance(value, list) else value
            for name, value in row.items()
            if name not in ("vo2max", "valid", "note", "stage_rule")
        }
        found[key] = FieldProtocol(
            key,
            equation=_equation(row["vo2max"]),
            valid=_valid(row.get("valid", {})),
            note="; ".join(filter(None, [*carried, row.get("note", "")])),
            stage_rule=STAGE_RULES.get(row.get("stage_rule", "")),
            **same,
        )
    return found


PROTOCOLS: Final[dict[str, FieldProtocol]] = _rows(declared("field_tests.toml", "physiology"))


def protocol(protocol_id: str) -> FieldProtocol:
    """
    Return one row of the table.

    Raises ValueError if there is no such id; the message names the nearest ones.
    """
    if protocol_id not in PROTOCOLS:
        near = get_close_matches(protocol_id, PROTOCOLS, n=3)
        hint = f"; the nearest are {', '.join(near)}" if near else ""
        raise ValueError(f"{protocol_id!r} is no protocol{hint}")
    return PROTOCOLS[protocol_id]


def protocols_frame() -> pd.DataFrame:
    """
    Return the table of protocols for reading: one row per equation, in words.

    Returns: protocol, title, mode, inputs, population, valid, sexes, standard_error_women,
        standard_error_men, error_unit, heart_rate_based, stages, stage_rule, source, provenance,
        note.
    """
    return pd.DataFrame(
        {
            "protocol": row.id,
            "title": row.title,
            "mode": row.mode or "the result's own",
            "inputs": "; ".join(row.inputs),
            "population": row.population,
            "valid": "; ".join(map(str, row.valid)),
            "sexes": "; ".join(row.sexes),
            "standard_error_women": row.standard_error[0],
            "standard_error_men": row.standard_error[1],
            "error_unit": row.error_unit if not np.isnan(row.standard_error).all() else "",
            "heart_rate_based": "yes" if row.heart_rate_based else "no",
            "stages": "one row per stage" if row.stages else "",
            "stage_rule": row.stage_rule.words if row.stage_rule else "",
            "source": row.source,
            "provenance": row.provenance,
            "note": row.note,
        }
        for row in PROTOCOLS.values()
    )
