"""What every analysis stands on: intervals, resampling, least squares, mixed models, ranks of slopes."""
