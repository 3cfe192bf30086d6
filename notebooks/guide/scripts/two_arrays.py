"""Limits of agreement of two arrays."""

import numpy as np

import agreement

lab = np.array([52.1, 48.3, 61.0, 44.9, 57.2, 50.4, 39.8, 63.3, 55.0, 47.6])
field = lab + np.array([-3, 1, -4, 2, -2, -1, 0, -5, -3, 1])
print(agreement.limits_of_agreement(field, lab).summary())
