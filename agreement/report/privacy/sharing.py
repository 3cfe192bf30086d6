"""What may leave the house of a report: counts and reasons, or rows of people with their own numbers."""

import textwrap
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

import pandas as pd

from agreement.errors import AgreementError, TableError
from agreement.report.page.machine import in_words, said
from agreement.report.privacy.left_out import by_folder, counted_lines, pooled, rows_by_reason
from agreement.report.privacy.privacy import FEWEST_SHOWN
from agreement.report.privacy.release import (
    MORE_THAN_ONE,
    NOT_TOLD,
    released_results,
    released_tables,
)
from agreement.report.privacy.shared_rows import (
    MASS_STEP,
    STEP,
    TRAITS,
    UNTOLD,
    WITHOUT,
    numbers_of_rows,
    rows_to_share,
    tables_of_rows,
)
from agreement.report.run.exports import write_tables
from agreement.report.run.folder import PROVENANCE, refuse_foreign, replaced_folder
from agreement.report.run.own_report import (
    damaged,
    ledger_pieces,
    no_report,
    read_own_table,
    read_provenance,
    seal,
)
from agreement.report.run.provenance import write_provenance
from agreement.stats.repeats.repeatability import WEEK
from agreement.tables.options import StudyOptions
from agreement.tables.study_file import WITH_UNIT, changed

FILE: Final = "README.txt"
_KEPT: Final = ("written_by", "version", "python", "dependencies", "kind", "seed")


def share_report(report: str | Path, out: str | Path, *, rows: bool = False) -> tuple[Path, ...]:
    """
    Write the tables of a report in a form that can be passed on.

    By default no row of a person leaves: results have their small cells withheld and are rounded,
    rows left out are counted by file and reason. The page, the notebook and the figures stay behind.

    rows: give rows of people instead, coarsened and under fresh pseudonyms, with every number
        computed from exactly these rows.
    Returns: the files written.
    Raises AgreementError if `report` holds no report of ours, or one that is not as it was written.
    Raises OutputError if `out` holds anything but earlier output of ours.
    """
    source, target = Path(report), Path(out)
    content = read_provenance(source)
    refuse_foreign(target)
    tables, told = _shared(source, content, rows=rows)
    with replaced_folder(target) as folder:
        write_tables(tables, folder)
        page = explanation(tables)
        (folder / FILE).write_text(page, encoding="utf-8", newline="\n")
        write_provenance(told, folder)
        seal(folder)
        files = sorted(path.name for path in folder.iterdir())
    return tuple(target / file for file in files)


def explain_share(report: str | Path, *, rows: bool = False) -> str:
    """
    Return one page on what could be inferred from a share of a report, without writing it.

    Parameters and errors as for `share_report`.
    """
    source = Path(report)
    tables, _ = _shared(source, read_provenance(source), rows=rows)
    return explanation(tables)


def recomputed_results(share: Path, content: dict[str, Any]) -> pd.DataFrame:
    """Return the results of a share with rows of people, computed anew from its own rows."""
    rows = read_own_table(share, "pairs", content)
    late = bool(content.get("verdict_withheld", False))
    return numbers_of_rows(rows, recalled_options(content.get("options", {})), late=late)


def _shared(
    source: Path, content: dict[str, Any], *, rows: bool
) -> tuple[dict[str, pd.DataFrame], dict[str, Any]]:
    """Return the tables of a share, and what its provenance says."""
    if "results.csv" not in content.get("outputs", {}):
        raise no_report(source)
    results = _results(source, content)
    told: dict[str, Any] = {key: content[key] for key in _KEPT if key in content}
    choices = content.get("options", {})
    options = {key: value for key, value in choices.items() if key not in NOT_TOLD}
    if isinstance(study := options.get("study"), dict):
        options["study"] = study | {"id_map": None}
    told |= {"options": options, "shared": True, "rows_of_people": rows}
    if rows:
        if content["kind"] == "audit" or content.get("shared"):
            raise AgreementError(
                f"{source} holds no rows of people to share. Name the squad or validation report of "
                "the study."
            )
        notes = results.loc[results["analysis"] == "verdict", "note"].astype("str")
        late = bool(notes.str.startswith("withheld").any())
        try:
            pairs = rows_to_share(read_own_table(source, "pairs", content))
        except (ValueError, OverflowError) as error:  # a date that is none
            raise damaged("pairs.csv", "holds what is no pair") from error
        tables = tables_of_rows(pairs, recalled_options(options), late=late)
        return tables, told | {"verdict_withheld": late}
    if content["kind"] != "audit":  # an audit's have been through this
        gone = content.get("small_groups")
        results = released_results(results, gone and {tuple(name) for name in gone})
    flow = read_own_table(source, "flow", content)
    if not content.get("shared") and "rows_of_few" not in content:  # an earlier version's
        raise damaged(PROVENANCE, "does not say which rows left out are of a few people")
    left_out = _left_out(source, content, flow)
    left_out, flow = pooled(left_out, flow, content.get("rows_of_few", {}))
    return released_tables(results, left_out, flow), told


def recalled_options(told: Mapping[str, Any]) -> StudyOptions:
    """
    Return the choices of a study as its provenance tells them; what is not there has its default.

    >>> recalled_options({"margin": {"limit": 3.5, "agreed_on": "2026-01-10"}}).margin.agreed_on
    datetime.date(2026, 1, 10)
    """
    tables = {table: _stated(keys) for table, keys in told.items() if table != "methods"}
    methods = told.get("methods", {})
    if isinstance(methods, dict):  # by their labels, which are no keys
        methods = {label: _stated(keys) for label, keys in methods.items()}
    tables["methods"] = methods
    if field_tests := tables.pop("pairing_field_tests", None):
        tables["pairing"] = {**tables.get("pairing", {}), "field_tests": field_tests}
    try:
        return changed(StudyOptions(), tables, Path())
    except (TypeError, TableError) as error:
        raise damaged(PROVENANCE, "is damaged: 'options' are not the choices of a study") from error


def _stated(keys: Any) -> Any:
    """Return the keys of a table as study.toml writes them, without those that are not stated."""
    if not isinstance(keys, dict):
        return keys
    return {WITH_UNIT.get(key, key): one for key, one in keys.items() if one is not None}


def _results(source: Path, content: dict[str, Any]) -> pd.DataFrame:
    """Return a report's results; what declares no privacy kind is not shown."""
    from agreement.stats.catalogue import BY_NAME  # so that pairing alone stays light

    results = read_own_table(source, "results", content)
    return results[results["analysis"].isin(list(BY_NAME))].reset_index(drop=True)


def _left_out(report: Path, content: dict[str, Any], flow: pd.DataFrame) -> pd.DataFrame:
    """Return how many rows were left out, by file and reason; of parts, by their folder."""
    pieces = []
    for piece in ledger_pieces(report, content):
        lines = piece.assign(
            **{name: piece[name].where(piece[name] != "") for name in ("row", "id")}
        )
        rows = by_folder(rows_by_reason(lines), flow["file"])
        pieces.append(rows.groupby(["file", "reason"], as_index=False, sort=False)["rows"].sum())
    return counted_lines(pd.concat(pieces), flow["file"])


def explanation(tables: Mapping[str, pd.DataFrame]) -> str:
    """
    Return one page for a data protection officer: what a share holds, and what can still be inferred.

    tables: results, pairs, exclusions, flow: exactly what is given away.
    """
    rows, results = tables["pairs"], tables["results"]
    withheld = results["note"].fillna("").astype(str).str.startswith("suppressed")
    traits = [one for one in TRAITS if one in rows]
    nothing = {one: rows[one].isna() | rows[one].isin(["", UNTOLD.get(one, "")]) for one in traits}
    empty = [one for one in traits if nothing[one].all()]
    told = {
        "numbers": int(results["value"].notna().sum()),
        "withheld": int(withheld.sum()),
        "people": rows["athlete_id"].nunique(),
        "traits": [one for one in traits if one not in empty],
        "untold": [*empty, *WITHOUT],
    }
    limits = {"STEP": STEP, "MASS_STEP": MASS_STEP, "WEEK": WEEK, "FEWEST_SHOWN": FEWEST_SHOWN}
    facts = {**limits, "MORE_THAN_ONE": MORE_THAN_ONE}
    parts = said("share", "page", rows=len(rows), **told, f=facts).split("<p>")
    filled = (
        textwrap.fill(one, 78, subsequent_indent="  " * one.startswith("- "))
        for one in map(in_words, parts)
    )
    return "\n\n".join(filled) + "\n"
