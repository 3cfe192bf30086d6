"""A study, from its tables to its results: a thin frozen face, without arithmetic of its own."""

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import pandas as pd

from agreement.errors import Problem, StoppedReadings, TableError, in_order
from agreement.pairing import Pairing, pair
from agreement.pairing.other_rules import pairs_by_other_rules
from agreement.physiology.coverage import every_coverage
from agreement.physiology.elsewhere import SessionProgress
from agreement.physiology.laboratory import LaboratoryValues, laboratory_and_control
from agreement.physiology.readings import Readings, asked_people, field_readings
from agreement.physiology.stage_splits import error_splits, measured_stages
from agreement.stats.doubts.study_doubts import study_doubts
from agreement.stats.evidence import EarlierReport, Evidence
from agreement.stats.who_counts import who_counts
from agreement.tables.options import StudyOptions
from agreement.tables.readers import as_pandas
from agreement.tables.study import StudyTables, read_study
from agreement.tables.study_file import changed
from agreement.terms import counted

if TYPE_CHECKING:
    from agreement.stats.limits.limits import StudyLimits
    from agreement.stats.method_results import MethodResults
    from agreement.stats.results_table import StudyResults

# what a changed table of options leaves standing; the others are read or computed anew
_OF_PAIRS: Final = frozenset(("margin", "pairing", "change", "report"))
_OF_READINGS: Final = _OF_PAIRS | {"profile", "extrapolation", "methods"}


@dataclass(frozen=True, repr=False)
class Cohort:
    """
    One study, of `read_cohort` or `Cohort.from_frames`: what was read, computed and paired.

    Attributes
    ----------
    study : StudyTables
        The checked tables and the study's choices.
    laboratory : LaboratoryValues
        One VO2max per laboratory test. [mL/kg/min]
    readings : Readings
        Every field reading. [mL/kg/min]
    pairing : Pairing
        Pairs, ledger and the frames behind the statistics.
    earlier : EarlierReport, optional
        What the report that its results will replace had judged.
    """

    study: StudyTables
    laboratory: LaboratoryValues
    readings: Readings
    pairing: Pairing
    earlier: EarlierReport | None = None
    agreed: StudyOptions | None = None  # where `with_options` put others in their place

    @property
    def pairs(self) -> pd.DataFrame:
        """One row per pair; difference is field minus laboratory. [mL/kg/min]."""
        return self.pairing.pairs

    @property
    def exclusions(self) -> pd.DataFrame:
        """One row per row left out, with its reason."""
        return self.pairing.exclusions

    @property
    def flow(self) -> pd.DataFrame:
        """One row per input table: rows read, used, summarised and excluded."""
        return self.pairing.flow

    @property
    def problems(self) -> tuple[Problem, ...]:
        """Everything found on the way: what was set aside, then notes."""
        parts = (self.study, self.laboratory, self.readings, self.pairing)
        found = (p for part in parts for p in part.problems)
        return in_order(self.study.told((*found, *self.doubts)))

    @cached_property
    def doubts(self) -> tuple[Problem, ...]:
        """What looks too wrong to compute from: a stop, or a note where ``[confirm]`` says why not."""
        return study_doubts(self.study, self.laboratory, self.readings, self.pairing)

    @cached_property
    def evidence(self) -> Evidence:
        """What the statistics are computed from."""
        study, laboratory, pairs, read = self.study, self.laboratory, self.pairs, self.readings
        measured = measured_stages(study.field_tests, study.athletes, laboratory.frame)
        window = study.options.extrapolation.window_days
        return Evidence(
            pairs=pairs,
            daily=self.pairing.daily,
            repeats=self.pairing.repeats,
            options=study.options,
            heart_rate_based=read.heart_rate_based,
            first_lab_date=min(study.lab_tests["date"].dt.date, default=None),
            next_door={} if study.options.profile.use == "stated" else laboratory.next_door,
            coverage=every_coverage(read, pairs, window_days=window),
            splits=error_splits(study, laboratory, pairs),
            averaging=laboratory.under_each_rule,
            across_modes=self.pairing.across_modes,
            visits=self.pairing.units,
            other_rules=pairs_by_other_rules(read.frame, laboratory.frame, study.options),
            earlier=self.earlier,
            control=laboratory.control,
            asked=asked_people(study, laboratory.frame, read.frame),
            **laboratory.beside(pairs, measured),
        )

    @cached_property
    def results(self) -> "StudyResults":
        """Every analysis for every method and mode; computed once."""
        from agreement.stats.results_table import analyse  # so that pairing alone stays light

        return analyse(self.evidence)

    @classmethod
    def of(cls, study: StudyTables, *, progress: SessionProgress | None = None) -> "Cohort":
        """
        Compute laboratory values and readings of checked tables, and pair them.

        Raises
        ------
        TableError
            With what stops laboratory values or readings.
        """
        known: tuple[Problem, ...] = ()
        try:
            study, laboratory = laboratory_and_control(study, progress=progress)
            known = laboratory.problems
            readings = field_readings(study, laboratory)
        except TableError as error:
            raise StoppedReadings(
                (problem for problem in error.problems if problem.severity == "stop"),
                (*error.problems, *known),
            ) from error
        return cls(study, laboratory, readings, pair(study, laboratory, readings))

    @classmethod
    def from_frames(
        cls,
        *,
        lab_tests: Any,
        field_estimates: Any = None,
        field_tests: Any = None,
        sessions: Any = None,
        athletes: Any = None,
        options: Mapping[str, Any] | StudyOptions | None = None,
    ) -> "Cohort":
        """
        Pair laboratory and field from data frames, with the checks that files get.

        Parameters
        ----------
        lab_tests, field_estimates, field_tests, sessions, athletes : table
            Columns as in the files of a study folder, the unit in their names. A pandas frame, a
            mapping of columns, or what offers ``__dataframe__`` or Arrow's stream. `lab_tests` and
            one of the three tables of field values are needed; breaths and samples need a folder.
        options : mapping or StudyOptions, optional
            What `study.toml` would say: ``{"study": {"time_zone": "UTC"}, "pairing": {...}}``.

        Raises
        ------
        TableError
            With every problem; a row counts from 0, as `frame.iloc` does.

        Examples
        --------
        >>> tests = {"lab_test_id": ["T1"], "athlete_id": ["A"], "date": ["2026-03-20"],
        ...          "mode": ["run"], "vo2max_ml_kg_min": [50.0]}
        >>> readings = {"athlete_id": ["A", "A"], "taken_at": ["2026-03-17", "2026-03-19"],
        ...             "method": ["wrist"] * 2, "mode": ["run"] * 2, "vo2max_ml_kg_min": [51.0, 53.0]}
        >>> cohort = Cohort.from_frames(lab_tests=tests, field_estimates=readings)
        >>> cohort
        <Cohort: 1 athlete, 1 laboratory test; pairs: wrist, run 1>
        >>> list(cohort.pairs["difference"])
        [2.0]
        """
        tables = {
            "athletes": athletes,
            "lab_tests": lab_tests,
            "field_estimates": field_estimates,
            "field_tests": field_tests,
            "sessions": sessions,
        }
        given = {name: as_pandas(one) for name, one in tables.items() if one is not None}
        if not isinstance(options, StudyOptions):
            options = changed(StudyOptions(), options or {}, Path())
        cohort = cls.of(read_study(Path(), given=given, options=options))
        if stops := [doubt for doubt in cohort.doubts if doubt.severity == "stop"]:
            raise TableError(stops)
        return cohort

    def with_options(self, **tables: Mapping[str, Any]) -> "Cohort":
        """
        Return the same study under other choices; only what they touch is computed anew.

        Parameters
        ----------
        **tables : mapping
            Tables of `study.toml` with the keys to change, such as
            ``pairing={"days_before": 28}``. The other keys stay as they are.

        Raises
        ------
        TableError
            If a key is unknown or a value does not fit it.

        Examples
        --------
        >>> cohort = Cohort.from_frames(
        ...     lab_tests={"lab_test_id": ["T1"], "athlete_id": ["A"], "date": ["2026-03-20"],
        ...                "mode": ["run"], "vo2max_ml_kg_min": [50.0]},
        ...     field_estimates={"athlete_id": ["A"], "taken_at": ["2026-03-17"], "method": ["w"],
        ...                      "mode": ["run"], "vo2max_ml_kg_min": [51.0]})
        >>> len(cohort.pairs), len(cohort.with_options(pairing={"minimum_days": 1}).pairs)
        (0, 1)
        """
        study, options = self.study, changed(self.study.options, tables, self.study.folder)
        if options == study.options:
            return self
        changed_study = replace(study, options=options)
        if not tables.keys() <= _OF_READINGS:
            again = self.of(read_study(study.folder, given=study.given, options=options))
        elif not tables.keys() <= _OF_PAIRS:
            again = self.of(changed_study)
        else:
            pairing = pair(changed_study, self.laboratory, self.readings)
            again = Cohort(changed_study, self.laboratory, self.readings, pairing)
        return replace(again, earlier=self.earlier, agreed=self.agreed or study.options)

    @cached_property
    def beside(self) -> dict[str, Any]:
        """What later stages compute once from this cohort and keep; empty at first."""
        return {}

    @property
    def methods(self) -> tuple[tuple[str, str], ...]:
        """Method and mode of every group of pairs, in the order of the results."""
        keys = self.pairs[["method", "mode"]].drop_duplicates()
        return tuple(sorted(keys.itertuples(index=False, name=None)))

    def method(self, method: str, mode: str | None = None) -> "MethodResults":
        """
        Return every result of one method in one mode of exercise.

        Raises
        ------
        ValueError
            If there is no such method or mode; the message lists them.
        """
        key = self._key(method, mode)
        return next(m for m in self.results.methods if (m.method, m.mode) == key)

    def pairs_of(self, method: str, mode: str | None = None) -> pd.DataFrame:
        """
        Return the pairs that the statistics of one method and mode are about.

        Parameters
        ----------
        mode : str, optional
            May be left out where the method has pairs in one mode only.

        Returns
        -------
        DataFrame
            Rows of `pairs` in the order of the report's; for a method that rests on heart rate
            without people under a drug that limits it. [mL/kg/min]

        Raises
        ------
        ValueError
            If there is no such method or mode; the message lists them.
        """
        method, mode = self._key(method, mode)
        mine = self.pairs[(self.pairs["method"] == method) & (self.pairs["mode"] == mode)]
        ordered = mine.sort_values(["athlete_id", "lab_test_id"], ignore_index=True)
        based = self.readings.heart_rate_based.get(method, True)
        return who_counts(ordered, heart_rate_based=based).reset_index(drop=True)

    def limits(
        self, method: str, mode: str | None = None, *, coverage: float = 0.95
    ) -> "StudyLimits":
        """
        Bias and limits of agreement of one method and mode, several pairs of an athlete respected.

        Parameters
        ----------
        method, mode : str
            As for `pairs_of`.
        coverage : float, default 0.95
            Share of differences that the limits should hold, in (0, 1).

        Returns
        -------
        LimitsOfAgreement or RepeatedLimits
            [mL/kg/min]

        Raises
        ------
        ValueError
            With fewer than 3 athletes, or an unknown method.
        """
        from agreement.stats.limits.limits import limits_by_athlete

        pairs = self.pairs_of(method, mode)
        return limits_by_athlete(
            pairs["field"] - pairs["lab"], pairs["athlete_id"], coverage=coverage
        )

    def plot(
        self, method: str, mode: str | None = None, *, ax: Any = None, coverage: float = 0.95
    ) -> Any:
        """
        Draw the differences of one method against the means, with limits and the agreed margin.

        Parameters
        ----------
        method, mode : str
            As for `pairs_of`.
        ax : Axes, optional
            Where to draw; without it matplotlib's current axes.
        """
        from agreement.figures.of_arrays import plot_differences

        pairs = self.pairs_of(method, mode)
        return plot_differences(
            pairs["field"],
            pairs["lab"],
            limits=self.limits(method, mode, coverage=coverage),
            athlete=pairs["athlete_id"],
            confirmed=pairs["max_confirmed"] == "yes",
            margin=self.study.options.margin.limit,
            ax=ax,
        )

    def to_frame(self) -> pd.DataFrame:
        """Return every result as rows of the results table."""
        return self.results.frame

    def summary(self) -> str:
        """Say bias and limits of every method with at least ten athletes, a sentence each."""
        from agreement.stats.limits.limits import FEW_FOR_REPORTS

        lines = []
        for method, mode in self.methods:
            enough = self.pairs_of(method, mode)["athlete_id"].nunique() >= FEW_FOR_REPORTS
            said = self.limits(method, mode).summary() if enough else "Too few athletes for limits."
            lines.append(f"{method}, {mode}: {said}")
        return "\n".join(lines)

    def overview(self) -> pd.DataFrame:
        """Return one row per method and mode: athletes and pairs that the statistics use."""
        rows = []
        for method, mode in self.methods:
            pairs = self.pairs_of(method, mode)
            rows.append((method, mode, pairs["athlete_id"].nunique(), len(pairs)))
        return pd.DataFrame(rows, columns=["method", "mode", "n", "n_pairs"])

    def __repr__(self) -> str:
        """Return the size of the study in one line."""
        tests = self.study.lab_tests
        people = counted(tests["athlete_id"].nunique(), "athlete")
        keys = zip(self.pairs["method"], self.pairs["mode"], strict=True)
        counts = Counter(f"{method}, {mode}" for method, mode in keys)
        pairs = "; ".join(f"{name} {n}" for name, n in sorted(counts.items()))
        return f"<Cohort: {people}, {counted(len(tests), 'laboratory test')}; pairs: {pairs or 'none'}>"

    def _repr_html_(self) -> str:
        from agreement.stats.result import html_table

        return html_table(self.overview(), repr(self).strip("<>"))

    def _key(self, method: str, mode: str | None) -> tuple[str, str]:
        """Return method and mode, or say which there are."""
        modes = [one for name, one in self.methods if name == method]
        if not modes:
            known = ", ".join(f"'{name}'" for name in dict.fromkeys(m for m, _ in self.methods))
            raise ValueError(
                f"`method` must be one of {known or 'none: there are no pairs'}; got {method!r}"
            )
        if mode not in modes and (mode is not None or len(modes) > 1):
            known = ", ".join(f"'{one}'" for one in modes)
            raise ValueError(f"`mode` of '{method}' must be one of {known}; got {mode!r}")
        return method, modes[0] if mode is None else mode
