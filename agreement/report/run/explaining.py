"""What a word means: statistics and glossary, columns, codes, field tests, keys of study.toml."""

import re
from difflib import get_close_matches
from typing import Final

from agreement.errors import AgreementError
from agreement.physiology.field_tests import PROTOCOLS
from agreement.stats.catalogue import describe
from agreement.tables.columns import INPUTS
from agreement.tables.findings import messages_of
from agreement.tables.new_study import STUDY_FILE_TEXT
from agreement.tables.units import unit_names
from agreement.terms import DOUBTS, GROUP_WORDS, NOTE_WORDS, OUTPUT_COLUMNS, RANGES, REASONS

_CODES: Final = {  # what they are, and what each means
    "a reason why a row was left out": REASONS,
    "what looks wrong in a study, and a key of [confirm]": DOUBTS,
    "a code in the column note of results.csv": NOTE_WORDS,
    "a group of results.csv": GROUP_WORDS,
}
_CHECKED: Final = {"stop": "stops", "set_aside": "sets a row aside", "note": "notes"}


def explained(name: str) -> str:
    """
    Return what a name means, in a few lines; everything that is called so.

    name: a statistic or a word of the glossary, a column, a code, a field test, a key of study.toml.
    Raises AgreementError if nothing is called so; the message names what is spelt alike.

    >>> print(explained("stale"))
    stale: a reason why a row was left out: one value repeated day after day, counted once.
    >>> print(explained("days_before"))
    pairing.days_before: a key of study.toml (14): estimates up to this many days before the test.
    pairing.field_tests.days_before: a key of study.toml (14): estimates up to this many days before the test.
    """
    plain = name.strip()
    lines = []
    lines += [
        f"{plain}: {kind}: {said}."
        for kind, codes in _CODES.items()
        for code, said in codes.items()
        if plain in (code, code.removeprefix("vt1 "), code.removeprefix("vt2 "))  # its method
    ]
    if (test := PROTOCOLS.get(plain)) is not None:
        lines.append(f"{plain}: a field test: {test.title} ({test.source}).")
    lines += _column(plain)
    lines += [
        f"{plain}: a column of {table}.csv: {columns[plain]}."
        for table, columns in OUTPUT_COLUMNS.items()
        if plain in columns
    ]
    lines += _table(plain)
    lines += [said for key, said in _keys().items() if plain in (key, key.rpartition(".")[2])]
    try:
        lines += describe(plain).splitlines()
    except KeyError as error:
        lines = lines or _checked(plain)
        if not lines and " " in plain:
            return explained(plain.replace(" ", "_"))
        if not lines:
            known = [code for codes in _CODES.values() for code in codes]
            known += [
                *PROTOCOLS,
                *_keys(),
                *(c for table in INPUTS.values() for c in table.columns),
            ]
            known += [column for columns in OUTPUT_COLUMNS.values() for column in columns]
            said = str(error.args[0])
            near = [n for n in get_close_matches(plain, dict.fromkeys(known), n=3) if n not in said]
            begun = "or" if "near:" in said else "near:"
            also = f"; {begun} {', '.join(near)}" if near else ""
            where = "Names are those of results.csv, of columns and of keys of study.toml."
            raise AgreementError(f"{said}{also}. {where}") from None
    return "\n".join(lines)


def _checked(code: str) -> list[str]:
    """Return what `agreement check` says under a code, its values left open."""
    return [
        f"{code}: `agreement check` {_CHECKED[severity]}: "
        + re.sub(r"\{[^{}]*\}", "...", f"{what} {remedy}".replace("{{", "{").replace("}}", "}"))
        for severity, _, what, remedy in messages_of(code)
    ]


def _table(name: str) -> list[str]:
    """Return the columns of a table of the study folder, or of the output."""
    known = {table.name: list(table.columns) for table in INPUTS.values()}
    known |= {f"{table}.csv": list(columns) for table, columns in OUTPUT_COLUMNS.items()}
    return [f"{name}: a table; its columns: {', '.join(known[name])}."] if name in known else []


def _column(name: str) -> list[str]:
    """Return what a column of the input holds."""
    tables = [table for table in INPUTS.values() if name in table.columns]
    if not tables:
        return []
    column = tables[0].columns[name]
    needed = [table.name for table in tables if table.columns[name].required]
    parts = [f"{name}: a column of {', '.join(table.name for table in tables)}"]
    parts += [f"required in {', '.join(needed)}"] if needed else []
    parts += [f"one of {', '.join(column.codes)}"] if column.codes else []
    found = RANGES.get(name)
    # columns of VO2max share their units; "1" is that of a number without one
    names = sorted(unit_names(name), key=lambda unit: found is not None and unit != found.unit)
    ours, *others = names or ("1",)
    units = ["" if ours == "1" else f"in {ours}"]
    units += [f"as `units` says in {', '.join(others)}"] if others else []
    parts += filter(None, [", or ".join(filter(None, units))])
    if found is not None:
        unit = "" if found.unit == "1" else f" {found.unit}"
        parts.append(f"{found.reject_low:g} to {found.reject_high:g}{unit} are taken")
    return ["; ".join(parts) + "."]


def _keys() -> dict[str, str]:
    """Return what each key of study.toml says, from the commented file that `new` writes."""
    found, meant, table = {}, dict[str, str](), ""
    for line in STUDY_FILE_TEXT.splitlines():
        if head := re.match(r"#? ?\[([^\]]+)\](?:\s+# (.+))?", line):
            table = head[1].replace('"my wrist device"', "LABEL").replace("lab_tests", "TABLE")
            about = f": {head[2]}" if head[2] else ""
            found[table] = f"{table}: a table of study.toml{about}."
        elif key := re.match(r"#? ?(\w+) = (.*?)(?:\s{2,}# (.*))?$", line):
            name, like = f"{table}.{key[1]}", f"{table.rpartition('.')[0]}.{key[1]}"
            meant[name] = key[3].rstrip(".") if key[3] else meant.get(like, "")
            meaning = f": {meant[name]}" if meant[name] else ""
            found[name] = f"{name}: a key of study.toml ({key[2]}){meaning}."
    return found
