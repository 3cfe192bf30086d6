"""What the athletes table says about the people behind a list of tests."""

import pandas as pd

TEXT = ("sex", "hr_limiting_drug", "training_profile")
NUMBERS = ("mass_kg", "stature_cm", "birth_year", "age_years")


def people_at(
    athletes: pd.DataFrame, athlete_id: "pd.Series[str]", date: "pd.Series[pd.Timestamp]"
) -> pd.DataFrame:
    """
    Look up each test's athlete, with the age on the day.

    athletes: the athletes table; may be empty.
    athlete_id, date: shape (n,). Of the tests.
    Returns: n rows, indexed like `athlete_id`. sex, hr_limiting_drug (``unknown`` when not given),
        training_profile, mass_kg, stature_cm, age_years: as stated, else the year of the test minus
        the year of birth. [years]
    """
    known = athletes.set_index("athlete_id")[[*TEXT, *NUMBERS]]
    found = known.reindex(athlete_id).set_axis(athlete_id.index, axis=0)
    by_year = date.dt.year - found["birth_year"]
    found["age_years"] = found["age_years"].fillna(by_year)
    for name in ("sex", "hr_limiting_drug"):
        found[name] = found[name].fillna("unknown")
    return found.drop(columns="birth_year")
