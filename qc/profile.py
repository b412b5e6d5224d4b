"""Meridians of the side from the silhouettes: straightness, ridges, belts and grooves, the top edge's rounding.

Straightness is the peak-to-valley deviation from the least-squares line (ISO 12780-1, STRt); ridges are what the
Gaussian profile filter of ISO 16610-21 (cut-off 8 mm) takes away, as a root mean square. At the ends of the profile
the filter works about a local straight line (ISO 16610-28).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from qc.body import HIGH, LOW, Body
from qc.camera import View
from qc.clock import clock_of
from qc.finder import Finding
from qc.meridian import FitSettings, Profile, fit_profile, rays_of
from qc.outline_strip import OFFSETS_MM, SideLine, side_line
from qc.quantities import Measurement, Meridian
from qc.rounding import Rounding, RoundingSettings, fit_rounding, lowest_mm
from qc.silhouette import EdgeSettings, graze_outline, refine, strip_along, trace

Array = NDArray[np.float64]


@dataclass(frozen=True)
class ProfileSettings:
    """How meridians are measured."""

    cutoff_mm: float = 8.0  # of the Gaussian filter: what the blade leaves is finer
    random_px: float = 0.06  # standard uncertainty of an edge's place that no photo beats
    apart_mm: float = 0.5  # between the network's line and the finer one: further off it is another edge
    common_mm: float = 3.0  # over which (standard deviation) the network's line is the better one
    foot_mm: float = 3.0  # a piped border also hides what stands this close above it
    foot: float = 0.08  # probability of a piped border from which the edge is not the side's
    other: float = 0.4  # the same for decorations and the card
    least_seen: float = 0.3  # share of the height that must be seen for a meridian to be reported
    straightness_floor_mm: float = 0.13  # standard uncertainty of straightness where all is seen sharply
    ridges_floor_mm: float = 0.015  # of the ridges
    edge_floor_mm: float = 1.0  # of an edge radius
    edge_varies: float = 0.3  # relative standard deviation of the edge radius round a cake
    edge_uneven: float = 0.38  # relative standard uncertainty: wide, uneven roundings read a third too small
    lip_mm: float = 0.57  # a rim that stands higher above the top's plane leaves no rounding to speak of
    edge: EdgeSettings = field(default_factory=EdgeSettings)
    fit: FitSettings = field(default_factory=FitSettings)
    rounding: RoundingSettings = field(default_factory=RoundingSettings)


@dataclass(frozen=True)
class SideFeature:
    """The widest belt or deepest groove of one meridian, about its straight line."""

    kind: str  # "belt" or "groove"
    clock: float
    height_mm: float
    size_mm: float  # positive for a belt, negative for a groove
    filling: int | None  # number of the filling from below that it sits on, when their heights are known


@dataclass(frozen=True)
class Silhouette:
    """One silhouette of one photo, measured."""

    photo: str
    left: bool
    clock: float
    points_px: Array  # (n, 2) as found
    believed: NDArray[np.bool_]  # (n,)
    profile: Profile
    seen: float  # share of the height between LOW and HIGH at which the side is seen
    straightness_mm: float
    straightness_sigma_mm: float
    ridges_mm: float
    ridges_sigma_mm: float
    pitch_mm: float | None  # distance from ridge to ridge, where one stands out
    rounding: Rounding | None
    feature: SideFeature


@dataclass(frozen=True)
class ProfileResult:
    """What the silhouettes tell of the side."""

    meridians: tuple[Meridian, ...]
    measurements: tuple[Measurement, ...]
    features: tuple[SideFeature, ...]  # largest first
    lip_mm: float | None  # mean height of the rim above the top's plane
    silhouettes: tuple[Silhouette, ...]
    warnings: tuple[str, ...]


def gaussian_smooth(z_mm: Array, values: Array, cutoff_mm: float = 8.0) -> Array:
    """Smooth part of profiles by the Gaussian filter with a local straight line at the ends.

    Parameters
    ----------
    z_mm : ndarray, shape (m,)
        Places, evenly spaced or not.
    values : ndarray, shape (..., m)
    cutoff_mm : float
        Wavelength at which a sine keeps half of its amplitude.

    Returns
    -------
    ndarray, shape (..., m)

    Notes
    -----
    Weighting function of ISO 16610-21:2011, formula (1), with alpha of formula (2); degree 1 of ISO 16610-28.
    """
    alpha = np.sqrt(np.log(2) / np.pi)  # (2)
    d = z_mm[None, :] - z_mm[:, None]
    w = np.exp(-np.pi * (d / (alpha * cutoff_mm)) ** 2)  # (1)
    s0, s1, s2 = w.sum(1), (w * d).sum(1), (w * d * d).sum(1)
    kernel = w * (s2[:, None] - s1[:, None] * d) / (s0 * s2 - s1**2)[:, None]
    return np.asarray(values @ kernel.T)


def off_line(z_mm: Array, values: Array) -> Array:
    """Deviation (..., m) of profiles from their least-squares lines (ISO 12780-1, LSLI)."""
    basis = np.stack([np.ones_like(z_mm), z_mm - z_mm.mean()], 1)
    coefficients = np.linalg.lstsq(basis, np.atleast_2d(values).T, rcond=None)[0]
    return np.asarray(values - (basis @ coefficients).T.reshape(np.shape(values)))


def straightness(z_mm: Array, values: Array) -> Array:
    """Peak-to-valley straightness deviation (...) of profiles (..., m): STRt of ISO 12780-1."""
    return np.asarray(np.ptp(off_line(z_mm, values), axis=-1))


def ridge_rms(z_mm: Array, values: Array, cutoff_mm: float = 8.0) -> Array:
    """Root mean square (...) of what the Gaussian filter takes away from profiles (..., m)."""
    rest = off_line(z_mm, values)
    return np.asarray(np.sqrt(((rest - gaussian_smooth(z_mm, rest, cutoff_mm)) ** 2).mean(-1)))


def measure_profiles(
    photos: Mapping[str, NDArray[np.uint8]],
    views: Mapping[str, View],
    body: Body,
    findings: Mapping[str, Finding],
    fillings_mm: Sequence[float] = (),
    settings: ProfileSettings | None = None,
) -> ProfileResult:
    """Measure the meridians that the side photos show.

    Parameters
    ----------
    photos : mapping of str to ndarray, shape (H, W, 3), uint8
        Upright RGB photos; "side" and "side2" are used.
    views : mapping of str to View
        Their cameras in the cake frame.
    body : Body
        The fitted cake.
    findings : mapping of str to Finding
        What the photos show, for borders, decorations and the card in front of the side.
    fillings_mm : sequence of float
        Heights of the fillings above the board, when the house standard gives a layer plan.
    """
    settings = settings or ProfileSettings()
    found, warnings = [], []
    for name in ("side", "side2"):
        if name not in photos or name not in views:
            continue
        for left in (True, False):
            rng = np.random.default_rng(2 * (name == "side2") + left)  # draws are the same for the same photo
            one = _silhouette(name, photos[name], views[name], body, findings.get(name), left, rng, settings)
            where = f"{'left' if left else 'right'} edge of the {name} photo"
            if one is None or one.seen < settings.least_seen:
                warnings.append(f"The {where} hardly shows the side (covered or too faint): no profile there.")
                continue
            if one.straightness_mm > np.ptp(OFFSETS_MM):  # more than the strip holds: lost on the way
                warnings.append(f"The {where} could not be told from what is behind it: no profile there.")
                continue
            if one.seen < 0.7:
                warnings.append(f"Only {100 * one.seen:.0f} % of the side's height is seen at the {where}.")
            found.append(_with_filling(one, fillings_mm))
    return _collect(found, warnings, body, settings)


def _covered(line: SideLine, finding: Finding | None, settings: ProfileSettings) -> NDArray[np.bool_]:
    """Points (n,) near which something else stands in front of the side's edge or makes it."""
    bad, border = np.zeros((2, len(line.good)), bool)
    if finding is None:
        return bad
    foot, decoration, card = (finding.probability(k) for k in ("foot_border", "decoration", "card"))
    for mm in (-3.0, -1.5, 0.0, 1.0, 2.0):
        at = np.round(finding.to_net(line.points_px + mm * line.px_per_mm * line.normal_px)).astype(int)
        y, x = np.clip(at[:, 1], 0, foot.shape[0] - 1), np.clip(at[:, 0], 0, foot.shape[1] - 1)
        border |= foot[y, x] > settings.foot
        if abs(mm) < 1.6:
            bad |= (decoration[y, x] > settings.other) | (card[y, x] > settings.other)
    reach = max(1, int(settings.foot_mm / line.row_mm))
    bad = np.convolve(bad, np.ones(2 * reach + 1), "same") > 0
    border[len(border) // 2 :] = False  # a border at the foot hides all below its top
    if border.any():
        bad[: int(np.flatnonzero(border)[-1]) + reach] = True
    return np.asarray(bad)


def _finer(
    pixels: NDArray[np.uint8], line: SideLine, settings: ProfileSettings
) -> tuple[Array, Array, NDArray[np.bool_]]:
    """Points (n, 2) of a silhouette, their standard uncertainty (n,) in mm and whether they count (n,).

    The network sees where the side's edge is; what is finer than that it smoothes. So each row is matched to its
    neighbours' mean about the network's line, and what lies between the two lines, averaged, is taken off.
    """
    strip = strip_along(pixels, line.points_px, line.normal_px, line.px_per_mm, settings.edge)
    edge = refine(strip, trace(strip, settings.edge), settings.edge)
    off = edge.edge_px / line.px_per_mm
    both = line.good & edge.good & (np.abs(off) < settings.apart_mm)
    wide = settings.common_mm / line.row_mm
    weight = gaussian_filter1d(both.astype(float), wide)
    common = gaussian_filter1d(np.where(both, off, 0.0), wide) / np.maximum(weight, 1e-6)
    fine = np.where(both, off - common, 0.0)
    points = line.points_px + (fine * line.px_per_mm)[:, None] * line.normal_px
    sigma = np.where(both, np.hypot(settings.random_px, edge.sigma_px), line.px_per_mm * line.sigma_mm) / line.px_per_mm
    return points, sigma, line.good


def _silhouette(
    name: str,
    pixels: NDArray[np.uint8],
    view: View,
    body: Body,
    finding: Finding | None,
    left: bool,
    rng: np.random.Generator,
    settings: ProfileSettings,
) -> Silhouette | None:
    """One silhouette from its pixels to its numbers; None where too little of it can be seen."""
    line = side_line(pixels, finding, view, body, left)
    points, sigma, good = _finer(pixels, line, settings)
    good &= ~_covered(line, finding, settings)
    rays, height = rays_of(view, points, body), body.height_mm
    usable = good & (rays.z_mm > LOW * height - 2) & (rays.z_mm < HIGH * height + 2)
    if usable.sum() < 20:
        return None
    profile = fit_profile(
        rays.some(good), sigma[good], (LOW - 0.04) * height, (HIGH + 0.05) * height, rng, settings.fit
    )
    upper = good & (rays.z_mm > lowest_mm(body, settings.rounding))
    rounding = fit_rounding(view, body, points[upper], 1 / sigma[upper], profile, settings.rounding)
    outline = graze_outline(view, body, left, settings.edge).points_mm
    point = outline[np.abs(outline[:, 2] - 0.5 * height).argmin()]
    clock = float(clock_of(np.arctan2(point[1], point[0])))
    return _numbers(name, left, clock, points, good, profile, rounding, body, settings)


def _numbers(
    name: str,
    left: bool,
    clock: float,
    points: Array,
    good: NDArray[np.bool_],
    profile: Profile,
    rounding: Rounding | None,
    body: Body,
    settings: ProfileSettings,
) -> Silhouette:
    """The quantities of one profile between LOW and HIGH of the height."""
    height = body.height_mm
    z = np.linspace(LOW * height, HIGH * height, int((HIGH - LOW) * height / settings.fit.grid_mm) + 1)
    mean = np.interp(z, profile.z_mm, profile.radius_mm)
    draws = np.array([np.interp(z, profile.z_mm, d) for d in profile.draws_mm])
    touched = profile.z_mm[profile.seen]
    gaps = np.abs(z[:, None] - touched[None, :]).min(1) if len(touched) else np.full(len(z), np.inf)
    known = (z > touched.min() - 1.5) & (z < touched.max() + 1.5) if len(touched) else np.ones(len(z), bool)
    each = straightness(z[known], draws[:, known])  # a hidden foot is not guessed at; the uncertainty allows for it
    fine = ridge_rms(z[known], draws[:, known], settings.cutoff_mm)
    line = float(straightness(z[known], mean[known]))
    smooth = gaussian_smooth(z, off_line(z, mean), settings.cutoff_mm)
    at = int(np.where(known, np.abs(smooth), 0).argmax())
    feature = SideFeature("belt" if smooth[at] > 0 else "groove", clock, float(z[at]), float(smooth[at]), None)
    ridges = float(np.sqrt((fine**2).mean()))
    return Silhouette(
        name,
        left,
        clock,
        points,
        good,
        Profile(z, mean, draws, profile.misfit, gaps < 1.5, profile.kept),
        float((gaps < 1.5).mean()),
        line,
        float(each.std() + 0.3 * max(each.mean() - line, 0)),
        ridges,
        float(fine.std()),
        _pitch(z, off_line(z, mean) - smooth, ridges),
        rounding,
        feature,
    )


def _pitch(z: Array, fine: Array, ridges_mm: float) -> float | None:
    """Distance from ridge to ridge: the strongest wave of the fine part, where it holds a third of its power."""
    if len(z) < 40 or ridges_mm < 0.015:
        return None
    step, window = z[1] - z[0], np.hanning(len(z))
    power = np.abs(np.fft.rfft(fine * window, 8 * len(z))) ** 2
    wave = np.fft.rfftfreq(8 * len(z), step)
    fair = (wave > 1 / 14) & (wave < 1 / 2)
    top = int(np.where(fair, power, 0).argmax())
    near = np.abs(wave - wave[top]) < 1.5 / (z[-1] - z[0])
    return float(1 / wave[top]) if power[near & fair].sum() > 0.33 * power[fair].sum() else None


def _with_filling(one: Silhouette, fillings_mm: Sequence[float]) -> Silhouette:
    """The silhouette with its belt or groove put to the filling that it sits on (within 6 mm)."""
    near = [abs(h - one.feature.height_mm) for h in fillings_mm]
    if not near or min(near) > 6:
        return one
    f = one.feature
    named = SideFeature(f.kind, f.clock, f.height_mm, f.size_mm, int(np.argmin(near)) + 1)
    return Silhouette(**{**vars(one), "feature": named})


def _collect(found: list[Silhouette], warnings: list[str], body: Body, settings: ProfileSettings) -> ProfileResult:
    """All silhouettes together."""
    if not found:
        warnings.append("Side straightness, ridges and edge radius are left out: no side edge could be followed.")
        return ProfileResult((), (), (), None, (), tuple(warnings))
    rows: list[Measurement] = []
    for name in ("side_straightness", "side_ridges"):
        rows += _largest(name, found, settings)
    edges, lip = _edge_rows(found, warnings, settings)
    rows += edges
    meridians = tuple(
        Meridian(s.clock, s.photo, tuple(map(float, s.profile.z_mm)), tuple(map(float, s.profile.radius_mm)))
        for s in found
    )
    features = tuple(sorted((s.feature for s in found), key=lambda f: -abs(f.size_mm)))
    return ProfileResult(meridians, tuple(rows), features, lip, tuple(found), tuple(warnings))


def _row_sigma(name: str, s: Silhouette, settings: ProfileSettings) -> tuple[float, float]:
    """Value and standard uncertainty of one silhouette's quantity."""
    hidden = 1 - s.seen
    noise = float(np.median(s.profile.draws_mm.std(0)))
    if name == "side_straightness":
        value = s.straightness_mm
        sigma = np.hypot(s.straightness_sigma_mm, settings.straightness_floor_mm + 0.15 * value + 0.8 * noise)
        return value, float(np.hypot(sigma, 0.5 * hidden))
    value = s.ridges_mm
    return value, float(np.hypot(s.ridges_sigma_mm, settings.ridges_floor_mm + 0.18 * value + 0.15 * noise))


def _largest(name: str, found: list[Silhouette], settings: ProfileSettings) -> list[Measurement]:
    """One row for each silhouette and the overall row: the largest."""
    both = [_row_sigma(name, s, settings) for s in found]
    rows = []
    for s, (value, sigma) in zip(found, both, strict=True):
        note = f"ridges {s.pitch_mm:.1f} mm apart" if name == "side_ridges" and s.pitch_mm else None
        rows.append(Measurement(name, value, 2 * sigma, "mm", (s.photo,), note, s.clock))
    k = int(np.argmax([value - sigma for value, sigma in both]))  # the largest that is sure to be large
    photos = tuple(sorted({s.photo for s in found}))
    note = f"largest, at {found[k].clock:.1f} o'clock"
    if name == "side_straightness":
        f = found[k].feature
        note += f"; {f.kind} of {abs(f.size_mm):.1f} mm, {f.height_mm:.0f} mm above the board"
        note += f", at filling {f.filling} from below" if f.filling else ""
    elif found[k].pitch_mm:
        note += f"; ridges {found[k].pitch_mm:.1f} mm apart"
    return [Measurement(name, both[k][0], 2 * both[k][1], "mm", photos, note), *rows]


def _edge_rows(
    found: list[Silhouette], warnings: list[str], settings: ProfileSettings
) -> tuple[list[Measurement], float | None]:
    """Rows of the edge radius, the mean first, and the rim's mean height above the top's plane."""
    seen = [(s, s.rounding) for s in found if s.rounding is not None and s.rounding.sigma_mm < 3]
    if not seen:
        warnings.append("Edge radius is left out: no silhouette shows the rounding of the top edge.")
        return [], None
    radius = np.array([r.radius_mm for _, r in seen])
    sigma = np.hypot([r.sigma_mm for _, r in seen], settings.edge_floor_mm)
    weight = 1 / ((sigma / radius) ** 2 + settings.edge_varies**2)  # relative, or small radii would always win
    mean, lip = (float((weight * v).sum() / weight.sum()) for v in (radius, np.array([r.lip_mm for _, r in seen])))
    if lip > settings.lip_mm:
        warnings.append(f"Edge radius is left out: a lip of about {lip:.1f} mm above the top leaves no rounding.")
        return [], lip
    spread = float(np.sqrt((weight * (radius - mean) ** 2).sum() / weight.sum())) if len(seen) > 1 else mean / 4
    u = float(np.sqrt(1 / (1 / sigma**2).sum() + (0.5 * spread) ** 2 + (settings.edge_uneven * mean) ** 2))
    photos = tuple(sorted({s.photo for s, _ in seen}))
    rows = [Measurement("edge_radius", mean, 2 * u, "mm", photos, f"mean of {len(seen)} places")]
    for (s, r), one in zip(seen, sigma, strict=True):
        u = 2 * float(np.hypot(one, settings.edge_varies * r.radius_mm))
        rows.append(Measurement("edge_radius", r.radius_mm, u, "mm", (s.photo,), None, s.clock))
    return rows, lip
