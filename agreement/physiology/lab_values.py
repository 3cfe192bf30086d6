"""Every laboratory test under every averaging rule, edited and not, beside its criteria of effort."""

import numpy as np
import pandas as pd

from agreement.physiology.laboratory import LaboratoryValues
from agreement.terms import LAB_VALUE_COLUMNS


def lab_values(laboratory: LaboratoryValues, *, edit_breaths: bool = False) -> pd.DataFrame:
    """
    Return the laboratory's values as lab_values.csv has them.

    edit_breaths: whether the values in use are those of edited breaths.
    Returns: `agreement.terms.LAB_VALUE_COLUMNS`; vo2max_ml_kg_min in mL/kg/min. Of a test with
        breaths one row for each rule without editing and one with it; of a typed value one row,
        under the rule that it carries, edited or not unknown. One row of each test is in use.
    """
    tests = laboratory.frame.rename(columns={"lab": "vo2max_ml_kg_min"})
    tests = tests.astype({"lab_test_id": "str"})
    under = laboratory.averaging.astype({"lab_test_id": "str"})
    typed = tests[~tests["lab_test_id"].isin(under["lab_test_id"])]
    parts = [typed.assign(rule=typed["averaging_rule"], in_use="yes", edited="unknown")]
    own = tests.drop(columns="vo2max_ml_kg_min")
    for edited, column in (("no", "vo2max_unedited"), ("yes", "vo2max_edited")):
        if column in under and len(under):
            values = under[["lab_test_id", "rule", column]]
            found = own.merge(values.rename(columns={column: "vo2max_ml_kg_min"}))
            used = (found["rule"] == found["averaging_rule"]) & (edit_breaths == (edited == "yes"))
            parts.append(found.assign(edited=edited, in_use=np.where(used, "yes", "no")))
    every = pd.concat([part for part in parts if len(part)] or parts[:1], ignore_index=True)
    keys = ["lab_test_id", "edited", "rule"]  # whatever order the files came in
    return every.sort_values(keys, kind="stable", ignore_index=True)[LAB_VALUE_COLUMNS]
