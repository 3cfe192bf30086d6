"""Bias by training profile at equal fitness, sex, age or sensor, to see if it is the training."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from agreement.stats.basics.intervals import Interval, t_interval
from agreement.stats.basics.reml import random_intercept
from agreement.stats.causes.profile_bias import FEW_FOR_BIAS
from agreement.stats.limits.limits_of_agreement import BIAS, pairs_of
from agreement.stats.method_data import (
    NOT_ESTIMABLE,
    TOO_FEW,
    MethodData,
    NotEstimable,
    too_few_athletes,
)
from agreement.stats.record import Analysis, Privacy, Statistic
from agreement.stats.rows import Row, html_table, rows_frame
from agreement.terms import NOT_ENOUGH_DATA, counted

Floats = npt.NDArray[np.float64]

ATHLETES_PER_COVARIATE = 10


@dataclass(frozen=True, slots=True)
class AdjustedBias:
    """
    Bias of each profile for an athlete with the mean covariates of the sample. [mL/kg/min].

    Attributes
    ----------
    profiles : tuple of str
    covariates : tuple of str
    bias, standard_error : ndarray, shape (k,)
        Adjusted, in the order of `profiles`.
    plain : ndarray, shape (k,)
        Mean difference of each profile, not adjusted.
    counts : ndarray of int, shape (k,)
        Athletes of each profile.
    df : int
    clustered : bool
        Whether a mixed model was fitted, because athletes have several pairs.
    pairs : mapping of str to frozenset of (athlete, laboratory test)
        Who stands in each profile, where that is known.
    """

    profiles: tuple[str, ...]
    covariates: tuple[str, ...]
    bias: Floats
    standard_error: Floats
    plain: Floats
    counts: npt.NDArray[np.intp]
    df: int
    clustered: bool
    pairs: Mapping[str, frozenset[tuple[str, str]]] = field(default_factory=dict)

    def members(self) -> Mapping[str, frozenset[tuple[str, str]]]:
        """Return whose pairs stand in each profile, where that is known."""
        return self.pairs

    def interval(self, profile: str, confidence_level: float = 0.95) -> Interval:
        """Student interval of one adjusted bias."""
        k = self.profiles.index(profile)
        bias, error = float(self.bias[k]), float(self.standard_error[k])
        return t_interval(bias, error, self.df, confidence_level)

    def to_frame(self) -> pd.DataFrame:
        """Return adjusted_bias and bias of every profile as rows, with a first column ``group``."""
        note = f"exploratory; adjusted for {', '.join(self.covariates)}"
        rows, groups = [], []
        for k, profile in enumerate(self.profiles):
            n = int(self.counts[k])
            rows.append(
                Row.of("adjusted_bias", self.bias[k], self.interval(profile), n=n, note=note)
            )
            rows.append(Row.of("bias", self.plain[k], n=n, note="not adjusted"))
            groups += [profile, profile]
        frame = rows_frame(rows)
        frame.insert(0, "group", groups)
        return frame

    def summary(self) -> str:
        """Say in one sentence how far adjustment narrows the differences between profiles."""
        return (
            f"Between profiles the bias ranges over {np.ptp(self.plain):.1f} mL/kg/min, and over "
            f"{np.ptp(self.bias):.1f} after adjustment for {', '.join(self.covariates)} "
            "(exploratory)."
        )

    def _repr_html_(self) -> str:
        return html_table(self.to_frame(), "Bias by training profile, adjusted")


def adjusted_bias(
    difference: npt.ArrayLike,
    profile: npt.ArrayLike,
    covariates: pd.DataFrame,
    *,
    athlete: npt.ArrayLike,
) -> AdjustedBias:
    """
    Bias of each profile after adjustment for covariates.

    Parameters
    ----------
    difference : array_like, shape (N,)
        Field minus laboratory. [mL/kg/min]
    profile : array_like of str, shape (N,)
    covariates : DataFrame, shape (N, q)
        Numbers; for a category one column of 0 and 1 for each code but one. The mean of both
        methods as a covariate tells a training effect from a trend with fitness.
    athlete : array_like, shape (N,)

    Returns
    -------
    AdjustedBias

    Raises
    ------
    NotEstimable
        With fewer than 10 athletes per covariate, or covariates that depend on one another or on
        the profile.
    ValueError
        With missing values.

    Notes
    -----
    Least squares with standard errors that allow unequal spread (HC3) [1]_, or a random intercept
    per athlete when pairs repeat.

    References
    ----------
    .. [1] MacKinnon JG, White H. Some heteroskedasticity-consistent covariance matrix estimators
       with improved finite sample properties. J Econometrics 1985;29:305-325.
    """
    d, who = np.asarray(difference, dtype=np.float64), np.asarray(athlete)
    labels, x = np.asarray(profile, dtype=str), covariates.to_numpy(dtype=np.float64)
    if not (np.isfinite(d).all() and np.isfinite(x).all()):
        message = "differences and covariates must be known; leave out pairs without them"
        raise ValueError(message)
    n = np.unique(who).size
    if n < ATHLETES_PER_COVARIATE * max(1, x.shape[1]):
        sentence = f"{too_few_athletes(n)} for {counted(x.shape[1], 'covariate')}."
        raise NotEstimable(TOO_FEW, sentence)
    names = tuple(str(name) for name in np.unique(labels))
    design = np.hstack(
        [(labels[:, None] == np.array(names)).astype(np.float64), x - x.mean(axis=0)]
    )
    counts = np.array([np.unique(who[labels == name]).size for name in names])
    if counts.min() < 2:
        raise NotEstimable(TOO_FEW, "a profile of one athlete cannot be adjusted.")
    if np.linalg.matrix_rank(design) < design.shape[1]:
        raise NotEstimable(NOT_ESTIMABLE, "covariates and profiles depend on one another.")
    clustered = n < d.size
    bias, error = _mixed(d, who, design) if clustered else _least_squares(d, design)
    k = len(names)
    return AdjustedBias(
        names,
        tuple(str(name) for name in covariates.columns),
        bias[:k],
        error[:k],
        np.array([d[labels == name].mean() for name in names]),
        counts,
        n - design.shape[1],
        clustered,
    )


def profile_at_equal_level_of(data: MethodData) -> AdjustedBias:
    """
    Bias by profile beside that at equal fitness: difference ~ mean of both methods + profile.

    Profiles differ in fitness, so that a trend with fitness shows up as bias of a profile; this is
    descriptive, since the mean holds half of either method's error.

    Raises
    ------
    NotEstimable
        With fewer than two profiles of 5 athletes, or 10 athletes in all.
    """
    labels = data.pairs["training_profile"]
    athletes = data.pairs.groupby(labels)["athlete_id"].nunique()
    compared = athletes.index[(athletes >= FEW_FOR_BIAS) & (athletes.index != NOT_ENOUGH_DATA)]
    if len(compared) < 2:
        raise NotEstimable(NOT_ESTIMABLE, "fewer than two profiles of 5 athletes.")
    used = labels.isin(compared).to_numpy()
    level = pd.DataFrame({"mean of both methods": (data.field + data.lab)[used] / 2.0})
    found = adjusted_bias(data.difference[used], labels[used], level, athlete=data.athlete[used])
    pairs = {name: pairs_of(data.pairs[labels == name]) for name in found.profiles}
    return replace(found, pairs=pairs)


def _mixed(d: Floats, who: npt.NDArray[np.generic], design: Floats) -> tuple[Floats, Floats]:
    model = random_intercept(d, who, design)
    return model.coefficients.astype(np.float64), model.standard_errors.astype(np.float64)


def _least_squares(d: Floats, design: Floats) -> tuple[Floats, Floats]:
    """Coefficients and HC3 standard errors."""
    inverse = np.linalg.inv(design.T @ design)
    coefficients = inverse @ design.T @ d
    leverage = np.einsum("ij,jk,ik->i", design, inverse, design)
    residual = (d - design @ coefficients) / (1.0 - leverage)
    influence = design @ inverse * residual[:, None]
    return coefficients, np.sqrt((influence**2).sum(axis=0))


RECORD: Final = Analysis(
    name="profile_at_equal_level",
    place=270,
    label="bias by profile at equal fitness",
    statistics=(
        Statistic(
            "adjusted_bias",
            "bias at equal fitness",
            "Bias of a profile, were its people as fit as the others on average.",
            "least squares on profile and the mean of both methods; errors that allow uneven spread "
            "(HC3)",
            "MacKinnon & White 1985",
        ),
        replace(BIAS, formula="mean of d", source="Bland & Altman 1986"),
    ),
    privacy=Privacy.PARTITION,
    compute=profile_at_equal_level_of,
    unless_possible=(("all", ("adjusted_bias", "bias")),),
    own_section=True,
)
