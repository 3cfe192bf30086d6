"""
The report of a study whose estimates come in parts: its tables, and a page without a notebook.

Nothing here holds all rows. Cards and notebook are left out, and the page says so.
"""

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import pandas as pd

from agreement.figures.differences import differences_caption, plot_differences
from agreement.pairing.tally import WithoutPair
from agreement.report.page.html import PageDraft
from agreement.report.page.machine import in_words, said
from agreement.report.page.markup import Block, heading, paragraph
from agreement.report.page.numbers import Names, Numbers
from agreement.report.page.pdf import print_pdf
from agreement.report.page.pictures import Album, Picture, drawing, picture
from agreement.report.page.texts import cautions
from agreement.report.privacy.cells import small_groups
from agreement.report.privacy.left_out import counted_lines, pooled, rows_by_reason, rows_of_few
from agreement.report.privacy.privacy import FEWEST_SHOWN, without_files_of_people
from agreement.report.privacy.release import released_options, released_tables
from agreement.report.privacy.view import released_problems, released_registry, without_withdrawn
from agreement.report.run.exports import write_tables
from agreement.report.run.folder import PAGE
from agreement.report.run.provenance import provenance, provenance_block, write_provenance
from agreement.report.run.write_pairs import paired_output, write_pair_tables
from agreement.report.sections.answer import verdict_block, verdict_sentences
from agreement.report.sections.audit import sign_off
from agreement.report.sections.further import analysis_tables
from agreement.report.sections.ledger import files_block, left_out_block
from agreement.scale.engine import Engine, Progress
from agreement.scale.registry_results import RegistryResults, registry_results
from agreement.scale.streamed import Streamed
from agreement.stats.catalogue import ANALYSES
from agreement.tables.options import Kind, Margin
from agreement.tables.withdrawn import study_key
from agreement.tables.writers import significant

if TYPE_CHECKING:
    from agreement.report.run.write import WrittenReport


def write_registry_report(
    study: str | Path,
    out: str | Path,
    engine: Engine,
    *,
    kind: Kind = "squad",
    pdf: bool = False,
    progress: Progress | None = None,
) -> "WrittenReport":
    """
    Write the report of a study too large for memory.

    study, out: study folder and output folder.
    kind: {"squad", "validation", "audit", "brief"}. An audit withholds small groups, and counts
        what it leaves out.
    pdf: also print the page, as `agreement.report.run.write.write_report` does.
    progress: called with (done, total, stage).
    Raises TableError if the study cannot be used; nothing is written.
    Raises OutputError if `out` holds anything but earlier output of ours.
    """
    from agreement.report.run.write import written_report  # notebooks with the libraries below them

    target = Path(out)
    with paired_output(study, target, engine, progress) as (streamed, folder):
        results = registry_results(streamed)
        results = replace(results, frame=significant(results.frame))
        told, flow = streamed.study, streamed.pairing.flow
        problems = without_withdrawn(streamed.problems)
        counting, name = results.pairs, told.names["field_estimates"]
        parts = [(name, why, n) for why, n in streamed.reasons.items() if why != "withdrawn"]
        of_parts = pd.DataFrame(parts, columns=["file", "reason", "rows"])
        lines = pd.concat(
            [rows_by_reason(streamed.pairing.exclusions), of_parts], ignore_index=True
        )
        lines = counted_lines(lines, flow["file"])
        few = rows_of_few(told, streamed.pairing, counting.values(), streamed.people_left_out())
        gone = small_groups(results, counting if results.sampled < results.athletes else None)
        if kind == "audit":
            results = released_registry(results, gone)
            inputs = without_files_of_people(told, study_key(told.folder))
            told = replace(told, inputs=inputs, options=released_options(told.options))
            (lines, flow), problems = pooled(lines, flow, few), released_problems(problems)
            gone, few = [], {}  # they are
            write_tables(released_tables(results.frame, lines, flow), folder)
        else:
            write_pair_tables(streamed, folder)
            write_tables({"results": results.frame}, folder)
        left_out = files_block(flow) + left_out_block(lines, problems)
        names = Names.of(streamed.study.options, ((v.method, v.mode) for v in results.verdicts))
        numbers = Numbers(results.frame, names)
        content = provenance(told, kind)
        judged = (_methods(results), numbers, streamed.study.options)
        content["verdict"] = verdict_sentences(*judged, _without_pair(streamed, kind))
        made_of = said("ledger", "registry", all=results.athletes, sampled=results.sampled)
        content |= {"remarks": [in_words(made_of)], "rows_of_few": few, "small_groups": gone}
        write_provenance(content, folder)
        drawn = _figures(results, numbers, kind, streamed.study.options.margin)
        album = Album(folder / "figures", streamed.study.options.report)
        album.keep(*drawn)
        page = _page(streamed, results, numbers, content, left_out, drawn)
        (folder / PAGE).write_text(page, encoding="utf-8", newline="\n")
        failed = print_pdf(folder / PAGE, folder / "report.pdf") if pdf else ""
        return written_report(target, folder, content, failed)


def _methods(results: RegistryResults) -> list[SimpleNamespace]:
    """Return the verdicts as the page's first block takes them, each with what could make it wrong."""
    doubts = {(one.data.method, one.data.mode): one.doubts for one in results.methods}
    return [
        SimpleNamespace(
            method=v.method, mode=v.mode, verdict=v, doubts=doubts.get((v.method, v.mode), ())
        )
        for v in results.verdicts
    ]


def _without_pair(streamed: Streamed, kind: Kind) -> tuple[WithoutPair, ...]:
    """Return the methods without a pair; in an audit not those of a few people."""
    fewest = FEWEST_SHOWN if kind == "audit" else 0
    return tuple(one for one in streamed.pairing.without_pair if one.athletes >= fewest)


def _page(
    streamed: Streamed,
    results: RegistryResults,
    numbers: Numbers,
    content: dict[str, Any],
    left_out: Block,
    drawn: list[Picture],
) -> str:
    """Return the page: verdict, tables of results, flow, cautions, provenance."""
    text = streamed.study.options.study
    name = text.title or streamed.study.folder.name
    page = PageDraft()
    page.add(heading(name, 1), ["header"])
    if text.question:
        page.add(paragraph(text.question, "study"), ["header"])
    found = _without_pair(streamed, content["kind"])
    judged = (_methods(results), numbers, streamed.study.options)
    page.add(verdict_block(*judged, found=found), ["verdict"])
    page.add(paragraph(content["remarks"][0], "note"), ["verdict"])
    if content["kind"] == "brief":
        page.add(cautions(short=True), ["verdict"])
        return page.html(name)
    page.open_section("Agreement with the laboratory")
    for figure in drawn:
        page.add(figure.block)
    shown = [
        replace(own, statistics=only, of_registry=(), unless_possible=(), of_all_groups=())
        for own in ANALYSES
        if (only := tuple(one for one in own.statistics if one.name in own.of_registry))
    ]
    for block in analysis_tables(numbers, shown, alone=True):
        page.add(block)
    page.open_section("What became of every row")
    page.add(left_out)
    if content["kind"] == "audit":
        page.open_section("Sign-off")
        page.add(sign_off())
    page.open_section("Cautions")
    page.add(cautions())
    page.open_section("Where the numbers come from")
    page.add(provenance_block(content), ["details"])
    return page.html(name)


def _figures(
    results: RegistryResults, numbers: Numbers, kind: Kind, margin: Margin
) -> list[Picture]:
    """Return the difference plot of each method and mode whose limits may be shown."""
    points, drawn = kind != "audit", []
    for (method, mode), pairs in results.pairs.items():
        if numbers.get("limits_of_agreement", "bias", method, mode).withheld:
            continue
        name, frame = numbers.name(method, mode), results.frame
        own = (frame["analysis"] == "limits_of_agreement") & (frame["group"] == "all")
        limits = frame[own & (frame["method"] == method) & (frame["mode"] == mode)]
        draw = drawing(plot_differences, pairs, limits, margin=margin.limit, points=points)
        caption = differences_caption(pairs, limits, points=points).of(name)
        drawn.append(picture(f"differences-{method}-{mode}", draw, caption, height=3.3))
    return drawn
