"""The answer first: what the study asked, answered by name, and every method's verdict in a sentence."""

from collections.abc import Collection, Iterable
from math import inf
from types import SimpleNamespace
from typing import Any, Final

from markupsafe import Markup

from agreement.pairing.tally import WithoutPair
from agreement.report.page.machine import in_words, said, stated
from agreement.report.page.markup import Block
from agreement.report.page.numbers import Cell, Numbers, with_minus
from agreement.stats.basics.intervals import SIGNIFICANT
from agreement.stats.doubts.odd_columns import BIAS_BEYOND
from agreement.stats.laboratory_results import LABORATORY
from agreement.stats.limits.limits import FEW_FOR_REPORTS
from agreement.stats.method_data import LABORATORY_ERROR_TOO_LARGE
from agreement.stats.result_rows import Labelled, assembled
from agreement.stats.verdict.cautions import Caution
from agreement.stats.verdict.counted import SQUAD_TOO_ALIKE, several_judged
from agreement.stats.verdict.plausible import COPIED_SERIES, FIELD_EQUALS_LABORATORY, NO_MAXIMUM
from agreement.stats.verdict.verdict import AGAINST_CHANGED, LOOKS_USED, Verdict
from agreement.stats.verdict.yardsticks import (
    DEPENDS_ON_FITNESS,
    LABORATORY_ERROR_UNKNOWN,
    MARGIN_BELOW_LABORATORY,
    SKEWED,
    TRUE_VALUE,
    YARDSTICK_WORDS,
)
from agreement.tables.options import StudyOptions
from agreement.terms import NOTE_WORDS, REASONS

TOO_ALIKE: Final = (
    "In this squad the same number for everybody would meet the limit too: it cannot show that the "
    "method tells athletes apart."
)
PRACTICAL: Final = 1000  # athletes; so far out the number itself is a guess
_NOT_APART: Final = "was not shown to tell athletes apart"
_NO_BETTER: Final = "was not shown to be closer than the same number for everybody"
NOT_READ: Final = "no value of it was read that could be used"
OTHER_REASONS: Final = frozenset(
    (
        *(DEPENDS_ON_FITNESS, MARGIN_BELOW_LABORATORY, LABORATORY_ERROR_UNKNOWN, SKEWED),
        *(LABORATORY_ERROR_TOO_LARGE, NO_MAXIMUM, FIELD_EQUALS_LABORATORY, COPIED_SERIES),
    )
)  # for an open verdict than too few athletes


class Judged:
    """One method and mode, as the answer speaks of it; its lines of results by name in tables.j2."""

    def __init__(self, one: Any, numbers: Numbers) -> None:
        def cell(analysis: str, statistic: str) -> Cell:
            return numbers.get(analysis, statistic, one.method, one.mode)

        verdict, within = one.verdict, cell("verdict", "within_margin")
        places = stated("tables", "judged")
        self.cells = {name: cell(*place.split("/")) for name, place in places.items()}
        self.method, self.mode, self.n = one.method, one.mode, int(verdict.n)  # athletes
        self.name = numbers.name(one.method, one.mode)  # for people
        self.outcome = outcome(within) if not within.withheld else "undecided"
        # of why it is undecided or withheld, and of what else to know
        self.codes = frozenset(part.strip() for part in within.note.split(";")[1:])
        told = (*OTHER_REASONS, AGAINST_CHANGED, LOOKS_USED)  # at most one of them holds
        self.why = next((NOTE_WORDS[code] for code in told if code in self.codes), "")
        # ends of the fitness range ("low", "high") where the limit is not shown to be met
        self.ends = tuple(getattr(verdict, "failing_ends", ()))
        # day of the first laboratory test, "" where it may not be told
        self.first_test = "" if (day := verdict.first_lab_date) is None else day.isoformat()
        # what the other yardstick gives, "" where it was not judged; it is not the verdict
        others = [name.replace(" ", "_") for name in YARDSTICK_WORDS if name not in self.codes]
        is_other = len(others) == 1
        self.other = outcome(cell("verdict", f"within_margin_{others[0]}")) if is_other else ""
        # what the method was not shown to do: to tell athletes apart, to beat one number; or ""
        self.no_better = not_shown(cell("no_method", "skill"), cell("structural", "p_slope_zero"))
        self.hidden, self.few = self.bias.withheld, self.n < FEW_FOR_REPORTS
        self.decided = self.outcome in ("acceptable", "not acceptable")
        # whether it is met by chance, with so many methods judged
        by_chance = self.counted.known and self.counted.value == 0
        self.chance = self.outcome == "acceptable" and by_chance
        # whether it is against the true value, its limits known; those that it is about
        self.net = TRUE_VALUE in self.codes and self.own_lower.known and self.own_upper.known
        # what the laboratory's error is, and whether the verdict rests on it though it was not measured
        self.sem = numbers.get("repeatability", "typical_error", LABORATORY, one.mode)
        self.assumed = {TRUE_VALUE, "assumed"} <= self.codes
        # whether the laboratory's error alone explains the spread seen
        self.all_noise = self.own_lower.known and self.own_lower.value == self.own_upper.value
        own, whole = (self.own_lower, self.own_upper), (self.lower, self.upper)
        self.low_end, self.high_end = own if self.net else whole
        self.leaves_some = self.without.known and self.without.value > 0  # who get no number
        # whether athletes in a practical number would decide, tested once; tested twice
        self.needs_athletes, self.needs_tests = (
            one.known and self.n < one.value <= PRACTICAL and not self.codes & OTHER_REASONS
            for one in (self.needed, self.needed_with_two)
        )
        self.against, self.against_other = _yardsticks(self.codes)
        # sentences: what could make the verdict wrong
        self.doubts = [_doubt(doubt, self.bias, self.r) for doubt in getattr(one, "doubts", ())]
        if SQUAD_TOO_ALIKE in self.codes:
            self.doubts.append(TOO_ALIKE)
        elif self.outcome == "acceptable" and self.no_better:
            self.doubts.append(f"It {self.no_better}.")

    def __getattr__(self, name: str) -> Cell:
        """Return a line of the results table."""
        try:
            return vars(self)["cells"][name]  # type: ignore[no-any-return] # as it was put there
        except KeyError:
            raise AttributeError(name) from None


def _yardsticks(codes: Collection[str]) -> tuple[str, str]:
    """Return in words the yardstick of a verdict, "" where it names none, and the other one."""
    named = [words for name, words in YARDSTICK_WORDS.items() if name in codes]
    unnamed = [words for words in YARDSTICK_WORDS.values() if words not in named]
    return next(iter(named), ""), next(iter(unnamed), "")


def outcome(cell: Cell) -> str:
    """Return the verdict's outcome from its line of the results table."""
    return cell.note.split(";")[0].strip()


def ranked(methods: Iterable[Any], numbers: Numbers) -> tuple[Judged, ...]:
    """Return every method and mode of a study, the closest to the laboratory (RMSE) first."""
    found = (Judged(one, numbers) for one in methods)
    return tuple(sorted(found, key=lambda one: one.rmse.value if one.rmse.known else inf))


def _doubt(doubt: Caution, bias: Cell, r: Cell) -> str:
    """Return a doubt's sentence; its numbers are counts, or cells where results.csv has them."""
    if doubt.code == "bias_beyond" and abs(bias.value) > BIAS_BEYOND:
        return said("verdict", "bias_beyond", bias=bias)
    if doubt.code == "no_relation":
        return said("verdict", "no_relation", r=r)
    return with_minus(doubt.sentence)


def not_shown(skill: Cell, p_slope_zero: Cell) -> str:
    """
    Say what a method was not shown to do, "" where it was shown or nothing is known.

    skill: share of the squared error of one number for everybody that it avoids, with its interval.
    p_slope_zero: of the structural slope.

    >>> not_shown(Cell("skill", 0.3, -0.2, 0.6), Cell("p", 0.001))
    'was not shown to be closer than the same number for everybody'
    """
    if p_slope_zero.known and p_slope_zero.value >= SIGNIFICANT:
        return _NOT_APART
    return _NO_BETTER if skill.known and skill.low <= 0.0 else ""


def verdict_sentences(
    methods: Iterable[Any],
    numbers: Numbers,
    options: StudyOptions,
    found: Iterable[WithoutPair] = (),
) -> list[str]:
    """
    Return the answer, and where there are several methods one line for each; plain text.

    found: methods without a pair.
    """
    every, answer = _answered(tuple(methods), numbers, options, found)
    doubts, silent = _doubts(answer["asked"], several=len(answer["asked"]) > 1), answer["silent"]
    lines = [said("verdict", "told", doubts=doubts, **answer)]
    lines += [said("verdict", "no_pair", silent=silent)] if silent and every else []
    lines += [said("verdict", "line", one=one) for one in every if len(every) > 1]
    return [*map(in_words, lines)]


def _answered(
    methods: tuple[Any, ...], numbers: Numbers, options: StudyOptions, found: Iterable[WithoutPair]
) -> tuple[tuple[Judged, ...], dict[str, Any]]:
    """Return every method, the closest first, and what the answer is made of."""
    every = ranked(methods, numbers)
    asked, silent = _asked(every, options), without_pair(found, methods, numbers, options)
    told = {"asked": asked, "apart": told_apart(asked, numbers), "silent": silent}
    return every, told | {"margin": options.margin}


def verdict_in_words(verdict: Verdict) -> str:
    """Return the sentence that a page says of a method's verdict, of the verdict alone; plain text."""
    parts = (
        ("limits_of_agreement", verdict.limits),
        ("net_of_laboratory", verdict.own),
        ("verdict", verdict),
    )
    place = (verdict.method, verdict.mode)
    frame = assembled(Labelled(one.rows(), name, *place) for name, one in parts if one is not None)
    one = Judged(SimpleNamespace(method=place[0], mode=place[1], verdict=verdict), Numbers(frame))
    if verdict.counted.tells_apart is False:
        one.no_better = _NOT_APART if verdict.counted.flat else _NO_BETTER
    return in_words(said("verdict", "sentence", one=one, margin=verdict.agreed))


def verdict_block(
    methods: Iterable[Any],
    numbers: Numbers,
    options: StudyOptions,
    *,
    found: Iterable[WithoutPair] = (),
    short: bool = False,
    lead: str = "",
) -> Block:
    """
    Return the element with the answer, above it what could make it wrong, the rest folded below.

    `short`: nothing is folded; else the verdict of every method stands folded below. `lead`: markup
    that comes first of all. `found`: methods without a pair.
    """
    every, answer = _answered(tuple(methods), numbers, options, found)
    others = [one for one in every if one not in answer["asked"]]
    judged = sum(one.counted.known for one in every)
    shown = {
        "several": several_judged(judged) if judged > 1 else "",
        "every": every if len(every) > 1 else (),
        "doubts": _doubts(answer["asked"], several=len(every) > 1),
        "of_others": _doubts(others, several=True),
        "lead": lead,
    }
    return Block(said("verdict", "block", short=short, **answer, **shown))


def _doubts(some: Iterable[Judged], *, several: bool) -> list[Markup]:
    """Return what could make an answer on some methods wrong; `several`: say whose doubt it is."""
    return [
        said("verdict", "doubt", one=one, sentence=sentence, several=several)
        for one in some
        if not one.hidden
        for sentence in one.doubts
    ]


def asked_first(
    methods: Iterable[Any], numbers: Numbers, options: StudyOptions
) -> list[tuple[str, str]]:
    """Return method and mode of every method: those the question is about first, the closest first."""
    every = ranked(methods, numbers)
    asked = _asked(every, options)
    return [(one.method, one.mode) for one in sorted(every, key=lambda one: one not in asked)]


def told_apart(asked: tuple[Judged, ...], numbers: Numbers) -> bool | None:
    """
    Return whether the first method is shown to be closer to the laboratory than each other one.

    None: what would tell is withheld, or modes of exercise differ, which are never compared.
    """
    best, *others = asked or (None,)
    if best is None:
        return False
    told = [_compared(numbers, best.method, one.method, best.mode) for one in others]
    if any(p.withheld for _, p in told) or any(one.mode != best.mode for one in others):
        return None
    return all(
        smaller(numbers, best.method, one.method, best.mode) == best.method for one in others
    )


def smaller(numbers: Numbers, first: str, second: str, mode: str, of: str = "rmse") -> str:
    """
    Return which of two methods is shown to have the smaller error, every method counted; "" if none.

    `of`: error (rmse), or scatter about the own bias (sd). Shown: the joint p value is at most 0.05
    and the joint interval of the ratio leaves out 1, for alone it is too short when methods are many.
    """
    ratio, p = _compared(numbers, first, second, mode, of)
    if not (p.known and ratio.known) or p.value > SIGNIFICANT or ratio.low <= 1 <= ratio.high:
        return ""
    two = sorted((first, second))
    return two[0] if ratio.value < 1 else two[1]


def _compared(numbers: Numbers, first: str, second: str, mode: str, of: str = "rmse") -> list[Cell]:
    """Return the ratio of two methods' errors and its joint p value."""
    cell = numbers.of(" vs ".join(sorted((first, second))), mode)
    return [cell("closer", f"{of}_ratio"), cell("closer", f"p_{of}_joint")]


def without_pair(
    found: Iterable[WithoutPair], methods: Iterable[Any], numbers: Numbers, options: StudyOptions
) -> dict[str, list[str]]:
    """
    Return the names of the methods that cannot be judged, by the main reason, in words.

    found: methods that have readings and not one pair. Those that the question names and that were
        never read join them.
    """
    reasons = {one.method: REASONS[one.reason] for one in found}
    known = {one.method for one in methods} | set(reasons)
    silent: dict[str, list[str]] = {}
    unread = dict.fromkeys((one for one in options.study.compares if one not in known), NOT_READ)
    for method, reason in (reasons | unread).items():
        silent.setdefault(reason, []).append(numbers.name.method(method))
    return silent


def _asked(every: tuple[Judged, ...], options: StudyOptions) -> tuple[Judged, ...]:
    """Return the methods that the question is about, closest first; all when it names none."""
    named = options.study.compares
    return tuple(one for one in every if one.method in named) or every
