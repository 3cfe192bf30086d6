"""
The results table of a study too large for memory: exact from sums, the rest from a sample.

What sums can give is exact. What they cannot (rank-based lines, resampling, the budget) is computed
by the ordinary functions on a stratified sample of athletes, and its note says so.
"""

from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from datetime import date
from typing import Final

import numpy as np
import pandas as pd

from agreement.scale.finished import (
    error_from,
    limits_from,
    profile_rows,
    quantile_limits_from,
    regression_from,
    trend_from,
    verdict_from,
)
from agreement.scale.method_sums import MethodSums, SpreadSums, athlete_hashes
from agreement.scale.streamed import Streamed
from agreement.stats.basics.intervals import z_of
from agreement.stats.evidence import Evidence
from agreement.stats.limits.interval_width import interval_width_of
from agreement.stats.limits.limits_by_level import limits_by_level_of
from agreement.stats.method_data import MethodData, NotEstimable
from agreement.stats.result_rows import Labelled, assembled, in_table_order
from agreement.stats.results_table import analyse
from agreement.stats.verdict.verdict import Verdict
from agreement.stats.who_counts import who_counts

Key = tuple[str, str]  # method, mode


SAMPLE: Final = 2000  # athletes; enough for every analysis, and its resamples fit into memory


@dataclass(frozen=True, slots=True)
class RegistryResults:
    """
    The results of a registry.

    Attributes
    ----------
    frame : DataFrame
        `agreement.terms.RESULT_COLUMNS`; notes of sampled numbers begin or end with ``sample``.
    verdicts : tuple of Verdict
        By method, then mode.
    athletes, sampled : int
        With a pair, and of these in the sample.
    """

    frame: pd.DataFrame
    verdicts: tuple[Verdict, ...]
    athletes: int
    sampled: int


def registry_results(streamed: Streamed) -> RegistryResults:
    """
    Compute every analysis of the results table.

    Parameters
    ----------
    streamed : Streamed
        Paired with ``write=True``.
    """
    run = _Run(streamed)
    sums = run.sums()
    athletes, sample = run.sample()
    whole = len(sample) == athletes
    found = analyse(run.evidence(None if whole else sample))
    frame, verdicts = found.frame, [method.verdict for method in found.methods]
    if not whole:
        drawn = {(m.method, m.mode): m.data for m in found.methods}
        of_sample = f"sample of {len(sample)} of {athletes} athletes"
        exact, verdicts = run.exact(sums, drawn, of_sample)
        frame = _joined(frame, exact, sampled=len(sample), athletes=athletes, seed=run.seed)
    return RegistryResults(frame, tuple(verdicts), athletes, len(sample))


class _Run:
    """The passes over the pairs of one study."""

    def __init__(self, streamed: Streamed) -> None:
        self.streamed = streamed
        options = streamed.study.options
        self.margin, self.seed = options.margin, options.report.seed

    def sums(self) -> dict[Key, MethodSums]:
        """First pass: all sums of every method and mode."""
        based, limit = self.streamed.heart_rate_based, self.margin.limit
        return {
            key: MethodSums.of(pairs, heart_rate_based=based.get(key[0], True), margin=limit)
            for key, pairs in self.pairs()
        }

    def pairs(self) -> Iterator[tuple[Key, pd.DataFrame]]:
        """Yield the pairs of every method and mode."""
        for (method, mode), pairs in self.streamed.pairs.groupby(["method", "mode"]):
            yield (str(method), str(mode)), pairs

    def exact(
        self, sums: dict[Key, MethodSums], sample: dict[Key, MethodData], origin: str = ""
    ) -> tuple[list[Labelled], list[Verdict]]:
        """Second pass for the spread, then every row that sums can give."""
        lines = {}
        for key, found in sums.items():
            try:
                lines[key] = found.pairs.trend_line()
            except ValueError:
                continue  # too few, or all at one level: the sample's rows say so
        spread = {}
        for key, pairs in self.pairs():
            if key in lines:
                based = self.streamed.heart_rate_based.get(key[0], True)
                counted = who_counts(pairs, heart_rate_based=based)
                spread[key] = SpreadSums.of(counted, lines[key])
        rows: list[Labelled] = []
        verdicts = []
        for (method, mode), found in sorted(sums.items()):
            limits = limits_from(found)
            parts = {"limits_of_agreement": limits.to_frame(), "profile_bias": profile_rows(found)}
            with suppress(ValueError):  # too few: the sample's rows say so
                parts["quantile_limits"] = quantile_limits_from(found).to_frame()
            with suppress(NotEstimable):
                parts["interval_width"] = interval_width_of(limits).to_frame()
            if (method, mode) in lines:
                trend = trend_from(found, spread[method, mode])
                parts["trend"] = trend.to_frame()
                with suppress(NotEstimable):
                    parts["limits_by_level"] = limits_by_level_of(trend).to_frame()
                parts["regression"] = regression_from(found).to_frame()
                parts["error"] = error_from(found, self.margin.limit).to_frame()
            of_sample = sample.get((method, mode))
            told = (found, of_sample, self.margin, self.first_lab_date)
            verdict = verdict_from(method, mode, limits.everyone, *told)
            verdicts.append(verdict)
            parts["verdict"] = _resting_on(verdict.to_frame(), origin)
            rows += [Labelled(part, name, method, mode) for name, part in parts.items()]
        return rows, verdicts

    @property
    def first_lab_date(self) -> date | None:
        """Date of the first laboratory test."""
        dates = self.streamed.study.lab_tests["date"]
        return None if dates.empty else dates.min().date()

    def sample(self) -> tuple[int, frozenset[str]]:
        """Count the athletes with a pair, and choose a stratified sample of them."""
        people = self.streamed.pairs.drop_duplicates("athlete_id", ignore_index=True)
        hashes = athlete_hashes(people["athlete_id"], f"seed {self.seed}")
        stratum = people["training_profile"].fillna("")
        athletes, strata = len(people), stratum.value_counts()
        if athletes <= SAMPLE:
            return athletes, frozenset(people["athlete_id"])
        ordered = people.assign(stratum=stratum, hash=hashes).sort_values(["stratum", "hash"])
        wanted = ordered["stratum"].map(-(-strata * SAMPLE // athletes))
        rank = ordered.groupby("stratum").cumcount()
        return athletes, frozenset(ordered["athlete_id"][rank < wanted])

    def evidence(self, athletes: frozenset[str] | None) -> Evidence:
        """Return pairs, days and repeats of some athletes, or of everybody."""
        found = self.streamed
        frames = [found.pairs, found.daily, found.repeats]
        if athletes is not None:
            frames = [frame[frame["athlete_id"].isin(athletes)] for frame in frames]
        pairs, daily, repeats = (frame.reset_index(drop=True) for frame in frames)
        return Evidence(
            pairs,
            daily,
            repeats,
            found.study.options,
            found.heart_rate_based,
            self.first_lab_date,
            averaging=found.laboratory.under_each_rule,
        )


def _resting_on(verdict: pd.DataFrame, of_sample: str) -> pd.DataFrame:
    """Say which rows of a verdict rest on own limits, skewness and fitness of the sample alone."""
    rests = verdict["value"].notna() & (verdict["statistic"] != "more_athletes")
    note = verdict["note"].where(verdict["note"] == "", verdict["note"] + "; ")
    return verdict.assign(note=verdict["note"].mask(rests, note + of_sample))


def _joined(
    sampled_frame: pd.DataFrame, exact: list[Labelled], *, sampled: int, athletes: int, seed: int
) -> pd.DataFrame:
    """Put exact rows in the place of sampled ones, and say of the others where they come from."""
    keys = ["analysis", "method", "mode", "group", "statistic"]
    rows = assembled(exact)
    known = pd.MultiIndex.from_frame(rows[keys])
    left = sampled_frame[~pd.MultiIndex.from_frame(sampled_frame[keys]).isin(known)]
    error = (left["high"] - left["low"]) / (2 * z_of(0.95)) * np.sqrt(1 - sampled / athletes)
    said = error.map("; sampling error {:.2g}".format).where(error.notna(), "")
    note = f"sample of {sampled} of {athletes} athletes, seed {seed}" + said
    told = left["value"].notna()
    note = (left["note"] + "; ").where(left["note"] != "", "") + note
    left = left.assign(note=left["note"].mask(told, note))
    return in_table_order(pd.concat([rows, left], ignore_index=True))
