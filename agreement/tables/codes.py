"""Code columns: a few words each; theirs become ours by the study file, never by a guess."""

from collections.abc import Sequence
from difflib import get_close_matches
from typing import Final

import numpy as np

from agreement.tables.averaging_rule import GRAMMAR, UNKNOWN_RULE, normalised_rule
from agreement.tables.columns import MISSING_ANY_CASE
from agreement.tables.findings import Findings
from agreement.tables.readers import RawTable
from agreement.tables.text_cells import Distinct, text_column

# spellings that cannot be misread; anything else is asked for
_SPELLINGS: Final = {
    ("female", "male"): {"f": "female", "m": "male"},
    ("yes", "no"): {"y": "yes", "n": "no", "true": "yes", "false": "no"},
}


LONGEST_LABEL: Final = (
    120  # letters of a method, profile or tag: more fit no table, axis or file name
)


def code_column(raw: RawTable, name: str, findings: Findings) -> Distinct:
    """
    Return a code column in our codes; unknown codes stop, with the key to set.

    Returns: missing where the cell is empty, `NA` or the like.
    """
    stated = raw.form.codes.get(name, {})
    found = text_column(raw, name, findings)
    allowed = raw.table.columns[name].codes
    spellings = next((s for pair, s in _SPELLINGS.items() if set(pair) <= set(allowed)), {})
    ours: list[str | None] = []
    spelled: dict[str, str] = {}
    unknown = []
    for value in found.labels:
        plain = value.casefold()
        code = _by_study_file(value, stated)
        if code is None and plain in allowed:
            code = plain
        if code is None and (code := spellings.get(plain)):
            spelled[value] = code
        if code is None and plain not in MISSING_ANY_CASE:
            unknown.append(value)
        ours.append(code)
    _report(raw, name, found, spelled, unknown, findings)
    return found.replaced(ours)


def _by_study_file(value: str, stated: dict[str, str]) -> str | None:
    """Return the code that the study file gives for a value."""
    if value in stated:
        return stated[value]
    return {k.casefold(): v for k, v in stated.items()}.get(value.casefold())


def _report(
    raw: RawTable,
    name: str,
    found: Distinct,
    spelled: dict[str, str],
    unknown: list[str],
    findings: Findings,
) -> None:
    """Note the spellings taken for ours, stop at the unknown ones."""
    column = raw.theirs.get(name, name)
    if spelled:
        read = ", ".join(f"'{k}' as {v}" for k, v in spelled.items())
        remedy = (
            f"If one is wrong, set codes = {{ {name} = {{ ... }} }} in [files.{raw.table.name}]."
        )
        findings.note("code_spelling", raw.file, f"Read {read}.", remedy, column=column)
    if not unknown:
        return
    allowed = raw.table.columns[name].codes
    shown = " and ".join(f"'{v}'" for v in unknown[:5]) + (" ..." if len(unknown) > 5 else "")
    pairs = ", ".join(f'"{value}" = "{_near(value, allowed)}"' for value in unknown[:5])
    remedy = (
        f"Say which is which: codes = {{ {name} = {{ {pairs} }} }} in [files.{raw.table.name}] of "
        f"study.toml. Ours are {', '.join(allowed)}."
    )
    many = int(np.isin(found.codes, [found.labels.index(v) for v in unknown]).sum())
    rows = f" in {many} rows" if many > len(unknown) else ""
    what = f"Unknown code{'s' if len(unknown) > 1 else ''} {shown}{rows}."
    findings.stop(
        "code", raw.file, what, remedy, row=found.first_row(raw, unknown[0]), column=column
    )


def _near(value: str, allowed: Sequence[str]) -> str:
    """Return our code that a misspelt one resembles, else a gap to fill: a guess would be taken."""
    near = get_close_matches(value.casefold(), allowed, n=1)
    return near[0] if near else "..."


def label_column(raw: RawTable, name: str, findings: Findings) -> Distinct:
    """Return a column of the user's own labels, replaced where the study file says so."""
    stated = raw.form.codes.get(name, {})
    found = text_column(raw, name, findings)
    found = found.replaced([_by_study_file(v, stated) or v for v in found.labels])
    for label in found.labels:
        if len(label) > LONGEST_LABEL:
            what = f"The label has {len(label)} letters; at most {LONGEST_LABEL} can be shown."
            short = f'codes = {{ {name} = {{ "{label[:20]}..." = "short" }} }}'
            remedy = f"Shorten it, in the file or by {short} in [files.{raw.table.name}]."
            row, column = found.first_row(raw, label), raw.theirs.get(name, name)
            findings.stop("long_label", raw.file, what, remedy, row=row, column=column)
    return found


def rule_column(raw: RawTable, name: str, findings: Findings) -> Distinct:
    """Return the averaging rules in their one spelling; missing is unknown."""
    stated = raw.form.codes.get(name, {})
    found = text_column(raw, name, findings, tokens=True)
    rules: list[str | None] = []
    for value in found.labels:
        rule = normalised_rule(_by_study_file(value, stated) or value)
        rules.append(rule or UNKNOWN_RULE)
        if rule is None:
            what = f"'{value}' is no averaging rule that can be read."
            remedy = (
                f"Write {GRAMMAR}, or translate it with codes = {{ {name} = "
                f'{{ "{value}" = "..." }} }} in [files.{raw.table.name}] of study.toml.'
            )
            column, row = raw.theirs.get(name, name), found.first_row(raw, value)
            findings.stop("code", raw.file, what, remedy, row=row, column=column)
    return found.replaced(rules).filled(UNKNOWN_RULE)
