"""The first page of every kind of report: question, answer, one chart, three actions, rows used."""

from collections.abc import Iterable
from math import isfinite

import pandas as pd

from agreement.figures.methods import (
    method_rows,
    methods_caption,
    methods_height,
    plot_methods,
)
from agreement.report.page.numbers import Numbers
from agreement.report.page.pictures import Picture, drawing, picture
from agreement.report.sections.comparison import Comparison
from agreement.tables.options import StudyOptions


def methods_chart(
    numbers: Numbers, options: StudyOptions, comparisons: Iterable[Comparison] = ()
) -> tuple[Picture, ...]:
    """
    Return the one chart of all methods; nothing where none has a bias, as of one athlete.

    numbers: Redacted already where that is needed.
    comparisons: the laboratory's own noise is theirs.
    """
    frame = _shown(numbers.frame)
    rows = method_rows(frame)
    if not any(isfinite(one.of("limits_of_agreement", "bias").value) for one in rows):
        return ()
    labels = {one.method: numbers.name.method(one.method) for one in rows}
    margin = options.margin.limit
    known = (one.noise.noise_floor for one in comparisons if one.noise is not None)
    noise = next(known, None)
    drawn = picture(
        "methods",
        drawing(plot_methods, frame, labels=labels, margin=margin, noise=noise),
        methods_caption(frame, labels=labels, margin=margin),
        height=methods_height(len(rows)),
    )
    return (drawn,)


def _shown(frame: pd.DataFrame) -> pd.DataFrame:
    """Return the lines without those of methods that are withheld."""
    whole = (frame["analysis"] == "limits_of_agreement") & (frame["group"] == "all")
    hidden = frame[whole & frame["n"].isna()]
    if hidden.empty:
        return frame
    places = set(zip(hidden["method"], hidden["mode"], strict=True))
    keep = [place not in places for place in zip(frame["method"], frame["mode"], strict=True)]
    return frame[keep]
