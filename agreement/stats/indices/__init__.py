"""Agreement in one number: concordance, sizes of the error, equivalence."""
