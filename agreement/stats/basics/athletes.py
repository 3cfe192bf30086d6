"""Which athlete a pair belongs to, as a code."""

import numpy as np

from agreement.stats.basics.arrays import ArrayLike, Integers


def athlete_codes(athlete: ArrayLike | None, n_pairs: int) -> Integers:
    """
    Return a code 0 ... G - 1 for the athlete of each pair.

    athlete: shape (n_pairs,). None: one pair per athlete.
    Raises ValueError if there are not as many athletes as pairs.
    """
    if athlete is None:
        return np.arange(n_pairs)
    ids = np.asarray(athlete)
    if ids.shape != (n_pairs,):
        raise ValueError(f"`athlete` must have shape ({n_pairs},); got {ids.shape}")
    return np.asarray(np.unique(ids, return_inverse=True)[1], dtype=np.intp)
