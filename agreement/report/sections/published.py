"""A printed table, reproduced: own against printed figures, by the source's own convention."""

from dataclasses import dataclass
from html import escape
from math import isfinite, nan
from pathlib import Path
from typing import Final

from agreement.report.page.markup import Block, paragraph, table
from agreement.report.page.numbers import Cell, Numbers, counted, plain
from agreement.report.run.published_file import COUNTS, LIMITS, Figure, near, published_file
from agreement.stats.limits.limits_by_convention import CONVENTIONS, limits_as_printed
from agreement.tables.study_file import PUBLISHED_FILE

_WORDS: Final = {
    "n": "athletes",
    "n_pairs": "pairs",
    "sd_of_differences": "standard deviation of the differences",
    "mae": "mean absolute error",
    "mape": "mean absolute error, per cent",
    "rmse": "root mean square error",
    "r": "correlation r",
    "ccc": "concordance correlation coefficient",
    "icc_a1": "ICC(A,1)",
    "icc_c1": "ICC(C,1)",
}
_USUAL: Final = ("limits_of_agreement", "error")  # their statistics need no name of the analysis


@dataclass(frozen=True, slots=True)
class Printed:
    """
    One printed figure beside our own.

    Attributes
    ----------
    figure : Figure
    cell : Cell
        Our line of the results table.
    own : float
        Our figure by the source's convention.
    convention : str
        How the source computed limits; "" for other statistics.
    without : str
        Why there is nothing to compare with; "" where there is.
    """

    figure: Figure
    cell: Cell
    own: float
    convention: str
    without: str

    @property
    def agrees(self) -> bool:
        """Whether the figures agree within half a unit of the last printed digit."""
        near_enough = 0.5 * 10.0**-self.figure.digits + 1e-9
        return not self.without and abs(self.own - self.figure.value) <= near_enough


def published_block(study: Path, numbers: Numbers) -> Block:
    """Return own against printed figures; without a published.toml, how to make one."""
    found = published_file(study)
    if found is None:
        return paragraph(
            f"The study names no printed table. Put a <code>{PUBLISHED_FILE}</code> beside "
            "<code>study.toml</code> with <code>[source]</code> (citation, table) and one "
            "<code>[[figure]]</code> for each printed number (analysis, method, mode, group, "
            "statistic, value, digits, convention) to see both side by side."
        )
    source = paragraph(f"Printed in: {escape(found.source)}.").html if found.source else ""
    faults = "".join(paragraph(escape(str(one)), "caution").html for one in found.problems)
    compared = [_printed(figure, numbers) for figure in found.figures]
    return Block(f"{source}{faults}{_comparison(compared, found.left_out, numbers).html}")


def _printed(figure: Figure, numbers: Numbers) -> Printed:
    """Return one printed figure beside our own by its convention."""
    place = (figure.method, figure.mode, figure.group)
    without = figure.unknown_name() or _no_line(figure, numbers)
    if figure.statistic in COUNTS:
        line = next((c for c in numbers.line(figure.analysis, *place) if c.n), Cell(""))
        count = getattr(line, figure.statistic)
        own = float(count) if count else nan
        return Printed(figure, line, own, "", without or ("" if count else "withheld or unknown"))
    cell = numbers.get(figure.analysis, figure.statistic, *place)
    own, convention = cell.value, ""
    if figure.statistic in LIMITS:
        convention = figure.convention
        bias, sd = (
            numbers.get(figure.analysis, name, *place) for name in ("bias", "sd_of_differences")
        )
        if sd.known:
            both = limits_as_printed(convention, bias.value, sd.value, cell.n)
            own = both[LIMITS.index(figure.statistic)]
        cell = _by_convention(figure, numbers) or cell
    without = without or ("" if isfinite(own) else cell.reason.removesuffix("."))
    return Printed(figure, cell, own, convention, without)


def _by_convention(figure: Figure, numbers: Numbers) -> Cell | None:
    """Return the results table's own line of limits by this convention, if it has one."""
    if (figure.analysis, figure.group) != ("limits_of_agreement", "all"):
        return None
    group = CONVENTIONS[figure.convention]
    place = (figure.statistic, figure.method, figure.mode, group)
    cell = numbers.get("limits_by_convention", *place)
    return cell if cell.known else None


def _no_line(figure: Figure, numbers: Numbers) -> str:
    """Say which of method, mode and group this study's results do not have."""
    if said := figure.unknown_place(numbers.places(figure.analysis)):
        return said
    groups = numbers.groups(figure.analysis, figure.method, figure.mode)
    if figure.group not in groups:
        return f"no group '{figure.group}' in {figure.analysis}{near(figure.group, groups)}"
    return ""


def _comparison(found: list[Printed], left_out: int, numbers: Numbers) -> Block:
    """Return the table of printed and own figures, and the count of those that agree."""
    if not found and not left_out:
        return paragraph(f"<code>{PUBLISHED_FILE}</code> names no figure.")
    said = paragraph(_headline(found, left_out))
    columns = ("method, mode", "figure", "printed", "own", "convention", "within rounding")
    if not found:
        return said
    return said + table(
        "Each printed figure beside our own",
        columns,
        [_line(one, numbers) for one in found],
        numeric=columns[2:4],
    )


def _headline(found: list[Printed], left_out: int) -> str:
    """Count the figures that agree among those compared, and those that were not."""
    agree, compared = sum(one.agrees for one in found), sum(not one.without for one in found)
    others = len(found) - compared + left_out
    if not compared:
        whole = "The printed figure" if others == 1 else f"None of {others} printed figures"
        return f"{whole} could {'not ' if others == 1 else ''}be compared."
    kind = "compared" if others else "printed"
    rest = f"; {others} could not be compared" if others else ""
    return (
        f"{agree} of {counted(compared, f'{kind} figure')} {'agrees' if compared == 1 else 'agree'} "
        f"within half a unit of the last digit{rest}."
    )


def _line(one: Printed, numbers: Numbers) -> tuple[str, ...]:
    """Return one figure beside our own, with one more digit than was printed."""
    figure = one.figure
    if one.without:
        own, said = '<span class="absent">none</span>', f"not compared: {escape(one.without)}"
    else:
        own = _own(one)
        said = "agrees" if one.agrees else "<strong>differs</strong>"
    return (
        escape(numbers.name(figure.method, figure.mode)),
        escape(_words(figure)),
        plain(figure.value, figure.digits),
        own,
        escape(one.convention) or "as here",
        said,
    )


def _own(one: Printed) -> str:
    """Return our figure as markup that names its line, where it is the value of that line."""
    if one.figure.statistic in COUNTS:
        return plain(one.own, 0)
    own = plain(one.own, one.figure.digits + 1)
    return one.cell.mark(own) if own == plain(one.cell.value, one.figure.digits + 1) else own


def _words(figure: Figure) -> str:
    """Return what a figure is called, with its analysis and group where they are not the usual."""
    words = [_WORDS.get(figure.statistic, figure.statistic.replace("_", " "))]
    if figure.analysis not in _USUAL:
        words.append(figure.analysis.replace("_", " "))
    if figure.group != "all":
        words.append(figure.group.replace("_", " "))
    return ", ".join(words)
