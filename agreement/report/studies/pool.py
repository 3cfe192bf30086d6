"""`agreement pool`: several studies, and what they say of the next squad."""

import json
from collections.abc import Iterator
from math import isnan
from pathlib import Path

import pandas as pd

from agreement.errors import AgreementError
from agreement.report.page.machine import in_words, said
from agreement.report.studies.pool_file import Pooled, read_pool
from agreement.stats.rows import Row, rows_frame
from agreement.stats.studies.next_study import next_study
from agreement.stats.studies.pooling import (
    Estimate,
    PooledStudies,
    RandomEffects,
    moderator,
    pooled_studies,
    random_effects,
)
from agreement.tables.findings import Findings
from agreement.tables.study_file import read_study_file
from agreement.terms import RESULT_COLUMNS, UNIT

K_TOLD = 2  # with so few studies much of the width is the assumption
CHECKED = 3  # studies from which on the classical row is given


def pool_frame(pooled: Pooled) -> pd.DataFrame:
    """Return every number of a pool in the columns of results.csv."""
    pool = pooled_studies(pooled.studies)
    rows: list[tuple[str, str, Row]] = []
    for study in pooled.studies:
        rows += [
            ("studies", study.name, Row("bias", study.bias, n=study.n)),
            ("studies", study.name, Row("sd_of_differences", study.sd, n=study.n)),
        ]
    n = pool.athletes
    if pool.k > 1:
        for analysis, new in (("studies", False), ("next_squad", True)):
            numbers = {
                "bias": pool.bias(new=new),
                "sd_of_differences": pool.sd(new=new),
                "lower_limit": pool.limit(-1, new=new),
                "upper_limit": pool.limit(1, new=new),
            }
            rows += [(analysis, "all", _row(name, one, n)) for name, one in numbers.items()]
        low, high = pool.athlete()
        rows.append(
            ("next_squad", "all", Row("athlete", float("nan"), low, high, n=n, note="range"))
        )
        bias, log_sd = pool.between()
        rows += [
            ("studies", "all", _row("sd_between_biases", bias, n)),
            ("studies", "all", _row("sd_between_log_sds", log_sd, n, unit="1")),
        ]
    for name, check in classical(pool).items():
        low, high = check.interval
        rows.append(("studies", "classical", Row(name, check.mean, low, high, n=n)))
    rows += [("moderator", pooled.moderator, row) for row in _moderator_rows(pooled)]
    frame = rows_frame(row for *_, row in rows)
    frame["analysis"], frame["group"] = [a for a, *_ in rows], [g for _, g, _ in rows]
    return frame.assign(method="pool", mode="all")[RESULT_COLUMNS]


def _row(name: str, one: Estimate, n: int, unit: str = UNIT) -> Row:
    low, high = one.low, one.high
    return Row(name, one.value, low, high, unit, n)


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
    n = sum(study.n for study in pooled.studies)
    if len(kinds) != 2:
        note = f"not_estimable: {pooled.moderator} has {len(kinds)} levels; two are compared"
        yield Row("difference_of_bias", float("nan"), n=n, note=note)
        return
    x = [kinds.index(level) for level in pooled.levels]
    try:
        found = moderator([s.bias for s in pooled.studies], [s.error for s in pooled.studies], x)
    except ValueError as problem:
        yield Row("difference_of_bias", float("nan"), n=n, note=f"too_few: {problem}")
        return
    low, high = found.interval
    note = f"{kinds[1]} minus {kinds[0]}"
    yield Row("difference_of_bias", found.slope, low, high, n=n, note=note)


def pool_lines(pooled: Pooled) -> Iterator[str]:
    """Yield what a reader wants to know of a pool, a sentence or two each."""
    pool = pooled_studies(pooled.studies)
    if pooled.title:
        yield pooled.title
    for study, source in zip(pooled.studies, pooled.sources, strict=True):
        yield _told("study", one=study, source=source)
    if pool.k == 1:
        yield _told("alone", pool=pool)
    else:
        next_squad = {"new": pool.bias(new=True), "sd": pool.sd(new=True)}
        yield _told("together", pool=pool, bias=pool.bias(), athlete=pool.athlete(), **next_squad)
        yield _told("between", sd=pool.between()[0], times=pool.times_apart())
        if pool.k == K_TOLD:
            yield "About half of this width is assumption."
        for times, other in zip(("Half", "Twice"), pool.at_other_scales(), strict=False):
            scaled = {"bias": other.bias(new=True), "sd": other.sd(new=True)}
            yield _told("other_scale", times=times, **scaled)
    if check := classical(pool):
        yield _told("classical", check=check["bias"])
    for row in _moderator_rows(pooled):
        yield _told("moderator", name=pooled.moderator, row=row, known=not isnan(row.value))
    yield from pooled.notes


def plan_from_pool(
    file: Path, study: Path | None, margin: float | None, power: float, *, as_data: bool = False
) -> str:
    """
    Say how many athletes the next squad's study needs; the limit is stated, or that of a study.

    Raises AgreementError without a limit, or if the pool cannot be used or holds one study.
    """
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


def _told(part: str, **values: object) -> str:
    return in_words(said("pool", part, **values))
