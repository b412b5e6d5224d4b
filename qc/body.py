"""The cake's shape: one round, nearly upright body, in the cake frame (origin where its axis meets the board, Z up).

Side: distance from the (leaning) centre line r(theta, z) = radius + taper + low harmonics + a profile common to all
directions. Top: a tilted plane with a dome. Both are joined by a rounding. Decorations, piped borders and drips are
not part of it (DEVELOPERS.md, "Iced body").
"""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]
HARMONICS = np.arange(2, 9)  # undulations per revolution that the side may have
EDGE_HARMONICS = np.arange(1, 7)  # the same of the top edge's rounding
PROFILE_KNOTS = np.concatenate([[0.0, 0.03, 0.065], np.linspace(0.1, 1.0, 14)])  # shares of the height of the profile
LOW, HIGH = 0.1, 0.9  # shares of the height between which the side counts
RIM = 0.8  # share of the radius within which the top counts


@dataclass(frozen=True)
class BodyDerivatives:
    """Derivatives of N points' signed distance by the body's parameters: a column (N,) or block (N, ...) each."""

    radius: Array
    height: Array
    taper: Array
    lean: Array  # (N, 2)
    slope: Array  # (N, 2)
    dome: Array
    edge: Array
    waves: Array  # (N, 2 len(HARMONICS))
    profile: Array  # (N, len(PROFILE_KNOTS))
    edge_waves: Array  # (N, 2 len(EDGE_HARMONICS))
    turn: Array  # by the points' own turn (rad) about the frame's Z, clockwise from above


@dataclass(frozen=True)
class Body:
    """Shape parameters (mm, radians) in the cake frame."""

    radius_mm: float  # mean, at half height
    height_mm: float  # top plane above the board, on the axis
    taper_mm: float  # diameter at 0.9 of the height minus that at 0.1
    lean_mm: Array  # (2,) shift of the centre from 0.1 to 0.9 of the height
    slope: Array  # (2,) dz/dx, dz/dy of the top plane
    dome_mm: float  # middle above the rim circle at 0.8 of the radius
    edge_mm: float  # radius of the top edge's rounding, mean of all directions
    harmonics_mm: Array  # (len(HARMONICS), 2) cosine and sine amplitudes
    profile_mm: Array  # (len(PROFILE_KNOTS),) deviation of the radius at the knots, common to all directions
    edge_waves_mm: Array = field(default_factory=lambda: np.zeros((len(EDGE_HARMONICS), 2)))
    # cosine and sine amplitudes of the rounding's radius round the cake

    @property
    def diameter_mm(self) -> float:
        """Twice the mean radius at half height (the measured diameter comes from the plan outline)."""
        return 2 * self.radius_mm

    def centre_mm(self, z_mm: ArrayLike) -> Array:
        """Centre (..., 2) of the cross-section at heights z."""
        u = np.asarray(z_mm, float)[..., None] / self.height_mm
        return self.lean_mm * (u - 0.5) / (HIGH - LOW)

    def side_radius_mm(self, theta_rad: ArrayLike, z_mm: ArrayLike) -> Array:
        """Radius of the side about its centre, before the rounding of the edge takes over."""
        theta, u = np.asarray(theta_rad, float), np.asarray(z_mm, float) / self.height_mm
        r = self.radius_mm + 0.5 * self.taper_mm * (u - 0.5) / (HIGH - LOW)
        r = r + np.interp(u, PROFILE_KNOTS, self.profile_mm)
        for m, (c, s) in zip(HARMONICS, self.harmonics_mm, strict=True):
            r = r + c * np.cos(m * theta) + s * np.sin(m * theta)
        return r

    def edge_radius_mm(self, theta_rad: ArrayLike) -> Array:
        """Radius of the top edge's rounding at directions theta."""
        theta = np.asarray(theta_rad, float)
        return np.asarray(self.edge_mm + _waves(self.edge_waves_mm, EDGE_HARMONICS, np.exp(1j * theta)))

    def wall_mm(self, theta_rad: Array, z_mm: Array) -> Array:
        """Radius (K, M) about the centre line at directions theta (M,) and heights z (K, 1), the rounded edge included.

        0 above the top.
        """
        edge = np.maximum(self.edge_radius_mm(theta_rad), 0.0)[None]
        top = self.top_z_mm(self.radius_mm * np.cos(theta_rad), self.radius_mm * np.sin(theta_rad))[None]
        over = np.clip(z_mm - (top - edge), 0, edge)
        r = self.side_radius_mm(theta_rad[None], z_mm) - edge + np.sqrt(np.maximum(edge**2 - over**2, 0))
        return np.where(z_mm <= top, r, 0.0)

    def top_z_mm(self, x_mm: ArrayLike, y_mm: ArrayLike) -> Array:
        """Height of the top surface above the board at places (x, y)."""
        x, y = np.asarray(x_mm, float), np.asarray(y_mm, float)
        q2 = (x * x + y * y) / (RIM * self.radius_mm) ** 2
        return self.height_mm + self.slope[0] * x + self.slope[1] * y + self.dome_mm * (0.5 - q2)

    def side_point_mm(self, theta_rad: ArrayLike, z_mm: ArrayLike) -> Array:
        """Points (..., 3) of the side at directions theta (about the centre line) and heights z."""
        theta, z = np.broadcast_arrays(np.asarray(theta_rad, float), np.asarray(z_mm, float))
        r, c = self.side_radius_mm(theta, z), self.centre_mm(z)
        return np.stack([c[..., 0] + r * np.cos(theta), c[..., 1] + r * np.sin(theta), z], -1)

    def top_point_mm(self, x_mm: ArrayLike, y_mm: ArrayLike) -> Array:
        """Points (..., 3) of the top surface."""
        x, y = np.broadcast_arrays(np.asarray(x_mm, float), np.asarray(y_mm, float))
        return np.stack([x, y, self.top_z_mm(x, y)], -1)

    def distance_mm(self, points_mm: Array, waves: bool = True) -> Array:
        """Signed distance of points (..., 3) to the icing, positive outside; the body goes on below the board.

        Exact for a cylinder with a rounded edge, to first order in the slopes of side and top otherwise. Without
        `waves` the harmonics of side and edge are left out, which is quicker.
        """
        return self.distance_at_mm(points_mm[..., 0], points_mm[..., 1], points_mm[..., 2], waves)

    def distance_at_mm(self, x: Array, y: Array, z: Array, waves: bool = True) -> Array:
        """`distance_mm` of places whose coordinates lie in arrays of their own, which is quicker."""
        u = np.minimum(np.maximum(z, 0.0), self.height_mm) / self.height_mm
        along = (u - 0.5) / (HIGH - LOW)
        dx, dy = x - self.lean_mm[0] * along, y - self.lean_mm[1] * along
        rho = np.maximum(np.sqrt(dx * dx + dy * dy), 1e-9)
        side: Array = self._mean_radius(u)
        edge: Array | float = self.edge_mm
        if waves:
            turn = np.asarray((dx + 1j * dy) / rho, np.complex128)
            side = side + _waves(self.harmonics_mm, HARMONICS, turn)
            edge = edge + _waves(self.edge_waves_mm, EDGE_HARMONICS, turn)
        a = rho - side + edge
        b = z - self._top_z_clamped(x, y, rho) + edge
        outside_a, outside_b = np.maximum(a, 0), np.maximum(b, 0)
        rounded = np.sqrt(outside_a * outside_a + outside_b * outside_b)
        return np.asarray(rounded + np.minimum(np.maximum(a, b), 0) - edge)

    def derivatives(self, points_mm: Array) -> BodyDerivatives:
        """Derivatives of distance_mm at points (N, 3) by all shape parameters.

        To first order in the slopes of side and top, as distance_mm itself; that the harmonics turn with the lean is
        left out.
        """
        x, y, z = points_mm[:, 0], points_mm[:, 1], points_mm[:, 2]
        z_in = np.clip(z, 0.0, self.height_mm)
        c = self.centre_mm(z_in)
        dx, dy = x - c[:, 0], y - c[:, 1]
        rho = np.maximum(np.hypot(dx, dy), 1e-9)
        u, inside = z_in / self.height_mm, (z > 0) & (z < self.height_mm)
        turn = np.asarray((dx + 1j * dy) / rho, np.complex128)
        edge = self.edge_mm + _waves(self.edge_waves_mm, EDGE_HARMONICS, turn)
        a = rho - self._mean_radius(u) - _waves(self.harmonics_mm, HARMONICS, turn) + edge
        b = z - self._top_z_clamped(x, y, rho) + edge
        outside = np.hypot(np.maximum(a, 0), np.maximum(b, 0))
        by_a = np.where(outside > 0, np.maximum(a, 0) / np.maximum(outside, 1e-12), (a >= b).astype(float))
        by_b = np.where(outside > 0, np.maximum(b, 0) / np.maximum(outside, 1e-12), (a < b).astype(float))
        k = np.clip(np.searchsorted(PROFILE_KNOTS, u, side="right") - 1, 0, len(PROFILE_KNOTS) - 2)
        span = PROFILE_KNOTS[k + 1] - PROFILE_KNOTS[k]
        share, rows = (u - PROFILE_KNOTS[k]) / span, np.arange(len(x))
        profile = np.zeros((len(x), len(PROFILE_KNOTS)))
        profile[rows, k], profile[rows, k + 1] = 1 - share, share
        up = (u - 0.5) / (HIGH - LOW)
        powers, edge_powers = turn[:, None] ** HARMONICS, turn[:, None] ** EDGE_HARMONICS
        by_u = 0.5 * self.taper_mm / (HIGH - LOW) + (self.profile_mm[k + 1] - self.profile_mm[k]) / span
        by_u = by_u + (turn.real * self.lean_mm[0] + turn.imag * self.lean_mm[1]) / (HIGH - LOW)
        q2 = np.minimum(rho / self.radius_mm, 1.0) ** 2 / RIM**2
        dome_radius = np.where(rho < self.radius_mm, 2 * self.dome_mm * q2 / self.radius_mm, 0.0)
        along, across = (dx * y - dy * x) / rho, -(dx * x + dy * y) / rho  # a turned point moves so: outwards, round
        by_edge, by_theta = by_a + by_b - 1, _slopes(self.harmonics_mm, HARMONICS, powers)
        edge_by_theta = _slopes(self.edge_waves_mm, EDGE_HARMONICS, edge_powers)
        return BodyDerivatives(
            radius=-by_a - by_b * dome_radius,
            height=by_a * by_u * u / self.height_mm * inside - by_b,
            taper=-0.5 * by_a * up,
            lean=-by_a[:, None] * up[:, None] * np.stack([turn.real, turn.imag], -1),
            slope=-by_b[:, None] * np.stack([x, y], -1),
            dome=-by_b * (0.5 - q2),
            edge=by_edge,
            waves=-by_a[:, None] * np.stack([powers.real, powers.imag], -1).reshape(len(x), -1),
            profile=-by_a[:, None] * profile,
            edge_waves=by_edge[:, None] * np.stack([edge_powers.real, edge_powers.imag], -1).reshape(len(x), -1),
            turn=by_a * (along - by_theta * across / rho)
            - by_b * (self.slope[0] * y - self.slope[1] * x)
            + by_edge * edge_by_theta * across / rho,
        )

    def _mean_radius(self, u: Array) -> Array:
        """Radius of the side at shares u of the height, the same in all directions."""
        taper = 0.5 * self.taper_mm * (u - 0.5) / (HIGH - LOW)
        return np.asarray(self.radius_mm + taper + np.interp(u, PROFILE_KNOTS, self.profile_mm), np.float64)

    def _top_z_clamped(self, x: Array, y: Array, rho: Array) -> Array:
        """The top's height, its dome not followed beyond the rim."""
        q = np.minimum(rho, self.radius_mm) / (RIM * self.radius_mm)
        level = self.height_mm + 0.5 * self.dome_mm
        return np.asarray(level + self.slope[0] * x + self.slope[1] * y - self.dome_mm * (q * q))


def _waves(amplitudes: Array, harmonics: NDArray[np.int64], turn: NDArray[np.complex128]) -> Array:
    """Sum (...) of waves (H, 2; cosine, sine) at directions exp(i theta) (...); harmonics (H,) follow one another.

    A polynomial of a complex number by Horner's scheme, no trigonometry.
    """
    if not amplitudes.any():
        return np.zeros(turn.shape)
    waves = amplitudes[:, 0] - 1j * amplitudes[:, 1]
    total = np.full(turn.shape, waves[-1])
    for wave in waves[-2::-1]:
        total = total * turn + wave
    return np.asarray((total * turn ** int(harmonics[0])).real, np.float64)


def _slopes(amplitudes: Array, harmonics: NDArray[np.int64], powers: NDArray[np.complex128]) -> Array:
    """Derivative (N,) of the waves by the direction, from its powers (N, H)."""
    return np.asarray(((powers * harmonics) @ (1j * (amplitudes[:, 0] - 1j * amplitudes[:, 1]))).real, np.float64)
