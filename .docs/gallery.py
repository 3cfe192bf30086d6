"""A gallery of the figures: one of each kind, as the demo's report draws them."""

import re
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any
from unittest.mock import patch

from matplotlib.figure import Figure

from agreement.cohort import read_cohort
from agreement.figures.canvas import settle, svg_text
from agreement.report.page.pictures import Album, Picture
from agreement.report.run.write import write_report

DEMO = Path(__file__).resolve().parents[1] / "demo_cohort"
OF_RESULTS = ("regression", "averaging_curve", "budget")  # drawn by `result.plot()`


def gallery_page(place: Path) -> dict[str, str]:
    """Draw into a folder beside the pages; return the page by its file name."""
    place.mkdir()
    parts = [
        "# Gallery",
        "Figures of the demo's report, one of each kind; its people are invented.",
    ]
    for kind, one in _of_each_kind().items():
        (place / f"{kind}.svg").write_text(one.svg, encoding="utf-8")
        alt, caption = _plain(one.alt), _plain(one.caption)
        parts.append(f"## {kind.replace('_', ' ')}\n\n![{alt}](figures/{kind}.svg)\n\n{caption}")
    return {"gallery.md": "\n\n".join([*parts, *_results(place)]) + "\n"}


def _of_each_kind() -> dict[str, Picture]:
    """Return the first figure of each kind that a report keeps."""
    kept: list[Picture] = []

    def keep(_: Album, *several: Picture) -> None:
        kept.extend(several)

    with TemporaryDirectory(prefix="agreement-gallery-") as work, patch.object(Album, "keep", keep):
        write_report(DEMO, Path(work) / "report")
    found: dict[str, Any] = {}
    for one in kept:
        found.setdefault(one.name.split("-")[0], one)
    return found


def _results(place: Path) -> list[str]:
    """Draw single results on axes of one's own."""
    results = read_cohort(DEMO).method("wrist_b")
    parts = ["## Single results", "Any result draws itself: `result.plot(ax=ax)`."]
    for name in OF_RESULTS:
        figure = Figure(figsize=(6, 3.2))
        results[name].plot(ax=figure.subplots())
        settle(figure)
        (place / f"result-{name}.svg").write_text(svg_text(figure), encoding="utf-8")
        code = f'cohort.method("wrist_b").{name}.plot(ax=ax)'
        parts.append(f"```python\n{code}\n```\n\n![{name}](figures/result-{name}.svg)")
    return parts


def _plain(text: str) -> str:
    """Return text in which nothing is taken for markup."""
    return re.sub(r"([\\*_\[\]<>`|])", r"\\\1", text)
