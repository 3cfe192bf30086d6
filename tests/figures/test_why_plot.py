"""The figure that shows why a profile is misread draws the sessions, the fan and the laboratory."""

import numpy as np
import pandas as pd
import pytest
from printed import words_of

from agreement.figures.canvas import blank, svg_text
from agreement.figures.key import key_of
from agreement.figures.layout import settle
from agreement.figures.theme import house_style
from agreement.figures.why import plot_why, why_captions, why_legend
from agreement.physiology.coverage import SessionFan, typical_fans
from agreement.tables.options import Extrapolation


@pytest.fixture
def fan():
    pulse = np.array([100.0, 120.0, 150.0, 200.0])
    band = pd.DataFrame({"hr_bpm": pulse, "vo2": [20.0, 28.0, 40.0, 60.0]})
    band = band.assign(low=band["vo2"] - [1, 1, 2, 6], high=band["vo2"] + [1, 1, 2, 6])
    return SessionFan(
        athlete_id="A07",
        mode="run",
        training_profile="long and slow",
        lab=57.0,
        hr_max_bpm=200.0,
        points=pd.DataFrame({"hr_bpm": [100.0, 130.0, 150.0], "vo2": [21.0, 31.0, 40.0]}),
        band=band.assign(usual=[22.0, 29.0, 39.0, 55.0]),
        refused=None,
    )


def drawn(ax):
    return {line.get_label(): line for line in ax.lines}


def test_sessions_line_and_laboratory_stand_where_they_belong(fan, ax):
    plot_why(fan, ax=ax)
    lines = drawn(ax)
    np.testing.assert_allclose(lines["training sessions"].get_xdata(), [50, 65, 75])
    np.testing.assert_allclose(lines["training sessions"].get_ydata(), [21, 31, 40])
    assert (*lines["laboratory"].get_xdata(), *lines["laboratory"].get_ydata()) == (100, 57)
    np.testing.assert_allclose(lines["line through them"].get_xdata(), [50, 60, 75])
    np.testing.assert_allclose(lines["carried to HRmax"].get_ydata(), [40, 60])
    np.testing.assert_allclose(lines["usual form of the line"].get_ydata(), [22, 29, 39, 55])
    grey = ax.patches[0]
    assert (grey.get_x(), grey.get_x() + grey.get_width()) == (75, 100)
    assert ax.get_title(loc="left") == "long and slow"


def test_the_fan_opens_to_one_standard_error(fan, ax):
    plot_why(fan, ax=ax)
    outline = ax.collections[0].get_paths()[0].vertices
    at_top = outline[outline[:, 0] == 100][:, 1]
    assert (at_top.min(), at_top.max()) == (54, 66)
    (text,) = [text.get_text() for text in ax.texts]
    assert text == "sessions up to 75 % of HRmax\nso \u00b1 6.0, usual form 5.0 lower"


def test_panels_to_compare_share_their_axes(fan, ax):
    low = fan.points.assign(vo2=fan.points["vo2"] - 15, hr_bpm=fan.points["hr_bpm"] - 20)
    other = SessionFan("B", "run", "short", 40.0, 200.0, low, fan.band, "heart rates span 10 bpm")
    plot_why(fan, ax=ax, among=(fan, other))
    shared = ax.get_xlim(), ax.get_ylim()
    ax.clear()
    plot_why(other, ax=ax, among=(fan, other))
    assert (ax.get_xlim(), ax.get_ylim()) == shared
    bottom, top = ax.get_ylim()
    assert bottom < 6
    assert top > 66


def test_the_legend_begins_with_the_sessions(fan, ax):
    plot_why(fan, ax=ax)
    why_legend(ax)
    names = list(key_of(ax).entries)
    assert names[0] == "training sessions"
    assert set(names) >= {"laboratory", "\u00b1 1 standard error", "no session here"}


def test_alternative_text_tells_the_numbers(fan):
    text = words_of(*why_captions((fan,)))
    assert "long and slow: the sessions of A07 reach 75 % of HRmax over a span of 50 bpm" in text
    assert "60 \u00b1 6.0, the usual form 55, the laboratory measured 57" in text


def test_bytes_do_not_depend_on_the_order_of_sessions():
    rng = np.random.default_rng(7)
    days = pd.to_datetime("2026-03-01") - pd.to_timedelta(np.arange(20), unit="D")
    pulse = rng.uniform(100, 160, 20)
    points = pd.DataFrame({"hr_bpm": pulse, "vo2": 0.4 * pulse - 20 + rng.normal(0, 1, 20)})
    points = points.assign(athlete_id="A07", mode="run", date=days)
    line = {
        "lab_test_id": "L1",
        "mode": "run",
        "extrapolation_se": 3.0,
        "slope": 2.5,
        "training_profile": "long",
        "refused": None,
        "athlete_id": "A07",
        "line_date": pd.Timestamp("2026-03-01"),
        "lab": 55.0,
        "hr_max_bpm": 190.0,
    }

    def drawing(points):
        (fan,) = typical_fans(pd.DataFrame([line]), points, Extrapolation())
        with house_style():
            figure, (ax,) = blank()
            plot_why(fan, ax=ax)
            settle(figure)
            return svg_text(figure)

    assert drawing(points) == drawing(points.sample(frac=1, random_state=2))
