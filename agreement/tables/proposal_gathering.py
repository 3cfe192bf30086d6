"""Rows of exports written anew under our names, where no file can serve as it is."""

import re
from dataclasses import replace

import numpy as np

from agreement.tables.columns import INPUTS
from agreement.tables.headers import ORIGIN
from agreement.tables.proposal_columns import (
    MOMENT,
    NOTHING,
    OPEN,
    Column,
    Proposal,
    Rows,
    filled,
    number_of,
)
from agreement.tables.proposal_words import (
    WORDS,
    is_of_time,
    iso_of,
    plain,
    plain_moment,
    with_clock,
)
from agreement.tables.units import unit_of


def clock_at(one: Proposal, moment: Column) -> int | None:
    """Return the column with the time of day beside a column of dates."""
    block = one.blocks[0]
    if any(":" in cell for cell in block.column(moment.at)):
        return None
    used = {c.at for c in one.columns}
    for at, header in enumerate(block.headers):
        clocks = [c for c in filled(block.column(at)) if re.match(r"\d{1,2}:\d\d", c)]
        if at not in used and plain(header) in WORDS["clock"] and clocks:
            return at
    return None


def block_rows(one: Proposal) -> Rows:
    """Return the rows of one block under our names, the cells as they stand."""
    block, moment = one.blocks[0], one.column(MOMENT.get(one.name, ""))
    clock = clock_at(one, moment) if moment else None
    key, rows = INPUTS[one.name].key, []
    prefix = {"lab_tests": "T", "sessions": "S"}.get(one.name, "R")
    for number, (at, cells) in enumerate(block.rows, 1):
        row = {c.ours: cells[c.at].strip() for c in one.columns}
        if key and key != "athlete_id":
            row.setdefault(key, f"{prefix}{number:03d}")
        if moment:
            written = plain_moment(row[moment.ours])
            row[moment.ours] = with_clock(written, "" if clock is None else cells[clock])
        rows.append(row | {ORIGIN[0]: block.name, ORIGIN[1]: str(at)})
    if moment and clock is not None:
        one.timed = next((r[moment.ours] for r in rows if ":" in r[moment.ours]), "")
    return rows


def named_ours(one: Proposal) -> None:
    """Say that the columns of a gathered table carry our names."""
    one.columns = [replace(c, theirs=c.ours) for c in one.columns]
    key = INPUTS[one.name].key
    if key and one.column(key) is None and key != "athlete_id":
        one.columns.insert(0, Column(key, -1, key, NOTHING, evidence="numbered"))


def gather(first: Proposal, all_: list[Proposal], people: set[str]) -> None:
    """Gather the rows of several blocks into the first, each converted by its own decisions."""
    names = _names_in_files(all_, people)
    kept = [one for one in all_ if _goes_with(first, one)]
    _one_method(kept, people)
    first.dropped = [one.blocks[0].name for one in all_ if one not in kept]
    columns = {c.ours: c for one in kept for c in one.columns}
    differ = {
        ours
        for ours in columns
        if len({(c.unit if (c := one.column(ours)) else None) for one in kept if one.column(ours)})
        > 1
    }
    orders = {one.order[0] for one in kept if one.order[0]}
    moment = MOMENT.get(first.name, "")
    rows: Rows = []
    constant = {k for one in kept for k in one.constants}
    for one in kept:
        part = block_rows(one)
        for row in part:
            for ours in differ & set(row):
                row[ours] = _converted(row[ours], one.column(ours))
            if len(orders) > 1 and moment in row and one.order[0]:
                row[moment] = iso_of(row[moment], one.order[0])
            for ours in constant:
                row.setdefault(ours, one.constants.get(ours, ("", ""))[0])
            row.setdefault("athlete_id", names.get(id(one), ""))
        rows += part
    key = INPUTS[first.name].key
    if (
        key
        and key != "athlete_id"
        and any(key not in {c.ours for c in one.columns} for one in kept)
    ):
        for number, row in enumerate(rows, 1):
            row[key] = f"{'T' if first.name == 'lab_tests' else 'S'}{number:03d}"
    for ours, column in columns.items():
        merged = {k: v for one in kept if (c := one.column(ours)) for k, v in c.codes.items()}
        unit = None if ours in differ else column.unit
        columns[ours] = replace(column, codes=merged, unit=unit)
    if len(orders) > 1:
        first.order = (None, "", "")
    elif orders:
        first.order = next(one.order for one in kept if one.order[0])
    open_ = {k: v for one in kept for k, v in one.constants.items() if v[0] == OPEN}
    for ours in constant - set(open_):
        columns[ours] = Column(ours, -1, ours, NOTHING, evidence="of each file")
    for ours in open_:
        for row in rows:
            row.pop(ours, None)
    if "athlete_id" not in columns:
        columns["athlete_id"] = Column(
            "athlete_id", -1, "athlete_id", NOTHING, evidence="from the names of the files"
        )
    first.timed = next((one.timed for one in kept if one.timed), "")
    first.blocks = [one.blocks[0] for one in kept]
    first.columns, first.constants, first.rows = list(columns.values()), open_, rows
    first.why_gathered = ["its rows come from several files or sheets"]
    named_ours(first)


def _one_method(all_: list[Proposal], people: set[str]) -> None:
    """Name methods after files without the words that say whose they are and of which month."""
    for one in all_:
        if "method" in one.constants:
            block = one.blocks[0]
            words = re.split(r"[\W_]+", block.sheet or block.file.stem)
            kept = [w for w in words if w and w not in people and not is_of_time(w)]
            _, why = one.constants["method"]
            one.constants["method"] = ("_".join(kept).lower() or "device", why)


def _names_in_files(all_: list[Proposal], people: set[str]) -> dict[int, str]:
    """Return the id that the name of each file or of its folder holds; else what tells them apart."""
    blocks = [one.blocks[0] for one in all_]
    known = [
        {b.file.parent.name, *re.split(r"[\s_.]+", b.sheet or b.file.stem)} & people for b in blocks
    ]
    if all(len(ids) == 1 for ids in known):
        return {id(one): next(iter(ids)) for one, ids in zip(all_, known, strict=True)}
    labels = [plain(one.blocks[0].sheet or one.blocks[0].file.stem).split() for one in all_]
    shared = set.intersection(*map(set, labels)) if labels else set()
    own = [" ".join(w for w in words if w not in shared) for words in labels]
    raw = [one.blocks[0].sheet or one.blocks[0].file.stem for one in all_]
    found = {}
    for one, words, text in zip(all_, own, raw, strict=True):
        match = re.search(re.escape(words.split()[0]) if words else r"$^", text, re.IGNORECASE)
        found[id(one)] = match[0] if match and len(words.split()) == 1 else text
    return found


def _goes_with(first: Proposal, one: Proposal) -> bool:
    """Whether what is open in one block is open in the other: one answer must serve both."""
    for column in one.columns:
        other = first.column(column.ours)
        if other and (other.unit == OPEN) != (column.unit == OPEN):
            return False
    return not (one.order[0] and first.order[0]) or (one.order[0] == OPEN) == (
        first.order[0] == OPEN
    )


def _converted(cell: str, column: Column | None) -> str:
    """Return a number in our unit, as text."""
    value = number_of(cell)
    if column is None or column.unit is None or value is None:
        return cell
    found = unit_of(column.ours, column.unit)
    return cell if found is None else f"{float(found[1].convert(np.array([value]))[0]):.6g}"
