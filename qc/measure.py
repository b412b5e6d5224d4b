"""The pipeline: photos in, measurements out. Read `measure` first; every stage is a module of its own."""

from collections.abc import Callable, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from qc.agreement import judged
from qc.camera import View
from qc.card import find_card
from qc.decoration_borders import border_rows, surest_foot
from qc.decorations import DecorationResult, find_decorations, seen_anew
from qc.errors import PhotoError
from qc.finder import Finding, find
from qc.fit import CakeFit, PhotoInput, fit_cake, fit_turned
from qc.icing import IcingResult, colour_shift, measure_icing
from qc.overlay import overlays
from qc.paper import paper_white
from qc.photo import Photo
from qc.piece_feet import FeetSettings
from qc.piece_tops import seen_heights
from qc.profile import measure_profiles
from qc.profiles import CameraStore, prior_for
from qc.quantities import CheckResult, Measurement
from qc.relief import measure_relief
from qc.retake import check_photo, check_together
from qc.shape import measure_shape, top_height_sd_mm
from qc.stages import MeasureSettings, Seen, Stages
from qc.standing_out import standing_out
from qc.top_height import TopHeightSettings, raise_top, top_height

Array = NDArray[np.float64]
Tell = Callable[[str], None]
SCRAPED_EDGE = "Edge radius is left out: the side is scraped down to the sponge, so its top edge has no one rounding."
KNOWN_TURN = TopHeightSettings(feet=FeetSettings(turn_rad=0.07), turn_sd_rad=0.05)  # by what decorations have told
PLAIN = TopHeightSettings(turn_sd_rad=0.2)  # without feet; a person stands up to 0.7 h off 6 o'clock


def measure(
    photos: Mapping[str, Photo],
    settings: MeasureSettings | None = None,
    tell: Tell | None = None,
    cameras: CameraStore | None = None,
) -> CheckResult:
    """Measure one cake.

    Parameters
    ----------
    photos : mapping
        "top" and "side", and "side2" where there is one, to the photos.
    tell : callable, optional
        Called with the name of each stage as it begins.
    cameras : CameraStore, optional
        What earlier photos have taught about the cameras.

    Raises
    ------
    CakeQCError
        One sentence: which photo, what is wrong, what to do.
    """
    settings = settings or MeasureSettings()
    return assemble(run_stages(photos, settings, tell, cameras), settings)


def run_stages(
    photos: Mapping[str, Photo], settings: MeasureSettings, tell: Tell | None = None, cameras: CameraStore | None = None
) -> Stages:
    """All stages in order, each told as it begins."""
    say = tell or (lambda stage: None)
    check_together(photos)
    say("card and cake in each photo")
    seen = {s.photo.name: s for s in look(photos)}
    say("shape of the cake")
    scale = np.array(settings.print_scale)
    priors = {n: prior_for(s.photo, cameras, s.card, scale) for n, s in seen.items()}
    inputs = {n: PhotoInput(s.photo, s.card, s.finding, priors[n]) for n, s in seen.items()}
    pixels = {n: s.photo.pixels for n, s in seen.items()}
    findings = {n: s.finding for n, s in seen.items()}
    shaped = _shaped(inputs, settings, say)
    say("side lines and surface of the icing")
    paper = {n: paper_white(s.photo, s.card) for n, s in seen.items()}
    profiles = measure_profiles(pixels, shaped.fit.views, shaped.fit.body, findings, settings.fillings_mm)
    decorations = _decorations_anew(shaped, pixels, findings)
    fit = judged(shaped.fit, findings, {n: s.photo.said for n, s in seen.items()})
    icing = measure_icing(
        pixels, fit.views, fit.body, findings, paper, decorations.pieces, semi_naked=settings.semi_naked
    )
    relief = measure_relief(icing.faces, fit.body, profiles)
    notes = tuple(p.note for p in priors.values() if p.note)
    return Stages(seen, fit, profiles, icing, relief, decorations, notes)


def fit_with_decorations(
    inputs: Mapping[str, PhotoInput], settings: MeasureSettings, say: Tell = lambda stage: None
) -> tuple[CakeFit, DecorationResult]:
    """The cake fitted to its photos, its decorations, and the fit made better by what these tell.

    They show how the cake was turned between the photos, which outlines hardly do, and how high the top lies.

    Raises
    ------
    CardError, OutlineError, FitError
    """
    shaped = _shaped(inputs, settings, say)
    pixels, findings = {n: i.photo.pixels for n, i in inputs.items()}, {n: i.finding for n, i in inputs.items()}
    return shaped.fit, _decorations_anew(shaped, pixels, findings)


@dataclass(frozen=True)
class _Shaped:
    """The fit made better by its decorations, and these as they were found with the fit before."""

    fit: CakeFit
    found: DecorationResult
    found_in: View  # the top photo's view at that time
    turned: bool  # the decorations told how the cake was turned between the photos


def _shaped(inputs: Mapping[str, PhotoInput], settings: MeasureSettings, say: Tell) -> _Shaped:
    """The first part of `fit_with_decorations`."""
    pixels, findings = {n: i.photo.pixels for n, i in inputs.items()}, {n: i.finding for n, i in inputs.items()}
    scale = np.array(settings.print_scale)
    fit = fit_cake(inputs, scale, settings.print_scale_uncertainty)
    say("decorations")
    found = find_decorations(
        pixels["top"],
        fit.views["top"],
        fit.body,
        findings["top"],
        settings.expected_decorations,
        height_sd_mm=top_height_sd_mm(fit),
    )
    first = top_height(fit, pixels, findings, found.kinds)
    if first is None:
        told = top_height(fit, pixels, findings, found.kinds, PLAIN)
        better = fit if told is None else raise_top(fit, told)
        return _Shaped(better, found, fit.views["top"], turned=False)
    turned = fit_turned(fit, first.turns_rad, inputs, scale, settings.print_scale_uncertainty)
    told = top_height(turned, pixels, findings, found.kinds, KNOWN_TURN)
    better = turned if told is None else raise_top(turned, told)
    return _Shaped(better, found, fit.views["top"], turned=True)


def _decorations_anew(
    shaped: _Shaped, pixels: Mapping[str, NDArray[np.uint8]], findings: Mapping[str, Finding]
) -> DecorationResult:
    """The decorations as the better fit has them, with the border at the foot."""
    fit, found = shaped.fit, shaped.found
    ratio = seen_heights(fit.views, fit.body, findings, found.kinds, turned=shaped.turned)
    found = seen_anew(
        found,
        pixels["top"],
        shaped.found_in,
        fit.views["top"],
        fit.body,
        height_sd_mm=top_height_sd_mm(fit),
        seen_ratio=ratio,
    )
    foot = surest_foot(pixels, fit.views, fit.body, findings)
    return found if foot is None else replace(found, borders=(*found.borders, foot))


def look(photos: Mapping[str, Photo]) -> list[Seen]:
    """Card, cake and retake answer of every photo, two at a time."""
    missing = {"top", "side"} - set(photos)
    if missing:
        raise PhotoError(f"The {' and the '.join(sorted(missing))} photo is missing: every check needs top and side.")

    def one(item: tuple[str, Photo]) -> Seen:
        name, photo = item
        card, finding = find_card(photo), find(photo.pixels)
        report = check_photo(photo, name, card, finding)
        if not report.usable:
            raise PhotoError(report.reasons[0])
        return Seen(photo, card, finding, report)

    with ThreadPoolExecutor(2) as pool:
        return list(pool.map(one, photos.items()))


def assemble(stages: Stages, settings: MeasureSettings) -> CheckResult:
    """One result out of what the stages found."""
    rows, left_out = measure_shape(stages.fit, standing_out(stages.fit.body, stages.profiles.silhouettes))
    parts = (stages.profiles, stages.icing, stages.relief, stages.decorations)
    rows += [m for part in parts for m in part.measurements]
    if stages.icing.scraped and any(m.name == "edge_radius" for m in rows):
        rows = [m for m in rows if m.name != "edge_radius"]
        left_out = [*left_out, SCRAPED_EDGE]
    rows += border_rows(stages.decorations.borders)
    if settings.house_colour is not None:
        rows += _colour_shift(stages.icing, settings.house_colour)
    warnings = [w for part in parts for w in part.warnings]
    hints = [r for s in stages.seen.values() for r in s.report.reasons]
    return CheckResult(
        tuple(rows),
        stages.decorations.pieces,
        stages.icing.blemishes,
        stages.profiles.meridians,
        {n: s.report for n, s in stages.seen.items()},
        tuple(dict.fromkeys([*stages.fit.warnings, *stages.lens_notes, *left_out, *warnings, *hints])),
        overlays(stages),
    )


def _colour_shift(icing: IcingResult, house: tuple[float, float, float]) -> list[Measurement]:
    row = colour_shift(icing, house)
    return [row] if row is not None else []
