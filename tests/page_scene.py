"""A small invented shop for the tests of the page: a photo-like picture, one measured cake, records in a folder."""

from io import BytesIO

import numpy as np
from PIL import Image

from qc import house
from qc.quantities import QUANTITIES, CheckResult, Measurement, PhotoReport
from qc.record_types import NewCheck
from qc.verdict import judge

VALUES = {
    "diameter": (166.0, 0.8),
    "height": (66.0, 0.4),
    "level": (1.0, 0.6),
    "dome": (0.3, 0.4),
    "lean": (6.0, 0.5),
    "lean_clock": (9.0, 0.4),
    "side_straightness": (1.2, 0.2),
    "show_through": (0.1, 0.1),
    "decoration_count": (8.0, 0.0),
    "spacing_error": (2.0, 0.6),
}


def picture(seed=0, size=(1200, 900)):
    """The bytes of a JPEG that decodes to (900, 1200, 3) noise; no card and no cake in it."""
    pixels = np.random.default_rng(seed).integers(0, 255, (size[1] // 8, size[0] // 8, 3), np.uint8)
    out = BytesIO()
    Image.fromarray(pixels).resize(size).save(out, "JPEG", quality=90)
    return out.getvalue()


def cake(rng=None, **changes):
    """One measured cake, with a little scatter when `rng` is given."""
    values = {k: (v + (0.3 * rng.standard_normal() if rng and u else 0.0), u) for k, (v, u) in VALUES.items()}
    values |= changes
    rows = tuple(Measurement(k, v, u, QUANTITIES[k].unit, ("top", "side")) for k, (v, u) in values.items())
    return CheckResult(rows, warnings=("edge_radius: a lip leaves no rounding",))


def fill(store, cakes=12, decorator="Birke", photos=None, decision="passed"):
    """Save cakes of the cream standard; gives their numbers."""
    rng, numbers = np.random.default_rng(5), []
    store.add_decorator(decorator)
    kept = house.in_force(store, "cream-15")
    for _ in range(cakes):
        result = cake(rng)
        new = NewCheck(decorator, "cream-15", result, photos or {}, judge(result, kept.standard), kept.id)
        numbers.append(store.save_check(new))
        store.add_comment(numbers[-1], "", decorator, "seen")
        if decision:
            store.add_decision(numbers[-1], decision)
    return numbers


def usable(photo, kind, card=None, finding=None):
    """Stands in for the retake check, which the noise of `picture` would fail."""
    return PhotoReport(True, ("a little dark",), 30, 0.9)
