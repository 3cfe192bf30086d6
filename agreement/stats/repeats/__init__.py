"""Values that one athlete gives again and again: repeatability, days averaged, rules of averaging."""
