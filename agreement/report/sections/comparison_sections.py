"""Sections about methods: of each a figure, its table or sentence, or why there is none."""

from collections.abc import Container
from functools import wraps
from typing import Any, Final

import numpy as np
import pandas as pd
from markupsafe import Markup

from agreement.cohort import Cohort
from agreement.figures.averaging_curve import averaging_caption, plot_averaging
from agreement.figures.budget import SOURCE_WORDS, budget_caption, budget_height, plot_budget
from agreement.figures.change import change_captions, change_words, plot_change, plot_change_arrows
from agreement.figures.differences import differences_caption, plot_differences
from agreement.figures.estimates import ABSENT, estimates
from agreement.figures.profiles import plot_profiles, profiles_caption
from agreement.figures.regression import plot_regression, regression_caption
from agreement.report.page.machine import said
from agreement.report.page.markup import Block, bullets, fold, joined, paragraph, table
from agreement.report.page.numbers import group_name
from agreement.report.page.pictures import drawing
from agreement.report.sections.comparison import BIAS_AND_LIMITS, Comparison, Section
from agreement.report.sections.doubt_sections import (
    by_level,
    cautions,
    firmness,
    of_the_laboratory,
)
from agreement.report.sections.further import tables_of
from agreement.report.sections.together import of_one_profile, says, splits, structural_lines
from agreement.report.sections.training_sections import ultra_block, without_profile
from agreement.report.shown.told import Methods, Told, of_each_method, of_field_values, told_of
from agreement.stats.basics.intervals import checked_share
from agreement.stats.causes.profile_bias import HOLM_ALL
from agreement.stats.causes.wrong_inputs import wrong_inputs
from agreement.stats.limits.limits_of_agreement import STATISTICS, with_coverage
from agreement.stats.limits.limits_of_subsets import RIGHT_INPUTS

_NUMBERS: Final = ["value", "low", "high"]
_BEFORE: Final = "before you rely on these numbers"
_COVERAGE: Final = 0.95  # of the limits in the results table
_FOLLOWING: Final = {
    "nothing": "p_no_response",
    "slope": "slope",
    "response": "responsiveness",
    "full": "p_full_response",
}
_CHANGE: Final = (
    *("bias", "lower_limit", "upper_limit", "responsiveness", "slope", "r"),
    *("same_direction", "same_direction_beyond_noise"),
)


@of_field_values
def differences(cohort: Cohort, *, methods: Methods = None, coverage: float = _COVERAGE) -> Block:
    """Show difference plot, bias and limits; `coverage`: share of differences that they hold."""
    told = told_of(cohort)
    if checked_share("coverage", coverage) == _COVERAGE:
        return _differences(told, methods)
    words = f"Tried after the fact: limits that hold {100 * coverage:.4g} % of differences."
    return paragraph(words) + _differences(Told(cohort, limits_tried(told, coverage)), methods)


def _differences(told: Told, methods: Methods) -> Block:
    """Return the section, and once what its methods share of the laboratory."""
    shared = of_the_laboratory(told.first(told.some(methods)))

    @wraps(differences_block)
    def block(one: Comparison) -> Section:
        return differences_block(one, said_once=shared)

    shown = told.across(block, methods)
    if not (shared and shown.html):
        return shown
    lines = (
        Markup("{}: {}").format("; ".join(names), words) if names else words
        for words, names in shared.items()
    )
    return shown + fold(f"The laboratory: {_BEFORE}", bullets(lines))


def limits_tried(told: Told, coverage: float) -> pd.DataFrame:
    """Return the results table with limits of another coverage; what is withheld stays so."""
    frame = told.frame.copy()
    for one in told.results.methods:
        for name in ("limits_of_agreement", "choice_of_pairs", "net_of_laboratory"):
            mine = (frame["analysis"] == name) & (frame["method"] == one.method)
            mine &= (frame["mode"] == one.mode) & frame["value"].notna()
            if mine.any():
                again = with_coverage(one.found[name], coverage).to_frame()
                keys = ["statistic"] + ["group"] * ("group" in again)
                found = frame.loc[mine, keys].merge(again, how="left", on=keys)[_NUMBERS]
                frame.loc[mine, _NUMBERS] = found.to_numpy(np.float64)
    return frame


def differences_block(one: Comparison, said_once: Container[str] = ()) -> Section:
    """Return the difference plot and the table of bias and limits; `said_once`: cautions told elsewhere."""
    limits, bias = one.of("limits_of_agreement"), one.cell("limits_of_agreement", "bias")
    if bias.withheld:  # its points would show single athletes
        return None, one.without("difference plot", bias)
    noise, points = one.noise, one.people is not None
    told: dict[str, Any] = {"margin": one.margin.limit, "told": one.words}
    if noise is not None:
        told |= {"noise_floor": noise.noise_floor, "declared": noise.declared}
    drawn = one.picture(
        "differences",
        drawing(plot_differences, one.pairs, limits=limits, points=points, **told),
        differences_caption(one.pairs, limits, points=points),
    )
    cells = {
        group: [one.cell("limits_of_agreement", name, group) for name in STATISTICS]
        for group in one.groups("limits_of_agreement")
    }
    # a group of all says nothing new
    every = {(cell.n, cell.n_pairs) for cell in cells.get("all", ()) if cell.known}
    parts = [
        (group_name(group), "limits_of_agreement", group)
        for group, own in cells.items()
        if group == "all"
        or (any(map(says, own)) and not every.issuperset((one.n, one.n_pairs) for one in own))
    ]
    if wrong_inputs(one.pairs).any():
        parts.append((group_name(RIGHT_INPUTS), "choice_of_pairs", RIGHT_INPUTS))
    with_sd = "athletes; bias |; sd_of_differences |; lower_limit |; upper_limit |"
    shown = one.parts("bias and limits of agreement", parts, by="group", shown=with_sd)
    depends = one.results.trend is not None and one.results.trend.depends_on_level
    levels = [by_level(one)] if depends else []
    found = [words for words in cautions(one) if words not in said_once]
    before = paragraph(f"{_BEFORE.capitalize()}:") + bullets(found) if found else Block("")
    return drawn, joined([shown, *levels, firmness(one), before])


@of_field_values
def profiles(cohort: Cohort, *, methods: Methods = None) -> Block:
    """Show bias by training profile of each method, and who has none."""
    told = told_of(cohort)
    some = told.some(methods)
    if some and all(of_one_profile(one.of("profile_bias", None)) for one in some):
        found = paragraph(said("sentences", "one_profile"))
    else:
        found = told.across(profiles_block, methods)
    return found + without_profile(some) + ultra_block(told)


def profiles_block(one: Comparison) -> Section:
    """Return bias by training profile as figure and table."""
    found = one.of("profile_bias", None)
    found = found[~found["note"].str.startswith("suppressed")]
    groups = [name for name in pd.unique(found["group"]) if name != "all"]
    if not groups or of_one_profile(found):
        return None, one.without(
            "training profiles to compare", one.cell("profile_bias", "p_welch")
        )
    overall = estimates(one.of("limits_of_agreement")).get("bias", ABSENT)
    draw, height = drawing(plot_profiles, one.pairs, found, overall), 1.0 + 0.6 * len(groups)
    drawn = one.picture("profiles", draw, profiles_caption(found), height=height)
    shown = one.lines(
        "bias by training profile (mL/kg/min)",
        "training profile",
        [(group, "profile_bias", group) for group in groups],
        "athletes; bias |; lower_limit |; upper_limit |; difference_from_overall +; p_difference; "
        "profile_at_equal_level/adjusted_difference |",
    )
    every = one.numbers.frame
    every = every[every["statistic"].eq("p_difference_all") & every["value"].notna()]
    contrasts = Block("")  # how many were looked at, and which survive when all are counted
    if len(every):
        cells = {group: one.cell("profile_bias", "p_difference_all", group) for group in groups}
        survive = [group for group, cell in cells.items() if HOLM_ALL in cell.note]
        contrasts = paragraph(said("sentences", "contrasts", number=len(every), survive=survive))
    names = ("bias", "bias_pooled", "weight_own", "p_beyond_mean_limit")
    limit, pooled = one.margin.mean_limit, []  # the own bias, and with the other profiles counted
    told: dict[str, Any] = {"limit": one.margin.limit if limit is None else limit}
    for of in groups:
        own = {name: one.cell("profile_bias", name, of) for name in names}
        if own["bias_pooled"].known:
            pooled.append(said("sentences", "pooled", profile=of, **told, **own))
    return drawn, shown + bullets(pooled) + contrasts


@of_field_values
def regression(cohort: Cohort, *, methods: Methods = None, structural: bool = False) -> Block:
    """Show the calibration line of each method; `structural`: also field against true fitness."""
    more = structural_lines if structural else None
    return told_of(cohort).across(regression_block, methods, more)


def regression_block(one: Comparison) -> Section:
    """Return the calibration line as figure and table."""
    line = one.of("regression")
    drawn, why = None, one.cell("regression", "slope").reason
    if len(one.pairs):  # none when every athlete takes a drug that limits heart rate
        draw = drawing(plot_regression, one.pairs, line, told=one.words)
        caption = regression_caption(line).of(one.name, why=why.rstrip("."))
        drawn = one.picture("regression", draw, caption, height=3.6)
    shown = one.table(
        "calibration line and size of error",
        regression=("slope", "intercept", "standard_error_of_estimate", "r"),
        error=("mae", "mape", "share_within_margin"),
        calibration=tuple(f"rmse_cv_{form}" for form in ("none", "offset", "line")),
    )
    if (found := one.results.calibration) is not None:
        shown += paragraph(said("sentences", "calibrated", choice=found.choice))
    return drawn, shown


@of_field_values
def change(
    cohort: Cohort,
    *,
    methods: Methods = None,
    visits: str = "",
    minimum_gap_days: int | None = None,
) -> Block:
    """
    Show the change between two visits, field against laboratory.

    `visits` ("first and last" or "consecutive") and `minimum_gap_days`: others than the study's.
    """
    told = {"visits": visits or None, "minimum_gap_days": minimum_gap_days}
    agreed = cohort.study.options.change
    tried = {k: v for k, v in told.items() if v is not None and v != getattr(agreed, k)}
    chosen = cohort.with_options(change=tried) if tried else cohort
    return told_of(chosen).across(change_block, methods)


def change_block(one: Comparison) -> Section:
    """Return the agreement of changes as figure, table and sentence."""
    result = one.results.change
    if result is None:
        return None, one.without("change to compare", one.cell("change", "bias"))
    band: dict[str, Any] = {}  # of laboratory changes that may be noise
    if one.noise is not None:
        band = {"smallest_real": one.noise.smallest_real_change, "declared": one.noise.declared}
    card = one.cell("change", "real_change_on_card").value
    words = None if one.people is None else change_words(result.changes)
    bias, lower, upper = (one.cell("change", name) for name in BIAS_AND_LIMITS)
    told: dict[str, Any] = {**band, "named": words is not None, "panel": 1}
    draw = (
        drawing(plot_change, result.changes, **band, card=card, told=words),
        drawing(plot_change_arrows, result.changes, **told),
    )
    captions = (each.of(one.name, bias=bias) for each in change_captions(result.changes))
    drawn = one.picture("change", draw, *captions, height=3.9, panels=2)
    kept = result.anywhere.kept if one.cell("change", "same_direction").known else 0
    counts = {"n": result.n, "same": result.anywhere.same, "kept": kept}
    counts |= {"all_noise": result.all_noise, "bias": bias, "lower": lower}
    block = paragraph(said("sentences", "change", **counts, upper=upper))
    following = {name: one.cell("change", key) for name, key in _FOLLOWING.items()}
    if following["nothing"].known and not result.all_noise:
        block += paragraph(said("sentences", "following", **following))
    once = one.results.data.n - result.n  # of them no change is known
    if once > 0 and one.people is not None:
        days = one.results.data.options.change.minimum_gap_days
        block += paragraph(said("inputs", "seen_once", once=once, days=days))
    sd, share = (one.cell("own_correction", name) for name in ("lasting_sd", "share"))
    if sd.known:  # how much of a difference stays with the athlete
        block += paragraph(said("sentences", "lasting", sd=sd, share=share))
    if not band:
        block += paragraph(said("sentences", "no_noise"))
    return drawn, block + one.table("agreement of changes, field minus laboratory", change=_CHANGE)


@of_each_method
def budget(one: Comparison) -> Section:
    """Show the error budget of each method as figure and table."""
    total = one.cell("budget", "total")
    if not total.known:
        return None, one.without("error budget", total)
    why: dict[str, list[str]] = {}
    for name, word in SOURCE_WORDS.items():
        if not (cell := one.cell("budget", name)).known:
            reason = cell.reason.rstrip(".").removesuffix("; part of the rest")
            why.setdefault(reason, []).append(word)
    unknown = Block(said("sentences", "unknown_parts", why=why))
    found = one.of("budget")
    if not splits(found):
        return None, paragraph(said("sentences", "no_budget", name=one.name)) + unknown
    draw, height = drawing(plot_budget, found), budget_height(found)
    drawn = one.picture("budget", draw, budget_caption(found), height=height)
    rows = [("all together", total.stacked(), "nothing removed")]
    for name, word in SOURCE_WORDS.items():
        if (alone := one.cell("budget", name)).known:
            without = one.cell("budget", f"half_width_without_{name}")
            rows.append((word, alone.stacked(), without.stacked()))
    columns = ("source", "variance ((mL/kg/min)\u00b2)", "limits without it (\u00b1)")
    shown = table(f"{one.name}: error budget", columns, rows, numeric=columns[1:])
    return drawn, shown + unknown


@of_each_method
def averaging(one: Comparison) -> Section:
    """Show the averaging curve of each method as figure and sentence."""
    curve = one.of("averaging_curve", None)
    days = {day: one.cell("averaging_curve", "half_width_fitted", day) for day in ("1", "7", "14")}
    if not curve.loc[curve["group"] != "floor", "value"].notna().any():
        return None, one.without("averaging curve", days["1"])
    seen = curve[curve["value"].notna() & (curve["group"] != "floor")]
    if set(seen["group"]) == {"1"}:  # a field test has one value per laboratory test
        one_day = one.cell("averaging_curve", "half_width_observed", "1")
        return None, paragraph(said("sentences", "one_value", name=one.name, one_day=one_day))
    draw = drawing(plot_averaging, curve, margin=one.margin.limit)
    drawn = one.picture("averaging", draw, averaging_caption(curve), height=2.7)
    if not all(cell.known for cell in days.values()):
        return drawn, Block("")
    of_days = dict(zip(("reading", "week", "two_weeks"), days.values(), strict=True))
    return drawn, paragraph(said("sentences", "averaging", name=one.name, **of_days))


@of_field_values
def modes(cohort: Cohort) -> Block:
    """Show what was measured in one mode and tested in another, and what the modes alone would make."""
    tables = tables_of(told_of(cohort).numbers, "across_modes")
    return joined([Block(said("sentences", "modes")), *tables]) if tables else Block("")
