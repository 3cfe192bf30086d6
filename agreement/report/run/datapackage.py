"""`datapackage.json`: what every column and every statistic of an output folder means, for programs."""

import json
from pathlib import Path
from typing import Any, Final

import pandas as pd

from agreement.report.run.folder import PROVENANCE
from agreement.terms import OUTPUT_COLUMNS

FILE: Final = "datapackage.json"
PROFILE: Final = "https://datapackage.org/profiles/2.0/datapackage.json"
_COUNTS: Final = frozenset({"n", "n_pairs", "look"})


def write_datapackage(tables: dict[str, pd.DataFrame], folder: Path) -> Path:
    """
    Describe tables beside them, in the form of the Data Package standard, version 2.0.

    tables: by name of the file without its ending, ``results`` among them.
    folder: an unfinished output folder.
    Returns: its bytes follow from the tables' columns, and from which statistics stand in
        ``results``.
    """
    content = {
        "$schema": PROFILE,
        "name": "agreement-report",
        "description": f"Agreement of field estimates with the laboratory; {PROVENANCE} says of what.",
        "resources": [_resource(name, frame) for name, frame in tables.items()],
        "statistics": dictionary(tables["results"]),
    }
    path = folder / FILE
    text = json.dumps(content, indent=1, ensure_ascii=False) + "\n"
    path.write_text(text, encoding="utf-8", newline="\n")
    return path


def _resource(name: str, frame: pd.DataFrame) -> dict[str, Any]:
    """Return the description of one table."""
    meanings = OUTPUT_COLUMNS[name]
    return {
        "name": name.replace("_", "-"),
        "type": "table",
        "path": f"{name}.csv",
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
        "schema": {
            "fields": [
                {"name": column, "type": _kind(frame[column]), "description": meanings[column]}
                for column in frame
                if column in meanings
            ],
            "missingValues": [""],
        },
    }


def _kind(column: pd.Series) -> str:
    """Return the type of a column in the words of the standard."""
    if column.name in _COUNTS:  # whole, also where a table was read back with cells missing
        return "integer"
    if pd.api.types.is_bool_dtype(column):
        return "boolean"
    if pd.api.types.is_integer_dtype(column):
        return "integer"
    if pd.api.types.is_float_dtype(column):
        return "number"
    return "date" if pd.api.types.is_datetime64_any_dtype(column) else "string"


def dictionary(results: pd.DataFrame) -> list[dict[str, str]]:
    """Return what each statistic of results means, from the catalogue."""
    from agreement.stats.catalogue import EVERY  # it loads every analysis

    there = set(results[["analysis", "statistic"]].itertuples(index=False, name=None))
    return [
        {
            "analysis": analysis.name,
            "statistic": one.name,
            "label": one.label,
            "description": one.meaning,
            "formula": one.formula,
            "unit": one.unit,
            "source": one.source,
        }
        for analysis in EVERY
        for one in analysis.statistics
        if (analysis.name, one.name) in there
    ]
