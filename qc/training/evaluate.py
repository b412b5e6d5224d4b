"""Measure the outline network: on labelled sets, on rendered cakes with masks, and on cut-outs put on other backgrounds.

python -m qc.training.evaluate labelled valid.npz [held_out.npz]     arrays x (N, h, w, 3), y (N, h, w)
python -m qc.training.evaluate masks FOLDER                          FOLDER/*/{top,side,side2}.jpg + NAME_mask_*.png
python -m qc.training.evaluate cutouts FOLDER --draw sheet.jpg       pictures of single cakes cut out on white
"""

import argparse
from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.commands.outline import drawn
from qc.finder import BOARD, CAKE, LABELS, Finding, find
from qc.photo import read_photo

BINS = 15


class Tally:
    """Intersection, union and calibration summed over pictures."""

    def __init__(self) -> None:
        self.inter, self.union = np.zeros(6), np.zeros(6)
        self.bins = np.zeros((2, 3, BINS))  # everywhere / on and round the cake; count, probability, right

    def add(self, finding: Finding, truth: NDArray[np.uint8]) -> None:
        """Count one picture; truth is at the network's resolution, 255 where unknown."""
        chosen, p = finding.net_labels(), finding.probabilities.max(0)
        known = (truth != 255) & finding.inside()
        for c in range(6):
            a, b = (chosen == c) & known, (truth == c) & known
            self.inter[c] += (a & b).sum()
            self.union[c] += (a | b).sum()
        near = cv2.dilate(np.isin(chosen, CAKE).astype(np.uint8), np.ones((17, 17), np.uint8)) > 0
        for k, where in enumerate((known, known & near)):
            slot = np.minimum((p[where] * BINS).astype(int), BINS - 1)
            for row, value in enumerate((None, p[where], (chosen == truth)[where].astype(float))):
                self.bins[k, row] += np.bincount(slot, value, BINS)

    def __str__(self) -> str:
        iou = self.inter / np.maximum(self.union, 1)
        ece = [np.abs(b[1] - b[2]).sum() / max(b[0].sum(), 1) for b in self.bins]
        names = ", ".join(f"{n} {v:.3f}" for n, v in zip(LABELS, iou, strict=True))
        return f"IoU {names}; calibration error {100 * ece[0]:.1f} % everywhere, {100 * ece[1]:.1f} % on and round the cake"


def labelled(path: Path) -> Tally:
    """Pictures with label maps of the same size."""
    data, tally = np.load(path), Tally()
    for x, y in zip(data["x"], data["y"], strict=True):
        finding = find(x)
        tally.add(finding, _to_net(y, finding))
    return tally


def masks(folder: Path) -> tuple[Tally, list[float], list[float]]:
    """Rendered photos with masks of body, decorations (with foot border) and board; also each photo's IoU of the body and
    of the whole cake. The masks know no card and no foot border of their own: there the finder is taken at its word.
    """
    tally, bodies, cakes = Tally(), [], []
    for mask in sorted(folder.glob("*/*_mask_body.png")):
        name = mask.name.split("_")[0]
        finding = find(read_photo(mask.parent / f"{name}.jpg").pixels)
        truth = np.zeros(cv2.imread(str(mask), 0).shape, np.uint8)
        for label, key in ((1, "board"), (2, "body"), (3, "decor")):
            truth[cv2.imread(str(mask.parent / f"{name}_mask_{key}.png"), 0) > 127] = label
        small, seen = _to_net(truth, finding), finding.net_labels()
        tally.add(finding, np.where((seen == 5) & (small == 3), 5, np.where((seen == 4) & (small == 0), 4, small)))
        inside = finding.inside()
        bodies.append(_overlap((seen == 2) & inside, small == 2))
        cakes.append(_overlap(np.isin(seen, CAKE) & inside, np.isin(small, (2, 3))))
    return tally, bodies, cakes


def _overlap(a: NDArray[np.bool_], b: NDArray[np.bool_]) -> float:
    """Intersection over union; 1 where both are empty."""
    union = (a | b).sum()
    return float((a & b).sum() / union) if union else 1.0


def _to_net(truth: NDArray[np.uint8], finding: Finding) -> NDArray[np.uint8]:
    h, w = finding.probabilities.shape[1:]
    k, (ox, oy) = finding.scale_px, finding.offset_px
    matrix = np.array([[k, 0, ox], [0, k, oy]])
    return cv2.warpAffine(truth, matrix, (w, h), flags=cv2.INTER_NEAREST, borderValue=255)


# ---------------------------------------------------------------- cut-outs
def backgrounds(rng: np.random.Generator, shape: tuple[int, int]) -> Iterator[tuple[str, NDArray[np.uint8]]]:
    """Plain, shaded, blotched, wooden, chequered and dark backgrounds."""
    h, w = shape
    ramp = np.linspace(0, 1, h)[:, None, None]
    tone = lambda: rng.uniform(20, 235, 3)  # noqa: E731
    yield "grey", np.full((h, w, 3), 120, np.uint8)
    yield "dark", (np.full((h, w, 3), 28) + rng.normal(0, 4, (h, w, 1))).clip(0, 255).astype(np.uint8)
    yield "shaded", (tone() * ramp + tone() * (1 - ramp)).clip(0, 255).astype(np.uint8)
    small = rng.uniform(0, 255, (6, 8, 3)).astype(np.float32)
    yield "blotched", cv2.resize(small, (w, h), interpolation=cv2.INTER_CUBIC).clip(0, 255).astype(np.uint8)
    y, x = np.mgrid[0:h, 0:w]
    grain = np.sin(y / 5 + 2 * np.sin(x / 90)) * 18 + rng.normal(0, 6, (h, w))
    yield "wood", (np.array([150, 100, 60]) + grain[..., None]).clip(0, 255).astype(np.uint8)
    yield "chequered", np.where((((x // 40) + (y // 40)) % 2 > 0)[..., None], tone(), tone()).astype(np.uint8)


def cutouts(folder: Path, sheet: Path | None) -> dict[str, list[float]]:
    """IoU of the whole cake (board left out of the count) per picture; the cake fills 60 % of a 4:3 picture."""
    out: dict[str, list[float]] = {}
    tiles = []
    for path in sorted(folder.glob("*.jpg")):
        cake = cv2.cvtColor(cv2.imread(str(path)), cv2.COLOR_BGR2RGB)
        solid = _solid(cake)
        picture, mask = np.full((768, 1024, 3), 255, np.uint8), np.zeros((768, 1024), np.uint8)
        picture[128:640, 256:768], mask[128:640, 256:768] = cake, solid
        alpha = cv2.GaussianBlur(mask.astype(np.float32), (0, 0), 1.0)[..., None]
        row, rng = [], np.random.default_rng(5)
        for name, back in backgrounds(rng, mask.shape):
            shown = (picture * alpha + back * (1 - alpha)).astype(np.uint8)
            seen = find(shown).labels()
            a, b = np.isin(seen, CAKE), (mask > 0) & (seen != BOARD)
            out.setdefault(name, []).append(float((a & b).sum() / max((a | b).sum(), 1)))
            row.append(cv2.resize(drawn(shown, seen), (320, 240), interpolation=cv2.INTER_AREA))
        tiles.append(np.hstack(row))
    if sheet is not None:
        cv2.imwrite(str(sheet), np.vstack(tiles)[..., ::-1])
    return out


def _solid(cake: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Where a cut-out is: everything that white, connected to the frame, does not reach."""
    white = (cake.min(2) > 246).astype(np.uint8)
    flood = cv2.copyMakeBorder(white, 1, 1, 1, 1, cv2.BORDER_CONSTANT, value=1)
    count, parts = cv2.connectedComponents(flood)
    outside = parts[1:-1, 1:-1] == parts[0, 0]
    return cv2.morphologyEx((~outside).astype(np.uint8), cv2.MORPH_OPEN, np.ones((5, 5), np.uint8))


def main(argv: list[str] | None = None) -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("what", choices=["labelled", "masks", "cutouts"])
    parser.add_argument("paths", nargs="+", type=Path)
    parser.add_argument("--draw", type=Path)
    args = parser.parse_args(argv)
    for path in args.paths:
        if args.what == "labelled":
            print(path.name, labelled(path))
        elif args.what == "masks":
            tally, bodies, cakes = masks(path)
            print(tally)
            for name, v in (("body", bodies), ("whole cake", cakes)):
                print(f"{name} per photo: median {np.median(v):.3f}, least {min(v):.3f}, {len(v)} photos")
        else:
            for name, values in cutouts(path, args.draw).items():
                print(f"{name:10s} median {np.median(values):.3f}  {' '.join(f'{v:.2f}' for v in values)}")


if __name__ == "__main__":
    main()
