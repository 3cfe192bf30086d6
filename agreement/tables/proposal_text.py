"""A proposed study as text: study.toml with the evidence beside each choice, and a table to look at."""

import json
import re
from typing import Final

import pandas as pd

from agreement.tables.columns import INPUTS, Table
from agreement.tables.dates import moment_column
from agreement.tables.findings import Findings
from agreement.tables.new_study import MEANINGS, STUDY_FILE_TEXT
from agreement.tables.number_columns import number_columns
from agreement.tables.options import FileFormat
from agreement.tables.proposal_columns import MOMENT, OPEN, Column, Proposal, filled
from agreement.tables.proposal_sources import Block, file_of
from agreement.tables.readers import frame_table
from agreement.tables.study_file import NO_TABLE
from agreement.tables.text_cells import code_column
from agreement.tables.units import own_unit

PREVIEW: Final = ("table", "your column", "ours", "unit", "first three values", "as we read them")
_INTRODUCTION: Final = """\
# Proposed from your files. What they decide is filled in, with what decided it. Where a "?" stands
# you decide: `agreement check` stops there and repeats the choices. Correct what is wrong.

"""


def quoted(text: str) -> str:
    """Return a text as TOML writes it."""
    return json.dumps(text, ensure_ascii=False)


def study_text(
    proposals: list[Proposal],
    recordings: dict[str, list[Column]],
    ids: list[tuple[str, str]],
    undecided: list[Block],
    *,
    same_day: bool,
) -> str:
    """Return the study file; `same_day`: field values stand on the day of the test itself."""
    text = STUDY_FILE_TEXT[: STUDY_FILE_TEXT.index("# How a file is written")]
    text = text[text.index("[study]") :]
    timed = next((p.timed for p in proposals if p.timed), "")
    if timed:
        said = f"times such as {timed} have no zone: the IANA name of the zone of your clocks"
        text = _line(text, "time_zone", f'time_zone = "{OPEN}"', f'{said}, like "Europe/Oslo"')
    if ids:
        first = f"{ids[0][0]} as {ids[0][1]}"
        said = f'ids.csv joins {len(ids)} ids that look alike ({first} ...): "ids.csv" if all are right'
        text = _line(text, "id_map", f'id_map = "{OPEN}"', f"{said}; else correct that file first")
    if same_day:
        said = (
            "the field values carry the date of the test itself: true if they may count, or false"
        )
        text = _line(text, "same_day", f'same_day = "{OPEN}"', said)
        text = _line(
            text, "minimum_days", "minimum_days = 1", "one field value per test in your file"
        )
    parts = [_INTRODUCTION + text.rstrip()]
    if undecided:
        parts.append("\n".join(["[files]", *(line for b in undecided for line in _which_table(b))]))
    parts += [_file_text(proposal) for proposal in proposals]
    for name, columns in recordings.items():
        lines = [f"[files.{name}.columns]", *(f"{c.ours} = {quoted(c.theirs)}" for c in columns)]
        units = [f"{c.ours} = {quoted(c.unit)}" for c in columns if c.unit]
        parts.append("\n".join([*lines, *([f"[files.{name}.units]", *units] if units else [])]))
    return "\n\n".join(parts) + "\n"


def _which_table(block: Block) -> list[str]:
    """Return the open line of a file that nothing says the table of."""
    first = [f"{name} ({cell})" for name, cell in zip(block.headers, block.rows[0][1], strict=True)]
    choices = [f"{quoted(name)} ({MEANINGS[name].split(';')[0]})" for name in MEANINGS]
    why = f"no name of its columns says what it is: {', '.join(first[:6])}. Choose"
    choice = ", ".join([*choices, f'or "{NO_TABLE}" (no part of the study)'])
    return [f"# decide: {why} {choice}".replace("\n", " "), f'{quoted(file_of(block))} = "{OPEN}"']


def _line(text: str, key: str, line: str, why: str) -> str:
    """Replace the commented line of a key, the first one, by a line of ours with its reason above."""
    new = f"# decide: {why}\n{line}" if OPEN in line else f"{line}  # {why}"
    return re.sub(rf"(?m)^# {key} = .*$", lambda _: new, text, count=1)


def _file_text(proposal: Proposal) -> str:
    """Return the tables of one file."""
    block, name = proposal.blocks[0], proposal.name
    lines = [f"[files.{name}]"]
    if proposal.rows is None:
        lines.append(f"path = {quoted(block.file.name)}")
        if block.sheet:
            lines.append(f"sheet = {quoted(block.sheet)}")
        if block.separator not in (None, ","):
            lines.append(f"separator = {quoted(str(block.separator))}")
        if block.header_rows > 1:
            lines.append(f"header_rows = {block.header_rows}")
    else:
        names = ", ".join(dict.fromkeys(b.name for b in proposal.blocks))
        lines.append(f"path = {quoted(f'{name}.csv')}")
        lines.append(f"# written from {names}: {'; '.join(proposal.why_gathered)}")
    order, evidence, alternatives = proposal.order
    if order:
        lines += [f"# decide: {alternatives}"] if order == OPEN else []
        lines.append(f"date_order = {quoted(order)}" + (f"  # {evidence}" if evidence else ""))
    lines.append(f"[files.{name}.columns]")
    lines += [
        f"{c.ours} = {quoted(c.theirs)}" + (f"  # {c.evidence}" if c.evidence else "")
        for c in proposal.columns
    ]
    units = [c for c in proposal.columns if c.unit]
    lines += [f"[files.{name}.units]"] if units else []
    for c in units:
        if c.unit == OPEN:
            lines.append(
                f"# decide: {c.evidence + '; ' if c.evidence else ''}{quoted(c.theirs)} is in {c.alternatives}"
            )
        lines.append(f"{c.ours} = {quoted(str(c.unit))}")
    for c in (c for c in proposal.columns if c.codes):
        lines.append(f"[files.{name}.codes.{c.ours}]")
        if OPEN in c.codes.values():
            lines.append(f"# decide: {c.alternatives}")
        lines += [f"{quoted(theirs)} = {quoted(ours)}" for theirs, ours in c.codes.items()]
    if proposal.constants:
        lines.append(f"[files.{name}.values]")
        for ours, (value, why) in proposal.constants.items():
            lines += (
                [f"# decide: {why}", f"{ours} = {quoted(value)}"]
                if value == OPEN
                else [f"{ours} = {quoted(value)}  # {why}"]
            )
    return "\n".join(lines)


def preview(proposals: list[Proposal]) -> pd.DataFrame:
    """Return one row per column: theirs, ours, unit, three values and how they are read."""
    rows = []
    for proposal in proposals:
        for column in proposal.columns:
            cells = proposal.cells(column)
            some = filled(cells)[:3]
            unit = column.unit or (
                own_unit(column.ours) if _is_number(proposal.name, column.ours) else ""
            )
            source = column.theirs if column.at < 0 else proposal.blocks[0].headers[column.at]
            read = _as_read(proposal, column, cells)
            rows.append((proposal.name, source or "-", column.ours, unit, "; ".join(some), read))
        for ours, (value, why) in proposal.constants.items():
            read = f"to be decided: {why}" if value == OPEN else value
            rows.append((proposal.name, "-", ours, "", value, read))
    return pd.DataFrame(rows, columns=list(PREVIEW))


def _is_number(table: str, ours: str) -> bool:
    without_unit = ours in ("birth_year", "stage", "rpe_max")
    return INPUTS[table].columns[ours].kind == "number" and not without_unit


def _as_read(proposal: Proposal, column: Column, cells: list[str]) -> str:
    """Return the first three values of a column as the study's own readers give them."""
    order, _, alternatives = proposal.order
    kind = INPUTS[proposal.name].columns[column.ours]
    moment = column.ours == MOMENT.get(proposal.name)
    open_ = column.unit == OPEN or OPEN in column.codes.values() or (moment and order == OPEN)
    if open_:
        return f"to be decided: {alternatives if moment else column.alternatives}"
    form = FileFormat(
        columns={column.ours: "x"},
        units={column.ours: column.unit} if column.unit else {},
        codes={column.ours: column.codes},
        date_order=order if order != OPEN else None,  # type: ignore[arg-type]  # one of the three
    )
    table = Table(proposal.name, {column.ours: kind}, ledger_id="")
    raw = frame_table(pd.DataFrame({"x": filled(cells)}, dtype="str"), table, form, Findings())
    if kind.kind == "number":
        values = next(iter(number_columns(raw).values()))
        return "; ".join(f"{value:.5g}" for value in values[:3])
    if kind.kind in ("date", "time"):
        found = moment_column(raw, column.ours, "UTC")
        some = (found.date if kind.kind == "date" else found.instant)[:3].astype("datetime64[s]")
        return "; ".join(str(t).replace("T00:00:00", "").replace("T", " ") for t in some)
    if kind.kind == "code":
        found_codes = code_column(raw, column.ours)
        return "; ".join(found_codes.at(i) for i in range(min(3, len(raw.rows))))
    return "; ".join(filled(cells)[:3])
