"""What the face of a study rests on: choices changed and checked, problems in their order."""

from collections.abc import Iterable, Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Any

from agreement.errors import Problem, TableError
from agreement.tables.findings import Findings
from agreement.tables.options import StudyOptions
from agreement.tables.study_file import changed_options


class StoppedReadings(TableError):
    """Field readings that cannot be made; `found` holds what was set aside or noted too."""

    def __init__(self, stops: Iterable[Problem], found: Iterable[Problem]) -> None:
        super().__init__(stops)
        self.found = tuple(found)


def changed(start: StudyOptions, tables: Mapping[str, Any], folder: Path) -> StudyOptions:
    """Return options with some keys changed, or stop with everything that does not fit."""
    findings = Findings()
    options = changed_options(start, tables, folder, findings)
    if findings.stops:
        raise TableError(findings.stops)
    return options


def differing(agreed: StudyOptions, now: StudyOptions) -> dict[str, tuple[Any, Any]]:
    """Return what differs between two sets of choices: ``table.key`` -> (agreed, now)."""
    before, after = asdict(agreed), asdict(now)
    return {
        f"{table}.{key}": (value, after[table][key])
        for table, keys in before.items()
        if isinstance(keys, dict) and isinstance(after[table], dict)
        for key, value in keys.items()
        if value != after[table].get(key)
    }
