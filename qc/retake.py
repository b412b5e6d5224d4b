"""Usable or retake: what is wrong with one photo, in words, before the heavy work.

Looked at: the card (there, whole, sharp), the light on it, the icing's exposure, the whole cake in the frame, and how
the lens was held against the bench. The light is judged on the card's white paper, whose brightness is known, and not
on the icing: chocolate is dark in a good photo.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray

from qc.card import CardView, PanelView, corner_mm, find_card
from qc.card_fold import standing_pose
from qc.card_layout import CORNERS
from qc.card_map import affine_scale
from qc.errors import CardError, PhotoError
from qc.finder import BOARD, BODY, Finding, main_cake, of_cake, rival
from qc.lens_prior import exif_prior
from qc.photo import Photo
from qc.quantities import PhotoReport

NEEDED = {"top": "floor", "side": "standing", "side2": "standing"}


@dataclass(frozen=True)
class RetakeSettings:
    """From where on a photo is taken again (must) or could be better (hint)."""

    least_corners: int = 12  # of 36 on the panel that gives the bench or the pose; fewer: must
    good_corners: int = 24  # of 36; fewer: hint
    sharp_must: float = 0.25  # contrast left in lines 1 mm wide; less: the outline is lost in the blur
    sharp_hint: float = 0.50
    paper_dark_must: float = 0.035  # linear light of white paper, 1 at the sensor's end; below, noise eats the edges
    paper_dark_hint: float = 0.10
    burnt_must: float = 0.25  # share of the cake's pixels (of the photo's, where no cake is known) at the sensor's end
    burnt_hint: float = 0.06
    cut_off: float = 0.04  # share of the photo's border that the cake may touch
    board_cut_off: float = 0.02
    least_cake: float = 0.01  # share of the photo
    trusted: float = 0.78  # finder's confidence below which no cake is believed; 160 rendered photos of cakes have 0.92
    # and more, 16 pictures without a cake 0.74 and less
    rival: float = 0.25  # size of a second island of icing, of the largest one's, that is mentioned
    sure: float = 0.85  # below it the photo is used, and what would help is said
    swapped_deg: float = 40.0  # elevation of the lens that parts top photos from side photos
    top_must_deg: float = 52.0  # elevation; the photo from above needs 65 and more
    top_hint_deg: float = 63.0
    side_must_deg: float = 35.0  # the photo from the side needs 0 to 20
    side_hint_deg: float = 22.0
    onto_top_deg: float = 1.7  # by which the lens should look down on the far rim of the top: of 200 rendered cakes
    # the height erred by 0.8 mm (95 %) where both side photos looked down on its middle by 2 degrees, by 2.1 where none
    rim_share: float = 0.8  # of the cake's width, in whose middle the far rim is looked for


RETAKE = RetakeSettings()
# mean difference of 32 x 32 thumbnails, grey levels: the same photo saved anew at quality 70 or at half size differs by
# 0.2, two photos from one tripod of a cake that was turned by a quarter by more
SAME_GREY = 0.3


@dataclass
class _Reasons:
    """What was found: faults make the photo unusable, hints do not."""

    faults: list[str] = field(default_factory=list)
    hints: list[str] = field(default_factory=list)


def check_photo(
    photo: Photo,
    kind: str,
    card: CardView | None = None,
    finding: Finding | None = None,
    settings: RetakeSettings = RETAKE,
) -> PhotoReport:
    """Say whether one photo can be used, and if not what to do.

    Parameters
    ----------
    photo : Photo
    kind : str
        "top", "side" or "side2": what the photo is meant to be.
    card : CardView, optional
        The card when it was found already; looked for when left out.
    finding : Finding, optional
        What each pixel shows; without it, what concerns the cake itself is not judged.

    Returns
    -------
    PhotoReport
        `usable` is False when the photo must be taken again; `reasons` hold what must be done, then what would help.
    """
    if kind not in NEEDED:
        raise ValueError(f"kind must be one of {', '.join(NEEDED)}, not {kind!r}")
    reasons = _Reasons()
    if card is None:
        try:
            card = find_card(photo)
        except CardError as error:
            reasons.faults.append(str(error))
    sharp = 0.0
    if card is not None:
        _held(photo, kind, card, reasons, settings)
        if not reasons.faults:
            _panel(photo, kind, card, reasons, settings)
        sharp = _light_and_sharpness(photo, card, reasons, settings)
    if finding is not None:
        _cake(photo, finding, reasons, settings)
        if kind != "top" and card is not None and not reasons.faults:
            _above_the_top(photo, card, finding, reasons, settings)
    else:
        _burnt(photo, photo.pixels[::16, ::16].reshape(-1, 3), reasons, settings)
    corners = card.corner_count if card is not None else 0
    return PhotoReport(not reasons.faults, (*reasons.faults, *reasons.hints), corners, round(sharp, 3))


# ---------------------------------------------------------------- the card
def _panel(photo: Photo, kind: str, card: CardView, reasons: _Reasons, settings: RetakeSettings) -> None:
    """Whether the panel that this photo needs is there and whole."""
    name = NEEDED[kind]
    panel = card.floor if name == "floor" else card.standing
    seen = 0 if panel is None else len(panel.ids)
    lies = "lies" if name == "floor" else "stands"
    if seen < settings.least_corners:
        reasons.faults.append(
            f"{photo.said}: the card's {name} panel is hidden or cut off ({seen} of {CORNERS} corners seen); "
            f"see that it {lies} free and whole in the frame, and take the photo again."
        )
    elif seen < settings.good_corners:
        reasons.hints.append(
            f"{photo.said}: part of the card's {name} panel is hidden ({seen} of {CORNERS} corners seen); "
            "a free card makes the measurement surer."
        )


def _light_and_sharpness(photo: Photo, card: CardView, reasons: _Reasons, settings: RetakeSettings) -> float:
    """Judge both on the card's print; returns the sharpness, 0..1."""
    panels = [p for p in (card.floor, card.standing) if p is not None]
    sharp = max(sharpness(panel) for panel in panels)
    if sharp < settings.sharp_must:
        reasons.faults.append(
            f"{photo.said} is blurred; hold the phone still with both hands, tap on the cake to focus, take it again."
        )
    elif sharp < settings.sharp_hint:
        reasons.hints.append(f"{photo.said} is a little blurred or taken from far away; go closer and hold still.")
    paper = max(p.paper for p in panels if p.paper is not None) if any(p.paper for p in panels) else 1.0
    if paper < settings.paper_dark_must:
        reasons.faults.append(f"{photo.said} is too dark; bring more light to the bench and take it again.")
    elif paper < settings.paper_dark_hint:
        reasons.hints.append(f"{photo.said} is rather dark; more light makes the measurement surer.")
    return sharp


def sharpness(panel: PanelView) -> float:
    """Contrast left in lines 1 mm wide on the card, 0..1.

    The transfer of a Gaussian blur of standard deviation s at 0.5 line pairs per mm, exp(-2 (pi 0.5 s)^2), with s the
    blur of the chessboard's edges in mm; a pixel itself blurs by 1 / sqrt(12).
    """
    px_per_mm = affine_scale(corner_mm(panel.ids), panel.corners_px)
    blur_mm = np.hypot(max(panel.blur_px or 0.0, 0.0), 12**-0.5) / px_per_mm
    return float(np.exp(-2 * (np.pi * 0.5 * blur_mm) ** 2))


# ---------------------------------------------------------------- how the lens was held
def elevation_deg(photo: Photo, card: CardView) -> float | None:
    """Angle by which the lens looks down on the bench: 90 straight down, 0 along it; None when no panel tells."""
    down = _down(photo, card)
    return None if down is None else float(np.degrees(np.arcsin(np.clip(down[2], -1, 1))))


def _down(photo: Photo, card: CardView) -> NDArray[np.float64] | None:
    """Direction (3,) straight down at the bench, as the camera has it; None when no panel tells.

    From the floor panel where it is seen, else from the standing one, taken to be upright.
    """
    lens = exif_prior(photo).lens
    for panel in (card.floor, card.standing):
        if panel is None or len(panel.ids) < 8:
            continue
        pose = standing_pose(corner_mm(panel.ids), panel.corners_px, lens)
        if pose is not None:
            # the panel's axes: u, v and away from the viewer; the bench's downward normal is the floor panel's third
            # axis and the standing panel's second
            return np.asarray(pose[0][:, 2] if panel.panel == "floor" else pose[0][:, 1])
    return None


def _held(photo: Photo, kind: str, card: CardView, reasons: _Reasons, settings: RetakeSettings) -> None:
    """Whether the lens was held as this photo needs it."""
    angle = elevation_deg(photo, card)
    if angle is None or (kind == "top" and card.floor is None):
        return
    tilt = f"{90 - angle:.0f} degrees off straight down"
    if kind == "top" and angle < settings.swapped_deg:
        reasons.faults.append(f"{photo.said} looks like a photo from the side; swap it with the one from above.")
    elif kind == "top" and angle < settings.top_must_deg:
        reasons.faults.append(f"{photo.said} is {tilt}; hold the phone level above the cake and take it again.")
    elif kind == "top" and angle < settings.top_hint_deg:
        reasons.hints.append(f"{photo.said} is {tilt}; 25 and less is better.")
    elif kind != "top" and angle > 90 - settings.swapped_deg + 5:
        reasons.faults.append(f"{photo.said} looks like a photo from above; swap it with the one from the side.")
    elif kind != "top" and angle > settings.side_must_deg:
        reasons.faults.append(
            f"{photo.said} looks down on the cake by {angle:.0f} degrees; hold the phone lower, a little above the "
            "cake's top edge, and take it again."
        )
    elif kind != "top" and angle > settings.side_hint_deg:
        reasons.hints.append(f"{photo.said} looks down on the cake by {angle:.0f} degrees; 20 and less is better.")


def far_rim_deg(photo: Photo, card: CardView, finding: Finding, settings: RetakeSettings = RETAKE) -> float | None:
    """Angle by which the lens looks down on the far rim of the cake's top, in a photo from the side; None: not told.

    Negative where the lens is lower than the top, which then is a line in the photo.
    """
    down = _down(photo, card)
    icing = main_cake(finding) & (finding.net_labels() == BODY)
    columns = np.flatnonzero(icing.any(0))
    if down is None or not len(columns):
        return None
    aside = 0.5 * (1 - settings.rim_share) * (columns[-1] - columns[0])
    columns = columns[(columns > columns[0] + aside) & (columns < columns[-1] - aside)]
    rim = finding.to_photo(np.stack([columns, icing[:, columns].argmax(0) - 0.5], -1).astype(np.float64))
    rays = exif_prior(photo).lens.to_directions(rim)
    below = np.degrees(np.arcsin(rays @ down / np.linalg.norm(rays, axis=-1)))
    return float(np.percentile(below, 20)) if len(below) else None  # most pieces hide the far rim, and none lifts it


def _above_the_top(photo: Photo, card: CardView, finding: Finding, reasons: _Reasons, settings: RetakeSettings) -> None:
    """Whether a photo from the side shows the top as more than a line."""
    angle = far_rim_deg(photo, card, finding, settings)
    if angle is not None and angle < settings.onto_top_deg:
        reasons.hints.append(
            f"{photo.said} sees the top edge-on; with the phone some centimetres higher, so that you look a little "
            "onto the top, height and dome are surer."
        )


# ---------------------------------------------------------------- the cake
def _cake(photo: Photo, finding: Finding, reasons: _Reasons, settings: RetakeSettings) -> None:
    """Whether the whole cake is there and the light has left its shape."""
    labels = finding.net_labels()
    inside = finding.inside()
    rows, cols = np.flatnonzero(inside.any(1)), np.flatnonzero(inside.any(0))
    window = labels[rows[0] : rows[-1] + 1, cols[0] : cols[-1] + 1]
    cake = of_cake(window)
    if (window == BODY).mean() < settings.least_cake:
        reasons.faults.append(
            f"{photo.said} shows no cake large enough to measure; bring the whole cake and the card into the frame."
        )
        return
    if finding.confidence < settings.trusted:
        why = finding.reasons[-1] if finding.reasons else "take it again with the cake clear of other things."
        reasons.faults.append(f"{photo.said} shows no cake that can be trusted. {why}")
        return
    if rival(finding) > settings.rival:
        reasons.hints.append(f"{photo.said} seems to show more than one cake; leave only the one to be measured in it.")
    if finding.confidence < settings.sure and finding.reasons:
        reasons.hints.append(f"{photo.said}: {finding.reasons[-1]}")
    whole = main_cake(finding)[rows[0] : rows[-1] + 1, cols[0] : cols[-1] + 1]
    border, own = (np.concatenate([w[0], w[-1], w[:, 0], w[:, -1]]) for w in (window, whole))
    if own.mean() > settings.cut_off:
        reasons.faults.append(f"{photo.said}: the cake runs out of the picture; step back until all of it is in.")
    elif (border == BOARD).mean() > settings.board_cut_off:
        reasons.hints.append(f"{photo.said}: the board runs out of the picture; step back until all of it is in.")
    small = cv2.resize(photo.pixels, (window.shape[1], window.shape[0]), interpolation=cv2.INTER_NEAREST)
    _burnt(photo, np.asarray(small[cake], np.uint8), reasons, settings)


def _burnt(photo: Photo, pixels: NDArray[np.uint8], reasons: _Reasons, settings: RetakeSettings) -> None:
    """Whether too many of the pixels (N, 3) stand at the sensor's end."""
    burnt = float((pixels.min(1) >= 253).mean())
    if burnt > settings.burnt_must:
        reasons.faults.append(
            f"{photo.said}: the icing is burnt out to plain white; take a lamp away or turn the exposure down."
        )
    elif burnt > settings.burnt_hint:
        reasons.hints.append(f"{photo.said}: part of the icing is burnt out to white; one lamp less shows more.")


# ---------------------------------------------------------------- all photos of a check
def check_together(photos: Mapping[str, Photo]) -> None:
    """Refuse the same photo given twice, also when it was saved anew in between.

    Raises
    ------
    PhotoError
        Names both.
    """
    seen: dict[str, tuple[str, NDArray[np.float32]]] = {}
    for kind, photo in photos.items():
        small = _thumbnail(photo.pixels)
        for other, (sha256, thumb) in seen.items():
            if sha256 == photo.sha256 or float(np.abs(small - thumb).mean()) < SAME_GREY:
                raise PhotoError(
                    f"The {other} and {kind} photos are the same picture; each of them needs a photo of its own."
                )
        seen[kind] = (photo.sha256, small)


def _thumbnail(pixels: NDArray[np.uint8]) -> NDArray[np.float32]:
    """The picture (32, 32, 3) at a glance; by whole fours first, which takes a third of the time."""
    height, width = (n - n % 4 for n in pixels.shape[:2])
    quarter = cv2.resize(pixels[:height, :width], (width // 4, height // 4), interpolation=cv2.INTER_AREA)
    return np.asarray(cv2.resize(quarter, (32, 32), interpolation=cv2.INTER_AREA), np.float32)
