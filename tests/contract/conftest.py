"""A study folder by the contract, the tool as a black box, and its tables read back."""

import contextlib
import csv
import datetime as dt
import io
import json
import subprocess
import sys
import warnings
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from agreement.errors import AgreementWarning

ID_COLUMNS = ("athlete_id", "lab_test_id", "id", "group", "method", "note", "tag")
PROFILES = {"base": 14, "long": 12, "short": 7, "few": 4, "not enough data": 2}
FIRST_DAY = dt.date(2026, 3, 2)  # day 0 of the studies below, a Monday


def day(number: int, clock: str = "") -> str:
    """Return day `number` of the study as a date, or with `clock` as a time."""
    date = (FIRST_DAY + dt.timedelta(days=number)).isoformat()
    return f"{date}T{clock}" if clock else date


@dataclass(frozen=True)
class Ran:
    """What one run of the tool left behind."""

    code: int
    stdout: str
    stderr: str


def run_here(*arguments: object) -> Ran:
    """Run the command line inside this process: quick."""
    from agreement.cli import main

    out, err = io.StringIO(), io.StringIO()
    before = sys.argv
    sys.argv = ["agreement", *map(str, arguments)]
    try:
        with (
            contextlib.redirect_stdout(out),
            contextlib.redirect_stderr(err),
            warnings.catch_warnings(),
        ):
            warnings.simplefilter("ignore", AgreementWarning)
            code = main()
    except SystemExit as end:
        code = end.code
    finally:
        sys.argv = before
    return Ran(int(code or 0), out.getvalue(), err.getvalue())


def run_apart(*arguments: object, cwd: Path | None = None) -> Ran:
    """Run the command line as its own process: streams and exit codes as a user sees them."""
    command = [sys.executable, "-m", "agreement", *map(str, arguments)]
    done = subprocess.run(command, capture_output=True, text=True, check=False, cwd=cwd)
    return Ran(done.returncode, done.stdout, done.stderr)


def read_table(path: Path) -> pd.DataFrame:
    """Read one of the tool's own tables; ids stay text and an id NA stays NA."""
    raw = pd.read_csv(path, dtype=str, keep_default_na=False)
    for column in raw:
        if column not in ID_COLUMNS:
            number = pd.to_numeric(raw[column].replace("", "nan"), errors="coerce")
            if (number.notna() | (raw[column] == "")).all() and column != "lab_date":
                raw[column] = number
    return raw


@dataclass(frozen=True)
class Paired:
    """The three tables that `pair` writes."""

    pairs: pd.DataFrame
    exclusions: pd.DataFrame
    flow: pd.DataFrame

    def one(self, **where: object) -> pd.Series:
        """Return the single pair that agrees with `where`."""
        hit = self.pairs
        for column, value in where.items():
            hit = hit[hit[column] == value]
        assert len(hit) == 1, f"{len(hit)} pairs where {where}:\n{self.pairs.to_string()}"
        return hit.iloc[0]

    def reasons(self, file: str = "field_estimates.csv") -> dict[int, str]:
        """Return row -> reason of one file, leaving out withdrawn lines."""
        hit = self.exclusions[(self.exclusions.file == file) & self.exclusions.row.notna()]
        return {int(row): reason for row, reason in zip(hit.row, hit.reason, strict=True)}

    def counts(self, file: str) -> tuple[int, int, int, int]:
        """Return rows_read, used, summarised, excluded of one file."""
        line = self.flow[self.flow.file == file]
        assert len(line) == 1, self.flow.to_string()
        names = ["rows_read", "used", "summarised", "excluded"]
        return tuple(int(x) for x in line[names].iloc[0])


@dataclass(frozen=True)
class Checked:
    """What `check --json` says."""

    code: int
    problems: list[dict]

    def find(self, **where: object) -> list[dict]:
        """Return the problems that agree with `where`."""
        return [p for p in self.problems if all(p[k] == v for k, v in where.items())]

    def places(self, severity: str) -> set[tuple[object, object, object]]:
        """Return (file, row, column) of every problem of one severity."""
        return {(p["file"], p["row"], p["column"]) for p in self.find(severity=severity)}

    def text(self, severity: str | None = None) -> str:
        """Return what and remedy of all problems as one text."""
        return "\n".join(
            f"{p['what']} {p['remedy']}" for p in self.problems if severity in (None, p["severity"])
        )


class Numbers:
    """The results table, asked one number at a time."""

    def __init__(self, frame: pd.DataFrame) -> None:
        self.frame = frame

    def row(
        self,
        analysis: str,
        statistic: str,
        *,
        group: str = "all",
        method: str = "m",
        mode: object = None,
    ) -> pd.Series:
        """Return the one row of a statistic."""
        f = self.frame
        hit = f[
            (f.analysis == analysis)
            & (f.statistic == statistic)
            & (f.method == method)
            & (f.group.fillna("all").astype(str) == group)
        ]
        if mode is not None:
            hit = hit[hit["mode"] == mode]
        assert len(hit) == 1, f"{len(hit)} rows for {analysis}/{method}/{group}/{statistic}"
        return hit.iloc[0]

    def value(self, analysis: str, statistic: str, **where: object) -> float:
        """Return the value of a statistic."""
        return float(self.row(analysis, statistic, **where)["value"])

    def interval(self, analysis: str, statistic: str, **where: object) -> tuple[float, float]:
        """Return low and high of a statistic."""
        row = self.row(analysis, statistic, **where)
        return float(row["low"]), float(row["high"])


class Study:
    """A study folder in the making; rows are written as given, as text."""

    def __init__(self, parent: Path) -> None:
        self.parent = parent
        self.root = parent / "study"
        self.root.mkdir()
        self.zone = "UTC"
        self.study_keys = ""
        self.toml = ""
        self.rows: dict[str, list[dict]] = {}
        self.runs = 0

    # --- rows -----------------------------------------------------------------------------------

    def lab(self, athlete: str, date: int | str, value: object = 50.0, **more: object) -> "Study":
        """Add a laboratory test on a day of the study (or a date as text)."""
        rows = self.rows.setdefault("lab_tests", [])
        when = day(date) if isinstance(date, int) else date
        row = {"lab_test_id": f"T{len(rows) + 1}", "athlete_id": athlete, "date": when}
        row |= {"mode": "run", "vo2max_ml_kg_min": value, "averaging_rule": "moving 30 s"}
        rows.append(row | more)
        return self

    def reading(
        self, athlete: str, when: int | str, value: object = 52.0, **more: object
    ) -> "Study":
        """Add a field estimate at nine o'clock on a day of the study (or a time as text)."""
        taken = day(when, "09:00:00") if isinstance(when, int) else when
        row = {"athlete_id": athlete, "taken_at": taken, "method": "m", "mode": "run"}
        row |= {"vo2max_ml_kg_min": value, "sensor": "chest_strap"}
        self.rows.setdefault("field_estimates", []).append(row | more)
        return self

    def two(self, athlete: str, test_day: int, value: float, **more: object) -> "Study":
        """Add two readings around `value` before a test, so that their mean is exact."""
        self.reading(athlete, test_day - 3, value - 0.125, **more)
        return self.reading(athlete, test_day - 1, value + 0.125, **more)

    def athlete(self, athlete: str, **more: object) -> "Study":
        """Add a row of `athletes`."""
        self.rows.setdefault("athletes", []).append({"athlete_id": athlete} | more)
        return self

    def field_test(self, athlete: str, when: int, protocol: str, **more: object) -> "Study":
        """Add a row of `field_tests`."""
        row = {"athlete_id": athlete, "date": day(when), "protocol": protocol}
        self.rows.setdefault("field_tests", []).append(row | more)
        return self

    def session(self, athlete: str, when: int, **more: object) -> "Study":
        """Add a row of `sessions`."""
        rows = self.rows.setdefault("sessions", [])
        row = {"session_id": f"S{len(rows) + 1}", "athlete_id": athlete, "mode": "run"}
        row |= {"started_at": day(when, "07:00:00"), "duration_min": 60, "sensor": "chest_strap"}
        rows.append(row | more)
        return self

    # --- files ----------------------------------------------------------------------------------

    def text(self, name: str, content: str | bytes) -> "Study":
        """Write one file of the folder as given."""
        path = self.root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        return self

    def table_text(self, name: str, delimiter: str = ",") -> str:
        """Return the rows of one table as delimited text."""
        rows = self.rows[name]
        columns = list(dict.fromkeys(column for row in rows for column in row))
        out = io.StringIO()
        writer = csv.DictWriter(out, columns, delimiter=delimiter, lineterminator="\n", restval="")
        writer.writeheader()
        writer.writerows(rows)
        return out.getvalue()

    def save(self) -> Path:
        """Write study.toml and every table that no file was written for by hand."""
        zone = f'time_zone = "{self.zone}"\n' if self.zone else ""
        if not (self.root / "study.toml").exists():
            self.text("study.toml", f"[study]\n{zone}{self.study_keys}\n{self.toml}\n")
        for name in self.rows:
            if not list(self.root.glob(f"{name}.*")) and f"[files.{name}]\npath" not in self.toml:
                self.text(f"{name}.csv", self.table_text(name))
        return self.root

    # --- runs -----------------------------------------------------------------------------------

    def check(self) -> Checked:
        """Run `check --json`."""
        ran = run_here("check", self.save(), "--json")
        return Checked(ran.code, json.loads(ran.stdout))

    def pair(self) -> Paired:
        """Run `pair`."""
        self.runs += 1
        out = self.parent / f"out{self.runs}"
        ran = run_here("pair", self.save(), "--out", out)
        assert ran.code == 0, ran.stderr
        names = ("pairs", "exclusions", "flow")
        return Paired(*(read_table(out / f"{name}.csv") for name in names))

    def numbers(self) -> Numbers:
        """Compute the results table."""
        from agreement.cohort import read_cohort

        with warnings.catch_warnings():
            warnings.simplefilter("ignore", AgreementWarning)
            return Numbers(read_cohort(self.save()).results.frame)


@pytest.fixture
def study(tmp_path: Path) -> Study:
    """Return an empty study folder."""
    return Study(tmp_path)


@pytest.fixture(scope="session")
def new_study(tmp_path_factory: pytest.TempPathFactory):
    """Return a maker of study folders that live as long as the run."""
    return lambda: Study(tmp_path_factory.mktemp("contract"))


@pytest.fixture(scope="session")
def run():
    """Return the runner of the command line as its own process."""
    return run_apart


@pytest.fixture(scope="session")
def run_quickly():
    """Return the runner of the command line inside this process."""
    return run_here


@pytest.fixture(scope="session")
def date_of():
    """Return the function from a day's number to its date."""
    return day


@pytest.fixture(scope="session")
def read_csv():
    """Return the reader of the tool's own tables."""
    return read_table


@pytest.fixture(scope="session")
def data():
    """39 athletes with the field reading high, more so in one profile; three decimals."""
    rng = np.random.default_rng(20260311)
    profile = [name for name, size in PROFILES.items() for _ in range(size)]
    lab = rng.normal(52, 6, len(profile)).round(3)
    shift = np.array([2.5 if p == "long" else 0.5 for p in profile])
    field = (lab * 0.9 + 5 + shift + rng.normal(0, 2, len(profile))).round(3)
    other = (lab * 0.95 + 3 + rng.normal(0, 3, len(profile))).round(3)
    frame = pd.DataFrame({"profile": profile, "lab": lab, "field": field, "other": other})
    frame["d"] = frame.field - frame.lab
    frame["mean"] = (frame.field + frame.lab) / 2
    return frame


@pytest.fixture(scope="session")
def numbers(data, new_study):
    """Return the results of that squad: margin 6, for the mean 3; a second method b for 30."""
    study = new_study()
    study.toml = """
[margin]
limit_ml_kg_min = 6
mean_limit_ml_kg_min = 3
agreed_on = 2026-01-10
[profile]
use = "stated"
"""
    for i, row in enumerate(data.itertuples()):
        athlete = f"A{i:02}"
        study.athlete(athlete, training_profile=row.profile, hr_limiting_drug="no")
        study.lab(athlete, 40, row.lab, plateau="yes" if i % 2 else "unknown")
        study.two(athlete, 40, row.field, sensor="chest_strap" if i < 15 else "wrist_optical")
        if i < 30:
            study.two(athlete, 40, row.other, method="b")
    return study.numbers()
