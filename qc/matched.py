"""Matched filters for small hollows and crumbs in the unlit picture.

A filter that is matched to what is looked for and whitened by the power spectrum of what it lies in gives the best
signal to noise of all linear filters (North, 1943; Turin, IRE Transactions on Information Theory 6, 1960). The spectrum
is taken from the picture itself: ridges and grain that come back everywhere are weighed down, whatever their direction.
Three shapes are looked for at each size: a dark blob (a crumb, or a pit that light does not reach), and a hollow's
light and dark flank, one above or one beside the other: the derivatives of the blob.
"""

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy import fft

Array = NDArray[Any]
Mask = NDArray[np.bool_]


@dataclass(frozen=True)
class MatchedSettings:
    """What is looked for, and in what."""

    scales_mm: tuple[float, ...] = (0.45, 0.65, 0.9)  # standard deviation of the blob: spots of 1.5 to 3.5 mm
    high_pass_mm: float = 2.5  # standard deviation of the smooth light taken off before
    tile_px: int = 64  # of the spectrum's estimate
    least_tiles: int = 4  # with fewer the noise is taken as white
    quietest: float = 0.02  # share of the median power below which no frequency is believed to be quiet
    near_mm: float = 9.0  # half width of the window in which responses are held against their own spread
    cap: float = 3.0  # medians at which a response counts for the spread, so that spots do not hide themselves


@dataclass(frozen=True)
class Responses:
    """Answers of the filters, by scale (k), shape (blob, flanks up, flanks across) and place.

    Attributes
    ----------
    normed : ndarray, shape (k, 3, rows, cols)
        In units of their own spread nearby.
    amplitude : ndarray, shape (k, 3, rows, cols)
        Least-squares amplitude of each shape (log light).
    strength : ndarray, shape (rows, cols)
        Root of the sum of squares over the shapes, at the best scale; 0 where nothing is seen.
    """

    normed: Array
    amplitude: Array
    strength: Array


def respond(light: Array, valid: Mask, px_per_mm: float, settings: MatchedSettings) -> Responses:
    """Answers of all filters.

    Parameters
    ----------
    light : ndarray, shape (rows, cols)
        Log light (0 is the icing's own), filled in where not valid.
    valid : ndarray, shape (rows, cols), bool
    """
    rows, cols = light.shape
    n = settings.tile_px
    flat = light - cv2.GaussianBlur(light, (0, 0), settings.high_pass_mm * px_per_mm)
    flat = np.where(valid, flat, 0).astype(np.float32)
    shape = (fft.next_fast_len(rows + n, True), fft.next_fast_len(cols + n, True))
    noise = _spectrum(flat, valid, shape, settings)
    picture = fft.rfft2(flat, shape) / noise
    normed, amplitude = [], []
    for scale in settings.scales_mm:
        for template in _templates(scale, px_per_mm):
            kernel = np.zeros(shape, np.float32)
            kernel[: len(template), : len(template)] = template
            kernel = np.roll(kernel, (-(len(template) // 2),) * 2, (0, 1))
            other = fft.rfft2(kernel)
            answer = fft.irfft2(picture * np.conj(other), shape)[:rows, :cols]
            worth = float(fft.irfft2(np.abs(other) ** 2 / noise, shape)[0, 0])
            amplitude.append(answer / worth)
            normed.append(answer / np.sqrt(worth))
    units = np.array([r / _spread(r, valid, px_per_mm, settings) for r in normed], np.float32)
    units = units.reshape(len(settings.scales_mm), 3, rows, cols)
    strength = np.sqrt((units**2).sum(1).max(0))
    return Responses(units, np.reshape(amplitude, units.shape), np.where(valid, strength, 0).astype(np.float32))


def _templates(scale_mm: float, px_per_mm: float) -> tuple[Array, Array, Array]:
    """A dark blob and its two derivatives, (n, n) each."""
    r = int(np.ceil(3.2 * scale_mm * px_per_mm))
    y, x = np.mgrid[-r : r + 1, -r : r + 1] / px_per_mm
    blob = np.exp(-(x**2 + y**2) / 2 / scale_mm**2)
    return -blob, y * blob / scale_mm, x * blob / scale_mm


def _spectrum(flat: Array, valid: Mask, shape: tuple[int, int], settings: MatchedSettings) -> Array:
    """Power of the picture's own texture at each frequency of a real transform of a shape; median over tiles."""
    n = settings.tile_px
    window = np.outer(np.hanning(n), np.hanning(n))
    tiles = [
        (flat[i : i + n, j : j + n] - flat[i : i + n, j : j + n].mean()) * window
        for i in range(0, flat.shape[0] - n + 1, n // 2)
        for j in range(0, flat.shape[1] - n + 1, n // 2)
        if valid[i : i + n, j : j + n].mean() > 0.9
    ]
    if len(tiles) < settings.least_tiles:
        return np.ones((shape[0], shape[1] // 2 + 1), np.float32)
    power = np.median(np.abs(np.fft.fft2(tiles)) ** 2, axis=0) / np.log(2) / (window**2).sum()  # median to mean
    smooth = cv2.GaussianBlur(np.fft.fftshift(power).astype(np.float32), (0, 0), 1.0)
    across, up = np.meshgrid(np.fft.rfftfreq(shape[1]) * n + n / 2, np.fft.fftfreq(shape[0]) * n + n / 2)
    at = (across.astype(np.float32), up.astype(np.float32))
    noise = cv2.remap(smooth, *at, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.maximum(noise, settings.quietest * float(np.median(noise)) + 1e-12)


def _spread(answer: Array, valid: Mask, px_per_mm: float, settings: MatchedSettings) -> Array:
    """Spread of an answer near each place, strong places capped."""
    window = (2 * int(settings.near_mm * px_per_mm) + 1,) * 2
    size = np.abs(answer)
    cap = settings.cap * float(np.median(size[valid])) if valid.any() else 1.0
    count = cv2.blur(valid.astype(np.float32), window)
    power = cv2.blur(np.where(valid, np.minimum(size, cap) ** 2, 0).astype(np.float32), window)
    return np.sqrt(np.maximum(power, 0) / np.maximum(count, 1e-2)) + 1e-6
