"""One check from photos to record: read, measure, judge, advise, save. The command line and the demo use it."""

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

from qc import house
from qc.advice import Advice, advise
from qc.drawings import drawings
from qc.errors import PhotoError, RecordError
from qc.kept_drawings import keep_drawings
from qc.measure import assemble, run_stages
from qc.photo import read_photo
from qc.profiles import CameraStore
from qc.quantities import PHOTO_NAMES, CheckResult
from qc.record_types import Circumstances, NewCheck
from qc.records import Store
from qc.stages import MeasureSettings, Stages
from qc.standard import HouseStandard
from qc.teaching import teach_later
from qc.text_table import table_text
from qc.verdict import Judgement, judge

Tell = Callable[[str], None]


@dataclass(frozen=True)
class CheckOrder:
    """What is to be checked.

    Attributes
    ----------
    photos : dict[str, bytes]
        The original files' bytes by "top", "side", "side2".
    order : dict[str, float]
        The order's figures, by quantity, for lines that are given per order.
    print_scale : (float, float) or None
        Printed over nominal length of the card, along the fold and across it; the shop's own when left out.
    """

    decorator: str
    kind: str
    photos: dict[str, bytes]
    order: dict[str, float] = field(default_factory=dict)
    circumstances: Circumstances = field(default_factory=Circumstances)
    print_scale: tuple[float, float] | None = None
    decision: str | None = None
    decision_reason: str = ""
    time: datetime | None = None
    token: str | None = None
    invented: bool = False


@dataclass(frozen=True)
class Checked:
    """What came of it; `check_id` is None when it was not saved."""

    result: CheckResult
    judgement: Judgement
    advice: Advice
    check_id: int | None
    stages: Stages  # what the explaining pictures are drawn from


def read_files(top: Path | None, side: Path | None, side2: Path | None) -> dict[str, bytes]:
    """The bytes of the photos that were named.

    Raises
    ------
    PhotoError
        One cannot be read, or the two that every check needs are not there.
    """
    if top is None or side is None:
        raise PhotoError("A photo is missing: a check needs one from above (--top) and one from the side (--side).")
    found = {}
    for name, path in zip(PHOTO_NAMES, (top, side, side2), strict=True):
        if path is None:
            continue
        try:
            found[name] = path.read_bytes()
        except OSError as error:
            raise PhotoError(f"The {name} photo {path} cannot be read ({error.strerror}): check its name.") from error
    return found


def check_cake(
    store: Store, wanted: CheckOrder, tell: Tell | None = None, cameras: CameraStore | None = None, save: bool = True
) -> Checked:
    """Measure, judge by the standard in force, advise, save; then the cameras learn from it, in the background.

    Parameters
    ----------
    cameras : CameraStore, optional
        What earlier photos have taught about the cameras; invented cakes teach them nothing.

    Raises
    ------
    CakeQCError
        Photos, card, standard or records: one sentence; then nothing was saved.
    """
    if wanted.decorator not in (d.pseudonym for d in store.decorators()):
        names = ", ".join(d.pseudonym for d in store.decorators()) or "none yet"
        raise RecordError(f"There is no decorator {wanted.decorator!r} (there are: {names}): add the pseudonym first.")
    kept = house.in_force(store, wanted.kind, wanted.time)
    settings = settings_for(kept.standard, wanted.order, wanted.print_scale or house.card_scale(store))
    photos = {name: read_photo(data, name) for name, data in wanted.photos.items()}
    stages = run_stages(photos, settings, tell, cameras)
    result = assemble(stages, settings)
    judgement = judge(result, kept.standard, wanted.order)
    advice = advise(judgement, result)
    if not save:
        return Checked(result, judgement, advice, None, stages)
    new = NewCheck(
        wanted.decorator,
        wanted.kind,
        result,
        wanted.photos,
        judgement,
        kept.id,
        wanted.order,
        wanted.circumstances,
        wanted.time,
        token=wanted.token,
        decision=wanted.decision,
        decision_reason=wanted.decision_reason,
        invented=wanted.invented,
    )
    check_id = store.save_check(new)
    if cameras is not None and not wanted.invented:
        teach_later(photos, settings.print_scale, cameras)
    return Checked(result, judgement, advice, check_id, stages)


def keep_pictures(store: Store, found: Checked) -> None:
    """Keep the explaining pictures with a saved check: a second's work, for when its verdict is told already.

    Raises
    ------
    RecordError
        The disk or the database cannot be written; the check itself is safe.
    """
    if found.check_id is not None:
        keep_drawings(store, found.check_id, drawings(found.stages))


def settings_for(
    standard: HouseStandard, order: dict[str, float], print_scale: tuple[float, float] = (1.0, 1.0)
) -> MeasureSettings:
    """What house standard and order say about the card and the cake before anything is measured."""
    limit = standard.limit("decoration_count", order) if "decoration_count" in standard.lines else None
    exact = limit.target if limit is not None and limit.kind == "count" else None
    return MeasureSettings(
        print_scale=print_scale,
        expected_decorations=round(exact) if exact else None,
        house_colour=standard.house_colour,
        semi_naked=standard.sponge_is_meant,
        fillings_mm=standard.layers.filling_heights_mm if standard.layers else (),
    )


def checked_text(checked: Checked) -> str:
    """The judgement as a table, with the advice below it."""
    judgement = checked.judgement
    rows = [("", "measured", "limit", "verdict", "points")]
    for line in judgement.lines:
        points = "" if line.points is None else f"{line.points:.0f}"
        said = f"{line.verdict.symbol} {line.verdict}{f' ({line.reason})' if line.reason else ''}"
        label = f"{line.label}{' *' if line.must else ''}"
        rows.append((label, line.value_words(), line.limit_words(), said, points))
    text = table_text(rows)
    text += f"\n\n{judgement.verdict.symbol} {judgement.standard_name}: {judgement.verdict}"
    text += f"; points: {judgement.points_words()}"
    text += "\n(* decides the verdict)"
    text += "".join(f"\nTry: {point.sentence}" for point in checked.advice.tries)
    if checked.advice.held is not None:
        text += f"\n{checked.advice.held.sentence}"
    return text + "".join(f"\nNote: {warning}" for warning in checked.result.warnings)
