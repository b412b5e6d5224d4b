"""The records: nothing lost, nothing overwritten, nothing personal kept, plain words for bad input."""

import io
import os
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pillow_heif
import pytest
from PIL import Image

from qc.errors import PhotoError, RecordError
from qc.metadata import strip_metadata
from qc.record_types import Circumstances
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


# ---- a check ----------------------------------------------------------------------------------------------------


def test_whole_check_comes_back(store: Store) -> None:
    """Recovery of known truth: every field, every digit; NaN and infinity stay what they are."""
    standard = starting_standards()[1]
    version = store.add_standard("cream-15", standard.to_toml())
    judgement = judge(result(), standard, {})
    about = Circumstances(23.5, True, "less gelatine", "served at once")
    given = new(
        judgement=judgement,
        standard_id=version.id,
        order={"decoration_count": 8.0},
        circumstances=about,
        first_photo_time=NOW - timedelta(minutes=3),
        decision="sent back",
        decision_reason="sloping",
        decision_by="chef",
    )
    found = store.check(store.save_check(given))
    assert repr(found.result) == repr(result())  # repr compares NaN too
    assert found.judgement is not None
    assert found.judgement.judgement == judgement
    assert found.judgement.verdict == str(judgement.verdict)
    assert (found.decorator, found.kind, found.time, found.order) == ("Mint", "cream-15", NOW, given.order)
    assert (found.circumstances, found.first_photo_time) == (about, given.first_photo_time)
    assert found.standard == version
    assert found.decision is not None
    assert (found.decision.decision, found.decision.reason, found.decision.by) == ("sent back", "sloping", "chef")
    assert set(found.photos) == {"top", "side"}
    assert all(p.path.exists() and (p.width_px, p.height_px) == (80, 60) for p in found.photos.values())


def test_same_token_saves_once(store: Store) -> None:
    first = store.save_check(new(token="form-7"))
    assert store.save_check(new(token="form-7")) == first
    assert store.count() == 1


def test_nothing_is_overwritten(store: Store) -> None:
    number = store.save_check(new())
    store.add_remeasurement(number, result(2.5), "another camera profile")
    store.add_decision(number, "passed")
    store.add_decision(number, "discarded", "dropped")
    store.add_decorator("Anise")
    store.correct(number, "decorator", "Anise", "wrong name chosen", "chef")
    store.correct(number, "rush", True, "told later")
    found = store.check(number)
    assert [t.result.overall("level").value for t in found.takes] == [1.25, 2.5]  # type: ignore[union-attr]
    assert [d.decision for d in found.decisions] == ["passed", "discarded"]
    assert [(c.field, c.earlier, c.now) for c in found.corrections] == [
        ("decorator", "Mint", "Anise"),
        ("rush", "", "True"),
    ]
    series = store.series("cream-15", "level", "Anise")
    assert (series.value.tolist(), series.remeasured.tolist(), series.rush.tolist()) == ([2.5], [True], [True])
    assert len(store.series("cream-15", "level", "Mint")) == 0
    assert len(store.series("cream-15", "dome")) == 0  # a value that is not a number is in no series


def test_judged_by_the_version_in_force_and_again_by_another(store: Store) -> None:
    standard = starting_standards()[1]
    old = store.add_standard("cream-15", standard.to_toml(), NOW - timedelta(days=30))
    newer = store.add_standard(
        "cream-15", standard.model_copy(update={"version": 2}).to_toml(), NOW + timedelta(days=1)
    )
    assert (old.version, newer.version) == (1, 2)
    assert store.standard_in_force("cream-15", NOW) == old
    assert store.standard_in_force("cream-15", NOW + timedelta(days=2)) == newer
    assert store.standard_in_force("cream-15", NOW - timedelta(days=31)) is None
    number = store.save_check(new(judgement=judge(result(), standard), standard_id=old.id))
    store.add_judgement(number, judge(result(), standard), newer.id)
    assert [j.standard_id for j in store.check(number).judgements] == [old.id, newer.id]
    assert store.check(number).standard == old


def test_decorator_comments_before_a_cake_counts(store: Store) -> None:
    fresh = store.save_check(new(time=datetime.now(UTC)))
    late = store.save_check(new())
    assert [store.check(n).counts for n in (fresh, late)] == [False, True]
    store.add_comment(fresh, "The board was bent", "Mint", "seen")
    store.add_comment(late, "Dropped", "chef", "left out")
    assert [store.check(n).counts for n in (fresh, late)] == [True, False]
    store.add_comment(late, "", "Mint", "seen")  # seeing does not bring it back
    assert not store.check(late).counts
    store.add_comment(late, "it was another cake", "chef", "taken in again")
    assert store.check(late).counts
    assert store.series("cream-15", "level").counts.all()


def test_accepted_cakes_and_agreement(store: Store) -> None:
    standard = starting_standards()[1]
    numbers = [
        store.save_check(new(judgement=judge(result(), standard), time=NOW + timedelta(hours=i))) for i in range(4)
    ]
    for number, decision in zip(numbers, ("passed", "passed", "sent back", "passed"), strict=True):
        store.add_decision(number, decision)
    store.add_decision(numbers[0], "discarded")
    assert store.accepted("cream-15") == (numbers[3], numbers[1])
    assert sum(c.cakes for c in store.agreement()) == 4
    assert len(store.accepted_results("cream-15")) == 2


def test_baseline_and_preferences_are_kept(store: Store) -> None:
    assert store.baseline("cream-15", "Mint") is None
    store.set_baseline("cream-15", "Mint", NOW, NOW + timedelta(days=9))
    store.set_baseline("cream-15", "Mint", NOW, NOW + timedelta(days=10))
    found = store.baseline("cream-15", "Mint")
    assert found is not None
    assert found.end == NOW + timedelta(days=10)
    assert store.baseline("cream-15", None) is None
    store.set_preference("retention_days", "400")
    assert store.preference("retention_days") == "400"


@pytest.mark.parametrize("name", ["<b>Mint</b>", "Rosé & Ägir", "'; DROP TABLE checks; --", "=1+1", "薄荷"])
def test_pseudonym_with_markup_stays_plain_text(store: Store, name: str) -> None:
    store.add_decorator(name)
    number = store.save_check(new(decorator=name))
    assert store.check(number).decorator == name
    assert store.series("cream-15", "level", name).decorator.tolist() == [name]


@pytest.mark.parametrize(
    ("act", "said"),
    [
        (lambda s: s.add_decorator("  "), "no pseudonym"),
        (lambda s: s.add_decorator("x" * 81), "at most 80"),
        (lambda s: s.add_decorator("a\nb"), "line break"),
        (lambda s: s.save_check(new(decorator="Nobody")), "no decorator 'Nobody'"),
        (lambda s: s.save_check(new(kind=" ")), "kind of cake needs a name"),
        (lambda s: s.save_check(new(order={"height": float("nan")})), "must be numbers"),
        (lambda s: s.save_check(new(standard_id=99)), "contradicts"),
        (lambda s: s.save_check(new(decision="eaten")), "'eaten' is no decision"),
        (lambda s: s.check(77), "no check number 77"),
        (lambda s: s.add_decision(77, "passed"), "no check number 77"),
        (lambda s: s.add_comment(1, "x", effect="hidden"), "no effect"),
        (lambda s: s.correct(1, "verdict", "within", ""), "cannot be corrected"),
        (lambda s: s.set_baseline("k", None, NOW, NOW), "ends before it starts"),
        (lambda s: s.purge(0), "delete everything"),
        (lambda s: s.standard(5), "no version number 5"),
        (lambda s: s.photos.received("../../etc/passwd"), "no photo's code"),
        (lambda s: s.photos.received("0" * 64), "no longer here"),
    ],
)
def test_bad_input_is_one_sentence_and_saves_nothing(store: Store, act: Any, said: str) -> None:
    with pytest.raises(RecordError, match=said) as caught:
        act(store)
    assert "\n" not in str(caught.value)
    assert store.count() == 0


# ---- photos -----------------------------------------------------------------------------------------------------


def test_personal_metadata_is_gone_and_the_picture_is_the_same() -> None:
    original = jpeg()
    clean = strip_metadata(original)
    for secret in (b"Jane Doe", b"SERIAL12345", b"a personal comment", b"2026:05:04"):
        assert secret in original
        assert secret not in clean.data
    before, after = Image.open(io.BytesIO(original)), Image.open(io.BytesIO(clean.data))
    assert before.tobytes() == after.tobytes()
    exif, lens = after.getexif(), after.getexif().get_ifd(0x8769)
    assert (exif[0x010F], exif[0x0110], exif[0x0112]) == ("Maker", "Model 7", 6)
    assert (float(lens[0x920A]), lens[0xA405]) == (6.86, 26)
    assert not after.getexif().get_ifd(0x8825)
    assert set(exif) <= {0x010F, 0x0110, 0x0112, 0x8769}
    assert strip_metadata(clean.data).data == clean.data  # cleaning twice changes nothing


def test_entropy_coded_bytes_are_copied_for_progressive_and_restart_files() -> None:
    for options in ({"progressive": True}, {"restart_marker_blocks": 2}, {"subsampling": 0}):
        original = jpeg(3, **options)
        clean = strip_metadata(original + b"trailing second picture with GPS").data
        assert clean.endswith(b"\xff\xd9")
        assert Image.open(io.BytesIO(original)).tobytes() == Image.open(io.BytesIO(clean)).tobytes()


def test_png_and_heic_lose_their_metadata_too() -> None:
    exif = Image.Exif()
    exif[0x013B], exif[0x0110] = "Jane Doe the photographer", "Model 7"
    exif.get_ifd(0x8825).update({1: "N", 2: (51.0, 30.0, 26.0)})
    image = Image.fromarray(np.random.default_rng(0).integers(0, 255, (64, 64, 3), dtype=np.uint8))
    for form in ("PNG", "HEIF"):
        out = io.BytesIO()
        image.save(out, form, exif=exif.tobytes())
        clean = strip_metadata(out.getvalue())
        assert b"Jane Doe" in out.getvalue()
        assert b"Jane Doe" not in clean.data
        before, after = Image.open(io.BytesIO(out.getvalue())), Image.open(io.BytesIO(clean.data))
        assert before.tobytes() == after.tobytes()
        assert after.getexif()[0x0110] == "Model 7"
        assert not after.getexif().get_ifd(0x8825)
    assert pillow_heif.is_supported(io.BytesIO(clean.data))


def test_photo_is_stored_once(store: Store) -> None:
    data = jpeg(5)
    a, b = store.save_check(new(photos={"top": data})), store.save_check(new(photos={"top": data, "side": data}))
    assert store.check(a).photos["top"].path == store.check(b).photos["side"].path
    assert len(list(store.photos.folder.glob("??/*"))) == 1


@pytest.mark.parametrize("data", [b"", b"no picture", b"\xff\xd8\xff\xe0\x00", b"\x89PNG\r\n\x1a\n" + b"\0" * 40])
def test_photo_that_is_none(store: Store, data: bytes) -> None:
    with pytest.raises(PhotoError, match="side photo cannot be read"):
        store.save_check(new(photos={"side": data}))
    assert store.count() == 0
    assert not list(store.photos.folder.glob("??/*"))


def test_truncated_jpegs_never_crash() -> None:
    data = jpeg(6)
    for cut in range(0, len(data), max(1, len(data) // 150)):
        with pytest.raises(PhotoError):
            strip_metadata(data[:cut])


def test_uploads_wait_until_they_are_saved_or_a_day_has_passed(store: Store) -> None:
    data = jpeg(7)
    sha256 = store.photos.receive(data)
    assert store.photos.received(sha256) == data
    old = store.photos.receive(b"old")
    os.utime(store.photos.waiting / old, (time.time() - 90_000,) * 2)
    assert store.photos.forget_received(24) == 1
    assert store.photos.forget_received(24, (sha256,)) == 1
