"""Who was asked for a number by each computed method, and who got one."""

import pandas as pd

from agreement.physiology.field_tests import PROTOCOLS
from agreement.physiology.session_records import COST_MODES
from agreement.tables.study import StudyTables
from agreement.terms import SESSIONS_METHOD

ASKED_COLUMNS = ["method", "mode", "athlete_id", "served"]


def asked_people(
    study: StudyTables, laboratory: pd.DataFrame, readings: pd.DataFrame
) -> pd.DataFrame:
    """
    Tell who, with a laboratory test, did what a method computes from, and who got a number.

    laboratory: frame of `laboratory_values`.
    readings: `agreement.physiology.readings.Readings.frame`.
    Returns: `ASKED_COLUMNS`, one row per method, mode and athlete with rows in ``field_tests``, or
        in ``sessions`` with a sample file in a mode with a cost equation, or in ``field_estimates``
        where some rows of the method have an empty VO2max: elsewhere nothing can be said of given
        values, for who got none has no row.
    """
    tests = study.field_tests
    tests = tests[tests["protocol"].isin(list(PROTOCOLS))]
    own = tests["protocol"].map({name: row.mode for name, row in PROTOCOLS.items()})
    sessions = study.sessions
    recorded = sessions["session_id"].isin(list(study.samples)) & sessions["mode"].isin(
        list(COST_MODES)
    )
    given = (readings["source"] == "field_estimates").to_numpy()
    got = readings.loc[~given, ASKED_COLUMNS[:3]].drop_duplicates()
    empty = study.without_value
    with_empty = []
    if empty is not None and len(empty):
        values = readings.loc[given, ASKED_COLUMNS[:3]].astype("str").drop_duplicates()
        values = values.merge(empty[["method", "mode"]].drop_duplicates())
        with_empty = [empty, values]
        got = pd.concat([got, values])
    asked = pd.concat(
        [
            *with_empty,
            tests.assign(method=tests["protocol"], mode=tests["mode"].fillna(own)),
            sessions[recorded].assign(method=SESSIONS_METHOD),
        ]
    ).reindex(columns=ASKED_COLUMNS[:3])
    asked = asked[asked["athlete_id"].isin(laboratory["athlete_id"])].drop_duplicates()
    both = asked.astype("str").merge(got.astype("str"), how="left", indicator="served")
    served = both["served"] == "both"
    return both.assign(served=served).sort_values(ASKED_COLUMNS[:3], ignore_index=True)
