"""The table of field tests, as text for people and as JSON for programs."""

import json
from math import isnan

from agreement.physiology.field_tests import protocols_frame


def protocols_json() -> str:
    """Return one array of all protocols; what has no value is null."""
    rows = [
        {
            key: None if isinstance(value, float) and isnan(value) else value
            for key, value in row.items()
        }
        for row in protocols_frame().to_dict("records")
    ]
    return json.dumps(rows, indent=1)


def protocols_text() -> str:
    """Return each protocol with its inputs, whom it was made for, and its source."""
    return "\n\n".join(
        f"{row['protocol']}: {row['title']}\n"
        f"  mode {row['mode']}; inputs {row['inputs']}\n"
        f"  made for: {row['population']}\n"
        f"  source: {row['source']} ({row['provenance']})"
        for row in protocols_frame().to_dict("records")
    )
