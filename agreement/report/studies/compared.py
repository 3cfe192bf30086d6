"""`agreement compare`: one report beside an earlier one of the same laboratory."""

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

import numpy as np
import pandas as pd

from agreement.errors import AgreementError
from agreement.report.studies.reports import Place, Report, read_report
from agreement.stats.basics.welch import holm
from agreement.stats.rows import Row, rows_frame
from agreement.stats.studies.seasons import Seasons, two_seasons, two_seasons_by_numbers
from agreement.terms import RESULT_COLUMNS

FEWEST_IN_BOTH: Final = 10  # athletes of a report


@dataclass(frozen=True, slots=True)
class Compared:
    """Two reports beside each other."""

    first: Report
    second: Report
    seasons: dict[Place, Seasons]
    # P values of bias and of spread, all methods and modes counted (Holm)
    p_counted: dict[Place, tuple[float, float]]
    unsaid: dict[Place, str]  # why a method has no comparison
    conservative: bool  # athletes could not be found in both, so all count as different people
    # what differs in files, choices and versions, a sentence each
    changed: tuple[str, ...] = field(default_factory=tuple)
    verdicts: tuple[str, ...] = field(default_factory=tuple)  # which verdicts moved, and why

    def to_frame(self) -> pd.DataFrame:
        """Return the numbers in the columns of results.csv, under analysis ``season``."""
        parts = []
        for (method, mode), one in self.seasons.items():
            bias, spread = self.p_counted[method, mode]
            shared = "conservative" if self.conservative else f"{one.shared} athletes in both"
            n = one.n_first + one.n_second - one.shared
            rows = [
                Row.of("difference_of_bias", one.difference, one.interval, n=n, note=shared),
                Row.of("p_bias", one.p, n=n, unit="1"),
                Row.of("p_bias_counted", bias, n=n, unit="1"),
                Row.of("ratio_of_sd", one.ratio, one.ratio_interval, n=n, unit="1", note=shared),
                Row.of("p_sd", one.p_ratio, n=n, unit="1"),
                Row.of("p_sd_counted", spread, n=n, unit="1"),
            ]
            frame = rows_frame(rows)
            parts.append(frame.assign(analysis="season", method=method, mode=mode, group="all"))
        for (method, mode), why in self.unsaid.items():
            frame = rows_frame([Row("difference_of_bias", np.nan, note=why)])
            parts.append(frame.assign(analysis="season", method=method, mode=mode, group="all"))
        empty = pd.DataFrame(columns=RESULT_COLUMNS)
        return pd.concat(parts, ignore_index=True)[RESULT_COLUMNS] if parts else empty

    def lines(self) -> Iterator[str]:
        """Yield what a reader wants to know, a sentence or two each."""
        yield f"First report: {self.first.title}. Second: {self.second.title}."
        for (method, mode), one in self.seasons.items():
            bias, spread = self.p_counted[method, mode]
            yield (
                f"{method}, {mode}: {one.summary()} Counting every method: p {_p(bias)} for the bias, "
                f"{_p(spread)} for the spread."
            )
        for (method, mode), why in self.unsaid.items():
            yield f"{method}, {mode}: not compared ({why})."
        if self.conservative:
            yield (
                "Athletes cannot be found in both reports, so all count as different people: intervals "
                "are wider than they need be where the same people came twice."
            )
        yield from self.verdicts
        yield from self.changed
        yield (
            "Field drift and laboratory drift cannot be told apart from these numbers alone; a control "
            "tested again and again would tell them."
        )


def compare_reports(first: Path | str, second: Path | str) -> Compared:
    """
    Compare two reports of one laboratory.

    first, second: report folders; differences are the second minus the first.
    Raises AgreementError if one is no report of ours, both are the same folder, or no method and
        mode is in both.
    """
    if Path(first).resolve() == Path(second).resolve():
        raise AgreementError(f"{first} and {second} are the same report. Name two.")
    one, two = read_report(first), read_report(second)
    places = [place for place in one.places() if place in set(two.places())]
    if not places:
        had = (", ".join(f"{m} ({mode})" for m, mode in r.places()) or "none" for r in (one, two))
        msg = "The reports share no method and mode: the first has {}; the second has {}."
        raise AgreementError(msg.format(*had))
    by_ids = one.own_ids and two.own_ids and len(one.pairs) > 0 and len(two.pairs) > 0
    seasons: dict[Place, Seasons] = {}
    unsaid: dict[Place, str] = {}
    for place in places:
        try:
            seasons[place] = _by_people(one, two, place) if by_ids else _by_numbers(one, two, place)
        except ValueError as problem:
            unsaid[place] = str(problem)
    return Compared(
        one,
        two,
        seasons,
        _counted(seasons),
        unsaid,
        not by_ids,
        tuple(_changes(one.content, two.content)),
        tuple(_verdicts(one, two, places)),
    )


def _by_people(one: Report, two: Report, place: Place) -> Seasons:
    d1, d2 = one.athletes(place), two.athletes(place)
    _enough(len(d1), len(d2))
    return two_seasons(d1.to_numpy(), d2.to_numpy(), d1.index.to_numpy(), d2.index.to_numpy())


def _by_numbers(one: Report, two: Report, place: Place) -> Seasons:
    """Compare from bias and SD alone: no athlete is known to be in both."""
    found = []
    for report in (one, two):
        bias, sd = (
            report.number(place, "limits_of_agreement", name)
            for name in ("bias", "sd_of_differences")
        )
        if bias is None or sd is None or np.isnan([bias["value"], sd["value"]]).any():
            raise ValueError("too_few: a report withholds or lacks its bias or SD")
        found.append((float(bias["value"]), float(sd["value"]), int(bias["n"])))
    first, second = found
    _enough(first[2], second[2])
    return two_seasons_by_numbers(first, second)


def _enough(n1: int, n2: int) -> None:
    if min(n1, n2) < FEWEST_IN_BOTH:
        raise ValueError(
            f"too_few: {n1} and {n2} athletes; {FEWEST_IN_BOTH} are needed in each report"
        )


def _counted(seasons: dict[Place, Seasons]) -> dict[Place, tuple[float, float]]:
    """Return Holm's p values over bias and spread of every method and mode."""
    if not seasons:
        return {}
    p = [value for one in seasons.values() for value in (one.p, one.p_ratio)]
    counted = holm(p).reshape(-1, 2)
    return {
        place: (float(a), float(b)) for place, (a, b) in zip(seasons, counted.tolist(), strict=True)
    }


def _verdicts(one: Report, two: Report, places: list[Place]) -> Iterator[str]:
    """Say which verdicts moved; none is compared that was reached under another limit."""
    keys = ("limit", "mean_limit", "against", "agreed_on", "planned_looks", "fitness_confidence")
    margins = [r.content.get("options", {}).get("margin", {}) for r in (one, two)]
    other = [key for key in keys if margins[0].get(key) != margins[1].get(key)]
    for place in places:
        before, after = one.verdict(place), two.verdict(place)
        name = f"{place[0]}, {place[1]}"
        if before == after:
            continue
        if other:
            yield (
                f"{name}: the verdict was reached under another limit ({', '.join(other)} of [margin] "
                "differ), so the two are not compared."
            )
            continue
        why = "; ".join(_moved(one, two, place))
        yield f"{name}: the verdict was '{before}' and is '{after}'" + (
            f" ({why})." if why else "."
        )


def _moved(one: Report, two: Report, place: Place) -> Iterator[str]:
    """Say how the numbers behind a verdict moved."""
    for name, words in (
        ("bias", "bias"),
        ("lower_limit", "lower limit"),
        ("upper_limit", "upper limit"),
    ):
        pair = [r.number(place, "limits_of_agreement", name) for r in (one, two)]
        values = [np.nan if line is None else float(line["value"]) for line in pair]
        if np.isfinite(values).all():
            yield f"{words} {values[0]:.1f}, now {values[1]:.1f}"


def _changes(one: dict[str, Any], two: dict[str, Any]) -> Iterator[str]:
    """Say what differs in versions, choices and files."""
    for key in ("version", "python", "kind", "seed"):
        if one.get(key) != two.get(key):
            yield f"{key}: {one.get(key)}, then {two.get(key)}."
    libraries = (one.get("dependencies", {}), two.get("dependencies", {}))
    moved = [n for n in sorted({*libraries[0], *libraries[1]}) if _get(libraries, n)]
    if moved:
        yield f"Libraries of other versions: {', '.join(moved)}."
    flat = (_flat(one.get("options", {})), _flat(two.get("options", {})))
    choices = [k for k in sorted({*flat[0], *flat[1]}) if _get(flat, k)]
    if choices:
        shown = (f"{key} ({flat[0].get(key)}, then {flat[1].get(key)})" for key in choices)
        yield f"Choices in study.toml that differ: {'; '.join(shown)}."
    files = [{f["name"]: f["sha256"] for f in c.get("inputs", [])} for c in (one, two)]
    same = sum(files[0].get(name) == digest for name, digest in files[1].items())
    yield (
        f"Files: {len(files[0])} in the first report, {len(files[1])} in the second, {same} of them the "
        "same to the byte."
    )


def _get(both: tuple[dict[str, Any], dict[str, Any]], key: str) -> bool:
    return bool(both[0].get(key) != both[1].get(key))


def _flat(options: dict[str, Any], prefix: str = "") -> dict[str, Any]:
    """Return nested choices under dotted names, without what only describes the study."""
    found: dict[str, Any] = {}
    for key, value in options.items():
        name = f"{prefix}{key}"
        if name in ("study.title", "study.question", "files"):
            continue
        found |= _flat(value, f"{name}.") if isinstance(value, dict) else {name: value}
    return found


def _p(value: float) -> str:
    return f"{value:.3f}" if value >= 0.001 else "below 0.001"
