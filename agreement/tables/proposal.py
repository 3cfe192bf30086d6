"""From exports on the desk to a study folder with a proposed study.toml, the evidence beside each choice."""

import csv
import json
import re
import shutil
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import pandas as pd

from agreement.errors import AgreementError
from agreement.tables.columns import FIELD_TABLES, FOLDERS, INPUTS, MOMENT, TABLES, Table
from agreement.tables.dates import moment_column
from agreement.tables.findings import Findings
from agreement.tables.ids import likely_pairs
from agreement.tables.new_study import MEANINGS, STUDY_FILE_TEXT, refuse_used
from agreement.tables.number_columns import number_columns
from agreement.tables.options import FileFormat
from agreement.tables.proposal_columns import (
    Proposal,
    ProposedColumn,
    columns_of,
    decide_unit,
    filled,
)
from agreement.tables.proposal_sources import (
    NO_HEADER,
    ExportTable,
    blocks_of,
    file_of,
    files_of,
    gathered_unknown,
    unfolded,
    unknown_block,
)
from agreement.tables.proposal_tables import (
    proposed,
    said_above,
    says_field_value,
    split_methods,
    split_people,
    table_of,
)
from agreement.tables.proposal_words import HEADER_WORDS, plain
from agreement.tables.readers import frame_table
from agreement.tables.study_file import NO_TABLE
from agreement.tables.study_lines import OPEN
from agreement.tables.text_cells import code_column
from agreement.tables.units import UNITS, own_unit
from agreement.tables.whole_output import whole_folder
from agreement.terms import counted

_PER_KG: Final = "vo2_ml_kg_min"
ORIGINALS: Final = "originals"  # the exports that were gathered into tables, as they came


@dataclass(frozen=True, slots=True)
class Proposed:
    """What was proposed."""

    # one row per column: table, your column, ours, unit, first three values, as we read them
    preview: pd.DataFrame
    remarks: tuple[str, ...]  # files that were not used, and why
    questions: int  # lines of study.toml that a person has to decide


def propose_study(folder: Path, exports: Sequence[Path]) -> Proposed:
    """
    Write a study folder, new or empty, from exports or folders of them, which stay as they are.

    Raises AgreementError if there is no file, or none of them is a table.
    """
    files = files_of(exports)
    placed, undecided, remarks = _placed(files)
    if not placed and not undecided:
        raise AgreementError("No table was found in these files. " + " ".join(remarks))
    recordings = {name: placed.pop(name) for name in FOLDERS if name in placed}
    in_files, athletes = (
        Counter(b.file for blocks in placed.values() for b in blocks),
        _people(placed),
    )
    proposals, same_day = [], False
    for name, blocks in placed.items():
        alone = in_files[blocks[0].file] == 1
        proposals.append(one := proposed(name, blocks, athletes, alone=alone))
        remarks += one.dropped
    lab = next((p for p in proposals if p.name == "lab_tests"), None)
    if lab is not None:
        if not any(p.name in FIELD_TABLES for p in proposals) and (found := split_methods(lab)):
            proposals.append(found)
            same_day = True
        if not any(p.name == "athletes" for p in proposals) and (people := split_people(lab)):
            proposals.append(people)
    proposals.sort(key=lambda p: list(TABLES).index(p.name))
    # of recordings the first file stands for all
    columns = {name: _recorded(blocks[0], name) for name, blocks in recordings.items()}
    with_ids = [(table, table.column("athlete_id")) for table in proposals]
    listed = {table.name: set(filled(table.cells(c))) for table, c in with_ids if c}
    # ids of field tables that look like one id of the laboratory or of the athletes
    known = listed.get("athletes") or listed.get("lab_tests") or set()
    ids = likely_pairs(set().union(*listed.values()) - known, known)
    text = study_text(proposals, columns, ids, undecided, same_day=same_day)
    with whole_folder(folder, refuse_used) as place:
        _copy(place, files, proposals, recordings, undecided)
        for block in undecided:
            if (name := file_of(block)) != block.file.name:
                _write(place / name, [block.headers, *(cells for _, cells in block.rows)])
        for one in proposals:
            if one.rows is not None:
                file = place / f"{one.name}.csv"
                pd.DataFrame(one.rows).to_csv(file, index=False, lineterminator="\n")
        if ids:
            _write(place / "ids.csv", [("found", "athlete_id"), *ids])
        (place / "study.toml").write_text(text, encoding="utf-8", newline="\n")
    if not same_day:  # else the columns of each method are read
        remarks += _left_behind(proposals)
    return Proposed(preview(proposals), tuple(remarks), text.count(' = "?"'))


def _write(path: Path, rows: Iterable[Iterable[str]]) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file, lineterminator="\n").writerows(rows)


def _left_behind(proposals: list[Proposal]) -> list[str]:
    """Say which columns a table that is written anew does not have; `check` names those of others."""
    said, names = {}, {"athletes", *(one.name for one in proposals)}
    for one in proposals:
        for block in one.blocks if one.rows is not None else ():
            known = {c.at for name in names for c in columns_of(block, name)}
            rest = [
                f"'{header}'"
                for at, header in enumerate(block.headers)
                if at not in known and plain(header) not in HEADER_WORDS["clock"]
                if header.strip() and filled(block.column(at))
            ]
            if rest:
                said[block.name] = f"{block.name}: not read, because unknown: {', '.join(rest)}."
    return list(said.values())


def _placed(files: list[Path]) -> tuple[dict[str, list[ExportTable]], list[ExportTable], list[str]]:
    """Return the blocks of each table, those that nothing decides, and remarks on other files."""
    placed: dict[str, list[ExportTable]] = {}
    undecided: list[ExportTable] = []
    remarks = []
    for file in files:
        blocks, why = blocks_of(file)
        unknown = unknown_block(file) if why == NO_HEADER else None
        if unknown is not None:
            undecided.append(unknown)
        elif not blocks:
            remarks.append(f"{file.name}: {why}")
        for block in blocks:
            name = table_of(block)
            if name is None:
                undecided.append(block)
            else:
                placed.setdefault(name, []).append(block)
    people = _people(placed)
    for block in list(undecided):
        tall = unfolded(block, people)
        if tall is not None and says_field_value(block) and (name := table_of(tall)):
            placed.setdefault(name, []).append(tall)
            undecided.remove(block)
    return placed, gathered_unknown(undecided), remarks


def _people(placed: dict[str, list[ExportTable]]) -> set[str]:
    """Return the ids that stand in a column of athletes, or above a table."""
    above = {said_above(b).get("athlete_id", "") for blocks in placed.values() for b in blocks}
    return (above - {""}) | {
        cell
        for name, blocks in placed.items()
        for block in blocks
        for column in columns_of(block, name)
        if column.ours == "athlete_id"
        for cell in filled(block.column(column.at))
    }


def _recorded(block: ExportTable, name: str) -> list[ProposedColumn]:
    columns = columns_of(block, name)
    have = {column.ours for column in columns}
    for column in columns:
        per_kg = column.ours == "vo2_ml_min" and column.named.unit in UNITS[_PER_KG]
        if per_kg and _PER_KG not in have:
            column.ours = _PER_KG
        if FOLDERS[name].columns[column.ours].kind == "number":  # no id of whose rows they are
            decide_unit(column, block.column(column.at))
    return columns


def _copy(
    place: Path,
    files: list[Path],
    proposals: list[Proposal],
    recordings: dict[str, list[ExportTable]],
    undecided: list[ExportTable],
) -> None:
    """Copy every export: to where it is read, else to the originals."""
    as_they_are = {p.blocks[0].file for p in proposals if p.rows is None}
    as_they_are |= {b.file for b in undecided if file_of(b) == b.file.name}
    stems = Counter(file.name for file in files)
    recorded = {block.file: name for name, blocks in recordings.items() for block in blocks}
    for file in files:
        target = place / recorded.get(file, "" if file in as_they_are else ORIGINALS)
        if target != place and stems[file.name] > 1:  # of each person, or each month
            target /= file.parent.name
        target.mkdir(exist_ok=True, parents=True)
        name, n = file.name, 1
        while (target / name).exists():
            n += 1
            name = f"{file.stem} {n}{file.suffix}"
        shutil.copyfile(file, target / name)


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
    recordings: dict[str, list[ProposedColumn]],
    ids: list[tuple[str, str]],
    undecided: list[ExportTable],
    *,
    same_day: bool,
) -> str:
    """Return the study file; `same_day`: field values stand on the day of the test itself."""
    text = STUDY_FILE_TEXT[: STUDY_FILE_TEXT.index("# How a file is written")]
    text = text[text.index("[study]") :]
    if timed := next((p.timed for p in proposals if p.timed), ""):
        said = f'the IANA name of the zone of your clocks, like "Europe/Oslo": {timed} has none'
        text = _line(text, "time_zone", f'time_zone = "{OPEN}"', said)
    if ids:
        first = f"{ids[0][0]} as {ids[0][1]}{' ...' if len(ids) > 1 else ''}"
        said = f'"ids.csv", once all that it joins are right: {counted(len(ids), "id")} ({first})'
        text = _line(text, "id_map", f'id_map = "{OPEN}"', said)
    if same_day:
        said = (
            "true if field values of the date of the test itself, as yours are, may count; or false"
        )
        text = _line(text, "same_day", f'same_day = "{OPEN}"', said)
        said = "one field value per test in your file"
        text = _line(text, "minimum_days", "minimum_days = 1", said)
    parts = [_INTRODUCTION + text.rstrip()]
    lines = ["[files]"]
    for block in undecided:  # an open line for a file that nothing says the table of
        cells = zip(block.headers, block.rows[0][1], strict=True)
        first = ", ".join([f"{name} ({cell})" for name, cell in cells][:6])
        choices = ", ".join(f"{quoted(n)} ({said.split(';')[0]})" for n, said in MEANINGS.items())
        why = f"nothing decides which table it is: {first}. Choose {choices}"
        lines.append(f'# decide: {why}, or "{NO_TABLE}" (no part of the study)'.replace("\n", " "))
        lines.append(f'{quoted(file_of(block))} = "{OPEN}"')
    parts += ["\n".join(lines)] if undecided else []
    parts += [_file_text(proposal) for proposal in proposals]
    parts += ["\n".join(_column_lines(name, columns)) for name, columns in recordings.items()]
    return "\n\n".join(parts) + "\n"


def _line(text: str, key: str, line: str, why: str) -> str:
    """Replace the commented line of a key, the first one, by a line of ours with its reason above."""
    new = f"# decide: {why}\n{line}" if OPEN in line else f"{line}  # {why}"
    return re.sub(rf"(?m)^# {key} = .*$", lambda _: new, text, count=1)


def _file_text(proposal: Proposal) -> str:
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
    lines += _column_lines(name, proposal.columns)
    for c in (c for c in proposal.columns if c.codes):
        lines.append(f"[files.{name}.codes.{c.ours}]")
        if OPEN in c.codes.values():
            lines.append(f"# decide: {c.alternatives}")
        lines += [f"{quoted(theirs)} = {quoted(ours)}" for theirs, ours in c.codes.items()]
    if proposal.constants:
        lines.append(f"[files.{name}.values]")
        for ours, (value, why) in proposal.constants.items():
            lines += [f"# decide: {why}"] if value == OPEN else []
            lines.append(f"{ours} = {quoted(value)}" + (f"  # {why}" if value != OPEN else ""))
    return "\n".join(lines)


def _column_lines(name: str, columns: list[ProposedColumn]) -> list[str]:
    """Return the tables of the columns of a file and of their units."""
    lines = [f"[files.{name}.columns]"]
    lines += [
        f"{c.ours} = {quoted(c.theirs)}" + (f"  # {c.evidence}" if c.evidence else "")
        for c in columns
    ]
    units = [c for c in columns if c.unit]
    lines += [f"[files.{name}.units]"] if units else []
    for c in units:
        if c.unit == OPEN:
            evidence = f"{c.evidence}; " if c.evidence else ""
            lines.append(f"# decide: {evidence}{quoted(c.theirs)} is in {c.alternatives}")
        lines.append(f"{c.ours} = {quoted(str(c.unit))}")
    return lines


def preview(proposals: list[Proposal]) -> pd.DataFrame:
    """Return one row per column: theirs, ours, unit, three values and how they are read."""
    rows = []
    for proposal in proposals:
        for column in proposal.columns:
            cells = proposal.cells(column)
            some = filled(cells)[:3]
            unit = column.unit or own_unit(column.ours)
            theirs, read = column.header or column.theirs, _as_read(proposal, column, cells)
            rows.append((proposal.name, theirs or "-", column.ours, unit, "; ".join(some), read))
        for ours, (value, why) in proposal.constants.items():
            read = f"to be decided: {why}" if value == OPEN else value
            rows.append((proposal.name, "-", ours, "", value, read))
    return pd.DataFrame(rows, columns=list(PREVIEW))


def _as_read(proposal: Proposal, column: ProposedColumn, cells: list[str]) -> str:
    """Return the first three values of a column as the study's own readers give them."""
    order, _, alternatives = proposal.order
    kind = INPUTS[proposal.name].columns[column.ours]
    moment = column.ours == MOMENT.get(proposal.name)
    if column.unit == OPEN or OPEN in column.codes.values() or (moment and order == OPEN):
        return f"to be decided: {alternatives if moment else column.alternatives}"
    form = FileFormat(
        columns={column.ours: ("x",)},
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
        return "; ".join(code_column(raw, column.ours).series().fillna("")[:3])
    return "; ".join(filled(cells)[:3])
