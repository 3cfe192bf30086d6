"""Field readings beside a laboratory test of another mode: the difference, and what the modes make."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import pandas as pd

from agreement.physiology.mode_effect import TREADMILL_ABOVE_CYCLE, expected_mode_effect
from agreement.stats.limits.limits_of_agreement import LIMITS, Group, group_of, groups_rows
from agreement.stats.limits.limits_of_subsets import FEWEST_OF_A_PART
from agreement.stats.record import recorded
from agreement.stats.result import Result, Row, TableRows
from agreement.stats.who_counts import who_counts


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


def across_modes(pairs: pd.DataFrame, heart_rate_based: Mapping[str, bool]) -> list[AcrossModes]:
    """
    Compare what was measured in one mode with what the laboratory measured in another.

    pairs: `agreement.pairing.other_rules.ACROSS_MODES_COLUMNS`.
    heart_rate_based: methods that rest on heart rate leave out athletes whose heart rate a drug
        limits.
    Returns results by method, mode and the laboratory's mode.
    """
    found = []
    for (method, mode, lab), all_ in pairs.groupby(
        ["method", "mode", "laboratory_mode"], sort=True
    ):
        own = who_counts(all_, heart_rate_based=heart_rate_based.get(str(method), True))
        if own.empty:
            continue
        expected = expected_mode_effect(str(mode), str(lab), float(own["lab"].mean()))
        group = group_of(f"laboratory_{lab}", own)
        found.append(AcrossModes(str(method), str(mode), str(lab), group, expected))
    return found


RECORD: Final = recorded(
    "across_modes, place 390, compares methods, own section: readings beside a test in another mode",
    *LIMITS,
    *(
        f"""
        expected_in_{who}: difference expected of the modes alone in {who}
          How far the two modes of exercise differ in the same people.
          = treadmill above cycle by 10.5 % in runners, 6.1 in triathletes, 2.8 in cyclists
          | Basset & Boulay 2000
        """
        for who in TREADMILL_ABOVE_CYCLE
    ),
)
