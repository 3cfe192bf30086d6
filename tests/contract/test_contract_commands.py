"""The commands: exit codes, streams, where output may go."""

import json

import pytest


def small(study):
    for i in range(3):
        study.lab(f"A{i}", 40, 50 + i).two(f"A{i}", 40, 52.5 + i)
    return study.save()


@pytest.mark.slow
def test_done_is_zero_and_the_fault_of_the_input_is_two(study, run, tmp_path):
    root = small(study)
    assert run("check", root).code == 0
    missing = run("check", tmp_path / "nowhere")
    assert missing.code == 2
    assert "nowhere" in missing.stdout + missing.stderr  # findings are what `check` gives
    assert "Traceback" not in missing.stderr


@pytest.mark.parametrize(
    "arguments",
    [("chekc",), ("check",), ("pair", "--outt", "x"), ("report", ".", "--report", "essay")],
)
def test_a_wrong_command_line_is_two(run_quickly, arguments):
    assert run_quickly(*arguments).code == 2


def test_a_folder_of_someone_else_is_refused_and_left_alone(study, run_quickly, tmp_path):
    out = tmp_path / "out"
    out.mkdir()
    (out / "thesis.txt").write_text("mine")
    ran = run_quickly("pair", small(study), "--out", out)
    assert ran.code == 2
    assert [p.name for p in out.iterdir()] == ["thesis.txt"]
    assert "out" in ran.stderr


def test_an_empty_folder_is_accepted(study, run_quickly, tmp_path):
    out = tmp_path / "out"
    out.mkdir()
    assert run_quickly("pair", small(study), "--out", out).code == 0
    assert {"pairs.csv", "exclusions.csv", "flow.csv"} <= {p.name for p in out.iterdir()}


def test_a_report_into_a_folder_of_someone_else_is_refused(study, run_quickly, tmp_path):
    out = tmp_path / "out"
    out.mkdir()
    (out / "thesis.txt").write_text("mine")
    assert run_quickly("report", small(study), "--out", out).code == 2
    assert (out / "thesis.txt").read_text() == "mine"


def test_tables_are_plain_bytes(study, run_quickly, tmp_path):
    run_quickly("pair", small(study), "--out", tmp_path / "out")
    for path in (tmp_path / "out").glob("*.csv"):
        raw = path.read_bytes()
        assert b"\r" not in raw
        assert not raw.startswith(b"\xef\xbb\xbf")
        assert raw.endswith(b"\n")


@pytest.mark.slow
def test_the_same_bytes_twice(study, run_quickly, tmp_path):
    root = small(study)
    for name in ("one", "two"):
        run_quickly("pair", root, "--out", tmp_path / name)
    for path in (tmp_path / "one").glob("*.csv"):
        assert path.read_bytes() == (tmp_path / "two" / path.name).read_bytes()


@pytest.mark.slow
def test_the_study_folder_is_not_touched(study, run_quickly, tmp_path):
    root = small(study)
    before = {p: p.read_bytes() for p in root.rglob("*") if p.is_file()}
    run_quickly("check", root)
    run_quickly("pair", root, "--out", tmp_path / "out")
    assert {p: p.read_bytes() for p in root.rglob("*") if p.is_file()} == before


PROTOCOLS = [
    "run_12min_1968",
    "run_1_5mile_1993",
    "run_1_5mile_inverse_time",
    "walk_1mile_1987",
    "shuttle_20m_1988_child",
    "shuttle_20m_1988_adult",
    "shuttle_20m_1982",
    "hr_ratio_2004",
    "cycle_submax_1954",
    "cycle_stages_hr",
    "cycle_max_power_1990",
    "walk_treadmill_1991",
    "step_3min_1972",
    "race_time_1979",
    "shuttle_intermittent_1_2008",
]


def test_protocols_as_data(run_quickly):
    ran = run_quickly("protocols", "--json")
    assert ran.code == 0
    text = json.dumps(json.loads(ran.stdout))
    missing = [p for p in PROTOCOLS if f'"{p}"' not in text]
    assert missing == []


def test_protocols_as_text(run_quickly):
    ran = run_quickly("protocols")
    assert ran.code == 0
    assert "run_12min_1968" in ran.stdout


def test_a_plan_as_data(run_quickly):
    # Bias 0.001167, SD 0.001129, margin 0.004, power 0.80: n = 83 in print with the 1999 standard
    # error (Lu et al. 2016, read second-hand), 97 with the exact bound.
    ran = run_quickly(
        "plan", "--sd", "1.129", "--bias", "1.167", "--margin", "4", "--power", "0.8", "--json"
    )
    assert ran.code == 0, ran.stderr
    found = json.loads(ran.stdout)
    numbers = [v for v in found.values() if isinstance(v, int | float)]
    assert 97 in numbers


def test_a_plan_that_no_number_can_meet(run_quickly):
    ran = run_quickly("plan", "--sd", "3", "--bias", "0", "--margin", "3.5", "--json")
    assert ran.code == 0
    json.loads(ran.stdout)


def test_a_new_study_folder_is_commented_and_names_what_is_missing(run_quickly, tmp_path):
    ran = run_quickly("new", tmp_path / "mine")
    assert ran.code == 0, ran.stderr
    text = (tmp_path / "mine" / "study.toml").read_text(encoding="utf-8")
    assert text.count("#") > 10
    for key in ("time_zone", "limit_ml_kg_min", "agreed_on", "days_before"):
        assert key in text


def test_a_new_study_folder_passes_check_once_filled(run_quickly, tmp_path):
    root = tmp_path / "mine"
    run_quickly("new", root)
    for name, row in {
        "lab_tests": {
            "lab_test_id": "T1",
            "athlete_id": "A1",
            "date": "2026-04-11",
            "mode": "run",
            "vo2max_ml_kg_min": "50.5",
        },
        "field_estimates": {
            "athlete_id": "A1",
            "taken_at": "2026-04-09T09:00:00+02:00",
            "method": "m",
            "mode": "run",
            "vo2max_ml_kg_min": "52.5",
        },
    }.items():
        (path,) = root.glob(f"{name}.csv")
        header = path.read_text(encoding="utf-8-sig").splitlines()[0].split(",")
        assert set(row) <= set(header)
        line = ",".join(row.get(column, "") for column in header)
        path.write_text(",".join(header) + "\n" + line + "\n", encoding="utf-8")
    for path in root.glob("*.csv"):
        if path.stem not in {"lab_tests", "field_estimates"}:
            path.unlink()
    ran = run_quickly("check", root)
    assert ran.code == 0, ran.stdout + ran.stderr


def test_new_refuses_a_folder_in_use(run_quickly, tmp_path):
    (tmp_path / "thesis.txt").write_text("mine")
    assert run_quickly("new", tmp_path).code == 2


@pytest.mark.slow
def test_data_goes_to_stdout_and_talk_to_stderr(study, run, tmp_path):
    root = small(study)
    ran = run("pair", root, "--out", tmp_path / "out")
    assert ran.code == 0
    assert ran.stdout.strip() == "" or str(tmp_path / "out") in ran.stdout
    ran = run("plan", "--sd", "1", "--margin", "4", "--json")
    json.loads(ran.stdout)


def test_help_names_every_command(run_quickly):
    ran = run_quickly("--help")
    assert ran.code == 0
    for command in [
        "check",
        "report",
        "pair",
        "estimate",
        "plan",
        "new",
        "protocols",
        "open",
        "share",
        "verify",
    ]:
        assert command in ran.stdout
