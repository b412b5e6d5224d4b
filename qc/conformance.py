"""How probable it is that a cake meets a limit, given its measured value and uncertainty.

JCGM 106:2012 computes the conformance probability from the distribution of the values that can be attributed to the
measurand. That distribution is here:

- a normal one with the standard uncertainty u = U/2 (coverage factor 2, JCGM 100), cut off at zero for quantities
  that cannot be negative (what is known beforehand belongs in the distribution: JCGM 106, 6.2);
- where the measurement states a 95 % coverage interval instead, the two-piece normal whose halves reach from the value
  to the interval's ends (K. F. Wallis, Statistical Science 29 (2014) 106, equations 1 and 2), cut off in the same way.
  With an interval [0, b] and the value 0 it is a folded normal distribution with 95 % of it below b.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr, ndtri  # normal distribution function and its inverse

from qc.limits import Limit, is_count
from qc.quantities import QUANTITIES, Measurement

COVERAGE_95 = float(ndtri(0.975))  # 1.96: half a 95 % interval in standard deviations
TINY = 1e-12  # below this share of the unit a spread is none


@dataclass(frozen=True)
class Belief:
    """A two-piece normal distribution, cut off below `floor` when there is one.

    Attributes
    ----------
    mode : float
        The measured value.
    below, above : float
        Standard deviation of the lower and the upper half.
    floor : float or None
        Smallest possible value.
    """

    mode: float
    below: float
    above: float
    floor: float | None = None

    def cdf(self, x: ArrayLike) -> NDArray[np.float64]:
        """Probability of a value up to x, shape as x."""
        raw = self._uncut(x)
        if self.floor is None:
            return raw
        under = self._uncut(self.floor)
        return np.clip((raw - under) / (1 - under), 0.0, 1.0)

    def quantile(self, p: ArrayLike) -> NDArray[np.float64]:
        """Value below which the share p lies, shape as p."""
        share = np.asarray(p, float)
        if self.floor is not None:
            under = self._uncut(self.floor)
            share = under + share * (1 - under)
        left, right = self._halves()
        # Inverse of the two branches of the distribution function; Wallis (2014), equation 1
        low = ndtri(np.clip(share / (2 * left), 0, 0.5)) * self.below if self.below > 0 else 0.0
        up = -ndtri(np.clip((1 - share) / (2 * right), 0, 0.5)) * self.above if self.above > 0 else 0.0
        return self.mode + np.where(share < left, low, up)

    def _halves(self) -> tuple[float, float]:
        total = self.below + self.above
        return (self.below / total, self.above / total) if total > 0 else (0.5, 0.5)

    def _uncut(self, x: ArrayLike) -> NDArray[np.float64]:
        d = np.asarray(x, float) - self.mode
        left, right = self._halves()
        lower = 2 * left * ndtr(d / self.below) if self.below > 0 else np.zeros_like(d)
        rest = 2 * right * ndtr(-d / self.above) if self.above > 0 else np.zeros_like(d)
        return np.where(d < 0, lower, 1 - rest)


def belief(measurement: Measurement) -> Belief:
    """The distribution of the values that can be attributed to a measured quantity."""
    quantity = QUANTITIES[measurement.name]
    floor = 0.0 if quantity.magnitude else None
    value = max(measurement.value, 0.0) if quantity.magnitude else measurement.value
    if measurement.interval is None:
        u = measurement.uncertainty / 2  # JCGM 100, 6.2.1: U = k u with k = 2
        return Belief(value, u, u, floor)
    low, high = measurement.interval
    return Belief(value, max(value - low, 0.0) / COVERAGE_95, max(high - value, 0.0) / COVERAGE_95, floor)


def conformance(measurement: Measurement, limit: Limit) -> float:
    """Probability that the limit is met, in 0..1 (JCGM 106:2012, 7.2: p_c = F(T_U) - F(T_L)).

    A whole-numbered quantity meets its limit up to half a piece beyond it.
    """
    half = 0.5 if is_count(QUANTITIES[measurement.name]) else 0.0
    distribution = belief(measurement)
    if max(distribution.below, distribution.above) <= TINY:
        return 1.0 if abs(limit.misses_by(distribution.mode)) <= half else 0.0
    upper = 1.0 if limit.high is None else float(distribution.cdf(limit.high + half))
    lower = 0.0 if limit.low is None else float(distribution.cdf(limit.low - half))
    return min(max(upper - lower, 0.0), 1.0)
