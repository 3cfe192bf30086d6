"""One table of a study that is proposed from exports."""

from dataclasses import dataclass, field
from typing import Final

from agreement.tables.proposal_columns import Column
from agreement.tables.proposal_sources import Block
from agreement.tables.proposal_words import Named

NOTHING: Final = Named("", None, None, {}, None)  # of a column that no header names
MOMENT: Final = {
    "lab_tests": "date",
    "field_tests": "date",
    "field_estimates": "taken_at",
    "sessions": "started_at",
}
OF_PEOPLE: Final = ("sex", "birth_year", "age_years", "stature_cm", "hr_limiting_drug", "withdrawn")
Rows = list[dict[str, str]]


@dataclass(slots=True)
class Proposal:
    """
    One table of the study to be.

    `rows` are gathered from its blocks under our names; None where the file serves as it is.
    `constants` and `questions` hold, by column, the value or the alternatives, with the evidence.
    """

    name: str
    blocks: list[Block]
    columns: list[Column]
    constants: dict[str, tuple[str, str]] = field(default_factory=dict)
    order: tuple[str | None, str, str] = (None, "", "")
    rows: Rows | None = None
    why_gathered: list[str] = field(default_factory=list)
    timed: str = ""  # a time without zone, as an example
    dropped: list[str] = field(default_factory=list)

    def column(self, ours: str) -> Column | None:
        """Return one of its columns."""
        return next((c for c in self.columns if c.ours == ours), None)

    def cells(self, column: Column) -> list[str]:
        """Return the cells of a column in all blocks, as they will be read."""
        if self.rows is not None:
            return [row.get(column.ours, "") for row in self.rows]
        return self.blocks[0].column(column.at)
