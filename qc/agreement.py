"""How well the photos agree with the fitted cake, and what it means where they do not.

Two views of every photo are independent of each other: what the finder saw (rough, but it knows what icing is) and the
outlines that were read (fine, but they may be a shadow's). Where a photo's outlines lie off the fitted cake, or the
finder's icing does, the outline is less sure than the fit itself can know.

The share of edges that agree goes with the errors of the body's quantities: `qc.shape.ShapeErrors` states more where
fewer do. How far the finder's icing lies off the fitted one does not, as long as that is usual
(tests/long/agreement.py), but it tells at once when a photo shows another cake than the one that was fitted.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from qc.contour import body_contours
from qc.finder import Finding
from qc.fit import CakeFit
from qc.joint import OUTLINE
from qc.regions import misfit_mm


@dataclass(frozen=True)
class AgreementSettings:
    """From where on photo and fitted cake are at odds; by tests/long/agreement.py over 172 rendered cakes."""

    points: int = 240  # of the body's outline
    at_odds_mm: float = 2.5  # mean distance; all 514 photos of these cakes have 2.2 and less, two cakes taken for one
    # more in one of their photos (12 of 12 pairs)


@dataclass(frozen=True)
class Agreement:
    """One photo against the fitted cake."""

    edges: float  # share of the photo's edges along the outline that agree with it, 0..1
    icing_mm: float  # by how much on average the icing that the finder saw lies off the fitted body


def agreements(
    fit: CakeFit, findings: Mapping[str, Finding], settings: AgreementSettings | None = None
) -> dict[str, Agreement]:
    """Every photo of a fit against the fitted cake."""
    settings = settings or AgreementSettings()
    names = tuple(fit.views)
    outlines = body_contours([fit.views[n] for n in names], fit.body, settings.points)
    return {
        name: Agreement(
            fit.quality[name].kept / max(fit.quality[name].asked, 1),
            misfit_mm(findings[name], fit.views[name], fit.body, fit.board, outline.points_px),
        )
        for name, outline in zip(names, outlines, strict=True)
    }


def widening(found: Mapping[str, Agreement], settings: AgreementSettings | None = None) -> float:
    """Factor (1 or more) on the outline's standard uncertainty.

    Where the seen icing lies further off than that of any cake that the constants come from, it grows in proportion.
    """
    settings = settings or AgreementSettings()
    worst = max((a.icing_mm for a in found.values()), default=0.0)
    return max(1.0, worst / settings.at_odds_mm)


def in_words(
    found: Mapping[str, Agreement], said: Mapping[str, str], settings: AgreementSettings | None = None
) -> tuple[str, ...]:
    """What a person should know: a sentence for the photo that is most at odds; `said` is what each photo is called."""
    settings = settings or AgreementSettings()
    off = {n: a.icing_mm for n, a in found.items() if a.icing_mm > settings.at_odds_mm}
    if not off:
        return ()
    name = max(off, key=lambda n: off[n])
    return (
        f"{said[name]} shows the cake's edge about {off[name]:.0f} mm away from where the photos together put it: see "
        "that all photos are of the same cake, lay a mat of another colour under and behind it, and take them again.",
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
