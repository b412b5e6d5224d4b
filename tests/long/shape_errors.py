"""What a smooth round body can't follow: the constants of qc.shape.ShapeErrors, from rendered cakes.

python -m tests.long.shape_errors FOLDER [FOLDER ...] [--keep FITS] [--held-out] [--jobs N]

Each FOLDER holds */{top,side,side2}.jpg with truth.json.

An error's standard uncertainty u is, in squares, the sum of the fit's own, the part by the outlines' edges times a
share k, and f exp(b d), where d is the share of the photos' edges that lie off the fitted cake; of the out of round
(f + w waves) exp(b d). The likeliest k and b (of all quantities), f and w (of each) are printed, for errors that follow
Student's t with six degrees of freedom scaled to the standard deviation u. Take cakes of other seeds than those the
result is judged by; every third one takes no part with --held-out and shows how far the constants hold elsewhere.
"""

import argparse
import itertools
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import cv2
import numpy as np
from scipy.stats import t as student

from qc import joint, shape
from qc.fit import CakeFit
from qc.profile import measure_profiles
from qc.standing_out import standing_out
from tests import truth as truths
from tests.long.fitted import cakes_of, fit_of, inputs_of

FREEDOM = 6
ROWS = {
    "diameter": shape.DIAMETER,
    "height": shape.HEIGHT,
    "taper": shape.TAPER,
    "out_of_round": shape.ROUND,
    "dome": shape.DOME,
}
PAIRS = {
    "level": (shape.LEVEL_3, shape.LEVEL_12),
    "lean": (shape.LEAN_3, shape.LEAN_12),
    "board_offset": (shape.OFFSET_3, shape.OFFSET_12),
}
SHARES, GROWTHS = np.arange(0.3, 1.01, 0.1), np.arange(0, 61, 4.0)
FLOORS, BY_WAVES = np.geomspace(0.01, 0.6, 40), np.arange(0, 0.31, 0.05)


@dataclass(frozen=True)
class Error:
    """Error of one quantity of one cake, its uncertainty by outlines and by the rest (mm), and what it may grow by."""

    mm: float
    outline_mm: float
    rest_mm: float
    disagreeing: float
    waves_mm: float


def errors_of(cake: Path, keep: Path | None) -> dict[str, Error]:
    """Every quantity of one cake whose truth is known; none where there is no fit."""
    cv2.setNumThreads(1)
    fit, known = fit_of(cake, keep), truths.load(cake)["quantities"]
    if not isinstance(fit, CakeFit):
        return {}
    inputs = inputs_of(cake)
    pixels, findings = {n: i.photo.pixels for n, i in inputs.items()}, {n: i.finding for n, i in inputs.items()}
    value, _, shares = shape.shape_components(fit)
    always = shape.ShapeErrors()
    silhouettes = measure_profiles(pixels, fit.views, fit.body, findings).silhouettes
    value, uneven = shape.with_belts(value, standing_out(fit.body, silhouettes))
    waves = float(np.linalg.norm(fit.cake[joint.WAVES]))

    def spread(along: np.ndarray, sources: list[str]) -> float:
        return float(np.sqrt(sum(max(float(along @ shares[s] @ along), 0.0) for s in sources)))

    def error(name: str, size: float, along: np.ndarray, fixed_mm: float = 0.0) -> Error:
        rest = spread(along, [s for s in shares if s not in joint.OUTLINE])
        outline = spread(along, list(joint.OUTLINE))
        return Error(size - known[name], outline, float(np.hypot(rest, fixed_mm)), fit.disagreeing, waves)

    unit, out = np.eye(len(value)), {}
    for name, k in ROWS.items():
        if known.get(name) is not None:
            hidden = always.hidden_foot_mm if fit.foot_hidden else 0.0
            fixed = float(np.hypot(hidden, 2 * uneven)) if name == "diameter" else 0.0
            out[name] = error(name, float(value[k]), unit[k], fixed)
    for name, (a, b) in PAIRS.items():
        if known.get(name) is not None and (name == "board_offset" or len(inputs) > 2):
            size = float(np.hypot(value[a], value[b]))
            by_rim = 0.0 if shape.tilt_by_feet(fit) else always.rim_level_mm
            fixed = {"board_offset": float(np.sqrt(2)) * uneven, "level": by_rim}.get(name, 0.0)
            out[name] = error(name, size, (value[a] * unit[a] + value[b] * unit[b]) / max(size, 1e-9), fixed)
    return out


def uncertainty(errors: np.ndarray, share: float, growth: float, floor: float, by_waves: float = 0.0) -> np.ndarray:
    """Standard uncertainties (n,) of errors (n, 5)."""
    _, outline, rest, off, waves = errors.T
    grown = np.exp(growth * np.minimum(off, shape.ShapeErrors().most_disagreeing))
    return np.sqrt((share * outline) ** 2 + rest**2 + ((floor + by_waves * waves) * grown) ** 2)


def unlikely(errors: np.ndarray, u: np.ndarray) -> float:
    """Minus the logarithm of the likelihood."""
    unit = u * np.sqrt((FREEDOM - 2) / FREEDOM)
    return float(-student.logpdf(errors[:, 0], FREEDOM, scale=unit).sum())


def likeliest(found: dict[str, np.ndarray]) -> tuple[float, float, dict[str, tuple[float, float]]]:
    """Share k, growth b and every quantity's floor f and share w of waves."""
    best = (np.inf, 0.0, 0.0, {})
    for share, growth in itertools.product(SHARES, GROWTHS):
        total, each = 0.0, {}
        for name, errors in found.items():
            waves = BY_WAVES if name == "out_of_round" else BY_WAVES[:1]
            least, each[name] = min(
                (unlikely(errors, uncertainty(errors, share, growth, f, w)), (float(f), float(w)))
                for f, w in itertools.product(FLOORS, waves)
            )
            total += least
        if total < best[0]:
            best = (total, float(share), float(growth), each)
    return best[1:]


def main() -> None:
    """Print the constants, and errors and uncertainties quantity by quantity."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folders", type=Path, nargs="+")
    parser.add_argument("--keep", type=Path, help="folder to keep the fits in, used again where they are there")
    parser.add_argument("--held-out", action="store_true", help="every third cake teaches nothing")
    parser.add_argument("--jobs", type=int, default=1)
    asked = parser.parse_args()
    with ProcessPoolExecutor(asked.jobs) as pool:
        cakes = list(pool.map(partial(errors_of, keep=asked.keep), cakes_of(asked.folders)))
    apart = [k % 3 == 2 and asked.held_out for k in range(len(cakes))]

    def table(held: bool) -> dict[str, np.ndarray]:
        some = [c for c, a in zip(cakes, apart, strict=True) if a == held]
        names = [*ROWS, *PAIRS]
        return {n: np.array([tuple(vars(c[n]).values()) for c in some if n in c]).reshape(-1, 5) for n in names}

    taught = table(False)
    share, growth, each = likeliest(taught)
    print(f"outline {share:.1f}, disagreeing {growth:.0f}")
    for name, (floor, by_waves) in each.items():
        print(f"{name}: floor {floor:.3f}, by waves {by_waves:.2f}")
        for text, errors in (("taught", taught[name]), ("held out", table(True)[name])):
            if len(errors):
                u, size = uncertainty(errors, share, growth, floor, by_waves), np.abs(errors[:, 0])
                print(
                    f"  {text} n {len(u)}  median {np.median(size):.2f}  95 % {np.quantile(size, 0.95):.2f}  "
                    f"U {2 * np.median(u):.2f}  inside {np.mean(size < 2 * u):.0%}"
                )


if __name__ == "__main__":
    main()
