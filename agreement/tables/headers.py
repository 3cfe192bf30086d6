"""Which column of a file is which of ours: names, spellings, near misses, columns and files to be wary of."""

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from difflib import SequenceMatcher, get_close_matches
from functools import lru_cache
from pathlib import Path
from typing import Any, Final

import pandas as pd

from agreement.tables.columns import TABLE_ENDINGS, UNREAD_ENDINGS, Column
from agreement.tables.findings import Findings, Source
from agreement.tables.options import FileFormat

PERSONAL: Final = re.compile(
    r"(^|_)(lat|latitude|lon|lng|long|longitude|gps|geo|position|address|street|postcode|zip|"
    r"birth_?date|date_of_birth|dob|birthday|born|name|first_?name|last_?name|full_?name|surname|"
    r"e_?mail|phone|national_id)(_|$)"
)
ORIGIN: Final = ("from_file", "from_row")  # where a row of a gathered table came from
JOIN: Final = " + "  # between the headers of an id that stands in several columns
_LOOKED_AT: Final = 500  # unknown columns compared with ours; a file may have a million


@lru_cache(maxsize=4096)
def plain_name(text: str) -> str:
    """
    Return a header without what nobody means by it: case, blanks around, blanks for underscores.

    >>> plain_name(" Athlete ID")
    'athlete_id'
    """
    return re.sub(r"[\s\-]+", "_", text.replace("\ufeff", "").strip()).casefold()


@dataclass(frozen=True, slots=True)
class Header:
    """The columns that were found, `position` and `theirs` by our name, and those not read."""

    position: dict[str, int]
    theirs: dict[str, str]
    unread: tuple[str, ...] = ()


def wanted_names(source: Source) -> set[str]:
    """Return every header that this table may have, in plain spelling."""
    return {*map(plain_name, source.table.columns), *stated_names(source.form)}


def stated_names(form: FileFormat) -> dict[str, str]:
    """Return our column by each header that the study file names, in plain spelling."""
    return {plain_name(theirs): ours for ours, every in form.columns.items() for theirs in every}


def read_header(cells: Sequence[str], source: Source) -> Header:
    """Match the header cells, as the file has them, with our columns; say what does not fit."""
    columns, names = source.table.columns, [cell.replace("\ufeff", "").strip() for cell in cells]
    stated = _stated(names, source)
    position = dict(stated)
    taken = set(position.values())
    for i, name in enumerate(names):
        ours = plain_name(name)
        if i in taken or ours not in columns or ours in stated or name in names[:i]:
            continue
        if ours in position:
            source.tell("two_columns", name, ours=ours, one=names[position[ours]], other=name)
            continue
        position[ours] = i
        taken.add(i)
        if cells[i] != ours:
            source.tell("header_spelling", name, ours=ours)
    needed = {names[i] for i in taken}
    twice = [(name, n) for name, n in Counter(names).items() if name in needed and n > 1]
    for name, n in twice[:_LOOKED_AT]:
        source.tell("header_over_several", name, header=name, columns=n)
    unread = [n for i, n in enumerate(names) if i not in taken and n]
    _report_others(unread, [ours for ours in columns if ours not in position], source)
    return Header(position, {ours: names[i] for ours, i in position.items()}, tuple(unread))


def _stated(names: list[str], source: Source) -> dict[str, int]:
    """Return the positions of the columns that the study file names."""
    form, plain = source.form, [plain_name(n) for n in names]
    position: dict[str, int] = {}
    for ours, every in form.columns.items():
        if ours not in source.table.columns:
            continue  # already reported with the study file
        theirs = next((one for one in every if plain_name(one) in plain), every[0])
        exact, alike = theirs.strip(), plain_name(theirs)
        if alike in plain:
            position[ours] = names.index(exact) if exact in names else plain.index(alike)
        else:
            have = ", ".join(n for n in names if n)
            source.tell("stated_column_missing", theirs, theirs=theirs, ours=ours, have=have)
    return position


def _report_others(others: list[str], absent: list[str], source: Source) -> None:
    """Note the columns that are not read: near misses, personal ones, the rest."""
    rest = []
    for i, name in enumerate(others):
        if name in ORIGIN:
            continue
        look = i < _LOOKED_AT
        near = get_close_matches(plain_name(name), absent, n=1, cutoff=0.8) if look else []
        if PERSONAL.search(plain_name(name)):
            source.tell("personal_column", name)
        elif near:
            source.tell("perhaps_a_column", name, ours=near[0], header=name)
        else:
            rest.append(name)
    if rest:
        shown = ", ".join(f"'{n}'" for n in rest[:20]) + (" ..." if len(rest) > 20 else "")
        source.tell("unknown_columns", listed=shown)


def with_pieces(source: Source) -> Source:
    """Return a source in which each piece of an id in several columns, `a + b`, is a column."""
    table, form = source.table, source.form
    pieces: dict[str, tuple[str, ...]] = {}
    for ours, (theirs, *_) in form.columns.items():
        if JOIN in theirs and ours in table.columns and table.columns[ours].kind == "id":
            pieces |= {f"{ours}{JOIN}{i}": (one,) for i, one in enumerate(theirs.split(JOIN))}
    if not pieces:
        return source
    whole = {name.split(JOIN)[0] for name in pieces}
    columns = {name: one for name, one in table.columns.items() if name not in whole}
    columns |= dict.fromkeys(pieces, Column("id"))
    stated = {ours: theirs for ours, theirs in form.columns.items() if ours not in whole}
    form = replace(form, columns=stated | pieces)
    return replace(source, table=replace(table, columns=columns), form=form)


def join_pieces(frame: pd.DataFrame, theirs: dict[str, str]) -> tuple[pd.DataFrame, dict[str, str]]:
    """Put the pieces of joined ids together, and their headers; where one is missing the id is."""
    from agreement.tables.text_cells import distinct  # which itself imports what reads tables

    joined: dict[str, Any] = {}
    for name in [one for one in frame if JOIN in str(one)]:
        piece = distinct(frame[name]).series().str.strip()
        piece = piece.mask(piece == "")
        ours = str(name).split(JOIN)[0]
        joined[ours] = joined[ours] + "-" + piece if ours in joined else piece
    if not joined:
        return frame, theirs
    headers = {
        ours: JOIN.join(header for name, header in theirs.items() if name.startswith(ours + JOIN))
        for ours in joined
    }
    kept = {name: header for name, header in theirs.items() if JOIN not in name}
    rest = frame[[name for name in frame if JOIN not in str(name)]]
    return rest.assign(**joined), kept | headers


PEOPLE_TABLE: Final = "athletes"
WITHDRAWN_COLUMN: Final = "withdrawn"
_ENDINGS: Final = (*TABLE_ENDINGS, *UNREAD_ENDINGS)
_EXACT: Final = {PEOPLE_TABLE + ending for ending in _ENDINGS}
_ALIKE: Final = 0.86  # of SequenceMatcher: one letter missing, doubled, changed or swapped
_EXTRAS: Final = re.compile(r"\(\d+\)|\bcopy( of)?\b|\b(old|new|final|backup|bak|v?\d+)\b")


def refuse_unread_people(folder: Path, file: str | None, findings: Findings) -> None:
    """Stop at what looks like the athletes table beside, or instead of, the `file` read."""
    if any(stop.file == file for stop in findings.stops if file is not None):
        return
    found = []
    for path in sorted(folder.iterdir()):
        name = path.name
        if name == file or name.startswith((".", "~$")) or not looks_like_people(name):
            continue
        if file is None or (path.is_file() and name.casefold().endswith(_ENDINGS)):
            found.append(name)
    for path in sorted(folder.glob("*/")) if file is None else ():
        moved = [p.name for p in path.iterdir() if p.name.casefold() in _EXACT]
        if moved and not path.name.startswith("."):
            found.append(f"{path.name}/{moved[0]}")
    said = {stop.file for stop in findings.stops}
    for name in found:  # nobody can tell whether people withdrew who are marked there
        if (shown := name.encode("utf-8", "replace").decode()) not in said:
            findings.tell("unread_athletes", shown)


def looks_like_people(name: str) -> bool:
    """
    Whether a file's name is likely to mean the athletes table.

    >>> [looks_like_people(n) for n in ("athletes (1).csv", "athlets.csv", "Athletes.csv.csv")]
    [True, True, True]
    >>> [looks_like_people(n) for n in ("lab_tests.csv", "athletics_results.csv", "README.txt")]
    [False, False, False]
    """
    stem = name.casefold().split(".")[0]
    plain = _EXTRAS.sub(" ", re.sub(r"[_\-]+", " ", stem)).strip().replace(" ", "")
    return SequenceMatcher(None, plain, PEOPLE_TABLE).ratio() >= _ALIKE


def refuse_unread_withdrawal(
    file: str, names: tuple[str, ...], read: bool, findings: Findings
) -> None:
    """Stop when no column is `read` as `withdrawn`, and one of `names` is called much like it."""
    for name in () if read else names:
        plain = plain_name(name).replace("_", "")
        if plain.startswith(("withdr", "dropout", "droppedout", "optout", "optedout")) or (
            SequenceMatcher(None, plain, WITHDRAWN_COLUMN).ratio() >= _ALIKE
        ):
            findings.tell("unread_withdrawn", file, column=name, header=name)
