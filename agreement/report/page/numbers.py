"""Every printed number knows which line of the results table it is."""

import re
from dataclasses import dataclass
from html import escape
from math import isfinite
from typing import Any, Final

import pandas as pd

from agreement.terms import UNIT
from agreement.terms import counted as counted  # noqa: PLC0414 # said to be for others too

KEY_COLUMNS = ["analysis", "method", "mode", "group", "statistic"]

SMALLEST_P: Final = 0.001  # below it only that is said
_NOT_GIVEN: Final = {
    "too_few": "too few athletes",
    "suppressed": "withheld",
    "no_margin": "no limit was agreed beforehand",
    "no_second_visit": "nobody has a second visit",
    "not_estimable": "these data cannot tell",
    "laboratory_error_too_large": "the laboratory's error explains more than was seen",
}


@dataclass(frozen=True, slots=True)
class Cell:
    """
    One line of the results table.

    Attributes
    ----------
    key : str
        ``analysis/method/mode/group/statistic``.
    value, low, high : float
        NaN: not given; `note` says why.
    unit : str
    n, n_pairs : int
    note : str
    """

    key: str
    value: float = float("nan")
    low: float = float("nan")
    high: float = float("nan")
    unit: str = UNIT
    n: int = 0
    n_pairs: int = 0
    note: str = ""

    @property
    def known(self) -> bool:
        """Whether there is a number."""
        return isfinite(self.value)

    @property
    def withheld(self) -> bool:
        """Whether the number is kept from the reader, so that nobody can be recognised."""
        return self.note.startswith("suppressed")

    @property
    def reason(self) -> str:
        """Why there is no number, in plain words."""
        if self.withheld:
            return _NOT_GIVEN["suppressed"]
        code, _, sentence = self.note.partition(":")
        return sentence.strip() or _NOT_GIVEN.get(code.split(";")[0].strip(), "not available")

    def shown(self, digits: int = 1, *, sign: bool = False) -> str:
        """Return the value as markup that names its line of the results table; "" if unknown."""
        if not self.known:
            return ""
        if self._is_p and self.value < SMALLEST_P:  # a probability is never printed as nought
            return self.mark(f"below {SMALLEST_P:g}")
        return self.mark(plain(self.value, digits, sign=sign))

    @property
    def _is_p(self) -> bool:
        return self.key.rpartition("/")[2].startswith("p_")

    def mark(self, text: str) -> str:
        """Return a text that says this number, naming its line of the results table."""
        return f'<span data-statistic="{escape(self.key, quote=True)}">{escape(text)}</span>'

    def percent(self, digits: int = 0, *, sign: bool = False) -> str:
        """Return a share in per cent, as `shown`."""
        if not self.known:
            return ""
        return self.mark(f"{plain(100 * self.value, digits, sign=sign)} %")

    def percent_interval(self, digits: int = 0) -> str:
        """Return the interval of a share in per cent, as `interval`."""
        if not (isfinite(self.low) and isfinite(self.high)):
            return ""
        low, high = (plain(100 * end, digits) for end in (self.low, self.high))
        return self._interval(f"{low} % to {high} %")

    def interval(self, digits: int = 1) -> str:
        """Return "low to high" as markup that names its line, or "" if there is no interval."""
        if not (isfinite(self.low) and isfinite(self.high)):
            return ""
        return self._interval(f"{plain(self.low, digits)} to {plain(self.high, digits)}")

    def _interval(self, text: str) -> str:
        key = escape(self.key, quote=True)
        return f'<span class="interval" data-interval-of="{key}">{text}</span>'

    def with_interval(self, digits: int = 1) -> str:
        """Return "value (low to high)" as markup."""
        interval = self.interval(digits)
        return (
            f"{self.shown(digits)} ({interval})" if self.known and interval else self.shown(digits)
        )

    def stacked(self, digits: int = 1, *, sign: bool = False) -> str:
        """Return the value with its interval on a line below, or why there is none, as markup."""
        if not self.known:
            return f'<span class="absent">{escape(self.reason)}</span>'
        interval = self.interval(digits)
        return self.shown(digits, sign=sign) + (f"<br>{interval}" if interval else "")


class Numbers:
    """The results table, by key."""

    def __init__(self, frame: pd.DataFrame) -> None:
        """Index the rows of `frame`, which has the columns `agreement.terms.RESULT_COLUMNS`."""
        self._rows: dict[tuple[str, ...], dict[str, Any]] = {
            tuple(str(row[name]) for name in KEY_COLUMNS): {str(k): v for k, v in row.items()}
            for row in frame.to_dict("records")
        }

    def get(
        self, analysis: str, statistic: str, method: str, mode: str, group: str = "all"
    ) -> Cell:
        """Return one line; a line that is not there gives a cell without a number."""
        place = (analysis, method, mode, group, statistic)
        row = self._rows.get(place)
        key = "/".join(place)
        if row is None:
            return Cell(key)
        note = row["note"] if isinstance(row["note"], str) else ""
        return Cell(
            key,
            float(row["value"]),
            float(row["low"]),
            float(row["high"]),
            str(row["unit"]),
            _count(row["n"]),
            _count(row["n_pairs"]),
            note,
        )

    def places(self, analysis: str) -> list[tuple[str, str]]:
        """Return the methods and modes of an analysis, in the order of the table."""
        return list(dict.fromkeys((k[1], k[2]) for k in self._rows if k[0] == analysis))

    def line(self, analysis: str, method: str, mode: str, group: str) -> list[Cell]:
        """Return every statistic of one analysis, place and group."""
        place = (analysis, method, mode, group)
        return [self.get(analysis, key[4], *place[1:]) for key in self._rows if key[:4] == place]

    def groups(self, analysis: str, method: str, mode: str) -> list[str]:
        """Return the groups of an analysis, in the order of the table."""
        found = [key[3] for key in self._rows if key[:3] == (analysis, method, mode)]
        return list(dict.fromkeys(found))


def _count(value: float) -> int:
    """Return a number of athletes or pairs; 0 where it is withheld."""
    return int(value) if isfinite(value) else 0


def plain(value: float, digits: int = 1, *, sign: bool = False) -> str:
    """
    Return a number as text, with a real minus sign and no minus zero.

    >>> plain(-4.06), plain(-0.04), plain(2.5, sign=True)
    ('\u22124.1', '0.0', '+2.5')
    """
    text = f"{abs(value):.{digits}f}"
    if float(text) == 0:
        return text
    if value < 0:
        return f"\u2212{text}"
    return f"+{text}" if sign else text


def with_minus(text: str) -> str:
    """
    Return a text whose negative numbers have a real minus sign; dates and spans stay.

    >>> with_minus("-0.4, limits -9.9 to 9.2; 5-10 on 2026-01-08")
    '\u22120.4, limits \u22129.9 to 9.2; 5-10 on 2026-01-08'
    """
    return re.sub(r"(?<![\w.-])-(?=\d)", "\u2212", text)


def marked(sentence: str, cells: list[Cell]) -> str:
    """
    Return a sentence as markup in which each number of `cells` names its line of the table.

    The sentence was rounded where it was written; a cell whose rounded value does not stand in it
    is passed over.
    """
    pieces: list[str] = [escape(with_minus(sentence))]
    for cell in cells:
        for text in _spellings(cell) if cell.known else ():
            place = next((i for i, piece in enumerate(pieces) if _stands(text, piece)), None)
            if place is not None:
                before, _, after = _split(pieces[place], text)
                pieces[place : place + 1] = [before, cell.mark(text), after]
                break
    return "".join(pieces)


def _spellings(cell: Cell) -> list[str]:
    """Return how a sentence may have written the number, signed forms first."""
    forms = []
    for digits in (1, 2, 0, 3):  # a p value has three
        signed = plain(cell.value, digits)
        forms += [signed, f"{abs(cell.value):.{digits}f}"]
    return list(dict.fromkeys(forms))


def _stands(text: str, piece: str) -> bool:
    """Tell whether the number stands in a piece of text that is no markup, on its own."""
    return not piece.startswith("<span ") and _split(piece, text)[1] != ""


def _split(piece: str, text: str) -> tuple[str, str, str]:
    """Split a piece at the first place where `text` is a whole number."""
    start = piece.find(text)
    while start >= 0:
        end = start + len(text)
        before, after = piece[:start], piece[end:]
        if not before[-1:].isdigit() and not _goes_on(after) and not before.endswith("."):
            return before, text, after
        start = piece.find(text, start + 1)
    return piece, "", ""


def _goes_on(after: str) -> bool:
    """Tell whether a number goes on behind the place."""
    return after[:1].isdigit() or (after[:1] == "." and after[1:2].isdigit())
