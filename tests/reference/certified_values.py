"""Certified values of the NIST Statistical Reference Datasets, and ours."""

import warnings
from collections.abc import Callable, Iterator
from itertools import cycle, islice

import numpy as np
from trust_rows import Row, of_file

from agreement.errors import SmallSampleWarning
from agreement.stats.basics.least_squares import fit_line
from agreement.stats.limits.limits import LimitsOfAgreement, limits_of_agreement
from agreement.stats.repeats.repeatability import repeatability

SETS = of_file("certified_sets.json")
NORRIS = of_file("published_statistics.json")["norris"]
NIST = "NIST StRD, "
# a value near 1e7 is stored to about 1e-9, near 1e12 to about 1e-4: the data have no more digits
STORED = "the data are stored to {} digits of their spread"


def certified_rows() -> Iterator[Row]:
    """All of them."""
    yield from means_and_deviations()
    yield from analyses_of_variance()
    yield from line_of_norris()


# --- mean and standard deviation ------------------------------------------------------------------


def means_and_deviations() -> Iterator[Row]:
    """Differences from a laboratory value of 0 have the mean and the SD of the data."""
    for name, (mean, sd, provenance, digits, values) in univariate().items():
        note = STORED.format(digits) if digits < 12 else ""
        for way, limits in WAYS.items():
            with warnings.catch_warnings():
                warnings.simplefilter("ignore", SmallSampleWarning)
                found = limits(np.asarray(values, dtype=np.float64))
            source = f"{NIST}{name}"
            yield Row(source, provenance, f"mean, {way}", mean, found.bias, at_least=13.5)
            yield Row(
                source,
                provenance,
                f"SD, {way}",
                sd,
                found.sd,
                at_least=min(12.0, digits),
                note=note,
            )


def univariate() -> dict[str, tuple[str, str, str, float, list[float]]]:
    """Name -> (mean, SD, provenance, digits that the stored data can give, values)."""
    made = {
        "NumAcc1": ("10000002", "1", 15, [10000001, 10000003, 10000002]),
        "NumAcc2": ("1.2", "0.1", 14, around(1.2, 1.1, 1.3)),
        "NumAcc3": ("1000000.2", "0.1", 9, around(1000000.2, 1000000.1, 1000000.3)),
        "NumAcc4": ("10000000.2", "0.1", 8, around(10000000.2, 10000000.1, 10000000.3)),
    }
    typed = {
        name: (one["mean"], one["sd"], one["provenance"], 15, one["values"])
        for name, one in SETS["univariate"].items()
    }
    return typed | {
        name: (mean, sd, "read second-hand", digits, values)
        for name, (mean, sd, digits, values) in made.items()
    }


def around(first: float, low: float, high: float) -> list[float]:
    """One value, then 500 times the two around it."""
    return [first, *islice(cycle([low, high]), 1000)]


WAYS: dict[str, Callable[[np.ndarray], LimitsOfAgreement]] = {
    "limits of agreement": lambda values: limits_of_agreement(values, np.zeros_like(values)),
}


# --- one-way analysis of variance -----------------------------------------------------------------


def analyses_of_variance() -> Iterator[Row]:
    """Residual standard deviations: the typical error."""
    for name, one in SETS["analysis_of_variance"].items():
        low = 8.0 if name == "AtmWtAg" else 11.0
        note = STORED.format(8) if name == "AtmWtAg" else ""
        yield from of_groups(name, one, np.array(one["groups"]), low, note)
    certified = {"residual_sd": "0.1", "provenance": "read"}
    steps = [(21, 0, 12.0), (201, 0, 12.0), (21, 10**6, 8.0), (201, 10**6, 8.0), (21, 10**12, 1.5)]
    for number, (size, offset, low) in zip((1, 2, 4, 5, 7), steps, strict=True):
        yield from of_groups(
            f"SmLs0{number}",
            certified,
            levels(size, offset),
            low,
            STORED.format(int(low)) if offset else "",
        )


def levels(size: int, offset: int) -> np.ndarray:
    """Nine groups of one value, then of the values a tenth below and above it by turns."""
    centres = [4, *islice(cycle([3, 5]), 8)]
    base = 1 if offset == 0 else offset
    around_zero = np.array([0, *islice(cycle([-1, 1]), size - 1)])
    return np.array(
        [[float(f"{base}.{centre + step}") for step in around_zero] for centre in centres]
    )


def of_groups(
    name: str, certified: dict[str, str], groups: np.ndarray, low: float, note: str
) -> Iterator[Row]:
    """The residual SD as the typical error of repeats."""
    repeats = repeatability(groups.ravel(), np.repeat(np.arange(len(groups)), groups.shape[1]))
    source, provenance = f"{NIST}{name}", certified["provenance"]
    quantity, ours = "residual SD, typical error", repeats.typical_error
    yield Row(source, provenance, quantity, certified["residual_sd"], ours, at_least=low, note=note)


# --- a straight line ------------------------------------------------------------------------------


def line_of_norris() -> Iterator[Row]:
    """36 calibrations of ozone monitors."""
    line = fit_line(np.array(NORRIS["x"]), np.array(NORRIS["y"]))
    found = {
        "slope": ("1.00211681802045", line.slope),
        "intercept": ("-0.262323073774029", line.intercept),
        "standard error of the slope": ("0.000429796848199937", line.slope_se),
        "standard error of the intercept": ("0.232818234301152", line.intercept_se),
        "residual SD": ("0.884796396144373", line.residual_sd),
        "r squared": ("0.999993745883712", line.r**2),
    }
    for quantity, (printed, ours) in found.items():
        yield Row(f"{NIST}Norris", "read", quantity, printed, ours, at_least=11.0)
