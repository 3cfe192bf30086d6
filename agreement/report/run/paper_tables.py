"""The tables of a report as a paper wants them: a workbook, a text document, LaTeX or Markdown."""

from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from itertools import chain
from pathlib import Path
from typing import Any, Final

import pandas as pd

from agreement.errors import AgreementError
from agreement.report.page.machine import in_words
from agreement.report.page.numbers import DECLARED, Cell, Names, group_name
from agreement.report.run.folder import is_ours
from agreement.report.run.own_report import no_report, read_provenance
from agreement.stats.catalogue import BY_NAME
from agreement.stats.record import OURS, Analysis
from agreement.tables.whole_output import whole_file

# the analyses that papers print; every other one stays in results.csv
IN_PAPERS: Final = (
    *("limits_of_agreement", "net_of_laboratory", "error", "concordance", "regression"),
    *("repeatability", "profile_bias", "change", "closer"),
)
NOTE: Final = (
    "Difference is field minus laboratory. In brackets 95 % intervals. n: athletes (pairs). A dash: "
    "not given, for the reason in the note column of results.csv."
)
DASH: Final = "\N{EN DASH}"
MINUS: Final = "\N{MINUS SIGN}"


@dataclass(frozen=True, slots=True)
class PaperTable:
    """One table: its caption, cells as text, note below and sources."""

    name: str
    caption: str
    cells: pd.DataFrame
    note: str
    sources: tuple[str, ...]


def paper_tables(results: pd.DataFrame, names: Names | None = None) -> list[PaperTable]:
    """Return results as tables of text, rounded as declared: for each analysis with a number."""
    tables: list[PaperTable] = []
    for name in IN_PAPERS:
        analysis = BY_NAME.get(name)
        rows = results[results["analysis"] == name]
        if analysis is not None and rows["value"].notna().any():
            tables.append(_table(analysis, rows, len(tables) + 1, names or Names()))
    return tables


def _table(analysis: Analysis, rows: pd.DataFrame, number: int, called: Names) -> PaperTable:
    """Return one analysis: a row for each method, mode and group, a column for each statistic."""
    known = {one.name: one for one in analysis.statistics}
    name, wide = analysis.name, dict[tuple[str, str, str], dict[str, str]]()
    assumed: dict[str, None] = {}  # what rests on an error of the laboratory that was declared
    for row in rows.to_dict("records"):
        statistic = known.get(str(row["statistic"]))
        if statistic is None:
            continue
        place = (str(row["method"]), str(row["mode"]), str(row["group"]))
        cells = wide.setdefault(place, {})
        unit = "" if statistic.unit == "1" else f" ({statistic.unit})"
        value, low, high = (float(row[end]) for end in ("value", "low", "high"))
        key = "/".join((name, *place, statistic.name))
        cell = Cell(key, value, low, high, note=str(row["note"]))
        cells[f"{statistic.label}{unit}"] = in_words(cell.with_interval()) or DASH
        if cell.assumed:
            assumed[statistic.label] = None
        if pd.notna(row["n"]):  # not withheld
            cells["n"] = f"{int(row['n'])} ({int(row['n_pairs'])})"
    frame = pd.DataFrame(
        [
            {"method": called.method(method), "mode": mode, "group": group_name(group)} | cells
            for (method, mode, group), cells in wide.items()
        ]
    ).fillna(DASH)
    keep = [c for c in frame.columns if c not in ("n", "method", "mode", "group")]
    frame = frame[(frame[keep] != DASH).any(axis=1)]
    if set(frame["group"]) == {"all"}:
        frame = frame.drop(columns="group")
    names = [c for c in ("method", "mode", "group", "n") if c in frame]
    frame = frame[[*names, *keep]].reset_index(drop=True)
    named = (s.source.split("; ") for s in analysis.statistics if s.source != OURS)
    sources = tuple(dict.fromkeys(chain.from_iterable(named)))
    note = f"{NOTE} {_begun('; '.join(assumed))}{DECLARED}." if assumed else NOTE
    return PaperTable(name, f"Table {number}. {_begun(analysis.label)}.", frame, note, sources)


def _begun(text: str) -> str:
    return text[:1].upper() + text[1:]


def write_paper_tables(report: Path, asked: Mapping[str, bool]) -> list[Path]:
    """
    Write tables of a report into the current folder; return ``<report>-tables.<kind>``, its csv.

    asked: whether each of xlsx, docx, tex, md is wanted; and csv: results.csv as the study writes
        its own files, with their decimal mark and separator.
    """
    if not is_ours(report):
        raise no_report(report)
    kinds = [kind for kind, wanted in asked.items() if wanted]
    if not kinds:
        raise AgreementError("Say which form: --xlsx, --docx, --tex, --md or --csv.")
    results = pd.read_csv(
        report / "results.csv",
        keep_default_na=False,
        na_values={name: [""] for name in ("value", "low", "high", "n", "n_pairs")},
        dtype={"n": "Int64", "n_pairs": "Int64"},
    )
    own = results.loc[results["analysis"] == "limits_of_agreement", "method"].unique()
    tables = paper_tables(results, Names.of_provenance(read_provenance(report), own))
    written = []
    if "csv" in kinds:
        kinds.remove("csv")
        written.append(_own_csv(report, results))
    for kind in kinds:
        path = Path(f"{report.resolve().name}-tables.{kind}")
        with whole_file(path) as file:
            _WRITERS[kind](tables, file)
        written.append(path)
    return written


def _own_csv(report: Path, results: pd.DataFrame) -> Path:
    """Write results with the decimal mark and the separator that most files of the study state."""
    stated = read_provenance(report).get("options", {}).get("files", {}).values()
    forms = Counter((one["separator"], one["decimal"]) for one in stated if one.get("decimal"))
    separator, decimal = forms.most_common(1)[0][0] if forms else (",", ".")
    path = Path(f"{report.resolve().name}-results.csv")
    text = results.to_csv(
        index=False,
        sep=separator or (";" if decimal == "," else ","),
        decimal=decimal,
        lineterminator="\n",
    )
    with whole_file(path) as file:
        file.write(text.encode("utf-8-sig"))  # spreadsheets of such countries ask for the mark
    return path


def _markdown(tables: list[PaperTable], file: Any) -> None:
    parts = []
    for one in tables:
        head = [str(c) for c in one.cells.columns]
        lines = [head, ["---"] * len(head), *one.cells.to_numpy().tolist()]
        rows = [
            "| " + " | ".join(str(c).replace("|", r"\|") for c in line) + " |" for line in lines
        ]
        parts.append("\n".join([f"**{one.caption}**", "", *rows, "", _below(one)]))
    file.write(("\n\n".join(parts) + "\n").encode())


def _latex(tables: list[PaperTable], file: Any) -> None:
    """Write LaTeX tables by pandas' Styler; they need the package booktabs."""
    parts = []
    for one in tables:
        cells = one.cells.map(lambda text: str(text)).rename(columns=_for_tex)
        styler = cells.style.format(escape="latex").hide(axis="index")
        text = styler.to_latex(
            caption=_for_tex(one.caption.partition(". ")[2]),
            label=f"tab:{one.name}",
            hrules=True,
            position="htbp",
        )
        below = rf"\par\footnotesize {_for_tex(_below(one))}" + "\n"
        text = text.replace(MINUS, "$-$")
        parts.append(text.replace(r"\end{table}", below + r"\end{table}"))
    file.write("\n".join(parts).encode())


def _for_tex(text: str) -> str:
    for mark in "&%_#$":
        text = text.replace(mark, f"\\{mark}")
    return text.replace("^", r"\textasciicircum{}")


def _workbook(tables: list[PaperTable], file: Any) -> None:
    from openpyxl import Workbook
    from openpyxl.styles import Alignment, Border, Font, Side
    from openpyxl.utils import get_column_letter

    book = Workbook()
    book.remove(book.active)
    line = Side(style="thin")
    for one in tables:
        sheet = book.create_sheet(one.name[:31])
        sheet.append([one.caption])
        sheet["A1"].font = Font(bold=True)
        sheet.append(list(one.cells.columns))
        for row in one.cells.to_numpy().tolist():
            texts = map(str, row)  # none that a spreadsheet runs; a number may begin with a minus
            sheet.append([f"'{one}" if one[:1] in ("=", "@", "+") else one for one in texts])
        for cell in sheet[2]:
            cell.font = Font(bold=True)
            cell.border = Border(top=line, bottom=line)
            cell.alignment = Alignment(wrap_text=True, vertical="top")
        for cell in sheet[sheet.max_row]:
            cell.border = Border(bottom=line)
        sheet.append([_below(one)])
        for at, name in enumerate(one.cells.columns, 1):
            widest = max([12, *map(len, map(str, one.cells[name]))])
            sheet.column_dimensions[get_column_letter(at)].width = min(widest + 2, 40)
        sheet.freeze_panes = "A3"
    book.save(file)


def _document(tables: list[PaperTable], file: Any) -> None:
    try:
        from docx import Document
        from docx.enum.section import WD_ORIENT
        from docx.shared import Pt
    except ImportError:
        raise AgreementError(
            "Text documents need another package: install this one with its extra 'tables'."
        ) from None
    document = Document()
    page = document.sections[0]
    page.orientation = WD_ORIENT.LANDSCAPE  # eight columns with intervals
    page.page_width, page.page_height = page.page_height, page.page_width
    document.styles["Normal"].font.size = Pt(8)
    for one in tables:
        document.add_paragraph().add_run(one.caption).bold = True
        grid = document.add_table(rows=1, cols=len(one.cells.columns), style="Table Grid")
        for cell, name in zip(grid.rows[0].cells, one.cells.columns, strict=True):
            cell.paragraphs[0].add_run(str(name)).bold = True
        for row in one.cells.to_numpy().tolist():
            for cell, text in zip(grid.add_row().cells, row, strict=True):
                cell.text = str(text)
        document.add_paragraph(_below(one))
    document.save(file)


def _below(one: PaperTable) -> str:
    return f"{one.note} Sources: {'; '.join(one.sources)}."


_WRITERS: Final[dict[str, Callable[[list[PaperTable], Any], None]]] = {
    "xlsx": _workbook,
    "docx": _document,
    "tex": _latex,
    "md": _markdown,
}
