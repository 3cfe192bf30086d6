"""What an earlier report had judged: kept in its provenance, so that looks and yardsticks are counted."""

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from agreement.errors import Problem, TableError
from agreement.report.run.folder import PROVENANCE, is_ours
from agreement.tables.options import Margin

if TYPE_CHECKING:
    from collections.abc import Iterable

    from agreement.stats.evidence import EarlierReport
    from agreement.stats.verdict.verdict import Verdict
    from agreement.tables.study import StudyTables

JUDGED: Final = "judged"  # key of the provenance
HISTORY_FILE: Final = "history.csv"


def earlier_report(folder: Path | None) -> "EarlierReport | None":
    """Read what the report in `folder` had judged; None without one."""
    if folder is None or not is_ours(folder):
        return None
    content = json.loads((folder / PROVENANCE).read_text(encoding="utf-8"))
    told = content.get(JUDGED)
    if not isinstance(told, dict):
        return None
    against, look, pairs = (told.get(name) for name in ("against", "look", "pairs"))
    if not isinstance(look, int) or not isinstance(pairs, dict):
        return None
    from agreement.stats.evidence import EarlierReport  # a waiting process computes nothing

    return EarlierReport(None if against is None else str(against), look, pairs)


def require_athletes_as_before(study: "StudyTables", folder: Path | None) -> None:
    """
    Stop when the output in `folder` was made with an athletes table and the study has none now.

    Raises TableError
    """
    if folder is None or "athletes" in study.names or not is_ours(folder):
        return
    from agreement.tables.headers import looks_like_people  # it loads pandas

    inputs = json.loads((folder / PROVENANCE).read_text(encoding="utf-8")).get("inputs")
    names = [one.get("name") for one in inputs or () if isinstance(one, dict)]
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

    The yardstick is the one that was agreed first, and the pairs are those at the first report of a
    look: writing a report twice changes neither.
    """
    from agreement.stats.limits.limits import FEW_FOR_REPORTS
    from agreement.stats.verdict.verdict import against_of

    against: str | None = None if agreed.limit is None else against_of(agreed)
    pairs = {
        f"{one.method}/{one.mode}": one.n_pairs for one in verdicts if one.n >= FEW_FOR_REPORTS
    }
    if earlier is not None and earlier.against is not None:
        against = earlier.against
        if earlier.look == agreed.look:
            pairs |= earlier.pairs
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
