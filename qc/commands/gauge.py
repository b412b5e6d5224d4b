"""Commands of the command line: gauge, is the photo set-up good enough for the tolerances."""

import csv
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from qc.commands.check import DatabaseOption
from qc.errors import CakeQCError, RecordError
from qc.text_table import table_text

if TYPE_CHECKING:
    from qc.gauge import GaugeStudy, GaugeVerdict
    from qc.records import Store
    from qc.standard import HouseStandard

METHODS = ("anova", "ranges")


def gauge(
    table: Annotated[Path, typer.Argument(help="CSV: cake, person, repeat, and values or a column check")],
    kind: Annotated[str, typer.Option(help="kind of cake whose tolerances are compared")] = "",
    standard: Annotated[Path | None, typer.Option(help="or a house standard (TOML)")] = None,
    method: Annotated[str, typer.Option(help="anova (analysis of variance) or ranges (averages and ranges)")] = "anova",
    csv_file: Annotated[Path | None, typer.Option("--csv", help="write the figures here")] = None,
    database: DatabaseOption = None,
) -> None:
    """Say from repeated photos of the same cakes what the set-up is good enough for.

    Photograph about ten cakes, each at least twice by each of two or three people, the card laid anew each time.
    """
    from qc.gauge import by_anova, by_ranges, summary, verdict
    from qc.gauge_table import read_table
    from qc.records import open_store

    if method not in METHODS:
        raise RecordError(f"{method!r} is no method: choose one of {', '.join(METHODS)}.")
    store = open_store(database)
    limits = _limits(_standard(store, kind, standard))
    study = by_anova if method == "anova" else by_ranges
    tables = read_table(table, store)
    studies = [study(t.quantity, t.values) for t in tables]
    verdicts = tuple(verdict(s, limits.get(s.quantity)) for s in studies)
    rows = [_HEADER, *(_row(s, v) for s, v in zip(studies, verdicts, strict=True))]
    typer.echo(table_text(rows))
    for v in verdicts:
        typer.echo(v.sentence)
    for left_out in sorted({c for t in tables for c in t.left_out}):
        typer.echo(
            f"Cake {left_out} was left out of some quantities: it has not the same number of photos by everyone."
        )
    typer.echo(summary(verdicts))
    if csv_file is not None:
        _write(csv_file, rows)


_HEADER = (
    "quantity",
    "repeatability",
    "reproducibility",
    "total_gauge",
    "cakes",
    "share_of_tolerance_%",
    "categories",
    "grade",
)


def _row(study: "GaugeStudy", found: "GaugeVerdict") -> tuple[str, ...]:
    def said(value: float | None, decimals: int = 3) -> str:
        return "" if value is None else f"{value:.{decimals}f}"

    return (
        study.quantity,
        said(study.repeatability),
        said(study.reproducibility),
        said(study.total_gauge),
        said(study.parts),
        said(found.share, 0),
        "" if found.categories is None else said(min(found.categories, 999), 1),
        found.grade,
    )


def _standard(store: "Store", kind: str, file: Path | None) -> "HouseStandard | None":
    from qc import house
    from qc.standard import load_standard

    if file is not None:
        return load_standard(file)
    house.begin(store)
    return house.in_force(store, kind).standard if kind else None


def _limits(standard: "HouseStandard | None") -> dict:  # type: ignore[type-arg]
    if standard is None:
        return {}
    found = {name: standard.limit(name) for name in standard.lines}
    return {name: limit for name, limit in found.items() if limit is not None}


def _write(path: Path, rows: list[tuple[str, ...]]) -> None:
    try:
        with path.open("w", newline="", encoding="utf-8") as file:
            csv.writer(file).writerows(rows)
    except OSError as error:
        raise CakeQCError(f"{path} cannot be written ({error.strerror}): choose another folder.") from error


def register(app: typer.Typer) -> None:
    """Add this module's commands to the command line."""
    app.command()(gauge)
