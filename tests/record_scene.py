"""A cake's result, a phone's photo and a check for the tests of the records."""

import io
from dataclasses import replace
from datetime import UTC, datetime
from typing import Any

import numpy as np
from PIL import Image

from qc.drawings import Drawing
from qc.quantities import Blemish, CheckResult, Decoration, Measurement, Meridian, PhotoReport
from qc.record_types import NewCheck

NOW = datetime(2026, 5, 4, 10, 30, tzinfo=UTC)


def result(level: float = 1.25) -> CheckResult:
    """One of everything, with figures that have no short decimal."""
    return CheckResult(
        (
            Measurement("level", level, 0.3, "mm", ("side", "side2"), interval=(0.0, 1 / 3), budget={"fit": 0.1 / 3}),
            Measurement("height", 65 + 1 / 7, 0.4, "mm", ("side",), "one side photo"),
            Measurement("side_straightness", 0.9, 0.2, "mm", ("side",), clock=3.1),
            Measurement("dome", float("nan"), float("inf"), "mm", ("side",)),
        ),
        (Decoration(1.5, -2.5, 28.0, 3.0, 1, 0.1, None, ((0.0, 1.0), (2.0, 3.0))),),
        (Blemish("pit", "side", 5.2, 31.0, 2.4, 1.0, 2.0),),
        (Meridian(3.1, "side", (7.0, 7.25), (80.9, 80.91)),),
        {"top": PhotoReport(True, (), 72, 0.8)},
        ("dome: these photos do not show it",),
    )


def jpeg(seed: int = 0, **exif: Any) -> bytes:
    """A photo with everything personal that a phone writes."""
    image = Image.fromarray(np.random.default_rng(seed).integers(0, 255, (60, 80, 3), dtype=np.uint8))
    data = Image.Exif()
    data[0x010F], data[0x0110], data[0x0112] = "Maker", "Model 7", 6
    data[0x013B], data[0x9286 - 0x8000] = "Jane Doe", "secret note"
    data.get_ifd(0x8769).update({0x920A: 6.86, 0xA405: 26, 0xA431: "SERIAL12345", 0x9003: "2026:05:04 10:30:00"})
    data.get_ifd(0x8825).update({1: "N", 2: (51.0, 30.0, 26.0), 3: "W", 4: (0.0, 7.0, 39.0)})
    out = io.BytesIO()
    image.save(out, "JPEG", exif=data.tobytes(), comment=b"a personal comment", quality=90, **exif)
    return out.getvalue()


def new(**other: Any) -> NewCheck:
    made = NewCheck("Mint", "cream-15", result(), {"top": jpeg(1), "side": jpeg(2)}, time=NOW)
    return replace(made, **other)


def drawing(name: str = "pattern", seed: int = 0) -> Drawing:
    """A picture such as those that explain a measurement; no photo behind it."""
    coarse = np.random.default_rng(seed).integers(0, 255, (9, 12, 3), np.uint8)
    return Drawing(name, f"The {name}", "How to read it.", np.kron(coarse, np.ones((120, 120, 1), np.uint8)))
