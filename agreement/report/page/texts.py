"""The texts of a report that do not depend on its numbers: cautions, methods, sources."""

from typing import Final

from agreement.report.page.markup import Block, bullets, element, heading, joined, paragraph
from agreement.tables.options import PairingOptions, ProfileOptions, StudyOptions
from agreement.terms import CAUTIONS, counted

SOURCES: Final = (
    (
        "Bland JM, Altman DG. Statistical methods for assessing agreement between two methods of "
        "clinical measurement. Lancet 1986;i:307-310. (bias and limits of agreement)"
    ),
    (
        "Bland JM, Altman DG. Agreement between methods of measurement with multiple observations per "
        "individual. J Biopharm Stat 2007;17:571-582. (several pairs per athlete)"
    ),
    (
        "Carkeet A. Exact parametric confidence intervals for Bland-Altman limits of agreement. Optom "
        "Vis Sci 2015;92:e71-e80. (interval of each limit)"
    ),
    (
        "Zou GY. Confidence interval estimation for the Bland-Altman limits of agreement with multiple "
        "observations per individual. Stat Methods Med Res 2013;22:630-642. (their interval when "
        "athletes repeat)"
    ),
    (
        "Welch BL. On the comparison of several mean values. Biometrika 1951;38:330-336; Holm S. A "
        "simple sequentially rejective multiple test procedure. Scand J Stat 1979;6:65-70. (bias by "
        "training profile)"
    ),
    (
        "Koenker R. A note on studentizing a test for heteroscedasticity. J Econometrics 1981;17:107-"
        "112. (spread that depends on the level)"
    ),
    (
        "Linnet K. Evaluation of regression procedures for methods comparison studies. Clin Chem "
        "1993;39:424-432; Passing H, Bablok W. J Clin Chem Clin Biochem 1983;21:709-720. (lines with "
        "error on both sides)"
    ),
)

IN_THREE_LINES: Final = (
    "This describes how two methods agree. It does not diagnose, clear or prescribe.",
    "Local rules first: screen before a maximal test; stop it for warning signs or when asked to.",
    "Heart-rate-based estimates are not valid under drugs that limit heart rate.",
)


def cautions_block(*, short: bool = False) -> Block:
    """Return the cautions that every report carries; `short`: in three lines."""
    told = IN_THREE_LINES if short else CAUTIONS
    return Block(element("div", bullets(told), class_="caution"))


def methods_block(options: StudyOptions) -> Block:
    """Return the rules in force as sentences to quote, with their sources."""
    rules = [
        _reference_sentence(options),
        f"Readings of a device or of training sessions: {_pairing_sentence(options.pairing)}",
        f"Results of field tests: {_pairing_sentence(options.pairing_field_tests)}",
        *_zone_sentence(options.study.time_zone),
        _profile_sentence(options.profile),
        (
            "A difference is field minus laboratory. Bias and 95 % limits of agreement are given with "
            "the exact interval of each limit; where athletes have several pairs, in the unweighted-"
            "means form, and every other interval by resampling athletes (fewer "
            "than 30: by leaving out each in turn)."
        ),
        (
            "Limits are left out below 10 athletes; of a training profile below 5 athletes only the "
            "points are shown."
        ),
    ]
    return joined([*map(paragraph, rules), heading("Sources"), bullets(SOURCES, "ol")])


def _reference_sentence(options: StudyOptions) -> str:
    rule = options.reference.averaging_rule
    known = f"averaged by the rule \u201c{rule}\u201d" if rule else "as the laboratory gave it"
    return (
        f"The reference is VO2max from gas exchange, {known}; tests of one athlete at most "
        f"{counted(options.reference.repeat_within_days, 'day')} apart count as repeats and are "
        "averaged."
        f"{_breaths_as_chosen(options)}"
    )


def _breaths_as_chosen(options: StudyOptions) -> str:
    """Say where values from breath files were not computed in the usual way."""
    unlike = []
    if options.reference.edit_breaths:
        unlike.append("breaths far from their neighbours were left out")
    if options.reference.fixed_bins_from == "clock":
        unlike.append("fixed bins of seconds count from 0 of the recording")
    if options.reference.last_bin != "drop":
        unlike.append("a last fixed bin of at least half its length counts")
    return f" In breath files, by choice of this study, {' and '.join(unlike)}." if unlike else ""


def _pairing_sentence(rule: PairingOptions) -> str:
    same = "included" if rule.same_day else "left out"
    return (
        f"those from {counted(rule.days_before, 'day')} before to "
        f"{counted(rule.days_after, 'day')} after a laboratory "
        f"test belong to it, its own day {same}; the {rule.summary} of the days within "
        f"{counted(rule.summary_days, 'day')} of the test stands for them, if "
        f"{'there is' if rule.minimum_days == 1 else 'there are'} at least {rule.minimum_days}."
    )


def _zone_sentence(zone: str | None) -> list[str]:
    """Name the zone in which times without an offset are read and days begin."""
    if zone is None:
        return []
    return [f"Days are calendar days in {zone}; times without an offset are read there."]


def _profile_sentence(rules: ProfileOptions) -> str:
    """Return the rules that name a training profile, with every threshold."""
    if rules.use == "stated":
        return "Training profiles are those that the athletes table states."
    without = " Without sessions it is the one that the athletes table states."
    return (
        f"A training profile is read from the sessions of the {rules.window_days} days before a "
        f"test, where there are at least {counted(rules.minimum_sessions, 'session')}, "
        f"{rules.minimum_hours:g} hours, {counted(rules.minimum_weeks, 'week')} with a session, and "
        f"heart rate in {_share(rules.minimum_hr_share)} of the time. From samples the low zone ends "
        f"at {_share(rules.zone2_from_share_of_hr_max)} of the maximal heart rate and the high zone "
        f"begins at {_share(rules.zone3_from_share_of_hr_max)}{_own_zones(rules)}. Intermittent sport: no mode of "
        f"exercise fills {_share(rules.intermittent_top_mode_share)} of the time, or "
        f"{_share(rules.intermittent_session_share)} of the sessions are intermittent. Low-intensity "
        f"volume: at least {_share(rules.low_zone1_share)} of the time in the low zone, less than "
        f"{_share(rules.low_zone3_share)} in the high, and {_share(rules.low_long_share)} of the time "
        f"in sessions of {rules.long_session_min:g} min or more, or a median session of "
        f"{rules.low_median_min:g} min or more. Short high-intensity: at least "
        f"{_share(rules.high_zone23_share)} of the time above the low zone, or "
        f"{_share(rules.high_zone3_share)} in the high, and a median session of at most "
        f"{rules.high_median_min:g} min. Balanced: all else. The thresholds are common practice, "
        f"without a source; each is a key of [profile] in the study file.{without if rules.use is None else ''}"
    )


def _own_zones(rules: ProfileOptions) -> str:
    if rules.zones == "share of HRmax":
        return ""
    return (
        "; of athletes whose laboratory test told both ventilatory thresholds they begin at the heart "
        "rates there, those of the raters before computed ones"
    )


def _share(share: float) -> str:
    """
    Return a share in per cent, a half as a fraction.

    >>> _share(0.9), _share(0.825)
    ('90 %', '82\u00bd %')
    """
    text = f"{100 * share:g}"
    return f"{text.removesuffix('.5')}\u00bd %" if text.endswith(".5") else f"{text} %"
