"""What columns, codes, units and dates are called in exports, in several languages; facts, no guesses."""

import re
import unicodedata
from functools import lru_cache
from typing import Final, NamedTuple

from agreement.tables.units import unit_of
from agreement.terms import declared

_DATA: Final = declared("proposal_words.toml", "tables")
HEADER_WORDS: Final[dict[str, list[str]]] = _DATA["words"]
CODE_WORDS: Final[dict[str, dict[str, str]]] = {
    column: {word: ours for ours, words in codes.items() for word in words}
    for column, codes in _DATA["codes"].items()
}
ABOUT: Final[dict[str, list[str]]] = _DATA["about"]  # words of file names and headers, by table
MONTHS: Final[list[list[str]]] = _DATA["months"]["letters"]
MONTH_NAMES: Final = {name for row in (*MONTHS, _DATA["months"]["names"]) for name in row}
_UNITS: Final[dict[str, str]] = {
    spelling: unit for unit, spellings in _DATA["units"].items() for spelling in spellings
}
_ORDERS: Final = dict.fromkeys("dtj", "day-first") | {"m": "month-first", "y": "year-first"}
VO2MAX: Final[dict[str, tuple[float, float]]] = _DATA["vo2max"]  # by unit, of people
MEDIANS: Final[dict[str, dict[str, tuple[float, float]]]] = _DATA["medians"]  # by unit, of groups
_DATE_FORM: Final = re.compile(
    r"(dd?|mm?|yyyy|tt|jj)[./-](dd?|mm?|tt)[./-](yyyy|yy|jjjj|aaaa|dd?)", re.IGNORECASE
)
_DAY_MONTH: Final = re.compile(r"(\d{1,2})[.\s-]*([^\W\d_]{3,})\.?[\s-]*(\d{4})")
_MONTH_DAY: Final = re.compile(r"([^\W\d_]{3,})\.?\s+(\d{1,2}),?\s+(\d{4})")
_TWELVE: Final = re.compile(r"(\d{1,2}):(\d\d)(?::(\d\d))?\s*([ap])\.?m\.?", re.IGNORECASE)


class Named(NamedTuple):
    """A header taken apart: its words, the unit and codes that stand in it, the order of dates."""

    words: str
    unit: str | None
    strange_unit: str | None
    codes: dict[str, str]
    date_order: str | None
    languages: tuple[str, ...] = ()  # its words in each, where a header says the same in several


def plain(text: str) -> str:
    """
    Return words without accents, case and marks.

    >>> plain("Körpergewicht [kg]"), plain("VO₂max_rel")
    ('korpergewicht kg', 'vo2max rel')
    """
    folded = unicodedata.normalize(
        "NFKD", text.replace("ß", "ss").replace("ø", "o").replace("Ø", "O")
    )
    kept = "".join(c for c in folded if not unicodedata.combining(c)).casefold()
    return " ".join(re.findall(r"[a-z0-9]+", kept))


@lru_cache(maxsize=4096)
def unit_named(text: str) -> str | None:
    """
    Return the unit that a text is, in the name that `units` knows; None where it is none.

    >>> unit_named("mL·kg⁻¹·min⁻¹"), unit_named("lbs"), unit_named("shoes off")
    ('mL/kg/min', 'lb', None)
    """
    folded = unicodedata.normalize("NFKD", text).casefold().replace("\N{MINUS SIGN}", "-")
    tight = re.sub(r"[\s.·•*^\u22c5]", "", folded).replace("per", "/")
    return _UNITS.get(tight)


def taken_apart(header: str) -> Named:
    """
    Return what a header says.

    >>> taken_apart("Weight (lb)")[:2], taken_apart("vo2max_ml_kg_min")[:2]
    (('weight', 'lb'), ('vo2max', 'mL/kg/min'))
    >>> taken_apart("Gewicht / Weight (kg)").languages
    ('gewicht', 'weight')
    >>> taken_apart("Date (dd/mm/yyyy)").date_order, taken_apart("Sex (1=m, 2=f)").codes
    ('day-first', {'1': 'm', '2': 'f'})
    """
    inside = " , ".join(re.findall(r"[(\[]([^)\]]*)[)\]]", header))
    core = re.sub(r"[(\[][^)\]]*[)\]]", " ", header)
    codes = dict(re.findall(r"(\w+)\s*=\s*(\w+)", inside))
    form = _DATE_FORM.search(header)
    order = _ORDERS.get(form[1][0].casefold()) if form else None
    if form:
        core, inside = core.replace(form[0], " "), ""
    unit = next((u for part in re.split(r"[,;]", inside) if (u := unit_named(part))), None)
    tokens = [t for t in re.split(r"[\s_,;:]+", core.strip()) if t]
    for size in (4, 3, 2, 1):
        tail = tokens[-size:] if unit is None and len(tokens) > size else []
        if found := unit_named("".join(tail)) or unit_named("/".join(tail)):
            unit, tokens = found, tokens[:-size]
    words = plain(" ".join(tokens)).removesuffix(" in")
    known = unit is not None or codes or form or not inside.strip()
    strange = None if known else inside.strip()
    if strange and any(plain(strange) in phrases for phrases in HEADER_WORDS.values()):
        tokens, strange = [*tokens, "/", strange], None  # the name again, in other words
    languages = tuple(filter(None, map(plain, re.split(r"\s[/|]\s", " ".join(tokens)))))
    return Named(words, unit, strange, codes, order, languages)


def fits(column: str, named: Named) -> int:
    """Return how well a header fits one of our columns: 3 its words, 2 its words and others, 0 not."""
    if len(named.languages) > 1:
        return max(fits(column, named._replace(words=w, languages=())) for w in named.languages)
    phrases = HEADER_WORDS.get(column, ())
    words = set(named.words.split())
    if column == "vo2max" and (words & set(ABOUT["other"]) or named.unit == "%"):
        return 0
    if named.words in phrases or named.words == plain(column):
        return 3
    whole = f" {named.words} "
    for phrase in phrases:
        if (len(phrase) > 4 or " " in phrase) and f" {phrase} " in whole:
            return 2
    if column == "vo2max" and words & {"vo2max", "vo2", "vo2peak"}:
        return 2
    return 0


def unit_fits(column: str, unit: str) -> bool:
    """Whether a unit may be stated for one of our columns."""
    return unit_of("vo2max_ml_kg_min" if column == "vo2max" else column, unit) is not None


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
    name = plain(word)
    months = [i for i, names in enumerate(MONTHS, 1) if any(map(name.startswith, names))]
    months = [7] if name.startswith("juil") else months
    if len(months) != 1 or not 1 <= int(day) <= 31:
        return None
    rest = text[found.end() :].strip(" ,T")
    return f"{year}-{months[0]:02d}-{int(day):02d}" + (f" {twenty_four(rest)}" if rest else "")


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
