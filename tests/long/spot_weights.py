"""Learn the weights of `qc.spot_weights` on a folder of rendered cakes seen through their exact cameras.

    python -m tests.long.spot_weights FOLDER [FOLDER ...]

Printed: how many places of spots of 2 mm and more are found and invented, cakes held out in eight parts, by
probability; then the table for `qc/spot_weights.py`, to be pasted there. A place is a blemish if the truth has one
of 1.5 mm or more within 2 mm; the neighbours of such a place, and dents, take no part.
"""

import sys
from pathlib import Path
from typing import Any

import numpy as np

from qc.blemishes import NAMES, describe
from qc.card import find_card
from qc.face import Face, IcingSettings, read_face, side_surface, top_surface
from qc.finder import find
from qc.paper import paper_white
from qc.photo import read_photo
from qc.quantities import Decoration
from tests.truth import load, true_body, true_view

Array = np.ndarray


def faces_of(cake: Path) -> tuple[dict[str, Any], Any, list[Face]]:
    """Truth, body and read photos of one cake."""
    truth, body, settings = load(cake), true_body(load(cake)), IcingSettings()
    pieces = [Decoration(d["x_mm"], d["y_mm"], d["diameter_mm"], d["clock"], 1) for d in truth["decorations"]]
    faces = []
    for name in truth["photos"]:
        photo = read_photo(cake / f"{name}.jpg", name)
        white = paper_white(photo, find_card(photo))
        view, finding = true_view(truth, name), find(photo.pixels)
        face = read_face(name, photo.pixels, view, body, finding, white, pieces, settings)
        faces += [face] if face is not None else []
    return truth, body, faces


def examples(truth: dict[str, Any], body: Any, face: Face) -> tuple[Array, Array]:
    """What is said of the places of one face, and what each is: 2, 1 a spot (2 mm, smaller), 0 none, -1 unsure."""
    settings = IcingSettings()
    if face.photo == "top":
        surface, x, y = top_surface(face, body, settings)
    else:
        surface = side_surface(face, settings)
    at, said = describe(surface, settings.spots)
    place = np.stack([x[at[:, 0], at[:, 1]], y[at[:, 0], at[:, 1]]], 1) if face.photo == "top" else at[:, ::-1]
    what = np.zeros(len(at), int)
    for b in truth["blemishes"]:
        if face.photo not in b["faces"] or not len(at):
            continue
        mm = np.array([b["x_mm"], b["y_mm"]])
        to_px = face.picture.to_px
        px = to_px(mm) if face.photo == "top" else to_px(np.arctan2(mm[1], mm[0]), b["height_mm"])
        near = np.hypot(*(place - px).T) / settings.px_per_mm < max(2.0, 0.5 * b["size_mm"])
        what[near & (what == 0)] = -1
        if near.any() and b["kind"] in ("pit", "crumb") and b["size_mm"] >= 1.5:
            what[np.flatnonzero(near)[said[near, 0].argmax()]] = 1 + (b["size_mm"] >= 2)
    return said, what


def learn(x: Array, y: Array, ridge: float = 10.0, rounds: int = 30) -> tuple[Array, float]:
    """Weights and offset of a logistic regression by Newton's method, ridge on standardised columns."""
    mean, spread = x.mean(0), x.std(0) + 1e-9
    z = np.c_[(x - mean) / spread, np.ones(len(x))]
    w, tie = np.zeros(z.shape[1]), np.diag(np.r_[np.full(x.shape[1], ridge), 1e-6])
    for _ in range(rounds):
        p = 1 / (1 + np.exp(-z @ w))
        w += np.linalg.solve(z.T @ (z * (p * (1 - p))[:, None]) + tie, z.T @ (y - p) - tie @ w)
    return w[:-1] / spread, float(w[-1] - (w[:-1] * mean / spread).sum())


def report(said: Array, what: Array, part: Array) -> None:
    chance, used = np.zeros(len(what)), what >= 0
    for k in range(8):
        w, b = learn(said[used & (part != k)], what[used & (part != k)] > 0)
        chance[part == k] = 1 / (1 + np.exp(-(said[part == k] @ w + b)))
    for p in np.arange(0.15, 0.75, 0.05):
        hit, invented = ((chance > p) & (what == 2)).sum(), ((chance > p) & (what == 0)).sum()
        f1 = 2 * hit / (hit + invented + (what == 2).sum())
        print(f"from {p:.2f}: found {hit} of {(what == 2).sum()}, invented {invented}, F1 {f1:.2f}")


def main() -> None:
    said, what, part = [], [], []
    cakes = sorted(p.parent for folder in sys.argv[1:] for p in Path(folder).glob("*/truth.json"))
    for k, cake in enumerate(cakes):
        truth, body, faces = faces_of(cake)
        for face in faces:
            if truth["kind"] == "seminaked" and face.photo != "top":
                continue  # crumbs among sponge can't be told
            one, are = examples(truth, body, face)
            said, what, part = [*said, one], [*what, are], [*part, np.full(len(one), k % 8)]
    table, kinds, parts = np.concatenate(said), np.concatenate(what), np.concatenate(part)
    report(table, kinds, parts)
    w, b = learn(table[kinds >= 0], kinds[kinds >= 0] > 0)
    print(f"NAMES = {NAMES}\nLEARNT = Weights(NAMES, {tuple(np.round(w, 4).tolist())}, {b:.4f})")


if __name__ == "__main__":
    main()
