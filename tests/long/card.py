"""How good the card's corners are on rendered cakes, and the constants of their uncertainty.

    python -m tests.long.card FOLDER [FOLDER ...]

Each folder holds cakes as the renderer writes them (a folder a cake, with truth.json and its photos). Printed are, by
panel, kind of photo and size: corners found of those in the frame, errors in px, errors over stated uncertainty; and
the `noise_inflation` and `noise_floor_px` of `qc.card.CardSettings` that make the latter scatter by one (maximum
likelihood). Run it on cakes of seeds that nothing is judged by.
"""

import argparse
import dataclasses
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from scipy.optimize import minimize

from qc.card import CardSettings, PanelView, find_card
from qc.errors import CardError
from qc.photo import read_photo
from qc.pose import floor_points, standing_points
from tests.truth import load, true_view

IDS = np.arange(36)


def true_corners(truth: dict, name: str) -> dict[str, np.ndarray]:
    """Pixels (36, 2) of both panels' corners in one photo."""
    meta = truth["photos"][name]
    pose, card = meta["card_to_camera"], meta["card"]
    view = dataclasses.replace(true_view(truth, name), rotation=np.array(pose["R"]), translation_mm=np.array(pose["t"]))
    scale, fold = np.full(2, card["print_scale"]), np.radians(card["fold_deg"])
    return {
        "floor": view.project(floor_points(IDS, scale)),
        "standing": view.project(standing_points(IDS, scale, fold, card["bow_mm"], card["curl_mm"])),
    }


def photos(folders: list[Path]) -> Iterator[tuple[str, str, np.ndarray | None, PanelView | None, int]]:
    """Of each panel in each photo: place, group, errors (N, 2), view, corners within the frame."""
    settings = CardSettings()
    for folder in folders:
        for path in sorted(folder.glob("*/truth.json")):
            truth = load(path.parent)
            for name in truth["photos"]:
                photo = read_photo(path.parent / f"{name}.jpg", name)
                try:
                    card = find_card(photo, settings)
                    seen = {p.panel: p for p in (card.floor, card.standing) if p is not None}
                except CardError as error:
                    print(f"{path.parent.name} {name}: {error}")
                    seen = {}
                for panel, expected in true_corners(truth, name).items():
                    size = np.array([photo.width_px, photo.height_px])
                    framed = int(((expected > 6) & (expected < size - 7)).all(1).sum())
                    view = seen.get(panel)
                    error = None if view is None else view.corners_px - expected[view.ids]
                    group = f"{panel:8s} {'top ' if name == 'top' else 'side'} {photo.width_px:4d} px wide"
                    yield f"{path.parent.name} {name} {panel}", group, error, view, framed


def main() -> None:
    """Print the table and the fitted constants."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folders", nargs="+", type=Path)
    groups: dict[str, list[tuple[np.ndarray, np.ndarray]]] = defaultdict(list)
    framed: dict[str, int] = defaultdict(int)
    now = CardSettings()
    for place, group, error, view, inside in photos(parser.parse_args().folders):
        framed[group] += inside
        if error is None or view is None or view.covariance_px2 is None:
            print(f"{place}: not found, {inside} corners in the frame")
            continue
        values, axes = np.linalg.eigh(view.covariance_px2)
        groups[group].append((np.einsum("nji,nj->ni", axes, error), values))
        worst = float(np.linalg.norm(error, axis=1).max())
        if len(view.ids) < inside or worst > 0.3:
            print(f"{place}: {len(view.ids)} of {inside} corners, worst {worst:.2f} px")
    everything = []
    for group, rows in sorted(groups.items()):
        error, variance = (np.concatenate(part) for part in zip(*rows, strict=True))
        away, ratio = np.linalg.norm(error, axis=1), error / np.sqrt(variance)
        print(
            f"{group}: {len(away)} of {framed[group]} corners in {len(rows)} photos; error median "
            f"{np.median(away):.3f}, 95 % {np.percentile(away, 95):.3f}, largest {away.max():.2f} px; over stated "
            f"uncertainty {np.sqrt(np.square(ratio).mean()):.2f}, beyond 2: {100 * (abs(ratio) > 2).mean():.1f} %"
        )
        raw = np.maximum(variance - now.noise_floor_px**2, 1e-8) / now.noise_inflation**2
        everything.append((error[away < 0.5].ravel(), raw[away < 0.5].ravel()))
    error, raw = (np.concatenate(part) for part in zip(*everything, strict=True))

    def cost(log_parameters: np.ndarray) -> float:
        variance = np.exp(2 * log_parameters[0]) * raw + np.exp(2 * log_parameters[1])
        return float(np.sum(np.log(variance) + error**2 / variance))

    best = minimize(cost, np.log([1.5, 0.02]), method="Nelder-Mead")
    print(f"fitted: noise_inflation {np.exp(best.x[0]):.2f}, noise_floor_px {np.exp(best.x[1]):.4f}")


if __name__ == "__main__":
    main()
