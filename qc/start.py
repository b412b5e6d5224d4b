"""A first cake that covers what the finder saw: where every finer search begins.

The body's picture is nearly the convex hull of its foot's and its rim's circles. Sizes and places are moved until that
hull covers icing and leaves out bench, board and card; decorations and piping count neither way, so that pieces along
the rim hide nothing that matters. The board is then found in the same way.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

from qc import joint
from qc.contour import Board
from qc.errors import OutlineError
from qc.finder import BOARD, BODY, CARD, DECORATION, FOOT_BORDER, OTHER, Finding
from qc.fit_terms import FitSettings, PhotoInput
from qc.pose import Pose

Array = NDArray[np.float64]
_A = np.linspace(0, 2 * np.pi, 40, endpoint=False)
_CIRCLE = np.stack([np.cos(_A), np.sin(_A)], -1)


@dataclass(frozen=True)
class StartSettings:
    """How far the first guesses may be off (mm), and how long to look."""

    size_mm: float = 8.0
    height_mm: float = 12.0
    place_mm: float = 12.0
    shrink: int = 2  # the finder's picture is halved for speed
    evaluations: int = 100
    edge_share: float = 0.05  # rounding of the rim, share of the radius
    plain_height_mm: tuple[float, float] = (75.0, 45.0)  # cakes' usual height and its spread, which breaks ties


@dataclass(frozen=True)
class _Map:
    """Weights (h, w) at the shrunken finder's resolution, and how photo pixels get there."""

    weight: NDArray[np.float32]
    finding: Finding
    shrink: int

    def covered(self, points_px: Array) -> float:
        """Sum of the weights inside the convex hull of photo points (N, 2)."""
        p = (self.finding.to_net(points_px) + 0.5) / self.shrink - 0.5
        if not np.isfinite(p).all() or np.abs(p).max() > 1e4:
            return -1e6
        h, w = self.weight.shape
        low, high = np.floor(p.min(0)).astype(int), np.ceil(p.max(0)).astype(int) + 1
        low, high = np.clip(low, 0, [w, h]), np.clip(high, 0, [w, h])
        if (high <= low).any():
            return 0.0
        part = self.weight[low[1] : high[1], low[0] : high[0]]
        mask = np.zeros(part.shape, np.uint8)
        cv2.fillConvexPoly(mask, cv2.convexHull(np.round((p - low) * 16).astype(np.int32)), 1, cv2.LINE_8, 4)
        return float(cv2.mean(part, mask)[0] * cv2.countNonZero(mask))


def _shrunk(layer: NDArray[np.float32], shrink: int) -> NDArray[np.float32]:
    h, w = layer.shape
    return np.asarray(cv2.resize(layer, (w // shrink, h // shrink), interpolation=cv2.INTER_AREA), np.float32)


def _body_map(finding: Finding, shrink: int) -> _Map:
    p = finding.probabilities
    return _Map(_shrunk(p[BODY] - p[OTHER] - p[BOARD] - p[CARD], shrink), finding, shrink)


def _board_map(finding: Finding, shrink: int) -> _Map:
    p = finding.probabilities
    return _Map(_shrunk(p[BOARD] - p[OTHER] - p[CARD], shrink), finding, shrink)


def _mask_box(finding: Finding, labels: tuple[int, ...]) -> tuple[Array, Array]:
    """Corner pixels (2,), (2,) of the largest patch of the given labels, in photo pixels."""
    mask = np.isin(finding.net_labels(), labels).astype(np.uint8)
    count, _, stats, _ = cv2.connectedComponentsWithStats(mask)
    if count < 2:
        raise OutlineError("No cake was found.")
    x, y, w, h, _ = stats[1 + stats[1:, 4].argmax()]
    corners = finding.to_photo(np.array([[x - 0.5, y - 0.5], [x + w - 0.5, y + h - 0.5]], float))
    return corners[0], corners[1]


def rough(inputs: Mapping[str, PhotoInput], poses: Mapping[str, Pose], settings: FitSettings) -> Array:
    """Cake and places from the finder's rough boxes."""
    cake = np.zeros(joint.CAKE)
    cake[joint.EDGE], cake[joint.BOARD_T] = settings.edge_mm, settings.board_t_mm
    radii, heights, blocks = [], [], []
    for name, i in inputs.items():
        view = poses[name].view
        try:
            low, high = _mask_box(i.finding, (BODY, DECORATION, FOOT_BORDER))
        except OutlineError:
            raise OutlineError(
                f"No cake was found in the {name} photo: bring the whole cake and the card into the frame."
            ) from None
        if name == "top":
            at = view.onto_height(0.5 * (low + high), 60.0)
            radii.append(0.25 * (high - low).sum() / view.px_per_mm(at))
        else:
            foot = view.onto_height(np.array([0.5 * (low[0] + high[0]), high[1]]), settings.board_t_mm)
            away = foot[:2] - view.eye_mm[:2]
            away = away / np.linalg.norm(away)
            size = 0.5 * (high[0] - low[0]) / view.px_per_mm(foot)
            radius = size * (1 + size / np.linalg.norm(foot - view.eye_mm))
            at = np.array([*(foot[:2] + radius * away), 0.0])
            radii.append(radius)
            heights.append((high[1] - low[1]) / view.px_per_mm(at))
        blocks.append(_place(name, poses[name], at))
    cake[joint.RADIUS] = np.median(radii)
    cake[joint.HEIGHT] = 0.8 * np.median(heights) if heights else 70.0
    cake[joint.BOARD_HALF] = 1.25 * cake[joint.RADIUS]
    return np.concatenate([cake, *blocks])


def _place(name: str, pose: Pose, at: Array) -> Array:
    """A photo's block: the card's parameters, the cake's place, and the nominal clock."""
    view, block = pose.view, np.zeros(joint.PHOTO)
    block[: joint.PARAMETERS] = pose.parameters
    block[joint.PLACE_X], block[joint.PLACE_Y] = at[:2]
    if name == "top":
        px = view.project(np.array([*at[:2], 0.0]))
        six = view.onto_height(px + [0.0, 50.0], 0.0)[:2] - view.onto_height(px, 0.0)[:2]
    else:
        six = view.eye_mm[:2] - at[:2]
    block[joint.YAW] = np.arctan2(six[1], six[0]) + (0.0 if name == "side2" else np.pi / 2)
    return block


def cover_body(
    findings: Mapping[str, Finding], start: Array, sizes_px: list[tuple[int, int]], settings: StartSettings
) -> Array:
    """Radius, height and places of a parameter vector moved until the body covers the icing."""
    maps = [_body_map(f, settings.shrink) for f in findings.values()]
    blocks = [slice(joint.CAKE + joint.PHOTO * k, joint.CAKE + joint.PHOTO * (k + 1)) for k in range(len(maps))]
    at = [joint.RADIUS, joint.HEIGHT] + [b.start + j for b in blocks for j in (joint.PLACE_X, joint.PLACE_Y)]
    scale = np.array([settings.size_mm, settings.height_mm] + [settings.place_mm] * (2 * len(maps)))
    whole = sum(float(np.maximum(m.weight, 0).sum()) for m in maps)

    def cost(x: Array) -> float:
        p = start.copy()
        p[at] += x * scale
        radius, height = p[joint.RADIUS], p[joint.HEIGHT]
        if radius < 20 or height < 10:
            return 10.0
        edge = settings.edge_share * radius
        rings = [(radius, 0.0), (radius, height - edge), (radius - edge, height)]
        solid = np.concatenate([np.column_stack([r * _CIRCLE, np.full(len(_CIRCLE), z)]) for r, z in rings])
        seen = 0.0
        for m, b, size in zip(maps, blocks, sizes_px, strict=True):
            seen += m.covered(joint.cake_view(p[: joint.CAKE], p[b], size).project(solid))
        usual, spread = settings.plain_height_mm
        return 1 - seen / whole + 1e-3 * ((height - usual) / spread) ** 2

    return _moved(start, at, scale, _search(cost, len(at), settings, (1.0, 0.4)))


def cover_board(
    findings: Mapping[str, Finding],
    start: Array,
    sizes_px: list[tuple[int, int]],
    square: bool,
    settings: StartSettings,
) -> tuple[Array, float]:
    """Size and place of the board moved until it covers what was seen of it; also the share left uncovered."""
    maps = [_board_map(f, settings.shrink) for f in findings.values()]
    blocks = [slice(joint.CAKE + joint.PHOTO * k, joint.CAKE + joint.PHOTO * (k + 1)) for k in range(len(maps))]
    at = [joint.BOARD_HALF, joint.BOARD_X, joint.BOARD_Y] + [joint.BOARD_TURN] * square
    scale = np.array([settings.size_mm, 5.0, 5.0] + [0.05] * square)
    whole = sum(float(np.maximum(m.weight, 0).sum()) for m in maps)
    views = [joint.cake_view(start[: joint.CAKE], start[b], size) for b, size in zip(blocks, sizes_px, strict=True)]

    def cost(x: Array) -> float:
        p = start.copy()
        p[at] += x * scale
        board: Board = joint.board_of(p[: joint.CAKE], square)
        places, _ = board.edge_points(48)
        both = np.concatenate([np.column_stack([places, np.full(len(places), z)]) for z in (0.0, -board.thickness_mm)])
        seen = sum(m.covered(view.project(both)) for m, view in zip(maps, views, strict=True))
        return 1 - seen / max(whole, 1.0)

    found = _search(cost, len(at), settings, (0.6,))
    return _moved(start, at, scale, found), cost(found)


def _search(cost: Callable[[Array], float], size: int, settings: StartSettings, reaches: tuple[float, ...]) -> Array:
    """Simplex search, twice: a simplex that has collapsed starts afresh."""
    x = np.zeros(size)
    for reach in reaches:
        simplex = np.vstack([x, x + reach * np.eye(size)])
        options = {
            "maxfev": settings.evaluations,
            "xatol": 0.04,
            "fatol": 1e-4,
            "initial_simplex": simplex,
            "adaptive": True,
        }
        x = minimize(cost, x, method="Nelder-Mead", options=options).x
    return x


def _moved(start: Array, at: list[int], scale: Array, x: Array) -> Array:
    p = start.copy()
    p[at] += x * scale
    return p
