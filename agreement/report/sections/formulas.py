"""How every statistic of the results table is computed, in words, and who published it."""

from collections.abc import Container, Iterable
from typing import Final, NamedTuple

from agreement.stats.catalogue import ANALYSES
from agreement.stats.record import Analysis


class Formula(NamedTuple):
    """One row of the list."""

    analyses: tuple[str, ...]  # whose statistics it explains
    statistic: str
    how: str
    source: str


_SIGN: Final = Formula((), "difference d", "field minus laboratory", "sign fixed here")
_RESAMPLED: Final = Formula(
    (),
    "resampled intervals",
    "athletes drawn with replacement, corrected for bias and skewness (BCa); of fewer than 30 "
    "athletes the jackknife's Student interval",
    "Efron & Tibshirani 1993",
)


def formulas(
    analyses: Iterable[Analysis] = ANALYSES, names: Container[str] | None = None
) -> tuple[Formula, ...]:
    """Return the formulas of analyses, or of some statistics; one row for those that share one."""
    alike: dict[tuple[str, str], list[tuple[Analysis, str]]] = {}
    for analysis in analyses:
        for one in analysis.statistics:
            if names is not None and one.name not in names:
                continue
            alike.setdefault((one.formula, one.source), []).append((analysis, one.label))
    rows = (Formula(*_names(found), *key) for key, found in alike.items())
    return (_SIGN, *rows, _RESAMPLED)


def _names(found: list[tuple[Analysis, str]]) -> tuple[tuple[str, ...], str]:
    """Return names of analyses, and of one or two statistics, or what more of them are part of."""
    labels = dict.fromkeys(label for _, label in found)
    if len(labels) > 2:
        labels = dict.fromkeys(analysis.label for analysis, _ in found)
    return tuple(dict.fromkeys(analysis.name for analysis, _ in found)), "; ".join(labels)
