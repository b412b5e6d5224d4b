"""Whether photos at odds with the fitted cake foretell its errors: the constants of qc.agreement, from rendered cakes.

python -m tests.long.agreement FOLDER [FOLDER ...] [--keep FITS] [--mixed N]

Each FOLDER holds */{top,side,side2}.jpg with truth.json. Printed are the rank correlations (Spearman) of the share of
edges that agree and of how far the seen icing lies off with the sizes of the errors of diameter and height, and how far
it lies off. --mixed takes the top photo of one cake and the side photos of another, N times.
"""

import argparse
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.stats import spearmanr

from qc import shape
from qc.agreement import Agreement, AgreementSettings, agreements
from qc.errors import CakeQCError
from qc.fit import CakeFit, fit_cake
from qc.profile import measure_profiles
from qc.standing_out import standing_out
from tests import truth as truths
from tests.long.fitted import cakes_of, fit_of, inputs_of

QUANTITIES = {"diameter": shape.DIAMETER, "height": shape.HEIGHT}


@dataclass(frozen=True)
class Cake:
    """One cake: how its photos agree, and the error of each of QUANTITIES (None where not defined)."""

    name: str
    found: dict[str, Agreement]
    error_mm: dict[str, float | None]

    @property
    def edges(self) -> float:
        """Mean share of edges that agree."""
        return float(np.mean([a.edges for a in self.found.values()]))

    @property
    def icing_mm(self) -> float:
        """How far the seen icing lies off in the photo where that is most."""
        return max(a.icing_mm for a in self.found.values())


def look_at(cake: Path, keep: Path | None) -> Cake:
    """Fit, agreement and errors of one cake; raises CakeQCError where there is no fit."""
    fit, inputs, known = fit_of(cake, keep), inputs_of(cake), truths.load(cake)["quantities"]
    if not isinstance(fit, CakeFit):
        raise fit
    findings = {n: i.finding for n, i in inputs.items()}
    value, _, _ = shape.shape_components(fit)
    silhouettes = measure_profiles(
        {n: i.photo.pixels for n, i in inputs.items()}, fit.views, fit.body, findings
    ).silhouettes
    value, _ = shape.with_belts(value, standing_out(fit.body, silhouettes))
    return Cake(
        cake.name,
        agreements(fit, findings),
        {n: None if known.get(n) is None else float(value[k]) - known[n] for n, k in QUANTITIES.items()},
    )


def correlations(cakes: list[Cake]) -> None:
    """Print the rank correlations with the sizes of the errors."""
    for quantity in QUANTITIES:
        known = [c for c in cakes if c.error_mm[quantity] is not None]
        size = [abs(c.error_mm[quantity] or 0.0) for c in known]
        for what in ("edges", "icing_mm"):
            found = spearmanr([getattr(c, what) for c in known], size)
            print(
                f"{what:9s} with |{quantity} error|: {found.statistic:+.2f} (p {found.pvalue:.3f}, {len(known)} cakes)"
            )


def mixed(cakes: list[Path], count: int) -> None:
    """Print how photos of two cakes taken for one look."""
    missed = 0
    for a, b in zip(cakes[:count], cakes[len(cakes) // 2 :], strict=False):
        photos = {"top": inputs_of(a)["top"], **{n: i for n, i in inputs_of(b).items() if n != "top"}}
        try:
            fit = fit_cake(photos, np.ones(2), 1e-3)
        except CakeQCError as error:
            print(f"{a.name} with {b.name}: {error}", flush=True)
            continue
        found = agreements(fit, {n: i.finding for n, i in photos.items()})
        worst = max(f.icing_mm for f in found.values())
        missed += worst <= AgreementSettings().at_odds_mm
        print(f"{a.name} with {b.name}: {worst:.1f} mm off, fewest edges {min(f.edges for f in found.values()):.2f}")
    print(f"{missed} of {count} not noticed")


def main() -> None:
    """Print what is found."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folders", type=Path, nargs="+")
    parser.add_argument("--keep", type=Path, help="folder to keep the fits in, used again where they are there")
    parser.add_argument("--mixed", type=int, default=0, metavar="N")
    asked = parser.parse_args()
    paths, cakes = cakes_of(asked.folders), []
    for path in paths:
        try:
            cakes.append(look_at(path, asked.keep))
        except CakeQCError as error:
            print(f"{path.name}: {error}")
    correlations(cakes)
    worst = sorted(a.icing_mm for c in cakes for a in c.found.values())
    print(f"seen icing over {len(worst)} photos: median {np.median(worst):.2f} mm, largest {np.round(worst[-4:], 2)}")
    if asked.mixed:
        mixed(paths, asked.mixed)


if __name__ == "__main__":
    main()
