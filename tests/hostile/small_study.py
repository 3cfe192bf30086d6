"""A hand-made study of every input there is, small enough to be spoilt thousands of times."""

import gzip
import os
import random
import shutil
from pathlib import Path

Content = bytes | str | None  # a file; where a link leads to; None: a named pipe
Folder = dict[str, Content]

STUDY_TOML = """\
[study]
title = "A small study"
question = "Will it do?"
time_zone = "Europe/Oslo"
id_map = "ids.csv"
[margin]
limit_ml_kg_min = 6
mean_limit_ml_kg_min = 3.0
agreed_on = 2026-01-10
reason = "Agreed over coffee."
[reference]
averaging_rule = "moving 30 s"
allow_mixed = false
repeat_within_days = 10
sem_ml_kg_min = 1.5
[pairing]
days_before = 14
days_after = 0
same_day = false
summary = "mean"
summary_days = 7
minimum_days = 2
stale_after_days = 21
mode_match = [["run", "walk"]]
[pairing.field_tests]
days_before = 14
days_after = 14
[change]
visits = "first and last"
minimum_gap_days = 21
[profile]
use = "computed"
minimum_sessions = 2
minimum_hours = 1
minimum_weeks = 1
[extrapolation]
minimum_points = 3
window_days = 42
[methods."watchful"]
heart_rate_based = true
resting = false
[report]
kind = "squad"
seed = 20260101
[files.lab_tests]
path = "lab.csv"
separator = ";"
decimal = ","
encoding = "utf-8"
header_rows = 1
date_order = "day-first"
columns = { vo2max_ml_kg_min = "VO2" }
units = { mass_kg = "lb" }
[files.athletes]
codes = { sex = { "1" = "female", "2" = "male" } }

[confirm]
cost_of_work = { reason = "an invented file", on = 2026-01-05 }
"""
ATHLETES = """\
athlete_id,sex,birth_year,age_years,stature_cm,mass_kg,training_profile,hr_limiting_drug,withdrawn
007,1,,31,170,61,long,no,no
NA,2,,24,181,77.5,short,no,no
K3,2,1990,,178,70,long,yes,no
K4,unknown,,40,169,58,,unknown,no
K5,1,,52,165,63,short,no,yes
"""
LAB = """\
lab_test_id;athlete_id;date;mode;VO2;vo2max_l_min;mass_kg;averaging_rule;hr_max_bpm;rer_max;rpe_max;lactate_mmol_l;plateau;tag
T1;007;02.03.2026;run;52,4;;134,5;moving 30 s;190;1,14;19;9,1;yes;
T2;007;06.03.2026;run;53,1;;134,5;moving 30 s;191;1,12;18;8,7;no;
T3;NA;13.03.2026;run;48,0;;170,8;moving 30 s;188;1,15;19;;unknown;
T4;K3;02.03.2026;cycle;;3,31;;unknown;175;1,08;17;;;
T5;K4;20.03.2026;walk;39,5;;;moving 30 s;178;1,11;;;yes;pilot
T6;K5;02.03.2026;run;41,2;;;moving 30 s;;;;;;
T7;007;20.04.2026;run;54,0;;134,5;moving 30 s;190;1,13;19;;yes;
"""
ESTIMATES = (
    "athlete_id,taken_at,method,mode,vo2max_ml_kg_min,sensor,set_mass_kg,set_hr_max_bpm,"
    "set_age_years\n"
    + "".join(
        f"{who},{day}T{hour},{method},{mode},{value},wrist_optical,70,185,30\n"
        for who, day, hour, method, mode, value in [
            ("007", "2026-02-25", "09:00:00+01:00", "watchful", "run", 50),
            ("007", "2026-02-26", "09:00:00Z", "watchful", "run", 51),
            ("007", "2026-02-27", "09:00", "watchful", "run", 51.5),
            ("007", "2026-03-02", "09:00", "watchful", "run", 52),
            ("A-007", "2026-04-15", "18:30", "watchful", "run", 53),
            ("A-007", "2026-04-16", "18:30", "watchful", "run", 53),
            ("A-007", "2026-04-16", "18:30", "watchful", "run", 53),
            ("NA", "2026-03-09", "07:15", "watchful", "run", 46),
            ("NA", "2026-03-10", "07:15", "watchful", "walk", 45),
            ("NA", "2026-03-11", "07:15", "watchful", "run", 47),
            ("NA", "2026-03-11", "07:15", "watchful", "run", 49),
            ("K4", "2026-03-15", "07:15", "other", "run", 38),
            ("K4", "2026-03-16", "07:15", "other", "walk", 37),
            ("K5", "2026-02-27", "07:15", "other", "run", 40),
            ("K9", "2026-02-27", "07:15", "other", "run", 44),
            ("K3", "2026-02-27", "07:15", "other", "resting", 44),
            ("K3", "2026-02-28", "07:15", "other", "resting", 45),
            ("K3", "2026-02-26", "07:15", "other", "resting", 120),
        ]
    )
)
FIELD_TESTS = """\
field_test_id,athlete_id,date,protocol,distance_m,time_min,hr_bpm,power_w,stage,speed_km_h,mass_kg,sensor,completed
F1,007,2026-03-05,run_12min_1968,2850,,,,,,,none,yes
F2,NA,2026-03-15,run_12min_1968,2510,,,,,,,none,yes
F3,K4,2026-03-18,walk_1mile_1987,,14.2,135,,,,,none,yes
F4,K3,2026-03-05,cycle_stages_hr,,,110,75,,,70,chest_strap,yes
F4,K3,2026-03-05,cycle_stages_hr,,,128,110,,,70,chest_strap,yes
F4,K3,2026-03-05,cycle_stages_hr,,,146,150,,,70,chest_strap,yes
F5,NA,2026-03-16,shuttle_20m_1988_adult,,,,,8,12.5,,none,no
"""
SESSIONS = """\
session_id,athlete_id,started_at,mode,duration_min,sensor,intermittent,tag,zone1_min,zone2_min,zone3_min
S1,007,2026-02-20T17:00,run,40,chest_strap,no,,,,
S2,007,2026-02-23T17:00,run,75,chest_strap,no,,70,5,0
S3,NA,2026-03-01T17:00,run,45,wrist_optical,yes,,20,10,15
S4,NA,2026-03-05T17:00,run,50,wrist_optical,no,illness,20,20,10
S5,K5,2026-02-23T17:00,run,75,chest_strap,no,,70,5,0
"""
IDS = "found,athlete_id\nA-007,007\n"


OPTIONAL = (
    "athletes.csv",
    "field_tests.csv",
    "sessions.csv",
    "breaths/T3.csv",
    "samples/S1.csv.gz",
)
BARE: Folder = {  # read in a third of the time
    "study.toml": b"[study]\ntime_zone = 'UTC'\n[files.lab_tests]\npath = 'lab.csv'\n",
    "lab.csv": b"lab_test_id,athlete_id,date,mode,vo2max_ml_kg_min\n"
    b"T1,007,2026-03-02,run,52.4\nT2,NA,2026-03-13,run,48.0\nT3,K3,2026-03-20,walk,39.5\n",
    "field_estimates.csv": b"athlete_id,taken_at,method,mode,vo2max_ml_kg_min\n"
    b"007,2026-02-25T09:00:00Z,m,run,50\n007,2026-02-26T09:00,m,run,51\nNA,2026-03-09,m,run,46\n"
    b"NA,2026-03-11,m,run,47\nNA,2026-03-11,m,run,49\nK3,2026-03-18T07:15,m,walk,38\n"
    b"K3,2026-03-17T07:15,m,walk,38\nK9,2026-02-27T07:15,m,run,44\n",
}


def small_study(rng: random.Random | None = None) -> Folder:
    """Return the study; with `rng`, often bare, else each optional file only now and then."""
    if rng is not None and rng.random() < 0.7:
        return dict(BARE)
    whole = _whole_study()
    left_out = [name for name in OPTIONAL if rng is not None and rng.random() < 0.75]
    return {name: content for name, content in whole.items() if name not in left_out}


def _whole_study() -> Folder:
    breaths = ["t_s,vo2_ml_min,vco2_ml_min,ve_l_min,hr_bpm,speed_m_s,grade,phase"]
    for i in range(160):
        phase = "rest" if i < 10 else "exercise"
        vo2 = 400 + 17 * i + 60 * (-1) ** i
        breaths.append(
            f"{3 * i},{vo2},{vo2},{vo2 // 30},{90 + i // 2},{2 + i / 60:.2f},0.01,{phase}"
        )
    samples = ["t_s,hr_bpm,speed_m_s,grade"]
    for i in range(240):
        step = i // 60
        samples.append(f"{10 * i},{120 + 15 * step + i % 3},{2.2 + 0.4 * step},0")
    return {
        "study.toml": STUDY_TOML.encode(),
        "athletes.csv": ATHLETES.encode(),
        "lab.csv": LAB.encode(),
        "field_estimates.csv": ESTIMATES.encode(),
        "field_tests.csv": FIELD_TESTS.encode(),
        "sessions.csv": SESSIONS.encode(),
        "ids.csv": IDS.encode(),
        "breaths/T3.csv": ("\n".join(breaths) + "\n").encode(),
        "samples/S1.csv.gz": gzip.compress(("\n".join(samples) + "\n").encode(), mtime=0),
    }


def demo_cut(demo: Path, athletes: int = 6) -> Folder:
    """Return the demo with its first athletes alone."""
    kept = {f"S{i + 1:03}" for i in range(athletes)}
    files: Folder = {"study.toml": (demo / "study.toml").read_bytes()}
    ids = set()
    for path in sorted(demo.glob("*.csv")):
        head, *lines = path.read_text(encoding="latin-1").splitlines(keepends=True)
        cells = [line.strip().replace(";", ",").split(",") for line in lines]
        mine = [(line, c) for line, c in zip(lines, cells, strict=True) if kept & set(c[:2])]
        ids |= {c[0] for _, c in mine}
        files[path.name] = (head + "".join(line for line, _ in mine)).encode("latin-1")
    for path in sorted([*demo.glob("breaths/*"), *demo.glob("samples/*")]):
        if path.name.split(".")[0] in ids:
            files[f"{path.parent.name}/{path.name}"] = path.read_bytes()
    return files


def write_folder(folder: Folder, root: Path) -> Path:
    """Write a study in place of whatever is at `root`."""
    shutil.rmtree(root, ignore_errors=True)
    root.mkdir(parents=True)
    for name, content in folder.items():
        path = root / name
        if path.exists() or path.is_symlink():
            continue  # two names for one file on this system
        path.parent.mkdir(parents=True, exist_ok=True)
        if content is None:
            os.mkfifo(path)
        elif isinstance(content, str):
            path.symlink_to(content)
        else:
            path.write_bytes(content)
    return root
