"""Hand the notebook of a report to an analyst: a copy beside the study, opened in JupyterLab."""

import subprocess
import sys
from pathlib import Path
from typing import Final

from agreement.errors import AgreementError, OutputError
from agreement.report.run.render import parameters_source
from agreement.report.run.templates import stated_kind, template
from agreement.tables.options import Kind


def copied_notebook(study: str | Path, kind: Kind | None = None) -> Path:
    """
    Copy a report's notebook beside the study folder, filled in with the study's name.

    Parameters
    ----------
    study : str or Path
        The study folder.
    kind : {"squad", "validation", "audit"}, optional
        Default: what study.toml says, else "squad".

    Returns
    -------
    Path
        ``<study folder>-<kind>.ipynb``; a copy that is there already is kept as it is.

    Raises
    ------
    AgreementError
        If there is no such folder.
    OutputError
        If the copy cannot be written.
    """
    import nbformat

    place = Path(study).resolve()
    if not place.is_dir():
        msg = f"{study} is no folder. Name the folder that holds study.toml."
        raise AgreementError(msg)
    kind = kind or stated_kind(place)
    target = place.with_name(f"{place.name}-{kind}.ipynb")
    if target.exists():
        return target
    notebook = nbformat.reads(template(kind), as_version=4)
    for cell in notebook.cells:
        if "parameters" in cell.metadata.get("tags", []):
            cell.source = parameters_source({"study": place.name, "save": None})
    try:
        target.write_text(nbformat.writes(notebook) + "\n", encoding="utf-8", newline="\n")
    except OSError as error:
        msg = f"{target.name} cannot be written beside the study ({error.strerror})."
        raise OutputError(msg) from error
    return target


SILENT: Final = (  # a study is health data: nothing asks the network for news or newer versions
    "--LabApp.news_url=None",
    "--LabApp.check_for_updates_class=jupyterlab.NeverCheckForUpdate",
)


def open_notebook(notebook: Path) -> None:
    """Open a notebook in JupyterLab; returns when JupyterLab ends."""
    subprocess.run([sys.executable, "-m", "jupyterlab", *SILENT, str(notebook)], check=False)
