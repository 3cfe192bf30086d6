"""What one value of `study.toml` must be: each check returns the value or says what is expected."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from datetime import date, datetime
from difflib import get_close_matches
from math import inf
from types import NoneType, UnionType
from typing import Annotated, Any, Final, Union, get_args, get_origin
from zoneinfo import ZoneInfo

from agreement.tables.averaging_rule import GRAMMAR, UNKNOWN_RULE, normalised_rule
from agreement.terms import ALL_MODES

Check = Callable[[Any], Any]


class WrongValueError(ValueError):
    """A value that a key cannot have; the message says what it must be."""


def must_be(
    expected: str, fits: Callable[[Any], object], made: Callable[[Any], Any] = lambda value: value
) -> Check:
    """Return the check of a value that must be what is `expected`; where it `fits`, what is `made`."""

    def check(value: object) -> Any:
        try:
            if fits(value):
                return made(value)
        except WrongValueError:  # of a part of it
            raise
        except (ValueError, LookupError, OSError):
            pass  # no such date, time zone, encoding
        raise WrongValueError(f"must be {expected}")

    return check


def _is_number(value: object, kinds: Any = (int, float)) -> bool:
    return isinstance(value, kinds) and not isinstance(value, bool)


def _all_texts(values: Any) -> bool:
    return all(isinstance(one, str) for one in values)


def whole(least: int, most: int | None = None) -> Check:
    """Return a check for a whole number of at least `least`, at most `most`."""
    expected = f"a whole number of at least {least}" + (f" and at most {most}" if most else "")
    return must_be(expected, lambda one: _is_number(one, int) and least <= one <= (most or inf))


def number(least: float, most: float, *, above: bool = False) -> Check:
    """Return a check for a number from `least` (or above it) to `most`."""
    start = f"above {least:g}" if above else f"from {least:g}"
    return must_be(
        f"a number {start} to {most:g}, without quotes",
        lambda one: _is_number(one) and least <= one <= most and not (above and one == least),
        float,
    )


def one_of(*allowed: str) -> Check:
    """Return a check for one of a few words."""
    words = " or ".join(f'"{word}"' for word in allowed)
    return must_be(words, lambda value: isinstance(value, str) and value in allowed)


mode_groups: Final = must_be(  # which may be paired
    f'groups of modes like [["run", "walk"]]; modes are {", ".join(ALL_MODES)}',
    lambda value: (
        isinstance(value, list)
        and all(isinstance(one, list) and one and all(m in ALL_MODES for m in one) for one in value)
    ),
    lambda value: tuple(map(tuple, value)),
)
text: Final = must_be("text in quotes", lambda value: isinstance(value, str))
yes_no: Final = must_be("true or false, without quotes", lambda value: isinstance(value, bool))
day: Final = must_be(
    "a date like 2026-01-10",
    lambda value: isinstance(value, date | str) and not isinstance(value, datetime),
    lambda value: date.fromisoformat(value) if isinstance(value, str) else value,
)
# no name of a zone is that long, and each of its parts sends the look-up one call deeper
time_zone: Final = must_be(
    'the name of a time zone like "Europe/Oslo" or "UTC"',
    lambda value: isinstance(value, str) and len(value) < 100 and ZoneInfo(value).key,
)
averaging_rule: Final = must_be(
    "one of " + GRAMMAR.replace(" or 'unknown'", ""),
    lambda value: isinstance(value, str) and normalised_rule(value) not in (None, UNKNOWN_RULE),
    normalised_rule,
)
encoding: Final = must_be(  # there are codecs of other things than text too
    'the name of a text encoding like "utf-8" or "latin-1"',
    lambda value: isinstance(value, str) and "a".encode(value),
)
separator: Final = must_be(
    'one character like "," or ";" or "\\t"',
    lambda value: isinstance(value, str) and len(value) == 1 and value not in "\"'\r\n.-0123456789",
)
texts: Final = must_be(
    'a table of texts like { mass_kg = "lb" }',
    lambda value: isinstance(value, dict) and _all_texts(value.values()),
)
headers: Final = must_be(  # several where exports differ
    'a table of headers like { mass_kg = "Weight" }, or of lists of them',
    lambda value: (
        isinstance(value, dict)
        and all(one and _all_texts(one) for one in value.values() if isinstance(one, list))
        and _all_texts(one for one in value.values() if not isinstance(one, list))
    ),
    lambda value: {k: tuple(one) if isinstance(one, list) else (one,) for k, one in value.items()},
)
labels: Final = must_be(
    'a list of texts like ["wrist_a", "wrist_b"]',
    lambda value: isinstance(value, list) and _all_texts(value) and all(value),
    tuple,
)
constants: Final = must_be(  # each as a cell of the file would say it
    'a table of single values like { mode = "run" }',
    lambda value: (
        isinstance(value, dict)
        and all(isinstance(one, str | int | float | date) for one in value.values())
    ),
    lambda value: {key: str(one) for key, one in value.items()},
)
code_tables: Final = must_be(  # column -> theirs -> ours
    'tables of texts like { sex = { "1" = "male", "2" = "female" } }',
    lambda value: (
        isinstance(value, dict)
        and all(isinstance(one, dict) and _all_texts(one.values()) for one in value.values())
    ),
)


def of_type(name: str, kind: Any) -> Check:
    """Return the check beside a key's type, or one by it: no number is negative, a share at most 1."""
    if get_origin(kind) is Annotated:
        check: Check = kind.__metadata__[0]
        return check
    if get_origin(kind) in (Union, UnionType):  # or nothing, which nobody can write
        kind = next(one for one in get_args(kind) if one is not NoneType)
    if words := get_args(kind):
        return one_of(*words)
    share = number(0, 1.0 if "share" in name else 1e6)
    return {str: text, bool: yes_no, int: whole(1), float: share}[kind]


def unknown_keys(found: Iterable[str], known: Sequence[str]) -> Iterator[tuple[str, str]]:
    """
    Yield each key that nothing reads, and the nearest known one: it may be a misspelled one that matters.

    >>> list(unknown_keys(["bais", "sd"], ["bias", "sd"]))
    [('bais', "Did you mean 'bias'?")]
    """
    for key in found:
        if key not in known:
            near = get_close_matches(key.casefold(), known, n=1, cutoff=0.7)
            yield key, f"Did you mean '{near[0]}'?" if near else f"Known are {', '.join(known)}."
