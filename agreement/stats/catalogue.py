"""
Every analysis of the results table: its name, its statistics in their order, and who computes it.

To add one: write ``<analysis>_of`` in a module of its own, then a line here and, for a new unit, one
in `UNITS`.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final, Protocol

import pandas as pd

from agreement.stats.causes.budget import budget_of
from agreement.stats.causes.error_split import PARTS, error_split_of
from agreement.stats.causes.intensity_coverage import intensity_coverage_of
from agreement.stats.causes.mass_mismatch import mass_mismatch_of
from agreement.stats.causes.profile_at_equal_level import profile_at_equal_level_of
from agreement.stats.causes.profile_bias import STATISTICS as OF_PROFILES
from agreement.stats.causes.profile_bias import profile_bias_of
from agreement.stats.change.change import change_of
from agreement.stats.indices.concordance import concordance_of
from agreement.stats.indices.equivalence import equivalence_of
from agreement.stats.indices.error import error_of
from agreement.stats.limits.across_modes import STATISTICS as OF_UNLIKE_MODES
from agreement.stats.limits.interval_width import interval_width_of
from agreement.stats.limits.limits_as_if_independent import pooled_limits_of
from agreement.stats.limits.limits_by_convention import CONVENTIONS, limits_by_convention_of
from agreement.stats.limits.limits_by_level import LEVELS, limits_by_level_of
from agreement.stats.limits.limits_by_level import STATISTICS as AT_LEVELS
from agreement.stats.limits.limits_of_agreement import STATISTICS as LIMITS
from agreement.stats.limits.limits_of_agreement import limits_of_agreement_of
from agreement.stats.limits.limits_of_agreement_anova import limits_of_agreement_anova_of
from agreement.stats.limits.limits_of_subsets import (
    borderline_moved_of,
    by_age_of,
    by_fortnight_of,
    by_sex_of,
    choice_of_pairs_of,
    pairing_rule_of,
)
from agreement.stats.limits.net_of_laboratory import STATISTICS as OWN
from agreement.stats.limits.net_of_laboratory import net_of_laboratory_of
from agreement.stats.limits.quantile_limits import quantile_limits_of
from agreement.stats.limits.ratio_limits import ratio_limits_of
from agreement.stats.limits.shape import shape_of
from agreement.stats.lines.calibration import calibration_of
from agreement.stats.lines.deming import deming_of
from agreement.stats.lines.linearity import linearity_of
from agreement.stats.lines.passing_bablok import passing_bablok_of
from agreement.stats.lines.regression import regression_of
from agreement.stats.lines.slope_on_one_method import drift_of, slope_on_one_method_of
from agreement.stats.lines.trend import trend_of
from agreement.stats.repeats.averaging_curve import averaging_curve_of
from agreement.stats.repeats.averaging_rule import STATISTICS as OF_RULES
from agreement.stats.repeats.repeatability import repeatability_of
from agreement.stats.verdict.verdict import verdict_of
from agreement.terms import UNIT

COMPONENTS: Final = (
    "laboratory_repeat",
    "day_to_day",
    "profile_inputs",
    "sensor",
    "level",
    "training_profile",
    "persistent_rest",
)
_OF_TREND: Final = ("p_joint", "intercept_on_mean", "residual_sd", "spread_intercept")
_OF_DEMING: Final = ("slope_at_half_lambda", "slope_at_twice_lambda")
DAYS: Final = tuple(str(day) for day in range(1, 15))


class HasFrame(Protocol):
    """Any result."""

    def to_frame(self) -> pd.DataFrame:
        """Return its rows."""


@dataclass(frozen=True, slots=True)
class Analysis:
    """
    One analysis of the results table.

    Attributes
    ----------
    name : str
    statistics : tuple of str
        In the order of the table.
    compute : callable or None
        From the data of one method and mode; None for what compares methods or is the laboratory's.
    of : str
        Analysis above whose result `compute` takes instead of the data.
    unless_possible : tuple of (group, statistics)
        The rows that stay, empty, when it cannot be computed.
    any_size : bool
        Whether it copes with fewer than 3 athletes by itself.
    """

    name: str
    statistics: tuple[str, ...]
    compute: Callable[[Any], HasFrame] | None
    unless_possible: tuple[tuple[str, tuple[str, ...]], ...] = ()
    any_size: bool = False
    of: str = ""

    @property
    def empty_rows(self) -> list[tuple[str, str]]:
        """Group and statistic of every row that stays when it cannot be computed."""
        groups = self.unless_possible or (("all", self.statistics),)
        return [(group, statistic) for group, statistics in groups for statistic in statistics]


ANALYSES: Final = (
    Analysis("limits_of_agreement", LIMITS, limits_of_agreement_of, any_size=True),
    Analysis("limits_of_agreement_anova", LIMITS, limits_of_agreement_anova_of),
    Analysis("verdict", ("within_margin", "more_athletes"), verdict_of, any_size=True),
    Analysis(
        "trend", ("slope_on_mean", "p_slope", "spread_on_mean", "p_spread", *_OF_TREND), trend_of
    ),
    Analysis(
        "regression", ("slope", "intercept", "r", "standard_error_of_estimate"), regression_of
    ),
    Analysis("deming", ("slope", "intercept", "lambda", *_OF_DEMING), deming_of),
    Analysis("passing_bablok", ("slope", "intercept"), passing_bablok_of),
    Analysis("concordance", ("ccc", "icc_a1", "icc_c1"), concordance_of),
    Analysis(
        "error",
        ("mae", "mape", "rmse", "share_within_margin", "total_deviation_index"),
        error_of,
    ),
    Analysis(
        "repeatability",
        ("typical_error", "smallest_real_change", "coefficient_of_variation"),
        repeatability_of,
        any_size=True,
    ),
    Analysis(
        "profile_bias",
        (*OF_PROFILES, "p_welch", "p_equal_spread", "spread_ratio"),
        profile_bias_of,
        unless_possible=(("all", ("p_welch",)),),
    ),
    Analysis(
        "change",
        (
            "bias",
            "lower_limit",
            "upper_limit",
            "r",
            "slope",
            "same_direction",
            "same_direction_beyond_noise",
        ),
        change_of,
    ),
    Analysis(
        "two_estimators",
        ("ratio_of_sd", "p_pitman_morgan", "difference_of_sd", "sd_of_first", "sd_of_second"),
        None,
    ),
    Analysis(
        "calibration",
        ("offset", "slope", "intercept", "rmse_cv_none", "rmse_cv_offset", "rmse_cv_line"),
        calibration_of,
    ),
    Analysis("equivalence", ("p_tost",), equivalence_of),
    Analysis(
        "budget",
        ("total", *COMPONENTS, *(f"half_width_without_{part}" for part in COMPONENTS)),
        budget_of,
    ),
    Analysis(
        "averaging_curve",
        ("half_width_observed", "half_width_fitted", "half_width_laboratory"),
        averaging_curve_of,
        unless_possible=(
            *((day, ("half_width_observed", "half_width_fitted")) for day in DAYS),
            ("floor", ("half_width_laboratory",)),
        ),
    ),
    Analysis(
        "limits_by_convention",
        ("factor", "lower_limit", "upper_limit"),
        limits_by_convention_of,
        unless_possible=tuple(
            (group, ("factor", "lower_limit", "upper_limit")) for group in CONVENTIONS.values()
        ),
    ),
    Analysis("choice_of_pairs", LIMITS, choice_of_pairs_of),
    Analysis(
        "slope_on_one_method", ("slope_on_laboratory", "slope_on_field"), slope_on_one_method_of
    ),
    Analysis("borderline_moved", LIMITS, borderline_moved_of),
    Analysis("by_sex", LIMITS, by_sex_of),
    Analysis("by_age", LIMITS, by_age_of),
    Analysis("drift", ("change_in_30_days",), drift_of),
    Analysis("limits_as_if_independent", LIMITS, pooled_limits_of),
    Analysis("linearity", ("linearity_statistic", "p_linearity"), linearity_of),
    Analysis(
        "profile_at_equal_level",
        ("adjusted_bias", "bias"),
        profile_at_equal_level_of,
        unless_possible=(("all", ("adjusted_bias", "bias")),),
    ),
    Analysis("shape", ("skewness", "p_normal"), shape_of),
    Analysis("mass_mismatch", ("slope", "p_no_effect", "p_full_effect"), mass_mismatch_of),
    Analysis("quantile_limits", ("lower_limit", "median", "upper_limit"), quantile_limits_of),
    Analysis(
        "intensity_coverage",
        (
            "bottom_share_of_hr_max",
            "top_share_of_hr_max",
            "extrapolation_se",
            "expected_bias",
            "observed_error",
            "share_explained",
        ),
        intensity_coverage_of,
    ),
    Analysis(
        "error_split",
        tuple(f"{word}_{part}" for part in PARTS for word in ("mean", "sd")),
        error_split_of,
    ),
    Analysis("averaging_rule", OF_RULES, None),
    Analysis("by_fortnight", LIMITS, by_fortnight_of),
    Analysis(
        "interval_width",
        ("width_of_lower_limit", "width_of_upper_limit", "athletes_to_halve"),
        interval_width_of,
        of="limits_of_agreement",
    ),
    Analysis(
        "limits_by_level",
        AT_LEVELS,
        limits_by_level_of,
        unless_possible=tuple((level, AT_LEVELS) for level in LEVELS),
        of="trend",
    ),
    Analysis(
        "ratio_limits", ("ratio", "lower_limit_of_ratio", "upper_limit_of_ratio"), ratio_limits_of
    ),
    Analysis("pairing_rule", LIMITS, pairing_rule_of),
    Analysis("across_modes", OF_UNLIKE_MODES, None),
    Analysis("net_of_laboratory", OWN, net_of_laboratory_of),
)

_NO_UNIT = (
    *("within_margin", "more_athletes", "slope_on_mean", "p_slope", "spread_on_mean", "p_spread"),
    *("slope", "r", "lambda", "ccc", "icc_a1", "share_within_margin", "p_difference", "p_welch"),
    *("same_direction", "same_direction_beyond_noise", "ratio_of_sd", "p_pitman_morgan", "p_tost"),
    *("factor", "slope_on_laboratory", "slope_on_field", "icc_c1", "p_equal_spread"),
    *("spread_ratio", "skewness", "p_normal", "p_no_effect", "p_full_effect", "p_joint"),
    *("linearity_statistic", "p_linearity", "bottom_share_of_hr_max", "top_share_of_hr_max"),
    *("share_explained", "share_more_median", "share_more_p10", "share_more_p90"),
    *("athletes_to_halve", "coefficient_of_variation"),
    *("ratio", "lower_limit_of_ratio", "upper_limit_of_ratio"),
    *_OF_DEMING,
    *("own_share_within_margin", "laboratory_df", "laboratory_share"),
)
_VARIANCES = ("total", *COMPONENTS, "laboratory_variance")
UNITS: Final[dict[str, str]] = (
    dict.fromkeys(_NO_UNIT, "1") | dict.fromkeys(_VARIANCES, f"({UNIT})^2") | {"mape": "%"}
)  # all others in mL/kg/min
