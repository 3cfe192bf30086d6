"""
The catalogue: every analysis of the results table, found where its record stands.

Nothing is listed here. A module in a room of `agreement.stats` that has a ``RECORD`` (or ``RECORDS``)
is part of the results table, the page, the formulas, the glossary and the rules of privacy.
"""

import pkgutil
from collections.abc import Iterator
from difflib import get_close_matches
from importlib import import_module
from typing import Final

import agreement.stats
from agreement.stats.record import Analysis, Statistic
from agreement.terms import GLOSSARY


def _declared(*names: str) -> Iterator[Analysis]:
    """Yield what the modules of every room declare under these names."""
    here = agreement.stats
    for room in sorted(one.name for one in pkgutil.iter_modules(here.__path__) if one.ispkg):
        package = import_module(f"{here.__name__}.{room}")
        for one in pkgutil.iter_modules(package.__path__, f"{package.__name__}."):
            module = import_module(one.name)
            for found in (getattr(module, name, ()) for name in names):
                for record in (found,) if isinstance(found, Analysis) else found:
                    _WRITTEN[record.name] = getattr(record.compute, "__module__", one.name)
                    yield record


def _in_order(records: list[Analysis]) -> tuple[Analysis, ...]:
    """Return records by their places."""
    ordered = sorted(records, key=lambda one: one.place)
    places: dict[str, int] = {}
    for one in ordered:
        if one.name in places or one.place in places.values():
            raise ValueError(
                f"two analyses share the name or the place of '{one.name}' ({one.place})"
            )
        if one.of and one.of not in places:
            raise ValueError(f"'{one.name}' takes the result of '{one.of}', which is not before it")
        places[one.name] = one.place
    return tuple(ordered)


_WRITTEN: Final[dict[str, str]] = {}  # of each analysis: the module that computes it
ANALYSES: Final = _in_order(list(_declared("RECORD", "RECORDS")))
BY_NAME: Final = {analysis.name: analysis for analysis in ANALYSES}
# with those of several reports, which no single study has
EVERY: Final = (*ANALYSES, *_declared("OF_REPORTS"))
_STATISTICS: Final = {(a.name, s.name): s for a in EVERY for s in a.statistics}


def statistic_of(analysis: str, statistic: str) -> Statistic:
    """
    Return what is declared of a statistic; of one that is not declared what is usual.

    >>> slope, unknown = statistic_of("trend", "slope_on_mean"), statistic_of("error", "n_pairs")
    >>> slope.unit, slope.digits, slope.head, unknown.label
    ('1', 2, 'slope of the difference on the mean', 'n pairs')
    """
    found = _STATISTICS.get((analysis, statistic))
    return found or Statistic(statistic, statistic.replace("_", " "), "", "", "")


def describe(name: str) -> str:
    """
    Say what an analysis, a statistic or a word of the glossary means.

    name: as in results.csv (``trend``, ``sd_of_differences``, ``trend/p_slope``), in plain words
        (``typical error``) or in the glossary.
    Returns: a line for each word, two for each analysis, four for each statistic; the last says in
        which module it is computed.
    Raises KeyError if nothing is called so; the message names what is spelt alike.

    >>> print(describe("skewness").splitlines()[0])
    shape/skewness: skewness of differences [1]
    >>> describe("gap")
    "gap: laboratory date minus the reading's date, in days; positive before the test."
    """
    wanted = _plain(name)
    lines = [f"{word}: {said}." for word, said in GLOSSARY.items() if _plain(word) == wanted]
    lines += [
        f"{one.name}: {one.label}; its statistics: {', '.join(one.names)}.\n"
        f"  Code: {_WRITTEN[one.name]}"
        for one in EVERY
        if wanted in map(_plain, (one.name, one.label))
    ]
    lines += _meanings(wanted)
    if not lines:
        known = (*GLOSSARY, *(one.name for one in EVERY), *(name for _, name in _STATISTICS))
        near = ", ".join(get_close_matches(name, dict.fromkeys(known), n=3))
        raise KeyError(f"Nothing is called '{name}'" + (f"; near: {near}" if near else ""))
    return "\n".join(lines)


def _plain(name: str) -> str:
    return name.casefold().replace("_", " ").strip()


def _meanings(wanted: str) -> list[str]:
    """Return what a statistic means, once for all analyses that mean the same by it."""
    places: dict[Statistic, list[str]] = {}
    for (analysis, name), one in _STATISTICS.items():
        if wanted in map(_plain, (name, f"{analysis}/{name}", one.label)):
            places.setdefault(one, []).append(f"{analysis}/{name}")
    return [
        f"{', '.join(where)}: {one.label} [{one.unit}]\n"
        f"  {one.meaning}\n  Computed: {one.formula} ({one.source}).\n"
        f"  Code: {', '.join(dict.fromkeys(_WRITTEN[name.partition('/')[0]] for name in where))}"
        for one, where in places.items()
    ]
