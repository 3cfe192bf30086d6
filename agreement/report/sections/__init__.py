"""The sections of a report, from results to words, tables and figures."""
