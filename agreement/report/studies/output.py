"""Folders of what several reports say together: a page, a table, a figure, their provenance."""

from collections.abc import Iterable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from agreement.errors import OutputError
from agreement.figures.estimates import Caption
from agreement.figures.forest import forest_height, plot_forest
from agreement.report.page.html import PageDraft
from agreement.report.page.machine import in_words
from agreement.report.page.markup import Block, Text, heading, paragraph, table
from agreement.report.page.numbers import Cell, Numbers
from agreement.report.page.pictures import drawing, picture
from agreement.report.page.texts import cautions
from agreement.report.run.exports import write_tables
from agreement.report.run.folder import PAGE, WRITTEN_BY, is_ours, refuse_foreign, replaced_folder
from agreement.report.run.own_report import read_provenance, seal
from agreement.report.run.provenance import write_provenance
from agreement.report.studies.compared import SEASON, Compared
from agreement.report.studies.pool import pool_frame, pool_lines, study_groups
from agreement.report.studies.pool_file import Pooled
from agreement.stats.studies.pooling import pooled_studies

_POOLED = ("bias", "sd_of_differences")
_DRAWN = ("bias", "lower_limit", "upper_limit")
_FOREST = ["name", "n", "bias", "low", "high", "lower_limit", "upper_limit"]  # of `plot_forest`


def write_compared(found: Compared, out: Path) -> list[Path]:
    """Write two reports' comparison into a folder; return its page and table."""
    rows = []
    for place in found.seasons:
        told = found.season(place)
        bias, spread = told["difference_of_bias"], told["ratio_of_sd"]
        rows.append(
            (found.numbers.name(*place), bias.stacked(sign=True), spread.stacked(), str(bias.n))
        )
    columns = ("method", "bias, second minus first", "SD, second over first", "athletes")
    caption = "Second report against the first (mL/kg/min), 95 % intervals below"
    words = table(caption, columns, rows, numeric=columns[1:])
    content: dict[str, Any] = {"compared": [found.first.folder.name, found.second.folder.name]}
    lines = list(found.lines())
    one, two = found.first, found.second
    title = f"{two.title} beside {one.title}"
    if one.title == two.title:
        title = f"{one.title}: {two.edition} beside {one.edition}"
    none = len(found.equal) == len(found.seasons)  # a table and a figure would say it again
    shown = Block("") if none else _beside(found) + words
    return _write(out, title, lines[1:], map(in_words, lines), shown, found.to_frame(), content)


def _beside(found: Compared) -> Block:
    """Draw bias and limits of each method in both reports."""
    rows, told = [], list[tuple[str, Cell]]()
    for place in found.seasons:
        for group, report in (("first", found.first), ("second", found.second)):
            bias, lower, upper = (found.numbers.get(SEASON, s, *place, group) for s in _DRAWN)
            if bias.known and lower.known and upper.known:
                name = f"{group}: {report.name(place)}"
                ends = (bias.low, bias.high, lower.value, upper.value)
                rows.append((name, bias.n, bias.value, *ends))
                told.append((name, bias))
    if not rows:
        return Block("")
    own = pd.DataFrame(rows, columns=_FOREST)
    draw, caption = drawing(plot_forest, own, own.iloc[:0]), Caption("reports", {"told": told})
    return picture("reports", draw, caption, height=forest_height(len(own) - 2)).block


def write_pool(pooled: Pooled, out: Path) -> list[Path]:
    """Write a pool into a folder; return its page and table."""
    pool = pooled_studies(pooled.studies)
    rows_of = [(s.name, s.n, s.bias, *s.bias_interval, *s.limits) for s in pool.studies]
    own = pd.DataFrame(rows_of, columns=_FOREST)
    frame, title = pool_frame(pooled), pooled.title or "Studies pooled"
    numbers, drawn = Numbers(frame), Block("")
    cell = numbers.of("pool", "all")
    if pool.k > 1:
        cells = [cell("studies", "bias", one) for one in study_groups(pooled)]
        ordered = sorted(cells, key=lambda one: one.value)
        biases = {"lowest": ordered[0], "highest": ordered[-1], "next": cell("next_squad", "bias")}
        typical, new = pool.bias(), pool.bias(new=True)
        limits = (pool.limit(-1).value, pool.limit(1).value)
        kinds = (("typical squad", typical, limits), ("next squad", new, pool.athlete()))
        told = [(name, np.nan, one.value, one.low, one.high, *both) for name, one, both in kinds]
        summary = pd.DataFrame(told, columns=_FOREST)
        drawn = picture(
            "studies",
            drawing(plot_forest, own, summary),
            Caption("studies", {**biases, "studies": pool.k}),
            height=forest_height(len(own)),
        ).block
    rows = []
    for group, source in zip(study_groups(pooled), pooled.sources, strict=True):
        bias, sd = (cell("studies", name, group) for name in _POOLED)
        rows.append((group, bias.shown(sign=True), sd.shown(), str(bias.n), source))
    columns = ("study", "bias", "SD", "athletes", "source")
    words = table("What was pooled (mL/kg/min)", columns, rows, numeric=columns[1:4])
    lines = list(pool_lines(pooled, numbers))
    shown = lines[
        bool(pooled.title) + pool.k :
    ]  # the studies stand in the table, with their sources
    content = {"pooled": title}
    return _write(out, title, shown, map(in_words, lines), drawn + words, frame, content)


def _write(
    out: Path,
    title: str,
    lines: Iterable[Text],
    told: Iterable[str],
    shown: Block,
    frame: pd.DataFrame,
    content: dict[str, Any],
) -> list[Path]:
    """Write a page with `lines` above what is `shown`; all that is `told` goes into provenance."""
    from importlib.metadata import version

    refuse_foreign(out)
    if is_ours(out) and not {"compared", "pooled"} & read_provenance(out).keys():
        raise OutputError(
            f"{out} holds the report of a study, so it is left alone. Name another folder with --out."
        )
    page = PageDraft()
    page.add(heading(title, 1), ["header"])
    for line in lines:
        page.add(paragraph(line), ["verdict"])
    if shown.html:
        page.open_section("Numbers")
        page.add(shown)
    page.open_section("Cautions")
    page.add(cautions())
    about = {
        "written_by": WRITTEN_BY,
        "version": version("lab-field-agreement"),
        "created": datetime.now(UTC).isoformat(timespec="seconds"),
        "kind": None,
        "inputs": [],
        "options": {},
        "verdict": list(told),
        "remarks": [],
        "title": title,
        **content,
    }
    with replaced_folder(out) as folder:
        write_tables({"results": frame}, folder)
        (folder / PAGE).write_text(page.html(title), encoding="utf-8", newline="\n")
        write_provenance(about, folder)
        seal(folder)
    return [out / PAGE, out / "results.csv"]
