"""An output folder, written all at once or not at all; what a report leaves in it for the next one."""

import json
import stat
from collections.abc import Container
from contextlib import AbstractContextManager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from agreement.errors import OutputError, Problem, TableError
from agreement.tables.columns import FOLDERS, TABLES
from agreement.tables.options import STUDY_FILE, Margin
from agreement.tables.whole_output import whole_folder

if TYPE_CHECKING:
    from collections.abc import Iterable

    from agreement.stats.evidence import EarlierReport
    from agreement.stats.verdict.verdict import Verdict
    from agreement.tables.study import StudyTables

PAGE: Final = "report.html"
PROVENANCE: Final = "provenance.json"
JUDGED: Final = "judged"  # key of the provenance, so that looks and yardsticks are counted
HISTORY_FILE: Final = "history.csv"
WORK: Final = "spills"  # inside the unfinished output folder, so that it goes with it
_MOST_BYTES: Final = 64_000_000
WRITTEN_BY: Final = "agreement"  # the mark, in provenance.json, of a folder that is ours to replace


def report_folder(out: str | Path | None, study: Path, kind: str) -> Path:
    """Return where a report goes; not said: ``reports/<study folder>-<kind>`` under the current folder."""
    return Path("reports") / f"{study.name}-{kind}" if out is None else Path(out)


def is_ours(folder: Path) -> bool:
    """Tell whether a folder was written by this package and may be replaced as a whole."""
    return bool(own_provenance(folder))


def own_provenance(folder: Path | None) -> dict[str, Any]:
    """Return the provenance of a folder of ours; empty of any other, and of none."""
    with suppress(OSError, ValueError, RecursionError):
        content = json.loads(plain_bytes(folder / PROVENANCE)) if folder else None
        if isinstance(content, dict) and content.get("written_by") == WRITTEN_BY:
            return content
    return {}


def plain_bytes(path: Path) -> bytes:
    """Return what a small plain file holds; raises OSError: a pipe would wait for ever."""
    found = path.stat()
    if not stat.S_ISREG(found.st_mode) or found.st_size > _MOST_BYTES:
        raise OSError(f"{path} is no plain file, or too large.")
    return path.read_bytes()


def provenance_bytes(content: dict[str, Any]) -> bytes:
    """Return a provenance as its file holds it."""
    return (json.dumps(content, indent=2, ensure_ascii=False) + "\n").encode()


def refuse_foreign(folder: Path) -> None:
    """Raise OutputError for a file, or a folder with something in it that we did not write."""
    place = folder.resolve()
    for study in place.parents:
        kept = place.relative_to(study).parts[0].casefold()
        if kept.split(".")[0] in (*TABLES, *FOLDERS) and (study / STUDY_FILE).exists():
            raise OutputError(
                f"A study keeps its {kept.split('.')[0]} in {study / kept}. Name another folder."
            )
    if folder.exists() and not folder.is_dir():
        raise OutputError(f"{folder} is a file. Name a folder with --out.")
    if folder.is_dir() and any(folder.iterdir()) and not is_ours(folder):
        raise OutputError(
            f"{folder} is not empty and holds no earlier report, so it is left alone. "
            "Name another folder with --out."
        )


def replaced_folder(folder: Path) -> AbstractContextManager[Path]:
    """
    Give a temporary folder beside `folder`, and put it in its place when the block succeeds.

    As `agreement.tables.whole_output.whole_folder`; files in an output of ours that are not ours stay.
    """

    def ours(old: Path) -> Container[str]:
        content = own_provenance(old)
        outputs = content.get("outputs")
        return (*(outputs if isinstance(outputs, dict) else ()), *([PROVENANCE] if content else []))

    return whole_folder(folder, refuse_foreign, ours=ours)


def earlier_report(folder: Path | None) -> "EarlierReport | None":
    """Read what the report in `folder` had judged; None without one."""
    told = own_provenance(folder).get(JUDGED)
    if not isinstance(told, dict):
        return None
    against, look, pairs = (told.get(name) for name in ("against", "look", "pairs"))
    if not isinstance(look, int) or not isinstance(pairs, dict):
        return None
    from agreement.stats.evidence import EarlierReport  # a waiting process computes nothing

    return EarlierReport(None if against is None else str(against), look, pairs)


def require_athletes_as_before(study: "StudyTables", folder: Path | None) -> None:
    """Stop when the output in `folder` was made with an athletes table, gone from the study."""
    inputs = own_provenance(folder).get("inputs")
    if not inputs or "athletes" in study.names:
        return
    from agreement.tables.headers import looks_like_people  # it loads pandas

    names = [one.get("name") for one in inputs if isinstance(one, dict)]
    for name in names:
        if isinstance(name, str) and "/" not in name and looks_like_people(name):
            what = "The last output here was made with this table of athletes, and it is gone."
            remedy = (
                "Put it back under its name; if the study is to do without it, name another output "
                "folder."
            )
            raise TableError([Problem("stop", "withdrawal_lost", name, None, None, what, remedy)])


def judged(
    agreed: Margin, verdicts: "Iterable[Verdict]", earlier: "EarlierReport | None"
) -> dict[str, Any]:
    """
    Return what the next report must know of this one.

    The yardstick is the one that was agreed first. Of pairs that are more than at the first report of a
    look it stays known that they are; how many came, or left since, may be one person's and is not.
    Writing a report twice changes neither.
    """
    from agreement.stats.limits.limits import FEW_FOR_REPORTS
    from agreement.stats.verdict.verdict import against_of

    against: str | None = None if agreed.limit is None else against_of(agreed)
    pairs = {
        f"{one.method}/{one.mode}": one.n_pairs for one in verdicts if one.n >= FEW_FOR_REPORTS
    }
    if earlier is not None and earlier.against is not None:
        against = earlier.against
        if earlier.look == agreed.look:  # 0: whatever comes is more
            fewer = {one: n for one, n in pairs.items() if n <= earlier.pairs.get(one, n)}
            pairs = dict.fromkeys({**pairs, **earlier.pairs}, 0) | fewer
    return {
        "against": against,
        "look": agreed.look,
        "planned_looks": agreed.planned_looks,
        "pairs": pairs,
    }


def keep_for_the_next(target: Path, folder: Path) -> None:
    """Lay the provenance of the report that is replaced into the folder of the new one."""
    for name in (PROVENANCE, HISTORY_FILE) if is_ours(target) else ():
        if (target / name).is_file():
            (folder / name).write_bytes((target / name).read_bytes())
