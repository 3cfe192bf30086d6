"""What people vary when they write an id: case, marks, leading zeros, a year, look-alike letters."""

import re
import unicodedata
from dataclasses import dataclass
from functools import lru_cache
from math import isfinite
from typing import Final

_TRAILING_YEAR: Final = re.compile(r"(?<=[^\W_])[ _.\-/]+(19|20)\d\d$")
_PARTS: Final = re.compile(r"([^\W\d_]*)(\d*)(.*)", re.DOTALL)
# Greek and Cyrillic letters that look like Latin ones (common practice, no source)
_LOOK_ALIKE: Final = str.maketrans(
    "\u0391\u0392\u0395\u0396\u0397\u0399\u039a\u039c\u039d\u039f\u03a1\u03a4\u03a5\u03a7"
    "\u0410\u0412\u0415\u041a\u041c\u041d\u041e\u0420\u0421\u0422\u0423\u0425\u0405\u0406\u0408"
    "\u0430\u0435\u043e\u0440\u0441\u0443\u0445\u0455\u0456\u0458",
    "ABEZHIKMNOPTYXABEKMHOPCTYXSIJaeopcyxsij",
)
_NUMBER: Final = re.compile(r"\d+(?:[.,]\d+)?[eE][+-]?\d{1,3}|[1-9]\d{3,}")
_ISO: Final = re.compile(r"\d{4}-(\d\d)-(\d\d)(?!\d)")
_MONTH_DAY: Final = re.compile(r"([a-z]{3})[a-z]*[-/. ]?(\d{1,2})")
_DAY_MONTH: Final = re.compile(r"(\d{1,2})[-/. ]{0,2}([a-z]{3})[a-z]*")
_MONTHS: Final = {  # English; German and Scandinavian where they differ
    **dict(zip(("jan", "feb", "mar", "apr", "may", "jun"), range(1, 7), strict=True)),
    **dict(zip(("jul", "aug", "sep", "oct", "nov", "dec"), range(7, 13), strict=True)),
    **dict(zip(("mai", "okt", "dez", "des"), (5, 10, 12, 12), strict=True)),
}
_MOST_DAYS: Final = 31


@dataclass(frozen=True, slots=True)
class Spelling:
    """An id without what people vary: `near` what hardly ever tells two people apart, `far` more."""

    forms: tuple[tuple[str, str], ...]
    near: tuple[tuple[str, str], ...]
    near_and_far: tuple[tuple[str, str], ...]


@lru_cache(maxsize=100_000)
def spelling_of(one: str) -> Spelling:
    """
    Return what an id has in common with its likely spellings.

    >>> {spelling_of(i).near for i in ("A-007", "a007", "A 7", "\uff21007", "\u0410007")}
    {(('near', 'a7'),)}
    """
    near, far = spelled(one, year=True), spelled(one)
    number = digits(far)
    like = (("near", near),)
    wide = (("far", far),)
    numbers = (("number", number),) if number else ()
    alone = (("digits", number),) if number == far else ()
    # digits alone are like any id with this number, and the other way round
    across = (("number", number),) if number == far else (("digits", number),)
    return Spelling(
        (("id", one), *like, *wide, *numbers, *(alone if number else ())),
        like,
        (*like, *wide, *(across if number else ())),
    )


def spelled(one: str, *, year: bool = False) -> str:
    """
    Return an id without case, marks, leading zeros and look-alikes; a year at the end goes too.

    `year`: a year at the end stays, where it may be what tells two ids apart.

    >>> {spelled(i) for i in ("A-07", "a07", "A07_2024", "A 7")}
    {'a7'}
    """
    plain = unicodedata.normalize("NFKC", one).translate(_LOOK_ALIKE).strip().casefold()
    plain = "".join(c for c in (plain if year else _TRAILING_YEAR.sub("", plain)) if c.isalnum())
    parts = _PARTS.fullmatch(plain)
    return f"{parts[1]}{parts[2].lstrip('0') or '0'}{parts[3]}" if parts and parts[2] else plain


def as_a_spreadsheet_reads(one: str) -> str:
    """
    Return what a spreadsheet makes of an id that it takes for a number or a date, else nothing.

    >>> [as_a_spreadsheet_reads(i) for i in ("1E5", "100000", "1.00E+05", "A7")]
    ['100000', '100000', '100000', '']
    >>> {as_a_spreadsheet_reads(i) for i in ("MAR-1", "01-Mar", "Mar 01", "2026-03-01")}
    {'03-01'}
    """
    if _NUMBER.fullmatch(one):
        value = float(one.replace(",", "."))
        return f"{value:.0f}" if isfinite(value) else ""
    found = _ISO.match(one)
    if found:
        return f"{found[1]}-{found[2]}"
    for pattern, month, day in ((_MONTH_DAY, 1, 2), (_DAY_MONTH, 2, 1)):
        found = pattern.fullmatch(one.casefold())
        if found and found[month] in _MONTHS and 1 <= int(found[day]) <= _MOST_DAYS:
            return f"{_MONTHS[found[month]]:02d}-{int(found[day]):02d}"
    return ""


def unlike_letter(one: str, other: str) -> str:
    """
    Return the name of the letter in which two ids differ that look the same, else nothing.

    >>> unlike_letter("\u0410007", "A007")
    'CYRILLIC CAPITAL LETTER A'
    """
    first, second = (unicodedata.normalize("NFKC", i).translate(_LOOK_ALIKE) for i in (one, other))
    odd = [c for c in one if c not in other and not c.isascii()]
    return unicodedata.name(odd[0], "") if first == second and odd else ""


def digits(key: str) -> str:
    """Return the digits of a key that is letters and then one number, else nothing."""
    parts = _PARTS.fullmatch(key)
    return parts[2] if parts and not parts[3] else ""
