"""Streaming gives what reading everything at once gives, and stops as a whole or not at all."""

import shutil

import numpy as np
import pandas as pd
import pyarrow as pa
import pytest
from printed import bare_numbers, wrong_numbers
from pyarrow import parquet
from scipy.stats.mstats import mquantiles
from typer.testing import CliRunner

from agreement import cli
from agreement.cohort import inspect_cohort
from agreement.scale import registry_results, streamed
from agreement.scale.engine import LocalEngine
from agreement.stats.result import rows_frame
from agreement.tables import parts
from agreement.tables.study import read_study

KEYS = ["analysis", "method", "mode", "group", "statistic"]
SUMS = {"limits_of_agreement", "trend", "regression", "error", "verdict", "interval_width"}


def run(*args):
    return CliRunner().invoke(cli.app, [str(arg) for arg in args])


@pytest.fixture(scope="module")
def both(registry_once, tmp_path_factory):
    """Return the study in memory and streamed, in small batches and many buckets."""
    work = tmp_path_factory.mktemp("work")
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(streamed, "ROWS_PER_BUCKET", 400)
        patch.setattr(parts, "ROWS_AT_ONCE", 300)
        found, problems = streamed.inspect_streamed(registry_once, work, LocalEngine(1))
    cohort, expected = inspect_cohort(registry_once)
    assert len(found.lines) > 4  # each bucket has left something out
    return found, problems, cohort, expected


def test_pairs_days_and_flow_are_those_of_the_study_in_memory(both):
    found, _, cohort, _ = both
    assert len(cohort.pairs) > 50
    pd.testing.assert_frame_equal(found.pairing.pairs, cohort.pairs)
    pd.testing.assert_frame_equal(found.pairing.daily, cohort.pairing.daily)
    pd.testing.assert_frame_equal(found.pairing.flow, cohort.flow)


def test_lines_left_out_are_those_of_the_study_in_memory_in_their_order(both):
    found, _, cohort, _ = both
    expected = cohort.exclusions.astype(dict.fromkeys(("file", "reason", "message"), "str"))
    pd.testing.assert_frame_equal(found.all_exclusions(), expected)


def test_everything_found_is_said_once_in_words_of_the_whole_study(both):
    _, problems, _, expected = both

    def place(problem):
        return (problem.severity, problem.reason, problem.file, problem.row or 0, problem.what)

    kinds = {problem.reason for problem in problems}
    assert {"copy", "stale", "missing_value", "out_of_range", "mass_mismatch"} <= kinds
    said = sorted(place(p) for p in problems if "unusual" not in p.reason)
    assert said == sorted(place(p) for p in expected if "unusual" not in p.reason)


def test_rows_are_named_by_part_and_by_their_row_in_it(registry):
    cohort, _ = inspect_cohort(registry)
    lines = cohort.exclusions[cohort.exclusions["reason"] == "out_of_range"]
    assert len(lines) >= 1
    for file, row in zip(lines["file"].astype(str), lines["row"], strict=True):
        path = registry / file
        part = pd.read_csv(path) if path.suffix == ".csv" else pd.read_parquet(path)
        assert part.iloc[row - 2]["vo2max_ml_kg_min"] == 400.0  # the header is row 1


@pytest.mark.slow
def test_a_registry_small_enough_is_analysed_as_ever(both):
    found, _, cohort, _ = both
    results = registry_results.registry_results(found)
    assert results.athletes == results.sampled > 30
    # neither sessions nor readings nor the days of tests are held so long
    of_readings = ["intensity_coverage", "error_split", "pairing_rule", "across_modes"]
    of_readings += ["laboratory_change"]
    found, whole = (
        frame[~frame["analysis"].isin(of_readings)].reset_index(drop=True)
        for frame in (results.frame, cohort.results.frame)
    )
    pd.testing.assert_frame_equal(found, whole)
    said = results.frame.loc[results.frame["analysis"] == "error_split", "note"]
    assert set(said) == {"not_estimable: not computed for estimates in parts."}


POOLED = ["bias_pooled", "weight_own", "p_beyond_mean_limit", "p_difference_all", "sd_between"]


def test_of_a_large_one_sums_are_exact_and_the_rest_says_it_is_a_sample(both, monkeypatch):
    found, _, cohort, _ = both
    monkeypatch.setattr(registry_results, "SAMPLE", 25)
    frame = registry_results.registry_results(found).frame
    merged = cohort.results.frame.merge(frame, on=KEYS, suffixes=("", "_large"))
    exact = merged[merged["analysis"].isin(SUMS)]
    verdict = merged[(merged["analysis"] == "verdict") & merged["value_large"].notna()]
    rests = verdict["note_large"].str.contains("sample of .* athletes")
    assert rests.equals(verdict["statistic"] != "more_athletes")  # own limits, fitness: a sample's
    of_sample = "outer_end"  # of less fit and fit athletes: sums do not tell
    exact = exact[~exact["statistic"].str.startswith(of_sample)]
    exact = exact[~exact["statistic"].isin(POOLED)]  # not in the sums
    assert (
        not exact.loc[exact["analysis"] != "verdict", "note_large"].str.contains("sample of").any()
    )
    p_values = exact["statistic"].isin(["p_slope", "p_spread"])  # of groups of athletes
    np.testing.assert_allclose(
        exact["value_large"][~p_values & exact["value_large"].notna()],
        exact["value"][~p_values & exact["value_large"].notna()],
        rtol=1e-9,
        equal_nan=True,
    )
    assert (exact["n_large"] == exact["n"]).all()
    sampled = merged[merged["analysis"] == "passing_bablok"]
    assert sampled["note_large"].str.contains("sample of .* athletes, seed 20260101").all()
    slopes = sampled["statistic"] == "slope"
    assert sampled["note_large"][slopes].str.contains("sampling error 0").all()


def test_quantiles_of_a_large_one_are_those_of_all_pairs(registry_writer, tmp_path):
    work = tmp_path / "work"
    work.mkdir()
    registry = registry_writer(tmp_path / "registry", rows=6000)
    found, _ = streamed.inspect_streamed(registry, work, LocalEngine(1))
    rows = {
        (data.method, data.mode): registry_results.exact_parts(data)[0]
        for data in registry_results.exact_data(registry_results._evidence(found))
    }
    told = 0
    for key, own in found.pairing.pairs.groupby(["method", "mode"]):
        if len(own) < 39:
            continue  # the quantiles would lie outside the data
        # an independent library's quantiles of the same type
        true = mquantiles(own["difference"], [0.025, 0.5, 0.975], alphap=0, betap=0)
        row = rows_frame(rows[key]["quantile_limits"])
        assert row["statistic"].tolist() == ["lower_limit", "median", "upper_limit"]
        np.testing.assert_allclose(row["value"], true, atol=1e-6)  # rounded
        assert (row["n_pairs"] == len(own)).all()
        told += 1
    assert told == 2


@pytest.mark.slow
def test_the_sample_is_the_same_in_however_many_buckets(registry, tmp_path, monkeypatch):
    monkeypatch.setattr(registry_results, "SAMPLE", 25)
    frames = []
    for rows in (400, 100_000):
        monkeypatch.setattr(streamed, "ROWS_PER_BUCKET", rows)
        work = tmp_path / str(rows)
        work.mkdir()
        found, _ = streamed.inspect_streamed(registry, work, LocalEngine(1))
        frames.append(registry_results.registry_results(found).frame)
    pd.testing.assert_frame_equal(*frames, rtol=1e-9)


def break_corrupt(folder):
    (folder / "part-1.parquet").write_bytes(b"PAR1 this is no parquet file PAR1")


def break_cut_off(folder):
    path = folder / "part-1.parquet"
    path.write_bytes(path.read_bytes()[:-2000])


def break_columns(folder):
    path = folder / "part-2.csv"
    pd.read_csv(path).rename(columns={"method": "device_kind"}).to_csv(path, index=False)


def break_empty(folder):
    (folder / "part-2.csv").write_bytes(b"")


@pytest.mark.parametrize(
    ("harm", "file", "sentence"),
    [
        (break_corrupt, "part-1.parquet", "cannot be read"),
        (break_cut_off, "part-1.parquet", "cannot be read"),
        (break_columns, "part-2.csv", "column 'method' is missing"),
        (break_empty, "part-2.csv", "The file is empty."),
    ],
)
def test_a_bad_part_stops_the_run_with_one_clear_sentence(registry, tmp_path, harm, file, sentence):
    harm(registry / "field_estimates")
    out = tmp_path / "out"
    done = run("pair", registry, "--out", out, "--workers", 1)
    assert done.exit_code == 2
    assert f"field_estimates/{file}" in done.stderr
    assert sentence in done.stderr
    assert not out.exists()
    assert [p.name for p in tmp_path.iterdir()] == ["registry"]  # nor anything half-written
    assert run("check", registry, "--workers", 1).exit_code == 2


@pytest.mark.parametrize("read", ["in memory", "streamed"])
def test_a_part_damaged_behind_its_first_rows_stops_too(registry, tmp_path, monkeypatch, read):
    monkeypatch.setattr(parts, "ROWS_AT_ONCE", 300)
    path = registry / "field_estimates" / "part-1.parquet"
    rows = pa.Table.from_pandas(pd.read_parquet(path), preserve_index=False)
    parquet.write_table(rows, path, data_page_size=1024, compression="zstd", use_dictionary=False)
    group = parquet.read_metadata(path).row_group(0)
    values = group.column(rows.column_names.index("vo2max_ml_kg_min"))
    content = bytearray(path.read_bytes())
    at = values.data_page_offset + int(values.total_compressed_size * 0.8)
    content[at : at + 64] = b"\xff" * 64
    path.write_bytes(content)
    with pytest.raises(OSError, match="corrupt"):  # but not before some rows
        assert [batch.num_rows for batch in parquet.ParquetFile(path).iter_batches(300)][1:]
    if read == "streamed":
        found, problems = streamed.inspect_streamed(registry, tmp_path, LocalEngine(1))
    else:
        found, problems = inspect_cohort(registry)
    assert found is None
    assert [p.file for p in problems if p.severity == "stop"] == ["field_estimates/part-1.parquet"]


def test_a_part_without_rows_is_no_error(registry, tmp_path):
    folder = registry / "field_estimates"
    none = pd.read_parquet(folder / "part-1.parquet").iloc[:0]
    none.to_parquet(folder / "part-9.parquet", index=False)
    header = (folder / "part-0.csv").read_text().splitlines()[0]
    (folder / "part-8.csv").write_text(header + "\n")
    out = tmp_path / "out"
    done = run("pair", registry, "--out", out, "--workers", 1)
    assert done.exit_code == 0, done.stderr
    flow = pd.read_csv(out / "flow.csv").set_index("file")
    assert flow.loc["field_estimates", "rows_read"] == 3070
    assert len(read_study(registry).inputs) == 8


def test_a_folder_without_parts_stops(registry):
    for path in (registry / "field_estimates").iterdir():
        path.unlink()
    done = run("check", registry)
    assert done.exit_code == 2
    assert "holds no part" in done.output


def test_a_table_and_a_folder_of_the_same_name_stop(registry):
    (registry / "field_estimates.csv").write_text("athlete_id\n")
    done = run("check", registry)
    assert done.exit_code == 2
    assert "Two files could be the table field_estimates" in done.output


def test_people_who_withdrew_leave_every_part_in_one_line(registry, tmp_path):
    athletes = pd.read_csv(registry / "athletes.csv")
    athletes["withdrawn"] = np.where(athletes["athlete_id"] == "p004", "yes", "no")
    athletes.to_csv(registry / "athletes.csv", index=False)
    out = tmp_path / "out"
    assert run("pair", registry, "--out", out, "--workers", 1).exit_code == 0
    for path in [out / "pairs.csv", out / "exclusions.csv"]:
        assert "p004" not in path.read_text()
    lines = pd.read_csv(out / "exclusions.csv")
    own = lines[(lines["file"] == "field_estimates") & (lines["reason"] == "withdrawn")]
    assert own["message"].str.fullmatch(r"\d+ rows removed at the participant's own request.").all()
    assert len(own) == 1


@pytest.mark.slow
def test_the_laboratorys_control_is_no_athlete_of_a_registry_either(registry, tmp_path):
    toml = registry / "study.toml"
    toml.write_text(f'{toml.read_text()}[control]\nathlete_id = "p005"\n')
    found, _ = streamed.inspect_streamed(registry, tmp_path, LocalEngine(1))
    cohort, _ = inspect_cohort(registry)
    assert "p005" not in set(found.pairing.pairs["athlete_id"])
    pd.testing.assert_frame_equal(found.pairing.pairs, cohort.pairs)
    pd.testing.assert_frame_equal(found.pairing.flow, cohort.flow)
    expected = cohort.exclusions.astype(dict.fromkeys(("file", "reason", "message"), "str"))
    assert (expected["reason"] == "control").sum() > 20
    pd.testing.assert_frame_equal(found.all_exclusions(), expected)


def test_the_laboratory_of_a_registry_is_doubted_as_any(registry, tmp_path):
    tests = pd.read_csv(registry / "lab_tests.csv")
    later = (pd.Timestamp(tests["date"][0]) + pd.Timedelta(days=2)).date().isoformat()
    other = tests.iloc[[0]].assign(lab_test_id="x", date=later, vo2max_ml_kg_min=75.0)
    pd.concat([tests, other]).to_csv(registry / "lab_tests.csv", index=False)
    done = run("pair", registry, "--out", tmp_path / "out", "--workers", 1)
    assert done.exit_code == 2
    assert "further than one person changes" in done.stderr
    assert "two_bodies = {" in done.stderr
    (registry / "study.toml").write_text(
        (registry / "study.toml").read_text()
        + '\n[confirm]\ntwo_bodies = { reason = "altitude camp", on = 2026-06-01 }\n'
    )
    assert run("check", registry, "--workers", 1).exit_code == 0


@pytest.mark.parametrize(
    ("column", "value", "code"), [("taken_at", "2062-05-01", "odd_dates"), ("athlete_id", "Mean", "hidden_rows")]
)  # fmt: skip
def test_rows_of_parts_are_doubted_in_memory_and_streamed(registry, tmp_path, column, value, code):
    """By the part and its own row, until they are confirmed; the part is read to its end."""
    path = registry / "field_estimates" / "part-2.csv"
    part = pd.read_csv(path)
    part.loc[5, column] = value
    part.to_csv(path, index=False)
    _, in_memory = inspect_cohort(registry)
    _, streaming = streamed.inspect_streamed(registry, tmp_path, LocalEngine(1))
    for found in (in_memory, streaming):
        assert [(p.file, p.row, p.column, p.reason) for p in found if p.severity == "stop"] == [
            ("field_estimates/part-2.csv", 7, column, code)
        ]
    toml = registry / "study.toml"
    why = f'\n[confirm]\n{code} = {{ reason = "an aim", on = 2026-06-01 }}\n'
    toml.write_text(toml.read_text() + why)
    (work := tmp_path / "work").mkdir()
    found, problems = streamed.inspect_streamed(registry, work, LocalEngine(1))
    assert [p.severity for p in problems if p.reason == code] == ["note"]
    assert found.pairing.flow.set_index("file").loc["field_estimates", "rows_read"] == 3070


@pytest.mark.slow
def test_the_report_of_a_large_registry_says_what_it_is(registry, tmp_path, monkeypatch):
    from agreement.report.run import any_size

    monkeypatch.setattr(any_size, "MOST_IN_MEMORY", 1000)
    monkeypatch.setattr(registry_results, "SAMPLE", 25)
    study, out = shutil.copytree(registry, tmp_path / "study"), tmp_path / "out"
    with (study / "study.toml").open("a") as file:
        file.write("[report]\npng = true\n")
    done = run("report", study, "--out", out, "--workers", 1)
    assert done.exit_code == 0, done.stderr
    page = (out / "report.html").read_text()
    assert '<div id="verdict">' in page
    assert "computed on a sample of" in page
    assert "Why rows were left out" in page
    assert "Nothing was left out" not in page
    assert 'data-statistic="limits_of_agreement/wrist/run/all/bias"' in page
    results = pd.read_csv(out / "results.csv", keep_default_na=False, na_values=[""])
    wrong, marked = wrong_numbers(page, results)
    assert (wrong, marked > 50) == ([], True)
    assert bare_numbers(page) == []
    closer = results[results["analysis"].eq("closer")]
    assert len(closer)
    assert not closer["note"].str.contains("sample of").any()  # every test that two methods share
    assert "no heart-rate-limiting drug" not in page  # nobody takes one: it is everybody again
    assert (out / "figures" / "differences-wrist-run.svg").is_file()
    assert (out / "figures" / "differences-wrist-run.png").is_file()
    names = {path.name for path in out.iterdir()}
    assert {"results.csv", "pairs.csv", "flow.csv", "provenance.json", "exclusions.csv"} <= names
    assert run("verify", out).exit_code == 0


@pytest.mark.slow
def test_an_audit_of_a_large_registry_writes_no_ids(registry, tmp_path, monkeypatch):
    from agreement.report.run import any_size

    monkeypatch.setattr(any_size, "MOST_IN_MEMORY", 1000)
    out = tmp_path / "out"
    done = run("report", registry, "--out", out, "--report", "audit", "--workers", 1)
    assert done.exit_code == 0, done.stderr
    ids = pd.read_csv(registry / "athletes.csv")["athlete_id"]
    for path in (p for p in out.rglob("*") if p.is_file()):
        text = path.read_text()
        if path.suffix == ".svg":
            assert text.count("<use") < 40  # ticks: no point, which is a person
        assert not [one for one in ids if one in text], path.name
    lines, flow = pd.read_csv(out / "exclusions.csv"), pd.read_csv(out / "flow.csv")
    assert lines[["row", "id"]].isna().all(axis=None)
    rows = lines["message"].str.split().str[0].astype(int).groupby(lines["file"]).sum()
    left_out = flow.set_index("file")["excluded"]
    assert rows.to_dict() == left_out[left_out > 0].to_dict()
    assert pd.read_csv(out / "pairs.csv").empty
    shared = run("share", out, "--out", tmp_path / "shared")
    assert shared.exit_code == 0, shared.stderr
    for name in ("exclusions.csv", "results.csv", "flow.csv"):
        assert (tmp_path / "shared" / name).read_bytes() == (out / name).read_bytes()
    assert run("report", registry, "--out", tmp_path / "squad", "--workers", 1).exit_code == 0
    shared = run("share", tmp_path / "squad", "--out", tmp_path / "two")
    assert shared.exit_code == 0, shared.stderr
    assert (tmp_path / "two" / "exclusions.csv").read_bytes() == (
        out / "exclusions.csv"
    ).read_bytes()


def test_a_study_without_a_pair_is_written_with_all_its_lines(registry, tmp_path):
    path = registry / "lab_tests.csv"
    pd.read_csv(path).assign(date="2020-01-01").drop_duplicates("athlete_id").to_csv(path)
    out = tmp_path / "out"
    done = run("pair", registry, "--out", out, "--workers", 1)
    assert done.exit_code == 0, done.stderr
    assert len(pd.read_csv(out / "pairs.csv")) == 0
    flow = pd.read_csv(out / "flow.csv", index_col="file").loc["field_estimates"]
    lines = pd.read_csv(out / "exclusions.csv")
    in_parts = lines["file"].str.startswith("field_estimates/").sum()
    assert flow["rows_read"] == flow["excluded"] == in_parts
