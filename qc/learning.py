"""How an apprentice's cakes come nearer to what they should be.

The distance from the nominal value is followed over the number of cakes made. Three shapes are compared by AICc
(Hurvich and Tsai 1989): no change, a steady change, and a change that has flattened (a line that turns level, or an
exponential approach, level when 95 % of it is made). A change has to be clearly better than none. The band is a wild
bootstrap's (Wu 1986), which needs no equal spread and no normal distribution.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from qc.limits import Limit, figure
from qc.quantities import QUANTITIES
from qc.series import Series
from qc.trends import TrendSettings, day_words, uncertain_points

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class LearningSettings:
    """How a learning curve is read."""

    fewest_cakes: int = 10  # cakes; below ten nothing is said
    fewest_level: int = 8  # cakes after the turn; a shorter level stretch may be chance
    resamples: int = 400  # a band's edge is then good to a tenth of its width
    confidence: float = 0.95
    clearly: float = 4.0  # AICc; a change must beat no change by it, which keeps false changes near one in twenty
    most_turns: int = 40  # candidate turning points; more gain nothing


@dataclass(frozen=True)
class LearningCurve:
    """The distance from nominal over the cakes made.

    Attributes
    ----------
    shape : str
        "no change", "steady", "flattened".
    time : (n,) datetime64[ms]
    distance, curve, low, high : (n,) float
        Distance of each cake, and the fitted mean with its band, in the quantity's unit.
    change, change_low, change_high : float
        Last minus first of the fitted mean; negative is nearer to nominal.
    level : float or None
        The distance at which a flattened curve stays.
    flat_from : datetime64[ms] or None
        When it turned level; `flat_low`, `flat_high` its interval.
    tolerance : float
        What the distance is compared with: half the tolerance, or the limit.
    """

    quantity: str
    shape: str
    time: NDArray[np.datetime64]
    distance: FloatArray
    curve: FloatArray
    low: FloatArray
    high: FloatArray
    change: float
    change_low: float
    change_high: float
    level: float | None
    flat_from: np.datetime64 | None
    flat_low: np.datetime64 | None
    flat_high: np.datetime64 | None
    tolerance: float

    @property
    def proven(self) -> bool:
        """True when chance alone does not explain the change."""
        return self.change_high < 0 or self.change_low > 0

    @property
    def gain(self) -> float:
        """How much nearer, as a share of the tolerance."""
        return -self.change / self.tolerance

    @property
    def lack(self) -> float:
        """The distance now, as a share of the tolerance."""
        return float(self.curve[-1]) / self.tolerance

    def words(self) -> str:
        """The curve in a sentence or two."""
        q = QUANTITIES[self.quantity]
        start, now = figure(q.name, float(self.curve[0])), figure(q.name, float(self.curve[-1]))
        if not self.proven:
            return f"{q.label}: {now} from what it should be; no change that chance could not explain."
        text = f"{q.label}: from {start} to {now} away from what it should be in {len(self.distance)} cakes"
        if self.change > 0:
            return f"{text}: further away than before."
        if self.shape == "flattened" and self.flat_from is not None:
            between = f"{_day(self.flat_low)} to {_day(self.flat_high)}"
            return f"{text}; no nearer since about {_day(self.flat_from)} ({between})."
        return f"{text}, and still getting nearer."


@dataclass(frozen=True)
class LearningReport:
    """All quantities of one decorator and kind of cake."""

    curves: tuple[LearningCurve, ...]
    gained: tuple[LearningCurve, ...]  # at most two, the most first
    lacking: tuple[LearningCurve, ...]  # at most two, the furthest first
    sentences: tuple[str, ...]


def distances(value: FloatArray, limit: Limit) -> FloatArray:
    """Distance of (n,) values from what they should be: the target, zero for "at most", a shortfall for "at least"."""
    if limit.target is not None:
        return np.abs(value - limit.target)
    if limit.kind == "at_least":
        assert limit.low is not None
        return np.maximum(limit.low - value, 0.0)
    return np.abs(value)


def reach(limit: Limit) -> float:
    """What distances are compared with."""
    if limit.low is not None and limit.high is not None:
        return max(limit.half_width, 1.0) if limit.kind == "count" else limit.half_width
    bound = limit.high if limit.high is not None else limit.low
    assert bound is not None
    return abs(bound - (limit.target or 0.0)) or abs(bound)


def learning_curve(
    series: Series, limit: Limit, rng: np.random.Generator, settings: LearningSettings | None = None
) -> LearningCurve | None:
    """Fit the learning curve of one quantity; None under ten comparable cakes."""
    chosen = settings or LearningSettings()
    part = series.only(series.counts & ~uncertain_points(series, TrendSettings()))
    n = len(part)
    if n < chosen.fewest_cakes:
        return None
    distance = distances(part.value, limit)
    shapes = _Shapes.of(n, chosen)
    shape, turn, curve = shapes.best(distance)
    resampled, turns = shapes.resample(distance, curve, shape, rng, chosen.resamples)
    edges = [50 * (1 - chosen.confidence), 50 * (1 + chosen.confidence)]
    low, high = np.percentile(resampled, edges, axis=1)
    # for no change, the change is tested with a straight line: a level curve has none by construction
    change, changes = curve[-1] - curve[0], resampled[-1] - resampled[0]
    if shape == "no change":
        change, changes = 0.0, np.zeros(1)
    change_low, change_high = np.percentile(changes, edges)
    flat = shape == "flattened"
    first, last = np.percentile(turns, edges) if flat else (0, 0)
    return LearningCurve(
        series.quantity,
        shape,
        part.time,
        distance,
        curve,
        np.maximum(low, 0.0),
        high,
        float(change),
        float(change_low),
        float(change_high),
        float(curve[-1]) if flat else None,
        part.time[turn] if flat else None,
        part.time[int(first)] if flat else None,
        part.time[math.ceil(last)] if flat else None,
        reach(limit),
    )


@dataclass(frozen=True)
class _Shapes:
    """Orthonormal bases of the candidate shapes over n cakes: no change, steady, level from each turn on.

    Each turn t stands twice: as a line that turns level at t, and as exp(-3 i / t), of which 95 % is made at t.
    """

    n: int
    level: FloatArray  # (n, 1)
    steady: FloatArray  # (n, 2)
    turning: FloatArray  # (k, n, 2)
    turns: NDArray[np.int64]  # (k,)
    clearly: float

    @classmethod
    def of(cls, n: int, settings: LearningSettings) -> "_Shapes":
        i = np.arange(n, dtype=float)
        lowest, highest = min(4, n - 2), n - settings.fewest_level
        turns = np.unique(np.linspace(lowest, highest, settings.most_turns).round()).astype(np.int64)
        turns = turns if highest > lowest else np.array([], np.int64)
        shapes = [np.minimum(i - t, 0) for t in turns] + [np.exp(-3 * i / t) for t in turns]
        bent = [np.linalg.qr(np.column_stack([np.ones(n), shape]))[0] for shape in shapes]
        turns = np.concatenate([turns, turns])
        straight = np.linalg.qr(np.column_stack([np.ones(n), i]))[0]
        return cls(n, np.full((n, 1), n**-0.5), straight, np.array(bent).reshape(-1, n, 2), turns, settings.clearly)

    def best(self, y: FloatArray) -> tuple[str, int, FloatArray]:
        """Name, turn and curve of the shape with the smallest AICc."""
        level, steady = self.level @ (self.level.T @ y), self.steady @ (self.steady.T @ y)
        found = [("no change", 0, level, self._aicc(y, level, 2) - self.clearly)]
        found.append(("steady", 0, steady, self._aicc(y, steady, 3)))
        if len(self.turns):
            k, bent = self.turned(y[:, None])
            found.append(("flattened", int(self.turns[k[0]]), bent[:, 0], self._aicc(y, bent[:, 0], 4)))
        name, turn, curve, _ = min(found, key=lambda f: f[3])
        return name, turn, curve

    def turned(self, y: FloatArray) -> tuple[NDArray[np.intp], FloatArray]:
        """Best turn (index) of each column of y (n, b), and the curves (n, b)."""
        scores = np.einsum("kni,nb->kib", self.turning, y, optimize=True)  # (k, 2, b)
        best = (scores**2).sum(axis=1).argmax(axis=0)
        kept = scores[best, :, np.arange(y.shape[1])]  # (b, 2)
        return best, np.einsum("bni,bi->nb", self.turning[best], kept)

    def resample(
        self, y: FloatArray, curve: FloatArray, shape: str, rng: np.random.Generator, count: int
    ) -> tuple[FloatArray, NDArray[np.int64]]:
        """Curves (n, count) and turns of wild-bootstrap samples: residuals with random signs."""
        off = (y - curve) * math.sqrt(self.n / max(self.n - 2, 1))
        drawn = curve[:, None] + off[:, None] * rng.choice([-1.0, 1.0], (self.n, count))
        if shape == "flattened":
            best, curves = self.turned(drawn)
            return curves, self.turns[best]
        basis = self.level if shape == "no change" else self.steady
        return basis @ (basis.T @ drawn), np.zeros(count, np.int64)

    def _aicc(self, y: FloatArray, curve: FloatArray, parameters: int) -> float:
        squares = max(float(((y - curve) ** 2).sum()), 1e-300)
        penalty = 2 * parameters + 2 * parameters * (parameters + 1) / max(self.n - parameters - 1, 1)
        return self.n * math.log(squares / self.n) + penalty


def learning_report(
    series: Mapping[str, Series],
    limits: Mapping[str, Limit],
    rng: np.random.Generator,
    settings: LearningSettings | None = None,
) -> LearningReport:
    """Learning curves of every quantity with a limit, and which two gained and lack most.

    Parameters
    ----------
    series : mapping of quantity to Series
        One decorator's, one kind of cake.
    limits : mapping of quantity to Limit
    """
    chosen = settings or LearningSettings()
    fitted = [learning_curve(series[name], limits[name], rng, chosen) for name in series if name in limits]
    curves = tuple(c for c in fitted if c is not None)
    if not curves:
        most = max((int(s.counts.sum()) for s in series.values()), default=0)
        said = (
            f"Nothing can be said yet: {most} comparable cakes so far, and at least {chosen.fewest_cakes} are needed."
        )
        return LearningReport((), (), (), (said,))
    gained = tuple(sorted((c for c in curves if c.change_high < 0), key=lambda c: -c.gain)[:2])
    lacking = tuple(sorted((c for c in curves if c.lack > 0.5), key=lambda c: -c.lack)[:2])
    return LearningReport(curves, gained, lacking, _report_words(gained, lacking))


def _report_words(gained: tuple[LearningCurve, ...], lacking: tuple[LearningCurve, ...]) -> tuple[str, ...]:
    text = [f"Gained most: {_names(gained)}."] if gained else ["No quantity has changed more than chance explains."]
    text += [curve.words() for curve in gained]
    if lacking:
        text.append(f"Teach next: {_names(lacking)}.")
        text += [_lack_words(curve) for curve in lacking]
    else:
        text.append("No quantity stays further than half its tolerance from what it should be.")
    return tuple(text)


def _lack_words(curve: LearningCurve) -> str:
    label, now = QUANTITIES[curve.quantity].label, figure(curve.quantity, float(curve.curve[-1]))
    return f"{label} is {now} from what it should be on average, {100 * curve.lack:.0f} % of what the limit allows."


def _names(curves: tuple[LearningCurve, ...]) -> str:
    return " and ".join(QUANTITIES[c.quantity].label.lower() for c in curves)


def _day(when: np.datetime64 | None) -> str:
    return "" if when is None else day_words(when)
