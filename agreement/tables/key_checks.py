"""What one value of `study.toml` must be: each check returns the value or says what is expected."""

from collections.abc import Callable
from datetime import date, datetime
from typing import Any, Final
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from agreement.tables.averaging_rule import GRAMMAR, UNKNOWN_RULE, normalised_rule
from agreement.tables.options import Confirmation, Kind, Summary

Check = Callable[[Any], Any]
SUMMARIES: Final[tuple[Summary, ...]] = ("mean", "median", "nearest", "last")
KINDS: Final[tuple[Kind, ...]] = ("squad", "validation", "audit", "brief")


class WrongValueError(ValueError):
    """A value that a key cannot have; the message says what it must be."""


def text(value: object) -> str:
    """Return a text."""
    if isinstance(value, str):
        return value
    raise WrongValueError("must be text in quotes")


def yes_no(value: object) -> bool:
    """Return true or false."""
    if isinstance(value, bool):
        return value
    raise WrongValueError("must be true or false, without quotes")


def whole(least: int, most: int | None = None) -> Check:
    """Return a check for a whole number of at least `least`, at most `most`."""

    def check(value: object) -> int:
        fits = isinstance(value, int) and not isinstance(value, bool)
        if fits and least <= value and (most is None or value <= most):  # type: ignore[operator]  # an int here
            return value  # type: ignore[return-value]  # an int here
        upper = "" if most is None else f" and at most {most}"
        raise WrongValueError(f"must be a whole number of at least {least}{upper}")

    return check


def number(least: float, most: float, *, above: bool = False) -> Check:
    """Return a check for a number from `least` (or above it) to `most`."""

    def check(value: object) -> float:
        if isinstance(value, int | float) and not isinstance(value, bool):
            fits = (least < value if above else least <= value) and value <= most
            if fits:
                return float(value)
        start = f"above {least:g}" if above else f"from {least:g}"
        raise WrongValueError(f"must be a number {start} to {most:g}, without quotes")

    return check


def one_of(*allowed: str) -> Check:
    """Return a check for one of a few words."""

    def check(value: object) -> str:
        if isinstance(value, str) and value in allowed:
            return value
        raise WrongValueError("must be " + " or ".join(f'"{word}"' for word in allowed))

    return check


def day(value: object) -> date:
    """Return a calendar date."""
    if isinstance(value, date) and not isinstance(value, datetime):
        return value
    if isinstance(value, str):
        try:
            return date.fromisoformat(value)
        except ValueError:
            pass  # falls through to the message
    raise WrongValueError("must be a date like 2026-01-10")


def time_zone(value: object) -> str:
    """Return the name of a time zone."""
    try:
        # no name is that long, and each of its parts sends the look-up one call deeper
        if isinstance(value, str) and len(value) < 100 and ZoneInfo(value).key:
            return value
    except (ZoneInfoNotFoundError, ValueError, OSError):
        pass  # falls through to the message
    raise WrongValueError('must be the name of a time zone like "Europe/Oslo" or "UTC"')


def averaging_rule(value: object) -> str:
    """Return an averaging rule in its one spelling."""
    rule = normalised_rule(value) if isinstance(value, str) else None
    if rule is None or rule == UNKNOWN_RULE:
        raise WrongValueError("must be one of " + GRAMMAR.replace(" or 'unknown'", ""))
    return rule


def encoding(value: object) -> str:
    """Return the name of a text encoding."""
    try:
        if isinstance(value, str) and "a".encode(value):  # there are codecs of other things too
            return value
    except (LookupError, ValueError):  # unknown, or no encoding of text
        pass  # falls through to the message
    raise WrongValueError('must be the name of a text encoding like "utf-8" or "latin-1"')


def separator(value: object) -> str:
    """Return a column separator."""
    if isinstance(value, str) and len(value) == 1 and value not in "\"'\r\n.-0123456789":
        return value
    raise WrongValueError('must be one character like "," or ";" or "\\t"')


def texts(value: object) -> dict[str, str]:
    """Return a table of texts."""
    if isinstance(value, dict) and all(isinstance(v, str) for v in value.values()):
        return value
    raise WrongValueError('must be a table of texts like { mass_kg = "lb" }')


def labels(value: object) -> tuple[str, ...]:
    """Return a list of texts."""
    if isinstance(value, list) and all(isinstance(one, str) and one for one in value):
        return tuple(value)
    raise WrongValueError('must be a list of texts like ["wrist_a", "wrist_b"]')


def constants(value: object) -> dict[str, str]:
    """Return a table of values for whole columns, each as a cell of the file would say it."""
    if isinstance(value, dict) and all(
        isinstance(v, str | int | float | date) for v in value.values()
    ):
        return {key: str(one) for key, one in value.items()}
    raise WrongValueError('must be a table of single values like { mode = "run" }')


def confirmation(value: object) -> Confirmation:
    """Return why something that looks wrong is right, and since when that is known."""
    if isinstance(value, dict) and set(value) == {"reason", "on"}:
        reason, on = value["reason"], value["on"]
        if isinstance(reason, str) and reason.strip():
            return Confirmation(reason.strip(), day(on))
    raise WrongValueError(
        'must be a reason and a date like { reason = "seen by two of us", on = 2026-01-10 }'
    )


def mode_groups(modes: tuple[str, ...]) -> Check:
    """Return a check for groups of modes that may be paired."""

    def check(value: object) -> tuple[tuple[str, ...], ...]:
        if isinstance(value, list) and all(
            isinstance(group, list) and group and all(m in modes for m in group) for group in value
        ):
            return tuple(tuple(group) for group in value)
        raise WrongValueError(
            f'must be groups of modes like [["run", "walk"]]; modes are {", ".join(modes)}'
        )

    return check


def code_tables(value: object) -> dict[str, dict[str, str]]:
    """Return tables of codes: column -> theirs -> ours."""
    if isinstance(value, dict) and all(
        isinstance(codes, dict) and all(isinstance(v, str) for v in codes.values())
        for codes in value.values()
    ):
        return value
    raise WrongValueError('must be tables of texts like { sex = { "1" = "male", "2" = "female" } }')


def first_headers(found: dict[str, Any]) -> tuple[dict[str, Any], dict[str, tuple[str, ...]]]:
    """Return a table of a file with the first header of each list of headers, and the others."""
    columns = found.get("columns")
    if not isinstance(columns, dict):
        return found, {}
    lists = {
        ours: theirs
        for ours, theirs in columns.items()
        if isinstance(theirs, list) and theirs and all(isinstance(one, str) for one in theirs)
    }
    first = columns | {ours: theirs[0] for ours, theirs in lists.items()}
    return found | {"columns": first}, {ours: tuple(t[1:]) for ours, t in lists.items()}
