"""Dates that no reader takes and that yet say plainly which day they are: months in words, AM and PM."""

import re
from typing import Final

from agreement.tables.proposal_words import MONTH_NAMES, MONTHS, plain

_DAY_MONTH: Final = re.compile(r"(\d{1,2})[.\s-]*([^\W\d_]{3,})\.?[\s-]*(\d{4})")
_MONTH_DAY: Final = re.compile(r"([^\W\d_]{3,})\.?\s+(\d{1,2}),?\s+(\d{4})")
_TWELVE: Final = re.compile(r"(\d{1,2}):(\d\d)(?::(\d\d))?\s*([ap])\.?m\.?", re.IGNORECASE)
_NUMBERS: Final = re.compile(r"(\d{1,4})[./-](\d{1,2})[./-](\d{1,4})(.*)")


def _month(word: str) -> int | None:
    text = plain(word)
    if text.startswith("juil"):
        return 7
    found = [i for i, names in enumerate(MONTHS, 1) if any(text.startswith(n) for n in names)]
    return found[0] if len(found) == 1 else None


def is_of_time(word: str) -> bool:
    """
    Whether a word of a file's name tells a time: a number, or a month.

    >>> is_of_time("2026"), is_of_time("april"), is_of_time("strap")
    (True, True, False)
    """
    return word.isdigit() or word.casefold() in MONTH_NAMES


def day_first_of_months(cell: str) -> str | None:
    """
    Return a date with its month in words in ISO form; None where it is no such date.

    >>> day_first_of_months("3. April 2026"), day_first_of_months("Mar 4, 2026 2:30 PM")
    ('2026-04-03', '2026-03-04 14:30')
    >>> day_first_of_months("03/04/2026") is None
    True
    """
    text = cell.strip()
    if found := _DAY_MONTH.match(text):
        day, word, year = found.groups()
    elif found := _MONTH_DAY.match(text):
        word, day, year = found.groups()
    else:
        return None
    month = _month(word)
    if month is None or not 1 <= int(day) <= 31:
        return None
    rest = text[found.end() :].strip(" ,T")
    return f"{year}-{month:02d}-{int(day):02d}" + (f" {twenty_four(rest)}" if rest else "")


def twenty_four(clock: str) -> str:
    """
    Return a time of day without AM and PM.

    >>> twenty_four("12:05 AM"), twenty_four("2:30 pm"), twenty_four("14:30")
    ('00:05', '14:30', '14:30')
    """
    found = _TWELVE.fullmatch(clock.strip())
    if found is None:
        return clock.strip()
    hour = int(found[1]) % 12 + (12 if found[4].casefold() == "p" else 0)
    return f"{hour:02d}:{found[2]}" + (f":{found[3]}" if found[3] else "")


def plain_moment(cell: str) -> str:
    """
    Return a date, with or without a time, as readers take it; one of three numbers keeps its order.

    >>> plain_moment("3/4/2026 2:30 PM"), plain_moment("4 Mar 2026"), plain_moment("2026-03-04")
    ('3/4/2026 14:30', '2026-03-04', '2026-03-04')
    """
    text = day_first_of_months(cell) or cell.strip()
    return _TWELVE.sub(lambda found: twenty_four(found[0]), text)


def with_clock(day: str, clock: str) -> str:
    """Return a date with the time of day that stands beside it."""
    if not clock.strip():
        return day
    hour = twenty_four(clock)
    return f"{day} {hour if len(hour.split(':')[0]) == 2 else '0' + hour}"


def iso_of(cell: str, order: str) -> str:
    """
    Return a date of three numbers in ISO form; another text as it is.

    >>> iso_of("03/04/2026 09:30", "day-first"), iso_of("2026-04-03", "day-first")
    ('2026-04-03 09:30', '2026-04-03')
    """
    found = _NUMBERS.fullmatch(cell.strip())
    if found is None or len(found[1]) == 4:
        return cell
    first, second, year = found[1], found[2], found[3]
    day, month = (first, second) if order == "day-first" else (second, first)
    year = year if len(year) == 4 else f"20{year}"
    return f"{year}-{int(month):02d}-{int(day):02d}{found[4]}"
