"""
`write_report`: from a study folder to the whole output folder, all of it or nothing.

The notebook reads the study, computes and writes tables and figures, here or in a kernel; then the
page is rendered and the folder put in its place.
"""

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from agreement.errors import AgreementError
from agreement.report.page.html import notebook_page
from agreement.report.page.pdf import print_pdf
from agreement.report.run.folder import (
    PAGE,
    PROVENANCE,
    WORK,
    keep_for_the_next,
    refuse_foreign,
    replaced_folder,
    report_folder,
)
from agreement.report.run.kept import drop_other_states, kept_report
from agreement.report.run.own_report import seal
from agreement.report.run.render import SectionError, run_notebook
from agreement.report.run.templates import notebook_text, stated_kind, template
from agreement.scale.engine import Progress
from agreement.tables.options import Kind
from agreement.tables.whole_output import work_folder

FIRST_FILES: Final = (
    PAGE, "report.pdf", "athlete_cards.html", "athlete_cards.pdf", "results.csv",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class WrittenReport:
    """What was written."""

    folder: Path
    files: tuple[str, ...]  # names inside the folder, sorted
    # one sentence for each method and mode; one that says so when no pair was found
    verdict: tuple[str, ...]
    remarks: tuple[str, ...]  # what else the reader should know at once

    @property
    def shown(self) -> tuple[str, ...]:
        """The files to open first."""
        return tuple(name for name in FIRST_FILES if name in self.files)


def write_report(
    study: str | Path,
    out: str | Path | None = None,
    *,
    kind: Kind | None = None,
    pdf: bool = False,
    png: bool = False,
    kernel: bool = False,
    cache: bool = False,
    progress: Progress | None = None,
) -> WrittenReport:
    """
    Write a report of a study folder.

    out: where to; default ``reports/<study folder>-<kind>`` under the current folder. An earlier
        report of ours is replaced as a whole.
    kind: {"squad", "validation", "audit", "brief"}. Default: what study.toml says, else "squad".
    pdf: also print the pages as PDF, if the machine has a Chromium; else a remark says so.
    png: figures also as PNG files of 300 dots per inch; else as study.toml says.
    kernel: run the notebook in a Jupyter kernel, as JupyterLab would; the files are the same.
    cache: take what did not change from what an earlier run kept, and keep this one's; the files
        are the same. Not with `kernel` or `png`. What is kept of another state of the study goes
        either way. See `agreement.report.run.kept`.
    progress: called with (stages done, stages in all, name of the stage that starts).
    Raises TableError if the study folder cannot be used; nothing is written.
    Raises AgreementError if there is no such folder.
    Raises OutputError if `out` holds anything but an earlier report of ours.
    Raises SectionError if a section of the report fails; nothing is written.
    """
    place = Path(study).resolve()
    if not place.is_dir():
        raise AgreementError(f"{study} is no folder. Name the folder that holds study.toml.")
    kind = kind or stated_kind(place)
    target = report_folder(out, place, kind)
    refuse_foreign(target)
    with replaced_folder(target) as folder, work_folder() as work:
        keep_for_the_next(target, folder)
        parameters: dict[str, str | int | None] = {"study": place.name, "save": None}
        keeps = cache and not (kernel or png)
        kept = kept_report(place, kind, folder, target) if keeps else None
        if not keeps:
            drop_other_states(place, target)
        notebook = None if kept is None else kept.restore(folder)
        if notebook is None:
            run = parameters | {"save": str(folder)} | ({"png": True} if png else {})
            told: dict[str, Any] = {"kept": parameters, "progress": progress}
            try:
                if kernel:
                    more: dict[str, Any] = {"folder": place.parent, "work": work}
                    notebook = run_notebook(template(kind), run, **told, **more)
                else:
                    from agreement.report.run.here import run_here  # it loads all that computes

                    told["samples"] = None if kept is None else kept.samples
                    notebook = run_here(template(kind), run | {"study": str(place)}, **told)
            except Exception as error:
                if kept is not None:
                    kept.drop_if_changed(kept_report(place, kind, folder, target))
                if isinstance(error, SectionError):
                    _raise_input_error(error, place)
                raise
            if kept is not None:
                kept.keep(notebook, folder, kept_report(place, kind, folder, target))
        content = json.loads((folder / PROVENANCE).read_text(encoding="utf-8"))
        title = content["options"]["study"]["title"] or place.name
        page, said = notebook_page(notebook, title, content["created"][:10]), ""
        for file, text in {"report.ipynb": notebook_text(notebook), PAGE: page}.items():
            (folder / file).write_text(text, encoding="utf-8", newline="\n")
        for one in sorted(folder.glob("*.html")) if pdf else ():
            said = print_pdf(one, one.with_suffix(".pdf")) or said
        seal(folder)
        return written_report(target, folder, content, said)


def written_report(target: Path, folder: Path, content: dict[str, Any], said: str) -> WrittenReport:
    """Return what an unfinished folder holds for its place; `said`: of a print that failed."""
    paths = (path for path in folder.rglob("*") if path.is_file() and WORK not in path.parts)
    files = sorted(path.relative_to(folder).as_posix() for path in paths)
    remarks = (*content["remarks"], *filter(None, [said]))
    return WrittenReport(target, tuple(files), tuple(content["verdict"]), remarks)


def _raise_input_error(error: SectionError, study: Path) -> None:
    """Raise what the study folder is at fault for, as this side would have found it."""
    if error.kind == "TableError":
        from agreement.report.run.published_file import read_with_published

        read_with_published(study)
    if error.kind in ("TableError", "AgreementError", "OutputError", "OSError"):  # a full disk
        raise AgreementError(error.reason) from error
    if error.kind == "ModuleNotFoundError" and "'" in error.reason:
        raise ModuleNotFoundError(error.reason, name=error.reason.split("'")[1]) from error
