"""Commands of the command line: the page."""

import socket
from typing import Annotated

import typer

from qc.errors import PageError


def page(
    port: Annotated[int, typer.Option(min=1, max=65535, help="where the page listens")] = 8501,
    database: Annotated[
        str | None, typer.Option(help="address of the records, such as sqlite:////srv/cakes.db")
    ] = None,
    share: Annotated[bool, typer.Option(help="open it to phones and tablets in the shop's network")] = False,
    browser: Annotated[bool, typer.Option(help="open it in this computer's browser")] = True,
) -> None:
    """Start the page; stop it with Ctrl+C."""
    from app.server import PageSettings, serve

    _require_free(port)
    typer.echo(f"The page is at http://localhost:{port}; stop it with Ctrl+C.")
    if share:
        typer.echo(f"Phones in the same network open http://{_own_address()}:{port}")
    serve(PageSettings(port=port, share=share, database=database, open_browser=browser))


def _require_free(port: int) -> None:
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind(("127.0.0.1", port))
        except OSError as error:
            raise PageError(
                f"Port {port} is in use; close the other page or give another number with --port."
            ) from error


def _own_address() -> str:
    """This computer's address in the shop's network; nothing is sent."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # an address for documentation (RFC 5737): no packet leaves
            return str(probe.getsockname()[0])
        except OSError:
            return "this computer's address"


def register(app: typer.Typer) -> None:
    """Add this module's commands to the command line."""
    app.command()(page)
