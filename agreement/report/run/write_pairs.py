"""Write the pairs and the ledger of a study, without statistics."""

from collections.abc import Callable
from pathlib import Path

from agreement.cohort import read_cohort
from agreement.report.run.earlier import require_athletes_as_before
from agreement.report.run.exports import write_tables
from agreement.report.run.folder import refuse_foreign, replaced_folder
from agreement.report.run.own_report import seal
from agreement.report.run.provenance import provenance, write_provenance


def write_pairs(
    study: str | Path, out: str | Path, *, progress: Callable[[int, int], None] | None = None
) -> tuple[Path, ...]:
    """
    Write pairs.csv, exclusions.csv, flow.csv and provenance.json into a folder, all or nothing.

    out: the output folder; an earlier output of ours is replaced as a whole.
    progress: called with the number of session files read and their total.
    Returns: the tables written.
    Raises TableError if the study folder cannot be used.
    Raises OutputError if `out` holds anything but earlier output of ours.
    """
    target = Path(out)
    refuse_foreign(target)
    cohort = read_cohort(study, progress=progress)
    require_athletes_as_before(cohort.study, target)
    tables = {"pairs": cohort.pairs, "exclusions": cohort.exclusions, "flow": cohort.flow}
    with replaced_folder(target) as folder:
        written = write_tables(tables, folder)
        content = provenance(cohort.study, None)
        write_provenance(content, folder)
        seal(folder)
    return tuple(target / path.name for path in written)
