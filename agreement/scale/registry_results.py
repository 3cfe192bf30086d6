"""
The results table of a study too large for memory: exact from sums, the rest from a sample.

What sums can give is exact. What they cannot (rank-based lines, resampling, the budget) is computed
by the ordinary functions on a stratified sample of athletes, and its note says so.
"""

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from datetime import date
from functools import reduce
from operator import add
from pathlib import Path
from typing import Final, Protocol, Self, TypeVar

import numpy as np
import pandas as pd

from agreement.scale.engine import Engine, Progress
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
from agreement.stats.basics.least_squares import Line
from agreement.stats.evidence import Evidence
from agreement.stats.limits.interval_width import interval_width_of
from agreement.stats.limits.limits_by_level import limits_by_level_of
from agreement.stats.method_data import MethodData, NotEstimable
from agreement.stats.result_rows import Labelled, assembled, in_table_order
from agreement.stats.results_table import analyse
from agreement.stats.verdict.verdict import Verdict
from agreement.stats.who_counts import who_counts
from agreement.tables.spills import read_section

Key = tuple[str, str]  # method, mode


class _Sums(Protocol):
    def __add__(self, other: Self) -> Self: ...


S = TypeVar("S", bound=_Sums)
SAMPLE: Final = 2000  # athletes; enough for every analysis, and its resamples fit into memory
SPARE: Final = 4.0  # times as many are looked at, so that every stratum finds its own


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


@dataclass(frozen=True, slots=True)
class _Plan:
    """What workers need of a study that was paired in buckets."""

    work: Path
    sections: dict[Key, dict[int, int]]
    heart_rate_based: dict[str, bool]
    margin: float | None
    seed: int
    lines: dict[Key, Line] = field(default_factory=dict)
    chosen_below: float = 1.0
    athletes: frozenset[str] | None = None  # None: everybody


def registry_results(
    streamed: Streamed, engine: Engine, *, progress: Progress | None = None
) -> RegistryResults:
    """
    Compute every analysis of the results table.

    Parameters
    ----------
    streamed : Streamed
        Paired with ``write=True``.
    engine : Engine
        The mapper.
    progress : callable, optional
        Called with (done, total, stage).
    """
    run = _Run(streamed, engine, progress)
    sums = run.sums()
    athletes, sample = run.sample()
    whole = len(sample) == athletes
    found = analyse(run.evidence(None if whole else sample))
    frame, verdicts = found.frame, [method.verdict for method in found.methods]
    if not whole:
        exact, verdicts = run.exact(sums, {(m.method, m.mode): m.data for m in found.methods})
        frame = _joined(frame, exact, sampled=len(sample), athletes=athletes, seed=run.seed)
    return RegistryResults(frame, tuple(verdicts), athletes, len(sample))


class _Run:
    """The passes over the pairs of one study."""

    def __init__(self, streamed: Streamed, engine: Engine, progress: Progress | None) -> None:
        self.streamed = streamed
        self.engine = engine
        self.progress = progress
        options = streamed.study.options
        self.margin, self.seed = options.margin, options.report.seed
        self.buckets = range(streamed.buckets)
        self.sections = {key: dict(places) for key, places in streamed.sections.items()}

    @property
    def plan(self) -> _Plan:
        """What workers need for every pass."""
        based, limit = self.streamed.heart_rate_based, self.margin.limit
        return _Plan(self.streamed.work, self.sections, based, limit, self.seed)

    def sums(self) -> dict[Key, MethodSums]:
        """First pass: all sums of every method and mode."""
        return self.engine.map_merge(
            bucket_sums,
            self.plan,
            self.buckets,
            merged_by_key,
            progress=self.progress,
            stage="Summing pairs",
        )

    def exact(
        self, sums: dict[Key, MethodSums], sample: dict[Key, MethodData]
    ) -> tuple[list[Labelled], list[Verdict]]:
        """Second pass for the spread, then every row that sums can give."""
        lines = {}
        for key, found in sums.items():
            try:
                lines[key] = found.pairs.trend_line()
            except ValueError:
                continue  # too few, or all at one level: the sample's rows say so
        spread = self.engine.map_merge(
            bucket_spread,
            replace(self.plan, lines=lines),
            self.buckets,
            merged_by_key,
            progress=self.progress,
            stage="Summing residuals",
        )
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
            parts["verdict"] = verdict.to_frame()
            rows += [Labelled(part, name, method, mode) for name, part in parts.items()]
        return rows, verdicts

    @property
    def first_lab_date(self) -> date | None:
        """Date of the first laboratory test."""
        dates = self.streamed.study.lab_tests["date"]
        return None if dates.empty else dates.min().date()

    def sample(self) -> tuple[int, frozenset[str]]:
        """Count the athletes with a pair, and choose a stratified sample of them."""
        strata = self.engine.map_merge(
            bucket_strata,
            self.plan,
            self.buckets,
            _added_counts,
            stage="Choosing a sample",
        )
        athletes = sum(strata.values())
        share = min(1.0, SAMPLE / max(1, athletes))
        candidates = pd.concat(
            self.engine.map(
                bucket_candidates,
                replace(self.plan, chosen_below=share * SPARE),
                self.buckets,
                stage="Choosing a sample",
            ),
            ignore_index=True,
        )
        if share == 1.0:
            return athletes, frozenset(candidates["athlete_id"])
        ordered = candidates.sort_values(["stratum", "hash"], ignore_index=True)
        wanted = ordered["stratum"].map(
            {name: -(-n * SAMPLE // athletes) for name, n in strata.items()}
        )
        rank = ordered.groupby("stratum").cumcount()
        return athletes, frozenset(ordered["athlete_id"][rank < wanted])

    def evidence(self, athletes: frozenset[str] | None) -> Evidence:
        """Return pairs, days and repeats of some athletes, or of everybody."""
        parts = self.engine.map(
            bucket_evidence,
            replace(self.plan, athletes=athletes),
            self.buckets,
            progress=self.progress,
            stage="Drawing the sample",
        )
        pairs, daily, repeats = (
            pd.concat(frames, ignore_index=True) for frames in zip(*parts, strict=True)
        )
        return Evidence(
            pairs,
            daily,
            repeats,
            self.streamed.study.options,
            self.streamed.heart_rate_based,
            self.first_lab_date,
            averaging=self.streamed.laboratory.under_each_rule,
        )


def merged_by_key(parts: Sequence[dict[Key, S]]) -> dict[Key, S]:
    """Merge sums key by key."""
    keys = sorted({key for part in parts for key in part})
    return {key: reduce(add, [part[key] for part in parts if key in part]) for key in keys}


def _pairs(plan: _Plan, bucket: int) -> dict[Key, pd.DataFrame]:
    path = plan.work / f"pairs-{bucket:06d}.arrow"
    return {
        key: read_section([path], places[bucket])
        for key, places in plan.sections.items()
        if bucket in places
    }


def bucket_sums(plan: _Plan, bucket: int) -> dict[Key, MethodSums]:
    """Sum the pairs of one bucket."""
    return {
        key: MethodSums.of(
            pairs, heart_rate_based=plan.heart_rate_based.get(key[0], True), margin=plan.margin
        )
        for key, pairs in _pairs(plan, bucket).items()
    }


def bucket_spread(plan: _Plan, bucket: int) -> dict[Key, SpreadSums]:
    """Sum the residuals of one bucket."""
    found = {}
    for key, pairs in _pairs(plan, bucket).items():
        if key in plan.lines:
            counted = who_counts(pairs, heart_rate_based=plan.heart_rate_based.get(key[0], True))
            found[key] = SpreadSums.of(counted, plan.lines[key])
    return found


def _people(plan: _Plan, bucket: int) -> pd.DataFrame:
    """Return every athlete of a bucket with a pair: id, hash, and stratum of the first pair."""
    frames = [pairs[["athlete_id", "training_profile"]] for pairs in _pairs(plan, bucket).values()]
    if not frames:
        return pd.DataFrame({"athlete_id": [], "stratum": [], "hash": []}).astype(
            {"athlete_id": "str", "stratum": "str", "hash": "uint64"}
        )
    people = pd.concat(frames, ignore_index=True).drop_duplicates("athlete_id", ignore_index=True)
    hashes = athlete_hashes(people["athlete_id"], f"seed {plan.seed}")
    stratum = people["training_profile"].fillna("")
    return pd.DataFrame({"athlete_id": people["athlete_id"], "stratum": stratum, "hash": hashes})


def bucket_strata(plan: _Plan, bucket: int) -> dict[str, int]:
    """Count the athletes of one bucket with a pair, by training profile."""
    counts = _people(plan, bucket)["stratum"].value_counts()
    return {str(name): int(n) for name, n in counts.items()}


def _added_counts(parts: Sequence[dict[str, int]]) -> dict[str, int]:
    return {name: sum(part.get(name, 0) for part in parts) for name in set().union(*parts)}


def bucket_candidates(plan: _Plan, bucket: int) -> pd.DataFrame:
    """Return the athletes of one bucket whose hash is small enough to be chosen."""
    people = _people(plan, bucket)
    below = people["hash"].to_numpy(np.uint64) / 2.0**64 < plan.chosen_below
    return people[below]


def bucket_evidence(plan: _Plan, bucket: int) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame]:
    """Return pairs, days and repeats of the chosen athletes of one bucket."""
    frames = []
    for name in ("pairs", "daily"):
        path = plan.work / f"{name}-{bucket:06d}.arrow"
        places = [places[bucket] for places in plan.sections.values() if bucket in places]
        parts = [read_section([path], place) for place in places] or [read_section([path])]
        frames.append(pd.concat(parts, ignore_index=True))
    frames.append(read_section([plan.work / f"repeats-{bucket:06d}.arrow"]))
    if plan.athletes is not None:
        frames = [frame[frame["athlete_id"].isin(plan.athletes)] for frame in frames]
    pairs, daily, repeats = frames
    return pairs, daily, repeats


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
