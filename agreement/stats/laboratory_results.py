"""What the laboratory's tests say beside VO2max: thresholds, zones and economy, in each mode."""

from collections.abc import Iterator

import pandas as pd

from agreement.stats.causes.economy import Economies
from agreement.stats.evidence import Evidence
from agreement.stats.record import HasFrame
from agreement.stats.repeats.thresholds import Thresholds, TrainingZones, threshold_agreement
from agreement.stats.result_rows import Labelled, rows_of
from agreement.stats.who_counts import who_counts

LABORATORY = "laboratory"  # method name of what is the laboratory's own
Beside = dict[tuple[str, str], HasFrame]


def beside_vo2max(evidence: Evidence) -> tuple[Beside, list[Labelled]]:
    """
    Compute thresholds, agreement on them, training zones and economy.

    Heart rates, and training counted by them, are of the people who count for what rests on heart rate.
    Returns results: without what no test of a mode tells.
    Returns rows: their rows.
    """
    found: Beside = {}
    for mode, own in _by_mode(evidence.thresholds):
        counted = who_counts(own, heart_rate_based=True).index
        own = own.assign(hr=own["hr"].where(own.index.isin(counted)))
        found["thresholds", mode] = Thresholds(own)
        found["threshold_agreement", mode] = threshold_agreement(own, "vo2")
        found["threshold_agreement_hr", mode] = threshold_agreement(own, "hr")
    for mode, own in _by_mode(evidence.zones):
        if len(known := who_counts(own, heart_rate_based=True)):
            found["training_zones", mode] = TrainingZones(known)
    for mode, own in _by_mode(evidence.economy):
        found["economy", mode] = Economies(own)
    rows = [
        Labelled(rows_of(result), name, LABORATORY, mode) for (name, mode), result in found.items()
    ]
    return found, rows


def _by_mode(frame: pd.DataFrame | None) -> Iterator[tuple[str, pd.DataFrame]]:
    if frame is not None and len(frame):
        for mode, own in frame.groupby("mode", sort=True):
            yield str(mode), own.reset_index(drop=True)
