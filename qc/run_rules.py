"""Run rules: patterns that chance alone rarely draws on a chart in control, named by what they mean.

Western Electric Company, Statistical Quality Control Handbook (1956): four rules. L. S. Nelson, The Shewhart control
chart: tests for special causes, Journal of Quality Technology 16 (1984): eight rules, of which two differ in length.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.floating[Any]]
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True)
class Rule:
    """One run rule.

    Attributes
    ----------
    words : str
        What the pattern is, for a chart's reader.
    meaning : str
        What it points to.
    find : function of z (..., n) in sigmas from the centre line, giving (..., n) bool
        True at the point where the pattern is complete.
    length : int
        Points that the pattern takes.
    """

    name: str
    words: str
    meaning: str
    find: Callable[[FloatArray], BoolArray]
    length: int
    sided: bool = True  # the pattern lies on one side, so that it can be said which


def _last(hits: BoolArray, length: int, needed: int) -> BoolArray:
    """At least `needed` of the last `length` points, the point itself included; fewer points at the start."""
    total = np.cumsum(hits, axis=-1, dtype=np.int32)
    before = np.zeros_like(total)
    before[..., length:] = total[..., :-length]
    return hits & (total - before >= needed)


def _beyond(sigmas: float, length: int, needed: int) -> Callable[[FloatArray], BoolArray]:
    """`needed` of `length` points beyond a distance, all on the same side."""
    return lambda z: _last(z > sigmas, length, needed) | _last(z < -sigmas, length, needed)


def _steady(z: FloatArray) -> BoolArray:
    """Six points that rise all the time, or fall all the time: five steps."""
    step = np.diff(z, axis=-1, prepend=np.nan)
    return _last(step > 0, 5, 5) | _last(step < 0, 5, 5)


def _alternating(z: FloatArray) -> BoolArray:
    """Fourteen points up and down by turns: twelve changes of direction after the first step."""
    step = np.diff(z, axis=-1, prepend=np.nan)
    turned = np.zeros(z.shape, bool)
    turned[..., 1:] = step[..., 1:] * step[..., :-1] < 0
    return _last(turned, 12, 12)


def _hugging(z: FloatArray) -> BoolArray:
    return _last(np.abs(z) < 1, 15, 15)


def _avoiding(z: FloatArray) -> BoolArray:
    return _last(np.abs(z) > 1, 8, 8)


_SHIFT = "the average has moved"
_SPECIAL = "something was different about this cake"
_NEAR_SHIFT = "the average may be moving"

WESTERN_ELECTRIC = (
    Rule("far out", "one cake beyond the limits", _SPECIAL, _beyond(3, 1, 1), 1),
    Rule("two of three", "two of three cakes in a row well off to one side", _NEAR_SHIFT, _beyond(2, 3, 2), 3),
    Rule("four of five", "four of five cakes in a row off to one side", _NEAR_SHIFT, _beyond(1, 5, 4), 5),
    Rule("eight on one side", "eight cakes in a row on one side of the centre line", _SHIFT, _beyond(0, 8, 8), 8),
)
NELSON = (
    WESTERN_ELECTRIC[0],
    Rule("nine on one side", "nine cakes in a row on one side of the centre line", _SHIFT, _beyond(0, 9, 9), 9),
    Rule(
        "six one way", "six cakes in a row, each further the same way", "a slow drift, such as wear", _steady, 6, False
    ),
    Rule(
        "by turns",
        "fourteen cakes up and down by turns",
        "two things take turns, such as two turntables",
        _alternating,
        14,
        False,
    ),
    WESTERN_ELECTRIC[1],
    WESTERN_ELECTRIC[2],
    Rule(
        "too calm",
        "fifteen cakes in a row very near the centre line",
        "the spread has become smaller than the limits say: set a new baseline",
        _hugging,
        15,
        False,
    ),
    Rule(
        "middle avoided",
        "eight cakes in a row away from the centre line, on both sides",
        "two kinds of work in one chart",
        _avoiding,
        8,
        False,
    ),
)
RULE_SETS = {"Western Electric 1956": WESTERN_ELECTRIC, "Nelson 1984": NELSON}


def first_signals(z: FloatArray, rules: tuple[Rule, ...] = WESTERN_ELECTRIC) -> NDArray[np.int64]:
    """Index of the first point of each series (..., n) where any rule signals, n where none does."""
    any_rule = np.zeros(z.shape, bool)
    for rule in rules:
        any_rule |= rule.find(z)
    return np.where(any_rule.any(axis=-1), any_rule.argmax(axis=-1), z.shape[-1])
