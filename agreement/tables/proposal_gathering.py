"""GatheredRows of exports written anew under our names, where no file can serve as it is."""

import re
from dataclasses import replace

import numpy as np

from agreement.tables.columns import INPUTS, MOMENT
from agreement.tables.dates import read_in
from agreement.tables.headers import ORIGIN
from agreement.tables.number_columns import marks_of
from agreement.tables.proposal_columns import (
    GatheredRows,
    Proposal,
    ProposedColumn,
    filled,
    number_of,
)
from agreement.tables.proposal_words import (
    HEADER_WORDS,
    is_of_time,
    plain,
    plain_moment,
    with_clock,
)
from agreement.tables.study_lines import OPEN
from agreement.tables.units import unit_of


def clock_at(one: Proposal, moment: ProposedColumn) -> int | None:
    """Return the column with the time of day beside a column of dates."""
    block = one.blocks[0]
    if any(":" in cell for cell in block.column(moment.at)):
        return None
    used = {c.at for c in one.columns}
    for at, header in enumerate(block.headers):
        clocks = [c for c in filled(block.column(at)) if re.match(r"\d{1,2}:\d\d", c)]
        if at not in used and plain(header) in HEADER_WORDS["clock"] and clocks:
            return at
    return None


def block_rows(one: Proposal) -> GatheredRows:
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
    one.columns = [replace(c, theirs=c.ours, header=c.theirs) for c in one.columns]
    key = INPUTS[one.name].key
    if key and one.column(key) is None and key != "athlete_id":
        one.columns.insert(0, ProposedColumn(key, key, evidence="numbered"))


def gather(first: Proposal, all_: list[Proposal], people: set[str]) -> None:
    """Gather the rows of several blocks into the first, each converted by its own decisions."""
    names = _names_in_files(all_, people)
    kept = [one for one in all_ if _goes_with(first, one)]
    _one_method(kept, people)
    why = "what is open in it is decided elsewhere; write units and dates into it as the other files do"
    first.dropped += [
        f"{one.blocks[0].name}: left out of {first.name}, because {why}."
        for one in all_
        if one not in kept
    ]
    columns = {c.ours: c for one in reversed(kept) for c in one.columns}
    columns = {c.ours: columns[c.ours] for one in kept for c in one.columns}  # the first, in order
    units = {ours: {c.unit for one in kept if (c := one.column(ours))} for ours in columns}
    differ = {ours for ours, every in units.items() if len(every) > 1}
    commas = _commas_beside_dots(kept, set(columns) - differ)
    orders = {one.order[0] for one in kept if one.order[0]}
    moment = MOMENT.get(first.name, "")
    rows: GatheredRows = []
    constant = dict.fromkeys(k for one in kept for k in one.constants)  # in order
    for one in kept:
        part = block_rows(one)
        rows += part
        for row in part:
            for ours in differ & set(row):
                row[ours] = _converted(row[ours], one.column(ours))
            for ours in commas.get(id(one), ()):
                row[ours] = row[ours].replace(",", ".")
            if len(orders) > 1 and one.order[0] and (when := read_in(row[moment], one.order[0])):
                row[moment] = when.isoformat(" ") if ":" in row[moment] else f"{when.date()}"
            for ours in constant:
                row.setdefault(ours, one.constants.get(ours, ("", ""))[0])
            row.setdefault("athlete_id", names.get(id(one), ""))
    _number_rows(first, kept, rows)
    columns = {ours: _merged(one, kept, ours in differ) for ours, one in columns.items()}
    if orders:
        one_order = next(one.order for one in kept if one.order[0])
        first.order = one_order if len(orders) == 1 else (None, "", "")
    open_ = {k: v for one in kept for k, v in one.constants.items() if v[0] == OPEN}
    for ours in (name for name in constant if name not in open_):
        columns[ours] = ProposedColumn(ours, ours, evidence="of each file")
    for ours in open_:
        for row in rows:
            row.pop(ours, None)
    if "athlete_id" not in columns:
        why = "from the names of the files"
        columns["athlete_id"] = ProposedColumn("athlete_id", "athlete_id", evidence=why)
    first.timed = next((one.timed for one in kept if one.timed), "")
    first.blocks = [one.blocks[0] for one in kept]
    first.columns, first.constants, first.rows = list(columns.values()), open_, rows
    first.why_gathered = ["its rows come from several files or sheets"]
    named_ours(first)


def _merged(column: ProposedColumn, kept: list[Proposal], differ: bool) -> ProposedColumn:
    """Return a column with the codes of all files, and with its unit where they have one."""
    same = (one.column(column.ours) for one in kept)
    codes = {theirs: ours for one in same if one for theirs, ours in one.codes.items()}
    return replace(column, codes=codes, unit=None if differ else column.unit)


def _number_rows(first: Proposal, kept: list[Proposal], rows: GatheredRows) -> None:
    """Give rows a key of their own where a file has none."""
    key = INPUTS[first.name].key
    if key and key != "athlete_id" and any(one.column(key) is None for one in kept):
        for number, row in enumerate(rows, 1):
            row[key] = f"{'T' if first.name == 'lab_tests' else 'S'}{number:03d}"


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
    raw = {id(one): one.blocks[0].sheet or one.blocks[0].file.stem for one in all_}
    known = {
        id(one): {one.blocks[0].file.parent.name, *re.split(r"[\s_.]+", raw[id(one)])} & people
        for one in all_
    }
    if all(len(ids) == 1 for ids in known.values()):
        return {one: next(iter(ids)) for one, ids in known.items()}
    labels = {one: plain(text).split() for one, text in raw.items()}
    shared = set.intersection(*map(set, labels.values()))
    found = dict(raw)
    for one, words in labels.items():
        own = [word for word in words if word not in shared]
        if len(own) == 1 and (match := re.search(re.escape(own[0]), raw[one], re.IGNORECASE)):
            found[one] = match[0]
    return found


def _goes_with(first: Proposal, one: Proposal) -> bool:
    """Whether what is open in one block is open in the other: one answer must serve both."""
    both = [(c.unit, other.unit) for c in one.columns if (other := first.column(c.ours))]
    orders = (one.order[0], first.order[0])
    both += [orders] if all(orders) else []
    return all((mine == OPEN) == (theirs == OPEN) for mine, theirs in both)


def _commas_beside_dots(all_: list[Proposal], names: set[str]) -> dict[int, list[str]]:
    """Return by block the number columns with decimal commas where another block has points."""
    found: dict[int, list[str]] = {}
    for ours in sorted(n for n in names if INPUTS[all_[0].name].columns[n].kind == "number"):
        columns = [(one, c) for one in all_ if (c := one.column(ours)) and c.at >= 0]
        marks = [(one, marks_of(one.blocks[0].column(c.at))) for one, c in columns]
        if len({mark for _, (sure, _) in marks for mark in sure}) == 2:
            for one, (sure, doubtful) in marks:
                if sure == {","} and doubtful <= sure:
                    found.setdefault(id(one), []).append(ours)
    return found


def _converted(cell: str, column: ProposedColumn | None) -> str:
    """Return a number in our unit, as text."""
    value = number_of(cell)
    if column is None or column.unit is None or value is None:
        return cell
    found = unit_of(column.ours, column.unit)
    return cell if found is None else f"{float(found[1].convert(np.array([value]))[0]):.6g}"
