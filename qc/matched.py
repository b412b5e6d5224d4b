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
    answer : ndarray, shape (k, 3, rows, cols)
        As they come: `worth` times the least-squares amplitude of each shape (log light).
    worth : ndarray, shape (k, 3)
        Power of an answer to noise alone.
    normed : ndarray, shape (k, 3, rows, cols)
        Answers in units of their own spread nearby.
    strength : ndarray, shape (rows, cols)
        Root of the sum of squares over the shapes, at the best scale; 0 where nothing is seen.
    fine : ndarray, shape (rows, cols)
        The light with what is smooth taken off; 0 where nothing is seen.
    """

    answer: Array
    worth: Array
    normed: Array
    strength: Array
    fine: Array

    def amplitude(self, rows: Array | int, columns: Array | int) -> Array:
        """Least-squares amplitudes (k, 3, n) at some places."""
        return np.asarray(self.answer[:, :, np.atleast_1d(rows), np.atleast_1d(columns)] / self.worth[..., None])


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
    quiet = 1 / _spectrum(flat, valid, shape, settings)
    picture = fft.rfft2(flat, shape) * quiet
    spread = _Spread(valid, px_per_mm, settings)
    answers = np.empty((len(settings.scales_mm), 3, rows, cols), np.float32)
    normed, worth = np.empty_like(answers), np.empty(answers.shape[:2])
    best = np.zeros((rows, cols), np.float32)
    for k, scale in enumerate(settings.scales_mm):
        power = np.zeros((rows, cols), np.float32)
        for j, (up, across) in enumerate(_templates(scale, px_per_mm, shape)):
            answer = fft.irfft2(picture * np.conj(up)[:, None] * np.conj(across)[None], shape)[:rows, :cols]
            worth[k, j] = _power(np.abs(up) ** 2, np.abs(across) ** 2, quiet, shape)
            answers[k, j] = answer
            normed[k, j] = answers[k, j] / spread.of(answers[k, j])
            cv2.accumulateSquare(normed[k, j], power)
        cv2.max(best, power, best)
    return Responses(answers, worth, normed, np.where(valid, np.sqrt(best), np.float32(0)), flat)


def _templates(scale_mm: float, px_per_mm: float, shape: tuple[int, int]) -> list[tuple[Array, Array]]:
    """Transforms, down the rows and (real) along the columns, of a dark blob and its two derivatives about (0, 0)."""
    r = int(np.ceil(3.2 * scale_mm * px_per_mm))
    x = np.arange(-r, r + 1) / px_per_mm
    bell = np.exp(-(x**2) / 2 / scale_mm**2)

    def placed(values: Array, length: int) -> Array:
        out = np.zeros(length, np.float32)
        out[: len(values)] = values
        return np.roll(out, -r)

    up, across = ([placed(v, length) for v in (bell, x * bell / scale_mm)] for length in shape)
    (up_bell, up_flank), (bell_, flank) = [fft.fft(v) for v in up], [fft.rfft(v) for v in across]
    return [(-up_bell, bell_), (up_flank, bell_), (up_bell, flank)]


def _power(up: Array, across: Array, quiet: Array, shape: tuple[int, int]) -> float:
    """Power of an answer to the noise alone: the sum over all frequencies of a real transform (Parseval)."""
    twice = np.full(len(across), 2.0)
    twice[0] = 1.0
    if shape[1] % 2 == 0:
        twice[-1] = 1.0
    return float(up @ quiet @ (across * twice)) / (shape[0] * shape[1])


def _spectrum(flat: Array, valid: Mask, shape: tuple[int, int], settings: MatchedSettings) -> Array:
    """Power of the picture's own texture at each frequency of a real transform of a shape; median over tiles."""
    n = settings.tile_px
    window = np.outer(np.hanning(n), np.hanning(n)).astype(np.float32)
    seen = cv2.integral(valid.astype(np.uint8))
    at = [
        (i, j)
        for i in range(0, flat.shape[0] - n + 1, n // 2)
        for j in range(0, flat.shape[1] - n + 1, n // 2)
        if seen[i + n, j + n] - seen[i, j + n] - seen[i + n, j] + seen[i, j] > 0.9 * n * n
    ]
    if len(at) < settings.least_tiles:
        return np.ones((shape[0], shape[1] // 2 + 1), np.float32)
    tiles = np.array([flat[i : i + n, j : j + n] for i, j in at])
    half = np.abs(fft.rfft2((tiles - tiles.mean((1, 2), keepdims=True)) * window)) ** 2
    half = np.median(half, axis=0) / np.log(2) / (window**2).sum()  # median to mean
    opposite = np.roll(half[::-1], 1, 0)[:, -2:0:-1]  # the spectrum of a real picture is even
    power = np.concatenate([half, opposite], 1)
    smooth = cv2.GaussianBlur(np.fft.fftshift(power).astype(np.float32), (0, 0), 1.0)
    across, up = np.meshgrid(np.fft.rfftfreq(shape[1]) * n + n / 2, np.fft.fftfreq(shape[0]) * n + n / 2)
    place = (across.astype(np.float32), up.astype(np.float32))
    noise = cv2.remap(smooth, *place, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    return np.maximum(noise, np.float32(settings.quietest * float(np.median(noise)) + 1e-12))


class _Spread:
    """Spread of answers near each place, strong places capped; on a picture of a quarter of the size."""

    STEP = 4

    def __init__(self, valid: Mask, px_per_mm: float, settings: MatchedSettings) -> None:
        self.cap, self.size = settings.cap, valid.shape[::-1]
        self.seen = valid.astype(np.float32)
        self.few = np.zeros(valid.shape, bool)
        self.few[::3, ::3] = valid[::3, ::3]
        self.small = (max(1, self.size[0] // self.STEP), max(1, self.size[1] // self.STEP))
        self.window = (2 * int(settings.near_mm * px_per_mm / self.STEP) + 1,) * 2
        self.count = np.maximum(self._near(self.seen), 1e-2)

    def _near(self, picture: Array) -> Array:
        small = cv2.resize(picture, self.small, interpolation=cv2.INTER_AREA)
        return np.asarray(cv2.blur(small, self.window))

    def of(self, answer: Array) -> Array:
        """Spread (rows, cols) of an answer (rows, cols)."""
        size = np.abs(answer)
        known = size[self.few]
        cap = self.cap * float(np.median(known)) if len(known) else 1.0
        capped = np.minimum(size, np.float32(cap)) * self.seen
        power = np.sqrt(np.maximum(self._near(capped * capped), 0) / self.count) + np.float32(1e-6)
        return np.asarray(cv2.resize(power, self.size, interpolation=cv2.INTER_LINEAR))
