"""What the records write inside one transaction: rows from values, and the checks of what comes in."""

import json
import math
import unicodedata
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, RowMapping, Table, delete, insert, select

from qc import __version__, schema
from qc import record_queries as queries
from qc.database import new_key, now_ms, to_ms
from qc.errors import RecordError
from qc.freeze import freeze
from qc.photo_store import WrittenPhoto
from qc.quantities import CheckResult
from qc.record_types import CheckRecord, NewCheck, StoreSettings

_HOUR_MS = 3_600_000


def pseudonym(given: str, longest: int) -> str:
    """A pseudonym as plain text, or a RecordError that says what is wrong with it."""
    name = unicodedata.normalize("NFC", given).strip()
    if not name:
        raise RecordError("The decorator has no pseudonym: give one, such as a colour or a flower.")
    if len(name) > longest:
        raise RecordError(f"The pseudonym has {len(name)} characters: use at most {longest}.")
    if any(unicodedata.category(c) in ("Cc", "Cs") for c in name):
        raise RecordError("The pseudonym has a line break or another control character in it: type it on one line.")
    return name


def plain(given: str, longest: int) -> str:
    """A note as plain text, or a RecordError when it is too long."""
    if len(given) > longest:
        raise RecordError(f"The note has {len(given)} characters: use at most {longest}.")
    return given.strip()


def kind_name(given: str) -> str:
    """The name of a kind of cake."""
    name = given.strip()
    if not name or len(name) > 80:
        raise RecordError("The kind of cake needs a name of 1 to 80 characters.")
    return name


def insert_check(db: Connection, new: NewCheck, uid: str, settings: StoreSettings) -> int:
    """The row of a new check; gives its number."""
    time_ms = now_ms() if new.time is None else to_ms(new.time)
    about = new.circumstances
    if not all(isinstance(v, int | float) and math.isfinite(v) for v in new.order.values()):
        raise RecordError("The order's values must be numbers: enter them again.")
    row = {
        "uid": uid,
        "time_ms": time_ms,
        "decorator_id": queries.decorator_id(db, new.decorator),
        "kind": kind_name(new.kind),
        "standard_id": new.standard_id,
        "order_json": json.dumps(new.order),
        "kitchen_temperature_c": about.kitchen_temperature_c,
        "rush": about.rush,
        "recipe_change": plain(about.recipe_change, settings.longest_text),
        "notes": plain(about.notes, settings.longest_text),
        "first_photo_ms": None if new.first_photo_time is None else to_ms(new.first_photo_time),
        "counts_from_ms": time_ms + round(settings.hold_hours * _HOUR_MS),
        "created_ms": now_ms(),
        "invented": new.invented,
    }
    return new_key(db.execute(insert(schema.checks).values(row)))


def insert_photo(db: Connection, check_id: int, name: str, photo: WrittenPhoto) -> None:
    """The row of a photo, once, and its place in the check."""
    insert_file(db, photo)
    db.execute(insert(schema.check_photos).values(check_id=check_id, photo_name=name, sha256=photo.sha256))


def insert_file(db: Connection, photo: WrittenPhoto) -> None:
    """The row of a stored file, once."""
    p = schema.photos
    if db.execute(select(p.c.sha256).where(p.c.sha256 == photo.sha256)).first() is None:
        row = {
            "sha256": photo.sha256,
            "original_sha256": photo.original_sha256,
            "suffix": photo.suffix,
            "width_px": photo.width_px,
            "height_px": photo.height_px,
            "stored_ms": now_ms(),
        }
        db.execute(insert(p).values(row))


def insert_take(db: Connection, check_id: int, result: CheckResult, reason: str, time_ms: int | None = None) -> int:
    """A measurement of a check; its overall values take the place of earlier ones in the series."""
    row = {"check_id": check_id, "time_ms": time_ms or now_ms(), "reason": reason, "program": __version__}
    take_id = new_key(db.execute(insert(schema.takes).values(**row, result=freeze(result))))
    index_values(db, check_id, result)
    return take_id


def index_values(db: Connection, check_id: int, result: CheckResult) -> None:
    """Put a result's overall values where series are read from."""
    check = known(db, check_id)
    db.execute(delete(schema.measured).where(schema.measured.c.check_id == check_id))
    place = {"check_id": check_id, **{name: check[name] for name in ("kind", "decorator_id", "time_ms")}}
    rows = {
        m.name: {
            **place,
            "name": m.name,
            "value": float(m.value),
            "uncertainty": float(m.uncertainty),
            "low": None if m.interval is None else float(m.interval[0]),
            "high": None if m.interval is None else float(m.interval[1]),
        }
        for m in result.measurements
        if m.clock is None and math.isfinite(m.value) and math.isfinite(m.uncertainty)
    }
    if rows:
        db.execute(insert(schema.measured), list(rows.values()))


def insert_judgement(
    db: Connection, check_id: int, take_id: int, judgement: Any, standard_id: int | None, time_ms: int | None = None
) -> None:
    """A judgement of a take, whole, with its verdict and points beside it for the lists."""
    headline = queries.headline(judgement)
    row = {"check_id": check_id, "take_id": take_id, "standard_id": standard_id}
    row["time_ms"] = time_ms or now_ms()
    values = {"verdict": headline.verdict, "points": headline.points, "points_uncertainty": headline.uncertainty}
    db.execute(insert(schema.judgements).values(**row, **values, body=freeze(judgement)))


def known(db: Connection, check_id: int) -> RowMapping:
    """The row of a check, or a RecordError."""
    row = db.execute(select(schema.checks).where(schema.checks.c.id == check_id)).mappings().first()
    if row is None:
        raise RecordError(f"There is no check number {check_id}: look it up in the list of cakes.")
    return row


def add_entry(db: Connection, table: Table, check_id: int, time_ms: int | None = None, **values: Any) -> int:
    """A dated entry beside a check; gives its time in ms."""
    known(db, check_id)
    when_ms = time_ms or now_ms()
    db.execute(insert(table).values(check_id=check_id, time_ms=when_ms, **values))
    return when_ms


def stored_value(db: Connection, field: str, value: Any) -> tuple[str, Any]:
    """The column and the content of a corrected entry."""
    if field == "decorator":
        return "decorator_id", queries.decorator_id(db, value)
    if field == "time":
        if not isinstance(value, datetime):
            raise RecordError("The corrected time must be a date with a time.")
        return "time_ms", to_ms(value)
    if field == "kind":
        return "kind", kind_name(value)
    if field == "rush":
        return "rush", None if value is None else bool(value)
    if field == "kitchen_temperature_c":
        return field, None if value is None else float(value)
    return field, str(value).strip()


def shown(record: CheckRecord, field: str) -> str:
    """An entry as it stood, in words."""
    found = getattr(record.circumstances, field) if hasattr(record.circumstances, field) else getattr(record, field)
    return found.isoformat() if isinstance(found, datetime) else "" if found is None else str(found)
