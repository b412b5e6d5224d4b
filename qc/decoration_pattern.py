"""Pieces with their uncertainties become rings, gaps, moves and measurements."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from qc.body import Body
from qc.clock import clock_of
from qc.decoration_borders import Border
from qc.decoration_shapes import HARMONICS
from qc.pattern import Evenness, Ideal, Ring, analyse_ring, best_pattern, chord_mm, rayleigh, robust_circle
from qc.quantities import Decoration, Measurement

Array = NDArray[np.float64]


@dataclass(frozen=True)
class PatternSettings:
    """Limits of the pattern and contributions to the uncertainty that the pieces themselves do not show."""

    ring_width: float = 0.32  # share of a piece's diameter by which it may stand off its ring, at least ...
    ring_width_mm: float = 7.0  # ... this: hands place pieces to some millimetres
    stray: float = 1.5  # of that width within which a piece at an empty place belongs to the ring all the same
    stray_pitch: float = 0.3  # of the pitch: how near to the empty place
    off_centre: float = 0.16  # share of the cake's radius by which a ring may be off centre
    centre_share: float = 0.25  # of the cake's radius within which a piece stands in the middle
    odd_size: float = 0.6  # share of the ring's usual size under which a piece off the rings is a mark in the icing
    nearly: float = 0.8  # of that size from which what is left out may yet be a piece
    odd_probability: float = 0.9  # ... unless the network is surer than this
    sure: float = 0.8  # mean probability from which nobody need look again whether a piece is one
    border_pieces: int = 18  # from which touching pieces along the rim are a border
    border_radius: float = 0.84  # share of the cake's radius beyond which they are
    border_pitch: float = 1.15  # of their diameter, at most: they touch
    draws: int = 400  # of the Monte Carlo propagation
    place_mm: float = 0.10  # standard uncertainty of every piece's place, along each axis
    place_per_rms: float = 0.55  # ... and per mm of the outline's misfit
    size_mm: float = 0.15  # standard uncertainty of every piece's diameter
    size_per_rms: float = 0.9
    size_common: float = 0.012  # share of the diameter common to all pieces: where cream ends
    waist_share: float = 0.045  # of the diameter: height at which pieces are widest, beyond what their shapes say
    # standard uncertainties that the draws do not explain, in the rows' own units: outlines that err together, shapes
    # that are none of ours; so chosen that 95 % of rendered cakes of other seeds lie within the expanded uncertainty
    beyond: tuple[float, ...] = (0.6, 1.0, 0.1, 0.13, 0.35, 0.4)
    scale: float = 0.0015  # share: scale of the photo
    frame_mm: float = 0.3  # cake frame against the photo, along each axis
    # standard uncertainties of a fitted geometry beyond its height's: rim and lens, as errors on rendered cakes say
    fitted_scale: float = 0.0035
    fitted_frame_mm: float = 0.25


@dataclass(frozen=True)
class Plane:
    """How well the plane is known on which the pieces stand.

    A plane taken dh too high draws every piece nearer to the lens's foot by dh / (lens height over the plane).
    """

    eye_mm: Array  # (3,) the lens: x, y in the cake frame, height over the plane
    height_sd_mm: float = 0.0  # standard uncertainty of the plane's height; 0 where it is known exactly


@dataclass(frozen=True)
class Pieces:
    """Pieces before they are a pattern; (S,) shapes, (N,) pieces."""

    centres_mm: Array  # (N, 2)
    diameters_mm: Array  # (N,) equal-area
    lean: Array  # (N, 2) outward shift in the photo per mm of height
    rms_mm: Array  # (N,) misfit of the outline
    probability: Array  # (N,)
    plan: Array  # (N, 4) harmonics of the footprint
    shape_centres_mm: Array  # (S, N, 2)
    shape_diameters_mm: Array  # (S, N)
    shape_weight: Array  # (S, N)

    def take(self, index: NDArray[np.int64]) -> "Pieces":
        """Some of the pieces."""
        return Pieces(
            self.centres_mm[index],
            self.diameters_mm[index],
            self.lean[index],
            self.rms_mm[index],
            self.probability[index],
            self.plan[index],
            self.shape_centres_mm[:, index],
            self.shape_diameters_mm[:, index],
            self.shape_weight[:, index],
        )


@dataclass(frozen=True)
class Pattern:
    """What `judge_pattern` found."""

    pieces: tuple[Decoration, ...]
    measurements: tuple[Measurement, ...]
    evenness: Evenness | None
    rings: tuple[Ring, ...]
    ideals: tuple[Ideal, ...]
    warnings: tuple[str, ...]
    rim: Border | None = None


def judge_pattern(
    pieces: Pieces,
    body: Body,
    expected: int | None,
    settings: PatternSettings,
    doubtful_mm: Array | None = None,
    plane: Plane | None = None,
) -> Pattern:
    """Rings, moves and measurements of the pieces; those that can be no piece are dropped.

    doubtful_mm (M, 2): places of things that were seen but hardly are pieces; they widen the count.
    plane: how well the top's height is known; exactly where left out.
    """
    pieces = pieces.take(np.argsort(_hours(pieces.centres_mm)))
    middle = plan_centre_mm(body)
    ring_of = assign_rings(pieces, middle, body.radius_mm, settings)
    keep = _no_marks(pieces, ring_of, middle, body.radius_mm, settings)
    doubtful = _nearly_kept(pieces, keep, doubtful_mm, settings)
    pieces, ring_of = pieces.take(keep), ring_of[keep]
    rim, pieces, ring_of = _split_rim(pieces, ring_of, middle, body, settings)
    rings = tuple(
        analyse_ring(
            pieces.centres_mm, np.nonzero(ring_of == k)[0], expected if k == 1 else None, _usual(pieces, ring_of, k)
        )
        for k in (1, 2)
        if (ring_of == k).sum() >= 3
    )
    ideals = tuple(
        best_pattern(pieces.centres_mm[r.singles], (r.circle.x_mm, r.circle.y_mm), r.circle.radius_mm, r.places)
        for r in rings
    )
    even = _evenness(pieces, rings[0]) if rings else None
    rows, warnings = measure_pattern(pieces, rings, middle, expected, settings, plane)
    unsure = pieces.centres_mm[pieces.probability < settings.sure]
    away = np.hypot(*(doubtful[:, None] - pieces.centres_mm[None]).transpose(2, 0, 1))
    nowhere = (away > 0.5 * pieces.diameters_mm).all(1)  # of what is seen within a piece nothing is in doubt
    unsure = np.concatenate([unsure, doubtful[nowhere]])
    if len(unsure):
        rows = [replace(r, uncertainty=float(len(unsure))) if r.unit == "1" else r for r in rows]
        warnings.append(f"It is unclear whether what is seen {_where(unsure, body)} on the top is a decoration.")
    return Pattern(_decorations(pieces, ring_of, rings, ideals), tuple(rows), even, rings, ideals, tuple(warnings), rim)


def plan_centre_mm(body: Body) -> Array:
    """Centre (2,) of the outline seen from straight above."""
    theta = np.linspace(0, 2 * np.pi, 180, endpoint=False)
    z = np.linspace(0.05, 0.95, 13)[:, None] * body.height_mm
    wall = body.side_point_mm(theta[None], z)
    ray = np.stack([np.cos(theta), np.sin(theta)], -1)
    reach = np.einsum("ztc,tc->zt", wall[..., :2], ray).max(0)
    return 2 * (reach[:, None] * ray).mean(0)  # first harmonic of the outline about the origin


def _evenness(pieces: Pieces, ring: Ring) -> Evenness:
    away = pieces.centres_mm[ring.members] - [ring.circle.x_mm, ring.circle.y_mm]
    return rayleigh(_angles(away), ring.places)


def _where(points_mm: Array, body: Body) -> str:
    """Places in words: in the middle, at which hours of the clock."""
    outside = np.hypot(*points_mm.T) > 0.12 * body.radius_mm
    hours = np.unique(np.round(np.asarray(clock_of(_angles(points_mm[outside])))))
    words = ["in the middle"] if not outside.all() else []
    if len(hours):
        words.append("at " + ", ".join(f"{h:.0f}" for h in hours) + " o'clock")
    return " and ".join(words)


def _angles(points_mm: Array) -> Array:
    return np.asarray(np.arctan2(points_mm[:, 1], points_mm[:, 0]), float)


def _hours(points_mm: Array) -> Array:
    return np.asarray(clock_of(_angles(points_mm)), float) % 12


def _usual(pieces: Pieces, ring_of: NDArray[np.int64], k: int) -> float:
    return float(np.median(pieces.diameters_mm[ring_of == k]))


def assign_rings(pieces: Pieces, middle_mm: Array, radius_mm: float, settings: PatternSettings) -> NDArray[np.int64]:
    """Ring (N,) of each piece: 1 the main one (most pieces), 2 a second one, 0 the middle or on no ring."""
    place = pieces.centres_mm - middle_mm
    ring_of = np.zeros(len(place), np.int64)
    free = np.hypot(*place.T) > 0.12 * radius_mm
    for k, least in ((1, 3), (2, 4)):
        index = np.nonzero(free)[0]
        if len(index) < least:
            break
        width = max(settings.ring_width_mm, settings.ring_width * float(np.median(pieces.diameters_mm[index])))
        found = robust_circle(place[index], width, settings.off_centre * radius_mm)
        if found is None or found[1].sum() < least:
            break
        members = index[found[1]]
        if k == 2 and not _goes_round(place[members]):
            break
        members = _with_strays(place, members, index, settings.stray * width, settings.stray_pitch)
        ring_of[members] = k
        free[members] = False
    return ring_of


def _with_strays(
    place_mm: Array, members: NDArray[np.int64], free: NDArray[np.int64], within_mm: float, within_pitch: float
) -> NDArray[np.int64]:
    """Members of a ring, and with them pieces somewhat further off it that stand where it has a gap for one."""
    for i in np.setdiff1d(free, members):
        ring = analyse_ring(place_mm, members)
        away = place_mm[i] - [ring.circle.x_mm, ring.circle.y_mm]
        off = abs(np.hypot(*away) - ring.circle.radius_mm)
        turn = np.degrees(np.arctan2(away[1], away[0]) - np.array(ring.missing_rad))
        beside = np.abs((turn + 180) % 360 - 180) * ring.places / 360  # pitches to each empty place
        if off < within_mm and (beside < within_pitch).any():
            members = np.append(members, i)
    return members


def _goes_round(place_mm: Array) -> bool:
    """A second ring is one only when its pieces stand on all sides."""
    theta = np.sort(np.arctan2(place_mm[:, 1], place_mm[:, 0]))
    return bool(np.diff(np.append(theta, theta[0] + 2 * np.pi)).max() < np.pi)


def _no_marks(
    pieces: Pieces, ring_of: NDArray[np.int64], middle_mm: Array, radius_mm: float, settings: PatternSettings
) -> NDArray[np.int64]:
    """Indices of what is no finger mark, glint or crumb: small and unsure things off the rings are left out."""
    if not (ring_of == 1).any():
        return np.arange(len(ring_of))
    small = pieces.diameters_mm < settings.odd_size * _usual(pieces, ring_of, 1)
    unsure = pieces.probability < settings.odd_probability
    inside = np.hypot(*(pieces.centres_mm - middle_mm).T) < settings.centre_share * radius_mm
    bad = (ring_of == 0) & ((small & (unsure | ~inside)) | (unsure & ~inside))
    return np.nonzero(~bad)[0]


def _nearly_kept(
    pieces: Pieces, keep: NDArray[np.int64], doubtful_mm: Array | None, settings: PatternSettings
) -> Array:
    """Places (M, 2) of what hardly is a piece: the given ones, and what was left out by little."""
    others = np.setdiff1d(np.arange(len(pieces.centres_mm)), keep)
    usual = float(np.median(pieces.diameters_mm)) if len(keep) else 0.0
    large = pieces.diameters_mm[others] > settings.nearly * settings.odd_size * usual
    given = np.zeros((0, 2)) if doubtful_mm is None else doubtful_mm
    return np.concatenate([given, pieces.centres_mm[others[large]]])


def _split_rim(
    pieces: Pieces, ring_of: NDArray[np.int64], middle_mm: Array, body: Body, settings: PatternSettings
) -> tuple[Border | None, Pieces, NDArray[np.int64]]:
    """A crowd of small touching pieces along the rim is a piped border, no ring of decorations: taken out."""
    for k in (1, 2):
        of = np.nonzero(ring_of == k)[0]
        if len(of) < settings.border_pieces:
            continue
        ring = analyse_ring(pieces.centres_mm, of)
        pitch = chord_mm(ring.circle.radius_mm, ring.places)
        outside = ring.circle.radius_mm > settings.border_radius * body.radius_mm
        if not outside or pitch > settings.border_pitch * _usual(pieces, ring_of, k):
            continue
        steps = ring.gaps_deg / ring.gap_places
        border = Border("rim", ring.places, 2.0, pitch, 0.1, 100 * float(np.std(steps) / np.mean(steps)), 1.0)
        keep = np.nonzero(ring_of != k)[0]
        rest = pieces.take(keep)
        return border, rest, assign_rings(rest, middle_mm, body.radius_mm, settings)
    return None, pieces, ring_of


def _decorations(
    pieces: Pieces, ring_of: NDArray[np.int64], rings: tuple[Ring, ...], ideals: tuple[Ideal, ...]
) -> tuple[Decoration, ...]:
    move = np.full((len(ring_of), 2), np.nan)
    for ring, ideal in zip(rings, ideals, strict=True):
        move[ring.singles] = ideal.moves_mm
    hours = clock_of(np.arctan2(pieces.centres_mm[:, 1], pieces.centres_mm[:, 0]))
    out = []
    for i, (x, y) in enumerate(pieces.centres_mm):
        moved = bool(np.isfinite(move[i]).all())
        out.append(
            Decoration(
                float(x),
                float(y),
                float(pieces.diameters_mm[i]),
                float(hours[i]),
                int(ring_of[i]),
                float(move[i, 0]) if moved else None,
                float(move[i, 1]) if moved else None,
                _footprint(pieces, i),
            )
        )
    return tuple(out)


def _footprint(pieces: Pieces, i: int) -> tuple[tuple[float, float], ...]:
    """Outline of the footprint in the cake frame, 36 points."""
    theta = np.linspace(0, 2 * np.pi, 36, endpoint=False)
    waves = np.stack([f(h * theta) for h in HARMONICS for f in (np.cos, np.sin)], -1)
    plan = pieces.plan[i]
    mean = 0.5 * pieces.diameters_mm[i] / np.sqrt(1 + 0.5 * (plan**2).sum())
    r = mean * (1 + waves @ plan)
    p = pieces.centres_mm[i] + r[:, None] * np.stack([np.cos(theta), np.sin(theta)], -1)
    return tuple((float(x), float(y)) for x, y in p)


_NAMES = ("decoration_size", "decoration_size_cv", "ring_radius", "ring_scatter", "ring_offset", "spacing_error")
_UNITS = ("mm", "%", "mm", "mm", "mm", "deg")


def measure_pattern(
    pieces: Pieces,
    rings: tuple[Ring, ...],
    middle_mm: Array,
    expected: int | None,
    settings: PatternSettings,
    plane: Plane | None = None,
) -> tuple[list[Measurement], list[str]]:
    """All decoration quantities with their uncertainties, and why those are missing that are."""
    n = len(pieces.centres_mm)
    count = _count(n)
    if n == 0:
        return [count, _missing(0, 0.0)], [
            "No decorations stand on the top: their size, ring and spacing are left out."
        ]
    rows, warnings = [count], []
    rows.append(_missing(rings[0].missing if rings else max((expected or n) - n, 0), 0.0))
    given = 6 if rings else (2 if n > 1 else 1)
    if not rings:
        warnings.append("The decorations form no ring (fewer than three on one circle): ring and spacing are left out.")
    if rings and expected and rings[0].places != expected:
        warnings.append(f"The ring has {rings[0].places} even places where the standard asks for {expected}.")
    if rings and rings[0].doubled:
        warnings.append("Two decorations stand on one place of the ring: see where the gaps are smallest.")
    if n == 1:
        warnings.append("There is one decoration only: the spread of sizes is left out.")
    value = _values(pieces.centres_mm[None], pieces.diameters_mm[None], rings, middle_mm)[0]
    drawn = _draw(pieces, rings, middle_mm, settings, plane or Plane(np.array([0.0, 0.0, 1.0])))
    for k in range(given):
        rows.append(_row(k, value[k], drawn[:, k], settings))
    return rows, warnings


def _count(n: int) -> Measurement:
    return Measurement("decoration_count", float(n), 0.0, "1", ("top",))


def _missing(m: int, uncertainty: float) -> Measurement:
    return Measurement("decoration_missing", float(m), uncertainty, "1", ("top",))


def _values(centres: Array, diameters: Array, rings: tuple[Ring, ...], middle: Array) -> Array:
    """The six quantities (D, 6) of sets of places (D, N, 2) and sizes (D, N); members and gaps of the ring are held."""
    out = np.full((len(centres), 6), np.nan)
    out[:, 0] = diameters.mean(1)
    if diameters.shape[1] > 1:
        out[:, 1] = 100 * diameters.std(1, ddof=1) / out[:, 0]
    if rings:
        ring = rings[0]
        on = centres[:, ring.members]
        centre, radius = _circles(on, ring)
        away = on - centre[:, None]
        theta = np.arctan2(away[..., 1], away[..., 0])
        gaps = np.degrees((np.roll(theta, -1, axis=1) - theta) % (2 * np.pi))
        out[:, 2] = radius
        out[:, 3] = np.sqrt(((np.hypot(away[..., 0], away[..., 1]) - radius[:, None]) ** 2).mean(1))
        out[:, 4] = np.hypot(*(centre - middle).T)
        out[:, 5] = np.abs(gaps - ring.gap_places * 360 / ring.places).max(1)
    return out


def _circles(points: Array, ring: Ring) -> tuple[Array, Array]:
    """Geometric circles through many sets of nearly the ring's own places: Gauss-Newton from its circle."""
    centre = np.tile([ring.circle.x_mm, ring.circle.y_mm], (len(points), 1))
    radius = np.full(len(points), ring.circle.radius_mm)
    for _ in range(5):
        away = points - centre[:, None]
        d = np.hypot(away[..., 0], away[..., 1])
        jac = np.concatenate([away / d[..., None], np.ones((*d.shape, 1))], -1)
        step = np.linalg.solve(
            np.einsum("dnp,dnq->dpq", jac, jac), np.einsum("dnp,dn->dp", jac, d - radius[:, None])[..., None]
        )[..., 0]
        centre, radius = centre + step[:, :2], radius + step[:, 2]
    return centre, radius


def _draw(pieces: Pieces, rings: tuple[Ring, ...], middle: Array, settings: PatternSettings, plane: Plane) -> Array:
    """Values (draws, 6) for places and sizes as they might have been (JCGM 101; a fixed seed repeats the answer)."""
    rng = np.random.default_rng(20240229)
    draws, n = settings.draws, len(pieces.centres_mm)
    place = np.hypot(settings.place_mm, settings.place_per_rms * pieces.rms_mm)
    size = np.hypot(settings.size_mm, settings.size_per_rms * pieces.rms_mm)
    centres, diameters = np.empty((draws, n, 2)), np.empty((draws, n))
    kind = np.unique(pieces.shape_weight.round(9), axis=1, return_inverse=True)[1].ravel()
    for k in np.unique(kind):  # all pieces of one kind are of one shape
        of = np.nonzero(kind == k)[0]
        s = rng.choice(len(pieces.shape_weight), draws, p=pieces.shape_weight[:, of[0]])
        centres[:, of], diameters[:, of] = pieces.shape_centres_mm[s][:, of], pieces.shape_diameters_mm[s][:, of]
    normal = rng.standard_normal
    waist = settings.waist_share * normal((draws, 1, 1)) * (pieces.diameters_mm[:, None] * pieces.lean)
    centres = centres + waist + normal((draws, n, 2)) * place[:, None]
    fitted = plane.height_sd_mm > 0
    scale = np.hypot(settings.scale, settings.fitted_scale * fitted) * normal((draws, 1, 1))
    frame = np.hypot(settings.frame_mm, settings.fitted_frame_mm * fitted) * normal((draws, 1, 2))
    closer = plane.height_sd_mm / plane.eye_mm[2] * normal((draws, 1, 1))
    centres = centres * (1 + scale) + frame - closer * (centres - plane.eye_mm[:2])
    shrink = 1 + scale[..., 0] - closer[..., 0] + settings.size_common * normal((draws, 1))
    diameters = diameters * shrink + normal((draws, n)) * size
    return _values(centres, np.maximum(diameters, 0.1), rings, middle)


def _row(k: int, value: float, drawn: Array, settings: PatternSettings) -> Measurement:
    """One measurement. Spreads grow by noise: what the draws add to the value once is taken off, in squares.

    Of what the draws add to the ring's offset and the worst gap only half: with all of it, small ones are read as none.
    """
    pieces, beyond = float(drawn.std()), settings.beyond[k]
    u = float(np.hypot(pieces, beyond))
    interval = None
    if k in (1, 3, 4, 5):
        added = max(float((drawn**2).mean()) - value**2, 0.0)
        honest = float(np.sqrt(max(value**2 - added, 0.0)))
        value = 0.5 * (value + honest) if k in (4, 5) else honest
        if value < 4 * u:
            interval = (max(value - 2 * u, 0.0), value + 2 * u)
    budget = {"places and sizes of the pieces": pieces, "outlines and shapes": beyond}
    return Measurement(_NAMES[k], float(value), 2 * u, _UNITS[k], ("top",), interval=interval, budget=budget)
