"""
The table of field-test equations: every form that has a source, each as one row.

To add one, write a `FieldProtocol` in the module of its mode and a test that computes its source's
example. Two forms of one equation that both have a source are two rows.
"""

from difflib import get_close_matches
from typing import Final

import numpy as np
import pandas as pd

from agreement.physiology.equations_cycling import CYCLING
from agreement.physiology.equations_peak import PEAKS
from agreement.physiology.equations_resting import RESTING_FORMS
from agreement.physiology.equations_running import RUNNING
from agreement.physiology.equations_stages import STAGES
from agreement.physiology.equations_walking import WALKING
from agreement.physiology.protocol import FieldProtocol

PROTOCOLS: Final[dict[str, FieldProtocol]] = {
    row.id: row for row in (*RUNNING, *WALKING, *CYCLING, *PEAKS, *STAGES, *RESTING_FORMS)
}


def protocol(protocol_id: str) -> FieldProtocol:
    """
    Return one row of the table.

    Raises ValueError if there is no such id; the message names the nearest ones.
    """
    if protocol_id not in PROTOCOLS:
        near = get_close_matches(protocol_id, PROTOCOLS, n=3)
        hint = f"; the nearest are {', '.join(near)}" if near else ""
        raise ValueError(f"{protocol_id!r} is no protocol{hint}")
    return PROTOCOLS[protocol_id]


def protocols_frame() -> pd.DataFrame:
    """
    Return the table of protocols for reading: one row per equation, in words.

    Returns: protocol, title, mode, inputs, population, valid, sexes, standard_error_women,
        standard_error_men, error_unit, heart_rate_based, stages, stage_rule, source, provenance,
        note.
    """
    return pd.DataFrame(
        {
            "protocol": row.id,
            "title": row.title,
            "mode": row.mode or "the result's own",
            "inputs": "; ".join(row.inputs),
            "population": row.population,
            "valid": "; ".join(map(str, row.valid)),
            "sexes": "; ".join(row.sexes),
            "standard_error_women": row.standard_error[0],
            "standard_error_men": row.standard_error[1],
            "error_unit": row.error_unit if not np.isnan(row.standard_error).all() else "",
            "heart_rate_based": "yes" if row.heart_rate_based else "no",
            "stages": "one row per stage" if row.stages else "",
            "stage_rule": row.stage_rule.words if row.stage_rule else "",
            "source": row.source,
            "provenance": row.provenance,
            "note": row.note,
        }
        for row in PROTOCOLS.values()
    )
