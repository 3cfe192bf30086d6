"""The recipe "Add a statistic": one file with a function and a record, and nothing else changes."""

import csv
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
TOY = '''
"""Range of the differences by decade of age."""

from dataclasses import dataclass

import pandas as pd

from agreement.stats.method_data import MethodData
from agreement.stats.record import recorded
from agreement.stats.result import Row, rows_frame


@dataclass(frozen=True, slots=True)
class RangeByDecade:
    """Largest less smallest difference of each decade of age. [mL/kg/min]."""

    pairs: pd.DataFrame

    def to_frame(self) -> pd.DataFrame:
        """Return a row for each decade."""
        frames = []
        for decade, own in self.pairs.groupby("age_years").groups.items():
            d = self.pairs.loc[own, "difference"]
            n = self.pairs.loc[own, "athlete_id"].nunique()
            row = Row.of("range_of_d", d.max() - d.min(), n=n, n_pairs=len(d))
            frames.append(rows_frame([row]).assign(group=decade))
        return pd.concat(frames)


def range_by_decade_of(data: MethodData) -> RangeByDecade:
    """Range of differences, for the results table."""
    decade = (data.pairs["age_years"] // 10 * 10).astype(int).astype(str)
    return RangeByDecade(data.pairs.assign(age_years=decade))


RECORD = recorded("""
    range_by_decade, place 100000, partition: range by decade
    range_of_d: range of differences
      Largest less smallest difference.
      = maximum of d less its minimum
    """).by(range_by_decade_of)
'''


@pytest.fixture(scope="module")
def package(tmp_path_factory):
    """A copy of the package with one file more."""
    root = tmp_path_factory.mktemp("recipe")
    for folder in ("agreement", "notebooks"):
        shutil.copytree(ROOT / folder, root / folder, ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copy(ROOT / "pyproject.toml", root)
    (root / "agreement" / "stats" / "causes" / "range_by_decade.py").write_text(TOY.lstrip())
    return root


@pytest.fixture(scope="module")
def study(package, small_study):
    """Fourteen people: three in their twenties, five in their thirties, six in their forties."""
    folder = small_study(package / "crew")
    ages = [25] * 3 + [35] * 5 + [45] * 6
    path = folder / "athletes.csv"
    rows = list(csv.DictReader(path.read_text().splitlines()))
    for row, age in zip(rows, ages, strict=True):
        row["age_years"] = str(age)
    with path.open("w", newline="") as file:
        writer = csv.DictWriter(file, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    return folder


def run(package, *arguments):
    environment = os.environ | {"PYTHONPATH": str(package)}
    command = [sys.executable, *arguments]
    done = subprocess.run(
        command, cwd=package, env=environment, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


def report(package, study, kind):
    folder = package / kind
    run(package, "-m", "agreement", "report", str(study), "--report", kind, "--out", str(folder))
    with (folder / "results.csv").open(newline="") as file:
        rows = [row for row in csv.DictReader(file) if row["analysis"] == "range_by_decade"]
    page = (folder / "report.html").read_text()
    return {row["group"]: row for row in rows}, page


def test_a_new_analysis_is_in_the_table_and_on_the_page(package, study):
    rows, page = report(package, study, "squad")
    assert list(rows) == ["20", "30", "40"]
    assert [row["n"] for row in rows.values()] == ["3", "5", "6"]
    (folded,) = re.findall(r"<details><summary>Further analyses.*?</details>", page, re.DOTALL)
    for group, row in rows.items():
        shown = f'data-statistic="range_by_decade/wrist/run/{group}/range_of_d">'
        assert f"{shown}{float(row['value']):.1f}<" in folded
    assert "Range by decade (mL/kg/min)</caption>" in folded
    assert "maximum of d less its minimum" in folded


@pytest.mark.slow
def test_an_audit_withholds_its_small_groups_and_what_would_tell_of_them(package, study):
    rows, page = report(package, study, "audit")
    assert rows["20"]["value"] == rows["30"]["value"] == ""
    assert rows["20"]["note"].startswith("suppressed")
    assert float(rows["40"]["value"]) > 0  # eight people stay behind it
    assert 'range_by_decade/wrist/run/40/range_of_d">' in page
    assert "range_by_decade/wrist/run/20/range_of_d" not in page


@pytest.mark.slow
def test_it_has_a_formula_and_words_and_can_be_compared_with_a_printed_one(package):
    said = run(
        package,
        "-c",
        "from agreement.stats.catalogue import describe; print(describe('range_of_d'));"
        "from agreement.report.sections.further import every_formula; print(every_formula()[-2]);"
        "from agreement.report.run.published_file import PUBLISHABLE as names;"
        "print(names['range_by_decade'])",
    )
    described, formula, names = said.rsplit("\n", 3)[:3]
    assert "Largest less smallest difference." in described
    assert "maximum of d less its minimum" in formula
    assert names == "('range_of_d', 'n', 'n_pairs')"
