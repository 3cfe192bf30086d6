"""From which files, with which versions and choices the numbers came; no places on a machine."""

import platform
from dataclasses import asdict
from datetime import UTC, date, datetime
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any, Final

import agreement
from agreement.errors import as_argument
from agreement.report.page.machine import in_words, said
from agreement.report.page.markup import Block, code, fold, paragraph, table
from agreement.report.page.numbers import counted
from agreement.report.run.folder import PROVENANCE, WRITTEN_BY, provenance_bytes
from agreement.tables.options import Kind
from agreement.tables.study import StudyTables
from agreement.tables.withdrawn import KEYED

DEPENDENCIES: Final = ("numpy", "scipy", "pandas", "statsmodels", "pingouin", "matplotlib")


def provenance(study: StudyTables, kind: Kind | None) -> dict[str, Any]:
    """Return all that another person needs to run the same again; `kind` None: the pairs alone."""
    name = study.folder.name
    typed = as_argument(name)
    command = f"agreement report {typed} --report {kind}" if kind else f"agreement pair {typed}"
    return {
        "written_by": WRITTEN_BY,
        **installed(),
        "created": datetime.now(tz=UTC).isoformat(timespec="seconds"),
        "study": name,
        "kind": kind,
        "command": command,
        "seed": study.options.report.seed,
        "inputs": [asdict(source) for source in study.inputs],
        "options": _plain(asdict(study.options)),
    }


def installed() -> dict[str, Any]:
    """Return the versions of what runs here, as a provenance holds them."""
    return {
        "version": agreement.__version__,
        "python": platform.python_version(),
        "dependencies": {package: version_of(package) for package in DEPENDENCIES},
    }


def versions_of(content: dict[str, Any]) -> dict[str, Any]:
    """Return the version of each program that a provenance names."""
    own = {"agreement": content.get("version"), "Python": content.get("python")}
    return {**own, **content.get("dependencies", {})}


def write_provenance(content: dict[str, Any], folder: Path) -> None:
    """Write `content` as provenance.json."""
    (folder / PROVENANCE).write_bytes(provenance_bytes(content))


def provenance_block(content: dict[str, Any]) -> Block:
    """Return the provenance as two tables: versions, and the files read."""
    from agreement.stats.basics.bootstrap import N_RESAMPLES
    from agreement.stats.causes.budget_parts import BUDGET_RESAMPLES
    from agreement.stats.lines.passing_bablok import LINE_RESAMPLES

    numbers = {"usual": N_RESAMPLES, "of_budget": BUDGET_RESAMPLES, "of_lines": LINE_RESAMPLES}
    versions = {
        "command": content["command"],
        "run at": content["created"],
        **versions_of(content),
        "seed of everything random": str(content["seed"]),
        "resamples of a bootstrap": in_words(said("ledger", "resamples", **numbers)),
    }
    # of an audit, a folder of files is one entry that ends in a slash
    inside = [source for source in content["inputs"] if "/" in source["name"]]
    raw = [source for source in inside if not source["name"].endswith("/")]
    tables = [source for source in content["inputs"] if source not in raw]
    rows = [(what, str(value)) for what, value in versions.items()]
    shown = table("Program, versions and seed", ["what", "value"], rows)
    shown += _files("Files read", tables)
    if any(source["sha256"].startswith(KEYED) for source in tables):
        shown += paragraph(said("ledger", "keyed_checksums"), "note")
    if not raw:
        return shown
    listed = _files("Raw files read", raw)
    summary = f"{counted(len(raw), 'raw file')} with their checksums, as in {PROVENANCE}"
    return shown + fold(summary, listed)


def _files(caption: str, sources: list[dict[str, Any]]) -> Block:
    rows = []
    for source in sources:
        many = "no table" if source["rows"] is None else str(source["rows"])
        if source["name"].endswith("/") and source["rows"] is not None:
            many = counted(source["rows"], "file")
        rows.append((code(source["name"]), many, code(source["sha256"])))
    return table(caption, ["file", "rows", "SHA-256 checksum"], rows, numeric=["rows"])


@cache
def version_of(name: str) -> str:
    """Return the installed version of a dependency."""
    try:
        return version(name)
    except PackageNotFoundError:
        return "not installed"


def _plain(value: Any) -> Any:
    """Turn dates and tuples into what JSON holds."""
    if isinstance(value, dict):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    return value.isoformat() if isinstance(value, date) else value
