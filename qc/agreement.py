"""How well the photos agree with the fitted cake, and what it means where they do not.

Two views of every photo are independent of each other: the finder's border of the icing (rough, but it knows what icing
is) and the photo's own edges (fine, but they may be a shadow's). Where the edges of a photo lie off the fitted outline,
or the finder's border does, the outline is less sure than the fit itself can know.

The share of edges that agree goes with the errors of nearly all of the body's quantities: `qc.shape.ShapeErrors` states
more where fewer do. How far the finder's border lies from the outline does not, as long as it lies within what is usual
(tests/long/agreement.py), but it tells at once when a photo shows another cake than the one that was fitted.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from qc.body import Body
from qc.camera import View
from qc.contour import clearance_gradient
from qc.finder import BODY, Finding
from qc.fit import CakeFit
from qc.joint import OUTLINE
from qc.outline import EdgeSettings, finder_border, sure_sides


@dataclass(frozen=True)
class AgreementSettings:
    """From where on photo and fitted cake are at odds; by tests/long/agreement.py over 46 rendered cakes."""

    points: int = 200  # of the finder's border
    clear_net: int = 7  # network pixels across: how far border points stay clear of pieces
    least_points: int = 20  # that make a figure
    reach: float = 0.67  # share of the border's points that lie within the distance that counts
    at_odds_mm: float = 2.0  # that distance; all 138 photos of 46 cakes have 1.4 and less, two cakes taken for one
    # mostly more, in one of their photos at least


@dataclass(frozen=True)
class Agreement:
    """One photo against the fitted cake."""

    edges: float  # share of the photo's edges along the outline that agree with it, 0..1
    border_mm: (
        float | None
    )  # from the outline, two thirds of the finder's border are nearer; None where hardly any shows


def border_distance_mm(view: View, body: Body, finding: Finding, settings: AgreementSettings) -> float | None:
    """How far from the body's outline the finder's border of plain icing lies, at the cake's middle.

    Not the median: round a cake of another size one of its two flanks can always be made to fit.
    """
    border = finder_border(finding, (BODY,), settings.points)
    if len(border.points_px) == 0:
        return None
    grazing, gradient = clearance_gradient(view, body, border.points_px)
    size = np.maximum(np.linalg.norm(gradient, axis=1), 1e-4)
    keep = sure_sides(finding, border, EdgeSettings(clear_net=settings.clear_net)).where(grazing.foot)
    if keep.sum() < settings.least_points:
        return None
    scale = view.px_per_mm(np.array([0.0, 0.0, 0.5 * body.height_mm]))
    return float(np.quantile(np.abs(grazing.clearance_mm[keep]) / size[keep], settings.reach)) / scale


def agreements(
    fit: CakeFit, findings: Mapping[str, Finding], settings: AgreementSettings | None = None
) -> dict[str, Agreement]:
    """Every photo of a fit against the fitted cake."""
    settings = settings or AgreementSettings()
    return {
        name: Agreement(
            fit.quality[name].kept / max(fit.quality[name].asked, 1),
            border_distance_mm(view, fit.body, findings[name], settings),
        )
        for name, view in fit.views.items()
    }


def widening(found: Mapping[str, Agreement], settings: AgreementSettings | None = None) -> float:
    """Factor (1 or more) on the outline's standard uncertainty.

    Where a border lies further off than any of the cakes that the constants come from, it grows in proportion.
    """
    settings = settings or AgreementSettings()
    worst = max((a.border_mm for a in found.values() if a.border_mm is not None), default=0.0)
    return max(1.0, worst / settings.at_odds_mm)


def in_words(
    found: Mapping[str, Agreement], said: Mapping[str, str], settings: AgreementSettings | None = None
) -> tuple[str, ...]:
    """What a person should know: a sentence for the photo that is most at odds; `said` is what each photo is called."""
    settings = settings or AgreementSettings()
    off = {n: a.border_mm for n, a in found.items() if a.border_mm is not None and a.border_mm > settings.at_odds_mm}
    if not off:
        return ()
    name = max(off, key=lambda n: off[n])
    return (
        f"{said[name]} shows the cake's edge {off[name]:.0f} mm away from where the photos together put it: see that "
        "all photos are of the same cake, lay a mat of another colour under and behind it, and take them again.",
    )


def judged(
    fit: CakeFit, findings: Mapping[str, Finding], said: Mapping[str, str], settings: AgreementSettings | None = None
) -> CakeFit:
    """The fit with the outline's part of its uncertainty widened, and a warning, where photos and cake are at odds."""
    found = agreements(fit, findings, settings)
    factor = widening(found, settings)
    if factor == 1.0:
        return fit
    shares = {source: c * factor**2 if source in OUTLINE else c for source, c in fit.shares.items()}
    more = np.sum([shares[s] - fit.shares[s] for s in shares], axis=0)
    warnings = (*fit.warnings, *in_words(found, said, settings))
    return replace(fit, shares=shares, covariance=fit.covariance + more, warnings=warnings)
