"""Intervals by textbook, and a row of the results table against them."""

import math

import pandas as pd
import pytest
from scipy import stats

Z = stats.norm.ppf(0.975)


def t_interval(estimate, error, df):
    half = stats.t.ppf(0.975, df) * error
    return estimate - half, estimate + half


def assert_row(row, value, interval=None, *, n=39, unit="mL/kg/min", rel=1e-9, n_pairs=None):
    assert row.value == pytest.approx(value, rel=rel)
    if interval is None:
        assert pd.isna(row.low)
        assert pd.isna(row.high)
    else:
        assert (row.low, row.high) == pytest.approx(interval, rel=1e-7)
    assert (row.n, row.n_pairs, row.unit) == (n, n_pairs or n, unit)


def limit_factors(n):
    """Noncentral-t factors of the interval of one limit (Carkeet 2015; Shieh 2018)."""
    at = Z * math.sqrt(n)
    return [stats.nct.ppf(p, n - 1, at) / math.sqrt(n) for p in (0.025, 0.975)]
