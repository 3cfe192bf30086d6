"""A study folder: who was compared, and bias and limits of each method."""

import sys

import agreement

cohort = agreement.read_cohort(sys.argv[1])
print(cohort.overview())
print(cohort.summary())
