"""Cameras learnt on the job, from rendered checks: surer with use, right, never in the way of a check."""

import itertools
import logging
import time
from concurrent.futures import wait
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from qc import checking, house, teaching
from qc.card import find_card
from qc.photo import Photo, read_photo
from qc.profiles import CameraStore, camera_key, exif_prior, prior_for
from qc.records import open_store
from qc.samples import samples
from qc.teaching import teach_later
from tests.page_scene import cake
from tests.test_profiles import bare, corners_seen, lenses
from tests.truth import load, true_view

CAKES = Path(__file__).parents[1] / "sample_images"
LAST = "white-strawberries"


@pytest.fixture(scope="module")
def photos() -> dict[str, dict[str, Photo]]:
    """The sample cakes' photos, by cake and name."""
    return {s.name: {n: read_photo(d, n) for n, d in s.photos.items()} for s in samples()}


# ---------------------------------------------------------------- recovery of known truth
def test_the_focal_length_is_surer_after_each_check_and_stays_right(photos, tmp_path):
    """The last cake's lenses as they are known after none, one, two, three other cakes' checks.

    The renderer draws every photo's focal length anew, some tenths of a percent from the EXIF's.
    """
    store, truth = CameraStore(tmp_path / "cameras.json"), load(CAKES / LAST)
    cards = {n: find_card(p) for n, p in photos[LAST].items()}
    sure, off = [], []
    for other in [None, *(n for n in photos if n != LAST)]:
        if other is not None:
            assert teach_later(photos[other], (1.0, 1.0), store).result(120)
        priors = {n: prior_for(p, store, cards[n]) for n, p in photos[LAST].items()}
        sigma = {n: float(np.sqrt(p.covariance[0, 0]) / p.mean[0]) for n, p in priors.items()}
        true = {n: true_view(truth, n).lens.f_px for n in priors}
        sure.append(float(np.mean(list(sigma.values()))))
        off += [(true[n] / priors[n].mean[0] - 1) / sigma[n] for n in priors]
    assert all(later < 1.05 * before for before, later in itertools.pairwise(sure))
    assert sure[-1] < 0.8 * sure[0], "three checks, three to five photos of either lens"
    assert np.abs(off).max() < 3


def test_a_lens_that_has_changed_for_good_is_learnt_anew(tmp_path):
    store, rng = CameraStore(tmp_path / "cameras.json"), np.random.default_rng(20)
    for number, lens in enumerate(lenses(rng, 8, 1.006, 0.001)):
        assert store.learn(bare(number), corners_seen(lens, rng))
    other = [corners_seen(lens, rng) for lens in lenses(rng, 6, 0.965, 0.001)]
    counted = [store.learn(bare(100 + n), card) for n, card in enumerate(other)]
    assert counted == [False, False, False, False, True, True]
    prior = prior_for(bare(200), store, other[0])
    assert (prior.source, prior.note) == ("profile", None)
    assert prior.mean[0] == pytest.approx(0.965 * exif_prior(bare()).mean[0], rel=0.004)


def test_a_stray_photo_now_and_then_changes_nothing(tmp_path):
    store, rng = CameraStore(tmp_path / "cameras.json"), np.random.default_rng(21)
    strays = [corners_seen(lens, rng) for lens in lenses(rng, 8, 0.955, 0.0)]
    for number, lens in enumerate(lenses(rng, 16, 1.006, 0.001)):
        assert store.learn(bare(number), corners_seen(lens, rng))
        if number >= 8:
            assert not store.learn(bare(100 + number), strays[number - 8])
    (profile,) = store.profiles()
    assert profile.photo_count == 16
    assert profile.mean[0] == pytest.approx(1.006, abs=0.002)


def test_a_cropped_photo_teaches_nothing(photos, tmp_path):
    whole = photos[LAST]["side"]
    cut = replace(whole, pixels=whole.pixels[:, 100:-100], recorded_size=(whole.width_px, whole.height_px))
    assert camera_key(cut) is None
    assert teach_later({"side": cut}, (1.0, 1.0), CameraStore(tmp_path / "c.json")).result(60) == ()


# ---------------------------------------------------------------- never in the way
@pytest.fixture
def check(tmp_path, monkeypatch):
    """Saves one sample cake; the measurement has tests of its own."""
    monkeypatch.setattr(checking, "run_stages", lambda *_: None)
    monkeypatch.setattr(checking, "assemble", lambda *_: cake())
    store = open_store(f"sqlite:///{tmp_path / 'r.sqlite'}")
    house.begin(store)
    store.add_decorator("Mint")
    sample = next(s for s in samples() if s.name == LAST)
    started = []
    monkeypatch.setattr(checking, "teach_later", lambda *given: started.append(teach_later(*given)))

    def act(cameras, **changes):
        wanted = checking.CheckOrder("Mint", "cream-15", sample.photos, **changes)
        found = checking.check_cake(store, wanted, None, cameras)
        wait(started, 120)
        return found, [f.result() for f in started]

    yield act
    store.close()


def test_a_saved_check_teaches_and_the_answer_does_not_wait(check, tmp_path, monkeypatch):
    times = {}

    def slow_find(photo):
        time.sleep(0.3)
        times.setdefault("card", time.perf_counter())
        return find_card(photo)

    monkeypatch.setattr(teaching, "find_card", slow_find)
    real = checking.Checked
    monkeypatch.setattr(checking, "Checked", lambda *a: times.setdefault("answer", time.perf_counter()) and real(*a))
    cameras = CameraStore(tmp_path / "cameras.json")
    found, taught = check(cameras)
    assert found.check_id == 1
    assert times["answer"] < times["card"]
    assert taught == [("top", "side", "side2")]
    assert sum(p.photo_count for p in cameras.profiles()) == 3


def test_invented_cakes_teach_nothing(check, tmp_path):
    cameras = CameraStore(tmp_path / "cameras.json")
    assert check(cameras, invented=True)[1] == []
    assert cameras.profiles() == []


@pytest.mark.parametrize("trouble", ["disk", "bug"])
def test_a_check_is_kept_when_teaching_fails(check, tmp_path, monkeypatch, caplog, trouble):
    (tmp_path / "file").write_text("in the way")
    cameras = CameraStore(tmp_path / "file" / "cameras.json")
    if trouble == "bug":
        monkeypatch.setattr(CameraStore, "learn", lambda *_: 1 / 0)
    with caplog.at_level(logging.WARNING, "qc.teaching"):
        found, taught = check(cameras)
    assert found.check_id == 1
    assert taught == [()]
    assert "taught its camera nothing" in caplog.text
