"""Nobody is exposed: pseudonyms, small groups withheld, what may leave the house."""
