"""The surface over a folder of rendered cakes, seen through their exact cameras: errors and coverage.

    python -m tests.long.surface_campaign FOLDER

FOLDER holds one folder per cake with its photos and `truth.json`. Printed are, by quantity, how many were reported, the
bias, median and 95th percentile of the error, the share of truths within the uncertainty and its median; then, for
spots of 2 mm and more, how many were found by place, overlooked and invented, by kind of cake, and how many more lie
wholly under a piece, where no photo shows them.
"""

import argparse
from collections import defaultdict
from pathlib import Path
from typing import Any

import numpy as np

from qc.card import find_card
from qc.finder import find
from qc.icing import measure_icing
from qc.paper import paper_white
from qc.photo import read_photo
from qc.profile import measure_profiles
from qc.quantities import Blemish, Decoration
from tests.truth import load, true_body, true_view

NAMES = ("side_straightness", "side_ridges", "edge_radius", "show_through", "show_through_top", "blemishes")


def matches(found: tuple[Blemish, ...], truth: dict[str, Any]) -> tuple[int, int, int]:
    """Spots of 2 mm and more: found by place, overlooked, invented."""
    used: set[int] = set()
    hit = missed = 0
    for b in truth["blemishes"]:
        if b["kind"] == "dent" or not b["faces"]:
            continue
        place, reach = np.array([b["x_mm"], b["y_mm"], b["height_mm"]]), max(4.0, 0.6 * b["size_mm"])
        near = [
            i
            for i, f in enumerate(found)
            if i not in used
            and (f.photo == "top") == (b["on"] == "top")
            and np.linalg.norm(place - [f.x_mm, f.y_mm, f.height_mm]) < reach
        ]
        used |= set(near[:1])
        if b["size_mm"] >= 2:
            hit, missed = hit + bool(near), missed + (not near)
    invented = sum(f.size_mm >= 2 for i, f in enumerate(found) if i not in used)
    return hit, missed, invented


def uncovered(truth: dict[str, Any]) -> dict[str, Any]:
    """The same truth without the spots of the top that lie wholly under a piece."""
    pieces = np.array([[d["x_mm"], d["y_mm"], d["diameter_mm"]] for d in truth["decorations"]]).reshape(-1, 3)

    def under(b: dict[str, Any]) -> bool:
        away = np.hypot(pieces[:, 0] - b["x_mm"], pieces[:, 1] - b["y_mm"])
        return b["on"] == "top" and bool((away + b["size_mm"] / 2 < pieces[:, 2] / 2).any())

    return {**truth, "blemishes": [b for b in truth["blemishes"] if not under(b)]}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    errors, spots = defaultdict(list), defaultdict(lambda: np.zeros(4, int))
    for cake in sorted(p.parent for p in parser.parse_args().folder.glob("*/truth.json")):
        truth, body = load(cake), true_body(load(cake))
        photos = {n: read_photo(cake / f"{n}.jpg", n) for n in truth["photos"]}
        pixels = {n: p.pixels for n, p in photos.items()}
        views = {n: true_view(truth, n) for n in photos}
        findings = {n: find(p) for n, p in pixels.items()}
        paper = {n: paper_white(p, find_card(p)) for n, p in photos.items()}
        pieces = [
            Decoration(d["x_mm"], d["y_mm"], d["diameter_mm"], d["clock"], int(d["ring"])) for d in truth["decorations"]
        ]
        icing = measure_icing(pixels, views, body, findings, paper, pieces)
        rows = measure_profiles(pixels, views, body, findings).measurements + icing.measurements
        for name in NAMES:
            known, row = truth["quantities"].get(name), next((m for m in rows if m.name == name), None)
            if known is not None:
                errors[name].append((row.value - known, row.uncertainty) if row else (np.nan, np.nan))
        seen, every = matches(icing.blemishes, uncovered(truth)), matches(icing.blemishes, truth)
        spots[truth["kind"]] += (*seen, sum(every[:2]) - sum(seen[:2]))
    for name, pairs in errors.items():
        e, u = np.array(pairs).T
        ok = np.isfinite(e)
        size, within = np.abs(e[ok]), (np.abs(e) <= u)[ok].mean()
        print(
            f"{name:20s} {ok.sum():3d} of {len(e):3d}  bias {e[ok].mean():7.3f}  median {np.median(size):6.3f}", end=""
        )
        print(f"  p95 {np.quantile(size, 0.95):6.3f}  covered {within:.2f}  U {np.median(u[ok]):.2f}")
    for kind, (hit, missed, invented, under) in spots.items():
        print(f"spots, {kind:12s} found {hit:3d}  overlooked {missed:3d}  invented {invented:3d}", end="")
        print(f"  under pieces {under:3d}")


if __name__ == "__main__":
    main()
