"""Nobody is exposed: no original id, date or place in what leaves the house; the withdrawn are gone."""

import hashlib
import json
import re
import shutil
import subprocess
import zlib

import numpy as np
import pandas as pd
import pytest
from exposed_study import PLACE, TELLTALE, WITHDRAWN, told, unpacked_texts, write_exposed
from opened import open_report

from agreement.cohort import inspect_cohort
from agreement.physiology.readings import estimates_frame
from agreement.report.page.pdf import browser
from agreement.report.privacy.privacy import without_small_cells
from agreement.report.privacy.sharing import share_report
from agreement.report.run.folder import JUDGED
from agreement.report.run.own_report import seal
from agreement.report.run.rerun import _inputs
from agreement.report.run.talk import findings_json
from agreement.report.run.write import write_report
from agreement.report.run.write_pairs import write_pairs
from agreement.tables.withdrawn import KEPT_FILE, KEY_FILE

SECTIONS = {
    "audit": "heading verdict margin funnel effort differences people out_of_range drift "
    "protocol_list left_out sign_off cautions rules provenance",
    "squad": "heading verdict next_steps flow differences profiles why borderline inputs "
    "averaging_rules maxima regression budget averaging change athletes left_out cautions "
    "rules provenance",
}


def shown_and_saved(study, folder, kind):
    """Show every section of a report and save its tables, here instead of in a kernel."""
    folder.mkdir()
    report = open_report(study, kind=kind, save=folder)
    html = [getattr(report, section)().html for section in SECTIONS[kind].split()]
    report.save()
    (folder / "report.html").write_text("\n".join(html), encoding="utf-8")
    seal(folder)
    return folder


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    return write_exposed(tmp_path_factory.mktemp("exposed"))


@pytest.fixture(scope="module")
def audit(study, tmp_path_factory):
    return shown_and_saved(study, tmp_path_factory.mktemp("out") / "audit", "audit")


@pytest.fixture(scope="module")
def squad(study, tmp_path_factory):
    return shown_and_saved(study, tmp_path_factory.mktemp("out") / "squad", "squad")


def test_the_search_finds_what_a_squad_report_tells(squad):
    found = " ".join(told(squad))
    assert "pairs.csv: QX10" in found
    assert "pairs.csv: 2037-05" in found
    assert "report.html: QX10" in found


def test_an_audit_tells_no_id_date_or_place(audit):
    assert not told(audit)
    assert_no_row_of_a_person(audit)


def assert_no_row_of_a_person(folder):
    """No row of a person; what was left out is counted, and the counts add up to the flow."""
    for name in ("pairs", "athlete_cards"):
        table = pd.read_csv(folder / f"{name}.csv")
        assert table.empty
        assert len(table.columns) > 5
    lines, flow = pd.read_csv(folder / "exclusions.csv"), pd.read_csv(folder / "flow.csv")
    assert lines[["row", "id"]].isna().all(axis=None)
    assert not lines.duplicated(["file", "reason"]).any()
    rows = lines["message"].str.split().str[0].astype(int).groupby(lines["file"]).sum()
    left_out = flow.set_index("file")["excluded"]
    assert rows.to_dict() == left_out[left_out > 0].to_dict()
    assert (flow["rows_read"] == flow["used"] + flow["summarised"] + flow["excluded"]).all()


def test_the_key_stays_in_the_study_folder(study, audit):
    key = (study / KEY_FILE).read_text(encoding="ascii").strip()
    assert not told(audit, also=(key,))
    assert not (audit / KEY_FILE).exists()


@pytest.mark.parametrize("kind", ["squad", "audit"])
def test_what_is_shared_tells_no_id_date_or_place(study, squad, audit, tmp_path, kind):
    share_report(squad if kind == "squad" else audit, tmp_path / "shared")
    key = (study / KEY_FILE).read_text(encoding="ascii").strip() if kind == "audit" else PLACELESS
    assert not told(tmp_path / "shared", also=(key,))
    assert_no_row_of_a_person(tmp_path / "shared")


PLACELESS = "no key is made for what is shared"


def test_a_share_of_a_squad_report_is_that_of_its_audit(squad, audit, tmp_path):
    for name in ("squad", "audit"):
        share_report(squad if name == "squad" else audit, tmp_path / name)
    for table in ("pairs", "exclusions", "flow", "athlete_cards"):
        texts = [(tmp_path / name / f"{table}.csv").read_bytes() for name in ("squad", "audit")]
        assert texts[0] == texts[1], table
    one, other = (pd.read_csv(tmp_path / n / "results.csv", dtype=str) for n in ("squad", "audit"))
    same = [
        "analysis",
        "method",
        "mode",
        "group",
        "statistic",
        "n",
        "n_pairs",
    ]  # but for resampling
    pd.testing.assert_frame_equal(one[same], other[same])
    assert (tmp_path / "audit" / "results.csv").read_bytes() == (audit / "results.csv").read_bytes()


def test_an_audit_tells_no_checksum_of_a_persons_file(study, audit):
    checksums = {
        hashlib.sha256(path.read_bytes()).hexdigest()
        for folder in ("breaths", "samples")
        for path in (study / folder).iterdir()
    }
    assert len(checksums) == 2  # of one test and one session each, equal for both people
    text = every_text(audit)
    tables = {hashlib.sha256(path.read_bytes()).hexdigest() for path in study.glob("*.csv")}
    assert not [one for one in checksums | tables if one in text]  # nor one by which to try values


@pytest.mark.slow
def test_who_the_control_is_cannot_be_tried_against_the_checksum_of_the_study_file(tmp_path):
    """Whoever has the empty study file tries each id; to whoever keeps the study an edit is told."""
    study = with_a_control(write_exposed(tmp_path, raw=False))
    toml = (study / "study.toml").read_text(encoding="utf-8")
    audits = []
    for control in ("ZQ77", "QX12"):
        (study / "study.toml").write_text(toml.replace("ZQ77", control), encoding="utf-8")
        audits.append(open_report(study, kind="audit").told.provenance("audit"))
    assert hashlib.sha256(toml.encode()).hexdigest() not in json.dumps(audits)
    assert _inputs(*audits) == ["Input study.toml has changed since."]
    assert _inputs(audits[0], audits[0]) == []


@pytest.mark.slow
def test_an_audit_written_again_does_not_tell_how_many_tests_left_or_came(tmp_path):
    """The one who withdrew had two pairs; with the one who then comes there are as many again."""
    study, folder = write_exposed(tmp_path, raw=False), tmp_path / "audit"
    (study / "field_tests.csv").unlink()
    folder.mkdir()
    open_report(study, kind="audit", save=folder).save()
    seal(folder)
    people = (study / "athletes.csv").read_text(encoding="utf-8")
    told = []
    for who in (("QX12",), (), ("QX12", "QX13")):
        gone = re.sub(rf"({'|'.join(who)})(,.*),no\n", r"\1\2,yes\n", people) if who else people
        (study / "athletes.csv").write_text(gone, encoding="utf-8")
        (study / KEPT_FILE).unlink(missing_ok=True)
        report = open_report(study, kind="audit", save=folder)
        report.save()
        frame = report.told.frame.set_index(["method", "statistic", "group"])
        kept = json.loads((folder / "provenance.json").read_text(encoding="utf-8"))[JUDGED]
        now = frame.loc[("wrist", "bias", "all"), "n_pairs"].max()
        note = frame.loc[("wrist", "within_margin", "all"), "note"]
        told.append((now, kept["pairs"]["wrist/run"], "look_not_counted" in note))
    assert told == [(28, 28, False), (30, 0, True), (26, 0, True)]


@pytest.mark.parametrize("name", ["audit", "shared squad"])
def test_numbers_that_leave_have_the_decimals_of_print(squad, audit, tmp_path, name):
    if name != "audit":
        share_report(squad, tmp_path / "shared")
    results = pd.read_csv((audit if name == "audit" else tmp_path / "shared") / "results.csv")
    numbers = results[["value", "low", "high"]].to_numpy(dtype=float).ravel()
    numbers = numbers[np.isfinite(numbers)]
    assert len(numbers) > 100
    assert np.abs(numbers - numbers.round(3)).max() < 1e-9
    bias = results.loc[results["statistic"] == "bias", "value"].dropna()
    assert np.abs(bias - bias.round(1)).max() < 1e-9


def test_an_audit_says_nothing_of_one_athlete(audit, squad):
    pages = [(folder / "report.html").read_text(encoding="utf-8") for folder in (audit, squad)]
    for words in ("Without one athlete", "not confirmed as maximal"):
        assert words not in pages[0]
        assert words in pages[1]


def test_an_audit_draws_nobody(audit, squad):
    """Points of the difference plot are people: the squad's has them, the audit's has none."""
    marks = [
        len(re.findall(r"<use\b", path.read_text(encoding="utf-8")))
        for folder in (audit, squad)
        for path in (folder / "figures").glob("differences-wrist-run.svg")
    ]
    assert marks[0] < marks[1] - 20


def test_the_axes_of_an_audit_do_not_reach_for_the_fittest(tmp_path):
    """Both values of one raised by 35: the differences stay, and so does every tick and line."""
    study, fit = (write_exposed(tmp_path / name, raw=False) for name in ("study", "fit"))
    for folder in (study, fit):
        (folder / "field_tests.csv").unlink()
    for name in ("lab_tests", "field_estimates"):
        rows = pd.read_csv(fit / f"{name}.csv")
        rows.loc[rows["athlete_id"] == "QX12", "vo2max_ml_kg_min"] += 35
        rows.to_csv(fit / f"{name}.csv", index=False)
    drawn = []
    for folder in (study, fit):
        block = open_report(folder, kind="audit").differences(methods=[("wrist", "run")])
        texts = re.findall(r"<text[^>]*>(?:<tspan[^>]*>)?([^<]*)", block.html)
        drawn.append([text for text in texts if re.fullmatch(r"\d+", text)])
    assert drawn[0] == drawn[1]
    assert 0 < max(map(int, drawn[0])) < 20  # differences alone: without points no scale of fitness


def test_what_an_audit_draws_and_says_follows_from_the_numbers_it_tells(tmp_path):
    """All values of one moved by so little that no told number moves: not a coordinate or word does."""
    study = write_exposed(tmp_path, athletes=24)
    sections = "chart differences people drift out_of_range inputs protocol_list next_steps further"
    told, frames = [], []
    for by in (0.0, 0.003):
        for name in ("lab_tests", "field_estimates"):
            rows = pd.read_csv(study / f"{name}.csv")
            own = (rows["athlete_id"] == "QX12") & (rows.get("method", "wrist") == "wrist")
            rows.loc[own, "vo2max_ml_kg_min"] += by * (2 if name == "lab_tests" else -3)
            rows.to_csv(study / f"{name}.csv", index=False)
        report = open_report(study, kind="audit")
        told.append([getattr(report, name)().html for name in sections.split()])
        frame = report.told.frame
        places = frame[["analysis", "method", "mode", "group", "statistic"]].agg("/".join, axis=1)
        frames.append(frame.set_index(places)[["value", "low", "high"]])
    moved = ~frames[0].eq(frames[1]).where(frames[0].notna() | frames[1].notna(), True).all(axis=1)
    moved = frames[0].index[moved]
    assert len(moved) < 0.1 * len(frames[0])
    assert not [one for one in moved if one.startswith(("limits_of_agreement/", "by_", "drift"))]
    drawn = [
        re.findall(r"<svg.*?</svg>|(?:alt|aria-label)=\"[^\"]*\"", "".join(one), re.DOTALL)
        for one in told
    ]
    assert sum(one.startswith("<svg") for one in drawn[0]) >= 3
    assert drawn[0] == drawn[1]
    without = [re.sub(r"<[^>]*data-statistic=[^>]*>[^<]*", "", "".join(one)) for one in told]
    assert without[0] == without[1]


def every_text(folder):
    return "\n".join(
        text
        for path in sorted(folder.rglob("*"))
        if path.is_file()
        for text in (path.name, *unpacked_texts(path.read_bytes()))
    )


def test_those_who_withdrew_are_in_no_output(study, squad, audit, tmp_path):
    cohort, problems = inspect_cohort(study)
    write_pairs(study, tmp_path / "pairs")
    outputs = [every_text(squad), every_text(audit), every_text(tmp_path / "pairs")]
    outputs.append(estimates_frame(cohort.study).to_csv())
    outputs += [findings_json(problems), json.dumps(list(map(str, cohort.study.inputs)))]
    for text in outputs:
        assert not [one for one in WITHDRAWN if one in text]
        assert not re.search(r"QX-?W-?99", text.replace("QX-W99", ""))
    gone = cohort.exclusions[cohort.exclusions["reason"] == "withdrawn"]
    assert dict(zip(gone["file"], gone["message"].str.split().str[0], strict=True)) == {
        "athletes.csv": "1",
        "lab_tests.csv": "2",
        "field_estimates.csv": "8",  # one of them under a likely spelling
        "field_tests.csv": "1",
        "sessions.csv": "1",
        "breaths": "1",
        "samples": "1",
    }


def with_a_control(study):
    """The study with a person of the laboratory's own, and a file that is no table."""
    tests = (study / "lab_tests.csv").read_text(encoding="utf-8")
    tests += "".join(f"CT{k},ZQ77,2037-05-{k + 11},run,51.{k},70,moving 30 s\n" for k in range(9))
    (study / "lab_tests.csv").write_text(tests, encoding="utf-8")
    toml = (study / "study.toml").read_text(encoding="utf-8")
    toml += '[control]\nathlete_id = "ZQ77"\n'
    toml += '[files]\n"quixelbrunn.csv" = "none"\n'
    (study / "study.toml").write_text(toml, encoding="utf-8")
    (study / "quixelbrunn.csv").write_text("a,b\n1,2\n", encoding="utf-8")
    return study


@pytest.mark.slow
def test_the_control_of_the_laboratory_is_named_nowhere(tmp_path):
    study = with_a_control(write_exposed(tmp_path, raw=False))
    squad, audit = (shown_and_saved(study, tmp_path / kind, kind) for kind in ("squad", "audit"))
    share_report(squad, tmp_path / "shared")
    named = {f: [w for w in ("ZQ77", "quixelbrunn") if w in every_text(f)] for f in (squad, audit)}
    assert named == {squad: ["ZQ77", "quixelbrunn"], audit: []}
    assert not re.search("ZQ77|quixelbrunn", every_text(tmp_path / "shared"))


def test_how_many_people_an_audit_lists_does_not_tell_that_one_withdrew(audit):
    """Rows of the list less people of whom it counts: those who withdrew."""
    rows = pd.read_csv(audit / "flow.csv").set_index("file").loc["athletes.csv", "rows_read"]
    page = (audit / "report.html").read_text(encoding="utf-8")
    listed = re.search(r"of (\d+) people have a usable", page)
    assert int(listed[1]) == rows == 17


def test_an_audit_counts_everybody_once_who_stands_in_several_exports_of_the_list(tmp_path):
    study = write_exposed(tmp_path)
    for day in ("2037-01-01", "2037-02-01", "2037-03-01"):
        (study / "athletes").mkdir(exist_ok=True)
        shutil.copy(study / "athletes.csv", study / "athletes" / f"athletes_{day}.csv")
    (study / "athletes.csv").unlink()
    assert "of 17 people have a usable" in open_report(study, kind="audit").funnel().html


def row(analysis, group, n, method="wrist"):
    numbers = {"value": 1.0, "low": 0.0, "high": 2.0, "unit": "mL/kg/min", "n": n, "n_pairs": n}
    place = {"analysis": analysis, "method": method, "mode": "run", "group": group}
    return place | {"statistic": "bias", "note": ""} | numbers


@pytest.mark.parametrize(
    ("groups", "hidden"),
    [
        ({"long": 20, "short": 3}, {"long", "short"}),  # one follows from the other and the whole
        ({"long": 20, "short": 3, "base": 8}, {"short", "base"}),
        ({"long": 20, "short": 3, "base": 2}, {"short", "base"}),
        ({"long": 20, "short": 1, "base": 2}, {"short", "base", "long"}),  # three people in all
        ({"long": 20, "short": 9}, set()),
    ],
)
def test_a_small_profile_cannot_be_worked_out_from_the_others(groups, hidden):
    whole = row("limits_of_agreement", "all", sum(groups.values()))
    frame = pd.DataFrame([whole, *(row("profile_bias", g, n) for g, n in groups.items())])
    shown = without_small_cells(frame)
    assert set(shown.loc[shown["value"].isna(), "group"]) == hidden
    assert shown.loc[shown["value"].isna(), ["low", "high", "n", "n_pairs"]].isna().all().all()
    assert shown.loc[shown["group"] == "all", "value"].notna().all()


PARTS = {"profile_bias", "by_sex", "by_age", "borderline_moved"}


@pytest.mark.parametrize("name", ["audit", "shared squad"])
def test_no_cell_of_the_results_follows_from_the_others(squad, audit, tmp_path, name):
    if name != "audit":
        share_report(squad, tmp_path / "shared")
    results = pd.read_csv((audit if name == "audit" else tmp_path / "shared") / "results.csv")
    shown = results[results["value"].notna()]
    assert (shown["n"].isna() | (shown["n"] >= 5)).all()
    sizes = shown.groupby(["analysis", "method", "mode", "group"])["n"].max()
    for (analysis, method, mode, group), n in sizes.items():
        whole = sizes.get(("limits_of_agreement", method, mode, "all"), np.nan)
        if group != "all" and analysis in PARTS | {"limits_of_agreement"}:
            assert n == whole or not whole - n < 5, (analysis, method, group)
    for (analysis, method, mode), own in sizes[
        sizes.index.get_level_values("group") != "all"
    ].groupby(level=["analysis", "method", "mode"]):
        if analysis in PARTS:
            left = sizes["limits_of_agreement", method, mode, "all"] - own.sum()
            assert left == 0 or left >= 5, (analysis, method)
    hidden = results["note"].fillna("").str.startswith("suppressed")
    assert set(results.loc[hidden, "analysis"]) >= {"by_sex"}
    assert results.loc[hidden, ["value", "low", "high", "n", "n_pairs"]].isna().all().all()


def test_the_page_of_an_audit_prints_no_withheld_number(audit):
    results = pd.read_csv(audit / "results.csv", keep_default_na=False)
    page = (audit / "report.html").read_text(encoding="utf-8")
    printed = dict(re.findall(r'data-statistic="([^"]*)"[^>]*>([^<]*)<', page))
    assert len(printed) > 10
    names = results[["analysis", "method", "mode", "group", "statistic"]].agg("/".join, axis=1)
    hidden = set(names[results["note"].str.startswith("suppressed")])
    assert hidden
    assert not {
        name: text for name, text in printed.items() if name in hidden and re.search(r"\d", text)
    }


@pytest.mark.slow
def test_a_whole_audit_report_tells_no_id_date_or_place(study, tmp_path):
    written = write_report(study, tmp_path / "audit", kind="audit")
    assert {"report.html", "report.ipynb", "provenance.json"} <= set(written.files)
    assert not told(tmp_path / "audit")
    share_report(tmp_path / "audit", tmp_path / "shared")
    assert not told(tmp_path / "shared")


@pytest.mark.slow
@pytest.mark.browser
def test_the_printed_audit_tells_no_id_date_or_place(study, tmp_path):
    if browser() is None:
        pytest.skip("no Chromium on this machine")
    write_report(study, tmp_path / "audit", kind="audit", pdf=True)
    printed = (tmp_path / "audit" / "report.pdf").read_bytes()
    texts = [printed.decode("latin-1"), *unpacked_streams(printed)]
    assert any("/ToUnicode" in text for text in texts[:1])  # glyphs, so ask a reader as well
    if reader := shutil.which("pdftotext"):
        done = subprocess.run(
            [reader, str(tmp_path / "audit" / "report.pdf"), "-"], capture_output=True, check=True
        )
        texts.append(done.stdout.decode("utf-8"))
        assert "limits of agreement" in texts[-1].lower()
    assert not [one[0] for text in texts for one in TELLTALE.finditer(text)]
    assert not [text for text in texts if PLACE in text]


def unpacked_streams(printed):
    """Return every packed stream of a PDF, unpacked: its outline, titles and drawing orders."""
    found = []
    for match in re.finditer(rb"stream\r?\n(.*?)\r?\nendstream", printed, re.DOTALL):
        try:
            found.append(zlib.decompress(match[1]).decode("latin-1"))
        except zlib.error:  # a picture or a font that is packed in another way
            continue
    assert found
    return found


PERSONAL = {  # a column of who or where a person is, and what stands in it
    "first_name": "Zaubertraud",
    "last name": "Quixelbrunn",
    "Date of Birth": "1977-01-31",
    "dob": "31.01.1977",
    "e-mail": "zq@quixel.example",
    "phone": "5550199",
    "street": "Quixelgasse",
    "postcode": "QXL-88",
    "latitude": "61.2345678",
    "GPS position": "61.2345678N",
}


def test_columns_of_who_and_where_are_named_and_their_cells_are_in_no_output(study, tmp_path):
    told_of = tmp_path / "study"
    shutil.copytree(study, told_of)
    for name in ("athletes.csv", "lab_tests.csv", "field_estimates.csv"):
        head, *lines = (told_of / name).read_text(encoding="utf-8").splitlines()
        head += "," + ",".join(PERSONAL)
        lines = [f"{line},{','.join(PERSONAL.values())}" for line in lines]
        (told_of / name).write_text("\n".join([head, *lines]) + "\n", encoding="utf-8")
    cohort, problems = inspect_cohort(told_of)
    noted = [(p.file, p.column) for p in problems if p.reason == "personal_column"]
    assert sorted(noted) == sorted(
        (name, column)
        for name in ("athletes.csv", "lab_tests.csv", "field_estimates.csv")
        for column in PERSONAL
    )
    write_pairs(told_of, tmp_path / "pairs")
    texts = [findings_json(problems), every_text(tmp_path / "pairs")]
    texts.append(estimates_frame(cohort.study).to_csv())
    read = (getattr(cohort.study, name) for name in cohort.study.__dataclass_fields__)
    texts += [one.to_csv() for one in read if isinstance(one, pd.DataFrame)]  # what reports know
    assert not [cell for text in texts for cell in PERSONAL.values() if cell in text]
