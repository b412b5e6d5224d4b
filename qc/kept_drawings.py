"""The explaining pictures of a measurement kept with its record, small, beside the photos and deleted with them."""

import logging
from collections.abc import Callable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor

from sqlalchemy import Connection, func, insert, select

from qc import record_writes as writes
from qc import schema
from qc.database import reading, writing
from qc.drawings import Drawing
from qc.records import Store
from qc.small_picture import SUFFIX, packed, unpacked

_log = logging.getLogger(__name__)
_pool = ThreadPoolExecutor(1, "drawing")


def keep_drawings(store: Store, check_id: int, made: Sequence[Drawing]) -> int:
    """Keep the pictures of a check's latest measurement; gives how many. A measurement that has some keeps those.

    Raises
    ------
    RecordError
        There is no such check, or the disk or the database cannot be written: then none is kept.
    """
    files = [(drawing, packed(drawing.pixels)) for drawing in made]
    t = schema.drawings
    with writing(store.engine) as db:
        writes.known(db, check_id)
        take_id = _latest_take(db, check_id)
        if db.execute(select(t.c.name).where(t.c.take_id == take_id)).first() is not None:
            return 0
        for place, (drawing, data) in enumerate(files):
            file = store.photos.put_picture(data, SUFFIX)  # inside, so that no purge takes the file before its row
            writes.insert_file(db, file)
            row = {"take_id": take_id, "name": drawing.name, "place": place, "sha256": file.sha256}
            db.execute(insert(t).values(**row, title=drawing.title, words=drawing.words))
    return len(files)


def keep_drawings_later(store: Store, check_id: int, make: Callable[[], Sequence[Drawing]]) -> "Future[int]":
    """The same in a thread of its own, drawn there too: no answer waits for it, and nothing hangs on it."""

    def work() -> int:
        try:
            return keep_drawings(store, check_id, make())
        except Exception as error:  # the check is saved and answered: a missing picture is no trouble of the user's
            _log.warning("The pictures of cake %d are not kept (%r)", check_id, error)
            return 0

    return _pool.submit(work)


def kept_drawings(store: Store, check_id: int) -> tuple[Drawing, ...]:
    """The pictures of a check's latest measurement, in their order; empty for records from before they were kept."""
    t, p = schema.drawings, schema.photos
    with reading(store.engine) as db:
        query = select(t, p.c.suffix).join(p, p.c.sha256 == t.c.sha256).where(t.c.take_id == _latest_take(db, check_id))
        rows = db.execute(query.order_by(t.c.place)).mappings().all()
    found = []
    for row in rows:
        pixels = unpacked(store.photos.path(row["sha256"], row["suffix"]))
        if pixels is not None:
            found.append(Drawing(row["name"], row["title"], row["words"], pixels))
    return tuple(found)


def _latest_take(db: Connection, check_id: int) -> int:
    take = select(func.max(schema.takes.c.id)).where(schema.takes.c.check_id == check_id)
    return int(db.execute(take).scalar() or 0)
