"""The texts of a report that do not depend on its numbers: cautions, methods, sources."""

from typing import Final

from agreement.report.page.machine import said
from agreement.report.page.markup import Block, bullets, element
from agreement.tables.options import StudyOptions
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
    breaths = options.reference
    chosen = {  # what is unlike the usual in values from breath files
        "breaths far from their neighbours were left out": breaths.edit_breaths,
        "fixed bins of seconds count from 0 of the recording": breaths.fixed_bins_from == "clock",
        "a last fixed bin of at least half its length counts": breaths.last_bin != "drop",
    }
    unlike = [words for words, is_so in chosen.items() if is_so]
    return Block(said("methods", "block", options=options, unlike=unlike, sources=SOURCES))
