"""Pictures that explain a measurement: the pattern, the side lines, the surface; with words for whoever looks at them.

Made from what the stages found, so only while that is at hand; the result itself holds what `qc.drawing` needs.
"""

import logging
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.pattern_drawing import draw_pattern
from qc.profile import Silhouette
from qc.relief import ReliefMap
from qc.stages import Stages
from qc.surface_drawing import draw_relief, draw_side, draw_silhouette, draw_top

Pixels = NDArray[np.uint8]
_log = logging.getLogger(__name__)
SIDES = {"side": "the side", "side2": "the side, after the quarter turn"}
LEAST_WIDTH_PX = 900  # smaller pictures are enlarged, so that a tablet does not blur them
JPEG_QUALITY = 88

PATTERN = (
    "The top seen square from above, 12 o'clock up. White rings: the pieces as they stand, numbered. Dashed blue: "
    "where an even ring has its places. Orange arrows: where to set each piece on the next cake, from 1 mm on."
)
SIDE_LINE = (
    "Left the edge in the photo, right the same line beside a straight one, its waves drawn ten times as large. Blue "
    "counts; orange was hidden or not believed and does not count. The pale band is what the photo leaves open."
)
SPOTS = "Orange circles: blemishes that count, with their size in mm. Blue outlines: filling or sponge showing through."
SIDE = f"The side rolled out flat, hours below. Grey was not seen. {SPOTS}"
RELIEF = (
    "Waves read from the shading: yellow stands out, blue lies deep, grey could not be read. An estimate: look for "
    "stripes and lumps, not at single figures."
)


@dataclass(frozen=True)
class Drawing:
    """One picture.

    Attributes
    ----------
    name : str
        Of its file, without an ending.
    title, words : str
        What it is, and how to read it.
    pixels : ndarray, shape (H, W, 3), uint8
        RGB.
    """

    name: str
    title: str
    words: str
    pixels: Pixels

    def jpeg(self) -> bytes:
        """The picture as a file's bytes."""
        ok, data = cv2.imencode(".jpg", self.pixels[:, :, ::-1], [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY])
        assert ok  # an RGB picture in memory always can be
        return data.tobytes()


def drawings(stages: Stages) -> tuple[Drawing, ...]:
    """Every picture that these photos allow; one that fails is left out, since a result does not hang on it."""
    found = []
    for name, title, words, make in _wanted(stages):
        try:
            pixels = make()
        except (cv2.error, ValueError, IndexError) as error:
            _log.warning("The picture %s could not be drawn (%r).", name, error)
            continue
        if pixels is not None and pixels.size:
            found.append(Drawing(name, title, words, _large(pixels)))
    return tuple(found)


def _wanted(stages: Stages) -> Iterator[tuple[str, str, str, Callable[[], Pixels | None]]]:
    """Name, title, words and maker of each picture, the most useful first."""
    top, fit = stages.seen["top"].photo.pixels, stages.fit
    if stages.decorations.pieces:
        yield (
            "pattern",
            "The pattern on the top",
            PATTERN,
            lambda: draw_pattern(top, fit.views["top"], fit.body, stages.decorations),
        )
    for one in stages.profiles.silhouettes:
        side = f"{one.photo}-{'left' if one.left else 'right'}"
        yield f"side-line-{side}", f"Side line at {round(one.clock) or 12} o'clock", SIDE_LINE, _silhouette(stages, one)
    yield "side-surface", "The side, rolled out", SIDE, lambda: draw_side(stages.icing)
    yield "top-surface", "The top, square from above", SPOTS, lambda: draw_top(stages.icing)
    for relief in stages.relief.maps:
        where = "the top, unrolled about its middle" if relief.photo == "top" else SIDES.get(relief.photo, "the side")
        yield f"relief-{relief.photo}", f"Waves on {where}", RELIEF, _relief(relief)


def _silhouette(stages: Stages, one: Silhouette) -> Callable[[], Pixels | None]:
    pixels = stages.seen[one.photo].photo.pixels
    return lambda: draw_silhouette(pixels, one) if np.isfinite(one.points_px).all(1).any() else None


def _relief(relief: ReliefMap) -> Callable[[], Pixels | None]:
    return lambda: draw_relief(relief) if np.isfinite(relief.height_mm).any() else None


def _large(pixels: Pixels) -> Pixels:
    """At least `LEAST_WIDTH_PX` wide, in whole steps."""
    step = -(-LEAST_WIDTH_PX // pixels.shape[1])
    return pixels if step <= 1 else np.asarray(cv2.resize(pixels, None, fx=step, fy=step), np.uint8)
