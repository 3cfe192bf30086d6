"""Whose heart rate a drug limits: what a card, a list and the audit of inputs say of them."""

import re

import pandas as pd
import pytest
from opened import Opened, open_report
from turns import slowly

from agreement.physiology.inputs import LIMITED, OF_MASS, input_audit
from agreement.report.privacy.sharing import share_report
from agreement.report.run.own_report import seal
from agreement.report.sections.cards import NOTES

RING = '[methods."ring"]\nheart_rate_based = false\n'


@pytest.fixture(scope="module")
def told(small_study, tmp_path_factory):
    """A report of one person under such a drug, one of whom it is not known, and twelve others."""
    study = small_study(tmp_path_factory.mktemp("drug") / "crew", visits=1)
    settings = study / "study.toml"
    settings.write_text(settings.read_text() + RING)
    people = pd.read_csv(study / "athletes.csv")
    people["hr_limiting_drug"] = ["yes", "unknown"] + ["no"] * 12
    people.to_csv(study / "athletes.csv", index=False)
    readings = pd.read_csv(study / "field_estimates.csv")
    value = readings["vo2max_ml_kg_min"]
    readings = readings.assign(set_mass_kg=80, set_hr_max_bpm=150)
    ring = readings.assign(method="ring", vo2max_ml_kg_min=value.round() + 1)
    pd.concat([readings, ring]).to_csv(study / "field_estimates.csv", index=False)
    tests = pd.read_csv(study / "lab_tests.csv").assign(hr_max_bpm=190)
    tests.to_csv(study / "lab_tests.csv", index=False)
    return open_report(study).told


def test_a_card_gives_no_number_where_the_method_rests_on_heart_rate(told):
    cards = told.cards.set_index(["athlete_id", "method"])
    known = cards["lab_equivalent"].notna()
    assert {name for name, is_known in known.items() if not is_known} == {("A00", "wrist")}
    limited = cards["note"].astype(str).str.contains(NOTES["drug"], regex=False)
    assert {name for name, is_limited in limited.items() if is_limited} == {("A00", "wrist")}


def rows_of(table):
    """Return the cells of each row of a page's tables, without markup."""
    rows = re.findall("<tr.*?</tr>", table.replace("\n", ""))
    return [
        [re.sub("<.*?>", "", cell) for cell in re.findall("<t[hd].*?</t[hd]>", row)] for row in rows
    ]


def test_who_is_judged_apart_stands_beside_those_who_are_paired(told):
    rows = rows_of(Opened(told.cohort).flow().html)
    assert ["method", "pairs", "athletes", "under a drug, apart", "of a confirmed maximum"] in rows
    assert [row[1:4] for row in rows if row[0] in ("wrist", "ring")] == [
        ["14", "14", "0"],
        ["14", "14", "1"],
    ]


def test_an_audit_tells_those_paired_from_those_judged_and_asks_for_what_confirms(
    small_study, tmp_path
):
    study = small_study(tmp_path / "crew", athletes=24, visits=1)
    people = pd.read_csv(study / "athletes.csv")
    people["hr_limiting_drug"] = ["yes"] * 8 + ["no"] * 16
    people.to_csv(study / "athletes.csv", index=False)
    tests = pd.read_csv(study / "lab_tests.csv")
    tests["plateau"] = ["yes" if int(who[1:]) % 2 else "unknown" for who in tests["athlete_id"]]
    tests.to_csv(study / "lab_tests.csv", index=False)
    audit = open_report(study, kind="audit")
    assert ["wrist", "24", "24", "24", "16", "8"] in rows_of(audit.funnel().html)
    assert "24 people completed" in audit.funnel().html
    assert "analysed apart" in audit.funnel().html
    steps = re.sub("<.*?>", "", audit.next_steps().html)
    assert "Confirmed to be maximal: tests of 8 of 16 athletes (wrist)." in steps
    assert "Record what would confirm the rest" in steps


def test_an_audit_does_not_say_that_nothing_is_to_be_corrected(small_study, tmp_path):
    study = small_study(tmp_path / "crew", athletes=24, visits=1)
    tests = pd.read_csv(study / "lab_tests.csv").assign(plateau="yes", rer_max=1.15)
    tests.loc[0, "rer_max"] = 110  # `check` asks to correct it
    tests.to_csv(study / "lab_tests.csv", index=False)
    with (study / "study.toml").open("a") as settings:
        settings.write("[reference]\nsem_ml_kg_min = 2\n")
    said = open_report(study).next_steps().html, open_report(study, kind="audit").next_steps().html
    assert not any("Nothing in the data asks for a correction" in one for one in said)


def answer_on_drugs(report):
    rows = re.sub("<.*?>", " ", report.protocol_list().html.replace("<tr", "\n<tr")).splitlines()
    (row,) = (row for row in rows if "Drugs that limit heart rate" in row)
    return row.partition("Drugs that limit heart rate")[2].strip()


def test_lists_count_who_takes_one_and_of_whom_it_is_not_known(told):
    assert answer_on_drugs(Opened(told.cohort)) == "1 athlete, analysed apart; not recorded of 1"


@pytest.mark.parametrize(
    ("stated", "said"),
    [
        (None, "not recorded: the athletes table says it of nobody"),
        *slowly([(["unknown"] * 14, "not recorded: the athletes table says it of nobody")]),
        *slowly([(["no"] * 14, "nobody")]),
        (["no"] * 12 + [None] * 2, "nobody; not recorded of 1 to 4"),
        (["yes"] * 2 + ["no"] * 12, "1 to 4 athletes, withheld"),
    ],
)
def test_an_audit_says_nobody_takes_one_only_where_it_was_asked(
    small_study, tmp_path, stated, said
):
    study = small_study(tmp_path / "crew", visits=1)
    people = pd.read_csv(study / "athletes.csv").drop(columns="hr_limiting_drug", errors="ignore")
    if stated is not None:
        people["hr_limiting_drug"] = stated
    people.to_csv(study / "athletes.csv", index=False)
    assert answer_on_drugs(open_report(study, kind="audit")) == said


def test_no_shift_is_expected_of_a_wrong_maximum_and_mass_is_judged_all_the_same(told):
    readings, laboratory = told.cohort.readings, told.cohort.laboratory.frame
    audit = input_audit(readings.frame, laboratory, readings.heart_rate_based)
    audit = audit.set_index(["athlete_id", "method", "input"])
    limited = audit.index[audit["note"] == LIMITED]
    assert set(limited) == {("A00", "wrist", "hr_max_bpm")}
    assert audit.loc[limited, "expected_shift"].isna().all()
    assert audit.loc[("A00", "wrist", "mass_kg"), "note"] == OF_MASS
    assert audit.loc[("A01", "wrist", "hr_max_bpm"), "expected_shift"] < 0


@pytest.fixture(scope="module")
def three_of_26(small_study, tmp_path_factory):
    """Saved reports, squad and audit, of 26 people of whom three take such a drug and one was not tested."""
    root = tmp_path_factory.mktemp("three")
    study = small_study(root / "crew", athletes=27, visits=2)
    people = pd.read_csv(study / "athletes.csv")
    people["hr_limiting_drug"] = ["yes"] * 3 + ["no"] * 24
    people.to_csv(study / "athletes.csv", index=False)
    tests = pd.read_csv(study / "lab_tests.csv")
    tests[tests["athlete_id"] != "A26"].to_csv(study / "lab_tests.csv", index=False)
    for kind in ("squad", "audit"):
        (root / kind).mkdir()
        report = open_report(study, kind=kind, save=root / kind)
        page = [getattr(report, one)().html for one in ("left_out", "next_steps")]
        report.save()
        (root / kind / "report.html").write_text("\n".join(page), encoding="utf-8")
        seal(root / kind)
    share_report(root / "squad", root / "share")
    return root


@pytest.mark.parametrize("name", ["audit", "share"])
def test_rows_used_are_those_behind_the_numbers_so_nobody_counts_who_takes_one(three_of_26, name):
    results, flow, lines = (
        pd.read_csv(three_of_26 / name / f"{one}.csv") for one in ("results", "flow", "exclusions")
    )
    bias = results[(results["analysis"] == "limits_of_agreement") & (results["group"] == "all")]
    used = flow.set_index("file")["used"]
    assert used["athletes.csv"] == bias["n"].iloc[0] == 23
    assert used["lab_tests.csv"] == bias["n_pairs"].iloc[0] == 46
    assert (flow["rows_read"] == flow["used"] + flow["summarised"] + flow["excluded"]).all()
    rows = lines["message"].str.split().str[0].astype(int).groupby(lines["file"]).sum()
    assert rows.to_dict() == flow.set_index("file")["excluded"].loc[lambda one: one > 0].to_dict()
    told = lines.set_index(["file", "reason"])["message"].str.split(":").str[0]
    # three of them, or two, or one, and who was not tested
    assert told["athletes.csv"].to_dict() == {"withheld": "4 rows"}
    assert told["lab_tests.csv"].to_dict() == {"withheld": "6 rows"}


def test_a_page_counts_left_out_what_its_files_do(three_of_26):
    flow = pd.read_csv(three_of_26 / "audit" / "flow.csv")
    page = (three_of_26 / "audit" / "report.html").read_text(encoding="utf-8")
    assert f"left out: {flow['excluded'].sum()} of {flow['rows_read'].sum()}" in page
    assert "reasons that are withheld" in page
    house = pd.read_csv(three_of_26 / "squad" / "flow.csv").set_index("file")["used"]
    assert house["athletes.csv"] == 26
