"""What is said of one method once the other methods of the study are counted."""

from dataclasses import replace
from math import isnan, nan

from agreement.stats.basics.welch import holm
from agreement.stats.causes.profile_bias import holm_over_all
from agreement.stats.method_results import MethodResults
from agreement.stats.record import HasFrame
from agreement.stats.result_rows import Labelled, rows_of
from agreement.stats.verdict.counted import SQUAD_TOO_ALIKE, Counted, p_acceptable, p_of_limits
from agreement.stats.verdict.verdict import Verdict
from agreement.stats.verdict.yardsticks import ALPHA, TRUE_VALUE

Studied = tuple[MethodResults, list[Labelled]]


def all_counted(studied: list[Studied]) -> list[Studied]:
    """
    Correct over all methods and modes what each of them would find by chance.

    studied: results of each method and mode, and their rows.
    """
    having = [k for k, (results, _) in enumerate(studied) if results.profile_bias is not None]
    biases = holm_over_all([studied[k][0].profile_bias for k in having])
    counted = list(studied)
    for k, bias in zip(having, biases, strict=True):
        counted[k] = _with(counted[k], "profile_bias", bias)
    verdicts = judged_together([results for results, _ in counted])
    return [_with(one, "verdict", found) for one, found in zip(counted, verdicts, strict=True)]


def judged_together(methods: list[MethodResults]) -> list[Verdict]:
    """
    Return the verdicts of several methods, each beside all of them and beside a constant.

    Holm over all methods and modes with a margin and 10 athletes or more. Where one number for
    everybody is acceptable too, an acceptable verdict carries the code ``squad_too_alike``.
    """
    alone = [_p(one.verdict) for one in methods]
    judged = [p for p in alone if not isnan(p)]
    corrected = iter(holm(judged).tolist())
    return [
        _counted(one, p, nan if isnan(p) else next(corrected), len(judged))
        for one, p in zip(methods, alone, strict=True)
    ]


def _p(verdict: Verdict) -> float:
    """Return the p value of one verdict, by its yardstick; NaN where nothing is judged."""
    net = verdict.against == TRUE_VALUE
    limits = verdict.own if net else verdict.limits
    if limits is None or verdict.margin is None or verdict.too_few or verdict.judgement is None:
        return nan
    if verdict.limits is not None and verdict.n == verdict.n_pairs and not net:
        found = verdict.limits
        return p_acceptable(found.bias, found.sd, found.n, verdict.margin, coverage=found.coverage)
    return p_of_limits(limits, verdict.margin)


def _counted(one: MethodResults, p: float, corrected: float, methods: int) -> Verdict:
    verdict: Verdict = one.verdict
    beside, acceptable, met = one.no_method, None, verdict.outcome == "acceptable"
    if not isnan(p) and verdict.outcome != "withheld":
        acceptable = met and corrected <= ALPHA / 2 / verdict.agreed.planned_looks
    flat = one.structural is not None and not one.structural.excludes_zero
    apart = False if flat else None
    if beside is not None and not isnan(beside.skill_interval.low):
        apart = beside.skill_interval.low > 0.0 and not flat
    counted = Counted(p, acceptable, methods, apart, flat)
    alike = met and beside is not None and beside.passes
    doubted = bool(one.doubts) or alike or (met and apart is False)
    code = SQUAD_TOO_ALIKE if alike else verdict.code
    return replace(verdict, code=code, counted=counted, in_doubt=doubted)


def _with(one: Studied, name: str, result: HasFrame) -> Studied:
    """Return results and rows with one of them in the place of another."""
    results, rows = one
    renewed = [row._replace(rows=rows_of(result)) if row.analysis == name else row for row in rows]
    return replace(results, found={**results.found, name: result}), renewed
