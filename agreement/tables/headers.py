"""Which column of a file is which of ours: names, spellings, near misses, columns to be wary of."""

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from functools import lru_cache
from typing import Final

from agreement.tables.columns import Table
from agreement.tables.findings import Findings
from agreement.tables.options import FileFormat

PERSONAL: Final = re.compile(
    r"(^|_)(lat|latitude|lon|lng|long|longitude|gps|geo|position|address|street|postcode|zip|"
    r"birth_?date|date_of_birth|dob|birthday|born|name|first_?name|last_?name|full_?name|surname|"
    r"e_?mail|phone|national_id)(_|$)"
)
ORIGIN: Final = ("from_file", "from_row")  # where a row of a gathered table came from
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


def wanted_names(table: Table, form: FileFormat) -> set[str]:
    """Return every header that this table may have, in plain spelling."""
    return {*map(plain_name, table.columns), *stated_names(form)}


def stated_names(form: FileFormat) -> dict[str, str]:
    """Return our column by each header that the study file names, in plain spelling."""
    return {
        plain_name(theirs): ours
        for ours, first in form.columns.items()
        for theirs in (first, *form.also.get(ours, ()))
    }


def read_header(
    cells: Sequence[str], table: Table, form: FileFormat, file: str, findings: Findings
) -> Header:
    """
    Match the header cells with our columns; what does not fit goes to `findings`.

    cells: the header as the file has it.
    table: our columns.
    form: may carry ``columns = { ours = "theirs" }``.
    """
    names = [cell.replace("\ufeff", "").strip() for cell in cells]
    stated = _stated(names, table, form, file, findings)
    position = dict(stated)
    taken = set(position.values())
    for i, name in enumerate(names):
        ours = plain_name(name)
        if i in taken or ours not in table.columns or ours in stated or name in names[:i]:
            continue
        if ours in position:
            what = f"Two columns are '{ours}': '{names[position[ours]]}' and '{name}'."
            findings.stop(
                "duplicate_column", file, what, "Rename or delete one of them.", column=name
            )
            continue
        position[ours] = i
        taken.add(i)
        if cells[i] != ours:
            remedy = f"If it is something else, set columns in [files.{table.name}] of study.toml."
            findings.note("header_spelling", file, f"Read as '{ours}'.", remedy, column=name)
    _refuse_twice(names, taken, file, findings)
    unread = [n for i, n in enumerate(names) if i not in taken and n]
    _report_others(unread, table, position, file, findings)
    return Header(position, {ours: names[i] for ours, i in position.items()}, tuple(unread))


def _refuse_twice(names: list[str], read: set[int], file: str, findings: Findings) -> None:
    """Stop when the header of a column that is read stands over another one too."""
    needed = {names[i] for i in read}
    twice = [(name, n) for name, n in Counter(names).items() if name in needed and n > 1]
    for name, n in twice[:_LOOKED_AT]:
        what = f"The header '{name}' stands over {n} columns."
        findings.stop("duplicate_column", file, what, "Rename or delete all but one.", column=name)


def _stated(
    names: list[str], table: Table, form: FileFormat, file: str, findings: Findings
) -> dict[str, int]:
    """Return the positions of the columns that the study file names."""
    plain = [plain_name(n) for n in names]
    position: dict[str, int] = {}
    for ours, first in form.columns.items():
        if ours not in table.columns:
            continue  # already reported with the study file
        every = (first, *form.also.get(ours, ()))
        theirs = next((one for one in every if plain_name(one) in plain), first)
        if theirs.strip() in names:
            position[ours] = names.index(theirs.strip())
        elif plain_name(theirs) in plain:
            position[ours] = plain.index(plain_name(theirs))
        else:
            what = f"There is no column '{theirs}', which study.toml names as '{ours}'."
            remedy = f"The file has {', '.join(n for n in names if n)}."
            findings.stop("missing_column", file, what, remedy, column=theirs)
    return position


def _report_others(
    others: list[str], table: Table, position: dict[str, int], file: str, findings: Findings
) -> None:
    """Note the columns that are not read: near misses, personal ones, the rest."""
    absent = [ours for ours in table.columns if ours not in position]
    rest = []
    for i, name in enumerate(others):
        if name in ORIGIN:
            continue
        look = i < _LOOKED_AT
        near = get_close_matches(plain_name(name), absent, n=1, cutoff=0.8) if look else []
        if PERSONAL.search(plain_name(name)):
            what = "The column may tell who or where a person is; it is not read."
            remedy = "Delete it from the file before sharing the study folder."
            findings.note("personal_column", file, what, remedy, column=name)
        elif near:
            remedy = (
                f"If it is '{near[0]}', set columns = {{ {near[0]} = \"{name}\" }} "
                f"in [files.{table.name}] of study.toml."
            )
            findings.note("unknown_column", file, "Not read: unknown.", remedy, column=name)
        else:
            rest.append(name)
    if rest:
        shown = ", ".join(f"'{n}'" for n in rest[:20]) + (" ..." if len(rest) > 20 else "")
        remedy = f"If one is ours, name it with columns in [files.{table.name}] of study.toml."
        findings.note("unknown_column", file, f"Not read, because unknown: {shown}.", remedy)
