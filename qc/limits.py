"""What a limit is once every figure in it is known: an interval that a value has to lie in, and the words for it."""

from dataclasses import dataclass
from typing import Literal

from qc.quantities import QUANTITIES, Quantity

LimitKind = Literal["nominal", "at_most", "at_least", "range", "count"]


@dataclass(frozen=True)
class Limit:
    """A resolved limit of one quantity, in the quantity's own unit.

    Attributes
    ----------
    low, high : float or None
        The tolerance interval; None where that side is open.
    target : float or None
        What to aim for: the nominal value, the range's middle, the exact count; None where the limit names none.
    """

    kind: LimitKind
    low: float | None
    high: float | None
    target: float | None

    @property
    def half_width(self) -> float:
        """Half the tolerance interval; 0 for an exact count. Only for two-sided limits."""
        if self.low is None or self.high is None:
            raise ValueError("a one-sided limit has no half width")
        return (self.high - self.low) / 2

    def misses_by(self, value: float) -> float:
        """Signed distance outside the limit: negative below it, positive above it, 0 inside."""
        if self.low is not None and value < self.low:
            return value - self.low
        if self.high is not None and value > self.high:
            return value - self.high
        return 0.0


def nominal(value: float, tolerance: float) -> Limit:
    """A nominal value with a symmetric tolerance."""
    return Limit("nominal", value - tolerance, value + tolerance, value)


def at_most(value: float, aim: float | None = None) -> Limit:
    """An upper limit."""
    return Limit("at_most", None, value, aim)


def at_least(value: float, aim: float | None = None) -> Limit:
    """A lower limit."""
    return Limit("at_least", value, None, aim)


def between(low: float, high: float) -> Limit:
    """A range."""
    return Limit("range", low, high, (low + high) / 2)


def exactly(count: int) -> Limit:
    """An exact count."""
    return Limit("count", count, count, count)


def is_count(quantity: Quantity) -> bool:
    """True for whole-numbered quantities."""
    return quantity.unit == "1" and quantity.decimals == 0


def unit_words(name: str) -> str:
    """The unit as it is written after a number, with its space: ' mm', '°', ' %', ''."""
    return {"mm": " mm", "deg": "°", "%": " %", "h": " o'clock", "1": ""}[QUANTITIES[name].unit]


def figure(name: str, value: float) -> str:
    """A value with the quantity's decimals and unit."""
    text = f"{value:.{QUANTITIES[name].decimals}f}"
    if float(text) == 0:
        text = text.removeprefix("-")  # no "-0.0"
    return text + unit_words(name)


def limit_words(name: str, limit: Limit) -> str:
    """The limit as a chef writes it: '165 ± 4 mm', 'at most 3 mm', 'between 10 and 40 %', 'exactly 8'."""
    unit = unit_words(name)
    if limit.kind == "nominal":
        return f"{limit.target:g} ± {limit.half_width:g}{unit}"
    if limit.kind == "range":
        return f"between {limit.low:g} and {limit.high:g}{unit}"
    if limit.kind == "count":
        return f"exactly {limit.target:g}{unit}"
    bound = f"at most {limit.high:g}{unit}" if limit.kind == "at_most" else f"at least {limit.low:g}{unit}"
    return bound if limit.target is None else f"{bound}, aim for {limit.target:g}{unit}"
