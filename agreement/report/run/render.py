"""
Fill a notebook template with its parameters and run it in a kernel of this interpreter, on request.

`agreement.report.run.here` does the same without a kernel.
"""

import re
from concurrent.futures import ThreadPoolExecutor, wait
from contextlib import closing, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any

from agreement.scale.engine import Progress

if TYPE_CHECKING:
    from nbclient import NotebookClient

Parameters = dict[str, str | int | None]
CELL_TIMEOUT_S = 24 * 3600  # a registry takes its time; a hang is for the user to interrupt
_LISTEN_S = 0.5  # some systems hear of an interrupt only between two waits


class SectionError(RuntimeError):
    """
    A cell failed: the heading above it, and why.

    kind: name of the exception's class, "" when the kernel itself ended.
    reason, detail: its message; the traceback, for whoever mends it.
    """

    def __init__(self, section: str, kind: str, reason: str, detail: str) -> None:
        self.section, self.kind, self.reason, self.detail = section, kind, reason, detail
        super().__init__(f"The section '{section}' could not be made: {reason}")


def parameters_source(parameters: Parameters) -> str:
    """
    Return the code of a parameters cell; every value is a plain literal.

    >>> print(parameters_source({"study": "crew's", "seed": 1}))
    study = "crew's"
    seed = 1
    """
    return "\n".join(f"{name} = {value!r}" for name, value in parameters.items())


def run_notebook(
    template: str,
    parameters: Parameters,
    *,
    kept: Parameters,
    folder: Path,
    work: Path,
    progress: Progress | None = None,
) -> Any:
    """
    Run a notebook with parameters and return it executed.

    parameters: what the notebook is run with: plain text and numbers, put in a cell of their own.
    kept: what that cell says afterwards, without the places that only mattered during the run.
    folder, work: where the kernel works, and where its own files go.
    progress: called with (stages done, stages in all, name) as each section starts.
    Raises SectionError if a cell fails; after an interrupt no kernel stays behind.
    """
    import asyncio  # only a kernel needs it

    async def run() -> Any:
        import nbformat
        from nbclient import NotebookClient

        from agreement.report.run.kernel import OwnInterpreter, started_kernel_options

        notebook = nbformat.reads(template, as_version=4)
        cell = injected(notebook, parameters_source(parameters))
        client = NotebookClient(notebook, kernel_manager_class=OwnInterpreter)
        client.km = manager = OwnInterpreter(connection_file=str(work / "kernel.json"))
        client.timeout, client.record_timing = CELL_TIMEOUT_S, False
        client.store_widget_state = False
        client.shutdown_kernel = "immediate"  # by then it has written all, or is to stop at once
        try:
            await _execute(client, progress, started_kernel_options(work, folder))
        finally:
            with suppress(RuntimeError):  # the client has usually done this
                await manager.shutdown_kernel(now=True)
        cell.source = parameters_source(kept)
        notebook.metadata["kernelspec"] = {"name": "python3", "display_name": "Python 3"}
        for one in notebook.cells:
            if one.cell_type == "code":  # what was said on stderr names places on this machine
                one.outputs = [told for told in one.outputs if told.get("name") != "stderr"]
        return notebook

    # an interrupt reaches the caller alone, who ends the run in good order: the notebook client's
    # own answer to it leaves loose ends. And a caller may have an event loop already
    loop = asyncio.new_event_loop()
    task = loop.create_task(run())
    with closing(loop), ThreadPoolExecutor(1, "notebook") as thread:
        done = thread.submit(loop.run_until_complete, task)
        try:
            while not wait([done], _LISTEN_S).done:
                pass
        except BaseException:
            loop.call_soon_threadsafe(task.cancel)
            raise
        return done.result()


async def _execute(
    client: "NotebookClient", progress: Progress | None, options: dict[str, Any]
) -> None:
    """Run every cell, telling `progress` about each new section; options: of `start_kernel`."""
    from nbclient.exceptions import CellExecutionError

    sections = section_names(client.nb.cells)
    stages = list(dict.fromkeys(sections))

    def tell(cell_index: int, **_: object) -> None:
        where["section"] = sections[cell_index]
        if progress is not None:
            progress(stages.index(sections[cell_index]), len(stages), sections[cell_index])

    where = {"section": stages[0]}
    client.on_cell_start = tell
    try:
        await client.async_execute(**options)
    except CellExecutionError as error:
        raise SectionError(
            where["section"],
            error.ename,
            error.evalue,
            re.sub(r"\x1b\[[0-9;]*m", "", error.traceback),
        ) from None
    except RuntimeError as error:
        if not str(error).startswith("Kernel"):
            raise
        raise SectionError(
            where["section"],
            "",
            "the computation ended without a word, most likely for want of memory",
            str(error),
        ) from None
    if progress is not None:
        progress(len(stages), len(stages), "Writing the page")


def section_names(cells: list[Any]) -> list[str]:
    """Return for each cell the heading it stands under."""
    names = []
    current = "Reading the study"
    for cell in cells:
        if cell["cell_type"] == "markdown":
            heading = re.search(r"^## +(.+)$", cell["source"], flags=re.MULTILINE)
            current = heading.group(1).strip() if heading else current
        names.append(current)
    return names


def injected(notebook: Any, source: str) -> Any:
    """Put a cell with `source` after the cell tagged `parameters` and return it."""
    name, of_kind, cells = "injected-parameters", type(notebook), notebook["cells"]
    code: dict[str, Any] = {
        "cell_type": "code",
        "execution_count": None,
        "outputs": [],
        "source": source,
    }
    cell = of_kind(code, id=name, metadata=of_kind(tags=[name]))
    tagged = (n for n, one in enumerate(cells) if "parameters" in one["metadata"].get("tags", []))
    cells.insert(next(tagged) + 1, cell)
    return cell
