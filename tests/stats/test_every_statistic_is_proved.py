"""
For every public statistic: the printed source, the independent computation, the simulated coverage.

The table names tests; this file checks that they exist and that no statistic is missing. "none"
means that no printed value was found, "no interval" that there is nothing to cover.
"""

import ast
from pathlib import Path
from typing import NamedTuple

import pytest

import agreement
from agreement.stats.catalogue import ANALYSES

TESTS = Path(__file__).parents[1]
STATS = Path(agreement.__file__).parent / "stats"
NONE, NO_INTERVAL = "none", "no interval"
COVERAGE = "test_interval_coverage::test_share_of_studies_whose_interval_holds_the_truth"
RECOVERED = "test_budget_recovered::test_known_parts_are_recovered"


class Proof(NamedTuple):
    """Names of tests, as file::function in tests/stats."""

    source: str
    independent: str
    coverage: str


PROOFS = {
    "measured_values": Proof(
        NONE,
        "test_measured_values::test_against_the_standard_library_every_pair_counted_once",
        NO_INTERVAL,
    ),
    "no_number": Proof(
        NONE,
        "test_no_number::test_twelve_of_23_against_a_general_library",
        "test_no_number::test_the_interval_of_the_share_covers",
    ),
    "thresholds": Proof(
        NONE,
        "test_beside_vo2max::test_means_over_athletes_against_a_general_library",
        "test_beside_vo2max::test_intervals_of_means_and_share_explained_cover",
    ),
    "threshold_agreement": Proof(
        NONE,
        "test_beside_vo2max::test_two_raters_are_compared_as_methods_are",
        "test_limits::test_the_exact_interval_covers_the_upper_limit",
    ),
    "training_zones": Proof(
        NONE,
        "test_beside_vo2max::test_who_changes_profile_is_counted_by_athlete",
        "test_no_number::test_the_interval_of_the_share_covers",
    ),
    "economy": Proof(
        NONE,
        "test_beside_vo2max::test_means_over_athletes_against_a_general_library",
        "test_beside_vo2max::test_intervals_of_means_and_share_explained_cover",
    ),
    "economy_explained": Proof(
        NONE,
        "test_beside_vo2max::test_share_explained_and_slope_against_a_general_library",
        "test_beside_vo2max::test_intervals_of_means_and_share_explained_cover",
    ),
    "pooled_studies": Proof(
        NONE,
        "test_several_studies::test_pools_as_held",
        "test_several_studies::test_the_next_squad_lies_where_the_method_sheet_says",
    ),
    "next_study": Proof(
        NONE,
        "test_next_study::test_the_chance_is_that_of_squads_drawn_from_the_pool",
        NO_INTERVAL,
    ),
    "two_seasons": Proof(
        NONE,
        "test_several_studies::test_seasons_of_the_same_people_are_the_paired_test_and_of_others_welch",
        "test_several_studies::test_the_interval_between_seasons_covers",
    ),
    "control": Proof(
        NONE,
        "test_control::test_the_line_is_that_of_a_general_library",
        "test_control::test_the_interval_of_the_field_drift_covers",
    ),
    "ageing": Proof(
        NONE,
        "test_several_studies::test_ageing_as_held",
        "test_several_studies::test_the_intervals_of_ageing_cover",
    ),
    "ageing_bins": Proof(
        NONE,
        "test_several_studies::test_bins_of_age_are_compared_as_methods_are",
        "test_several_studies::test_equal_bins_of_age_are_rarely_told_apart",
    ),
    "laboratory_repeats": Proof(
        NONE,
        "test_laboratory_itself::test_shift_and_error_of_a_step_against_general_libraries",
        "test_laboratory_itself::test_the_intervals_of_shift_and_error_cover_the_truth",
    ),
    "laboratory_change": Proof(
        NONE,
        "test_laboratory_itself::test_a_change_counts_when_two_tests_of_one_athlete_would_not_differ_so",
        "test_laboratory_itself::test_of_those_who_did_not_change_five_in_a_hundred_exceed_the_noise",
    ),
    "laboratory_variance": Proof(
        NONE,
        "test_net_of_laboratory::test_two_tests_each_are_half_the_variance_of_their_difference",
        "test_net_of_laboratory::test_the_interval_of_the_own_spread_holds_the_truth",
    ),
    "net_of_laboratory": Proof(
        NONE,
        "test_net_of_laboratory::test_an_exact_laboratory_leaves_the_classical_spread",
        "test_net_of_laboratory::test_the_interval_of_the_own_spread_holds_the_truth",
    ),
    "limits_of_agreement": Proof(
        "test_limits::test_peak_flow_1986",
        "test_limits::test_exact_intervals_are_noncentral_t_by_a_general_library",
        "test_limits::test_the_exact_interval_covers_the_upper_limit",
    ),
    "limits_by_athlete": Proof(
        "test_repeated::test_cardiac_output_unweighted_form_with_mover_interval",
        "test_repeated::test_one_reading_each_is_the_simple_design",
        "test_repeated::test_the_mover_interval_covers_the_upper_limit",
    ),
    "limits_as_if_independent": Proof(
        NONE, "test_mass_and_shape::test_naive_pooling_is_shown_as_such_and_too_sure", NO_INTERVAL
    ),  # its interval is wrong on purpose
    "limits_of_agreement_anova": Proof(
        "test_repeated::test_cardiac_output_2007_true_value_varies",
        "test_repeated::test_the_analysis_of_variance_by_a_general_library",
        COVERAGE,
    ),
    "repeatability": Proof(
        "test_errors_and_shares::test_peak_flow_of_children_1996",
        "test_errors_and_shares::test_single_values_say_nothing_and_change_nothing",
        COVERAGE,
    ),
    "laboratory_repeatability": Proof(
        "test_errors_and_shares::test_within_person_variances_of_blood_pressure_1999",
        "test_errors_and_shares::test_without_repeats_a_declared_error_is_marked_as_assumed",
        COVERAGE,
    ),
    "field_repeatability": Proof(
        "test_errors_and_shares::test_smallest_real_change_of_blood_pressure_1999",
        "test_errors_and_shares::test_field_repeatability_is_between_the_days_of_one_window",
        COVERAGE,
    ),
    "trend": Proof(
        "test_trend::test_the_certified_line_of_norris",
        "test_trend::test_slope_spread_and_both_tests_against_a_general_library",
        COVERAGE,
    ),
    "ratio_limits": Proof(
        NONE,
        "test_ratio_and_quantile_limits::"
        "test_ratio_limits_are_the_geometric_mean_and_its_normal_limits",
        COVERAGE,
    ),
    "quantile_limits": Proof(
        "test_ratio_and_quantile_limits::test_quantile_limits_of_blood_pressure_1999",
        "test_ratio_and_quantile_limits::test_a_distribution_free_interval_needs_146_athletes",
        "test_ratio_and_quantile_limits::test_the_distribution_free_interval_covers",
    ),
    "shape": Proof(
        "test_mass_and_shape::test_shapiro_wilk_of_printed_weights",
        "test_mass_and_shape::test_shape_is_that_of_athletes_and_of_a_general_library",
        NO_INTERVAL,
    ),
    "mass_mismatch": Proof(
        NONE,
        "test_mass_and_shape::test_by_another_library",
        "test_mass_and_shape::test_coverage_of_the_slope",
    ),
    "profile_bias": Proof(
        "test_profiles::test_welch_on_plant_growth",
        "test_profiles::test_deviations_of_repeated_pairs_are_of_athlete_means",
        COVERAGE,
    ),
    "games_howell": Proof(
        "test_profiles_two_by_two::test_two_groups_are_welch_s_t_test_on_the_sleep_data",
        "test_profiles_two_by_two::test_three_groups_by_the_published_formula",
        "test_profiles_two_by_two::test_all_intervals_hold_at_once_under_unequal_spreads",
    ),
    "studentized_range_sf": Proof(
        "test_studentized_range::test_printed_points",
        "test_studentized_range::test_it_is_scipy_s",
        NO_INTERVAL,
    ),
    "equal_fitness": Proof(
        NONE,
        "test_profiles::test_at_equal_fitness_by_a_slow_loop_and_another_library",
        "test_profiles::test_equal_fitness_makes_no_bias",
    ),
    "welch_test": Proof(
        "test_profiles::test_welch_on_plant_growth",
        "test_profiles::test_against_general_libraries",
        NO_INTERVAL,
    ),
    "contrasts_with_overall": Proof(
        "test_profiles::test_two_groups_are_the_sleep_data",
        "test_profiles::test_against_general_libraries",
        COVERAGE,
    ),
    "brown_forsythe": Proof(
        "test_profiles::test_brown_forsythe_on_plant_growth",
        "test_profiles::test_against_general_libraries",
        NO_INTERVAL,
    ),
    "holm": Proof(NONE, "test_profiles::test_holm_against_a_general_library", NO_INTERVAL),
    "regression": Proof(
        "test_trend::test_the_certified_line_of_norris",
        "test_regression_error::test_line_error_and_intervals",
        COVERAGE,
    ),
    "fit_line": Proof(
        "test_trend::test_the_certified_line_of_norris",
        "test_regression_error::test_line_error_and_intervals",
        COVERAGE,
    ),
    "deming": Proof(
        "test_deming::test_pearson_1901",
        "test_deming::test_orthogonal_distance_regression_agrees",
        "test_deming::test_coverage_of_the_jackknife",
    ),
    "passing_bablok": Proof(
        "test_passing_bablok::test_giavarina_2015",
        "test_passing_bablok::test_same_bits_as_listing_every_slope",
        "test_passing_bablok::test_coverage_of_the_slope_interval",
    ),
    "clustered_intervals": Proof(
        NONE,
        "test_passing_bablok::test_clustered_intervals_by_resampling_and_by_projection_agree",
        "test_passing_bablok::test_coverage_of_the_clustered_interval",
    ),
    "linearity": Proof(NONE, "test_linearity::test_statistic_by_hand", NO_INTERVAL),
    "concordance": Proof(
        "test_concordance::test_corrected_variance_of_2000",
        "test_concordance::test_identity_on_the_peak_flow_data",
        "test_concordance::test_coverage",
    ),
    "intraclass_correlation": Proof(
        "test_concordance::test_shrout_fleiss_1979",
        "test_concordance::test_pingouin_agrees",
        "test_concordance::test_coverage",
    ),
    "errors_of_estimate": Proof(NONE, "test_errors_and_shares::test_errors_by_hand", COVERAGE),
    "wilson_interval": Proof(
        "test_errors_and_shares::test_newcombes_table",
        "test_errors_and_shares::test_shares_against_a_general_library",
        COVERAGE,
    ),
    "total_deviation_index": Proof(
        NONE,
        "test_errors_and_shares::test_total_deviation_index_holds_the_share",
        "test_errors_and_shares::test_the_upper_bound_of_the_index_covers",
    ),
    "equivalence": Proof(
        NONE,
        "test_equivalence::test_statsmodels_agrees",
        "test_equivalence::test_size_at_the_margin",
    ),
    "change": Proof(
        NONE,
        "test_change::test_slow_recomputation",
        "test_change::test_coverage_of_limits_and_slope_of_changes",
    ),
    "same_direction": Proof(NONE, "test_change::test_directions_by_hand", COVERAGE),
    "weighted_kappa": Proof(NONE, "test_change::test_weighted_kappa", COVERAGE),
    "response_difference": Proof(NONE, "test_change::test_response_is_mean_over_spread", COVERAGE),
    "two_estimators": Proof(
        NONE,
        "test_two_estimators::test_p_value_is_that_of_sum_and_difference",
        "test_two_estimators::test_coverage_and_size",
    ),
    "closer": Proof(
        NONE,
        "test_closer::test_the_flips_are_those_of_a_general_library",
        "test_closer::test_coverage_of_the_ratio",
    ),
    "pooled_profiles": Proof(
        NONE,
        "test_profiles::test_pooled_bias_by_drawing",
        "test_profiles::test_coverage_of_pooled_biases",
    ),
    "no_method": Proof(
        NONE,
        "test_no_method::test_skill_by_a_slow_loop",
        "test_no_method::test_the_interval_of_skill_covers",
    ),
    "p_acceptable": Proof(
        NONE,
        "test_no_method::test_p_meets_the_level_where_the_exact_limit_meets_the_margin",
        NO_INTERVAL,
    ),
    "own_correction": Proof(
        NONE,
        "test_own_correction::test_the_most_likely_share_is_that_of_a_mixed_model",
        "test_own_correction::test_own_correction_errs_less_and_covers",
    ),
    "chosen_calibration": Proof(
        NONE,
        "test_calibration::test_errors_of_the_line_by_leverage",
        "test_own_correction::test_error_of_the_squads_rule",
    ),
    "local_offset": Proof(
        NONE,
        "test_own_correction::test_held_local_intervals",
        "test_own_correction::test_coverage_along_a_spread_that_grows",
    ),
    "different_tests": Proof(
        NONE,
        "test_closer::test_held_comparisons_of_different_tests",
        "test_closer::test_coverage_of_different_tests",
    ),
    "calibration": Proof(
        NONE,
        "test_calibration::test_errors_by_a_slow_loop",
        "test_calibration::test_coverage_for_a_new_athlete",
    ),
    "budget": Proof(NONE, "test_budget::test_shares_by_every_order_and_another_library", RECOVERED),
    "averaging_curve": Proof(
        NONE,
        "test_averaging::test_observed_by_a_slow_loop",
        "test_budget_recovered::test_the_known_curve_is_recovered",
    ),
    "plan": Proof(
        "test_planning::test_printed_size_of_2016",
        "test_planning::test_smallest_size_for_a_precision",
        NO_INTERVAL,
    ),
    "half_width_of_limit": Proof(NONE, "test_planning::test_half_width_of_a_limit", NO_INTERVAL),
    "athletes_per_group": Proof(NONE, "test_planning::test_group_contrast", NO_INTERVAL),
    "power_of_verdict": Proof(
        "test_planning_power::test_the_published_sample_size",
        "test_planning_power::test_the_closed_form_is_the_power_where_the_bias_is_not_near_zero",
        NO_INTERVAL,
    ),
    "athletes_needed": Proof(
        "test_planning_power::test_the_published_sample_size",
        "test_planning_power::test_the_answer_is_the_smallest",
        NO_INTERVAL,
    ),
    "simulated_power": Proof(
        NONE, "test_planning::test_simulated_power_is_the_integral", NO_INTERVAL
    ),
    "power_curve": Proof(NONE, "test_planning::test_power_curve_rises", NO_INTERVAL),
    "athletes_needed_clustered": Proof(
        NONE, "test_planning::test_several_pairs_need_fewer_athletes", NO_INTERVAL
    ),
    "bootstrap": Proof(
        "test_bootstrap::test_the_printed_example_of_1993",
        "test_bootstrap::test_bca_of_one_row_each_is_that_of_a_general_library",
        "test_bootstrap::test_the_interval_and_the_p_value_of_a_mean_are_a_little_liberal",
    ),
    "bootstrap_of_sums": Proof(
        "test_bootstrap::test_the_printed_example_of_1993",
        "test_bootstrap::test_both_routes_agree",
        COVERAGE,
    ),
    "limit_factors": Proof(
        "test_tolerance::test_factors_of_limits",
        "test_tolerance::test_the_factor_of_one_limit_by_direct_integration",
        "test_limits::test_the_exact_interval_covers_the_upper_limit",
    ),
    "approximate_factors": Proof(
        "test_limits::test_peak_flow_1986_intervals",
        "test_tolerance::test_the_large_sample_form_takes_over_without_a_step",
        NO_INTERVAL,
    ),  # kept to reproduce older papers; the docstring says on which side it flatters
    "tolerance_factor": Proof(
        "test_tolerance::test_two_sided_tolerance_factors",
        "test_tolerance::test_tolerance_factors_hold_what_they_say",
        "test_tolerance::test_tolerance_factors_hold_what_they_say",
    ),
    "howe_factor": Proof(
        "test_tolerance::test_the_handbooks_approximation",
        "test_tolerance::test_tolerance_factors_hold_what_they_say",
        NO_INTERVAL,
    ),
    "variance_interval": Proof(
        "test_repeated::test_cardiac_output_unweighted_form_with_mover_interval", COVERAGE, COVERAGE
    ),
    "interval_of_difference": Proof(NONE, RECOVERED, COVERAGE),
    "mover_half_widths": Proof(
        "test_repeated::test_cardiac_output_unweighted_form_with_mover_interval",
        "test_repeated::test_the_mover_interval_covers_the_upper_limit",
        "test_repeated::test_the_mover_interval_covers_the_upper_limit",
    ),
    "sd_interval": Proof(
        "test_errors_and_shares::test_peak_flow_of_children_1996",
        "test_regression_error::test_line_error_and_intervals",
        COVERAGE,
    ),
    "t_interval": Proof(
        "test_profiles::test_two_groups_are_the_sleep_data",
        "test_regression_error::test_line_error_and_intervals",
        COVERAGE,
    ),
    "squared_correlation_interval": Proof(
        NONE,
        "test_beside_vo2max::test_share_explained_and_slope_against_a_general_library",
        "test_beside_vo2max::test_intervals_of_means_and_share_explained_cover",
    ),
    "correlation_interval": Proof(
        NONE, "test_regression_error::test_line_error_and_intervals", COVERAGE
    ),
    "verdict": Proof(NONE, "test_verdict::test_outcomes", NO_INTERVAL),
    "judge": Proof(
        NONE, "test_deciding::test_held_verdicts", "test_what_may_be_said::test_what_is_accepted"
    ),
    "limits_at_fitness": Proof(NONE, "test_deciding::test_held_limits_at_fitness", NO_INTERVAL),
    "two_piece_limits": Proof(NONE, "test_deciding::test_held_limits_of_two_pieces", NO_INTERVAL),
    "athletes_to_decide": Proof(NONE, "test_deciding::test_held_designs", NO_INTERVAL),
    "sem_needed": Proof(
        NONE, "test_verdict::test_the_laboratory_error_that_would_do_is_named", NO_INTERVAL
    ),
    "real_change": Proof(
        NONE,
        "test_real_change::test_held_real_changes",
        "test_real_change::test_what_the_card_says_holds_for_athletes_who_did_not_change",
    ),
    "true_changes": Proof(NONE, "test_real_change::test_held_true_changes", NO_INTERVAL),
    "week_to_week": Proof(NONE, "test_real_change::test_held_weeks", NO_INTERVAL),
    "structural_slope": Proof(
        NONE,
        "test_structural::test_held_values",
        "test_structural::test_the_interval_holds_the_true_slope",
    ),
    "limits_by_convention": Proof(
        "test_parts_and_slopes::test_the_factor_t_is_that_of_the_printed_table",
        "test_parts_and_slopes::test_limits_by_convention_hang_on_their_factor",
        NO_INTERVAL,
    ),
    "drift": Proof(
        NONE,
        "test_parts_and_slopes::test_slopes_of_one_pair_each_are_those_of_least_squares",
        COVERAGE,
    ),
}
PROOFS |= {
    "coverage_by_profile": Proof(
        NONE,
        "test_intensity_coverage::test_the_interval_of_the_share_explained",
        "test_intensity_coverage::test_the_interval_of_the_share_covers",
    ),
    "error_split": Proof(
        NONE,
        "test_error_split::test_the_parts_add_up_and_their_spread_is_that_of_any_library",
        NO_INTERVAL,
    ),
    "averaging_rules": Proof(NONE, "test_averaging_rules::test_by_hand", NO_INTERVAL),
    "interval_width": Proof(
        "test_interval_width::test_widths_are_those_of_the_printed_rule",
        "test_interval_width::test_the_number_that_halves_is_the_first_that_does",
        NO_INTERVAL,
    ),
    "across_modes": Proof(
        "test_across_modes::test_what_the_modes_make_is_in_proportion_to_the_laboratory",
        "test_across_modes::test_bias_and_limits_are_those_of_the_pairs",
        COVERAGE,
    ),
}
# analyses of the results table that show a statistic of another name
SHOWN_BY = {
    "structural": "structural_slope",
    "error": "errors_of_estimate",
    "intensity_coverage": "coverage_by_profile",
    "averaging_rule": "averaging_rules",
    "limits_by_level": "trend",
    "profile_at_equal_level": "equal_fitness",
    "profiles_two_by_two": "games_howell",
    "slope_on_one_method": "drift",
    "threshold_agreement_hr": "threshold_agreement",
    **dict.fromkeys(
        (
            "choice_of_pairs",
            "borderline_moved",
            "by_sex",
            "by_age",
            "by_fortnight",
            "pairing_rule",
            "limits_by_rule",
        ),
        "limits_by_athlete",
    ),
}
# public functions that compute no statistic of their own: checks, sums, rows, sorting, words
PARTS = {
    *("mean_row", "laboratory_results", "ordered_repeats", "rests_on_few"),
    *("athlete_codes", "kept_share", "cluster_resampling", "clusters", "limit_factor", "day_sums"),
    *(
        "lines_from_sums",
        "sums_about",
        "without_each_pair",
        "rotated_slopes",
        "moments",
        "products",
    ),
    *("checked_share", "t_p_value", "said_p", "checked_pairs"),
    *("groups_rows", "reading", "age_name"),
    *("counted_rows", "counted_together", "uptake_counts", "masses_of"),
    *(
        "age_bands",
        "fortnight_name",
        "weighted_lines",
        "cusum_statistic",
        "empty_rows",
        "assembled",
    ),
    *("in_table_order", "analyse", "method_data", "as_whole_numbers", "kept_slopes", "alike_pairs"),
    *(
        "slopes_at_ranks",
        "count_inversions",
        "rows_frame",
        "rows_from",
        "rows_of",
        "in_group",
        *("told_rows", "odd", "odd_columns", "chance_of_equal", "same_methods", "copied_series"),
        "html_table",
    ),
    *(
        "expected_mode_effect",
        "lab_tests_behind",
        *("decided_by", "expected_outer", "implausible", "against_of"),
        *(
            "several_judged",
            "material_of",
            "outcome_without",
            *("laboratory_from", "laboratory_or_unknown", "declared_variance"),
            *("repeated_units", "repeats_differ"),
            "once",
            "forget",
            "group_at",
            "pair_keys",
        ),
        *("judged", "judged_against"),
        "failed_in_words",
        "visit_sums",
        "visit_changes",
        "persistent_variance",
        "resampled_slope",  # of slopes on one method and of drift, which have proofs of their own
        "parts",
    ),
    *(
        "who_counts",
        "variance_ends",
        "split",
        "too_few_athletes",
        "wrong_inputs",
    ),
    # a second pair of eyes: proved in tests/doubts by what it must find and what it must not
    *("rounding_step", "spread_of_most", "chance_of_closeness", "chance_of_all"),
    *("too_close", "twins", "two_bodies", "mixed_uptakes", "mixed_masses", "odd_methods"),
    *("odd_values", "other_mode", "swapped_columns", "sides_of", "sides_together", "is_whole"),
    *("study_doubts", "paired_doubts", "laboratory_doubts"),
    *("smallest_number", "ratio_words", "wrong_mass", "wrong_hr_max", "require_enough"),
    *("describe", "limits_as_printed", "same_numbers"),
    *(
        "half_t_grid",
        "grid_weights",
        "on_grid",
        "grid_quantile",
        "mixture_quantile",
        "mixture_quantiles",
        *("jackknife_error", "quiet_pingouin", "caution"),
    ),
    *("judged_together", "p_of_limits", "rests_on_few"),
    *("uneven_along", "pooled_biases", "athletes_by_profile", "holm_over_all", "all_counted"),
    *("log_size", "overlapping_df", "methods_compared"),
    *("random_effects", "moderator", "admitted"),  # test_several_studies.py
    *("history_lines", "continued", "steps", "looks"),  # tests/report/test_grown.py
    "powers",
    *(
        "noted",
        "own_doubts",
        "side_by_side",
        "outcome_of",
        *(
            "declared",
            "recorded",
            "computed_as",
            "with_coverage",
            "two_names",
        ),  # how records are written
        *("bias_and_sd", "assumed_within"),  # of pools and plans: tests/report
        "two_seasons_by_numbers",  # Welch's on printed numbers: test_several_studies
    ),  # how the whole is computed at once
}


def functions(path):
    tree = ast.parse(path.read_text(encoding="utf-8"))
    return [node.name for node in tree.body if isinstance(node, ast.FunctionDef)]


def public():
    """Public functions of the statistics; those that only feed a study to one end in `_of`."""
    for path in sorted(STATS.rglob("*.py")):
        for name in functions(path):
            feeds = name.endswith("_of") or name in ("z_of", "limit_factor")
            if not name.startswith("_") and not feeds:
                yield name


def exists(test):
    file, function = test.split("::")
    path = TESTS / "stats" / f"{file}.py"
    return path.is_file() and function in functions(path)


def test_no_statistic_is_missing():
    known = {*PROOFS, *PARTS}
    assert set(public()) - known == set()
    shown = {SHOWN_BY.get(analysis.name, analysis.name) for analysis in ANALYSES}
    assert shown - set(PROOFS) == set()


def test_nothing_is_listed_that_is_gone():
    analyses = {analysis.name for analysis in ANALYSES}
    assert set(PROOFS) - set(public()) - analyses == set()
    assert set(SHOWN_BY) <= analyses


@pytest.mark.parametrize("statistic", PROOFS)
def test_every_proof_is_a_test(statistic):
    proof = PROOFS[statistic]
    assert proof.source == NONE or exists(proof.source)
    assert exists(proof.independent)
    assert proof.coverage == NO_INTERVAL or exists(proof.coverage)
