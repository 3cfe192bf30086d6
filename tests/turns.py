"""Cases that only the slow tests run, beside quick ones of the same test."""

from collections.abc import Iterable
from typing import Any

import pytest


def slowly(cases: Iterable[Any]) -> list[Any]:
    """Return cases marked as slow; a tuple is a case of several arguments."""
    return [
        pytest.param(*(case if isinstance(case, tuple) else (case,)), marks=pytest.mark.slow)
        for case in cases
    ]
