"""Which places of a flattened picture are icing: borders, decorations and the card are left out."""

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.body import Body
from qc.finder import Finding
from qc.quantities import Decoration
from qc.unroll import SidePicture, TopPicture

Mask = NDArray[np.bool_]


@dataclass(frozen=True)
class MaskSettings:
    """What is left out."""

    low: float = 0.05  # share of the height from which the side counts
    high: float = 0.95
    facing: float = 0.25  # cosine of the angle at which the side is still read (75 degrees)
    rim_mm: float = 2.0  # the top counts this far inside the rounding of its edge
    border: float = 0.15  # probability of a piped border from which a place is not the side
    piece: float = 0.3  # the same for decorations and the card
    piece_mm: float = 1.0  # margin round decorations on the side
    around_piece_mm: float = 2.0  # margin round them on the top


def labelled(finding: Finding | None, label: str, at_px: NDArray[np.float32], least: float) -> Mask:
    """Where a flattened picture shows something of a label."""
    if finding is None:
        return np.zeros(at_px.shape[:2], bool)
    at = at_px * np.float32(finding.scale_px) + np.array(finding.offset_px, np.float32)
    return np.asarray(cv2.remap(finding.probability(label), at[..., 0], at[..., 1], cv2.INTER_LINEAR) > least)


def wider(mask: Mask, mm: float, px_per_mm: float) -> Mask:
    """A mask grown by some millimetres on all sides."""
    n = 2 * max(1, round(mm * px_per_mm)) + 1
    return np.asarray(cv2.dilate(mask.astype(np.uint8), np.ones((n, n), np.uint8)) > 0)


def side_valid(picture: SidePicture, body: Body, finding: Finding | None, settings: MaskSettings) -> Mask:
    """Places (rows, cols) of a side picture that show the icing well enough to be read."""
    z = picture.z_mm[:, None] / body.height_mm
    valid = picture.seen & (picture.facing > settings.facing) & (z > settings.low) & (z < settings.high)
    border = labelled(finding, "foot_border", picture.at_px, settings.border)
    tall = np.ones((2 * round(1.5 * picture.px_per_mm) + 1, 2 * round(0.5 * picture.px_per_mm) + 1), np.uint8)
    valid &= ~(cv2.dilate(border.astype(np.uint8), tall) > 0)
    for label in ("decoration", "card"):
        valid &= ~wider(labelled(finding, label, picture.at_px, settings.piece), settings.piece_mm, picture.px_per_mm)
    return np.asarray(valid)


def top_valid(
    picture: TopPicture,
    body: Body,
    finding: Finding | None,
    decorations: Sequence[Decoration],
    settings: MaskSettings,
) -> Mask:
    """Places (N, N) of a top picture that show the icing, away from its edge and from decorations."""
    n, scale = picture.pixels.shape[0], picture.px_per_mm
    valid = _disc(n, (n - 1) / 2, (n - 1) / 2, (body.radius_mm - body.edge_mm - settings.rim_mm) * scale)
    pieces = labelled(finding, "decoration", picture.at_px, settings.piece)
    valid &= ~wider(pieces, settings.around_piece_mm, scale)
    for d in decorations:
        column, row = picture.to_px(np.array([d.x_mm, d.y_mm]))
        valid &= ~_disc(n, column, row, (d.diameter_mm / 2 + settings.around_piece_mm) * scale)
    return np.asarray(valid)


def _disc(n: int, column: float, row: float, radius_px: float) -> Mask:
    """Pixels of an (n, n) picture nearer to a place than a radius."""
    k = np.arange(n)
    return np.asarray((k[None, :] - column) ** 2 + (k[:, None] - row) ** 2 < max(radius_px, 0.0) ** 2)
