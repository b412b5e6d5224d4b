"""Commands of the command line: gauge."""

import typer


def register(app: typer.Typer) -> None:
    """Add this module's commands to the command line."""
