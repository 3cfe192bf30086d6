"""What the laboratory's tests say by themselves, in each mode: repeats, changes, thresholds, economy."""

from collections.abc import Callable, Iterator
from functools import partial

import numpy as np
import pandas as pd

from agreement.stats.catalogue import BY_NAME
from agreement.stats.causes.economy import Economies
from agreement.stats.evidence import Evidence
from agreement.stats.method_data import noted
from agreement.stats.record import HasFrame
from agreement.stats.repeats.averaging_rule import averaging_rules
from agreement.stats.repeats.laboratory_itself import laboratory_change, laboratory_repeats
from agreement.stats.repeats.laboratory_variance import laboratory_from
from agreement.stats.repeats.repeatability import laboratory_repeatability
from agreement.stats.repeats.thresholds import Thresholds, TrainingZones, threshold_agreement
from agreement.stats.result_rows import Labelled, empty_rows, rows_of
from agreement.stats.who_counts import who_counts

LABORATORY = "laboratory"  # method name of what is the laboratory's own
Beside = dict[tuple[str, str], HasFrame]


def laboratory_results(evidence: Evidence) -> tuple[Beside, list[Labelled]]:
    """
    Compute what is the laboratory's own.

    Heart rates, and training counted by them, are of the people who count for what rests on heart rate.
    Returns results: by analysis and mode, without what no test of a mode tells.
    Returns rows: their rows, or why there is no result.
    """
    found: Beside = {}
    rows = []
    for name, frame, compute in _analyses(evidence):
        for mode, own in _by_mode(frame):
            try:
                found[name, mode] = result = compute(own)
                told = rows_of(result)
            except ValueError as problem:
                n = own["athlete_id"].nunique()
                told = empty_rows(BY_NAME[name], n, len(own), noted(problem))
            rows.append(Labelled(told, name, LABORATORY, mode))
    return found, rows


def ordered_repeats(repeats: pd.DataFrame) -> pd.DataFrame:
    """Sort by unit; the tests of a unit keep their order in time."""
    return repeats.sort_values(["athlete_id", "lab_test_id"], kind="stable", ignore_index=True)


def _analyses(
    evidence: Evidence,
) -> Iterator[tuple[str, pd.DataFrame | None, Callable[[pd.DataFrame], HasFrame]]]:
    """Yield each analysis with its table and what computes it of one mode."""
    options, repeats = evidence.options, ordered_repeats(evidence.repeats)
    thresholds, zones = evidence.thresholds, evidence.zones

    def net_of_shift(own: pd.DataFrame) -> HasFrame:
        return laboratory_repeats(own["lab"], own["lab_test_id"], own["athlete_id"])

    def changed(own: pd.DataFrame) -> HasFrame:
        """Say who changed by more than the noise of the mode's repeats, or of the declared error."""
        tests = repeats[repeats["mode"] == own["mode"].iloc[0]]
        lab, unit = tests["lab"].to_numpy(np.float64), pd.factorize(tests["lab_test_id"])[0]
        return laboratory_change(own, laboratory_from(lab, unit, options.reference), options.change)

    if thresholds is not None:
        counted = thresholds.index.isin(who_counts(thresholds, heart_rate_based=True).index)
        thresholds = thresholds.assign(hr=thresholds["hr"].where(counted))
    if zones is not None:
        zones = who_counts(zones, heart_rate_based=True)
    error = partial(laboratory_repeatability, reference=options.reference)
    yield "repeatability", repeats, error
    yield "laboratory_repeats", repeats, net_of_shift
    yield "laboratory_change", evidence.visits, changed
    yield "thresholds", thresholds, Thresholds
    yield "threshold_agreement", thresholds, partial(threshold_agreement, quantity="vo2")
    yield "threshold_agreement_hr", thresholds, partial(threshold_agreement, quantity="hr")
    yield "training_zones", zones, TrainingZones
    yield "economy", evidence.economy, Economies
    yield "averaging_rule", evidence.averaging, averaging_rules


def _by_mode(frame: pd.DataFrame | None) -> Iterator[tuple[str, pd.DataFrame]]:
    if frame is not None and len(frame):
        for mode, own in frame.groupby("mode", sort=True):
            yield str(mode), own.reset_index(drop=True)
