"""Write the pairs and the ledger of a study, without statistics."""

from collections.abc import Callable
from pathlib import Path

from agreement.cohort import read_cohort
from agreement.report.run.earlier import require_athletes_as_before
from agreement.report.run.exports import write_tables
from agreement.report.run.folder import refuse_foreign, replaced_folder
from agreement.report.run.provenance import provenance, write_provenance
from agreement.report.run.verifying import seal


def write_pairs(
    study: str | Path,
    out: str | Path,
    *,
    progress: Callable[[int, int], None] | None = None,
) -> tuple[Path, ...]:
    """
    Write pairs.csv, exclusions.csv, flow.csv and provenance.json into a folder, all or nothing.

    Parameters
    ----------
    study : str or Path
        The study folder.
    out : str or Path
        The output folder; an earlier output of ours is replaced as a whole.
    progress : callable, optional
        Called with the number of session files read and their total.

    Returns
    -------
    tuple of Path
        The tables written.

    Raises
    ------
    TableError
        If the study folder cannot be used.
    OutputError
        If `out` holds anything but earlier output of ours.
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
