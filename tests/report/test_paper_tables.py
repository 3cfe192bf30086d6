"""Tables for papers: the numbers of results.csv, rounded as declared, in four forms."""

import json

import pandas as pd
import pytest
from openpyxl import load_workbook

from agreement.errors import AgreementError
from agreement.report.run.paper_tables import paper_tables, write_paper_tables
from agreement.terms import RESULT_COLUMNS

ROWS = [
    # analysis, method, mode, group, statistic, value, low, high, unit, n, n_pairs, note
    ("limits_of_agreement", "wrist_a & b", "run", "all", "bias", -3.456, -4.1, -2.9, "mL/kg/min", 20, 31, ""),
    ("limits_of_agreement", "wrist_a & b", "run", "all", "lower_limit", -9.04, -10, -8, "mL/kg/min", 20, 31, ""),
    ("limits_of_agreement", "step", "step", "all", "bias", None, None, None, "mL/kg/min", 4, 4, "too_few"),
    ("error", "wrist_a & b", "run", "all", "share_within_margin", 0.625, None, None, "1", 20, 31, ""),
]  # fmt: skip


@pytest.fixture
def report(tmp_path, monkeypatch):
    folder = tmp_path / "squad"
    folder.mkdir()
    (folder / "provenance.json").write_text(json.dumps({"written_by": "agreement"}))
    pd.DataFrame(ROWS, columns=RESULT_COLUMNS).to_csv(folder / "results.csv", index=False)
    monkeypatch.chdir(tmp_path)
    return folder


def test_cells_are_rounded_as_the_statistic_declares_and_empty_methods_leave():
    limits, error = paper_tables(pd.DataFrame(ROWS, columns=RESULT_COLUMNS))
    assert limits.cells["method"].tolist() == ["wrist_a & b"]
    assert limits.cells["bias (mL/kg/min)"].tolist() == ["\u22123.5 (\u22124.1 to \u22122.9)"]
    assert limits.cells["n"].tolist() == ["20 (31)"]
    assert error.cells.iloc[0, -1] == "0.62"
    assert limits.caption == "Table 1. Bias and limits of agreement."
    assert any("1986" in source for source in limits.sources)


def test_an_interval_without_an_end_and_a_probability_are_said_as_on_the_page():
    of = ("wrist", "run", "all")
    end = "unbounded; assumed"
    rows = [
        ("change", *of, "responsiveness", 1.07, None, None, "1", 20, 20, end),
        ("change", *of, "p_no_response", 0.00002, None, None, "1", 20, 20, ""),
        ("change", *of, "smallest_real_change", 7.0, 0.0, 11.6, "mL/kg/min", 20, 40, "assumed"),
        ("profile_bias", "wrist", "run", "x", "p_beyond_mean_limit", 0.004, None, None, "1", 7, 7, ""),
        ("change", "belt", "run", "all", "responsiveness", 0.8, 0.3, None, "1", 20, 20, end),
    ]  # fmt: skip
    profiles, changes = paper_tables(pd.DataFrame(rows, columns=RESULT_COLUMNS))
    assert changes.cells["field change per unit of true change"].tolist() == [
        "1.07 (no end set by the data)",
        "0.80 (at least 0.30)",
    ]
    assert changes.cells["p of no response"].tolist() == ["below 0.001", "\u2013"]
    assert profiles.cells.iloc[0, -1] == "below 0.01"
    assert changes.note.endswith(
        "Field change per unit of true change; smallest real change, with the laboratory's error as "
        "declared, not measured here."
    )
    assert "declared" not in profiles.note


def test_a_source_is_named_once():
    rows = [
        ("repeatability", "laboratory", "run", "all", "typical_error", 1.8, *"  ", "", 0, 0, "")
    ]
    frame = pd.DataFrame(rows, columns=RESULT_COLUMNS).replace(" ", None)
    (table,) = paper_tables(frame)
    assert table.sources == ("Bland & Altman 1996", "Hopkins 2000")


def test_the_four_forms_hold_the_same_numbers(report):
    docx = pytest.importorskip("docx")
    kinds = ["xlsx", "docx", "tex", "md"]
    written = write_paper_tables(report, dict.fromkeys(kinds, True))
    assert [path.name for path in written] == [f"squad-tables.{kind}" for kind in kinds]
    sheet = load_workbook("squad-tables.xlsx")["limits_of_agreement"]
    assert sheet["A1"].value == "Table 1. Bias and limits of agreement."
    assert [c.value for c in sheet[3]][3] == "\u22123.5 (\u22124.1 to \u22122.9)"
    assert sheet["A2"].font.bold
    grid = docx.Document("squad-tables.docx").tables[0]
    assert grid.rows[1].cells[3].text == "\u22123.5 (\u22124.1 to \u22122.9)"
    tex = (report.parent / "squad-tables.tex").read_text(encoding="utf-8")
    assert r"wrist\_a \& b" in tex
    assert "$-$3.5 ($-$4.1 to $-$2.9)" in tex
    assert r"\caption{Bias and limits of agreement.}" in tex
    assert "| wrist_a & b | run | 20 (31) | \u22123.5 (\u22124.1 to \u22122.9) |" in (
        report.parent / "squad-tables.md"
    ).read_text(encoding="utf-8")
    assert sorted(p.name for p in report.iterdir()) == ["provenance.json", "results.csv"]


def test_results_are_written_as_the_study_writes_its_own_files(report):
    forms = {"lab_tests": {"separator": ";", "decimal": ","}, "athletes": {"decimal": None}}
    told = {"written_by": "agreement", "options": {"files": forms}}
    (report / "provenance.json").write_text(json.dumps(told))
    (path,) = write_paper_tables(report, {"csv": True})
    assert path.name == "squad-results.csv"
    lines = path.read_text(encoding="utf-8-sig").splitlines()
    assert lines[0].split(";") == list(RESULT_COLUMNS)
    assert "-3,456;-4,1;-2,9" in lines[1]
    same = pd.read_csv(path, sep=";", decimal=",", keep_default_na=False, na_values={"value": [""]})
    assert same["value"][0] == -3.456


def test_withheld_groups_of_an_audit_leave_and_counts_stay_whole_numbers(report):
    frame = pd.read_csv(report / "results.csv", keep_default_na=False)
    gone = dict.fromkeys(("value", "low", "high", "n", "n_pairs"), "") | {"group": "confirmed"}
    hidden = frame.head(2).astype(object).assign(**gone, note="suppressed: few")
    pd.concat([frame, hidden]).to_csv(report / "results.csv", index=False)
    write_paper_tables(report, {"md": True, "csv": True})
    words, lines = (
        (report.parent / f"squad-{name}").read_text(encoding="utf-8-sig")
        for name in ("tables.md", "results.csv")
    )
    assert "| wrist_a & b | run | 20 (31) |" in words
    assert "confirmed" not in words
    assert "mL/kg/min,20,31,\n" in lines
    assert lines.endswith("confirmed,lower_limit,,,,mL/kg/min,,,suppressed: few\n")


def test_what_cannot_be_written_is_said(report, tmp_path):
    with pytest.raises(AgreementError, match="--xlsx, --docx"):
        write_paper_tables(report, {})
    with pytest.raises(AgreementError, match="holds no report"):
        write_paper_tables(tmp_path, {"md": True})


def test_methods_and_groups_are_called_as_on_the_page_and_not_by_their_keys(report):
    told = {"written_by": "agreement", "options": {"methods": {"wrist_a & b": {"label": "Band"}}}}
    (report / "provenance.json").write_text(json.dumps(told))
    frame = pd.read_csv(report / "results.csv", keep_default_na=False)
    more = frame.head(1).assign(method="run_12min_1968", group="no_hr_limiting_drug")
    pd.concat([frame, more]).to_csv(report / "results.csv", index=False)
    write_paper_tables(report, {"md": True})
    text = (report.parent / "squad-tables.md").read_text(encoding="utf-8")
    assert "| Band | run | all |" in text
    assert "| 12-minute run, 1968 | run | no heart-rate-limiting drug, as stated |" in text
    assert "no source" not in text
