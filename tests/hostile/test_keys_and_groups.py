"""Pseudonyms rest on a good key; a small profile cannot be computed from another table."""

import numpy as np
import pandas as pd
import pytest

from agreement.errors import OutputError
from agreement.report.privacy.privacy import without_small_cells
from agreement.tables.withdrawn import KEY_FILE, study_key
from agreement.terms import RESULT_COLUMNS


@pytest.mark.parametrize(
    "content", [b"", b" \n", b"7f", b"00" * 32, b"not a key", b"\xff\xfe", b"ab" * 16]
)
def test_a_key_that_can_be_guessed_is_refused(tmp_path, content):
    (tmp_path / KEY_FILE).write_bytes(content)
    with pytest.raises(OutputError, match=r"holds no key of 32 random bytes.*delete it"):
        study_key(tmp_path)
    assert (tmp_path / KEY_FILE).read_bytes() == content


def test_a_link_is_not_written_through(tmp_path):
    elsewhere = tmp_path / "elsewhere"
    study = tmp_path / "study"
    study.mkdir()
    (study / KEY_FILE).symlink_to(elsewhere)
    with pytest.raises(OutputError, match="is a link"):
        study_key(study)
    assert not elsewhere.exists()


def test_a_key_is_kept_for_its_owner_and_found_again(tmp_path):
    key = study_key(tmp_path)
    assert len(key) == 32
    assert study_key(tmp_path) == key
    assert [p.name for p in tmp_path.iterdir()] == [KEY_FILE]
    assert (tmp_path / KEY_FILE).stat().st_mode & 0o077 == 0


def row(analysis, group, statistic, value, n):
    cells = dict.fromkeys(RESULT_COLUMNS, "") | {
        "analysis": analysis, "method": "wrist", "mode": "run", "group": group,
        "statistic": statistic, "value": value, "low": np.nan, "high": np.nan, "n": n, "n_pairs": n,
    }  # fmt: skip
    return cells


def test_the_bias_of_three_people_does_not_follow_from_bias_at_equal_level():
    sizes = {"long": 20, "base": 8, "short": 3}
    rows = [row("limits_of_agreement", "all", "bias", 1.0, 31)]
    rows += [row("profile_bias", name, "bias", 1.0, n) for name, n in sizes.items()]
    rows += [
        row("profile_at_equal_level", name, statistic, 1.0, n)
        for name, n in sizes.items()
        if n >= 5
        for statistic in ("adjusted_bias", "adjusted_difference")
    ]
    shown = without_small_cells(pd.DataFrame(rows)[RESULT_COLUMNS])
    told = shown[shown["value"].notna()]
    assert set(told["group"]) == {"all", "long"}
