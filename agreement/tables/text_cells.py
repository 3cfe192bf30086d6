"""
Text columns: trimmed, with what is missing as NaN, and looked at once per distinct value.

A column of a million labels holds a few distinct ones, so every question about text is asked of the
distinct values and carried back by their codes. Codes and averaging rules become ours by the study
file, never by a guess.
"""

import re
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Any, Final

import numpy as np
import pandas as pd

from agreement.arrays import Flags, Ints
from agreement.tables.averaging_rule import GRAMMAR, UNKNOWN_RULE, normalised_rule
from agreement.tables.columns import is_missing
from agreement.tables.readers import RawTable
from agreement.terms import counted

_BLANK: Final = re.compile(r"[\s\ufeff\u200b]")  # what is trimmed away
_WHOLE: Final = 2.0**53  # from here on a float64 need not be the whole number that was meant
# spellings that cannot be misread; anything else is asked for
_SPELLINGS: Final = {
    ("female", "male"): {"f": "female", "m": "male"},
    ("yes", "no"): {"y": "yes", "n": "no", "true": "yes", "false": "no"},
}
# letters of a method, profile or tag: more fit no table, axis or file name
LONGEST_LABEL: Final = 120


@dataclass(frozen=True, slots=True)
class Distinct:
    """
    A text column as `labels[codes]`; code -1 is missing.

    Labels of a text file stand as they first appear, so that messages name the same row however the
    file was read.
    `kind`: the labels as categories, where a file came with them.
    """

    codes: Ints
    labels: list[str]
    kind: pd.CategoricalDtype | None = None

    def first_row(self, raw: RawTable, label: str) -> int:
        """Return the row of a label's first appearance, as a spreadsheet counts."""
        return int(raw.rows[np.argmax(self.codes == self.labels.index(label))])

    def replaced(self, values: list[str | None]) -> "Distinct":
        """Return the column with every value replaced; None becomes missing, equals become one."""
        if values == self.labels and len(set(values)) == len(values):
            return self
        present = [v for v in values if v is not None]
        names = list(dict.fromkeys(present))
        place = {name: i for i, name in enumerate(names)}
        new = np.array([*(-1 if v is None else place[v] for v in values), -1], dtype=np.int64)
        return Distinct(new[self.codes], names)

    def filled(self, label: str) -> "Distinct":
        """Return the column with `label` where it is missing."""
        labels: list[str | None] = [*self.labels, label]
        codes = self.codes.copy()
        codes[codes < 0] = len(self.labels)
        return Distinct(codes, [*self.labels, label]).replaced(labels)

    def kept(self, mask: Flags) -> "Distinct":
        """Return the column without the rows outside `mask`."""
        return Distinct(self.codes[mask], self.labels, self.kind)

    def present(self) -> frozenset[str]:
        """Return the labels that some row holds."""
        counts = np.bincount(self.codes + 1, minlength=len(self.labels) + 1)[1:]
        if counts.all():
            return frozenset(self.labels)
        return frozenset(label for label, n in zip(self.labels, counts, strict=True) if n)

    def at(self, i: int) -> str:
        """Return the label of row `i` (from 0), empty when missing."""
        return self.labels[self.codes[i]] if self.codes[i] >= 0 else ""

    def where(self, values: set[str]) -> Flags:
        """Return which rows hold one of these values."""
        hit = np.array([*(v in values for v in self.labels), False], dtype=np.bool_)
        return np.asarray(hit[self.codes])

    def coded(self) -> pd.Categorical:
        """Return the column as categories: codes, and each distinct text once."""
        # made anew, all labels would be looked through once more
        kind = self.kind or pd.CategoricalDtype(pd.Index(self.labels, dtype="str"))
        return pd.Categorical.from_codes(self.codes, dtype=kind)

    def series(self) -> "pd.Series[Any]":
        """Return the column as text with NaN."""
        if len(self.codes) < len(self.labels):  # most labels would be made texts for nothing
            some = [self.labels[i] if i >= 0 else None for i in self.codes.tolist()]
            return pd.Series(some, dtype="str")
        categories = pd.array(self.labels, dtype="str")
        return pd.Series(categories.take(self.codes, allow_fill=True))


def distinct(column: "pd.Series[Any]") -> Distinct:
    """Return a raw column as its distinct values, exactly as they stand."""
    if not isinstance(column.dtype, pd.CategoricalDtype):
        if pd.api.types.is_float_dtype(column.dtype):  # whole numbers without a point
            values = column.dropna()
            if ((values % 1 == 0) & (values.abs() < _WHOLE)).all():
                column = column.astype("Int64")
        places, known = column.astype("str").factorize()
        return Distinct(places.astype(np.int64), np.asarray(known, dtype=object).tolist())
    # at one go: one by one they would take longer than all that follows
    labels = column.cat.categories.to_numpy(dtype=object).tolist()
    codes = np.asarray(column.cat.codes, dtype=np.int64)
    if isinstance(column.dtype.categories.dtype, pd.StringDtype):
        return Distinct(codes, labels, column.dtype)
    texts = [str(v) for v in labels]
    return Distinct(codes, texts).replaced(list(texts))  # 1 and "1" are one


def text_column(raw: RawTable, name: str, *, tokens: bool = False) -> Distinct:
    """
    Return a text column of a table, trimmed; an absent column is missing in every row.

    tokens: whether `NA`, `-` and the like are missing; never so in ids and labels.
    """
    if name not in raw.frame:
        return Distinct(np.full(len(raw.rows), -1, dtype=np.int64), [])
    found = distinct(raw.frame[name])
    if not tokens and all(found.labels) and not _BLANK.search("".join(found.labels)):
        return found
    trimmed: list[str | None] = []
    for value in found.labels:
        plain = value.strip().strip("\ufeff\u200b").strip()
        empty = is_missing(plain) if tokens else not plain
        trimmed.append(None if empty else plain)
    odd = {v for v, t in zip(found.labels, trimmed, strict=True) if t is not None and v != t}
    if odd:
        at = np.flatnonzero(found.where(odd))
        many, first = counted(len(at), "value"), f", first '{found.at(at[0]).strip()}'"
        raw.tell("trimmed", name, int(raw.rows[at[0]]), values=many, first=first)
    return found.replaced(trimmed)


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
        if code is None and not is_missing(plain):
            unknown.append(value)
        ours.append(code)
    if spelled:
        read = ", ".join(f"'{k}' as {v}" for k, v in spelled.items())
        raw.tell("code_spelling", name, read=read, ours=name)
    if unknown:  # a near code of ours fills the key to set, else a gap: a guess would be taken
        some, many = unknown[:5], int(found.where(set(unknown)).sum())
        near = [get_close_matches(one.casefold(), allowed, n=1) or ["..."] for one in some]
        pairs = ", ".join(f'"{one}" = "{to[0]}"' for one, to in zip(some, near, strict=True))
        shown = " and ".join(f"'{one}'" for one in some) + (" ..." if len(unknown) > 5 else "")
        rows = f" in {many} rows" if many > len(unknown) else ""
        told = {"s": "s" if len(unknown) > 1 else "", "listed": shown, "rows": rows, "pairs": pairs}
        first = found.first_row(raw, unknown[0])
        raw.tell("unknown_code", name, first, ours=name, allowed=", ".join(allowed), **told)
    return found.replaced(ours)


def _by_study_file(value: str, stated: dict[str, str]) -> str | None:
    """Return the code that the study file gives for a value."""
    if value in stated:
        return stated[value]
    return {k.casefold(): v for k, v in stated.items()}.get(value.casefold())


def label_column(raw: RawTable, name: str) -> Distinct:
    """Return a column of the user's own labels, replaced where the study file says so."""
    stated = raw.form.codes.get(name, {})
    found = text_column(raw, name)
    found = found.replaced([_by_study_file(v, stated) or v for v in found.labels])
    for label in found.labels:
        if len(label) > LONGEST_LABEL:
            told = {"letters": len(label), "most": LONGEST_LABEL, "start": label[:20]}
            raw.tell("long_label", name, found.first_row(raw, label), ours=name, **told)
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
            row = found.first_row(raw, value)
            raw.tell("no_averaging_rule", name, row, value=value, grammar=GRAMMAR, ours=name)
    return found.replaced(rules).filled(UNKNOWN_RULE)
