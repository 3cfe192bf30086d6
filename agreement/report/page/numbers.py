"""Every printed number knows which line of the results table it is, and what its method is called."""

import re
from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property
from math import isfinite
from typing import Any, Final

import pandas as pd
from markupsafe import Markup

from agreement.physiology.field_tests import PROTOCOLS
from agreement.tables.options import StudyOptions
from agreement.terms import (
    GROUP_WORDS,
    KEY_COLUMNS,
    NOTE_WORDS,
    SESSIONS_METHOD,
    UNBOUNDED,
    UNIT,
    mode_word,
)
from agreement.terms import counted as counted  # noqa: PLC0414 # said to be for others too
from agreement.terms import plain as plain  # noqa: PLC0414 # as above

SMALLEST_P: Final = 0.001  # below it only that is said
SESSIONS_NAME: Final = "training sessions' heart rate"
_BETWEEN: Final = " vs "  # of two methods that are compared


@dataclass(frozen=True, slots=True)
class Cell:
    """One line of the results table."""

    key: str  # ``analysis/method/mode/group/statistic``
    # value, low, high: NaN: not given; `note` says why
    value: float = float("nan")
    low: float = float("nan")
    high: float = float("nan")
    unit: str = UNIT
    n: int = 0
    n_pairs: int = 0
    note: str = ""

    @property
    def known(self) -> bool:
        """Whether there is a number."""
        return isfinite(self.value)

    @property
    def withheld(self) -> bool:
        """Whether the number is kept from the reader, so that nobody can be recognised."""
        return self.note.startswith("suppressed")

    @property
    def assumed(self) -> bool:
        """Whether it was declared, or rests on what was."""
        return "assumed" in self.note.split("; ")

    @property
    def reason(self) -> str:
        """Why there is no number, in plain words."""
        code, _, sentence = self.note.partition(":")
        if self.withheld and not sentence.strip()[:1].isdigit():  # a range may be told
            return NOTE_WORDS["suppressed"]
        return sentence.strip() or NOTE_WORDS.get(code.split(";")[0].strip(), "not available")

    @property
    def digits(self) -> int:
        """Decimals of its number, as its record declares them."""
        from agreement.stats.catalogue import statistic_of  # a page that is kept has no number

        return statistic_of(self.key.partition("/")[0], self._statistic).digits

    @property
    def _statistic(self) -> str:
        return self.key.rpartition("/")[2]

    def shown(self, *, sign: bool = False, percent: bool = False) -> Markup:
        """Return the value, a share in per cent, as markup that names its line; "" if unknown."""
        if not self.known:
            return Markup("")
        is_p = self._statistic.startswith(
            "p_"
        )  # a probability is never printed as nought or certain
        if percent:
            text = plain(100 * self.value, self._of_hundred, sign=sign)
            bound = {"0": "below 1 %", "100": "above 99 %"}.get(text) if is_p else None
            return self.mark(bound or f"{text} %")
        smallest = max(SMALLEST_P, 10.0**-self.digits)  # that its decimals can say
        if is_p and self.value < smallest:
            return self.mark(f"below {smallest:g}")
        return self.mark(plain(self.value, self.digits, sign=sign))

    def mark(self, text: str) -> Markup:
        """Return a text that says this number, naming its line of the results table."""
        return Markup('<span data-statistic="{}">{}</span>').format(self.key, text)

    @property
    def _of_hundred(self) -> int:
        """Decimals of a share in per cent."""
        return max(self.digits - 2, 0)

    def interval(self, *, percent: bool = False) -> Markup:
        """
        Return "low to high" as markup that names its line, or "" if there is no interval.

        Where the data set one end only, that: "at least 0.6"; where they set none, that.
        """
        digits, times, unit = (self._of_hundred, 100, " %") if percent else (self.digits, 1, "")
        known = [end for end in (self.low, self.high) if isfinite(end)]
        words = " to ".join(f"{plain(times * end, digits)}{unit}" for end in known)
        if len(known) == 1:
            words = f"{'at least' if isfinite(self.low) else 'at most'} {words}"
        elif not known and self.known and UNBOUNDED in self.note:
            words = "no end set by the data"
        return self.mark_interval(words) if words else Markup("")

    def mark_interval(self, text: str) -> Markup:
        """Return a text that says the interval of this number, naming its line."""
        shown = Markup('<span class="interval" data-interval-of="{}">{}</span>')
        return shown.format(self.key, text)

    def with_interval(self) -> Markup:
        """Return "value (low to high)" as markup."""
        interval = self.interval()
        if not (self.known and interval):
            return self.shown()
        return Markup("{} ({})").format(self.shown(), interval)

    def stacked(self, *, sign: bool = False, percent: bool = False) -> Markup:
        """Return the value with its interval on a line below, or why there is none, as markup."""
        both = (self.shown(sign=sign, percent=percent), self.interval(percent=percent))
        return Markup("<br>").join(filter(None, both)) if self.known else self.missing

    def told(self, how: str = "") -> Markup:
        """Return the value as markup; `how`: with its sign (+), in per cent (%), its interval below (|)."""
        sign, percent = "+" in how, "%" in how
        if "|" in how:
            return self.stacked(sign=sign, percent=percent)
        shown = self.shown(sign=sign, percent=percent)
        return shown or (self.missing if percent else shown)

    @property
    def missing(self) -> Markup:
        """Why there is no number, as markup for a cell; numbers in it name the line that they are of."""
        why = self.reason.rstrip(".")  # a cell ends without a stop
        if any(map(str.isdigit, why)):
            return Markup('<span class="absent" data-note-of="{}">{}</span>').format(self.key, why)
        return Markup('<span class="absent">{}</span>').format(why)

    def mark_note(self, words: str) -> Markup:
        """Return words that follow from this number, naming its line."""
        return Markup('<span data-note-of="{}">{}</span>').format(self.key, with_minus(words))


def group_name(group: str) -> str:
    """
    Return what people read for a group.

    >>> group_name("half_window"), group_name("aged_40_to_64")
    ('half the window', 'aged 40 to 64')
    """
    return GROUP_WORDS.get(group, group.replace("_", " "))


ASSUMED: Final = " (assumed, not measured here)"  # behind the name of the laboratory
# behind the caption of a table of what rests on it
DECLARED: Final = ", with the laboratory's error as declared, not measured here"


def part_name(group: str) -> str:
    """
    Return what people read for a choice of pairs, or for a number of days averaged.

    >>> part_name("all"), part_name("1"), part_name("14")
    ('all pairs', '1 day', '14 days')
    """
    if group.isdigit():
        return counted(int(group), "day")
    return "all pairs" if group == "all" else group_name(group)


class Names:
    """
    Human names of the methods of one study.

    labels: the study's own, from ``[methods."key"] label``.
    methods: all of the study; where two would be called the same, the key stands behind both.
    several_modes: whether the mode of exercise has to be said with the name.

    >>> names = Names([("wrist_a", "Wrist device A")])
    >>> names("wrist_a", "run"), names("run_12min_1968", "run")
    ('Wrist device A, run', '12-minute run, 1968, run')
    >>> names.method("wrist_a vs wrist_b")
    'Wrist device A vs wrist_b'
    >>> Names([("wrist_a", "Wrist"), ("wrist_b", "Wrist")]).method("wrist_b")
    'Wrist (wrist_b)'
    >>> names = Names([("a", "b")], ["a", "b"])
    >>> names.method("a"), names.method("b")
    ('b (a)', 'b (b)')
    """

    def __init__(
        self,
        labels: Iterable[tuple[str, str]] = (),
        methods: Iterable[str] = (),
        *,
        several_modes: bool = True,
    ) -> None:
        own = {one: _own_name(one) for one in methods}
        own |= {SESSIONS_METHOD: SESSIONS_NAME, **dict(labels)}
        often = Counter(own.values())  # lines of tables are told apart by their names
        self._labels = {k: one if often[one] == 1 else f"{one} ({k})" for k, one in own.items()}
        self._several_modes = several_modes

    @classmethod
    def of(
        cls, options: StudyOptions, places: Iterable[tuple[str, str]], more: Iterable[str] = ()
    ) -> "Names":
        """
        Return the names of a study.

        places: method and mode in its results, one mode needs no saying; `more`: methods without any.
        """
        labels = ((key, one.label) for key, one in options.methods.items() if one.label)
        every = set(places)
        methods = {*(method for method, _ in every), *more}
        return cls(labels, methods, several_modes=len({mode for _, mode in every}) > 1)

    @classmethod
    def of_provenance(cls, content: Mapping[str, Any], methods: Iterable[str] = ()) -> "Names":
        """Return the names that a report's provenance tells; methods: as above."""
        told = content.get("options", {}).get("methods", {}).items()
        return cls(((key, one["label"]) for key, one in told if one.get("label")), methods)

    def __call__(self, method: str, mode: str) -> str:
        """Return how a method is called in text, plain."""
        return self.with_mode(method, mode) if self._several_modes else self.method(method)

    def with_mode(self, method: str, mode: str) -> str:
        """Return the name with the mode, where modes are what it is about."""
        return f"{self.method(method)}, {mode_word(mode)}"

    def method(self, method: str) -> str:
        """Return the name without the mode."""
        if _BETWEEN in method and method not in self._labels:
            return _BETWEEN.join(map(self.method, method.split(_BETWEEN, 1)))
        return self._labels.get(method) or _own_name(method)


def _own_name(method: str) -> str:
    """Return what a method is called without a label."""
    return PROTOCOLS[method].name if method in PROTOCOLS else method


class Numbers:
    """The results table, by key, and what its methods are called."""

    def __init__(self, frame: pd.DataFrame, name: Names | None = None) -> None:
        """Index the rows of a results table; `name`: what its methods are called."""
        self.name = Names() if name is None else name
        self.frame = frame
        self._rows: dict[tuple[str, ...], dict[str, Any]] = {
            tuple(str(row[name]) for name in KEY_COLUMNS): {str(k): v for k, v in row.items()}
            for row in frame.to_dict("records")
        }
        self._keys = dict[tuple[str, ...], list[tuple[str, ...]]]()  # of an analysis and place
        for key in self._rows:
            self._keys.setdefault(key[:3], []).append(key)

    def get(
        self, analysis: str, statistic: str, method: str, mode: str, group: str = "all"
    ) -> Cell:
        """Return one line; a line that is not there gives a cell without a number."""
        place = (analysis, method, mode, group, statistic)
        row = self._rows.get(place)
        key = "/".join(place)
        if row is None:
            return Cell(key)
        note = row["note"] if isinstance(row["note"], str) else ""
        return Cell(
            key,
            float(row["value"]),
            float(row["low"]),
            float(row["high"]),
            str(row["unit"]),
            _count(row["n"]),
            _count(row["n_pairs"]),
            note,
        )

    def of(self, method: str, mode: str) -> Callable[..., Cell]:
        """Return what gives a line of one method and mode: of analysis, statistic and group."""
        return lambda analysis, statistic, group="all": self.get(
            analysis, statistic, method, mode, group
        )

    def places(self, analysis: str) -> list[tuple[str, str]]:
        """Return the methods and modes of an analysis, in the order of the table."""
        return list(dict.fromkeys((k[1], k[2]) for k in self._keys if k[0] == analysis))

    @cached_property
    def _hidden(self) -> set[tuple[str, str]]:
        places = self.places("limits_of_agreement")
        gone = {one for one in places if self.get("limits_of_agreement", "bias", *one).withheld}
        return gone if len(gone) < len(places) else set()

    def hides(self, method: str, mode: str) -> bool:
        """Tell whether all of a method, or of one of two, is withheld: said once, if others are shown."""
        return any((one, mode) in self._hidden for one in (method, *method.split(_BETWEEN)))

    def line(self, analysis: str, method: str, mode: str, group: str) -> list[Cell]:
        """Return every statistic of one analysis, place and group."""
        keys = self._keys.get((analysis, method, mode), [])
        return [self.get(analysis, key[4], *key[1:4]) for key in keys if key[3] == group]

    def groups(self, analysis: str, method: str, mode: str) -> list[str]:
        """Return the groups of an analysis, in the order of the table."""
        return list(dict.fromkeys(key[3] for key in self._keys.get((analysis, method, mode), [])))


def _count(value: float) -> int:
    """Return a number of athletes or pairs; 0 where it is withheld."""
    return int(value) if isfinite(value) else 0


def span(low: float, high: float, digits: int = 1, *, between: str = " to ") -> str:
    """
    Return two ends as text; "" where one is missing.

    >>> span(-0.44, 9.2), span(45.2, float("inf"))
    ('\u22120.4 to 9.2', '')
    """
    if not (isfinite(low) and isfinite(high)):
        return ""
    return f"{plain(low, digits)}{between}{plain(high, digits)}"


def with_minus(text: str) -> str:
    """
    Return a text whose negative numbers have a real minus sign; dates and spans stay.

    >>> with_minus("-0.4, limits -9.9 to 9.2; 5-10 on 2026-01-08")
    '\u22120.4, limits \u22129.9 to 9.2; 5-10 on 2026-01-08'
    """
    return re.sub(r"(?<![\w.-])-(?=\d)", "\u2212", text)
