"""Raw recordings to VO2max: gas exchange, field tests, heart rate, training profile."""
