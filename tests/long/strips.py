"""Strips along the outlines of rendered cakes and boards and where these truly end: what teaches `qc.outline_strip`.

    python -m tests.long.strips FOLDER [FOLDER ...] --out STRIPS [--keep FITS] [--jobs N]

Each FOLDER holds */{top,side,side2}.jpg with truth.json. STRIPS/FOLDER_CAKE.npz has, for each photo, what the network
is shown of the icing's outline (`PHOTO_light`, a JPEG of n rows and 144 columns, 3.6 mm more either side than it sees;
`PHOTO_seen` as bytes, at a quarter of that size; `PHOTO_place` as bytes) and the true edge's offset from the fitted
outline in mm (`PHOTO_edge`, (n,)), by the rendered mesh through the exact camera; the same of the board's outline
(`PHOTO-board_light` and so on).
"""

import argparse
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from scipy.spatial import cKDTree

from qc.contour import board_contours, body_contour
from qc.fit import CakeFit
from qc.fit_terms import PhotoInput
from qc.outline_strip import COLUMN_MM, PLACE, ROW_MM, Laid, board_outline, lay_board, lay_round, place_planes, planes
from sample_images.render import geometry
from tests.long.fitted import cakes_of, fit_of, inputs_of
from tests.truth import load, true_view

WIDE = 144  # columns, so that the strip may be bent while it teaches
DETAIL = 0.7  # of the mesh: a vertex every half millimetre
POINTS = 360  # of the outline
NEAR_MM = 12.0  # from the outline, that vertices are asked for
CLOSE_MM = 0.6  # and cells, from the outermost vertices
FINER, FINE_MM = 4, 0.1  # parts of a cell either way; how near a row they count
UNKNOWN = -99.0  # offset of a row where no vertex came near


def _across(points_px: np.ndarray, laid: Laid) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Row (n,) of a strip to which points (n, 2) are nearest, -1 where none is near, and how far across and along it
    (n,) in mm they lie."""
    room = NEAR_MM * laid.px_per_mm
    _, row = cKDTree(laid.curve_px).query(points_px, distance_upper_bound=room)
    row = np.where(row < len(laid.curve_px), row, -1)
    away, normal = (points_px - laid.curve_px[row]) / laid.px_per_mm, laid.normal_px[row]
    return row, (away * normal).sum(1), away[:, 0] * normal[:, 1] - away[:, 1] * normal[:, 0]


def _outermost(row: np.ndarray, across: np.ndarray, count: int) -> np.ndarray:
    out = np.full(count, UNKNOWN, np.float32)
    np.maximum.at(out, row, across.astype(np.float32))
    return out


def true_offsets(mesh_px: np.ndarray, laid: Laid) -> np.ndarray:
    """Offset (n,) in mm, outwards from a strip's curve, of the outermost place of a mesh (rows, columns, 2) in a photo.

    Cells near the outline, as the vertices show it, are looked at more finely: by vertices alone, half a millimetre
    apart, valleys between ridges would read too shallow.
    """
    flat = mesh_px.reshape(-1, 2)
    low, high = (edge(laid.curve_px, axis=0) for edge in (np.min, np.max))
    room = NEAR_MM * laid.px_per_mm
    near = np.flatnonzero(((flat > low - room) & (flat < high + room)).all(1))
    row, across, along = _across(flat[near], laid)
    here = (row >= 0) & (np.abs(along) < 0.72 * ROW_MM)
    rough = _outermost(row[here], across[here], len(laid.curve_px))
    border = np.zeros(len(flat), bool)
    border[near[(row >= 0) & (across > rough[row] - CLOSE_MM)]] = True
    border = border.reshape(mesh_px.shape[:2])
    cell = np.argwhere(border[:-1, :-1] | border[1:, :-1] | border[:-1, 1:] | border[1:, 1:])
    share = (np.arange(FINER) + 0.5) / FINER
    u, v = (w.reshape(-1, 1, 1) for w in np.meshgrid(share, share, indexing="ij"))
    i, j = cell.T
    fine = (1 - u) * ((1 - v) * mesh_px[i, j] + v * mesh_px[i, j + 1])
    fine = fine + u * ((1 - v) * mesh_px[i + 1, j] + v * mesh_px[i + 1, j + 1])
    row, across, along = _across(fine.reshape(-1, 2), laid)
    here = (row >= 0) & (np.abs(along) < FINE_MM)
    found = _outermost(row[here], across[here], len(laid.curve_px))
    return np.where(found > rough - CLOSE_MM, found, rough)


def board_mesh(board: dict[str, Any]) -> np.ndarray:
    """Places (rows, columns, 3) of a rendered board, as `sample_images.render.scene.board_mesh` has it, but finer."""
    half, thick = board["half"], board["thickness"]
    bevel, a = min(0.5, thick / 4), np.linspace(0, 2 * np.pi, 361)
    ring = np.stack([np.cos(a), np.sin(a)], -1)
    if board["shape"] != "round":
        turn = np.radians(board["turn"])
        corners = np.array([[1, -1], [1, 1], [-1, 1], [-1, -1], [1, -1]], float)
        ring = corners @ np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    steps = np.linspace(0, len(ring) - 1, 2000)
    ring = np.stack([np.interp(steps, np.arange(len(ring)), v) for v in ring.T], -1)
    wall = np.linspace(-thick + bevel, -bevel, max(3, round(2 * thick)))
    radius = np.concatenate([[half - bevel], np.full(len(wall), half), [half - bevel, half - 2]])
    z = np.concatenate([[-thick], wall, [0.0, 0.0]])
    flat = radius[:, None, None] * ring + [board["x"], board["y"]]
    return np.concatenate([flat, np.broadcast_to(z[:, None, None], (*flat.shape[:2], 1))], -1)


def shown_and_true(photo: PhotoInput, laid: Laid, mesh_px: np.ndarray) -> dict[str, np.ndarray]:
    """One strip as it is kept."""
    offsets = (np.arange(WIDE) - (WIDE - 1) / 2) * COLUMN_MM
    shown = np.clip(255 * planes(photo.photo.pixels, photo.finding, laid, offsets) + 0.5, 0, 255).astype(np.uint8)
    light = np.ascontiguousarray(shown[:3].transpose(1, 2, 0))
    size = WIDE // 4, len(laid.curve_px) // 4
    return {
        "light": cv2.imencode(".jpg", light, [cv2.IMWRITE_JPEG_QUALITY, 95])[1],
        "seen": np.stack([cv2.resize(p, size, interpolation=cv2.INTER_AREA) for p in shown[3:-PLACE]]),
        "place": (255 * place_planes(laid) + 0.5).astype(np.uint8),
        "edge": true_offsets(mesh_px, laid).astype(np.float16),
    }


def strips_of(cake: Path, out: Path, keep: Path | None) -> None:
    """The outlines of one cake and its board in its photos."""
    cv2.setNumThreads(1)
    fit = fit_of(cake, keep)
    if not isinstance(fit, CakeFit):
        return
    truth, inputs, kept = load(cake), inputs_of(cake), {}
    icing, board = geometry.build_body(truth["params"], DETAIL).P, board_mesh(truth["params"]["board"])
    for name, view in fit.views.items():
        top, exact = name == "top", true_view(truth, name)
        round_icing = lay_round(view, body_contour(view, fit.body, POINTS), fit.body, top)
        round_board = lay_board(view, board_outline(board_contours(view, fit.board, POINTS)), fit.body, top)
        for key, laid, mesh in ((name, round_icing, icing), (f"{name}-board", round_board, board)):
            mesh_px = exact.project(mesh.reshape(-1, 3)).reshape(*mesh.shape[:2], 2)
            kept.update({f"{key}_{k}": v for k, v in shown_and_true(inputs[name], laid, mesh_px).items()})
    np.savez_compressed(out / f"{cake.parent.name}_{cake.name}.npz", **kept)


def main() -> None:
    """Strips of all cakes."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folders", type=Path, nargs="+")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--keep", type=Path, help="folder to keep the fits in, used again where they are there")
    parser.add_argument("--jobs", type=int, default=1)
    asked = parser.parse_args()
    asked.out.mkdir(parents=True, exist_ok=True)
    with ProcessPoolExecutor(asked.jobs) as pool:
        list(pool.map(partial(strips_of, out=asked.out, keep=asked.keep), cakes_of(asked.folders)))


if __name__ == "__main__":
    main()
