"""How alike a bench's cakes are: the spread within each decorator's cakes and between decorators.

For one kind of cake and one quantity. Nobody is ranked: decorators stand by the alphabet of their pseudonyms, and
nothing is said of fewer than ten comparable cakes. One-way analysis of variance; the components by its mean squares
where all made the same number of cakes, else by a mixed model (restricted maximum likelihood); pairs by
Games and Howell (1976), which needs neither equal numbers nor equal spreads, adjusted for the number of pairs.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize_scalar
from scipy.stats import chi2, f, t
from statsmodels.stats.libqsturng import qsturng

from qc.limits import figure
from qc.quantities import QUANTITIES
from qc.series import Series
from qc.spc import moments
from qc.trends import TrendSettings, uncertain_points

FloatArray = NDArray[np.float64]
CONFIDENCE = 0.95


@dataclass(frozen=True)
class OneWay:
    """Table of a one-way analysis of variance."""

    between_df: int
    within_df: int
    between_ss: float
    within_ss: float

    @property
    def between_ms(self) -> float:
        return self.between_ss / self.between_df

    @property
    def within_ms(self) -> float:
        return self.within_ss / self.within_df

    @property
    def f_ratio(self) -> float:
        return self.between_ms / self.within_ms if self.within_ms > 0 else math.inf

    @property
    def p(self) -> float:
        return float(f.sf(self.f_ratio, self.between_df, self.within_df))

    @property
    def r2(self) -> float:
        return self.between_ss / (self.between_ss + self.within_ss)

    @property
    def residual_sd(self) -> float:
        return math.sqrt(self.within_ms)


def one_way(value: FloatArray, group: NDArray[np.int64]) -> OneWay:
    """One-way analysis of variance of (n,) values in groups 0..k-1, stable for large offsets.

    A guess is taken off before anything is squared, and each group's mean is corrected once by its residuals.
    """
    off = value - value[0]
    off = off - off.mean()
    count = np.bincount(group)
    mean = np.bincount(group, off) / count
    mean = mean + np.bincount(group, off - mean[group]) / count
    grand = float((count * mean).sum() / count.sum())
    between = float((count * (mean - grand) ** 2).sum())
    within = float(((off - mean[group]) ** 2).sum())
    return OneWay(len(count) - 1, len(value) - len(count), between, within)


@dataclass(frozen=True)
class Components:
    """Standard deviations within and between decorators.

    `photos` is what the measurement's uncertainty accounts for of `within`.
    """

    within: float
    between: float
    photos: float
    method: str  # "analysis of variance" or "mixed model"


@dataclass(frozen=True)
class DecoratorSpread:
    """One decorator's cakes: mean and spread with their 95 % intervals."""

    pseudonym: str
    n: int
    mean: float
    mean_low: float
    mean_high: float
    sd: float
    sd_low: float
    sd_high: float
    values: FloatArray


@dataclass(frozen=True)
class Pair:
    """Difference of two decorators' means (second minus first, by the alphabet), adjusted for all pairs."""

    first: str
    second: str
    difference: float
    low: float
    high: float

    @property
    def differ(self) -> bool:
        """True when chance alone does not explain the difference."""
        return self.low > 0 or self.high < 0


@dataclass(frozen=True)
class Consistency:
    """One quantity of one kind of cake across a bench."""

    quantity: str
    kind: str
    decorators: tuple[DecoratorSpread, ...]  # by the alphabet
    too_few: tuple[str, ...]  # pseudonyms under ten comparable cakes: nothing is said of them
    anova: OneWay | None
    components: Components | None
    spreads_p: float | None  # Brown-Forsythe: are the spreads alike
    pairs: tuple[Pair, ...]
    sentences: tuple[str, ...]


def consistency(series: Series, settings: TrendSettings | None = None) -> Consistency:
    """Compare the decorators of a bench on one quantity of one kind of cake.

    Parameters
    ----------
    series : Series
        All decorators' cakes.
    """
    chosen = settings or TrendSettings()
    part = series.only(series.counts & ~uncertain_points(series, chosen))
    names, count = np.unique(part.decorator, return_counts=True)
    names, count = names[order := np.argsort([n.casefold() for n in names.tolist()], kind="stable")], count[order]
    few = tuple(str(n) for n, c in zip(names, count, strict=True) if c < chosen.fewest_cakes)
    kept = [str(n) for n, c in zip(names, count, strict=True) if c >= chosen.fewest_cakes]
    spreads = tuple(_spread(name, part.value[part.decorator == name]) for name in kept)
    few_words = _few_words(few, chosen.fewest_cakes)
    label = QUANTITIES[series.quantity].label
    if len(kept) < 2:
        said = f"{label}: a comparison needs two decorators with at least {chosen.fewest_cakes} comparable cakes each."
        return Consistency(series.quantity, series.kind, spreads, few, None, None, None, (), (said, *few_words))
    part = part.only(np.isin(part.decorator, kept))
    group = np.array([kept.index(n) for n in part.decorator.tolist()], np.int64)
    table = one_way(part.value, group)
    if table.within_ss == 0:
        said = f"{label}: the same on every decorator's cakes, so there is no spread to compare."
        return Consistency(series.quantity, series.kind, spreads, few, table, None, None, (), (said, *few_words))
    found = components(part.value, group, part.uncertainty)
    pairs = compare_pairs(part.value, group, kept)
    alike = brown_forsythe(part.value, group)
    words = _words(series.quantity, table, found, pairs, alike)
    return Consistency(series.quantity, series.kind, spreads, few, table, found, alike, pairs, (*words, *few_words))


def components(value: FloatArray, group: NDArray[np.int64], uncertainty: FloatArray | None = None) -> Components:
    """Spread within and between groups.

    Raises
    ------
    ValueError
        One group only.
    """
    count = np.bincount(group)
    if len(count) < 2:
        raise ValueError("components of variance need two groups")
    table = one_way(value, group)
    photos = 0.0 if uncertainty is None else math.sqrt(float(np.mean((uncertainty / 2) ** 2)))
    if len(set(count.tolist())) > 1:
        return Components(*_mixed_model(value, group, table), photos, "mixed model")
    # Searle, Casella and McCulloch (1992), 3.6: n0 = (N - sum n_i^2 / N) / (k - 1)
    n0 = (count.sum() - (count**2).sum() / count.sum()) / (len(count) - 1)
    between = math.sqrt(max(0.0, (table.between_ms - table.within_ms) / float(n0)))
    return Components(math.sqrt(table.within_ms), between, photos, "analysis of variance")


def _mixed_model(value: FloatArray, group: NDArray[np.int64], table: OneWay) -> tuple[float, float]:
    """Within and between standard deviations by restricted maximum likelihood, profiled over their ratio.

    Minus twice the restricted log-likelihood, with r = between^2 / within^2, w_i = n_i / (1 + n_i r) and N cakes:
    (N - 1) ln s2 + sum ln(1 + n_i r) + ln sum w_i, s2 = (SSW + sum w_i (mean_i - mu)^2) / (N - 1), mu = sum w_i mean_i
    / sum w_i (Searle, Casella and McCulloch 1992, 6.6). It needs only the groups' means, so thousands of cakes cost
    what ten do.
    """
    n = np.bincount(group)
    mean = np.bincount(group, value - value.mean()) / n

    def spread2(ratio: float) -> float:
        w = n / (1 + n * ratio)
        mu = (w * mean).sum() / w.sum()
        return float((table.within_ss + (w * (mean - mu) ** 2).sum()) / (n.sum() - 1))

    def cost(ratio: float) -> float:
        s2 = spread2(ratio)
        return float((n.sum() - 1) * np.log(s2) + np.log1p(n * ratio).sum() + np.log((n / (1 + n * ratio)).sum()))

    found = minimize_scalar(
        lambda e: cost(math.exp(e)), bounds=(-20.0, 15.0), method="bounded", options={"xatol": 1e-9}
    )
    ratio = math.exp(found.x) if found.fun < cost(0.0) else 0.0
    within2 = spread2(ratio)
    return math.sqrt(within2), math.sqrt(ratio * within2)


def compare_pairs(value: FloatArray, group: NDArray[np.int64], names: list[str]) -> tuple[Pair, ...]:
    """All pairs of groups by Games and Howell, with simultaneous 95 % intervals."""
    found = [moments(value[group == i]) for i in range(len(names))]
    share = np.array([m.sd**2 for m in found]) / np.bincount(group)  # variance of each mean
    if (share == 0).any():
        return ()  # a group without spread has no standard error
    first, second = np.triu_indices(len(names), 1)
    total = share[first] + share[second]
    weight = share**2 / (np.bincount(group) - 1)
    df = total**2 / (weight[first] + weight[second])  # Welch and Satterthwaite
    mean = np.array([m.mean for m in found])
    difference, error = mean[second] - mean[first], np.sqrt(total / 2)
    half = error * np.array([float(qsturng(CONFIDENCE, len(names), v)) for v in df])
    rows = zip(first, second, difference, half, strict=True)
    return tuple(Pair(names[i], names[j], float(d), float(d - h), float(d + h)) for i, j, d, h in rows)


def brown_forsythe(value: FloatArray, group: NDArray[np.int64]) -> float:
    """Probability of spreads this unlike by chance (Brown and Forsythe 1974): ANOVA of distances from the medians."""
    middle = np.array([np.median(value[group == i]) for i in range(int(group.max()) + 1)])
    table = one_way(np.abs(value - middle[group]), group)
    return table.p if table.within_ss > 0 else 1.0


def _spread(name: str, value: FloatArray) -> DecoratorSpread:
    m, n = moments(value), len(value)
    half = float(t.ppf(0.5 + CONFIDENCE / 2, n - 1)) * m.sd / math.sqrt(n)
    low, high = chi2.ppf([0.5 + CONFIDENCE / 2, 0.5 - CONFIDENCE / 2], n - 1)
    root = math.sqrt(n - 1)
    return DecoratorSpread(
        name, n, m.mean, m.mean - half, m.mean + half, m.sd, m.sd * root / low**0.5, m.sd * root / high**0.5, value
    )


def _words(quantity: str, table: OneWay, found: Components, pairs: tuple[Pair, ...], alike: float) -> tuple[str, ...]:
    label = QUANTITIES[quantity].label
    within, between = figure(quantity, found.within), figure(quantity, found.between)
    text = [f"{label}: one decorator's cakes vary by {within}, the decorators' averages by another {between}."]
    if table.p > 1 - CONFIDENCE:
        text.append("The decorators' averages differ no more than chance explains.")
    elif unlike := [p for p in pairs if p.differ]:
        said = "; ".join(
            f"{p.first} and {p.second} by {figure(quantity, abs(p.difference))} "
            f"({figure(quantity, min(abs(p.low), abs(p.high)))} to {figure(quantity, max(abs(p.low), abs(p.high)))})"
            for p in unlike[:3]
        )
        more = f"; and {len(unlike) - 3} more pairs" if len(unlike) > 3 else ""
        text.append(f"Averages that differ by more than chance: {said}{more}.")
    else:
        text.append("The averages are not all the same, but no single pair differs by more than chance.")
    if alike < 1 - CONFIDENCE:
        text.append("The spreads are not alike: some repeat their cakes more closely than others.")
    if found.photos > 0.5 * found.within:
        share = min(100.0, 100 * (found.photos / found.within) ** 2)
        text.append(f"About {share:.0f} % of how one decorator's cakes vary comes from the photos, not the cakes.")
    return tuple(text)


def _few_words(few: tuple[str, ...], need: int) -> tuple[str, ...]:
    if not few:
        return ()
    return (f"Nothing is said of {', '.join(few)}: under {need} comparable cakes.",)
