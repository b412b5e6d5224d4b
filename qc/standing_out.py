"""How far belts and ridges stand out over the fitted body: what a smooth round body misses of the plan outline.

The diameter is that of the outline seen from straight above, which is where the side stands out furthest. The fitted
body runs through the middle of ridges, and through a belt that bulges on one side; the silhouettes show both.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from qc.body import Body
from qc.clock import theta_of
from qc.profile import Silhouette
from qc.shape import wall_radius

Array = NDArray[np.float64]
STEPS = 200  # heights at which they are compared


def standing_out_mm(body: Body, silhouettes: Sequence[Silhouette]) -> Array:
    """How much further (n,) than the body's the plan outline reaches at each silhouette's clock.

    Where a silhouette does not show the side, the body's own counts.
    """
    z = np.linspace(0, 1, STEPS) * body.height_mm
    return np.array([_one_mm(body, s, z) for s in silhouettes], float)


def _one_mm(body: Body, one: Silhouette, z: Array) -> float:
    theta, centre, profile = float(theta_of(one.clock)), body.centre_mm(z), one.profile
    along = centre[:, 0] * np.cos(theta) + centre[:, 1] * np.sin(theta)
    wall = wall_radius(body, np.array([theta]), z[:, None])[:, 0] + along
    seen = np.interp(z, profile.z_mm, profile.seen.astype(float), left=0, right=0) > 0.5
    shown = np.where(seen, np.interp(z, profile.z_mm, profile.radius_mm), wall)
    return float(shown.max() - wall.max())
