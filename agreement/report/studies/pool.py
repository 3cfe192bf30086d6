"""`agreement pool`: several studies, and what they say of the next squad."""

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Final

import pandas as pd
from markupsafe import Markup

from agreement.errors import AgreementError
from agreement.report.page.machine import said
from agreement.report.page.numbers import Cell, Numbers
from agreement.report.studies.pool_file import Pooled, read_pool
from agreement.stats.basics.intervals import Interval
from agreement.stats.result import Row, rows_frame
from agreement.stats.studies.next_study import next_study
from agreement.stats.studies.pooling import (
    PooledStudies,
    RandomEffects,
    WithEnds,
    moderator,
    pooled_studies,
    random_effects,
)
from agreement.tables.findings import Findings
from agreement.tables.study_file import read_study_file
from agreement.tables.writers import significant
from agreement.terms import RESULT_COLUMNS, counted

K_TOLD = 2  # with so few studies much of the width is the assumption
_SCALES: Final = ("half", "twice")  # groups of the next squad: the assumed spread, times
_PLAIN: Final = Markup("{}")  # a text of the pool file: escaped
CHECKED = 3  # studies from which on the classical row is given


def pool_frame(pooled: Pooled) -> pd.DataFrame:
    """Return every number of a pool in the columns of results.csv."""
    pool = pooled_studies(pooled.studies)
    rows: list[tuple[str, str, Row]] = []
    for group, study in zip(study_groups(pooled), pooled.studies, strict=True):
        rows += [
            ("studies", group, Row.of(name, value, n=study.n, n_pairs=study.pairs))
            for name, value in (("bias", study.bias), ("sd_of_differences", study.sd))
        ]
    n, pairs = pool.athletes, sum(study.pairs for study in pooled.studies)

    def row(name: str, one: WithEnds) -> Row:
        return Row.of(name, one.value, Interval(one.low, one.high), n=n, n_pairs=pairs)

    if pool.k > 1:
        for analysis, new in (("studies", False), ("next_squad", True)):
            numbers = {
                "bias": pool.bias(new=new),
                "sd_of_differences": pool.sd(new=new),
                "lower_limit": pool.limit(-1, new=new),
                "upper_limit": pool.limit(1, new=new),
            }
            rows += [(analysis, "all", row(name, one)) for name, one in numbers.items()]
        athlete = row("athlete", WithEnds(float("nan"), *pool.athlete()))
        rows.append(("next_squad", "all", athlete._replace(note="range")))
        bias, log_sd = pool.between()
        rows += [
            ("studies", "all", row("sd_between_biases", bias)),
            ("studies", "all", row("sd_between_log_sds", log_sd)),
            ("studies", "all", row("sd_times_apart", pool.times_apart())),
        ]
        for group, other in zip(_SCALES, pool.at_other_scales(), strict=False):
            squad = {"bias": other.bias(new=True), "sd_of_differences": other.sd(new=True)}
            rows += [("next_squad", group, row(name, one)) for name, one in squad.items()]
    for name, check in classical(pool).items():
        rows.append(("studies", "classical", row(name, WithEnds(check.estimate, *check.interval))))
    rows += [
        ("moderator", pooled.moderator, one._replace(n=n, n_pairs=pairs))
        for one in _moderator_rows(pooled)
    ]
    frame = rows_frame(row for *_, row in rows)
    frame["analysis"], frame["group"] = [a for a, *_ in rows], [g for _, g, _ in rows]
    return significant(frame.assign(method="pool", mode="all")[RESULT_COLUMNS])


def study_groups(pooled: Pooled) -> list[str]:
    """Return the group of each study: its name, with a number where another has it too."""
    names = [one.name for one in pooled.studies]
    return [
        f"{name} ({names[: place + 1].count(name)})" if names.count(name) > 1 else name
        for place, name in enumerate(names)
    ]


def classical(pool: PooledStudies) -> dict[str, RandomEffects]:
    """Return the classical check of bias and log SD; empty with fewer than three studies."""
    if pool.k < CHECKED:
        return {}
    sds = [study.log_sd for study in pool.studies]
    return {
        "bias": random_effects([s.bias for s in pool.studies], [s.error for s in pool.studies]),
        "log_sd": random_effects([y for y, _ in sds], [v for _, v in sds]),
    }


def _moderator_rows(pooled: Pooled) -> Iterator[Row]:
    """Yield the difference between two kinds of studies, where it was named beforehand."""
    if not pooled.moderator:
        return
    kinds = sorted(set(pooled.levels))
    if len(kinds) != 2:
        note = f"not_estimable: {counted(len(kinds), 'level')}; two are compared"
        yield Row("difference_of_bias", float("nan"), note=note)
        return
    x = [kinds.index(level) for level in pooled.levels]
    try:
        found = moderator([s.bias for s in pooled.studies], [s.error for s in pooled.studies], x)
    except ValueError as problem:
        yield Row("difference_of_bias", float("nan"), note=f"too_few: {problem}")
        return
    low, high = found.interval
    note = f"{kinds[1]} minus {kinds[0]}"
    yield Row("difference_of_bias", found.estimate, low, high, note=note)


def pool_lines(pooled: Pooled, numbers: Numbers | None = None) -> Iterator[Markup]:
    """Yield what a reader wants to know of a pool, by the `numbers` of `pool_frame`."""
    pool = pooled_studies(pooled.studies)
    cell = (numbers or Numbers(pool_frame(pooled))).of("pool", "all")

    def squad(group: str = "all") -> list[Cell]:
        return [cell("next_squad", name, group) for name in ("bias", "sd_of_differences")]

    if pooled.title:
        yield _PLAIN.format(pooled.title)
    for group, study, source in zip(
        study_groups(pooled), pooled.studies, pooled.sources, strict=True
    ):
        bias, sd = (cell("studies", name, group) for name in ("bias", "sd_of_differences"))
        yield said("pool", "study", name=study.name, bias=bias, sd=sd, source=source)
    if pool.k == 1:
        yield said("pool", "alone", pool=pool)
    else:
        new, sd = squad()
        bias, athlete = cell("studies", "bias"), cell("next_squad", "athlete")
        yield said("pool", "together", pool=pool, bias=bias, new=new, sd=sd, athlete=athlete)
        sd, times = (cell("studies", name) for name in ("sd_between_biases", "sd_times_apart"))
        yield said("pool", "between", sd=sd, times=times)
        if pool.k == K_TOLD:
            yield said("pool", "half_is_assumed")
        for group in _SCALES:
            bias, sd = squad(group)
            if sd.known:
                yield said("pool", "other_scale", times=group, bias=bias, sd=sd)
    if (check := cell("studies", "bias", "classical")).known:
        yield said("pool", "classical", bias=check)
    if pooled.moderator:
        found = cell("moderator", "difference_of_bias", pooled.moderator)
        yield said("pool", "moderator", name=pooled.moderator, cell=found)
    yield from map(_PLAIN.format, pooled.notes)


def plan_from_pool(
    file: Path, study: Path | None, margin: float | None, power: float, *, as_data: bool = False
) -> str:
    """Say how many athletes the next squad's study needs, for a limit stated or of a study."""
    if margin is None and study is not None:
        findings = Findings()
        margin = read_study_file(study, findings).margin.limit
    if margin is None:
        raise AgreementError(
            "A plan from a pool needs the limit: give it with --margin, or name a study with one."
        )
    try:
        plan = next_study(pooled_studies(read_pool(file).studies), margin, power=power)
    except ValueError as problem:
        if isinstance(problem, AgreementError):
            raise
        raise AgreementError(f"{file}: {problem}.") from problem
    return json.dumps(plan.to_dict(), indent=1) if as_data else plan.summary()
