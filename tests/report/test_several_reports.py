"""`compare`, `pool` and `shelf`: reports put together, and each clear sentence where they cannot be."""

import json
import re
import shutil
from itertools import permutations
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from opened import open_report
from printed import bare_numbers, wrong_numbers
from scipy import stats

from agreement.errors import AgreementError, OutputError
from agreement.report.page.machine import in_words
from agreement.report.privacy.sharing import share_report
from agreement.report.run.any_size import pair_study
from agreement.report.run.own_report import checksums, ledger_counts, seal
from agreement.report.run.rerun import verified
from agreement.report.run.write import write_report
from agreement.report.studies.compared import compare_reports
from agreement.report.studies.output import write_compared, write_pool
from agreement.report.studies.pool import pool_frame, pool_lines
from agreement.report.studies.pool_file import read_pool
from agreement.report.studies.reports import Report, verdict_in_words, write_shelf

TOML = '[study]\ntitle = "{title}"\ntime_zone = "UTC"\n'


def season(folder, title, bias, ids, seed, method="wrist"):
    """Write a study of invented athletes with one test and two readings each."""
    rng = np.random.default_rng(seed)
    folder.mkdir(parents=True)
    lab = rng.normal(52, 6, len(ids)).round(1)
    field = (lab + bias + rng.normal(0, 3, len(ids))).round(1)
    (folder / "study.toml").write_text(TOML.format(title=title), encoding="utf-8")
    tests = {"lab_test_id": [f"T{i}" for i in ids], "athlete_id": ids, "date": "2026-03-20"}
    more = {
        "mode": "run",
        "vo2max_ml_kg_min": lab,
        "averaging_rule": "moving 30 s",
        "rer_max": 1.15,
    }
    pd.DataFrame(tests | more | {"rpe_max": 19}).to_csv(folder / "lab_tests.csv", index=False)
    pd.concat(
        pd.DataFrame(
            {
                "athlete_id": ids,
                "taken_at": f"2026-03-{day}T08:00:00Z",
                "method": method,
                "mode": "run",
                "vo2max_ml_kg_min": field,
            }
        )
        for day in (16, 17)
    ).to_csv(folder / "field_estimates.csv", index=False)
    return pd.Series(field - lab, ids)


@pytest.fixture(scope="module")
def seasons(tmp_path_factory):
    root = tmp_path_factory.mktemp("seasons")
    before = [f"A{i:02d}" for i in range(14)]
    after = [f"A{i:02d}" for i in range(6, 21)]
    truth = (
        season(root / "spring", "Spring", 1.0, before, 1),
        season(root / "autumn", "Autumn", 3.0, after, 2),
        season(root / "step", "Step", 0.0, before, 3, method="step"),
    )
    for name in ("spring", "autumn", "step"):
        (folder := root / f"{name}-report").mkdir()
        report = open_report(root / name, save=folder)
        report.save()
        (folder / "report.html").write_text(report.verdict().html, encoding="utf-8")
        seal(folder)
    return root, truth


def test_two_reports_find_the_athletes_of_both(seasons):
    root, (d1, d2, _) = seasons
    found = compare_reports(root / "spring-report", root / "autumn-report")
    (one,) = found.seasons.values()
    assert (one.n_first, one.n_second, one.shared) == (14, 15, 8)
    assert one.difference == pytest.approx(d2.mean() - d1.mean())
    assert one.ratio == pytest.approx(d2.std() / d1.std())
    assert not found.conservative
    said = "\n".join(map(in_words, found.lines()))
    assert "8 of 21 athletes in both" in said
    assert "cannot be told apart" in said
    frame = found.to_frame()
    assert set(frame["analysis"]) == {"season"}
    counted = frame.set_index("statistic")["value"]
    assert counted["p_bias_counted"] >= counted["p_bias"]


@pytest.mark.parametrize("rows", [False, True])
def test_a_share_beside_its_report_is_no_other_study(seasons, tmp_path, rows):
    """What it leaves out by design is no difference: files, checksums, what describes people."""
    root, _ = seasons
    share_report(root / "spring-report", tmp_path / "share", rows=rows)
    for one, two in permutations((root / "spring-report", tmp_path / "share")):
        found = compare_reports(one, two)
        said = "\n".join(map(in_words, found.lines()))
        assert found.told_twice != rows  # of rows every number is computed anew
        assert ("What both tell is the same, to the decimals of print" in said) != rows
        assert ("the bias has moved" in said) == rows
        assert "Files:" not in said
        assert "Choices" not in said
    page, table = write_compared(found, tmp_path / "out")
    assert ("what both tell is the same" in table.read_text(encoding="utf-8")) != rows
    assert "What both tell is the same" in page.read_text(encoding="utf-8") or rows


def test_a_share_beside_another_report_of_its_study_is_compared(seasons, tmp_path):
    root, _ = seasons
    share_report(root / "spring-report", tmp_path / "share")
    assert not compare_reports(tmp_path / "share", root / "autumn-report").told_twice


def test_of_what_was_left_out_a_comparison_knows_nothing(seasons, tmp_path):
    root, _ = seasons
    write_compared(compare_reports(root / "spring-report", root / "autumn-report"), tmp_path / "c")
    with pytest.raises(AgreementError, match=r"never had exclusions\.csv\. Name a folder"):
        ledger_counts(tmp_path / "c")


@pytest.mark.slow
def test_without_ids_everybody_counts_as_somebody_else(seasons, tmp_path):
    root, (d1, d2, _) = seasons
    write_report(root / "spring", tmp_path / "audit", kind="audit")
    assert compare_reports(tmp_path / "audit", root / "spring-report").told_twice
    found = compare_reports(tmp_path / "audit", root / "autumn-report")
    (one,) = found.seasons.values()
    assert found.conservative
    assert one.shared == 0
    welch = stats.ttest_ind(d2, d1, equal_var=False)
    assert one.p == pytest.approx(welch.pvalue, rel=0.1)  # an audit's numbers are rounded
    said = "\n".join(map(in_words, found.lines()))
    assert re.search(
        r"First report: Spring, audit report of 20\S+\. Second: Autumn, squad report of 20", said
    )
    assert "8 of" not in said
    assert "29 athletes), and" in said
    assert "Athletes cannot be found in both reports, so all count as different people" in said
    again = compare_reports(tmp_path / "audit", shutil.copytree(tmp_path / "audit", tmp_path / "b"))
    assert again.conservative  # two audits: pseudonyms join nobody, not even of one key


def test_reports_of_different_versions_and_choices_say_so(seasons, tmp_path):
    root, _ = seasons
    older = shutil.copytree(root / "spring-report", tmp_path / "older")
    content = json.loads((older / "provenance.json").read_text(encoding="utf-8"))
    content |= {"version": "0.0.9", "python": "3.0"}
    content["options"]["pairing"]["days_before"] = 28
    content["dependencies"]["numpy"] = "1.0"
    (older / "provenance.json").write_text(json.dumps(content), encoding="utf-8")
    said = "\n".join(map(in_words, compare_reports(older, root / "autumn-report").lines()))
    assert "version: 0.0.9, then " in said
    assert "Libraries of other versions: numpy." in said
    assert "pairing.days_before (28, then 14)" in said


def test_choices_and_verdicts_that_differ_are_said_as_a_study_file_says_them(seasons, tmp_path):
    root, _ = seasons
    older = shutil.copytree(root / "spring-report", tmp_path / "older")
    content = json.loads((older / "provenance.json").read_text(encoding="utf-8"))
    content["options"]["margin"]["mean_limit"] = 2.0
    content["options"]["pairing_field_tests"]["same_day"] = False
    content["options"]["study"]["compares"] = ["a", "b"]
    (older / "provenance.json").write_text(json.dumps(content), encoding="utf-8")
    said = "\n".join(map(in_words, compare_reports(older, root / "autumn-report").lines()))
    assert "margin.mean_limit_ml_kg_min (2.0, then not stated)" in said
    assert "pairing.field_tests.same_day (false, then true)" in said
    assert "study.compares (a, b, then none)" in said
    assert "0 of them the same" not in said
    assert (
        verdict_in_words("no_margin; depends_on_fitness") == "no limit agreed; depends on fitness"
    )


def test_a_report_of_a_study_is_not_replaced_by_what_is_made_of_reports(seasons, tmp_path):
    root, _ = seasons
    report = shutil.copytree(root / "spring-report", tmp_path / "report")
    before = checksums(report)
    found = compare_reports(root / "spring-report", root / "autumn-report")
    with pytest.raises(OutputError, match=r"report of a study, so it is left alone\. Name another"):
        write_compared(found, report)
    assert checksums(report) == before
    for _ in range(2):  # what was made of reports is made anew
        write_compared(found, tmp_path / "compared")


def test_what_was_made_of_reports_is_checked_but_not_run_again(seasons, tmp_path):
    root, _ = seasons
    found = compare_reports(root / "spring-report", root / "autumn-report")
    write_compared(found, tmp_path)
    told = verified(tmp_path)
    assert (told.changed, told.differences) == ((), ())
    assert told.remarks == (
        "It was not run again: it was made of reports. Make it again from them.",
    )


def test_equal_reports_are_said_once_to_be_equal(seasons, tmp_path):
    root, _ = seasons
    found = compare_reports(
        root / "spring-report", shutil.copytree(root / "spring-report", tmp_path / "b")
    )
    said = list(map(in_words, found.lines()))
    assert said[1] == "wrist, run: the same bias and spread in both reports."
    assert said[2:] == ["Both reports read the same 3 files, to the byte."]
    page, results = write_compared(found, tmp_path / "compared")
    html = page.read_text(encoding="utf-8")
    assert re.search(r"<h1>Spring: squad report of 20\S+ beside squad report of 20\S+</h1>", html)
    assert "<table" not in html
    assert pd.read_csv(results).set_index("statistic")["value"]["difference_of_bias"] == 0.0


def test_reports_that_cannot_be_compared_say_why(seasons):
    root, _ = seasons
    with pytest.raises(AgreementError, match="are the same report"):
        compare_reports(root / "spring-report", root / "spring-report")
    with pytest.raises(AgreementError, match="share no method and mode: the first has wrist"):
        compare_reports(root / "spring-report", root / "step-report")
    with pytest.raises(AgreementError, match="holds no report"):
        compare_reports(root / "spring", root / "step-report")


POOL = """
[pool]
title = "Wrist methods"
[[study]]
report = "spring-report"
[[study]]
name = "Printed"
citation = "An invented paper, table 2"
n = 24
bias = 1.0
sd = 3.8
[[study]]
name = "Limits only"
citation = "An invented thesis"
n = 31
lower_limit = -6.6
upper_limit = 9.4
convention = "2 SD"
"""


@pytest.mark.slow
def test_a_pool_of_own_and_printed_studies(seasons):
    root, (d1, *_) = seasons
    (root / "pool.toml").write_text(POOL, encoding="utf-8")
    pooled = read_pool(root / "pool.toml")
    assert [s.name for s in pooled.studies] == ["Spring", "Printed", "Limits only"]
    own, _, limits = pooled.studies
    assert (own.bias, own.sd, own.n) == pytest.approx((d1.mean(), d1.std(), 14))
    assert (limits.bias, limits.sd) == pytest.approx((1.4, 4.0))
    said = "\n".join(map(in_words, pool_lines(pooled)))
    assert "3 squads, 69 athletes" in said
    assert "Twice the assumed spread" in said
    assert "own report spring-report: wrist, run." in said
    for line in said.split("\n")[4:-1]:  # what is said of all: each with its unit, once
        assert line.count("mL/kg/min") == 1, line
    frame = pool_frame(pooled)
    assert {"studies", "next_squad"} <= set(frame["analysis"])
    assert set(frame["n_pairs"]) == {14, 24, 31, 69}
    assert list(frame.loc[frame["statistic"] == "log_sd", "unit"]) == ["1"]  # a logarithm
    page, table = write_pool(pooled, root / "pooled")
    assert "Wrist methods" in page.read_text(encoding="utf-8")
    written = pd.read_csv(table)
    assert len(written) == len(frame)
    html = page.read_text(encoding="utf-8")
    wrong, marked = wrong_numbers(html, written)
    assert wrong == []
    assert marked >= 10
    assert bare_numbers(html.split("<h2")[0]) == []
    assert bare_numbers(re.search("<figure>.*?</figure>", html, re.DOTALL)[0]) == []


def test_a_moderator_of_one_level_compares_nothing(tmp_path):
    study = '[[study]]\nname = "{}"\ncitation = "x"\nn = 20\nbias = 1.0\nsd = 3.0\nlevel = "new"\n'
    text = '[pool]\nmoderator = "firmware"\n' + study.format("A") + study.format("B")
    (tmp_path / "pool.toml").write_text(text, encoding="utf-8")
    said = list(map(in_words, pool_lines(read_pool(tmp_path / "pool.toml"))))
    assert said[-1] == "firmware: 1 level; two are compared."


def test_one_study_is_no_pool(seasons):
    root, _ = seasons
    (root / "one.toml").write_text('[[study]]\nreport = "spring-report"\n', encoding="utf-8")
    pooled = read_pool(root / "one.toml")
    assert "One study cannot say how squads differ." in "\n".join(map(in_words, pool_lines(pooled)))
    assert "next_squad" not in set(pool_frame(pooled)["analysis"])


def test_a_pool_points_to_the_report_of_a_verdict_in_doubt(seasons, monkeypatch):
    root, _ = seasons
    (root / "one.toml").write_text('[[study]]\nreport = "spring-report"\n', encoding="utf-8")
    for note, doubted in (("acceptable; true value; in_doubt", True), ("acceptable", False)):
        monkeypatch.setattr(Report, "verdict", lambda *_, note=note: note)
        notes = " ".join(read_pool(root / "one.toml").notes)
        assert ("Spring: its report says what could make its verdict wrong." in notes) == doubted


def test_studies_with_a_person_in_both_keep_the_larger(seasons):
    root, _ = seasons
    text = '[[study]]\nreport = "spring-report"\n[[study]]\nreport = "autumn-report"\n'
    (root / "both.toml").write_text(text, encoding="utf-8")
    pooled = read_pool(root / "both.toml")
    assert [s.name for s in pooled.studies] == ["Autumn"]
    assert "Spring is left out: 8 ids of its athletes stand in Autumn too" in " ".join(pooled.notes)
    assert "If they are other people" in " ".join(pooled.notes)  # ids of two squads may be alike


def test_a_report_and_its_shares_are_one_study_of_a_pool(seasons, tmp_path):
    root, _ = seasons
    for name in ("share", "again"):
        share_report(root / "spring-report", tmp_path / name)
    for name in ("spring-report", "autumn-report"):
        shutil.copytree(root / name, tmp_path / name)

    def pool_of(*names):
        text = "".join(f'[[study]]\nreport = "{name}"\n' for name in names)
        (tmp_path / "pool.toml").write_text(text, encoding="utf-8")
        return read_pool(tmp_path / "pool.toml")

    for names in permutations(("spring-report", "share", "again"), 2):
        with pytest.raises(AgreementError, match="study 1 and study 2 tell the same of the same"):
            pool_of(*names)
    other = pool_of("share", "autumn-report")  # 8 of its people, whom nothing tells
    assert len(other.studies) == 2
    assert "Spring: a share or an audit names nobody" in " ".join(other.notes)
    assert pool_of("share").notes == ()


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("[pol]\n", "Unknown key 'pol'. Did you mean 'pool'?"),
        ('[[study]]\nfolder = "x"\n', "'study 1: folder'. Known are report, method"),
        ('[[study]]\nreports = "x"\n', "Did you mean 'report'? study 1:"),
        ("[pool]\n", "There is no [[study]]"),
        ("[[study]]\nn = 20\nbias = 1\nsd = 2\n", "study 1: citation is missing"),
        ('[[study]]\ncitation = "x"\nbias = 1\nsd = 2\n', "study 1: n is missing"),
        ('[[study]]\ncitation = "x"\nn = 20\nbias = "1"\n', "bias must be a number"),
        ('[[study]]\ncitation = "x"\nn = 20\nbias = 1\n', "sd is missing; give it, or lower_limit"),
        ('[[study]]\ncitation = "x"\nn = 20\nbias = 1\nsd = 0\n', "sd must be above 0"),
        ('[[study]]\nreport = "nowhere"\n', "holds no report"),
        ('[[study]]\nreport = "spring-report"\nmethod = "step"\n', "has no such method"),
        ("x = ", "is no pool file in the TOML form: Invalid value"),
    ],
)
def test_a_pool_file_with_a_fault_says_which(seasons, text, says):
    root, _ = seasons
    (root / "bad.toml").write_text(text, encoding="utf-8")
    with pytest.raises(AgreementError) as caught:
        read_pool(root / "bad.toml")
    assert says in str(caught.value)


def test_a_shelf_lists_every_report_and_a_comparison_is_one(seasons, tmp_path):
    root, _ = seasons
    for name in ("spring-report", "autumn-report"):
        shutil.copytree(root / name, tmp_path / "2026" / name)
    found = compare_reports(root / "spring-report", root / "autumn-report")
    write_compared(found, tmp_path / "compared")
    page, count = write_shelf(tmp_path)
    text = page.read_text(encoding="utf-8")
    assert count == 3
    assert 'href="2026/spring-report/report.html"' in text
    assert "several studies" in text
    assert ">Autumn beside Spring</a>" in text
    assert "wrist, run: no limit agreed" in text
    assert '<span class="date">20' in text  # never broken on a phone
    assert "Contents" not in text  # of one section
    compared = (tmp_path / "compared" / "report.html").read_text(encoding="utf-8")
    assert "<h1>Autumn beside Spring</h1>" in compared
    assert "Bias and limits of both reports: first: wrist, run bias" in compared
    assert "http" not in text.replace("http-equiv", "").split("<main")[1]
    pair_study(root / "spring", tmp_path / "pairs")
    share_report(root / "spring-report", tmp_path / "share")
    assert write_shelf(tmp_path)[1] == 3  # pairs and shares have no page to open
    with pytest.raises(AgreementError, match="no report of ours below"):
        write_shelf(tmp_path / "2026" / "spring-report" / "figures")


def test_a_study_of_the_laboratory_alone_stands_on_the_shelf_with_its_athletes(tmp_path):
    ids = [f"A{i:02d}" for i in range(12)]
    season(tmp_path / "own", "Our own", 0.0, ids, 4)
    (tmp_path / "own" / "field_estimates.csv").unlink()
    tests = pd.read_csv(tmp_path / "own" / "lab_tests.csv")
    again = tests.assign(lab_test_id=tests["lab_test_id"] + "r", date="2026-03-23")
    again["vo2max_ml_kg_min"] += np.arange(12) % 5 / 2
    pd.concat([tests, again]).to_csv(tmp_path / "own" / "lab_tests.csv", index=False)
    write_report(tmp_path / "own", tmp_path / "reports" / "own")
    page, _ = write_shelf(tmp_path / "reports")
    text = page.read_text(encoding="utf-8")
    assert "from what many tests would show" in text
    assert '<td class="number">12</td>' in text
    assert "not available" not in text


def test_a_study_without_a_pair_is_no_laboratory_alone_on_the_shelf(tmp_path):
    for name in ("late", "none"):
        season(tmp_path / name, name, 0.0, [f"A{i:02d}" for i in range(6)], 4)
        tests = pd.read_csv(tmp_path / name / "lab_tests.csv").assign(date="2026-09-23")
        kept = tests if name == "late" else tests.head(0)
        kept.to_csv(tmp_path / name / "lab_tests.csv", index=False)
        write_report(tmp_path / name, tmp_path / "reports" / name)
    page, count = write_shelf(tmp_path / "reports")
    text = page.read_text(encoding="utf-8")
    assert count == 2
    assert text.count("not one field value could be paired") == 2


def test_every_number_of_a_comparison_is_a_line_of_its_table(seasons, tmp_path):
    root, (d1, d2, _) = seasons
    found = compare_reports(root / "spring-report", root / "autumn-report")
    page, results = write_compared(found, tmp_path / "compared")
    html, frame = page.read_text(encoding="utf-8"), pd.read_csv(results, keep_default_na=False)
    frame = frame.assign(value=pd.to_numeric(frame["value"]))
    wrong, marked = wrong_numbers(html, frame)
    assert wrong == []
    assert marked >= 6
    assert bare_numbers(html.split("<h2")[0]) == []
    assert bare_numbers(re.search("<figure>.*?</figure>", html, re.DOTALL)[0]) == []
    assert 'wrist, run bias <span data-statistic="season/wrist/run/second/bias">' in html
    said = "\n".join(map(in_words, found.lines()))
    moved = frame.set_index(["statistic", "group"])["value"]["difference_of_bias", "all"]
    assert f"the bias has moved by {moved:+.1f} mL/kg/min" in said
    p, counted = (
        found.season(("wrist", "run"))[name].value for name in ("p_bias", "p_bias_counted")
    )
    assert f"p {counted:.3f} for the bias" in said
    assert counted > p + 0.001
    ends = ("first", "second")
    was, now = (found.numbers.get("season", "bias", "wrist", "run", one) for one in ends)
    assert (was.value, now.value) == pytest.approx((d1.mean(), d2.mean()))
    words = json.loads((page.parent / "datapackage.json").read_text(encoding="utf-8"))
    assert {one["statistic"] for one in words["statistics"]} == set(frame["statistic"])


def test_studies_of_one_name_keep_their_own_numbers(tmp_path):
    study = (
        '[[study]]\nname = "Squad"\ncitation = "An invented paper"\nn = 20\nbias = {}\nsd = 3.0\n'
    )
    (tmp_path / "pool.toml").write_text(study.format(1.0) + study.format(4.0), encoding="utf-8")
    said = list(map(in_words, pool_lines(read_pool(tmp_path / "pool.toml"))))
    assert said[0].startswith("Squad: 20 athletes, bias +1.0, ")
    assert said[1].startswith("Squad: 20 athletes, bias +4.0, ")


@pytest.mark.parametrize(("counted", "who"), [(2, ["A", "C"]), (3, ["A", "B", "C"])])
def test_people_under_a_drug_are_compared_only_where_their_report_counted_them(counted, who):
    pairs = {"athlete_id": ["A", "B", "C"], "hr_limiting_drug": ["no", "yes", "unknown"]}
    frame = pd.DataFrame(pairs | {"method": "wrist", "mode": "run", "difference": [1.0, 2.0, 4.0]})
    told = SimpleNamespace(pairs=frame, number=lambda *_: SimpleNamespace(n=counted))
    assert list(Report.athletes(told, ("wrist", "run")).index) == who
