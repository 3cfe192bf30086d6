"""From exports on the desk to a study folder with a proposed study.toml; nothing is guessed silently."""

import csv
import shutil
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import pandas as pd

from agreement.errors import AgreementError
from agreement.tables.columns import FIELD_TABLES, FOLDERS, TABLES
from agreement.tables.ids import likely_pairs
from agreement.tables.new_study import refuse_used
from agreement.tables.proposal_columns import Column, Proposal, columns_of, decide_unit, filled
from agreement.tables.proposal_sources import (
    NO_HEADER,
    Block,
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
from agreement.tables.proposal_text import preview, study_text
from agreement.tables.proposal_words import WORDS, plain
from agreement.tables.units import UNITS
from agreement.tables.whole_output import whole_folder

_PER_KG: Final = "vo2_ml_kg_min"
ORIGINALS: Final = "originals"  # the exports that were gathered into tables, as they came


@dataclass(frozen=True, slots=True)
class Proposed:
    """What was proposed."""

    # one row per column: table, your column, ours, unit, first three values, as we read them
    preview: pd.DataFrame
    remarks: tuple[str, ...]  # files that were not used, and why
    questions: int  # lines of study.toml that a person has to decide


def propose_study(folder: Path, exports: Iterable[Path]) -> Proposed:
    """
    Write a study folder from exports.

    folder: made if needed; must be empty.
    exports: files (CSV, TSV, XLSX, ODS, Parquet) or folders of them; they are copied, never
        changed.
    Raises AgreementError if there is no file, or none of them is a table.
    Raises OutputError if the folder holds something already, or cannot be made.
    """
    files = files_of(exports)
    placed, undecided, remarks = _placed(files)
    if not placed and not undecided:
        raise AgreementError("No table was found in these files. " + " ".join(remarks))
    recordings = {name: placed.pop(name) for name in FOLDERS if name in placed}
    proposals = _proposals(placed, remarks)
    same_day = False
    lab = next((p for p in proposals if p.name == "lab_tests"), None)
    if lab is not None:
        if not any(p.name in FIELD_TABLES for p in proposals) and (found := split_methods(lab)):
            proposals.append(found)
            same_day = True
        if not any(p.name == "athletes" for p in proposals) and (people := split_people(lab)):
            proposals.append(people)
    proposals.sort(key=lambda p: list(TABLES).index(p.name))
    columns = {name: _recorded(blocks, name) for name, blocks in recordings.items()}
    ids = _likely_ids(proposals)
    text = study_text(proposals, columns, ids, undecided, same_day=same_day)
    with whole_folder(folder, refuse_used) as place:
        _copy(place, files, proposals, recordings, undecided)
        for block in undecided:
            if (name := file_of(block)) != block.file.name:
                with (place / name).open("w", encoding="utf-8", newline="") as file:
                    rows = [block.headers, *(cells for _, cells in block.rows)]
                    csv.writer(file, lineterminator="\n").writerows(rows)
        for one in proposals:
            if one.rows is not None:
                pd.DataFrame(one.rows).to_csv(
                    place / f"{one.name}.csv", index=False, lineterminator="\n"
                )
        if ids:
            with (place / "ids.csv").open("w", encoding="utf-8", newline="") as file:
                csv.writer(file, lineterminator="\n").writerows([("found", "athlete_id"), *ids])
        (place / "study.toml").write_text(text, encoding="utf-8", newline="\n")
    if not same_day:  # else the columns of each method are read
        remarks += _left_behind(proposals)
    return Proposed(preview(proposals), tuple(remarks), text.count(' = "?"'))


def _left_behind(proposals: list[Proposal]) -> list[str]:
    """Say which columns a table that is written anew does not have; `check` names those of others."""
    said, names = {}, {"athletes", *(one.name for one in proposals)}
    for one in proposals:
        for block in one.blocks if one.rows is not None else ():
            known = {c.at for name in names for c in columns_of(block, name)}
            rest = [
                f"'{header}'"
                for at, header in enumerate(block.headers)
                if at not in known and plain(header) not in WORDS["clock"]
                if header.strip() and filled(block.column(at))
            ]
            if rest:
                said[block.name] = f"{block.name}: not read, because unknown: {', '.join(rest)}."
    return list(said.values())


def _placed(files: list[Path]) -> tuple[dict[str, list[Block]], list[Block], list[str]]:
    """Return the blocks of each table, those that nothing decides, and remarks on other files."""
    placed: dict[str, list[Block]] = {}
    undecided: list[Block] = []
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
    people = _people_in(placed)
    for block in list(undecided):
        tall = unfolded(block, people)
        if tall is not None and says_field_value(block) and (name := table_of(tall)):
            placed.setdefault(name, []).append(tall)
            undecided.remove(block)
    return placed, gathered_unknown(undecided), remarks


def _people_in(placed: dict[str, list[Block]]) -> set[str]:
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


def _proposals(placed: dict[str, list[Block]], remarks: list[str]) -> list[Proposal]:
    """Return the proposal of each table; blocks that did not fit go to the remarks."""
    people = _people_in(placed)
    used = Counter(block.file for blocks in placed.values() for block in blocks)
    proposals = []
    for name, blocks in placed.items():
        alone = used[blocks[0].file] == 1
        one = proposed(name, blocks, people, alone=alone)
        remarks += [
            f"{left}: left out of {name}, because what is open in it is decided elsewhere; "
            "write units and dates into it as the other files do."
            for left in one.dropped
        ]
        proposals.append(one)
    return proposals


def _recorded(blocks: list[Block], name: str) -> list[Column]:
    """Return the columns of recordings; the first file stands for all."""
    columns = columns_of(blocks[0], name)
    have = {column.ours for column in columns}
    for column in columns:
        if (
            column.ours == "vo2_ml_min"
            and column.named.unit in UNITS[_PER_KG]
            and _PER_KG not in have
        ):
            column.ours = _PER_KG
        if FOLDERS[name].columns[column.ours].kind == "number":  # no id of whose rows they are
            decide_unit(column, blocks[0].column(column.at))
    return columns


def _likely_ids(proposals: list[Proposal]) -> list[tuple[str, str]]:
    """Return ids of field tables that look like one id of the laboratory or of the athletes."""
    people = {
        one.name: set(filled(one.cells(column)))
        for one in proposals
        if (column := one.column("athlete_id"))
    }
    known = people.get("athletes") or people.get("lab_tests") or set()
    others = set().union(*people.values()) - known if people else set()
    return likely_pairs(others, known)


def _copy(
    place: Path,
    files: list[Path],
    proposals: list[Proposal],
    recordings: dict[str, list[Block]],
    undecided: list[Block],
) -> None:
    """Copy every export: to where it is read, else to the originals."""
    as_they_are = {p.blocks[0].file for p in proposals if p.rows is None}
    as_they_are |= {b.file for b in undecided if file_of(b) == b.file.name}
    stems = Counter(file.name for file in files)
    recorded = {block.file: name for name, blocks in recordings.items() for block in blocks}
    for file in files:
        target = place
        if file in recorded:
            target = place / recorded[file]
        elif file not in as_they_are:
            target = place / ORIGINALS
            if stems[file.name] > 1:  # a folder for each person, or for each month
                target /= file.parent.name
        target.mkdir(exist_ok=True, parents=True)
        name, n = file.name, 1
        while (target / name).exists():
            n += 1
            name = f"{file.stem} {n}{file.suffix}"
        shutil.copyfile(file, target / name)
