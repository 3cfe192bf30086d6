"""A small set of pairs whose bias is not zero, and an axes to draw on."""

import matplotlib as mpl
import pandas as pd
import pytest

from agreement.figures.canvas import blank
from agreement.figures.theme import house_style

mpl.use("agg")


@pytest.fixture
def ax():
    with house_style():
        _, axes = blank()
        yield axes[0]


@pytest.fixture
def pairs():
    lab = [40.0, 44.0, 48.0, 52.0, 56.0, 60.0]
    difference = [-4.0, -1.0, -3.0, -2.0, -5.0, 0.0]
    return pd.DataFrame(
        {
            "athlete_id": ["A", "A", "B", "C", "D", "E"],
            "lab": lab,
            "field": [a + d for a, d in zip(lab, difference, strict=True)],
            "max_confirmed": ["yes", "yes", "no", "unknown", "yes", "yes"],
            "training_profile": ["long", "long", "short", "short", "short", "short"],
        }
    )
