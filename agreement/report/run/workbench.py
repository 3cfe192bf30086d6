"""Hand the notebook of a report to an analyst: a copy beside the study, opened in JupyterLab."""

import json
import os
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final
from urllib.parse import quote

from agreement.errors import AgreementError, OutputError
from agreement.report.run.render import parameters_source
from agreement.report.run.templates import template
from agreement.tables.options import Kind
from agreement.tables.whole_output import work_folder


def opened(study: str | Path | None, kind: Kind | None) -> Path:
    """
    Return the notebook to open, written here or beside the study: to start one, to explore it, or a report's.

    Returns: ``agreement-start.ipynb``, ``<study folder>-explore.ipynb`` or ``<study folder>-<kind>.ipynb``;
        one of ours that is there already is kept as it is.
    Raises OutputError if it cannot be written, or a file of that name is not ours.
    """
    if study is None:
        target = Path.cwd() / "agreement-start.ipynb"
        return _placed(target, template("workbench/start"), {"place": "."})
    place = Path(study).resolve()
    if not place.is_dir():
        raise AgreementError(f"{study} is no folder. Name the folder that holds study.toml.")
    parameters = {"study": place.name} | ({"save": None} if kind else {})
    target = place.with_name(f"{place.name}-{kind or 'explore'}.ipynb")
    return _placed(target, template(kind or "workbench/explore"), parameters)


def _placed(target: Path, text: str, parameters: dict[str, Any]) -> Path:
    """Put a notebook, filled in, where there is none; one of ours that is there stays."""
    import nbformat

    notebook = nbformat.reads(text, as_version=4)
    for cell in notebook.cells:
        if "parameters" in cell.metadata.get("tags", []):
            cell.source = parameters_source(parameters)
    content = str(nbformat.writes(notebook)) + "\n"
    if target.is_symlink() or target.exists():
        foreign = (
            f"{target.name} beside the study is {{}}, and a notebook can run anything. Look at it in "
            "a text editor; then move it away, and a fresh one is written, or open it with "
            "`jupyter lab`."
        )
        if target.is_symlink() or not target.is_file():
            raise OutputError(foreign.format("a link or no file"))
        found = target.read_bytes()
        if found != content.encode() and not _signed(found):
            raise OutputError(foreign.format("not one that was made or saved here"))
        return target
    try:
        new = os.open(target, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o666)  # never through a link
        with os.fdopen(new, "w", encoding="utf-8", newline="\n") as file:
            file.write(content)
    except OSError as error:
        raise OutputError(
            f"{target.name} cannot be written beside the study ({error.strerror})."
        ) from error
    return target


def _signed(content: bytes) -> bool:
    """
    Whether this user's JupyterLab has signed a notebook.

    It signs what its user has run and saved, with a secret in the user's own folder (nbformat's
    notary); a notebook that came with the study has no such signature.
    """
    import nbformat
    from nbformat.sign import NotebookNotary

    try:
        notebook = nbformat.reads(content.decode("utf-8"), as_version=4)
        return bool(NotebookNotary().check_signature(notebook))
    except Exception:  # noqa: BLE001 - a foreign file may hold anything, and the store be damaged
        return False


_NO_NEWS: Final = {"@jupyterlab/apputils-extension:notification": {"fetchNews": "false"}}
SILENT: Final = (  # a study is health data: nothing asks the network for news or newer versions
    "--LabApp.news_url=None",
    "--LabApp.check_for_updates_class=jupyterlab.NeverCheckForUpdate",
)


def open_notebook(
    notebook: Path,
    *,
    own_start_up: bool = False,
    port: int | None = None,
    browser: bool = True,
) -> None:
    """
    Open a notebook in JupyterLab; returns when JupyterLab ends.

    own_start_up: let the kernels run the user's own IPython start-up files too.
    port: where JupyterLab listens; it must be free. Without it the first free one from 8888. Only
        this machine reaches it, with a token.
    browser: whether to open a browser.

    Kernels import nothing from beside the study: a file ``agreement.py`` or ``numpy.py`` there would
    else run in their place.
    """
    with work_folder() as work:
        command = [sys.executable, "-P", "-m", "jupyterlab", *SILENT]
        command += served(port, browser=browser)
        command += [f"--LabApp.default_url=/lab/tree/{quote(notebook.name)}", str(notebook)]
        surroundings = kernel_surroundings(None if own_start_up else work / "ipython")
        unasked = work / "config" / "labconfig" / "default_setting_overrides.json"
        unasked.parent.mkdir(parents=True)  # nobody is asked whether to fetch news
        unasked.write_text(json.dumps(_NO_NEWS), encoding="utf-8")
        paths = [str(unasked.parents[1]), surroundings.get("JUPYTER_CONFIG_PATH", "")]
        surroundings["JUPYTER_CONFIG_PATH"] = os.pathsep.join(filter(None, paths))
        with subprocess.Popen(command, env=surroundings) as lab, _ctrl_c_is_for(lab):
            lab.wait()


@contextmanager
def _ctrl_c_is_for(lab: "subprocess.Popen[bytes]") -> Iterator[None]:
    """Leave Ctrl-C to JupyterLab, which asks before it ends its kernels; end it with this process."""
    main = threading.current_thread() is threading.main_thread()
    before = signal.signal(signal.SIGINT, signal.SIG_IGN) if main else None
    try:
        yield
    except BaseException:
        lab.terminate()
        raise
    finally:
        if main:
            signal.signal(signal.SIGINT, before)


def served(port: int | None, *, browser: bool) -> list[str]:
    """
    Return how JupyterLab is asked to listen; as root, as in a container, it needs to be told so.

    >>> served(8890, browser=False)[:2]
    ['--ServerApp.port=8890', '--ServerApp.port_retries=0']
    """
    options = [] if port is None else [f"--ServerApp.port={port}", "--ServerApp.port_retries=0"]
    options += ["--ServerApp.ip=localhost", *([] if browser else ["--no-browser"])]
    if hasattr(os, "geteuid") and os.geteuid() == 0:
        options.append("--allow-root")
    return options


def kernel_surroundings(settings: Path | None) -> dict[str, str]:
    """Return the environment of JupyterLab and its kernels; `settings` replaces the user's IPython."""
    surroundings = os.environ | {"PYTHONSAFEPATH": "1"}
    surroundings.pop("PYTHONSTARTUP", None)
    if settings is not None:
        surroundings["IPYTHONDIR"] = str(settings)
    return surroundings
