"""The body's quantities, as DEVELOPERS.md defines them, from the fitted shape and its covariance."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from qc import joint
from qc.body import HIGH, LOW, Body
from qc.clock import clock_of
from qc.fit import CakeFit
from qc.quantities import Measurement
from qc.standing_out import StandingOut
from qc.uncertainty import magnitude

Array = NDArray[np.float64]
_THETA = np.linspace(0, 2 * np.pi, 180, endpoint=False)
UPR = 15  # undulations per revolution of the roundness filter (ISO 12181-2)
# the signed components from which all shape quantities follow
(DIAMETER, HEIGHT, LEVEL_3, LEVEL_12, DOME, LEAN_3, LEAN_12, TAPER, OFFSET_3, OFFSET_12, ROUND) = range(11)


@dataclass(frozen=True)
class ShapeErrors:
    """What a smooth round body can't follow: standard uncertainties to add to the fit's own (mm).

    By tests/long/shape_errors.py, the likeliest over 200 rendered cakes (75001 to 76100) that taught the outlines'
    networks nothing, whose errors have heavier tails than normal ones: 94 to 97 % of their values lie within the
    expanded uncertainty.
    """

    outline: float = 0.7  # of the standard uncertainty that the fit gives the outlines' edges: it weighs points lightly
    disagreeing: float = 8.0  # by exp of this times the share of edges off the fitted body, what follows grows ...
    most_disagreeing: float = 0.2  # ... up to this share
    diameter_mm: float = 0.01
    height_mm: float = 0.02
    level_mm: float = 0.01
    rim_level_mm: float = 0.3  # more, where no feet of decorations tell the tilt: lips are uneven, so the rim leans
    lean_mm: float = 0.10
    taper_mm: float = 0.01
    round_mm: float = 0.03  # and in proportion to the waves that were fitted, which is what errs:
    round_by_waves: float = 0.15  # of the root of the sum of their coefficients' squares
    offset_mm: float = 0.03
    hidden_foot_mm: float = 0.40  # of the diameter, where piping hides the icing's foot
    dome_mm: float = 0.01
    dome_told_mm: float = 1.2  # expanded uncertainty from which a dome is told only if it is larger than that: cakes
    # spread by twice as much about a level top (expanded, 166 rendered ones), so photos must halve what is not known
    clock_h: float = 0.25  # where the person stood

    def of(self, fit: CakeFit) -> "ShapeErrors":
        """The same for one cake: more where its photos' edges agree less, and where it is further out of round."""
        more = float(np.exp(self.disagreeing * min(fit.disagreeing, self.most_disagreeing)))
        grown = {k: getattr(self, k) * more for k in _GROWING}
        waves = self.round_by_waves * float(np.linalg.norm(fit.cake[joint.WAVES])) * more
        rim = 0.0 if tilt_by_feet(fit) else self.rim_level_mm
        return replace(
            self, **grown | {"round_mm": grown["round_mm"] + waves, "level_mm": float(np.hypot(grown["level_mm"], rim))}
        )


def tilt_by_feet(fit: CakeFit) -> bool:
    """Whether decorations' feet tell how the top lies, not the rim alone."""
    own = fit.shares.get(joint.ON_TOP)
    return own is not None and bool(own[joint.SLOPE, joint.SLOPE].any())


ONTO_TOP = 0.035  # slope of a line of sight (2 degrees) from which a photo shows a top and not its edge alone
_GROWING = ("diameter_mm", "height_mm", "level_mm", "lean_mm", "taper_mm", "round_mm", "offset_mm", "dome_mm")


def outline_radius_mm(body: Body, theta_rad: Array = _THETA) -> Array:
    """Plan outline: distance from the origin of the outline seen from straight above, at directions theta."""
    z = np.linspace(0, 1, 60)[:, None] * body.height_mm
    wall = body.wall_mm(theta_rad, z)
    c = body.centre_mm(z[:, 0])
    along = c[:, :1] * np.cos(theta_rad) + c[:, 1:] * np.sin(theta_rad)
    return (wall + along).max(0)


def section_mean_mm(body: Body, share: float) -> float:
    """Mean radius of the cross-section at a share of the height."""
    return float(body.wall_mm(_THETA, np.array([[share * body.height_mm]])).mean())


def components(body: Body, board_xy: Array) -> Array:
    """Signed components (11,) from which all shape quantities follow.

    Order: diameter, height, rise of the top across the diameter towards 3 and towards 12 o'clock, dome, lean towards 3
    and 12, taper, place of the plan outline's centre on the board towards 3 and 12, roundness deviation.
    """
    r = outline_radius_mm(body)
    cx, cy = 2 * np.mean(r * np.cos(_THETA)), 2 * np.mean(r * np.sin(_THETA))
    diameter = 2 * float(r.mean())
    height = body.height_mm + body.slope[0] * cx + body.slope[1] * cy
    taper = 2 * (section_mean_mm(body, HIGH) - section_mean_mm(body, LOW))
    rise, offset = diameter * body.slope, np.array([cx, cy]) - board_xy
    return np.array([diameter, height, *rise, body.dome_mm, *body.lean_mm, taper, *offset, roundness_mm(r)])


def roundness_mm(radius_mm: Array) -> float:
    """Peak-to-valley roundness deviation RONt of a closed profile sampled evenly (ISO 12181-1).

    About its least-squares circle (to first order in the deviations: harmonics 0 and 1 removed), after the Gaussian
    low-pass filter of ISO 12181-2 with half transmission at 15 undulations per revolution.
    """
    f = np.fft.rfft(radius_mm)
    keep = 0.5 ** ((np.arange(len(f)) / UPR) ** 2)
    keep[:2] = 0
    return float(np.ptp(np.fft.irfft(f * keep, len(radius_mm))))


def shape_components(fit: CakeFit) -> tuple[Array, Array, dict[str, Array]]:
    """Components (11,), their Jacobian (11, CAKE) and covariance shares by source, for the fitted cake."""
    value = _from_cake(fit.cake)
    jacobian = np.zeros((len(value), joint.CAKE))
    for j in range(joint.CAKE):
        moved = fit.cake.copy()
        moved[j] += joint.CAKE_STEP[j]
        jacobian[:, j] = (_from_cake(moved) - value) / joint.CAKE_STEP[j]
    shares = {source: jacobian @ c @ jacobian.T for source, c in fit.covariance_shares().items()}
    return value, jacobian, shares


def with_belts(value: Array, standing_out: StandingOut | None) -> tuple[Array, float]:
    """Components (11,) with what belts and ridges add to the plan outline, and the standard uncertainty of its radius.

    A mean that they stand out by widens the diameter by twice as much; what stands out on one side alone moves the
    outline's centre that way.
    """
    if standing_out is None or not len(standing_out.further_mm):
        return value, 0.0
    value = value.copy()
    value[DIAMETER] += 2 * standing_out.mean_mm
    value[[OFFSET_3, OFFSET_12]] += standing_out.towards_mm
    return value, standing_out.uneven_mm


def _from_cake(cake: Array) -> Array:
    return components(joint.body_of(cake), cake[[joint.BOARD_X, joint.BOARD_Y]])


def measure_shape(
    fit: CakeFit, standing_out: StandingOut | None = None, errors: ShapeErrors | None = None
) -> tuple[list[Measurement], list[str]]:
    """Rows of the body's quantities, and what is left out with its reason.

    standing_out: how much further than the body the plan outline reaches at some places.
    """
    errors = (errors or ShapeErrors()).of(fit)
    value, _, shares = shape_components(fit)
    shares = {s: c * errors.outline**2 if s in joint.OUTLINE else c for s, c in shares.items()}
    value, uneven = with_belts(value, standing_out)
    rows = _Rows(value, shares, tuple(fit.views), errors)
    sides = tuple(n for n in fit.views if n != "top")
    everything, both = tuple(fit.views), len(sides) > 1
    hidden, beyond = errors.hidden_foot_mm if fit.foot_hidden else 0.0, float(np.hypot(errors.diameter_mm, 2 * uneven))
    offset = float(np.hypot(errors.offset_mm, np.sqrt(2) * uneven))  # of either direction (least squares on a circle)
    note = "the foot is hidden by piping" if fit.foot_hidden else None
    out = [
        rows.single("diameter", DIAMETER, float(np.hypot(beyond, hidden)), everything, note),
        rows.single("out_of_round", ROUND, errors.round_mm, ("top",), None),
        rows.single("height", HEIGHT, errors.height_mm, sides, None),
        rows.single("taper", TAPER, errors.taper_mm, sides, None),
        *rows.pair("board_offset", None, (OFFSET_3, OFFSET_12), offset, ("top",), None),
    ]
    left_out = []
    if both:
        out += rows.pair("level", "level_low_clock", (LEVEL_3, LEVEL_12), errors.level_mm, sides, None, falls=True)
        out += rows.pair("lean", "lean_clock", (LEAN_3, LEAN_12), errors.lean_mm, sides, None)
    else:
        only = "with one side photo only the 9 to 3 o'clock part is known"
        out.append(rows.one_way("level", LEVEL_3, errors.level_mm, sides, only))
        out.append(rows.one_way("lean", LEAN_3, errors.lean_mm, sides, only))
        left_out.append(f"The directions of slope and lean are left out: {only}.")
    dome = rows.single("dome", DOME, errors.dome_mm, sides, None)
    if dome.uncertainty <= max(errors.dome_told_mm, abs(dome.value)):
        out.append(dome)
    else:
        left_out.append(f"The dome is left out: {_dome_hidden(fit, sides)}")
    return out, left_out


def _dome_hidden(fit: CakeFit, sides: Sequence[str]) -> str:
    """Why the middle of the top does not show, and when it would."""
    eyes = [fit.views[n].eye_mm for n in sides]
    if any(eye[2] - fit.body.height_mm > ONTO_TOP * np.hypot(*eye[:2]) for eye in eyes):
        return "neither pieces nor marks on the icing show well enough how high the middle of the top lies."
    return (
        "the photos see the top edge-on; its middle shows from some centimetres higher, looking a little onto the top."
    )


def top_height_sd_mm(fit: CakeFit, errors: ShapeErrors | None = None) -> float:
    """Standard uncertainty of the height of the top's plane: the fit's own and what a smooth body can't follow."""
    errors = (errors or ShapeErrors()).of(fit)
    return float(np.hypot(np.sqrt(fit.covariance[joint.HEIGHT, joint.HEIGHT]), errors.height_mm))


@dataclass(frozen=True)
class _Rows:
    """Builds measurement rows from components and their covariance shares."""

    value: Array
    shares: dict[str, Array]
    photos: tuple[str, ...]
    errors: ShapeErrors

    def _budget(self, index: int, model: float) -> dict[str, float]:
        budget = {s: float(np.sqrt(max(c[index, index], 0.0))) for s, c in self.shares.items()}
        return {**budget, "shape beyond a round body": model}

    def single(self, name: str, index: int, model: float, photos: Sequence[str], note: str | None) -> Measurement:
        budget = self._budget(index, model)
        u = float(np.sqrt(sum(b * b for b in budget.values())))
        return Measurement(name, float(self.value[index]), 2 * u, "mm", tuple(photos), note, budget=budget)

    def one_way(self, name: str, index: int, model: float, photos: Sequence[str], note: str) -> Measurement:
        row = self.single(name, index, model, photos, note)
        size = magnitude(self.value[index : index + 1], np.array([[(row.uncertainty / 2) ** 2]]))
        return Measurement(
            name, size.value, size.uncertainty, "mm", tuple(photos), note, None, size.interval, row.budget
        )

    def pair(
        self,
        name: str,
        clock_name: str | None,
        index: tuple[int, int],
        model: float,
        photos: Sequence[str],
        note: str | None,
        falls: bool = False,
    ) -> list[Measurement]:
        at = list(index)
        covariance = model**2 * np.eye(2) + np.sum([c[np.ix_(at, at)] for c in self.shares.values()], axis=0)
        size = magnitude(self.value[at], covariance)
        along = size.direction
        budget = {s: float(np.sqrt(max(float(along @ c[np.ix_(at, at)] @ along), 0.0))) for s, c in self.shares.items()}
        budget["shape beyond a round body"] = model
        out = [Measurement(name, size.value, size.uncertainty, "mm", tuple(photos), note, None, size.interval, budget)]
        if clock_name is None:
            return out
        towards = -along if falls else along
        hours = float(clock_of(np.arctan2(towards[1], towards[0])))
        spread = 2 * float(np.hypot(size.angle_sd_rad * 6 / np.pi, self.errors.clock_h))
        if spread < 2:  # less is no direction
            out.append(Measurement(clock_name, hours, spread, "h", tuple(photos), note))
        return out
