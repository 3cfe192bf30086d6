"""The reasons of what was left out add up with the count of rows by file."""

import re

import pandas as pd
import pytest
from opened import Opened

from agreement.errors import Problem
from agreement.report.privacy.left_out import counted_lines, rows_by_reason
from agreement.report.privacy.view import released_problems
from agreement.report.run.exports import write_tables
from agreement.report.run.own_report import ledger_counts, seal
from agreement.report.run.provenance import write_provenance
from agreement.report.sections.ledger import files_block, left_out_block, remarks


@pytest.fixture(scope="module")
def shown(demo):
    return Opened(demo)


def numbers(cell):
    return [int(number) for number in re.findall(r"(?:^|>)(\d+)(?=<)", cell)]


def test_the_reasons_add_up_to_what_the_flow_says_was_left_out(shown):
    table = shown.left_out().html.partition("<details>")[0]
    rows = re.findall(r'<td class="number">(.*?)</td>', table)
    total = sum(sum(numbers(f">{row}<")) for row in rows)
    assert total == shown.cohort.flow["excluded"].sum() > len(shown.cohort.exclusions)


def test_a_withdrawn_line_counts_its_rows_and_other_lines_one():
    lines = pd.DataFrame(
        {
            "file": "sessions.csv",
            "row": pd.array([None, None, 7], dtype="Int64"),
            "id": [None, "A1", None],
            "reason": ["withdrawn", "no_mass", "withdrawn"],
            "message": ["58 rows removed at the participant's own request.", "9 rows", "4 rows"],
        }
    )
    assert rows_by_reason(lines)["rows"].tolist() == [58, 1, 1]
    assert ">58<" in left_out_block(lines.head(1), ()).html


def test_the_ledger_of_a_report_counts_rows_and_names_every_reason(demo, tmp_path):
    write_tables({"exclusions": demo.exclusions, "flow": demo.flow}, tmp_path)
    write_provenance({"written_by": "agreement", "kind": "squad", "options": {}}, tmp_path)
    seal(tmp_path)
    told = ledger_counts(tmp_path).set_index("reason")
    assert told["rows"].sum() == pd.read_csv(tmp_path / "flow.csv")["excluded"].sum()
    lines = pd.read_csv(tmp_path / "exclusions.csv")["reason"].value_counts()
    assert told["rows"]["withdrawn"] > lines["withdrawn"]  # one line for all of a file
    few = pd.DataFrame({"file": ["a.csv", "b.csv"], "reason": "withheld", "rows": [7, 5]})
    counted_lines(few).to_csv(tmp_path / "exclusions.csv", index=False)  # as of an audit
    seal(tmp_path)
    (line,) = ledger_counts(tmp_path).itertuples(index=False)
    assert (line.rows, line[2][:27]) == (12, "for reasons that are withhe")


def test_the_count_of_unconfirmed_tests_is_the_same_in_both_places(shown):
    (action,) = re.findall(
        r"maximal: (\d+) laboratory tests behind a pair", shown.next_steps().html
    )
    (total, used) = re.findall(r"Of the (\d+) not confirmed, (\d+) are", shown.maxima().html)[0]
    assert action == used
    assert int(used) <= int(total)


def test_a_maximal_heart_rate_that_was_none_is_not_to_be_set_in_a_device(shown):
    told = re.sub("<[^>]+>", "", shown.next_steps().html)
    (correct,) = re.findall("Correct the maximal heart rate set in the device of (.+?):", told)
    (look,) = re.findall(
        "Look at the maximal heart rate that the laboratory has of (.+?) bef", told
    )
    assert "S020" in look  # 148 bpm at an age that lets expect 183
    assert "S020" not in correct
    assert "screening allows it" in told  # no second maximal test for whom it may harm


def test_the_command_that_shows_notes_can_be_typed():
    flow = pd.DataFrame({"excluded": [0]})
    notes = [Problem("note", "trimmed", "lab.csv", n, "mode", "Blanks.", "") for n in (2, 3)]
    nothing = "Nothing was left out."
    assert remarks(flow, tuple(notes[:1]), "the crew") == [
        f"{nothing} 1 note on the files: 'agreement check \"the crew\"' shows it."
    ]
    assert remarks(flow, tuple(notes), "crew") == [
        f"{nothing} 2 notes on the files: 'agreement check crew' shows them."
    ]


def test_what_was_confirmed_is_printed_with_reason_and_day_in_an_audit_without_the_evidence():
    said = "Confirmed on 2026-06-01: seen by two of us."
    twins = Problem("note", "twins", "lab.csv", None, None, "'A1' and 'B1' are equal.", said)
    other = Problem("note", "trimmed", "lab.csv", 2, "mode", "Blanks.", "Nothing to do.")
    nothing = pd.DataFrame(columns=["file", "row", "id", "reason", "message"])
    page = re.sub("</?span[^>]*>", "", left_out_block(nothing, (twins, other)).html)
    assert all(one in page for one in ("&#39;A1&#39; and &#39;B1&#39;", said, "1 note on"))
    audit = re.sub(
        "</?span[^>]*>", "", left_out_block(nothing, released_problems((twins, other))).html
    )
    assert "two ids carry the numbers of one person" in audit
    assert "Confirmed on 2026-06-01<" in audit
    assert "A1" not in audit


def test_nothing_was_left_out_is_said():
    nothing = pd.DataFrame(columns=["file", "row", "id", "reason", "message"])
    assert "Nothing was left out." in left_out_block(nothing, ()).html


def test_a_note_says_in_which_column_it_was_found():
    cell = Problem("note", "looks_wrong", "lab.csv", 13, "rer_max", "Value 111 is high.", "Look.")
    whole = Problem("note", "format_found", "lab.csv", None, None, "Read so.", "Look.")
    nothing = pd.DataFrame(columns=["file", "row", "id", "reason", "message"])
    page = left_out_block(nothing, (cell, whole)).html.replace("<wbr>", "")
    rows = [re.findall(r"<t[dh][^>]*>(.*?)</t[dh]>", row) for row in page.split("<tr>")[2:]]
    found = [[re.sub("<[^>]*>", "", one) for one in row] for row in rows]
    assert found == [
        ["lab.csv", "13", "rer_max", "Value 111 is high. Look."],
        ["lab.csv", "whole file", "all", "Read so. Look."],
    ]


@pytest.mark.parametrize("storage", ["python", "pyarrow"])
def test_names_of_files_are_markup_whatever_keeps_texts(storage):
    with pd.option_context("mode.string_storage", storage):
        counts = dict.fromkeys(("rows_read", "used", "summarised", "excluded"), 1)
        block = files_block(pd.DataFrame([{"file": "lab_tests.csv", **counts}]))
    assert "<code>lab_<wbr>tests.csv</code>" in block.html
