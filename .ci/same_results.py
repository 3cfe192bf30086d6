"""
Compares the results.csv of two reports, and fails when they agree in fewer digits than stated.

    python .ci/same_results.py OLDEST/results.csv NEWEST/results.csv
"""

import csv
import math
import sys
from collections.abc import Iterator
from pathlib import Path

DIGITS = 8  # stated in DEVELOPERS.md
NUMBERS = ("value", "low", "high")


def main(first: Path, second: Path) -> None:
    """Print the fewest digits in common; exit 1 when text differs or digits are too few."""
    ours, theirs = (list(csv.DictReader(path.open(encoding="utf-8"))) for path in (first, second))
    if len(ours) != len(theirs):
        sys.exit(f"{len(ours)} rows against {len(theirs)}")
    apart = max(differences(ours, theirs), key=lambda one: one[0])
    digits = -math.log10(apart[0]) if apart[0] else math.inf
    print(f"{len(ours)} rows, fewest digits in common {digits:.1f} ({apart[1]})")
    if digits < DIGITS:
        sys.exit(f"fewer than {DIGITS} digits in common")


def differences(
    ours: list[dict[str, str]], theirs: list[dict[str, str]]
) -> Iterator[tuple[float, str]]:
    """Relative differences of the numbers; the rest must be the same text."""
    for one, other in zip(ours, theirs, strict=True):
        name = "/".join(one[key] for key in ("analysis", "method", "mode", "group", "statistic"))
        for key, mine in one.items():
            if key in NUMBERS and mine and other[key]:
                a, b = float(mine), float(other[key])
                yield abs(a - b) / max(1e-6, abs(a), abs(b)), f"{name} {key}: {mine} {other[key]}"
            elif mine != other[key]:
                yield 1.0, f"{name} {key}: {mine!r} {other[key]!r}"


if __name__ == "__main__":
    main(*map(Path, sys.argv[1:]))
