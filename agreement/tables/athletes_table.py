"""The checked `athletes` table, and who withdrew."""

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import pandas as pd

from agreement.tables.codes import code_column, label_column
from agreement.tables.findings import Findings
from agreement.tables.ids import id_column, silent_ids
from agreement.tables.leaving import Leaving, People, drop_withdrawn
from agreement.tables.number_columns import number_columns
from agreement.tables.readers import RawTable
from agreement.tables.rules import keep_rules
from agreement.tables.text_cells import Distinct
from agreement.tables.withdrawn import Withdrawn

Floats = npt.NDArray[np.float64]
ATHLETE_NUMBERS = ("birth_year", "age_years", "stature_cm", "mass_kg")


@dataclass(frozen=True, slots=True)
class Athletes:
    """The table, and what the others need of it."""

    frame: pd.DataFrame
    people: People = field(default_factory=People)
    withdrawn_rows: int = 0

    def values(self, ids: Distinct, column: str) -> Floats:
        """Return a number column of the table for each row's athlete, NaN where unknown."""
        known = self.frame.set_index("athlete_id")[column]
        per_label = known[~known.index.duplicated()].reindex(ids.labels).to_numpy(np.float64)
        return np.append(per_label, np.nan)[ids.codes]


def athletes_table(
    raw: RawTable,
    id_map: dict[str, str],
    findings: Findings,
    before: Withdrawn | None = None,
    gone: frozenset[str] = frozenset(),
) -> Athletes:
    """
    Return the checked table.

    raw: as read; the rows of people who withdrew are removed from it.
    id_map: athlete ids by the id found.
    before: who withdrew by earlier runs.
    gone: who withdrew by other exports of the table.
    """
    yes = code_column(raw, "withdrawn", findings).where({"yes"})
    marked = silent_ids(raw, "athlete_id", id_map).kept(yes).present()
    withdrawn = (before or Withdrawn()).marking(marked | gone)
    count, _ = drop_withdrawn(raw, id_map, People(None, withdrawn), findings)
    ids = id_column(raw, "athlete_id", findings, id_map)
    numbers = number_columns(raw, findings)
    keep_rules(raw, numbers, ids, findings)
    leaving = Leaving(raw, ids, findings)
    leaving.mark_missing("athlete_id", ids.codes < 0)
    nothing = np.full(len(raw.rows), np.nan)
    frame = pd.DataFrame(
        {
            "athlete_id": ids.series(),
            "sex": code_column(raw, "sex", findings).series(),
            **{name: numbers.get(name, nothing) for name in ATHLETE_NUMBERS},
            "training_profile": label_column(raw, "training_profile", findings).series(),
            "hr_limiting_drug": code_column(raw, "hr_limiting_drug", findings).series(),
        },
        copy=False,
    )
    return Athletes(leaving.finish(frame), People(ids.present(), withdrawn), count)
