"""The checked `lab_tests` table: one VO2max per test, with its mass and its averaging rule."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

from agreement.tables.athletes_table import Athletes
from agreement.tables.averaging_rule import UNKNOWN_RULE
from agreement.tables.clock_times import CLOCK_OF
from agreement.tables.codes import code_column, label_column, rule_column
from agreement.tables.dates import moment_column
from agreement.tables.findings import SHOWN, Findings
from agreement.tables.ids import id_column
from agreement.tables.leaving import Leaving, drop_withdrawn
from agreement.tables.number_columns import number_columns
from agreement.tables.options import StudyOptions
from agreement.tables.readers import RawTable
from agreement.tables.rules import keep_rules
from agreement.tables.text_cells import Distinct, Mask
from agreement.tables.vo2max_values import Vo2max, vo2max_values
from agreement.terms import RATED, counted

Floats = npt.NDArray[np.float64]
LAB_NUMBERS = (
    "hr_max_bpm", "rer_max", "rpe_max", "lactate_mmol_l", "verification_vo2max_ml_kg_min",
    "barometric_pressure_mmhg", "temperature_c", "exercise_start_s", "exercise_end_s", *RATED,
)  # fmt: skip
# HRmax about 208 - 0.7 age, SD about 11 bpm (Tanaka 2001; physiology sheet 2); further below than
# this is more likely a slip than a person. The number is the authors' choice, no source.
_HR_MAX_FAR_BELOW = 40.0
_DISAGREE = 0.03  # typed relative against typed absolute VO2max


@dataclass(frozen=True, slots=True)
class CheckedTable:
    """One checked table: its rows, rows of people who withdrew, and the fate of its keys."""

    frame: pd.DataFrame
    withdrawn_rows: int
    people: frozenset[str]  # every athlete in the file who did not withdraw
    keys: frozenset[str] = frozenset()  # every key in the file, of those who did not withdraw
    withdrawn_keys: frozenset[str] = frozenset()
    # athlete_id, method, mode of field estimates whose VO2max is empty; None where it is not kept
    without_value: pd.DataFrame | None = None

    def in_words(self) -> pd.DataFrame:
        """Return the rows with texts in the place of categories."""
        coded = self.frame.select_dtypes("category").columns
        return self.frame.astype(dict.fromkeys(coded, "str")) if len(coded) else self.frame


def lab_table(
    raw: RawTable,
    athletes: Athletes,
    id_map: dict[str, str],
    options: StudyOptions,
    breath_ids: frozenset[str],
    findings: Findings,
) -> CheckedTable:
    """
    Return the checked table.

    raw: as read; the rows of people who withdrew are removed from it.
    athletes: for masses, ages and who may appear.
    id_map: athlete ids by the id found.
    options: time zone and averaging rule of the study.
    breath_ids: tests that have a breath file, which gives their VO2max.
    """
    count, withdrawn = drop_withdrawn(raw, id_map, athletes.people, findings)
    people = id_column(raw, "athlete_id", findings, id_map)
    tests = id_column(raw, "lab_test_id", findings)
    moments = moment_column(raw, "date", options.study.time_zone, findings)
    mode = code_column(raw, "mode", findings)
    numbers = number_columns(raw, findings)
    slips = _hr_max_slips(raw, numbers, athletes, people, moments.date, findings)
    refused = keep_rules(raw, numbers, tests, findings, explained={"hr_max_bpm": slips})
    _unknown_windows(raw, numbers, findings)
    has_breaths = tests.where(set(breath_ids))
    mass, own_mass = _masses(numbers, athletes, people)
    values = vo2max_values(numbers, refused, mass, len(raw.rows))

    leaving = Leaving(raw, tests, findings)
    leaving.mark_missing("lab_test_id", tests.codes < 0)
    leaving.mark_missing("athlete_id", people.codes < 0)
    leaving.mark_missing("date", np.isnat(moments.date))
    leaving.mark_missing("mode", mode.codes < 0)
    _mark_values(leaving, values, has_breaths, people, moments.date)
    leaving.mark_unknown_athletes(people, athletes.people)
    _note_conversions(raw, values, mass, own_mass, leaving.out, findings)
    _note_two_absolute(raw, numbers, leaving.out, findings)
    vo2max = np.where(values.refused, np.nan, values.converted)
    rule = rule_column(raw, "averaging_rule", findings)
    nothing = np.full(len(raw.rows), np.nan)
    frame = pd.DataFrame(
        {
            "lab_test_id": tests.series(),
            "athlete_id": people.series(),
            "date": moments.date,
            "mode": mode.series(),
            "vo2max": vo2max,
            "mass_kg": mass,
            "averaging_rule": rule.series(),
            **{name: numbers.get(name, nothing) for name in LAB_NUMBERS[:4]},
            "plateau": code_column(raw, "plateau", findings).series(),
            **{name: numbers.get(name, nothing) for name in LAB_NUMBERS[4:]},
            "tag": label_column(raw, "tag", findings).series(),
            **{name: numbers.get(name, nothing) for name in CLOCK_OF.values()},
        },
        copy=False,
    )
    return CheckedTable(leaving.finish(frame), count, people.present(), tests.present(), withdrawn)


def _masses(
    numbers: dict[str, Floats], athletes: Athletes, people: Distinct
) -> tuple[Floats, Mask]:
    """Return each test's mass, and whether it is its own rather than the athletes table's."""
    own = numbers.get("mass_kg", np.full(len(people.codes), np.nan))
    own_mass = ~np.isnan(own)
    return np.where(own_mass, own, athletes.values(people, "mass_kg")), own_mass


def _mark_values(
    leaving: Leaving,
    values: Vo2max,
    has_breaths: Mask,
    people: Distinct,
    date: "np.ndarray[tuple[int, ...], np.dtype[np.datetime64]]",
) -> None:
    """Set aside tests whose VO2max is missing, cannot be converted or is out of range."""
    column = values.column_of(leaving.raw.theirs)
    said = leaving.saying(column)
    present = ~np.isnan(values.relative) | ~np.isnan(values.absolute)
    leaving.mark(
        ~present & ~has_breaths,
        "missing_value",
        lambda i: (
            f"No VO2max for {people.at(i) or 'nobody'}, test of {_day(date[i])}: {said(i)}; the row "
            "is left out."
        ),
        column=column,
        remedy="Fill the cell, or add a breath file.",
    )
    leaving.mark(
        values.from_absolute & np.isnan(values.converted) & ~has_breaths,
        "no_mass",
        lambda i: (
            f"No mass for {people.at(i)}, test of {_day(date[i])}; the row is left out of "
            "mL/kg/min."
        ),
        column="mass_kg",
        remedy="Fill mass_kg of the test.",
    )
    for source, column in enumerate(values.column):
        leaving.mark(
            values.refused & (values.source == source) & ~has_breaths,
            "out_of_range",
            values.refusal,
            column=column,
            remedy="Correct it, or state its unit.",
        )
    raw, findings = leaving.raw, leaving.findings
    unknown = np.flatnonzero(values.refused & has_breaths)
    findings.each(
        "note",
        "out_of_range",
        raw.file,
        raw.rows[unknown],
        column,
        lambda i: f"{values.refusal(unknown[i])} The breath file gives the value instead.",
        "Correct it, or delete it.",
    )


def _note_conversions(
    raw: RawTable, values: Vo2max, mass: Floats, own_mass: Mask, out: Mask, findings: Findings
) -> None:
    """Note each value made with a mass, and rows whose two VO2max do not agree."""
    made = np.flatnonzero(values.from_absolute & ~np.isnan(values.converted) & ~out)

    def sum_of(i: int) -> str:
        made_of = f"{values.absolute[i]:g} L/min at {mass[i]:g} kg"
        return f"{made_of} is {values.converted[i]:.1f} mL/kg/min"

    if len(own := made[own_mass[made]]):
        shown = "; ".join(f"row {raw.rows[i]}, {sum_of(i)}" for i in own[:SHOWN])
        if (more := len(own) - SHOWN) > 0:
            shown += f"; and {counted(more, 'more row')}"
        what = f"Converted with each test's own mass: {shown}."
        remedy = "Look whether these are the masses of the day."
        findings.note("converted", raw.file, what, remedy, column=raw.theirs.get("mass_kg"))
    borrowed = made[~own_mass[made]]
    findings.each(
        "note",
        "mass_from_athletes",
        raw.file,
        raw.rows[borrowed],
        raw.theirs.get("mass_kg"),
        lambda i: f"Converted with the mass of the athletes table: {sum_of(borrowed[i])}.",
        "Fill mass_kg of the test if it was measured.",
    )
    both = ~np.isnan(values.relative) & ~np.isnan(values.absolute) & ~np.isnan(mass) & ~out
    other = values.absolute * 1000 / mass
    with np.errstate(invalid="ignore"):
        apart = np.flatnonzero(both & (np.abs(other / values.relative - 1) > _DISAGREE))
    findings.each(
        "note",
        "values_disagree",
        raw.file,
        raw.rows[apart],
        None,
        lambda i: (
            f"{values.relative[apart[i]]:g} mL/kg/min and {values.absolute[apart[i]]:g} L/min "
            f"at {mass[apart[i]]:g} kg are more than 3 % apart; the first is used."
        ),
        "Look at the mass.",
    )


def _note_two_absolute(
    raw: RawTable, numbers: dict[str, Floats], out: Mask, findings: Findings
) -> None:
    """Note rows whose litres and millilitres do not agree."""
    if not {"vo2max_l_min", "vo2max_ml_min"} <= set(numbers):
        return
    litres, millilitres = numbers["vo2max_l_min"], numbers["vo2max_ml_min"]
    with np.errstate(invalid="ignore", divide="ignore"):
        apart = np.flatnonzero(~out & (np.abs(millilitres / 1000 / litres - 1) > _DISAGREE))
    findings.each(
        "note",
        "values_disagree",
        raw.file,
        raw.rows[apart],
        None,
        lambda i: (
            f"{litres[apart[i]]:g} L/min and {millilitres[apart[i]]:g} mL/min are more than 3 % "
            "apart; the first is used unless there is a value in mL/kg/min."
        ),
        "Correct or delete one of them.",
    )


def _unknown_windows(raw: RawTable, numbers: dict[str, Floats], findings: Findings) -> None:
    """Take start and end of exercise as unknown where the end does not follow the start."""
    if not {"exercise_start_s", "exercise_end_s"} <= set(numbers):
        return
    start, end = numbers["exercise_start_s"], numbers["exercise_end_s"]
    odd = np.flatnonzero(end <= start)
    findings.each(
        "note",
        "looks_wrong",
        raw.file,
        raw.rows[odd],
        raw.theirs["exercise_end_s"],
        lambda i: (
            f"Exercise ends at {end[odd[i]]:g} s and starts at {start[odd[i]]:g} s; both are "
            "taken as unknown, and the breaths count as their phase says."
        ),
        "Correct them: seconds from the first row of the recording.",
    )
    for name in ("exercise_start_s", "exercise_end_s"):
        numbers[name] = np.where(end <= start, np.nan, numbers[name])


def _hr_max_slips(
    raw: RawTable,
    numbers: dict[str, Floats],
    athletes: Athletes,
    people: Distinct,
    date: "np.ndarray[tuple[int, ...], np.dtype[np.datetime64]]",
    findings: Findings,
) -> Mask:
    """Note maximal heart rates far below what the athlete's age lets expect."""
    measured = numbers.get("hr_max_bpm", np.full(len(people.codes), np.nan))
    year = date.astype("datetime64[Y]").astype(np.float64) + 1970
    age = athletes.values(people, "age_years")
    age = np.where(np.isnan(age), year - athletes.values(people, "birth_year"), age)
    expected = 208 - 0.7 * age
    with np.errstate(invalid="ignore"):
        far = (measured >= 90) & (measured < expected - _HR_MAX_FAR_BELOW)
    positions = np.flatnonzero(far)
    findings.each(
        "note",
        "hr_max_looks_wrong",
        raw.file,
        raw.rows[positions],
        raw.theirs.get("hr_max_bpm", "hr_max_bpm"),
        lambda i: (
            f"HRmax {measured[positions[i]]:g} is far below the {expected[positions[i]]:.0f} "
            f"usual at age {age[positions[i]]:.0f}."
        ),
        "Look for swapped digits (104 for 194), a drug that limits heart rate, or a short test.",
    )
    return np.asarray(far)


def require_one_rule(
    raw: RawTable,
    tests: pd.DataFrame,
    breath_ids: frozenset[str],
    options: StudyOptions,
    findings: Findings,
) -> None:
    """Stop when typed values rest on different averaging rules, unless that is allowed."""
    typed = tests[~tests["lab_test_id"].isin(breath_ids)]
    counts = typed["averaging_rule"].value_counts()
    found = {str(label): int(n) for label, n in counts.items()}
    unknown = found.pop(UNKNOWN_RULE, 0)
    file = raw.file or (str(typed["file"].iloc[0]) if len(typed) else "")
    if unknown:
        what = f"The averaging rule of {counted(unknown, 'test')} is unknown."
        remedy = "Fill averaging_rule: rules shift VO2max by several per cent."
        findings.note("averaging_rule_unknown", file, what, remedy, column="averaging_rule")
    stated = options.reference.averaging_rule
    others = {label: n for label, n in found.items() if label != stated}
    if not others or (stated is None and len(found) < 2):
        return
    listed = ", ".join(f"'{label}' in {counted(n, 'test')}" for label, n in sorted(found.items()))
    study = f"; the study's rule is '{stated}'" if stated else ""
    what = f"The tests were averaged in different ways: {listed}{study}."
    if options.reference.allow_mixed:
        findings.note("averaging_rule_mixed", file, what, "Allowed by allow_mixed.")
        return
    remedy = (
        "Average them alike, or accept the mixture with allow_mixed = true in [reference] of "
        "study.toml."
    )
    row = int(typed.loc[typed["averaging_rule"] == max(others), "row"].iloc[0])
    column = options.header("lab_tests", "averaging_rule")
    findings.stop("averaging_rule_mixed", file, what, remedy, row=row, column=column)


def _day(moment: np.datetime64) -> str:
    """Return a date as written by people."""
    return "no known date" if np.isnat(moment) else str(moment.astype("datetime64[D]"))
