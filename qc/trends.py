"""How one quantity of one kind of cake goes over time: chart, signals in plain words, capability.

Methods in `qc.spc`, `qc.run_rules`, `qc.capability`; the learning of an apprentice is in `qc.learning`.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from qc import spc
from qc.capability import FEWEST_CAKES, Capability, capability
from qc.limits import Limit, figure
from qc.quantities import QUANTITIES
from qc.run_rules import RULE_SETS, Rule
from qc.series import Series

BoolArray = NDArray[np.bool_]
DRIFT_LENGTH = 10  # cakes; about what the running average remembers


@dataclass(frozen=True)
class TrendSettings:
    """How trends are read."""

    fewest_cakes: int = 10  # cakes; below ten the limits would be mostly chance, and unfair
    baseline_cakes: int = 20  # cakes; the first ones, where the chef set no period
    rules: str = "Western Electric 1956"  # a key of RULE_SETS
    ewma_weight: float = 0.2  # 1; sees a drift of one sigma in about ten cakes (NIST 6.3.2.4: 0.2 to 0.3)
    cusum_allowance: float = 0.5  # sigmas; half the shift to be found
    cusum_decision: float = 5.0  # sigmas (Montgomery 9.1); the sums only tell since when an average has been off
    too_uncertain: float = 1.0  # of the spread between cakes; above it the photo, not the cake, moves the point
    warm_kitchen_c: float = 24.0  # degrees C from which the chart can mark a cake: cream softens (common practice)
    times_usual: float = 2.0  # of the usual uncertainty; below it a photo is like the others


@dataclass(frozen=True)
class Period:
    """A baseline period, UTC."""

    start: np.datetime64
    end: np.datetime64


@dataclass(frozen=True)
class Signal:
    """A pattern that chance alone rarely draws."""

    at: int  # index into the trend's series
    check_id: int
    rule: str
    words: str


@dataclass(frozen=True)
class Mark:
    """A note that the chart shows at a cake: a change of recipe, rush, a hot kitchen."""

    at: int
    words: str


@dataclass(frozen=True)
class Trend:
    """One quantity over time, as a chart shows it.

    Attributes
    ----------
    series : Series
        Every cake, also those that do not count.
    used : (n,) bool
        Cakes that count: those left out, still to be seen by the decorator, or too uncertain do not.
    too_uncertain, baseline : (n,) bool
    enough : bool
        False under ten comparable cakes: then there is no chart and `sentences` says so.
    capability : Capability or None
        Of the cakes since the last that stood out, where they are 25 or more.
    chart : IndividualsChart or None
        Of the used points, in their order; likewise `ewma` and `cusum`. Limits allow for how few cakes they come from.
    """

    series: Series
    used: BoolArray
    too_uncertain: BoolArray
    baseline: BoolArray
    enough: bool
    chart: spc.IndividualsChart | None
    ewma: spc.EwmaChart | None
    cusum: spc.CusumChart | None
    signals: tuple[Signal, ...]
    marks: tuple[Mark, ...]
    capability: Capability | None
    sentences: tuple[str, ...]

    @property
    def in_control(self) -> bool:
        """True when there is a chart and nothing on it signals."""
        return self.chart is not None and not self.signals


def trend(
    series: Series, limit: Limit | None = None, baseline: Period | None = None, settings: TrendSettings | None = None
) -> Trend:
    """Read one series.

    Parameters
    ----------
    series : Series
        Of one kind of cake, and usually of one decorator.
    limit : Limit, optional
        For the capability.
    baseline : Period, optional
        Cakes whose spread gives the limits; the first twenty when left out.
    """
    chosen = settings or TrendSettings()
    unsure = uncertain_points(series, chosen)
    used = series.counts & ~unsure
    base = _baseline(series, used, baseline, chosen)
    marks = _marks(series, chosen)
    notes = _left_out_words(series, unsure)
    why_not = _why_not(series, used, base, chosen)
    if why_not:
        empty = Trend(series, used, unsure, base, False, None, None, None, (), marks, None, (why_not, *notes))
        return empty
    value = series.value[used]
    from_cakes = int(base.sum())
    chart = spc.individuals(value, base[used]).allowing(from_cakes)
    average = spc.ewma(value, chart.centre, chart.sigma, chosen.ewma_weight, points=from_cakes)
    sums = spc.cusum(value, chart.centre, chosen.cusum_allowance * chart.sigma, chosen.cusum_decision * chart.sigma)
    z = chart.fair_z(from_cakes)
    patterns = _patterns(z, average, sums, RULE_SETS[chosen.rules])
    signals = _signals(series.only(used), np.flatnonzero(used), patterns)
    steady = _steady(z, average, RULE_SETS[chosen.rules])
    fit, fit_words = _capability(value[len(value) - steady :], limit, bool(signals))
    sentences = (_summary(series, chart, base), *_signal_words(series, signals), fit_words, *notes)
    return Trend(series, used, unsure, base, True, chart, average, sums, signals, marks, fit, _no_gaps(sentences))


def uncertain_points(series: Series, settings: TrendSettings | None = None) -> BoolArray:
    """Points whose standard uncertainty is larger than the spread between cakes, and far from usual, (n,).

    The spread is read from the moving ranges of the points that count, once with all and once without those found.
    """
    chosen = settings or TrendSettings()
    found = ~np.isfinite(series.uncertainty)
    for _ in range(2):
        kept = series.value[series.counts & ~found]
        if len(kept) < 3:
            break
        sigma = float(np.median(np.abs(np.diff(kept)))) / _MEDIAN_RANGE
        usual = float(np.median(series.uncertainty[series.counts & np.isfinite(series.uncertainty)]))
        # where every photo is that uncertain it is the set-up, not single photos; the gauge study says so
        limit = max(chosen.too_uncertain * 2 * sigma, chosen.times_usual * usual)
        found = ~np.isfinite(series.uncertainty) | (series.uncertainty > limit)
    return found


_MEDIAN_RANGE = 0.953873  # median moving range of two over sigma: sqrt(2) x 0.674490


def _baseline(series: Series, used: BoolArray, period: Period | None, settings: TrendSettings) -> BoolArray:
    if period is not None:
        return used & (series.time >= period.start) & (series.time < period.end)
    return used & (np.cumsum(used) <= settings.baseline_cakes)


def _why_not(series: Series, used: BoolArray, base: BoolArray, settings: TrendSettings) -> str:
    label, n = QUANTITIES[series.quantity].label, int(used.sum())
    need = settings.fewest_cakes
    if n < need:
        return f"{label}: no trend yet, {n} comparable cakes so far and at least {need} are needed."
    if base.sum() < need:
        found = int(base.sum())
        return f"{label}: the baseline period has {found} comparable cakes and needs {need}: choose a longer one."
    if np.ptp(series.value[base]) == 0:
        what = figure(series.quantity, float(series.value[base][0]))
        return f"{label}: {what} on every cake of the baseline, so there is no spread to draw limits from."
    return ""


@dataclass(frozen=True)
class _Pattern:
    """One rule's pattern: first and last cake, the side it lies on (0 neither), since when where that is known."""

    first: int
    last: int
    side: int
    name: str
    words: str
    since: int | None = None


def _patterns(
    z: NDArray[np.float64], average: spc.EwmaChart, sums: spc.CusumChart, rules: tuple[Rule, ...]
) -> list[_Pattern]:
    """Every pattern of every rule."""
    found = []
    for rule in rules:
        for i in _starts(rule.find(z), rule.length):
            side = int(np.sign(z[i])) if rule.sided else 0
            told = {1: " (higher)", -1: " (lower)", 0: ""}[side]
            found.append(
                _Pattern(int(i) - rule.length + 1, int(i), side, rule.name, f"{rule.words}{told}: {rule.meaning}")
            )
    for i in _starts(average.outside, DRIFT_LENGTH):
        up = bool(average.value[i] > average.limits.centre[i])
        words = f"the running average has left its limits ({'higher' if up else 'lower'}): a slow drift"
        since = sums.began(int(i), up)
        found.append(_Pattern(int(i) - DRIFT_LENGTH + 1, int(i), 1 if up else -1, "slow drift", words, since))
    return found


def _signals(used: Series, at: NDArray[np.intp], patterns: list[_Pattern]) -> tuple[Signal, ...]:
    """One signal for each thing that happened: patterns of several rules over the same cakes are the same thing."""
    groups: list[list[_Pattern]] = []
    for found in sorted(patterns, key=lambda p: (p.side, p.first)):
        latest = groups[-1] if groups else []
        if latest and latest[0].side == found.side and found.first <= max(p.last for p in latest):
            latest.append(found)
        else:
            groups.append([found])
    ordered = [sorted(group, key=lambda p: p.last) for group in groups]
    return tuple(_told(used, at, group) for group in sorted(ordered, key=lambda g: g[0].last))


def _told(used: Series, at: NDArray[np.intp], group: list[_Pattern]) -> Signal:
    first = group[0]
    others = [name for name in dict.fromkeys(p.name for p in group[1:]) if name != first.name]
    also = f" (also: {', '.join(others)})" if others else ""
    since = next((p.since for p in group if p.since is not None), None)
    began = "" if since is None else f", since about {day_words(used.time[since])}"
    return Signal(int(at[first.last]), int(used.check_id[first.last]), first.name, f"{first.words}{also}{began}")


def _starts(hits: BoolArray, length: int) -> NDArray[np.intp]:
    """The first hit of each event: hits closer than twice the pattern's length belong together."""
    at = np.flatnonzero(hits)
    return at[np.diff(at, prepend=-(10**9)) > 2 * length]


def _steady(z: NDArray[np.float64], average: spc.EwmaChart, rules: tuple[Rule, ...]) -> int:
    """Cakes since the last one that any rule or the running average marked; all where none was."""
    hits = np.logical_or.reduce([average.outside, *(rule.find(z) for rule in rules)])
    return int(len(hits) - 1 - np.flatnonzero(hits)[-1]) if hits.any() else len(hits)


def _capability(value: NDArray[np.float64], limit: Limit | None, signalled: bool) -> tuple[Capability | None, str]:
    """Of the stretch in control: chance alone marks one cake in ninety, so an old signal is no bar for ever."""
    if limit is None or limit.kind == "count":
        return None, ""
    if len(value) < FEWEST_CAKES:
        since = " since something stood out" if signalled else ""
        cakes = "1 cake" if len(value) == 1 else f"{len(value)} cakes"
        what = "How well the limit can be kept is not told yet"
        return None, f"{what}: {cakes}{since}, and at least {FEWEST_CAKES} calm ones are needed."
    if np.ptp(value) == 0:
        return None, ""
    found = capability(value, limit)
    return found, found.words()


def _summary(series: Series, chart: spc.IndividualsChart, base: BoolArray) -> str:
    name = series.quantity
    low = max(chart.low, 0.0) if QUANTITIES[name].magnitude else chart.low
    return (
        f"{QUANTITIES[name].label}: {figure(name, chart.centre)} on average; single cakes vary from "
        f"{figure(name, low)} to {figure(name, chart.high)} by chance alone (read from {int(base.sum())} cakes)."
    )


def _signal_words(series: Series, signals: tuple[Signal, ...]) -> list[str]:
    if not signals:
        return ["Nothing stands out: the differences between these cakes are what chance does."]
    last = signals[-1]
    day = day_words(series.time[last.at])
    count = "1 thing stands" if len(signals) == 1 else f"{len(signals)} things stand"
    return [f"{count} out; the latest, on {day}: {last.words}."]


def day_words(when: np.datetime64) -> str:
    """A day as people write it: 4 May 2026."""
    day = when.astype("datetime64[D]").item()
    return f"{day.day} {day:%b %Y}"


def _left_out_words(series: Series, unsure: BoolArray) -> list[str]:
    notes = []
    if hidden := int((~series.counts).sum()):
        do = "does" if hidden == 1 else "do"
        notes.append(f"{hidden} of {len(series)} cakes {do} not count (not yet seen by their decorator, or left out).")
    if blurred := int((unsure & series.counts).sum()):
        are, they = ("is", "it is") if blurred == 1 else ("are", "they are")
        notes.append(
            f"{blurred} of {len(series)} values {are} too uncertain for a trend; {they} drawn but not counted."
        )
    if again := int(series.remeasured.sum()):
        come = "comes" if again == 1 else "come"
        notes.append(f"{again} of {len(series)} values {come} from a re-measurement of the same photos.")
    return notes


def _marks(series: Series, settings: TrendSettings) -> tuple[Mark, ...]:
    found: list[Mark] = []
    last = ""
    for i, change in enumerate(series.recipe_change.tolist()):
        if change and change != last:
            found.append(Mark(i, f"recipe: {change}"))
        last = change or last
    found += [Mark(int(i), "rush") for i in np.flatnonzero(series.rush)]
    warm = np.flatnonzero(series.kitchen_temperature_c >= settings.warm_kitchen_c)  # never true of NaN
    found += [Mark(int(i), f"warm kitchen, {series.kitchen_temperature_c[i]:.0f} °C") for i in warm]
    return tuple(sorted(found, key=lambda m: m.at))


def _no_gaps(sentences: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(s for s in sentences if s)


@dataclass(frozen=True)
class BatchTrend:
    """Averages and spreads of the days on which two cakes or more of the kind were made."""

    day: NDArray[np.datetime64]
    chart: spc.BatchChart | None
    sentence: str


def batch_trend(series: Series, baseline: Period | None = None, settings: TrendSettings | None = None) -> BatchTrend:
    """X-bar and S chart with one batch a day."""
    chosen = settings or TrendSettings()
    used = series.counts & ~uncertain_points(series, chosen)
    part = series.only(used)
    day = part.time.astype("datetime64[D]")
    labels, index, count = np.unique(day, return_inverse=True, return_counts=True)
    label = QUANTITIES[series.quantity].label
    many = int((count >= 2).sum())
    if many < chosen.fewest_cakes:
        said = f"{label}: {many} days with two cakes or more, and at least {chosen.fewest_cakes} are needed."
        return BatchTrend(labels[count >= 2], None, said)
    base = _baseline(part, np.ones(len(part), bool), baseline, chosen)
    if baseline is None:  # whole days, and enough of them
        base = np.isin(day, labels[count >= 2][: chosen.baseline_cakes])
    try:
        chart = spc.batches(part.value, index.astype(np.int64), base)
    except ValueError:
        return BatchTrend(
            labels[count >= 2], None, f"{label}: the baseline has no day with two cakes: choose a longer one."
        )
    out = (chart.mean > chart.mean_limits.high) | (chart.mean < chart.mean_limits.low)
    spread = chart.spread > chart.spread_limits.high
    off, wide = int(out.sum()), int(spread.sum())
    said = f"{label}: {off} of {many} days off on average, {wide} days with more spread than usual."
    return BatchTrend(labels[count >= 2], chart, said)
