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
        in ``sessions`` with a sample file in a mode with a cost equation. Of given field estimates
        nothing can be said: who got none has no row.
    """
    tests = study.field_tests
    tests = tests[tests["protocol"].isin(list(PROTOCOLS))]
    own = tests["protocol"].map({name: row.mode for name, row in PROTOCOLS.items()})
    sessions = study.sessions
    recorded = sessions["session_id"].isin(list(study.samples)) & sessions["mode"].isin(
        list(COST_MODES)
    )
    asked = pd.concat(
        [
            tests.assign(method=tests["protocol"], mode=tests["mode"].fillna(own)),
            sessions[recorded].assign(method=SESSIONS_METHOD),
        ]
    ).reindex(columns=ASKED_COLUMNS[:3])
    asked = asked[asked["athlete_id"].isin(laboratory["athlete_id"])].drop_duplicates()
    got = readings.loc[readings["source"] != "field_estimates", ASKED_COLUMNS[:3]].drop_duplicates()
    both = asked.astype("str").merge(got.astype("str"), how="left", indicator="served")
    served = both["served"] == "both"
    return both.assign(served=served).sort_values(ASKED_COLUMNS[:3], ignore_index=True)
