"""Commands of the command line: outline, what the finder sees in any one photo."""

from dataclasses import replace
from pathlib import Path
from typing import Annotated

import cv2
import numpy as np
import typer
from numpy.typing import NDArray

from qc.errors import OutlineError
from qc.finder import BODY, LABELS, Finding, find
from qc.photo import LIMITS, read_photo

COLOURS = np.array(  # RGB per label: clear of icing's own colours
    [[0, 0, 0], [255, 210, 0], [255, 30, 30], [30, 90, 255], [0, 200, 90], [230, 0, 230]], np.uint8
)

ANY_SIZE = replace(LIMITS, min_pixels=400 * 400)  # nothing is measured here, so that small pictures will do


def outline(
    photo: Annotated[Path, typer.Argument(help="one photo, with or without the card")],
    labels: Annotated[Path | None, typer.Option(help="write the label map here (PNG, the photo's size)")] = None,
    draw: Annotated[Path | None, typer.Option(help="write the photo with what was seen drawn over it here")] = None,
) -> None:
    """Show what the finder sees in one photo, card or not.

    The label map holds one number a pixel: 0 other, 1 board or plate, 2 iced body, 3 decoration, 4 card, 5 foot border.
    """
    pixels = read_photo(photo, limits=ANY_SIZE).pixels
    finding = find(pixels)
    seen = finding.labels()
    if labels is not None:
        _write(labels, seen)
    if draw is not None:
        _write(draw, np.ascontiguousarray(drawn(pixels, seen)[:, :, ::-1]))
    typer.echo(f"{photo.name}: {summary(finding, seen)}")
    for reason in finding.reasons:
        typer.echo(reason)


def summary(finding: Finding, seen: NDArray[np.uint8]) -> str:
    """One line: how sure the finder is, and how much of the photo each thing covers."""
    shares = np.bincount(seen.ravel(), minlength=len(LABELS)) / seen.size
    what = ", ".join(
        f"{name.replace('_', ' ')} {100 * share:.1f} %" for name, share in zip(LABELS, shares, strict=True)
    )
    sure = f"sure to {100 * finding.confidence:.0f} %" if shares[BODY] > 0 else "no cake seen"
    return f"{sure}; {what}"


def drawn(pixels: NDArray[np.uint8], seen: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """The photo (H, W, 3) with each label tinted and outlined."""
    out = pixels.copy()
    tint = seen > 0
    out[tint] = (0.7 * out[tint] + 0.3 * COLOURS[seen[tint]]).astype(np.uint8)
    thick = max(1, round(max(seen.shape) / 800))
    for label in range(1, len(LABELS)):
        edges, _ = cv2.findContours((seen == label).astype(np.uint8), cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)
        cv2.drawContours(out, edges, -1, COLOURS[label].tolist(), thick)
    return out


def _write(path: Path, image: NDArray[np.uint8]) -> None:
    ok, data = cv2.imencode(path.suffix.lower() or ".png", image) if _known(path) else (False, None)
    if not ok or data is None:
        raise OutlineError(f"{path.name} cannot be written as a picture; use a name that ends in .png or .jpg.")
    try:
        path.write_bytes(data.tobytes())
    except OSError as error:
        raise OutlineError(f"{path} cannot be written ({error.strerror}); choose another folder.") from error


def _known(path: Path) -> bool:
    return path.suffix.lower() in {".png", ".jpg", ".jpeg"}


def register(app: typer.Typer) -> None:
    """Add this module's commands to the command line."""
    app.command()(outline)
