"""A caption names what its figure shows, and nothing else."""

import re
from html import unescape

import pandas as pd
import pytest
from printed import words_of
from turns import slowly

from agreement.figures.differences import differences_caption
from agreement.figures.points import MOST_POINTS

JOINED = "Lines between points join the pairs of one athlete."
BANDS = "Bands: 95 % intervals of the lines."


@pytest.fixture
def captions(opened):
    """Return a function: a section of a study -> the captions of its figures."""

    def read(section, **keys):
        html = getattr(opened(**keys), section)().html
        found = re.findall(r"<figcaption>(.*?)</figcaption>", html, re.DOTALL)
        return [unescape(re.sub(r"<[^>]+>", "", one)) for one in found]

    return read


@pytest.mark.parametrize(
    ("athletes", "visits", "ending"),
    [
        (14, 2, f"for each pair. {BANDS} {JOINED}"),
        (14, 1, f"for each pair. {BANDS}"),
        *slowly([(2, 1, "for each pair. Points only: too few athletes for lines.")]),
        (2, 2, f"for each pair. Points only: too few athletes for lines. {JOINED}"),
        (5, 1, "Too few athletes for limits. Line: bias, in the band of its 95 % interval."),
    ],
)
def test_the_difference_plot_names_bands_and_lines_only_where_drawn(
    captions, athletes, visits, ending
):
    (said,) = captions("differences", athletes=athletes, visits=visits)
    assert said.endswith(ending)


@pytest.mark.parametrize(
    ("athletes", "said", "unsaid"),
    [
        (14, "with the calibration line. Band: one standard error", "no calibration line"),
        (2, "no calibration line: ", "with the calibration line"),
    ],
)
def test_the_calibration_figure_says_whether_there_is_a_line(captions, athletes, said, unsaid):
    (caption,) = captions("regression", athletes=athletes, visits=1)
    assert said in caption
    assert unsaid not in caption


@pytest.mark.parametrize(
    ("athletes", "said", "unsaid"),
    [  # half of the athletes, but at most 7, are of the first of two profiles
        (20, "(mark) with its 95 % interval (thick) and the limits", "too few"),
        (14, "(mark) with its 95 % interval (thick); pairs below", "limits"),
    ],
)
def test_the_profile_figure_names_marks_and_limits_only_where_drawn(
    captions, athletes, said, unsaid
):
    (caption,) = captions("profiles", athletes=athletes, visits=1)
    assert said in caption
    assert unsaid not in caption


def test_a_density_is_named_and_no_line_between_points():
    pairs = pd.DataFrame({"field": 50.0, "lab": 49.0, "athlete_id": ["a", *"b" * MOST_POINTS]})
    limits = pd.DataFrame(columns=["statistic", "value", "low", "high", "unit", "n", "note"])
    caption = words_of(differences_caption(pairs, limits), "caption")
    assert "The darker, the more pairs." in caption
    assert "Lines between" not in caption
    assert "Lines between" in words_of(differences_caption(pairs[:MOST_POINTS], limits), "caption")
