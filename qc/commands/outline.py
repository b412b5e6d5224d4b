"""Commands of the command line: outline."""

import typer


def register(app: typer.Typer) -> None:
    """Add this module's commands to the command line."""
