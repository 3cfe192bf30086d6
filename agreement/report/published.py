"""A printed table, reproduced: own against printed figures, by the source's own convention."""

import tomllib
from dataclasses import dataclass
from html import escape
from math import isfinite
from pathlib import Path
from typing import Any, Final

from agreement.report.answer import method_name
from agreement.report.markup import Block, paragraph, table
from agreement.report.numbers import Cell, Numbers, counted, plain
from agreement.stats.conventions import CONVENTIONS, limit_factor

FILE: Final = "published.toml"
DEFAULT: Final = "z = 1.96"
_KEYS: Final = ("analysis", "method", "mode", "statistic", "value", "digits")
_LIMITS: Final = {"lower_limit": -1.0, "upper_limit": 1.0}


@dataclass(frozen=True, slots=True)
class Printed:
    """
    One printed figure beside our own.

    Attributes
    ----------
    cell : Cell
        Our line of the results table.
    printed : float
    digits : int
        Decimals printed.
    convention : str
        How the source computed limits: "z = 1.96", "t" or "2 SD"; "" for other statistics.
    own : float
        Our figure by that convention.
    """

    cell: Cell
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
    path = study / FILE
    if not path.is_file():
        return paragraph(
            f"The study names no printed table. Put a <code>{FILE}</code> beside "
            "<code>study.toml</code> with <code>[source]</code> (citation, table) and one "
            "<code>[[figure]]</code> for each printed number (analysis, method, mode, group, "
            "statistic, value, digits, convention) to see both side by side."
        )
    try:
        content = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except (OSError, ValueError) as error:
        return paragraph(f"<code>{FILE}</code> cannot be read: {escape(str(error))}")
    figures = [entry for entry in content.get("figure", []) if isinstance(entry, dict)]
    wrong = [_fault(place, entry) for place, entry in enumerate(figures, start=1)]
    found = [
        _printed(entry, numbers) for entry, fault in zip(figures, wrong, strict=True) if not fault
    ]
    faults = "".join(paragraph(escape(fault), "caution").html for fault in wrong if fault)
    return Block(f"{_source(content)}{faults}{_comparison(found).html}")


def _source(content: dict[str, Any]) -> str:
    source = content.get("source", {})
    words = [str(source[key]) for key in ("citation", "table") if source.get(key)]
    return paragraph(f"Printed in: {escape(', '.join(words))}.").html if words else ""


def _fault(place: int, entry: dict[str, Any]) -> str:
    """Say what is wrong with one figure, or nothing."""
    missing = [key for key in _KEYS if key not in entry]
    if missing:
        return f"{FILE}, figure {place}: {', '.join(missing)} missing; the figure is left out."
    if entry.get("convention", DEFAULT) not in CONVENTIONS:
        return f"{FILE}, figure {place}: convention must be one of {', '.join(CONVENTIONS)}."
    if not all(isinstance(entry[key], int | float) for key in ("value", "digits")):
        return f"{FILE}, figure {place}: value and digits must be numbers; the figure is left out."
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
    return Printed(cell, float(entry["value"]), int(entry["digits"]), convention, own)


def _comparison(found: list[Printed]) -> Block:
    """Return the table of printed and own figures, and the count of those that agree."""
    if not found:
        return paragraph(f"<code>{FILE}</code> names no figure.")
    agree = sum(one.agrees for one in found)
    columns = ("method, mode", "figure", "printed", "own", "convention", "within rounding")
    said = paragraph(
        f"{agree} of {counted(len(found), 'printed figure')} "
        f"{'agrees' if len(found) == 1 else 'agree'} within half a unit of the last digit."
    )
    return said + table(
        "Own against printed figures", columns, map(_line, found), numeric=columns[2:4]
    )


def _line(one: Printed) -> tuple[str, ...]:
    """Return one figure beside our own, with one more digit than was printed."""
    _, method, mode, group, statistic = one.cell.key.split("/")
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
