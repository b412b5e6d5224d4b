"""Commands of the command line: camera."""

import typer


def register(app: typer.Typer) -> None:
    """Add this module's commands to the command line."""
