"""
Run a notebook of ours in this process, with the outputs that a kernel would have given.

The cells of our templates only load, call and show, so no kernel is needed; one is a second of
imports, a process and half the memory. `agreement.report.run.render` runs the same notebook in a
kernel where that is asked for.
"""

import ast
import gc
import json
import platform
import traceback
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager, redirect_stdout
from io import StringIO
from pathlib import Path
from threading import RLock
from typing import Any, Final

from agreement.errors import AgreementError
from agreement.report.run.any_size import by_session
from agreement.report.run.kept import kept_figures
from agreement.report.run.read_beside import Asked, quick_texts, reading
from agreement.report.run.render import (
    Parameters,
    SectionError,
    injected,
    parameters_source,
    section_names,
)
from agreement.report.run.second import (
    Second,
    Shared,
    second_process,
    shared_sections,
    sharing_with,
    worth_sharing,
)
from agreement.report.run.templates import joined_lines
from agreement.report.run.unused import leaving_out, load_bare, load_bare_drawing
from agreement.scale.engine import Progress

_NEW_OBJECTS: Final = 200_000  # between two searches for rubbish; figures are many small objects
_NAMED_ANEW: Final = "pseudonymous("  # in a template: what is shown is of another cohort
_TABLES: Final = "show.tables()"  # is made early too, where `show.save` stands in a cell of its own
# in expressions: what `show.save` asks for again; what takes long or goes with it, the longest last
_AGAIN: Final = ("report.history(", "report.provenance(")
_LONG: Final = (_TABLES, "methods=", "inputs(", "athletes(", "show.of_")
_OWN: Final = ("__name__", "__builtins__")  # names that no section is about
_IN_TURN: Final = RLock()  # output, figures' style and error states are the whole process's
_KERNEL: Final = {"display_name": "Python 3", "name": "python3"}
_LANGUAGE: Final = {
    "codemirror_mode": {"name": "ipython", "version": 3},
    "file_extension": ".py",
    "mimetype": "text/x-python",
    "name": "python",
    "nbconvert_exporter": "python",
    "pygments_lexer": "ipython3",
    "version": platform.python_version(),
}


def run_here(
    template: str,
    parameters: Parameters,
    *,
    kept: Parameters,
    progress: Progress | None = None,
    samples: tuple[Path, str] | None = None,
) -> dict[str, Any]:
    """
    Run a notebook in this process, as `render.run_notebook`, and return it; threads take turns.

    Raises AgreementError: what the study or the disk is at fault for. SectionError: a cell's own fault.
    """
    notebook: dict[str, Any] = joined_lines(json.loads(template))
    cell = injected(notebook, parameters_source(parameters))
    sections = section_names(notebook["cells"])
    stages = list(dict.fromkeys(sections))
    every = _shown_alone(notebook["cells"])
    names: dict[str, Any] = {"__name__": "__main__"}
    shared: Shared | None = None
    study, earlier = (parameters.get(name) for name in ("study", "save"))
    place = None if earlier is None else Path(str(earlier))
    first = Asked(Path(str(study)), place, samples, evidence=_NAMED_ANEW not in template)
    count = 0
    with (
        _IN_TURN,
        second_process() as second,
        _undisturbed() as searching,
        _all_loaded(second, first, by_session(progress)),
        sharing_with(second),
        kept_figures(samples),
    ):
        if searching:
            gc.enable()
        for one, section in zip(notebook["cells"], sections, strict=True):
            if progress is not None:
                progress(stages.index(section), len(stages), section)
            if one["cell_type"] != "code":
                continue
            count += 1
            try:
                asked = every.pop(one["source"], "")  # the same cell again is made again
                if asked and shared is None and second and worth_sharing(names["show"]):
                    given = {name: names[name] for name in names if name not in _OWN}
                    shared = shared_sections(second, given, _ordered(asked, every), _value)
                if asked and shared is not None and ".save(" not in one["source"]:
                    one["outputs"] = _shown(names["show"](shared.of(asked)), count)
                else:
                    if asked and shared is not None:
                        names["show"].take(shared.of(asked), shared.of(_TABLES))
                    one["outputs"] = _outputs(one["source"], names, count)
            except (AgreementError, ModuleNotFoundError, OSError):
                raise
            except Exception as error:
                trace = "".join(traceback.format_exception(error))
                raise SectionError(section, type(error).__name__, str(error), trace) from error
            one["execution_count"] = count
    if progress is not None:
        progress(len(stages), len(stages), "Writing the page")
    cell["source"] = parameters_source(kept)
    notebook["metadata"] = {"kernelspec": _KERNEL, "language_info": _LANGUAGE}
    return notebook


def _shown_alone(cells: list[Any]) -> dict[str, str]:
    """
    Return the cells that show one section each, or save: source -> an expression to be made early.

    Such a cell is one call of ``show``, or of ``show.save``, of which what it saves of athletes is made;
    the expression rests on no name that a later cell gives.
    """
    found: dict[str, str] = {}
    for cell in cells:
        if cell["cell_type"] != "code":
            continue
        body = ast.parse(cell["source"]).body
        match body:
            case [ast.Expr(ast.Call(func=ast.Name("show"), args=[one], keywords=[]))]:
                found[cell["source"]] = ast.unparse(one)
            case [ast.Expr(ast.Call(func=ast.Attribute(ast.Name("show"), "save")))]:
                found[cell["source"]] = ast.unparse(body[0]).replace(".save", ".of_athletes")
            case _:
                if found and not all(isinstance(one, ast.Expr) for one in body):
                    return {}  # names are given between sections: all are made here, in order
    return found


def _ordered(first: str, rest: dict[str, str]) -> list[str]:
    """
    Return expressions as the two processes take them: this one as the page has them, that from the end.

    That one has the longest first, so that short ones are left for both to end together; what is
    asked for again in this one is left to it.
    """
    every = [first, *rest.values()]
    if any("show.of_" in one for one in every):
        every.insert(0, _TABLES)
    return sorted(
        every,
        key=lambda one: (not one.startswith(_AGAIN), *(word in one for word in reversed(_LONG))),
    )


def _value(source: str, names: dict[str, Any]) -> Any:
    """Return the value of an expression of our own template."""
    return eval(source, names)


def _outputs(source: str, names: dict[str, Any], count: int) -> list[dict[str, Any]]:
    """Run one cell; return what it printed and what its last expression shows."""
    statements = ast.parse(source).body
    last = statements.pop() if statements and isinstance(statements[-1], ast.Expr) else None
    printed, shown = StringIO(), None
    with redirect_stdout(printed):
        exec(compile(ast.Module(statements, []), "<cell>", "exec"), names)  # noqa: S102 - our own template
        if isinstance(last, ast.Expr):
            shown = eval(compile(ast.Expression(last.value), "<cell>", "eval"), names)
    text = printed.getvalue()
    said = [{"name": "stdout", "output_type": "stream", "text": text}] if text else []
    return said + _shown(shown, count)


def _shown(value: Any, count: int) -> list[dict[str, Any]]:
    """Return what a notebook keeps of a cell's value; None shows nothing."""
    if value is None:
        return []
    data = {"text/plain": repr(value)}
    if hasattr(value, "_repr_html_"):
        data["text/html"] = value._repr_html_()
    kind = {"execution_count": count, "metadata": {}, "output_type": "execute_result"}
    return [{"data": data} | kind]


@contextmanager
def _all_loaded(
    second: Second | None, asked: Asked, told: Callable[[int, int], None] | None
) -> Iterator[None]:
    """Load all that a report needs while the study is being read; what is loaded is no rubbish."""
    read = reading(second, asked, told)  # before anything heavy is loaded
    with quick_texts(asked.study):
        load_bare()
        load_bare_drawing()
        # seaborn takes them for densities and trees, which no figure of ours has
        with leaving_out("scipy.stats", "scipy.cluster"):
            from agreement.figures.canvas import READY
            from agreement.figures.theme import house_style
        import markdown_it  # noqa: F401 - as the next

        import agreement.report.shown.page  # noqa: F401 - for what follows
        from agreement.report.run.reading import read_by

        gc.freeze()
        gc.set_threshold(_NEW_OBJECTS, *gc.get_threshold()[1:])
        try:
            with read_by(read), house_style():  # once, not for each figure
                yield
        finally:
            READY.clear()


@contextmanager
def _undisturbed() -> Iterator[bool]:
    """
    Let neither the caller's warnings and error states nor the search for rubbish interfere.

    Yields whether to search for rubbish once all is loaded.
    """
    before, searching = gc.get_threshold(), gc.isenabled()
    gc.disable()
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            import numpy as np

            with np.errstate(all="ignore"):
                yield searching
    finally:
        gc.unfreeze()
        gc.set_threshold(*before)
        if searching:
            gc.enable()
