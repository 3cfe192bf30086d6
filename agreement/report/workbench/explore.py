"""The explore panel: other choices tried on a study; plot and limits follow, the verdict does not."""

from pathlib import Path
from typing import Any, Final

import ipywidgets as widgets
import pandas as pd
from markupsafe import Markup

from agreement.cohort import Cohort, read_cohort
from agreement.errors import AgreementError
from agreement.figures.canvas import blank, svg_text
from agreement.figures.differences import plot_differences
from agreement.figures.layout import settle
from agreement.figures.points import pair_words
from agreement.figures.theme import house_style
from agreement.report.page.markup import element, paragraph
from agreement.report.page.numbers import Names, with_minus
from agreement.stats.limits.limits import FEW_FOR_REPORTS, limits_by_athlete
from agreement.tables.study_lines import write_pairing
from agreement.terms import RESULT_COLUMNS, UNIT, counted

_PAIRING: Final = ("days_before", "summary_days", "minimum_days", "summary")
_WRITTEN: Final = (
    "Written under [pairing]. The limit, its date, coverage and who counts are not changed from here: "
    "what was agreed beforehand stays."
)
_WIDE: Final = widgets.Layout(width="420px")
_WORDS: Final = {"description_width": "190px"}


class Explore:
    """Controls of one study, by the name of the choice, and what follows; a notebook shows `panel`."""

    def __init__(self, study: str | Path) -> None:
        self.folder = Path(study)
        self.cohort: Cohort = read_cohort(study)
        agreed = self.cohort.study.options
        called = Names.of(agreed, self.cohort.methods)
        names = {called(*place): place for place in self.cohort.methods}
        if not names:
            raise AgreementError("The study has no pairs yet; run `agreement check` on it.")
        pairing, margin = agreed.pairing, agreed.margin.limit

        def field(text: str, value: float, low: float, high: float, step: float = 1) -> Any:
            # not a slider: that of ipywidgets has no name for who hears the page
            kind = widgets.BoundedIntText if step == 1 else widgets.BoundedFloatText
            ends = {"min": low, "max": max(high, value), "step": step}
            return kind(value, **ends, description=text, layout=_WIDE, style=_WORDS)

        like = {"layout": _WIDE, "style": _WORDS}
        ways = {"options": ["mean", "median", "nearest", "last"], "value": pairing.summary}
        self.controls: dict[str, Any] = {
            "method": widgets.Dropdown(options=names, description="Method", **like),
            "days_before": field("Days before the test", pairing.days_before, 1, 60),
            "summary_days": field("Days averaged", pairing.summary_days, 1, 60),
            "minimum_days": field("Days with a reading needed", pairing.minimum_days, 1, 14),
            "summary": widgets.Dropdown(**ways, description="Summary of the days", **like),
            "confirmed": widgets.Checkbox(False, description="Confirmed maxima only", **like),
            "margin": field(f"Limit to hold ({UNIT})", margin or 0.0, 0, 100, 0.5),
            "coverage": field("Share of athletes", 0.95, 0.5, 0.99, 0.01),
        }
        self.said, self.picture, self.written = widgets.HTML(), widgets.HTML(), widgets.HTML()
        self.write = widgets.Button(
            description="Write these choices into study.toml", layout=widgets.Layout(width="300px")
        )
        self.write.on_click(lambda _: self.write_choices())
        for control in self.controls.values():
            control.observe(lambda _: self.show(), names="value")
        whole = widgets.Layout(flex="none")  # else a narrow window leaves nothing of them
        left = widgets.VBox([*self.controls.values(), self.write, self.written], layout=whole)
        both = widgets.HBox([left, self.picture], layout=widgets.Layout(flex_flow="row wrap"))
        self.panel = widgets.VBox([self.said, both])
        self.show()

    @property
    def choices(self) -> dict[str, Any]:
        """The value of every control."""
        return {name: control.value for name, control in self.controls.items()}

    @property
    def tried(self) -> list[str]:
        """Names of the choices that are not the agreed ones."""
        options, now = self.cohort.study.options, self.choices
        names = [key for key in _PAIRING if now[key] != getattr(options.pairing, key)]
        names += ["confirmed"] if now["confirmed"] else []
        names += ["margin"] if now["margin"] != (options.margin.limit or 0.0) else []
        return names + (["coverage"] if abs(now["coverage"] - 0.95) > 1e-9 else [])

    def show(self) -> None:
        """Compute and draw under the choices that stand in the controls."""
        now = self.choices
        cohort = self.cohort.with_options(pairing={key: now[key] for key in _PAIRING})
        pairs = self.cohort.pairs.iloc[:0]
        if now["method"] in cohort.methods:
            pairs = cohort.pairs_of(*now["method"])
        if now["confirmed"]:
            pairs = pairs[pairs["max_confirmed"] == "yes"]
        if pairs.empty:
            words = self._mark() + "With these choices the method has no pairs."
            self.said.value, self.picture.value = element("p", words), ""
            return
        people, margin = int(pairs["athlete_id"].nunique()), now["margin"]
        said = f"{counted(people, 'athlete')}: too few for limits of agreement."
        limits: Any = pd.DataFrame(columns=RESULT_COLUMNS)
        if people >= FEW_FOR_REPORTS:
            apart, whose = pairs["field"] - pairs["lab"], pairs["athlete_id"]
            limits = limits_by_athlete(apart, whose, coverage=now["coverage"])
            said = with_minus(limits.summary())
            if margin:
                inside = -margin <= limits.lower and limits.upper <= margin
                said += f" {'Both limits' if inside else 'Not both limits'} lie within ±{margin:g}."
        with house_style():
            figure, (ax,) = blank()
            told: dict[str, Any] = {"margin": margin or None, "told": pair_words(pairs)}
            plot_differences(pairs, limits, **told, ax=ax)
            settle(figure)
            svg = svg_text(figure)
        self.said.value = paragraph(self._mark() + said).html
        self.picture.value = svg[svg.index("<svg") :]

    def _mark(self) -> Markup:
        """Return the mark of choices that were tried after the fact."""
        if not self.tried:
            return element("strong", "As agreed.") + " "
        called = ", ".join(self.controls[name].description for name in self.tried)
        tried = element("strong", f"Tried after the fact ({called}).")
        return tried + " The verdict stays that of the agreed choices. "

    def write_choices(self) -> None:
        """Write the choices of pairing into study.toml; the agreed limit is not touched."""
        now = self.choices
        try:
            write_pairing(self.folder, {key: now[key] for key in _PAIRING})
        except (AgreementError, OSError) as error:
            self.written.value = element("p", str(error))
            return
        self.written.value = element("p", _WRITTEN)


def explore(study: str | Path) -> Any:
    """Return the panel of a study."""
    return Explore(study).panel
