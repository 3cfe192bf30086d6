"""What files of tests/reference hold: published values, and values computed elsewhere."""

import json
from pathlib import Path

import pytest


def held(name):
    """Return what a file of tests/reference holds."""
    path = Path(__file__).parent / "reference" / f"{name}.json"
    return json.loads(path.read_text(encoding="utf-8"))


def held_checks(name, estimator):
    """Give a test, as `case`, each check of an estimator that a file holds."""
    cases = [one for one in held(name)["checks"] if one["estimator"] == estimator]
    return pytest.mark.parametrize("case", cases, ids=lambda one: one["name"])
