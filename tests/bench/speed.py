"""How long the geometry of a check takes, as a multiple of decoding its photos in the same run, and where it goes.

Run by hand from the top folder: python -m tests.bench.speed [FOLDER] [--repeat N]. Photos are scaled to
4032 x 3024 where they are smaller (EXIF kept, recorded size set right): the figures belong to a full picture. An
enlarged picture is smoother than a phone's and decodes quicker: photos of that size give the fairer multiple.
Geometry is all that follows decoding up to the fitted cake: card, finder, retake check, pose and joint fit. The least
of the repeats counts. The ratio depends little on the machine; the seconds do.
"""

import argparse
import cProfile
import pstats
import tempfile
import time
from pathlib import Path

import numpy as np
from PIL import Image

from qc.fit import CakeFit, PhotoInput, fit_cake
from qc.measure import look, measure
from qc.photo import Photo, read_photo
from qc.profiles import prior_for
from qc.stages import MeasureSettings

SAMPLES = Path(__file__).parent.parent.parent / "sample_images"
NAMES, LONG_PX = ("top", "side", "side2"), 4032
EXIF_BLOCK, WIDTH_TAG, HEIGHT_TAG = 0x8769, 0xA002, 0xA003


def full_size(folder: Path, to: Path) -> None:
    """Copies of the photos whose long side has LONG_PX pixels."""
    for name in NAMES:
        with Image.open(folder / f"{name}.jpg") as picture:
            exif, factor = picture.getexif(), LONG_PX / max(picture.size)
            size = round(picture.width * factor), round(picture.height * factor)
            block = exif.get_ifd(EXIF_BLOCK)
            block[WIDTH_TAG], block[HEIGHT_TAG] = size
            picture.resize(size, Image.Resampling.BICUBIC).save(to / f"{name}.jpg", quality=92, exif=exif)


def decode(folder: Path) -> dict[str, Photo]:
    """The photos of one check."""
    return {n: read_photo(folder / f"{n}.jpg", n) for n in NAMES}


def geometry(photos: dict[str, Photo], scale: float) -> CakeFit:
    """Card, finder, retake check, pose and joint fit, as the pipeline runs them."""
    seen = {s.photo.name: s for s in look(photos)}
    inputs = {n: PhotoInput(s.photo, s.card, s.finding, prior_for(s.photo, None, s.card)) for n, s in seen.items()}
    return fit_cake(inputs, np.array([scale, scale]), 0.001)


def main() -> None:
    """Print the multiples and a profile of the geometry."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path, nargs="?", default=SAMPLES / "white-strawberries")
    parser.add_argument("--repeat", type=int, default=3)
    parser.add_argument("--print-scale", type=float, default=1.0)
    asked = parser.parse_args()
    scale, took = asked.print_scale, np.zeros((asked.repeat, 3))
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place)
        full_size(asked.folder, folder)
        geometry(decode(folder), scale)  # the network is loaded once
        for row in took:
            times = [time.perf_counter()]
            photos = decode(folder)
            times.append(time.perf_counter())
            geometry(photos, scale)
            times.append(time.perf_counter())
            measure(photos, MeasureSettings((scale, scale)))
            times.append(time.perf_counter())
            row[:] = np.diff(times)
        profile = cProfile.Profile()
        profile.runcall(geometry, photos, scale)
    decoding, shape, everything = took.min(0)
    sizes = ", ".join(f"{p.width_px} x {p.height_px}" for p in photos.values())
    print(f"{asked.folder.name}: {sizes}; decoding {decoding:.2f} s")
    print(f"geometry    {shape / decoding:5.1f} x decoding ({shape:.2f} s)")
    print(f"whole check {everything / decoding:5.1f} x decoding ({everything:.2f} s), decoding not counted")
    pstats.Stats(profile).sort_stats("cumulative").print_stats("qc/", 25)


if __name__ == "__main__":
    main()
