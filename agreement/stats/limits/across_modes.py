"""Field readings beside a laboratory test of another mode: the difference, and what the modes make."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import pandas as pd

from agreement.stats.limits.limits_of_agreement import LIMITS, Group, group_of, groups_rows
from agreement.stats.limits.limits_of_subsets import FEWEST_OF_A_PART
from agreement.stats.record import recorded
from agreement.stats.result import Result, Row, TableRows
from agreement.stats.who_counts import who_counts

# share by which the treadmill lies above the cycle, by what people train for
TREADMILL_ABOVE_CYCLE: Final = {"runners": 0.105, "triathletes": 0.061, "cyclists": 0.028}
_TREADMILL: Final = ("run", "walk")


@dataclass(frozen=True, slots=True)
class AcrossModes(Result):
    """Bias and limits where the laboratory tested another mode; in no other result. [mL/kg/min]."""

    # method, mode: of the field readings
    method: str
    mode: str
    laboratory_mode: str
    pairs: Group  # how many, and their limits from 3 athletes on
    # difference that the modes alone make in runners, triathletes and cyclists; empty where nobody
    # published it
    expected: Mapping[str, float]

    def _rows(self) -> TableRows:
        n, n_pairs = self.pairs.n, self.pairs.n_pairs
        yield from groups_rows([self.pairs], fewest=FEWEST_OF_A_PART)
        for who, size in self.expected.items():
            yield Row.of(f"expected_in_{who}", size, n=n, n_pairs=n_pairs, group=self.pairs.name)

    def _finding(self) -> str:
        return (
            f"{self.pairs.n_pairs} pairs of {self.method} ({self.mode}) with a laboratory test in "
            f"another mode ({self.laboratory_mode}) stand apart."
        )


def across_modes(
    pairs: pd.DataFrame | None, heart_rate_based: Mapping[str, bool]
) -> list[AcrossModes]:
    """
    Compare what was measured in one mode with what the laboratory measured in another.

    pairs: `agreement.pairing.other_rules.ACROSS_MODES_COLUMNS`; None where they were not looked at.
    heart_rate_based: methods that rest on heart rate leave out athletes whose heart rate a drug
        limits.
    Returns results by method, mode and the laboratory's mode.
    """
    found, names = [], ["method", "mode", "laboratory_mode"]
    for (method, mode, lab), all_ in () if pairs is None else pairs.groupby(names, sort=True):
        own = who_counts(all_, heart_rate_based=heart_rate_based.get(str(method), True))
        if own.empty:
            continue
        expected = expected_mode_effect(str(mode), str(lab), float(own["lab"].mean()))
        group = group_of(f"laboratory_{lab}", own)
        found.append(AcrossModes(str(method), str(mode), str(lab), group, expected))
    return found


def expected_mode_effect(mode: str, laboratory_mode: str, vo2max: float) -> dict[str, float]:
    """
    Return the difference that the modes alone make, field minus laboratory.

    mode, laboratory_mode: of the field reading and of the laboratory test.
    vo2max: of the laboratory. [mL/kg/min]
    Returns: [1]_ for runners, triathletes and cyclists [mL/kg/min]; empty for modes that the source did
        not compare.

    .. [1] Basset FA, Boulay MR. Specificity of treadmill and cycle ergometer tests in triathletes,
       runners and cyclists. Eur J Appl Physiol 2000;81:214-221 (shares read, pages from memory).

    >>> {who: round(size, 2) for who, size in expected_mode_effect("run", "cycle", 50.0).items()}
    {'runners': 5.25, 'triathletes': 3.05, 'cyclists': 1.4}
    """
    if mode in _TREADMILL and laboratory_mode == "cycle":
        return {who: share * vo2max for who, share in TREADMILL_ABOVE_CYCLE.items()}
    if mode == "cycle" and laboratory_mode in _TREADMILL:
        return {who: -vo2max * s / (1 + s) for who, s in TREADMILL_ABOVE_CYCLE.items()}
    return {}


RECORD: Final = recorded(
    "across_modes, place 390, compares methods, own section: readings beside a test in another mode",
    *LIMITS,
    *(
        f"""
        expected_in_{who}: difference expected of the modes alone in {who} / expected in {who}
          How far the two modes of exercise differ in the same people.
          = treadmill above cycle by 10.5 % in runners, 6.1 in triathletes, 2.8 in cyclists
          | Basset & Boulay 2000
        """
        for who in TREADMILL_ABOVE_CYCLE
    ),
)
