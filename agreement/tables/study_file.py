"""`study.toml` -> `StudyOptions`: every key checked, every problem at once, nothing guessed."""

import tomllib
from collections.abc import Mapping
from dataclasses import fields, replace
from difflib import get_close_matches
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TypeVar

from agreement.errors import TableError
from agreement.tables import key_checks as check
from agreement.tables.columns import INPUTS
from agreement.tables.findings import Findings, Words
from agreement.tables.options import STUDY_FILE, Confirmation, FileFormat, Method, StudyOptions
from agreement.tables.paths import path_problem
from agreement.tables.study_lines import stop_at_open_lines, toml_fault
from agreement.tables.units import unit_names, unit_of
from agreement.terms import DOUBTS

if TYPE_CHECKING:
    from _typeshed import DataclassInstance

PUBLISHED_FILE: Final = "published.toml"  # printed figures to reproduce; only a report reads it
NO_TABLE: Final = "none"  # what a file is said to be that is no part of the study
_ALL_COLUMNS: Final = frozenset(column for table in INPUTS.values() for column in table.columns)
Keys = dict[str, tuple[str, check.Check]]  # key -> attribute of the options, check of its value
Options = TypeVar("Options", bound="DataclassInstance")
BEGUN: Final = 3  # letters from which the beginning of a key says which is meant
WITH_UNIT: Final = {name: f"{name}_ml_kg_min" for name in ("limit", "mean_limit", "sem")}


def _keys(kind: "type[DataclassInstance]") -> Keys:
    """Return the keys of one table: named like their fields, each with its check."""
    return {
        WITH_UNIT.get(one.name, one.name): (one.name, check.of_type(one.name, one.type))
        for one in fields(kind)
    }


TABLE_KEYS: Final[dict[str, Keys]] = {
    name: _keys(type(getattr(StudyOptions(), name)))
    for name in (
        *("study", "margin", "reference", "pairing", "change", "profile"),
        *("extrapolation", "control", "report"),
    )
}
_INSIDE: Final = {"pairing": ("field_tests",)}  # tables inside a table
_METHOD, _FILE = _keys(Method), _keys(FileFormat)
_CONFIRMATION: Final = check.must_be(
    'a reason and a date like { reason = "seen by two of us", on = 2026-01-10 }',
    lambda value: (
        isinstance(value, dict)
        and set(value) == {"reason", "on"}
        and isinstance(value["reason"], str)
        and value["reason"].strip()
    ),
    lambda value: Confirmation(value["reason"].strip(), check.day(value["on"])),
)


def read_study_file(folder: Path, findings: Findings) -> StudyOptions:
    """Read `study.toml`; problems go to `findings`, keys with a problem keep their default."""
    content = _content(folder, findings)
    if not findings.stops and stop_at_open_lines(content, folder / STUDY_FILE, findings):
        return StudyOptions()  # all else may only follow from what is open
    return changed_options(StudyOptions(), content, folder, findings)


def changed_options(
    start: StudyOptions, tables: Mapping[str, Any], folder: Path, findings: Findings
) -> StudyOptions:
    """Return `start` with what `tables` say in the form of `study.toml`, each key checked."""
    content: dict[str, Any] = dict(tables)
    reader = _Reader(folder, findings)
    reader.unknown(content, [*TABLE_KEYS, "methods", "files", "confirm"], "")
    field_tests = reader.table(reader.table(content, "pairing"), "field_tests", "pairing.")
    files = reader.table(content, "files", quiet=True)
    filled: dict[str, Any] = {
        name: reader.fill(getattr(start, name), reader.table(content, name), keys, name)
        for name, keys in TABLE_KEYS.items()
    }
    labels, methods = reader.table(content, "methods"), {}
    for label in labels:
        before, own = start.methods.get(label, Method()), reader.table(labels, label, "methods.")
        methods[label] = reader.fill(before, own, _METHOD, f"methods.{label}")
    lines = reader.table(content, "confirm")
    reader.unknown(lines, list(DOUBTS), "confirm.")
    confirmed = dict.fromkeys(lines, _CONFIRMATION)
    options = StudyOptions(
        **filled,
        pairing_field_tests=reader.fill(
            start.pairing_field_tests, field_tests, TABLE_KEYS["pairing"], "pairing.field_tests"
        ),
        methods=start.methods | methods,
        files=start.files | reader.files(content, start.files),
        no_tables=(*start.no_tables, *(f for f, one in files.items() if one == NO_TABLE)),
        confirm=start.confirm | reader.checked(lines, confirmed, "confirm"),
    )
    agreed = {} if start.margin.agreed_on is None else {"agreed_on": start.margin.agreed_on}
    reader.across(options, agreed | reader.table(content, "margin", quiet=True))
    return options


def changed(start: StudyOptions, tables: Mapping[str, Any], folder: Path) -> StudyOptions:
    """Return options with some keys changed; TableError with everything that does not fit."""
    findings = Findings()
    options = changed_options(start, tables, folder, findings)
    if findings.stops:
        raise TableError(findings.stops)
    return options


def _content(folder: Path, findings: Findings) -> dict[str, Any]:
    """Return the parsed file, empty when it cannot be read."""
    path = folder / STUDY_FILE
    if not path.is_file():
        findings.tell("no_study_file", STUDY_FILE)
        return {}
    if problem := path_problem(folder, STUDY_FILE):
        findings.tell("path_outside", STUDY_FILE, problem=problem)
        return {}
    text = ""
    try:
        text = path.read_bytes().decode("utf-8-sig").replace("\r\n", "\n")
        return tomllib.loads(text)
    except UnicodeDecodeError:
        findings.tell("not_utf_8", STUDY_FILE)
    except ValueError as error:  # TOMLDecodeError, and a number of thousands of digits
        what, remedy = toml_fault(text, error)
        findings.tell("no_toml", STUDY_FILE, what=what, remedy=remedy)
    except (OSError, RecursionError) as error:
        findings.tell("unreadable_study_file", STUDY_FILE, error=type(error).__name__)
    return {}


def nearest_key(key: str, known: list[str], where: str = "") -> str:
    """
    Return the key that was meant, with its table; "" for none.

    One that another table has; one that begins so; one that is like it, with its unit or without.

    >>> nearest_key("limt", [*TABLE_KEYS["margin"]], "margin.")
    'margin.limit_ml_kg_min'
    """
    plain = key.casefold()
    elsewhere = [f"{table}.{plain}" for table, keys in TABLE_KEYS.items() if plain in keys]
    if len(elsewhere) == 1 and where.rstrip(".") in ("", *TABLE_KEYS):
        return elsewhere[0]
    units = {unit.removeprefix(name) for name, unit in WITH_UNIT.items()}
    forms = {one: one for one in known}
    forms |= {one.removesuffix(unit): one for one in known for unit in units}
    begun = [one for one in known if len(plain) >= BEGUN and one.startswith(plain)]
    near = begun or [forms[one] for one in get_close_matches(plain, forms, n=1, cutoff=0.5)]
    return where + near[0] if near else ""


class _Reader:
    """Fills option tables from parsed TOML and says what does not fit."""

    def __init__(self, folder: Path, findings: Findings) -> None:
        self.folder = folder
        self.findings = findings

    def wrong(self, where: str, value: object, expected: str) -> None:
        """Record a value that does not fit its key."""
        shown = f'"{value}"' if isinstance(value, str) else str(value)
        shown = shown if len(shown) <= 60 else shown[:57] + "..."
        told: Words = {"key": where, "value": shown, "expected": expected}
        self.findings.tell("wrong_value", STUDY_FILE, **told)

    def unknown(self, found: dict[str, Any], known: list[str], where: str) -> None:
        """Record each unknown key, with the nearest known one."""
        for key, value in found.items():
            if key in known:
                continue
            near = nearest_key(key, known, where)
            told: Words = {
                "kind": "table" if isinstance(value, dict) else "key",
                "key": where + key,
            }
            if near:
                self.findings.tell("misspelt_key", STUDY_FILE, near=near, **told)
            else:
                self.findings.tell("unknown_key", STUDY_FILE, known=", ".join(known), **told)

    def table(
        self, content: dict[str, Any], name: str, prefix: str = "", *, quiet: bool = False
    ) -> dict[str, Any]:
        """Return a table of the file, empty when absent or no table."""
        found = content.get(name, {})
        if isinstance(found, dict):
            return found
        if not quiet:
            expected = f"must be a table, written [{prefix}{name}] on a line of its own"
            self.wrong(f"'{prefix}{name}'", found, expected)
        return {}

    def fill(self, start: Options, found: dict[str, Any], keys: Keys, where: str) -> Options:
        """Return `start` with the values found, checked; a table inside is read apart."""
        self.unknown(found, [*keys, *_INSIDE.get(where, ())], f"{where}.")
        checks = {key: one for key, (_, one) in keys.items() if key in found}
        good = self.checked(found, checks, where)
        return replace(start, **{keys[key][0]: value for key, value in good.items()})

    def checked(
        self, found: dict[str, Any], checks: Mapping[str, check.Check], where: str
    ) -> dict[str, Any]:
        """Return the values that pass their check, by key; record the others."""
        good = {}
        for key, one in checks.items():
            try:
                good[key] = one(found[key])
            except check.WrongValueError as error:
                self.wrong(f"'{where}.{key}'", found[key], str(error))
        return good

    def files(
        self, content: dict[str, Any], before: dict[str, FileFormat]
    ) -> dict[str, FileFormat]:
        """Return the tables ``[files.NAME]``, and those that a line ``"FILE" = "NAME"`` makes."""
        inputs = dict(self.table(content, "files"))
        for file, name in [(key, one) for key, one in inputs.items() if isinstance(one, str)]:
            del inputs[file]
            if file in INPUTS or name not in (*INPUTS, NO_TABLE):
                expected = f"must be one of: {', '.join((*INPUTS, NO_TABLE))}"
                self.wrong(f"'files.\"{file}\"'", name, expected)
            elif name != NO_TABLE:
                form = self.table(inputs, name, "files.")
                if (other := form.get("path", file)) != file:
                    two: Words = {"one": other, "other": file, "table": name}
                    self.findings.tell("two_files_said", STUDY_FILE, **two)
                inputs[name] = {**form, "path": file}
        self.unknown(inputs, list(INPUTS), "files.")
        result = {}
        for name in (one for one in inputs if one in INPUTS):
            found, start = self.table(inputs, name, "files."), before.get(name, FileFormat())
            result[name] = self.fill(start, found, _FILE, f"files.{name}")
            self.file_columns(name, result[name])
        return result

    def file_columns(self, name: str, one: FileFormat) -> None:
        """Check that columns, units and codes name columns that the table has."""
        known, where = list(INPUTS[name].columns), f"files.{name}"
        for key in ("columns", "units", "codes", "values"):
            stated = getattr(one, key)
            strange = [column for column in stated if column not in _ALL_COLUMNS]
            self.unknown(dict.fromkeys(strange), known, f"{where}.{key}.")
            for column in set(stated) - set(known) - set(strange):
                told: Words = {"key": f"{where}.{key}", "table": name, "ours": column}
                self.findings.tell("unused_key", STUDY_FILE, **told)
        for column, unit in one.units.items():
            if column in known and unit_of(column, unit) is None:
                names = ", ".join(unit_names(column)) or "none; the column has no unit"
                self.wrong(f"'{where}.units.{column}'", unit, f"must be one of: {names}")
        for column, codes in one.codes.items():
            allowed = INPUTS[name].columns[column].codes if column in known else ()
            for theirs, ours in codes.items():
                if allowed and ours not in allowed:
                    expected = f"must be one of: {', '.join(allowed)}"
                    self.wrong(f"'{where}.codes.{column}.{theirs}'", ours, expected)

    def across(self, options: StudyOptions, margin: dict[str, Any]) -> None:
        """Check what depends on more than one key: the margin's date, repeats, paths inside the folder."""
        stated = "limit_ml_kg_min" in margin or "mean_limit_ml_kg_min" in margin
        if stated and "agreed_on" not in margin:
            self.findings.tell("agreed_on_missing", STUDY_FILE)
        if "mean_limit_ml_kg_min" in margin and "limit_ml_kg_min" not in margin:
            self.findings.tell("limit_missing", STUDY_FILE)
        days, gap = options.reference.repeat_within_days, options.change.minimum_gap_days
        if days >= gap:
            self.findings.tell("repeats_far_apart", STUDY_FILE, days=days, gap=gap)
        paths = {f"files.{name}.path": one.path for name, one in options.files.items()}
        for key, path in {"study.id_map": options.study.id_map, **paths}.items():
            if path is not None and (problem := path_problem(self.folder, path)):
                self.findings.tell("stated_path_outside", STUDY_FILE, key=key, problem=problem)
