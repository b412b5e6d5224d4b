"""The decision rule, the points and the overall result of one cake against its house standard."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from qc.conformance import belief, conformance
from qc.limits import Limit, figure, limit_words, unit_words
from qc.quantities import QUANTITIES, CheckResult, Measurement
from qc.standard import HouseStandard, Line

CONFORMANCE_PROBABILITY = 0.95  # default of ISO 14253-1:2017
QUADRATURE_POINTS = 200  # equal-probability points that carry a value's distribution through the points' formula


class Verdict(StrEnum):
    """The outcome for one line or for the cake, with the words and the symbol that show it."""

    WITHIN = "within"
    OUTSIDE = "outside"
    TOO_CLOSE = "too close to call"
    NOT_MEASURED = "not measured"

    @property
    def symbol(self) -> str:
        """A mark that does not lean on colour."""
        return {"within": "✓", "outside": "✗", "too close to call": "≈", "not measured": "–"}[self.value]


WORST_FIRST = (Verdict.OUTSIDE, Verdict.TOO_CLOSE, Verdict.NOT_MEASURED, Verdict.WITHIN)


@dataclass(frozen=True)
class LineJudgement:
    """One line of the standard against what was measured.

    Attributes
    ----------
    measurement : Measurement or None
        None when the quantity was left out; `reason` says why.
    limit : Limit or None
        None when the order's figure was not given.
    probability : float or None
        That the limit is met.
    points, points_uncertainty : float or None
        0..100, and the expanded uncertainty (coverage factor 2) that the value's own uncertainty gives it.
    """

    name: str
    must: bool
    weight: float
    limit: Limit | None
    measurement: Measurement | None
    verdict: Verdict
    probability: float | None = None
    points: float | None = None
    points_uncertainty: float | None = None
    reason: str = ""

    @property
    def label(self) -> str:
        """What a decorator calls the quantity."""
        return QUANTITIES[self.name].label

    def value_words(self) -> str:
        """The value with its uncertainty, or a dash."""
        if self.measurement is None:
            return "–"
        return value_words(self.measurement)

    def limit_words(self) -> str:
        """The limit as a chef writes it."""
        return limit_words(self.name, self.limit) if self.limit else "given per order"


@dataclass(frozen=True)
class Judgement:
    """A cake judged by one version of one house standard. `points` are None when no line was measured."""

    standard_code: str
    standard_name: str
    standard_version: int
    lines: tuple[LineJudgement, ...]
    verdict: Verdict
    points: float | None
    points_uncertainty: float | None

    def line(self, name: str) -> LineJudgement | None:
        """The judgement of one quantity, or None when the standard has no such line."""
        return next((line for line in self.lines if line.name == name), None)

    @property
    def not_measured(self) -> tuple[LineJudgement, ...]:
        """Lines without a verdict."""
        return tuple(line for line in self.lines if line.verdict is Verdict.NOT_MEASURED)

    def points_words(self) -> str:
        """The overall points with their uncertainty, and how many lines they rest on."""
        if self.points is None or self.points_uncertainty is None:
            return "no points: nothing could be measured"
        text = f"{self.points:.0f} ± {math.ceil(self.points_uncertainty):.0f} of 100"
        missing = len(self.not_measured)
        return text if not missing else f"{text}, from {len(self.lines) - missing} of {len(self.lines)} lines"


def judge(result: CheckResult, standard: HouseStandard, order_values: Mapping[str, float] | None = None) -> Judgement:
    """Judge one cake.

    Parameters
    ----------
    result : CheckResult
        What was measured.
    standard : HouseStandard
        The version in force.
    order_values : mapping of quantity to figure, optional
        What the order says, for the lines that are given per order.

    Raises
    ------
    StandardError
        When an order's figure cannot be one.

    Notes
    -----
    Lines: ISO 14253-1:2017 with its default conformance probability of 95 %, computed as in JCGM 106:2012. Overall:
    the worst of the lines that must hold; points: the weighted mean of all lines that could be measured.
    """
    lines = tuple(_judge_line(result, standard, name, line, order_values) for name, line in standard.lines.items())
    must = [line.verdict for line in lines if line.must]
    points, uncertainty = _weighted(lines)
    return Judgement(
        standard.code,
        standard.name,
        standard.version,
        lines,
        min(must, key=WORST_FIRST.index),
        points,
        uncertainty,
    )


def _judge_line(
    result: CheckResult, standard: HouseStandard, name: str, line: Line, order_values: Mapping[str, float] | None
) -> LineJudgement:
    limit = standard.limit(name, order_values)
    measured = result.overall(name)
    reason = _why_missing(result, name, measured, limit)
    if measured is None or limit is None or reason:
        kept = measured if measured and math.isfinite(measured.value) else None
        return LineJudgement(name, line.must, line.weight, limit, kept, Verdict.NOT_MEASURED, reason=reason)
    probability = conformance(measured, limit)
    points = float(points_of(np.array([measured.value]), limit)[0])
    return LineJudgement(
        name,
        line.must,
        line.weight,
        limit,
        measured,
        decide(probability),
        probability,
        points,
        _points_uncertainty(measured, limit, points),
    )


def decide(probability: float) -> Verdict:
    """ISO 14253-1:2017: a limit is met, or missed, only when that is proven at the conformance probability."""
    if probability >= CONFORMANCE_PROBABILITY:
        return Verdict.WITHIN
    if 1 - probability >= CONFORMANCE_PROBABILITY:
        return Verdict.OUTSIDE
    return Verdict.TOO_CLOSE


def points_of(values: NDArray[np.float64], limit: Limit) -> NDArray[np.float64]:
    """Points (0..100) of values, shape (N,), against one limit: 75 at the limit, 0 at twice the distance."""
    if limit.kind in ("nominal", "range"):
        assert limit.target is not None
        raw = 100 * (1 - ((values - limit.target) / (2 * limit.half_width)) ** 2)
    elif limit.kind == "at_most":
        assert limit.high is not None
        raw = 100 * (1 - (np.maximum(values, 0) / (2 * limit.high)) ** 2)
    elif limit.kind == "at_least":
        assert limit.low is not None
        raw = np.interp(values / limit.low, [0.5, 1.0, 1.5], [0.0, 75.0, 100.0])
    else:
        assert limit.target is not None
        off = np.abs(np.round(values) - limit.target)
        raw = np.where(off == 0, 100.0, np.where(off == 1, 50.0, 0.0))
    return np.maximum(raw, 0.0)


def _points_uncertainty(measured: Measurement, limit: Limit, points: float) -> float:
    """Twice the root-mean-square distance of the possible values' points from those of the measured value.

    The whole distribution is carried through the formula (JCGM 101): the slope alone is zero at the nominal value.
    """
    shares = (np.arange(QUADRATURE_POINTS) + 0.5) / QUADRATURE_POINTS
    possible = points_of(belief(measured).quantile(shares), limit)
    return 2 * float(np.sqrt(np.mean((possible - points) ** 2)))


def _weighted(lines: tuple[LineJudgement, ...]) -> tuple[float | None, float | None]:
    """Weighted mean of the points and its expanded uncertainty, the lines taken as independent (JCGM 100, 5.1.2)."""
    rated = [(x.weight, x.points, x.points_uncertainty) for x in lines if x.points is not None]
    if not rated:
        return None, None
    total = math.fsum(weight for weight, *_ in rated)
    mean = math.fsum(weight * points for weight, points, _ in rated) / total
    spread = math.sqrt(math.fsum((weight * (u or 0.0)) ** 2 for weight, _, u in rated)) / total
    return mean, spread


def _why_missing(result: CheckResult, name: str, measured: Measurement | None, limit: Limit | None) -> str:
    """Why a line has no verdict; empty when it can have one."""
    if measured is None:
        return _said_in_warnings(result, name) or "these photos do not show it"
    if not math.isfinite(measured.value) or not math.isfinite(measured.uncertainty):
        return measured.note or "no figure came out of these photos"
    return "" if limit is not None else "the order's figure was not entered"


def _said_in_warnings(result: CheckResult, name: str) -> str:
    """What the measurement says of a quantity that it left out: 'name: why' or 'The dome is left out: why.'"""
    label = QUANTITIES[name].label.lower()
    for words in result.warnings:
        about, colon, why = words.partition(": ")
        subject, left_out, _ = about.lower().removeprefix("the ").partition(" is left out")
        if colon and (about == name or (left_out and (subject in label or label in subject))):
            return why.rstrip(".")
    return ""


def value_words(measurement: Measurement) -> str:
    """'165.2 ± 0.8 mm', or where an interval is stated '0.4 mm (0.0 to 1.1)'."""
    quantity = QUANTITIES[measurement.name]
    d = quantity.decimals
    if measurement.interval is not None:
        low, high = measurement.interval
        return f"{figure(measurement.name, measurement.value)} ({low:.{d}f} to {high:.{d}f})"
    number = figure(measurement.name, measurement.value)
    if measurement.uncertainty == 0:
        return number
    unit = unit_words(measurement.name)
    return f"{number.removesuffix(unit)} ± {measurement.uncertainty:.{d}f}{unit}"
