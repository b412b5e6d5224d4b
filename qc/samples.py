"""The sample cakes that ship with the program: photos of cakes that were rendered, not baked."""

import json
from dataclasses import dataclass, field
from importlib.resources import as_file, files
from pathlib import Path

from qc.errors import RecordError
from qc.quantities import PHOTO_NAMES

_KIND = "cream-15"  # of a sample without a check.json


@dataclass(frozen=True)
class Sample:
    """One sample cake: its photos' bytes, and what a chef would enter beside them."""

    name: str
    photos: dict[str, bytes]
    kind: str
    order: dict[str, float] = field(default_factory=dict)
    print_scale: tuple[float, float] | None = None


def samples() -> tuple[Sample, ...]:
    """All sample cakes, by name: folders with top.jpg, side.jpg and mostly side2.jpg.

    A check.json beside them holds what is entered with the photos: "kind", "order", "print_scale" (one or two numbers).
    """
    with as_file(files("sample_images")) as folder:
        return tuple(_sample(f) for f in sorted(Path(folder).iterdir()) if (f / "top.jpg").exists())


def _sample(folder: Path) -> Sample:
    photos = {n: (folder / f"{n}.jpg").read_bytes() for n in PHOTO_NAMES if (folder / f"{n}.jpg").exists()}
    entered = folder / "check.json"
    try:
        said = json.loads(entered.read_text(encoding="utf-8")) if entered.exists() else {}
        scale = said.get("print_scale")
        pair = None if scale is None else (float(scale), float(scale)) if not isinstance(scale, list) else tuple(scale)
        return Sample(folder.name, photos, said.get("kind", _KIND), said.get("order", {}), pair)
    except (ValueError, AttributeError, TypeError) as error:
        raise RecordError(f"{entered} is damaged: install the program again.") from error
