"""A second pair of eyes: what in a study looks too wrong to be computed from."""
