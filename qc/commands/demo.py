"""Commands of the command line: demo, the sample cakes measured and an invented shop's page."""

import shutil
import socket
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from qc.errors import CakeQCError, RecordError
from qc.text_table import table_text

if TYPE_CHECKING:
    from qc.checking import Checked
    from qc.records import Store
    from qc.samples import Sample

_MARKER = "demo-of-cakeqc.txt"
_MARK = "Everything in this folder was invented for a demo and is made anew by every demo.\n"


def demo(
    page: Annotated[bool, typer.Option(help="start the page on it")] = True,
    folder: Annotated[Path | None, typer.Option(help="where the demo's records lie; never the shop's own")] = None,
    port: Annotated[int, typer.Option(min=1, max=65535, help="where the page listens")] = 8501,
    browser: Annotated[bool, typer.Option(help="open the page in this computer's browser")] = True,
) -> None:
    """Measure and judge the sample cakes, fill records of their own with an invented shop's history, start the page."""
    from qc.data_folder import data_folder
    from qc.database import plain_errors
    from qc.records import open_store

    place = folder or data_folder() / "demo"
    with plain_errors():
        _made_anew(place)
    url = f"sqlite:///{(place / 'records.sqlite').resolve()}"
    store = open_store(url)
    try:
        _fill(store)
    finally:
        store.close()
    if page:
        _serve(url, port, browser)
    else:
        typer.echo(f"See it with: cakeqc page --database {url}")


def _made_anew(place: Path) -> None:
    """An empty folder with our mark; a folder with anything else in it is left alone."""
    if place.exists() and any(place.iterdir()):
        if not (place / _MARKER).exists():
            raise RecordError(f"{place} is not empty and no demo's folder: choose another with --folder.")
        for entry in place.iterdir():
            if entry.is_dir() and entry.name == "photos":
                shutil.rmtree(entry)
            elif entry.name.startswith("records.sqlite"):
                entry.unlink()
    place.mkdir(parents=True, exist_ok=True)
    (place / _MARKER).write_text(_MARK, encoding="utf-8")


def _fill(store: "Store") -> None:
    from qc.demo_history import fill
    from qc.samples import samples

    typer.echo("An invented shop's half year ...")
    typer.echo(f"{fill(store)} invented cakes are in the demo's records.")
    cakes = samples()
    if not cakes:
        typer.echo("No sample cakes are installed, so none is measured.")
        return
    rows: list[tuple[str, ...]] = [
        ("sample", "house standard", "diameter", "height", "slope of the top", "verdict", "points")
    ]
    told: list[str] = []
    for number, sample in enumerate(cakes, start=1):
        typer.echo(f"Measuring sample cake {number} of {len(cakes)} ({sample.name}) ...")
        try:
            found = _measured(store, sample)
        except CakeQCError as error:
            rows.append((sample.name, sample.kind, "", "", "", "not measured", ""))
            told.append(f"{sample.name}: {error}")
            continue
        rows.append(_row(sample, found))
        told += [f"{sample.name}: {point.sentence}" for point in found.advice.tries]
    typer.echo(table_text(rows))
    for line in told:
        typer.echo(line)


def _measured(store: "Store", sample: "Sample") -> "Checked":
    from qc.checking import CheckOrder, check_cake, keep_pictures
    from qc.demo_history import STEADY
    from qc.house import ALWAYS
    from qc.record_types import Circumstances

    kind, own = sample.kind, sample.standard()
    if own is not None:
        kind = own.code
        store.add_standard(kind, own.to_toml(), ALWAYS, "invented for the demo: sizes as ordered", invented=True)
    about = Circumstances(notes="rendered sample cake, invented")
    scale = sample.print_scale or (1.0, 1.0)
    wanted = CheckOrder(STEADY, kind, sample.photos, sample.order, about, scale, invented=True)
    found = check_cake(store, wanted)
    keep_pictures(store, found)
    return found


def _row(sample: "Sample", found: "Checked") -> tuple[str, ...]:
    from qc.verdict import value_words

    values = [found.result.overall(name) for name in ("diameter", "height", "level")]
    words = ["" if m is None else value_words(m) for m in values]
    points = "" if found.judgement.points is None else f"{found.judgement.points:.0f}"
    verdict = found.judgement.verdict
    return (sample.name, found.judgement.standard_name, *words, f"{verdict.symbol} {verdict}", points)


def _serve(url: str, port: int, browser: bool) -> None:
    from app.server import PageSettings, serve

    free = next((p for p in range(port, min(port + 20, 65536)) if _is_free(p)), None)
    if free is None:
        raise RecordError(f"Ports {port} to {port + 19} are all in use: give another with --port.")
    typer.echo(f"The page is at http://localhost:{free}; stop it with Ctrl+C.")
    serve(PageSettings(port=free, database=url, open_browser=browser))


def _is_free(port: int) -> bool:
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind(("127.0.0.1", port))
        except OSError:
            return False
        return True


def register(app: typer.Typer) -> None:
    """Add this module's commands to the command line."""
    app.command()(demo)
