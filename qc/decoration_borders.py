"""Borders of touching shells or pearls round the foot or on the rim: how many, how far apart, how evenly."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d, uniform_filter1d
from scipy.signal import find_peaks

from qc.body import Body
from qc.camera import View
from qc.finder import FOOT_BORDER, Finding
from qc.quantities import Measurement

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Border:
    """One piped border.

    Attributes
    ----------
    place : "foot" or "rim"
    count : shells all round, as the pitch of those seen says
    count_uncertainty : expanded (k = 2)
    pitch_mm, pitch_uncertainty_mm : middle to middle along the border, and its expanded uncertainty
    pitch_cv_percent : spread of the single pitches, robust; None where fewer than eight are seen in a row
    seen_share : share of the way round that the photo shows
    photo : the photo that shows it
    """

    place: str
    count: int
    count_uncertainty: float
    pitch_mm: float
    pitch_uncertainty_mm: float
    pitch_cv_percent: float | None
    seen_share: float
    photo: str = "top"


@dataclass(frozen=True)
class BorderSettings:
    """Limits of the search."""

    angles: int = 2400  # places round the foot: a shell of 6 mm on a 16 cm cake spans 28 of them
    height_mm: float = 4.0  # over the board at which the border is looked at first
    height_share: float = 0.75  # of the pitch: height of the shells' bright middles, where it is looked at again
    inside_mm: float = 3.0  # of the wall's foot, to ...
    outside_mm: float = 15.0  # ... this far outside
    smallest_mm: float = 5.0  # pitch
    largest_mm: float = 22.0
    least_score: float = 0.2  # of the repetition, 0 (none) to 2 (perfect); 19 rendered borders read right down to 0.1
    least_shells: float = 5.0  # that must be in sight


_LINEAR = (np.arange(256) / 255) ** 2.2  # near enough to the sRGB curve for finding edges
READING_CV_PERCENT = 4.0  # standard uncertainty of the spread of pitches by where a shell's middle is read: over 19
# rendered borders, all of them with about 7 % in truth, the surest photo's came to 5 to 16 %, 10 % in the middle


def surest_foot(
    photos: Mapping[str, NDArray[np.uint8]], views: Mapping[str, View], body: Body, findings: Mapping[str, Finding]
) -> Border | None:
    """The border at the foot as the photo that counts it most surely shows it."""
    seen = {n: foot_border(photos[n], view, body, findings[n]) for n, view in views.items()}
    found = [replace(border, photo=n) for n, border in seen.items() if border is not None]
    return min(found, key=lambda b: b.count_uncertainty / b.count, default=None)


def border_rows(borders: Sequence[Border]) -> list[Measurement]:
    """Count, pitch and the pitch's spread of each border, expanded uncertainties (k = 2)."""
    rows = []
    for b in borders:
        photos = (b.photo,)
        note = f"{100 * b.seen_share:.0f} % of the way round is seen" if b.seen_share < 1 else None
        counted = float(np.ceil(b.count_uncertainty))
        rows.append(Measurement(f"{b.place}_shells", float(b.count), counted, "1", photos, note))
        rows.append(Measurement(f"{b.place}_pitch", float(b.pitch_mm), float(b.pitch_uncertainty_mm), "mm", photos))
        if b.pitch_cv_percent is not None:
            sampled = b.pitch_cv_percent / np.sqrt(max(b.seen_share * b.count, 1.0))
            u = 2 * float(np.hypot(sampled, READING_CV_PERCENT))
            within = (max(b.pitch_cv_percent - u, 0.0), b.pitch_cv_percent + u)
            rows.append(Measurement(f"{b.place}_pitch_cv", b.pitch_cv_percent, u, "%", photos, interval=within))
    return rows


def foot_border(
    pixels: NDArray[np.uint8], view: View, body: Body, finding: Finding, settings: BorderSettings | None = None
) -> Border | None:
    """The border at the foot, or None where none is seen well enough to count."""
    settings = settings or BorderSettings()
    girth = 2 * np.pi * body.radius_mm
    shells = np.arange(girth / settings.largest_mm, girth / settings.smallest_mm, 0.25)
    height, count = settings.height_mm, 0.0
    for _ in range(2):  # seen too low, shells would seem nearer together where the lens looks from outside
        signal, seen = _along_foot(pixels, view, body, finding, height, settings)
        score = _repetition(signal, shells)
        best = int(score.argmax())
        count = float(shells[best])
        if seen.mean() * shells[0] < 1.0 or score[best] < settings.least_score:
            return None
        if seen.mean() * count < settings.least_shells:
            return None
        height = settings.height_share * girth / count
    peaks = _peaks(signal, seen, count)
    steps = _steps(peaks, seen, count)
    pitch_angles = settings.angles / count
    cv, spread = None, 0.06 * pitch_angles
    if len(steps) >= 8:
        middle = float(np.median(steps))
        spread = 1.4826 * float(np.median(np.abs(steps - middle)))
        cv = 100 * spread / middle
    # n shells in sight fix the mean pitch to spread / n where each is set by eye on an even row, to spread / sqrt(n)
    # where each is set by the last one: hands do something between; what is hidden is taken to be like what is seen
    u = float(0.5 * spread / pitch_angles / np.sqrt(max(seen.mean() * count, 1.0))) + 0.008
    pitch = girth / count
    return Border("foot", round(count), 2 * u * count, pitch, 2 * u * pitch, cv, float(seen.mean()))


def _along_foot(
    pixels: NDArray[np.uint8], view: View, body: Body, finding: Finding, height_mm: float, settings: BorderSettings
) -> tuple[Array, NDArray[np.bool_]]:
    """Lightness along the border (angles,) without its slow changes, and where the border is seen."""
    theta = 2 * np.pi * np.arange(settings.angles) / settings.angles
    out = np.arange(-settings.inside_mm, settings.outside_mm, 0.5)
    r = body.side_radius_mm(theta, np.full_like(theta, height_mm))[:, None] + out
    z = np.full_like(r, height_mm)
    places = np.stack([r * np.cos(theta)[:, None], r * np.sin(theta)[:, None], z], -1)
    q = view.project(places).astype(np.float32)
    net = finding.to_net(np.asarray(q.reshape(-1, 2), float)).reshape(q.shape).astype(np.float32)
    border = cv2.remap(finding.probabilities[FOOT_BORDER], net[..., 0], net[..., 1], cv2.INTER_LINEAR)
    seen = uniform_filter1d(border.max(1), settings.angles // 96, mode="wrap") > 0.5
    light = _LINEAR[cv2.remap(pixels, q[..., 0], q[..., 1], cv2.INTER_LINEAR)].mean(-1)
    weight = border.mean(0) / max(float(border.mean(0).sum()), 1e-9)
    line = np.log(light + 0.02) @ weight
    line = line - gaussian_filter1d(line, settings.angles / 40, mode="wrap")
    return np.where(seen, line, 0.0), seen


def _repetition(signal: Array, shells: Array) -> Array:
    """How much the line is like itself one, two and three pitches on, and unlike half a pitch between."""
    n = len(signal)
    power = np.abs(np.fft.rfft(signal)) ** 2
    like = np.fft.irfft(power, n)
    if like[0] <= 0:
        return np.zeros(len(shells))
    step = n / shells[:, None]
    at = lambda k: np.interp(k * step, np.arange(n), like).mean(1)  # noqa: E731
    return np.asarray((at(np.array([1.0, 2, 3])) - at(np.array([0.5, 1.5, 2.5]))) / like[0])


def _peaks(signal: Array, seen: NDArray[np.bool_], count: float) -> Array:
    """Angle indices of the shells' bright middles."""
    pitch = len(signal) / count
    smooth = gaussian_filter1d(signal, 0.16 * pitch, mode="wrap")
    found, _ = find_peaks(smooth, distance=max(1, int(0.6 * pitch)))
    found = found[seen[found] & (found > 0) & (found < len(signal) - 1)]
    a, b, c = smooth[found - 1], smooth[found], smooth[found + 1]
    return np.asarray(found + 0.5 * (a - c) / np.minimum(a - 2 * b + c, -1e-12), float)


def _steps(peaks: Array, seen: NDArray[np.bool_], count: float) -> Array:
    """Distances of neighbouring peaks that have nothing hidden between them."""
    pitch = len(seen) / count
    steps = np.diff(peaks)
    whole = np.array([seen[int(p) : int(q) + 1].all() for p, q in pairwise(peaks)], bool)
    return np.asarray(steps[whole & (steps > 0.5 * pitch) & (steps < 1.5 * pitch)], float)
