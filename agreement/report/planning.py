"""How many athletes a study needs, as the command line asks for it."""

import json
from dataclasses import asdict, dataclass
from pathlib import Path

from agreement.errors import AgreementError
from agreement.stats.planning_power import athletes_needed, power_of_verdict


@dataclass(frozen=True, slots=True)
class Plan:
    """
    One plan.

    Attributes
    ----------
    method, mode : str
        Of an earlier study; empty when planned from numbers.
    bias, sd, margin : float
        Assumed. [mL/kg/min]
    power : float
        Asked for.
    athletes : int or None
        In all, one pair each; None: no number would do.
    power_reached : float or None
        With that number.
    """

    method: str
    mode: str
    bias: float
    sd: float
    margin: float
    power: float
    athletes: int | None
    power_reached: float | None

    def sentence(self) -> str:
        """Say the plan in words."""
        name = f"{self.method}, {self.mode}: " if self.method else ""
        assumed = (
            f"{name}with a bias of {self.bias:g} and a standard deviation of differences of "
            f"{self.sd:g} mL/kg/min"
        )
        if self.athletes is None:
            return (
                f"{assumed} no number of athletes would show limits inside \u00b1{self.margin:g}."
            )
        return (
            f"{assumed}, {self.athletes} athletes show limits inside \u00b1{self.margin:g} with a "
            f"power of {self.power_reached:.2f}."
        )


def plans(
    study: Path | None,
    *,
    sd: float | None,
    bias: float | None,
    margin: float | None,
    power: float,
) -> list[Plan]:
    """
    Plan from numbers, or from each method of an earlier study; stated numbers win.

    Raises
    ------
    AgreementError
        If a number is missing or impossible.
    """
    if study is None:
        if sd is None or margin is None:
            msg = "A plan needs --sd and --margin, or a study folder to take them from."
            raise AgreementError(msg)
        return [_plan("", "", 0.0 if bias is None else bias, sd, margin, power)]
    from agreement.cohort import read_cohort

    results = read_cohort(study).results
    found = []
    for one in results.methods:
        limits, agreed = one.verdict.limits, one.verdict.margin
        if limits is None:
            continue
        aim = agreed if margin is None else margin
        if aim is None:
            msg = "The study file agrees on no limit: give one with --margin."
            raise AgreementError(msg)
        chosen_bias = limits.bias if bias is None else bias
        chosen_sd = limits.sd if sd is None else sd
        found.append(_plan(one.method, one.mode, chosen_bias, chosen_sd, aim, power))
    if not found:
        msg = "The study has too few pairs to plan from: give --sd and --margin."
        raise AgreementError(msg)
    return found


def _plan(method: str, mode: str, bias: float, sd: float, margin: float, power: float) -> Plan:
    if sd <= 0 or margin <= 0:
        msg = f"--sd and --margin must be above 0; got {sd:g} and {margin:g}."
        raise AgreementError(msg)
    if not 0 < power < 1:
        msg = f"--power must be between 0 and 1; got {power:g}."
        raise AgreementError(msg)
    athletes = athletes_needed(bias, sd, margin, power=power)
    reached = None if athletes is None else power_of_verdict(athletes, bias, sd, margin)
    return Plan(method, mode, bias, sd, margin, power, athletes, reached)


def plans_json(found: list[Plan]) -> str:
    """Return one object for a plan from numbers, an array for those of a study."""
    if len(found) == 1 and not found[0].method:
        return json.dumps(asdict(found[0]), indent=1)
    return json.dumps([asdict(plan) for plan in found], indent=1)


def plans_text(found: list[Plan]) -> str:
    """Return one sentence for each plan."""
    return "\n".join(plan.sentence() for plan in found)
