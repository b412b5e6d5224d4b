"""Commands of the command line: demo."""

import typer


def register(app: typer.Typer) -> None:
    """Add this module's commands to the command line."""
