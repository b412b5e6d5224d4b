"""What a smooth round body can't follow: the constants of qc.shape.ShapeErrors, from rendered cakes.

python -m tests.long.shape_errors FOLDER [FOLDER ...]    each FOLDER/*/{top,side,side2}.jpg with truth.json

For every quantity: the smallest standard uncertainty that, added in squares to the fit's own, brings 93 % of the
errors within twice the whole. Take cakes of other seeds than those the result is judged by.
"""

import argparse
import time
from collections import defaultdict
from pathlib import Path

import numpy as np

from qc import shape
from qc.card import find_card
from qc.errors import CakeQCError
from qc.finder import find
from qc.fit import PhotoInput
from qc.measure import fit_with_decorations
from qc.photo import read_photo
from qc.profile import measure_profiles
from qc.profiles import prior_for
from qc.stages import MeasureSettings
from tests import truth as truths

INSIDE = 0.93
ROWS = {
    "diameter": (shape.DIAMETER, "diameter"),
    "height": (shape.HEIGHT, "height"),
    "level 3": (shape.LEVEL_3, "level_9_to_3"),
    "level 12": (shape.LEVEL_12, "level_6_to_12"),
    "lean 3": (shape.LEAN_3, "lean_to_3"),
    "lean 12": (shape.LEAN_12, "lean_to_12"),
    "taper": (shape.TAPER, "taper"),
    "out of round": (shape.ROUND, "out_of_round"),
    "dome": (shape.DOME, "dome"),
}


def errors_of(folder: Path) -> dict[str, tuple[float, float]]:
    """Error and the fit's own standard uncertainty of each quantity of one cake."""
    truth = truths.load(folder)
    inputs = {}
    for name in (n for n in ("top", "side", "side2") if n in truth["photos"]):
        photo = read_photo(folder / f"{name}.jpg", name)
        card = find_card(photo)
        inputs[name] = PhotoInput(photo, card, find(photo.pixels), prior_for(photo, None, card))
    fit, _ = fit_with_decorations(inputs, MeasureSettings((truth["print_scale"],) * 2, 1e-9))
    value, _, shares = shape.shape_components(fit)
    pixels, findings = {n: i.photo.pixels for n, i in inputs.items()}, {n: i.finding for n, i in inputs.items()}
    ridges_mm = measure_profiles(pixels, fit.views, fit.body, findings).ridges_mm
    value[shape.DIAMETER] += shape.ShapeErrors().ridges_reach * ridges_mm
    own = np.sqrt(np.maximum(np.diag(np.sum(list(shares.values()), axis=0)), 0))
    out = {"board offset": (float(np.hypot(*value[[8, 9]])) - truth["quantities"]["board_offset"], float(own[8]))}
    for name, (k, key) in ROWS.items():
        known = truth["quantities"].get(key)
        if known is not None and (len(inputs) > 2 or not name.endswith("12")):
            out[name] = float(value[k]) - known, float(own[k])
    return out


def needed(errors: np.ndarray, own: np.ndarray) -> float:
    """Smallest uncertainty to add so that INSIDE of the errors lie within twice the whole."""
    short = np.sort(np.sqrt(np.maximum((errors / 2) ** 2 - own**2, 0)))
    return float(np.quantile(short, INSIDE))


def main() -> None:
    """Print errors, uncertainties and what is needed, quantity by quantity."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folders", type=Path, nargs="+")
    parser.add_argument("--every", type=int, nargs=2, default=(1, 0), metavar=("N", "FIRST"))
    asked = parser.parse_args()
    step, first = asked.every
    cakes = [f.parent for folder in asked.folders for f in sorted(folder.glob("*/truth.json"))][first::step]
    found = defaultdict(list)
    for cake in cakes:
        begun = time.perf_counter()
        try:
            rows = errors_of(cake)
        except CakeQCError as error:
            print(f"{cake.name}: {error}")
            continue
        for name, pair in rows.items():
            found[name].append(pair)
        said = ", ".join(f"{n} {e:+.2f} ({u:.2f})" for n, (e, u) in rows.items())
        print(f"{cake.name} ({time.perf_counter() - begun:.0f} s): {said}", flush=True)
    for name, pairs in found.items():
        e, u = np.array(pairs).T
        size, inside = np.abs(e), np.mean(np.abs(e) < 2 * u)
        print(
            f"{name:12s} n {len(e)}  bias {np.median(e):+.2f}  median {np.median(size):.2f}  "
            f"95 % {np.quantile(size, 0.95):.2f}  own {np.median(u):.2f}  inside {inside:.0%}  "
            f"needed {needed(e, u):.2f}"
        )


if __name__ == "__main__":
    main()
