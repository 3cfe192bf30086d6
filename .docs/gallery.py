"""A gallery of the figures: every kind that there is, each with the lines that draw it."""

import ast
import re
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, Final

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from agreement import house_style, read_cohort
from agreement.figures.canvas import svg_text
from agreement.figures.layout import settle
from agreement.report.page.machine import in_words
from agreement.report.page.markup import Block

ROOT: Final = Path(__file__).resolve().parents[1]
ONE: Final = 'methods=[("wrist_b", "run")]'
# title -> functions of agreement.figures that draw it, and lines of Python
KINDS: Final[dict[str, tuple[tuple[str, ...], str]]] = {
    "All methods on one axis": (("methods.plot_methods",), "report.chart(cohort)"),
    "Differences of several methods": (
        ("differences.plot_difference_panels",),
        "report.differences(cohort)",
    ),
    "Differences of one method": (
        ("differences.plot_differences",),
        f"report.differences(cohort, {ONE}, coverage=0.95)",
    ),
    "Differences of two arrays": (
        ("of_arrays.plot_differences",),
        (
            'from agreement import plot_differences\n\npairs = cohort.pairs_of("wrist_b", "run")\n'
            'limits = cohort.limits("wrist_b", "run", coverage=0.95)\n'
            'plot_differences(pairs["field"], pairs["lab"], limits=limits, ax=ax)'
        ),
    ),
    "Which method is closer": (("closer.plot_closer",), "report.two_estimators(cohort)"),
    "Bias by kind of training, all methods": (
        ("across_methods.plot_profiles_of_methods",),
        "report.profiles(cohort)",
    ),
    "Bias by kind of training": (("profiles.plot_profiles",), f"report.profiles(cohort, {ONE})"),
    "Why a profile is misread": (("why.plot_why",), "report.why(cohort)"),
    "Calibration line": (("regression.plot_regression",), f"report.regression(cohort, {ONE})"),
    "Field against true fitness": (
        ("regression.plot_structural",),
        "report.regression(cohort, structural=True)",
    ),
    "Error budgets of all methods": (("across_methods.plot_budgets",), "report.budget(cohort)"),
    "Error budget": (("budget.plot_budget",), f"report.budget(cohort, {ONE})"),
    "Averaging curves of all methods": (
        ("across_methods.plot_averaging_curves",),
        "report.averaging(cohort)",
    ),
    "Averaging curve": (("averaging_curve.plot_averaging",), f"report.averaging(cohort, {ONE})"),
    "Change between two visits": (
        ("change.plot_change", "change.plot_change_arrows"),
        f"report.change(cohort, {ONE})",
    ),
    "Drift over calendar time": (("over_time.plot_drift",), f"report.drift(cohort, {ONE})"),
    "An athlete's weeks": (
        ("weeks.weeks_svg",),
        'show = report.Page(cohort, save=folder)\nshow.of_athletes(kind="squad").pages["athlete_cards.html"]',
    ),
    "An athlete's own correction": (
        ("of_arrays.plot_result", "of_arrays.plot_estimates"),
        'cohort.method("wrist_b", "run").own_correction.plot(ax=ax)',
    ),
    "A study that grows": (
        ("over_time.plot_run",),
        (
            "import pandas as pd\n\nfrom agreement.figures.over_time import plot_run\n\n"
            'reports = pd.DataFrame({"date": ["2026-03-01", "2026-06-01", "2026-09-01"], '
            '"n": [14, 31, 52],\n    "bias": [-1.9, -2.6, -2.8], "lower_limit": [-9.4, -8.9, -8.6], '
            '"upper_limit": [5.6, 3.7, 3.0]})\nplot_run(reports, margin=7, ax=ax)'
        ),
    ),
    "The laboratory's control": (
        ("over_time.plot_control",),
        (
            "from agreement.figures.over_time import plot_control\n\n"
            "plot_control([0, 30, 61, 92], [50.2, 50.4, 50.9, 51.1], (50.15, 0.0107), ax=ax)"
        ),
    ),
    "Studies pooled": (
        ("forest.plot_forest",),
        (
            "from agreement.report.studies.output import write_pool\n"
            "from agreement.report.studies.pool_file import read_pool\n\n"
            'page, *_ = write_pool(read_pool("notebooks/guide/shuttle_pool.toml"), folder)\n'
            'page.read_text(encoding="utf-8")'
        ),
    ),
}


def gallery_page(place: Path) -> dict[str, str]:
    """Draw into a folder beside the pages; return the page by its file name."""
    place.mkdir()
    parts = [
        "# Gallery",
        (
            "Every kind of figure, with the lines that draw it. `cohort` is the demo, whose people are "
            "invented; `ax` are axes of one's own. `from agreement import report` opens the sections."
        ),
    ]
    for title, svg, alt, caption in drawn():
        name = re.sub(r"\W+", "-", title.lower())
        (place / f"{name}.svg").write_text(svg, encoding="utf-8")
        code = KINDS[title][1]
        parts.append(
            f"## {title}\n\n```python\n{code}\n```\n\n![{alt}](figures/{name}.svg)\n\n{caption}"
        )
    return {"gallery.md": "\n\n".join(parts) + "\n"}


def drawn() -> list[tuple[str, str, str, str]]:
    """Run the lines of every kind; return title, SVG, what it shows, and caption."""
    from agreement import report

    cohort, found = read_cohort(ROOT / "demo_cohort"), []
    for title, (_, code) in KINDS.items():
        with TemporaryDirectory(prefix="agreement-gallery-") as folder, house_style():
            figure = Figure(figsize=(6, 3.2))
            names = {"report": report, "cohort": cohort, "folder": Path(folder)}
            shown = _value(
                code.replace('"notebooks/', f'"{ROOT.as_posix()}/notebooks/'), names, figure
            )
        found.append((title, *shown))
    return found


def _value(code: str, names: dict[str, Any], figure: Figure) -> tuple[str, str, str]:
    """Run lines of Python; return SVG, alternative text and caption of what their last value is."""
    names |= {"ax": figure.subplots()} if "ax=ax" in code else {}
    *before, last = ast.parse(code).body
    exec(compile(ast.Module(before, []), "<gallery>", "exec"), names)  # noqa: S102 - our own lines
    value = eval(compile(ast.Expression(last.value), "<gallery>", "eval"), names)
    if isinstance(value, Block):
        first = value.pictures[0]
        return first.svg, _plain(first.alt), _plain(first.caption)
    if isinstance(value, Axes):
        settle(figure)
        return svg_text(figure), "drawn on axes of one's own", ""
    svg = re.search(r"<svg.*?</svg>", value, re.DOTALL)[0]
    told = re.search(r"</svg><span hidden[^>]*>(.*?)</span></div>", value) or re.search(
        r'aria-label="([^"]*)"', svg
    )
    space = "" if "xmlns=" in svg else ' xmlns="http://www.w3.org/2000/svg"'
    return svg.replace("<svg", f"<svg{space}", 1), _plain(told[1] if told else ""), ""


def _plain(text: str) -> str:
    """Return words in which nothing is taken for markup."""
    return re.sub(r"([\\*_\[\]<>`|])", r"\\\1", in_words(text))
