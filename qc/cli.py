"""The command line: thin commands over load, compute, save."""

import sys
from importlib import import_module

import typer

from qc.errors import CakeQCError

app = typer.Typer(
    name="cakeqc",
    help="Measure finished cakes from photographs and judge them against the house standard.",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
)
COMMANDS = ("card", "measure", "outline", "camera", "check", "records", "gauge", "demo", "page")
for _name in COMMANDS:
    import_module(f"qc.commands.{_name}").register(app)


def main() -> None:
    """Run; every message that concerns the user is one sentence on standard error, exit status 2."""
    try:
        app()
    except CakeQCError as error:
        print(error, file=sys.stderr)
        sys.exit(2)


if __name__ == "__main__":
    main()
