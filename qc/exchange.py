"""Taking the records out and in again: one CSV or Parquet file a table, with the photos beside them.

`values` is a table for people (one line a value, with its words and unit) and is not read back; the others hold
everything. An import adds what is not there yet and changes nothing that is.
"""

import json
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.csv as pc
import pyarrow.parquet as pq
from sqlalchemy import BigInteger, Boolean, Connection, Float, Integer, LargeBinary, Table, insert, select

from qc import record_writes as writes
from qc import schema
from qc.database import from_ms, new_key, plain_errors, reading, writing
from qc.errors import RecordError
from qc.freeze import text_of, thaw_text
from qc.quantities import QUANTITIES
from qc.records import Store
from qc.small_picture import SUFFIX, packed_again

FORMAT = "cakeqc-records/1"
FORMS = ("csv", "parquet")
_CHUNK_ROWS = 500
_CSV_BLOCK_BYTES = 1 << 26  # a row must fit in a block; a result's text has some 100 kB
_TABLES = (
    schema.decorators,
    schema.standards,
    schema.photos,
    schema.checks,
    schema.check_photos,
    schema.takes,
    schema.drawings,
    schema.judgements,
    schema.decisions,
    schema.comments,
    schema.corrections,
    schema.baselines,
)
_LATER = (schema.drawings,)  # tables that exports from before them lack
_BESIDE = (schema.decisions, schema.comments, schema.corrections)
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "'")  # what a spreadsheet would run instead of show


@dataclass(frozen=True)
class ExchangeReport:
    """How much went out or in."""

    checks: int
    photos: int
    already_there: int = 0


def export_records(store: Store, folder: Path, form: str = "csv", photos: bool = True) -> ExchangeReport:
    """Write everything to a folder.

    Raises
    ------
    RecordError
        The folder has files in it, cannot be written, or the form is unknown.
    """
    if form not in FORMS:
        raise RecordError(f"{form!r} is no form of export: choose one of {', '.join(FORMS)}.")
    with plain_errors():
        folder.mkdir(parents=True, exist_ok=True)
        if any(folder.iterdir()):
            raise RecordError(f"{folder} is not empty: choose a new folder for the export.")
        with reading(store.engine) as db:
            for table in _TABLES:
                _write(folder / f"{table.name}.{form}", form, _arrow_schema(table), _rows(db, table))
            _write(folder / f"values.{form}", form, _VALUES, _value_rows(db))
            checks = len(db.execute(select(schema.checks.c.id)).all())
            files = db.execute(select(schema.photos.c.sha256, schema.photos.c.suffix)).all() if photos else []
        copied = sum(_copy_photo(store, folder / "photos", sha256, suffix) for sha256, suffix in files)
        (folder / "about.json").write_text(json.dumps({"format": FORMAT, "form": form}), encoding="utf-8")
    return ExchangeReport(checks, copied)


def _copy_photo(store: Store, folder: Path, sha256: str, suffix: str) -> bool:
    source = store.photos.path(sha256, suffix)
    if not source.exists():
        return False
    folder.mkdir(exist_ok=True)
    (folder / source.name).write_bytes(source.read_bytes())
    return True


def _arrow_schema(table: Table) -> pa.Schema:
    return pa.schema([pa.field(c.name, _arrow_type(c.type)) for c in table.columns])


def _arrow_type(kind: Any) -> pa.DataType:
    if isinstance(kind, Boolean):
        return pa.bool_()
    if isinstance(kind, Integer | BigInteger):
        return pa.int64()
    return pa.float64() if isinstance(kind, Float) else pa.string()


def _rows(db: Connection, table: Table) -> Iterator[list[dict[str, Any]]]:
    packed = [c.name for c in table.columns if isinstance(c.type, LargeBinary)]
    result = db.execution_options(yield_per=_CHUNK_ROWS).execute(select(table).order_by(*table.primary_key.columns))
    for part in result.mappings().partitions():
        rows = [dict(r) for r in part]
        for row in rows:
            row.update({name: text_of(row[name]) for name in packed})
        yield rows


_VALUES = pa.schema(
    [
        ("check", pa.int64()),
        ("time_utc", pa.string()),
        ("decorator", pa.string()),
        ("kind", pa.string()),
        ("quantity", pa.string()),
        ("label", pa.string()),
        ("value", pa.float64()),
        ("uncertainty_k2", pa.float64()),
        ("low_95", pa.float64()),
        ("high_95", pa.float64()),
        ("unit", pa.string()),
        ("invented", pa.bool_()),
    ]
)


def _value_rows(db: Connection) -> Iterator[list[dict[str, Any]]]:
    m, c, d = schema.measured, schema.checks, schema.decorators
    query = (
        select(m, c.c.invented, d.c.pseudonym)
        .join(c, c.c.id == m.c.check_id)
        .join(d, d.c.id == m.c.decorator_id)
        .order_by(m.c.time_ms, m.c.check_id, m.c.name)
    )
    for part in db.execution_options(yield_per=_CHUNK_ROWS).execute(query).mappings().partitions():
        yield [_value_row(r) for r in part]


def _value_row(row: Any) -> dict[str, Any]:
    q = QUANTITIES.get(row["name"])
    return {
        "check": row["check_id"],
        "time_utc": from_ms(row["time_ms"]).isoformat(timespec="seconds"),
        "decorator": row["pseudonym"],
        "kind": row["kind"],
        "quantity": row["name"],
        "label": q.label if q else row["name"],
        "value": row["value"],
        "uncertainty_k2": row["uncertainty"],
        "low_95": row["low"],
        "high_95": row["high"],
        "unit": q.unit if q else "",
        "invented": bool(row["invented"]),
    }


def _write(path: Path, form: str, columns: pa.Schema, parts: Iterator[list[dict[str, Any]]]) -> None:
    texts = [f.name for f in columns if f.type == pa.string()]
    options = pc.WriteOptions(quoting_style="all_valid")
    writer = (
        pq.ParquetWriter(path, columns) if form == "parquet" else pc.CSVWriter(path, columns, write_options=options)
    )
    with writer:
        for rows in parts:
            if form == "csv":
                for row in rows:
                    row.update({n: f"'{row[n]}" for n in texts if row[n] and row[n].startswith(_FORMULA)})
            writer.write_batch(pa.RecordBatch.from_pylist(rows, schema=columns))


def import_records(store: Store, folder: Path) -> ExchangeReport:
    """Add the checks of an exported folder that are not there yet.

    Raises
    ------
    RecordError
        The folder is no export, or a file in it is missing or damaged: nothing was added then.
    """
    form = _form_of(folder)
    with plain_errors(), writing(store.engine) as db:
        return _Import(store, db, folder, form).run()


def _form_of(folder: Path) -> str:
    try:
        about = json.loads((folder / "about.json").read_text(encoding="utf-8"))
        form = str(about["form"])
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise RecordError(
            f"{folder} is no export of this program: choose a folder with an about.json in it."
        ) from error
    if about.get("format") != FORMAT or form not in FORMS:
        raise RecordError(f"{folder} was exported by another version of this program: export it again.")
    return form


class _Import:
    """One import: what the other shop's numbers are here."""

    def __init__(self, store: Store, db: Connection, folder: Path, form: str) -> None:
        self.store, self.db, self.folder, self.form = store, db, folder, form
        self.decorators: dict[int, int] = {}
        self.standards: dict[int, int] = {}
        self.checks: dict[int, int] = {}
        self.takes: dict[int, int] = {}
        self.photos: dict[str, str] = {}

    def run(self) -> ExchangeReport:
        for row in self._read(schema.decorators):
            self.decorators[row["id"]] = self._same(schema.decorators, row, ("pseudonym",))
        for row in self._read(schema.standards):
            self.standards[row["id"]] = self._standard(row)
        there = self._add_checks()
        for row in self._read(schema.check_photos):
            if row["check_id"] in self.checks:
                self._add_photo(row)
        for row in self._read(schema.takes):
            self._add_take(row)
        for row in self._read(schema.drawings):
            self._add_drawing(row)
        for row in self._read(schema.judgements):
            if row["check_id"] in self.checks:
                own = {"take_id": self.takes[row["take_id"]], "standard_id": self.standards.get(row["standard_id"])}
                thaw_text(row["body"])
                self._add(schema.judgements, row, **own, body=zlib.compress(row["body"].encode(), 6))
        for table in _BESIDE:
            for row in self._read(table):
                if row["check_id"] in self.checks:
                    self._add(table, row)
        for row in self._read(schema.baselines):
            own = {**row, "decorator_id": self.decorators.get(row["decorator_id"])}
            self._same(schema.baselines, own, ("kind", "decorator_id", "start_ms", "end_ms"))
        return ExchangeReport(len(self.checks), len(self.photos), there)

    def _read(self, table: Table) -> Iterator[dict[str, Any]]:
        path, columns = self.folder / f"{table.name}.{self.form}", _arrow_schema(table)
        if table in _LATER and not path.exists():
            return
        texts = [f.name for f in columns if f.type == pa.string()]
        try:
            for batch in _batches(path, self.form, columns):
                for row in batch.select(columns.names).to_pylist():
                    if self.form == "csv":
                        row.update({n: row[n][1:] for n in texts if row[n] and row[n].startswith("'")})
                    yield row
        except (pa.ArrowException, KeyError, FileNotFoundError) as error:
            raise RecordError(f"{path.name} in the export is missing or damaged: export it again.") from error

    def _same(self, table: Table, row: dict[str, Any], keys: tuple[str, ...]) -> int:
        """The number of the same row here, added where it is not there."""
        found = self.db.execute(select(table.c.id).where(*(table.c[k] == row[k] for k in keys))).scalar()
        if found is not None:
            return int(found)
        values = {name: value for name, value in row.items() if name != "id"}
        return new_key(self.db.execute(insert(table).values(values)))

    def _standard(self, row: dict[str, Any]) -> int:
        t = schema.standards
        numbers = self.db.execute(select(t.c.version).where(t.c.kind == row["kind"])).scalars().all()
        free = row["version"] if row["version"] not in numbers else max(numbers) + 1
        return self._same(t, {**row, "version": free}, ("kind", "text"))

    def _add_checks(self) -> int:
        there = 0
        t = schema.checks
        for row in self._read(t):
            if self.db.execute(select(t.c.id).where(t.c.uid == row["uid"])).scalar() is not None:
                there += 1
                continue
            own = {
                "decorator_id": self.decorators[row["decorator_id"]],
                "standard_id": self.standards.get(row["standard_id"]),
            }
            values = {name: value for name, value in row.items() if name != "id"}
            self.checks[row["id"]] = new_key(self.db.execute(insert(t).values({**values, **own})))
        return there

    def _add_photo(self, row: dict[str, Any]) -> None:
        """A photo, cleaned again, so that no other program's export brings personal metadata in."""
        found = next((self.folder / "photos").glob(f"{row['sha256'][:64]}.*"), None)
        if found is None or not row["sha256"].isalnum():
            return
        written = self.store.photos.put(found.read_bytes(), row["photo_name"])
        self.photos[row["sha256"]] = written.sha256
        writes.insert_photo(self.db, self.checks[row["check_id"]], row["photo_name"], written)

    def _add_drawing(self, row: dict[str, Any]) -> None:
        """A picture of a measurement, its file made anew."""
        found = next((self.folder / "photos").glob(f"{row['sha256'][:64]}.*"), None)
        if row["take_id"] not in self.takes or found is None or not row["sha256"].isalnum():
            return
        data = packed_again(found.read_bytes())
        if data is None:
            return
        written = self.store.photos.put_picture(data, SUFFIX)
        writes.insert_file(self.db, written)
        own = {"take_id": self.takes[row["take_id"]], "sha256": written.sha256}
        self.db.execute(insert(schema.drawings).values({**row, **own}))

    def _add_take(self, row: dict[str, Any]) -> None:
        if row["check_id"] not in self.checks:
            return
        result = thaw_text(row["result"])
        self.takes[row["id"]] = self._add(schema.takes, row, result=zlib.compress(row["result"].encode(), 6))
        writes.index_values(self.db, self.checks[row["check_id"]], result)

    def _add(self, table: Table, row: dict[str, Any], **own: Any) -> int:
        values = {name: value for name, value in row.items() if name != "id"}
        values["check_id"] = self.checks[row["check_id"]]
        return new_key(self.db.execute(insert(table).values({**values, **own})))


def _batches(path: Path, form: str, columns: pa.Schema) -> Iterator[pa.RecordBatch]:
    if form == "parquet":
        with pq.ParquetFile(path) as file:
            yield from file.iter_batches(batch_size=_CHUNK_ROWS)
        return
    convert = pc.ConvertOptions(
        column_types=columns, null_values=[""], strings_can_be_null=True, quoted_strings_can_be_null=False
    )
    with pc.open_csv(
        path,
        read_options=pc.ReadOptions(block_size=_CSV_BLOCK_BYTES),
        parse_options=pc.ParseOptions(newlines_in_values=True),
        convert_options=convert,
    ) as reader:
        yield from reader
