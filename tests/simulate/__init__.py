"""Cohorts with known truth: for the demo, for planning and for coverage tests."""

from simulate.cohort import SimulatedCohort, simulate_cohort
from simulate.demo import write_demo_cohort
from simulate.known_parts import DailyParts, simulate_daily, simulate_differences

__all__ = [
    "DailyParts",
    "SimulatedCohort",
    "simulate_cohort",
    "simulate_daily",
    "simulate_differences",
    "write_demo_cohort",
]
