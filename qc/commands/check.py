"""Commands of the command line: check, one cake from its photos to the records."""

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from qc.errors import RecordError, StandardError
from qc.record_types import DECISIONS, Circumstances

if TYPE_CHECKING:
    from qc.checking import CheckOrder
    from qc.records import Store
    from qc.standard import HouseStandard
    from qc.verdict import Verdict

DatabaseOption = Annotated[
    str | None, typer.Option(help="address of the records, such as sqlite:////srv/cakes.sqlite", show_default=False)
]


def check(
    decorator: Annotated[str, typer.Option(help="pseudonym of the decorator")],
    top: Annotated[Path | None, typer.Option(help="photo from above")] = None,
    side: Annotated[Path | None, typer.Option(help="photo from the side, the camera at 6 o'clock")] = None,
    side2: Annotated[Path | None, typer.Option(help="photo from the side after a quarter turn clockwise")] = None,
    kind: Annotated[str, typer.Option(help="kind of cake, the code of its house standard, such as cream-15")] = "",
    standard: Annotated[
        Path | None, typer.Option(help="house standard (TOML); becomes the version in force of its kind")
    ] = None,
    order: Annotated[
        list[str] | None, typer.Option(help="a figure of the order, such as decoration_count=12; may be repeated")
    ] = None,
    add_decorator: Annotated[bool, typer.Option("--add-decorator", help="add the pseudonym if it is new")] = False,
    print_scale: Annotated[
        list[float] | None, typer.Option(help="printed over nominal length of the card; twice: along the fold, across")
    ] = None,
    decision: Annotated[str | None, typer.Option(help=f"the chef's own: {', '.join(DECISIONS)}")] = None,
    reason: Annotated[str, typer.Option(help="reason of the decision")] = "",
    notes: Annotated[str, typer.Option(help="a note that is kept with the cake")] = "",
    recipe_change: Annotated[str, typer.Option(help="what is new in the recipe")] = "",
    rush: Annotated[bool, typer.Option("--rush", help="made in a rush")] = False,
    kitchen_temperature: Annotated[float | None, typer.Option(help="of the kitchen, in degrees C")] = None,
    save: Annotated[bool, typer.Option(help="keep it in the records")] = True,
    database: DatabaseOption = None,
) -> None:
    """Measure one cake, judge it by its house standard and save it.

    Exit status: 0 within or too close to call, 1 outside, 2 for input that cannot be used.
    """
    from qc.checking import CheckOrder, read_files
    from qc.commands.measure import scale_pair
    from qc.records import open_store
    from qc.verdict import Verdict

    photos = read_files(top, side, side2)
    figures = order_figures(order or [])
    about = Circumstances(kitchen_temperature, rush or None, recipe_change, notes)
    scale = scale_pair(print_scale) if print_scale else None
    store = open_store(database)
    try:
        kind = _kind(store, kind, standard)
        if add_decorator:
            store.add_decorator(decorator)
        wanted = CheckOrder(decorator, kind, photos, figures, about, scale, decision, reason)
        verdict = _checked(store, wanted, save)
    finally:
        store.close()
    if verdict is Verdict.OUTSIDE:
        raise typer.Exit(1)


def _kind(store: "Store", kind: str, standard: Path | None) -> str:
    """The kind of cake that was named, or that of the standard's file, which comes into force."""
    from qc import house
    from qc.standard import load_standard

    house.begin(store)
    if standard is not None:
        return _published(store, load_standard(standard), kind, standard.name)
    if not kind:
        kinds = ", ".join(k for k in store.kinds())
        raise StandardError(f"The kind of cake is missing: give --kind (one of {kinds}) or --standard FILE.")
    return kind


def _checked(store: "Store", wanted: "CheckOrder", save: bool) -> "Verdict":
    """Measure, judge, save and tell; the pictures are kept when everything is told."""
    from qc.checking import check_cake, checked_text, keep_pictures
    from qc.commands.measure import told, told_end
    from qc.profiles import CameraStore

    try:
        found = check_cake(store, wanted, told, CameraStore(), save)
    finally:
        told_end()
    typer.echo(checked_text(found))
    if found.check_id is not None:
        typer.echo(f"Saved as cake {found.check_id}.")
    try:
        keep_pictures(store, found)
    except RecordError as error:
        typer.echo(f"The check is saved, but not the pictures of how it was measured. {error}", err=True)
    return found.judgement.verdict


def _published(store: "Store", standard: "HouseStandard", kind: str, file: str) -> str:
    from qc import house

    if kind and kind != standard.code:
        raise StandardError(f"{file} is the standard of {standard.code!r}, not of {kind!r}: leave --kind out.")
    house.publish(store, standard, f"from {file}")
    return standard.code


def order_figures(given: list[str]) -> dict[str, float]:
    """Figures of an order from "name=number". Raises RecordError."""
    found = {}
    for text in given:
        name, _, number = text.partition("=")
        try:
            found[name.strip()] = float(number)
        except ValueError as error:
            raise RecordError(f"The order's figure {text!r} is no name=number: write decoration_count=12.") from error
    return found


def register(app: typer.Typer) -> None:
    """Add this module's commands to the command line."""
    app.command()(check)
