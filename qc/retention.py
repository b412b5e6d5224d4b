"""The retention limit kept by itself: what is older than the shop wants is deleted, at the start and then every day."""

import logging
import threading
from collections.abc import Callable

from qc.errors import CakeQCError
from qc.record_types import PurgeReport
from qc.records import Store

RETENTION = "retention_days"
EVERY_S = 24 * 3600.0
_log = logging.getLogger(__name__)


def retention_days(store: Store) -> int:
    """Days after which checks are deleted; 0 where the shop has set no limit."""
    kept = store.preference(RETENTION)
    return int(kept) if kept and kept.isdigit() else 0


def set_retention_days(store: Store, days: int) -> None:
    """Keep the limit; 0 lifts it. What is older goes with the next `keep_limit`."""
    store.set_preference(RETENTION, str(max(0, days)))


def keep_limit(store: Store) -> PurgeReport:
    """Delete for good what is older than the limit: rows, photos, their traces; uploads that were never saved too.

    Raises
    ------
    RecordError
        The records are busy or cannot be written; nothing is half deleted, and the next day tries again.
    """
    days = retention_days(store)
    if days and store.older_than(days):
        return store.purge(days)
    store.photos.forget_received(store.settings.received_hours)
    return PurgeReport(0, 0)


class Housekeeper:
    """Calls `keep_limit` at once and then every day, in a thread that ends with the program.

    Parameters
    ----------
    open_records : callable
        Gives the records; called in the thread, so that nothing waits for it.
    after : callable, optional
        Called when something was deleted, such as to forget what is kept in memory.
    """

    def __init__(
        self, open_records: Callable[[], Store], after: Callable[[], None] | None = None, every_s: float = EVERY_S
    ) -> None:
        self._open, self._after, self._every_s = open_records, after, every_s
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="housekeeper", daemon=True)

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def stop(self) -> None:
        """End, and wait for what is under way."""
        self._stop.set()
        self._thread.join(30)

    def _run(self) -> None:
        while not self._stop.is_set():
            try:
                found = keep_limit(self._open())
                if found.checks:
                    _log.warning("Retention limit: %d checks and %d photos deleted.", found.checks, found.photos)
                    if self._after is not None:
                        self._after()
            except CakeQCError as error:  # busy or full: tomorrow is another day, and the page goes on
                _log.warning("The retention limit could not be kept: %s", error)
            self._stop.wait(self._every_s)
