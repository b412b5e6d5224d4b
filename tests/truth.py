"""Views and bodies straight from the rendered cakes' truth: what the stages after the geometry are tested on."""

import json
from pathlib import Path
from typing import Any

import numpy as np

from qc.body import HARMONICS, PROFILE_KNOTS, Body
from qc.camera import Lens, View


def load(folder: Path) -> dict[str, Any]:
    """The truth record of one rendered cake."""
    return json.loads((folder / "truth.json").read_text())


def true_view(truth: dict[str, Any], photo: str) -> View:
    """The exact camera of one photo, in the cake frame."""
    p = truth["photos"][photo]
    k, d, pose = np.array(p["K"]), p["dist"], p["cake_to_camera"]
    lens = Lens(k[0, 0], k[0, 2], k[1, 2], d[0], d[1])
    return View(lens, np.array(pose["R"]), np.array(pose["t"]), p["width"], p["height"])


def true_body(truth: dict[str, Any]) -> Body:
    """The smooth body nearest to the rendered one (belts, harmonics, tilt, dome; no ridges)."""
    p, q = truth["params"], truth["quantities"]
    height = q["height"]
    harmonics = np.zeros((len(HARMONICS), 2))
    for m, a, phase in p["harmonics"]:  # m = 2..6
        harmonics[int(m) - 2] = a * np.cos(np.radians(phase)), a * np.sin(np.radians(phase))
    z = PROFILE_KNOTS * height
    profile = p["barrel"] * (np.sin(np.pi * PROFILE_KNOTS) - 0.6)
    profile += p["foot_flare"][0] * np.exp(-z / p["foot_flare"][1])
    for z0, a, w, *_ in p["belts"]:
        profile += a * np.exp(-(((z - z0) / w) ** 2))
    lean = np.array([q["lean_to_3"], q["lean_to_12"]])
    diameter = q["diameter"] or q.get("diameter_with_drips")
    slope = np.array([q["level_9_to_3"], q["level_6_to_12"]]) / diameter
    return Body(p["radius"], height, p["taper"], lean, slope, q["dome"], p["edge"], harmonics, profile)
