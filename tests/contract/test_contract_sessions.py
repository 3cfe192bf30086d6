"""The session estimate: heart rate and pace carried to the measured maximum, and its guards."""

import gzip

import pandas as pd
import pytest
from turns import slowly

HR_MAX = 190
SLOPE, START = 2.5, 60.0  # bpm per mL/kg/min, and the heart rate at none: the maximum is 52
TRUTH = (HR_MAX - START) / SLOPE
SPEEDS = (9.5, 10.0, 10.5, 11.0, 11.5, 12.0)  # km/h; level running costs 3.5 + 0.2 m/min


def samples(speed_km_h, minutes=40, beats=None):
    """Return 5-second samples of a steady level run whose heart rate follows the oxygen uptake."""
    steps = minutes * 12
    cost = 3.5 + 0.2 * speed_km_h * 1000 / 60
    heart = beats or START + SLOPE * cost
    return pd.DataFrame(
        {
            "t_s": [5.0 * i for i in range(steps)],
            "hr_bpm": [heart + (1 if i % 2 else -1) for i in range(steps)],
            "speed_m_s": [speed_km_h / 3.6] * steps,
            "grade": [0.0] * steps,
        }
    )


def runs(study, speeds=SPEEDS, hr_max=HR_MAX, minutes=40, kind="csv", **more):
    study.lab("A1", 40, 55, hr_max_bpm=hr_max)
    for i, speed in enumerate(speeds):
        name = f"S{i + 1}"
        study.session("A1", 34 + i, session_id=name, duration_min=minutes, **more)
        table = samples(speed, minutes)
        path = study.root / "samples" / f"{name}.{kind}"
        path.parent.mkdir(exist_ok=True)
        if kind == "parquet":
            table.to_parquet(path)
        elif kind == "csv.gz":
            path.write_bytes(gzip.compress(table.to_csv(index=False).encode()))
        else:
            table.to_csv(path, index=False)
    return study


@pytest.mark.parametrize("kind", ["csv", *slowly(["csv.gz", "parquet"])])
def test_steady_runs_on_one_line_give_the_maximum_of_that_line(study, kind):
    if kind == "parquet":
        pytest.importorskip("pyarrow")
    paired = runs(study, kind=kind).pair()
    pair = paired.one(method="sessions_hr")
    assert pair["mode"] == "run"
    assert pair.field == pytest.approx(TRUTH, abs=0.25)
    assert paired.counts("samples")[0] == 6
    read, used, summarised, excluded = paired.counts("sessions.csv")
    assert read == 6 == used + summarised + excluded
    assert summarised >= 2


@pytest.mark.slow
@pytest.mark.parametrize(
    ("toml", "more"),
    [
        ("", {"speeds": (11.0, 11.1, 11.2, 11.0, 11.1, 11.2)}),  # span below 15 bpm
        ("", {"hr_max": 230}),  # the top, 169 bpm, is 73 % of the maximum
        ("[extrapolation]\nminimum_hr_span_bpm = 30\n", {}),  # the span is 21 bpm
        ("[extrapolation]\nminimum_top_share_of_hr_max = 0.95\n", {}),
        ("[extrapolation]\nminimum_points = 100000\n", {}),
        ("[extrapolation]\nmaximum_share_of_hr_max = 0.78\n", {}),  # 148 bpm: one run is left
        ("[extrapolation]\nwindow_days = 1\n", {}),
    ],
)
def test_the_guards_of_the_extrapolation(study, toml, more):
    runs(study, **more).toml = toml
    paired = study.pair()
    assert paired.pairs.empty
    assert "extrapolation_refused" in set(paired.reasons("sessions.csv").values())


def test_sessions_without_heart_rate_are_not_used(study):
    runs(study)
    for i in range(6):
        table = samples(SPEEDS[i])
        table.loc[table.index % 4 != 0, "hr_bpm"] = 0  # three quarters lost
        table.to_csv(study.root / "samples" / f"S{i + 1}.csv", index=False)
    paired = study.pair()
    assert paired.pairs.empty
    assert set(paired.reasons("sessions.csv").values()) == {"session_quality"}


def test_the_ledger_of_sessions_without_pair_adds_up(study):
    study.lab("A1", 40).two("A1", 40, 52)
    for i in range(5):
        study.session("A1", 34 + i, zone1_min=50, zone2_min=8, zone3_min=2)
    paired = study.pair()
    read, used, summarised, excluded = paired.counts("sessions.csv")
    assert read == 5 == used + summarised + excluded
    assert excluded == len(paired.reasons("sessions.csv"))


def test_the_estimates_table(study, run_quickly, read_csv):
    runs(study).field_test("A1", 38, "run_12min_1968", distance_m=2800)
    out = study.parent / "estimates.csv"
    ran = run_quickly("estimate", study.save(), "--out", out)
    assert ran.code == 0, ran.stderr
    table = read_csv(out)
    assert {"athlete_id", "taken_at", "method", "mode", "vo2max_ml_kg_min", "sensor"} <= set(table)
    assert {"protocol", "in_range", "standard_error"} <= set(table)
    run_12 = table[table.method == "run_12min_1968"]
    assert run_12.vo2max_ml_kg_min.tolist() == pytest.approx([(2800 - 504.9) / 44.73])
    session = table[table.method == "sessions_hr"]
    assert session.vo2max_ml_kg_min.iloc[-1] == pytest.approx(TRUTH, abs=0.25)
