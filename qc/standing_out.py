"""How far belts and ridges stand out over the fitted body: what a smooth round body misses of the plan outline.

The diameter is that of the outline seen from straight above, which is where the side stands out furthest. The fitted
body runs through the middle of ridges, and through a belt that bulges on one side; the silhouettes show both.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from qc.body import Body
from qc.clock import theta_of
from qc.profile import Silhouette

Array = NDArray[np.float64]
STEPS = 200  # heights at which they are compared


@dataclass(frozen=True)
class StandingOut:
    """How much further (n,) than the body's the plan outline reaches at some directions (n,)."""

    theta_rad: Array
    further_mm: Array

    @property
    def mean_mm(self) -> float:
        return float(self.further_mm.mean())

    @property
    def towards_mm(self) -> Array:
        """How far (2,) what stands out moves the centre of the outline's least-squares circle.

        The first harmonic about the mean (ISO 12181-1: a circle's centre, to first order); of one side photo the part
        along its silhouettes.
        """
        around = np.stack([np.cos(self.theta_rad), np.sin(self.theta_rad)], -1)
        return np.asarray(np.linalg.lstsq(around, self.further_mm - self.mean_mm)[0], np.float64)

    @property
    def uneven_mm(self) -> float:
        """Standard uncertainty of the mean, by how the places differ (JCGM 100, 4.2.3)."""
        n = len(self.further_mm)
        return float(self.further_mm.std(ddof=1) / np.sqrt(n)) if n > 1 else 0.0


def standing_out(body: Body, silhouettes: Sequence[Silhouette]) -> StandingOut:
    """How much further than the body's the plan outline reaches at each silhouette's clock.

    Where a silhouette does not show the side, the body's own counts.
    """
    z = np.linspace(0, 1, STEPS) * body.height_mm
    theta = np.array([float(theta_of(s.clock)) for s in silhouettes])
    return StandingOut(
        theta, np.array([_one_mm(body, s, t, z) for s, t in zip(silhouettes, theta, strict=True)], float)
    )


def _one_mm(body: Body, one: Silhouette, theta: float, z: Array) -> float:
    centre, profile = body.centre_mm(z), one.profile
    along = centre[:, 0] * np.cos(theta) + centre[:, 1] * np.sin(theta)
    wall = body.wall_mm(np.array([theta]), z[:, None])[:, 0] + along
    seen = np.interp(z, profile.z_mm, profile.seen.astype(float), left=0, right=0) > 0.5
    shown = np.where(seen, np.interp(z, profile.z_mm, profile.radius_mm), wall)
    return float(shown.max() - wall.max())
