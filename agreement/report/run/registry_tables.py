"""
Tables of a study whose estimates come in parts: checked, paired and written without holding all rows.

Nothing here needs the statistics, so that `check` and `pair` start without them.
"""

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

from agreement.errors import Problem, TableError
from agreement.report.privacy.privacy import without_files_of_people
from agreement.report.privacy.release import released_options
from agreement.report.run.earlier import require_athletes_as_before
from agreement.report.run.exports import write_tables
from agreement.report.run.folder import refuse_foreign, replaced_folder
from agreement.report.run.own_report import seal
from agreement.report.run.provenance import provenance, write_provenance
from agreement.scale.engine import Engine, Progress
from agreement.scale.streamed import Streamed, inspect_streamed
from agreement.tables.options import Kind
from agreement.tables.paths import require_unchanged
from agreement.tables.whole_output import work_folder

WORK: Final = "spills"  # inside the unfinished output folder, so that it goes with it
LINES: Final = "exclusions"  # folder of the lines of estimates, where they are more than these
MOST_LINES: Final = 100_000


def streamed_problems(
    study: str | Path, engine: Engine, *, progress: Progress | None = None
) -> tuple[bool, tuple[Problem, ...]]:
    """
    Check a study in parts, without any output.

    Returns problems: as `agreement.cohort.inspect_cohort` gives them.
    """
    with work_folder() as work:
        found, problems = inspect_streamed(study, work, engine, write=False, progress=progress)
    return found is not None, problems


def write_streamed_pairs(
    study: str | Path, out: str | Path, engine: Engine, *, progress: Progress | None = None
) -> tuple[Path, ...]:
    """
    Write pairs.csv, exclusions.csv, flow.csv and provenance.json.

    More than `MOST_LINES` lines of estimates left out go to ``exclusions/`` as Parquet, and
    exclusions.csv holds those of the other tables. Raises as `streamed_output` does; nothing is
    written then.
    """
    target = Path(out)
    with streamed_output(study, target, engine, progress) as (streamed, folder):
        written = write_registry_tables(streamed, folder)
        write_provenance(registry_provenance(streamed, None), folder)
    return tuple(target / path.name for path in written)


@contextmanager
def streamed_output(
    study: str | Path, target: Path, engine: Engine, progress: Progress | None
) -> Iterator[tuple[Streamed, Path]]:
    """
    Give a study checked and paired, and the unfinished output folder; seal what is put there.

    Raises TableError if the study cannot be used, or a file was changed while it was being read.
    Raises OutputError if `target` holds anything but earlier output of ours.
    """
    refuse_foreign(target)
    with replaced_folder(target) as folder:
        work = folder / WORK
        work.mkdir()
        streamed, problems = inspect_streamed(study, work, engine, progress=progress)
        if streamed is None:
            raise TableError(problem for problem in problems if problem.severity == "stop")
        require_unchanged(streamed.study.folder, streamed.study.inputs)
        require_athletes_as_before(streamed.study, target)
        yield streamed, folder
        shutil.rmtree(work)
        seal(folder)


def write_registry_tables(streamed: Streamed, folder: Path) -> list[Path]:
    """Write pairs, lines and flow; few lines as one table, many as Parquet files."""
    exclusions, parts = streamed.pairing.exclusions, list[Path]()
    if streamed.lines_of_estimates <= MOST_LINES:
        exclusions = streamed.all_exclusions()
    else:
        parts.append(folder / LINES)
        parts[0].mkdir()
        for number, path in enumerate(streamed.lines, start=1):
            path.replace(parts[0] / f"part-{number:05d}.parquet")
    tables = {
        "pairs": streamed.pairing.pairs,
        "exclusions": exclusions,
        "flow": streamed.pairing.flow,
    }
    return [*write_tables(tables, folder), *parts]


def registry_provenance(streamed: Streamed, kind: Kind | None) -> dict[str, Any]:
    """Return the provenance of a study in parts; every part is one of its inputs."""
    study, files = streamed.study, streamed.study.inputs
    if kind == "audit":
        folders = (study.names.get(part) for part in ("breaths", "samples"))
        files = without_files_of_people(files, folders)
        study = replace(study, options=released_options(study.options))
    inputs = [{"name": one.name, "sha256": one.sha256, "rows": one.rows} for one in files]
    return provenance(study, kind) | {"inputs": inputs}
