"""The texts of a report that do not depend on its numbers: cautions, methods, sources."""

from html import escape
from typing import Final

from agreement.report.markup import Block, bullets, paragraph
from agreement.tables.options import Pairing, StudyOptions
from agreement.terms import CAUTIONS

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


def cautions_block() -> Block:
    """Return the cautions that every report carries."""
    return Block(f'<div class="caution">{bullets(escape(text) for text in CAUTIONS).html}</div>')


def methods_block(options: StudyOptions) -> Block:
    """Return the rules in force as sentences to quote, with their sources."""
    rules = [
        _reference_sentence(options),
        f"Readings of a device or of training sessions: {_pairing_sentence(options.pairing)}",
        f"Results of field tests: {_pairing_sentence(options.pairing_field_tests)}",
        (
            "A difference is field minus laboratory. Bias and 95 % limits of agreement are given with "
            "the exact interval of each limit; where athletes have several pairs, in the unweighted-"
            "means form, and every other interval by resampling athletes."
        ),
        (
            "Limits are left out below 10 athletes; of a training profile below 5 athletes only the "
            "points are shown."
        ),
    ]
    text = "".join(paragraph(rule).html for rule in rules)
    return Block(f"{text}<h3>Sources</h3>{bullets(map(escape, SOURCES), 'ol').html}")


def _reference_sentence(options: StudyOptions) -> str:
    rule = options.reference.averaging_rule
    known = (
        f"averaged by the rule \u201c{escape(rule)}\u201d" if rule else "as the laboratory gave it"
    )
    return (
        f"The reference is VO2max from gas exchange, {known}; tests of one athlete at most "
        f"{options.reference.repeat_within_days} days apart count as repeats and are averaged."
        f"{_breaths_as_chosen(options)}"
    )


def _breaths_as_chosen(options: StudyOptions) -> str:
    """Say where values from breath files were not computed in the usual way."""
    unlike = []
    if not options.reference.edit_breaths:
        unlike.append("no breath was left out for lying far from its neighbours")
    if options.reference.fixed_bins_from == "clock":
        unlike.append("fixed bins of seconds count from 0 of the recording")
    return f" In breath files, by choice of this study, {' and '.join(unlike)}." if unlike else ""


def _pairing_sentence(rule: Pairing) -> str:
    same = "included" if rule.same_day else "left out"
    return (
        f"those from {rule.days_before} days before to {rule.days_after} days after a laboratory "
        f"test belong to it, its own day {same}; the {rule.summary} of the days within "
        f"{rule.summary_days} days of the test stands for them, if there are at least "
        f"{rule.minimum_days}."
    )
