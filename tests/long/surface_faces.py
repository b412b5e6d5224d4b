"""Flattened pictures of rendered cakes, seen through their exact cameras, and the truth: what teaches `qc.surface_net`.

    python -m tests.long.surface_faces FOLDER [FOLDER ...] --out FACES

Each FOLDER holds */{top,side,side2}.jpg with truth.json. FACES/CAKE_PHOTO.npz has `light` (rows, cols) and `colours`
(2, rows / 2, cols / 2), the first planes that the network is shown, and `around` (3, rows / 4, cols / 4): what is seen,
pieces and facing, all as bytes; `top`; `spots` (n, 4): column, row (pixels of the picture), size (mm), kind (0 pit, 1
crumb, 2 finger mark); `relief` (rows / 4, cols / 4), log of the local RMS relief in mm between 2 and 20 mm;
and `show` (rows / 2, cols / 2), where filling or sponge shows.
"""

import argparse
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from qc.body import Body
from qc.camera import View
from qc.colour import delta_e2000, lab_of_linear
from qc.face import IcingSettings, shown_to_network
from qc.finder import Finding, find
from qc.masks import side_valid, top_valid
from qc.photo import read_photo
from qc.quantities import Decoration
from qc.relief import SIGMA_OF_CUTOFF
from qc.shading import Unlit, remove_light
from qc.unroll import SidePicture, TopPicture, side_picture, top_picture
from sample_images.render import geometry
from tests.truth import load, true_body, true_view

Array = np.ndarray
KINDS = ("pit", "crumb", "finger")
NEAR_MM = 5.0  # standard deviation of the window in which relief is local
SHORTEST_MM, LONGEST_MM = 2.0, 20.0
SHOWS, LEAST_MM2 = 6.0, 4.0  # CIEDE2000 against the icing, and the smallest patch: as show-through is defined


def face_of(
    name: str, pixels: Array, view: View, body: Body, finding: Finding, pieces: list[Decoration]
) -> tuple[SidePicture | TopPicture, Unlit] | None:
    """One flattened picture with its light taken off, as `qc.face.read_face` does it."""
    settings = IcingSettings()
    picture: SidePicture | TopPicture
    if name == "top":
        picture = top_picture(pixels, view, body, settings.px_per_mm)
        valid, height = top_valid(picture, body, finding, pieces, settings.masks), 2 * picture.reach_mm
    else:
        picture = side_picture(pixels, view, body, name, settings.px_per_mm)
        valid, height = side_valid(picture, body, finding, settings.masks), body.height_mm
    unlit = remove_light(picture.pixels, valid, height, settings.px_per_mm, settings.shading)
    return None if unlit is None else (picture, unlit)


def band(height: Array, px_per_mm: float, wrap: bool) -> Array:
    """Relief between the two wavelengths of a height map; its columns may run all round."""
    pad = round(LONGEST_MM * px_per_mm)
    wide = cv2.copyMakeBorder(height.astype(np.float32), pad, pad, pad, pad, cv2.BORDER_REFLECT)
    if wrap:
        wide[:, :pad], wide[:, -pad:] = wide[:, -2 * pad : -pad], wide[:, pad : 2 * pad]
    smooth = [cv2.GaussianBlur(wide, (0, 0), SIGMA_OF_CUTOFF * mm * px_per_mm) for mm in (SHORTEST_MM, LONGEST_MM)]
    return (smooth[0] - smooth[1])[pad:-pad, pad:-pad]


def true_relief(p: dict[str, Any], picture: SidePicture | TopPicture) -> Array:
    """Band-passed relief (mm) at half the picture's rows and columns, from the cake's parameters."""
    if isinstance(picture, SidePicture):
        theta, z = np.meshgrid(picture.theta_rad[::2], picture.z_mm[::2])
        return band(geometry.side_radius(p, theta, z), picture.px_per_mm / 2, False)
    n = picture.pixels.shape[0]
    at = picture.to_mm(np.stack(np.meshgrid(np.arange(0, n, 2), np.arange(0, n, 2)), -1))
    rho = np.hypot(at[..., 0], at[..., 1])
    z = geometry.top_height(p, np.arctan2(at[..., 1], at[..., 0]), rho)
    return band(z, picture.px_per_mm / 2, False)


def true_show(p: dict[str, Any], picture: SidePicture | TopPicture, body: Body) -> Array:
    """Where filling or sponge shows (rows, cols), at half of a picture's rows and columns, by the cake's parameters."""
    shape = picture.pixels[::2, ::2].shape[:2]
    if not isinstance(picture, SidePicture) or p["show"]["type"] == "none":
        return np.zeros(shape, bool)
    theta, z = np.meshgrid(picture.theta_rad[::2], picture.z_mm[::2])
    at = body.side_point_mm(theta, z)[..., :2] + geometry.build_body(p, 0.15).shift
    cx, cy = geometry.centre_line(p, z)
    own = np.arctan2(at[..., 1] - cy, at[..., 0] - cx)  # about the cake's own line
    rho, one = geometry.side_radius(p, own, z), np.ones(shape)
    show = geometry.show_field(p, own, z, rho, one)
    colour = lab_of_linear(geometry.paint(p, own, z, rho, one, show).astype(float))
    off = (delta_e2000(colour, lab_of_linear(np.array(p["rgb"], float))) > SHOWS) & (show > 0)
    _, label, stats, _ = cv2.connectedComponentsWithStats(off.astype(np.uint8), connectivity=8)
    large = stats[:, cv2.CC_STAT_AREA] >= LEAST_MM2 * (picture.px_per_mm / 2) ** 2
    large[0] = False
    return np.asarray(large[label])


def local(relief: Array) -> Array:
    """Log of the local RMS (mm), at half of its rows and columns (2 px/mm to 1)."""
    power = cv2.GaussianBlur(relief.astype(np.float32) ** 2, (0, 0), NEAR_MM * 2, borderType=cv2.BORDER_REFLECT)
    return 0.5 * np.log(np.maximum(power[::2, ::2], 1e-6))


def spots_of(truth: dict[str, Any], name: str, picture: SidePicture | TopPicture) -> Array:
    """What the truth has on this face: (n, 4) column, row, size, kind."""
    out = []
    for b in truth["blemishes"]:
        if b["kind"] not in KINDS or (b["on"] == "top") != (name == "top") or name not in b["faces"]:
            continue
        mm = np.array([b["x_mm"], b["y_mm"]])
        px = picture.to_px(mm) if name == "top" else picture.to_px(np.arctan2(mm[1], mm[0]), b["height_mm"])
        out.append([*px, b["size_mm"], KINDS.index(b["kind"])])
    return np.array(out).reshape(-1, 4)


def write(cake: Path, out: Path) -> None:
    """All faces of one cake."""
    cv2.setNumThreads(1)
    truth = load(cake)
    body = true_body(truth)
    pieces = [Decoration(d["x_mm"], d["y_mm"], d["diameter_mm"], d["clock"], 1) for d in truth["decorations"]]
    for name in truth["photos"]:
        pixels = read_photo(cake / f"{name}.jpg", name).pixels
        finding = find(pixels)
        pair = face_of(name, pixels, true_view(truth, name), body, finding, pieces)
        if pair is None:
            continue
        shown = shown_to_network(*pair, body, finding)
        relief = local(true_relief(truth["params"], pair[0]))
        as_bytes = lambda v: np.round(v * 127 + 128).astype(np.uint8)  # noqa: E731
        np.savez_compressed(
            out / f"{cake.name}_{name}.npz",
            light=as_bytes(shown[0]),
            colours=as_bytes(
                np.stack([cv2.resize(v, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA) for v in shown[1:3]])
            ),
            around=np.round(shown[3:6, ::4, ::4] * 255).astype(np.uint8),
            top=name == "top",
            kind=truth["kind"],
            spots=spots_of(truth, name, pair[0]),
            relief=relief.astype(np.float16),
            show=true_show(truth["params"], pair[0], body),
        )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folders", nargs="+", type=Path)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--jobs", type=int, default=1)
    args = parser.parse_args()
    args.out.mkdir(parents=True, exist_ok=True)
    cakes = [p.parent for folder in args.folders for p in sorted(folder.glob("*/truth.json"))]
    with ProcessPoolExecutor(args.jobs) as pool:
        for job in [pool.submit(write, cake, args.out) for cake in cakes]:
            job.result()


if __name__ == "__main__":
    main()
