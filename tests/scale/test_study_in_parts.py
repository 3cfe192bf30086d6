"""A study whose estimates lie in parts gives what the same study in one file gives."""

import numpy as np
import pandas as pd
import pytest
from simulate import simulate_cohort
from typer.testing import CliRunner

from agreement import cli
from agreement.tables import parts
from agreement.tables.row_groups import column_of
from agreement.tables.study import inspect_study, read_study


@pytest.fixture(scope="module")
def studies(tmp_path_factory):
    pytest.importorskip("pyarrow", reason="studies in parts need the extra `scale`")
    root = tmp_path_factory.mktemp("parts")
    for name in ("one", "many"):
        simulate_cohort(8, rng=5).write(root / name)
    whole = root / "many" / "field_estimates.csv"
    rows = pd.read_csv(whole, dtype=str, keep_default_na=False)
    whole.unlink()
    folder = root / "many" / "field_estimates"
    folder.mkdir()
    # every third row, so that each athlete's series is spread over all parts
    rows.iloc[::3].to_csv(folder / "a.csv", index=False)
    rows.iloc[1::3].to_csv(folder / "b.csv", index=False)
    rows.iloc[2::3].to_parquet(folder / "c.parquet", index=False)
    for name in ("one", "many"):
        done = CliRunner().invoke(
            cli.app, ["pair", str(root / name), "--out", str(root / f"{name}-out")]
        )
        assert done.exit_code == 0, done.output
    return root


def test_the_pairs_are_the_same(studies):
    one, many = (
        pd.read_csv(studies / f"{n}-out" / "pairs.csv", dtype=str) for n in ("one", "many")
    )
    assert len(one) > 10
    same, other = one.drop(columns=["lab", "field", "difference"]), many[one.columns]
    assert same.equals(other[same.columns])
    for name in ("lab", "field", "difference"):
        np.testing.assert_allclose(many[name].astype(float), one[name].astype(float), rtol=1e-9)


def test_twenty_methods_are_told_apart(tmp_path):
    """Few categories have codes of 8 bits, in which 20 methods times modes do not fit."""
    (tmp_path / "study.toml").write_text(
        '[study]\ntime_zone = "UTC"\n[pairing]\nminimum_days = 1\n'
    )
    people = [f"A{i}" for i in range(4)]
    tests = {"lab_test_id": people, "athlete_id": people, "date": "2026-05-01", "mode": "run"}
    tests |= {"vo2max_ml_kg_min": [44.1, 50.3, 57.2, 61.9], "averaging_rule": "moving 30 s"}
    pd.DataFrame(tests).to_csv(tmp_path / "lab_tests.csv", index=False)
    every = pd.DataFrame({"method": [f"m{i:03d}" for i in range(20)]})
    every = every.merge(pd.DataFrame({"athlete_id": people}), how="cross")
    every["vo2max_ml_kg_min"] = np.round(np.linspace(40, 65, len(every)), 1)
    every = every.assign(mode="run", taken_at="2026-04-28T10:00")
    (tmp_path / "field_estimates").mkdir()
    for part in range(2):
        every.iloc[part::2].to_csv(tmp_path / "field_estimates" / f"{part}.csv", index=False)
    done = CliRunner().invoke(cli.app, ["pair", str(tmp_path), "--out", str(tmp_path / "out")])
    assert done.exit_code == 0, done.output
    pairs = pd.read_csv(tmp_path / "out" / "pairs.csv", dtype={"field": float})
    expected = every.set_index(["method", "athlete_id"])["vo2max_ml_kg_min"]
    found = pairs.set_index(["method", "athlete_id"])["field"]
    pd.testing.assert_series_equal(found.sort_index(), expected.sort_index(), check_names=False)


TEXTS_OF_TIMES = {
    "local": ["2026-04-28T00:46", "2026-04-29T23:30"],
    "some with an offset": ["2026-04-28T00:46Z", "2026-04-29T00:30"],
    "day first": ["8.4.2026", "9.4.2026 10:00", "25.4.2026"],
    "month first": ["4/8/2026", "4/25/2026"],
    "undecided": ["8.4.2026", "9.4.2026"],
    "days": ["2026-04-28", "2026-04-29"],
    "a month": ["2026-04", "2026-04-29"],
}


@pytest.mark.parametrize("texts", TEXTS_OF_TIMES.values(), ids=TEXTS_OF_TIMES)
def test_times_written_as_text_are_read_in_parquet_as_in_csv(tmp_path, texts):
    """Texts of Parquet come as categories, of which pandas guesses order and zone."""
    (tmp_path / "study.toml").write_text('[study]\ntime_zone = "America/St_Johns"\n')
    (tmp_path / "lab_tests.csv").write_text(
        "lab_test_id,athlete_id,date,mode,vo2max_ml_kg_min,averaging_rule\n"
        "L,A,2026-05-01,run,44.1,moving 30 s\n"
    )
    rows = pd.DataFrame({"athlete_id": "A", "taken_at": texts, "method": "m", "mode": "run"})
    rows["vo2max_ml_kg_min"] = np.arange(40.0, 40 + len(texts))
    (tmp_path / "field_estimates").mkdir()
    found = []
    for write, name in ((rows.to_csv, "a.csv"), (rows.to_parquet, "a.parquet")):
        part = tmp_path / "field_estimates" / name
        write(part, index=False)
        study, problems = inspect_study(tmp_path)
        own = None if study is None else study.field_estimates[["date", "instant", "row"]]
        stops = [(one.reason, one.row, one.what) for one in problems if one.severity == "stop"]
        found.append(({} if own is None else own.to_dict(), stops))
        part.unlink()
    assert found[0] == found[1]
    assert bool(found[0][0]) != bool(found[0][1])


@pytest.mark.parametrize("group", [1, 7, 24])
def test_an_odd_value_is_judged_beside_its_file_and_not_its_row_group(tmp_path, group, monkeypatch):
    """Alone in a group, or left over after all others, it would be more than half of its column."""
    monkeypatch.setattr(parts, "ROWS_AT_ONCE", 24)
    monkeypatch.setattr(parts, "ROWS_PER_PIECE", 24)
    (tmp_path / "study.toml").write_text('[study]\ntime_zone = "UTC"\n')
    (tmp_path / "lab_tests.csv").write_text(
        "lab_test_id,athlete_id,date,mode,vo2max_ml_kg_min,averaging_rule\n"
        "L,A,2026-05-01,run,44.1,moving 30 s\n"
    )
    taken = pd.date_range("2026-04-01T10:00", periods=25, freq="D")
    every = pd.DataFrame({"athlete_id": "A", "taken_at": taken, "mode": "run"})
    every = every.assign(method=[f"m{i % 3}" for i in range(25)], vo2max_ml_kg_min=44.0)
    every.loc[24, "vo2max_ml_kg_min"] = 400.0
    (tmp_path / "field_estimates").mkdir()
    part = tmp_path / "field_estimates" / "a.parquet"
    every.to_parquet(part, index=False, row_group_size=group)
    study = read_study(tmp_path)
    assert study.set_aside[["reason", "row"]].to_numpy().tolist() == [["out_of_range", 26]]
    assert study.field_estimates["method"].tolist() == every["method"].tolist()[:-1]
    assert study.field_estimates["row"].tolist() == list(range(2, 26))


@pytest.mark.parametrize("kind", ["int8", "int64", "uint8", "uint32"])
def test_categories_are_read_whoever_wrote_their_codes(kind):
    arrow = pytest.importorskip("pyarrow")
    codes = arrow.array([1, None, 0], kind)
    found = column_of(arrow.DictionaryArray.from_arrays(codes, ["wrist", "chest"]))
    assert found.astype("str").fillna("none").tolist() == ["chest", "none", "wrist"]
    twice = column_of(arrow.DictionaryArray.from_arrays(codes, ["wrist", "wrist"]))
    assert twice.astype("str").fillna("none").tolist() == ["wrist", "none", "wrist"]


def test_rows_of_parts_lie_in_memory_once(studies, monkeypatch):
    """In the table that they make; what a piece leaves besides is its account."""
    kept, summed = [], parts.summed
    monkeypatch.setattr(parts, "summed", lambda *given: kept.extend(given[1]) or summed(*given))
    study = read_study(studies / "many")
    assert len(kept) == 3
    assert not any(len(table.frame) for _, piece in kept for table in piece.tables)
    assert len(study.field_estimates) > 100


def test_every_row_is_accounted_for_and_every_line_left_out_is_written(studies):
    out = studies / "many-out"
    flow = pd.read_csv(out / "flow.csv")
    assert (flow.rows_read == flow.used + flow.summarised + flow.excluded).all()
    alone = pd.read_csv(studies / "one-out" / "flow.csv")
    assert flow.drop(columns="file").equals(alone.drop(columns="file"))
    many, one = (pd.read_csv(o / "exclusions.csv", dtype=str) for o in (out, studies / "one-out"))
    assert many["reason"].value_counts().to_dict() == one["reason"].value_counts().to_dict()
