"""Cohorts with known truth: for the demo, for planning and for coverage tests."""

from agreement.simulate.cohort import SimulatedCohort, simulate_cohort
from agreement.simulate.demo import write_demo_cohort

__all__ = ["SimulatedCohort", "simulate_cohort", "write_demo_cohort"]
