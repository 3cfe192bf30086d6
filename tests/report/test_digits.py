"""Statistics have 12 digits, and `verify` takes no rounding for a change, nor a change for rounding."""

import pandas as pd
import pytest

from agreement.report.run.exports import write_tables
from agreement.report.run.output_versions import table_differences
from agreement.terms import RESULT_COLUMNS


def results(value):
    row = dict.fromkeys(RESULT_COLUMNS, "x") | {"value": value, "low": value, "high": value}
    return pd.DataFrame([row | {"n": 20, "n_pairs": 20}])[RESULT_COLUMNS]


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (2.123456789012345, "2.12345678901"),
        (-0.000123456789012345, "-0.000123456789012"),
        (123456789012.345, "123456789012"),
        (0.1 + 0.2, "0.3"),
    ],
)
def test_results_have_twelve_significant_digits(tmp_path, value, text):
    write_tables({"results": results(value)}, tmp_path)
    written = pd.read_csv(tmp_path / "results.csv", dtype=str)
    assert float(written["value"].item()) == float(text)
    assert len(written["value"].item().strip("-0.").replace(".", "")) <= 12


@pytest.mark.parametrize(
    ("old", "new", "differ"),
    [
        (2.0, 2.0 + 1e-11, False),
        (2.0, 2.0 + 1e-7, True),
        (0.0, 1e-12, False),
        (2.0, -2.0, True),
    ],
)
def test_verify_tells_a_change_from_rounding(tmp_path, old, new, differ):
    places = []
    for name, value in (("old", old), ("new", new)):
        frame = results(value)
        places.append(tmp_path / f"{name}.csv")
        frame.to_csv(places[-1], index=False)
    assert bool(table_differences("results.csv", *places)) is differ


def test_counts_and_texts_must_be_the_same(tmp_path):
    one = tmp_path / "one.csv"
    results(1.0).to_csv(one, index=False)
    other = tmp_path / "other.csv"
    results(1.0).assign(n=20.0000000001).to_csv(other, index=False)
    assert table_differences("results.csv", one, other)
