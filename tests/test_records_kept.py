"""The database behind the records: retention, locks, a full disk, export and import, ten thousand checks."""

import os
import sqlite3
import threading
import time
from collections.abc import Iterator
from dataclasses import asdict
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import typer
from sqlalchemy import event, insert, text
from typer.testing import CliRunner

from qc import schema
from qc.commands import records as command
from qc.database import open_engine, plain_errors, writing
from qc.errors import CakeQCError, RecordError
from qc.exchange import export_records, import_records
from qc.freeze import freeze, thaw
from qc.record_types import Circumstances, StoreSettings
from qc.records import Store, open_store
from qc.standard import starting_standards
from qc.verdict import judge
from tests.record_scene import NOW, jpeg, new, result


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    opened = open_store(f"sqlite:///{tmp_path / 'shop' / 'records.sqlite'}")
    opened.add_decorator("Mint", "apprentice")
    yield opened
    opened.close()


# ---- retention --------------------------------------------------------------------------------------------------


def test_purge_really_deletes(tmp_path: Path, store: Store) -> None:
    shared, alone = jpeg(8), jpeg(9)
    old = store.save_check(
        new(photos={"top": shared, "side": alone}, circumstances=Circumstances(notes="a secret note"))
    )
    kept = store.save_check(new(photos={"top": shared}, time=datetime.now(UTC)))
    stray = store.photos.folder / "ab" / ("ab" * 32 + ".jpg")
    stray.parent.mkdir(exist_ok=True)
    stray.write_bytes(b"left by a power cut")
    os.utime(stray, (time.time() - 90_000,) * 2)
    found = store.purge(30)
    assert (found.checks, found.photos) == (1, 2)
    with pytest.raises(RecordError):
        store.check(old)
    assert store.check(kept).photos["top"].path.exists()
    assert len(list(store.photos.folder.glob("??/*"))) == 1
    left = b"".join(f.read_bytes() for f in (tmp_path / "shop").glob("records.sqlite*"))
    assert b"a secret note" not in left
    with sqlite3.connect(tmp_path / "shop" / "records.sqlite") as db:
        for table in ("takes", "measured", "check_photos"):
            assert db.execute(f"SELECT count(*) FROM {table} WHERE check_id = ?", (old,)).fetchone() == (0,)
    db.close()


# ---- the database itself ----------------------------------------------------------------------------------------


def test_settings_hold_on_every_connection(store: Store) -> None:
    wanted = {"journal_mode": "wal", "synchronous": 2, "foreign_keys": 1, "secure_delete": 1, "busy_timeout": 5000}
    with store.engine.connect() as a, store.engine.connect() as b:
        for connection in (a, b):
            for name, value in wanted.items():
                assert connection.execute(text(f"PRAGMA {name}")).scalar() == value


def test_migrations_lead_to_the_tables_of_the_program(store: Store) -> None:
    from alembic.autogenerate import compare_metadata
    from alembic.runtime.migration import MigrationContext

    with store.engine.connect() as connection:
        assert compare_metadata(MigrationContext.configure(connection), schema.metadata) == []


def test_locked_database_is_one_sentence(tmp_path: Path) -> None:
    url = f"sqlite:///{tmp_path / 'r.sqlite'}"
    store = open_store(url, settings=StoreSettings(busy_timeout_ms=50))
    store.add_decorator("Mint")
    other = sqlite3.connect(tmp_path / "r.sqlite", isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    with pytest.raises(RecordError, match="in use by another program"):
        store.save_check(new())
    assert store.count() == 0  # reading goes on
    other.execute("ROLLBACK")
    other.close()
    assert store.save_check(new()) == 1
    store.close()


def test_full_disk_is_one_sentence_and_loses_nothing(store: Store) -> None:
    store.save_check(new())

    @event.listens_for(store.engine, "connect")
    def _small(connection: Any, _record: Any) -> None:
        pages = connection.execute("PRAGMA page_count").fetchone()[0]
        connection.execute(f"PRAGMA max_page_count={pages + 2}")

    store.engine.dispose()
    many = [new(circumstances=Circumstances(notes="x" * 3900)) for _ in range(60)]
    with pytest.raises(RecordError, match="The disk is full"):
        store.save_many(many)
    assert store.count() == 1
    assert store.check(1).decorator == "Mint"
    with pytest.raises(RecordError, match="The disk is full"), plain_errors():
        raise OSError(28, "No space left on device")


def test_file_that_is_no_database(tmp_path: Path) -> None:
    (tmp_path / "r.sqlite").write_bytes(b"this is not a database at all" * 100)
    with pytest.raises(RecordError, match="none of this program's"):
        open_store(f"sqlite:///{tmp_path / 'r.sqlite'}")
    with pytest.raises(RecordError, match="no database address"):
        open_store("not an address")


def test_newer_database_is_told(tmp_path: Path) -> None:
    url = f"sqlite:///{tmp_path / 'r.sqlite'}"
    store = open_store(url)
    with writing(store.engine) as db:
        db.execute(text("UPDATE alembic_version SET version_num = '9999'"))
    store.close()
    with pytest.raises(RecordError, match="newer version"):
        open_store(url)


def test_environment_names_the_database(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("CAKEQC_DATABASE", f"sqlite:///{tmp_path / 'elsewhere.sqlite'}")
    open_store().close()
    assert (tmp_path / "elsewhere.sqlite").exists()


def test_one_folder_for_records_photos_and_cameras(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    from qc.profiles import CameraStore

    monkeypatch.delenv("CAKEQC_DATABASE")
    monkeypatch.setenv("CAKEQC_DATA", str(tmp_path / "kept"))
    store = open_store()
    assert (tmp_path / "kept" / "records.sqlite").exists()
    assert store.photos.folder == tmp_path / "kept" / "photos"
    assert CameraStore().path == tmp_path / "kept" / "cameras.json"
    store.close()


def test_two_open_at_once_and_many_save_at_once(tmp_path: Path) -> None:
    url = f"sqlite:///{tmp_path / 'r.sqlite'}"
    stores: list[Store] = []
    opening = [threading.Thread(target=lambda: stores.append(open_store(url))) for _ in range(3)]
    for thread in opening:
        thread.start()
    for thread in opening:
        thread.join()
    assert len(stores) == 3
    stores[0].add_decorator("Mint")
    saving = [threading.Thread(target=lambda s=s: [s.save_check(new(photos={})) for _ in range(8)]) for s in stores]
    for thread in saving:
        thread.start()
    for thread in saving:
        thread.join()
    assert stores[0].count() == 24
    for store in stores:
        store.close()


def test_frozen_results_of_strangers_are_refused() -> None:
    with pytest.raises(RecordError, match="cannot be recorded"):
        freeze({"a": 1})
    with pytest.raises(RecordError, match="damaged"):
        thaw(b"nothing")
    import zlib

    for name in ("os:system", "qc.records:open_store", "qc.nowhere:Thing"):
        with pytest.raises(RecordError, match="update it"):
            thaw(zlib.compress(f'{{"type": "{name}", "value": {{}}}}'.encode()))


# ---- out and in again -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("form", ["csv", "parquet"])
def test_export_and_import_carry_everything(tmp_path: Path, store: Store, form: str) -> None:
    standard = starting_standards()[1]
    version = store.add_standard("cream-15", standard.to_toml(), NOW)
    store.add_decorator("=SUM(A1)")
    about = Circumstances(1 / 3, None, "", 'a "quoted", two\nline note')
    first = store.save_check(
        new(judgement=judge(result(), standard), standard_id=version.id, circumstances=about, decision="passed")
    )
    store.save_check(new(decorator="=SUM(A1)", photos={}))
    store.add_remeasurement(first, result(2.5), "again")
    store.add_comment(first, "'tis", "Mint", "seen")
    store.set_baseline("cream-15", "Mint", NOW, NOW + timedelta(days=9))
    assert export_records(store, tmp_path / "out", form).checks == 2
    there = open_store(f"sqlite:///{tmp_path / 'other' / 'r.sqlite'}")
    there.add_decorator("Basil")  # so that numbers differ
    done = import_records(there, tmp_path / "out")
    assert (done.checks, done.photos, done.already_there) == (2, 2, 0)
    number = next(c.id for c in there.checks(decorator="Mint"))
    before, after = store.check(first), there.check(number)
    for name in ("time", "decorator", "kind", "order", "circumstances", "decisions", "comments", "counts"):
        assert getattr(after, name) == getattr(before, name), name
    assert repr([t.result for t in after.takes]) == repr([t.result for t in before.takes])
    assert repr(after.judgements[0].judgement) == repr(before.judgements[0].judgement)
    assert {n: p.sha256 for n, p in after.photos.items()} == {n: p.sha256 for n, p in before.photos.items()}
    assert there.series("cream-15", "level", "Mint").value.tolist() == [2.5]
    assert [d.pseudonym for d in there.decorators()] == ["=SUM(A1)", "Basil", "Mint"]
    assert there.baseline("cream-15", "Mint") is not None
    assert import_records(there, tmp_path / "out").already_there == 2
    there.close()
    if form == "csv":  # a spreadsheet must not run a name
        assert '"=SUM' not in (tmp_path / "out" / "decorators.csv").read_text()


def test_damaged_export_adds_nothing(tmp_path: Path, store: Store) -> None:
    store.save_check(new(photos={}))
    export_records(store, tmp_path / "out")
    (tmp_path / "out" / "takes.csv").unlink()
    there = open_store(f"sqlite:///{tmp_path / 'other' / 'r.sqlite'}")
    with pytest.raises(RecordError, match=r"takes\.csv"):
        import_records(there, tmp_path / "out")
    assert there.count() == 0
    assert not there.decorators()
    there.close()
    with pytest.raises(RecordError, match="not empty"):
        export_records(store, tmp_path / "out")


def test_commands(tmp_path: Path, store: Store) -> None:
    number = store.save_check(new(invented=True, decision="passed"))
    app = typer.Typer()
    command.register(app)
    database = ["--database", f"sqlite:///{tmp_path / 'shop' / 'records.sqlite'}"]

    def run(*given: str) -> str:
        found = CliRunner().invoke(app, ["records", *given, *database], catch_exceptions=False)
        assert found.exit_code == 0
        return found.output

    assert "invented" in run("list")
    assert "passed" in run("show", str(number))
    assert '"level"' in run("show", str(number), "--json")
    assert "1 cakes" in run("export", str(tmp_path / "out"))
    assert "1 were there already" in run("import", str(tmp_path / "out"))
    assert "1 cakes and 2 photos deleted" in run("purge", "--older-than-days", "30", "--yes")
    with pytest.raises(CakeQCError):
        run("show", "99")


# ---- as large as a chain of shops -------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def chain(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    """10,000 checks of 12 decorators, 30 quantities each, one kind of cake."""
    from qc.quantities import QUANTITIES

    folder = tmp_path_factory.mktemp("chain")
    store = open_store(f"sqlite:///{folder / 'r.sqlite'}")
    ids = [store.add_decorator(f"D{i:02d}").id for i in range(12)]
    rng = np.random.default_rng(1)
    names, n = list(QUANTITIES)[:30], 10_000
    who, values = rng.integers(0, 12, n).tolist(), rng.normal(3, 1, (n, 30)).tolist()
    stamp = [1_700_000_000_000 + 3_600_000 * i for i in range(n)]
    common = {"kind": "cream-15"}
    checks = [
        {**common, "uid": str(i), "time_ms": t, "decorator_id": ids[w], "counts_from_ms": t, "created_ms": t}
        for i, (t, w) in enumerate(zip(stamp, who, strict=True))
    ]
    with writing(store.engine) as db:
        db.execute(insert(schema.checks), checks)
        for i in range(0, n, 1000):
            rows = [
                {**common, "name": q, "decorator_id": ids[who[j]], "time_ms": stamp[j], "check_id": j + 1}
                | {"value": v, "uncertainty": 0.3}
                for j in range(i, i + 1000)
                for q, v in zip(names, values[j], strict=True)
            ]
            db.execute(insert(schema.measured), rows)
    yield store
    store.close()


def test_ten_thousand_checks_are_quick(chain: Store) -> None:
    """Every trend page's numbers in under 300 ms on a desk computer; here with room for a busy machine."""
    from qc import limits
    from qc.consistency import consistency
    from qc.learning import learning_report
    from qc.trends import trend

    def seconds(act: Any) -> float:
        best = 9.0
        for _ in range(3):
            start = time.perf_counter()
            act()
            best = min(best, time.perf_counter() - start)
        return best

    mine = chain.all_series("cream-15", "D03")
    bench = chain.series("cream-15", "level")
    assert len(bench) == 10_000
    bounds = {n: limits.at_most(3) for n in list(mine)[:14]}
    rng = np.random.default_rng(0)
    times = {
        "one decorator": seconds(lambda: [trend(s) for s in [chain.series("cream-15", "level", "D03")]]),
        "learning": seconds(lambda: learning_report(chain.all_series("cream-15", "D03"), bounds, rng)),
        "bench": seconds(lambda: trend(chain.series("cream-15", "level"))),
        "consistency": seconds(lambda: consistency(chain.series("cream-15", "level"))),
        "list": seconds(lambda: chain.checks()),
        "names": seconds(lambda: chain.measured_names("cream-15")),
    }
    assert all(t < 0.6 for t in times.values()), times


def test_engine_is_opened_once_more_without_work(tmp_path: Path) -> None:
    url = f"sqlite:///{tmp_path / 'r.sqlite'}"
    open_engine(url, 100).dispose()
    before = (tmp_path / "r.sqlite").read_bytes()
    open_engine(url, 100).dispose()
    assert (tmp_path / "r.sqlite").read_bytes() == before
    assert asdict(StoreSettings())["busy_timeout_ms"] == 5000
