"""Learn the weights of `qc.spot_weights` on a folder of rendered cakes seen through their exact cameras.

    python -m tests.long.spot_weights FOLDER [FOLDER ...]

Printed: how many places of spots of 2 mm and more are found and invented, cakes held out in eight parts, by
probability; then `qc/spot_net.npz` is written. A place is a blemish if the truth has one
of 1.5 mm or more within 2 mm; the neighbours of such a place, and dents, take no part.
"""

import sys
from pathlib import Path
from typing import Any

import numpy as np

from qc import spot_weights
from qc.blemishes import NAMES, describe
from qc.card import find_card
from qc.face import Face, IcingSettings, read_face, side_surface, top_surface
from qc.finder import find
from qc.paper import paper_white
from qc.photo import read_photo
from qc.quantities import Decoration
from qc.spot_weights import Weights
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


def learn(x: Array, y: Array, networks: int = 4, hidden: int = 32, decay: float = 3e-4, rounds: int = 200) -> Weights:
    """Networks with one hidden layer, each from another start, by Adam (Kingma and Ba, 2015) on all places at once."""
    mean, spread = x.mean(0), x.std(0) + 1e-9
    z, kept = (x - mean) / spread, []
    for seed in range(networks):
        rng = np.random.default_rng(seed)
        w = [rng.normal(size=(z.shape[1], hidden)) / np.sqrt(z.shape[1]), np.zeros(hidden)]
        w += [rng.normal(size=hidden) / np.sqrt(hidden), np.array(-3.0)]
        first, second = [np.zeros_like(v) for v in w], [np.zeros_like(v) for v in w]
        for t in range(1, rounds + 1):
            a = np.tanh(z @ w[0] + w[1])
            g = (1 / (1 + np.exp(-(a @ w[2] + w[3]))) - y) / len(y)
            back = np.outer(g, w[2]) * (1 - a * a)
            slopes = [z.T @ back + decay * w[0], back.sum(0), a.T @ g + decay * w[2], g.sum()]
            for i, slope in enumerate(slopes):
                first[i] = 0.9 * first[i] + 0.1 * slope
                second[i] = 0.99 * second[i] + 0.01 * slope**2
                w[i] = w[i] - 0.02 * first[i] / (1 - 0.9**t) / (np.sqrt(second[i] / (1 - 0.99**t)) + 1e-8)
        kept.append(w)
    return Weights(NAMES, mean, spread, *(np.array(v) for v in zip(*kept, strict=True)))


def report(said: Array, what: Array, part: Array) -> None:
    chance, used = np.zeros(len(what)), what >= 0
    for k in range(8):
        chance[part == k] = learn(said[used & (part != k)], what[used & (part != k)] > 0).chance(said[part == k])
    for p in np.arange(0.15, 0.75, 0.05):
        hit, invented = ((chance > p) & (what == 2)).sum(), ((chance > p) & (what == 0)).sum()
        f1 = 2 * hit / (hit + invented + (what == 2).sum())
        print(f"from {p:.2f}: found {hit} of {(what == 2).sum()}, invented {invented}, F1 {f1:.2f}")


def store(weights: Weights, path: Path) -> None:
    """Write networks where `qc.spot_weights` reads them."""
    parts = {k: np.asarray(v, np.float32) for k, v in vars(weights).items() if k != "names"}
    np.savez_compressed(path, names=np.array(weights.names), **parts)


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
    store(learn(table[kinds >= 0], kinds[kinds >= 0] > 0), Path(spot_weights.__file__).parent / "spot_net.npz")


if __name__ == "__main__":
    main()
