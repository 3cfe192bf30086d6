"""
The demo study: crews of a mountain and coast rescue service, measured twice.

`simulate_cohort` gives the clean study; `demo_dirt` spoils it on purpose, the way real files are
spoiled, and `demo_cohort/ORIGIN.md` lists what was done.
"""

import json
from pathlib import Path

import numpy as np
import pandas as pd

from agreement.tables.writers import csv_bytes
from simulate.cohort import Seed, SimulatedCohort, simulate_cohort
from simulate.demo_dirt import SPOILERS, Tables, change_laboratory_rows, lose_contact
from simulate.people import Person, Population
from simulate.raw import breaths, samples, staged_breaths
from simulate.study_files import packed, write_files

DEMO_SEED = 30
BREATHS_OF_EVERY = 9  # one test in so many
STAGED_TESTS = 8  # first visits of people with samples
PEOPLE_WITH_SAMPLES = 20
SESSIONS_WITH_SAMPLES = 8  # the last runs before the first visit
SENSOR_SD = {"chest_strap": 0.7, "wrist_optical": 2.5}  # bpm, of a session


def write_demo_cohort(folder: str | Path, *, rng: Seed = DEMO_SEED) -> Path:
    """
    Write the demo study folder, byte for byte the same for the same seed.

    folder: made if missing; files of the same names are replaced.
    Returns: the folder.
    """
    generator = np.random.default_rng(rng)
    cohort = simulate_cohort(60, population=Population(drug_share=0.035), rng=generator)
    tables = {name: frame.copy() for name, frame in cohort.tables.items()}
    change_laboratory_rows(tables)
    apart = generator.spawn(1)[0]  # its draws change no other
    files = _breath_files(cohort, tables, generator) | _sample_files(cohort, generator)
    files |= _staged_files(cohort, tables, set(files), apart)
    for spoil in SPOILERS:
        spoil(tables)
    files |= _table_files(tables)
    for name, text in (("study.toml", "demo_study.toml"), ("ORIGIN.md", "demo_origin.md")):
        files[name] = (Path(__file__).parent / text).read_bytes()
    return write_files(folder, files | {"truth.json": _truth(cohort).encode()})


def _table_files(tables: Tables) -> dict[str, bytes]:
    """Return the input tables; the laboratory's own program writes in another manner."""
    lab = tables.pop("lab_tests")
    lab["date"] = lab["date"].dt.strftime("%d.%m.%Y")
    other = lab.to_csv(sep=";", decimal=",", index=False, lineterminator="\n", float_format="%.10g")
    plain = {f"{name}.csv": csv_bytes(frame) for name, frame in tables.items()}
    return plain | {"laboratory.csv": other.encode("latin-1")}


def _breath_files(
    cohort: SimulatedCohort, tables: Tables, rng: np.random.Generator
) -> dict[str, bytes]:
    """Breaths of some running tests; their typed VO2max is blank but for a few."""
    people = {row.athlete_id: row for row in _people(cohort)}
    lab = tables["lab_tests"]
    running = lab["mode"].eq("run") & lab["rer_max"].notna()
    chosen = lab.index[running][::BREATHS_OF_EVERY]
    files = {}
    for order, index in enumerate(chosen):
        test = lab.loc[index]
        record = breaths(
            people[test["athlete_id"]]._replace(mass_kg=float(test["mass_kg"])),
            float(test["vo2max_ml_kg_min"]),
            float(test["rer_max"]),
            rng,
        )
        files[f"breaths/{test['lab_test_id']}.csv"] = csv_bytes(record)
        if order == 0:
            lab.loc[index, "vo2max_ml_kg_min"] += 2.9  # typed from another page
        elif order % 3:
            lab.loc[index, "vo2max_ml_kg_min"] = np.nan
    return files


def _staged_files(
    cohort: SimulatedCohort, tables: Tables, known: set[str], rng: np.random.Generator
) -> dict[str, bytes]:
    """Breaths of tests in stages, of people whose sessions have samples; VO2max stays typed."""
    lab = tables["lab_tests"]
    people = {row.athlete_id: row for row in _people(cohort)[:PEOPLE_WITH_SAMPLES]}
    first = lab[lab["mode"].eq("run") & lab["rer_max"].notna() & lab["athlete_id"].isin(people)]
    first = first.sort_values("date", kind="stable").drop_duplicates("athlete_id").sort_index()
    files: dict[str, bytes] = {}
    for test in first.to_dict("records"):
        name = f"breaths/{test['lab_test_id']}.csv"
        if name in known or len(files) == STAGED_TESTS:
            continue
        person = people[str(test["athlete_id"])]._replace(mass_kg=float(test["mass_kg"]))
        top = float(test["vo2max_ml_kg_min"])
        files[name] = csv_bytes(staged_breaths(person, top, float(test["rer_max"]), rng))
    return files


def _sample_files(cohort: SimulatedCohort, rng: np.random.Generator) -> dict[str, bytes]:
    """Record of the last runs before the first visit of some people, compressed."""
    sessions = cohort.tables["sessions"]
    files = {}
    for person in _people(cohort)[:PEOPLE_WITH_SAMPLES]:
        visit = cohort.schedule.calendar(pd.Series([person.day_1]))[0]
        own = sessions[
            sessions["athlete_id"].eq(person.athlete_id)
            & sessions["mode"].eq("run")
            & sessions["started_at"].lt(visit)
        ]
        for order, session in enumerate(own.tail(SESSIONS_WITH_SAMPLES).itertuples()):
            record = samples(
                cohort.traces[str(session.session_id)], SENSOR_SD[str(session.sensor)], rng
            )
            if person.athlete_id == "S009" and order == 2:
                record = lose_contact(record)
            files[f"samples/{session.session_id}.csv.gz"] = packed(csv_bytes(record))
    return files


def _people(cohort: SimulatedCohort) -> list[Person]:
    """Return the rows of the truth as people."""
    return [Person(*row) for row in cohort.people.itertuples(index=False)]


def _truth(cohort: SimulatedCohort) -> str:
    """Return the truth as JSON, one record a line."""
    parts = {"people": cohort.people, "told": cohort.told, "tests": cohort.tests}
    blocks = []
    for name, frame in parts.items():
        records = json.loads(frame.round(4).to_json(orient="records"))
        lines = ",\n".join(json.dumps(record) for record in records)
        blocks.append(f'"{name}": [\n{lines}\n]')
    return "{\n" + ",\n".join(blocks) + "\n}\n"
