"""
The page machine: sentences and tables are templates that hold cells.

A template never holds a number of the results table as text: it holds a `Cell`, and one of the
filters here writes its number with the key of the line that it came from. Everything else is escaped.
"""

import sys
from collections.abc import Iterator, Mapping
from contextlib import suppress
from functools import cache, partial
from importlib.util import cache_from_source
from pathlib import Path
from typing import Any, Final, Literal

import jinja2
from jinja2 import Environment, FileSystemBytecodeCache, PackageLoader, StrictUndefined
from jinja2.bccache import Bucket
from markupsafe import Markup

from agreement.figures.estimates import Caption, Estimate
from agreement.report.page.numbers import Cell, plain
from agreement.terms import UNIT, counted, mode_word

MOST_LISTED: Final = 20  # names that a sentence still holds; of more it gives the first
FIRST_LISTED: Final = 6
NEAR_NOUGHT: Final = 0.05  # a difference below it reads neither high nor low at one decimal


def said(template: str, part: str, /, **values: object) -> Markup:
    """
    Return one macro of a template, filled in: with cells, texts (they are escaped) and markup.

    >>> print(said("page", "paragraph", text="5 < 6"))
    <p>5 &lt; 6</p>
    """
    module: Any = _environment().get_template(f"{template}.j2").module
    return Markup(" ".join(str(getattr(module, part)(**values)).split()))


def stated(template: str, name: str) -> Any:
    """Return a list or a mapping that a template states, ``{% set name = ... %}``."""
    return getattr(_environment().get_template(f"{template}.j2").module, name)


def worded(caption: Caption, part: Literal["caption", "alt"] = "caption") -> Markup:
    """
    Return a figure's caption, or what it shows for those who do not see it.

    >>> line = Caption("drift", {"change": Estimate(-0.4, -0.9, 0.1), "days": 30, "fewest": 5})
    >>> in_words(worded(line.of("Watch"), "alt")).partition(": ")[2]
    'the line changes by \u22120.4 mL/kg/min in 30 days, 95 % interval \u22120.9 to 0.1.'
    """
    return said("figures", f"{caption.figure}_{part}", f=_with_cells(caption.values))


def _with_cells(value: Any) -> Any:
    """Turn every estimate within a value into the cell that a template formats."""
    if isinstance(value, Estimate):
        return Cell(value.key, *value[:3])
    if isinstance(value, Mapping):
        return {name: _with_cells(one) for name, one in value.items()}
    return [_with_cells(one) for one in value] if isinstance(value, list | tuple) else value


def in_words(markup: str) -> str:
    """
    Return a filled-in sentence as plain text, for a screen or a file.

    >>> in_words("It reads <span>4.1</span> low &amp; even.")
    'It reads 4.1 low & even.'
    """
    return Markup(markup).striptags()


def reads(cell: Cell, unit: str = UNIT) -> Markup:
    """
    Say a difference as "4.1 mL/kg/min low", without a sign to misread; the number names its line.

    >>> in_words(reads(Cell("bias", -4.06))), in_words(reads(Cell("bias", 0.01), ""))
    ('4.1 mL/kg/min low', '0.0')
    """
    number = cell.mark(plain(abs(cell.value), cell.digits))
    return Markup(" ").join(filter(None, [number, unit, _side(cell.value)]))


def outer(cell: Cell, end: Literal["low", "high"]) -> Markup:
    """
    Say one end of a difference's interval as "6.5 low"; it names its line.

    >>> in_words(outer(Cell("bias", 1.2, -6.5, 8.9), "low"))
    '6.5 low'
    """
    value = cell.low if end == "low" else cell.high
    return cell.mark_interval(f"{plain(abs(value), cell.digits)} {_side(value)}".rstrip())


def ends(cell: Cell, between: str = " to ") -> Markup:
    """
    Say an interval of a difference as "6.5 low to 8.9 high"; it names its line.

    >>> in_words(ends(Cell("bias", 1.2, -6.5, 8.9), " and "))
    '6.5 low and 8.9 high'
    """
    both = (f"{plain(abs(end), cell.digits)} {_side(end)}" for end in (cell.low, cell.high))
    return cell.mark_interval(between.join(map(str.rstrip, both)))


def follows(cell: Cell) -> Markup:
    """Say a number that follows from its line, with one decimal: the root of a variance."""
    return cell.mark_note(plain(cell.value))


def _side(difference: float) -> str:
    return "" if abs(difference) < NEAR_NOUGHT else "high" if difference > 0 else "low"


def _listed(names: list[str]) -> Markup:
    """
    Join names as in running text; names that hold a comma are set apart by semicolons.

    >>> print(_listed(["a", "b", "<c>"]), _listed(["run, 1968", "b", "c"]), sep="; ")
    a, b and &lt;c&gt;; run, 1968; b; and c
    >>> print(_listed([f"m{k}" for k in range(21)]))
    m0, m1, m2, m3, m4, m5 and 15 more
    """
    if len(names) > MOST_LISTED:
        names = [*names[:FIRST_LISTED], f"{len(names) - FIRST_LISTED} more"]
    parts = [Markup("{}").format(name) for name in names]
    if len(parts) > 2 and any("," in part for part in parts):
        return Markup("; ").join([*parts[:-1], Markup("and ") + parts[-1]])
    start = Markup(", ").join(parts[:-1])
    return (
        Markup("{} and {}").format(start, parts[-1]) if len(parts) > 1 else Markup("").join(parts)
    )


def prepared() -> Iterator[str]:
    """Compile the templates, one after another, before they are needed; yield their names."""
    for name in _environment().list_templates(extensions=["j2"]):
        _environment().get_template(name)
        yield name


class Compiled(FileSystemBytecodeCache):
    """
    Compiled templates in a folder, as Python keeps its own modules: a quarter of a second of each report.

    Whoever could change what is kept could change the program. What is damaged is compiled anew.
    """

    made_by = (
        jinja2.__version__,
        Path(__file__).stat().st_mtime_ns,
    )  # compiler, and how it is asked

    def __init__(self, folder: Path) -> None:
        super().__init__(str(folder), "%s.compiled")

    def get_source_checksum(self, source: str) -> str:
        """Return the checksum of all that the code depends on."""
        return super().get_source_checksum(f"{self.made_by}{source}")

    def load_bytecode(self, bucket: Bucket) -> None:
        """Load what is kept, if it is whole."""
        with suppress(Exception):
            super().load_bytecode(bucket)

    def dump_bytecode(self, bucket: Bucket) -> None:
        """Keep it, where Python may write."""
        with suppress(OSError):
            if not sys.dont_write_bytecode:
                Path(self.directory).mkdir(parents=True, exist_ok=True)
                super().dump_bytecode(bucket)


@cache
def _environment() -> Environment:
    """Return the templates, with autoescape; a name that is not given is an error."""
    kept = cache_from_source(str(Path(__file__).with_name("templates") / "any.j2"))
    found = Environment(
        loader=PackageLoader("agreement.report.page"),
        bytecode_cache=Compiled(Path(kept).parent),
        auto_reload=False,
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    found.filters |= {
        "value": Cell.shown,
        "percent": partial(Cell.shown, percent=True),
        "interval": Cell.interval,
        "percent_interval": partial(Cell.interval, percent=True),
        "stacked": Cell.stacked,
        "with_interval": Cell.with_interval,
        "listed": _listed,
        "share": lambda share: f"{100 * share:g} %",
    }
    found.filters |= {
        one.__name__: one for one in (plain, reads, outer, ends, follows, counted, mode_word)
    }
    return found
