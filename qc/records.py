"""The shop's records: checks, decorators, standards; nothing is overwritten, later entries stand beside earlier ones.

Open with `open_store`; every method is one transaction, so what was saved stays saved. Reading is in
`qc.record_queries`; the tables are in `qc.schema`.
"""

import uuid
from collections.abc import Iterable
from datetime import datetime
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, delete, func, insert, select, update

from qc import record_queries as queries
from qc import record_writes as writes
from qc import schema
from qc.data_folder import data_folder
from qc.database import (
    database_url,
    from_ms,
    new_key,
    now_ms,
    open_engine,
    reading,
    sqlite_file,
    to_ms,
    writing,
)
from qc.errors import RecordError
from qc.photo_store import PhotoStore
from qc.quantities import CheckResult
from qc.record_types import (
    CORRECTABLE,
    DECISIONS,
    EFFECTS,
    LEFT_OUT,
    SEEN,
    TAKEN_IN,
    AgreementCell,
    Baseline,
    CheckRecord,
    CheckSummary,
    Decorator,
    NewCheck,
    PurgeReport,
    StandardVersion,
    StoreSettings,
)
from qc.series import Series

_HOUR_MS = 3_600_000


def open_store(url: str | None = None, photo_dir: Path | None = None, settings: StoreSettings | None = None) -> "Store":
    """Open the records, made new or brought up to date where needed.

    Parameters
    ----------
    url : str, optional
        A database address; by default the environment's CAKEQC_DATABASE, else SQLite in the user's data directory.
    photo_dir : Path, optional
        By default "photos" beside the SQLite file.

    Raises
    ------
    RecordError
        The database or the folder cannot be used.
    """
    chosen = settings or StoreSettings()
    address = database_url(url)
    file = sqlite_file(address)
    engine = open_engine(address, chosen.busy_timeout_ms)
    folder = photo_dir or (file.parent if file else data_folder()) / "photos"
    return Store(engine, PhotoStore(folder), chosen)


class Store:
    """The records of one shop. Safe to share between threads.

    Attributes
    ----------
    photos : PhotoStore
        `photos.receive(bytes)` keeps an upload until its check is saved, `photos.received(hash)` gives it back.
    """

    def __init__(self, engine: Engine, photos: PhotoStore, settings: StoreSettings) -> None:
        self.engine = engine
        self.photos = photos
        self.settings = settings

    def close(self) -> None:
        """Let go of the database file."""
        self.engine.dispose()

    # ---- people and standards -------------------------------------------------------------------------------------

    def add_decorator(self, pseudonym: str, role: str = "", invented: bool = False) -> Decorator:
        """Add a decorator, or give the one of that pseudonym that is there already.

        The pseudonym is kept as plain text, letter by letter; what shows it must not read it as markup.

        Raises
        ------
        RecordError
            The pseudonym is empty, too long, or has control characters.
        """
        t = schema.decorators
        name = writes.pseudonym(pseudonym, self.settings.longest_pseudonym)
        with writing(self.engine) as db:
            found = db.execute(select(t).where(t.c.pseudonym == name)).mappings().first()
            if found is None:
                row = {"pseudonym": name, "role": self._text(role), "invented": invented, "created_ms": now_ms()}
                key = new_key(db.execute(insert(t).values(row)))
                return Decorator(key, name, self._text(role), invented)
            return queries.decorator(found)

    def decorators(self) -> tuple[Decorator, ...]:
        """All decorators, by the alphabet."""
        with reading(self.engine) as db:
            rows = db.execute(select(schema.decorators)).mappings()
            return tuple(sorted((queries.decorator(r) for r in rows), key=lambda d: d.pseudonym.casefold()))

    def add_standard(
        self, kind: str, toml: str, valid_from: datetime | None = None, note: str = "", invented: bool = False
    ) -> StandardVersion:
        """Add the next version of the standard for one kind of cake; earlier versions stay.

        Parameters
        ----------
        toml : str
            The standard's text, checked by `qc.standard` before it comes here. The same text again adds nothing.
        valid_from : datetime, optional
            Cakes from this time on are judged by it; now when left out.
        """
        when_ms = now_ms() if valid_from is None else to_ms(valid_from)
        t = schema.standards
        newest = select(t).where(t.c.kind == kind).order_by(t.c.version.desc()).limit(1)
        with writing(self.engine) as db:
            latest = db.execute(newest).mappings().first()
            if latest is not None and latest["text"] == toml:
                return queries.standard(latest)
            row: dict[str, Any] = {
                "kind": writes.kind_name(kind),
                "version": 1 if latest is None else latest["version"] + 1,
                "text": toml,
                "note": self._text(note),
                "valid_from_ms": when_ms,
                "created_ms": now_ms(),
                "invented": invented,
            }
            key = new_key(db.execute(insert(t).values(row)))
            return queries.standard({**row, "id": key})

    def standards(self, kind: str | None = None) -> tuple[StandardVersion, ...]:
        """All versions, of one kind of cake or of all, oldest first."""
        with reading(self.engine) as db:
            return queries.standards(db, kind)

    def standard(self, standard_id: int) -> StandardVersion:
        """One version by its id."""
        with reading(self.engine) as db:
            return queries.one_standard(db, standard_id)

    def standard_in_force(self, kind: str, when: datetime | None = None) -> StandardVersion | None:
        """The version that a cake of this kind was to be judged by at a time; None when there was none."""
        when_ms = now_ms() if when is None else to_ms(when)
        found = [s for s in self.standards(kind) if to_ms(s.valid_from) <= when_ms]
        return max(found, key=lambda s: (s.valid_from, s.version), default=None)

    def kinds(self) -> tuple[str, ...]:
        """Kinds of cake that have a standard or a check, by the alphabet."""
        with reading(self.engine) as db:
            rows = db.execute(select(schema.standards.c.kind).union(select(schema.checks.c.kind)))
            return tuple(sorted(r[0] for r in rows))

    # ---- one check ------------------------------------------------------------------------------------------------

    def save_check(self, new: NewCheck) -> int:
        """Save one finished cake with its photos; gives its number.

        Raises
        ------
        PhotoError
            A file is no photo.
        RecordError
            The decorator is unknown, the disk is full, the database is busy: nothing was saved then.
        """
        return self.save_many([new])[0]

    def save_many(self, checks: Iterable[NewCheck]) -> list[int]:
        """Save several cakes, all or none; gives their numbers."""
        with writing(self.engine) as db:
            return [self._save(db, new) for new in checks]

    def _save(self, db: Connection, new: NewCheck) -> int:
        uid = new.token or uuid.uuid4().hex
        there = db.execute(select(schema.checks.c.id).where(schema.checks.c.uid == uid)).scalar()
        if there is not None:
            return int(there)
        check_id = writes.insert_check(db, new, uid, self.settings)
        for name, data in new.photos.items():
            writes.insert_photo(db, check_id, name, self.photos.put(data, name))
        when_ms = None if new.time is None else to_ms(new.time)  # saved together is one act, at one time
        take_id = writes.insert_take(db, check_id, new.result, "", when_ms)
        if new.judgement is not None:
            writes.insert_judgement(db, check_id, take_id, new.judgement, new.standard_id, when_ms)
        if new.decision is not None:
            words = {"reason": self._text(new.decision_reason), "by": self._text(new.decision_by)}
            self._add_decision(db, check_id, new.decision, **words, time_ms=when_ms)
        return check_id

    def check(self, check_id: int) -> CheckRecord:
        """Everything that is known of one check.

        Raises
        ------
        RecordError
            There is no such check.
        """
        with reading(self.engine) as db:
            return queries.check(db, check_id, self.photos.path)

    def checks(
        self,
        decorator: str | None = None,
        kind: str | None = None,
        since: datetime | None = None,
        until: datetime | None = None,
        limit: int = 100,
        offset: int = 0,
    ) -> tuple[CheckSummary, ...]:
        """The cakes so far, latest first."""
        with reading(self.engine) as db:
            chosen = queries.Chosen(decorator, kind, since, until)
            return queries.summaries(db, chosen, limit, offset)

    def count(self, decorator: str | None = None, kind: str | None = None, since: datetime | None = None) -> int:
        """How many checks there are."""
        with reading(self.engine) as db:
            return queries.count(db, queries.Chosen(decorator, kind, since, None))

    def add_decision(self, check_id: int, decision: str, reason: str = "", by: str = "") -> None:
        """Add what the chef did: "passed", "sent back", "downgraded" or "discarded"."""
        with writing(self.engine) as db:
            self._add_decision(db, check_id, decision, self._text(reason), self._text(by))

    def add_comment(self, check_id: int, text: str, author: str = "", effect: str = "") -> None:
        """Add a remark.

        Parameters
        ----------
        effect : str
            "" none; "seen": the decorator has seen the result, so it counts in trends from now on; "left out": it
            shall not count; "taken in again": it shall.
        """
        if effect not in EFFECTS:
            raise RecordError(f"{effect!r} is no effect: choose one of {', '.join(filter(None, EFFECTS))}.")
        t = schema.checks
        words: dict[str, Any] = {"text": self._text(text), "author": self._text(author)}
        with writing(self.engine) as db:
            time_ms = writes.add_entry(db, schema.comments, check_id, effect=effect, **words)
            change = update(t).where(t.c.id == check_id)
            if effect == LEFT_OUT:
                db.execute(change.values(counts_from_ms=None))
            elif effect == TAKEN_IN:
                db.execute(change.values(counts_from_ms=time_ms))
            elif effect == SEEN:  # seeing does not bring back what the chef left out, nor delay what counts already
                db.execute(change.where(t.c.counts_from_ms > time_ms).values(counts_from_ms=time_ms))

    def add_remeasurement(
        self, check_id: int, result: CheckResult, reason: str, judgement: Any = None, standard_id: int | None = None
    ) -> None:
        """Add a later measurement of a check's photos; trends use the latest, the earlier ones stay."""
        with writing(self.engine) as db:
            take_id = writes.insert_take(db, check_id, result, self._text(reason))
            if judgement is not None:
                writes.insert_judgement(db, check_id, take_id, judgement, standard_id)
            t = schema.checks
            db.execute(update(t).where(t.c.id == check_id).values(take_count=t.c.take_count + 1))

    def add_judgement(self, check_id: int, judgement: Any, standard_id: int | None) -> None:
        """Add a judgement of the latest measurement, such as one by another version of the standard."""
        with writing(self.engine) as db:
            writes.known(db, check_id)
            take = select(func.max(schema.takes.c.id)).where(schema.takes.c.check_id == check_id)
            writes.insert_judgement(db, check_id, int(db.execute(take).scalar_one()), judgement, standard_id)

    def correct(self, check_id: int, field: str, value: Any, reason: str, by: str = "") -> None:
        """Correct an entry: decorator, kind, time, notes, kitchen_temperature_c, rush, recipe_change.

        The earlier value stays in the list of corrections.
        """
        if field not in CORRECTABLE:
            raise RecordError(f"{field!r} cannot be corrected: choose one of {', '.join(CORRECTABLE)}.")
        with writing(self.engine) as db:
            record = queries.check(db, check_id, self.photos.path)
            column, stored = writes.stored_value(db, field, value)
            words = {"earlier": writes.shown(record, field), "now": "" if value is None else str(value)}
            note = {"field": field, "reason": self._text(reason), "by": self._text(by), **words}
            db.execute(insert(schema.corrections).values(check_id=check_id, time_ms=now_ms(), **note))
            db.execute(update(schema.checks).where(schema.checks.c.id == check_id).values({column: stored}))
            if column in ("decorator_id", "kind", "time_ms"):
                m = schema.measured
                db.execute(update(m).where(m.c.check_id == check_id).values({column: stored}))

    # ---- many checks ----------------------------------------------------------------------------------------------

    def series(
        self,
        kind: str,
        quantity: str,
        decorator: str | None = None,
        since: datetime | None = None,
        until: datetime | None = None,
    ) -> Series:
        """One quantity of one kind of cake over time, of one decorator or of all."""
        with reading(self.engine) as db:
            found = queries.series(db, queries.Chosen(decorator, kind, since, until), quantity)
            return found.get(quantity, Series(quantity, kind))

    def all_series(
        self, kind: str, decorator: str | None = None, since: datetime | None = None, until: datetime | None = None
    ) -> dict[str, Series]:
        """Every quantity that was measured on one kind of cake."""
        with reading(self.engine) as db:
            return queries.series(db, queries.Chosen(decorator, kind, since, until), None)

    def measured_names(self, kind: str, decorator: str | None = None) -> tuple[str, ...]:
        """Quantities that have a series, by name; much quicker than reading them all."""
        m = schema.measured
        with reading(self.engine) as db:
            conditions = queries.Chosen(decorator, kind).conditions(db, m)
            return tuple(sorted(db.execute(select(m.c.name).where(*conditions).distinct()).scalars()))

    def accepted(self, kind: str, limit: int = 10) -> tuple[int, ...]:
        """The latest checks of a kind whose last decision is "passed": what limits can be taken from."""
        with reading(self.engine) as db:
            return queries.accepted(db, kind, limit)

    def accepted_results(self, kind: str, limit: int = 10) -> tuple[CheckResult, ...]:
        """The latest measurements of the cakes that the chef passed."""
        return tuple(self.check(i).result for i in self.accepted(kind, limit))

    def agreement(self, kind: str | None = None) -> tuple[AgreementCell, ...]:
        """How the program's verdicts and the chef's decisions went together."""
        with reading(self.engine) as db:
            return queries.agreement(db, kind)

    def set_baseline(self, kind: str, decorator: str | None, start: datetime, end: datetime) -> None:
        """Set the period that a chart's limits come from."""
        if end <= start:
            raise RecordError("The baseline period ends before it starts: swap the two dates.")
        with writing(self.engine) as db:
            who = None if decorator is None else queries.decorator_id(db, decorator)
            row = {"kind": kind, "decorator_id": who, "start_ms": to_ms(start), "end_ms": to_ms(end)}
            db.execute(insert(schema.baselines).values(set_ms=now_ms(), **row))

    def baseline(self, kind: str, decorator: str | None) -> Baseline | None:
        """The period that was set last, None when none was."""
        t = schema.baselines
        with reading(self.engine) as db:
            who = None if decorator is None else queries.decorator_id(db, decorator)
            same = t.c.decorator_id.is_(None) if who is None else t.c.decorator_id == who
            latest = select(t).where(t.c.kind == kind, same).order_by(t.c.id.desc()).limit(1)
            row = db.execute(latest).mappings().first()
        if row is None:
            return None
        return Baseline(kind, decorator, from_ms(row["start_ms"]), from_ms(row["end_ms"]), from_ms(row["set_ms"]))

    def preference(self, name: str) -> str | None:
        """A setting of the shop, such as "retention_days"."""
        t = schema.preferences
        with reading(self.engine) as db:
            return db.execute(select(t.c.value).where(t.c.name == name)).scalar()

    def set_preference(self, name: str, value: str) -> None:
        """Keep a setting of the shop."""
        t = schema.preferences
        with writing(self.engine) as db:
            db.execute(delete(t).where(t.c.name == name))
            db.execute(insert(t).values(name=name, value=value, set_ms=now_ms()))

    def older_than(self, days: float) -> int:
        """How many checks a retention limit of so many days deletes."""
        c = schema.checks
        with reading(self.engine) as db:
            older = select(func.count()).where(c.c.time_ms < now_ms() - round(days * 24 * _HOUR_MS))
            return int(db.execute(older).scalar_one())

    def purge(self, older_than_days: float) -> PurgeReport:
        """Delete checks older than a number of days for good: rows, photos, pictures, and their traces in the file.

        Decorators and standards stay. SQLite overwrites what it deletes (secure_delete) and the file is rebuilt.

        Raises
        ------
        RecordError
            The number of days is not positive.
        """
        if not older_than_days > 0:
            raise RecordError(f"A retention limit of {older_than_days:g} days would delete everything: give 1 or more.")
        limit_ms = now_ms() - round(older_than_days * 24 * _HOUR_MS)
        c, p = schema.checks, schema.photos
        used = select(schema.check_photos.c.sha256).union(select(schema.drawings.c.sha256))
        with writing(self.engine) as db:
            gone = db.execute(delete(c).where(c.c.time_ms < limit_ms)).rowcount
            unused = p.c.sha256.not_in(used)
            files = db.execute(select(p.c.sha256, p.c.suffix).where(unused)).all()
            db.execute(delete(p).where(unused))
            known = set(db.execute(select(p.c.sha256)).scalars())
            # inside the transaction, so that no save can count on a file that is about to go
            for sha256, suffix in files:
                self.photos.remove(sha256, suffix)
            strays = self.photos.strays(known)
            for file in strays:
                file.unlink(missing_ok=True)
        self.photos.forget_received(self.settings.received_hours)
        self._rebuild()
        return PurgeReport(gone, len(files) + len(strays))

    # ---- inside ---------------------------------------------------------------------------------------------------

    def _text(self, given: str) -> str:
        return writes.plain(given, self.settings.longest_text)

    def _add_decision(
        self, db: Connection, check_id: int, decision: str, reason: str, by: str, time_ms: int | None = None
    ) -> None:
        if decision not in DECISIONS:
            raise RecordError(f"{decision!r} is no decision: choose one of {', '.join(DECISIONS)}.")
        writes.add_entry(db, schema.decisions, check_id, time_ms, decision=decision, reason=reason, by=by)

    def _rebuild(self) -> None:
        if self.engine.dialect.name == "sqlite":
            raw = self.engine.raw_connection()
            try:
                raw.execute("VACUUM")  # type: ignore[attr-defined]
                raw.execute("PRAGMA wal_checkpoint(TRUNCATE)")  # type: ignore[attr-defined]
            finally:
                raw.close()
