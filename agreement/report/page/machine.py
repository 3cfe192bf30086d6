"""
The page machine: sentences and tables are templates that hold cells.

A template never holds a number of the results table as text: it holds a `Cell`, and one of the
filters here writes its number with the key of the line that it came from. Everything else is escaped.
"""

from collections.abc import Iterator
from functools import cache
from typing import Any, Final

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from agreement.report.page.numbers import Cell, plain
from agreement.terms import UNIT, counted

MOST_LISTED: Final = 20  # names that a sentence still holds; of more it gives the first
FIRST_LISTED: Final = 6
NEAR_NOUGHT: Final = 0.05  # a difference below it reads neither high nor low at one decimal


def said(template: str, part: str, /, **values: object) -> Markup:
    """
    Return one macro of a template, filled in.

    template: name of the file in ``templates``, without ending.
    part: name of the macro.
    **values: its arguments: cells, texts of the study (they are escaped) and markup.

    >>> from agreement.report.page.numbers import Cell
    >>> print(said("page", "paragraph", text="5 < 6"))
    <p>5 &lt; 6</p>
    """
    module: Any = _environment().get_template(f"{template}.j2").module
    return Markup(" ".join(str(getattr(module, part)(**values)).split()))


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


def ends(cell: Cell, between: str = " to ") -> Markup:
    """
    Say an interval of a difference as "6.5 low to 8.9 high"; it names its line.

    >>> in_words(ends(Cell("bias", 1.2, -6.5, 8.9), " and "))
    '6.5 low and 8.9 high'
    """
    both = (f"{plain(abs(end), cell.digits)} {_side(end)}" for end in (cell.low, cell.high))
    return cell.mark_interval(between.join(map(str.rstrip, both)))


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


def _share(share: float) -> str:
    """
    Return a share in per cent, a half as a fraction.

    >>> _share(0.9), _share(0.825)
    ('90 %', '82\u00bd %')
    """
    text = f"{100 * share:g}"
    return f"{text.removesuffix('.5')}\u00bd %" if text.endswith(".5") else f"{text} %"


def prepared() -> Iterator[str]:
    """Compile the templates, one after another, before they are needed; yield their names."""
    for name in _environment().list_templates():
        _environment().get_template(name)
        yield name


@cache
def _environment() -> Environment:
    """Return the templates, with autoescape; a name that is not given is an error."""
    found = Environment(
        loader=PackageLoader("agreement.report.page"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    found.filters |= {
        "value": Cell.shown,
        "percent": Cell.percent,
        "interval": Cell.interval,
        "percent_interval": Cell.percent_interval,
        "stacked": Cell.stacked,
        "with_interval": Cell.with_interval,
        "plain": plain,
        "reads": reads,
        "ends": ends,
        "counted": counted,
        "listed": _listed,
        "share": _share,
    }
    return found
