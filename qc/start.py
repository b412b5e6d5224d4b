"""A first cake that covers what the finder saw: where every finer search begins.

The body's picture is nearly the convex hull of its foot's and its rim's circles. Sizes and places are moved until that
hull covers icing and leaves out bench, board and card; decorations and piping count neither way, so that pieces along
the rim hide nothing that matters. The board is then found in the same way.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

from qc import joint
from qc.camera import View
from qc.errors import OutlineError
from qc.finder import BOARD, BODY, CARD, DECORATION, FOOT_BORDER, OTHER, Finding
from qc.fit_terms import FitSettings, PhotoInput
from qc.pose import Pose

Array = NDArray[np.float64]
_A = np.linspace(0, 2 * np.pi, 40, endpoint=False)
_CIRCLE = np.stack([np.cos(_A), np.sin(_A), 0 * _A], -1)
BOARD_PLACES = 48  # along the board's edge
SUBPIXEL = 4  # bits of a pixel that corners of a hull are rounded to


@dataclass(frozen=True)
class StartSettings:
    """How far the first guesses may be off (mm), and how long to look."""

    size_mm: float = 8.0
    height_mm: float = 12.0
    place_mm: float = 12.0
    shrink: int = 2  # the finder's picture is halved for speed
    evaluations: int = 100
    edge_share: float = 0.05  # rounding of the rim, share of the radius
    misread: float = 0.2  # of the seen board left out, from here on the top photo's may be no board ...
    by_sides: float = 0.3  # ... and isn't where without it so little of that is left out: one of 141 rendered cakes
    robust: float = 0.5  # power of what a photo leaves uncovered: one that the finder misread should not outvote two
    plain_height_mm: tuple[float, float] = (75.0, 45.0)  # cakes' usual height and its spread, which breaks ties


@dataclass(frozen=True)
class _Map:
    """Weights (h, w) at the shrunken finder's resolution, and how photo pixels get there: by step, then offset."""

    weight: NDArray[np.float32]
    step: float  # in the hull's own small units, as `offset`
    offset: Array

    @classmethod
    def of(cls, layer: NDArray[np.float32], finding: Finding, shrink: int) -> "_Map":
        """A layer (h, w) at the finder's resolution, shrunk."""
        h, w = layer.shape
        weight = cv2.resize(layer, (w // shrink, h // shrink), interpolation=cv2.INTER_AREA)
        unit = 1 << SUBPIXEL
        offset = unit * ((np.array(finding.offset_px) + 0.5) / shrink - 0.5)
        return cls(np.asarray(weight, np.float32), unit * finding.scale_px / shrink, offset)

    def covered(self, points_px: Array) -> float:
        """Sum of the weights inside the convex hull of photo points (N, 2)."""
        p = np.round(points_px * self.step + self.offset)
        if not np.abs(p).max() < 10_000 << SUBPIXEL:  # also where a point lies behind the lens
            return -1e6
        hull = cv2.convexHull(p.astype(np.int32))
        x, y, w, h = (v >> SUBPIXEL for v in cv2.boundingRect(hull))
        left, top = max(x, 0), max(y, 0)
        part = self.weight[top : max(y + h + 2, 0), left : max(x + w + 2, 0)]
        if part.size == 0:
            return 0.0
        mask = np.zeros(part.shape, np.uint8)
        cv2.fillConvexPoly(mask, hull - [left << SUBPIXEL, top << SUBPIXEL], 1, cv2.LINE_8, SUBPIXEL)
        return float(cv2.mean(part, mask)[0] * cv2.countNonZero(mask))


def _body_map(finding: Finding, shrink: int) -> _Map:
    p = finding.probabilities
    return _Map.of(p[BODY] - p[OTHER] - p[BOARD] - p[CARD], finding, shrink)


def _board_map(finding: Finding, shrink: int) -> _Map:
    p = finding.probabilities
    return _Map.of(p[BOARD] - p[OTHER] - p[CARD], finding, shrink)


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
    blocks = [joint.photo_block(k) for k in range(len(maps))]
    at = [joint.RADIUS, joint.HEIGHT] + [b.start + j for b in blocks for j in (joint.PLACE_X, joint.PLACE_Y)]
    scale = np.array([settings.size_mm, settings.height_mm] + [settings.place_mm] * (2 * len(maps)))
    whole = [float(np.maximum(m.weight, 0).sum()) for m in maps]
    views = [_from_place(start[: joint.CAKE], start[b], size) for b, size in zip(blocks, sizes_px, strict=True)]
    begin = start[at]

    def cost(x: Array) -> float:
        radius, height, *places = begin + x * scale
        if radius < 20 or height < 10:
            return 10.0
        edge = settings.edge_share * radius
        rings = [(radius, 0.0), (radius, height - edge), (radius - edge, height)]
        solid = np.concatenate([_CIRCLE * [r, r, 0] + [0, 0, z] for r, z in rings])
        left = 0.0
        for m, all_of_it, view, x_mm, y_mm in zip(maps, whole, views, places[::2], places[1::2], strict=True):
            missed = max(1 - m.covered(view.project(solid + [x_mm, y_mm, 0])) / max(all_of_it, 1.0), 0.0)
            left += missed**settings.robust
        usual, spread = settings.plain_height_mm
        return left / len(maps) + 1e-3 * ((height - usual) / spread) ** 2

    return _moved(start, at, scale, _search(cost, len(at), settings, (1.0, 0.4)))


def _from_place(cake: Array, photo: Array, size_px: tuple[int, int]) -> View:
    """A photo seen from the board's face where the card's own axes begin: a round cake stands there unturned."""
    block = photo.copy()
    block[[joint.PLACE_X, joint.PLACE_Y, joint.YAW]] = 0.0
    return joint.cake_view(cake, block, size_px)


def cover_board(
    findings: Mapping[str, Finding],
    start: Array,
    sizes_px: list[tuple[int, int]],
    square: bool,
    settings: StartSettings,
) -> tuple[Array, float]:
    """Size and place of the board moved until it covers what was seen of it; also the share left uncovered."""
    maps = [_board_map(f, settings.shrink) for f in findings.values()]
    at = [joint.BOARD_HALF, joint.BOARD_X, joint.BOARD_Y] + [joint.BOARD_TURN] * square
    scale = np.array([settings.size_mm, 5.0, 5.0] + [0.05] * square)
    whole = sum(float(np.maximum(m.weight, 0).sum()) for m in maps)
    views = joint.views_of(start, sizes_px)
    cake, begin = start[: joint.CAKE].copy(), start[at]
    both = np.zeros((2 * BOARD_PLACES, 3))
    both[BOARD_PLACES:, 2] = -start[joint.BOARD_T]

    def cost(x: Array) -> float:
        cake[at] = begin + x * scale
        places, _ = joint.board_of(cake, square).edge_points(BOARD_PLACES)
        both[:BOARD_PLACES, :2] = both[BOARD_PLACES:, :2] = places
        seen = sum(m.covered(view.project(both)) for m, view in zip(maps, views, strict=True))
        return 1 - seen / max(whole, 1.0)

    found = _search(cost, len(at), settings, (0.6,))
    return _moved(start, at, scale, found), cost(found)


def misread_board(
    findings: Mapping[str, Finding],
    start: Array,
    sizes_px: list[tuple[int, int]],
    best: tuple[float, bool],
    settings: StartSettings,
) -> bool:
    """Whether what the finder took for the board in the top photo is none: both side photos agree on another.

    From straight above a tall cake hides its board; what is dark round its rim may look like one. `best` is the share
    that the best board left uncovered, and whether that one is square.
    """
    left_out, square = best
    if left_out < settings.misread or set(findings) != {"top", "side", "side2"}:
        return False
    sides = {n: k for k, n in enumerate(findings) if n != "top"}
    blocks = [start[joint.photo_block(k)] for k in sides.values()]
    without = np.concatenate([start[: joint.CAKE], *blocks])
    sizes = [sizes_px[k] for k in sides.values()]
    left = cover_board({n: findings[n] for n in sides}, without, sizes, square, settings)[1]
    return left < settings.by_sides * left_out


def board_as_icing(finding: Finding) -> Finding:
    """A finding whose board is taken for icing."""
    p = finding.probabilities.copy()
    p[BODY] += p[BOARD]
    p[BOARD] = 0.0
    return replace(finding, probabilities=p)


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
