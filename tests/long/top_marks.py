"""How much the marks on the icing tell of the top's height and dome: the constants of qc.top_texture.TextureSettings.

    python -m tests.long.top_marks FOLDER [FOLDER ...] [--keep FITS] [--jobs N]

Each FOLDER holds */{top,side,side2}.jpg with truth.json; FITS keeps fits made without marks. For several `worth` and
`wrong_share` it prints the mean gain in log density at the true rise and dome, the median and 95th percentile of both
errors without and with marks, and how many domes are then known to half a millimetre (standard uncertainty) with their
errors. What is known without marks is the fit's own normal density, one in ten of three times its spread.
"""

import argparse
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import cv2
import numpy as np

import qc.measure
from qc import joint
from qc.finder import find
from qc.fit import CakeFit
from qc.photo import read_photo
from qc.top_height import moments
from qc.top_texture import TextureSettings, texture_log
from tests import truth as truths
from tests.long.fitted import cakes_of, fit_of

TRIED = ((0.3, 0.2), (0.5, 0.1), (0.5, 0.2), (0.5, 0.4), (0.8, 0.2))  # worth, wrong_share
TURN_SD_RAD = 0.12
LEAST_SD_MM = 0.25  # no fit is believed to be better
RISE, DOME = TextureSettings().rises_mm()[:, None], TextureSettings().domes_mm()[None]


@dataclass(frozen=True)
class Top:
    """One cake: true rise and dome against its fit, what is known without marks, and what they say by setting."""

    true_mm: tuple[float, float]
    before: np.ndarray
    marks: dict[tuple[float, float], np.ndarray]


def look(cake: Path, keep: Path | None) -> Top | None:
    """One cake, or None where no side photo looks down on its top or the truth lies beyond the search."""
    cv2.setNumThreads(1)
    for name in ("KNOWN_TURN", "PLAIN"):
        setattr(qc.measure, name, replace(getattr(qc.measure, name), turn_sd_rad=None))
    fit, known = fit_of(cake, keep), truths.load(cake)["quantities"]
    if not isinstance(fit, CakeFit):
        return None
    true = known["height"] - fit.body.height_mm, known["dome"] - fit.body.dome_mm
    if abs(true[0]) > RISE.max() or abs(true[1]) > DOME.max():
        return None
    pixels = {n: read_photo(cake / f"{n}.jpg", n).pixels for n in fit.views}
    findings = {n: find(p) for n, p in pixels.items()}
    marks = {}
    for worth, wrong in TRIED:
        settings = TextureSettings(worth=worth, wrong_share=wrong)
        said = texture_log(pixels, fit.views, fit.body, findings, TURN_SD_RAD, settings)
        if said is None:
            return None
        marks[worth, wrong] = said
    at = [joint.HEIGHT, joint.DOME]
    covariance = fit.covariance[np.ix_(at, at)] + LEAST_SD_MM**2 * np.eye(2)
    e = np.stack(np.broadcast_arrays(RISE, DOME), -1)
    square = np.einsum("...i,ij,...j->...", e, np.linalg.inv(covariance), e)
    return Top(true, np.log(0.9 * np.exp(-0.5 * square) + 0.1 / 9 * np.exp(-0.5 * square / 9)), marks)


def at_truth(top: Top, log: np.ndarray) -> float:
    """Log density at the cell of the truth."""
    i, j = np.abs(RISE[:, 0] - top.true_mm[0]).argmin(), np.abs(DOME[0] - top.true_mm[1]).argmin()
    return float(log[i, j] - np.log(np.exp(log - log.max()).sum()) - log.max())


def errors(tops: list[Top], logs: list[np.ndarray]) -> tuple[np.ndarray, np.ndarray]:
    """Errors (n, 2) of rise and dome, and the dome's standard uncertainties (n,)."""
    said = [moments(log, RISE, DOME) for log in logs]
    return np.array([np.subtract(m[0], t.true_mm) for m, t in zip(said, tops, strict=True)]), np.array(
        [m[1][1] for m in said]
    )


def both(e: np.ndarray) -> str:
    return f"{np.median(np.abs(e)):.2f}/{np.quantile(np.abs(e), 0.95):.2f}" if len(e) else "none"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folders", nargs="+", type=Path)
    parser.add_argument("--keep", type=Path)
    parser.add_argument("--jobs", type=int, default=2)
    args = parser.parse_args()
    with ProcessPoolExecutor(args.jobs) as pool:
        tops = [t for t in pool.map(partial(look, keep=args.keep), cakes_of(args.folders)) if t is not None]
    plain = [t.before for t in tops]
    e, _ = errors(tops, plain)
    print(f"{len(tops)} cakes; without marks: rise {both(e[:, 0])}, dome {both(e[:, 1])} mm")
    for key in TRIED:
        logs = [t.before + t.marks[key] for t in tops]
        e, sd = errors(tops, logs)
        gain = np.mean([at_truth(t, log) - at_truth(t, t.before) for t, log in zip(tops, logs, strict=True)])
        known = sd <= 0.5
        print(
            f"worth {key[0]}, wrong share {key[1]}: gain {gain:.3f}, rise {both(e[:, 0])}, dome {both(e[:, 1])} mm; "
            f"{known.sum()} domes known: {both(e[known, 1])}"
        )


if __name__ == "__main__":
    main()
