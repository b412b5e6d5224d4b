"""Reading the records: rows to the frozen values of `qc.record_types`, and the fast reads of series."""

import json
import math
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
from sqlalchemy import ColumnElement, Connection, RowMapping, Select, Table, func, select

from qc import schema
from qc.database import from_ms, now_ms, to_ms
from qc.errors import RecordError
from qc.freeze import thaw
from qc.record_types import (
    AgreementCell,
    CheckRecord,
    CheckSummary,
    Circumstances,
    Comment,
    Correction,
    Decision,
    Decorator,
    JudgementRecord,
    StandardVersion,
    StoredPhoto,
    Take,
)
from qc.series import Series


@dataclass(frozen=True)
class Chosen:
    """Which checks a question is about; None means all."""

    decorator: str | None = None
    kind: str | None = None
    since: datetime | None = None
    until: datetime | None = None

    def conditions(self, db: Connection, table: Table) -> list[ColumnElement[bool]]:
        """The same as SQL conditions on a table with decorator_id, kind and time_ms."""
        c, found = table.c, []
        if self.kind is not None:
            found.append(c.kind == self.kind)
        if self.decorator is not None:
            found.append(c.decorator_id == decorator_id(db, self.decorator))
        if self.since is not None:
            found.append(c.time_ms >= to_ms(self.since))
        if self.until is not None:
            found.append(c.time_ms < to_ms(self.until))
        return found


@dataclass(frozen=True)
class Headline:
    """What lists show of a judgement."""

    verdict: str
    points: float | None
    uncertainty: float | None


def headline(judgement: Any) -> Headline:
    """Verdict and points of a judgement."""
    points = getattr(judgement, "points", None)
    return Headline(str(judgement.verdict), points, getattr(judgement, "points_uncertainty", None))


def decorator(row: RowMapping) -> Decorator:
    """A decorator from a row."""
    return Decorator(row["id"], row["pseudonym"], row["role"], bool(row["invented"]))


def decorator_id(db: Connection, pseudonym: str) -> int:
    """The number of a decorator, or a RecordError."""
    t = schema.decorators
    found = db.execute(select(t.c.id).where(t.c.pseudonym == pseudonym)).scalar()
    if found is None:
        raise RecordError(f"There is no decorator {pseudonym!r}: add the pseudonym first, or choose one from the list.")
    return int(found)


def standard(row: Any) -> StandardVersion:
    """A standard's version from a row."""
    when = from_ms(row["valid_from_ms"])
    return StandardVersion(
        row["id"], row["kind"], row["version"], row["text"], when, row["note"], bool(row["invented"])
    )


def standards(db: Connection, kind: str | None) -> tuple[StandardVersion, ...]:
    """Versions of one kind or of all."""
    t = schema.standards
    query = select(t).order_by(t.c.kind, t.c.version)
    return tuple(standard(r) for r in db.execute(query if kind is None else query.where(t.c.kind == kind)).mappings())


def one_standard(db: Connection, standard_id: int) -> StandardVersion:
    """One version, or a RecordError."""
    row = db.execute(select(schema.standards).where(schema.standards.c.id == standard_id)).mappings().first()
    if row is None:
        raise RecordError(f"There is no version number {standard_id} of a standard: choose one from the list.")
    return standard(row)


def check(db: Connection, check_id: int, path: Callable[[str, str], Path]) -> CheckRecord:
    """One check with everything beside it."""
    c, d = schema.checks, schema.decorators
    query = select(c, d.c.pseudonym).join(d, c.c.decorator_id == d.c.id).where(c.c.id == check_id)
    row = db.execute(query).mappings().first()
    if row is None:
        raise RecordError(f"There is no check number {check_id}: look it up in the list of cakes.")
    about = Circumstances(row["kitchen_temperature_c"], row["rush"], row["recipe_change"], row["notes"])
    return CheckRecord(
        id=check_id,
        time=from_ms(row["time_ms"]),
        decorator=row["pseudonym"],
        kind=row["kind"],
        order=json.loads(row["order_json"]),
        circumstances=about,
        first_photo_time=None if row["first_photo_ms"] is None else from_ms(row["first_photo_ms"]),
        counts=_counts(row["counts_from_ms"]),
        invented=bool(row["invented"]),
        standard=None if row["standard_id"] is None else one_standard(db, row["standard_id"]),
        photos=_photos(db, check_id, path),
        takes=tuple(
            Take(r["id"], from_ms(r["time_ms"]), r["reason"], r["program"], thaw(r["result"]))
            for r in _beside(db, schema.takes, check_id)
        ),
        judgements=tuple(_judgement(r) for r in _beside(db, schema.judgements, check_id)),
        decisions=tuple(
            Decision(r["id"], from_ms(r["time_ms"]), r["decision"], r["reason"], r["by"])
            for r in _beside(db, schema.decisions, check_id)
        ),
        comments=tuple(
            Comment(r["id"], from_ms(r["time_ms"]), r["author"], r["text"], r["effect"])
            for r in _beside(db, schema.comments, check_id)
        ),
        corrections=tuple(_correction(r) for r in _beside(db, schema.corrections, check_id)),
    )


def _counts(counts_from_ms: int | None) -> bool:
    return counts_from_ms is not None and counts_from_ms <= now_ms()


def _beside(db: Connection, table: Table, check_id: int) -> list[RowMapping]:
    query = select(table).where(table.c.check_id == check_id).order_by(table.c.id)
    return list(db.execute(query).mappings())


def _judgement(row: RowMapping) -> JudgementRecord:
    return JudgementRecord(
        row["id"],
        row["take_id"],
        row["standard_id"],
        from_ms(row["time_ms"]),
        row["verdict"],
        row["points"],
        row["points_uncertainty"],
        thaw(row["body"]),
    )


def _correction(row: RowMapping) -> Correction:
    when = from_ms(row["time_ms"])
    return Correction(row["id"], when, row["field"], row["earlier"], row["now"], row["reason"], row["by"])


def _photos(db: Connection, check_id: int, path: Callable[[str, str], Path]) -> dict[str, StoredPhoto]:
    link, p = schema.check_photos, schema.photos
    query = select(link.c.photo_name, p).join(p, link.c.sha256 == p.c.sha256).where(link.c.check_id == check_id)
    return {
        r["photo_name"]: StoredPhoto(
            r["sha256"], r["original_sha256"], path(r["sha256"], r["suffix"]), r["width_px"], r["height_px"]
        )
        for r in db.execute(query.order_by(p.c.stored_ms)).mappings()
    }


def summaries(db: Connection, chosen: Chosen, limit: int, offset: int) -> tuple[CheckSummary, ...]:
    """Lines for the list of cakes, latest first."""
    c, d = schema.checks, schema.decorators
    j, x, n = schema.judgements, schema.decisions, schema.comments
    last_j = select(func.max(j.c.id)).where(j.c.check_id == c.c.id).correlate(c).scalar_subquery()
    last_x = select(x.c.decision).where(x.c.check_id == c.c.id).order_by(x.c.id.desc()).limit(1).correlate(c)
    comments = select(func.count()).select_from(n).where(n.c.check_id == c.c.id).correlate(c)
    query = (
        select(
            c.c.id,
            c.c.time_ms,
            d.c.pseudonym,
            c.c.kind,
            j.c.verdict,
            j.c.points,
            j.c.points_uncertainty,
            last_x.scalar_subquery(),
            c.c.take_count,
            comments.scalar_subquery(),
            c.c.counts_from_ms,
            c.c.invented,
        )
        .join(d, c.c.decorator_id == d.c.id)
        .outerjoin(j, j.c.id == last_j)
        .where(*chosen.conditions(db, c))
        .order_by(c.c.time_ms.desc(), c.c.id.desc())
    )
    rows = db.execute(query.limit(limit).offset(offset))
    return tuple(CheckSummary(r[0], from_ms(r[1]), *r[2:10], _counts(r[10]), bool(r[11])) for r in rows)


def count(db: Connection, chosen: Chosen) -> int:
    """How many checks there are."""
    c = schema.checks
    return int(db.execute(select(func.count()).select_from(c).where(*chosen.conditions(db, c))).scalar_one())


def series(db: Connection, chosen: Chosen, quantity: str | None) -> dict[str, Series]:
    """One quantity, or every one, of one kind of cake over time."""
    m, c = schema.measured, schema.checks
    conditions = chosen.conditions(db, m)
    if quantity is not None:
        conditions.append(m.c.name == quantity)
    query = select(m.c.name, m.c.check_id, m.c.value, m.c.uncertainty, m.c.low, m.c.high).where(*conditions)
    rows = db.execute(query).all()
    about = _about_checks(db, select(c).where(*chosen.conditions(db, c)))
    by_name: dict[str, list[Any]] = {}
    for row in rows:
        by_name.setdefault(row[0], []).append(row)
    return {name: _series(name, chosen.kind or "", found, about) for name, found in by_name.items()}


@dataclass(frozen=True)
class _About:
    """What the series say of each check, sorted by its number."""

    check_id: np.ndarray
    time: np.ndarray
    decorator: np.ndarray
    counts: np.ndarray
    remeasured: np.ndarray
    rush: np.ndarray
    kitchen_temperature_c: np.ndarray
    recipe_change: np.ndarray


def _about_checks(db: Connection, query: Select[Any]) -> _About:
    c, d = schema.checks, schema.decorators
    names = dict(db.execute(select(d.c.id, d.c.pseudonym)).all())
    chosen = query.with_only_columns(
        c.c.id,
        c.c.time_ms,
        c.c.decorator_id,
        c.c.counts_from_ms,
        c.c.take_count,
        c.c.rush,
        c.c.kitchen_temperature_c,
        c.c.recipe_change,
    ).order_by(c.c.id)
    rows = db.execute(chosen).all()
    now = now_ms()
    return _About(
        np.array([r[0] for r in rows], np.int64),
        np.array([r[1] for r in rows], np.int64).astype("datetime64[ms]"),
        np.array([names[r[2]] for r in rows], dtype=np.str_),
        np.array([r[3] is not None and r[3] <= now for r in rows], bool),
        np.array([r[4] > 1 for r in rows], bool),
        np.array([bool(r[5]) for r in rows], bool),
        np.array([math.nan if r[6] is None else r[6] for r in rows], float),
        np.array([r[7] for r in rows], dtype=np.str_),
    )


def _series(name: str, kind: str, rows: list[Any], about: _About) -> Series:
    ids = np.array([r[1] for r in rows], np.int64)
    at = np.searchsorted(about.check_id, ids)
    order = np.lexsort((ids, about.time[at]))
    at = at[order]
    value, uncertainty, low, high = (
        np.array([math.nan if r[i] is None else r[i] for r in rows], float)[order] for i in range(2, 6)
    )
    return Series(
        name,
        kind,
        about.time[at],
        value,
        uncertainty,
        low,
        high,
        ids[order],
        about.decorator[at],
        about.counts[at],
        about.remeasured[at],
        about.rush[at],
        about.kitchen_temperature_c[at],
        about.recipe_change[at],
    )


def accepted(db: Connection, kind: str, limit: int) -> tuple[int, ...]:
    """The latest checks of a kind that the chef passed."""
    c, x = schema.checks, schema.decisions
    last = select(x.c.decision).where(x.c.check_id == c.c.id).order_by(x.c.id.desc()).limit(1).correlate(c)
    query = select(c.c.id).where(c.c.kind == kind, last.scalar_subquery() == "passed")
    return tuple(db.execute(query.order_by(c.c.time_ms.desc()).limit(limit)).scalars())


def agreement(db: Connection, kind: str | None) -> tuple[AgreementCell, ...]:
    """Cakes by verdict and the chef's decision."""
    c, x, j = schema.checks, schema.decisions, schema.judgements
    last_x = select(func.max(x.c.id)).group_by(x.c.check_id)
    last_j = select(func.max(j.c.id)).group_by(j.c.check_id)
    query = (
        select(j.c.verdict, x.c.decision, func.count())
        .join(x, x.c.check_id == j.c.check_id)
        .join(c, c.c.id == j.c.check_id)
        .where(x.c.id.in_(last_x), j.c.id.in_(last_j))
        .group_by(j.c.verdict, x.c.decision)
        .order_by(j.c.verdict, x.c.decision)
    )
    rows = db.execute(query if kind is None else query.where(c.c.kind == kind))
    return tuple(AgreementCell(*r) for r in rows)
