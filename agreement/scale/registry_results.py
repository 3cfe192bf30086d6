"""
The results table of a very large study: exact from all pairs, what resamples from a sample.

Pairs of everybody fit into memory, so the ordinary functions compute limits, lines, sizes of the
error and which method is closer from all of them; where pairs repeat, their intervals draw groups of
athletes. What would take resamples of everybody (rank-based lines, the budget) is computed on a
stratified sample of athletes, and its note says so.
"""

from collections.abc import Iterable, Iterator
from contextlib import suppress
from dataclasses import dataclass, field, replace
from math import isnan
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from agreement.arrays import Ints
from agreement.scale.streamed import Streamed
from agreement.stats.basics.bootstrap import Resampling, cluster_resampling
from agreement.stats.basics.intervals import z_of
from agreement.stats.catalogue import BY_NAME
from agreement.stats.compare.methods_compared import methods_compared
from agreement.stats.evidence import Evidence
from agreement.stats.laboratory_results import Beside
from agreement.stats.limits.limits import FEW_FOR_REPORTS, FEWEST_FOR_SD
from agreement.stats.limits.limits_of_agreement import (
    group_of,
    groups_rows,
    limits_of_agreement_of,
)
from agreement.stats.limits.limits_shown import AnyLimits
from agreement.stats.method_data import MethodData
from agreement.stats.method_results import MethodResults
from agreement.stats.result import Row
from agreement.stats.result_rows import Labelled, assembled, in_table_order, rows_of
from agreement.stats.results_table import analyse, method_data
from agreement.stats.verdict.cautions import Caution
from agreement.stats.verdict.plausible import implausible
from agreement.stats.verdict.verdict import Verdict, judged, material_of

SAMPLE: Final = 2000  # athletes; enough for every analysis, and its resamples fit into memory
DRAWN_GROUPS: Final = 400  # of athletes, drawn in their place where everybody is too many to draw


@dataclass(frozen=True, slots=True)
class RegistryResults:
    """The results of a registry."""

    # `agreement.terms.RESULT_COLUMNS`; notes of sampled numbers begin or end with ``sample``
    frame: pd.DataFrame
    verdicts: tuple[Verdict, ...]  # by method, then mode
    # athletes, sampled: who count in a method, and of these in the sample
    athletes: int
    sampled: int
    # the pairs behind the limits: columns method, mode, athlete_id, lab_test_id, field, lab
    pairs: dict[tuple[str, str], pd.DataFrame]
    # what resamples, and readings beside the laboratory's tests; of the sample, where there is one
    methods: tuple[MethodResults, ...] = ()  # by method, then mode
    beside: Beside = field(default_factory=dict)


def registry_results(streamed: Streamed) -> RegistryResults:
    """
    Compute every analysis of the results table.

    streamed: paired with ``write=True``.
    """
    seed = streamed.study.options.report.seed
    sample = _sample(streamed.pairing.pairs, seed)
    found = analyse(_evidence(streamed, sample))
    methods = found.methods
    data, verdicts = [one.data for one in methods], [one.verdict for one in methods]
    frame, drawn = found.frame, _people(data)
    counted = drawn
    if sample is not None:
        sampled = {(one.method, one.mode): one for one in data}
        data, verdicts, rows = list(exact_data(_evidence(streamed))), [], list[Labelled]()
        counted = _people(data)
        methods = tuple(replace(one, doubts=_in_general(one.doubts)) for one in found.methods)
        doubted = {(one.data.method, one.data.mode) for one in methods if one.doubts}
        origin = f"sample of {len(drawn)} of {len(counted)} athletes"
        for one in data:
            parts, limits = exact_parts(one)
            place = (one.method, one.mode)
            verdict = _verdict(one, limits, sampled.get(place))
            verdicts.append(replace(verdict, in_doubt=place in doubted))
            parts["verdict"] = _resting_on(verdicts[-1], origin)
            rows += [Labelled(part, name, one.method, one.mode) for name, part in parts.items()]
        rows += [
            Labelled(part, "closer", method, one.mode)
            for one in methods_compared(data)
            for method, part in one.rows()
        ]
        frame = _joined(frame, rows, f"{origin}, seed {seed}", 1 - len(drawn) / len(counted))
    columns = ["method", "mode", "athlete_id", "lab_test_id", "field", "lab"]
    pairs = {(one.method, one.mode): one.pairs[columns] for one in data}
    sizes = (len(counted), len(drawn))
    return RegistryResults(frame, tuple(verdicts), *sizes, pairs, methods, found.beside)


def _in_general(doubts: Iterable[Caution]) -> tuple[Caution, ...]:
    """Return a sample's doubts without its numbers; on whom its verdict hangs is not the verdict's."""
    told = (doubt for doubt in doubts if doubt.in_general and doubt.code != "one_athlete")
    return tuple(Caution(doubt.code, doubt.in_general) for doubt in told)


def _people(data: Iterable[MethodData]) -> frozenset[str]:
    """Return who counts in a method: beside these, those under a drug are not told."""
    return frozenset(who for one in data for who in one.pairs["athlete_id"])


def exact_data(evidence: Evidence) -> Iterator[MethodData]:
    """Yield what `agreement.stats.results_table.method_data` does, with nobody drawn yet."""

    def nobody_drawn(pairs: pd.DataFrame, seed: int) -> Resampling:
        ids, codes = np.unique(pairs["athlete_id"].to_numpy(), return_inverse=True)
        return Resampling(codes, np.empty((0, ids.size), np.uint8), seed)

    return method_data(evidence, nobody_drawn)


def exact_parts(data: MethodData) -> tuple[dict[str, list[Row]], AnyLimits | None]:
    """Return the rows of one method and mode that come from all pairs, and the limits of all."""
    found: dict[str, Any] = {}
    limits = found["limits_of_agreement"] = limits_of_agreement_of(data)
    drawn = data
    if data.n_pairs:
        drawn = replace(data, resampling=cluster_resampling(_groups_of(data), rng=data.seed))
    line = drawn if data.clustered else data  # its intervals are closed forms, where nobody repeats
    given = {"quantile_limits": data, "trend": line, "regression": line, "error": drawn}
    for name in (*given, "interval_width", "limits_by_level"):
        analysis: Any = BY_NAME[name]
        if analysis.of not in ("", *found):
            continue
        with suppress(ValueError):  # too few, or all at one level: the sample's rows say so
            result = analysis.compute(found[analysis.of] if analysis.of else given[name])
            found[name] = replace(result, n=data.n) if name in given else result
    parts = {name: rows_of(result) for name, result in found.items()}
    profiles = [group_of(str(name), own) for name, own in data.pairs.groupby("training_profile")]
    enough = groups_rows(group for group in profiles if group.n >= FEW_FOR_REPORTS)
    parts["profile_bias"] = [row for row in enough if row.statistic != "sd_of_differences"]
    return parts, limits["all"].limits


def _groups_of(data: MethodData) -> Ints:
    """Return for each pair the group of its athlete: everybody alone, or `DRAWN_GROUPS` of one size."""
    if data.n <= SAMPLE:
        return data.athlete
    order = np.random.default_rng(data.seed).permutation(data.n)
    return (order % DRAWN_GROUPS)[data.athlete]


def _verdict(data: MethodData, limits: AnyLimits | None, sample: MethodData | None) -> Verdict:
    """
    Judge the limits of group ``all`` against the margin of the study.

    What all pairs alone do not tell (own limits, lopsided differences, fit and less fit) is the
    sample's.
    """
    found = None
    if limits is not None and sample is not None and sample.n >= FEWEST_FOR_SD:
        found = material_of(sample, limits)
    said = "" if sample is None else implausible(sample)
    sizes = (data.method, data.mode, data.n, data.n_pairs)
    return judged(sizes, found, data.options.margin, data.first_lab_date, implausible=said)


def athlete_hashes(athlete: pd.Series, key: str) -> npt.NDArray[np.uint64]:
    """Return a number for each athlete that depends on nothing but the id and the key."""
    codes, names = pd.factorize(athlete)
    digest = pd.util.hash_array(
        np.asarray(names, dtype=object), hash_key=f"{key:16.16}", categorize=False
    )
    return np.asarray(digest[codes], np.uint64)


def _sample(pairs: pd.DataFrame, seed: int) -> frozenset[str] | None:
    """Choose a sample of the athletes with a pair, stratified by profile; None: all of them."""
    people = pairs.drop_duplicates("athlete_id", ignore_index=True)
    stratum = people["training_profile"].fillna("")
    hashes = athlete_hashes(people["athlete_id"], f"seed {seed}")
    ordered = people.assign(stratum=stratum, hash=hashes).sort_values(["stratum", "hash"])
    wanted = ordered["stratum"].map(-(-stratum.value_counts() * SAMPLE // max(len(people), 1)))
    chosen = ordered["athlete_id"][ordered.groupby("stratum").cumcount() < wanted]
    return frozenset(chosen) if len(chosen) < len(people) else None


def _evidence(streamed: Streamed, athletes: frozenset[str] | None = None) -> Evidence:
    """Return pairs, days and repeats of some athletes, or of everybody."""
    frames = [streamed.pairing.pairs, streamed.pairing.daily, streamed.pairing.repeats]
    if athletes is not None:
        frames = [frame[frame["athlete_id"].isin(athletes)] for frame in frames]
    pairs, daily, repeats = (frame.reset_index(drop=True) for frame in frames)
    dates = streamed.study.lab_tests["date"]
    first = None if dates.empty else dates.min().date()
    return Evidence(
        pairs,
        daily,
        repeats,
        streamed.study.options,
        streamed.readings.heart_rate_based,
        first,
        averaging=streamed.laboratory.under_each_rule,
    )


def _resting_on(verdict: Verdict, of_sample: str) -> list[Row]:
    """Say which rows of a verdict rest on own limits, skewness and fitness of the sample alone."""
    return [
        row
        if isnan(row.value) or row.statistic == "more_athletes"
        else row._replace(note=f"{row.note}; {of_sample}" if row.note else of_sample)
        for row in verdict.rows()
    ]


def _joined(
    sampled: pd.DataFrame, exact: list[Labelled], origin: str, left_over: float
) -> pd.DataFrame:
    """
    Put exact rows in the place of sampled ones, and say of the others where they come from.

    left_over: share of the athletes that are not in the sample.
    """
    keys = ["analysis", "method", "mode", "group", "statistic"]
    rows = assembled(exact)
    known = pd.MultiIndex.from_frame(rows[keys])
    left = sampled[~pd.MultiIndex.from_frame(sampled[keys]).isin(known)]
    error = (left["high"] - left["low"]) / (2 * z_of(0.95)) * np.sqrt(left_over)
    said = error.map("; sampling error {:.2g}".format).where(error.notna(), "")
    before = (left["note"] + "; ").where(left["note"] != "", "")
    note = (before + origin + said).where(left["value"].notna(), left["note"])
    return in_table_order(pd.concat([rows, left.assign(note=note)], ignore_index=True))
