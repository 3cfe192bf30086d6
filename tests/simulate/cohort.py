"""A whole invented study with known truth, for the demo, planning and coverage tests."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from agreement.tables.writers import csv_bytes
from simulate import field_tests
from simulate.kinds import KINDS, Kind
from simulate.laboratory import Laboratory, blank_some, laboratory_test
from simulate.people import Person, Population, draw_people
from simulate.schedule import Schedule
from simulate.study_files import COLUMNS, write_files
from simulate.training import Body, Trace, simulate_sessions
from simulate.wrist import WRISTS, Wrist, daily_values, tell

Array = NDArray[np.float64]
Seed = int | np.random.Generator | None


@dataclass(frozen=True, slots=True)
class SimulatedCohort:
    """An invented study."""

    # the truth, one row per person: the columns of `Person`, day_1 and day_2 of the visits
    people: pd.DataFrame
    # athlete_id, method, mass_kg, hr_max_bpm, age_years: what each method was told
    told: pd.DataFrame
    tests: pd.DataFrame  # lab_test_id, truth [mL/kg/min], maximal: what no laboratory file shows
    # athletes, lab_tests, field_estimates, field_tests, sessions, with the columns of a study
    # folder; days as dates, times without offset
    tables: dict[str, pd.DataFrame]
    traces: dict[str, Trace]  # each session minute by minute, by session_id
    schedule: Schedule

    def write(self, folder: str | Path, *, time_zone: str = "UTC") -> Path:
        """Write a study folder with a short study.toml and return it."""
        files = {f"{name}.csv": csv_bytes(frame) for name, frame in self.tables.items()}
        files["study.toml"] = f'[study]\ntime_zone = "{time_zone}"\n'.encode()
        return write_files(folder, files)


def simulate_cohort(
    n_athletes: int = 60,
    *,
    kinds: tuple[Kind, ...] = KINDS,
    population: Population | None = None,
    body: Body | None = None,
    wrists: tuple[Wrist, ...] = WRISTS,
    laboratory: Laboratory | None = None,
    schedule: Schedule | None = None,
    rng: Seed = None,
) -> SimulatedCohort:
    """
    Invent a study in which every number has a cause.

    kinds: kinds of training; people take turns.
    population, body, wrists, laboratory, schedule: who they are, how heart rate strays, the wrist
        methods, the laboratory, the calendar.
    Returns: the tables of a study folder and the truth behind them.

    No method has a bias typed in. A wrist method misreads somebody because their heart rate is
    noisy over the intensities at which they train, because they run cheaply or dearly, because the
    HRmax or mass that it was told is wrong, and because it smooths and rounds. The equations here
    are written out apart from those of the rest of the package, so that one can check the other.

    >>> cohort = simulate_cohort(8, rng=1)
    >>> sorted(cohort.tables)
    ['athletes', 'field_estimates', 'field_tests', 'lab_tests', 'sessions']
    """
    generator = np.random.default_rng(rng)
    calendar = schedule or Schedule()
    people = draw_people(n_athletes, kinds, population or Population(), calendar, generator)
    habits = {kind.label: kind for kind in kinds}
    parts = [
        _one_person(
            person,
            habits[person.kind],
            body or Body(),
            wrists,
            laboratory or Laboratory(),
            calendar,
            own,
        )
        for person, own in zip(people, generator.spawn(n_athletes), strict=True)
    ]
    return _collect(pd.DataFrame(people), parts, calendar)


@dataclass(frozen=True, slots=True)
class _Part:
    """What one person leaves behind, with day numbers."""

    lab_tests: pd.DataFrame
    field_estimates: pd.DataFrame
    field_tests: pd.DataFrame
    sessions: pd.DataFrame
    traces: list[Trace]
    told: pd.DataFrame


def _one_person(
    person: Person,
    kind: Kind,
    body: Body,
    wrists: tuple[Wrist, ...],
    laboratory: Laboratory,
    schedule: Schedule,
    rng: np.random.Generator,
) -> _Part:
    """Train, measure and estimate one person."""
    days = range(person.day_1 - schedule.training_before, person.day_2 + schedule.shown_after + 1)
    truth = np.array([person.vo2max_on(day) for day in days])
    sessions, traces = simulate_sessions(person, kind, days, truth, body, rng)
    shown, told = _wrist_numbers(person, sessions, wrists, schedule, rng)
    return _Part(
        _laboratory_tests(person, laboratory, schedule, rng),
        shown,
        _field_tests(person, schedule, rng),
        sessions,
        traces,
        told,
    )


def _laboratory_tests(
    person: Person, laboratory: Laboratory, schedule: Schedule, rng: np.random.Generator
) -> pd.DataFrame:
    """Both visits, and for some a repeat of the first."""
    days = [person.day_1, person.day_2]
    if rng.random() < laboratory.share_repeated:
        again = person.day_1 + rng.integers(4, 10, 1)
        days.insert(1, int(schedule.working_days(again)[0]))
    tests = pd.DataFrame(
        [laboratory_test(person, person.vo2max_on(day), laboratory, rng) for day in days]
    )
    tests.insert(0, "athlete_id", person.athlete_id)
    tests.insert(1, "day", days)
    tests["truth"] = [person.vo2max_on(day) for day in days]
    return blank_some(tests, rng)


def _wrist_numbers(
    person: Person,
    sessions: pd.DataFrame,
    wrists: tuple[Wrist, ...],
    schedule: Schedule,
    rng: np.random.Generator,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the numbers of every wrist method near the visits, and what each was told."""
    visits = np.array([person.day_1, person.day_2])
    first = person.day_1 - schedule.shown_before
    days = range(first, person.day_2 + schedule.shown_after + 1)
    frames, told = [], []
    for wrist in wrists:
        inputs = tell(person, wrist, rng)
        values = daily_values(person, inputs, sessions, wrist, days, rng)
        gap = visits - values["day"].to_numpy()[:, None]
        near = ((gap <= schedule.shown_before) & (gap >= -schedule.shown_after)).any(axis=1)
        strap = wrist.uses_chest_strap and person.chest_strap
        told.append({"athlete_id": person.athlete_id, "method": wrist.label, **inputs._asdict()})
        frames.append(
            values[near].assign(
                athlete_id=person.athlete_id,
                method=wrist.label,
                hour=wrist.shown_at + rng.uniform(0, 1.5, int(near.sum())),
                sensor="chest_strap" if strap else "wrist_optical",
                set_mass_kg=inputs.mass_kg,
                set_hr_max_bpm=inputs.hr_max_bpm,
                set_age_years=inputs.age_years,
            )
        )
    return pd.concat(frames), pd.DataFrame(told)


def _field_tests(person: Person, schedule: Schedule, rng: np.random.Generator) -> pd.DataFrame:
    """Return the field tests within twelve days of each visit, never on its day."""
    rows = []
    for visit in (person.day_1, person.day_2):
        for protocol in ("run_12min_1968", "shuttle_20m_1988_adult"):
            day = visit + int(rng.integers(2, 13) * rng.choice([-1, 1]))
            row = {"athlete_id": person.athlete_id, "day": day, "protocol": protocol}
            truth = person.vo2max_on(day)
            if protocol == "run_12min_1968":
                row |= {"distance_m": field_tests.run_12min(person, truth, rng)}
            else:
                stage = field_tests.shuttle_20m_stage(person, truth, rng)
                row |= {"stage": stage, "speed_km_h": 8 + 0.5 * stage}
            if rng.random() < schedule.share_field_tests:
                rows.append(row)
    columns = ["athlete_id", "day", "protocol", "distance_m", "stage", "speed_km_h"]
    return pd.DataFrame(rows, columns=columns)


def _collect(people: pd.DataFrame, parts: list[_Part], schedule: Schedule) -> SimulatedCohort:
    """Give ids to the rows of all people and put them under the columns of a study folder."""
    tests = _numbered(parts, "lab_tests", "lab_test_id", "L", schedule)
    sessions = pd.concat([part.sessions for part in parts], ignore_index=True)
    sessions.insert(0, "session_id", [f"T{i + 1:05d}" for i in range(len(sessions))])
    traces = [trace for part in parts for trace in part.traces]
    estimates = pd.concat([part.field_estimates for part in parts], ignore_index=True)
    estimates["taken_at"] = schedule.moment(estimates["day"], estimates["hour"])
    sessions["started_at"] = schedule.moment(sessions["day"], sessions["started_h"])
    straps = people.set_index("athlete_id")["chest_strap"]
    sessions["sensor"] = np.where(
        sessions["athlete_id"].map(straps), "chest_strap", "wrist_optical"
    )
    tables = {
        "athletes": people[COLUMNS["athletes"]],
        "lab_tests": tests.assign(mode="run", averaging_rule="moving 30 s")[COLUMNS["lab_tests"]],
        "field_estimates": estimates.assign(mode="run").rename(
            columns={"vo2max": "vo2max_ml_kg_min"}
        )[COLUMNS["field_estimates"]],
        "field_tests": _numbered(parts, "field_tests", "field_test_id", "F", schedule)[
            COLUMNS["field_tests"]
        ],
        "sessions": sessions[COLUMNS["sessions"]],
    }
    return SimulatedCohort(
        people=people,
        told=pd.concat([part.told for part in parts], ignore_index=True),
        tests=tests[["lab_test_id", "athlete_id", "truth", "maximal"]],
        tables=tables,
        traces=dict(zip(sessions["session_id"], traces, strict=True)),
        schedule=schedule,
    )


def _numbered(
    parts: list[_Part], table: str, column: str, letter: str, schedule: Schedule
) -> pd.DataFrame:
    """Join one table of all people in order of date, with ids and dates."""
    frame: pd.DataFrame = pd.concat([getattr(part, table) for part in parts], ignore_index=True)
    frame = frame.sort_values(["day", "athlete_id"], kind="stable", ignore_index=True)
    frame.insert(0, column, [f"{letter}{i + 1:03d}" for i in range(len(frame))])
    frame["date"] = schedule.calendar(frame["day"])
    return frame
