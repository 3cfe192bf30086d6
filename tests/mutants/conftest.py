"""Keeps the two scripts beside it out of the collection of doctests: they are run, not imported."""

collect_ignore = ["faults.py", "mutate.py"]
