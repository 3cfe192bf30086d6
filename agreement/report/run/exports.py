"""
The tables of a report as CSV files: the same bytes for the same study.

Beside them `datapackage.json` says, for programs, what every column and every statistic means.
"""

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final, NamedTuple

import pandas as pd

from agreement.cohort import Cohort
from agreement.physiology.laboratory import lab_values
from agreement.report.run.folder import PROVENANCE
from agreement.tables.writers import csv_bytes, significant
from agreement.terms import OUTPUT_COLUMNS

_AS_COMPUTED: Final = ("pairs", "exclusions", "flow")  # values as they were read, and their means


def laboratory_tables(cohort: Cohort) -> dict[str, pd.DataFrame]:
    """
    Return ``lab_values``, ``lab_thresholds`` and ``economy``, where a study has them.

    Values of a study with breaths or without a field method; a row of thresholds per test and method,
    of economy per test, and per field method where the error that it lets expect is told.
    """
    study, evidence = cohort.study, cohort.evidence
    found = {}
    if study.laboratory_only or study.breaths:
        edited = study.options.reference.edit_breaths
        found["lab_values"] = lab_values(cohort.laboratory, edit_breaths=edited)
    if (corners := evidence.thresholds) is not None and len(corners):
        units = {"vo2": "vo2_ml_kg_min", "hr": "hr_bpm"}
        order = ["lab_test_id", "threshold", "method"]
        found["lab_thresholds"] = corners.rename(columns=units).sort_values(order)
    costs, expected = evidence.economy, evidence.expected
    if costs is not None and expected is not None and len(costs):
        units = {"economy": "economy_ml_kg_km", "expected": "expected_error"}
        units["gross_efficiency"] = "gross_efficiency_percent"
        errors = expected.drop(columns=["cost_ratio", "stages_of"])
        both = costs.merge(errors, how="left", on=["lab_test_id", "athlete_id", "mode"])
        found["economy"] = both.rename(columns=units).sort_values(["lab_test_id", "method"])
    return found


class MadeTable(NamedTuple):
    """A table as it is written, and the description of it."""

    content: bytes
    described: dict[str, Any]


def made_table(name: str, frame: pd.DataFrame) -> MadeTable:
    """Return ``<name>.csv`` with the columns and order that the output promises."""
    told = (frame if name in _AS_COMPUTED else significant(frame))[[*OUTPUT_COLUMNS[name]]]
    return MadeTable(csv_bytes(told), _resource(name, frame[[*OUTPUT_COLUMNS[name]]]))


def write_tables(tables: Mapping[str, pd.DataFrame], folder: Path) -> list[Path]:
    """Write tables as ``<name>.csv``, with results also the words for each column and statistic."""
    made = {name: made_table(name, frame) for name, frame in tables.items()}
    return write_made(made, tables.get("results"), folder)


def write_made(
    made: Mapping[str, MadeTable], results: pd.DataFrame | None, folder: Path
) -> list[Path]:
    """Write tables that are made already into an unfinished folder, as `write_tables` does."""
    written = [folder / f"{name}.csv" for name in made]
    for path, one in zip(written, made.values(), strict=True):
        path.write_bytes(one.content)
    if results is not None:  # described as the Data Package standard, version 2.0, has it
        content = {
            "$schema": PROFILE,
            "name": "agreement-report",
            "description": f"Agreement of field estimates with the laboratory; {PROVENANCE} says of what.",
            "resources": [one.described for one in made.values()],
            "statistics": dictionary(results),
        }
        written.append(folder / PACKAGE_FILE)
        text = json.dumps(content, indent=1, ensure_ascii=False) + "\n"
        written[-1].write_text(text, encoding="utf-8", newline="\n")
    return written


PACKAGE_FILE: Final = "datapackage.json"
PROFILE: Final = "https://datapackage.org/profiles/2.0/datapackage.json"
_COUNTS: Final = frozenset({"n", "n_pairs", "look"})
_KINDS: Final = {"b": "boolean", "i": "integer", "u": "integer", "f": "number", "M": "date"}


def _resource(name: str, frame: pd.DataFrame) -> dict[str, Any]:
    """Return the description of one table; a count that lacks some is whole all the same."""
    kinds = {one: "i" if one in _COUNTS else frame[one].dtype.kind for one in frame}
    return {
        "name": name.replace("_", "-"),
        "type": "table",
        "path": f"{name}.csv",
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
        "schema": {
            "fields": [
                {
                    "name": column,
                    "type": _KINDS.get(kinds[column], "string"),
                    "description": meaning,
                }
                for column, meaning in OUTPUT_COLUMNS[name].items()
            ],
            "missingValues": [""],
        },
    }


def dictionary(results: pd.DataFrame) -> list[dict[str, str]]:
    """Return what each statistic of results means, from the catalogue."""
    from agreement.stats.catalogue import EVERY  # it loads every analysis

    there = set(results[["analysis", "statistic"]].itertuples(index=False, name=None))
    return [
        {"analysis": analysis.name, "statistic": one.name}
        | {"label": one.label, "description": one.meaning, "formula": one.formula}
        | {"unit": one.unit, "source": one.source}
        for analysis in EVERY
        for one in analysis.statistics
        if (analysis.name, one.name) in there
    ]
