"""Compare finished photos with their truth: detected card corners, and the body's outline in the masks where present.

Run: python -m render.check DIR...   (all numbers in pixels)
"""

import json
import os
import sys

import cv2
import numpy as np
from PIL import Image, ImageOps

from . import camera, card, geometry


def check(folder):
    with open(folder + "/truth.json") as f:
        t = json.load(f)
    body = geometry.build_body(t["params"], 0.5)
    for name, ph in t["photos"].items():
        g = np.array(ImageOps.exif_transpose(Image.open(f"{folder}/{ph['file']}")).convert("L"))
        assert g.shape == (ph["height"], ph["width"])

        def see(X, pose, ph=ph):
            return camera.project(X, np.array(pose["R"]), np.array(pose["t"]), np.array(ph["K"]), np.array(ph["dist"]))

        for panel in ("floor", "standing"):
            c, i, _, _ = cv2.aruco.CharucoDetector(card.charuco(panel)).detectBoard(g)
            if i is None or len(i) < 4:
                print(f"{folder} {name} {panel}: not found")
                continue
            e = c.reshape(-1, 2) - see(card.corners(panel, ph["card"])[1], ph["card_to_camera"])[i.ravel()]
            d = np.hypot(*e.T)
            print(
                f"{folder} {name} {panel}: {len(i)} corners, mean {e.mean(0).round(3)}, "
                f"median {np.median(d):.3f}, rms {np.sqrt((d**2).mean()):.3f}, max {d.max():.3f}"
            )
        mask = f"{folder}/{name}_mask_body.png"
        if os.path.exists(mask):
            ys, xs = np.nonzero(np.asarray(cv2.imread(mask, cv2.IMREAD_GRAYSCALE)))
            q = see(body.P.reshape(-1, 3), ph["cake_to_camera"])
            y0 = int(np.median(ys))
            row, k = xs[ys == y0], np.abs(q[:, 1] - y0) < 0.6
            print(
                f"{folder} {name} body at row {y0}: mask {row.min()}..{row.max()}, "
                f"truth {q[k, 0].min():.1f}..{q[k, 0].max():.1f}"
            )


if __name__ == "__main__":
    for f in sys.argv[1:]:
        check(f)
