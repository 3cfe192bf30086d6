"""What the differences go with: the error budget, training profiles, inputs, intensities."""
