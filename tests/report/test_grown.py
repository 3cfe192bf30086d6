"""A study that grows: history.csv, the run chart, and what a report tells of the one before it."""

import json
import re

import numpy as np
import pandas as pd
import pytest
from printed import wrong_numbers

from agreement.report.privacy.view import released_history
from agreement.report.run.rerun import verified
from agreement.report.run.write import write_report
from agreement.report.studies.grown import Grown, made_from
from agreement.stats.studies.history import COLUMNS, continued, history_lines, looks, steps
from agreement.tables.options import Margin


def line(n, bias=1.0, *, date="2026-03-01", method="w", verdict="undecided", made=None, pairs=None):
    made = made or f"{n}-{bias}"
    row = [date, method, "run", n, pairs or n, bias, bias - 5, bias + 5, verdict, 1, made]
    return pd.DataFrame([row], columns=COLUMNS)


def history(*lines, shown=lambda every: every):
    found = pd.DataFrame(columns=COLUMNS)
    for one in lines:
        found = shown(continued(found, one))
    return found


def test_the_same_report_again_changes_nothing():
    first = history(line(12), line(15, date="2026-04-01"))
    again = continued(first, line(15, date="2026-05-01"))
    pd.testing.assert_frame_equal(again, first)


def test_an_audit_tells_no_two_reports_apart_by_fewer_than_five_people():
    found = history(line(12), line(14), line(20), line(23), line(25), shown=released_history)
    shown = found.loc[found["bias"].notna(), "n"]
    assert list(shown) == [14, 25]
    five = history(line(20, made="a"), line(25, made="b"), shown=released_history)
    assert five["bias"].notna().all()
    every = history(*(line(n, made=str(n)) for n in range(1, 20)), shown=released_history)[
        "n"
    ].dropna()
    assert every.min() >= 5
    assert (np.diff(np.sort(every)) >= 5).all()


def test_pairs_added_to_the_same_people_are_hidden_in_an_audit():
    found = history(
        line(12, pairs=12, made="a"), line(12, pairs=13, made="b"), shown=released_history
    )
    assert list(found["bias"].notna()) == [False, True]


def test_a_method_that_came_or_went_is_no_step():
    found = history(line(12), line(15, method="v"))
    assert steps(found) == []
    assert [one.method for one in steps(history(line(12), line(15)))] == ["w"]


def test_a_report_under_another_title_is_the_same_report():
    def made(**study):
        told = {"inputs": [], "options": {"study": {"title": "", "question": ""} | study}}
        return made_from(told, pd.DataFrame({"value": [1.0]}))

    assert made(title="Spring") == made(question="Which?") == made()
    assert made(time_zone="UTC") != made()


def test_nothing_is_said_of_a_method_that_stayed_as_it_was():
    first = line(12, bias=1 / 3, made="a")
    read_back = first.assign(bias=float(f"{1 / 3:.12g}"))
    assert steps(history(read_back, line(12, bias=1 / 3, made="b"))) == []
    assert len(steps(history(first, line(12, bias=1 / 3, made="b", verdict="acceptable")))) == 1
    assert len(steps(history(first, line(12, bias=1 / 3, made="b", pairs=13)))) == 1
    assert steps(history(line(12, bias=np.nan, made="a"), line(12, bias=np.nan, made="b"))) == []


def test_looks_count_verdicts_on_other_pairs():
    found = history(line(12), line(12, bias=1.1), line(15), line(15, bias=2.0), line(18))
    assert looks(found, "w", "run") == 3


def test_lines_come_from_the_results_and_a_withheld_bias_withholds_its_count():
    rows = [
        ("limits_of_agreement", "bias", 1.5, 20, 22, ""),
        ("limits_of_agreement", "lower_limit", -4.0, 20, 22, ""),
        ("limits_of_agreement", "upper_limit", 7.0, 20, 22, ""),
        ("verdict", "within_margin", np.nan, 20, 22, "undecided; skewed; true value"),
    ]
    frame = pd.DataFrame(rows, columns=["analysis", "statistic", "value", "n", "n_pairs", "note"])
    results = frame.assign(method="w", mode="run", group="all")
    told = history_lines(results, date="2026-03-01", look=2, provenance="a").iloc[0]
    assert tuple(told) == (
        *("2026-03-01", "w", "run", 20, 22, 1.5, -4.0, 7.0, "undecided", 2, "a"),
    )
    hidden = results.assign(value=np.nan)
    told = history_lines(hidden, date="2026-03-01", look=2, provenance="a").iloc[0]
    assert told[["n", "n_pairs", "bias"]].isna().all()


def test_the_run_charts_of_two_methods_share_their_values_and_not_their_number():
    found = history(line(12), line(15, date="2026-04-01"))
    other = history(*(line(n, bias=n - 9.0, method="v") for n in (9, 10, 11)))
    every = pd.concat([found, other], ignore_index=True)
    (drawn,), words = Grown(every, Margin(5.0), "{}, {}".format).section()
    first, second = drawn.drawn_at(3.6).axes[:2]
    assert first.get_ylim() == second.get_ylim()
    assert first.get_xlim() != second.get_xlim()
    assert words.html.count("<tr>") == 1 + len(every)


@pytest.mark.slow
def test_an_audit_without_a_method_holds_no_history_of_a_report_with_people(small_study, tmp_path):
    study, out = small_study(tmp_path / "crew", athletes=3), tmp_path / "report"
    assert (write_report(study, out, kind="brief").folder / "history.csv").exists()
    values = study / "field_estimates.csv"
    values.write_text(values.read_text().splitlines()[0] + "\n")
    files = write_report(study, out, kind="audit").files
    assert "results.csv" in files
    assert "history.csv" not in files


@pytest.mark.slow
def test_a_growing_study_tells_what_is_new_and_verifies(small_study, tmp_path):
    out = tmp_path / "report"
    for athletes in (14, 16):
        study = small_study(tmp_path / str(athletes) / "crew", athletes=athletes, visits=1)
        if athletes == 16:
            path = study / "field_estimates.csv"
            field = pd.read_csv(path).assign(vo2max_ml_kg_min=lambda f: f["vo2max_ml_kg_min"] + 1.5)
            field.to_csv(path, index=False)
        written = write_report(study, out)
    assert "since the report of" in written.remarks[0]
    assert "16 athletes (14 then)" in written.remarks[0]
    assert (
        "The verdict was taken 2 times on other pairs, with 1 look planned." in written.remarks[0]
    )
    kept = pd.read_csv(out / "history.csv")
    assert list(kept.columns) == list(COLUMNS)
    assert list(kept["n"]) == [14, 16]
    page = (out / "report.html").read_text(encoding="utf-8")
    assert "Earlier reports of this study" in page
    assert (out / "figures" / "history.svg").exists()
    results = pd.read_csv(out / "results.csv", keep_default_na=False, na_values=[""])
    assert wrong_numbers(page, results)[0] == []
    words = re.search(r"mL/kg/min in the report of [\d-]+, (<span [^>]+>)", page)[1]
    assert words == '<span data-statistic="limits_of_agreement/wrist/run/all/bias">'
    again = write_report(study, out)
    assert again.remarks == written.remarks
    pd.testing.assert_frame_equal(pd.read_csv(out / "history.csv"), kept)
    assert verified(out, study).differences == ()
    audit = write_report(study, out, kind="audit").folder
    assert list(pd.read_csv(audit / "history.csv")["n"]) == [16]  # not that of a report with people
    assert json.loads((audit / "provenance.json").read_text())["kind"] == "audit"
