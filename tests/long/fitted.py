"""Fits of rendered cakes, kept on disk so that several campaigns can look at the same ones."""

import pickle
from pathlib import Path

from qc.card import find_card
from qc.errors import CakeQCError
from qc.finder import find
from qc.fit import CakeFit, PhotoInput
from qc.measure import fit_with_decorations
from qc.photo import read_photo
from qc.profiles import prior_for
from qc.stages import MeasureSettings
from tests import truth as truths


def cakes_of(folders: list[Path], every: int = 1, first: int = 0) -> list[Path]:
    """Every so many-th of the cakes (with truth.json) in some folders, in the order of their names."""
    return [f.parent for folder in folders for f in sorted(folder.glob("*/truth.json"))][first::every]


def inputs_of(cake: Path) -> dict[str, PhotoInput]:
    """Card, finder's view and lens prior of each of a cake's photos, as qc.measure takes them."""
    inputs = {}
    for name in (n for n in ("top", "side", "side2") if n in truths.load(cake)["photos"]):
        photo = read_photo(cake / f"{name}.jpg", name)
        card = find_card(photo)
        inputs[name] = PhotoInput(photo, card, find(photo.pixels), prior_for(photo, None, card))
    return inputs


def fit_of(cake: Path, keep: Path | None = None) -> CakeFit | CakeQCError:
    """The fit of a cake, the print scale known, or why there is none; `keep` is a folder to keep fits in."""
    kept = keep / f"{cake.parent.name}_{cake.name}.pkl" if keep is not None else None
    if kept is not None and kept.exists():
        return pickle.loads(kept.read_bytes())
    fit: CakeFit | CakeQCError
    try:
        fit, _ = fit_with_decorations(inputs_of(cake), MeasureSettings((truths.load(cake)["print_scale"],) * 2, 1e-9))
    except CakeQCError as error:
        fit = error
    if kept is not None:
        kept.parent.mkdir(parents=True, exist_ok=True)
        kept.write_bytes(pickle.dumps(fit))
    return fit
