"""Capability: how the spread of a steady process compares with the tolerance (NIST/SEMATECH e-Handbook 6.1.6).

Given only where it means something: a chart in control and at least 25 cakes.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import chi2, norm

from qc.limits import Limit
from qc.spc import moments

FEWEST_CAKES = 25
CONFIDENCE = 0.95


@dataclass(frozen=True)
class Estimate:
    """A figure with its confidence interval."""

    value: float
    low: float
    high: float


@dataclass(frozen=True)
class Capability:
    """Cp and Cpk of one quantity; `cp` is None for a one-sided limit."""

    n: int
    mean: float
    sd: float
    cp: Estimate | None
    cpk: Estimate

    def words(self) -> str:
        """What it means, for a chef."""
        k = self.cpk
        figure = f"(Cpk {k.value:.2f}, {k.low:.2f} to {k.high:.2f}, from {self.n} cakes; 1 just fits)"
        if k.low >= 1.33:
            return f"The limit leaves room to spare {figure}."
        if k.low >= 1:
            return f"Nearly every cake keeps the limit {figure}."
        if k.high < 1:
            return f"The cakes vary more than the limit allows, so some will always miss it {figure}."
        return f"Too few cakes to say whether they vary less than the limit allows {figure}."


def capability(value: NDArray[np.float64], limit: Limit, confidence: float = CONFIDENCE) -> Capability:
    """Cp and Cpk with confidence intervals.

    Parameters
    ----------
    value : (n,) float
        Values of a process in control.
    limit : Limit
        Two-sided, or one-sided.

    Raises
    ------
    ValueError
        The limit is open on both sides, or the values have no spread.

    Notes
    -----
    Cp = (USL - LSL) / 6s with limits Cp sqrt(chi2(a/2, n-1) / (n-1)) and Cp sqrt(chi2(1-a/2, n-1) / (n-1)); Cpk is the
    smaller of (USL - mean) / 3s and (mean - LSL) / 3s, +- z sqrt(1 / 9n + Cpk^2 / 2(n-1)) (NIST 6.1.6). Both suppose a
    normal distribution.
    """
    found, n = moments(value), len(value)
    sides = [(limit.high - found.mean) if limit.high is not None else None]
    sides.append((found.mean - limit.low) if limit.low is not None else None)
    reach = [side for side in sides if side is not None]
    if not reach or found.sd <= 0:
        raise ValueError("capability needs a limit and values with some spread")
    cpk = min(reach) / (3 * found.sd)
    half = float(norm.ppf(0.5 + confidence / 2)) * math.sqrt(1 / (9 * n) + cpk**2 / (2 * (n - 1)))
    return Capability(
        n, found.mean, found.sd, _cp(found.sd, n, limit, confidence), Estimate(cpk, cpk - half, cpk + half)
    )


def _cp(sd: float, n: int, limit: Limit, confidence: float) -> Estimate | None:
    if limit.low is None or limit.high is None:
        return None
    cp = (limit.high - limit.low) / (6 * sd)
    low, high = chi2.ppf([0.5 - confidence / 2, 0.5 + confidence / 2], n - 1)
    return Estimate(cp, cp * math.sqrt(low / (n - 1)), cp * math.sqrt(high / (n - 1)))
