"""`pool.toml`: which own reports and which printed studies go into a pool."""

from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import combinations
from pathlib import Path
from typing import Any, Final

import numpy as np

from agreement.errors import AgreementError
from agreement.report.studies.reports import Report, read_report, tell_the_same
from agreement.stats.studies.pooling import Study, bias_and_sd
from agreement.stats.verdict.plausible import COPIED_SERIES, FIELD_EQUALS_LABORATORY, NO_MAXIMUM
from agreement.stats.verdict.verdict import IN_DOUBT
from agreement.tables.key_checks import unknown_keys
from agreement.tables.paths import toml_inside
from agreement.terms import counted

FACTORS: Final = {"z = 1.96": 1.96, "2 SD": 2.0}
_DOUBTS: Final = {IN_DOUBT, NO_MAXIMUM, FIELD_EQUALS_LABORATORY, COPIED_SERIES}
_POOL: Final = ("title", "method", "mode", "moderator")
_STUDY: Final = (
    *("report", "method", "mode", "name", "citation", "level", "n", "pairs", "bias", "sd"),
    *("lower_limit", "upper_limit", "convention"),
)


@dataclass(frozen=True, slots=True)
class Pooled:
    """What a pool file names."""

    title: str
    moderator: str  # what was named beforehand; empty: nothing
    studies: tuple[Study, ...]
    sources: tuple[str, ...]  # where each comes from
    levels: tuple[str, ...]  # of the moderator, by study
    # what a reader should know of single studies
    notes: tuple[str, ...] = field(default_factory=tuple)


def read_pool(path: Path | str) -> Pooled:
    """
    Read a pool file.

    path: TOML with ``[pool]`` (title, method, mode, moderator) and one ``[[study]]`` for each
        study: either ``report`` (a folder beside the file; method and mode where it has several) or
        printed numbers: ``citation``, ``n``, ``bias`` and ``sd``, or ``lower_limit`` and
        ``upper_limit`` with their ``convention`` ("z = 1.96" or "2 SD"). ``pairs`` where athletes
        have several.
    Raises AgreementError with everything that is wrong, the study and the key.
    """
    file = Path(path)
    try:
        content = toml_inside(file.parent, file.name)
    except ValueError as error:
        why = str(error).rstrip(".")
        raise AgreementError(f"{file} is no pool file in the TOML form: {why}.") from error
    wrong: list[str] = []
    pool = content.get("pool", {})
    listed = content.get("study", [])
    _unknown(content, ("pool", "study"), "", wrong)
    if not isinstance(pool, dict) or not isinstance(listed, list):
        raise AgreementError(f"{file} needs [pool] and one [[study]] for each study.")
    _unknown(pool, _POOL, "pool.", wrong)
    if not listed:
        wrong.append("There is no [[study]]; a pool needs one or more.")
    found: list[tuple[Study, str, str]] = []
    notes: list[str] = []
    own: list[tuple[str, Study, Report]] = []
    for number, entry in enumerate(listed, 1):
        where = f"study {number}"
        _unknown(entry, _STUDY, f"{where}: ", wrong)
        try:
            if "report" in entry:
                study, source, report = _own(entry, pool, file.parent, notes)
                own.append((where, study, report))
            else:
                study, source = _printed(entry, where, notes)
        except (AgreementError, ValueError) as error:
            wrong.append(f"{where}: {error}")
            continue
        found.append((study, source, str(entry.get("level", ""))))
    wrong += _told_twice(own, notes)
    if pool.get("moderator") and any(not level for *_, level in found):
        wrong.append(f"moderator '{pool['moderator']}' needs a level in every [[study]].")
    if wrong:
        sentences = " ".join(one if one.endswith((".", "?")) else f"{one}." for one in wrong)
        raise AgreementError(f"{file} cannot be used: {sentences}")
    dropped = _sharing(own, notes)
    kept = [one for one in found if id(one[0]) not in dropped]
    studies, sources, levels = zip(*kept, strict=True)
    title = str(pool.get("title", ""))
    return Pooled(title, str(pool.get("moderator", "")), studies, sources, levels, tuple(notes))


def _unknown(found: Any, known: tuple[str, ...], where: str, wrong: list[str]) -> None:
    if not isinstance(found, dict):
        wrong.append(f"{where or 'The file '}must be a table.")
        return
    wrong += [f"Unknown key '{where}{key}'. {say}" for key, say in unknown_keys(found, known)]


def _own(
    entry: dict[str, Any], pool: dict[str, Any], beside: Path, notes: list[str]
) -> tuple[Study, str, Report]:
    """Return a study from a report folder of ours."""
    report = read_report(beside / str(entry["report"]))
    stated = [str(entry.get(key, pool.get(key, ""))) for key in ("method", "mode")]
    fits = [p for p in report.places() if all(s in ("", q) for s, q in zip(stated, p, strict=True))]
    if len(fits) != 1:
        has = ", ".join(f"{method} ({mode})" for method, mode in report.places())
        what = "has no such method" if not fits else "has several methods"
        raise ValueError(f"{entry['report']} {what}; set method and mode. It has {has}.")
    place = fits[0]
    bias, sd, *_ = report.limits(place)
    if not (bias.known and sd.known):
        raise ValueError(f"{entry['report']} has no bias and SD of {place[0]} ({place[1]})")
    name = str(entry.get("name") or report.title)
    n, pairs = bias.n, bias.n_pairs
    study = Study(name, bias.value, sd.value, n, n_pairs=pairs)
    if pairs > n:
        own = report.pairs[
            (report.pairs["method"] == place[0]) & (report.pairs["mode"] == place[1])
        ]
        own = own[own["athlete_id"].isin(report.athletes(place).index)]
        if own["athlete_id"].nunique() == n:  # else its degrees of freedom are not known
            study = study.with_repeats(own["difference"], own["athlete_id"])
        if np.isnan(study.df):
            notes.append(f"{name}: {pairs} pairs of {n} athletes, counted as {n} (conservative).")
    if _DOUBTS & set(report.verdict(place).split("; ")):
        notes.append(
            f"{name}: its report says what could make its verdict wrong. Look at it first."
        )
    return study, f"own report {entry['report']}: {report.name(place)}", report


def _printed(entry: dict[str, Any], where: str, notes: list[str]) -> tuple[Study, str]:
    """Return a study from printed numbers."""
    numbers = {}
    for key in ("n", "pairs", "bias", "sd", "lower_limit", "upper_limit"):
        value = entry.get(key)
        if value is None:
            continue
        if isinstance(value, bool) or not isinstance(value, int | float) or not np.isfinite(value):
            raise ValueError(f"{key} must be a number, without quotes")
        numbers[key] = float(value)
    citation = str(entry.get("citation", ""))
    if not citation:
        raise ValueError("citation is missing: a printed number needs its source")
    if "n" not in numbers or numbers["n"] < 3 or numbers["n"] != int(numbers["n"]):
        raise ValueError("n is missing, no whole number, or below 3 athletes")
    limits = {"lower_limit", "upper_limit"} <= set(numbers)
    if "sd" not in numbers:
        factor = FACTORS.get(str(entry.get("convention", "")))
        if not limits or factor is None:
            known = " or ".join(f'"{one}"' for one in FACTORS)
            raise ValueError(
                f"sd is missing; give it, or lower_limit, upper_limit and convention ({known})"
            )
        numbers["sd"] = bias_and_sd(numbers["lower_limit"], numbers["upper_limit"], factor)[1]
        notes.append(f"{entry.get('name') or where}: its SD is that of the printed limits.")
    if "bias" not in numbers:
        if not limits:
            raise ValueError("bias is missing")
        numbers["bias"] = bias_and_sd(numbers["lower_limit"], numbers["upper_limit"])[0]
    if not numbers["sd"] > 0:
        raise ValueError("sd must be above 0; the upper limit lies above the lower one")
    n, pairs = int(numbers["n"]), int(numbers.get("pairs", 0))
    name = str(entry.get("name") or citation)
    if pairs > n:
        notes.append(f"{name}: {pairs} pairs counted as {n} athletes (conservative).")
    return Study(name, numbers["bias"], numbers["sd"], n, n_pairs=pairs), citation


def _told_twice(own: list[tuple[str, Study, Report]], notes: list[str]) -> Iterator[str]:
    """Say which of two reports is the other's share or audit; note whose people nobody can find."""
    for (first, _, one), (second, _, two) in combinations(own, 2):
        if not (one.own_ids and two.own_ids) and tell_the_same(one, two):
            yield (
                f"{first} and {second} tell the same of the same people, as a report and its share "
                "or audit do. Keep one of them"
            )
    unknown = [study.name for _, study, report in own if not report.own_ids]
    if len(own) > 1 and unknown:
        notes.append(
            f"{', '.join(unknown)}: a share or an audit names nobody, so people who are in another "
            "study too would count twice. Ask who is in it."
        )


def _sharing(own: list[tuple[str, Study, Report]], notes: list[str]) -> set[int]:
    """Return the smaller of every two own studies with an id in both."""
    gone: set[int] = set()
    people = [
        (study, frozenset(report.pairs["athlete_id"].astype(str) if report.own_ids else ()))
        for _, study, report in own
    ]
    ordered = sorted(people, key=lambda one: -one[0].n)
    for i, (larger, ids) in enumerate(ordered):
        if id(larger) in gone:
            continue
        for smaller, others in ordered[i + 1 :]:
            if ids & others and id(smaller) not in gone:
                gone.add(id(smaller))
                notes.append(
                    f"{smaller.name} is left out: {counted(len(ids & others), 'id')} of its athletes "
                    f"{'stands' if len(ids & others) == 1 else 'stand'} in {larger.name} too, which "
                    "has no fewer. If they are other people, name what `agreement share` writes of it."
                )
    return gone
