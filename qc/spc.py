"""Control charts: individuals, averages and spreads of batches, EWMA, CUSUM, with the constants they rest on.

Sources: NIST/SEMATECH e-Handbook of Statistical Methods 6.3.2; ASTM E2587; D. C. Montgomery, Introduction to
Statistical Quality Control, appendix VI (constants). All limits are at three standard errors.
"""

from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import quad
from scipy.special import gammaln
from scipy.stats import norm, t

FloatArray = NDArray[np.float64]
MOVING_RANGE_OF = 2  # neighbours per moving range
RANGE_EFFICIENCY = 0.605  # of sigma from moving ranges against the sample's own (Cryer and Ryan 1990)
THREE_SIGMAS = float(norm.sf(3))


@dataclass(frozen=True)
class ChartConstants:
    """Constants for samples of n values from a normal distribution."""

    n: int
    d2: float  # mean of the range in standard deviations
    d3: float  # standard deviation of the range
    c4: float  # mean of the sample standard deviation

    @property
    def a2(self) -> float:
        return 3 / (self.d2 * self.n**0.5)

    @property
    def a3(self) -> float:
        return 3 / (self.c4 * self.n**0.5)

    @property
    def b3(self) -> float:
        return max(0.0, 1 - 3 * (1 - self.c4**2) ** 0.5 / self.c4)

    @property
    def b4(self) -> float:
        return 1 + 3 * (1 - self.c4**2) ** 0.5 / self.c4

    @property
    def big_d3(self) -> float:
        return max(0.0, 1 - 3 * self.d3 / self.d2)

    @property
    def big_d4(self) -> float:
        return 1 + 3 * self.d3 / self.d2

    @property
    def e2(self) -> float:
        return 3 / self.d2

    @property
    def d2_star(self) -> float:
        """Root mean square of one range (Duncan's d2* for a single sample): what a gauge study divides by."""
        return float(np.hypot(self.d2, self.d3))


@lru_cache(maxsize=256)
def constants(n: int) -> ChartConstants:
    """Chart constants for samples of n >= 2, from their definitions.

    d2 = integral of 1 - F^n - (1 - F)^n (Tippett 1925); the range's second moment is the double integral of its
    distribution; c4 = sqrt(2 / (n - 1)) Gamma(n / 2) / Gamma((n - 1) / 2).
    """
    if n < 2:
        raise ValueError(f"a sample has at least 2 values, found {n}")
    d2 = quad(lambda x: 1 - norm.cdf(x) ** n - norm.sf(x) ** n, -np.inf, np.inf, epsabs=1e-11)[0]
    second = _mean_square_range(n)
    c4 = np.sqrt(2 / (n - 1)) * np.exp(gammaln(n / 2) - gammaln((n - 1) / 2))
    return ChartConstants(n, float(d2), float(np.sqrt(second - d2**2)), float(c4))


def _mean_square_range(n: int) -> float:
    """E[w^2] = 2 int w (1 - P(range <= w)) dw, P = n int phi(x) (Phi(x + w) - Phi(x))^(n - 1) dx."""
    x, x_weight = np.polynomial.legendre.leggauss(200)
    x, x_weight = 9 * x, 9 * x_weight
    w = (x + 9) * (7 / 9)  # 0..14
    w_weight = x_weight * (7 / 9)
    inner = norm.cdf(x[None, :] + w[:, None]) - norm.cdf(x)[None, :]
    below = n * (norm.pdf(x) * x_weight * inner ** (n - 1)).sum(axis=1)
    return float(2 * (w_weight * w * (1 - below)).sum())


@dataclass(frozen=True)
class Limits:
    """Centre line and limits; arrays (n,) where they change from point to point."""

    centre: FloatArray
    low: FloatArray
    high: FloatArray


@dataclass(frozen=True)
class IndividualsChart:
    """Individuals and moving ranges (NIST 6.3.2.2).

    Attributes
    ----------
    moving_range : (n - 1,) float
    sigma : float
        Mean moving range of the baseline over d2.
    """

    value: FloatArray
    moving_range: FloatArray
    centre: float
    sigma: float
    low: float
    high: float
    range_centre: float
    range_high: float

    @property
    def z(self) -> FloatArray:
        """Distance of each point from the centre line in sigmas, (n,)."""
        return (self.value - self.centre) / self.sigma

    def allowing(self, points: int) -> "IndividualsChart":
        """The same chart, its limits as wide as limits from so few points have to be to cry wolf no more often.

        Centre and sigma of few points are themselves off by chance: a new point lies within
        centre +- t sigma sqrt(1 + 1 / m), t of Student's distribution with 0.605 (m - 1) degrees of freedom
        (Hillier, J. Quality Technology 1, 1969; degrees of freedom of moving ranges: Cryer and Ryan, ibid. 22, 1990).
        """
        wide = few_points_t(points) * self.sigma * (1 + 1 / points) ** 0.5
        return replace(self, low=self.centre - wide, high=self.centre + wide)

    def fair_z(self, points: int) -> FloatArray:
        """Distances as of a chart whose limits are known: each is as unlikely as the one it stands for, (n,).

        Z = Phi^-1(T(z / sqrt(1 + 1 / m))): the Q statistic of Quesenberry (J. Quality Technology 23, 1991).
        """
        u = self.z / (1 + 1 / points) ** 0.5
        return np.asarray(np.sign(u) * norm.isf(t.sf(np.abs(u), _freedom(points))))


def few_points_t(points: int) -> float:
    """What stands for three sigmas where sigma comes from the moving ranges of so few points."""
    return float(t.isf(THREE_SIGMAS, _freedom(points)))


def _freedom(points: int) -> float:
    return RANGE_EFFICIENCY * (points - 1)


def individuals(value: FloatArray, baseline: NDArray[np.bool_] | None = None) -> IndividualsChart:
    """Chart of single values.

    Parameters
    ----------
    value : (n,) float
    baseline : (n,) bool, optional
        Points that centre line and limits come from; all when left out.

    Raises
    ------
    ValueError
        Fewer than two baseline points, or no spread between them.
    """
    kept = value if baseline is None else value[baseline]
    if len(kept) < 2:
        raise ValueError(f"limits need at least 2 baseline points, found {len(kept)}")
    factor = constants(MOVING_RANGE_OF)
    mean_range = float(np.abs(np.diff(kept)).mean())
    if mean_range == 0:
        raise ValueError("the baseline points are all the same, so they give no limits")
    centre, sigma = _mean(kept), mean_range / factor.d2
    return IndividualsChart(
        value,
        np.abs(np.diff(value)),
        centre,
        sigma,
        centre - 3 * sigma,
        centre + 3 * sigma,
        mean_range,
        factor.big_d4 * mean_range,
    )


@dataclass(frozen=True)
class BatchChart:
    """Averages and standard deviations of batches, with limits that follow each batch's size."""

    size: NDArray[np.int64]
    mean: FloatArray
    spread: FloatArray
    mean_limits: Limits
    spread_limits: Limits
    sigma: float


def batches(value: FloatArray, batch: NDArray[np.int64], baseline: NDArray[np.bool_] | None = None) -> BatchChart:
    """X-bar and S chart.

    Parameters
    ----------
    value : (n,) float
    batch : (n,) int
        Label of each value's batch; batches of one value are left out.
    baseline : (n,) bool, optional
        Values whose batches give the limits.

    Notes
    -----
    Equal sizes: limits from the mean of the standard deviations, A3, B3 and B4 (NIST 6.3.2.1). Unequal sizes: from the
    pooled standard deviation and weighted mean, with each size's own constants (Montgomery 6.3.2).
    """
    labels, index, count = np.unique(batch, return_inverse=True, return_counts=True)
    total = np.bincount(index, value - value.mean(), len(labels))
    mean = value.mean() + total / count
    squares = np.bincount(index, (value - mean[index]) ** 2, len(labels))
    base = np.ones(len(labels), bool) if baseline is None else np.bincount(index, baseline, len(labels)) == count
    usable = count >= 2
    if not (usable & base).any():
        raise ValueError("no baseline batch has at least 2 values")
    size, mean, base = count[usable], mean[usable], base[usable]
    spread = np.sqrt(squares[usable] / (size - 1))
    c = [constants(int(n)) for n in size]
    c4, a3 = np.array([k.c4 for k in c]), np.array([k.a3 for k in c])
    sigma = _batch_sigma(spread[base], size[base], c4[base])
    centre = float((size[base] * mean[base]).sum() / size[base].sum())
    s_centre = c4 * sigma
    width = a3 * s_centre
    b3, b4 = np.array([k.b3 for k in c]), np.array([k.b4 for k in c])
    centres = np.full(len(size), centre)
    return BatchChart(
        size.astype(np.int64),
        mean,
        spread,
        Limits(centres, centre - width, centre + width),
        Limits(s_centre, b3 * s_centre, b4 * s_centre),
        sigma,
    )


def _batch_sigma(spread: FloatArray, size: NDArray[np.int64], c4: FloatArray) -> float:
    if len(set(size.tolist())) == 1:
        return float(spread.mean() / c4[0])
    pooled = np.sqrt(((size - 1) * spread**2).sum() / (size - 1).sum())
    return float(pooled / constants(int((size - 1).sum()) + 1).c4)


@dataclass(frozen=True)
class EwmaChart:
    """Exponentially weighted moving average: sees slow drift (NIST 6.3.2.4)."""

    value: FloatArray
    limits: Limits

    @property
    def outside(self) -> NDArray[np.bool_]:
        """Points beyond the limits, (n,)."""
        return (self.value > self.limits.high) | (self.value < self.limits.low)


def ewma(
    value: FloatArray,
    centre: float,
    sigma: float,
    weight: float = 0.2,
    steady: bool = False,
    points: int | None = None,
) -> EwmaChart:
    """EWMA_t = w Y_t + (1 - w) EWMA_(t-1), from EWMA_0 = centre.

    Parameters
    ----------
    weight : float
        w, 0 < w <= 1; 0.2 to 0.3 is usual.
    steady : bool
        Limits of the long run instead of the exact ones, which start narrow: sigma sqrt(w / (2 - w) (1 - (1 - w)^2t)).
    points : int, optional
        How many points centre and sigma come from: the limits then allow for what few points leave open, as
        `IndividualsChart.allowing` does. Left out, both are taken as known.
    """
    out = np.empty(len(value))
    last = centre
    for i, y in enumerate(value):
        last = weight * y + (1 - weight) * last
        out[i] = last
    grown = np.ones(len(value)) if steady else 1 - (1 - weight) ** (2 * np.arange(1, len(value) + 1))
    sigmas, open_part = (3.0, 0.0) if points is None else (few_points_t(points), 1 / points)
    width = sigmas * sigma * np.sqrt(weight / (2 - weight) * grown + open_part)
    return EwmaChart(out, Limits(np.full(len(value), centre), centre - width, centre + width))


@dataclass(frozen=True)
class CusumChart:
    """Cumulative sums above and below the target (NIST 6.3.2.3, tabular form)."""

    above: FloatArray
    below: FloatArray
    decision: float

    @property
    def outside(self) -> NDArray[np.bool_]:
        """Points where either sum passes the decision limit, (n,)."""
        return (self.above > self.decision) | (self.below > self.decision)

    def began(self, at: int, above: bool) -> int:
        """The point from which a shift that shows at `at` has lasted: after the sum was last zero (Montgomery 9.1)."""
        zero = np.flatnonzero((self.above if above else self.below)[: at + 1] == 0)
        return min(int(zero[-1]) + 1, at) if len(zero) else 0


def cusum(value: FloatArray, target: float, allowance: float, decision: float) -> CusumChart:
    """S_hi(i) = max(0, S_hi(i-1) + x_i - target - k), S_lo(i) = max(0, S_lo(i-1) + target - k - x_i).

    Parameters
    ----------
    allowance, decision : float
        k and h, in the value's unit; half a sigma and four to five sigmas are usual.
    """
    above, below = np.zeros(len(value)), np.zeros(len(value))
    high = low = 0.0
    for i, x in enumerate(value):
        high = max(0.0, high + x - target - allowance)
        low = max(0.0, low + target - allowance - x)
        above[i], below[i] = high, low
    return CusumChart(above, below, decision)


def _mean(value: FloatArray) -> float:
    """Mean about a first guess, so that a large offset costs no digits."""
    guess = float(value[0])
    return guess + float((value - guess).mean())


@dataclass(frozen=True)
class Moments:
    """Mean, standard deviation (n - 1) and lag-1 autocorrelation."""

    mean: float
    sd: float
    lag1: float


def moments(value: FloatArray) -> Moments:
    """Numerically stable moments of (n,) values: two passes, the second about the first's mean."""
    mean = _mean(value)
    off = value - mean
    mean += float(off.mean())
    off = off - off.mean()
    squares = float((off**2).sum())
    lag1 = float((off[1:] * off[:-1]).sum() / squares) if squares > 0 else float("nan")
    return Moments(mean, float(np.sqrt(squares / (len(value) - 1))), lag1)
