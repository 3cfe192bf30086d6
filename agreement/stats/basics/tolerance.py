"""
Factors: how many standard deviations from the mean an exact bound lies, for normal differences.

All are cached: they depend on the number of athletes and two shares alone.
"""

from functools import lru_cache

import numpy as np
import scipy
from scipy import special

from agreement.stats.basics.intervals import checked_share, z_of

LARGE = 100_000  # above, exact and large-sample factor differ by less than 0.0001
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(120)
_BISECTIONS = 60


# Ours: no library here has exact bounds of limits; the noncentral t inside is scipy's.
@lru_cache(maxsize=4096)
def limit_factors(
    n: int, coverage: float = 0.95, confidence_level: float = 0.95
) -> tuple[float, float]:
    r"""
    Exact interval of one limit of agreement, in standard deviations from the bias.

    The upper limit is a centile of a normal distribution; its interval is
    ``bias + g_low sd`` to ``bias + g_high sd``, that of the lower limit the mirror image.

    n: number of athletes, 2 or more.
    coverage: share of differences between the limits.

    Quantiles of the noncentral t distribution with :math:`n - 1` degrees of freedom and
    noncentrality :math:`z\sqrt n`, over :math:`\sqrt n` [1]_. Above 100 000 athletes the
    approximation of 1999 takes over (`approximate_factors`).

    .. [1] Carkeet A. Exact parametric confidence intervals for Bland-Altman limits of agreement.
       Optom Vis Sci 2015;92:e71.
    """
    _check_n(n)
    tail = (1.0 - checked_share("confidence_level", confidence_level)) / 2.0
    if n > LARGE:
        return approximate_factors(n, coverage, confidence_level)
    centre = z_of(checked_share("coverage", coverage)) * np.sqrt(n)
    low, high = scipy.stats.nct.ppf([tail, 1.0 - tail], n - 1, centre) / np.sqrt(n)
    return float(low), float(high)


def approximate_factors(
    n: int, coverage: float = 0.95, confidence_level: float = 0.95
) -> tuple[float, float]:
    """
    Large-sample interval of one limit, in standard deviations from the bias.

    .. [1] Bland JM, Altman DG. Measuring agreement in method comparison studies.
       Stat Methods Med Res 1999;8:135-160.
    """
    _check_n(n)
    z = z_of(checked_share("coverage", coverage))
    t = special.stdtrit(n - 1, (1.0 + checked_share("confidence_level", confidence_level)) / 2.0)
    half = float(t * np.sqrt(1.0 / n + z * z / (2.0 * (n - 1))))
    return z - half, z + half


@lru_cache(maxsize=4096)
def tolerance_factor(n: int, coverage: float = 0.95, confidence: float = 0.95) -> float:
    r"""
    Exact two-sided normal tolerance factor k.

    With the given confidence at least `coverage` of all differences lie in mean -/+ k sd.

    n: number of athletes, 2 or more.

    k solves :math:`2\int_0^\infty\sqrt n\,\varphi(\sqrt n x)\,
    P[\chi^2_{n-1} \ge (n-1) R(x)^2/k^2]\,dx = \gamma` with
    :math:`\Phi(x+R)-\Phi(x-R)=P`: 120 Gauss-Legendre nodes on :math:`[0, 9/\sqrt n]`.

    .. [1] Odeh RE, Owen DB. Tables for normal tolerance limits. Dekker, 1980.
    """
    _check_n(n)
    checked_share("coverage", coverage)
    checked_share("confidence", confidence)
    x = 4.5 * (_NODES + 1.0) / np.sqrt(n)
    density = 9.0 * _WEIGHTS * np.exp(-n * x * x / 2.0) / np.sqrt(2.0 * np.pi)
    # half width of the interval around x that holds `coverage` of a standard normal
    narrow, wide = np.zeros_like(x), x + z_of(coverage)
    for _ in range(_BISECTIONS):
        middle = (narrow + wide) / 2.0
        short = special.ndtr(x + middle) - special.ndtr(x - middle) < coverage
        narrow, wide = np.where(short, middle, narrow), np.where(short, wide, middle)
    squared_radius = (n - 1) * ((narrow + wide) / 2.0) ** 2

    def excess(k: float) -> float:
        return float(density @ special.chdtrc(n - 1, squared_radius / (k * k))) - confidence

    start = howe_factor(n, coverage, confidence)
    low, high = start, start
    while excess(low) > 0.0:
        low /= 1.5
    while excess(high) < 0.0:
        high *= 1.5
    return start if low == high else float(scipy.optimize.brentq(excess, low, high, xtol=1e-12))


def howe_factor(n: int, coverage: float = 0.95, confidence: float = 0.95) -> float:
    """
    Howe's closed approximation of the two-sided tolerance factor.

    .. [1] Howe WG. Two-sided tolerance limits for normal populations. JASA 1969;64:610-620.
    """
    scale = (n - 1) * (1.0 + 1.0 / n) / special.chdtri(n - 1, confidence)
    return z_of(coverage) * float(np.sqrt(scale))


def _check_n(n: int) -> None:
    if n < 2:
        raise ValueError(f"`n` must be 2 or more; got {n}")
