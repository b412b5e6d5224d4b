"""What a piece's outline in an off-centre photo says about its footprint: leaning solids of revolution.

A photo taken from the eye at height E over the top draws a horizontal circle at height z over the top (centre c, radius
R) onto the top as the circle about e + k (c - e) with radius k R, where e is the foot of the eye's plumb line and
k = E / (E - z). A piece's outline on the top is the union of these circles over its height: the near side is its foot,
the far side its crown. Fitting the union gives the footprint; what the outline cannot say (how high above the top the
piece is widest) comes from the few shapes that pieces have, weighed by how well each fits.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
HARMONICS = (2, 3)  # undulations of a footprint that is not round
RAYS_ALIKE = 5.0  # neighbouring rays of an outline that err together
PIECES_ALIKE = 20.0  # likewise, for what all outlines of a kind say of its height: light falls on all from one side
SEEN_RATIO_SD = 0.07  # standard uncertainty of a kind's height over breadth as side photos show it, share of it
# both, and Shape.shown, were chosen on 38 rendered rings
SETTLED = 1e-3  # mm, or a share: a step shorter than this changes nothing


@dataclass(frozen=True)
class Shape:
    """Profile of one kind of piece: heights in shares of the height, radii in shares of the footprint's radius."""

    name: str
    height_share: Array  # (Z,) 0..1
    radius_share: Array  # (Z,) at most 1
    height_ratio: float  # height / diameter, typical
    height_ratio_sd: float
    plan_sd: float  # spread of each harmonic of the footprint, shares of its radius
    shown: float = 1.0  # share of its height that the network sees from the side: thin tips are lost


def _profile(
    name: str, points: list[tuple[float, float]], ratio: float, sd: float, plan: float = 0.03, shown: float = 1.0
) -> Shape:
    given = np.array(points)
    u = np.linspace(0, 1, 16)
    return Shape(name, u, np.interp(u, given[:, 0], given[:, 1]), ratio, sd, plan, shown)


def _shapes() -> tuple[Shape, ...]:
    t = np.linspace(0, 1, 41)
    # all stand a little sunk into soft icing; a ball's stalk end or crown rises a little over it
    ball = np.where(t < 0.44, np.sqrt(1 - (np.minimum(t - 0.44, 0) / 0.5) ** 2), np.sqrt(1 - ((t - 0.44) / 0.56) ** 2))
    foot = np.sqrt(np.clip(1 - (np.maximum(0.195 - t, 0) / 0.27) ** 2, 0, 1))
    up = np.clip((t - 0.195) / 0.805, 0, 1)
    drop = np.minimum(foot, 0.30 * (1 - up) + 0.35 * (1 + np.cos(np.pi * up)))
    foot = np.sqrt(np.clip(1 - (np.maximum(0.33 - t, 0) / 0.40) ** 2, 0, 1))
    up = np.clip((t - 0.33) / 0.60, 0, 1)
    dome = np.minimum(foot, np.sqrt(np.clip(1 - up**1.6, 0, 1)))
    v = 0.023 + 0.977 * t
    egg = np.clip(np.sin(np.pi * v**0.72), 0, None) ** 0.62 * (1.06 - 0.30 * v)
    egg = egg / egg.max()
    lying = np.sqrt(np.clip(1 - t**2, 0, 1))
    both = lambda r: list(zip(t, r, strict=True))  # noqa: E731
    return (
        _profile("drop", both(drop), 0.90, 0.09, shown=0.90),
        _profile("dome", both(dome), 0.75, 0.08),
        _profile("egg", both(egg), 1.08, 0.09),
        _profile("ball", both(ball), 0.86, 0.06),
        _profile(  # two shells, the lower one on its rounded back
            "disc",
            [
                (0, 0.42),
                (0.04, 0.64),
                (0.08, 0.78),
                (0.13, 0.89),
                (0.18, 0.94),
                (0.28, 1),
                (0.7, 1),
                (0.88, 0.8),
                (1, 0.4),
            ],
            0.43,
            0.05,
        ),
        _profile(
            "swirl",
            [(0, 0.8), (0.1, 0.95), (0.22, 1), (0.3, 0.95), (0.54, 0.6), (0.6, 0.5), (0.8, 0.25), (1, 0)],
            0.80,
            0.08,
            shown=0.93,
        ),
        _profile("lying half", both(lying), 0.44, 0.06, 0.10),
        _profile("open half", both(lying[::-1]), 0.44, 0.06, 0.10),
    )


SHAPES = _shapes()


@dataclass(frozen=True)
class Outline:
    """Outline of one piece as drawn on the horizontal plane through its foot.

    Attributes
    ----------
    middle_mm : (2,) where the rays start
    ray : (J, 2) unit directions
    radius_mm : (J,) distance to the outline along them
    weight : (J,) 0 where a neighbour or nothing bounds it
    eye_mm : (3,) the lens: x, y, height over the foot's plane
    foot_z_mm : height of the foot's plane in the cake frame
    """

    middle_mm: Array
    ray: Array
    radius_mm: Array
    weight: Array
    eye_mm: Array
    foot_z_mm: float = 0.0


@dataclass(frozen=True)
class Fit:
    """Footprints of pieces of one shape."""

    shape: Shape
    centres_mm: Array  # (N, 2)
    radii_mm: Array  # (N,)
    harmonics: Array  # (N, 4) cos, sin shares of the radius
    height_ratio: float
    cost: float  # penalised sum of squares
    rms_mm: Array  # (N,)


def usual_ratio(shape: Shape, seen_ratio: float | None) -> tuple[float, float, float]:
    """Height over breadth to expect of pieces of a shape, its standard uncertainty, and how ill both go together.

    seen_ratio: as the side photos show it. The last figure is the squared difference over its variance.
    """
    mean, variance = shape.height_ratio, shape.height_ratio_sd**2
    if seen_ratio is None:
        return mean, float(np.sqrt(variance)), 0.0
    seen = seen_ratio / shape.shown
    seen_variance = (SEEN_RATIO_SD * seen) ** 2
    both = variance * seen_variance / (variance + seen_variance)
    at_odds = (seen - mean) ** 2 / (variance + seen_variance)
    return both * (mean / variance + seen / seen_variance), float(np.sqrt(both)), at_odds


def fit_shape(
    outlines: list[Outline],
    shape: Shape,
    seen_ratio: float | None = None,
    sigma_mm: float = 0.35,
    iterations: int = 12,
) -> Fit:
    """Robust least squares of the union of circles over all pieces, one height ratio for all (Gauss-Newton)."""
    n = len(outlines)
    middle = np.array([o.middle_mm for o in outlines])
    measured = np.array([o.radius_mm for o in outlines])
    weight = np.array([o.weight for o in outlines])
    eye = np.array([o.eye_mm for o in outlines])
    ray = np.array([o.ray for o in outlines])
    u, s = shape.height_share, shape.radius_share
    usual, usual_sd, at_odds = usual_ratio(shape, seen_ratio)
    ratio = usual
    # start: the outline without its lean
    radius = np.sqrt((measured**2).mean(1)) * 0.92
    lean = ratio * radius / eye[:, 2]
    centre = middle - (middle - eye[:, :2]) * (0.6 * lean)[:, None]
    plan, plan_sd = np.zeros((n, 4)), shape.plan_sd
    ratio_sd = usual_sd / np.sqrt(PIECES_ALIKE)  # beside outlines that are taken for independent
    for _ in range(iterations):
        model, jac = _union(centre, radius, plan, ratio, middle, eye, ray, u, s)
        res = measured - model
        z = res / sigma_mm
        robust = weight / (1 + (z / 3) ** 2)  # Cauchy
        cost = float(
            (weight * 9 * np.log1p((z / 3) ** 2)).sum()
            + ((plan / plan_sd) ** 2).sum()
            + ((ratio - usual) / ratio_sd) ** 2
            + RAYS_ALIKE * at_odds
        )
        # arrow-shaped normal equations: 7 unknowns a piece, one shared
        weighted = jac * (robust / sigma_mm**2)[..., None]
        normal, right = jac.transpose(0, 2, 1) @ weighted, (res[:, None] @ weighted)[:, 0]
        A, b, g = normal[:, :7, :7], normal[:, :7, 7], right[:, :7]
        A[:, range(3, 7), range(3, 7)] += 1 / plan_sd**2
        A[:, range(7), range(7)] += 1e-6
        g[:, 3:7] -= plan / plan_sd**2
        c = normal[:, 7, 7].sum() + 1 / ratio_sd**2
        h = right[:, 7].sum() - (ratio - usual) / ratio_sd**2
        Ai = np.linalg.inv(A)
        Ab, Ag = np.einsum("npq,nq->np", Ai, b), np.einsum("npq,nq->np", Ai, g)
        dk = (h - (b * Ag).sum()) / max(c - (b * Ab).sum(), 1e-9)
        dk = float(np.clip(dk, -0.15, 0.15))
        step = Ag - Ab * dk
        step[:, :3] = np.clip(step[:, :3], -3, 3)
        step[:, 3:] = np.clip(step[:, 3:], -0.05, 0.05)
        centre = centre + step[:, :2]
        radius = np.clip(radius + step[:, 2], 1.0, None)
        plan = plan + step[:, 3:]
        ratio = float(np.clip(ratio + dk, 0.15, 1.6))
        if max(abs(dk), np.abs(step).max()) < SETTLED:
            break
    rms = np.sqrt((weight * res**2).sum(1) / np.maximum(weight.sum(1), 1e-9))
    return Fit(shape, centre, radius, plan, ratio, cost, rms)


def solid_outline(fit: Fit, centre_mm: Array, radius_mm: float, eye_mm: Array, rays: int) -> tuple[Array, Array, Array]:
    """Outline that a round solid of the fit's shape has in the photo, on the plane through its foot.

    Returns
    -------
    middle_mm : (2,) where the rays start
    ray : (rays, 2)
    distance_mm : (rays,)
    """
    angle = 2 * np.pi * np.arange(rays) / rays
    ray = np.stack([np.cos(angle), np.sin(angle)], -1)
    lift = eye_mm[2] / (eye_mm[2] - 0.8 * fit.height_ratio * radius_mm)
    middle = eye_mm[:2] + (centre_mm - eye_mm[:2]) * lift
    one = lambda a: np.asarray(a, float)[None]  # noqa: E731
    u, s = fit.shape.height_share, fit.shape.radius_share
    rings = _rings(one(centre_mm), one(radius_mm), fit.height_ratio, one(middle), one(eye_mm), u, s)
    distance, _ = _outermost(rings, one(ray))
    return middle, ray, distance[0]


@dataclass(frozen=True)
class _Rings:
    """Round sections of solids as the lens sees them on the plane through the foot."""

    away_mm: Array  # (N, Z, 2) middles, from where the rays start
    radius_mm: Array  # (N, Z)
    lift: Array  # (N, Z) how much larger than in the cake


def _rings(centre: Array, radius: Array, ratio: float, middle: Array, eye: Array, u: Array, s: Array) -> _Rings:
    E = eye[:, 2, None]
    z = ratio * 2 * radius[:, None] * u  # (N, Z)
    k = E / (E - np.minimum(z, 0.8 * E))
    out = centre - eye[:, :2]
    away = eye[:, None, :2] + out[:, None] * k[..., None] - middle[:, None]
    return _Rings(away, k * s * radius[:, None], k)


def _outermost(rings: _Rings, ray: Array) -> tuple[Array, NDArray[np.intp]]:
    """Distance (N, J) to the outermost ring along rays (N, J, 2), and which one (N, J)."""
    d, R = rings.away_mm, rings.radius_mm
    dn = d[:, None, :, 0] * ray[..., :1] + d[:, None, :, 1] * ray[..., 1:]  # (N, J, Z)
    square = (R**2 - d[..., 0] ** 2 - d[..., 1] ** 2)[:, None] + dn * dn
    hit = np.where(square > 0, dn + np.sqrt(np.maximum(square, 0)), -1.0)
    best = hit.argmax(-1)
    return np.take_along_axis(hit, best[..., None], -1)[..., 0], best


def _union(
    centre: Array, radius: Array, plan: Array, ratio: float, middle: Array, eye: Array, ray: Array, u: Array, s: Array
) -> tuple[Array, Array]:
    """Distance (N, J) from each middle to the union's outline along the rays, and its derivatives (N, J, 8)."""
    # footprints that are not round: the radius at the direction of the outline point, from the round one
    rings = _rings(centre, radius, ratio, middle, eye, u, s)
    r0, best = _outermost(rings, ray)
    i = np.arange(len(ray))[:, None]
    E, out = eye[:, 2, None], centre - eye[:, :2]
    db, Rb, kb = rings.away_mm[i, best], rings.radius_mm[i, best], rings.lift[i, best]
    m = (r0[..., None] * ray - db) / np.maximum(Rb, 1e-6)[..., None]
    phi = np.arctan2(m[..., 1], m[..., 0])
    waves = np.stack([f(h * phi) for h in HARMONICS for f in (np.cos, np.sin)], -1)
    mn = np.maximum(m[..., 0] * ray[..., 0] + m[..., 1] * ray[..., 1], 0.35)
    sb = s[best]
    dz_da, dk_dz = ratio * 2 * u[best], kb**2 / E
    lift = m[..., 0] * out[:, :1] + m[..., 1] * out[:, 1:] + sb * radius[:, None]  # d(hit)/dk
    jac = np.empty((*r0.shape, 8))
    jac[..., :2] = kb[..., None] * m / mn[..., None]
    jac[..., 2] = (kb * sb + lift * dk_dz * dz_da) / mn
    jac[..., 3:7] = Rb[..., None] * waves / mn[..., None]
    jac[..., 7] = lift * dk_dz * 2 * radius[:, None] * u[best] / mn
    model = r0 + (jac[..., 3:7] * plan[:, None]).sum(-1)
    return model, jac
