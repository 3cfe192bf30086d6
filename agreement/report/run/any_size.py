"""What the command line does with a study, whatever its size: in memory, or streamed in parts."""

import os
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from agreement.errors import Problem, TooManyPairsError
from agreement.scale.engine import Progress, engine
from agreement.tables.columns import TABLES
from agreement.tables.options import FileFormat, Kind
from agreement.tables.paths import path_problem, toml_inside

if TYPE_CHECKING:
    from agreement.report.run.write import WrittenReport

MOST_IN_MEMORY: Final = 2_000_000  # estimates in parts that an ordinary report still takes


def in_parts(study: Path) -> bool:
    """
    Whether the estimates of a study are a folder of parts.

    Asked before anything heavy is imported; False too for a study file that cannot be read, which
    the reading that follows will say.
    """
    found = estimates_folder(study)
    if found is None:
        return False
    from agreement.tables.export_folders import holds_exports

    folder, holds = found
    form = FileFormat(folder=holds if holds in ("exports", "parts") else None)
    return not holds_exports(folder, TABLES["field_estimates"], form)


def estimates_folder(study: Path) -> tuple[Path, Any] | None:
    """Return the folder that stands for a study's estimates, and what it is said to hold."""
    try:
        stated = toml_inside(study, "study.toml")
        form = stated.get("files", {}).get("field_estimates", {})
        path, holds = form.get("path", "field_estimates"), form.get("folder")
    except (ValueError, AttributeError):
        path, holds = "field_estimates", None
    if not isinstance(path, str) or path_problem(study, path) or not (study / path).is_dir():
        return None
    return study / path, holds


ALONE: Final = "A study that fits into memory is reported by one process: --workers and --scheduler were not used."


def by_session(progress: Progress | None) -> Callable[[int, int], None] | None:
    """Return what tells of the session files read, as the physiology calls it."""
    if progress is None:
        return None
    return lambda done, total: progress(done, total, "Reading sessions")


def check_study(
    study: Path,
    *,
    workers: int | None = None,
    scheduler: str | None = None,
    progress: Progress | None = None,
) -> tuple[bool, tuple[Problem, ...]]:
    """
    Find everything wrong with a study: stops, then what was set aside, then notes.

    workers, scheduler: as `agreement.scale.engine.engine` takes them, for estimates in parts.
    progress: called with (done, total, stage).
    """
    from agreement.tables.study_file import PUBLISHED_FILE

    cohort = None
    with engine(workers, scheduler) as mapper:
        if in_parts(study):
            mapper.begin()
            from agreement.scale.streamed import inspect_streamed
            from agreement.tables.whole_output import work_folder

            with work_folder() as work:
                found, problems = inspect_streamed(
                    study, work, mapper, write=False, progress=progress
                )
            usable = found is not None
        else:
            from agreement.cohort import inspect_cohort

            cohort, problems = inspect_cohort(study, progress=by_session(progress))
            usable = cohort is not None
    if not os.path.lexists(study / PUBLISHED_FILE):  # spares the import of the statistics
        return usable, problems
    from agreement.report.run.published_file import with_published

    pairs = None if cohort is None else cohort.pairs
    places = None if pairs is None else set(zip(pairs["method"], pairs["mode"], strict=True))
    return with_published(study, usable, problems, places)


def pair_study(
    study: Path,
    out: Path,
    *,
    workers: int | None = None,
    scheduler: str | None = None,
    progress: Progress | None = None,
) -> tuple[Path, ...]:
    """Write pairs, exclusions and flow; parameters as for `check_study`."""
    with engine(workers, scheduler) as mapper:
        parts = mapper if in_parts(study) else None
        if parts is not None:
            parts.begin()
        from agreement.report.run.write_pairs import write_pairs

        return write_pairs(study, out, engine=parts, progress=progress)


def report_study(
    study: Path,
    out: Path | None,
    *,
    kind: Kind | None = None,
    pdf: bool = False,
    png: bool = False,
    kernel: bool = False,
    cache: bool = False,
    workers: int | None = None,
    scheduler: str | None = None,
    progress: Progress | None = None,
) -> "WrittenReport":
    """
    Write a report: with its notebook, or streamed when the study is too large for memory.

    Parameters as for `check_study` and `agreement.report.run.write.write_report`.
    """
    from agreement.report.run.write import write_report

    ways = {"pdf": pdf, "png": png, "kernel": kernel, "cache": cache}
    parts, rows = in_parts(study), 0
    if parts:
        from agreement.scale.streamed import rows_in_parts

        rows = rows_in_parts(study) or 0
    if rows <= MOST_IN_MEMORY:
        try:
            written = write_report(study, out, kind=kind, progress=progress, **ways)
        except TooManyPairsError:
            if not parts:
                raise
        else:
            unasked = () if workers is None and scheduler is None else (ALONE,)
            return replace(written, remarks=(*written.remarks, *unasked))
    from agreement.report.run.folder import report_folder
    from agreement.report.run.kept import drop_other_states
    from agreement.report.run.published_file import require_published
    from agreement.report.run.registry import write_registry_report
    from agreement.report.run.second import end_early
    from agreement.report.run.templates import stated_kind

    end_early()
    require_published(study)
    place = study.resolve()
    kind = kind or stated_kind(place)
    target = report_folder(out, place, kind)
    drop_other_states(place, target)
    with engine(workers, scheduler) as mapper:
        return write_registry_report(study, target, mapper, kind=kind, pdf=pdf, progress=progress)
