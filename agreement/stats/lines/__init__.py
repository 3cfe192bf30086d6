"""Lines between field and laboratory values, and slopes of the difference."""
