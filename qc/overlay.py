"""What is drawn over each photo, as lines in its pixels."""

import numpy as np
from numpy.typing import NDArray

from qc.body import HIGH, LOW, Body
from qc.camera import View
from qc.card import CardView
from qc.contour import board_contours, body_contour
from qc.quantities import Decoration, Line, Overlay
from qc.stages import Stages

Array = NDArray[np.float64]


def overlays(stages: Stages) -> dict[str, Overlay]:
    """Card corners, outlines of body and board, level lines and decorations of every photo."""
    fit, out = stages.fit, {}
    for name, seen in stages.seen.items():
        view = fit.views[name]
        lines = [*_card(seen.card), _line("body", body_contour(view, fit.body, 180).points_px)]
        upper, _ = board_contours(view, fit.board, 120)
        lines.append(_line("board", upper.points_px))
        if name == "top":
            lines += [_piece(d, view, fit.body, k + 1) for k, d in enumerate(stages.decorations.pieces)]
        else:
            lines += _levels(view, fit.body)
        out[name] = Overlay(seen.photo.width_px, seen.photo.height_px, tuple(lines))
    return out


def _line(kind: str, points_px: Array, closed: bool = True, text: str = "") -> Line:
    return Line(kind, tuple((round(float(x), 1), round(float(y), 1)) for x, y in points_px), closed, text)


def _card(card: CardView) -> list[Line]:
    return [_line("card", p.corners_px, closed=False) for p in (card.floor, card.standing) if p is not None]


def _piece(piece: Decoration, view: View, body: Body, number: int) -> Line:
    a = np.linspace(0, 2 * np.pi, 48, endpoint=False)
    ring = np.stack([np.cos(a), np.sin(a)], -1) * piece.diameter_mm / 2
    at = np.array(piece.outline_mm) if piece.outline_mm else ring + [piece.x_mm, piece.y_mm]
    return _line("decoration", view.project(body.top_point_mm(at[:, 0], at[:, 1])), True, str(number))


def _levels(view: View, body: Body) -> list[Line]:
    """The top's own level through the axis, a true level beside it, and the heights between which the side counts."""
    eye = view.eye_mm
    across = np.array([-eye[1], eye[0]]) / np.hypot(eye[0], eye[1])
    reach = np.linspace(-1.02, 1.02, 2)[:, None] * body.radius_mm * across
    own = np.stack([reach[:, 0], reach[:, 1], body.height_mm + reach @ body.slope], -1)
    true = np.stack([reach[:, 0], reach[:, 1], np.full(2, body.height_mm)], -1)
    lines = [_line("level", view.project(own), False, "top"), _line("true level", view.project(true), False, "level")]
    for share in (LOW, HIGH):
        z = share * body.height_mm
        ends = body.side_point_mm(
            np.arctan2(*(reach / np.linalg.norm(reach, axis=1, keepdims=True)).T[::-1]), np.array([z, z])
        )
        lines += [_line("band", view.project(ends[k] + np.outer([-3, 3], [*across, 0.0])), False) for k in (0, 1)]
    return lines
