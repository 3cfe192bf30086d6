"""A study whose ids, dates and places are easy to find again, with a person who withdrew."""

import datetime as dt
import re
from base64 import b64decode
from pathlib import Path

import numpy as np

WITHDRAWN = ("QXW99", "LBW99", "SSW99", "FTW99")
FIRST = dt.date(2037, 5, 11)
PLACE = "ward-seven-cabinet"
SESSIONS = '[files.sessions]\npath = "sessions.csv"\n'
STUDY_TOML = f"""\
[study]
title = "Numbers of a clinic"
time_zone = "UTC"
id_map = "ids.csv"
[margin]
limit_ml_kg_min = 6
agreed_on = 2031-01-10
{SESSIONS}[profile]
use = "stated"
[confirm]
odd_dates = {{ reason = "dates that are easy to find again", on = 2026-01-10 }}
"""


def write_exposed(parent: Path, athletes: int = 16, *, raw: bool = True) -> Path:
    """Write the study, with sessions and raw files or without, and return its folder."""
    root = parent / PLACE / "study"
    root.mkdir(parents=True)
    rng = np.random.default_rng(11)
    people = ["athlete_id,sex,birth_year,mass_kg,training_profile,hr_limiting_drug,withdrawn"]
    tests = ["lab_test_id,athlete_id,date,mode,vo2max_ml_kg_min,mass_kg,averaging_rule"]
    values = ["athlete_id,taken_at,method,mode,vo2max_ml_kg_min,set_mass_kg"]
    field = ["field_test_id,athlete_id,date,protocol,distance_m,completed"]
    sessions = ["session_id,athlete_id,started_at,mode,duration_min,sensor"]
    for i in [*range(athletes), 99]:
        gone, code = i == 99, "W99" if i == 99 else f"{i + 10}"
        who = f"QX{code}"
        profile = "long" if i % 3 else "short"
        sex = "female" if i < 3 else "male"
        drug = "yes" if i == 5 else "no"
        people.append(
            f"{who},{sex},{1990 + i % 9},{70 + i % 5},{profile},{drug},{'yes' if gone else 'no'}"
        )
        level = rng.normal(50, 5)
        for visit in range(2):
            date = FIRST + dt.timedelta(days=42 * visit + i % 9)
            test = f"LB{code}" if visit == 0 else f"LC{code}"
            tests.append(
                f"{test},{who},{date},run,{level + visit + rng.normal(0, 1):.2f},70,moving 30 s"
            )
            for back in (1, 3, 5):
                day = date - dt.timedelta(days=back)
                values.append(f"{who},{day}T09:00,wrist,run,{level - 2 + rng.normal(0, 2):.2f},80")
        field.append(
            f"FT{code},{who},{FIRST + dt.timedelta(days=i % 9 + 1)},run_12min_1968,{2500 + 20 * i},yes"
        )
        sessions.append(f"SS{code},{who},{FIRST - dt.timedelta(days=5)}T17:00,run,40,chest_strap")
    values.append(f"QX-W99,{FIRST}T09:00,wrist,run,51.2,80")  # looks like the one who withdrew
    values.append(f"QXW-99,{FIRST}T09:00,wrist,run,51.2,80")
    tables = {"athletes": people, "lab_tests": tests, "field_estimates": values,
              "field_tests": field, "ids": ["found,athlete_id", "QXW-99,QXW99"]}  # fmt: skip
    if raw:
        tables["sessions"] = sessions
        for part, test, content in (("breaths", "LB", _breaths()), ("samples", "SS", _samples())):
            (root / part).mkdir()
            for code in ("10", "W99"):
                (root / part / f"{test}{code}.csv").write_text(content, encoding="utf-8")
    for name, lines in tables.items():
        (root / f"{name}.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    toml = STUDY_TOML if raw else STUDY_TOML.replace(SESSIONS, "")
    (root / "study.toml").write_text(toml, encoding="utf-8")
    return root


def _breaths() -> str:
    lines = [
        f"{3 * i},{900 + 14 * i},{900 + 14 * i},{30 + i // 5},{90 + i // 2},exercise"
        for i in range(200)
    ]
    return "\n".join(["t_s,vo2_ml_min,vco2_ml_min,ve_l_min,hr_bpm,phase", *lines]) + "\n"


def _samples() -> str:
    lines = [f"{10 * i},{120 + 15 * (i // 60)},{2.2 + 0.4 * (i // 60):.1f}" for i in range(240)]
    return "\n".join(["t_s,hr_bpm,speed_m_s", *lines]) + "\n"


TELLTALE = re.compile(
    r"\b(QX|LB|LC|SS|FT)-?(W-?)?\d\d\b"
    r"|2037-\d\d|\b20370[5-7]\d\d\b|(?<![\d.])\d\d[./]0[5-7][./]37(?![\d.])|\d\d?[./]\d\d?[./]2037|(May|Jun|June|Jul|July) (\d\d?,? )?2037|\d\d? (May|June|July)\b",
    re.IGNORECASE,
)


def told(folder: Path, *, also: tuple[str, ...] = ()) -> list[str]:
    """Return every original id, date and place in the bytes and names of a folder's files."""
    found = []
    for path in sorted(folder.rglob("*")):
        name = path.relative_to(folder).as_posix()
        texts = [name]
        if path.is_file():
            texts += unpacked_texts(path.read_bytes())
        for text in texts:
            found += [f"{name}: {match[0]}" for match in TELLTALE.finditer(text)]
            found += [f"{name}: {word}" for word in (PLACE, *also) if word in text]
    return found


def unpacked_texts(data: bytes) -> list[str]:
    """Return a file as text, and every picture that it carries within."""
    text = data.decode("utf-8", "replace")
    pieces = re.findall(r"base64,([A-Za-z0-9+/=\\n]+)", text)
    return [text, *(b64decode(p.replace("\\n", "")).decode("utf-8", "replace") for p in pieces)]
