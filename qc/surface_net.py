"""A small network that reads the flattened icing: pits, crumbs, finger marks, what shows through, relief.

It sees the picture with its light taken off (`qc.shading`), where the finder suspects pieces and borders, and how
squarely the camera sees each place. How it was taught: `qc/training/SURFACE.md`.
"""

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.network import Network

Array = NDArray[Any]
PLANES = 7
PX_PER_MM = 4  # of what it sees
SPOT_PX_PER_MM, RELIEF_PX_PER_MM = 2, 1  # of what it answers
STEP = 8  # rows and columns of its pictures are multiples of this
COLOURS = slice(1, 3)  # planes: of half the resolution, as it was taught
SEEN, PIECES, TOP = 3, 4, 6  # planes: what is seen, how probable a piece is, whether it is a top
MARGIN = 16  # rows and columns beyond what is seen that it is shown as well
HIDDEN = 0.5  # probability of a piece from which no spot is seen
LIGHT, COLOUR = 1.2, 0.3  # largest log light and log colour that it is shown
_network = Network("surface_net.onnx")


@dataclass(frozen=True)
class Answer:
    """What the network says of one flattened picture.

    Attributes
    ----------
    spot, finger : ndarray, shape (rows / 2, cols / 2)
        Probability that the middle of a pit or crumb (of a finger mark) lies there; of neighbours together.
    crumb : ndarray, shape (rows / 2, cols / 2)
        Probability that a spot there is a crumb, not a pit.
    size_mm : ndarray, shape (rows / 2, cols / 2)
        Across, of a spot or finger mark there.
    show : ndarray, shape (rows / 2, cols / 2)
        Probability that filling or sponge shows through there, on a side.
    relief_mm : ndarray, shape (rows / 4, cols / 4)
        Root-mean-square relief between 2 and 20 mm near each place.
    """

    spot: Array
    finger: Array
    crumb: Array
    size_mm: Array
    show: Array
    relief_mm: Array


def planes(log: Array, seen: Array, pieces: Array, facing: Array, top: bool) -> NDArray[np.float32]:
    """What the network is shown (PLANES, rows, cols), rows and columns filled up to multiples of STEP with nothing.

    Parameters
    ----------
    log : ndarray, shape (rows, cols, 3)
        Unlit logarithm of linear RGB.
    seen : ndarray, shape (rows, cols), bool
    pieces, facing : ndarray, shape (rows, cols)
        How probable a piece or border is; cosine between the normal and the line of sight.
    """
    rows, cols = seen.shape
    out = np.zeros((PLANES, -(-rows // STEP) * STEP, -(-cols // STEP) * STEP), np.float32)
    light = log.mean(-1)
    for k, (value, most) in enumerate(
        ((light, LIGHT), (log[..., 0] - log[..., 2], COLOUR), (log[..., 1] - light, COLOUR))
    ):
        out[k, :rows, :cols] = np.where(seen, np.clip(value, -most, most) / most, 0)
    out[COLOURS] = [_coarse(v) for v in out[COLOURS]]
    for k, value in enumerate((seen, pieces, facing, np.full_like(facing, top))):
        out[3 + k, :rows, :cols] = np.where(seen, value, 0)
    return out


def _coarse(plane: NDArray[np.float32]) -> NDArray[np.float32]:
    """Every two by two pixels of a plane (an even number of rows and columns) as their mean."""
    half = cv2.resize(plane, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    return np.asarray(half.repeat(2, 0).repeat(2, 1), np.float32)


def read(shown: NDArray[np.float32]) -> Answer:
    """What the network says of `planes` (PLANES, rows, cols), of a side in the mean with its mirror image.

    A side looks as likely either way round; what noise suggests differs, and cancels. A top, where this gained nothing,
    is looked at once. Where nothing is seen the answer is 0 (a size of 1 mm).
    """
    rows, cols = shown.shape[1:]
    part = _seen_part(shown[SEEN])
    sight = np.ascontiguousarray(shown[:, part[0], part[1]])
    said = [v[0] for v in _network(sight[None])]
    if not sight[TOP].any():  # one after the other: together they take twice the memory and as long
        said = [(v + w[0, ..., ::-1]) / 2 for v, w in zip(said, _network(sight[None, ..., ::-1]), strict=True)]
    fine, coarse = (_into(v, (rows, cols), part) for v in (said[0], np.exp(said[1])))
    looked = _into(np.ones((1, *said[0].shape[1:])), (rows, cols), part)[0]
    spot, finger, crumb, show = (looked / (1 + np.exp(-fine[k])) for k in (0, 1, 2, 4))
    bare = (shown[SEEN, ::2, ::2] > 0) & (shown[PIECES, ::2, ::2] < HIDDEN)
    return Answer(np.where(bare, spot, 0), np.where(bare, finger, 0), crumb, np.exp(fine[3]), show, coarse[0])


def _seen_part(seen: NDArray[np.float32]) -> tuple[slice, slice]:
    """Rows and columns of what is seen (rows, cols) with a margin: ends are multiples of STEP."""
    out = []
    for axis in (1, 0):
        some = np.flatnonzero((seen > 0).any(axis))
        low, high = (int(some[0]), int(some[-1]) + 1) if len(some) else (0, 1)
        most = seen.shape[1 - axis]
        out.append(slice(max(0, low - MARGIN) // STEP * STEP, min(most, -(-(high + MARGIN) // STEP) * STEP)))
    return out[0], out[1]


def _into(said: Array, size: tuple[int, int], part: tuple[slice, slice]) -> Array:
    """What is said (k, h, w) of a part of a picture of some size (rows, cols), in its place; 0 elsewhere."""
    step = (part[0].stop - part[0].start) // said.shape[1]
    out = np.zeros((len(said), size[0] // step, size[1] // step), np.float32)
    out[(slice(None), *(slice(p.start // step, p.stop // step) for p in part))] = said
    return out
