"""The grammar of averaging rules: how a laboratory made one VO2max of many breaths."""

import re
from typing import Final

UNKNOWN_RULE: Final = "unknown"
GRAMMAR: Final = (
    "'moving N s', 'fixed N s', 'moving N breaths', 'fixed N breaths', 'middle N of M breaths' "
    "or 'unknown'"
)
_WINDOW: Final = re.compile(r"(moving|fixed) (\d+) ?(s|breaths)")
_MIDDLE: Final = re.compile(r"middle (\d+) of (\d+) breaths")


def normalised_rule(text: str) -> str | None:
    """
    Return an averaging rule in its one spelling, or None when the text is no rule.

    >>> normalised_rule("Moving 30s")
    'moving 30 s'
    >>> normalised_rule("30 s average") is None
    True
    """
    plain = " ".join(text.casefold().split())
    if plain == UNKNOWN_RULE:
        return plain
    if (window := _WINDOW.fullmatch(plain)) and int(window[2]) > 0:
        return f"{window[1]} {int(window[2])} {window[3]}"
    if (middle := _MIDDLE.fullmatch(plain)) and 0 < int(middle[1]) < int(middle[2]):
        return f"middle {int(middle[1])} of {int(middle[2])} breaths"
    return None
