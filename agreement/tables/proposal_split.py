"""One sheet that holds several tables: people beside their tests, methods side by side."""

import re
from dataclasses import replace

from agreement.tables.columns import INPUTS, VO2MAX_COLUMNS
from agreement.tables.proposal_columns import (
    OPEN,
    Column,
    columns_of,
    decide_codes,
    decide_unit,
    filled,
    is_missing,
)
from agreement.tables.proposal_dates import plain_moment
from agreement.tables.proposal_gathering import named_ours
from agreement.tables.proposal_shape import NOTHING, OF_PEOPLE, Proposal
from agreement.tables.proposal_words import ABOUT, fits, taken_apart


def split_people(lab: Proposal) -> Proposal | None:
    """Return an athletes table of what a laboratory table says of people; None where it says nothing."""
    block = lab.blocks[0]
    columns = [c for c in columns_of(block, "athletes") if c.ours in OF_PEOPLE]
    taken = {c.at for c in lab.columns}
    columns = [c for c in columns if c.at not in taken]
    person = next((c for c in columns_of(block, "athletes") if c.ours == "athlete_id"), None)
    if len(lab.blocks) > 1 or not columns or person is None:
        return None
    one = Proposal("athletes", [block], [person, *columns])
    for column in columns:
        kind = INPUTS["athletes"].columns[column.ours]
        if kind.kind == "code":
            decide_codes(column, kind.codes, block.column(column.at))
        else:
            decide_unit(column, block.column(column.at))
    one.columns = [c for c in one.columns if c.unit != OPEN]
    people: dict[str, dict[str, set[str]]] = {}
    for _, cells in block.rows:
        if is_missing(cells[person.at]):
            continue
        known = people.setdefault(cells[person.at].strip(), {})
        for c in columns:
            known.setdefault(c.ours, set()).update(filled([cells[c.at].strip()]))
    one.rows = [
        {"athlete_id": who}
        | {ours: min(found) if len(found) == 1 else "" for ours, found in known.items()}
        for who, known in people.items()
    ]
    one.why_gathered = [f"{block.name} says this of people beside their tests"]
    named_ours(one)
    return one


def split_methods(lab: Proposal) -> Proposal | None:
    """Return field estimates that stand in further columns of VO2max of a laboratory table."""
    block = lab.blocks[0]
    named = [taken_apart(header) for header in block.headers]
    vo2 = [at for at, one in enumerate(named) if fits("vo2max", one)]
    of_lab = [c for c in lab.columns if c.ours in VO2MAX_COLUMNS]
    others = [at for at in vo2 if set(named[at].words.split()) & set(ABOUT["field_estimates"])]
    person, moment = lab.column("athlete_id"), lab.column("date")
    if not others or person is None or moment is None or len(lab.blocks) > 1:
        return None
    if any(c.at in others for c in of_lab):
        rest = [at for at in vo2 if at not in others]
        if len(rest) != 1:
            return None
        lab.columns = [c for c in lab.columns if c not in of_lab]
        own = Column("vo2max", rest[0], block.headers[rest[0]], named[rest[0]])
        decide_unit(own, block.column(rest[0]))
        lab.columns.append(own)
    found = []
    for at in others:
        column = Column("vo2max", at, block.headers[at], named[at])
        decide_unit(column, block.column(at))
        found.append(column)
    if len({(c.ours, c.unit) for c in found}) > 1:
        return None
    column = found[0]
    rows = []
    for one in found:
        label = re.sub(r"\W+", "_", named[one.at].words.replace("vo2max", " ")).strip("_")
        for at, cells in block.rows:
            day = plain_moment(cells[moment.at])
            row = {"athlete_id": cells[person.at].strip(), "taken_at": day.strip(), "method": label}
            row |= {
                column.ours: cells[one.at].strip(),
                "from_file": block.name,
                "from_row": str(at),
            }
            rows.append(row)
    names = ("athlete_id", "taken_at", "method")
    columns = [Column(n, -1, n, NOTHING) for n in names] + [replace(column, theirs=column.ours)]
    estimates = Proposal("field_estimates", [block], columns, rows=rows, order=lab.order)
    estimates.why_gathered = [f"the methods stand side by side in {block.name}"]
    mode = lab.column("mode")
    if mode is None:
        estimates.constants["mode"] = lab.constants["mode"]
    else:
        modes = [cells[mode.at].strip() for _, cells in block.rows]
        for i, row in enumerate(rows):
            row["mode"] = modes[i % len(modes)]
        estimates.columns.append(replace(mode, theirs="mode"))
    return estimates
