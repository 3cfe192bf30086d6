"""
The small picture of a card: one athlete's field values of recent weeks, the laboratory's in it.

Written as SVG without a drawing library: a squad has dozens of cards, and each picture drawn the
usual way takes a tenth of a second.
"""

from collections.abc import Sequence
from datetime import date, timedelta
from html import escape
from itertools import groupby
from math import isfinite
from typing import Final

from agreement.figures.colours import BAND, FAINT, FIELD, MARGIN, OWN, SOFT
from agreement.figures.estimates import ABSENT, Caption, Estimate
from agreement.figures.inline import named
from agreement.terms import plain

_WIDTH, _HEIGHT = 460, 220  # units of the picture; letters have 14
_LEFT, _RIGHT, _TOP, _BOTTOM = 34, 350, 38, 192  # of the panel; the equivalent stands to the right
_BESIDE: Final = 372
_STEPS: Final = (1.0, 2.0, 5.0, 10.0, 20.0)  # between grid lines [mL/kg/min]
_MOST_LINES: Final = 6
MOST_READINGS: Final = 500  # field values; of more, the lowest, middle and highest of each day
_APART: Final = 104.0  # of two dates on the axis, or two names of tests
_ROWS: Final = (14.0, 30.0)  # of the names of tests, above the panel


def weeks_svg(
    field: Sequence[tuple[date, float]],
    tests: Sequence[tuple[date, float]],
    *,
    half_width: float | None = None,
    equivalent: Estimate | None = None,
    name: str = "field value",
    alt: str = "",
) -> str:
    """
    Return an athlete's field values of recent weeks with the laboratory's values in them, as SVG.

    field, tests: field values, and laboratory tests, of which there is one at least. [mL/kg/min]
    half_width: how far one laboratory test may lie from the athlete's true value. [mL/kg/min]
    equivalent: the laboratory-equivalent with its interval, drawn beside. [mL/kg/min]
    name: of the method, plain text.
    alt: what the picture shows, plain text (`weeks_caption`).
    Raises ValueError if there is no laboratory test.

    >>> weeks_svg([(date(2026, 3, 3), 51.0)], [(date(2026, 3, 1), 50.0)]).count("<circle")
    1
    """
    if not tests:
        raise ValueError("A picture of weeks needs one laboratory test at least.")
    known = equivalent is not None and equivalent.known
    panel = _Panel(field, tests, half_width or 0.0, equivalent if known else None)
    parts = [*panel.grid(), *panel.noise(half_width), *panel.readings(name)]
    parts += panel.laboratory(half_width)
    if equivalent is not None and known:
        parts += panel.beside(equivalent)
    style = "font:14px var(--fig-font,Helvetica,Arial,sans-serif)"
    return (
        f'<svg viewBox="0 0 {_WIDTH} {_HEIGHT}" role="img" aria-label="{escape(alt)}" style="{style}">'
        f"{''.join(parts)}</svg>"
    )


def weeks_caption(
    field: Sequence[float], lab: float, equivalent: Estimate | None = None
) -> Caption:
    """Return what the picture of recent weeks shows; `lab`: the last laboratory value."""
    told = {"field": len(field), "low": min(field, default=lab), "high": max(field, default=lab)}
    return Caption("weeks", {**told, "lab": lab, "equivalent": equivalent or ABSENT})


class _Panel:
    """Where days and values lie, and what is drawn there."""

    def __init__(
        self,
        field: Sequence[tuple[date, float]],
        tests: Sequence[tuple[date, float]],
        half: float,
        beside: Estimate | None,
    ) -> None:
        self._field, self._tests = sorted(field), sorted(tests)
        days = [day for day, _ in (*field, *tests)]
        spare = timedelta(days=3 if max(days) > min(days) else 7)
        self._first, self._last = min(days) - spare, max(days) + spare
        values = [value for _, value in field]
        values += [value + side for _, value in tests for side in (-half, half)]
        values += [] if beside is None else [beside.value, *filter(isfinite, beside[1:3])]
        self._low, self._high = min(values) - 1.0, max(values) + 1.0

    def x(self, day: date) -> float:
        return _LEFT + (_RIGHT - _LEFT) * ((day - self._first) / (self._last - self._first))

    def y(self, value: float) -> float:
        return _BOTTOM - (_BOTTOM - _TOP) * (value - self._low) / (self._high - self._low)

    def grid(self) -> list[str]:
        """Draw a line for each round value, and the dates of tests and of the ends."""
        span = self._high - self._low
        step = next((one for one in _STEPS if span / one <= _MOST_LINES), _STEPS[-1])
        value, parts = step * (self._low // step + 1), []
        while value < self._high:
            parts.append(_line(_LEFT, self.y(value), _RIGHT, self.y(value), FAINT, 0.4))
            parts.append(_text(_LEFT - 5, self.y(value) + 4, f"{value:g}", "end", SOFT))
            value += step
        shown: list[float] = []
        ends = [day for day, _ in (self._field[:1] + self._field[-1:])]
        for day in [*(day for day, _ in reversed(self._tests)), *ends]:
            place = self.x(day)
            if all(abs(place - other) >= _APART for other in shown):
                shown.append(place)
                parts.append(_text(place, _BOTTOM + 17, day.isoformat(), "middle", SOFT))
        return parts

    def noise(self, half: float | None) -> list[str]:
        """Draw how far the last test may lie from the true value."""
        if half is None:
            return []
        top, foot = (self.y(self._tests[-1][1] + side) for side in (half, -half))
        box = f'x="{_LEFT}" y="{top:.1f}" width="{_RIGHT - _LEFT}" height="{foot - top:.1f}"'
        return [f'<rect {box} style="fill:{named(BAND)}" opacity=".4"/>']

    def readings(self, name: str) -> list[str]:
        """Draw the field values, each saying its day, joined by a line."""
        drawn = self._field  # of very many the lowest, middle and highest of each day
        if len(drawn) > MOST_READINGS:
            days = [list(own) for _, own in groupby(drawn, key=lambda one: one[0])]
            drawn = [day[k] for day in days for k in sorted({0, len(day) // 2, len(day) - 1})]
        places = [f"{self.x(day):.1f},{self.y(value):.1f}" for day, value in drawn]
        path = f'<polyline points="{" ".join(places)}" style="fill:none;stroke:{named(FAINT)}"/>'
        style, said = f"fill:{named(FIELD)}", escape(name)
        return [path] + [
            f'<circle cx="{self.x(day):.1f}" cy="{self.y(value):.1f}" r="3.4" style="{style}">'
            f"<title>{said}, {day}: {plain(value)}</title></circle>"
            for day, value in drawn
        ]

    def laboratory(self, half: float | None) -> list[str]:
        """Draw each laboratory test as a diamond with its own noise, and its value above the panel."""
        parts = []
        colour = named(MARGIN)
        taken = dict.fromkeys(reversed(_ROWS), float(_WIDTH + _APART))
        for day, value in reversed(self._tests):  # the latest test has its name in any case
            x, y = self.x(day), self.y(value)
            if half is not None:
                parts.append(_line(x, self.y(value - half), x, self.y(value + half), MARGIN, 1.6))
            parts.append(
                f'<path d="M{x:.1f},{y - 7:.1f}l7,7l-7,7l-7,-7z" style="fill:{colour};stroke:'
                f'var(--paper,#fff)"><title>laboratory, {day}: {plain(value)}</title></path>'
            )
            row = next((row for row, before in taken.items() if before - x >= _APART), None)
            if row is not None:
                taken[row] = x
                parts.append(_text(x, row, f"laboratory {plain(value)}", "middle", MARGIN))
        return parts

    def beside(self, equivalent: Estimate) -> list[str]:
        """Draw what a laboratory test would read, with its interval."""
        x, y = _BESIDE, self.y(equivalent.value)
        parts = []
        if equivalent.bounded:
            parts.append(_line(x, self.y(equivalent.low), x, self.y(equivalent.high), OWN, 2.0))
        parts.append(
            f'<rect x="{x - 5}" y="{y - 5:.1f}" width="10" height="10" style="fill:{named(OWN)}"/>'
        )
        lines = ("as the lab", "would read", plain(equivalent.value))
        return parts + [
            _text(x + 12, y - 11 + 16 * place, line, "start", OWN)
            for place, line in enumerate(lines)
        ]


def _line(x: float, y: float, to_x: float, to_y: float, colour: str, width: float) -> str:
    where = f'x1="{x:.1f}" y1="{y:.1f}" x2="{to_x:.1f}" y2="{to_y:.1f}"'
    return f'<line {where} style="stroke:{named(colour)};stroke-width:{width}"/>'


def _text(x: float, y: float, words: str, anchor: str, colour: str) -> str:
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" '
        f'style="fill:{named(colour)}">{escape(words)}</text>'
    )
