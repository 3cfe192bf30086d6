"""One method against the laboratory: its figures, its tables and a sentence for each."""

from dataclasses import dataclass
from html import escape
from math import isnan

import pandas as pd

from agreement.figures.averaging import averaging_alt, plot_averaging
from agreement.figures.budget import COMPONENTS, budget_alt, plot_budget
from agreement.figures.differences import differences_alt, plot_differences
from agreement.figures.estimates import ABSENT, estimates
from agreement.figures.profiles import plot_profiles, profiles_alt
from agreement.figures.regression import plot_regression, regression_alt
from agreement.report.answer import method_name
from agreement.report.markup import Block, paragraph, table
from agreement.report.numbers import Cell, Numbers, plain
from agreement.report.pictures import Picture, picture
from agreement.tables.options import Margin

_NOT_GIVEN = {
    "too_few": "too few athletes to say",
    "suppressed": "withheld, so that nobody can be recognised",
    "no_margin": "no limit was agreed",
    "no_second_visit": "nobody has a second visit",
    "not_estimable": "these data cannot tell",
}


@dataclass(frozen=True, slots=True)
class Comparison:
    """
    What the sections of one method are made from.

    Attributes
    ----------
    method, mode : str
    pairs : DataFrame
        Its pairs in group ``all``.
    results : DataFrame
        Its lines of the results table.
    numbers : Numbers
        The whole results table.
    margin : Margin
    """

    method: str
    mode: str
    pairs: pd.DataFrame
    results: pd.DataFrame
    numbers: Numbers
    margin: Margin

    @property
    def name(self) -> str:
        """The method as text calls it, plain."""
        return method_name(self.method, self.mode)

    def rows(self, analysis: str, group: str | None = "all") -> pd.DataFrame:
        """Return the lines of one analysis; `group` None: of all groups."""
        found = self.results[self.results["analysis"] == analysis]
        return found if group is None else found[found["group"] == group]

    def file(self, kind: str) -> str:
        """Return the name of a figure's file, without ending."""
        return f"{kind}-{self.method}-{self.mode}"

    def differences(self, noise_floor: float | None) -> tuple[Picture, Block]:
        """Return the difference plot and the table of bias and limits."""
        limits = self.rows("limits_of_agreement")
        drawn = picture(
            self.file("differences"),
            lambda axes: plot_differences(
                self.pairs,
                limits,
                margin=self.margin.limit,
                noise_floor=noise_floor,
                ax=axes[0],
            ),
            alt=f"{self.name}. {differences_alt(self.pairs, limits)}",
            caption=(
                f"{self.name}: field minus laboratory for each pair. Bands: 95 % intervals of the "
                "lines. Lines between points join the pairs of one athlete."
            ),
        )
        return drawn, self._limits_table()

    def _limits_table(self) -> Block:
        words = {
            "bias": "bias",
            "sd_of_differences": "standard deviation of differences",
            "lower_limit": "lower limit of agreement",
            "upper_limit": "upper limit of agreement",
        }
        groups = self.numbers.groups("limits_of_agreement", self.method, self.mode)
        rows = [
            self._row(f"{word}{'' if group == 'all' else f' ({_group_word(group)})'}", cell)
            for group in groups
            for statistic, word in words.items()
            if (cell := self._cell("limits_of_agreement", statistic, group)).known or group == "all"
        ]
        return self._table(f"{self.name}: bias and limits of agreement", rows)

    def profiles(self) -> tuple[Picture | None, Block]:
        """Return bias by training profile as figure and table."""
        groups = [
            name
            for name in self.numbers.groups("profile_bias", self.method, self.mode)
            if name != "all"
        ]
        if not groups:
            why = self._why("profile_bias", "p_welch")
            return None, paragraph(f"{escape(self.name)}: no training profiles to compare{why}.")
        found = self.rows("profile_bias", None)
        overall = estimates(self.rows("limits_of_agreement")).get("bias", ABSENT)
        drawn = picture(
            self.file("profiles"),
            lambda axes: plot_profiles(self.pairs, found, overall, ax=axes[0]),
            alt=f"{self.name}. {profiles_alt(found)}",
            caption=(
                f"{self.name}: bias by training profile (mark) with its 95 % interval (thick) and "
                "the limits of agreement (thin, from 10 athletes); athletes below."
            ),
            height=1.2 + 0.75 * len(groups),
        )
        rows = [
            (
                escape(group),
                str(bias.n),
                bias.shown() or self._absent(bias.note),
                bias.interval(),
                self._cell("profile_bias", "difference_from_overall", group).shown(sign=True),
                _p(self._cell("profile_bias", "p_difference", group).value),
            )
            for group in groups
            for bias in [self._cell("profile_bias", "bias", group)]
        ]
        columns = [
            "training profile",
            "athletes",
            "bias (mL/kg/min)",
            "95 % interval",
            "from the mean of profiles",
            "p (Holm)",
        ]
        return drawn, table(
            f"{self.name}: bias by training profile", columns, rows, numeric=columns[1:]
        )

    def regression(self) -> tuple[Picture, Block]:
        """Return the calibration line as figure and table."""
        line = self.rows("regression")
        drawn = picture(
            self.file("regression"),
            lambda axes: plot_regression(self.pairs, line, ax=axes[0]),
            alt=f"{self.name}. {regression_alt(line)}",
            caption=f"{self.name}: laboratory against field values, with the calibration line.",
            height=4.2,
        )
        words = (
            ("regression", "slope", "slope of laboratory on field", 2),
            ("regression", "intercept", "intercept", 1),
            ("regression", "standard_error_of_estimate", "standard error of estimate", 1),
            ("regression", "r", "correlation r", 2),
            ("error", "mae", "mean absolute error", 1),
            ("error", "mape", "mean absolute error, in per cent of the laboratory", 1),
            ("error", "share_within_margin", "share within the agreed limit", 2),
        )
        rows = [
            self._row(word, self._cell(analysis, statistic), digits)
            for analysis, statistic, word, digits in words
        ]
        return drawn, self._table(f"{self.name}: calibration line and size of error", rows)

    def budget(self) -> tuple[Picture | None, Block]:
        """Return the error budget as figure and table."""
        found = self.rows("budget")
        if not self._cell("budget", "total").known:
            why = self._why("budget", "total")
            return None, paragraph(f"{escape(self.name)}: no error budget{why}.")
        drawn = picture(
            self.file("budget"),
            lambda axes: plot_budget(found, ax=axes[0]),
            alt=f"{self.name}. {budget_alt(found)}",
            caption=(
                f"{self.name}: what the spread of one reading's difference is made of, with 95 % "
                "intervals. Right: half width of the limits if that part were gone."
            ),
            height=3.3,
        )
        rows = [
            (
                word,
                part.with_interval(),
                self._cell("budget", f"half_width_without_{name}").shown(),
            )
            for name, word in ({"total": "all together"} | COMPONENTS).items()
            for part in [self._cell("budget", name)]
            if part.known
        ]
        columns = ["source", "variance ((mL/kg/min)\u00b2)", "limits without it (\u00b1 mL/kg/min)"]
        return drawn, table(f"{self.name}: error budget", columns, rows, numeric=columns[1:])

    def averaging(self) -> tuple[Picture | None, Block]:
        """Return the averaging curve as figure and sentence."""
        curve = self.rows("averaging_curve", None)
        if not curve.loc[curve["group"] != "floor", "value"].notna().any():
            why = self._why("averaging_curve", "half_width_fitted", "1")
            return None, paragraph(f"{escape(self.name)}: no averaging curve{why}.")
        one, week, two = (
            self._cell("averaging_curve", "half_width_fitted", days) for days in ("1", "7", "14")
        )
        drawn = picture(
            self.file("averaging"),
            lambda axes: plot_averaging(curve, margin=self.margin.limit, ax=axes[0]),
            alt=f"{self.name}. {averaging_alt(curve)}",
            caption=(
                f"{self.name}: half width of the limits of agreement by the number of days "
                "averaged. Points: observed. Line and band: fitted, with its 95 % interval."
            ),
        )
        if not one.known:
            return drawn, Block("")
        text = (
            f"{escape(self.name)}: a single reading lies within about \u00b1{one.shown()} mL/kg/min "
            f"of the bias, the mean of a week within \u00b1{week.shown()}, of two weeks within "
            f"\u00b1{two.shown()}."
        )
        return drawn, paragraph(text)

    def change(self) -> tuple[Picture | None, Block]:
        """Return how a change between two visits agrees, as a table."""
        if not self._cell("change", "bias").known:
            why = self._why("change", "bias")
            return None, paragraph(f"{escape(self.name)}: no change to compare{why}.")
        words = (
            ("bias", "bias of the change, field minus laboratory", 1),
            ("lower_limit", "lower limit of agreement of the change", 1),
            ("upper_limit", "upper limit of agreement of the change", 1),
            ("slope", "field change per unit of laboratory change", 2),
            ("r", "correlation r of the changes", 2),
            ("same_direction", "share of athletes who change in the same direction", 2),
            ("same_direction_beyond_noise", "the same, laboratory change beyond its noise", 2),
        )
        rows = [self._row(word, self._cell("change", name), digits) for name, word, digits in words]
        return None, self._table(f"{self.name}: agreement of changes", rows)

    def _cell(self, analysis: str, statistic: str, group: str = "all") -> Cell:
        return self.numbers.get(analysis, statistic, self.method, self.mode, group)

    def _row(self, word: str, cell: Cell, digits: int = 1) -> tuple[str, ...]:
        return (
            escape(word),
            cell.shown(digits) or self._absent(cell.note),
            cell.interval(digits),
            "no unit" if cell.unit == "1" else escape(cell.unit),
            str(cell.n) if cell.n else "",
        )

    def _table(self, caption: str, rows: list[tuple[str, ...]]) -> Block:
        return table(
            caption,
            ["statistic", "value", "95 % interval", "unit", "athletes"],
            rows,
            numeric=["value", "95 % interval", "athletes"],
        )

    def _why(self, analysis: str, statistic: str, group: str = "all") -> str:
        word = _NOT_GIVEN.get(self._cell(analysis, statistic, group).code, "")
        return f": {word}" if word else ""

    @staticmethod
    def _absent(note: str) -> str:
        code = note.split(" ")[0].rstrip(":;,") if note else ""
        return f'<span class="absent">{_NOT_GIVEN.get(code, "not available")}</span>'


def _group_word(group: str) -> str:
    return {
        "confirmed": "confirmed maxima only",
        "hr_limiting_drug": "heart rate limited by a drug",
        "no_hr_limiting_drug": "surely no such drug",
        "chest_strap": "chest strap only",
    }.get(group, group)


def _p(value: float) -> str:
    if isnan(value):
        return ""
    return "below 0.001" if value < 0.001 else plain(value, 3)
