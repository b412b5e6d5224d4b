"""Commands of the command line: the printable reference card."""

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from qc.card_sheet import write_card


class Paper(StrEnum):
    """Papers that the card fits on."""

    A4 = "a4"
    LETTER = "letter"


def card(
    out: Annotated[Path, typer.Option(help="write the PDF here")] = Path("card.pdf"),
    paper: Annotated[Paper, typer.Option(help="paper in the printer")] = Paper.A4,
) -> None:
    """Draw the reference card to print, and a page that shows how to take the photos.

    Print it at 100 % ("actual size") on stiff matt white paper, then measure its two lines with a steel ruler.
    """
    write_card(out, paper.value)
    typer.echo(f"{out}: print it at 100 %, then measure both lines (200 mm and 100 mm) with a steel ruler.")


def register(app: typer.Typer) -> None:
    """Add this module's commands to the command line."""
    app.command()(card)
