"""`cakeqc measure`: photos of one cake in, measurements out."""

import json
import os
import sys
from pathlib import Path
from typing import Annotated

import typer

from qc.errors import CakeQCError, PhotoError
from qc.measure import assemble, run_stages
from qc.no_card import measure_without_card
from qc.photo import Photo, read_photo
from qc.profiles import CameraStore
from qc.quantities import CheckResult
from qc.result_text import budget_text, result_json, result_text, without_card_json, without_card_text
from qc.stages import MeasureSettings, Stages

DRAWN = "What was measured, drawn in: card corners, cake and board outlined, level of the top, pieces numbered."
PhotoPath = Annotated[Path | None, typer.Option(help="Photo from the side, the camera at 6 o'clock.")]


def register(app: typer.Typer) -> None:
    """Add this module's commands to the command line."""
    app.command("measure")(measure_command)


def read_photos(top: Path | None, side: Path | None, side2: Path | None) -> dict[str, Photo]:
    """The photos that were named, read."""
    given = {"top": top, "side": side, "side2": side2}
    return {name: read_photo(path, name) for name, path in given.items() if path is not None}


def scale_pair(values: list[float]) -> tuple[float, float]:
    """Print scale along the fold and across, from one number or two."""
    if len(values) not in (1, 2) or not all(0.8 <= v <= 1.2 for v in values):
        raise CakeQCError("The print scale must be one or two plain numbers between 0.8 and 1.2, such as 0.97.")
    return values[0], values[-1]


def told(stage: str) -> None:
    """Progress on a terminal; silence in a pipe."""
    if sys.stderr.isatty():
        print(f"\r\033[K{stage} ...", end="", file=sys.stderr, flush=True)


def told_end() -> None:
    """Wipe the progress line."""
    if sys.stderr.isatty():
        print("\r\033[K", end="", file=sys.stderr, flush=True)


def measure_command(
    top: Annotated[Path | None, typer.Option(help="Photo from above.")] = None,
    side: PhotoPath = None,
    side2: Annotated[
        Path | None, typer.Option(help="Photo from the side after a quarter turn clockwise (seen from above).")
    ] = None,
    print_scale: Annotated[
        list[float] | None,
        typer.Option(
            help="Printed over nominal length of the card's lines; give it twice for along and across the fold."
        ),
    ] = None,
    print_scale_uncertainty: Annotated[float, typer.Option(help="Standard uncertainty of the print scale.")] = 0.001,
    decorations: Annotated[int | None, typer.Option(help="Places on the ring, when it is known.")] = None,
    json_file: Annotated[Path | None, typer.Option("--json", help="Write the result as JSON to this file.")] = None,
    draw: Annotated[Path | None, typer.Option(help="Write annotated photos and explaining pictures here.")] = None,
    budget: Annotated[bool, typer.Option("--budget", help="Show where each uncertainty comes from.")] = False,
    no_card: Annotated[bool, typer.Option("--no-card", help="Only what needs no scale, from a top photo.")] = False,
) -> None:
    """Measure one cake from its photos."""
    if top is None or (side is None and not no_card):
        raise PhotoError("A photo is missing: give --top and --side (or --top with --no-card).")
    if no_card:
        _without_card(top, json_file)
        return
    settings = MeasureSettings(scale_pair(print_scale or [1.0]), print_scale_uncertainty, decorations)
    photos = read_photos(top, side, side2)
    try:
        stages = run_stages(photos, settings, told, CameraStore())
    finally:
        told_end()
    result = assemble(stages, settings)
    if draw is not None:
        write_drawings(stages, result, draw)
    if json_file is not None:
        write_text(json_file, json.dumps(result_json(result), indent=1, allow_nan=False))
    print(result_text(result))
    if budget:
        print(budget_text(result))


def _without_card(top: Path, json_file: Path | None) -> None:
    from qc.finder import find

    photo = read_photo(top, "top")
    result = measure_without_card(photo.pixels, find(photo.pixels))
    if json_file is not None:
        write_text(json_file, json.dumps(without_card_json(result), indent=1, allow_nan=False))
    print(without_card_text(result))


def write_drawings(stages: Stages, result: CheckResult, folder: Path) -> None:
    """Annotated photos and explaining pictures into a folder, made where missing; a list says what each shows."""
    from qc.drawing import draw
    from qc.drawings import Drawing, drawings

    pictures = [Drawing(n, f"The {n} photo", DRAWN, draw(s.photo, result, n)) for n, s in stages.seen.items()]
    pictures += drawings(stages)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for picture in pictures:
            (folder / f"{picture.name}.jpg").write_bytes(picture.jpeg())
        told = "".join(f"{p.name}.jpg: {p.title}. {p.words}\n" for p in pictures)
        (folder / "pictures.txt").write_text(told, encoding="utf-8")
    except OSError as error:
        raise CakeQCError(f"The pictures cannot be written to {folder}: {error.strerror}.") from error


def write_text(path: Path, text: str) -> None:
    """Write a file whole or not at all."""
    try:
        part = path.with_name(path.name + ".part")
        part.write_text(text, encoding="utf-8")
        os.replace(part, path)
    except OSError as error:
        raise CakeQCError(f"{path} cannot be written: {error.strerror}.") from error
