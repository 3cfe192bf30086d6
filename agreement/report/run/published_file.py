"""`published.toml`: printed figures to reproduce, read and checked, every fault at once."""

import os
import re
from collections.abc import Callable, Collection, Iterator, Mapping
from dataclasses import dataclass, field
from difflib import get_close_matches
from pathlib import Path
from typing import Any, Final

from agreement.cohort import Cohort, read_cohort
from agreement.errors import Problem, TableError, in_order
from agreement.stats.catalogue import ANALYSES
from agreement.stats.limits.limits_by_convention import CONVENTIONS
from agreement.tables.key_checks import unknown_keys
from agreement.tables.paths import toml_inside
from agreement.tables.study_file import PUBLISHED_FILE

DEFAULT: Final = "z = 1.96"
COUNTS: Final = ("n", "n_pairs")  # athletes and pairs behind any analysis
PUBLISHABLE: Final = {one.name: (*one.names, *COUNTS) for one in ANALYSES}
BOTH_LIMITS: Final = ("lower_limit", "upper_limit")
_NEEDED: Final = ("analysis", "method", "mode", "statistic", "value", "digits")
_KEYS: Final = (*_NEEDED[:3], "group", *_NEEDED[3:], "convention", "origin")
PRINTED: Final = "printed"
ORIGINS: Final = {  # what a figure is, and how one that is not counted as printed is called
    PRINTED: "",
    "elsewhere": "computed elsewhere",
    "construction": "true by construction",
}
_SOURCE_KEYS: Final = ("citation", "table")
_MOST_DIGITS: Final = 12
_LARGEST: Final = 1e12  # nan is not below it either
_MOST_LISTED: Final = 8
_NOT_COMPARED: Final = "The figure is not compared."
_ELSEWHERE: Final = ("two_estimators", "across_modes", "averaging_rule")  # of other places
Places = Collection[tuple[str, str]]


@dataclass(frozen=True, slots=True)
class Figure:
    """One printed figure, as the file states it."""

    number: int  # its place in the file, from 1
    # analysis, method, mode, group, statistic: its line of the results table
    analysis: str
    method: str
    mode: str
    group: str
    statistic: str
    value: float
    digits: int  # decimals printed
    convention: str  # how the source computed limits
    origin: str = PRINTED  # one of `ORIGINS`: only printed figures are counted as reproduced

    def unknown_place(self, places: Places) -> str:
        """Say that no such method or mode has a pair; "" if one has."""
        if (self.method, self.mode) in places:
            return ""
        shown = "; ".join(f"'{method}' in {mode}" for method, mode in sorted(places))
        there = f"; there is {shown}" if shown else ""
        return f"no pair of '{self.method}' in mode '{self.mode}'{there}"


@dataclass(slots=True)
class PublishedFile:
    """What the file says, and what is wrong with it."""

    source: str = ""  # citation and table
    figures: list[Figure] = field(default_factory=list)  # those that can be looked up
    problems: list[Problem] = field(default_factory=list)
    left_out: int = 0  # figures that cannot be looked up

    @property
    def stops(self) -> list[Problem]:
        """The problems that end a run."""
        return [problem for problem in self.problems if problem.severity == "stop"]


def near(name: str, known: Collection[str]) -> str:
    """
    Return a question that names the nearest known name, or those that there are, if they are few.

    >>> near("bais", ["bias", "r"]), near("x", ["bias", "r"])
    ("; did you mean 'bias'?", '; known are bias, r')
    """
    found = get_close_matches(name.casefold(), list(known), n=1)
    if found:
        return f"; did you mean '{found[0]}'?"
    return f"; known are {', '.join(known)}" if len(known) <= _MOST_LISTED else "; see results.csv"


def unknown_name(analysis: str, statistic: str) -> str:
    """Say which name no results table holds, and the nearest one; "" if there is none."""
    if analysis not in PUBLISHABLE:
        return f"no analysis '{analysis}'{near(analysis, PUBLISHABLE)}"
    known = PUBLISHABLE[analysis]
    if statistic not in known:
        return f"no statistic '{statistic}' in {analysis}{near(statistic, known)}"
    return ""


def published_file(study: Path) -> PublishedFile | None:
    """Read a study's `published.toml`; None when it has none."""
    path = study / PUBLISHED_FILE
    if not os.path.lexists(path):
        return None
    found = PublishedFile()
    try:
        content = toml_inside(study, PUBLISHED_FILE)
    except ValueError as error:
        what = f"The file cannot be read: {error}"
        remedy = "Texts need quotes; `agreement new DIR --example` writes one that works."
        found.problems.append(_problem("stop", "unreadable_file", what, remedy))
        return found
    found.problems += _unknown_keys(content, ("source", "figure"), "")
    source = content.get("source", {})
    if isinstance(source, dict):
        found.problems += _unknown_keys(source, _SOURCE_KEYS, "[source]: ")
        found.source = ", ".join(str(source[key]) for key in _SOURCE_KEYS if source.get(key))
    else:
        what, remedy = "[source] must be a table.", "Write [source] on a line of its own."
        found.problems.append(_problem("note", "wrong_value", what, remedy))
    entries = content.get("figure", [])
    for number, entry in enumerate(entries if isinstance(entries, list) else [entries], start=1):
        _read_figure(number, entry, found)
    return found


def read_with_published(
    study: str | Path, *, progress: Callable[[int, int], None] | None = None
) -> Cohort:
    """Read a study for a report, `published.toml` with it; TableError has every stop of both."""
    published = published_file(Path(study))
    try:
        cohort = read_cohort(study, progress=progress)
    except TableError as error:
        stops = () if published is None else published.stops
        raise TableError((*error.problems, *stops)) from error
    require_published(Path(study))
    return cohort


def require_published(study: Path) -> None:
    """Raise TableError with everything in `published.toml` that ends a run."""
    found = published_file(study)
    if found is not None and found.stops:
        raise TableError(found.stops)


def with_published(
    study: Path, usable: bool, problems: tuple[Problem, ...], places: Places | None = None
) -> tuple[bool, tuple[Problem, ...]]:
    """Add what is wrong with `published.toml`; `places`: those with a pair, where known."""
    if (found := published_file(study)) is None:
        return usable, in_order(problems)
    more = list(found.problems)
    for one in found.figures:  # those whose line no results table of this study can have
        told = unknown_name(one.analysis, one.statistic)
        if not told and places is not None and one.analysis not in _ELSEWHERE:
            told = "" if one.method == "laboratory" else one.unknown_place(places)
        if told:
            what = f"figure {one.number}: {told}{'' if told.endswith('?') else '.'}"
            more.append(_problem("note", "wrong_value", what, _NOT_COMPARED))
    numbers = re.compile(r"figure (\d+):|")  # of what is said of the file: none
    more.sort(key=lambda one: int(numbers.match(one.what)[1] or 0))  # type: ignore[index] # it matches
    return usable and not found.stops, in_order((*problems, *more))


def _problem(severity: Any, reason: str, what: str, remedy: str) -> Problem:
    return Problem(severity, reason, PUBLISHED_FILE, None, None, what, remedy)


def _unknown_keys(
    found: Mapping[str, Any], known: tuple[str, ...], where: str
) -> Iterator[Problem]:
    """Stop for each key that nothing reads."""
    for key, remedy in unknown_keys(found, known):
        yield _problem("stop", "unknown_key", f"{where}unknown key '{key}'.", remedy)


def _read_figure(number: int, entry: Any, found: PublishedFile) -> None:
    """Add one figure, or every reason why it is left out."""
    where = f"figure {number}: "
    if not isinstance(entry, dict):
        faults = ["it must be a table, written [[figure]]"]
    else:
        found.problems += _unknown_keys(entry, _KEYS, where)
        faults = list(_faults(entry))
        names = [str(entry[name]) for name in ("analysis", "statistic") if name in entry]
        if faults and len(names) == 2:  # alone it is told where figures are compared
            faults += filter(None, [unknown_name(*names).removesuffix("?")])
    if faults:
        reason = "missing_key" if faults[0].endswith("missing") else "wrong_value"
        what = f"{where}{'; '.join(faults)}."
        found.problems.append(_problem("note", reason, what, _NOT_COMPARED))
        found.left_out += 1
        return
    text = {name: str(entry[name]) for name in ("analysis", "method", "mode", "statistic")}
    usual = {"group": "all", "convention": DEFAULT, "origin": PRINTED}
    text |= {name: str(entry.get(name, one)) for name, one in usual.items()}
    figure = Figure(number, **text, value=float(entry["value"]), digits=entry["digits"])
    found.figures.append(figure)


def _faults(entry: Mapping[str, Any]) -> Iterator[str]:
    """Say everything that is wrong with the values of one figure."""
    missing = [key for key in _NEEDED if key not in entry]
    if missing:
        yield f"{', '.join(missing)} missing"
    convention = entry.get("convention", DEFAULT)
    if convention not in list(CONVENTIONS):
        yield f"convention must be one of {', '.join(CONVENTIONS)}; got {convention!r}"
    origin = entry.get("origin", PRINTED)
    if origin not in list(ORIGINS):
        yield f"origin must be one of {', '.join(ORIGINS)}; got {origin!r}"
    value = entry.get("value", 0)
    if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) < _LARGEST:
        yield f"value must be a number, with a dot and no quotes; got {value!r}"
    digits = entry.get("digits", 0)
    if type(digits) is not int or not 0 <= digits <= _MOST_DIGITS:
        yield f"digits must be a whole number from 0 to {_MOST_DIGITS}; got {digits!r}"
