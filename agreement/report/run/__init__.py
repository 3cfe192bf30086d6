"""A report found, filled, run, saved and checked again."""
