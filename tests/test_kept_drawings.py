"""The explaining pictures of a record: small, kept once, gone with the record, carried along, and no verdict waits."""

import sqlite3
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from alembic import command
from alembic.config import Config

from qc import schema
from qc.database import MIGRATIONS, reading
from qc.drawings import Drawing
from qc.errors import RecordError
from qc.exchange import export_records, import_records
from qc.kept_drawings import keep_drawings, keep_drawings_later, kept_drawings
from qc.records import Store, open_store
from qc.retention import keep_limit, set_retention_days
from qc.small_picture import LONGEST_PX, packed, packed_again, unpacked
from tests.record_scene import drawing, jpeg, new, result


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    opened = open_store(f"sqlite:///{tmp_path / 'shop' / 'records.sqlite'}")
    opened.add_decorator("Mint")
    yield opened
    opened.close()


def files(store: Store) -> list[Path]:
    return sorted(store.photos.folder.glob("??/*.webp"))


# ---- recovery of a known truth ----------------------------------------------------------------------------------


def test_pictures_come_back_in_their_order_small_and_alike(store: Store) -> None:
    number = store.save_check(new())
    made = tuple(drawing(name, seed) for seed, name in enumerate(("pattern", "side-surface", "a-later-one")))
    assert keep_drawings(store, number, made) == 3
    found = kept_drawings(store, number)
    assert [(d.name, d.title, d.words) for d in found] == [(d.name, d.title, d.words) for d in made]
    for before, after in zip(made, found, strict=True):
        assert max(after.pixels.shape) == LONGEST_PX
        step = before.pixels.shape[0] // after.pixels.shape[0] or 1
        assert abs(float(before.pixels[::step].mean()) - float(after.pixels.mean())) < 2
    assert sum(f.stat().st_size for f in files(store)) < 300_000


def test_saving_twice_keeps_the_first(store: Store) -> None:
    number = store.save_check(new())
    assert keep_drawings(store, number, [drawing(seed=1)]) == 1
    assert keep_drawings(store, number, [drawing(seed=2)]) == 0
    assert len(kept_drawings(store, number)) == 1


def test_a_later_measurement_has_pictures_of_its_own(store: Store) -> None:
    number = store.save_check(new())
    keep_drawings(store, number, [drawing("first")])
    store.add_remeasurement(number, result(2.0), "better program")
    assert kept_drawings(store, number) == (), "those of the earlier measurement are not shown as the later one's"
    keep_drawings(store, number, [drawing("second", 1)])
    assert [d.name for d in kept_drawings(store, number)] == ["second"]
    assert len(files(store)) == 2, "nothing that was kept is lost"


def test_they_are_deleted_with_an_old_check_and_only_then(store: Store) -> None:
    old = store.save_check(new(photos={"top": jpeg(1)}, time=datetime.now(UTC) - timedelta(days=31)))
    young = store.save_check(new(photos={"top": jpeg(2)}, time=datetime.now(UTC) - timedelta(days=29)))
    shared = drawing("shared", 7)
    keep_drawings(store, old, [drawing("own", 1), shared])
    keep_drawings(store, young, [drawing("own", 2), shared])
    set_retention_days(store, 30)
    assert keep_limit(store).photos == 2  # its photo and its own picture; the shared file is still needed
    assert [d.name for d in kept_drawings(store, young)] == ["own", "shared"]
    assert len(files(store)) == 2
    with reading(store.engine) as db:
        assert len(db.execute(schema.drawings.select()).all()) == 2


@pytest.mark.parametrize("form", ["csv", "parquet"])
def test_they_travel_with_an_export(store: Store, tmp_path: Path, form: str) -> None:
    number = store.save_check(new(photos={"top": jpeg(3)}))
    keep_drawings(store, number, [drawing("pattern"), drawing("side", 1)])
    export_records(store, tmp_path / "out", form)
    other = open_store(f"sqlite:///{tmp_path / 'other' / 'records.sqlite'}")
    import_records(other, tmp_path / "out")
    assert [d.name for d in kept_drawings(other, 1)] == ["pattern", "side"]
    assert set(other.check(1).photos) == {"top"}
    other.close()


def test_an_export_from_before_is_still_read(store: Store, tmp_path: Path) -> None:
    store.save_check(new())
    export_records(store, tmp_path / "out")
    (tmp_path / "out" / "drawings.csv").unlink()
    other = open_store(f"sqlite:///{tmp_path / 'other' / 'records.sqlite'}")
    assert import_records(other, tmp_path / "out").checks == 1
    assert kept_drawings(other, 1) == ()
    other.close()


def test_records_from_before_are_opened_and_keep_everything(tmp_path: Path) -> None:
    """A file with the first tables, brought up to date when it is opened."""
    path = tmp_path / "old.sqlite"
    made = open_store(f"sqlite:///{path}")
    made.add_decorator("Mint")
    number = made.save_check(new())
    before = made.check(number).result
    config = Config()
    config.set_main_option("script_location", str(MIGRATIONS))
    with made.engine.connect() as connection, connection.begin():
        config.attributes["connection"] = connection
        command.downgrade(config, "0001")
    made.close()
    with sqlite3.connect(path) as raw:
        assert not raw.execute("SELECT name FROM sqlite_master WHERE name = 'drawings'").fetchall()
    raw.close()
    again = open_store(f"sqlite:///{path}")
    assert again.check(number).result == before
    assert kept_drawings(again, number) == ()
    assert keep_drawings(again, number, [drawing()]) == 1
    again.close()


# ---- trouble -----------------------------------------------------------------------------------------------------


def test_what_cannot_be_drawn_is_no_trouble_of_the_check(store: Store, caplog: pytest.LogCaptureFixture) -> None:
    number = store.save_check(new())

    def broken() -> tuple[Drawing, ...]:
        raise ValueError("no such picture")

    assert keep_drawings_later(store, number, broken).result(20) == 0
    assert "are not kept" in caplog.text
    assert keep_drawings_later(store, number, lambda: (drawing(),)).result(20) == 1


def test_a_lost_or_damaged_file_is_left_out(store: Store) -> None:
    number = store.save_check(new())
    keep_drawings(store, number, [drawing("one", 1), drawing("two", 2), drawing("three", 3)])
    lost, damaged, _ = files(store)
    lost.unlink()
    damaged.write_bytes(b"RIFFnothing")
    assert len(kept_drawings(store, number)) == 1


def test_an_unknown_check_is_one_sentence(store: Store) -> None:
    with pytest.raises(RecordError, match="no check number 7"):
        keep_drawings(store, 7, [drawing()])
    assert files(store) == []


def test_an_import_brings_pixels_only(tmp_path: Path) -> None:
    assert packed_again(b"<script>") is None
    again = packed_again(packed(np.full((20, 30, 3), 90, np.uint8)) + b"something hidden behind it")
    assert again is not None
    assert b"hidden" not in again
    (tmp_path / "a.webp").write_bytes(again)
    pixels = unpacked(tmp_path / "a.webp")
    assert pixels is not None
    assert pixels.shape == (20, 30, 3)
    assert abs(int(pixels.mean()) - 90) <= 2
