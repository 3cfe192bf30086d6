"""Which column of an export is which of ours, in which unit: what header and data decide, and what not."""

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from statistics import median
from typing import Final

from agreement.tables.columns import INPUTS, MOMENT, VO2MAX_COLUMNS, is_missing
from agreement.tables.dates import EITHER, read_in
from agreement.tables.proposal_sources import ExportTable
from agreement.tables.proposal_words import (
    CODE_WORDS,
    MEDIANS,
    VO2MAX,
    Named,
    fits,
    plain,
    plain_moment,
    taken_apart,
    unit_fits,
    unit_named,
)
from agreement.tables.study_lines import OPEN
from agreement.tables.units import CLOCKS, clock_minutes, own_unit

_FEW: Final = 3  # values from which a median is told
_MOST: Final = 0.9  # share of values that must be possible
_LEADS: Final = dict(zip(("mL/kg/min", "L/min", "mL/min"), VO2MAX_COLUMNS, strict=True))
_DAY: Final = re.compile(r"(\d{1,4})[./-](\d{1,2})[./-](\d{4}|\d{2})\b")
_ISO: Final = re.compile(r"\d{4}-?\d{2}-?\d{2}")
_NAMED_MONTH: Final = re.compile(
    r"\d{1,2}[.\s-]*[^\W\d_]{3,}\.?[\s-]*\d{4}|[^\W\d_]{3,}\.?\s+\d{1,2},?\s+\d{4}"
)
UNNAMED: Final = Named("", None, None, {}, None)  # of a column that no header names
OF_PEOPLE: Final = ("sex", "birth_year", "age_years", "stature_cm", "hr_limiting_drug", "withdrawn")
GatheredRows = list[dict[str, str]]


@dataclass(slots=True)
class ProposedColumn:
    """One column of ours in an export, with what decided it."""

    ours: str
    theirs: str
    at: int = -1  # its place in the export; -1: of a table written anew
    named: Named = UNNAMED
    unit: str | None = None  # to be stated: another than ours, or open
    codes: dict[str, str] = field(default_factory=dict)
    evidence: str = ""
    alternatives: str = ""  # of an open unit or of open codes
    header: str = ""  # in the export, where a table written anew carries our name


def number_of(text: str) -> float | None:
    """Return a cell as a number, with a dot or a comma; None where it is none."""
    found = text.strip().replace(",", ".")
    try:
        value = float(found) if found.count(".") <= 1 else None
    except ValueError:
        return None
    return value if value is not None and abs(value) < 1e12 else None


def filled(cells: Sequence[str]) -> list[str]:
    """Return the cells that say something."""
    return [cell for cell in cells if not is_missing(cell)]


def columns_of(block: ExportTable, table: str) -> list[ProposedColumn]:
    """Return the columns of a table that a block has, in our order, each header used once."""
    named = [taken_apart(header) for header in block.headers]
    for i, said in enumerate(block.units):
        named[i] = named[i]._replace(unit=named[i].unit or (unit_named(said) if said else None))
    wanted = ["vo2max" if c in VO2MAX_COLUMNS else c for c in INPUTS[table].columns]
    scores = []
    for ours in dict.fromkeys(wanted):
        words = (ours, "date", "clock") if ours in MOMENT.values() else (ours,)
        for at, one in enumerate(named):
            score = max(fits(word, one) for word in words)
            if score and _content_fits(table, ours, block.column(at)):
                scores.append((-score, wanted.index(ours), at, ours))
    taken: set[int] = set()
    found: dict[str, ProposedColumn] = {}
    for _, _, at, ours in sorted(scores):
        unit = named[at].unit
        key = f"vo2max {unit}" if ours == "vo2max" else ours
        if at in taken or key in found or (ours == "vo2max" and "vo2max None" in found):
            continue
        if ours == "vo2max" and unit is None and any(k.startswith("vo2max ") for k in found):
            continue
        taken.add(at)
        found[key] = ProposedColumn(ours, block.headers[at], at, named[at])
    return sorted(found.values(), key=lambda c: wanted.index(c.ours))


def _content_fits(table: str, ours: str, cells: list[str]) -> bool:
    """Whether the cells of a column are of the kind that ours needs."""
    some = filled(cells)
    if not some:
        return False
    kind = "number" if ours == "vo2max" else INPUTS[table].columns[ours].kind
    if kind == "number":
        good = [c for c in some if number_of(c) is not None]
        if ours not in ("vo2max", "mass_kg", "age_years"):
            good += [c for c in some if ":" in c and any(map(str.isdigit, c))]
    elif kind in ("date", "time"):
        days = (_ISO, _DAY, _NAMED_MONTH)
        good = [c for c in some if any(day.match(c.strip()) for day in days)]
    else:
        return True
    return len(good) >= 0.6 * len(some)


def decide_unit(column: ProposedColumn, cells: list[str]) -> None:
    """Fill in the unit of a number column and, for VO2max, the column of ours; or leave it open."""
    some = filled(cells)
    values = [v for v in map(number_of, some) if v is not None]
    clocks = [c for c in some if ":" in c]
    unit, strange = column.named.unit, column.named.strange_unit
    if len(clocks) > len(some) / 2:
        _decide_clock(column, clocks, unit)
        return
    possible = _possible(column.ours, values)
    if unit is not None and not unit_fits(column.ours, unit):
        strange, unit = unit, None
    if unit is not None:
        own = column.ours != "vo2max" and unit == own_unit(column.ours)
        if possible and unit not in possible and not (own and "1" in possible):
            column.evidence = f"the header says {unit}, the values do not"
            _leave_open(column, values, [unit, *possible])
            return
        column.evidence = f"the header says {unit}"
        _state(column, unit)
    elif strange and possible is not None:
        column.evidence = f"the header says ({strange})"
        _leave_open(column, values, possible or list(MEDIANS.get(column.ours, VO2MAX)))
    elif possible is None:
        column.evidence = f"no unit in the header; ours is {own_unit(column.ours) or 'a number'}"
    elif len(possible) == 1:
        column.evidence = f"the values decide it: the middle one is {median(values):g}"
        _state(column, possible[0])
    else:
        _leave_open(column, values, possible or list(MEDIANS.get(column.ours, VO2MAX)))


def _possible(ours: str, values: list[float]) -> list[str] | None:
    """Return the units in which the values are possible; None where nothing is known of them."""
    if ours == "vo2max":
        inside = {u: sum(low <= v <= high for v in values) for u, (low, high) in VO2MAX.items()}
        return [unit for unit, n in inside.items() if values and n >= _MOST * len(values)]
    known = MEDIANS.get(ours)
    if known is None:
        return None
    ordered = sorted(known.values())  # where two overlap, a few values cannot decide
    if len(values) < _FEW and any(low < end for (_, end), (low, _) in pairwise(ordered)):
        return list(known)
    return [unit for unit, (low, high) in known.items() if low <= median(values) <= high]


def _state(column: ProposedColumn, unit: str) -> None:
    """Take a unit: of VO2max it chooses the column, else it is stated where it is not ours."""
    if column.ours == "vo2max":
        column.ours = _LEADS.get(unit, VO2MAX_COLUMNS[0])
        column.unit = unit if unit not in _LEADS else None
        return
    column.unit = None if unit in ("1", own_unit(column.ours)) else unit


def _leave_open(column: ProposedColumn, values: list[float], units: list[str]) -> None:
    """Leave a unit open, with one example of each reading."""
    if column.ours == "vo2max":
        column.ours = VO2MAX_COLUMNS[0]
    column.unit = OPEN
    example = f"{values[0]:g} " if values else ""
    units = list(dict.fromkeys("fraction" if u == "1" else u for u in units))
    column.alternatives = " or ".join(f'"{unit}" ({example}{unit})' for unit in units)


def _decide_clock(column: ProposedColumn, clocks: list[str], unit: str | None) -> None:
    """Decide the form of clock times: three parts say it, two parts need a header or a person."""
    if unit == "min/km" or unit in CLOCKS:
        column.unit, column.evidence = str(unit), f"the header says {unit}"
        return
    if all(clock.count(":") == 2 for clock in clocks):
        column.unit, column.evidence = "h:mm:ss", f"hours, minutes and seconds: {clocks[0]}"
        return
    readings = [
        f'"{form}" ({clocks[0]} is {minutes:g} min)'
        for form in ("mm:ss", "h:mm")
        if (minutes := clock_minutes(clocks[0], form)) is not None
    ]
    if column.ours == "speed_km_h":
        readings = [f'"min/km" ({clocks[0]} per km)']
    column.unit, column.alternatives = OPEN, " or ".join(readings)


def decide_codes(column: ProposedColumn, kind_codes: Sequence[str], cells: list[str]) -> None:
    """Translate the codes of a column by known words; leave open what no word decides."""
    group = "yes no" if set(kind_codes) >= {"yes", "no"} else column.ours
    known = CODE_WORDS.get(group, {})
    values = list(dict.fromkeys(filled(cells)))
    words = {plain(v) for v in values}
    unsure = column.ours == "sex" and (
        ("h" in words and "m" in words) or plain(column.theirs) in ("sexo", "genero")
    )
    open_codes = []
    for value in values:
        hinted = plain(column.named.codes.get(value, ""))
        ours: str | None = known.get(hinted) or (hinted if hinted in kind_codes else None)
        parts = map(plain, re.split(r"\s[/|]\s", value))  # the same in several languages
        said = {word: word if word in kind_codes else known.get(word) for word in parts}
        vague = unsure and set(said) & {"h", "m", ""}
        if ours is None and len(set(said.values())) == 1 and not vague:
            ours = next(iter(said.values()))
        if ours is not None and ours in kind_codes:
            if value.casefold() != ours:
                column.codes[value] = ours
        else:
            column.codes[value] = OPEN
            open_codes.append(value)
    if open_codes:
        column.alternatives = f"one of {', '.join(kind_codes)}"
    if column.named.codes:
        column.evidence = "the header says which is which"


def date_order_of(cells: list[str], named: Named) -> tuple[str | None, str, str]:
    """
    Return the order of day and month, what decides it, and the alternatives where nothing does.

    Returns order: None: nothing to state; "?": open.
    """
    some = [cell for cell in map(plain_moment, filled(cells)) if not _ISO.match(cell)]
    every = [(cell, [read_in(cell, order) for order in EITHER]) for cell in some]
    found = [(cell, days) for cell, days in every if any(days)]
    if not found:
        return None, "", ""
    if named.date_order:
        return named.date_order, f"the header says it: {found[0][0]}", ""
    fit = [i for i in range(len(EITHER)) if all(days[i] for _, days in found)]
    if len(fit) == 1:
        cell = next(cell for cell, days in found if not all(days))
        return EITHER[fit[0]], f"{cell} can be nothing else", ""
    cell, days = found[0]
    said = " or ".join(
        f'"{o}" ({cell} is {d.date()})' for o, d in zip(EITHER, days, strict=True) if d
    )
    return OPEN, "", said + ("" if fit else "; no order fits all dates: correct those that differ")


@dataclass(slots=True)
class Proposal:
    """
    One table of the study to be.

    `rows` are gathered from its blocks under our names; None where the file serves as it is.
    `constants` and `questions` hold, by column, the value or the alternatives, with the evidence.
    """

    name: str
    blocks: list[ExportTable]
    columns: list[ProposedColumn]
    constants: dict[str, tuple[str, str]] = field(default_factory=dict)
    order: tuple[str | None, str, str] = (None, "", "")
    rows: GatheredRows | None = None
    why_gathered: list[str] = field(default_factory=list)
    timed: str = ""  # a time without zone, as an example
    dropped: list[str] = field(default_factory=list)  # blocks left out, and why

    def column(self, ours: str) -> ProposedColumn | None:
        """Return one of its columns."""
        return next((c for c in self.columns if c.ours == ours), None)

    def cells(self, column: ProposedColumn) -> list[str]:
        """Return the cells of a column in all blocks, as they will be read."""
        if self.rows is not None:
            return [row.get(column.ours, "") for row in self.rows]
        return self.blocks[0].column(column.at)
