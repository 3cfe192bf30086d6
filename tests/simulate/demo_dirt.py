"""
What real files look like: each function spoils one thing of the demo study on purpose.

`demo_cohort/ORIGIN.md` lists the same in words, with who is meant.
"""

from collections.abc import Callable

import numpy as np
import pandas as pd

Tables = dict[str, pd.DataFrame]

TIME_ZONE = "CET"


def _people_table(tables: Tables) -> None:
    """Code sex by letters; one unknown drug, one mass missing, one person withdrawn."""
    athletes = tables["athletes"]
    athletes["sex"] = athletes["sex"].map({"female": "F", "male": "M"})
    athletes.loc[_of(athletes, "S023"), "hr_limiting_drug"] = "unknown"
    athletes.loc[_of(athletes, "S031"), "mass_kg"] = np.nan
    athletes["withdrawn"] = np.where(_of(athletes, "S047"), "yes", "no")


def _laboratory_values(tables: Tables) -> None:
    """Slip as laboratories do: RER in per cent, HRmax with swapped digits, L/min, no mass."""
    lab = tables["lab_tests"]
    lab.insert(5, "vo2max_l_min", np.nan)
    rer = lab.index[_of(lab, "S034") & lab["rer_max"].notna()][0]
    lab.loc[rer, "rer_max"] = round(lab.loc[rer, "rer_max"] * 100)
    lab.loc[lab.index[_of(lab, "S016")][0], "hr_max_bpm"] = 104
    for athlete, mass_known in (("S031", False), ("S020", True)):
        row = lab.index[_of(lab, athlete)][-1]
        litres = lab.loc[row, "vo2max_ml_kg_min"] * lab.loc[row, "mass_kg"] / 1000
        lab.loc[row, ["vo2max_ml_kg_min", "vo2max_l_min"]] = [np.nan, round(litres, 2)]
        if not mass_known:
            lab.loc[row, "mass_kg"] = np.nan


def change_laboratory_rows(tables: Tables) -> None:
    """Test one person on a cycle and another not at all."""
    lab = tables["lab_tests"]
    cycle = _of(lab, "S010")
    lab.loc[cycle, "mode"] = "cycle"
    lab.loc[cycle, "vo2max_ml_kg_min"] = (lab.loc[cycle, "vo2max_ml_kg_min"] * 0.94).round(1)
    lab.loc[cycle, "hr_max_bpm"] -= 6
    tables["lab_tests"] = lab[~_of(lab, "S058")].reset_index(drop=True)


def _laboratory_climate(tables: Tables) -> None:
    """Add the room's temperature under the laboratory's own heading."""
    lab = tables["lab_tests"]
    lab["temperature (°C)"] = 19.0 + (lab["date"].dt.day_of_year % 9) / 2


def _estimate_values(tables: Tables) -> None:
    """Write an impossible value, an empty one, L/min for one person, a bicycle for another."""
    shown = tables["field_estimates"]
    shown.insert(5, "vo2max_l_min", np.nan)
    column = "vo2max_ml_kg_min"
    shown.loc[_rows(shown, "S045", "wrist_a")[10], column] = 135
    shown.loc[_rows(shown, "S038", "wrist_a")[5], column] = np.nan
    litres = _rows(shown, "S055", "wrist_b")
    values = shown.loc[litres, column] * shown.loc[litres, "set_mass_kg"] / 1000
    shown.loc[litres, "vo2max_l_min"] = values.round(3)
    shown.loc[litres, column] = np.nan
    shown.loc[_rows(shown, "S025", "wrist_b")[:4], "mode"] = "cycle"


def _estimate_gaps(tables: Tables) -> None:
    """Leave out the second device of one person, and most days of another."""
    shown = tables["field_estimates"]
    rarely = _rows(shown, "S027", "wrist_b")
    gone = [*_rows(shown, "S040", "wrist_b"), *[r for i, r in enumerate(rarely) if i % 9]]
    tables["field_estimates"] = shown.drop(index=gone).reset_index(drop=True)


def _estimate_stale(tables: Tables) -> None:
    """Freeze a source: one value a day for 26 days up to the first visit."""
    shown, lab = tables["field_estimates"], tables["lab_tests"]
    visit = lab.loc[_of(lab, "S019"), "date"].min()
    own = _of(shown, "S019") & shown["method"].eq("wrist_a")
    first = shown[own].iloc[:1]
    frozen = pd.concat([first] * 26, ignore_index=True)
    frozen["taken_at"] = pd.date_range(visit - pd.Timedelta(days=26), periods=26) + pd.Timedelta(
        hours=6, minutes=5
    )
    later = shown[~(own & shown["taken_at"].lt(visit))]
    tables["field_estimates"] = pd.concat([later, frozen], ignore_index=True)


def _estimate_copies(tables: Tables) -> None:
    """Repeat rows, as a second sync does, and give one instant two values."""
    shown = tables["field_estimates"]
    twice = [*_rows(shown, "S005", "wrist_a")[8:14], *_rows(shown, "S012", "wrist_b")[4:8]]
    clash = shown.loc[_rows(shown, "S014", "wrist_b")[6:7]].copy()
    clash["vo2max_ml_kg_min"] += 3.2
    tables["field_estimates"] = pd.concat([shown, shown.loc[twice], clash], ignore_index=True)


def _estimate_times(tables: Tables) -> None:
    """Give times of one method an offset, to some in UTC; put one just after midnight."""
    shown = tables["field_estimates"].sort_values(
        ["method", "athlete_id", "taken_at"], kind="stable", ignore_index=True
    )
    night = _rows(shown, "S003", "wrist_a")[9]
    shown.loc[night, "taken_at"] = shown["taken_at"].dt.normalize()[night] + pd.Timedelta("30min")
    local = shown["taken_at"].dt.tz_localize(TIME_ZONE)
    text = shown["taken_at"].dt.strftime("%Y-%m-%dT%H:%M")
    offset = local.map(lambda moment: moment.isoformat(timespec="minutes"))
    in_utc = local.dt.tz_convert("UTC").dt.strftime("%Y-%m-%dT%H:%MZ")
    zulu = shown["athlete_id"].isin(["S003", "S011", "S019"])
    with_offset = offset.where(~zulu, in_utc)
    shown["taken_at"] = with_offset.where(shown["method"].eq("wrist_a"), text)
    tables["field_estimates"] = shown


def _estimate_ids(tables: Tables) -> None:
    """Put blanks around an id, and add ids that nobody has."""
    shown = tables["field_estimates"]
    shown.loc[_rows(shown, "S022", "wrist_b"), "athlete_id"] = " S022 "
    strangers = shown.loc[_rows(shown, "S007", "wrist_b")[3:9]].copy()
    strangers["athlete_id"] = ["S07"] * 4 + ["X112"] * 2
    strangers["vo2max_ml_kg_min"] += 1
    tables["field_estimates"] = pd.concat([shown, strangers], ignore_index=True)


def _field_test_rows(tables: Tables) -> None:
    """Leave a run uncompleted, a distance unwritten, and put a test a month early."""
    tests = tables["field_tests"]
    runs = tests["protocol"].eq("run_12min_1968")
    tests["completed"] = "yes"
    tests.loc[tests.index[_of(tests, "S008") & runs][0], "completed"] = "no"
    tests.loc[tests.index[_of(tests, "S026") & runs][0], "distance_m"] = np.nan
    tests.loc[tests.index[_of(tests, "S033")][0], "date"] -= pd.Timedelta(days=30)


def _session_rows(tables: Tables) -> None:
    """Keep few sessions of one person, and let another be ill for a while."""
    sessions = tables["sessions"]
    sessions["tag"] = pd.Series(np.nan, index=sessions.index, dtype="str")
    ill = sessions.index[_of(sessions, "S046")][10:14]
    sessions.loc[ill, "tag"] = "illness"
    few = sessions.index[_of(sessions, "S044")]
    tables["sessions"] = sessions.drop(index=few[::2].union(few[1::4])).reset_index(drop=True)


def lose_contact(record: pd.DataFrame) -> pd.DataFrame:
    """Lose the heart rate from minute 10 to minute 25, as a dry electrode does."""
    away = record["t_s"].between(600, 1500)
    return record.assign(hr_bpm=record["hr_bpm"].mask(away, 0))


def _of(frame: pd.DataFrame, athlete: str) -> "pd.Series[bool]":
    """Whose rows."""
    return frame["athlete_id"].eq(athlete)


def _rows(frame: pd.DataFrame, athlete: str, method: str) -> list[int]:
    """Index of the rows of one person and method."""
    return list(frame.index[_of(frame, athlete) & frame["method"].eq(method)])


SPOILERS: tuple[Callable[[Tables], None], ...] = (
    _people_table,
    _laboratory_values,
    _laboratory_climate,
    _estimate_values,
    _estimate_gaps,
    _estimate_stale,
    _estimate_copies,
    _estimate_times,
    _estimate_ids,
    _field_test_rows,
    _session_rows,
)
