"""What each pixel of a photo shows, roughly: a small neural network that starts every sub-pixel search.

The network sees the photo at about 640 x 480 pixels, so its borders are good to about one of its own pixels (six of a
4032-pixel photo): it says where to look and what is what, never where exactly the outline runs. What it has learnt
from, how good it is and where it fails is written in `qc/training/MODEL.md`.

Pixel coordinates: the centre of the top-left pixel is (0, 0), in the photo and in the network's picture.
"""

from dataclasses import dataclass, replace
from functools import cached_property

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.errors import OutlineError
from qc.network import Network

LABELS = ("other", "board", "body", "decoration", "card", "foot_border")
OTHER, BOARD, BODY, DECORATION, CARD, FOOT_BORDER = range(6)
CAKE = (BODY, DECORATION, FOOT_BORDER)

STRIDE = 32  # the sides of the network's picture are multiples of it

Points = NDArray[np.float64]


@dataclass(frozen=True)
class FinderSettings:
    """Sizes and limits of the finder."""

    long_px: int = 640  # network pixels: the picture's long side, as in training; shorter where the photo is
    short_px: int = 480  # network pixels: the picture's short side, as in training
    band_px: int = 8  # network pixels round the cake that count for the confidence: where a wrong border would lie
    sure: float = 0.85  # share of right pixels below which the finding is not to be trusted (seen on unknown pictures)
    smallest_cake: float = 0.01  # share of the photo; a cake smaller than this is measured too coarsely to be of use
    cut_off: float = 0.04  # share of the photo's border that the cake may touch before it counts as cut off
    too_bright: float = 0.12  # share of the cake's pixels at the sensor's end, from which lamps drown its shape
    rival: float = 0.25  # size of a second island of icing, of the largest one's, from which it may be another cake
    alike: float = 25.0  # grey levels (of 255) between cake and surroundings under which they look alike


@dataclass(frozen=True)
class Finding:
    """What the network saw in one photo.

    Attributes
    ----------
    probabilities : ndarray, shape (6, h, w), float32
        Probability of each of `LABELS`, at the network's resolution; margins that pad the photo's shape are included.
    scale_px : float
        Network pixels per photo pixel.
    offset_px : tuple of float
        (x, y) of the photo's top-left pixel centre in the network's picture.
    photo_size_px : tuple of int
        (width, height) of the photo.
    confidence : float
        Expected share of right pixels on and around the cake, 0..1; 0 where no cake was seen. It tells how well the
        borders are known, not whether the thing is fit to be measured: that is what `reasons` say.
    reasons : tuple of str
        What makes the finding unsure and what to do about it, in plain words; empty when it is sure.
    """

    probabilities: NDArray[np.float32]
    scale_px: float
    offset_px: tuple[float, float]
    photo_size_px: tuple[int, int]
    confidence: float
    reasons: tuple[str, ...]

    def to_net(self, points_px: Points) -> Points:
        """Photo pixels (N, 2) as network pixels (N, 2)."""
        return np.asarray(points_px, float) * self.scale_px + self.offset_px

    def to_photo(self, points_net: Points) -> Points:
        """Network pixels (N, 2) as photo pixels (N, 2)."""
        return (np.asarray(points_net, float) - self.offset_px) / self.scale_px

    def probability(self, label: str) -> NDArray[np.float32]:
        """Probability (h, w) of one of `LABELS` at the network's resolution.

        Raises
        ------
        ValueError
            The label is none of `LABELS`.
        """
        return self.probabilities[LABELS.index(label)]

    def net_labels(self) -> NDArray[np.uint8]:
        """Most probable label (h, w) at the network's resolution."""
        return self._net_labels

    @cached_property
    def _net_labels(self) -> NDArray[np.uint8]:
        best = self.probabilities[0].copy()  # layer by layer: half the time of argmax over the layers
        labels = np.zeros(best.shape, np.uint8)
        for index, layer in enumerate(self.probabilities[1:], 1):
            np.putmask(labels, layer > best, index)
            np.maximum(best, layer, out=best)
        labels.flags.writeable = False
        return labels

    def labels(self, size: tuple[int, int] | None = None) -> NDArray[np.uint8]:
        """Most probable label of every pixel.

        Parameters
        ----------
        size : tuple of int, optional
            (width, height) of the wanted map, of the photo's shape; the photo's own size when left out.

        Returns
        -------
        ndarray, shape (height, width), uint8
            Index into `LABELS`.
        """
        width, height = size or self.photo_size_px
        step = self.scale_px * self.photo_size_px[0] / width  # network pixels per pixel of the map
        x0 = self.offset_px[0] + (step - self.scale_px) / 2
        y0 = self.offset_px[1] + (step - self.scale_px) / 2
        out = np.empty((height, width), np.uint8)
        for top in range(0, height, 256):  # in strips: six layers of a whole photo would take 300 MB
            rows = min(256, height - top)
            map_to_net = np.array([[step, 0, x0], [0, step, y0 + step * top]])
            best = np.full((rows, width), -1.0, np.float32)
            for index, layer in enumerate(self.probabilities):
                value = cv2.warpAffine(
                    layer,
                    map_to_net,
                    (width, rows),
                    flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
                    borderMode=cv2.BORDER_REPLICATE,
                )
                strip = out[top : top + rows]
                strip[value > best] = index
                np.maximum(best, value, out=best)
        return out

    def inside(self) -> NDArray[np.bool_]:
        """Where (h, w) the network's picture shows the photo, not the margin that pads it."""
        (w, h), (x, y) = self.photo_size_px, self.offset_px
        net_h, net_w = self.probabilities.shape[1:]
        across, down = np.arange(net_w), np.arange(net_h)
        half = self.scale_px / 2 + 1e-6  # a photo pixel reaches half a pixel round its centre
        ok_x = (across >= x - half) & (across <= x + self.scale_px * (w - 1) + half)
        ok_y = (down >= y - half) & (down <= y + self.scale_px * (h - 1) + half)
        return ok_y[:, None] & ok_x[None, :]


def find(pixels: NDArray[np.uint8], settings: FinderSettings | None = None) -> Finding:
    """Say what each pixel of a photo shows.

    Parameters
    ----------
    pixels : ndarray, shape (H, W, 3), uint8
        Upright RGB photo of any size and shape.
    settings : FinderSettings, optional

    Returns
    -------
    Finding

    Raises
    ------
    OutlineError
        `pixels` is not such an array.
    """
    settings = settings or FinderSettings()
    if not (isinstance(pixels, np.ndarray) and pixels.ndim == 3 and pixels.shape[2] == 3 and pixels.dtype == np.uint8):
        raise OutlineError(
            "The photo's pixels must be an array (height, width, 3) of bytes; read it as a colour photo."
        )
    if min(pixels.shape[:2]) < 32:
        raise OutlineError("The photo is smaller than 32 pixels; take it again at the camera's full size.")
    picture, scale, offset = _fit(pixels, settings)
    probabilities = _run(picture)
    bare = Finding(probabilities, scale, offset, (pixels.shape[1], pixels.shape[0]), 0.0, ())
    confidence = _confidence(bare, settings)
    found = replace(bare, confidence=confidence, reasons=_reasons(bare, picture, confidence, settings))
    found.__dict__["_net_labels"] = bare.net_labels()  # known already
    return found


def confident(finding: Finding, settings: FinderSettings | None = None) -> bool:
    """Whether the finding may start a measurement: a cake was seen, whole, and the network was sure of it."""
    settings = settings or FinderSettings()
    return finding.confidence >= settings.sure and not finding.reasons


def rival(finding: Finding) -> float:
    """Size of the second largest island of icing over that of the largest; 0 where there is only one."""
    cake = cv2.morphologyEx(_cake(finding).astype(np.uint8), cv2.MORPH_OPEN, np.ones((7, 7), np.uint8))
    _, _, stats, _ = cv2.connectedComponentsWithStats(cake)
    areas = np.sort(stats[1:, cv2.CC_STAT_AREA])[::-1]
    return float(areas[1] / areas[0]) if len(areas) > 1 else 0.0


def _fit(pixels: NDArray[np.uint8], settings: FinderSettings) -> tuple[NDArray[np.uint8], float, tuple[float, float]]:
    """The photo shrunk into the network's picture, the scale, and where its first pixel centre lies there."""
    height, width = pixels.shape[:2]
    long, short = max(height, width), min(height, width)
    needed = STRIDE * int(np.ceil(settings.short_px * long / short / STRIDE))
    net_w, net_h = min(settings.long_px, needed), settings.short_px
    if height > width:
        net_w, net_h = net_h, net_w
    scale = min(net_w / width, net_h / height)
    w, h = min(net_w, max(1, round(width * scale))), min(net_h, max(1, round(height * scale)))
    # halved first it takes half the time; halved twice, half of the values change by a grey level, 4 % by more than 2
    while w < pixels.shape[1] / 3:
        height, width = pixels.shape[:2]
        even = pixels[: height - height % 2, : width - width % 2]
        pixels = np.asarray(cv2.resize(even, (width // 2, height // 2), interpolation=cv2.INTER_AREA), np.uint8)
    small = cv2.resize(pixels, (w, h), interpolation=cv2.INTER_AREA if scale < 1 else cv2.INTER_LINEAR)
    left, top = (net_w - w) // 2, (net_h - h) // 2
    padded = cv2.copyMakeBorder(small, top, net_h - h - top, left, net_w - w - left, cv2.BORDER_REPLICATE)
    return np.asarray(padded, np.uint8), scale, (left + (scale - 1) / 2, top + (scale - 1) / 2)


_network = Network("outline_net.onnx")


def _run(picture: NDArray[np.uint8]) -> NDArray[np.float32]:
    """Probabilities (6, h, w) of a picture (h, w, 3) whose sides are multiples of `STRIDE`."""
    shown = ((picture.astype(np.float32) / 255 - 0.5) / 0.25).transpose(2, 0, 1).astype(np.float32, copy=False)
    score = _network(shown[None])[0][0]
    most = score[0].copy()
    for layer in score[1:]:
        np.maximum(most, layer, out=most)
    score -= most
    np.exp(score, out=score)
    total = score[0].copy()
    for layer in score[1:]:
        total += layer
    score *= 1 / total
    return score


_OF_CAKE = np.isin(np.arange(len(LABELS)), CAKE)


def of_cake(labels: NDArray[np.uint8]) -> NDArray[np.bool_]:
    """Where a label map shows icing, pieces or piping."""
    return np.asarray(_OF_CAKE[labels])


def _cake(finding: Finding) -> NDArray[np.bool_]:
    return of_cake(finding.net_labels()) & finding.inside()


def main_cake(finding: Finding) -> NDArray[np.bool_]:
    """The largest island (h, w) of icing, pieces and piping: the cake without what else was taken for one."""
    _, patches, stats, _ = cv2.connectedComponentsWithStats(_cake(finding).astype(np.uint8))
    if len(stats) < 2:
        return np.zeros(patches.shape, bool)
    return np.asarray(patches == 1 + stats[1:, cv2.CC_STAT_AREA].argmax())


def _confidence(finding: Finding, settings: FinderSettings) -> float:
    """Mean probability of the chosen label over the cake and a band round it."""
    cake = _cake(finding)
    if not cake.any():
        return 0.0
    size = 2 * settings.band_px + 1
    near = cv2.dilate(cake.astype(np.uint8), np.ones((size, size), np.uint8)) > 0
    return float(finding.probabilities.max(0)[near & finding.inside()].mean())


def _reasons(
    finding: Finding, picture: NDArray[np.uint8], confidence: float, settings: FinderSettings
) -> tuple[str, ...]:
    """Plain words on what is wrong with the photo and what to do."""
    cake, inside = _cake(finding), finding.inside()
    if cake.sum() < settings.smallest_cake * inside.sum():
        return ("No cake large enough was seen: bring the whole cake and the card into the frame and go closer.",)
    out = []
    rows, cols = np.nonzero(inside)
    window = main_cake(finding)[rows.min() : rows.max() + 1, cols.min() : cols.max() + 1]
    border = np.concatenate([window[0], window[-1], window[:, 0], window[:, -1]])
    if border.mean() > settings.cut_off:
        out.append("The cake runs out of the picture: step back until the whole cake and its board are in the frame.")
    if rival(finding) > settings.rival:
        out.append("More than one cake seems to be in the picture: leave only the cake to be measured in the frame.")
    if (picture[cake].min(1) >= 253).mean() > settings.too_bright:
        out.append("Part of the cake is burnt out to plain white: use one lamp less or a darker exposure.")
    if confidence < settings.sure:
        out.append(_unsure(finding, picture, settings))
    return tuple(out)


def _unsure(finding: Finding, picture: NDArray[np.uint8], settings: FinderSettings) -> str:
    """What would help where the network does not know the cake from its surroundings."""
    cake = _cake(finding)
    near = cv2.dilate(cake.astype(np.uint8), np.ones((31, 31), np.uint8)) > 0
    grey = cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY).astype(float)
    around = near & ~cake & finding.inside()
    on, off = float(np.median(grey[cake])), float(np.median(grey[around])) if around.any() else 128.0
    if abs(on - off) < settings.alike:
        mat = "a darker mat under and behind" if on > 110 else "a lighter mat under and behind"
        return f"The cake can hardly be told from what is round it: lay {mat} it, or take one lamp away."
    return "It is unclear where the cake ends: clear away what stands close to it and take the photo again."


def net_samples(finding: Finding, points_px: Points) -> NDArray[np.float32]:
    """Finder's probabilities (6, ...) at photo pixels (..., 2)."""
    p = finding.to_net(points_px).astype(np.float32)
    if p.size == 0:
        return np.zeros((len(finding.probabilities), *p.shape[:-1]), np.float32)
    flat = p.reshape(-1, 1, 2)
    layers = [
        cv2.remap(layer, flat[..., 0], flat[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)[:, 0]
        for layer in finding.probabilities
    ]
    return np.asarray(np.stack(layers).reshape(len(layers), *p.shape[:-1]), np.float32)
