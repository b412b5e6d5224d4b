"""Uncertainty of sizes that come from signed components, rounding for print, and propagation by Monte Carlo."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import norm

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Magnitude:
    """A size that cannot be negative.

    uncertainty is expanded (k = 2); interval is a 95 % coverage interval where the components are within theirs.
    direction (n,) is the unit vector of the components; angle_sd_rad its standard uncertainty (of two components).
    """

    value: float
    uncertainty: float
    interval: tuple[float, float] | None
    direction: Array
    angle_sd_rad: float


def magnitude(components: Array, covariance: Array, samples: int = 4000) -> Magnitude:
    """Size of a vector of uncertain components.

    The naive length is too long on average, by half the variance across its direction over itself (to first order;
    of two components it has Rice's distribution); that is taken off. What it spreads by is in the uncertainty
    (JCGM 100, 5.1.2, note: terms of second order). Near zero the coverage interval comes from the components'
    distribution (JCGM 101), so it respects zero.
    """
    length = float(np.linalg.norm(components))
    direction = components / length if length > 0 else np.eye(len(components))[0]
    u = float(np.sqrt(direction @ covariance @ direction))
    across = float(np.sqrt(max(np.trace(covariance) - u * u, 0.0)))
    value = float(np.sqrt(max(length**2 - across**2, 0.0)))
    angle = float(np.arctan2(across, length))
    if length > 3 * np.sqrt(np.trace(covariance)):
        return Magnitude(value, 2 * float(np.hypot(u, _bent(covariance, direction) / length)), None, direction, angle)
    root = np.linalg.cholesky(covariance + 1e-15 * np.eye(len(components)))
    drawn = components + _normal(samples, len(components)) @ root.T
    low, high = np.quantile(np.linalg.norm(drawn, axis=1), [0.025, 0.975])
    low = 0.0 if value == 0.0 or length < 2 * u else float(low)
    return Magnitude(value, max(float(high) - value, value - low), (low, float(high)), direction, angle)


def _bent(covariance: Array, direction: Array) -> float:
    """Standard deviation, times the length, of what the spread across a vector's direction adds to its length."""
    flat = np.eye(len(direction)) - np.outer(direction, direction)
    across = flat @ covariance @ flat
    return float(np.sqrt(0.5 * np.trace(across @ across)))


def _normal(samples: int, size: int) -> Array:
    """Evenly spread standard normal points: a fixed set, so that the same photos give the same numbers."""
    k = np.arange(1, samples + 1)
    steps = np.array([0.7548776662466927, 0.5698402909980532, 0.4301597090019468])[:size]  # Roberts' R2 sequence
    return norm.ppf((0.5 + k[:, None] * steps) % 1.0 * (1 - 1e-9) + 5e-10)


def monte_carlo(
    function: Callable[[Array], Array], mean: Array, covariance: Array, samples: int, rng: np.random.Generator
) -> Array:
    """Values (samples, m) of a function of normal inputs: propagation of distributions (JCGM 101, clause 7)."""
    drawn = rng.multivariate_normal(mean, covariance, size=samples, method="cholesky")
    return np.stack([np.atleast_1d(function(d)) for d in drawn])


def rounded(value: float, uncertainty: float) -> tuple[str, str]:
    """Value and uncertainty as text, the uncertainty to two significant digits (JCGM 100, 7.2.6)."""
    if not np.isfinite(uncertainty) or uncertainty <= 0:
        return f"{value:.3g}", "unknown"
    digits = max(0, 1 - int(np.floor(np.log10(uncertainty))))
    return f"{value:.{digits}f}", f"{uncertainty:.{digits}f}"
