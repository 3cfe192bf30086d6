"""What is said of one method once the other methods of the study are counted."""

from agreement.stats.causes.profile_bias import holm_over_all
from agreement.stats.method_results import MethodResults
from agreement.stats.record import HasFrame
from agreement.stats.result_rows import Labelled

Studied = tuple[MethodResults, list[Labelled]]


def all_counted(studied: list[Studied]) -> list[Studied]:
    """
    Correct over all methods and modes what each of them would find by chance.

    Parameters
    ----------
    studied : list of (MethodResults, list of Labelled)
        Results of each method and mode, and their rows.
    """
    having = [k for k, (results, _) in enumerate(studied) if results.profile_bias is not None]
    biases = holm_over_all([studied[k][0].profile_bias for k in having])
    counted = list(studied)
    for k, bias in zip(having, biases, strict=True):
        counted[k] = _with(counted[k], "profile_bias", bias)
    return counted


def _with(one: Studied, name: str, result: HasFrame) -> Studied:
    """Return results and rows with one of them in the place of another."""
    results, rows = one
    renewed = [
        row._replace(frame=result.to_frame()) if row.analysis == name else row for row in rows
    ]
    return results.with_results(**{name: result}), renewed
