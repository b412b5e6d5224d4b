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
Picture = NDArray[np.float32]


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


def probabilities(finding: Finding | None, labels: Sequence[str], at_px: NDArray[np.float32]) -> list[Picture]:
    """How probable (rows, cols) each label is in a flattened picture; nowhere without a finding."""
    if finding is None:
        return [np.zeros(at_px.shape[:2], np.float32) for _ in labels]
    x, y = (at_px[..., k] * np.float32(finding.scale_px) + np.float32(finding.offset_px[k]) for k in range(2))
    return [np.asarray(cv2.remap(finding.probability(label), x, y, cv2.INTER_LINEAR)) for label in labels]


def wider(mask: Mask, mm: float, px_per_mm: float) -> Mask:
    """A mask grown by some millimetres on all sides."""
    n = 2 * max(1, round(mm * px_per_mm)) + 1
    return np.asarray(cv2.dilate(mask.astype(np.uint8), np.ones((n, n), np.uint8)) > 0)


def side_valid(picture: SidePicture, body: Body, finding: Finding | None, settings: MaskSettings) -> Mask:
    """Places (rows, cols) of a side picture that show the icing well enough to be read."""
    z = picture.z_mm[:, None] / body.height_mm
    valid = picture.seen & (picture.facing > settings.facing) & (z > settings.low) & (z < settings.high)
    border, *pieces = probabilities(finding, ("foot_border", "decoration", "card"), picture.at_px)
    tall = np.ones((2 * round(1.5 * picture.px_per_mm) + 1, 2 * round(0.5 * picture.px_per_mm) + 1), np.uint8)
    valid &= ~(cv2.dilate((border > settings.border).astype(np.uint8), tall) > 0)
    for piece in pieces:
        valid &= ~wider(piece > settings.piece, settings.piece_mm, picture.px_per_mm)
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
    (pieces,) = probabilities(finding, ("decoration",), picture.at_px)
    valid &= ~wider(pieces > settings.piece, settings.around_piece_mm, scale)
    for d in decorations:
        column, row = picture.to_px(np.array([d.x_mm, d.y_mm]))
        valid &= ~_disc(n, column, row, (d.diameter_mm / 2 + settings.around_piece_mm) * scale)
    return np.asarray(valid)


def _disc(n: int, column: float, row: float, radius_px: float) -> Mask:
    """Pixels of an (n, n) picture nearer to a place than a radius."""
    k = np.arange(n)
    return np.asarray((k[None, :] - column) ** 2 + (k[:, None] - row) ** 2 < max(radius_px, 0.0) ** 2)
