"""The colours, markers and lines of every figure; each hue comes with a shape of its own."""

from typing import Any, Final, NamedTuple

PAPER: Final = "#ffffff"
WASH: Final = "#eef2f4"  # of a cell that says nothing
INK: Final = "#1d2730"
SOFT: Final = "#4a5763"
FAINT: Final = "#9aa5af"
FIELD: Final = "#14505c"  # what the field method says
BAND: Final = "#a9cdd3"  # our uncertainty about a line
MARGIN: Final = "#a3420a"  # what was agreed beforehand
NOISE: Final = "#6b6f74"  # the laboratory's own noise
OWN: Final = "#7a4b94"  # the field method net of the laboratory's noise


class Mark(NamedTuple):
    """Colour, marker and line style that stand for one group."""

    colour: str
    marker: str
    line: str | tuple[int, tuple[float, ...]]

    @property
    def look(self) -> dict[str, Any]:
        """All three, for a line with marks."""
        return {"color": self.colour, "marker": self.marker, "linestyle": self.line}


# Lightness falls from mark to mark, so that they stay apart in grey; shapes repeat the message.
MARKS: Final = (
    Mark("#14505c", "o", "-"),
    Mark("#c8660e", "s", "--"),
    Mark("#7a4b94", "^", "-."),
    Mark("#3f86b0", "D", ":"),
    Mark("#8c1f3d", "v", (0, (5, 1, 1, 1, 1, 1))),
    Mark("#5f7a1c", "P", (0, (1, 2))),
    Mark("#3b3b3b", "X", (0, (8, 2))),
)

# how what returns in many figures looks
AGREED: Final[dict[str, Any]] = {"color": MARGIN, "linestyle": (0, (1, 1.2)), "linewidth": 1.8}
FLOOR: Final[dict[str, Any]] = {"color": NOISE, "linestyle": (0, (4, 2, 1, 2))}
SHADE: Final[dict[str, Any]] = {"color": BAND, "alpha": 0.55, "linewidth": 0}
EQUAL: Final[dict[str, Any]] = {"color": FAINT, "linestyle": (0, (1, 1.5))}
ZERO: Final[dict[str, Any]] = {"color": FAINT, "linewidth": 0.8, "zorder": 1}
