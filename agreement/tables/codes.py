"""Code columns: a few words each; theirs become ours by the study file, never by a guess."""

from difflib import get_close_matches
from typing import Final

from agreement.tables.averaging_rule import GRAMMAR, UNKNOWN_RULE, normalised_rule
from agreement.tables.columns import MISSING_ANY_CASE
from agreement.tables.readers import RawTable
from agreement.tables.text_cells import Distinct, text_column

# spellings that cannot be misread; anything else is asked for
_SPELLINGS: Final = {
    ("female", "male"): {"f": "female", "m": "male"},
    ("yes", "no"): {"y": "yes", "n": "no", "true": "yes", "false": "no"},
}
# letters of a method, profile or tag: more fit no table, axis or file name
LONGEST_LABEL: Final = 120


def code_column(raw: RawTable, name: str) -> Distinct:
    """Return a code column in our codes, missing where a cell is; unknown codes stop."""
    stated, allowed = raw.form.codes.get(name, {}), raw.table.columns[name].codes
    found = text_column(raw, name)
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
    if spelled:
        read = ", ".join(f"'{k}' as {v}" for k, v in spelled.items())
        remedy = f"If one is wrong, set codes = {{ {name} = {{ ... }} }} in {raw.section}."
        raw.note("code_spelling", f"Read {read}.", remedy, name)
    if unknown:
        _stop_at_unknown(raw, name, found, unknown)
    return found.replaced(ours)


def _by_study_file(value: str, stated: dict[str, str]) -> str | None:
    """Return the code that the study file gives for a value."""
    if value in stated:
        return stated[value]
    return {k.casefold(): v for k, v in stated.items()}.get(value.casefold())


def _stop_at_unknown(raw: RawTable, name: str, found: Distinct, unknown: list[str]) -> None:
    """Stop, with the key to set; a near code of ours fills it, else a gap: a guess would be taken."""
    allowed = raw.table.columns[name].codes
    near = [get_close_matches(value.casefold(), allowed, n=1) or ["..."] for value in unknown[:5]]
    pairs = ", ".join(f'"{value}" = "{one[0]}"' for value, one in zip(unknown, near, strict=False))
    shown = " and ".join(f"'{v}'" for v in unknown[:5]) + (" ..." if len(unknown) > 5 else "")
    many = int(found.where(set(unknown)).sum())
    rows = f" in {many} rows" if many > len(unknown) else ""
    what = f"Unknown code{'s' if len(unknown) > 1 else ''} {shown}{rows}."
    remedy = (
        f"Say which is which: codes = {{ {name} = {{ {pairs} }} }} in {raw.section} of study.toml. "
        f"Ours are {', '.join(allowed)}."
    )
    raw.stop("code", what, remedy, name, found.first_row(raw, unknown[0]))


def label_column(raw: RawTable, name: str) -> Distinct:
    """Return a column of the user's own labels, replaced where the study file says so."""
    stated = raw.form.codes.get(name, {})
    found = text_column(raw, name)
    found = found.replaced([_by_study_file(v, stated) or v for v in found.labels])
    for label in found.labels:
        if len(label) > LONGEST_LABEL:
            what = f"The label has {len(label)} letters; at most {LONGEST_LABEL} can be shown."
            short = f'codes = {{ {name} = {{ "{label[:20]}..." = "short" }} }}'
            remedy = f"Shorten it, in the file or by {short} in {raw.section}."
            raw.stop("long_label", what, remedy, name, found.first_row(raw, label))
    return found


def rule_column(raw: RawTable, name: str) -> Distinct:
    """Return the averaging rules in their one spelling; missing is unknown."""
    stated = raw.form.codes.get(name, {})
    found = text_column(raw, name, tokens=True)
    rules: list[str | None] = []
    for value in found.labels:
        rule = normalised_rule(_by_study_file(value, stated) or value)
        rules.append(rule or UNKNOWN_RULE)
        if rule is None:
            what = f"'{value}' is no averaging rule that can be read."
            translated = f'codes = {{ {name} = {{ "{value}" = "..." }} }} in {raw.section}'
            remedy = f"Write {GRAMMAR}, or translate it with {translated} of study.toml."
            raw.stop("code", what, remedy, name, found.first_row(raw, value))
    return found.replaced(rules).filled(UNKNOWN_RULE)
