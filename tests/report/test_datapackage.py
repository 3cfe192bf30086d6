"""datapackage.json: every column and statistic of the output in words, in a published form."""

import json

import pandas as pd

from agreement.report.run.explaining import explained
from agreement.report.run.exports import write_made, write_tables
from agreement.stats.catalogue import BY_NAME
from agreement.stats.studies.history import COLUMNS as HISTORY_COLUMNS
from agreement.terms import OUTPUT_COLUMNS, RESULT_COLUMNS

RESULTS = pd.DataFrame(
    [
        ("limits_of_agreement", "wrist", "run", "all", "bias", -3.4, -4.1, -2.9, "mL/kg/min", 20, 31, ""),
        ("of_nobody", "wrist", "run", "all", "bias", 1.0, 0.1, 2.0, "mL/kg/min", 20, 31, ""),
    ],
    columns=RESULT_COLUMNS,
)  # fmt: skip


def test_every_column_of_the_output_has_words():
    assert all(words for columns in OUTPUT_COLUMNS.values() for words in columns.values())
    assert list(OUTPUT_COLUMNS["history"]) == list(HISTORY_COLUMNS)
    assert "a column of athlete_cards.csv" in explained("lab_equivalent")
    assert "what to do" in explained("message")


def test_a_number_without_a_unit_is_not_told_in_ones():
    assert explained("stage") == "stage: a column of field_tests; 0 to 30 are taken."
    assert "; as `units` says in fraction, %, percent; -0.5 to 0.5 are taken." in explained("grade")
    assert "; in L/min, or as `units` says in mL/kg/min, " in explained("vo2max_l_min")
    assert "; in m, or as `units` says in km, mile, " in explained("distance_m")


def test_a_package_describes_its_files_as_the_standard_asks(tmp_path):
    """Data Package 2.0 (datapackage.org): a name, resources with name and path, fields with types."""
    write_tables({"results": RESULTS}, tmp_path)
    told = json.loads((tmp_path / "datapackage.json").read_text(encoding="utf-8"))
    assert told["$schema"] == "https://datapackage.org/profiles/2.0/datapackage.json"
    (results,) = told["resources"]
    assert (tmp_path / results["path"]).is_file()
    fields = {field["name"]: field["type"] for field in results["schema"]["fields"]}
    assert list(fields) == list(pd.read_csv(tmp_path / "results.csv").columns)
    assert fields["value"] == "number"
    assert fields["n"] == "integer"
    assert results["schema"]["missingValues"] == [""]


def test_only_statistics_that_stand_in_the_results_are_told(tmp_path):
    write_made({}, RESULTS, tmp_path)
    told = json.loads((tmp_path / "datapackage.json").read_text(encoding="utf-8"))
    assert [(one["analysis"], one["statistic"]) for one in told["statistics"]] == [
        ("limits_of_agreement", "bias")
    ]
    (bias,) = (s for s in BY_NAME["limits_of_agreement"].statistics if s.name == "bias")
    assert told["statistics"][0]["formula"] == bias.formula
    assert "1986" in told["statistics"][0]["source"]
