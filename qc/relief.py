"""How wavy side and top are between the silhouettes, from their shading: an index, and a map to look at.

A surface that leans towards the light is lighter: for gentle relief the logarithm of the unlit picture is the slope
along the light's direction times a constant that depends on how directed the light is (linear shape from shading;
Pentland, 1990). Kitchen lamps hang overhead, so on the side the slope is the one up the side, on the top the one
towards or away from the middle. The slope is summed up along that direction and kept between 2 and 20 mm wavelength.
The constant is a kitchen's usual one, drawn towards the silhouettes, where the relief is measured in millimetres.

Icing that mirrors the room shows lamps, not relief: dark icing and burnt-out places are left out, and said to be.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.body import Body
from qc.camera import View
from qc.colour import luminance
from qc.finder import Finding
from qc.masks import MaskSettings, side_valid, top_valid
from qc.profile import ProfileResult, gaussian_smooth, off_line
from qc.quantities import Measurement
from qc.rows import channel_mean
from qc.shading import ShadingSettings, remove_light
from qc.silhouette import LINEAR
from qc.unroll import side_picture, top_picture

Array = NDArray[Any]
SIGMA_OF_CUTOFF = 0.1874  # standard deviation of the Gaussian filter over its cut-off (ISO 16610-21)


@dataclass(frozen=True)
class ReliefSettings:
    """How shading becomes relief."""

    px_per_mm: float = 2.0
    shortest_mm: float = 2.0
    longest_mm: float = 20.0
    side_gain: float = 0.45  # log light per unit of slope on the side, from rendered kitchens
    top_gain: float = 0.33  # the same on the top, whose light comes from all round; for the map
    gain_sigma: float = 0.45  # standard deviation of the logarithm of either
    silhouette_sigma: float = 0.25  # of the silhouettes' relief as a sample of the whole side's
    least_light: float = 0.30  # of the lightest in the photo (paper): darker icing mirrors as much as it shows
    ring_mm: float = 14.0  # standard deviation along the rings of the top: noise and roughness do not run on that far
    ring_light: float = 0.4  # log light: beyond, a piece on the top throws its shadow
    ring_margin_mm: float = 2.0  # from such shadows
    ring_slope: float = 0.125  # log light of rings per mm of relief (upper quartile of sectors), rendered cakes
    sectors: int = 12  # of the top; rings show where they lie across the light
    sector_quantile: float = 0.75
    largest: float = 0.7  # log light: beyond, a lamp is mirrored or a shadow thrown
    margin_mm: float = 3.0  # next to what can't be read the filters see too little
    masks: MaskSettings = field(default_factory=lambda: MaskSettings(facing=0.45))
    shading: ShadingSettings = field(default_factory=ShadingSettings)


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
    index_mm: float  # root mean square relief, as read


@dataclass(frozen=True)
class ReliefResult:
    """Relief index of side and top."""

    measurements: tuple[Measurement, ...]
    maps: tuple[ReliefMap, ...]
    warnings: tuple[str, ...]


def measure_relief(
    photos: Mapping[str, NDArray[np.uint8]],
    views: Mapping[str, View],
    body: Body,
    findings: Mapping[str, Finding],
    profiles: ProfileResult | None = None,
    settings: ReliefSettings | None = None,
) -> ReliefResult:
    """Read the relief of side and top.

    Parameters
    ----------
    photos, views, findings : mapping of str
        Upright RGB photos "top", "side", "side2", their cameras in the cake frame and what they show.
    body : Body
    profiles : ProfileResult, optional
        Silhouettes to set the scale by.
    """
    settings = settings or ReliefSettings()
    maps, warnings, dark = [], [], False
    for name in ("side", "side2", "top"):
        if name not in photos or name not in views:
            continue
        read = _read_top if name == "top" else _read_side
        one = read(name, photos[name], views[name], body, findings.get(name), settings)
        if one is None:
            dark = True
            continue
        maps.append(one)
        if one.unreadable > 0.15:
            share = f"{100 * one.unreadable:.0f} %"
            warnings.append(
                f"{share} of the icing in the {name} photo lies in glare or shadow: no relief is read there."
            )
    if dark:
        warnings.append("This icing mirrors the room: its relief is read on the silhouettes only, not between them.")
    rows = _side_rows([m for m in maps if m.photo != "top"], profiles, settings)
    rows += _top_rows([m for m in maps if m.photo == "top"], settings)
    return ReliefResult(tuple(rows), tuple(maps), tuple(warnings))


def _read_side(
    name: str, pixels: NDArray[np.uint8], view: View, body: Body, finding: Finding | None, settings: ReliefSettings
) -> ReliefMap | None:
    picture = side_picture(pixels, view, body, name, settings.px_per_mm)
    valid = side_valid(picture, body, finding, settings.masks)
    unlit = remove_light(picture.pixels, valid, body.height_mm, settings.px_per_mm, settings.shading)
    if unlit is None or _dark(unlit.light, pixels, settings):
        return None
    return _relief(name, channel_mean(unlit.log), valid, settings.side_gain, settings)


def _dark(light: Array, pixels: NDArray[np.uint8], settings: ReliefSettings) -> bool:
    """Whether the icing is so dark, against the lightest things in the photo, that it mirrors as much as it shows."""
    few = luminance(LINEAR[pixels[::16, ::16]])
    return bool(luminance(light) < settings.least_light * np.quantile(few, 0.98))


def _read_top(
    name: str, pixels: NDArray[np.uint8], view: View, body: Body, finding: Finding | None, settings: ReliefSettings
) -> ReliefMap | None:
    scale = settings.px_per_mm
    picture = top_picture(pixels, view, body, scale)
    valid = top_valid(picture, body, finding, (), settings.masks)
    unlit = remove_light(picture.pixels, valid, 2 * picture.reach_mm, scale, settings.shading)
    if unlit is None or _dark(unlit.light, pixels, settings):
        return None
    middle, outer = (valid.shape[0] - 1) / 2, body.radius_mm * scale
    radius = np.arange(outer, 0.15 * outer, -1.0, dtype=np.float32)[:, None]
    turn = np.arange(0, 2 * np.pi, 1 / (0.6 * outer), dtype=np.float32)[None, :]
    x, y = middle + radius * np.cos(turn), middle - radius * np.sin(turn)
    light = cv2.remap(channel_mean(unlit.log), x, y, cv2.INTER_LINEAR)
    ok = cv2.remap(valid.astype(np.uint8), x, y, cv2.INTER_NEAREST) > 0
    return replace(_relief(name, light, ok, settings.top_gain, settings), index_mm=_ring_index(light, ok, settings))


def _ring_index(light: Array, valid: NDArray[np.bool_], settings: ReliefSettings) -> float:
    """Relief (mm) of the rings on a top unrolled about its middle; NaN where too little is seen.

    Light is averaged along the rings, so that noise and roughness fall out, and its slope across them is read sector by
    sector as a median: shadows and spots are few. A lamp shows rings only where they lie across its light, so a high
    quantile over the sectors counts, not their mean.
    """
    scale = settings.px_per_mm
    ok = valid & (np.abs(_blurred(light, valid, 0.5 * scale, 0.5 * scale)) < settings.ring_light)
    margin = 2 * round(settings.ring_margin_mm * scale) + 1
    inner = cv2.erode(ok.astype(np.uint8), np.ones((margin, margin), np.uint8)) > 0
    ok = inner if inner.sum() > 0.05 * valid.size else valid
    along = _blurred(light, ok, 0.5 * SIGMA_OF_CUTOFF * settings.shortest_mm * scale, settings.ring_mm * scale)
    size = np.abs(along - _smooth(along, ok, settings.longest_mm * scale))
    parts = zip(np.array_split(size, settings.sectors, 1), np.array_split(ok, settings.sectors, 1), strict=True)
    few = 25 * scale**2  # 25 mm2
    sectors = [float(np.median(part[seen])) for part, seen in parts if seen.sum() > few]
    return float(np.quantile(sectors, settings.sector_quantile)) / settings.ring_slope if sectors else np.nan


def _blurred(values: Array, ok: NDArray[np.bool_], up_px: float, across_px: float) -> Array:
    """Gaussian blur of a picture with holes."""
    weight = cv2.GaussianBlur(ok.astype(np.float32), (0, 0), across_px, sigmaY=up_px)
    total = cv2.GaussianBlur(np.where(ok, values, 0).astype(np.float32), (0, 0), across_px, sigmaY=up_px)
    return np.asarray(total / np.maximum(weight, 0.05))


def _relief(name: str, light: Array, valid: NDArray[np.bool_], gain: float, settings: ReliefSettings) -> ReliefMap:
    """Relief along the columns of a picture of log light."""
    scale = settings.px_per_mm
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
    return ReliefMap(name, height, scale, share, _pitch(height, scale), _rms(height))


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


def _scale(maps: list[ReliefMap], profiles: ProfileResult | None, settings: ReliefSettings) -> float:
    """Factor on what shading reads, drawn towards the silhouettes by the weight of what each is worth."""
    known = silhouette_relief(profiles, settings)
    read = [m.index_mm for m in maps if m.photo != "top"]
    if known is None or not read or not np.isfinite(read).all():
        return 1.0
    weight = settings.gain_sigma**2 / (settings.gain_sigma**2 + settings.silhouette_sigma**2)
    return float(np.clip((known / np.mean(read)) ** weight, 0.33, 3.0))


def _side_rows(maps: list[ReliefMap], profiles: ProfileResult | None, settings: ReliefSettings) -> list[Measurement]:
    known = silhouette_relief(profiles, settings)
    photos = tuple(m.photo for m in maps)
    if maps:
        value = float(np.mean([m.index_mm for m in maps])) * _scale(maps, profiles, settings)
        worth = [1 / settings.gain_sigma**2] + [1 / settings.silhouette_sigma**2] * (known is not None)
        sigma, note = 1 / np.sqrt(sum(worth)), "an estimate from shading"
        pitch = next((m.pitch_mm for m in maps if m.pitch_mm), None)
        if pitch:
            note += f"; ridges about {pitch:.0f} mm apart"
    elif known is not None and profiles is not None:
        value, sigma, note = known, settings.gain_sigma, "from the silhouettes only"
        photos = tuple(sorted({s.photo for s in profiles.silhouettes}))
    else:
        return []
    if not np.isfinite(value):
        return []
    return [Measurement("side_relief", value, float(2 * sigma * value + 0.02), "mm", photos, note)]


def _top_rows(maps: list[ReliefMap], settings: ReliefSettings) -> list[Measurement]:
    rows = []
    for m in maps:
        value = m.index_mm
        if np.isfinite(value):
            note = "an estimate from shading" + (f"; rings about {m.pitch_mm:.0f} mm apart" if m.pitch_mm else "")
            u = 2 * 1.2 * settings.gain_sigma * value + 0.02
            rows.append(Measurement("top_relief", float(value), float(u), "mm", (m.photo,), note))
    return rows
