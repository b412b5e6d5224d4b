"""What may not change the values: smaller copies and turned copies of the same photos. Kind: metamorphic."""

from collections.abc import Callable
from functools import cache
from pathlib import Path

import pytest
from PIL import Image

from qc.measure import measure
from qc.photo import read_photo
from qc.quantities import CheckResult
from qc.stages import MeasureSettings

FOLDER = Path(__file__).parent.parent / "sample_images" / "white-strawberries"
NAMES = ("top", "side", "side2")
QUANTITIES = ("diameter", "height", "level", "lean", "taper", "board_offset", "ring_radius")
WIDTH_TAG, HEIGHT_TAG, ORIENTATION = 0xA002, 0xA003, 0x0112


def measured(folder: Path) -> CheckResult:
    return measure({n: read_photo(folder / f"{n}.jpg", n) for n in NAMES}, MeasureSettings((1.0, 1.0), 0.0))


@cache
def first() -> CheckResult:
    return measured(FOLDER)


def three_quarters(picture: Image.Image, exif: Image.Exif) -> Image.Image:
    """As a messenger sends it on; half the size would be under the megapixel that is asked for."""
    small = picture.resize((picture.width * 3 // 4, picture.height * 3 // 4), Image.Resampling.LANCZOS)
    block = exif.get_ifd(0x8769)
    if WIDTH_TAG in block:
        block[WIDTH_TAG], block[HEIGHT_TAG] = small.size
    return small


def turned(picture: Image.Image, exif: Image.Exif) -> Image.Image:
    """Stored a quarter turn anticlockwise, with the flag that says: turn it clockwise to look at it (Exif 2.32, 6)."""
    exif[ORIENTATION] = 6
    block = exif.get_ifd(0x8769)
    if WIDTH_TAG in block:
        block[WIDTH_TAG], block[HEIGHT_TAG] = picture.height, picture.width
    return picture.transpose(Image.Transpose.ROTATE_90)


@pytest.mark.parametrize("change", [three_quarters, turned], ids=lambda f: f.__name__)
def test_copies_say_the_same(change: Callable[[Image.Image, Image.Exif], Image.Image], tmp_path: Path) -> None:
    for n in NAMES:
        with Image.open(FOLDER / f"{n}.jpg") as picture:
            exif = picture.getexif()
            assert exif.get(ORIENTATION, 1) == 1
            change(picture, exif).save(tmp_path / f"{n}.jpg", quality=95, exif=exif)
    again = measured(tmp_path)
    for name in QUANTITIES:
        a, b = first().overall(name), again.overall(name)
        assert a is not None, name
        assert b is not None, name
        assert abs(a.value - b.value) < (a.uncertainty**2 + b.uncertainty**2) ** 0.5, name
    a, b = first().overall("decoration_count"), again.overall("decoration_count")
    assert a is not None
    assert b is not None
    assert a.value == b.value
