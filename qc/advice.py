"""What to try on the next cake: at most two things, and one thing that held.

Feedback that works names the place, the number, the limit and one act. Only what is clearly outside is raised; on a
cake with nothing outside, the weakest coach-line is.
"""

import math
from collections import Counter
from dataclasses import dataclass

import numpy as np

from qc.acts import HIGH, LOW, act_for
from qc.clock import hours_between
from qc.limits import figure
from qc.quantities import CheckResult, Decoration, Meridian
from qc.verdict import Judgement, LineJudgement, Verdict

MOST_TRIES = 2
NOTHING_TO_TRY_POINTS = 99.5  # a coach-line that rounds to 100 points leaves nothing to try
CLOCK_KNOWN_H = 1.5  # a direction less certain than this is no place
CLOCK_OF = {"level": "level_low_clock", "lean": "lean_clock"}
MIN_MERIDIAN_POINTS = 5  # a line and something off it


@dataclass(frozen=True)
class Place:
    """Where a fault is: on the cake's clock, and on the side how far above the board."""

    clock: float | None = None
    height_mm: float | None = None
    way: str = "at"  # "at" a place, "towards" a direction

    def words(self) -> str:
        """'at 3 o'clock, 42 mm up', or nothing when it is not known."""
        parts = []
        if self.clock is not None:
            hour = round(self.clock) % 12 or 12
            parts.append(f"{self.way} {hour} o'clock")
        if self.height_mm is not None:
            parts.append(f"{self.height_mm:.0f} mm up")
        return ", ".join(parts)


@dataclass(frozen=True)
class AdvicePoint:
    """One thing to try, or (with an empty `act`) one thing that held."""

    name: str
    label: str
    place: Place
    number: str
    limit: str
    act: str
    sentence: str


@dataclass(frozen=True)
class Advice:
    """At most two things to try and one that held."""

    tries: tuple[AdvicePoint, ...]
    held: AdvicePoint | None


def advise(judgement: Judgement, result: CheckResult) -> Advice:
    """Advice for one cake, from its judgement and from where on the cake the faults lie."""
    outside = sorted((x for x in judgement.lines if x.verdict is Verdict.OUTSIDE), key=_urgency)
    chosen = outside[:MOST_TRIES] or _weakest_coach(judgement)
    return Advice(tuple(_try(line, result) for line in chosen), _held(judgement))


def _urgency(line: LineJudgement) -> tuple[bool, float, float]:
    """Lines that must hold first, then the fewest points, then the heaviest."""
    return (not line.must, line.points if line.points is not None else 0.0, -line.weight)


def _weakest_coach(judgement: Judgement) -> list[LineJudgement]:
    rated = [x for x in judgement.lines if not x.must and x.points is not None and x.points < NOTHING_TO_TRY_POINTS]
    return sorted(rated, key=_urgency)[:1]


def _held(judgement: Judgement) -> AdvicePoint | None:
    """The line within its limit with the most points; among equals the heaviest."""
    within = [x for x in judgement.lines if x.verdict is Verdict.WITHIN and x.points is not None]
    if not within:
        return None
    best = max(within, key=lambda x: (x.points or 0.0, x.must, x.weight))
    sentence = f"{best.label} held: {best.value_words()}, limit {best.limit_words()}."
    return AdvicePoint(best.name, best.label, Place(), best.value_words(), best.limit_words(), "", sentence)


def _try(line: LineJudgement, result: CheckResult) -> AdvicePoint:
    place, direction = _place_and_direction(line, result)
    act = act_for(line.name, direction)
    where = place.words()
    head = f"{line.label} {where}: {line.value_words()}" if where else f"{line.label}: {line.value_words()}"
    over = _over(line)
    sentence = f"{head}, limit {line.limit_words()}{over}. Next cake: {act}."
    return AdvicePoint(line.name, line.label, place, line.value_words(), line.limit_words(), act, sentence)


def _over(line: LineJudgement) -> str:
    if line.measurement is None or line.limit is None or line.verdict is not Verdict.OUTSIDE:
        return ""
    miss = line.limit.misses_by(line.measurement.value)
    if miss == 0 or line.limit.kind == "count":
        return ""
    return f" ({figure(line.name, abs(miss))} too {'much' if miss > 0 else 'little'})"


def _place_and_direction(line: LineJudgement, result: CheckResult) -> tuple[Place, str]:
    """Where on the cake, and which way the value is off."""
    direction = _direction(line)
    if line.name in CLOCK_OF:
        return _towards(CLOCK_OF[line.name], result), direction
    if line.name in ("side_straightness", "side_ridges"):
        return _on_the_side(line.name, result, direction)
    if line.name == "spacing_error":
        return _worst_piece(result.decorations), direction
    if line.name == "blemishes":
        return _largest_blemish(result)
    return Place(_worst_clock(line.name, result)), direction


def _direction(line: LineJudgement) -> str:
    if line.measurement is None or line.limit is None:
        return HIGH
    aim = line.limit.target
    if aim is None:
        aim = 0.0 if line.limit.kind == "at_most" else math.inf
    return HIGH if line.measurement.value > aim else LOW


def _towards(clock_name: str, result: CheckResult) -> Place:
    clock = result.overall(clock_name)
    if clock is None or not math.isfinite(clock.value) or clock.uncertainty > CLOCK_KNOWN_H:
        return Place()
    return Place(clock.value, way="towards")


def _worst_clock(name: str, result: CheckResult) -> float | None:
    """The clock position of the largest value of a quantity that was measured at several places."""
    rows = [m for m in result.measurements if m.name == name and m.clock is not None and math.isfinite(m.value)]
    return max(rows, key=lambda m: abs(m.value)).clock if rows else None


def _on_the_side(name: str, result: CheckResult, direction: str) -> tuple[Place, str]:
    """Clock and height of the worst place of a side line; a belt is 'high', a groove 'low'."""
    clock = _worst_clock(name, result)
    if clock is None or not result.meridians:
        return Place(clock), direction
    nearest = min(result.meridians, key=lambda m: abs(float(hours_between(m.clock, clock))))
    found = worst_deviation(nearest)
    if name == "side_ridges" or found is None:
        return Place(clock), direction
    return Place(clock, found.height_mm), HIGH if found.deviation_mm > 0 else LOW


@dataclass(frozen=True)
class Deviation:
    """The place of a meridian that lies furthest off its own line; positive stands out."""

    height_mm: float
    deviation_mm: float


def worst_deviation(meridian: Meridian) -> Deviation | None:
    """Where a side line departs most from its least-squares line, between 0.1 and 0.9 of its height."""
    z, r = np.asarray(meridian.height_mm, float), np.asarray(meridian.radius_mm, float)
    top = z.max(initial=0.0)
    used = np.isfinite(z) & np.isfinite(r) & (z >= 0.1 * top) & (z <= 0.9 * top)
    if np.count_nonzero(used) < MIN_MERIDIAN_POINTS:
        return None
    z, r = z[used], r[used]
    off = r - np.polynomial.Polynomial.fit(z, r, 1)(z)
    at = int(np.argmax(np.abs(off)))
    return Deviation(float(z[at]), float(off[at]))


def _worst_piece(decorations: tuple[Decoration, ...]) -> Place:
    """The piece that has to move furthest to sit in its place."""
    moves = [
        (math.hypot(d.move_x_mm, d.move_y_mm), d.clock)
        for d in decorations
        if d.move_x_mm is not None and d.move_y_mm is not None
    ]
    return Place(max(moves)[1]) if moves else Place()


def _largest_blemish(result: CheckResult) -> tuple[Place, str]:
    """Place of the largest fault, and the kind that is there most often."""
    if not result.blemishes:
        return Place(), HIGH
    largest = max(result.blemishes, key=lambda b: b.size_mm)
    kind = Counter(b.kind for b in result.blemishes).most_common(1)[0][0]
    return Place(largest.clock, None if largest.photo == "top" else largest.height_mm), kind
