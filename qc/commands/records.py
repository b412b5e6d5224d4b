"""Commands of the command line: records, what the shop has kept."""

import json
import re
from pathlib import Path
from typing import Annotated

import typer

from qc.commands.check import DatabaseOption
from qc.errors import RecordError
from qc.text_table import table_text

records = typer.Typer(help="List, show, print, export, import and delete what is kept.", no_args_is_help=True)


@records.command("list")
def list_checks(
    decorator: Annotated[str | None, typer.Option(help="only this decorator's")] = None,
    kind: Annotated[str | None, typer.Option(help="only this kind of cake")] = None,
    limit: Annotated[int, typer.Option(min=1, help="how many, latest first")] = 20,
    database: DatabaseOption = None,
) -> None:
    """List the cakes so far, latest first."""
    from qc.records import open_store

    found = open_store(database).checks(decorator, kind, limit=limit)
    rows = [("cake", "time", "decorator", "kind", "verdict", "points", "decision", "")]
    for c in found:
        points = "" if c.points is None else f"{c.points:.0f}"
        mark = "invented" if c.invented else ""
        when = f"{c.time.astimezone():%Y-%m-%d %H:%M}"
        rows.append((str(c.id), when, c.decorator, c.kind, c.verdict or "not judged", points, c.decision or "", mark))
    typer.echo(table_text(rows) if found else "No cakes yet.")


@records.command()
def show(
    number: Annotated[int, typer.Argument(help="the cake's number")],
    pdf: Annotated[Path | None, typer.Option(help="write the printed page here")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="everything that is known, as JSON")] = False,
    database: DatabaseOption = None,
) -> None:
    """Show one cake."""
    from qc.records import open_store
    from qc.result_text import result_text

    store = open_store(database)
    record = store.check(number)
    if pdf is not None:
        from qc.report import check_report

        write_bytes(pdf, check_report(store, number))
    if as_json:
        typer.echo(json.dumps(_plain(record), indent=1, default=str))
        return
    mark = "  (invented)" if record.invented else ""
    typer.echo(
        f"Cake {record.id}: {record.kind} by {record.decorator}, {record.time.astimezone():%Y-%m-%d %H:%M}{mark}"
    )
    if record.judgement is not None:
        typer.echo(f"{record.judgement.verdict}; points: {record.judgement.judgement.points_words()}")
    typer.echo(result_text(record.result))
    for d in record.decisions:
        typer.echo(f"decision {d.time.astimezone():%Y-%m-%d %H:%M}: {d.decision} {d.reason}".rstrip())
    for c in record.comments:
        typer.echo(f"comment {c.time.astimezone():%Y-%m-%d %H:%M}: {c.author} {c.text} {c.effect}".rstrip())
    for x in record.corrections:
        typer.echo(f"corrected {x.field}: {x.earlier!r} to {x.now!r} ({x.reason})")


def _plain(record: object) -> object:
    from dataclasses import asdict, is_dataclass

    return asdict(record) if is_dataclass(record) and not isinstance(record, type) else record


@records.command()
def month(
    when: Annotated[str, typer.Argument(help="the month, such as 2026-10")],
    pdf: Annotated[Path, typer.Option(help="write the page here")],
    decorator: Annotated[str | None, typer.Option(help="one decorator; the whole bench when left out")] = None,
    database: DatabaseOption = None,
) -> None:
    """Print a month of one decorator or of the bench."""
    from qc.records import open_store
    from qc.report_month import month_report

    found = re.fullmatch(r"(\d{4})-(\d{1,2})", when)
    if found is None:
        raise RecordError(f"{when!r} is no month: write it like 2026-10.")
    write_bytes(pdf, month_report(open_store(database), int(found[1]), int(found[2]), decorator))
    typer.echo(f"Written to {pdf}.")


@records.command()
def export(
    folder: Annotated[Path, typer.Argument(help="a new folder")],
    form: Annotated[str, typer.Option(help="csv or parquet")] = "csv",
    photos: Annotated[bool, typer.Option(help="with the photos")] = True,
    database: DatabaseOption = None,
) -> None:
    """Write everything to a folder, one file a table."""
    from qc.exchange import export_records
    from qc.records import open_store

    found = export_records(open_store(database), folder, form, photos)
    typer.echo(f"{found.checks} cakes and {found.photos} photos written to {folder}.")


@records.command("import")
def import_(
    folder: Annotated[Path, typer.Argument(help="a folder that was exported")], database: DatabaseOption = None
) -> None:
    """Add the cakes of an exported folder that are not there yet."""
    from qc.exchange import import_records
    from qc.records import open_store

    found = import_records(open_store(database), folder)
    typer.echo(f"{found.checks} cakes and {found.photos} photos added; {found.already_there} were there already.")


@records.command()
def purge(
    older_than_days: Annotated[float, typer.Option(help="delete cakes that are older than this many days")],
    yes: Annotated[bool, typer.Option("--yes", help="do not ask")] = False,
    database: DatabaseOption = None,
) -> None:
    """Delete old cakes for good: rows, photos, and their traces in the file."""
    from qc.records import open_store

    store = open_store(database)
    if not yes:
        typer.confirm(f"Delete every cake older than {older_than_days:g} days, with its photos, for good?", abort=True)
    found = store.purge(older_than_days)
    typer.echo(f"{found.checks} cakes and {found.photos} photos deleted.")


def write_bytes(path: Path, data: bytes) -> None:
    """Write a file, or say in one sentence why not."""
    try:
        path.write_bytes(data)
    except OSError as error:
        raise RecordError(f"{path} cannot be written ({error.strerror}): choose another folder.") from error


def register(app: typer.Typer) -> None:
    """Add this module's commands to the command line."""
    app.add_typer(records, name="records")
