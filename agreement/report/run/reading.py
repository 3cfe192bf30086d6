"""Read a study for a report, with all that a report must know; a report may have it read elsewhere."""

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import replace
from pathlib import Path
from typing import Final

from agreement.cohort import Cohort, read_cohort
from agreement.errors import TooManyPairsError
from agreement.report.run.folder import earlier_report, require_athletes_as_before
from agreement.tables.study_file import PUBLISHED_FILE

MOST_PAIRS: Final = 60_000  # 40 000 take 1.2 GB
Reader = Callable[..., Cohort]


def read_for_report(
    study: str | Path,
    *,
    earlier: Path | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Cohort:
    """
    Read a study folder as `agreement.read_cohort`, `published.toml` and the earlier report with it.

    earlier: the folder of an earlier report of this study.
    Raises TableError with everything that has to be put right first.
    Raises TooManyPairsError if a report would have to name too many athletes.
    """
    if os.path.lexists(Path(study) / PUBLISHED_FILE):  # else spares the import of the statistics
        from agreement.report.run.published_file import read_with_published

        cohort = read_with_published(study, progress=progress)
    else:
        cohort = read_cohort(study, progress=progress)
    require_athletes_as_before(cohort.study, earlier)
    if (found := len(cohort.pairs)) > MOST_PAIRS:
        raise TooManyPairsError(
            f"The study makes {found} pairs; a report that names every athlete takes up to "
            f"{MOST_PAIRS}. Move the field estimates into a folder 'field_estimates' in place of "
            "the one table: the report is then a page for a registry. 'agreement pair' works as it is."
        )
    again = replace(cohort, earlier=earlier_report(earlier))
    vars(again)["doubts"] = cohort.doubts  # of the study alone
    return again


_READER: ContextVar[Reader] = ContextVar("reader", default=read_for_report)
reader = _READER.get


@contextmanager
def read_by(other: Reader) -> Iterator[None]:
    """Have studies in the block read by another function of study and earlier report."""
    token = _READER.set(other)
    try:
        yield
    finally:
        _READER.reset(token)
