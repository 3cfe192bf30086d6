"""Ids: text as it stands, joined only by `id_map`, known by likely spellings, and checked not to be names."""

import re
import unicodedata
from collections import Counter
from collections.abc import Callable, Iterator
from collections.abc import Set as AbstractSet
from dataclasses import dataclass
from functools import lru_cache
from math import isfinite
from pathlib import Path
from typing import Final

from agreement.tables.columns import Column, Table
from agreement.tables.findings import Findings, Words
from agreement.tables.options import FileFormat
from agreement.tables.paths import path_problem
from agreement.tables.readers import InputFile, RawTable, read_table
from agreement.tables.text_cells import Distinct, text_column
from agreement.terms import counted

_TRAILING_YEAR: Final = re.compile(r"(?<=[^\W_])[ _.\-/]+(19|20)\d\d$")
_PARTS: Final = re.compile(r"([^\W\d_]*)(\d*)(.*)", re.DOTALL)
# Greek and Cyrillic letters that look like Latin ones (common practice, no source)
_LOOK_ALIKE: Final = str.maketrans(
    "\u0391\u0392\u0395\u0396\u0397\u0399\u039a\u039c\u039d\u039f\u03a1\u03a4\u03a5\u03a7"
    "\u0410\u0412\u0415\u041a\u041c\u041d\u041e\u0420\u0421\u0422\u0423\u0425\u0405\u0406\u0408"
    "\u0430\u0435\u043e\u0440\u0441\u0443\u0445\u0455\u0456\u0458",
    "ABEZHIKMNOPTYXABEKMHOPCTYXSIJaeopcyxsij",
)
_READ_AS_NUMBER: Final = re.compile(r"\d+(?:[.,]\d+)?[eE][+-]?\d{1,3}|[1-9]\d{3,}")
_WHOLE: Final = re.compile(r"(\d+)[.,]0+")  # a number that a program took for no whole one
_ISO: Final = re.compile(r"\d{4}-(\d\d)-(\d\d)(?!\d)")
_MONTH_DAY: Final = re.compile(r"([a-z]{3})[a-z]*[-/. ]?(\d{1,2})")
_DAY_MONTH: Final = re.compile(r"(\d{1,2})[-/. ]{0,2}([a-z]{3})[a-z]*")
_MONTHS: Final = {  # English; German and Scandinavian where they differ
    **dict(zip(("jan", "feb", "mar", "apr", "may", "jun"), range(1, 7), strict=True)),
    **dict(zip(("jul", "aug", "sep", "oct", "nov", "dec"), range(7, 13), strict=True)),
    **dict(zip(("mai", "okt", "dez", "des"), (5, 10, 12, 12), strict=True)),
}
_MOST_DAYS: Final = 31
ID_MAP: Final = Table(
    "id_map",
    {"found": Column("id", required=True), "athlete_id": Column("id", required=True)},
    ledger_id="found",
    key="found",
)
_WORD: Final = r"[^\W\d_](?:[^\W\d_]|['.-])+"
_NAME: Final = re.compile(rf"{_WORD}(?:,? +{_WORD})+|{_WORD}, ?[^\W\d_]\.?")
_PEOPLE: Final = {
    "addresses of people": re.compile(r"[^@\s]+@[^@\s]+\.\w{2,}"),
    "dates: of birth, or codes such as MAR-1 that a spreadsheet turned": re.compile(
        r"(?:19|20)\d\d-\d\d-\d\d(?: .*)?|\d\d\.\d\d\.(?:19|20)?\d\d"
    ),
    # with a sign, blanks, brackets or dashes, or as many digits as national numbers have
    "telephone or identity numbers of people": re.compile(
        r"\+\d[\d ()./-]{6,}|\(?\d{2,5}\)?[ /-]\d{2,}[\d -]{3,}|\d{6}[-+A]\d{3,5}\w?|\d{10,13}"
    ),
    "names of people": re.compile(
        r"[^\W\d_]\.[^\W\d_]{3,}|[^\W\d_]{3,}\.[^\W\d_]|[^\W\d_]\.[^\W\d_]\.[^\W\d_]{3,}"
        r"|[^\W\d_A-Z][^\W\d_]{2,}[._][^\W\d_]{3,}|[A-Z][a-z]+[._-]?[A-Z][a-z]{2,}"
    ),
}
# of many ids at once, one on each line, which none of the patterns leaves
_ANYBODY: Final = re.compile(
    f"^(?:{'|'.join(pattern.pattern for pattern in _PEOPLE.values())})$", re.MULTILINE
)
# of ids that are none of these, such as A-07, told quickly
_CODES: Final = re.compile(r"(?:[^\W\d_]{0,2}-?\d{1,9}(?:\n|\Z))*+")
# single words say something only where nearly all ids are such: words as spoken, numbers in no order
_SPOKEN: Final = re.compile(
    r"(?!.*[^aeiouyåäöøæéè'-]{4})(?=.*[aeiouyåäöøæéè])[^\W\d_]+(?:['-][^\W\d_]+)?"
)
_LETTERS: Final = 4
_NUMBER: Final = re.compile(r"(?!00)\d{8,9}")
_TELEPHONES: Final = "telephone numbers of people"
_OF_COLUMN: Final[dict[str, Callable[[str], bool]]] = {
    "single names of people": lambda one: bool(
        len(one) >= _LETTERS and _SPOKEN.fullmatch(one.casefold())
    ),
    _TELEPHONES: lambda one: bool(_NUMBER.fullmatch(one)),
}
_IN_ORDER: Final = 3  # digits in which running numbers begin alike
_FEWEST, _NEARLY_ALL = 5, 0.8
_MOST_LOOKED_UP: Final = 100  # ids, for the first row, and to know a column by


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
    far = spelled(one)
    near, wide, number = ("near", spelled(one, year=True)), ("far", far), digits(far)
    if not number:
        return Spelling((("id", one), near, wide), (near,), (near, wide))
    # digits alone are like any id with this number, and the other way round
    within, alone = ("number", number), ("digits", number)
    own = (within, alone) if number == far else (within,)
    across = within if number == far else alone
    return Spelling((("id", one), near, wide, *own), (near,), (near, wide, across))


def spelled(one: str, *, year: bool = False) -> str:
    """
    Return an id without case, marks, leading zeros and look-alikes; a year at the end goes too.

    `year`: a year at the end stays, where it may be what tells two ids apart.

    >>> {spelled(i) for i in ("A-07", "a07", "A07_2024", "A 7")}, spelled("10.0")
    ({'a7'}, '10')
    """
    plain = unicodedata.normalize("NFKC", one).translate(_LOOK_ALIKE).strip().casefold()
    plain = whole[1] if (whole := _WHOLE.fullmatch(plain)) else plain
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
    if _READ_AS_NUMBER.fullmatch(one):
        value = float(one.replace(",", "."))
        return f"{value:.0f}" if isfinite(value) else ""
    if found := _ISO.match(one):
        return f"{found[1]}-{found[2]}"
    for pattern, month, day in ((_MONTH_DAY, 1, 2), (_DAY_MONTH, 2, 1)):
        found = pattern.fullmatch(one.casefold())
        if found and found[month] in _MONTHS and 1 <= int(found[day]) <= _MOST_DAYS:
            return f"{_MONTHS[found[month]]:02d}-{int(found[day]):02d}"
    return ""


def digits(key: str) -> str:
    """Return the digits of a key that is letters and then one number, else nothing."""
    parts = _PARTS.fullmatch(key)
    return parts[2] if parts and not parts[3] else ""


def id_column(raw: RawTable, name: str, id_map: dict[str, str] | None = None) -> Distinct:
    """Return ids, trimmed and mapped by `id_map`; one that looks like a name is refused."""
    found = _mapped(text_column(raw, name), id_map)
    if name == "athlete_id":
        _doubt_people(raw, found)
        asked = found.labels if raw.table.name == "lab_tests" else []
        if turned := [one for one in asked if as_a_spreadsheet_reads(one) not in ("", one)]:
            become = "becomes" if len(turned) == 1 else "become"
            told: Words = {"ids": counted(len(turned), "id"), "first": turned[0], "become": become}
            raw.tell("spreadsheet_ids", "athlete_id", **told)
    for value in filter(_NAME.fullmatch, found.labels):
        raw.tell("name_like_id", name, found.first_row(raw, value), initials=_initials(value))
    return found


def _doubt_people(raw: RawTable, found: Distinct) -> None:
    """Doubt ids that look like a name, an address or a number of a person; none is repeated."""
    together = "\n".join(found.labels)
    hits = set() if _CODES.fullmatch(together) else set(_ANYBODY.findall(together))
    like: dict[str, list[str]] = {kind: [] for kind in _PEOPLE}
    for label in (one for one in found.labels if one in hits) if hits else ():
        like[next(kind for kind, one in _PEOPLE.items() if one.fullmatch(label))].append(label)
    for kind, of_one in _OF_COLUMN.items():
        some = found.labels[:_MOST_LOOKED_UP]
        if len(some) >= _FEWEST and sum(map(of_one, some)) >= _NEARLY_ALL * len(some):
            like[kind] = some
    if _TELEPHONES in like and len({one[:_IN_ORDER] for one in found.labels}) == 1:  # in order
        del like[_TELEPHONES]
    for kind, ids in like.items():
        if ids:
            row = min(found.first_row(raw, label) for label in ids[:_MOST_LOOKED_UP])
            many = f"{counted(len(ids), 'id')} {'looks' if len(ids) == 1 else 'look'}"
            raw.tell("ids_are_codes", "athlete_id", row, look=many, kind=kind, first=ids[0][0])


def silent_ids(raw: RawTable, name: str, id_map: dict[str, str]) -> Distinct:
    """Return an id column as `id_column` does, without a word about it."""
    return _mapped(text_column(raw.quiet(), name), id_map)


def keys_of(raw: RawTable) -> frozenset[str]:
    """Return the keys of the rows of a table."""
    key = raw.table.key
    return frozenset() if key is None else frozenset(silent_ids(raw, key, {}).present())


def _mapped(found: Distinct, id_map: dict[str, str] | None) -> Distinct:
    """Return ids as the athlete ids that they lead to."""
    if not id_map:
        return found
    return found.replaced([id_map.get(label, label) for label in found.labels])


def read_id_map(
    folder: Path, file: str | None, findings: Findings
) -> tuple[dict[str, str], InputFile | None]:
    """Return athlete ids by the id found in the files; `file` is the key ``study.id_map``."""
    if file is None or path_problem(folder, file):  # reported with the study file
        return {}, None
    if not (folder / file).is_file():
        findings.tell("id_map_missing", file)
        return {}, None
    raw = read_table(folder / file, file, ID_MAP, FileFormat(), findings)
    if raw is None or not set(ID_MAP.columns) <= set(raw.frame):
        return {}, None
    found, ours = text_column(raw, "found"), text_column(raw, "athlete_id")
    ids: dict[str, str] = {}
    for i, row in enumerate(map(int, raw.rows)):
        theirs, to = found.at(i), ours.at(i)
        if not theirs or not to:
            empty = "athlete_id" if theirs else "found"
            raw.tell("joined_with_nothing", empty, row, one=theirs or to)
        elif ids.setdefault(theirs, to) != to:
            raw.tell("leads_to_two", "found", row, one=theirs, first=ids[theirs], other=to)
    return ids, InputFile(file, raw.digest, len(raw.rows))


def likely_pairs(unknown: AbstractSet[str], known: AbstractSet[str]) -> list[tuple[str, str]]:
    """
    Return each unknown id with the one known id that it alone looks like.

    >>> likely_pairs({"a07", "12", "x"}, {"A-07", "A-12", "B-12"})
    [('a07', 'A-07')]
    """
    single = [(one, like[0]) for one, like in _likely(unknown, known) if len(like) == 1]
    counts = Counter(like for _, like in single)
    return [(one, like) for one, like in single if counts[like] == 1]


def _likely(unknown: AbstractSet[str], known: AbstractSet[str]) -> Iterator[tuple[str, list[str]]]:
    """Yield each unknown id with the known ids that look like it."""
    by: dict[tuple[str, str], list[str]] = {}
    for one in known:
        for form in (*spelling_of(one).forms, ("sheet", as_a_spreadsheet_reads(one))):
            by.setdefault(form, []).append(one)
    by.pop(("sheet", ""), None)
    for one in sorted(unknown):
        forms = (*spelling_of(one).near_and_far[1:], ("sheet", as_a_spreadsheet_reads(one)))
        yield one, next((by[form] for form in forms if form in by), [])


def note_likely_matches(
    file: str, unknown: frozenset[str], known: frozenset[str], known_file: str, findings: Findings
) -> None:
    """Note which ids of a file look like an id of another; nothing is joined."""
    for one, like in _likely(unknown, known) if unknown else ():
        if like:
            first, known_ones = min(like), " or ".join(f"'{k}'" for k in sorted(like)[:3])
            strange = "".join({*one.casefold()} - {*first.casefold()})
            unlike = "" if strange.isascii() else " in other letters"  # which may look the same
            if spelled(one) != spelled(first) and as_a_spreadsheet_reads(one):
                unlike = ", as a spreadsheet writes it"
            told: Words = {"one": one, "known": known_ones, "known_file": known_file}
            findings.tell("likely_match", file, unlike=unlike, **told)


def discreet_id(one: str) -> str:
    """Return an id as it stands, and what looks like a person's name as its initials."""
    return _initials(one) if _NAME.fullmatch(one) else one


def _initials(name: str) -> str:
    """Return a name as its initials, so that no message spreads it."""
    return " ".join(f"{part[0]}..." for part in re.split(r"[ ,]+", name) if part)
