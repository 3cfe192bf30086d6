"""Notebooks found, filled, run and rendered; exports and provenance."""
