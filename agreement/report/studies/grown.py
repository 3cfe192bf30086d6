"""A study that grows: what the report tells of the reports before it, and keeps for those after."""

import hashlib
import json
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from markupsafe import Markup

from agreement.errors import AgreementError
from agreement.figures.estimates import Caption
from agreement.figures.key import facet
from agreement.figures.over_time import plot_control, plot_run, run_caption
from agreement.report.page.machine import in_words, said
from agreement.report.page.markup import Block, bullets, element, heading
from agreement.report.page.numbers import Cell
from agreement.report.page.pictures import Picture, drawing, picture
from agreement.report.run.folder import HISTORY_FILE
from agreement.report.run.own_report import read_own_table, read_provenance
from agreement.report.sections.comparison import frame_table
from agreement.stats.lines.slope_on_one_method import DAYS
from agreement.stats.studies.control import Control
from agreement.stats.studies.history import (
    COLUMNS,
    continued,
    history_lines,
    looks,
    steps,
)
from agreement.tables.options import STUDY_FILE, Kind, Margin
from agreement.tables.writers import significant
from agreement.terms import UNIT

MOST_CHARTS = 6  # methods
_TOLD_APART = 6  # significant digits: another processor gives the same report


def kept_history(folder: Path | None, kind: str) -> pd.DataFrame:
    """Return the history of the report that is replaced; none of another kind, or changed by hand."""
    with suppress(AgreementError):
        if folder is not None and (folder / HISTORY_FILE).is_file():
            content = read_provenance(folder)
            if content.get("kind") == kind:
                return read_own_table(folder, "history", content)
    return pd.DataFrame(columns=list(COLUMNS))


def made_from(provenance: dict[str, Any], results: pd.DataFrame) -> str:
    """Return a hash of what a report was made from, whenever it was made, whatever was asked."""
    told = {key: value for key, value in provenance.items() if key != "created"}
    told["inputs"] = [one for one in told["inputs"] if one["name"] != STUDY_FILE]  # its options are
    asked = told["options"]
    told["options"] = asked | {"study": asked["study"] | {"title": "", "question": ""}}
    few = significant(results, _TOLD_APART).to_csv(index=False)
    text = json.dumps(told, sort_keys=True, default=str) + few
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()[:16]


@dataclass(frozen=True)
class Grown:
    """A report among the reports of its study."""

    # columns `agreement.stats.studies.history.COLUMNS`; the last lines are this report's
    history: pd.DataFrame
    margin: Margin
    name: Callable[[str, str], str]  # Human name of a method in a mode
    # each method with the laboratory's control beside it, and how both change in 30 days
    controls: tuple[tuple[str, Control, tuple[Cell, Cell]], ...] = ()

    @classmethod
    def of(cls, report: Any, kind: Kind, folder: Path | None) -> "Grown":
        """Continue, with what a report tells (`Told`), the history kept in `folder` of the one before."""
        told, margin = report.provenance(kind), report.options.margin
        before, made = kept_history(folder, kind), made_from(told, report.frame)
        date = str(told["created"])[:10]
        lines = history_lines(report.frame, date=date, look=margin.look, provenance=made)
        whole = report.view.history(continued(before, lines))
        name = report.numbers.name
        found = [one for one in report.results.methods if one.control is not None]
        controls = []
        for one in found:
            place = (one.method, one.mode)
            laboratory, field = (
                report.numbers.get("control", f"{whose}_drift", *place)
                for whose in ("laboratory", "field")
            )
            if laboratory.known and field.known:
                controls.append((name(*place), one.control, (laboratory, field)))
        return cls(whole, margin, name, tuple(controls))

    def tables(self) -> dict[str, pd.DataFrame]:
        """Return the table ``history``; nothing for a study without a method."""
        return {"history": self.history} if len(self.history) else {}

    def new(self) -> list[str]:
        """Say of each method what is new since the last report with other data, and which drifts."""
        found = []
        for one in steps(self.history):
            known = not np.isnan([one.before["n"], one.now["n"]]).any()
            told = {"now": one.now, "before": one.before, "margin": self.margin, "known": known}
            taken, name = looks(self.history, one.method, one.mode), self.name(one.method, one.mode)
            found.append(said("history", "step", name=name, taken=taken, unit=UNIT, **told))
        drifts = [f"{name}: {in_words(_drifts(both))}" for name, _, both in self.controls]
        return [*map(in_words, found), *drifts]

    def section(self) -> tuple[list[Picture], Block]:
        """Return run chart and table of all reports, if there are several, and the control."""
        drawn, words = self._reports()
        if not self.controls:
            return drawn, words
        _, one, (change, _) = self.controls[0]
        control = picture(
            "control",
            drawing(plot_control, one.days, one.values, (one.line.intercept, one.line.slope)),
            Caption("control", {"change": change}),
        )
        told = (
            Markup("{} {}").format(element("b", f"{name}."), _drifts(both))
            for name, _, both in self.controls
        )
        return [*drawn, control], words + heading("The laboratory's control") + bullets(told)

    def _reports(self) -> tuple[list[Picture], Block]:
        history, margin = self.history, self.margin
        if history["provenance"].nunique() < 2:
            return [], Block("")
        own = history[history["bias"].notna()]
        drawn = [
            (self.name(str(method), str(mode)), lines)
            for (method, mode), lines in own.groupby(["method", "mode"])
            if len(lines) > 1
        ][:MOST_CHARTS]
        shown = []
        if drawn:
            titles = [name for name, _ in drawn]
            draw = [
                drawing(plot_run, lines, margin=margin.limit, panel=place)
                for place, (_, lines) in enumerate(drawn)
            ]
            draw.append(drawing(facet, titles=titles, share="y", panel=None))
            words = [run_caption(lines, margin=margin.limit).of(name) for name, lines in drawn]
            shown = [picture("history", draw, words, panels=len(drawn), height=2.2)]
        places = zip(history["date"], history["method"], history["mode"], strict=True)
        told = history.assign(report=[f"{day}: {self.name(*place)}" for day, *place in places])
        columns = (
            f"report: report; athletes: n .0; pairs: n_pairs .0; bias ({UNIT}): bias; "
            "lower limit: lower_limit; upper limit: upper_limit; verdict: verdict"
        )
        listed = told.astype({"verdict": "str"})
        block = frame_table("Every report of this study", listed, columns)
        return shown, heading("Earlier reports of this study") + block


def _drifts(both: tuple[Cell, Cell]) -> Markup:
    """Say whether the laboratory drifts, or the field method."""
    return said("history", "drifts", laboratory=both[0], field=both[1], days=DAYS)
