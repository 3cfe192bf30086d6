"""A printed table, reproduced: own against printed figures, by the source's own convention."""

from dataclasses import dataclass
from html import escape
from math import isfinite
from pathlib import Path
from typing import Any, Final

from agreement.report.answer import method_name
from agreement.report.markup import Block, paragraph, table
from agreement.report.numbers import Cell, Numbers, counted, plain
from agreement.stats.conventions import CONVENTIONS, limit_factor
from agreement.tables.paths import toml_inside
from agreement.tables.study_file import PUBLISHED_FILE

DEFAULT: Final = "z = 1.96"
_KEYS: Final = ("analysis", "method", "mode", "statistic", "value", "digits")
_MOST_DIGITS: Final = 12
_LARGEST: Final = 1e12  # nan is not below it either
_LIMITS: Final = {"lower_limit": -1.0, "upper_limit": 1.0}


@dataclass(frozen=True, slots=True)
class Printed:
    """
    One printed figure beside our own.

    Attributes
    ----------
    cell : Cell
        Our line of the results table.
    place : tuple of str
        Method, mode, group and statistic.
    printed : float
    digits : int
        Decimals printed.
    convention : str
        How the source computed limits: "z = 1.96", "t" or "2 SD"; "" for other statistics.
    own : float
        Our figure by that convention.
    """

    cell: Cell
    place: tuple[str, str, str, str]
    printed: float
    digits: int
    convention: str
    own: float

    @property
    def agrees(self) -> bool:
        """Whether the figures agree within half a unit of the last printed digit."""
        return abs(self.own - self.printed) <= 0.5 * 10.0**-self.digits + 1e-9


def published_block(study: Path, numbers: Numbers) -> Block:
    """Return own against printed figures; without a published.toml, how to make one."""
    path = study / PUBLISHED_FILE
    if not path.is_file():
        return paragraph(
            f"The study names no printed table. Put a <code>{PUBLISHED_FILE}</code> beside "
            "<code>study.toml</code> with <code>[source]</code> (citation, table) and one "
            "<code>[[figure]]</code> for each printed number (analysis, method, mode, group, "
            "statistic, value, digits, convention) to see both side by side."
        )
    try:
        content = toml_inside(study, PUBLISHED_FILE)
    except ValueError as error:
        return paragraph(f"<code>{PUBLISHED_FILE}</code> cannot be read: {escape(str(error))}")
    entries = content.get("figure", [])
    figures = entries if isinstance(entries, list) else [entries]
    wrong = [_fault(place, entry) for place, entry in enumerate(figures, start=1)]
    found = [
        _printed(entry, numbers) for entry, fault in zip(figures, wrong, strict=True) if not fault
    ]
    faults = "".join(paragraph(escape(fault), "caution").html for fault in wrong if fault)
    return Block(f"{_source(content)}{faults}{_comparison(found).html}")


def _source(content: dict[str, Any]) -> str:
    source = content.get("source", {})
    if not isinstance(source, dict):
        return paragraph(f"{PUBLISHED_FILE}: [source] must be a table.", "caution").html
    words = [str(source[key]) for key in ("citation", "table") if source.get(key)]
    return paragraph(f"Printed in: {escape(', '.join(words))}.").html if words else ""


def _fault(place: int, entry: Any) -> str:
    """Say what is wrong with one figure, or nothing."""
    if not isinstance(entry, dict):
        return f"{PUBLISHED_FILE}, figure {place}: must be a table, written [[figure]]; it is left out."
    missing = [key for key in _KEYS if key not in entry]
    if missing:
        return f"{PUBLISHED_FILE}, figure {place}: {', '.join(missing)} missing; the figure is left out."
    if str(entry.get("convention", DEFAULT)) not in CONVENTIONS:
        return (
            f"{PUBLISHED_FILE}, figure {place}: convention must be one of {', '.join(CONVENTIONS)}."
        )
    value, digits = entry["value"], entry["digits"]
    if not isinstance(value, int | float) or not abs(value) < _LARGEST:
        return f"{PUBLISHED_FILE}, figure {place}: value must be a number; the figure is left out."
    if type(digits) is not int or not 0 <= digits <= _MOST_DIGITS:
        return (
            f"{PUBLISHED_FILE}, figure {place}: digits must be a whole number from 0 to {_MOST_DIGITS}; "
            "the figure is left out."
        )
    return ""


def _printed(entry: dict[str, Any], numbers: Numbers) -> Printed:
    """Return one printed figure beside our own by its convention."""
    where = (str(entry["method"]), str(entry["mode"]), str(entry.get("group", "all")))
    analysis, statistic = str(entry["analysis"]), str(entry["statistic"])
    cell = numbers.get(analysis, statistic, *where)
    own, convention = cell.value, ""
    side = _LIMITS.get(statistic)
    if side is not None:
        convention = str(entry.get("convention", DEFAULT))
        bias, sd = (numbers.get(analysis, name, *where) for name in ("bias", "sd_of_differences"))
        if sd.known:
            own = bias.value + side * limit_factor(convention, cell.n) * sd.value
    place = (*where, statistic)
    return Printed(cell, place, float(entry["value"]), entry["digits"], convention, own)


def _comparison(found: list[Printed]) -> Block:
    """Return the table of printed and own figures, and the count of those that agree."""
    if not found:
        return paragraph(f"<code>{PUBLISHED_FILE}</code> names no figure.")
    agree = sum(one.agrees for one in found)
    columns = ("method, mode", "figure", "printed", "own", "convention", "within rounding")
    said = paragraph(
        f"{agree} of {counted(len(found), 'printed figure')} "
        f"{'agrees' if len(found) == 1 else 'agree'} within half a unit of the last digit."
    )
    return said + table(
        "Each printed figure beside our own", columns, map(_line, found), numeric=columns[2:4]
    )


def _line(one: Printed) -> tuple[str, ...]:
    """Return one figure beside our own, with one more digit than was printed."""
    method, mode, group, statistic = one.place
    words = statistic.replace("_", " ") if group == "all" else f"{statistic}, {group}"
    own = (
        one.cell.mark(plain(one.own, one.digits + 1))
        if isfinite(one.own)
        else f'<span class="absent">{escape(one.cell.reason)}</span>'
    )
    return (
        escape(method_name(method, mode)),
        escape(words.replace("_", " ")),
        plain(one.printed, one.digits),
        own,
        escape(one.convention) or "as here",
        "agrees" if one.agrees else "<strong>differs</strong>",
    )
