"""The retention limit kept by itself: rows and files are really gone, what is young stays, trouble is survived."""

import logging
import threading
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from qc.errors import RecordError
from qc.records import Store, open_store
from qc.retention import Housekeeper, keep_limit, retention_days, set_retention_days
from tests.record_scene import jpeg, new


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    opened = open_store(f"sqlite:///{tmp_path / 'shop' / 'records.sqlite'}")
    opened.add_decorator("Mint")
    yield opened
    opened.close()


def aged(store: Store, days: float, seed: int) -> tuple[int, Path]:
    """A saved check that is so many days old, and where its photo lies."""
    number = store.save_check(new(photos={"top": jpeg(seed)}, time=datetime.now(UTC) - timedelta(days=days)))
    return number, store.check(number).photos["top"].path


# ---- recovery of a known truth ----------------------------------------------------------------------------------


def test_without_a_limit_nothing_is_deleted(store: Store) -> None:
    _, photo = aged(store, 4000, 1)
    assert keep_limit(store).checks == 0
    assert photo.exists()


def test_what_is_older_is_gone_with_its_photo_and_the_rest_stays(store: Store) -> None:
    old, old_photo = aged(store, 31, 1)
    young, young_photo = aged(store, 29, 2)
    set_retention_days(store, 30)
    assert store.older_than(30) == 1
    found = keep_limit(store)
    assert (found.checks, found.photos) == (1, 1)
    assert not old_photo.exists()
    assert young_photo.exists()
    with pytest.raises(RecordError):
        store.check(old)
    assert store.check(young).id == young
    assert store.older_than(30) == 0


def test_the_housekeeper_deletes_at_the_start_and_again_later(store: Store) -> None:
    set_retention_days(store, 30)
    _, first = aged(store, 40, 1)
    told = threading.Event()
    keeper = Housekeeper(lambda: store, told.set, every_s=0.05)
    keeper.start()
    assert told.wait(10)
    assert not first.exists()
    told.clear()
    _, second = aged(store, 50, 2)
    assert told.wait(10)
    assert not second.exists()
    keeper.stop()
    assert store.count() == 0


def test_records_that_are_busy_one_day_are_tried_the_next(store: Store, caplog: pytest.LogCaptureFixture) -> None:
    set_retention_days(store, 30)
    _, photo = aged(store, 40, 1)
    days = iter([RecordError("The records are in use by another program.")])

    def opened() -> Store:
        for trouble in days:
            raise trouble
        return store

    with caplog.at_level(logging.WARNING, "qc.retention"):
        keeper = Housekeeper(opened, every_s=0.05)
        keeper.start()
        end = time.monotonic() + 10
        while photo.exists() and time.monotonic() < end:
            time.sleep(0.02)
        keeper.stop()
    assert not photo.exists()
    assert "could not be kept: The records are in use" in caplog.text


def test_a_limit_that_is_no_number_deletes_nothing(store: Store) -> None:
    store.set_preference("retention_days", "soon")
    aged(store, 40, 1)
    assert retention_days(store) == 0
    assert keep_limit(store).checks == 0


def test_uploads_that_were_never_saved_go_after_a_day(store: Store) -> None:
    import os

    sha256 = store.photos.receive(jpeg(3))
    waiting = store.photos.waiting / sha256
    os.utime(waiting, (time.time() - 25 * 3600,) * 2)
    keep_limit(store)
    assert not waiting.exists()
