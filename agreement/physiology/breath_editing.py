"""
From a recording to the breaths that count: the exercise phase, in time order.

By default every breath counts. Where artefacts are to leave, each breath is judged from as many
neighbours before as after it, so that a rising test loses no more low breaths than high ones.
"""

from typing import Final, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from agreement.arrays import Flags, Floats, going_on

WINDOW_BREATHS: Final = 31
SPREADS: Final = 4.0  # of the robust standard deviation
MAD_TO_SD: Final = 1.4826
SMALLEST_SPREAD: Final = 0.025  # of the centre: very even breaths are no reason to remove one
TINY: Final = 1e-9
HIGHEST_ML_KG_MIN: Final = 100.0  # no breath can be higher (the reject range of VO2max)


class EditedBreaths(NamedTuple):
    """The breaths in time order, which of them look wrong, and how many left for good."""

    breaths: pd.DataFrame
    backward: int  # left: repeated or running backwards in time
    impossible: Flags  # by breath: below 0 or above what anybody reaches; never used
    wrong: Flags  # by breath: these, and those far from their neighbours

    def out(self, *, edit: bool) -> Flags:
        """Which breaths do not count: all that look wrong, or the impossible ones alone."""
        return self.wrong if edit else self.impossible

    def kept(self, *, edit: bool) -> pd.DataFrame:
        """Return the breaths that count."""
        return self.breaths[~self.out(edit=edit)].reset_index(drop=True)


def edited_breaths(
    breaths: pd.DataFrame,
    *,
    mass_kg: float = np.nan,
    window_s: tuple[float, float] = (np.nan, np.nan),
) -> EditedBreaths:
    """
    Cut the exercise phase, drop breaths out of time order, and find artefacts.

    breaths: t_s [s], vo2_ml_min [mL/min], phase (rest, warmup, exercise, recovery or missing);
        further columns are kept.
    mass_kg: body mass, so that impossible breaths can be told. [kg]
    window_s: start and end of exercise as stated for the test, NaN where it is open; where neither
        is stated the breaths marked ``exercise`` count and, where none is, those without a phase. [s]
    """
    if np.isnan(window_s).all():
        marked = breaths["phase"] == "exercise"
        phase = breaths[marked if marked.any() else breaths["phase"].isna()]
    else:
        start, end = np.where(np.isnan(window_s), [-np.inf, np.inf], window_s)
        phase = breaths[breaths["t_s"].between(start, end)]
    phase = phase[phase["vo2_ml_min"].notna() & phase["t_s"].notna()]
    phase = phase.assign(t_s=_apart(phase["t_s"].to_numpy(dtype=np.float64), phase["vo2_ml_min"]))
    forward = going_on(phase["t_s"].to_numpy(dtype=np.float64))
    phase = phase[forward]
    vo2 = phase["vo2_ml_min"].to_numpy(dtype=np.float64)
    impossible = (vo2 > HIGHEST_ML_KG_MIN * mass_kg) | (vo2 < 0)
    wrong = artefacts(vo2) | impossible
    return EditedBreaths(phase.reset_index(drop=True), int((~forward).sum()), impossible, wrong)


def _apart(times: Floats, vo2: "pd.Series[float]") -> Floats:
    """
    Spread breaths of one whole second evenly over it, where all times are whole seconds.

    Rows that repeat the uptake too are one breath written twice, and keep their time.
    """
    tied = np.flatnonzero(times[1:] == times[:-1]) + 1
    if not tied.size or (times != np.rint(times)).any():
        return times
    again = np.zeros(times.size, dtype=bool)
    again[tied] = vo2.to_numpy()[tied] == vo2.to_numpy()[tied - 1]
    starts = np.flatnonzero(np.r_[True, times[1:] != times[:-1]])
    group = np.repeat(np.arange(starts.size), np.diff(np.r_[starts, times.size]))
    order = np.cumsum(~again) - np.cumsum(~again)[starts][group]
    size = np.bincount(group, ~again)[group]
    return np.asarray(np.where(again, times, times + order / np.maximum(size, 1)))


def artefacts(vo2: ArrayLike) -> Flags:
    """
    Which breaths lie too far from their neighbours: coughs, swallows, leaks.

    vo2: shape (n,). Oxygen uptake by breath, in time order.
    Returns: shape (n,). True where a breath is more than 4 robust standard deviations (1.4826 times
        the median absolute deviation) from the median of the breaths around it: 31, near the ends
        fewer, as many before as after. The spread is that of 31 breaths or, where it is larger,
        that of all breaths, as a share of the median. The first and last two are never judged.
    """
    values = np.asarray(vo2, dtype=np.float64)
    size = min(WINDOW_BREATHS, values.size)
    if size < 5:
        return np.zeros(values.size, dtype=bool)
    runs = np.lib.stride_tricks.sliding_window_view(values, size)
    centres = np.median(runs, axis=1)
    spreads = MAD_TO_SD * np.median(np.abs(runs - centres[:, None]), axis=1)
    # near the ends the spread is that of the first and last whole run, the centre that of the
    # breaths on both sides: the end of a rising test lies above all breaths before it
    place = np.arange(values.size)
    run = np.clip(place - size // 2, 0, len(runs) - 1)
    centre, spread = centres[run], spreads[run]
    reach = np.minimum(place, place[::-1])
    for i in np.flatnonzero(reach < size // 2):
        centre[i] = np.median(values[i - reach[i] : i + reach[i] + 1])
    # 31 breaths know their spread badly, and one that they make too small takes good breaths out
    away = np.abs(values - centre)
    share = MAD_TO_SD * np.median(away / np.maximum(np.abs(centre), TINY))
    least = max(SMALLEST_SPREAD, float(share)) * np.abs(centre)
    return np.asarray((away > SPREADS * np.maximum(spread, least)) & (reach >= 2))
