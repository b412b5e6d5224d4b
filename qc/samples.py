"""The sample cakes that ship with the program: photos of cakes that were rendered, not baked."""

import json
from dataclasses import dataclass, field
from importlib.resources import as_file, files
from pathlib import Path

from qc.errors import RecordError
from qc.quantities import PHOTO_NAMES
from qc.standard import HouseStandard, starting_standards

_KIND = "cream-15"  # of a sample without a check.json


@dataclass(frozen=True)
class Ordered:
    """What the demo's shop orders of one kind of cake: round sizes of the trade, the rest as the starting standard.

    Attributes
    ----------
    sizes : dict of quantity to nominal value (mm) or count
    without : tuple of str
        Lines of the starting standard that this cake does not have.
    """

    code: str
    name: str
    sizes: dict[str, float]
    without: tuple[str, ...] = ()


@dataclass(frozen=True)
class Sample:
    """One sample cake: its photos' bytes, and what a chef would enter beside them.

    Attributes
    ----------
    kind : str
        The starting standard that it is nearest to.
    ordered : Ordered or None
        The demo shop's own standard for it.
    """

    name: str
    photos: dict[str, bytes]
    kind: str
    order: dict[str, float] = field(default_factory=dict)
    print_scale: tuple[float, float] | None = None
    ordered: Ordered | None = None

    def standard(self) -> HouseStandard | None:
        """The demo shop's standard for this cake; None where it has none of its own.

        Raises
        ------
        RecordError
            The sample names a starting standard that there is not.
        """
        if self.ordered is None:
            return None
        base = next((s for s in starting_standards() if s.code == self.kind), None)
        if base is None:
            raise RecordError(f"The sample {self.name} is damaged: install the program again.")
        lines = {n: line for n, line in base.lines.items() if n not in self.ordered.without}
        for name, size in self.ordered.sizes.items():
            change = {"count": int(size)} if lines[name].count is not None else {"nominal": float(size)}
            lines[name] = lines[name].model_copy(update=change)
        own = {"code": self.ordered.code, "name": self.ordered.name, "lines": lines, "layers": None, "pan_mm": None}
        return base.model_copy(update={**own, "decoration": ""})


def samples() -> tuple[Sample, ...]:
    """All sample cakes, by name: folders with top.jpg, side.jpg and mostly side2.jpg.

    A check.json beside them holds what is entered with the photos: "kind", "order", "print_scale" (one or two numbers),
    and "standard", what the demo's shop orders.
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
        own = said.get("standard")
        ordered = (
            None if own is None else Ordered(own["code"], own["name"], own["sizes"], tuple(own.get("without", ())))
        )
        return Sample(folder.name, photos, said.get("kind", _KIND), said.get("order", {}), pair, ordered)
    except (KeyError, ValueError, AttributeError, TypeError) as error:
        raise RecordError(f"{entered} is damaged: install the program again.") from error
