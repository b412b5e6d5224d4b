"""House standards that live: limits from a layer plan or from accepted cakes, and new versions of a standard.

Limits from accepted cakes are statistical tolerance limits: mean and spread of at least ten cakes, widened by a factor
so that, with a stated confidence, they hold a stated share of the cakes made the same way (ISO 16269-6; formulas as in
the NIST/SEMATECH handbook, 7.2.6.3). Nothing is adopted here by itself: a proposal is shown first.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date as Date

import numpy as np
from scipy.stats import chi2, nct, norm

from qc import limits
from qc.errors import StandardError
from qc.limits import Limit, figure, is_count, limit_words
from qc.quantities import QUANTITIES, CheckResult
from qc.standard import HouseStandard, LayerPlan, Line

FEWEST_CAKES = 10  # below ten the factor grows so fast that the limits would mean little


@dataclass(frozen=True)
class ToleranceSettings:
    """How wide limits from accepted cakes are.

    Attributes
    ----------
    coverage : float
        Share of the cakes that should keep the limits, 0..1: 19 of 20.
    confidence : float
        How sure that share is, 0..1: a small number of cakes needs a wider factor.
    coarse_step, fine_step : float
        Limits are rounded outwards to these, in the quantity's unit: nobody works to a tenth of a millimetre of
        height, but 0.1 % of show-through is a limit that houses write.
    fine_below : float
        Limits under this are rounded to the fine step.
    """

    coverage: float = 0.95
    confidence: float = 0.90
    coarse_step: float = 0.5
    fine_step: float = 0.1
    fine_below: float = 3.0

    def step(self, reach: float) -> float:
        """The step a limit of this size is rounded to."""
        return self.fine_step if reach < self.fine_below else self.coarse_step


@dataclass(frozen=True)
class Proposal:
    """A limit worked out for one line, not yet adopted.

    Attributes
    ----------
    old, new : Limit or None
        In force now, and proposed; `new` is None when none can be proposed, and `explanation` says why.
    factor : float or None
        How many times the spread the limit reaches from the mean.
    caution : str
        What speaks against it, or empty.
    """

    name: str
    old: Limit | None
    new: Limit | None
    cakes: int
    mean: float | None = None
    spread: float | None = None
    factor: float | None = None
    explanation: str = ""
    caution: str = ""


def two_sided_factor(n: int, coverage: float, confidence: float) -> float:
    """Factor k2 of the normal tolerance interval mean +- k2 s (Howe 1969; NIST/SEMATECH handbook 7.2.6.3)."""
    nu = n - 1
    z = norm.ppf((1 + coverage) / 2)
    return float(z * math.sqrt(nu * (1 + 1 / n) / chi2.ppf(1 - confidence, nu)))


def one_sided_factor(n: int, coverage: float, confidence: float) -> float:
    """Factor k1 of the normal tolerance limit mean + k1 s, by the noncentral t (NIST/SEMATECH handbook 7.2.6.3)."""
    root = math.sqrt(n)
    return float(nct.ppf(confidence, n - 1, norm.ppf(coverage) * root) / root)


def height_from_layers(standard: HouseStandard, plan: LayerPlan) -> Proposal:
    """The height limit that a layer plan gives: the layers' sum, and their tolerances' root sum of squares."""
    tolerance = _outwards(plan.tolerance_mm, ToleranceSettings().coarse_step)
    explanation = (
        f"{len(plan.sponge_mm)} sponges, {len(plan.filling_mm)} fillings and the coat add up to {plan.height_mm:g} mm; "
        f"their own tolerances together give ± {tolerance:g} mm."
    )
    new = limits.nominal(plan.height_mm, tolerance)
    return Proposal("height", _in_force(standard, "height"), new, 0, explanation=explanation)


def limits_from_cakes(
    results: Sequence[CheckResult], standard: HouseStandard, settings: ToleranceSettings | None = None
) -> tuple[Proposal, ...]:
    """Limits for every line of a standard from accepted cakes of its kind.

    Raises
    ------
    StandardError
        Under ten cakes.
    """
    if len(results) < FEWEST_CAKES:
        raise StandardError(
            f"Limits need at least {FEWEST_CAKES} accepted cakes of this kind, found {len(results)}; "
            "check more cakes that you accept, then try again."
        )
    chosen = settings or ToleranceSettings()
    return tuple(_propose(name, results, standard, chosen) for name in standard.lines)


def adopt(
    standard: HouseStandard, proposals: Iterable[Proposal], day: Date, plan: LayerPlan | None = None
) -> HouseStandard:
    """The next version of a standard with the proposed limits; lines without a proposal stay as they are."""
    lines = dict(standard.lines)
    for proposal in proposals:
        if proposal.new is not None:
            lines[proposal.name] = _line(proposal.new, lines.get(proposal.name))
    return new_version(standard.model_copy(update={"lines": lines, "layers": plan or standard.layers}), day)


def new_version(standard: HouseStandard, day: Date) -> HouseStandard:
    """The same standard as its next version, dated; no longer marked as starting values."""
    update = {"version": standard.version + 1, "date": day, "starting_values": False}
    return HouseStandard.model_validate(standard.model_copy(update=update).model_dump(exclude_none=True))


def _propose(
    name: str, results: Sequence[CheckResult], standard: HouseStandard, settings: ToleranceSettings
) -> Proposal:
    old = _in_force(standard, name)
    rows = [m for r in results if (m := r.overall(name)) is not None and math.isfinite(m.value)]
    if standard.lines[name].per_order:
        return Proposal(name, None, None, len(rows), explanation="given per order, so it stays")
    if len(rows) < FEWEST_CAKES:
        said = f"measured on {len(rows)} of {len(results)} cakes; {FEWEST_CAKES} are needed, so it stays"
        return Proposal(name, old, None, len(rows), explanation=said)
    values = np.array([m.value for m in rows])
    if is_count(QUANTITIES[name]):
        return _propose_count(name, values, old)
    uncertainty = float(np.median([m.uncertainty for m in rows]))
    return _propose_size(name, values, uncertainty, old, settings)


def _propose_size(
    name: str, values: np.ndarray, uncertainty: float, old: Limit | None, settings: ToleranceSettings
) -> Proposal:
    n, mean, spread = len(values), float(values.mean()), float(values.std(ddof=1))
    one_sided = old is not None and old.kind in ("at_most", "at_least")
    factor = (one_sided_factor if one_sided else two_sided_factor)(n, settings.coverage, settings.confidence)
    new = _limit(old, values, mean, factor * spread, settings)
    reach = new.half_width if new.kind == "nominal" else abs((new.high or new.low or 0.0) - mean)
    explanation = (
        f"{n} cakes, mean {figure(name, mean)}, spread {figure(name, spread)}; {factor:.2f} times the spread holds "
        f"{100 * settings.coverage:.0f} of 100 cakes made like these, with {100 * settings.confidence:.0f} % confidence"
    )
    caution = ""
    if reach < uncertainty:
        caution = (
            f"finer than the photos can tell (± {figure(name, uncertainty)}): most cakes would be too close to call"
        )
    return Proposal(name, old, new, n, mean, spread, factor, explanation, caution)


def _limit(old: Limit | None, values: np.ndarray, mean: float, reach: float, settings: ToleranceSettings) -> Limit:
    """The proposed limit, of the old one's kind; no accepted cake falls outside its own limit."""
    if old is not None and old.kind == "at_most":
        high = max(mean + reach, float(values.max()))
        return limits.at_most(_outwards(high, settings.step(high)), old.target)
    if old is not None and old.kind == "at_least":
        low = min(mean - reach, float(values.min()))
        step = settings.step(low)
        return limits.at_least(max(_rounded(math.floor(low / step + 1e-9) * step), step), old.target)
    step = settings.step(max(reach, float(np.abs(values - mean).max())))
    middle = _rounded(round(mean / step) * step)
    tolerance = _outwards(max(reach, float(np.abs(values - middle).max())), step)
    if old is not None and old.kind == "range":
        return limits.between(_rounded(middle - tolerance), _rounded(middle + tolerance))
    return limits.nominal(middle, tolerance)


def _propose_count(name: str, values: np.ndarray, old: Limit | None) -> Proposal:
    n, low, high = len(values), int(values.min()), int(values.max())
    if old is not None and old.kind == "at_most":
        new = limits.at_most(max(high, 1), old.target)
    elif low == high:
        new = limits.exactly(low)
    else:
        new = limits.between(low, high)
    spread = float(values.std(ddof=1))
    told = f"{n} cakes, from {low} to {high} pieces: {limit_words(name, new)}"
    return Proposal(name, old, new, n, float(values.mean()), spread, None, told)


def _outwards(value: float, step: float) -> float:
    return _rounded(max(math.ceil(value / step - 1e-9), 1) * step)


def _rounded(value: float) -> float:
    """Without the binary dust that 0.1 leaves behind."""
    return round(value, 6)


def _in_force(standard: HouseStandard, name: str) -> Limit | None:
    return standard.limit(name) if name in standard.lines else None


def _line(limit: Limit, old: Line | None) -> Line:
    """A standard's line that states this limit and keeps what else the old line said."""
    kept = {"decides": old.decides, "weight": old.weight, "note": old.note} if old else {}
    figures: dict[str, float | int | None]
    if limit.kind == "nominal":
        figures = {"nominal": limit.target, "tolerance": limit.half_width}
    elif limit.kind == "range":
        figures = {"low": limit.low, "high": limit.high}
    elif limit.kind == "count":
        figures = {"count": round(limit.target or 0)}
    else:
        figures = {limit.kind: limit.high if limit.kind == "at_most" else limit.low, "aim": limit.target}
    return Line.model_validate(kept | figures)
