"""What the pipeline is asked and what its stages found."""

from dataclasses import dataclass

from qc.card import CardView
from qc.decorations import DecorationResult
from qc.finder import Finding
from qc.fit import CakeFit
from qc.icing import IcingResult
from qc.photo import Photo
from qc.profile import ProfileResult
from qc.quantities import PhotoReport
from qc.relief import ReliefResult


@dataclass(frozen=True)
class MeasureSettings:
    """What the user says about the card and the cake."""

    print_scale: tuple[float, float] = (1.0, 1.0)  # printed over nominal length: along the fold, across it
    print_scale_uncertainty: float = 0.001  # standard uncertainty of each (a steel ruler read to 0.2 mm)
    expected_decorations: int | None = None  # places on the ring, when the house standard names them
    house_colour: tuple[float, float, float] | None = None  # CIELAB (D65) of the house standard
    semi_naked: bool = False  # sponge is meant to show
    fillings_mm: tuple[float, ...] = ()  # heights of the fillings' middles above the board, by the layer plan


@dataclass(frozen=True)
class Seen:
    """What the first look found in one photo."""

    photo: Photo
    card: CardView
    finding: Finding
    report: PhotoReport


@dataclass(frozen=True)
class Stages:
    """Everything the stages found, for drawing and for those who want to look inside."""

    seen: dict[str, Seen]
    fit: CakeFit
    profiles: ProfileResult
    icing: IcingResult
    relief: ReliefResult
    decorations: DecorationResult
    lens_notes: tuple[str, ...] = ()  # why what is known of a camera was not used
