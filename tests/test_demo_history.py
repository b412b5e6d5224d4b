"""The invented history: marked, seeded, kept away from real records, and telling the story it was made for."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
import typer
from typer.testing import CliRunner

from qc import house
from qc.commands import demo as command
from qc.demo_history import APPRENTICE, CREAM, DRIFTING, HELPER, RECIPE, STEADY, fill, history
from qc.errors import RecordError
from qc.learning import learning_curve
from qc.quantities import CheckResult
from qc.record_types import NewCheck
from qc.records import Store, open_store
from qc.samples import samples
from qc.standard import load_standard, starting_standards
from qc.trends import trend

TODAY = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    store = open_store(f"sqlite:///{tmp_path_factory.mktemp('demo') / 'r.sqlite'}")
    fill(store, TODAY)
    yield store
    store.close()


def test_every_row_is_marked_as_invented(shop: Store) -> None:
    checks = shop.checks(limit=10_000)
    assert len(checks) > 400
    assert all(c.invented and "(invented)" in c.decorator for c in checks)
    assert all(d.invented for d in shop.decorators())
    assert min(c.time for c in checks) > datetime(2026, 5, 20, tzinfo=UTC)
    assert max(c.time for c in checks) < TODAY


def test_same_seed_same_history() -> None:
    """Frozen by the seed: two runs are the same, another seed is not."""
    first, again, other = (list(history(TODAY, np.random.default_rng(s))) for s in (1, 1, 2))
    assert first == again
    assert first != other


def test_apprentice_learns(shop: Store) -> None:
    standard = house.in_force(shop, CREAM).standard
    limit = standard.limit("ring_radius")
    assert limit is not None
    curve = learning_curve(shop.series(CREAM, "ring_radius", APPRENTICE), limit, np.random.default_rng(0))
    assert curve is not None
    assert curve.change_high < 0
    assert curve.shape == "flattened"


def test_drifting_hand_drifts_and_steady_hand_is_steadier(shop: Store) -> None:
    drift = trend(shop.series(CREAM, "side_ridges", DRIFTING))
    assert any(s.at > len(drift.series) / 2 for s in drift.signals)
    late = [shop.series(CREAM, "side_ridges", who).value[-20:].mean() for who in (DRIFTING, STEADY)]
    assert late[0] > 1.5 * late[1]


def test_helper_has_too_few_cakes(shop: Store) -> None:
    assert not trend(shop.series(CREAM, "level", HELPER)).enough


def test_recipe_change_is_marked(shop: Store) -> None:
    found = trend(shop.series(CREAM, "height", STEADY))
    assert any(RECIPE in m.words for m in found.marks)
    assert len(shop.standards(CREAM)) == 2


def test_real_records_are_left_alone(tmp_path: Path) -> None:
    store = open_store(f"sqlite:///{tmp_path / 'r.sqlite'}")
    store.add_decorator("Mint")
    store.save_check(NewCheck("Mint", CREAM, CheckResult(())))
    with pytest.raises(RecordError, match="real cakes"):
        fill(store, TODAY)
    assert store.count() == 1
    store.close()


def test_demo_command_makes_its_own_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("qc.samples.samples", lambda: ())
    app = typer.Typer()
    command.register(app)
    app.command("other")(lambda: None)
    place = tmp_path / "demo"
    for _ in range(2):  # the second makes it anew
        found = CliRunner().invoke(app, ["demo", "--no-page", "--folder", str(place)], catch_exceptions=False)
        assert found.exit_code == 0
        assert "invented cakes are in the demo's records" in found.output
    (tmp_path / "photos").mkdir()
    with pytest.raises(RecordError, match="no demo's folder"):
        CliRunner().invoke(app, ["demo", "--no-page", "--folder", str(tmp_path)], catch_exceptions=False)
    assert (tmp_path / "photos").exists()


def test_samples_have_their_photos() -> None:
    for sample in samples():
        assert {"top", "side"} <= set(sample.photos)
        assert sample.kind


def test_samples_are_judged_by_round_sizes_of_an_order() -> None:
    """The demo's standards are orders in round sizes, their tolerances those of the starting standards."""
    base = {s.code: s for s in starting_standards()}
    for sample in samples():
        own = sample.standard()
        assert own is not None
        assert sample.ordered is not None
        for name, size in sample.ordered.sizes.items():
            limit, before = own.limit(name), base[sample.kind].limit(name)
            assert limit is not None
            assert before is not None
            assert size % (1 if limit.kind == "count" else 5) == 0
            if limit.kind != "count":
                assert limit.target == size
                assert limit.half_width == before.half_width
        assert load_standard(own.to_toml()) == own
    assert replace(samples()[0], ordered=None).standard() is None
