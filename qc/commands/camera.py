"""Commands of the command line: cameras that the program has learnt."""

from pathlib import Path
from typing import Annotated

import numpy as np
import typer

from qc.photo import read_photo
from qc.profiles import CameraProfile, CameraStore, calibrate

cameras = typer.Typer(
    no_args_is_help=True,
    help="Cameras: what earlier photos say of a phone's lens. Learnt from every accepted check; calibrating is faster.",
)


@cameras.command("calibrate")
def calibrate_camera(
    photos: Annotated[list[Path], typer.Argument(help="ten or so photos of the card alone, by one lens")],
    print_scale: Annotated[
        float, typer.Option(help="printed length over nominal length of the card", min=0.8, max=1.2)
    ] = 1.0,
) -> None:
    """Learn a camera from photos of the card.

    Stand the folded card on the bench and photograph it ten times, as large as it fits, from the left, the right,
    above and low down, at the distances you photograph cakes from; do not zoom between photos.
    """
    scale = np.full(2, print_scale)
    result = calibrate((read_photo(path, str(path)) for path in photos), scale)
    for problem in result.problems:
        typer.echo(f"Left out: {problem}")
    CameraStore().add(result.profile.key, result.evidence, "calibration", result.cards, scale)
    typer.echo(describe(result.profile))


@cameras.command("list")
def list_cameras() -> None:
    """The cameras learnt so far, with how well each is known."""
    profiles = CameraStore().profiles()
    if not profiles:
        typer.echo("No camera has been learnt yet; each accepted check adds to the one that took its photos.")
    for profile in profiles:
        typer.echo(describe(profile))


def describe(profile: CameraProfile) -> str:
    """One line on a camera."""
    sd = np.sqrt(np.diag(profile.covariance) + np.square(profile.spread))
    photos = f"{profile.photo_count} photo" + ("" if profile.photo_count == 1 else "s")
    return (
        f"{profile.key.label}: {photos}; focal length {100 * (profile.mean[0] - 1):+.2f} % from its EXIF, "
        f"known to {100 * sd[0]:.2f} %; distortion k1 {profile.mean[3]:+.4f}, known to {sd[3]:.4f}"
    )


def register(app: typer.Typer) -> None:
    """Add this module's commands to the command line."""
    app.add_typer(cameras, name="camera")
