"""A study, from its folder or its frames to its results."""

from agreement.cohort.cohort import Cohort
from agreement.cohort.reading import inspect_cohort, pair, read_cohort

__all__ = ["Cohort", "inspect_cohort", "pair", "read_cohort"]
