"""
The table of field-test equations: every form that has a source, each as one row of field_tests.toml.

To add one, write its row, with the equation as it is printed, and a test that computes its source's
example. Two forms of one equation that both have a source are two rows.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Any, Final, Literal, NamedTuple

import numpy as np
import pandas as pd

from agreement.arrays import Flags, Floats, Objects
from agreement.errors import Problem
from agreement.physiology.equations import NAMES
from agreement.tables.columns import FIELD_TESTS
from agreement.tables.findings import Findings, message
from agreement.tables.units import own_unit
from agreement.terms import declared

Inputs = Mapping[str, Floats]  # column -> values; `male` is 1 for men, 0 for women
ErrorUnit = Literal["mL/kg/min", "L/min", "mL/min", "MET"]
Provenance = Literal["read", "read second-hand", "memory", "derived"]

BOTH: Final = ("female", "male")

_UNITS_IN_WORDS: Final = {
    "stage": "number of the last stage completed",
    "activity_score": "score of the protocol's own questionnaire",
    "grade": "fraction",
    "step_rate_min": "steps/min, each up and down",
    "sex": "female or male",
}
INPUT_UNITS: Final[dict[str, str]] = {
    name: _UNITS_IN_WORDS.get(name) or own_unit(name)
    for name in (*FIELD_TESTS.columns, "sex")
    if name == "sex" or FIELD_TESTS.columns[name].kind == "number"
    if name not in ("vo2_ml_min", "rer")  # of a stage, from which its uptake per kg follows
}
FIXED_BY_PROTOCOL: Final = ("grade",)  # told only where it was another
_OF_PEOPLE: Final = ("age_years", "mass_kg", "stature_cm")  # may stand in the athletes table


class Valid(NamedTuple):
    """Values of one column that the equation was made for; `sex` limits the rule to one sex."""

    column: str
    low: float
    high: float
    sex: str | None = None

    def __str__(self) -> str:
        """Return the range in words."""
        unit = INPUT_UNITS[self.column].split(" ")[0]
        words = f"{self.low:g} to {self.high:g}"
        if np.isinf(self.high) or np.isinf(self.low):
            words = f"from {self.low:g}" if np.isinf(self.high) else f"to {self.high:g}"
        return f"{self.column} {words} {unit}" + (f" ({self.sex})" if self.sex else "")


class StageRule(NamedTuple):
    """
    The speeds of a protocol's stages. [km/h].

    `speed` turns a stage number into the speed that the equation needs; None where more than one
    form of the test is in use.
    """

    speed: Callable[[Floats], Floats] | None
    first_speed: float
    words: str


@dataclass(frozen=True, slots=True)
class FieldProtocol:
    """One row of the table of field-test equations."""

    id: str  # form and year; never a brand or an organisation
    name: str  # the same for people, in running text
    title: str  # the test in plain words
    mode: str  # mode of exercise, or ``resting``; empty where it is the result's own
    # columns of ``field_tests`` that the equation needs (``sex`` comes from ``athletes``)
    inputs: tuple[str, ...]
    # inputs -> VO2max [mL/kg/min], of stages the uptake of each; vectorised; sex is mapped inside
    equation: Callable[[Inputs], Floats]
    population: str  # on whom it was made
    # source, provenance: Author, year, and how the coefficients came here
    source: str
    provenance: Provenance
    valid: tuple[Valid, ...] = ()  # outside these a result is kept and flagged
    sexes: tuple[str, ...] = BOTH  # whom the source gives an equation for; others are flagged
    # as published, for (women, men); NaN when the source gives none
    standard_error: tuple[float, float] = (np.nan, np.nan)
    error_unit: ErrorUnit = "mL/kg/min"  # unit of `standard_error` as published
    # whether it rests on heart rate, so that drugs limiting heart rate void it
    heart_rate_based: bool = False
    stages: bool = False  # whether one result takes one row per stage
    stage_rule: StageRule | None = None  # only where the protocol itself fixes the speed of a stage
    note: str = ""  # what a reader of the number should know


def equation_inputs(rows: pd.DataFrame, sex: "pd.Series[str]") -> dict[str, Floats]:
    """Return what equations take of rows of ``field_tests``; `male` is NaN where it is unknown."""
    x = {name: rows[name].to_numpy(dtype=np.float64) for name in INPUT_UNITS if name != "sex"}
    return x | {"male": sex.map({"male": 1.0, "female": 0.0}).to_numpy(dtype=np.float64)}


def lacking_inputs(rows: pd.DataFrame, protocol: FieldProtocol) -> pd.DataFrame:
    """Return which of the protocol's inputs each row lacks."""
    absent = rows[list(protocol.inputs)].isna()
    return absent.assign(sex=rows["sex"] == "unknown") if "sex" in absent else absent


def in_range(x: dict[str, Floats], sex: "pd.Series[str]", protocol: FieldProtocol) -> Objects:
    """Return yes, no, or NaN where no known value is outside but a needed one is unknown."""
    outside, unknown = np.zeros((2, len(sex)), dtype=bool)
    for rule in protocol.valid:
        outside |= _beyond(x, sex, rule)
        if rule.column not in FIXED_BY_PROTOCOL:
            unknown |= _applies(sex, rule) & np.isnan(x[rule.column])
    if len(protocol.sexes) == 1:
        outside |= _other_sex(sex, protocol)
        unknown |= (sex == "unknown").to_numpy()
    flags = np.full(len(sex), "yes", dtype=object)
    flags[unknown] = np.nan
    flags[outside] = "no"
    return flags


def outside_notes(
    rows: pd.DataFrame, x: dict[str, Floats], kept: Flags, protocol: FieldProtocol
) -> tuple[Problem, ...]:
    """Note the kept results outside their equation."""
    found = Findings()
    for rule in protocol.valid:
        at = np.flatnonzero(kept & _beyond(x, rows["sex"], rule))
        made = f"{protocol.id} was made for {str(rule).removeprefix(f'{rule.column} ')}."
        words = [f"{rule.column} {value:g}; {made}" for value in x[rule.column][at]]
        _note(found, rows.iloc[at], rule.column, words)
    if len(protocol.sexes) == 1:
        others = rows[kept & _other_sex(rows["sex"], protocol)]
        made = f"{protocol.id} was made for {protocol.sexes[0]} athletes."
        _note(
            found, others, "athlete_id", [f"The athlete is {sex}; {made}" for sex in others["sex"]]
        )
    return tuple(found.problems)


def _note(found: Findings, rows: pd.DataFrame, column: str, words: list[str]) -> None:
    cell = "sex in the athletes table" if column == "athlete_id" else column
    cell += ", here or in the athletes table," if column in _OF_PEOPLE else ""
    severity, reason, _, remedy = message("outside_equation")
    remedy = remedy.format(cell=cell)
    for file, own in rows.assign(said=words).groupby("file", sort=False):
        places, said = own["row"].to_numpy(np.int64), own["said"].tolist()
        found.each(severity, reason, str(file), places, column, said.__getitem__, remedy)


def _applies(sex: "pd.Series[str]", rule: Valid) -> Flags:
    return np.full(len(sex), rule.sex is None) | (sex == rule.sex).to_numpy()


def _beyond(x: dict[str, Floats], sex: "pd.Series[str]", rule: Valid) -> Flags:
    value = x[rule.column]
    return _applies(sex, rule) & ((value < rule.low) | (value > rule.high))


def _other_sex(sex: "pd.Series[str]", protocol: FieldProtocol) -> Flags:
    return sex.isin({"female", "male"} - set(protocol.sexes)).to_numpy()


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


def _equation(printed: str) -> Callable[[Inputs], Floats]:
    """Return the function of an equation of our own table; only columns and `NAMES` can stand in it."""
    code = compile(f"({printed.strip()})", "field_tests.toml", "eval")
    names: dict[str, Any] = {"__builtins__": {}, **NAMES}
    return lambda inputs: np.asarray(eval(code, names, inputs))


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
            valid=tuple(
                Valid(column, low, high, sex or None)
                for place, (low, high) in row.get("valid", {}).items()
                for column, _, sex in [place.partition(" ")]
            ),
            note="; ".join(filter(None, [*carried, row.get("note", "")])),
            stage_rule=STAGE_RULES.get(row.get("stage_rule", "")),
            **same,
        )
    return found


PROTOCOLS: Final[dict[str, FieldProtocol]] = _rows(declared("field_tests.toml", "physiology"))


def protocol(protocol_id: str) -> FieldProtocol:
    """Return one row of the table; ValueError, which names the nearest ids, if there is none."""
    if protocol_id not in PROTOCOLS:
        raise ValueError(no_protocol(protocol_id))
    return PROTOCOLS[protocol_id]


def no_protocol(name: str) -> str:
    """Say that a name is no protocol, and which ids are nearest to it."""
    near = get_close_matches(name, PROTOCOLS, n=3)
    return f"{name!r} is no protocol" + (f"; the nearest are {', '.join(near)}" if near else "")


def protocols_frame() -> pd.DataFrame:
    """Return the table of protocols for reading: one row per equation, in words."""
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
