"""
Write the pairs and the ledger of a study of any size, without statistics.

Nothing here needs the statistics, so that `pair` starts without them.
"""

import shutil
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from agreement.errors import TableError
from agreement.report.run.any_size import by_session
from agreement.report.run.exports import write_tables
from agreement.report.run.folder import (
    WORK,
    refuse_foreign,
    replaced_folder,
    require_athletes_as_before,
)
from agreement.report.run.own_report import seal
from agreement.report.run.provenance import provenance, write_provenance
from agreement.tables.paths import require_unchanged

if TYPE_CHECKING:
    from collections.abc import Iterator

    from agreement.cohort import Cohort
    from agreement.scale.engine import Engine, Progress
    from agreement.scale.streamed import Streamed

LINES: Final = "exclusions"  # folder of the lines of estimates, where they are more than these
MOST_LINES: Final = 100_000


def write_pairs(
    study: str | Path,
    out: str | Path,
    *,
    engine: "Engine | None" = None,
    progress: "Progress | None" = None,
) -> tuple[Path, ...]:
    """
    Write pairs.csv, exclusions.csv, flow.csv and provenance.json into a folder, all or nothing.

    out: the output folder; an earlier output of ours is replaced as a whole.
    engine: streams estimates in parts through this mapper. More than `MOST_LINES` lines of
        estimates left out then go to ``exclusions/`` as Parquet, and exclusions.csv holds those of
        the other tables.
    progress: called with (done, total, stage).
    Returns: the tables written.
    Raises TableError if the study folder cannot be used, or changed while it was being read.
    Raises OutputError if `out` holds anything but earlier output of ours.
    """
    target = Path(out)
    with paired_output(study, target, engine, progress) as (found, folder):
        written = write_pair_tables(found, folder)
        write_provenance(provenance(found.study, None), folder)
    return tuple(target / path.name for path in written)


@contextmanager
def paired_output(
    study: str | Path,
    target: Path,
    engine: "Engine | None",
    progress: "Progress | None",
) -> "Iterator[tuple[Any, Path]]":
    """
    Give a study checked and paired, and the unfinished output folder; seal what is put there.

    With an engine it is a `agreement.scale.streamed.Streamed`, else a cohort. Other parameters and
    errors as for `write_pairs`.
    """
    refuse_foreign(target)
    with replaced_folder(target) as folder:
        work = folder / WORK
        work.mkdir()
        if engine is None:
            from agreement.cohort import read_cohort

            found: Cohort | Streamed = read_cohort(study, progress=by_session(progress))
        else:
            from agreement.scale.streamed import inspect_streamed

            told, problems = inspect_streamed(study, work, engine, progress=progress)
            if told is None:
                raise TableError(one for one in problems if one.severity == "stop")
            require_unchanged(told.study.folder, told.study.inputs)
            found = told
        require_athletes_as_before(found.study, target)
        yield found, folder
        shutil.rmtree(work)
        seal(folder)


def write_pair_tables(found: Any, folder: Path) -> list[Path]:
    """Write pairs, lines and flow; few lines as one table, many of a study in parts as Parquet."""
    pairing, parts = found.pairing, list[Path]()
    exclusions, lines = pairing.exclusions, getattr(found, "lines", ())
    if lines and found.lines_of_estimates <= MOST_LINES:
        exclusions = found.all_exclusions()
    elif lines:
        parts.append(folder / LINES)
        parts[0].mkdir()
        for number, path in enumerate(lines, start=1):
            path.replace(parts[0] / f"part-{number:05d}.parquet")
    tables = {"pairs": pairing.pairs, "exclusions": exclusions, "flow": pairing.flow}
    return [*write_tables(tables, folder), *parts]
