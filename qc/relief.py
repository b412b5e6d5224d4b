"""How wavy side and top are: an index, and a map to look at.

How much relief there is between 2 and 20 mm wavelength the surface network says (`qc.surface_net`), place by place, but
not more than the shading allows; on the side it is weighed with the silhouettes, which show four meridians of it.

The map is from shading. A surface that leans towards the light is lighter: for gentle relief the logarithm of the unlit
picture is the slope along the light's direction times a constant that depends on how directed the light is (linear
shape from shading; Pentland, 1990). Kitchen lamps hang overhead, so on the side the slope is the one up the side, on
the top the one towards or away from the middle. The slope is summed up along that direction and kept between the same
wavelengths; the constant is a kitchen's usual one, drawn towards the index.

Dark icing mirrors the room and shows lamps, not relief: no map is drawn of it, nor where it is burnt out, and it is
said to be so.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.body import Body
from qc.face import Face
from qc.profile import ProfileResult, gaussian_smooth, off_line
from qc.quantities import Measurement
from qc.shading import channel_mean
from qc.surface_net import PX_PER_MM, RELIEF_PX_PER_MM
from qc.unroll import SidePicture

Array = NDArray[Any]
SIGMA_OF_CUTOFF = 0.1874  # standard deviation of the Gaussian filter over its cut-off (ISO 16610-21)


@dataclass(frozen=True)
class ReliefSettings:
    """How relief is read."""

    coarser: int = 2  # the map's pixel over the flattened picture's
    shortest_mm: float = 2.0
    longest_mm: float = 20.0
    side_gain: float = 0.45  # log light per unit of slope on the side, from rendered kitchens; for the map
    top_gain: float = 0.33  # the same on the top, whose light comes from all round
    least_scale: float = 0.33  # of what the map is drawn towards the index by
    most: float = 2.5  # times what shading alone says: the network's limit (120 sides say up to 1.9, 59 of 60 tops 2.6)
    side_sigma: float = 0.32  # standard deviation of the logarithm of the network's side, 60 rendered cakes that
    top_sigma: float = 0.42  # taught it nothing; of its top
    silhouette_sigma: float = 0.55  # of the silhouettes' relief as a sample of the whole side's
    facing: float = 0.45  # cosine from which the map shows the side
    largest: float = 0.7  # log light: beyond, a lamp is mirrored or a shadow thrown
    margin_mm: float = 3.0  # next to what can't be read the filters see too little
    least_mm2: float = 400.0  # of bare icing from which a face has an index


@dataclass(frozen=True)
class ReliefMap:
    """Relief of one face, as read from its shading.

    Attributes
    ----------
    height_mm : ndarray, shape (rows, cols)
        Outwards positive; NaN where it can't be read. The side as in `qc.unroll.SidePicture`; the top unrolled about
        its middle: columns are directions (counter-clockwise from +X), rows run from the rim to the middle.
    """

    photo: str
    height_mm: Array
    px_per_mm: float
    unreadable: float  # share of the face that mirrors lamps or lies in shadow
    pitch_mm: float | None


@dataclass(frozen=True)
class ReliefResult:
    """Relief index of side and top."""

    measurements: tuple[Measurement, ...]
    maps: tuple[ReliefMap, ...]
    warnings: tuple[str, ...]


def measure_relief(
    faces: Sequence[Face], body: Body, profiles: ProfileResult | None = None, settings: ReliefSettings | None = None
) -> ReliefResult:
    """Read the relief of side and top.

    Parameters
    ----------
    faces : sequence of Face
        What each flattened photo shows.
    body : Body
    profiles : ProfileResult, optional
        The silhouettes of the side.
    """
    settings = settings or ReliefSettings()
    maps = [_map(f, body, settings) for f in faces if not f.mirrors]
    warnings = [
        f"{100 * m.unreadable:.0f} % of the icing in the {m.photo} photo lies in glare or shadow: "
        "no relief is read there."
        for m in maps
        if m.unreadable > 0.15
    ]
    if any(f.mirrors for f in faces):
        warnings.append("This icing mirrors the room: how uneven it is can be told roughly, and no map of it is drawn.")
    rows, scaled = [], []
    for name, group in (
        ("side_relief", [f for f in faces if f.photo != "top"]),
        ("top_relief", [f for f in faces if f.photo == "top"]),
    ):
        own = [m for m in maps if m.photo in [f.photo for f in group]]
        row = _row(name, group, own, profiles if name == "side_relief" else None, settings)
        rows += [row] if row else []
        scaled += [_scaled(m, row.value if row else np.nan, settings) for m in own]
    return ReliefResult(tuple(rows), tuple(scaled), tuple(warnings))


def network_relief(face: Face, settings: ReliefSettings) -> float:
    """Root-mean-square relief (mm) of one face's bare icing as the network says; NaN where too little is seen."""
    step = PX_PER_MM // RELIEF_PX_PER_MM
    said, bare = face.answer.relief_mm, face.valid[::step, ::step]
    rows, cols = np.minimum(said.shape, bare.shape)
    inside = said[:rows, :cols][bare[:rows, :cols]]
    enough = len(inside) >= settings.least_mm2 * RELIEF_PX_PER_MM**2
    return float(np.sqrt((inside**2).mean())) if enough else np.nan


def _row(
    name: str, faces: list[Face], maps: list[ReliefMap], profiles: ProfileResult | None, settings: ReliefSettings
) -> Measurement | None:
    """The index of side or top: the network's, weighed with the silhouettes'."""
    shaded = {m.photo: settings.most * _rms(m.height_mm) for m in maps if np.isfinite(m.height_mm).any()}
    read = np.array([np.minimum(network_relief(f, settings), shaded.get(f.photo, np.inf)) for f in faces])
    photos = tuple(f.photo for f, v in zip(faces, read, strict=True) if np.isfinite(v))
    read, sigma = read[np.isfinite(read)], settings.side_sigma if name == "side_relief" else settings.top_sigma
    parts = [(float(np.log(np.sqrt((read**2).mean()))), sigma)] if len(read) else []
    known = silhouette_relief(profiles, settings)
    if known is not None and profiles is not None:
        parts.append((float(np.log(known)), settings.silhouette_sigma))
        photos = photos or tuple(sorted({s.photo for s in profiles.silhouettes}))
    if not parts:
        return None
    log, sigmas = np.array(parts).T
    value = float(np.exp((log / sigmas**2).sum() / (1 / sigmas**2).sum()))
    note = "an estimate from shading" if len(read) else "from the silhouettes only"
    pitch = next((m.pitch_mm for m in maps if m.pitch_mm), None)
    if pitch:
        note += f"; {'ridges' if name == 'side_relief' else 'rings'} about {pitch:.0f} mm apart"
    worst = float(sigmas.min())  # both are misled by the same light, so neither makes the other surer
    low, high = value * np.exp(-2 * worst), value * np.exp(2 * worst) + 0.01
    return Measurement(name, value, 2 * worst * value + 0.02, "mm", photos, note, interval=(float(low), float(high)))


# ---------------------------------------------------------------- the map
def _map(face: Face, body: Body, settings: ReliefSettings) -> ReliefMap:
    """Relief of one face from its shading, at the usual gain."""
    size = tuple(v // settings.coarser for v in face.valid.shape[::-1])
    light = cv2.resize(channel_mean(face.unlit.log), size, interpolation=cv2.INTER_AREA)
    scale = face.picture.px_per_mm / settings.coarser
    if isinstance(face.picture, SidePicture):
        valid = face.valid & (face.picture.facing > settings.facing)
        ok = cv2.resize(valid.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) > 0
        return _relief(face.photo, light, ok, scale, settings.side_gain, settings)
    bare = cv2.resize(face.valid.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST)
    middle, outer = (size[0] - 1) / 2, body.radius_mm * scale
    radius = np.arange(outer, 0.15 * outer, -1.0, dtype=np.float32)[:, None]
    turn = np.arange(0, 2 * np.pi, 1 / (0.6 * outer), dtype=np.float32)[None, :]
    x, y = middle + radius * np.cos(turn), middle - radius * np.sin(turn)
    unrolled = cv2.remap(light, x, y, cv2.INTER_LINEAR)
    seen = cv2.remap(bare, x, y, cv2.INTER_NEAREST) > 0
    return _relief(face.photo, unrolled, seen, scale, settings.top_gain, settings)


def _scaled(relief: ReliefMap, index_mm: float, settings: ReliefSettings) -> ReliefMap:
    """The map as high as the index says."""
    factor = index_mm / max(_rms(relief.height_mm), 1e-6)
    if not np.isfinite(factor):
        return relief
    return replace(relief, height_mm=relief.height_mm * np.clip(factor, settings.least_scale, 1 / settings.least_scale))


def _relief(
    name: str, light: Array, valid: NDArray[np.bool_], scale: float, gain: float, settings: ReliefSettings
) -> ReliefMap:
    """Relief along the columns of a picture of log light, at scale pixels per mm."""
    glare = valid & (np.abs(light) > settings.largest)
    ok = valid & (np.abs(light) <= settings.largest)
    slope = np.where(ok, light, 0) - _smooth(light, ok, settings.longest_mm * scale)
    height = np.cumsum(np.where(ok, slope, 0), axis=0) / scale / gain
    # a longer wave than the wanted ones, left by summing up, is taken off along the columns only
    height = height - _smooth(height, ok, settings.longest_mm * scale, along=True)
    height = _smooth(height, ok, settings.shortest_mm * scale)
    margin = 2 * round(settings.margin_mm * scale) + 1
    ok = cv2.erode(ok.astype(np.uint8), np.ones((margin, margin), np.uint8), borderValue=0) > 0
    height[~ok] = np.nan
    share = float(glare.sum() / max(valid.sum(), 1))
    return ReliefMap(name, height, scale, share, _pitch(height, scale))


def _smooth(values: Array, ok: NDArray[np.bool_], cutoff_px: float, along: bool = False) -> Array:
    """Gaussian filter of a picture with holes."""
    sigma = SIGMA_OF_CUTOFF * cutoff_px
    spread = (1e-3, sigma) if along else (sigma, sigma)
    weight = cv2.GaussianBlur(ok.astype(np.float32), (0, 0), spread[0], sigmaY=spread[1])
    total = cv2.GaussianBlur(np.where(ok, values, 0).astype(np.float32), (0, 0), spread[0], sigmaY=spread[1])
    return np.asarray(total / np.maximum(weight, 1e-3))


def _pitch(height: Array, px_per_mm: float) -> float | None:
    """Distance from ridge to ridge down the columns, where one wave holds a third of the power."""
    filled = np.nan_to_num(height[:, ::4] * np.hanning(len(height))[:, None])
    power = (np.abs(np.fft.rfft(filled, 4 * len(height), axis=0)) ** 2).sum(1)
    wave = np.fft.rfftfreq(4 * len(height), 1 / px_per_mm)
    fair = (wave > 1 / 15) & (wave < 1 / 2)
    if not power[fair].sum():
        return None
    top = int(np.where(fair, power, 0).argmax())
    near = np.abs(wave - wave[top]) < 2 * px_per_mm / len(height)
    return float(1 / wave[top]) if power[near & fair].sum() > 0.33 * power[fair].sum() else None


def _rms(height: Array) -> float:
    return float(np.sqrt(np.nanmean(height**2))) if np.isfinite(height).any() else np.nan


def silhouette_relief(profiles: ProfileResult | None, settings: ReliefSettings) -> float | None:
    """Relief (mm) of the silhouettes between the two wavelengths, what noise adds taken out; None without any."""
    power = []
    for s in profiles.silhouettes if profiles else ():
        z, draws = s.profile.z_mm, off_line(s.profile.z_mm, s.profile.draws_mm)
        band = gaussian_smooth(z, draws, settings.shortest_mm) - gaussian_smooth(z, draws, settings.longest_mm)
        inner = s.profile.seen
        if inner.sum() > 20:
            power.append(float((band[:, inner] ** 2).mean()))
    return float(np.sqrt(np.quantile(power, 0.3))) if power else None  # what misleads an edge adds to it
