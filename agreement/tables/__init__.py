"""Data in and out: the study folder read into checked tables, and tables written."""
