"""Decorations over a folder of rendered cakes: errors and coverage.

    python -m tests.long.decorations_campaign FOLDER [--geometry true|shaken|fitted] [--look NAME]

FOLDER holds one folder per cake with `top.jpg`, for fitted geometry also `side.jpg` and perhaps `side2.jpg`, and
`truth.json`. The geometry is that of the renderer, or off by as much as a good fit is (0.2 mm in place, 0.15 % in
scale, 0.15 mm in height), or fitted from the photos: the difference is what the fit's errors cost. A look changes the
top photo as other kitchens and cameras would: see LOOKS.
"""

import argparse
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import cv2
import numpy as np

from qc.body import Body
from qc.camera import View
from qc.decoration_pattern import plan_centre_mm
from qc.decorations import find_decorations
from qc.errors import CakeQCError
from qc.finder import find
from qc.fit import PhotoInput, fit_cake
from qc.measure import look
from qc.photo import read_photo
from qc.profiles import prior_for
from qc.shape import top_height_sd_mm
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


Pixels = np.ndarray  # (H, W, 3) uint8
Look = Callable[[Pixels, np.random.Generator], Pixels]


def _bytes(values: np.ndarray) -> Pixels:
    return np.clip(values, 0, 255).astype(np.uint8)


def _gamma(power: float) -> Look:
    return lambda p, rng: _bytes(255 * (p / 255.0) ** power)


def _hue(p: Pixels, rng: np.random.Generator) -> Pixels:
    hsv = cv2.cvtColor(p, cv2.COLOR_RGB2HSV)
    hsv[..., 0] = (hsv[..., 0].astype(int) + 60) % 180
    return cv2.cvtColor(hsv, cv2.COLOR_HSV2RGB)


def _lamp(p: Pixels, rng: np.random.Generator) -> Pixels:
    y, x = np.mgrid[: p.shape[0], : p.shape[1]]
    return _bytes(p * (0.45 + 0.375 * (x / p.shape[1] + y / p.shape[0]))[..., None])


LOOKS: dict[str, Look] = {
    "as it is": lambda p, rng: p,
    "dark": _gamma(1.8),
    "bright": _gamma(0.65),
    "warm": lambda p, rng: _bytes(p * np.array([1.18, 1.0, 0.75])),
    "blurred": lambda p, rng: cv2.GaussianBlur(p, (0, 0), 2.0 * p.shape[1] / 2016),
    "squeezed": lambda p, rng: cv2.imdecode(cv2.imencode(".jpg", p, [cv2.IMWRITE_JPEG_QUALITY, 30])[1], 1),
    "noisy": lambda p, rng: _bytes(p + rng.normal(0, 12, p.shape)),
    "other hues": _hue,
    "grey": lambda p, rng: np.repeat(_bytes(p.mean(-1, keepdims=True)), 3, -1),
    "lamp at one side": _lamp,
}


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


def fitted(folder: Path, truth: dict) -> tuple[View, Body, float]:
    """Camera, cake and standard uncertainty of the top's height, as the photos give them."""
    photos = {n: read_photo(folder / f"{n}.jpg", n) for n in ("top", "side", "side2") if (folder / f"{n}.jpg").exists()}
    seen = {s.photo.name: s for s in look(photos)}
    inputs = {n: PhotoInput(s.photo, s.card, s.finding, prior_for(s.photo, None, s.card)) for n, s in seen.items()}
    fit = fit_cake(inputs, np.full(2, truth.get("print_scale", 1.0)), 0.0)
    return fit.views["top"], fit.body, top_height_sd_mm(fit)


def known(folder: Path, truth: dict, geometry: str) -> tuple[View, Body, float]:
    """The same from the truth, exactly or shaken."""
    view, body = true_view(truth, "top"), true_body(truth)
    # the truth's frame stands on the plan outline's centre, the body's on its middle at half height
    x, y = plan_centre_mm(body)
    body = replace(body, lean_mm=0 * body.lean_mm) if np.hypot(x, y) > 0 else body
    if geometry == "shaken":
        view, body = shaken(view, body, np.random.default_rng(truth["seed"]))
    return view, body, 0.15 if geometry == "shaken" else 0.0


def errors_of(folder: Path, geometry: str, change: Look) -> list[Error]:
    """All quantities of one cake; a row that is left out has a NaN."""
    truth = load(folder)
    view, body, height_sd = fitted(folder, truth) if geometry == "fitted" else known(folder, truth, geometry)
    pixels = cv2.cvtColor(cv2.imread(str(folder / "top.jpg")), cv2.COLOR_BGR2RGB)
    pixels = np.ascontiguousarray(change(pixels, np.random.default_rng(truth["seed"])))
    result = find_decorations(pixels, view, body, find(pixels), height_sd_mm=height_sd)
    got = {m.name: m for m in result.measurements}
    out = []
    for name in NAMES:
        value = truth["quantities"].get(name)
        if value is not None:
            m = got.get(name)
            out.append(Error(name, m.value - value if m else np.nan, m.uncertainty if m else np.nan))
    return out


def table(rows: list[Error]) -> list[str]:
    """One line a quantity."""
    out = [
        f"{'quantity':20s} {'n':>4s} {'given':>5s} {'exact':>5s} {'bias':>7s} {'median':>7s} {'p95':>7s} "
        f"{'covered':>8s} {'U':>6s}"
    ]
    for name in NAMES:
        e = np.array([r.error for r in rows if r.name == name])
        u = np.array([r.uncertainty for r in rows if r.name == name])
        given = np.isfinite(e)
        if not given.any():
            continue
        size = np.abs(e[given])
        out.append(
            f"{name:20s} {len(e):4d} {given.sum():5d} {100 * (size == 0).mean():4.0f}% {e[given].mean():7.3f} "
            f"{np.median(size):7.3f} {np.percentile(size, 95):7.3f} {100 * (size <= u[given] + 1e-9).mean():7.0f}% "
            f"{np.median(u[given]):6.2f}"
        )
    return out


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--geometry", choices=("true", "shaken", "fitted"), default="true")
    parser.add_argument("--look", choices=tuple(LOOKS), default="as it is")
    arguments = parser.parse_args()
    rows: list[Error] = []
    for folder in sorted(p.parent for p in arguments.folder.glob("*/truth.json")):
        try:
            rows += errors_of(folder, arguments.geometry, LOOKS[arguments.look])
        except CakeQCError as error:
            print(f"{folder.name}: {error}")
    print("\n".join(table(rows)))


if __name__ == "__main__":
    main()
