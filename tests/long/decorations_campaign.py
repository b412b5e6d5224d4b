"""Decorations over a folder of rendered cakes, seen through their exact cameras: errors and coverage.

    python -m tests.long.decorations_campaign FOLDER [--shaken]

FOLDER holds one folder per cake with `top.jpg` and `truth.json`. With --shaken camera and cake are off by as much as a
fit from the card is (0.2 mm in place, 0.15 % in scale, 0.15 mm in height).
"""

import argparse
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np

from qc.body import Body
from qc.camera import View
from qc.decoration_pattern import plan_centre_mm
from qc.decorations import find_decorations
from qc.finder import find
from tests.truth import load, true_body, true_view

NAMES = (
    "decoration_count",
    "decoration_missing",
    "decoration_size",
    "decoration_size_cv",
    "ring_radius",
    "ring_scatter",
    "ring_offset",
    "spacing_error",
)


@dataclass(frozen=True)
class Error:
    """One quantity of one cake."""

    name: str
    error: float
    uncertainty: float


def shaken(view: View, body: Body, rng: np.random.Generator) -> tuple[View, Body]:
    """Camera and cake with the errors of a fit."""
    eye = view.eye_mm
    off = rng.normal(0, 0.2, 3)
    off[2] += rng.normal(0, 0.0015) * (eye[2] - body.height_mm)
    moved = replace(view, translation_mm=-view.rotation @ (eye + off))
    return moved, replace(body, height_mm=body.height_mm + rng.normal(0, 0.15))


def errors_of(folder: Path, shake: bool) -> list[Error]:
    """All quantities of one cake; a row that is left out has a NaN."""
    truth = load(folder)
    view, body = true_view(truth, "top"), true_body(truth)
    # the truth's frame stands on the plan outline's centre, the body's on its middle at half height
    x, y = plan_centre_mm(body)
    body = replace(body, lean_mm=0 * body.lean_mm) if np.hypot(x, y) > 0 else body
    if shake:
        view, body = shaken(view, body, np.random.default_rng(truth["seed"]))
    pixels = cv2.cvtColor(cv2.imread(str(folder / "top.jpg")), cv2.COLOR_BGR2RGB)
    got = {m.name: m for m in find_decorations(pixels, view, body, find(pixels)).measurements}
    out = []
    for name in NAMES:
        known = truth["quantities"].get(name)
        if known is not None:
            m = got.get(name)
            out.append(Error(name, m.value - known if m else np.nan, m.uncertainty if m else np.nan))
    return out


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--shaken", action="store_true")
    arguments = parser.parse_args()
    rows = [
        row
        for folder in sorted(p.parent for p in arguments.folder.glob("*/truth.json"))
        for row in errors_of(folder, arguments.shaken)
    ]
    print(f"{'quantity':20s} {'n':>4s} {'given':>5s} {'bias':>7s} {'median':>7s} {'p95':>7s} {'covered':>8s} {'U':>6s}")
    for name in NAMES:
        e = np.array([r.error for r in rows if r.name == name])
        u = np.array([r.uncertainty for r in rows if r.name == name])
        given = np.isfinite(e)
        if not given.any():
            continue
        size = np.abs(e[given])
        print(
            f"{name:20s} {len(e):4d} {given.sum():5d} {e[given].mean():7.3f} {np.median(size):7.3f} "
            f"{np.percentile(size, 95):7.3f} {100 * (size <= u[given] + 1e-9).mean():7.0f}% {np.median(u[given]):6.2f}"
        )


if __name__ == "__main__":
    main()
