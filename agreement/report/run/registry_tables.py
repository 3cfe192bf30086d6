"""
Tables of a study whose estimates come in parts: checked, paired and written without holding all rows.

Nothing here needs the statistics, so that `check` and `pair` start without them.
"""

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from itertools import accumulate
from pathlib import Path
from typing import Any, Final

from agreement.errors import Problem, TableError
from agreement.report.privacy.privacy import without_files_of_people
from agreement.report.privacy.release import released_options
from agreement.report.run.exports import write_tables
from agreement.report.run.folder import refuse_foreign, replaced_folder
from agreement.report.run.provenance import provenance, write_provenance
from agreement.report.run.verifying import seal
from agreement.scale.engine import Engine, Progress
from agreement.scale.left_out import LinesPlan, write_lines
from agreement.scale.streamed import Streamed, inspect_streamed
from agreement.tables.options import Kind
from agreement.tables.unchanged import require_unchanged
from agreement.tables.work_folders import work_folder
from agreement.terms import PAIR_COLUMNS

WORK: Final = "spills"  # inside the unfinished output folder, so that it goes with it
LINES: Final = "exclusions"  # folder of the lines of estimates


def streamed_problems(
    study: str | Path, engine: Engine, *, progress: Progress | None = None
) -> tuple[bool, tuple[Problem, ...]]:
    """
    Check a study in parts, without any output.

    Returns
    -------
    usable : bool
    problems : tuple of Problem
        As `agreement.cohort.inspect_cohort` gives them.
    """
    with work_folder() as work:
        found, problems = inspect_streamed(study, work, engine, write=False, progress=progress)
    return found is not None, problems


def write_streamed_pairs(
    study: str | Path, out: str | Path, engine: Engine, *, progress: Progress | None = None
) -> tuple[Path, ...]:
    """
    Write pairs.csv, exclusions.csv, flow.csv and provenance.json, and the folder of lines.

    The lines of estimates left out go to ``exclusions/``, one file for each batch that was read;
    exclusions.csv holds those of the other tables. Raises as `streamed_output` does; nothing is
    written then.
    """
    target = Path(out)
    with streamed_output(study, target, engine, progress) as (streamed, folder):
        written = write_registry_tables(streamed, folder, engine, progress)
        write_provenance(registry_provenance(streamed, None), folder)
    return tuple(target / path.name for path in written)


@contextmanager
def streamed_output(
    study: str | Path, target: Path, engine: Engine, progress: Progress | None
) -> Iterator[tuple[Streamed, Path]]:
    """
    Give a study checked and paired, and the unfinished output folder; seal what is put there.

    Raises
    ------
    TableError
        If the study cannot be used, or a file was changed while it was being read.
    OutputError
        If `target` holds anything but earlier output of ours.
    """
    refuse_foreign(target)
    with replaced_folder(target) as folder:
        work = folder / WORK
        work.mkdir()
        streamed, problems = inspect_streamed(study, work, engine, progress=progress)
        if streamed is None:
            raise TableError(problem for problem in problems if problem.severity == "stop")
        require_unchanged(streamed.study.folder, streamed.inputs)
        yield streamed, folder
        shutil.rmtree(work)
        seal(folder)


def write_registry_tables(
    streamed: Streamed, folder: Path, engine: Engine, progress: Progress | None
) -> list[Path]:
    """Write pairs, lines and flow."""
    written = [_write_pairs(streamed, folder / "pairs.csv")]
    written += write_tables({"exclusions": streamed.exclusions, "flow": streamed.flow}, folder)
    lines = folder / LINES
    lines.mkdir()
    work = streamed.work
    plan = LinesPlan(
        tuple(work / f"left-{bucket:06d}.arrow" for bucket in range(streamed.buckets)),
        tuple(tuple(one.batches) for one in streamed.spread),
        tuple(accumulate((len(one.batches) for one in streamed.spread), initial=0)),
        tuple(streamed.part_files[one.piece.part] for one in streamed.spread),
        lines,
    )
    pieces = range(len(streamed.spread))
    engine.map(write_lines, plan, pieces, progress=progress, stage="Writing lines left out")
    return [*written, lines]


def _write_pairs(streamed: Streamed, path: Path) -> Path:
    """Put the pairs of all buckets together, in their order."""
    with path.open("wb") as file:
        file.write((",".join(PAIR_COLUMNS) + "\n").encode())
        for places in streamed.sections.values():
            for bucket, number in places:
                piece = streamed.work / f"pairs-{bucket:06d}-{number:03d}.csv"
                with piece.open("rb") as text:
                    shutil.copyfileobj(text, file)
    return path


def registry_provenance(streamed: Streamed, kind: Kind | None) -> dict[str, Any]:
    """Return the provenance of a study in parts; every part is one of its inputs."""
    study, files = streamed.study, streamed.inputs
    if kind == "audit":
        folders = (study.names.get(part) for part in ("breaths", "samples"))
        files = without_files_of_people(files, folders)
        study = replace(study, options=released_options(study.options))
    inputs = [{"name": one.name, "sha256": one.sha256, "rows": one.rows} for one in files]
    return provenance(study, kind) | {"inputs": inputs}
