"""Read a study for a report, with all that a report must know; a report may have it read elsewhere."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import replace
from pathlib import Path
from typing import Final

from agreement.cohort import Cohort
from agreement.errors import Problem, TooManyPairsError
from agreement.report.run.earlier import earlier_report, require_athletes_as_before
from agreement.report.run.published_file import read_with_published
from agreement.stats.evidence import EarlierReport

MOST_PAIRS: Final = 60_000  # 40 000 take 1.2 GB
Reader = Callable[..., Cohort]


def read_for_report(
    study: str | Path,
    *,
    earlier: Path | None = None,
    progress: Callable[[int, int], None] | None = None,
    paired: Cohort | None = None,
) -> Cohort:
    """
    Read a study folder as `agreement.read_cohort`, `published.toml` and the earlier report with it.

    earlier: the folder of an earlier report of this study.
    progress, paired: as for `agreement.cohort.inspect_cohort`.
    Raises TableError with everything that has to be put right first.
    Raises TooManyPairsError if a report would have to name too many athletes.
    """
    cohort = read_with_published(study, progress=progress, paired=paired)
    require_athletes_as_before(cohort.study, earlier)
    if (found := len(cohort.pairs)) > MOST_PAIRS:
        raise TooManyPairsError(
            f"The study makes {found} pairs; a report that names every athlete takes up to "
            f"{MOST_PAIRS}. Move the field estimates into a folder 'field_estimates' in place of "
            "the one table: the report is then a page for a registry. 'agreement pair' works as it is."
        )
    return completed(cohort, cohort.doubts, earlier_report(earlier))


def completed(cohort: Cohort, doubts: tuple[Problem, ...], earlier: EarlierReport | None) -> Cohort:
    """Return a cohort with what was found about its study, and the earlier report."""
    again = replace(cohort, earlier=earlier)
    vars(again)["doubts"] = doubts
    if "evidence" in vars(cohort):
        vars(again)["evidence"] = replace(cohort.evidence, earlier=earlier)
    return again


_READER: ContextVar[Reader] = ContextVar("reader", default=read_for_report)
reader = _READER.get


@contextmanager
def read_by(other: Reader) -> Iterator[None]:
    """Have studies in the block read by another function with the parameters of `read_for_report`."""
    token = _READER.set(other)
    try:
        yield
    finally:
        _READER.reset(token)
