"""A small network that sees where icing and board end across their outlines, amid belts, shade and mirrored light.

It is shown a strip of the photo along the predicted outline, millimetre by millimetre, with what the finder sees there,
and says for every row how likely the edge lies in each column. How it was taught: `qc/training/STRIP.md`.
"""

from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import uniform_filter1d

from qc.body import Body
from qc.camera import View
from qc.contour import Contour
from qc.finder import Finding
from qc.network import Network
from qc.outline import Edges, inside_photo
from qc.silhouette import EdgeSettings, cheapest, graze_outline

Array = NDArray[Any]
ROW_MM, COLUMN_MM = 0.5, 0.15  # of what it sees
COLUMNS = 96
STEP = 8  # its strips have multiples of so many rows
SHOWN = ("board", "body", "decoration", "card", "foot_border")  # of what the finder sees
PLACE = 5  # planes that say where a row lies
PLANES = 3 + len(SHOWN) + PLACE
OFFSETS_MM: Array = (np.arange(COLUMNS) - (COLUMNS - 1) / 2) * COLUMN_MM  # of its columns, outwards
BESIDE = 6  # columns on either side of the path that belong to the same edge
LEAST_SIGMA_MM = 0.05  # of a row's edge, against its neighbours
MARGIN_PX = 4.0
SURE = 0.5  # that a row shows the icing's edge
LEAST_SURE = 1e-3
STEEPEST, TURN_PRICE = 5, 0.3  # columns that the path may move by from row to row, and the price of that
NEIGHBOURS = 64  # rows that the network sees about each, at most; multiple of STEP
HIDING = {"decoration": 0.4, "card": 0.4, "foot_border": 0.3}  # probability from which the edge is not the icing's ...
HIDING_BOARD = {**HIDING, "body": 0.4}  # ... or the board's
_network = Network("strip_net.onnx")


@dataclass(frozen=True)
class Laid:
    """Where a strip lies in a photo: a row every ROW_MM along an outline."""

    curve_px: Array  # (n, 2)
    normal_px: Array  # (n, 2) unit, outwards
    height: Array  # (n,) share of the cake's height at which the line of sight grazes it
    foot: NDArray[np.bool_]  # (n,) where it ends on the board
    top: bool  # the photo is taken from above
    px_per_mm: float
    closed: bool  # the last row is followed by the first
    board: bool = False  # it is the board's outline, not the icing's
    row_of_point: Array = field(default_factory=lambda: np.zeros(0))  # (m,) of the contour that a closed one follows


def lay_side(view: View, body: Body, left: bool, shift: float = 0.0) -> Laid:
    """The strip along one silhouette of a side photo, up the side, over the rounding and along the far rim; it begins
    `shift` rows up."""
    outline = graze_outline(view, body, left, EdgeSettings())
    curve, scale = view.project(outline.points_mm), view.px_per_mm(outline.points_mm[100])
    along = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(curve, axis=0), axis=1))])
    at = np.arange(shift * ROW_MM * scale, along[-1], ROW_MM * scale)
    x, y, z = (np.interp(at, along, v) for v in (*curve.T, outline.points_mm[:, 2]))
    curve = np.stack([x, y], -1)
    ahead = np.gradient(curve, axis=0)
    normal = np.stack([-ahead[:, 1], ahead[:, 0]], 1) / np.linalg.norm(ahead, axis=1, keepdims=True)
    inside = view.project(np.array([0.0, 0.0, body.height_mm / 2]))
    normal *= np.sign(((curve - inside) * normal).sum())
    return Laid(curve, normal, z / body.height_mm, np.zeros(len(at), bool), False, float(scale), False)


def lay_round(view: View, contour: Contour, body: Body, top: bool) -> Laid:
    """The strip all along a body's outline in a photo."""
    assert contour.along_mm is not None
    up = (view.eye_mm[2] + contour.along_mm * view.rays(contour.points_px)[:, 2]) / body.height_mm
    return _lay_closed(contour, up, top, _scale(view, body), False)


def board_outline(edges: tuple[Contour, Contour]) -> Contour:
    """The outline of a board as seen: its lower edge where its wall is seen, elsewhere its upper one."""
    upper, lower = edges
    wall = upper.foot
    points, normals = (
        np.where(wall[:, None], a, b) for a, b in ((lower.points_px, upper.points_px), (lower.normals, upper.normals))
    )
    return Contour(points, normals, np.where(wall, lower.gradient_mm, upper.gradient_mm), wall)


def lay_board(view: View, outline: Contour, body: Body, top: bool) -> Laid:
    """The strip all along a board's outline in a photo."""
    return _lay_closed(outline, np.zeros(len(outline.points_px)), top, _scale(view, body), True)


def _scale(view: View, body: Body) -> float:
    return float(view.px_per_mm(np.array([0.0, 0.0, 0.5 * body.height_mm])))


def _lay_closed(contour: Contour, height: Array, top: bool, px_per_mm: float, board: bool) -> Laid:
    points = np.concatenate([contour.points_px, contour.points_px[:1]])
    along = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
    n = STEP * max(1, round(along[-1] / (ROW_MM * px_per_mm * STEP)))
    at = np.arange(n) * along[-1] / n
    columns = np.concatenate([contour.points_px, contour.normals, height[:, None], contour.foot[:, None]], 1)
    rows = [np.interp(at, along[:-1], v, period=along[-1]) for v in columns.T]
    normal = np.stack(rows[2:4], -1)
    normal /= np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-9)
    curve, of_point = np.stack(rows[:2], -1), along[:-1] * n / along[-1]
    return Laid(curve, normal, rows[4], rows[5] > 0.5, top, px_per_mm, True, board, of_point)


def planes(
    pixels: NDArray[np.uint8], finding: Finding | None, laid: Laid, offsets_mm: Array = OFFSETS_MM
) -> NDArray[np.float32]:
    """What the network is shown (PLANES, n, len(offsets_mm)): light of a photo (H, W, 3), the finder's view, place."""
    n, m, scale = len(laid.curve_px), len(offsets_mm), laid.px_per_mm
    often = np.maximum(1, np.round([ROW_MM * scale, COLUMN_MM * scale])).astype(int)
    ahead = np.roll(laid.curve_px, -1, 0) - np.roll(laid.curve_px, 1, 0)
    ahead = 0.5 * ahead if laid.closed else np.gradient(laid.curve_px, axis=0)
    between = [((np.arange(k) + 0.5) / k - 0.5) for k in often]
    rows = (laid.curve_px[:, None] + between[0][:, None] * ahead[:, None]).reshape(-1, 2)
    across = ((offsets_mm[:, None] + between[1] * COLUMN_MM) * scale).reshape(-1)
    normals = np.repeat(laid.normal_px, often[0], 0)
    x, y = ((rows[:, k, None] + across * normals[:, k, None]).astype(np.float32) for k in (0, 1))
    light = cv2.remap(pixels, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    light = cv2.resize(light, (m, n), interpolation=cv2.INTER_AREA)
    out = np.zeros((PLANES, n, m), np.float32)
    out[:3] = light.transpose(2, 0, 1) / np.float32(255)
    if finding is not None:
        out[3:-PLACE] = _seen(finding, laid, offsets_mm)
    out[-PLACE:] = place_planes(laid)[:, :, None]
    return out


def _seen(finding: Finding, laid: Laid, offsets_mm: Array) -> NDArray[np.float32]:
    """What the finder sees (len(SHOWN), n, len(offsets_mm)) about a strip."""
    there = finding.to_net(laid.curve_px[:, None] + offsets_mm[:, None] * laid.px_per_mm * laid.normal_px[:, None])
    x, y = np.ascontiguousarray(there.astype(np.float32).transpose(2, 0, 1))
    maps = (cv2.remap(finding.probability(k), x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE) for k in SHOWN)
    return np.stack(list(maps))


def place_planes(laid: Laid) -> NDArray[np.float32]:
    """What the network is told of each row (PLACE, n), 0..1: height, how far the normal points down the photo, foot or
    the board's wall, photo, board."""
    up, down = np.clip(laid.height, 0, 1), 0.5 + 0.5 * laid.normal_px[:, 1]
    return np.stack([up, down, laid.foot, np.full(len(up), laid.top), np.full(len(up), laid.board)]).astype(np.float32)


@dataclass(frozen=True)
class StripEdge:
    """Where the icing ends in each row of a strip."""

    offset_mm: Array  # (n,) outwards from the strip's curve
    sigma_mm: Array  # (n,) standard deviation
    sure: Array  # (n,) probability that the edge lies near there
    hidden: NDArray[np.bool_]  # (n,) something stands before it or makes it, or it lies outside the photo


def read_strip(pixels: NDArray[np.uint8], finding: Finding | None, laid: Laid) -> StripEdge:
    """Where the icing ends along a strip, by the network."""
    shown = planes(pixels, finding, laid)
    log_p = log_probability(shown, laid.closed)
    path = _path(log_p, laid.closed)
    column = np.arange(COLUMNS)
    p = np.where(np.abs(column - path[:, None]) <= BESIDE, np.exp(log_p), 0.0)
    sure = p.sum(1)
    offset = (p @ OFFSETS_MM) / sure
    sigma = np.sqrt((p * (OFFSETS_MM - offset[:, None]) ** 2).sum(1) / sure)
    out = hidden(shown[3:-PLACE], offset, laid.board) | ~_within(pixels, laid, offset)
    return StripEdge(offset, sigma, sure, out)


@dataclass(frozen=True)
class SideLine:
    """A silhouette of the icing, from the foot over the rounding: points (n, 2), unit normals (n, 2) of its strip,
    standard deviations (n,) in mm, and whether they can be relied on (n,)."""

    points_px: Array
    normal_px: Array
    sigma_mm: Array
    good: NDArray[np.bool_]
    row_mm: float
    px_per_mm: float


def side_line(pixels: NDArray[np.uint8], finding: Finding | None, view: View, body: Body, left: bool) -> SideLine:
    """One silhouette of a side photo, a point every half ROW_MM: two strips are read, half a row apart."""
    laid = [lay_side(view, body, left, shift) for shift in (0.0, 0.5)]
    read = [read_strip(pixels, finding, each) for each in laid]

    def woven(first: NDArray[Any], second: NDArray[Any]) -> NDArray[Any]:
        n = min(len(r.sure) for r in read)
        return np.stack([first[:n], second[:n]], 1).reshape(2 * n, *first.shape[1:])

    offset, normal = woven(*(r.offset_mm for r in read)), woven(*(each.normal_px for each in laid))
    scale = laid[0].px_per_mm
    points = woven(*(each.curve_px for each in laid)) + (offset * scale)[:, None] * normal
    good = woven(*((r.sure > SURE) & ~r.hidden for r in read))
    return SideLine(points, normal, woven(*(r.sigma_mm for r in read)), good, ROW_MM / 2, scale)


def strip_edges(read: StripEdge, laid: Laid, contour: Contour, keep: NDArray[np.bool_]) -> Edges:
    """Edges about a predicted outline: at each kept point of it the mean of the rows around it."""
    seen = ~read.hidden
    weight = np.where(seen, read.sure / np.hypot(read.sigma_mm, LEAST_SIGMA_MM) ** 2, 0.0)
    near = max(1, len(laid.curve_px) // len(contour.points_px))
    sums = [uniform_filter1d(v, near, mode="wrap") for v in (weight, weight * read.offset_mm, weight * read.sure)]
    rows = np.arange(len(weight))
    total, offset, sure, shown, sigma = (
        np.interp(laid.row_of_point, rows, v, period=len(rows)) for v in (*sums, seen.astype(float), read.sigma_mm)
    )
    index = np.flatnonzero(keep & (shown > 0.5) & (total > 0))
    offset_px = offset[index] / total[index] * laid.px_per_mm
    points = contour.points_px[index] + offset_px[:, None] * contour.normals[index]
    sure = np.clip(sure[index] / total[index], LEAST_SURE, 1.0)
    return Edges(index, points, sigma[index] * laid.px_per_mm, np.ones(len(index)), sure)


def _within(pixels: NDArray[np.uint8], laid: Laid, offset_mm: Array) -> NDArray[np.bool_]:
    """Rows (n,) whose edge lies in the photo, a few pixels from its border."""
    at = laid.curve_px + (offset_mm * laid.px_per_mm)[:, None] * laid.normal_px
    return inside_photo(at, (pixels.shape[1], pixels.shape[0]), MARGIN_PX)


def log_probability(shown: NDArray[np.float32], closed: bool) -> Array:
    """Logarithm of the probability (n, COLUMNS) that the icing's edge lies in each column of each row of a strip."""
    n = shown.shape[1]
    before = NEIGHBOURS if closed else 0
    after = before + -(n + 2 * before) % STEP
    filled = np.pad(shown, ((0, 0), (before, after), (0, 0)), mode="wrap" if closed else "edge")
    odds = _network(filled[None])[0][0, before : before + n]
    odds = odds - odds.max(1, keepdims=True)
    return np.asarray(odds - np.log(np.exp(odds).sum(1, keepdims=True)))


def hidden(seen: NDArray[Any], offset_mm: Array, board: bool) -> NDArray[np.bool_]:
    """Rows (n,) where the finder (len(SHOWN), n, columns) sees something at or beside an offset (n,)."""
    wide, rows = seen.shape[2], np.arange(seen.shape[1])
    bad = np.zeros(len(rows), bool)
    for mm in (-1.0, 0.0, 1.0):
        at = np.clip(np.round((offset_mm + mm) / COLUMN_MM + (wide - 1) / 2), 0, wide - 1).astype(int)
        for label, most in (HIDING_BOARD if board else HIDING).items():
            bad |= seen[SHOWN.index(label), rows, at] > most
    return bad


def _path(log_p: Array, closed: bool) -> NDArray[np.int64]:
    """The likeliest path (n,) of columns that bends no more steeply than icing does; a closed one begins where it is
    surest."""
    first = int(log_p.max(1).argmax()) if closed else 0
    path = cheapest(-np.roll(log_p, -first, 0), STEEPEST, TURN_PRICE)
    return np.roll(path, first)
