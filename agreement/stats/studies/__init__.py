"""Several studies together: pooled, predicted for the next squad, and one season beside another."""
