"""How many athletes a study needs, as the command line asks for it."""

import json
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import pandas as pd

from agreement.errors import AgreementError
from agreement.report.page.machine import in_words, said
from agreement.report.page.numbers import Names, with_minus
from agreement.stats.limits.limits import RepeatedLimits
from agreement.stats.verdict import deciding
from agreement.stats.verdict.planning import StudyPlan
from agreement.stats.verdict.planning import plan as study_plan
from agreement.stats.verdict.planning_power import StudyToMake, assumed_within, power_curve
from agreement.stats.verdict.yardsticks import YARDSTICK_WORDS
from agreement.tables.options import Against

_SHARES = (0.5, 0.75, 1.0, 1.25, 1.5)  # of the athletes needed, where a curve is drawn
_SIZES = (10, 20, 40, 80, 160)  # where no number would do
_CURVE_SEED = 0
_STATED_DF = 10.0  # as well as a stated laboratory error counts as known


@dataclass(frozen=True, slots=True)
class Plan:
    """One plan, and where its numbers come from."""

    # method, mode: of an earlier study; empty when planned from numbers
    method: str
    mode: str
    # part of the spread that varies between the pairs of an athlete. [mL/kg/min]
    sd_within: float | None
    assumed: bool  # whether `sd_within` was assumed: half of the variance
    numbers: StudyPlan
    # power at several numbers of athletes, from simulated differences: n, power, standard_error
    curve: pd.DataFrame | None = None
    # for each yardstick the athletes needed with so many laboratory tests of each, averaged; None
    # where the laboratory's own error is unknown
    by_tests: dict[Against, dict[int, int | None]] | None = None
    name: str = ""  # what people call the method

    def sentence(self) -> str:
        """Say the plan in words."""
        told = said("plan", "plan", plan=self, one=self.numbers, yardsticks=YARDSTICK_WORDS)
        return with_minus(in_words(told))

    def to_dict(self) -> dict[str, Any]:
        """Return the plan as plain data."""
        head = {"method": self.method, "mode": self.mode, "sd_within": self.sd_within}
        curve = None if self.curve is None else self.curve.to_dict(orient="records")
        tail = {"athletes": self.numbers.athletes, "power_curve": curve}
        return head | asdict(self.numbers) | tail | {"athletes_by_tests": self.by_tests}


def plans(
    study: Path | None,
    *,
    sd: float | None = None,
    bias: float | None = None,
    margin: float | None = None,
    power: float = 0.80,
    pairs_per_athlete: int = 1,
    sd_within: float | None = None,
    half_width: float | None = None,
    groups: int = 2,
    difference: float | None = None,
    curve: bool = False,
    sem: float | None = None,
) -> list[Plan]:
    """
    Plan from numbers, or from each method of an earlier study; stated numbers win.

    Parameters are those of `agreement.stats.verdict.planning.plan`. With several pairs per athlete and no
    `sd_within`, an earlier study's own is used, else half of the variance is assumed, and said.
    With `curve`, the power is also simulated at several numbers of athletes. With the laboratory's
    own error, from `sem` or the study, athletes are traded against laboratory tests of each.

    Raises AgreementError if a number is missing or impossible.
    """
    more = {"power": power, "pairs_per_athlete": pairs_per_athlete, "half_width": half_width}
    more |= {"groups": groups, "difference": difference}
    without_margin = half_width is not None or difference is not None
    if study is None:
        if sd is None or (margin is None and not without_margin):
            raise AgreementError(
                "A plan needs --sd and --margin (or --half-width, or --difference), or a study "
                "folder."
            )
        planned = _plan(("", ""), (bias or 0.0, sd, sd_within), margin, more, curve=curve)
        return [_with_tests(planned, sem, _STATED_DF)]
    from agreement.cohort import read_cohort

    found, cohort = [], read_cohort(study)
    names = Names.of(cohort.study.options, cohort.methods)
    for one in cohort.results.methods:
        limits, agreed = one.verdict.limits, one.verdict.margin
        if limits is None:
            continue
        aim = agreed if margin is None else margin
        if aim is None and not without_margin:
            raise AgreementError("The study file agrees on no limit: give one with --margin.")
        own = limits.sd_within if isinstance(limits, RepeatedLimits) and sd is None else None
        within = own if sd_within is None else sd_within
        chosen = (limits.bias if bias is None else bias, sd or limits.sd, within)
        planned = _plan((one.method, one.mode), chosen, aim, more, curve=curve)
        known = None if one.verdict.own is None else one.verdict.own.laboratory
        noise = (sem, _STATED_DF, 1.0)
        if sem is None and known is not None:
            noise = (known.sd, known.df, one.verdict.own.noise_share)
        called = names(one.method, one.mode)
        found.append(replace(_with_tests(planned, *noise), name=called))
    if not found:
        raise AgreementError("The study has too few pairs to plan from: give --sd and --margin.")
    return found


def _plan(
    place: tuple[str, str],
    spread: tuple[float, float, float | None],
    margin: float | None,
    more: dict[str, Any],
    *,
    curve: bool,
) -> Plan:
    """Return a plan of a method and mode; spread: bias, SD, and that of an athlete's own pairs."""
    bias, sd, sd_within = spread
    several = more["pairs_per_athlete"] > 1
    assumed = several and sd_within is None
    within = assumed_within(sd) if assumed else sd_within if several else None
    if within is not None and sd > 0:
        within = min(within, sd)  # an earlier study's estimate may exceed the whole by chance
    try:
        numbers = study_plan(sd, bias=bias, margin=margin, sd_within=within, **more)
    except ValueError as error:
        raise AgreementError(str(error)) from None
    planned = Plan(*place, within, assumed, numbers)
    if not curve:
        return planned
    if numbers.margin is None:
        raise AgreementError("A power curve needs a limit: give it with --margin.")
    design = StudyToMake.of(numbers.bias, numbers.sd, within or 0.0, numbers.pairs_per_athlete)
    needed = numbers.for_power  # around which the power is simulated
    sizes = _SIZES if needed is None else {max(3, round(needed * share)) for share in _SHARES}
    points = power_curve(sorted(sizes), design, numbers.margin, rng=_CURVE_SEED)
    return replace(planned, curve=points)


def _with_tests(planned: Plan, sem: float | None, df: float, noise_share: float = 1.0) -> Plan:
    """Return a plan with the athletes needed for one, two and three laboratory tests of each."""
    numbers = planned.numbers
    if sem is None or numbers.margin is None:
        return planned
    if sem <= 0.0:
        raise AgreementError(f"`sem` must be above 0; got {sem:g}")
    known = {"laboratory_df": df, "margin": numbers.margin, "power": numbers.power}
    by_tests: dict[Against, dict[int, int | None]] = {}
    for against in YARDSTICK_WORDS:
        design = deciding.Design.net(
            numbers.bias, numbers.sd, sem, noise_share, against=against, **known
        )
        by_tests[against] = {k: deciding.athletes_to_decide(design, k) for k in deciding.TESTS}
    return replace(planned, by_tests=by_tests)


def plans_json(found: list[Plan]) -> str:
    """Return one object for a plan from numbers, an array for those of a study."""
    if len(found) == 1 and not found[0].method:
        return json.dumps(found[0].to_dict(), indent=1)
    return json.dumps([plan.to_dict() for plan in found], indent=1)


def plans_text(found: list[Plan]) -> str:
    """Return one sentence for each plan."""
    return "\n".join(plan.sentence() for plan in found)
