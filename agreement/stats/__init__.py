"""Numbers: arrays and frames in, frozen results out."""
